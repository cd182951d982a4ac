"""The plain sentences of a report: how much, how warm, what binds, how fine, how sure, what to measure."""

import math
from dataclasses import dataclass

from .prediction import EngineResult, Limit, Prediction, Scalar
from .wording import Shown, digits, join_words, number, shown_unit

ENGINE_WORDS = {"balance": "balance", "montecarlo": "Monte Carlo"}

# Which measurement narrows which parameter, by the beginning of its name; the first match counts.
_MEASURE = (
    (("f_mat", "xw_min", "fracture", "yield", "restitution"),
     "drop a weight on 30 single pieces of the feed from rising heights and count how many break each time"),
    (("edge_share", "chip", "cut_factor", "daughter", "fines"),
     "sieve 50 g of powder of a timed run down to the finest sieve you have"),
    (("windage", "drag", "bearing", "air_swirl"),
     "read the power from the socket with the warm mill running empty"),
    (("fan", "inlet", "filter", "settle"),
     "measure the air speed in the inlet with the mill running"),
    (("inner_heat", "casing", "film", "stick", "specific_heat", "heat_", "glass"),
     "note the outlet temperature every two minutes from a cold start"),
    (("bite", "nip", "jam"),
     "raise the feed rate in steps and note where the mill first labours"),
    (("sieve", "slow_share", "usable", "skim", "contact", "peg", "clear", "shape", "layer", "scatter", "wall",
      "rate_multiplier", "chamber", "hub", "bulk"),
     "after ten minutes of steady feed, stop and weigh the powder collected and the charge left inside"),
)  # fmt: skip
_MEASURE_ANYWAY = "run ten minutes at steady feed, weigh the powder and sieve 50 g of it"

_ROOM_K = 293.15

_COMPARED = {
    "x10_m": "x10", "x50_m": "x50", "x90_m": "x90", "throughput_kg_s": "throughput",
    "holdup_kg": "charge inside",
    "hits_per_particle": "hits per particle", "shaft_power_W": "shaft power", "gross_J_kg": "gross energy",
    "outlet_temperature_K": "outlet temperature",
}  # fmt: skip


@dataclass(frozen=True)
class Comparison:
    """One quantity as both engines see it, and the difference that their stated errors allow."""

    name: str
    main: Scalar
    other: Scalar
    allowed: float

    @property
    def agrees(self) -> bool:
        """Whether the difference is within what is allowed."""
        return abs(self.main.value - self.other.value) <= self.allowed


def sentences(p: Prediction) -> list[str]:
    """The paragraphs that lead the report, most wanted first."""
    said = [
        how_much(p),
        what_binds(p),
        how_fine(p),
        energy_words(p),
        stall_risk(p),
        how_sure(p),
        measure_next(p),
    ]
    return [s for s in [*said, engines_agree(p)] if s]


def how_much(p: Prediction) -> str:
    """Rate and temperature, or that the mill cannot do what was asked."""
    rate, most = p.main.scalars.get("throughput_kg_s"), p.main.scalars.get("capacity_kg_s")
    asked = Shown(Scalar(p.requested_rate_kg_s, "kg/s", "")) if math.isfinite(p.requested_rate_kg_s) else None
    if p.status == "cannot run":
        return f"{p.mill_name} cannot run like this."
    if p.status == "over capacity":
        limit = f"; it takes at most about {Shown(most)}" if most and math.isfinite(most.value) else ""
        return f"{p.mill_name} cannot take the {asked or 'feed'} asked for{limit}.{_warmth(p)}"
    if rate is None or not math.isfinite(rate.value):
        return f"{p.mill_name}: the rate could not be predicted.{_warmth(p)}"
    text = f"{p.mill_name} makes about {_with_band(p, rate)} of powder"
    if asked is None:
        text += ", as much as it takes"
    elif most is not None and math.isfinite(most.value):
        text += f", as fed; it would take about {Shown(most)}"
    hours = 1 / (rate.value * 3600) if rate.value > 0 else math.inf
    length = f"{digits(hours, 2)} h" if hours >= 2 else f"{digits(hours * 60, 2)} min"
    time = f" One kilogram takes about {length}." if math.isfinite(hours) else ""
    return f"{text}.{time}{_warmth(p)}"


