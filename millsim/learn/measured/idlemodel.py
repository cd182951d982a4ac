"""An idle run set beside the idle power of a mill's config: what the model says, and what to put into the config.

A value is suggested only within its range on the card of the model: outside it is the motor's own loss, a belt or a
rub that draws the watts, and no windage.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ...base.reading.cells import rounded
from .idlerun import LIMIT, SURE, IdleFit, least_squares

ROUNDING = 1e-6  # relative, by which a term may pass the end of its range


@dataclass(frozen=True)
class IdleModel:
    """The measurement in the terms of the model.

    efficiency: shaft over mains watts used (1 where power is known at the shaft); load_loss: [W] at the motor's rated
    power, and that power [W], which the load adds to watts with the motor alone taken off; T_K: air temperature in the
    mill; tip_speed_m_s (m,); factors and torques [N m]: windage factor and bearing torque at the lower end of the model
    card's ranges, as the config has them, at the upper end; windage_factor and bearing_torque_Nm: what reproduces
    the measurement, with standard errors; suggested: the two for a config, within their ranges, or None where none
    there agrees with the watts; split_assumed: the torque is the config's, since one speed gives only the sum; prior:
    the ranges of the two on the model card; verdict: "high", "low" or "within", at most speeds; mill: the MILL record
    (1,).
    """

    mill_name: str
    efficiency: float
    load_loss: tuple[float, float]
    T_K: float
    tip_speed_m_s: NDArray
    factors: tuple[float, float, float]
    torques: tuple[float, float, float]
    windage_factor: float
    windage_factor_se: float
    bearing_torque_Nm: float
    bearing_torque_se: float
    suggested: tuple[float, float] | None
    split_assumed: bool
    prior: dict[str, tuple[float, float]]
    verdict: str
    mill: NDArray

    def watts(self, omega: NDArray) -> tuple[NDArray, NDArray, NDArray]:
        """Idle power at speeds omega, as measured: lowest, as configured, highest."""
        air = windage(self.mill, omega, self.T_K)
        loss, rated = self.load_loss
        shaft = (f * air + t * omega for f, t in zip(self.factors, self.torques, strict=True))
        low, now, high = (P / self.efficiency + loss * (P / rated) ** 2 for P in shaft)
        return low, now, high


def windage(mill: NDArray, omega: NDArray, T_K: float) -> NDArray:
    """Windage [W] of a mill (1,) at speeds omega [rad/s] and a windage factor of 1.

    Not quite the cube of speed: a blower's air does not grow with the speed, and brakes the swirl the more at a low
    one.
    """
    from ...mill.chamber import idle_power

    plain = mill.copy()
    plain["windage_factor"] = 1.0
    found = [idle_power(plain[0], max(float(w), 1e-3), T_K)[0] for w in np.ravel(omega)]  # at rest: air over no speed
    return np.reshape(found, np.shape(omega))


def motor_alone(config) -> Callable[[NDArray], NDArray] | None:
    """Watts of the bare motor at speeds [rad/s] that it is set to, by the config; None where that does not say."""
    from ...laws.drive import own_loss

    d = config.drive
    if d.no_load_power_W is None:
        return None
    return lambda omega: np.array([own_loss(d.no_load_power_W, float(w), d.no_load_speed_rad_s) for w in omega])


def compare(fit: IdleFit, config, efficiency: float | None = None, T_K: float | None = None) -> IdleModel:
    """Set a fit beside the idle power of a mill's config.

    efficiency: motor's, in place of the config's; T_K: temperature of the air in the mill, in place of the room's.
    """
    from ...mill.cards import load_model
    from ...mill.problem import build

    mill = build(config).mill
    T = config.air.room_K if T_K is None else T_K
    eta = 1.0 if fit.place == "shaft" else config.drive.efficiency if efficiency is None else efficiency
    card = load_model()
    names = ("windage_factor", "bearing_torque")
    factors, torques = ((card[n].low, config.model.value(n), card[n].high) for n in names)
    air = windage(mill, fit.omega, T)
    loss, rated = _load_loss(fit, config.drive), config.drive.shaft_rated_W
    watts = _Watts(fit.omega, air, *_at_shaft(fit, eta, loss / rated**2), fit.meter, fit.has_loss)
    factor, torque, se_factor, se_torque = _as_model(watts, fit.distinct == 1, torques[1])
    prior = {n: (card[n].low, card[n].high) for n in names}
    found = IdleModel(
        config.name, eta, (loss, rated), T, config.rotor.radius_m * fit.omega, factors, torques,
        factor, se_factor, torque, se_torque, _suggested(watts, factor, torque, prior, fit.distinct == 1),
        fit.distinct == 1, prior, "within", mill,
    )  # fmt: skip
    lower, _, upper = found.watts(fit.omega)
    above, below = (fit.power_W > upper).mean(), (fit.power_W < lower).mean()
    return replace(found, verdict="high" if above > 0.5 else "low" if below > 0.5 else "within")


def _load_loss(fit: IdleFit, drive) -> float:
    """Loss [W] at rated power that the load adds, where the motor's own is taken off; 0 elsewhere."""
    from ...laws.drive import load_loss

    if fit.motor_W is None:
        return 0.0
    return float(load_loss(drive.shaft_rated_W, drive.efficiency, float(fit.motor_W[-1])))


