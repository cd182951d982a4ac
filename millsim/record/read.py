"""Reading a result file back into a Prediction, or saying in one sentence why that cannot be done."""

import hashlib
import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from math import inf
from pathlib import Path

import numpy as np

from ..base.notes import say
from ..base.quantities.params import Param
from ..base.quantities.scalar import Scalar
from ..errors import Problem, ResultFileError
from .prediction import (
    Advised,
    ChamberTrace,
    Change,
    Counted,
    EngineResult,
    Limit,
    Prediction,
    Reviewed,
    Running,
    SizeTable,
)
from .seal import SIGNATURE, is_whole

FILETYPE = "millsim result"
FILETYPES = (FILETYPE, "millsim sweep")
FORMAT_VERSION = "1.1"  # major.minor: a new major version is one that older readers must refuse

# Field of SizeTable: (scale, unit, long name), for writer and reader; edges and sizes are scales themselves.
SIZE_FIELDS = {
    "feed_q3": ("edge", "1", "feed, cumulative undersize by mass"),
    "product_q3": ("edge", "1", "product, cumulative undersize by mass"),
    "product_q3_se": ("edge", "1", "standard error of the product, cumulative undersize by mass"),
    "product_q3_low": ("edge", "1", "lower bound of the band of the product, cumulative undersize by mass"),
    "product_q3_high": ("edge", "1", "upper bound of the band of the product, cumulative undersize by mass"),
    "holdup_q3": ("edge", "1", "charge inside the chamber, cumulative undersize by mass"),
    "strike_1_s": ("size", "1/s", "bar hits per second"),
    "selection_1_s": ("size", "1/s", "rate of impact fracture"),
    "nip_1_s": ("size", "1/s", "rate of nip shear"),
    "chip_1_s": ("size", "1/s", "mass share chipped off per second"),
    "escape_1_s": ("size", "1/s", "rate of escape through the sieve"),
}

CHECKSUM = "content_sha256"  # root attribute of the files of format 1.0, which had no seal
# What HDF5 keeps for itself to tie dimensions to scales: addresses in the file, no content.
_BOOKKEEPING = ("CLASS", "NAME", "DIMENSION_LIST", "REFERENCE_LIST", "_Netcdf4Dimid", "_Netcdf4Coordinates")
_DAMAGE = (
    OSError, KeyError, ValueError, TypeError, RuntimeError, AttributeError, IndexError, OverflowError, MemoryError,
)  # fmt: skip


@dataclass(frozen=True)
class Kind:
    """A kind of HDF5 file of ours, and the words for refusing one."""

    filetype: str
    version: str  # major.minor
    name: str  # "result"
    command: str  # that writes one
    again: str  # what to do when it is spoilt
    most: float = inf  # bytes that all of it can take in memory


RESULT = Kind(
    FILETYPE, FORMAT_VERSION, "result", "millsim predict CONFIG --out FILE.h5", "run the prediction again", 2.0**22
)


def read(path: Path | str) -> Prediction:
    """Read a result file; ResultFileError names the file and the remedy when it is not a whole, known one."""
    with opened(path, RESULT) as file:
        return _read_root(file)


@contextmanager
def opened(path: Path | str, kind: Kind) -> Iterator:
    """The open h5py.File of a whole, known file of a kind; ResultFileError otherwise, also for what fails inside."""
    import h5py

    path = Path(path)
    has_seal = _check_bytes(path, kind)
    try:
        file = h5py.File(path, "r")
    except _DAMAGE as error:
        raise _refusal(path, "is cut short or damaged", f"{kind.again} or restore a copy") from error
    with file:
        _check_header(path, file, kind)
        _check_size(path, file, kind)
        if not has_seal:
            _check_content(path, file, kind)
            say(
                f"{path} was written before files had a seal, so a damaged copy of it may not be refused; {kind.again}."
            )
        try:
            yield file
        except _DAMAGE as error:
            message = "is damaged: part of its content is missing"
            raise _refusal(path, message, f"{kind.again} or restore a copy") from error


