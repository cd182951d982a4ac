"""The sectional engine: a population balance on size classes, marched from the coarsest class down.

Nothing grows in a mill, so class i is fed only by coarser ones and the steady balance is lower triangular. A
strike is two events, bar then pin; between them the piece flies with an energy that depends on how squarely the
bar met it. The flight is carried in BINS energy bins of equal probability. Because the daughter law is a ratio
h(y)/h(x), all daughters of coarser classes are known from one running sum per bin: the march is O(classes).

Class error: second order in the class width for fracture (rates at the geometric mean, daughters cut at class
bounds), first order for the slow shrinkage by chips.
"""

from math import exp, expm1, log, log1p, sqrt

import numpy as np

from ..base.numerics.jit import law
from ..laws import breakage, cutting, motion
from ..mill.chamber import (
    AIRBORNE,
    C_EXPONENT,
    CHIP,
    CONTACT,
    F_MAT,
    FINISHED,
    MEAN_COS2_PIN,
    NIP,
    PIN,
    SHEAR,
    STRIKE,
    WASTED,
    WINDOW,
    XW_MIN,
    mean_pass,
    size_rates,
    strike_energies,
)
from .records import ABOVE, BINS, BREAK, PIN_ABOVE, PIN_BREAK, SHRINK, XI, clear_flows

_GAUSS_X = 0.5 + 0.5 * np.polynomial.legendre.leggauss(4)[0]
_GAUSS_W = 0.5 * np.polynomial.legendre.leggauss(4)[1]


def _bin_table() -> np.ndarray:
    """(BINS, 5): mean cos^2 of each bin, and cos^2 at the Gauss points (constant of the obliquity law)."""
    table = np.empty((BINS, 5))
    for b in range(BINS):
        lo, hi = b / BINS, (b + 1) / BINS
        p = C_EXPONENT + 1.0
        table[b, 0] = (hi**p - lo**p) / p * BINS
        table[b, 1:] = (lo + (hi - lo) * _GAUSS_X) ** C_EXPONENT
    return table


OBLIQUITY = _bin_table()


@law
def bar_break_share(b, x, f_mat, xw_min, W_square, obliquity):
    """Mean breakage probability over obliquity bin b, and the share of its hits above the threshold."""
    lo, width = b / BINS, 1.0 / BINS
    c_min = xw_min / (x * W_square)
    if c_min >= 1.0:
        return 0.0, 0.0
    u_min = c_min ** (1.0 / C_EXPONENT)
    total = 0.0
    if u_min <= lo:  # the whole bin is above: Gauss points are tabulated
        for g in range(4):
            total += _GAUSS_W[g] * breakage.breakage_probability(x, W_square * obliquity[b, 1 + g], f_mat, xw_min)
        return total, 1.0
    above = (lo + width - u_min) / width
    if above <= 0.0:
        return 0.0, 0.0
    for g in range(4):
        c = (u_min + (lo + width - u_min) * _GAUSS_X[g]) ** C_EXPONENT
        total += _GAUSS_W[g] * breakage.breakage_probability(x, W_square * c, f_mat, xw_min)
    return total * above, above


@law
def pin_break_share(x, f_mat, xw_min, W_square):
    """Mean breakage probability on a round pin (cos^2 = 1 - U^2, U uniform) and the share above the threshold."""
    c_min = xw_min / (x * W_square)
    if c_min >= 1.0:
        return 0.0, 0.0
    above = sqrt(1.0 - c_min)
    total = 0.0
    for g in range(4):
        c = 1.0 - (above * _GAUSS_X[g]) ** 2
        total += _GAUSS_W[g] * breakage.breakage_probability(x, W_square * c, f_mat, xw_min)
    return total * above, above


@law
def chip_shares(edges, x, h_edge, q):
    """(n, n) mass share of the chips off class j that land in class i: (y/h)^q below the chip thickness h."""
    n = x.size
    shares = np.zeros((n, n))
    for j in range(n):
        h = cutting.chip_thickness(h_edge, x[j])
        below = 0.0
        for i in range(j):
            upto = min(1.0, (edges[i + 1] / h) ** q)
            shares[i, j] = upto - below
            below = upto
        if j > 0:
            shares[j - 1, j] += 1.0 - below
    return shares


