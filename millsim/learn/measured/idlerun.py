"""Idle watts at several speeds: bearings (torque times speed) and windage (speed cubed), beside those of the model.

Idle is the empty mill with its rotor. P = T_b omega + c omega^3, neither below zero; from four speeds on, watts at the
mains may also hold a fixed loss of the motor. Where the motor was measured alone too, without the rotor, its watts are
taken off: they are its own loss, and what is left is at the shaft. Weighted by the meter's class, a limit plus or minus
(standard error the limit over root 3).
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations
from math import pi, sqrt
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ...base.reading.cells import rounded
from ...errors import InputError, Problem
from .table import BenchTable, TableColumn, read_table

EXAMPLE = "speed_rpm,power_W / 3000,42 / 6000,118 / 9500,310"
METER = 0.03  # plus or minus, where not given: assumed
SAME_SPEED = 1.02  # ratio below which two speeds are one
TELL_APART = 0.10  # largest standard error of a term, as a share of the power at the highest speed, that tells it apart
FOR_LOSS = 4  # speeds needed before a fixed loss is looked for
SURE = 2.0  # standard errors beyond which a fixed loss, or a term below zero, counts as seen
LIMIT = sqrt(3.0)
TERMS = ("bearings", "windage", "motor loss")

COLUMNS = (
    TableColumn("speed", ("rotor speed", "revs", "rotation speed", "n"), "speed_rpm", si="rad/s", low=5.0, high=6500.0,
                need=True),
    TableColumn("power", ("idle power", "watts", "idle", "p", "empty mill"), "power_W", si="W", low=0.1, high=1e5,
                need=True),
    TableColumn("motor_alone", ("motor only", "motor without rotor", "no rotor", "motor loss"), "motor_alone_W", si="W",
                low=0.1, high=1e5),
)  # fmt: skip


@dataclass(frozen=True)
class IdleFit:
    """Fit of idle power: speeds [rad/s] and watts (m,), ascending; distinct: how many speeds differ.

    motor_W (m,): what the motor took alone, taken off power_W already; None where it was not measured. error_W (m,):
    limits of power_W, by the meter.
    terms: torque [N m], cubic factor [W s3], loss [W], each not below zero; free: the same without that restraint;
    se: their standard errors; told_apart: whether bearings and windage are separable; has_loss: whether a fixed loss
    is in the fit. With a single speed the terms are NaN: only the sum is known.
    """

    name: str
    at: str
    omega: NDArray
    power_W: NDArray
    meter: float
    meter_assumed: bool
    distinct: int
    terms: tuple[float, float, float]
    free: tuple[float, float, float]
    se: tuple[float, float, float]
    told_apart: bool
    has_loss: bool
    loss_most_W: float
    chi2: float
    dof: int
    ignored: tuple[str, ...]
    motor_W: NDArray | None
    error_W: NDArray

    @property
    def place(self) -> str:
        """Where power_W is known: "mains" or "shaft"."""
        return self.at if self.motor_W is None else "shaft"

    def parts(self, omega: NDArray) -> dict[str, NDArray]:
        """Watts of each term at speeds omega."""
        w = np.asarray(omega, dtype=float)
        return dict(zip(TERMS, (self.terms[0] * w, self.terms[1] * w**3, self.terms[2] + 0.0 * w), strict=True))

    def below_zero(self) -> str:
        """The term that would be negative by more than chance; empty if none."""
        rows = zip(TERMS, self.free, self.se, strict=True)
        return next((name for name, value, se in rows if value < -SURE * se), "")


def read_idle(path: "str | Path", at: str = "mains", meter: float | None = None, decimal: str = "") -> IdleFit:
    """Read and fit an idle run; InputError with every problem. at: "mains" or "shaft"; meter: class as a share."""
    path = Path(path)
    table, problems = read_table(path, COLUMNS, EXAMPLE, decimal)
    if "motor_alone" in table:
        problems += _motor_problems(table, at)
    if problems:
        raise InputError(problems)
    rows = sorted((row["speed"], row["power"], row["motor_alone"] or 0.0) for row in table.rows)
    omega, power, motor = (np.array(c) for c in zip(*rows, strict=True))
    _not_falling(table.where, omega, power, METER if meter is None else meter)
    return fit_idle(omega, power, at, meter, path.name, table.ignored, motor if "motor_alone" in table else None)


def _motor_problems(table: BenchTable, at: str) -> Iterator[Problem]:
    """Watts of the motor alone that cannot be, or that are no idle power of a mill."""
    if "power" not in table:
        message = "the motor without the rotor tells its own loss, and nothing of windage or of the mill's bearings"
        yield Problem(table.where, "", message, hint="measure the empty mill with its rotor at the same speeds too")
    if at == "shaft":
        message = "is a loss before the shaft: it cannot be measured there"
        yield Problem(table.where, "motor_alone", message, hint="say --at mains, or leave the column out")
    for row in table.rows:
        alone, with_rotor = row["motor_alone"], row["power"]
        if alone is None:
            message = "there is no power of the motor alone, though other rows have one"
            yield Problem(table.where, f"line {row.line}", message)
        elif with_rotor is not None and alone >= with_rotor:
            message = f"the motor alone takes {alone:g} W, not less than the {with_rotor:g} W with the rotor"
            yield Problem(table.where, f"line {row.line}", message, hint="are the two swapped?")


def _not_falling(where: str, omega: NDArray, power: NDArray, meter: float) -> None:
    """Ask about watts that fall with speed by more than the meter explains."""
    falls = float(((omega - omega.mean()) * (power - power.mean())).sum()) < 0.0
    if falls and power[0] * (1.0 - meter) > power[-1] * (1.0 + meter):
        slow, fast = (f"{p:g} W at {w * 30 / pi:.0f} rpm" for w, p in ((omega[0], power[0]), (omega[-1], power[-1])))
        message = f"the watts fall with speed, {slow} and {fast}: are the columns swapped?"
        hint = "an empty mill takes more the faster it turns; correct the columns, or the rows that stand the wrong way"
        raise InputError(Problem(where, "", message, hint=hint))


def fit_idle(
    omega: NDArray, power: NDArray, at: str = "mains", meter: float | None = None, name: str = "",
    ignored: tuple[str, ...] = (), motor: NDArray | None = None,
) -> IdleFit:  # fmt: skip
    """Weighted fit of idle power (m,) over ascending speeds (m,) [rad/s]; motor (m,): of the motor alone."""
    share = METER if meter is None else meter
    error = share * power
    if motor is not None:  # the meter may be off by other shares at the two readings
        error, power = share * np.hypot(power, motor), power - motor
    distinct = 1 + int(_new_speeds(omega))
    common = (name, at, omega, power, share, meter is None, distinct)
    nan = (float("nan"),) * 3
    if distinct == 1:
        return IdleFit(*common, nan, nan, nan, False, False, float("nan"), 0.0, 0, ignored, motor, error)
    columns = np.stack([omega, omega**3, np.ones_like(omega)], axis=1)
    fit = _least_squares(columns[:, :2], power, share, error)
    has_loss, most = False, float("nan")
    if distinct >= FOR_LOSS and at == "mains" and motor is None:
        with_loss = _least_squares(columns, power, share, error)
        has_loss = with_loss[0][2] > SURE * with_loss[2][2]
        most = max(0.0, with_loss[1][2]) + SURE * with_loss[2][2]
        fit = with_loss if has_loss else fit
    terms, free, se, chi2, dof = fit
    top = omega[-1]
    told = max(se[0] * top, se[1] * top**3) <= TELL_APART * float(power[-1])
    return IdleFit(*common, terms, free, se, bool(told), bool(has_loss), most, chi2, dof, ignored, motor, error)


def _new_speeds(omega: NDArray) -> int:
    """How often, going up, a speed differs from the last one that did."""
    count, last = 0, omega[0]
    for w in omega:
        if w > SAME_SPEED * last:
            count, last = count + 1, w
    return count


def _least_squares(columns: NDArray, power: NDArray, share: float, error: NDArray):
    """(terms >= 0, free terms, standard errors, chi2, dof): the best of all fits with some of the terms at zero.

    columns: what each term is worth per unit (m, terms); power (m,), ascending in speed, with limits error (m,).

    Errors are those of the free fit, scaled up by its misfit if that is more than the meter explains, and with the
    part that a meter reading high or low throughout adds.
    """
    terms, scale = columns.shape[1], columns[-1]
    design = columns / scale
    weight = LIMIT / error
    a, b = design * weight[:, None], power * weight
    free = np.linalg.lstsq(a, b, rcond=None)[0]
    dof = power.size - terms
    misfit = float(((a @ free - b) ** 2).sum())
    inflate = max(1.0, misfit / dof) if dof > 0 else 1.0
    covariance = np.linalg.pinv(a.T @ a) * inflate
    best, least = np.zeros(terms), float((b**2).sum())
    for count in range(1, terms + 1):
        for chosen in combinations(range(terms), count):
            some = np.linalg.lstsq(a[:, chosen], b, rcond=None)[0]
            chi2 = float(((a[:, chosen] @ some - b) ** 2).sum())
            if some.min() >= 0.0 and chi2 < least:
                best, least = np.zeros(terms), chi2
                best[list(chosen)] = some
    se = np.sqrt(np.diag(covariance) + (best * share / LIMIT) ** 2)
    pad = [0.0] * (3 - terms)
    return (*(tuple((v / scale).tolist() + pad) for v in (best, free, se)), least, dof)


# --- the model -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class IdleModel:
    """The measurement in the terms of the model.

    efficiency: shaft over mains watts used (1 where power is known at the shaft); T_K: air temperature in the
    mill; tip_speed_m_s (m,); factors and torques [N m]: windage factor and bearing torque at the lower end of the model
    card's ranges, as the config has them, at the upper end; windage_factor and bearing_torque_Nm: what reproduces
    the measurement, with standard errors; split_assumed: the torque is the config's, since one speed gives only the
    sum; prior: the ranges of the two on the model card; verdict: "high", "low" or "within", at most speeds; mill: the
    MILL record (1,).
    """

    mill_name: str
    efficiency: float
    T_K: float
    tip_speed_m_s: NDArray
    factors: tuple[float, float, float]
    torques: tuple[float, float, float]
    windage_factor: float
    windage_factor_se: float
    bearing_torque_Nm: float
    bearing_torque_se: float
    split_assumed: bool
    prior: dict[str, tuple[float, float]]
    verdict: str
    mill: NDArray

    def watts(self, omega: NDArray) -> tuple[NDArray, NDArray, NDArray]:
        """Idle power at speeds omega, as measured: lowest, as configured, highest."""
        air = windage(self.mill, omega, self.T_K)
        low, now, high = (
            (f * air + t * omega) / self.efficiency for f, t in zip(self.factors, self.torques, strict=True)
        )
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
    factor, torque, se_factor, se_torque = _as_model(fit, eta, air, torques[1])
    prior = {n: (card[n].low, card[n].high) for n in names}
    found = IdleModel(
        config.name, eta, T, config.rotor.radius_m * fit.omega, factors, torques,
        factor, se_factor, torque, se_torque, fit.distinct == 1, prior, "within", mill,
    )  # fmt: skip
    lower, _, upper = found.watts(fit.omega)
    above, below = (fit.power_W > upper).mean(), (fit.power_W < lower).mean()
    return replace(found, verdict="high" if above > 0.5 else "low" if below > 0.5 else "within")


def _as_model(fit: IdleFit, eta: float, air: NDArray, torque: float) -> tuple[float, float, float, float]:
    """(windage_factor, bearing_torque, their standard errors) that reproduce the measurement at the shaft.

    air: windage (m,) [W] at a factor of 1. Fitted anew, with the model's own windage in place of the cube of speed.
    """
    if fit.distinct > 1:
        columns = np.stack([fit.omega / eta, air / eta, np.ones_like(air)], axis=1)
        terms, _, se, _, _ = _least_squares(columns[:, : 3 if fit.has_loss else 2], fit.power_W, fit.meter, fit.error_W)
        return terms[1], terms[0], se[1], se[0]
    omega, shaft, blown = float(fit.omega.mean()), eta * float(fit.power_W.mean()), float(air.mean())
    torque = min(torque, shaft / omega)
    return (shaft - torque * omega) / blown, torque, eta * float(fit.error_W.mean()) / LIMIT / blown, 0.0


def withheld(fit: IdleFit, model: IdleModel) -> str:
    """Why these numbers are not for a config: terms that are not told apart, or outside what a config may hold."""
    from ...mill.cards.spec import MODEL

    if fit.distinct > 1 and not fit.told_apart:
        return "the speeds do not tell bearings and windage apart"
    for name, value, unit in (
        ("windage_factor", model.windage_factor, ""), ("bearing_torque", model.bearing_torque_Nm, " N m"),
    ):  # fmt: skip
        spec = MODEL[name]
        if not spec.low <= value <= spec.high:
            ends = f"{spec.low:g} to {spec.high:g}{unit}"
            return f"{name} would be {rounded(value)}{unit}, where {ends} is allowed; was a speed or a reading wrong"
    return ""
