"""From a sweep and a target to the few builds worth cutting."""
