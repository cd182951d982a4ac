"""What a workshop can change on a mill: each kind of change as a way from little to much, in values that can be built.

Nothing is tried here: `changes` walks these ways on the model.
"""

import math
from collections.abc import Callable, Iterator
from typing import NamedTuple

from ..base.quantities.units import readable
from ..base.quantities.written import digits
from ..mill.config.derived import rotor_height
from ..mill.config.mill import Config, Sieve
from ..mill.config.schema import EDGES
from ..mill.parts import stock_hole
from .prebuild.facts import MillFacts

STEPS = (0.25, 0.5, 1.0)  # of the way to the farthest that is tried, in ln of what changes
EACH = (0.25, 0.5, 0.75, 1.0)  # the same, of a way of up to four things that are tried one after the other
WALL = 0.8  # share of the wall that a larger sieve may take (assumed: pins and feed want the rest)
COLD_K = ((278.15, "a refrigerator"), (255.15, "a freezer"), (194.65, "dry ice"), (123.15, "cold nitrogen"))  # a feed
COLDER_K = 10.0  # by which chilling is worth the trouble (assumed)
SUCTION = (500.0, 1000.0, 2000.0)  # Pa: of a fan, of a strong vacuum cleaner
FINER, HOLE_STEP = 0.5, 1.05  # the finest holes tried over those there are; a step that is one
WIDEST = 5.0  # inlet over that there is, as far as it is tried
RPM = math.pi / 30.0


class Way(NamedTuple):
    """A kind of change: the values it goes through at a share of its way, as (words, overrides)."""

    key: str
    at: Callable[[float], tuple[str, tuple[str, ...]]]
    steps: tuple[float, ...] = STEPS


def ways(config: Config) -> Iterator[Way]:
    """What a workshop can change on this mill, each to its farthest."""
    yield from _of_motion(config)
    yield from _of_stator(config)
    yield from _of_sieve(config)
    yield from _of_heat(config)
    yield from _of_load(config)


def every_way(config: Config) -> Iterator[Way]:
    """The same, and finer holes, which never help a rate."""
    yield from ways(config)
    s = config.sieve

    def finer(share: float) -> tuple[str, tuple[str, ...]]:
        value = stock_hole(s.hole_m * FINER**share, s.hole_m / HOLE_STEP)
        return f"holes of {readable(value, 'mm')}", hole_keys(s, value)

    yield Way("sieve.hole", finer)


def _to(now: float, factor: float, share: float) -> float:
    """A value at a share of the way to `factor` times itself, to two digits, never beyond."""
    value = now * factor**share
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return (math.floor if factor > 1.0 else math.ceil)(value / step + (1e-9 if factor > 1.0 else -1e-9)) * step


def _index(share: float, count: int) -> int:
    """Which of some things stands at a share of the way."""
    return max(0, math.ceil(share * count - 1e-9) - 1)


def _in(unit: float, now: float, factor: float, share: float) -> float:
    """The same in a unit of the workshop, in which it is round; SI."""
    return _to(now / unit, factor, share) * unit


def scaled(
    key: str, now: float, factor: float, unit: float, tell: Callable[[float], tuple[str, tuple[str, ...]]]
) -> Way:
    """The way on which one number goes to a factor of itself."""

    def at(share: float) -> tuple[str, tuple[str, ...]]:
        value = _in(unit, now, factor, share)
        moved = value > now * (1.0 + 1e-6) if factor > 1.0 else value < now * (1.0 - 1e-6)
        return tell(value) if moved else ("", ())

    return Way(key, at)


def _of_motion(config: Config) -> Iterator[Way]:
    R, speed, r = config.rotor.radius_m, config.drive.speed_rad_s, config.rotor

    def turn(omega: float) -> tuple[str, tuple[str, ...]]:
        rpm = omega / RPM
        return f"{rpm:.0f} rpm, {digits(omega * R, 2)} m/s at the tips", (f'drive.speed="{rpm:.6g} rpm"',)

    def lower(height: float) -> tuple[str, tuple[str, ...]]:
        keys = [f'rotor.bar_height="{height * 1e3:.6g} mm"']
        rotor = rotor_height(r.rings, height, r.ring_spacing_m)
        if config.stator.kind == "pins" and config.stator.free_length_m > rotor:
            keys.append(f'stator.free_length="{rotor * 1e3:.6g} mm"')
        return f"bars {readable(height, 'mm')} high", tuple(keys)

    for factor in (1.8, 0.5):
        yield scaled("drive.speed", speed, factor, RPM, turn)
    for most in (4, -3):
        yield Way("rotor.bars", _counted(r.bars, most, "bar", "rotor.bars"))
    yield scaled("rotor.bar_height", r.bar_height_m, 0.5, 1e-3, lower)
    sharper = EDGES[EDGES.index(r.edge) + 1 :]
    if sharper:
        yield Way("rotor.edge", lambda share: _edge(sharper, share))


def _edge(sharper: tuple[str, ...], share: float) -> tuple[str, tuple[str, ...]]:
    edge = sharper[min(len(sharper) - 1, int(share * len(sharper)))]
    return f"a {edge} edge", (f'rotor.edge="{edge}"',)


