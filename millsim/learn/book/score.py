"""How good the forecasts of a notebook were, and whether they get better: with the doubt that few of them leave.

Answers of one forecast are off together (one mill, one model), so the forecast counts, not the answer: its error is the
mean |ln(measured / predicted)| of all answers of all runs that it was held against. Whether later ones are better is
told by counting: of all ways to part the same errors into two groups, how many look as good (a permutation test, exact;
Fisher 1935, The Design of Experiments, 21). Three of each are the fewest that can tell: 1 way in 20.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import comb, exp, isfinite, log, sqrt

import numpy as np

from ...base.numerics.statistics import wilson
from .table import Row

SURE = 0.05  # chance of looking as good by luck, below which it is said
FEWEST = 3  # forecasts in each group below which nothing can be said
MOST_WAYS = 50_000  # more ways to part them are drawn, not gone through
BETTER, WORSE, SAME, TOO_FEW = "better", "worse", "no telling from luck", "too few to tell"


@dataclass(frozen=True)
class Errors:
    """Some forecasts together: answers inside their bands of how many, expected, and the error of each forecast."""

    runs: int
    inside: int
    answers: int
    expected: float
    errors: tuple[float, ...]

    @property
    def factor(self) -> float:
        """By what factor they are off on average; NaN without any."""
        return exp(float(np.mean(self.errors))) if self.errors else float("nan")

    @property
    def factor_ends(self) -> tuple[float, float]:
        """95 % interval of it (Student's t over forecasts); NaN of a single one."""
        n = len(self.errors)
        if n < 2:
            return float("nan"), float("nan")
        from scipy.special import stdtrit

        reach = float(stdtrit(n - 1, 0.975)) * float(np.std(self.errors, ddof=1)) / sqrt(n)
        middle = float(np.mean(self.errors))
        return exp(max(0.0, middle - reach)), exp(middle + reach)

    @property
    def inside_ends(self) -> tuple[float, float]:
        """95 % interval of the share inside, as if each forecast were one answer."""
        n = len(self.errors)
        low, high = wilson(n * self.inside / self.answers, n) if self.answers else (0.0, 1.0)
        return float(low), float(high)


@dataclass(frozen=True)
class Compared:
    """Two groups of forecasts: how much the second is off against the first, and whether that is more than luck."""

    first: Errors
    second: Errors
    chance: float  # of looking as good by luck; NaN where too few
    verdict: str


@dataclass(frozen=True)
class Score:
    """All forecasts that count, first half against second, and before against after calibrating (None: not both)."""

    all: Errors
    halves: Compared
    calibrated: Compared | None


def score(rows: Sequence[Row]) -> Score:
    """The score of the rows, which come in the order of time."""
    groups: dict[str, list[Row]] = {}
    for row in rows:
        if row.judged and row.forecast:
            groups.setdefault(row.forecast.entry.text("forecast_sha256"), []).append(row)
    units = list(groups.values())
    half = len(units) // 2
    calibrated = [u for u in units if u[0].calibrated]
    plain = [u for u in units if not u[0].calibrated]
    both = compared(plain, calibrated) if plain and calibrated else None
    return Score(_errors(units), compared(units[:half], units[len(units) - half :]), both)


def compared(first: list[list[Row]], second: list[list[Row]]) -> Compared:
    """The second group of forecasts against the first."""
    a, b = _errors(first), _errors(second)
    if min(len(a.errors), len(b.errors)) < FEWEST:
        return Compared(a, b, float("nan"), TOO_FEW)
    chance = by_luck(a.errors, b.errors)
    verdict = BETTER if chance <= SURE else WORSE if by_luck(b.errors, a.errors) <= SURE else SAME
    return Compared(a, b, chance, verdict)


def by_luck(first: Sequence[float], second: Sequence[float]) -> float:
    """Share of all ways to part these errors into groups of that size in which the second looks as good or better."""
    values, n = np.array([*first, *second]), len(second)
    seen = float(np.sum(second)) + 1e-12
    if comb(values.size, n) <= MOST_WAYS:
        sums = np.array([values[list(way)].sum() for way in combinations(range(values.size), n)])
        return float(np.mean(sums <= seen))
    rng = np.random.default_rng(1)
    sums = np.array([rng.permutation(values)[:n].sum() for _ in range(MOST_WAYS)])
    return float((1 + np.count_nonzero(sums <= seen)) / (1 + MOST_WAYS))


def _errors(units: list[list[Row]]) -> Errors:
    points = [[p for row in unit for p in row.judged] for unit in units]
    flat = [p for unit in points for p in unit]
    level = [row.forecast.prediction.band_level for unit in units for row in unit for _ in row.judged if row.forecast]
    off = tuple(float(np.mean([abs(log(p.measured / p.predicted)) for p in unit])) for unit in points)
    return Errors(
        sum(map(len, units)), sum(p.inside for p in flat), len(flat), sum(level), tuple(filter(isfinite, off))
    )
