"""Laws without their compiled code, for what must start at once."""

from collections.abc import Callable


def as_written(law: Callable) -> Callable:
    """A compiled law as the Python function it was written as; the same function where nothing is compiled."""
    return getattr(law, "py_func", law)