def _warmth(p: Prediction) -> str:
    outlet = p.main.scalars.get("outlet_temperature_K")
    if outlet is None or not math.isfinite(outlet.value):
        return ""
    text = f" The air leaves at {_with_band(p, outlet)}"
    if math.isfinite(p.temperature_limit_K):
        text += f"; the limit is {number(p.temperature_limit_K - 273.15, 0)} °C"
    return text + "."


def _with_band(p: Prediction, scalar: Scalar) -> str:
    shown = Shown(scalar)
    if not shown.band:
        return f"{shown.value} {shown.unit}".strip()
    return f"{shown.value} {shown.unit} ({band_name(p)} {shown.band} {shown.unit})".replace(" )", ")")


def band_name(p: Prediction) -> str:
    """ "80 % band"."""
    return f"{p.band_level * 100:.3g} % band" if math.isfinite(p.band_level) else "band"


def what_binds(p: Prediction) -> str:
    """The limit that binds, its sentence, and the next one."""
    binding = next((x for x in p.limits if x.name == p.binding), None)
    if binding is None:
        return f"What binds: {p.binding}." if p.binding else ""
    exceeded = [x for x in p.limits if x.margin < 1 - 1e-6 and x is not binding]
    text = f"What binds: {binding.name}. {binding.sentence}"
    if exceeded:
        text += f" Also exceeded: {join_words([x.name for x in exceeded])}."
    rest = sorted((x for x in p.limits if x is not binding and 1 - 1e-6 <= x.margin < math.inf), key=headroom)
    return text + (f" Next would come: {rest[0].name}." if rest and not exceeded else "")


def headroom(limit: Limit) -> float:
    """Capacity over load, for a temperature counted from a room at 20 °C: how far load may still grow."""
    if limit.unit != "K":
        return limit.margin
    return (limit.capacity - _ROOM_K) / (limit.load - _ROOM_K) if limit.load > _ROOM_K else math.inf


def verdict(limit: Limit, binding: str) -> str:
    """One word or two on a limit."""
    if limit.margin < 1 - 1e-6:
        return "EXCEEDED"
    if limit.name == binding:
        return "binds"
    return "close" if headroom(limit) < 1.2 else "ok"


def how_fine(p: Prediction) -> str:
    """x50 and x90 with their bands, in words."""
    x50, x90 = p.main.scalars.get("x50_m"), p.main.scalars.get("x90_m")
    if x50 is None or not math.isfinite(x50.value):
        return ""
    text = f"How fine: half of the powder by mass is finer than x50 = {_with_band(p, x50)}"
    if x90 is not None and math.isfinite(x90.value):
        text += f", 90 % is finer than x90 = {_with_band(p, x90)}"
    return f"{text}. The sieve hole is {_bare(Scalar(p.hole_m, 'm', ''))}."


def energy_words(p: Prediction) -> str:
    """Energy per kilogram in both units, gross and net, and what the hits do."""
    gross, net = p.main.scalars.get("gross_J_kg"), p.main.scalars.get("net_J_kg")
    if gross is None or not math.isfinite(gross.value):
        return ""
    text = f"Energy: {_with_band(p, gross)} from the socket, that is {_kilojoule(gross)}"
    if net is not None and math.isfinite(net.value):
        shown = Shown(net)
        text += f"; {shown.value} {shown.unit} ({_kilojoule(net)}) of it reaches the charge"
    hits, share = p.main.scalars.get("hits_per_particle"), p.main.scalars.get("hits_above_threshold_share")
    if hits and share and math.isfinite(hits.value) and math.isfinite(share.value):
        text += f". Why: a particle is hit about {digits(hits.value, 2)} times"
        text += f", and {digits(share.value * 100, 2)} % of the hits are hard enough to break it"
    return text + "."


def _kilojoule(s: Scalar) -> str:
    return f"{digits(s.value / 1e3, 2)} kJ/kg"


def stall_risk(p: Prediction) -> str:
    """The stall probability of the chamber mode in words."""
    t = p.trace
    if t is None or t.runs <= 0:
        return ""
    length = f"{t.duration_s / 60:.3g} min" if t.duration_s >= 90 else f"{t.duration_s:.3g} s"
    share, low, high = (f"{100 * x:.2g}" for x in (t.stalls / t.runs, t.stall_low, t.stall_high))
    return (
        f"Stalls: followed piece by piece, {t.stalls} of {t.runs} runs of {length} stalled, "
        f"a probability of {share} % (95 % interval {low} to {high} %)."
    )


