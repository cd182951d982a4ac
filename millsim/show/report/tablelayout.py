"""Tables on paper: how wide each column is, where its texts break, and which rows a page holds."""

from dataclasses import dataclass

from .blocks import Table
from .pages import Page, Pen, broken, width

INK, QUIET, LINE, SHADE = "#16191c", "#4d565d", "#9aa3aa", "#eef2f4"
_VERDICT = {"✗": "#9b2f00", "!": "#6b4a00", "✓": "#00583f"}
BODY, HEAD, UNDER = Pen(9.0, color=INK), Pen(9.0, bold=True, color=INK), Pen(9.0, color=QUIET)
CAPTION = Pen(10.0, bold=True, color=INK)
GAP = 0.16  # between columns
_PAD = 0.033  # above and below the text of a row
_LEAST, _NAMES = 1.1, 2.2  # of a column of text; of a first column of names beside a column of text
_HEADING = 0.72  # a heading up to this width is not broken

Row = tuple[list[list[tuple[str, Pen]]], float]  # lines of every cell, height


@dataclass(frozen=True)
class Laid:
    """A table with its columns measured: widths, header, rows and headings above rows."""

    table: Table
    widths: tuple[float, ...]
    head: Row
    rows: tuple[Row, ...]

    @property
    def width(self) -> float:
        """Width of the whole table."""
        return sum(self.widths) + GAP * (len(self.widths) - 1)

    @property
    def height(self) -> float:
        """Height with caption, header and foot, on one page."""
        groups = len(self.table.groups) * _group_height()
        return self.top() + sum(h for _, h in self.rows) + groups + self.foot_height(self.width)

    def top(self) -> float:
        """Height of caption and header."""
        return CAPTION.line * len(self.caption_lines()) + 0.05 + (self.head[1] if any(self.table.header) else 0.0)

    def caption_lines(self, more: str = "") -> list[str]:
        """The caption, broken where it is wider than the table may be."""
        return broken(self.table.caption + more, CAPTION, max(self.width, 6.0))

    def foot_lines(self, most: float) -> list[str]:
        """The note below the table."""
        return broken(self.table.foot, UNDER, max(most, 5.0)) if self.table.foot else []

    def foot_height(self, most: float) -> float:
        """Height of the note below the table."""
        return len(self.foot_lines(most)) * UNDER.line + 0.06


def lay(table: Table, most: float) -> Laid:
    """Measure a table so that it is no wider than `most` [in]."""
    widths = _widths(table, most)
    head = _row(table.header, table.kinds, widths, HEAD)
    return Laid(table, widths, head, tuple(_row(row, table.kinds, widths, BODY) for row in table.rows))


def _widths(table: Table, most: float) -> tuple[float, ...]:
    """Width of every column: short words and numbers on one line, texts share what is left."""
    natural = []
    for i, kind in enumerate(table.kinds):
        cells = [part for row in table.rows for part in row[i].split("\n")]
        pens = (HEAD,) if kind == "v" else (BODY,)
        widest = max((width(c, pen) for c in cells for pen in pens), default=0.0)
        words = max((width(w, HEAD) for w in table.header[i].split(" ")), default=0.0)
        natural.append(max(widest, words, min(_HEADING, width(table.header[i], HEAD))) + 0.02)
    spare = most - GAP * (len(natural) - 1) - sum(w for w, k in zip(natural, table.kinds, strict=True) if k != "t")
    texts = [i for i, k in enumerate(table.kinds) if k == "t"]
    if sum(natural[i] for i in texts) <= spare:
        return tuple(natural)
    if texts[0] == 0 and len(texts) > 1:
        natural[0] = min(natural[0], _NAMES)
    shares = {i: min(natural[i], spare / len(texts)) for i in texts}  # a short text keeps its width, long ones share
    left = spare - sum(shares.values())
    wanting = sum(natural[i] - shares[i] for i in texts)
    for i in texts:
        shares[i] = max(_LEAST, shares[i] + (left * (natural[i] - shares[i]) / wanting if wanting > 0 else 0.0))
    return tuple(shares.get(i, w) for i, w in enumerate(natural))


def _row(cells: tuple[str, ...], kinds: str, widths: tuple[float, ...], pen: Pen) -> Row:
    """Lines of every cell with their pens, and the height of the row."""
    found = []
    for text, kind, most in zip(cells, kinds, widths, strict=True):
        first, _, second = text.partition("\n")
        own = Pen(9.0, bold=True, color=_VERDICT.get(text[:1], INK)) if kind == "v" and pen is BODY else pen
        lines = [(line, own) for line in broken(first, own, most)]
        found.append(lines + ([(line, UNDER) for line in broken(second, UNDER, most)] if second else []))
    return found, max(len(lines) for lines in found) * pen.line + 2 * _PAD


def _group_height() -> float:
    return HEAD.line + 2 * _PAD + 0.02


def draw(laid: Laid, page: Page, x: float, y: float, start: int, bottom: float) -> tuple[int, float]:
    """Draw rows from `start` on as far as `bottom` allows; the next row to draw and the height reached.

    A heading is not left alone at the end of a page; the foot follows the last row.
    """
    for line in laid.caption_lines(" (continued)" if start else ""):
        page.texts.append((x, y, CAPTION, line, "left"))
        y += CAPTION.line
    y += 0.05
    if any(laid.table.header):
        y = _draw_row(page, laid, laid.head, x, y, at_bottom=True)
        page.rules.append((x, y, laid.width, 1.2, INK))
    groups, i = dict(laid.table.groups), start
    while i < len(laid.rows):
        need = laid.rows[i][1] + (_group_height() if i in groups else 0.0)
        if y + need > bottom and i > start:
            return i, y
        if i in groups:
            y = _draw_group(page, laid, groups[i], x, y)
        y = _draw_row(page, laid, laid.rows[i], x, y)
        page.rules.append((x, y, laid.width, 0.5, LINE))
        i += 1
    y += 0.06
    for line in laid.foot_lines(laid.width):
        page.texts.append((x, y, UNDER, line, "left"))
        y += UNDER.line
    return i, y


def _draw_group(page: Page, laid: Laid, text: str, x: float, y: float) -> float:
    page.boxes.append((x, y, laid.width, _group_height(), SHADE, "none"))
    page.texts.append((x + 0.06, y + _PAD, HEAD, text, "left"))
    return y + _group_height()


def _draw_row(page: Page, laid: Laid, row: Row, x: float, y: float, at_bottom: bool = False) -> float:
    """One row; a header stands at its bottom."""
    cells, height = row
    for lines, kind, wide in zip(cells, laid.table.kinds, laid.widths, strict=True):
        top = y + _PAD + (height - 2 * _PAD - len(lines) * BODY.line if at_bottom else 0.0)
        for k, (line, pen) in enumerate(lines):
            at, align = (x + wide, "right") if kind == "r" else (x, "left")
            page.texts.append((at, top + k * BODY.line, pen, line, align))
        x += wide + GAP
    return y + height
