"""Reads a sieve sheet: a CSV table of apertures and what stayed on or passed them.

    # comments start with a hash; pan, charge and additive rows are optional
    aperture_mm,retained_g
    2.0,0.60
    1.4,2.10
    pan,0.55
    charge,50.00

The line naming the columns is looked for; lines above it may hold a title, columns beyond the two are not read.
Aperture: mm, um, m, in or `mesh` (ASTM E11), in the name or in the cell. Amount: retained on each sieve, oversize
(retained on it and all coarser ones) or passing, in g, mg, kg or %. Comma, semicolon or tab; decimal point or comma;
any order; byte-order mark. Nothing is guessed: every doubt is a question, every error a `Problem`, all in one
InputError; `Answers` holds the answers to questions. What a whole sheet leaves open: `doubts`. A sheet of laser
diffraction is told by its column of volume, or by that name, and read by `laser` into the same kind of record.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

from ...errors import InputError, Problem
from ..quantities import units
from .cells import (
    BY_FLAGS,
    Answering,
    Answers,
    Findings,
    cells_of,
    content_lines,
    find_header,
    is_value,
    read_csv_text,
    rounded,
    separator_of,
)
from .doubts import (
    CHARGE_ROUNDING,
    LEAST_SLIP,
    column_doubts,
    hardly_passed,
    in_order,
    lost_most,
    share_doubt,
    shown,
    sums,
)
from .laser import SHAPE, parse_laser
from .lasernames import is_laser
from .sieves import (
    EXAMPLE,
    WEIGHABLE,
    Columns,
    Picked,
    SheetRow,
    is_header,
    is_note,
    next_coarser_m,
    overload,
    read_columns,
    read_row,
    row_named,
    sieve_diameter_m,
    weighable,
)

FINEST_STEP_G = 1e-4  # no workshop balance shows less; smaller steps come from a spreadsheet's arithmetic
LOSS_HIGH, LOSS_BAD = 0.03, 0.05  # closure of 97 to 103 % is good, below 95 % is no basis for a fit (common practice)


@dataclass(frozen=True)
class SieveSheet:
    """One sieve analysis: cumulative passing by aperture, ascending, and what was weighed (without additive).

    Or one of laser diffraction: its class limits stand for apertures, shares of volume for those of mass.
    """

    apertures_m: tuple[float, ...]  # ascending
    q3: tuple[float, ...]  # mass share passing each aperture, of the sum (not of the charge)
    retained_g: tuple[float, ...] = ()  # on each aperture, ascending; empty for a sheet in per cent
    pan_g: float | None = None
    charge_g: float | None = None
    path: Path | None = None
    additive_g: float = 0.0
    pan_is: str = "weighed"  # "rest": what the sieves left of the whole; "lost" or "passed": as answered
    reading: str = "retained"
    given: tuple[str, ...] = ()  # apertures as written
    step: float = 0.0  # unit of the last digit: g, or share for a sheet in per cent
    percent_sum: float | None = None  # sum of a sheet of retained per cent
    sieve_diameter_m: float = 0.2
    q3_loss_shared: tuple[float, ...] = ()  # q3 if what is missing had the sizes of the rest
    q3_loss_fine: tuple[float, ...] = ()  # q3 if all that is missing was finer than the finest sieve
    said: tuple[str, ...] = ()  # how the sheet was read
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()  # rows that are no masses: time, method
    classes: int = 0  # of laser diffraction; 0: sieved

    @property
    def by_laser(self) -> bool:
        """Whether the sizes are those of laser diffraction, which are no sieve sizes."""
        return self.classes > 0

    @property
    def sum_g(self) -> float | None:
        """Mass found on the sieves and in the pan, g; None for a sheet in per cent."""
        return None if self.pan_g is None else math.fsum((*self.retained_g, self.pan_g))

    @property
    def loss_share(self) -> float | None:
        """Share of the charge that was not found again; None where nothing tells."""
        if self.pan_is not in ("weighed", "lost"):
            return None
        if self.percent_sum is not None:
            return 1.0 - self.percent_sum / 100.0 if abs(self.percent_sum - 100.0) > 1e-9 else None
        return None if self.charge_g is None or self.sum_g is None else 1.0 - self.sum_g / self.charge_g

    @property
    def resolution_g(self) -> float | None:
        """Smallest step of the weighing as written, g; None for a sheet in per cent without a charge."""
        if self.pan_g is not None:
            return self.step
        return None if self.charge_g is None else self.step * self.charge_g

    @property
    def resolution_share(self) -> float:
        """Smallest step of the amounts as a share of the sum."""
        return self.step / self.sum_g if self.sum_g else self.step

    def closed(self) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Apertures (m) and q3 with an upper end: what stayed on the coarsest sieve is taken to lie below the
        next coarser R20/3 aperture (a sheet without oversize is returned as it is)."""
        if self.q3[-1] >= 1.0:
            return self.apertures_m, self.q3
        return (*self.apertures_m, next_coarser_m(self.apertures_m[-1])), (*self.q3, 1.0)


