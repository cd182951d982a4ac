"""A mill with a sieve after it: through once, or a closed circuit whose oversize goes back to the mill.

The closed circuit is solved for its steady state: what passes the sieve weighs as much as the fresh feed. At a frozen
chamber state the circuit is a geometric series (every pass leaves the share R: circulating load R/(1-R)), and that
series has a closed form: a piece that the sieve sends back has not left, so the circuit is the same mill whose escape
rates are lowered to the share that passes. One march solves it; round it the chamber state, which feels the whole
feed, is settled anew until mixture and rate no longer change. Compare Austin, Klimpel & Luckie 1984, Process
Engineering of Size Reduction, on closed circuits (from memory).

Taken, not measured: the oversize has cooled to the temperature of the feed before it goes back; the sieve cuts at its
aperture, sizes being sieve sizes; what it draws itself is not counted.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import chain

import numpy as np

from ...base.numerics import psd
from ...base.reading.key import AS_MUCH
from ...engines.balance import march
from ...engines.fates import fill_fates
from ...engines.records import new_work
from ...errors import InputError, Problem, unsettled
from ...forecast.assemble import powder_temperature, told
from ...forecast.outcome import Outcome, grid_of, solve
from ...mill.chamber import strike_energies
from ...mill.config.mill import Config
from ...mill.problem import Setup, build, fed_shares
from ...record.limits import CANNOT, OK, OVER, cannot_run_words, status_words

NAN, INF = float("nan"), float("inf")
FINEST_M, COARSEST_M = 20e-6, 30e-3  # apertures taken; the finest woven sieve of ISO 3310-1 has 20 um (from memory)
WORST_EFFICIENCY = 0.05
MOST_LOAD = 1000.0  # kg sent back per kg of fresh feed; beyond it there is nothing to be had (assumed)
TOLERANCE, SETTLE = 1e-9, 1e-11
ROUGH = 1e-6  # of the search for the largest rate, which is known no better
CLOSE, CLOSE_ROUGH = 1e-14, 1e-8  # of ln(total feed) at a frozen state; rough: of a draw, known to 1e-5
BACK_OFF = (1e-6, 1e-5, 1e-4, 1e-3)  # how far below the largest rate the circuit is settled to TOLERANCE
TURNS, STUCK = 100, 8  # at most; and those in which what is left open must halve


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


NO_SIEVE = SieveCut(INF)


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


def closed(
    config: Config, aperture_m: float, efficiency: float = 1.0, class_ratio: float | None = None,
    partition: Callable[[np.ndarray], np.ndarray] | None = None,
) -> Circuit:  # fmt: skip
    """The mill of a config closed with a sieve, at the config's rate of fresh feed or as fast as it can grind.

    Raises InputError for a batch or a sieve that makes no sense, NotConverged where no steady state is found.
    """
    cut = SieveCut(aperture_m, efficiency, partition)
    return close(ready(config, cut, class_ratio), cut, config.feed.rate_kg_s)


def once(
    config: Config, aperture_m: float, efficiency: float = 1.0, class_ratio: float | None = None,
    partition: Callable[[np.ndarray], np.ndarray] | None = None,
) -> Circuit:  # fmt: skip
    """The same mill and sieve with the oversize set aside: every piece goes through the mill once."""
    cut = SieveCut(aperture_m, efficiency, partition)
    return through(ready(config, cut, class_ratio), cut, config.feed.rate_kg_s)


def ready(config: Config, cut: SieveCut, class_ratio: float | None = None) -> Setup:
    """The problem with the aperture as a class bound; a calibration counts as at the open mill's temperature.

    Raises InputError with all that stands against the circuit.
    """
    wrong = [*wrong_cut(cut), *wrong_feed(config)]
    if wrong:
        raise InputError(wrong)
    bounds = (cut.aperture_m,) if np.isfinite(cut.aperture_m) else ()
    problem = build(config, class_ratio, bounds_m=bounds)
    if problem.calibration:
        o = solve(problem, config.feed.rate_kg_s)
        outlet = float(max(o.state["T"], powder_temperature(o)))
        problem = build(config, class_ratio, outlet, bounds)
    return problem


def wrong_cut(cut: SieveCut) -> list[Problem]:
    """What no sieve is."""
    wrong = []
    if not (FINEST_M * (1.0 - 1e-9) <= cut.aperture_m <= COARSEST_M * (1.0 + 1e-9) or cut == NO_SIEVE):
        wrong.append(Problem("the sieve", "", f"an aperture of {cut.aperture_m * 1e3:.4g} mm", "0.02 mm to 30 mm"))
    if not WORST_EFFICIENCY <= cut.efficiency <= 1.0:
        wrong.append(Problem("the sieve", "", f"an efficiency of {cut.efficiency:.4g}", f"{WORST_EFFICIENCY:g} to 1"))
    return wrong


def wrong_feed(config: Config) -> list[Problem]:
    """A batch, which no steady circuit is made of."""
    if config.feed.batch_mass_kg is None:
        return []
    message, hint = "is a batch, and a circuit runs steadily", f'give feed.rate instead, such as "{AS_MUCH}"'
    return [Problem(str(config.path or "config"), "feed.batch_mass", message, hint=hint)]


def through(
    problem: Setup, cut: SieveCut, rate_kg_s: float | None, mill: np.ndarray | None = None,
    tolerance: float | None = None,
) -> Circuit:  # fmt: skip
    """Mill and sieve with the oversize set aside; tolerance of the chamber state: default the config's."""
    loop = Loop(problem, cut, problem.mill if mill is None else mill)
    o = solve(loop.problem, rate_kg_s, loop.mill, tolerance)
    total = float(o.state["F"])
    passed = float(loop.passes @ o.product)
    code, reason = _verdict(o.code if rate_kg_s is not None or o.code != OVER else OK, total, passed, o.binding)
    return loop.circuit(o, False, code, reason, total, loop.problem.feed, o.residual, 1)


