"""Units at the edge: "0.3 mm" in, SI floats inside, readable text out.

Owns the table of accepted unit spellings. A dimension is named by its SI unit ("m", "kg/s", "rad/s"...);
"-" is a plain number. Imports nothing of the package, and no numpy.
"""

import difflib
import math
import re
from dataclasses import dataclass
from decimal import Context, Decimal
from functools import cached_property

PI = Decimal("3.141592653589793238462643383280")
_EXACT = Context(
    prec=40, Emax=10**6, Emin=-(10**6), traps=[]
)  # no traps: overflow becomes inf, told by the range check


@dataclass(frozen=True)
class Unit:
    """An accepted unit: SI value = number * factor + offset."""

    text: str
    si: str
    factor: Decimal
    offset: Decimal = Decimal(0)

    @cached_property
    def plainly(self) -> tuple[float, float] | None:
        """(a, b), one of them 1, so that a float of an SI value times a over b is rounded once; None if it is not."""
        many, whole = round(1 / self.factor), round(self.factor)
        if self.offset or max(many, whole) > 2**53:
            return None
        return (many, 1.0) if many * self.factor == 1 else (1.0, whole) if whole == self.factor else None


class UnitError(ValueError):
    """A quantity that cannot be read; `hint` says what was probably meant."""

    def __init__(self, message: str, hint: str = ""):
        super().__init__(message)
        self.hint = hint


# SI unit -> (what it measures, {spelling: factor}); in each row the first spelling is the SI unit itself.
_TABLE: dict[str, tuple[str, dict[str, str]]] = {
    "m": ("length", {"m": "1", "cm": "1e-2", "mm": "1e-3", "um": "1e-6"}),
    "m2": ("area", {"m2": "1", "dm2": "1e-2", "cm2": "1e-4", "mm2": "1e-6"}),
    "m3": ("volume", {"m3": "1", "l": "1e-3"}),
    "kg": ("mass", {"kg": "1", "g": "1e-3", "mg": "1e-6"}),
    "s": ("time", {"s": "1", "ms": "1e-3", "min": "60", "h": "3600"}),
    "kg/s": (
        "mass rate",
        {"kg/s": "1", "g/s": "1e-3", "kg/min": "1/60", "g/min": "1e-3/60", "kg/h": "1/3600", "g/h": "1e-3/3600"},
    ),
    "W": ("power", {"W": "1", "kW": "1e3"}),
    "N": ("force", {"N": "1", "kN": "1e3"}),
    "Pa": (
        "pressure",
        {"Pa": "1", "hPa": "1e2", "mbar": "1e2", "kPa": "1e3", "bar": "1e5", "MPa": "1e6", "GPa": "1e9"},
    ),
    "m/s": ("speed", {"m/s": "1", "m/min": "1/60", "km/h": "1/3.6"}),
    "rad/s": ("rotation speed", {"rad/s": "1", "rpm": "pi/30", "1/min": "pi/30"}),
    "kg/m3": ("density", {"kg/m3": "1", "g/cm3": "1e3", "g/l": "1", "g/m3": "1e-3"}),
    "K": ("temperature", {"K": "1", "degC": "1", "C": "1"}),
    "J": ("energy", {"J": "1", "mJ": "1e-3", "kJ": "1e3", "Wh": "3600", "kWh": "3.6e6"}),
    "J/kg": ("specific energy", {"J/kg": "1", "kJ/kg": "1e3", "Wh/kg": "3600", "kWh/kg": "3.6e6"}),
    "J/m2": ("energy per area", {"J/m2": "1", "kJ/m2": "1e3"}),
    "J/(kg K)": ("specific heat", {"J/(kg K)": "1", "kJ/(kg K)": "1e3"}),
    "W/(m K)": ("conductivity", {"W/(m K)": "1"}),
    "W/(m2 K)": ("heat transfer coefficient", {"W/(m2 K)": "1"}),
    "W/K": ("heat loss per kelvin", {"W/K": "1"}),
    "Pa/K": ("stress per kelvin", {"Pa/K": "1", "kPa/K": "1e3", "MPa/K": "1e6"}),
    "kg/(J m)": ("breakage strength parameter", {"kg/(J m)": "1"}),
    "J m/kg": ("threshold energy times size", {"J m/kg": "1"}),
    "s/m": ("time per length", {"s/m": "1"}),
    "A": ("current", {"A": "1", "mA": "1e-3"}),
    "V": ("voltage", {"V": "1", "kV": "1e3"}),
    "N m": ("torque", {"N m": "1"}),
    "Pa s/m": ("flow resistance", {"Pa s/m": "1"}),
    "1/s": ("rate", {"1/s": "1"}),
    "rad": ("angle", {"rad": "1", "deg": "pi/180"}),
    "m3/s": ("volume flow", {"m3/s": "1", "l/s": "1e-3", "m3/h": "1/3600"}),
    "-": ("plain number", {"-": "1", "%": "1e-2"}),
}


