"""What a calibration is worth: the bands of the answers for the mill as configured, before and after it."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ...forecast.assemble import balance_result, without_throughput
from ...forecast.band import LEVEL, band_of, draws, run_samples
from ...forecast.error import errors
from ...forecast.run import settled
from ...mill.cards.calibrated import Calibrated
from ...mill.config.mill import Config
from ...record.day import from_day_to_day
from ...record.limits import CANNOT

ANSWERS = ("x50_m", "x90_m", "throughput_kg_s", "gross_J_kg", "outlet_temperature_K")
COUNT = 64


@dataclass(frozen=True)
class BeforeAfter:
    """One figure by name (a key of OUTPUTS): of the most plausible mill, with its 80 % band, before and after, SI
    units; as `predict` has both of the same config and seed.

    day: half the width that no measurement narrows, of the logarithm; 0 where that is not told.
    """

    name: str
    before: tuple[float, float, float]  # low, plausible, high
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
    """The answers for a config with its priors and with the calibrated card.

    seed: where the config has none; a config's own seed and count of draws are those that `predict` takes.
    """
    found, count = [], config.run.band_samples or COUNT
    seed = seed if config.run.seed is None else config.run.seed
    for turn, calibration in enumerate((None, card)):
        problem, outcome, capacity = settled(replace(config, calibration=calibration))
        main = balance_result(problem, outcome, capacity)
        main = without_throughput(main) if outcome.code == CANNOT else main
        samples = run_samples(
            problem, draws(problem, count, seed), config.feed.rate_kg_s, errors=errors(problem, count, seed)
        )
        known = [name for name in ANSWERS if name in samples.values]
        found.append({n: _band(main.scalars[n].value, samples.values[n], samples.ok) for n in known})
        if progress:
            progress(0.5 * (turn + 1))
    before, after = found
    day = from_day_to_day(problem.parameters, config.feed.rate_kg_s is None)
    known = [name for name in ANSWERS if name in before and name in after]
    return [BeforeAfter(name, before[name], after[name], day.get(name, 0.0)) for name in known]


def _band(value: float, values: np.ndarray, ok: np.ndarray) -> tuple[float, float, float]:
    low, high = band_of(values, ok, LEVEL)
    return low, value, high
