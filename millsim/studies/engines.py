"""The two engines side by side: what each says, what their stated errors allow, and whether they agree."""

import math
from dataclasses import dataclass

from ..base.quantities.scalar import Scalar
from ..base.quantities.written import digits, join_words, shown_unit
from ..record.asked import batch_of
from ..record.outputs import OUTPUTS
from ..record.prediction import EngineResult, Prediction

ENGINE_WORDS = {"balance": "balance", "montecarlo": "Monte Carlo"}

_COMPARED = (
    "x10_m", "x50_m", "x90_m", "throughput_kg_s", "holdup_kg", "hits_per_particle", "shaft_power_W", "gross_J_kg",
    "outlet_temperature_K",
)  # fmt: skip
_PER_RATE = ("throughput_kg_s", "holdup_kg", "gross_J_kg")  # mean nothing where nothing comes out


@dataclass(frozen=True)
class Comparison:
    """One quantity as both engines see it, and the difference that their stated errors allow."""

    key: str
    main: Scalar
    other: Scalar
    allowed: float

    @property
    def name(self) -> str:
        """The symbol or the words of the output."""
        return OUTPUTS[self.key].short

    @property
    def agrees(self) -> bool:
        """Whether the difference is within what is allowed."""
        return abs(self.main.value - self.other.value) <= self.allowed


def compare(p: Prediction) -> list[Comparison]:
    """The quantities both engines give; allowed difference: 4 standard errors plus the stated class error."""
    if p.other is None:
        return []
    rows = []
    for key in _COMPARED:
        if not p.runs and key in _PER_RATE:
            continue
        if key == "throughput_kg_s" and not batch_of(p):
            continue  # the frozen state, which both share, has it
        a, b = p.main.scalars.get(key), p.other.scalars.get(key)
        if a is None or b is None or not (math.isfinite(a.value) and math.isfinite(b.value)):
            continue
        share = max(class_error(e, key) for e in (p.main, p.other))
        errors = [s.se for s in (a, b) if math.isfinite(s.se)]
        allowed = 4 * math.hypot(*errors, 0.0) + (share + 1e-9) * abs(a.value)
        rows.append(Comparison(key, a, b, allowed))
    return rows


def class_error(result: EngineResult, key: str) -> float:
    """The relative error that an engine states for its size classes: of one scalar, of x50 and of the rate.

    At capacity the class error of the power shows up in the rate, so the largest of the three counts.
    """
    names = ("class_error", f"class_error_{key}", "class_error_throughput_kg_s")
    found = [result.numerics.get(name, 0.0) for name in names]
    return max((v for v in found if math.isfinite(v)), default=0.0)


def class_errors(p: Prediction) -> dict[str, float]:
    """Relative error by size classes of every scalar that the balance engine states one for."""
    found = {**(p.other.numerics if p.other is not None else {}), **p.main.numerics}
    return {
        k.removeprefix("class_error_"): v for k, v in found.items() if k.startswith("class_error_") and math.isfinite(v)
    }


def engines_agree(p: Prediction) -> str:
    """Whether the two engines agree, with x50 of both, or which one was used alone."""
    name = ENGINE_WORDS.get(p.main.engine, p.main.engine)
    if p.other is None:
        return f"The {name} engine alone was run; --engine both checks one engine against the other."
    rows = compare(p)
    if not rows:
        return "Two engines ran but have no number in common."
    worse = [r for r in rows if not r.agrees]
    x50 = next((r for r in rows if r.key == "x50_m"), rows[0])
    other = ENGINE_WORDS.get(p.other.engine, p.other.engine)
    pair = f"{x50.name} {_bare(x50.main)} ({name}) against {_bare(x50.other)} ({other})"
    if not worse:
        return f"The two engines agree within their stated errors: {pair}."
    names = join_words([r.name for r in worse])
    return f"The two engines DISAGREE beyond their stated errors in {names}: {pair}. Take care with them."


def _bare(scalar: Scalar) -> str:
    unit, factor, offset = shown_unit(scalar.value, scalar.unit)
    return f"{digits(scalar.value * factor + offset, 3)} {unit}".strip()
