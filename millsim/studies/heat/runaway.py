"""Hotter, tougher, hotter: whether the heat of a mill feeds itself, and whether a second, hot state lies in wait.

The chamber is held at a temperature, all else settles, and the heat balance answers with the temperature that this
state would have. The slope of answer over held temperature is the gain of the loop: a disturbance of 1 K ends as
1 / (1 - gain) K. Where the answer is hotter than the temperature held, the mill heats up further by itself.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import inf, isfinite, log, nan

import numpy as np

from ...engines.capacity import settle_rate
from ...engines.loads import fill_loads
from ...engines.records import Work, new_work
from ...engines.settle import balance_temperature
from ...forecast.outcome import grid_of
from ...mill.problem import fed_shares
from ...record.limits import CHAMBER, JAM, LIMITS
from .stand import NO_STATE, TOLERANCE, Case, Settled, crossing

STEP_K = 5.0  # of the search upwards
REACH_K = 50.0  # how far above sticking (or the settled state) a hot one is looked for
SLOPE_K = 1.0  # half the interval of the slope
LEAP, FINEST_K = 0.15, 0.05  # of ln charge from one temperature to the next; how near these are for it to be real
CHOKES = 1.1  # load of chamber or jam over its limit, or over that of the settled state, that ends a search


@dataclass(frozen=True)
class Runaway:
    """What a heat loop does.

    gain: of the loop at the settled temperature (NaN: a kelvin beside it nothing settles); threshold_K: above it the
    mill goes on heating by itself (inf: none found up to top_K); hot_K: the hot state it then reaches (inf: none, it
    chokes or heats beyond top_K).
    """

    gain: float
    threshold_K: float
    hot_K: float
    top_K: float


class HeatLoop:
    """The answer of a mill's heat balance to a chamber held at a temperature: callable, T [K] -> K.

    A state is sought from the nearest one known, as a mill gets there that slowly warms up; NO_STATE where the charge
    grows without end, the chamber fills or the rotor jams.
    """

    def __init__(self, case: Case, mill: np.ndarray, here: Settled):
        self._case, self._mill = case, mill
        self._most = CHOKES * max(1.0, here.loads[CHAMBER], here.loads[JAM])
        self._known = {float(here.s["T"]): (here.s.copy(), here.ages.copy())}

    def __call__(self, T: float) -> float:
        near = min(self._known, key=lambda known: abs(known - T))
        residual, held, s, work = self._settled(T, *self._known[near])
        leap = abs(log(s["M"][0] / self._known[near][0]["M"])) > LEAP if residual <= TOLERANCE else False
        if leap and abs(T - near) > FINEST_K:
            middle = 0.5 * (T + near)  # the loop may leap to another charge over one that the mill warms up with
            self(middle)
            if middle in self._known:
                return self(T)
        if not residual <= TOLERANCE:
            return NO_STATE
        self._known[T] = (s[0].copy(), work.ages.copy())
        loads = np.zeros(len(LIMITS))
        fill_loads(held[0], s[0], self._case.problem.x, work, loads)
        if max(loads[CHAMBER], loads[JAM]) > self._most:
            return NO_STATE
        return float(balance_temperature(self._mill[0], s[0], work.powers[0]))

    def _settled(self, T: float, nearest: np.void, ages: np.ndarray) -> tuple[float, np.ndarray, np.ndarray, Work]:
        """(residual, mill, state, work) of the chamber held at T, from a state nearby."""
        held, p = self._mill.copy(), self._case.problem
        held["isothermal"] = 1.0  # the solver then keeps the chamber at T_room
        held["inlet_loss"] = self._mill["inlet_loss"] * self._mill["T_room"] / T  # inlet air as dense as before
        held["T_room"] = T
        work, s = new_work(p.x.size), np.array([nearest])
        work.ages[:], s["T"] = ages, T
        return settle_rate(held, grid_of(p, held), fed_shares(p, held), s, work, TOLERANCE), held, s, work


def follow(answer: Callable[[float], float], T: float, top: float) -> Runaway:
    """Runaway of a loop `answer`(T) about its settled temperature T [K], searched upwards as far as `top` [K]."""
    above, below = answer(T + SLOPE_K), answer(T - SLOPE_K)
    gain = (above - below) / (2.0 * SLOPE_K) if isfinite(above) and isfinite(below) else nan

    def excess(t: float) -> float:
        return answer(t) - t

    steps = np.arange(T + STEP_K, top + 0.5 * STEP_K, STEP_K)
    values = [excess(t) for t in steps]
    up = next((i for i, v in enumerate(values) if v >= 0.0), None)
    if up is None:
        return Runaway(float(gain), T if gain >= 1.0 else inf, inf, top)
    low = T + SLOPE_K if up == 0 else steps[up - 1]
    threshold = T if gain >= 1.0 or excess(low) >= 0.0 else crossing(excess, low, steps[up], 0.01, True)
    down = next((i for i in range(up, len(values)) if values[i] < 0.0), None)
    hot = inf
    if down is not None and isfinite(values[down - 1]):
        hot = crossing(excess, steps[down - 1], steps[down], 0.01, True)
    return Runaway(float(gain), float(threshold), float(hot), top)


def runaway(case: Case, mill: np.ndarray, here: Settled) -> Runaway:
    """Runaway of a mill about the settled state `here`."""
    T, stick = float(here.s["T"]), case.problem.config.material.value("stick_temperature")
    return follow(HeatLoop(case, mill, here), T, max(T, stick) + REACH_K)


def toughens(mill: np.ndarray) -> bool:
    """Whether the material card tells that hotter is tougher: another strength cold than warm."""
    m = mill[0]
    return bool(m["f_mat_cold"] != m["f_mat_warm"] or m["xw_min_cold"] != m["xw_min_warm"])