@law
def _class_mass(source, loss, nip, larger, window):
    """Charge in one class from source = loss m + nip exp(-larger) (1 - exp(-window m)) / window.

    The nip term is bounded when many equal pieces screen each other. Newton from below on a concave function.
    """
    if nip <= 0.0 or window <= 0.0:
        return source / loss
    strength = nip * exp(-larger)
    mass = source / (loss + strength)
    for _ in range(50):
        e = exp(-window * mass)
        excess = loss * mass - strength * expm1(-window * mass) / window - source
        step = excess / (loss + strength * e)
        mass -= step
        if abs(step) <= 1e-15 * mass:
            break
    return mass


@law
def fill_strikes(k, grid, work, obliquity):
    """Fill work.strikes: what one strike does to a piece of each class, by obliquity bin (STRIKE_COLUMNS)."""
    edges, x, strikes = grid.edges, grid.x, work.strikes
    W_square = motion.bar_energy(k.v, k.kappa, 1.0)
    for i in range(x.size):
        row = work.table[i]
        for b in range(BINS):
            cell = strikes[i, b]
            cell[XI] = cutting.chip_share(row[CHIP], W_square * obliquity[b, 0], 1.0)
            cell[SHRINK] = -log1p(-cell[XI]) / 3.0 / log(edges[i + 1] / edges[i])
            cell[BREAK], cell[ABOVE] = bar_break_share(b, x[i], row[F_MAT], row[XW_MIN], W_square, obliquity)
            thrown = motion.thrown_energy(k.v, k.kappa, k.e_bar, obliquity[b, 0]) * k.survive
            broken, cell[PIN_ABOVE] = pin_break_share(x[i], row[F_MAT], row[XW_MIN], thrown)
            cell[PIN_BREAK] = row[PIN] * broken
    strikes[0, :, XI] = 0.0  # the dust class is followed no further
    strikes[0, :, PIN_BREAK] = 0.0


@law
def fill_rates(m, s, grid, work):
    """Fill work with all that follows from a frozen state: strike energies, rates, escapes, strikes by bin."""
    k, x, table = work.hits[0], grid.x, work.table
    strike_energies(m, s, k)
    for i in range(x.size):
        size_rates(m, s, k, x[i], work.ages[i], table[i])
        work.escape[i] = table[i, CONTACT] * mean_pass(m, s, x[i]) + table[i, AIRBORNE]
    fill_strikes(k, grid, work, OBLIQUITY)


@law
def daughter_tables(m, k, edges, x, h_edge, h_x):
    """Fill h at class bounds (3, n+1) and sizes (3, n) for daughters of bar, pin and nip; dust joins class 0."""
    for kind in range(3):
        q = k.q_bar if kind == 0 else (k.q_pin if kind == 1 else m.nip_exponent)
        h_edge[kind, 0] = 0.0
        for i in range(x.size):
            h_edge[kind, i + 1] = exp(breakage.daughter_weight(edges[i + 1], q, m.fines_limit))
            h_x[kind, i] = exp(breakage.daughter_weight(x[i], q, m.fines_limit))


