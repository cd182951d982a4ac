"""The sweep file: one HDF5 file, valid netCDF-4, that holds a whole sweep as columns over its named axes.

    /          one scale per axis of a grid (name: the key with underscores, in SI), `replicate`, `size`, `draw`,
               `limit`; of a sampled design `point`, the axes being variables over it. Keys that move along an axis are
               variables over that axis. Over all axes: status, binding (codes; `flag_meanings` says of what),
               identity, review_fails and review_unchecked (bits), product_q3 (.., size), load (.., limit) and one
               variable per output; with draws also *_low, *_high (80 % band of the draws), *_draw (.., draw),
               load_draw and product_q3_draw; *_se of Monte Carlo.
    /as_built  the same variables for the base mill as it is
    /failed    point (flat, in the order of the axes), reason and kind of reason of the points without an answer
    /tornado   outputs one standard deviation of each parameter down and up
    attributes as in a result file: filetype, format_version, versions, seed, plan, config, ..., status; and its seal;
               origin: where it came from, for `choose` to tell what has changed since (`origin.py`)

Opens in xarray with engine="h5netcdf" or "netcdf4". Nothing in it depends on clock, host, workers or chance.
"""

import json
from pathlib import Path

import numpy as np

from ...base.numerics.statistics import central
from ...errors import MillsimError
from ...forecast.band import LEVEL
from ...record import missing, netcdf
from ...record.files import write_bytes
from ...record.limits import LIMITS, MISSING, STATUS_MEANING, STATUS_WORDS
from ...record.outputs import OUTPUTS
from ...record.seal import sealed
from ...studies.prebuild.review import NAMES
from .read import FORMAT_VERSION, SWEEP, WORD
from .record import SIZES_M, Axis, Points, Sweep


def write(sweep: Sweep, path: Path | str, force: bool = False) -> None:
    """Write a sweep to a new file; it appears whole or not at all. Raises InputError, MillsimError."""
    write_bytes(path, to_bytes(sweep), force)


def to_bytes(sweep: Sweep) -> bytes:
    """The content of the sweep file, built in memory so that a full disk cannot leave HDF5 half-way."""
    import h5py

    from ...record.bounds import asked, length_for

    try:
        with h5py.File("sweep", "w", driver="core", backing_store=False, block_size=1 << 22) as file:
            _root(file, sweep)
            file.flush()
            content = file.id.get_file_image()
            # Where all is packed so well that a reader would not believe what it unfolds to, zeros stand behind it.
            return sealed(content + bytes(max(0, length_for(asked(file)) - len(content))))
    except (OSError, ValueError, TypeError, RuntimeError) as error:
        raise MillsimError(f"cannot put the sweep into a file: {error}.") from error


def _root(file, s: Sweep) -> None:
    """Everything in a fixed order; `status` comes last and marks the file as finished."""
    file.attrs.update(
        filetype=SWEEP.filetype, format_version=FORMAT_VERSION, Conventions="CF-1.10", program_version=s.version,
        model_version=s.model_version, mill_name=s.name, design=s.design, engine=s.engine, seed=s.seed,
        replicates=s.replicates, draws=s.draw_count, class_ratio=s.class_ratio, band_level=LEVEL, plan=s.plan_text,
        config=s.base_text, config_sha256=s.base_sha256, shape=np.array(s.shape),
        axis_names=[a.name for a in s.axes], **({"origin": json.dumps(s.origin)} if s.origin else {}),
    )  # fmt: skip
    scales = _axes(file, s)
    shared = {
        "size": netcdf.scale(file, "size", SIZES_M, "m", "particle size at which the product's Q3 is kept"),
        "limit": netcdf.scale(file, "limit", list(LIMITS), "1", "what may bind"),
        "word": netcdf.scale(file, "word", np.arange(2), "1", "word of the identity"),
    }
    if s.draw_count:
        shared["draw"] = netcdf.scale(file, "draw", np.arange(s.draw_count), "1", "draw of all uncertain parameters")
    _points(file, s.points, s.shape, scales, shared)
    netcdf.array(
        file, "identity", s.identity.reshape(*s.shape, 2), (*scales, shared["word"]), "1",
        "what the point was computed from, as a number",
    )  # fmt: skip
    _points(file.create_group("as_built"), s.as_built, (), (), shared)
    _failed(file, s)
    _tornado(file, s)
    errors = file.create_group("class_error")
    for name, value in s.class_error.items():
        netcdf.number(errors, name, value, "1", f"relative class error of the mill as built: {OUTPUTS[name].about}")
    left = int(np.count_nonzero(s.points.status == MISSING))
    status = "ok" if not left else f"unfinished: {left} of {s.count} points not computed"
    file.attrs["status"] = status


def _axes(file, s: Sweep) -> tuple:
    """Scales of the dimensions of all points; variables for what moves along, and for the axes of a sampled design."""
    if s.design == "grid":
        scales = tuple(netcdf.scale(file, a.name, _values(a.values), a.unit, a.about) for a in s.axes)
        for axis, scale in zip(s.axes, scales, strict=True):
            _describe(scale, axis)
            _along(file, axis, scale)
    else:
        point = netcdf.scale(file, "point", np.arange(s.shape[0]), "1", "point of the design")
        scales = (point,)
        for axis in s.axes:
            _describe(netcdf.array(file, axis.name, _values(axis.values), scales, axis.unit, axis.about), axis)
            _along(file, axis, point)
    if s.engine == "montecarlo":
        seeds = s.seed + np.arange(s.replicates)
        scales += (netcdf.scale(file, "replicate", seeds, "1", "seed of the Monte Carlo run"),)
    return scales


