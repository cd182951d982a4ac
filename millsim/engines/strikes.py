"""What one strike does to a piece of each size class: breaks, chips, rubs off dust, sends it on to a pin.

A strike is two events, bar then pin; between them the piece flies with an energy that depends on how squarely the
bar met it. That is carried in two streams (`obliquity`).
"""

from math import log, sqrt

import numpy as np

from ..base.numerics.jit import law
from ..laws import cutting, motion
from ..mill.chamber import (
    AIRBORNE,
    CONTACT,
    DUST_J,
    F_MAT,
    MEAN_COS2_PIN,
    N_RATES,
    OPEN_HOLE,
    PIN,
    STRIKE,
    XW_MIN,
    dust_of,
    open_to_pass,
    size_rates,
    strike_energies,
)  # fmt: skip
from ..mill.edges import chip_of, has_other_edges, main_cut, other_cut, pays_from, pays_in_full_from
from .fates import class_fates, fill_fates
from .obliquity import COS2, MEAN, POWER, SPREAD, bar_moments, gauss, pin_moments, to_streams
from .records import (
    ABOVE,
    BINS,
    BREAK,
    CHIP_J,
    CHIP_POINTS,
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
    STRIKE_COLUMNS,
    XI,
)  # fmt: skip
from .threshold import NODES, add_strikes, fill_mean, fit_row, is_near, node_of, onsets_of, part_of

COLUMNS = len(STRIKE_COLUMNS)
SAME = 1e-9  # of a size
FREE = 0.7  # of the hole: pieces below it wait for nothing
LEAST_LOSS = 1e-9  # of strikes: what stays for ever in a class weighs no more
_CHIP_X, _CHIP_W = gauss(CHIP_POINTS)
MOST_CHIPPED = 0.05  # as of `cutting.chip_share`


@law
def fill_streams(column, mean, moment, most, cells):
    """Fill a column of cells (BINS, ...) with a function of cos^2 between 0 and `most`, by its mean and moment."""
    cells[0, column], cells[1, column] = to_streams(mean, moment, most)


@law
def fill_breaks(broken, shattered, above, moments, cells):
    """Fill the columns of what breaks, the share of it that shatters and what is hit hard enough, by their moments."""
    fill_streams(broken, moments[0], moments[1], 1.0, cells)
    fill_streams(shattered, moments[2], moments[3], 1.0, cells)
    fill_streams(above, moments[4], moments[5], 1.0, cells)
    for b in range(BINS):
        breaks = cells[b, broken]
        cells[b, shattered] = min(1.0, cells[b, shattered] / breaks) if breaks > 0.0 else 0.0


@law
def add_chips(m, cut, row, x, W_square, length, edges, lots):
    """Fill lots with the chips of an edge that has a share `length` of the bars.

    Returns (mean, mean times cos^2, cost [J/kg]) of what it chips off, over all bar hits. W_square: of a square hit.
    """
    start, full = pays_from(cut, W_square), pays_in_full_from(m, cut, row, x, W_square)
    chipped = chipped_c = cost = 0.0
    for g in range(2 * CHIP_POINTS):
        part = g // CHIP_POINTS  # hits that pay for a chip, hits that pay for the largest
        low, high = (start, min(1.0, full)) if part == 0 else (max(start, full), 1.0)
        if low < high:
            c = low + (high - low) * _CHIP_X[g - part * CHIP_POINTS]
            hits = length * (high - low) * _CHIP_W[g - part * CHIP_POINTS] * POWER * c ** (POWER - 1)
            xi, h, energy = chip_of(m, cut, row, x, W_square * c)
            lot = lots[min(g, CHIP_POINTS)]
            if g <= CHIP_POINTS:
                at = np.searchsorted(edges, min(h, 0.999 * x), side="right") - 1
                lot[LOT_CLASS], lot[LOT_SCALE] = max(0.0, float(at)), h**-m.chip_exponent  # the finest are dust
            lot[LOT_SHARE] += hits * xi
            chipped += hits * xi
            chipped_c += hits * xi * c
            cost += hits * energy
    return chipped, chipped_c, cost


@law
def fill_chips(m, k, row, x, W_square, edges, cells, lots):
    """Fill the chip columns of cells and the lots: what all edges chip off, each as often as its share of the length.

    There is no mean edge.
    """
    lots[:, LOT_SHARE] = 0.0
    own = 1.0 - m.other_share[0] - m.other_share[1]
    chipped, chipped_c, cost = add_chips(m, main_cut(m, k, row), row, x, W_square, own, edges, lots)
    if has_other_edges(m):
        for j in range(m.other_share.size):
            cut, mine = other_cut(m, k, row, x, j), lots[(j + 1) * (CHIP_POINTS + 1) :]
            more = add_chips(m, cut, row, x, W_square, m.other_share[j], edges, mine)
            chipped, chipped_c, cost = chipped + more[0], chipped_c + more[1], cost + more[2]
    fill_streams(XI, chipped, (chipped_c - MEAN * chipped) / SPREAD, MOST_CHIPPED, cells)
    for b in range(BINS):
        cells[b, CHIP_J] = cost


