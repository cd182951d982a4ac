"""The mill drawing to scale: front view, section, enlarged details and title block on one A4 sheet.

From the config alone; a prediction adds the size of the powder. Our own plain style. Imports matplotlib.
"""

import io
import math
import textwrap
import warnings
from dataclasses import dataclass
from functools import partial

from matplotlib.figure import Figure

from ...base.quantities.scalar import Scalar
from ...base.quantities.units import readable
from ...base.quantities.written import Shown, digits
from ...mill.config.mill import Config
from ...record.limits import HARDLY_GRINDS
from ...record.prediction import Prediction
from ...version import __version__
from ..plots.prediction import render
from ..plots.style import plain_style
from ..words import cautions
from .board import FIRM, LINE_MM, PAGE, THIN, Sheet, View, scale_for, scale_words
from .detail import COLUMN_MM, DrawnPowder, details
from .shape import Shape, shape_of
from .views import LEFT_MM, RIGHT_MM, front, section

SUFFIXES = ("png", "svg", "pdf")
MARGIN = 7.0  # of the frame, mm
BLOCK = 27.0  # height of the title block, mm
STRIP = 10.6  # height of the cautions below it, mm
STRIP_CHARACTERS = 176  # that go into a line of them
_LEFT, _RIGHT = MARGIN + 3.0, PAGE[0] - MARGIN - COLUMN_MM - 5.0  # of front view and section
_FOOT = MARGIN + STRIP  # lower end of the title block
_FLOOR, _CEILING = _FOOT + BLOCK, PAGE[1] - MARGIN
_ROOM = (_RIGHT - _LEFT, _CEILING - _FLOOR)
_FRONT = (84.0, 8.0 + 16.0, 4.0 + 4 * LINE_MM + 2.0)  # least width; heights of headings and labels above and below
_SECTION = (60.0, 8.0 + 19.0, 11.0)
_STATUS = {"over capacity": " (for what it takes)", "cannot run": " (for next to no feed)"}


@dataclass(frozen=True)
class Layout:
    """Where front view and section stand on the sheet, in mm of paper."""

    scale: float  # mm of paper per mm
    front: tuple[float, float, float]  # left, right, height of the axis
    section: tuple[float, float, float]
    headings: tuple[float, float]  # upper ends


def drawing(config: Config, prediction: Prediction | None = None) -> Figure:
    """The drawing of a mill on A4 landscape; the same config and prediction give the same drawing."""
    with plain_style():
        sheet, shape = Sheet(), shape_of(config)
        sheet.figure.set_label(f"Drawing of {config.name}")
        at = layout(shape)
        _frame(sheet)
        left, right, y = at.front
        front(View(sheet, (left + right) / 2, y, at.scale), shape, left, right)
        start, end, y = at.section
        spare = end - start - shape.width * at.scale - LEFT_MM - RIGHT_MM
        section(View(sheet, start + LEFT_MM + spare / 2, y, at.scale), shape)
        words = ("Front view, along the shaft, cover off", "Section along the shaft")
        for x, top, heading in zip((left, start), at.headings, words, strict=True):
            sheet.lines(x, top - 3.0, [heading], weight="bold", fontsize=10)
        details(sheet, _RIGHT + 4.0, _CEILING - 3.0, shape, _powder(prediction))
        _title_block(sheet, config, at.scale)
        told = cautions.line_of(cautions.at("draw", cautions.case_of(config)).shorts)
        sheet.lines(_LEFT, _FOOT - 2.4, textwrap.wrap(told, STRIP_CHARACTERS))
        return sheet.figure


def layout(shape: Shape) -> Layout:
    """Front view and section side by side at the largest plain scale; of a long thin mill one above the other."""
    beside, above = scale_for(partial(_fits_beside, shape)), scale_for(partial(_fits_above, shape))
    if above < 1.3 * beside:
        front, section = _widths(shape, beside)
        slack = (_ROOM[0] - front - section) / 3
        left = _LEFT + slack
        below, over = (max(a, b) for a, b in zip(_FRONT[2:0:-1], _SECTION[2:0:-1], strict=True))
        y, start = (_FLOOR + below + _CEILING - over) / 2, left + front + slack
        return Layout(beside, (left, left + front, y), (start, start + section, y), (_CEILING, _CEILING))
    front, section = _widths(shape, above)
    high = 2 * shape.widest * above
    slack = (_ROOM[1] - sum(_FRONT[1:] + _SECTION[1:]) - 2 * high) / 2
    left, start = _LEFT + (_ROOM[0] - front) / 2, _LEFT + (_ROOM[0] - section) / 2
    lower = _CEILING - sum(_FRONT[1:]) - high - slack
    heights = (_CEILING - _FRONT[1] - high / 2, lower - _SECTION[1] - high / 2)
    return Layout(above, (left, left + front, heights[0]), (start, start + section, heights[1]), (_CEILING, lower))


def _widths(shape: Shape, scale: float) -> tuple[float, float]:
    """Widths [mm of paper] of front view and section with their labels."""
    front = max(2 * shape.widest * scale + 8.0, _FRONT[0])
    return front, max(shape.width * scale + LEFT_MM + RIGHT_MM, _SECTION[0])


