"""A plan run to its end: what is known is reused, the rest goes to workers job by job and is kept as it comes."""

import contextlib
import itertools
import os
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    CancelledError,
    Executor,
    Future,
    ThreadPoolExecutor,
    wait,
)
from dataclasses import dataclass, field

import numpy as np

from ...errors import MillsimError
from ...record.limits import FAILED
from ...version import __version__
from . import identity
from .compute import Job, compute, prepare_worker, row_type
from .journal import Journal
from .plan import Plan
from .record import Failure

PROCESSES_FROM_S = 20.0  # work shorter than this is not worth starting processes for: threads share it
JOB_S = 0.5  # how long a job should take: what a kill may lose, how late a stop is heard
MOST_PER_JOB = 2048
PILOT, PILOT_S = 6, 2.0  # points, or seconds, to learn the pace from
TRIES = 3  # a job whose worker dies is given out again
# What a future raises when its worker was lost, not its work; dask has names of its own.
_LOST, _LOST_NAMES = (BrokenExecutor, CancelledError, OSError, EOFError), ("KilledWorker", "FutureCancelledError")

Say = Callable[[str, float, str], None]


@dataclass
class SweepReport:
    """What a run did, for people."""

    planned: int
    reused: int = 0
    twins: int = 0  # points to compute that are the same as another one of the plan
    computed: int = 0
    failed: int = 0
    torn: int = 0
    damaged: int = 0
    anew: bool = False  # whether anything had to be computed
    changed: list[str] = field(default_factory=list)
    pace_s: float = 0.0  # of one point on one core
    workers: int = 1
    means: str = "threads"

    @property
    def left(self) -> int:
        """Points still to be computed."""
        return self.planned - self.reused - self.twins - self.computed


