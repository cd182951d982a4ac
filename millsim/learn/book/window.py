"""The window of sizes that a use takes, learned from trials of powders: good, too coarse, too fine.

A powder is found too fine or too coarse with a chance that goes with ln(size) as a logistic curve about an edge, one
edge on each side: P(too fine) = 1/(1 + (x/a)^(1/s)), P(too coarse) = 1/(1 + (b/x)^(1/s)) (ordered logit; McCullagh
1980, J. R. Stat. Soc. B 42:109). Priors (stated, assumed): ln a and ln b flat within a factor of SPAN beyond the sizes
tried, a below b; ln s flat between the ends of SOFT, the width over which people and batches disagree.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, isfinite, log

import numpy as np

from .pages import VERDICTS, Trial

SPAN = 8.0
SOFT = (0.02, 0.4)
LEVEL = 0.8  # of the interval of an edge
_GRID, _SOFTS = 160, 12
GOOD, COARSE, FINE = VERDICTS


@dataclass(frozen=True)
class Edge:
    """One edge: where good and not good are as likely [m], and the ends between which it lies at LEVEL."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Window:
    """What trials of one use tell; an edge is None where trials on one side of it are missing, and missing says so.

    least and most: of sizes that are good more likely than not, with all the doubt; None where there are none.
    """

    use: str
    by: str  # "x50", "x90" or "x10"
    counts: dict[str, int]  # by verdict, of trials whose size is known
    fine: Edge | None
    coarse: Edge | None
    missing: tuple[str, ...]
    least: float | None
    most: float | None
    best: float  # chance of a good powder at the best size
    unknown: int  # trials whose size is not known

    @property
    def trials(self) -> int:
        """How many trials it rests on."""
        return sum(self.counts.values())


def learn(trials: Sequence[Trial], use: str, by: str = "x50") -> Window:
    """The window of one use by one size of the powder."""
    of = [t for t in trials if t.use == use]
    known = [(t.sizes_m[by], t.verdict) for t in of if isfinite(t.sizes_m[by])]
    counts = {v: sum(w == v for _, w in known) for v in VERDICTS}
    unknown = len(of) - len(known)
    missing = tuple(v for v in VERDICTS if not counts[v])
    if GOOD in missing or len(missing) == 2:
        return Window(use, by, counts, None, None, missing, None, None, float("nan"), unknown)
    edges, weight, softs = _posterior(known)
    fine = None if FINE in missing else _edge(edges, weight.sum(axis=(1, 2)))
    coarse = None if COARSE in missing else _edge(edges, weight.sum(axis=(0, 2)))
    good = _chance_good(edges, weight, softs, fine is not None, coarse is not None)
    likely = np.flatnonzero(good >= 0.5)
    ends = (float(np.exp(edges[likely[0]])), float(np.exp(edges[likely[-1]]))) if likely.size else (None, None)
    least, most = ends[0] if fine else None, ends[1] if coarse else None
    return Window(use, by, counts, fine, coarse, missing, least, most, float(good.max()), unknown)


def _posterior(known: list[tuple[float, str]]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(grid of ln x, weight (fine edge, coarse edge, softness), grid of the softness)."""
    x = np.log([v for v, _ in known])
    edges = np.linspace(x.min() - log(SPAN), x.max() + log(SPAN), _GRID)
    softs = np.geomspace(*SOFT, _SOFTS)
    logs = np.where(edges[:, None, None] < edges[None, :, None], 0.0, -np.inf) + np.zeros((_GRID, _GRID, _SOFTS))
    for v, verdict in zip(x, (w for _, w in known), strict=True):
        fine = _logistic((edges[:, None] - v) / softs)[:, None, :]
        coarse = _logistic((v - edges[:, None]) / softs)[None, :, :]
        p = {FINE: fine + 0.0 * coarse, COARSE: coarse + 0.0 * fine, GOOD: 1.0 - fine - coarse}[verdict]
        logs += np.log(np.clip(p, 1e-12, None))
    weight = np.exp(logs - logs.max())
    return edges, weight / weight.sum(), softs


def _logistic(t: np.ndarray) -> np.ndarray:
    return 0.5 * (1.0 + np.tanh(0.5 * t))


def _edge(grid: np.ndarray, weight: np.ndarray) -> Edge:
    at = np.cumsum(weight) - 0.5 * weight
    low, middle, high = np.interp([0.5 - LEVEL / 2, 0.5, 0.5 + LEVEL / 2], at, grid)
    return Edge(exp(middle), exp(low), exp(high))


def _chance_good(edges: np.ndarray, weight: np.ndarray, softs: np.ndarray, fine: bool, coarse: bool) -> np.ndarray:
    """Chance of a good powder at each size of the grid, over all that is not known; an unknown edge is left out."""
    by_fine, by_coarse = weight.sum(axis=1), weight.sum(axis=0)  # (edge, softness)
    bad = np.zeros(edges.size)
    for i, v in enumerate(edges):
        if fine:
            bad[i] += float(np.sum(by_fine * _logistic((edges[:, None] - v) / softs)))
        if coarse:
            bad[i] += float(np.sum(by_coarse * _logistic((v - edges[:, None]) / softs)))
    return 1.0 - bad
