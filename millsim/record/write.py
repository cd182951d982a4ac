"""The result file: one HDF5 file, valid netCDF-4, that holds a whole Prediction.

Opens in xarray with engine="h5netcdf" or "netcdf4"; `xarray.open_datatree` keeps the root's scales in view.

    /            scales, one per dimension, and, as attributes, what was run: filetype, format_version,
                 program_version, model_version, mill_name, engine, seed, command, config, config_sha256,
                 binding, date (UTC, ISO 8601), warnings, grinds_with, changes (a JSON row each),
                 origin (JSON: the config and the settings it was made from, for what has changed since),
                 reviewed (JSON: what fails, what was not checked, what is near, checks made), measure_next (name, how;
                 beside it its minutes and share left) and, written last, status; behind the end of the HDF5 file its
                 seal (seal.py)
      edge       (edge) class bounds [m]; size (size) representative sizes [m]; size_bnds (size, bnds) [m]
      warmup_time, trace_time [s]; parameter, widest_output (names); widest_rank; bnds
      requested_rate, hole, size_floor, temperature_limit, band_level: single numbers
    /sizes       distributions at the class bounds (edge), *_se, *_low, *_high beside them; rates (size)
    /scalars     one variable per predicted number, with *_se (standard error), *_low and *_high (band)
    /ledger      in/ and out/: shaft power by cause and by fate [W]
    /numerics    residual, iterations, histories, ... of the engine
    /engine2     sizes, scalars, ledger, numerics of the other engine if both ran; scales edge2 and size2
    /limits      one group per limit: load, capacity, load at rest, and the sentence as an attribute
    /parameters  value, low, high, unit, basis, source, ... (parameter)
    /band        parameters and the factor they open each output by (widest_output, widest_rank)
    /warmup      temperature (warmup_time) [K]
    /trace       torque, speed, pieces, charge (trace_time) of the history shown, what was fed, torques of the motor,
                 stall statistics of cold starts from empty; running/: those of running at the steady charge

NaN means "not known", and the attribute `missing` or the long name says why; absent *_se, *_low, *_high mean the same.
Nothing but `date` depends on clock, host or chance: the same prediction of the same date gives the same bytes, and
SOURCE_DATE_EPOCH sets the date. Format 1.1; a reader of 1.1 reads every 1.x (1.0 kept a checksum over its content as an
attribute instead of the seal).
Only this module, read.py, bounds.py, netcdf.py and the sweep files know HDF5.
"""

import json
import re
from pathlib import Path

import numpy as np

from ..base.quantities.scalar import Scalar
from ..errors import MillsimError
from . import missing, netcdf
from .files import refuse_existing, write_bytes
from .prediction import ChamberTrace, EngineResult, Prediction, Running, SizeTable
from .read import FILETYPE, FORMAT_VERSION, SIZE_FIELDS
from .seal import sealed

_RANGE_PARTS = (
    ("se", "standard error of"),
    ("low", "lower bound of the band of"),
    ("high", "upper bound of the band of"),
)


def write(prediction: Prediction, path: Path | str, force: bool = False) -> None:
    """Write a prediction to a new HDF5/netCDF-4 file; it appears whole or not at all.

    Without `force` an existing file is never replaced. Failures raise MillsimError and leave nothing behind.
    """
    if not force:
        refuse_existing(Path(path))
    write_bytes(path, to_bytes(prediction), force)


def to_bytes(prediction: Prediction) -> bytes:
    """The content of the result file, built in memory so that a full disk cannot leave HDF5 half-way."""
    import h5py

    try:
        with h5py.File("result", "w", driver="core", backing_store=False) as file:
            _write_root(file, prediction)
            file.flush()
            return sealed(file.id.get_file_image())
    except (OSError, ValueError, TypeError, RuntimeError) as error:
        raise MillsimError(f"cannot put the prediction into a result file: {error}.") from error


