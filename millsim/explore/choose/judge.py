"""Holds every point of a sweep against a target: achieved values, how far off, what binds, how likely it is met.

A miss is counted so that one percentage point of a share or load, one per cent of a size, rate, energy or span
(ln of the ratio) and one kelvin weigh the same; the largest miss is the distance. All arrays here are by setting:
Monte Carlo replicates of one setting count as their mean.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ...record.limits import CANNOT, FAILED, LIMITS, MISSING, OK, OVER, out_words
from ...studies.prebuild.review import BARRING, bits
from ..sweep.reasons import barred_words
from ..sweep.record import SIZES_M, Points, Sweep
from .record import SHARES, Target, Wish
from .targets import judged

PER_KELVIN = 0.01  # a kelvin too warm weighs as much as a percentage point
ROUNDING = 1e-6  # q3 is kept in single precision
_CHUNK = 4096  # settings whose draws are judged at a time
Finer = Callable[[float], np.ndarray]


@dataclass(frozen=True)
class Judged:
    """S settings against W wishes. misses (W, S): above zero what is missed, below zero what is to spare, NaN unknown.

    worst (S,): index of the wish missed most, or nearest to being missed.
    """

    wishes: tuple[Wish, ...]
    points: Points  # by setting
    runs: np.ndarray  # (S,) there is an answer, ok or over capacity at the rate it takes, and the review bars it not
    barred: np.ndarray  # (S,) uint64: checks for which the review sets it aside; 0 where none does
    achieved: dict[str, np.ndarray]
    misses: np.ndarray
    worst: np.ndarray
    distance: np.ndarray
    meets: np.ndarray
    binds: tuple[str, ...]
    probability: np.ndarray
    yields: np.ndarray
    accepted_kg_s: np.ndarray


def judge(sweep: Sweep, target: Target, points: Points | None = None, finer: Finer | None = None) -> Judged:
    """All settings of a sweep (or other points of its mill, as `as_built`) against a target.

    finer: share (S,) of each powder finer than a size [m], where it is known better than by the Q3 of the points.
    """
    p = points if points is not None else by_setting(sweep.points, sweep.replicates)
    wishes = judged(target)
    finer = finer or (lambda size_m: share_finer(p.q3, size_m))
    achieved = {w.name: reached(w, target, p.values, p.loads, finer) for w in wishes}
    misses = np.array([miss(w, achieved[w.name]) for w in wishes])
    answered = (p.status == OK) | (p.status == OVER)
    barred = (
        np.where(answered, p.fails & bits(BARRING), np.uint64(0)) if p.fails.size else np.zeros(answered.size, "u8")
    )
    runs = answered & (barred == 0)
    largest = np.where(np.isnan(misses), np.inf, misses)
    worst = np.argmax(largest, axis=0)
    distance = np.where(runs, np.maximum(0.0, largest.max(axis=0)), np.inf)
    meets = runs & (distance <= ROUNDING)
    distance = np.where(meets, 0.0, distance)
    yields = _between(finer, *target.window) if target.window else np.full(runs.size, np.nan)
    rate = np.where(answered, p.values["throughput_kg_s"], np.where(p.status == CANNOT, 0.0, np.nan))
    accepted = np.where(rate > 0, rate * yields, rate) if target.window else rate
    binds = _binds(wishes, p, answered, achieved, misses, worst, meets)
    binds = tuple(barred_words(int(b)) if b else text for b, text in zip(barred, binds, strict=True))
    return Judged(
        wishes,
        p,
        runs,
        barred,
        achieved,
        misses,
        worst,
        distance,
        meets,
        binds,
        probability(p, target),
        yields,
        accepted,
    )


def by_setting(points: Points, replicates: int) -> Points:
    """Points with the replicates of each setting made one: means of those that run, all their draws together."""
    if replicates == 1:
        return points
    status = points.status.reshape(-1, replicates)
    good = status <= OVER
    first = np.argmax(status == status.min(axis=1, keepdims=True), axis=1)
    pick = np.arange(status.shape[0]) * replicates + first

    def mean(a: np.ndarray) -> np.ndarray:
        rows = a.reshape(status.shape[0], replicates, *a.shape[1:])
        w = good.reshape(good.shape + (1,) * (a.ndim - 1))
        with np.errstate(invalid="ignore", divide="ignore"):
            sums = np.where(w, rows, 0.0).sum(axis=1) / w.sum(axis=1)
        return np.where(good.any(axis=1).reshape((-1,) + (1,) * (a.ndim - 1)), sums, a[pick])

    def either(a: np.ndarray) -> np.ndarray:
        return np.bitwise_or.reduce(a.reshape(-1, replicates), axis=1) if a.size else a

    def joined(a: np.ndarray) -> np.ndarray:
        return a.reshape(status.shape[0], replicates * a.shape[1], *a.shape[2:]) if a.size else a

    return Points(
        points.status[pick], points.binding[pick], mean(points.loads), {k: mean(v) for k, v in points.values.items()},
        mean(points.q3), {s: points.reason[i] for s, i in enumerate(pick.tolist()) if i in points.reason},
        {k: joined(v) for k, v in points.draws.items()}, joined(points.draw_q3),
        draw_loads=joined(points.draw_loads), fails=either(points.fails), unchecked=either(points.unchecked),
    )  # fmt: skip


def reached(wish: Wish, target: Target, values: dict, loads: np.ndarray, finer: Finer) -> np.ndarray:
    """What a wish asks about, in SI; shape as the values. loads (..., 6); finer: share finer than a size."""
    if wish.output == "yield" and target.window is not None:
        return _between(finer, *target.window)
    if wish.output == "finer":
        return finer(wish.size_m)
    if wish.output == "coarser":
        return 1.0 - finer(wish.size_m)
    if wish.output in LIMITS:
        return loads[..., LIMITS.index(wish.output)]
    return values[wish.output]


def share_finer(q3: np.ndarray, size_m: float) -> np.ndarray:
    """Q3 (...) at a size [m] of curves (..., 77), log-linear between SIZES_M."""
    at = np.clip(20.0 * math.log10(size_m / SIZES_M[0]), 0.0, SIZES_M.size - 1.0)
    i = min(int(at + ROUNDING), SIZES_M.size - 2)
    t = max(0.0, at - i)
    return (1.0 - t) * q3[..., i] + t * q3[..., i + 1]


def share_between(q3: np.ndarray, low_m: float, high_m: float) -> np.ndarray:
    """Share of the powder of curves (..., 77) in a size window."""
    return _between(lambda size_m: share_finer(q3, size_m), low_m, high_m)


def _between(finer: Finer, low_m: float, high_m: float) -> np.ndarray:
    return finer(high_m) - (finer(low_m) if low_m > 0.0 else 0.0)


def miss(wish: Wish, value: np.ndarray) -> np.ndarray:
    """How far a value is off: above zero missed, below zero to spare; NaN where the value is unknown."""
    return np.maximum(*_sides(wish, np.asarray(value, dtype=float)))


def too_low(wish: Wish, value: np.ndarray) -> np.ndarray:
    """Whether a value is nearer to (or farther beyond) the lower end of a wish than the upper."""
    low, high = _sides(wish, np.asarray(value, dtype=float))
    return low > high


def _sides(wish: Wish, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Misses at the lower and at the upper end; -inf where a side is open, NaN where the value is unknown."""
    low, high = wish.low, wish.high
    if wish.output not in SHARES and wish.output not in LIMITS and wish.unit != "K":
        with np.errstate(divide="ignore"):
            value = np.log(np.maximum(value, 0.0))
        low, high = (math.log(end) if 0.0 < end < math.inf else -math.inf for end in (low, high))
        high = high if wish.high < math.inf else math.inf
    scale = PER_KELVIN if wish.unit == "K" else 1.0
    with np.errstate(invalid="ignore"):
        below = scale * (low - value) if low > -math.inf else np.where(np.isnan(value), np.nan, -np.inf)
        above = scale * (value - high) if high < math.inf else np.where(np.isnan(value), np.nan, -np.inf)
    return below, above


