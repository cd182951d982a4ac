"""Breakage without a mill: any selection, breakage and exit rates, in batch or steady, by either engine.

    S(x)    selection rate, 1/s: how often a particle of size x breaks
    B(y, x) breakage: mass share of the daughters of x that is no larger than y; B(x, x) = 1
    E(x)    exit rate, 1/s: how often a particle of size x leaves

x may be any measure of size, a diameter in m or a particle's mass, as long as S, B, E, feed and edges mean
the same one. "balance" solves the sectional equations: rates at the geometric middle of each class, B at the
class edges, what stays within its class is no loss; a single feed size has a class of no width of its own.
That is second order in the class width, and exact at the edges where S(x) B(y, x) does not depend on x. It stays so
where laws jump: a class in which a rate, the kind of breakage or the density of the feed jumps is cut there; a size
that a share of the feed or of all daughters has gets a class of no width; where B jumps at a part of x, its daughters
are those of the mean over their parent's class.
"montecarlo" follows specks of mass on continuous sizes; edges only sort them.

The laws take and return floats. Each call of a solver takes them as they then are: what they read may have changed.
"montecarlo" compiles them where numba can and they read nothing but numbers, arrays and functions; else it calls
them in Python, some two hundred times slower.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ...base.numerics import psd
from . import linear
from .problem import SINGLE, Breakage, BreakageProblem, Feed, Rate
from .userlaw import Law

Array = NDArray[np.float64]


@dataclass(frozen=True)
class KineticsResult:
    """What is in the charge and what has left it. Batch: leading axis is time; steady: no such axis.

    Shares are of the mass in question (nan where there is none); per kg fed (batch) or per kg/s fed (steady).
    `_se`: for "montecarlo" standard errors; for "balance" with extrapolate=True how much the extrapolation moved the
    finer of its two answers, which is more than what is left; else nan, for one answer cannot tell its class error.
    """

    engine: str
    edges: Array  # (n+1,), ascending, in the caller's measure of size
    times: Array  # (k,) s; empty for steady
    charge_q3: Array  # (k, n+1) or (n+1,): share of the charge no larger than each edge
    charge_q3_se: Array
    charge: Array  # (k,) or (): batch: kg left per kg fed; steady: hold-up, kg per kg/s (mean residence, s)
    charge_se: Array
    product_q3: Array  # (k, n+1) cumulative product so far, or (n+1,)
    product_q3_se: Array
    product: Array  # (k,) or (): batch: kg left the charge per kg fed; steady: 1
    product_se: Array
    number: Array  # (k,) mean of x^-number_exponent over the charge (nan unless asked for)
    number_se: Array
    charge_shares_se: Array  # (k, n) or (n,): of the shares by class, see below
    product_shares_se: Array
    histories: int = 0
    seed: int | None = None
    breaks: tuple[float, ...] = ()  # sizes inside the classes at which "balance" cut them: given, or a law jumps there

    @property
    def charge_shares(self) -> Array:
        """Share of the charge in each class, (k, n) or (n,); what is finer than edges[0] is in none."""
        return np.diff(self.charge_q3, axis=-1)

    @property
    def product_shares(self) -> Array:
        """Share of the product in each class."""
        return np.diff(self.product_q3, axis=-1)


def solve_batch(
    edges: ArrayLike,
    feed: Feed,
    selection: Rate,
    breakage: Breakage,
    times: ArrayLike,
    *,
    exit_rate: Rate | None = None,
    engine: str = "balance",
    extrapolate: bool = False,
    number_exponent: float | None = None,
    feed_time: float = 0.0,
    breaks: ArrayLike = (),
    histories: float = 20_000,
    seed: int | None = 0,
) -> KineticsResult:
    """Grind one charge; return the size distributions at the given times.

    edges: ascending class edges (n+1,). feed: one size, or mass shares of the n classes, or a cumulative
    distribution F(x). times: s, ascending. Rates: functions or constants; without exit_rate all stays in the
    charge.
    feed_time: s over which the feed comes in evenly; 0: all of it at once.
    number_exponent: k for particle numbers per mass, mean of x^-k (1 where x is a particle's mass, 3 where it
    is a diameter); "balance" counts what is finer than edges[0] at edges[0] (a lower bound).
    extrapolate: "balance" also solves with every class halved and removes the h^2 error (8 times the work); where B
    jumps at a part of x, some of it.
    breaks: sizes at which a law jumps or that a share of the mass has, for "balance". Most are found without: not a
    peak narrower than an eighth of its class, a jump of less than a thousandth, nor one of B that lies neither at one
    size nor at one part of x.
    histories, seed: Monte Carlo only; seed None draws one, and the result has it.
    InputError lists everything wrong with the arguments.
    """
    times = np.atleast_1d(np.asarray(times, dtype=float))
    laws = (selection, breakage, exit_rate)
    problem = BreakageProblem("solve_batch", edges, feed, laws, engine, histories, seed)
    if times.ndim != 1 or not np.all(np.isfinite(times)) or np.any(np.diff(times, prepend=0.0) < 0):
        problem.wrong("times", "must be finite, >= 0 and ascending")
    if number_exponent is not None and not 0 < number_exponent < math.inf:
        problem.wrong("number_exponent", f"{number_exponent} must be positive")
    if not 0 <= feed_time < math.inf:
        problem.wrong("feed_time", f"{feed_time} s must be finite and >= 0")
    problem.raise_if_wrong()
    if engine == "montecarlo":
        return _batch_montecarlo(problem, times, number_exponent, float(feed_time))

    def solved(p: BreakageProblem) -> KineticsResult:
        return _batch_balance(p, times, number_exponent, feed_time)

    return _by_classes(problem, solved, breaks, extrapolate)


def solve_steady(
    edges: ArrayLike,
    feed: Feed,
    selection: Rate,
    breakage: Breakage,
    *,
    exit_rate: Rate | None = None,
    residence: float | None = None,
    tanks: int = 1,
    engine: str = "balance",
    extrapolate: bool = False,
    breaks: ArrayLike = (),
    histories: float = 20_000,
    seed: int | None = 0,
) -> KineticsResult:
    """Grind a constant feed; return product, hold-up and their size distributions in steady state.

    Either exit_rate E(x) of one tank, 1/s, or residence: mean time in all tanks together, s, with a discharge
    that does not sort. tanks: equal mixed tanks in series. Other arguments as `solve_batch`.
    NotConverged where some size neither breaks nor leaves.
    """
    laws = (selection, breakage, exit_rate)
    problem = BreakageProblem("solve_steady", edges, feed, laws, engine, histories, seed)
    if (exit_rate is None) == (residence is None):
        problem.wrong("exit_rate", "give either exit_rate or residence", hint="without either nothing leaves")
    if residence is not None and not 0 < residence < math.inf:
        problem.wrong("residence", f"{residence} s must be positive")
    if not (isinstance(tanks, int | np.integer) and tanks >= 1):
        problem.wrong("tanks", f"{tanks!r} must be a whole number of at least 1")
    problem.raise_if_wrong()
    if residence is not None:
        problem.leave = Law("solve_steady", "residence", tanks / residence, 1)
    if engine == "montecarlo":
        return _steady_montecarlo(problem, int(tanks))
    return _by_classes(problem, lambda p: _steady_balance(p, int(tanks)), breaks, extrapolate)


def _by_classes(problem: BreakageProblem, solved: Callable, breaks: ArrayLike, extrapolate: bool) -> KineticsResult:
    """The answer at the edges that were asked for, with more of them where a rate jumps."""
    cut = problem.cut(breaks)
    result = solved(cut)
    if extrapolate:
        result = _extrapolated(result, solved(cut.halved()))
    asked = np.isin(cut.edges, problem.edges)
    curves = ("charge_q3", "charge_q3_se", "product_q3", "product_q3_se")
    kept: dict[str, Any] = {name: getattr(result, name)[..., asked] for name in curves}
    starts = np.flatnonzero(asked)[:-1]
    shares = ("charge_shares_se", "product_shares_se")
    kept |= {name: np.add.reduceat(getattr(result, name), starts, axis=-1) for name in shares}
    return replace(result, edges=problem.edges, breaks=cut.added, **kept)


def _extrapolated(coarse: KineticsResult, fine: KineticsResult) -> KineticsResult:
    """Richardson's extrapolation of two results whose class widths are 2 to 1, at the coarse edges."""

    def curve(a: Array, b: Array) -> Array:
        return np.clip(np.maximum.accumulate((4 * b[..., ::2] - a) / 3, axis=-1), 0.0, 1.0)

    def moved(a: Array, b: Array) -> Array:
        return np.abs(b - a) / 3

    values: dict[str, Any] = {}
    for name in ("charge_q3", "product_q3"):
        a, b = getattr(coarse, name), getattr(fine, name)
        values |= {name: curve(a, b), f"{name}_se": moved(a, b[..., ::2])}
        shares = name.replace("q3", "shares_se")
        values[shares] = moved(np.diff(a, axis=-1), np.diff(b[..., ::2], axis=-1))
    for name in ("charge", "product", "number"):
        a, b = getattr(coarse, name), getattr(fine, name)
        values |= {name: (4 * b - a) / 3, f"{name}_se": moved(a, b)}
    return replace(coarse, **values)