def read_sheet(path: "str | Path", by: Answering = BY_FLAGS, **answers) -> SieveSheet:
    """Read one sieve sheet from a CSV file; `answers` are the fields of `Answers`, `by` how its reader can give them.

    Returns a SieveSheet; raises InputError with every problem found, by line.
    """
    path = Path(path)
    return parse_sheet(read_csv_text(path, EXAMPLE), str(path), path, by, **answers)


def parse_sheet(text: str, where: str, path: Path | None = None, by: Answering = BY_FLAGS, **answers) -> SieveSheet:
    """Read a sheet from text; `where` is what messages call it."""
    found, a = Findings(where, by), Answers(**answers)
    lines = content_lines(text, where)
    if not lines:
        raise InputError(Problem(where, "", "is empty", hint=EXAMPLE))
    if is_laser(lines, a):
        curve = parse_laser(found, a, lines)
        return SieveSheet(curve.sizes_m, curve.q3, path=path, reading=curve.reading, said=curve.said,
                          warnings=(SHAPE,), classes=curve.classes)  # fmt: skip
    answered = {name: _answered_g(found, a, name) for name in ("charge", "additive", "pan")}
    start, separator, header = find_header(lines, is_header) or _unnamed(lines[0][1])
    columns = read_columns(found, a, header, lines[max(start, 0)][0])
    if columns is None:
        raise InputError(found.problems)
    table = [(n, cells_of(line, separator)) for n, line in lines[start + 1 :]]
    above = [(n, cells_of(line, separator_of(line))) for n, line in lines[: max(start, 0)]]
    picked, said = _pick(above, table, columns)
    column_doubts(found, a, picked, [cells for _, cells in table], columns)
    told = [(p, is_note(p)) for p in picked]
    notes = [p for p, noted in told if noted]
    rows = [row for p, noted in told if not noted and (row := read_row(found, columns, *p))]
    _no_row_twice(found, rows)
    found.stop()
    share_doubt(found, a, rows, [p.amount for p in picked], columns)
    sheet = _assemble(found, a, rows, columns, answered)
    sheet = replace(sheet, path=path, said=(*said, *sheet.said), sieve_diameter_m=sieve_diameter_m(notes))
    sheet = replace(sheet, notes=tuple(f"{p.name}: {p.amount}" for p in notes))
    return replace(sheet, warnings=(*sheet.warnings, *_cautions(sheet)))


def _unnamed(line: str) -> tuple[int, str, list[str]]:
    """What stands for the header where none is found: the first line if it is words, else nothing."""
    separator = separator_of(line)
    cells = cells_of(line, separator)
    return (-1, separator, []) if any(map(is_value, cells)) else (0, separator, cells)


