"""Heat and cooling answers as tables and as JSON: every figure with its band, formula and basis."""

import math

from ...base.quantities.written import Shown, digits, number, table
from ...mill.problem import build
from ...record.limits import status_words
from ...studies.heat.answers import HeatAnswers
from ...studies.heat.cool import coolant_for, enthalpy, unchilled
from ...studies.heat.coolants import DRY_ICE, NITROGEN, PRACTICE, gas_per_kg
from .heatways import doubt
from .json import jsonable, picked
from .parameters import DRAWN

# figure: (words, formula or way, basis); in the order of the table.
ROWS = {
    "outlet_K": ("outlet, the warmer of air and powder", "coupled balance", "assumed"),
    "air_K": ("air in the chamber", "coupled balance", "assumed"),
    "powder_K": ("powder that leaves", "coupled balance", "assumed"),
    "heat_W": ("heat set free in the chamber", "shaft - bearings", "assumed"),
    "by_air_W": ("of it with the air", "ρ Q cp (T - Tin)", "assumed"),
    "by_powder_W": ("of it with the powder", "F Δh", "assumed"),
    "by_casing_W": ("of it through the casing", "UA (T - Troom)", "assumed"),
    "air_m3_s": ("air taken in, at room temperature", "fan = losses", "assumed"),
    "sieve_air_m3_s": ("the same warm, through the sieve", "ideal gas", "handbook"),
    "air_alone_dK": ("rise if all left with the air", "P / (ρ Q cp)", "handbook"),
    "doubled_K": ("outlet with twice the air", "coupled balance", "assumed"),
    "idle_windage_W": ("stirring the air, empty mill", "drag of flat bars", "assumed"),
    "idle_bearings_W": ("bearings of the empty mill", "torque × speed", "assumed"),
    "idle_rise_dK": ("rise of the air by stirring alone", "balance, no feed", "assumed"),
    "largest_kg_s": ("largest feed rate within the limit", "search in charge", "assumed"),
    "largest_kg": ("largest charge within the limit", "search in charge", "assumed"),
    "air_needed_m3_s": ("air that keeps the limit", "coupled balance", "assumed"),
    "blower_needed_Pa": ("blower for it", "losses - fan", "assumed"),
    "run_s": ("time to the limit, casing follows", "-τ ln(1 - way)", "assumed"),
    "most_run_s": ("the same, all through the casing", "-τ ln(1 - way)", "assumed"),
    "mean_kg_s": ("mean rate with pauses", "F run/(run+pause)", "assumed"),
    "most_mean_kg_s": ("the same, all through the casing", "F run/(run+pause)", "assumed"),
    "cooler_K": ("cooler outlet that keeps the limit", "mixing of the air", "assumed"),
    "cooler_W": ("heat the cooler takes", "r ρ Q cp ΔT", "assumed"),
    "feed_K": ("feed temperature that keeps the limit", "coupled balance", "assumed"),
    "iced_K": ("outlet with feed from dry ice", "coupled balance", "assumed"),
    "iced_largest_kg_s": ("largest rate with such feed", "search in charge", "assumed"),
    "hot_K": ("outlet on a hot day", "coupled balance", "assumed"),
    "hot_idle_rise_dK": ("rise by stirring alone on that day", "balance, no feed", "assumed"),
    "hot_largest_kg_s": ("largest rate on that day", "search in charge", "assumed"),
    "hot_largest_kg": ("largest charge on that day", "search in charge", "assumed"),
}
_REACHED = {  # what an infinite figure means, (positive, negative)
    "outlet_K": ("no steady state", ""), "doubled_K": ("no steady state", ""), "hot_K": ("no steady state", ""),
    "iced_K": ("no steady state", ""), "air_needed_m3_s": ("out of reach", "none"),
    "blower_needed_Pa": ("out of reach", "none"), "run_s": ("without end", ""), "most_run_s": ("without end", ""),
    "cooler_K": ("none needed", "out of reach"), "feed_K": ("none needed", "out of reach"),
    "largest_kg": ("no limit", ""), "hot_largest_kg": ("no limit", ""),
}  # fmt: skip
FEED_STEPS_K = (263.15, 233.15, 194.65, 123.15)  # of the coolant table


def figure_table(a: HeatAnswers) -> list[str]:
    """Lines: figure, value, band, unit, formula, basis."""
    rows = []
    for name, (words, formula, basis) in ROWS.items():
        if name not in a.values or math.isnan(a.value(name)):
            continue
        s = a.values[name]
        if s.value == 0.0 and name.endswith("mean_kg_s"):
            continue
        if s.value == 0.0 and name.endswith("kg_s") or name == "blower_needed_Pa" and s.value <= 0.0:
            value, band, unit = "none", "", ""
        elif math.isinf(s.value):
            value, band, unit = meaning(name, s.value), "", ""
        else:
            shown = Shown(s)
            value, unit = shown.value, shown.unit.replace("dK", "K")
            ends_known = math.isfinite(s.low) or math.isfinite(s.high)
            band = shown.band if ends_known and not shown.fixed else ""
        rows.append((words, value, band, unit, formula, basis))
    return table(("", "value", "80 % band", "unit", "from", "basis"), rows)


