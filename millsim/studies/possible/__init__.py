"""Is it possible at all: a fineness, a motor and a rate, before any geometry."""
