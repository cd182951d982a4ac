"""Filling a mill until a limit binds: the largest of all feed rates that its limits bear.

Every mill starts cold and empty, and is filled in steps. The state at each is foreseen from the two before; steps far
from every limit are settled roughly. The charge at which a limit binds is then one more unknown of the loop. Where that
finds none, as where the state jumps, the steps are narrowed one by one.
"""

from math import log

import numpy as np

from ..base.numerics.jit import law
from ..record.limits import CANNOT, CHAMBER, GRINDING, OK, OVER, POWER
from .climb import FAR, JUMP, TOP, WIDE, climb, copy_ages, copy_state, foresee, try_holdup
from .loads import chamber_capacity, fill_loads, first_highest, highest_load
from .records import AT_LIMIT, BEFORE, BEST, BEYOND, GOOD, NEAR_BY, OF_ASIDE, OF_BEST, OF_EMPTY, OF_LIMIT, OF_LOW
from .settle import CLOSE, HOPELESS, Aim, find_state, settle, start_state

# ln of hold-up over a full chamber, at which the search looks first: nearly empty, then in growing steps.
SCAN = np.array([-16.0, -10.0, -8.0, -6.5, -5.5, -4.7, -4.0, -3.4, -2.8, -2.3, -1.8, -1.4, -1.0, -0.6, -0.3, 0.01])
ROUGH, NEAR = 1e-3, 1e-2  # tolerance while the search is far from a limit, and how near (in ln of the load) it is not
LITTLE = 0.02  # of every load, above that of an empty mill: up to there all goes in proportion to the charge
ASIDE, NEXT = 0.02, 0.002  # less ln charge than at a limit: what is looked at to see whether less carries more
FLAT = 0.3  # d ln rate / d ln charge, below which that is looked at closely
PARTS = 4  # into which the last step before a limit is divided, where the rate hardly rises in it
MOST_OF = 0.8  # of a feed rate asked for: where the steps carry less, nothing between them carries all of it
ALL = 1.0 - 1e-5  # of a feed rate asked for: what carries that much carries it


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
    if not try_holdup(m, grid, feed, full + SCAN[0], F_asked, good, good, s, work, loads, rough) < -NEAR:
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
        h = try_holdup(m, grid, feed, full + SCAN[step], F_asked, before, before, s, work, loads, rough)
        if h < -NEAR and _most_risen(work.loads, loads) < LITTLE and s.F < LITTLE * F_asked:
            copy_state(s, good)
            return step + 1
    copy_ages(ages, work.ages)
    copy_state(before, good)
    return 0


@law
def _scan(m, grid, feed, F_asked, top, s, work, loads, tolerance, rough, before, good, best, ages):
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
        trial = min(full + SCAN[step], top)
        h = try_holdup(m, grid, feed, trial, F_asked, before, good, s, work, loads, rough)
        if abs(h) < NEAR or h == np.inf or abs(s.F - best.F) < NEAR * s.F:  # too close to call on a rough state
            copy_state(s if h < 0.0 else good, near)
            h = try_holdup(m, grid, feed, trial, F_asked, near, near, s, work, loads, tolerance)
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
        if trial == top:
            high = low if h < 0.0 else high
            break
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
    h = try_holdup(m, grid, feed, ln_M - ASIDE, F_asked, before, good, s, work, loads, rough)
    if not -4.0 * rise * ASIDE - rough < h < 0.0:
        return False
    if h < -1.5 * rise * ASIDE - rough:
        copy_state(s, before)
        ages_aside = work.kept[OF_ASIDE]
        copy_ages(work.ages, ages_aside)
        h = try_holdup(m, grid, feed, ln_M, F_asked, before, before, s, work, loads, rough)
        copy_ages(ages_aside, work.ages)
        if abs(h) > NEAR:
            return False
        copy_state(before, s)
    if s.F > limit.F * (1.0 - FLAT * ASIDE):  # the rate hardly rises with the charge, and may fall just here
        for less, origin in ((ASIDE, good), (NEXT, limit)):
            h = try_holdup(m, grid, feed, ln_M - less, F_asked, origin, origin, s, work, loads, tolerance)
            if h < 0.0 and s.F > limit.F:
                _keep_best(s, work, best, ages)
    return True