_COMPLAINTS = {
    "span": ("span too narrow", "span too wide"),
    "throughput_kg_s": ("too little per hour", "too much per hour"),
    "gross_J_kg": ("too little energy per kg", "too much energy per kg"),
    "electrical_power_W": ("too little power from the socket", "too much power from the socket"),
    "shaft_power_W": ("too little power at the shaft", "too much power at the shaft"),
    "outlet_temperature_K": ("outlet too cold", "outlet too warm"),
    "jam": ("", "too near to jamming"),
}


def complaint(wish: Wish, short: bool) -> str:
    """In a few words, which way a wish is missed: short of it, or beyond it."""
    if wish.output in SHARES:
        return f"too {'little' if short else 'much'} {wish.words}"
    if wish.output in ("x10_m", "x50_m", "x90_m"):
        return f"{wish.about} too {'fine' if short else 'coarse'}"
    return _COMPLAINTS.get(wish.output, ("", f"{wish.about} too high"))[0 if short else 1]


def _binds(wishes, p: Points, runs, achieved, misses, worst, meets) -> tuple[str, ...]:
    """What keeps each setting from meeting the target, in words; "" where it meets. Few texts, shared by many."""
    known = [complaint(w, short) for w in wishes for short in (False, True)]
    unknown = [f"{w.about} unknown" for w in wishes]
    texts = np.array(["", *known, *unknown, *map(out_words, LIMITS), "not computed", "no answer"], object)
    where = np.arange(runs.size)
    short = np.array([too_low(w, achieved[w.name]) for w in wishes])[worst, where]
    at_wish = np.where(np.isnan(misses[worst, where]), 1 + len(known) + worst, 1 + 2 * worst + short)
    at_limit = 1 + len(known) + len(unknown) + p.binding.astype(int)
    out = np.where(p.status == CANNOT, at_limit, np.where(p.status == MISSING, texts.size - 2, texts.size - 1))
    return tuple(texts[np.where(meets, 0, np.where(runs, at_wish, out))].tolist())


