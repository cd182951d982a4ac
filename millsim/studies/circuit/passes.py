"""One mill, two passes: all of the powder goes through once, then through again with the mill set anew.

A batch of powder takes the time and the energy of both passes. Beside it stands one pass of the mill as the second
pass has it, with holes that give the same median. Draws are common: in each, all three are off alike, so the chance
that two passes pay is told by their differences.

Taken, not measured: the powder has cooled to the feed's temperature between the passes; nothing is lost; carrying it
back and setting the mill anew take no time.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import exp, inf, log, nan

import numpy as np

from ...base.numerics import psd
from ...base.numerics.threads import on_all_cores
from ...errors import InputError, NotConverged
from ...forecast.band import TOLERANCE, band_of, common_draws
from ...forecast.error import errors
from ...mill.config.mill import Config, with_keys
from ...mill.problem import Setup
from ...record.limits import CANNOT, LIMITS
from ..ways import hole_keys
from .band import with_error
from .line import fed_with, fits
from .loop import NO_SIEVE, ready, through
from .turns import Circuit

FINES_M = 63e-6  # a sieve of ISO 3310-1; finer is the dust that filters and lungs get
ALIKE = 0.003  # in ln x50: as fine
FINER, COARSER = 0.4, 1.6  # holes of the one pass over those of the second, as far as they are sought
HALVINGS = 12
NAMES = ("time_s_kg", "gross_J_kg", "warmest_K", "x10_m", "x50_m", "x90_m", "fines_share")
PAYS = ("gross_J_kg", "time_s_kg", "warmest_K")  # where less is better


@dataclass(frozen=True)
class Passes:
    """Two passes and the one pass that stands for them, SI; two, one: figures of NAMES per kilogram of powder.

    code, reason: of the passes; hole_m: of the one pass; matched: whether its median is that of the two; ends: {name:
    (of two, of one)} bands; pays: {name of PAYS: share of the draws in which two passes have less}; draws: behind
    the bands; counted: of them, those in which the mill runs one way or the other.
    """

    code: int
    reason: str
    first: Circuit
    second: Circuit | None
    reference: Circuit | None
    hole_m: float
    matched: bool
    two: dict[str, float]
    one: dict[str, float]
    ends: dict[str, tuple[tuple[float, float], tuple[float, float]]]
    pays: dict[str, float]
    draws: int
    counted: int


def two_passes(
    first: Config, second: Config, draws: int = 0, class_ratio: float | None = None,
    progress: Callable[[float], None] | None = None,
) -> Passes:  # fmt: skip
    """Two passes of a mill; second: the same mill as the second pass has it, with the feed of the first.

    Raises InputError, NotConverged.
    """
    p1 = ready(first, NO_SIEVE, class_ratio)
    a = through(p1, NO_SIEVE, first.feed.rate_kg_s)
    if a.code == CANNOT:
        return Passes(CANNOT, f"first pass: {a.reason}", a, None, None, nan, False, {}, {}, {}, {}, 0, 0)
    fed = fed_with(second, a)
    fits(fed, a)
    p2 = ready(fed, NO_SIEVE, class_ratio)
    b = through(p2, NO_SIEVE, second.feed.rate_kg_s)
    if b.code == CANNOT:
        return Passes(CANNOT, f"second pass: {b.reason}", a, b, None, nan, False, {}, {}, {}, {}, 0, 0)
    single, c = matched(second, b.x50_m, class_ratio)
    two, one = _both(a, b), _figures(c)
    near = abs(log(c.x50_m / b.x50_m)) <= 3.0 * ALIKE if c.code != CANNOT else False
    own = Passes(max(a.code, b.code), "", a, b, c, single.sieve.hole_m, near, two, one, {}, {}, 0, 0)
    if draws < 1:
        return own
    found = _drawn(_Draws((p1, p2, ready(single, NO_SIEVE, class_ratio)), second.feed.rate_kg_s, draws), progress)
    values = {n: np.array([[x[0][n], x[1][n]] for x in found]).reshape(-1, 2) for n in NAMES}
    ok = np.ones(len(found), bool)
    ends = {n: (band_of(v[:, 0], ok), band_of(v[:, 1], ok)) for n, v in values.items()} if found else {}
    either = np.isfinite(values["gross_J_kg"]).any(axis=1)
    pays = {n: float(np.mean(values[n][either, 0] < values[n][either, 1])) if either.any() else nan for n in PAYS}
    return replace(own, ends=ends, pays=pays, draws=len(found), counted=int(either.sum()))


def matched(config: Config, x50_m: float, class_ratio: float | None = None) -> tuple[Config, Circuit]:
    """(config, its pass) of a mill with holes that give a median; with its own holes where none do."""

    def at(scale: float) -> tuple[Config, Circuit] | None:
        try:
            new = with_keys(config, hole_keys(config.sieve, scale * config.sieve.hole_m))
            return new, through(ready(new, NO_SIEVE, class_ratio), NO_SIEVE, new.feed.rate_kg_s)
        except (InputError, NotConverged):
            return None

    own = config, through(ready(config, NO_SIEVE, class_ratio), NO_SIEVE, config.feed.rate_kg_s)
    if own[1].code == CANNOT or abs(log(own[1].x50_m / x50_m)) <= ALIKE:
        return own
    low, high = (log(FINER), 0.0) if own[1].x50_m > x50_m else (0.0, log(COARSER))
    best = own
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        found = at(exp(middle))
        if found is None or found[1].code == CANNOT:
            low, high = (middle, high) if high == 0.0 or middle < 0.0 else (low, middle)
            continue
        if abs(log(found[1].x50_m / x50_m)) < abs(log(best[1].x50_m / x50_m)):
            best = found
        if abs(log(found[1].x50_m / x50_m)) <= ALIKE:
            break
        low, high = (low, middle) if found[1].x50_m > x50_m else (middle, high)
    return best


def _figures(c: Circuit) -> dict[str, float]:
    """What a kilogram takes in one pass, and what it is then."""
    rate = c.total_kg_s
    fines = float(psd.q_at(c.edges_m, c.accepted_q3, FINES_M)) if rate > 0.0 else nan
    return {
        "time_s_kg": 1.0 / rate if rate > 0.0 else inf, "gross_J_kg": c.gross_J_kg,
        "warmest_K": c.outlet_temperature_K if rate > 0.0 else inf, "x10_m": c.x10_m, "x50_m": c.x50_m,
        "x90_m": c.x90_m, "fines_share": fines,
    }  # fmt: skip


def _both(a: Circuit, b: Circuit | None) -> dict[str, float]:
    """The same of two passes: summed times and energies, the warmer of the two, the powder of the second."""
    first, second = _figures(a), _figures(b) if b is not None else dict.fromkeys(NAMES, inf)
    summed = {n: first[n] + second[n] for n in ("time_s_kg", "gross_J_kg")}
    return {**second, **summed, "warmest_K": max(first["warmest_K"], second["warmest_K"])}


class _Draws:
    """First pass, second pass and one pass of draws of all parameters, by index."""

    def __init__(self, problems: tuple[Setup, Setup, Setup], rate_2: float | None, count: int):
        self.problems, self.rate_2, self.count = problems, rate_2, count
        seed = problems[0].config.run.seed or 0
        self.mills = common_draws(problems, count, seed)
        self.errors = [errors(p, count, seed) for p in problems]

    def __call__(self, i: int) -> tuple[dict[str, float], dict[str, float]] | None:
        p1, p2, p3 = self.problems
        try:
            a = self._pass(0, p1, p1.config.feed.rate_kg_s, i)
            b = self._pass(1, refed(p2, a), self.rate_2, i) if a.code != CANNOT else None
            c = self._pass(2, p3, p3.config.feed.rate_kg_s, i)
        except NotConverged:
            return None
        return _both(a, b), _figures(c)

    def _pass(self, which: int, problem: Setup, rate: float | None, i: int) -> Circuit:
        mill = self.mills[which][i : i + 1]
        c = through(problem, NO_SIEVE, rate, mill, TOLERANCE)
        if c.code == CANNOT:
            return c
        asked = replace(problem, config=replace(problem.config, feed=replace(problem.config.feed, rate_kg_s=rate)))
        return with_error(c, asked, mill[0], self.errors[which].off(i, problem.config, c.total_kg_s))


def refed(problem: Setup, a: Circuit) -> Setup:
    """The problem of a second pass, fed with what a draw of the first gives; coarser than its classes: in the last."""
    q = np.interp(np.log(problem.edges), np.log(a.edges_m), a.accepted_q3)
    q[0], q[-1] = 0.0, 1.0
    return replace(problem, feed=np.diff(np.maximum.accumulate(q)))


def _drawn(draw: _Draws, progress: Callable[[float], None] | None) -> list[tuple[dict[str, float], dict[str, float]]]:
    """The draws that settle, in order."""
    found = on_all_cores(draw, range(draw.count), progress)
    return [x for x in found if x is not None]


def margins(c: Circuit) -> list[tuple[str, float]]:
    """(limit, load as a share of it) of a pass, the nearest first."""
    loads = [(name, float(load)) for name, load in zip(LIMITS, c.outcome.loads, strict=True)]
    return sorted(loads, key=lambda x: -x[1])
