"""Heat and cooling answers for one mill: how hot, how much, how much air, how long, how cold a cooler or feed.

One list of figures is computed from one MILL record; the plausible record gives the answers, a few draws of all
parameters, each with its own error of the model and of the day, give their bands.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from math import inf, isnan, log, nan
from typing import NamedTuple

import numpy as np

from ...base.quantities.scalar import Scalar
from ...base.quantities.units import readable
from ...engines.settle import air_capacity
from ...errors import InputError, MillsimError, NoState, NotConverged, Problem
from ...forecast import band as bands
from ...forecast.error import Off, errors
from ...forecast.outcome import NEXT_TO_NONE, Outcome, hardly, solve, solve_batch, solve_cold_start
from ...laws import air, cooling, heat
from ...mill.config.mill import Config
from ...mill.problem import NO_LIMIT, Setup, build
from ...record.heatlimit import AT_LIMIT_K, FROM_CARD, HeatLimit, feed_sticks, heat_limit
from ...record.limits import CANNOT, CHAMBER, LIMITS, OK, OVER, TEMPERATURE
from .cool import DRY_ICE, SHARE_ROUND, air_needed, batch_passes, chilled, cooler, enthalpy, schedule
from .runaway import Runaway, runaway, toughens
from .stand import Case, Settled, air_losses, at_room, changed, crossing, idle, inlet_flow, lies_colder, with_air

HOT_ROOM_K = 308.15  # a hot day
HOTTER_K = 10.0  # than a room that is as hot already
DRAWS, BATCH_DRAWS = 24, 8
AIR_ROUNDS = 4
AIR_CLOSE = 0.02  # relative, to a measured flow

INLET, AIR, LESS, CHILL, PAUSES, SLOWER = "inlet", "air", "less", "chill", "pauses", "slower"
UNITS = {"K": "K", "dK": "dK", "W": "W", "Pa": "Pa", "s": "s", "kg": "kg"}  # last word of a figure's name: its SI unit
_UNIT = {"m3_s": "m3/s", "kg_s": "kg/s"}  # dK: a difference of temperatures


class Help(NamedTuple):
    """One way: what is done (keys of the config, or times), how much the mill then takes, and how warm it gets.

    kind: one of INLET, AIR, LESS, CHILL, PAUSES, SLOWER; value: area [m2], pressure [Pa], temperature [K], speed
    [rad/s] or seconds of milling; by: what chills; rate_kg_s: within all limits, of a batch per second of its time (0:
    none); enough: as much as is asked; outlet_K, x50_m: NaN where not known; pause_s: of PAUSES; stopped: line of the
    review that fails beyond; limit_K: that is kept.
    """

    kind: str
    value: float
    by: str
    keys: tuple[str, ...]
    rate_kg_s: float
    enough: bool
    outlet_K: float = nan
    x50_m: float = nan
    pause_s: float = nan
    stopped: str = ""
    limit_K: float = nan


@dataclass(frozen=True)
class HeatAnswers:
    """All answers; values: figures by name in SI with bands (NaN: does not apply; infinities: out of reach).

    limit_from: "--limit", "limits.outlet_temperature" or "card"; note: "" or why the rate is not the one asked for:
    "hot" (it is, but it goes beyond a limit on heat), "over" (another limit binds first), "cannot" (not even empty);
    code: status of the mill, of record.limits; binding: what binds then; largest_binding, hot_binding: what binds the
    largest rate, now and on a hot day; runaway: None for a batch or where nothing settles; air_given: the flow was
    measured, not predicted; doubt: the feed as given is colder than the room, and nobody chilled it; ways: what would
    let it mill where heat is against it, tried.
    """

    config: Config
    code: int
    limit_K: float
    limit_from: str
    stick_K: float
    rate_kg_s: float | None
    note: str
    binding: str
    largest_binding: str
    hot_binding: str
    hot_room_K: float
    recirculated: float
    values: dict[str, Scalar]
    runaway: Runaway | None
    toughens: bool
    draws: int
    air_given: bool
    doubt: bool = False
    ways: tuple[Help, ...] = ()

    @property
    def limit(self) -> HeatLimit:
        """The limit asked about, as all commands have it."""
        return heat_limit(self.stick_K, None if self.limit_from == FROM_CARD else self.limit_K, self.limit_from)

    @property
    def sticks(self) -> bool:
        """Whether the feed sticks before it is milled."""
        return feed_sticks(self.stick_K, self.config.feed.temperature_K)

    @property
    def against(self) -> bool:
        """Whether heat is against what is asked: beyond the limit itself."""
        if self.note == "cannot":
            return self.binding == LIMITS[TEMPERATURE]
        return self.note == "hot" or self.rate_kg_s is None and self.value("outlet_K") > self.limit.most_K + AT_LIMIT_K

    @property
    def margin_used(self) -> bool:
        """Whether it runs, but warmer than is advised."""
        return not self.against and self.note != "cannot" and self.value("outlet_K") > self.limit_K + AT_LIMIT_K

    def value(self, name: str) -> float:
        """One figure in SI; NaN where it does not apply."""
        return self.values[name].value if name in self.values else float("nan")


def limit_of(config: Config, limit_K: float | None = None) -> HeatLimit:
    """The limit asked about: the user's own, else the card's."""
    stick = config.material.value("stick_temperature")
    if limit_K is not None:
        return heat_limit(stick, limit_K, "--limit")
    return heat_limit(stick, config.limits.outlet_temperature_K)


def hot_room(config: Config, hot_day_K: float | None = None) -> float:
    """The room [K] of a hot day: the user's, else HOT_ROOM_K or, where it is as hot already, HOTTER_K more."""
    room = config.air.room_K
    if hot_day_K is None:
        return max(HOT_ROOM_K, room + HOTTER_K if room >= HOT_ROOM_K else 0.0)
    if hot_day_K <= room:
        message = f"a hot day of {readable(hot_day_K, 'degC')} is not warmer than the room's {readable(room, 'degC')}"
        raise InputError(Problem("--hot-day", "", message, hint="give a warmer one, or the room of today by --room"))
    return hot_day_K


