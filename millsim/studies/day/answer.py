"""A day of production: how much, what limits it, and the plan: which cleanings pay, and when to do what."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import inf, isnan, nan

import numpy as np

from ...base.numerics.uncompiled import as_written
from ...forecast.run import settled
from ...laws import drive
from ...mill import parts
from ...mill.config.mill import Config
from ...record.heatlimit import HeatLimit, heat_limit
from ...record.limits import CANNOT
from ..prebuild.tool import WARMS
from .course import Course, Loads, course
from .states import States, Warming, quantiles, states_of
from .usual import LEFT, LOST_1_S, Setting, setting

DRAWS = 16
EVERY_S = (1200.0, 1800.0, 2700.0, 3600.0, 5400.0, 7200.0, 10800.0, 14400.0, 21600.0, inf)  # intervals that are tried
ROUNDS = 2  # of the search over two intervals, one after the other
WORTH_KG = 1.002  # over a longer interval: less is no reason to clean more often
COOL_KG = 0.95  # of the powder that the hottest plan makes, for one that stays within what is advised (assumed)
NO_SIEVE, NO_FILTER, NO_BAG, NO_PAUSE, NO_MOTOR, NO_EMPTY = "sieve", "filter", "bag", "pauses", "motor", "empty"


@dataclass(frozen=True)
class Lost:
    """Powder [kg] that a day would make more if one thing took nothing: neither time nor rate."""

    what: str
    kg: float


@dataclass(frozen=True)
class DayAnswer:
    """The answer. status: of record.limits, of the clean mill; course: of the day with plausible values, clean: the
    same at the first minute it is warm; low, high: 80 % band [kg]; losses: the largest first; found: which cleaning
    intervals were found to be best; bag_kg: that a bag takes; hopper_s: between two fillings; cooler: where the outlet
    gets warmer than is advised, the interval between cleanings of the filter [s] that avoids it and what the day then
    makes [kg]."""

    config: Config
    status: int
    binding: str
    day: Setting
    states: States
    course: Course
    low: float
    high: float
    draws: int
    losses: tuple[Lost, ...]
    found: tuple[str, ...]
    bag_kg: float
    hopper_s: float
    limit: HeatLimit
    cooler: tuple[float, float] | None = None

    @property
    def runs(self) -> bool:
        """Whether the mill gives anything."""
        return self.status != CANNOT and self.course.kg > 0.0

    def first(self, name: str) -> float:
        """A figure of the clean mill: rate_kg_s, outlet_K, air_m3_s, x50_m."""
        return self.states.at(name, 1.0, 0.0)


def day_of(
    config: Config, draws: int = DRAWS, seed: int = 1, progress: Callable[[float], None] | None = None
) -> DayAnswer:
    """Plan a day for a mill. Raises NotConverged where the clean mill has no state."""
    day = setting(config)
    problem, outcome, _ = settled(config)
    draws = 0 if outcome.code == CANNOT else draws  # no powder, no band of it
    states, warm = states_of(problem, day, draws, seed, progress)
    limit = heat_limit(config.material.value("stick_temperature"), config.limits.outlet_temperature_K)
    status, mill, room = outcome.status(config.feed), states[0], config.air.room_K
    loads = _loads(config, mill)
    plan, found = _planned(mill, warm, day, loads, room, limit.advised_K)
    went = course(mill, warm, plan, loads, room)
    low, high = _band(states[1:], warm, plan, loads, room, draws, seed)
    rate, hot = mill.at("rate_kg_s", 1.0, 0.0), (went.outlet_K > limit.advised_K + 0.5).any()
    cooler = _cooler(mill, warm, plan, loads, room, limit.advised_K) if hot and "filter" in found else None
    return DayAnswer(
        config, status, outcome.binding, plan, mill, went, low, high, draws,
        _losses(mill, warm, plan, loads, room, went.kg), found, _bag(plan, mill),
        plan.hopper_kg / rate if rate > 0.0 else inf, limit, cooler,
    )  # fmt: skip


def _bag(day: Setting, s: States) -> float:
    from .usual import BAG_FILL

    return BAG_FILL * day.bag_m3 * s.bulk


def _loads(config: Config, s: States) -> Loads:
    """What fills up, and what the motor bears."""
    d = config.drive
    if d.rated_for_s is None and d.duty_share is None:
        return Loads(LEFT.value, LOST_1_S.value)
    duty = d.duty_share if d.rated_for_s is None else float(as_written(drive.short_time_duty)(d.rated_for_s, WARMS))
    own = parts.own_loss(config)
    added = float(as_written(drive.load_loss)(d.shaft_rated_W, d.efficiency, own))
    shaft = s.at("shaft_W", 1.0, 0.0)
    loss = own + added * (shaft / d.shaft_rated_W) ** 2
    bears = float(duty or 0.0) * (own + added)
    return Loads(LEFT.value, LOST_1_S.value, bears if loss > bears else inf, loss, WARMS)


def _every(day: Setting, intervals: dict[str, float]) -> Setting:
    """The day with other cleaning intervals, by the name of the field [s]."""
    return replace(
        day,
        filter_every_s=intervals.get("filter_every_s", day.filter_every_s),
        sieve_every_s=intervals.get("sieve_every_s", day.sieve_every_s),
    )


def _planned(
    s: States, w: Warming, day: Setting, loads: Loads, room_K: float, advised_K: float
) -> tuple[Setting, tuple[str, ...]]:  # fmt: skip
    """The day with the cleaning intervals that make most, where the config does not set them; and which those are.

    A mill that is within what is advised when it is clean stays within it, where that costs no more than COOL_KG.
    """
    free = [n for n in ("filter_every_s", "sieve_every_s") if isnan(getattr(day, n))]
    plan = _every(day, dict.fromkeys(free, inf))
    most_K = advised_K + 0.5 if s.at("outlet_K", 1.0, 0.0) <= advised_K else inf

    def tried(changed: Setting) -> tuple[bool, float]:
        c = course(s, w, changed, loads, room_K)
        return not too_warm(c, most_K), c.kg

    for _ in range(ROUNDS if len(free) > 1 else 1):
        before = plan
        for name in free:
            made = [(*tried(_every(plan, {name: every})), every) for every in EVERY_S]
            most = max(kg for _, kg, _ in made)
            made = [x for x in made if x[0] and x[1] >= COOL_KG * most] or made
            most = max(kg for _, kg, _ in made)
            plan = _every(plan, {name: max(every for _, kg, every in made if kg * WORTH_KG >= most)})
        if plan == before:
            break
    return plan, tuple(n.removesuffix("_every_s") for n in free)


def too_warm(c: Course, most_K: float) -> bool:
    """Whether what a day makes ever leaves warmer than that, or nobody knows how warm."""
    return bool(((c.rate_kg_s > 0.0) & ~(c.outlet_K <= most_K)).any())


def _cooler(
    s: States, w: Warming, plan: Setting, loads: Loads, room_K: float, advised_K: float
) -> tuple[float, float] | None:  # fmt: skip
    """(interval between cleanings of the filter [s], what the day then makes [kg]) that stays within what is advised;
    None where none does."""
    made = [(every, course(s, w, replace(plan, filter_every_s=every), loads, room_K)) for every in EVERY_S]
    kept = [(every, c.kg) for every, c in made if not too_warm(c, advised_K + 0.5)]
    return max(kept, key=lambda x: x[1], default=None)


def _band(states: list[States], w: Warming, day: Setting, loads: Loads, room_K: float, draws: int, seed: int):
    """80 % band of the kilograms a day, by the plan as it is."""
    if not draws:
        return nan, nan
    u = quantiles(draws, 4, seed)[:, 2:]
    kg = []
    for s, (a, b) in zip(states, u, strict=True):
        own = replace(loads, left=LEFT.at(a), lost_1_s=LOST_1_S.at(b))
        kg.append(course(s, w, day, own, room_K).kg)
    low, high = np.quantile(kg, [0.1, 0.9])
    return float(low), float(high)


def _losses(s: States, w: Warming, day: Setting, loads: Loads, room_K: float, kg: float) -> tuple[Lost, ...]:
    """What each thing costs: the day again without it."""
    without = {
        NO_FILTER: (replace(s, cake_1_s=0.0), replace(day, filter_every_s=inf), loads),
        NO_SIEVE: (s, replace(day, sieve_every_s=inf), replace(loads, lost_1_s=0.0)),
        NO_BAG: (s, replace(day, bag_m3=inf), loads),
        NO_PAUSE: (s, replace(day, pause_s=0.0, pause_after_s=inf), loads),
        NO_MOTOR: (s, day, replace(loads, motor_W=inf)),
        NO_EMPTY: (s, replace(day, start_s=0.0, stop_s=0.0), loads),
    }
    found = [Lost(name, course(*_for(w, *x), room_K).kg - kg) for name, x in without.items()]
    return tuple(sorted((x for x in found if x.kg > 1e-3 * kg), key=lambda x: -x.kg))


def _for(w: Warming, s: States, day: Setting, loads: Loads) -> tuple[States, Warming, Setting, Loads]:
    return s, w, day, loads
