"""The arguments of the mill-free solvers: checked, turned into class rates or into compiled laws.

Belongs to `kinetics`, which says what the arguments mean.
"""

import copy
import math
from collections.abc import Callable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from ...base.numerics import psd
from ...errors import InputError, NotConverged, Problem

Array = NDArray[np.float64]
Rate = Callable[[float], float]
Breakage = Callable[[float, float], float]
Feed = float | Sequence[float] | Array | Callable[[float], float]
ENGINES = ("balance", "montecarlo")


class BreakageProblem:
    """The arguments common to both modes, checked; collects what is wrong with them."""

    def __init__(self, where: str, edges, feed: Feed, laws: tuple, engine: str, histories: int, seed: int):
        selection, breakage, exit_rate = laws
        self.where = where
        self.problems: list[Problem] = []
        self.select, self.breakage, self.leave = selection, breakage, exit_rate
        self.histories, self.seed, self.single = histories, seed, math.nan
        if engine not in ENGINES:
            self.wrong("engine", f"{engine!r} is unknown", " or ".join(ENGINES))
        self.edges = np.asarray(edges, dtype=float)
        e = self.edges
        if e.ndim != 1 or e.size < 2 or not (e[0] > 0 and np.all(np.diff(e) > 0) and e[-1] < math.inf):
            self.wrong("edges", "must be at least two ascending sizes above 0")
        if not (isinstance(histories, int | np.integer) and histories >= 2):
            self.wrong("histories", f"{histories!r} must be a whole number of at least 2")
        if not (isinstance(seed, int | np.integer) and -(2**63) <= seed < 2**63):
            self.wrong("seed", f"{seed!r} must be a 64-bit whole number")
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
                message = f"B(x, x) = {whole:g}, B(x/2, x) = {half:g} at x = {x:g}"
                self.wrong("breakage", message, "B(x, x) = 1, all within 0 to 1", "the order is B(y, x)")
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

    def halved(self) -> "BreakageProblem":
        """The same problem with every class cut in two at its geometric middle."""
        fine = copy.copy(self)
        n = self.edges.size - 1
        fine.edges = np.empty(2 * n + 1)
        fine.edges[::2], fine.edges[1::2] = self.edges, psd.middles(self.edges)
        halves = np.repeat(self.shares / 2, 2)
        fine.shares = halves if self.cdf is None else psd.feed_shares(fine.edges, self.cdf)
        return fine

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

    def _compile(self, name: str, function: Callable, arity: int) -> Callable | None:
        """The function compiled by numba, or a Problem that says why not."""
        from numba.core.errors import NumbaError

        from ...base.numerics.jit import user_function

        try:
            return user_function(function, arity)
        except (NumbaError, TypeError, AttributeError) as error:
            reason = next((s.strip() for s in str(error).splitlines() if s.strip()), type(error).__name__)
            hint = "use arithmetic and the math module on floats only"
            self.wrong(name, f"numba cannot compile the function: {reason[:120]}", hint=hint)
            return None

    def chunks(self) -> Iterator[tuple[int, int]]:
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
