"""How much a mill takes: its state at a feed rate, or at the rate at which the first limit binds."""

import numpy as np

from ..base.numerics.jit import kernel, part
from ..mill.chamber import MILL, STATE
from ..record.limits import CANNOT, FAILED, GRINDING, LIMITS, OK
from .loads import fill_loads
from .search import ROUGH, copy_state, search_capacity
from .settle import settle, start_state


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
def settle_rate(m, grid, feed, s, work, tolerance):
    """Settle at the feed rate s.F from the state s; return (residual, turns): infinite where no charge carries it.

    Where turning the loop finds no state, the mill is filled from empty until it carries the rate, whatever that does
    to motor, rotor and powder; what it does not carry then floods it.
    """
    F, s.at_rate = s.F, 1.0
    residual, turns = settle(m, grid, feed, s, work, tolerance)
    if residual <= tolerance:
        return residual, turns
    free, loads = np.zeros(1, MILL), np.zeros(len(LIMITS))
    free[0] = m
    free[0].T_limit = free[0].rated_power = free[0].jam_share = free[0].feed_opening = 1e30
    code, _, _ = search_capacity(free[0], grid, feed, F, s, work, loads, tolerance, tolerance)
    free[0].T_limit = m.T_limit  # as in `_settle_hot`: keeps the record until here
    return _stand(m, grid, feed, F, s, work, tolerance) if code == OK else (np.inf, turns)


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
def operate(m, grid, feed, F_asked, s, work, loads, tolerance):
    """State of the mill at the feed rate asked for [kg/s], or at its capacity where it takes less (or inf).

    Returns (code, binding limit, residual): OK, OVER (a limit binds first), CANNOT (a limit binds with next to no
    feed), FAILED (not converged).
    """
    if F_asked < np.inf:
        work.ages[:] = 0.0
        start_state(m, F_asked, F_asked * 1.0, s)
        s.at_rate = 1.0
        work.ages[:] = 0.0
        residual, _ = settle(m, grid, feed, s, work, tolerance)
        if residual <= tolerance:
            fill_loads(m, s, grid.x, work, loads)
            if loads.max() <= 1.0:
                return OK, np.argmax(loads), residual
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
    if residual > tolerance or (code != CANNOT and loads.max() > 1.0 + 1e-4):
        return FAILED, binding, residual
    return code, binding, residual


@kernel
def stand_at(m, grid, feed, F, s, work, tolerance, fill):
    """State of the mill at a feed rate F [kg/s], whatever limits that exceeds; returns (residual, turns).

    For a run that was measured: it did take that rate. A residual above the tolerance: there is no such state, or,
    without `fill`, none that turning the loop finds; filling the mill from empty costs a hundred times as much.
    """
    start_state(m, F, F * 1.0, s)
    work.ages[:] = 0.0
    if fill:
        return settle_rate(m, grid, feed, s, work, tolerance)
    s.at_rate = 1.0
    return settle(m, grid, feed, s, work, tolerance)
