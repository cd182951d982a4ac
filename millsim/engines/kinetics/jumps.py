"""Where a caller's laws jump: what `balance` has to know, for a class is a stretch on which laws are smooth.

Rates and the kind of breakage may jump at a size x, the feed may end at a size as if cut by a sieve, and a share of the
feed or of all daughters may have one size. Daughters may also have a size that is a fixed part of their parent's.
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
TRIES = 8  # sizes of each class at which jumps are looked for
JUMP = 1e-3  # of the largest value: what changes less between two of them is no jump that matters
SAME = 1e-6  # relative: how near two places are the same
DENSITY = 1e-6  # relative step over which the density of a feed is taken
NEAR = 100 * DENSITY  # relative: how near its jumps are one
PARENTS = (1.0, 0.81, 0.57)  # of the largest size: parents whose daughters are looked at
PARTS = (0.37, 0.83)  # of the parent: daughters at which a change of kind is looked for
MOST = 64  # sizes that are followed down the generations


class Jumps(NamedTuple):
    """cuts: sizes at which a law changes; singles: sizes that a share of the mass has; parts: y/x at which B jumps."""

    cuts: list[float]
    singles: list[float]
    parts: list[float]


def feed_jumps(cdf: Callable[[float], float], edges: Array) -> Jumps:
    """Single sizes among a feed, and sizes at which its density jumps."""
    singles = jumps(cdf, edges)

    def density(x: float) -> float:
        low, high = x * (1.0 - DENSITY), x * (1.0 + DENSITY)
        if any(low * (1.0 - DENSITY) <= s <= high * (1.0 + DENSITY) for s in singles):
            low, high = x * (1.0 - 4 * DENSITY), x * (1.0 - 2 * DENSITY)  # of what is beside it
        return (cdf(high) - cdf(low)) / (high / low - 1.0)

    return Jumps(_apart([x for x in jumps(density, edges) if not _among(x, singles, NEAR)], NEAR), singles, [])


def breakage_jumps(B: Callable[[float, float], float], edges: Array) -> Jumps:
    """Single sizes and parts among daughters, and sizes of parents at which breakage is of another kind."""
    found = []
    for parent in (edges[-1] * f for f in PARENTS):
        below = edges[edges < parent * (1.0 - SAME)]
        if below.size:
            found += [(y, y / parent) for y in jumps(_of_parent(B, parent), np.append(below, parent))]
    ratios = [r for _, r in found]
    parts = _apart([r for i, r in enumerate(ratios) if _among(r, ratios[:i] + ratios[i + 1 :])])
    singles = _apart([y for y, r in found if not _among(r, parts)])
    cuts = [x for part in PARTS for x in jumps(_at_part(B, part), edges) if not _among(part * x, singles)]
    return Jumps(_apart(cuts), singles, parts)


def _of_parent(B: Callable[[float, float], float], x: float) -> Callable[[float], float]:
    return lambda y: B(y, x)


def _at_part(B: Callable[[float, float], float], part: float) -> Callable[[float], float]:
    return lambda x: B(part * x, x)


def _among(x: float, others: list[float], near: float = SAME) -> bool:
    return any(abs(x / other - 1.0) < near for other in others)


def _apart(found: list[float], near: float = SAME) -> list[float]:
    """Without those that were found before."""
    return [x for i, x in enumerate(found) if not _among(x, found[:i], near)]


def descended(sizes: list[float], parts: list[float], least: float) -> list[float]:
    """Sizes with those of their daughters, generation by generation down to the least, MOST at most."""
    found, young = list(sizes), list(sizes)
    while young and len(found) < MOST:
        young = [x * r for x in young for r in parts if x * r > least]
        young = [x for x in _apart(young) if not _among(x, found)]
        found += young[: MOST - len(found)]
    return found


def jumps(law: Callable[[float], float], edges: Array) -> list[float]:
    """Sizes inside the classes at which a function jumps, or rises within a small part of a class.

    Looked for between TRIES sizes of each class: what goes up and down again between two of them is not seen.
    """
    low, high = edges[:-1, None], edges[1:, None]
    sizes = (low * (high / low) ** ((np.arange(TRIES) + 0.5) / TRIES)).ravel()
    rates = np.array([law(float(x)) for x in sizes])
    least = JUMP * np.abs(rates).max()
    found: list[float] = []
    for i in np.flatnonzero(np.abs(np.diff(rates)) > least):
        found += _between(law, sizes[i], sizes[i + 1], float(rates[i]), float(rates[i + 1]), least)
    return found


def _between(law, low: float, high: float, f_low: float, f_high: float, least: float, depth: int = 0) -> list[float]:
    """The jumps between two sizes: halved where the rate changes most, as long as nearly all of the change is there."""
    a, b, fa, fb = low, high, f_low, f_high
    change, narrow = abs(f_high - f_low), (high - low) / 64
    while a < (middle := 0.5 * (a + b)) < b:
        f = law(middle)
        a, b, fa, fb = (a, middle, fa, f) if abs(f - fa) > abs(fb - f) else (middle, b, f, fb)
        if abs(fb - fa) < 0.6 * change:
            if b - a > narrow:
                return []  # a rise as any other
            break
    found = [b]
    if depth < 2 and abs(fa - f_low) > least:
        found += _between(law, low, a, f_low, fa, least, depth + 1)
    if depth < 2 and abs(f_high - fb) > least:
        found += _between(law, b, high, fb, f_high, least, depth + 1)
    return found