def workers_here() -> int:
    """Cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def run(
    plan: Plan, journal: Journal, workers: int | None = None, executor: Executor | None = None, say: Say | None = None,
    check: Callable[[], None] = lambda: None, before: Callable[[SweepReport], None] = lambda report: None,
) -> SweepReport:  # fmt: skip
    """Compute every point of the plan that the journal does not hold, and the base mill; keep each as it comes.

    executor: any concurrent.futures.Executor; by default threads, or processes where the work is long. before:
    called once with what is known and how long it may take, before the bulk of the work. check: called often, may
    raise; what is done by then is kept. Nothing of the answers depends on executor, workers or order.
    """
    say = say or (lambda stage, done, detail: None)
    kind = row_type(plan.engine, plan.draws)
    ids = identity.identities(plan)
    kept = journal.identities(kind)
    journal.count = lambda: known_points(plan, journal)
    known = find(kept, ids) >= 0
    report = SweepReport(plan.count, int(known.sum()), torn=journal.torn, damaged=journal.damaged)
    todo = _distinct(ids, np.flatnonzero(~known))
    report.twins = plan.count - report.reused - todo.size
    report.changed = changed(plan, journal) if todo.size else []
    report.workers = workers or workers_here()
    todo = np.random.default_rng(0).permutation(todo)  # the pace of any part is that of the whole
    work = _Work(plan, journal, ids, report, say, check, todo.size)
    base_known = find(kept, identity.base_identity(plan))[0] >= 0
    report.anew = todo.size > 0 or not base_known
    if report.anew:
        journal.append_plan(identity.about(plan))
    if not base_known:
        say("sweep", 0.0, "the mill as built")
        _one(work, _base_job(plan), executor, counted=False)
    todo = _pilot(work, todo, executor)
    report.means = "executor" if executor else "processes" if _long(report, todo) else "threads"
    before(report)
    if todo.size:
        _rest(work, todo, executor)
    return report


def known_points(plan: Plan, journal: Journal) -> int:
    """How many points of the plan the journal holds."""
    ids = journal.identities(row_type(plan.engine, plan.draws))
    return int(np.count_nonzero(find(ids, identity.identities(plan)) >= 0))


def known(plan: Plan, journal: Journal) -> SweepReport:
    """What the journal holds of the plan, with nothing computed."""
    return SweepReport(plan.count, known_points(plan, journal))


def find(known: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """(N,) place of each wanted identity (N, 2) among the known (K, 2); -1 where it is not there."""
    if known.shape[0] == 0:
        return np.full(wanted.shape[0], -1)
    order = np.argsort(known[:, 0], kind="stable")
    at = np.minimum(np.searchsorted(known[order, 0], wanted[:, 0]), order.size - 1)
    place = order[at]
    return np.where(np.all(known[place] == wanted, axis=1), place, -1)


def _distinct(ids: np.ndarray, points: np.ndarray) -> np.ndarray:
    """One point for each identity."""
    _, first = np.unique(ids[points], axis=0, return_index=True)
    return points[np.sort(first)]


def changed(plan: Plan, journal: Journal) -> list[str]:
    """What is different from the last session of this points file, as far as it tells."""
    rows = identity.changed_since(journal.plans[-1], plan) if journal.plans else []
    return [*rows, "perhaps more: a record of the points file is damaged"] if rows and journal.doubtful else rows


def _base_job(plan: Plan) -> Job:
    return Job(plan.base_template, identity.base_identity(plan), ({},), (0,), plan.engine, plan.class_ratio, plan.draws,
               plan.seed)  # fmt: skip


class _Work:
    """One run: makes jobs, keeps rows, tells how far it is."""

    def __init__(self, plan: Plan, journal: Journal, ids, report: SweepReport, say: Say, check, total: int):
        self.plan, self.journal, self.ids, self.report = plan, journal, ids, report
        self.say, self.check, self.total = say, check, total
        self.storing_s = 0.0  # what the disk has taken

    def store(self, rows: np.ndarray, reasons: dict[int, Failure], counted: bool = True) -> None:
        """Keep rows and count them."""
        start = time.monotonic()
        if rows.size:
            self.journal.append(rows, reasons)
        self.storing_s += time.monotonic() - start
        if counted:
            self.report.computed += rows.size
            self.report.failed += int(np.count_nonzero(rows["status"] == FAILED))

    def here(self, job: Job, counted: bool = True) -> None:
        """Compute and keep a job in this thread, hearing an interrupt as it goes."""

        def heard() -> bool:
            self.check()
            return False

        self.store(*compute(job, heard), counted=counted)

    def tell(self) -> None:
        """Progress; also hears an interrupt."""
        self.check()
        r = self.report
        failed = f", {r.failed} failed" if r.failed else ""
        self.say("sweep", r.computed / max(1, self.total), f"{r.computed} of {self.total} points{failed}")

    def job(self, points: np.ndarray, template: int) -> Job:
        """A job of points that share a template."""
        p = self.plan
        settings, replicates = tuple(p.settings(points)), tuple(int(i) for i in p.replicate(points))
        how = (p.engine, p.class_ratio, p.draws, p.seed)
        return Job(p.templates[template], self.ids[points], settings, replicates, *how)

    def jobs(self, points: np.ndarray, size: int) -> Iterator[Job]:
        """Jobs of up to `size` points, made as they are asked for."""
        for start in range(0, points.size, 64 * size):  # templates mixed, so that the pace stays that of the whole
            part = points[start : start + 64 * size]
            which = self.plan.template_of(self.plan.picks(part))
            for t in np.unique(which):
                own = part[which == t]
                for i in range(0, own.size, size):
                    yield self.job(own[i : i + size], int(t))


def _one(work: _Work, job: Job, executor: Executor | None, counted: bool = True) -> None:
    """Do a job and wait for it: here, or with an executor there; workers forked later must find no OpenMP begun."""
    if executor is None:
        return work.here(job, counted)
    sources = identity.engine_sources()
    for _ in range(3 * TRIES):
        try:
            future = executor.submit(compute_elsewhere, job, sources)
        except RuntimeError:  # broken, or shut down
            break
        while not wait([future], timeout=0.2).done:
            work.check()
        if (found := _handed_in(future, [], job)) is not None:
            return work.store(*found, counted)
    raise MillsimError(_given_up(work))


def _pilot(work: _Work, todo: np.ndarray, executor: Executor | None) -> np.ndarray:
    """Compute a few points to learn the pace; the points that remain. The first one only warms up.

    A point takes less than the disk takes for its record, and a job of many is one record.
    """

    def clock() -> float:
        return time.monotonic() - work.storing_s

    start, done = clock(), []
    for job in work.jobs(todo[:PILOT], 1):
        work.tell()
        _one(work, job, executor)
        done.append(job.identity)
        spent = clock() - start
        work.report.pace_s = spent / max(1, len(done) - 1)
        if len(done) == 1:
            start = clock()
        elif spent > PILOT_S:
            break
    return todo[find(np.concatenate(done), work.ids[todo]) < 0] if done else todo


def _long(report: SweepReport, todo: np.ndarray) -> bool:
    return report.workers > 1 and report.pace_s * todo.size > PROCESSES_FROM_S


def _rest(work: _Work, todo: np.ndarray, executor: Executor | None) -> None:
    """All remaining points, through the executor given or our own."""
    workers = work.report.workers
    size = int(np.clip(JOB_S / max(work.report.pace_s, 1e-6), 1, MOST_PER_JOB))
    jobs = work.jobs(todo, max(1, min(size, todo.size // (4 * workers) or 1)))
    if executor is not None:
        _given(work, jobs, executor, 2 * workers + 2)
    elif work.report.means == "threads":
        _threads(work, jobs, workers)
    else:
        _processes(work, jobs, workers)


def _threads(work: _Work, jobs: Iterator[Job], workers: int) -> None:
    stop = threading.Event()
    with ThreadPoolExecutor(workers) as pool:
        _feed(work, jobs, lambda job: pool.submit(compute, job, stop.is_set), 2 * workers, stop.set)


def _processes(work: _Work, jobs: Iterator[Job], workers: int) -> None:
    """Worker processes of our own; a new set when one dies, as it may when memory runs out."""
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor

    context = multiprocessing.get_context("spawn")

    def one_set(jobs: Iterator[Job], lost: list[Job]) -> None:
        stop = context.Event()
        with ProcessPoolExecutor(workers, context, prepare_worker, (stop,)) as pool:
            _feed(work, jobs, lambda job: pool.submit(compute, job), 2 * workers, stop.set, lost)

    _until_done(work, jobs, one_set, "a worker process died; starting new ones")


def _given(work: _Work, jobs: Iterator[Job], executor: Executor, window: int) -> None:
    """Somebody else's executor. Its workers may be of another version; they find out."""
    sources = identity.engine_sources()

    def one_set(jobs: Iterator[Job], lost: list[Job]) -> None:
        _feed(work, jobs, lambda job: executor.submit(compute_elsewhere, job, sources), window, lost=lost)

    _until_done(work, jobs, one_set, "jobs were lost; giving them out again")


