"""How much a mill takes: its state at a feed rate, or at the rate at which the first limit binds."""

from math import exp, log

import numpy as np

from ..base.numerics.jit import kernel, law
from ..record.limits import CANNOT, FAILED, GRINDING, LIMITS, OK, OVER, POWER
from .climb import climb, copy_ages, copy_state
from .loads import chamber_capacity, fill_loads, first_highest
from .records import HELD, OF_RAISED, RAISED
from .search import ASIDE, FLAT, NEXT, ROUGH, search_capacity
from .settle import AT_RATE, CLOSELY, PATIENTLY, evaluate, settle, start_state

WITHIN, TURNED, FILLED, FROM_HERE, ONE_TURN = range(5)  # tasks of `operate`
MORE, KNOWN = 3e-3, 1e-5  # of a largest rate: how much more is tried; how closely what is then found is known
KNOWN_WELL = 1.0 - 1e-6  # of a largest rate: what is more is that rate
NEARLY = 1e-4  # tolerance of a first look at what is tried
SECANTS, STEEP = 8, 0.1  # to the charge that carries a rate; the least d ln rate / d ln charge taken for them
OVERFULL = 10.0  # full chambers of charge, beyond which a state is none: it is found by luck of rounding, if at all
QUICK = 10  # turns up to which a state found at a feed rate is that of least charge
FRESH = 0.1  # s of feed in the mill to begin with: the state of least charge is then found, as a mill fills up to it
LOST = 1.0  # residual of a loop that has no state near: a filling that found one would take several times as long


@law
def _stand(m, grid, feed, F, s, work, tolerance):
    """Settle at exactly the feed rate F from a state s that carries it but for CLOSE; return (residual, turns).

    Where turning the loop at that rate does not settle, as next to flooding, the charge is held instead: by secants, at
    what carries it.
    """
    near = work.states[HELD]
    copy_state(s, near)
    s.F, s.at_rate = F, 1.0
    residual, turns = settle(m, grid, feed, s, work, tolerance)
    if residual <= tolerance:
        return residual, turns
    copy_state(near, s)
    s.at_rate = 0.0
    residual, turns = settle(m, grid, feed, s, work, tolerance)
    rise = 1.0
    for _ in range(SECANTS):
        miss = log(F / s.F)
        if not residual <= tolerance or abs(miss) <= tolerance:
            break
        copy_state(s, near)
        s.M, s.F = s.M * exp(miss / rise), F
        closer, turns = settle(m, grid, feed, s, work, tolerance)
        if not closer <= tolerance or abs(log(F / s.F)) > abs(miss):
            copy_state(near, s)
            residual, turns = settle(m, grid, feed, s, work, tolerance)
            break
        residual, rise = closer, max(STEEP, log(s.F / near.F) * rise / miss)
    return residual, turns


@law
def _fill_to_rate(m, grid, feed, F, s, work, loads, tolerance):
    """Fill the mill from empty until it carries a feed rate; return the residual, infinite where no charge carries it.

    Whatever that does to motor, rotor and powder; what the mill does not carry then floods it.
    """
    work.mill[0] = m
    free = work.mill[0]
    free.T_limit = free.rated_power = free.jam_share = free.feed_opening = 1e30
    code, _, _ = search_capacity(free, grid, feed, F, np.inf, s, work, loads, tolerance, max(tolerance, ROUGH))
    if code != OK:
        return np.inf
    residual, _ = _stand(m, grid, feed, F, s, work, tolerance)
    return residual


@law
def _settle_hot(m, grid, feed, s, work, tolerance):
    """Settle the nearly empty mill that is over a limit, to the end however hot it is; return (residual, turns)."""
    work.mill[0] = m
    free = work.mill[0]
    free.T_limit = 1e30
    return settle(free, grid, feed, s, work, tolerance)


@law
def _carries(m, grid, feed, F, s, work, loads, tolerance):
    """Whether a mill that fills at a feed rate F from nearly empty comes to a state within its limits, left in s."""
    work.ages[:] = 0.0
    start_state(m, F, F * FRESH, s)
    s.at_rate = AT_RATE
    for close in (max(tolerance, NEARLY), tolerance):  # most are far over a limit, and told so soon
        residual, _ = settle(m, grid, feed, s, work, close)
        if residual > close:
            return False
        fill_loads(m, s, grid.x, work, loads)
        if loads[first_highest(loads, loads.size)] > 1.0:
            return False
    return True


