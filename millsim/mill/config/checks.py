"""What follows from a config's values, and what contradicts what.

Works on the flat table {"rotor.radius": SI value, ...}. A rule runs only when all values it names are there,
so a missing or bad value never causes a second complaint. Owns the derived values: open area, no-load speed,
motor curve, largest feed piece.
"""

import math
from collections.abc import Callable, Iterator
from typing import Any

from ...base.quantities.units import readable
from ...base.reading.tables import Finding
from ...laws.openings import ARCHING, open_area_mesh, open_area_staggered
from .schema import key_row

Values = dict[str, Any]
_RULES: list[tuple[tuple[str, ...], Callable[..., Iterator[Finding]]]] = []
_SPEED = key_row("drive", "speed")
_ROUNDING = 1.0 + 1e-9
DIAL_SLACK = 1.02  # how far a dial may be off its plate
OPEN_FRACTION_TOLERANCE = 0.15  # given against derived


def rule(*keys: str) -> Callable:
    """Register a check that needs the values of these keys."""

    def register(check: Callable[..., Iterator[Finding]]) -> Callable:
        _RULES.append((keys, check))
        return check

    return register


def contradictions(values: Values) -> Iterator[Finding]:
    """Every contradiction among the values that are known."""
    for keys, check in _RULES:
        arguments = [values.get(k) for k in keys]
        if all(a is not None for a in arguments):
            yield from check(*arguments)


def derive(values: Values) -> None:
    """Fill in what follows from the values given."""
    values["drive.speed"] = no_load_speed(values)
    if values.get("drive.no_load_power") is not None and values.get("drive.no_load_speed") is None:
        values["drive.no_load_speed"] = values.get("drive.kept_speed") or values["drive.speed"]
    if values.get("sieve.kind") == "mesh" and values.get("sieve.thickness") is None:
        values["sieve.thickness"] = values.get("sieve.wire")
    values["sieve.derived"] = derived_open_fraction(values)
    if values.get("sieve.open_fraction") is None:
        values["sieve.open_fraction"] = values["sieve.derived"]
    if values.get("feed.temperature") is None:
        values["feed.temperature"] = values.get("air.room")
    values["drive.own_curve"] = values.get("drive.speed_curve") or None
    values["drive.speed_curve"] = _curve(values)
    of_size = {k.removeprefix("feed.size."): v for k, v in values.items()}
    values["feed.largest"], values["feed.top"] = largest_piece(of_size), top_piece(of_size)


def derived_open_fraction(values: Values) -> float | None:
    """Open area over area, by plane geometry."""
    hole, pitch, wire = (values.get(f"sieve.{k}") for k in ("hole", "pitch", "wire"))
    if hole and pitch and values.get("sieve.kind") == "plate" and pitch > hole:
        return open_area_staggered(hole, pitch)
    if hole and wire and values.get("sieve.kind") == "mesh":
        return open_area_mesh(hole, wire)
    return None


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


def _mm(value: float) -> str:
    return readable(value, "mm")


@rule("rotor.radius", "rotor.bars", "rotor.bar_thickness")
def _bars_fit(radius: float, bars: int, thickness: float) -> Iterator[Finding]:
    if bars * thickness > 2.0 * math.pi * radius:
        most = _mm(2.0 * math.pi * radius / bars)
        yield Finding(
            "rotor.bar_thickness", f"{bars} bars of {_mm(thickness)} do not fit around the rotor", f"below {most}"
        )


@rule("rotor.radius", "rotor.pivot_radius")
def _pivot_inside(radius: float, pivot: float) -> Iterator[Finding]:
    if pivot >= radius:
        yield Finding(
            "rotor.pivot_radius",
            f"{_mm(pivot)} is not inside the tip radius of {_mm(radius)}",
            f"below {_mm(radius)}",
            "the pivot is where the hammer hangs",
        )


@rule("rotor.pivot_radius", "rotor.pivot_pin_diameter")
def _pin_beside_shaft(pivot: float, pin: float) -> Iterator[Finding]:
    if pin >= 2.0 * pivot:
        yield Finding(
            "rotor.pivot_pin_diameter",
            f"a pin of {_mm(pin)} on a pivot circle of {_mm(pivot)} radius would reach the axis",
            f"below {_mm(2.0 * pivot)}",
        )


