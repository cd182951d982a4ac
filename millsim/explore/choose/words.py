"""Words of a choice: sizes, limits and achieved values as people say them."""

import math

from ...base.quantities.units import UNITS, in_unit
from ...base.quantities.written import digits, number, shown_unit
from .record import Wish

_SHOWN = {"um": "µm", "degC": "°C", "C": "°C", "-": ""}


def size_words(size_m: float) -> str:
    """A size of powder: µm below a millimetre."""
    return f"{digits(size_m * 1e6)} µm" if size_m < 0.9995e-3 else f"{digits(size_m * 1e3)} mm"


def figure(value: float, unit: str, count: int = 3) -> str:
    """A figure in its workshop unit: "4.2 kg/h", "62 °C"."""
    name, factor, offset = shown_unit(value, unit)
    shown = value * factor + offset
    return f"{number(shown, 0) if offset else digits(shown, count)} {name}".strip()


def range_words(low_m: float, high_m: float) -> str:
    """A range of sizes: "finer than 500 µm", "from 150 to 500 µm"."""
    if not low_m:
        return f"finer than {size_words(high_m)}"
    low, high = size_words(low_m), size_words(high_m)
    return f"from {low.removesuffix(' µm') if high.endswith(' µm') else low} to {high}"


def value_words(value: float, wish: Wish) -> str:
    """A value of a wish's output in the unit the wish was written in."""
    if not math.isfinite(value):
        return number(value, 0)
    shown = in_unit(value, UNITS[wish.shown])
    name = _SHOWN.get(wish.shown, wish.shown)
    text = number(shown, 0 if name == "°C" or (name == "%" and abs(shown - round(shown)) < 0.05) else 1)
    if name not in ("°C", "%"):
        text = digits(shown)
    return f"{text} {name}".strip()


def limit_words(wish: Wish) -> str:
    """What a wish asks: "at most 20 %", "from 30 to 45 µm"."""
    low, high = value_words(wish.low, wish), value_words(wish.high, wish)
    if math.isfinite(wish.low) and math.isfinite(wish.high):
        unit = high.rpartition(" ")[2]
        return f"from {low.removesuffix(f' {unit}')} to {high}"
    return f"at least {low}" if math.isfinite(wish.low) else f"at most {high}"


def asked(wish: Wish) -> str:
    """A wish in words: "share finer than 150 µm: at most 20 %"."""
    return wish.about if wish.output == "measure" else f"{wish.about}: {limit_words(wish)}"
