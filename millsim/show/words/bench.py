"""Bench tests as reports in plain words: drop test, cut test (idle run: idlewords). JSON twins are in benchjson."""

import math
import re
from collections.abc import Iterable

from ...base.numerics.statistics import wilson
from ...base.quantities.written import digits, join_words, percent, sentence, table, wrap
from ...learn.measured.binary import Selection
from ...learn.measured.cuttest import CHIPS_M, CutTest
from ...learn.measured.dropcard import disagrees, stands
from ...learn.measured.droptest import FASTEST_M_S, ODD_CHANCE, SQUEEZE, DropGroup, DropTest
from ...learn.measured.staircase import Staircase
from ...mill.cards import Card
from .short import Short, table_part

WH = 3600.0
_LINK_NAMES = {"logit": "logit", "probit": "probit (log-normal)", "cloglog": "complementary log-log (Weibull)"}
_BOUND_ONLY = {
    "none broken": "no piece broke: there is no estimate, only a lower bound. Drop from higher, until most break",
    "all broken": "every piece broke: there is no estimate, only an upper bound. Drop from lower, until most do not",
    "few": "so few pieces bear no curve: what follows is an interval, and no number in it is likelier than another",
    "one level": "all drops had the same energy: they tell the share that breaks there, and nothing of other energies",
    "separated": (
        "no piece stayed whole at an energy that broke another: ever steeper curves fit ever better, so there is no "
        "finite estimate of the steepness, and no threshold. Drop more pieces between these two energies"
    ),
}


def text(paragraphs: Iterable[str]) -> str:
    """Lines of a report; a line that begins with two spaces stands as it is."""
    return "\n".join(line for p in paragraphs for line in ([p] if p.startswith("  ") else wrap(p))) + "\n"


def span(low: float, high: float, unit: str = "", count: int = 3) -> str:
    """A range as people say it, open ends included."""
    end = f" {unit}" if unit else ""
    if low <= 0.0 and math.isinf(high):
        return "anything"
    if low <= 0.0:
        return f"below {digits(high, count)}{end}"
    if math.isinf(high):
        return f"above {digits(low, count)}{end}"
    return f"{digits(low, count)} to {digits(high, count)}{end}"


# --- drop test -------------------------------------------------------------------------------------------


def drop_text(test: DropTest, card: Card | None = None) -> str:
    """The report of a drop test: speeds first, then numbers, trials, comparisons, what was assumed.

    card: of the material, to be set beside the test where the two disagree.
    """
    whole = sum(int(g.drops.only(~g.drops.later).n.sum()) for g in test.groups)
    lines = [f"Drop test {test.sheet.name}: {whole} piece{'s' * (whole != 1)}."]
    for i, group in enumerate(test.groups):
        first, *rest = _group_lines(group) if group.reference is None else ratio_lines(group, test.sheet.mass_known)
        bare = group.reference is not None or group.speeds() == (0.0, math.inf)
        caveat = [_caveat(group)] if i == 0 and not bare else []
        against = [_against(group, card)] if card else []
        lines += ["", *_questions(group), first, *caveat, *against, *rest]
    if test.sheet.reference is None:
        kept = "energies are what the hammer brings, m g h; what it keeps on rebounding is not deducted"
        lines += ["", f"Assumed: {kept}."]
    else:
        lines += ["", "Assumed: what rebound and the squeeze between two faces take is the same share for both kinds."]
    lines += [f"Assumed: {a}." for a in test.sheet.assumed]
    return text(lines)


def drop_short(test: DropTest, card: Card | None = None) -> Short:
    """The speed that breaks half of the pieces, how the card stands to it, and the fit, at each temperature."""
    first, *others = drop_text(test, card).split("\n\n")
    assumed = [x for x in others if x.startswith("Assumed")]
    told = [table_part(first.split("\n"))]
    for text in (x for x in others if x not in assumed):
        table = text.startswith("  ")
        rank = (3 if text.startswith("  fit of") else 5) if table else 1 if _is_lead(text) else 4
        told.append(table_part(text.rstrip("\n").split("\n"), rank))
    told += [table_part(text.rstrip("\n").split("\n"), 6) for text in assumed]
    return Short(tuple(told), "limits of the fit, every height, other curves, classical sums")


def _is_lead(text: str) -> bool:
    return bool(re.search(r"free impact at a speed|at some speed|should break|take .* times the energy", text))


def place(group: DropGroup) -> str:
    """ "At 20 °C", or nothing where no temperature was given."""
    mean, low, high = group.temperature_K
    if math.isnan(mean):
        return ""
    span = f" ({low - 273.15:.0f} to {high - 273.15:.0f})" if high - low > 1.0 else ""
    return f"At {mean - 273.15:.0f}{span} °C"


