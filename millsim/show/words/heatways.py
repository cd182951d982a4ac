"""What would let a mill run where heat is against it, in words; and what is asked of a room and its feed."""

import math

from ...base.quantities.written import digits, duration, rate_words
from ...record.heatlimit import celsius
from ...studies.heat.answers import AIR, CHILL, INLET, LESS, PAUSES, SLOWER, HeatAnswers, Help

NO_DIFFERENCE = (
    "The card gives this material the same strength cold and warm, so the model cannot show that it gets tougher with "
    "heat; your own card with both can"
)
_WHAT = {LESS: "a lower feed rate", PAUSES: "pauses"}


def doubt(a: HeatAnswers) -> str:
    """A room warmer than its feed is asked about; "" where there is no doubt."""
    if not a.doubt:
        return ""
    room, feed = a.config.air.room_K, a.config.feed.temperature_K
    return (
        f"Is the feed really at {celsius(feed)} in a room of {celsius(room)}, as given and reckoned here? Feed that "
        f'has lain there is as warm as the room: --feed "{celsius(room)}".'
    )


def ways(a: HeatAnswers) -> str:
    """The ways in order, each with what it gives; then those that were tried and do not help."""
    if not a.ways:
        return ""
    feed = a.config.feed
    asked = "this batch" if feed.batch else rate_words(feed.rate_kg_s) if feed.rate_kg_s is not None else "any feed"
    good = [x for x in a.ways if x.rate_kg_s > 0.0]
    text = f"Heat is against {asked} in a room of {celsius(a.config.air.room_K)}. "
    does = "let it mill"
    if a.margin_used:
        text = "The advised margin is used up. " if a.limit.is_card else "It runs warmer than that. "
        does = "keep it"
    if good:
        said = [f"({i}) {_told(a, x)}{_hotter(a, x)}" for i, x in enumerate(good, start=1)]
        text += f"What would {does} within {celsius(a.limit_K)}, each tried alone, in the order a workshop would try: "
        text += f"{'; '.join(said)}."
    else:
        text += f"No single way that was tried {'keeps it there' if a.margin_used else 'lets it mill'}."
    bad = [_tried(x) for x in a.ways if not x.rate_kg_s > 0.0]
    return text + (f" Tried without success: {'; '.join(bad)}." if bad else "")


def _told(a: HeatAnswers, x: Help) -> str:
    """One way with what it gives."""
    if x.kind == LESS:
        return f"feed less: {rate_words(x.rate_kg_s)} with the air there is"
    gives = "enough" if x.enough and a.config.feed.batch else rate_words(x.rate_kg_s)
    if x.enough and not a.config.feed.batch:
        gives += ", as asked" if a.config.feed.rate_kg_s is not None else ", as much as now" if a.margin_used else ""
    if x.kind == PAUSES:
        lead = "at best, " if x.by else ""
        return f"pauses: {lead}{duration(x.value)} of milling, then {duration(x.pause_s)} of pause, {gives} on average"
    if x.kind == SLOWER and math.isfinite(x.x50_m):
        gives += f" at x50 {digits(x.x50_m * 1e3, 2)} mm"
    return f"{_done(x)}: {gives}" + (f" (farther, the review fails it: {x.stopped})" if x.stopped else "")


def _hotter(a: HeatAnswers, x: Help) -> str:
    """That a way keeps to the sticking point only, not to what is advised."""
    return f" (only up to {celsius(x.limit_K)}, where it begins to stick)" if x.limit_K > a.limit_K else ""


def _tried(x: Help) -> str:
    """What was tried in vain, as far as it goes."""
    if x.kind in (INLET, AIR, CHILL, SLOWER):
        return _done(x) + (f" (the review fails it: {x.stopped})" if x.stopped else "")
    return _WHAT[x.kind]


def step_words(x: Help) -> str:
    """One way in a few words, for a key."""
    if x.kind == LESS:
        return f"feed less, {rate_words(x.rate_kg_s)}"
    return _WHAT.get(x.kind) or _done(x)


def _done(x: Help) -> str:
    """What is done."""
    if x.kind == INLET:
        return f"an air inlet of {digits(x.value * 1e4, 2)} cm²"
    if x.kind == AIR:
        return f"suction of {digits(x.value, 2)} Pa"
    if x.kind == CHILL:
        return f"feed at {celsius(x.value)} ({x.by})"
    return f"the rotor at {x.value * 30.0 / math.pi:.0f} rpm"
