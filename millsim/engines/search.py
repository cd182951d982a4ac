"""Filling a mill until a limit binds: the largest of all feed rates that its limits bear.

Every mill starts cold and empty, and is filled in steps. The state at each is foreseen from the two before; steps far
from every limit are settled roughly. The charge at which a limit binds is then one more unknown of the loop. Where that
finds none, as where the state jumps, the steps are narrowed one by one.
"""

from math import log

import numpy as np

from ..base.numerics.jit import law
from ..record.limits import CANNOT, CHAMBER, GRINDING, OK, OVER, POWER, TEMPERATURE
from .loads import chamber_capacity, fill_loads, first_highest, grinding_load, heat_load, highest_load
from .records import (
    AT_LIMIT,
    BEFORE,
    BEST,
    BEYOND,
    GOOD,
    NEAR_BY,
    OF_ASIDE,
    OF_BEST,
    OF_EMPTY,
    OF_LIMIT,
    OF_LOW,
    OF_RATE,
    OF_TRIAL,
)
from .settle import CLOSE, HOPELESS, TOO_HOT, Aim, find_state, settle, start_state

# ln of hold-up over a full chamber, at which the search looks first: nearly empty, then in growing steps.
SCAN = np.array([-16.0, -10.0, -8.0, -6.5, -5.5, -4.7, -4.0, -3.4, -2.8, -2.3, -1.8, -1.4, -1.0, -0.6, -0.3, 0.01])
ROUGH, NEAR = 1e-3, 1e-2  # tolerance while the search is far from a limit, and how near (in ln of the load) it is not
LITTLE = 0.02  # of every load, above that of an empty mill: up to there all goes in proportion to the charge
JUMP, FAR = 1e-5, 1.0  # in ln of the charge, how near to a jump; in ln of the load, what is one
ASIDE, NEXT = 0.02, 0.002  # less ln charge than at a limit: what is looked at to see whether less carries more
FLAT = 0.3  # d ln rate / d ln charge, below which that is looked at closely
ALL = 1.0 - 1e-5  # of a feed rate asked for: what carries that much carries it
WIDE, TOP = 0.4, 2e-6  # ln charge to each side of where the largest rate is sought, and how flat it is there


@law
def copy_state(source, target):
    """Copy a STATE record."""
    target.F, target.M, target.T, target.unblinded = source.F, source.M, source.T, source.unblinded
    target.omega, target.v, target.Q, target.residence = source.omega, source.v, source.Q, source.residence
    target.at_rate, target.lumped = source.at_rate, source.lumped


@law
def copy_ages(source, target):
    """Copy ages by class, or loads; numba would check shapes, and compile the words of an error that never comes."""
    for i in range(target.size):
        target[i] = source[i]


@law
def foresee(before, origin, M, s):
    """Put the state at a charge M [kg] in s, as far as a straight line in the charge through two states tells."""
    copy_state(origin, s)
    s.M, s.F = M, origin.F * M / origin.M
    if origin.M == before.M:
        return
    ahead = (M - origin.M) / (origin.M - before.M)
    s.T += ahead * (origin.T - before.T)
    s.unblinded = min(1.0, max(0.5 * s.unblinded, s.unblinded + ahead * (origin.unblinded - before.unblinded)))
    s.omega = max(0.5 * s.omega, s.omega + ahead * (origin.omega - before.omega))
    s.v = max(0.5 * s.v, s.v + ahead * (origin.v - before.v))


@law
def _try_holdup(m, grid, feed, ln_M, F_asked, before, origin, s, work, loads, tolerance):
    """Settle at a hold-up, foreseen from two states; return ln of the highest load (inf: not settled).

    The feed rate asked for counts as a limit of its own; what a kilogram costs does not: it is judged where the search
    ends. Where hardly a hit breaks anything the state may not settle, and loads[GRINDING] tells; too hot is over the
    limit whichever way it swings. What is over a limit leaves the ages as they were: they belong to what follows.
    """
    foresee(before, origin, np.exp(ln_M), s)
    ages = work.kept[OF_TRIAL]
    copy_ages(work.ages, ages)
    residual, _ = settle(m, grid, feed, s, work, tolerance)
    if residual > tolerance:
        loads[:] = 0.0
        loads[GRINDING], loads[TEMPERATURE] = grinding_load(m, s, work), heat_load(m, s)
        h = max(FAR, log(loads[TEMPERATURE])) if loads[TEMPERATURE] > TOO_HOT else np.inf
    else:
        fill_loads(m, s, grid.x, work, loads)
        h = highest_load(loads, s.F / F_asked)
    if h >= 0.0:
        copy_ages(ages, work.ages)
    return h


