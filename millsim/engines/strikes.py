"""What one strike does to a piece of each size class: breaks, chips, rubs off dust, sends it on to a pin.

A strike is two events, bar then pin; between them the piece flies with an energy that depends on how squarely the
bar met it. That is carried in two streams (`obliquity`).
"""

from math import exp, log, sqrt
from typing import NamedTuple

from ..base.numerics.jit import law
from ..laws import cutting, motion
from ..mill.chamber import (
    AIRBORNE,
    CONTACT,
    CUT_FROM,
    DUST_J,
    F_MAT,
    MEAN_COS2_PIN,
    NEVER,
    OPEN_HOLE,
    PIN,
    STRIKE,
    XW_MIN,
    dust_of,
    open_to_pass,
    size_rates,
    strike_energies,
)  # fmt: skip
from ..mill.edges import (
    chip_cost,
    chip_of,
    has_other_edges,
    largest_chip,
    main_cut,
    other_cut,
    pays_from,
    pays_in_full_from,
)  # fmt: skip
from .classes import fill_classes
from .fates import (
    LEAST_DRIFT,
    LEAST_LOSS,
    bite_loss,
    class_fates,
    fill_fates,
    follow_drift,
    is_feed,
    lost_per_strike,
    through,
)
from .obliquity import COS2, MEAN, PER_SPREAD, POWER, bar_moments, gauss, pin_moments, to_streams
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
    PIN_ABOVE,
    PIN_BREAK,
    PIN_SHATTER,
    SHATTER,
    SHRINK,
    XI,
)  # fmt: skip
from .threshold import (  # fmt: skip
    NODES,
    Onsets,
    add_to_mean,
    break_onset,
    chip_onset,
    chips_matter,
    class_of,
    clear_mean,
    fit_row,
    nearness,
    node_of,
    part_below,
    take_mean,
)

_CHIP_X, _CHIP_W = gauss(CHIP_POINTS)
FULL_POINTS = 4  # over hits that pay for the largest chip: a power of 6 at most
_FULL_X, _FULL_W = gauss(FULL_POINTS)
FREE = 0.7  # of the hole: pieces below it wait for nothing
MOST_CHIPPED = 0.05  # as of `cutting.chip_share`


class Flight(NamedTuple):
    """What strikes of a frozen state share: energies [J/kg] of a square bar hit, of flight without a throw and what a
    square hit adds to it; share of it that is left at a pin, and that a pin hit takes; what the layer keeps [J/kg].
    """

    square: float
    idle: float
    throw: float
    survive: float
    pin_rub: float
    layer: float


@law
def flight_of(k):
    """The Flight of a frozen state from its STRIKES record."""
    idle = motion.thrown_energy(k.v, k.kappa, k.e_bar, 0.0)
    return Flight(
        motion.bar_energy(k.v, k.kappa, 1.0), idle, motion.thrown_energy(k.v, k.kappa, k.e_bar, 1.0) - idle, k.survive,
        (1.0 - k.survive) + (1.0 - k.e_pin**2) * k.survive * MEAN_COS2_PIN, k.layer_energy,
    )  # fmt: skip


@law
def fill_breaks(broken, shattered, above, share, moments, strikes, i):
    """Fill the columns of a class for what breaks, the share of it that shatters and what is hit hard enough.

    moments: as `bar_moments` gives them; share: of pieces that are hit at all.
    """
    breaks, shatters = to_streams(moments[0], moments[1], 1.0), to_streams(moments[2], moments[3], 1.0)
    enough = to_streams(moments[4], moments[5], 1.0)
    for b in range(BINS):
        strikes[i, b, broken], strikes[i, b, above] = share * breaks[b], enough[b]
        strikes[i, b, shattered] = min(1.0, shatters[b] / breaks[b]) if breaks[b] > 0.0 else 0.0


@law
def add_lot(m, edges, x, h, share, lots, i, at):
    """Put a share of what is hit into a lot of chips of size h."""
    of_class = class_of(edges, min(h, 0.999 * x), int(lots[i, at, LOT_CLASS]))
    lots[i, at, LOT_SHARE], lots[i, at, LOT_CLASS] = share, float(of_class)
    lots[i, at, LOT_SCALE] = exp(-m.chip_exponent * log(h))