def _fits_beside(shape: Shape, scale: float) -> bool:
    high = 2 * shape.widest * scale + max(_FRONT[1], _SECTION[1]) + max(_FRONT[2], _SECTION[2])
    return sum(_widths(shape, scale)) <= _ROOM[0] and high <= _ROOM[1]


def _fits_above(shape: Shape, scale: float) -> bool:
    high = 4 * shape.widest * scale + sum(_FRONT[1:] + _SECTION[1:])
    return max(_widths(shape, scale)) <= _ROOM[0] and high <= _ROOM[1]


def to_bytes(figure: Figure, suffix: str = "png") -> bytes:
    """A drawing as "png", "svg" or "pdf", the same bytes every time."""
    if suffix != "pdf":
        return render(figure, suffix)
    stream = io.BytesIO()
    with plain_style(), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        metadata = {"CreationDate": None, "Creator": "millsim", "Producer": None}
        figure.savefig(stream, format="pdf", metadata=metadata)
    return stream.getvalue()


def _powder(p: Prediction | None) -> DrawnPowder | None:
    """What a prediction says of the powder."""
    if p is None:
        return None
    missing = Scalar(math.nan, "m", "")
    found = [p.main.scalars.get(key, missing) for key in ("x50_m", "x90_m")]
    if p.status == HARDLY_GRINDS:
        return DrawnPowder(math.nan, math.nan, "none", "none", "Predicted: it hardly grinds, no powder.")
    sizes = [s.value * 1e3 for s in found]
    shown = [Shown(s) for s in found]
    words = [f"{s.value} {s.unit}" if math.isfinite(v) else "unknown" for s, v in zip(shown, sizes, strict=True)]
    return DrawnPowder(sizes[0], sizes[1], words[0], words[1], f"Predicted{_STATUS.get(p.status, '')}, not measured.")


def _frame(sheet: Sheet) -> None:
    """Border of the sheet, and the lines between its parts."""
    x0, x1, y0, y1 = MARGIN, PAGE[0] - MARGIN, MARGIN, PAGE[1] - MARGIN
    sheet.line(((x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)), lw=1.2)
    for y in (_FLOOR, _FOOT):
        sheet.line(((x0, y), (x1, y)), lw=FIRM)
    sheet.line(((_RIGHT, _FLOOR), (_RIGHT, y1)), lw=THIN)


def _guard(c: Config) -> list[str]:
    """What stands between rotor and people; where is not in the config, so that it cannot be drawn."""
    g = c.guard
    if not g.material or g.thickness_m is None:
        return ["guard: none in the config"]
    return [f"guard: {readable(g.thickness_m, 'mm')} {g.material},", "its place is not told"]


def _title_block(sheet: Sheet, c: Config, scale: float) -> None:
    """What the mill is, at which scale it is drawn, and how to draw it again."""
    columns = (MARGIN + 3.0, 103.0, 163.0, 231.0)
    for x in columns[1:]:
        sheet.line(((x - 3.0, _FOOT), (x - 3.0, _FLOOR)), lw=THIN)
    sheet.lines(columns[0], _FLOOR - 3.0, [sheet.fitted(c.name, 87.0, 12, "bold")], weight="bold", fontsize=12)
    words = (
        "Mill drawing, lengths in mm.", "Drawn from the config; hub, casing and anything",
        "grey is assumed, and so are sense of rotation,", "form of bevel or teeth, place of feed and sieve.",
    )  # fmt: skip
    sheet.lines(columns[0], _FLOOR - 9.4, words)
    r, v, d = c.rotor, c.sieve, c.drive
    edges = f"edge{'s' * (len(r.edges) > 1)}: {', '.join(kind for kind, _ in reversed(r.edges))}"
    motion = [f"tip speed {digits(r.radius_m * d.speed_rad_s)} m/s,", f"speed {readable(d.speed_rad_s, 'rpm')},",
              "both without load", edges, f"mount: {r.mount}"]  # fmt: skip
    opening = [f"sieve: {v.kind}, {digits(v.area_m2 * 1e4)} cm²", f"open: {digits(v.open_fraction * 100)} %, "
               f"{digits(v.area_m2 * v.open_fraction * 1e4)} cm²", sheet.fitted(f"feed: {c.feed.material}", 60.0),
               f"config {c.sha256[:12]}", f"millsim {__version__}"]  # fmt: skip
    for x, lines in ((columns[1], motion), (columns[2], opening)):
        sheet.lines(x, _FLOOR - 3.0, lines)
    sheet.lines(columns[3], _FLOOR - 3.0, [f"Scale {scale_words(scale)} on A4"], weight="bold", fontsize=11)
    guessed = len(c.guesses.parameters) if c.guesses else 0
    told = [f"{guessed} numbers guessed, not measured"] if guessed else []
    told = [*told, *_guard(c)][:2]  # there is no room for more
    sheet.lines(columns[3], _FLOOR - 8.4, ["when printed at 100 %", *told])
    sheet.scale_bar(columns[3], _FOOT + 3.5, scale, 40.0)
