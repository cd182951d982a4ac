"""What may stand after `name =` in a file of people: one row of a table of keys, and how rows are written.

Bounds and defaults are written as in TOML ("0.3 mm") and held in SI. Nothing here reads or checks a file.
"""

from dataclasses import dataclass
from typing import Any

from ..quantities import units

REQUIRED = object()  # default of a key that must be given
AS_MUCH = "as fast as it can grind"  # the feed rate left open
AS_MUCH_BEFORE = "as much as it takes"  # its words before, read as the same; hashes know it by these
INF = float("inf")
_SUFFIX = {"m": "_m", "m2": "_m2", "kg": "_kg", "s": "_s", "W": "_W", "N": "_N", "Pa": "_Pa", "K": "_K"}
_SUFFIX |= {"rad/s": "_rad_s", "kg/s": "_kg_s", "m/s": "_m_s", "rad": "_rad", "m3": "_m3", "-": ""}


@dataclass(frozen=True)
class Key:
    """One row: what may stand after `name =`."""

    name: str
    kind: str  # quantity, rate, number, whole, flag, choice, text, texts, curve, lengths, speeds, shares
    about: str  # one line for people
    example: str  # right-hand side as in TOML
    si: str = "-"  # SI unit of a quantity
    shown: str = "-"  # unit in which bounds are told
    low: float = -INF  # SI
    high: float = INF  # SI
    choices: tuple[str, ...] = ()
    default: object = REQUIRED  # REQUIRED, None for optional, or the resolved value
    only: tuple[str, ...] = ()  # (key, value) in its section: needed with it, refused without (then `default`)
    derivable: bool = False  # may be left out although `only` applies; `checks` derives it, or nothing needs it
    predicts: bool = True  # whether a prediction depends on it

    @property
    def field(self) -> str:
        """Name in the dataclass: the key with its SI unit."""
        return self.name + _SUFFIX[self.si]

    @property
    def allowed(self) -> str:
        """The allowed values in words."""
        if self.kind == "choice":
            return " | ".join(self.choices)
        if self.kind == "flag":
            return "true | false"
        if self.low == -INF:
            return ""
        if self.kind == "whole":
            return f"{self.low:.0f} to {self.high:.0f}" if self.high < 1e12 else f"{self.low:.0f} or more"
        text = f"{units.readable(self.low, self.shown)} to {units.readable(self.high, self.shown)}"
        return f'{text}, or "{AS_MUCH}"' if self.kind == "rate" else text


def _si(value: Any) -> Any:
    """A default or bound written as a quantity, in SI; anything else as it is."""
    if not isinstance(value, str):
        return value
    number, unit = units.split_quantity(value)
    return units.to_si(number, unit or units.UNITS["-"])


def q(name: str, low: str, high: str, example: str, about: str, kind: str = "quantity", **more) -> Key:
    """A quantity between two bounds; the unit of the bounds is the one told to people."""
    unit = units.split_quantity(low)[1]
    assert unit is not None, low
    more["default"] = _si(more.get("default", REQUIRED))
    return Key(name, kind, about, example, unit.si, unit.text, _si(low), _si(high), **more)


def n(name: str, low: float, high: float, example: str, about: str, kind: str = "number", **more) -> Key:
    """A plain number between two bounds."""
    return Key(name, kind, about, example, low=low, high=high, **more)


def whole(name: str, low: float, high: float, example: str, about: str, **more) -> Key:
    """A whole number between two bounds."""
    return n(name, low, high, example, about, "whole", **more)


def choice(name: str, choices: str, about: str, **more) -> Key:
    """One word out of a few, written "a|b|c"."""
    words = tuple(choices.split("|"))
    return Key(name, "choice", about, f'"{words[0]}"', choices=words, **more)


def flag(name: str, default: bool | None, about: str, **more) -> Key:
    """true or false; default None: not told."""
    return Key(name, "flag", about, str(bool(default)).lower(), default=default, **more)


def text(name: str, example: str, about: str, **more) -> Key:
    """A line of text."""
    return Key(name, "text", about, example, **more)


def texts(name: str, example: str, about: str, **more) -> Key:
    """A line of text, or a list of lines."""
    return Key(name, "texts", about, example, **more)
