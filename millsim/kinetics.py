"""Breakage without a mill: any selection, breakage and exit rates, in batch or steady, by either engine.

    S(x)    selection rate, 1/s: how often a particle of size x breaks
    B(y, x) breakage: mass share of the daughters of x that is no larger than y; B(x, x) = 1
    E(x)    exit rate, 1/s: how often a particle of size x leaves

x may be any measure of size, a diameter in m or a particle's mass, as long as S, B, E, feed and edges mean
the same one. "balance" solves the sectional equations: rates at the geometric middle of each class, B at the
class edges, what stays within its class is no loss; a single feed size has a class of no width of its own.
That is second order in the class width, and exact at the edges where S(x) B(y, x) does not depend on x.
"montecarlo" follows specks of mass on continuous sizes; edges only sort them. The callables take and return
floats; for "montecarlo" numba must be able to compile them.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from . import linear, psd
from .errors import InputError, NotConverged, Problem

Array = NDArray[np.float64]
Rate = Callable[[float], float]
Breakage = Callable[[float, float], float]
Feed = float | Sequence[float] | Array | Callable[[float], float]
_ENGINES = ("balance", "montecarlo")


@dataclass(frozen=True)
class KineticsResult:
    """What is in the charge and what has left it. Batch: leading axis is time; steady: no such axis.

    Shares are of the mass in question (nan where there is none); per kg fed (batch) or per kg/s fed (steady).
    Standard errors are zero for "balance", whose error is the class width.
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
    number: Array  # (k,) mean of x^-number_exponent over the charge (nan unless asked for)
    number_se: Array
    histories: int = 0
    seed: int | None = None
    notes: tuple[str, ...] = field(default=())


def solve_batch(
    edges: ArrayLike,
    feed: Feed,
    selection: Rate,
    breakage: Breakage,
    times: ArrayLike,
    *,
    exit_rate: Rate | None = None,
    engine: str = "balance",
    number_exponent: float | None = None,
    histories: int = 20_000,
    seed: int = 0,
) -> KineticsResult:
    """Grind one charge; return the size distributions at the given times.

    edges: ascending class edges (n+1,). feed: one size, or mass shares of the n classes, or a cumulative
    distribution F(x). times: s, ascending. exit_rate: None keeps everything in the charge.
    number_exponent: k for particle numbers per mass, mean of x^-k (1 where x is a particle's mass, 3 where it
    is a diameter); "balance" counts what is finer than edges[0] at edges[0] (a lower bound).
    histories, seed: Monte Carlo only. InputError lists everything wrong with the arguments.
    """
    times = np.atleast_1d(np.asarray(times, dtype=float))
    problem = _Problem("solve_batch", edges, feed, selection, breakage, exit_rate, engine, histories, seed)
    if times.ndim != 1 or not np.all(np.isfinite(times)) or np.any(np.diff(times, prepend=0.0) < 0):
        problem.wrong("times", "must be finite, >= 0 and ascending")
    if number_exponent is not None and not 0 < number_exponent < math.inf:
        problem.wrong("number_exponent", f"{number_exponent} must be positive")
    problem.raise_if_wrong()
    solve = _batch_balance if engine == "balance" else _batch_montecarlo
    return solve(problem, times, number_exponent)


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
    histories: int = 20_000,
    seed: int = 0,
) -> KineticsResult:
    """Grind a constant feed; return product, hold-up and their size distributions in steady state.

    Either exit_rate E(x) of one tank, 1/s, or residence: mean time in all tanks together, s, with a discharge
    that does not sort. tanks: equal mixed tanks in series. Other arguments as `solve_batch`.
    NotConverged where some size neither breaks nor leaves.
    """
    problem = _Problem("solve_steady", edges, feed, selection, breakage, exit_rate, engine, histories, seed)
    if (exit_rate is None) == (residence is None):
        problem.wrong("exit_rate", "give either exit_rate or residence", hint="without either nothing leaves")
    if residence is not None and not 0 < residence < math.inf:
        problem.wrong("residence", f"{residence} s must be positive")
    if not (isinstance(tanks, int | np.integer) and tanks >= 1):
        problem.wrong("tanks", f"{tanks!r} must be a whole number of at least 1")
    problem.raise_if_wrong()
    if residence is not None:
        rate = tanks / residence
        problem.leave = lambda x: rate
    return (_steady_balance if engine == "balance" else _steady_montecarlo)(problem, int(tanks))


