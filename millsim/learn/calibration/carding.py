"""Writes what a calibration found as a calibrated card."""

from ...mill.calibrated import after, gap_regime
from ...mill.cards.calibrated import Calibrated, Conditions, Fitted, calibrated_toml
from ...version import MODEL_VERSION
from ..measured.runsheet import measured_hash
from .fit import DIGITS, Calibration
from .runmodel import warmer


def card_of(c: Calibration, measured: tuple[str, ...] = (), failed: tuple[str, ...] = ()) -> Calibrated:
    """The calibrated card of a calibration: prior, most probable score and equal draws of every parameter.

    measured: what the runs had; failed: sentences of failed checks, which go with the card.
    """
    mode, fitted = c.posterior.mode.scores, {}
    for i, group in enumerate(c.unknowns.members):
        draws = tuple(round(float(d), DIGITS) for d in c.draws[:, i])
        for p in group:
            fitted[p.name] = Fitted(p, round(float(mode[i]), DIGITS), draws)
    runs = tuple(f.run.name for f in c.fits)
    first = c.fits[0].run.config
    note = (
        "Made from measured runs on top of assumed priors; not a material constant. Draw i of all parameters belongs "
        "together. Name this file under [calibration] card in a config."
    )
    return Calibrated(
        f"{first.name}, calibrated", note, first.material.title, MODEL_VERSION, runs, measured, failed, _conditions(c),
        fitted, tuple(measured_hash(f.run) for f in c.fits), errors=c.errors, error_factors=c.factors,
    )  # fmt: skip


def _conditions(c: Calibration) -> Conditions:
    configs = [f.run.config for f in c.fits]

    def span(values: list[float]) -> tuple[float, float]:
        rounded = [float(f"{v:.6g}") for v in values]
        return min(rounded), max(rounded)

    sizes = [k.feed.size.largest_m for k in configs]
    return Conditions(
        tip_speed_m_s=span([k.drive.speed_rad_s * k.rotor.radius_m for k in configs]),
        outlet_temperature_K=span([warmer(f.run, f.best) for f in c.fits]),
        hole_m=span([k.sieve.hole_m for k in configs]),
        feed_size_m=span(sizes),
        gap_regime=tuple(sorted({gap_regime(k.stator.gap_m, s) for k, s in zip(configs, sizes, strict=True)})),
        feed_temperature_K=span([k.feed.temperature_K for k in configs]),
        bars=span([float(k.rotor.bars) for k in configs]),
        pins=span([float(k.stator.pins if k.stator.kind == "pins" else 0) for k in configs]),
        mount=tuple(sorted({k.rotor.mount for k in configs})),
        edge=tuple(sorted({kind for k in configs for kind, _ in k.rotor.edges})),
        gap_m=span([k.stator.gap_m for k in configs]),
    )


def card_text(card: Calibrated) -> str:
    """The card as TOML, each parameter with a line for people."""
    shown = {name: after(f, 1.0, card.runs) for name, f in card.parameters.items()}
    return calibrated_toml(card, shown)
