"""Charge of a class whose pieces screen and prop each other in the nips of bars and pins.

Bites rise with the charge, but less than in proportion. All here takes and gives bare numbers: compiled code that is
handed an array counts who holds it, and for 50 classes that takes longer than these sums. `cutting.screening` and
`cutting.bridging` are multiplied out with what is known already; `tests/test_bites.py` holds them together.
"""

from math import exp, log, sqrt

from ..base.numerics.jit import law
from ..laws.cutting import thinned

PROP_COLUMNS = 8  # of a size: see `props_of`, `reach_of` and `partners_of`
PROPS, LINE, BY_OWN, REACH, PART, PART_SIZE, BEYOND, PER_X = range(PROP_COLUMNS)
UNSEEN = 1e-18  # a chance below it adds nothing to one


@law
def prop_weight(x, gap):
    """Weight of a piece as a prop of another: 1 where it fits through the gap, fading above: there it is bitten itself.

    exp(-4 (x/g - 1)): assumed, so that nothing jumps where the feed is as large as the gap.
    """
    return 1.0 if x <= gap else exp(-4.0 * (x / gap - 1.0))


@law
def props_of(m, x):
    """(weight as a prop, that times the chance to be in line with one of its own size, share of it that then stands
    out) of pieces x: two are in line along the bar's height H with chance (x_1 + x_2) / H.
    """
    weight = prop_weight(x, m.gap)
    return weight, weight * min(1.0, 2.0 * x / m.face), max(0.0, min(1.0, (2.0 * x - m.gap) / x))


@law
def reach_of(gap, x, i, edges):
    """Which coarser pieces reach across the gap with a piece x of class i: all above a class bound (its number), and of
    the class below that the share that is large enough, even in ln x as all classes are, with its size [m].
    """
    at, least = i + 1, gap - x
    while at < edges.size - 1 and edges[at] < least:
        at += 1
    if at == i + 1 or edges[at] <= least:
        return float(at), 0.0, 0.0
    return float(at), log(edges[at] / least) / log(edges[at] / edges[at - 1]), sqrt(least * edges[at])


@law
def partners_of(x, beyond, per_x, per_face, by_own, coarser, coarser_X, N, X, XX):
    """(pieces in line with x that reach across the gap with it, that times the share of x that stands out, chance that
    no coarser piece at all is in line with it: such a one carries the load, or is sheared itself).

    beyond: (x - gap) / x; per_x, per_face: one over the size, and over the height of what passes a pin; coarser,
    coarser_X: coarser pieces per nip and their first moment of size; N, X, XX: those that reach, and their first two.
    The chance is 0 where nothing reaches across.
    """
    both = x * N + X
    by_larger = min(both, beyond * both + X + XX * per_x) * per_face
    first = exp(-(x * coarser + coarser_X) * per_face) if by_own > 0.0 or both > 0.0 else 0.0
    return both * per_face, by_larger, first


@law
def _bites(mass, most, carried, by_larger, by_own, window, beside):
    """(bites, their slope, a bound on its change) in a class of that mass; parameters as of `_class_mass`."""
    bites = slope = bend = 0.0
    if most > 0.0:
        share, left, _ = thinned(window * mass)
        bites, slope = most * share * mass, most * left
        bend = slope * window
    if carried > 0.0:
        own = beside * mass
        share, left, second = thinned(own)
        bites += carried * mass * (by_own * second + by_larger * share)
        slope += carried * left * (by_own * own + by_larger)
        bend += carried * left * (by_own * (1.0 + own) + by_larger) * beside
    return bites, slope, bend


@law
def _class_mass(source, loss, most, carried, by_larger, by_own, window, beside):
    """Charge in one class from source = loss m + bites(m).

    most: bites of a piece that is alone in its nip, of those that screen each other (window: such pieces per nip and
    kg); carried: bites of a piece that another props across the gap, no third between (beside: pieces in line with it
    per kg). Mostly there are few of both. Newton, kept within a bracket that shrinks, until the next step, which is of
    the square of this one, were of no account.
    """
    low, high = 0.0, source / loss
    if most <= 0.0 and carried <= 0.0:
        return high
    mass = source / (loss + most + carried * by_larger) if most > 0.0 else high  # most classes are bitten little
    for _ in range(80):
        bites, slope, bend = _bites(mass, most, carried, by_larger, by_own, window, beside)
        excess, slope = loss * mass + bites - source, loss + slope
        if excess > 0.0:
            high = mass
        else:
            low = mass
        step = excess / slope
        mass -= step
        if not low <= mass <= high:
            mass = 0.5 * (low + high)
        elif bend * step * step <= 1e-14 * slope * mass and abs(step) <= 0.01 * mass:
            break
    return mass


@law
def bitten_class(inflow, loss, bite_out, nip, pair, window, props, partners, alone, clear):
    """Charge [kg] of a class from what it gets [kg/s], what it loses [1/s] and what bites take out, bite_out of each.

    nip, pair, window: of the table of rates; props, partners: as `props_of` and `partners_of` give them; alone, clear:
    chance that no coarser piece is in the nip, and none larger than the gap. Returns (charge, screen, bridge, chance
    that none of the class is in the nip).
    """
    weight, line, by_own = props
    _, by_larger, first = partners
    beside, open_ = window * line, weight * clear
    mass = _class_mass(
        inflow, loss, nip * bite_out * alone, pair * open_ * first * bite_out, by_larger, by_own, window, beside
    )
    screen, bridge, none = 0.0, 0.0, 1.0
    if pair * open_ * first > 0.0:
        share, _, second = thinned(beside * mass)
        bridge = open_ * first * (by_own * second + by_larger * share)
    if alone > UNSEEN:
        share, none, _ = thinned(window * mass)
        screen = alone * share
    return mass, screen, bridge, none
