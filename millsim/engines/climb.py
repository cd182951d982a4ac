"""One charge more or less: the state that the mill then comes to, and the charge near one that carries most."""

from math import log

import numpy as np

from ..base.numerics.jit import law
from ..record.limits import GRINDING, TEMPERATURE
from .loads import fill_loads, grinding_load, heat_load, highest_load
from .records import OF_RATE, OF_TRIAL
from .settle import TOO_HOT, settle

JUMP, FAR = 1e-5, 1.0  # in ln of the charge, how near to a jump; in ln of the load, what is one
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
def try_holdup(m, grid, feed, ln_M, F_asked, before, origin, s, work, loads, tolerance):
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
def _rate_at(m, grid, feed, ln_M, F_asked, best, s, work, loads, tolerance):
    """Feed rate that a hold-up carries, 0 beyond a limit; `best` (and ages) become the state if none carried more."""
    ages = work.kept[OF_RATE]
    copy_ages(work.ages, ages)
    h = try_holdup(m, grid, feed, ln_M, F_asked, best, best, s, work, loads, tolerance)
    if h >= 0.0:
        return 0.0
    if s.F > best.F:
        copy_state(s, best)
    else:
        copy_ages(ages, work.ages)
    return s.F


@law
def climb(m, grid, feed, F_asked, wide, best, s, work, loads, tolerance):
    """Search ln M near the state `best` for the largest feed rate, and leave its state there.

    wide: ln of the charge to each side of it. Three charges are kept, the middle one carries most; until all three
    carry the same within TOP.
    """
    x, F = log(best.M), best.F
    low, high = x - wide, x + wide
    F_low = _rate_at(m, grid, feed, low, F_asked, best, s, work, loads, tolerance)
    F_high = _rate_at(m, grid, feed, high, F_asked, best, s, work, loads, tolerance)
    for turn in range(40):
        if F_low > max(F, F_high):
            high, F_high, x, F, low = x, F, low, F_low, low - wide
            F_low = _rate_at(m, grid, feed, low, F_asked, best, s, work, loads, tolerance)
        elif F_high > F:
            low, F_low, x, F, high = x, F, high, F_high, high + wide
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
