"""The enlarged details: feed, gap, sieve and powder beside each other at one scale. Imports matplotlib.

Where the holes are far smaller than the feed a second, larger scale shows holes and powder.
"""

import math
from dataclasses import dataclass

import numpy as np
from matplotlib.collections import PatchCollection
from matplotlib.patches import Circle, Patch, Rectangle

from ...base.quantities.written import digits
from ..plots.style import BLACK, GREEN, RED
from .board import HIDDEN, LINE_MM, Sheet, View, scale_for, scale_words
from .shape import Shape, bar_outline
from .views import FEED, ROTOR, SIEVE, STATOR, gap_words, mm

COLUMN_MM = 80.0  # of paper: width of the details
CELL_MM = 38.0  # half of it, with a gap between
_STRIP_MM = 12.0  # height of the sieve shown where there are two details
_SLOT_MM = COLUMN_MM / 3
_COARSE_MM = 3.0  # a pitch below this on paper calls for the second detail
_DRAWN_MM = 1.0  # a pitch below this is not drawn


@dataclass(frozen=True)
class DrawnPowder:
    """What a prediction says of the powder, in mm (NaN where unknown), and the words beside it."""

    x50: float
    x90: float
    words_50: str
    words_90: str
    note: str


def about(value: float) -> str:
    """A length in mm that follows from others, to three digits."""
    return f"{digits(value)} mm"


def details(sheet: Sheet, x: float, top: float, shape: Shape, powder: DrawnPowder | None) -> tuple[float, ...]:
    """Draw the details into a column from x down from `top`; their scales (mm of paper per mm)."""
    grain = max([shape.hole, *_sizes(powder)])
    first = scale_for(
        lambda s: s * shape.largest <= 34 and s * shape.gap <= 18 and s * shape.pitch <= 15
        and s * grain <= 20 and s * shape.plate <= 8
    )  # fmt: skip
    coarse = shape.pitch * first >= _COARSE_MM
    y = _header(sheet, x, top, f"Detail A: feed, gap, sieve{', powder' * coarse}", first)
    y = _feed_and_gap(sheet, x, y, shape, first)
    y = _sieve(sheet, x, y, shape, first, 32.0 if coarse else _STRIP_MM)
    if coarse:
        _powder(sheet, x, y, shape, powder, first)
        return (first,)
    second = scale_for(lambda s: s * shape.pitch <= 9 and s * grain <= 14)
    y = _header(sheet, x, y - 2.0, "Detail B: sieve and powder", second)
    _holes(sheet, x, y, COLUMN_MM, _STRIP_MM, shape, second)
    _powder(sheet, x, y - _STRIP_MM - 2.0, shape, powder, second)
    return first, second


def _sizes(powder: DrawnPowder | None) -> list[float]:
    """The sizes of powder that are to be drawn."""
    return [v for v in (powder.x50, powder.x90) if math.isfinite(v)] if powder else []


def _header(sheet: Sheet, x: float, top: float, words: str, scale: float) -> float:
    """Name and scale of a detail with its bar; the height below."""
    sheet.lines(x, top, [words], weight="bold", fontsize=10)
    sheet.lines(x, top - 5.6, [f"scale {scale_words(scale)}"])
    sheet.scale_bar(x + 32, top - 7.6, scale, 30.0)
    return top - 11.5


def _feed_and_gap(sheet: Sheet, x: float, top: float, shape: Shape, scale: float) -> float:
    high = max(shape.largest * scale, shape.gap * scale + 28.0)
    bottom = top - high
    view = View(sheet, x + CELL_MM / 2, bottom, scale)
    view.circle(shape.largest / 2, (0, shape.largest / 2), facecolor=FEED, edgecolor=GREEN, label="largest feed")
    lines = [f"feed {mm(shape.largest)},", "all pieces alike"]
    if shape.largest - shape.median > 1e-6 * shape.largest:
        view.circle(shape.median / 2, (0, shape.median / 2), facecolor="white", edgecolor=GREEN, lw=0.8, ls=HIDDEN,
                    label="median feed")  # fmt: skip
        lines = [f"largest feed {about(shape.largest)},", f"median {about(shape.median)}"]
    below = sheet.lines(x + CELL_MM / 2, bottom - 1.5, lines, "center")
    _gap(sheet, x + COLUMN_MM - CELL_MM, bottom, high, shape, scale)
    return min(below, sheet.lines(x + COLUMN_MM - CELL_MM / 2, bottom - 1.5, gap_words(shape), "center")) - 2.0


def _gap(sheet: Sheet, x: float, bottom: float, high: float, shape: Shape, scale: float) -> None:
    """The tip of a bar, the slot, and the pin or wall above it, cut off at the bounds of the cell."""
    slot = shape.gap * scale
    tip = bottom + (high - slot) / 2
    cell = Rectangle((x, bottom), CELL_MM - 9.0, high, transform=sheet.axes.transData)
    middle = x + 0.5 * (CELL_MM - 9.0)
    outline = bar_outline(shape)
    lead = outline[-1][0]  # the leading side stands where it can be seen
    edge_y = max(p[1] for p in outline if p[0] == lead) if shape.bar_edge(0) == "bevelled" else shape.tip
    view = View(sheet, min(middle, middle + 8.0 - lead * scale), tip - edge_y * scale, scale)
    look = {"facecolor": ROTOR, "label": "detail bar"}
    parts: list[Patch] = [view.polygon(outline, **look)]
    upper = View(sheet, middle, tip + slot, scale)
    if shape.pins:
        parts.append(
            upper.circle(shape.pin / 2, (0, shape.pin / 2), facecolor=STATOR, hatch="////", label="detail pin")
        )
    else:
        deep = (high + 5) / scale
        parts.append(upper.box(-deep, 0, deep, deep, facecolor=STATOR, hatch="////", label="detail wall"))
    for part in parts:
        part.set_clip_path(cell)
    column = x + CELL_MM - 4.0
    for y in (tip, tip + slot):
        sheet.line(((middle, y), (column + 1.5, y)), lw=0.35, ls=(0, (3, 1.5)), zorder=8)
    sheet.span((column, tip), (column, tip + slot))


