"""What would help a mill at its limit: changes a workshop can make, each tried on the model and held to the review.

A change is walked from little to much, in steps to its farthest. Where a step would fail a line of the review that
passed before, the walk ends: nothing is advised that sends a builder to a rotor the review fails.
"""

import math
from collections.abc import Callable, Iterator
from typing import NamedTuple

from ..base.quantities.units import readable
from ..base.quantities.written import digits
from ..base.reading.key import AS_MUCH
from ..errors import InputError, NotConverged
from ..forecast.assemble import balance_result, without_throughput
from ..forecast.band import BATCH_STEPS
from ..forecast.outcome import Outcome, solve, solve_batch
from ..forecast.run import prediction_of
from ..mill.calibrated import LOOSE
from ..mill.config.mill import Config, Sieve, parse_config
from ..mill.problem import build
from ..record.limits import CANNOT, JAM, LIMITS, OK
from ..record.prediction import Change, Prediction
from .prebuild.review import BARRING, named, review

STEPS = (0.25, 0.5, 1.0)  # of the way to the farthest that is tried, in ln of what changes
OPENED = (0.25, 0.5, 0.75, 1.0)  # the same, of a gap that is opened until a piece by itself passes
FINER = 4  # halvings between a step that the review passes and one that it fails
WORTH = 1.03  # rate over that of the mill as it is, from which a change is worth naming
FARTHER = 1.03  # the same, from which going farther is
COARSER = 0.1  # in x50: more, and it is another powder
MOST = 4  # changes that are kept, of those that leave the powder as fine and of those that do not
SAME = 0.99  # of a margin: less, and a check is failed by more
WALL = 0.8  # share of the wall that a larger sieve may take (assumed: pins and feed want the rest)
EDGES = ("blunt", "bevelled", "toothed")
COLD_K = ((194.65, "dry ice"), (123.15, "cold nitrogen"))  # what chills a feed, to which temperature
RPM = math.pi / 30.0


TO_CAPACITY = f'feed.rate="{AS_MUCH}"'


class Way(NamedTuple):
    """A kind of change: the values it goes through at a share of its way, as (words, overrides)."""

    key: str
    at: Callable[[float], tuple[str, tuple[str, ...]]]


class Tried(NamedTuple):
    """A mill that was tried: its outcome, its prediction without a band, and the checks of the review that it passes
    (be it closely) and fails."""

    outcome: Outcome
    prediction: Prediction
    passes: frozenset[str]
    fails: frozenset[str]
    margins: dict[str, float]  # of those that it fails


def tried(config: Config, rate_kg_s: float | None = None) -> Tried | None:
    """A mill as the balance has it, at a rate (None: its capacity) or with its batch, and its review; None where it has
    no state."""
    try:
        problem = build(config)
        batch = config.feed.batch
        outcome = solve_batch(problem, *batch, steps=BATCH_STEPS) if batch else solve(problem, rate_kg_s)
    except (InputError, NotConverged):
        return None
    capacity = math.nan if config.feed.batch else float(outcome.state["F"])
    main = balance_result(problem, outcome, capacity)
    main = without_throughput(main) if outcome.code == CANNOT else main
    found = prediction_of(problem, outcome, main)
    lines = review(config, found)
    margins = {x.name: x.margin for x in lines if x.verdict == "fails" and x.margin is not None}
    return Tried(outcome, found, named(lines, "passes") | named(lines, "close"), named(lines, "fails"), margins)


def what_helps(config: Config) -> tuple[Change, ...]:
    """Changes that give a mill more, largest gain first; of a mill that jams also those that cost it its rate.

    Each is tried alone. Empty where the mill as it is has no state.
    """
    config = _to_capacity(config)
    base = tried(config)
    if base is None:
        return ()
    found = [c for way in ways(config) if (c := walk(config, base, way)) is not None]
    coarse = (1.0 + COARSER) * base.prediction.main.scalars["x50_m"].value
    found.sort(key=lambda c: (c.x50_m > coarse, -c.gain))  # what leaves the powder as fine comes first
    fine = sum(c.x50_m <= coarse for c in found)
    kept = found[: min(fine, MOST)] + found[fine : fine + MOST]
    opened = _opened(config, base)
    return tuple(kept if opened is None or opened in kept else [*kept, opened])


