"""From a config to numbers: the mill record, the size classes and the feed that the engines work on."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from math import pi
from operator import itemgetter
from typing import Any, NamedTuple

import numpy as np

from ..base.numerics import psd
from ..base.numerics.uncompiled import by_field
from ..base.quantities.params import Param
from ..base.quantities.scores import SIZES_OF_ERRORS
from ..laws import cutting, drive
from . import guesses, parts
from .calibrated import Applied, apply
from .chamber import CURVE_POINTS, EDGE, MILL, MODEL
from .config.mill import Config
from .config.schema import EDGES
from .config.sections import FeedSize

STEEL_MODULUS = 210e9  # Pa, handbook
PIN_YIELD = 235e6  # Pa, mild steel, where no strength of the pins is given
LAYER_SPEEDS = ("layer_speed_ratio", "layer_speed_smooth")  # with pins, with a smooth wall: a mill has one
ALIAS = {LAYER_SPEEDS[1]: LAYER_SPEEDS[0]}  # parameters that a mill record has under another name
SAG = 0.05  # loss of speed at rated power where no speed under load is given (assumed); of a tool: SPEED_LOSS
SPEED_LOSS = "speed_loss_"  # parameters: share of its speed that a hand tool loses at its rated power
X_LOW = 5e-6  # m; everything finer joins the dust class, which is followed no further
NO_LIMIT = 1e6


@dataclass(frozen=True)
class Setup:
    """One mill ready to solve.

    mill (1,) MILL; edges (n+1,) and x (n,) [m]; feed (n,) mass shares; feed_curve (ln x, Q3) piecewise linear;
    parameters: all material and model parameters used; calibration: the calibrated card on this mill, or None.
    """

    config: Config
    mill: np.ndarray
    edges: np.ndarray
    x: np.ndarray
    feed: np.ndarray
    feed_curve: tuple[np.ndarray, np.ndarray]
    parameters: tuple[Param, ...]
    calibration: Applied | None = None


def build(
    config: Config, class_ratio: float | None = None, outlet_K: float | None = None, bounds_m: tuple[float, ...] = ()
) -> Setup:
    """Setup of a config, with the config's class ratio or another one.

    outlet_K: outlet temperature predicted, where known: a calibration counts less in a hotter or colder mill.
    bounds_m: sizes that shall be class bounds too, such as the aperture of a sieve after the mill.
    """
    applied = apply(config, outlet_K)
    parameters, values = used_parameters(config)
    if applied:
        parameters = tuple(map(applied.parameter, parameters))
        values = {p.name: p.value for p in parameters}
    mill = np.zeros(MILL.itemsize // 8).view(MILL)  # a third of the time of zeros of MILL
    own = {**_geometry(config), **_setting(config), "inertia": parts.inertia(config)}
    _write(mill, own | values | _following(own, values), config.rotor.main_edge)
    for name, several in _several(config).items():
        mill[name] = several
    if config.guesses and (nominal := guesses.nominal(parameters)) != guesses.nominal(config.guesses.parameters):
        as_guessed, calibrated = (_fields(config.guesses.at(v), config) for v in ({}, nominal))
        guesses.put(mill, as_guessed, calibrated)
        set_parameters(mill, values)
    _slow_down(mill, values)
    classes = size_classes(config, class_ratio or config.run.class_ratio, bounds_m)
    return Setup(config, mill, *classes, parameters, applied)


def set_values(problem: Setup, mill: np.ndarray, values: Mapping[str, float | np.ndarray]) -> None:
    """Write parameters and guesses into mill records of a problem (scalars, or one value per record)."""
    guessed = guesses.nominal(problem.parameters)
    if drawn := {n: np.broadcast_to(np.asarray(v, float), mill.shape) for n, v in values.items() if n in guessed}:
        _set_guesses(problem, mill, guessed, drawn)
        lost = {p.name: p.value for p in problem.parameters if p.name.startswith(SPEED_LOSS)}
        values = {**lost, **{n: v for n, v in values.items() if n not in guessed}}
    set_parameters(mill, values)


def _set_guesses(problem: Setup, mill: np.ndarray, guessed: dict[str, float], drawn: dict[str, np.ndarray]) -> None:
    """The fields of each record by its own draw of the guesses."""
    config = problem.config
    assert config.guesses is not None
    old = _fields(config.guesses.at(guessed), config)
    for i in range(mill.size):
        values = {**guessed, **{n: float(v[i]) for n, v in drawn.items()}}
        guesses.put(mill[i : i + 1], old, _fields(config.guesses.at(values), config))


def _fields(c: Config, own: Config) -> dict[str, float | list[float]]:
    """Fields of a mill record that follow from a config; own: the config as guessed, whose feed is the measure."""
    shift = float(np.log(c.feed.size.largest_m / own.feed.size.largest_m))
    return {**_geometry(c), **_setting(c), **_several(c), "inertia": parts.inertia(c), "feed_shift": shift}


def fed_shares(problem: Setup, mill: np.ndarray) -> np.ndarray:
    """Mass share (n,) of the feed in each class for a mill record (1,), whose feed may be coarser or finer."""
    shift = float(mill["feed_shift"][0])
    if shift == 0.0:
        return problem.feed
    ln_x, q3 = problem.feed_curve
    return shares(problem.edges, (ln_x + shift, q3))


def shares(edges: np.ndarray, curve: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
    """Mass share (n,) in each class of a feed curve (ln x, Q3); what is finer or coarser joins the outer classes."""
    q = np.interp(np.log(edges), *curve, left=0.0, right=1.0)
    if curve[0][0] == curve[0][-1]:  # single size
        q = (edges > np.exp(curve[0][0])).astype(float)
    q[0], q[-1] = 0.0, 1.0
    return q[1:] - q[:-1]


def used_parameters(config: Config) -> tuple[tuple[Param, ...], dict[str, float]]:
    """Material and model parameters this mill uses, as on their cards, and their values by name; of the edges only
    those that the mill has.

    The sizes of the errors that no parameter makes up for are among them. What of the mill was guessed comes last.
    """
    own = [f"{name}_{kind}" for kind, _ in config.rotor.edges for name in EDGE]
    own += speed_loss(config)
    own += ["layer_speed_ratio" if config.stator.kind == "pins" else "layer_speed_smooth"]
    of_material, values = config.material.picked(tuple(config.material))
    of_model, more = config.model.picked(_used_of(tuple(config.model), tuple(own)))
    guessed = config.guesses.parameters if config.guesses else ()
    return (*of_material, *of_model, *guessed), values | more | {p.name: p.value for p in guessed}


@cache
def _used_of(names: tuple[str, ...], own: tuple[str, ...]) -> tuple[str, ...]:
    """Those parameters of a model that a mill uses, in the order of its card; own: what depends on the mill."""
    shared = {*MODEL, "chip_exponent", "hub_share"} - set(LAYER_SPEEDS)
    return tuple(n for n in names if n in own or n in shared or n.startswith(SIZES_OF_ERRORS))


def speed_loss(config: Config) -> list[str]:
    """The parameter of a hand tool whose speed under load was not measured; empty for another mill."""
    d = config.drive
    if not d.is_tool or d.curve_power_W:
        return []
    return [SPEED_LOSS + {None: "unknown", True: "regulated", False: "unregulated"}[d.regulated]]


def set_parameters(mill: np.ndarray, values: Mapping[str, float | np.ndarray]) -> None:
    """Write material and model parameters into mill records (scalars, or one value per record)."""
    own = mill if mill.size > 1 else by_field(mill[0])
    _write(mill, {**values, **_following(own, values)}, EDGES[int(mill["main_edge"][0])])
    _slow_down(mill, values)


def _following(own: Any, values: Mapping[str, float | np.ndarray]) -> dict[str, float | np.ndarray]:
    """Fields of a mill that follow from parameters and its own numbers by name, or from those of many mills."""
    found = {}
    if (stick := values.get("stick_temperature")) is not None:
        found["T_limit"] = _where(own["T_user"] < NO_LIMIT, own["T_user"], stick)
    if (share := values.get("hub_share")) is not None:
        found["r_hub"] = share * own["R"]
        found["r_drag"] = _where(own["swinging"] > 0.0, own["r_drag"], found["r_hub"])  # of hammers: their pivot
    hub = found["r_hub"] if "r_hub" in found else own["r_hub"]
    return found | {"chamber_volume": pi * (own["R_stator"] * own["R_stator"] - hub * hub) * own["H"]}


def _where(which: Any, one: Any, other: Any) -> Any:
    """numpy.where, which takes ten times as long for single numbers."""
    return np.where(which, one, other) if isinstance(which, np.ndarray) else one if which else other


def _slow_down(mill: np.ndarray, values: Mapping[str, float | np.ndarray]) -> None:
    """The motor curves of hand tools by their parameter, if it is among the values."""
    for name in _losses(tuple(values)):
        _set_speed_loss(mill, values[name])


def _write(mill: np.ndarray, values: Mapping[str, float | np.ndarray], main_edge: str) -> None:
    """Write what has a place in mill records (scalars, or one value per record), all at once: thrice as quick."""
    pick, columns = _places(tuple(values), main_edge)
    try:
        table = np.array(pick(values))
    except ValueError:  # some are numbers and some one for each record
        table = np.array([np.broadcast_to(x, mill.shape) for x in pick(values)])
    mill.view(float).reshape(mill.size, -1)[:, columns] = table.T


@lru_cache(64)
def _losses(names: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(n for n in names if n.startswith(SPEED_LOSS))


@lru_cache(64)
def _places(names: tuple[str, ...], main_edge: str) -> tuple[Callable[[Mapping], Sequence], np.ndarray]:
    """What picks the values that a mill record has a place for, and which of its numbers each is; of edges those of
    the main kind, or of one of the others.
    """
    found, fields = {}, dict(MILL.fields or {})
    for name in names:
        field = next((e for e in EDGE if name.startswith(e + "_")), ALIAS.get(name, name))
        kind = name.removeprefix(f"{field}_") if field in EDGE else main_edge
        within = 0 if kind == main_edge else other_edges(main_edge).index(kind)
        field = field if kind == main_edge else f"other_{field}"
        if field in fields:
            found[name] = fields[field][1] // 8 + within
    pick = itemgetter(*found) if len(found) > 1 else lambda values: [values[n] for n in found]
    return pick, np.array(list(found.values()), dtype=np.intp)


def other_edges(main: str) -> list[str]:
    """The kinds of edge beside the main one, in the order in which a mill record has them."""
    return [kind for kind in EDGES if kind != main]


def _gives_way(c: Config) -> float:
    """Share of its speed that a tool loses per rated power beyond it: electronics have no more to give."""
    return 0.0 if c.drive.regulated is False else c.model.value(SPEED_LOSS + "unregulated")


def _set_speed_loss(mill: np.ndarray, loss: float | np.ndarray) -> None:
    """The motor curve of hand tools by what they lose at rated power; where a speed under load is known, it stays."""
    for m, share in zip(mill, np.broadcast_to(loss, mill.shape), strict=True):
        if m["loses"] > 0.0:
            beyond = max(share, m["gives_way"])
            for i, P in enumerate(m["curve_power"]):
                m["curve_speed"][i] = drive.tool_speed(P, m["omega_0"], m["rated_power"], share, beyond)


def _several(c: Config) -> dict[str, list[float]]:
    """Fields of a mill record that hold several numbers."""
    power, speed = speed_curve(c)
    shares = dict(c.rotor.edges)
    return {
        "other_share": [shares.get(k, 0.0) for k in other_edges(c.rotor.main_edge)],
        "curve_power": power, "curve_speed": speed,
    }  # fmt: skip


def _geometry(c: Config) -> dict[str, float]:
    r, st, sv = c.rotor, c.stator, c.sieve
    R_stator = r.radius_m + st.gap_m
    pins = st.pins if st.kind == "pins" else 0
    d_pin = st.pin_diameter_m if pins else 0.0
    periphery = 2.0 * pi * (R_stator + d_pin) * r.height_m
    return {
        "R": r.radius_m, "H": r.height_m, "n_bars": r.bars, "bar_thickness": r.bar_thickness_m, **_rings(c),
        "main_edge": EDGES.index(r.main_edge),
        "swept_share": swept_share(c), "r_drag": (r.pivot_radius_m or 0.0) if r.mount == "swinging" else 0.0,
        "run_out": min(r.run_out_m or 0.0, st.gap_m), **_pin_give(c),
        "swinging": float(r.mount == "swinging"), "hammer_mass": r.hammer_mass_kg or 0.0,
        "n_pins": pins, "d_pin": d_pin, "gap": st.gap_m, "R_stator": R_stator,
        "hole": sv.hole_m, "plate": sv.thickness_m, "open_share": sv.open_fraction, "sieve_area": sv.area_m2,
        "sieve_share": min(1.0, sv.area_m2 / periphery),
        "n_holes": sv.open_fraction * sv.area_m2 / (pi / 4.0 * sv.hole_m**2),
        "inner_area": 2.0 * pi * R_stator * (r.height_m + R_stator),
    }  # fmt: skip


def _rings(c: Config) -> dict[str, float]:
    """What passes a pin at once: one bar of one ring where rings are turned or hammers swing, else a bar of each."""
    r = c.rotor
    apart = r.staggered or r.mount == "swinging"
    return {
        "face": r.bar_height_m if apart else r.ring_count * r.bar_height_m,
        "turn_bars": r.bars_in_all if apart else r.bars,
        "all_bars": r.bars_in_all,
    }


def swept_share(c: Config) -> float:
    """Share of the rotor's height that bars sweep: what is between rings is free, and a hammer as thick as told."""
    r = c.rotor
    bars = min(1.0, r.ring_count * r.bar_height_m / r.height_m)
    if r.mount == "swinging" and r.hammer_thickness_m:
        return bars * min(1.0, r.hammer_thickness_m / r.bar_height_m)
    return bars


