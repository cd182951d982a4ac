"""Nominal sieve apertures as tables: ISO 3310-1 / ISO 565 (R20/3, R20, R40/3) and ASTM E11 mesh numbers.

Standard apertures are rounded by convention (R20/3 steps run from 1.389 to 1.440 around 10^(3/20)), so they
are never computed from a ratio. Values in mm as printed in the standards (from memory; checked against the
tables of `fluids`).
Also owns the words of the trade in a sieve sheet: how columns, rows and apertures are named, when the unit of an
aperture is in doubt; and how much a sieve can carry.
"""

import math
import re
from collections.abc import Sequence
from typing import NamedTuple

from . import tongues
from .cells import Answers, Findings, is_number, number, plain, rounded, step, words

LENGTH_UNITS = {"m": 1.0, "mm": 1e-3, "um": 1e-6, "micron": 1e-6, "microns": 1e-6}
LENGTH_UNITS |= dict.fromkeys(("in", "inch", "inches", '"'), 0.0254)
MASS_UNITS = {"g": 1.0, "mg": 1e-3, "kg": 1e3}
READINGS = {
    "retained": "retained on each sieve",
    "oversize": "retained on each sieve and all coarser ones",
    "passing": "passing each sieve",
}
_PERCENT = {"%", "percent", "pct"}
_SIZE = {"aperture", "sieve", "opening", "size", "hole", "mesh"}
_PASSING = {"passing", "passed", "finer", "undersize", "through", "q"}
_OVERSIZE = {"oversize", "coarser", "r"}
_RETAINED, _CUMULATIVE = {"retained", "ret"}, {"cum", "cumul", "cumulative", "cumulated"}
_MASS = {"mass", "weight", "on", "amount"}
_ROWS = {  # the first that fits
    "note": {"time", "method", "duration", "operator", "date", "amplitude", "remark", "note", "notes", "shaker",
             "temperature", "humidity", "loss", "lost", "standard"},
    "diameter": {"diameter"},
    "charge": {"charge", "input", "fed", "initial", "before"},
    "additive": {"additive", "antistatic", "anti", "aid", "silica", "talc"},
    "total": {"sum", "total", "recovered"},
    "pan": {"pan", "bottom", "receiver", "base", "tray"},
}  # fmt: skip
LARGEST_M, SMALLEST_M = 0.125, 5e-6  # test sieves there are (ISO 3310-1 and -3, from memory)
LEAST_G, MOST_G, WEIGHABLE = 1e-18, 1e6, "0 g, or 1e-18 g to 1000 kg"
_UNIT = "check the unit"
EXAMPLE = "for example: aperture_mm,retained_g / 1.0,5.40 / 0.5,11.90 / pan,0.55"
FINEST_DRY_M = 38e-6  # about the limit of dry sieving (ASTM D1921)
LOOSE_DENSITY_KG_M3 = 400.0  # of loose milled plastic; common practice 300 to 500

ISO_R20_3_MM = (
    125, 90, 63, 45, 31.5, 22.4, 16, 11.2, 8, 5.6, 4, 2.8, 2, 1.4, 1, 0.71, 0.5, 0.355, 0.25, 0.18, 0.125,
    0.09, 0.063, 0.045,
)  # fmt: skip
ISO_R20_MM = (
    125, 112, 100, 90, 80, 71, 63, 56, 50, 45, 40, 35.5, 31.5, 28, 25, 22.4, 20, 18, 16, 14, 12.5, 11.2, 10,
    9, 8, 7.1, 6.3, 5.6, 5, 4.5, 4, 3.55, 3.15, 2.8, 2.5, 2.24, 2, 1.8, 1.6, 1.4, 1.25, 1.12, 1, 0.9, 0.8,
    0.71, 0.63, 0.56, 0.5, 0.45, 0.4, 0.355, 0.315, 0.28, 0.25, 0.224, 0.2, 0.18, 0.16, 0.14, 0.125, 0.112,
    0.1, 0.09, 0.08, 0.071, 0.063, 0.056, 0.05, 0.045, 0.04, 0.036,
)  # fmt: skip
ISO_R40_3_MM = (
    125, 106, 90, 75, 63, 53, 45, 37.5, 31.5, 26.5, 22.4, 19, 16, 13.2, 11.2, 9.5, 8, 6.7, 5.6, 4.75, 4, 3.35,
    2.8, 2.36, 2, 1.7, 1.4, 1.18, 1, 0.85, 0.71, 0.6, 0.5, 0.425, 0.355, 0.3, 0.25, 0.212, 0.18, 0.15, 0.125,
    0.106, 0.09, 0.075, 0.063, 0.053, 0.045, 0.038,
)  # fmt: skip
# ASTM E11 "No." designations (sieves coarser than No. 3 1/2 are named by inches, not by mesh).
ASTM_E11_MESH_MM = {
    "3 1/2": 5.6, "4": 4.75, "5": 4.0, "6": 3.35, "7": 2.8, "8": 2.36, "10": 2.0, "12": 1.7, "14": 1.4,
    "16": 1.18, "18": 1.0, "20": 0.85, "25": 0.71, "30": 0.6, "35": 0.5, "40": 0.425, "45": 0.355, "50": 0.3,
    "60": 0.25, "70": 0.212, "80": 0.18, "100": 0.15, "120": 0.125, "140": 0.106, "170": 0.09, "200": 0.075,
    "230": 0.063, "270": 0.053, "325": 0.045, "400": 0.038, "450": 0.032, "500": 0.025, "635": 0.02,
}  # fmt: skip


