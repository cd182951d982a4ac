"""How sure a circuit is: the ranges of all parameters, and what model and day are off by, through mill and sieve."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ...base.numerics import psd
from ...base.numerics.threads import on_all_cores
from ...errors import NotConverged
from ...forecast.band import LEVEL, TOLERANCE, band_of, draws
from ...forecast.error import Off, drawn, errors, net_share
from ...forecast.outcome import still
from ...mill.config.mill import Config
from ...mill.problem import Setup
from ...record.limits import CHAMBER, LIMITS, OVER, POWER, TEMPERATURE
from .loop import close, ready, through
from .turns import Circuit, SieveCut

DRAW_TOLERANCE = 1e-5  # of mixture and rate: a draw need not be known better
NAMES = (
    "fresh_kg_s", "total_kg_s", "accepted_kg_s", "oversize_kg_s", "yield_share", "circulating_load", "gross_J_kg",
    "net_J_kg", "outlet_temperature_K", "holdup_kg", "x10_m", "x50_m", "x90_m",
)  # fmt: skip


@dataclass(frozen=True)
class CircuitBand:
    """Circuits of many draws: values {name of Circuit: (N,)}, ok (N,) false where one did not settle."""

    values: dict[str, np.ndarray]
    ok: np.ndarray
    level: float = LEVEL

    def ends(self, name: str) -> tuple[float, float]:
        """Band of a figure; NaN with too few draws, inf where too many draws give nothing."""
        return band_of(self.values[name], self.ok, self.level)

    @property
    def runs_share(self) -> float:
        """Share of the draws in which the circuit works."""
        return float(np.mean(self.values["accepted_kg_s"][self.ok] > 0.0)) if self.ok.any() else float("nan")


def closed_band(
    config: Config, aperture_m: float, samples: int, seed: int, efficiency: float = 1.0,
    class_ratio: float | None = None, is_closed: bool = True, progress: Callable[[float], None] | None = None,
) -> CircuitBand:  # fmt: skip
    """The circuit of `circuit.closed` (or, not `is_closed`, `circuit.once`) for each of `samples` draws.

    progress(share done 0..1) is called often and may raise to stop.
    """
    cut = SieveCut(aperture_m, efficiency)
    draw = Draws(ready(config, cut, class_ratio), cut, samples, seed, is_closed)
    found = on_all_cores(draw, range(samples), progress)
    values = {n: np.array([getattr(c, n) if c else float("nan") for c in found], dtype=float) for n in NAMES}
    return CircuitBand(values, np.array([c is not None for c in found]))


class Draws:
    """Circuits of draws of all parameters, each with its own error of the model and of the day; by index."""

    def __init__(self, problem: Setup, cut: SieveCut, count: int, seed: int, is_closed: bool = True):
        self.problem, self.cut, self.is_closed = problem, cut, is_closed
        self.mills, self.errors = draws(problem, count, seed), errors(problem, count, seed)

    def __call__(self, i: int) -> Circuit | None:
        """The circuit of one draw; None where it does not settle."""
        rate, mill = self.problem.config.feed.rate_kg_s, self.mills[i : i + 1]
        try:
            if self.is_closed:
                c = close(self.problem, self.cut, rate, mill, DRAW_TOLERANCE)
            else:
                c = through(self.problem, self.cut, rate, mill, TOLERANCE)
        except NotConverged:
            return None
        if not (c.accepted_kg_s > 0.0 and c.gross_J_kg < np.inf):
            return c
        return with_error(c, self.problem, mill[0], self.errors.off(i, self.problem.config, c.total_kg_s))


def with_error(c: Circuit, problem: Setup, m: np.void, off: Off) -> Circuit:
    """One draw's circuit as model and day would have it; m: its MILL record.

    The powder of the mill is off as it would be without the sieve after it; what that does to the share that passes
    is read off its curve, and the rates follow at the same load.
    """
    share, edges = c.yield_share, c.edges_m
    product = share * np.nan_to_num(c.accepted_q3, nan=1.0) + (1.0 - share) * np.nan_to_num(c.returned_q3, nan=1.0)
    mass = np.diff(off.bent(edges, product, problem.config.sieve.hole_m))
    fine = mass * SieveCut(c.aperture_m, c.efficiency).passes(edges)
    passes = float(np.clip(fine.sum(), 1e-6, 1.0))
    held, more = c.code == OVER or problem.config.feed.rate_kg_s is None, passes / share
    faster = off.most(c.binding) if held else 1.0 if not c.closed else 1.0 / more
    total, accepted = c.total_kg_s * faster, c.accepted_kg_s * faster * more
    shaft, idle = float(c.outcome.powers["shaft"]), (c.gross_J_kg - c.net_J_kg) * c.accepted_kg_s
    before = {"idle_power_W": idle, "electrical_power_W": c.electrical_W, "shaft_power_W": shaft}
    stays, net = c.binding if held else "", net_share(before, m)
    power = 1.0 if stays == LIMITS[POWER] else off.shaft(net, faster)
    warmer = 1.0 if stays == LIMITS[TEMPERATURE] else float(np.exp(off.rise)) * power
    air_K, powder_K = still(m, c.outcome.state, c.outcome.powers)
    still_K = air_K if c.outlet_temperature_K <= float(c.outcome.state["T"]) else powder_K
    electrical = drawn(m, c.electrical_W, shaft, power)
    q3, coarse = psd.cumulative(fine / fine.sum()), mass - fine
    x10, x50, x90 = (psd.curve_x_at(edges, q3, p) for p in (0.1, 0.5, 0.9))
    return replace(
        c, fresh_kg_s=accepted if c.closed else total, total_kg_s=total, accepted_kg_s=accepted,
        returned_kg_s=total - accepted if c.closed else 0.0,
        circulating_load=(1.0 - passes) / passes if c.closed else c.circulating_load,
        electrical_W=electrical, gross_J_kg=electrical / accepted, net_J_kg=(electrical - idle) / accepted,
        outlet_temperature_K=still_K + (c.outlet_temperature_K - still_K) * warmer,
        holdup_kg=c.holdup_kg * (1.0 if stays == LIMITS[CHAMBER] else float(np.exp(off.charge)) * faster),
        x10_m=x10, x50_m=x50, x90_m=x90, accepted_q3=q3,
        returned_q3=psd.cumulative(coarse / coarse.sum()) if coarse.sum() > 0.0 else c.returned_q3,
        outcome=replace(c.outcome, loads=off.loads(c.outcome.loads, net, faster, stays)),
    )  # fmt: skip
