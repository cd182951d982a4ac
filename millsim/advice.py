"""The plain sentences of a report: how much, how warm, what binds, how fine, how sure, what to measure."""

import math
import tomllib

from .comparison import engines_agree
from .params import BASES
from .paramwords import parameter_words
from .prediction import ChamberTrace, Limit, Prediction, Scalar
from .units import UnitError, parse
from .wording import Shown, capital, digits, join_words, number, shown_unit

BINDS = 1.02  # a limit with less headroom than this binds now

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
      "rate_multiplier", "chamber", "hub", "bulk", "friction"),
     "after ten minutes of steady feed, stop and weigh the powder collected and the charge left inside"),
)  # fmt: skip
_MEASURE_ANYWAY = "run ten minutes at steady feed, weigh the powder and sieve 50 g of it"
# Where the mill does not run as drawn, by the limit it goes beyond; nothing else can be measured on it.
_MEASURE_EMPTY = {
    "outlet temperature": "measure the air speed in the inlet, and the power from the socket, of the empty mill",
    "shaft power": "read the power from the socket with the mill running empty",
}

# What moves a limit out of the way; each is a trend of the model.
_REMEDY = {
    "shaft power": "a stronger motor, larger holes or a larger sieve",
    "outlet temperature": "more air, colder feed or air, or a speed at which the empty mill heats less",
    "sieve": "a sieve with more or larger holes, cleared more often",
    "chamber": "a larger sieve, larger holes or harder hits",
    "jam": "a wider gap, a heavier rotor, a stronger motor or slower feed",
    "feed opening": "a wider feed opening",
}

_LIMIT_WORDS = {
    "sieve": "the share of pegged holes",
    "chamber": "the charge in the chamber",
    "jam": "the jam index",
    "feed opening": "the flow through the feed opening",
}
_ROOM_K = 293.15  # where a prediction does not say

def sentences(p: Prediction) -> list[str]:
    """The paragraphs that lead the report, most wanted first; powder and energy only where there is any."""
    runs = p.status != "cannot run"
    said = [how_much(p), what_binds(p)]
    said += [how_fine(p), energy_words(p), stall_risk(p)] if runs else []
    said += [how_sure(p), measure_next(p)]
    said += [engines_agree(p)] if runs else []
    return [s for s in said if s]


def config_value(p: Prediction, section: str, key: str, si: str) -> float:
    """A quantity of the resolved config in SI; NaN where it is not given."""
    try:
        found = tomllib.loads(p.config_text).get(section, {}).get(key)
        return parse(found, si) if isinstance(found, str) else math.nan
    except (tomllib.TOMLDecodeError, UnitError, AttributeError):
        return math.nan


def batch_of(p: Prediction) -> tuple[float, float] | None:
    """(mass [kg], time [s]) of a batch run, None for a steady one."""
    mass = config_value(p, "feed", "batch_mass", "kg")
    time = config_value(p, "feed", "batch_time", "s")
    return (mass, time) if math.isfinite(mass) and math.isfinite(time) else None


def how_much(p: Prediction) -> str:
    """Rate and temperature, or that the mill cannot do what was asked."""
    name, batch = capital(p.mill_name), batch_of(p)
    rate, most = p.main.scalars.get("throughput_kg_s"), p.main.scalars.get("capacity_kg_s")
    if p.status == "cannot run":
        return f"{name} cannot run like this: even with next to no feed, {_over(p)}."
    if p.status == "over capacity":
        if batch:
            return f"{name} cannot take {_plain(batch[0], 'kg')} at once: {_over(p)}.{_warmth(p)}"
        asked = _plain(p.requested_rate_kg_s, "kg/s") if math.isfinite(p.requested_rate_kg_s) else "feed"
        limit = f": it takes at most about {_with_band(p, most)}" if _known(most) else ""
        return f"{name} cannot take the {asked} asked for{limit}.{_never(p, most)}{_warmth(p, ' at that rate')}"
    if batch:
        return _batch_words(p, name, *batch)
    if not _known(rate):
        return f"{name}: the rate could not be predicted.{_warmth(p)}"
    if not math.isfinite(p.requested_rate_kg_s):
        text = f"{name} makes about {_with_band(p, rate)} of powder when it gets as much as it takes"
    else:
        text = f"{name} makes {_plain(rate.value, 'kg/s')} of powder, as fed"
        text += f"; it would take about {_with_band(p, most)}" if _known(most) else ""
    kilogram = f" One kilogram takes about {duration(1 / rate.value)}." if rate.value > 0 else ""
    return f"{text}.{_never(p, rate)}{kilogram}{_warmth(p)}"


