"""Points computed: a job of points in, an array of rows out. The work that any executor, here or elsewhere, does.

A point depends on nothing but its settings: not on its neighbours, the worker or the order. Solvers release the
interpreter, so threads share the work; a job of many points is one message to another process.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from operator import itemgetter
from types import ModuleType

import numpy as np

from ...engines import montecarlo
from ...errors import InputError, NotConverged
from ...forecast import band as bands
from ...forecast.assemble import Told, montecarlo_result, told, told_of_what_comes, too_little
from ...forecast.error import errors
from ...forecast.glance import Glance
from ...forecast.outcome import Outcome, solve, solve_batch
from ...forecast.run import montecarlo_events, outlet
from ...mill.config.mill import Config
from ...mill.problem import Setup, build
from ...record.limits import CANNOT, FAILED, GRINDING, LIMITS, OK, POWER
from ...record.outputs import OUTPUTS
from ...record.prediction import EngineResult
from ...studies.prebuild.facts import MillFacts
from ...studies.prebuild.line import ReviewLine
from ...studies.prebuild.review import PARTS, review, verdict_bits
from .points import Settings, Template
from .record import SIZES_M, Failure

TOGETHER = 64  # points that are taken on step by step: code that has just run runs twice as fast again
NAMES = tuple(OUTPUTS)
_BY_NAME = itemgetter(*NAMES)
NAN = float("nan")
_LN_SIZES = np.log(SIZES_M)
FAULTS = (InputError, NotConverged, ArithmeticError, LookupError, TypeError, ValueError)  # of one point


class Stopped(Exception):
    """The work was asked to stop before it was done."""


class Endless(NotConverged):
    """Pieces hardly leave the mill, so that the Monte Carlo engine cannot follow them to their end."""


@dataclass(frozen=True)
class Job:
    """Points of one template: identity (N, 2), numbers set at each, replicate of each; how to compute."""

    template: Template
    identity: np.ndarray
    settings: tuple[Settings, ...]
    replicate: tuple[int, ...]
    engine: str
    class_ratio: float
    draws: int
    seed: int


def row_type(engine: str, draws: int) -> np.dtype:
    """One point as a record; what the engine or the plan does not give is left out."""
    fields = [("identity", "<u8", 2), ("status", "i1"), ("binding", "i1"), ("loads", "<f8", len(LIMITS))]
    fields += [("fails", "<u8"), ("unchecked", "<u8")]  # checks of the review, a bit each
    fields += [("values", "<f8", len(NAMES)), ("q3", "<f4", SIZES_M.size)]
    fields += [("se", "<f8", len(NAMES))] if engine == "montecarlo" else []
    if draws:
        fields += [("draws", "<f8", (draws, len(NAMES))), ("draw_q3", "<f4", (draws, SIZES_M.size))]
        fields += [("draw_loads", "<f4", (draws, len(LIMITS)))]
    return np.dtype(fields)


def compute(job: Job, stopping: Callable[[], bool] | None = None) -> tuple[np.ndarray, dict[int, Failure]]:
    """(rows of `row_type`, reason of each failed row); fewer rows than points where `stopping` says so."""
    stopping = stopping or asked_to_stop
    rows, reasons = np.zeros(len(job.settings), row_type(job.engine, job.draws)), {}
    _clear(rows, OK)
    rows["identity"] = job.identity
    together = TOGETHER if job.engine == "balance" and not job.draws else 1
    for first in range(0, len(rows), together):
        try:
            if stopping():
                raise Stopped
            points = [_Point(job, i, rows[i], stopping) for i in range(first, min(first + together, len(rows)))]
            reasons |= _fill_rows(points, rows)
        except Stopped:
            return rows[:first].copy(), reasons
    return rows, reasons


def _fill_rows(points: "list[_Point]", rows: np.ndarray) -> dict[int, Failure]:
    """Take points to their rows, all of them step by step; return why those without an answer have none."""
    reasons: dict[int, Failure] = {}
    reviewed = (partial(_Point.review, part=part) for part in PARTS)
    for step in (_Point.read, _Point.build, _Point.solve, _Point.answer, *reviewed, _Point.draw):
        for p in points:
            try:
                if p.i not in reasons:
                    step(p)
            except FAULTS as error:  # one point must not end a night's work
                reasons[p.i] = failure_of(error)
                _clear(rows[p.i : p.i + 1], FAILED)
    return reasons


def failure_of(error: Exception) -> Failure:
    """Why a point has no answer, by the error it met."""
    if isinstance(error, InputError):
        first = error.problems[0]
        kind = f"contradiction: {first.key.replace('.', ' ').replace('_', ' ')}"
        return Failure(kind, f"contradiction: {first.key} {first.message}")
    if isinstance(error, Endless):
        return Failure("pieces hardly leave this mill", str(error))
    if isinstance(error, NotConverged):
        return Failure("no steady state found", str(error))
    return Failure("a fault of the program", f"a fault of the program: {type(error).__name__}: {error}")


def _clear(rows: np.ndarray, status: int) -> None:
    """No answer in any field but the identity."""
    for name in set(rows.dtype.names or ()) - {"identity"}:
        rows[name] = NAN if rows.dtype[name].base.kind == "f" else 0
    rows["status"] = status


class _Point:
    """One point of a job on its way to its row. It knows nothing of the others."""

    config: Config
    problem: Setup
    outcome: Outcome
    facts: MillFacts

    def __init__(self, job: Job, i: int, row: np.void, stopping: Callable[[], bool]):
        self.job, self.i, self.row, self.stopping = job, i, row, stopping

    def read(self) -> None:
        """The config with its settings; contradictions among them end it here."""
        self.config = self.job.template.config(self.job.settings[self.i])

    def build(self) -> None:
        """The mill as numbers."""
        self.problem = build(self.config, self.job.class_ratio)

    def solve(self) -> None:
        """Its settled state."""
        self.problem, self.outcome = settle_point(self.problem, self.job.class_ratio)

    def answer(self) -> None:
        """Figures, status and loads, put in the row."""
        job, feed, o, row = self.job, self.config.feed, self.outcome, self.row
        open_rate = feed.rate_kg_s is None and not feed.batch_mass_kg
        capacity = float(o.state["F"]) if open_rate and o.code != CANNOT else NAN
        early = too_little(self.problem, o)
        if job.engine == "montecarlo" and not early:
            seed = job.seed + job.replicate[self.i]
            result = _histories(self.problem, o, capacity, seed, self.stopping)
            row["se"] = [result.scalars[n].se for n in NAMES]
            found = Told({n: result.scalars[n].value for n in NAMES}, result.table.product_q3)
        else:
            found = told(self.problem, o, capacity)
        figures = told_of_what_comes(self.problem, o, found)
        _fill(figures, self.problem, row["values"], row["q3"])
        row["status"] = o.status(feed)
        row["binding"], row["loads"] = LIMITS.index(o.binding), o.loads
        if early:
            row["loads"][[POWER, GRINDING]] = NAN
        self.facts = MillFacts(*_as_configured(self.problem, o, figures))

    def review(self, part: ModuleType) -> None:
        """Which checks of a part of the review fail or could not be made."""
        fails, unchecked = verdict_bits(part, self.facts)
        if fails or unchecked:
            self.row["fails"] |= np.uint64(fails)
            self.row["unchecked"] |= np.uint64(unchecked)

    def draw(self) -> None:
        """The same mill with every parameter drawn from its range; the same draws at every point of the sweep."""
        job, problem, row = self.job, self.problem, self.row
        if not job.draws:
            return
        mills, off = bands.draws(problem, job.draws, job.seed), errors(problem, job.draws, job.seed)
        for first in range(0, job.draws, bands.TOGETHER):
            if self.stopping():
                raise Stopped
            which = range(first, min(first + bands.TOGETHER, job.draws))
            drawn = bands.solve_draws(problem, mills, self.config.feed.rate_kg_s, off, which)
            for k, found in zip(which, drawn, strict=True):
                if found is not None:
                    _fill(found[0], problem, row["draws"][k], row["draw_q3"][k])
                    row["draw_loads"][k] = found[1].loads


def review_of(problem: Setup, outcome: Outcome) -> list[ReviewLine]:
    """The pre-build review of a settled config."""
    rate = float(outcome.state["F"]) if not problem.config.feed.batch_mass_kg else NAN
    found = told(problem, outcome, rate if problem.config.feed.rate_kg_s is None else NAN)
    return review(*_as_configured(problem, outcome, told_of_what_comes(problem, outcome, found)))


def _as_configured(problem: Setup, outcome: Outcome, found: Told) -> tuple[Config, Glance, np.void | None]:
    """What a review takes of a mill as its config has it: a calibration weighed by what comes out is none of that."""
    return problem.config, Glance(problem, outcome, found), None if problem.calibration else problem.mill[0]


def solve_point(config: Config, class_ratio: float) -> tuple[Setup, Outcome]:
    """A config as the balance settles it, at the feed rate asked for or at capacity. Raises NotConverged."""
    return settle_point(build(config, class_ratio), class_ratio)


def settle_point(problem: Setup, class_ratio: float) -> tuple[Setup, Outcome]:
    """A mill that was built, and its outcome; its calibration counts by what comes out, as in `predict`."""
    outcome = _solve(problem)
    if problem.calibration:  # less in a mill much hotter or colder than its runs
        problem = build(problem.config, class_ratio, outlet(outcome))
        outcome = _solve(problem)
    return problem, outcome


def _solve(problem: Setup) -> Outcome:
    feed = problem.config.feed
    if feed.batch:
        return solve_batch(problem, *feed.batch, until_jam=True)
    return solve(problem, feed.rate_kg_s)


def _fill(figures: Told, problem: Setup, values: np.ndarray, q3: np.ndarray) -> None:
    """Numbers and product Q3 of a mill; Q3 read off between class bounds on a line in ln x."""
    values[:] = _BY_NAME(figures.values)
    q3[:] = np.interp(_LN_SIZES, np.log(problem.edges), figures.q3, left=0.0, right=1.0)
    if np.isnan(figures.q3).all():
        q3[:] = NAN


def _histories(problem: Setup, outcome: Outcome, capacity: float, seed: int, stopping) -> EngineResult:
    """The Monte Carlo engine's answer for the settled state."""
    run = problem.config.run
    events = montecarlo_events(problem, outcome)
    if events > montecarlo.MOST_EVENTS:
        raise Endless("pieces hardly leave this mill: too many hits and sieve tries for the Monte Carlo engine")

    def watch(_done: float) -> None:
        if stopping():
            raise Stopped

    with _one_thread():
        tally = montecarlo.run(
            problem.mill, outcome.steps, problem.edges, problem.feed_curve, run.histories, seed, run.x50_error,
            progress=watch, events=events,
        )  # fmt: skip
    if tally.given_up:
        raise Endless(f"{tally.given_up} of {tally.histories} histories did not leave the mill")
    if not tally.left > 0.0:
        raise Endless(f"none of {tally.histories} histories left the mill within the batch")
    return montecarlo_result(problem, outcome, tally, capacity)


@contextmanager
def _one_thread() -> Iterator[None]:
    """The cores are shared out among points; within a point no loop takes them all. Answers do not depend on it."""
    import numba

    threads = numba.get_num_threads()
    numba.set_num_threads(1)
    try:
        yield
    finally:
        numba.set_num_threads(threads)


_STOP: list = []  # the event that tells a worker process to stop, put here by its initializer


def asked_to_stop() -> bool:
    """Whether this process was told to stop."""
    return bool(_STOP) and _STOP[0].is_set()


def prepare_worker(event) -> None:
    """In a fresh worker process: leave Ctrl-C to the parent, stop when told, end with the parent."""
    import multiprocessing
    import os
    import signal
    import threading

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _STOP[:] = [event]
    parent = multiprocessing.parent_process()

    def end_with_parent() -> None:
        parent.join()
        os._exit(1)

    if parent is not None:
        threading.Thread(target=end_with_parent, daemon=True).start()