def _batch_balance(problem: BreakageProblem, times: Array, exponent: float | None, feed_time: float) -> KineticsResult:
    """Batch by classes; the product has classes of its own, so that everything stays one closed system."""
    G, leave, feed = problem.generator()
    n = feed.size

    def masses(G: Array, loss: Array, feed: Array) -> Array:
        return linear.fed_batch(G, loss, feed, feed_time, times) if feed_time else linear.batch(G, loss, feed, times)

    if problem.leave is None:
        charge = masses(G, linear.losses(G, leave), feed)
        gone = np.zeros_like(charge)
    else:
        both = masses(*linear.with_product(G, leave), np.concatenate([np.zeros(n), feed]))
        gone, charge = both[:, :n], both[:, n:]
    number = np.full(times.size, np.nan)
    if exponent is not None:
        with np.errstate(invalid="ignore", divide="ignore"):
            number = _number(problem, charge, exponent) / charge.sum(axis=1)
    return _without_errors(problem, times, charge, gone, number)


def _without_errors(problem: BreakageProblem, times: Array, charge: Array, gone: Array, number: Array):
    """The result of one answer by classes, whose class error is not known."""
    charge_q3, left = problem.distribution(charge)
    product_q3, product = problem.distribution(gone)
    curve, scalar = np.full_like(charge_q3, np.nan), np.full_like(left, np.nan)
    shares = curve[..., 1:]
    return KineticsResult(
        "balance", problem.edges, times, charge_q3, curve, left, scalar,
        product_q3, curve, product, scalar, number, scalar, shares, shares,
    )  # fmt: skip


