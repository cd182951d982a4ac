"""What follows from a config's values: open area, area of the sieve, edges, no-load speed, motor curve, largest piece.

Works on the flat table {"rotor.radius": SI value, ...}; a value that is missing makes what follows from it missing.
"""

import math
from functools import lru_cache
from typing import Any

from ...laws.openings import mesh_thread, open_area_mesh, open_area_staggered
from .schema import EDGES

Values = dict[str, Any]
SHARES_TOLERANCE = 0.01  # of edges
_OF_SIZE = ("kind", "size", "x63", "n", "x50", "sigma", "apertures", "q3")
_SIZE_KEYS = tuple(f"feed.size.{name}" for name in _OF_SIZE)


FOLLOWS = tuple(  # keys that `derive` fills in
    "drive.speed drive.no_load_speed drive.own_curve drive.speed_curve sieve.thickness sieve.derived "
    "sieve.open_fraction sieve.own_area sieve.covered sieve.area rotor.edges rotor.shares feed.rate feed.temperature "
    "feed.largest feed.top".split()
)  # fmt: skip


def derive(values: Values) -> None:
    """Fill in what follows from the values given."""
    values["drive.speed"] = no_load_speed(values)
    if values.get("drive.no_load_power") is not None and values.get("drive.no_load_speed") is None:
        values["drive.no_load_speed"] = values.get("drive.kept_speed") or values["drive.speed"]
    if values.get("sieve.kind") == "mesh" and values.get("sieve.thickness") is None:
        values["sieve.thickness"] = values.get("sieve.wire")
    if values.get("sieve.kind") == "cloth":
        values["sieve.thickness"] = cloth_thread(values)
    values["sieve.derived"] = derived_open_fraction(values)
    if values.get("sieve.open_fraction") is None:
        values["sieve.open_fraction"] = values["sieve.derived"]
    values["sieve.own_area"], values["sieve.covered"] = values.get("sieve.area"), covered_area(values)
    if values["sieve.own_area"] is None:
        values["sieve.area"] = values["sieve.covered"]
    values["rotor.edges"], values["rotor.shares"] = edges_of(values), told_shares(values)
    if values.get("feed.handful") and values.get("feed.every"):
        values["feed.rate"] = values["feed.handful"] / values["feed.every"]
    if values.get("feed.temperature") is None:
        values["feed.temperature"] = values.get("air.room")
    values["drive.own_curve"] = values.get("drive.speed_curve") or None
    values["drive.speed_curve"] = _curve(values)
    values["feed.largest"], values["feed.top"] = _ends(*map(values.get, _SIZE_KEYS))


def derived_open_fraction(values: Values) -> float | None:
    """Open area over area, by plane geometry."""
    hole, pitch, wire = (values.get(f"sieve.{k}") for k in ("hole", "pitch", "wire"))
    if hole and pitch and values.get("sieve.kind") == "plate" and pitch > hole:
        return open_area_staggered(hole, pitch)
    if hole and wire and values.get("sieve.kind") == "mesh":
        return open_area_mesh(hole, wire)
    if hole and values.get("sieve.thread") and values.get("sieve.kind") == "cloth":
        return open_area_mesh(hole, values["sieve.thread"])
    return None


def cloth_thread(values: Values) -> float | None:
    """Diameter of the threads of a cloth [m]: as given, else from hole and open fraction."""
    hole, share = values.get("sieve.hole"), values.get("sieve.open_fraction")
    return values.get("sieve.thread") or (mesh_thread(hole, share) if hole and share else None)


def rotor_height(rings: int | None, bar: float, spacing: float | None) -> float:
    """Height of a rotor [m]: its rings of bars and what is free between them."""
    rings = rings or 1
    return rings * bar + (rings - 1) * (spacing or 0.0)


def sieve_radius(radius: float, gap: float, pin: float) -> float:
    """Radius of the circle on which the sieve lies [m]: beyond the gap, and behind the pins where there are some."""
    return radius + gap + pin


def covered_area(values: Values) -> float | None:
    """Area [m2] of a sieve that is given by its angle or by its share of the circumference."""
    angle, share = values.get("sieve.angle"), values.get("sieve.share")
    radius, bar, gap = (values.get(k) for k in ("rotor.radius", "rotor.bar_height", "stator.gap"))
    share = angle / (2.0 * math.pi) if angle else share
    if not (share and radius and bar and gap):
        return None
    pin = (values.get("stator.pin_diameter") or 0.0) if values.get("stator.kind") == "pins" else 0.0
    height = rotor_height(values.get("rotor.rings"), bar, values.get("rotor.ring_spacing"))
    return share * 2.0 * math.pi * sieve_radius(radius, gap, pin) * (values.get("sieve.height") or height)


def told_shares(values: Values) -> dict[str, float] | None:
    """The shares of edges that are given, by kind; None without."""
    told = {kind: values[f"rotor.{kind}_share"] for kind in EDGES if values.get(f"rotor.{kind}_share") is not None}
    return told or None


