"""Reading a sweep file back, or saying in one sentence why that cannot be done."""

import json
from pathlib import Path

import numpy as np

from ...base.quantities.params import Param
from ...record.limits import LIMITS
from ...record.outputs import OUTPUTS
from ...record.read import Kind, opened
from ...studies.prebuild.review import NAMES
from .record import Axis, Failure, Points, Sweep, Tornado

FORMAT_VERSION = "1.1"
WORD = "_text"  # ends the names of variables that hold words about a parameter
SWEEP = Kind("millsim sweep", FORMAT_VERSION, "sweep", "millsim sweep SWEEP.toml", "run the sweep again")


def read(path: Path | str) -> Sweep:
    """The sweep in a file; ResultFileError names the file and the remedy when it is not a whole, known one."""
    with opened(path, SWEEP) as file:
        return _sweep(file)


def plan_of(path: Path | str) -> tuple[bool, np.ndarray]:
    """(Whether all points are there, identities (P, 2)) of a sweep file, without the rest."""
    with opened(path, SWEEP) as file:
        return str(file.attrs["status"]) == "ok", file["identity"][()].reshape(-1, 2)


def _sweep(file) -> Sweep:
    a = file.attrs
    shape = tuple(int(n) for n in a["shape"])
    axes = tuple(_axis(file, str(name)) for name in a["axis_names"])
    group = file["failed"]
    points = file["failed_point"][()].tolist() if "failed_point" in file else []
    texts = _words(group["reason"]) if points else []
    kinds = _words(group["kind"]) if "kind" in group else texts  # older versions kept the sentence only
    reasons = {i: Failure(k, r) for i, k, r in zip(points, kinds, texts, strict=True)}
    built = group.attrs.get("as_built")
    own = {} if built is None else {0: Failure(str(group.attrs.get("as_built_kind", built)), str(built))}
    sweep = Sweep(
        name=str(a["mill_name"]), design=str(a["design"]), engine=str(a["engine"]), seed=int(a["seed"]),
        replicates=int(a["replicates"]), draw_count=int(a["draws"]), class_ratio=float(a["class_ratio"]),
        version=str(a["program_version"]), model_version=str(a["model_version"]), plan_text=str(a["plan"]),
        base_text=str(a["config"]), base_sha256=str(a["config_sha256"]), axes=axes, shape=shape,
        identity=file["identity"][()].reshape(-1, 2), points=_points(file, shape, reasons),
        as_built=_points(file["as_built"], (), own), tornado=_tornado(file),
        class_error={n: float(v[()]) for n, v in file["class_error"].items()},
        origin=json.loads(a["origin"]) if "origin" in a else {},
    )  # fmt: skip
    if not _agrees(sweep):
        raise ValueError("axes, points and draws are not as many as the file says")
    return sweep


def _agrees(s: Sweep) -> bool:
    """Whether as many points are there as the axes make: arrays are made by their number."""
    own = [s.shape[i if s.design == "grid" else 0] for i in range(len(s.axes))]
    axes = all({len(a.values), *map(len, a.along.values())} == {n} for a, n in zip(s.axes, own, strict=True))
    points = s.replicates > 0 and s.identity.shape == (s.count, 2) and all(0 <= i < s.count for i in s.points.reason)
    return axes and points and all(d.shape == (s.count, s.draw_count) for d in s.points.draws.values())


def _words(variable) -> list[str]:
    return [str(x) for x in variable.asstr()[()]]


def _values(variable) -> tuple:
    if variable.dtype.kind == "O":
        return tuple(_words(variable))
    return tuple(variable[()].tolist())


def _axis(file, name: str) -> Axis:
    v = file[name]
    along = {
        str(x.attrs["key"]): _values(x)
        for x in file.values()
        if hasattr(x, "shape") and "along" in x.attrs and x.attrs["along"] == name
    }
    return Axis(
        str(v.attrs["key"]), _values(v), str(v.attrs["units"]), str(v.attrs["unit_for_people"]),
        str(v.attrs["long_name"]), along,
    )  # fmt: skip


def _points(group, shape: tuple[int, ...], reasons: dict[int, Failure]) -> Points:
    def flat(name: str) -> np.ndarray:
        values = np.asarray(group[name][()])
        if values.shape[: len(shape)] != shape:
            raise ValueError(f"{name} is not of as many points as the axes make")
        return values.reshape(-1, *values.shape[len(shape) :])

    names = [n for n in OUTPUTS if n in group]
    draws = {n: flat(f"{n}_draw") for n in names if f"{n}_draw" in group}
    return Points(
        status=flat("status"), binding=flat("binding"), loads=_all_limits(flat("load")),
        values={n: flat(n) for n in names},
        q3=flat("product_q3"), reason=reasons, draws=draws,
        draw_q3=flat("product_q3_draw") if draws else np.empty((0, 0, 0), np.float32),
        se={n: flat(f"{n}_se") for n in names if f"{n}_se" in group},
        draw_loads=_all_limits(flat("load_draw")) if "load_draw" in group else np.empty((0, 0, 0), np.float32),
        fails=_checks(group, flat, "fails"), unchecked=_checks(group, flat, "unchecked"),
    )  # fmt: skip


def _checks(group, flat, name: str) -> np.ndarray:
    """Bits of checks by today's order of them; those that are no more are dropped. Empty where none were kept."""
    if f"review_{name}" not in group:
        return np.empty(0, np.uint64)
    then = tuple(n.replace("_", " ") for n in str(group[f"review_{name}"].attrs["flag_meanings"]).split(" "))
    kept, found = flat(f"review_{name}").astype(np.uint64), 0
    for i, check in enumerate(then):
        if check in NAMES:
            found = found | (kept >> np.uint64(i) & np.uint64(1)) << np.uint64(NAMES.index(check))
    return np.asarray(found, np.uint64)


def _tornado(file) -> Tornado | None:
    if "tornado_parameter" not in file:
        return None
    g = file["tornado"]
    words = {n: _words(g[f"{n}{WORD}"]) for n in ("unit", "basis", "source", "scale", "note")}
    numbers = {n: g[n][()].tolist() for n in ("value", "low", "high")}
    names = _words(file["tornado_parameter"])
    parameters = tuple(
        Param(name, **{k: v[i] for k, v in {**numbers, **words}.items()}) for i, name in enumerate(names)
    )
    low, high = ({n: g[f"{n}_{e}"][()] for n in OUTPUTS if f"{n}_{e}" in g} for e in ("down", "up"))
    return Tornado(parameters, low, high, str(g.attrs["how"]))


def _all_limits(loads: np.ndarray) -> np.ndarray:
    """Loads (..., limits) with a column for every limit; NaN for those that an older version did not know."""
    missing = len(LIMITS) - loads.shape[-1]
    return loads if missing <= 0 else np.concatenate([loads, np.full((*loads.shape[:-1], missing), np.nan)], axis=-1)
