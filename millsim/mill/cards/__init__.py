"""Cards: materials and model parameters with their ranges, bases and sources, as TOML; checked like a config.

Owns reading, checking, listing and writing cards. Imports no numpy.
"""

import re
import textwrap
from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from functools import cache
from pathlib import Path

from ...base.quantities import units
from ...base.quantities.params import BASES, Param, ParamSet
from ...base.reading.toml import parse_toml, read_text
from ...base.reading.values import Bad, as_number, did_you_mean, show, slip
from ...errors import InputError, Problem
from .spec import IGNORED, MATERIAL, MODEL, CardEntry

_HERE = Path(__file__).parent
_FIELDS = ("value", "unit", "low", "high", "basis", "source", "scale", "note")
FOOD = "food"  # use of what is eaten, so that cautions speak of food
NOTHING = "nothing"  # given off by what neither melts nor burns in a mill
_HEAD = ("title", "note", "bench", "cut_edge", "overheated", "use")


class Card(ParamSet):
    """The parameters of one card, with the card's own note; `ignored`: names it gives that have lost their meaning;
    `bench`: of a card that bench tests made, how they stand to the card it was copied from; `cut_edge`: the edge that
    cut in the last of them. `overheated`: what the feed gives off when it gets too hot, NOTHING or "" where a card does
    not say; `use`: FOOD of what is eaten.
    """

    def __init__(
        self,
        params: "list[Param] | tuple[Param, ...]" = (),
        title: str = "",
        note: str = "",
        ignored: tuple[str, ...] = (),
        bench: str = "",
        overheated: str = "",
        use: str = "",
        cut_edge: str = "",
    ):
        super().__init__(params, title)
        self.note, self.ignored, self.bench = note, ignored, bench
        self.overheated, self.use, self.cut_edge = overheated, use, cut_edge

    def copied(self, params: ParamSet, title: str, note: str, bench: str, cut_edge: str = "") -> "Card":
        """A card of other numbers for the same substance, and how bench tests stand, after those on this card."""
        told = f"{self.bench} {bench}".strip()
        edge = cut_edge or self.cut_edge
        return Card(list(params.values()), title, note, (), told, self.overheated, self.use, edge)


def as_set(p: Param, value: float, source: str) -> Param:
    """A parameter of a card that was set by its user; a range that does not hold the value is widened to it."""
    return replace(p, value=value, low=min(p.low, value), high=max(p.high, value), basis="config", source=source)


def list_materials() -> list[str]:
    """Names of the material cards that come with the package."""
    return sorted(p.stem for p in _HERE.glob("*.toml") if p.stem != "model")


def load_material(name_or_path: str, base_dir: "Path | None" = None) -> Card:
    """A material card by name (any case) or by path to a .toml file from base_dir on. Raises InputError."""
    name = str(name_or_path)
    if not is_path(name):
        shipped = shipped_name(name)
        if shipped not in list_materials():
            known = ", ".join(list_materials())
            hint = meant_card(shipped) or "or give a path ending in .toml"
            raise InputError(Problem("materials", "", f"no card named {show(name)}", known, hint))
        return _shipped(shipped)
    return _read(Path(base_dir or ".") / name, MATERIAL)


def meant_card(name: str) -> str:
    """A hint naming the card that was meant: spelled alike, or that word in its title or the first ones of its note."""
    if close := did_you_mean(name, list_materials()):
        return close
    cards = {c: _shipped(c) for c in list_materials()}
    for say in (lambda card: card.title, lambda card: re.split("[:.]", card.note)[0]):
        for c, card in cards.items():
            if name.casefold() in re.split(r"\W+", say(card).casefold()):
                return f'did you mean "{c}"?'
    return ""


def load_model() -> Card:
    """The model parameters with their ranges."""
    return _shipped("model")


@cache
def _shipped(name: str) -> Card:
    return _read(_HERE / f"{name}.toml", MODEL if name == "model" else MATERIAL)


def shipped_name(name: str) -> str:
    """The spelling used for the package's own cards: "PE/PP" is pe_pp."""
    return name.strip().lower().replace("-", "_").replace("/", "_")


def is_path(name: str) -> bool:
    """Whether a material is named by file rather than by card name."""
    return name.strip().lower().endswith(".toml")


def _read(path: Path, specs: dict[str, CardEntry]) -> Card:
    text = read_text(path)
    if isinstance(text, Problem):
        raise InputError(text)
    parsed = parse_toml(text, str(path))
    problems = parsed.problems
    params = params_from_tables(parsed.tables, specs, str(path), problems, parsed.lost, path.stem, parsed.complete)
    if problems:
        raise InputError(problems)
    return params


