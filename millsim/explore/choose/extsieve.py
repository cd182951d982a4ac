"""An external sieve after the mill, oversize returned: what the best candidates of a sweep give then."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ...base.numerics import psd
from ...base.numerics.threads import on_all_cores
from ...errors import InputError, NotConverged
from ...studies.circuit import loop as circuits
from ...studies.circuit.band import Draws
from ...studies.circuit.turns import Circuit
from ..sweep.points import config_at
from ..sweep.record import SIZES_M, Points, Sweep
from .changes import efforts
from .judge import Judged, judge, share_finer
from .nearest import nearest
from .record import Target
from .targets import upper_size

MOST_TRIED = 4  # circuits solved
LITTLE = 1e-3  # returned over accepted below which the sieve changes nothing
LEAST_PASSED = 2 / 3  # share that must pass the sieve at once for the estimate to be trusted
SAME_MISS = 0.02  # misses that differ by less count as equal, and the powder decides
MOST_DRAWS = 512  # of a circuit, each some 7 ms: by them a chance is known to 3 %
_CHUNK = 65536  # settings estimated at a time


@dataclass(frozen=True)
class Sieved:
    """A setting with an external sieve: the circuit, and how its accepted powder stands against the target."""

    setting: int
    circuit: Circuit
    judged: Judged  # of one setting

    @property
    def accepted_kg_s(self) -> float:
        """What passes the sieve and lies in the target's window, as of a point without a sieve."""
        return float(self.judged.accepted_kg_s[0])

    @property
    def meets(self) -> bool:
        """Whether the accepted powder is what the target asks."""
        return bool(self.judged.meets[0])


def aperture_for(target: Target) -> float:
    """Aperture [m] that takes out what is too coarse for a target; NaN where it has no upper size a sieve can cut."""
    size = upper_size(target)
    return size if circuits.FINEST_M <= size <= circuits.COARSEST_M else math.nan


@dataclass(frozen=True)
class Estimate:
    """What one pass and a sieve would give, its oversize set aside: by setting (S,)."""

    distance: np.ndarray
    passed: np.ndarray  # share that passes the sieve
    accepted_kg_s: np.ndarray
    gross_J_kg: np.ndarray


def candidates(sweep: Sweep, j: Judged, e: Estimate) -> list[int]:
    """Settings worth a circuit: by what one pass would give, the most powder, the least energy, the fewest changes;
    where none would meet the target, those that miss least with the sieve, and the one that does without.

    Where little passes at once, oversize ground again decides and the estimate is worth little: those come last.
    """
    runs = np.isfinite(e.distance) & (e.accepted_kg_s > 0.0)
    some = np.flatnonzero(runs & (e.passed >= LEAST_PASSED))
    some = some if some.size else np.flatnonzero(runs)
    if not some.size:
        return []
    best = some[e.distance[some] == 0.0]
    order = np.lexsort((-e.accepted_kg_s[some], np.ceil(e.distance[some] / SAME_MISS)))[:MOST_TRIED]
    found, without = some[order].tolist(), nearest(j)
    if best.size:
        cheap, near = best[np.argmin(e.gross_J_kg[best])], best[np.argmin(efforts(sweep)[best])]
        found = [found[0], int(cheap), int(near), *found]
    elif without is not None:
        found = [*found[: MOST_TRIED - 1], without]
    return list(dict.fromkeys(found))[:MOST_TRIED]


def estimated(sweep: Sweep, j: Judged, target: Target, aperture_m: float) -> Estimate:
    """All settings as if their oversize were set aside: the share that passes, and the curve cut off there."""
    parts, p = [], j.points
    for start in range(0, j.runs.size, _CHUNK):
        part = slice(start, min(start + _CHUNK, j.runs.size))
        e = _estimated(sweep, target, p, part, aperture_m)
        parts.append((e.distance, share_finer(p.q3[part], aperture_m), e.accepted_kg_s, e.points.values["gross_J_kg"]))
    distance, passed, rate, gross = (np.concatenate(column) for column in zip(*parts, strict=True))
    return Estimate(np.where(j.runs, distance, np.inf), passed, rate, gross)


