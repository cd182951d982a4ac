"""Heat and cooling answers in plain words; tables and JSON: `heattables`."""

import math
import re

from ...base.quantities.scalar import Scalar
from ...base.quantities.written import Shown, capital, digits, duration, join_words, number, shown_unit, wrap
from ...base.reading.key import AS_MUCH
from ...forecast.outcome import NEXT_TO_NONE
from ...laws import air, cooling
from ...record.heatlimit import CONTACT_K, celsius, feed_sticks_words, no_powder, no_powder_words
from ...record.limits import GRINDING, LIMITS, TEMPERATURE, TRY_PREDICT, cannot_run_words
from ...studies.heat.answers import HeatAnswers
from ...studies.heat.cool import DRY_ICE, LEAST_OXYGEN, MOST_CO2, NITROGEN, PRACTICE, Coolant, fresh_air, gas_per_kg
from ...studies.heat.runaway import Runaway
from ...studies.heat.stand import MOST_BLOWER
from .heat_tables import coolant_table, figure_table, rests_on
from .heatways import NO_DIFFERENCE, doubt, ways

_GLUE = re.compile(r"(?<=\d) (?=(Pa|kPa|m³/h|m³|m/s|kg/h|g/h|kg/kg|kg)\b)")  # what `wrap` would part
COLD_COOLER_K = 233.15  # colder than that no small cooler goes (assumed)
DEW_K = 282.4  # 20 °C and half saturated air begins to drip at 9 °C (handbook, Magnus formula)
LITTLE_GAIN = 0.005  # below that heat counts as not feeding itself
_LIMITS = {"jam": "the jam index", "sieve": "the share of stuck holes", "chamber": "the charge in the chamber"}
_INSTEAD = {"chamber": "fed that fast it fills up", "jam": "fed that fast it jams"}


def plain(value: float, unit: str, count: int = 2) -> str:
    """A figure in its workshop unit, to a few digits."""
    name, factor, offset = shown_unit(value, unit)
    return f"{digits(value * factor + offset, count)} {name.replace('dK', 'K')}".strip()


def said(a: HeatAnswers, name: str) -> str:
    """A figure with its band."""
    s = a.values[name]
    shown = Shown(s)
    unit = shown.unit.replace("dK", "K")
    if not shown.band or shown.fixed or math.isinf(s.low) and math.isinf(s.high):
        return f"{shown.value} {unit}".strip()
    return f"{shown.value} {unit} (80 % band {shown.band} {unit})".replace(" )", ")")


def binds(limit: str) -> str:
    """A limit in words."""
    return _LIMITS.get(limit, f"the {limit}")


def heat_text(a: HeatAnswers) -> str:
    """All answers for people: sentences, then the tables, then what it rests on."""
    lines = [line for s in sentences(a) for line in wrap(_GLUE.sub("\u00a0", s))]
    lines += ["", "Figures", *figure_table(a)]
    if a.note != "cannot":
        lines += ["", *wrap(f"Coolant per kilogram of feed, {PRACTICE:g} times the ideal"), *coolant_table(a)]
    return "\n".join([*lines, "", *(line for s in rests_on(a) for line in wrap(s))]) + "\n"


def sentences(a: HeatAnswers) -> list[str]:
    """The answers in words, the shortest way through them first."""
    parts = [_now(a), doubt(a), ways(a), _empty(a), _where(a)]
    if a.note == "cannot":
        parts += [_air(a) if a.binding == "outlet temperature" else "", _hot_day(a)]
    else:
        parts += [_largest(a), _air(a), _pauses(a), _cooler(a), _cold_feed(a), _gas(a), _hot_day(a), _runaway(a)]
    return [p for p in parts if p]


def _rate(a: HeatAnswers) -> str:
    if (batch := a.config.feed.batch) is not None:
        return f"with a batch of {plain(batch.mass_kg, 'kg', 3)} in {duration(batch.time_s)}"
    return f"at {plain(a.rate_kg_s, 'kg/s', 3)}" if a.rate_kg_s is not None else ""


