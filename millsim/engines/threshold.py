"""Size classes that hold, or lie just above, a size at which hits begin to break or an edge to chip. Compiled (jit).

Charge piles up where little happens, and a class taken at its middle would come to life, or die, as a whole while
temperature and speed move that size through it: what a mill carries would go in steps. So the strikes of such a class
are a mean over sizes in it, each weighed by how long it stays, bites left out: of what comes in evenly in ln x a share
w stays for w / loss. A class that is so averaged holds about what its sizes together would hold.
"""

from math import exp, log, sqrt
from typing import NamedTuple

import numpy as np

from ..base.numerics.jit import law
from ..laws import breakage, cutting
from ..mill.chamber import CUT_A, CUT_FROM, CUT_G, CUT_LEAST, CUT_ZONE, XW_MIN, chips_from
from .records import (
    ABOVE,
    BINS,
    BREAK,
    CHIP_J,
    DUST,
    LOT_CLASS,
    LOT_SCALE,
    LOT_SHARE,
    LOTS,
    PIN_ABOVE,
    PIN_BREAK,
    PIN_SHATTER,
    SHATTER,
    SHRINK,
    XI,
)  # fmt: skip

SLACK = 1e-6  # of a size, for what rounding does
NEARBY = 1.3  # times such a size: up to there a class is averaged, less and less
ENTERED = 0.05  # of an onset, below the top of a class: from there on it is wholly in
NODES = 2  # sizes tried in each part of a class above such a size
_NODE_X = 0.5 + 0.5 * np.polynomial.legendre.leggauss(NODES)[0]
_NODE_W = 0.5 * np.polynomial.legendre.leggauss(NODES)[1]
_PLAIN = (XI, CHIP_J, SHRINK, ABOVE, PIN_BREAK, PIN_ABOVE, DUST)  # of all hits, or of all that flies


class Onsets(NamedTuple):
    """Two sizes [m] from which on something happens to pieces of the strength of a class, ascending."""

    first: float
    second: float


@law
def onsets_of(m, row, x, hardest, paid):
    """Onsets of a class x: the hardest hit [J/kg] begins to break, what it pays an edge [J/kg] to chip.

    The first is drawn towards the middle of the class: to the power 1/(1+a), where `breakage.size_floor` has 1/a. Put
    where it is, a thin part below it at the bottom of a class would hold so much that the charge rose almost in a step,
    as what shrinks through is taken to have all of the class before it. The strengths of the sizes tried are their own.
    """
    breaks = x * (row[XW_MIN] / (x * hardest)) ** (1.0 / (1.0 + m.threshold_exponent))
    least = cutting.chip_energy(row[CUT_LEAST], row[CUT_A], row[CUT_ZONE], row[CUT_G]) / (m.density * paid)
    chips = max(4.0 * row[CUT_LEAST], least ** (1.0 / 3.0))
    return Onsets(min(breaks, chips), max(breaks, chips))


@law
def may_be_near(m, grid, table, i, hardest, paid):
    """Whether class i might have any `nearness`, told without powers: seldom where it does not, always where it does.

    hardest, paid: as of `onsets_of`. The power there is between a third and one.
    """
    x, low, high = grid.x[i], grid.edges[i] * (1.0 - SLACK) / NEARBY, grid.edges[i + 1] * (1.0 + SLACK)
    above, least = table[i, XW_MIN] / (x * hardest), table[i, CUT_LEAST]
    if m.threshold_exponent > 2.0 or (above > (low / x) ** 3 and above < (high / x) ** 3):
        return True
    chip = cutting.chip_energy(least, table[i, CUT_A], table[i, CUT_ZONE], table[i, CUT_G]) / (m.density * paid)
    return (low < 4.0 * least or low**3 < chip) and high > 4.0 * least and high**3 > chip


@law
def nearness(onsets, low, high):
    """How near a class from low to high is to its onsets: 1 where it holds one, down to 0 at NEARBY times the last, and
    where one comes in at its top. So nothing jumps where an onset comes to a class or leaves it.
    """
    near = 0.0
    for onset in (onsets.first, onsets.second):
        if high > onset:
            near = max(near, min(1.0, (NEARBY - low / onset) / (NEARBY - 1.0), (high / onset - 1.0) / ENTERED))
    return near