def _write_root(file, p: Prediction) -> None:
    """Everything in a fixed order; the attribute `status` comes last and marks the file as finished."""
    file.attrs.update(
        filetype=FILETYPE,
        format_version=FORMAT_VERSION,
        Conventions="CF-1.10",
        program_version=p.version,
        model_version=p.model_version,
        mill_name=p.mill_name,
        engine=p.main.engine,
        seed=_seed(p.seed),
        command=p.command,
        config=p.config_text,
        config_sha256=p.config_sha256,
        binding=p.binding,
    )
    if p.date:
        file.attrs["date"] = p.date
    if p.warnings:
        file.attrs["warnings"] = list(p.warnings)
    if p.grinds_with:
        file.attrs["grinds_with"] = list(p.grinds_with)
    if p.changes:
        file.attrs["changes"] = [json.dumps(c) for c in p.changes]
    if p.reviewed is not None:
        file.attrs["reviewed"] = json.dumps(p.reviewed)
    if p.origin:
        file.attrs["origin"] = json.dumps(p.origin)
    if p.advised is not None:
        file.attrs["measure_next"] = [p.advised.name, p.advised.how]
        file.attrs["measure_next_minutes"], file.attrs["measure_next_left"] = p.advised.minutes, p.advised.left
    netcdf.scale(file, "bnds", np.arange(2), "1", "lower and upper class bound")
    netcdf.number(
        file, "requested_rate", p.requested_rate_kg_s, "kg/s", "feed rate asked for; NaN: as fast as it can grind"
    )
    netcdf.number(file, "hole", p.hole_m, "m", "sieve hole")
    netcdf.number(file, "size_floor", p.size_floor_m, "m", "size below which the fastest impact breaks nothing")
    netcdf.number(file, "temperature_limit", p.temperature_limit_K, "K", "temperature limit")
    netcdf.number(file, "band_level", p.band_level, "1", "probability of the prediction band; NaN: no band was run")
    _write_engine(file, file, p, p.main, "")
    if p.other is not None:
        group = file.create_group("engine2")
        group.attrs["engine"] = p.other.engine
        _write_engine(file, group, p, p.other, "2")
    _write_limits(file, p)
    _write_parameters(file, p)
    _write_widest(file, p.widest)
    _write_warmup(file, p)
    if p.trace is not None:
        _write_trace(file, p.trace)
    file.attrs["status"] = p.status


def _seed(seed: int) -> int | str:
    return seed if -(2**63) <= seed < 2**63 else str(seed)


def _write_engine(file, group, p: Prediction, result: EngineResult, suffix: str) -> None:
    _write_sizes(file, group.create_group("sizes"), p, result.table, suffix)
    _write_scalars(group.create_group("scalars"), p, result.scalars)
    ledger = group.create_group("ledger")
    _write_scalars(ledger.create_group("in"), p, result.ledger_in_W)
    _write_scalars(ledger.create_group("out"), p, result.ledger_out_W)
    numerics = {k: Scalar(v, "1", k.replace("_", " ")) for k, v in result.numerics.items()}
    _write_scalars(group.create_group("numerics"), p, numerics)
    _write_tallies(file, group, result, suffix)


def _write_tallies(file, group, result: EngineResult, suffix: str) -> None:
    if not result.tallies:
        return
    tallies, scale = group.create_group("tallies"), (file["size" + suffix],)
    for position, (name, tally) in enumerate(result.tallies.items()):
        variable = netcdf.array(tallies, name, tally.value, scale, tally.unit, tally.long_name)
        variable.attrs["key"], variable.attrs["position"] = name, position
        netcdf.array(tallies, f"{name}_se", tally.se, scale, tally.unit, f"standard error of {tally.long_name}")
        variable.attrs["ancillary_variables"] = f"{name}_se"


