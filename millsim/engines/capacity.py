"""How much a mill takes: the limits, the loads on them, and the feed rate at which the first one binds."""

from math import log, pi

import numpy as np

from ..base.numerics.jit import kernel, law
from ..laws import drive
from ..mill.chamber import FINISHED, MILL, NIP, PAIR, SHEAR, STATE
from ..record.limits import (
    CANNOT,
    CHAMBER,
    FAILED,
    GRINDING,
    JAM,
    LEAST_OPEN,
    LIMITS,
    OK,
    OPENING,
    OVER,
    POWER,
    SIEVE,
    TEMPERATURE,
)
from .settle import HOPELESS, TOO_HOT, grinding_load, heat_load, settle, start_state

# ln of hold-up over a full chamber, at which the search looks first: nearly empty, then in growing steps.
SCAN = np.array([-16.0, -10.0, -8.0, -6.5, -5.5, -4.7, -4.0, -3.4, -2.8, -2.3, -1.8, -1.4, -1.0, -0.6, -0.3, 0.01])
ROUGH, NEAR = 1e-4, 1e-2  # tolerance while the search is far from a limit, and how near (in ln of the load) it is not
JUMP, FAR = 1e-5, 1.0  # in ln of the charge, how near to a jump; in ln of the load, what is one
CLOSE = 1e-7  # of the limit, on its safe side, where the search ends
ASIDE = 0.02  # less ln charge than at a limit: what is looked at to see whether less carries more
WIDE, TOP = 0.4, 2e-6  # ln charge to each side of where the largest rate is sought, and how flat it is there


@law
def chamber_capacity(m):
    """Charge [kg] at which the chamber counts as full: a share of the annulus at loose bulk density."""
    return m.chamber_fill * m.density * m.bulk_fraction * m.chamber_volume


@law
def bite_statistics(m, s, x, work):
    """Mean [J] and variance [J2] of the energy that nip shear takes from the rotor in one bar pass."""
    table, mass, screen = work.table, work.mass, work.screen
    passes = m.turn_bars * s.omega / (2.0 * pi)
    mean = variance = 0.0
    for i in range(x.size):
        bite = table[i, NIP] * screen[i] + table[i, PAIR] * work.bridge[i]
        if bite > 0.0:
            piece = m.density * pi / 6.0 * x[i] ** 3
            bites = mass[i] / piece * bite * table[i, FINISHED] / passes
            energy = table[i, SHEAR] * piece
            mean += bites * energy
            variance += bites * energy * energy
    return mean, variance


@law
def jam_index(m, s, x, work):
    """The larger of the energy index of rigid bars and shaft power over what the motor gives for a moment."""
    power = work.powers[0].shaft / (m.overload * m.rated_power)
    if m.swinging > 0.0:  # hammers fold back: a bite never takes more than a hammer's own energy
        return power
    mean, variance = bite_statistics(m, s, x, work)
    KE = drive.kinetic_energy(m.inertia, s.omega)
    return max(power, drive.jam_energy_index(mean, variance, KE, m.jam_share))


@law
def fill_loads(m, s, x, work, loads):
    """Fill (7,) loads as shares of the limits, in the order of LIMITS; 1 binds."""
    p = work.powers[0]
    loads[POWER] = p.shaft / m.rated_power
    hottest = max(s.T, p.warmed * s.T + p.offset)  # chamber, or the powder that leaves
    loads[TEMPERATURE] = (hottest - m.T_room) / (m.T_limit - m.T_room) if m.T_limit > m.T_room else np.inf
    loads[SIEVE] = (1.0 - s.unblinded) / (1.0 - LEAST_OPEN)
    loads[CHAMBER] = s.M / chamber_capacity(m)
    loads[JAM] = jam_index(m, s, x, work)
    most = drive.opening_flow(m.density * m.bulk_fraction, m.feed_opening, m.feed_size)
    loads[OPENING] = s.F / most if most > 0.0 else np.inf
    loads[GRINDING] = grinding_load(m, s, work)
    if m.isothermal > 0.0:  # the first seconds: too soon for a motor or a sieve to get hot or blind
        loads[POWER] = loads[TEMPERATURE] = loads[SIEVE] = 0.0


@law
def copy_state(source, target):
    """Copy a STATE record."""
    target.F, target.M, target.T, target.unblinded = source.F, source.M, source.T, source.unblinded
    target.omega, target.v, target.Q, target.residence = source.omega, source.v, source.Q, source.residence
    target.at_rate, target.lumped = source.at_rate, source.lumped