def _refusal(path: Path, message: str, remedy: str) -> ResultFileError:
    return ResultFileError(Problem(str(path), "", message, hint=remedy))


def _check_bytes(path: Path, kind: Kind) -> bool:
    """Whether a file has a seal; refuses what is no HDF5 file or is not as its writer left it, before HDF5 opens it."""
    try:
        with path.open("rb") as stream:
            start = stream.read(len(SIGNATURE))
        whole = is_whole(path) if start == SIGNATURE else None
    except FileNotFoundError as error:
        remedy = f"check the name, or make one: {kind.command}"
        raise _refusal(path, "there is no such file", remedy) from error
    except IsADirectoryError as error:
        raise _refusal(path, f"is a folder, not a {kind.name} file", "name the .h5 file in it") from error
    except (OSError, ValueError) as error:
        raise _refusal(
            path, f"cannot be read ({getattr(error, 'strerror', error)})", "check its permissions"
        ) from error
    if not start:
        raise _refusal(path, "is empty", kind.again)
    if start != SIGNATURE:
        raise _refusal(path, f"is not a {kind.name} file (not HDF5)", f"name a file written by: {kind.command}")
    if whole is False:
        raise _refusal(path, "is cut short or damaged", f"{kind.again} or restore a copy")
    return whole is not None


def _check_header(path: Path, file, kind: Kind) -> None:
    """Refuse foreign files, unknown major versions by name, and files whose writer did not finish."""
    try:
        attrs = {k: file.attrs[k] for k in ("filetype", "format_version", "status") if k in file.attrs}
    except _DAMAGE as error:
        raise _refusal(path, "is damaged", f"{kind.again} or restore a copy") from error
    found = attrs.get("filetype")
    if found != kind.filetype:
        what = f"a {found} file, not a {kind.name} file" if found in FILETYPES else "an HDF5 file of another program"
        raise _refusal(path, f"is {what}", f"name a file written by: {kind.command}")
    version, known = str(attrs.get("format_version", "none")), kind.version.split(".")[0]
    if version.split(".")[0] != known:
        message = f"has {kind.name} format {version}, this program reads {known}.x"
        raise _refusal(path, message, f"use the version of millsim that wrote it, or {kind.again}")
    if "status" not in attrs:
        raise _refusal(path, "was not finished by its writer", kind.again)


def _check_size(path: Path, file, kind: Kind) -> None:
    """Refuse, before it is read, a file that asks for more memory than its writer can have meant."""
    from .bounds import excess

    try:
        name = excess(file, path, kind.most)
    except _DAMAGE:
        name = "part of it"
    if name:
        message = f"is damaged: {name} asks for more memory than such a file can hold"
        raise _refusal(path, message, f"{kind.again} or restore a copy")


def _check_content(path: Path, file, kind: Kind) -> None:
    """Refuse a file that has lost its seal, or of format 1.0 that is not as it was written."""
    remedy = f"{kind.again} or restore a copy"
    if str(file.attrs["format_version"]) != "1.0":
        raise _refusal(path, "is damaged: its checksum is gone", remedy)
    try:
        whole = file.attrs[CHECKSUM] == content_sha256(file, file.attrs["status"])
    except _DAMAGE as error:
        raise _refusal(path, "is damaged: part of its content cannot be read", remedy) from error
    if not whole:
        raise _refusal(path, "is damaged: its content does not match its checksum", remedy)


def content_sha256(file, status: str) -> str:
    """SHA-256 over every dataset and attribute by name, whatever their order in the file, but the checksum itself.

    The status is handed in, since it is written after the checksum.
    """
    digest = hashlib.sha256()
    _feed(digest, "status", status)
    names = ["/"]
    file.visit(names.append)
    for name in sorted(names):
        item = file[name]
        _feed(digest, name, "dataset" if hasattr(item, "shape") else "group")
        for key in sorted(item.attrs):
            if key not in _BOOKKEEPING and not (name == "/" and key in (CHECKSUM, "status")):
                _feed(digest, key, item.attrs[key])
        if hasattr(item, "shape"):
            _feed(digest, "", item[()])
            _feed(digest, "", " ".join(str(scale.name) for axis in item.dims for scale in axis.values()))
    return digest.hexdigest()


