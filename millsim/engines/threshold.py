"""Size classes that hold, or lie just above, a size at which hits begin to break or an edge to chip. Compiled (jit).

Charge piles up where little happens, and a class taken at its middle would come to life, or die, as a whole while
temperature and speed move that size through it: what a mill carries would go in steps. So the strikes of such a class
are a mean over sizes in it, each weighed by how long it stays: of what comes in evenly in ln x a share w stays for
w / loss. A class that is so averaged holds about what its sizes together would hold.
"""

from math import exp, log, sqrt
from typing import NamedTuple

import numpy as np

from ..base.numerics.jit import law
from ..laws import breakage, cutting
from ..mill.chamber import CUT_A, CUT_FROM, CUT_G, CUT_LEAST, CUT_ZONE, XW_MIN, chips_from
from ..mill.edges import chip_cost, largest_chip
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
SLIGHT, NOTABLE = 0.05, 0.5  # of the loss of a class: what chips could add up to the first is of no account
ENTERED = 0.05  # of an onset, below the top of a class: from there on it is wholly in
NODES = 2  # sizes tried in each part of a class above such a size
_NODE_X = 0.5 + 0.5 * np.polynomial.legendre.leggauss(NODES)[0]
_NODE_W = 0.5 * np.polynomial.legendre.leggauss(NODES)[1]
_PLAIN = (XI, CHIP_J, SHRINK, ABOVE, PIN_BREAK, PIN_ABOVE, DUST)  # of all hits, or of all that flies


class Onsets(NamedTuple):
    """Sizes [m] from which on hits break pieces of the strength of a class, and each kind of edge chips them."""

    breaks: float
    chips: float
    others: float
    third: float


@law
def break_onset(m, row, x, hardest):
    """Size [m] from which on the hardest hit [J/kg] breaks pieces of the strength of a class x.

    It is drawn towards the middle of the class: to the power 1/(1+a), where `breakage.size_floor` has 1/a. Put where it
    is, with the part of a class below it shrunk through by its own width and that above it cut in two, what a mill
    holds strayed twice as far from that on classes 1.02: what breaks but seldom then counts too little. The strengths
    of the sizes tried are their own.
    """
    return x * (row[XW_MIN] / (x * hardest)) ** (1.0 / (1.0 + m.threshold_exponent))


@law
def chip_onset(m, cut, row, square):
    """Size [m] from which on an edge, a Cut, chips pieces of the strength of a class, by hits of `square` J/kg."""
    least = cutting.chip_energy(cut.least, row[CUT_A], row[CUT_ZONE], cut.part) / (m.density * cut.share * square)
    return max(4.0 * cut.least, least ** (1.0 / 3.0))


@law
def chips_matter(m, cut, row, x, width, hits, loss):
    """How much it matters, 0 to 1, where an edge begins to chip, by what its chips could add at most to the loss.

    They go, and what is left shrinks. hits: what all of them together bring [J/kg]; width: of the class, in ln x; loss:
    of it, per strike.
    """
    could = cut.share * hits / chip_cost(m, cut, row, largest_chip(cut, x)) * (1.0 + 1.0 / (3.0 * width))
    return min(1.0, max(0.0, (could / loss - SLIGHT) / (NOTABLE - SLIGHT)))


@law
def nearness(onset, low, high):
    """How near a class from low to high is to an onset: 1 where it holds it, down to 0 at NEARBY times that, and where
    it comes in at the top. So nothing jumps where an onset comes to a class or leaves it.
    """
    if high <= onset:
        return 0.0
    return max(0.0, min(1.0, (NEARBY - low / onset) / (NEARBY - 1.0), (high / onset - 1.0) / ENTERED))


@law
def part_below(onsets, low, end):
    """The part of a class that ends at a size: (its lower end, the onset at or below that, 0 where there is none)."""
    onset = 0.0
    for size in onsets:
        if size < end:
            onset = max(onset, size)
    return max(low, onset), onset


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
