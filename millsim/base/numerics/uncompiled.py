"""Laws and records as plain Python, for what must start at once and what asks little at a time."""

from collections.abc import Callable
from functools import lru_cache

import numpy as np


def as_written(law: Callable) -> Callable:
    """A compiled law as the Python function it was written as; the same function where nothing is compiled."""
    return getattr(law, "py_func", law)


def by_field(record: np.void) -> dict[str, float]:
    """The fields of a record of numbers as plain ones, of which a dozen cost as much as one asked of the record.

    Fields of several numbers, which stand last, are left out.
    """
    numbers = np.asarray(record).reshape(1).view(float).tolist()
    return dict(zip(_of_one_number(record.dtype), numbers, strict=False))


@lru_cache(16)
def _of_one_number(dtype: np.dtype) -> tuple[str, ...]:
    return tuple(n for n in dtype.names or () if not dtype[n].shape)
