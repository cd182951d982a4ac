"""Numbers as people write them: units of the workshop, no more digits than the band or the error bears."""

import math
import re
import textwrap
from collections.abc import Iterable

from .prediction import Scalar

# SI unit: choices of (shown unit, factor, offset); the first that makes the value at least 1, else the last.
_SHOWN = {
    "m": (("mm", 1e3, 0.0),),
    "kg/s": (("kg/h", 3600.0, 0.0), ("g/h", 3.6e6, 0.0)),
    "kg": (("kg", 1.0, 0.0), ("g", 1e3, 0.0)),
    "J/kg": (("kWh/kg", 1 / 3.6e6, 0.0),),
    "K": (("°C", 1.0, -273.15),),
    "rad/s": (("rpm", 30 / math.pi, 0.0),),
    "m3/s": (("m³/h", 3600.0, 0.0),),
    "1": (("", 1.0, 0.0),),
    "-": (("", 1.0, 0.0),),
}


def shown_unit(value: float, unit: str) -> tuple[str, float, float]:
    """The workshop unit for a value in SI: its name, and factor and offset to get there."""
    choices = _SHOWN.get(unit, ((unit, 1.0, 0.0),))
    if unit == "m" and 0 < abs(value) < 1e-4:
        return ("µm", 1e6, 0.0)
    if unit == "J/kg" and 0 < abs(value) < 0.36e6:
        return ("Wh/kg", 1 / 3600.0, 0.0)
    return next((c for c in choices if abs(value * c[1]) >= 1), choices[-1])


def decimals(value: float, spread: float = math.nan) -> int:
    """Decimal places (negative: tens, hundreds) for a value known to about `spread`; NaN: three digits."""
    if not math.isfinite(value):
        return 0
    size = math.floor(math.log10(abs(value))) if value else 0
    if not (math.isfinite(spread) and spread > 0):
        return 2 - size
    exponent = math.floor(math.log10(spread))
    places = -exponent + (1 if spread / 10.0**exponent < 3 else 0)
    return min(max(places, -size), 3 - size) if value else places


def number(value: float, places: int) -> str:
    """A value rounded to decimal places; "unknown" for NaN."""
    if math.isnan(value):
        return "unknown"
    if math.isinf(value):
        return "unlimited"
    text = f"{round(value, places):.{max(0, places)}f}"
    return text if float(text) != 0 else text.lstrip("-")


def digits(value: float, count: int = 3) -> str:
    """A value to a number of significant digits, with an exponent only where plain digits read badly."""
    if not math.isfinite(value) or value == 0:
        return number(value, 0)
    if not 1e-4 <= abs(value) < 1e7:
        return f"{value:.{count - 1}e}"
    text = number(value, count - 1 - math.floor(math.log10(abs(value))))
    return text.rstrip("0").rstrip(".") if "." in text else text


class Shown:
    """A scalar in its workshop unit, as strings: value, low, high, standard error, unit."""

    def __init__(self, scalar: Scalar):
        unit, factor, offset = shown_unit(scalar.value, scalar.unit)
        value, low, high = (v * factor + offset for v in (scalar.value, scalar.low, scalar.high))
        error = scalar.se * factor
        spread = (high - low) / 2 if math.isfinite(low) and math.isfinite(high) else error
        places = decimals(value, spread)
        ends = [v for v in (low, high) if math.isfinite(v) and v]
        if ends:  # an end of the band keeps at least one digit
            places = max(places, *(-math.floor(math.log10(abs(v))) for v in ends))
        self.unit = unit
        self.value = number(value, places)
        self.low, self.high = (number(v, places) if math.isfinite(v) else "" for v in (low, high))
        self.error = f"{error:.2g}" if math.isfinite(error) else ""

    @property
    def band(self) -> str:
        """ "low to high", or nothing without a band."""
        return f"{self.low} to {self.high}" if self.low and self.high else ""

    def __str__(self) -> str:
        text = f"{self.value} {self.unit}".strip()
        return f"{text} ({self.band}{' ' + self.unit if self.unit else ''})" if self.band else text


def percent(share: float, spread: float = math.nan) -> str:
    """A share of 1 in percent."""
    return (
        "unknown"
        if math.isnan(share)
        else f"{number(share * 100, max(0, min(1, decimals(share * 100, spread * 100))))} %"
    )


def table(header: Iterable[str], rows: Iterable[Iterable[str]], left: int = 1) -> list[str]:
    """Lines of a table: the first `left` columns and the last text column flush left, numbers flush right."""
    cells = [list(map(str, header)), *(list(map(str, row)) for row in rows)]
    widths = [max(len(row[i]) for row in cells) for i in range(len(cells[0]))]
    lines = []
    for row in cells:
        parts = [
            c.ljust(w) if i < left else c.rjust(w) for i, (c, w) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append(("  " + "  ".join(parts)).rstrip())
    lines.insert(1, "  " + "  ".join("-" * w for w in widths))
    return lines


def join_words(words: list[str], last: str = "and") -> str:
    """ "a, b and c"."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {last} {words[-1]}" if words else ""


def wrap(text: str) -> list[str]:
    """Lines of at most 100 characters that never part a number from its unit; an empty text stays a line."""
    glued = re.sub(r"(?<=\d) (?=%|°C|([kW]*[Wh]+|k?[gJ]|mm|µm|rpm|min)\b)", "\u00a0", text)
    lines = textwrap.wrap(
        glued, 100, subsequent_indent="  ", break_on_hyphens=False, break_long_words=False, tabsize=1
    )
    return [line.replace("\u00a0", " ") for line in lines] or [""]
