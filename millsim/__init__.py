"""millsim: predicts the powder, rate, energy and heat of a small rotor-stator mill."""

from .version import __version__

_EXPORTS = {  # name here: (module, name there)
    "predict": ("show.report.notebook", "predict"),
    "load_config": ("mill.config.mill", "load_config"),
    "read_result": ("show.report.notebook", "read_result"),
    "solve_batch": ("engines.kinetics.solve", "solve_batch"),
    "solve_steady": ("engines.kinetics.solve", "solve_steady"),
}

__all__ = ["__version__", *_EXPORTS]


def __getattr__(name: str):
    """Import the public functions only when asked for, so that `import millsim` stays cheap."""
    if name in _EXPORTS:
        from importlib import import_module

        module, there = _EXPORTS[name]
        return getattr(import_module(f".{module}", __name__), there)
    raise AttributeError(f"module 'millsim' has no attribute {name!r}")


def __dir__() -> list[str]:
    """The public names, for a prompt that completes them."""
    return sorted(__all__)
