"""What a figure of a sweep shows, as numbers: rulers and cells in the units of the workshop. No matplotlib."""

import math
from dataclasses import dataclass

import numpy as np

from ...base.numerics.statistics import central
from ...base.quantities.scalar import Scalar
from ...base.quantities.units import find_unit, in_unit, readable, spelling_for
from ...base.quantities.written import capital, shown_unit
from ...errors import InputError, Problem
from ...explore.choose import changes
from ...explore.choose.judge import share_between
from ...explore.sweep.reasons import NO_FIGURE, Reason, cell_states, common_reasons, mean_error, replicates_last
from ...explore.sweep.record import Axis, Points, Sweep
from ...forecast.band import LEVEL
from ...record.limits import AT_LIMIT, LIMITS, OK
from ...record.outputs import OF_A_CHOICE, labelled, output_of, shown

MOST_PANELS = 6
NEAR = 1e-6  # relative difference below which two settings are one
_FACTORS = ((1, 2, 5), (1, 1.5, 2, 3, 5, 7), (1, 1.2, 1.4, 1.6, 1.8, 2, 2.5, 3, 3.5, 4, 5, 6, 7, 8, 9))
_AT_CAPACITY = ("throughput_kg_s", "capacity_kg_s", "accepted_kg_s")


@dataclass(frozen=True)
class Scale:
    """An output in the unit that suits the mill as built, and that mill on it: NaN and "" where it is unknown."""

    output: str
    unit: str
    factor: float  # from SI to the unit
    offset: float
    built: float
    band: tuple[float, float]  # ends of the 80 % band of the mill as built
    built_text: str  # "0.26 mm"
    band_text: str  # "0.12 to 0.33"

    @property
    def label(self) -> str:
        """Words and unit, for an axis or the scale of colours."""
        return labelled(self.output, self.unit)

    def of(self, values: np.ndarray) -> np.ndarray:
        """SI values in the unit shown."""
        return values * self.factor + self.offset


def scale_of(sweep: Sweep, output: str, values: np.ndarray, choice=None) -> Scale:
    """The scale on which an output is drawn; values: those to be drawn [SI]."""
    o, built = output_of(output), built_value(sweep, output, choice)
    low, high = (float(end[0]) for end in band_ends(sweep.as_built, output))
    told = shown(output, Scalar(built, o.si, "", low=low, high=high))
    unit, factor, offset = told.unit, told.factor, told.offset
    known = math.isfinite(built)
    if not known or not built:
        most = float(np.max(np.abs(values[np.isfinite(values)]), initial=0.0)) or 1.0
        unit, factor, offset = shown_unit(most, o.unit)
    band = (low * factor + offset, high * factor + offset)
    text = f"{told.value}\u00a0{told.unit}".strip() if known else ""
    return Scale(output, unit, factor, offset, built * factor + offset, band, text, told.band)


@dataclass(frozen=True)
class Ruler:
    """An axis as people read it: values ascending in the unit shown, words at 0, 1, 2 ...

    order: place of each value among the values of the axis; built: the mill as it is on this ruler, NaN where that is
    unknown or not on it; built_text: the same in words.
    """

    key: str
    name: str  # "stator gap"
    label: str  # "Stator gap / mm"
    values: np.ndarray
    texts: tuple[str, ...]  # each value with its unit, or the word
    words: bool
    log: bool
    order: np.ndarray
    built: float
    built_text: str
    along: tuple[str, ...]
    whole: bool = False  # counts: whole numbers without a unit

    def nearest(self, value: float) -> int:
        """Place of the value on the ruler that is nearest; the first where that is unknown."""
        if not math.isfinite(value):
            return 0
        if self.log and value > 0:
            return int(np.argmin(np.abs(np.log(self.values / value))))
        return int(np.argmin(np.abs(self.values - value)))

    def on(self, k: int) -> bool:
        """Whether the mill as built is at the k-th value."""
        return math.isfinite(self.built) and math.isclose(self.values[k], self.built, rel_tol=NEAR, abs_tol=1e-12)