def _group_lines(g: DropGroup) -> list[str]:
    lines = [_first_line(g)]
    if g.selection is None:
        lines += [_bounds(g)]
    else:
        lines += ["", *_fit_table(g.selection, g.size_m), "", *_determined(g, g.selection)]
    lines += ["", *_level_table(g), "", *_comparison(g)]
    return lines


def _questions(g: DropGroup) -> list[str]:
    """What must be settled before any number is worth reading."""
    found = []
    where = f"{place(g)} harder" if place(g) else "Harder"
    if g.is_reversed:
        found.append(f"{where} drops broke fewer pieces: are heights, masses and the column broken what they say?")
    if g.is_too_fast:
        size = digits(float(g.drops.size_m.min()) * 1e3, 2)
        found.append(
            f"No bar of a mill strikes at more than about {FASTEST_M_S:.0f} m/s, and these pieces seem to need more: "
            f"are masses and heights in the units of their columns? The smallest piece would have {size} mm."
        )
    return found


def _first_line(g: DropGroup) -> str:
    """The equivalent impact speed, as a range."""
    low, high = g.speeds()
    at = f"{place(g)} half" if place(g) else "Half"
    half = f"{at} of the {digits(g.size_m * 1e3, 2)} mm pieces" if g.one_size else f"{at} of these pieces ({_sizes(g)})"
    if (low, high) == (0.0, math.inf):
        return f"{half} break at some speed that this test does not bound."
    few = "" if g.is_bounded else ", by these few pieces"
    return f"{half} should break in one free impact at a speed of {span(low, high, 'm/s', 2)}{few}."


def _sizes(g: DropGroup) -> str:
    return span(g.drops.size_m.min() * 1e3, g.drops.size_m.max() * 1e3, "mm", 2)


def _caveat(g: DropGroup) -> str:
    limits = "95 % limits" if g.is_bounded else "limits the energies tried"
    return (
        "A range, not a number: a drop hammer squeezes a piece between two faces, slowly; a bar in a mill strikes it "
        f"freely, fast (speed = root of 2 W; {limits}; a drop takes {SQUEEZE[0]:g} to {SQUEEZE[1]:g} times "
        "the energy of a free impact that breaks as much, assumed)."
    )


def _against(g: DropGroup, card: Card) -> str:
    """How the test stands to the card, in one line; where they differ by more than their ranges, what to do."""
    said = f"Beside the card, {card.title}: {stands(card, g)}."
    if not disagrees(card, g):
        return said
    return (
        f"{said} Card and drop test differ by more than their ranges. "
        "Is it this material, dry, whole and at this temperature? If so, mill with the card that --card writes."
    )


def ratio_lines(g: DropGroup, mass_known: bool) -> list[str]:
    """A test beside reference pieces: what half of the pieces take as a ratio to them, then the trials on both."""
    assert g.reference is not None
    r, free = g.reference, g.free()
    half = span(*r.half_J_kg[1:], "J/kg", 2)
    why = "how exactly the hammer's mass is known" if mass_known else "how heavy the hammer is"
    told = (
        f"These pieces take {span(*g.ratio(), count=2)} times the energy per mass of the {r.title} pieces (95 %); half "
        f"of those break in a free impact of {half} by their card, half of these then of {span(*free, 'J/kg', 2)}. It "
        f"does not matter {why}, nor what a squeeze takes beyond a free impact."
    )
    few = [f"{sentence(_BOUND_ONLY['few'])}"] if "few" in (g.kind, r.group.kind) else []
    return [
        _first_line(g), told, *few, "", "the pieces", *_counts(g), "",
        f"reference pieces, {r.title}", *_counts(r.group),
    ]  # fmt: skip


def _counts(g: DropGroup) -> list[str]:
    """What was dropped from where, and how many broke."""
    shares = [f"{100 * v.broken / v.tested:.0f} %" for v in g.levels]
    rows = [
        (digits(v.height_m * 1e3), str(v.tested), str(v.broken), share)
        for v, share in zip(g.levels, shares, strict=True)
    ]
    return table(("fall / mm", "tested", "broken", "share"), rows)


def _bounds(g: DropGroup) -> str:
    """What is known without a finite estimate."""
    low, high = g.W_50()
    everything = f"nothing broke up to {digits(low)} J/kg and everything from {digits(high)} J/kg on"
    between = {
        "separated": f"{everything}: W50 lies between",
        "none broken": f"the hardest drops had {digits(g.drops.W.max())} J/kg",
        "all broken": f"the weakest drops had {digits(g.drops.W.min())} J/kg",
    }.get(g.kind, "")
    if g.kind == "separated" and (low <= 0.0 or math.isinf(high)):
        between = f"W50 {_side(low, high)}"
    sure = g.W_50(0.95)
    counted = f"By the counts alone W50 is {span(*sure, 'J/kg')} (95 %)"
    if g.limits_u is not g.counting_u:
        counted = (
            "There are too few pieces to bound W50 by the counts with 95 % certainty (six on a side are needed); with "
            f"a threshold anywhere from none to nine tenths of it (assumed), W50 is {span(*sure, 'J/kg')} (95 %)"
        )
    elif sure == (0.0, math.inf):
        counted = "There are too few pieces to bound W50 by the counts with 95 % certainty (six on a side are needed)"
    return " ".join(sentence(s) for s in (_BOUND_ONLY[g.kind], between, counted) if s)