@law
def _try_holdup(m, grid, feed, ln_M, F_asked, origin, s, work, loads, tolerance):
    """Settle at a hold-up, coming from the state `origin`; return ln of the highest load (inf: not settled).

    The feed rate asked for counts as a limit of its own; what a kilogram costs does not: it is judged where the search
    ends. Where hardly a hit breaks anything the state may not settle, and loads[GRINDING] tells; too hot is over the
    limit whichever way it swings. What is over a limit leaves the ages as they were: they belong to what follows.
    """
    copy_state(origin, s)
    s.M = np.exp(ln_M)
    ages = work.ages.copy()
    residual, _ = settle(m, grid, feed, s, work, tolerance)
    if residual > tolerance:
        loads[:] = 0.0
        loads[GRINDING], loads[TEMPERATURE] = grinding_load(m, s, work), heat_load(m, s)
        h = max(FAR, log(loads[TEMPERATURE])) if loads[TEMPERATURE] > TOO_HOT else np.inf
    else:
        fill_loads(m, s, grid.x, work, loads)
        h = log(max(1e-12, max(loads[:GRINDING].max(), s.F / F_asked)))
    if h >= 0.0:
        work.ages[:] = ages
    return h


@law
def _keep_best(s, work, best, ages):
    """Copy state and ages to best (1,) STATE and ages (n,) if none carried more; return whether."""
    if s.F <= best[0].F:
        return False
    copy_state(s, best[0])
    ages[:] = work.ages
    return True


@law
def _scan(m, grid, feed, F_asked, s, work, loads, tolerance, rough, good, best, ages):
    """Fill the mill in growing steps until a limit binds.

    Returns (found, ln charge within limits, its ln load, ln charge beyond, its ln load, binding limit, load on grinding
    at the largest rate); good, best (1,) STATE: the last state within limits, and that of the largest feed rate, of
    which ages (n,) are. The scan goes on where the rate falls or a kilogram costs too much: a deeper charge may grind
    itself, piece on piece.
    """
    full, found, hopeless, dear = log(chamber_capacity(m)), False, False, 0.0
    low, h_low, high, h_high, binding = full, 0.0, full, np.inf, POWER
    for step in range(SCAN.size):
        trial = full + SCAN[step]
        h = _try_holdup(m, grid, feed, trial, F_asked, good[0], s, work, loads, rough)
        if abs(h) < NEAR:  # too close to call on a rough state
            h = _try_holdup(m, grid, feed, trial, F_asked, good[0], s, work, loads, tolerance)
        if h == np.inf and loads[GRINDING] > HOPELESS:
            hopeless = True
            continue
        if h < np.inf:
            binding = int(np.argmax(loads[:GRINDING]))
        if h < 0.0:
            found, low, h_low = True, trial, h
            copy_state(s, good[0])
            if _keep_best(s, work, best, ages):
                dear = loads[GRINDING]
        elif found:
            high, h_high = trial, h
            break
        elif loads[POWER] > 1.0:  # a deeper charge takes more power
            break
        elif h < np.inf and loads[GRINDING] < HOPELESS:
            copy_state(s, good[0])  # outside its limits at first: cold feed may still bring it within
    if hopeless and not found:
        binding = GRINDING
    return found, low, h_low, high, h_high, binding, dear


@law
def _approach(m, grid, feed, F_asked, scan, good, best, ages, s, work, loads, tolerance):
    """Narrow what `_scan` found down to where a limit binds; return which.

    Leaves in good (1,) the state there; in best (1,) too, unless some smaller charge on the way, or a little smaller
    than that, carries more.
    """
    _, low, h_low, high, h_high, binding, _ = scan
    x_old, h_old, x_new, h_new = low, h_low, high, h_high
    for turn in range(60):
        if high - low < (1e-10 if h_high < FAR else JUMP) or abs(h_low) < CLOSE:
            break
        middle = 0.5 * (low + high)
        if h_new < FAR and h_old < FAR and h_new != h_old and turn % 4 < 3:  # secant, aimed just below the limit
            aimed = x_new - (h_new + 0.5 * CLOSE) * (x_new - x_old) / (h_new - h_old)
            if low < aimed < high:
                middle = aimed
        h = _try_holdup(m, grid, feed, middle, F_asked, good[0], s, work, loads, tolerance)
        x_old, h_old, x_new, h_new = x_new, h_new, middle, h
        if h < 0.0:
            low, h_low = middle, h
            copy_state(s, good[0])
            _keep_best(s, work, best, ages)
        else:
            high, h_high = middle, h
            if h < np.inf:
                binding = int(np.argmax(loads[:GRINDING]))
    if _try_holdup(m, grid, feed, low - ASIDE, F_asked, good[0], s, work, loads, tolerance) < 0.0:
        _keep_best(s, work, best, ages)
    work.ages[:] = ages
    return binding


