"""What one strike does to a piece of each size class: breaks, chips, rubs off dust, sends it on to a pin.

A strike is two events, bar then pin; between them the piece flies with an energy that depends on how squarely the
bar met it. That is carried in BINS energy bins of equal probability, averaged by Gauss points above the threshold.
"""

from math import exp, log, sqrt

import numpy as np

from ..base.numerics.jit import law
from ..laws import breakage, cutting, motion
from ..mill.chamber import (
    AIRBORNE,
    C_EXPONENT,
    CONTACT,
    DUST_J,
    F_MAT,
    MEAN_COS2_PIN,
    OPEN_HOLE,
    PIN,
    XW_MIN,
    dust_of,
    open_to_pass,
    size_rates,
    strike_energies,
)  # fmt: skip
from ..mill.edges import chip_of, has_other_edges, main_cut, other_cut
from .fates import fill_fates
from .records import (
    ABOVE,
    BINS,
    BREAK,
    CHIP_CLASS,
    CHIP_J,
    CHIP_SCALE,
    DUST,
    OTHER,
    OTHERS,
    OWN,
    PIN_ABOVE,
    PIN_BREAK,
    PIN_SHATTER,
    SHATTER,
    SHRINK,
    XI,
)  # fmt: skip

TO_QUANTILE = round(1.0 / C_EXPONENT)  # cos^2 to this power is its quantile; whole, as powers of other kinds are slow
_GAUSS_X = 0.5 + 0.5 * np.polynomial.legendre.leggauss(4)[0]
_GAUSS_W = 0.5 * np.polynomial.legendre.leggauss(4)[1]
_PAIR_X = 0.5 + 0.5 * np.polynomial.legendre.leggauss(2)[0]  # enough where a whole bin is above the threshold


def _bin_table() -> np.ndarray:
    """(BINS, 3): mean cos^2 of each bin, and at its two Gauss points (constants of the obliquity law)."""
    table = np.empty((BINS, 3))
    for b in range(BINS):
        lo, hi = b / BINS, (b + 1) / BINS
        p = C_EXPONENT + 1.0
        table[b, 0] = (hi**p - lo**p) / p * BINS
        table[b, 1:3] = (lo + (hi - lo) * _PAIR_X) ** C_EXPONENT
    return table


OBLIQUITY = _bin_table()


@law
def bar_break_share(b, x, f_mat, xw_min, W_square, b_shatter, u_min, obliquity):
    """Over obliquity bin b: mean breakage probability, share of the broken that shatter, share of hits that can.

    u_min: quantile of the obliquity from which hits are above the threshold.
    """
    lo, hi = b / BINS, (b + 1.0) / BINS
    total = shattered = 0.0
    if u_min <= lo:
        for g in range(2):
            excess = f_mat * (x * W_square * obliquity[b, 1 + g] - xw_min)
            broken = 1.0 - exp(-excess)  # with an exponent of 1 the share that shatters is the same number
            total += 0.5 * broken
            shattered += 0.5 * broken * (broken if b_shatter == 1.0 else breakage.shatter_share(b_shatter, excess))
        return total, shattered / total if total > 0.0 else 0.0, 1.0
    if u_min >= hi:
        return 0.0, 0.0, 0.0
    above = (hi - u_min) * BINS
    for g in range(4):
        excess = f_mat * max(0.0, x * W_square * (u_min + (hi - u_min) * _GAUSS_X[g]) ** C_EXPONENT - xw_min)
        broken = 1.0 - exp(-excess)
        total += _GAUSS_W[g] * broken
        shattered += _GAUSS_W[g] * broken * breakage.shatter_share(b_shatter, excess)
    return total * above, shattered / total if total > 0.0 else 0.0, above


@law
def pin_break_share(x, f_mat, xw_min, W_square, b_shatter):
    """The same three on a round pin (cos^2 = 1 - U^2, U uniform)."""
    c_min = xw_min / (x * W_square)
    if c_min >= 1.0:
        return 0.0, 0.0, 0.0
    above = sqrt(1.0 - c_min)
    total = shattered = 0.0
    for g in range(4):
        c = 1.0 - (above * _GAUSS_X[g]) ** 2
        excess = f_mat * max(0.0, x * W_square * c - xw_min)
        broken = 1.0 - exp(-excess)  # with an exponent of 1 the share that shatters is the same number
        total += _GAUSS_W[g] * broken
        w = broken if b_shatter == 1.0 else breakage.shatter_share(b_shatter, excess)
        shattered += _GAUSS_W[g] * broken * w
    return total * above, shattered / total if total > 0.0 else 0.0, above


@law
def paying_quantile(cut, W_square):
    """Quantile of the obliquity from which hits pay for a chip at this edge."""
    return min(1.0, cut.start / (cut.share * W_square)) ** TO_QUANTILE


