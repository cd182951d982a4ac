"""Idle watts at several speeds: bearings (torque times speed) and windage (speed cubed), beside those of the model.

Idle is the empty mill with its rotor. P = T_b omega + c omega^3, neither below zero; from four speeds on, watts at the
mains may also hold a fixed loss of the motor. Where the motor was measured alone too, without the rotor, or the config
has its watts (drive.no_load_power), they are taken off: they are its own loss, and what is left is at the shaft, but
for what the load adds to the loss. Weighted by the meter's class, a limit plus or minus (standard error the limit over
root 3).
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
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

    motor_W (m,): what the motor took alone, taken off power_W already; None where it is not known. motor_from: where
    that is from, "measured" or "config". error_W (m,): limits of power_W, by the meter.
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
    motor_from: str = "measured"

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


def read_idle(
    path: "str | Path", at: str = "mains", meter: float | None = None, decimal: str = "",
    alone: Callable[[NDArray], NDArray] | None = None,
) -> IdleFit:  # fmt: skip
    """Read and fit an idle run; InputError with every problem.

    at: "mains" or "shaft"; meter: class as a share; alone: the motor's own watts at speeds, where no column has them.
    """
    path = Path(path)
    table, problems = read_table(path, COLUMNS, EXAMPLE, decimal)
    if "motor_alone" in table:
        problems += _motor_problems(table, at)
    if problems:
        raise InputError(problems)
    rows = sorted((row["speed"], row["power"], row["motor_alone"] or 0.0) for row in table.rows)
    omega, power, motor = (np.array(c) for c in zip(*rows, strict=True))
    _not_falling(table.where, omega, power, METER if meter is None else meter)
    if "motor_alone" in table:
        return fit_idle(omega, power, at, meter, path.name, table.ignored, motor)
    if alone is None or at == "shaft":
        return fit_idle(omega, power, at, meter, path.name, table.ignored)
    _above_motor(table.where, omega, power, alone(omega))
    return fit_idle(omega, power, at, meter, path.name, table.ignored, alone(omega), "config")


def _above_motor(where: str, omega: NDArray, power: NDArray, motor: NDArray) -> None:
    """Refuse a loss of the motor that is not below what it takes with the rotor."""
    for w, with_rotor, own in zip(omega, power, motor, strict=True):
        if own >= with_rotor:
            message = f"{rounded(with_rotor)} W at {w * 30 / pi:.0f} rpm is no more than the bare motor takes there " \
                      f"by the config, {rounded(own)} W"  # fmt: skip
            hint = "lower drive.no_load_power, or say at which speed it was read: drive.no_load_speed"
            raise InputError(Problem(where, "", message, hint=hint))


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
    ignored: tuple[str, ...] = (), motor: NDArray | None = None, motor_from: str = "measured",
) -> IdleFit:  # fmt: skip
    """Weighted fit of idle power (m,) over ascending speeds (m,) [rad/s]; motor (m,): of the motor alone."""
    share = METER if meter is None else meter
    error = share * power
    if motor is not None:  # the meter may be off by other shares at the two readings
        error = error if motor_from == "config" else share * np.hypot(power, motor)
        power = power - motor
    distinct = 1 + int(_new_speeds(omega))
    common = (name, at, omega, power, share, meter is None, distinct)
    nan = (float("nan"),) * 3
    if distinct == 1:
        return IdleFit(*common, nan, nan, nan, False, False, float("nan"), 0.0, 0, ignored, motor, error, motor_from)
    columns = np.stack([omega, omega**3, np.ones_like(omega)], axis=1)
    fit = least_squares(columns[:, :2], power, share, error)
    has_loss, most = False, float("nan")
    if distinct >= FOR_LOSS and at == "mains" and motor is None:
        with_loss = least_squares(columns, power, share, error)
        has_loss = with_loss[0][2] > SURE * with_loss[2][2]
        most = max(0.0, with_loss[1][2]) + SURE * with_loss[2][2]
        fit = with_loss if has_loss else fit
    terms, free, se, chi2, dof = fit
    top = omega[-1]
    told = max(se[0] * top, se[1] * top**3) <= TELL_APART * float(power[-1])
    return IdleFit(
        *common, terms, free, se, bool(told), bool(has_loss), most, chi2, dof, ignored, motor, error, motor_from
    )


def _new_speeds(omega: NDArray) -> int:
    """How often, going up, a speed differs from the last one that did."""
    count, last = 0, omega[0]
    for w in omega:
        if w > SAME_SPEED * last:
            count, last = count + 1, w
    return count


def least_squares(columns: NDArray, power: NDArray, share: float, error: NDArray):
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