def _side(low: float, high: float) -> str:
    if low <= 0.0 and math.isinf(high):
        return "is not bracketed"
    return f"lies below {digits(high)} J/kg" if low <= 0.0 else f"lies above {digits(low)} J/kg"


def _fit_table(s: Selection, size: float) -> list[str]:
    """The fit with its profile limits; size: of the pieces [m]."""
    rows = []
    for name, value, limits, scale, unit in (
        ("energy that breaks half, W50", s.u_50, s.limits["u_50"], 1.0 / size, "J/kg"),
        ("size times that, x W50", s.u_50, s.limits["u_50"], 1.0, "J m/kg"),
        ("threshold, xW_min", s.u_min, s.limits["u_min"], 1.0, "J m/kg"),
        ("strength parameter, f_Mat", s.f, s.limits["f"], 1.0, "kg/(J m)"),
    ):
        ends = [span(low * scale, high * scale) for low, high in limits.values()]
        rows.append((name, digits(value * scale), *ends, unit))
    return table(("fit of S = 1 - exp(-f_Mat (x W - xW_min))", "value", "80 % limits", "95 % limits", "unit"), rows)


def _determined(g: DropGroup, s: Selection) -> list[str]:
    """What the data did and did not determine, and whether the fit is sound."""
    found = []
    if s.limits["u_min"][0.95][0] <= 0.0:
        low, high = s.limits["u_min"][0.95]
        found.append(
            f"Not determined: whether there is a threshold at all; any up to {digits(high)} J m/kg fits (95 %), with "
            "f_Mat rising along with it. The energy that breaks half is what the test determined. More pieces at the "
            "low energies, where few break, would tell."
        )
    if math.isinf(s.limits["f"][0.95][1]):
        found.append("Not determined: how steeply breakage sets in; f_Mat has no upper limit in these data.")
    if g.one_size:
        found.append("With one size of piece only x W counts; that other sizes follow it is the model's assumption.")
    if g.misfit_chance < ODD_CHANCE:
        found.append(
            f"The fit is poor: pieces would scatter so much about it by chance in {_rarely(g.misfit_chance)} of "
            "tests only. Were pieces, hammer and anvil alike throughout? The limits above are then too narrow."
        )
    if g.later is not None:
        broken, expected, chance = g.later
        which = "more" if broken > expected else "fewer"
        weaker = "earlier drops seem to have weakened the pieces"
        what = weaker if broken > expected else "the survivors seem the tougher ones"
        told = f"Of later drops on survivors {broken:.0f} broke a piece, the fit expects {digits(expected, 2)}"
        found.append(f"{told}: {which} than chance allows, {what}; the model leaves that out." if chance < ODD_CHANCE
                     else f"{told}: no sign that earlier drops weaken a piece.")  # fmt: skip
    return found


def _rarely(chance: float) -> str:
    return percent(chance) if chance >= 5e-4 else "fewer than 0.1 %"


def _level_table(g: DropGroup) -> list[str]:
    low, high = wilson([v.broken for v in g.levels], [v.tested for v in g.levels])
    several = any(v.hits > 1 for v in g.levels)
    rows = []
    for v, a, b in zip(g.levels, low, high, strict=True):
        fitted = "" if g.selection is None else f"{100 * float(g.selection.share(v.W * g.size_m, v.hits)):.0f} %"
        ends = f"{100 * a:.0f} to {100 * b:.0f} %"
        hits = str(v.hits) if several else ""
        share = f"{100 * v.broken / v.tested:.0f} %"
        rows.append((digits(v.height_m * 1e3), digits(v.W), hits, str(v.tested), str(v.broken), share, ends, fitted))
    header = ("height / mm", "W / (J/kg)", "drops", "tested", "broken", "share", "95 % limits", "fitted")
    return table(header, rows)


