"""How sure a circuit is: the ranges of all parameters carried through mill and sieve."""

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from ...errors import NotConverged
from ...forecast.band import LEVEL, TOLERANCE, band_of, draws
from ...forecast.error import DAY, Errors, errors
from ...mill.calibrated import conditions
from ...mill.config.mill import Config
from ...mill.problem import Setup
from ...record.limits import OVER
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

    off = errors(problem, samples, seed)

    def one(i: int) -> dict[str, float] | None:
        mill = mills[i : i + 1]
        try:
            if is_closed:
                found = close(problem, cut, rate, mill, DRAW_TOLERANCE)
            else:
                found = through(problem, cut, rate, mill, TOLERANCE)
        except NotConverged:
            return None
        return with_error(found, problem, off, i)

    found: list[dict[str, float] | None] = []
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        try:
            for done, circuit in enumerate(pool.map(one, range(mills.size)), start=1):
                found.append(circuit)
                if progress:
                    progress(done / mills.size)
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise
    values = {n: np.array([c[n] if c else float("nan") for c in found]) for n in NAMES}
    return CircuitBand(values, np.array([c is not None for c in found]))


def with_error(c: Circuit, problem: Setup, off: Errors, i: int) -> dict[str, float]:
    """The figures of one draw's circuit as model and day would have them, see `forecast.error`.

    The powder of the mill shifts as it would without the sieve after it; what that does to the share that passes is
    read off its curve, and the rates follow at the same load.
    """
    v = {n: float(getattr(c, n)) for n in NAMES}
    if not (v["accepted_kg_s"] > 0.0 and v["gross_J_kg"] < np.inf):
        return v
    z = off.of_model(i, *conditions(problem.config, v["total_kg_s"]))
    shift, work, rate, charge, rise = (
        off.sizes[f"error_{n}"] * z[n] + off.sizes[f"repeat_{n}"] * d for n, d in zip(DAY, off.day[i], strict=True)
    )
    share = v["yield_share"]
    product = share * np.nan_to_num(c.accepted_q3, nan=1.0) + (1.0 - share) * np.nan_to_num(c.returned_q3, nan=1.0)
    at = np.log(c.aperture_m) - np.array([0.0, shift])
    before, after = np.interp(at, np.log(c.edges_m), product)
    passes = float(np.clip(share * after / before, 1e-6, 1.0)) if before > 0.0 else share
    held = c.code == OVER
    faster = np.exp(rate - work * (c.binding == "shaft power")) if held else 1.0
    more = passes / share
    total = faster if held or not c.closed else 1.0 / more
    accepted = total * more
    for n, by in (("total_kg_s", total), ("accepted_kg_s", accepted), ("fresh_kg_s", accepted if c.closed else total)):
        v[n] *= float(by)
    v["oversize_kg_s"], v["yield_share"] = v["total_kg_s"] - v["accepted_kg_s"], passes
    v["circulating_load"] = (1.0 - passes) / passes if c.closed else v["circulating_load"]
    load = 1.0 if held and c.binding == "shaft power" else float(np.exp(work)) * total
    for n in ("gross_J_kg", "net_J_kg"):
        v[n] *= float(load / accepted)
    v["holdup_kg"] *= float(np.exp(charge))
    warmer = (
        float(np.exp(off.sizes["error_rise"] * z["rise"])) if c.binding != "outlet temperature" or not held else 1.0
    )
    room = problem.config.air.room_K
    v["outlet_temperature_K"] = room + (v["outlet_temperature_K"] - room) * warmer
    return v | {n: v[n] * float(np.exp(shift)) for n in ("x10_m", "x50_m", "x90_m")}
