"""What to measure next: how much each measurement is expected to narrow the band of the quantity asked for.

Draws of the parameters (of the prior, or what a calibration left) each say what a measurement would show and what
the answer would be. The variance of the answer that is left after a measurement h with errors R is, to first order,
Var(t) - Cov(t, h) (Cov(h) + R)^-1 Cov(h, t): the best linear forecast, known before anything is measured (Raiffa &
Schlaifer 1961, Applied Statistical Decision Theory, from memory, for normal distributions).

What comes first is what narrows the answer most per minute: the logarithm of the width left, over the minutes, since
two measurements that say different things multiply what they leave. A reading that needs a run bears the run's minutes.
`predict` names what this ranking names first (`firststep`).

After a calibration the errors that its runs shared with the new measurement are partly known: a draw z that says h1 of
the run says that its errors were y1 - h1. What is new in h2 is h2 - R21 R11^-1 h1, with errors R22 - R21 R11^-1 R12.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from math import log

import numpy as np

from ...base.numerics import psd
from ...base.numerics.threads import on_all_cores
from ...forecast.band import drawn_guesses, draws
from ...forecast.error import sizes_of
from ...mill import calibrated
from ...mill.chamber import EDGE
from ...mill.config.mill import Config
from . import guessed
from . import observations as obs
from .measurable import OTHER_HOLE, OTHER_SPEED, Part, measurable
from .runmodel import Forecast, NothingToRank, RunModel, planned
from .shared import Shared, cross, joint

COUNT = 256
SEED = 1  # where none is asked for: the same answer in `predict`, `next` and after a calibration
FIRST = "x50"  # the question that is asked where none is
NOTHING = "nothing on the list would narrow {} by itself"
RUNS = {"": (1.0, 1.0), "speed": (1.0, OTHER_SPEED), "hole": (OTHER_HOLE, 1.0)}  # factors on hole and speed
Told = dict[str, Forecast]  # what a draw says, by RUNS
LEAST_GAIN = 0.02
# Draws that must run, and that do for a ranking that another seed repeats; up to how many are tried to get there.
LEAST_DRAWS, ENOUGH_DRAWS, MOST_DRAWS = 40, 80, 512
PIECE = 32  # draws between two looks whether they will do
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

    def per_minute(self, question: str, over: np.ndarray) -> np.ndarray:
        """(k, measurements) what the ranking goes by, over k choices (k, N) of the draws."""
        answer, logarithm, day, candidates = self._asked(question, ())
        return np.array(
            [
                [_judge(replace(c, shown=c.shown[o]), answer[o], logarithm, day).per_minute for c in candidates]
                for o in over
            ]
        )

    def _judged(self, question: str, measured: tuple[str, ...]) -> list[Ranked]:
        answer, logarithm, day, candidates = self._asked(question, measured)
        return sorted((_judge(c, answer, logarithm, day) for c in candidates), key=lambda r: -r.per_minute)

    def _asked(self, question: str, measured: tuple[str, ...]) -> tuple[np.ndarray, bool, float, list[Candidate]]:
        """(answers (N,), whether they are logarithms, variance from day to day, measurements that are not made yet)."""
        card = self.config.calibration
        have = {*measured, *(card.measured if card else ())}
        off, day = self._error_of(question)
        return *self._answers(question), day, [c for c in self._candidates(off) if c.name not in have]

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
        everything = measurable(self.told, self.mills, self.config, self.model.rate_kg_s)
        everything += [(*x[:3], [Part(*x[3:])]) for x in guessed.measurements(self.config, self.guessed)]
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
        field = field if field in (self.mills.dtype.names or ()) else f"{field}_warm"
        return self.mills[field].copy(), False


def plan(
    config: Config, seed: int = SEED, count: int | None = None, progress: Callable[[float], None] | None = None,
    enough: Callable[[MeasurementPlan], bool] | None = None,
) -> MeasurementPlan:  # fmt: skip
    """The plan for a mill with its calibrated card or without one; a batch is planned as a steady run of its mill.

    enough: whether a plan over the first draws will do. Raises NothingToRank where the mill, or hardly a draw of its
    parameters, runs at all.
    """
    count = COUNT if count is None else count
    config = replace(
        config, feed=replace(config.feed, batch_mass_kg=None, batch_time_s=None, handful_kg=None, every_s=None)
    )
    model, told = planned(config), list[Told | None]()
    for n in _looks(count, enough is not None):
        mills = draws(model.problem, n, seed)
        told += _told(model, mills[len(told) :], _share(progress, len(told), n, max(n, count)))
        ran = np.array([t is not None for t in told])
        if n >= count and (ran.sum() >= ENOUGH_DRAWS or n >= MOST_DRAWS):
            break
        if n < count and ran.sum() >= LEAST_DRAWS and enough and enough(_plan(model, mills, told, seed)):
            break
    if ran.sum() < LEAST_DRAWS:
        raise NothingToRank(f"only {ran.sum()} of {n} draws of the parameters run: find a rate the mill takes first")
    return _plan(model, mills, told, seed)


def _looks(count: int, often: bool) -> Iterator[int]:
    """After how many draws to look whether they will do: `count`, and twice as many; often: after every PIECE too."""
    yield from range(PIECE, count, PIECE) if often else ()
    while True:
        yield count
        count *= 2


def _share(progress: Callable[[float], None] | None, begin: int, end: int, of: int) -> Callable[[float], None] | None:
    """Progress of the draws from begin to end, as that of all."""
    return (lambda done: progress((begin + done * (end - begin)) / of)) if progress else None


def _plan(model: RunModel, mills: np.ndarray, told: list[Told | None], seed: int) -> MeasurementPlan:
    """The plan over those of some draws that run."""
    ran, said = np.array([t is not None for t in told]), [t for t in told if t is not None]
    values = {key: v[ran] for key, v in drawn_guesses(model.problem, mills.size, seed).items()}
    by = {name: [t[name] for t in said] for name in RUNS}
    return MeasurementPlan(model.problem.config, model, mills[ran], by, mills.size, values)


def _told(model: RunModel, mills: np.ndarray, progress: Callable[[float], None] | None) -> list[Told | None]:
    """What every draw says; None of one that does not run."""
    return on_all_cores(lambda i: _told_by(model, mills[i : i + 1]), range(mills.size), progress)


def _told_by(model: RunModel, mill: np.ndarray) -> Told | None:
    """What a draw (1,) says of the run that is planned, of one at another speed and of one with another sieve."""
    told: Told = {}
    for name, (hole, speed) in RUNS.items():  # the one that most draws stop at comes early: what comes after is saved
        found = model.forecast(_changed(mill, hole, speed))
        if found is None:
            return None
        told[name] = found
    most = model.capacity(mill)
    if not most > 0.0:
        return None
    return told | {"": replace(told[""], capacity_kg_s=most)}


def _changed(mills: np.ndarray, hole: float, speed: float) -> np.ndarray:
    """The mills with another sieve of the same open share, or another speed."""
    out = mills.copy()
    out["hole"] *= hole
    out["n_holes"] /= hole**2
    out["omega_0"] *= speed
    out["curve_speed"] *= speed
    return out


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


def _between(a: list[Part], b: list[Part]) -> np.ndarray:
    """Covariance of the errors of two lists of parts."""
    return np.block(
        [[cross(p.shared, q.shared) if p.shared and q.shared else np.zeros((len(p.covariance), len(q.covariance)))
          for q in b] for p in a]
    )  # fmt: skip


def _added(
    parts: list[Part], known: list[Part], off: tuple[Shared, ...]
) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """(what a measurement shows (N, k), its errors (k, k), their covariance with the answer's (k,), variance of that)
    beyond what measurements that were made have shown.
    """
    own = float(cross(off, off)[0, 0]) if off else 0.0
    answer = [Part(np.zeros((1, 1)), np.array([[own]]), off)]
    shown, errors = np.hstack([p.shown for p in parts]), joint([(p.covariance, p.shared) for p in parts])
    told = _between(answer, parts)[0]
    between = _between(parts, known) if known else np.zeros((0, 0))
    if not known or not (between.any() or off):
        return shown, errors, told, own
    R11 = joint([(q.covariance, q.shared) for q in known])
    follows, knows = np.linalg.solve(R11, between.T).T, _between(answer, known)
    told, own = told - (knows @ follows.T)[0], own - float((knows @ np.linalg.solve(R11, knows.T))[0, 0])
    return shown - np.hstack([q.shown for q in known]) @ follows.T, errors - follows @ between.T, told, own
