"""The page of a sweep's figures: title, key, axes, colours, what is out and its letters. Imports matplotlib."""

import string
import textwrap
from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.cm import ScalarMappable
from matplotlib.collections import LineCollection
from matplotlib.colors import BoundaryNorm
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch
from matplotlib.path import Path
from matplotlib.patheffects import withStroke
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullFormatter, NullLocator
from matplotlib.transforms import Bbox
from scipy import ndimage

from ...base.quantities.written import digits
from ...explore.sweep.record import Sweep
from .cut import Cut, Ruler, Scale, factor_ticks, least_span
from .style import BLACK, GREY, frame

WIDTH = 8.4  # inches
_LINE, _FOOT = 0.2, 0.175  # inches of a note and of a line of the foot
COLOURS = "viridis"
FADE = 0.5  # white over what is out but has a figure
ON_WHITE = {"facecolor": "white", "edgecolor": "none", "alpha": 0.9, "pad": 1.5}
BOXED = {"facecolor": "white", "edgecolor": GREY, "lw": 0.6, "pad": 2.0}
LETTERS = string.ascii_uppercase
_MOST_LETTERS = 3  # per reason and panel
_WITHIN = ((0.5, 0.5), (0.5, 0.24), (0.5, 0.76), (0.24, 0.5), (0.76, 0.5))  # places in a cell that a text may take
_WIDE = 10.0  # largest over smallest value from which levels grow by factors
_TICKS = 9  # with more values than this an axis is marked at round numbers
MARK = {  # the mill as built
    "marker": "*", "ms": 15, "mec": BLACK, "mew": 1.3, "ls": "", "zorder": 9, "clip_on": False,
    "path_effects": [withStroke(linewidth=4.0, foreground="white")],
}  # fmt: skip


def new(
    sweep: Sweep,
    title: str,
    notes: Sequence[str],
    foot: str,
    rows: int = 1,
    cols: int = 1,
    height: float = 5.6,
    keys: int = 0,
) -> tuple[Figure, list[Axes]]:
    """A figure with the title and foot of our frame and rows x cols panels that share their axes.

    height: inches; keys: lines of the key that make it higher.
    """
    height += 0.22 * max(0, keys - 1)
    lines = [line for text in (sweep.name, *notes) if text for line in textwrap.wrap(" ".join(text.split()), 104)]
    foot = "\n".join(line for text in foot.split("\n") for line in textwrap.wrap(text, 124))
    figure, (axes,) = frame(title, "", foot)
    axes.remove()
    figure.set_size_inches(WIDTH, height)
    below, above = 0.08 + _FOOT * (foot.count("\n") + 1), 0.34 + _LINE * len(lines)
    figure.get_layout_engine().set(rect=(0.01, below / height, 0.98, 1 - (below + above) / height))
    figure.texts[0].set_position((0.015, 0.07 / height))
    head = {"fontsize": 12, "fontweight": "bold", "va": "top", "parse_math": False}
    figure.text(0.015, 1 - 0.1 / height, title, **head)
    told = {"color": GREY, "va": "top", "linespacing": 1.35, "parse_math": False}
    figure.text(0.015, 1 - 0.33 / height, "\n".join(lines), **told)
    panels = figure.subplots(rows, cols, sharex=True, sharey=True, squeeze=False)
    return figure, panels.ravel().tolist()


def regions_key(c: Cut) -> list[Patch]:
    """The key of the regions of a cut, each with its letter."""
    handles = []
    for k, (_, reason, words) in enumerate(c.regions):
        look = {"facecolor": "#cccccc" if reason and not reason.blank else "white", "hatch": reason and reason.hatch}
        text = textwrap.fill(f"{LETTERS[k]}: {words}", 100)
        handles.append(Patch(edgecolor=BLACK, lw=0.8, label=text, **look))
    return handles


