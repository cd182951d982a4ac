"""The version of the program and of the physics; both go into every result file."""

__version__ = "0.1.0"

# Raise when a law or an engine changes its numbers, so that old results never mix silently with new ones.
MODEL_VERSION = "2"
