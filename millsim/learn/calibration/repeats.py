"""Repeated runs: the mean of each figure, what changes from run to run, and whether a change did anything.

Sizes, rates and energies are compared by their logarithms, temperatures by kelvin. What is off by as much in every run
(watt meter, sieves, thermometer) is in the error of a mean and not in that of a difference: both were measured with it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import exp, hypot, inf, log, sqrt

import numpy as np

from ...base.numerics.scatter import Scatter, chance_of, pooled, runs_needed, scatter_of
from ...base.quantities.params import Param
from ...errors import InputError, Problem
from ...mill.config.schema import find_key
from ..measured.otherday import KELVIN, assumed
from ..measured.runbalance import Inputs, inputs, propagate
from ..measured.runsheet import MeasuredRun, config_as_run
from ..measured.runspec import AS_IT_TOOK
from .compare import NOTHING, PERCENTILES, Point, RunComparison, on_sieves, settings_apart, size_at
from .fit import named_twice
from .observations import LIMIT, READ, frame_of, size_block
from .shared import cross

TO_THE_DEGREE = 0.3  # K, of a thermometer read to whole degrees
SURE = 0.05  # chance of luck below which a change is called one
BY_LUCK = 0.5  # chance from which luck alone does as much
CHANGE, LUCK, TOO_FEW = "a change", "luck", "not enough runs"
_AS_FOUND = (  # no two runs agree in these to the digit, or they say what is known of a mill, not which one it is
    "air.room", "feed.rate", "feed.batch_mass", "feed.batch_time", "guessed.", "material.", "model.",
)  # fmt: skip
_METER = ("idle", "loaded", "energy", "motor")
MEANS = ("x10_m", "x50_m", "x90_m", "throughput_kg_s", "gross_J_kg", "air_temperature_K", "powder_temperature_K")
ASKED = ("x10_m", "x50_m", "x90_m", "throughput_kg_s", "gross_J_kg", "net_J_kg", *KELVIN)


@dataclass(frozen=True)
class Reading:
    """One figure of one run in SI; own: its standard error that is another in every run, common: that is the same.

    Both relative, but kelvin of a temperature.
    """

    value: float
    own: float
    common: float


@dataclass(frozen=True)
class Repeated:
    """One figure over repeated runs: mean (geometric; of temperatures arithmetic), its 95 % interval, and scatter."""

    name: str  # of `record.outputs`
    values: tuple[float, ...]
    mean: float
    low: float
    high: float
    scatter: Scatter
    common: float  # standard error that is the same in all runs, relative or kelvin
    basis: tuple[Param, ...]  # what an assumed scatter rests on


@dataclass(frozen=True)
class Changed:
    """One figure before and after a change: ratio (of temperatures: kelvin) with its 95 % interval, and a verdict.

    less: probability that it is less after; chance: of as large a difference, either way, if nothing had changed;
    more: runs still wanted of each kind to settle it if it is as it looks, None where that takes too many.
    """

    before: Repeated
    after: Repeated
    change: float
    low: float
    high: float
    less: float
    chance: float
    verdict: str
    more: tuple[int, int] | None

    @property
    def name(self) -> str:
        """Key of the output."""
        return self.before.name


@dataclass(frozen=True)
class Repeats:
    """Runs of one mill, with every figure that all of them have."""

    runs: tuple[MeasuredRun, ...]
    figures: tuple[Repeated, ...]
    set_by_feeder: bool  # the rate was told to the mill, so it says nothing of it


@dataclass(frozen=True)
class Change:
    """Two sets of repeated runs; what differs between their mills; turns: whether the two took turns by date."""

    before: Repeats
    after: Repeats
    figures: tuple[Changed, ...]
    differing: tuple[tuple[str, str, str], ...]
    turns: bool | None  # None where dates do not tell


def repeated(runs: Sequence[MeasuredRun]) -> Repeats:
    """The figures of repeated runs. Raises InputError where they are no repeats of one another."""
    _refuse_others(runs)
    read = [readings(run) for run in runs]
    names = [n for n in ASKED if all(n in r for r in read)]
    found = tuple(_mean(n, [r[n] for r in read], [[r[n] for r in read]], runs) for n in names)
    return Repeats(tuple(runs), found, runs[0].feeding != AS_IT_TOOK)


def changed(before: Sequence[MeasuredRun], after: Sequence[MeasuredRun]) -> Change:
    """Whether a change did anything: repeated runs before and after it. Raises InputError as `repeated`."""
    _refuse_twice([*before, *after])
    if problems := list(_sized_otherwise([*before, *after])):
        raise InputError(problems)
    a, b = repeated(before), repeated(after)
    read = [[readings(run) for run in runs] for runs in (before, after)]
    names = [n for n in ASKED if all(n in r for group in read for r in group)]
    if a.set_by_feeder or b.set_by_feeder:
        names = [n for n in names if n != "throughput_kg_s"]
    found = []
    for n in names:
        groups = [[r[n] for r in group] for group in read]
        pair = [_mean(n, g, groups, runs) for g, runs in zip(groups, (before, after), strict=True)]
        found.append(_changed(*pair))
    apart = tuple(d for d in settings_apart(*(config_as_run(runs[0]).text for runs in (before, after))) if _counts(d))
    return Change(a, b, tuple(found), apart, _took_turns(before, after))


@dataclass(frozen=True)
class MeanPoint:
    """The mean of repeated runs against a stored prediction; inside: how many of the runs are by themselves."""

    point: Point
    inside: int
    runs: int


def mean_points(comparisons: Sequence[RunComparison], r: Repeats) -> tuple[MeanPoint, ...]:
    """Every figure that all comparisons of repeated runs with one prediction can judge, by its mean."""
    known, found = {f.name: f for f in r.figures}, []
    for name in MEANS:
        each = [p for c in comparisons for p in c.points if p.name == name and p.judged]
        figure = known.get(KELVIN[0] if name.endswith("_K") else name)
        if figure is None or len(each) < len(comparisons):
            continue
        values = np.array([p.measured for p in each])
        kelvin = name.endswith("_K")
        mean = float(values.mean() if kelvin else np.exp(np.log(values).mean()))
        one = 1.0 if kelvin else mean
        read = {"throughput_kg_s": inf, "gross_J_kg": READ}.get(name, TO_THE_DEGREE if kelvin else 0.0)
        same = sqrt(max(0.0, (each[0].error / one) ** 2 - read**2))  # motor, place of the thermometer, sieves
        error = hypot(figure.scatter.sd / sqrt(len(each)), max(figure.common, same)) * one
        point = replace(each[0], measured=mean, error=error)
        found.append(MeanPoint(point, sum(p.inside for p in each), len(each)))
    return tuple(found)


@dataclass(frozen=True)
class MoreThanAssumed:
    """A figure that repeats of one mill scatter more in than a calibration takes it to: by how much, and the chance."""

    name: str
    sd: float
    dof: int
    assumed: tuple[Param, ...]
    chance: float


def more_than_assumed(runs: Sequence[MeasuredRun]) -> list[MoreThanAssumed]:
    """Of runs that are calibrated together: where repeats among them scatter more than the card of the model says."""
    groups: dict[tuple[str, str, str], list[MeasuredRun]] = {}
    for run in runs:
        groups.setdefault((run.config.sha256, run.feeding, run.sized_by), []).append(run)
    several = [[(run, readings(run)) for run in g] for g in groups.values() if len(g) > 1]
    found = []
    for name in ("x50_m", "throughput_kg_s", "gross_J_kg"):
        told = [[(run, r[name]) for run, r in g if name in r] for g in several]
        told = [g for g in told if len(g) > 1 and assumed(name, g[0][0])]
        if not told:
            continue
        basis, logs = assumed(name, told[0][0][0]), [[log(r.value) for _, r in g] for g in told]
        own = sqrt(float(np.mean([r.own**2 for g in told for _, r in g])))
        chance, (sd, dof) = chance_of(logs, basis, own), pooled(logs)
        if chance < SURE:
            found.append(MoreThanAssumed(name, sd, dof, basis, chance))
    return found


def readings(run: MeasuredRun) -> dict[str, Reading]:
    """What one run tells of each figure."""
    x, found = inputs(run), _sizes(run)
    found["throughput_kg_s"] = _figure(lambda q: q["product"] / q["time"], x)
    if run.loaded_W is not None:
        total = (lambda q: q["energy"]) if "energy" in x else (lambda q: q["loaded"] * q["time"])
        found["gross_J_kg"] = _figure(lambda q: total(q) / q["product"], x, READ)
        if run.idle_W is not None and run.idle_W < run.loaded_W:
            needle = READ * hypot(run.idle_W, run.loaded_W) / (run.loaded_W - run.idle_W)
            found["net_J_kg"] = _figure(lambda q: (total(q) - q["idle"] * q["time"]) / q["product"], x, needle)
    leaves = [T for T in (run.air_temperature_K, run.powder_temperature_K) if T is not None]
    if leaves:
        found["outlet_temperature_K"] = Reading(max(leaves), TO_THE_DEGREE, run.probe_K / LIMIT)
    return found


def _figure(formula, x: Inputs, needle: float = 0.0) -> Reading:
    """A figure with the error of its own readings and that of the watt meter, which is the same in every run."""
    alone = {n: (v, 0.0 if n in _METER else u) for n, (v, u) in x.items()}
    own, whole = propagate(formula, alone, "", ""), propagate(formula, x, "", "")
    common = sqrt(max(0.0, whole.u**2 - own.u**2))
    return Reading(whole.value, hypot(own.u / whole.value, needle), common / abs(whole.value))


def _sizes(run: MeasuredRun) -> dict[str, Reading]:
    """x50 and x90 where the sieves reach them."""
    block = size_block(run, np.ones(2), frame_of(run.config, run.feed_rate_kg_s, NOTHING))
    if block is None:
        return {}
    x, means = on_sieves(run)
    alone = block.covariance - cross(block.shared, block.shared)
    whole, own = (means @ c @ means.T for c in (block.covariance, alone))
    found = {}
    for key, share in PERCENTILES.items():
        value, error = size_at(x, means @ block.values, whole, share)
        if np.isfinite(value) and np.isfinite(error):
            mine = min(error, size_at(x, means @ block.values, own, share)[1]) / value
            found[key] = Reading(value, mine, sqrt(max(0.0, (error / value) ** 2 - mine**2)))
    return found


def _mean(name: str, own: list[Reading], groups: list[list[Reading]], runs: Sequence[MeasuredRun]) -> Repeated:
    """The mean of one group; scatter is that of all groups together."""
    to, back = ((lambda v: v), (lambda v: v)) if name in KELVIN else (log, exp)
    basis = assumed(name, runs[0], own[0].value)
    mine = sqrt(float(np.mean([r.own**2 for g in groups for r in g])))
    scatter = scatter_of([[to(r.value) for r in g] for g in groups], basis, mine)
    middle = float(np.mean([to(r.value) for r in own]))
    common = float(np.mean([r.common for r in own]))
    reach = hypot(scatter.reach(1.0 / sqrt(len(own))), 1.96 * common)
    values = tuple(r.value for r in own)
    return Repeated(name, values, back(middle), back(middle - reach), back(middle + reach), scatter, common,
                    basis if scatter.assumed else ())  # fmt: skip


def _changed(before: Repeated, after: Repeated) -> Changed:
    kelvin, scatter = before.name in KELVIN, before.scatter
    by = after.mean - before.mean if kelvin else log(after.mean / before.mean)
    n, m = len(before.values), len(after.values)
    per = sqrt(1.0 / n + 1.0 / m)
    less, reach = scatter.below(-by, per), scatter.reach(per)
    chance = 2.0 * min(less, 1.0 - less)
    verdict = CHANGE if chance < SURE else LUCK if chance >= BY_LUCK else TOO_FEW
    wanted = runs_needed(by, scatter.sd)
    more = None if wanted is None else (max(0, wanted - n), max(0, wanted - m))
    if verdict == TOO_FEW and more == (0, 0):
        more = (1, 1)  # enough to find it in most cases: this was not one of them
    back = (lambda v: v) if kelvin else exp
    return Changed(before, after, back(by), back(by - reach), back(by + reach), less, chance, verdict, more)


def _counts(row: tuple[str, str, str]) -> bool:
    """Whether a setting that differs makes it another mill."""
    key = find_key(*row[0].rpartition(".")[::2])
    return not row[0].startswith(_AS_FOUND) and (key is None or key.predicts)


def other_mill(one: str, other: str) -> tuple[tuple[str, str, str], ...]:
    """Settings of two resolved configs that make them different mills; what no two runs have alike is left out."""
    return tuple(row for row in settings_apart(one, other) if _counts(row))


def _refuse_others(runs: Sequence[MeasuredRun]) -> None:
    """Runs of different mills or fed another way are no repeats."""
    problems, first = list(_sized_otherwise(runs)), runs[0]
    for run in runs[1:]:
        where = str(run.path or run.name)
        if run.feeding != first.feeding:
            problems.append(Problem(where, "feeding.how", f"is {run.feeding!r}, of the first run {first.feeding!r}"))
        for key, a, b in other_mill(config_as_run(first).text, config_as_run(run).text):
            hint = "name runs of the changed mill behind --after"
            problems.append(Problem(where, key, f"is {b}, of the first run {a}: no repeat of it", hint=hint))
    if problems:
        raise InputError(problems)
    _refuse_twice(runs)


def _sized_otherwise(runs: Sequence[MeasuredRun]) -> Iterator[Problem]:
    """Sizes by sieves and by laser diffraction differ by the shape of the pieces, whatever the mill did."""
    first = next((run.sized_by for run in runs if run.sized_by), "")
    for run in runs:
        if run.sized_by not in ("", first):
            message = f"sizes by {run.sized_by} do not tell a difference from sizes by {first}"
            yield Problem(
                str(run.path or run.name), "sieving.product", message, hint="measure all runs in the same way"
            )


def _refuse_twice(runs: Sequence[MeasuredRun]) -> None:
    if problems := list(named_twice(runs)):
        raise InputError(problems)


def _took_turns(before: Sequence[MeasuredRun], after: Sequence[MeasuredRun]) -> bool | None:
    """Whether a run before came after a run of the changed mill; None where the days do not tell."""
    days = [[(run.date or "")[:10] for run in runs] for runs in (before, after)]
    if not all(d for group in days for d in group) or max(days[0]) == min(days[1]):
        return None
    return max(days[0]) > min(days[1])
