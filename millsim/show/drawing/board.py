"""The drawing board: an A4 sheet in mm, views to scale, dimension lines, leaders and texts. Imports matplotlib.

Knows nothing of mills. Lengths on the sheet are mm of paper, lengths in a view mm of the thing drawn.
"""

import math
import warnings
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.patches import Arc, Circle, FancyArrowPatch, Patch, Polygon
from matplotlib.patheffects import withStroke
from matplotlib.text import Text

from ..plots.style import BLACK

PAGE = (297.0, 210.0)  # A4 landscape, mm
TEXT_PT = 9.0
LINE_MM = 4.2  # from one line of text to the next
INCH_MM = 25.4
DPI = 150  # of a PNG
THIN, FIRM = 0.5, 1.0  # line widths, pt
CENTRE_LINE, HIDDEN = (0, (9, 2.5, 1.5, 2.5)), (0, (4, 2))
_STEPS = (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)
_LARGE = [step * 10**k for k in range(4) for step in _STEPS]
_SCALES = [*reversed(_LARGE), *(1.0 / step for step in _LARGE[1:])]  # mm of paper per mm, largest first
_BLANK = {"facecolor": "white", "edgecolor": "none", "pad": 0.6}  # so that no line crosses a text
Look = dict[str, Any]  # properties that matplotlib takes by name: colours, widths, styles
Place = tuple[float, float] | np.ndarray
_Drawn = TypeVar("_Drawn", bound=Patch)
_ARROW = "-|>,head_length=0.42,head_width=0.14"


def scale_for(fits: Callable[[float], bool]) -> float:
    """The largest scale (mm of paper per mm) of a plain series that fits, else the smallest of the series."""
    return next((scale for scale in _SCALES if fits(scale)), _SCALES[-1])


def scale_words(scale: float) -> str:
    """ "1 : 1.5" of a reduction, "5 : 1" of an enlargement."""
    return f"{scale:.4g} : 1" if scale > 1 else f"1 : {1 / scale:.4g}"


class Sheet:
    """One A4 page; what is drawn on it is given in mm from its lower left corner."""

    def __init__(self) -> None:
        self.figure = Figure(figsize=(PAGE[0] / INCH_MM, PAGE[1] / INCH_MM), dpi=DPI)
        self.canvas = FigureCanvasAgg(self.figure)
        self.axes: Axes = self.figure.add_axes((0, 0, 1, 1), xlim=(0, PAGE[0]), ylim=(0, PAGE[1]))
        self.axes.axis("off")

    def text(self, x: float, y: float, text: str, ha: str = "left", va: str = "baseline", **more) -> Text:
        """A text, 9 pt where nothing else is said; user text is never taken for mathematics."""
        look: Look = {"fontsize": TEXT_PT, "color": BLACK, "zorder": 9, "parse_math": False}
        return self.axes.text(x, y, text, ha=ha, va=va, **(look | more))

    def fitted(self, text: str, width_mm: float, size_pt: float = TEXT_PT, weight: str = "normal") -> str:
        """A text in one line, cut to a width with an ellipsis."""
        text, font = " ".join(text.split())[:250], FontProperties(family="DejaVu Sans", weight=weight, size=size_pt)
        measure, most = self.canvas.get_renderer().get_text_width_height_descent, width_mm / INCH_MM * DPI
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", message="Glyph .* missing from font")
            if measure(text, font, False)[0] <= most:
                return text
            lengths = range(len(text) - 1, 0, -1)
            return next((cut for k in lengths if measure(cut := text[:k].rstrip() + "…", font, False)[0] <= most), "…")

    def lines(self, x: float, top: float, lines: Iterable[str], ha: str = "left", **more) -> float:
        """Lines of text at even steps, the first one's capitals reaching up to `top`; the height below the last."""
        drop = 0.73 * more.get("fontsize", TEXT_PT) * INCH_MM / 72
        for line in lines:
            self.text(x, top - drop, line, ha, **more)
            top -= LINE_MM
        return top

    def line(self, points: Iterable, lw: float = THIN, color: str = BLACK, ls: object = "-", zorder: float = 6) -> None:
        """A line through points."""
        x, y = np.asarray(list(points), float).T
        self.axes.add_line(Line2D(x, y, lw=lw, color=color, ls=ls, zorder=zorder, solid_capstyle="butt"))

    def arrow(self, start: tuple, end: tuple, **more) -> None:
        """A slim arrow that ends exactly at `end`."""
        look: Look = {"lw": THIN, "color": BLACK, "zorder": 7, "mutation_scale": 8.0, "arrowstyle": _ARROW} | more
        self.axes.add_patch(FancyArrowPatch(start, end, shrinkA=0, shrinkB=0, joinstyle="miter", **look))

    def leader(self, *points: tuple) -> None:
        """A line from a label through points to an arrow at what it names."""
        white = [withStroke(linewidth=2.2, foreground="white")]
        if len(points) > 2:
            self.line(points[:-1])
        self.arrow(points[-2], points[-1], path_effects=white)

    def dimension(self, start: tuple, end: tuple, text: str, side: float = 1.0, at: float | None = None) -> None:
        """A dimension line between two points of one row or column, arrows inside where there is room, else outside.

        The text stands above a row and left of a column (side 1), or below and right (side -1); `at` moves its middle.
        """
        (x0, y0), (x1, y1) = start, end
        length = math.hypot(x1 - x0, y1 - y0)
        self.span(start, end)
        upright = abs(x1 - x0) < abs(y1 - y0) or (length == 0 and at is None)
        middle = (y0 + y1) / 2 if upright else (x0 + x1) / 2
        middle = middle if at is None else at
        if upright:
            self.text(
                x0 - 1.0 * side, middle, text, "right" if side > 0 else "left", "center", rotation=90, bbox=_BLANK
            )
        else:
            self.text(middle, y0 + 1.0 * side, text, "center", "bottom" if side > 0 else "top", bbox=_BLANK)

    def span(self, start: tuple, end: tuple) -> None:
        """The two arrows of a dimension line."""
        (x0, y0), (x1, y1) = start, end
        length = math.hypot(x1 - x0, y1 - y0)
        if length >= 6.0:
            self.arrow(start, end, arrowstyle=_ARROW.replace("-|>", "<|-|>"))
            return
        ux, uy = ((x1 - x0) / length, (y1 - y0) / length) if length > 1e-6 else (0.0, 1.0)
        self.arrow((x0 - 4 * ux, y0 - 4 * uy), start)
        self.arrow((x1 + 4 * ux, y1 + 4 * uy), end)
        self.line((start, end))

    def scale_bar(self, x: float, y: float, scale: float, longest: float) -> None:
        """A bar of a round length with its length beside it, to measure by when the print has another size."""
        lengths = [step * 10.0**k for k in range(-3, 4) for step in (1, 2, 5)]
        length = max((v for v in lengths if v * scale <= longest), default=lengths[0])
        half = 0.5 * length * scale
        for left, color in ((x, BLACK), (x + half, "white")):
            corners = [(left, y), (left + half, y), (left + half, y + 1.4), (left, y + 1.4)]
            self.axes.add_patch(Polygon(corners, facecolor=color, edgecolor=BLACK, lw=THIN, zorder=8))
        self.text(x + 2 * half + 1.5, y + 0.7, f"{length:g} mm", va="center")


