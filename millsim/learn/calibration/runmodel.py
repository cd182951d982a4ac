"""A measured run as a function of the parameters: what sieve, scale, watt meter and thermometer would have shown.

The run did take its feed rate, so the chamber is settled at that rate whatever limit it exceeds; where it cannot
settle there is no answer.
"""

from dataclasses import dataclass, replace
from math import exp

import numpy as np

from ...engines.capacity import stand_at
from ...engines.loads import fill_loads
from ...engines.montecarlo import FrozenSteps
from ...engines.records import Work, new_work
from ...errors import NoState, NotConverged, NothingRuns
from ...forecast.outcome import grid_of, solve, solve_batch, warming
from ...forecast.run import outlet, settled
from ...laws.drive import motor_input
from ...mill.chamber import STATE, idle_power, idle_speed, socket_power
from ...mill.config.mill import Config
from ...mill.problem import Setup, build, fed_shares
from ...record.limits import CANNOT, LIMITS, OK, cannot_run_words
from ..measured.runsheet import MeasuredRun, config_as_run

TOLERANCE = 1e-6
BATCH_STEPS = 60  # of a batch in time; 300 of a prediction move its sizes by less than half a per cent
RATIO = 1.4  # of the size classes: what a measurement narrows shows on coarse ones as well
PLANNED_S = 1800.0  # length of the run and of the warming up that are planned
DID_RUN = ("chamber", "jam", "feed opening")  # limits that stop a mill within seconds: a run that went on kept them


@dataclass(frozen=True)
class Forecast:
    """What the instruments would have shown; Q3 (n+1,) on the problem's class edges, watts at the meter's place."""

    q3: np.ndarray
    holdup_q3: np.ndarray
    holdup_kg: float
    idle_W: float
    loaded_W: float
    air_K: float  # of chamber and air
    powder_K: float
    air_m3_s: float
    overrun: float  # largest load on the limits that stop a mill within seconds; above 1 it would not have run
    load: float  # largest load on any limit, or on the one that held the feed back
    capacity_kg_s: float  # NaN unless asked for

    @property
    def outlet_K(self) -> float:
        """The warmer of air and powder, as the output of this name and the limit on it."""
        return max(self.air_K, self.powder_K)


def warmer(run: MeasuredRun, best: Forecast) -> float:
    """The warmer of air and powder that left in a run, each as measured where it was, else as forecast."""
    air, powder = run.air_temperature_K, run.powder_temperature_K
    return max(best.air_K if air is None else air, best.powder_K if powder is None else powder)


