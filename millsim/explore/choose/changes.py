"""What to change from the mill as built to get a point of a sweep, in a builder's words, and what it costs if wrong."""

import math
import tomllib
from functools import lru_cache

import numpy as np

from ...base.quantities.units import UnitError, parse, readable
from ...base.quantities.written import join_words
from ...base.reading.key import AS_MUCH
from ..sweep.points import row_of
from ..sweep.record import Sweep

_SAME = 1e-9
_WORDS = {
    "rotor.radius": "rotor radius", "rotor.bars": "bars", "rotor.bar_height": "bar height", "rotor.edge": "bar edge",
    "rotor.bar_thickness": "bar thickness", "rotor.hammer_mass": "hammer mass", "stator.gap": "gap",
    "stator.pins": "pins", "stator.pin_diameter": "pin diameter", "stator.kind": "wall", "sieve.hole": "hole",
    "sieve.pitch": "pitch", "sieve.wire": "wire", "sieve.kind": "sieve kind", "drive.speed": "speed",
    "drive.tip_speed": "tip speed", "drive.rated_power": "rated power", "drive.speed_under_load": "speed under load",
    "drive.dial_step": "dial step",
    "air.fan": "fan", "feed.rate": "feed rate", "feed.size.size": "feed size", "feed.size.x50": "feed x50",
    "feed.size.x63": "feed x63", "rotor.mount": "mount", "rotor.rings": "rings of bars",
    "rotor.ring_spacing": "height between rings", "rotor.ring_offset": "rings", "rotor.edge_radius": "edge radius",
    "rotor.toothed_share": "toothed share", "rotor.bevelled_share": "bevelled share",
    "rotor.blunt_share": "blunt share",
    "sieve.angle": "sieve angle", "sieve.share": "sieve share of the wall", "sieve.thread": "thread",
    "feed.handful": "handful", "feed.every": "time between handfuls",
}  # fmt: skip
_COSTS = {  # what is lost if the choice was wrong, by key or section, dearest first
    "rotor": "a rotor",
    "drive.rated_power": "a motor",
    "drive.rated_at": "a motor",
    "stator": "the work on the stator",
    "casing": "a casing",
    "sieve": "a sieve",
    "air": "the work on the air",
    "drive": "the work on the drive",
    "feed.material": "a batch of feed",
    "feed": "a trial with other feeding",
}


def key_words(key: str) -> str:
    """A config key as a builder says it: "gap", "bar height", "inlet area of the air"."""
    section, _, name = key.rpartition(".")
    if key in _WORDS:
        return _WORDS[key]
    plain = name.replace("_", " ")
    if section == "model":
        return f"model parameter {plain}"
    head = section.replace(".", " ")
    return plain if plain.startswith(head) else f"{head} {plain}"


def value_text(key: str, value: object) -> str:
    """A value of a key with its unit: "2 mm", "9000 rpm", "toothed"."""
    if isinstance(value, str):
        return {"true": "yes", "false": "no"}.get(value, value)
    return readable(float(value), row_of(key).shown or "-")  # type: ignore[arg-type]


def as_built(sweep: Sweep, key: str) -> object:
    """The value of a key in the mill as built: SI, a word, or None where its config does not have it."""
    tables = _tables(sweep.base_text)
    if key == "drive.tip_speed":
        speed, radius = _raw(tables, "drive.speed"), _raw(tables, "rotor.radius")
        return speed * radius if isinstance(speed, float) and isinstance(radius, float) else None
    if key == "drive.dial_step":
        return _dial_step(tables)
    return _raw(tables, key)


def _dial_step(tables: dict) -> float | None:
    """Where the dial stands at the speed that the config keeps; None without a dial, or off it."""
    dial, speed = (tables.get("drive", {}).get(name) for name in ("dial", "speed"))
    if not dial or speed is None:
        return None
    turns = [parse(x, "rad/s") for x in dial]
    step = float(np.interp(parse(speed, "rad/s"), turns, np.arange(1.0, len(turns) + 1.0), math.nan, math.nan))
    return None if math.isnan(step) else round(step, 6)


@lru_cache(maxsize=4)
def _tables(text: str) -> dict:
    return tomllib.loads(text)


