"""What a solved mill says: one settled state with its charge, flows and powers, as plain arrays."""

from dataclasses import dataclass, replace

import numpy as np

from ..engines.aside import rows, still_temperatures, warming_of
from ..engines.balance import fill_grid
from ..engines.batch import run_batch
from ..engines.bites import PROP_COLUMNS
from ..engines.capacity import WITHIN, operate, turn_once
from ..engines.classes import new_tab
from ..engines.loads import fill_loads, grinding_load
from ..engines.montecarlo import FrozenSteps
from ..engines.records import BATCH_STEP, FLOWS, GATES, POWERS, WAYS, Grid, Work, new_work
from ..engines.settle import start_state
from ..errors import NoState, unsettled
from ..mill.chamber import STATE, STILL
from ..mill.config.sections import Feed
from ..mill.problem import NO_LIMIT, Setup, fed_shares
from ..record.heatlimit import feed_sticks
from ..record.limits import (
    CANNOT,
    CHAMBER,
    FAILED,
    GRINDING,
    JAM,
    LEAST_OPEN,
    LIMITS,
    OK,
    OPENING,
    OVER,
    POWER,
    SIEVE,
    TEMPERATURE,
)

_STEADY = np.empty(0, BATCH_STEP)
TURNS = 12  # of a state that is known: what of its charge shrank into each class is told by the turn before
NEXT_TO_NONE = 50e-3 / 3600.0  # kg/s, 50 g/h: next to no feed


@dataclass(frozen=True)
class Outcome:
    """A settled mill (or the averages over a batch), from the balance engine.

    code: record.limits: OK, OVER, CANNOT; binding: the limit that binds, or comes nearest; state: STATE record;
    mass (n,) charge [kg]; product (n,) [kg/s]; table (n, N_RATES); escape (n,) [1/s]; strikes (n, BINS, ...); lots
    (n, LOTS, ...) of chips; screen, bridge (n,); flows FLOWS [kg/s, W]; powers POWERS [W]; loads (6,) by LIMITS; ages
    (n,) [s]; history (k,) BATCH_STEP of a batch, else empty; of_batch: its states.
    """

    code: int
    binding: str
    state: np.void
    mass: np.ndarray
    product: np.ndarray
    table: np.ndarray
    escape: np.ndarray
    strikes: np.ndarray
    lots: np.ndarray
    screen: np.ndarray
    bridge: np.ndarray
    flows: np.void
    powers: np.void
    loads: np.ndarray
    residual: float
    ages: np.ndarray
    history: np.ndarray
    of_batch: FrozenSteps | None = None

    @property
    def steps(self) -> FrozenSteps:
        """What Monte Carlo follows: one state, or those of a batch."""
        s, here = np.array([self.state]), (x[None, :] for x in (self.screen, self.bridge, self.ages))
        return self.of_batch or FrozenSteps(np.array([np.inf]), s, *here)

    @property
    def milled_s(self) -> float:
        """Seconds that a batch is milled: all of its time, unless it jams or runs away."""
        return float(self.history["end"][-1])

    @property
    def stands(self) -> bool:
        """Whether a batch that is milled until it jams has jammed."""
        return bool(self.history.size and self.history["jam"][-1] > 1.0)

    def status(self, feed: Feed) -> int:
        """What became of the mill, of record.limits: OVER only where a rate or a batch was asked for."""
        open_rate = feed.rate_kg_s is None and not feed.batch_mass_kg
        return OK if self.code == OVER and open_rate else self.code


def _outcome(code: int, binding: int, s: np.ndarray, work: Work, loads: np.ndarray, residual: float) -> Outcome:
    return Outcome(
        code, LIMITS[binding], s[0].copy(), work.mass, work.escape * work.mass, work.table, work.escape, work.strikes,
        work.lots, work.screen, work.bridge, work.flows[0], work.powers[0], loads, residual, work.ages, _STEADY,
    )  # fmt: skip


def grid_of(problem: Setup, mill: np.ndarray) -> Grid:
    """Classes for a mill record, which may break into other sizes than the problem's own."""
    n = problem.x.size
    grid = Grid(
        problem.edges, problem.x, np.empty((n, WAYS, 3)), np.empty(n), np.empty((n, STILL)), np.empty((n, GATES)),
        new_tab(n), np.empty((n, PROP_COLUMNS)), np.empty(n + 1),
    )  # fmt: skip
    fill_grid(mill, grid)
    return grid