@law
def _most_risen(before, loads):
    """The most that one of the loads has risen, but for what a kilogram costs."""
    most = loads[0] - before[0]
    for i in range(1, GRINDING):
        most = max(most, loads[i] - before[i])
    return most


@law
def _keep_best(s, work, best, ages):
    """Copy state and ages to best and ages (n,) if none carried more; return whether."""
    if s.F <= best.F:
        return False
    copy_state(s, best)
    copy_ages(work.ages, ages)
    return True


@law
def _first_steps(m, grid, feed, F_asked, before, good, s, work, loads, tolerance, rough):
    """Settle the nearly empty mill, and a fuller one at once where that changes little; return the next step of SCAN.

    Leaves the two states in before and good. Where every load of the fuller mill is within LITTLE of that of the empty
    one, all goes in proportion to the charge and nothing lies between; elsewhere the next step is 0, and all is tried.
    """
    full = log(chamber_capacity(m))
    if not _try_holdup(m, grid, feed, full + SCAN[0], F_asked, good, good, s, work, loads, rough) < -NEAR:
        return 0
    ages, p = work.kept[OF_EMPTY], work.powers[0]
    copy_ages(loads, work.loads)
    copy_ages(work.ages, ages)
    grinding = (p.striking + p.nip + p.layer_drive) / m.rated_power
    step = 0
    while SCAN[step + 1] - SCAN[0] < log(LITTLE / grinding) and SCAN[step + 1] < -5.0:
        step += 1
    copy_state(s, before)
    if step > 1:
        h = _try_holdup(m, grid, feed, full + SCAN[step], F_asked, before, before, s, work, loads, rough)
        if h < -NEAR and _most_risen(work.loads, loads) < LITTLE and s.F < LITTLE * F_asked:
            copy_state(s, good)
            return step + 1
    copy_ages(ages, work.ages)
    copy_state(before, good)
    return 0


@law
def _scan(m, grid, feed, F_asked, s, work, loads, tolerance, rough, before, good, best, ages):
    """Fill the mill in growing steps until a limit binds.

    Returns (found, ln charge within limits, its ln load, ln charge beyond, its ln load, binding limit, load on grinding
    at the largest rate); good, best: the last state within limits, and that of the largest feed rate, of
    which ages (n,) are; before: the one before good; s: the first beyond, if any. The scan goes on where the rate falls
    or a kilogram costs too much: a deeper charge may grind itself, piece on piece.
    """
    full, found, hopeless, dear = log(chamber_capacity(m)), False, False, 0.0
    low, h_low, high, h_high, binding = full, 0.0, full, np.inf, POWER
    near = work.states[NEAR_BY]
    first = _first_steps(m, grid, feed, F_asked, before, good, s, work, loads, tolerance, rough)
    if first > 0:
        found, low, h_low, dear = True, full + SCAN[first - 1], highest_load(loads, s.F / F_asked), loads[GRINDING]
        _keep_best(s, work, best, ages)
    for step in range(first, SCAN.size):
        trial = full + SCAN[step]
        h = _try_holdup(m, grid, feed, trial, F_asked, before, good, s, work, loads, rough)
        if abs(h) < NEAR or h == np.inf or abs(s.F - best.F) < NEAR * s.F:  # too close to call on a rough state
            copy_state(s if h < 0.0 else good, near)
            h = _try_holdup(m, grid, feed, trial, F_asked, near, near, s, work, loads, tolerance)
        if h == np.inf and loads[GRINDING] > HOPELESS:
            hopeless = True
            continue
        if h < np.inf:
            binding = first_highest(loads, GRINDING)
        if h < 0.0:
            copy_state(good if found else s, before)
            found, low, h_low = True, trial, h
            copy_state(s, good)
            if _keep_best(s, work, best, ages):
                dear = loads[GRINDING]
        elif found:
            high, h_high = trial, h
            break
        elif loads[POWER] > 1.0:  # a deeper charge takes more power
            break
        elif h < np.inf and loads[GRINDING] < HOPELESS:
            copy_state(s, good)  # outside its limits at first: cold feed may still bring it within
            copy_state(s, before)
    if hopeless and not found:
        binding = GRINDING
    return found, low, h_low, high, h_high, binding, dear


