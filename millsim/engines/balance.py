"""The sectional engine: a population balance on size classes, marched from the coarsest class down.

Nothing grows in a mill, so class i is fed only by coarser ones and the steady balance is lower triangular. A
strike is two events, bar then pin; between them the piece flies with an energy that depends on how squarely the
bar met it. The flight is carried in BINS energy bins of equal probability. A piece falls apart in one of WAYS, each of
which shares its mass by a ratio H(y)/H(x): so all fragments of coarser classes are known from one running sum per way
(and bin, in flight), chips from one more: the march is O(classes).

Class error: second order in the class width for fracture (rates at the geometric mean, fragments cut at class
bounds), first order for the slow shrinkage by chips.
"""

from math import exp, expm1, log, log1p, sqrt

import numpy as np

from ..base.numerics.jit import law
from ..laws import breakage, cutting, motion
from ..mill.chamber import (
    AIRBORNE,
    C_EXPONENT,
    CONTACT,
    CUT_FROM,
    DUST_J,
    F_MAT,
    FINISHED,
    MEAN_COS2_PIN,
    NIP,
    OPEN_HOLE,
    PAIR,
    PIN,
    SHEAR,
    STRIKE,
    WASTED,
    WINDOW,
    XW_MIN,
    chip_of,
    dust_of,
    fill_still,
    open_to_pass,
    size_rates,
    strike_energies,
)  # fmt: skip
from .records import (
    ABOVE,
    BINS,
    BREAK,
    CHIP_CLASS,
    CHIP_J,
    CHIP_SCALE,
    DUST,
    FINES,
    NIPPED,
    PIN_ABOVE,
    PIN_BREAK,
    PIN_SHATTER,
    SHATTER,
    SHATTERED,
    SHRINK,
    SPLIT,
    WAYS,
    XI,
    clear_flows,
)  # fmt: skip

_GAUSS_X = 0.5 + 0.5 * np.polynomial.legendre.leggauss(4)[0]
_GAUSS_W = 0.5 * np.polynomial.legendre.leggauss(4)[1]
_PAIR_X = 0.5 + 0.5 * np.polynomial.legendre.leggauss(2)[0]  # enough where a whole bin is above the threshold


def _bin_table() -> np.ndarray:
    """(BINS, 4): mean cos^2 of each bin, at its two Gauss points, and in its middle (constant of the obliquity law)."""
    table = np.empty((BINS, 4))
    for b in range(BINS):
        lo, hi = b / BINS, (b + 1) / BINS
        p = C_EXPONENT + 1.0
        table[b, 0] = (hi**p - lo**p) / p * BINS
        table[b, 1:3] = (lo + (hi - lo) * _PAIR_X) ** C_EXPONENT
        table[b, 3] = (0.5 * (lo + hi)) ** C_EXPONENT
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
        return total, shattered / total, 1.0
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
def bin_chips(m, k, row, x, b, u_min, W_square, edges, obliquity, cell):
    """Fill what a bar hit in obliquity bin b chips off a piece x: its share, its cost, and the lot it comes as.

    The chips of a bin are of one size h, that of the middle of the hits that pay for one; the class of h and h^-q say
    how they spread over finer classes. u_min: quantile of the obliquity from which hits pay.
    """
    lo, hi = b / BINS, (b + 1.0) / BINS
    c = obliquity[b, 3] if u_min <= lo else (0.5 * (u_min + hi)) ** C_EXPONENT
    share = 1.0 if u_min <= lo else (hi - u_min) * BINS
    xi, h, cost = chip_of(m, k, row, x, W_square * c)
    if xi > 0.0:
        cell[XI], cell[CHIP_J] = share * xi, share * cost
        cell[CHIP_CLASS] = np.searchsorted(edges, min(h, 0.999 * x), side="right") - 1
        cell[CHIP_SCALE] = h**-m.chip_exponent