def _feed(digest, name: str, value: object) -> None:
    """Add a named value: type, shape and bytes, each part with its length before it."""
    array = np.asarray(value)
    content: bytes | np.ndarray
    if array.dtype.kind in "OUS":
        words = [w if isinstance(w, bytes) else str(w).encode() for w in array.ravel().tolist()]
        kind, content = "text", b"".join(len(w).to_bytes(8, "little") + w for w in words)
    else:  # without a copy: the columns of a sweep are large
        kind = array.dtype.newbyteorder("<").str
        content = np.ascontiguousarray(array.astype(kind, copy=False)).reshape(-1).view(np.uint8)
    for part in (name.encode(), kind.encode(), repr(array.shape).encode(), content):
        digest.update(len(part).to_bytes(8, "little"))
        digest.update(part)


def _read_root(file) -> Prediction:
    a = file.attrs
    return Prediction(
        status=a["status"],
        config_text=a["config"],
        config_sha256=a["config_sha256"],
        mill_name=a["mill_name"],
        seed=int(a["seed"]),
        command=a["command"],
        version=a["program_version"],
        model_version=a["model_version"],
        requested_rate_kg_s=_float(file["requested_rate"]),
        hole_m=_float(file["hole"]),
        size_floor_m=_float(file["size_floor"]),
        main=_read_engine(file, file, str(a["engine"]), ""),
        other=_read_engine(file, file["engine2"], str(file["engine2"].attrs["engine"]), "2")
        if "engine2" in file
        else None,
        limits=_read_limits(file["limits"]),
        binding=a["binding"],
        parameters=_read_parameters(file),
        band_level=_float(file["band_level"]),
        widest=_read_widest(file),
        warmup_time_s=_optional(file, "warmup_time"),
        warmup_temperature_K=_optional(file, "warmup/temperature"),
        temperature_limit_K=_float(file["temperature_limit"]),
        trace=_read_trace(file, file["trace"]) if "trace" in file else None,
        warnings=tuple(str(w) for w in a["warnings"]) if "warnings" in a else (),
        grinds_with=tuple(str(w) for w in a["grinds_with"]) if "grinds_with" in a else (),
        changes=tuple(_read_change(str(c)) for c in a["changes"]) if "changes" in a else (),
        reviewed=_read_reviewed(str(a["reviewed"])) if "reviewed" in a else None,
        advised=_read_advised(a),
        date=str(a["date"]) if "date" in a else "",
        origin=json.loads(a["origin"]) if "origin" in a else {},
    )


def _read_engine(file, group, engine: str, suffix: str) -> EngineResult:
    table = SizeTable(
        edges_m=file["edge" + suffix][()],
        x_m=file["size" + suffix][()],
        **{name: group["sizes"][name][()] for name in SIZE_FIELDS},
    )
    return EngineResult(
        engine=engine,
        table=table,
        scalars=_read_scalars(group["scalars"]),
        ledger_in_W=_read_scalars(group["ledger/in"]),
        ledger_out_W=_read_scalars(group["ledger/out"]),
        numerics={k: s.value for k, s in _read_scalars(group["numerics"]).items()},
        tallies=_read_tallies(group["tallies"]) if "tallies" in group else {},
    )


def _read_tallies(group) -> dict[str, Counted]:
    return {
        name: Counted(variable[()], group[f"{name}_se"][()], _unit(variable), variable.attrs["long_name"])
        for name, variable in _in_order(group)
    }


def _read_scalars(group) -> dict[str, Scalar]:
    scalars = {}
    for name, variable in _in_order(group):
        ranges = {part: _float(group[f"{name}_{part}"]) for part in ("se", "low", "high") if f"{name}_{part}" in group}
        scalars[variable.attrs["key"]] = Scalar(
            _float(variable), _unit(variable), variable.attrs["long_name"], **ranges
        )
    return scalars


