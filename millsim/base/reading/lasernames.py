"""What the names of a sheet of laser diffraction say: whether it is one, and which columns hold sizes and volumes."""

from collections.abc import Sequence
from typing import NamedTuple

from . import tongues
from .cells import Answers, Findings, cells_of, is_number, separator_of, words

EXAMPLE = "for example: lower_um,upper_um,volume_percent / 100,119,4.2 / 119,141,5.6"
ONE_EACH = "one sheet for the sieves, one for the laser"
LENGTH_UNITS = {"mm": 1e-3, "um": 1e-6, "micron": 1e-6, "microns": 1e-6, "nm": 1e-9, "m": 1.0}
_METHOD = ("diffrac", "difrac", "diffrak", "diffraz", "dyfrak", "beugung")  # within words of some languages
_VOLUME = {"volume", "vol", "volumen", "volumique", "volumenprozent", "volumetric", "objetosc"}
_OTHER = {"number", "surface", "area", "count", "counts", "intensity", "density", "sd", "std", "deviation", "error"}
_SIZE = {"size", "sizes", "diameter", "x", "d", "bin", "channel", "class", "limit"} | tongues.SIZES
_LIMITS = {
    "lower": {"lower", "low", "from", "min", "untere", "von"},
    "upper": {"upper", "high", "to", "max", "obere", "bis"},
    "middle": {"middle", "mid", "mean", "centre", "center", "midpoint", "mitte"},
}
_PASSING = {"undersize", "under", "passing", "finer", "below"} | tongues.PASSING
_OVERSIZE = {"oversize", "over", "coarser", "above"}
_CUMULATIVE = {"cum", "cumul", "cumulative", "cumulated", "q"} | tongues.CUMULATIVE
_MASS = {"mass", "weight", "g", "mg", "kg", "retained"} | tongues.MASSES | tongues.RETAINED | tongues.RESIDUE


class Column(NamedTuple):
    """A column that is read. role: of sizes a limit, of volumes passing, oversize or cumulative; "" where not said."""

    at: int
    name: str
    kind: str  # "size", "volume" or "mass"
    role: str
    unit: str  # of sizes; of amounts "%" or ""


class Header(NamedTuple):
    """The last line of the names, among the lines of the file, and the columns that are read."""

    last: int
    separator: str
    columns: tuple[Column, ...]
    by_volume: bool  # a column says so

    def of(self, kind: str) -> list[Column]:
        """The columns of a kind."""
        return [c for c in self.columns if c.kind == kind]


def is_laser(lines: Sequence[tuple[int, str]], a: Answers) -> bool:
    """Whether a sheet is one of laser diffraction: a line above or below the numbers names the method, or a column
    holds volume; or as answered."""
    if a.method:
        return a.method == "laser"
    header = find_names(lines)
    if header is not None and header.by_volume:
        return True
    above = lines[: 0 if header is None else header.last + 1]
    return any(part in word for _, text in (*above, *lines[-3:]) for word in words(text) for part in _METHOD)


def find_names(lines: Sequence[tuple[int, str]]) -> Header | None:
    """The last line above a table of numbers that names sizes and amounts; units may stand in a line under it."""
    found, above = None, ("", [""])
    for i, (_, text) in enumerate(lines):
        separator = separator_of(text)
        cells = cells_of(text, separator)
        numbers = sum(map(is_number, cells))
        if found is not None and numbers:
            return found
        if numbers > 1:
            continue
        joined = [f"{a} {b}" for a, b in zip(above[1], cells, strict=False)]
        both = above[0] == separator and len(above[1]) == len(cells) and any(map(_is_of_names, above[1]))
        found = (_names(i, separator, joined) if both else None) or _names(i, separator, cells) or found
        above = (separator, cells)
    return found


