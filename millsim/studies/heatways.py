"""What lets a mill run where heat is against it, in the order in which a workshop would try it.

Each way is walked from little to much until the mill takes what is asked of it within the limit. What changes the mill
is held to the pre-build review: a step that fails a line which passed before is not taken.
"""

from collections.abc import Iterator
from dataclasses import replace
from math import inf, isfinite, isnan, nan, pi

import numpy as np

from ..errors import InputError, NotConverged
from ..forecast import band as bands
from ..forecast.outcome import solve, sticky_feed
from ..mill.config.mill import Config, with_keys
from ..mill.problem import NO_LIMIT, build
from ..record.limits import CANNOT, GRINDING, TEMPERATURE
from .changes import Tried, fed_within, newly_failing, tried
from .heat.answers import AIR, CHILL, INLET, LESS, PAUSES, SLOWER, HeatAnswers, Help, settled
from .heat.cool import schedule
from .heat.stand import Case, Settled, changed
from .ways import WIDEST, chills

PRESSURES = (500.0, 1000.0, 2000.0, 5000.0, 10e3, 20e3)  # Pa: a fan, a strong vacuum cleaner
WIDER = (1.5, 2.0, 3.0, WIDEST)  # inlet over that there is
SPEEDS = (0.9, 0.8, 0.7, 0.6, 0.5)  # of the present one
SHARES = (1.0, 0.8, 0.6, 0.4, 0.25, 0.15, 0.08, 0.04, 0.02)  # of the rate asked, where no search can be made
FULL = 0.999  # of what is asked: as good as all
HALF = 0.5  # of what it would take if heat were no matter, where no rate is asked for: a mill that works
FULL_LOAD = 1.0 + 1e-6
HALVINGS = 5


def helped(a: HeatAnswers, air_m3_s: float | None = None) -> HeatAnswers:
    """The answers with what would let the mill run where heat is against it, or keep what is advised where it runs
    warmer. air_m3_s: as measured, if it was.
    """
    if not (a.against or a.margin_used):
        return a
    problem, _ = settled(a.config, air_m3_s, a.limit_K)
    rate = a.rate_kg_s if a.margin_used else a.config.feed.rate_kg_s
    case = Case(problem, None if a.config.feed.batch else rate, a.limit_K)
    ends = (a.limit.advised_K,) if a.margin_used or not a.limit.is_card else (a.limit.advised_K, a.limit.most_K)
    return replace(a, ways=helps(case, problem.mill, ends))


def helps(case: Case, mill: np.ndarray, ends: tuple[float, ...]) -> tuple[Help, ...]:
    """All ways, those that work first; none where there is nothing to be had from this mill without heat.

    case: with the rate asked for, None for as fast as it can grind or a batch; ends: temperatures [K] to keep to, the
    first that a way can.
    """
    want, base, found = _wanted(case, mill), tried(case.problem.config), []
    if want <= 0.0:
        return ()
    for way in (_by_inlet, _by_air, _less, _chilled, _pauses, _slower):
        best = None
        for end in ends:
            best = way(replace(case, limit_K=end), mill, want, base) or best
            if best is not None and best.rate_kg_s > 0.0:
                best = best._replace(limit_K=end)
                break
        found.append(best)
    known = [x for x in found if x is not None]
    return tuple(sorted(known, key=lambda x: not x.rate_kg_s > 0.0))  # a stable sort: the order is the workshop's


def _wanted(case: Case, mill: np.ndarray) -> float:
    """The rate [kg/s] asked for; else what the mill would take if heat were no matter; 0 where that is nothing."""
    feed = case.problem.config.feed
    if feed.batch:
        return feed.batch.mass_kg / feed.batch.time_s
    if case.rate_kg_s is not None:
        return case.rate_kg_s
    try:
        free = solve(case.problem, None, changed(mill, T_limit=NO_LIMIT), bands.TOLERANCE)
    except NotConverged:
        return 0.0
    return 0.0 if free.code == CANNOT else float(free.state["F"])


def _enough(case: Case) -> float:
    """Share of what is wanted at which a walk ends."""
    return HALF if case.rate_kg_s is None and not case.problem.config.feed.batch else FULL


def _at(case: Case, rate: float) -> Case:
    return case if case.problem.config.feed.batch else replace(case, rate_kg_s=rate)


def _else_within(here: Settled) -> bool:
    """Whether all limits but that on temperature are kept."""
    others = [x for i, x in enumerate(here.loads) if i not in (TEMPERATURE, GRINDING)]
    return max(others) <= FULL_LOAD


def _fits(case: Case, mill: np.ndarray, rate: float) -> Settled | None:
    """The mill at a rate, or with its batch, if that is within all limits."""
    if sticky_feed(case.problem, mill):
        return None
    here = _at(case, rate).settle(mill)
    return here if here is not None and here.outlet_K <= case.limit_K and _else_within(here) else None


