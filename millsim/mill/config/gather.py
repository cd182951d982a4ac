"""From TOML tables to the flat table of resolved SI values, with every problem noted and none raised.

Owns overrides, unknown and missing keys, and the files a config names (card, sieve sheet). For `config`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from ...base.quantities.params import Param
from ...base.quantities.units import DIMENSION, exact_text, spelling_for
from ...base.reading.key import AS_MUCH, Key
from ...base.reading.tables import Spec, Tables, read_sections, section_table
from ...base.reading.toml import TomlText, flat, is_there, missing, toml_value
from ...base.reading.values import Bad, convert, did_you_mean, show
from ...errors import InputError, Problem
from .. import cards
from ..cards.calibrated import Calibrated, calibrated_from, load_calibrated
from ..cards.spec import IGNORED, MATERIAL, MODEL, CardEntry
from . import checks, derived
from .guessed import read_guessed
from .schema import ALTERNATIVES, EDGES, FREE_SECTIONS, SAME, SECTIONS, key_row

NEEDS_ONE = (  # (selector key, its value, key, unless this is given)
    ("sieve.kind", "plate", "sieve.pitch", "sieve.open_fraction"),
    ("sieve.kind", "mesh", "sieve.wire", "sieve.open_fraction"),
    ("sieve.kind", "cloth", "sieve.thread", "sieve.open_fraction"),
    ("sieve.kind", "plate", "sieve.thickness", ""),
    ("sieve.kind", "mesh", "sieve.thickness", "sieve.wire"),
)


@dataclass
class Reading(Tables):
    """State of reading one config."""

    model: dict[str, float] = field(default_factory=dict)  # overrides of model parameters, SI
    ignored: list[str] = field(default_factory=list)  # names under [model] that have lost their meaning
    material: cards.Card | None = None
    own_card: bool = False  # the material is the user's, not one of the package
    calibration: Calibrated | None = None
    guesses: tuple[Param, ...] = ()  # what [guessed] says of keys
    gathered: derived.Values = field(default_factory=dict)  # of a config with guesses: the values before `settle`


def _on_a_card(name: str) -> str:
    """A hint when the key is a parameter of the material or of the model."""
    if name in MATERIAL:
        return f"{name} belongs on a material card (see millsim materials)"
    return f"{name} belongs in [model]" if name in MODEL else ""


_SPEEDS = {"drive.speed", "drive.tip_speed", "drive.dial_step"}
_SPEC = Spec(SECTIONS, tuple(FREE_SECTIONS), ALTERNATIVES, _on_a_card)


def read(
    parsed: TomlText, where: str, base_dir: Path, overrides: Sequence[str] = (), card: Calibrated | None = None
) -> Reading:
    """Resolve the tables of a config; the result's `problems` is empty exactly when it can be used.

    card: the calibrated card, where it is known and the tables do not hold it.
    """
    return settle(gather(parsed, where, base_dir, overrides, card))


def gather(
    parsed: TomlText, where: str, base_dir: Path, overrides: Sequence[str] = (), card: Calibrated | None = None
) -> Reading:
    """Every value that is given, each checked by itself; nothing derived, nothing compared yet."""
    r = Reading(_SPEC, where, base_dir, parsed.tables, list(parsed.problems), set(parsed.lost), parsed.complete)
    own = flat(r.tables)
    r.calibration = card
    file = _motor_of_file(r, overrides)
    for override in overrides:
        _override(r, str(override))
    _drop_replaced(r)
    read_sections(r)
    set_anew = bool(file) and bool(r.overridden & _SPEEDS)
    r.values["drive.slip"] = derived.slip(file) if set_anew else ()
    r.values["drive.kept_speed"] = derived.no_load_speed(file) if set_anew else None
    _conditional(r)
    _read_model(r)
    _read_material(r)
    _read_calibration(r)
    _read_sheet(r)
    _read_product(r)
    r.guesses = read_guessed(r, own)
    return r


def settle(r: Reading) -> Reading:
    """Derive what follows from the values gathered and note what contradicts what."""
    if r.guesses:
        r.gathered = dict(r.values)
    derived.derive(r.values)
    for finding in checks.contradictions(r.values):
        r.say(*finding)
    return r


def with_values(r: Reading, values: Mapping[str, object]) -> Reading:
    """A settled reading of guesses with other values of keys, settled anew."""
    return settle(replace(r, values={**r.gathered, **values}, problems=[], guesses=()))


def _override(r: Reading, text: str) -> None:
    """Put one section.key=value into the tables."""
    path, equals, raw = text.partition("=")
    section, _, name = path.strip().rpartition(".")
    if not equals or not section or not name:
        r.problems.append(
            Problem("--set", show(text), "is not of the form section.key=value", hint='e.g. stator.gap="3 mm"')
        )
        return
    key = f"{section}.{name}"
    if section.split(".")[0] not in {*SECTIONS, *FREE_SECTIONS}:
        hint = did_you_mean(section, [*SECTIONS, *FREE_SECTIONS]) or r.spec.home(name, section)
        r.problems.append(
            Problem("--set", show(key).strip('"'), f"there is no section [{show(section)[1:-1]}]", hint=hint)
        )
        return
    r.overridden.add(key)
    table = r.tables
    for part in section.split("."):
        if not isinstance(table.get(part), dict):
            table[part] = {}
        table = table[part]
    table[name] = toml_value(raw.strip())


def _drop_replaced(r: Reading) -> None:
    """Remove keys of the file that an override replaces by an alternative or makes inapplicable.

    The motor curve belonged to the old no-load speed; with a new one it is kept in proportion (`drive.slip`), and the
    no-load power is taken as read at the old one (`drive.kept_speed`).
    """
    for section, groups, _ in ALTERNATIVES:
        if any(f"{section}.{name}" in r.overridden for group in groups for name in group):
            for group in groups:
                if not any(f"{section}.{name}" in r.overridden for name in group):
                    _drop(r, section, group)
    for section, keys in SECTIONS.items():
        for key in (k for k in keys if k.only and f"{section}.{k.only[0]}" in r.overridden):
            table = section_table(r.tables, section)
            if not isinstance(table, dict) or table.get(key.only[0]) != key.only[1]:
                _drop(r, section, (key.name,))
    for section, names in SAME.items():
        if any(f"{section}.{name}" in r.overridden for name in names):
            _drop(r, section, names)
    if "sieve.kind" in r.overridden and r.tables["sieve"].get("kind") == "cloth":  # which has no sheet
        _drop(r, "sieve", ("thickness",))
    if "rotor.edge" in r.overridden:  # shares and radius were those of the edges before
        _drop(r, "rotor", (*(f"{kind}_share" for kind in EDGES), "edge_radius", "edge_radius_error"))
    if "feed.material" in r.overridden and isinstance(own := r.tables.pop("material", None), dict):
        kept = {name: value for name, value in own.items() if f"material.{name}" in r.overridden}
        r.tables |= {"material": kept} if kept else {}
    if r.overridden & _SPEEDS:
        _drop(r, "drive", ("speed_under_load", "speed_curve"))


def _motor_of_file(r: Reading, overrides: Sequence[str]) -> derived.Values:
    """Rotor and drive as the file has them, where an override is about to change the speed; else nothing."""
    if not any(str(o).partition("=")[0].strip() in _SPEEDS for o in overrides):
        return {}
    own = {name: dict(t) for name, t in r.tables.items() if name in ("rotor", "drive") and isinstance(t, dict)}
    file = Tables(_SPEC, r.where, r.base_dir, own)
    read_sections(file)  # its complaints are not needed: the reading proper has them
    return file.values


def _drop(r: Reading, section: str, names: tuple[str, ...]) -> None:
    table = section_table(r.tables, section)
    for name in names:
        if f"{section}.{name}" not in r.overridden and isinstance(table, dict):
            table.pop(name, None)


def _conditional(r: Reading) -> None:
    """Keys that are needed only in some cases."""
    for selector, value, key, unless in NEEDS_ONE:
        if r.values.get(selector) == value and r.lacks(key) and (not unless or r.lacks(unless)):
            row = key_row(*key.split("."))
            other = f" (or {unless.split('.')[1]})" if unless else ""
            r.say(key, f"is missing for a {value}{other}", row.allowed, f"for example {row.name} = {row.example}")
    _conditional_sieve(r)
    if r.values.get("drive.kind") in (None, "motor"):
        for name in ("regulated", "rotor_on"):
            if r.values.get(f"drive.{name}") is not None:
                hint = 'give kind = "router" or kind = "angle grinder"'
                r.say(f"drive.{name}", "is of a hand tool, and none is given", "", hint)
    if r.values.get("drive.no_load_speed") is not None and r.lacks("drive.no_load_power"):
        r.say("drive.no_load_speed", "is given without no_load_power", "", "give both, or neither")
    if (r.values.get("air.recirculated") or 0.0) > 0.0 and r.lacks("air.cooler_outlet"):
        row = key_row("air", "cooler_outlet")
        r.say(
            "air.cooler_outlet",
            "is missing: recirculated air must be cooled",
            row.allowed,
            f"for example {row.example}",
        )


def _conditional_sieve(r: Reading) -> None:
    """What a sieve needs, and what goes with what it is given by."""
    covers = [name for name in ("angle", "share") if f"sieve.{name}" in r.given]
    if not covers and r.lacks("sieve.area") and all(r.lacks(f"sieve.{name}") for name in ("angle", "share")):
        row = key_row("sieve", "area")
        hint = f'for example area = {row.example}, or angle = "180 deg"'
        r.say("sieve.area", f"is missing ({row.about})", row.allowed, hint)
    if not covers and r.values.get("sieve.height") is not None:
        r.say("sieve.height", "goes with angle or share, and neither is given", "", "an area holds its height already")
    if r.values.get("sieve.kind") == "cloth" and "sieve.thickness" in r.given:
        r.say("sieve.thickness", "is of a plate; of a cloth its thread counts", "", "give thread instead")
    own, model = f"edge_radius_{r.values.get('rotor.edge')}", r.tables.get("model")
    if r.values.get("rotor.edge_radius") is not None and isinstance(model, dict) and own in model:
        r.say("rotor.edge_radius", f"and {own} under [model] say the same thing", "", "give one of them")
    if r.values.get("rotor.edge_radius_error") is not None and r.lacks("rotor.edge_radius"):
        r.say("rotor.edge_radius_error", "is given without edge_radius", "", "give both, or neither")
    for name in ("ring_offset", "ring_spacing"):
        if r.values.get(f"rotor.{name}") and (r.values.get("rotor.rings") or 1) < 2:
            r.say(f"rotor.{name}", "is of several rings, and there is one", "", "give rings, or leave it out")


def model_key(name: str) -> Key:
    """The row of a model parameter, as for a config key; `name` must be one."""
    return _card_key(MODEL[name], cards.load_model()[name].value)


def _card_key(spec: CardEntry, example: float) -> Key:
    """The row of a card's parameter, as for a config key."""
    name, shown = spec.name, spelling_for(example, spec.unit)
    text = exact_text(example, shown)
    if spec.unit == "-":
        return Key(name, "number", spec.about, text.split(" ")[0], low=spec.low, high=spec.high)
    return Key(name, "quantity", spec.about, f'"{text}"', spec.unit, shown, spec.low, spec.high)


