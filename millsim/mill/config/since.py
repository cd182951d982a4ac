"""What has become of the files that something was made from, a sweep or a prediction: the one rule for both.

Kept are the name of the file as it was typed (of an absolute path the name alone) and the settings typed with it. The
file is looked for when what was made is used, and read again with all that it names: only what changes a number
counts, no comment and no other spelling.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

from ...base.reading.toml import flat, is_there, parse_toml
from ...errors import InputError
from .paths import relative, shortened
from .schema import SECTIONS

UNCHANGED, CHANGED, NOT_FOUND, NOT_KEPT = "unchanged", "changed", "not found", "not kept"
PROGRAM = "millsim itself"  # laws, libraries and the card of the model, in place of a file
OF_CONFIG = {  # keys that a resolved config tells better than anything else
    f"{section}.{key.name}" for section, keys in SECTIONS.items() if section != "run" for key in keys if key.predicts
}


@dataclass(frozen=True)
class Since:
    """What has become of the files that something was made from. changes: (file, what of it has changed), by file."""

    state: str
    file: str = ""  # as it was typed or where it was found
    changes: tuple[tuple[str, str], ...] = ()


NOTHING_KEPT = Since(NOT_KEPT)  # of what was made before


def kept(path: Path, settings: Iterable[str]) -> dict:
    """What is kept of a file and the settings typed with it."""
    return {"file": relative(str(path)), "settings": [shortened(s, relative) for s in settings]}


def found(name: str, place: Path) -> Path | None:
    """The file by the name that was kept: here, or beside what was made from it (`place`)."""
    path = Path(name)
    return next((p for p in (path, place.parent / path, place.parent / path.name) if is_there(p)), None)


def unreadable(path: Path, error: InputError) -> Since:
    """Of a file that is no longer what it was: it cannot be read."""
    p = error.problems[0]
    return Since(CHANGED, str(path), ((p.where, f"{p.key}: {p.message}" if p.key else p.message),))


def told(path: Path, rows: Sequence[tuple[str, str]]) -> Since:
    """The rows (file, what changed), those of one file together."""
    order = list(dict.fromkeys(file for file, _ in rows))
    rows = sorted(rows, key=lambda row: order.index(row[0]))
    return Since(CHANGED if rows else UNCHANGED, str(path), tuple(rows))


def said(text: str) -> dict[str, str]:
    """What a resolved config says of the mill as built and its feed, in the units of people."""
    values = flat(parse_toml(text, "").tables)
    return {key: str(value) for key, value in values.items() if key in OF_CONFIG}


def changes(before: dict[str, str], now: dict[str, str]) -> list[str]:
    """What differs between two sets of pairs, in words: "rotor.bars: 4 -> 6"."""
    rows = []
    for key in [*now, *(k for k in before if k not in now)]:
        if before.get(key) != now.get(key):
            rows.append(f"{key}: {before.get(key, 'not given')} -> {now.get(key, 'not given')}")
    return rows


def by_file(changes: tuple[tuple[str, str], ...]) -> list[tuple[str, list[str]]]:
    """Changes under their files."""
    return [(file, [row for _, row in rows]) for file, rows in groupby(changes, key=lambda c: c[0])]
