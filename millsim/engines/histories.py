"""Monte Carlo kernel: one tagged gram after another, hit by hit, on continuous sizes.

Tagging mass means following one daughter chosen by mass: unbiased, and O(1) in memory. Rates at a size come from
a fine table of the same laws the balance uses (RATE_NODES points in ln x, linear); every event is drawn.
Random numbers are a pure function of (seed, history, draw), so a history is the same on any thread.
"""

from math import exp, log

import numpy as np
from numba import prange

from ..base.numerics.jit import law, parallel_kernel
from ..base.numerics.rng import start, uniform
from ..laws import breakage, cutting, motion, sieving
from ..mill.chamber import (
    AIRBORNE,
    C_EXPONENT,
    CONTACT,
    DUST_J,
    F_MAT,
    FINISHED,
    N_RATES,
    NIP,
    PAIR,
    PIN,
    SHEAR,
    STILL,
    STRIKE,
    WASTED,
    XW_MIN,
    dust_of,
    fill_still,
    size_rates,
    strike_energies,
)  # fmt: skip
from ..mill.edges import chip_of, drawn_cut, has_other_edges, main_cut
from .records import Rates, clear_flows

RATE_NODES = 8192
GIVE_UP = 4_000_000  # events after which a history is given up (and counted)
BLOCK = 64  # histories in a block; blocks are reduced in order, so threads change nothing

# Tallies by size class: seconds of dwelling, then counts, then joules per kilogram, all per tagged kilogram.
BY_SIZE = tuple(
    "dwell bar_hits pin_hits elastic_losses fractures chips nips tries exits impact_energy edge_energy".split()
)
DWELL, BAR, PINS, ELASTIC, FRACTURE, CHIPS, NIPS, TRIES, EXITS, IMPACT, EDGE = range(len(BY_SIZE))


@law
def fill_table(m, s, k, node_ages, rates):
    """Tabulate the laws of a frozen state in Rates; node_ages (nodes,); strike energies k as well."""
    table = rates.table
    strike_energies(m, s, k)
    still = np.empty(STILL)
    for i in range(table.shape[0]):
        x = exp(rates.ln_low + i * rates.step)
        fill_still(m, x, still)
        size_rates(m, s, k, x, node_ages[i], still, table[i])


@law
def look_up(rates, ln_x, row):
    """Linear interpolation of Rates in ln x."""
    table = rates.table
    p = min(max((ln_x - rates.ln_low) / rates.step, 0.0), table.shape[0] - 1.000001)
    i = int(p)
    f = p - i
    for c in range(row.size):
        row[c] = table[i, c] + f * (table[i + 1, c] - table[i, c])


@law
def feed_ln_size(sizes, u):
    """ln size of a feed gram: the feed's cumulative curve read backwards at u."""
    feed_ln_x, feed_q = sizes.feed_ln_x, sizes.feed_q
    i = np.searchsorted(feed_q, u)
    if i <= 0:
        return feed_ln_x[0]
    if i >= feed_q.size:
        return feed_ln_x[-1]
    share = (u - feed_q[i - 1]) / (feed_q[i] - feed_q[i - 1])
    return feed_ln_x[i - 1] + share * (feed_ln_x[i] - feed_ln_x[i - 1])


@law
def size_class(ln_edges, ln_x, i):
    """Class of a size, searching down from class i (sizes only fall)."""
    while i > 0 and ln_x < ln_edges[i]:
        i -= 1
    return i


@law
def _bar(m, k, row, x, ln_x, stream, n, flows, by_class):
    """A bar hit: book it, chip, test fracture. Returns (new size, its ln, flies on to the pins,
    thrown energy, draws)."""
    c = uniform(stream, n) ** C_EXPONENT
    W = motion.bar_energy(k.v, k.kappa, c)
    thrown = motion.thrown_energy(k.v, k.kappa, k.e_bar, c)
    cut = main_cut(m, k, row)
    if has_other_edges(m):
        cut = drawn_cut(m, k, row, x, uniform(stream, n + 1))
        n += 1
    xi, h, edge = chip_of(m, cut, row, x, W)
    loss = (1.0 - k.e_bar**2) * W
    flows.bar_hits += 1.0
    flows.work += motion.bar_work(k.v, k.kappa, k.e_bar, c)
    flows.bar_heat += loss - edge
    flows.chip_cut += edge
    by_class[BAR] += 1.0
    by_class[IMPACT] += W
    by_class[EDGE] += edge
    if x * W > row[XW_MIN]:
        flows.bar_above += 1.0
    if uniform(stream, n + 1) < xi:
        flows.chips += 1.0
        flows.rub += thrown - k.layer_energy
        by_class[CHIPS] += 1.0
        y = h * uniform(stream, n + 2) ** (1.0 / m.chip_exponent)
        return y, log(y), False, thrown, n + 3
    if uniform(stream, n + 2) < breakage.breakage_probability(x, W, row[F_MAT], row[XW_MIN]):
        flows.bar_fractures += 1.0
        by_class[FRACTURE] += 1.0
        y = fragment_size(m, row, x, W, stream, n + 3)
        return y, log(y), True, thrown, n + 6
    by_class[ELASTIC] += 1.0
    factor, ln_factor = cutting.chipped_size(xi)
    return x * factor, ln_x + ln_factor, True, thrown, n + 3


