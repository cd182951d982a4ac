"""Scrambled Sobol points, bit for bit those of `scipy.stats.qmc`, whose import takes longer than most that is drawn.

Sources: Bratley & Fox 1988, ACM Trans. Math. Softw. 14:88, doi:10.1145/42288.214372, for points and recurrence; Joe &
Kuo 2008 for the direction numbers (`sobol.toml`, with their licence); Matousek 1998, J. Complexity 14:527,
doi:10.1006/jcom.1998.0489, for the scramble by lower triangular matrices and a shift.
"""

import functools
import tomllib
from pathlib import Path

import numpy as np

BITS = 30
DIMENSIONS = 256  # of the table


def sobol(dimensions: int, count: int, seed: int) -> np.ndarray:
    """(count, dimensions) points in [0, 1): the first of the least power of two that holds as many."""
    if dimensions > DIMENSIONS:
        raise ValueError(f"{dimensions} dimensions; the table of direction numbers has {DIMENSIONS}")
    rng = np.random.default_rng(seed).spawn(1)[0]  # as scipy has it
    shift = rng.integers(2, size=(dimensions, BITS), dtype=np.uint32) @ (1 << np.arange(BITS, dtype=np.uint32))
    lower = np.tril(rng.integers(2, size=(dimensions, BITS, BITS), dtype=np.uint32))
    used = max(1, (max(2, count) - 1).bit_length())
    columns = _scrambled(_directions()[:dimensions, :used], lower)
    gray = np.arange(count, dtype=np.uint32)
    gray ^= gray >> 1
    points = np.broadcast_to(shift.astype(np.uint32), (count, dimensions)).copy()
    for i in range(used):
        points ^= ((gray >> i) & 1)[:, None] * columns[:, i]
    return points / 2.0**BITS


@functools.cache
def _directions() -> np.ndarray:
    """(DIMENSIONS, BITS) direction numbers, the first bit after the point as the highest of BITS."""
    table = tomllib.loads(Path(__file__).with_name("sobol.toml").read_text())
    found = np.array([_extended(*x) for x in zip(table["polynomials"], table["first"], strict=True)], dtype=np.uint32)
    return found << np.arange(BITS - 1, -1, -1, dtype=np.uint32)


def _extended(polynomial: int, first: list[int]) -> list[int]:
    """BITS numbers m of one dimension, by the recurrence of its polynomial; of the first dimension all are 1."""
    degree = polynomial.bit_length() - 1
    m = list(first) if degree else [1] * BITS
    while len(m) < BITS:
        new = m[-degree]
        for k in range(1, degree + 1):
            new ^= (polynomial >> (degree - k) & 1) * m[-k] << k
        m.append(new)
    return m


def _scrambled(columns: np.ndarray, lower: np.ndarray) -> np.ndarray:
    """Direction numbers (d, used) multiplied, modulo 2, by lower triangular matrices (d, BITS, BITS) with ones on the
    diagonal.
    """
    places = np.arange(BITS - 1, -1, -1, dtype=np.uint32)
    bits = (columns[:, None, :] >> places[:, None]) & 1
    at = np.arange(BITS)
    lower[:, at, at] = 1
    mixed = (lower.astype(np.float32) @ bits.astype(np.float32)).astype(np.uint32) & 1
    return (mixed << places[:, None]).sum(axis=1, dtype=np.uint32)