def mesh_to_m(mesh: str | int) -> float:
    """Return the nominal aperture, m, of an ASTM E11 mesh number ("35", "No. 35", "#35", 35, "3 1/2").

    KeyError with the neighbouring numbers where ASTM E11 has no such sieve: apertures are not interpolated.
    """
    text = str(mesh).strip().lower().removeprefix("mesh").removesuffix("mesh").strip()
    text = " ".join(text.removeprefix("no").lstrip(".#").split()).replace("3.5", "3 1/2")
    if text in ASTM_E11_MESH_MM:
        return ASTM_E11_MESH_MM[text] / 1000
    raise KeyError(f"no ASTM E11 sieve has mesh number {text or mesh!r}{_neighbours(text)}")


def _neighbours(text: str) -> str:
    """The standard mesh numbers on either side of a number, in words."""
    if not text.isdecimal():
        return ""
    numbers = [int(n) for n in ASTM_E11_MESH_MM if n.isdecimal()]
    below, above = [n for n in numbers if n < int(text)], [n for n in numbers if n > int(text)]
    near = [str(n) for n in (*below[-1:], *above[:1])]
    return f"; nearest: {' and '.join(near)}"


class SheetColumn(NamedTuple):
    """What the name of a column says: kind "size" or "amount", unit ("" if none), reading ("" if none)."""

    kind: str
    unit: str
    reading: str = ""
    sure: bool = True  # the name says more than a unit or "mass"


def column_named(cell: str) -> SheetColumn | None:
    """What the name of a column of a sieve sheet says; None where it names neither sizes nor amounts."""
    said = words(cell)
    known = set(said)
    mass = next((w for w in said if w in MASS_UNITS), "%" if known & _PERCENT else "")
    lengths = sorted((w for w in said if w in LENGTH_UNITS), key=lambda w: w in ("in", "m"))  # "aperture in mm"
    retained, passing = known & (_RETAINED | tongues.RETAINED), known & (_PASSING | tongues.PASSING)
    residue, summed = known & tongues.RESIDUE, known & (_CUMULATIVE | tongues.CUMULATIVE)
    reading = "passing" if passing else "oversize" if known & _OVERSIZE else "retained" if retained else ""
    if passing and (known & _OVERSIZE or retained or residue):
        reading = ""
    if (retained or residue) and summed:
        reading = "oversize"
    if not mass and not residue and (lengths or known & (_SIZE | tongues.SIZES)) and not (reading and not lengths):
        return SheetColumn("size", lengths[0] if lengths else "mesh" if "mesh" in known else "")
    if mass or reading or residue or known & (_MASS | tongues.MASSES):
        unsaid = "" if residue else _unsaid(known, mass)
        return SheetColumn("amount", mass, reading or unsaid, bool(reading or residue))
    return None


def _unsaid(known: set[str], mass: str) -> str:
    """A mass that is not said to be anything else is what was weighed on the sieve."""
    weighed = known & (_MASS | tongues.MASSES) and mass in MASS_UNITS
    return "retained" if weighed and not known & (_CUMULATIVE | tongues.CUMULATIVE | _PASSING) else ""


def row_named(cell: str) -> str:
    """What a row of a sieve sheet is by its first cell: "pan", "charge", "additive", "total", "diameter", "note"; or
    nothing. A row "<0.09" is the pan."""
    known = set(words(cell))
    if {"sample", "powder"} & known and known & {"mass", "weight", *MASS_UNITS}:
        return "charge"
    named = (name for name, those in _ROWS.items() if (those | tongues.ROWS.get(name, set())) & known)
    return next(named, "pan" if cell.strip()[:1] == "<" else "")


