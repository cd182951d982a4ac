"""People's text files (TOML, sieve sheets) into SI, every problem in one pass."""