@law
def _filled_to(m, grid, feed, limit, rise, F_asked, before, good, best, ages, s, work, loads, tolerance, rough):
    """Whether filling leads to the state `limit` at a limit; rise: d ln load / d ln charge between the last two steps.

    Looks at a little less charge, as filling finds it: its load must be a little less too, or the state at the limit is
    another one. Where it is rather much less, filling goes on to the limit. If less carries more, best has that.
    """
    ln_M = log(limit.M)
    h = _try_holdup(m, grid, feed, ln_M - ASIDE, F_asked, before, good, s, work, loads, rough)
    if not -4.0 * rise * ASIDE - rough < h < 0.0:
        return False
    if h < -1.5 * rise * ASIDE - rough:
        copy_state(s, before)
        ages_aside = work.kept[OF_ASIDE]
        copy_ages(work.ages, ages_aside)
        h = _try_holdup(m, grid, feed, ln_M, F_asked, before, before, s, work, loads, rough)
        copy_ages(ages_aside, work.ages)
        if abs(h) > NEAR:
            return False
        copy_state(before, s)
    if s.F > limit.F * (1.0 - FLAT * ASIDE):  # the rate hardly rises with the charge, and may fall just here
        for less, origin in ((ASIDE, good), (NEXT, limit)):
            h = _try_holdup(m, grid, feed, ln_M - less, F_asked, origin, origin, s, work, loads, tolerance)
            if h < 0.0 and s.F > limit.F:
                _keep_best(s, work, best, ages)
    return True


@law
def _at_limit(m, grid, feed, F_asked, scan, before, good, best, ages, s, work, loads, tolerance, rough):
    """Find the charge at which a limit binds between two steps of the scan; return that limit, -1 if it is not found.

    Leaves the state in good and, unless less charge carries more, in best.
    """
    _, low, h_low, high, h_high, _, _ = scan
    if h_high >= FAR or h_high <= h_low:
        return -1
    beyond, limit = work.states[BEYOND], work.states[AT_LIMIT]
    ages_low, ages_limit = work.kept[OF_LOW], work.kept[OF_LIMIT]
    copy_ages(work.ages, ages_low)
    copy_state(s, beyond)
    rise = (h_high - h_low) / (high - low)
    foresee(good, beyond, np.exp(low - h_low / rise), s)
    s.at_rate = -1.0
    residual, _ = find_state(m, grid, feed, s, work, tolerance, Aim(rise, low, high, F_asked), loads)
    s.at_rate = 0.0
    binding = first_highest(loads, GRINDING)
    copy_ages(work.ages, ages_limit)
    copy_state(s, limit)
    copy_ages(ages_low, work.ages)
    if residual > tolerance or log(limit.M) <= low + JUMP:
        return -1
    if not _filled_to(m, grid, feed, limit, rise, F_asked, before, good, best, ages, s, work, loads, tolerance, rough):
        return -1
    copy_state(limit, good)
    copy_ages(ages_limit, work.ages)
    _keep_best(limit, work, best, ages)
    return binding


