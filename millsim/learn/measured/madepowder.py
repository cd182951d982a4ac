"""The size of all the powder that a run made: product, bag and sweepings together, and the missing mass as fines.

What stayed in the chamber is charge, not powder that was made. Where a lot was not sieved it counts as like the
product; in the bounding case the unsieved bag and all missing mass are finer than the finest sieve.
"""

from dataclasses import dataclass

import numpy as np

from ...base.numerics import psd
from ...base.reading.sheet import SieveSheet
from .runsheet import MeasuredRun


@dataclass(frozen=True)
class FinesCase:
    """Q3 at the apertures (ascending, m): of the product, of all that was made, and with the missing mass as fines.

    Sizes in m; NaN where the sieves do not determine them.
    """

    apertures_m: tuple[float, ...]
    product_q3: tuple[float, ...]
    made_q3: tuple[float, ...]
    fines_q3: tuple[float, ...]
    product_x50_m: float
    made_x50_m: float
    fines_x50_m: float
    fines_kg: float  # what the bounding case takes as fines
    bag_sieved: bool


def mean_curve(sheets: tuple[SieveSheet, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Apertures and mean Q3 of repeats, on all apertures that every sheet reaches down to.

    Each curve is log-linear between its own apertures; above its coarsest it closes at the next coarser one.
    """
    x = np.array(sorted({a for s in sheets for a in s.apertures_m}))
    x = x[np.concatenate([[True], np.diff(np.log(x)) > 1e-6])]
    x = x[x >= max(s.apertures_m[0] for s in sheets) * (1 - 1e-6)]
    return x, np.mean([np.asarray(psd.q_at(*s.closed(), x)) for s in sheets], axis=0)


def fines_case(run: MeasuredRun) -> FinesCase | None:
    """The bounding case of a run; None without a sieved product."""
    if not run.product_sheets:
        return None
    x, product = mean_curve(run.product_sheets)
    bag_sieved = bool(run.bag_sheets)
    bag = product
    if bag_sieved:
        bag_x, bag = mean_curve(run.bag_sheets)
        known = x >= bag_x[0] * (1 - 1e-6)
        x, product = x[known], product[known]
        bag = np.asarray(psd.q_at(bag_x, bag, x))
    like, bag_kg = run.product_kg + (run.sweepings_kg or 0.0), run.bag_kg or 0.0
    lost = max(0.0, run.unaccounted_kg)
    made = (like * product + bag_kg * bag) / (like + bag_kg)
    fine_bag = bag if bag_sieved else np.ones_like(x)
    fines = (like * product + bag_kg * fine_bag + lost) / (like + bag_kg + lost)
    product_x50, made_x50, fines_x50 = (float(psd.x_at(x, q, 0.5)) for q in (product, made, fines))
    hidden = lost + (0.0 if bag_sieved else bag_kg)
    sizes, *curves = (tuple(q.tolist()) for q in (x, product, made, fines))
    x50 = (product_x50, made_x50, fines_x50)
    return FinesCase(sizes, curves[0], curves[1], curves[2], *x50, hidden, bag_sieved)
