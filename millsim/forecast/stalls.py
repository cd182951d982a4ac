"""The chamber mode run many times: one trace to look at, and how often the mill stalls."""

from collections.abc import Callable

import numpy as np

from ..engines.histories import RATE_NODES, fill_table
from ..engines.pieces import TRACE_COLUMNS, run_pieces
from ..engines.records import Arrivals, Powder, Rates
from ..engines.strikes import OBLIQUITY
from ..laws import motion
from ..mill.chamber import N_RATES, STRIKE, STRIKES
from ..mill.problem import Setup
from ..record.prediction import ChamberTrace
from .outcome import Outcome

RUNS, SECONDS = 48, 6.0
RUNS_OVERFED, SECONDS_OVERFED = 8, 12.0  # beyond capacity a mill fills for some seconds before it stalls
SAMPLES = 300
CONFIDENCE = 0.95
SMALLEST_FOLLOWED = 0.4  # of the feed size; finer pieces are the powder pool
TOO_MANY = 3  # how a history ends that has more pieces than can be followed
CALL = 2  # histories per compiled call


def binomial_interval(k: int, n: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Exact interval of a share seen k times in n (Clopper & Pearson 1934, Biometrika 26:404)."""
    from scipy.special import betaincinv

    tail = 0.5 * (1.0 - confidence)
    low = 0.0 if k == 0 else float(betaincinv(k, n - k + 1, tail))
    high = 1.0 if k == n else float(betaincinv(k + 1, n - k, 1.0 - tail))
    return low, high


def follow(
    problem: Setup, o: Outcome, rate_kg_s: float, seed: int, runs: int = RUNS, seconds: float = SECONDS,
    progress: Callable[[float], None] | None = None,
) -> ChamberTrace | None:  # fmt: skip
    """Start the mill empty, feed it at rate_kg_s with pieces arriving at random, and see whether it stalls.

    None where the chamber holds more pieces than can be followed (`pieces.MOST_PIECES`): that says nothing of stalls.
    """
    m = problem.mill[0]
    ln_low = float(np.log(problem.edges[0]))
    step = (float(np.log(problem.edges[-1])) - ln_low) / (RATE_NODES - 1)
    rates, strikes = Rates(np.zeros((RATE_NODES, N_RATES)), ln_low, step), np.zeros(1, STRIKES)
    state = np.array([o.state])
    nodes = ln_low + step * np.arange(RATE_NODES)
    ages = np.interp(nodes, np.log(problem.x), o.steps.ages[-1])
    fill_table(m, state[0], strikes[0], ages, rates)
    x_least = float(m["feed_size"]) * SMALLEST_FOLLOWED
    coarse = problem.x >= x_least
    pieces = np.pi / 6.0 * m["density"] * problem.x**3
    arrivals = Arrivals(np.cumsum(np.where(coarse, rate_kg_s * problem.feed / pieces, 0.0)), problem.x)
    powder = _powder_pool(problem, o, strikes[0], ~coarse, x_least, rate_kg_s)
    traces, ends = np.zeros((runs, SAMPLES, TRACE_COLUMNS)), np.zeros(runs)
    for first in range(0, runs, CALL):
        part = slice(first, min(runs, first + CALL))
        run_pieces(
            problem.mill, state, strikes, rates, arrivals, powder, seconds, seed, first, traces[part], ends[part]
        )  # fmt: skip
        if np.any(ends[part] == TOO_MANY):
            return None
        if progress:
            progress(part.stop / runs)
    k, full = int(np.count_nonzero(ends)), int(np.count_nonzero(ends == 2))
    shown = traces[int(np.argmax(ends > 0))] if k else traces[0]  # a stall, if there was one, is what to look at
    low, high = binomial_interval(k, runs)
    time, torque, peak, speed, count = (shown[:, c].copy() for c in range(TRACE_COLUMNS))
    return ChamberTrace(time, torque, peak, speed, count, runs, k, low, high, seconds, full)


def _powder_pool(problem: Setup, o: Outcome, strikes, fine: np.ndarray, x_least: float, rate: float) -> Powder:
    """What is finer than the pieces."""
    mass = max(float(o.mass[fine].sum()), 1e-300)
    work = np.mean([motion.bar_work(strikes["v"], strikes["kappa"], strikes["e_bar"], c) for c in OBLIQUITY[:, 0]])
    power = float((o.mass * o.table[:, STRIKE])[fine].sum() * work)
    fed = rate * float(problem.feed[fine].sum())
    return Powder(x_least, float(o.product[fine].sum()) / mass, power / mass, fed)
