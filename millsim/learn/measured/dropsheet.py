"""Reads a drop test: what fell from where on which piece, and whether it broke.

One row is one drop, or several pieces at once (columns tested and broken as counts). `drop` numbers the drops on one
piece, each in a row of its own; `drops` is how many a piece took in all, of which the last broke it if any did.
"""

from collections import Counter, defaultdict
from dataclasses import dataclass, fields
from math import pi
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ...base.quantities.params import ParamSet
from ...base.reading.cells import rounded
from ...errors import InputError, Problem
from .table import BenchTable, TableColumn, TableRow, read_table

GRAVITY = 9.80665  # m/s2
EXAMPLE = "hammer_mass_g,height_mm,piece_mass_mg,broken / 100,80,41,yes"
SIZE_SLACK = 8.0  # mass over that of a sphere of the size given, or the inverse, at which one of them must be wrong

COLUMNS = (
    TableColumn("hammer_mass", ("hammer", "hammer weight", "drop mass", "drop weight", "falling mass", "impactor mass"),
                "hammer_mass_g", si="kg", low=1e-3, high=50.0, need=True),
    TableColumn("height", ("drop height", "fall height", "falling height", "hammer height"), "height_mm",
                si="m", low=1e-3, high=10.0, need=True),
    TableColumn("piece_mass", ("mass of piece", "piece weight", "pellet mass", "particle mass", "sample mass"),
                "piece_mass_mg", si="kg", low=1e-8, high=0.1),
    TableColumn("piece_size", ("size", "diameter", "piece diameter", "pellet size", "particle size"), "piece_size_mm",
                si="m", low=1e-4, high=0.1),
    TableColumn("temperature", ("temp", "piece temperature", "t"), "temperature_C", si="K", low=4.0, high=450.0),
    TableColumn("broken", ("broke", "breaks", "fractured", "shattered", "failed", "result", "outcome"), "broken",
                "mark", need=True, count_with="tested"),
    TableColumn("tested", ("pieces", "trials", "tested pieces", "n"), "tested", "count", low=1.0),
    TableColumn("drop", ("drop number", "hit", "blow"), "drop", "count", low=1.0, high=1000.0),
    TableColumn("drops", ("number of drops", "hits", "blows"), "drops", "count", low=1.0, high=1000.0),
    TableColumn("piece", ("piece id", "id", "sample", "specimen", "pellet"), "piece", "text"),
)  # fmt: skip


@dataclass(frozen=True)
class Drops:
    """Trials of a drop test, arrays (m,) in SI, in the order of the sheet.

    n pieces tested and k broken with `hits` drops each; later: these were not the first drops on their pieces;
    temperature_K is NaN where none was given.
    """

    hammer_kg: NDArray
    height_m: NDArray
    mass_kg: NDArray
    size_m: NDArray
    temperature_K: NDArray
    n: NDArray
    k: NDArray
    hits: NDArray
    later: NDArray

    @property
    def energy_J(self) -> NDArray:
        """Energy of one drop, m g h; what the hammer keeps on rebounding is not deducted."""
        return self.hammer_kg * GRAVITY * self.height_m

    @property
    def W(self) -> NDArray:
        """Energy per mass of piece, J/kg."""
        return self.energy_J / self.mass_kg

    @property
    def u(self) -> NDArray:
        """Size times energy per mass, J m/kg."""
        return self.size_m * self.W

    def only(self, chosen: NDArray) -> "Drops":
        """The trials where `chosen` (m,) is true."""
        return Drops(*(getattr(self, f.name)[chosen] for f in fields(self)))


@dataclass(frozen=True)
class DropSheet:
    """A drop test as read: its trials, how many pieces took part, and in words what was assumed or not read."""

    name: str
    drops: Drops
    pieces: int
    grouped: bool
    assumed: tuple[str, ...]


def read_drops(path: "str | Path", material: ParamSet, decimal: str = "") -> DropSheet:
    """Read a drop test; InputError with every problem found. material: card whose density links mass and size."""
    path = Path(path)
    table, problems = read_table(path, COLUMNS, EXAMPLE, decimal)
    _check_columns(table, problems)
    if not problems:
        _check_rows(table, material.value("density"), problems)
    if problems:
        raise InputError(problems)
    rows = [r for row in table.rows for r in _trials(row, "tested" in table, material.value("density"))]
    columns = [np.array(c, dtype=float) for c in zip(*rows, strict=True)]
    named = dict(zip((f.name for f in fields(Drops)), columns, strict=True))
    drops = Drops(**{**named, "later": named["later"] > 0})
    return DropSheet(path.name, drops, _pieces(table), "tested" in table, tuple(_assumed(table, material)))


def sphere_mass(size_m: float, density: float) -> float:
    """Mass [kg] of a sphere."""
    return density * pi / 6.0 * size_m**3


def sphere_size(mass_kg: float, density: float) -> float:
    """Diameter [m] of the sphere of that mass."""
    return (6.0 * mass_kg / (pi * density)) ** (1.0 / 3.0)


