"""The size classes of the balance (jit): what falls where, and where a state cuts classes.

Hits begin to break pieces, and edges to chip them, from a size on that moves with temperature and speed. A class that
holds such a size would come to life, or die, as a whole; so it is cut there, and each part has its own strikes. What a
mill carries then changes with its state without steps.
"""

from math import exp, log, sqrt

from ..base.numerics.jit import law
from ..laws import breakage, cutting, motion
from ..mill.chamber import CUT_A, CUT_G, CUT_LEAST, CUT_ZONE, XW_MIN, fill_still
from .records import FINES, GAIN, NIPPED, OUT, PER, SPLIT, WAYS

THIN = 1e-9  # ln size of the thinnest part


@law
def weight_of_way(m, way, y):
    """H(y) of a way in which pieces fall apart."""
    if way == FINES:
        return exp(breakage.fines_weight(y, m.fines_exponent, m.fines_limit))
    q = m.split_exponent if way == SPLIT else m.nip_exponent if way == NIPPED else m.daughter_exponent
    return exp(breakage.coarse_weight(y, q, m.fragment_floor))


@law
def fill_ways(m, low, x, high, ways):
    """Fill ways (WAYS, 3) of pieces x from low to high; low 0 takes in all that is finer. Returns their fines."""
    fines = breakage.fines_share(x, m.fines_thickness)
    for way in range(WAYS):
        below = weight_of_way(m, way, low) if low > 0.0 else 0.0
        per = (1.0 if way == FINES else 1.0 - fines) / weight_of_way(m, way, x)
        ways[way, GAIN], ways[way, PER], ways[way, OUT] = weight_of_way(m, way, high) - below, per, below * per
    return fines


@law
def fill_grid(m, edges, x, ways, fines, still, chip_finer):
    """Fill the tables of a Grid: what of each way falls where, fines, what stands still, chip powers."""
    for i in range(x.size):
        fines[i] = fill_ways(m, edges[i] if i > 0 else 0.0, x[i], edges[i + 1], ways[i])  # dust joins the first class
        fill_still(m, x[i], still[i])
        chip_finer[i + 1] = edges[i + 1] ** m.chip_exponent
    chip_finer[0] = 0.0


@law
def _add_part(m, grid, parts, j, i, low, high, whole):
    """Put the part of class i from low to high in place j; whole: it is all of the class."""
    parts.owner[j], parts.edges[j + 1] = i, high
    if whole:
        parts.share[j], parts.x[j], parts.fines[j] = 1.0, grid.x[i], grid.fines[i]
        parts.chip_finer[j + 1] = grid.chip_finer[i + 1]
        for way in range(WAYS):
            for q in range(3):
                parts.ways[j, way, q] = grid.ways[i, way, q]
        return
    parts.share[j] = log(high / low) / log(grid.edges[i + 1] / grid.edges[i])
    parts.x[j] = sqrt(low * high)
    parts.chip_finer[j + 1] = high**m.chip_exponent
    parts.fines[j] = fill_ways(m, low, parts.x[j], high, parts.ways[j])


@law
def breaks_from(m, row, x, low, hardest):
    """Size [m] from which hits of `hardest` [J/kg] break pieces of the strength of a class x; 0 well outside of it."""
    near = (low / x) ** 2  # exponents of the threshold are below 2
    if not near < row[XW_MIN] / (x * hardest) < 1.0 / near:
        return 0.0
    return breakage.size_floor(row[XW_MIN], x, m.threshold_exponent, sqrt(2.0 * hardest))


@law
def chips_at(m, row, low, high, paid):
    """Size [m] from which `paid` [J/kg] on the edge takes chips off pieces with the strength of a class; 0 outside."""
    least = cutting.chip_energy(row[CUT_LEAST], row[CUT_A], row[CUT_ZONE], row[CUT_G]) / (m.density * paid)
    thick = 4.0 * row[CUT_LEAST]
    if max(thick, low) >= high or least >= high**3 or (thick <= low and least <= low**3):
        return 0.0
    return max(thick, least ** (1.0 / 3.0))


@law
def cut_classes(m, k, grid, table, hardest, cuts, parts):
    """Fill parts: the classes, those cut in which the hardest hit [J/kg] begins to break, or its edge to chip.

    At most `cuts` cuts. What passes the sieve is not cut: it leaves whether it breaks or not, and a sieve behind the
    mill may bring it back by classes. Nor is the class of a feed of one size: all of it is at its middle.
    """
    paid, j, spare = k.edge_share * motion.bar_energy(k.v, k.kappa, 1.0), 0, cuts
    parts.edges[0], parts.chip_finer[0] = grid.edges[0], 0.0
    for i in range(grid.x.size):
        low, high = grid.edges[i], grid.edges[i + 1]
        if low * m.shape > m.hole * (1.0 - THIN) and abs(grid.x[i] / m.feed_size - 1.0) > THIN:
            breaks, chips = breaks_from(m, table[i], grid.x[i], low, hardest), chips_at(m, table[i], low, high, paid)
            for at in (min(breaks, chips), max(breaks, chips)):
                if spare > 0 and low * (1.0 + THIN) < at < high * (1.0 - THIN):
                    _add_part(m, grid, parts, j, i, low, at, False)
                    low, j, spare = at, j + 1, spare - 1
        _add_part(m, grid, parts, j, i, low, high, low == grid.edges[i])
        j += 1
    parts.number[0] = j
