"""Errors that numbers share: within a run, and between runs of one mill, one watt meter and one set of sieves.

A run repeated says more of what changes from run to run, and nothing more of what is off by as much in every run.
"""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Shared:
    """One source of error: of numbers (k,) it moves each by its loading (k,).

    Two numbers with the same source are moved alike where their places (k, p) agree, by less the farther apart.
    coordinate: of the model's own error (see forecast/error.py); "" of any other.
    """

    source: str
    loading: np.ndarray
    place: np.ndarray
    coordinate: str = ""

    def with_(self, other: "Shared") -> np.ndarray:
        """Covariance (k, l) with another's numbers; 0 where the source is another."""
        if self.source != other.source or self.place.shape[1] != other.place.shape[1]:
            return np.zeros((self.loading.size, other.loading.size))
        apart = np.sum((self.place[:, None] - other.place[None]) ** 2, axis=2)
        return np.outer(self.loading, other.loading) * np.exp(-0.5 * apart)


def everywhere(source: str, loading) -> Shared:
    """An error that is the same whatever the run."""
    loading = np.atleast_1d(np.asarray(loading, dtype=float))
    return Shared(source, loading, np.zeros((loading.size, 0)))


def cross(a: tuple[Shared, ...], b: tuple[Shared, ...]) -> np.ndarray:
    """Covariance (k, l) of two sets of numbers by all sources that they share; sets need at least one source each."""
    first, *others = (s.with_(t) for s in a for t in b)
    return sum(others, start=first)


def joint(parts: list[tuple[np.ndarray, tuple[Shared, ...]]]) -> np.ndarray:
    """Covariance (n, n) of several sets of numbers, each given by its own (k, k) and its sources of error."""
    at = np.cumsum([0, *(len(own) for own, _ in parts)])
    total = np.zeros((at[-1], at[-1]))
    for i, (own, a) in enumerate(parts):
        for j, (_, b) in enumerate(parts):
            if i == j:
                total[at[i] : at[i + 1], at[i] : at[i + 1]] = own
            elif a and b:
                total[at[i] : at[i + 1], at[j] : at[j + 1]] = cross(a, b)
    return total


def motor(config) -> str:
    """The motor by its plate: its efficiency is off by as much in every run."""
    d = config.drive
    return f"motor {d.rated_power_W:.6g} W {d.rated_at} {d.efficiency:.4g}"