class _Problem:
    """The arguments common to both modes, checked; collects what is wrong with them."""

    def __init__(self, where, edges, feed, selection, breakage, exit_rate, engine, histories, seed):
        self.where, self.problems = where, []
        self.select, self.breakage, self.leave = selection, breakage, exit_rate
        self.histories, self.seed, self.single = histories, seed, math.nan
        if engine not in _ENGINES:
            self.wrong("engine", f"{engine!r} is unknown", " or ".join(_ENGINES))
        self.edges = np.asarray(edges, dtype=float)
        e = self.edges
        if e.ndim != 1 or e.size < 2 or not (e[0] > 0 and np.all(np.diff(e) > 0) and e[-1] < math.inf):
            self.wrong("edges", "must be at least two ascending sizes above 0")
        if not (isinstance(histories, int | np.integer) and histories >= 2):
            self.wrong("histories", f"{histories!r} must be a whole number of at least 2")
        for name, value in (("selection", selection), ("breakage", breakage), ("exit_rate", exit_rate)):
            if not callable(value) and not (name == "exit_rate" and value is None):
                self.wrong(name, "must be a function")
        self.raise_if_wrong()
        self._try_laws()
        self._read_feed(feed)

    def wrong(self, key: str, message: str, allowed: str = "", hint: str = "") -> None:
        """Note one thing wrong."""
        self.problems.append(Problem(self.where, key, message, allowed, hint))

    def raise_if_wrong(self) -> None:
        """InputError with everything noted so far."""
        if self.problems:
            raise InputError(self.problems)

    def _try_laws(self) -> None:
        """Call the laws at a few sizes: slips such as per cent or swapped arguments show at once."""
        for x in (float(self.edges[-1]), float(psd.middles(self.edges)[0])):
            whole, half = float(self.breakage(x, x)), float(self.breakage(0.5 * x, x))
            if not abs(whole - 1) <= 1e-6 or not 0 <= half <= 1:
                message = f"B(x, x) = {whole:g} and B(x/2, x) = {half:g} at x = {x:g}"
                self.wrong("breakage", message, "B(x, x) = 1, all between 0 and 1", "the order is B(y, x), y <= x")
                return

    def _read_feed(self, feed) -> None:
        """Shares of the classes (dust, n classes); a single size has a class of its own behind them."""
        self.cdf = feed if callable(feed) else None
        n = self.edges.size - 1
        self.shares = np.zeros(n)
        try:
            if self.cdf is not None:
                self.shares = psd.feed_shares(self.edges, self.cdf)
                return
            values = np.asarray(feed, dtype=float)
        except (TypeError, ValueError) as error:
            self.wrong("feed", str(error))
            return
        if values.ndim == 0:
            self.single = float(values)
            if not 0 < self.single <= self.edges[-1]:
                self.wrong("feed", f"size {self.single:g} is off the edges", f"up to {self.edges[-1]:g}")
        elif values.shape != (n,) or np.any(values < 0) or not abs(values.sum() - 1) <= 1e-9:
            self.wrong("feed", f"{values.size} shares", f"{n} shares >= 0 that sum to 1")
        else:
            self.shares = values / values.sum()

    # --- sectional ---

    def generator(self) -> tuple[Array, Array, Array]:
        """G, exit rates and feed of [dust, classes, single size or nothing]; see `linear`."""
        sizes = np.concatenate([self.edges[:1], psd.middles(self.edges)])
        floors = np.concatenate([[0.0], self.edges[:-1]])  # what falls below the floor has left the class
        feed = np.concatenate([[0.0], self.shares])
        if not math.isnan(self.single):
            sizes, floors = np.append(sizes, self.single), np.append(floors, self.single)
            feed = np.append(feed, 1.0)
        G = np.zeros((sizes.size, sizes.size))
        for j in range(1, sizes.size):
            G[:, j] = self._column(float(sizes[j]), float(floors[j]), sizes.size)
        leave = np.array([float(self.leave(float(x))) for x in sizes]) if self.leave else np.zeros(sizes.size)
        if not (np.all(np.isfinite(leave)) and np.all(leave >= 0)):
            self.wrong("exit_rate", "must give finite rates >= 0 at every size")
        self.raise_if_wrong()
        return G, leave, feed

    def _column(self, x: float, floor: float, size: int) -> Array:
        """Rates at which size x feeds the finer classes, 1/s."""
        rate = float(self.select(x))
        if not 0 <= rate < math.inf:
            self.wrong("selection", f"S({x:g}) = {rate:g}", "finite and >= 0")
            return np.zeros(size)
        n_below = int(np.searchsorted(self.edges, floor * (1 + 1e-12), side="right"))
        below = np.array([float(self.breakage(float(y), x)) for y in self.edges[:n_below]])
        steps = np.diff(below, prepend=0.0)
        if n_below < self.edges.size and floor == x:  # a single size inside a class: the rest falls there
            steps = np.append(steps, 1.0 - below[-1] if n_below else 1.0)
        if not np.all(np.isfinite(steps)) or np.any(steps < -1e-9) or steps.sum() > 1 + 1e-9:
            self.wrong("breakage", f"B(y, {x:g}) does not rise from 0 to at most 1")
        column = np.zeros(size)
        column[: steps.size] = rate * np.maximum(steps, 0.0)
        return column

    def distribution(self, masses: Array) -> tuple[Array, Array]:
        """Cumulative shares at the edges and totals of masses (..., dust + classes + single)."""
        total = masses.sum(axis=-1)
        n = self.edges.size
        q = np.cumsum(masses[..., :n], axis=-1)
        if masses.shape[-1] > n:
            q += np.where(self.edges >= self.single * (1 - 1e-12), masses[..., n:], 0.0)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.minimum(q / total[..., None], 1.0), total

    # --- Monte Carlo ---

    def compiled(self) -> tuple:
        """Arguments of the Monte Carlo kernels that describe the laws and the feed."""
        from . import freepaths

        S, B = self._compile("selection", self.select, 1), self._compile("breakage", self.breakage, 2)
        E = self._compile("exit_rate", self.leave or _no_exit, 1)
        F = self._compile("feed", self.cdf or _no_exit, 1)
        self.raise_if_wrong()
        mode = freepaths.FEED_CLASSES if math.isnan(self.single) else freepaths.FEED_SINGLE
        mode = freepaths.FEED_CDF if self.cdf is not None else mode
        return S, B, E, mode, self.single, self.edges, psd.cumulative(self.shares), F

    def _compile(self, name: str, function: Callable, arity: int):
        """The function compiled by numba, or a Problem that says why not."""
        from numba.core.errors import NumbaError

        from .jit import user_function

        try:
            return user_function(function, arity)
        except (NumbaError, TypeError, AttributeError) as error:
            reason = next((s.strip() for s in str(error).splitlines() if s.strip()), type(error).__name__)
            hint = "use arithmetic and the math module on floats only"
            self.wrong(name, f"numba cannot compile the function: {reason[:120]}", hint=hint)
            return None

    def chunks(self):
        """(first, last) history of each call of a kernel."""
        from .freepaths import BLOCK, BLOCKS_PER_CALL

        size = BLOCK * BLOCKS_PER_CALL
        for first in range(0, self.histories, size):
            yield first, min(first + size, self.histories)

    def check(self, status: Array) -> None:
        """Turn a kernel's status into an error."""
        from . import freepaths

        worst = int(status.max())
        if worst == freepaths.BAD_RATE:
            self.wrong("selection", "a rate was negative or not finite at some size", "finite and >= 0")
            self.raise_if_wrong()
        if worst == freepaths.NEVER_LEAVES:
            raise NotConverged("no steady state: some size neither breaks nor leaves")
        if worst == freepaths.ENDLESS:
            raise NotConverged(f"a history did not end within {freepaths.MAX_EVENTS} events")


