"""Bench tests as plain JSON types in SI units; what is not known, or has no end, is null."""

import math
from dataclasses import asdict

from ...learn.measured.cuttest import CutTest
from ...learn.measured.dropcard import disagrees, stands
from ...learn.measured.droptest import SQUEEZE, DropGroup, DropTest, card_half
from ...learn.measured.idlemodel import IdleModel, withheld
from ...learn.measured.idlerun import TERMS, IdleFit
from ...mill.cards import Card
from .json import jsonable, picked


def drop_json(test: DropTest, card: str | None = None, base: Card | None = None) -> dict:
    """A drop test, group by group; card: name of the one written, base: of the material, set beside the test."""
    said = {"status": "ok", "drop_test": test.sheet.name, "rebound_deducted": False}
    said |= {"energy_over_free_impact": SQUEEZE, "card": card, "assumed": test.sheet.assumed}
    return jsonable(
        said | {"groups": [_group(g, test.sheet.mass_known) | (_beside(g, base) if base else {}) for g in test.groups]}
    )


def _beside(g: DropGroup, base: Card) -> dict:
    """What a card says of the pieces of a group, in free impacts."""
    return {
        "W_50_free_impact_J_kg": g.free(),
        "W_50_of_card_J_kg": dict(zip(("value", "low", "high"), card_half(base, g), strict=True)),
        "differs_from_card": disagrees(base, g),
        "stands": stands(base, g),
    }


def _group(g: DropGroup, mass_known: bool) -> dict:
    """All of a group; without the hammer's mass only what does not hang on it."""
    if mass_known:
        return _all(g)
    counts = {"temperature_K": g.temperature_K[0], "impact_speed_m_s": g.speeds(), **picked(g, "size_m kind")}
    return _ratio(g) | counts | picked(g.trials, "broken", tested="pieces")


def _ratio(g: DropGroup) -> dict:
    """What the energies are told relative to."""
    return {} if g.reference is None else {"reference": g.reference.title, "ratio_to_reference": g.ratio()}


def _all(g: DropGroup) -> dict:
    s = g.selection
    fit: dict[str, object] | None = None
    if s is not None:
        scale = {"W_50_J_kg": ("u_50", 1.0 / g.size_m), "xW_50_J_m_kg": ("u_50", 1.0), "xw_min_J_m_kg": ("u_min", 1.0),
                 "f_mat_kg_J_m": ("f", 1.0)}  # fmt: skip
        fit = {
            name: {
                "value": getattr(s, key) * k,
                **{f"limits_{100 * level:.0f}": [a * k, b * k] for level, (a, b) in s.limits[key].items()},
            }
            for name, (key, k) in scale.items()
        }
        fit |= picked(s, "loglik deviance dof")
        fit["threshold_seen"] = s.limits["u_min"][0.95][0] > 0
    return _ratio(g) | {
        "temperature_K": dict(zip(("mean", "low", "high"), g.temperature_K, strict=True)),
        **picked(g.trials, "broken", tested="pieces"),
        **picked(g, "size_m kind"),
        "impact_speed_m_s": g.speeds(),
        "W_50_bracket_J_kg": [v / g.size_m for v in g.bracket_u],
        "W_50_counting_95_J_kg": [v / g.size_m for v in g.counting_u],
        "fit": fit,
        **picked(g, "misfit_chance levels", harder_broke_fewer="is_reversed", does_not_apply="why_not",
                 needs_more_than_a_mill_reaches="is_too_fast"),
        "curves": {f.name: {**jsonable(asdict(f)), "W_50_J_kg": math.exp(f.z_50)} for f in g.links},
        "classical": {
            n: picked(c, W_50_J_kg="W_50", low_J_kg="low", high_J_kg="high") for n, c in g.classical.items()
        },
    }  # fmt: skip


def cut_json(test: CutTest, motor_W: float | None) -> dict:
    """A cut test; with a motor, the rate [kg/s] it could make at most."""
    most = None if motor_W is None else dict(zip(("value", "low", "high"), test.most_kg_s(motor_W), strict=True))
    measured = {k: v for k, v in vars(test).items() if k != "name"}
    return jsonable(measured | {"status": "ok", "cut_test": test.name, "motor_W": motor_W, "most_kg_s": most})


def idle_json(fit: IdleFit, model: IdleModel | None) -> dict:
    """An idle run, and its comparison with a mill."""
    names = ("torque_Nm", "cubic_W_s3", "loss_W")
    said = {
        "status": "ok",
        **picked(fit, "at place power_W motor_W told_apart chi2 dof", idle_run="name", meter_class="meter",
                 speed_rad_s="omega", has_motor_loss="has_loss"),
        "terms": dict(zip(names, fit.terms, strict=True)),
        "standard_errors": dict(zip(names, fit.se, strict=True)),
        "at_highest_speed_W": dict(zip(TERMS, fit.parts(fit.omega[-1]).values(), strict=True)),
        "model": None if model is None else _idle_model(fit, model),
    }  # fmt: skip
    return jsonable(said)


def _idle_model(fit: IdleFit, m: IdleModel) -> dict:
    low, now, high = m.watts(fit.omega)
    said = {k: v for k, v in vars(m).items() if k != "mill"}
    return said | {"model_W": now, "low_W": low, "high_W": high, "not_for_config": withheld(fit, m)}
