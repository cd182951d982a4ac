"""A report as a PDF on A4 landscape: words with their label beside them, tables, one figure a page, page numbers."""

from functools import singledispatchmethod

from ...base.quantities.written import capital
from ...record.prediction import Prediction
from . import tablelayout
from .blocks import NATURE, Block, Facts, Items, Listing, Notice, Paragraph, Picture, Report, Section, Table
from .content import report
from .pages import A4_LANDSCAPE, Page, Pen, broken, to_bytes, width
from .tablelayout import INK, LINE, QUIET, Laid

LEFT, TOP, RIGHT, BOTTOM = 0.6, 0.45, 11.09, 7.68  # edges of what is printed
_LABEL = 1.55  # width of the labels beside paragraphs
_MEASURE = 8.85  # longest line of running text
_FACTS = 6  # boxes beside each other on the first page
_ROOM = 2.0  # least height below a chapter's heading
ALARM, ALARM_PAPER = "#9b2f00", "#fff3ec"
_TITLE, _CHAPTER, _TEXT = Pen(20.0, bold=True, color=INK), Pen(14.0, bold=True, color=INK), Pen(9.5, color=INK)
_STRONG, _SMALL, _FIGURE = Pen(9.5, bold=True, color=INK), Pen(9.0, color=QUIET), Pen(13.0, bold=True, color=INK)
_MONO = Pen(9.0, mono=True, color=INK)


def to_pdf(prediction: Prediction) -> bytes:
    """The report of a prediction as the bytes of a PDF; the same prediction gives the same bytes."""
    return render_pdf(report(prediction))


def render_pdf(found: Report) -> bytes:
    """A report as the bytes of a PDF."""
    return to_bytes(pages_of(found), found.title)


def pages_of(found: Report) -> list[Page]:
    """The pages of a report, with all that stands on them."""
    flow = Flow()
    flow.title(found)
    for section in found.sections:
        flow.section(section)
    pages = flow.pages if flow.y > TOP else flow.pages[:-1]
    foot = f"millsim report: {found.mill}, {found.run}"
    for i, page in enumerate(pages):
        _foot(page, foot, f"{i + 1} / {len(pages)}")
    return pages


def _foot(page: Page, text: str, number: str) -> None:
    """What was run, and the number of the page; on a sheet of its own in the margin."""
    top = page.size[1] - 0.38 if not page.sheet else page.size[1] - 0.2
    page.texts.append((page.size[0] - LEFT, top, _SMALL, number, "right"))
    if not page.sheet:
        page.texts.append((LEFT, top, _SMALL, broken(text, _SMALL, 9.3)[0], "left"))


