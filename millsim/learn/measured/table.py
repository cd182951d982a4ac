"""Reads the CSV tables of bench tests: columns known by name, each with its unit in the header.

    # comments start with a hash
    hammer_mass_g,height_mm,piece_mass_mg,broken
    100,80,41,yes

Units stand at the end of a column's name, after an underscore or a space or in brackets. Comma, semicolon or tab;
decimal point or comma; any order of columns; byte-order mark. Nothing is guessed: every doubt and every error is a
`Problem`, all of them in one pass. Imports no numpy.
"""

import functools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

from ...base.quantities import units
from ...base.reading.cells import (
    cells_of,
    content_lines,
    decimal_doubt,
    find_header,
    is_number,
    number,
    plain,
    read_csv_text,
)
from ...base.reading.values import did_you_mean, meant, show, slip
from ...errors import InputError, Problem

YES = {"yes", "y", "true", "1", "x", "broken", "broke", "ja", "j"}
NO = {"no", "n", "false", "0", "-", "whole", "intact", "survived", "unbroken", "nein"}
_FILLERS = {"of", "the", "no", "nr", "number", "in", "at", "per", "and", "from"}
_UNREAD = {"note", "notes", "remark", "remarks", "comment", "comments", "date", "operator", "test", "row"}
_SPLITS = re.compile(r"_|\s+/\s+|\s+|\s*/\s*")
_BRACKETS = re.compile(r"(.*)[(\[]([^()\[\]]*)[)\]]")
_NUMBER_UNIT = re.compile(r"([+-]?[\d.,]+(?:[eE][+-]?\d+)?)\s*([^\d\s.,+-].*)")
_MOST_SPLITS = 6  # places where the unit of a column may begin: the last ones


@dataclass(frozen=True)
class TableColumn:
    """One column that a table may have.

    names: words a header may call it by, in any order; kind: "number" (si, low and high tell its dimension and
    bounds in SI), "count" (whole number from low to high), "mark" (yes or no; a count where the column
    `count_with` is there too) or "text".
    """

    name: str
    names: tuple[str, ...]
    example: str
    kind: str = "number"
    si: str = "-"
    low: float = 0.0
    high: float = float("inf")
    need: bool = False
    count_with: str = ""


@dataclass(frozen=True)
class TableRow:
    """One line of a table; `row["height"]` is a value in SI, or None where the cell is empty or the column missing."""

    line: int
    values: dict[str, object]

    def __getitem__(self, name: str):
        return self.values.get(name)


@dataclass(frozen=True)
class BenchTable:
    """What a CSV file said: rows, the headers found by column, and the headers of columns that were not read."""

    where: str
    rows: tuple[TableRow, ...]
    headers: dict[str, str]
    ignored: tuple[str, ...]

    def __contains__(self, name: str) -> bool:
        return name in self.headers


@dataclass(frozen=True)
class _Place:
    """A column found in the header: its place, its words as written, and its unit (None for counts and marks)."""

    index: int
    header: str
    column: TableColumn
    unit: units.Unit | None


def read_table(
    path: "str | Path", columns: Sequence[TableColumn], example: str, decimal: str = ""
) -> tuple[BenchTable, list]:
    """BenchTable of a CSV file and the problems found; InputError at once where there is no table to speak of.

    example: how a header and one row look; decimal: "point" or "comma" where the user has said which.
    """
    path = Path(path)
    return parse_table(read_csv_text(path, f"for example: {example}"), str(path), columns, example, decimal)


def parse_table(
    text: str, where: str, columns: Sequence[TableColumn], example: str, decimal: str = ""
) -> tuple[BenchTable, list[Problem]]:
    """As `read_table`, from text; `where` is what messages call it."""
    lines = content_lines(text, where)
    hint = f"for example: {example}"
    if not lines:
        raise InputError(Problem(where, "", "is empty", hint=hint))
    head = find_header(lines, lambda cells: any(_match(c, columns) for c in cells))
    if head is None:
        raise InputError(Problem(where, f"line {lines[0][0]}", "the first line must name the columns", hint=hint))
    at, separator, cells = head
    problems: list[Problem] = []
    places, ignored = _header(cells, columns, where, f"line {lines[at][0]}", problems)
    body = [(line, cells_of(row, separator)) for line, row in lines[at + 1 :]]
    if not decimal:
        _doubt_decimal(body, places, where, problems)
    rows = _rows(body, cells, places, where, problems, decimal)
    if not body:
        problems.append(Problem(where, "", "has no row below the header", hint=hint))
    return BenchTable(where, tuple(rows), {p.column.name: p.header for p in places}, ignored), problems


# --- the header --------------------------------------------------------------------------------------------