def _answered_g(found: Findings, a: Answers, name: str) -> float | None:
    """The mass, g, that answers --charge, --additive or --pan; None where that is no mass."""
    given = getattr(a, name)
    if given is None or (name == "pan" and given in ("lost", "passed")):
        return None
    try:
        value = units.parse(given, "kg") * 1e3 if isinstance(given, str) else float(given)
    except units.UnitError as error:
        allowed = 'lost, passed, or a mass such as "0.5 g"' if name == "pan" else 'a mass such as "50 g"'
        found.problems.append(Problem(f"--{name}", "", f"{given!r} {error}", allowed, error.hint))
        return None
    if not weighable(value, True):
        found.problems.append(Problem(f"--{name}", "", f"{given} is no mass of a sieving", WEIGHABLE))
    return float(f"{value:.14g}")


def _pick(above, table, columns: Columns) -> tuple[list[Picked], list[str]]:
    """Name and amount of every row that has them, and what to say about how they were found."""
    known = ("charge", "additive", "note", "diameter")
    mine = [(n, cells) for n, cells in above if row_named(next(filter(str.strip, cells), "")) in known]
    picked = [Picked(n, cells, *_name_and_amount(cells, 0, 1)) for n, cells in mine]
    picked += [Picked(n, cells, *_name_and_amount(cells, columns.size_at, columns.value_at)) for n, cells in table]
    passed = len(above) - len(mine)
    lines = f"{passed} line{'s' * (passed > 1)} above the column names not used"
    return picked, [columns.said] + [lines] * bool(passed)


def _name_and_amount(cells: list[str], size_at: int, value_at: int) -> tuple[str, str]:
    """First cell and amount of a row; of a row with a name, the next filled cells where those are empty."""
    filled = [(i, c.strip()) for i, c in enumerate(cells) if c.strip()] or [(-1, "")]
    name = next((c for i, c in filled if i == size_at), filled[0][1])
    amount = next((c for i, c in filled if i == value_at), "")
    if not amount and row_named(name):
        amount = next((c for _, c in filled if c != name), "")
    return name, amount


def _assemble(found: Findings, a: Answers, rows: list[SheetRow], columns: Columns, answered) -> SieveSheet:
    """Check the rows against each other and build the sheet."""
    sieves = sorted((w for w in rows if not isinstance(w.name, str)), key=lambda w: w.size_m)
    if not sieves:
        found.say("has no sieve row", hint=EXAMPLE)
    found.stop()
    labels = {w.name: w.amount for w in rows if isinstance(w.name, str)}
    charge, additive = (_one_mass(found, name, labels, answered) for name in ("charge", "additive"))
    if charge == 0:
        found.say("the charge is 0 g", hint="leave it out if it was not weighed")
    whole = 1.0 if not columns.in_mass else charge
    weighed = _one_mass(found, "pan", labels, answered) if columns.in_mass else labels.get("pan")
    if answered["pan"] is not None and not columns.in_mass:
        found.say("--pan with a mass is for a sheet in masses", hint="add a row pan,<per cent>")
    retained, pan, pan_is, said = _fractions(found, a, sieves, weighed, whole, columns)
    found.stop()
    sums(found, retained, pan, whole, labels.get("total"), columns, sieves)
    if additive:
        pan, charge = _without_additive(found, additive, pan, charge, columns.in_mass)
        whole = charge
        off = "the pan" if charge is None else "the pan and the charge, which is taken to include it"
        said = (*said, f"additive of {additive:.6g} g taken off {off}")
    pan, pan_is, more = _settle_pan(found, a, retained, pan, pan_is, whole, columns.in_mass)
    found.stop()
    total = math.fsum((*retained, pan))
    if total <= 0:
        found.say("all amounts are zero")
    elif pan_is == "weighed":
        lost_most(found, total, whole, columns)
    elif columns.reading == "passing" and columns.in_mass:
        hardly_passed(found, total - retained[-1], total)
    found.stop()
    q3 = _passing(retained, pan, total)
    sure = 0.0 if pan_is in ("passed", "lost") else pan  # what is known to have passed the finest sieve
    kept = math.fsum((*retained, sure))
    missing = max(0.0, whole - kept) if whole is not None and kept > 0 and pan_is != "rest" else 0.0
    return SieveSheet(
        tuple(w.size_m for w in sieves),
        q3,
        tuple(retained) if columns.in_mass else (),
        pan if columns.in_mass else None,
        charge,
        additive_g=additive or 0.0,
        pan_is=pan_is,
        reading=columns.reading,
        given=tuple(w.given for w in sieves),
        step=_smallest_step(rows, columns.in_mass),
        percent_sum=None if columns.in_mass or pan_is == "rest" else 100.0 * total,
        q3_loss_shared=_passing(retained, sure, kept) if kept > 0 else q3,
        q3_loss_fine=_passing(retained, sure + missing, kept + missing) if kept > 0 else q3,
        said=(*said, *more),
    )


