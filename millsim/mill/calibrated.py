"""What a calibrated card says of another mill: its parameters, and how far it still holds there.

Away from the conditions of the measured runs the scores of the draws are led back to the prior: z -> w z +
sqrt(1 - w^2) e with e standard normal. That leaves the prior as it is, is the calibration for w = 1 and the prior for
w = 0. The weight w falls with the distance from the runs; how fast is assumed.
"""

import functools
from dataclasses import dataclass, replace
from math import exp, isclose, log

import numpy as np

from ..base.quantities.params import GUESSED, Param
from ..base.quantities.scores import at_score
from .cards.calibrated import Calibrated, Fitted
from .cards.spec import MATERIAL
from .config.mill import Config

# What lowers the weight, as exp(-distance), per factor of two beyond what the runs had; all assumed. Nothing is free:
# how far the model's own error is another one away from the runs is told by `conditions`, beside this.
SPEED, HOLE, GAP, SIZE, COUNT = 0.2, 0.03, 0.015, 0.1, 0.1  # COUNT: of bars and pins
TOLD = 1.1  # a factor below which a setting beyond the runs is not worth a word
WARMER = (0.2 / 30.0, 10.0)  # per kelvin; kelvins that are free
REGIME, MOUNT, WALL, OTHER_MATERIAL, OTHER_EDGE = 0.35, 0.35, 0.35, 0.2, 0.1
DETERMINED_SD, DETERMINED_MEAN = 0.8, 0.7  # a run determined a parameter if its scores are that narrow, or moved so far
_GRID = 41

ALIKE = log(2.0)  # in ln of speed, hole, gap, feed size, rate or count: one step of `conditions` (assumed)

TIGHT, LOOSE = 0.3, 1.0  # gap over feed size: below is caught whole, above passes (a proposal of the trade, no source)
REGIMES = ("pieces ride on the pins", "pieces are nipped", "pieces pass the gap")


def gap_regime(gap_m: float, size_m: float) -> str:
    """What a piece meets in the gap: below 0.3 of its size it rides, below its size it is nipped (common practice)."""
    return REGIMES[0] if gap_m < TIGHT * size_m else REGIMES[1] if gap_m < LOOSE * size_m else REGIMES[2]


def conditions(config: Config, rate_kg_s: float) -> tuple[str, np.ndarray]:
    """(kind of mill, place (p,)): where the model's own error is alike; a factor of two is one step away."""
    c, pins = config, config.stator.pins if config.stator.kind == "pins" else 0
    fed = "batch " if c.feed.batch else ""
    edges = "+".join(kind for kind, _ in c.rotor.edges)
    kind = f"{fed}{c.rotor.mount} {edges} {c.stator.kind} {c.sieve.kind} {c.material.title}"
    tip = c.drive.speed_rad_s * c.rotor.radius_m
    sizes = (tip, c.sieve.hole_m, c.stator.gap_m, c.feed.size.largest_m, rate_kg_s, c.rotor.bars, 1.0 + pins)
    return kind, np.log(np.array(sizes, dtype=float)) / ALIKE


@dataclass(frozen=True)
class Applied:
    """A calibration on one mill: weight of the mill's and of the material's parameters, and why below 1."""

    card: Calibrated
    weight: float
    material_weight: float
    notes: tuple[str, ...]
    own: tuple[str, ...] = ()  # parameters that were measured on this mill by themselves

    def fitted(self, name: str) -> Fitted | None:
        """What the card holds of a parameter, if it counts on this mill."""
        return self.card.parameters.get(name) if self.weight_of(name) > 0.0 and name not in self.own else None

    def of(self, p: Param) -> Fitted | None:
        """What the card holds of this very parameter: not of the config's own, nor of a key guessed otherwise."""
        f = None if p.basis == "config" else self.fitted(p.name)
        if f is None or p.basis != GUESSED:
            return f
        return f if (f.prior.low, f.prior.high) == (p.low, p.high) else None

    def weight_of(self, name: str) -> float:
        """Weight of the calibration for one parameter."""
        return self.material_weight if name in MATERIAL else self.weight

    def values(self, name: str, normal: np.ndarray) -> np.ndarray:
        """Values (N,) of a calibrated parameter: draws in turn, led back with the standard normal deviates given."""
        f, w = self.card.parameters[name], self.weight_of(name)
        scores = np.resize(f.draws, np.shape(normal))
        return at_score(f.prior, w * scores + (1.0 - w * w) ** 0.5 * normal)

    def parameter(self, p: Param) -> Param:
        """The parameter as this calibration leaves it; the config's own, or another material's, stay as they are."""
        f = self.of(p)
        return p if f is None else after(f, self.weight_of(p.name), self.card.runs)