def params_from_tables(
    tables: dict,
    specs: dict[str, CardEntry],
    where: str,
    problems: list[Problem],
    lost: "set[str] | frozenset[str]" = frozenset(),
    title: str = "",
    complete: bool = True,
    prefix: str = "",
) -> Card:
    """Parameters from the tables of a card; problems are appended to `problems`, keys told with `prefix`."""
    before = len(problems)
    found: list[Param] = []
    ignored: list[str] = []
    for name, table in tables.items():
        if name in _HEAD:
            if not isinstance(table, str):
                problems.append(Problem(where, prefix + name, f"{show(table)} is not text"))
        elif name in IGNORED and isinstance(table, dict | int | float) and not isinstance(table, bool):
            ignored.append(name)
        elif name not in specs and name not in IGNORED:
            problems.append(
                Problem(where, prefix + show(name).strip('"'), "unknown parameter", hint=did_you_mean(name, specs))
            )
        elif not isinstance(table, dict):
            hint = f"write [{name}] with the keys value, unit, low, high, basis, source"
            problems.append(Problem(where, prefix + name, f"{show(table)} is not a table", hint=hint))
        else:
            found += _param(specs[name], table, where, prefix + name, problems, lost)
    for name, spec in specs.items():
        if complete and name not in tables and not spec.optional:
            problems.append(Problem(where, prefix + name, f"is missing ({spec.about})", f"in {spec.unit}"))
    by_name = {p.name: p for p in found}
    if len(problems) == before and complete:
        by_name |= _defaults(by_name, specs)
    ordered = [by_name[n] for n in specs if n in by_name]
    check_set(by_name, where, prefix, problems)
    said = {name: _line(tables.get(name)) for name in _HEAD}
    said["title"] = said["title"] or title
    return Card(ordered, ignored=tuple(ignored), **said)


def _defaults(found: dict[str, Param], specs: dict[str, CardEntry]) -> dict[str, Param]:
    """The parameters a complete card leaves to their defaults."""
    filled = {n: s.default.param(n, s.unit) for n, s in specs.items() if s.default and n not in found}
    if "fragment_floor" in filled:
        floor, card = filled["fragment_floor"], found | filled
        zone = 0.3 * card["modulus"].value * card["fracture_energy"].value / card["yield_stress"].value ** 2
        filled["fragment_floor"] = replace(floor, value=min(max(zone, floor.low), floor.high))
    return filled


def _param(
    spec: CardEntry, table: dict, where: str, key: str, problems: list[Problem], lost: "set[str] | frozenset[str]"
) -> list[Param]:
    """The parameter of one table as a list of one; of none when something is wrong with it."""
    before = len(problems)

    def complain(name: str, message: str, allowed: str = "", hint: str = "") -> None:
        problems.append(Problem(where, f"{key}.{name}", message, allowed, hint))

    for name in table:
        if name not in _FIELDS:
            complain(show(name).strip('"'), "unknown key", ", ".join(_FIELDS), did_you_mean(name, _FIELDS))
    for name in ("value", "unit", "low", "high", "basis", "source"):
        if name not in table and name not in lost and not (name == "unit" and spec.unit == "-"):
            complain(name, "is missing")
    unit = _unit(table.get("unit", "-" if spec.unit == "-" else spec.unit), spec, complain)
    numbers = {n: _number(table[n], n, unit, spec, complain) for n in ("value", "low", "high") if n in table and unit}
    scale = table.get("scale", "linear")
    if scale not in ("linear", "log"):
        complain("scale", f"{show(scale)} is not one of the choices", "linear | log")
    if table.get("basis", "assumed") not in BASES:
        hint = did_you_mean(table["basis"], BASES) if isinstance(table["basis"], str) else ""
        complain("basis", f"{show(table['basis'])} is not one of the choices", " | ".join(BASES), hint)
    for name in ("source", "note"):
        if name in table and not (isinstance(table[name], str) and (_line(table[name]) or name == "note")):
            complain(name, f"{show(table[name])} is not a line of printable text")
    if len(problems) == before and len(numbers) == 3 and "basis" in table:
        value, low, high = (numbers[n] for n in ("value", "low", "high"))
        if not low <= value <= high:
            complain("value", "does not lie between low and high")
        elif scale == "log" and low <= 0.0:
            complain("low", "must be above zero on a log scale")
        else:
            text = {n: _line(table.get(n)) for n in ("source", "note")}
            return [Param(spec.name, value, spec.unit, low, high, table["basis"], text["source"], scale, text["note"])]
    return []


