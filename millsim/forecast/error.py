"""What no parameter makes up for: the model is not the mill, and a mill does not repeat itself.

Beside its parameters every draw of a band carries an error of the model and one of the day, as standard normal scores
of a few coordinates: the size of all the powder, the shape of its distribution at KNOTS of ln(x / hole), the work per
kilogram, the largest rate, the charge and the rise of temperature. Their sizes stand on the card of the model. The
misfit of a calibration holds the same coordinates, so that its runs tell something of the model's error where they
were made; away from them it is less and less the same error. Source: Kennedy & O'Hagan 2001, J. R. Stat. Soc. B 63:425
(model discrepancy as a Gaussian process beside the parameters); the coordinates are our own choice.
"""

from dataclasses import dataclass
from math import exp

import numpy as np

from ..base.numerics import psd
from ..base.numerics.sobol import sobol
from ..base.quantities.scores import SIZES_OF_ERRORS
from ..laws.drive import motor_output
from ..mill.calibrated import conditions
from ..mill.cards.calibrated import RunErrors
from ..mill.chamber import socket_power
from ..mill.config.mill import Config
from ..mill.problem import Setup
from ..record.limits import CHAMBER, GRINDING, JAM, LIMITS, OPENING, POWER, TEMPERATURE
from .assemble import Told

KNOTS = np.linspace(-4.2, 0.7, 8)  # ln(x / hole)
ALIKE_SIZES = 0.7  # in ln x: over this distance the shape is off alike (assumed)
CURVE = tuple(f"curve_{i + 1}" for i in range(KNOTS.size))
MODEL = ("size", "work", "rate", "holdup", "rise", *CURVE)
DAY = ("size", "work", "rate", "holdup", "rise")
FACTORS = ("sizes", "loads")  # what a calibration scales alike: the distribution; work, rate, charge and heat
JITTER = 1e-6  # of the variance, so that two runs at one place can be told apart