@functools.lru_cache(maxsize=1024)  # the same for each of many changes that are tried on one mill
def after(f: Fitted, weight: float, runs: tuple[str, ...]) -> Param:
    """A parameter after calibration: most probable value, 95 % range; "calibrated" only if the runs determined it."""
    from scipy.special import ndtri

    p, draws = f.prior, np.asarray(f.draws)
    grid = ndtri((np.arange(_GRID) + 0.5) / _GRID)
    spread = (weight * draws[:, None] + (1.0 - weight**2) ** 0.5 * grid).ravel()
    value = float(at_score(p, weight * f.score))
    low, high = at_score(p, np.quantile(spread, [0.025, 0.975]))
    low, high = min(float(low), value), max(float(high), value)
    names = ", ".join(runs)
    if p.basis == GUESSED:
        told = "narrowed it" if determined(f) else "did not determine it"
        return replace(p, value=value, low=low, high=high, note=f"run {names} {told}")
    if determined(f):
        note = "" if weight == 1.0 else f"led back towards the prior: weight of the calibration {weight:.2f}"
        return replace(p, value=value, low=low, high=high, basis="calibrated", source=f"run {names}", note=note)
    return replace(p, value=value, low=low, high=high, note=f"run {names} did not determine it")


def determined(f: Fitted) -> bool:
    """Whether the runs said something of this parameter by itself."""
    draws = np.asarray(f.draws)
    return narrowed(float(draws.mean()), float(draws.std()))


def narrowed(mean: float, sd: float) -> bool:
    """Whether scores with this mean and spread say more than the prior does: narrower, or moved."""
    return sd < DETERMINED_SD or abs(mean) > DETERMINED_MEAN


def apply(config: Config, outlet_K: float | None = None) -> Applied | None:
    """The config's calibration on its own mill; None without one. outlet_K: predicted, where known."""
    card = config.calibration
    if card is None:
        return None
    c, size = card.conditions, config.feed.size.largest_m
    pins = config.stator.pins if config.stator.kind == "pins" else 0
    rows = (
        ("tip speed", config.drive.speed_rad_s * config.rotor.radius_m, c.tip_speed_m_s, "m/s", 1.0, SPEED),
        ("sieve hole", config.sieve.hole_m, c.hole_m, "mm", 1e3, HOLE),
        ("gap", config.stator.gap_m, c.gap_m, "mm", 1e3, GAP),
        ("feed size", size, c.feed_size_m, "mm", 1e3, SIZE),
        ("bars", config.rotor.bars, c.bars, "", 1.0, COUNT),
        ("pins", pins, c.pins, "", 1.0, COUNT),
    )
    distance, notes = 0.0, []
    for name, value, seen, unit, factor, rate in rows:
        beyond = max(seen[0] / value, value / seen[1], 1.0) if value and seen[0] else 1.0
        distance += rate * log(beyond) / log(2.0)
        if beyond > TOLD:
            many = f" {unit}" if unit else ""
            notes.append(f"{name} {factor * value:.3g}{many} (runs: {_between(seen, factor)}{many})")
    if outlet_K is not None:
        beyond = max(c.outlet_temperature_K[0] - outlet_K, outlet_K - c.outlet_temperature_K[1]) - WARMER[1]
        if beyond > 0.0:
            distance += WARMER[0] * beyond
            celsius = _celsius(c.outlet_temperature_K)
            notes.append(f"outlet {outlet_K - 273.15:.0f} °C (runs: {_between(celsius, 1.0)} °C)")
    regime = gap_regime(config.stator.gap_m, size)
    if regime not in c.gap_regime:
        distance += REGIME
        notes.append(f"{regime} (runs: {' or '.join(c.gap_regime)})")
    if config.rotor.mount not in c.mount:
        distance += MOUNT
        notes.append(f"{config.rotor.mount} bars (runs: {' or '.join(c.mount)})")
    if (pins == 0) != (c.pins[0] == 0.0):
        distance += WALL
        notes.append(f"{'a smooth wall' if pins == 0 else 'pins'} (runs: {'pins' if pins == 0 else 'a smooth wall'})")
    cold = max(c.feed_temperature_K[0] - config.feed.temperature_K, config.feed.temperature_K - c.feed_temperature_K[1])
    if cold > WARMER[1]:
        distance += WARMER[0] * (cold - WARMER[1])
        celsius = _celsius(c.feed_temperature_K)
        notes.append(f"feed at {config.feed.temperature_K - 273.15:.0f} °C (runs: {_between(celsius, 1.0)} °C)")
    for kind in (k for k, _ in config.rotor.edges if k not in c.edge):
        distance += OTHER_EDGE
        notes.append(f"{kind} edges, whose own card counts (runs: {' or '.join(c.edge)})")
    same = config.material.title == card.material
    if not same:
        distance += OTHER_MATERIAL
        notes.append(f"material {config.material.title} (runs: {card.material}), so its own card counts unchanged")
    weight = round(exp(-distance), 6)  # settings on a card are rounded
    return Applied(card, weight, weight if same else 0.0, tuple(notes), _measured_here(config, card))


def _measured_here(config: Config, card: Calibrated) -> tuple[str, ...]:
    """The edge radius, where it was measured on this mill and not as the calibrated runs had it."""
    name = f"edge_radius_{config.rotor.edge}"
    if config.rotor.edge_radius_m is None or name not in card.parameters:
        return ()
    p, prior = config.model[name], card.parameters[name].prior
    return () if isclose(p.low, prior.low) and isclose(p.high, prior.high) else (name,)


def _celsius(range_K: tuple[float, float]) -> tuple[float, float]:
    return range_K[0] - 273.15, range_K[1] - 273.15


def _between(seen: tuple[float, float], factor: float) -> str:
    low, high = (f"{factor * x:.3g}" for x in seen[:2])
    return low if low == high else f"{low} to {high}"