def _taken(case: Case, mill: np.ndarray, want: float) -> tuple[float, float]:
    """(the most [kg/s] within all limits, but not more than is wanted, outlet [K]); (0, NaN) where there is none."""
    here = _fits(case, mill, want)
    if here is not None:
        return want, here.outlet_K
    if case.problem.config.feed.batch:
        return 0.0, nan
    if case.limit_K > float(mill["T_room"][0]):
        try:
            o = solve(case.problem, None, changed(mill, T_limit=case.limit_K), bands.TOLERANCE)
        except NotConverged:
            return 0.0, nan
        if o.code != CANNOT:
            return min(want, float(o.state["F"])), case.limit_K
    return _sought(case, mill, want)


def _sought(case: Case, mill: np.ndarray, want: float) -> tuple[float, float]:
    """The same by trying less and less: of a cold feed a little may be too hot and more may not."""
    above = want
    for share in SHARES[1:]:
        rate = share * want
        if _fits(case, mill, rate) is not None:
            break
        above = rate
    else:
        return 0.0, nan
    for _ in range(HALVINGS):
        middle = 0.5 * (rate + above)
        rate, above = (middle, above) if _fits(case, mill, middle) is not None else (rate, middle)
    here = _fits(case, mill, rate)
    return rate, here.outlet_K if here else nan


def _walk(case: Case, want: float, base: Tried | None, steps: Iterator[Help]) -> Help | None:
    """The least step that is enough, else the one that gives most; base: held to its review, None where it has none."""
    best: Help | None = None
    for step in steps:
        try:
            config = with_keys(case.problem.config, step.keys)
            problem = build(config)
        except InputError:
            break
        rate, outlet = _taken(replace(case, problem=problem), problem.mill, want)
        there, new = tried(config, rate or None), list[str]()
        if there is not None and rate > 0.0:
            lower, there, new = _held(config, base, there, rate)
            if lower < rate:
                rate, outlet = lower, there.prediction.figure("outlet_temperature_K")
        if new:
            return best._replace(stopped=new[0]) if best else step._replace(stopped=new[0])
        x50 = there.prediction.figure("x50_m") if there is not None and rate > 0.0 else nan
        step = step._replace(rate_kg_s=rate, enough=rate >= _enough(case) * want, outlet_K=outlet, x50_m=x50)
        if best is None or best.rate_kg_s <= 0.0 or rate > best.rate_kg_s:
            best = step
        if step.enough:
            break
    return best


def _held(config: Config, base: Tried | None, there: Tried, rate: float) -> tuple[float, Tried, list[str]]:
    """The rate that the review passes, the mill at it, and what it newly fails at all that were tried."""
    if base is None or not newly_failing(base, there):
        return rate, there, []
    return fed_within(config, base, there, rate)


def _by_inlet(case: Case, _mill: np.ndarray, want: float, base: Tried | None) -> Help | None:
    area = case.problem.config.air.inlet_area_m2
    steps = (Help(INLET, f * area, "", (f'air.inlet_area="{f * area * 1e4:.4g} cm2"',), 0.0, False) for f in WIDER)
    return _walk(case, want, base, steps)


def _by_air(case: Case, _mill: np.ndarray, want: float, base: Tried | None) -> Help | None:
    steps = (
        Help(AIR, p, "", (f'air.blower_pressure="{p:.0f} Pa"',), 0.0, False)
        for p in PRESSURES
        if p > case.problem.config.air.blower_pressure_Pa
    )
    return _walk(case, want, base, steps)


def _chilled(case: Case, _mill: np.ndarray, want: float, base: Tried | None) -> Help | None:
    steps = (
        Help(CHILL, T, by, (f'feed.temperature="{T - 273.15:.1f} degC"',), 0.0, False)
        for T, by in chills(case.problem.config)
    )
    return _walk(case, want, base, steps)


def _slower(case: Case, _mill: np.ndarray, want: float, base: Tried | None) -> Help | None:
    omega = case.problem.config.drive.speed_rad_s
    steps = (
        Help(SLOWER, s * omega, "", (f'drive.speed="{s * omega * 30.0 / pi:.6g} rpm"',), 0.0, False) for s in SPEEDS
    )
    return _walk(case, want, base, steps)


def _less(case: Case, mill: np.ndarray, want: float, _base: Tried | None) -> Help | None:
    if case.problem.config.feed.batch:
        return None
    rate, outlet = _taken(case, mill, want)
    return Help(LESS, rate, "", (f'feed.rate="{rate * 3600.0:.3g} kg/h"',) if rate > 0.0 else (), rate, False, outlet)


def _pauses(case: Case, mill: np.ndarray, want: float, _base: Tried | None) -> Help | None:
    """Milling at what is asked for a while, then letting the casing cool; nothing of a batch, which has its own end."""
    if case.problem.config.feed.batch:
        return None
    at = _at(case, want)
    here = at.settle(mill)
    if here is None or here.outlet_K <= case.limit_K:
        return None
    s = schedule(at, mill, here)
    key = "" if s["run_s"] > 0.0 else "most_"
    run, rests = s[f"{key}next_s"], [s[f"{key}pause_idle_s"], s[f"{key}pause_stop_s"]]
    pause = min((x for x in rests if isfinite(x) and x > 0.0), default=inf)
    works = run > 0.0 and isfinite(pause) and not isnan(s[f"{key}mean_kg_s"])
    rate = s[f"{key}mean_kg_s"] if works else 0.0
    return Help(PAUSES, run, "at best" if key else "", (), rate, False, case.limit_K, nan, pause)
