"""An idle run as a report in plain words. Its JSON twin is in benchjson."""

import math

import numpy as np

from ...base.quantities.written import digits, join_words, table
from ...learn.measured.idlemodel import IdleModel, at_shaft, beyond, withheld
from ...learn.measured.idlerun import FOR_LOSS, TELL_APART, TERMS, IdleFit
from .bench import span, text


def idle_text(fit: IdleFit, model: IdleModel | None) -> str:
    """The report of an idle run."""
    where = f"at the {fit.place}{'' if fit.motor_W is None else ', the motor alone taken off'}"
    lines = [_idle_first(fit, where)]
    if fit.distinct > 1:
        lines += _idle_doubts(fit)
    if model is not None:
        lines += ["", *_model_lines(fit, model)]
    lines += ["", *_idle_table(fit, model), ""]
    if fit.meter_assumed:
        lines.append(f"Assumed: the power meter is right to within {fit.meter * 100:g} % (say --meter otherwise).")
    if fit.motor_W is not None:
        took = span(float(fit.motor_W.min()), float(fit.motor_W.max()), "W")
        lines.append(
            f"The motor alone, without the rotor, takes {took}: its own loss, no windage. {_with_rotor(fit, model)}"
        )
    if model is not None:
        eta = f"; efficiency of the motor {100 * model.efficiency:.3g} %" if fit.place == "mains" else ""
        air = f"the air in the empty mill has {model.T_K - 273.15:.0f} °C (say --temperature otherwise)"
        lines.append(f"Assumed: {air}{eta}.")
    elif fit.place == "mains":
        lines.append("These are watts at the mains, motor loss included; with --config they are led to the shaft.")
    if fit.ignored:
        lines.append(f"Columns not read: {', '.join(fit.ignored)}.")
    return text(lines)


def _with_rotor(fit: IdleFit, model: IdleModel | None) -> str:
    """Where the motor's own watts are from, and what is taken of its loss with the rotor on."""
    known = (
        "That is by the config, drive.no_load_power, not measured in this run. " if fit.motor_from == "config" else ""
    )
    if model is None or model.load_loss[0] <= 0.0:
        return f"{known}Assumed: it loses no more with the rotor on, which holds at so small a load."
    most = digits(float((fit.power_W - at_shaft(fit, model)).max()), 2)
    return f"{known}What the load adds to it, by the config's efficiency about {most} W, is taken off too."


def _idle_first(fit: IdleFit, where: str) -> str:
    name = f"Idle run {fit.name}"
    if fit.distinct == 1:
        watts = digits(float(fit.power_W.mean()))
        return (
            f"{name}: {watts} W {where} at {_rpm(fit.omega.mean())}. One speed gives only the sum of bearings and "
            "windage (stirring the air); measure at half that speed too to part them."
        )
    top = float(fit.omega[-1])
    parts = {n: float(v[-1]) for n, v in fit.parts(fit.omega).items()}
    errors = dict(zip(TERMS, (fit.se[0] * top, fit.se[1] * top**3, fit.se[2]), strict=True))
    said = [f"{n} {digits(parts[n])} ± {digits(errors[n], 2)} W" for n in TERMS if n != "motor loss" or fit.has_loss]
    return f"{name}: at {_rpm(top)} {join_words(said)}, {where} (windage: stirring the air; ± is one standard error)."


def _rpm(omega: float) -> str:
    return f"{digits(float(omega) * 30 / math.pi)} rpm"


def _idle_doubts(fit: IdleFit) -> list[str]:
    """What the speeds do not tell."""
    lines = [f"P = {digits(fit.terms[0])} N m × ω + {digits(fit.terms[1])} W s³ × ω³"
             + (f" + {digits(fit.terms[2])} W" if fit.has_loss else "") + ", ω in rad/s."]  # fmt: skip
    if not fit.told_apart:
        ratio = float(fit.omega[-1] / fit.omega[0])
        lines.append(
            "The speeds do not tell the terms apart: a term is known to no better than "
            f"{100 * TELL_APART:.0f} % of the power. They span a factor {digits(ratio, 2)}; half and full speed, or a "
            "finer meter, would. The sum holds."
        )
    if name := fit.below_zero():
        lines.append(
            f"Left free, the {name} would come out below zero, more than the meter explains: was a speed or a reading "
            "wrong, or was the mill colder at one of them?"
        )
    if fit.place == "mains" and not fit.has_loss:
        if fit.distinct >= FOR_LOSS:
            lines.append(f"A fixed loss of the motor does not show; it may be up to {digits(fit.loss_most_W, 2)} W.")
        else:
            lines.append(
                "A fixed loss of the motor counts as bearings here; a column motor_alone_W, of the motor without the "
                f"rotor, would take it off, and {FOR_LOSS} speeds or more would show it."
            )
    if fit.dof > 0 and fit.chi2 > 3.0 * fit.dof + 3.0:
        lines.append("The readings scatter more than the meter explains; the errors are widened accordingly.")
    return lines