def close(
    problem: Setup, cut: SieveCut, rate_kg_s: float | None, mill: np.ndarray | None = None, tolerance: float = TOLERANCE
) -> Circuit:
    """The steady closed circuit of a problem that has the aperture as a class bound (`ready`).

    rate_kg_s: fresh feed, or None for as much as the mill takes, fresh and returned together. mill: another (1,)
    record. With a tolerance above ROUGH the last, tight turns are left out.
    """
    loop = Loop(problem, cut, problem.mill if mill is None else mill, tolerance)
    found = loop.at_fresh(rate_kg_s) if rate_kg_s is not None else None
    if found is not None:
        return found
    most = loop.at_most()
    if rate_kg_s is None or most.code == CANNOT:
        return most
    if most.fresh_kg_s <= rate_kg_s * (1.0 + 1e-4):
        return replace(most, code=OVER)
    again = loop.at_fresh(rate_kg_s, most)  # the way there went over a limit, the end does not
    if again is None:
        raise unsettled(f"the circuit, which takes {3600 * most.fresh_kg_s:.3g} kg/h, at a smaller rate")
    return again


def _verdict(code: int, total: float, passed: float, binding: str) -> tuple[int, str]:
    """(code, reason) of a mill from which `passed` of `total` kg/s is accepted."""
    if code == CANNOT:
        return CANNOT, cannot_run_words(binding)
    if not passed * MOST_LOAD > total:
        return CANNOT, f"less than one part in {MOST_LOAD:.0f} of what leaves the mill passes the sieve"
    return code, ""


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
        march(self.mill[0], self.grid, work, fresh_kg_s * self.problem.feed, 0.0, work.mass, work.flows[0])
        return o.escape * work.mass

    def frozen_to(self, o: Outcome, total: float, fresh_kg_s: float) -> tuple[float, np.ndarray]:
        """(fresh feed, what leaves the mill) of the frozen circuit whose total feed is the one given.

        Total rises with fresh feed, in proportion but for the screening in nips; found by a bracketed secant.
        """
        low, high, h_low, h_high = -INF, np.log(total), -INF, INF
        ln_F = min(np.log(fresh_kg_s), high)
        for turn in range(200):
            product = self.frozen(o, float(np.exp(ln_F)))
            h = np.log(self.mixture(float(np.exp(ln_F)), product)[0] / total)
            if abs(h) < self.close or high - low < 1e-15:
                break
            low, h_low, high, h_high = (ln_F, h, high, h_high) if h < 0.0 else (low, h_low, ln_F, h)
            if np.isinf(h_low) or not np.isfinite(h_high):
                ln_F = ln_F - h if np.isfinite(h) and turn < 20 else ln_F - 1.0
                ln_F = ln_F if low < ln_F < high else (0.5 * (low + high) if low > -INF else high - 1.0)
            else:
                secant = low - h_low * (high - low) / (h_high - h_low)
                ln_F = secant if turn % 3 else 0.5 * (low + high)
        return float(np.exp(ln_F)), product

    def at_fresh(self, fresh_kg_s: float, start: Circuit | None = None) -> Circuit | None:
        """The circuit at a rate of fresh feed; None where a limit is passed on the way."""
        total, mix = fresh_kg_s, self.problem.feed
        if start is not None:
            total = fresh_kg_s * start.total_kg_s / start.fresh_kg_s
            mix = np.diff(start.mill_feed_q3)
        for _ in range(TURNS):
            o = self.solved(mix, total)
            if o.code != OK:
                return None
            product = self.frozen(o, fresh_kg_s)
            new_total, new = self.mixture(fresh_kg_s, product)
            if not new_total < MOST_LOAD * fresh_kg_s:
                return None  # as fast as it can grind will tell
            residual = self.residual(o, mix, new, fresh_kg_s)
            if max(residual, abs(new_total / total - 1.0)) <= self.tolerance:
                return self.circuit(o, True, OK, "", fresh_kg_s, mix, residual, self.turns)
            total, mix = new_total, new
        raise unsettled("the circuit of mill and sieve")

    def at_most(self) -> Circuit:
        """The circuit at the largest rate: all that goes through the mill, fresh and returned, is at its limit."""
        mix, before, left, swings = self.problem.feed, NAN, INF, False
        for _ in range(TURNS):
            o = self.solved(mix, None)
            total = float(o.state["F"])
            if o.code == CANNOT:
                return self.circuit(o, True, *_verdict(CANNOT, total, 0.0, o.binding), 0.0, mix, o.residual, self.turns)
            fresh, product = self.frozen_to(o, total, total * float(self.passes @ o.product) / float(o.product.sum()))
            code, reason = _verdict(OK, total, fresh, o.binding)
            if code == CANNOT:
                return self.circuit(o, True, code, reason, 0.0, mix, o.residual, self.turns)
            _, new = self.mixture(fresh, product)
            change = max(float(np.abs(new - mix).max()), abs(np.log(fresh / before)) if before == before else INF)
            if change <= max(ROUGH, self.tolerance):
                break
            swings = swings or change > left  # to and fro between two mixtures; then half way
            mix, before, left = 0.5 * (mix + new) if swings else new, fresh, change
        else:
            raise unsettled("the circuit of mill and sieve")
        if self.tolerance >= ROUGH:
            return self.circuit(o, True, OK, "", fresh, mix, change, self.turns)
        # Where more charge carries less, a total just below may belong to another circuit, or be known too badly. Then
        # the circuit is filled as in a workshop: with fresh feed, from the first pass on.
        backed = [1.0 - share for share in BACK_OFF]
        ways = chain((self.at_total(b * total, fresh, mix) for b in backed), (self.filled(b * fresh) for b in backed))
        found = next(filter(None, ways), None)
        if found is None:
            raise unsettled("the circuit just below the largest rate of its mill")
        return replace(found, binding=o.binding)

    def at_total(self, total: float, fresh_kg_s: float, mix: np.ndarray) -> Circuit | None:
        """The circuit at a total feed; None where that is over a limit, or gets no nearer to one circuit."""
        residuals: list[float] = []
        while _goes_on(residuals):
            o = self.solved(mix, total)
            if o.code != OK:
                return None
            new_fresh, product = self.frozen_to(o, total, fresh_kg_s)
            _, new = self.mixture(new_fresh, product)
            residuals.append(self.residual(o, mix, new, fresh_kg_s))
            if residuals[-1] <= self.tolerance:
                return self.circuit(o, True, OK, "", fresh_kg_s, mix, residuals[-1], self.turns)
            fresh_kg_s, mix = new_fresh, new
        return None

    def filled(self, fresh_kg_s: float) -> Circuit | None:
        """The circuit that fills with fresh feed, to ROUGH, which is as well as a state near its largest rate is known.

        A pass on the way may ask more than the mill takes of what it is then; None where the last one does.
        """
        total, mix, residuals = fresh_kg_s, self.problem.feed, list[float]()
        while _goes_on(residuals):
            o = self.solved(mix, total)
            if o.code == CANNOT:
                return None
            new_total, new = self.mixture(fresh_kg_s, self.frozen(o, fresh_kg_s))
            residuals.append(max(self.residual(o, mix, new, fresh_kg_s), abs(new_total / total - 1.0)))
            if o.code == OK and residuals[-1] <= ROUGH:
                return self.circuit(o, True, OK, "", fresh_kg_s, mix, residuals[-1], self.turns)
            total, mix = new_total, new
        return None

    def residual(self, o: Outcome, mix: np.ndarray, new: np.ndarray, fresh_kg_s: float) -> float:
        """Largest of what is left open: mixture, accepted over fresh, chamber state."""
        accepted = float(self.passes @ o.product)
        return max(float(np.abs(new - mix).max()), abs(accepted / fresh_kg_s - 1.0), float(o.residual))

    def circuit(
        self, o: Outcome, is_closed: bool, code: int, reason: str, fresh: float, mix: np.ndarray, residual: float,
        turns: int,
    ) -> Circuit:  # fmt: skip
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
            mill_feed_q3=np.minimum(psd.cumulative(mix), 1.0), residual=float(residual), turns=turns, outcome=o,
        )  # fmt: skip


def _goes_on(residuals: list[float]) -> bool:
    """Whether what is left open turn by turn still gets less."""
    return len(residuals) < TURNS and not (len(residuals) > STUCK and residuals[-1] > 0.5 * residuals[-1 - STUCK])


def _curve(flow: np.ndarray) -> np.ndarray:
    """Q3 (n+1,) of class flows; NaN where nothing flows."""
    total = flow.sum()
    return np.minimum(psd.cumulative(flow / total), 1.0) if total > 0.0 else np.full(flow.size + 1, NAN)