def _write_sizes(file, group, p: Prediction, table: SizeTable, suffix: str) -> None:
    edges = np.asarray(table.edges_m, float)
    scales = {
        "edge": netcdf.scale(file, "edge" + suffix, edges, "m", "particle size at the class bounds"),
        "size": netcdf.scale(file, "size" + suffix, table.x_m, "m", "representative particle size of the class"),
    }
    bounds = np.stack([edges[:-1], edges[1:]], axis=1)
    variable = netcdf.array(file, f"size{suffix}_bnds", bounds, (scales["size"], file["bnds"]), "m", "class bounds")
    scales["size"].attrs["bounds"] = variable.name.lstrip("/")
    for name, (scale, units, long_name) in SIZE_FIELDS.items():
        _name_missing(netcdf.array(group, name, getattr(table, name), (scales[scale],), units, long_name), p, name)
    group["product_q3"].attrs["ancillary_variables"] = "product_q3_se product_q3_low product_q3_high"


def _name_missing(variable, p: Prediction, key: str) -> None:
    """Say of a variable that holds NaN why it does."""
    if np.isnan(variable[()]).any():
        variable.attrs["missing"] = f"NaN: {missing.why(p, key)}"


def _write_scalars(group, p: Prediction, scalars: dict[str, Scalar]) -> None:
    for position, (key, scalar) in enumerate(scalars.items()):
        name = _free_name(group, key)
        variable = netcdf.number(group, name, scalar.value, scalar.unit, scalar.long_name)
        variable.attrs["key"] = key
        variable.attrs["position"] = position
        _name_missing(variable, p, key)
        beside = []
        for part, words in _RANGE_PARTS:
            value = getattr(scalar, part)
            if not np.isnan(value):
                netcdf.number(group, f"{name}_{part}", value, scalar.unit, f"{words} {scalar.long_name or key}")
                beside.append(f"{name}_{part}")
        if beside:
            variable.attrs["ancillary_variables"] = " ".join(beside)


def _write_limits(file, p: Prediction) -> None:
    limits = file.create_group("limits")
    for position, limit in enumerate(p.limits):
        group = limits.create_group(_free_name(limits, limit.name))
        group.attrs.update(key=limit.name, position=position, sentence=limit.sentence)
        _name_missing(netcdf.number(group, "load", limit.load, limit.unit, f"load on: {limit.name}"), p, limit.name)
        netcdf.number(group, "capacity", limit.capacity, limit.unit, f"most it takes: {limit.name}")
        netcdf.number(group, "zero", limit.zero, limit.unit, f"load at rest: {limit.name}")


def _write_parameters(file, p: Prediction) -> None:
    group = file.create_group("parameters")
    if not p.parameters:
        return
    scale = netcdf.scale(file, "parameter", [q.name for q in p.parameters], "1", "name of the parameter")
    for name in ("value", "low", "high"):
        values = np.array([getattr(q, name) for q in p.parameters], float)
        words = {"value": "plausible value", "low": "plausible lower limit", "high": "plausible upper limit"}[name]
        netcdf.array(group, name, values, (scale,), "see variable unit", words)
    for name in ("unit", "basis", "source", "scale", "note"):
        netcdf.array(group, name, [getattr(q, name) for q in p.parameters], (scale,), "1", f"{name} of the parameter")


def _write_widest(file, widest: dict[str, list[tuple[str, float]]]) -> None:
    group = file.create_group("band")
    if not widest:
        return
    ranks = max(1, *(len(rows) for rows in widest.values()))
    names = np.full((len(widest), ranks), "", object)
    factors = np.full((len(widest), ranks), np.nan)
    for i, rows in enumerate(widest.values()):
        for j, (name, factor) in enumerate(rows):
            names[i, j], factors[i, j] = name, factor
    scales = (
        netcdf.scale(file, "widest_output", list(widest), "1", "predicted output"),
        netcdf.scale(file, "widest_rank", np.arange(1, ranks + 1), "1", "rank, widest first"),
    )
    netcdf.array(group, "widest_parameter", names, scales, "1", "parameter that opens the band of the output")
    words = "factor by which it opens the band; NaN: no parameter of that rank, see widest_count"
    netcdf.array(group, "widest_factor", factors, scales, "1", words)
    counts = np.array([len(rows) for rows in widest.values()])
    netcdf.array(group, "widest_count", counts, scales[:1], "1", "how many parameters are ranked")


