"""Limits in words: the load on each, its verdict, what binds, and what would help. Reads a Prediction only."""

import math

from ...base.quantities.written import Shown, digits, join_words, number, shown_unit, uncapital
from ...record.asked import batch_of, feed_size, stopped_after
from ...record.heatlimit import stopped_words
from ...record.limits import AT_LIMIT, CLOSE_MARGIN, GRINDING, HARDLY_GRINDS, LIMITS, cannot_run_words, nearness
from ...record.outputs import figure, shown
from ...record.prediction import MORE_CARRIES_LESS, Limit, Prediction
from ...studies.why import main_maker, threshold_J_kg
from .changes import what_would_help

FAR_OVER = 5.0  # a load this many times the limit is far off the state it was reckoned from: no number
NO_BREAKING_HITS = 1e-3  # share of hits above the threshold below which hits do not feed the mill's output
WELL = 0.1  # share of hits above the threshold from which a material counts as brittle in this mill
MUCH_AIR = 0.4  # share of the shaft power in air and bearings above which these are what to mend

NEAR = 0.05  # a load this near its limit is told to the digits that tell the two apart, whatever the band

_LOADED_BY = {  # limits whose load is one of the outputs, unless it is at another rate
    "shaft power": "shaft_power_W",
    "outlet temperature": "outlet_temperature_K",
    "chamber": "holdup_kg",
    "jam": "jam_index",
}
_LIMIT_WORDS = {
    "sieve": "the share of holes with a piece stuck in them",
    "chamber": "the charge in the chamber",
    "jam": "the jam index",
    "feed opening": "the flow through the feed opening",
    "grinding": "the work on the charge per kilogram of powder",
}
SELF_HEATED_K = 3.0  # by so much hits must have heated the powder above the air to be called the reason
FAR = 10.0  # times the load: a limit on grinding this far away is no news


def notes(p: Prediction) -> list[str]:
    """The warnings that the first sentences of a report do not say."""
    seconds = stopped_after(p)
    told = [stopped_words(seconds, p.main.scalars)] if seconds is not None else []
    told = told if p.runs or p.too_little else [cannot_run_words(p.binding)]
    return [w for w in p.warnings if w not in told]


def headroom(limit: Limit) -> float:
    """How far the load may still grow: the margin; none where the limit is below the load at rest, or where more
    charge carries less, however empty the chamber.
    """
    if limit.sentence == MORE_CARRIES_LESS:
        return min(1.0, limit.margin)
    return 0.0 if limit.capacity < limit.zero else limit.margin


def told_limits(p: Prediction) -> list[Limit]:
    """The limits worth telling: all but that on grinding, which speaks of a mill that hardly grinds or nearly so."""
    return [x for x in p.limits if x.name != LIMITS[GRINDING] or headroom(x) < FAR or x.name == p.binding]


def at_asked_rate(p: Prediction, limit: Limit) -> bool:
    """Whether the load shown is at the feed rate asked for, while the others are at what the mill takes."""
    over = p.status == "over capacity" and math.isfinite(p.requested_rate_kg_s) and not batch_of(p)
    return over and limit.name == p.binding and headroom(limit) < 1 / AT_LIMIT


def verdict(limit: Limit, binding: str) -> str:
    """One word or two on a limit."""
    free = headroom(limit)
    if math.isnan(free):
        return "unknown"
    if free < 1 - 1e-6:
        return "EXCEEDED"
    if limit.name == binding:
        return "limits it" if free <= AT_LIMIT else "first to limit"
    return "within" if free >= CLOSE_MARGIN else nearness(max(1.0, free))


def limit_figures(p: Prediction, x: Limit) -> tuple[str, str, str]:
    """Load, capacity and unit of a limit, as strings; shares in percent, no number far over the limit."""
    if x.name == "sieve" and x.unit in ("1", "-"):
        return _load(x.load * 100, x.capacity * 100), digits(x.capacity * 100), "%"
    if (found := _as_output(p, x)) is not None:
        most = x.capacity * found.factor + found.offset
        return found.value, number(most, 0) if found.offset else digits(most), found.unit
    unit, factor, offset = shown_unit(x.capacity if math.isfinite(x.capacity) else x.load, x.unit)
    load, capacity = x.load * factor + offset, x.capacity * factor + offset
    if offset:
        return number(load, 0 if abs(capacity - load) >= 10 else 1), number(capacity, 0), unit
    if far_over(x):
        return "far over", digits(capacity), unit
    return _load(load, capacity), digits(capacity), unit