def _factor(text: str) -> Decimal:
    """A factor written as a number, or a fraction with pi on top."""
    top, _, bottom = text.partition("/")
    value = PI if top == "pi" else Decimal(top)
    return _EXACT.divide(value, Decimal(bottom)) if bottom else value


UNITS: dict[str, Unit] = {
    spelling: Unit(spelling, si, _factor(f), Decimal("273.15") if spelling in ("degC", "C") else Decimal(0))
    for si, (_, row) in _TABLE.items()
    for spelling, f in row.items()
}
DIMENSION: dict[str, str] = {si: what for si, (what, _) in _TABLE.items()}

# Units people know from elsewhere, by folded spelling: not accepted, but converted in the hint.
_FOREIGN_TABLE: dict[str, dict[str, str]] = {
    "m": {"in": "0.0254", "inch": "0.0254", "inches": "0.0254", "ft": "0.3048", "feet": "0.3048",
          "foot": "0.3048", "mil": "25.4e-6", "thou": "25.4e-6", "micron": "1e-6", "microns": "1e-6"},
    "m2": {"in2": "6.4516e-4", "sq in": "6.4516e-4", "ft2": "0.09290304", "sq ft": "0.09290304"},
    "kg": {"lb": "0.45359237", "lbs": "0.45359237", "oz": "0.028349523125", "gram": "1e-3", "grams": "1e-3"},
    "s": {"hr": "3600", "hour": "3600", "hours": "3600", "sec": "1", "minutes": "60"},
    "kg/s": {"lb/h": "0.45359237/3600", "lb/hr": "0.45359237/3600", "oz/h": "0.028349523125/3600",
             "g/hr": "1e-3/3600", "kg/hr": "1/3600"},
    "W": {"hp": "745.69987158227022", "ps": "735.49875", "watt": "1", "watts": "1"},
    "Pa": {"psi": "6894.757293168361"},
    "m/s": {"ft/s": "0.3048", "ft/min": "0.3048/60", "fpm": "0.3048/60", "mph": "0.44704"},
    "rad/s": {"hz": "6.283185307179586476925286766559", "rps": "6.283185307179586476925286766559",
              "u/min": "pi/30"},
    "kg/m3": {"lb/ft3": "16.01846337396014", "kg/l": "1e3", "g/ml": "1e3"},
    "K": {"degf": "5/9", "f": "5/9"},
    "m3/s": {"cfm": "0.028316846592/60", "l/min": "1e-3/60"},
}  # fmt: skip
_ZERO_F = _EXACT.subtract(Decimal("273.15"), _EXACT.divide(Decimal(160), Decimal(9)))  # 0 degF in K
FOREIGN: dict[str, Unit] = {
    spelling: Unit(spelling, si, _factor(f), _ZERO_F if si == "K" else Decimal(0))
    for si, row in _FOREIGN_TABLE.items()
    for spelling, f in row.items()
}

