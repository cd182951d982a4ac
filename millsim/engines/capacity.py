"""How much a mill takes: its state at a feed rate, or at the rate at which the first limit binds."""

import numpy as np

from ..base.numerics.jit import kernel, part
from ..mill.chamber import MILL, STATE
from ..record.limits import CANNOT, FAILED, GRINDING, LIMITS, OK
from .loads import fill_loads, first_highest
from .search import ROUGH, copy_state, search_capacity
from .settle import AT_RATE, PATIENTLY, settle, start_state

WITHIN, TURNED, FILLED, FROM_HERE = range(4)  # tasks of `operate`
FRESH = 0.1  # s of feed in the mill to begin with: the state of least charge is then found, as a mill fills up to it


@part
def _stand(m, grid, feed, F, s, work, tolerance):
    """Settle at exactly the feed rate F from a state s that carries it but for CLOSE; return (residual, turns).

    Where turning the loop at that rate does not settle, as next to flooding, the charge is held instead.
    """
    near = np.zeros(1, STATE)
    copy_state(s, near[0])
    s.F, s.at_rate = F, 1.0
    residual, turns = settle(m, grid, feed, s, work, tolerance)
    if not residual <= tolerance:
        copy_state(near[0], s)
        s.at_rate = 0.0
        residual, turns = settle(m, grid, feed, s, work, tolerance)
    return residual, turns


@part
def _fill_to_rate(m, grid, feed, F, s, work, loads, tolerance):
    """Fill the mill from empty until it carries a feed rate; return the residual, infinite where no charge carries it.

    Whatever that does to motor, rotor and powder; what the mill does not carry then floods it.
    """
    free = np.zeros(1, MILL)
    free[0] = m
    free[0].T_limit = free[0].rated_power = free[0].jam_share = free[0].feed_opening = 1e30
    code, _, _ = search_capacity(free[0], grid, feed, F, s, work, loads, tolerance, tolerance)
    free[0].T_limit = m.T_limit  # as in `_settle_hot`: keeps the record until here
    if code != OK:
        return np.inf
    residual, _ = _stand(m, grid, feed, F, s, work, tolerance)
    return residual


@part
def _settle_hot(m, grid, feed, s, work, tolerance):
    """Settle the nearly empty mill that is over a limit, to the end however hot it is; return (residual, turns)."""
    free = np.zeros(1, MILL)
    free[0] = m
    free[0].T_limit = 1e30
    residual, turns = settle(free[0], grid, feed, s, work, tolerance)
    free[0].T_limit = m.T_limit  # numba frees an array after its last use, though a record of it is still in use
    return residual, turns


@kernel
def operate(m, grid, feed, F_asked, s, work, loads, tolerance, task):
    """State of the mill at the feed rate asked for [kg/s], or at its capacity where it takes less (or inf).

    Returns (code, binding limit, residual): OK, OVER (a limit binds first), CANNOT (a limit binds with next to no
    feed), FAILED (not converged). So it is where it keeps WITHIN its limits; for the other tasks see `stand_at` and
    `settle_rate`, which compiled for themselves would be the whole engine once more.
    """
    if task != FROM_HERE:
        work.ages[:] = 0.0
    if F_asked < np.inf:
        if task != FROM_HERE:
            start_state(m, F_asked, F_asked * FRESH, s)
        s.at_rate = AT_RATE if task == WITHIN or task == TURNED else PATIENTLY
        residual, _ = settle(m, grid, feed, s, work, tolerance)
        if task != WITHIN:
            if not residual <= tolerance and task != TURNED:
                residual = _fill_to_rate(m, grid, feed, F_asked, s, work, loads, tolerance)
            return OK, 0, residual
        if residual <= tolerance:
            fill_loads(m, s, grid.x, work, loads)
            if loads[first_highest(loads, loads.size)] <= 1.0:
                return OK, first_highest(loads, loads.size), residual
    work.ages[:] = 0.0
    code, binding, residual = FAILED, 0, np.inf
    for rough in (max(tolerance, ROUGH), tolerance):
        if residual > tolerance:  # a rough step may have jumped where a fine one does not
            code, binding, residual = search_capacity(m, grid, feed, F_asked, s, work, loads, tolerance, rough)
            if code == CANNOT and binding == GRINDING:
                return code, binding, 0.0
            if code == OK:
                residual, _ = _stand(m, grid, feed, F_asked, s, work, tolerance)
            elif code == CANNOT:
                residual, _ = _settle_hot(m, grid, feed, s, work, tolerance)
    fill_loads(m, s, grid.x, work, loads)
    if residual > tolerance or (code != CANNOT and loads[first_highest(loads, loads.size)] > 1.0 + 1e-4):
        return FAILED, binding, residual
    return code, binding, residual


def settle_rate(m, grid, feed, s, work, tolerance) -> float:
    """Settle at the feed rate s.F from the state s; returns the residual: infinite where no charge carries it."""
    return operate(m, grid, feed, float(s["F"]), s, work, np.zeros(len(LIMITS)), tolerance, FROM_HERE)[2]


def stand_at(m, grid, feed, F, s, work, tolerance, fill) -> float:
    """State of the mill at a feed rate F [kg/s], whatever limits that exceeds; returns the residual.

    For a run that was measured: it did take that rate. A residual above the tolerance: there is no such state, or,
    without `fill`, none that turning the loop finds; filling the mill from empty costs a hundred times as much.
    """
    return operate(m, grid, feed, F, s, work, np.zeros(len(LIMITS)), tolerance, FILLED if fill else TURNED)[2]
