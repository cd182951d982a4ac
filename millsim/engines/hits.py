"""Tables over sizes of what Monte Carlo reads at each event of a frozen state, made from the laws.

Energies of a hit go with cos^2 of its obliquity, so what the laws ask of an energy [J/kg] is asked here of cos^2: all
energies over that of a square hit. A row holds what every event needs first, then what only coarse pieces need.
"""

from math import exp, sqrt
from typing import NamedTuple

import numpy as np

from ..base.numerics.jit import law, routine
from ..laws import motion
from ..mill.chamber import (
    AIRBORNE,
    CONTACT,
    DUST_J,
    F_MAT,
    NIP,
    PAIR,
    PIN,
    STILL,
    STRIKE,
    XW_MIN,
    fill_still,
    open_to_pass,
    pass_open_hole,
    size_rates,
    strike_energies,
)  # fmt: skip
from ..mill.edges import NO_HIT, has_other_edges, largest_chip, main_cut, other_cut, pays_from, pays_in_full_from

NODES, NODES_OF_MANY = 2048, 1024  # sizes in a table of one frozen state, and where there are many
# Columns of a row: strikes [1/s], chance of a pin, f_Mat x W, cos^2 from which a hit can break, J per kg of dust, rate
# [1/s] of leaving with the air or trying an open hole with a chance to pass; of coarse pieces: bites alone and of
# pairs [1/s], cos^2 from which a hit pays for a chip and for the largest one, cost of a chip.
HIT, TO_PIN, FIRM, C_BREAK, OF_DUST, LEAVING, BITE, BITE_PAIR, C_CHIP, C_FULL, CHIP_W = range(11)
COLUMNS = CHIP_W + 1
SLACK = 5e-5  # by how much ln x may fall before a row is read anew: dust takes a millionth at a hit


class Row(NamedTuple):
    """What an event needs of a size: rates of strikes, bites, all events and wall contacts [1/s], the mean wait for an
    event [s], columns of the table, and the cos^2 from which a hit does more than dent."""

    strike: float
    bite: float
    total: float
    wait: float
    contacts: float
    to_pin: float
    firm: float
    c_break: float
    of_dust: float
    c_chip: float
    c_least: float


class Blow(NamedTuple):
    """What is the same in every hit of a frozen state: energies [J/kg] of a square hit and of the throw."""

    square: float  # normal energy of a square hit
    work: float  # work of the bar in one
    idle: float  # energy of a piece that is thrown without a hit: that of the layer
    throw: float  # what a square hit adds to it
    layer: float  # what the layer keeps
    survive: float  # share of the throw that is left at the pin
    bar_loss: float  # share of a hit's energy lost at the bar
    pin_loss: float
    tries: float  # contacts with the wall per strike
    open_: float  # chance that a contact meets an open hole


@law
def blow_of(m, k, unblinded_open):
    """The Blow of a frozen state from its STRIKES record; unblinded_open: `open_to_pass`."""
    idle = motion.thrown_energy(k.v, k.kappa, k.e_bar, 0.0)
    return Blow(
        motion.bar_energy(k.v, k.kappa, 1.0),
        motion.bar_work(k.v, k.kappa, k.e_bar, 1.0),
        idle,
        motion.thrown_energy(k.v, k.kappa, k.e_bar, 1.0) - idle,
        k.layer_energy,
        k.survive,
        1.0 - k.e_bar**2,
        1.0 - k.e_pin**2,
        m.sieve_share * m.wall_contacts,
        unblinded_open,
    )


@law
def met_pin(blow, thrown, u):
    """(normal energy of the hit, what path and pin take of the throw) [J/kg] on a round pin: cos^2 is 1 - u^2."""
    arrives = thrown * blow.survive
    W = arrives * (1.0 - u * u)
    return W, thrown - arrives + blow.pin_loss * W


@routine
def fill_table(m, s, k, node_ages, rates):
    """Tabulate the laws of a frozen state in Rates; node_ages (nodes,); strike energies k as well."""
    table = rates.table
    strike_energies(m, s, k)
    still = np.empty(STILL)
    for i in range(table.shape[0]):
        x = exp(rates.ln_low + i * rates.step)
        fill_still(m, x, pass_open_hole(m, x), still)
        size_rates(m, s, k, x, node_ages[i], still, table[i])


