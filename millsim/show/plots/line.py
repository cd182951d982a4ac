"""Sweeps over one axis as a line with its band, sampled designs as coloured points. Imports matplotlib."""

import textwrap
from dataclasses import replace

import numpy as np
from matplotlib.colors import BoundaryNorm
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from ...base.quantities.written import join_words
from ...explore.sweep.reasons import cell_states, common_reasons, mean_error, replicates_last
from ...explore.sweep.record import Sweep
from ...record.limits import LIMITS
from .cut import Cut, Ruler, band_ends, built_value, cut, least_span, output_unit, output_values, ruler, value_text
from .labels import (
    COLOURS,
    MARK,
    Places,
    below_panels,
    bounds,
    colour_bar,
    fade,
    forget_letters,
    height_with,
    holder_line,
    key_of_reasons,
    letter_of,
    levels_of,
    mark_built,
    name_regions,
    outline,
    page,
    set_ruler,
    settle,
)
from .style import BLACK, BLUE, GREY, SKY, plain_style
from .sweep import BAND_WORDS, OUTPUTS, foot_words, notes_of, output_label, title_of

MOST_CLEAR = 400  # points that texts keep clear of, where there are no more
_OUT = ("^", "v", "s", "D", "<", ">", "p", "h", "8", "P")  # markers of points that are out but have a figure
_NOTHING = ("x", "+", "1", "2", "3", "4", "_", "|", "x", "+")  # of points without one


def line(sweep: Sweep, c: Cut, output: str, choice=None) -> Figure:
    """An output over one axis, with the band of the parameter draws, if any; hatched where the mill is out."""
    low, high = _band(sweep, c, output)
    band = BAND_WORDS.format(count=sweep.draw_count) if np.isfinite(low).any() else ""
    band += " It ends where most do not run." if band and np.isnan(low).any() else ""
    foot = foot_words(sweep, [output], c.error, c.unit, band)
    height = height_with(len(c.reasons))
    figure, panels = page(sweep, title_of(output, c), notes_of(sweep, c, choice), foot, height=height)
    axes, value = panels[0], c.value[0, 0]
    label = output_label(output, c.unit)
    x = c.x.values
    style = {"ls": "" if c.x.words else "-", "color": BLUE, "marker": "o", "ms": 6, "mec": "white", "mew": 0.8}
    if c.x.words:
        off = np.vstack([value - low, high - value])
        axes.errorbar(x, value, np.where(np.isfinite(off), off, 0.0), fmt="none", ecolor=BLUE, lw=2.0, capsize=6)
    else:
        axes.fill_between(x, low, high, color=SKY, alpha=0.4, lw=0)
        for edge in (low, high):
            axes.plot(x, edge, color=BLUE, lw=0.8)
    if np.isfinite(c.error).any():
        axes.errorbar(x, value, np.nan_to_num(c.error[0, 0]), fmt="none", ecolor=BLACK, lw=1.2, capsize=3)
    (drawn,) = axes.plot(x, value, zorder=4, clip_on=False, **style)
    span = bounds(c.x, cells=len(x) < 3 or c.x.words)
    set_ruler(axes, c.x, "x", span)
    axes.set(ylabel=textwrap.fill(label, 36), ylim=_room(np.concatenate([value, low, high, [c.built]]), c.unit))
    at = np.array(axes.get_ylim())
    for i, reason in enumerate(c.reasons):
        fade(axes, span, at, c.why[0] == i, reason)
    outline(axes, span, at, c.why[0], "-", 1.2)
    if len(c.holders) > 1:
        outline(axes, span, at, c.held_by[0], ":", 1.3, only=c.why[0] < 0)
    _line_key(figure, c, drawn, bool(band))
    (places,) = settle(figure, panels)
    _write_line(places, c, (low, high), span, at)
    return figure


def _line_key(figure: Figure, c: Cut, drawn: Line2D, banded: bool) -> None:
    """The key below the line."""
    handles = [Line2D([], [], label="computed", color=BLUE, marker="o", ms=6, ls=drawn.get_linestyle())]
    if banded:
        band = {"color": BLUE, "lw": 2} if c.x.words else {"color": SKY, "alpha": 0.5, "lw": 9}
        handles.append(Line2D([], [], label="80 % band", **band))
    if np.isfinite([c.x.built, c.built]).all():
        handles.append(Line2D([], [], mfc="white", label="as built", **{**MARK, "ms": 11}))
    if len(c.holders) > 1:
        handles.append(holder_line(c.holders))
    key_of_reasons(figure, c.reasons, handles)


