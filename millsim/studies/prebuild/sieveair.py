"""Sieve area by the trade rule, air for the heat, speed through sieve and filter."""

import math

from ...base.numerics.uncompiled import as_written
from ...laws import air, cooling, heat
from .facts import MillFacts, say
from .judge import PREDICT, Rule
from .line import ReviewLine

AREA_PER_W, OPEN_PER_W = 121e-7, 35e-7  # m2/W: 14 and 4 square inches per horsepower (common practice)
FACE = (0.01, 0.03)  # m/s through the cloth of a dust filter (from memory)
SIEVE_SPEED = (0.9, 1.1)  # m/s of air over the whole sieve: 1.25 to 1.5 cfm per square inch (from memory)

AREA = Rule("sieve and air", "sieve area for the motor", "m2", "121 cm² per kW of rated shaft power", "common practice",
            "hammer mills for cereals, 14 sq in/hp: feedmachinery.com, particle reduction 5", least=True)  # fmt: skip
OPEN = Rule("sieve and air", "open area for the motor", "m2", "35 cm² per kW of rated shaft power", "common practice",
            "hammer mills for cereals, 4 sq in/hp: feedmachinery.com, particle reduction 5", least=True)  # fmt: skip
HEAT = Rule("sieve and air", "air against heat", "m3/s",
            "(P - feed - casing) / (rho c_p dT), each up to the limit; rho of the air as it is", "from memory",
            "first law, mass flow against mass flow; the power is predicted", close=1.2, least=True)  # fmt: skip
SPEED = Rule("sieve and air", "air speed over the sieve", "m/s", "Q / A", "common practice",
             "0.9 to 1.1 m/s in the trade, no source", least=True)  # fmt: skip
FILTER = Rule("sieve and air", "air speed through the filter", "m/s", "Q / A_filter", "common practice",
              "0.01 to 0.03 m/s for bags that take plastic dust, from memory")  # fmt: skip


def lines(f: MillFacts) -> list[ReviewLine]:
    """All checks of sieve, air and filter."""
    return [*sieve_area(f), air_for_heat(f), sieve_speed(f), filter_speed(f)]


def sieve_area(f: MillFacts) -> list[ReviewLine]:
    """Both trade rules; less than they ask is told, not failed: they are no law of this mill."""
    s, found = f.config.sieve, []
    kW = f.config.drive.shaft_rated_W
    rules = ((AREA, s.area_m2, AREA_PER_W), (OPEN, s.area_m2 * s.open_fraction, OPEN_PER_W))
    for rule, have, per_watt in rules:
        want = per_watt * kW
        said = f"for {say(kW, 'W')} the trade gives {say(want, 'cm2')}"
        if have >= want:
            found.append(rule.tell("passes", have, f"{said}.", want))
            continue
        more = "more for holes below 2 mm. A sieve below it holds powder back, which heats" if rule is AREA else \
            "thin sheet with as many holes as it bears is best"  # fmt: skip
        binds = f". The model says that {f.prediction.binding} binds first" if f.prediction else ""
        found.append(rule.note(have, f"Below the trade rule: {said}; {more}{binds}.", want))
    return found


def _flow(f: MillFacts) -> float | None:
    """Air through the sieve predicted [m3/s, warm]."""
    return f.scalar("air_flow_m3_s")


def air_for_heat(f: MillFacts) -> ReviewLine:
    """Air there is against air that keeps the outlet below the limit, beside what feed and casing carry away."""
    Q, outlet, P = _flow(f), f.scalar("outlet_temperature_K"), f.scalar("shaft_power_W")
    rise = f.limit_K - float(f.mill["T_air_in"])
    if rise <= 0.0:
        return HEAT.missing("the air coming in is no cooler than the limit")
    if Q is None or P is None or outlet is None:
        rated = f.config.drive.shaft_rated_W
        need = cooling.air_for_rise(rated, rise, as_written(air.air_density)(f.limit_K), air.SPECIFIC_HEAT)
        full = f"to carry full {say(rated, 'W')} away within the {say(rise)} K to the limit takes {say(need, 'm3/h')}"
        return HEAT.missing(PREDICT, full)
    other = _into_feed(f) + float(f.mill["casing_heat_loss"]) * max(0.0, f.limit_K - f.config.air.room_K)
    rho = as_written(air.air_density)(f.scalar("air_temperature_K") or outlet)  # of Q, so that masses are compared
    need = cooling.air_for_rise(max(0.0, P - other), rise, rho, air.SPECIFIC_HEAT)
    said = f"of {say(P, 'W')} up to {say(min(P, other), 'W')} leave with the powder and through the casing"
    said += f"; the rest must go with air that may warm by {say(rise)} K"
    more = "More air, or less load: a larger inlet, a stronger blower, a larger filter"
    if Q < need and outlet <= f.limit_K + 0.01:  # at its limit; the model's air and powder differ a little in warmth
        return HEAT.tell("close", Q, f"{said}. {more}.", need)
    return HEAT.judge(Q, need, said, more)


def _into_feed(f: MillFacts) -> float:
    """Heat [W] that a steady feed takes along when it leaves at the limit; none for a batch."""
    rate, m = f.rate, f.mill
    if rate is None or f.config.feed.batch_mass_kg:
        return 0.0
    cp, share = float(m["specific_heat"]), float(m["heat_exponent_share"])
    return max(0.0, rate * as_written(heat.enthalpy_rise)(cp, share, float(m["T_feed"]), f.limit_K))


def sieve_speed(f: MillFacts) -> ReviewLine:
    """Air over the sieve against what the trade gives a mill for fine powder."""
    Q = _flow(f)
    if Q is None:
        return SPEED.missing(PREDICT)
    v, (low, high) = Q / f.config.sieve.area_m2, SIEVE_SPEED
    said = f"the trade gives {low:g} to {high:g} m/s"
    if v >= low:
        return SPEED.tell("passes", v, f"{said}.", low)
    return SPEED.note(v, f"Below trade practice: {said}; air carries fines through the holes.", low)


def filter_speed(f: MillFacts) -> ReviewLine:
    """Air through the filter cloth."""
    Q, area = _flow(f), f.config.air.filter_area_m2
    if area is None:
        return FILTER.give("air.filter_area", said="without a filter the dust goes into the room")
    if Q is None:
        return FILTER.missing(PREDICT)
    low, high = FACE
    v = Q / area
    said = f"{say(Q, 'm3/h')} through {say(area, 'm2')} of cloth; {low:g} to {high:g} m/s is usual"
    if v <= high:
        return FILTER.tell("passes", v, f"{said}.", high)
    words = f"{said}. Dust is driven into the cloth and the air dwindles: take {say(Q / high, 'm2', 2)} or more."
    return FILTER.tell("close", v, words, high, margin=high / v if v > 0.0 else math.inf)