def _read_model(r: Reading) -> None:
    """Overrides of model parameters, each within what is physically possible."""
    table = r.tables.get("model")
    for name, raw in table.items() if isinstance(table, dict) else ():
        if name in IGNORED and isinstance(raw, int | float) and not isinstance(raw, bool):
            r.ignored.append(name)
            continue
        if name not in MODEL:
            r.say(f"model.{show(name)[1:-1]}", "unknown model parameter", hint=did_you_mean(name, MODEL))
            continue
        try:
            r.model[name] = convert(raw, model_key(name))
        except Bad as bad:
            si = MODEL[name].unit
            r.say(f"model.{name}", bad.message, bad.allowed or f"{DIMENSION[si]}, {model_key(name).allowed}", bad.hint)
    low, high = (r.model.get(n, cards.load_model()[n].value) for n in ("skim_ratio_low", "skim_ratio_high"))
    if low >= high:
        r.say("model.skim_ratio_high", f"{high:g} is not above skim_ratio_low, {low:g}")


def ignored(r: Reading) -> tuple[str, ...]:
    """What the config and its cards say that has lost its meaning, as sentences for the user."""
    card, runs = r.material.ignored if r.material else (), r.calibration.ignored if r.calibration else ()
    keys = [f"model.{n}" for n in r.ignored] + [f"material.{n}" for n in card]
    keys += [f"calibration.parameters.{n}" for n in runs]
    return tuple(f"{key} is read and ignored: {IGNORED[key.rpartition('.')[2]]}" for key in keys)