def meaning(name: str, value: float) -> str:
    """What a figure says that is infinite or not a number."""
    if math.isnan(value):
        return "does not apply"
    return _REACHED.get(name, ("out of reach", "none"))[0 if value > 0 else 1]


def coolants(a: HeatAnswers) -> list[dict]:
    """Coolant per kilogram of feed for some feed temperatures, and in place of the air; SI."""
    m = build(a.config).mill[0]
    own = unchilled(m)
    steps = [T for T in FEED_STEPS_K if T < own - 1.0]
    if math.isfinite(a.value("feed_K")) and a.value("feed_K") < own - 0.05:
        steps = sorted({*steps, a.value("feed_K")}, reverse=True)
    rows = [
        {
            "what": "chill", "feed_K": T, "heat_J_kg": enthalpy(m, T, own), "dry_ice": coolant_for(m, DRY_ICE, T),
            "nitrogen": coolant_for(m, NITROGEN, T),
        }
        for T in steps
    ]  # fmt: skip
    if a.rate_kg_s is not None and math.isfinite(a.value("heat_W")):
        per_kg = a.value("heat_W") / a.rate_kg_s
        rows.append(
            {
                "what": "all heat of milling, no air", "feed_K": own, "heat_J_kg": per_kg,
                "dry_ice": a.value("all_dry_ice"), "nitrogen": a.value("all_nitrogen"),
            }
        )  # fmt: skip
    return rows


def coolant_table(a: HeatAnswers) -> list[str]:
    """Lines: what is chilled, heat, kilograms of coolant and cubic metres of gas per kilogram of feed."""
    rows = []
    for r in coolants(a):
        what = r["what"]
        if what == "chill":
            what = f"feed chilled to {number(r['feed_K'] - 273.15, 0)} °C"
        cells = [_per_kg(r[c]) for c in ("dry_ice", "nitrogen")]
        gas = [_per_kg(r[n] * gas_per_kg(c)) for n, c in (("dry_ice", DRY_ICE), ("nitrogen", NITROGEN))]
        rows.append((what, digits(r["heat_J_kg"] / 1e3), cells[0], gas[0], cells[1], gas[1]))
    return table(("", "kJ/kg", "dry ice kg", "CO2 m³", "nitrogen kg", "N2 m³"), rows)


def _per_kg(value: float) -> str:
    return digits(value, 2) if math.isfinite(value) else "none"


def rests_on(a: HeatAnswers) -> list[str]:
    """What the figures rest on, band and sources."""
    said = []
    if a.draws:
        said.append(f"Bands: 80 % of {a.draws} {DRAWN}, at the rate that it takes. Figures without a band have none.")
    else:
        said.append("No band was run, so take these numbers as one guess among many.")
    if a.config.calibration is None:
        said.append("Nothing here is measured on your mill: outlet temperature, air and watts of one run say more.")
    said += [
        "The limit counts for air and powder; flash temperatures where pieces rub are higher. Air flow, heat "
        "transfer and casing loss are assumed (see the model parameters of `millsim predict`).",
        f"Coolants: {DRY_ICE.name} {DRY_ICE.source} ({DRY_ICE.basis}); {NITROGEN.name} {NITROGEN.source} "
        f"({NITROGEN.basis}); factor {PRACTICE:g} for leaks and cold parts (from memory); the gas leaves as cold as "
        "the feed, or at the limit where it carries all heat. Heat of the feed: the card's specific heat, falling with "
        "temperature where the card says so.",
        "This reckons heat. It does not clear the mill, the dust or the coolant for use: local rules and licensed "
        "practice decide.",
    ]
    return said


def heat_json(a: HeatAnswers) -> dict:
    """The answers as plain JSON types in SI units; what is infinite or does not apply is null, with its meaning."""
    figures = {}
    for name, s in a.values.items():
        words, formula, basis = ROWS.get(name, ("", "", "assumed"))
        figures[name] = picked(s, "value low high") | {
            "unit": s.unit.replace("dK", "K"), "words": words, "formula": formula, "basis": basis,
            "meaning": "" if math.isfinite(s.value) else meaning(name, s.value),
        }  # fmt: skip
    said = picked(
        a, "limit_K limit_from stick_K rate_kg_s note binding largest_binding hot_room_K hot_binding recirculated "
        "draws runaway", air_measured="air_given", card_toughens="toughens",
    )  # fmt: skip
    told = [x._asdict() for x in a.ways]
    return {
        "limit": {**a.limit._asdict()}, "ways": jsonable(told), "doubt": doubt(a) or None,
        "status": status_words(a.code, a.binding), **picked(a.config, mill="name", config_sha256="sha256"), **said,
        "figures": figures, "coolants": [] if a.note == "cannot" else jsonable(coolants(a)),
    }  # fmt: skip
