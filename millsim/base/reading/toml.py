"""Reads TOML so that one slip does not hide the others: bad lines are reported, the rest is parsed."""

import difflib
import functools
import json
import re
import tomllib
from dataclasses import dataclass, field
from pathlib import Path

from ...errors import Problem

_LARGEST = 1_000_000  # characters; no config or card is longer
_MOST_MENDED = 50
_SPOILT = "__spoilt_line_"  # stands in for a table declared twice
_LINE = re.compile(r"at line (\d+), column (\d+)")
_PAIR = re.compile(r"""^\s*([A-Za-z0-9_."'-]+)\s*=\s*(.*?)\s*$""")
_HEADER = re.compile(r"^\s*\[\s*([^\[\]]+?)\s*\]\s*(#.*)?$")


@dataclass
class TomlText:
    """What could be read: the tables, and the problems met on the way."""

    tables: dict = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    lost: set[str] = field(default_factory=set)  # last names of keys whose line was unreadable: not "missing"
    complete: bool = True  # False: too damaged for "missing" to mean anything


def read_text(path: Path) -> "str | Problem":
    """Text of a file, or the problem that kept it from being read."""
    where = str(path)
    try:
        if path.is_dir():
            return Problem(where, "", "is a folder, not a file")
        with path.open("rb") as file:
            data = file.read(_LARGEST + 1)
    except FileNotFoundError:
        return missing(path)
    except (OSError, ValueError) as error:  # ValueError: a null byte in the name
        return Problem(where, "", f"cannot be read ({getattr(error, 'strerror', None) or error})")
    if len(data) > _LARGEST:
        return Problem(where, "", "is larger than 1 MB, which no config or card is")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        return Problem(where, "", f"is not UTF-8 text (line {line})", hint="save it as UTF-8 in your editor")
    if not text.strip():
        return Problem(where, "", "is empty")
    return text


def flat(tables: dict, prefix: str = "") -> dict[str, object]:
    """Every value of nested tables by its dotted key."""
    found: dict[str, object] = {}
    for name, value in tables.items():
        if isinstance(value, dict):
            found |= flat(value, f"{prefix}{name}.")
        else:
            found[prefix + name] = value
    return found


def missing(path: Path, suffixes: tuple[str, ...] = (".toml",)) -> Problem:
    """That there is no such file, with a file of nearly that name in the same folder if there is one."""
    try:
        names = [p.name for p in path.parent.iterdir() if p.suffix.lower() in suffixes]
    except (OSError, ValueError):
        names = []
    stems = {Path(n).stem.casefold(): n for n in sorted(names) if n != "pyproject.toml"}
    near = difflib.get_close_matches(path.stem.casefold()[:80], stems, n=1, cutoff=0.6)
    return Problem(str(path), "", "no such file", hint=f'did you mean "{stems[near[0]]}"?' if near else "")


def is_there(path: Path) -> bool:
    """Whether something has that name; False for names no file can have."""
    try:
        return path.exists()
    except (OSError, ValueError):
        return False


def find_file(name: str, base_dir: Path, typed: bool) -> "Path | str":
    """A file named in a config, beside it; one typed in --set may lie in the working folder too.

    Returns the path, there or not, or the sentence that it is in neither place.
    """
    beside, here = base_dir / name, Path(name)
    if not typed or is_there(beside) or beside.absolute() == here.absolute():
        return beside
    if is_there(here):
        return here
    return f"no such file: neither {beside} (beside the config) nor {here} (in the working folder)"


def toml_value(raw: str) -> object:
    """A value as TOML reads it; what TOML cannot read is taken as text, so that quotes may be left out."""
    try:
        tables = tomllib.loads(f"v = {raw}")
    except (ValueError, RecursionError):
        return raw
    return tables["v"] if set(tables) == {"v"} else raw