def answers(
    config: Config, limit_K: float | None = None, air_m3_s: float | None = None, draws: int | None = None,
    progress: Callable[[float], None] | None = None, hot_day_K: float | None = None, feed_given: bool = False,
) -> HeatAnswers:  # fmt: skip
    """Answer all heat questions of a config.

    limit_K: outlet limit (default: the config's, else what is advised by the card); air_m3_s: measured air at the
    inlet, in place of the predicted one; draws: of the parameters for the bands (default: a few); hot_day_K: room of a
    hot day; feed_given: the feed's temperature was said for this very question.
    """
    asked, room = limit_of(config, limit_K), hot_room(config, hot_day_K)
    limit = asked.advised_K
    problem, outcome = settled(config, air_m3_s, limit)
    case, note, binding = _asked(problem, problem.mill, outcome, limit)
    if air_m3_s is not None and not hardly(outcome):
        problem = replace(problem, mill=_with_measured(case, problem.mill, air_m3_s))
    recirculated = config.air.recirculated or SHARE_ROUND
    own, largest, hot = _figures(case, problem.mill, note, recirculated, room)
    if hardly(outcome):  # nothing to say of a charge
        own, draws = {k: v for k, v in own.items() if "idle" in k}, 0
    count = min(BATCH_DRAWS if case.is_batch else DRAWS, config.run.band_samples) if draws is None else draws
    samples: dict[str, list[float]] = {name: [] for name in own}
    off = errors(problem, count, problem.config.run.seed or 0)
    for i, mill in enumerate(_draws(problem, count)):
        found = _sample(case, mill, note, recirculated, room, air_m3_s, partial(off.off, i, config))
        for name in own:
            samples[name].append(found.get(name, float("nan")))
        if progress:
            progress((i + 1) / count)
    here = case.settle(problem.mill)
    loop = None if case.is_batch or here is None or note == "cannot" else runaway(case, problem.mill, here)
    scalars = {k: _scalar(k, v, samples[k]) for k, v in own.items()}
    return HeatAnswers(
        config, outcome.status(config.feed), limit, asked.source, asked.stick_K, case.rate_kg_s, note, binding, largest,
        hot, room, recirculated, scalars, loop, toughens(problem.mill), count, air_m3_s is not None,
        not feed_given and lies_colder(config),
    )  # fmt: skip


