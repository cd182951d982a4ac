"""A mill config: frozen dataclasses in SI, read from TOML in one pass, with a canonical text and hash.

`load_config` is the only door: either all is right and within range, or one InputError lists all that is not.
"""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any, NamedTuple

from ...base.quantities.params import ParamSet
from ...base.quantities.units import exact_text, spelling_for
from ...base.reading.key import AS_MUCH, Key
from ...base.reading.toml import parse_toml, read_text
from ...errors import InputError, Problem
from .. import cards
from ..cards.calibrated import Calibrated, calibrated_toml
from ..cards.spec import MODEL
from . import checks
from .gather import Reading, as_much, ignored, read
from .schema import SECTIONS


@dataclass(frozen=True)
class Rotor:
    """The rotor: bars or swinging hammers. What follows `pivot_radius_m` is for the pre-build review."""

    radius_m: float
    bars: int
    bar_height_m: float
    bar_thickness_m: float
    edge: str
    mount: str
    mass_kg: float | None
    hammer_mass_kg: float | None
    pivot_radius_m: float | None
    pivot_pin_diameter_m: float | None
    hammer_thickness_m: float | None  # at the eye, along the pin
    material: str | None
    yield_strength_Pa: float | None
    run_out_m: float | None
    balance_grade: float | None  # G of ISO 21940-11, mm/s


@dataclass(frozen=True)
class Shaft:
    """The shaft beside the rotor, where told; for the pre-build review."""

    diameter_m: float | None
    overhang_m: float | None
    bearing_span_m: float | None


@dataclass(frozen=True)
class Stator:
    """The wall: pins (0 when smooth) and the gap to the bar tips. What follows `gap_m` is for the pre-build review."""

    kind: str
    pins: int
    pin_diameter_m: float
    free_length_m: float
    gap_m: float
    held: str | None
    threaded: bool | None
    yield_strength_Pa: float | None


@dataclass(frozen=True)
class Sieve:
    """The sieve at the wall; pitch of a plate, wire of a mesh, where known."""

    kind: str
    hole_m: float
    pitch_m: float | None
    wire_m: float | None
    thickness_m: float
    open_fraction: float
    area_m2: float


@dataclass(frozen=True)
class Drive:
    """The motor; the curve is shaft power against speed, empty when not given.

    kind: None or "motor", or the hand tool that it is. What follows `phase_control` is for the pre-build review.
    """

    kind: str | None
    rated_power_W: float
    rated_at: str
    efficiency: float
    speed_rad_s: float  # without load
    curve_power_W: tuple[float, ...]
    curve_speed_rad_s: tuple[float, ...]
    regulated: bool | None
    no_load_power_W: float | None  # at the socket, nothing on shaft or collet
    no_load_speed_rad_s: float | None  # where that was read
    overload: float
    phase_control: bool | None
    dial_rad_s: tuple[float, ...]  # speed at each step
    rotor_on: str | None
    rated_diameter_m: float | None
    rated_mass_kg: float | None
    side_load_N: float | None
    rated_for_s: float | None
    duty_share: float | None
    brake: bool | None

    @property
    def is_tool(self) -> bool:
        """Whether it is a hand tool, made to turn cutters and discs."""
        return self.kind not in (None, "motor")

    @property
    def shaft_rated_W(self) -> float:
        """Continuous power at the shaft [W]."""
        return checks.shaft_rated(self.rated_power_W, self.rated_at, self.efficiency)


@dataclass(frozen=True)
class Air:
    """What moves, filters and cools the air."""

    fan: bool
    inlet_area_m2: float
    filter_area_m2: float | None
    blower_pressure_Pa: float
    recirculated: float
    cooler_outlet_K: float | None
    room_K: float


@dataclass(frozen=True)
class Casing:
    """The body that warms up with the charge."""

    mass_kg: float
    material: str


@dataclass(frozen=True)
class Guard:
    """The wall between rotor and people, where told; for the pre-build review."""

    material: str | None
    thickness_m: float | None


@dataclass(frozen=True)
class FeedSize:
    """Size distribution of the feed by mass; a table or another mill's product counts as a sieve sheet."""

    kind: str  # single, rrsb, lognormal, sieve_sheet
    size_m: float | None
    x63_m: float | None
    n: float | None
    x50_m: float | None
    sigma: float | None
    sheet_path: Path | None
    sheet_apertures_m: tuple[float, ...]
    sheet_q3: tuple[float, ...]
    largest_m: float  # the single size, else the size 95 % is finer than: what the feed's coarse end is like
    top_m: float  # the largest piece there may be: what breaks a pin


class Batch(NamedTuple):
    """A charge that is filled in once, and how long it is milled."""

    mass_kg: float
    time_s: float


@dataclass(frozen=True)
class Feed:
    """What goes in; both rate and batch mass None means as much as the mill takes."""

    material: str  # label of the card; the card itself is Config.material
    temperature_K: float
    rate_kg_s: float | None
    batch_mass_kg: float | None
    batch_time_s: float | None
    opening_m: float
    size: FeedSize

    @property
    def batch(self) -> Batch | None:
        """The batch, where one is asked for."""
        mass, time = self.batch_mass_kg, self.batch_time_s
        return Batch(mass, time) if mass is not None and time is not None else None


@dataclass(frozen=True)
class Limits:
    """Limits the user sets."""

    outlet_temperature_K: float | None


