"""What a whole sieve sheet leaves open or cannot be: amounts out of order, sums against the charge, shares written as
per cent, a charge in another unit. Every doubt becomes a question with its answer.
"""

import math
from collections.abc import Sequence

from ...errors import InputError, Problem
from .cells import Answers, Findings, decimal_doubt, is_number, parted_by_commas, rounded, two_marks
from .sieves import Columns, Picked, SheetRow, has_own_unit, is_note, row_named, unit_doubt

CHARGE_ROUNDING = 0.002  # a sum this share above the charge is weighing and rounding, more is an error
MOST_LOST = 0.5  # more is no loss of a sieving but a slip of the unit
LEAST_SLIP = 0.99  # beyond this share no sieve, the charge is first of all in another unit
WHOLE_AS_SHARE = (0.9, 1.1)  # retained "per cent" that sum to this are shares of 1


class Doubt(InputError):
    """A question that is easier answered looking at what was read: `rows` of (aperture, amount) as text."""

    def __init__(self, problems: list[Problem], rows: tuple[tuple[str, str], ...]):
        super().__init__(problems)
        self.rows = rows


def in_order(found: Findings, sieves: list[SheetRow], amounts, passing: bool, in_mass: bool) -> None:
    """Ask about cumulative amounts that run the wrong way, showing them."""
    sign = 1 if passing else -1
    for i, (small, large) in enumerate(zip(amounts[:-1], amounts[1:], strict=True)):
        if sign * (large - small) >= -1e-12:
            continue
        fine, coarse = (f"{rounded(w.size_m * 1e6, 6)} um" for w in (sieves[i], sieves[i + 1]))
        low, high = shown(small, in_mass), shown(large, in_mass)
        this, other = ("passing", "oversize") if passing else ("oversize", "passing")
        message = f"{low} passes {fine} but only {high} the coarser {coarse}"
        if not passing:
            message = f"{low} is oversize on {fine} but {high} on the coarser {coarse}"
        steps = zip(amounts[:-1], amounts[1:], strict=True)
        if all(sign * (b - a) <= 1e-12 for a, b in steps):  # just turned round
            question = f"{message}: typed in the other order, or {other}, or retained instead of {this}?"
            answers = [("sort", ""), ("reading", other), ("reading", "retained")]
        else:
            question = f"{message}: are these retained on each sieve, or {other}, or typed in another order?"
            answers = [("reading", "retained"), ("reading", other), ("sort", "")]
        found.ask(question, 0, "correct the sheet", answers)
        rows = tuple((rounded(w.size_m * 1e6, 6), shown(v, in_mass)) for w, v in zip(sieves, amounts, strict=True))
        raise Doubt(found.problems, rows)


def shown(amount: float, in_mass: bool) -> str:
    """An amount (g, or a share) with its unit."""
    return f"{amount:.6g} g" if in_mass else f"{amount * 100:.6g} %"


def sums(found: Findings, retained, pan, whole, said_total, columns: Columns, sieves: list[SheetRow]) -> None:
    """The sum against the charge and against the sum the sheet states."""
    total = math.fsum((*retained, pan or 0.0))
    found_g, whole_g, said_g = (shown(v or 0.0, columns.in_mass) for v in (total, whole, said_total))
    last = max((w.step for w in sieves), default=0.0)
    deviations = min(0.6 * last * math.sqrt(len(retained) + 1), 0.03 * (whole or 0.0))  # two of rounding
    if whole is not None and total > whole + max(CHARGE_ROUNDING * whole, deviations):
        name = "charge" if columns.in_mass else "whole"
        message = f"sieves and pan sum to {found_g}, more than the {name} of {whole_g}"
        oversize = found.by.spell("reading", "oversize")
        cumulative = f" for cumulative amounts {oversize};" if oversize else ""
        found.say(message, hint=f"correct it;{cumulative} the charge holds the additive")
    whole_rows = columns.reading == "retained" and pan is not None
    if said_total is not None and whole_rows and abs(said_total - total) > 0.005 * total:
        found.say(f"the sum row says {said_g} but the rows sum to {found_g}")