def _now(a: HeatAnswers) -> str:
    """Where it stands now, against the limit."""
    name, T = capital(a.config.name), a.value("outlet_K")
    at = f"{celsius(a.limit_K)}, for " if a.limit.is_card else ""
    lead = f"{name}, heat and cooling. The limit asked about: {at}{a.limit.words()}."
    if a.note == "cannot":
        if a.binding == LIMITS[GRINDING]:
            return f"{lead} {cannot_run_words(a.binding, 'It')}; {TRY_PREDICT}."
        if a.sticks:
            told = feed_sticks_words(a.stick_K, a.config.feed.temperature_K)
            return f"{lead} It cannot run like this: {told}. Chill it first."
        lead += f" It cannot run like this: even with next to no feed {binds(a.binding)} is over its limit"
        return f"{lead}{_hotter_powder(a, 'least')}."
    if a.note == "over" and a.config.feed.rate_kg_s is not None:
        asked = plain(a.config.feed.rate_kg_s, "kg/s", 3)
        why = "; ".join(filter(None, (binds(a.binding), _INSTEAD.get(a.binding))))
        lead += f" The {asked} asked for are too much for it ({why}), so this is about the most it takes."
    if not math.isfinite(T):
        return f"{lead} {capital(_rate(a))} it finds no steady state: heat or charge grow without end."
    verb = " it gets as warm as" if a.rate_kg_s is None else " powder and air leave at"
    if a.rate_kg_s is not None and a.config.feed.rate_kg_s is None:
        verb = f", {AS_MUCH},{verb}"
    text = f"{lead} {capital(_rate(a))}{verb} {said(a, 'outlet_K')}: {_verdict(a, T)}."
    return text + _above_asked(a)


def _verdict(a: HeatAnswers, T: float) -> str:
    if no_powder(a.stick_K, T):
        return no_powder_words(T, a.stick_K)
    if T > a.limit_K + 0.05:
        return f"{number(T - a.limit_K, 1 if T - a.limit_K < 10 else 0)} K over the limit"
    near = "at the limit" if a.limit_K - T < 0.5 else f"{number(a.limit_K - T, 0)} K below the limit"
    return near + ("" if a.stick_K - T >= CONTACT_K else f", and {number(a.stick_K - T, 0)} K below sticking")


def _above_asked(a: HeatAnswers) -> str:
    if a.note != "hot":
        return ""
    return f" `millsim predict` calls that rate over capacity: {binds(a.binding)} is against it."


def _empty(a: HeatAnswers) -> str:
    """The heat the mill makes with nothing in it."""
    windage, bearings = (plain(a.value(f"idle_{k}_W"), "W") for k in ("windage", "bearings"))
    return (
        f"Empty mill: stirring the air takes {windage} at the shaft and warms it by {said(a, 'idle_rise_dK')}, to "
        f"{celsius(a.value('idle_K'))}; bearings and seals take {bearings} more, outside the chamber. Milling feed at "
        "room temperature only adds to that."
    )


def _where(a: HeatAnswers) -> str:
    """Where the heat goes, and the check by hand."""
    P, Q = a.value("heat_W"), a.value("air_m3_s")
    if not math.isfinite(P) or a.note == "cannot":
        return ""
    measured = "the measured" if a.air_given else "the predicted"
    if a.rate_kg_s is None:
        return f"Heat: {plain(P, 'W', 3)} on average; {measured} air is {plain(Q, 'm3/s')} of room air."
    air_, powder, casing = (f"{100 * a.value(f'by_{k}_W') / P:.0f} %" for k in ("air", "powder", "casing"))
    rho = air.air_density(a.config.air.room_K)
    return (
        f"Heat: {plain(P, 'W', 3)} are set free in the chamber; the air carries away {air_} of it, the "
        f"powder {powder}, the casing {casing}. By hand: if all of it left with {measured} air, "
        f"{plain(Q, 'm3/s')} at the room's temperature, the air would warm by "
        f"{plain(a.value('air_alone_dK'), 'dK')} = {digits(P, 3)} W / ({rho:.2f} kg/m³ × {air.SPECIFIC_HEAT:.0f} J/(kg "
        f"K) × {digits(Q, 3)} m³/s). Twice the air would bring the outlet to {said(a, 'doubled_K')}."
    )


def _largest(a: HeatAnswers) -> str:
    """The largest feed rate, or charge, within the limit, and what binds it."""
    batch = a.rate_kg_s is None
    name = "largest_kg" if batch else "largest_kg_s"
    what = "charge" if batch else "feed rate"
    value = a.value(name)
    if math.isnan(value):
        return f"Largest {what} within the limit: not found, the search did not settle."
    if value <= 0.0:
        why = _hotter_powder(a, "least") if a.largest_binding == LIMITS[TEMPERATURE] else ""
        if a.limit_K <= a.config.air.room_K:
            return f"Largest {what} within the limit: none, for the room is as warm."
        over = f"{binds(a.largest_binding)} is over it with next to no feed"
        return f"Largest {what} within the limit: none, {over}{why}."
    if math.isinf(value):
        return f"Largest {what} within the limit: far above the one asked for; no limit is reached."
    heat = a.largest_binding == "outlet temperature"
    why = "the temperature limits it" if heat else f"not heat but {binds(a.largest_binding)} limits it there"
    return f"Largest {what} within the limit: {said(a, name)}; {why}."