def _as_output(p: Prediction, x: Limit) -> Shown | None:
    """The output that is the load, where it is and is not so near the limit that its band hides the difference."""
    key = _LOADED_BY.get(x.name, "")
    same = key in p.main.scalars and math.isclose(p.main.scalars[key].value, x.load, rel_tol=1e-9)
    return figure(p.main.scalars, key) if same and abs(x.margin - 1) > NEAR and not far_over(x) else None


def _load(load: float, capacity: float) -> str:
    """A load with fewer digits where it is small beside the limit, and 0 where it is next to nothing."""
    small = abs(load) / abs(capacity) if capacity else math.inf
    return "0" if small < 1e-4 else digits(load, 2 if small < 0.02 else 3)


def far_over(x: Limit) -> bool:
    """Whether the load is so far above the limit that a number would claim too much."""
    return x.unit != "K" and 0 < x.margin < 1 / FAR_OVER


def verdict_words(p: Prediction, x: Limit) -> str:
    """The verdict on a limit, with the rate it is for where that is not the rate found."""
    return verdict(x, p.binding) + (" (at the rate asked for)" if at_asked_rate(p, x) else "")


def margin_words(x: Limit) -> str:
    """How far a limit is away: kelvin of a temperature, else how many times the load fits."""
    if math.isnan(x.margin):
        return "unknown"
    if x.unit == "K":
        return f"{number(x.capacity - x.load, 0 if abs(x.capacity - x.load) >= 10 else 1)} K"
    if far_over(x):
        return f"under {1 / FAR_OVER:g}"
    return digits(x.margin, 3 if x.margin < 2 else 2) if x.margin < 100 else "over 100"


def limit_words(limit: Limit) -> str:
    """What a limit is on, as a noun phrase."""
    return _LIMIT_WORDS.get(limit.name, f"the {limit.name}")


def loaded(p: Prediction, limit: Limit) -> str:
    """The load on a limit and the most it takes: "371 of 400 W"; nothing where they are not known."""
    if not (math.isfinite(limit.load) and math.isfinite(limit.capacity)):
        return ""
    load, capacity, unit = limit_figures(p, limit)
    if far_over(limit):
        figures = f"far over its limit of {capacity} {unit}".strip()
    elif unit in ("", "°C"):
        figures = f"{f'{load} {unit}'.strip()}, limit {f'{capacity} {unit}'.strip()}"
    else:
        figures = f"{load} of {capacity} {unit}"
    return figures + (" at the rate asked for" if at_asked_rate(p, limit) else "")


def named(p: Prediction, limit: Limit) -> str:
    """A limit in words with its load and the most it takes in brackets."""
    figures = loaded(p, limit)
    return f"{limit_words(limit)} ({figures})" if figures else limit_words(limit)


def what_limits(p: Prediction) -> str:
    """The limit that binds or would bind first, what it means, what would come next, and what would help."""
    return f"{which_limit(p)}{_helps(p)}"


def _helps(p: Prediction) -> str:
    """What lies behind the limit that binds, and what would help, as sentences that follow on others."""
    binding = _binding(p)
    if p.status == HARDLY_GRINDS or binding is None or headroom(binding) > AT_LIMIT:
        return ""
    helps = what_would_help(p)
    return reasons(p, binding) + (f" {helps}" if helps else "")


def _binding(p: Prediction) -> Limit | None:
    return next((x for x in p.limits if x.name == p.binding), None)


def which_limit(p: Prediction) -> str:
    """The limit that binds or would bind first, what it means, and what would come next."""
    if p.status == HARDLY_GRINDS:
        return hardly_words(p)
    binding = _binding(p)
    if binding is None:
        return f"{p.binding}." if p.binding else ""
    told = binding.sentence.rstrip(".")
    text = f"{named(p, binding)}: {uncapital(told)}." if told else f"{named(p, binding)}."
    if headroom(binding) > AT_LIMIT:
        text = f"no limit of the model at this {'charge' if batch_of(p) else 'rate'}. First would come {text}"
    rest = sorted((x for x in told_limits(p) if x is not binding), key=headroom)
    full = [named(p, x) for x in rest if headroom(x) <= AT_LIMIT]
    if full:
        text += f" At or over the limit too: {join_words(full)}."
    elif rest and math.isfinite(headroom(rest[0])) and p.runs:
        text += f" Next would come {named(p, rest[0])}."
    return text