def _batch_words(p: Prediction, name: str, mass_kg: float, time_s: float) -> str:
    """What a batch has become at its end."""
    rate, left = p.main.scalars.get("throughput_kg_s"), p.main.scalars.get("holdup_kg")
    text = f"{name} is given {_plain(mass_kg, 'kg')} at once and runs {duration(time_s)}"
    if not _known(rate) or not _known(left):
        return f"{text}; what comes out could not be predicted.{_warmth(p)}"
    out = min(1.0, rate.value * time_s / mass_kg)
    shown = f"{100 * out:.0f} %" if out < 0.985 else f"{math.floor(1000 * out) / 10:.1f} %"
    text += f": {shown} of it comes out as powder, {_share_left(p, left, mass_kg)} stays inside"
    return f"{text}. Taken over the whole time that is {_plain(rate.value, 'kg/s')}.{_warmth(p)}"


def _share_left(p: Prediction, left: Scalar, mass_kg: float) -> str:
    """The charge left, in grams no finer than a hundredth, with its band."""
    places = 2 if mass_kg < 0.1 else 1 if mass_kg < 1 else 0
    grams = [number(max(0.0, v) * 1e3, places) for v in (left.value, left.low, left.high)]
    text = f"{grams[0]} g"
    if math.isfinite(left.low) and math.isfinite(left.high):
        text += f" ({band_name(p)} {grams[1]} to {grams[2]} g)"
    return text


def _over(p: Prediction) -> str:
    """Which limit is exceeded, with its numbers: a clause."""
    limit = next((x for x in p.limits if x.name == p.binding), None)
    if limit is None:
        return f"the limit of {p.binding} is exceeded" if p.binding else "a limit is exceeded"
    return f"{_named(limit)} is over its limit"


def _named(limit: Limit) -> str:
    """A limit in words with its load and the most it takes in brackets."""
    words = _LIMIT_WORDS.get(limit.name, f"the {limit.name}")
    if not (math.isfinite(limit.load) and math.isfinite(limit.capacity)):
        return words
    load, capacity, unit = limit_figures(limit)
    if unit in ("", "°C"):
        return f"{words} ({load} {unit}, limit {capacity} {unit})".replace(" ,", ",").replace(" )", ")")
    return f"{words} ({load} of {capacity} {unit})"


def limit_figures(x: Limit) -> tuple[str, str, str]:
    """Load, capacity and unit of a limit, as strings; shares in percent."""
    if x.name == "sieve" and x.unit in ("1", "-"):
        return digits(x.load * 100, 2), digits(x.capacity * 100), "%"
    unit, factor, offset = shown_unit(x.capacity if math.isfinite(x.capacity) else x.load, x.unit)
    load, capacity = x.load * factor + offset, x.capacity * factor + offset
    if offset:
        return number(load, 0 if abs(capacity - load) >= 10 else 1), number(capacity, 0), unit
    return (digits(load, 2) if abs(load) < 0.01 * abs(capacity) else digits(load)), digits(capacity), unit


def _known(scalar: Scalar | None) -> bool:
    return scalar is not None and math.isfinite(scalar.value)


def _never(p: Prediction, rate: Scalar | None) -> str:
    """That some draws of the parameters do not run, where the low end of the rate is next to nothing."""
    if rate is None or not math.isfinite(rate.low) or rate.low > 1e-3 * rate.value:
        return ""
    return " With some of the parameter values that are plausible it cannot run at all."


def _warmth(p: Prediction, when: str = "") -> str:
    outlet = p.main.scalars.get("outlet_temperature_K")
    if not _known(outlet):
        return ""
    if batch_of(p):
        text = f" It gets as warm as {_with_band(p, outlet)}"
    else:
        text = f" Powder and air leave at {_with_band(p, outlet)}{when}"
    if math.isfinite(p.temperature_limit_K):
        text += f"; the limit is {number(p.temperature_limit_K - 273.15, 0)} °C"
    return text + "."


