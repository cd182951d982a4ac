"""An external sieve after the mill, oversize returned: what the best candidates of a sweep give then."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .. import circuit as circuits
from ..circuit import Circuit
from ..errors import InputError, NotConverged
from ..sweep.points import config_at
from ..sweep.record import SIZES_M, Points, Sweep
from .changes import effort
from .judge import Judged, judge, share_finer
from .record import Target
from .targets import size_of, upper_size

MOST_TRIED = 4  # circuits solved
_POOL = 200  # best candidates among which the one with fewest changes is looked for


@dataclass(frozen=True)
class Sieved:
    """A setting with an external sieve: the circuit, and how its accepted powder stands against the target."""

    setting: int
    circuit: Circuit
    judged: Judged  # of one setting

    @property
    def meets(self) -> bool:
        """Whether the accepted powder is what the target asks."""
        return bool(self.judged.meets[0])


def aperture_for(target: Target) -> float:
    """Aperture [m] that takes out what is too coarse for a target; NaN where it has no upper size a sieve can cut."""
    size = upper_size(target)
    return size if circuits.FINEST_M <= size <= circuits.COARSEST_M else math.nan


def candidates(sweep: Sweep, j: Judged, target: Target, aperture_m: float) -> list[int]:
    """Settings worth a circuit: by what one pass would give, the most powder, the least energy, the fewest changes."""
    e = estimated(sweep, j, target, aperture_m)
    order = np.lexsort((-e.accepted_kg_s, e.distance))
    order = order[j.runs[order] & np.isfinite(e.distance[order]) & (e.accepted_kg_s[order] > 0.0)]
    if not order.size:
        return []
    best = order[e.meets[order]] if e.meets[order].any() else order[:1]
    cheap = best[np.argmin(e.points.values["gross_J_kg"][best])]
    near = min(best[:_POOL].tolist(), key=lambda s: effort(sweep, s * sweep.replicates))
    rest = [*best[1:2].tolist(), *order[:2].tolist()]
    return list(dict.fromkeys(int(s) for s in (best[0], cheap, near, *rest)))[:MOST_TRIED]


def estimated(sweep: Sweep, j: Judged, target: Target, aperture_m: float) -> Judged:
    """All settings as if their oversize were set aside: the share that passes, and the curve cut off there."""
    p = j.points
    passed = share_finer(p.q3, aperture_m)
    with np.errstate(invalid="ignore", divide="ignore"):
        q3 = np.where(SIZES_M >= aperture_m * (1 - 1e-9), 1.0, p.q3 / passed[:, None])
        gross = p.values["gross_J_kg"] / passed
    x = {f"x{n}_m": size_at(q3, n / 100) for n in (10, 50, 90)}
    with np.errstate(invalid="ignore", divide="ignore"):
        span = (x["x90_m"] - x["x10_m"]) / x["x50_m"]
    rate = p.values["throughput_kg_s"] * passed
    values = {**p.values, **x, "span": span, "throughput_kg_s": rate, "gross_J_kg": gross}
    return judge(sweep, target, Points(p.status, p.binding, p.loads, values, q3, p.reason, {}, np.empty((0, 0, 0))))


def size_at(q3: np.ndarray, share: float) -> np.ndarray:
    """Sizes [m] (S,) that a share is finer than, log-linear between SIZES_M; NaN where the curve does not tell."""
    i = np.argmax(q3 >= share, axis=1)
    j, row = np.maximum(i, 1), np.arange(q3.shape[0])
    low, high = q3[row, j - 1], q3[row, j]
    with np.errstate(invalid="ignore", divide="ignore"):
        t = np.clip(np.where(high > low, (share - low) / (high - low), 1.0), 0.0, 1.0)
    x = np.exp((1 - t) * np.log(SIZES_M[j - 1]) + t * np.log(SIZES_M[j]))
    return np.where((q3 >= share).any(axis=1), x, np.nan)


def with_sieve(
    sweep: Sweep, j: Judged, target: Target, settings: list[int], aperture_m: float,
    step: Callable[[int, int], None] = lambda done, of: None,
) -> list[Sieved]:  # fmt: skip
    """The circuits of some settings, those that meet the target first, most accepted powder first.

    A setting whose circuit finds no steady state is left out. step(done, of) is called before each and may raise.
    """
    found = []
    for done, s in enumerate(settings):
        step(done, len(settings))
        try:
            c = circuits.closed(config_at(sweep, s * sweep.replicates), aperture_m, class_ratio=sweep.class_ratio)
        except (NotConverged, InputError):
            continue
        if c.accepted_kg_s > 0.0:
            found.append(Sieved(s, c, judge(sweep, target, points_of(c, j.points, s))))
    return sorted(found, key=lambda x: (float(x.judged.distance[0]), -x.circuit.accepted_kg_s))


def points_of(c: Circuit, like: Points, setting: int) -> Points:
    """The accepted powder of a circuit as one point."""
    q3 = np.interp(np.log(SIZES_M), np.log(c.edges_m), c.accepted_q3, left=0.0, right=1.0)
    values = {k: v[setting : setting + 1].astype(float) for k, v in like.values.items()}
    new = {
        "x10_m": c.x10_m, "x50_m": c.x50_m, "x90_m": c.x90_m, "span": (c.x90_m - c.x10_m) / c.x50_m,
        "throughput_kg_s": c.accepted_kg_s, "gross_J_kg": c.gross_J_kg, "net_J_kg": c.net_J_kg,
        "outlet_temperature_K": c.outlet_temperature_K,
    }  # fmt: skip
    values.update({k: np.array([v]) for k, v in new.items()})
    loads = np.asarray(c.outcome.loads, dtype=float)[None, :]
    status, binding = np.array([c.code], np.int8), like.binding[setting : setting + 1]
    return Points(status, binding, loads, values, q3[None, :], {}, {}, np.empty((0, 0, 0)))


def without_fines(target: Target, q3: np.ndarray) -> float:
    """Share of a powder (77,) that would be sieved off at the finest size a target wants; 0 where it has none."""
    low = [target.window[0]] if target.window and target.window[0] else []
    low += [size_of(w) for w in target.wishes if w.output == "finer" and w.high < 0.5]
    return float(share_finer(q3, max(low))) if low else 0.0

