"""A mill that hardly grinds: what would change that, and how sure the verdict is.

Each change is tried on this mill and held to the pre-build review: none is named that fails a check which it did not
fail before, or that bars it and is failed by more.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import pi, sqrt

import numpy as np

from ..base.quantities.written import NOTHING_KG_S, digits, join_words, rate_words
from ..errors import InputError, NotConverged
from ..forecast import band as bands
from ..forecast.outcome import hardly, solve
from ..mill.chamber import STATE, STRIKES, piece_strength, strike_energies
from ..mill.config.mill import with_keys
from ..mill.config.schema import EDGES
from ..mill.parts import stock_hole
from ..mill.problem import Setup
from ..record.limits import CANNOT
from .changes import Tried, newly_failing, tried
from .ways import chilled_words, chills, hole_keys

GAPS_M = (0.5e-3, 0.3e-3)  # tight gaps that can still be built
WIDER = (1.5, 2.5)  # holes over those there are
PIN_PITCH_M, PIN_M, PIN_PA = 31e-3, 8e-3, 640e6  # of the pins tried in a smooth wall; the steel of 8.8 screws
TOLERANCE = 1e-4
DRAWS = 32  # of all parameters, to see how sure the verdict is


@dataclass(frozen=True)
class Change:
    """One change, the mill with it, and the shaft energy per kg it then takes; inf where it still hardly grinds."""

    words: str
    keys: tuple[str, ...]  # for the config
    rate_kg_s: float
    energy_J_kg: float


def what_helps(problem: Setup, draws: int = DRAWS) -> tuple[str, ...]:
    """Sentences: what would make a mill grind that hardly does, most effective first, and how sure that is."""
    base = tried(problem.config)
    if base is None:
        return (_speeds(problem), *_how_sure(problem, draws))
    ends = [_first(problem, base, options) for options in _changes(problem) if options]
    found = sorted((x for x in ends if x.energy_J_kg < np.inf), key=lambda x: x.energy_J_kg)
    if found:
        said = "; ".join(f"{x.words} ({_figures(x)})" for x in found)
        text = f"what would change it, each alone, most effective first: {said}; or another material"
    else:
        text = "no single change of edge, gap, speed, holes or feed temperature makes this mill grind this material"
        text += " and passes the review"
        both = _together(problem, base, ends)
        if both.energy_J_kg < np.inf:
            text += f"; together {both.words} would ({_figures(both)}), and so may another material"
        else:
            text += ", nor do all of them together: it takes another material"
    return (text, _speeds(problem), *_how_sure(problem, draws))


def _speeds(problem: Setup) -> str:
    """From which tip speeds hits break pieces as they are fed, and pieces of the sieve hole, which must break too."""
    c = problem.config
    fed, tip = median_feed(problem), c.drive.speed_rad_s * c.rotor.radius_m
    text = f"hits begin to break pieces as they are fed ({digits(fed * 1e3, 2)} mm) from "
    text += f"{digits(needed_speed(problem, fed, c.feed.temperature_K), 2)} m/s at the tip on"
    if fed > c.sieve.hole_m:
        need = digits(needed_speed(problem, c.sieve.hole_m, c.air.room_K), 2)
        text += f", pieces of the size of the sieve hole ({digits(c.sieve.hole_m * 1e3, 2)} mm) from {need} m/s on"
    return f"{text}; the tips run at {digits(tip, 3)} m/s"


def median_feed(problem: Setup) -> float:
    """Median size [m] of the feed."""
    return float(np.exp(np.interp(0.5, problem.feed_curve[1], problem.feed_curve[0])))


def needed_speed(problem: Setup, x: float, T: float) -> float:
    """Tip speed [m/s] from which the hardest hit of this mill breaks a piece x [m] at temperature T [K]."""
    m, s, k = problem.mill[0], np.zeros(1, STATE), np.zeros(1, STRIKES)
    s["v"] = m["omega_0"] * m["R"]
    strike_energies(m, s[0], k[0])
    need = sqrt(2.0 * piece_strength(m, T, x)[1] / x)
    hardest = max((1.0 - k[0]["kappa"]) * s[0]["v"], k[0]["v_throw"] if m["n_pins"] else 0.0)
    return float(s[0]["v"] * need / hardest)


def _changes(problem: Setup) -> Iterator[list[tuple[str, tuple[str, ...]]]]:
    """Kinds of change, each a list of (words, config keys) from little to much."""
    c = problem.config
    sharper = EDGES[EDGES.index(c.rotor.edge) + 1 :]
    yield [(f"a {edge} edge", (f'rotor.edge="{edge}"',)) for edge in sharper]
    if c.stator.kind == "pins":
        gaps = [g for g in GAPS_M if g < 0.8 * c.stator.gap_m]
        yield [(f"a gap of {g * 1e3:g} mm", (f'stator.gap="{g * 1e3:g} mm"',)) for g in gaps]
    else:
        n = max(4, round(2.0 * pi * (c.rotor.radius_m + c.stator.gap_m) / PIN_PITCH_M))
        keys = (
            'stator.kind="pins"', f"stator.pins={n}", f'stator.pin_diameter="{PIN_M * 1e3:g} mm"',
            f'stator.free_length="{c.rotor.height_m * 1e3:g} mm"', 'stator.held="both ends"',
            "stator.threaded=false", f'stator.yield_strength="{PIN_PA / 1e6:g} MPa"',
        )  # fmt: skip
        yield [(f"{n} pins in the wall, held at both ends", keys)]
    yield [(chilled_words(T, name), (f'feed.temperature="{T - 273.15:.1f} degC"',)) for T, name in chills(c)]
    tip, need = c.drive.speed_rad_s * c.rotor.radius_m, needed_speed(problem, c.sieve.hole_m, c.air.room_K)
    speeds = [1.15 * need, 1.5 * need] if need > tip else [1.25 * tip, 1.6 * tip]
    speeds = [round(v, -1 if v > 50.0 else 0) for v in speeds]
    turning = c.drive.speed_rad_s / tip * 30.0 / pi
    yield [(f"a tip speed of {v:g} m/s", (f'drive.speed="{v * turning:.6g} rpm"',)) for v in speeds if tip * 1.05 < v]
    holes = [stock_hole(f * c.sieve.hole_m) for f in WIDER]
    yield [(f"holes of {digits(w * 1e3, 2)} mm, with coarser powder", hole_keys(c.sieve, w)) for w in holes]


def _first(problem: Setup, base: Tried, options: list[tuple[str, tuple[str, ...]]]) -> Change:
    """The least of these changes that makes the mill grind, else the last one."""
    for option in options:
        found = _tried(problem, base, *option)
        if found.energy_J_kg < np.inf:
            break
    return found


def _tried(problem: Setup, base: Tried, words: str, keys: tuple[str, ...]) -> Change:
    """What the mill does with one change; nothing where the review fails it for what it did not fail before, or bars it
    for what it fails by more."""
    none = Change(words, keys, 0.0, np.inf)
    try:
        found = tried(with_keys(problem.config, keys))
    except InputError:
        return none
    if found is None or found.outcome.code == CANNOT or newly_failing(base, found):
        return none
    F = float(found.outcome.state["F"])
    if not F > NOTHING_KG_S:
        return none
    return Change(words, keys, F, float(found.outcome.powers["shaft"]) / F)


def _together(problem: Setup, base: Tried, ends: list[Change]) -> Change:
    """All changes but that of the holes at once."""
    used = [x for x in ends if not x.words.startswith("holes")]
    return _tried(problem, base, join_words([x.words for x in used]), tuple(k for x in used for k in x.keys))


def _figures(x: Change) -> str:
    """The least to say about a mill that would grind: rate and energy, without a band."""
    return f"some {rate_words(x.rate_kg_s)} at {digits(x.energy_J_kg / 3.6e6, 2)} kWh/kg at the shaft"


def _how_sure(problem: Setup, count: int) -> tuple[str, ...]:
    """In how many draws of all parameters the mill does grind."""
    if count < 1:
        return ()
    mills = bands.draws(problem, count, problem.config.run.seed or 0)
    n = sum(_grinds(problem, mills[i : i + 1]) for i in range(count))
    return (f"of {count} draws of all parameters within their ranges it grinds in {n}",) if n else ()


def _grinds(problem: Setup, mill: np.ndarray) -> bool:
    """Whether a draw of the mill grinds; one that does not settle does not count."""
    try:
        return not hardly(solve(problem, None, mill, TOLERANCE))
    except NotConverged:
        return False