def _no_row_twice(found: Findings, rows: list[SheetRow]) -> None:
    """Note rows of the same name or the same aperture but for rounding."""
    named = sorted((w for w in rows if isinstance(w.name, str)), key=lambda w: (w.name, w.line))
    sieves = sorted((w for w in rows if not isinstance(w.name, str)), key=lambda w: w.size_m)
    groups = [list(g) for _, g in itertools.groupby(named, key=lambda w: w.name)]
    for row in sieves:
        if groups and not isinstance(groups[-1][0].name, str) and _alike(groups[-1][0].size_m, row.size_m):
            groups[-1].append(row)
        else:
            groups.append([row])
    firsts = [min(g, key=lambda w: w.line) for g in groups]
    doubled = [(row, first) for g, first in zip(groups, firsts, strict=True) for row in g if row is not first]
    for row, first in sorted(doubled, key=lambda pair: pair[0].line):
        what = f"{row.name} row" if isinstance(row.name, str) else f"aperture {rounded(row.name * 1e6, 6)} um"
        found.say(f"{what} appears twice (first on line {first.line})", row.line)


def _alike(a: float, b: float) -> bool:
    return abs(a - b) <= 1e-6 * max(a, b)


def _one_mass(found: Findings, name: str, labels: dict, answered: dict) -> float | None:
    """A mass from the sheet or from a flag; both only if they agree."""
    row, flag = labels.get(name), answered[name]
    if row is not None and flag is not None and abs(row - flag) > 1e-9 * flag:
        found.say(f"the sheet says {name} {row:.6g} g, --{name} says {flag:.6g} g", hint="leave one of them out")
    return row if row is not None else flag


def _fractions(found: Findings, a: Answers, sieves: list[SheetRow], pan, whole, columns: Columns):
    """Amounts on each sieve, ascending, in the pan (None if unknown), how the pan is known, and what to say."""
    amounts, said = [w.amount for w in sieves], tuple[str, ...]()
    if columns.reading == "retained":
        if a.sort:
            found.say("--sort is for cumulative amounts, and these are retained on each sieve", hint="leave it out")
        return amounts, pan, "weighed", said
    passing = columns.reading == "passing"
    if a.sort:
        amounts = sorted(amounts, reverse=not passing)
        said = ("amounts put into the order of the apertures, as --sort says",)
    in_order(found, sieves, amounts, passing, columns.in_mass)
    if passing and whole is None:
        question = "masses that passed need the whole: how much was sieved?"
        found.ask(question, 0, "add a row charge,<mass>", [("charge", '"50 g"')])
    if passing and whole is not None:
        if max(amounts) > whole * (1 + CHARGE_ROUNDING):
            most, all_of_it = (shown(v, columns.in_mass) for v in (max(amounts), whole))
            found.say(f"passing {most} is more than everything, {all_of_it}", allowed=f"0 to {all_of_it}")
        rest = [*amounts[1:], max(whole, amounts[-1])]
        return [b - a for a, b in zip(amounts, rest, strict=True)], amounts[0], "rest", said
    kept = [a - b for a, b in zip(amounts, [*amounts[1:], 0.0], strict=True)]
    end = pan if pan is not None else whole if not columns.in_mass else None
    below = None if end is None else max(0.0, end - amounts[0])
    return kept, below, "rest" if pan is None and below is not None else "weighed", said


