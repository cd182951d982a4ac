"""Numbers as people write them: units of the workshop, no more digits than the band or the error bears."""

import math
import re
import textwrap
from collections.abc import Iterable

from .scalar import Scalar

# Control characters but for the end of a line and the tab, marks that turn the direction of writing, halves of pairs.
OBEYED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")


def harmless(text: str) -> str:
    """The text with a question mark for each character that a terminal, a page or a figure would obey."""
    return OBEYED.sub("?", text)


# SI unit: choices of (shown unit, factor, offset); the first that makes the value at least 1, else the last.
_SHOWN = {
    "m": (("mm", 1e3, 0.0),),
    "kg/s": (("kg/h", 3600.0, 0.0), ("g/h", 3.6e6, 0.0)),
    "kg": (("kg", 1.0, 0.0), ("g", 1e3, 0.0), ("mg", 1e6, 0.0)),
    "J/kg": (("kWh/kg", 1 / 3.6e6, 0.0),),
    "K": (("°C", 1.0, -273.15),),
    "rad/s": (("rpm", 30 / math.pi, 0.0),),
    "m3/s": (("m³/h", 3600.0, 0.0),),
    "1": (("", 1.0, 0.0),),
    "-": (("", 1.0, 0.0),),
    "%": (("%", 100.0, 0.0),),  # a share of 1 that people read in percent
}


def shown_unit(value: float, unit: str) -> tuple[str, float, float]:
    """The workshop unit for a value in SI: its name, and factor and offset to get there."""
    choices = _SHOWN.get(unit, ((unit, 1.0, 0.0),))
    if unit == "m" and 0 < abs(value) < 1e-4:
        return ("µm", 1e6, 0.0)
    if unit == "J/kg" and 0 < abs(value) < 0.36e6:
        return ("Wh/kg", 1 / 3600.0, 0.0)
    return next((c for c in choices if abs(value * c[1]) >= 1), choices[-1])


def _size(value: float) -> int:
    """The power of ten of a number's first digit; 0 for zero."""
    return math.floor(math.log10(abs(value))) if value else 0


def decimals(value: float, spread: float = math.nan) -> int:
    """Decimal places (negative: tens, hundreds) for a value known to about `spread`; NaN: three digits.

    Two digits at least, four at most; a spread that is mere rounding counts as none.
    """
    if not math.isfinite(value):
        return 0
    size = _size(value)
    if not (math.isfinite(spread) and spread > 1e-5 * abs(value)):
        return 2 - size
    exponent = math.floor(math.log10(spread))
    places = -exponent + (1 if spread / 10.0**exponent < 3 else 0)
    return min(max(places, 1 - size), 3 - size) if value else places


def number(value: float, places: int) -> str:
    """A value rounded to decimal places; "unknown" for NaN."""
    if math.isnan(value):
        return "unknown"
    if math.isinf(value):
        return "unlimited" if value > 0 else "-unlimited"
    text = f"{round(value, places):.{max(0, places)}f}"
    return text if float(text) != 0 else text.lstrip("-")


def digits(value: float, count: int = 3) -> str:
    """A value to a number of significant digits, with an exponent only where plain digits read badly."""
    if not math.isfinite(value) or value == 0:
        return number(value, 0)
    if not 1e-4 <= abs(value) < 1e7:
        return f"{value:.{count - 1}e}"
    text = number(value, count - 1 - _size(value))
    return text.rstrip("0").rstrip(".") if "." in text else text


class Shown:
    """A scalar in its workshop unit, as strings: value, low, high, standard error, unit."""

    def __init__(self, scalar: Scalar):
        most = scalar.high / 5 if scalar.unit in ("kg", "kg/s") and math.isfinite(scalar.high) else 0.0
        unit, factor, offset = shown_unit(max(scalar.value, most) if most else scalar.value, scalar.unit)
        value, low, high = (v * factor + offset for v in (scalar.value, scalar.low, scalar.high))
        error = scalar.se * factor
        self.factor, self.offset = factor, offset  # from SI to the unit
        spread = error if math.isnan(low + high) else _spread(value, low, high)
        places = decimals(value, spread)
        if offset:  # temperatures: whole degrees unless known better, never thousandths
            places = 1 if not spread >= 1 else 0
        self.unit, self.places = unit, places
        self.value = number(value, places) if value else "0"
        self.low, self.high = (_end(v, value, places, bool(offset)) for v in (low, high))
        self.error = digits(error, 2) if math.isfinite(error) and error > 0 else ""

    @property
    def band(self) -> str:
        """ "low to high", "above low" or "below high" where an end is missing, or nothing without a band."""
        if not (self.low and self.high) or self.value == "unlimited":
            return ""
        if self.high == "unlimited":
            return f"above {self.low}"
        return f"below {self.high}" if self.low == "-unlimited" else f"{self.low} to {self.high}"

    def like(self, value: float) -> str:
        """Another value [SI] to the same digits and in the same unit."""
        return f"{number(value * self.factor + self.offset, self.places)} {self.unit}".strip()

    @property
    def text(self) -> str:
        """The value with its unit."""
        return f"{self.value} {self.unit}".strip()

    @property
    def fixed(self) -> bool:
        """Whether the band is so narrow that it reads as the value."""
        return self.low == self.value == self.high

    def __str__(self) -> str:
        return f"{self.text} ({self.band} {self.unit}".strip() + ")" if self.band else self.text


