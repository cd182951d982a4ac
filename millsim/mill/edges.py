"""Edges at work: what a hit of each kind of edge on the bars chips off a piece. Compiled (jit), for both engines.

A rotor may have several kinds: part of the length toothed, part bevelled. A piece meets each as often as its share of
the length, and each takes its own chip; there is no mean edge.
"""

from typing import NamedTuple

from ..base.numerics.jit import law
from ..laws import cutting
from .chamber import CUT_A, CUT_FROM, CUT_G, CUT_LEAST, CUT_ZONE, chips_from

NO_HIT = 2.0  # stands for a cos^2 that no hit has


class Cut(NamedTuple):
    """One kind of edge on one size of piece: share of a hit that it uses, largest chip [m], energy to part a chip
    [J/m2], least chip [m], energy on the edge from which one comes off [J/kg of piece]."""

    share: float
    most: float
    part: float
    least: float
    start: float


@law
def main_cut(m, k, row):
    """The Cut of the rotor's main edge, whose numbers the rate table holds."""
    return Cut(k.edge_share, m.chip_size, row[CUT_G], row[CUT_LEAST], row[CUT_FROM])


@law
def other_cut(m, k, row, x, j):
    """The Cut of another edge that part of the bars' length has, from what the table holds of the main one."""
    sigma, zone = row[CUT_A] / m.cut_factor, row[CUT_ZONE]
    G_c = row[CUT_G] - cutting.separation_energy(0.0, m.plough_factor, sigma, min(m.edge_radius, zone))
    r = min(m.other_edge_radius[j], zone)
    G, least = cutting.separation_energy(G_c, m.plough_factor, sigma, r), m.plough_ratio * r
    share = min(m.other_edge_share[j], 1.0 - k.e_bar**2)
    return Cut(share, m.other_chip_size[j], G, least, chips_from(m, x, least, row[CUT_A], zone, G))


@law
def has_other_edges(m):
    """Whether the bars have more than one kind of edge."""
    return m.other_share[0] + m.other_share[1] > 0.0


@law
def drawn_cut(m, k, row, x, u):
    """The Cut that a hit meets, drawn with u: a kind of edge as often as its share of the length."""
    for j in range(m.other_share.size):
        if u < m.other_share[j]:
            return other_cut(m, k, row, x, j)
        u -= m.other_share[j]
    return main_cut(m, k, row)


@law
def pays_from(cut, W):
    """cos^2 from which a hit pays for a chip at this edge, W [J/kg] that of a square one; NO_HIT: no hit does."""
    return min(NO_HIT, cut.start / (cut.share * W)) if cut.share > 0.0 else NO_HIT


@law
def largest_chip(cut, x):
    """Largest chip [m] that this edge takes off a piece x."""
    return max(cut.least, min(cut.most, 0.25 * x))


@law
def pays_in_full_from(m, cut, row, x, W):
    """The same for the largest chip, of a piece x; above 1 no hit does."""
    energy = cutting.chip_energy(largest_chip(cut, x), row[CUT_A], row[CUT_ZONE], cut.part)
    return energy / (cut.share * W * m.density * x**3)


@law
def chip_cost(m, cut, row, h):
    """What chips of size h [m] cost [J/kg of chips]."""
    return cutting.chip_energy(h, row[CUT_A], row[CUT_ZONE], cut.part) / (h**3 * m.density)


@law
def chip_of(m, cut, row, x, W):
    """(mass share chipped off, chip size [m], cost [J per kg of piece]) of a bar hit of W [J/kg]; zeros: a dent.

    What the edge gets of the hit, cut.share W, must pay for the whole chip.
    """
    paid = cut.share * W
    if paid <= cut.start:
        return 0.0, 0.0, 0.0
    most = largest_chip(cut, x)
    energy = m.density * paid * x**3
    h = most
    if cutting.chip_energy(most, row[CUT_A], row[CUT_ZONE], cut.part) > energy:
        h = max(cut.least, cutting.chip_paid(energy, row[CUT_A], row[CUT_ZONE], cut.part))
    w_cut = chip_cost(m, cut, row, h)
    xi = cutting.chip_share(paid, cut.start, w_cut)
    return xi, h, xi * w_cut
