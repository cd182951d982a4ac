"""How hot, how much air, how much cold, how long, and whether it runs away."""