@law
def fragment_size(m, row, x, W, stream, n):
    """Size of a fragment, by mass, of a piece x broken by W [J/kg]: fines, else shattered, else split. Uses 3 draws."""
    u = uniform(stream, n)
    if uniform(stream, n + 1) < breakage.fines_share(x, m.fines_thickness):
        return breakage.fines_size(x, u, m.fines_exponent, m.fines_limit)
    shatters = uniform(stream, n + 2) < breakage.shatter_share(m.shatter_slope, row[F_MAT] * (x * W - row[XW_MIN]))
    return breakage.coarse_size(x, u, m.daughter_exponent if shatters else m.split_exponent, m.fragment_floor)


@law
def _pin(m, k, row, x, brittle, thrown, stream, n, flows, by_class):
    """The flight after a bar hit: meet a pin or not, rub off dust, break on the pin or not. Returns (size, draws)."""
    W_square, c, rub = thrown * k.survive, 0.0, thrown - k.layer_energy
    pinned = uniform(stream, n) < row[PIN]
    n += 1
    if pinned:
        c = 1.0 - uniform(stream, n) ** 2
        n += 1
        path, loss = thrown - W_square, (1.0 - k.e_pin**2) * W_square * c
        rub -= path + loss
        flows.pin_hits += 1.0
        flows.path_heat += path
        flows.pin_heat += loss
        by_class[PINS] += 1.0
        by_class[IMPACT] += W_square * c
        if x * W_square * c > row[XW_MIN]:
            flows.pin_above += 1.0
    dust = dust_of(m, row, rub) if brittle else 0.0
    flows.dust_cut += dust * row[DUST_J]
    flows.rub += rub - dust * row[DUST_J]
    if dust > 0.0:
        n += 1
        if uniform(stream, n - 1) < dust:
            flows.dust += 1.0
            return breakage.fines_size(x, uniform(stream, n), m.fines_exponent, m.fines_limit), n + 1
        x *= cutting.chipped_size(dust)[0]
    if not pinned:
        return x, n
    broken = brittle and uniform(stream, n) < breakage.breakage_probability(x, W_square * c, row[F_MAT], row[XW_MIN])
    if not broken:
        by_class[ELASTIC] += 1.0
        return x, n + 1
    flows.pin_fractures += 1.0
    by_class[FRACTURE] += 1.0
    return fragment_size(m, row, x, W_square * c, stream, n + 1), n + 4


@law
def _nip(m, rates, x, ln_x, stream, n, row, flows):
    """A bite: shear the piece, or fold back from it (swinging hammers). Returns the new size; uses 3 draws."""
    look_up(rates, ln_x, row)
    flows.nips += 1.0
    if uniform(stream, n) >= row[FINISHED]:
        flows.nip_work += row[WASTED]
        return x
    flows.nip_work += row[SHEAR]
    u = uniform(stream, n + 1)
    if uniform(stream, n + 2) < breakage.fines_share(x, m.fines_thickness):
        return breakage.fines_size(x, u, m.fines_exponent, m.fines_limit)
    return breakage.coarse_size(x, u, m.nip_exponent, m.fragment_floor)


@law
def passes(m, unblinded, x, stream, n):
    """One sieve try, drawn: slow or skimming, through an open hole or not. Uses 3 draws.

    No piece has a better chance at an open hole than (1 - z)^2: the last draw rules most tries out at once.
    """
    z, t_over_w = m.shape * x / m.hole, m.plate / m.hole
    if z >= 1.0:
        return False
    open_ = sieving.open_to_pass(m.sieve_factor, m.open_share, m.usable_open, unblinded)
    luck = uniform(stream, n + 2)
    if luck >= (1.0 - z) * (1.0 - z) * open_:
        return False
    if uniform(stream, n) < m.slow_share:
        return luck < sieving.pass_slow(z, t_over_w) * open_
    skim = m.skim_ratio_low * (m.skim_ratio_high / m.skim_ratio_low) ** uniform(stream, n + 1)
    return luck < sieving.pass_skim(z, t_over_w, skim) * open_