@law
def _hill_between(m, grid, feed, limit, F_asked, before, good, best, ages, s, work, loads, tolerance, rough):
    """Climb a hill of the rate between the last step of the scan, good, and a limit; best: its top, if higher."""
    low, width = log(good.M), log(limit.M / good.M) / PARTS
    hill, F_low, F_middle = work.states[NEAR_BY], 0.0, good.F
    for part in range(1, PARTS + 1):
        if part < PARTS:
            h = try_holdup(m, grid, feed, low + part * width, F_asked, before, good, s, work, loads, rough)
            F_high = s.F if h < 0.0 else 0.0
        else:
            F_high = limit.F
        if part > 1 and F_middle > max(F_low, F_high):
            climb(m, grid, feed, F_asked, width, hill, s, work, loads, tolerance)
            if hill.F > limit.F:
                _keep_best(hill, work, best, ages)
            return
        F_low, F_middle = F_middle, F_high
        copy_state(s, hill)


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
    ln_F, ln_M = log(limit.F / good.F), log(limit.M / good.M)
    if ln_F < FLAT * ln_M:
        _hill_between(m, grid, feed, limit, F_asked, before, good, best, ages, s, work, loads, tolerance, rough)
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
        h = try_holdup(m, grid, feed, middle, F_asked, good, good, s, work, loads, tolerance)
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
    if try_holdup(m, grid, feed, low - ASIDE, F_asked, good, good, s, work, loads, tolerance) < 0.0:
        _keep_best(s, work, best, ages)
    return binding


@law
def search_capacity(m, grid, feed, F_asked, top, s, work, loads, tolerance, rough):
    """Fill the mill step by step until a limit binds or the feed rate asked for (may be inf) is reached.

    Returns (code, binding limit, residual); s, work and loads then hold the state found, which exceeds no limit.
    Hold-up, unlike feed rate, always has an answer. Every trial comes from the last states within limits, as a mill
    that is fed a little more does; where the next state jumps (hotter, stickier, blinder) the search ends before the
    jump and names the limit the jump goes through. Feed rate need not rise with hold-up all the way: the largest on the
    way counts, of all maxima, so that it is continuous in the mill. A mill whose largest rate costs too much a kilogram
    hardly grinds, and stands at that rate. top: ln of the charge [kg] at which the steps end; rough: tolerance of those
    far from any limit.
    """
    least = log(chamber_capacity(m)) + SCAN[0]
    before, good, best, ages = work.states[BEFORE], work.states[GOOD], work.states[BEST], work.kept[OF_BEST]
    copy_ages(work.ages, ages)
    start_state(m, np.exp(least), np.exp(least), good)
    good.at_rate = best.F = 0.0
    copy_state(good, before)
    scan = _scan(m, grid, feed, F_asked, top, s, work, loads, tolerance, rough, before, good, best, ages)
    found, binding, dear = scan[0], scan[5], scan[6]
    if not found:  # stand at the nearly empty mill and say what is over its limit there
        start_state(m, np.exp(least), np.exp(least), good)
        try_holdup(m, grid, feed, least, F_asked, good, good, s, work, loads, tolerance)
        return CANNOT, binding, np.inf
    if max(best.F, s.F) < MOST_OF * F_asked < np.inf:
        return OVER, binding, np.inf
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
            climb(m, grid, feed, F_asked, WIDE, best, s, work, loads, tolerance)
            binding = CHAMBER  # more charge carries less: beyond this rate the chamber fills up
        elif good.F > best.F:
            copy_state(good, best)
    copy_state(best, s)
    residual, _ = settle(m, grid, feed, s, work, tolerance)
    fill_loads(m, s, grid.x, work, loads)
    if loads[GRINDING] > 1.0:
        return CANNOT, GRINDING, residual
    return (OK if s.F >= F_asked * ALL else OVER), binding, residual
