"""Reads what spreadsheets export: bytes to lines and cells, numbers with a decimal point or a decimal comma.

Owns the low end of every CSV reader (sieve sheets, bench tests). Imports no numpy.
"""

import csv
import re
from pathlib import Path

from .errors import InputError, Problem


def read_csv_text(path: Path, example: str = "") -> str:
    """Text of a CSV file; InputError in one sentence when it cannot be read or is no text."""
    try:
        return decode(path.read_bytes())
    except OSError as error:
        raise InputError(Problem(str(path), "", f"cannot be read: {error.strerror or error}")) from None
    except UnicodeDecodeError:
        raise InputError(Problem(str(path), "", "is not a text file", hint=example)) from None


def decode(data: bytes) -> str:
    """Text of a spreadsheet export: UTF-8 with or without mark, UTF-16 with mark, else Windows Latin-1."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16")
    if b"\0" in data:
        raise UnicodeDecodeError("utf-8", data, 0, 1, "binary")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252")


def content_lines(text: str) -> list[tuple[int, str]]:
    """(line number from 1, text) of the lines that say something: no blank ones, no comments after #."""
    lines = [(n, s) for n, s in enumerate(text.splitlines(), 1) if s.strip(" \t,;")]
    return [(n, s) for n, s in lines if not s.lstrip(' "').startswith("#")]


def separator_of(header: str) -> str:
    """Tab, semicolon or comma, whichever the header line holds first in this order."""
    return next((c for c in "\t;," if c in header), ",")


def cells_of(line: str, separator: str) -> list[str]:
    """The cells of one line."""
    return next(csv.reader([line], delimiter=separator))


def plain(text: str) -> str:
    """Lower case, with both micro signs as u."""
    return text.lower().replace("\u00b5", "u").replace("\u03bc", "u")


def words(text: str) -> list[str]:
    """Lower-case words and per cent signs of a header cell."""
    return re.findall(r"[a-z]+|%", plain(text))


def number(cell: str) -> float:
    """A number with a decimal point or a decimal comma; ValueError for anything else."""
    text = cell.strip().replace("\u00a0", "").rstrip("%").strip()
    if not re.fullmatch(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?", text):
        raise ValueError(cell)
    return float(text.replace(",", "."))