def _air(a: HeatAnswers) -> str:
    """The air that keeps the limit, and what moves it."""
    need, now, pressure = a.value("air_needed_m3_s"), a.value("air_m3_s"), a.value("blower_needed_Pa")
    at = "" if a.rate_kg_s is None else f" {_rate(a)}" if a.note != "cannot" else " by the empty mill"
    if math.isinf(need):
        most = digits(MOST_BLOWER / 1e3, 2)
        return (
            f"Air needed{at}: no blower up to {most} kPa keeps the limit; make inlet, sieve and filter larger, cool "
            "the air or the feed, or feed less."
        )
    if need <= 0.0:
        return f"Air needed{at}: next to none; the limit is kept without."
    text = f"Air needed{at}: {said(a, 'air_needed_m3_s')} of room air against {plain(now, 'm3/s')} now"
    if pressure <= 0.0:
        return f"{text}; the rotor's own fan moves more than that without a blower."
    losses = {k: a.value(f"needed_{k}_Pa") for k in ("inlet", "sieve", "filter", "rotor")}
    worst = max(losses, key=lambda k: losses[k])
    speed = need / a.config.air.inlet_area_m2
    note = {"rotor": " (it moves less by itself; assumed fan curve)"}
    parts = join_words([f"the {k} {digits(v, 2)} Pa{note.get(k, '')}" for k, v in losses.items() if v > 0.0])
    better = "a way for air past it" if worst == "rotor" else "a larger one"
    present = plain(a.config.air.blower_pressure_Pa, "Pa")
    now_words = "" if a.air_given else f" in place of {present} now"
    return (
        f"{text}. That takes a blower of {said(a, 'blower_needed_Pa')}{now_words}: {parts} take it up, and "
        f"the air enters at {digits(speed, 2)} m/s. The {worst} takes most: {better} saves blower."
    )


def _pauses(a: HeatAnswers) -> str:
    """Batch time and pauses where it does not stay within the limit."""
    if a.rate_kg_s is None:
        return _batch_time(a)
    if a.value("outlet_K") <= a.limit_K:
        return "Batches and pauses: for heat none are needed, by this reckoning; dust, wear and motor may ask for them."
    model, most = a.value("run_s"), a.value("most_run_s")
    if math.isnan(most):
        return ""
    lead = f"Batches and pauses: {_rate(a)} it does not stay within the limit. "
    if most <= 0.0:
        return lead + "It is over it from the first moment, so pauses do not help."
    if model > 0.0:
        first, last = (duration(s) for s in sorted((model, most)))
        span = first if first == last else f"{first} to {last}"
        return f"{lead}From cold it runs {span}, as the heat finds its way into the casing. " + _cycle_words(a, "")
    text = (
        "The air is over it within seconds, before the casing has warmed up, as the model has it. If all heat went "
        f"through the casing first, a cold mill would run {duration(most)}: the truth lies between, so watch a "
        "thermometer in the outlet. "
    )
    return lead + text + _cycle_words(a, "most_", "At best, then, ")


def _cycle_words(a: HeatAnswers, key: str, lead: str = "") -> str:
    again, idle, stopped = (a.value(f"{key}{n}") for n in ("next_s", "pause_idle_s", "pause_stop_s"))
    pauses = [f"{duration(idle)} running empty"] if math.isfinite(idle) and idle > 0.0 else []
    pauses += [f"{duration(stopped)} standing still"] if math.isfinite(stopped) else []
    mean = plain(a.value(f"{key}mean_kg_s"), "kg/s")
    return capital(
        f"{lead}each further run of {duration(again)} needs a pause of {join_words(pauses, 'or')}, until the casing "
        f"has lost half of its rise over the room (assumed); that is {mean} on average.{_better(a, key)}"
    )


def _better(a: HeatAnswers, key: str) -> str:
    steady = a.value("largest_kg_s")
    if not steady > a.value(f"{key}mean_kg_s"):
        return ""
    return f" Fed steadily it gives more: {plain(steady, 'kg/s')}."


def _batch_time(a: HeatAnswers) -> str:
    run, batch = a.value("run_s"), a.config.feed.batch
    if math.isfinite(run) or batch is None:
        text = f"Batch time: after {duration(run)} this batch is over the limit."
    else:
        text = f"Batch time: this batch stays within the limit for its {duration(batch.time_s)}."
    rise = a.value("casing_K") - a.config.air.room_K
    return f"{text} Its casing ends {digits(rise, 2)} K above the room, and the next batch begins that much warmer."


