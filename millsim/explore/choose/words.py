"""Words of a choice: figures, sizes, limits and achieved values as people say them."""

import math

from ...base.quantities.scalar import Scalar
from ...base.quantities.units import UNITS, in_unit
from ...base.quantities.written import decimals, digits, number
from ...record.outputs import output_of, shown
from .record import Wish

_SHOWN = {"um": "µm", "degC": "°C", "C": "°C", "-": ""}
_AS_WRITTEN = 6  # digits of a limit


def figure(key: str, value: float, sd: float = math.nan) -> str:
    """An output as it reads everywhere, to the digits that its scatter bears: "4.20 kg/h", "62.3 °C"."""
    return str(shown(key, Scalar(value, output_of(key).si, "", se=sd)))


def size_words(size_m: float) -> str:
    """A size that is asked for: µm below a millimetre."""
    return f"{digits(size_m * 1e6)} µm" if size_m < 0.9995e-3 else f"{digits(size_m * 1e3)} mm"


def range_words(low_m: float, high_m: float) -> str:
    """A range of sizes: "finer than 500 µm", "from 150 to 500 µm"."""
    if not low_m:
        return f"finer than {size_words(high_m)}"
    low = digits(low_m * 1e6) if high_m < 0.9995e-3 else size_words(low_m)
    return f"from {low} to {size_words(high_m)}"


def value_words(value: float, wish: Wish) -> str:
    """A value of a wish's output in the unit the wish was written in."""
    if not math.isfinite(value):
        return number(value, 0)
    found, unit = in_unit(value, UNITS[wish.shown]), _SHOWN.get(wish.shown, wish.shown)
    return f"{number(found, 1 if wish.unit == 'K' else decimals(found)) if found else '0'} {unit}".strip()


def limit_words(wish: Wish) -> str:
    """What a wish asks: "at most 20 %", "from 30 to 45 µm"."""
    low, high = (digits(in_unit(end, UNITS[wish.shown]), _AS_WRITTEN) for end in (wish.low, wish.high))
    text = f"at least {low}" if math.isfinite(wish.low) else f"at most {high}"
    if math.isfinite(wish.low) and math.isfinite(wish.high):
        text = f"from {low} to {high}"
    return f"{text} {_SHOWN.get(wish.shown, wish.shown)}".strip()
