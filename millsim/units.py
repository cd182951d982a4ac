"""Units at the edge: "0.3 mm" in, SI floats inside, readable text out.

Owns the table of accepted unit spellings. A dimension is named by its SI unit ("m", "kg/s", "rad/s"...);
"-" is a plain number. Imports nothing of the package, and no numpy.
"""

import difflib
import math
import re
from dataclasses import dataclass
from decimal import Context, Decimal

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


class UnitError(ValueError):
    """A quantity that cannot be read; `hint` says what was probably meant."""

    def __init__(self, message: str, hint: str = ""):
        super().__init__(message)
        self.hint = hint


# SI unit -> (what it measures, {spelling: factor}); in each row the first spelling is the SI unit itself.
_TABLE: dict[str, tuple[str, dict[str, str]]] = {
    "m": ("length", {"m": "1", "cm": "1e-2", "mm": "1e-3", "um": "1e-6"}),
    "m2": ("area", {"m2": "1", "dm2": "1e-2", "cm2": "1e-4", "mm2": "1e-6"}),
    "kg": ("mass", {"kg": "1", "g": "1e-3", "mg": "1e-6"}),
    "s": ("time", {"s": "1", "ms": "1e-3", "min": "60", "h": "3600"}),
    "kg/s": (
        "mass rate",
        {
            "kg/s": "1",
            "g/s": "1e-3",
            "kg/min": "1/60",
            "g/min": "1e-3/60",
            "kg/h": "1/3600",
            "g/h": "1e-3/3600",
        },
    ),
    "W": ("power", {"W": "1", "kW": "1e3"}),
    "Pa": (
        "pressure",
        {"Pa": "1", "hPa": "1e2", "mbar": "1e2", "kPa": "1e3", "bar": "1e5", "MPa": "1e6", "GPa": "1e9"},
    ),
    "m/s": ("speed", {"m/s": "1", "m/min": "1/60", "km/h": "1/3.6"}),
    "rad/s": ("rotation speed", {"rad/s": "1", "rpm": "pi/30", "1/min": "pi/30"}),
    "kg/m3": ("density", {"kg/m3": "1", "g/cm3": "1e3", "g/l": "1", "g/m3": "1e-3"}),
    "K": ("temperature", {"K": "1", "degC": "1", "C": "1"}),
    "J": ("energy", {"J": "1", "mJ": "1e-3", "kJ": "1e3", "Wh": "3600"}),
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

_ALIASES = {
    "²": "2",
    "³": "3",
    "^": "",
    "**": "",
    "µ": "u",
    "μ": "u",
    "°C": "degC",
    "℃": "degC",
    "°": "deg",
    "·": " ",
}
_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,5})?"
_QUANTITY = re.compile(rf"\s*({_NUMBER})\s*(\S.*?)?\s*", re.ASCII)
_COMMA = re.compile(r"\s*([+-]?\d+),(\d+)\s*(.*?)\s*", re.ASCII)
_LONGEST = 80  # characters; no honest quantity is longer


def find_unit(text: str) -> Unit | None:
    """The unit of that spelling ("cm²", "cm^2" and "cm2" are one), or None."""
    for odd, plain in _ALIASES.items():
        text = text.replace(odd, plain)
    text = " ".join(text.split())
    return UNITS.get(text)


def spellings(si: str) -> list[str]:
    """Accepted spellings of the units of one dimension, SI first."""
    return [u.text for u in UNITS.values() if u.si == si and u.text != "C"]


def split_quantity(text: str) -> tuple[Decimal, Unit | None]:
    """Number and unit of a text such as "0.3 mm"; unit None if it has none. Raises UnitError with a hint."""
    if len(text) > _LONGEST:
        raise UnitError("is far too long for a number with a unit")
    if comma := _COMMA.fullmatch(text):
        whole, part, rest = comma.groups()
        raise UnitError("has a comma in the number", f'use a point: "{f"{whole}.{part} {rest}".strip()}"')
    match = _QUANTITY.fullmatch(text)
    if not match:
        raise UnitError("is not a number with a unit")
    number, name = match.groups()
    if name is None:
        return Decimal(number), None
    unit = find_unit(name)
    if unit is None:
        raise UnitError(f'has an unknown unit "{name}"', _unit_hint(name))
    return Decimal(number), unit


def _unit_hint(name: str) -> str:
    """Suggest a unit for a misspelt one: first by letter case, then by likeness."""
    same = [u for u in UNITS if u.casefold() == name.casefold()]
    near = same or difflib.get_close_matches(name, UNITS, n=1, cutoff=0.6)
    return f'did you mean "{near[0]}"?' if near else ""


def to_si(number: Decimal, unit: Unit) -> float:
    """SI value of a number in a unit, rounded once (so "0.3 mm" and "0.0003 m" are the same float)."""
    return (
        float(_EXACT.add(_EXACT.multiply(number, unit.factor), unit.offset)) + 0.0
    )  # + 0.0 turns -0.0 into 0.0


def parse(text: str, si: str) -> float:
    """SI value of a quantity text that must have the dimension of `si`. Raises UnitError."""
    number, unit = split_quantity(text)
    if unit is None:
        raise UnitError("has no unit", f"units of {DIMENSION[si]}: {', '.join(spellings(si))}")
    if unit.si != si:
        raise UnitError(
            f"measures {DIMENSION[unit.si]}, not {DIMENSION[si]}", f"units: {', '.join(spellings(si))}"
        )
    return to_si(number, unit)


def in_unit(value: float, unit: Unit) -> float:
    """An SI value expressed in a unit (inverse of `to_si`)."""
    if not math.isfinite(value):
        return value
    return float(_EXACT.divide(_EXACT.subtract(Decimal(value), unit.offset), unit.factor)) + 0.0


def readable(value: float, unit_text: str) -> str:
    """An SI value as people write it, in the given unit, to four digits: (3e-4, "mm") -> "0.3 mm"."""
    number = f"{in_unit(value, UNITS[unit_text]):.4g}"
    if "e+0" in number and abs(float(number)) < 1e7:  # 1.2e+04 rpm reads worse than 12000 rpm
        number = f"{float(number):.0f}"
    return number if unit_text == "-" else f"{number} {unit_text}".replace("degC", "°C")


def exact_text(value: float, unit_text: str) -> str:
    """Quantity text that parses back to exactly this SI value: in the given unit when short, else in SI."""
    unit = UNITS[unit_text]
    short = f"{in_unit(value, unit):.12g}"
    if to_si(Decimal(short), unit) == value:
        return f"{short} {unit_text}"
    short = f"{value:.12g}"
    return f"{short if float(short) == value else repr(value)} {unit.si}"


_SHOWN = {  # SI unit -> unit used for people in tables, tried in order until the number is not below 0.1
    "m": ("m", "mm"),
    "kg/m3": ("kg/m3", "g/m3"),
    "rad/s": ("rpm",),
    "K": ("degC",),
    "kg/s": ("kg/h", "g/h"),
    "Pa": ("MPa", "kPa", "Pa"),
    "Pa/K": ("MPa/K",),
    "J": ("J", "mJ"),
    "m2": ("m2", "cm2"),
    "kg": ("kg", "g"),
    "W": ("W",),
    "rad": ("deg",),
    "J/m2": ("kJ/m2", "J/m2"),
    "J/(kg K)": ("kJ/(kg K)",),
}


def shown_unit(value: float, si: str) -> str:
    """A unit in which this SI value reads well."""
    choices = _SHOWN.get(si, (si,))
    for name in choices:
        if abs(in_unit(value, UNITS[name])) >= 0.1:
            return name
    return choices[-1]