def _comparison(g: DropGroup) -> list[str]:
    """The usual curves and the classical sums."""
    lines = []
    if g.links and g.selection is not None:
        best = max(f.loglik for f in g.links)
        rows = [(_LINK_NAMES[f.name], digits(math.exp(f.z_50)), f"{f.loglik:.2f}") for f in g.links]
        rows = [("selection function", digits(g.W_50()[0]), f"{g.selection.loglik:.2f}"), *rows]
        lines += table(("curve on ln W, for comparison", "W50 / (J/kg)", "log likelihood"), rows)
        if best > g.selection.loglik + 2.0:
            lines.append("Another curve fits clearly better than the selection function: take its threshold with care.")
    elif g.links_why:
        lines.append(f"Logit, probit and complementary log-log: not fitted, {g.links_why}.")
    for name, c in g.classical.items():
        if isinstance(c.of, Staircase):
            rule = ", by the rule for a small statistic" if c.of.sd_is_rule else ""
            spread = f"one standard deviation of the pieces {span(c.low, c.high, 'J/kg')}{rule}"
            how = f"staircase, {c.of.count} {c.of.counted}, statistic {c.of.statistic:.2f}"
        else:
            spread = f"one standard error {span(c.low, c.high, 'J/kg')}"
            how = "on ln W, levels pooled where a harder drop broke fewer" if c.of.pooled else "on ln W"
        lines.append(f"{name}: W50 {digits(c.W_50)} J/kg ({how}; {spread}).")
    lines += [f"{name}: does not apply; {why}." for name, why in g.why_not.items()]
    return lines


# --- cut test --------------------------------------------------------------------------------------------


def cut_text(test: CutTest, motor_W: float | None) -> str:
    """The report of a cut test."""
    mean, se = test.mean_J_kg / WH, test.se_J_kg / WH
    kind = "above idling" if test.is_net else "idling included, so an upper bound for the cut"
    count = len(test.cuts)
    lines = [
        f"Cut test {test.name}: {digits(mean)} Wh per kg of dust, plus or minus {digits(se, 2)} (standard error), "
        f"{kind}; {digits(test.mean_J_kg / 1e3)} kJ/kg; {count} cut{'s' * (count != 1)}."
    ]
    if test.at_shaft_J_kg != test.mean_J_kg:
        shaft, eta = digits(test.at_shaft_J_kg / WH), 100 * (test.efficiency or 1.0)
        lines.append(f"At the shaft, by the motor's efficiency of {eta:.3g} %: {shaft} Wh/kg.")
    if motor_W is not None:
        lines.append(_ceiling(test, motor_W))
    rows = []
    for c in test.cuts:
        net = digits(c.net_J_kg / WH) if test.is_net else ""
        rows.append((str(c.line), digits(c.dust_kg * 1e3), net, digits(c.gross_J_kg / WH), digits(c.se_J_kg / WH, 2)))
    lines += [
        "",
        *table(("line", "dust / g", "above idling / (Wh/kg)", "drawn / (Wh/kg)", "error / (Wh/kg)"), rows),
        "",
    ]
    if count > 1:
        own = math.sqrt(sum(c.se_J_kg**2 for c in test.cuts) / count) / WH
        scatter = test.scatter_J_kg / WH
        lines.append(f"The cuts scatter by {digits(scatter, 2)} Wh/kg; the instruments explain {digits(own, 2)} Wh/kg.")
    if test.model_J_kg is not None:
        least, most = test.model_J_kg
        asked = span(least / WH, most / WH, "Wh/kg")
        chips = f"{CHIPS_M[1] * 1e6:.0f} down to {CHIPS_M[0] * 1e6:.0f} µm"
        lines.append(
            f"For the bare cut the model's law of cutting asks {asked} with chips of {chips}; what a "
            "saw takes beyond that is friction, and chips cut twice."
        )
    if test.at == "mains" and test.efficiency is None:
        lines.append("Power was taken as measured at the mains: the saw motor's own loss is counted as cutting.")
    return text([*lines, *(f"Assumed: {a}." for a in test.assumed)])


def _ceiling(test: CutTest, motor_W: float) -> str:
    """What a motor could make at this price; no upper bound where more than the cut is in the price."""
    rate, low, high = (v * 3.6e6 for v in test.most_kg_s(motor_W))
    loss = test.at == "mains" and test.efficiency is None
    extra = ["idle power"] * (not test.is_net) + ["the saw motor's loss"] * loss
    about, range_ = ("about " if extra else "at most "), span(low, high, "g/h")
    words = (
        f"A motor of {digits(motor_W)} W at the shaft makes {about}{digits(rate)} g/h at that price "
        f"({range_}, 95 %), if every watt cuts."
    )
    if not extra:
        return words
    cures = ["measure the saw's idle power as power_idle"] * (not test.is_net) + ["give --efficiency"] * loss
    verb = "are" if len(extra) > 1 else "is"
    return (
        f"{words} The true ceiling is at least that, for {join_words(extra)} {verb} in the price; "
        f"to take {'them' if len(extra) > 1 else 'it'} off, {join_words(cures)}."
    )
