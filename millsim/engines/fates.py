"""What becomes of a kilogram that is struck, of every class: one table for every march through a frozen state.

The balance needs of a strike only where the mass goes, so what `strikes` tells of it (breaks, chips, shrinks, rubs off
dust) is multiplied out here once, stream by stream, with what of each way leaves the class.
"""

from math import exp

from ..base.numerics.jit import law
from ..mill.chamber import AIRBORNE, CONTACT, FINISHED, NIP, PAIR, STRIKE, open_to_pass
from .obliquity import gauss
from .records import (
    BAR_FINES,
    BAR_SHATTER,
    BAR_SPLIT,
    BINS,
    BREAK,
    DRIFTS,
    DUST,
    FINES,
    GATES,
    NIPPED,
    OUT,
    PASSES,
    PER,
    PIN_BREAK,
    PIN_SHATTER,
    PIN_TO_FINES,
    PIN_TO_SHATTER,
    PIN_TO_SPLIT,
    RETURNS,
    SHATTER,
    SHATTERED,
    SHRINK,
    SPLIT,
    XI,
)  # fmt: skip

GATE_W = gauss(GATES)[1]
GATE_WIDE = gauss(GATES)[0][-1] - 0.5  # of a class, in ln x, from its middle to the outer ones
SAME = 1e-9  # of a size
LEAST_LOSS, LEAST_DRIFT = 1e-9, 1e-12  # of strikes: what stays for ever in a class weighs no more


@law
def bite_loss(grid, work, i):
    """What bites take out of class i [1/s], screened and propped as in the last march."""
    bites = work.table[i, NIP] * work.screen[i] + work.table[i, PAIR] * work.bridge[i]
    out = grid.ways[i, NIPPED, OUT] + grid.fines[i] * grid.ways[i, FINES, OUT]
    return work.table[i, FINISHED] * bites * out


@law
def class_fates(strikes, ways, fines, fates, i):
    """Fill the fates of class i from its strikes; return the mean shares that stay in it, shrink out of it, chip off.

    ways, fines: of a Grid.
    """
    phi, out_s, out_q, out_f = fines[i], ways[i, SPLIT, OUT], ways[i, SHATTERED, OUT], ways[i, FINES, OUT]
    per_s, per_q, per_f = ways[i, SPLIT, PER], ways[i, SHATTERED, PER], ways[i, FINES, PER]
    stay = drift = chipped = 0.0
    for b in range(BINS):
        whole = 1.0 - strikes[i, b, XI]
        dust, sh, psh = strikes[i, b, DUST], strikes[i, b, SHATTER], strikes[i, b, PIN_SHATTER]
        broken, pins = whole * strikes[i, b, BREAK], (1.0 - dust) * strikes[i, b, PIN_BREAK]
        passes = whole - broken * (out_s + sh * (out_q - out_s) + phi * out_f)
        drifts = passes * strikes[i, b, SHRINK]
        returns = 1.0 - dust * out_f - pins * (out_s + psh * (out_q - out_s) + phi * out_f)
        passes -= drifts
        stay, drift = stay + passes * returns, drift + drifts * returns
        chipped += strikes[i, b, XI]
        fates[i, RETURNS, b], fates[i, PASSES, b], fates[i, DRIFTS, b] = returns, passes, drifts
        fates[i, BAR_SPLIT, b] = broken * (1.0 - sh) * per_s
        fates[i, BAR_SHATTER, b] = broken * sh * per_q
        fates[i, BAR_FINES, b] = broken * phi * per_f
        fates[i, PIN_TO_SPLIT, b] = pins * (1.0 - psh) * per_s
        fates[i, PIN_TO_SHATTER, b] = pins * psh * per_q
        fates[i, PIN_TO_FINES, b] = (pins * phi + dust) * per_f
    return stay / BINS, drift / BINS, chipped / BINS