def mark_built(axes: Axes, at: tuple, scale: Scale, more: str = "", hollow: bool = False) -> list[Line2D]:
    """A star for the mill as built where it lies in the panel; its line of the key, none where its place is unknown."""
    ends = np.array([sorted(axes.get_xlim()), sorted(axes.get_ylim())]).T
    if not np.isfinite(at).all():
        return []
    words = f"as built{more}: {scale.built_text}" if scale.built_text else f"as built{more}"
    if np.allclose(at, np.clip(at, *ends), rtol=1e-9):
        axes.plot(*at, mfc="none" if hollow else "white", **MARK)
    else:
        words += ", outside this picture"
    return [Line2D([], [], mfc="white", label=words, **{**MARK, "ms": 11})]


def key_below(figure: Figure, handles: Sequence, most: int = 4) -> None:
    """A legend between panels and foot, in as many columns (up to `most`) as its texts leave room for."""
    left, bottom, width, height = figure.get_layout_engine().get()["rect"]
    look = {"frameon": False, "handleheight": 1.4, "columnspacing": 1.6, "borderaxespad": 0.2, "handlelength": 2.6}
    for count in range(min(len(handles), most), 0, -1):
        legend = figure.legend(handles=handles, loc="lower center", bbox_to_anchor=(0.5, bottom), ncols=count, **look)
        size = legend.get_window_extent(figure.canvas.get_renderer())
        if size.width < 0.97 * figure.bbox.width or count == 1:
            break
        legend.remove()
    else:
        return
    legend.set_in_layout(False)
    taken = size.height / figure.bbox.height
    figure.get_layout_engine().set(rect=(left, bottom + taken, width, height - taken))


def bounds(ruler: Ruler, cells: bool) -> np.ndarray:
    """Bounds (n + 1,) between the values of a ruler, half-way; cells: the end values own a full cell."""
    v = np.log(ruler.values) if ruler.log else ruler.values
    if v.size == 1:
        half = 0.5 if ruler.words or v[0] == 0 else 0.1 * abs(v[0])
        return np.exp([v[0] - half, v[0] + half]) if ruler.log else np.array([v[0] - half, v[0] + half])
    middle = 0.5 * (v[1:] + v[:-1])
    ends = (2 * v[0] - middle[0], 2 * v[-1] - middle[-1]) if cells or ruler.words else (v[0], v[-1])
    both = np.concatenate([[ends[0]], middle, [ends[1]]])
    return np.exp(both) if ruler.log else both


def set_ruler(axes: Axes, ruler: Ruler, which: str, span: np.ndarray, label: bool = True) -> None:
    """Scale, limits, ticks and label of one axis."""
    axis = getattr(axes, f"{which}axis")
    if ruler.log:
        getattr(axes, f"set_{which}scale")("log")
    getattr(axes, f"set_{which}lim")(span[0], span[-1])
    if ruler.words:
        axis.set_ticks(ruler.values, [textwrap.fill(t, 16) for t in ruler.texts])
    elif ruler.values.size <= _TICKS:
        axis.set_major_locator(FixedLocator(ruler.values))
    elif ruler.log:
        axis.set_major_locator(FixedLocator(factor_ticks(span[0], span[-1], ruler.whole)))
    elif ruler.whole:
        axis.set_major_locator(MaxNLocator(_TICKS, integer=True))
    if not ruler.words:
        plain_numbers(axis, 3 if ruler.log else 4)  # geometric steps are rarely round
    if label:
        axis.set_label_text(textwrap.fill(ruler.label, 46))


def plain_numbers(axis: Axis, count: int = 4) -> None:
    """Plain numbers at the ticks of an axis, and no minor ones."""
    axis.set_major_formatter(FuncFormatter(lambda value, _: digits(value, count)))
    axis.set_minor_formatter(NullFormatter())
    axis.set_minor_locator(NullLocator())