def edges_of(values: Values) -> dict[str, float] | None:
    """Share of the bars' edge length by kind of edge, those that there are; None where they do not add up."""
    own = values.get("rotor.edge")
    shares = {kind: values.get(f"rotor.{kind}_share") or 0.0 for kind in EDGES if kind != own}
    rest = 1.0 - sum(shares.values())
    if own is None or rest < -SHARES_TOLERANCE:
        return None
    told = {**shares, own: max(0.0, rest)}
    return {kind: told[kind] for kind in EDGES if told[kind] > 0.0}


def shaft_rated(rated_power: float, rated_at: str, efficiency: float) -> float:
    """Continuous power at the shaft [W]."""
    return rated_power if rated_at == "shaft" else rated_power * efficiency


def no_load_speed(values: Values) -> float | None:
    """Speed without load [rad/s] of gathered values: as given, by the tip speed, or where the dial stands."""
    radius, tip_speed, speed = (values.get(k) for k in ("rotor.radius", "drive.tip_speed", "drive.speed"))
    step, dial = values.get("drive.dial_step"), values.get("drive.dial") or ()
    if speed is None and tip_speed and radius:
        return tip_speed / radius
    if speed is None and step and len(dial) >= step:
        low = min(int(step), len(dial) - 1) - 1
        return dial[low] + (step - 1 - low) * (dial[low + 1] - dial[low])
    return speed


def slip(values: Values) -> tuple[tuple[float | None, float], ...]:
    """How the motor slows: (shaft power [W], None for the rated one; speed over that without load); () if not given.

    Of gathered values. A motor whose speed is changed by an override or an axis is taken to slow in proportion.
    """
    speed = no_load_speed(values)
    under, curve = values.get("drive.speed_under_load"), values.get("drive.speed_curve")
    if not speed or not (under or curve):
        return ()
    return ((None, under / speed),) if under else tuple((P, omega / speed) for P, omega in curve or ())


def _curve(values: Values) -> tuple[tuple[float, float], ...]:
    """Motor curve (shaft power [W], speed [rad/s]) from no load on; empty if nothing but no load is given."""
    curve, under, speed = (values.get(f"drive.{k}") for k in ("speed_curve", "speed_under_load", "speed"))
    kept = values.get("drive.slip") or ()
    if kept and speed and not under and not curve:
        under = kept[0][1] * speed if kept[0][0] is None else None
        curve = None if under else tuple((P, share * speed) for P, share in kept)
    if curve and speed and curve[0][0] > 0.0:
        return ((0.0, speed), *curve)
    motor: list[Any] = [values.get(f"drive.{k}") for k in ("rated_power", "rated_at", "efficiency")]
    if under and speed and None not in motor:
        return ((0.0, speed), (shaft_rated(*motor), under))
    return curve or ()


@lru_cache(64)
def _ends(*of_size: Any) -> tuple[float | None, float | None]:
    """Largest and top piece of a feed; most of the many mills of a sweep are fed the same."""
    size = dict(zip(_OF_SIZE, of_size, strict=True))
    return largest_piece(size), top_piece(size)


def largest_piece(values: Values) -> float | None:
    """Single size, else the size 95 % of the feed is finer than [m]; values by key of [feed.size]."""
    kind, size, x63, n, x50, sigma = (values.get(k) for k in ("kind", "size", "x63", "n", "x50", "sigma"))
    if kind == "rrsb" and x63 and n:
        return x63 * math.log(20.0) ** (1.0 / n)
    if kind == "lognormal" and x50 and sigma:
        return x50 * math.exp(1.6449 * sigma)
    if kind in ("table", "sieve_sheet", "product"):
        return _x95(values.get("apertures") or (), values.get("q3") or ())
    return size if kind == "single" else None


def top_piece(values: Values) -> float | None:
    """The largest piece of the feed as given [m]: the single size, the end of a table; of a curve without an end the
    size that 99 % by mass are finer than (assumed). Values by key of [feed.size].
    """
    kind, size, x63, n, x50, sigma = (values.get(k) for k in ("kind", "size", "x63", "n", "x50", "sigma"))
    if kind == "rrsb" and x63 and n:
        return x63 * math.log(100.0) ** (1.0 / n)
    if kind == "lognormal" and x50 and sigma:
        return x50 * math.exp(2.3263 * sigma)
    apertures, q3 = values.get("apertures") or (), values.get("q3") or ()
    if kind in ("table", "sieve_sheet", "product") and apertures and len(apertures) == len(q3):
        return next((x for x, share in zip(apertures, q3, strict=True) if share > 1.0 - 1e-9), apertures[-1])
    return size if kind == "single" else None


def _x95(apertures: tuple[float, ...], q3: tuple[float, ...]) -> float | None:
    """The 95 % point of a table, linear in ln x."""
    if len(apertures) != len(q3) or not apertures:
        return None
    for i, share in enumerate(q3):
        if share >= 0.95:
            if i == 0 or share == q3[i - 1]:
                return apertures[i]
            part = (0.95 - q3[i - 1]) / (share - q3[i - 1])
            return apertures[i - 1] * (apertures[i] / apertures[i - 1]) ** part
    return apertures[-1]
