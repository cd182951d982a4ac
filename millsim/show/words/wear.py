"""Wear drift in plain words, as a table and as JSON."""

import math

from ...base.quantities.scalar import Scalar
from ...base.quantities.written import capital, decimals, digits, number, shown_unit, table, wrap
from ...record.limits import STATUS_WORDS
from ...studies.wear import EXAMPLE_KG, SCALE_KG, WORN_OUT, WORN_SHARE, MillFigures, Step, WearDrift, radii
from .json import picked
from .parameters import DRAWN
from .short import Short, chosen

LITTLE = 0.0005  # a drift below that is none
SURE_SCALE = 0.1  # share of the loss up to which the scale is good enough
_FIGURES = (("x50_m", "x50", "m"), ("rate_kg_s", "rate", "kg/s"), ("gross_J_kg", "energy", "J/kg"))


def wear_text(d: WearDrift) -> str:
    """The report for people: sentences, the table, what it rests on."""
    lines = [line for s in sentences(d) if s for line in wrap(s)]
    lines += ["", *wrap("Drift with the powder milled, both bounds (change against fresh)"), *drift_table(d), ""]
    return "\n".join([*lines, *(line for s in rests_on(d) for line in wrap(s))]) + "\n"


def wear_short(d: WearDrift) -> Short:
    """Metal in the powder, what becomes of it, when to turn the bars; edges, gap and scale as far as there is room."""
    ranks = {
        "Powder": 1,
        "Turn or": 2,
        "WORN OUT": 0,
        "Replace": 2,
        "Balance": 3,
        "With a scale": 6,
        "Edge": 4,
        "Gap": 5,
    }
    return chosen(sentences(d), ranks, "the drift kilogram by kilogram, both bounds, and what it rests on")


def sentences(d: WearDrift) -> list[str]:
    """Metal in the powder, edges, gap, what becomes of the powder, when to change, balance."""
    return [_metal(d), _scale(d), _edges(d), _gap(d), *_powder(d), _when(d), _balance(d)]


def _metal(d: WearDrift) -> str:
    name, lost, milled = capital(d.config.name), grams(d.lost_kg), kilos(d.milled_kg)
    text = f"{name}, wear: {lost} of bar lost over {milled} of powder is {digits(d.ppm, 2)} ppm of {d.metal}, if all "
    text += f"of it stays in the powder; {grams(d.at.lost_kg)} by {kilos(d.at_kg)}"
    if not d.lost_kg:
        return f"{name}, wear: nothing lost over {milled} of powder, so no {d.metal} in it from the bars."
    if d.metal == "rotor plastic":
        return f"{text}. No magnet takes that out."
    magnet = " Magnets remove fine iron poorly (trade note): keep tramp metal out of the feed."
    return f"{text}. No sourced limit for such powder is known here.{magnet if d.metal == 'iron' else ''}"


def _scale(d: WearDrift) -> str:
    if d.scale_share <= SURE_SCALE:
        return ""
    scale = f"With a scale that is right to ±{grams(SCALE_KG)} (assumed)"
    if math.isinf(d.scale_share):
        most = digits(1e6 * 2.0**0.5 * SCALE_KG / d.milled_kg, 2)
        return f"{scale} no loss seen means below about {most} ppm: weigh again after more powder."
    return f"{scale} the loss is known to about {100 * d.scale_share:.0f} %: weigh again after more powder."


def _edges(d: WearDrift) -> str:
    """The first bound: all the loss at the leading edges."""
    r, at = d.config.rotor, d.at
    if not d.lost_kg:
        return "Edges and gap: nothing lost, nothing changed."
    worn = "more than the bar is thick" if _gone(d, at) else plain(at.radius_m, "m")
    basis = "assumed" if r.edge_radius_m is None else "measured"
    text = (
        f"Edges, if they take all the loss: {r.bars_in_all} leading edges of {digits(r.bar_height_m * 1e3)} mm round "
        f"off from {plain(d.fresh_radius_m, 'm')} ({basis} for {r.main_edge}) to {worn} by {kilos(d.at_kg)}"
    )
    if d.config.rotor.main_edge == "blunt":
        return f"{text}. They are blunt from the start: the drift shown is that of a rounder corner."
    if d.blunt_kg >= d.at_kg:
        return f"{text}."
    blunt = plain(radii(d.config)["blunt"], "m")
    return f"{text}. After {kilos(d.blunt_kg, 2)} they are as round as a blunt edge ({blunt})."


def _gone(d: WearDrift, s: Step) -> bool:
    """Whether the edge would be rounder than the bar is thick, which no edge can be."""
    return s.radius_m > d.config.rotor.bar_thickness_m


