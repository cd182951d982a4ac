"""The drawing of a mill to scale."""
