"""Mills that are not the model: other laws of breaking, leaving and wearing, to try calibrated bands on.

A foreign mill takes strikes, nips and air from the chamber as the model has it at the same charge, and then goes its
own way: its own fragments and rates in a balance solved here, in plain numpy, with the work of its own charge. Laws:
two Rosin-Rammler modes; Austin's two-part function (Austin, Klimpel & Luckie 1984, Process Engineering of Size
Reduction, from memory); log-normal fragments; another exponent of the threshold; another law of the sieve; fatigue by
weak hits; a gap that is not what was told and grows. Numbers of the laws are drawn anew for every mill.
"""

from dataclasses import dataclass
from math import exp, log

import numpy as np
from scipy.special import ndtr

from millsim.base.numerics import psd
from millsim.engines.loads import chamber_capacity
from millsim.engines.records import BREAK, PIN_BREAK, XI, new_work
from millsim.engines.settle import settle, start_state
from millsim.forecast.outcome import grid_of
from millsim.learn.calibration.runmodel import Forecast, RunModel
from millsim.mill.chamber import NIP, PAIR, STATE, STRIKE, idle_power, idle_speed

KINDS = ("two modes", "two parts", "log-normal", "threshold", "sieve", "fatigue", "gap")
CHIP = 60e-6  # m
SCAN = np.linspace(-9.0, 0.0, 37)  # ln of the charge over a full chamber


@dataclass(frozen=True)
class Law:
    """One foreign law with its numbers."""

    kind: str
    fine: float  # share of the fine mode, or part
    slope: float
    spread: float
    change: float  # of the exponent, of the sieve's, of the gap

    def fragments(self, y: np.ndarray, x: float) -> np.ndarray:
        """Share of a broken piece of size x that is finer than y."""
        r = np.clip(y / x, 1e-9, 1.0)
        if self.kind == "two modes":
            coarse, fine = (1.0 - np.exp(-((r / c) ** n)) for c, n in ((0.6, 1.6 * self.slope), (0.09, 1.3)))
            b = (1.0 - self.fine) * coarse / coarse.max() + self.fine * fine
        elif self.kind == "log-normal":
            b = ndtr(np.log(r / 0.5) / self.spread)
        else:
            b = self.fine * r ** (0.9 * self.slope) + (1.0 - self.fine) * r**3.5
        return np.where(y >= x, 1.0, b / ndtr(log(2.0) / self.spread) if self.kind == "log-normal" else b)


def law(kind: str, rng: np.random.Generator) -> Law:
    """A law of a kind with numbers of its own."""
    sign = 1.0 if rng.random() < 0.5 else -1.0
    return Law(
        kind, rng.uniform(0.15, 0.5), rng.uniform(0.7, 1.4), rng.uniform(0.4, 0.9), sign * rng.uniform(0.15, 0.4)
    )


@dataclass(frozen=True)
class Seen:
    """A foreign mill in one state."""

    rate_kg_s: float
    q3: np.ndarray
    charge: np.ndarray
    net_W: float
    idle_W: float  # both at the shaft
    T: float
    air_m3_s: float
    load: float