def _gap(d: WearDrift) -> str:
    """The second bound: all the loss even over the tip faces."""
    if not d.lost_kg:
        return ""
    r, at = d.config.rotor, d.at
    face = f"{digits(r.bar_thickness_m * 1e3)} × {digits(r.bar_height_m * 1e3)} mm"
    now = plain(d.config.stator.gap_m, "m")
    return (
        f"Gap, if the tip faces ({face}) wear evenly instead: it grows {plain(at.gap_growth_m / d.at_kg, 'm')} per kg "
        f"milled, from {now} by {plain(at.gap_growth_m, 'm')} by {kilos(d.at_kg)}. The truth lies between the two: "
        "look at an edge with a loupe."
    )


def _powder(d: WearDrift) -> list[str]:
    """What becomes of x50, rate and energy at the asked mass, for both bounds."""
    if not math.isfinite(d.fresh.x50_m) or d.fresh.rate_kg_s <= 0.0:
        return ["Powder: the mill does not run as configured even with fresh bars, so there is no drift to tell."]
    if not d.lost_kg:
        return ["Powder: no drift from wear."]
    by = kilos(d.at_kg)
    return [
        f"Powder by {by}, {where}: {_changes(d, key, worn)}."
        for where, key, worn in (
            ("with the edges blunt", "edge", d.at.by_edge), ("with the gap wider", "gap", d.at.by_gap),
        )
    ]  # fmt: skip


def _changes(d: WearDrift, bound: str, worn: MillFigures) -> str:
    """x50, rate and energy before and after, with the change and its band."""
    if worn.rate_kg_s <= 0.0:
        return "it no longer runs"
    said = []
    for name, words, unit in _FIGURES:
        ratio = d.drift[f"{bound}_{name}"]
        if abs(ratio.value - 1.0) < LITTLE and not _opens(ratio):
            said.append(f"{words} unchanged")
            continue
        before, after = (plain(getattr(x, name), unit) for x in (d.fresh, worn))
        values = f"{words} {before}" if before == after else f"{words} {before} to {after}"
        band = ""
        if math.isfinite(ratio.low + ratio.high):
            band = f", 80 % band {percent(ratio.low)} to {percent(ratio.high)}"
        said.append(f"{values} ({percent(ratio.value)}{band})")
    return ", ".join(said)


def _opens(ratio: Scalar) -> bool:
    """Whether the band of a ratio leaves one."""
    ends = (ratio.low, ratio.high)
    return all(map(math.isfinite, ends)) and max(abs(e - 1.0) for e in ends) > LITTLE


def _when(d: WearDrift) -> str:
    """When bars are to be turned or replaced: blunt edges first, then the gap, then the mass, as a hammer's."""
    if not d.lost_kg:
        return ""
    text = f"{_edges_go(d)} {_gap_goes(d)} {_mass_goes(d)}"
    if d.at.share > WORN_SHARE:
        text = f"WORN OUT by {kilos(d.at_kg)}: {100 * d.at.share:.0f} % of the bars is gone. {text}"
    return text


def _edges_go(d: WearDrift) -> str:
    """The earliest kilograms at which there is no edge left, and the metal that is."""
    turn = "Turn or sharpen the bars when x50 or watts creep up, or the loupe shows round edges"
    if d.config.rotor.main_edge == "blunt":
        return f"{turn}; the edges are blunt from the start."
    metal = grams(d.blunt_kg * d.lost_kg / d.milled_kg, 2)
    return (
        f"{turn}: blunt after {kilos(d.blunt_kg, 2)} at the earliest, if the edges take all the loss. That is only "
        f"{metal} of metal, and faces and tips wear too, so later."
    )


def _gap_goes(d: WearDrift) -> str:
    """The earliest kilograms at which the gap is too wide."""
    piece = d.gap_full_m == d.config.feed.size.top_m
    as_wide = f"is as wide as the largest feed piece, {plain(d.gap_full_m, 'm')}, and cuts none"
    what = as_wide if piece else "has doubled"
    return f"If the tips take all of it instead, the gap {what} after {kilos(d.gap_kg, 2)}, at the earliest."


def _mass_goes(d: WearDrift) -> str:
    """When the share of the mass is gone at which hammers are replaced."""
    first, last = (kilos(kg, 2) for kg in d.replace_kg)
    share = f"{100 * WORN_SHARE:.0f} to {100 * WORN_OUT:.0f} % of their mass (they weigh {grams(d.bars_kg)}"
    note = "a trade note on hammers; common practice"
    if d.config.rotor.mount == "swinging":
        return (
            f"Replace hammers before they have lost {share}): at this loss after {first} to {last}; earlier for cracks "
            f"over 1 mm or pins with over 0.5 mm of play ({note})."
        )
    sooner = ", whose edges and gap go first" if d.gap_kg < d.replace_kg[0] else ""
    return (
        f"Hammers are replaced at {share} as drawn; {note}), here after {first} to {last}: no measure for rigid bars"
        f"{sooner}."
    )