def compute_elsewhere(job: Job, sources: str) -> tuple[np.ndarray, dict[int, str]]:
    """`compute`, on a worker that may have another millsim; refused there, so that versions never mix."""
    if identity.engine_sources() != sources:
        raise MillsimError(f"a worker computes with another engine than this millsim {__version__}; install it there.")
    return compute(job)


def _until_done(work: _Work, jobs: Iterator[Job], one_set: Callable, words: str) -> None:
    """Give lost jobs out again, after all others, until none is lost or nothing at all comes back any more."""
    vain = 0
    while vain < TRIES:
        before, lost = work.report.computed, []
        one_set(jobs, lost)
        if not lost:
            return
        jobs = itertools.chain(jobs, lost)
        vain = 0 if work.report.computed > before else vain + 1
        work.say("sweep", work.report.computed / max(1, work.total), words)
    raise MillsimError(_given_up(work))


def _given_up(work: _Work) -> str:
    kept = f"{work.report.computed} points computed by this run are kept; the same command goes on from there"
    why = "perhaps for want of memory; --workers 1 may help"
    return f"workers were lost {TRIES} times in a row with nothing computed, {why}. {kept}."


def _feed(
    work: _Work, jobs: Iterator[Job], submit: Callable[[Job], Future], window: int,
    stop: Callable[[], None] = lambda: None, lost: list[Job] | None = None,
) -> None:  # fmt: skip
    """Keep `window` jobs out, store what comes back; on an interrupt, ask the workers to stop and keep their parts.

    lost: takes the jobs whose worker was lost; without it that is an error. Once the executor takes no more, those
    that are out are awaited, and the rest stays in `jobs`.
    """
    out: dict[Future, Job] = {}
    try:
        broken = False
        while True:
            while len(out) < window and not broken and (job := next(jobs, None)) is not None:
                try:
                    out[submit(job)] = job
                except RuntimeError:  # broken, or shut down
                    if lost is None:
                        raise
                    broken = True
                    lost.append(job)
            if not out:
                return
            done, _ = wait(out, timeout=0.2, return_when=FIRST_COMPLETED)
            for future in done:
                if (found := _handed_in(future, lost, out[future])) is not None:
                    work.store(*found)
                broken |= isinstance(future.cancelled() or future.exception(), BrokenExecutor)
                del out[future]
            work.tell()
    except BaseException:
        stop()
        for future in out:
            future.cancel()
        _keep_parts(work, [f for f in out if not f.cancelled()])
        raise


def _handed_in(future: Future, lost: list[Job] | None, job: Job) -> tuple[np.ndarray, dict[int, str]] | None:
    """What a finished future hands in; None, and its job noted as lost, if its worker was."""
    try:
        return future.result()
    except Exception as error:
        if lost is None or not (isinstance(error, _LOST) or type(error).__name__ in _LOST_NAMES):
            raise
        lost.append(job)
        return None


def _keep_parts(work: _Work, out: list[Future]) -> None:
    """Store what running jobs still hand in within a second of being told to stop."""
    done, _ = wait(out, timeout=1.0)
    with contextlib.suppress(MillsimError):  # a full disk has been told already
        for future in done:
            if not future.cancelled() and future.exception() is None:
                work.store(*future.result())