@law
def add_chips(m, cut, row, x, square, length, edges, lots, i, at):
    """Fill the lots of a class from `at` on with the chips of an edge that has a share `length` of the bars.

    Returns (mean, mean times cos^2, cost [J/kg]) of what it chips off, over all bar hits. square: of a square hit.
    """
    start, full = pays_from(cut, square), pays_in_full_from(m, cut, row, x, square)
    chipped = chipped_c = cost = 0.0
    if start >= 1.0:
        return chipped, chipped_c, cost
    if full > start:  # hits that pay for a chip, but not for the largest
        low, high = start * start, min(1.0, full) ** 2
        for g in range(CHIP_POINTS):  # of the square of cos^2, which there are ever more hits of
            c = sqrt(low + (high - low) * _CHIP_X[g])
            hits = length * (high - low) * _CHIP_W[g] * 0.5 * POWER * c * c * c
            xi, h, energy = chip_of(m, cut, row, x, square * c)
            if xi > 0.0:
                add_lot(m, edges, x, h, hits * xi, lots, i, at + g)
            chipped, chipped_c, cost = chipped + hits * xi, chipped_c + hits * xi * c, cost + hits * energy
    if full < 1.0:
        low, whole, whole_c, h = max(start, full), 0.0, 0.0, largest_chip(cut, x)
        w_cut = chip_cost(m, cut, row, h)
        for g in range(FULL_POINTS):
            c = low + (1.0 - low) * _FULL_X[g]
            hits = length * (1.0 - low) * _FULL_W[g] * POWER * (c * c) * (c * c)
            xi = cutting.chip_share(cut.share * square * c, cut.start, w_cut)
            whole, whole_c = whole + hits * xi, whole_c + hits * xi * c
        add_lot(m, edges, x, h, whole, lots, i, at + CHIP_POINTS)
        chipped, chipped_c, cost = chipped + whole, chipped_c + whole_c, cost + whole * w_cut
    return chipped, chipped_c, cost


@law
def fill_chips(m, k, row, x, square, edges, strikes, lots, i):
    """Fill the chip columns and lots of a class: what all edges chip off, each as often as its share of the length.

    There is no mean edge.
    """
    for j in range(lots.shape[1]):
        lots[i, j, LOT_SHARE] = 0.0
    own = 1.0 - m.other_share[0] - m.other_share[1]
    chipped, chipped_c, cost = add_chips(m, main_cut(m, k, row), row, x, square, own, edges, lots, i, 0)
    if has_other_edges(m):
        for j in range(m.other_share.size):
            cut, at = other_cut(m, k, row, x, j), (j + 1) * (CHIP_POINTS + 1)
            more = add_chips(m, cut, row, x, square, m.other_share[j], edges, lots, i, at)
            chipped, chipped_c, cost = chipped + more[0], chipped_c + more[1], cost + more[2]
    streams = to_streams(chipped, (chipped_c - MEAN * chipped) * PER_SPREAD, MOST_CHIPPED)
    for b in range(BINS):
        strikes[i, b, XI], strikes[i, b, CHIP_J] = streams[b], cost


@law
def fill_fractures(m, flight, x, table, strikes, bench, i):
    """Fill the columns of what breaks at the bar and on a pin, where there is any."""
    firm, e_0 = table[i, F_MAT] * x, table[i, F_MAT] * table[i, XW_MIN]
    square, arrives, pin = firm * flight.square, firm * flight.survive, table[i, PIN]
    if square > e_0:
        fill_breaks(BREAK, SHATTER, ABOVE, 1.0, bar_moments(square, e_0, m.shatter_slope, bench), strikes, i)
    if arrives * (flight.idle + flight.throw) > e_0 and pin > 0.0:
        moments = pin_moments(arrives * flight.idle, arrives * flight.throw, e_0, m.shatter_slope, bench)
        fill_breaks(PIN_BREAK, PIN_SHATTER, PIN_ABOVE, pin, moments, strikes, i)


@law
def fill_dust(m, flight, log_width, table, strikes, i):
    """Fill the columns of dust, and of what chips and dust let shrink into the next class, log_width wide in ln x."""
    for b in range(BINS):
        xi, thrown = strikes[i, b, XI], flight.idle + flight.throw * COS2[b]
        rub = thrown * (1.0 - table[i, PIN] * flight.pin_rub) - flight.layer
        dust = dust_of(m.attrition_share, table[i, DUST_J], rub)
        strikes[i, b, DUST] = dust
        strikes[i, b, SHRINK] = cutting.log_left(xi + dust - xi * dust) / (-3.0 * log_width)