@dataclass(frozen=True)
class Run:
    """How to compute."""

    engine: str
    seed: int | None
    histories: int
    x50_error: float
    class_ratio: float
    tolerance: float
    band_samples: int
    trace: bool


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
    run: Run
    model_overrides: dict[str, float]
    material: ParamSet  # the card of the feed material, shipped or the user's own
    model: ParamSet  # model parameters with the overrides in place
    calibration: Calibrated | None
    path: Path | None
    text: str  # resolved TOML, loads again to the same hash without any other file
    sha256: str
    ignored: tuple[str, ...] = ()  # what config and cards say that has lost its meaning, as sentences


_PLAIN = (Rotor, Shaft, Stator, Sieve, Air, Casing, Guard, Limits, Run)  # filled from their sections as they are


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
    r = read(parsed, where, base_dir or Path(), overrides)
    if r.problems:
        raise InputError(list(dict.fromkeys(r.problems)))
    return from_reading(r, path)


def from_reading(r: Reading, path: "Path | None" = None, named: bool = True) -> Config:
    """Config of a settled reading without problems. Not `named`: without text and hash, which take time."""
    v = r.values
    assert r.material is not None  # a reading without problems has one
    curve = v["drive.speed_curve"]
    v["feed.rate"] = None if as_much(v) or v["feed.batch_mass"] is not None else v["feed.rate"]
    sections: dict[str, Any] = {c.__name__.lower(): _section(c, v) for c in _PLAIN}
    return Config(
        name=v["mill.name"],
        **sections,
        drive=_section(
            Drive, v, curve_power_W=tuple(P for P, _ in curve), curve_speed_rad_s=tuple(w for _, w in curve)
        ),
        feed=_section(Feed, v, size=_feed_size(r)),
        model_overrides=dict(r.model),
        material=r.material,
        model=_with_overrides(cards.load_model(), r.model, r.where),
        calibration=r.calibration,
        path=path,
        text=_text(r) if named else "",
        sha256=_sha256(r) if named else "",
        ignored=ignored(r),
    )


def _section(cls: type, values: checks.Values, section: str = "", **more) -> Any:
    """A dataclass filled from the keys of its section."""
    section = section or cls.__name__.lower()
    wanted = {f.name for f in fields(cls)}
    got = {k.field: values.get(f"{section}.{k.name}") for k in SECTIONS[section] if k.field in wanted}
    return cls(**{**got, **more})


def _feed_size(r: Reading) -> FeedSize:
    v = r.values
    kind = v["feed.size.kind"]
    return _section(
        FeedSize, v, "feed.size",
        kind="sieve_sheet" if kind in ("table", "product") else kind,
        sheet_path=v.get("feed.size.path"),
        sheet_apertures_m=tuple(v["feed.size.apertures"]), sheet_q3=tuple(v["feed.size.q3"]),
        largest_m=v["feed.largest"],
        top_m=v["feed.top"],
    )  # fmt: skip


def _with_overrides(model: ParamSet, overrides: dict[str, float], where: str) -> ParamSet:
    """Model parameters with the config's values; a range that does not hold its value is widened to it."""
    source = f"[model] in {Path(where).name}"
    changed = [
        replace(p, value=v, low=min(p.low, v), high=max(p.high, v), basis="config", source=source)
        for p, v in ((model[name], v) for name, v in overrides.items())
    ]
    return model.merged(changed)


def _resolved(r: Reading) -> list[tuple[str, Key, Any]]:
    """(section, key, value) of all that defines the mill, in schema order; derived and absent left out."""
    v = dict(r.values)
    if v["feed.size.kind"] in ("sieve_sheet", "product"):
        v["feed.size.kind"], v["feed.size.sheet"], v["feed.size.file"] = "table", None, None
    if v["sieve.derived"] is not None and v["sieve.open_fraction"] == v["sieve.derived"]:
        v["sieve.open_fraction"] = None
    if as_much(v):
        v["feed.rate"] = AS_MUCH
    for held in ("tip_speed", "dial_step", "speed_under_load"):  # as speed and speed_curve
        v[f"drive.{held}"] = None
    if v["drive.no_load_speed"] == v["drive.speed"]:
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
    parts = ["\n".join(lines).strip() + "\n"]
    parts += [cards.card_toml(r.material, "material")] if r.own_card and r.material else []
    parts += [calibrated_toml(r.calibration, section="calibration")] if r.calibration else []
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


def _model_toml(name: str, value: float) -> str:
    si = MODEL[name].unit
    return repr(value) if si == "-" else f'"{exact_text(value, spelling_for(value, si))}"'


def _sha256(r: Reading) -> str:
    """Hash of the resolved values to 12 digits, whatever the spelling, order and file names."""
    rows = [
        f"{s}.{k.name}={plain(x)}"
        for s, k, x in _resolved(r)
        if not (r.own_card and (s, k.name) == ("feed", "material"))
    ]
    rows += [f"model.{n}={plain(x)}" for n, x in sorted(r.model.items())]
    if r.own_card and r.material:
        rows += [
            f"material.{p.name}=" + "|".join(plain(getattr(p, f.name)) for f in fields(p)) for p in r.material.values()
        ]
    rows += [calibrated_toml(r.calibration)] if r.calibration else []
    return hashlib.sha256("\n".join(rows).encode()).hexdigest()


def plain(value: object) -> str:
    """A value as the hashes see it: numbers to 12 digits."""
    if isinstance(value, tuple):
        return "[" + ",".join(plain(x) for x in value) + "]"
    return f"{value:.12g}" if isinstance(value, float) else str(value)
