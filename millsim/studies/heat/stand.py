"""A mill at one feed rate (or one batch), whatever limits that exceeds: the state heat questions are asked about.

Everything is a function of a (1,) MILL record, so that another room, blower, cooler or feed is another record.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import exp, inf, nan

import numpy as np

from ...engines.capacity import stand_at
from ...engines.loads import fill_loads
from ...engines.records import new_work
from ...engines.settle import air_capacity
from ...forecast.band import BATCH_STEPS
from ...forecast.error import Off
from ...forecast.outcome import Outcome, grid_of, solve_batch, still
from ...laws import air, cooling, heat
from ...mill.chamber import STATE, air_curve, feedback_air, idle_power, idle_speed
from ...mill.config.mill import Config
from ...mill.problem import Setup, fed_shares
from ...record.limits import LIMITS, POWER, TEMPERATURE

TOLERANCE = 1e-6
NO_STATE = float("inf")  # temperature of a mill that does not settle
CHILLED_K = 278.15  # feed colder than a refrigerator was chilled on purpose (assumed)
DRIED_K = 2.0  # feed by so much warmer than the room comes from a dryer; by so much colder is worth a question
AIR_TURNS = 6  # of the fixed point between flow and temperature
TURNS = 60
NARROW = 1e-2  # of what is searched: a state ends within it
STEEPEST = 10.0  # what is left to rise over what it rose when the way was halved: a root 2.4, a straight line 1
NARROWER = 16.0  # times, where it must be looked at more closely
MOST_BLOWER = 20000.0  # Pa, as much as the config takes; a strong vacuum cleaner, closed


@dataclass(frozen=True)
class Settled:
    """One settled mill: STATE, POWERS, loads (by record.limits.LIMITS), ages by class [s].

    Of a batch: peak temperature, mean powers.
    """

    s: np.void
    p: np.void
    loads: np.ndarray
    ages: np.ndarray
    still_K: tuple[float, float]  # air and powder if the work set no heat free
    power: float = 1.0  # factors that model and day put on the shaft power, and on the rise of temperature from there
    warmer: float = 1.0

    @property
    def powder_K(self) -> float:
        """Mean temperature of the pieces that leave."""
        return float(self.p["warmed"] * self.s["T"] + self.p["offset"])

    @property
    def outlet_K(self) -> float:
        """The warmer of chamber air and powder."""
        return max(float(self.s["T"]), self.powder_K)

    @property
    def heat_W(self) -> float:
        """Heat set free in the chamber: shaft power but the bearings'."""
        return float(self.p["shaft"] - self.p["bearings"])


@dataclass(frozen=True)
class Case:
    """What is asked about: a problem, the feed rate [kg/s] (None: the config's batch) and the limit [K].

    off: what model and day are off by in a draw; held: the limit that the mill stays at.
    """

    problem: Setup
    rate_kg_s: float | None
    limit_K: float
    off: Off | None = None
    held: str = ""

    @property
    def is_batch(self) -> bool:
        """Whether the config asks for a batch."""
        return self.rate_kg_s is None

    def settle(self, mill: np.ndarray, fill: bool = True) -> Settled | None:
        """The mill record (1,) at the rate, coming from a cold start; None where nothing settles.

        fill: of `stand_at`.
        """
        p = self.problem
        if self.is_batch:
            batch = p.config.feed.batch
            assert batch is not None
            o = solve_batch(p, *batch, BATCH_STEPS, mill)
            columns = (o.history[name] for name in o.history.dtype.names or ())
            return self._erring(mill, _of_batch(mill, o)) if all(np.isfinite(c).all() for c in columns) else None
        work, s, loads = new_work(p.x.size), np.zeros(1, STATE), np.zeros(len(LIMITS))
        residual = stand_at(mill, grid_of(p, mill), fed_shares(p, mill), self.rate_kg_s, s, work, TOLERANCE, fill)
        if not residual <= TOLERANCE:
            return None
        fill_loads(mill[0], s[0], p.x, work, loads)
        p_still = still(mill[0], s[0], work.powers[0])
        return self._erring(mill, Settled(s[0], work.powers[0], loads, work.ages, p_still))

    def _erring(self, mill: np.ndarray, found: Settled) -> Settled:
        """A settled draw as model and day would have it: what comes out, what the shaft takes, and how warm it gets."""
        if self.off is None:
            return found
        s, p = found.s.copy(), found.p.copy()
        faster = self.off.most(self.held) if self.held else 1.0
        idle_W = float(p["windage"] + p["bearings"])
        power = 1.0 if self.held == LIMITS[POWER] else self.off.shaft(1.0 - idle_W / float(p["shaft"]), faster)
        warmer = 1.0 if self.held == LIMITS[TEMPERATURE] else exp(self.off.rise) * power
        air_K, powder_K = (
            at + (t - at) * warmer for at, t in zip(found.still_K, (float(s["T"]), found.powder_K), strict=True)
        )
        s["Q"] *= air.air_density(s["T"]) / air.air_density(air_K)  # as many kilograms of air
        s["T"], s["F"], p["shaft"] = air_K, s["F"] * faster, p["shaft"] * power
        p["offset"] = powder_K - p["warmed"] * air_K
        return replace(found, s=s, p=p, power=power, warmer=warmer)

    def outlet(self, mill: np.ndarray, fill: bool = True) -> float:
        """Outlet temperature [K]; NO_STATE where nothing settles. fill: of `stand_at`."""
        found = self.settle(mill, fill)
        return NO_STATE if found is None else found.outlet_K


