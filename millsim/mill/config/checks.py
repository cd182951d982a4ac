"""What contradicts what among a config's values, given and derived.

Works on the flat table {"rotor.radius": SI value, ...}. A rule runs only when all values it names are there,
so a missing or bad value never causes a second complaint.
"""

import math
from collections.abc import Callable, Iterator
from functools import lru_cache

from ...base.quantities.units import readable
from ...base.reading.tables import Finding
from ...laws.openings import ARCHING
from .derived import SHARES_TOLERANCE, Values, shaft_rated
from .schema import key_row

_RULES: list[tuple[tuple[str, ...], Callable[..., Iterator[Finding]]]] = []
_SPEED = key_row("drive", "speed")
_ROUNDING = 1.0 + 1e-9
DIAL_SLACK = 1.02  # how far a dial may be off its plate
OPEN_FRACTION_TOLERANCE = 0.15  # given against derived
AREA_TOLERANCE = 0.1  # of a sieve, given against angle or share


def rule(*keys: str) -> Callable:
    """Register a check that needs the values of these keys."""

    def register(check: Callable[..., Iterator[Finding]]) -> Callable:
        _RULES.append((keys, check))
        return check

    return register


def contradictions(values: Values, changed: frozenset[str] | None = None) -> Iterator[Finding]:
    """Every contradiction among the values that are known; changed: the keys that may make one, where not all may."""
    for keys, check in _RULES if changed is None else _touched_by(changed):
        arguments = list(map(values.get, keys))
        if None not in arguments:
            yield from check(*arguments)


@lru_cache(256)
def _touched_by(changed: frozenset[str]) -> list[tuple[tuple[str, ...], Callable[..., Iterator[Finding]]]]:
    return [(keys, check) for keys, check in _RULES if not changed.isdisjoint(keys)]


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


@rule("sieve.own_area", "sieve.covered")
def _area_agrees(given: float, covered: float) -> Iterator[Finding]:
    if abs(given / covered - 1.0) > AREA_TOLERANCE:
        yield Finding(
            "sieve.area",
            f"{readable(given, 'cm2')} contradicts angle or share, which give {readable(covered, 'cm2')} here",
            f"within {100 * AREA_TOLERANCE:.0f} %",
            "leave one of them out; a sieve lower or higher than the rotor has a height of its own",
        )


@rule("sieve.covered")
def _covered_is_possible(covered: float) -> Iterator[Finding]:
    row = key_row("sieve", "area")
    if not row.low / _ROUNDING <= covered <= row.high * _ROUNDING:
        message = f"angle or share give {readable(covered, 'cm2')} on this chamber"
        yield Finding("sieve.area", message, row.allowed, "check angle or share, radius and height")


@rule("rotor.edge", "rotor.shares")
def _edges_add_up(edge: str, shares: dict[str, float]) -> Iterator[Finding]:
    others = sum(x for kind, x in shares.items() if kind != edge)
    if others > 1.0 + SHARES_TOLERANCE:
        told = " and ".join(f"{x:.3g} {kind}" for kind, x in shares.items() if kind != edge)
        first = next(kind for kind in shares if kind != edge)
        yield Finding(f"rotor.{first}_share", f"{told} are {others:.3g} of the edges", "at most 1 together")
    elif edge in shares and abs(shares[edge] - (1.0 - others)) > SHARES_TOLERANCE:
        yield Finding(
            f"rotor.{edge}_share",
            f"{shares[edge]:.3g} contradicts edge = {edge}, which has what the others leave, {1.0 - others:.3g}",
            "",
            "leave it out, or give the share of the other edge",
        )


@rule("rotor.edge", "rotor.edges", "rotor.edge_radius")
def _radius_of_an_edge(edge: str, edges: dict[str, float], radius: float) -> Iterator[Finding]:
    if edge not in edges:
        message = f"is of a {edge} edge, and the others take all of the length"
        yield Finding("rotor.edge_radius", message, "", "set edge to the kind that was measured")


@rule("rotor.rings", "rotor.bar_height", "rotor.ring_spacing")
def _rings_fit(rings: int, bar: float, spacing: float) -> Iterator[Finding]:
    if rings > 1 and spacing > 3.0 * bar:
        message = f"{_mm(spacing)} between rings of {_mm(bar)} bars leaves most of the height empty"
        yield Finding(
            "rotor.ring_spacing", message, f"up to {_mm(3.0 * bar)}", "free height, not from middle to middle"
        )


@rule("feed.handful", "feed.every")
def _hand_feeds_as_much(handful: float, every: float) -> Iterator[Finding]:
    row, rate = key_row("feed", "rate"), handful / every
    if not row.low / _ROUNDING <= rate <= row.high * _ROUNDING:
        message = f"{readable(handful, 'g')} every {readable(every, 's')} is {readable(rate, 'g/h')}"
        yield Finding("feed.every", message, row.allowed.partition(",")[0], "check mass and time")


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
    tip = speed * radius
    if not 2.0 / _ROUNDING <= tip <= 200.0 * _ROUNDING:
        message = f"{readable(speed, 'rpm')} gives a tip speed of {tip:.3g} m/s"
        yield Finding("drive.speed", message, "2 m/s to 200 m/s", "check speed and radius")
    elif not _SPEED.low <= speed <= _SPEED.high:
        message = f"{tip:.3g} m/s needs {readable(speed, 'rpm')} on this radius"
        yield Finding("drive.tip_speed", message, _SPEED.allowed, "check speed and radius")


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
    top = max(w for _, w in curve)
    above, below = top > speed * _ROUNDING, curve[0][0] == 0.0 and curve[0][1] < 0.99 * speed
    if above or below:
        reached, no_load = readable(top, "rpm"), readable(speed, "rpm")
        apart = f"starts at {reached} without load, but the no-load speed is {no_load}"
        message = f"reaches {reached}, above the no-load speed of {no_load}" if above else apart
        allowed, hint = (f"up to {no_load}", "") if above else ("", "make them agree")
        yield Finding("drive.speed_curve", message, allowed, hint)


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