@rule("rotor.hammer_thickness", "rotor.bar_height")
def _eye_within_hammer(eye: float, height: float) -> Iterator[Finding]:
    if eye > height * _ROUNDING:
        yield Finding(
            "rotor.hammer_thickness",
            f"{_mm(eye)} along the pin is more than the hammer is high, {_mm(height)}",
            f"up to {_mm(height)}",
            "both are measured along the axis",
        )


@rule("shaft.diameter", "rotor.radius")
def _shaft_within_rotor(shaft: float, radius: float) -> Iterator[Finding]:
    if shaft >= 2.0 * radius:
        yield Finding(
            "shaft.diameter",
            f"{_mm(shaft)} is as thick as the rotor, {_mm(2.0 * radius)}",
            f"below {_mm(2.0 * radius)}",
        )


@rule("rotor.radius", "stator.gap")
def _gap_small(radius: float, gap: float) -> Iterator[Finding]:
    if gap >= radius:
        yield Finding(
            "stator.gap", f"{_mm(gap)} is wider than the rotor radius of {_mm(radius)}", f"below {_mm(radius)}"
        )


@rule("stator.kind", "rotor.radius", "stator.gap", "stator.pins", "stator.pin_diameter")
def _pins_fit(kind: str, radius: float, gap: float, pins: int, diameter: float) -> Iterator[Finding]:
    around = 2.0 * math.pi * (radius + gap + diameter / 2.0)
    if kind == "pins" and pins * diameter > around:
        yield Finding(
            "stator.pins",
            f"{pins} pins of {_mm(diameter)} do not fit around the stator ({_mm(around)})",
            f"at most {int(around / diameter)}",
        )


@rule("sieve.hole", "sieve.pitch")
def _pitch_above_hole(hole: float, pitch: float) -> Iterator[Finding]:
    if pitch <= hole:
        yield Finding(
            "sieve.pitch",
            f"{_mm(pitch)} is not above the hole of {_mm(hole)}: no metal is left between the holes",
            f"above {_mm(hole)}",
            "pitch is hole centre to hole centre; for 1 mm holes 1.5 to 2 mm is usual",
        )


@rule("sieve.derived", "sieve.open_fraction")
def _open_fraction_agrees(derived: float, given: float) -> Iterator[Finding]:
    if derived < 0.005:
        yield Finding("sieve.hole", f"the sieve would have only {100 * derived:.2g} % open area", "0.5 % or more")
    elif abs(given / derived - 1.0) > OPEN_FRACTION_TOLERANCE:
        yield Finding(
            "sieve.open_fraction",
            f"{given:.3g} contradicts hole and spacing, which give {derived:.3g}",
            f"within {100 * OPEN_FRACTION_TOLERANCE:.0f} %",
            "leave it out to have it derived",
        )


@rule("sieve.wire", "sieve.thickness")
def _mesh_thickness(wire: float, thickness: float) -> Iterator[Finding]:
    if not 0.4 * wire <= thickness <= 3.0 * wire:
        yield Finding(
            "sieve.thickness",
            f"{_mm(thickness)} does not go with wire of {_mm(wire)}",
            f"{_mm(0.4 * wire)} to {_mm(3.0 * wire)}",
            "leave it out for a plain weave",
        )


@rule("sieve.kind", "sieve.hole", "sieve.thickness")
def _plate_thickness(kind: str, hole: float, thickness: float) -> Iterator[Finding]:
    if kind == "plate" and thickness > 5.0 * hole:
        yield Finding(
            "sieve.thickness", f"{_mm(thickness)} is too thick for holes of {_mm(hole)}", f"up to {_mm(5.0 * hole)}"
        )


@rule("drive.speed", "rotor.radius")
def _tip_speed(speed: float, radius: float) -> Iterator[Finding]:
    tip, rpm = speed * radius, readable(speed, "rpm")
    if not 2.0 / _ROUNDING <= tip <= 200.0 * _ROUNDING:
        yield Finding(
            "drive.speed", f"{rpm} gives a tip speed of {tip:.3g} m/s", "2 m/s to 200 m/s", "check speed and radius"
        )
    elif not _SPEED.low <= speed <= _SPEED.high:
        yield Finding(
            "drive.tip_speed", f"{tip:.3g} m/s needs {rpm} on this radius", _SPEED.allowed, "check speed and radius"
        )