class Flow:
    """Pages filled from top to bottom; `y` is how far down the last one is filled."""

    def __init__(self) -> None:
        self.pages: list[Page] = []
        self.y = BOTTOM
        self.turn()

    @property
    def page(self) -> Page:
        """The page being filled."""
        return self.pages[-1]

    def turn(self) -> None:
        """Begin a new page."""
        self.pages.append(Page(A4_LANDSCAPE))
        self.y = TOP

    def need(self, height: float) -> None:
        """Begin a new page unless there is room of that height."""
        if self.y + height > BOTTOM and self.y > TOP:
            self.turn()

    def write(self, x: float, pen: Pen, text: str) -> None:
        """One line at the current height."""
        self.page.texts.append((x, self.y, pen, text, "left"))
        self.y += pen.line

    def title(self, found: Report) -> None:
        """Name of the mill and what this is."""
        for line in broken(found.mill, _TITLE, RIGHT - LEFT):
            self.write(LEFT, _TITLE, line)
        for line in broken(f"{NATURE} {capital(found.run)}.", _SMALL, RIGHT - LEFT):
            self.write(LEFT, _SMALL, line)
        self.y += 0.12

    def section(self, section: Section) -> None:
        """A chapter: on a new page where it begins with a picture or little room is left."""
        blocks = list(section.blocks)
        first = blocks[0] if blocks else None
        if isinstance(first, Picture) and first.sheet:
            self.add(first)
            blocks = blocks[1:]
            if not blocks:
                return
        if section.new_page or isinstance(first, Picture) or self.y > BOTTOM - _ROOM:
            self.need(BOTTOM)
        self.y += 0.0 if self.y == TOP else 0.12
        self.page.rules.append((LEFT, self.y, RIGHT - LEFT, 1.6, INK))
        self.y += 0.07
        self.write(LEFT, _CHAPTER, section.title)
        self.y += 0.08
        while blocks:
            if len(blocks) > 1 and isinstance(blocks[0], Table) and isinstance(blocks[1], Table):
                if self.pair(blocks[0], blocks[1]):
                    blocks = blocks[2:]
                    continue
            self.add(blocks.pop(0))

    def pair(self, one: Table, other: Table) -> bool:
        """Two small tables side by side; False where they do not fit."""
        a, b = (tablelayout.lay(t, RIGHT - LEFT) for t in (one, other))
        if a.width + b.width + 0.5 > RIGHT - LEFT or max(a.height, b.height) > BOTTOM - TOP - 0.6:
            return False
        self.need(max(a.height, b.height))
        places = ((a, LEFT), (b, LEFT + a.width + 0.5))
        self.y = max(tablelayout.draw(t, self.page, x, self.y, 0, BOTTOM)[1] for t, x in places) + 0.15
        return True

    @singledispatchmethod
    def add(self, block: Block) -> None:
        """Set a block at the current height."""
        raise TypeError(f"no page for {type(block).__name__}")

    @add.register
    def _(self, block: Paragraph) -> None:
        self._told(block.label, block.text)

    @add.register
    def _(self, block: Items) -> None:
        for item in block.items:
            self._told("", item, "– ")

    def _told(self, label: str, text: str, mark: str = "") -> None:
        """A text with its label beside it; the first lines stay together."""
        lines, labels = broken(text, _TEXT, _MEASURE), broken(label, _STRONG, _LABEL - 0.15) if label else []
        self.need(min(max(len(lines), len(labels)), 6) * _TEXT.line)
        top, page = self.y, self.page
        for k, line in enumerate(labels):
            page.texts.append((LEFT, top + k * _TEXT.line, _STRONG, line, "left"))
        x = LEFT + (_LABEL if label else 0.0)
        for k, line in enumerate(lines):
            self.need(_TEXT.line)
            if mark and k == 0:
                self.page.texts.append((x, self.y, _TEXT, mark, "left"))
            self.write(x + (width(mark, _TEXT) if mark else 0.0), _TEXT, line)
        if self.page is page:
            self.y = max(self.y, top + len(labels) * _TEXT.line)
        self.y += 0.06

    @add.register
    def _(self, block: Notice) -> None:
        pen = Pen(9.5, bold=True, color=ALARM)
        x = LEFT + 0.3 + width(block.label, pen) + 0.2
        lines = broken(block.text, _TEXT, RIGHT - x - 0.15)
        height = len(lines) * _TEXT.line + 0.14
        self.need(height)
        self.page.boxes.append((LEFT, self.y, RIGHT - LEFT, height, ALARM_PAPER, ALARM))
        self.page.boxes.append((LEFT, self.y, 0.12, height, ALARM, ALARM))
        bottom = self.y + height
        self.y += 0.06
        self.page.texts.append((LEFT + 0.3, self.y, pen, block.label, "left"))
        for line in lines:
            self.write(x, _TEXT, line)
        self.y = bottom + 0.09

    @add.register
    def _(self, block: Facts) -> None:
        wide, high = (RIGHT - LEFT) / max(_FACTS, len(block.facts)), 0.78
        self.need(high)
        for i, fact in enumerate(block.facts):
            x, top = LEFT + i * wide, self.y
            self.page.boxes.append((x, top, wide, high, "none", LINE))
            self.page.texts.append((x + 0.1, top + 0.08, _SMALL, fact.label, "left"))
            pen = _FIGURE if width(fact.value, _FIGURE) <= wide - 0.2 else _STRONG
            for k, line in enumerate(broken(fact.value, pen, wide - 0.2)):
                self.page.texts.append((x + 0.1, top + 0.27 + k * pen.line, pen, line, "left"))
            self.page.texts.append((x + 0.1, top + 0.54, _SMALL, fact.remark, "left"))
        self.y += high + 0.13

    @add.register
    def _(self, block: Table) -> None:
        laid, start = tablelayout.lay(block, RIGHT - LEFT), 0
        self._begin_table(laid)
        while True:
            start, self.y = tablelayout.draw(laid, self.page, LEFT, self.y, start, BOTTOM)
            if start >= len(laid.rows):
                break
            self.turn()
        self.y += 0.15

    def _begin_table(self, laid: Laid) -> None:
        """A table that fits a page is not parted; a longer one begins where some rows have room."""
        whole = laid.height
        self.need(whole if whole <= BOTTOM - TOP - 0.6 else laid.top() + 1.2)

    @add.register
    def _(self, block: Picture) -> None:
        figure = block.draw()
        size = tuple(float(v) for v in figure.get_size_inches())
        if block.sheet:
            if self.y > TOP:
                self.turn()
            self.page.size, self.page.sheet, self.page.picture = size, True, figure
            self.turn()
            return
        lines = broken(block.caption, _SMALL, RIGHT - LEFT)
        if self.page.picture is not None:
            self.turn()
        self.need(size[1] + len(lines) * _SMALL.line)
        self.page.picture, self.page.picture_at = figure, ((self.page.size[0] - size[0]) / 2, self.y)
        self.y += size[1] + 0.05
        for line in lines:
            self.write(LEFT, _SMALL, line)
        self.y += 0.12

    @add.register
    def _(self, block: Listing) -> None:
        lines = [part for text in block.text.rstrip("\n").split("\n") for part in broken(text, _MONO, RIGHT - LEFT)]
        self.need(10 * _MONO.line)
        self.write(LEFT, _STRONG, block.label)
        self.y += 0.05
        wide = max(width(line, _MONO) for line in lines) + 0.4
        columns = max(1, int((RIGHT - LEFT + 0.4) / wide))
        while lines:
            room = max(1, int((BOTTOM - self.y) / _MONO.line))
            high = min(room, -(-len(lines) // columns))
            top = self.y
            for k, line in enumerate(lines[: high * columns]):
                at = (LEFT + k // high * wide, top + k % high * _MONO.line)
                self.page.texts.append((*at, _MONO, line, "left"))
            lines, self.y = lines[high * columns :], top + high * _MONO.line
            if lines:
                self.turn()
        self.y += 0.15
