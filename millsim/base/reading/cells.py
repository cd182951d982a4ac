"""Reads what spreadsheets export: bytes to lines and cells, numbers with a decimal point or a decimal comma.

Owns the low end of every CSV reader (sieve sheets, bench tests). Imports no numpy.
"""

import csv
import math
import re
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from ...errors import InputError, Problem
from ..quantities import units
from ..quantities.spreadsheet import as_written
from .bounded import MOST_ABOVE, bytes_of, check_lines

_SIEVE_NUMBER = re.compile(r"""#\s?\d+( 1/2)?"?\s*[,;\t]\s*"?[\d.,]+""")


def read_csv_text(path: Path, example: str = "") -> str:
    """Text of a CSV file; InputError in one sentence when it cannot be read or is no text."""
    try:
        return decode(bytes_of(path, "sheet or table of a test"))
    except FileNotFoundError as error:
        raise InputError(Problem(str(path), "", f"cannot be read: {error.strerror}")) from None
    except UnicodeDecodeError:
        raise InputError(Problem(str(path), "", "is not a text file", hint=example)) from None


def decode(data: bytes) -> str:
    """Text of a spreadsheet export: UTF-8 or UTF-16, with or without mark, else Windows Latin-1."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16")
    if b"\0" in data and not len(data) % 2:  # UTF-16 without mark: plain letters have one byte zero
        for half, name in ((data[1::2], "utf-16-le"), (data[::2], "utf-16-be")):
            if half.count(0) > 0.9 * len(half):
                return data.decode(name)
    if b"\0" in data:
        raise UnicodeDecodeError("utf-8", data, 0, 1, "binary")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252")


def content_lines(text: str, where: str) -> list[tuple[int, str]]:
    """(line number from 1, text) of the lines that say something: no blank ones, no comments after #.

    A sieve number before its value, as in `#35,5.4`, is not taken for a comment. Raises InputError, which calls the
    file `where`, when that is more than any test has.
    """
    lines = [(n, s) for n, s in enumerate(text.splitlines(), 1) if s.strip(' \t,;"')]
    said = [(n, s) for n, s in lines if not s.lstrip(' "').startswith("#") or _SIEVE_NUMBER.match(s.lstrip(' "'))]
    check_lines(said, where)
    return said


def separator_of(header: str) -> str:
    """Tab, semicolon or comma, whichever the header line holds first in this order."""
    return next((c for c in "\t;," if c in header), ",")


def cells_of(line: str, separator: str) -> list[str]:
    """The cells of one line."""
    try:
        return list(map(as_written, next(csv.reader([line], delimiter=separator))))
    except csv.Error:  # a cell beyond all measure
        return line.split(separator)


@dataclass(frozen=True)
class Answers:
    """What the user answered to the questions a sheet can raise; None where nothing was asked."""

    aperture: str | None = None  # mm, um, in, m or mesh, for all cells without a unit of their own
    reading: str | None = None  # retained (of laser diffraction: by class), oversize or passing
    unit: str | None = None  # g, mg, kg, percent, or share (of 1)
    charge: float | str | None = None  # g, or "50 g"
    additive: float | str | None = None  # likewise: anti-static or flow aid, part of the charge
    pan: float | str | None = None  # likewise, or what became of a pan that was not weighed: "lost" or "passed"
    sort: bool = False  # put passing shares into rising order
    decimal: str | None = None  # point or comma
    method: str | None = None  # sieves or laser: how the sizes were measured
    limit: str | None = None  # lower, upper or middle: what one column of sizes of laser diffraction holds


@dataclass(frozen=True)
class Answering:
    """How a question can be answered: words before the answers, and how one is written ("": not to be had)."""

    lead: str
    spell: Callable[[str, str], str]  # of (name, value)


BY_FLAGS = Answering("answer with", lambda name, value: f"--{name} {value}".strip())
IN_THE_FILE = Answering("", lambda name, value: "")  # only by mending it


@dataclass
class Findings:
    """What is wrong with or open about one file, noted while it is read."""

    where: str
    by: Answering = BY_FLAGS
    problems: list[Problem] = field(default_factory=list)

    def say(self, message: str, line: int = 0, allowed: str = "", hint: str = "") -> None:
        """Note a problem, of a line where one is given."""
        self.problems.append(Problem(self.where, f"line {line}" if line else "", message, allowed, hint))

    def ask(
        self,
        question: str,
        line: int,
        mend: str,
        answers: Sequence[tuple[str, str]],
        tail: str = "",
        link: str = ", or",
    ) -> None:
        """Note a question: how to mend the file, and (name, value) of answers that settle it, where there are such."""
        ways = [way for name, value in answers if (way := self.by.spell(name, value))]
        said = " or ".join(filter(None, [", ".join(ways[:-1]), *ways[-1:]]))
        self.say(question, line, hint=f"{mend}{link} {self.by.lead} {said}{tail}" if ways else mend)

    def stop(self) -> None:
        """Raise what was noted, if anything was."""
        if self.problems:
            raise InputError(self.problems)


def find_header(
    lines: Sequence[tuple[int, str]], is_header: Callable[[list[str]], bool]
) -> tuple[int, str, list[str]] | None:
    """The line that names the columns, above the first line of values: its index, separator and cells; or None.

    A line with a cell that is a value, with or without its unit, names no columns. Lines above the names (a title,
    "sep=;") are passed over; a line of bare units below the names is joined to them.
    """
    found = None
    for i, (_, text) in enumerate(lines[:MOST_ABOVE]):
        separator = separator_of(text)
        cells = cells_of(text, separator)
        if any(map(is_value, cells)):
            if is_value(cells[0]) and any(map(is_value, cells[1:])):
                break
        elif found is not None and _units_below(found, i, separator, cells):
            found = (i, separator, [f"{a} {b}" for a, b in zip(found[2], cells, strict=True)])
        elif is_header(cells):
            found = (i, separator, cells)
    return found


def _units_below(found: tuple[int, str, list[str]], i: int, separator: str, cells: list[str]) -> bool:
    """Whether a line stands right under the names and holds nothing but units."""
    said = [c for c in cells if c.strip()]
    under = found[0] == i - 1 and found[1] == separator and len(found[2]) == len(cells)
    return under and bool(said) and all(map(_is_unit, said))


def _is_unit(cell: str) -> bool:
    """Whether a cell is a unit, perhaps in brackets or after "in"."""
    text = re.sub(r"^in\s+(?=\S)", "", cell.strip()).strip("()[] ")
    known = plain(text) in ("%", "percent", "per cent", "pct", "mesh", "micron", "microns", "inch", "inches", '"')
    return known or any(units.find_unit(t) or units.find_foreign(t) for t in (text, plain(text)))


def is_value(cell: str) -> bool:
    """Whether a cell starts with a number or a mesh number: "2.0", "2.0 mm", "#35", "< 0.09", "mesh 35"."""
    return bool(_VALUE.match(plain(cell)))


def is_number(cell: str) -> bool:
    """Whether a cell holds a number and nothing else."""
    return bool(_NUMBER.fullmatch(_digits(cell)))


def parted_by_commas(rows: Sequence[list[str]]) -> bool:
    """Whether decimal commas have parted the numbers of a table: four and more cells a row, digits only."""
    full = [[c.strip() for c in row if c.strip()] for row in rows]
    return len(full) > 1 and all(len(row) > 3 and all(c.isdecimal() for c in row) for row in full)


def plain(text: str) -> str:
    """Lower case, with both micro signs as u."""
    return text.lower().replace("\u00b5", "u").replace("\u03bc", "u")


def words(text: str) -> list[str]:
    """Lower-case words and per cent signs of a header cell, their letters without accents."""
    if _NO_WORDS.fullmatch(text):  # nearly every cell of a long sheet
        return []
    folded = unicodedata.normalize("NFKD", plain(text).replace("ß", "ss").replace("ł", "l"))
    return re.findall(r"[a-z]+|%", "".join(c for c in folded if not unicodedata.combining(c)))


_NO_WORDS = re.compile(r"[\d\s.,;:/+-]*", re.ASCII)
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
_VALUE = re.compile(r"""[<>\s"]*(?:(?:mesh|no\b|sieve)[\s.]*)?(?:\#\s*)?[+-]?[.,]?\d(?!\d*(?:st|nd|rd|th)\b)""")
_GAP = re.compile(r"(?<=\d)[ \u00a0\u2009\u202f](?=\d{3}(?!\d))")  # the space in 1 000
_GROUPED = re.compile(r"[+-]?[1-9]\d{0,2}([.,])\d{3}(\1\d{3})*")  # 1,000: one, or a thousand
MARKS = {"point": ".", "comma": ","}


