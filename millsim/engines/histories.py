"""Monte Carlo kernel: one tagged gram after another, hit by hit, on continuous sizes.

Tagging mass means following one daughter chosen by mass: unbiased, and O(1) in memory. What an event needs of the laws
is read off tables over sizes (`hits.py`). Every hit, bite and escape is drawn; what follows from the events without
chance is not: in a steady state each wait counts with its mean, sieve contacts with theirs, and contacts that no piece
of that size could pass at are left out (thinning: the chance of the rest rises as they get fewer).
Random numbers are a pure function of (seed, history, draw), so a history is the same on any thread.
"""

from math import exp, log
from typing import NamedTuple

import numpy as np
from numba import prange

from ..base.numerics.jit import law, parallel_kernel
from ..base.numerics.rng import start, uniform
from ..laws import breakage, cutting, sieving
from ..mill.chamber import FINISHED, N_RATES, SHEAR, WASTED, dust_of
from ..mill.edges import chip_of, drawn_cut, has_other_edges, main_cut
from .hits import (
    C_FULL,
    CHIP_W,
    SLACK,
    best_chance,
    blow_of,
    drawn_cos2,
    look_up,
    met_pin,
    place,
    read,
    read_row,
)  # fmt: skip
from .records import Rates, clear_flows

GIVE_UP = 4_000_000  # events after which a history is given up (and counted)
BLOCK = 64  # histories in a block; blocks are reduced in order, so threads change nothing

# Tallies by size class: seconds of dwelling, then counts, then joules per kilogram, all per tagged kilogram.
BY_SIZE = tuple(
    "dwell bar_hits pin_hits elastic_losses fractures chips nips tries exits impact_energy edge_energy".split()
)
DWELL, BAR, PINS, ELASTIC, FRACTURE, CHIPS, NIPS, TRIES, EXITS, IMPACT, EDGE = range(len(BY_SIZE))
# Sums over the hits of a history in one frozen state, from which its energies follow.
SUMS = 7
HITS, COS, PINNED, PINNED_COS, PIN_J, EDGE_J, DUST_CUT = range(SUMS)
# The draws of an event, by what they decide; an event has DRAWS of them, used or not. WHICH and PIN_WHICH are of three.
PICK, COS_1, COS_2, COS_3, CHIPPED, BROKEN, WHICH = range(7)
PIN_COS, PIN_BROKEN, DUSTED, DUST_SIZE, PIN_WHICH = range(9, 14)
WAIT, WHICH_EDGE = 16, 17
DRAWS = 18


class State(NamedTuple):
    """One frozen state: its table of hits, its laws tabulated, chances by class to be bitten alone and in a pair,
    seconds until it ends."""

    table: np.ndarray
    rates: Rates
    screen: np.ndarray
    bridge: np.ndarray
    lasts: float


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
def book(blow, sums, flows):
    """Add to FLOWS the energies that the sums over the hits of a frozen state stand for, and clear them."""
    heat, cut, dust = blow.pin_loss * sums[PIN_J], sums[EDGE_J], sums[DUST_CUT]
    path = (1.0 - blow.survive) * (blow.idle * sums[PINNED] + blow.throw * sums[PINNED_COS])
    flows.work += blow.work * sums[COS]
    flows.bar_heat += blow.bar_loss * blow.square * sums[COS] - cut
    flows.chip_cut += cut
    flows.path_heat += path
    flows.pin_heat += heat
    flows.dust_cut += dust
    flows.rub += (blow.idle - blow.layer) * sums[HITS] + blow.throw * sums[COS] - path - heat - dust
    sums[:] = 0.0


@law
def count(by_size, flows):
    """Fill the counters of FLOWS that are sums over the sizes, and the hits that broke nothing: those left over.

    In the column of these stands so far, less than nothing, what became dust on its way from a pin.
    """
    for i in range(by_size.shape[0]):
        flows.bar_hits += by_size[i, BAR]
        flows.pin_hits += by_size[i, PINS]
        flows.chips += by_size[i, CHIPS]
        flows.nips += by_size[i, NIPS]
        flows.tries += by_size[i, TRIES]
        flows.exits += by_size[i, EXITS]
        by_size[i, ELASTIC] += by_size[i, BAR] + by_size[i, PINS] - by_size[i, CHIPS] - by_size[i, FRACTURE]