def loads_unknown(p: Points, target: Target) -> bool:
    """Whether a target asks about loads, and the draws of these points were kept without theirs (older files)."""
    return bool(p.draws) and not p.draw_loads.size and any(w.output in LIMITS for w in judged(target))


def probability(p: Points, target: Target) -> np.ndarray:
    """Share of the parameter draws in which each setting meets the target (S,); NaN without draws, and where the
    target asks about loads that are not known.

    A draw in which the mill cannot run does not meet it; one without an answer is left out.
    """
    count = p.status.size
    found = np.full(count, np.nan)
    if not p.draws or not p.draw_q3.size or loads_unknown(p, target):
        return found
    for start in range(0, count, _CHUNK):
        part = slice(start, min(start + _CHUNK, count))
        draws = {k: v[part] for k, v in p.draws.items()}
        q3 = p.draw_q3[part]
        loads = p.draw_loads[part]

        def finer(size_m: float, q3: np.ndarray = q3) -> np.ndarray:
            return share_finer(q3, size_m)

        known = np.isfinite(draws["x50_m"])
        good = known & (np.nan_to_num(draws["throughput_kg_s"]) > 0.0)
        for w in judged(target):
            with np.errstate(invalid="ignore"):
                good &= miss(w, reached(w, target, draws, loads, finer)) <= ROUNDING
        total = known.sum(axis=1)
        with np.errstate(invalid="ignore"):
            share = good.sum(axis=1) / np.maximum(total, 1)
        found[part] = np.where((total > 0) & (p.status[part] < FAILED), share, np.nan)
    return found


def known_draws(p: Points, setting: int) -> int:
    """How many draws of a setting have an answer."""
    return int(np.isfinite(p.draws["x50_m"][setting]).sum()) if p.draws else 0