_ALIASES = {"²": "2", "³": "3", "^": "", "**": "", "µ": "u", "μ": "u", "°C": "degC", "℃": "degC", "°": "deg", "·": " "}
_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,5})?"
_QUANTITY = re.compile(rf"\s*({_NUMBER})\s*(\S.*?)?\s*", re.ASCII)
_COMMA = re.compile(r"\s*([+-]?\d+),(\d+)(?![\d.,])\s*(.*?)\s*", re.ASCII)
_GROUPS = re.compile(  # thousands set apart by a gap, a mark, points or commas
    r"\s*([+-]?[1-9]\d{0,2})([ '’_.,\u00a0\u2009\u202f])(\d{3}(?:\2\d{3})*)"
    r"(?:(?!\2)[.,](\d+))?(?![\d.,])\s*(.*?)\s*",
    re.ASCII,
)
_LONGEST = 80  # characters; no honest quantity is longer


def find_unit(text: str) -> Unit | None:
    """The unit of that spelling ("cm²", "cm^2" and "cm2" are one), or None."""
    return UNITS.get(_plain(text))


def find_foreign(text: str) -> Unit | None:
    """The unit of that spelling that is known but not accepted ("in", "hp", "°F"), or None."""
    return FOREIGN.get(_plain(text).casefold())


def _plain(text: str) -> str:
    """A unit spelt without exponents, signs and odd spaces."""
    for odd, plain in _ALIASES.items():
        text = text.replace(odd, plain)
    return " ".join(text.split())


def spellings(si: str) -> list[str]:
    """Accepted spellings of the units of one dimension, SI first."""
    return [u.text for u in UNITS.values() if u.si == si and u.text != "C"]


def rewritten(text: str) -> list[tuple[str, str]]:
    """What a number with a comma or with thousands set apart may mean, as (advice, quantity text).

    "18,000 rpm" may be "18.000 rpm" or "18000 rpm"; which of them makes sense is for the reader of a range.
    """
    ways = []
    if len(text) <= _LONGEST and (comma := _COMMA.fullmatch(text)):
        whole, part, rest = comma.groups()
        ways.append(("use a point: ", f"{whole}.{part} {rest}".strip()))
    if len(text) <= _LONGEST and (groups := _GROUPS.fullmatch(text)):
        first, mark, more, decimals, rest = groups.groups()
        number = first + more.replace(mark, "") + (f".{decimals}" if decimals else "")
        ways.append(("write ", f"{number} {rest}".strip()))
    return ways


def foreign(text: str) -> tuple[Decimal, Unit] | None:
    """Number and unit of a text in a unit that is known but not accepted, or None."""
    match = _QUANTITY.fullmatch(text) if len(text) <= _LONGEST else None
    unit = find_foreign(match[2]) if match and match[2] else None
    return (Decimal(match[1]), unit) if match and unit else None


def split_quantity(text: str, si: str = "") -> tuple[Decimal, Unit | None]:
    """Number and unit of a text such as "0.3 mm"; unit None if it has none. Raises UnitError with a hint.

    Hints name units of the dimension `si` only; of any when it is not given.
    """
    if len(text) > _LONGEST:
        raise UnitError("is far too long for a number with a unit")
    match = _QUANTITY.fullmatch(text)
    if not match:
        raise UnitError("is not a number with a unit")
    number, name = match.groups()
    if name is None:
        return Decimal(number), None
    unit = find_unit(name)
    if unit is None and (ways := rewritten(text)):
        mark = "a comma" if "," in text else "more than one point" if "." in text else "a gap"
        raise UnitError(f"has {mark} in the number", ", or ".join(f'{how}"{t}"' for how, t in ways))
    if unit is None:
        _refuse(Decimal(number), name, si)
    return Decimal(number), unit


def _refuse(number: Decimal, name: str, si: str) -> None:
    """Raise what is wrong with a unit that is not accepted."""
    known = find_foreign(name)
    if known and si and known.si != si:
        _wrong_dimension(known, si)
    hint = f'write "{converted(number, known)}"' if known else _unit_hint(name, si)
    raise UnitError(f'has an unknown unit "{name}"', hint)


def _wrong_dimension(unit: Unit, si: str) -> None:
    units = f"units: {', '.join(spellings(si))}"
    raise UnitError(f"measures {DIMENSION[unit.si]}, not {DIMENSION[si]}", units)


