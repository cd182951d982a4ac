"""How hot the outlet gets over the feed rate, or a batch over its charge: the lines of the figure."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import isfinite, nan

import numpy as np

from ...base.numerics.threads import on_all_cores
from ...forecast import band as bands
from ...forecast.error import Off, errors
from ...forecast.outcome import NEXT_TO_NONE
from ...mill.problem import Setup
from .answers import HeatAnswers, settled
from .stand import Case

POINTS = 14
BEYOND = 1.35  # times the farthest rate that is told of
FLOODS = 3  # rates in a row that no charge carries, before no larger one is filled up to: that costs most, and may miss
USUAL_KG_S = 1.0 / 3600.0  # shown up to where a mill gives no rate to go by


@dataclass(frozen=True)
class HeatCurve:
    """Outlet [K] (n,) over rates [kg/s], of a batch over charges [kg]; of draws (m, n); NaN where nothing settles."""

    amount: np.ndarray
    outlet_K: np.ndarray
    draws_K: np.ndarray


def heat_curve(a: HeatAnswers, air_m3_s: float | None = None) -> HeatCurve:
    """The curve of a mill that was asked about; air_m3_s: as measured, if it was."""
    problem, _ = settled(a.config, air_m3_s, a.limit_K)
    top = BEYOND * _farthest(a)
    amount = np.linspace(max(NEXT_TO_NONE, 0.01 * top), top, POINTS)

    def outlets(mill: np.ndarray, off: Callable[[float], Off] | None = None) -> np.ndarray:
        found, floods = [], 0
        for x in amount:
            found.append(_at(problem, a, float(x), off).outlet(mill, fill=floods < FLOODS))
            floods = 0 if isfinite(found[-1]) else floods + 1
        return np.where(np.isfinite(found), found, nan)

    def draw(i: int) -> np.ndarray:
        return outlets(mills[i : i + 1], lambda x: off.off(i, a.config, x))

    drawn = np.empty((0, POINTS))
    if a.draws:
        seed = a.config.run.seed or 0
        mills, off = bands.draws(problem, a.draws, seed), errors(problem, a.draws, seed)
        drawn = np.array(on_all_cores(draw, range(a.draws)))
    return HeatCurve(amount, outlets(problem.mill), drawn)


def _farthest(a: HeatAnswers) -> float:
    """The largest rate [kg/s] or charge [kg] that the answers speak of."""
    batch = a.config.feed.batch
    told = [batch.mass_kg, a.value("largest_kg")] if batch else [a.config.feed.rate_kg_s or nan, a.rate_kg_s or nan]
    told += [] if batch else [a.value("largest_kg_s"), *(x.rate_kg_s for x in a.ways)]
    known = [x for x in told if isfinite(x) and x > 10.0 * NEXT_TO_NONE]
    if batch:
        return min(max(known), 3.0 * batch.mass_kg)
    return max(known, default=USUAL_KG_S)


def _at(problem: Setup, a: HeatAnswers, amount: float, off: Callable[[float], Off] | None) -> Case:
    """The mill at a rate, or with a charge in the time of its batch."""
    batch = a.config.feed.batch
    if batch is None:
        return Case(problem, amount, a.limit_K, off(amount) if off else None)
    config = replace(a.config, feed=replace(a.config.feed, batch_mass_kg=amount))
    return Case(replace(problem, config=config), None, a.limit_K, off(amount / batch.time_s) if off else None)