def _raw(tables: dict, key: str) -> object:
    table: object = tables
    for part in key.split("."):
        table = table.get(part) if isinstance(table, dict) else None
    if isinstance(table, bool):
        return str(table).lower()
    if isinstance(table, int | float):
        return float(table)
    row = row_of(key)
    if isinstance(table, str) and row.kind in ("quantity", "rate") and table != AS_MUCH:
        try:
            return parse(table, row.si)
        except UnitError:
            return table
    return table if isinstance(table, str) else None


def changed(sweep: Sweep, point: int) -> dict[str, tuple[object, object]]:
    """{key: (as built, now)} of every key in which a point differs from the mill as built; SI or words."""
    found = {}
    for key, now in sweep.at(point).items():
        old = as_built(sweep, key)
        if not _equal(old, now):
            found[key] = (old, now)
    return found


def _equal(old: object, now: object) -> bool:
    if isinstance(old, float) and not isinstance(now, str):
        return math.isclose(old, float(now), rel_tol=_SAME)  # type: ignore[arg-type]
    return old == now


def changes(sweep: Sweep, point: int) -> tuple[tuple[str, str, str], ...]:
    """(key in words, as built, now) of every key that a point changes."""
    return tuple(
        (key_words(key), "not set" if old is None else value_text(key, old), value_text(key, now))
        for key, (old, now) in changed(sweep, point).items()
    )


def efforts(sweep: Sweep) -> np.ndarray:
    """What each setting (S,) asks of the builder: axes moved from the mill as built, and a tenth for each |ln| of a
    ratio (one for each word).
    """
    total, shape = np.zeros(1), sweep.shape[: len(sweep.axes)] if sweep.design == "grid" else sweep.shape[:1]
    for i, axis in enumerate(sweep.axes):
        moved = np.zeros(len(axis.values))
        for key, values in {axis.key: axis.values, **axis.along}.items():
            old = as_built(sweep, key)
            moved = np.maximum(moved, [0.0 if _equal(old, v) else 1.0 + 0.1 * _far(old, v) for v in values])
        over = [1] * len(shape)
        over[i if sweep.design == "grid" else 0] = -1
        total = total + moved.reshape(over)
    return np.broadcast_to(total, shape).reshape(-1)


def costs(sweep: Sweep) -> np.ndarray:
    """What the changes of each setting (S,) cost, to be ranked: the dearest thing counts more than all cheaper ones
    together, and of equals the one with less effort is cheaper; 0 for the mill as built.
    """
    kinds = list(dict.fromkeys(_COSTS.values()))
    shape = sweep.shape[: len(sweep.axes)] if sweep.design == "grid" else sweep.shape[:1]
    lost = np.zeros((*([1] * len(shape)), len(kinds)), bool)
    for i, axis in enumerate(sweep.axes):
        own = np.zeros((len(axis.values), len(kinds)), bool)
        for key, values in {axis.key: axis.values, **axis.along}.items():
            if words := _lost(key):
                old = as_built(sweep, key)
                own[:, kinds.index(words)] |= [not _equal(old, v) for v in values]
        over = [1] * len(shape)
        over[i if sweep.design == "grid" else 0] = -1
        lost = lost | own.reshape(*over, len(kinds))
    total = (lost * 2.0 ** np.arange(len(kinds), 0, -1)).sum(axis=-1)
    most = max(1.0, float(efforts(sweep).max()))
    return np.broadcast_to(total, shape).reshape(-1) + efforts(sweep) / (1.0 + most)


def _lost(key: str) -> str | None:
    """What is lost if a change of this key was wrong."""
    return _COSTS.get(key) or _COSTS.get(key.partition(".")[0])


def _far(old: object, now: object) -> float:
    if isinstance(old, float) and not isinstance(now, str) and old > 0.0 and float(now) > 0.0:  # type: ignore[arg-type]
        return abs(math.log(float(now) / old))  # type: ignore[arg-type]
    return 1.0


def change_words(parts: tuple[tuple[str, str, str], ...]) -> str:
    """ "gap 3 mm -> 2 mm, hole 0.6 mm -> 0.8 mm"; or that nothing is changed."""
    return ", ".join(f"{what} {old} -> {now}" for what, old, now in parts) or "nothing: it is the mill as built"


def cost_words(sweep: Sweep, point: int) -> str:
    """What is lost if the choice turns out wrong: "a sieve and the work on the stator"."""
    found = []
    for key in changed(sweep, point):
        words = _lost(key)
        if words and words not in found:
            found.append(words)
    ranked = [w for w in dict.fromkeys(_COSTS.values()) if w in found]
    return join_words(ranked)