def _opened(config: Config, base: Tried) -> Change | None:
    """Of a mill that jams, the narrowest gap of a few with which it does not: the cure that first comes to mind, so
    what it costs is told. None where it costs nothing, or where it is no mill that grinds and passes."""
    s, piece = config.stator, config.feed.size.top_m
    if not _jams(base) or s.kind != "pins" or piece <= s.gap_m:
        return None
    way = _scaled("stator.gap", s.gap_m, LOOSE * piece / s.gap_m, 1e-3, _gap_words)
    for share in OPENED:
        found, new = _step(config, base, way, share)
        if new:
            return None
        if found is not None and found.binding != LIMITS[JAM]:
            return found if found.gain < 1.0 else None
    return None


def _to_capacity(config: Config) -> Config:
    """The mill fed as fast as it can grind; a batch stays a batch."""
    return config if config.feed.batch or config.feed.rate_kg_s is None else with_keys(config, (TO_CAPACITY,))


def with_keys(config: Config, overrides: tuple[str, ...]) -> Config:
    """A config with some keys changed. Raises InputError."""
    return parse_config(config.text, overrides=overrides)


def walk(config: Config, base: Tried, way: Way) -> Change | None:
    """The step on a way that is worth taking and that the review passes; None where there is none."""
    best, passed, stopped, words_before = None, 0.0, "", ""
    for share in STEPS:
        found, new = _step(config, base, way, share)
        if new:
            stopped = new
            break
        if found is None:
            break
        passed = share
        if found.words != words_before and (best is None or found.gain > FARTHER * best.gain):
            best, words_before = found, found.words
    if stopped:
        low, high = passed, share
        for _ in range(FINER):
            middle = 0.5 * (low + high)
            found, new = _step(config, base, way, middle)
            low, high = (low, middle) if new or found is None else (middle, high)
            if found is not None and not new and (best is None or found.gain > best.gain):
                best = found
    if best is None or not (best.gain >= WORTH or _frees(base, best)):
        return None
    return best._replace(stopped=stopped)


def _jams(base: Tried) -> bool:
    """Whether bites or the charge stop a mill before anything else binds."""
    return base.outcome.binding == LIMITS[JAM]


def _frees(base: Tried, change: Change) -> bool:
    """Whether a change takes away a jam, at whatever cost."""
    return _jams(base) and change.binding != LIMITS[JAM]


def _step(config: Config, base: Tried, way: Way, share: float) -> tuple[Change | None, str]:
    """(the change at a share of a way, or None where it gives no mill that runs, the line that newly fails or "")."""
    words, keys = way.at(share)
    if not words:
        return None, ""
    try:
        changed = with_keys(config, keys)
    except InputError:
        return None, ""
    there = tried(changed)
    if there is None or there.outcome.code == CANNOT:
        return None, ""
    new = sorted(there.fails & base.passes | _worse(base, there))
    s = there.prediction.main.scalars
    was, now = _rate(base), _rate(there)
    return Change(
        way.key, words, keys, now, s["x50_m"].value, s["gross_J_kg"].value, s["outlet_temperature_K"].value,
        there.outcome.binding, now / was if was > 0.0 else math.inf, "",
    ), (new[0] if new else "")  # fmt: skip


def _worse(base: Tried, there: Tried) -> frozenset[str]:
    """Checks that bar a mill, failed before, and are failed by more now."""
    return frozenset(
        n for n, margin in there.margins.items() if n in BARRING and margin < SAME * base.margins.get(n, math.inf)
    )


def _rate(t: Tried) -> float:
    """Powder per second; of a batch that goes beyond a limit, and of a mill that does not run, none."""
    if t.outcome.code == CANNOT or (t.outcome.history.size and t.outcome.code != OK):
        return 0.0
    return float(t.prediction.main.scalars["throughput_kg_s"].value)


# --- the ways --------------------------------------------------------------------------------------------


def ways(config: Config) -> Iterator[Way]:
    """What a workshop can change on this mill, each to its farthest."""
    yield from _of_motion(config)
    yield from _of_stator(config)
    yield from _of_sieve(config)
    yield from _of_heat(config)
    yield from _of_load(config)


def _to(now: float, factor: float, share: float) -> float:
    """A value at a share of the way to `factor` times itself, to two digits, never beyond."""
    value = now * factor**share
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return (math.floor if factor > 1.0 else math.ceil)(value / step + (1e-9 if factor > 1.0 else -1e-9)) * step


def _in(unit: float, now: float, factor: float, share: float) -> float:
    """The same in a unit of the workshop, in which it is round; SI."""
    return _to(now / unit, factor, share) * unit


