"""The tidy table of a sweep: one row per point, units in the header, for a spreadsheet."""

import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from ...base.numerics.statistics import central
from ...base.quantities.spreadsheet import csv_text
from ...base.quantities.units import UNITS, in_unit
from ...forecast.band import LEVEL
from ...record.files import holds, write_bytes
from ...record.limits import FAILED, LIMITS, MISSING, OVER, status_words
from ...record.missing import TOO_LITTLE
from .points import row_of
from .record import Sweep

PART = 20_000  # rows made at a time

# Column: (output, factor, offset) from SI.
_COLUMNS = {
    "x10_um": ("x10_m", 1e6, 0.0),
    "x50_um": ("x50_m", 1e6, 0.0),
    "x90_um": ("x90_m", 1e6, 0.0),
    "span": ("span", 1.0, 0.0),
    "throughput_g_h": ("throughput_kg_s", 3.6e6, 0.0),
    "holdup_g": ("holdup_kg", 1e3, 0.0),
    "gross_kWh_kg": ("gross_J_kg", 1 / 3.6e6, 0.0),
    "net_kWh_kg": ("net_J_kg", 1 / 3.6e6, 0.0),
    "electrical_power_W": ("electrical_power_W", 1.0, 0.0),
    "idle_power_W": ("idle_power_W", 1.0, 0.0),
    "outlet_C": ("outlet_temperature_K", 1.0, -273.15),
    "air_m3_h": ("air_flow_m3_s", 3600.0, 0.0),
    "open_sieve_share": ("open_sieve_share", 1.0, 0.0),
    "tip_speed_m_s": ("tip_speed_m_s", 1.0, 0.0),
    "residence_s": ("residence_s", 1.0, 0.0),
    "hits_per_particle": ("hits_per_particle", 1.0, 0.0),
    "jam_index": ("jam_index", 1.0, 0.0),
}


def write_tidy(sweep: Sweep, path: Path | str, force: bool = False) -> None:
    """Write the tidy table; it appears whole or not at all. One that stands there already is no fault."""
    if not force and holds(path, (part.encode() for part in tidy_parts(sweep))):
        return
    write_bytes(path, (part.encode() for part in tidy_parts(sweep)), force)


def tidy_parts(sweep: Sweep) -> Iterator[str]:
    """The tidy table as CSV: settings in the unit of each key, answers, what binds, and where each row comes from.

    In parts of some thousand rows, since the text of a large sweep is larger than the sweep.
    """
    for start in range(0, sweep.count, PART):
        rows = np.arange(start, min(start + PART, sweep.count))
        columns = list(_columns(sweep, rows))
        header = [[name for name, _ in columns]] if start == 0 else []
        yield csv_text([*header, *zip(*(values for _, values in columns), strict=True)])


def _columns(s: Sweep, rows: np.ndarray) -> Iterator[tuple[str, list]]:
    """(name, cells) of every column for some points."""
    p, count = s.points, rows.size
    status, binding = p.status[rows].tolist(), p.binding[rows].tolist()
    yield "point", rows.tolist()
    for i in range(len(s.axes)):
        yield from _settings(s, i, rows)
    if s.engine == "montecarlo":
        yield "seed", (s.seed + np.unravel_index(rows, s.shape)[-1]).tolist()
    else:
        yield "seed", [s.seed if s.draw_count else ""] * count
    yield "status", [status_words(k, LIMITS[b]) for k, b in zip(status, binding, strict=True)]
    yield "binding", ["" if k in (FAILED, MISSING) else LIMITS[b] for k, b in zip(status, binding, strict=True)]
    for name, (output, factor, offset) in _COLUMNS.items():
        yield name, _cells(p.values[output][rows] * factor + offset)
        if output in p.se:
            yield f"{name}_se", _cells(p.se[output][rows] * factor)
        if output in p.draws:
            low, high = central(p.draws[output][rows], LEVEL)
            yield f"{name}_low", _cells(low * factor + offset)
            yield f"{name}_high", _cells(high * factor + offset)
    for j, limit in enumerate(LIMITS):
        yield f"load_{limit.replace(' ', '_')}", _cells(p.loads[rows, j])
    early = (p.status == OVER) & np.isnan(p.values["throughput_kg_s"])
    yield "reason", [p.reason[i].text if i in p.reason else TOO_LITTLE * int(early[i]) for i in rows.tolist()]
    yield "engine", [s.engine] * count
    yield "version", [s.version] * count
    yield "model_version", [s.model_version] * count
    yield "base_config_sha256", [s.base_sha256] * count
    yield "point_hash", [f"{a:016x}{b:016x}" for a, b in s.identity[rows].tolist()]


def _settings(s: Sweep, i: int, rows: np.ndarray) -> Iterator[tuple[str, list]]:
    axis = s.axes[i]
    where = np.unravel_index(rows, s.shape)[i if s.design == "grid" else 0]
    for key, values in {axis.key: axis.values, **axis.along}.items():
        shown = row_of(key).shown
        plain = isinstance(values[0], str) or shown == "-"
        cells = [values[k] if plain else f"{in_unit(values[k], UNITS[shown]):.10g}" for k in where.tolist()]
        yield key if plain else f"{key} [{shown}]", cells


def _cells(values: np.ndarray) -> list[str]:
    return ["" if math.isnan(v) else f"{v:.6g}" for v in values.tolist()]
