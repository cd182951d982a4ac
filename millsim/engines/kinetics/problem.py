"""The arguments of the mill-free solvers: checked, turned into class rates or into compiled laws.

Belongs to `kinetics`, which says what the arguments mean.
"""

import copy
import math
import secrets
from collections.abc import Callable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from ...base.numerics import psd
from ...errors import InputError, NotConverged, Problem
from .jumps import Jumps, breakage_jumps, descended, feed_jumps, jumps
from .userlaw import Law, kernels_take

Array = NDArray[np.float64]
Rate = float | Callable[[float], float]
Breakage = Callable[[float, float], float]
Feed = float | Sequence[float] | Array | Callable[[float], float]
ENGINES = ("balance", "montecarlo")
JUMP_PLACE = 1e-9  # relative: how near a jump is an edge already
SINGLE = 1e-11  # relative width of the class that holds a single size
_GAUSS = np.polynomial.legendre.leggauss(3)  # over a class, or the part of it on one side of a jump


class BreakageProblem:
    """The arguments common to both modes, checked; collects what is wrong with them."""

    def __init__(self, where: str, edges, feed: Feed, laws: tuple, engine: str, histories: float, seed: int | None):
        self.where = where
        self.problems: list[Problem] = []
        self.single = math.nan
        self.added: tuple[float, ...] = ()  # edges that were put where a law jumps
        self.parts: list[float] = []  # y/x at which B jumps
        if engine not in ENGINES:
            self.wrong("engine", f"{engine!r} is unknown", " or ".join(ENGINES))
        self.edges = np.asarray(edges, dtype=float)
        e = self.edges
        if e.ndim != 1 or e.size < 2 or not (e[0] > 0 and np.all(np.diff(e) > 0) and e[-1] < math.inf):
            self.wrong("edges", "must be at least two ascending sizes above 0")
        self.histories, self.seed = self._whole("histories", histories, 2), self._seed(seed)
        selection, breakage, exit_rate = laws
        self.select = self._law("selection", selection, 1)
        self.breakage = self._law("breakage", breakage, 2)
        self.leave = None if exit_rate is None else self._law("exit_rate", exit_rate, 1)
        self.raise_if_wrong()
        self._try_laws()
        self._read_feed(feed)

    def _law(self, name: str, value, arity: int) -> Law:
        """A law from a function, or from a number where it is a rate."""
        number = isinstance(value, int | float | np.number) and arity == 1
        if number and not 0 <= value < math.inf:
            self.wrong(name, f"{value:g} 1/s", "finite and >= 0")
        elif not number and not callable(value):
            self.wrong(name, "must be a function" + " or a constant rate, 1/s" * (arity == 1))
            value = 0.0
        return Law(self.where, name, value, arity)

    def _whole(self, name: str, value, least: int) -> int:
        """A whole number, also where it is written as 1e5."""
        number = isinstance(value, int | float | np.number) and not isinstance(value, bool)
        if not number or not least <= value < 2**53 or value % 1:
            self.wrong(name, f"{value!r} must be a whole number of at least {least}")
            return least
        return int(value)

    def _seed(self, seed) -> int:
        """The seed; drawn, and kept in the result, where it is None."""
        if seed is None:
            return secrets.randbits(62)
        if not (isinstance(seed, int | np.integer) and -(2**63) <= seed < 2**63):
            self.wrong("seed", f"{seed!r} must be a 64-bit whole number or None")
            return 0
        return int(seed)

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
            whole, half = self.breakage(x, x), self.breakage(0.5 * x, x)
            if not abs(whole - 1) <= 1e-6 or not 0 <= half <= 1:
                message = f"B(x, x) = {whole:g}, B(x/2, x) = {half:g} at x = {x:g}"
                self.wrong("breakage", message, "B(x, x) = 1, all within 0 to 1", "the order is B(y, x)")
                return

    def _read_feed(self, feed) -> None:
        """Shares of the classes (dust, n classes); a single size has a class of its own behind them."""
        self.cdf = Law(self.where, "feed", feed, 1) if callable(feed) else None
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

    def refined(self, edges: Array) -> "BreakageProblem":
        """The same problem on edges that hold the old ones; inside an old class feed is uniform in ln x."""
        fine = copy.copy(self)
        fine.edges = edges
        fine.shares = np.diff(psd.q_at(self.edges, psd.cumulative(self.shares), edges))
        if self.cdf is not None:
            fine.shares = psd.feed_shares(edges, self.cdf)
        return fine

    def halved(self) -> "BreakageProblem":
        """The same problem with every class cut in two at its geometric middle."""
        edges = np.empty(2 * self.edges.size - 1)
        edges[::2], edges[1::2] = self.edges, psd.middles(self.edges)
        return self.refined(edges)

    def cut(self, breaks) -> "BreakageProblem":
        """The same problem with an edge at each size where a law jumps, and a narrow class for each single size.

        Such sizes are those given, for which both is done, and those found.
        """
        given = np.atleast_1d(np.asarray(breaks, dtype=float))
        if given.ndim != 1 or not np.all(np.isfinite(given) & (given > 0)):
            self.wrong("breaks", "must be sizes above 0")
            self.raise_if_wrong()
        daughters = breakage_jumps(self.breakage, self.edges)
        feed = feed_jumps(self.cdf, self.edges) if self.cdf is not None else Jumps([], [], [])
        cuts = [x for law in (self.select, self.leave) if law for x in jumps(law, self.edges)]
        singles = [*given.tolist(), *feed.singles, *daughters.singles]
        alone = [*singles, *([] if math.isnan(self.single) else [self.single])]
        singles += [x for x in descended(alone, daughters.parts, float(self.edges[0])) if x not in alone]
        cuts = descended([*feed.cuts, *cuts, *daughters.cuts], daughters.parts, float(self.edges[0]))
        fine = self._with_edges(cuts, singles)
        fine.parts = daughters.parts
        return fine

    def _with_edges(self, cuts: list[float], singles: list[float]) -> "BreakageProblem":
        """The same problem with more edges: at cuts, and at single sizes and just below them."""
        edges, added = list(self.edges), []
        for x in sorted({*cuts, *singles}):
            if self.edges[0] < x < self.edges[-1] and min(abs(x / e - 1) for e in edges) > JUMP_PLACE:
                added.append(x)
                edges.append(x)
        at = np.array(sorted(edges))
        nearest = {float(at[np.argmin(np.abs(at / x - 1))]) for x in singles if self.edges[0] < x <= self.edges[-1]}
        fine = self.refined(np.array(sorted([*edges, *(e * (1 - SINGLE) for e in nearest)])))
        fine.added = tuple(map(float, added))
        return fine

    # --- sectional ---

    def generator(self) -> tuple[Array, Array, Array]:
        """G, exit rates and feed of [dust, classes, single size or nothing]; see `linear`."""
        narrow = self.edges[1:] < self.edges[:-1] * (1 + 2 * SINGLE)
        middles = np.where(narrow, self.edges[1:], psd.middles(self.edges))
        sizes = np.concatenate([self.edges[:1], middles])
        floors = np.concatenate([[0.0], self.edges[:-1]])  # what falls below the floor has left the class
        feed = np.concatenate([[0.0], self.shares])
        if not math.isnan(self.single):
            sizes, floors = np.append(sizes, self.single), np.append(floors, self.single)
            feed = np.append(feed, 1.0)
        G = np.zeros((sizes.size, sizes.size))
        for j in range(1, sizes.size):
            G[:, j] = self._column(float(sizes[j]), float(floors[j]), sizes.size)
            if self.parts and j < self.edges.size and not narrow[j - 1]:
                G[:j, j] = self._mean_column(float(self.edges[j - 1]), float(self.edges[j]))
        leave = np.array([self.leave(float(x)) for x in sizes]) if self.leave else np.zeros(sizes.size)
        if not (np.all(np.isfinite(leave)) and np.all(leave >= 0)):
            self.wrong("exit_rate", "must give finite rates >= 0 at every size")
        self.raise_if_wrong()
        return G, leave, feed

    def _column(self, x: float, floor: float, size: int) -> Array:
        """Rates at which size x feeds the finer classes, 1/s."""
        rate = self.select(x)
        if not 0 <= rate < math.inf:
            self.wrong("selection", f"S({x:g}) = {rate:g}", "finite and >= 0")
            return np.zeros(size)
        n_below = int(np.searchsorted(self.edges, floor * (1 + 1e-12), side="right"))
        below = np.array([self.breakage(float(y), x) for y in self.edges[:n_below]])
        steps = np.diff(below, prepend=0.0)
        if n_below < self.edges.size and floor == x:  # a single size inside a class: the rest falls there
            steps = np.append(steps, 1.0 - below[-1] if n_below else 1.0)
        if not np.all(np.isfinite(steps)) or np.any(steps < -1e-9) or steps.sum() > 1 + 1e-9:
            self.wrong("breakage", f"B(y, {x:g}) does not rise from 0 to at most 1")
        column = np.zeros(size)
        column[: steps.size] = rate * np.maximum(steps, 0.0)
        return column

    def _mean_column(self, low: float, high: float) -> Array:
        """Mean over a class of the rates at which it feeds the finer ones, where B(y, x) jumps as x passes y/part."""
        below = [self._mean_rate(float(y), low, high) for y in self.edges[self.edges <= low]]
        return np.diff(np.maximum.accumulate(below), prepend=0.0)

    def _mean_rate(self, y: float, low: float, high: float) -> float:
        """Mean of S(x) B(y, x) over a class, even in ln x; B is smooth on each side of its jumps."""
        ends = [low, *sorted(y / part for part in self.parts if low < y / part < high), high]
        total = 0.0
        for a, b in zip(ends[:-1], ends[1:], strict=True):
            for t, w in zip(*_GAUSS, strict=True):
                x = a * (b / a) ** (0.5 * (1.0 + t))
                total += 0.5 * w * math.log(b / a) * self.select(x) * self.breakage(y, x)
        return total / math.log(high / low)

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

        none = Law(self.where, "exit_rate", 0.0, 1)
        self.laws = [self.select, self.breakage, self.leave or none, self.cdf or none]
        sizes = psd.middles(self.edges)
        S, B, E, F = kernels_take(self.laws, [float(x) for x in sizes[:: max(1, sizes.size // 20)]])
        mode = freepaths.FEED_CLASSES if math.isnan(self.single) else freepaths.FEED_SINGLE
        mode = freepaths.FEED_CDF if self.cdf is not None else mode
        return S, B, E, mode, self.single, self.edges, psd.cumulative(self.shares), F

    def chunks(self) -> Iterator[tuple[int, int]]:
        """(first, last) history of each call of a kernel."""
        from .freepaths import BLOCK, BLOCKS_PER_CALL

        size = BLOCK * BLOCKS_PER_CALL
        for first in range(0, self.histories, size):
            yield first, min(first + size, self.histories)

    def check(self, status: Array) -> None:
        """Turn a kernel's status into an error."""
        from . import freepaths

        for law in self.laws:
            if law.failed:
                raise law.failed
        worst = int(status.max())
        if worst == freepaths.BAD_RATE:
            self.wrong("selection", "a rate was negative or not finite at some size", "finite and >= 0")
            self.raise_if_wrong()
        if worst == freepaths.NEVER_LEAVES:
            raise NotConverged("no steady state: some size neither breaks nor leaves")
        if worst == freepaths.ENDLESS:
            raise NotConverged(f"a history did not end within {freepaths.MAX_EVENTS} events")
