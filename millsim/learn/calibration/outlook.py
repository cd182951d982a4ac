"""What a calibration is worth: the bands of the answers for the mill as configured, before and after it."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ...forecast.band import LEVEL, band_of, draws, run_samples
from ...forecast.error import errors
from ...mill.cards.calibrated import Calibrated
from ...mill.config.mill import Config
from ...mill.problem import build
from ...record.day import from_day_to_day

ANSWERS = ("x50_m", "x90_m", "throughput_kg_s", "gross_J_kg", "outlet_temperature_K")
COUNT = 64


@dataclass(frozen=True)
class BeforeAfter:
    """One figure by name (a key of OUTPUTS): median and 80 % band before and after, SI units.

    day: half the width that no measurement narrows, of the logarithm; 0 where that is not told.
    """

    name: str
    before: tuple[float, float, float]  # low, median, high
    after: tuple[float, float, float]
    day: float

    @property
    def left(self) -> float:
        """Width of the band after over before; of logarithms, or of kelvins."""
        (a, _, b), (c, _, d) = self.before, self.after
        if self.name.endswith("_K"):
            return (d - c) / (b - a) if b > a else float("nan")
        return float(np.log(d / c) / np.log(b / a)) if b > a > 0.0 and c > 0.0 else float("nan")


def outlook(
    config: Config, card: Calibrated, seed: int, progress: Callable[[float], None] | None = None
) -> list[BeforeAfter]:
    """The answers for a config with its priors and with the calibrated card."""
    found = []
    for turn, calibration in enumerate((None, card)):
        problem = build(replace(config, calibration=calibration))
        mills, off = draws(problem, COUNT, seed), errors(problem, COUNT, seed)
        samples = run_samples(problem, mills, config.feed.rate_kg_s, errors=off)
        found.append({name: _band(samples.values[name], samples.ok) for name in ANSWERS if name in samples.values})
        if progress:
            progress(0.5 * (turn + 1))
    before, after = found
    day = from_day_to_day(problem.parameters, config.feed.rate_kg_s is None)
    known = [name for name in ANSWERS if name in before and name in after]
    return [BeforeAfter(name, before[name], after[name], day.get(name, 0.0)) for name in known]


def _band(values: np.ndarray, ok: np.ndarray) -> tuple[float, float, float]:
    low, high = band_of(values, ok, LEVEL)
    good = values[ok & ~np.isnan(values)]
    return low, float(np.median(good)) if good.size else float("nan"), high