def _sieve(sheet: Sheet, x: float, top: float, shape: Shape, scale: float, high: float) -> float:
    """A piece of the sieve from above, the same cut through below it, and its numbers; the height below."""
    drawn = _holes(sheet, x, top, CELL_MM - 4.0, high, shape, scale)
    bottom = top - high
    thick = shape.plate * scale
    view = View(sheet, x + (CELL_MM - 4.0) / 2, bottom - 2.0, scale)
    half = (CELL_MM - 4.0) / 2 / scale
    view.box(-half, -shape.plate, half, 0, facecolor=SIEVE, edgecolor=RED, lw=0.8, label="plate cut")
    if drawn and not shape.mesh:
        for k in range(-int(half / shape.pitch) - 1, int(half / shape.pitch) + 2):
            left, right = (min(max(k * shape.pitch + s * shape.hole / 2, -half), half) for s in (-1, 1))
            if right > left:
                view.box(left, -shape.plate, right, 0, facecolor="white", edgecolor=RED, lw=0.6)
    words = [f"{'opening' if shape.mesh else 'hole Ø'} {mm(shape.hole)}", f"pitch {mm(shape.pitch)}"]
    words += [
        "square weave" if shape.mesh else "60° stagger",
        f"{'thread' if shape.cloth else 'mesh' if shape.mesh else 'plate'} {mm(shape.plate)} thick",
    ]
    words += [] if drawn else ["holes too fine to", "draw at this scale"]
    return min(bottom - 2.0 - thick, sheet.lines(x + CELL_MM, top, words)) - 4.0


def _holes(sheet: Sheet, x: float, top: float, wide: float, high: float, shape: Shape, scale: float) -> bool:
    """A piece of sieve seen from above with a hole in its middle; whether its holes are large enough to be drawn."""
    view = View(sheet, x + wide / 2, top - high / 2, scale)
    half_x, half_y = wide / 2 / scale, high / 2 / scale
    plate = view.box(-half_x, -half_y, half_x, half_y, facecolor=SIEVE, edgecolor=RED, lw=0.8, label="sieve patch")
    if shape.pitch * scale < _DRAWN_MM:
        return False
    patches = []
    for centre in _centres(shape, half_x + shape.pitch, half_y + shape.pitch):
        px, py = view.at(*centre)
        size = shape.hole * scale
        corner = (px - size / 2, py - size / 2)
        patches.append(Rectangle(corner, size, size) if shape.mesh else Circle((px, py), size / 2))
    holes = PatchCollection(patches, facecolor="white", edgecolor=RED, zorder=1.2)
    holes.set_linewidth(min(0.8, 0.5 * shape.pitch * scale))
    holes.set_label("holes")
    sheet.axes.add_collection(holes, autolim=False)
    holes.set_clip_path(plate)
    return True


def _centres(shape: Shape, half_x: float, half_y: float) -> np.ndarray:
    """(n, 2) hole centres [mm] within bounds: a square net of a mesh, a 60 degree stagger of a plate."""
    p = shape.pitch
    row = p if shape.mesh else p * math.sqrt(3) / 2
    rows, columns = int(half_y / row), int(half_x / p) + 1
    found = [((i + (0 if shape.mesh else 0.5 * (j % 2))) * p, j * row)
             for j in range(-rows, rows + 1) for i in range(-columns, columns + 1)]  # fmt: skip
    return np.array([c for c in found if abs(c[0]) <= half_x])


def _powder(sheet: Sheet, x: float, top: float, shape: Shape, powder: DrawnPowder | None, scale: float) -> None:
    """The hole and the predicted powder side by side, or a word that there is no prediction."""
    sizes = [shape.hole, *_sizes(powder)]
    high = max(4.0, max(sizes) * scale)
    slots = [View(sheet, x + (k + 0.5) * _SLOT_MM, top - high, scale) for k in range(3)]
    half = shape.hole / 2
    if shape.mesh:
        slots[0].box(-half, 0, half, 2 * half, edgecolor=RED, label="hole beside powder")
    else:
        slots[0].circle(half, (0, half), edgecolor=RED, label="hole beside powder")
    below = top - high - 1.5
    sheet.lines(slots[0].x, below, ("opening" if shape.mesh else "hole", mm(shape.hole)), "center")
    if powder is None:
        sheet.lines(slots[1].x - 10.0, below, ("drawn without a prediction:", "x50 and x90 are not known"))
        return
    for view, size, words, name in ((slots[1], powder.x90, powder.words_90, "x90"),
                                    (slots[2], powder.x50, powder.words_50, "x50")):  # fmt: skip
        if math.isfinite(size):
            view.circle(size / 2, (0, size / 2), facecolor=BLACK, lw=0, label=name)
        sheet.lines(view.x, below, (name, words), "center")
    sheet.lines(x, below - 2 * LINE_MM - 1.0, [powder.note])
