"""Rows of keys applied to TOML tables: SI values out, every problem noted and none raised.

Knows no particular file: a `Spec` says which sections and keys there are. For `reading` (configs) and
`measured.runsheet`.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

from ...errors import Problem
from .key import REQUIRED, Key
from .toml import find_file
from .values import Bad, convert, did_you_mean, meant, show

_UNIT_SUFFIX = re.compile(
    r"_(?:mm|um|cm|m|cm2|mm2|m2|rpm|kw|w|wh|kwh|kg|g|g_h|kg_h|m3_h|degc|c|k|s|min|h|pa|m_s|rad_s|rad|a|v)$"
)


class Finding(NamedTuple):
    """A contradiction between values: the key it is told under, what is wrong, what is allowed, what may help."""

    key: str
    message: str
    allowed: str = ""
    hint: str = ""


@dataclass(frozen=True)
class Spec:
    """What a kind of file may hold."""

    sections: dict[str, tuple[Key, ...]]
    free: tuple[str, ...] = ()  # sections that are read elsewhere
    alternatives: tuple[tuple[str, tuple[tuple[str, ...], ...], bool], ...] = ()  # see schema.ALTERNATIVES
    elsewhere: Callable[[str], str] = lambda name: ""  # hint for a key that has its home outside the sections
    instead: Mapping[str, tuple[str, str]] = field(
        default_factory=dict
    )  # names that no likeness leads to (key, section)

    @property
    def names(self) -> list[str]:
        """All sections."""
        return [*self.sections, *self.free]

    def away(self, name: str) -> tuple[str, str]:
        """(the key that a name from elsewhere stands for or "", the hint that says so or "")."""
        if name in self.instead:
            key, section = self.instead[name]
            return key, f'did you mean "{key}"' + (f" in [{section}]?" if section else "?")
        return "", self.elsewhere(name)

    def optional(self, section: str) -> bool:
        """Whether a section may be left out: it has no required key."""
        return all(k.default is not REQUIRED for k in self.sections[section])

    def find(self, section: str, name: str) -> Key | None:
        """The row of `section.name`, or None."""
        return next((k for k in self.sections.get(section, ()) if k.name == name), None)

    def home(self, name: str, section: str) -> str:
        """A hint when the key belongs into another section."""
        homes = [s for s in self.sections if s != section and self.find(s, name)]
        return f"{name} belongs in [{homes[0]}]" if homes else self.away(name)[1]


@dataclass
class Tables:
    """State of reading one file: what is known so far and what is wrong so far."""

    spec: Spec
    where: str
    base_dir: Path
    tables: dict
    problems: list[Problem] = field(default_factory=list)
    lost: set[str] = field(default_factory=set)  # names of keys present but unreadable or misspelt
    complete: bool = True
    overridden: set[str] = field(default_factory=set)  # dotted keys that came from --set
    given: set[str] = field(default_factory=set)  # dotted keys present, good or bad
    values: dict[str, Any] = field(default_factory=dict)  # dotted key -> SI

    def say(self, key: str, message: str, allowed: str = "", hint: str = "") -> None:
        """Note a problem under the file, or under --set when the key came from there."""
        where = "--set" if key in self.overridden else self.where
        self.problems.append(Problem(where, key, message, allowed, hint))

    def lacks(self, key: str) -> bool:
        """Whether a key is truly missing, not just unreadable."""
        return self.complete and key not in self.given and key.split(".")[-1] not in self.lost

    def file(self, key: str, name: str) -> Path | None:
        """Path of the file a key names; None, and told, when it is in neither of two places."""
        found = find_file(name, self.base_dir, key in self.overridden)
        if isinstance(found, str):
            self.say(key, found)
            return None
        return found


def section_table(tables: dict, section: str) -> object:
    """The raw table of a dotted section; None when absent."""
    table: object = tables
    for part in section.split("."):
        table = table.get(part) if isinstance(table, dict) else None
    return table


def read_sections(t: Tables) -> None:
    """Values of every key of every section; complaints about what is unknown, missing or excludes each other."""
    _known_sections(t)
    for section, keys in t.spec.sections.items():
        _read_section(t, section, keys)
    _alternatives(t)


def _known_sections(t: Tables) -> None:
    """Complain of unknown sections and of keys outside any section."""
    sections = t.spec.sections
    for name, table in t.tables.items():
        if name in t.spec.names:
            if not isinstance(table, dict):
                t.say(
                    name, f"{show(table)} stands where section [{name}] belongs", hint=f"write [{name}] above its keys"
                )
                t.given.update(k for k in sections if k.split(".")[0] == name)
            continue
        label = show(name)[1:-1]
        if isinstance(table, dict):
            likeliest = meant(name, t.spec.names)
            t.lost.update(table)
            t.given.update(s for s in sections if f"{likeliest}.".startswith(f"{s}."))
            t.say(label, f"unknown section [{label}]", ", ".join(t.spec.names), did_you_mean(name, t.spec.names))
        else:
            t.say(label, "is a key outside any section", hint=t.spec.home(name, "") or "put it under its [section]")


def _read_section(t: Tables, section: str, keys: tuple[Key, ...]) -> None:
    table = section_table(t.tables, section)
    optional = t.spec.optional(section)
    if table is None:
        if not optional and t.complete and section not in t.given:
            needs = ", ".join(f"{k.name} = {k.example}" for k in keys if k.default is REQUIRED)
            t.say(section, f"section [{section}] is missing", hint=f"it needs {needs}")
        if not optional:
            t.lost.update(k.name for k in keys)
    elif not isinstance(table, dict):
        if section not in t.tables:  # else told by _known_sections
            t.say(
                section,
                f"{show(table)} stands where section [{section}] belongs",
                hint=f"write [{section}] above its keys",
            )
        t.lost.update(k.name for k in keys)
    table = table if isinstance(table, dict) else {}
    _unknown_keys(t, section, table, keys)
    for key in keys:
        _read_key(t, section, key, table, t.values.get(f"{section}.{key.only[0]}") if key.only else None)


def _read_key(t: Tables, section: str, key: Key, table: dict, selector: object) -> None:
    """One key: refused where it does not apply, converted when given, its default when not."""
    dotted = f"{section}.{key.name}"
    applies = not key.only or selector == key.only[1]
    if key.name in table:
        t.given.add(dotted)
        if selector is not None and not applies:
            t.say(
                dotted,
                f'is only for {key.only[0]} = "{key.only[1]}", not "{selector}"',
                hint=f"delete it or change {key.only[0]}",
            )
            return
        try:
            t.values[dotted] = convert(table[key.name], key)
        except Bad as bad:
            t.say(dotted, bad.message, bad.allowed, bad.hint)
    elif key.default is REQUIRED or (key.only and applies and not key.derivable):
        if t.lacks(dotted):
            t.say(dotted, f"is missing ({key.about})", key.allowed, f"for example {key.name} = {key.example}")
    else:
        t.values[dotted] = key.default


def _unknown_keys(t: Tables, section: str, table: dict, keys: tuple[Key, ...]) -> None:
    names = {k.name for k in keys} | {s.rpartition(".")[2] for s in t.spec.sections if s.rpartition(".")[0] == section}
    allowed = ", ".join(sorted(names))
    for name in table:
        if name in names:
            continue
        plain = _UNIT_SUFFIX.sub("", name.lower())
        for prefix in (section.split(".")[-1], "rotor", "mill"):
            plain = plain.removeprefix(f"{prefix}_")
        likeliest, guess = t.spec.away(plain)
        if not guess:
            likeliest, guess = meant(plain, names), did_you_mean(plain, names)
        if plain in names:
            key = t.spec.find(section, plain)
            likeliest, guess = plain, f'did you mean "{plain}"?'
            if key and key.si != "-" and plain != name:
                guess = f"did you mean {plain} = {key.example}? The unit stands in the value"
        t.lost.update({likeliest} & names)
        t.say(f"{section}.{show(name)[1:-1]}", "unknown key", allowed, guess or t.spec.home(plain, section))


def _alternatives(t: Tables) -> None:
    """Of keys that exclude each other exactly one may be given."""
    for section, groups, needed in t.spec.alternatives:
        present = [g for g in groups if any(f"{section}.{n}" in t.given for n in g)]
        names = [" with ".join(g) for g in groups]
        if len(present) > 1:
            t.say(
                f"{section}.{present[1][0]}",
                f"contradicts {present[0][0]}: only one can hold",
                " or ".join(names),
                "delete one",
            )
        elif not present and needed and all(t.lacks(f"{section}.{n}") for g in groups for n in g):
            first = t.spec.find(section, groups[0][0])
            example = first.example if first else ""
            t.say(
                f"{section}.{groups[0][0]}", "is missing", " or ".join(names), f"for example {groups[0][0]} = {example}"
            )
        for group in present:
            for name in group:
                if t.lacks(f"{section}.{name}"):
                    t.say(f"{section}.{name}", f"is missing: it goes with {group[0] if name != group[0] else group[1]}")
