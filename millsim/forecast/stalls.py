"""The chamber mode run many times: one trace to look at, and how often the mill stalls, at a start and while it runs.

Half of the histories are cold starts from empty, half begin at the charge of the steady mill. They last until enough
pieces have come, and there are as many of them as some tenths of a second of processor time are good for.
"""

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from ..base.numerics.uncompiled import as_written
from ..engines.hits import fill_table
from ..engines.pieces import ARRIVED, END, END_COLUMNS, FULL, MOST_PIECES, TOO_MANY, TRACE_COLUMNS, WATCHED, run_pieces
from ..engines.records import Arrivals, Charge, Powder, Rates
from ..errors import NotConverged
from ..laws import drive, motion, strength
from ..mill.chamber import MEAN_COS2_BAR, N_RATES, STRIKE, STRIKES
from ..mill.config.sections import Feed
from ..mill.problem import Setup
from ..record.prediction import EMPTY, STEADY, ChamberTrace, Running
from .outcome import Outcome, solve_cold_start

SECONDS, LONGEST, SHORTEST = 6.0, 60.0, 1.0  # of a history
ENOUGH = 10.0  # pieces that should come in a history; SECONDS are stretched for it
STARTS, LEAST = 48, 8  # histories of either kind: the most, the least
STARTS_OVERFED, SECONDS_OVERFED = 8, 12.0  # beyond capacity a mill fills for some seconds before it stalls
TIME_US = 0.35e6  # processor time of all histories; twice that where few histories would else be short
OVERFED_US = (
    2e6  # the same of a mill that is fed more than it takes: what fills but does not stall is not tried as often
)
EMPTY_US, OCCUPIED_US, STRIKE_US = 0.35, 0.65, 0.12  # measured on a desktop: of a step, with pieces more, of a strike
SAMPLES = 300
CONFIDENCE = 0.95
SMALLEST_FOLLOWED = 0.4  # of the feed size; finer pieces are the powder pool
HAND_LEAST, HAND_TIMES = 5.0, 3.0  # s, and over the time in which a handful falls in: seconds that are watched
EVEN_S = 6.0  # from one handful to the next, below which several make the charge, as of an even feed (assumed)
HAND_S = 1.0  # in which a hand empties itself, unless the opening takes longer (assumed)
CALL = 2  # histories per compiled call
RATE_NODES = 8192  # sizes that the laws are tabulated at, from the finest to the coarsest


class Plan(NamedTuple):
    """How many cold starts from empty, how many histories from the steady charge, and how long each lasts [s].

    filling_us: processor time over the square of a start's seconds, where pieces gather; OVERFED_US ends the starts.
    """

    starts: int
    running: int
    seconds: float
    filling_us: float = 0.0


class Scene(NamedTuple):
    """What the pieces of one state live in: the state, its strikes and rates, what falls in, and its own charge."""

    state: np.ndarray
    strikes: np.ndarray
    rates: Rates
    arrivals: Arrivals
    powder: Powder
    charge: Charge