def _unit_hint(name: str, si: str) -> str:
    """Suggest a unit of the dimension for a misspelt one: first by letter case, then by likeness."""
    units = [u.text for u in UNITS.values() if si in ("", u.si)]
    same = [u for u in units if u.casefold() == name.casefold()]
    near = same or difflib.get_close_matches(name, units, n=1, cutoff=0.6)
    return f'did you mean "{near[0]}"?' if near else f"units: {', '.join(spellings(si))}" if si else ""


def converted(number: Decimal, unit: Unit, into: str = "") -> str:
    """A quantity in an accepted unit to five digits: (0.1, inch) -> "2.54 mm"; SI-like where none is named."""
    value = to_si(number, unit)
    into = into or spelling_for(value, unit.si)
    short = f"{in_unit(value, UNITS[into]):.5g}"
    short = f"{float(short):.0f}" if "e+0" in short else short
    return f"{short} {into}".replace("degC", "°C")


def to_si(number: Decimal, unit: Unit) -> float:
    """SI value of a number in a unit, rounded once (so "0.3 mm" and "0.0003 m" are the same float)."""
    return float(_EXACT.add(_EXACT.multiply(number, unit.factor), unit.offset)) + 0.0  # + 0.0 turns -0.0 into 0.0


def parse(text: str, si: str) -> float:
    """SI value of a quantity text that must have the dimension of `si`. Raises UnitError."""
    number, unit = split_quantity(text, si)
    if unit is None:
        raise UnitError("has no unit", f"units of {DIMENSION[si]}: {', '.join(spellings(si))}")
    if unit.si != si:
        _wrong_dimension(unit, si)
    return to_si(number, unit)


def in_unit(value: float, unit: Unit) -> float:
    """An SI value expressed in a unit (inverse of `to_si`)."""
    if not math.isfinite(value):
        return value
    if unit.plainly:
        a, b = unit.plainly
        return value * a / b + 0.0
    return float(_EXACT.divide(_EXACT.subtract(Decimal(value), unit.offset), unit.factor)) + 0.0


def readable_number(value: float, unit_text: str) -> str:
    """An SI value in the given unit, to four digits, without the unit: (3e-4, "mm") -> "0.3"."""
    number = f"{in_unit(value, UNITS[unit_text]):.4g}"
    if "e+0" in number and abs(float(number)) < 1e7:  # 1.2e+04 rpm reads worse than 12000 rpm
        number = f"{float(number):.0f}"
    return number


def readable(value: float, unit_text: str) -> str:
    """An SI value as people write it, in the given unit, to four digits: (3e-4, "mm") -> "0.3 mm"."""
    number = readable_number(value, unit_text)
    return number if unit_text == "-" else f"{number} {unit_text}".replace("degC", "°C")


def exact_text(value: float, unit_text: str) -> str:
    """Quantity text that parses back to exactly this SI value: in the given unit when short, else in SI."""
    unit = UNITS[unit_text]
    short = f"{in_unit(value, unit):.12g}"
    if to_si(Decimal(short), unit) == value:
        return f"{short} {unit_text}"
    short = f"{value:.12g}"
    return f"{short if float(short) == value else repr(float(value))} {unit.si}"


_SPELLINGS = {  # SI unit -> spellings that are accepted, tried in order until the number is not below 0.1
    "m": ("m", "mm"),
    "kg/m3": ("kg/m3", "g/m3"),
    "rad/s": ("rpm",),
    "K": ("degC",),
    "kg/s": ("kg/h", "g/h"),
    "Pa": ("MPa", "kPa", "Pa"),
    "Pa/K": ("MPa/K",),
    "J": ("J", "mJ"),
    "m2": ("m2", "cm2"),
    "m3": ("m3", "l"),
    "kg": ("kg", "g"),
    "W": ("W",),
    "rad": ("deg",),
    "J/m2": ("kJ/m2", "J/m2"),
    "J/(kg K)": ("kJ/(kg K)",),
}


def spelling_for(value: float, si: str) -> str:
    """The accepted unit in which an SI value reads well, spelt so that it parses back; for a setting or a parameter.

    An output is shown in the unit of `written.shown_unit`.
    """
    choices = _SPELLINGS.get(si, (si,))
    for name in choices:
        if abs(in_unit(value, UNITS[name])) >= 0.1:
            return name
    return choices[-1]