def _pin_give(c: Config) -> dict[str, float]:
    """Stiffness [N/m] of a pin and the force [N] at which it stays bent; zeros where the wall has none."""
    st = c.stator
    if st.kind != "pins" or not (st.pin_diameter_m and st.free_length_m):
        return {"pin_stiffness": 0.0, "pin_force": 0.0}
    both = float(st.held == "both ends")
    strength = st.yield_strength_Pa or PIN_YIELD
    return {
        "pin_stiffness": cutting.pin_stiffness(STEEL_MODULUS, st.pin_diameter_m, st.free_length_m, both),
        "pin_force": cutting.pin_bending_force(strength, st.pin_diameter_m, st.free_length_m, both),
    }


def _setting(c: Config) -> dict[str, float]:
    limit = c.limits.outlet_temperature_K
    fresh = 1.0 - c.air.recirculated
    T_air = fresh * c.air.room_K + c.air.recirculated * (c.air.cooler_outlet_K or c.air.room_K)
    return {
        "omega_0": c.drive.speed_rad_s, "rated_power": c.drive.shaft_rated_W, "overload": c.drive.overload,
        "efficiency": c.drive.efficiency, "fan": float(c.air.fan), "inlet_area": c.air.inlet_area_m2,
        "filter_area": c.air.filter_area_m2 or 0.0, "blower": c.air.blower_pressure_Pa, "T_air_in": T_air,
        "T_room": c.air.room_K, "T_feed": c.feed.temperature_K, "feed_opening": c.feed.opening_m,
        "feed_size": c.feed.size.largest_m, "T_user": limit if limit is not None else NO_LIMIT,
        "casing_capacity": c.casing.mass_kg * parts.CASING_HEAT[c.casing.material],
        "no_load": parts.own_loss(c),
        "loses": float(bool(speed_loss(c))), "gives_way": _gives_way(c),
    }  # fmt: skip


