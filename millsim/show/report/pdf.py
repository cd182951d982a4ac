"""A report as a PDF: text and figures on upright A4, a drawing to scale on a lying one. Imports matplotlib."""

import io
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import singledispatch
from typing import Any

import matplotlib
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import Op, PdfFile, RendererPdf
from matplotlib.figure import Figure
from matplotlib.transforms import Affine2D

from ...base.quantities.written import capital, harmless, wrap
from ...mill.config.since import Since
from ...record.prediction import Prediction
from ..parts import Paragraph, Table, paper_lines
from ..plots.style import lay_out, plain_style
from .blocks import NATURE, Block, Facts, Items, Listing, Notice, Only, Picture, Report, Section
from .content import report

A4 = (8.27, 11.69)  # in
LEFT, TOP, PITCH = 0.75, 0.45, 0.15  # edge of the text, of the first line, distance of lines [in]
ROWS, WIDE = 70, 100  # lines on a page, characters in a line
PAPER = 110  # characters that lie on it: the widest table reaches into the margin
POINTS = 8.0  # of text: 100 characters are 6.7 in wide
CLEAR = 12  # lines that a chapter must find room for
WHOLE, TOGETHER = 24, 5  # lines of a table that stays on one page; rows of a longer one that stay with its head
MARGIN = 17  # characters for the labels beside paragraphs
TALL, SHORT = 29, 22  # lines that a figure takes, two of them with their captions a page; at least, to fill a page
WIDTH = A4[0] - 2 * LEFT  # of a figure at most [in]
_POINT = 72  # per inch

_BOLD = "\0"


@dataclass(frozen=True)
class Chunk:
    """Lines that stay on one page; again: what is repeated where the page turns before them.

    What stands before the mark _BOLD in a line is set bold. picture: a figure below the lines.
    """

    lines: list[str]
    again: list[str] = field(default_factory=list)
    picture: Picture | None = None

    @property
    def sheet(self) -> bool:
        """Whether it is a page of its own."""
        return self.picture is not None and self.picture.sheet


@dataclass
class Page:
    """One page: lines of text, the number of bold characters each begins with, and figures.

    pictures: (lines above, lines it takes, figure). after: what is a page of its own and comes behind this one.
    """

    lines: list[str] = field(default_factory=list)
    bold: list[int] = field(default_factory=list)
    pictures: list[tuple[int, int, Picture]] = field(default_factory=list)
    foot: str = ""
    after: list["Page"] = field(default_factory=list)

    @property
    def sheet(self) -> bool:
        """Whether a picture is the page, such as a drawing to scale."""
        return any(picture.sheet for _, _, picture in self.pictures)

    @property
    def paper(self) -> tuple[float, float]:
        """Width and height [in]."""
        return A4[::-1] if self.sheet else A4


def to_pdf(prediction: Prediction, files: Since | None = None) -> bytes:
    """The report of a prediction as the bytes of a PDF; the same prediction gives the same bytes.

    files: what has become of those that it was made from, where that is to be told.
    """
    return render_pdf(report(prediction, files))


def render_pdf(found: Report) -> bytes:
    """A report as the bytes of a PDF: no dates, fonts embedded."""
    stream = io.BytesIO()
    about = {"Title": found.title, "Creator": "millsim", "Producer": None, "CreationDate": None}
    with plain_style(), warnings.catch_warnings():
        # A mill may be named in a script that the font lacks; a box is better than no report.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        matplotlib.rcParams["pdf.fonttype"] = 42
        file = PdfFile(stream, about)
        for page in pages_of(found):
            _print(file, page)
        file.finalize()
        file.close()
    return stream.getvalue()


# --- what stands on the pages ----------------------------------------------------------------------------


def pages_of(found: Report) -> list[Page]:
    """The pages of a report, with all that stands on them."""
    pages = [Page()]
    _put(pages, Chunk([*_strong(wrap(found.mill)), *wrap(NATURE), *wrap(f"{capital(found.run)}.")]))
    for section in found.sections:
        _chapter(pages, section)
    pages = [each for page in pages for each in (page, *page.after) if each.lines or each.pictures]
    for i, page in enumerate(pages):
        number = f"{i + 1} / {len(pages)}"
        page.foot = number if page.sheet else f"{found.run:<{WIDE - len(number)}}{number}"
    return pages


def _chapter(pages: list[Page], section: Section) -> None:
    """A chapter: on a new page where little room is left. A figure without room lets the text after it go first."""
    title, waiting = _strong(["", section.title.upper(), "━" * WIDE]), list[Chunk]()
    if len(pages[-1].lines) > ROWS - CLEAR:
        pages.append(Page())
    for block in section.blocks:
        for chunk in _chunks(block):
            chunk = Chunk([*title, *_broken(chunk.lines)], chunk.again, chunk.picture)
            if chunk.picture is not None and not _fits(pages[-1], chunk):
                waiting.append(Chunk(chunk.lines[len(title) :], picture=chunk.picture))
                continue
            title, turned = [], len(pages)
            _put(pages, chunk)
            if waiting and len(pages) > turned and not chunk.again:
                waiting = _placed(pages, waiting)
    for chunk in waiting:
        _put(pages, Chunk([*title, *chunk.lines], picture=chunk.picture))
        title = []


