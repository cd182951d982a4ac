"""Reads TOML so that one slip does not hide the others: bad lines are reported, the rest is parsed."""

import difflib
import functools
import json
import re
import tomllib
from dataclasses import dataclass, field
from pathlib import Path

from ...errors import InputError, Problem
from .bounded import DEEPEST_KEY, MOST_BYTES, MOST_KEYS, bytes_of

_MOST_MENDED = 50
_LONGEST_KEY = 200  # characters of it that are told
_SPOILT = "__spoilt_line_"  # stands in for a table declared twice
_LINE = re.compile(r"at line (\d+), column (\d+)")
_PAIR = re.compile(r"""\s*([A-Za-z0-9_."'-]+)\s*=(.*)""")
_HEADER = re.compile(r"\s*\[([^\[\]]*)\]\s*(?:#.*)?")
_TEXTS = re.compile(  # texts and comments, in which a point parts nothing
    r'''"""(?:[^"\\]++|\\.|"(?!""))*+"""|"(?:[^"\\\n]++|\\.)*+"|'''
    r"""'''(?:[^']++|'(?!''))*+'''|'[^'\n]*+'|\#[^\n]*+""",
    re.DOTALL,
)
_DEEP = re.compile(rf'(?<![\w"-])(?:[\w"-]++[ \t]*+\.[ \t]*+){{{DEEPEST_KEY}}}')


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
        data = bytes_of(path, "config, card or run sheet")
        text = data.decode("utf-8-sig")
    except FileNotFoundError:
        return missing(path)
    except InputError as error:
        return error.problems[0]
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
    for _ in range(max(1, min(_MOST_MENDED, MOST_BYTES // (len(text) or 1)))):  # each reads all of it again
        try:
            out.tables = tables_of("\n".join(lines))
            break
        except _TooDeep as error:
            out.problems.append(_too_deep(where, str(error)))
            out.complete = False
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
    if (count := _keys_in(out.tables)) > MOST_KEYS:
        message = f"has {count} keys, which no config, card or run sheet has"
        return TomlText(problems=[Problem(where, "", message, f"at most {MOST_KEYS}")], complete=False)
    return out


def _keys_in(value: object) -> int:
    """How many keys stand in tables, and in tables within lists."""
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return (len(inner) if isinstance(value, dict) else 0) + sum(
        _keys_in(v) for v in inner if isinstance(v, dict | list)
    )


class _TooDeep(ValueError):
    """A key of too many parts; the message is the text down to it."""


def tables_of(text: str) -> dict:
    """Tables of a TOML text; ValueError also for keys of many parts, with which time and memory grow by the square."""
    plain = _TEXTS.sub(lambda found: '"' + "\n" * found[0].count("\n"), text)
    if deep := _DEEP.search(plain):
        raise _TooDeep(plain[: deep.start()])
    return tomllib.loads(text)


def _too_deep(where: str, above: str) -> Problem:
    message = f"a key has more than {DEEPEST_KEY} parts (line {above.count(chr(10)) + 1})"
    return Problem(where, "", message, f"at most {DEEPEST_KEY} parts, a.b.c has three", "a text without quotes?")


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
    if "twice" in reason and (header := _header(line)):
        out.problems.append(Problem(where, header, f"section [{header}] stands twice ({place})", hint="join the two"))
        lines[row] = f"[{_SPOILT}{row}]"
        return True
    pair = _PAIR.fullmatch(line)
    if pair is None:
        out.problems.append(Problem(where, "", f"is not valid TOML: {reason} ({place})"))
        return False
    key, right = f"{_section_of(lines, row)}{pair[1]}"[:_LONGEST_KEY], pair[2].strip().split(" #")[0].strip()
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
        if header := _header(line):
            return "" if header.startswith(_SPOILT) else header + "."
    return ""


def _header(line: str) -> str:
    """The section that a line opens; nothing if it opens none."""
    header = _HEADER.fullmatch(line)
    return header[1].strip()[:_LONGEST_KEY] if header else ""
