"""What to measure next: how much each measurement is expected to narrow the band of the quantity asked for.

Draws of the parameters (of the prior, or what a calibration left) each say what a measurement would show and what
the answer would be. The variance of the answer that is left after a measurement h with errors R is, to first order,
Var(t) - Cov(t, h) (Cov(h) + R)^-1 Cov(h, t): the best linear forecast, known before anything is measured (Raiffa &
Schlaifer 1961, Applied Statistical Decision Theory, from memory, for normal distributions).
"""

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from math import log

import numpy as np

from .. import psd
from ..band import draws
from ..chamber import EDGE
from ..config import Config
from ..errors import MillsimError, NotConverged
from ..outcome import solve
from ..problem import Problem, build
from . import observations as obs
from .runmodel import Forecast, RunModel

COUNT = 256
SIEVES = np.array([0.063, 0.09, 0.125, 0.18, 0.25, 0.355, 0.5, 0.71, 1.0, 1.4, 2.0, 2.8, 4.0]) * 1e-3
OTHER_HOLE, OTHER_SPEED = 1.6, 0.8  # of the second sieve and speed, as factors
DROP = 0.25  # in ln of the energy that breaks half: counting 30 pieces, and that a drop is no free hit (assumed)
PLANNED_S = 1800.0  # length of the run and of the warming up that are planned
LEAST_GAIN = 0.02

LEAST_DRAWS = 40
QUESTIONS = ("x50", "x90", "rate", "energy", "temperature")


@dataclass(frozen=True)
class Candidate:
    """A measurement: what to do, effort in minutes (assumed), what it would show per draw (N, k), errors (k, k)."""

    name: str
    text: str
    minutes: float
    shown: np.ndarray
    errors: np.ndarray


@dataclass(frozen=True)
class Ranked:
    """A measurement with the 80 % band of the answer now and as expected after it; left: their ratio of widths."""

    name: str
    text: str
    minutes: float
    now: tuple[float, float]
    then: tuple[float, float]
    left: float


@dataclass(frozen=True)
class Plan:
    """What draws of the parameters say of the run that is planned, and of one with another sieve or speed."""

    config: Config
    model: RunModel
    mills: np.ndarray
    told: dict[str, list[Forecast]]

    def rank(self, question: str, measured: tuple[str, ...] = ()) -> list[Ranked]:
        """Measurements that narrow the answer to a question, best first; those in `measured`, and those that the
        runs of a calibrated card had, are left out.

        question: a key of QUESTIONS, or the name of a parameter.
        """
        answer, logarithm = self._answers(question)
        card = self.config.calibration
        have = {*measured, *(card.measured if card else ())}
        kept = [c for c in _candidates(self.told, self.mills, self.config) if c.name not in have]
        found = [_judge(c, answer, logarithm) for c in kept]
        return sorted((r for r in found if r.left < 1.0 - LEAST_GAIN), key=lambda r: r.left)

    def _answers(self, question: str) -> tuple[np.ndarray, bool]:
        """(answers (N,), whether they are logarithms)."""
        here = self.told[""]
        if question in ("x50", "x90"):
            p = 0.5 if question == "x50" else 0.9
            return np.log([psd.x_at(self.model.problem.edges, f.q3, p) for f in here]), True
        if question == "rate":
            return np.log([f.capacity_kg_s for f in here]), True
        if question == "energy":
            return np.log([f.loaded_W / self.model.rate_kg_s for f in here]), True
        if question == "temperature":
            return np.array([f.outlet_K for f in here]), False
        field = next((e for e in EDGE if question.startswith(e + "_")), question)
        field = field if field in self.mills.dtype.names else f"{field}_warm"
        return self.mills[field].copy(), False


def plan(config: Config, seed: int = 1, count: int = COUNT, progress: Callable[[float], None] | None = None) -> Plan:
    """The plan for a mill with its calibrated card or without one.

    Raises MillsimError where too few draws of the parameters run at all.
    """
    problem = build(config)
    mills = draws(problem, count, seed)
    model = _planned(problem)
    told: dict[str, list[Forecast | None]] = {}
    records = {"": mills, "hole": _changed(mills, hole=OTHER_HOLE), "speed": _changed(mills, speed=OTHER_SPEED)}
    for at, (name, those) in enumerate(records.items()):
        told[name] = _forecasts(model if name == "" else replace(model, want_capacity=False), those)
        if progress:
            progress((at + 1) / len(records))
    ok = np.array([all(forecasts[i] is not None for forecasts in told.values()) for i in range(count)])
    if ok.sum() < LEAST_DRAWS:
        raise MillsimError(f"only {ok.sum()} of {count} draws of the parameters run: find a rate the mill takes first")
    kept = {name: [f for f, good in zip(forecasts, ok, strict=True) if good] for name, forecasts in told.items()}
    return Plan(config, model, mills[ok], kept)


def _planned(problem: Problem) -> RunModel:
    """The run to be made: at the config's feed rate, or at seven tenths of the capacity."""
    rate = problem.config.feed.rate_kg_s
    if rate is None:
        try:
            rate = 0.7 * float(solve(problem, None).state["F"])
        except NotConverged as error:
            raise MillsimError(f"no run can be planned: {error}") from None
    return RunModel(problem, rate, PLANNED_S, PLANNED_S, "mains", None, problem.mill[0], want_capacity=True)