@law
def _raise(m, grid, feed, s, work, loads, tolerance):
    """Raise the feed rate of the state s as long as the mill fills up to it within its limits; return the residual.

    Filling by the charge ends before a jump, and may step over a rate that is carried short of it, or beyond it by less
    charge that is warmer. From there the rate is climbed to by the charge.
    """
    best, ages, held = work.states[RAISED], work.kept[OF_RAISED], s.at_rate
    copy_ages(work.ages, ages)
    copy_state(s, best)
    more, bound = MORE, np.inf
    while more > KNOWN:
        F = best.F * (1.0 + more)
        if F < bound and _carries(m, grid, feed, F, s, work, loads, tolerance):
            copy_state(s, best)
            copy_ages(work.ages, ages)
            held = AT_RATE
            more *= 2.0 if bound == np.inf else 1.0
        elif held != AT_RATE:
            break
        else:
            bound, more = min(F, bound), 0.5 * more
    copy_ages(ages, work.ages)
    if held == AT_RATE:  # the loop finds none just short of a top
        best.at_rate = 0.0
        climb(m, grid, feed, np.inf, ASIDE, best, s, work, loads, tolerance)
    copy_state(best, s)
    residual, _ = settle(m, grid, feed, s, work, tolerance)
    return residual


@law
def _bears(m, s, x, work, loads):
    """Whether a state is within all limits but for what a kilogram costs, which is judged at the largest rate."""
    fill_loads(m, s, x, work, loads)
    return loads[first_highest(loads, GRINDING)] <= 1.0


@law
def _fills(m, grid, feed, s, work, tolerance):
    """Whether a mill that fills up stays at the state s: a little less charge carries less; else s is overfull."""
    less, ages = work.states[HELD], work.kept[OF_RAISED]
    copy_ages(work.ages, ages)
    fills = True
    for aside, close in ((ASIDE, max(tolerance, ROUGH * ASIDE)), (NEXT, tolerance)):
        copy_state(s, less)
        less.M, less.F, less.at_rate = s.M * (1.0 - aside), s.F * (1.0 - aside), 0.0
        residual, _ = settle(m, grid, feed, less, work, close)
        copy_ages(ages, work.ages)
        fills = residual <= close and less.F < s.F
        if not fills or less.F < s.F * (1.0 - FLAT * aside):
            break
    settle(m, grid, feed, s, work, tolerance)
    return fills


@law
def _from_fresh(m, grid, feed, F, s, work, loads, tolerance):
    """Settle at a feed rate from a nearly empty mill; return whether that is within its limits, residual and turns."""
    work.ages[:] = 0.0
    start_state(m, F, F * FRESH, s)
    s.at_rate = AT_RATE
    residual, turns = settle(m, grid, feed, s, work, tolerance)
    return residual <= tolerance and _bears(m, s, grid.x, work, loads), residual, turns


@law
def _most(m, grid, feed, s, work, loads, tolerance):
    """The largest rate that all limits bear; return (code, binding limit, residual) as `operate` does."""
    code, binding, residual = FAILED, 0, np.inf
    for rough in (max(tolerance, ROUGH), tolerance):  # a rough step may have jumped where a fine one does not
        work.ages[:] = 0.0
        code, binding, residual = search_capacity(m, grid, feed, np.inf, np.inf, s, work, loads, tolerance, rough)
        if code == CANNOT and binding == GRINDING:
            return code, binding, 0.0
        if code == CANNOT:
            residual, _ = _settle_hot(m, grid, feed, s, work, tolerance)
        elif binding != POWER and residual <= tolerance:
            residual = _raise(m, grid, feed, s, work, loads, tolerance)
        if residual <= tolerance:
            break
    fill_loads(m, s, grid.x, work, loads)
    if residual > tolerance or (code != CANNOT and loads[first_highest(loads, loads.size)] > 1.0 + 1e-4):
        code = FAILED
    return code, binding, residual


@law
def _least(m, grid, feed, F, top, s, work, loads, tolerance):
    """The state of least charge at a feed rate, and within all limits; return the residual, infinite if none is found.

    The mill is filled by the charge, up to one that is known to carry that much; top: its ln [kg].
    """
    for rough in (max(tolerance, ROUGH), tolerance):
        work.ages[:] = 0.0
        code, _, residual = search_capacity(m, grid, feed, F, top, s, work, loads, tolerance, rough)
        if code == OK:
            residual, _ = _stand(m, grid, feed, F, s, work, tolerance)
            if residual <= tolerance and _bears(m, s, grid.x, work, loads):
                return residual
    return np.inf


