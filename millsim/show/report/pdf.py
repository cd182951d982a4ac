"""A report as a PDF: plain pages of text on upright A4, and every figure on a lying one. Imports matplotlib."""

import io
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import singledispatch

import matplotlib
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.transforms import Affine2D, Bbox

from ...base.quantities.written import capital, wrap
from ...record.prediction import Prediction
from ..parts import Paragraph, Table, paper_lines
from ..plots.style import lay_out, plain_style
from .blocks import NATURE, Block, Facts, Items, Listing, Notice, Picture, Report, Section
from .content import report

A4 = (8.27, 11.69)  # in
LEFT, TOP, PITCH = 0.75, 0.5, 0.168  # edge of the text, of the first line, distance of lines [in]
ROWS, WIDE = 62, 100  # lines on a page, characters in a line
POINTS = 8.0  # of text: 100 characters are 6.7 in wide
CLEAR = 12  # lines that a chapter must find room for
MARGIN = 17  # characters for the labels beside paragraphs


_BOLD = "\0"


@dataclass(frozen=True)
class Chunk:
    """Lines that stay on one page; again: what is repeated where the page turns before them.

    What stands before the mark _BOLD in a line is set bold.
    """

    lines: list[str]
    again: list[str] = field(default_factory=list)


@dataclass
class Page:
    """One page: lines of text, the number of bold characters each begins with, and below them a figure or none."""

    lines: list[str] = field(default_factory=list)
    bold: list[int] = field(default_factory=list)
    picture: Figure | None = None
    sheet: bool = False  # the picture is the page, such as a drawing to scale
    foot: str = ""


def to_pdf(prediction: Prediction) -> bytes:
    """The report of a prediction as the bytes of a PDF; the same prediction gives the same bytes."""
    return render_pdf(report(prediction))


def render_pdf(found: Report) -> bytes:
    """A report as the bytes of a PDF: no dates, fonts embedded."""
    stream = io.BytesIO()
    about = {"Title": found.title, "Creator": "millsim", "Producer": None, "CreationDate": None}
    with plain_style(), warnings.catch_warnings():
        # A mill may be named in a script that the font lacks; a box is better than no report.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        matplotlib.rcParams["pdf.fonttype"] = 42
        with PdfPages(stream, metadata=about) as pdf:
            for page in pages_of(found):
                figure, paper = _drawn(page)
                lay_out(figure)
                pdf.savefig(figure, bbox_inches=paper)
    return stream.getvalue()


# --- what stands on the pages ----------------------------------------------------------------------------


def pages_of(found: Report) -> list[Page]:
    """The pages of a report, with all that stands on them."""
    pages = [Page()]
    _put(pages, Chunk([*_strong(wrap(found.mill)), *wrap(f"{capital(found.run)}."), ""]))
    _put(pages, *_chunks(Paragraph(NATURE)))
    for section in found.sections:
        _chapter(pages, section)
    pages = [page for page in pages if page.lines or page.picture is not None]
    for i, page in enumerate(pages):
        number = f"{i + 1} / {len(pages)}"
        page.foot = number if page.sheet else f"{found.run:<{WIDE - len(number)}}{number}"
    return pages


def _chapter(pages: list[Page], section: Section) -> None:
    """A chapter: on a new page where it asks for one or little room is left."""
    title = _strong(["", section.title.upper(), "━" * WIDE])
    if section.new_page or len(pages[-1].lines) > ROWS - CLEAR:
        pages.append(Page())
    for block in section.blocks:
        if isinstance(block, Picture):
            _figure(pages, block, title)
            title = []
            continue
        for chunk in _chunks(block):
            _put(pages, Chunk([*title, *chunk.lines], chunk.again))
            title = []


def _put(pages: list[Page], chunk: Chunk) -> None:
    """Set lines that stay together on the last page, or on a new one where they do not fit."""
    page = pages[-1]
    if page.picture is not None or (page.lines and len(page.lines) + len(chunk.lines) > ROWS):
        pages.append(page := Page())
        _write(page, chunk.again)
    _write(page, chunk.lines)


def _write(page: Page, lines: list[str]) -> None:
    """Lines below those that stand; no empty line at the top of a page."""
    for line in lines:
        if line or page.lines:
            bold, mark, rest = line.rpartition(_BOLD)
            page.lines.append(bold + rest)
            page.bold.append(len(bold))