def _write_warmup(file, p: Prediction) -> None:
    group = file.create_group("warmup")
    if len(p.warmup_time_s):
        scale = netcdf.scale(file, "warmup_time", p.warmup_time_s, "s", "time since start")
        netcdf.array(group, "temperature", p.warmup_temperature_K, (scale,), "K", "temperature of the air leaving")


def _write_trace(file, trace: ChamberTrace) -> None:
    group = file.create_group("trace")
    if len(trace.time_s):
        scale = (netcdf.scale(file, "trace_time", trace.time_s, "s", "time since start of the sample history"),)
        netcdf.array(group, "torque", trace.torque_Nm, scale, "N m", "mean torque in the interval")
        netcdf.array(group, "peak_torque", trace.peak_torque_Nm, scale, "N m", "highest torque in the interval")
        netcdf.array(group, "speed", trace.speed_rad_s, scale, "rad/s", "rotor speed")
        netcdf.array(group, "pieces", trace.pieces, scale, "1", "pieces followed one by one")
        if len(trace.charge_kg):
            netcdf.array(group, "charge", trace.charge_kg, scale, "kg", "pieces and powder in the chamber")
    netcdf.number(group, "runs", trace.runs, "1", "cold starts from empty")
    netcdf.number(group, "stalls", trace.stalls, "1", "starts that stalled")
    netcdf.number(group, "stall_low", trace.stall_low, "1", "stall probability, lower end of the 95 % interval")
    netcdf.number(group, "stall_high", trace.stall_high, "1", "stall probability, upper end of the 95 % interval")
    netcdf.number(group, "duration", trace.duration_s, "s", "length of each history")
    netcdf.number(group, "chokes", trace.chokes, "1", "of the stalls, those with a full chamber")
    netcdf.number(group, "arrived", trace.arrived, "1", "pieces that came in all starts")
    netcdf.number(group, "fed", trace.fed_kg_s, "kg/s", "feed rate of the histories")
    netcdf.number(group, "piece_rate", trace.pieces_1_s, "1/s", "pieces fed per second, of those that are followed")
    netcdf.number(group, "rated_torque", trace.rated_torque_Nm, "N m", "rated torque at the speed without load")
    netcdf.number(group, "overload_torque", trace.overload_torque_Nm, "N m", "torque for a moment, at the same speed")
    if trace.by_hand:
        netcdf.number(group, "every", trace.every_s, "s", "time from one handful to the next, of a feed by hand")
    group.attrs["shown_from"] = trace.shown_from
    if trace.running is not None:
        _write_running(group.create_group("running"), trace.running)


def _write_running(group, r: Running) -> None:
    netcdf.number(group, "runs", r.runs, "1", "histories that began at the steady charge")
    netcdf.number(group, "stalls", r.stalls, "1", "of these, those that stalled")
    netcdf.number(group, "watched", r.watched_s, "s", "time watched, each until it stalled or ended")
    netcdf.number(group, "arrived", r.arrived, "1", "pieces that came in these")
    netcdf.number(group, "stall_rate_low", r.low_1_s, "1/s", "stalls per second, lower end of the 95 % interval")
    netcdf.number(group, "stall_rate_high", r.high_1_s, "1/s", "stalls per second, upper end of the 95 % interval")


def _free_name(group, key: str) -> str:
    """A plain netCDF name for a key, not yet taken in the group; the key itself is kept as an attribute."""
    stem = re.sub(r"\W", "_", key, flags=re.ASCII)
    stem = stem if stem[:1].isalpha() else f"v_{stem}"
    name, count = stem, 1
    while name in group:
        count += 1
        name = f"{stem}_{count}"
    return name