def _no_exit(x):
    return 0.0


def _batch_balance(problem: _Problem, times: Array, exponent: float | None) -> KineticsResult:
    """Batch by classes; the product has classes of its own, so that everything stays one closed system."""
    G, leave, feed = problem.generator()
    n = feed.size
    if problem.leave is None:
        charge = linear.batch(G, linear.losses(G, leave), feed, times)
        gone = np.zeros_like(charge)
    else:
        both = linear.batch(*linear.with_product(G, leave), np.concatenate([np.zeros(n), feed]), times)
        gone, charge = both[:, :n], both[:, n:]
    charge_q3, left = problem.distribution(charge)
    product_q3, product = problem.distribution(gone)
    zeros, none = np.zeros_like(charge_q3), np.zeros_like(left)
    number = np.full(times.size, np.nan)
    if exponent is not None:
        with np.errstate(invalid="ignore", divide="ignore"):
            number = _number(problem, charge, exponent) / left
    return KineticsResult(
        "balance", problem.edges, times, charge_q3, zeros, left, none,
        product_q3, zeros, product, number, none,
    )  # fmt: skip


def _number(problem: _Problem, charge: Array, k: float) -> Array:
    """Sum of mass times x^-k over dust, classes and single size, for masses (times, ...).

    Inside a class mass is spread as x^s dx/x with s from its neighbours: fines carry nearly all particles,
    and a flat class would count h^2/6 too many where mass falls as x^2 (h = width in ln x).
    """
    edges, n = problem.edges, problem.edges.size - 1
    h, middle = np.diff(np.log(edges)), psd.middles(edges)
    log_density = np.log(np.maximum(charge[:, 1 : n + 1] / h, 1e-300))
    s = np.gradient(log_density, np.log(middle), axis=1) if n > 1 else np.zeros_like(log_density)
    s = np.clip(s, -4.0, 4.0)
    inner = charge[:, 1 : n + 1] * middle**-k * _sinhc((s - k) * h / 2) / _sinhc(s * h / 2)
    number = charge[:, 0] * edges[0] ** -k + inner.sum(axis=1)
    return number if math.isnan(problem.single) else number + charge[:, -1] * problem.single**-k


