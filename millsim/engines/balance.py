"""The sectional engine: a population balance on size classes, marched from the coarsest class down.

Nothing grows in a mill, so class i is fed only by coarser ones and the steady balance is lower triangular. A
strike is two events, bar then pin, and the flight between them is carried in two streams (see `obliquity`). A piece
falls apart in one of WAYS, each of which shares its mass by a ratio H(y)/H(x): so all fragments of coarser classes are
known from one running sum per way (and stream, in flight), chips from one more: the march is O(classes).

Class error: second order in the class width for fracture (rates at the geometric mean, fragments cut at class
bounds), first order for the slow shrinkage by chips.
"""

from math import exp, log

from ..base.numerics.jit import law
from ..laws import breakage, motion
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
from .bites import BY_OWN, LINE, PART, PART_SIZE, PROPS, REACH, bitten_class, partners_of, props_of, reach_of
from .classes import fill_tab
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
def _fill_way(ways, i, way, below, upto, share, whole):
    """Fill a way's columns of class i from its H at the bounds of the class and in its middle; return the upper one."""
    ways[i, way, GAIN], ways[i, way, PER], ways[i, way, OUT] = upto - below, share / whole, below * share / whole
    return upto


@law
def fill_grid(m, edges, x, ways, fines, still, tab, props, chip_finer):
    """Fill the tables of a Grid: what of each way falls where, fines, what stands still, props, chip powers."""
    split = shattered = crushed = nipped = 0.0  # of each way, what is finer than the class; dust joins the first
    for i in range(x.size):
        ln_y, floor_y = log(edges[i + 1]), breakage.floor_weight(edges[i + 1], m.fragment_floor)
        ln_x, floor_x = log(x[i]), breakage.floor_weight(x[i], m.fragment_floor)
        coarse, q = 1.0 - breakage.fines_share(x[i], m.fines_thickness), m.split_exponent
        split = _fill_way(ways, i, SPLIT, split, exp(q * ln_y + floor_y), coarse, exp(q * ln_x + floor_x))
        q = m.daughter_exponent
        shattered = _fill_way(ways, i, SHATTERED, shattered, exp(q * ln_y + floor_y), coarse, exp(q * ln_x + floor_x))
        q = m.nip_exponent
        nipped = _fill_way(ways, i, NIPPED, nipped, exp(q * ln_y + floor_y), coarse, exp(q * ln_x + floor_x))
        upto = exp(breakage.fines_weight(edges[i + 1], m.fines_exponent, m.fines_limit))
        whole = exp(breakage.fines_weight(x[i], m.fines_exponent, m.fines_limit))
        crushed = _fill_way(ways, i, FINES, crushed, upto, 1.0, whole)
    for i in range(x.size):
        fines[i] = breakage.fines_share(x[i], m.fines_thickness)
        fill_still(m, x[i], still[i])
        props[i, PROPS], props[i, LINE], props[i, BY_OWN] = props_of(m, x[i])
        props[i, REACH], props[i, PART], props[i, PART_SIZE] = reach_of(m.gap, x[i], i, edges)
        chip_finer[i + 1] = edges[i + 1] ** m.chip_exponent
    chip_finer[0] = 0.0
    fill_tab(m, edges, x, still, tab)


@law
def _lay_chips(chips, hit, i, lots, chip_finer):
    """Add what a class that is struck, `hit` [kg/s] in all, chips off to lots (2, n); chips (LOTS, LOT_COLUMNS)."""
    for j in range(chips.shape[0]):
        if chips[j, LOT_SHARE] > 0.0:
            of_class, scale = min(int(chips[j, LOT_CLASS]), i - 1), chips[j, LOT_SCALE]
            lots[0, of_class] += hit * chips[j, LOT_SHARE] * (1.0 - min(1.0, chip_finer[of_class] * scale))
            lots[1, of_class] += hit * chips[j, LOT_SHARE] * scale


@law
def march(m, grid, work, source, shift, mass, flows):
    """Solve (shift + losses - gains) mass = source for the charge per class, coarsest first.

    source (n,) [kg/s] (or kg/s plus shift times kg in a time step); shift [1/s] is 0 for a steady state; work: as
    `fill_rates` left it. Fills mass (n,) [kg], work.screen, work.bridge and the FLOWS record.
    """
    x, ways, n, table, fates, finer = grid.x, grid.ways, grid.x.size, work.table, work.fates, grid.chip_finer
    # Running sums of what broke by way, over H of its size: in flight, by stream, and free of it.
    air, split, shatter, fines, nipped = work.air, 0.0, 0.0, 0.0, 0.0
    # Chips that land in a class, and those that reach below it, over h^q.
    lots, chips = work.landed, 0.0
    # Coarser pieces per nip that prop others, with their first two moments of size; chance that no coarser piece is in
    # the nip, and none larger than the gap.
    nips, alone, clear = work.nips, 1.0, 1.0
    air[:], lots[:], nips[:] = 0.0, 0.0, 0.0
    for i in range(n - 1, -1, -1):
        live = 1.0 if i > 0 else 0.0  # the dust class is followed no further
        strike, finished = live * table[i, STRIKE], live * table[i, FINISHED]
        gain_s, gain_q, gain_f = ways[i, SPLIT, GAIN], ways[i, SHATTERED, GAIN], ways[i, FINES, GAIN]
        inflow = source[i] + lots[0, i] + chips * (finer[i + 1] - finer[i])
        inflow += gain_s * split + gain_q * shatter + gain_f * fines + ways[i, NIPPED, GAIN] * nipped
        for b in range(BINS):
            flight = air[DRIFT, b] + gain_s * air[SPLIT, b] + gain_q * air[SHATTERED, b] + gain_f * air[FINES, b]
            fates[i, FLIGHT, b] = flight
            inflow += flight * fates[i, RETURNS, b]
        at, part, size = int(grid.props[i, REACH]), grid.props[i, PART], grid.props[i, PART_SIZE]
        N, X, XX, window, weight = nips[at, 0], nips[at, 1], nips[at, 2], table[i, WINDOW], grid.props[i, PROPS]
        if part > 0.0:
            some = part * (nips[at - 1, 0] - N)
            N, X, XX = N + some, X + some * size, XX + some * size * size
        mass[i], work.screen[i], work.bridge[i], none = bitten_class(
            inflow, strike * (1.0 - work.stays[i]) + work.escape[i] + shift,
            finished * (ways[i, NIPPED, OUT] + grid.fines[i] * ways[i, FINES, OUT]),
            table[i, NIP], table[i, PAIR], window, (weight, grid.props[i, LINE], grid.props[i, BY_OWN]),
            partners_of(m, x[i], grid.props[i, BY_OWN], nips[i + 1, 0], nips[i + 1, 1], N, X, XX), alone, clear,
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