def number(cell: str, decimal: str = "") -> float:
    """A number with a decimal point or a decimal comma; ValueError for anything else.

    decimal: "point" or "comma" where that is known; the other mark then parts thousands.
    """
    text = _digits(cell)
    if decimal:
        other = MARKS["comma" if decimal == "point" else "point"]
        whole, _, rest = text.partition(MARKS[decimal])
        if other in text:
            if not _GROUPED.fullmatch(whole) or other in rest:
                raise ValueError(cell)
            text = text.replace(other, "")
    if not _NUMBER.fullmatch(text):
        raise ValueError(cell)
    value = float(text.replace(",", "."))
    if not math.isfinite(value):  # 1e999
        raise ValueError(cell)
    return value


def _digits(cell: str) -> str:
    """A cell without what may stand around and between the digits."""
    return _GAP.sub("", cell.strip()).replace("\u00a0", "").rstrip("%").strip()


def step(cell: str, decimal: str = "") -> float:
    """The unit of the last digit written: 0.01 for "2.10", 1 for "12"; the cell must be a number."""
    text = _digits(cell)
    mantissa, _, power = text.lower().partition("e")
    if decimal:
        mantissa = mantissa.replace(MARKS["comma" if decimal == "point" else "point"], "")
    places = len(re.split("[.,]", mantissa)[1]) if re.search("[.,]", mantissa) else 0
    return float(f"1e{int(power or 0) - places}")


def rounded(value: float, count: int = 3) -> str:
    """A number to so many digits, never with an exponent: "5190", where .3g has 5.19e+03."""
    return f"{float(f'{value:.{count}g}'):.12g}"


def two_marks(cells: Iterable[str]) -> str:
    """A cell that may be thousands, "1.234", in a sheet whose other numbers have the other mark before decimals."""
    marked = [t for t in map(_digits, cells) if re.fullmatch(r"[+-]?\d+[.,]\d+", t)]
    sure = {c for t in marked if not _GROUPED.fullmatch(t) for c in t if c in ".,"}
    return next((t for t in marked if _GROUPED.fullmatch(t) and sure and not sure & set(t)), "")


def decimal_doubt(cells: Iterable[str]) -> str:
    """The cell that leaves open what a column's dots and commas mean; nothing if it is clear.

    Open are two marks in one column, and three digits after every mark beside numbers without one ("1,000").
    """
    found = [t for t in map(_digits, cells) if re.fullmatch(r"[+-]?[\d.,]+", t) and re.search(r"\d", t)]
    marked = [t for t in found if re.search("[.,]", t)]
    if len({c for t in marked for c in t if c in ".,"}) > 1:
        return next((t for t in marked if "," in t), "")
    if marked and len(marked) < len(found) and all(_GROUPED.fullmatch(t) for t in marked):
        return marked[0]
    return ""