def hardly_words(p: Prediction) -> str:
    """That a mill spends its work on dents, heat and dust instead of powder."""
    x = next(x for x in p.limits if x.name == p.binding)
    _, most, unit = limit_figures(p, x)
    return (
        f"it hardly grinds: strikes, bites and stirring would take more than {most} {unit} of powder, where "
        "sawing takes less than one (common practice, no source)."
    )


def reasons(p: Prediction, limit: Limit) -> str:
    """What lies behind a limit that binds, as sentences that follow on others; nothing where it speaks for itself."""
    if limit.name in ("shaft power", "chamber") and hits_too_weak(p) and not nip_works(p):
        return _soft_hits(p)
    return {"shaft power": _air_takes, "outlet temperature": _self_heated}.get(limit.name, lambda p: "")(p)


def _air_takes(p: Prediction) -> str:
    """That moving air or turning the bearings takes much of the power."""
    into = p.main.ledger_in_W
    air, bearings = (into[k].value if k in into else 0.0 for k in ("windage", "bearings"))
    total = sum(s.value for s in into.values())
    if not total > 0.0 or air + bearings <= MUCH_AIR * total:
        return ""
    share, where = air + bearings, "bearings and air" if bearings > air else "moving air and into the bearings"
    if bearings < 0.1 * air:
        share, where = air, "moving air"
    return f" {100 * share / total:.0f} % of the shaft power goes into {where}."


def _self_heated(p: Prediction) -> str:
    """That powder hotter than the air around it has its heat from hits."""
    air, powder = (p.main.scalars.get(f"{name}_temperature_K") for name in ("air", "powder"))
    if air is None or powder is None or not powder.value - air.value > SELF_HEATED_K:
        return ""
    above = f"{powder.value - air.value:.0f} K above the air ({shown('air_temperature_K', air).text})"
    return f" The powder leaves {above}, because hits heat the pieces themselves."


def _soft_hits(p: Prediction) -> str:
    """That the tip speed is too low to break anything, and which hits would."""
    tip, size, speed = figure(p.main.scalars, "tip_speed_m_s"), feed_size(p, 0.5), breaking_speed(p)
    at = f"At {tip.text} hits" if tip is not None else "Hits"
    if not math.isfinite(speed):
        return f" {at} do not break this material."
    need = f"pieces of {digits(size * 1e3, 2)} mm need hits of about {digits(speed, 2)} m/s, finer ones more"
    return f" {at} do not break this material; {need}."


def hits_too_weak(p: Prediction) -> bool:
    """Whether next to no hit can break a piece."""
    share = p.main.scalars.get("hits_above_threshold_share")
    return share is not None and share.value < NO_BREAKING_HITS


def hits_break_well(p: Prediction) -> bool:
    """Whether hits make the powder, and not few of them only."""
    share = p.main.scalars.get("hits_above_threshold_share")
    return main_maker(p) == "impact" and share is not None and share.value > WELL


def nip_works(p: Prediction) -> bool:
    """Whether the nip between bar and wall makes most of the powder."""
    return main_maker(p) in ("nip", "pair")


def breaking_speed(p: Prediction) -> float:
    """Speed [m/s] from which hits break the median piece of the feed, at the outlet temperature; NaN if unknown."""
    outlet, x = p.main.scalars.get("outlet_temperature_K"), feed_size(p, 0.5)
    if not x > 0:
        return math.nan
    need = threshold_J_kg(p, x, outlet.value if outlet is not None else math.nan)
    return math.sqrt(2.0 * need) if need > 0 else math.nan


# Where the mill does not run as drawn, by the limit it goes beyond; nothing else can be measured on it.
_MEASURE_EMPTY = {
    "grinding": "drop a weight on 30 single pieces of the feed (`millsim droptest`): the card may be wrong by a factor",
    "outlet temperature": "measure the air speed in the inlet, and the power from the socket, of the empty mill",
    "shaft power": "read the power from the socket with the mill running empty",
}


def measure_empty(binding: str) -> str:
    """What to measure on a mill that a limit keeps from running; "" where there is nothing."""
    return f"{_MEASURE_EMPTY[binding]}." if binding in _MEASURE_EMPTY else ""