@law
def part_of(onsets, j, low, high):
    """Part j of a class cut at its onsets: (its ends [m], the onset below it); empty where the ends are equal."""
    if j == 0:
        return low, max(low, min(high, onsets.first)), low
    if j == 1:
        return max(low, min(high, onsets.first)), max(low, min(high, onsets.second)), onsets.first
    return max(low, min(high, onsets.second)), high, onsets.second


@law
def node_of(g, low, high, onset):
    """Gauss point g of a part: (size [m], its share of the part in ln x); closer near the onset, where losses rise."""
    from_, to = sqrt(log(low / onset)), sqrt(log(high / onset))
    t = from_ + (to - from_) * _NODE_X[g]
    return onset * exp(t * t), _NODE_W[g] * 2.0 * t / (from_ + to)


@law
def fit_row(m, table, i, size, xw_min, x):
    """Make row i of a table of rates that of pieces of another size in class x, of which xw_min is the threshold."""
    table[i, XW_MIN] = xw_min * breakage.threshold_at(size, 1.0, x, m.threshold_exponent)
    least, zone = table[i, CUT_LEAST], table[i, CUT_ZONE]
    table[i, CUT_FROM] = chips_from(m, size, least, table[i, CUT_A], zone, table[i, CUT_G])


@law
def clear_mean(mean, mean_lots):
    """Begin a mean of strikes (BINS, STRIKE_COLUMNS) and of chips (LOTS, LOT_COLUMNS)."""
    for b in range(BINS):
        for q in range(mean.shape[1]):
            mean[b, q] = 0.0
    for j in range(LOTS):
        mean_lots[j, LOT_SHARE] = mean_lots[j, LOT_SCALE] = 0.0


@law
def add_to_mean(w, strikes, lots, i, mean, mean_lots):
    """Add strikes and chips of class i, as of one size in it, with the weight w; shares of a share go with it."""
    for b in range(BINS):
        for q in _PLAIN:
            mean[b, q] += w * strikes[i, b, q]
        broken = w * (1.0 - strikes[i, b, XI]) * strikes[i, b, BREAK]
        mean[b, BREAK] += broken
        mean[b, SHATTER] += broken * strikes[i, b, SHATTER]
        mean[b, PIN_SHATTER] += w * strikes[i, b, PIN_BREAK] * strikes[i, b, PIN_SHATTER]
    for j in range(LOTS):
        if lots[i, j, LOT_SHARE] > 0.0:
            mean_lots[j, LOT_SHARE] += w * lots[i, j, LOT_SHARE]
            mean_lots[j, LOT_SCALE] += w * lots[i, j, LOT_SHARE] * lots[i, j, LOT_SCALE]


@law
def take_mean(m, edges, mean, mean_lots, weight, strikes, lots, i):
    """Put into strikes and lots of class i the means of what was added with weights that come to `weight`."""
    for b in range(BINS):
        for q in _PLAIN:
            strikes[i, b, q] = mean[b, q] / weight
        whole, broken, pins = weight - mean[b, XI], mean[b, BREAK], mean[b, PIN_BREAK]
        strikes[i, b, BREAK] = broken / whole if whole > 0.0 else 0.0
        strikes[i, b, SHATTER] = mean[b, SHATTER] / broken if broken > 0.0 else 0.0
        strikes[i, b, PIN_SHATTER] = mean[b, PIN_SHATTER] / pins if pins > 0.0 else 0.0
    for j in range(LOTS):
        share = mean_lots[j, LOT_SHARE]
        lots[i, j, LOT_SHARE] = share / weight
        if share > 0.0:
            scale = mean_lots[j, LOT_SCALE] / share
            lots[i, j, LOT_SCALE] = scale
            lots[i, j, LOT_CLASS] = float(
                class_of(edges, scale ** (-1.0 / m.chip_exponent), int(lots[i, j, LOT_CLASS]))
            )


@law
def class_of(edges, h, at):
    """Class of a size h, sought from class `at` on: the lowest for dust."""
    while at < edges.size - 2 and edges[at + 1] <= h:
        at += 1
    while at > 0 and edges[at] > h:
        at -= 1
    return at