@law
def fragment_size(m, x, excess, stream, n):
    """Size of a fragment, by mass, of a broken piece x: fines, else shattered, else split. Uses 3 draws.

    excess: f_Mat (x W - xW_min) of the hit.
    """
    u = uniform(stream, n)
    if uniform(stream, n + 1) < breakage.fines_share(x, m.fines_thickness):
        return breakage.fines_size(x, u, m.fines_exponent, m.fines_limit)
    shatters = uniform(stream, n + 2) < breakage.shatter_share(m.shatter_slope, excess)
    return breakage.coarse_size(x, u, m.daughter_exponent if shatters else m.split_exponent, m.fragment_floor)


@law
def chip_by_law(m, k, rates, ln_x, W, u, laws):
    """(mass share, size [m], cost [J/kg]) of the chip of a hit W [J/kg], by the law; of several edges u draws one."""
    look_up(rates, ln_x, laws)
    x = exp(ln_x)
    cut = drawn_cut(m, k, laws, x, u) if has_other_edges(m) else main_cut(m, k, laws)
    return chip_of(m, cut, laws, x, W)


@law
def chip(m, k, blow, table, rates, ln_x, c, c_chip, stream, n, laws):
    """(mass share chipped off, its cost [J/kg], ln size of what the gram is in: the piece as it was or the chip)."""
    node, f = place(rates.ln_low, rates.per_step, table.shape[0], ln_x)
    if c >= read(table, node, f, C_FULL):  # pays for the largest chip: the law in units of a square hit
        w = read(table, node, f, CHIP_W)
        share = cutting.chip_share(c, c_chip, w)
        cost, h = share * w * k.edge_share * blow.square, 0.0
    else:
        share, h, cost = chip_by_law(m, k, rates, ln_x, c * blow.square, uniform(stream, n + WHICH_EDGE), laws)
    if uniform(stream, n + CHIPPED) >= share:
        return share, cost, ln_x
    if h == 0.0:
        h = chip_by_law(m, k, rates, ln_x, c * blow.square, 0.0, laws)[1]
    return share, cost, log(h) + log(uniform(stream, n + BROKEN)) / m.chip_exponent


@law
def tested(m, ln_x, row, c, u, stream, n):
    """ln size of the gram after a hit c above the threshold: that of a fragment where the draw u breaks the piece."""
    if u >= breakage.breakage_probability(1.0, c, row.firm, row.c_break):
        return ln_x
    return log(fragment_size(m, exp(ln_x), row.firm * (c - row.c_break), stream, n))


@law
def damaged(m, k, blow, table, rates, ln_x, i, row, c, stream, n, laws, sums, flows, by_size):
    """A bar hit that does more than dent: chips, breaks. Returns (ln size, whether it flies on to the pins)."""
    shrunk = 0.0
    if c > row.c_break:
        flows.bar_above += 1.0
    if c > row.c_chip:
        share, cost, ln_y = chip(m, k, blow, table, rates, ln_x, c, row.c_chip, stream, n, laws)
        sums[EDGE_J] += cost
        by_size[i, EDGE] += cost
        if ln_y != ln_x:
            by_size[i, CHIPS] += 1.0
            return ln_y, False
        shrunk = cutting.log_left(share) / 3.0
    if c > row.c_break:
        ln_y = tested(m, ln_x, row, c, uniform(stream, n + BROKEN), stream, n + WHICH)
        if ln_y != ln_x:
            flows.bar_fractures += 1.0
            by_size[i, FRACTURE] += 1.0
            return ln_y, True
    return ln_x + shrunk, True