def _idle_table(fit: IdleFit, model: IdleModel | None) -> list[str]:
    said = "measured / W" if fit.motor_W is None else "less motor / W"
    fitted = np.sum(list(fit.parts(fit.omega).values()), axis=0)
    rows = []
    for i, (w, p) in enumerate(zip(fit.omega, fit.power_W, strict=True)):
        own = "" if fit.distinct == 1 else digits(float(fitted[i]))
        more = ("", "", "")
        if model is not None:
            low, now, high = (float(v) for v in model.watts(w))
            more = (digits(float(model.tip_speed_m_s[i])), digits(now), span(low, high))
        rows.append((digits(float(w) * 30 / math.pi, 4), more[0], digits(float(p)), own, *more[1:]))
    return table(("speed / rpm", "tip / (m/s)", said, "fitted / W", "model / W", "model's range / W"), rows)


def _model_lines(fit: IdleFit, m: IdleModel) -> list[str]:
    """Measured against the mill's config, and the lines to paste."""
    words = {
        "within": f"The measured idle power is within what the model allows for {m.mill_name}.",
        "high": (
            f"The measured idle power is above what the model allows for {m.mill_name}: does something rub, are "
            "bearings or seals tight or dry, is the belt too tight, or was the speed higher than thought?"
        ),
        "low": (
            f"The measured idle power is below what the model allows for {m.mill_name}: was the speed lower than "
            "thought, does the meter read true at low load, or is the rotor smaller than in the config?"
        ),
    }
    lines = [words[m.verdict], *_which_term(fit, m)]
    if (why := withheld(fit, m)) or m.suggested is None:
        return [*lines, f"No lines for the config: {why}.", *_what_else(fit, m)]
    factor, torque = m.suggested
    lines += ["To make the model reproduce it, put into the config:", "  [model]"]
    lines += [f"  windage_factor = {digits(factor, 4)}"]
    lines += [f'  bearing_torque = "{digits(torque, 4)} N m"']
    free = (m.windage_factor, m.bearing_torque_Nm)
    if not m.split_assumed and any(abs(x - y) > 1e-3 * y for x, y in zip(free, m.suggested, strict=True)):
        lines.append(
            f"Left free, the windage factor would be {digits(free[0])} and the torque {digits(free[1])} N m; within "
            "the model's ranges these agree with the watts as far as the meter tells."
        )
    errors = f"± {digits(m.windage_factor_se, 2)} and ± {digits(m.bearing_torque_se, 2)} N m"
    if m.split_assumed:
        lines.append("One speed gives only the sum: the bearing torque is the config's, the windage takes the rest.")
    elif fit.has_loss:
        loss = f"The motor's fixed loss of {digits(fit.terms[2])} W is not in these lines"
        lines.append(f"Standard errors {errors}. {loss}.")
    else:
        lines.append(f"Standard errors {errors}.")
    return lines


def _what_else(fit: IdleFit, m: IdleModel) -> list[str]:
    """What else explains watts that no value within the model's ranges does."""
    side = beyond(m)
    if side == "high":
        motor = "" if fit.motor_W is not None or fit.place == "shaft" else (
            "the motor's own loss, of brushes, fan and gears, which a router or grinder has at every load: read it "
            "with nothing on the shaft or collet, and give it as drive.no_load_power or as a column motor_alone_W; "
        )  # fmt: skip
        return [f"What else draws such watts: {motor}a belt, a seal or a bar that rubs, a speed higher than read, or a "
                "rotor larger than in the config."]  # fmt: skip
    if side == "low":
        motor = "too large a loss of the motor alone, " if fit.motor_W is not None else ""
        return [f"What else leaves so few watts: {motor}a speed lower than thought, a meter that reads low at small "
                "load, or a rotor smaller than in the config."]  # fmt: skip
    return []


def _which_term(fit: IdleFit, m: IdleModel) -> list[str]:
    """Which term is outside the range of the model card, and what that points to."""
    if m.split_assumed or not fit.told_apart:
        return []
    lines = []
    (f_low, f_high), (t_low, t_high) = m.prior["windage_factor"], m.prior["bearing_torque"]
    if m.bearing_torque_Nm - m.bearing_torque_se > t_high:
        lines.append("The part in step with speed is high: bearings, seals or a rub.")
    if m.windage_factor - m.windage_factor_se > f_high:
        lines.append("The windage is high: more air is moved than thought, or the speed was higher.")
    if m.windage_factor + m.windage_factor_se < f_low:
        lines.append(
            "The windage is low: the air turns along with the rotor more than thought, or the speed was lower."
        )
    if m.bearing_torque_Nm + m.bearing_torque_se < t_low:
        lines.append("The part in step with speed is low: better bearings than assumed, which is possible.")
    return lines
