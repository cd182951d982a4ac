"""Reads a run sheet: a TOML file on one measured run of a mill whose config it names.

`read_run` is the only door: either all is right and possible, or one InputError lists all that is not. Sheets and
config lie beside the run sheet. What was not said and had to be assumed stands in `assumed`, what is doubtful in
`warnings`.
"""

import hashlib
from dataclasses import dataclass, fields, replace
from pathlib import Path

from ...base.quantities.units import exact_text
from ...base.reading.cells import Answering
from ...base.reading.key import AS_MUCH
from ...base.reading.sheet import SieveSheet, read_sheet
from ...base.reading.tables import Tables, read_sections
from ...base.reading.toml import is_there, missing, parse_toml, read_text
from ...errors import InputError, Problem
from ...mill.config.mill import Config, load_config, parse_config
from . import lasersizes, runchecks
from .runspec import AS_IT_TOOK, AT_ONCE, SECTIONS, SPEC

LOTS = ("product", "holdup", "bag")  # what may have been sieved
PARTS = ("product", "holdup", "bag", "sweepings")  # where what was fed may be found again


@dataclass(frozen=True)
class MeasuredRun:
    """One measured run in SI; None is what was not measured. Accuracies (scale, clock, meter, probe, air) are limits,
    plus or minus, not standard errors."""

    name: str
    date: str | None
    note: str | None
    config_file: str  # as written in the sheet
    overrides: tuple[str, ...]
    config: Config  # with the overrides; feed rate and room as the config has them (see `config_as_run`)
    fed_kg: float
    product_kg: float
    holdup_kg: float | None
    bag_kg: float | None
    sweepings_kg: float | None
    scale_kg: float  # step of the scale
    milling_s: float
    warm_s: float | None
    clock_s: float
    feeding: str  # "metered", "as much as it took" or "all at once"
    limit: str | None  # what held the feed back, where the mill set the rate
    idle_W: float | None  # of the mill with its rotor, hot and empty
    loaded_W: float | None  # mean while fed
    idle_upper_W: float | None  # amperes x volts without a power factor: the most it can have been
    loaded_upper_W: float | None
    energy_J: float | None  # where an energy meter was read; loaded_W is then its mean
    meter_class: float  # share of the reading
    meter_at: str  # "mains" or "shaft"
    speed_idle_rad_s: float | None
    speed_loaded_rad_s: float | None
    air_temperature_K: float | None  # of the air that leaves
    room_K: float | None
    powder_temperature_K: float | None  # of the powder that leaves
    probe_K: float
    air_flow_m3_s: float | None
    air_uncertainty: float  # share of the flow
    product_sheets: tuple[SieveSheet, ...]  # several are repeats
    holdup_sheets: tuple[SieveSheet, ...]
    bag_sheets: tuple[SieveSheet, ...]
    assumed: tuple[str, ...]
    warnings: tuple[str, ...]
    path: Path | None
    sha256: str  # of all values, the sheets and the config
    motor_alone_W: float | None = None  # of the motor without the rotor: its own loss, no windage

    @property
    def parts_kg(self) -> dict[str, float]:
        """What was weighed afterwards, by name of the lot."""
        found = {part: getattr(self, f"{part}_kg") for part in PARTS}
        return {part: mass for part, mass in found.items() if mass is not None}

    @property
    def sized_by(self) -> str:
        """How the product's sizes were measured; "" where they were not."""
        kinds = {s.by_laser for s in self.product_sheets}
        return "" if not kinds else "laser diffraction" if True in kinds else "sieves"

    @property
    def not_weighed(self) -> tuple[str, ...]:
        """The lots that were not weighed; the balance takes them as nothing."""
        return tuple(p for p in PARTS if p not in self.parts_kg)

    @property
    def unaccounted_kg(self) -> float:
        """Fed less all that was weighed afterwards; negative where more was found than fed."""
        return self.fed_kg - sum(self.parts_kg.values())

    @property
    def feed_rate_kg_s(self) -> float:
        """Mean feed rate."""
        return self.fed_kg / self.milling_s


