"""Reads a sheet of laser diffraction (ISO 13320): size classes and the volume in each, or below each limit.

    size_um,undersize_volume_percent          lower_um,upper_um,volume_percent
    100,10.1                                  100,119,4.2
    119,14.3                                  119,141,5.6

Sizes are limits of classes as the instrument has them: no sieves, so no series of apertures, no pan, no charge. Which
limit a single column of sizes holds is asked where neither its name nor an empty end tells. Volume counts as mass.
"""

import math
from collections.abc import Sequence
from itertools import accumulate
from typing import NamedTuple

from .cells import (
    Answers,
    Findings,
    cells_of,
    decimal_doubt,
    is_number,
    number,
    parted_by_commas,
    rounded,
    two_marks,
    words,
)
from .lasernames import EXAMPLE, LENGTH_UNITS, ONE_EACH, Column, Header, find_names, size_columns, volume_column

_MOST = 1e9  # of any number of such a sheet, per cent or nm
SMALLEST_M, LARGEST_M = 1e-9, 1e-2  # no instrument reaches farther (ISO 13320: some 0.1 um to 3 mm; from memory)
FEWEST = 5  # classes: fewer are no measurement of this kind
SUM_OFF = 0.01  # of the whole: more is no rounding of a hundred classes
TOUCH = 2e-3  # relative: limits of neighbouring classes this close are one, rounded
# What ISO 13320 allows repeated measurements to differ, as coefficient of variation: at x50, and at x10 and x90; twice
# as much below 10 um. From memory of its edition of 1999, not checked against a later one.
REPEATS = {0.1: 0.05, 0.5: 0.03, 0.9: 0.05}
FINE_M = 10e-6
SHAPE = (
    "laser sizes are no sieve sizes: flakes and long chips come out larger by light than by the holes they pass, the "
    "more the flatter or longer they are; round grains much the same (direction from memory)"
)

Numbers = list[float]


class LaserCurve(NamedTuple):
    """Class limits, m, ascending; share of the volume below each, 1 below the last; classes; and how it was read."""

    sizes_m: tuple[float, ...]
    q3: tuple[float, ...]
    classes: int
    reading: str
    said: tuple[str, ...]


def repeats(p: float, size_m: float) -> float:
    """What repeated measurements of x10, x50 or x90 may differ, as a share of the size; NaN for other percentiles."""
    return REPEATS.get(p, math.nan) * (2.0 if size_m < FINE_M else 1.0)


def parse_laser(found: Findings, a: Answers, lines: Sequence[tuple[int, str]]) -> LaserCurve:
    """The curve of a sheet; InputError with every problem found, by line."""
    header = find_names(lines)
    if header is None or not header.of("volume") and not header.of("mass"):
        found.say("no line names a column of sizes and one of volume", hint=EXAMPLE)
        found.stop()
    assert header is not None
    sizes, volume = size_columns(found, a, header), volume_column(found, a, header)
    rows = _rows(found, header, lines)
    if 0 < len(rows) < FEWEST:
        found.say(f"has {len(rows)} rows only, which is no measurement by laser diffraction", hint=EXAMPLE)
    found.stop()
    assert volume is not None
    _marks(found, a, [cells for _, cells in rows], [*sizes, volume])
    found.stop()
    limits = [[_number(found, a, row, c) for c in sizes] for row in rows]
    volumes = [_number(found, a, row, volume) for row in rows]
    found.stop()
    numbers = [n for n, _ in rows]
    if (limits[0][0] or 0.0) > (limits[-1][0] or 0.0):
        limits, volumes, numbers = limits[::-1], volumes[::-1], numbers[::-1]
    known = _known_limits(found, numbers, limits, LENGTH_UNITS[sizes[0].unit])
    found.stop()
    return _curve(found, a, sizes[0].role, volume, known, volumes)


# --- the rows ----------------------------------------------------------------------------------------------------


def _rows(found: Findings, header: Header, lines: Sequence[tuple[int, str]]) -> list[tuple[int, list[str]]]:
    """The lines under the names, down to the last that begins with a number."""
    below = [(n, cells_of(text, header.separator)) for n, text in lines[header.last + 1 :]]
    first = [next((c.strip() for c in cells if c.strip()), "") for _, cells in below]
    last = max((i for i, cell in enumerate(first) if is_number(cell)), default=-1)
    if last < 0:
        found.say("has no line of numbers under the names of the columns", hint=EXAMPLE)
    for i, ((line, _), cell) in enumerate(zip(below, first, strict=True)):
        if {"pan", "charge"} & set(words(cell)):
            found.say(f"a row {cell} belongs to sieves: are two kinds mixed?", line, hint=ONE_EACH)
        elif i < last and not is_number(cell):
            found.say(f"{cell!r} is no size", line)
    return below[: last + 1]


