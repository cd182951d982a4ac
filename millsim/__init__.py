"""millsim: predicts the powder, throughput, energy and heat of a small rotor-stator mill."""

from .version import __version__

_EXPORTS = {
    "predict": "run",
    "load_config": "config",
    "read_result": "results",
    "solve_batch": "kinetics",
    "solve_steady": "kinetics",
}

__all__ = ["__version__", *_EXPORTS]


def __getattr__(name: str):
    """Import the public functions only when asked for, so that `import millsim` stays cheap."""
    if name in _EXPORTS:
        from importlib import import_module

        return getattr(import_module(f".{_EXPORTS[name]}", __name__), name)
    raise AttributeError(f"module 'millsim' has no attribute {name!r}")