@law
def look_up(rates, ln_x, row):
    """Linear interpolation of Rates in ln x, of as many columns as the row has."""
    table = rates.table
    p = min(max((ln_x - rates.ln_low) / rates.step, 0.0), table.shape[0] - 1.000001)
    i = int(p)
    f = p - i
    for c in range(row.size):
        row[c] = table[i, c] + f * (table[i + 1, c] - table[i, c])


@law
def _fill_chips(m, k, x, W, laws, row):
    """Fill the chip columns of a row: from which cos^2 a hit pays for a chip, for the largest, and what it costs.

    Of several edges only the least that pays for a chip is told: which edge it was is drawn.
    """
    cut = main_cut(m, k, laws)
    full = pays_in_full_from(m, cut, laws, x, W)
    row[C_CHIP], row[C_FULL] = pays_from(cut, W), min(NO_HIT, full)
    row[CHIP_W] = full * (x / largest_chip(cut, x)) ** 3 if cut.share > 0.0 else 1.0
    if has_other_edges(m):
        row[C_FULL] = NO_HIT
        for j in range(m.other_share.size):
            if m.other_share[j] > 0.0:
                row[C_CHIP] = min(row[C_CHIP], pays_from(other_cut(m, k, laws, x, j), W))


@law
def fill_hits(m, s, k, rates, table):
    """Fill a table of hits (nodes, COLUMNS) from that of the laws."""
    W, open_ = motion.bar_energy(k.v, k.kappa, 1.0), open_to_pass(m, s)
    for i in range(table.shape[0]):
        x, laws, row = exp(rates.ln_low + i * rates.step), rates.table[i], table[i]
        row[HIT], row[TO_PIN], row[OF_DUST] = laws[STRIKE], laws[PIN], laws[DUST_J]
        row[FIRM] = laws[F_MAT] * x * W
        row[C_BREAK] = laws[XW_MIN] / (x * W)
        row[LEAVING] = laws[CONTACT] * best_chance(m, x) * open_ + laws[AIRBORNE]
        row[BITE], row[BITE_PAIR] = laws[NIP], laws[PAIR]
        _fill_chips(m, k, x, W, laws, row)


@law
def place(ln_low, per_step, nodes, ln_x):
    """(node below a size, share of the way to the next): of the middle of the sizes that it serves."""
    p = min(max((ln_x - 0.5 * SLACK - ln_low) * per_step, 0.0), nodes - 1.000001)
    node = int(p)
    return node, p - node


@law
def read(table, node, f, column):
    """A column of a table of hits between two nodes, linear in ln x."""
    return table[node, column] + f * (table[node + 1, column] - table[node, column])


@law
def read_row(table, node, f, tries, screen, bridge, followed):
    """The Row of a size between two nodes.

    tries: wall contacts per strike; screen, bridge: chances to be bitten alone and in a pair; followed: 0 in the class
    of dust, which is hit and bitten no further, else 1.
    """
    hit, c_break, c_chip = read(table, node, f, HIT), read(table, node, f, C_BREAK), read(table, node, f, C_CHIP)
    bite = followed * (read(table, node, f, BITE) * screen + read(table, node, f, BITE_PAIR) * bridge)
    total = followed * hit + bite + read(table, node, f, LEAVING)
    return Row(
        followed * hit, bite, total, 1.0 / total, tries * hit, read(table, node, f, TO_PIN), read(table, node, f, FIRM),
        c_break, read(table, node, f, OF_DUST), c_chip, min(c_break, c_chip),
    )  # fmt: skip


@law
def best_chance(m, x):
    """The chance at an open hole that no piece x exceeds: (1 - z)^2, 0 from the hole on."""
    return max(0.0, 1.0 - m.shape * x / m.hole) ** 2


@law
def drawn_cos2(first, second, third):
    """cos^2 of a bar's obliquity from three uniform numbers: Beta(5, 1), without a power.

    max(u, v) < c^2 and w < c have the chance c^4 c.
    """
    return max(sqrt(max(first, second)), third)
