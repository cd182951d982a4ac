"""Reads a drop test: what fell from where on which piece, and whether it broke.

One row is one drop, or several pieces at once (columns tested and broken as counts). `drop` numbers the drops on one
piece, each in a row of its own; `drops` is how many a piece took in all, of which the last broke it if any did.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from math import cos, pi
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ...base.quantities.params import ParamSet
from ...base.reading.cells import rounded
from ...errors import InputError, Problem
from ...mill.cards import Card
from .table import BenchTable, TableColumn, TableRow, read_table

GRAVITY = 9.80665  # m/s2
LEVEL = 0.5 * pi  # of an arm that lies level, from hanging straight down
EXAMPLE = "hammer_mass_g,height_mm,piece_mass_mg,broken / 100,80,41,yes"
MOST_DROPS = 2000  # rows; nobody drops a hammer more often
SIZE_SLACK = 8.0  # mass over that of a sphere of the size given, or the inverse, at which one of them must be wrong

COLUMNS = (
    TableColumn("hammer_mass", ("hammer", "hammer weight", "drop mass", "drop weight", "falling mass", "impactor mass"),
                "hammer_mass_g", si="kg", low=1e-3, high=50.0),
    TableColumn("height", ("drop height", "fall height", "falling height", "hammer height", "tip height"), "height_mm",
                si="m", low=1e-3, high=10.0),
    TableColumn("angle", ("raised", "swing", "raise angle"), "angle_deg", si="rad", low=1e-3, high=pi),
    TableColumn("strike_angle", ("angle strike", "rest angle"), "strike_angle_deg", si="rad", low=0.0, high=pi),
    TableColumn("arm", ("arm length", "pivot to tip", "hammer length"), "arm_mm", si="m", low=1e-2, high=5.0),
    TableColumn("centre", ("centre of mass", "center of mass", "pivot to centre of mass", "balance point"), "centre_mm",
                si="m", low=1e-3, high=5.0),
    TableColumn("reference", ("reference piece", "is reference", "ref"), "reference", "mark"),
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
    reference: "ReferenceDrops | None" = None
    mass_known: bool = True  # False: the hammer counts as 1 kg, and energies mean something as ratios only


@dataclass(frozen=True)
class ReferenceDrops:
    """The trials on pieces of a material whose card is known."""

    drops: Drops
    card: Card


def read_drops(path: "str | Path", material: ParamSet, decimal: str = "", reference: Card | None = None) -> DropSheet:
    """Read a drop test; InputError with every problem found. material: card whose density links mass and size;
    reference: card of the pieces that the column of this name marks.
    """
    path = Path(path)
    table, problems = read_table(path, COLUMNS, EXAMPLE, decimal)
    if len(table.rows) > MOST_DROPS:
        hint = "count equal drops in columns broken and tested"
        raise InputError(Problem(str(path), "", f"has {len(table.rows)} drops", f"at most {MOST_DROPS}", hint))
    _check_columns(table, problems)
    _check_reference(table, reference, problems)
    known = [row for row in table.rows if row["reference"]]
    own = replace(table, rows=tuple(row for row in table.rows if not row["reference"]))
    if not problems:
        _check_hinge(table, problems)
        _check_rows(own, material.value("density"), problems)
    if reference is not None and not problems:
        _check_rows(replace(table, rows=tuple(known)), reference.value("density"), problems)
    if problems:
        raise InputError(problems)
    grouped, mass_known = "tested" in table, "hammer_mass" in table
    beside = ReferenceDrops(_drops(known, grouped, reference.value("density")), reference) if reference else None
    assumed = (*_assumed(own, material), *_assumed_of_hinge(table))
    return DropSheet(
        path.name, _drops(own.rows, grouped, material.value("density")), _pieces(own), grouped, assumed, beside,
        mass_known,
    )  # fmt: skip


def _drops(rows: Sequence[TableRow], grouped: bool, density: float) -> Drops:
    """The trials of some rows."""
    trials = [r for row in rows for r in _trials(row, grouped, density)]
    columns = [np.array(c, dtype=float) for c in zip(*trials, strict=True)]
    named = dict(zip((f.name for f in fields(Drops)), columns, strict=True))
    return Drops(**{**named, "later": named["later"] > 0})


def fall(row: TableRow) -> float:
    """How far [m] the hammer's centre of mass falls, which is what its energy goes by: m g times this.

    A hammer on an arm: the tip's height times centre over arm (similar triangles), or, from the angle by which the arm
    was raised, centre (cos(strike) - cos(strike + angle)), both from hanging straight down (closed form of the
    pendulum, as ISO 13802 gives it for impact testers; from memory). Lying level at the strike: strike = 90 degrees.
    """
    if row["angle"] is not None:
        at = LEVEL if row["strike_angle"] is None else row["strike_angle"]
        return row["centre"] * (cos(at) - cos(at + row["angle"]))
    return row["height"] * (1.0 if row["arm"] is None else row["centre"] / row["arm"])


def _check_reference(table: BenchTable, reference: Card | None, problems: list[Problem]) -> None:
    """Reference pieces and their card go together; without a hammer's mass there must be some."""
    marked = [bool(row["reference"]) for row in table.rows]
    if any(marked) and reference is None:
        hint = "say what they are, for example --reference wheat or --reference glass"
        problems.append(
            Problem(table.where, "reference", "there are reference pieces of an unknown material", hint=hint)
        )
    if reference is not None and not any(marked):
        hint = "mark their rows with yes in a column named reference"
        problems.append(Problem(table.where, "--reference", "there is no row of reference pieces", hint=hint))
    if marked and all(marked):
        problems.append(
            Problem(table.where, "reference", "every row is a reference piece: there is nothing to compare")
        )
    if "hammer_mass" not in table and not any(marked):
        hint = "add hammer_mass_g; or hit pieces of wheat or glass too, marked in a column reference"
        problems.append(Problem(table.where, "", "there is no column hammer mass", hint=hint))
    for row in table.rows:
        if "hammer_mass" in table and row["hammer_mass"] is None:
            problems.append(Problem(table.where, f"line {row.line}", "there is no mass of the hammer"))


