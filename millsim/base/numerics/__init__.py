"""Compiled code and its cache, random streams, the arithmetic of size distributions."""