def how_sure(p: Prediction) -> str:
    """What the numbers rest on, and the three parameters that open the band of x50 and of the rate most."""
    weak = [q for q in p.parameters if q.basis in ("assumed", "from memory")]
    own = [q for q in p.parameters if q.basis in ("measured", "calibrated")]
    total = len(p.parameters)
    if own:
        text = f"How sure: {len(own)} of {total} parameters are measured or calibrated"
    else:
        text = "How sure: nothing here is measured on your mill"
    text += f", {len(weak)} of {total} are assumed or from memory."
    if not math.isfinite(p.band_level):
        return text + " No band was run, so take these numbers as one guess among many."
    for key, words in (("x50_m", "x50"), ("throughput_kg_s", "the rate")):
        ranked = widest(p, key)[:3]
        if ranked:
            names = join_words([f"{name} (factor {factor:.2f})" for name, factor in ranked])
            text += f" The band of {words} is widened most by {names}."
    return text


def widest(p: Prediction, key: str) -> list[tuple[str, float]]:
    """Ranked parameters for an output, whether it is keyed with or without its unit."""
    for name in (key, key.split("_")[0]):
        if name in p.widest:
            return [(n, f) for n, f in p.widest[name] if math.isfinite(f)]
    return []


def measure_next(p: Prediction) -> str:
    """The measurement that narrows what widens the band most, and a second one of another kind."""
    ranked = [name for key in ("x50_m", "throughput_kg_s") for name, _ in widest(p, key)[:3]]
    advice = list(dict.fromkeys(_measurement(name) for name in ranked)) or [_MEASURE_ANYWAY]
    text = f"Measure next: {advice[0]}."
    return text + (f" Then: {advice[1]}." if len(advice) > 1 else "")


def _measurement(name: str) -> str:
    return next((words for starts, words in _MEASURE if name.startswith(starts)), _MEASURE_ANYWAY)


def compare(p: Prediction) -> list[Comparison]:
    """The quantities both engines give; allowed difference: 4 standard errors plus the stated class error."""
    if p.other is None:
        return []
    rows = []
    share = max((class_error(e) for e in (p.main, p.other)), default=0.0)
    for key, name in _COMPARED.items():
        a, b = p.main.scalars.get(key), p.other.scalars.get(key)
        if a is None or b is None or not (math.isfinite(a.value) and math.isfinite(b.value)):
            continue
        errors = [s.se for s in (a, b) if math.isfinite(s.se)]
        rows.append(
            Comparison(name, a, b, 4 * math.hypot(*errors, 0.0) + share * abs(a.value) + 1e-9 * abs(a.value))
        )
    return rows


def class_error(result: EngineResult) -> float:
    """The relative error that an engine states for its size classes; 0 when it has none."""
    value = result.numerics.get("class_error", 0.0)
    return value if math.isfinite(value) else 0.0


def engines_agree(p: Prediction) -> str:
    """Whether the two engines agree, with x50 of both, or which one was used alone."""
    name = ENGINE_WORDS.get(p.main.engine, p.main.engine)
    if p.other is None:
        return f"Engine: {name} alone; --engine both checks one engine against the other."
    rows = compare(p)
    if not rows:
        return "Two engines ran but have no number in common."
    worse = [r for r in rows if not r.agrees]
    x50 = next((r for r in rows if r.name == "x50"), rows[0])
    other = ENGINE_WORDS.get(p.other.engine, p.other.engine)
    pair = f"{x50.name} {_bare(x50.main)} ({name}) against {_bare(x50.other)} ({other})"
    if not worse:
        return f"The two engines agree within their stated errors: {pair}."
    names = join_words([r.name for r in worse])
    return f"The two engines DISAGREE beyond their stated errors in {names}: {pair}. Take care with them."


def _bare(scalar: Scalar) -> str:
    unit, factor, offset = shown_unit(scalar.value, scalar.unit)
    return f"{digits(scalar.value * factor + offset, 3)} {unit}".strip()