@law
def fill_fates(grid, work):
    """Fill work.fates, work.stays, work.drifts and work.chipped from work.strikes."""
    strikes, ways, fines, fates = work.strikes, grid.ways, grid.fines, work.fates
    for i in range(grid.x.size):
        work.stays[i], work.drifts[i], work.chipped[i] = class_fates(strikes, ways, fines, fates, i)


@law
def through(above, even, lost, drifts):
    """(charge, what shrinks out) of a part of a class that pieces shrink through at a steady pace.

    above: what comes in at its top, even: all over it in ln x; lost, drifts: what is lost on the way and what shrinks
    out, each per charge if all were as likely to. Charge: times drifts. Source: derived, dq/du + r q = even over a part
    of width 1, q = above at its top, r = lost / drifts.
    """
    if lost > 40.0 * drifts:
        first = drifts / lost
        later = (1.0 - first) * first
        return above * first + even * later, even * first
    r = lost / drifts
    if r > 0.02:
        first = (1.0 - exp(-r)) / r
        later = (1.0 - first) / r
    else:
        first = 1.0 - r / 2.0 * (1.0 - r / 3.0 * (1.0 - r / 4.0 * (1.0 - r / 5.0 * (1.0 - r / 6.0))))
        later = 0.5 - r / 6.0 * (1.0 - r / 4.0 * (1.0 - r / 5.0 * (1.0 - r / 6.0)))
    charge = above * first + even * later
    return charge, above + even - r * charge


@law
def lost_per_strike(grid, work, i, stays, drifts):
    """What class i loses per strike but by shrinking and through holes; stays, drifts: as `class_fates` tells them."""
    return (
        1.0 - stays - drifts + LEAST_LOSS + (work.table[i, AIRBORNE] + bite_loss(grid, work, i)) / work.table[i, STRIKE]
    )


@law
def is_feed(m, x):
    """Whether pieces x are the feed of one size: all of it is at the middle of its class."""
    return abs(x / m.feed_size - 1.0) <= SAME


@law
def follow_drift(m, s, grid, work):
    """Make of each class what is made of its sizes as they hold its charge: how it escapes, how soon it shrinks out.

    Pieces come in at its top, those that in the last march shrank into it, or evenly in ln x, and shrink to its lower
    end, and are lost on the way: what is nearly as large as a hole stays longest, and what came in at the top has
    farther to go. Not in a batch, where what is there came in before.
    """
    if s.lumped > 0.0:
        return
    open_, table, gates, fates = open_to_pass(m, s), work.table, grid.gates, work.fates
    for i in range(1, grid.x.size):
        strike, drifts, fed = table[i, STRIKE], work.drifts[i] + LEAST_DRIFT, is_feed(m, grid.x[i])
        J, even = (1.0, 0.0) if fed else (work.above[i], 1.0 - work.above[i])
        lost, charge = lost_per_strike(grid, work, i, work.stays[i], work.drifts[i]), 0.0
        if gates[i, 0] > 0.0:
            tries, escaped = open_ * table[i, CONTACT] / strike, 0.0
            for g in range(1 if fed else GATES - 1, -1, -1):
                passes, width = tries * gates[i, g], 0.25 if fed else GATE_W[g]
                part, J = through(J, even * width, (lost + passes) * width, drifts)
                charge, escaped = charge + part * width, escaped + part * width * passes
            work.escape[i], sooner = strike * escaped / charge + table[i, AIRBORNE], J / charge
        elif work.sooner[i] > 0.0:
            sooner = work.sooner[i]
        else:
            width = 0.5 if fed else 1.0
            charge, J = through(J, even, lost * width, drifts)
            sooner = J / (charge * width)
        for b in range(BINS):
            more = (sooner - 1.0) * fates[i, DRIFTS, b]
            fates[i, DRIFTS, b] += more
            fates[i, PASSES, b] -= more
            work.strikes[i, b, SHRINK] *= sooner
        work.stays[i] -= (sooner - 1.0) * work.drifts[i]