def _counted(now: int, most: int, one: str, key: str) -> Callable[[float], tuple[str, tuple[str, ...]]]:
    """The way on which a number of things goes up or down."""

    def at(share: float) -> tuple[str, tuple[str, ...]]:
        count = now + (1 if most > 0 else -1) * max(1, math.floor(abs(most) * share + 1e-9))
        return (f"{count} {one}s", (f"{key}={count}",)) if count >= 2 else ("", ())  # one bar needs a counterweight

    return at


def gap_words(gap_m: float) -> tuple[str, tuple[str, ...]]:
    """A gap in words and as an override."""
    return f"a gap of {readable(gap_m, 'mm')}", (f'stator.gap="{gap_m * 1e3:.6g} mm"',)


def _of_stator(config: Config) -> Iterator[Way]:
    s = config.stator
    for factor in (0.3, 3.0):
        yield scaled("stator.gap", s.gap_m, factor, 1e-3, gap_words)
    if s.kind == "pins":
        yield Way("stator.pins", _counted(s.pins, s.pins, "pin", "stator.pins"))


def hole_keys(sieve: Sieve, hole_m: float) -> tuple[str, ...]:
    """Overrides that make a sieve with other holes and the same open share."""
    keys = [f'sieve.hole="{hole_m * 1e3:.6g} mm"']
    for name, step in (("pitch", sieve.pitch_m), ("wire", sieve.wire_m), ("thread", sieve.thread_m)):
        if step is not None:
            keys.append(f'sieve.{name}="{step * 1e3 * hole_m / sieve.hole_m:.6g} mm"')
    return tuple(keys)


def _of_sieve(config: Config) -> Iterator[Way]:
    s = config.sieve

    def hole(most: float) -> tuple[str, tuple[str, ...]]:
        value = stock_hole(most, most)
        if not value > s.hole_m * (1.0 + 1e-6):
            return "", ()
        return f"holes of {readable(value, 'mm')}", hole_keys(s, value)

    def area(value: float) -> tuple[str, tuple[str, ...]]:
        return f"a sieve of {readable(value, 'cm2')}", (f'sieve.area="{value * 1e4:.6g} cm2"',)

    yield scaled("sieve.hole", s.hole_m, 2.0, 1e-3, hole)
    wall = MillFacts(config, None).chamber_wall
    if WALL * wall > 1.1 * s.area_m2:
        yield scaled("sieve.area", s.area_m2, min(2.0, WALL * wall / s.area_m2), 1e-4, area)


def chills(config: Config) -> list[tuple[float, str]]:
    """What makes the feed colder than it is, the least cold first."""
    return [x for x in COLD_K if x[0] < config.feed.temperature_K - COLDER_K]


def chilled_words(T: float, by: str) -> str:
    """ "feed chilled to -78 °C with dry ice"."""
    return f"feed chilled to {T - 273.15:.0f} °C {'in' if by.startswith('a ') else 'with'} {by}"


def _of_heat(config: Config) -> Iterator[Way]:
    a, colder = config.air, chills(config)
    harder = [p for p in SUCTION if p > a.blower_pressure_Pa]

    def chill(share: float) -> tuple[str, tuple[str, ...]]:
        T, by = colder[_index(share, len(colder))]
        return chilled_words(T, by), (f'feed.temperature="{T - 273.15:.1f} degC"',)

    def inlet(value: float) -> tuple[str, tuple[str, ...]]:
        return f"an air inlet of {readable(value, 'cm2')}", (f'air.inlet_area="{value * 1e4:.6g} cm2"',)

    def suck(share: float) -> tuple[str, tuple[str, ...]]:
        pressure = harder[_index(share, len(harder))]
        return f"suction of {pressure:.0f} Pa", (f'air.blower_pressure="{pressure:.0f} Pa"',)

    if colder:
        yield Way("feed.temperature", chill, EACH)
    yield scaled("air.inlet_area", a.inlet_area_m2, WIDEST, 1e-4, inlet)
    if harder:
        yield Way("air.blower_pressure", suck, EACH)


def _of_load(config: Config) -> Iterator[Way]:
    def motor(watts: float) -> tuple[str, tuple[str, ...]]:
        return f"a motor rated {readable(watts, 'W')}", (f'drive.rated_power="{watts:.6g} W"',)

    def heavier(mass: float) -> tuple[str, tuple[str, ...]]:
        return f"a rotor of {readable(mass, 'kg')}", (f'rotor.mass="{mass:.6g} kg"',)

    def smaller(mass: float) -> tuple[str, tuple[str, ...]]:
        return f"a batch of {readable(mass, 'g')}", (f'feed.batch_mass="{mass * 1e3:.6g} g"',)

    yield scaled("drive.rated_power", config.drive.rated_power_W, 2.0, 1.0, motor)
    if config.rotor.mass_kg is not None:
        yield scaled("rotor.mass", config.rotor.mass_kg, 3.0, 1.0, heavier)
    if config.feed.batch_mass_kg is not None:
        yield scaled("feed.batch_mass", config.feed.batch_mass_kg, 0.2, 1e-3, smaller)
