"""The sectional engine against scipy's stiff integrators on the same system, to the same accuracy.

Linear: breakage without a mill at constant feed, solved by forward substitution; baseline: solve_ivp with the
exact Jacobian, integrated until it is steady. Coupled: the demo mill at half its capacity, charge, temperature,
sieve, speed and air together; baseline: solve_ivp on the charge of every class and those four, each following
what the compiled laws answer to it, called size by size as they stand; beside it the same run on what the engine
itself makes of the laws, all classes at once. The baseline gets the loosest tolerance and the shortest time, out of
a list, that reach 1 %; class errors are against a solution on classes 1.02 wide.
"""

import sys
from itertools import product

import numpy as np
from common import DEMO, best, by_turns, row, show
from scipy.integrate import solve_ivp

from millsim.base.numerics import psd
from millsim.base.numerics.jit import law
from millsim.engines.balance import march
from millsim.engines.capacity import FRESH, stand_at
from millsim.engines.kinetics import linear
from millsim.engines.kinetics.problem import BreakageProblem
from millsim.engines.kinetics.solve import solve_steady
from millsim.engines.records import new_work
from millsim.engines.settle import fill_ages, leaving_warmth, response, settle, shaft_power, start_state
from millsim.engines.strikes import fill_rates, fill_rates_by_size
from millsim.forecast.outcome import grid_of, solve
from millsim.mill.chamber import STATE, feedback_air
from millsim.mill.config.mill import load_config
from millsim.mill.problem import build

METHODS = ("LSODA", "BDF", "Radau")
TOLERANCES = (1e-1, 3e-2, 1e-2, 3e-3, 1e-3, 1e-4)  # relative, of solve_ivp
RATIO = 1.15  # width of the classes: the package's default
FINE = 1.02  # width of the classes of the reference
STIFF = 1e6  # 1/s, far above the rate of any event
PERCENTILES = (0.1, 0.5, 0.9)
AUX = 4  # temperature, log of the unblinded share, rotor speed, tip speed


def worst(figures: np.ndarray, reference: np.ndarray) -> float:
    """Largest relative error."""
    return float(np.max(np.abs(figures / reference - 1.0)))


def cheapest(solutions, error_of, accuracy: float) -> tuple[float, str, float]:
    """Time [s], name and error of the quickest of (name, run) whose error is within `accuracy`."""
    found = []
    for name, run in solutions:
        with np.errstate(all="ignore"):
            error = error_of(run())
        if error <= accuracy:
            found.append((best(run, 3), name, error))
    return min(found)


# --- linear ----------------------------------------------------------------------------------------------


def _select(x):
    return 40.0 * (x / 4e-3) ** 1.2


def _breakage(y, x):
    return 0.7 * (y / x) ** 1.5 + 0.3 * (y / x) ** 3


def _leave(x):
    return 1.0 / (1.0 + (x / 0.5e-3) ** 4)  # 1/s: a soft sieve of half a millimetre


def linear_rows() -> list[dict]:
    """Steady grinding of 4 mm pieces behind a soft sieve: substitution against integration in time."""
    edges = psd.size_grid(5e-6, 4e-3, RATIO)

    def figures(masses: np.ndarray, exits: np.ndarray) -> np.ndarray:
        flow = masses * exits
        q3 = problem.distribution(flow)[0] / 1.0
        return np.array([*(psd.curve_x_at(edges, q3, p) for p in PERCENTILES), masses.sum()])

    fine_edges = psd.size_grid(5e-6, 4e-3, FINE)
    fine = solve_steady(fine_edges, 4e-3, _select, _breakage, exit_rate=_leave, extrapolate=True)
    reference = np.array([*(psd.curve_x_at(fine_edges, fine.product_q3, p) for p in PERCENTILES), float(fine.charge)])
    problem = BreakageProblem("bench", edges, 4e-3, (_select, _breakage, _leave), "balance", 2, 0)
    G, exits, feed = problem.generator()
    loss = linear.losses(G, exits)
    ours = worst(figures(linear.steady(G, loss, feed), exits), reference)
    quick = best(lambda: linear.steady(G, loss, feed), 200)
    A = np.triu(G, 1) - np.diag(loss)
    slowest = 1.0 / loss[loss > 0].min()

    def integrate(method: str, rtol: float, times: float) -> np.ndarray:
        options = {} if method == "LSODA" else {"jac": A}
        if method == "LSODA":
            options = {"jac": lambda t, m: A}
        out = solve_ivp(
            lambda t, m: A @ m + feed, (0.0, times * slowest), np.zeros(feed.size), method=method, rtol=rtol,
            atol=rtol * 1e-4, t_eval=[times * slowest], **options,
        )  # fmt: skip
        return out.y[:, -1]

    runs = [
        (f"{m}, rtol {r:g}", lambda m=m, r=r, t=t: integrate(m, r, t))
        for m, r, t in product(METHODS, TOLERANCES, (4.0, 6.0, 10.0))
    ]
    accuracy = max(ours, 0.01)
    seconds, name, error = cheapest(runs, lambda m: worst(figures(m, exits), reference), accuracy)
    return [
        row("linear steady state, substitution", 1e6 * quick, "us"),
        row("  its class error (x10, x50, x90, hold-up)", 100 * ours, "%"),
        row(f"  solve_ivp to steady state ({name})", 1e6 * seconds, "us"),
        row("  its error", 100 * error, "%"),
        row("linear: solve_ivp over substitution", seconds / quick, "times"),
    ]


