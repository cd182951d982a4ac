"""One raw TOML value and its row of the schema give an SI value, or what is wrong and was probably meant."""

import difflib
import math
from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from ..quantities import units
from ..quantities.units import UnitError
from .key import AS_MUCH, AS_MUCH_BEFORE, Key
from .sieves import mesh_to_m

# Units nobody writes another one for by mistake: never suggested for a value out of range.
_NEVER_MEANT = {"ms", "rad/s", "km/h", "m/min", "GPa", "kg/s"}
_KELVIN_LIKE = (Decimal(250), Decimal(400))  # numbers that may be kelvin written as °C
_MAX_ITEMS = 1000  # of a list in a config


class Bad(ValueError):
    """A value that cannot be taken; becomes a Problem once file and key are known."""

    def __init__(self, message: str, allowed: str = "", hint: str = ""):
        super().__init__(message)
        self.message, self.allowed, self.hint = message, allowed, hint


def show(raw: object) -> str:
    """A raw TOML value in a message: short, and safe for any input."""
    if isinstance(raw, bool):
        return str(raw).lower()
    if isinstance(raw, dict):
        return "a table"
    if isinstance(raw, list):
        return "a list"
    if isinstance(raw, int) and abs(raw) >= 10**18:  # repr of a huge int is itself an error
        return "a huge number"
    text = f'"{raw}"' if isinstance(raw, str) else str(raw)
    text = "".join(c if c.isprintable() else "?" for c in text[:61])
    return text if len(text) <= 60 else text[:57] + "..."


def did_you_mean(word: str, choices: Iterable[str]) -> str:
    """A hint naming the likeliest of the choices, or an empty text."""
    likeliest = meant(word, choices)
    return f'did you mean "{likeliest}"?' if likeliest else ""


def meant(word: str, choices: Iterable[str]) -> str:
    """The likeliest of the choices, or an empty text."""
    plain = {c.casefold(): c for c in choices}
    near = difflib.get_close_matches(word.casefold()[:80], plain, n=1, cutoff=0.6)
    return plain[near[0]] if near else ""


def as_number(raw: object, example: str) -> float:
    """A finite plain number."""
    if isinstance(raw, str):
        raise Bad(f"{show(raw)} is text, a plain number is needed", hint=_unquote(raw, example))
    if isinstance(raw, bool) or not isinstance(raw, int | float):
        raise Bad(f"{show(raw)} is not a number", hint=f"for example {example}")
    try:
        value = float(raw)
    except OverflowError:
        value = math.inf
    if not math.isfinite(value):
        raise Bad(f"{show(raw)} is not a finite number")
    return value + 0.0


def _unquote(raw: str, example: str) -> str:
    """What to write instead of a text where a plain number belongs."""
    try:
        number, unit = units.split_quantity(raw, "-")
    except UnitError:
        ways = [how + text for how, text in units.rewritten(raw)]
        return ", or ".join(ways) or f"for example {example}"
    if unit is None or unit.si == "-":
        return f"write {units.to_si(number, unit or units.UNITS['-']):.12g} without quotes"
    return f"it has no unit: write {number}"


def as_quantity(raw: object, si: str, low: float, high: float, shown: str, allowed: str, example: str) -> float:
    """SI value of a quantity text within bounds (SI), with hints on missing units and slipped factors."""
    if isinstance(raw, int | float) and not isinstance(raw, bool):
        raise Bad(f"{show(raw)} has no unit", allowed, _with_unit(raw, si, low, high, shown))
    if not isinstance(raw, str):
        raise Bad(f"{show(raw)} is not a number with a unit", allowed, f"for example {example}")
    try:
        value = units.parse(raw, si)
        number, unit = units.split_quantity(raw)
    except UnitError as error:
        hint = _other_way(raw, si, low, high, shown) or error.hint or f"for example {example}"
        raise Bad(f"{show(raw)} {error}", allowed, hint) from None
    if not low <= value <= high:
        hint = _other_way(raw, si, low, high, shown) or (slip(number, unit, low, high) if unit else "")
        raise Bad(f"{show(raw)} is out of range", allowed, hint)
    return value


