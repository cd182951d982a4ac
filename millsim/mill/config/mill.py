"""A mill config: frozen dataclasses in SI, read from TOML in one pass, with a canonical text and hash.

`load_config` is the only door: either all is right and within range, or one InputError lists all that is not.
"""

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from functools import cache, partial
from pathlib import Path
from typing import Any

from ...base.quantities.params import Param, ParamSet
from ...base.quantities.units import exact_text, spelling_for
from ...base.reading.key import AS_MUCH, AS_MUCH_BEFORE, Key
from ...base.reading.toml import parse_toml, read_text
from ...errors import InputError, Problem
from .. import cards
from ..cards.calibrated import Calibrated
from ..cards.spec import MODEL
from . import derived
from .gather import Reading, as_much, ignored, read, with_values
from .guessed import Guesses
from .schema import SECTIONS, key_row
from .sections import Air, Casing, Day, Drive, Feed, FeedSize, Guard, Limits, Rotor, Run, Shaft, Sieve, Stator


@dataclass(frozen=True)
class Config:
    """One mill with its feed and run, all in SI, with the cards it uses."""

    name: str
    rotor: Rotor
    shaft: Shaft
    stator: Stator
    sieve: Sieve
    drive: Drive
    air: Air
    casing: Casing
    guard: Guard
    feed: Feed
    limits: Limits
    day: Day
    run: Run
    model_overrides: dict[str, float]
    material: cards.Card  # the card of the feed material, shipped or the user's own
    model: ParamSet  # model parameters with the overrides in place
    calibration: Calibrated | None
    path: Path | None
    text: str  # resolved TOML, loads again to the same hash without any other file
    sha256: str
    ignored: tuple[str, ...] = ()  # what config and cards say that has lost its meaning, as sentences
    guesses: Guesses | None = None  # what of it nobody measured


RADIUS_ERROR = 0.3  # of a measured edge radius, as a share of it: a reading off a photo or a gauge (assumed)
_PLAIN = (Shaft, Stator, Sieve, Air, Casing, Guard, Limits, Day, Run)  # filled from their sections as they are


def load_config(path: "str | Path", overrides: Sequence[str] = ()) -> Config:
    """Config from a TOML file and overrides "section.key=value". Raises InputError with every problem."""
    path = Path(path)
    text = read_text(path)
    if isinstance(text, Problem):
        raise InputError(text)
    return parse_config(text, str(path), path.parent, overrides, path)


def parse_config(
    text: str,
    where: str = "config text",
    base_dir: "Path | None" = None,
    overrides: Sequence[str] = (),
    path: "Path | None" = None,
) -> Config:
    """Config from TOML text, such as the text of another Config. Raises InputError with every problem."""
    parsed = parse_toml(text, where)
    if {"parameters", "conditions"} <= parsed.tables.keys() and "rotor" not in parsed.tables:
        hint = 'name it in a config: [calibration] card = "..."'
        raise InputError(Problem(where, "", "is a calibrated card, not a mill config", hint=hint))
    if "masses" in parsed.tables and "rotor" not in parsed.tables:
        hint = "name the config that its [run] names, or use `millsim run`"
        raise InputError(Problem(where, "", "is a run sheet, not a mill config", hint=hint))
    return _settled(read(parsed, where, base_dir or Path(), overrides), path)


def _settled(r: Reading, path: "Path | None" = None) -> Config:
    if not r.problems and r.guesses:
        for key, message in _guesses(r).contradictions():
            r.say(f"guessed.{key}", message, "", "narrow the range")
    if r.problems:
        raise InputError(list(dict.fromkeys(r.problems)))
    return from_reading(r, path)


def with_keys(config: Config, overrides: Sequence[str]) -> Config:
    """A config with some keys changed; its calibrated card, by far its longest part, is not read again.

    Raises InputError with every problem.
    """
    card = config.calibration
    text = config.text.removesuffix(card.section) if card else config.text
    return _settled(read(parse_toml(text, "config text"), "config text", Path(), overrides, card))