def _marks(found: Findings, a: Answers, rows: list[list[str]], columns: list[Column]) -> None:
    """Ask about marks that may stand before decimals or part thousands."""
    if a.decimal is not None:
        return
    cells = [[row[c.at] for row in rows if c.at < len(row)] for c in columns]
    doubt = next(filter(None, map(decimal_doubt, cells)), "") or two_marks([c for column in cells for c in column])
    if doubt:
        question = f"{doubt!r}: does its mark stand before decimals, or does it part thousands?"
        found.ask(question, 0, "write numbers without thousands marks", [("decimal", "point|comma")])
    elif parted_by_commas(rows):
        question = "no number has decimals: are these decimal commas in a sheet parted by commas?"
        mend = "with decimal commas, separate the columns by semicolons"
        found.ask(question, 0, mend, [("decimal", "point")], link="; else")


def _number(found: Findings, a: Answers, row: tuple[int, list[str]], column: Column) -> float | None:
    """A number >= 0; None of an empty cell."""
    line, cells = row
    cell = cells[column.at].strip() if column.at < len(cells) else ""
    if not cell:
        return None
    try:
        value = number(cell, a.decimal or "")
    except ValueError:
        found.say(f"{cell!r} in column {column.name!r} is not a number", line)
        return None
    if value < 0:
        found.say(f"{cell} in column {column.name!r} is negative", line, "0 or more")
    if value > _MOST:
        found.say(f"{cell} in column {column.name!r} is beyond any such instrument", line, f"0 to {_MOST:.0e}")
        return None
    return value


def _known_limits(
    found: Findings, numbers: list[int], limits: list[list[float | None]], unit_m: float
) -> list[Numbers]:
    """Limits in m; told are sizes that are missing, do not rise, or are beyond any instrument."""
    known: list[Numbers] = []
    for line, row in zip(numbers, limits, strict=True):
        sizes = [v * unit_m for v in row if v is not None]
        wrong = _wrong_size(sizes, known[-1] if known else None) if len(sizes) == len(row) else ("has no size", "")
        if wrong:
            found.say(wrong[0], line, hint=wrong[1])
        if len(sizes) == len(row):
            known.append(sizes)
    return known


def _wrong_size(sizes: Numbers, before: Numbers | None) -> tuple[str, str] | None:
    """What is wrong with the limits of a class, and what to do; before: those of the next finer one."""
    off = next((v for v in sizes if not SMALLEST_M <= v <= LARGEST_M), None)
    if off is not None and not (off == 0 and before is None):
        return f"{_um(off)} um is beyond any such instrument: 0.001 um to 10 mm", "check the unit"
    if len(sizes) > 1 and not sizes[0] < sizes[1]:
        return f"the class from {_um(sizes[0])} to {_um(sizes[1])} um has no width", ""
    if before is None:
        return None
    if not before[0] < sizes[0]:
        return f"{_um(sizes[0])} um follows {_um(before[0])} um: sizes must rise", "write every size once, in order"
    if len(sizes) > 1 and abs(sizes[0] - before[1]) > TOUCH * sizes[0]:
        return f"the class begins at {_um(sizes[0])} um, and the one before it ends at {_um(before[1])} um", ""
    return None


def _um(size_m: float) -> str:
    return rounded(1e6 * size_m, 5)


# --- the curve ---------------------------------------------------------------------------------------------------


def _curve(found: Findings, a: Answers, limit: str, volume: Column, limits, volumes) -> LaserCurve:
    """Class limits and shares below them, from checked rows in rising order."""
    summed = bool(volume.role) or _rises_to_the_whole(volumes)
    whole = _whole(found, a, volume, [v for v in volumes if v is not None], summed)
    found.stop()
    if summed:
        x, q = _from_sums(found, limit, volume.role, limits, [None if v is None else v / whole for v in volumes])
    else:
        x, q = _from_classes(found, a.limit or limit, limits, volumes)
    found.stop()
    classes = len(x) - (q[0] <= 0.0)
    if classes < FEWEST:
        found.say(f"has {classes} classes only, which is no measurement by laser diffraction", hint=EXAMPLE)
        found.stop()
    start = 0 if x[0] > 0.0 else 1
    what = {"": "by class", "oversize": "above each limit"}.get(volume.role if summed else "", "below each limit")
    said: tuple[str, ...] = (
        f"laser diffraction: diameters of spheres that scatter alike, {classes} classes up to {_um(x[-1])} µm; volume "
        f"{what} (column {volume.name!r}) taken as mass: one density",
    )
    if min(abs(whole / w - 1.0) for w in (1.0, 100.0)) > 5e-4:
        said = (*said, f"the volumes come to {rounded(whole, 4)}, taken as the whole")
    return LaserCurve(tuple(x[start:]), tuple(q[start:]), classes, what, said)