@law
def fill_strikes(m, k, grid, work, obliquity):
    """Fill work.strikes: what one strike does to a piece of each class, by obliquity bin (STRIKE_COLUMNS)."""
    edges, x, strikes = grid.edges, grid.x, work.strikes
    W_square = motion.bar_energy(k.v, k.kappa, 1.0)
    pin_rub = (1.0 - k.survive) + (1.0 - k.e_pin**2) * k.survive * MEAN_COS2_PIN  # share of the flight a pin hit takes
    for i in range(x.size):
        row = work.table[i]
        shrink = -1.0 / 3.0 / log(edges[i + 1] / edges[i])
        u_break = min(1.0, row[XW_MIN] / (x[i] * W_square)) ** (1.0 / C_EXPONENT)
        u_chip = min(1.0, row[CUT_FROM] / (k.edge_share * W_square)) ** (1.0 / C_EXPONENT)
        for b in range(BINS):
            cell = strikes[i, b]
            cell[XI] = cell[CHIP_J] = 0.0
            if u_chip < (b + 1.0) / BINS:
                bin_chips(m, k, row, x[i], b, u_chip, W_square, edges, obliquity, cell)
            cell[BREAK], cell[SHATTER], cell[ABOVE] = bar_break_share(
                b, x[i], row[F_MAT], row[XW_MIN], W_square, m.shatter_slope, u_break, obliquity
            )
            thrown = motion.thrown_energy(k.v, k.kappa, k.e_bar, obliquity[b, 0])
            pinned = pin_break_share(x[i], row[F_MAT], row[XW_MIN], thrown * k.survive, m.shatter_slope)
            cell[PIN_BREAK], cell[PIN_SHATTER], cell[PIN_ABOVE] = row[PIN] * pinned[0], pinned[1], pinned[2]
            cell[DUST] = dust_of(m, row, thrown * (1.0 - row[PIN] * pin_rub) - k.layer_energy)
            cell[SHRINK] = shrink * log1p(cell[XI] * cell[DUST] - cell[XI] - cell[DUST])
    for column in (XI, CHIP_J, PIN_BREAK, DUST):
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


@law
def fill_grid(m, edges, x, finer, whole, fines, still, chip_finer):
    """Fill the tables of a Grid: H of every way at class bounds and sizes, fines, what stands still, chip powers."""
    for way in range(WAYS):
        q = m.split_exponent if way == SPLIT else m.nip_exponent if way == NIPPED else m.daughter_exponent
        for i in range(x.size):
            if way == FINES:
                finer[way, i + 1] = exp(breakage.fines_weight(edges[i + 1], m.fines_exponent, m.fines_limit))
                whole[way, i] = exp(breakage.fines_weight(x[i], m.fines_exponent, m.fines_limit))
            else:
                finer[way, i + 1] = exp(breakage.coarse_weight(edges[i + 1], q, m.fragment_floor))
                whole[way, i] = exp(breakage.coarse_weight(x[i], q, m.fragment_floor))
        finer[way, 0] = 0.0
    for i in range(x.size):
        fines[i] = breakage.fines_share(x[i], m.fines_thickness)
        fill_still(m, x[i], still[i])
        chip_finer[i + 1] = edges[i + 1] ** m.chip_exponent
    chip_finer[0] = 0.0


@law
def _class_mass(source, loss, nip, pair, larger, partners, by_larger, by_own, window, beside):
    """Charge in one class from source = loss m + bites(m).

    nip: bites of pieces alone, which screen each other (`screening`; window: such pieces per nip and kg); pair: bites
    of pieces that another props across the gap (`bridging`; beside: pieces in line with it per kg). Bites rise with m
    and are bounded. Newton, kept within a bracket that shrinks.
    """
    if window <= 0.0 or (nip <= 0.0 and pair <= 0.0):
        return source / loss
    low, high, most = 0.0, source / loss, nip * exp(-larger)
    mass = source / (loss + most)
    for _ in range(80):
        excess, slope = loss * mass - source, loss
        if most > 0.0:
            excess -= most * expm1(-window * mass) / window
            slope += most * exp(-window * mass)
        if pair > 0.0:
            own, carried = beside * mass, pair * exp(-partners)
            none = exp(-own)
            excess += carried * (by_own * (1.0 - none * (1.0 + own)) - partners * by_larger * expm1(-own)) / beside
            slope += carried * none * (by_own * own + partners * by_larger)
        if excess > 0.0:
            high = mass
        else:
            low = mass
        step = excess / slope
        mass -= step
        if not low <= mass <= high:
            mass = 0.5 * (low + high)
        elif abs(step) <= 1e-15 * mass:
            break
    return mass