def speed_curve(c: Config) -> tuple[list[float], list[float]]:
    """CURVE_POINTS of shaft power [W] and speed [rad/s]; the last slope of what is given goes on."""
    P, w, rated = list(c.drive.curve_power_W), list(c.drive.curve_speed_rad_s), c.drive.shaft_rated_W
    if not P:
        P, w = [rated], [(1.0 - SAG) * c.drive.speed_rad_s]
    if P[0] > 0.0:
        P, w = [0.0, *P], [max(c.drive.speed_rad_s, w[0]), *w]
    if len(P) == 1:
        P, w = [*P, rated], [*w, (1.0 - SAG) * w[0]]
    if len(P) > CURVE_POINTS:
        at = np.linspace(P[0], P[-1], CURVE_POINTS)
        P, w = at.tolist(), np.interp(at, P, w).tolist()
    while len(P) < CURVE_POINTS:
        slope = (w[-1] - w[-2]) / (P[-1] - P[-2])
        P.append(P[-1] + rated)
        w.append(w[-1] + slope * rated)
    return P, w


@lru_cache(16)
def feed_curve(size: FeedSize) -> tuple[np.ndarray, np.ndarray]:
    """(ln x, Q3) of the feed, to be read as piecewise linear in ln x; both ends are closed."""
    if size.kind == "single":
        assert size.size_m is not None
        return np.full(2, np.log(size.size_m)), np.array([0.0, 1.0])
    if size.kind == "sieve_sheet":
        return _closed_table(np.asarray(size.sheet_apertures_m), np.asarray(size.sheet_q3))
    q = np.concatenate([[0.0005], np.linspace(0.0025, 0.9975, 399)])
    if size.kind == "rrsb":
        assert size.x63_m is not None and size.n is not None
        x = np.array([psd.rrsb_x(p, size.x63_m, size.n) for p in q])
    else:
        assert size.x50_m is not None and size.sigma is not None
        x = np.array([psd.lognormal_x(p, size.x50_m, size.sigma) for p in q])
    return np.log(x), (q - q[0]) / (q[-1] - q[0])