def _other_way(raw: str, si: str, low: float, high: float, shown: str) -> str:
    """What to write for thousands set apart, a decimal comma, a unit from elsewhere, a mesh number; or nothing."""
    if ways := [f'{how}"{text}"' for how, text in units.rewritten(raw) if _fits(text, si, low, high)]:
        return ", or ".join(ways)
    text, by = "", ""
    if (known := units.foreign(raw)) and known[1].si == si:
        text = units.converted(*known, shown)
    elif si == "m" and "mesh" in raw.casefold() and len(raw) <= 20:
        try:
            text, by = units.readable(mesh_to_m(raw), shown), " by ASTM E11"
        except KeyError as error:
            return str(error.args[0])
    advice = f': write "{text}"' if _fits(text, si, low, high) else ""
    said = " ".join(raw.split())
    return f"{said} is {text}{by}{advice}" if text else ""


def _fits(text: str, si: str, low: float, high: float) -> bool:
    """Whether a quantity text can be read and lies within the bounds."""
    try:
        return low <= units.parse(text, si) <= high
    except UnitError:
        return False


def _with_unit(raw: int | float, si: str, low: float, high: float, shown: str) -> str:
    """Suggest the bare number with the unit that makes sense of it."""
    text = show(raw)
    for name in (shown, *(u for u in units.spellings(si) if u not in _NEVER_MEANT)):
        if _fits(f"{text} {name}", si, low, high):
            return f'write "{text} {name}"'
    return f'write it as text with a unit, for example "{units.readable(max(low, min(high, 1.0)), shown)}"'


def slip(number: Decimal, unit: units.Unit, low: float, high: float) -> str:
    """The likely intention behind an out-of-range quantity: the same number in another unit, if that fits."""
    if not abs(number) < Decimal("1e30"):
        return ""
    ratios: dict[float, str] = {}
    for name in units.spellings(unit.si):
        other = units.UNITS[name]
        if _confusable(number, other, high) and low <= units.to_si(number, other) <= high:
            ratios.setdefault(abs(math.log10(other.factor / unit.factor)) - 3, name)
    if not ratios:
        return ""
    name = ratios[min(ratios, key=abs)]  # a factor of 1000 is the commonest slip
    meant = units.readable(units.to_si(number, units.UNITS[name]), unit.text)
    shown = f"{number} {name}".replace("degC", "°C")
    return f'did you mean {meant} ("{shown}")?'


def _confusable(number: Decimal, other: units.Unit, high: float) -> bool:
    """Whether people may have meant this unit; per cent only of shares, kelvin only of likely temperatures."""
    if other.text == "%":
        return number >= 1 and 0.1 <= high <= 1.0
    if other.text == "K":
        return _KELVIN_LIKE[0] <= number <= _KELVIN_LIKE[1]
    return other.text not in _NEVER_MEANT


def in_range(value: float, raw: object, key: Key) -> float:
    """A plain number within the bounds of its key, else the likely slip."""
    if not key.low <= value <= key.high:
        raise Bad(
            f"{show(raw)} is out of range", key.allowed, slip(Decimal(value), units.UNITS["-"], key.low, key.high)
        )
    return value


def _number(raw: object, key: Key) -> float:
    return in_range(as_number(raw, key.example), raw, key)


def _whole(raw: object, key: Key) -> int:
    value = as_number(raw, key.example)
    if not isinstance(raw, int):
        hint = f"write {value:.0f}" if value.is_integer() and abs(value) < 1e15 else f"for example {key.example}"
        raise Bad(f"{show(raw)} is not a whole number", key.allowed, hint)
    in_range(raw, raw, key)  # not the float, which rounds large ones
    return raw


def _flag(raw: object, key: Key) -> bool:
    if not isinstance(raw, bool):
        word = str(raw).strip().lower() if isinstance(raw, str | int) and show(raw) != "a huge number" else ""
        meant = {"yes": "true", "on": "true", "1": "true", "true": "true"}
        meant |= {"no": "false", "off": "false", "0": "false", "false": "false"}
        hint = f"write {meant[word]} without quotes" if word in meant else ""
        raise Bad(f"{show(raw)} is not true or false", key.allowed, hint)
    return raw


def _choice(raw: object, key: Key) -> str:
    if not isinstance(raw, str) or raw not in key.choices:
        hint = did_you_mean(raw, key.choices) if isinstance(raw, str) else "write one of the words in quotes"
        raise Bad(f"{show(raw)} is not one of the choices", key.allowed, hint)
    return raw


