"""Reads a sieve sheet: a CSV table of apertures and what stayed on or passed them.

    # comments start with a hash; a charge row is optional
    aperture_mm,retained_g
    2.0,0.60
    1.4,2.10
    pan,0.55
    charge,50.00

First column: aperture / sieve / opening with its unit (mm, um, m, in), or `mesh` (ASTM E11). Second column:
retained mass (g, mg, kg) or retained %, or passing %; more columns are not read. Comma, semicolon or tab;
decimal point or comma; any order; byte-order mark. Nothing is guessed: every doubt and every error is a
`Problem`, all in one InputError.
"""

import math
import re
from dataclasses import dataclass
from pathlib import Path

from .csvin import cells_of, content_lines, number, plain, read_csv_text, separator_of, words
from .errors import InputError, Problem
from .sieves import mesh_to_m, next_coarser_m

LENGTH_UNITS = {"m": 1.0, "mm": 1e-3, "um": 1e-6, "micron": 1e-6, "in": 0.0254, "inch": 0.0254}
MASS_UNITS = {"g": 1.0, "mg": 1e-3, "kg": 1e3}
_SIZE_WORDS = {"aperture", "sieve", "opening", "size", "hole"}
_RETAINED_WORDS = {"retained", "mass", "weight", "on"}
_PASSING_WORDS = {"passing", "passed", "finer", "undersize", "through"}
_PAN_WORDS = {"pan", "bottom", "receiver", "base", "tray"}
_CHARGE_WORDS = {"charge", "input", "fed"}
_TOTAL_WORDS = {"sum", "total"}
_EXAMPLE = "for example: aperture_mm,retained_g / 1.0,5.40 / 0.5,11.90 / pan,0.55"
CHARGE_ROUNDING = 0.002  # a sum this share above the charge is weighing and rounding, more is an error