@law
def fill_cells(m, k, flight, x, log_width, edges, table, strikes, lots, bench, i):
    """Fill strikes[i] (BINS, STRIKE_COLUMNS), what one strike does to a piece x by stream, and lots[i], its chips.

    table[i]: rates and strengths at its size (RATE_COLUMNS); log_width: ln of the width of the class that it shrinks
    through; bench: a workbench of `obliquity`.
    """
    for b in range(BINS):
        for column in (XI, CHIP_J, BREAK, SHATTER, ABOVE, PIN_BREAK, PIN_SHATTER, PIN_ABOVE):
            strikes[i, b, column] = 0.0
    fill_chips(m, k, table[i], x, flight.square, edges, strikes, lots, i)
    fill_fractures(m, flight, x, table, strikes, bench, i)
    fill_dust(m, flight, log_width, table, strikes, i)


@law
def average_class(m, k, flight, grid, work, i, onsets, near):
    """Fill work.strikes and work.lots of class i with the mean over sizes in it (see `threshold`), as far as `near`."""
    table, strikes, lots, edges = work.table, work.strikes, work.lots, grid.edges
    x, low, high = grid.x[i], edges[i], edges[i + 1]
    xw_min, cut_from, log_width = table[i, XW_MIN], table[i, CUT_FROM], log(high / low)
    clear_mean(work.mean, work.mean_lots)
    escapes, even = (work.escape[i] - table[i, AIRBORNE]) / table[i, STRIKE], 1.0 - work.above[i]
    J, weight, drifted, end = work.above[i], 0.0, 0.0, high
    while end > low:
        start, onset = part_below(onsets, low, end)
        for g in range(NODES - 1 if onset > 0.0 else 0, -1, -1):
            size, share = node_of(g, start, end, onset) if onset > 0.0 else (sqrt(start * end), 1.0)
            fit_row(m, table, i, size, xw_min, x)
            fill_cells(m, k, flight, size, log_width, edges, table, strikes, lots, work.bench, i)
            stays, drifts, _ = class_fates(strikes, grid.ways, grid.fines, work.fates, i)
            lost = lost_per_strike(grid, work, i, stays, drifts) + escapes
            drifts, width = drifts + LEAST_DRIFT, share * log(end / start) / log_width
            w, J = through(J, even * width, lost * width, drifts)
            w *= width / drifts
            add_to_mean(w, strikes, lots, i, work.mean, work.mean_lots)
            weight, drifted = weight + w, drifted + w * drifts
        end = start
    work.sooner[i] = J / drifted
    table[i, XW_MIN], table[i, CUT_FROM] = xw_min, cut_from
    if near < 1.0:
        fill_cells(m, k, flight, x, log_width, edges, table, strikes, lots, work.bench, i)
        stays, drifts, _ = class_fates(strikes, grid.ways, grid.fines, work.fates, i)
        lost = lost_per_strike(grid, work, i, stays, drifts) + escapes
        w, J = through(work.above[i], even, lost, drifts + LEAST_DRIFT)
        work.sooner[i] = near * work.sooner[i] + (1.0 - near) * J / w
        add_to_mean(weight * (1.0 / near - 1.0), strikes, lots, i, work.mean, work.mean_lots)
        weight /= near
    take_mean(m, edges, work.mean, work.mean_lots, weight, strikes, lots, i)


@law
def onsets_near(m, k, row, x, low, high, square, hardest, loss):
    """The Onsets of a class x from low to high, and how near it is to any of them, to those of chips as far as they
    matter. Where it is near, all cut it, whether they matter or not: else it would jump where they begin to.

    square, hardest: of bar hits, of all hits [J/kg]; loss: of the class, per strike.
    """
    breaks, chips, others, third = break_onset(m, row, x, hardest), NEVER, NEVER, NEVER
    near, width, own = nearness(breaks, low, high), log(high / low), 1.0 - m.other_share[0] - m.other_share[1]
    cut = main_cut(m, k, row)
    matters, mixed = chips_matter(m, cut, row, x, width, own * square, loss), has_other_edges(m)
    if cut.share > 0.0 and (near > 0.0 or matters > 0.0 or mixed):
        chips = chip_onset(m, cut, row, square)
        near = max(near, matters * nearness(chips, low, high))
    if mixed:
        first, second = other_cut(m, k, row, x, 0), other_cut(m, k, row, x, 1)
        if first.share > 0.0:
            others = chip_onset(m, first, row, square)
            matters = chips_matter(m, first, row, x, width, m.other_share[0] * square, loss)
            near = max(near, matters * nearness(others, low, high))
        if second.share > 0.0:
            third = chip_onset(m, second, row, square)
            matters = chips_matter(m, second, row, x, width, m.other_share[1] * square, loss)
            near = max(near, matters * nearness(third, low, high))
    return Onsets(breaks, chips, others, third), near


