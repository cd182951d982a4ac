"""Tables of a prediction as CSV files for a spreadsheet: units in the header, one fact per row."""

import math
import os
from pathlib import Path

from ..base.quantities.spreadsheet import csv_text
from ..base.quantities.written import harmless
from ..errors import InputError, Problem
from .date import date_words
from .files import refuse_existing, write_together
from .prediction import EngineResult, Prediction

Rows = list[list[object]]
_RATES = ("strike", "selection", "nip", "chip", "escape")


def write_csv(prediction: Prediction, directory: Path | str, force: bool = False) -> list[Path]:
    """Write the tables of a prediction, and its whole config, into a folder (made if missing); the paths written.

    All of them are written, or none. Sizes are in mm, all else in the unit that the header or the unit column names;
    unknown numbers are empty.
    """
    folder = Path(directory)
    files = {name: csv_text(rows) for name, rows in _tables(prediction).items()}
    files["config.toml"] = harmless(prediction.config_text.rstrip()) + "\n"
    if not force:
        refuse_any_existing([folder / name for name in files])
    return write_together({name: text.encode() for name, text in files.items()}, folder, force)


def refuse_any_existing(paths: list[Path], where: str = "") -> None:
    """Raise InputError with one line if any of the files exists already."""
    taken = [path for path in paths if os.path.lexists(path)]
    if not taken:
        return
    if len(taken) == 1:
        refuse_existing(taken[0], where)
    text = f"{len(taken)} of the files exist already, {taken[0].name} to {taken[-1].name}"
    place = f"{taken[0].parent}: {text}" if where else text
    hint = "use --force to replace them, or name another folder"
    raise InputError(Problem(where or str(taken[0].parent), "", place, hint=hint))


def _tables(p: Prediction) -> dict[str, Rows]:
    engines = [p.main] + ([p.other] if p.other else [])
    tables = {
        "run.csv": _run(p),
        "sizes.csv": _sizes(engines),
        "rates.csv": _rates(engines),
        "scalars.csv": _scalars(engines),
        "ledger.csv": _ledger(engines),
        "limits.csv": _limits(p),
        "parameters.csv": _parameters(p),
    }
    if p.widest:
        rows = [[out, name, factor] for out, ranked in p.widest.items() for name, factor in ranked]
        tables["widest.csv"] = [["output", "parameter", "factor [1]"], *rows]
    if len(p.warmup_time_s):
        rows = [[t, T - 273.15] for t, T in zip(p.warmup_time_s, p.warmup_temperature_K, strict=True)]
        tables["warmup.csv"] = [["time [s]", "outlet temperature [degC]"], *rows]
    if p.trace is not None and len(p.trace.time_s):
        t = p.trace
        columns = [t.time_s, t.torque_Nm, t.peak_torque_Nm, t.speed_rad_s * 30 / math.pi, t.pieces]
        header: list[object] = ["time [s]", "torque [N m]", "peak torque [N m]", "speed [rpm]", "pieces [1]"]
        if len(t.charge_kg):
            columns, header = [*columns, t.charge_kg], [*header, "charge [kg]"]
        tables["trace.csv"] = [header, *map(list, zip(*columns, strict=True))]
    return tables


def _run(p: Prediction) -> Rows:
    pairs = {
        "mill": p.mill_name,
        "status": p.status,
        "binding limit": p.binding,
        "engine": p.main.engine,
        "seed": p.seed,
        "command": p.command,
        "version": p.version,
        "model version": p.model_version,
        "date": date_words(p.date),
        "config sha256": p.config_sha256,
        "band level [1]": p.band_level,
        "sieve hole [mm]": p.hole_m * 1e3,
        "size floor [mm]": p.size_floor_m * 1e3,
        "requested rate [g/h]": p.requested_rate_kg_s * 3.6e6,
    }
    rows: Rows = [["key", "value"], *([k, v] for k, v in pairs.items())]
    return rows + [["warning", w] for w in p.warnings] + [["would grind", w] for w in p.grinds_with]


def _sizes(engines: list[EngineResult]) -> Rows:
    header = ["engine", "x [mm]", "feed Q3 [1]", "product Q3 [1]", "product Q3 standard error [1]"]
    rows: Rows = [[*header, "product Q3 band low [1]", "product Q3 band high [1]", "hold-up Q3 [1]"]]
    for e in engines:
        t = e.table
        columns = (t.edges_m * 1e3, t.feed_q3, t.product_q3, t.product_q3_se, t.product_q3_low, t.product_q3_high)
        rows += [[e.engine, *row] for row in zip(*columns, t.holdup_q3, strict=True)]
    return rows


def _rates(engines: list[EngineResult]) -> Rows:
    rows: Rows = [["engine", "x lower [mm]", "x upper [mm]", "x [mm]", *(f"{name} [1/s]" for name in _RATES)]]
    for e in engines:
        t = e.table
        sizes = (t.edges_m[:-1] * 1e3, t.edges_m[1:] * 1e3, t.x_m * 1e3)
        columns = (getattr(t, f"{name}_1_s") for name in _RATES)
        rows += [[e.engine, *row] for row in zip(*sizes, *columns, strict=True)]
    return rows


def _scalars(engines: list[EngineResult]) -> Rows:
    rows: Rows = [["engine", "name", "value", "unit", "standard error", "band low", "band high", "meaning"]]
    for e in engines:
        rows += [[e.engine, k, s.value, s.unit, s.se, s.low, s.high, s.long_name] for k, s in e.scalars.items()]
    return rows


def _ledger(engines: list[EngineResult]) -> Rows:
    rows: Rows = [["engine", "side", "name", "value [W]", "standard error [W]", "band low [W]", "band high [W]"]]
    for e in engines:
        for side, ledger in (("in", e.ledger_in_W), ("out", e.ledger_out_W)):
            rows += [[e.engine, side, k, s.value, s.se, s.low, s.high] for k, s in ledger.items()]
    return rows


def _limits(p: Prediction) -> Rows:
    rows: Rows = [["name", "load", "capacity", "unit", "margin [1]", "binds", "sentence"]]
    for x in p.limits:
        rows.append([x.name, x.load, x.capacity, x.unit, x.margin, "yes" if x.name == p.binding else "no", x.sentence])
    return rows


def _parameters(p: Prediction) -> Rows:
    rows: Rows = [["name", "value", "unit", "low", "high", "basis", "source", "scale", "note"]]
    rows += [[q.name, q.value, q.unit, q.low, q.high, q.basis, q.source, q.scale, q.note] for q in p.parameters]
    return rows