def levels_of(values: np.ndarray, unit: str) -> np.ndarray:
    """Bounds of the colours: about ten round steps; by factors where values differ by much, but not of % and °C."""
    seen = values[np.isfinite(values)]
    low, high = (float(seen.min()), float(seen.max())) if seen.size else (0.0, 1.0)
    if high - low <= 1e-9 * max(abs(low), abs(high)):
        step = 1.0 if unit == "°C" else 0.05 * abs(low) or 1.0
        middle = round(low) if unit == "°C" else low
        return np.array([middle - step, middle + step])
    if low > 0 and high / low > _WIDE and unit not in ("%", "°C"):
        first, last = np.floor(np.log10(low)), np.ceil(np.log10(high))
        tenths = [10.0**e for e in np.arange(first, last + 1)]
        within = (1, 1.5, 2, 3, 5, 7) if high / low < 100 else (1, 2, 5) if len(tenths) <= 6 else (1,)
        steps = np.array([m * t for t in tenths for m in within])
        inside = np.flatnonzero((steps > low) & (steps < high))
        return steps[max(0, inside[0] - 1) : inside[-1] + 2]
    return MaxNLocator(10, steps=[1, 2, 2.5, 5, 10]).tick_values(*least_span(unit, low, high))


def colours_of(values: np.ndarray, scale: Scale) -> BoundaryNorm:
    """The colours of values in the unit shown."""
    return BoundaryNorm(levels_of(values, scale.unit), 256)


def colour_bar(figure: Figure, panels: list[Axes], norm: BoundaryNorm, label: str) -> None:
    """The scale of the colours beside the panels."""
    levels = norm.boundaries
    bar = figure.colorbar(ScalarMappable(norm, COLOURS), ax=panels, fraction=0.06, pad=0.02, aspect=28)
    bar.set_label(textwrap.fill(label, 36))
    bar.set_ticks(levels if len(levels) <= 14 else levels[::2])
    plain_numbers(bar.ax.yaxis)


def draw_regions(axes: Axes, c: Cut, k: int, x: np.ndarray, y: np.ndarray) -> None:
    """Pale and hatched what is out in the k-th panel, white where there is no figure, and the borders of all regions.

    x, y: bounds of the cells.
    """
    code = np.full(c.why.shape[1:], -1)
    for i, (cells, reason, _) in enumerate(c.regions):
        code[cells[k]] = i
        if reason is None or not cells[k].any():
            continue
        corners = [[(x[n], y[m]), (x[n + 1], y[m]), (x[n + 1], y[m + 1]), (x[n], y[m + 1]), (x[n], y[m])]
                   for m, n in np.argwhere(cells[k])]  # fmt: skip
        shape = Path.make_compound_path(*(Path(p, closed=True) for p in corners))
        look = {"lw": 0, "label": reason.text}
        axes.add_patch(PathPatch(shape, fc="white", ec="none", alpha=1.0 if reason.blank else FADE, zorder=2, **look))
        axes.add_patch(PathPatch(shape, fc="none", ec="#333333", hatch=reason.hatch, zorder=2.2, **look))
    lines = [[(x[j], y[i + 1]), (x[j + 1], y[i + 1])] for i, j in np.argwhere(code[1:] != code[:-1])]
    lines += [[(x[j + 1], y[i]), (x[j + 1], y[i + 1])] for i, j in np.argwhere(code[:, 1:] != code[:, :-1])]
    axes.add_collection(LineCollection(lines, colors=BLACK, linewidths=1.3, zorder=2.4))


def settle(figure: Figure, panels: Sequence[Axes], words: str = "") -> "list[Texts]":
    """Lay the page out for good, thin out the numbers along its axes, and give the room for texts in each panel.

    words: the axes ("x", "y") that carry words: none of them is left out; where they meet below, they stand upright.
    """
    figure.draw_without_rendering()
    if "x" in words and any(_meet(axes.get_xticklabels()) for axes in panels):
        for axes in panels:
            axes.tick_params(axis="x", labelrotation=90)
        figure.draw_without_rendering()
    figure.set_layout_engine("none")
    for axes in panels:
        for side, name in enumerate("xy"):
            if name not in words:
                _thin(getattr(axes, f"{name}axis"), side)
    return [Texts(axes) for axes in panels]