@functools.lru_cache(maxsize=1000)  # the names of columns are asked for again with every cell of a header
def _words(text: str) -> frozenset[str]:
    """The words of a name that matter."""
    found = re.findall(r"[a-z]+", plain(text))
    return frozenset(found) - _FILLERS or frozenset(found)


def _named(text: str, columns: Sequence[TableColumn]) -> TableColumn | None:
    """The column that goes by this name."""
    said = _words(text)
    return next((c for c in columns if any(said == _words(n) for n in (c.name, *c.names))), None)


def _splits(cell: str) -> list[tuple[str, str]]:
    """The ways a header cell may part into name and unit, the longest unit first."""
    cell = cell.strip()
    if match := _BRACKETS.fullmatch(cell):
        return [(match[1].rstrip(" \t_"), match[2].strip())]
    places = list(_SPLITS.finditer(cell))[-_MOST_SPLITS:]
    ways = [(cell[: m.start()], cell[m.end() :].strip()) for m in places if m.start() and m.end()]
    return [(name, unit) for name, unit in ways if unit]


def _unit(text: str, si: str) -> units.Unit | None:
    """The unit of that dimension, whatever the case of its letters; also those that a config would not take."""
    same = [u for u in map(units.find_unit, (text, *_cases(text, si))) if u and u.si == si]
    known = units.find_foreign(text)
    return same[0] if same else known if known and known.si == si else None


def _cases(text: str, si: str) -> list[str]:
    """Spellings of the dimension that differ from a text in the case of letters only."""
    return [s for s in units.spellings(si) if plain(s) == plain(text)]


def _match(cell: str, columns: Sequence[TableColumn]) -> TableColumn | None:
    """The column that a header cell means, with or without its unit; only numbers have one after an underscore."""
    found = [c for name, _ in _splits(cell) if (c := _named(name, columns))]
    ways = [c for c in found if c.si != "-" or _BRACKETS.fullmatch(cell.strip())]
    return _named(cell, columns) or (ways[-1] if ways else None)


def _header(
    cells: list[str], columns: Sequence[TableColumn], where: str, key: str, problems: list[Problem]
) -> tuple[list[_Place], tuple[str, ...]]:
    """Where each column stands; what is missing, doubled or without a known unit becomes a problem."""
    places: list[_Place] = []
    ignored: list[str] = []
    for i, cell in enumerate(cells):
        found = _place(i, cell.strip(), columns, where, key, problems)
        if found is None:
            _not_read(cell.strip(), columns, where, key, problems, ignored)
        elif twice := next((p for p in places if p.column.name == found.column.name), None):
            message = f"columns {show(twice.header)} and {show(found.header)} say the same"
            problems.append(Problem(where, key, message, hint="delete one, or rename it note"))
        else:
            places.append(found)
    present = {p.column.name for p in places}
    for c in columns:
        if c.need and c.name not in present:
            hint = f"add one named for example {c.example}"
            problems.append(Problem(where, key, f"there is no column {c.name.replace('_', ' ')}", hint=hint))
    return places, tuple(ignored)


def _place(
    i: int, cell: str, columns: Sequence[TableColumn], where: str, key: str, problems: list[Problem]
) -> _Place | None:
    """The column of one header cell; a unit that is missing or unknown is told and leaves it without one."""
    ways = [(c, unit) for name, unit in _splits(cell) if (c := _named(name, columns)) and c.si != "-"]
    for c, text in ways:
        if unit := _unit(text, c.si):
            return _Place(i, cell, c, unit)
    column = _match(cell, columns)
    if column is None or column.si == "-":
        return _Place(i, cell, column, units.UNITS["-"]) if column else None
    allowed = ", ".join(units.spellings(column.si))
    text = ways[-1][1] if ways and not _named(cell, columns) else ""
    other = units.find_unit(text) or units.find_foreign(text) if text else None
    what = f"measures {units.DIMENSION[other.si]}, not {units.DIMENSION[column.si]}" if other else ""
    message = f"its unit {show(text)} {what or 'is not known'}" if text else "it has no unit"
    hint = f"which unit is it in? Name it for example {column.example}"
    problems.append(Problem(where, key, f"column {show(cell)}: {message}", allowed, hint))
    return _Place(i, cell, column, None)


def _not_read(
    cell: str, columns: Sequence[TableColumn], where: str, key: str, problems: list[Problem], ignored: list[str]
):
    """A column that is none of ours: a likely slip is a question, else it is left aside by name."""
    if not cell or plain(cell) in _UNREAD:
        return
    names = {n.replace(" ", "_"): c for c in columns for n in (c.name, *c.names)}
    bare = [cell, *(name for name, _ in _splits(cell))]
    for text in bare:
        word = text.replace(" ", "_")
        if likeliest := meant(word, names):
            example = names[likeliest].example
            hint = f"{did_you_mean(word, names)} Name it for example {example}, or note to leave it unread"
            problems.append(Problem(where, key, f"column {show(cell)} is not known", hint=hint))
            return
    ignored.append(cell)


