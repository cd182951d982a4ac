"""The course of a day: minute by minute at the loads that filter and sieve have by then, with its stops.

What has to be done is done at a stop; a stop that is made for one thing serves for all that is nearly due.
"""

from dataclasses import dataclass
from math import exp, inf

import numpy as np

from ...laws import filter as dust
from .states import States, Warming
from .usual import BAG_FILL, HALF_COOL, TOGETHER, Setting

STEP_S = 60.0
BAG, FILTER, SIEVE, PAUSE, MOTOR, LIMIT = "bag", "filter", "sieve", "pause", "motor", "limit"
LATE_S = 3600.0  # before the end: nobody pauses any more (assumed)
WORTH_S = 900.0  # of milling: a cleaning that lasts for less is no help


@dataclass(frozen=True)
class Loads:
    """What fills up: dust on the filter and holes lost; left: share of the cake a cleaning leaves; motor_W: loss it
    bears without end (inf: more than it has), loss_W: while milling, motor_s: how slowly it warms."""

    left: float
    lost_1_s: float
    motor_W: float = inf
    loss_W: float = 0.0
    motor_s: float = 1200.0


@dataclass(frozen=True)
class Stop:
    """A stop: when feeding ends, how long nothing is fed [s], what is done, and what it was made for."""

    at_s: float
    lasts_s: float
    done: tuple[str, ...]
    why: str


@dataclass(frozen=True)
class Course:
    """A day as it goes: arrays by the minute (t at the end of each), rate 0 and NaN air and outlet while not milling.

    less_s: from when on it takes less than is asked, because cleaning no longer helps for long; inf: never.
    """

    t_s: np.ndarray
    made_kg: np.ndarray
    rate_kg_s: np.ndarray
    outlet_K: np.ndarray
    air_m3_s: np.ndarray
    cake_kg_m2: np.ndarray
    lost: np.ndarray
    stops: tuple[Stop, ...]
    milling_s: float
    less_s: float = inf

    @property
    def kg(self) -> float:
        """What the day makes."""
        return float(self.made_kg[-1])


class _Now:
    """The state of a day: what has been made, what has filled up, and what is due."""

    def __init__(self) -> None:
        self.made = self.bag = self.cake = self.lost = self.motor = self.milling = 0.0
        self.cold = 1.0  # share of what the casing's warmth adds that is still lacking
        self.since = {FILTER: 0.0, SIEVE: 0.0, PAUSE: 0.0}


def course(s: States, w: Warming, day: Setting, loads: Loads, room_K: float) -> Course:
    """The day of a mill, whose cleanings are set."""
    now, rows, stops, t = _Now(), [], [], day.start_s
    bag_kg = BAG_FILL * day.bag_m3 * s.bulk
    last, less = day.hours_s - day.stop_s, inf
    now.cold = exp(-day.start_s / w.running_s)
    while t < last - 1e-6:
        step = min(STEP_S, last - t)
        why = _due(now, s, day, loads, bag_kg, t, less)
        if why == LIMIT and min(now.since[FILTER], now.since[SIEVE]) < WORTH_S:
            less, why = t, ""  # from now on it is fed less
        if why:
            stop = _stop(now, day, t, why, bag_kg, loads)
            if t + stop.lasts_s > last - WORTH_S:
                break  # what is left of the day is not worth a start
            stops.append(stop)
            t += stop.lasts_s
            rows.append((min(t, last), now.made, 0.0, np.nan, np.nan, now.cake, now.lost))
            now.cold = 1.0 - (1.0 - now.cold) * exp(-(stop.lasts_s - day.start_s) / w.standing_s)
            now.cold *= exp(-day.start_s / w.running_s)
            continue
        rows.append(_mill(now, s, w, loads, t, step, room_K))
        t += step
    table = np.array(rows or [(day.hours_s, 0.0, 0.0, np.nan, np.nan, 0.0, 0.0)]).T
    t_s, made, rate, outlet, air, cake, lost = table
    return Course(t_s, made, rate, outlet, air, cake, lost, tuple(stops), now.milling, less)


