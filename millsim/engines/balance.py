"""The sectional engine: a population balance on size classes, marched from the coarsest class down.

Nothing grows in a mill, so class i is fed only by coarser ones and the steady balance is lower triangular. A
strike is two events, bar then pin, and the flight between them is carried in two streams (see `obliquity`). A piece
falls apart in one of WAYS, each of which shares its mass by a ratio H(y)/H(x): so all fragments of coarser classes are
known from one running sum per way (and stream, in flight), chips from one more: the march is O(classes).

Class error: second order in the class width for fracture (rates at the geometric mean, fragments cut at class bounds).
What shrinks by chips is followed on its way through a class (`fates.follow_drift`).
"""

from math import exp, log

import numpy as np

from ..base.numerics.jit import kernel, law
from ..base.numerics.quick import quick_exp
from ..laws import breakage, motion, sieving
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
from .bites import (
    BEYOND,
    BY_OWN,
    LINE,
    PART,
    PART_SIZE,
    PER_X,
    PROPS,
    REACH,
    bitten_class,
    partners_of,
    props_of,
    reach_of,
)
from .classes import fill_tab
from .fates import GATE_WIDE
from .obliquity import COS2
from .records import (
    ABOVE,
    BAR_FINES,
    BAR_SHATTER,
    BAR_SPLIT,
    BINS,
    BREAK,
    CHIP_J,
    DRIFTS,
    DUST,
    FINES,
    FLIGHT,
    GAIN,
    LOT_CLASS,
    LOT_SCALE,
    LOT_SHARE,
    NIPPED,
    OUT,
    PASSES,
    PER,
    PIN_ABOVE,
    PIN_BREAK,
    PIN_TO_FINES,
    PIN_TO_SHATTER,
    PIN_TO_SPLIT,
    RETURNS,
    SHATTERED,
    SPLIT,
    WAYS,
    XI,
)  # fmt: skip

DRIFT = NIPPED  # in the air no bite breaks: there, what shrinks slowly into the next class


@law
def _fill_way(ways, way, upto, share, whole):
    """Fill a way's columns from its H at the upper bounds of the classes and in their middles, (n,); share: of what
    breaks, (n,).
    """
    below = 0.0  # what is finer than all classes joins the first
    for i in range(upto.size):
        ways[i, way, GAIN], ways[i, way, PER] = upto[i] - below, share[i] / whole[i]
        ways[i, way, OUT] = below * ways[i, way, PER]
        below = upto[i]


@law
def _powers(ln, q, floor, found):
    """y^q times what its floor leaves, of all sizes; ln: of y."""
    for i in range(ln.size):
        found[i] = quick_exp(q * ln[i]) * floor[i]


@law
def _fill_gates(m, x, wide, gates):
    """Chances at an open hole of the middle of a class, which is known, and `wide` to each side, (n,) in size."""
    t_over_w, slow, low, high = m.plate / m.hole, m.slow_share, m.skim_ratio_low, m.skim_ratio_high
    shape, hole = m.shape, m.hole
    for i in range(x.size):
        z = shape * x[i] / hole
        gates[i, 0] = sieving.pass_open(z / wide[i], t_over_w, slow, low, high)
        gates[i, 1] = sieving.pass_open(z, t_over_w, slow, low, high)
        gates[i, 2] = sieving.pass_open(z * wide[i], t_over_w, slow, low, high)


@kernel
def fill_grid(mill, grid):
    """Fill the tables of a Grid for a MILL (1,): what of each way falls where, fines, what stands still, and so on."""
    m, edges, x, ways, still, props, n = mill[0], grid.edges, grid.x, grid.ways, grid.still, grid.props, grid.x.size
    ln_y, ln_x, floor_y, floor_x, upto, whole, coarse, one = np.empty((8, n))
    for i in range(n):
        ln_y[i], ln_x[i] = log(edges[i + 1]), log(x[i])
        floor_y[i], floor_x[i] = (
            breakage.floor_share(edges[i + 1], m.fragment_floor), breakage.floor_share(x[i], m.fragment_floor)
        )  # fmt: skip
        grid.fines[i] = breakage.fines_share(x[i], m.fines_thickness)
        coarse[i], one[i] = 1.0 - grid.fines[i], 1.0
    for way, q in ((SPLIT, m.split_exponent), (SHATTERED, m.daughter_exponent), (NIPPED, m.nip_exponent)):
        _powers(ln_y, q, floor_y, upto)
        _powers(ln_x, q, floor_x, whole)
        _fill_way(ways, way, upto, coarse, whole)
    _powers(ln_y, m.chip_exponent, one, upto)
    grid.chip_finer[0] = 0.0
    for i in range(n):
        grid.chip_finer[i + 1] = upto[i]
        upto[i] = exp(breakage.fines_weight(edges[i + 1], m.fines_exponent, m.fines_limit))
        whole[i] = exp(breakage.fines_weight(x[i], m.fines_exponent, m.fines_limit))
    _fill_way(ways, FINES, upto, one, whole)
    for i in range(n):
        one[i] = exp(GATE_WIDE * log(edges[i + 1] / edges[i]))
    _fill_gates(m, x, one, grid.gates)
    for i in range(n):
        fill_still(m, x[i], grid.gates[i, 1], still[i])
        props[i, PROPS], props[i, LINE], props[i, BY_OWN] = props_of(m, x[i])
        props[i, REACH], props[i, PART], props[i, PART_SIZE] = reach_of(m.gap, x[i], i, edges)
        props[i, BEYOND], props[i, PER_X] = (x[i] - m.gap) / x[i], 1.0 / x[i]
    fill_tab(m, edges, x, still, grid.tab)