def _sinhc(z: Array) -> Array:
    """sinh(z) / z, 1 at 0."""
    return np.where(np.abs(z) < 1e-4, 1.0 + z * z / 6.0, np.sinh(z) / np.where(z == 0, 1.0, z))


def _steady_balance(problem: _Problem, tanks: int) -> KineticsResult:
    """Steady state by forward substitution, tank by tank."""
    G, leave, feed = problem.generator()
    flow, holdups = linear.tanks_in_series(G, leave, feed, tanks)
    charge_q3, holdup = problem.distribution(holdups.sum(axis=0))
    product_q3, product = problem.distribution(flow)
    zeros, none = np.zeros_like(charge_q3), np.zeros_like(holdup)
    missing = np.full_like(holdup, np.nan)
    return KineticsResult(
        "balance", problem.edges, np.zeros(0), charge_q3, zeros, holdup, none,
        product_q3, zeros, product, missing, none,
    )  # fmt: skip


def _shares_of(counts: Array) -> tuple[Array, Array, Array]:
    """Cumulative shares at the edges, their standard errors and totals from counts (..., n+2)."""
    total = counts.sum(axis=-1).astype(float)
    with np.errstate(invalid="ignore", divide="ignore"):
        q = np.cumsum(counts, axis=-1)[..., :-1] / total[..., None]
        return q, np.sqrt(q * (1 - q) / total[..., None]), total


def _batch_montecarlo(problem: _Problem, times: Array, exponent: float | None) -> KineticsResult:
    """Batch by histories; counts are exact, sums run in a fixed order."""
    from .freepaths import batch_blocks

    laws, n = problem.compiled(), problem.edges.size + 1
    charge, product = np.zeros((times.size, n), int), np.zeros((times.size, n), int)
    sums = np.zeros((times.size, 2))
    for first, last in problem.chunks():
        new = batch_blocks(problem.seed, first, last, *laws, times, float(exponent or 0.0))
        problem.check(new[3])
        charge += new[0].sum(axis=0)
        product += new[1].sum(axis=0)
        for block in new[2]:
            sums += block
    charge_q3, charge_se, left = _shares_of(charge)
    product_q3, product_se, gone = _shares_of(product)
    N = problem.histories
    number = np.full(times.size, np.nan)
    number_se = np.zeros(times.size)
    if exponent is not None:
        with np.errstate(invalid="ignore", divide="ignore"):
            number = sums[:, 0] / left
            number_se = np.sqrt(np.maximum(sums[:, 1] / left - number**2, 0.0) / left)
    left_se = np.sqrt(left / N * (1 - left / N) / N)
    return KineticsResult(
        "montecarlo", problem.edges, times, charge_q3, charge_se, left / N, left_se,
        product_q3, product_se, gone / N, number, number_se, N, problem.seed,
    )  # fmt: skip


def _steady_montecarlo(problem: _Problem, tanks: int) -> KineticsResult:
    """Steady state by histories; hold-up from mean dwell times (a ratio: errors by the delta rule)."""
    from .freepaths import steady_blocks

    laws, n = problem.compiled(), problem.edges.size + 1
    product, sums = np.zeros(n, int), np.zeros((3, n))
    for first, last in problem.chunks():
        new = steady_blocks(problem.seed, first, last, *laws, tanks)
        problem.check(new[2])
        product += new[0].sum(axis=0)
        for block in new[1]:
            sums += block
    N = problem.histories
    product_q3, product_se, _ = _shares_of(product)
    mean, square, cross = sums / N
    q = mean / mean[-1]
    spread = np.maximum(square - 2 * q * cross + q**2 * square[-1], 0.0)
    holdup_se = np.asarray(math.sqrt(max(square[-1] - mean[-1] ** 2, 0.0) / N))
    return KineticsResult(
        "montecarlo", problem.edges, np.zeros(0), q[:-1], np.sqrt(spread / N)[:-1] / mean[-1],
        np.asarray(mean[-1]), holdup_se, product_q3, product_se, np.asarray(1.0),
        np.asarray(np.nan), np.asarray(0.0), N, problem.seed,
    )  # fmt: skip