@law
def fill_cells(m, k, row, x, log_width, W_square, thrown, edges, cells, lots):
    """Fill cells (BINS, STRIKE_COLUMNS): what one strike does to a piece x, by stream; lots (LOTS, LOT_COLUMNS): chips.

    row: rates and strengths at its size (RATE_COLUMNS); log_width: ln of the width of the class that it shrinks
    through; W_square: energy of a square hit [J/kg]; thrown (BINS,): of flight.
    """
    pin_rub = (1.0 - k.survive) + (1.0 - k.e_pin**2) * k.survive * MEAN_COS2_PIN  # share of the flight a pin hit takes
    firm, e_0 = row[F_MAT] * x, row[F_MAT] * row[XW_MIN]
    shrink = -1.0 / 3.0 / log_width
    fill_chips(m, k, row, x, W_square, edges, cells, lots)
    fill_breaks(BREAK, SHATTER, ABOVE, bar_moments(firm * W_square, e_0, m.shatter_slope), cells)
    slope = (thrown[1] - thrown[0]) / (COS2[1] - COS2[0])  # what is thrown is a straight line in cos^2
    idle = thrown[0] - slope * COS2[0]
    arrives = firm * k.survive
    fill_breaks(
        PIN_BREAK, PIN_SHATTER, PIN_ABOVE, pin_moments(arrives * idle, arrives * slope, e_0, m.shatter_slope), cells
    )
    for b in range(BINS):
        cell = cells[b]
        cell[PIN_BREAK] *= row[PIN]
        cell[DUST] = dust_of(m, row[DUST_J], thrown[b] * (1.0 - row[PIN] * pin_rub) - k.layer_energy)
        cell[SHRINK] = shrink * cutting.log_left(cell[XI] + cell[DUST] - cell[XI] * cell[DUST])


@law
def average_class(m, k, grid, work, i, onsets, W_square, thrown):
    """Fill work.strikes and work.lots of class i with the mean over sizes in it (see `threshold`)."""
    row, x, low, high = work.table[i], grid.x[i], grid.edges[i], grid.edges[i + 1]
    own, fates, cells_sum, lots_sum = np.empty(N_RATES), work.fates[i], np.zeros((BINS, COLUMNS)), np.zeros((LOTS, 3))
    log_width, weight, cells, lots = log(high / low), 0.0, work.strikes[i], work.lots[i]
    for j in range(3):
        start, end, onset = part_of(onsets, j, low, high)
        if not start < end:
            continue
        for g in range(NODES if j > 0 else 1):
            size, share = node_of(g, start, end, onset) if j > 0 else (sqrt(start * end), 1.0)
            fit_row(m, row, x, size, own)
            fill_cells(m, k, own, size, log_width, W_square, thrown, grid.edges, cells, lots)
            loss = row[STRIKE] * (1.0 - class_fates(cells, grid.ways[i], grid.fines[i], fates)[0]) + work.escape[i]
            w = share * log(end / start) / max(loss, LEAST_LOSS * row[STRIKE])
            add_strikes(w, cells, lots, cells_sum, lots_sum)
            weight += w
    fill_mean(m, grid.edges, cells_sum, lots_sum, weight, cells, lots)


@law
def fill_strikes(m, k, grid, work, steady):
    """Fill work.strikes: what one strike does to the pieces of each class, by stream (STRIKE_COLUMNS), and its chips.

    steady: classes near an onset are averaged by what a steady state holds, but for what leaves by the sieve whether it
    breaks or not, and for a feed of one size: all of it is at the middle of its class.
    """
    edges, x = grid.edges, grid.x
    W_square, thrown = motion.bar_energy(k.v, k.kappa, 1.0), np.empty(BINS)
    for b in range(BINS):
        thrown[b] = motion.thrown_energy(k.v, k.kappa, k.e_bar, COS2[b])
    square = motion.thrown_energy(k.v, k.kappa, k.e_bar, 1.0)
    hardest = max(W_square, square * k.survive) if m.n_pins > 0.0 else W_square
    for i in range(x.size):
        row, low, high = work.table[i], edges[i], edges[i + 1]
        onsets = onsets_of(m, row, x[i], hardest, k.edge_share * W_square)
        waits = steady and low * m.shape > FREE * m.hole and abs(x[i] / m.feed_size - 1.0) > SAME
        if waits and is_near(onsets, low, high):
            average_class(m, k, grid, work, i, onsets, W_square, thrown)
        else:
            fill_cells(m, k, row, x[i], log(high / low), W_square, thrown, edges, work.strikes[i], work.lots[i])
    for column in (XI, CHIP_J, PIN_BREAK, DUST):
        work.strikes[0, :, column] = 0.0  # the dust class is followed no further
    work.lots[0, :, LOT_SHARE] = 0.0


@law
def fill_rates(m, s, grid, work):
    """Fill work with all that follows from a frozen state: strike energies, rates, escapes, strikes by stream."""
    k, x, table = work.hits[0], grid.x, work.table
    strike_energies(m, s, k)
    open_ = open_to_pass(m, s)
    for i in range(x.size):
        size_rates(m, s, k, x[i], work.ages[i], grid.still[i], table[i])
        work.escape[i] = table[i, CONTACT] * open_ * grid.still[i, OPEN_HOLE] + table[i, AIRBORNE]
    fill_strikes(m, k, grid, work, s.lumped <= 0.0)
    fill_fates(grid, work)