def binomial_interval(k: int, n: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Exact interval of a share seen k times in n (Clopper & Pearson 1934, Biometrika 26:404)."""
    from scipy.special import betaincinv

    tail = 0.5 * (1.0 - confidence)
    low = 0.0 if k == 0 else float(betaincinv(k, n - k + 1, tail))
    high = 1.0 if k == n else float(betaincinv(k + 1, n - k, 1.0 - tail))
    return low, high


def poisson_interval(k: int, time: float, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Exact interval of a rate of which k events were seen in a time (Garwood 1936, Biometrika 28:437)."""
    from scipy.special import gammaincinv

    tail = 0.5 * (1.0 - confidence)
    low = 0.0 if k == 0 else float(gammaincinv(k, tail)) / time
    return low, float(gammaincinv(k + 1, 1.0 - tail)) / time


def watch(
    problem: Setup, steady: Outcome, rate_kg_s: float, overfed: bool, seed: int,
    progress: Callable[[float], None] | None = None,
) -> ChamberTrace | None:  # fmt: skip
    """Stalls of a settled mill fed at a rate, by as many and as long histories as tell something.

    A mill that is fed more than it takes has no steady charge: then starts alone. None as for `follow`.
    """
    try:
        cold = solve_cold_start(problem, rate_kg_s)
    except NotConverged:
        cold = steady
    return follow(problem, cold, steady, rate_kg_s, seed, plan_of(problem, steady, rate_kg_s, overfed), progress)


def plan_of(problem: Setup, steady: Outcome, rate_kg_s: float, overfed: bool) -> Plan:
    """How many histories, and how long: until enough pieces have come, within the processor time."""
    fed = _fed_pieces(problem, rate_kg_s)
    wanted = ENOUGH / float(fed.sum())
    if _by_hand(problem, rate_kg_s):
        return Plan(LEAST, 0 if overfed else LEAST, _after_a_handful(problem, rate_kg_s))
    if overfed:
        filling = 0.5 * float((fed * steady.table[:, STRIKE]).sum()) * STRIKE_US
        return Plan(STARTS_OVERFED, 0, math.ceil(min(max(SECONDS_OVERFED, wanted), LONGEST)), filling)
    pieces = _charge_pieces(problem, steady)
    steps = float(problem.mill[0]["turn_bars"] * steady.state["omega"]) / (2.0 * math.pi)
    step = EMPTY_US + OCCUPIED_US * (1.0 - math.exp(-pieces.sum()))
    affordable = TIME_US / (steps * step + float((pieces * steady.table[:, STRIKE]).sum()) * STRIKE_US)
    seconds = min(max(SECONDS, wanted), LONGEST, max(SHORTEST, affordable / LEAST))
    seconds = math.ceil(seconds)
    each = min(STARTS, max(LEAST, int(0.5 * affordable / seconds)))
    return Plan(each, each if pieces.sum() < MOST_PIECES else 0, seconds)


def _by_hand(problem: Setup, rate_kg_s: float) -> bool:
    """Whether handfuls come so seldom that each by itself may stall the mill."""
    return handfuls(problem.config.feed, problem.mill[0], rate_kg_s)[0] >= EVEN_S


def _after_a_handful(problem: Setup, rate_kg_s: float) -> int:
    """How long [s] histories of a feed by hand last: what stalls does so soon after the first handful."""
    every, pour = handfuls(problem.config.feed, problem.mill[0], rate_kg_s)
    return math.ceil(min(every, max(HAND_LEAST, HAND_TIMES * pour)))


def follow(
    problem: Setup, cold: Outcome, steady: Outcome, rate_kg_s: float, seed: int, plan: Plan,
    progress: Callable[[float], None] | None = None,
) -> ChamberTrace | None:  # fmt: skip
    """Start the mill empty, and start it at its steady charge, feed it with pieces arriving at random, see it stall.

    cold, steady: states whose rates hold for either. None where a start holds more pieces than can be followed
    (`pieces.MOST_PIECES`): that says nothing of stalls.
    """
    m, total = problem.mill[0], plan.starts + plan.running
    scene = scene_of(problem, cold, rate_kg_s)
    empty = scene._replace(charge=Charge(np.zeros(problem.x.size), 0.0, float(m["omega_0"])))
    traces, ends = histories(problem, empty, plan.starts, plan, seed, 0, _part(progress, 0, plan.starts, total))
    if np.any(ends[:, END] == TOO_MANY):
        return None
    shown, shown_from, running = _shown(traces, ends), EMPTY, None
    if plan.running:
        told = _part(progress, plan.starts, plan.running, total)
        scene = scene_of(problem, steady, rate_kg_s)
        later, later_ends = histories(problem, scene, plan.running, plan, seed, plan.starts, told)
        running = _running(later_ends)
        if running and running.stalls and not ends[:, END].any():
            shown, shown_from = _shown(later, later_ends), STEADY
    k = int(np.count_nonzero(ends[:, END]))
    low, high = binomial_interval(k, len(ends))
    time, torque, peak, speed, count, charge = (shown[:, c].copy() for c in range(TRACE_COLUMNS))
    rated = strength.shaft_torque(float(m["rated_power"]), float(m["omega_0"]))
    every = handfuls(problem.config.feed, m, rate_kg_s)[0] if _by_hand(problem, rate_kg_s) else math.nan
    return ChamberTrace(
        time, torque, peak, speed, count, len(ends), k, low, high, float(plan.seconds),
        chokes=int(np.count_nonzero(ends[:, END] == FULL)), arrived=int(ends[:, ARRIVED].sum()), running=running,
        charge_kg=charge, shown_from=shown_from, fed_kg_s=rate_kg_s,
        pieces_1_s=float(_fed_pieces(problem, rate_kg_s).sum()), rated_torque_Nm=rated,
        overload_torque_Nm=float(m["overload"]) * rated, every_s=every,
    )  # fmt: skip


def _part(progress: Callable[[float], None] | None, before: int, count: int, total: int):
    """Progress of `count` of `total` histories, `before` of which are done."""
    return (lambda done: progress((before + done * count) / total)) if progress else None


def histories(
    problem: Setup, scene: Scene, runs: int, plan: Plan, seed: int, first: int,
    progress: Callable[[float], None] | None = None,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """(traces, ends) of histories numbered from first, at most `runs`; those of one call run on all threads."""
    traces, ends, spent = np.zeros((runs, SAMPLES, TRACE_COLUMNS)), np.zeros((runs, END_COLUMNS)), 0.0
    for done in range(0, runs, CALL):
        part = slice(done, min(runs, done + CALL))
        run_pieces(problem.mill, *scene, float(plan.seconds), seed, first + done, traces[part], ends[part])
        spent += plan.filling_us * float((ends[part, WATCHED] ** 2).sum())
        if spent > OVERFED_US or np.any(ends[part, END] == TOO_MANY):
            return traces[: part.stop], ends[: part.stop]
        if progress:
            progress(part.stop / runs)
    return traces, ends


def _shown(traces: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """The history to look at: a stall, if there was one, else the first."""
    return traces[int(np.argmax(ends[:, END] > 0))]


def _running(ends: np.ndarray) -> Running | None:
    """What histories from the steady charge tell; None where one had more pieces than can be followed."""
    if np.any(ends[:, END] == TOO_MANY):
        return None
    k, watched = int(np.count_nonzero(ends[:, END])), float(ends[:, WATCHED].sum())
    return Running(len(ends), k, watched, int(ends[:, ARRIVED].sum()), *poisson_interval(k, watched))


# --- what the histories live in --------------------------------------------------------------------------


def _coarse(problem: Setup) -> np.ndarray:
    """The classes that are followed piece by piece."""
    return problem.x >= float(problem.mill[0]["feed_size"]) * SMALLEST_FOLLOWED


def _piece_mass(problem: Setup) -> np.ndarray:
    return np.pi / 6.0 * problem.mill[0]["density"] * problem.x**3


def _fed_pieces(problem: Setup, rate_kg_s: float) -> np.ndarray:
    """Pieces fed per second by class, of those that are followed."""
    return np.where(_coarse(problem), rate_kg_s * problem.feed / _piece_mass(problem), 0.0)


def _charge_pieces(problem: Setup, o: Outcome) -> np.ndarray:
    """Pieces of the charge by class, of those that are followed."""
    return np.where(_coarse(problem), o.mass / _piece_mass(problem), 0.0)


def scene_of(problem: Setup, o: Outcome, rate_kg_s: float) -> Scene:
    """The laws tabulated in the state of an outcome, what falls in at the rate, and the outcome's own charge."""
    m, state, coarse = problem.mill[0], np.array([o.state]), _coarse(problem)
    ln_low = float(np.log(problem.edges[0]))
    step = (float(np.log(problem.edges[-1])) - ln_low) / (RATE_NODES - 1)
    rates, strikes = Rates(np.zeros((RATE_NODES, N_RATES)), ln_low, step, 1.0 / step), np.zeros(1, STRIKES)
    ages = np.interp(ln_low + step * np.arange(RATE_NODES), np.log(problem.x), o.steps.ages[-1])
    fill_table(m, state[0], strikes[0], ages, rates)
    arrivals = Arrivals(
        np.cumsum(_fed_pieces(problem, rate_kg_s)), problem.x, *handfuls(problem.config.feed, m, rate_kg_s)
    )
    powder = _powder_pool(problem, o, strikes[0], ~coarse, rate_kg_s)
    charge = Charge(_charge_pieces(problem, o), float(o.mass[~coarse].sum()), float(o.state["omega"]))
    return Scene(state, strikes, rates, arrivals, powder, charge)


def handfuls(feed: Feed, m: np.void, rate_kg_s: float) -> tuple[float, float]:
    """(how often a handful comes [s], how long it takes to fall in [s]) at a mean rate; zeros where feed is even."""
    if feed.handful_kg is None or feed.every_s is None:
        return 0.0, 0.0
    every = feed.handful_kg / rate_kg_s
    flow = as_written(drive.opening_flow)(
        float(m["density"] * m["bulk_fraction"]), float(m["feed_opening"]), float(m["feed_size"])
    )
    return every, min(every, max(HAND_S, feed.handful_kg / flow if flow > 0.0 else every))


def _powder_pool(problem: Setup, o: Outcome, strikes, fine: np.ndarray, rate: float) -> Powder:
    """What is finer than the pieces."""
    x_least = float(problem.mill[0]["feed_size"]) * SMALLEST_FOLLOWED
    mass = max(float(o.mass[fine].sum()), 1e-300)
    work = motion.bar_work(strikes["v"], strikes["kappa"], strikes["e_bar"], MEAN_COS2_BAR)
    power = float((o.mass * o.table[:, STRIKE])[fine].sum() * work)
    fed = rate * float(problem.feed[fine].sum())
    return Powder(x_least, float(o.product[fine].sum()) / mass, power / mass, fed)
