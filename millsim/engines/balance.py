"""The sectional engine: a population balance on size classes, marched from the coarsest class down.

Nothing grows in a mill, so class i is fed only by coarser ones and the steady balance is lower triangular. A
strike is two events, bar then pin, and the flight between them is carried in BINS energy bins (see `strikes`). A piece
falls apart in one of WAYS, each of which shares its mass by a ratio H(y)/H(x): so all fragments of coarser classes are
known from one running sum per way (and bin, in flight), chips from one more: the march is O(classes).

Class error: second order in the class width for fracture (rates at the geometric mean, fragments cut at class
bounds), first order for the slow shrinkage by chips.
"""

from math import exp, expm1

import numpy as np

from ..base.numerics.jit import law, part
from ..laws import breakage, cutting, motion
from ..mill.chamber import (
    CONTACT,
    DUST_J,
    FINISHED,
    MEAN_COS2_PIN,
    NIP,
    PAIR,
    PIN,
    SHEAR,
    STRIKE,
    WASTED,
    WINDOW,
    fill_still,
)  # fmt: skip
from ..mill.edges import has_other_edges
from .records import (
    ABOVE,
    BINS,
    BREAK,
    CHIP_CLASS,
    CHIP_J,
    CHIP_SCALE,
    DUST,
    FINES,
    GAIN,
    NIPPED,
    OTHER,
    OTHERS,
    OUT,
    OWN,
    PER,
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
from .strikes import OBLIQUITY

DRIFT, FLIGHT = NIPPED, NIPPED + 1  # what a bar hit sends on, beside the ways: slowly shrinking, and all of it


@law
def fill_grid(m, edges, x, ways, fines, still, chip_finer):
    """Fill the tables of a Grid: what of each way falls where, fines, what stands still, chip powers."""
    for way in range(WAYS):
        q = m.split_exponent if way == SPLIT else m.nip_exponent if way == NIPPED else m.daughter_exponent
        below = 0.0  # dust joins the first class
        for i in range(x.size):
            if way == FINES:
                upto = exp(breakage.fines_weight(edges[i + 1], m.fines_exponent, m.fines_limit))
                whole = exp(breakage.fines_weight(x[i], m.fines_exponent, m.fines_limit))
            else:
                upto = exp(breakage.coarse_weight(edges[i + 1], q, m.fragment_floor))
                whole = exp(breakage.coarse_weight(x[i], q, m.fragment_floor))
            share = 1.0 if way == FINES else 1.0 - breakage.fines_share(x[i], m.fines_thickness)
            ways[i, way, GAIN], ways[i, way, PER], ways[i, way, OUT] = (
                upto - below,
                share / whole,
                below * share / whole,
            )
            below = upto
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
    carried = pair * exp(-partners) if pair > 0.0 else 0.0
    for _ in range(80):
        excess, slope = loss * mass - source, loss
        if most > 0.0:
            some = expm1(-window * mass)
            excess -= most * some / window
            slope += most * (1.0 + some)
        if carried > 0.0:
            own = beside * mass
            some = expm1(-own)
            none = 1.0 + some
            excess += carried * (by_own * (1.0 - none * (1.0 + own)) - partners * by_larger * some) / beside
            slope += carried * none * (by_own * own + partners * by_larger)
        if excess > 0.0:
            high = mass
        else:
            low = mass
        step = excess / slope
        mass -= step
        if not low <= mass <= high:
            mass = 0.5 * (low + high)
        elif abs(step) <= 1e-9 * mass:  # Newton: the next step were of the square of that
            break
    return mass


@law
def prop_weight(x, gap):
    """Weight of a piece as a prop of another: 1 where it fits through the gap, fading above: there it is bitten itself.

    exp(-4 (x/g - 1)): assumed, so that nothing jumps where the feed is as large as the gap.
    """
    return 1.0 if x <= gap else exp(-4.0 * (x / gap - 1.0))


@law
def _partners(x, gap, H, first, nips):
    """(mean number of coarser pieces in line with x that reach across the gap with it, share of x that stands out).

    nips, first: as in `_bite`. Two pieces are in line along the bar's height H with chance (x_1 + x_2) / H.
    """
    N, X, XX = nips[first, 0], nips[first, 1], nips[first, 2]
    count = (x * N + X) / H
    if count <= 0.0:
        return 0.0, 0.0
    return count, min(1.0, ((x - gap) * (x * N + X) + x * X + XX) / (x * H) / count)


@part
def _land(cells, ways, phi, air):
    """Let what flies land in a class: fill air[FLIGHT], what meets its pins, by bin.

    Returns (what stays in the class of it [kg/s], mean share of a struck kilogram that stays).
    """
    out_s, out_q, out_f = ways[SPLIT, OUT], ways[SHATTERED, OUT], ways[FINES, OUT]
    gain_s, gain_q, gain_f = ways[SPLIT, GAIN], ways[SHATTERED, GAIN], ways[FINES, GAIN]
    landed = stay = 0.0
    for b in range(BINS):
        cell = cells[b]
        flight = air[DRIFT, b] + gain_s * air[SPLIT, b] + gain_q * air[SHATTERED, b] + gain_f * air[FINES, b]
        air[FLIGHT, b] = flight
        pin_out = out_s + cell[PIN_SHATTER] * (out_q - out_s) + phi * out_f
        returns = 1.0 - cell[DUST] * out_f - (1.0 - cell[DUST]) * cell[PIN_BREAK] * pin_out
        landed += flight * returns
        bar_out = out_s + cell[SHATTER] * (out_q - out_s) + phi * out_f
        stay += (1.0 - cell[XI]) * (1.0 - cell[BREAK] * bar_out) * (1.0 - cell[SHRINK]) * returns
    return landed, stay / BINS


@part
def _bite(m, row, x, i, first, nips, inflow, loss, bite_out, work):
    """Charge [kg] in a class that loses `loss` [1/s] and what bites take out, bite_out of each finished bite.

    Fills work.screen and work.bridge and adds the class to nips (n+1, 4): pieces per nip coarser than a class bound
    that prop others, their first two moments of size, and all pieces there. first: the bound above this class, or where
    those begin that reach across the gap with x.
    """
    larger, window, partners, by_larger = nips[i + 1, 3], row[WINDOW], 0.0, 0.0
    weight = prop_weight(x, m.gap)
    beside = window * weight * min(1.0, 2.0 * x / m.face)
    by_own = max(0.0, min(1.0, (2.0 * x - m.gap) / x))
    unscreened = weight * exp(nips[i + 1, 0] - larger)  # no piece larger than the gap is in the nip
    pair = row[PAIR] * unscreened
    if pair > 0.0:
        partners, by_larger = _partners(x, m.gap, m.face, first, nips)
        if by_own <= 0.0 and partners <= 0.0:  # nothing reaches across the gap with it
            pair = 0.0
    mass = _class_mass(
        inflow, loss, row[NIP] * bite_out, pair * bite_out, larger, partners, by_larger, by_own, window, beside
    )
    own = window * mass
    work.screen[i] = cutting.screening(larger, own)
    work.bridge[i] = unscreened * cutting.bridging(partners, beside * mass, by_larger, by_own) if pair > 0.0 else 0.0
    nips[i, 3] = larger + own
    own *= weight
    nips[i, 0], nips[i, 1] = nips[i + 1, 0] + own, nips[i + 1, 1] + own * x
    nips[i, 2] = nips[i + 1, 2] + own * x * x
    return mass


@law
def _lay(of_class, scale, chipped, i, lots, chip_finer):
    """Add a lot of chips off class i, of one size, to lots."""
    at = min(int(of_class), i - 1)
    lots[0, at] += chipped * (1.0 - min(1.0, chip_finer[at] * scale))
    lots[1, at] += chipped * scale


@part
def _break(mixed, cells, ways, phi, dust_J, hit, i, air, free, lots, chip_finer, flows):
    """Strike a class, `hit` [kg/s] in each bin: what breaks, chips and flies on to the pins, and breaks on them.

    Adds to air and free, the running sums of what broke by way, over H of its size, in flight and free of it, and to
    lots (2, n): chips that land in a class, and those that reach below it, over h^q.
    """
    out_s, out_q, out_f = ways[SPLIT, OUT], ways[SHATTERED, OUT], ways[FINES, OUT]
    per_s, per_q, per_f = ways[SPLIT, PER], ways[SHATTERED, PER], ways[FINES, PER]
    above = bar_broken = pins_broken = dusted = split = shatter = 0.0
    for b in range(BINS):
        cell = cells[b]
        chipped = hit * cell[XI]
        broken = (hit - chipped) * cell[BREAK]
        unbroken = hit - chipped - broken * (out_s + cell[SHATTER] * (out_q - out_s) + phi * out_f)
        air[DRIFT, b] = unbroken * cell[SHRINK]
        flight = air[FLIGHT, b] + unbroken - air[DRIFT, b]
        air[FLIGHT, b] = flight
        air[SPLIT, b] += broken * (1.0 - cell[SHATTER]) * per_s
        air[SHATTERED, b] += broken * cell[SHATTER] * per_q
        air[FINES, b] += broken * phi * per_f
        dust = flight * cell[DUST]
        pin_broken = (flight - dust) * cell[PIN_BREAK]
        shattered = pin_broken * cell[PIN_SHATTER]
        shatter += shattered
        split += pin_broken - shattered
        dusted += dust
        pins_broken += pin_broken
        bar_broken += broken
        above += cell[ABOVE]
        if chipped > 0.0:
            flows.chips += chipped
            flows.chip_cut += hit * cell[CHIP_J]
            own = chipped
            if mixed:
                own = hit * cell[OWN]
                for j in (OTHER, OTHER + OTHERS):
                    _lay(cell[j + 1], cell[j + 2], hit * cell[j], i, lots, chip_finer)
            _lay(cell[CHIP_CLASS], cell[CHIP_SCALE], own, i, lots, chip_finer)
    free[SPLIT] += split * per_s
    free[SHATTERED] += shatter * per_q
    free[FINES] += (pins_broken * phi + dusted) * per_f
    flows.bar_above += hit * above
    flows.bar_fractures += bar_broken
    flows.pin_fractures += pins_broken
    flows.dust += dusted
    flows.dust_cut += dusted * dust_J


@law
def march(m, grid, work, source, shift, mass, flows):
    """Solve (shift + losses - gains) mass = source for the charge per class, coarsest first.

    source (n,) [kg/s] (or kg/s plus shift times kg in a time step); shift [1/s] is 0 for a steady state; work: as
    `fill_rates` left it. Fills mass (n,) [kg], work.screen, work.bridge and the FLOWS record.
    """
    x, n, table = grid.x, grid.x.size, work.table
    air, total = np.zeros((FLIGHT + 1, BINS)), np.zeros((2, BINS))
    free, lots, nips, chips, reach = np.zeros(WAYS), np.zeros((2, n)), np.zeros((n + 1, 4)), 0.0, 0
    mixed = has_other_edges(m)
    clear_flows(flows)
    for i in range(n - 1, -1, -1):
        row, cells, ways, phi = table[i], work.strikes[i], grid.ways[i], grid.fines[i]
        live = 1.0 if i > 0 else 0.0  # the dust class is followed no further
        strike = live * row[STRIKE]
        inflow = source[i] + lots[0, i] + chips * (grid.chip_finer[i + 1] - grid.chip_finer[i])
        for way in range(WAYS):
            inflow += ways[way, GAIN] * free[way]
        landed, stay = _land(cells, ways, phi, air)
        loss = strike * (1.0 - stay) + work.escape[i] + shift
        while reach < n and grid.edges[reach] < m.gap - x[i]:
            reach += 1
        bite_out = live * row[FINISHED] * (ways[NIPPED, OUT] + phi * ways[FINES, OUT])
        mass[i] = _bite(m, row, x[i], i, max(i + 1, reach), nips, inflow + landed, loss, bite_out, work)
        hit = mass[i] * strike / BINS
        _break(mixed, cells, ways, phi, row[DUST_J], hit, i, air, free, lots, grid.chip_finer, flows)
        chips += lots[1, i]
        bitten = live * mass[i] * (row[NIP] * work.screen[i] + row[PAIR] * work.bridge[i])
        free[NIPPED] += bitten * row[FINISHED] * ways[NIPPED, PER]
        free[FINES] += bitten * row[FINISHED] * phi * ways[FINES, PER]
        above = 0.0
        for b in range(BINS):
            pinned = air[FLIGHT, b] * row[PIN]
            total[0, b] += hit
            total[1, b] += pinned
            above += pinned * cells[b, PIN_ABOVE]
        flows.pin_above += above
        _book_class(mass[i], row, work.escape[i], strike, bitten, flows)
    book_strikes(work.hits[0], OBLIQUITY, total[0], total[1], flows)


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