def _read_material(r: Reading) -> None:
    """The card the feed names, with what [material] changes of it, or the one written into the config."""
    name, inline = r.values.get("feed.material"), r.tables.get("material")
    changes = inline if isinstance(inline, dict) and not any(isinstance(v, dict) for v in inline.values()) else {}
    if isinstance(inline, dict) and not changes:
        before = len(r.problems)
        label = str(name or "material")
        card = cards.params_from_tables(inline, MATERIAL, r.where, r.problems, r.lost, label, r.complete, "material.")
        r.own_card, r.material = True, card if len(r.problems) == before else None
    elif isinstance(name, str):
        file = r.file("feed.material", name) if cards.is_path(name) else name
        if file is None:
            return
        try:
            r.material = cards.load_material(str(file))
        except InputError as error:
            for p in error.problems:
                config = "--set" if "feed.material" in r.overridden else r.where
                where = p.where if cards.is_path(name) else config
                r.problems.append(Problem(where, p.key or "feed.material", p.message, p.allowed, p.hint))
            return
        r.own_card = cards.is_path(name)
        r.values["feed.material"] = Path(name.strip()).stem if r.own_card else cards.shipped_name(name)
    if r.material is not None:
        _change_material(r, r.material, changes)


def _change_material(r: Reading, card: cards.Card, changes: dict) -> None:
    """Numbers of the card set in the config: a range that does not hold its number is widened to it."""
    new = []
    for name, raw in changes.items():
        if name not in MATERIAL:
            hint = did_you_mean(name, MATERIAL)
            r.say(f"material.{show(name)[1:-1]}", "unknown parameter of a material", hint=hint)
            continue
        spec, source = MATERIAL[name], f"[material] in {Path(r.where).name}"
        key = _card_key(spec, card[name].value if name in card else spec.low)
        try:
            value = convert(raw, key)
            old = card[name] if name in card else Param(name, value, spec.unit, value, value, "config", source)
            new.append(cards.as_set(old, value, source))
        except Bad as bad:
            r.say(f"material.{name}", bad.message, bad.allowed or key.allowed, bad.hint)
    if new:
        r.own_card, note = True, f"As on the card {card.title}, but for {', '.join(p.name for p in new)}."
        r.material = card.copied(card.merged(new), card.title, note, "")
        cards.check_set(r.material, r.where, "material.", r.problems)


