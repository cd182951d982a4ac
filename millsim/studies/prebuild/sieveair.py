"""Sieve area by the trade rule, air for the heat, speed through sieve and filter."""

import math

import numpy as np

from ...base.numerics.uncompiled import as_written
from ...laws import air, cooling, heat
from ...laws.openings import open_area_staggered
from .facts import MillFacts, say
from .judge import PREDICT, Rule
from .line import ReviewLine

AREA_PER_W, OPEN_PER_W = 121e-7, 35e-7  # m2/W: 14 and 4 square inches per horsepower (common practice)
OPEN_HOLES, MOST_OPEN = (0.5e-3, 1e-3, 2e-3), (0.23, 0.33, 0.46)  # m; open share of sheet with them (laws/sieving.md)
PITCH_STEP = 0.05e-3  # m, in which sheet is told
SHEETS = tuple(
    t * 1e-3 for t in (0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.25, 1.5, 2.0, 3.0, 4.0, 5.0)
)  # from memory
FACE = (0.01, 0.03)  # m/s through the cloth of a dust filter (from memory)
SIEVE_SPEED = (0.9, 1.1)  # m/s of air over the whole sieve: 1.25 to 1.5 cfm per square inch (from memory)

AREA = Rule("sieve and air", "sieve area for the motor", "m2", "121 cm² per kW of rated shaft power", "common practice",
            "hammer mills for cereals, 14 sq in/hp: feedmachinery.com, particle reduction 5", least=True)  # fmt: skip
OPEN = Rule("sieve and air", "open area for the motor", "m2", "35 cm² per kW of rated shaft power", "common practice",
            "hammer mills for cereals, 4 sq in/hp: feedmachinery.com, particle reduction 5", least=True)  # fmt: skip
SHEET = Rule("sieve and air", "holes against the sheet", "m", "hole at least as wide as the sheet is thick",
             "from memory", "punches take a plate no thicker than the hole: laws/sieving.md", least=True)  # fmt: skip
HEAT = Rule("sieve and air", "air against heat", "m3/s",
            "(P - feed - casing) / (rho c_p dT), each up to the limit; rho of the air as it is", "from memory",
            "first law, mass flow against mass flow; the power is predicted", close=1.2, least=True)  # fmt: skip
SPEED = Rule("sieve and air", "air speed over the sieve", "m/s", "Q / A", "common practice",
             "0.9 to 1.1 m/s in the trade, no source", least=True)  # fmt: skip
FILTER = Rule("sieve and air", "air speed through the filter", "m/s", "Q / A_filter", "common practice",
              "0.01 to 0.03 m/s for bags that take plastic dust, from memory")  # fmt: skip


def lines(f: MillFacts) -> list[ReviewLine]:
    """All checks of sieve, air and filter."""
    return [*sieve_area(f), *sheet(f), air_for_heat(f), sieve_speed(f), filter_speed(f)]


def sieve_area(f: MillFacts) -> list[ReviewLine]:
    """Both trade rules; less than they ask is told, not failed: they are no law of this mill."""
    s = f.config.sieve
    rules = ((AREA, s.area_m2, AREA_PER_W), (OPEN, s.area_m2 * s.open_fraction, OPEN_PER_W))
    return [_by_trade(f, rule, have, per_watt * f.config.drive.shaft_rated_W) for rule, have, per_watt in rules]


def _by_trade(f: MillFacts, rule: Rule, have: float, want: float) -> ReviewLine:
    """What there is of a sieve [m2] against what the trade wants for the motor."""

    def said() -> str:
        trade = f"for {say(f.config.drive.shaft_rated_W, 'W')} the trade gives {say(want, 'cm2')}"
        if have >= want:
            return trade
        more = "more for holes below 2 mm. A sieve below it holds powder back, which heats" if rule is AREA else \
            _opened(f, want)  # fmt: skip
        binds = f". The model says that {f.prediction.binding} limits it first" if f.prediction and f.runs else ""
        return f"Below the trade rule: {trade}; {more}{binds}"

    return rule.tell("passes" if have >= want else "note", have, said, want)


def _opened(f: MillFacts, want: float) -> str:
    """What gives that open area [m2]: more holes as far as sheet is made with them, else more sieve; never larger ones,
    which make another powder."""
    s, hole = f.config.sieve, say(f.config.sieve.hole_m, "mm")
    share = min(1.0, want / s.area_m2)
    most = s.open_fraction if s.kind == "mesh" else float(np.interp(s.hole_m, OPEN_HOLES, MOST_OPEN))
    keep = "keep the holes, they make the powder"
    if s.kind == "plate" and share <= most:
        pitch = math.floor(s.hole_m * math.sqrt(open_area_staggered(1.0, 1.0) / share) / PITCH_STEP) * PITCH_STEP
        return f"{keep}, and take sheet with a pitch of {say(pitch, 'mm')} or less"
    need, wall = want / max(most, s.open_fraction), f.chamber_wall
    sheet = f"; with {hole} holes sheet is sold up to {say(100.0 * most, digits=2)} % open (from memory)"
    if need > wall:
        return (
            f"{keep}: the {say(need, 'cm2')} of such sieve that this asks for do not fit a chamber whose wall has "
            f"{say(wall, 'cm2')} in all{sheet if s.kind == 'plate' else ''}"
        )
    text = f"{keep}, and take {say(need, 'cm2')} of such sieve or more"
    return text + (sheet if s.kind == "plate" else "")