def solve(
    problem: Setup, rate_kg_s: float | None, mill: np.ndarray | None = None, tolerance: float | None = None
) -> Outcome:
    """Steady outcome at a feed rate, or at capacity (None), of the problem's mill or another (1,) record.

    tolerance: largest relative change that one more turn may make (default: the config's). Raises NotConverged.
    """
    mill = problem.mill if mill is None else mill
    tolerance = tolerance or problem.config.run.tolerance
    work, s, loads = new_work(problem.x.size), np.zeros(1, STATE), np.zeros(len(LIMITS))
    m, sticks = mill[0], sticky_feed(problem, mill)
    asked = NEXT_TO_NONE if sticks else np.inf if rate_kg_s is None else rate_kg_s
    grid = grid_of(problem, mill)
    feed = fed_shares(problem, mill)
    code, binding, residual = operate(mill, grid, feed, asked, s, work, loads, tolerance, WITHIN)
    if code == FAILED and not sticks:
        at = f"charge {1e3 * s[0]['M']:.3g} g, {s[0]['T'] - 273.15:.0f} °C, {s[0]['v']:.1f} m/s"
        raise unsettled(f"the state of this mill ({at})")
    if sticks:
        code, binding = CANNOT, TEMPERATURE
    elif code == CANNOT and m["T_limit"] <= m["T_room"] and not m["isothermal"] > 0.0:
        binding = TEMPERATURE  # whatever it grinds: the room itself is over the limit
    return _outcome(code, binding, s, work, loads, residual)


def sticky_feed(problem: Setup, mill: np.ndarray) -> bool:
    """Whether a mill record (1,) is fed with what sticks before it is milled; not where heat is to be no matter."""
    stick = problem.config.material.value("stick_temperature")
    return bool(mill["T_limit"][0] < NO_LIMIT) and feed_sticks(stick, float(mill["T_feed"][0]))


def hardly(outcome: Outcome) -> bool:
    """Whether the mill of an outcome hardly grinds."""
    return outcome.code == CANNOT and outcome.binding == LIMITS[GRINDING]


def solve_cold_start(problem: Setup, rate_kg_s: float | None) -> Outcome:
    """What happens in the first seconds, before anything warms up: only jam, chamber and opening can bind."""
    mill = problem.mill.copy()
    mill["isothermal"] = 1.0
    return solve(problem, rate_kg_s, mill)


def at_state(problem: Setup, settled: Outcome, own: Setup) -> Outcome:
    """Charge and flows of the settled state of `own` on the classes of `problem`: nothing is settled anew."""
    work, s, grid = new_work(problem.x.size), np.array([settled.state]), grid_of(problem, problem.mill)
    for here, there in ((work.ages, settled.ages), (work.screen, settled.screen), (work.bridge, settled.bridge)):
        here[:] = np.interp(np.log(problem.x), np.log(own.x), there)
    s["at_rate"] = 1.0
    for _ in range(TURNS):
        turn_once(problem.mill, grid, problem.feed, s, work)
    return _outcome(settled.code, LIMITS.index(settled.binding), s, work, settled.loads, settled.residual)


def warming(m: np.void, s: np.void, p: np.void) -> tuple[float, float]:
    """(chamber temperature [K] while the casing is still at room temperature, its time constant [s]).

    m, s, p: MILL, STATE and POWERS records of a settled mill. Air and charge follow at once, the casing stores.
    """
    cold, constant = warming_of(*rows(m, s, p))
    return float(cold), float(constant)


def still(m: np.void, s: np.void, p: np.void) -> tuple[float, float]:
    """(air, powder) [K] of a settled mill, or batch, if its work set no heat free."""
    air, powder = still_temperatures(*rows(m, s, p))
    return float(air), float(powder)