def _changed(mills: np.ndarray, hole: float = 1.0, speed: float = 1.0) -> np.ndarray:
    """The mills with another sieve of the same open share, or another speed."""
    out = mills.copy()
    out["hole"] *= hole
    out["n_holes"] /= hole**2
    out["omega_0"] *= speed
    out["curve_speed"] *= speed
    return out


def _forecasts(model: RunModel, mills: np.ndarray) -> list[Forecast | None]:
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        return list(pool.map(lambda i: model.forecast(mills[i : i + 1]), range(mills.size)))


def _judge(c: Candidate, answer: np.ndarray, logarithm: bool) -> Ranked:
    """The band of the answer now and after a measurement, by the best linear forecast."""
    t, h = answer - answer.mean(), c.shown - c.shown.mean(axis=0)
    n = t.size
    cross, spread = h.T @ t / n, h.T @ h / n
    now = float(t @ t / n)
    gained = float(cross @ np.linalg.solve(spread + c.errors, cross))
    gained *= max(0.0, 1.0 - h.shape[1] / n)  # what chance alone would explain
    left = (max(0.0, now - gained) / now) ** 0.5 if now > 0.0 else 1.0
    low, middle, high = np.quantile(answer, [0.1, 0.5, 0.9])
    ends = np.array([low, high, middle + left * (low - middle), middle + left * (high - middle)])
    a, b, narrow_a, narrow_b = (float(x) for x in (np.exp(ends) if logarithm else ends))
    return Ranked(c.name, c.text, c.minutes, (a, b), (narrow_a, narrow_b), left)


def _candidates(told: dict[str, list[Forecast]], mills: np.ndarray, config: Config) -> list[Candidate]:
    """Everything a workshop can measure on this mill; efforts in minutes are assumed."""
    here = told[""]
    meter = 0.02**2 + obs.EFFICIENCY**2
    found = [
        _of_logs("idle power", "run the mill hot and empty and read the watt meter", 10, here, "idle_W", meter),
        _of_logs("hold-up", "weigh what is left in the chamber after a steady run", 5, here, "holdup_kg", 0.2**2),
        _of_logs("largest rate", "find the largest feed rate it takes", 30, here, "capacity_kg_s", obs.FEEDER**2),
        _of_logs("air flow", "time how long the air takes to fill a bag of known size", 20, here, "air_m3_s", 0.15**2),
        Candidate(
            "outlet temperature", "read a thermometer in the outlet at the end of the run", 5,
            np.array([[f.outlet_K] for f in here]), np.array([[1.2**2 + obs.PLACE_K**2]]),
        ),
        _of_logs(
            "loaded power", "read the watt meter while feeding at a known rate", 5, here, "loaded_W",
            meter + obs.REPEAT_POWER**2,
        ),
        _of_sizes("product size", "sieve 50 g of product of a timed run", 40, here, "q3", config),
        _of_sizes("hold-up size", "sieve what is left in the chamber", 30, here, "holdup_q3", config),
        _second("second sieve", f"run it once more with {OTHER_HOLE:g} times the hole", 90, told["hole"], config),
        _second("second speed", f"run it once more at {OTHER_SPEED:g} of the speed", 70, told["speed"], config),
        _drop(mills),
    ]  # fmt: skip
    return [c for c in found if np.isfinite(c.shown).all()]


def _of_logs(name: str, text: str, minutes: float, told: list[Forecast], field: str, variance: float) -> Candidate:
    shown = np.log(np.maximum([[getattr(f, field)] for f in told], 1e-12))
    return Candidate(name, text, minutes, shown, np.array([[variance]]))


def _of_sizes(name: str, text: str, minutes: float, told: list[Forecast], field: str, config: Config) -> Candidate:
    shown, errors = _sieved([getattr(f, field) for f in told], config)
    return Candidate(name, text, minutes, shown, errors)


def _sieved(curves: list[np.ndarray], config: Config) -> tuple[np.ndarray, np.ndarray]:
    """(Q3 on the usual sieves (N, k), their errors (k, k)) of curves on the class edges."""
    ln_edges = np.log(build(config).edges)
    shown = np.array([np.interp(np.log(SIEVES), ln_edges, q) for q in curves])
    mean = shown.mean(axis=0)
    use = (mean > 0.01) & (mean < 0.99)
    at = np.log(SIEVES[use])
    return shown[:, use], obs.curve_covariance(at, mean[use], np.gradient(mean, np.log(SIEVES))[use])


def _second(name: str, text: str, minutes: float, told: list[Forecast], config: Config) -> Candidate:
    """A second run, with sieving, hold-up and watts."""
    shown, errors = _sieved([f.q3 for f in told], config)
    more = np.log(np.maximum([[f.holdup_kg, f.loaded_W] for f in told], 1e-12))
    k = shown.shape[1]
    full = np.zeros((k + 2, k + 2))
    full[:k, :k], full[k, k], full[k + 1, k + 1] = errors, obs.REPEAT_HOLDUP**2, 0.02**2 + obs.REPEAT_POWER**2 + 0.08**2
    return Candidate(name, f"{text}: sieve, hold-up, watts", minutes, np.hstack([shown, more]), full)


def _drop(mills: np.ndarray) -> Candidate:
    """A drop test tells the energy times size that breaks half of the pieces."""
    half = mills["xw_min_warm"] + log(2.0) / mills["f_mat_warm"]
    text = "drop a weight on 30 single pieces of the feed (millsim droptest)"
    return Candidate("drop test", text, 45, np.log(half)[:, None], np.array([[DROP**2]]))
