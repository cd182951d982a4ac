"""Many mills at once: a plan of settings, computed point by point, kept safe, gathered into one file."""
