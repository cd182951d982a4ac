"""The page of a sweep's figures; texts placed where they cover neither each other nor a mark. Imports matplotlib."""

import math
import textwrap
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.colors import BoundaryNorm
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch
from matplotlib.path import Path
from matplotlib.patheffects import withStroke
from matplotlib.text import Annotation, Text
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullFormatter, NullLocator
from matplotlib.transforms import Bbox
from scipy import ndimage

from ...base.quantities.written import digits, join_words
from ...explore.sweep.reasons import Reason
from ...explore.sweep.record import Sweep
from ...record.limits import LIMITS
from .cut import Ruler, factor_ticks, least_span
from .style import BLACK, GREY, frame

WIDTH = 8.4  # inches
_LINE, _FOOT = 0.2, 0.175  # inches of a note and of a line of the foot
_STEP = 3  # pixels between places tried for a text
_AROUND = (
    (8, 8), (8, -8), (-8, 8), (-8, -8), (0, 10), (0, -10), (10, 0), (-10, 0), (8, 22), (-8, 22), (8, -22), (-8, -22),
)  # fmt: skip
COLOURS = "viridis"
FADE = 0.5  # white over what is out but has a figure
ON_WHITE = {"facecolor": "white", "edgecolor": "none", "alpha": 0.9, "pad": 1.5}
_MOST_LABELS = 3  # texts per reason and panel
_WIDE = 10.0  # largest over smallest value from which levels grow by factors
_TICKS = 9  # with more values than this an axis is marked at round numbers
HALO = [withStroke(linewidth=4.0, foreground="white")]
MARK = {
    "marker": "*",
    "ms": 15,
    "mec": BLACK,
    "mew": 1.3,
    "ls": "",
    "zorder": 9,
    "clip_on": False,
    "path_effects": HALO,
}


def page(
    sweep: Sweep, title: str, notes: Sequence[str], foot: str, rows: int = 1, cols: int = 1, height: float = 5.6
) -> tuple[Figure, list[Axes]]:
    """A figure with the title and foot of our frame and rows x cols panels that share their axes."""
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


def height_with(reasons: int, height: float = 5.6) -> float:
    """Height of a page [inch] with a line of the key for each of so many reasons."""
    return height + 0.22 * max(0, reasons - 1)


def letter_of(k: int) -> str:
    """The letter that stands for the k-th reason where its words do not fit."""
    return chr(ord("A") + k)


def key_of_reasons(figure: Figure, reasons: Sequence[Reason], more: Sequence = ()) -> None:
    """The key of the hatches between panels and foot, after the handles `more`."""
    handles = [*more]
    for k, reason in enumerate(reasons):
        text = textwrap.fill(f"{letter_of(k)}: {reason.meaning}", 100)
        face = "white" if reason.blank else "#cccccc"
        handles.append(Patch(facecolor=face, edgecolor=BLACK, hatch=reason.hatch, lw=0.8, label=text))
    below_panels(figure, handles)


def holder_line(holders: Sequence[int]) -> Line2D:
    """The line of the key between cells whose rate other limits hold, with what they are."""
    words = join_words([LIMITS[h] for h in holders])
    return Line2D([], [], color=BLACK, ls=":", lw=1.3, label=f"between what holds the rate: {words}")


def forget_letters(figure: Figure, reasons: Sequence[Reason], used: set[int]) -> None:
    """Take the letters out of the key that stand nowhere in the figure."""
    for text in figure.legends[0].get_texts() if figure.legends else ():
        for k, reason in enumerate(reasons):
            head = f"{letter_of(k)}: "
            if k not in used and text.get_text().startswith(head + reason.meaning[:40]):
                text.set_text(text.get_text().removeprefix(head))


def below_panels(figure: Figure, handles: Sequence, most: int = 4) -> None:
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
        count = 3 if ruler.log else 4  # geometric steps are rarely round
        axis.set_major_formatter(FuncFormatter(lambda value, _: digits(value, count)))
    axis.set_minor_formatter(NullFormatter())
    axis.set_minor_locator(NullLocator())
    if label:
        axis.set_label_text(textwrap.fill(ruler.label, 46))