def _balance(d: WearDrift) -> str:
    """What an uneven loss does to the balance."""
    rpm, force = plain(d.config.drive.speed_rad_s, "rad/s"), f"{digits(d.force_N, 2)} N"
    text = f"Balance goes first: {grams(EXAMPLE_KG)} more lost at one tip than opposite pulls with {force} at {rpm}"
    advice = "Weigh the bars and set equal ones opposite each other."
    if math.isnan(d.balance_kg):
        return f"{text}. Give rotor.mass to see what the balance grade allows. {advice}"
    grade = f"grade G {d.balance_grade:g} of ISO 21940 (from memory)"
    return f"{text}; {grade} allows {grams(d.balance_kg, 2)} there. {advice}"


def plain(value: float, unit: str, count: int = 3) -> str:
    """A figure in its workshop unit, to so many digits."""
    name, factor, _ = shown_unit(value, unit)
    shown = value * factor
    places = decimals(shown) + count - 3
    return f"{number(shown, places) if places > 0 else digits(shown, count)} {name}"


def grams(kg: float, count: int = 3) -> str:
    """A loss or a bar: grams."""
    return f"{digits(kg * 1e3, count)} g"


def kilos(kg: float, count: int = 3) -> str:
    """An amount of powder: kilograms."""
    return f"{digits(kg, count)} kg"


def percent(ratio: float) -> str:
    """A ratio to one as a signed change."""
    if math.isinf(ratio):
        return "without end"
    change = 100.0 * (ratio - 1.0)
    text = number(change, 0 if abs(change) >= 10.0 else 1)
    return f"{'+' if float(text) > 0 else ''}{text} %"


def drift_table(d: WearDrift) -> list[str]:
    """Lines: kilograms milled, loss, edge radius, gap growth, and the change of each figure by both bounds."""
    header = ["milled", "lost", "of bars", "edge radius", "gap wider by"]
    header += [f"{words}, edge | gap" for _, words, _ in _FIGURES]
    return table(header, [_row(d, s) for s in d.steps])


def _row(d: WearDrift, s: Step) -> list[str]:
    row = [kilos(s.milled_kg), grams(s.lost_kg, 2), f"{digits(100 * s.share, 2)} %"]
    row += ["gone" if _gone(d, s) else _length(s.radius_m), _length(s.gap_growth_m)]
    for name, _, _ in _FIGURES:
        before, both = getattr(d.fresh, name), [getattr(w, name) for w in (s.by_edge, s.by_gap)]
        known = math.isfinite(before) and before > 0.0
        row.append(" | ".join(percent(v / before) if known and not math.isnan(v) else "none" for v in both))
    return row


def _length(m: float) -> str:
    return f"{number(m * 1e3, 3 if m < 1e-4 else 2)} mm"


def rests_on(d: WearDrift) -> list[str]:
    """What it rests on."""
    fresh = ", ".join(f"{kind} {digits(r * 1e3)} mm" for kind, r in radii(d.config).items())
    said = [
        "The loss is measured, if you weighed it. Assumed: the same loss for every kilogram; a round worn edge, area "
        f"(1 - π/4) r² (geometry); fresh radii {fresh} (edge_radius of the model), with its edge share, chip size and "
        "bite friction in between along ln r. Density of the bars: handbook. x50, rate and energy: the balance of "
        "`millsim predict`; the rate is the largest the mill takes (of a batch: its powder over the whole time).",
        "Not reckoned: worn pins, worn sieve holes (coarser powder), abrasive fillers in the next batch.",
    ]
    if d.draws:
        said.append(f"Bands: 80 % of {d.draws} {DRAWN}, fresh against worn.")
    return said


def wear_json(d: WearDrift) -> dict:
    """The drift as plain JSON types in SI units; what is infinite or unknown is null."""
    names = " ".join(name for name, _, _ in _FIGURES)
    said = picked(
        d, "lost_kg milled_kg at_kg metal ppm scale_share bars_kg fresh_radius_m gap_full_m draws",
        blunt_after_kg="blunt_kg", gap_full_after_kg="gap_kg", replace_after_kg="replace_kg", imbalance_N="force_N",
        balance_allows_kg="balance_kg",
    )  # fmt: skip
    steps = [
        picked(s, "milled_kg lost_kg gap_growth_m", share_of_bars="share", edge_radius_m="radius_m")
        | {"by_edge": picked(s.by_edge, names), "by_gap": picked(s.by_gap, names)}
        for s in d.steps
    ]
    return {
        "status": STATUS_WORDS[d.code], **picked(d.config, mill="name", config_sha256="sha256"), **said, "steps": steps,
        "imbalance_of_kg": EXAMPLE_KG, "fresh": picked(d.fresh, names), "basis": rests_on(d),
        "drift": {k: picked(s, "low high", ratio="value") for k, s in d.drift.items()},
    }  # fmt: skip