def _unit(raw: object, spec: CardEntry, complain) -> units.Unit | None:
    """The unit a table is written in, if it measures the right thing."""
    allowed = ", ".join(units.spellings(spec.unit))
    unit = units.find_unit(raw) if isinstance(raw, str) else None
    if unit is None or unit.si != spec.unit:
        what = (
            f"measures {units.DIMENSION[unit.si]}, not {units.DIMENSION[spec.unit]}" if unit else "is not a known unit"
        )
        complain("unit", f"{show(raw)} {what}", allowed)
        return None
    return unit


def _number(raw: object, name: str, unit: units.Unit, spec: CardEntry, complain) -> float:
    """SI value of one number of a table; told to `complain` when it is none, or impossible."""
    try:
        number = Decimal(repr(as_number(raw, "1.5")))
    except Bad as bad:
        complain(name, bad.message, bad.allowed, _own_line(raw, name) or bad.hint)
        return float("nan")
    value = units.to_si(number, unit)
    if not spec.low <= value <= spec.high:
        allowed = f"{units.readable(spec.low, unit.text)} to {units.readable(spec.high, unit.text)}"
        complain(name, f"{show(raw)} {unit.text} is out of range", allowed, slip(number, unit, spec.low, spec.high))
    return value


def _own_line(raw: object, name: str) -> str:
    """How to write a number that was given together with its unit."""
    if not isinstance(raw, str):
        return ""
    try:
        number, unit = units.split_quantity(raw)
    except units.UnitError:
        return ""
    if unit is None or unit.text == "-":
        return ""
    lines = f'{name} = {number} and unit = "{unit.text}"'
    return f"the {name} is a plain number and the unit goes in its own line: {lines}"


def _line(raw: object) -> str:
    """A text on one printable line; empty if it is no text."""
    return "".join(c for c in " ".join(raw.split()) if c.isprintable()) if isinstance(raw, str) else ""


def check_set(found: Mapping[str, Param], where: str, prefix: str, problems: list[Problem]) -> None:
    """Contradictions between parameters."""
    pairs = (
        ("temperature_cold", "temperature_warm", "is not below temperature_warm"),
        ("skim_ratio_low", "skim_ratio_high", "is not below skim_ratio_high"),
    )
    for low, high, message in pairs:
        if low in found and high in found and found[low].value >= found[high].value:
            problems.append(Problem(where, prefix + low, message))


def card_toml(params: ParamSet, section: str = "") -> str:
    """A card as TOML in SI units that reads back the same; as a section of a config, or as a file."""
    prefix = f"{section}." if section else ""
    lines = [f"[{section}]"] if section else []
    lines += [f"title = {toml_string(params.title)}", f"note = {toml_string(getattr(params, 'note', ''))}"]
    more = {name: getattr(params, name, "") for name in ("bench", "cut_edge", "overheated", "use")}
    lines += [f"{name} = {toml_string(text)}" for name, text in more.items() if text]
    for p in params.values():
        lines += [
            f"[{prefix}{p.name}]",
            f"value = {p.value!r}",
            f'unit = "{p.unit}"',
            f"low = {p.low!r}",
            f"high = {p.high!r}",
        ]
        lines += [f"{name} = {toml_string(getattr(p, name))}" for name in ("basis", "source", "scale", "note")]
    return "\n".join(lines) + "\n"


def toml_string(text: str) -> str:
    """A printable line as a TOML string."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def format_table(params: ParamSet, width: int = 100) -> str:
    """Plain-text table of a card for people: name, value, range, unit, basis and, below each, the source."""
    rows = [("parameter", "value", "low - high", "unit", "basis"), *(_row(p) for p in params.values())]
    widths = [max(len(r[i]) for r in rows) for i in range(5)]
    head = [params.title, *textwrap.wrap(getattr(params, "note", ""), width)]
    lines = [*head, "", _join(rows[0], widths), _join(["-" * w for w in widths], widths)]
    indent = " " * 4
    for row, p in zip(rows[1:], params.values(), strict=True):
        source = f"{p.source}. {p.note}".strip() if p.note else p.source
        wrapped = textwrap.wrap(source, width, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False)
        lines += [_join(row, widths), *wrapped]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _row(p: Param) -> tuple[str, str, str, str, str]:
    unit = units.spelling_for(p.value, p.unit)
    bare = [units.readable(v, unit).split(" ")[0] for v in (p.value, p.low, p.high)]
    limits = f"{bare[1]} - {bare[2]}" if p.low < p.high else "fixed"
    return p.name, bare[0], limits, unit.replace("degC", "°C"), p.basis


def _join(cells, widths: list[int]) -> str:
    return "  ".join(f"{cell:<{w}}" for cell, w in zip(cells, widths, strict=True))