def to_toml(tables: dict, prefix: str = "") -> str:
    """Tables as TOML text that reads back as the same: plain values first, then sections; dates become text."""
    plain = [f"{_key(k)} = {_as_toml(v)}" for k, v in tables.items() if not isinstance(v, dict)]
    parts = ["\n".join(plain) + "\n"] if plain else []
    for name, table in tables.items():
        if isinstance(table, dict):
            path = f"{prefix}{_key(name)}"
            parts.append(f"[{path}]\n{to_toml(table, path + '.')}")
    return "\n".join(parts)


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else json.dumps(name, ensure_ascii=False)


def _as_toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, list):
        return "[" + ", ".join(map(_as_toml, value)) + "]"
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")  # of JSON's strings only that differs


def parse_toml(text: str, where: str) -> TomlText:
    """Tables of a TOML text; each unreadable line is reported, mended or left out, and the rest is read.

    Tables, problems and lost keys are the caller's own; lists in the tables are not to be changed.
    """
    kept = _parsed(text, where)
    return TomlText(_own(kept.tables), list(kept.problems), set(kept.lost), kept.complete)


def _own(tables: dict) -> dict:
    """Nested tables of which what is put in or taken out stays here."""
    return {name: _own(value) if isinstance(value, dict) else value for name, value in tables.items()}


@functools.lru_cache(maxsize=8)  # one mill is read again for each change that is tried on it
def _parsed(text: str, where: str) -> TomlText:
    out = TomlText()
    lines = text.replace("\r\n", "\n").split("\n")
    for _ in range(_MOST_MENDED):
        try:
            out.tables = tomllib.loads("\n".join(lines))
            break
        except RecursionError:
            out.problems.append(Problem(where, "", "is nested too deeply"))
            out.complete = False
            break
        except ValueError as error:  # TOMLDecodeError, or a number with thousands of digits
            if not _mend(lines, str(error), where, out):
                out.complete = False
                break
    else:
        out.complete = False
    for name in [t for t in out.tables if t.startswith(_SPOILT)]:
        del out.tables[name]
    return out


def _mend(lines: list[str], error: str, where: str, out: TomlText) -> bool:
    """Report one TOML error and change its line so that parsing can go on; False if it cannot."""
    reason = error.split(" (at ")[0]
    at = _LINE.search(error)
    if at is None:  # an unclosed text or list, or a number too long for Python to read
        reason = "a far too long number" if "digits" in error else f"{reason} at the end; not closed?"
        out.problems.append(Problem(where, "", f"is not valid TOML: {reason}"))
        return False
    row, place = int(at[1]) - 1, f"line {at[1]}, column {at[2]}"
    line = lines[row] if row < len(lines) else ""
    if "twice" in reason and (header := _HEADER.match(line)):
        out.problems.append(
            Problem(where, header[1], f"section [{header[1]}] stands twice ({place})", hint="join the two")
        )
        lines[row] = f"[{_SPOILT}{row}]"
        return True
    pair = _PAIR.match(line)
    if pair is None:
        out.problems.append(Problem(where, "", f"is not valid TOML: {reason} ({place})"))
        return False
    key, right = _section_of(lines, row) + pair[1], pair[2].split(" #")[0].strip()
    if "overwrite" in reason or "twice" in reason:
        out.problems.append(Problem(where, key, f"stands twice ({place}); the first value is read", hint="delete one"))
        lines[row] = ""
        return True
    comma = re.fullmatch(r"[+-]?\d+,\d+", right)
    quoted = not comma and re.fullmatch(r"[^\"'\[\]{}\\]+", right)
    hint = f'write it in quotes: {pair[1]} = "{right}"' if quoted else ""
    hint = f"use a point: {right.replace(',', '.')}" if comma else hint
    out.problems.append(
        Problem(where, key, f"{right[:60] or 'nothing'} is not a TOML value: {reason} ({place})", hint=hint)
    )
    lines[row] = f'{pair[1]} = "{right}"' if quoted else ""
    if not quoted:
        out.lost.add(pair[1].split(".")[-1])
    return True


def _section_of(lines: list[str], row: int) -> str:
    """The section a line stands in, as a prefix "rotor."; empty at the top."""
    for line in reversed(lines[:row]):
        if header := _HEADER.match(line):
            return "" if header[1].startswith(_SPOILT) else header[1] + "."
    return ""