def _number(problem: BreakageProblem, charge: Array, k: float) -> Array:
    """Sum of mass times x^-k over dust, classes and single size, for masses (times, ...).

    Inside a class mass is spread as x^s dx/x with s from its neighbours: fines carry nearly all particles,
    and a flat class would count h^2/6 too many where mass falls as x^2 (h = width in ln x).
    """
    edges, n = problem.edges, problem.edges.size - 1
    h, middle = np.diff(np.log(edges)), psd.middles(edges)
    wide = h > 2 * SINGLE  # a class of one size has no slope
    log_density = np.log(np.maximum(charge[:, 1 : n + 1] / h, 1e-300))
    s = np.zeros_like(log_density)
    if np.count_nonzero(wide) > 1:
        s[:, wide] = np.clip(np.gradient(log_density[:, wide], np.log(middle[wide]), axis=1), -4.0, 4.0)
    inner = charge[:, 1 : n + 1] * middle**-k * _sinhc((s - k) * h / 2) / _sinhc(s * h / 2)
    number = charge[:, 0] * edges[0] ** -k + inner.sum(axis=1)
    return number if math.isnan(problem.single) else number + charge[:, -1] * problem.single**-k


def _sinhc(z: Array) -> Array:
    """sinh(z) / z, 1 at 0."""
    return np.where(np.abs(z) < 1e-4, 1.0 + z * z / 6.0, np.sinh(z) / np.where(z == 0, 1.0, z))


