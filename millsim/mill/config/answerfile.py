"""A file of answers: TOML, or plain lines `key = value` in the words a builder types. Every mistake in one pass."""

import re
from collections.abc import Collection, Sequence
from pathlib import Path

from ...base.reading.bounded import LONGEST_ANSWER, MOST_KEYS
from ...base.reading.toml import flat, read_text, tables_of
from ...base.reading.values import Bad, did_you_mean, show
from ...errors import InputError, Problem
from .answers import understood
from .interview import Interview, keys_of
from .questions import GROUPS, MORE
from .schema import SECTIONS, find_key

_LINE = re.compile(r"""\s*"?([A-Za-z0-9_.]+)"?\s*=\s*(.*)""")
_HEADER = re.compile(r"\s*\[\s*([A-Za-z0-9_.]+)\s*\]\s*")


def read_answers(path: Path, interview: Interview) -> None:
    """Put the answers of a file into an interview, guesses where it says "?". Raises InputError with every problem."""
    text = read_text(path)
    if isinstance(text, Problem):
        raise InputError(text)
    take_answers(text, str(path), interview)


def take_answers(text: str, where: str, interview: Interview) -> None:
    """Put answers, as they stand in a file, into an interview; where: what they are from. Raises InputError."""
    problems: list[Problem] = []
    known = [*(f"{s}.{k.name}" for s, keys in SECTIONS.items() for k in keys), "feed.size"]
    found = pairs(text, where, known, problems)
    for key in sorted(found, key=_place):
        try:
            _take(interview, key, found[key])
        except Bad as bad:
            problems.append(Problem(where, key, bad.message, bad.allowed, bad.hint))
    if problems:
        raise InputError(problems)


def _take(interview: Interview, key: str, text: str) -> None:
    asked = next((q for q in _questions() if key in keys_of(q)), key)
    found = understood(asked if key == asked else key, text, interview.known())
    if key != asked and key in keys_of("feed.size"):
        interview.answers |= {a.key: a for a in found}  # the parts of a size belong together
        return
    interview.keep(asked, found)


def pairs(text: str, where: str, known: Sequence[str], problems: list[Problem]) -> dict[str, str]:
    """{key: what is answered} of the keys that there are; of others a problem."""
    try:
        raw = {k: _as_typed(v) for k, v in flat(tables_of(text)).items()}
    except (ValueError, RecursionError):
        raw = _plain(text, where, {k.partition(".")[0] for k in known}, problems)
    if len(raw) > MOST_KEYS:
        problems.append(Problem(where, "", f"has {len(raw)} keys", f"at most {MOST_KEYS}"))
        return {}
    for key in [k for k in raw if k not in known]:
        hint = did_you_mean(key, known)
        if key.startswith("guessed."):
            hint = "answer the key itself with a range or `?`; a whole config is taken over by --from"
        problems.append(Problem(where, show(key)[1:-1], "unknown key", "", hint or "millsim keys lists all"))
    for key in [k for k, v in raw.items() if k in known and len(v) > LONGEST_ANSWER]:
        problems.append(Problem(where, key, f"has {len(raw[key])} characters", f"at most {LONGEST_ANSWER}"))
    return {k: v for k, v in raw.items() if k in known and len(v) <= LONGEST_ANSWER}


def _as_typed(value: object) -> str:
    """A TOML value as a builder would type it."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        numbers = len(value) == 2 and all(re.match(r"[-+\d.]", str(x)) for x in value)
        return (" to " if numbers else " or ").join(map(str, value))
    return str(value)


def _plain(text: str, where: str, sections: Collection[str], problems: list[Problem]) -> dict[str, str]:
    """Lines `key = value`, perhaps under [section]."""
    found, section = {}, ""
    for number, line in enumerate(text.splitlines(), start=1):
        line = line.partition("#")[0].strip()
        if not line:
            continue
        if header := _HEADER.fullmatch(line):
            section = f"{header[1]}."
        elif (pair := _LINE.fullmatch(line)) and pair[2]:
            whole = pair[1].partition(".")[0] in sections and "." in pair[1]
            found[pair[1] if whole else section + pair[1]] = pair[2].strip("\"'")
        else:
            hint = "write: stator.gap = 3 mm"
            problems.append(Problem(where, f"line {number}", f"{show(line)} is not `key = value`", "", hint))
    return found


def _questions() -> list[str]:
    return [key for _, keys in (*GROUPS, *MORE) for key in keys]


def _place(key: str) -> tuple[int, int]:
    """Where a key comes: words on which others hang first, then as asked, then as in a config."""
    section, _, name = key.rpartition(".")
    hangs = any(k.only and k.only[0] == name for k in SECTIONS.get(section, ()))
    order = [*_questions(), *(f"{s}.{k.name}" for s, keys in SECTIONS.items() for k in keys)]
    row = find_key(section, name)
    return (0 if hangs else 1, order.index(key) if key in order or row is not None else len(order))
