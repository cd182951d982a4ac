"""How much text is read: limits that no honest file reaches, so that a wrong file costs neither minutes nor memory.

Owns the limits of every text file and the one way in which their bytes are read.
"""

from collections.abc import Sequence
from pathlib import Path

from ...errors import InputError, Problem

MOST_BYTES = 1_000_000  # of any text file
LONGEST_LINE, LONGEST_CELL = 10_000, 500  # characters in a CSV file
MOST_ROWS, MOST_COLUMNS = 20_000, 300  # in a CSV file
MOST_ABOVE = 100  # lines of a CSV file in which the names of its columns are looked for
LONGEST_ANSWER = 2000  # characters in a file of answers
MOST_KEYS, DEEPEST_KEY = 1000, 16  # in a TOML file; parts of one key: a.b.c has three


def bytes_of(path: Path, kind: str) -> bytes:
    """All bytes of a text file. kind: what it should be, in words. FileNotFoundError, or InputError in one sentence."""
    where = str(path)
    try:
        if path.is_dir():
            raise InputError(Problem(where, "", "is a folder, not a file"))
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise
    except (OSError, ValueError) as error:  # ValueError: a null byte in the name
        raise InputError(Problem(where, "", f"cannot be read: {getattr(error, 'strerror', None) or error}")) from None
    if len(data) > MOST_BYTES:
        raise InputError(Problem(where, "", f"is larger than 1 MB, which no {kind} is", "at most 1 MB"))
    return data


def check_lines(lines: Sequence[tuple[int, str]], where: str) -> None:
    """Raise InputError where the lines of a CSV file, with their numbers, are too many or one of them is too long."""
    if len(lines) > MOST_ROWS:
        hint = "is it the log of an instrument? Keep the rows of the test"
        raise InputError(Problem(where, "", f"has {len(lines)} rows", f"at most {MOST_ROWS}", hint))
    for number, line in lines:
        if len(line) <= MOST_COLUMNS:
            continue
        cells = max(map(line.count, ",;\t")) + 1
        longest = max(map(len, line.translate(_ONE_SEPARATOR).split(",")))
        for found, most, what in (
            (len(line), LONGEST_LINE, "the line has {} characters"),
            (cells, MOST_COLUMNS, "the line has {} cells"),
            (longest, LONGEST_CELL, "a cell has {} characters"),
        ):
            if found > most:
                hint = "a quote that is not closed, or a file of another kind?"
                raise InputError(Problem(where, f"line {number}", what.format(found), f"at most {most}", hint))


_ONE_SEPARATOR = str.maketrans(";\t", ",,")
