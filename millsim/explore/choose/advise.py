"""From a sweep and a target to a choice: what meets it, what to build, or what comes nearest and why."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ..sweep.record import Sweep
from . import extsieve
from .changes import changes
from .extsieve import Sieved
from .front import front_of
from .judge import Judged, judge
from .nearest import nearest, what_would_help
from .neighbours import SweepPlaces
from .picks import LIKELIEST, MOST, MOST_POWDER, Pick, picks
from .record import Build, Choice, Target
from .reviewed import close_at, cures, set_aside, still_open
from .sentences import built_words, circuit_words, missing_words

Step = Callable[[str, float], None]
WORTH = 1.1  # accepted powder with a sieve over that without, from which the sieve is told


@dataclass(frozen=True)
class Advice:
    """A choice with what its words need: judged by setting, the mill as built (one setting), ways out, the sieve.

    sieved: best of the circuits tried, None where none was; drawn: (met, known) of its parameter draws.
    """

    choice: Choice
    judged: Judged
    built: Judged
    help: tuple[str, ...]
    aperture_m: float
    sieved: Sieved | None
    drawn: tuple[int, int]
    aside: str = ""  # what makes such powder and fails the review, a sentence
    cures: tuple[str, ...] = ()  # what the review says of what a recommendation still fails


def choose(sweep: Sweep, target: Target, aperture_m: float = math.nan, step: Step = lambda stage, done: None) -> Advice:
    """Hold a sweep against a target.

    aperture_m: of a sieve after the mill whose oversize goes back; NaN: none is tried. step(stage, share done) is
    called often and may raise to stop.
    """
    step("judging the points", 0.0)
    j, built, places = judge(sweep, target), judge(sweep, target, sweep.as_built), SweepPlaces(sweep)
    found = picks(j, places)
    sieved = _sieved(sweep, j, target, aperture_m, found, step)
    drawn = extsieve.probability_with_sieve(sweep, j, target, sieved, step) if sieved and sieved.meets else (0, 0)
    s = None if j.meets.any() else nearest(j)
    builds = _builds(sweep, target, j, places, found, sieved, drawn)
    near = None if s is None else _build(sweep, Pick(s, ("nearest",)), j, missing_words(sweep, target, j, s))
    ways = () if s is None else tuple(what_would_help(sweep, j, places, s))
    points = [b.point for b in builds] or ([] if near is None else [near.point])
    return Advice(
        _choice(sweep, target, j, built, builds, near), j, built, ways, aperture_m, sieved, drawn, set_aside(j),
        tuple(cures(sweep, points)),
    )  # fmt: skip


def _choice(sweep: Sweep, target: Target, j: Judged, built: Judged, builds, near) -> Choice:
    """Of settings to points: the replicates of a setting say the same."""
    n = sweep.replicates

    def each(a: np.ndarray) -> np.ndarray:
        return np.repeat(a, n) if n > 1 else a

    return Choice(
        target, {k: each(v) for k, v in j.achieved.items()}, each(j.meets), each(j.distance),
        j.binds if n == 1 else tuple(b for b in j.binds for _ in range(n)), each(j.probability), each(j.yields),
        each(j.accepted_kg_s), tuple(int(s) * n for s in front_of(j)), builds, near, bool(built.meets[0]),
    )  # fmt: skip


def _build(sweep: Sweep, pick: Pick, j: Judged, sentence: str) -> Build:
    point = pick.setting * sweep.replicates
    chance = float(j.probability[pick.setting])
    roles = "; ".join(pick.roles)
    return Build(point, roles, changes(sweep, point), sentence, chance, None, close_at(sweep, point))


def _builds(sweep, target, j: Judged, places: SweepPlaces, found: list[Pick], sieved, drawn) -> tuple[Build, ...]:
    """The recommendations: the picks, and the circuit where it is worth it."""
    builds = [_build(sweep, p, j, built_words(sweep, target, j, places, p.setting)) for p in found]
    if sieved is not None and sieved.meets:
        point = sieved.setting * sweep.replicates
        chance = drawn[0] / drawn[1] if drawn[1] else math.nan
        role = f"{MOST_POWDER}, with a sieve after the mill" if builds else "with a sieve after the mill"
        words = f"{circuit_words(sweep, target, sieved, drawn)} {still_open(sweep, point)}".rstrip()
        close = close_at(sweep, point)
        closed = Build(point, role, changes(sweep, point), words, chance, sieved.circuit, close)
        builds = _likeliest_named([*builds[: MOST - 1], closed])
    return tuple(builds)


def _likeliest_named(builds: list[Build]) -> list[Build]:
    """With a sieve after the mill as the last of the builds: "most likely" is the one that is."""
    *own, closed = builds
    if not own or not closed.probability > own[0].probability:
        return builds
    said = f"{LIKELIEST}, of those without a sieve after the mill"
    first = replace(own[0], role=own[0].role.replace(LIKELIEST, said))
    return [first, *own[1:], replace(closed, role=f"{closed.role}; {LIKELIEST}")]


def _sieved(sweep, j: Judged, target, aperture_m: float, found: list[Pick], step: Step) -> Sieved | None:
    """The best circuit, where it opens a way or gives clearly more than the best without."""
    if not math.isfinite(aperture_m) or not j.runs.any():
        return None
    best = max((float(j.accepted_kg_s[p.setting]) for p in found), default=0.0)
    e = extsieve.estimated(sweep, j, target, aperture_m)
    fits = e.distance == 0.0
    if found and not (fits & (e.accepted_kg_s > WORTH * best)).any():
        return None
    tried = extsieve.with_sieve(sweep, j, target, extsieve.candidates(sweep, j, e), aperture_m, step)
    first = next(iter(tried), None)
    if first is None or (found and not (first.meets and first.accepted_kg_s > WORTH * best)):
        return None
    return first