def thin_ticks(panels: Sequence[Axes]) -> None:
    """Leave out the labels of ticks that would touch their neighbours."""
    for axes in panels:
        for axis, side in ((axes.xaxis, 0), (axes.yaxis, 1)):
            last = -math.inf
            low, high = sorted(axis.get_view_interval())
            inside = [t for t in axis.get_major_ticks() if t.label1.get_text() and low <= t.get_loc() <= high]
            boxes = [(t.label1.get_window_extent(), t.label1) for t in inside if t.label1.get_visible()]
            for box, text in sorted(boxes, key=lambda one: one[0].get_points()[0, side]):
                start, end = box.get_points()[:, side]
                text.set_visible(start > last + 6)
                last = end if text.get_visible() else last


class Places:
    """What is taken in one panel, in pixels of the page, and where there still is room."""

    def __init__(self, axes: Axes):
        self.axes = axes
        self.box: Bbox = axes.get_window_extent()
        self.taken: list[Bbox] = []

    def take(self, artist: Text | Bbox, pad: float = 2.0) -> None:
        """Mark the room of a text as taken."""
        box = artist if isinstance(artist, Bbox) else artist.get_window_extent()
        self.taken.append(box.padded(pad))

    def take_point(self, x: float, y: float, radius: float) -> None:
        """Mark the room around a point in data coordinates as taken."""
        px, py = self.axes.transData.transform((x, y))
        self.taken.append(Bbox.from_extents(px - radius, py - radius, px + radius, py + radius))

    def free(self, box: Bbox) -> bool:
        """Whether a box lies within the panel and on nothing."""
        inside = self.box.x0 <= box.x0 and box.x1 <= self.box.x1 and self.box.y0 <= box.y0 and box.y1 <= self.box.y1
        return inside and not any(box.overlaps(other) for other in self.taken)

    def owners(self, x_bounds: np.ndarray, y_bounds: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Cell that each column and row of places belongs to: (columns,), (rows,)."""
        across = np.arange(self.box.x0 + 1, self.box.x1 - 1, _STEP)
        up = np.arange(self.box.y0 + 1, self.box.y1 - 1, _STEP)
        inverse = self.axes.transData.inverted()
        x = inverse.transform(np.column_stack([across, np.full(across.size, self.box.y0)]))[:, 0]
        y = inverse.transform(np.column_stack([np.full(up.size, self.box.x0), up]))[:, 1]
        ix = np.clip(np.searchsorted(x_bounds, x) - 1, 0, x_bounds.size - 2)
        return ix, np.clip(np.searchsorted(y_bounds, y) - 1, 0, y_bounds.size - 2)

    def spot(self, allowed: np.ndarray, width: float, height: float) -> tuple[float, float] | None:
        """Middle of a box of this size, in pixels, that lies in the allowed places (rows, columns) and is free."""
        room = allowed.copy()
        for box in self.taken:
            lo = ((np.array([box.y0 - self.box.y0, box.x0 - self.box.x0]) - 1) / _STEP).astype(int)
            hi = np.ceil((np.array([box.y1 - self.box.y0, box.x1 - self.box.x0]) - 1) / _STEP).astype(int) + 1
            room[max(0, lo[0]) : max(0, hi[0]), max(0, lo[1]) : max(0, hi[1])] = False
        h, w = math.ceil(height / _STEP) + 1, math.ceil(width / _STEP) + 1
        if h > room.shape[0] or w > room.shape[1]:
            return None
        total = np.zeros((room.shape[0] + 1, room.shape[1] + 1), dtype=int)
        total[1:, 1:] = room.cumsum(axis=0).cumsum(axis=1)
        fits = total[h:, w:] - total[:-h, w:] - total[h:, :-w] + total[:-h, :-w] == h * w
        if not fits.any():
            return None
        rows, columns = np.nonzero(allowed)
        at = np.argwhere(fits)
        off = np.abs(at - [rows.mean() - h / 2, columns.mean() - w / 2]).sum(axis=1)
        row, column = at[int(np.argmin(off))]
        return self.box.x0 + 1 + (column + w / 2) * _STEP, self.box.y0 + 1 + (row + h / 2) * _STEP

    def write(self, text: str, allowed: np.ndarray, most_lines: int = 4, **style) -> Text | None:
        """Write a text into the allowed places, in as few lines as fit; None where it does not."""
        for lines in range(1, most_lines + 1):
            wrapped = textwrap.fill(text, max(4, math.ceil(len(text) / lines) + 3), break_long_words=False)
            if lines > 1 and "\n" not in wrapped:
                continue
            drawn = self.axes.text(0.5, 0.5, wrapped, ha="center", va="center", linespacing=1.1, **style)
            drawn.set_in_layout(False)
            size = drawn.get_window_extent()
            found = self.spot(allowed, size.width + 4, size.height + 4)
            if found is not None:
                drawn.set_position(self.axes.transData.inverted().transform(found))
                self.take(drawn)
                return drawn
            drawn.remove()
        return None


def mark_built(places: Places, x: float, y: float, text: str, exact: bool = True) -> None:
    """The mill as built: a star with a label; outside the panel an arrow at the edge that says so.

    exact: filled; hollow where the panel is for another setting than the mill has.
    """
    axes = places.axes
    limits = np.array([sorted(axes.get_xlim()), sorted(axes.get_ylim())])
    at = np.clip((x, y), limits[:, 0], limits[:, 1])
    if np.allclose(at, (x, y), rtol=1e-9):
        axes.plot(*at, mfc="white" if exact else "none", **MARK)
        places.take_point(*at, 15)
    else:
        _arrow(places, at, np.array((x, y)))
        text = f"{text}, outside this picture"
    label_point(places, at, text)


def _arrow(places: Places, at: np.ndarray, real: np.ndarray) -> None:
    """An arrow that ends at the edge of the panel where a point lies beyond it."""
    away = np.sign(real - at)
    tip = places.axes.transData.transform(at)
    foot = places.axes.transData.inverted().transform(tip - away * 38.0)
    arrow = {"arrowstyle": "-|>", "lw": 2.2, "color": BLACK, "mutation_scale": 16, "shrinkA": 0, "shrinkB": 0}
    drawn = places.axes.annotate("", at, foot, arrowprops=arrow, zorder=9)
    drawn.set_in_layout(False)
    low, high = np.minimum(tip, tip - away * 38.0), np.maximum(tip, tip - away * 38.0)
    places.taken.append(Bbox([low - 8, high + 8]))


def label_point(places: Places, at: Sequence[float], text: str, bold: bool = False) -> Annotation:
    """A label beside a point, where it lies on nothing; wrapped where it is long for the panel."""
    narrow = places.box.width < 60 + 10 * len(text)
    box = {"facecolor": "white", "edgecolor": GREY, "lw": 0.6, "alpha": 0.92, "pad": 2.0}
    style = {"textcoords": "offset points", "fontsize": 9.5, "bbox": box, "zorder": 10, "annotation_clip": False}
    style["fontweight"] = "bold" if bold else "normal"
    best = None
    for words in (textwrap.fill(text, 18 if narrow else 40), textwrap.fill(text, 14)):
        for reach in (1.0, 2.2, 3.6):
            for dx, dy in _AROUND:
                ha = "left" if dx > 0 else "right" if dx < 0 else "center"
                va = "bottom" if dy > 0 else "top" if dy < 0 else "center"
                drawn = places.axes.annotate(words, at, xytext=(dx * reach, dy * reach), ha=ha, va=va, **style)
                drawn.set_in_layout(False)
                if best is not None:
                    best.remove()
                best = drawn
                if places.free(drawn.get_window_extent().padded(3)):
                    places.take(drawn, 4.0)
                    if math.hypot(dx, dy) * reach > 16:
                        _lead(places.axes, at, (dx * reach, dy * reach))
                    return drawn
    places.take(best, 4.0)
    return best


def _lead(axes: Axes, at: Sequence[float], off: tuple[float, float]) -> None:
    """A thin line from a point to its label."""
    thin = {"arrowstyle": "-", "lw": 0.8, "color": BLACK, "shrinkA": 0, "shrinkB": 0}
    axes.annotate("", at, off, textcoords="offset points", arrowprops=thin, zorder=8).set_in_layout(False)


def settle(figure: Figure, panels: Sequence[Axes]) -> list[Places]:
    """Lay the page out for good, thin its ticks, and give the room of each panel."""
    figure.draw_without_rendering()
    figure.set_layout_engine("none")
    thin_ticks(panels)
    return [Places(axes) for axes in panels]


def levels_of(values: np.ndarray, unit: str) -> np.ndarray:
    """Bounds of the colours: about ten round steps; by factors where values differ by much, but not of % and °C."""
    seen = values[np.isfinite(values)]
    low, high = (float(seen.min()), float(seen.max())) if seen.size else (0.0, 1.0)
    if high - low <= 1e-9 * max(abs(low), abs(high)):
        step = 0.05 * abs(low) or 1.0
        return np.array([low - step, low + step])
    if low > 0 and high / low > _WIDE and unit not in ("%", "°C"):
        first, last = np.floor(np.log10(low)), np.ceil(np.log10(high))
        tenths = [10.0**e for e in np.arange(first, last + 1)]
        within = (1, 1.5, 2, 3, 5, 7) if high / low < 100 else (1, 2, 5) if len(tenths) <= 6 else (1,)
        steps = np.array([m * t for t in tenths for m in within])
        inside = np.flatnonzero((steps > low) & (steps < high))
        return steps[max(0, inside[0] - 1) : inside[-1] + 2]
    return MaxNLocator(10, steps=[1, 2, 2.5, 5, 10]).tick_values(*least_span(unit, low, high))


def colour_bar(figure: Figure, panels: list[Axes], norm: BoundaryNorm, levels: np.ndarray, label: str) -> None:
    """The scale of the colours beside the panels."""
    from matplotlib.cm import ScalarMappable

    bar = figure.colorbar(ScalarMappable(norm, COLOURS), ax=panels, fraction=0.06, pad=0.02, aspect=28)
    bar.set_label(textwrap.fill(label, 36))
    bar.set_ticks(levels if len(levels) <= 14 else levels[::2])
    bar.ax.yaxis.set_major_formatter(FuncFormatter(lambda v, _: digits(v, 4)))
    bar.ax.minorticks_off()


def fade(axes: Axes, x: np.ndarray, y: np.ndarray, mask: np.ndarray, reason: Reason) -> None:
    """White over the cells that are out, all of it where there is no figure; then their hatch."""
    if not mask.any():
        return
    boxes = [(x[a], y[i], x[b], y[i + 1]) for i in range(mask.shape[0]) for a, b in runs_of(mask[i])]
    corners = [[(a, b), (c, b), (c, d), (a, d), (a, b)] for a, b, c, d in boxes]
    shape = Path.make_compound_path(*(Path(p, closed=True) for p in corners))
    alpha = 1.0 if reason.blank else FADE
    axes.add_patch(PathPatch(shape, facecolor="white", alpha=alpha, edgecolor="none", lw=0, zorder=2))
    hatched = PathPatch(shape, facecolor="none", edgecolor="#333333", hatch=reason.hatch, lw=0, zorder=2.2)
    hatched.set_label(reason.text)
    axes.add_patch(hatched)


def runs_of(row: np.ndarray) -> list[tuple[int, int]]:
    """Bounds (first, beyond last) of the runs of true in a row."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(int), [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def outline(
    axes: Axes, x: np.ndarray, y: np.ndarray, code: np.ndarray, style: str, width: float, only: np.ndarray | None = None
) -> None:
    """Draw lines between cells of different code; only: between cells that are both in this mask."""
    up = code[1:] != code[:-1]
    across = code[:, 1:] != code[:, :-1]
    if only is not None:
        up, across = up & only[1:] & only[:-1], across & only[:, 1:] & only[:, :-1]
    lines = [[(x[j], y[i + 1]), (x[j + 1], y[i + 1])] for i, j in np.argwhere(up)]
    lines += [[(x[j + 1], y[i]), (x[j + 1], y[i + 1])] for i, j in np.argwhere(across)]
    axes.add_collection(LineCollection(lines, colors=BLACK, linewidths=width, linestyles=style, zorder=2.4))


def name_regions(places: Places, mask: np.ndarray, at: tuple, text: str, letter: str = "", **style) -> bool:
    """Write a text into each large piece of a region, or its letter where the text does not fit.

    mask (rows, columns) of cells; at: from `Places.owners`. Returns whether the letter was written.
    """
    pieces, count = ndimage.label(mask)
    sizes = sorted((-int((pieces == n).sum()), n) for n in range(1, count + 1))
    look, used = {"fontsize": 9.5, "bbox": ON_WHITE, "zorder": 6, **style}, False
    for _, n in sizes[:_MOST_LABELS]:
        allowed = (pieces == n)[np.ix_(at[1], at[0])]
        if places.write(text, allowed, **look) is None and letter:
            used |= places.write(letter, allowed, 1, **{**look, "fontweight": "bold"}) is not None
    return used