def _cooler(a: HeatAnswers) -> str:
    """Recirculated air through a cooler."""
    T, share = a.value("cooler_K"), f"{100 * a.recirculated:.0f} %"
    own = "as configured" if a.config.air.recirculated else "as an example"
    lead = f"Air in a circle: with {share} of the air ({own}) coming back through a cooler, "
    if T == math.inf:
        return f"{lead}it would need no cooling below the limit itself."
    if T == -math.inf or T < COLD_COOLER_K:
        return f"{lead}no small cooler is cold enough to keep the limit: more air first."
    text = f"{lead}it must leave the cooler at {said(a, 'cooler_K')} or colder, and the cooler takes "
    text += f"{said(a, 'cooler_W')}{'' if a.rate_kg_s is not None else ' at the peak'}"
    if T >= a.config.air.room_K + 5.0:
        text += "; tap water or room air will do"
    elif T < DEW_K:
        text += "; below about 9 °C moisture of a common room drips out of the air and wets powder and filter"
    return f"{text}. Filter it before it comes back: dust gathers in a closed circle."


def _cold_feed(a: HeatAnswers) -> str:
    """Feed chilled beforehand."""
    T, own = a.value("feed_K"), a.config.feed.temperature_K
    said_own = _own_chill(a)
    iced = f"feed at -78.5 °C (dry ice, {digits(a.value('iced_dry_ice'), 2)} kg/kg) would leave at {said(a, 'iced_K')}"
    iced += "" if a.toughens else ", though the card gives it no other strength cold than warm"
    iced = "" if own <= DRY_ICE.T_K + 1.0 else f"; {iced}"
    if T == math.inf or T >= own:
        first = "no colder than it is" if said_own else "not needed"
        return f"Chilled feed: {first} for the limit{iced}.{said_own}"
    if T == -math.inf:
        at = "with this charge" if a.rate_kg_s is None else "at this rate"
        return f"Chilled feed: not even feed at 77 K keeps the limit {at}{iced}.{said_own}"
    ways = []
    for c, name in ((DRY_ICE, "dry_ice"), (NITROGEN, "nitrogen")):
        if math.isfinite(a.value(name)):
            ways.append(f"{digits(a.value(name), 2)} kg of {c.name}")
    return (
        f"Chilled feed: feed at {said(a, 'feed_K')} would keep the limit; that takes {join_words(ways, 'or')} per kg "
        f"of feed{iced}.{said_own} Frost blinds the sieve: chill in a closed box, and feed it dry."
    )


def _own_chill(a: HeatAnswers) -> str:
    """What the feed temperature of the config takes, where it is below the room's."""
    own = a.config.feed.temperature_K
    if own >= a.config.air.room_K - 5.0:
        return ""
    ways = [f"{digits(a.value(name), 2)} kg of {c.name}" for c, name in (
        (DRY_ICE, "own_dry_ice"), (NITROGEN, "own_nitrogen")) if math.isfinite(a.value(name))]  # fmt: skip
    return f" Feed at {celsius(own)}, as configured, takes {join_words(ways, 'or')} per kg."


def _gas(a: HeatAnswers) -> str:
    """How much gas the coolant that would be used makes, and the fresh air that asks for."""
    volumes = ", ".join(f"1 kg of {c.name} makes {digits(gas_per_kg(c), 2)} m³ of gas" for c in (DRY_ICE, NITROGEN))
    text = f"Coolant gas: {volumes}. It drives out the oxygen and lies on the floor. "
    if a.rate_kg_s is not None:
        need = [_fresh(a, DRY_ICE, "iced_dry_ice"), _fresh(a, NITROGEN, "all_nitrogen")]
        text += f"{capital(join_words([n for n in need if n]))} (well mixed, steady; workplace limits, from memory). "
    return text.rstrip()


def _fresh(a: HeatAnswers, c: Coolant, name: str) -> str:
    per_kg = a.value(name)
    if not math.isfinite(per_kg) or per_kg <= 0.0:
        return ""
    gas = per_kg * (a.rate_kg_s or 0.0) * gas_per_kg(c)
    fresh = plain(fresh_air(c, gas), "m3/s")
    if c is DRY_ICE:
        why = f"to stay below {100 * MOST_CO2:g} % carbon dioxide"
        use = f"feed chilled with {digits(per_kg, 2)} kg/kg of dry ice"
    else:
        why = f"to keep {100 * LEAST_OXYGEN:g} % oxygen"
        use = f"carrying all heat of the mill with {digits(per_kg, 2)} kg/kg of nitrogen"
    return f"{use} asks for {fresh} of fresh air {why}"