def _resistance(now: _Now, s: States) -> float:
    if not s.cake_1_s > 0.0:
        return 1.0
    return dust.loaded_resistance(s.clean_Pa_s_m, s.cake_1_s, now.cake) / s.clean_Pa_s_m


def _mill(now: _Now, s: States, w: Warming, loads: Loads, t: float, step: float, room_K: float) -> tuple:
    """A step of milling."""
    R = _resistance(now, s)
    rate, outlet, flow = s.several(("rate_kg_s", "outlet_K", "air_m3_s"), R, now.lost)
    outlet -= w.waits * now.cold * (outlet - room_K)
    made = rate * step
    now.made, now.bag, now.milling = now.made + made, now.bag + made, now.milling + step
    if s.cake_1_s > 0.0:
        now.cake += made * s.dust_share / s.area_m2
    now.lost += (1.0 - now.lost) * dust.share_lost(loads.lost_1_s, step)
    now.motor += (loads.loss_W - now.motor) * (1.0 - exp(-step / loads.motor_s))
    now.cold *= exp(-step / w.running_s)
    for name in now.since:
        now.since[name] += step
    return (t + step, now.made, rate, outlet, flow, now.cake, now.lost)


def _due(now: _Now, s: States, day: Setting, loads: Loads, bag_kg: float, t: float, less_s: float) -> str:
    """What a stop has to be made for now; "" for nothing."""
    if now.bag >= bag_kg:
        return BAG
    if now.since[PAUSE] >= day.pause_after_s - 1e-6 and t < day.hours_s - LATE_S:
        return PAUSE
    for name, every in ((FILTER, day.filter_every_s), (SIEVE, day.sieve_every_s)):
        if now.since[name] >= every - 1e-6:
            return name
    if now.motor >= 0.999 * loads.motor_W:
        return MOTOR
    return LIMIT if t < less_s and _over(now, s) else ""


def _over(now: _Now, s: States) -> bool:
    """Whether the rate asked for goes beyond a limit by what has filled up, and a cleaning changes that."""
    return s.over(_resistance(now, s), now.lost) and not s.over(1.0, 0.0)


def _stop(now: _Now, day: Setting, t: float, why: str, bag_kg: float, loads: Loads) -> Stop:
    """A stop and what is done in it, one thing after another; a pause goes on beside them."""
    done = [d for d in (BAG, FILTER, SIEVE) if d == why or _nearly(now, day, d, bag_kg)]
    if why == LIMIT:
        done = [d for d in (BAG, FILTER, SIEVE) if d in done or (d != BAG and now.since[d] > 0.0)]
    work = sum({BAG: day.bag_change_s, FILTER: day.filter_cleaning_s, SIEVE: day.sieve_cleaning_s}[d] for d in done)
    rest = why == PAUSE or (now.since[PAUSE] >= TOGETHER * day.pause_after_s and t < day.hours_s - LATE_S)
    still = max(work, day.pause_s if rest else 0.0)
    if why == MOTOR:
        still = max(still, -loads.motor_s * float(np.log(HALF_COOL)))
    now.motor *= exp(-still / loads.motor_s)
    now.bag = 0.0 if BAG in done else now.bag
    now.cake = loads.left * now.cake if FILTER in done else now.cake
    now.lost = 0.0 if SIEVE in done else now.lost
    for name in (FILTER, SIEVE):
        now.since[name] = 0.0 if name in done else now.since[name]
    now.since[PAUSE] = 0.0 if rest else now.since[PAUSE] + day.stop_s + still + day.start_s
    return Stop(t, day.stop_s + still + day.start_s, (*done, *([PAUSE] if rest else [])), why)


def _nearly(now: _Now, day: Setting, what: str, bag_kg: float) -> bool:
    if what == BAG:
        return now.bag >= TOGETHER * bag_kg
    every = day.filter_every_s if what == FILTER else day.sieve_every_s
    return now.since[what] >= TOGETHER * every
