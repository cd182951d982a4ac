"""Answers written as a commented config, and another config read as answers.

Every line says what its key means and how it came to its value; [guessed] at the end holds what nobody measured.
"""

import os
import textwrap
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from ...base.reading.key import AS_MUCH, Key
from ...base.reading.toml import flat, parse_toml, read_text
from ...base.reading.values import convert
from .. import cards
from .answers import FROM_HAND, GUESS, Answer
from .mill import load_config
from .questions import measure_words
from .schema import FREE_SECTIONS, SECTIONS, find_key

_COMMENT = 34  # column at which comments begin
_WIDTH = 100
_ABOUT_GUESSES = (
    "# Nobody measured these: the band takes each as uncertain over its range, or as any of its words.",
    "# Once it is measured, correct it above and delete its line here.",
)
_FILES = ("feed.size.sheet", "feed.size.file")


def config_text(answers: Iterable[Answer], name: str, head: Iterable[str], rest: str = "") -> str:
    """The config as TOML. head: lines of comment above it; rest: free sections that are taken over."""
    by = {a.key: a for a in answers}
    lines = [f"# {line}".rstrip() for line in head]
    by.setdefault("mill.name", Answer("mill.name", name, name))
    for section, rows in SECTIONS.items():
        told = [_row_line(row, by[key]) for row in rows if (key := f"{section}.{row.name}") in by]
        lines += ["", f"[{section}]", *told] if told else []
    guesses = [a for a in by.values() if a.guess]
    if guesses:
        lines += ["", *_ABOUT_GUESSES, "[guessed]"]
        for a in guesses:
            lines += [*_measured_by(a.key), f"{a.key} = {toml(list(a.guess))}"]
    return "\n".join(lines) + "\n" + (f"\n{rest}" if rest else "")


def _measured_by(key: str) -> list[str]:
    return [f"# {line}" for line in textwrap.wrap(f"measure: {measure_words(key)}", _WIDTH - 2)]


def _row_line(row: Key, a: Answer) -> str:
    return line(f"{row.name} = {toml(a.raw)}", _comment(row.about, a))


def line(text: str, comment: str) -> str:
    """A line of TOML with its comment, the comments of a file below each other."""
    return f"{text:<{_COMMENT - 2}}  # {comment}" if comment else text


def _comment(about: str, a: Answer) -> str:
    how = {FROM_HAND: "", GUESS: "GUESSED, see [guessed]"}.get(a.how, a.how)
    how = "GUESSED, see [guessed]" if a.guess else how
    return f"{about} ({how})" if how and about else how or about


def toml(raw: Any) -> str:
    """A raw value as TOML."""
    if isinstance(raw, bool):
        return str(raw).lower()
    if isinstance(raw, str):
        return cards.toml_string(raw)
    return f"[{', '.join(toml(x) for x in raw)}]" if isinstance(raw, list | tuple) else repr(raw)


def answers_of(path: Path, beside: Path) -> tuple[dict[str, Answer], str]:
    """(answers, the free sections as text) of a config that is taken over for another beside it. Raises InputError.

    A calibration is left out: it belongs to the mill of its runs.
    """
    config, text = load_config(path), read_text(path)
    tables = parse_toml(str(text), str(path)).tables
    guessed = flat(tables.get("guessed") or {})
    found = {}
    for key, raw in flat({n: t for n, t in tables.items() if n not in FREE_SECTIONS}).items():
        row = find_key(*key.rpartition(".")[::2])
        if row is None or key == "mill.name":
            continue
        if key in _FILES or (key == "feed.material" and cards.is_path(str(raw))):
            raw = seen_from(path.parent / str(raw), beside)
        guess: Any = guessed.get(key, ())
        value = convert(raw, row)
        raw = AS_MUCH if value == AS_MUCH else raw
        found[key] = Answer(key, raw, value, tuple(guess), f"from {path.name}")
    rest = ""
    if config.model_overrides:
        rest = "[model]\n" + "\n".join(f"{n} = {toml(x)}" for n, x in flat(tables["model"]).items()) + "\n"
    if "material" in tables:
        rest += ("\n" if rest else "") + cards.card_toml(config.material, "material")
    return found, rest


def seen_from(file: Path, beside: Path) -> str:
    """A file's name as seen from another folder."""
    try:
        return Path(os.path.relpath(file, beside)).as_posix()
    except ValueError:  # on another drive
        return str(file.absolute())