def read_run(path: "str | Path") -> MeasuredRun:
    """Read a run sheet with the config and the sieve sheets it names. Raises InputError with every problem."""
    path = Path(path)
    content = read_text(path)
    if isinstance(content, Problem):
        raise InputError(content)
    return parse_run(content, str(path), path.parent, path)


def parse_run(content: str, where: str = "run sheet", base_dir: Path | None = None, path: Path | None = None):
    """MeasuredRun from TOML text; files are looked for in base_dir. Raises InputError with every problem."""
    parsed = parse_toml(content, where)
    if "rotor" in parsed.tables and "masses" not in parsed.tables:
        hint = "a run sheet names it: [run] config = ...; see configs/demo_run.toml"
        raise InputError(Problem(where, "", "is a mill config, not a run sheet", hint=hint))
    if {"parameters", "conditions"} <= parsed.tables.keys():
        hint = "name the run sheet it was made from, or put the card into a config"
        raise InputError(Problem(where, "", "is a calibrated card, not a run sheet", hint=hint))
    t = Tables(SPEC, where, base_dir or Path(), parsed.tables, list(parsed.problems), set(parsed.lost), parsed.complete)
    read_sections(t)
    config = _config(t)
    sheets = {lot: _sheets(t, lot) for lot in LOTS}
    for finding in runchecks.contradictions(t.values, sheets):
        t.say(*finding)
    if t.problems or config is None:
        raise InputError(list(dict.fromkeys(t.problems)))
    return _build(t, config, sheets, path)


def config_as_run(run: MeasuredRun) -> Config:
    """The config with what the run sheet knows better: the feed rate that was milled and the air of the room.

    A metered rate stands in for whatever feed the config has; a mill that set its own rate keeps that. Of a batch, what
    was fed and the milling time stand in for charge and time.
    """
    if run.feeding == AT_ONCE:
        charge, time = exact_text(run.fed_kg, "kg"), exact_text(run.milling_s, "s")
        changes = [f'feed.batch_mass="{charge}"', f'feed.batch_time="{time}"']
    else:
        rate = AS_MUCH if run.feeding == AS_IT_TOOK else exact_text(run.feed_rate_kg_s, "kg/h")
        changes = [f'feed.rate="{rate}"']
    if run.room_K is not None:
        changes.append(f'air.room="{exact_text(run.room_K, "degC")}"')
    base = run.config.path.parent if run.config.path else None
    return replace(parse_config(run.config.text, run.config_file, base, changes), path=run.config.path)


def _config(t: Tables) -> Config | None:
    """The config that the sheet names, with its overrides; None, and told, where that fails."""
    name = t.values.get("run.config")
    if name is None:
        return None
    file = t.base_dir / name
    if not is_there(file):
        t.problems.append(replace(missing(file), key="run.config"))
        return None
    try:
        return load_config(file, t.values.get("run.overrides") or ())
    except InputError as error:
        for p in error.problems:
            where = f"{t.where} [run] overrides" if p.where == "--set" else p.where
            t.problems.append(replace(p, where=where, key=p.key or "run.config"))
    return None


def _sheets(t: Tables, lot: str) -> tuple[SieveSheet, ...]:
    """The sieve sheets of one lot; what cannot be read is told, with where in this file a question is answered."""
    found, answers = [], {k.name: t.values.get(f"sieving.answers.{k.name}") for k in SECTIONS["sieving.answers"]}
    for name in t.values.get(f"sieving.{lot}") or ():
        file = t.base_dir / name
        if not is_there(file):
            t.problems.append(replace(missing(file, (".csv", ".tsv", ".txt")), key=f"sieving.{lot}"))
            continue
        try:
            found.append(read_sheet(file, _BY_KEYS, **answers))
        except InputError as error:
            t.problems += error.problems
    return lasersizes.read_off(tuple(found))