def _kernel(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return np.exp(-0.5 * ((a[:, None] - b[None]) / ALIKE_SIZES) ** 2)


def _root() -> np.ndarray:
    """Inverse symmetric root of the knots' covariance."""
    values, vectors = np.linalg.eigh(_kernel(KNOTS, KNOTS))
    return vectors @ np.diag(values**-0.5) @ vectors.T


_ROOT = _root()


def shapes(t: np.ndarray, q3: np.ndarray) -> np.ndarray:
    """What the scores of the knots do to Q3 (m,) at t = ln(x / hole), per unit of error_curve: (m, knots)."""
    return (2.0 * np.sqrt(np.clip(q3 * (1.0 - q3), 0.0, None)))[:, None] * (_kernel(t, KNOTS) @ _ROOT)


@dataclass(frozen=True)
class Errors:
    """Scores of the errors of many draws: model (N, len(MODEL)) as a mill unlike any run has them, day (N, len(DAY)).

    sizes: of both by name, those of the model times the factor that a calibration found; runs: what it says of them.
    """

    sizes: dict[str, float]
    fresh: np.ndarray
    day: np.ndarray
    runs: tuple[RunErrors, ...] = ()

    def of_model(self, i: int, kind: str, place: np.ndarray) -> dict[str, float]:
        """The scores of the model's error of draw i, for a kind of mill at a place of `conditions`.

        Given those at the places of the runs it is normal with mean k' K^-1 z and variance 1 - k' K^-1 k (Rasmussen &
        Williams 2006, Gaussian Processes for Machine Learning, eq. 2.19).
        """
        runs = [r for r in self.runs if r.kind == kind]
        scores = self.fresh[i]
        if runs:
            at = np.array([r.place for r in runs])
            near, between = alike(place[None], at)[0], alike(at, at) + JITTER * np.eye(len(runs))
            weights = np.linalg.solve(between, near)
            known = np.array([[r.scores[n][i % r.count] for n in MODEL] for r in runs])
            scores = weights @ known + max(0.0, 1.0 - weights @ near) ** 0.5 * scores
        return dict(zip(MODEL, scores.tolist(), strict=True))

    def off(self, i: int, config: Config, rate_kg_s: float) -> "Off":
        """What draw i is off by on a mill that takes this rate."""
        return self.off_at(i, *conditions(config, rate_kg_s))

    def off_at(self, i: int, kind: str, place: np.ndarray) -> "Off":
        """The same at a place of `conditions`."""
        z, e, day = self.of_model(i, kind, place), self.sizes, self.day[i].tolist()
        size, work, rate, charge, rise = (
            e[f"error_{n}"] * z[n] + e[f"repeat_{n}"] * d for n, d in zip(DAY, day, strict=True)
        )
        return Off(size, work, rate, charge, rise, {n: e["error_curve"] * z[n] for n in CURVE})


@dataclass(frozen=True)
class Off:
    """What model and day are off by in one draw, the one rule for all that is told of it.

    Logarithms of factors on the size of all powder, on the work per kilogram, on the largest rate, on the charge and on
    the rise of temperature; curve: what the knots of the shape are off by.
    """

    size: float
    work: float
    rate: float
    charge: float
    rise: float
    curve: dict[str, float]

    def most(self, limit: str) -> float:
        """Factor on the rate at which a limit binds: the less, the more that rate loads it."""
        load = {LIMITS[POWER]: self.work, LIMITS[TEMPERATURE]: self.work + self.rise, LIMITS[CHAMBER]: self.charge}
        return exp(self.rate - load.get(limit, 0.0))

    def shaft(self, net: float, faster: float = 1.0) -> float:
        """Factor on the shaft power at `faster` times the rate; net: share of it beyond idling."""
        return 1.0 + net * (exp(self.work) * faster - 1.0)

    def loads(self, loads: np.ndarray, net: float, faster: float = 1.0, held: str = "") -> np.ndarray:
        """The loads on all limits; held: the limit that the mill stays at."""
        shaft, new = self.shaft(net, faster), np.array(loads, dtype=float)
        by = {POWER: shaft, TEMPERATURE: exp(self.rise) * shaft, CHAMBER: exp(self.charge) * faster, JAM: shaft,
              OPENING: faster, GRINDING: exp(self.work)}  # fmt: skip
        for i, factor in by.items():
            new[i] *= 1.0 if LIMITS[i] == held else factor
        return new

    def bent(self, edges: np.ndarray, q3: np.ndarray, hole_m: float) -> np.ndarray:
        """A distribution as it is off in size and shape."""
        return bent(edges, q3, hole_m, self.size, 1.0, self.curve)


def alike(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Correlation (n, m) of the model's error between places (n, p) and (m, p)."""
    return np.exp(-0.5 * np.sum((a[:, None] - b[None]) ** 2, axis=2))


def sizes_of(problem: Setup, factors: tuple[float, ...] = (1.0, 1.0)) -> dict[str, float]:
    """The sizes of the errors on the card; those of the model times the factor of their kind, of FACTORS."""
    found = {p.name: p.value for p in problem.parameters if p.name.startswith(SIZES_OF_ERRORS)}
    by = dict(zip(FACTORS, factors, strict=True))
    return {n: v * (by[kind_of(n[6:])] if n.startswith("error_") else 1.0) for n, v in found.items()}


def kind_of(coordinate: str) -> str:
    """Which of FACTORS scales a coordinate of the model's own error."""
    return "sizes" if "size" in coordinate or "curve" in coordinate else "loads"


def errors(problem: Setup, count: int, seed: int) -> Errors:
    """Errors for `count` draws of a problem's parameters, by its calibration if it has one."""
    from scipy.special import ndtri

    dimensions = len(MODEL) + len(DAY)
    z = ndtri(np.clip(sobol(dimensions, count, seed + 1), 1e-12, 1.0 - 1e-12))
    card = problem.calibration.card if problem.calibration else None
    runs = card.errors if card else ()
    factors = card.error_factors if card else (1.0, 1.0)
    return Errors(sizes_of(problem, factors), z[:, : len(MODEL)], z[:, len(MODEL) :], runs)


def with_error(
    told: Told, problem: Setup, off: Off, binding: str, held: bool, still_K: tuple[float, float]
) -> Told:  # fmt: skip
    """One draw's figures as model and day would have it; binding: the limit that comes nearest, held: to the rate.

    A mill that a limit holds stays at that limit, and its rate takes the error of what loads it. still_K: air and
    powder of the mill if its work set no heat free; the rise is counted from there.
    """
    v = told.values
    if not v["throughput_kg_s"] > 0.0:
        return told
    new, edges = dict(v), problem.edges
    batch = problem.config.feed.batch
    faster = 1.0 if batch else _rates(new, off.most(binding), problem.config.feed.rate_kg_s, held)
    stays = binding if held else ""
    more = 1.0 if stays == LIMITS[POWER] else off.shaft(net_share(v, problem.mill[0]), faster)
    new["electrical_power_W"] = drawn(problem.mill[0], v["electrical_power_W"], v["shaft_power_W"], more)
    new["shaft_power_W"] *= more
    charge = 1.0 if stays == LIMITS[CHAMBER] else exp(off.charge) * faster
    new["holdup_kg"], new["residence_s"] = v["holdup_kg"] * charge, v["residence_s"] * charge / faster
    if batch:
        _emptied(new, v["holdup_kg"] / batch.mass_kg, batch.mass_kg, off.most(LIMITS[CHAMBER]))
    new["gross_J_kg"] = new["electrical_power_W"] / new["throughput_kg_s"]
    new["net_J_kg"] = (new["electrical_power_W"] - v["idle_power_W"]) / new["throughput_kg_s"]
    warmer = 1.0 if stays == LIMITS[TEMPERATURE] else exp(off.rise) * more
    for name, still in zip(("air_temperature_K", "powder_temperature_K"), still_K, strict=True):
        new[name] = still + (v[name] - still) * warmer
    new["outlet_temperature_K"] = max(new["air_temperature_K"], new["powder_temperature_K"])
    curve = off.bent(edges, told.q3, problem.config.sieve.hole_m)
    x10, x50, x90 = psd.curve_xs_at(edges, curve, (0.1, 0.5, 0.9))
    return Told(new | {"x10_m": x10, "x50_m": x50, "x90_m": x90, "span": (x90 - x10) / x50}, curve)


def _emptied(new: dict[str, float], left: float, charge_kg: float, faster: float) -> None:
    """What a batch gives, emptied `faster` than told: what is left of a charge that leaves in proportion to itself.

    left: share of the charge told to be left. Charge and time are given, so its rate is off as that of a mill whose
    chamber is full.
    """
    left = min(left, 1.0 - 1e-12)
    new["throughput_kg_s"] *= (1.0 - left**faster) / (1.0 - left)
    new["holdup_kg"], new["residence_s"] = charge_kg * left**faster, new["residence_s"] / faster


def net_share(v: dict[str, float], m: np.void) -> float:
    """Share of the shaft power that goes beyond idling, of figures by name."""
    if m["no_load"] <= 0.0:
        return 1.0 - v["idle_power_W"] / v["electrical_power_W"]
    empty = motor_output(v["idle_power_W"], m["rated_power"], m["efficiency"], m["no_load"])
    return 1.0 - float(empty) / v["shaft_power_W"]


def drawn(m: np.void, socket_W: float, shaft_W: float, more: float) -> float:
    """Power [W] from the socket with the shaft power times `more`: in proportion, but for the motor's own loss."""
    return float(socket_power(m, shaft_W * more)) if m["no_load"] > 0.0 else socket_W * more


def _rates(new: dict[str, float], free: float, asked: float | None, held: bool) -> float:
    """Multiply the largest rate by `free`; return the factor by which the rate of powder follows."""
    F = new["throughput_kg_s"]
    new["capacity_kg_s"] *= free
    rate = F * free if held else F
    if asked is not None:
        rate = min(rate, asked) if held else min(F, new["capacity_kg_s"]) if new["capacity_kg_s"] > 0.0 else F
    new["throughput_kg_s"] = rate
    return rate / F


def bent(
    edges: np.ndarray, q3: np.ndarray, hole_m: float, shift: float, size: float, model: dict[str, float]
) -> np.ndarray:
    """Q3 shifted in ln x (positive: coarser), then bent; still rising from 0 to 1."""
    ln_x = np.log(edges)
    moved = np.interp(ln_x - shift, ln_x, q3)
    moved = moved + size * shapes(ln_x - np.log(hole_m), moved) @ np.array([model[n] for n in CURVE])
    moved = np.clip(np.maximum.accumulate(moved), 0.0, 1.0)
    moved[0], moved[-1] = q3[0], q3[-1]
    return moved