def _spread(value: float, low: float, high: float) -> float:
    """Half the width of a band; of one without an end, the distance to its other end."""
    if math.isfinite(low) and math.isfinite(high):
        return (high - low) / 2
    ends = [abs(v - value) for v in (low, high) if math.isfinite(v)]
    return min(ends, default=math.nan)


def _end(end: float, value: float, places: int, plain: bool) -> str:
    """One end of a band: as many digits as the value above it, at least one below, 0 if next to nothing.

    plain: no such care, as for temperatures, whose zero means nothing.
    """
    if math.isnan(end):
        return ""
    if math.isinf(end) or not math.isfinite(value):
        return number(end, 2 - _size(end) if math.isfinite(end) else 0)
    above = _size(end) - _size(value)
    if not plain and value and end:
        places = places - above if above > 0 else max(places, -_size(end)) if above >= -2 else places
    text = number(end, places)
    return text if float(text) else "0"


def percent(share: float, spread: float = math.nan) -> str:
    """A share of 1 in percent."""
    return (
        "unknown"
        if math.isnan(share)
        else f"{number(share * 100, max(0, min(1, decimals(share * 100, spread * 100))))} %"
    )


NOTHING_KG_S = 0.5e-3 / 3600.0  # half a gram an hour: less is no rate (assumed)


def rate_words(rate_kg_s: float, count: int = 2) -> str:
    """A rate without a band: "4.2 kg/h", "70 g/h"; no number where it is next to nothing."""
    if rate_kg_s < NOTHING_KG_S:
        return "next to nothing"
    name, factor, _ = shown_unit(rate_kg_s, "kg/s")
    return f"{digits(rate_kg_s * factor, count)} {name}"


def sentence(text: str) -> str:
    """A text as a sentence: capital first, full stop last."""
    text = " ".join(text.split())
    return capital(text) + ("" if text.endswith((".", "!", "?")) else ".") if text else ""


def capital(text: str) -> str:
    """A text whose first letter is a capital."""
    return text[:1].upper() + text[1:]


def uncapital(text: str) -> str:
    """A text that reads on: its first letter small, unless it is a symbol or an abbreviation."""
    return text if text[1:2].isupper() or text[1:2].isdigit() else text[:1].lower() + text[1:]


_NUMERIC = re.compile(r"(above |below |over |-)?(\d|unlimited)|unknown|none$|the same$|far over$|under ")


def table(header: Iterable[str], rows: Iterable[Iterable[str]], left: int = 1, kinds: str = "") -> list[str]:
    """Lines of a table: the first `left` columns and columns of words flush left, numbers flush right.

    A column that is empty in every row is left out. kinds: "r" for every column of numbers, where that is known.
    """
    cells = [list(map(str, header)), *(list(map(str, row)) for row in rows)]
    keep = [i for i in range(len(cells[0])) if i < left or any(row[i] for row in cells[1:])]
    cells = [[row[i] for i in keep] for row in cells]
    widths = [max(len(row[i]) for row in cells) for i in range(len(cells[0]))]
    words = [i < left or not all(_NUMERIC.match(row[i]) for row in cells[1:] if row[i]) for i in range(len(widths))]
    words = [kinds[i] != "r" for i in keep] if kinds else words
    lines = []
    for row in cells:
        parts = [c.ljust(w) if at else c.rjust(w) for c, w, at in zip(row, widths, words, strict=True)]
        lines.append(("  " + "  ".join(parts)).rstrip())
    lines.insert(1, "  " + "  ".join("-" * w for w in widths))
    return lines


def balance_words(going_in_W: float, out_W: float) -> str:
    """Whether the two sums of the ledger agree."""
    difference = going_in_W - out_W
    if abs(difference) <= 1e-9 * max(abs(going_in_W), abs(out_W)):
        return "in and out agree to rounding"
    return f"in minus out: {digits(difference, 2)} W"


def join_words(words: list[str], last: str = "and") -> str:
    """ "a, b and c"."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {last} {words[-1]}" if words else ""


_GLUE = re.compile(r"(?<=\d) (?=%|°C|([kW]*[Wh]+|k?[gJ]|mm|µm|m/s|rpm|min|[NsK])\b)")


def glued(text: str) -> str:
    """A text in which a number stays with its unit: a space that does not break between the two."""
    return _GLUE.sub("\u00a0", text)


def wrap(text: str, indent: str = "") -> list[str]:
    """Lines of at most 100 characters that never part a number from its unit; an empty text stays a line.

    indent: before every line; without it, lines after the first begin two columns in.
    """
    setting = textwrap.TextWrapper(
        100, initial_indent=indent, subsequent_indent=indent or "  ", break_on_hyphens=False, break_long_words=False,
        tabsize=1,
    )  # fmt: skip
    lines = setting.wrap(glued(text))
    return [line.replace("\u00a0", " ") for line in lines] or [""]


def duration(seconds: float) -> str:
    """A length of time in the unit people would use, to two digits."""
    if seconds < 90:
        return f"{digits(seconds, 2)} s"
    if seconds < 7200:
        return f"{digits(seconds / 60, 2)} min"
    return f"{digits(seconds / 3600, 2)} h" if seconds < 172800 else f"{digits(seconds / 86400, 2)} days"


def given(value: float, unit: str) -> str:
    """A number that was given, not predicted: as it was given, in its workshop unit."""
    shown, factor, offset = shown_unit(value, unit)
    return f"{digits(value * factor + offset)} {shown}".strip()
