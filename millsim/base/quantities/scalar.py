"""A number of an answer: value, unit, words, standard error and band."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Scalar:
    """A predicted number with unit, its Monte Carlo standard error and its band (NaN where not known)."""

    value: float
    unit: str
    long_name: str
    se: float = float("nan")
    low: float = float("nan")
    high: float = float("nan")