@dataclass(frozen=True)
class View:
    """A part of the sheet that shows a thing to scale: its origin stands at (x, y) of the sheet."""

    sheet: Sheet
    x: float
    y: float
    scale: float  # mm of paper per mm

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Where a point of the thing lies on the sheet."""
        return self.x + self.scale * x, self.y + self.scale * y

    def polar(self, radius: float, degrees: float, beyond: float = 0.0) -> tuple[float, float]:
        """Where a point at a radius and angle lies on the sheet; `beyond` adds mm of paper to the radius."""
        r, a = self.scale * radius + beyond, math.radians(degrees)
        return self.x + r * math.cos(a), self.y + r * math.sin(a)

    def circle(self, radius: float, centre: Place = (0.0, 0.0), **look) -> Circle:
        """A circle of the thing."""
        return self._add(Circle(self.at(*centre), self.scale * radius, **_plain(look)))

    def polygon(self, points: Iterable, **look) -> Polygon:
        """A closed outline of the thing."""
        return self._add(Polygon([self.at(*p) for p in points], closed=True, **_plain(look)))

    def box(self, x0: float, y0: float, x1: float, y1: float, **look) -> Polygon:
        """A rectangle between two corners."""
        return self.polygon(((x0, y0), (x1, y0), (x1, y1), (x0, y1)), **look)

    def arc(self, radius: float, start: float, end: float, **look) -> Arc:
        """A part of a circle round the origin, degrees counted against the clock."""
        size = 2 * self.scale * radius
        return self._add(Arc((self.x, self.y), size, size, theta1=start, theta2=end, **_plain(look)))

    def line(self, *points: tuple, **look) -> None:
        """A line through points of the thing."""
        self.sheet.line([self.at(*p) for p in points], **look)

    def _add(self, patch: _Drawn) -> _Drawn:
        self.sheet.axes.add_patch(patch)
        return patch


def _plain(look: Look) -> Look:
    """Firm black outlines without filling where nothing else is said."""
    return {"facecolor": "none", "edgecolor": BLACK, "lw": FIRM} | look