@law
def dusted(m, ln_x, i, row, dust, c_pin, stream, n, flows, by_size):
    """ln size of a gram whose piece loses a share as dust in flight and may break on a pin (c_pin 0: met none)."""
    if uniform(stream, n + DUSTED) < dust:
        flows.dust += 1.0
        by_size[i, ELASTIC] -= 1.0 if c_pin > 0.0 else 0.0
        u = uniform(stream, n + DUST_SIZE)
        return log(breakage.fines_size(exp(ln_x), u, m.fines_exponent, m.fines_limit))
    ln_x += cutting.log_left(dust) / 3.0
    if c_pin <= row.c_break:
        return ln_x
    ln_y = tested(m, ln_x, row, c_pin, uniform(stream, n + PIN_BROKEN), stream, n + PIN_WHICH)
    if ln_y != ln_x:
        flows.pin_fractures += 1.0
        by_size[i, FRACTURE] += 1.0
    return ln_y


@law
def bitten(m, rates, ln_x, stream, n, laws, flows):
    """A bite: shear the piece, or fold back from it (swinging hammers). Returns ln size; uses 3 draws."""
    look_up(rates, ln_x, laws)
    if uniform(stream, n) >= laws[FINISHED]:
        flows.nip_work += laws[WASTED]
        return ln_x
    flows.nip_work += laws[SHEAR]
    u, x = uniform(stream, n + 1), exp(ln_x)
    if uniform(stream, n + 2) < breakage.fines_share(x, m.fines_thickness):
        return log(breakage.fines_size(x, u, m.fines_exponent, m.fines_limit))
    return log(breakage.coarse_size(x, u, m.nip_exponent, m.fragment_floor))


@law
def passes(m, x, stream, n):
    """Whether a sieve try, drawn with `best_chance`, gets through an open hole: slow or skimming. Uses 3 draws."""
    z, t_over_w = m.shape * x / m.hole, m.plate / m.hole
    luck = uniform(stream, n + 2) * best_chance(m, x)
    if uniform(stream, n) < m.slow_share:
        return luck < sieving.pass_slow(z, t_over_w)
    skim = m.skim_ratio_low * (m.skim_ratio_high / m.skim_ratio_low) ** uniform(stream, n + 1)
    return luck < sieving.pass_skim(z, t_over_w, skim)


@law
def leaves(m, open_, contacts, ln_x, pick, stream, n):
    """Whether a piece that got a chance to leave does: by air always, by a hole if it passes.

    open_: chance that a contact meets an open hole; pick: drawn from all the chances to leave per second.
    """
    x = exp(ln_x)
    if pick < contacts * open_ * best_chance(m, x):
        return passes(m, x, stream, n)
    return True


@law
def in_state(m, k, blow, state, ln_edges, stream, event, ln_x, i, laws, sums, flows, by_size):
    """Follow a gram through one frozen state until it leaves, the state ends, or it is given up.

    Returns (whether it left, seconds, ln size, class, events so far).
    """
    table, rates, screen, bridge, lasts = state  # taken once: compiled code counts who holds an array
    ln_low, per_step, nodes, timed = rates.ln_low, rates.per_step, table.shape[0], np.isfinite(lasts)
    t, left, least = 0.0, False, np.inf  # least: the ln size down to which the row serves
    hits = cos = pinned = pinned_cos = pin_J = dust_cut = 0.0
    while event < GIVE_UP and not left:
        if ln_x < least:
            i, least = size_class(ln_edges, ln_x, i), ln_x - SLACK
            node, f = place(ln_low, per_step, nodes, ln_x)
            row = read_row(table, node, f, blow.tries, screen[i], bridge[i], min(i, 1))
        n, event = DRAWS * event + 1, event + 1
        wait = -row.wait * log(uniform(stream, n + WAIT)) if timed else row.wait
        ends = t + wait > lasts  # waiting has no memory: the next state begins anew
        wait = lasts - t if ends else wait
        t += wait
        by_size[i, DWELL] += wait
        by_size[i, TRIES] += row.contacts * wait
        if ends:
            break
        pick = uniform(stream, n + PICK) * row.total
        if pick < row.strike:
            pick /= row.strike  # what is left of the draw is uniform too: it decides about the pin
            c = drawn_cos2(uniform(stream, n + COS_1), uniform(stream, n + COS_2), uniform(stream, n + COS_3))
            by_size[i, BAR] += 1.0
            by_size[i, IMPACT] += blow.square * c
            hits, cos, flies = hits + 1.0, cos + c, True
            if c > row.c_least:
                ln_x, flies = damaged(m, k, blow, table, rates, ln_x, i, row, c, stream, n, laws, sums, flows, by_size)
                if ln_x < least:
                    i, least = size_class(ln_edges, ln_x, i), ln_x - SLACK
                    node, f = place(ln_low, per_step, nodes, ln_x)
                    row = read_row(table, node, f, blow.tries, screen[i], bridge[i], min(i, 1))
            thrown, rub, c_pin = blow.idle + blow.throw * c, blow.idle - blow.layer + blow.throw * c, 0.0
            if flies and pick < row.to_pin:
                W, taken = met_pin(blow, thrown, uniform(stream, n + PIN_COS))
                c_pin, rub = W / blow.square, rub - taken
                pinned, pinned_cos, pin_J = pinned + 1.0, pinned_cos + c, pin_J + W
                by_size[i, PINS] += 1.0
                by_size[i, IMPACT] += W
                flows.pin_above += 1.0 if c_pin > row.c_break else 0.0
            if flies and i > 0:
                dust = dust_of(m.attrition_share, row.of_dust, rub)
                dust_cut += dust * row.of_dust
                if c_pin > row.c_break or uniform(stream, n + DUSTED) < dust:
                    ln_x = dusted(m, ln_x, i, row, dust, c_pin, stream, n, flows, by_size)
                else:
                    ln_x += cutting.log_left(dust) / 3.0
        elif pick < row.strike + row.bite:
            by_size[i, NIPS] += 1.0
            ln_x = bitten(m, rates, ln_x, stream, n + 1, laws, flows)
        elif leaves(m, blow.open_, row.contacts, ln_x, pick - row.strike - row.bite, stream, n + 1):
            by_size[i, EXITS] += 1.0
            left = True
    sums[HITS], sums[COS], sums[PINNED], sums[PINNED_COS] = hits, cos, pinned, pinned_cos
    sums[PIN_J], sums[DUST_CUT] = pin_J, dust_cut
    return left, t, ln_x, i, event


