"""Sweeps over one axis as a line with its band, sampled designs as coloured points. Imports matplotlib."""

import textwrap
from dataclasses import replace

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from ...base.quantities.written import join_words
from ...explore.sweep.reasons import common_reasons
from ...explore.sweep.record import Sweep
from . import page
from .cut import Cut, Ruler, Scale, band_ends, cell_figures, cut, least_span, ruler, scale_of
from .style import BLACK, BLUE, GREY, SKY, plain_style
from .sweep import BAND_WORDS, foot_words, notes_of, title_of

_HEAD = 0.1  # of the height of a line's panel, kept free for letters
_OUT = ("^", "v", "s", "D", "<", ">", "p", "h", "8", "P")  # markers of points that are out but have a figure
_NOTHING = ("x", "+", "1", "2", "3", "4", "_", "|", "x", "+")  # of points without one


def line(sweep: Sweep, c: Cut, choice=None) -> Figure:
    """An output over one axis, with the band of the parameter draws, if any; hatched where the mill is out."""
    low, high = _band(sweep, c)
    band = BAND_WORDS.format(count=sweep.draw_count) if np.isfinite(low).any() else ""
    band += " It ends where most do not run." if band and np.isnan(low).any() else ""
    foot = foot_words(sweep, [c.scale.output], c.error, c.scale.unit, band)
    title, notes = title_of(c.scale.output, (c.x,)), notes_of(sweep, c, choice)
    figure, panels = page.new(sweep, title, notes, foot, keys=len(c.regions))
    axes, value, x = panels[0], c.value[0, 0], c.x.values
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
    axes.plot(x, value, zorder=4, clip_on=False, **style)
    span = page.bounds(c.x, cells=len(x) < 3 or c.x.words)
    page.set_ruler(axes, c.x, "x", span)
    ends = _room(np.concatenate([value, low, high, [c.scale.built]]), c.scale.unit)
    axes.set(ylabel=textwrap.fill(c.scale.label, 36), ylim=ends)
    page.plain_numbers(axes.yaxis)
    page.draw_regions(axes, c, 0, span, np.array(ends))
    _line_key(figure, axes, c, bool(band))
    (texts,) = page.settle(figure, panels, "x" * c.x.words)
    page.write_letters(texts, c, 0, texts.cells(span, np.array([ends[1] - _HEAD * (ends[1] - ends[0]), ends[1]])))
    return figure


def _line_key(figure: Figure, axes: Axes, c: Cut, banded: bool) -> None:
    """The key below the line; the mill as built, marked where it is known."""
    handles = [Line2D([], [], label="computed", color=BLUE, marker="o", ms=6, ls="" if c.x.words else "-")]
    if banded:
        band = {"color": BLUE, "lw": 2} if c.x.words else {"color": SKY, "alpha": 0.5, "lw": 9}
        handles.append(Line2D([], [], label="80 % band", **band))
    handles += page.mark_built(axes, (c.x.built, c.scale.built), c.scale)
    page.key_below(figure, handles + page.regions_key(c))


def _room(values: np.ndarray, unit: str) -> tuple[float, float]:
    """Limits of an ordinate with room below, and above for letters; a slope of nothing looks like nothing."""
    seen = values[np.isfinite(values)]
    low, high = (float(seen.min()), float(seen.max())) if seen.size else (0.0, 1.0)
    low, high = least_span(unit, low, high)
    room = 0.12 * (high - low) or 1.0
    return (0.0 if 0 <= low < room else low - room), high + 1.5 * room


def _band(sweep: Sweep, c: Cut) -> tuple[np.ndarray, np.ndarray]:
    """Ends of the band (n,) in the unit shown; NaN without one, or where most draws do not run."""
    cells = c.points[0, 0] // max(1, sweep.replicates)
    ends = band_ends(sweep.points, c.scale.output, max(1, sweep.replicates))
    low, high = (c.scale.of(end[cells]) for end in ends)
    draws = sweep.points.draws.get(c.scale.output, np.empty((0, 0)))
    enough = np.isfinite(c.value[0, 0]) & np.isfinite(low + high)
    if draws.size:
        enough &= np.isfinite(draws[c.points[0, 0]]).mean(axis=1) >= 0.5
    return np.where(enough, low, np.nan), np.where(enough, high, np.nan)


def sampled(sweep: Sweep, output: str, axes: tuple[str, ...] | None = None, choice=None) -> Figure:
    """Points of a sampled design over the two axes that move the output most, coloured by it; other marks where out."""
    if len(sweep.axes) == 1:
        alone = replace(sweep, design="grid")  # one axis: its points are a grid
        with plain_style():
            return line(alone, cut(alone, output, axes, choice), choice)
    rulers = [ruler(sweep, a) for a in sweep.axes]
    value, _, _, reasons, blank = cell_figures(sweep, output, choice)
    weight = [importance(_places(r), value, r.words) for r in rulers]
    i, j = pick(rulers, weight, axes)
    scale = scale_of(sweep, output, value, choice)
    with plain_style():
        notes = _sampled_notes(sweep, rulers, weight, (i, j), axes)
        whys = common_reasons(reasons, blank)
        return _scatter(sweep, choice, (rulers[i], rulers[j]), (scale, scale.of(value)), whys, notes)


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


def _scatter(sweep: Sweep, choice, xy: tuple[Ruler, Ruler], shown: tuple[Scale, np.ndarray], whys: tuple,
             notes: list[str]) -> Figure:  # fmt: skip
    (scale, value), (why, why_not), (x, y) = shown, whys, (_spread(r) for r in xy)
    target = [f"Target: {choice.target.title}"] if choice is not None else []
    foot = foot_words(sweep, [scale.output])
    figure, panels = page.new(sweep, title_of(scale.output, xy), [*target, *notes], foot, keys=len(why_not))
    axes = panels[0]
    norm = page.colours_of(value, scale)
    size = float(np.clip(14000 / value.size, 7, 70))
    look = {"cmap": page.COLOURS, "norm": norm, "edgecolors": BLACK, "linewidths": 0.4 if value.size <= 1500 else 0.1}
    fine = why < 0
    axes.scatter(x[fine], y[fine], size, value[fine], marker="o", zorder=4, **look)
    words = "runs as asked" if choice is None else "meets the target"
    handles = [Line2D([], [], mfc="white", mec=BLACK, marker="o", ls="", label=words)] if fine.any() else []
    for k, reason in enumerate(why_not):
        here = why == k
        if reason.blank:
            axes.scatter(x[here], y[here], size, color=GREY, marker=_NOTHING[k], linewidths=1.0, zorder=2)
            mark = {"color": GREY, "marker": _NOTHING[k], "mew": 1.2}
        else:
            axes.scatter(x[here], y[here], size, value[here], marker=_OUT[k], zorder=3, **look)
            mark = {"mfc": "#cccccc", "mec": BLACK, "marker": _OUT[k], "mew": 0.6}
        handles.append(Line2D([], [], ls="", label=textwrap.fill(reason.unpaled, 100), **mark))
    for which, r in zip("xy", xy, strict=True):
        page.set_ruler(axes, r, which, _span(r))
    handles += page.mark_built(axes, tuple(r.built for r in xy), scale, hollow=True)
    page.colour_bar(figure, panels, norm, scale.label)
    page.key_below(figure, handles)
    page.settle(figure, panels, "".join(which for which, r in zip("xy", xy, strict=True) if r.words))
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