def _read_limits(group) -> tuple[Limit, ...]:
    return tuple(
        Limit(
            g.attrs["key"],
            _float(g["load"]),
            _float(g["capacity"]),
            _unit(g["load"]),
            g.attrs["sentence"],
            _float(g["zero"]) if "zero" in g else 0.0,
        )  # fmt: skip
        for _, g in _in_order(group)
    )


def _read_parameters(file) -> tuple[Param, ...]:
    if "parameter" not in file:
        return ()
    group = file["parameters"]
    names = ("value", "unit", "low", "high", "basis", "source", "scale", "note")
    columns = [file["parameter"].asstr()[()]]
    columns += [group[n][()].tolist() if n in ("value", "low", "high") else group[n].asstr()[()] for n in names]
    return tuple(Param(*row) for row in zip(*columns, strict=True))


def _read_change(text: str) -> Change:
    """One change that was tried, from its JSON row."""
    key, words, sets, *rest = json.loads(text)
    return Change(key, words, tuple(sets), *rest)


def _read_reviewed(text: str) -> Reviewed:
    """What the review said, from its JSON row."""
    fails, unchecked, close, made, *more = json.loads(text)
    return Reviewed(tuple(fails), tuple(unchecked), tuple(close), made, *map(tuple, more))


def _read_advised(a) -> Advised | None:
    """What to measure next, where it was asked."""
    if "measure_next" not in a:
        return None
    name, how = (str(text) for text in a["measure_next"])
    return Advised(name, how, float(a["measure_next_minutes"]), float(a["measure_next_left"]))


def _read_widest(file) -> dict[str, list[tuple[str, float]]]:
    if "widest_output" not in file:
        return {}
    group = file["band"]
    outputs = file["widest_output"].asstr()[()]
    names, factors = group["widest_parameter"].asstr()[()], group["widest_factor"][()].tolist()
    counts = group["widest_count"][()].tolist()
    return {
        output: list(zip(names[i].tolist(), factors[i], strict=True))[: counts[i]] for i, output in enumerate(outputs)
    }


def _read_trace(file, group) -> ChamberTrace:
    return ChamberTrace(
        time_s=_optional(file, "trace_time"),
        torque_Nm=_optional(group, "torque"),
        peak_torque_Nm=_optional(group, "peak_torque"),
        speed_rad_s=_optional(group, "speed"),
        pieces=_optional(group, "pieces"),
        runs=int(group["runs"][()]),
        stalls=int(group["stalls"][()]),
        stall_low=_float(group["stall_low"]),
        stall_high=_float(group["stall_high"]),
        duration_s=_float(group["duration"]),
        chokes=int(group["chokes"][()]),
        **(_read_later(group) if "fed" in group else {}),
    )


def _read_later(group) -> dict:
    """What the first files of 1.0 do not have."""
    return {
        "arrived": int(group["arrived"][()]),
        "running": _read_running(group["running"]) if "running" in group else None,
        "charge_kg": _optional(group, "charge"),
        "shown_from": str(group.attrs["shown_from"]),
        "fed_kg_s": _float(group["fed"]),
        "pieces_1_s": _float(group["piece_rate"]),
        "rated_torque_Nm": _float(group["rated_torque"]),
        "overload_torque_Nm": _float(group["overload_torque"]),
        **({"every_s": _float(group["every"])} if "every" in group else {}),
    }


def _read_running(group) -> Running:
    return Running(
        runs=int(group["runs"][()]),
        stalls=int(group["stalls"][()]),
        watched_s=_float(group["watched"]),
        arrived=int(group["arrived"][()]),
        low_1_s=_float(group["stall_rate_low"]),
        high_1_s=_float(group["stall_rate_high"]),
    )


def _in_order(group) -> list:
    """The members that carry a key, in the order in which they were given to the writer."""
    members = [(name, member) for name, member in group.items() if "key" in member.attrs]
    return sorted(members, key=lambda pair: int(pair[1].attrs["position"]))


def _float(variable) -> float:
    return float(variable[()])


def _unit(variable) -> str:
    return variable.attrs["unit_text"] if "unit_text" in variable.attrs else variable.attrs["units"]


def _optional(group, name: str) -> np.ndarray:
    return group[name][()] if name in group else np.empty(0)
