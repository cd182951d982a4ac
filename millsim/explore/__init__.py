"""Many mills, and which of them to build."""
