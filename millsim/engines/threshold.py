"""Size classes that hold, or lie just above, a size at which hits begin to break or an edge to chip. Compiled (jit).

Charge piles up where little happens, and a class taken at its middle would come to life, or die, as a whole while
temperature and speed move that size through it: what a mill carries would go in steps. So the strikes of such a class
are a mean over sizes in it, each weighed by how long it stays: of what comes in evenly in ln x a share w stays for
w / loss. A class that is so averaged holds what its sizes together would hold.
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
NEARBY = 1.2  # times such a size: up to there a class is averaged
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
    """Onsets of a class x: the hardest hit [J/kg] begins to break, what it pays an edge [J/kg] to chip."""
    breaks = x * (row[XW_MIN] / (x * hardest)) ** (1.0 / (1.0 + m.threshold_exponent))
    least = cutting.chip_energy(row[CUT_LEAST], row[CUT_A], row[CUT_ZONE], row[CUT_G]) / (m.density * paid)
    chips = max(4.0 * row[CUT_LEAST], least ** (1.0 / 3.0))
    return Onsets(min(breaks, chips), max(breaks, chips))


@law
def may_be_near(m, grid, table, i, hardest, paid):
    """Whether `is_near` might hold of class i, told without powers: seldom where it does not, always where it does.

    hardest, paid: as of `onsets_of`. The power there is between a third and one, for threshold exponents up to 2.
    """
    x, low, high = grid.x[i], grid.edges[i] * (1.0 - SLACK) / NEARBY, grid.edges[i + 1] * (1.0 + SLACK)
    above, least = table[i, XW_MIN] / (x * hardest), table[i, CUT_LEAST]
    if m.threshold_exponent > 2.0 or (above > (low / x) ** 3 and above < (high / x) ** 3):
        return True
    chip = cutting.chip_energy(least, table[i, CUT_A], table[i, CUT_ZONE], table[i, CUT_G]) / (m.density * paid)
    return (low < 4.0 * least or low**3 < chip) and high > 4.0 * least and high**3 > chip


@law
def is_near(onsets, low, high):
    """Whether a class from low to high holds one of its onsets or lies little above it."""
    return (low < NEARBY * onsets.first and high > onsets.first) or (
        low < NEARBY * onsets.second and high > onsets.second
    )


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
def fit_row(m, row, x_class, x, own):
    """Fill own with the row of a class, its threshold and least chip those of pieces x in it."""
    for q in range(row.size):
        own[q] = row[q]
    own[XW_MIN] *= breakage.threshold_at(x, 1.0, x_class, m.threshold_exponent)
    own[CUT_FROM] = chips_from(m, x, row[CUT_LEAST], row[CUT_A], row[CUT_ZONE], row[CUT_G])


@law
def add_strikes(w, cells, lots, cells_sum, lots_sum):
    """Add strikes and chips of one size, with the weight w, to sums of the same shape; shares of a share go with it."""
    for b in range(BINS):
        cell, mixed = cells[b], cells_sum[b]
        for q in _PLAIN:
            mixed[q] += w * cell[q]
        broken = w * (1.0 - cell[XI]) * cell[BREAK]
        mixed[BREAK] += broken
        mixed[SHATTER] += broken * cell[SHATTER]
        mixed[PIN_SHATTER] += w * cell[PIN_BREAK] * cell[PIN_SHATTER]
    for j in range(LOTS):
        if lots[j, LOT_SHARE] > 0.0:
            lots_sum[j, LOT_SHARE] += w * lots[j, LOT_SHARE]
            lots_sum[j, LOT_SCALE] += w * lots[j, LOT_SHARE] * lots[j, LOT_SCALE]


@law
def fill_mean(m, edges, cells_sum, lots_sum, weight, cells, lots):
    """Fill cells and lots with the means of what was added to the sums with weights that come to `weight`."""
    for b in range(BINS):
        cell, mixed = cells[b], cells_sum[b]
        for q in _PLAIN:
            cell[q] = mixed[q] / weight
        whole = weight - mixed[XI]
        cell[BREAK] = mixed[BREAK] / whole if whole > 0.0 else 0.0
        cell[SHATTER] = mixed[SHATTER] / mixed[BREAK] if mixed[BREAK] > 0.0 else 0.0
        cell[PIN_SHATTER] = mixed[PIN_SHATTER] / mixed[PIN_BREAK] if mixed[PIN_BREAK] > 0.0 else 0.0
    for j in range(LOTS):
        share = lots_sum[j, LOT_SHARE]
        lots[j, LOT_SHARE] = share / weight
        if share > 0.0:
            scale = lots_sum[j, LOT_SCALE] / share
            lots[j, LOT_SCALE] = scale
            at = np.searchsorted(edges, scale ** (-1.0 / m.chip_exponent), side="right") - 1
            lots[j, LOT_CLASS] = max(0.0, float(at))