def share_doubt(
    found: Findings, a: Answers, rows: Sequence[SheetRow], amounts: Sequence[str], columns: Columns
) -> None:
    """Ask about per cent that read like shares of 1, which spreadsheets export for them.

    amounts: cells as written; one with a per cent sign of its own, or --unit, leaves no doubt.
    """
    if columns.in_mass or a.unit is not None or any("%" in cell for cell in amounts):
        return
    shares = [100.0 * w.amount for w in rows if w.name == "pan" or not isinstance(w.name, str)]
    total, most = math.fsum(shares), max(shares, default=0.0)
    alike = WHOLE_AS_SHARE[0] <= total <= WHOLE_AS_SHARE[1] if columns.reading == "retained" else 0.0 < most <= 1.0
    if not alike:
        return
    what = f"the amounts sum to {total:.4g} %" if columns.reading == "retained" else f"no amount is above {most:.4g} %"
    tail = f" (or {found.by.spell('unit', 'percent')}, if it is per cent)"
    found.ask(f"{what}: are these shares of 1, not per cent?", 0, "write 95 for 0.95", [("unit", "share")], tail)
    found.stop()


def lost_most(found: Findings, total: float, whole: float | None, columns: Columns) -> None:
    """Ask about a charge of which most was not found again."""
    if whole is None or total >= (1.0 - MOST_LOST) * whole:
        return
    found_g, whole_g = (shown(v, columns.in_mass) for v in (total, whole))
    if columns.in_mass:
        hint = "correct the charge; if so much was lost indeed, leave the charge out, for nothing tells its sizes"
        message = f"sieves and pan sum to {found_g} of a charge of {whole_g}: is the charge in another unit?"
        found.say(message, hint=hint)
    else:
        message = f"the amounts sum to {found_g} only: is a row missing, or are they not per cent of the whole?"
        found.say(message, hint="correct them, or give the amounts in g")


def hardly_passed(found: Findings, most_g: float, charge_g: float) -> None:
    """Ask about a charge of which next to nothing passed the coarsest sieve."""
    if 0.0 < most_g < (1.0 - LEAST_SLIP) * charge_g:
        what = f"only {shown(most_g, True)} of a charge of {shown(charge_g, True)} passes the coarsest sieve"
        found.say(f"{what}: is the charge in another unit?", hint="correct the charge, or add a coarser sieve")


def column_doubts(found: Findings, a: Answers, picked: list[Picked], table, columns: Columns) -> None:
    """Questions that only a whole column raises: decimal marks, units of the apertures."""
    sieves = [p for p in picked if not is_note(p)]
    bare = [p.name for p in sieves if not row_named(p.name) and not has_own_unit(p.name)]
    for name, cells in (("apertures", bare), ("amounts", [p.amount for p in sieves])):
        cell = decimal_doubt(cells) if a.decimal is None else ""
        if cell:
            question = f"{cell!r} among the {name}: does its mark stand before decimals, or does it part thousands?"
            found.ask(question, 0, "write numbers without thousands marks", [("decimal", "point|comma")])
    mixed = two_marks([*bare, *(p.amount for p in sieves)]) if a.decimal is None and not found.problems else ""
    if mixed:
        question = f"{mixed!r} beside numbers with the other mark: does it stand before decimals, or part thousands?"
        found.ask(question, 0, "write all numbers with one mark", [("decimal", "point|comma")])
    if a.decimal is None and columns.named > 3 and parted_by_commas([c for c in table if is_number(c[0])]):
        question = "no number has decimals: are these decimal commas in a sheet parted by commas?"
        mend = "with decimal commas, separate the columns by semicolons"
        found.ask(question, 0, mend, [("decimal", "point")], link="; else")
    doubt = "" if a.aperture or found.problems else unit_doubt(bare, columns.unit, columns.decimal)
    if doubt:
        mend = 'write the unit into the cells that differ ("500 um", "mesh 35")'
        ways = [("aperture", "mm|um|mesh")]
        if "nobody makes" in doubt and not columns.in_mass:
            doubt, ways = f"{doubt} Or was this measured by laser diffraction?", [*ways, ("method", "laser")]
        found.ask(doubt, 0, mend, ways)
        found.stop()
