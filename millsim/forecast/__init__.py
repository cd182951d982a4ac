"""From a config to a prediction: the order of things, the band, the stalls."""