def _figure(pages: list[Page], block: Picture, title: list[str]) -> None:
    """A figure on a page of its own, below its chapter and what it shows."""
    pages.append(Page(picture=block.draw(), sheet=block.sheet))
    if not block.sheet:
        _write(pages[-1], [*title, *wrap(block.caption)])


def _strong(lines: list[str]) -> list[str]:
    return [line + _BOLD if line else "" for line in lines]


@singledispatch
def _chunks(block: Block) -> Iterator[Chunk]:
    """The lines of a block, in parts that stay on one page each."""
    raise TypeError(f"no lines for {type(block).__name__}")


@_chunks.register
def _(block: Paragraph) -> Iterator[Chunk]:
    lines = wrap(capital(block.text), " " * MARGIN)
    if 0 < len(block.label) < MARGIN:
        lines[0] = f"{block.label:<{MARGIN}}{_BOLD}{lines[0][MARGIN:]}"
        yield Chunk([*lines, ""])
    else:
        yield Chunk([*_strong([block.label]), *lines, ""] if block.label else [*wrap(capital(block.text)), ""])


@_chunks.register
def _(block: Notice) -> Iterator[Chunk]:
    yield Chunk([*_strong([f"┃ {block.label.upper()}"]), *wrap(block.text, "┃ "), ""])


@_chunks.register
def _(block: Facts) -> Iterator[Chunk]:
    cells = [(f"  {f.label}", f.value, f.remark) for f in block.facts]
    one, two = (max(len(c[i]) for c in cells) for i in (0, 1)) if cells else (0, 0)
    yield Chunk([*_strong([f"{a:<{one}}   {b:<{two}}   {c}".rstrip() for a, b, c in cells]), ""])


@_chunks.register
def _(block: Items) -> Iterator[Chunk]:
    for item in block.items:
        yield Chunk(wrap(f"- {item}"))
    yield Chunk([""])


@_chunks.register
def _(block: Table) -> Iterator[Chunk]:
    found, caption = paper_lines(block), wrap(block.caption)
    begin = [*_strong(caption), *found.head]
    again = [*_strong(wrap(f"{block.caption} (continued)")), *found.head]
    whole = Chunk([*begin, *(line for row in found.rows for line in row), *found.foot, ""])
    if len(whole.lines) <= ROWS - CLEAR:
        yield whole
        return
    for i, row in enumerate(found.rows):
        yield Chunk([*begin, *row] if i == 0 else row, again if i else [])
    yield Chunk([*found.foot, ""])


@_chunks.register
def _(block: Listing) -> Iterator[Chunk]:
    yield Chunk(_strong([block.label]))
    for text in block.text.rstrip("\n").split("\n"):
        yield Chunk([text[i : i + WIDE] for i in range(0, max(len(text), 1), WIDE)])


# --- drawing them ----------------------------------------------------------------------------------------


def _drawn(page: Page) -> tuple[Figure, Bbox]:
    """The page as a figure of matplotlib, and the paper around it [in, from the figure's lower left corner]."""
    if page.picture is None:
        figure, paper = Figure(figsize=A4), Bbox.from_bounds(0, 0, *A4)
        FigureCanvasAgg(figure)
    else:
        figure = page.picture
        wide, high = (float(v) for v in figure.get_size_inches())
        left, below = (A4[1] - wide) / 2, A4[0] - high - TOP - PITCH * (len(page.lines) + 1)
        paper = Bbox.from_bounds(0, 0, wide, high) if page.sheet else Bbox.from_bounds(-left, -below, A4[1], A4[0])
    for i, line in enumerate(page.lines):
        _line(figure, paper, TOP + PITCH * (i + 1), line, page.bold[i])
    _line(figure, paper, paper.height - (0.05 if page.sheet else 0.4), page.foot)
    return figure, paper


def _line(figure: Figure, paper: Bbox, down: float, text: str, bold: int = 0) -> None:
    """A line of text, so far [in] below the upper edge of the paper; bold: how many characters of it are."""
    inches = Affine2D().scale(*(1 / figure.get_size_inches())) + figure.transFigure
    font = {"family": "DejaVu Sans Mono", "size": POINTS, "color": "#16191c", "va": "baseline", "transform": inches}
    for part, weight in ((text[:bold], "bold"), (" " * bold + text[bold:], "normal")):
        if part.strip():
            figure.text(paper.x0 + LEFT, paper.y1 - down, part, weight=weight, parse_math=False, **font)