def _check_hinge(table: BenchTable, problems: list[Problem]) -> None:
    """A hammer on an arm says where its centre of mass is, and how far it was raised."""
    hinged = [n for n in ("arm", "centre", "angle", "strike_angle") if n in table]
    if hinged and "centre" not in table:
        message = f"a hammer on an arm ({hinged[0]}) strikes with the energy of its centre of mass, which is not given"
        hint = "add centre_mm, from the pivot to where hammer and arm together balance on an edge"
        problems.append(Problem(table.where, "", message, hint=hint))
        return
    if hinged and "angle" not in table and "arm" not in table:
        hint = "add arm_mm, from the pivot to the tip, with the tip's height; or angle_deg, by which it was raised"
        problems.append(Problem(table.where, "", "how far the centre of mass was raised does not follow", hint=hint))
        return
    for row in table.rows:
        key = f"line {row.line}"
        if row["angle"] is None and row["height"] is None:
            problems.append(Problem(table.where, key, "there is neither a height nor an angle"))
        elif hinged and row["centre"] is None:
            problems.append(Problem(table.where, key, "there is no centre of mass, though other rows have one"))
        elif row["angle"] is None and hinged and row["arm"] is None:
            problems.append(Problem(table.where, key, "there is a height of the tip, but no arm"))
        elif row["angle"] is not None and row["height"] is not None:
            problems.append(Problem(table.where, key, "has a height and an angle", hint="keep one of the two"))
        elif row["arm"] is not None and row["centre"] > row["arm"]:
            message = "the centre of mass is farther from the pivot than the tip"
            problems.append(Problem(table.where, key, message, hint="are arm and centre swapped?"))
        elif row["angle"] is not None and row["height"] is None and fall(row) <= 0.0:
            message = "the centre of mass does not fall: it was raised beyond the top"
            problems.append(Problem(table.where, key, message))


def _assumed_of_hinge(table: BenchTable) -> Iterator[str]:
    """Sentences on a hammer on an arm."""
    if "centre" in table:
        yield "the hammer swings without friction; its energy is that of its centre of mass, arm included"
    if "angle" in table and any(row["angle"] is not None and row["strike_angle"] is None for row in table.rows):
        yield "the arm lies level when it strikes (say strike_angle_deg, from hanging straight down, otherwise)"


def sphere_mass(size_m: float, density: float) -> float:
    """Mass [kg] of a sphere."""
    return density * pi / 6.0 * size_m**3


def sphere_size(mass_kg: float, density: float) -> float:
    """Diameter [m] of the sphere of that mass."""
    return (6.0 * mass_kg / (pi * density)) ** (1.0 / 3.0)


def _check_columns(table: BenchTable, problems: list[Problem]) -> None:
    if "height" not in table and "angle" not in table:
        hint = "add one named for example height_mm, or angle_deg of a hammer on an arm"
        problems.append(Problem(table.where, "", "there is no column height", hint=hint))
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
    hammer = 1.0 if row["hammer_mass"] is None else row["hammer_mass"]
    common = (hammer, fall(row), mass, size, T)
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
