"""Tables as CSV for a spreadsheet: numbers are numbers, and no text is a formula.

A text that begins with = + - @, a tab or an end of line could run as a formula where the file is opened. It gets an
apostrophe in front (common practice, no source), which is taken off again where such a file is read. So does what
follows a ; or a tab within a text, or an end of line: a spreadsheet of another country splits there, quoted or not.
"""

import csv
import io
import math
import re
from collections.abc import Iterable, Sequence

from .written import harmless

_SIGNS = "=+-@\t\r\n＝＋－＠"  # noqa: RUF001  the wide ones count in East Asian spreadsheets
_SPLIT = ";\t\n"
_WITHIN = rf"(?=['\"\s]*[{re.escape(_SIGNS.strip())}])"
_FORMULA = re.compile(rf"['\s]*[{re.escape(_SIGNS)}]")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_PART = re.compile(rf"(?<=[{_SPLIT}]){_WITHIN}(?!\s*{_NUMBER.pattern}\s*(?:[{_SPLIT}]|\Z))")
_MARKED = re.compile(rf"(?<=[{_SPLIT}])'{_WITHIN}")


def csv_text(rows: Iterable[Sequence[object]]) -> str:
    """Rows as the text of a CSV file."""
    stream = io.StringIO()
    csv.writer(stream, lineterminator="\n").writerows([_cell(value) for value in row] for row in rows)
    return stream.getvalue()


def _cell(value: object) -> object:
    """Numbers in the shortest spelling good to 10 digits; an unknown number is an empty cell; no text is a formula."""
    if isinstance(value, str):
        value = harmless(value.replace("\r\n", "\n").replace("\r", "\n"))  # a bare return would end the row
        said = _PART.sub("'", value) if any(c in value for c in _SPLIT) else value
        return f"'{said}" if _FORMULA.match(value) and not _NUMBER.fullmatch(value) else said
    if isinstance(value, int):
        return value
    number = float(value)  # type: ignore[arg-type]
    return "" if math.isnan(number) else f"{number:.10g}"


def as_written(cell: str) -> str:
    """A cell of a CSV file as it was before it was made no formula."""
    cell = cell[1:] if cell.startswith("'") and _FORMULA.match(cell) else cell
    return _MARKED.sub("", cell) if any(c in cell for c in _SPLIT) else cell
