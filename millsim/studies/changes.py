"""What would help a mill at its limit: changes a workshop can make, each tried on the model and held to the review.

A change is walked from little to much, in steps to its farthest. Where a step would fail a line of the review that
passed before, the walk ends: nothing is advised that sends a builder to a rotor the review fails.
"""

import math
from typing import NamedTuple

from ..base.quantities.written import NOTHING_KG_S
from ..base.reading.key import AS_MUCH
from ..errors import InputError, NotConverged
from ..forecast.assemble import nothing, told
from ..forecast.band import BATCH_STEPS
from ..forecast.glance import Glance
from ..forecast.outcome import Outcome, solve, solve_batch
from ..mill.calibrated import LOOSE
from ..mill.config.mill import Config, with_keys
from ..mill.problem import build
from ..record.limits import CANNOT, JAM, LIMITS, OK, TEMPERATURE
from ..record.prediction import Change
from .prebuild.line import FAILS, LOOK_AT, PASSES
from .prebuild.review import BARRING, named, review
from .ways import Way, gap_words, scaled, ways

OPENED = (0.25, 0.5, 0.75, 1.0)  # the same, of a gap that is opened until a piece by itself passes
FINER = 4  # halvings between a step that the review passes and one that it fails
WORTH = 1.03  # rate over that of the mill as it is, from which a change is worth naming
FARTHER = 1.03  # the same, from which going farther is
COARSER = 0.1  # in x50: more, and it is another powder
MOST = 4  # changes that are kept, of those that leave the powder as fine and of those that do not
SAME = 0.99  # of a margin: less, and a check is failed by more
OUT_OF_HEAT = ("air.inlet_area", "air.blower_pressure", "feed.temperature")  # in the order a workshop would try them
FED = (0.8, 0.6, 0.4, 0.2)  # shares of a rate that are tried where the whole is too much
TO_CAPACITY = f'feed.rate="{AS_MUCH}"'


class Tried(NamedTuple):
    """A mill that was tried: its outcome, what it foretells, and the checks of the review that it passes (be it
    closely) and fails."""

    outcome: Outcome
    prediction: Glance
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
    figures = told(problem, outcome, capacity)
    found = Glance(problem, outcome, nothing(figures) if outcome.code == CANNOT else figures)
    lines = review(config, found, problem.mill[0])
    margins = {x.name: x.margin for x in lines if x.verdict == FAILS and x.margin is not None}
    return Tried(outcome, found, named(lines, PASSES, *LOOK_AT), named(lines, FAILS), margins)


def what_helps(config: Config) -> tuple[Change, ...]:
    """Changes that give a mill more, largest gain first; of a mill that jams also those that cost it its rate.

    Each is tried alone. Empty where the mill as it is has no state.
    """
    config = _to_capacity(config)
    base = tried(config)
    if base is None:
        return ()
    found = [c for way in ways(config) if (c := walk(config, base, way)) is not None]
    coarse = (1.0 + COARSER) * base.prediction.figure("x50_m")
    found.sort(key=lambda c: (c.x50_m > coarse, *_place(base, c)))  # what leaves the powder as fine comes first
    fine = sum(c.x50_m <= coarse for c in found)
    most = MOST + sum(c.x50_m <= coarse and cools(c) for c in found) if _hot(base) else MOST
    kept = found[: min(fine, most)] + found[fine : fine + MOST]
    opened = _opened(config, base)
    return tuple(kept if opened is None or opened in kept else [*kept, opened])


def cools(c: Change) -> bool:
    """Whether a change is one of the ways out of heat."""
    return c.key in OUT_OF_HEAT


def _hot(base: Tried) -> bool:
    return base.outcome.binding == LIMITS[TEMPERATURE]


def _place(base: Tried, c: Change) -> tuple[int, float]:
    """Where a change stands: the largest gain first; where heat binds, ways out of heat in their order before all."""
    return (OUT_OF_HEAT.index(c.key) if _hot(base) and cools(c) else len(OUT_OF_HEAT)), -c.gain


def _opened(config: Config, base: Tried) -> Change | None:
    """Of a mill that jams, the narrowest gap of a few with which it does not: the cure that first comes to mind, so
    what it costs is told. None where it costs nothing, or where it is no mill that grinds and passes."""
    s, piece = config.stator, config.feed.size.top_m
    if not _jams(base) or s.kind != "pins" or piece <= s.gap_m:
        return None
    way = scaled("stator.gap", s.gap_m, LOOSE * piece / s.gap_m, 1e-3, gap_words)
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


def walk(config: Config, base: Tried, way: Way) -> Change | None:
    """The step on a way that is worth taking and that the review passes; None where there is none."""
    best, passed, stopped, words_before = None, 0.0, "", ""
    for share in way.steps:
        found, new = _step(config, base, way, share)
        if new:
            stopped = new
            break
        if found is None:
            if _rate(base) > 0.0:
                break
            continue  # what does not run as it is may not run with little of a change either
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
    if there is None or there.outcome.code == CANNOT or not _rate(there) > NOTHING_KG_S:
        return None, ""
    new = newly_failing(base, there)
    if new and not _rate(base) > 0.0:  # of a mill without a load every check of the load passes: feed it less
        rate, less, new = fed_within(changed, base, there, float(there.outcome.state["F"]))
        there = less
        keys = (*keys, f'feed.rate="{rate * 3600.0:.4g} kg/h"')
    p = there.prediction
    was, now = _rate(base), _rate(there)
    return Change(
        way.key, words, keys, now, p.figure("x50_m"), p.figure("gross_J_kg"), p.figure("outlet_temperature_K"),
        there.outcome.binding, now / was if was > 0.0 else math.inf, "",
    ), (new[0] if new else "")  # fmt: skip


def newly_failing(base: Tried, there: Tried) -> list[str]:
    """Checks that a mill fails and the one it was made of did not, or that bar it and are failed by more."""
    return sorted(there.fails & base.passes | _worse(base, there))


def fed_within(config: Config, base: Tried, there: Tried, rate_kg_s: float) -> tuple[float, Tried, list[str]]:
    """(rate, the mill at it, what it newly fails) of a mill that newly fails something at a rate: the largest of a few
    lower ones at which it does not, else that rate."""
    if config.feed.batch:
        return rate_kg_s, there, newly_failing(base, there)
    for share in FED:
        rate = float(f"{share * rate_kg_s * 3600.0:.2g}") / 3600.0
        if not rate > NOTHING_KG_S:
            break
        less = tried(with_keys(config, (f'feed.rate="{rate * 3600.0:.4g} kg/h"',)), rate)
        if less is not None and less.outcome.code == OK and not newly_failing(base, less):
            return rate, less, []
    return rate_kg_s, there, newly_failing(base, there)


def _worse(base: Tried, there: Tried) -> frozenset[str]:
    """Checks that bar a mill, failed before, and are failed by more now."""
    return frozenset(
        n for n, margin in there.margins.items() if n in BARRING and margin < SAME * base.margins.get(n, math.inf)
    )


def _rate(t: Tried) -> float:
    """Powder per second; of a batch that goes beyond a limit, and of a mill that does not run, none."""
    if t.outcome.code == CANNOT or (t.outcome.history.size and t.outcome.code != OK):
        return 0.0
    return t.prediction.figure("throughput_kg_s")