def _draws(problem: Setup, count: int):
    """(1,) MILL records of draws of all parameters; Sobol points of the config's seed."""
    if count:
        mills = bands.draws(problem, count, problem.config.run.seed or 0)
        yield from (mills[i : i + 1] for i in range(count))


def _scalar(name: str, value: float, samples: list[float]) -> Scalar:
    v = np.array(samples)
    if name == "blower_needed_Pa" and value > 0.0:
        v = np.maximum(v, 0.0)  # no blower is no blower, however little the fan would do
    known = bool(v.size) and "least_" not in name
    low, high = bands.band_of(v, ~np.isnan(v)) if known else (nan, nan)
    return Scalar(float(value), unit_of(name), name, low=low, high=high)


def unit_of(name: str) -> str:
    """SI unit of a figure by the end of its name; kilograms of coolant per kilogram of feed have none."""
    ends = [u for end, u in _UNIT.items() if name.endswith(f"_{end}")]
    return ends[0] if ends else UNITS.get(name.rsplit("_", 1)[-1], "1")


def _sample(
    case: Case, mill: np.ndarray, note: str, recirculated: float, room_K: float, air_m3_s: float | None,
    off: Callable[[float], Off],
) -> dict[str, float]:  # fmt: skip
    """Figures of one draw, at the rate it takes of what is asked; of a draw that does not run, empty.

    off: what it is off by, at a feed rate.
    """
    batch = case.problem.config.feed.batch
    if batch:
        mill = mill if air_m3_s is None else with_air(case, mill, air_m3_s)
        case = replace(case, off=off(batch.mass_kg / batch.time_s))
        return _figures(case, mill, note, recirculated, room_K)[0]
    try:
        mill, outcome = _run(case.problem, mill, air_m3_s, case.limit_K)
        own, _, _ = _asked(case.problem, mill, outcome, case.limit_K)
        mill = mill if air_m3_s is None else _with_measured(own, mill, air_m3_s)
    except MillsimError:
        return {}
    held = outcome.binding if outcome.code == OVER and own.rate_kg_s == float(outcome.state["F"]) else ""
    own = replace(own, off=off(own.rate_kg_s or 0.0), held=held)
    return _figures(own, mill, note, recirculated, room_K)[0]


def _with_measured(case: Case, mill: np.ndarray, air_m3_s: float) -> np.ndarray:
    """The mill with the measured air; NoState where there is none, or no blower that drives it."""
    new = with_air(case, mill, air_m3_s)
    here = case.settle(new)
    flow = 0.0 if here is None else inlet_flow(new[0], here.s) / air_m3_s
    if abs(flow - 1.0) > AIR_CLOSE:
        said = f"{readable(air_m3_s, 'm3/h')} of air"
        if here is not None and flow < 1.0:
            raise NoState(f"--air: no blower drives {said} through this mill; give the air that enters it")
        raise NoState(f"--air: {said} leaves this mill no steady temperature; give all the air that enters it")
    return new


def _run(problem: Setup, mill: np.ndarray, air_m3_s: float | None, limit_K: float) -> tuple[np.ndarray, Outcome]:
    """A mill record, with the blower that gives the measured air if any, and its outcome as `millsim predict` has it.

    The flow sets the rate, where the mill takes as much as it can, and the rate the flow: a few turns.
    """
    feed = problem.config.feed
    for turn in range(1 if air_m3_s is None else AIR_ROUNDS):
        if feed.batch:
            outcome = solve_batch(problem, *feed.batch, mill=mill)
        else:
            outcome = solve(problem, feed.rate_kg_s, mill)
        if air_m3_s is not None and turn < AIR_ROUNDS - 1:
            rate = None if feed.batch else float(outcome.state["F"])
            mill = with_air(Case(problem, rate, limit_K), mill, air_m3_s)
    return mill, outcome