def _placed(pages: list[Page], waiting: list[Chunk]) -> list[Chunk]:
    """Set the figures that wait for a page with room; those that still wait."""
    left = []
    for chunk in waiting:
        if _fits(pages[-1], chunk):
            _put(pages, chunk)
        else:
            left.append(chunk)
    return left


def _rows(chunk: Chunk) -> int:
    """Lines that a chunk takes at least."""
    return len(chunk.lines) + (SHORT if chunk.picture is not None else 0)


def _fits(page: Page, chunk: Chunk) -> bool:
    """Whether there is room on a page for all of it; a sheet comes behind it."""
    return chunk.sheet or not page.lines or len(page.lines) + _rows(chunk) <= ROWS


def _put(pages: list[Page], chunk: Chunk) -> None:
    """Set what stays together on the last page, or on a new one where it does not fit."""
    page = pages[-1]
    if chunk.picture is not None and chunk.sheet:
        page.after.append(Page(pictures=[(0, 0, chunk.picture)]))
        return
    if not _fits(page, chunk):
        pages.append(page := Page())
        _write(page, chunk.again)
    _write(page, chunk.lines)
    if chunk.picture is not None:
        tall = min(TALL, ROWS - len(page.lines))
        page.pictures.append((len(page.lines), tall, chunk.picture))
        page.lines += [" "] * tall
        page.bold += [0] * tall


def _write(page: Page, lines: list[str]) -> None:
    """Lines below those that stand; no empty line at the top of a page."""
    for line in lines:
        if line or page.lines:
            bold, mark, rest = line.rpartition(_BOLD)
            page.lines.append(harmless(bold + rest))
            page.bold.append(len(bold))


def _broken(lines: list[str]) -> list[str]:
    """Lines that fit the paper: a longer one, of a command or a path, goes on in the next, after a word if it can."""
    found = []
    for line in lines:
        while len(line) > PAPER and _BOLD not in line:
            word = line.rfind(" ", WIDE // 2, WIDE + 1)
            cut = word if word > 0 else WIDE
            found.append(line[:cut])
            line = " " * MARGIN + line[cut:].lstrip()
        found.append(line)
    return found


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
    if len(whole.lines) <= WHOLE:
        yield whole
        return
    first, rest = found.rows[:TOGETHER], found.rows[TOGETHER:]
    yield Chunk([*begin, *(line for row in first for line in row)])
    for row in rest[:-1]:
        yield Chunk(row, again)
    yield Chunk([*rest[-1], *found.foot, ""], again)


@_chunks.register
def _(block: Picture) -> Iterator[Chunk]:
    yield Chunk([] if block.sheet else wrap(block.caption), picture=block)


@_chunks.register
def _(block: Only) -> Iterator[Chunk]:
    if block.medium == "paper":
        yield from _chunks(block.block)


@_chunks.register
def _(block: Listing) -> Iterator[Chunk]:
    yield Chunk(_strong([block.label]))
    for text in block.text.rstrip("\n").split("\n"):
        yield Chunk([text[i : i + WIDE] for i in range(0, max(len(text), 1), WIDE)])


# --- drawing them ----------------------------------------------------------------------------------------


def _print(file: PdfFile, page: Page) -> None:
    """A page of the file: its figures, each in its place, and its lines."""
    wide, high = page.paper
    file.newPage(wide, high)
    for row, tall, picture in page.pictures:
        figure = picture.draw()
        width, height = (float(v) for v in figure.get_size_inches())
        if picture.sheet:
            _draw(file, figure, 1.0, 0.0, 0.0)
            continue
        scale = min(WIDTH / width, (tall - 1) * PITCH / height)
        below = high - TOP - PITCH * (row + 0.6) - scale * height
        _draw(file, figure, scale, LEFT, below)
    text = Figure(figsize=page.paper)
    text.patch.set_visible(False)
    FigureCanvasAgg(text)
    for i, line in enumerate(page.lines):
        _line(text, TOP + PITCH * (i + 1), line, page.bold[i])
    _line(text, high - (0.05 if page.sheet else 0.4), page.foot)
    _draw(file, text, 1.0, 0.0, 0.0)


def _draw(file: PdfFile, figure: Figure, scale: float, left: float, below: float) -> None:
    """Draw a figure on the page at hand, its lower left corner so far [in] from that of the paper."""
    figure.set_dpi(_POINT)
    lay_out(figure)
    width, height = (float(v) for v in figure.get_size_inches())
    renderer = RendererPdf(file, _POINT, height, width)
    file.output(Op.gsave)
    file.output(scale, 0, 0, scale, left * _POINT, below * _POINT, Op.concat_matrix)
    figure.draw(renderer)
    renderer.finalize()
    file.output(Op.grestore)


def _line(figure: Figure, down: float, text: str, bold: int = 0) -> None:
    """A line of text, so far [in] below the upper edge of the paper; bold: how many characters of it are."""
    wide, high = (float(v) for v in figure.get_size_inches())
    inches = Affine2D().scale(1 / wide, 1 / high) + figure.transFigure
    font: dict[str, Any] = {
        "family": "DejaVu Sans Mono",
        "size": POINTS,
        "color": "#16191c",
        "va": "baseline",
        "transform": inches,
    }
    for part, weight in ((text[:bold], "bold"), (" " * bold + text[bold:], "normal")):
        if part.strip():
            figure.text(LEFT, high - down, part, weight=weight, parse_math=False, **font)