def _closed_table(x: np.ndarray, q: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Close a sieve table: below the finest sieve one octave and a half, above the coarsest one step, if needed."""
    if q[0] > 0.0:
        x, q = np.concatenate([[x[0] / 2.8], x]), np.concatenate([[0.0], q])
    if q[-1] < 1.0:
        x, q = np.concatenate([x, [x[-1] * 1.4]]), np.concatenate([q, [1.0]])
    return np.log(x), q


class Classes(NamedTuple):
    """Size classes with the feed in them, as a Setup has them."""

    edges: np.ndarray
    x: np.ndarray
    feed: np.ndarray
    feed_curve: tuple[np.ndarray, np.ndarray]


def size_classes(c: Config, ratio: float, bounds_m: tuple[float, ...] = ()) -> Classes:
    """Classes whose bounds [m] are hole, the size a hole just passes, gap and `bounds_m`; a single feed size is a
    middle.
    """
    hole = c.sieve.hole_m
    anchors = hole, hole / c.material.value("shape"), c.stator.gap_m, *bounds_m
    return _classes(c.feed.size, _coarsest(c), hole, ratio, anchors)


@lru_cache(256)  # points of a grid that differ in another axis share them
def _classes(size: FeedSize, coarser: float, hole: float, ratio: float, anchors: tuple[float, ...]) -> Classes:
    """The same by what they depend on; coarser: how many times as coarse the feed may be as it is guessed to be."""
    curve = feed_curve(size)
    top, low = float(np.exp(curve[0][-1])), min(X_LOW, 0.02 * hole)
    if size.kind != "single":
        edges = psd.size_grid(low, top * coarser * 1.0000001, ratio, anchors)
    else:
        below = psd.size_grid(low, top / ratio**0.5, ratio, anchors)
        above = [top * ratio ** (0.5 + i) for i in range(1 + int(np.ceil(np.log(coarser) / np.log(ratio))))]
        edges = np.append(below, above)
    return Classes(edges, psd.middles(edges), shares(edges, curve), curve)


def _coarsest(c: Config) -> float:
    """How many times as coarse the feed may be as it is guessed to be."""
    sizes = [p for p in c.guesses.parameters if p.name.startswith("feed.size.")] if c.guesses else []
    return max((p.high / p.value for p in sizes), default=1.0)
