"""The population balance without a mill: any rates, any breakage law."""