def _write_line(places: Places, c: Cut, band: tuple, span: np.ndarray, at: np.ndarray) -> None:
    """The texts within the panel of a line: the mill as built, what is out and why, what holds the rate."""
    value = c.value[0, 0]
    for x, y in _between(c.x, value):
        places.take_point(x, y, 7)
    if np.isfinite([c.x.built, c.built]).all():
        mark_built(places, c.x.built, c.built, f"as built: {value_text(c.built, c.unit)}")
    where = places.owners(span, at)
    used = {i for i, r in enumerate(c.reasons) if name_regions(places, c.why[0] == i, where, r.text, letter_of(i))}
    for limit in c.holders if len(c.holders) > 1 else ():
        mask = (c.held_by[0] == limit) & (c.why[0] < 0)
        name_regions(places, mask, where, f"held by {LIMITS[limit]}", style="italic")
    forget_letters(places.axes.figure, c.reasons, used)


def _between(x: Ruler, value: np.ndarray) -> np.ndarray:
    """Points (k, 2) along a line, close enough to keep texts off it."""
    good = np.flatnonzero(np.isfinite(value))
    if x.words or good.size < 2:
        return np.column_stack([x.values[good], value[good]])
    place = np.linspace(0, good.size - 1, 60)
    both = (np.interp(place, np.arange(good.size), v[good]) for v in (x.values, value))
    return np.column_stack(list(both))


def _room(values: np.ndarray, unit: str) -> tuple[float, float]:
    """Limits of an ordinate with room above and below; a slope of nothing looks like nothing."""
    seen = values[np.isfinite(values)]
    low, high = (float(seen.min()), float(seen.max())) if seen.size else (0.0, 1.0)
    low, high = least_span(unit, low, high)
    room = 0.12 * (high - low) or 1.0
    return (0.0 if 0 <= low < room else low - room), high + room


def _band(sweep: Sweep, c: Cut, output: str) -> tuple[np.ndarray, np.ndarray]:
    """Ends of the band (n,) in the unit shown; NaN without one, or where most draws do not run."""
    cells = c.points[0, 0] // max(1, sweep.replicates)
    low, high = (end[cells] * c.factor + c.offset for end in band_ends(sweep.points, output, max(1, sweep.replicates)))
    draws = sweep.points.draws.get(output, np.empty((0, 0)))
    enough = np.isfinite(c.value[0, 0]) & np.isfinite(low + high)
    if draws.size:
        enough &= np.isfinite(draws[c.points[0, 0]]).mean(axis=1) >= 0.5
    return np.where(enough, low, np.nan), np.where(enough, high, np.nan)


def sampled(sweep: Sweep, output: str, axes: tuple[str, ...] | None = None, choice=None) -> Figure:
    """Points of a sampled design over the two axes that move the output most, coloured by it; other marks where out."""
    if len(sweep.axes) == 1:
        alone = replace(sweep, design="grid")  # one axis: its points are a grid
        with plain_style():
            return line(alone, cut(alone, output, axes, choice), output, choice)
    rulers = [ruler(sweep, a) for a in sweep.axes]
    mean, _ = mean_error(replicates_last(sweep, output_values(sweep, output, choice)))
    _, reasons, blank = cell_states(sweep, choice)
    for i in np.flatnonzero(~blank & ~np.isfinite(mean)):
        reasons[i], blank[i] = "no figure", True
    why, why_not = common_reasons(reasons, blank)
    shown = np.where(blank, np.nan, mean)
    weight = [importance(_places(r), shown, r.words) for r in rulers]
    i, j = pick(rulers, weight, axes)
    unit, factor, offset = output_unit(output, shown)
    with plain_style():
        built = built_value(sweep, output, choice) * factor + offset
        known, notes = (shown * factor + offset, built, unit), _sampled_notes(sweep, rulers, weight, (i, j), axes)
        return _scatter(sweep, output, choice, (rulers[i], rulers[j]), known, (why, why_not), notes)


def pick(rulers: list[Ruler], weight: list[float], axes: tuple[str, ...] | None) -> tuple[int, int]:
    """Places of the axes for x and y: those named, filled up with the ones that matter most; in order of the plan."""
    keys = [r.key for r in rulers]
    named = [keys.index(k) for k in axes or () if k in keys][:2]
    ranked = [int(k) for k in np.argsort(-np.array(weight), kind="stable") if k not in named]
    picked = (named + ranked)[:2]
    return (picked[0], picked[1]) if named else (min(picked), max(picked))