def _with_band(p: Prediction, scalar: Scalar) -> str:
    shown = Shown(scalar)
    if not shown.band or shown.fixed:
        return f"{shown.value} {shown.unit}".strip()
    return f"{shown.value} {shown.unit} ({band_name(p)} {shown.band} {shown.unit})".replace(" )", ")")


def _plain(value: float, unit: str) -> str:
    """A number that was given, not predicted: as it was given, in its workshop unit."""
    shown, factor, offset = shown_unit(value, unit)
    return f"{digits(value * factor + offset)} {shown}".strip()


def band_name(p: Prediction) -> str:
    """ "80 % band"."""
    return f"{p.band_level * 100:.3g} % band" if math.isfinite(p.band_level) else "band"


def duration(seconds: float) -> str:
    """A length of time in the unit people would use, to two digits."""
    if seconds < 90:
        return f"{digits(seconds, 2)} s"
    if seconds < 7200:
        return f"{digits(seconds / 60, 2)} min"
    return f"{digits(seconds / 3600, 2)} h" if seconds < 172800 else f"{digits(seconds / 86400, 2)} days"


def what_binds(p: Prediction) -> str:
    """The limit that binds or would bind first, what it means, what would come next, and what would help."""
    binding = next((x for x in p.limits if x.name == p.binding), None)
    if binding is None:
        return f"What binds: {p.binding}." if p.binding else ""
    told = binding.sentence.rstrip(".")
    said = f"{_named(binding)}: {told[:1].lower()}{told[1:]}." if told else f"{_named(binding)}."
    if headroom(binding) > BINDS:
        text = f"What binds: nothing at this {'charge' if batch_of(p) else 'rate'}. First would come {said}"
    else:
        text = f"What binds: {said}"
    rest = sorted((x for x in p.limits if x is not binding), key=lambda x: headroom(x))
    full = [_named(x) for x in rest if headroom(x) <= BINDS]
    if full:
        text += f" At or over the limit too: {join_words(full)}."
    elif rest and math.isfinite(headroom(rest[0])) and p.status != "cannot run":
        text += f" Next would come {_named(rest[0])}."
    remedy = _REMEDY.get(binding.name, "")
    if remedy and headroom(binding) <= BINDS:
        remedy = remedy.replace("slower feed", "a smaller batch") if batch_of(p) else remedy
        text += f" What would help: {remedy}."
    return text


def room_K(p: Prediction) -> float:
    """The temperature of the room in kelvin, as the config says."""
    room = config_value(p, "air", "room", "K")
    return room if math.isfinite(room) else _ROOM_K


def headroom(limit: Limit) -> float:
    """How far the load may still grow: the margin; none where the limit is below the load at rest."""
    return 0.0 if limit.capacity < limit.zero else limit.margin


def verdict(limit: Limit, binding: str) -> str:
    """One word or two on a limit."""
    free = headroom(limit)
    if free < 1 - 1e-6:
        return "EXCEEDED"
    if limit.name == binding:
        return "binds" if free <= BINDS else "first to bind"
    return "at limit" if free <= BINDS else "close" if free < 1.2 else "ok"


def how_fine(p: Prediction) -> str:
    """x50 and x90 with their bands, in words."""
    x50, x90 = p.main.scalars.get("x50_m"), p.main.scalars.get("x90_m")
    if not _known(x50):
        return ""
    text = f"How fine: half of the powder by mass is finer than x50 = {_with_band(p, x50)}"
    if _known(x90):
        text += f", 90 % is finer than x90 = {_with_band(p, x90)}"
    return f"{text}. The sieve hole is {_plain(p.hole_m, 'm')}."


def energy_words(p: Prediction) -> str:
    """Energy per kilogram in both units, gross and net, and what the hits do."""
    gross, net = p.main.scalars.get("gross_J_kg"), p.main.scalars.get("net_J_kg")
    if not _known(gross):
        return ""
    text = f"Energy: {_with_band(p, gross)} from the socket, or {_kilojoule(gross)}"
    if _known(net) and net.value > 0:
        text += f"; {Shown(net).value} {Shown(net).unit} of it comes on top of what the empty mill draws"
    return f"{text}.{_hits(p)}"