def aperture_m(cell: str, unit: str, decimal: str = "") -> float:
    """Aperture, m, of a cell that may carry its own unit ("500 um", "No. 35", '3/8"'); else `unit` holds.

    unit: a key of LENGTH_UNITS or "mesh". ValueError where the cell is no aperture, KeyError where ASTM E11 has
    no such mesh number.
    """
    text = re.sub(r"^(sieve|aperture|opening)\s+|^>", "", plain(cell).strip()).strip()
    if re.search(r"mesh|^no\b|#", text):
        return mesh_to_m(text)
    match = re.fullmatch(r"([\d.,\s]*+(?:/\s*\d+)?(?:e[+-]?\d+)?)\s*([a-z\"]*)", text)
    if not match or (match[2] and match[2] not in LENGTH_UNITS):
        raise ValueError(cell)
    if not match[2] and unit == "mesh":
        return mesh_to_m(match[1])
    value = _with_fraction(match[1], decimal) * LENGTH_UNITS[match[2] or unit]
    return float(f"{value:.14g}")  # 0.09 mm is 9e-05 m, not 8.999999999999999e-05


def _with_fraction(text: str, decimal: str) -> float:
    """A number that may end in a fraction, as inches do: "1/4", "1 1/2"."""
    match = re.fullmatch(r"(\d+\s+)?(\d+)\s*/\s*(\d+)", text.strip())
    if not match:
        return number(text, decimal)
    if not int(match[3]):
        raise ValueError(text)
    return int(match[1] or 0) + int(match[2]) / int(match[3])


def has_own_unit(cell: str) -> bool:
    """Whether a cell says itself what unit or mesh series it is in."""
    return bool(re.search(r"[a-z#\"]", re.sub(r"\de[+-]?\d", "", plain(cell))))


def unit_doubt(cells: list[str], unit: str, decimal: str = "") -> str:
    """What is doubtful about a column of bare apertures headed `unit`: a question, or nothing.

    Asked are: mesh numbers that look like micrometres and the other way round, and sieves that nobody sells.
    """
    for cell in cells:
        text = cell.strip().lstrip(">").strip()
        try:
            value = number(text, decimal)
        except ValueError:
            continue
        named = ASTM_E11_MESH_MM.get(f"{value:g}")
        if unit == "mesh":
            if f"{value:g}" != text or not _is_standard(value * 1e-6):
                continue
            if named is None:
                return f"ASTM E11 has no mesh {text}, but {text} um is an aperture: are these mesh numbers or um?"
            if named * 1e-3 < FINEST_DRY_M and len(cells) > 1:
                finer = f"mesh {text} is {named * 1e3:g} um, finer than can be sieved dry"
                return f"{finer}: is {text} a mesh number, or an aperture of {text} um?"
            continue
        size = value * LENGTH_UNITS[unit]
        if size > LARGEST_M or 0 < size < SMALLEST_M:
            other = next((u for u in ("um", "mm", "m") if SMALLEST_M <= value * LENGTH_UNITS[u] <= LARGEST_M), "")
            return f"nobody makes a test sieve of {text} {unit}" + (f": are these {other}?" if other else "")
        if unit in ("mm", "um") and named is not None and value >= 12 and not _is_standard(size):
            return f"{text} {unit} is not a standard aperture but a mesh number ({named:g} mm): is {text} in {unit}?"
    return ""


def _is_standard(size_m: float) -> bool:
    """Whether a size is a nominal aperture of ISO 3310-1 or ASTM E11."""
    known = (*ISO_R20_3_MM, *ISO_R20_MM, *ISO_R40_3_MM, *ASTM_E11_MESH_MM.values())
    return any(abs(size_m * 1e3 - a) < 1e-6 * a for a in known)


def most_residue_g(aperture_m: float, sieve_diameter_m: float = 0.2) -> float:
    """Mass, g, of loose milled plastic that a round sieve still sieves well: 70 cm3 sqrt(aperture / 1 mm) on 200 mm.

    The square root goes through the residue volumes that ISO 2591-1 advises for 200 mm sieves, 175 cm3 at 4 mm to
    17 cm3 at 63 um (from memory); scaled by the sieve's area and 0.4 g/cm3 of loose plastic (common practice).
    """
    volume_m3 = 70e-6 * math.sqrt(aperture_m / 1e-3) * (sieve_diameter_m / 0.2) ** 2
    return volume_m3 * LOOSE_DENSITY_KG_M3 * 1e3


