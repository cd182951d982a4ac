"""A sieve after the mill, and two mills in line."""