def _values(values: tuple):
    return list(values) if isinstance(values[0], str) else np.array(values)


def _describe(variable, axis: Axis) -> None:
    variable.attrs.update(key=axis.key, unit_for_people=axis.shown)
    if axis.words:
        variable.attrs["words"] = "yes"


def _along(file, axis: Axis, scale) -> None:
    from .points import row_of

    for key, values in axis.along.items():
        row = row_of(key)
        unit = "1" if row.si == "-" else row.si
        variable = netcdf.array(file, key.replace(".", "_"), _values(values), (scale,), unit, row.about)
        variable.attrs.update(key=key, along=axis.name, unit_for_people=row.shown)


def _points(group, p: Points, shape: tuple[int, ...], scales: tuple, shared: dict) -> None:
    """Variables of all points over `scales`, of one point as single numbers."""

    def put(name: str, values: np.ndarray, unit: str, words: str, more: tuple = ()):
        tail = values.shape[1:]
        return _named(netcdf.array(group, name, values.reshape(*shape, *tail), (*scales, *more), unit, words), values)

    one = scales == ()
    codes = {"status": (p.status, STATUS_WORDS), "binding": (p.binding, LIMITS)}
    for name, (values, words) in codes.items():
        about = "status of the point" if name == "status" else "limit that binds, or comes nearest"
        variable = netcdf.number(group, name, values[0], "1", about) if one else put(name, values, "1", about)
        variable.attrs["flag_values"] = np.arange(len(words), dtype="i1")
        variable.attrs["flag_meanings"] = " ".join(w.replace(" ", "_") for w in words)
        if name == "status":
            variable.attrs["meaning"] = list(STATUS_MEANING)
    if one:
        put = _one_point(group)
    if p.fails.size:
        for name, values, words in (("fails", p.fails, "fail"), ("unchecked", p.unchecked, "were not made")):
            v = put(f"review_{name}", values, "1", f"checks of the pre-build review that {words}, a bit each")
            v.attrs["flag_masks"] = np.uint64(1) << np.arange(len(NAMES), dtype=np.uint64)
            v.attrs["flag_meanings"] = " ".join(n.replace(" ", "_") for n in NAMES)
    put("load", p.loads, "1", "load as a share of what the limit allows; 1 binds", (shared["limit"],))
    put("product_q3", p.q3, "1", "product, cumulative undersize by mass", (shared["size"],))
    for name, output in OUTPUTS.items():
        unit, words = output.si, output.about
        put(name, p.values[name], unit, words)
        if name in p.se:
            put(f"{name}_se", p.se[name], unit, f"standard error of {words}")
        if name in p.draws:
            low, high = central(p.draws[name], LEVEL)
            put(f"{name}_low", low, unit, f"lower bound of the band of {words}")
            put(f"{name}_high", high, unit, f"upper bound of the band of {words}")
            put(f"{name}_draw", p.draws[name], unit, f"by parameter draw: {words}", (shared["draw"],))
    if p.draws:
        words = "by parameter draw: product, cumulative undersize by mass"
        put("product_q3_draw", p.draw_q3, "1", words, (shared["draw"], shared["size"]))
    if p.draw_loads.size:
        words = "by parameter draw: load as a share of what the limit allows; 1 binds"
        put("load_draw", p.draw_loads, "1", words, (shared["draw"], shared["limit"]))


def _named(variable, values: np.ndarray):
    """A variable that says, where it holds NaN, why it does."""
    if values.dtype.kind == "f" and np.isnan(values).any():
        variable.attrs["missing"] = f"NaN: {missing.of_points(variable.name.rpartition('/')[2])}"
    return variable


def _one_point(group):
    def put(name: str, values: np.ndarray, unit: str, words: str, more: tuple = ()):
        if values.ndim == 1:
            return _named(netcdf.number(group, name, values[0], unit, words), values)
        return _named(netcdf.array(group, name, values[0], more, unit, words), values)

    return put


def _failed(file, s: Sweep) -> None:
    group = file.create_group("failed")
    if s.points.reason:
        scale = netcdf.scale(file, "failed_point", np.array(list(s.points.reason)), "1", "flat index of the point")
        why = s.points.reason.values()
        netcdf.array(group, "reason", [f.text for f in why], (scale,), "1", "why there is no answer")
        netcdf.array(group, "kind", [f.kind for f in why], (scale,), "1", "what like points without an answer share")
    if s.as_built.reason:
        group.attrs.update(as_built=s.as_built.reason[0].text, as_built_kind=s.as_built.reason[0].kind)


def _tornado(file, s: Sweep) -> None:
    group = file.create_group("tornado")
    t = s.tornado
    if t is None:
        return
    group.attrs["how"] = t.how
    scale = netcdf.scale(file, "tornado_parameter", [p.name for p in t.parameters], "1", "uncertain parameter")
    for name in ("value", "low", "high"):
        values = np.array([getattr(p, name) for p in t.parameters])
        netcdf.array(group, name, values, (scale,), "see variable unit", f"of the parameter: {name}")
    for name in ("unit", "basis", "source", "scale", "note"):
        values = [getattr(p, name) for p in t.parameters]
        netcdf.array(group, f"{name}{WORD}", values, (scale,), "1", f"of the parameter: {name}")
    for end, ends in (("down", t.low), ("up", t.high)):
        for name, values in ends.items():
            unit, words = OUTPUTS[name].si, OUTPUTS[name].about
            about = f"{words}, with the parameter one standard deviation {end}"
            _named(netcdf.array(group, f"{name}_{end}", values, (scale,), unit, about), values)