def _check_columns(table: BenchTable, problems: list[Problem]) -> None:
    if "piece_mass" not in table and "piece_size" not in table:
        hint = "add a column named piece_mass_mg or piece_size_mm"
        problems.append(Problem(table.where, "", "says neither mass nor size of the pieces", hint=hint))
    if "drop" in table and "drops" in table:
        message = "has a column drop (number of this drop) and a column drops (how many in all)"
        problems.append(Problem(table.where, "", message, hint="keep one: drop if each drop has its own row"))


def _check_rows(table: BenchTable, density: float, problems: list[Problem]) -> None:
    """What each row, and the rows together, cannot be."""
    for row in table.rows:
        key = f"line {row.line}"
        mass, size = row["piece_mass"], row["piece_size"]
        if mass is None and size is None:
            problems.append(Problem(table.where, key, "there is neither a mass nor a size of the piece"))
        elif mass is not None and size is not None:
            ratio = mass / sphere_mass(size, density)
            if not 1.0 / SIZE_SLACK <= ratio <= SIZE_SLACK:
                should = rounded(sphere_mass(size, density) * 1e6)
                message = f"a piece of {rounded(size * 1e3)} mm weighs about {should} mg, not "
                hint = "are the units right? Size means the diameter of a sphere of the same volume"
                problems.append(Problem(table.where, key, f"{message}{rounded(mass * 1e6)} mg", hint=hint))
        if "tested" in table and row["tested"] is None:
            problems.append(Problem(table.where, key, "there is no number of pieces tested"))
        elif "tested" in table and row["broken"] > row["tested"]:
            message = f"{row['broken']} broken of {row['tested']} tested"
            problems.append(Problem(table.where, key, message, hint="are the two swapped?"))
        if "temperature" in table and row["temperature"] is None:
            problems.append(Problem(table.where, key, "there is no temperature, though other rows have one"))
    if "drop" in table and not problems:
        _check_numbers(table, problems)


def _check_numbers(table: BenchTable, problems: list[Problem]) -> None:
    """Drop j + 1 needs a piece that drop j left whole; with pieces named, of that very piece."""
    before: dict = defaultdict(Counter)  # piece -> drop number -> pieces left whole
    for row in table.rows:
        tested = row["tested"] if "tested" in table else 1
        before[row["piece"]][row["drop"] or 1] += tested - int(row["broken"])
    told: Counter = Counter()
    for row in table.rows:
        key, number = row["piece"], row["drop"] or 1
        tested = row["tested"] if "tested" in table else 1
        told[key, number] += tested
        if number > 1 and told[key, number] > before[key][number - 1]:
            whose = f"of piece {key}" if key else "of a piece"
            message = f"drop {number} {whose}, but no row tells of its drop {number - 1} that left it whole"
            hint = "if the number is how many drops a piece took in all, name the column drops"
            problems.append(Problem(table.where, f"line {row.line}", message, hint=hint))
            told[key, number] -= tested


def _trials(row: TableRow, grouped: bool, density: float) -> list[tuple]:
    """A row as trials in the order of the fields of Drops: the first drop on the piece, and the later ones."""
    mass, size = row["piece_mass"], row["piece_size"]
    mass = sphere_mass(size, density) if mass is None else mass
    size = sphere_size(mass, density) if size is None else size
    T = row["temperature"] if row["temperature"] is not None else float("nan")
    common = (row["hammer_mass"], row["height"], mass, size, T)
    tested, broken = (row["tested"], row["broken"]) if grouped else (1, int(row["broken"]))
    drops, later = row["drops"] or 1, (row["drop"] or 1) > 1
    if grouped or drops == 1:
        return [(*common, tested, broken, drops, later)]
    return [(*common, 1, 0, 1, False), (*common, drops - 1, broken, 1, True)]


def _pieces(table: BenchTable) -> int:
    """How many pieces took part: rows that are a later drop on a piece do not count."""
    rows = [r for r in table.rows if (r["drop"] or 1) == 1]
    return sum(r["tested"] if "tested" in table else 1 for r in rows)


def _assumed(table: BenchTable, material: ParamSet):
    """Sentences on what the sheet left open."""
    density = f"{material.value('density'):g} kg/m3 (card {material.title})"
    rows = table.rows
    if any(r["piece_mass"] is None for r in rows):
        yield f"masses follow from the sizes, as of spheres with a density of {density}"
    if any(r["piece_size"] is None for r in rows):
        yield f"sizes follow from the masses, as diameters of spheres with a density of {density}"
    if "temperature" not in table:
        yield f"no temperature given: taken as the card's {material.value('temperature_warm') - 273.15:.0f} °C"
    if "drop" in table or "drops" in table:
        yield "a piece that survives a drop is as strong as before"
    if table.ignored:
        yield f"columns not read: {', '.join(table.ignored)}"