def _text(raw: object, key: Key) -> str:
    if not isinstance(raw, str):
        raise Bad(f"{show(raw)} is not text", hint=f"write it in quotes, for example {key.example}")
    if not raw.strip() or not raw.isprintable() or len(raw) > 500:
        raise Bad(f"{show(raw)} is not a line of printable text", hint=f"for example {key.example}")
    return raw


def _texts(raw: object, key: Key) -> tuple[str, ...]:
    if isinstance(raw, list) and len(raw) > _MAX_ITEMS:
        raise Bad(f"has {len(raw)} entries", f"at most {_MAX_ITEMS}", f"for example {key.example}")
    return tuple(_text(item, key) for item in (raw if isinstance(raw, list) else [raw]))


def _quantity(raw: object, key: Key) -> float:
    return as_quantity(raw, key.si, key.low, key.high, key.shown, key.allowed, key.example)


def _rate(raw: object, key: Key) -> float | str:
    if isinstance(raw, str) and " ".join(raw.lower().split()) in (AS_MUCH, AS_MUCH_BEFORE):
        return AS_MUCH
    try:
        return _quantity(raw, key)
    except Bad as bad:
        if isinstance(raw, str) and did_you_mean(raw, [AS_MUCH, AS_MUCH_BEFORE]):
            bad.hint = f'did you mean "{AS_MUCH}"?'
        raise


def _items(raw: object, key: Key) -> list:
    if not isinstance(raw, list) or not 2 <= len(raw) <= _MAX_ITEMS:
        raise Bad(f"{show(raw)} is not a list of at least two", hint=f"for example {key.example}")
    return raw


def _curve(raw: object, key: Key) -> tuple[tuple[float, float], ...]:
    points = []
    for pair in _items(raw, key):
        if not isinstance(pair, list) or len(pair) != 2:
            raise Bad(f"{show(pair)} is not a pair of power and speed", hint=f"for example {key.example}")
        power = as_quantity(pair[0], "W", 0.0, 1e6, "W", "0 W to 1000000 W", '"200 W"')
        speed = as_quantity(pair[1], "rad/s", 0.0, 6300.0, "rpm", "0 rpm to 60000 rpm", '"9000 rpm"')
        points.append((power, speed))
    if any(b[0] <= a[0] for a, b in zip(points, points[1:], strict=False)):
        raise Bad("the powers do not ascend", hint="sort the points by power")
    if any(b[1] > a[1] for a, b in zip(points, points[1:], strict=False)):
        raise Bad("the speed rises with load", hint="each point is [shaft power, speed]")
    return tuple(points)


def _lengths(raw: object, key: Key) -> tuple[float, ...]:
    return _ascending(raw, key, "sizes", "list them from fine to coarse")


def _speeds(raw: object, key: Key) -> tuple[float, ...]:
    return _ascending(raw, key, "speeds", "list them from the lowest step of the dial to the highest")


def _ascending(raw: object, key: Key, what: str, hint: str) -> tuple[float, ...]:
    found = tuple(_quantity(item, key) for item in _items(raw, key))
    if any(b <= a for a, b in zip(found, found[1:], strict=False)):
        raise Bad(f"the {what} do not ascend", hint=hint)
    return found


def _shares(raw: object, key: Key) -> tuple[float, ...]:
    shares = tuple(_number(item, key) for item in _items(raw, key))
    if any(b < a for a, b in zip(shares, shares[1:], strict=False)):
        raise Bad("the cumulative shares fall", key.allowed, "give the share finer than each size")
    if shares[-1] < 1.0 - 1e-6:
        raise Bad(f"the shares end at {shares[-1]:g}", "ending at 1", "add the size all is finer than")
    return shares


_KINDS = {
    "quantity": _quantity,
    "rate": _rate,
    "number": _number,
    "whole": _whole,
    "flag": _flag,
    "choice": _choice,
    "text": _text,
    "texts": _texts,
    "curve": _curve,
    "lengths": _lengths,
    "speeds": _speeds,
    "shares": _shares,
}


def convert(raw: object, key: Key) -> Any:
    """The resolved value (SI) of a raw TOML value. Raises Bad with message, allowed values and hint."""
    return _KINDS[key.kind](raw, key)
