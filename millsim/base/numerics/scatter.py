"""What repeated measurements say: the scatter of single ones, estimated or assumed, and what it makes of a difference.

A difference of two means is told by Student's t with the pooled scatter (flat prior on both means and on the logarithm
of the scatter: the posterior is the t distribution; Box & Tiao 1973, Bayesian Inference in Statistical Analysis, 2.5).
Where nothing was repeated the scatter is assumed: many values of it, and what follows is their mean. A single pair of
repeats tells so little that it only weighs these values.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

from ..quantities.params import Param
from ..quantities.scores import at_quantile

NODES = 64  # equally likely values that stand for an assumed scatter
SIDES = 0.95  # of an interval of a mean or a difference
POWER = 0.8  # chance to find a change that is as large as it looks
FEW = 2  # degrees of freedom below which an estimate by itself says next to nothing
MOST_RUNS = 60  # of each kind: a change that takes more is not worth them


@dataclass(frozen=True)
class Scatter:
    """Standard deviation of a single measurement about its mean.

    dof: degrees of freedom that repeats have. Where it is assumed: nodes are its possible values, with their weights.
    """

    sd: float
    dof: int = 0
    nodes: tuple[float, ...] = ()
    weights: tuple[float, ...] = ()

    @property
    def assumed(self) -> bool:
        """Whether it rests on more than repeats."""
        return bool(self.nodes)

    @property
    def plausible(self) -> tuple[float, float]:
        """Ends that hold 95 % of it: of what is assumed, or by the chi-squared distribution of an estimate."""
        if self.assumed:
            reached = np.cumsum(self.weights)
            low, high = np.interp([0.5 - SIDES / 2, 0.5 + SIDES / 2], reached, self.nodes)
            return float(low), float(high)
        from scipy.special import chdtri

        ends = [self.sd * sqrt(self.dof / float(chdtri(self.dof, p))) for p in (0.5 - SIDES / 2, 0.5 + SIDES / 2)]
        return ends[0], ends[1]

    def below(self, x: float, per: float) -> float:
        """Probability that an error of standard deviation per * sd lies below x."""
        from scipy.special import ndtr, stdtr

        if self.assumed:
            return float(np.dot(self.weights, ndtr(x / (per * np.asarray(self.nodes)))))
        return float(stdtr(self.dof, x / (per * self.sd)))

    def reach(self, per: float, level: float = SIDES) -> float:
        """How far to each side such errors reach at a level."""
        from scipy.special import ndtri, stdtrit

        share = 0.5 + 0.5 * level
        if not self.assumed:
            return per * self.sd * float(stdtrit(self.dof, share))
        low, high = 0.0, per * max(self.nodes) * float(ndtri(share)) + 1e-300
        for _ in range(60):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if self.below(middle, per) < share else (low, middle)
        return high


def pooled(groups: Sequence[Sequence[float]]) -> tuple[float, int]:
    """(standard deviation within groups, its degrees of freedom); NaN and 0 where no group has two values."""
    squares = sum(float(np.sum((np.asarray(g) - np.mean(g)) ** 2)) for g in groups if len(g))
    dof = sum(len(g) - 1 for g in groups if len(g))
    return (sqrt(squares / dof) if dof else float("nan")), dof


def scatter_of(groups: Sequence[Sequence[float]], assumed: Sequence[Param], own: float) -> Scatter:
    """The scatter of repeats, or where there are too few the assumed one of these parameters taken together.

    own: standard error of a single measurement by its instruments alone, which no scatter is smaller than.
    """
    sd, dof = pooled(groups)
    if dof >= FEW:
        return Scatter(max(sd, own), dof)
    nodes = _nodes(assumed, own)
    weights = np.full(NODES, 1.0)
    if dof:  # chi-squared likelihood of what the pair says
        weights = nodes**-dof * np.exp(-0.5 * dof * (sd / nodes) ** 2)
    weights = weights / weights.sum()
    middle = (
        float(np.interp(0.5, np.cumsum(weights), nodes)) if dof else sqrt(own**2 + sum(p.value**2 for p in assumed))
    )
    return Scatter(middle, dof, tuple(nodes.tolist()), tuple(weights.tolist()))


def _nodes(assumed: Sequence[Param], own: float) -> np.ndarray:
    """Equally likely values of an assumed scatter, with the error of the instruments in each."""
    u = (np.arange(NODES) + 0.5) / NODES
    return np.sqrt(own**2 + sum(at_quantile(p, u) ** 2 for p in assumed) + np.zeros(NODES))


def chance_of(groups: Sequence[Sequence[float]], assumed: Sequence[Param], own: float) -> float:
    """Probability that repeats scatter as much as these or more if the scatter is as assumed; NaN without repeats."""
    from scipy.special import chdtrc

    sd, dof = pooled(groups)
    return float(np.mean(chdtrc(dof, dof * (sd / _nodes(assumed, own)) ** 2))) if dof else float("nan")


def runs_needed(difference: float, sd: float) -> int | None:
    """Runs of each of two kinds that find a difference in POWER of cases at the level SIDES; None beyond MOST_RUNS."""
    from scipy.special import stdtrit

    for n in range(2, MOST_RUNS + 1):
        dof = 2 * n - 2
        if abs(difference) >= sd * sqrt(2.0 / n) * float(stdtrit(dof, 0.5 + SIDES / 2) + stdtrit(dof, POWER)):
            return n
    return None