def _as_key(name: str, value: str) -> str:
    """An answer as a key of [sieving.answers]; "" where that takes no such answer."""
    key = SPEC.find("sieving.answers", name)
    if key is None or not set(value.split("|")) <= {*key.choices, ""}:
        return ""
    return f'{name} = "{value}"' if key.choices else f"{name} = true"


_BY_KEYS = Answering("answer under [sieving.answers] with", _as_key)


def _build(t: Tables, config: Config, sheets: dict[str, tuple[SieveSheet, ...]], path: Path | None) -> MeasuredRun:
    v = t.values
    lasers = [lasersizes.ASSUMED] * any(s.by_laser for found in sheets.values() for s in found)
    run = MeasuredRun(
        name=v["run.name"], date=v["run.date"], note=v["run.note"], config_file=v["run.config"],
        overrides=v["run.overrides"], config=config,
        fed_kg=v["masses.fed"], product_kg=v["masses.product"], holdup_kg=v["masses.holdup"], bag_kg=v["masses.bag"],
        sweepings_kg=v["masses.sweepings"], scale_kg=v["masses.scale"],
        milling_s=v["time.milling"], warm_s=v["time.warm"], clock_s=v["time.clock"],
        feeding=v["feeding.how"], limit=v["feeding.limit"],
        idle_W=runchecks.power_W(v, "idle"), loaded_W=runchecks.power_W(v, "loaded"),
        idle_upper_W=runchecks.bound_W(v, "idle"), loaded_upper_W=runchecks.bound_W(v, "loaded"),
        energy_J=v["power.energy"], meter_class=v["power.class_percent"] / 100, meter_at=v["power.at"],
        speed_idle_rad_s=v["speed.idle"], speed_loaded_rad_s=v["speed.loaded"],
        air_temperature_K=runchecks.air_K(v), room_K=v["temperature.room"],
        powder_temperature_K=runchecks.powder_K(v), probe_K=v["temperature.probe"],
        air_flow_m3_s=v["air.flow"], air_uncertainty=v["air.uncertainty_percent"] / 100,
        **{f"{lot}_sheets": found for lot, found in sheets.items()},
        assumed=(*runchecks.assumptions(v, t.given, config), *lasers),
        warnings=tuple(runchecks.doubts(v, config, sheets)),
        path=path, sha256="", motor_alone_W=v["power.motor_alone"],
    )  # fmt: skip
    return replace(run, sha256=_sha256(run))


def measured_hash(run: MeasuredRun) -> str:
    """Hash of what was measured and nothing else: the same whatever the run is called and its config has become."""
    return hashlib.sha256("\n".join(_measured_rows(run)).encode()).hexdigest()


def _sha256(run: MeasuredRun) -> str:
    """Hash of what was measured and of the config, whatever the spelling, order and file names."""
    return hashlib.sha256("\n".join([*_measured_rows(run), run.config.sha256]).encode()).hexdigest()


def _measured_rows(run: MeasuredRun) -> list[str]:
    names = {f.name for f in fields(run)}
    names -= {"config", "config_file", "overrides", "assumed", "warnings", "path", "sha256", "date", "note", "name"}
    rows = sorted(((_HASHED_AS.get(name, name), getattr(run, name)) for name in names), key=lambda row: row[0])
    return [f"{name}={_plain(value)}" for name, value in rows if name not in _SINCE or value is not None]


# Calibrated cards know their runs by this hash: fields that were renamed or added since must not change it.
_HASHED_AS = {"air_temperature_K": "outlet_K", "powder_temperature_K": "product_temperature_K"}
_SINCE = ("motor_alone_W",)


def _plain(value: object) -> str:
    if isinstance(value, SieveSheet):
        row = (value.apertures_m, value.q3, value.retained_g, value.pan_g, value.charge_g)
        return _plain(("laser", *row) if value.by_laser else row)
    if isinstance(value, tuple):
        return "[" + ",".join(map(_plain, value)) + "]"
    return f"{value:.12g}" if isinstance(value, float) else str(value)