def _meet(labels: list) -> bool:
    """Whether labels below an axis touch."""
    boxes = [t.get_window_extent() for t in labels if t.get_text() and t.get_visible()]
    return any(a.x1 + 4 > b.x0 for a, b in pairwise(sorted(boxes, key=lambda b: b.x0)))


def _thin(axis, side: int) -> None:
    """Leave out the labels of numbers that would touch their neighbours."""
    last = -np.inf
    low, high = sorted(axis.get_view_interval())
    for tick in sorted(axis.get_major_ticks(), key=lambda t: t.get_loc()):
        if tick.label1.get_visible() and low <= tick.get_loc() <= high:
            start, end = tick.label1.get_window_extent().get_points()[:, side]
            tick.label1.set_visible(start > last + 6)
            last = end if tick.label1.get_visible() else last


class Texts:
    """Texts in one panel: each stands at the first of its spots where it meets none before it, else it is left out.

    Spots are pixels of the page; the key and the colours tell what is left out.
    """

    def __init__(self, axes: Axes):
        self.axes, self.taken = axes, []
        self.room: Bbox = axes.get_window_extent()
        for line in axes.lines:
            if line.get_marker() == "*":
                self.keep_clear(*line.get_xydata()[0], 14)

    def keep_clear(self, x: float, y: float, radius: float) -> None:
        """Let no text stand within so many pixels of a point of the data."""
        at = self.axes.transData.transform((x, y))
        self.taken.append(Bbox([at - radius, at + radius]))

    def cells(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """(rows, columns, 2, 2) lower left and upper right corners of the cells between bounds of the data."""
        px, py = (self.axes.transData.transform(np.column_stack([v, w]))[:, s]
                  for s, (v, w) in enumerate(((x, np.full(x.size, y[0])), (np.full(y.size, x[0]), y))))  # fmt: skip
        low, high = (np.stack(np.meshgrid(px[s], py[s]), axis=-1) for s in (slice(-1), slice(1, None)))
        return np.stack([low, high], axis=2)

    def write(self, text: str, spots: Iterable, within: Bbox | None = None, **look) -> None:
        """Write a text at the first of its spots that is free and inside a box (default the panel)."""
        look = {"fontsize": 9.5, "zorder": 6, "bbox": ON_WHITE, "ha": "center", "va": "center"} | look
        drawn = self.axes.text(1, 1, text, **look)
        drawn.set_in_layout(False)
        size, room = drawn.get_window_extent(), within or self.room
        half = np.array([size.width, size.height]) / 2 + 3
        for spot in spots:
            box = Bbox([spot - half, spot + half])
            inside = room.x0 <= box.x0 and box.x1 <= room.x1 and room.y0 <= box.y0 and box.y1 <= room.y1
            if inside and not any(box.overlaps(other) for other in self.taken):
                drawn.set_position(self.axes.transData.inverted().transform(spot))
                self.taken.append(box)
                return
        drawn.remove()


def spots_in(cell: np.ndarray) -> list[np.ndarray]:
    """Places in a cell (2, 2) that a text may take, its middle first."""
    return [cell[0] + np.array(share) * (cell[1] - cell[0]) for share in _WITHIN]


def write_letters(texts: Texts, c: Cut, k: int, cells: np.ndarray) -> None:
    """The letter of each region in its largest pieces, near their middle. cells: of the panel, from `Texts.cells`."""
    for i, (mask, _, _) in enumerate(c.regions):
        pieces, count = ndimage.label(mask[k])
        for n in sorted(range(1, count + 1), key=lambda n: -int((pieces == n).sum()))[:_MOST_LETTERS]:
            at = np.argwhere(pieces == n)
            near = at[np.argsort(np.abs(at - at.mean(axis=0)).sum(axis=1), kind="stable")]
            spots = (spot for row, column in near for spot in spots_in(cells[row, column]))
            texts.write(LETTERS[i], spots, fontweight="bold")