def importance(setting: np.ndarray, value: np.ndarray, words: bool) -> float:
    """Share of the variance of the ranks of an output that an axis explains by itself, 0 to 1 (correlation ratio).

    setting, value (P,): numbers are taken in up to eight classes of equal count, so a rise and fall counts too.
    """
    good = np.isfinite(value) & np.isfinite(setting)
    if good.sum() < 4:
        return 0.0
    rank = np.argsort(np.argsort(value[good], kind="stable"), kind="stable").astype(float)
    group = setting[good]
    if not words:
        count = int(np.clip(good.sum() // 6, 2, 8))
        group = np.argsort(np.argsort(group, kind="stable"), kind="stable") * count // group.size
    means = np.array([[rank[group == g].mean(), (group == g).sum()] for g in np.unique(group)])
    between = float((means[:, 1] * (means[:, 0] - rank.mean()) ** 2).sum())
    total = float(((rank - rank.mean()) ** 2).sum())
    return between / total if total > 0 else 0.0


def _places(one: Ruler) -> np.ndarray:
    """Place on the ruler of every point (P,)."""
    if one.words:
        return one.order.astype(float)
    found = np.empty(one.order.size)
    found[one.order] = one.values
    return found


def _sampled_notes(sweep: Sweep, rulers: list[Ruler], weight: list[float], picked: tuple, named) -> list[str]:
    """Which axes are drawn and why, and that the others differ from point to point."""
    told = [f"{rulers[k].name} explains {100 * weight[k]:.0f} %" for k in picked]
    why = "asked for" if named else "that matter most"
    notes = [f"The two axes {why}: {told[0]} of the ranks by itself, {told[1].replace('explains ', '')}."]
    rest = [rulers[k].name for k in range(len(rulers)) if k not in picked]
    if rest:
        few = rest if len(rest) <= 6 else [*rest[:5], f"{len(rest) - 5} more"]
        notes.append(f"From point to point {join_words(few)} {'differs' if len(rest) == 1 else 'differ'} too.")
    return notes


def _scatter(sweep: Sweep, output: str, choice, xy: tuple[Ruler, Ruler], known: tuple, whys: tuple,
             notes: list[str]) -> Figure:  # fmt: skip
    (value, at_built, unit), (why, why_not), (x, y) = known, whys, (_spread(r) for r in xy)
    title = f"{OUTPUTS[output][0] if output in OUTPUTS else output} over {join_words([r.name for r in xy])}"
    target = [f"Target: {choice.target.title}"] if choice is not None else []
    height = height_with(len(why_not))
    figure, panels = page(sweep, title, [*target, *notes], foot_words(sweep, [output]), height=height)
    axes, levels = panels[0], levels_of(value, unit)
    norm, size = BoundaryNorm(levels, 256), float(np.clip(14000 / value.size, 7, 70))
    look = {"cmap": COLOURS, "norm": norm, "edgecolors": BLACK, "linewidths": 0.4 if value.size <= 1500 else 0.1}
    handles = []
    for k, reason in enumerate(why_not):
        here = why == k
        if reason.blank:
            axes.scatter(x[here], y[here], size, color=GREY, marker=_NOTHING[k], linewidths=1.0, zorder=2)
            handle = Line2D([], [], color=GREY, marker=_NOTHING[k], ls="", mew=1.2)
        else:
            axes.scatter(x[here], y[here], size, value[here], marker=_OUT[k], alpha=0.55, zorder=3, **look)
            handle = Line2D([], [], mfc="#cccccc", mec=BLACK, marker=_OUT[k], ls="", mew=0.6)
        handle.set_label(reason.meaning)
        handles.append(handle)
    fine = why < 0
    axes.scatter(x[fine], y[fine], size, value[fine], marker="o", zorder=4, **look)
    if fine.any():
        words = "runs as asked" if choice is None else "meets the target"
        handles.insert(0, Line2D([], [], mfc="white", mec=BLACK, marker="o", ls="", label=words))
    built = np.isfinite([r.built for r in xy]).all()
    if built:
        handles.append(Line2D([], [], mfc="white", label="as built", **{**MARK, "ms": 11}))
    for which, r in zip("xy", xy, strict=True):
        set_ruler(axes, r, which, _span(r))
    colour_bar(figure, panels, norm, levels, output_label(output, unit))
    below_panels(figure, handles)
    (places,) = settle(figure, panels)
    for at in zip(x, y, strict=True) if value.size <= MOST_CLEAR else ():
        places.take_point(*at, 6)
    if built:
        told = f": {value_text(at_built, unit)}" if np.isfinite(at_built) else ""
        mark_built(places, xy[0].built, xy[1].built, f"as built{told}")
    return figure


def _spread(one: Ruler) -> np.ndarray:
    """Where the points of a ruler are drawn; those that share a word side by side."""
    at = _places(one)
    if not one.words:
        return at
    golden = np.modf(np.arange(at.size) * 0.6180339887498949)[0]
    return at + 0.7 * (golden - 0.5)


def _span(one: Ruler) -> np.ndarray:
    """Ends of an axis of points, a little beyond them."""
    low, high = float(one.values[0]), float(one.values[-1])
    if one.words:
        return np.array([low - 0.5, high + 0.5])
    if one.log:
        room = (high / low) ** 0.03
        return np.array([low / room, high * room])
    room = 0.03 * (high - low) or 0.1 * abs(high) or 1.0
    return np.array([low - room, high + room])