def sheet(f: MillFacts) -> list[ReviewLine]:
    """A plate thicker than its holes, which no punch makes; nothing where it is not."""
    s = f.config.sieve
    if s.kind != "plate" or s.thickness_m <= s.hole_m * (1.0 + 1e-9):
        return []
    thin = max((t for t in SHEETS if t <= s.hole_m * (1.0 + 1e-9)), default=SHEETS[0])
    said = f"sheet of {say(s.thickness_m, 'mm')} is thicker than its holes of {say(s.hole_m, 'mm')}: no punch makes " \
           f"that. Keep the holes, they make the powder, and take sheet of {say(thin, 'mm')}, or have it drilled or " \
           "cut by a laser"  # fmt: skip
    return [SHEET.note(s.hole_m, f"{said}.", s.thickness_m)]


def _flow(f: MillFacts) -> float | None:
    """Air through the sieve predicted [m3/s, warm]."""
    return f.scalar("air_flow_m3_s")


def air_for_heat(f: MillFacts) -> ReviewLine:
    """Air there is against air that keeps the outlet below the limit, beside what feed and casing carry away."""
    Q, outlet, P = _flow(f), f.scalar("outlet_temperature_K"), f.scalar("shaft_power_W")
    rise = f.limit_K - f.mill["T_air_in"]
    if rise <= 0.0:
        return HEAT.missing("the air coming in is no cooler than the limit")
    if Q is None or P is None or outlet is None:
        rated = f.config.drive.shaft_rated_W
        need = cooling.air_for_rise(rated, rise, as_written(air.air_density)(f.limit_K), air.SPECIFIC_HEAT)
        full = f"to carry full {say(rated, 'W')} away within the {say(rise)} K to the limit takes {say(need, 'm3/h')}"
        return HEAT.missing(PREDICT, full)
    other = _into_feed(f) + f.mill["casing_heat_loss"] * max(0.0, f.limit_K - f.config.air.room_K)
    rho = as_written(air.air_density)(f.scalar("air_temperature_K") or outlet)  # of Q, so that masses are compared
    need = cooling.air_for_rise(max(0.0, P - other), rise, rho, air.SPECIFIC_HEAT)

    def said() -> str:
        leaves = f"of {say(P, 'W')} up to {say(min(P, other), 'W')} leave with the powder and through the casing"
        return f"{leaves}; the rest must go with air that may warm by {say(rise)} K"

    more = f"More air{', or less load' if f.runs else ''}: a larger inlet, a stronger blower, a larger filter"
    if Q < need and outlet <= f.limit_K + 0.01:  # at its limit; the model's air and powder differ a little in warmth
        return HEAT.tell("close", Q, said, need, more)
    return HEAT.judge(Q, need, said, more)


def _into_feed(f: MillFacts) -> float:
    """Heat [W] that a steady feed takes along when it leaves at the limit; none for a batch."""
    rate, m = f.rate, f.mill
    if rate is None or f.config.feed.batch_mass_kg:
        return 0.0
    cp, share = m["specific_heat"], m["heat_exponent_share"]
    return max(0.0, rate * as_written(heat.enthalpy_rise)(cp, share, m["T_feed"], f.limit_K))


def sieve_speed(f: MillFacts) -> ReviewLine:
    """Air over the sieve against what the trade gives a mill for fine powder."""
    Q = _flow(f)
    if Q is None:
        return SPEED.missing(PREDICT)
    v, (low, high) = Q / f.config.sieve.area_m2, SIEVE_SPEED

    def said() -> str:
        trade = f"the trade gives {low:g} to {high:g} m/s"
        return trade if v >= low else f"Below trade practice: {trade}; air carries fines through the holes"

    return SPEED.tell("passes" if v >= low else "note", v, said, low)


def filter_speed(f: MillFacts) -> ReviewLine:
    """Air through the filter cloth."""
    Q, area = _flow(f), f.config.air.filter_area_m2
    if area is None:
        return FILTER.give("air.filter_area", said="without a filter the dust goes into the room")
    if Q is None:
        return FILTER.missing(PREDICT)
    low, high = FACE
    v = Q / area

    def said() -> str:
        return f"{say(Q, 'm3/h')} through {say(area, 'm2')} of cloth; {low:g} to {high:g} m/s is usual"

    def larger() -> str:
        return f"Dust is driven into the cloth and the air dwindles: take {say(Q / high, 'm2', 2)} or more"

    if v <= high:
        return FILTER.tell("passes", v, said, high)
    return FILTER.tell("close", v, said, high, larger, margin=high / v if v > 0.0 else math.inf)