@dataclass(frozen=True)
class Cut:
    """A grid cut to at most three axes, replicates averaged: arrays (panels, y, x), one long where an axis is missing.

    value: in the unit shown, NaN where blank; why: index of `reasons`, -1 where the cell is fine; held_by: index of
    LIMITS that holds a rate, -1 where none does; error: standard error of the mean over replicates (NaN without).
    """

    x: Ruler
    y: Ruler | None
    panel: Ruler | None
    panels: tuple[int, ...]  # places on the panel ruler that are shown
    value: np.ndarray
    why: np.ndarray
    reasons: tuple[Reason, ...]
    held_by: np.ndarray
    error: np.ndarray
    scale: Scale
    held: tuple[str, ...]
    points: np.ndarray  # (panels, y, x): index of the first point of each cell

    @property
    def holders(self) -> tuple[int, ...]:
        """Limits that hold the rate in cells that are fine; empty where some cell runs at a rate asked for."""
        seen = np.unique(self.held_by[self.why < 0]).tolist()
        return () if -1 in seen else tuple(seen)

    @property
    def regions(self) -> list[tuple[np.ndarray, Reason | None, str]]:
        """(cells, why they are out, words) of all that is out, and of what holds the rate where that differs."""
        found = [(self.why == k, reason, reason.meaning) for k, reason in enumerate(self.reasons)]
        holders = self.holders if len(self.holders) > 1 else ()
        return found + [((self.held_by == h) & (self.why < 0), None, f"rate held by {LIMITS[h]}") for h in holders]


def ruler(sweep: Sweep, axis: Axis) -> Ruler:
    """An axis of a sweep as people read it."""
    name, sign = axis_name(axis.key), readable_unit(axis.shown)
    along = tuple(axis_name(k) for k in axis.along)
    built, text = as_built(sweep, axis)
    if axis.words:
        texts = tuple(dict.fromkeys(axis.values))
        place = float(texts.index(text)) if text in texts else math.nan
        order = np.array([texts.index(v) for v in axis.values])
        values = np.arange(len(texts), dtype=float)
        return Ruler(axis.key, name, capital(name), values, texts, True, False, order, place, text, along)
    unit = find_unit(axis.shown)
    shown = np.array([in_unit(v, unit) if unit else v for v in axis.values], dtype=float)
    order = np.argsort(shown, kind="stable")
    texts = tuple(axis_text(axis, axis.values[i]) for i in order)
    place = math.nan if built is None else in_unit(built, unit) if unit else built
    values, plain = shown[order], sign in ("-", "")
    whole = plain and bool((values == np.round(values)).all())
    label = capital(name) if whole else f"{capital(name)} / {'1' if plain else sign}"
    log = is_geometric(values) if sweep.design == "grid" else is_even_in_log(values)
    return Ruler(axis.key, name, label, values, texts, False, log, order, place, text, along, whole)


def readable_unit(spelling: str) -> str:
    """A unit of a config as people write it: "degC" -> "°C", "mm2" -> "mm²"."""
    return "°C" if spelling in ("degC", "C") else spelling.replace("um", "µm").translate({50: "²", 51: "³"})


def axis_name(key: str) -> str:
    """A config key in words: "stator.gap" -> "stator gap"."""
    return " ".join(dict.fromkeys(key.replace("_", " ").replace(".", " ").split()))


def axis_text(axis: Axis, value: object) -> str:
    """A setting in words with its unit."""
    if isinstance(value, str):
        return value
    unit = find_unit(axis.shown)
    return readable(float(value), unit.text if unit else "-")


def is_geometric(values: np.ndarray) -> bool:
    """Whether ascending values belong on a logarithmic axis: equal ratios, over more than a factor of two."""
    if values.size < 3 or values[0] <= 0 or values[-1] / values[0] <= 2:
        return False
    with np.errstate(divide="ignore"):
        steps = np.diff(np.log(values))
    return bool(steps.min() > 0 and steps.max() / steps.min() < 1.1)


def is_even_in_log(values: np.ndarray) -> bool:
    """Whether ascending values of a sampled design are spread evenly over their logarithm rather than themselves."""
    if values.size < 3 or values[0] <= 0 or values[-1] / values[0] <= 2:
        return False
    off = [abs(float(np.mean((v - v[0]) / (v[-1] - v[0]))) - 0.5) for v in (np.log(values), values)]
    return off[0] < off[1]


