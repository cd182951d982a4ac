"""A mill and its sieve turn by turn: frozen state, what goes back, the chamber settled anew, until nothing changes.

The largest rate is found in two ways. All that goes through the mill stands at a limit there; but the fuller a mill,
the less of its powder may pass the sieve, and then more fresh feed goes through less charge. So what fills with fresh
feed, as in a workshop, is tried beyond that, and climbed to where more charge carries less.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import chain
from math import exp, log
from typing import NamedTuple

import numpy as np

from ...base.numerics import psd
from ...engines.balance import march
from ...engines.fates import fill_fates
from ...engines.records import new_work
from ...errors import unsettled
from ...forecast.assemble import told
from ...forecast.outcome import Outcome, grid_of, solve
from ...mill.chamber import strike_energies
from ...mill.problem import Setup, fed_shares
from ...record.limits import CANNOT, CHAMBER, LIMITS, OK, cannot_run_words, status_words
from .climb import climb
from .mixing import STUCK, TURNS, Mixing, goes_on

NAN, INF = float("nan"), float("inf")
MOST_LOAD = 1000.0  # kg sent back per kg of fresh feed; beyond it there is nothing to be had (assumed)
TOLERANCE, SETTLE = 1e-9, 1e-11
ROUGH = 1e-6  # of the search for the largest rate, which is known no better
CLOSE, CLOSE_ROUGH = 1e-14, 1e-8  # of ln(total feed) at a frozen state; rough: of a draw, known to 1e-5
BACK_OFF = (1e-6, 1e-5, 1e-4, 1e-3)  # how far below the largest rate the circuit is settled to TOLERANCE
JITTER = 5e-3  # of fresh feed at a limit: the mill's own largest rate is known no better where its state jumps there
MORE = 3e-3  # of fresh feed at a limit, how much more is tried
LESS, TRIES = 0.7, 12  # of fresh feed, what is tried next and how often where no circuit is found at a limit
NEAR = 1e-3  # of a load, how near to 1 it binds


@dataclass(frozen=True)
class SieveCut:
    """The external sieve: aperture [m], and the share of what is finer that does pass.

    partition: share that passes by size [m], for sizes below the aperture, in place of one efficiency for all.
    """

    aperture_m: float
    efficiency: float = 1.0
    partition: Callable[[np.ndarray], np.ndarray] | None = None

    def passes(self, edges: np.ndarray) -> np.ndarray:
        """Share (n,) of each class that passes; the aperture is a class bound, and nothing coarser passes."""
        x = psd.middles(edges)
        share = np.full(x.size, self.efficiency) if self.partition is None else np.asarray(self.partition(x), float)
        return np.where(edges[1:] <= self.aperture_m * (1.0 + 1e-9), np.clip(share, 0.0, 1.0), 0.0)


@dataclass(frozen=True)
class Circuit:
    """A mill and its sieve at steady state, SI; energies per kilogram of accepted powder (inf where there is none).

    closed: the oversize goes back; else it is set aside, returned_kg_s is 0 and returned_q3 is that of what is set
    aside. Q3 (n+1,) at edges_m, NaN where there is nothing. residual: what one more turn would change, the largest of
    mixture (shares), accepted over fresh, and chamber state.
    """

    aperture_m: float
    efficiency: float
    closed: bool
    code: int  # record.limits: OK, OVER, CANNOT
    reason: str  # why it cannot work, else ""
    binding: str  # limit that binds or comes nearest, on all that goes through the mill
    fresh_kg_s: float
    total_kg_s: float
    returned_kg_s: float
    circulating_load: float  # returned over fresh
    accepted_kg_s: float
    electrical_W: float
    gross_J_kg: float
    net_J_kg: float
    outlet_temperature_K: float
    holdup_kg: float
    x10_m: float
    x50_m: float
    x90_m: float
    edges_m: np.ndarray
    accepted_q3: np.ndarray
    returned_q3: np.ndarray
    mill_feed_q3: np.ndarray
    residual: float
    turns: int
    outcome: Outcome

    @property
    def status(self) -> str:
        """In words, as of a prediction."""
        return status_words(self.code, self.binding)

    @property
    def oversize_kg_s(self) -> float:
        """What the sieve does not let through: returned, or set aside."""
        return self.total_kg_s - self.accepted_kg_s

    @property
    def yield_share(self) -> float:
        """Share of what leaves the mill that passes the sieve, at each pass."""
        return self.accepted_kg_s / self.total_kg_s if self.total_kg_s > 0.0 else NAN


class Going(NamedTuple):
    """A circuit that runs: its mill, all that goes through it, the fresh feed [kg/s], what the mill is fed with."""

    outcome: Outcome
    total: float
    fresh: float
    mix: np.ndarray
    residual: float
    binding: str = ""  # where that is not the mill's


def verdict(code: int, total: float, passed: float, binding: str) -> tuple[int, str]:
    """(code, reason) of a mill from which `passed` of `total` kg/s is accepted."""
    if code == CANNOT:
        return CANNOT, cannot_run_words(binding)
    if not passed * MOST_LOAD > total:
        return CANNOT, f"less than one part in {MOST_LOAD:.0f} of what leaves the mill passes the sieve"
    return code, ""


def nothing(c: Circuit, reason: str) -> Circuit:
    """The record of a circuit that cannot work for want of what passes its sieve."""
    none = np.full_like(c.accepted_q3, NAN)
    return replace(
        c, code=CANNOT, reason=reason, fresh_kg_s=0.0, total_kg_s=0.0, returned_kg_s=0.0, circulating_load=INF,
        accepted_kg_s=0.0, gross_J_kg=INF, net_J_kg=INF, x10_m=NAN, x50_m=NAN, x90_m=NAN, accepted_q3=none,
    )  # fmt: skip


@dataclass
class Loop:
    """One mill with its sieve on its way to a steady state."""

    problem: Setup
    cut: SieveCut
    mill: np.ndarray
    tolerance: float = TOLERANCE
    turns: int = 0

    def __post_init__(self) -> None:
        feed = fed_shares(self.problem, self.mill)
        if feed is not self.problem.feed:  # a draw whose feed is finer or coarser: from here on it is mixed
            self.problem, self.mill = replace(self.problem, feed=feed), self.mill.copy()
            self.mill["feed_shift"] = 0.0
        self.passes = self.cut.passes(self.problem.edges)
        self.grid = grid_of(self.problem, self.mill)
        self.settle = SETTLE if self.tolerance < ROUGH else ROUGH
        self.close = CLOSE if self.tolerance < ROUGH else CLOSE_ROUGH

    def mixture(self, fresh_kg_s: float, product: np.ndarray) -> tuple[float, np.ndarray]:
        """(total feed [kg/s], its class shares (n,)): fresh feed and what the sieve sends back of the product."""
        flow = fresh_kg_s * self.problem.feed + (1.0 - self.passes) * product
        total = float(flow.sum())
        return total, flow / total

    def solved(self, mix: np.ndarray, rate_kg_s: float | None) -> Outcome:
        """The mill fed with a mixture."""
        self.turns += 1
        return solve(replace(self.problem, feed=mix), rate_kg_s, self.mill, self.settle)

    def frozen(self, o: Outcome, fresh_kg_s: float) -> np.ndarray:
        """What leaves the mill (n,) [kg/s] in the closed circuit at the frozen state of an outcome."""
        work = new_work(self.problem.x.size)
        work = work._replace(table=o.table, escape=o.escape * self.passes, strikes=o.strikes, lots=o.lots)
        strike_energies(self.mill[0], o.state, work.hits[0])
        fill_fates(self.grid, work)
        march(self.mill[0], self.grid, work, fresh_kg_s * self.problem.feed, 0.0, work.mass, work.mass, work.flows[0])
        return o.escape * work.mass

    def frozen_to(self, o: Outcome, total: float, fresh_kg_s: float) -> tuple[float, np.ndarray]:
        """(fresh feed, what leaves the mill) of the frozen circuit whose total feed is the one given.

        Total rises with fresh feed, in proportion but for the screening in nips; found by secants within a bracket.
        """
        low, high = -INF, np.log(total)
        ln_F, before, h_before = min(np.log(fresh_kg_s), high), NAN, NAN
        for _ in range(200):
            product = self.frozen(o, float(np.exp(ln_F)))
            h = np.log(self.mixture(float(np.exp(ln_F)), product)[0] / total)
            if abs(h) < self.close or high - low < 1e-15:
                break
            low, high = (ln_F, high) if h < 0.0 else (low, ln_F)
            slope = (h - h_before) / (ln_F - before) if np.isfinite(h - h_before) else 1.0
            before, h_before = ln_F, h
            ln_F = ln_F - h / slope if slope > 0.0 and np.isfinite(h) else NAN
            if not low < ln_F < high:
                ln_F = 0.5 * (low + high) if low > -INF else high - 1.0
            if abs(ln_F - before) < 1e-15:  # the total is known no better
                break
        return float(np.exp(ln_F)), product

    def at_fresh(self, fresh_kg_s: float, start: Going | None = None, tolerance: float = 0.0) -> Going | None:
        """The circuit at a rate of fresh feed; None where a limit is passed on the way, or it gets nowhere.

        It fills with fresh feed from the first pass on, unless there is another to start from. tolerance: of mixture
        and rates, where the loop's own is closer.
        """
        total, mix, tolerance = fresh_kg_s, self.problem.feed, max(tolerance, self.tolerance)
        if start is not None:
            total, mix = fresh_kg_s * start.total / start.fresh, start.mix
        mixing = Mixing()
        for _ in range(TURNS):
            o = self.solved(mix, total)
            if o.code != OK:
                return None
            new_total, new = self.mixture(fresh_kg_s, self.frozen(o, fresh_kg_s))
            if not new_total < MOST_LOAD * fresh_kg_s:
                return None  # as fast as it can grind will tell
            residual = self.residual(o, mix, new, fresh_kg_s)
            if max(residual, abs(new_total / total - 1.0)) <= tolerance:
                return Going(o, total, fresh_kg_s, mix, residual)
            mix, total = mixing.after(mix, total, new, new_total)
        return None

    def at_most(self) -> Going | Circuit:
        """The circuit at the largest rate of fresh feed; the record of one that cannot work."""
        limit = self.at_limit()
        if isinstance(limit, Circuit):
            return limit
        most = self.filled_from(limit)
        if self.tolerance >= ROUGH:
            return most
        found = self.below(most)
        if found.fresh > (1.0 - 2.0 * BACK_OFF[-1]) * most.fresh:
            return found
        return self.below(self.filled_from(found))  # it jumped to another circuit, which may take more

    def filled_from(self, most: Going) -> Going:
        """The circuit at the largest rate, from one on, as long as one with a little more fresh feed fills."""
        for _ in range(TRIES):
            fills = self.at_fresh((1.0 + MORE) * most.fresh, tolerance=ROUGH)
            if fills is None:
                break
            most = self.climbed(fills)
        return most

    def at_limit(self) -> Going | Circuit:
        """The circuit in which all that goes through the mill, fresh and returned, is at its limit.

        Where that is not found, one that fills with less; the record of a circuit that cannot work.
        """
        mix, before, left, swings = self.problem.feed, NAN, INF, False
        changes: list[float] = []
        while goes_on(changes):
            o = self.solved(mix, None)
            total = float(o.state["F"])
            if o.code == CANNOT:
                return self.circuit(o, True, *verdict(CANNOT, total, 0.0, o.binding), 0.0, mix, o.residual)
            fresh, product = self.frozen_to(o, total, total * float(self.passes @ o.product) / float(o.product.sum()))
            code, reason = verdict(OK, total, fresh, o.binding)
            if code == CANNOT:
                return self.circuit(o, True, code, reason, 0.0, mix, o.residual)
            _, new = self.mixture(fresh, product)
            change = max(float(np.abs(new - mix).max()), abs(np.log(fresh / before)) if before == before else INF)
            found = Going(o, total, fresh, mix, change)
            if change <= max(ROUGH, self.tolerance):
                return found
            changes.append(change)
            swings = swings or change > left  # to and fro between two mixtures; then half way
            mix, before, left = 0.5 * (mix + new) if swings else new, fresh, change
        if min(changes[-STUCK:]) < changes[-1] and max(changes[-STUCK:]) <= JITTER:  # to and fro, by no more than that
            return found
        fills = (self.at_fresh(fresh * LESS**k, tolerance=ROUGH) for k in range(1, TRIES))
        less = next(filter(None, fills), None)
        if less is None:
            raise unsettled("the circuit of mill and sieve")
        return less

    def climbed(self, start: Going) -> Going:
        """The circuit with most fresh feed, from one that fills up below it on, by all that goes through the mill."""
        found, last = {log(start.total): start}, start

        def fresh(ln_total: float) -> float:
            nonlocal last
            new = self.at_total(exp(ln_total), last.fresh * exp(ln_total) / last.total, last.mix)
            if new is None:
                return -INF
            found[ln_total] = last = new
            return log(new.fresh)

        most = found[climb(fresh, log(start.total), log(start.fresh))]
        return most if most.outcome.loads.max() > 1.0 - NEAR else most._replace(binding=LIMITS[CHAMBER])

    def below(self, most: Going) -> Going:
        """The circuit just below the largest rate, settled to the tolerance.

        Where more charge carries less, a total just below may belong to another circuit, or be known too badly. Then
        the circuit is filled as in a workshop: with fresh feed, from the first pass on. Where that leads nowhere it is
        told at the largest rate, to ROUGH.
        """
        backed = [1.0 - share for share in BACK_OFF]
        ways = chain(
            (self.at_total(b * most.total, most.fresh, most.mix, self.tolerance) for b in backed),
            (self.filled(b * most.fresh) for b in backed),
        )
        found = next(filter(None, ways), most if most.residual <= ROUGH else None)
        if found is None:
            raise unsettled("the circuit just below the largest rate of its mill")
        return found._replace(binding=most.binding or most.outcome.binding)

    def less_than(self, most: Going, fresh_kg_s: float) -> Going | None:
        """The circuit at less fresh feed than `most`, by all that goes through the mill, to ROUGH; or before a leap."""
        found, under, ln_total, goal = most, None, log(most.total), log(fresh_kg_s)
        low, high, rise = -INF, ln_total, 1.0
        for _ in range(2 * TRIES):
            before, ln_total = ln_total, ln_total + (goal - log(found.fresh)) / rise
            if not low < ln_total < high:
                ln_total = 0.5 * (low + high) if low > -INF else high - 1.0
            g = self.at_total(exp(ln_total), found.fresh * exp(ln_total) / found.total, found.mix)
            if g is None:
                low, ln_total = max(low, ln_total), before
                continue
            rise = max(0.1, log(g.fresh / found.fresh) / (ln_total - before)) if ln_total != before else rise
            found, miss = g, log(g.fresh) - goal
            if abs(miss) <= ROUGH:
                return g
            low, high, under = (ln_total, high, g) if miss < 0.0 else (low, ln_total, under)
        return under

    def told(self, g: Going) -> Circuit:
        """The record of a circuit that runs."""
        found = self.circuit(g.outcome, True, OK, "", g.fresh, g.mix, g.residual)
        return replace(found, binding=g.binding or found.binding)

    def at_total(self, total: float, fresh_kg_s: float, mix: np.ndarray, tolerance: float = ROUGH) -> Going | None:
        """The circuit at a total feed; None where that is over a limit, or gets no nearer to one circuit."""
        residuals, mixing = list[float](), Mixing()
        while goes_on(residuals):
            o = self.solved(mix, total)
            if o.code != OK:
                return None
            new_fresh, product = self.frozen_to(o, total, fresh_kg_s)
            _, new = self.mixture(new_fresh, product)
            residuals.append(self.residual(o, mix, new, fresh_kg_s))
            if residuals[-1] <= max(tolerance, self.tolerance):
                return Going(o, total, fresh_kg_s, mix, residuals[-1])
            mix, fresh_kg_s = mixing.after(mix, fresh_kg_s, new, new_fresh)
        return None

    def filled(self, fresh_kg_s: float) -> Going | None:
        """The circuit that fills with fresh feed, to ROUGH, which is as well as a state near its largest rate is known.

        A pass on the way may ask more than the mill takes of what it is then; None where the last one does.
        """
        total, mix, residuals, mixing = fresh_kg_s, self.problem.feed, list[float](), Mixing()
        while goes_on(residuals):
            o = self.solved(mix, total)
            if o.code == CANNOT:
                return None
            new_total, new = self.mixture(fresh_kg_s, self.frozen(o, fresh_kg_s))
            residuals.append(max(self.residual(o, mix, new, fresh_kg_s), abs(new_total / total - 1.0)))
            if o.code == OK and residuals[-1] <= ROUGH:
                return Going(o, total, fresh_kg_s, mix, residuals[-1])
            mix, total = mixing.after(mix, total, new, new_total)
        return None

    def residual(self, o: Outcome, mix: np.ndarray, new: np.ndarray, fresh_kg_s: float) -> float:
        """Largest of what is left open: mixture, accepted over fresh, chamber state."""
        accepted = float(self.passes @ o.product)
        return max(float(np.abs(new - mix).max()), abs(accepted / fresh_kg_s - 1.0), float(o.residual))

    def circuit(
        self, o: Outcome, is_closed: bool, code: int, reason: str, fresh: float, mix: np.ndarray, residual: float
    ) -> Circuit:
        """The record of a solved mill and its sieve."""
        runs = code != CANNOT
        accepted, back = self.passes * o.product, (1.0 - self.passes) * o.product
        v = told(replace(self.problem, feed=mix), o, NAN, self.mill).values
        rate = float(accepted.sum()) if runs else 0.0
        electrical, idle = v["electrical_power_W"], v["idle_power_W"]
        q3 = _curve(accepted) if runs else np.full(mix.size + 1, NAN)
        x10, x50, x90 = (psd.curve_x_at(self.problem.edges, q3, p) if runs else NAN for p in (0.1, 0.5, 0.9))
        returned = float(back.sum()) if is_closed and runs else 0.0
        return Circuit(
            self.cut.aperture_m, self.cut.efficiency, is_closed, code, reason, o.binding,
            fresh_kg_s=fresh, total_kg_s=float(o.product.sum()) if runs else 0.0, returned_kg_s=returned,
            circulating_load=returned / fresh if runs else NAN if o.code == CANNOT else INF,
            accepted_kg_s=rate, electrical_W=electrical,
            gross_J_kg=electrical / rate if runs else INF, net_J_kg=(electrical - idle) / rate if runs else INF,
            outlet_temperature_K=v["outlet_temperature_K"], holdup_kg=v["holdup_kg"],
            x10_m=x10, x50_m=x50, x90_m=x90, edges_m=self.problem.edges, accepted_q3=q3, returned_q3=_curve(back),
            mill_feed_q3=np.minimum(psd.cumulative(mix), 1.0), residual=float(residual), turns=self.turns, outcome=o,
        )  # fmt: skip


def _curve(flow: np.ndarray) -> np.ndarray:
    """Q3 (n+1,) of class flows; NaN where nothing flows."""
    total = flow.sum()
    return np.minimum(psd.cumulative(flow / total), 1.0) if total > 0.0 else np.full(flow.size + 1, NAN)