def _scaled(key: str, now: float, factor: float, unit: float, tell: Callable[[float], tuple[str, tuple[str, ...]]]):
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
        if config.stator.kind == "pins" and config.stator.free_length_m > height:
            keys.append(f'stator.free_length="{height * 1e3:.6g} mm"')
        return f"bars {readable(height, 'mm')} high", tuple(keys)

    for factor in (1.8, 0.5):
        yield _scaled("drive.speed", speed, factor, RPM, turn)
    for most in (4, -3):
        yield Way("rotor.bars", _counted(r.bars, most, "bar", "rotor.bars"))
    yield _scaled("rotor.bar_height", r.bar_height_m, 0.5, 1e-3, lower)
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


def _gap_words(gap_m: float) -> tuple[str, tuple[str, ...]]:
    return f"a gap of {readable(gap_m, 'mm')}", (f'stator.gap="{gap_m * 1e3:.6g} mm"',)


def _of_stator(config: Config) -> Iterator[Way]:
    s = config.stator
    for factor in (0.3, 3.0):
        yield _scaled("stator.gap", s.gap_m, factor, 1e-3, _gap_words)
    if s.kind == "pins":
        yield Way("stator.pins", _counted(s.pins, s.pins, "pin", "stator.pins"))


def hole_keys(sieve: Sieve, hole_m: float) -> tuple[str, ...]:
    """Overrides that make a sieve with other holes and the same open share."""
    keys = [f'sieve.hole="{hole_m * 1e3:.6g} mm"']
    for name, step in (("pitch", sieve.pitch_m), ("wire", sieve.wire_m)):
        if step is not None:
            keys.append(f'sieve.{name}="{step * 1e3 * hole_m / sieve.hole_m:.6g} mm"')
    return tuple(keys)


def _of_sieve(config: Config) -> Iterator[Way]:
    s, c = config.sieve, config

    def hole(value: float) -> tuple[str, tuple[str, ...]]:
        return f"holes of {readable(value, 'mm')}", hole_keys(s, value)

    def area(value: float) -> tuple[str, tuple[str, ...]]:
        return f"a sieve of {readable(value, 'cm2')}", (f'sieve.area="{value * 1e4:.6g} cm2"',)

    yield _scaled("sieve.hole", s.hole_m, 2.0, 1e-3, hole)
    wall = 2.0 * math.pi * (c.rotor.radius_m + c.stator.gap_m) * c.rotor.bar_height_m
    if WALL * wall > 1.1 * s.area_m2:
        yield _scaled("sieve.area", s.area_m2, min(2.0, WALL * wall / s.area_m2), 1e-4, area)


def _of_heat(config: Config) -> Iterator[Way]:
    a, colder = config.air, [x for x in COLD_K if x[0] < config.feed.temperature_K - 10.0]

    def chill(share: float) -> tuple[str, tuple[str, ...]]:
        T, by = colder[min(len(colder) - 1, int(share * len(colder)))]
        return f"feed chilled to {T - 273.15:.0f} °C with {by}", (f'feed.temperature="{T - 273.15:.1f} degC"',)

    def inlet(value: float) -> tuple[str, tuple[str, ...]]:
        return f"an air inlet of {readable(value, 'cm2')}", (f'air.inlet_area="{value * 1e4:.6g} cm2"',)

    def suck(share: float) -> tuple[str, tuple[str, ...]]:
        pressure = round(2000.0 * share, -2)
        return f"suction of {pressure:.0f} Pa", (f'air.blower_pressure="{pressure:.0f} Pa"',)

    if colder:
        yield Way("feed.temperature", chill)
    yield _scaled("air.inlet_area", a.inlet_area_m2, 3.0, 1e-4, inlet)
    if a.blower_pressure_Pa < 500.0:
        yield Way("air.blower_pressure", suck)


def _of_load(config: Config) -> Iterator[Way]:
    def motor(watts: float) -> tuple[str, tuple[str, ...]]:
        return f"a motor rated {readable(watts, 'W')}", (f'drive.rated_power="{watts:.6g} W"',)

    def heavier(mass: float) -> tuple[str, tuple[str, ...]]:
        return f"a rotor of {readable(mass, 'kg')}", (f'rotor.mass="{mass:.6g} kg"',)

    def smaller(mass: float) -> tuple[str, tuple[str, ...]]:
        return f"a batch of {readable(mass, 'g')}", (f'feed.batch_mass="{mass * 1e3:.6g} g"',)

    yield _scaled("drive.rated_power", config.drive.rated_power_W, 2.0, 1.0, motor)
    if config.rotor.mass_kg is not None:
        yield _scaled("rotor.mass", config.rotor.mass_kg, 3.0, 1.0, heavier)
    if config.feed.batch_mass_kg is not None:
        yield _scaled("feed.batch_mass", config.feed.batch_mass_kg, 0.2, 1e-3, smaller)