@law
def follow(m, steps, sizes, stream, u_feed, laws, sums, flows, by_size):
    """Follow one tagged gram until it leaves, the time is up, or it is given up; return (how it ended, time).

    u_feed: which gram of the feed. Ends: 1 left through the sieve, 0 still in the chamber when time was up, -1 given
    up.
    """
    ln_x = feed_ln_size(sizes, u_feed)
    i, t = size_class(sizes.ln_edges, ln_x, sizes.ln_edges.size - 2), 0.0
    event = int(t)  # a plain 0 would be a type of its own, and `in_state` compiled once more for it
    sums[:] = 0.0
    for now in range(steps.ends.size):
        rates = Rates(steps.tables[now], sizes.ln_low, sizes.step, sizes.per_step)
        state = State(steps.hit_tables[now], rates, steps.screens[now], steps.bridges[now], steps.ends[now] - t)
        blow = blow_of(m, steps.hits[now], steps.open_[now])
        left, spent, ln_x, i, event = in_state(
            m, steps.hits[now], blow, state, sizes.ln_edges, stream, event, ln_x, i, laws, sums, flows, by_size
        )
        book(blow, sums, flows)
        if left:
            return 1, t + spent
        if event >= GIVE_UP:
            return -1, t + spent
        t = steps.ends[now]
    return 0, t


@parallel_kernel
def run_blocks(m, steps, sizes, seed, first_block, flows, by_size, ends):
    """Run flows.size blocks of BLOCK histories; fill per-block sums of FLOWS, by_size and ends (blocks, 4).

    The grams of a block are spread evenly over the feed. ends: left, in the chamber, given up, and the summed time in
    the chamber [s].
    """
    for b in prange(flows.size):
        clear_flows(flows[b])
        by_size[b] = 0.0
        ends[b] = 0.0
        laws, sums = np.empty(N_RATES), np.empty(SUMS)
        for h in range(BLOCK):
            stream = start(seed, (first_block + b) * BLOCK + h, 0)
            u_feed = (h + uniform(stream, 0)) / BLOCK
            end, t = follow(m[0], steps, sizes, stream, u_feed, laws, sums, flows[b], by_size[b])
            ends[b, 1 - end] += 1.0
            ends[b, 3] += t
        count(by_size[b], flows[b])