@dataclass(frozen=True)
class RunModel:
    """One run made ready: its problem, feed rate [kg/s] and times; meter "mains" or "shaft"; speeds where measured."""

    problem: Setup
    rate_kg_s: float
    milling_s: float
    warm_s: float
    meter: str
    idle_speed_rad_s: float | None
    idle_mill: np.void  # the drive as the config has it: speed of the empty mill
    limit: str | None = None  # what held the feed back
    want_capacity: bool = False
    motor_alone_W: float | None = None  # what the motor takes from the mains without the rotor, where measured

    def forecast(self, mill: np.ndarray) -> Forecast | None:
        """What would have been seen with the parameters of a mill record (1,); None where nothing settles."""
        if self.problem.config.feed.batch:
            return self._batch(mill)
        m, p, loads = mill[0], self.problem, np.zeros(len(LIMITS))
        s, work, residual = self._settled(mill)
        if not residual <= TOLERANCE:
            return None
        capacity = self.capacity(mill) if self.want_capacity else float("nan")
        if self.want_capacity and not capacity > 0.0:
            return None
        fill_loads(m, s[0], p.x, work, loads)
        mass, powers, state = work.mass, work.powers[0], s[0]
        chamber = self._temperature(m, state, powers)
        powder_K = powers["warmed"] * chamber + powers["offset"]
        return Forecast(
            _curve(work.escape * mass), _curve(mass), float(mass.sum()), self._metered(m, self._idle(m, state["T"])),
            self._metered(m, float(powers["shaft"])), float(chamber), float(powder_K), float(state["Q"]),
            float(max(loads[LIMITS.index(name)] for name in DID_RUN)),
            float(loads[LIMITS.index(self.limit)] if self.limit else loads.max()), capacity,
        )  # fmt: skip

    def _batch(self, mill: np.ndarray) -> Forecast | None:
        """The same of a batch: powder and mean watts over its time, charge and temperature at its end."""
        batch = self.problem.config.feed.batch
        assert batch is not None
        o, m = solve_batch(self.problem, *batch, BATCH_STEPS, mill), mill[0]
        T = float(o.history["T"][-1])
        if not (np.isfinite(T) and o.product.sum() > 0.0):
            return None
        return Forecast(
            _curve(o.product), _curve(np.maximum(o.mass, 1e-300)), float(o.mass.sum()),
            self._metered(m, self._idle(m, T)), self._metered(m, float(o.powers["shaft"])), T, T, float(o.state["Q"]),
            float(max(o.loads[LIMITS.index(name)] for name in DID_RUN)), float(o.loads.max()), float("nan"),
        )  # fmt: skip

    def _settled(self, mill: np.ndarray) -> tuple[np.ndarray, Work, float]:
        """(STATE record (1,), work arrays, residual) of the chamber at the measured feed rate."""
        p = self.problem
        work, s = new_work(p.x.size), np.zeros(1, STATE)
        residual = stand_at(mill, grid_of(p, mill), fed_shares(p, mill), self.rate_kg_s, s, work, TOLERANCE, False)
        return s, work, residual

    def frozen(self, mill: np.ndarray) -> tuple[FrozenSteps, np.void, float]:
        """(what the Monte Carlo engine follows, FLOWS record, feed rate [kg/s]) of the settled chamber."""
        s, work, _ = self._settled(mill)
        by_class = (a[None, :].copy() for a in (work.screen, work.bridge, work.ages))
        steps = FrozenSteps(np.array([np.inf]), s.copy(), *by_class)
        return steps, work.flows[0], self.rate_kg_s

    def _metered(self, m: np.void, shaft: float) -> float:
        """Watts at the meter for watts at the shaft: by the efficiency, or by the motor's own loss where measured."""
        if self.meter == "shaft":
            return shaft
        if self.motor_alone_W is None:
            return float(socket_power(m, shaft))
        return float(motor_input(shaft, m["rated_power"], m["efficiency"], self.motor_alone_W))

    @property
    def idle_W(self) -> float:
        """Power [W] of the empty mill at the meter, as the cards have it and not yet warm."""
        m = self.problem.mill[0]
        return self._metered(m, self._idle(m, float(m["T_room"])))

    def _idle(self, m: np.void, T: float) -> float:
        """Shaft power [W] of the empty, hot mill, at the speed measured if there is one, else the drive's own."""
        if self.idle_speed_rad_s is not None:
            return float(sum(idle_power(m, self.idle_speed_rad_s, T)))
        own = m.copy()
        for name in ("omega_0", "curve_power", "curve_speed"):
            own[name] = self.idle_mill[name]
        return float(sum(idle_power(m, idle_speed(own, T), T)))

    def _temperature(self, m: np.void, s: np.void, p: np.void) -> float:
        """Chamber temperature [K] at the end of the run.

        The casing warms up with one time constant; time without feed before the run counts in proportion to the
        idle power.
        """
        cold, constant = warming(m, s, p)
        loaded = self.milling_s + self.warm_s * min(1.0, (p["windage"] + p["bearings"]) / p["shaft"])
        return float(s["T"] + (cold - s["T"]) * exp(-loaded / constant))

    def capacity(self, mill: np.ndarray) -> float:
        """The most [kg/s] a mill record (1,) takes; NaN where nothing settles."""
        try:
            return float(solve(self.problem, None, mill, TOLERANCE).state["F"])
        except NotConverged:
            return float("nan")


def _curve(shares: np.ndarray) -> np.ndarray:
    """Cumulative shares (n+1,) of class masses (n,)."""
    total = np.concatenate([[0.0], np.cumsum(shares)])
    return total / total[-1]


def model_of(run: MeasuredRun) -> RunModel:
    """The model of a measured run: its config at the measured rate, room and speed, with the cards as priors."""
    problem = build(replace(config_as_run(run), calibration=None))
    drive = problem.mill[0].copy()
    if run.speed_loaded_rad_s is not None:  # whatever the drive's curve says
        problem.mill["curve_speed"], problem.mill["loses"] = run.speed_loaded_rad_s, 0.0
        problem.mill["omega_0"] = max(run.speed_loaded_rad_s, float(drive["omega_0"]))
    return RunModel(
        problem, run.feed_rate_kg_s, run.milling_s, run.warm_s or 0.0, run.meter_at, run.speed_idle_rad_s, drive,
        run.limit, motor_alone_W=run.motor_alone_W,
    )  # fmt: skip


class NothingToRank(NothingRuns):
    """No run can be planned; binding: the limit that keeps the mill from running, "" where it runs."""

    def __init__(self, words: str, binding: str = ""):
        self.binding = binding
        super().__init__(words)


def planned(config: Config) -> RunModel:
    """The run to be made: at the config's feed rate if the mill takes it, or at seven tenths of what it takes.

    Whether it runs is settled as `predict` settles it; what it would show is told on coarser classes.
    """
    try:
        _, outcome, _ = settled(config)
    except NoState as error:  # to find none where there is one is a failure
        raise NothingToRank(f"no run can be planned: {error}") from None
    if outcome.code == CANNOT:
        raise NothingToRank(cannot_run_words(outcome.binding), outcome.binding)
    rate = config.feed.rate_kg_s
    if rate is None or outcome.code != OK:
        rate = 0.7 * float(outcome.state["F"])
    coarse = replace(config, run=replace(config.run, class_ratio=max(RATIO, config.run.class_ratio)))
    problem = build(coarse, outlet_K=outlet(outcome))
    return RunModel(problem, rate, PLANNED_S, PLANNED_S, "mains", None, problem.mill[0])