def _steady_balance(problem: BreakageProblem, tanks: int) -> KineticsResult:
    """Steady state by forward substitution, tank by tank."""
    G, leave, feed = problem.generator()
    flow, holdups = linear.tanks_in_series(G, leave, feed, tanks)
    return _without_errors(problem, np.zeros(0), holdups.sum(axis=0), flow, np.asarray(np.nan))


def _shares_of(counts: Array) -> tuple[Array, Array, Array, Array]:
    """Cumulative shares at the edges, standard errors of them and of the class shares, totals of counts (..., n+2)."""
    total = counts.sum(axis=-1).astype(float)
    with np.errstate(invalid="ignore", divide="ignore"):
        q = np.cumsum(counts, axis=-1)[..., :-1] / total[..., None]
        p = counts[..., 1:-1] / total[..., None]
        return q, np.sqrt(q * (1 - q) / total[..., None]), np.sqrt(p * (1 - p) / total[..., None]), total


def _batch_montecarlo(
    problem: BreakageProblem, times: Array, exponent: float | None, feed_time: float
) -> KineticsResult:
    """Batch by histories; counts are exact, sums run in a fixed order."""
    from .freepaths import batch_blocks

    laws, n = problem.compiled(), problem.edges.size + 1
    charge, product = np.zeros((times.size, n), int), np.zeros((times.size, n), int)
    sums = np.zeros((times.size, 2))
    for first, last in problem.chunks():
        new = batch_blocks(problem.seed, first, last, *laws, feed_time, times, float(exponent or 0.0))
        problem.check(new[3])
        charge += new[0].sum(axis=0)
        product += new[1].sum(axis=0)
        for block in new[2]:
            sums += block
    charge_q3, charge_se, charge_shares_se, left = _shares_of(charge)
    product_q3, product_se, product_shares_se, gone = _shares_of(product)
    N = problem.histories
    number = np.full(times.size, np.nan)
    number_se = np.zeros(times.size)
    if exponent is not None:
        with np.errstate(invalid="ignore", divide="ignore"):
            number = sums[:, 0] / left
            number_se = np.sqrt(np.maximum(sums[:, 1] / left - number**2, 0.0) / left)
    left_se, gone_se = (np.sqrt(count / N * (1 - count / N) / N) for count in (left, gone))
    return KineticsResult(
        "montecarlo", problem.edges, times, charge_q3, charge_se, left / N, left_se,
        product_q3, product_se, gone / N, gone_se, number, number_se, charge_shares_se, product_shares_se,
        N, problem.seed,
    )  # fmt: skip


def _steady_montecarlo(problem: BreakageProblem, tanks: int) -> KineticsResult:
    """Steady state by histories; hold-up from mean dwell times (a ratio: errors by the delta rule)."""
    from .freepaths import steady_blocks

    laws, n = problem.compiled(), problem.edges.size + 1
    product, sums = np.zeros(n, int), np.zeros((4, n))
    for first, last in problem.chunks():
        new = steady_blocks(problem.seed, first, last, *laws, tanks)
        problem.check(new[2])
        product += new[0].sum(axis=0)
        for block in new[1]:
            sums += block
    N = problem.histories
    product_q3, product_se, product_shares_se, _ = _shares_of(product)
    mean, square, cross, own = sums / N
    total, total_square = mean[-1], square[-1]

    def ratio_se(a: Array, a_square: Array, a_total: Array) -> Array:
        q = a / total
        spread = np.maximum(a_square - 2 * q * a_total + q**2 * total_square, 0.0)
        return np.sqrt(spread / N) / total

    q = mean / total
    holdup_se = np.asarray(math.sqrt(max(total_square - total**2, 0.0) / N))
    return KineticsResult(
        "montecarlo", problem.edges, np.zeros(0), q[:-1], ratio_se(mean, square, cross)[:-1],
        np.asarray(total), holdup_se, product_q3, product_se, np.asarray(1.0), np.asarray(0.0),
        np.asarray(np.nan), np.asarray(0.0), ratio_se(np.diff(mean), own[1:], np.diff(cross))[:-1], product_shares_se,
        N, problem.seed,
    )  # fmt: skip
