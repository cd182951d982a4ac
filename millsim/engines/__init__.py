"""From a frozen state to charge, flows and loads: balance, settling, capacity, batch, Monte Carlo, pieces."""
