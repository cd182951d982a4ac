"""Bench tests as plain JSON types in SI units; what is not known, or has no end, is null."""

import math
from dataclasses import asdict

import numpy as np

from ...learn.measured.cuttest import CutTest
from ...learn.measured.droptest import TRANSFER, DropGroup, DropTest
from ...learn.measured.idlerun import TERMS, IdleFit, IdleModel, withheld


def plain(value: object) -> object:
    """Lists for tuples and arrays, numbers for numpy's, null for numbers that are not finite."""
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [plain(v) for v in value]
    if isinstance(value, np.generic):
        return plain(value.item())
    return None if isinstance(value, float) and not math.isfinite(value) else value


def drop_json(test: DropTest, card: str | None = None) -> dict:
    """A drop test, group by group."""
    said = {
        "status": "ok",
        "drop_test": test.sheet.name,
        "rebound_deducted": False,
        "transfer_factor": TRANSFER,
        "groups": [_group(g) for g in test.groups],
        "assumed": test.sheet.assumed,
        "card": card,
    }
    return plain(said)


def _group(g: DropGroup) -> dict:
    s = g.selection
    fit = None
    if s is not None:
        scale = {"W_50_J_kg": ("u_50", 1.0 / g.size_m), "xW_50_J_m_kg": ("u_50", 1.0), "xw_min_J_m_kg": ("u_min", 1.0),
                 "f_mat_kg_J_m": ("f", 1.0)}  # fmt: skip
        values = {"u_50": s.u_50, "u_min": s.u_min, "f": s.f}
        fit = {
            name: {
                "value": values[key] * k,
                **{f"limits_{100 * level:.0f}": [a * k, b * k] for level, (a, b) in s.limits[key].items()},
            }
            for name, (key, k) in scale.items()
        }
        fit |= {"loglik": s.loglik, "deviance": s.deviance, "dof": s.dof}
        fit["threshold_seen"] = s.limits["u_min"][0.95][0] > 0
    return {
        "temperature_K": dict(zip(("mean", "low", "high"), g.temperature_K, strict=True)),
        "tested": g.trials.pieces,
        "broken": g.trials.broken,
        "size_m": g.size_m,
        "kind": g.kind,
        "impact_speed_m_s": g.speeds(),
        "W_50_bracket_J_kg": [v / g.size_m for v in g.bracket_u],
        "W_50_counting_95_J_kg": [v / g.size_m for v in g.counting_u],
        "fit": fit,
        "misfit_chance": g.misfit_chance,
        "harder_broke_fewer": g.is_reversed,
        "needs_more_than_a_mill_reaches": g.is_too_fast,
        "curves": {f.name: asdict(f) | {"W_50_J_kg": math.exp(f.z_50)} for f in g.links},
        "classical": {n: {"W_50_J_kg": c.W_50, "low_J_kg": c.low, "high_J_kg": c.high} for n, c in g.classical.items()},
        "does_not_apply": g.why_not,
        "levels": [asdict(v) for v in g.levels],
    }


def cut_json(test: CutTest, motor_W: float | None) -> dict:
    """A cut test; with a motor, the rate [kg/s] it could make at most."""
    most = None if motor_W is None else dict(zip(("value", "low", "high"), test.most_kg_s(motor_W), strict=True))
    said = asdict(test) | {"status": "ok", "cut_test": test.name, "motor_W": motor_W, "most_kg_s": most}
    return plain({k: v for k, v in said.items() if k != "name"})


def idle_json(fit: IdleFit, model: IdleModel | None) -> dict:
    """An idle run, and its comparison with a mill."""
    names = ("torque_Nm", "cubic_W_s3", "loss_W")
    said = {
        "status": "ok",
        "idle_run": fit.name,
        "at": fit.at,
        "meter_class": fit.meter,
        "speed_rad_s": fit.omega,
        "power_W": fit.power_W,
        "terms": dict(zip(names, fit.terms, strict=True)),
        "standard_errors": dict(zip(names, fit.se, strict=True)),
        "at_highest_speed_W": dict(zip(TERMS, (float(v) for v in fit.parts(fit.omega[-1]).values()), strict=True)),
        "told_apart": fit.told_apart,
        "has_motor_loss": fit.has_loss,
        "chi2": fit.chi2,
        "dof": fit.dof,
        "model": None if model is None else _idle_model(fit, model),
    }
    return plain(said)


def _idle_model(fit: IdleFit, m: IdleModel) -> dict:
    low, now, high = m.watts(fit.omega)
    return vars(m) | {"model_W": now, "low_W": low, "high_W": high, "not_for_config": withheld(fit, m)}