def _names(i: int, separator: str, cells: list[str]) -> Header | None:
    columns = tuple(c for at, cell in enumerate(cells) if (c := _column(at, cell)) is not None)
    kinds = {c.kind for c in columns}
    if "size" not in kinds or len(kinds) < 2:
        return None
    return Header(i, separator, columns, any(_VOLUME & set(words(c.name)) for c in columns))


def _is_of_names(cell: str) -> bool:
    """Whether a cell above a line of names is part of one, and not of a title such as "Sample;offcuts"."""
    return _column(0, cell) is not None or any(set(words(cell)) & those for those in _LIMITS.values())


def _column(at: int, cell: str) -> Column | None:
    """What the name of a column says; None of one that is not read: a density, a number, a remark."""
    name, known = cell.strip(), set(words(cell))
    lengths = [w for w in words(cell) if w in LENGTH_UNITS]
    unit = "%" if known & {"%", "percent", "pct", "volumenprozent"} else ""
    passing, oversize = known & _PASSING, known & _OVERSIZE
    amount = known & (_VOLUME | _PASSING | _OVERSIZE | _CUMULATIVE | _MASS) or unit
    if known & _OTHER or amount and lengths or name.startswith("q"):  # Q is cumulative, q a density
        return None
    if known & _MASS and not known & _VOLUME:
        return Column(at, name, "mass", "", unit)
    if amount:
        role = "passing" if passing else "oversize" if oversize else "cumulative" if known & _CUMULATIVE else ""
        return Column(at, name, "volume", role, unit)
    if lengths or known & _SIZE:
        role = next((name for name, those in _LIMITS.items() if those & known), "")
        return Column(at, name, "size", role, lengths[0] if lengths else "")
    return None


def size_columns(found: Findings, a: Answers, header: Header) -> list[Column]:
    """One column of sizes, or those of lower and upper limits."""
    sizes = header.of("size")
    by_role = {c.role: c for c in reversed(sizes)}
    if {"lower", "upper"} <= set(by_role):
        sizes = [by_role["lower"], by_role["upper"]]
    elif len(sizes) > 1:
        names = ", ".join(repr(c.name) for c in sizes)
        found.say(f"several columns hold sizes, {names}: which are the limits?", hint="name them lower_um and upper_um")
    unit = a.aperture or sizes[0].unit or sizes[-1].unit
    if unit not in LENGTH_UNITS:
        has = f"sizes of laser diffraction are not in {unit}" if unit else f"column {sizes[0].name!r} has no unit"
        found.ask(f"{has}: are they in um or mm?", 0, "write e.g. size_um", [("aperture", "um|mm")])
    elif a.aperture is None and any(c.unit not in ("", unit) for c in sizes):
        found.say("the two columns of sizes have different units", hint="write both in um")
    return [c._replace(unit=unit) for c in sizes]


def volume_column(found: Findings, a: Answers, header: Header) -> Column | None:
    """The column of amounts: a cumulative one goes before one by class."""
    volumes, masses = header.of("volume"), header.of("mass")
    if masses:
        beside = " beside volume" * bool(volumes)
        message = (
            f"column {masses[0].name!r} holds mass{beside}, and laser diffraction tells volume: are two kinds mixed?"
        )
        found.say(message, hint=ONE_EACH)
        return None
    if a.unit not in (None, "percent", "share"):
        found.say(f"laser diffraction weighs nothing, so its amounts are not in {a.unit}", allowed="percent or share")
    roles = ("",) if a.reading == "retained" else ("passing", "oversize", "cumulative", "")
    role = next((r for r in roles if any(c.role == r for c in volumes)), volumes[0].role)
    same = [c for c in volumes if c.role == role]
    if len(same) > 1:
        names = ", ".join(repr(c.name) for c in same)
        found.say(f"several columns hold volumes, {names}: which is it?", hint="keep one; a sheet for each sample")
    role = a.reading if a.reading in ("passing", "oversize") and same[0].role in ("", "cumulative") else role
    return same[0]._replace(role=role)