@law
def _below(m, grid, feed, F, s, work, loads, tolerance):
    """State at a feed rate up to the largest, that of the state s; return (code, limit nearest, residual) as `operate`.

    Of the least charge, or where filling does not find it, that which the loop finds from empty, or from s.
    """
    most, ages = work.states[RAISED], work.kept[OF_RAISED]
    copy_state(s, most)
    copy_ages(work.ages, ages)
    residual = _least(m, grid, feed, F, log(most.M), s, work, loads, tolerance)
    runs = residual <= tolerance
    if not runs:
        runs, residual, _ = _from_fresh(m, grid, feed, F, s, work, loads, tolerance)
    if not runs:
        copy_state(most, s)
        copy_ages(ages, work.ages)
        residual, _ = _stand(m, grid, feed, F, s, work, tolerance)
        runs = residual <= tolerance and _bears(m, s, grid.x, work, loads)
    if not runs and F > most.F * KNOWN_WELL:
        copy_state(most, s)
        copy_ages(ages, work.ages)
        residual, _ = settle(m, grid, feed, s, work, tolerance)
        fill_loads(m, s, grid.x, work, loads)
        runs = residual <= tolerance
    return (OK if runs else FAILED), first_highest(loads, GRINDING), residual


@kernel
def operate(mill, grid, feed, F_asked, state, work, loads, tolerance, task):
    """State of the mill at the feed rate asked for [kg/s], or at its capacity where it takes less (or inf).

    Returns (code, binding limit, residual): OK, OVER (a limit binds first), CANNOT (a limit binds with next to no
    feed), FAILED (not converged). So it is where it keeps WITHIN its limits; for the other tasks see `stand_at`,
    `settle_rate` and `turn_once`, which compiled for themselves would be the whole engine once more. mill, state: MILL
    and STATE (1,); compiled code takes an array in a twentieth of the time that it takes for a record.
    """
    m, s = mill[0], state[0]
    if task == ONE_TURN:
        evaluate(m, grid, feed, s, work, CLOSELY, -1.0)
        return OK, 0, 0.0
    if task != WITHIN:
        if task != FROM_HERE:
            work.ages[:] = 0.0
            start_state(m, F_asked, F_asked * FRESH, s)
        s.at_rate = PATIENTLY if task == FROM_HERE else AT_RATE
        residual, _ = settle(m, grid, feed, s, work, tolerance)
        if residual <= tolerance and s.M > OVERFULL * chamber_capacity(m):
            residual = np.inf
        if not residual <= tolerance and (task != TURNED or (residual < LOST and s.M < chamber_capacity(m))):
            residual = _fill_to_rate(m, grid, feed, F_asked, s, work, loads, tolerance)
        return OK, 0, residual
    if F_asked < np.inf:
        runs, residual, turns = _from_fresh(m, grid, feed, F_asked, s, work, loads, tolerance)
        if runs and turns > QUICK:
            runs = _fills(m, grid, feed, s, work, tolerance)
        if runs and turns > QUICK:
            top = log(s.M) + NEXT
            residual = _least(m, grid, feed, F_asked, top, s, work, loads, tolerance)
            runs = residual <= tolerance
        if runs and loads[GRINDING] <= 1.0:
            return OK, first_highest(loads, loads.size), residual
    code, binding, residual = _most(m, grid, feed, s, work, loads, tolerance)
    if code == OVER and s.F >= F_asked:
        code, binding, residual = _below(m, grid, feed, F_asked, s, work, loads, tolerance)
    return code, binding, residual


def turn_once(mill, grid, feed, state, work) -> None:
    """Fill work with charge, flows and powers of a state (1,) that is known."""
    operate(mill, grid, feed, 0.0, state, work, np.zeros(len(LIMITS)), 0.0, ONE_TURN)


def settle_rate(mill, grid, feed, state, work, tolerance) -> float:
    """Settle at the feed rate of a state (1,) from there; returns the residual: infinite where no charge carries it."""
    return operate(mill, grid, feed, float(state["F"][0]), state, work, np.zeros(len(LIMITS)), tolerance, FROM_HERE)[2]


def stand_at(mill, grid, feed, F, state, work, tolerance, fill) -> float:
    """State of the mill at a feed rate F [kg/s], whatever limits that exceeds; returns the residual.

    For a run that was measured: it did take that rate. A residual above the tolerance: there is no such state. Where
    the loop finds none the mill is filled from empty, which costs some twenty times as much: without `fill` only if the
    loop did not overfill the chamber, so that its verdict is hardly luck of rounding.
    """
    return operate(mill, grid, feed, F, state, work, np.zeros(len(LIMITS)), tolerance, FILLED if fill else TURNED)[2]
