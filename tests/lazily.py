"""Big libraries that a few tests compare with, imported when first used: collecting the tests stays quick."""

import importlib


class later:
    """A module that is imported when something of it is asked for: `stats = later("scipy.stats")`."""

    def __init__(self, name: str):
        self._name = name

    def __getattr__(self, attribute: str):
        if attribute.startswith("_"):  # pytest asks everything in a module whether it is a fixture, a mock or wrapped
            raise AttributeError(attribute)
        return getattr(importlib.import_module(self._name), attribute)