class ForeignMill:
    """A foreign mill: the model's problem and a mill record (1,) for the chamber, and its own law."""

    def __init__(self, problem, mill: np.ndarray, own: Law):
        self.problem, self.mill, self.own = problem, mill.copy(), own
        if own.kind == "gap":
            self.mill["gap"] *= 1.0 + 0.7 * own.change
        self.grid = grid_of(problem, self.mill)
        self.full = float(chamber_capacity(self.mill[0]))
        edges, x = problem.edges, problem.x
        b = np.array([own.fragments(edges, edges[j + 1]) for j in range(x.size)])  # (parent, edges)
        self.stays = 1.0 - b[np.arange(x.size), np.arange(x.size)]
        self.falls = np.tril(np.diff(b, axis=1), -1)  # (parent, child)
        chips = np.clip(edges / CHIP, 0.0, 1.0) ** 1.2
        self.chips = np.tril(np.diff(np.minimum(1.0, chips))[None].repeat(x.size, 0), -1)

    def at_charge(self, M: float) -> Seen | None:
        """What carries a charge M [kg]."""
        p, m, work, s = self.problem, self.mill[0], new_work(self.problem.x.size), np.zeros(1, STATE)
        start_state(m, M / 60.0, M, s[0])
        residual, _ = settle(m, self.grid, p.feed, s[0], work, 1e-6)
        if not residual <= 1e-6:
            return None
        breaks, chips, leaves = self._rates(work)
        gone = breaks * (1.0 - self.stays) + chips + leaves
        mass = np.zeros(p.x.size)
        for j in range(p.x.size - 1, -1, -1):
            comes = p.feed[j] + mass @ (breaks * self.falls[:, j] + chips * self.chips[:, j])
            mass[j] = comes / max(gone[j], 1e-12)
        F = M / mass.sum()
        mass *= F
        ours, powers = work.mass, work.powers[0]
        strikes = work.table[:, STRIKE]
        net = float(powers["striking"] + powers["nip"] + powers["layer_drive"]) * (mass @ strikes) / (ours @ strikes)
        still = float(sum(idle_power(m, s[0]["omega"], s[0]["T"])))
        T = float(m["T_room"] + (s[0]["T"] - m["T_room"]) * (still + net) / powers["shaft"])
        load = max((still + net) / m["rated_power"], (T - m["T_room"]) / (m["T_limit"] - m["T_room"]), M / self.full)
        idle = float(sum(idle_power(m, idle_speed(m, T), T)))
        return Seen(F, psd.cumulative(leaves * mass / F), mass, still + net - idle, idle, T, float(s[0]["Q"]), load)

    def _rates(self, work) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Breaking, chipping, leaving (n,) [1/s] by the foreign law."""
        own, x, mean = self.own, self.problem.x, work.strikes.mean(axis=1)
        strike = work.table[:, STRIKE].copy()
        strike[0] = 0.0
        breaks = strike * (mean[:, BREAK] + (1.0 - mean[:, BREAK]) * mean[:, PIN_BREAK])
        breaks += work.table[:, NIP] * work.screen + work.table[:, PAIR] * work.bridge
        leaves, chips = work.escape.copy(), strike * mean[:, XI]
        hole = float(self.mill[0]["hole"])
        if own.kind == "threshold":
            breaks *= np.clip(x / hole, 0.05, 20.0) ** own.change
        if own.kind == "fatigue":
            breaks += 0.02 * abs(own.change) * strike * np.clip(x / 1e-3, 0.1, 1.0)
        if own.kind == "sieve":
            leaves *= np.clip(1.0 - x / (1.05 * hole), 0.0, 1.0) ** abs(own.change) * 1.2
        breaks[0] = chips[0] = 0.0
        return breaks, chips, leaves

    def most(self) -> Seen | None:
        """The state at the largest rate: where power, heat or the chamber first bind."""
        low = None
        for step in SCAN:
            seen = self.at_charge(self.full * exp(step))
            if seen is None or seen.load > 1.0 or (low is not None and seen.rate_kg_s < 0.9 * low[1].rate_kg_s):
                break
            low = (step, seen)
        if low is None:
            return None
        a, b, best = low[0], low[0] + SCAN[1] - SCAN[0], low[1]
        for _ in range(18):
            middle = 0.5 * (a + b)
            seen = self.at_charge(self.full * exp(middle))
            if seen is None or seen.load > 1.0:
                b = middle
            else:
                a, best = middle, max(best, seen, key=lambda s: s.rate_kg_s)
        return best

    def at_rate(self, F: float) -> Seen | None:
        """The state that carries a feed rate; None where no charge does within the limits."""
        a, b = float(SCAN[0]) - 3.0, 0.0
        for _ in range(40):
            middle = 0.5 * (a + b)
            seen = self.at_charge(self.full * exp(middle))
            if seen is None or seen.rate_kg_s > F:
                b = middle
            else:
                a = middle
        seen = self.at_charge(self.full * exp(0.5 * (a + b)))
        return seen if seen is not None and abs(log(seen.rate_kg_s / F)) < 1e-3 and seen.load < 1.1 else None


def forecast(model: RunModel, seen: Seen) -> Forecast:
    """What the instruments of a run would have shown of a foreign mill."""
    at = float(model.problem.mill[0]["efficiency"]) if model.meter == "mains" else 1.0
    holdup = psd.cumulative(seen.charge / seen.charge.sum())
    return Forecast(
        seen.q3, holdup, float(seen.charge.sum()), seen.idle_W / at, (seen.idle_W + seen.net_W) / at, seen.T, seen.T,
        seen.air_m3_s, 0.5, min(1.0, seen.load), float("nan"),
    )  # fmt: skip


def answers(problem, seen: Seen) -> dict[str, float]:
    """What a prediction is asked for."""
    x = {p: psd.curve_x_at(problem.edges, seen.q3, p) for p in (0.5, 0.9)}
    socket = (seen.idle_W + seen.net_W) / float(problem.mill[0]["efficiency"])
    fines = float(np.interp(log(FINES), np.log(problem.edges), seen.q3))
    return {
        "x50_m": x[0.5], "x90_m": x[0.9], "fines": fines, "throughput_kg_s": seen.rate_kg_s,
        "gross_J_kg": socket / seen.rate_kg_s,
    }  # fmt: skip


FINES = 0.15e-3  # m: the share of the powder below it is one of the answers


def another_day(found: dict[str, float], sizes: dict[str, float], rng: np.random.Generator) -> dict[str, float]:
    """The answers of the same mill on another day."""
    z = rng.standard_normal(3)
    shift, rate, work = (sizes[f"repeat_{n}"] * v for n, v in zip(("size", "rate", "work"), z, strict=True))
    out = {n: v * exp(shift) if n.startswith("x") else v for n, v in found.items()}
    return out | {
        "throughput_kg_s": found["throughput_kg_s"] * exp(rate),
        "gross_J_kg": found["gross_J_kg"] * exp(work - rate),
        "fines": float(np.clip(found["fines"] * exp(-shift), 0.0, 1.0)),
    }