@law
def _lay_chips(chips, hit, i, lots, chip_finer):
    """Add what a class that is struck, `hit` [kg/s] in all, chips off to lots (2, n); chips (LOTS, LOT_COLUMNS)."""
    for j in range(chips.shape[0]):
        if chips[j, LOT_SHARE] > 0.0:
            of_class, scale = min(int(chips[j, LOT_CLASS]), i - 1), chips[j, LOT_SCALE]
            lots[0, of_class] += hit * chips[j, LOT_SHARE] * (1.0 - min(1.0, chip_finer[of_class] * scale))
            lots[1, of_class] += hit * chips[j, LOT_SHARE] * scale


@law
def _partners(grid, nips, i, per_face):
    """What `partners_of` tells of class i; nips: pieces in a nip above each class bound, with two moments of size."""
    at, part, size = int(grid.props[i, REACH]), grid.props[i, PART], grid.props[i, PART_SIZE]
    N, X, XX = nips[at, 0], nips[at, 1], nips[at, 2]
    if part > 0.0:
        some = part * (nips[at - 1, 0] - N)
        N, X, XX = N + some, X + some * size, XX + some * size * size
    return partners_of(
        grid.x[i], grid.props[i, BEYOND], grid.props[i, PER_X], per_face, grid.props[i, BY_OWN],
        nips[i + 1, 0], nips[i + 1, 1], N, X, XX,
    )  # fmt: skip


@law
def march(m, grid, work, source, shift, held, mass, flows):
    """Solve (shift + losses - gains) mass = source + shift held for the charge per class, coarsest first.

    source (n,) [kg/s]; shift [1/s], one over the step from a charge held (n,) [kg], is 0 for a steady state; work: as
    `fill_rates` left it. Fills mass (n,) [kg], which may be held, work.screen, work.bridge, work.above and the FLOWS
    record.
    """
    x, ways, n, table, fates, finer = grid.x, grid.ways, grid.x.size, work.table, work.fates, grid.chip_finer
    # Running sums of what broke by way, over H of its size: in flight, by stream, and free of it.
    air, split, shatter, fines, nipped = work.air, 0.0, 0.0, 0.0, 0.0
    # Chips that land in a class, and those that reach below it, over h^q.
    lots, chips = work.landed, 0.0
    # Coarser pieces per nip that prop others, with their first two moments of size; chance that no coarser piece is in
    # the nip, and none larger than the gap.
    nips, alone, clear, per_face = work.nips, 1.0, 1.0, 1.0 / m.face
    air[:], lots[:], nips[:] = 0.0, 0.0, 0.0
    for i in range(n - 1, -1, -1):
        live = 1.0 if i > 0 else 0.0  # the dust class is followed no further
        strike, finished = live * table[i, STRIKE], live * table[i, FINISHED]
        gain_s, gain_q, gain_f = ways[i, SPLIT, GAIN], ways[i, SHATTERED, GAIN], ways[i, FINES, GAIN]
        inflow = source[i] + lots[0, i] + chips * (finer[i + 1] - finer[i])
        inflow += gain_s * split + gain_q * shatter + gain_f * fines + ways[i, NIPPED, GAIN] * nipped
        above = 0.0
        for b in range(BINS):
            flight = air[DRIFT, b] + gain_s * air[SPLIT, b] + gain_q * air[SHATTERED, b] + gain_f * air[FINES, b]
            fates[i, FLIGHT, b] = flight
            inflow += flight * fates[i, RETURNS, b]
            above += air[DRIFT, b] * fates[i, RETURNS, b]
        work.above[i] = min(1.0, above / inflow) if inflow > 0.0 else 0.0
        inflow += shift * held[i]
        window, weight = table[i, WINDOW], grid.props[i, PROPS]
        mass[i], work.screen[i], work.bridge[i], none = bitten_class(
            inflow, strike * (1.0 - work.stays[i]) + work.escape[i] + shift,
            finished * (ways[i, NIPPED, OUT] + grid.fines[i] * ways[i, FINES, OUT]),
            table[i, NIP], table[i, PAIR], window, (weight, grid.props[i, LINE], grid.props[i, BY_OWN]),
            _partners(grid, nips, i, per_face), alone, clear,
        )  # fmt: skip
        own = weight * window * mass[i]
        alone, clear = alone * none, clear if weight == 1.0 else clear * exp(own - window * mass[i])
        nips[i, 0], nips[i, 1] = nips[i + 1, 0] + own, nips[i + 1, 1] + own * x[i]
        nips[i, 2] = nips[i + 1, 2] + own * x[i] * x[i]
        hit = mass[i] * strike / BINS
        for b in range(BINS):
            flight = fates[i, FLIGHT, b] + hit * fates[i, PASSES, b]
            fates[i, FLIGHT, b], air[DRIFT, b] = flight, hit * fates[i, DRIFTS, b]
            air[SPLIT, b] += hit * fates[i, BAR_SPLIT, b]
            air[SHATTERED, b] += hit * fates[i, BAR_SHATTER, b]
            air[FINES, b] += hit * fates[i, BAR_FINES, b]
            split += flight * fates[i, PIN_TO_SPLIT, b]
            shatter += flight * fates[i, PIN_TO_SHATTER, b]
            fines += flight * fates[i, PIN_TO_FINES, b]
        if work.chipped[i] > 0.0:
            _lay_chips(work.lots[i], BINS * hit, i, lots, finer)
        chips += lots[1, i]
        bitten = finished * mass[i] * (table[i, NIP] * work.screen[i] + table[i, PAIR] * work.bridge[i])
        nipped, fines = nipped + bitten * ways[i, NIPPED, PER], fines + bitten * grid.fines[i] * ways[i, FINES, PER]
    book(work, mass, flows)


