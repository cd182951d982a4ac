"""What becomes of a kilogram that is struck, of every class: one table for every march through a frozen state.

The balance needs of a strike only where the mass goes, so what `strikes` tells of it (breaks, chips, shrinks, rubs off
dust) is multiplied out here once, stream by stream, with what of each way leaves the class.
"""

from ..base.numerics.jit import law
from .records import (
    BAR_FINES,
    BAR_SHATTER,
    BAR_SPLIT,
    BINS,
    BREAK,
    DRIFTS,
    DUST,
    FINES,
    OUT,
    PASSES,
    PER,
    PIN_BREAK,
    PIN_SHATTER,
    PIN_TO_FINES,
    PIN_TO_SHATTER,
    PIN_TO_SPLIT,
    RETURNS,
    SHATTER,
    SHATTERED,
    SHRINK,
    SPLIT,
    XI,
)  # fmt: skip


@law
def class_fates(cells, ways, phi, fates):
    """Fill the fates (FATES, BINS) of a class from its strikes; return the mean shares that stay in it, and chip off.

    ways, phi: ways and fines of the class, as a Grid has them.
    """
    out_s, out_q, out_f = ways[SPLIT, OUT], ways[SHATTERED, OUT], ways[FINES, OUT]
    per_s, per_q, per_f = ways[SPLIT, PER], ways[SHATTERED, PER], ways[FINES, PER]
    stay = chipped = 0.0
    for b in range(BINS):
        whole = 1.0 - cells[b, XI]
        dust, sh, psh = cells[b, DUST], cells[b, SHATTER], cells[b, PIN_SHATTER]
        broken, pins = whole * cells[b, BREAK], (1.0 - dust) * cells[b, PIN_BREAK]
        passes = whole - broken * (out_s + sh * (out_q - out_s) + phi * out_f)
        drifts = passes * cells[b, SHRINK]
        returns = 1.0 - dust * out_f - pins * (out_s + psh * (out_q - out_s) + phi * out_f)
        passes -= drifts
        stay += passes * returns
        chipped += cells[b, XI]
        fates[RETURNS, b], fates[PASSES, b], fates[DRIFTS, b] = returns, passes, drifts
        fates[BAR_SPLIT, b] = broken * (1.0 - sh) * per_s
        fates[BAR_SHATTER, b] = broken * sh * per_q
        fates[BAR_FINES, b] = broken * phi * per_f
        fates[PIN_TO_SPLIT, b] = pins * (1.0 - psh) * per_s
        fates[PIN_TO_SHATTER, b] = pins * psh * per_q
        fates[PIN_TO_FINES, b] = (pins * phi + dust) * per_f
    return stay / BINS, chipped / BINS


@law
def fill_fates(grid, work):
    """Fill work.fates, work.stays and work.chipped from work.strikes."""
    for i in range(grid.x.size):
        work.stays[i], work.chipped[i] = class_fates(work.strikes[i], grid.ways[i], grid.fines[i], work.fates[i])
