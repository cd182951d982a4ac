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
def class_fates(strikes, ways, fines, fates, i):
    """Fill the fates of class i from its strikes; return the mean shares that stay in it, and chip off.

    ways, fines: of a Grid.
    """
    phi, out_s, out_q, out_f = fines[i], ways[i, SPLIT, OUT], ways[i, SHATTERED, OUT], ways[i, FINES, OUT]
    per_s, per_q, per_f = ways[i, SPLIT, PER], ways[i, SHATTERED, PER], ways[i, FINES, PER]
    stay = chipped = 0.0
    for b in range(BINS):
        whole = 1.0 - strikes[i, b, XI]
        dust, sh, psh = strikes[i, b, DUST], strikes[i, b, SHATTER], strikes[i, b, PIN_SHATTER]
        broken, pins = whole * strikes[i, b, BREAK], (1.0 - dust) * strikes[i, b, PIN_BREAK]
        passes = whole - broken * (out_s + sh * (out_q - out_s) + phi * out_f)
        drifts = passes * strikes[i, b, SHRINK]
        returns = 1.0 - dust * out_f - pins * (out_s + psh * (out_q - out_s) + phi * out_f)
        passes -= drifts
        stay += passes * returns
        chipped += strikes[i, b, XI]
        fates[i, RETURNS, b], fates[i, PASSES, b], fates[i, DRIFTS, b] = returns, passes, drifts
        fates[i, BAR_SPLIT, b] = broken * (1.0 - sh) * per_s
        fates[i, BAR_SHATTER, b] = broken * sh * per_q
        fates[i, BAR_FINES, b] = broken * phi * per_f
        fates[i, PIN_TO_SPLIT, b] = pins * (1.0 - psh) * per_s
        fates[i, PIN_TO_SHATTER, b] = pins * psh * per_q
        fates[i, PIN_TO_FINES, b] = (pins * phi + dust) * per_f
    return stay / BINS, chipped / BINS


@law
def fill_fates(grid, work):
    """Fill work.fates, work.stays and work.chipped from work.strikes."""
    strikes, ways, fines, fates = work.strikes, grid.ways, grid.fines, work.fates
    for i in range(grid.x.size):
        work.stays[i], work.chipped[i] = class_fates(strikes, ways, fines, fates, i)