@law
def average_near_onsets(m, s, k, flight, grid, work):
    """Average the classes that are near an onset by what a steady state holds of them.

    But for what leaves by the sieve whether it breaks or not, and for a feed of one size: all of it is at the middle of
    its class.
    """
    if s.lumped > 0.0:
        return
    edges, x, table, hardest = grid.edges, grid.x, work.table, hardest_hit(m, flight)
    work.sooner[:] = 0.0
    strikes, ways, fines, fates, escape = work.strikes, grid.ways, grid.fines, work.fates, work.escape
    for i in range(x.size):
        if edges[i] * m.shape <= FREE * m.hole or is_feed(m, x[i]):
            continue
        stays = class_fates(strikes, ways, fines, fates, i)[0]
        loss = max(1.0 - stays + (escape[i] + bite_loss(grid, work, i)) / table[i, STRIKE], LEAST_LOSS)
        onsets, near = onsets_near(m, k, table[i], x[i], edges[i], edges[i + 1], flight.square, hardest, loss)
        if near > 0.0:
            average_class(m, k, flight, grid, work, i, onsets, near)


@law
def hardest_hit(m, flight):
    """Energy [J/kg] of the hardest hit, of a bar or on a pin."""
    pin = flight.survive * (flight.idle + flight.throw)
    return max(flight.square, pin) if m.n_pins > 0.0 else flight.square


@law
def keep_dust(work):
    """Let nothing become of strikes in the dust class, which is followed no further."""
    for b in range(BINS):
        for column in (XI, CHIP_J, PIN_BREAK, DUST):
            work.strikes[0, b, column] = 0.0


@law
def fill_rates(m, s, grid, work):
    """Fill work with all that follows from a frozen state: strike energies, rates, escapes, strikes by stream."""
    k, x, edges, table, strikes = work.hits[0], grid.x, grid.edges, work.table, work.strikes
    strike_energies(m, s, k)
    flight = flight_of(k)
    fill_classes(m, s, k, flight, grid, work)
    paid, hardest, mixed = k.edge_share * flight.square, hardest_hit(m, flight), has_other_edges(m)
    for i in range(x.size):
        if mixed or table[i, CUT_FROM] < paid:
            fill_chips(m, k, table[i], x[i], flight.square, edges, strikes, work.lots, i)
            fill_dust(m, flight, log(edges[i + 1] / edges[i]), table, strikes, i)
        if x[i] * hardest > table[i, XW_MIN]:
            fill_fractures(m, flight, x[i], table, strikes, work.bench, i)
    average_near_onsets(m, s, k, flight, grid, work)
    keep_dust(work)
    fill_fates(grid, work)
    follow_drift(m, s, grid, work)


@law
def fill_rates_by_size(m, s, grid, work):
    """The same by the laws as they stand, size by size: what `classes` is held to."""
    k, x, edges, table = work.hits[0], grid.x, grid.edges, work.table
    strike_energies(m, s, k)
    open_, flight = open_to_pass(m, s), flight_of(k)
    for i in range(x.size):
        size_rates(m, s, k, x[i], work.ages[i], grid.still[i], table[i])
        work.escape[i] = table[i, CONTACT] * open_ * grid.still[i, OPEN_HOLE] + table[i, AIRBORNE]
        log_width = log(edges[i + 1] / edges[i])
        fill_cells(m, k, flight, x[i], log_width, edges, table, work.strikes, work.lots, work.bench, i)
    average_near_onsets(m, s, k, flight, grid, work)
    keep_dust(work)
    fill_fates(grid, work)
    follow_drift(m, s, grid, work)