def hottest_minute(ends: np.ndarray, power: np.ndarray, window: float = 60.0) -> float:
    """Largest mean power [W] over a minute, the time in which a small motor gets hot (assumed)."""
    work = np.concatenate([[0.0], np.cumsum(power * np.diff(ends, prepend=0.0))])
    t = np.concatenate([[0.0], ends])
    return float(max((np.interp(ti + window, t, work) - wi) / window for ti, wi in zip(t, work, strict=True)))


def batch_times(seconds: float, steps: int) -> np.ndarray:
    """Step ends [s]: growing from a hundredth of a second (a few bar passes) to the end of the batch."""
    return np.geomspace(min(0.01, 0.1 * seconds), seconds, steps)


def solve_batch(
    problem: Setup, mass_kg: float, seconds: float, steps: int = 300, mill=None, until_jam: bool = False
) -> Outcome:
    """Outcome of a batch: product and flows averaged over its time, charge what is left, loads the worst.

    All of it up to where it runs away, if it does. until_jam: or jams, as a user's own batch does; else the load tells
    how far it would have, as of one that was milled, or one draw of many. Raises NoState where not even its first step
    has an answer.
    """
    mill = problem.mill if mill is None else mill
    n, ends = problem.x.size, batch_times(seconds, steps)
    work, s, loads = new_work(n), np.zeros(1, STATE), np.zeros(len(LIMITS))
    start_state(mill[0], mass_kg, mass_kg, s[0])
    product, dwell, totals, energies = np.zeros(n), np.zeros(n), np.zeros(1, FLOWS), np.zeros(1, POWERS)
    states, left = np.zeros(steps, STATE), np.zeros(steps, BATCH_STEP)
    screens, bridges = np.zeros((steps, n)), np.zeros((steps, n))
    done = run_batch(
        mill[0], grid_of(problem, mill), mass_kg * fed_shares(problem, mill), ends, 1.0 if until_jam else np.inf,
        s[0], work, product, dwell, totals[0], energies[0], states, screens, bridges, left,
    )  # fmt: skip
    if not done:
        raise NoState(f"the batch has no state to start from ({mass_kg:.3g} kg in the chamber); try a smaller charge")
    states, left, screens, bridges = states[:done], left[:done], screens[:done], bridges[:done]
    ends, runs_away = left["end"].copy(), bool(done < steps or left["end"][-1] < seconds)
    seconds = float(ends[-1])
    fill_loads(mill[0], s[0], problem.x, work, loads)
    for name in totals.dtype.names or ():
        totals[name] /= seconds
    powers = work.powers
    for name in ("windage", "bearings", "shaft", "plough", "layer_drive"):
        powers[name] = energies[name] / seconds
    powers["warmed"], powers["offset"] = 1.0, 0.0
    powers["striking"], powers["nip"] = totals[0]["work"], totals[0]["nip_work"]
    s["F"] = product.sum() / seconds
    s["residence"] = dwell.sum() / mass_kg
    s["T"], s["unblinded"], s["M"] = left["T"].max(), states["unblinded"].min(), work.mass.sum()
    loads[POWER] = hottest_minute(ends, left["shaft"]) / mill[0]["rated_power"]
    loads[TEMPERATURE] = (s[0]["T"] - mill[0]["T_room"]) / max(1e-9, mill[0]["T_limit"] - mill[0]["T_room"])
    loads[SIEVE] = (1.0 - s[0]["unblinded"]) / (1.0 - LEAST_OPEN)
    loads[CHAMBER], loads[JAM], loads[OPENING] = left[0]["chamber"], left["jam"].max(), 0.0
    stands = until_jam and left["jam"][-1] > 1.0  # and had no time to grind
    loads[GRINDING] = 0.0 if stands else grinding_load(mill[0], s[0], work)
    binding = int(np.argmax(loads))
    code = OK if loads.max() <= 1.0 else CANNOT if binding == GRINDING else OVER
    if runs_away and code == OK:  # where heat is to be no matter, too
        code, binding = OVER, TEMPERATURE
    if sticky_feed(problem, mill):
        code, binding = CANNOT, TEMPERATURE
    out = _outcome(code, binding, s, work, loads, 0.0)
    followed = FrozenSteps(ends, states, screens, bridges, np.ones_like(screens))
    return replace(out, product=product / seconds, flows=totals[0], powers=powers[0], of_batch=followed, history=left)