def _estimated(sweep: Sweep, target: Target, p: Points, part: slice, aperture_m: float) -> Judged:
    """A part of the points with the oversize taken out of their powder."""
    q3, values = p.q3[part], {k: v[part] for k, v in p.values.items()}
    passed = share_finer(q3, aperture_m)

    def finer(size_m: float) -> np.ndarray:
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.minimum(1.0, share_finer(q3, min(size_m, aperture_m)) / passed)

    with np.errstate(invalid="ignore", divide="ignore"):
        values |= {f"x{n}_m": size_at(q3, n / 100 * passed) for n in (10, 50, 90)}
        values["span"] = (values["x90_m"] - values["x10_m"]) / values["x50_m"]
        values["throughput_kg_s"] = values["throughput_kg_s"] * passed
        values["gross_J_kg"] = values["gross_J_kg"] / passed
    none = np.empty((0, 0, 0))
    cut = Points(p.status[part], p.binding[part], p.loads[part], values, q3, {}, {}, none)
    return judge(sweep, target, cut, finer)


def size_at(q3: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Sizes [m] (S,) that shares (S,) are finer than, log-linear between SIZES_M; NaN where the curve does not tell."""
    reached = q3 >= share[:, None]
    i, row = np.maximum(np.argmax(reached, axis=1), 1), np.arange(q3.shape[0])
    low, high = q3[row, i - 1], q3[row, i]
    with np.errstate(invalid="ignore", divide="ignore"):
        t = np.clip(np.where(high > low, (share - low) / (high - low), 1.0), 0.0, 1.0)
    x = np.exp((1 - t) * np.log(SIZES_M[i - 1]) + t * np.log(SIZES_M[i]))
    return np.where(reached.any(axis=1), x, np.nan)


def with_sieve(
    sweep: Sweep, j: Judged, target: Target, settings: list[int], aperture_m: float,
    step: Callable[[str, float], None] = lambda stage, done: None,
) -> list[Sieved]:  # fmt: skip
    """The circuits of some settings, least missed first; of about equal misses, the one with most powder.

    A setting whose circuit finds no steady state, or has next to nothing to return, is left out. step(stage, share
    done) is called often and may raise.
    """
    found = []
    for done, s in enumerate(settings):
        step("sieve after the mill", done / len(settings))
        try:
            c = circuits.closed(config_at(sweep, s * sweep.replicates), aperture_m, class_ratio=sweep.class_ratio)
        except (NotConverged, InputError):
            continue
        if c.accepted_kg_s > 0.0 and c.returned_kg_s > LITTLE * c.accepted_kg_s:
            found.append(Sieved(s, c, judged(sweep, target, c, j.points, s)))
    return sorted(found, key=lambda x: (math.ceil(float(x.judged.distance[0]) / SAME_MISS), -x.accepted_kg_s))


def probability_with_sieve(
    sweep: Sweep, j: Judged, target: Target, sieved: Sieved,
    step: Callable[[str, float], None] = lambda stage, done: None,
) -> tuple[int, int]:  # fmt: skip
    """(draws in which the circuit meets the target, draws with an answer): the first MOST_DRAWS that the sweep has."""
    if not sweep.draw_count:
        return 0, 0
    cut = circuits.SieveCut(sieved.circuit.aperture_m, sieved.circuit.efficiency)
    own = config_at(sweep, sieved.setting * sweep.replicates)
    problem = circuits.ready(own, cut, sweep.class_ratio)
    draw = Draws(problem, cut, sweep.draw_count, sweep.seed, class_ratio=sweep.class_ratio)
    stage, first = "sieve after the mill, parameter draws", range(min(sweep.draw_count, MOST_DRAWS))
    step(stage, 0.0)
    found = [c for c in on_all_cores(draw, first, lambda done: step(stage, done)) if c is not None]
    met = [judged(sweep, target, c, j.points, sieved.setting).meets[0] for c in found if c.accepted_kg_s > 0.0]
    return int(sum(met)), len(found)


def judged(sweep: Sweep, target: Target, c: Circuit, like: Points, setting: int) -> Judged:
    """The accepted powder of a circuit against a target, by its own size curve."""

    def finer(size_m: float) -> np.ndarray:
        return np.array([np.interp(np.log(size_m), np.log(c.edges_m), c.accepted_q3, left=0.0, right=1.0)])

    return judge(sweep, target, points_of(c, like, setting), finer)


def points_of(c: Circuit, like: Points, setting: int) -> Points:
    """The accepted powder of a circuit as one point."""
    q3 = np.interp(np.log(SIZES_M), np.log(c.edges_m), c.accepted_q3, left=0.0, right=1.0)
    values = {k: v[setting : setting + 1].astype(float) for k, v in like.values.items()}
    new = {
        "x10_m": c.x10_m, "x50_m": c.x50_m, "x90_m": c.x90_m, "span": (c.x90_m - c.x10_m) / c.x50_m,
        "throughput_kg_s": c.accepted_kg_s, "gross_J_kg": c.gross_J_kg, "net_J_kg": c.net_J_kg,
        "outlet_temperature_K": c.outlet_temperature_K, "electrical_power_W": c.electrical_W,
        "shaft_power_W": float(c.outcome.powers["shaft"]),
    }  # fmt: skip
    values.update({k: np.array([v]) for k, v in new.items()})
    loads = np.asarray(c.outcome.loads, dtype=float)[None, :]
    status, binding = np.array([c.code], np.int8), like.binding[setting : setting + 1]
    return Points(status, binding, loads, values, q3[None, :], {}, {}, np.empty((0, 0, 0)))


def fines_size(target: Target) -> float:
    """Finest size [m] a target wants; NaN where it has none."""
    low = [target.window[0]] if target.window and target.window[0] else []
    low += [w.size_m for w in target.wishes if w.output == "finer" and w.high < 0.5]
    return max(low, default=math.nan)


def without_fines(sweep: Sweep, target: Target, x: Sieved) -> tuple[float, Judged] | None:
    """(size [m], the accepted powder of a circuit against the target once a second sieve has taken out all that is
    finer); None where the target names no such size, or the powder has nothing finer or nothing else.
    """
    size, c = fines_size(target), x.circuit
    if not math.isfinite(size):
        return None
    edges = np.union1d(c.edges_m, size)
    q3 = np.interp(np.log(edges), np.log(c.edges_m), c.accepted_q3, left=0.0, right=1.0)
    fines = float(q3[edges == size][0])
    if not 0.0 < fines < 1.0:
        return None
    left = np.maximum(0.0, (q3 - fines) / (1.0 - fines))

    def finer(size_m: float) -> np.ndarray:
        return np.array([np.interp(np.log(size_m), np.log(edges), left, left=0.0, right=1.0)])

    p = x.judged.points
    shares = {n: fines + n / 100 * (1.0 - fines) for n in (10, 50, 90)}  # of what was accepted, on its own curve
    new = {f"x{n}_m": np.array([psd.curve_x_at(c.edges_m, c.accepted_q3, s)]) for n, s in shares.items()}
    new["span"] = (new["x90_m"] - new["x10_m"]) / new["x50_m"]
    new["throughput_kg_s"] = p.values["throughput_kg_s"] * (1.0 - fines)
    new |= {k: p.values[k] / (1.0 - fines) for k in ("gross_J_kg", "net_J_kg")}
    kept = np.interp(np.log(SIZES_M), np.log(edges), left, left=0.0, right=1.0)
    return size, judge(sweep, target, replace(p, values=p.values | new, q3=kept[None, :]), finer)
