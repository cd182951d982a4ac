"""Maps of a sweep: an output over two axes, a panel per value of a third, and why parts are out. Imports matplotlib."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.transforms import Bbox
from scipy import ndimage

from ...base.quantities.written import digits
from ...explore.sweep.reasons import refuse_if_nothing_runs
from ...explore.sweep.record import Sweep
from . import line as plots_line
from . import page
from .cut import Cut, cut
from .style import BLACK, plain_style
from .sweep import built_band_words, foot_words, notes_of, title_of

MOST_NODES = 400  # with more cells in a panel the computed points are not marked
_ALONG = (0.5, 0.35, 0.65, 0.2, 0.8, 0.1, 0.9)  # places on a contour line that its figure may take
_NODE = {"mfc": "white", "mec": BLACK, "mew": 0.5}


def sweep_map(
    sweep: Sweep, output: str = "x50_m", axes: tuple[str, ...] | None = None, choice=None, fixed: dict | None = None
) -> Figure:
    """Map of an output over two axes (keys x, y), with a panel per value of a third; a line over a single one.

    axes: default the most telling ones; fixed: {key: SI value or word} of further axes, default as built or nearest.
    Filled contours over numbers, cells where an axis has words, points of a sampled design. Where the mill does not
    run as asked, or with a Choice misses its target, the map is hatched and says why. Raises InputError where no
    point runs.
    """
    refuse_if_nothing_runs(sweep, f"sweep of {sweep.name}", "to draw")
    if sweep.design != "grid":
        return plots_line.sampled(sweep, output, axes, choice)
    c = cut(sweep, output, axes, choice, fixed)
    with plain_style():
        if c.y is None:
            return plots_line.line(sweep, c, choice)
        return _maps(sweep, c, choice)


def _maps(sweep: Sweep, c: Cut, choice) -> Figure:
    rows = 1 if len(c.panels) <= 3 else 2
    cols = -(-len(c.panels) // rows)
    figure, panels = page.new(
        sweep, title_of(c.scale.output, (c.x, c.y)), notes_of(sweep, c, choice),
        foot_words(sweep, [c.scale.output], c.error, c.scale.unit, built_band_words(sweep, c.scale)),
        rows, cols, 5.6 if rows == 1 else 7.8, len(c.regions),
    )  # fmt: skip
    for spare in panels[len(c.panels) :]:
        spare.set_axis_off()
    panels = panels[: len(c.panels)]
    cells = c.x.words or c.y.words or min(c.value.shape[1:]) < 2
    norm = page.colours_of(c.value, c.scale)
    lines = [_panel(axes, c, k, cells, norm) for k, axes in enumerate(panels)]
    for k, axes in enumerate(panels):
        _rulers(axes, c, k, cells, k % cols == 0, k + cols >= len(panels), cols % 2 == 0 or k % cols == cols // 2)
    page.colour_bar(figure, panels, norm, c.scale.label)
    _key(figure, panels, c, cells)
    for k, texts in enumerate(page.settle(figure, panels, "x" * c.x.words + "y" * c.y.words)):
        _write(texts, c, k, cells, lines[k])
    return figure


def _panel(axes: Axes, c: Cut, k: int, cells: bool, norm: BoundaryNorm):
    """Colours, what is out and the computed points of one panel; the contour lines, if any."""
    x, y, value = page.bounds(c.x, cells), page.bounds(c.y, cells), c.value[k]
    lines = None
    if cells:
        shown = np.ma.masked_invalid(value)
        axes.pcolormesh(x, y, shown, cmap=page.COLOURS, norm=norm, edgecolors="white", lw=0.8, zorder=1)
    elif np.isfinite(value).any():
        whole = nearest_filled(value)
        axes.contourf(c.x.values, c.y.values, whole, norm.boundaries, cmap=page.COLOURS, norm=norm, zorder=1)
        lines = axes.contour(c.x.values, c.y.values, whole, norm.boundaries, colors=BLACK, linewidths=0.5, zorder=1.5)
    page.draw_regions(axes, c, k, x, y)
    if not cells and value.size <= MOST_NODES:
        at = np.argwhere(np.isfinite(value))
        look = {"ms": 2.6, "in_layout": False, "zorder": 3, "clip_on": False, **_NODE}
        axes.plot(c.x.values[at[:, 1]], c.y.values[at[:, 0]], "o", **look)
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
    page.set_ruler(axes, c.x, "x", page.bounds(c.x, cells), last and named)
    page.set_ruler(axes, c.y, "y", page.bounds(c.y, cells), first)
    axes.tick_params(labelbottom=last, labelleft=first)
    if c.panel is not None:
        place = c.panels[k]
        text = f"{c.panel.name} {c.panel.texts[place]}"
        axes.set_title(f"{text}\n(as built)" if c.panel.on(place) else text, fontsize=10, fontweight="normal")


def _key(figure: Figure, panels: list[Axes], c: Cut, cells: bool) -> None:
    """The key below the panels; the mill as built, marked in the panel nearest to it, hollow if that is another one."""
    handles = []
    if not cells and c.value[0].size <= MOST_NODES:
        words = "computed; between points interpolated"
        handles.append(Line2D([], [], marker="o", ms=3.5, ls="", label=words, **_NODE))
    k, other = 0, False
    if c.panel is not None:
        k = int(np.argmin(np.abs(np.array(c.panels) - c.panel.nearest(c.panel.built))))
        other = not c.panel.on(c.panels[k])
    more = f" ({c.panel.name} {c.panel.built_text})" if other else ""
    handles += page.mark_built(panels[k], (c.x.built, c.y.built), c.scale, more, other)
    page.key_below(figure, handles + page.regions_key(c))


def _write(texts: page.Texts, c: Cut, k: int, cells: bool, lines) -> None:
    """The texts within a panel: figures in the cells or on the contour lines, and the letters of the regions."""
    boxes = texts.cells(page.bounds(c.x, cells), page.bounds(c.y, cells))
    if cells and c.value[k].size <= MOST_NODES:
        for i, j in np.argwhere(np.isfinite(c.value[k])):
            text = f"{c.value[k, i, j]:.0f}" if c.scale.unit == "°C" else digits(c.value[k, i, j])
            texts.write(text, page.spots_in(boxes[i, j]), Bbox(boxes[i, j]), zorder=5)
    page.write_letters(texts, c, k, boxes)
    texts.taken += [Bbox(box) for box in boxes[~np.isfinite(c.value[k])]]
    for level, pieces in zip(lines.levels, lines.allsegs, strict=True) if lines is not None else ():
        for piece in sorted((p for p in pieces if len(p) > 1), key=len, reverse=True)[:2]:
            texts.write(digits(level, 3), _along(texts.axes, piece), zorder=4)


def _along(axes: Axes, line: np.ndarray) -> list[np.ndarray]:
    """Places on a line (n, 2), in pixels, by shares of its length."""
    seen = axes.transData.transform(line)
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(seen, axis=0).T))])
    return [np.array([np.interp(share * length[-1], length, seen[:, k]) for k in (0, 1)]) for share in _ALONG]