def overload(apertures_m: Sequence[float], retained_g: Sequence[float], sieve_diameter_m: float) -> str:
    """A sentence on sieves that held a fifth more than they sieve well; nothing if none did."""
    most = [most_residue_g(a, sieve_diameter_m) for a in apertures_m]
    over = [(a, g, m) for a, g, m in zip(apertures_m, retained_g, most, strict=True) if g > 1.2 * m]
    if not over:
        return ""
    shown = [(rounded(g), rounded(a * 1e6, 6), rounded(m, 2)) for a, g, m in over]
    rows = ", ".join(f"{g} g on {a} um (at most about {m} g)" for g, a, m in shown)
    diameter = rounded(sieve_diameter_m * 1e3)
    rule = f"loose plastic on a {diameter} mm sieve, common practice after ISO 2591-1, from memory"
    return f"overload, some of it may be finer: {rows}; {rule}"


def next_coarser_m(aperture_m: float) -> float:
    """Return the next R20/3 aperture above one, m (twice the aperture beyond the table)."""
    for coarser in reversed(ISO_R20_3_MM):
        if coarser / 1000 > aperture_m * (1 + 1e-9):
            return coarser / 1000
    return 2.0 * aperture_m


class Columns(NamedTuple):
    """Where the two columns are and what they hold; `unit` of the apertures, `factor` to g or to a share."""

    size_at: int
    value_at: int
    named: int  # columns with a name
    unit: str
    reading: str
    factor: float
    in_mass: bool
    decimal: str  # point, comma, or "" where both are taken
    said: str  # the same in words


def is_header(cells: list[str]) -> bool:
    """Whether a line names a column of sizes and one of amounts."""
    kinds = [c.kind for c in map(column_named, cells) if c]
    first = next((c for c in cells if c.strip()), "")
    return {"size", "amount"} <= set(kinds) and not row_named(first)


def read_columns(found: Findings, a: Answers, header: list[str], line: int) -> Columns | None:
    """Understand the column names, or ask what they leave open."""
    named = [(i, c) for i, c in enumerate(map(column_named, header)) if c]
    sizes = [(i, c) for i, c in named if c.kind == "size"] or [(0, SheetColumn("size", ""))]
    amounts = [(i, c) for i, c in named if c.kind == "amount"] or [(1, SheetColumn("amount", "", "", False))]
    size_at, size = min(sizes, key=lambda s: (a.aperture not in (None, s[1].unit), s[1].unit in ("", "mesh")))
    rank = {i: (c.reading != a.reading, not c.sure, c.unit in ("", "%"), c.unit == "") for i, c in amounts}
    value_at, value = min(amounts, key=lambda v: (rank[v[0]], v[0]))
    unit, reading = a.aperture or size.unit, a.reading or value.reading
    amount = {"percent": "%"}.get(a.unit or "", a.unit) or value.unit
    names = [f"column {header[i].strip()!r}" if i < len(header) else f"column {i + 1}" for i in (size_at, value_at)]
    if not header and not (unit and reading and amount):
        found.say("no line names the two columns", 0, hint=EXAMPLE)
    if not unit:
        question = f"{names[0]} has no unit: are the apertures in mm, um or in, or mesh numbers?"
        found.ask(question, line, "write e.g. aperture_mm", [("aperture", "mm|um|in|mesh")])
    if not reading:
        question, ways = f"{names[1]} does not say what it holds: {READINGS['retained']}, or passing it?", "|passing"
        if set(words(header[value_at] if value_at < len(header) else "")) & tongues.RESIDUE:
            question, ways = f"{names[1]}: {READINGS['retained']}, or {READINGS['oversize']}, cumulative?", ""
        found.ask(question, line, "write e.g. retained_g", [("reading", f"retained{ways}|oversize")])
    if not amount:
        question = f"{names[1]} has no unit: in which unit are its amounts?"
        found.ask(question, line, "write e.g. retained_g", [("unit", "g|mg|kg|percent|share")])
    if not value.sure and not a.reading and sum(rank[i] == rank[value_at] for i, _ in amounts) > 1:
        found.say("several columns hold masses; which is it?", line, hint="name that one retained_g")
    if found.problems:
        return None
    sizes_in = "mesh numbers of ASTM E11" if unit == "mesh" else f"apertures in {'inches' if unit == 'in' else unit}"
    amounts_in = ", as a share of 1" if amount == "share" else f" in {amount}"
    said = f"{sizes_in} ({names[0]}); {READINGS[reading]}{amounts_in} ({names[1]})"
    factor, in_mass = MASS_UNITS.get(amount) or (1.0 if amount == "share" else 0.01), amount in MASS_UNITS
    return Columns(size_at, value_at, len(header) or 2, unit, reading, factor, in_mass, a.decimal or "", said)


