"""Every key of every file that people write, as tables made from the very rows that the readers check by."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import isfinite

from ...base.quantities import units
from ...base.quantities.written import capital, wrap
from ...base.reading.key import REQUIRED, Key
from ...explore.choose import spec as target
from ...explore.sweep import spec as sweep
from ...learn.measured import runspec
from ...mill.cards.spec import MATERIAL, MODEL, CardEntry
from ...mill.config import schema
from ...mill.config.gather import NEEDS_ONE
from ...mill.config.guessed import guessable
from ...mill.config.questions import measure_words
from ...mill.parts import BALANCE_GRADE
from ...studies.day.usual import USUAL
from ...studies.prebuild.facts import SCREW_YIELD
from ...studies.prebuild.stator import RUN_OUT
from ..parts import Table, table, terminal_lines

_HEADER = ("key", "range", "if left out", "for", "meaning")
_SWEEP = (
    "what a sweep varies: sweep. An axis has its `values`, or `from` and `to` with a `count`; what moves `along` with "
    "it has a list as long. [set] holds keys of the config for all points"
)
_TARGET = "what powder is wanted: choose. Every wish may have a `basis` and a `source` too"
_LISTS = {"axis": "[[axis]], any number of times", **{n: f"[[{n}]], any number of times" for n in target.LISTS}}


@dataclass(frozen=True)
class KindOfFile:
    """One kind of file: its name on the command line, what it is, and its keys section by section."""

    name: str
    about: str
    sections: tuple[Table, ...]


def kinds() -> tuple[KindOfFile, ...]:
    """All kinds of files, in the order in which a builder meets them."""
    return (
        KindOfFile(
            "config",
            "a mill, its feed and how it is run: predict, check, draw, heat, day",
            (*_tables(schema.SECTIONS, _alternatives(), NEEDS_ONE), _guessed()),
        ),
        KindOfFile(
            "run",
            "a run sheet, what was measured: run, calibrate, compare",
            _tables(runspec.SECTIONS, runspec.ALTERNATIVES),
        ),
        KindOfFile("sweep", _SWEEP, _tables({**sweep.SECTIONS, **sweep.AXIS})),
        KindOfFile("target", _TARGET, _tables(_wishes())),
        KindOfFile("material", "a card of a material; in a config [material] overrides it", (_card(MATERIAL),)),
        KindOfFile("model", "the card of the model; in a config [model] overrides it", (_card(MODEL),)),
    )


def found(words: str) -> tuple[KindOfFile, ...]:
    """The kind of file of this name, the sections of this name, or all rows that hold the words; perhaps none."""
    whole = kinds()
    word = words.strip().casefold()
    named = tuple(k for k in whole if not word or k.name == word)
    if named:
        return named
    for keep in (_is_section, _holds):
        kept = (KindOfFile(k.name, k.about, tuple(t for t in (keep(t, word) for t in k.sections) if t)) for k in whole)
        if some := tuple(k for k in kept if k.sections):
            return some
    return ()


def keys_text(told: tuple[KindOfFile, ...]) -> str:
    """The tables for a terminal."""
    return "\n".join(line for kind in told for line in _lines(kind))


def _lines(kind: KindOfFile) -> Iterator[str]:
    yield from wrap(f"{capital(kind.name)} file: {kind.about}", "  ")
    for t in kind.sections:
        yield from ("", t.caption, *terminal_lines(t).all)
    yield ""


def _tables(sections: Mapping[str, tuple[Key, ...]], alternatives: tuple = (), needs: tuple = ()) -> tuple[Table, ...]:
    needed = {key: _in_case(value, unless) for _, value, key, unless in reversed(needs)}
    return tuple(
        table(
            _LISTS.get(name, f"[{name}]"), _HEADER, "lttlt",
            [_row(name, key, needed.get(f"{name}.{key.name}")) for key in keys],
            " ".join(_one_of(groups, must) for section, groups, must in alternatives if section == name),
        )
        for name, keys in sections.items()
    )  # fmt: skip


def _alternatives() -> tuple:
    """Which keys of a config stand for each other, those that may be given together if they agree among them."""
    others = [a for a in schema.ALTERNATIVES if a[0] not in schema.SAME]
    return (*others, *((section, tuple((key,) for key in keys), True) for section, keys in schema.SAME.items()))


def _guessed() -> Table:
    """What may be guessed, and how it is measured instead."""
    rows = []
    for section, keys in schema.SECTIONS.items():
        for key in keys:
            if guessable(name := f"{section}.{key.name}"):
                form = "[word, word, ...]" if key.kind in ("choice", "flag", "text") else "[low, high]"
                rows.append((name, form, "known", "", f"measured by: {measure_words(name)}"))
    foot = "Of a key that nobody measured: its range, or all that it may be. The band takes it as uncertain."
    return table("[guessed]", _HEADER, "lttlt", rows, foot)


def _in_case(value: str, unless: str) -> str:
    return f"needed, if {value}" + (f", or {unless.partition('.')[2]}" if unless else "")


def _wishes() -> dict[str, tuple[Key, ...]]:
    """The sections of a target, of each wish what it wishes."""
    wishes = {**target.SECTIONS, **target.LISTS}
    return {n: tuple(k for k in keys if k.name not in ("basis", "source")) for n, keys in wishes.items()}


def _one_of(groups: tuple[tuple[str, ...], ...], must: bool) -> str:
    names = " | ".join(" and ".join(g) for g in groups)
    return f"One of {names} is needed." if must else f"At most one of {names}."


def _row(section: str, key: Key, needed: str | None) -> tuple[str, ...]:
    """A key of a table; needed: in which case, of a key that is needed in that one only."""
    if section == "day":
        usual = USUAL.get(key.field)
        return key.name, _range(key), units.readable(usual[0], key.shown) if usual else "as found", "day", key.about
    where = f", if {key.only[1]}" if key.only else ""
    use = "" if key.predicts else "review"
    return key.name, _range(key), needed or _left_out(section, key) + where, use, key.about


def _range(key: Key) -> str:
    if key.kind not in ("quantity", "rate", "lengths", "speeds") or not isfinite(key.low):
        return {"curve": "pairs"}.get(key.kind) or key.allowed or "text"
    least = units.readable_number(key.low, key.shown)
    many = "each " if key.kind in ("lengths", "speeds") else ""
    return f"{many}{least} to {units.readable(key.high, key.shown)}"


_TAKEN = {  # left out, these are not unknown: what is taken in their place
    ("rotor", "run_out"): f"{units.readable(RUN_OUT, 'mm')} taken",
    ("rotor", "balance_grade"): f"{BALANCE_GRADE:g} taken",
    ("rotor", "yield_strength"): "of the material",
    ("stator", "held"): "one end taken",
    ("stator", "yield_strength"): f"{units.readable(SCREW_YIELD, 'MPa')} taken",
}


def _left_out(section: str, key: Key) -> str:
    if (section, key.name) in _TAKEN:
        return _TAKEN[section, key.name]
    if key.default is REQUIRED or (key.only and not key.derivable):
        return "needed"
    if key.default in (None, (), "") or key.derivable:
        return "not known" if not key.predicts or key.derivable else "not set"
    if isinstance(key.default, bool):
        return str(key.default).lower()
    if isinstance(key.default, int | float) and key.kind != "whole":
        return units.readable(float(key.default), key.shown)
    return str(key.default)


def _card(entries: Mapping[str, CardEntry]) -> Table:
    rows = [(e.name, _span(e), _default(e), "", e.about) for e in entries.values()]
    foot = "Each with value, unit, low, high, basis and source; the range here is that of the possible."
    return table("[NAME], one section for each parameter", _HEADER, "lttlt", rows, foot)


def _span(e: CardEntry) -> str:
    unit = "" if e.unit == "-" else f" {e.unit}"
    return f"{e.low:g} to {e.high:g}{unit}"


def _default(e: CardEntry) -> str:
    if not e.optional:
        return "needed"
    return f"{e.default.value:g}" if e.default else "not set"


def _is_section(t: Table, word: str) -> Table | None:
    return t if t.caption.partition("]")[0].strip("[") == word else None


def _holds(t: Table, word: str) -> Table | None:
    section = t.caption.partition("]")[0].strip("[")
    rows = [r for r in t.rows if word in f"{section}.{r[0]} {r[-1]}".casefold()]
    return Table(t.caption, t.header, t.kinds, tuple(rows), t.foot, t.groups) if rows else None