def settled(config: Config, air_m3_s: float | None = None, limit_K: float = inf) -> tuple[Setup, Outcome]:
    """The problem, with the measured air if any, and its outcome; a calibration counts less where it is far off."""
    problem = build(config)
    mill, outcome = _run(problem, problem.mill, air_m3_s, limit_K)
    if problem.calibration:
        T = float(max(outcome.state["T"], outcome.powers["warmed"] * outcome.state["T"] + outcome.powers["offset"]))
        problem = build(config, outlet_K=T)
        mill, outcome = _run(problem, problem.mill, air_m3_s, limit_K)
    return replace(problem, mill=mill), outcome


def _asked(problem: Setup, mill: np.ndarray, outcome: Outcome, limit: float) -> tuple[Case, str, str]:
    """(case, note, what binds): the rate asked for if only heat is against it, else what the mill takes."""
    feed = problem.config.feed
    if feed.batch:
        return Case(problem, None, limit), "cannot" if hardly(outcome) else "", outcome.binding
    F = float(outcome.state["F"])
    if outcome.code == CANNOT:
        return Case(problem, F, limit), "cannot", outcome.binding
    if outcome.code == OK or feed.rate_kg_s is None:
        return Case(problem, F, limit), "", outcome.binding
    try:
        free = solve(problem, feed.rate_kg_s, changed(mill, T_limit=NO_LIMIT))
    except NotConverged:
        free = outcome
    if free.code == OK:
        return Case(problem, feed.rate_kg_s, limit), "hot", outcome.binding
    start = solve_cold_start(problem, feed.rate_kg_s)  # what stops it within seconds comes first
    return Case(problem, F, limit), "over", outcome.binding if start.code == OK else start.binding


def _figures(
    case: Case, mill: np.ndarray, note: str, recirculated: float, room_K: float
) -> tuple[dict[str, float], str, str]:
    """(figures by name, what binds the largest rate, what binds it on a hot day) of one mill record."""
    here = case.settle(mill)
    found = {**_stand(mill, here), **_idle(case, mill, "idle")}
    found |= air_needed(case, mill, here)
    hot = at_room(mill, room_K, float(case.problem.config.air.recirculated))
    found |= {"hot_K": case.outlet(hot), **_idle(case, hot, "hot_idle")}
    if note == "cannot":
        return {**found, **_nearly_empty(case, mill, "least"), **_nearly_empty(case, hot, "hot_least")}, "", ""
    found |= cooler(case, mill, recirculated)
    found |= chilled(case, mill, here)
    largest = _largest(case, mill)
    largest_hot = _largest(case, hot)
    found |= _nearly_empty(case, mill, "least", largest[0]) | _nearly_empty(case, hot, "hot_least", largest_hot[0])
    key = "kg" if case.is_batch else "kg_s"
    found |= {f"largest_{key}": largest[0], f"hot_largest_{key}": largest_hot[0]}
    if case.is_batch:
        return {**found, **batch_passes(case, mill)}, largest[1], largest_hot[1]
    found["iced_largest_kg_s"] = _largest(case, changed(mill, T_feed=DRY_ICE.T_K))[0]
    if here is not None and here.outlet_K > case.limit_K:
        found |= schedule(case, mill, here)
    return found, largest[1], largest_hot[1]