@law
def book(work, mass, flows):
    """Fill a FLOWS record with what becomes of a charge, `march` having left what flies on to the pins."""
    table, strikes, fates, pinned = work.table, work.strikes, work.fates, work.air[WAYS]
    pinned[:] = 0.0
    bar_hits = bar_above = bar_fractures = chips = chip_cut = pin_above = pin_fractures = 0.0
    dust = dust_cut = nips = nip_work = tries = exits = 0.0
    for i in range(mass.size):
        live, finished = 1.0 if i > 0 else 0.0, table[i, FINISHED]
        strike = live * mass[i] * table[i, STRIKE]
        hit, own_dust, own_above = strike / BINS, 0.0, 0.0
        for b in range(BINS):
            flight, xi = fates[i, FLIGHT, b], strikes[i, b, XI]
            dusted = flight * strikes[i, b, DUST]
            pinned[b] += flight * table[i, PIN]
            own_dust += dusted
            own_above += flight * strikes[i, b, PIN_ABOVE]
            pin_fractures += (flight - dusted) * strikes[i, b, PIN_BREAK]
            bar_above += hit * strikes[i, b, ABOVE]
            bar_fractures += hit * (1.0 - xi) * strikes[i, b, BREAK]
            chips += hit * xi
            chip_cut += hit * strikes[i, b, CHIP_J]
        bitten = live * mass[i] * (table[i, NIP] * work.screen[i] + table[i, PAIR] * work.bridge[i])
        bar_hits, pin_above = bar_hits + strike, pin_above + table[i, PIN] * own_above
        dust, dust_cut = dust + own_dust, dust_cut + own_dust * table[i, DUST_J]
        nips += bitten
        nip_work += bitten * (finished * table[i, SHEAR] + (1.0 - finished) * table[i, WASTED])
        tries, exits = tries + mass[i] * table[i, CONTACT], exits + mass[i] * work.escape[i]
    flows.bar_hits, flows.bar_above, flows.bar_fractures = bar_hits, bar_above, bar_fractures
    flows.pin_above, flows.pin_fractures, flows.chips, flows.chip_cut = pin_above, pin_fractures, chips, chip_cut
    flows.dust, flows.dust_cut, flows.nips, flows.nip_work = dust, dust_cut, nips, nip_work
    flows.tries, flows.exits = tries, exits
    book_strikes(work.hits[0], bar_hits / BINS, pinned, flows)


@law
def book_strikes(k, hits, pinned, flows):
    """Book the energy of strikes into watts: hits [kg/s] in each stream, pin hits (BINS,)."""
    flows.pin_hits = flows.work = flows.bar_heat = flows.path_heat = flows.pin_heat = flows.rub = 0.0
    for b in range(BINS):
        c = COS2[b]
        thrown = motion.thrown_energy(k.v, k.kappa, k.e_bar, c)
        pin_loss = (1.0 - k.e_pin**2) * thrown * k.survive * MEAN_COS2_PIN
        flows.pin_hits += pinned[b]
        flows.work += hits * motion.bar_work(k.v, k.kappa, k.e_bar, c)
        flows.bar_heat += hits * (1.0 - k.e_bar**2) * motion.bar_energy(k.v, k.kappa, c)
        flows.path_heat += pinned[b] * thrown * (1.0 - k.survive)
        flows.pin_heat += pinned[b] * pin_loss
        flows.rub += hits * (thrown - k.layer_energy) - pinned[b] * (thrown * (1.0 - k.survive) + pin_loss)
    flows.bar_heat -= flows.chip_cut
    flows.rub -= flows.dust_cut