class _Watts(NamedTuple):
    """What is fitted: speeds [rad/s], windage [W] at a factor of 1, watts at the shaft with their limits (m,)."""

    omega: NDArray
    air: NDArray
    power: NDArray
    error: NDArray
    meter: float
    has_loss: bool

    @property
    def columns(self) -> NDArray:
        """(m, 2 or 3) watts per unit of torque, windage factor and fixed loss."""
        found = np.stack([self.omega, self.air, np.ones_like(self.air)], axis=1)
        return found[:, : 3 if self.has_loss else 2]


def _at_shaft(fit: IdleFit, eta: float, bend: float) -> tuple[NDArray, NDArray]:
    """(watts, their limits) (m,) at the shaft: by the efficiency, and where the load adds bend P^2, without that."""
    root = np.sqrt(1.0 + 4.0 * bend * fit.power_W)
    return eta * 2.0 * fit.power_W / (1.0 + root), eta * fit.error_W / root


def at_shaft(fit: IdleFit, model: IdleModel) -> NDArray:
    """Watts (m,) at the shaft of what was measured."""
    loss, rated = model.load_loss
    return _at_shaft(fit, model.efficiency, loss / rated**2)[0]


def _as_model(w: _Watts, one_speed: bool, torque: float) -> tuple[float, float, float, float]:
    """(windage_factor, bearing_torque, their standard errors) that reproduce the measurement at the shaft.

    Fitted anew, with the model's own windage in place of the cube of speed; at one speed with the torque given.
    """
    if not one_speed:
        terms, _, se, _, _ = least_squares(w.columns, w.power, w.meter, w.error)
        return terms[1], terms[0], se[1], se[0]
    omega, shaft, blown = (float(x.mean()) for x in (w.omega, w.power, w.air))
    torque = min(torque, shaft / omega)
    return (shaft - torque * omega) / blown, torque, float(w.error.mean()) / LIMIT / blown, 0.0


def _suggested(
    w: _Watts, factor: float, torque: float, prior: dict[str, tuple[float, float]], one_speed: bool
) -> tuple[float, float] | None:
    """(windage_factor, bearing_torque) within their ranges: as found, or the best there if the watts agree with it."""
    ranges = prior["windage_factor"], prior["bearing_torque"]
    held = float(np.clip(factor, *ranges[0])), float(np.clip(torque, *ranges[1]))
    if all(abs(x - y) <= ROUNDING * y for x, y in zip((factor, torque), held, strict=True)):
        return held
    if one_speed:  # the torque gives way
        omega, shaft, blown = (float(x.mean()) for x in (w.omega, w.power, w.air))
        torque = (shaft - held[0] * blown) / omega
        return (held[0], torque) if ranges[1][0] <= torque <= ranges[1][1] else None
    from scipy.optimize import lsq_linear

    weight = LIMIT / w.error
    columns, power = w.columns * weight[:, None], w.power * weight
    ends = [ranges[1], ranges[0], (0.0, np.inf)][: columns.shape[1]]
    low, high = zip(*ends, strict=True)
    best = lsq_linear(columns, power, (low, high))
    free = np.linalg.lstsq(columns, power, rcond=None)[0]
    worse = 2.0 * best.cost - float(((columns @ free - power) ** 2).sum())
    return (float(best.x[1]), float(best.x[0])) if worse <= SURE**2 else None


def withheld(fit: IdleFit, model: IdleModel) -> str:
    """Why no numbers are for a config: terms that are not told apart, or outside their ranges."""
    if fit.distinct > 1 and not fit.told_apart:
        return "the speeds do not tell bearings and windage apart"
    if model.suggested is not None:
        return ""
    said = []
    for name, value, unit in (
        ("windage_factor", model.windage_factor, ""), ("bearing_torque", model.bearing_torque_Nm, " N m"),
    ):  # fmt: skip
        low, high = model.prior[name]
        if not low <= value <= high:
            said.append(f"{name} would be {rounded(value)}{unit}, where the model's range is {low:g} to {high:g}{unit}")
    return ", and ".join(said)


def beyond(model: IdleModel) -> str:
    """ "high" where bearings or windage would be above their range, "low" where below and none above, else ""."""
    found = ((model.windage_factor, "windage_factor"), (model.bearing_torque_Nm, "bearing_torque"))
    above = any(x > model.prior[name][1] for x, name in found)
    below = any(x < model.prior[name][0] for x, name in found)
    return "" if model.suggested is not None else "high" if above else "low" if below else ""