class SheetRow(NamedTuple):
    """One amount: name of the row or aperture in m, amount in g or as a share, unit of its last digit."""

    line: int
    name: str | float
    amount: float
    step: float
    given: str

    @property
    def size_m(self) -> float:
        """The aperture of a row that has one."""
        assert not isinstance(self.name, str)
        return self.name


def read_row(found: Findings, columns: Columns, line: int, cells: list[str], label: str, value: str) -> SheetRow | None:
    """One row, or None after noting what is wrong with it or what it says in words."""
    name: str | float = row_named(label)
    extra = [c for c in cells[columns.named :] if c and is_number(c)]
    if extra and not name:
        message = f"{len(cells)} values instead of {columns.named}: {', '.join(cells)}"
        found.say(message, line, hint="with decimal commas, separate the columns by semicolons")
        return None
    try:
        if not name:
            name = aperture_m(label, columns.unit, columns.decimal) or "pan"
    except KeyError as error:
        found.say(error.args[0], line)
        return None
    except ValueError:
        dated = re.search(r"\d", label) and re.search("[a-z]{3}", plain(label))
        hint = "a spreadsheet may have made a date of a number" if dated else ""
        found.say(f"{label!r} is not an aperture", line, hint=hint)
        return None
    if not isinstance(name, str) and not 1e-6 <= name <= 1.0:
        found.say(f"aperture {label} is {name:.4g} m", line, "1 um to 1 m", _UNIT)
        return None
    try:
        amount, last = _amount(label if name in ("charge", "additive") else "", value, columns, columns.decimal)
    except ValueError as error:
        found.say(str(error), line, hint="" if value else "write 0 where nothing stayed")
        return None
    in_mass = columns.in_mass or name in ("charge", "additive")
    if not weighable(amount, in_mass):
        what = "is negative" if amount < 0 else "is no amount of a sieving"
        found.say(f"{value} {what}", line, WEIGHABLE if in_mass else "0 to 1000 %", "" if amount < 0 else _UNIT)
        return None
    return SheetRow(line, name, amount, last, label)


def _amount(label: str, text: str, columns: Columns, decimal: str) -> tuple[float, float]:
    """Amount in g or as a share, and the unit of its last digit; a unit in the cell or the row's name counts."""
    said = plain(text).strip()
    own = next((u for u in ("kg", "mg", "g", "%") if said.endswith(u)), "")
    digits, own = said.removesuffix(own).strip(), own or next((w for w in words(label) if w in MASS_UNITS), "")
    try:
        value, last = number(digits, decimal), step(digits, decimal)
    except ValueError:
        raise ValueError(f"{text!r} is not a number" if text else "has no value") from None
    if label and not columns.in_mass and own not in MASS_UNITS:
        raise ValueError(f"{label} {text} has no unit of mass, which a sheet in per cent needs")
    if own and not label and (own in MASS_UNITS) != columns.in_mass:
        raise ValueError(f"{text} is not in {'g' if columns.in_mass else '%'}")
    factor = MASS_UNITS.get(own, 0.01 if own else columns.factor)
    return value * factor, last * factor


def weighable(amount: float, in_mass: bool) -> bool:
    """Whether an amount (g, or a share) can be one of a sieving; what a spreadsheet leaves of a zero can."""
    return amount == 0 or (LEAST_G <= amount <= MOST_G if in_mass else 0.0 < amount <= 10.0)


class Picked(NamedTuple):
    """A row as found: its line, all its cells, the one that names it and the amount."""

    line: int
    cells: list[str]
    name: str
    amount: str


def is_note(p: Picked) -> bool:
    """Whether a row is a remark: named as one, or words where an aperture and a number belong."""
    row = row_named(p.name)
    return row in ("note", "diameter") or (not row and not re.search(r"\d", p.name + p.amount))


def sieve_diameter_m(notes: list[Picked]) -> float:
    """Diameter of the sieves, m: 200 mm unless a row says otherwise (50 mm to 1 m)."""
    for note in notes:
        if row_named(note.name) == "diameter":
            try:
                diameter = aperture_m(note.amount, "mm")
            except (ValueError, KeyError):
                continue
            if 0.05 <= diameter <= 1.0:
                return diameter
    return 0.2
