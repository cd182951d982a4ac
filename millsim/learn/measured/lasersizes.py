"""Sheets of laser diffraction beside a model whose sizes are those of sieves: what of them counts, and how far off.

The many classes of such a sheet are one smoothed curve and not as many measurements, so a run takes from it the sizes
at a few shares, x10, x50 and x90 among them (ISO 9276-1).
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from ...base.numerics import psd
from ...base.reading.laser import REPEATS
from ...base.reading.sheet import SieveSheet
from ...base.reading.tables import Finding

SHARES = (0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 1.0)
AS_SIEVED = 0.2  # in ln x: how far laser sizes of a chip-like powder may lie from its sieve sizes, all alike; assumed
MIDDLE = REPEATS[0.5]  # in ln x: what all sizes may be off together, as x50 may
WIDTH = (REPEATS[0.9] ** 2 - MIDDLE**2) ** 0.5  # and x10 and x90 apart from it
ASSUMED = f"sizes by laser diffraction stand for sieve sizes within ± {100 * AS_SIEVED:.0f} %, for flat or long pieces"


def read_off(sheets: tuple[SieveSheet, ...]) -> tuple[SieveSheet, ...]:
    """Sheets of laser diffraction of one lot at the sizes where their mean has SHARES; sieve sheets as they are."""
    if not sheets or not all(s.by_laser for s in sheets):
        return sheets
    x = np.unique(np.concatenate([s.apertures_m for s in sheets]))
    mean = np.mean([np.asarray(psd.q_at(s.apertures_m, s.q3, x)) for s in sheets], axis=0)
    found = np.asarray(psd.x_at(x, mean, SHARES))
    sizes = np.unique(found[np.isfinite(found)])
    return tuple(
        replace(
            s, apertures_m=tuple(sizes.tolist()), q3=tuple(np.asarray(psd.q_at(s.apertures_m, s.q3, sizes)).tolist())
        )
        for s in sheets
    )


def mixed(sheets: dict[str, tuple[SieveSheet, ...]]) -> Iterator[Finding]:
    """Sheets of both kinds where their curves would be added up: of one lot, or of product and bag."""
    for lots in (("product", "bag"), ("holdup",)):
        kinds = [(lot, s.by_laser) for lot in lots for s in sheets.get(lot, ())]
        if len({laser for _, laser in kinds}) > 1:
            message = "sheets of sieves and of laser diffraction are mixed: their sizes differ by the pieces' shape"
            yield Finding(f"sieving.{kinds[-1][0]}", message, "", "measure product and bag in the same way")
