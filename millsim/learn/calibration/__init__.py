"""From a measured run to parameters: forward model, misfit, posterior, calibrated card, what to measure next."""
