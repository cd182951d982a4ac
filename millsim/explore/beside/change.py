"""Which change is worth making first: every step that can be built, tried by itself and ranked for one output.

First all steps are tried with plausible parameters and held to the pre-build review; then the first few are set beside
the mill as it is by draws that they share, as in `mills`, once with the errors of model and day and once without.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ...base.numerics.threads import on_all_cores
from ...errors import InputError
from ...forecast import band
from ...forecast.error import Errors
from ...mill.config.mill import Config, with_keys
from ...mill.problem import Setup, build
from ...record.limits import CANNOT, OVER
from ...studies.changes import COARSER, TO_CAPACITY, Tried, newly_failing, tried
from ...studies.ways import every_way
from .mills import NO_RATE, joint_errors

GOALS = {  # what is to get better: its key, and which way is better
    "rate": ("throughput_kg_s", 1.0), "x50": ("x50_m", -1.0), "x90": ("x90_m", -1.0), "energy": ("gross_J_kg", -1.0),
    "outlet": ("outlet_temperature_K", -1.0),
}  # fmt: skip
DRAWS = 32
FIRST = 3  # changes whose difference is given a band
WORTH, WORTH_K = 1.01, 0.5  # factor, or kelvins, from which a change counts
SURE = 0.8  # share of the shared draws in which a change is better, from which it may come first (assumed)
LESS = 0.97  # of the rate: below, a change costs rate


class Difference(NamedTuple):
    """What a change makes of the output in draws that it shares with the mill as it is: factor, or kelvins.

    low, middle, high: 80 % band, with the model's own error and the day; own: half the width (of the logarithm, or in
    kelvins) that these two open by themselves; better: share of the draws in which it is better; both: how many draws
    run with and without it.
    """

    low: float
    middle: float
    high: float
    own: float
    better: float
    both: int


@dataclass(frozen=True)
class Step:
    """A step on one way: words and overrides of the config; gain: factor or kelvins, better above 1 or 0; fails: checks
    of the review that it newly fails; stopped: those that fail farther that way; short: it takes less than is asked."""

    key: str
    words: str
    keys: tuple[str, ...]
    values: dict[str, float]
    binding: str
    gain: float
    fails: tuple[str, ...]
    stopped: str = ""
    short: bool = False
    difference: Difference | None = None


@dataclass(frozen=True)
class Ranking:
    """The answer for one output of a mill: the mill as it is (None: it gives nothing), then what is worth making, the
    best first, what makes coarser powder, and what the review fails; tried: how many ways there are; opened: it is fed
    as fast as it can grind, though the config asks for a rate."""

    config: Config
    goal: str
    base: Tried | None
    steps: tuple[Step, ...]
    coarser: tuple[Step, ...]
    failing: tuple[Step, ...]
    tried: int
    draws: int
    opened: bool = False

    @property
    def kelvins(self) -> bool:
        """Whether differences are in kelvins."""
        return self.goal == "outlet"


def rank(
    config: Config, goal: str, draws: int = DRAWS, seed: int = 1, progress: Callable[[float], None] | None = None
) -> Ranking:
    """Try all steps of a mill for an output; draws: shared ones behind the first few differences, 0 for none."""
    opened = goal == "rate" and not config.feed.batch and config.feed.rate_kg_s is not None
    config = with_keys(config, (TO_CAPACITY,)) if opened else config
    base = tried(config, config.feed.rate_kg_s)
    if base is None or base.outcome.code == CANNOT or not values_of(base)["throughput_kg_s"] > 0.0:
        return Ranking(config, goal, None, (), (), (), 0, draws)
    ways, found, failing = list(every_way(config)), [], []
    for i, way in enumerate(ways):
        best, bad = _best(config, goal, base, way)
        found += [best] if best is not None else []
        failing += [bad] if bad is not None and best is None else []
        if progress:
            progress((0.4 if draws else 1.0) * (i + 1) / len(ways))
    found.sort(key=lambda s: -s.gain)
    fine = [s for s in found if goal in ("x50", "x90") or not is_coarser(base, s)]
    coarse = [s for s in found if s not in fine]
    if draws:
        tell = (lambda done: progress(0.4 + 0.6 * done)) if progress else None
        fine = _with_bands(config, goal, base, fine, draws, seed, tell)
    failing.sort(key=lambda s: -s.gain)
    return Ranking(config, goal, base, tuple(fine), tuple(coarse), tuple(failing), len(ways), draws, opened)


def values_of(t: Tried) -> dict[str, float]:
    """Outputs of a mill that was tried."""
    return t.prediction.told.values


def is_coarser(base: Tried, s: Step) -> bool:
    """Whether a step makes another, coarser powder."""
    return s.values["x50_m"] > (1.0 + COARSER) * values_of(base)["x50_m"]


def _gain(goal: str, base: dict[str, float], there: dict[str, float]) -> float:
    key, better = GOALS[goal]
    if goal == "outlet":
        return base[key] - there[key]
    return (there[key] / base[key]) ** better


def _best(config: Config, goal: str, base: Tried, way) -> tuple[Step | None, Step | None]:
    """(the step of a way that is best and that the review passes, the best that it fails), None where there is none."""
    passing: list[Step] = []
    failing: list[Step] = []
    for share in way.steps:
        s = _step(config, goal, base, way, share)
        if s is None:
            continue
        (failing if s.fails else passing).append(s)
        if s.fails:
            break  # farther is worse
    worth = [s for s in passing if _counts(goal, s.gain)]
    bad = [s for s in failing if _counts(goal, s.gain)]
    stopped = ", ".join(failing[0].fails[:1]) if failing else ""
    best = max(worth, key=lambda s: s.gain, default=None)
    if best is not None and bad and best is worth[-1]:
        best = Step(**{**best.__dict__, "stopped": stopped})
    return best, max(bad, key=lambda s: s.gain, default=None)


def _counts(goal: str, gain: float) -> bool:
    return gain > (WORTH_K if goal == "outlet" else WORTH)


def _step(config: Config, goal: str, base: Tried, way, share: float) -> Step | None:
    words, keys = way.at(share)
    if not words:
        return None
    try:
        there = tried(with_keys(config, keys), config.feed.rate_kg_s)
    except InputError:
        return None
    if there is None or there.outcome.code == CANNOT:
        return None
    values = values_of(there)
    if not (values["throughput_kg_s"] > 0.0 and math.isfinite(values["x50_m"])):
        return None
    short = there.outcome.code == OVER and (config.feed.rate_kg_s is not None or config.feed.batch is not None)
    gain = _gain(goal, values_of(base), values)
    return Step(way.key, words, keys, values, there.outcome.binding, gain, tuple(newly_failing(base, there)), "", short)


# --- draws that the mill and its changes share -----------------------------------------------------------


def _with_bands(config, goal, base, steps: list[Step], draws: int, seed: int, progress) -> list[Step]:
    """The steps, of which the first have their difference; of these the ones that are surely better come first."""
    first = steps[:FIRST]
    if not first:
        return steps
    configs = [config, *(with_keys(config, s.keys) for s in first)]
    rates = [values_of(base)["throughput_kg_s"], *(s.values["throughput_kg_s"] for s in first)]
    found = both_ways(configs, rates, GOALS[goal][0], draws, seed, progress)
    told = [
        Step(**{**s.__dict__, "difference": difference(found[0], one, goal)})
        for s, one in zip(first, found[1:], strict=True)
    ]
    return [*sorted(told, key=lambda s: not _sure(s)), *steps[FIRST:]]


def _sure(s: Step) -> bool:
    """Whether a change is better in most of the shared draws."""
    return s.difference is not None and s.difference.better >= SURE


def both_ways(
    configs: list[Config], rates_kg_s: list[float], key: str, draws: int, seed: int,
    progress: Callable[[float], None] | None = None,
) -> list[np.ndarray]:  # fmt: skip
    """For each mill (2, draws) values of an output in common draws: of the parameters alone, and with all errors; NaN
    where a draw gives nothing."""
    problems = [build(c) for c in configs]
    records = band.common_draws(problems, draws, seed)
    off = joint_errors(problems, [max(r, NO_RATE) for r in rates_kg_s], draws, seed)
    found = []
    for k, (p, mills, errors) in enumerate(zip(problems, records, off, strict=True)):

        def one(i: int, p: Setup = p, mills: np.ndarray = mills, errors: Errors = errors) -> tuple[float, float]:
            return _draw(p, mills[i : i + 1], errors, i, key)

        found.append(np.array(on_all_cores(one, range(draws))).T)
        if progress:
            progress((k + 1) / len(problems))
    return found


def _draw(p: Setup, mill: np.ndarray, errors: Errors, i: int, key: str) -> tuple[float, float]:
    rate = p.config.feed.rate_kg_s
    solved = band.solve_draw(p, mill, rate)
    if solved is None or solved[1].code == CANNOT:
        return math.nan, math.nan
    result, outcome = solved
    off = errors.off(i, p.config, result.values["throughput_kg_s"] or NO_RATE)
    with_errors, _ = band.erring(result, outcome, p, mill[0], off)
    if not result.values["throughput_kg_s"] > 0.0:
        return math.nan, math.nan
    return result.values[key], with_errors.values[key]


def difference(base: np.ndarray, there: np.ndarray, goal: str) -> Difference | None:
    """Of one output, (2, draws) as it is and changed; None where hardly a draw has both."""
    both = np.isfinite(base[1]) & np.isfinite(there[1])
    if both.sum() < 4:
        return None
    bare, off = (there[j, both] - base[j, both] if goal == "outlet" else there[j, both] / base[j, both] for j in (0, 1))
    low, middle, high = np.quantile(off, [0.1, 0.5, 0.9])
    errors = off - bare if goal == "outlet" else np.log(off / bare)
    own = 0.5 * float(np.diff(np.quantile(errors, [0.1, 0.9]))[0])
    better = np.mean((off - (0.0 if goal == "outlet" else 1.0)) * GOALS[goal][1] > 0.0)
    return Difference(float(low), float(middle), float(high), own, float(better), int(both.sum()))