@law
def bin_chips(m, cut, row, x, b, u_min, W_square, edges, obliquity):
    """(share, cost [J/kg], class of the chips, h^-q) of what a bar hit in obliquity bin b chips off a piece x.

    The chips of a bin are of one size h, that of the mean of the hits that pay for one; the class of h and h^-q say
    how they spread over finer classes. u_min: quantile of the obliquity from which hits pay.
    """
    lo, hi = b / BINS, (b + 1.0) / BINS
    p = C_EXPONENT + 1.0
    c = obliquity[b, 0] if u_min <= lo else (hi**p - u_min**p) / p / (hi - u_min)
    share = 1.0 if u_min <= lo else (hi - u_min) * BINS
    xi, h, cost = chip_of(m, cut, row, x, W_square * c)
    if xi <= 0.0:
        return 0.0, 0.0, 0.0, 0.0
    at = max(0, np.searchsorted(edges, min(h, 0.999 * x), side="right") - 1)  # the finest are dust
    return share * xi, share * cost, float(at), h**-m.chip_exponent


@law
def add_other_chips(m, k, row, x, W_square, edges, obliquity, cells):
    """Mix into the cells of a size what the other edges chip off, each as often as its share of the length."""
    own = 1.0 - m.other_share[0] - m.other_share[1]
    for b in range(BINS):
        cells[b, XI], cells[b, CHIP_J] = own * cells[b, XI], own * cells[b, CHIP_J]
        cells[b, OWN] = cells[b, XI]
    for j in range(m.other_share.size):
        at, length = OTHER + j * OTHERS, m.other_share[j]
        cut = other_cut(m, k, row, x, j)
        u_min = paying_quantile(cut, W_square) if length > 0.0 else 1.0
        for b in range(BINS):
            cells[b, at] = 0.0
            if u_min < (b + 1.0) / BINS:
                xi, cost, cells[b, at + 1], cells[b, at + 2] = bin_chips(
                    m, cut, row, x, b, u_min, W_square, edges, obliquity
                )
                cells[b, at] = length * xi
                cells[b, XI] += length * xi
                cells[b, CHIP_J] += length * cost


@law
def fill_cells(m, k, row, x, log_width, W_square, thrown, edges, obliquity, cells):
    """Fill cells (BINS, STRIKE_COLUMNS): what one strike does to a piece x, by obliquity bin.

    row: rates and strengths at its size (RATE_COLUMNS); log_width: ln of the width of the class that it shrinks
    through; W_square: energy of a square hit [J/kg]; thrown (BINS,): of flight.
    """
    pin_rub = (1.0 - k.survive) + (1.0 - k.e_pin**2) * k.survive * MEAN_COS2_PIN  # share of the flight a pin hit takes
    shrink = -1.0 / 3.0 / log_width
    u_break = min(1.0, row[XW_MIN] / (x * W_square)) ** TO_QUANTILE
    cut = main_cut(m, k, row)
    u_chip = paying_quantile(cut, W_square)
    for b in range(BINS):
        cell = cells[b]
        cell[XI] = cell[CHIP_J] = 0.0
        if u_chip < (b + 1.0) / BINS:
            cell[XI], cell[CHIP_J], cell[CHIP_CLASS], cell[CHIP_SCALE] = bin_chips(
                m, cut, row, x, b, u_chip, W_square, edges, obliquity
            )
    if has_other_edges(m):
        add_other_chips(m, k, row, x, W_square, edges, obliquity, cells)
    for b in range(BINS):
        cell = cells[b]
        cell[BREAK], cell[SHATTER], cell[ABOVE] = bar_break_share(
            b, x, row[F_MAT], row[XW_MIN], W_square, m.shatter_slope, u_break, obliquity
        )
        pinned = pin_break_share(x, row[F_MAT], row[XW_MIN], thrown[b] * k.survive, m.shatter_slope)
        cell[PIN_BREAK], cell[PIN_SHATTER], cell[PIN_ABOVE] = row[PIN] * pinned[0], pinned[1], pinned[2]
        cell[DUST] = dust_of(m, row[DUST_J], thrown[b] * (1.0 - row[PIN] * pin_rub) - k.layer_energy)
        cell[SHRINK] = shrink * cutting.log_left(cell[XI] + cell[DUST] - cell[XI] * cell[DUST])


@law
def fill_strikes(m, k, grid, work, obliquity):
    """Fill work.strikes: what one strike does to a piece of each class, by obliquity bin (STRIKE_COLUMNS)."""
    edges, x, strikes = grid.edges, grid.x, work.strikes
    W_square, thrown = motion.bar_energy(k.v, k.kappa, 1.0), np.empty(BINS)
    for b in range(BINS):
        thrown[b] = motion.thrown_energy(k.v, k.kappa, k.e_bar, obliquity[b, 0])
    for i in range(x.size):
        log_width = log(edges[i + 1] / edges[i])
        fill_cells(m, k, work.table[i], x[i], log_width, W_square, thrown, edges, obliquity, strikes[i])
    for column in (XI, CHIP_J, PIN_BREAK, DUST, OWN, OTHER, OTHER + OTHERS):
        strikes[0, :, column] = 0.0  # the dust class is followed no further


@law
def fill_rates(m, s, grid, work):
    """Fill work with all that follows from a frozen state: strike energies, rates, escapes, strikes by bin."""
    k, x, table = work.hits[0], grid.x, work.table
    strike_energies(m, s, k)
    open_ = open_to_pass(m, s)
    for i in range(x.size):
        size_rates(m, s, k, x[i], work.ages[i], grid.still[i], table[i])
        work.escape[i] = table[i, CONTACT] * open_ * grid.still[i, OPEN_HOLE] + table[i, AIRBORNE]
    fill_strikes(m, k, grid, work, OBLIQUITY)
    fill_fates(grid, work)