def factor_ticks(low: float, high: float, whole: bool = False) -> np.ndarray:
    """Round numbers from low to high (> 0) for a logarithmic axis: the fewest kinds that give three; whole: counts."""
    tenths = 10.0 ** np.arange(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    ticks = np.array([])
    for steps in _FACTORS:
        ticks = np.outer(tenths, steps).ravel()
        inside = (ticks >= low * (1 - NEAR)) & (ticks <= high * (1 + NEAR))
        ticks = ticks[inside & (ticks == np.round(ticks))] if whole else ticks[inside]
        if ticks.size >= 3:
            break
    return ticks


def least_span(unit: str, low: float, high: float) -> tuple[float, float]:
    """Ends of an output, drawn apart to 2 K or 2 % of it where they are nearer: less is no trend to plan by."""
    least = 2.0 if unit == "°C" else 0.02 * max(abs(low), abs(high))
    if high - low >= least:
        return low, high
    middle = 0.5 * (low + high)
    return middle - 0.5 * least, middle + 0.5 * least


def as_built(sweep: Sweep, axis: Axis) -> tuple[float | None, str]:
    """The base config's setting on an axis: SI value (None for words and where it has none) and words."""
    found = changes.as_built(sweep, axis.key)
    if found is None and axis.key.startswith("model."):
        from ...mill.cards import load_model

        model, name = load_model(), axis.key.removeprefix("model.")
        found = model.value(name) if name in model else None
    if isinstance(found, float) and not axis.words:
        return found, axis_text(axis, found)
    return None, found if isinstance(found, str) else "not set"


def rate_asked(sweep: Sweep) -> str:
    """The feed rate that the base config asks for, in words; "" where it is left open or is an axis of the sweep."""
    found = changes.as_built(sweep, "feed.rate")
    return readable(found, spelling_for(found, "kg/s")) if isinstance(found, float) and not _rate_varies(sweep) else ""


def _rate_varies(sweep: Sweep) -> bool:
    return "feed.rate" in {a.key for a in sweep.axes}


def output_values(sweep: Sweep, name: str, choice=None) -> np.ndarray:
    """An output at every point (P,), SI; "yield" and "accepted_kg_s" need a Choice."""
    if choice is not None and name in OF_A_CHOICE:
        return np.asarray({"yield": choice.yields, "accepted_kg_s": choice.accepted_kg_s}[name], dtype=float)
    if name not in sweep.points.values:
        hint = f"outputs: {', '.join(sweep.points.values)}"
        raise InputError(Problem("output", name, "is no output of this sweep", hint=hint))
    return sweep.points.values[name]


def built_value(sweep: Sweep, output: str, choice=None) -> float:
    """An output of the mill as built, SI; NaN where it is unknown."""
    p = sweep.as_built
    if output in p.values:
        return float(np.mean(p.values[output]))
    if choice is None or choice.target.window is None or output not in OF_A_CHOICE:
        return math.nan
    share = float(np.mean(share_between(p.q3, *choice.target.window)))
    return share * (float(np.mean(p.values["throughput_kg_s"])) if output == "accepted_kg_s" else 1.0)


def band_ends(p: Points, output: str, replicates: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Ends of the 80 % band (cells,), SI, from the draws of each cell's first replicate; NaN where there is none."""
    count = p.status.size // replicates
    draws = p.draws.get(output)
    if draws is None or draws.ndim != 2:
        return np.full(count, np.nan), np.full(count, np.nan)
    rows = draws[::replicates][:count]
    return central(rows, LEVEL)


def held_words(one: Ruler, k: int) -> str:
    """What a further axis is held at, and where the mill as built has another value."""
    if one.on(k):
        return f"{one.name} {one.texts[k]} (as built)"
    return f"{one.name} {one.texts[k]} (as built {one.built_text})"


def cell_figures(sweep: Sweep, output: str, choice=None) -> tuple[np.ndarray, ...]:
    """(SI value, standard error, status, reason, blank) of every cell, replicates averaged; NaN where blank."""
    mean, error = mean_error(replicates_last(sweep, output_values(sweep, output, choice)))
    code, reasons, blank = cell_states(sweep, choice)
    for i in np.flatnonzero(~blank & ~np.isfinite(mean)):
        reasons[i], blank[i] = NO_FIGURE, True
    return np.where(blank, np.nan, mean), error, code, reasons, blank


def cut(sweep: Sweep, output: str, axes: tuple[str, ...] | None = None, choice=None, fixed: dict | None = None) -> Cut:
    """Cut a grid to the axes (x, y, panels) named, or to the most telling ones; the rest is held as built or nearest.

    fixed: {key: SI value or word} to hold an axis at the nearest of its values instead.
    """
    rulers = [ruler(sweep, a) for a in sweep.axes]
    picked = _picked(rulers, axes)
    mean, error, code, reasons, blank = cell_figures(sweep, output, choice)
    scale = scale_of(sweep, output, mean, choice)
    binds = replicates_last(sweep, np.asarray(sweep.points.binding))[:, 0]
    loads = replicates_last(sweep, np.asarray(sweep.points.loads))[:, 0].max(axis=-1)
    limits = output in _AT_CAPACITY and (output == "capacity_kg_s" or not (rate_asked(sweep) or _rate_varies(sweep)))
    held_by = np.where((code == OK) & (loads >= 1.0 / AT_LIMIT) & limits, binds, -1)
    held = {i: _held_at(r, sweep.axes[i], fixed or {}) for i, r in enumerate(rulers) if i not in picked}
    panels = _panels(rulers[picked[2]], rulers[picked[2]].nearest(rulers[picked[2]].built)) if len(picked) > 2 else (0,)
    where = np.arange(mean.size).reshape(tuple(len(a.values) for a in sweep.axes))
    for i, r in enumerate(rulers):
        where = np.take(where, r.order if i in picked else r.order[[held[i]]], axis=i)
    where = np.transpose(where, [*reversed(picked), *held]).reshape([len(rulers[i].values) for i in reversed(picked)])
    where = where.reshape((1,) * (3 - len(picked)) + where.shape)[list(panels)]
    why, why_not = common_reasons([reasons[i] for i in where.ravel()], blank[where.ravel()])
    x, y, panel = (rulers[picked[i]] if i < len(picked) else None for i in range(3))
    told = tuple(held_words(rulers[i], k) for i, k in held.items())
    return Cut(
        x, y, panel, panels, scale.of(mean)[where], why.reshape(where.shape), why_not,
        held_by[where], (error * scale.factor)[where], scale, told, where * (sweep.count // mean.size),
    )  # fmt: skip


def _picked(rulers: list[Ruler], axes: tuple[str, ...] | None) -> list[int]:
    """Places of the axes for x, y and panels among those of the sweep."""
    keys = [r.key for r in rulers]
    if axes is not None:
        wrong = [k for k in axes if k not in keys]
        if wrong or not 0 < len(set(axes)) == len(axes) <= 3:
            message = f"{wrong[0]} is no axis of this sweep" if wrong else "name one to three axes, each once"
            raise InputError(Problem("axes", "", message, hint=f"axes: {', '.join(keys)}"))
        return [keys.index(k) for k in axes]
    varied = [i for i, r in enumerate(rulers) if len(r.values) > 1] or [0]
    ranked = sorted(varied, key=lambda i: (rulers[i].words, -len(rulers[i].values), i))
    rest = sorted(ranked[2:], key=lambda i: (len(rulers[i].values) > MOST_PANELS, -len(rulers[i].values), i))
    return [*sorted(ranked[:2]), *rest[:1]]


def _held_at(one: Ruler, axis: Axis, fixed: dict) -> int:
    """Place on a ruler where a further axis is held."""
    if axis.key not in fixed:
        return one.nearest(one.built)
    wanted = fixed[axis.key]
    if one.words:
        return one.texts.index(wanted) if wanted in one.texts else one.nearest(one.built)
    unit = find_unit(axis.shown)
    return one.nearest(in_unit(float(wanted), unit) if unit else float(wanted))


def _panels(one: Ruler, nearest: int) -> tuple[int, ...]:
    """At most MOST_PANELS places on a ruler, evenly spread, with the ends and the one nearest to the mill as built."""
    count = len(one.values)
    if count <= MOST_PANELS:
        return tuple(range(count))
    spread = np.round(np.linspace(0, count - 1, MOST_PANELS)).astype(int)
    spread[np.argmin(np.abs(spread - nearest))] = nearest
    return tuple(sorted(set(spread.tolist())))