def _hot_day(a: HeatAnswers) -> str:
    """The same mill in a hot room, with what it makes empty set apart."""
    room, T = celsius(a.hot_room_K), a.value("hot_K")
    empty = f"running empty it reaches {celsius(a.value('hot_idle_K'))}, {plain(a.value('hot_idle_rise_dK'), 'dK')} "
    empty += "of it by itself"
    if a.note == "cannot":
        return f"Hot day, room at {room}: {empty}."
    verb = "it gets as warm as" if a.rate_kg_s is None else "the outlet is at"
    state = f"{verb} {said(a, 'hot_K')}" if math.isfinite(T) else "it finds no steady state"
    sticks = f", over the {celsius(a.stick_K)} at which it sticks" if a.stick_K < T < math.inf else ""
    most = a.values["hot_largest_kg" if a.rate_kg_s is None else "hot_largest_kg_s"]
    if a.limit_K <= a.hot_room_K:
        left = f"nothing can be milled within {celsius(a.limit_K)}, for the room is as warm"
    elif math.isnan(most.value):
        left = "the most within the limit was not found, the search did not settle"
    elif most.value <= 0.0:
        left = f"nothing can be milled within {celsius(a.limit_K)}{_hotter_powder(a, 'hot_least')}"
    else:
        left = f"the most within the limit is {_most(a, most)}"
    return f"Hot day, room at {room}: {state}{sticks}; {left}; {empty}."


def _hotter_powder(a: HeatAnswers, key: str) -> str:
    """That powder leaves hotter than the air around it, where that is why it is over the limit; begins with a colon."""
    air_K, powder_K = a.value(f"{key}_air_K"), a.value(f"{key}_powder_K")
    if not powder_K > max(air_K, a.limit_K):
        return ""
    above = f"at {celsius(powder_K)}, {number(powder_K - air_K, 0)} K above the air ({celsius(air_K)})"
    return f": even at {plain(NEXT_TO_NONE, 'kg/s')} the powder leaves {above}, because hits heat the pieces themselves"


def _most(a: HeatAnswers, most: Scalar) -> str:
    shown = Shown(most)
    value = f"{shown.value} {shown.unit}".strip() if math.isfinite(most.value) else "far above what is asked"
    return f"{value} ({binds(a.hot_binding)} limits it)" if a.hot_binding else value


def _runaway(a: HeatAnswers) -> str:
    """Whether heat feeds itself."""
    r = a.runaway
    if r is None:
        return "" if a.rate_kg_s is None else "RUNAWAY: at this rate the mill finds no steady state at all."
    gain = "loop gain unclear, beside this state nothing settles"
    gain = f"loop gain {digits(r.gain, 2)}" if math.isfinite(r.gain) else gain
    if r.gain >= 1.0:
        text = f"RUNAWAY: hotter, tougher, hotter. The state above is not one the mill stays in: {gain}"
    elif math.isfinite(r.threshold_K):
        text = _runs_away(a, r.threshold_K, r.hot_K, gain)
    else:
        text = _calm(a, r, gain)
    return f"{text}." if a.toughens else f"{text}. {NO_DIFFERENCE}."


def _calm(a: HeatAnswers, r: Runaway, gain: str) -> str:
    """That no hot state was found in this room, and whether that holds for the hot day."""
    text = f"Runaway: in a room of {celsius(a.config.air.room_K)} none found up to {celsius(r.top_K)}"
    if not math.isfinite(r.gain):
        text += f", but whether heat feeds itself is not known ({gain})"
    elif r.gain > LITTLE_GAIN:
        why = " (hotter, tougher, hotter)" if a.toughens else ""
        more = digits(cooling.amplification(r.gain), 3)
        text += f". Heat feeds itself a little{why}: {gain}, so a kelvin of disturbance ends as {more} K"
    else:
        text += f"; heat does not feed itself ({gain})"
    if math.isinf(a.value("hot_K")):
        text += ". On the hot day above it is otherwise: at this rate nothing settles there, heat or charge grow on"
    return text


def _runs_away(a: HeatAnswers, threshold_K: float, hot_K: float, gain: str) -> str:
    """That there is a temperature from which the mill does not come back."""
    above = number(threshold_K - a.value("air_K"), 0)
    then = f"settles at {celsius(hot_K)}" if math.isfinite(hot_K) else "chokes or heats on"
    text = f"RUNAWAY possible: hotter, tougher, hotter. Once the chamber is above {celsius(threshold_K)}, {above} K "
    text += f"over where it stands, it does not come back by itself but {then}; {gain}"
    return text + ("" if threshold_K <= a.stick_K else f" (it sticks before, at {celsius(a.stick_K)})")