@rule("drive.dial_step", "drive.dial")
def _step_on_dial(step: float, dial: tuple[float, ...]) -> Iterator[Finding]:
    if not dial:
        hint = 'give dial = ["10000 rpm", ...], the speed at each step, or speed instead of dial_step'
        yield Finding("drive.dial", "is missing: dial_step is a step of it", "", hint)
    elif step > len(dial):
        yield Finding("drive.dial_step", f"{step:g} is beyond the {len(dial)} steps of dial", f"1 to {len(dial)}")


@rule("drive.speed", "drive.dial")
def _within_dial(speed: float, dial: tuple[float, ...]) -> Iterator[Finding]:
    if dial and not dial[0] / DIAL_SLACK <= speed <= dial[-1] * DIAL_SLACK:
        low, high = readable(dial[0], "rpm"), readable(dial[-1], "rpm")
        message = f"{readable(speed, 'rpm')} cannot be set: the tool's dial goes from {low} to {high}"
        yield Finding("drive.speed", message, f"{low} to {high}", "if a belt lies between, leave dial out")


@rule("drive.no_load_power", "drive.rated_power", "drive.rated_at", "drive.efficiency")
def _own_loss_within(alone: float, rated: float, at: str, efficiency: float) -> Iterator[Finding]:
    whole = shaft_rated(rated, at, efficiency) * (1.0 / efficiency - 1.0)
    if alone > whole:
        message = f"{readable(alone, 'W')} with nothing on the shaft is more than the motor loses at its rated power"
        hint = "efficiency is lower, or the rotor was on: no_load_power is of the bare tool"
        yield Finding("drive.no_load_power", message, f"up to {readable(whole, 'W')} by the efficiency", hint)


@rule("drive.speed", "drive.own_curve")
def _curve_below_no_load(speed: float, curve: tuple[tuple[float, float], ...]) -> Iterator[Finding]:
    top, no_load = readable(max(w for _, w in curve), "rpm"), readable(speed, "rpm")
    if any(w > speed * _ROUNDING for _, w in curve):
        yield Finding("drive.speed_curve", f"reaches {top}, above the no-load speed of {no_load}", f"up to {no_load}")
    elif curve[0][0] == 0.0 and curve[0][1] < 0.99 * speed:
        yield Finding(
            "drive.speed_curve",
            f"starts at {top} without load, but the no-load speed is {no_load}",
            "",
            "make them agree",
        )


@rule("drive.speed", "drive.speed_under_load")
def _sags(speed: float, under: float) -> Iterator[Finding]:
    if under > speed * _ROUNDING:
        no_load = readable(speed, "rpm")
        yield Finding(
            "drive.speed_under_load",
            f"{readable(under, 'rpm')} is above the no-load speed of {no_load}",
            f"up to {no_load}",
            "a motor slows down under load",
        )


@rule("feed.top", "feed.opening")
def _feed_fits(largest: float, opening: float) -> Iterator[Finding]:
    if opening - ARCHING * largest <= 0.0:
        yield Finding(
            "feed.opening",
            f"{_mm(largest)} pieces arch over a {_mm(opening)} opening",
            f"above {_mm(ARCHING * largest)}",
            "widen the opening or sieve the feed",
        )


@rule("feed.top", "rotor.radius")
def _feed_below_rotor(largest: float, radius: float) -> Iterator[Finding]:
    if largest >= radius:
        yield Finding("feed.size", f"pieces of {_mm(largest)} are larger than the rotor radius", f"below {_mm(radius)}")


@rule("feed.size.apertures", "feed.size.q3")
def _table_pairs(apertures: tuple[float, ...], q3: tuple[float, ...]) -> Iterator[Finding]:
    if len(apertures) != len(q3):
        yield Finding("feed.size.q3", f"has {len(q3)} values for {len(apertures)} apertures", "one for each")


@rule("limits.outlet_temperature", "feed.temperature")
def _limit_above_feed(limit: float, feed: float) -> Iterator[Finding]:
    if limit <= feed:
        yield Finding(
            "limits.outlet_temperature",
            f"{readable(limit, 'degC')} is not above the feed temperature",
            f"above {readable(feed, 'degC')}",
        )