def _nearly_empty(case: Case, mill: np.ndarray, key: str, largest: float = 0.0) -> dict[str, float]:
    """Air and powder [K] with next to no feed, where even that is over a limit: hits heat powder above its air.

    Told without a band: draws that take a feed have none.
    """
    here = None if case.is_batch or largest > 0.0 else replace(case, rate_kg_s=NEXT_TO_NONE).settle(mill)
    air_K, powder_K = (nan, nan) if here is None else (float(here.s["T"]), here.powder_K)
    return {f"{key}_air_K": air_K, f"{key}_powder_K": powder_K}


def _stand(mill: np.ndarray, here: Settled | None) -> dict[str, float]:
    """How hot, where the heat goes, and the rise if all of it left with the air."""
    if here is None:
        return {"outlet_K": inf}
    m, s, p = mill[0], here.s, here.p
    flow, rho = inlet_flow(m, s), air.air_density(float(m["T_room"]))
    found = {
        "outlet_K": here.outlet_K, "air_K": float(s["T"]), "powder_K": here.powder_K, "shaft_W": float(p["shaft"]),
        "heat_W": here.heat_W, "air_m3_s": flow, "sieve_air_m3_s": float(s["Q"]), "air_in_K": float(m["T_air_in"]),
        **{f"{name}_Pa": value for name, value in air_losses(m, s).items()},
    }  # fmt: skip
    if s["lumped"] > 0.0:  # a batch: no steady state that heat could leave
        return found
    UA = heat.series_conductance(float(m["inner_heat_transfer"] * m["inner_area"]), float(m["casing_heat_loss"]))
    return {
        **found,
        "by_air_W": float(air_capacity(s) * (s["T"] - m["T_air_in"])),
        "by_powder_W": float(s["F"]) * enthalpy(m, float(m["T_feed"]), here.powder_K),
        "by_casing_W": float(UA * (s["T"] - m["T_room"])),
        "air_alone_dK": cooling.air_rise(here.heat_W, flow, rho, air.SPECIFIC_HEAT) if flow > 0.0 else inf,
    }


def _idle(case: Case, mill: np.ndarray, key: str) -> dict[str, float]:
    """What the empty mill makes by itself."""
    empty = idle(mill, case.off)
    return {
        f"{key}_windage_W": empty.windage_W, f"{key}_bearings_W": empty.bearings_W, f"{key}_K": empty.chamber_K,
        f"{key}_rise_dK": empty.rise_K,
    }  # fmt: skip


def _largest(case: Case, mill: np.ndarray) -> tuple[float, str]:
    """(largest feed rate [kg/s] or charge [kg] within all limits and this one, what binds it)."""
    if case.limit_K <= mill["T_room"][0]:
        return 0.0, LIMITS[TEMPERATURE]
    limited = changed(mill, T_limit=case.limit_K)
    if case.is_batch:
        return _largest_charge(case, limited)
    try:
        o = solve(case.problem, None, limited, bands.TOLERANCE)
    except NotConverged:
        return float("nan"), ""
    if o.code == CANNOT:
        return 0.0, o.binding
    return float(o.state["F"]) * (case.off.most(o.binding) if case.off else 1.0), o.binding


def _largest_charge(case: Case, mill: np.ndarray) -> tuple[float, str]:
    """The same for a batch of the config's length; by the loads of the whole batch."""
    batch, names = case.problem.config.feed.batch, []
    assert batch is not None

    def over(ln_mass: float) -> float:
        o = solve_batch(case.problem, float(np.exp(ln_mass)), batch.time_s, bands.BATCH_STEPS, mill)
        net = 1.0 - float(o.powers["windage"] + o.powers["bearings"]) / float(o.powers["shaft"])
        loads = case.off.loads(o.loads, net, held=LIMITS[CHAMBER]) if case.off else o.loads
        names.append(LIMITS[int(np.argmax(loads))])
        return float(log(max(1e-6, loads.max())))

    middle = log(batch.mass_kg)
    found = crossing(over, middle - 5.0, middle + 3.0)
    if isnan(found):
        return (0.0, names[0]) if over(middle - 5.0) > 0.0 else (inf, names[0])
    return float(np.exp(found)), names[-1]
