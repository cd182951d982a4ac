"""Heat: how close the outlet comes to the limit, how soon, and what cold feed brings with it."""

import math

import numpy as np

from ...base.numerics.uncompiled import as_written
from ...laws import heat
from ...record.heatlimit import AT_LIMIT_K, feed_sticks, feed_sticks_words, no_powder_words
from ..heat.coolants import DRY_ICE, NITROGEN, PRACTICE, coolant_per_kg, gas_per_kg
from .facts import MillFacts, say
from .judge import PREDICT, Rule
from .line import ReviewLine

WARM_SHARE = 0.9  # of the way to the steady temperature
COLD = 2.0  # K below the room, from which the feed counts as chilled

OUTLET = Rule("heat", "outlet temperature", "K", "heat balance of feed, air and casing", "assumed",
              "model, quick prediction; margin counted from the room")  # fmt: skip
WARM = Rule("heat", "warm-up", "s", "one heat store: 1 - exp(-t / tau)", "assumed", "model, quick prediction")
COOLANT = Rule("heat", "air to breathe beside coolant", "m3",
               "1.2 heat of the feed / (latent + gas up to the feed), as gas at 20 °C", "from memory",
               f"first law; {DRY_ICE.name} {DRY_ICE.source}; {NITROGEN.name} {NITROGEN.source}")  # fmt: skip


def lines(f: MillFacts) -> list[ReviewLine]:
    """All checks of heat."""
    return [outlet(f), warm_up(f), *coolant(f)]


def outlet(f: MillFacts) -> ReviewLine:
    """Warmest of powder and air against the limit."""
    T, given, room = f.scalar("outlet_temperature_K"), f.heat, f.config.air.room_K
    if feed_sticks(given.stick_K, feed := f.config.feed.temperature_K):
        said = f"{feed_sticks_words(given.stick_K, feed)}. Chill it before it is milled"
        return OUTLET.tell("fails", feed, said, given.most_K, margin=0.0)
    limit = given.most_K
    if T is None:
        return OUTLET.missing(PREDICT, given.words)
    margin = (limit - room) / (T - room) if T > room < limit else 0.0 if T > limit else math.inf
    margin = 1.0 if 1.0 - 1e-4 < margin < 1.0 else margin
    less = ", less feed" if f.runs else ""
    better = f"More air, colder feed{less} or, where it is the empty mill that heats, a lower speed"

    def too_hot() -> str:
        none = f"; {no_powder_words(T, given.stick_K)}" if T > given.stick_K + AT_LIMIT_K else ""
        return f"{given.words()}{none}"

    def nearly() -> str:
        return f"{given.words()}: {say(limit - T, digits=2)} K are left"

    if margin < 1.0:
        return OUTLET.judge(T, limit, too_hot, better, margin=margin)
    if given.is_near(T):
        return OUTLET.tell("close", T, nearly, limit, better, margin=margin)
    return OUTLET.tell("passes", T, given.words, limit, margin=margin)


def warm_up(f: MillFacts) -> ReviewLine:
    """How long until it is warm, and when it comes near the limit."""
    if f.prediction is None:
        return WARM.missing(PREDICT)
    t, T = f.prediction.warmup
    if t.size < 2 or not np.isfinite(T).all() or abs(T[-1] - T[0]) < 0.1:
        return WARM.missing("the prediction has no warm-up")
    if f.config.feed.batch_mass_kg:
        hot = int(np.argmax(T))
        hottest = f"the batch is hottest, {say(float(T[hot]), 'degC')}, after {_minutes(float(t[hot]))}"
        return WARM.note(float(t[hot]), f"{hottest}. The first batch after a pause is the coolest.")

    def warm() -> float:
        way = np.abs(T - T[0]) / abs(T[-1] - T[0])
        return float(np.interp(WARM_SHARE, np.maximum.accumulate(way), t))

    def said() -> str:
        reached = f"{100.0 * WARM_SHARE:.0f} % of the way to {say(float(T[-1]), 'degC')} is reached after"
        near = f.heat.advised_K
        if not T[0] < near < T.max():
            return f"{reached} {_minutes(warm())}. The first batch is always the best"
        soon = float(np.interp(near, np.maximum.accumulate(T), t))
        return f"{reached} {_minutes(warm())}; {say(near, 'degC')}, the most that is advised, after {_minutes(soon)}"

    return WARM.note(warm, said)


def _minutes(seconds: float) -> str:
    """A rough time in words."""
    return say(seconds, "s", 2) if seconds < 90.0 else say(seconds, "min", 2)


def coolant(f: MillFacts) -> list[ReviewLine]:
    """The gas that chilling a kilogram of feed sets free; nothing where the feed is not chilled."""
    feed, room = f.config.feed.temperature_K, f.config.air.room_K
    if feed >= room - COLD:
        return []
    m = f.mill
    J = as_written(heat.enthalpy_rise)(m["specific_heat"], m["heat_exponent_share"], feed, room)
    c = NITROGEN if math.isinf(coolant_per_kg(DRY_ICE, J, feed)) else DRY_ICE
    mass = coolant_per_kg(c, J, feed)
    gas = mass * gas_per_kg(c)
    said = (
        f"to chill 1 kg of feed to {say(feed, 'degC')} takes {say(mass, 'kg', 2)} of {c.name}, if that is what "
        f"chills it, with {PRACTICE:g} for leaks and cold parts; "
        f"{say(gas, digits=2)} m³ of gas that drives out the air to breathe. Ventilate, keep the "
        "guard on, watch the oxygen, and never do this in a closed vessel or a cellar. Frost wets the "
        "powder when it warms"
    )
    return [COOLANT.note(gas, f"{said}.")]
