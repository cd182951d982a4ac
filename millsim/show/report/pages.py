"""Pages of text and one picture each: measuring and breaking text, and drawing pages into a PDF.

Lengths in inches, from the upper left corner of the page; font sizes in points. Imports matplotlib.
"""

import functools
import io
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

import matplotlib
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.textpath import text_to_path
from matplotlib.transforms import Affine2D, Bbox

from ..plots.style import plain_style

A4_LANDSCAPE = (11.69, 8.27)
LEADING = 1.38  # line distance over font size
_ASCENT = 0.78  # baseline below the upper edge of a line, over font size
_POINTS = 72.0
_GLUE = re.compile(r"(?<=\d) (?=%|°C|([kW]*[Wh]+|k?[gJ]|mm|µm|m/s|rpm|min|N|[sK])\b)")  # a number and its unit


@dataclass(frozen=True)
class Pen:
    """How a text is set."""

    size: float = 10.0
    bold: bool = False
    mono: bool = False
    color: str = "#16191c"

    @property
    def line(self) -> float:
        """Distance of lines [in]."""
        return self.size * LEADING / _POINTS

    @property
    def font(self) -> FontProperties:
        """The font in matplotlib's words."""
        family = "DejaVu Sans Mono" if self.mono else "DejaVu Sans"
        return FontProperties(family=family, weight="bold" if self.bold else "normal", size=self.size)


@dataclass
class Page:
    """One page: texts (x, y of the upper edge, pen, text, alignment), rules, shaded boxes, and a picture or none."""

    size: tuple[float, float] = A4_LANDSCAPE
    texts: list[tuple[float, float, Pen, str, str]] = field(default_factory=list)
    rules: list[tuple[float, float, float, float, str]] = field(default_factory=list)  # x, y, length, points, colour
    boxes: list[tuple[float, float, float, float, str, str]] = field(default_factory=list)  # x, y, w, h, face, edge
    picture: Figure | None = None
    picture_at: tuple[float, float] = (0.0, 0.0)  # upper left corner
    sheet: bool = False  # the picture is the page, such as a drawing to scale


def width(text: str, pen: Pen) -> float:
    """Width [in] of a text on one line."""
    return _width(text, pen.size, pen.bold, pen.mono)


@functools.lru_cache(maxsize=20000)
def _width(text: str, size: float, bold: bool, mono: bool) -> float:
    with _missing_glyphs_allowed():
        return text_to_path.get_text_width_height_descent(text, Pen(size, bold, mono).font, False)[0] / _POINTS


def broken(text: str, pen: Pen, most: float) -> list[str]:
    """Lines of a text no wider than `most`; breaks at spaces, within a word only where it alone is too wide."""
    lines: list[str] = []
    space = width(" ", pen)
    for part in text.split("\n"):
        line, filled = "", 0.0
        for word in _GLUE.sub("\u00a0", part).split(" "):
            for piece in _pieces(word, pen, most):
                wide = width(piece, pen)
                if line and filled + space + wide > most:
                    lines.append(line)
                    line, filled = piece, wide
                else:
                    line, filled = (f"{line} {piece}", filled + space + wide) if line else (piece, wide)
        lines.append(line)
    return lines


def _pieces(word: str, pen: Pen, most: float) -> list[str]:
    """A word, or its parts where it is wider than a line."""
    if len(word) < 2 or width(word, pen) <= most:
        return [word]
    count = 1
    while count < len(word) and width(word[: count + 1], pen) <= most:
        count += 1
    return [word[:count], *_pieces(word[count:], pen, most)]


def to_bytes(pages: list[Page], title: str) -> bytes:
    """The pages as a PDF, the same bytes every time: no dates, fonts embedded."""
    stream = io.BytesIO()
    about = {"Title": title, "Creator": "millsim", "Producer": None, "CreationDate": None, "ModDate": None}
    with plain_style(), _missing_glyphs_allowed():
        matplotlib.rcParams["pdf.fonttype"] = 42
        with PdfPages(stream, metadata={k: v for k, v in about.items() if v or k != "ModDate"}) as pdf:
            for page in pages:
                figure, x, y = _drawn(page)
                pdf.savefig(figure, bbox_inches=Bbox.from_bounds(-x, -y, *page.size))
    return stream.getvalue()


def _drawn(page: Page) -> tuple[Figure, float, float]:
    """The page's figure with everything on it, and where the figure's lower left corner is on the page."""
    x = y = 0.0
    figure = page.picture
    if figure is None:
        figure = Figure(figsize=page.size, dpi=150)
        FigureCanvasAgg(figure)
    else:
        x, y = page.picture_at[0], page.size[1] - page.picture_at[1] - figure.get_size_inches()[1]
    wide, high = figure.get_size_inches()
    place = Affine2D().translate(-x, -y).scale(1 / wide, 1 / high) + figure.transFigure
    height = page.size[1]
    for left, top, w, h, face, edge in page.boxes:
        box = Rectangle((left, height - top - h), w, h, fc=face, ec=edge, lw=0.8, transform=place, zorder=-2)
        figure.add_artist(box)
    for left, top, length, points, color in page.rules:
        figure.add_artist(Line2D([left, left + length], [height - top] * 2, color=color, lw=points, transform=place))
    for left, top, pen, text, align in page.texts:
        at = height - top - _ASCENT * pen.line
        figure.text(left, at, text, fontproperties=pen.font, color=pen.color, ha=align, va="baseline",
                    transform=place, parse_math=False)  # fmt: skip
    return figure, x, y


@contextmanager
def _missing_glyphs_allowed() -> Iterator[None]:
    """A mill may be named in a script that the font lacks; a box is better than no report."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        yield