@law
def _strike(m, k, rates, ln_edges, x, ln_x, i, stream, n, row, flows, by_size):
    """A bar hit and the flight after it. Returns (size, ln size, class, ln size that row belongs to, draws)."""
    at = ln_x
    x, ln_x, flies, thrown, n = _bar(m, k, row, x, ln_x, stream, n, flows, by_size[i])
    i = size_class(ln_edges, ln_x, i)
    if flies:
        look_up(rates, ln_x, row)
        at, whole = ln_x, x
        x, n = _pin(m, k, row, x, i > 0, thrown, stream, n, flows, by_size[i])
        if x < whole:
            ln_x = log(x)
            i = size_class(ln_edges, ln_x, i)
    return x, ln_x, i, at, n


@law
def follow(m, steps, sizes, stream, max_events, row, nip_row, flows, by_size):
    """Follow one tagged gram until it leaves, the time is up, or max_events; return (how it ended, time).

    Ends: 1 left through the sieve, 0 still in the chamber when time was up, -1 given up at max_events.
    """
    ends, ln_edges = steps.ends, sizes.ln_edges
    ln_x = feed_ln_size(sizes, uniform(stream, 0))
    x, i = exp(ln_x), size_class(ln_edges, ln_x, ln_edges.size - 2)
    now, t, n, changed = 0, 0.0, 1, True
    at = np.nan  # the ln size that row belongs to: a hit that changes nothing needs no new look-up
    strike = nip = contact = airborne = total = 0.0
    for _ in range(max_events):
        if changed:
            if ln_x != at:
                look_up(Rates(steps.tables[now], sizes.ln_low, sizes.step), ln_x, row)
                at = ln_x
            strike, nip = row[STRIKE], row[NIP] * steps.screens[now, i] + row[PAIR] * steps.bridges[now, i]
            if i == 0:
                strike = nip = 0.0
            contact, airborne = row[CONTACT], row[AIRBORNE]
            total = strike + nip + contact + airborne
            changed = False
        wait = -log(uniform(stream, n)) / total
        if t + wait > ends[now]:  # the frozen state ends first; waiting has no memory
            by_size[i, DWELL] += ends[now] - t
            t, now, n, changed, at = ends[now], now + 1, n + 1, True, np.nan
            if now == ends.size:
                return 0, t
            continue
        t += wait
        by_size[i, DWELL] += wait
        pick = uniform(stream, n + 1) * total
        n += 2
        if pick < contact:
            flows.tries += 1.0
            by_size[i, TRIES] += 1.0
            n += 3
            if passes(m, steps.unblinded[now], x, stream, n - 3):
                flows.exits += 1.0
                by_size[i, EXITS] += 1.0
                return 1, t
            continue
        pick -= contact
        rates = Rates(steps.tables[now], sizes.ln_low, sizes.step)
        if pick < strike:
            x, ln_x, i, at, n = _strike(m, steps.hits[now], rates, ln_edges, x, ln_x, i, stream, n, row, flows, by_size)
        elif pick < strike + nip:
            by_size[i, NIPS] += 1.0
            whole, n = x, n + 3
            x = _nip(m, rates, x, ln_x, stream, n - 3, nip_row, flows)
            if x == whole:
                continue
            ln_x = log(x)
            i = size_class(ln_edges, ln_x, i)
        else:
            flows.exits += 1.0
            by_size[i, EXITS] += 1.0
            return 1, t
        changed = True
    return -1, t


@parallel_kernel
def run_blocks(m, steps, sizes, seed, first_block, flows, by_size, ends):
    """Run flows.size blocks of BLOCK histories; fill per-block sums of FLOWS, by_size and ends (blocks, 4).

    ends: left, in the chamber, given up, and the summed time in the chamber [s].
    """
    for b in prange(flows.size):
        clear_flows(flows[b])
        by_size[b] = 0.0
        ends[b] = 0.0
        row, nip_row = np.empty(PAIR + 1), np.empty(N_RATES)  # most events need the first columns only
        for h in range(BLOCK):
            stream = start(seed, (first_block + b) * BLOCK + h, 0)
            end, t = follow(m[0], steps, sizes, stream, GIVE_UP, row, nip_row, flows[b], by_size[b])
            ends[b, 1 - end] += 1.0
            ends[b, 3] += t
