"""Statistics that several subjects need: quantiles of draws that may lack an answer, limits of a counted share."""

from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike

NORMAL_80 = 1.2816  # so many standard deviations to each side hold 80 % of a normal distribution
FEWEST = 8  # draws with an answer below which there is no band


def quantile(draws: np.ndarray, share: float) -> np.ndarray:
    """(P,) quantile over the draws (P, D) that have a number, the smallest with at least `share` at or below it.

    Infinite draws count; NaN where fewer than FEWEST have a number.
    """
    ranked = np.sort(draws, axis=1)  # NaN last
    good = np.count_nonzero(~np.isnan(draws), axis=1)
    at = np.clip(np.ceil(share * good).astype(int) - 1, 0, max(0, draws.shape[1] - 1))
    found = np.take_along_axis(ranked, at[:, None], axis=1)[:, 0]
    return np.where(good >= FEWEST, found, np.nan)


def central(draws: np.ndarray, level: float) -> tuple[np.ndarray, np.ndarray]:
    """Ends (P,) of the central band of the draws (P, D) at a level; inf where so many cannot run that it has no end."""
    return quantile(draws, (1.0 - level) / 2.0), quantile(draws, (1.0 + level) / 2.0)


def wilson(k: ArrayLike, n: ArrayLike, level: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
    """Limits of a share k/n; 0 and 1 where nothing was tried.

    Source: Wilson 1927, J. Am. Stat. Assoc. 22:209, doi:10.1080/01621459.1927.10502953.
    """
    k, n = np.asarray(k, dtype=float), np.asarray(n, dtype=float)
    z = NormalDist().inv_cdf(0.5 + 0.5 * level)
    middle, half = k + 0.5 * z * z, z * np.sqrt(k * (n - k) / np.maximum(n, 1.0) + 0.25 * z * z)
    low, high = (middle - half) / (n + z * z), (middle + half) / (n + z * z)
    return np.where(k == 0.0, 0.0, np.maximum(low, 0.0)), np.where(k == n, 1.0, np.minimum(high, 1.0))