def _without_additive(found: Findings, additive: float, pan, charge, in_mass: bool):
    """Pan and charge without the additive, which goes with the finest."""
    if not in_mass:
        found.say("an additive can only be taken off masses", hint="give the amounts in g")
    elif pan is None:
        found.say("the additive goes into the pan, and the sheet has no pan row", hint="add a row pan,<mass>")
    elif additive > pan + 1e-12 or (charge is not None and additive >= charge):
        found.say(
            f"additive of {additive:.6g} g is more than the {pan:.6g} g in the pan, where it should be",
            hint="check both masses; additive that clings to the powder cannot be taken off",
        )
    found.stop()
    return max(0.0, pan - additive), None if charge is None else charge - additive


def _settle_pan(found: Findings, a: Answers, retained, pan, pan_is: str, whole, in_mass: bool):
    """The pan as weighed, as answered, or as it follows; a question where it does not."""
    if pan is not None:
        return pan, pan_is, ()
    kept = math.fsum(retained)
    if whole is None:
        question = "has no pan row: how much passed the finest sieve?"
        found.ask(question, 0, "add a row `pan,<mass>` (0 if nothing did)", [("pan", '"0.5 g"')])
        return 0.0, pan_is, ()
    missing = max(0.0, whole - kept)
    if missing <= CHARGE_ROUNDING * whole:
        return 0.0, pan_is, ("no pan row, and nothing missing: nothing passed the finest sieve",)
    share = f"{shown(missing, in_mass)}, {rounded(missing / whole * 100)} % of the {'charge' if in_mass else 'whole'},"
    if a.pan in ("passed", "lost"):
        fate = "passed the finest sieve" if a.pan == "passed" else "was lost, of all sizes alike"
        said = f"no pan row: {share} {fate}, as --pan {a.pan} says; the other way is shown beside it"
        return (missing if a.pan == "passed" else 0.0), a.pan, (said,)
    question = f"has no pan row: {share} is on no sieve; did it pass the finest sieve, or was it lost?"
    question += " Or is the charge in another unit?" * (in_mass and missing > LEAST_SLIP * whole)
    answers = [("pan", "passed"), ("pan", "lost")]
    found.ask(question, 0, "add a row `pan,<mass>`", answers, " (both are then shown)")
    return 0.0, pan_is, ()


def _passing(retained: Sequence[float], pan: float, total: float) -> tuple[float, ...]:
    """Share passing each sieve."""
    sums = itertools.accumulate(map(Fraction, (pan, *retained[:-1])))  # exact, as `math.fsum` of each would be
    return tuple(float(s) / total for s in sums)


def _smallest_step(rows: list[SheetRow], in_mass: bool) -> float:
    """Unit of the last digit of the amounts, not of the charge."""
    steps = [w.step for w in rows if w.name not in ("charge", "additive", "total")]
    return max(min(steps), FINEST_STEP_G if in_mass else 0.0)


def _cautions(sheet: SieveSheet) -> list[str]:
    """What a user of the sheet must know: loss, overload."""
    loss = sheet.loss_share
    said = []
    if loss is not None and loss > LOSS_HIGH:
        verdict = "too much to trust: sieve again" if loss > LOSS_BAD else "usable with wider bounds"
        said.append(f"loss of {rounded(loss * 100, 2)} %, {verdict}; what is lost is nearly always fines")
    crowded = overload(sheet.apertures_m, sheet.retained_g, sheet.sieve_diameter_m) if sheet.retained_g else ""
    return said + [crowded] * bool(crowded)