# --- the rows ----------------------------------------------------------------------------------------------


def _doubt_decimal(body, places: list[_Place], where: str, problems: list[Problem]) -> None:
    """Ask where the numbers of a column leave open what their dots and commas mean."""
    for p in places:
        cells = [c[p.index] for _, c in body if p.index < len(c)]
        if p.column.kind != "text" and (doubt := decimal_doubt(cells)):
            message = f"column {show(p.header)}: is the mark in {doubt} a decimal mark, or does it part thousands?"
            problems.append(Problem(where, "", message, hint="say --decimal point or --decimal comma"))
            return


def _rows(
    body, header: list[str], places: list[_Place], where: str, problems: list[Problem], decimal: str
) -> list[TableRow]:
    """Rows with their values in SI; cells that cannot be read become problems."""
    rows = []
    for line, cells in body:
        if len(cells) > len(header) and any(c.strip() for c in cells[len(header) :]):
            message = f"{len(cells)} values under {len(header)} columns"
            hint = "with decimal commas, separate the columns by semicolons"
            problems.append(Problem(where, f"line {line}", message, hint=hint))
            continue
        values = {}
        for p in places:
            cell = cells[p.index].strip() if p.index < len(cells) else ""
            counted = p.column.count_with and any(o.column.name == p.column.count_with for o in places)
            try:
                values[p.column.name] = _value(cell, p, decimal, bool(counted))
            except _Wrong as wrong:
                problems.append(Problem(where, f"line {line}", f"{p.header}: {wrong}", wrong.allowed, wrong.hint))
        rows.append(TableRow(line, values))
    return rows


class _Wrong(ValueError):
    """A cell that cannot be taken, with what is allowed and the likely slip."""

    def __init__(self, message: str, allowed: str = "", hint: str = ""):
        super().__init__(message)
        self.allowed, self.hint = allowed, hint


def _value(cell: str, place: _Place, decimal: str, counted: bool) -> object:
    """The value of a cell in SI; None if it is empty and may be; _Wrong if it cannot be taken."""
    c = place.column
    if not cell:
        if c.need:
            raise _Wrong("there is no value")
        return None
    if c.kind == "text":
        return cell
    if c.kind == "mark" and not counted:
        return _mark(cell)
    if c.kind in ("mark", "count"):
        return _count(cell, c, decimal)
    return _number(cell, place, decimal)


def _mark(cell: str) -> bool:
    word = cell.lower()
    if word in YES or word in NO:
        return word in YES
    hint = "if several pieces were tested at once, add a column tested" if is_number(cell) else ""
    raise _Wrong(f"{show(cell)} is neither yes nor no", "yes, no, 1, 0, broken, whole", hint)


def _count(cell: str, c: TableColumn, decimal: str) -> int:
    allowed = f"a whole number, {c.low:g} " + ("or more" if c.high == float("inf") else f"to {c.high:g}")
    try:
        value = number(cell, decimal)
    except ValueError:
        raise _Wrong(f"{show(cell)} is not a number", allowed) from None
    if value != int(value) or not c.low <= value <= c.high:
        raise _Wrong(f"{cell} is out of range", allowed)
    return int(value)


def _number(cell: str, place: _Place, decimal: str) -> float | None:
    """SI value of a number, with the header's unit or one of its own."""
    c, unit = place.column, place.unit
    match = None if is_number(cell) else _NUMBER_UNIT.fullmatch(cell)
    if match:
        cell, own = match[1], _unit(match[2], c.si)
        if own is None:
            raise _Wrong(f"{show(match[0])} is not a number", hint=f"units: {', '.join(units.spellings(c.si))}")
        unit = own
    try:
        value = number(cell, decimal)
    except ValueError:
        raise _Wrong(f"{show(cell)} is not a number") from None
    if unit is None:  # told already
        return None
    exact = Decimal(repr(value))
    value = units.to_si(exact, unit)
    if not c.low <= value <= c.high:
        shown = unit.text if unit.text in units.UNITS else units.spellings(c.si)[0]
        allowed = f"{units.readable(c.low, shown)} to {units.readable(c.high, shown)}"
        hint = slip(exact, unit, c.low, c.high) if shown == unit.text else ""
        if not hint and re.fullmatch(r"\d{1,3},\d{3}", cell):
            hint = "does its comma part thousands? Then say --decimal point"
        raise _Wrong(f"{cell} {unit.text} is out of range", allowed, hint)
    return value
