"""What a calibration is worth: the bands of the answers for the mill as configured, before and after it."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ...base.numerics.statistics import central
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
AGAIN = 400  # times that draws are drawn anew from those there are


@dataclass(frozen=True)
class BeforeAfter:
    """One figure by name (a key of OUTPUTS): of the most plausible mill, with its 80 % band, before and after, SI
    units; as `predict` has both of the same config and seed.

    day: half the width that no measurement narrows, of the logarithm; 0 where that is not told. scatter: standard error
    of the widths before and after, as shares of them, since other draws would give others.
    """

    name: str
    before: tuple[float, float, float]  # low, plausible, high
    after: tuple[float, float, float]
    day: float
    scatter: tuple[float, float]

    @property
    def left(self) -> float:
        """Width of the band after over before; of logarithms, or of kelvins."""
        (a, _, b), (c, _, d) = self.before, self.after
        if self.name.endswith("_K"):
            return (d - c) / (b - a) if b > a else float("nan")
        return float(np.log(d / c) / np.log(b / a)) if b > a > 0.0 and c > 0.0 else float("nan")

    @property
    def left_error(self) -> float:
        """Standard error of `left` that comes of the number of draws."""
        return self.left * float(np.hypot(*self.scatter))


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
        bands = {n: _band(main.scalars[n].value, samples.values[n], samples.ok) for n in known}
        found.append((bands, {n: _scatter(n, samples.values[n], samples.ok) for n in known}))
        if progress:
            progress(0.5 * (turn + 1))
    (before, less_sure), (after, sure) = found
    day = from_day_to_day(problem.parameters, config.feed.rate_kg_s is None)
    known = [name for name in ANSWERS if name in before and name in after]
    return [
        BeforeAfter(name, before[name], after[name], day.get(name, 0.0), (less_sure[name], sure[name]))
        for name in known
    ]


def _band(value: float, values: np.ndarray, ok: np.ndarray) -> tuple[float, float, float]:
    low, high = band_of(values, ok, LEVEL)
    return low, value, high


def _scatter(name: str, values: np.ndarray, ok: np.ndarray) -> float:
    """Standard error of a band's width, as a share of it: that of the widths of draws drawn anew from these.

    The bootstrap of Efron 1979, Ann. Stat. 7:1, doi:10.1214/aos/1176344552; infinite where the band may have no end.
    """
    settled = np.where(ok, values, np.nan)
    low, high = central(settled[np.random.default_rng(0).integers(0, settled.size, (AGAIN, settled.size))], LEVEL)
    with np.errstate(all="ignore"):
        widths = np.sort(high - low if name.endswith("_K") else np.log(high / low))
    less, middle, more = widths[[round(AGAIN * share) for share in (0.159, 0.5, 0.841)]]
    return float((more - less) / 2.0 / middle) if np.isfinite(more) else float("inf")