@law
def prop_weight(x, gap):
    """Weight of a piece as a prop of another: 1 where it fits through the gap, fading above: there it is bitten itself.

    exp(-4 (x/g - 1)): assumed, so that nothing jumps where the feed is as large as the gap.
    """
    return 1.0 if x <= gap else exp(-4.0 * (x / gap - 1.0))


@law
def _partners(x, gap, H, first, sums, edges):
    """(mean number of coarser pieces in line with x that reach across the gap with it, share of x that stands out).

    sums (n+1, 3): pieces per nip coarser than each class bound, weighted as props, and their first two moments of size;
    first: the bound above this class. Two pieces are in line along the bar's height H with chance (x_1 + x_2) / H.
    """
    if edges[first] < gap - x:  # only those coarser than gap - x reach across
        first = min(np.searchsorted(edges, gap - x), edges.size - 1)
    N, X, XX = sums[first, 0], sums[first, 1], sums[first, 2]
    count = (x * N + X) / H
    if count <= 0.0:
        return 0.0, 0.0
    return count, min(1.0, ((x - gap) * (x * N + X) + x * X + XX) / (x * H) / count)


@law
def march(m, grid, work, source, shift, mass, flows):
    """Solve (shift + losses - gains) mass = source for the charge per class, coarsest first.

    source (n,) [kg/s] (or kg/s plus shift times kg in a time step); shift [1/s] is 0 for a steady state; work: as
    `fill_rates` left it. Fills mass (n,) [kg], work.screen, work.bridge and the FLOWS record.
    """
    k, x, edges, n = work.hits[0], grid.x, grid.edges, grid.x.size
    table, strikes, finer, whole = work.table, work.strikes, grid.finer, grid.whole
    flying, drift, flight = np.zeros((BINS, NIPPED)), np.zeros(BINS), np.empty(BINS)
    hits, pinned = np.zeros(BINS), np.zeros(BINS)
    lots, spread = np.zeros(n), np.zeros(n)  # chips that land in a class, and those that reach below it, over h^q
    counts, props = np.zeros(n + 1), np.zeros((n + 1, 3))
    split = shatter = fines = nipped = chips = 0.0  # running sums of what broke, by way, over H of its size
    clear_flows(flows)
    for i in range(n - 1, -1, -1):
        row, phi = table[i], grid.fines[i]
        live = 1.0 if i > 0 else 0.0  # the dust class is followed no further
        strike = live * row[STRIKE]
        gain_s, gain_q = finer[SPLIT, i + 1] - finer[SPLIT, i], finer[SHATTERED, i + 1] - finer[SHATTERED, i]
        gain_f, gain_n = finer[FINES, i + 1] - finer[FINES, i], finer[NIPPED, i + 1] - finer[NIPPED, i]
        per_s, per_q = (1.0 - phi) / whole[SPLIT, i], (1.0 - phi) / whole[SHATTERED, i]
        per_f, per_n = 1.0 / whole[FINES, i], (1.0 - phi) / whole[NIPPED, i]
        out_s, out_q, out_f = finer[SPLIT, i] * per_s, finer[SHATTERED, i] * per_q, finer[FINES, i] * per_f
        inflow = source[i] + lots[i] + chips * (grid.chip_finer[i + 1] - grid.chip_finer[i])
        inflow += gain_s * split + gain_q * shatter + gain_f * fines + gain_n * nipped
        stay = 0.0
        for b in range(BINS):
            cell = strikes[i, b]
            flight[b] = drift[b] + gain_s * flying[b, 0] + gain_q * flying[b, 1] + gain_f * flying[b, 2]
            pin_out = out_s + cell[PIN_SHATTER] * (out_q - out_s) + phi * out_f
            returns = 1.0 - cell[DUST] * out_f - (1.0 - cell[DUST]) * cell[PIN_BREAK] * pin_out
            inflow += flight[b] * returns
            bar_out = out_s + cell[SHATTER] * (out_q - out_s) + phi * out_f
            stay += (1.0 - cell[XI]) * (1.0 - cell[BREAK] * bar_out) * (1.0 - cell[SHRINK]) * returns
        loss = strike * (1.0 - stay / BINS) + work.escape[i] + shift
        nip_out = live * row[FINISHED] * (finer[NIPPED, i] * per_n + phi * out_f)
        larger, window, partners, by_larger = counts[i + 1], row[WINDOW], 0.0, 0.0
        weight = prop_weight(x[i], m.gap)
        beside = window * weight * min(1.0, 2.0 * x[i] / m.H)
        by_own = max(0.0, min(1.0, (2.0 * x[i] - m.gap) / x[i]))
        unscreened = weight * exp(props[i + 1, 0] - larger)  # no piece larger than the gap is in the nip
        pair = row[PAIR] * unscreened
        if pair > 0.0:
            partners, by_larger = _partners(x[i], m.gap, m.H, i + 1, props, edges)
        mass[i] = _class_mass(
            inflow, loss, row[NIP] * nip_out, pair * nip_out, larger, partners, by_larger, by_own, window, beside
        )
        own = window * mass[i]
        work.screen[i] = cutting.screening(larger, own)
        work.bridge[i] = unscreened * cutting.bridging(partners, beside * mass[i], by_larger, by_own)
        counts[i] = counts[i + 1] + own
        own *= weight
        props[i, 0], props[i, 1] = props[i + 1, 0] + own, props[i + 1, 1] + own * x[i]
        props[i, 2] = props[i + 1, 2] + own * x[i] * x[i]
        hit = mass[i] * strike / BINS
        for b in range(BINS):
            cell = strikes[i, b]
            chipped = hit * cell[XI]
            broken = (hit - chipped) * cell[BREAK]
            unbroken = hit - chipped - broken * (out_s + cell[SHATTER] * (out_q - out_s) + phi * out_f)
            drift[b] = unbroken * cell[SHRINK]
            flight[b] += unbroken - drift[b]
            flying[b, 0] += broken * (1.0 - cell[SHATTER]) * per_s
            flying[b, 1] += broken * cell[SHATTER] * per_q
            flying[b, 2] += broken * phi * per_f
            dust = flight[b] * cell[DUST]
            pin_broken = (flight[b] - dust) * cell[PIN_BREAK]
            split += pin_broken * (1.0 - cell[PIN_SHATTER]) * per_s
            shatter += pin_broken * cell[PIN_SHATTER] * per_q
            fines += (pin_broken * phi + dust) * per_f
            hits[b] += hit
            pinned[b] += flight[b] * row[PIN]
            flows.bar_above += hit * cell[ABOVE]
            flows.pin_above += flight[b] * row[PIN] * cell[PIN_ABOVE]
            flows.bar_fractures += broken
            flows.pin_fractures += pin_broken
            flows.dust += dust
            flows.dust_cut += dust * row[DUST_J]
            if chipped > 0.0:
                flows.chips += chipped
                flows.chip_cut += hit * cell[CHIP_J]
                at = min(int(cell[CHIP_CLASS]), i - 1)
                lots[at] += chipped * (1.0 - min(1.0, grid.chip_finer[at] * cell[CHIP_SCALE]))
                spread[at] += chipped * cell[CHIP_SCALE]
        chips += spread[i]
        bitten = live * mass[i] * (row[NIP] * work.screen[i] + row[PAIR] * work.bridge[i])
        nipped += bitten * row[FINISHED] * per_n
        fines += bitten * row[FINISHED] * phi * per_f
        _book_class(mass[i], row, work.escape[i], strike, bitten, flows)
    book_strikes(k, OBLIQUITY, hits, pinned, flows)


@law
def _book_class(mass, row, escape, strike, bitten, flows):
    """Book what does not depend on obliquity: hits, nips, sieve tries and exits of one class."""
    flows.bar_hits += mass * strike
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
    flows.rub -= flows.dust_cut