@dataclass(frozen=True)
class SieveSheet:
    """One sieve analysis: cumulative passing by aperture, ascending, and what was weighed."""

    apertures_m: tuple[float, ...]  # ascending
    q3: tuple[float, ...]  # mass share passing each aperture, of the sum (not of the charge)
    retained_g: tuple[float, ...] = ()  # on each aperture, ascending; empty for a passing sheet
    pan_g: float | None = None
    charge_g: float | None = None
    path: Path | None = None

    @property
    def sum_g(self) -> float | None:
        """Mass found on the sieves and in the pan, g; None for a sheet in per cent."""
        return None if self.pan_g is None else math.fsum((*self.retained_g, self.pan_g))

    @property
    def loss_share(self) -> float | None:
        """Share of the charge that was not found again; None without a charge."""
        return None if self.charge_g is None or self.sum_g is None else 1.0 - self.sum_g / self.charge_g

    def closed(self) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Apertures (m) and q3 with an upper end: what stayed on the coarsest sieve is taken to lie below the
        next coarser R20/3 aperture (a sheet without oversize is returned as it is)."""
        if self.q3[-1] >= 1.0:
            return self.apertures_m, self.q3
        return (*self.apertures_m, next_coarser_m(self.apertures_m[-1])), (*self.q3, 1.0)


@dataclass(frozen=True)
class _Columns:
    """What the header says: unit factors, and whether the second column is retained or passing."""

    count: int  # named columns
    size_factor: float  # m per unit; 0 for mesh numbers
    passing: bool
    value_factor: float  # g per unit, or share per unit
    is_mass: bool


def read_sheet(path: "str | Path") -> SieveSheet:
    """Read one sieve sheet from a CSV file.

    Returns a SieveSheet; raises InputError with every problem found, by line.
    """
    path = Path(path)
    return parse_sheet(read_csv_text(path, _EXAMPLE), str(path), path)


def parse_sheet(text: str, where: str, path: Path | None = None) -> SieveSheet:
    """Read a sheet from text; `where` is what messages call it."""
    lines = content_lines(text)
    if not lines:
        raise InputError(Problem(where, "", "is empty", hint=_EXAMPLE))
    separator = separator_of(lines[0][1])
    problems: list[Problem] = []
    columns = _header(cells_of(lines[0][1], separator), where, problems)
    if columns is None:
        raise InputError(problems)
    rows = _rows(lines[1:], separator, columns, where, problems)
    sheet = _assemble(rows, columns, where, path, problems)
    if problems:
        raise InputError(problems)
    return sheet


def _header(cells: list[str], where: str, problems: list[Problem]) -> _Columns | None:
    """Understand the two column names, or say what is missing."""
    if len(cells) < 2 or not any(words(c) for c in cells):
        problems.append(Problem(where, "line 1", "the first line must name two columns", hint=_EXAMPLE))
        return None
    size, value = words(cells[0]), words(cells[1])
    factor = 0.0 if "mesh" in size else next((LENGTH_UNITS[w] for w in size if w in LENGTH_UNITS), None)
    if factor is None:
        known = bool(_SIZE_WORDS & set(size))
        message = f"column {cells[0]!r} has no unit" if known else f"column {cells[0]!r} is not an aperture"
        problems.append(Problem(where, "line 1", message, "aperture_mm, aperture_um, aperture_in or mesh"))
    passing, retained = bool(_PASSING_WORDS & set(value)), bool(_RETAINED_WORDS & set(value))
    unit = next((MASS_UNITS[w] for w in value if w in MASS_UNITS), None)
    percent = bool({"%", "percent", "pct"} & set(value))
    if passing == retained or (unit is None) == (not percent) or (passing and unit):
        message = f"column {cells[1]!r} does not say what it holds and in which unit"
        problems.append(Problem(where, "line 1", message, "retained_g, retained_percent or passing_percent"))
    if problems:
        return None
    return _Columns(len(cells), factor, passing, unit if unit else 0.01, unit is not None)


def _aperture(cell: str, columns: _Columns) -> float:
    """Aperture in m of a cell; ValueError or KeyError where it is none."""
    if columns.size_factor == 0.0:
        return mesh_to_m(cell)
    match = re.fullmatch(r"\s*([\d.,]+(?:e[+-]?\d+)?)\s*([a-z]*)\s*", plain(cell))
    if not match or (match[2] and match[2] not in LENGTH_UNITS):
        raise ValueError(cell)
    value = number(match[1]) * (LENGTH_UNITS[match[2]] if match[2] else columns.size_factor)
    return float(f"{value:.14g}")  # 0.09 mm is 9e-05 m, not 8.999999999999999e-05


def _rows(lines, separator: str, columns: _Columns, where: str, problems: list[Problem]) -> list[tuple]:
    """Rows as (line, label or aperture in m, value); bad ones become problems."""
    rows = []
    for line, text in lines:
        cells = cells_of(text, separator)
        key = f"line {line}"
        if len(cells) > columns.count and any(c.strip() for c in cells[columns.count :]):
            message = f"{len(cells)} values instead of {columns.count} in {text.strip()!r}"
            hint = "with decimal commas, separate the columns by semicolons"
            problems.append(Problem(where, key, message, hint=hint))
            continue
        label = cells[0].strip().lower().rstrip(":.")
        try:
            value = number(cells[1] if len(cells) > 1 else "")
        except ValueError:
            given = cells[1].strip() if len(cells) > 1 else ""
            problems.append(Problem(where, key, f"{given!r} is not a number" if given else "has no value"))
            continue
        if value < 0:
            problems.append(Problem(where, key, f"{cells[1].strip()} is negative", "0 or more"))
            continue
        name = next((k for k, w in _LABELS.items() if label in w), None)
        if name is None:
            try:
                name = _aperture(cells[0], columns)
            except KeyError as error:
                problems.append(Problem(where, key, error.args[0]))
                continue
            except ValueError:
                problems.append(Problem(where, key, f"{cells[0].strip()!r} is not an aperture"))
                continue
            name = "pan" if name == 0 else name
            if name != "pan" and not 1e-6 <= name <= 1.0:
                message = f"aperture {name:.4g} m"
                problems.append(Problem(where, key, message, "1 um to 1 m", "check the unit"))
                continue
        rows.append((line, name, value * columns.value_factor))
    return rows


_LABELS = {"pan": _PAN_WORDS, "charge": _CHARGE_WORDS, "total": _TOTAL_WORDS}


def _assemble(rows, columns: _Columns, where: str, path, problems: list[Problem]) -> "SieveSheet | None":
    """Check the rows against each other and build the sheet; None (with problems) where that fails."""
    seen: dict = {}
    for line, name, value in rows:
        same = next((k for k in seen if k == name or _same_size(k, name)), None)
        if same is not None:
            what = f"{name} row" if isinstance(name, str) else f"aperture {name * 1e6:.4g} um"
            message = f"{what} appears twice (first on line {seen[same][0]})"
            problems.append(Problem(where, f"line {line}", message))
        else:
            seen[name] = (line, value)
    sizes = sorted(k for k in seen if not isinstance(k, str))
    if not sizes and not problems:
        problems.append(Problem(where, "", "has no sieve row", hint=_EXAMPLE))
    if problems:
        return None
    values = [seen[k][1] for k in sizes]
    labels = {k: v[1] for k, v in seen.items() if isinstance(k, str)}
    build = _from_passing if columns.passing else _from_retained
    return build(sizes, values, labels, columns, where, path, problems)


def _same_size(a, b) -> bool:
    """Whether two row names are the same aperture but for rounding."""
    return not isinstance(a, str) and not isinstance(b, str) and abs(a - b) <= 1e-6 * max(a, b)


def _from_passing(sizes, values, labels, columns, where, path, problems) -> "SieveSheet | None":
    """Sheet from cumulative passing shares."""
    if max(values) > 1.0:
        message = f"passing {max(values) * 100:g} % is more than everything"
        problems.append(Problem(where, "", message, "0 to 100 %"))
    for small, large, a, b in zip(sizes[:-1], sizes[1:], values[:-1], values[1:], strict=True):
        if a > b:
            message = f"{a * 100:g} % passes {small * 1e6:.4g} um but only {b * 100:g} % {large * 1e6:.4g} um"
            problems.append(Problem(where, "", message, hint="are these retained instead of passing?"))
    if values[-1] <= 0:
        problems.append(Problem(where, "", "nothing passes any sieve, so there is no distribution"))
    return None if problems else SieveSheet(tuple(sizes), tuple(values), path=path)


def _from_retained(sizes, values, labels, columns, where, path, problems) -> "SieveSheet | None":
    """Sheet from retained masses or shares; the pan is asked for, never assumed."""
    if "pan" not in labels:
        question = "has no pan row: how much passed the finest sieve?"
        problems.append(Problem(where, "", question, hint="add a row `pan,<mass>` (0 if nothing did)"))
        return None
    unit, scale = ("g", 1.0) if columns.is_mass else ("%", 100.0)
    total = math.fsum((*values, labels["pan"]))
    reference = labels.get("charge", None if columns.is_mass else 1.0)
    name = "charge" if columns.is_mass else "whole"
    if total <= 0:
        problems.append(Problem(where, "", "all masses are zero"))
    elif reference is not None and total > reference * (1 + CHARGE_ROUNDING):
        found = f"sieves and pan sum to {total * scale:.6g} {unit}"
        message = f"{found}, more than the {name} of {reference * scale:.6g} {unit}"
        problems.append(Problem(where, "", message))
    if "total" in labels and abs(labels["total"] - total) > 0.005 * total:
        said = f"the sum row says {labels['total'] * scale:.6g} {unit}"
        problems.append(Problem(where, "", f"{said} but the rows sum to {total * scale:.6g} {unit}"))
    if problems:
        return None
    passing, below = [], labels["pan"]
    for value in values:
        passing.append(below / total)
        below = math.fsum((below, value))
    pan = labels["pan"] if columns.is_mass else None
    retained = tuple(values) if columns.is_mass else ()
    return SieveSheet(tuple(sizes), tuple(passing), retained, pan, labels.get("charge"), path)