# --- coupled ---------------------------------------------------------------------------------------------


@law
def slope(m, grid, feed, s, work, new, known, y, lag, by_size, out):
    """Fill out (n + AUX,): d/dt of the charge [kg/s] and of the state, which lags what answers it.

    The change of the charge is read off the balance itself: an implicit step of 1/STIFF seconds, far shorter than
    any event, divided by that time. Where nothing changes it is exact. by_size: 1 asks the laws size by size.
    known (3, n): what shrank into each class, its screen and its bridge, as at the end: so the slope is smooth.
    """
    mass, n = work.mass, feed.size
    for i in range(n):
        mass[i] = max(0.0, y[i])
        work.above[i], work.screen[i], work.bridge[i] = known[0, i], known[1, i], known[2, i]
    s.M = mass.sum()
    s.T, s.unblinded = 100.0 * max(0.5, y[n]), np.exp(min(0.0, y[n + 1]))
    s.omega, s.v = m.omega_0 * max(0.05, y[n + 2]), m.omega_0 * 0.1 * max(0.05, y[n + 3])
    s.residence = s.M / s.F
    s.Q = feedback_air(m, s)
    fill_ages(mass, s.F, work.ages)
    if by_size > 0.0:
        fill_rates_by_size(m, s, grid, work)
    else:
        fill_rates(m, s, grid, work)
    source = s.F * feed
    march(m, grid, work, source, STIFF, mass, mass, work.flows[0])
    shaft_power(m, s, work.flows[0], work.powers[0])
    leaving_warmth(m, work)
    response(m, grid, s, work, new)
    for i in range(n):
        out[i] = (mass[i] - max(0.0, y[i])) * STIFF
    out[n] = (new.T - s.T) / 100.0 / lag
    out[n + 1] = (np.log(new.unblinded) - np.log(s.unblinded)) / lag
    out[n + 2] = (new.omega - s.omega) / m.omega_0 / lag
    out[n + 3] = (new.v - s.v) / (0.1 * m.omega_0) / lag


