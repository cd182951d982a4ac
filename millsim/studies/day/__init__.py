"""A day of production: a hopper, a bag, a filter and a sieve that load over hours, and when to do what."""