def _hits(p: Prediction) -> str:
    """How often a particle is hit, and how many of the hits can break it."""
    hits, share = p.main.scalars.get("hits_per_particle"), p.main.scalars.get("hits_above_threshold_share")
    if not (_known(hits) and _known(share)):
        return ""
    text = f" A particle is hit about {digits(hits.value, 2)} times before it leaves"
    if share.value < 5e-4:
        return f"{text}, never hard enough to break it: what breaks it is the nip between bar and wall."
    return f"{text}; {digits(share.value * 100, 2)} % of the hits are hard enough to break it."


def _kilojoule(s: Scalar) -> str:
    return f"{digits(s.value / 1e3, 2)} kJ/kg"


def stall_risk(p: Prediction) -> str:
    """The stall probability of the chamber mode in words."""
    t = p.trace
    if t is None or t.runs <= 0:
        return ""
    asked = _plain(p.requested_rate_kg_s, "kg/s") if math.isfinite(p.requested_rate_kg_s) else "this rate"
    how = f"Stalls: started empty, fed {asked} and followed piece by piece, {stall_counts(t)}"
    low, high = 100 * t.stall_low, 100 * t.stall_high
    return f"{how}; the chance of it is {digits(low, 2)} to {digits(high, 2)} % (95 % interval)."


def stall_counts(t: ChamberTrace) -> str:
    """How many runs of the chamber mode stalled: "none of 48 runs of 3 s stalled"."""
    count = "none" if t.stalls == 0 else f"all {t.runs}" if t.stalls == t.runs else f"{t.stalls}"
    runs = f"runs of {duration(t.duration_s)} stalled"
    if t.chokes:
        runs += f" ({'all' if t.chokes == t.stalls else t.chokes} of these with a full chamber)"
    return f"{count} {runs}" if t.stalls == t.runs else f"{count} of {t.runs} {runs}"


def how_sure(p: Prediction) -> str:
    """What the numbers rest on, and the three parameters that open the band of x50 and of the rate most."""
    weak = [q for q in p.parameters if q.basis in BASES[BASES.index("from memory") : BASES.index("config")]]
    own = [q for q in p.parameters if q.basis in ("measured", "calibrated")]
    total = len(p.parameters)
    if own:
        text = f"How sure: {len(own)} of {total} parameters are measured or calibrated"
    else:
        text = "How sure: nothing here is measured on your mill"
    text += f", {len(weak)} of {total} {'' if own else 'parameters '}are assumed or from memory."
    if not math.isfinite(p.band_level):
        return text + " No band was run, so take these numbers as one guess among many."
    named: set[str] = set()
    rate = "what comes out" if batch_of(p) else "the rate"
    for key, words in (("x50_m", "the powder size x50"), ("throughput_kg_s", rate)):
        ranked = [item for item in widest(p, key)[:3] if item[1] > 1.005]
        if ranked and p.status != "cannot run":
            text += f" The band of {words} is widened most by {join_words(_factors(ranked, named))}."
    return text


def _factors(ranked: list[tuple[str, float]], named: set[str]) -> list[str]:
    """Parameters in words with the factor they open an output by; the identifier once, the first time."""
    said = []
    for name, factor in ranked:
        by = f"by a factor of {digits(factor, 2)}" if factor < 100 else "which decides whether it runs at all"
        said.append(f"{parameter_words(name)} ({by if name in named else f'{name}, {by}'})")
        named.add(name)
    return said


def widest(p: Prediction, key: str) -> list[tuple[str, float]]:
    """Ranked parameters for an output, whether it is keyed with or without its unit; factors may be inf."""
    for name in (key, key.split("_")[0]):
        if name in p.widest:
            return [(n, f) for n, f in p.widest[name] if not math.isnan(f)]
    return []


def measure_next(p: Prediction) -> str:
    """The measurement that narrows what widens the band most, and a second one of another kind."""
    ranked = [name for key in ("x50_m", "throughput_kg_s") for name, _ in widest(p, key)[:3]]
    advice = list(dict.fromkeys(_measurement(name) for name in ranked)) or [_MEASURE_ANYWAY]
    if p.status == "cannot run":
        advice = [_MEASURE_EMPTY[p.binding]] if p.binding in _MEASURE_EMPTY else []
    if not advice:
        return ""
    text = f"Measure next: {advice[0]}."
    return text + (f" Then {advice[1]}." if len(advice) > 1 else "")


def _measurement(name: str) -> str:
    return next((words for starts, words in _MEASURE if name.startswith(starts)), _MEASURE_ANYWAY)