class Coupled:
    """The demo mill at a feed rate on classes of one width, solved either way."""

    def __init__(self, config, ratio: float, rate_kg_s: float):
        self.problem, self.rate = build(config, ratio), rate_kg_s
        self.tolerance = config.run.tolerance
        self.work, self.state, self.new = new_work(self.problem.x.size), np.zeros(1, STATE), np.zeros(1, STATE)

    def figures(self) -> np.ndarray:
        """x10, x50, x90, hold-up, heating, shaft power of the state last solved."""
        mass, escape, powers, s = self.work.mass, self.work.escape, self.work.powers, self.state[0]
        flow = mass * escape
        q3 = psd.cumulative(flow / flow.sum())
        heating = s["T"] - self.problem.mill[0]["T_room"]
        sizes = (psd.curve_x_at(self.problem.edges, q3, p) for p in PERCENTILES)
        return np.array([*sizes, s["M"], heating, powers[0]["shaft"]])

    def settle(self) -> np.ndarray:
        """Solve with the engine."""
        p = self.problem
        grid = grid_of(p, p.mill)
        self.residual = stand_at(p.mill, grid, p.feed, self.rate, self.state, self.work, self.tolerance, False)
        return self.state

    def turns(self) -> int:
        """Turns of the loop that the engine takes."""
        p, s = self.problem, self.state[0]
        start_state(p.mill[0], self.rate, FRESH * self.rate, s)
        s["at_rate"] = 1.0
        self.work.ages[:] = 0.0  # of nobody: it starts from the residence time
        return settle(p.mill[0], grid_of(p, p.mill), p.feed, s, self.work, self.tolerance)[1]

    def residual_slope(self) -> float:
        """Largest |dm/dt| over the feed rate at the state the engine found: the baseline has the same root."""
        mass, s, out = self.work.mass.copy(), self.state[0].copy(), np.empty(self.problem.x.size + AUX)
        slope(*self._arguments(), self._y(mass, s), 1.0, 1.0, out)
        return float(np.max(np.abs(out[:-AUX])) / self.rate)

    def _arguments(self) -> tuple:
        p = self.problem
        known = np.array([self.work.above, self.work.screen, self.work.bridge])
        return p.mill[0], grid_of(p, p.mill), p.feed, self.state[0], self.work, self.new[0], known

    def _y(self, mass: np.ndarray, s) -> np.ndarray:
        w = self.problem.mill[0]["omega_0"]
        return np.array([*mass, s["T"] / 100.0, np.log(s["unblinded"]), s["omega"] / w, s["v"] / (0.1 * w)])

    def integrate(self, method: str, rtol: float, seconds: float, lag: float, by_size: float = 1.0) -> np.ndarray:
        """Start with next to no charge and integrate."""
        p, n = self.problem, self.problem.x.size
        self.settle()
        start_state(p.mill[0], self.rate, self.rate, self.state[0])
        self.state["F"] = self.rate
        y0 = self._y(np.full(n, 1e-9 * self.rate), self.state[0])
        arguments = self._arguments()

        def f(_t: float, y: np.ndarray) -> np.ndarray:
            out = np.empty(n + AUX)
            slope(*arguments, y, lag, by_size, out)
            return out

        atol = rtol * np.array([1e-3 * self.rate] * n + [1.0] * AUX)
        y = solve_ivp(f, (0.0, seconds), y0, method=method, rtol=rtol, atol=atol, t_eval=[seconds]).y[:, -1]
        f(seconds, y)
        return self.figures()


def coupled_rows() -> list[dict]:
    """The demo mill at half its capacity: engine against integration in time."""
    config = load_config(DEMO)
    rate = 0.5 * float(solve(build(config), None).state["F"])
    fine = Coupled(config, FINE, rate)
    fine.settle()
    reference = fine.figures()
    mill = Coupled(config, RATIO, rate)
    mill.settle()
    ours, turns, left = worst(mill.figures(), reference), mill.turns(), mill.residual_slope()
    quick = best(mill.settle, 200)
    mill.settle()
    residence = float(mill.state[0]["residence"])

    def baseline(by_size: float) -> tuple[float, str, float]:
        runs = [
            (f"{m}, rtol {r:g}", lambda m=m, r=r, t=t: mill.integrate(m, r, t * residence, 0.3 * residence, by_size))
            for m, r, t in product(METHODS[:2], TOLERANCES, (5.0, 8.0, 12.0))
        ]
        return cheapest(runs, lambda figures: worst(figures, reference), max(ours, 0.01))

    (seconds, name, error), (together, _, _) = baseline(1.0), baseline(0.0)
    capacity = best(lambda: solve(mill.problem, None), 20)
    searched, settled = by_turns(60, lambda: solve(mill.problem, None), mill.settle)
    slower, search = seconds / quick, searched / settled
    return [
        row("coupled steady prediction, one core", 1e3 * quick, "ms", "<= 2 ms", quick <= 2e-3),
        row("  its class error (x10, x50, x90, charge, heating, power)", 100 * ours, "%", "<= 1 %", ours <= 0.01),
        row("  classes", mill.problem.x.size, ""),
        row("  turns of the loop", turns, ""),
        row("  largest dm/dt of the baseline there, of the feed rate", left, ""),
        row(f"  solve_ivp to steady state ({name})", 1e3 * seconds, "ms"),
        row("  its error", 100 * error, "%"),
        row("coupled: solve_ivp over engine", slower, "times", ">= 100", slower >= 100.0),
        row("  solve_ivp on the engine's own rates of all classes at once, over engine", together / quick, "times"),
        row("capacity search (as fast as it can grind)", 1e3 * capacity, "ms"),
        row("  over coupled prediction, processor time", search, "times", "<= 5", search <= 5.0),
    ]


def main() -> dict:
    """Run both, print the table and return it."""
    rows = linear_rows() + coupled_rows()
    show("Balance engine", rows)
    return {"title": "Balance engine", "rows": rows}


if __name__ == "__main__":
    sys.exit(0 if main() else 1)
