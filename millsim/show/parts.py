"""What is told of a result, as data: paragraphs with a label, and tables. Text, HTML and PDF are made from these."""

from collections.abc import Sequence
from dataclasses import dataclass

from ..base.quantities import written

BELOW, PAPER, DETAIL = "b", "p", "d"  # kinds of columns that plain text has below the rows
_LONG = BELOW + PAPER + DETAIL


@dataclass(frozen=True)
class Paragraph:
    """A text that reads on after its label and a colon: "How fine: half of ..."; the label may be empty."""

    text: str
    label: str = ""

    @property
    def line(self) -> str:
        """Label and text in one."""
        return f"{self.label}: {self.text}" if self.label and self.text else self.text


@dataclass(frozen=True)
class Table:
    """A table; every cell is a string.

    kinds: one letter per column: "l" and "t" words, "t" where they may be broken, "r" numbers, "v" a verdict, "n" a
    name in words with its identifier after a line break (plain text shows the identifier). Of the rest plain
    text stands below the rows: "b" and "p" long texts, of which a terminal leaves "p" out, "d" figures with a remark.
    Their second part, after a line break, is set smaller.
    groups: row index and the heading above that row.
    """

    caption: str
    header: tuple[str, ...]
    kinds: str
    rows: tuple[tuple[str, ...], ...]
    foot: str = ""
    groups: tuple[tuple[int, str], ...] = ()


def table(
    caption: str, header: tuple[str, ...], kinds: str, rows: list, foot: str = "", groups: Sequence = ()
) -> Table:  # fmt: skip
    """A table without the columns that are empty throughout."""
    keep = [i for i in range(len(header)) if i == 0 or any(row[i] for row in rows)]
    kept = tuple(tuple(row[i] for i in keep) for row in rows)
    return Table(
        caption, tuple(header[i] for i in keep), "".join(kinds[i] for i in keep), kept, foot, tuple(groups)
    )  # fmt: skip


@dataclass(frozen=True)
class Lines:
    """A table as lines of plain text: header, a block of lines for every row, and what stands below."""

    head: list[str]
    rows: list[list[str]]
    foot: list[str]

    @property
    def all(self) -> list[str]:
        """Every line in order."""
        return [*self.head, *(line for row in self.rows for line in row), *self.foot]


def terminal_lines(t: Table) -> Lines:
    """A table without its caption for a terminal: long texts below the table, by the name of their row, or not."""
    told = [
        f"  {row[0]}: {written.uncapital(row[i])}"
        for row in t.rows
        for i, k in enumerate(t.kinds)
        if k == BELOW and row[i]
    ]
    foot = [f"  {t.foot}"] if t.foot else []
    return Lines(*_aligned(t), [line for text in (*foot, *told) for line in written.wrap(text)])


def paper_lines(t: Table) -> Lines:
    """A table without its caption for paper: the long texts of a row below it."""
    head, rows = _aligned(t)
    for row, lines in zip(t.rows, rows, strict=True):
        told = [row[i].replace("\n", ", ") if k == DETAIL else row[i] for i, k in enumerate(t.kinds) if k in _LONG]
        told = [part for text in told for part in text.split("\n") if part]
        if t.kinds[0] == "n":
            told = [": ".join([row[0].partition("\n")[0], *told])]
        lines += [line for text in told for line in written.wrap(text, "      ")]
    return Lines(head, rows, written.wrap(t.foot, "  ") if t.foot else [])


def _aligned(t: Table) -> tuple[list[str], list[list[str]]]:
    """The header, and a line for every row, with the heading of a group before the rows it is for."""
    beside = [i for i, k in enumerate(t.kinds) if k not in _LONG]
    cells = [[row[i].rpartition("\n")[2] if t.kinds[i] == "n" else row[i] for i in beside] for row in t.rows]
    lines = written.table([t.header[i] for i in beside], cells, kinds="".join(t.kinds[i] for i in beside))
    groups = dict(t.groups)
    indent = "  " if groups else ""
    rows = [[*([f"  {groups[i]}"] if i in groups else []), indent + line] for i, line in enumerate(lines[2:])]
    return [indent + line for line in lines[:2]] if any(t.header) else [], rows
