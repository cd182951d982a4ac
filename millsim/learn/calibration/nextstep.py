"""What to measure next: how much each measurement is expected to narrow the band of the quantity asked for.

Draws of the parameters (of the prior, or what a calibration left) each say what a measurement would show and what
the answer would be. The variance of the answer that is left after a measurement h with errors R is, to first order,
Var(t) - Cov(t, h) (Cov(h) + R)^-1 Cov(h, t): the best linear forecast, known before anything is measured (Raiffa &
Schlaifer 1961, Applied Statistical Decision Theory, from memory, for normal distributions).

What comes first is what narrows the answer most per minute: the logarithm of the width left, over the minutes, since
two measurements that say different things multiply what they leave. A reading that needs a run bears the run's minutes.
`predict` names what this ranking names first.

After a calibration the errors that its runs shared with the new measurement are partly known: a draw z that says h1 of
the run says that its errors were y1 - h1. What is new in h2 is h2 - R21 R11^-1 h1, with errors R22 - R21 R11^-1 R12.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from math import log

import numpy as np

from ...base.numerics import psd
from ...base.numerics.threads import on_all_cores
from ...errors import MillsimError
from ...forecast.band import drawn_guesses, draws
from ...forecast.error import sizes_of
from ...mill import calibrated
from ...mill.calibrated import ALIKE
from ...mill.chamber import EDGE
from ...mill.config.mill import Config
from ...mill.problem import build
from ...record.prediction import Advised
from . import guessed
from . import observations as obs
from .runmodel import Forecast, NothingToRank, RunModel, planned
from .shared import Shared, cross, everywhere, joint

COUNT = 256
SEED = 1  # where none is asked for: the same answer in `predict`, `next` and after a calibration
FIRST = "x50"  # the question that is asked where none is
NOTHING = "nothing on the list would narrow {} by itself"
RUN = 30  # minutes of a run until it is steady and measured, on a warm mill (assumed)
SIEVES = np.array([0.063, 0.09, 0.125, 0.18, 0.25, 0.355, 0.5, 0.71, 1.0, 1.4, 2.0, 2.8, 4.0]) * 1e-3
OTHER_HOLE, OTHER_SPEED = 1.6, 0.8  # of the second sieve and speed, as factors
DROP = 0.25  # in ln of the energy that breaks half: counting 30 pieces, and that a drop is no free hit (assumed)
LEAST_GAIN = 0.02
PROBE_K = 1.2  # standard error of the thermometer that is read
METER = 0.02 / obs.LIMIT  # of the watt meter that is read
# Draws that must run, and that do for a ranking that another seed repeats; up to how many are tried to get there.
LEAST_DRAWS, ENOUGH_DRAWS, MOST_DRAWS = 40, 80, 512
QUESTIONS = {  # what may be asked: key in record.outputs
    "x50": "x50_m", "x90": "x90_m", "rate": "throughput_kg_s", "energy": "gross_J_kg",
    "outlet": "outlet_temperature_K",
}  # fmt: skip


@dataclass(frozen=True)
class Candidate:
    """A measurement: what to do, effort in minutes with the run it needs (assumed), what it would show per draw (N, k),
    errors (k, k).
    """

    name: str
    text: str
    minutes: float
    shown: np.ndarray
    errors: np.ndarray
    told: np.ndarray  # (k,) covariance of its errors with the answer's, which is the model's own
    left: float  # variance of the latter


@dataclass(frozen=True)
class Ranked:
    """A measurement with the 80 % band of the answer now and as expected after it; left: their ratio of widths."""

    name: str
    text: str
    minutes: float
    now: tuple[float, float]
    then: tuple[float, float]
    left: float

    @property
    def helps(self) -> bool:
        """Whether it would narrow the answer by more than a trifle."""
        return self.left < 1.0 - LEAST_GAIN

    @property
    def per_minute(self) -> float:
        """What the ranking goes by: how much narrower per minute of effort."""
        return -log(max(self.left, 1e-9)) / self.minutes


@dataclass(frozen=True)
class _Part:
    """Numbers of a measurement: shown per draw (N, k), covariance (k, k), sources of error shared with others."""

    shown: np.ndarray
    covariance: np.ndarray
    shared: tuple[Shared, ...] = ()


@dataclass(frozen=True)
class MeasurementPlan:
    """What draws of the parameters say of the run that is planned, and of one with another sieve or speed."""

    config: Config
    model: RunModel
    mills: np.ndarray
    told: dict[str, list[Forecast]]
    drawn: int  # draws that were tried; those that do not run are left out
    guessed: dict[str, np.ndarray] = field(default_factory=dict)  # values of what the config guesses, per draw

    @property
    def about(self) -> str:
        """Of what the bands are, and why `predict` has wider ones: a sentence."""
        return (
            f"The bands here are of one run at {3600.0 * self.model.rate_kg_s:.2g} kg/h, over the {self.mills.size} of "
            f"{self.drawn} draws that run at it; those of `millsim predict` let every draw take what it can, so they "
            "are wider"
        )

    def rank(self, question: str, measured: tuple[str, ...] = ()) -> list[Ranked]:
        """Measurements that narrow the answer to a question, most per minute first; those in `measured`, and those
        that the runs of a calibrated card had, are left out, and so are those that would hardly help.

        question: a key of QUESTIONS, or the name of a parameter.
        """
        return [r for r in self._judged(question, measured) if r.helps]

    def hardly(self, question: str, measured: tuple[str, ...] = ()) -> tuple[str, ...]:
        """Names of the measurements that would hardly narrow the answer, in the order of `rank`."""
        return tuple(r.name for r in self._judged(question, measured) if not r.helps)

    def _judged(self, question: str, measured: tuple[str, ...]) -> list[Ranked]:
        answer, logarithm = self._answers(question)
        card = self.config.calibration
        have = {*measured, *(card.measured if card else ())}
        off, day = self._error_of(question)
        found = [_judge(c, answer, logarithm, day) for c in self._candidates(off) if c.name not in have]
        return sorted(found, key=lambda r: -r.per_minute)

    def _error_of(self, question: str) -> tuple[tuple[Shared, ...], float]:
        """(the model's own error in the answer to a question, variance of the day's); of a parameter, none."""
        frame = obs.frame_of(self.config, self.model.rate_kg_s, sizes_of(self.model.problem))
        e, here = frame.sizes, self.told[""]
        net = 1.0 - float(np.median([f.idle_W / f.loaded_W for f in here]))
        warmer = float(np.median([f.outlet_K for f in here])) - frame.room_K
        by: dict[str, tuple[dict[str, float], float]] = {
            "x50": ({"size": e["error_size"]}, e["repeat_size"]),
            "x90": ({"size": e["error_size"]}, e["repeat_size"]),
            "rate": ({"rate": e["error_rate"], "work": -e["error_work"]}, e["repeat_rate"]),
            "energy": ({"work": net * e["error_work"]}, net * e["repeat_work"]),
            "outlet": (
                {"rise": warmer * e["error_rise"], "work": net * warmer * e["error_work"]},
                warmer * e["repeat_rise"],
            ),
        }
        loading, day = by.get(question, ({}, 0.0))
        return frame.of_model(**loading), day**2

    def _candidates(self, off: tuple[Shared, ...]) -> list[Candidate]:
        """All measurements, as what they would add to what the runs of the card have told already.

        off: the model's own error in the answer.
        """
        known, out = [], []
        everything = _measurements(self.told, self.mills, self.config, self.model.rate_kg_s)
        everything += [(*x[:3], [_Part(*x[3:])]) for x in guessed.measurements(self.config, self.guessed)]
        applied = calibrated.apply(self.config)
        if applied is not None and applied.weight == 1.0:  # on another mill the errors are not those of its runs
            known = [p for name, _, _, parts in everything for p in parts if name in applied.card.measured]
        for name, text, minutes, parts in everything:
            if all(np.isfinite(p.shown).all() for p in parts):
                out.append(Candidate(name, text, minutes, *_added(parts, known, off)))
        return out

    def _answers(self, question: str) -> tuple[np.ndarray, bool]:
        """(answers (N,), whether they are logarithms)."""
        here = self.told[""]
        if question in ("x50", "x90"):
            p = 0.5 if question == "x50" else 0.9
            return np.log([psd.curve_x_at(self.model.problem.edges, f.q3, p) for f in here]), True
        if question == "rate":
            return np.log([f.capacity_kg_s for f in here]), True
        if question == "energy":
            return np.log([f.loaded_W / self.model.rate_kg_s for f in here]), True
        if question == "outlet":
            return np.array([f.outlet_K for f in here]), False
        field = next((e for e in EDGE if question.startswith(e + "_")), question)
        field = field if field in self.mills.dtype.names else f"{field}_warm"
        return self.mills[field].copy(), False


def plan(
    config: Config, seed: int = SEED, count: int | None = None, progress: Callable[[float], None] | None = None
) -> MeasurementPlan:
    """The plan for a mill with its calibrated card or without one; a batch is planned as a steady run of its mill.

    Raises NothingToRank where the mill, or hardly a draw of its parameters, runs at all.
    """
    count = COUNT if count is None else count
    config = replace(
        config, feed=replace(config.feed, batch_mass_kg=None, batch_time_s=None, handful_kg=None, every_s=None)
    )
    model = planned(config)
    config = model.problem.config
    while True:
        mills = draws(model.problem, count, seed)
        told = _told(model, mills, progress)
        ok = np.array([all(forecasts[i] is not None for forecasts in told.values()) for i in range(count)])
        if ok.sum() >= ENOUGH_DRAWS or count >= MOST_DRAWS:
            break
        count *= 2
    if ok.sum() < LEAST_DRAWS:
        raise NothingToRank(f"only {ok.sum()} of {count} draws of the parameters run: find a rate the mill takes first")
    kept = {name: [f for f, good in zip(forecasts, ok, strict=True) if good] for name, forecasts in told.items()}
    values = {key: v[ok] for key, v in drawn_guesses(model.problem, count, seed).items()}
    return MeasurementPlan(config, model, mills[ok], kept, count, values)


def _told(
    model: RunModel, mills: np.ndarray, progress: Callable[[float], None] | None
) -> dict[str, list[Forecast | None]]:
    """What the draws say of the run that is planned, of one with another sieve and of one at another speed."""
    told: dict[str, list[Forecast | None]] = {}
    records = {"": mills, "hole": _changed(mills, hole=OTHER_HOLE), "speed": _changed(mills, speed=OTHER_SPEED)}
    for at, (name, those) in enumerate(records.items()):
        asking, before = (model, None) if name == "" else (replace(model, want_capacity=False), told[""])
        told[name] = _forecasts(asking, those, before)
        if progress:
            progress((at + 1) / len(records))
    return told


def first(config: Config, progress: Callable[[float], None] | None = None) -> Advised:
    """What `rank` names first for the common question; without a name where there is nothing to rank, and why."""
    try:
        ranked = plan(config, progress=progress).rank(FIRST)
    except MillsimError as error:
        return Advised("", str(error), 0.0, 1.0)
    best = [Advised(r.name, r.text, r.minutes, r.left) for r in ranked]
    return best[0] if best else Advised("", NOTHING.format(FIRST), 0.0, 1.0)


def _changed(mills: np.ndarray, hole: float = 1.0, speed: float = 1.0) -> np.ndarray:
    """The mills with another sieve of the same open share, or another speed."""
    out = mills.copy()
    out["hole"] *= hole
    out["n_holes"] /= hole**2
    out["omega_0"] *= speed
    out["curve_speed"] *= speed
    return out


def _forecasts(model: RunModel, mills: np.ndarray, before: list[Forecast | None] | None) -> list[Forecast | None]:
    """What every draw says; of those that said nothing `before`, nothing."""
    asked = [i for i in range(mills.size) if before is None or before[i] is not None]
    said = dict(zip(asked, on_all_cores(lambda i: model.forecast(mills[i : i + 1]), asked), strict=True))
    return [said.get(i) for i in range(mills.size)]


def _judge(c: Candidate, answer: np.ndarray, logarithm: bool, day: float) -> Ranked:
    """The band of the answer now and after a measurement, by the best linear forecast.

    day: variance of the answer from day to day, which nothing narrows.
    """
    t, h = answer - answer.mean(), c.shown - c.shown.mean(axis=0)
    n = t.size
    cross, spread = h.T @ t / n + c.told, h.T @ h / n
    drawn = float(t @ t / n)
    now = drawn + c.left + day
    gained = float(cross @ np.linalg.solve(spread + c.errors, cross))
    gained *= max(0.0, 1.0 - h.shape[1] / n)  # what chance alone would explain
    left = (max(day, now - gained) / now) ** 0.5 if now > 0.0 else 1.0
    low, middle, high = np.quantile(answer, [0.1, 0.5, 0.9])
    wide = (now / drawn) ** 0.5 if drawn > 0.0 else 1.0  # the draws have the parameters' part only
    low, high = middle + wide * (low - middle), middle + wide * (high - middle)
    ends = np.array([low, high, middle + left * (low - middle), middle + left * (high - middle)])
    a, b, narrow_a, narrow_b = (float(x) for x in (np.exp(ends) if logarithm else ends))
    return Ranked(c.name, c.text, c.minutes, (a, b), (narrow_a, narrow_b), left)


def _between(a: list[_Part], b: list[_Part]) -> np.ndarray:
    """Covariance of the errors of two lists of parts."""
    return np.block(
        [[cross(p.shared, q.shared) if p.shared and q.shared else np.zeros((len(p.covariance), len(q.covariance)))
          for q in b] for p in a]
    )  # fmt: skip


def _added(
    parts: list[_Part], known: list[_Part], off: tuple[Shared, ...]
) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """(what a measurement shows (N, k), its errors (k, k), their covariance with the answer's (k,), variance of that)
    beyond what measurements that were made have shown.
    """
    own = float(cross(off, off)[0, 0]) if off else 0.0
    answer = [_Part(np.zeros((1, 1)), np.array([[own]]), off)]
    shown, errors = np.hstack([p.shown for p in parts]), joint([(p.covariance, p.shared) for p in parts])
    told = _between(answer, parts)[0]
    between = _between(parts, known) if known else np.zeros((0, 0))
    if not known or not (between.any() or off):
        return shown, errors, told, own
    R11 = joint([(q.covariance, q.shared) for q in known])
    follows, knows = np.linalg.solve(R11, between.T).T, _between(answer, known)
    told, own = told - (knows @ follows.T)[0], own - float((knows @ np.linalg.solve(R11, knows.T))[0, 0])
    return shown - np.hstack([q.shown for q in known]) @ follows.T, errors - follows @ between.T, told, own


def _measurements(told: dict[str, list[Forecast]], mills: np.ndarray, config: Config, rate: float) -> list[tuple]:
    """(name, what to do, minutes, parts) of all a workshop can measure on this mill; efforts are assumed, and
    each that needs a run bears it: further readings of the same run then cost the rest only.
    """
    here, watts = told[""], obs.watts_shared(config, METER, "mains", 1)
    problem = build(config)
    frame = obs.frame_of(config, rate, sizes_of(problem))
    e, net = frame.sizes, 1.0 - float(np.median([f.idle_W / f.loaded_W for f in here]))
    charge, most = frame.of_model(holdup=e["error_holdup"]), frame.of_model(rate=e["error_rate"], work=-e["error_work"])
    loaded = (*watts, *frame.of_model(work=net * e["error_work"]))
    largest, fed = (
        float(np.hypot(a, b)) for a, b in ((obs.FEEDER, e["repeat_rate"]), (obs.READ, net * e["repeat_work"]))
    )
    half = np.log(mills["xw_min_warm"] + log(2.0) / mills["f_mat_warm"])  # energy times size that breaks half
    edges = problem.edges
    size = _sieved("product size", here, "q3", edges, frame)
    inside = _sieved("hold-up size", here, "holdup_q3", edges, frame)
    found = [
        ("idle power", "run the mill with its rotor hot and empty and read the watt meter", 10,
         [_of_logs(here, "idle_W", obs.READ, watts)]),
        ("hold-up", "weigh what is left in the chamber after a steady run", RUN + 5,
         [_of_logs(here, "holdup_kg", e["repeat_holdup"], charge)]),
        ("largest rate", "find the largest feed rate it takes", 30, [_of_logs(here, "capacity_kg_s", largest, most)]),
        ("air flow", "time how long the air takes to fill a bag of known size", 20,
         [_of_logs(here, "air_m3_s", 0.15)]),
        ("air temperature", "read a thermometer in the air that leaves, at the end of the run", RUN + 5,
         [_thermometer(here, "air", net, frame)]),
        ("powder temperature", "push a thermometer into the powder just caught, at the end of the run", RUN + 5,
         [_thermometer(here, "powder", net, frame)]),
        ("loaded power", "read the watt meter while feeding at a known rate", RUN + 5,
         [_of_logs(here, "loaded_W", fed, loaded)]),
        ("product size", "sieve 50 g of product of a timed run", RUN + 40, [size]),
        ("hold-up size", "sieve what is left in the chamber after a steady run", RUN + 30, [inside]),
        ("drop test", "drop a weight on 30 single pieces of the feed (millsim droptest)", 45,
         [_Part(half[:, None], np.array([[DROP**2]]))]),
    ]  # fmt: skip
    for name, text, minutes, key, step in (
        ("second sieve", f"run it once more with {OTHER_HOLE:g} times the hole", RUN + 60, "hole", (1, OTHER_HOLE)),
        ("second speed", f"run it once more at {OTHER_SPEED:g} of the speed", RUN + 50, "speed", (0, OTHER_SPEED)),
    ):
        there = frame.place.copy()
        there[step[0]] += log(step[1]) / ALIKE
        away = replace(frame, place=there)
        parts = [
            _sieved("product size", told[key], "q3", edges, away),
            _of_logs(told[key], "holdup_kg", e["repeat_holdup"], away.of_model(holdup=e["error_holdup"])),
            _of_logs(
                told[key], "loaded_W", fed,
                (*watts, *away.of_model(work=net * e["error_work"])),
            ),
        ]  # fmt: skip
        found.append((name, f"{text}: sieve, hold-up, watts", minutes, parts))
    return found


def _of_logs(told: list[Forecast], field: str, own: float, shared: tuple[Shared, ...] = ()) -> _Part:
    """The logarithm of one number, with a relative error of its own and errors it shares."""
    shown = np.log(np.maximum([[getattr(f, field)] for f in told], 1e-12))
    return _Part(shown, own**2 + (cross(shared, shared) if shared else np.zeros((1, 1))), shared)


def _thermometer(told: list[Forecast], of: str, net: float, frame: obs.Frame) -> _Part:
    """A temperature of the air or the powder that leaves."""
    shown = np.array([[getattr(f, f"{of}_K")] for f in told])
    warmer, e = float(np.median(shown)) - frame.room_K, frame.sizes
    shared = (
        everywhere(f"{of} temperature", (PROBE_K**2 + obs.PLACE_K**2) ** 0.5),
        *frame.of_model(rise=e["error_rise"] * warmer, work=net * e["error_work"] * warmer),
    )
    return _Part(shown, cross(shared, shared) + (e["repeat_rise"] * warmer) ** 2, shared)


def _sieved(name: str, told: list[Forecast], field: str, edges: np.ndarray, frame: obs.Frame) -> _Part:
    """Q3 on the usual sieves, as far as they tell draws apart."""
    ln_edges = np.log(edges)
    shown = np.array([np.interp(np.log(SIEVES), ln_edges, getattr(f, field)) for f in told])
    mean = shown.mean(axis=0)
    use = (mean > 0.01) & (mean < 0.99)
    slope = np.gradient(mean, np.log(SIEVES))[use]
    shared = obs.curve_shared(name, np.log(SIEVES[use]), mean[use], slope, frame)
    return _Part(shown[:, use], obs.curve_own(slope, frame) + cross(shared, shared), shared)
