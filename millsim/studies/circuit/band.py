"""How sure a circuit is: the ranges of all parameters carried through mill and sieve."""

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from ...errors import NotConverged
from ...forecast.band import LEVEL, TOLERANCE, band_of, draws
from ...mill.config.mill import Config
from .loop import Circuit, SieveCut, close, ready, through

DRAW_TOLERANCE = 1e-5  # of mixture and rate: a draw need not be known better
NAMES = (
    "fresh_kg_s", "total_kg_s", "accepted_kg_s", "oversize_kg_s", "yield_share", "circulating_load", "gross_J_kg",
    "net_J_kg", "outlet_temperature_K", "holdup_kg", "x10_m", "x50_m", "x90_m",
)  # fmt: skip


@dataclass(frozen=True)
class CircuitBand:
    """Circuits of many parameter draws: values {name of Circuit: (N,)}, ok (N,) false where one did not settle."""

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
    """The circuit of `circuit.closed` (or, not `is_closed`, `circuit.once`) for each of `samples` parameter draws.

    progress(share done 0..1) is called often and may raise to stop.
    """
    cut = SieveCut(aperture_m, efficiency)
    problem, rate = ready(config, cut, class_ratio), config.feed.rate_kg_s
    mills = draws(problem, samples, seed)

    def one(i: int) -> Circuit | None:
        mill = mills[i : i + 1]
        try:
            if not is_closed:
                return through(problem, cut, rate, mill, TOLERANCE)
            return close(problem, cut, rate, mill, DRAW_TOLERANCE)
        except NotConverged:
            return None

    found: list[Circuit | None] = []
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        try:
            for done, circuit in enumerate(pool.map(one, range(mills.size)), start=1):
                found.append(circuit)
                if progress:
                    progress(done / mills.size)
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise
    values = {n: np.array([float(getattr(c, n)) if c else float("nan") for c in found]) for n in NAMES}
    return CircuitBand(values, np.array([c is not None for c in found]))