@law
def march(m, grid, work, source, shift, mass, flows):
    """Solve (shift + losses - gains) mass = source for the charge per class, coarsest first.

    source (n,) [kg/s] (or kg/s plus shift times kg in a time step); shift [1/s] is 0 for a steady state; work: as
    `fill_rates` left it. Fills mass (n,) [kg], work.screen and the FLOWS record.
    """
    k, x, edges, n = work.hits[0], grid.x, grid.edges, grid.x.size
    table, escape, strikes, screen = work.table, work.escape, work.strikes, work.screen
    h, h_x = np.empty((3, n + 1)), np.empty((3, n))
    daughter_tables(m, k, edges, x, h, h_x)
    flight, drift, from_bar = np.empty(BINS), np.zeros(BINS), np.zeros(BINS)
    hits, pinned = np.zeros(BINS), np.zeros(BINS)
    chips = np.zeros(n)
    from_pin = from_nip = larger = 0.0
    clear_flows(flows)
    for i in range(n - 1, -1, -1):
        row = table[i]
        strike, nip = (row[STRIKE], row[NIP]) if i > 0 else (0.0, 0.0)
        bar_out, pin_out, nip_out = h[0, i] / h_x[0, i], h[1, i] / h_x[1, i], h[2, i] / h_x[2, i]
        inflow = source[i] + chips[i] + (h[1, i + 1] - h[1, i]) * from_pin + (h[2, i + 1] - h[2, i]) * from_nip
        stay = 0.0
        for b in range(BINS):
            cell = strikes[i, b]
            flight[b] = (h[0, i + 1] - h[0, i]) * from_bar[b] + drift[b]
            returns = 1.0 - cell[PIN_BREAK] * pin_out
            inflow += flight[b] * returns
            stay += (1.0 - cell[XI]) * (1.0 - cell[BREAK] * bar_out) * (1.0 - cell[SHRINK]) * returns / BINS
        loss = strike * (1.0 - stay) + escape[i] + shift
        finished = row[FINISHED]  # a light hammer does not finish every bite
        mass[i] = _class_mass(inflow, loss, nip * finished * nip_out, larger, row[WINDOW])
        screen[i] = cutting.screening(larger, row[WINDOW] * mass[i])
        larger += row[WINDOW] * mass[i]
        chipped = 0.0
        for b in range(BINS):
            cell = strikes[i, b]
            hit = mass[i] * strike / BINS
            whole = hit * (1.0 - cell[XI])
            unbroken = whole * (1.0 - cell[BREAK] * bar_out)
            drift[b] = unbroken * cell[SHRINK]
            flight[b] += unbroken - drift[b]
            from_bar[b] += whole * cell[BREAK] / h_x[0, i]
            from_pin += flight[b] * cell[PIN_BREAK] / h_x[1, i]
            chipped += hit * cell[XI]
            hits[b] += hit
            pinned[b] += flight[b] * row[PIN]
            flows.bar_above += hit * cell[ABOVE]
            flows.pin_above += flight[b] * row[PIN] * cell[PIN_ABOVE]
            flows.bar_fractures += whole * cell[BREAK]
            flows.pin_fractures += flight[b] * cell[PIN_BREAK]
        for j in range(i):
            chips[j] += chipped * grid.chip_share[j, i]
        bitten = mass[i] * nip * screen[i]
        from_nip += bitten * finished / h_x[2, i]
        _book_class(mass[i], row, escape[i], strike, chipped, bitten, k.edge_share, flows)
    book_strikes(k, OBLIQUITY, hits, pinned, flows)


@law
def _book_class(mass, row, escape, strike, chipped, bitten, edge_share, flows):
    """Book what does not depend on obliquity: chips, nips, sieve tries and exits of one class."""
    flows.bar_hits += mass * strike
    flows.chips += chipped
    flows.chip_cut += chipped * edge_share / row[CHIP]
    flows.nips += bitten
    flows.nip_work += bitten * (row[FINISHED] * row[SHEAR] + (1.0 - row[FINISHED]) * row[WASTED])
    flows.tries += mass * row[CONTACT]
    flows.exits += mass * escape


@law
def book_strikes(k, obliquity, hits, pinned, flows):
    """Book the energy of strikes: hits and pin hits [kg/s] per obliquity bin into watts."""
    for b in range(BINS):
        c = obliquity[b, 0]
        thrown = motion.thrown_energy(k.v, k.kappa, k.e_bar, c)
        pin_loss = (1.0 - k.e_pin**2) * thrown * k.survive * MEAN_COS2_PIN
        flows.pin_hits += pinned[b]
        flows.work += hits[b] * motion.bar_work(k.v, k.kappa, k.e_bar, c)
        flows.bar_heat += hits[b] * (1.0 - k.e_bar**2) * motion.bar_energy(k.v, k.kappa, c)
        flows.path_heat += pinned[b] * thrown * (1.0 - k.survive)
        flows.pin_heat += pinned[b] * pin_loss
        flows.rub += hits[b] * (thrown - k.layer_energy) - pinned[b] * (thrown * (1.0 - k.survive) + pin_loss)
    flows.bar_heat -= flows.chip_cut