def _of_batch(mill: np.ndarray, o: Outcome) -> Settled:
    """The batch at its peak temperature, with the air mass flow of its end."""
    s = o.state.copy()
    s["Q"] *= air.air_density(o.history[-1]["T"]) / air.air_density(s["T"])
    return Settled(s, o.powers, o.loads, o.steps.ages[-1], still(mill[0], o.state, o.powers))


def changed(mill: np.ndarray, **fields: float) -> np.ndarray:
    """A copy of a mill record with some fields set."""
    new = mill.copy()
    for name, value in fields.items():
        new[name] = value
    return new


def at_room(mill: np.ndarray, room_K: float, recirculated: float) -> np.ndarray:
    """The mill in another room: fresh air comes from it, and feed that lies about gets as much warmer as the room."""
    m = mill[0]
    fed = float(m["T_feed"])
    if CHILLED_K <= fed <= m["T_room"] + DRIED_K:  # neither from a cold box nor from a dryer
        fed += room_K - float(m["T_room"])
    cooler = cooling.cooler_outlet(m["T_air_in"], m["T_room"], recirculated) if recirculated else room_K
    return changed(mill, T_room=room_K, T_feed=fed, T_air_in=cooling.mixed_air(room_K, cooler, recirculated))


def lies_colder(config: Config) -> bool:
    """Whether the feed as given is colder than the room without having been chilled: from another day, perhaps."""
    return CHILLED_K <= config.feed.temperature_K < config.air.room_K - DRIED_K


def inlet_flow(m: np.void, s: np.void) -> float:
    """Air [m3/s] the mill takes in, at the room's temperature; what an anemometer at the inlet shows."""
    return float(s["Q"] * air.air_density(s["T"]) / air.air_density(m["T_room"]))


def air_losses(m: np.void, s: np.void) -> dict[str, float]:
    """Pressure [Pa] that inlet, sieve, filter and rotor take at this flow; they add up to fan and blower.

    The rotor takes some where more air is driven through than it moves by itself, else it is the fan.
    """
    c, Q = air_curve(m, s["T"], s["omega"], s["unblinded"]), float(s["Q"])
    rotor = max(0.0, c.fan_Pa * ((Q / c.free_flow) ** 2 - 1.0))
    return {"inlet": c.inlet * Q * Q, "sieve": c.sieve * Q * Q, "filter": c.filter * Q, "rotor": rotor}


def with_air(case: Case, mill: np.ndarray, flow_m3_s: float) -> np.ndarray:
    """The mill with the blower pressure (below zero: throttled) that lets it take in this flow of room air."""
    case, new = replace(case, off=None), mill
    if case.is_batch:
        return _batch_with_air(case, mill, flow_m3_s)
    for _ in range(AIR_TURNS):
        found = case.settle(new)
        if found is None:
            return new
        m, s = new[0], found.s
        Q = flow_m3_s * air.air_density(m["T_room"]) / air.air_density(s["T"])
        c = air_curve(m, s["T"], s["omega"], s["unblinded"])
        pressure = float(cooling.blower_for_flow(Q, c.fan_Pa, c.free_flow, c.sieve + c.inlet, c.filter))
        if abs(pressure - m["blower"]) < 0.01:
            break
        new = changed(mill, blower=pressure)
    return new


def shut_off(m: np.void) -> float:
    """Pressure [Pa] of the fan without flow, in cold air and at full speed; a little more than it ever gives."""
    return 1.3 * float(air_curve(m, m["T_room"], m["omega_0"], 1.0).fan_Pa)


def _batch_with_air(case: Case, mill: np.ndarray, flow_m3_s: float) -> np.ndarray:
    """The same for a batch, by search; the mill as it is where no blower does it."""

    def over(pressure: float) -> float:
        new = changed(mill, blower=pressure)
        found = case.settle(new)
        return -1.0 if found is None else inlet_flow(new[0], found.s) / flow_m3_s - 1.0

    pressure = crossing(over, -shut_off(mill[0]), MOST_BLOWER)
    return mill if np.isnan(pressure) else changed(mill, blower=pressure)


@dataclass(frozen=True)
class Idle:
    """The empty mill, running warm: windage and bearings [W], chamber [K] and its rise over the air that enters."""

    windage_W: float
    bearings_W: float
    chamber_K: float
    rise_K: float
    Q_m3_s: float