def _rises_to_the_whole(volumes: Sequence[float | None]) -> bool:
    """Whether volumes that are not said to be cumulative are: rising to 100 or 1, with a sum far beyond that."""
    known = [v for v in volumes if v is not None]
    rising = len(known) > 2 and all(a <= b for a, b in zip(known[:-1], known[1:], strict=True))
    whole = known[-1] if known else 0.0
    return rising and min(abs(whole - 1), abs(whole / 100 - 1)) < SUM_OFF and math.fsum(known) > 1.5 * whole


def _whole(found: Findings, a: Answers, volume: Column, known: Numbers, summed: bool) -> float:
    """What the volumes come to: 100 per cent, or 1 where they are shares; told where it is neither."""
    total = max(known, default=0.0) if summed else math.fsum(known)
    unit = a.unit or ("percent" if volume.unit else "")
    wholes = {"percent": (100.0,), "share": (1.0,)}.get(unit, (100.0, 1.0))
    if any(abs(total / whole - 1) <= SUM_OFF for whole in wholes):
        return total
    what = f"the volumes {'end at' if summed else 'sum to'} {rounded(total, 4)}{' %' * (unit == 'percent')}"
    if unit == "percent" and abs(total - 1) <= SUM_OFF:
        found.ask(f"{what}: are these shares of 1?", 0, "write 95 for 0.95", [("unit", "share")])
    else:
        hint = "are rows missing?" if summed else "are rows missing, or is this no volume by class?"
        found.say(what, 0, " or ".join(f"{w:g}" for w in wholes) + ", within 1 %", hint)
    return total


def _from_sums(found: Findings, limit: str, role: str, limits: list[Numbers], shares) -> tuple[Numbers, Numbers]:
    """Sizes and shares below them, from shares below or above limits: the upper ones of classes, or the lower ones."""
    pairs = [(row, v) for row, v in zip(limits, shares, strict=True) if v is not None]
    above = role == "oversize" or role == "cumulative" and pairs[0][1] > pairs[-1][1]
    x = [row[0 if above else -1] for row, _ in pairs]
    q = [1.0 - v if above else v for _, v in pairs]
    if len(limits[0]) == 1 and limit == "middle":
        found.say("the sizes are middles of classes, but cumulative volumes belong to limits", hint="give the limits")
    if len(limits[0]) > 1 and above:
        x, q = [*x, limits[-1][1]], [*q, 1.0]
    if len(limits[0]) > 1 and not above:
        x, q = [limits[0][0], *x], [0.0, *q]
    fall = next((i for i in range(1, len(q)) if q[i] < q[i - 1] - 1e-9), None)
    if fall is not None:
        low, high = (f"{rounded(100 * q[i], 5)} % finer than {_um(x[i])} um" for i in (fall - 1, fall))
        found.say(f"{low}, but {high}: cumulative volumes rise", hint="is this volume by class, or typed out of order?")
    elif q[-1] < 1.0 - SUM_OFF:
        found.say(f"{rounded(100 * (1.0 - q[-1]), 3)} % is coarser than the last size", hint="are rows missing?")
    return x, [max(0.0, v) for v in q[:-1]] + [1.0]


def _from_classes(found: Findings, limit: str, limits: list[Numbers], volumes) -> tuple[Numbers, Numbers]:
    """Limits and shares below them, from volumes by class."""
    x = [row[0] for row in limits]
    if len(limits[0]) > 1:
        limit, x, volumes = "lower", [*x, limits[-1][1]], [*volumes, None]
    limit = limit or _by_empty_end(volumes)
    if not limit:
        question = "nothing says whether the sizes are lower or upper limits of their classes, or middles"
        found.ask(question, 0, "name the column e.g. upper_um", [("limit", "lower|upper|middle")])
        return x, x
    if limit == "middle":
        ends = [math.sqrt(a * b) for a, b in zip(x[:-1], x[1:], strict=True)]
        x = [x[0] ** 2 / ends[0], *ends, x[-1] ** 2 / ends[-1]]
    elif limit == "upper":
        x, volumes = (x, volumes[1:]) if volumes[0] is None else ([0.0, *x], volumes)
    elif volumes[-1]:
        message = f"the class above {_um(x[-1])} um has {volumes[-1]:g} and no upper limit"
        found.say(message, hint="add a row with its upper limit and no volume")
    else:
        volumes = volumes[:-1]
    if any(v is None for v in volumes):
        found.say("a class has no volume", hint="write 0 where there is none")
        return x, x
    total = math.fsum(volumes)
    return x, [0.0, *(min(v / total, 1.0) for v in accumulate(volumes[:-1])), 1.0]


def _by_empty_end(volumes) -> str:
    """Which limit a column of sizes holds by an empty first or last volume: n limits have n - 1 classes."""
    first, last = volumes[0] is None, volumes[-1] is None
    return "lower" if last and not first else "upper" if first and not last else ""
