"""Laws and records as plain Python, for what must start at once and what asks little at a time."""

from collections.abc import Callable
from typing import Any

import numpy as np


def as_written(law: Callable) -> Callable:
    """A compiled law as the Python function it was written as; the same function where nothing is compiled."""
    return getattr(law, "py_func", law)


def by_field(record: np.void) -> dict[str, Any]:
    """The fields of a record as plain numbers: a field asked of the record itself costs as much as a dozen of these."""
    return dict(zip(record.dtype.names or (), record.item(), strict=True))