def idle(mill: np.ndarray, off: Off | None = None) -> Idle:
    """The empty mill in heat balance with its air and casing; a clean sieve. off: what a draw is off by."""
    m = mill[0]
    s = np.zeros(1, STATE)[0]
    s["T"], s["unblinded"] = m["T_air_in"], 1.0
    UA = heat.series_conductance(m["inner_heat_transfer"] * m["inner_area"], m["casing_heat_loss"])
    windage = bearings = 0.0
    for _ in range(100):
        before = float(s["T"])
        s["omega"] = idle_speed(m, s["T"])
        s["Q"] = feedback_air(m, s)
        windage, bearings = (float(w) for w in idle_power(m, s["omega"], s["T"]))
        carried = float(air_capacity(s))
        answer = (windage + carried * m["T_air_in"] + UA * m["T_room"]) / (carried + UA)
        s["T"] = 0.5 * (before + answer)  # thinner hot air drags less and cools less; half steps settle
        if abs(answer - before) < 1e-9:
            break
    rise = float(s["T"] - m["T_air_in"]) * (exp(off.rise) if off else 1.0)
    return Idle(windage, bearings, float(m["T_air_in"]) + rise, rise, float(s["Q"]))


def crossing(
    f: Callable[[float], float], low: float, high: float, close: float = 1e-3, jumps: bool = False, kept: bool = False,
    ends: bool = False,
) -> float:  # fmt: skip
    """Where f changes sign between low and high, to |f| <= close; NaN where it does not. f may be infinite.

    Regula falsi with the Illinois rule, bisection where an end is infinite. There a state ends, as steeply as a root at
    most; where that cannot lead through zero any more the search ends, for what has no state costs ten to a hundred
    times as much as what has one, and is looked at from there. So it does at a jump, where f is flat on both sides.
    jumps: a jump through zero counts too. kept: so does one between two states, on its side below zero, NARROW of the
    way from it at most. ends: so does the end of a state below zero, likewise.
    """
    a, b, fa, fb, side = low, high, f(low), f(high), 0
    told, rise, followed = fa if np.isfinite(fa) else fb, inf, jumps
    halved, fc = False, inf
    level, flat = {fa > 0.0: fa, fb > 0.0: fb}, {True: False, False: False}  # by the sign of f
    if abs(fa) <= close or abs(fb) <= close:
        return a if abs(fa) <= close else b
    if not fa * fb < 0.0:
        return nan
    for turn in range(TURNS):
        followed = followed or turn == 1 and halved and bool(np.isfinite(fc))  # it ends in the farther half
        if turn and np.isinf(fa - fb) and not followed:
            a, b, told, fb, rise = _to_the_end(f, *((b, a) if np.isinf(fa) else (a, b)), NARROW * abs(high - low))
            fa, followed, side = told, True, 0
            if abs(fa) <= close or not fa * fb < 0.0:
                return a if abs(fa) <= close or ends and fa < 0.0 else nan
        narrow = not jumps and abs(b - a) <= NARROW * abs(high - low)
        halved = np.isinf(fa - fb) or narrow and turn % 2 == 1
        c = 0.5 * (a + b) if halved else (fa * b - fb * a) / (fa - fb)
        fc = f(c)
        if abs(fc) <= close:
            return c
        if fc * fb > 0.0:
            b, fb, fa, side = c, fc, 0.5 * fa if side == -1 else fa, -1
        else:
            a, fa, fb, side = c, fc, 0.5 * fb if side == 1 else fb, 1
        if abs(b - a) <= 1e-9 * abs(c):
            break
        if np.isfinite(fc):
            flat[fc > 0.0] = bool(halved and STEEPEST * abs(fc - level[fc > 0.0]) < abs(fc))
            rise, told = abs(fc - told), fc
            level[fc > 0.0] = fc
        else:
            rise *= 0.5**0.5  # what is left of the way is halved, and of a root that much
            flat[True] = False
        if narrow and (all(flat.values()) or np.isinf(fa - fb) and STEEPEST * rise < abs(told)):
            break
    if ends or kept and np.isfinite(fa - fb):
        return a if fa < 0.0 else b
    return 0.5 * (a + b) if jumps else nan


def _to_the_end(
    f: Callable[[float], float], a: float, b: float, narrow: float
) -> tuple[float, float, float, float, float]:
    """(a, b, f(a), f(b), last rise) nearer to each other, in growing steps from a, which has a state: b has none, or is
    beyond zero.

    narrow: the first step. Where the state ends within it f(a) is told for f(b) too, once f cannot reach zero there:
    it would have risen more on the other side of a.
    """
    fa, rise, step = f(a), inf, np.copysign(narrow, b - a)
    c, fc = a + step, f(a + step)
    while np.isinf(fc) and abs(step) > 1e-7 * narrow:
        if STEEPEST * abs(fa - f(a - step)) < abs(fa):
            return a, c, fa, fa, rise
        b, step = c, step / NARROWER
        c, fc = a + step, f(a + step)
    while fc * fa > 0.0:
        a, fa, rise, step = c, fc, abs(fc - fa), 2.0 * step
        c = a + step
        if abs(step) >= abs(b - a):
            return a, b, fa, inf, rise
        fc = f(c)
    return a, c, fa, fc, rise