def _read_calibration(r: Reading) -> None:
    """The calibrated card named by calibration.card, or the one written into the config."""
    table = r.tables.get("calibration")
    if not isinstance(table, dict):
        return
    if "card" not in table:
        r.calibration = calibrated_from(table, r.where, r.problems, "calibration.")
        return
    name = table["card"]
    if not isinstance(name, str) or not name.strip():
        r.say("calibration.card", f"{show(name)} is not the name of a file", hint='for example card = "run.card.toml"')
        return
    file = r.file("calibration.card", name)
    if file is None:
        return
    try:
        r.calibration = load_calibrated(file)
    except InputError as error:
        r.problems += [replace(p, key=p.key or "calibration.card") for p in error.problems]


def _read_sheet(r: Reading) -> None:
    """Apertures and cumulative shares of the sieve sheet the feed names."""
    sheet = r.values.get("feed.size.sheet")
    if not isinstance(sheet, str) or r.values.get("feed.size.kind") != "sieve_sheet":
        return
    from ...base.reading.cells import IN_THE_FILE
    from ...base.reading.sheet import read_sheet

    file = r.values["feed.size.path"] = r.file("feed.size.sheet", sheet)
    if file is None:
        return
    if not is_there(file):
        r.problems.append(replace(missing(file, (".csv", ".tsv", ".txt")), key="feed.size.sheet"))
        return
    try:
        table = read_sheet(file, IN_THE_FILE)
    except InputError as error:
        r.problems += error.problems
        return
    if table.by_laser:
        message = f"{file.name} is of laser diffraction, whose sizes are no sieve sizes"
        hint = 'sieve the feed, or give its curve by hand: kind = "table"'
        r.say("feed.size.sheet", message, hint=hint)
        return
    _take_curve(r, "sheet", *table.closed())


def _take_curve(r: Reading, key: str, sizes_m: Sequence[float], q3: Sequence[float]) -> None:
    """A curve from the file that feed.size.`key` names, checked as if it had been written out."""
    raw = {"apertures": [exact_text(float(a), "mm") for a in sizes_m], "q3": [float(q) for q in q3]}
    for name, value in raw.items():
        try:
            r.values[f"feed.size.{name}"] = convert(value, key_row("feed.size", name))
        except Bad as bad:
            r.say(f"feed.size.{key}", f"{name}: {bad.message}", bad.allowed, bad.hint)


def _read_product(r: Reading) -> None:
    """The curve of the product that the result file of another prediction holds, if it is of the same material."""
    name = r.values.get("feed.size.file")
    if not isinstance(name, str) or r.values.get("feed.size.kind") != "product":
        return
    from .product import named, other_material, read_product

    file = r.values["feed.size.path"] = r.file("feed.size.file", name)
    if file is None:
        return
    try:
        product = read_product(file)
    except InputError as error:
        r.problems += named(error, "feed.size.file")
        return
    if r.material is not None and (wrong := other_material(product.material, r.material, file.name)):
        r.say("feed.size.file", wrong[0], hint=wrong[1])
    _take_curve(r, "file", product.sizes_m, product.q3)


def as_much(values: dict[str, object]) -> bool:
    """Whether the feed rate is left open."""
    given = any(values.get(f"feed.{name}") is not None for name in ("batch_mass", "handful"))
    return values.get("feed.rate") in (None, AS_MUCH) and not given