@law
def _approach(m, grid, feed, F_asked, scan, good, best, ages, s, work, loads, tolerance):
    """Narrow what `_scan` found down to where a limit binds; return which.

    Leaves in good the state there; in best too, unless some smaller charge on the way, or a little smaller
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
        h = _try_holdup(m, grid, feed, middle, F_asked, good, good, s, work, loads, tolerance)
        x_old, h_old, x_new, h_new = x_new, h_new, middle, h
        if h < 0.0:
            low, h_low = middle, h
            copy_state(s, good)
            _keep_best(s, work, best, ages)
            if h > -CLOSE:  # at a limit, which need not be the one that is over it farther on
                binding = first_highest(loads, GRINDING)
        else:
            high, h_high = middle, h
            if h < np.inf:
                binding = first_highest(loads, GRINDING)
    if _try_holdup(m, grid, feed, low - ASIDE, F_asked, good, good, s, work, loads, tolerance) < 0.0:
        _keep_best(s, work, best, ages)
    return binding


@law
def search_capacity(m, grid, feed, F_asked, s, work, loads, tolerance, rough):
    """Fill the mill step by step until a limit binds or the feed rate asked for (may be inf) is reached.

    Returns (code, binding limit, residual); s, work and loads then hold the state found, which exceeds no limit.
    Hold-up, unlike feed rate, always has an answer. Every trial comes from the last states within limits, as a mill
    that is fed a little more does; where the next state jumps (hotter, stickier, blinder) the search ends before the
    jump and names the limit the jump goes through. Feed rate need not rise with hold-up all the way: the largest on the
    way counts, of all maxima, so that it is continuous in the mill. rough: tolerance of steps far from any limit. A
    mill whose largest rate costs too much a kilogram hardly grinds, and stands at that rate.
    """
    least = log(chamber_capacity(m)) + SCAN[0]
    before, good, best, ages = work.states[BEFORE], work.states[GOOD], work.states[BEST], work.kept[OF_BEST]
    copy_ages(work.ages, ages)
    start_state(m, np.exp(least), np.exp(least), good)
    good.at_rate = best.F = 0.0
    copy_state(good, before)
    scan = _scan(m, grid, feed, F_asked, s, work, loads, tolerance, rough, before, good, best, ages)
    found, binding, dear = scan[0], scan[5], scan[6]
    if not found:  # stand at the nearly empty mill and say what is over its limit there
        start_state(m, np.exp(least), np.exp(least), good)
        _try_holdup(m, grid, feed, least, F_asked, good, good, s, work, loads, tolerance)
        return CANNOT, binding, np.inf
    if dear < HOPELESS:
        if scan[4] >= FAR or best.F < (1.0 + NEAR) * max(good.F, s.F):  # else the limit carries much less
            limit = _at_limit(m, grid, feed, F_asked, scan, before, good, best, ages, s, work, loads, tolerance, rough)
            if limit < 0:
                limit = _approach(m, grid, feed, F_asked, scan, good, best, ages, s, work, loads, tolerance)
            binding = limit
        copy_ages(ages, work.ages)
        if best.F > good.F * (1.0 + TOP):
            copy_state(best, s)  # which may be rough
            residual, _ = settle(m, grid, feed, s, work, tolerance)
            copy_state(s if residual <= tolerance else good, best)
        if best.F > good.F * (1.0 + TOP):
            _climb(m, grid, feed, F_asked, best, s, work, loads, tolerance)
            binding = CHAMBER  # more charge carries less: beyond this rate the chamber fills up
        elif good.F > best.F:
            copy_state(good, best)
    copy_state(best, s)
    residual, _ = settle(m, grid, feed, s, work, tolerance)
    fill_loads(m, s, grid.x, work, loads)
    if loads[GRINDING] > 1.0:
        return CANNOT, GRINDING, residual
    return (OK if s.F >= F_asked * ALL else OVER), binding, residual


@law
def _rate_at(m, grid, feed, ln_M, F_asked, best, s, work, loads, tolerance):
    """Feed rate that a hold-up carries, 0 beyond a limit; `best` (and ages) become the state if none carried more."""
    ages = work.kept[OF_RATE]
    copy_ages(work.ages, ages)
    h = _try_holdup(m, grid, feed, ln_M, F_asked, best, best, s, work, loads, tolerance)
    if h >= 0.0:
        return 0.0
    if s.F > best.F:
        copy_state(s, best)
    else:
        copy_ages(ages, work.ages)
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
