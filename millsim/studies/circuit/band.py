"""How sure a circuit is: the ranges of all parameters, and what model and day are off by, through mill and sieve.

What a sieve sends back piles up just above its aperture. A mill whose powder is coarser than told leaves no less of it
there: it is, but for the scale of its sizes, the mill as told with a finer sieve, and so is solved.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import exp

import numpy as np

from ...base.numerics import psd
from ...base.numerics.threads import on_all_cores
from ...base.quantities.written import NOTHING_KG_S
from ...errors import NotConverged
from ...forecast.band import LEVEL, TOLERANCE, band_of, draws
from ...forecast.error import Off, drawn, errors, net_share
from ...forecast.outcome import still
from ...mill.config.mill import Config
from ...mill.problem import Setup, size_classes
from ...record.limits import CANNOT, CHAMBER, LIMITS, OVER, POWER, TEMPERATURE
from .loop import close, ready, through
from .turns import Circuit, SieveCut, nothing, verdict

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
    draw = Draws(ready(config, cut, class_ratio), cut, samples, seed, is_closed, class_ratio)
    found = on_all_cores(draw, range(samples), progress)
    values = {n: np.array([getattr(c, n) if c else float("nan") for c in found], dtype=float) for n in NAMES}
    return CircuitBand(values, np.array([c is not None for c in found]))


class Draws:
    """Circuits of draws of all parameters, each with its own error of the model and of the day; by index.

    class_ratio: of the problem, where it is not the config's.
    """

    def __init__(
        self, problem: Setup, cut: SieveCut, count: int, seed: int, is_closed: bool = True,
        class_ratio: float | None = None,
    ):  # fmt: skip
        self.problem, self.cut, self.is_closed = problem, cut, is_closed
        self.class_ratio = class_ratio or problem.config.run.class_ratio
        self.mills, self.errors = draws(problem, count, seed), errors(problem, count, seed)
        told = through(problem, cut, problem.config.feed.rate_kg_s, tolerance=TOLERANCE)
        self.rate = max(told.total_kg_s, NOTHING_KG_S)

    def __call__(self, i: int) -> Circuit | None:
        """The circuit of one draw; None where it does not settle."""
        config, mill = self.problem.config, self.mills[i : i + 1]
        size = self.errors.off(i, config, self.rate).size if self.is_closed else 0.0
        try:
            if self.is_closed:
                c = self._closed(mill, size)
            else:
                c = through(self.problem, self.cut, config.feed.rate_kg_s, mill, TOLERANCE)
        except NotConverged:
            return None
        if not (c.accepted_kg_s > 0.0 and c.gross_J_kg < np.inf):
            return c
        off = self.errors.off(i, config, c.total_kg_s)
        return with_error(c, self.problem, mill[0], replace(off, size=0.0) if self.is_closed else off)

    def _closed(self, mill: np.ndarray, size: float) -> Circuit:
        """The closed circuit of a mill whose powder is coarser than told, its sizes times e to the size."""
        cut = replace(self.cut, aperture_m=self.cut.aperture_m * exp(-size))
        config = self.problem.config
        problem = replace(self.problem, **size_classes(config, self.class_ratio, (cut.aperture_m,))._asdict())
        c = close(problem, cut, config.feed.rate_kg_s, mill, DRAW_TOLERANCE)
        sizes = {n: getattr(c, n) * exp(size) for n in ("x10_m", "x50_m", "x90_m", "edges_m")}
        return replace(c, aperture_m=self.cut.aperture_m, **sizes)


def with_error(c: Circuit, problem: Setup, m: np.void, off: Off) -> Circuit:
    """One draw's circuit as model and day would have it; m: its MILL record. Of a closed one its size is so already.

    What the powder of the mill is off by does to the share that passes is read off its curve, and the rates follow at
    the same load. Where next to nothing passes then, it cannot work.
    """
    share, edges = c.yield_share, c.edges_m
    product = share * np.nan_to_num(c.accepted_q3, nan=1.0) + (1.0 - share) * np.nan_to_num(c.returned_q3, nan=1.0)
    mass = np.diff(off.bent(edges, product, problem.config.sieve.hole_m))
    fine = mass * SieveCut(c.aperture_m, c.efficiency).passes(edges)
    passes = min(float(fine.sum()), 1.0)
    code, reason = verdict(c.code, 1.0, passes, c.binding)
    if code == CANNOT:
        return nothing(c, reason)
    held, more = c.code == OVER or problem.config.feed.rate_kg_s is None, passes / share
    faster = off.most(c.binding) if held else 1.0 if not c.closed else 1.0 / more
    total, accepted = c.total_kg_s * faster, c.accepted_kg_s * faster * more
    shaft, idle = float(c.outcome.powers["shaft"]), (c.gross_J_kg - c.net_J_kg) * c.accepted_kg_s
    before = {"idle_power_W": idle, "electrical_power_W": c.electrical_W, "shaft_power_W": shaft}
    stays, net = c.binding if held else "", net_share(before, m)
    power = 1.0 if stays == LIMITS[POWER] else off.shaft(net, faster)
    warmer = 1.0 if stays == LIMITS[TEMPERATURE] else exp(off.rise) * power
    air_K, powder_K = still(m, c.outcome.state, c.outcome.powers)
    still_K = air_K if c.outlet_temperature_K <= float(c.outcome.state["T"]) else powder_K
    electrical = drawn(m, c.electrical_W, shaft, power)
    q3, coarse = psd.cumulative(fine / fine.sum()), mass - fine
    x10, x50, x90 = psd.curve_xs_at(edges, q3, (0.1, 0.5, 0.9))
    return replace(
        c, fresh_kg_s=accepted if c.closed else total, total_kg_s=total, accepted_kg_s=accepted,
        returned_kg_s=total - accepted if c.closed else 0.0,
        circulating_load=(1.0 - passes) / passes if c.closed else c.circulating_load,
        electrical_W=electrical, gross_J_kg=electrical / accepted, net_J_kg=(electrical - idle) / accepted,
        outlet_temperature_K=still_K + (c.outlet_temperature_K - still_K) * warmer,
        holdup_kg=c.holdup_kg * (1.0 if stays == LIMITS[CHAMBER] else exp(off.charge) * faster),
        x10_m=x10, x50_m=x50, x90_m=x90, accepted_q3=q3,
        returned_q3=psd.cumulative(coarse / coarse.sum()) if coarse.sum() > 0.0 else c.returned_q3,
        outcome=replace(c.outcome, loads=off.loads(c.outcome.loads, net, faster, stays)),
    )  # fmt: skip
