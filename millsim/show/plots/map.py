"""Maps of a sweep: an output over two axes, a panel per value of a third, and why parts are out. Imports matplotlib."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from scipy import ndimage

from ...base.quantities.written import digits
from ...explore.sweep.reasons import refuse_empty
from ...explore.sweep.record import Sweep
from ...record.limits import LIMITS
from . import line as plots_line
from .cut import Cut, cut, value_text
from .labels import (
    COLOURS,
    MARK,
    ON_WHITE,
    Places,
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
from .style import BLACK, plain_style
from .sweep import built_band_words, foot_words, notes_of, output_label, title_of

_ROOMY = 75  # pixels of a cell's height from which its figure comes before the names of regions
_OFF = 3  # places between a figure and the border of its cell
MOST_NODES = 400  # with more cells in a panel the computed points are not marked


def sweep_map(
    sweep: Sweep, output: str = "x50_m", axes: tuple[str, ...] | None = None, choice=None, fixed: dict | None = None
) -> Figure:
    """Map of an output over two axes (keys x, y), with a panel per value of a third; a line over a single one.

    axes: default the most telling ones; fixed: {key: SI value or word} of further axes, default as built or nearest.
    Filled contours over numbers, cells where an axis has words, points of a sampled design. Where the mill does not
    run as asked, or with a Choice misses its target, the map is hatched and says why. Raises InputError where no
    point runs.
    """
    refuse_empty(sweep)
    if sweep.design != "grid":
        return plots_line.sampled(sweep, output, axes, choice)
    c = cut(sweep, output, axes, choice, fixed)
    with plain_style():
        if c.y is None:
            return plots_line.line(sweep, c, output, choice)
        return _maps(sweep, c, output, choice)


def _maps(sweep: Sweep, c: Cut, output: str, choice) -> Figure:
    rows = 1 if len(c.panels) <= 3 else 2
    cols = -(-len(c.panels) // rows)
    figure, panels = page(
        sweep, title_of(output, c), notes_of(sweep, c, choice),
        foot_words(sweep, [output], c.error, c.unit, built_band_words(sweep, output, c)),
        rows, cols, height_with(len(c.reasons), 5.6 if rows == 1 else 7.8),
    )  # fmt: skip
    for spare in panels[len(c.panels) :]:
        spare.set_axis_off()
    panels = panels[: len(c.panels)]
    cells = c.x.words or c.y.words or min(c.value.shape[1:]) < 2
    levels = levels_of(c.value, c.unit)
    norm = BoundaryNorm(levels, 256)
    lines = []
    for k, axes in enumerate(panels):
        lines.append(_panel(axes, c, k, cells, levels, norm))
        _rulers(axes, c, k, cells, k % cols == 0, k + cols >= len(panels), cols % 2 == 0 or k % cols == cols // 2)
    colour_bar(figure, panels, norm, levels, output_label(output, c.unit))
    _key(figure, c, cells)
    used: set[int] = set()
    for k, places in enumerate(settle(figure, panels)):
        used |= _write(places, c, k, cells, lines[k])
    forget_letters(figure, c.reasons, used)
    return figure


def _panel(axes: Axes, c: Cut, k: int, cells: bool, levels: np.ndarray, norm: BoundaryNorm):
    """Colours, what is out and the computed points of one panel; the contour lines, if any."""
    x, y, value = bounds(c.x, cells), bounds(c.y, cells), c.value[k]
    lines = None
    if np.isfinite(value).any():
        if cells:
            shown = np.ma.masked_invalid(value)
            axes.pcolormesh(x, y, shown, cmap=COLOURS, norm=norm, edgecolors="white", lw=0.8, zorder=1)
        else:
            whole = nearest_filled(value)
            axes.contourf(c.x.values, c.y.values, whole, levels, cmap=COLOURS, norm=norm, zorder=1)
            lines = axes.contour(c.x.values, c.y.values, whole, levels, colors=BLACK, linewidths=0.5, zorder=1.5)
    for i, reason in enumerate(c.reasons):
        fade(axes, x, y, c.why[k] == i, reason)
    outline(axes, x, y, c.why[k], "-", 1.3)
    if len(c.holders) > 1:
        outline(axes, x, y, c.held_by[k], ":", 1.3, only=c.why[k] < 0)
    if not cells and value.size <= MOST_NODES:
        at = np.argwhere(np.isfinite(value))
        node = {"ms": 2.6, "in_layout": False, "mfc": "white", "mec": BLACK, "mew": 0.5, "zorder": 3, "clip_on": False}
        axes.plot(c.x.values[at[:, 1]], c.y.values[at[:, 0]], "o", **node)
    axes.grid(False)
    for side in ("top", "right"):
        axes.spines[side].set_visible(True)
    return lines


def nearest_filled(value: np.ndarray) -> np.ndarray:
    """Values with the gaps filled from the nearest cell, only so that colours reach the edge of a blank cell."""
    gaps = ~np.isfinite(value)
    at = ndimage.distance_transform_edt(gaps, return_distances=False, return_indices=True)
    return value[tuple(at)]


def _rulers(axes: Axes, c: Cut, k: int, cells: bool, first: bool, last: bool, named: bool) -> None:
    set_ruler(axes, c.x, "x", bounds(c.x, cells), last and named)
    set_ruler(axes, c.y, "y", bounds(c.y, cells), first)
    axes.tick_params(labelbottom=last, labelleft=first)
    if c.panel is not None:
        place = c.panels[k]
        text = f"{c.panel.name} {c.panel.texts[place]}"
        axes.set_title(f"{text}\n(as built)" if c.panel.on(place) else text, fontsize=10, fontweight="normal")


def _key(figure: Figure, c: Cut, cells: bool) -> None:
    """The key below the panels."""
    handles = []
    if not cells and c.value[0].size <= MOST_NODES:
        node = {"marker": "o", "ms": 3.5, "mfc": "white", "mec": BLACK, "mew": 0.6, "ls": ""}
        handles.append(Line2D([], [], label="computed; between points interpolated", **node))
    if len(c.holders) > 1:
        handles.append(holder_line(c.holders))
    if np.isfinite([r.built for r in (c.x, c.y)]).all():
        handles.append(Line2D([], [], mfc="white", label="as built", **{**MARK, "ms": 11}))
    key_of_reasons(figure, c.reasons, handles)


def _write(places: Places, c: Cut, k: int, cells: bool, lines) -> set[int]:
    """Write the texts within a panel, each where it covers none of the others; the reasons told by letter."""
    x, y = bounds(c.x, cells), bounds(c.y, cells)
    nearest = c.panels[0] if c.panel is None else min(c.panels, key=lambda p: abs(p - c.panel.nearest(c.panel.built)))
    if c.panels[k] == nearest and np.isfinite([c.x.built, c.y.built]).all():
        exact = c.panel is None or c.panel.on(nearest)
        other = "" if exact else f" ({c.panel.name} {c.panel.built_text})"
        value = f": {value_text(c.built, c.unit)}" if np.isfinite(c.built) else ""
        mark_built(places, c.x.built, c.y.built, f"as built{other}{value}", exact)
    at = places.owners(x, y)
    roomy = cells and places.box.height > _ROOMY * c.value.shape[1]
    if roomy:
        _cell_values(places, c, k, at)
    used = {i for i, r in enumerate(c.reasons) if name_regions(places, c.why[k] == i, at, r.text, letter_of(i))}
    for limit in c.holders if len(c.holders) > 1 else ():
        mask = (c.held_by[k] == limit) & (c.why[k] < 0)
        name_regions(places, mask, at, f"held by {LIMITS[limit]}", style="italic")
    if cells and not roomy:
        _cell_values(places, c, k, at)
    elif lines is not None:
        _contour_values(places, lines, c.why[k], (x, y), [r.blank for r in c.reasons])
    return used


def _cell_values(places: Places, c: Cut, k: int, at: tuple) -> None:
    """The figure in each cell, as near its middle as it covers nothing."""
    for i, j in np.argwhere(np.isfinite(c.value[k])) if c.value[k].size <= MOST_NODES else ():
        text = f"{c.value[k, i, j]:.0f}" if c.unit == "°C" else digits(c.value[k, i, j])
        inside = (at[1] == i)[:, None] & (at[0] == j)
        for allowed in (ndimage.binary_erosion(inside, iterations=_OFF), inside):  # off the borders, where it can be
            if places.write(text, allowed, 1, fontsize=9.5, bbox=ON_WHITE, zorder=5) is not None:
                break


def _contour_values(places: Places, lines, why: np.ndarray, xy: tuple, blank: list[bool]) -> None:
    """Figures on the contour lines, where they cover nothing and lie on colours."""
    for level, pieces in zip(lines.levels, lines.allsegs, strict=True):
        for piece in sorted((p for p in pieces if len(p) > 1), key=len, reverse=True)[:2]:
            label = places.axes.text(
                0, 0, digits(level, 3), ha="center", va="center", fontsize=9, bbox=ON_WHITE, zorder=4
            )
            label.set_in_layout(False)
            for share in (0.5, 0.35, 0.65, 0.2, 0.8, 0.1, 0.9):
                px, py = _along(places.axes, piece, share)
                i, j = (int(np.clip(np.searchsorted(b, v) - 1, 0, b.size - 2)) for b, v in ((xy[1], py), (xy[0], px)))
                label.set_position((px, py))
                if not (why[i, j] >= 0 and blank[why[i, j]]) and places.free(label.get_window_extent().padded(3)):
                    places.take(label, 3.0)
                    break
            else:
                label.remove()


def _along(axes: Axes, line: np.ndarray, share: float) -> np.ndarray:
    """The point at a share of the length of a line (n, 2), as seen on the page."""
    seen = axes.transData.transform(line)
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(seen, axis=0).T))])
    at = [np.interp(share * length[-1], length, seen[:, k]) for k in (0, 1)]
    return axes.transData.inverted().transform(at)