@law
def search_capacity(m, grid, feed, F_asked, s, work, loads, tolerance, rough):
    """Fill the mill step by step until a limit binds or the feed rate asked for (may be inf) is reached.

    Returns (code, binding limit); s, work and loads then hold the state found, which exceeds no limit. Hold-up, unlike
    feed rate, always has an answer. Every trial comes from the last state within limits, as a mill that is fed a little
    more does; where the next state jumps (hotter, stickier, blinder) the search ends before the jump and names the
    limit the jump goes through. Feed rate need not rise with hold-up all the way: the largest on the way counts, of all
    maxima, so that it is continuous in the mill. rough: tolerance of steps far from any limit. A mill whose largest
    rate costs too much a kilogram hardly grinds, and stands at that rate.
    """
    least = log(chamber_capacity(m)) + SCAN[0]
    good, best, ages = np.zeros(1, STATE), np.zeros(1, STATE), work.ages.copy()
    start_state(m, np.exp(least), np.exp(least), good[0])
    scan = _scan(m, grid, feed, F_asked, s, work, loads, tolerance, rough, good, best, ages)
    found, binding, dear = scan[0], scan[5], scan[6]
    if not found:  # stand at the nearly empty mill and say what is over its limit there
        start_state(m, np.exp(least), np.exp(least), good[0])
        _try_holdup(m, grid, feed, least, F_asked, good[0], s, work, loads, tolerance)
        return CANNOT, binding
    if dear < HOPELESS:
        binding = _approach(m, grid, feed, F_asked, scan, good, best, ages, s, work, loads, tolerance)
        if best[0].F > good[0].F * (1.0 + TOP):
            _climb(m, grid, feed, F_asked, best[0], s, work, loads, tolerance)
            binding = CHAMBER  # more charge carries less: beyond this rate the chamber fills up
    _try_holdup(m, grid, feed, log(best[0].M), F_asked, best[0], s, work, loads, tolerance)
    if loads[GRINDING] > 1.0:
        return CANNOT, GRINDING
    return (OK if s.F >= F_asked * (1.0 - 1e-5) else OVER), binding


@law
def _rate_at(m, grid, feed, ln_M, F_asked, best, s, work, loads, tolerance):
    """Feed rate that a hold-up carries, 0 beyond a limit; `best` (and ages) become the state if none carried more."""
    ages = work.ages.copy()
    h = _try_holdup(m, grid, feed, ln_M, F_asked, best, s, work, loads, tolerance)
    if h >= 0.0:
        return 0.0
    if s.F > best.F:
        copy_state(s, best)
    else:
        work.ages[:] = ages
    return s.F


@law
def _climb(m, grid, feed, F_asked, best, s, work, loads, tolerance):
    """Search ln M near the state `best` for the largest feed rate, and leave its state there.

    Three charges are kept, the middle one carries most; until all three carry the same within TOP.
    """
    x, F = log(best.M), best.F
    low, high = x - WIDE, x + WIDE
    F_low = _rate_at(m, grid, feed, low, F_asked, best, s, work, loads, tolerance)
    F_high = _rate_at(m, grid, feed, high, F_asked, best, s, work, loads, tolerance)
    for turn in range(40):
        if F_low > F:
            high, F_high, x, F, low = x, F, low, F_low, low - WIDE
            F_low = _rate_at(m, grid, feed, low, F_asked, best, s, work, loads, tolerance)
        elif F_high > F:
            low, F_low, x, F, high = x, F, high, F_high, high + WIDE
            F_high = _rate_at(m, grid, feed, high, F_asked, best, s, work, loads, tolerance)
        elif F - min(F_low, F_high) < TOP * F or high - low < JUMP:
            break
        else:
            trial = _next_trial(low, F_low, x, F, high, F_high, turn % 3 == 2)
            F_trial = _rate_at(m, grid, feed, trial, F_asked, best, s, work, loads, tolerance)
            if F_trial > F:
                low, F_low, high, F_high = (x, F, high, F_high) if trial > x else (low, F_low, x, F)
                x, F = trial, F_trial
            elif trial > x:
                high, F_high = trial, F_trial
            else:
                low, F_low = trial, F_trial


@law
def _next_trial(low, F_low, x, F, high, F_high, plain):
    """Where a parabola through three points, the middle one highest, is highest, but not at the middle one itself.

    plain, or where an end is beyond a limit: the golden section of the wider side.
    """
    wider = high - x if high - x > x - low else low - x
    rise, fall = (F - F_low) / (x - low), (F - F_high) / (high - x)
    if plain or min(F_low, F_high) <= 0.0 or rise + fall <= 0.0:
        return x + 0.382 * wider
    top = 0.5 * (low + x + (high - low) * rise / (rise + fall))
    return top if abs(top - x) > 0.02 * (high - low) else x + 0.02 * wider


@law
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


@law
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
    code, _ = search_capacity(free[0], grid, feed, F, s, work, loads, tolerance, tolerance)
    free[0].T_limit = m.T_limit  # as in `_settle_hot`: keeps the record until here
    return _stand(m, grid, feed, F, s, work, tolerance) if code == OK else (np.inf, turns)


@law
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
            code, binding = search_capacity(m, grid, feed, F_asked, s, work, loads, tolerance, rough)
            if code == CANNOT and binding == GRINDING:
                return code, binding, 0.0
            if code == OK:
                residual, _ = _stand(m, grid, feed, F_asked, s, work, tolerance)
            elif code == CANNOT:
                residual, _ = _settle_hot(m, grid, feed, s, work, tolerance)
            else:
                residual, _ = settle(m, grid, feed, s, work, tolerance)
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