def from_reading(r: Reading, path: "Path | None" = None, named: bool = True) -> Config:
    """Config of a settled reading without problems. Not `named`: without text and hash, which take time."""
    assert r.material is not None  # a reading without problems has one
    sections: dict[str, Any] = {name: made(r.values) for name, made in MADE.items()}
    return Config(
        name=r.values["mill.name"],
        **sections,
        model_overrides=dict(r.model),
        material=r.material,
        model=model_of(r),
        calibration=r.calibration,
        path=path,
        text=_text(r) if named else "",
        sha256=_sha256(r) if named else "",
        ignored=ignored(r),
        guesses=_guesses(r) if r.guesses else None,
    )


def _guesses(r: Reading) -> Guesses:
    """The guesses of a settled reading, with the ways to a mill of other values."""
    return Guesses(r.guesses, partial(with_values, r), partial(from_reading, named=False))


def _section(cls: type, values: derived.Values, section: str = "", **more) -> Any:
    """A dataclass filled from the keys of its section."""
    names, keys = _fields_of(cls, section or cls.__name__.lower())
    return cls(**(dict(zip(names, map(values.get, keys), strict=True)) | more))


@cache
def _fields_of(cls: type, section: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """(fields, keys) of all that a dataclass takes from the keys of a section."""
    wanted = {f.name for f in fields(cls)}
    found = [k for k in SECTIONS[section] if k.field in wanted]
    return tuple(k.field for k in found), tuple(f"{section}.{k.name}" for k in found)


def _drive(v: derived.Values) -> Drive:
    curve = v["drive.speed_curve"]
    return _section(Drive, v, curve_power_W=tuple(P for P, _ in curve), curve_speed_rad_s=tuple(w for _, w in curve))


def _feed(v: derived.Values) -> Feed:
    open_ = as_much(v) or v["feed.batch_mass"] is not None
    return _section(Feed, v, size=_feed_size(v), rate_kg_s=None if open_ else v["feed.rate"])


def _feed_size(v: derived.Values) -> FeedSize:
    kind = v["feed.size.kind"]
    return _section(
        FeedSize, v, "feed.size",
        kind="sieve_sheet" if kind in ("table", "product") else kind,
        sheet_path=v.get("feed.size.path"),
        sheet_apertures_m=tuple(v["feed.size.apertures"]), sheet_q3=tuple(v["feed.size.q3"]),
        largest_m=v["feed.largest"],
        top_m=v["feed.top"],
    )  # fmt: skip


MADE: dict[str, Callable[[derived.Values], Any]] = {  # sections of a config, from the values of their keys
    **{c.__name__.lower(): partial(_section, c) for c in _PLAIN},
    "rotor": lambda v: _section(Rotor, v, edges=tuple(v["rotor.edges"].items())),
    "drive": _drive,
    "feed": _feed,
}


def model_of(r: Reading) -> ParamSet:
    """The parameters of the model, with what the config says of them."""
    return _with_radius(_with_overrides(cards.load_model(), r.model, r.where), r)


def _with_overrides(model: ParamSet, overrides: dict[str, float], where: str) -> ParamSet:
    """Model parameters with the config's values."""
    if not overrides:
        return model
    source = f"[model] in {Path(where).name}"
    return model.merged([cards.as_set(model[name], v, source) for name, v in overrides.items()])


def _with_radius(model: ParamSet, r: Reading) -> ParamSet:
    """Model parameters with the edge radius that was measured, and how far the reading may be off."""
    radius, off = r.values["rotor.edge_radius"], r.values["rotor.edge_radius_error"]
    if radius is None:
        return model
    known = "" if off is not None else ", assumed"
    off = RADIUS_ERROR if off is None else off
    source = f"[rotor] edge_radius in {Path(r.where).name}; read to {100.0 * off:.0f} %{known}"
    old = model[f"edge_radius_{r.values['rotor.edge']}"]
    low, high = radius / (1.0 + off), radius * (1.0 + off)
    return model.merged([replace(old, value=radius, low=low, high=high, basis="measured", source=source, note="")])


def _resolved(r: Reading) -> list[tuple[str, Key, Any]]:
    """(section, key, value) of all that defines the mill, in schema order; derived and absent left out."""
    v = dict(r.values)
    if v["feed.size.kind"] in ("sieve_sheet", "product"):
        v["feed.size.kind"], v["feed.size.sheet"], v["feed.size.file"] = "table", None, None
    if v["sieve.own_area"] is None:  # it follows from angle or share
        v["sieve.area"] = None
    if v["sieve.kind"] == "cloth":
        v["sieve.thickness"] = None
    if v["feed.handful"] is not None or v["feed.batch_mass"] is not None:
        v["feed.rate"] = None
    guessed = {p.name for p in r.guesses}
    if v["sieve.derived"] is not None and v["sieve.open_fraction"] == v["sieve.derived"]:
        v["sieve.open_fraction"] = v["sieve.open_fraction"] if "sieve.open_fraction" in guessed else None
    if as_much(v):
        v["feed.rate"] = AS_MUCH
    for held, by in (("tip_speed", "speed"), ("dial_step", "speed"), ("speed_under_load", "speed_curve")):
        v[f"drive.{by if f'drive.{held}' in guessed else held}"] = None
    if "air.room" in guessed and r.gathered.get("feed.temperature") is None:
        v["feed.temperature"] = None
    if plain(v["drive.no_load_speed"]) == plain(v["drive.speed"]):
        v["drive.no_load_speed"] = None
    rows = [(section, key, v.get(f"{section}.{key.name}")) for section, keys in SECTIONS.items() for key in keys]
    smooth = v["stator.kind"] == "smooth"
    return [(s, k, x) for s, k, x in rows if x is not None and x != () and not (smooth and s == "stator" and k.only)]


def _text(r: Reading) -> str:
    """The resolved config as TOML."""
    lines: list[str] = []
    last = ""
    for section, key, value in _resolved(r):
        if section != last:
            lines += ["", f"[{section}]"]
            last = section
        lines.append(f"{key.name} = {_toml(value, key)}")
    if r.model:
        lines += ["", "[model]", *(f"{n} = {_model_toml(n, x)}" for n, x in sorted(r.model.items()))]
    if r.guesses:
        lines += ["", "[guessed]", *(f"{p.name} = {_guess_toml(p)}" for p in r.guesses)]
    parts = ["\n".join(lines).strip() + "\n"]
    parts += [cards.card_toml(r.material, "material")] if r.own_card and r.material else []
    parts += [r.calibration.section] if r.calibration else []
    return "\n".join(parts)


def _toml(value: Any, key: Key) -> str:
    """One resolved value as TOML, in the unit its key is usually written in."""
    if key.kind == "curve":
        return "[" + ", ".join(f'["{exact_text(p, "W")}", "{exact_text(s, "rpm")}"]' for p, s in value) + "]"
    if isinstance(value, tuple):
        return "[" + ", ".join(_toml(x, replace(key, kind="quantity")) for x in value) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return cards.toml_string(value)
    return repr(value) if key.si == "-" else f'"{exact_text(value, key.shown)}"'


def _guess_toml(p: Param) -> str:
    key = key_row(*p.name.rpartition(".")[::2])
    if p.words:
        return f"[{', '.join(w if key.kind == 'flag' else cards.toml_string(w) for w in p.words)}]"
    low, high = (int(x) if key.kind == "whole" else x for x in (p.low, p.high))
    return f"[{_toml(low, key)}, {_toml(high, key)}]"


def _model_toml(name: str, value: float) -> str:
    si = MODEL[name].unit
    return repr(value) if si == "-" else f'"{exact_text(value, spelling_for(value, si))}"'


def _sha256(r: Reading) -> str:
    """Hash of the resolved values to 12 digits, whatever the spelling, order and file names."""
    rows = [
        f"{s}.{k.name}={AS_MUCH_BEFORE if x == AS_MUCH else plain(x)}"
        for s, k, x in _resolved(r)
        if not (r.own_card and (s, k.name) == ("feed", "material"))
    ]
    rows += [f"model.{n}={plain(x)}" for n, x in sorted(r.model.items())]
    rows += [f"guessed.{p.name}={plain(p.low)} {plain(p.high)} {p.note}" for p in r.guesses]
    if r.own_card and r.material:
        rows += [
            f"material.{p.name}=" + "|".join(plain(getattr(p, f.name)) for f in fields(p)) for p in r.material.values()
        ]
    rows += [r.calibration.toml] if r.calibration else []
    return hashlib.sha256("\n".join(rows).encode()).hexdigest()


def plain(value: object) -> str:
    """A value as the hashes see it: numbers to 12 digits."""
    if isinstance(value, tuple):
        return "[" + ",".join(plain(x) for x in value) + "]"
    return f"{value:.12g}" if isinstance(value, float) else str(value)
