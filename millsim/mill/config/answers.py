"""What a builder types for a key, understood: any unit, a bare number, a range, "about", several words, "don't know".

An answer is what goes into the config: a value, and where it is a guess, its range or the words it may be.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from math import log, sqrt
from typing import Any

from ...base.quantities import units
from ...base.quantities.units import UnitError, readable
from ...base.reading.key import AS_MUCH, AS_MUCH_BEFORE, Key
from ...base.reading.sieves import mesh_to_m
from ...base.reading.toml import toml_value
from ...base.reading.values import Bad, convert, show
from .. import cards
from .guessed import guessable, spelt
from .questions import PLASTICS, QUESTIONS, Values, guess_of
from .schema import key_row

UNKNOWN = ("?", "don't know", "dont know", "don’t know", "unknown", "no idea")
FROM_HAND, USUAL, GUESS = "told", "usual", "guessed"
ABOUT = 0.2  # what "about" leaves open either way (assumed)
SPREAD = 2.0 * 1.6449  # standard deviations from 5 to 95 % by mass: what "2 to 6 mm" is taken for
_ABOUT = re.compile(r"^(?:about|approx\.?|approximately|roughly|around|ca\.?|~)\s*(?=[\d.])", re.I)
_RANGE = re.compile(
    r"^\s*(?:from\s+)?([\d.,]+)\s*([^\d\s-][^\d]*?)?\s*(?:\bto\b|\.\.+|…|–|—|-)\s*([\d.,]+\s*.*)$", re.I
)
_ACROSS = re.compile(r"^\s*(?:d|dia\.?|diameter|ø|⌀|Ø)\s*=?\s*(?=[\d.])|\s+across\s*$", re.I)
_HANDFUL = re.compile(r"^\s*(.+?)\s+(?:every|each|per handful,? every)\s+(.+)$", re.I)
_YES, _NO = ("yes", "true", "on"), ("no", "false", "off")


@dataclass(frozen=True)
class Answer:
    """A key of the config to be written. raw: as in TOML; guess: [low, high], or the words, as in TOML; how: one of
    FROM_HAND, USUAL, GUESS, or the file it is taken from; said: how it was understood, where that is worth a word.
    """

    key: str
    raw: Any
    value: Any
    guess: tuple[Any, ...] = ()
    how: str = FROM_HAND
    said: str = ""


def row_of(key: str) -> Key:
    """The row of a key, whatever its section."""
    section, _, name = key.rpartition(".")
    return key_row(section, name)


def is_unknown(text: str) -> bool:
    """Whether a text says that nobody knows."""
    return " ".join(text.casefold().split()) in UNKNOWN


def understood(key: str, text: str, known: Values) -> list[Answer]:
    """The answers that a text gives to a question; none where the key is to be left out. Raises Bad.

    known: SI values of the keys answered so far.
    """
    text = " ".join(text.split())
    if is_unknown(text):
        return dont_know(key, known)
    if key == "feed.size":
        return _feed_size(text)
    if key == "feed.rate" and (hand := _HANDFUL.match(text)):
        return [_one("feed.handful", hand[1]), _one("feed.every", _with_number(hand[2]))]
    if key == "feed.rate" and text.casefold() in ("all", "full", "fast", AS_MUCH, AS_MUCH_BEFORE):
        return [Answer(key, AS_MUCH, AS_MUCH)]
    if key == "rotor.radius" and _ACROSS.search(text):
        return [_halved(_any(key, _ACROSS.sub("", text)))]
    return [_any(_meant_key(key, text), text)]


def _meant_key(key: str, text: str) -> str:
    """The key that the unit of an answer names: a speed in m/s is the tips', a sieve may be told by angle or share."""
    other = {
        ("drive.speed", "m/s"): "drive.tip_speed", ("sieve.area", "rad"): "sieve.angle",
        ("sieve.area", "-"): "sieve.share",
    }  # fmt: skip
    return other.get((key, si_of(re.split(r"\bto\b|\.\.+|–|—", text)[-1].strip())), key)


def si_of(text: str) -> str:
    """The SI unit of what a text is measured in; "" where it has no unit, or one that is not known."""
    text = _ABOUT.sub("", text)
    for way in (text, *(t for _, t in units.rewritten(text))):
        try:
            unit = units.split_quantity(way)[1]
        except UnitError:
            continue
        return unit.si if unit is not None else ""
    return ""


def is_range(text: str) -> bool:
    """Whether a number is told as a range, or as "about"."""
    return bool(_RANGE.match(text) or _ABOUT.match(text))


def _any(key: str, text: str) -> Answer:
    """One value, or a guess of one's own: a range, "about", several words."""
    row = row_of(key)
    if row.kind in ("quantity", "number", "whole"):
        if found := _RANGE.match(text):
            return _between(key, found[1], (found[2] or "").strip(), found[3])
        if _ABOUT.match(text):
            return _about(_one(key, _ABOUT.sub("", text)))
        return _one(key, text)
    words = [w for w in re.split(r"\s*(?:,|/|\bor\b)\s*", text) if w]
    if len(words) > 1 and (row.kind == "choice" or key == "feed.material"):
        return _words(key, words)
    return _one(key, text)


def _between(key: str, low: str, unit: str, high: str) -> Answer:
    row = row_of(key)
    if not unit:
        last = re.sub(r"^[\d.,\s]+", "", high)
        unit = last
    ends = [_one(key, f"{low} {unit}".strip()), _one(key, high)]
    if not ends[0].value < ends[1].value:
        raise Bad("the range does not ascend", row.allowed, "the smaller value first")
    a, b = (e.value for e in ends)
    middle = sqrt(a * b) if a > 0.0 and row.si != "K" else 0.5 * (a + b)
    return _guess(key, middle, (ends[0].raw, ends[1].raw))


def _about(a: Answer) -> Answer:
    row = row_of(a.key)
    if isinstance(a.value, bool) or not isinstance(a.value, int | float):
        raise Bad("`about` goes with a number", row.allowed)
    ends = (a.value - 10.0, a.value + 10.0) if row.si == "K" else (a.value * (1 - ABOUT), a.value * (1 + ABOUT))
    return _guess(a.key, a.value, tuple(written(row, x) for x in _within(row, *ends)))


def _guess(key: str, value: float, ends: tuple[Any, Any]) -> Answer:
    """A number with its range, where the key may be guessed."""
    if not guessable(key):
        raise Bad("this cannot be left open", "", "decide it, or look: " + measure(key))
    row = row_of(key)
    raw = written(row, value)
    return Answer(key, raw, convert(raw, row), ends, GUESS)


def _words(key: str, words: list[str]) -> Answer:
    if not guessable(key):
        raise Bad("this cannot be left open: other questions depend on it", row_of(key).allowed, measure(key))
    found = [_one(key, w) for w in words]
    return Answer(key, found[0].raw, found[0].value, tuple(a.raw for a in found), GUESS)


def measure(key: str) -> str:
    """How a key is found out."""
    return QUESTIONS[key].measure if key in QUESTIONS else ""


def _halved(a: Answer) -> Answer:
    """The radius of a diameter."""
    row = row_of(a.key)
    ends = tuple(written(row, 0.5 * convert(g, row)) for g in a.guess)
    value = 0.5 * a.value
    return Answer(a.key, written(row, value), value, ends, a.how, f"a radius of {readable(value, row.shown)}")


def _feed_size(text: str) -> list[Answer]:
    """A single size, two sizes that most of it lies between, or the file of a sieving."""
    if re.search(r"\.(csv|tsv|txt)$", text, re.I):
        kind, sheet = Answer("feed.size.kind", "sieve_sheet", "sieve_sheet"), _one("feed.size.sheet", text)
        return [kind, sheet]
    if found := _RANGE.match(text):
        a = _between("feed.size.x50", found[1], (found[2] or "").strip(), found[3])
        low, high = (convert(g, row_of("feed.size.x50")) for g in a.guess)
        sigma = round(max(0.01, log(high / low) / SPREAD), 3)
        said = f"half of it finer than {a.raw}; 5 % finer than the smaller, 5 % coarser than the larger"
        kind = Answer("feed.size.kind", "lognormal", "lognormal", said=said)
        return [kind, Answer(a.key, a.raw, a.value), Answer("feed.size.sigma", sigma, sigma)]
    return [Answer("feed.size.kind", "single", "single"), _any("feed.size.size", text)]


def dont_know(key: str, known: Values) -> list[Answer]:
    """What is written where nobody knows: the usual value with a wide range, or all that it may be. Raises Bad."""
    if key == "feed.size":
        return [Answer("feed.size.kind", "single", "single"), *dont_know("feed.size.size", known)]
    if key == "feed.rate":
        return [Answer(key, AS_MUCH, AS_MUCH, said=f"fed {AS_MUCH}")]
    row = row_of(key)
    if key == "feed.material":
        return [Answer(key, PLASTICS[0], PLASTICS[0], PLASTICS, GUESS, said="any of the plastics there are cards of")]
    if row.default is None and (not guessable(key) or key not in ASKED_USUAL or usual(key, known) is None):
        return []
    if not guessable(key):
        hint = f"{measure(key)}; an empty line takes the usual"
        raise Bad("this one decides what else is asked, so it cannot be guessed", row.allowed, hint)
    if row.kind in ("choice", "flag"):
        words = row.choices if row.kind == "choice" else (True, False)
        value = usual(key, known)
        return [Answer(key, value, value, tuple(words), GUESS)]
    value = usual(key, known)
    ends = _within(row, *guess_of(key, value))
    return [
        Answer(key, written(row, value), convert(written(row, value), row), tuple(written(row, x) for x in ends), GUESS)
    ]


# Keys with a default that is no value, which are asked for all the same: a guess is better than nothing.
ASKED_USUAL = (
    "sieve.pitch", "sieve.wire", "sieve.thread", "sieve.thickness", "sieve.area", "drive.speed", "drive.tip_speed",
    "rotor.hammer_mass", "rotor.pivot_radius", "feed.size.size", "stator.free_length",
)  # fmt: skip


def usual(key: str, known: Values) -> Any:
    """The usual value [SI], rounded as people say it: by the answers so far, else the schema's example."""
    if key == "feed.size":
        return usual("feed.size.size", known)
    row, q = row_of(key), QUESTIONS.get(key)
    value = q.usual(known) if q and q.usual else None
    if value is None and q and q.usual and key != "stator.free_length":
        return None
    if value is None:
        value = convert(_example(row), row)
    if row.kind in ("quantity", "number") and isinstance(value, float):
        value = min(max(value, row.low), row.high)
        value = convert(written(row, value), row)
    return value


def _example(row: Key) -> Any:
    """The example of a row as TOML reads it."""
    return toml_value(row.example)


def written(row: Key, value: float) -> Any:
    """A number as people write it in a config, to two or three digits."""
    if row.kind == "whole":
        return round(value)
    if row.si == "-":
        return float(f"{value:.3g}")
    text = readable(value, row.shown) if row.si == "K" else _short(value, row.shown)
    return text.replace("degC", "°C")


def _short(value: float, unit: str) -> str:
    number = f"{units.in_unit(value, units.UNITS[unit]):.3g}"
    return f"{float(number):.10g} {unit}"


def _within(row: Key, low: float, high: float) -> tuple[float, float]:
    """A range within what the key may be; of whole numbers at least one apart."""
    low, high = max(low, row.low), min(high, row.high)
    if row.kind == "whole":
        low, high = max(row.low, round(low)), max(round(low) + 1, round(high))
    return low, high


def _with_number(text: str) -> str:
    return text if re.match(r"[\d.]", text) else f"1 {text}"


def _one(key: str, text: str) -> Answer:
    """A single value of a key of the config, however it is written."""
    return _material(key, text) if key == "feed.material" else one(key, text, row_of(key))


def one(key: str, text: str, row: Key) -> Answer:
    """A single value for a row of any table of keys, however it is written. Raises Bad."""
    if row.kind == "choice":
        word = _prefix(text, row.choices)
        return Answer(key, word, convert(word, row))
    if row.kind == "flag":
        return _flag(key, text)
    if row.kind in ("text", "texts"):
        return Answer(key, text, convert(text, row))
    if row.kind == "whole":
        raw = int(text) if re.fullmatch(r"[+-]?\d+", text) else text
        if isinstance(raw, str):
            raise Bad(f"{show(raw)} is not a whole number", row.allowed, f"for example {row.example}")
        return Answer(key, raw, convert(raw, row))
    return _number(key, text, row)


def _number(key: str, text: str, row: Key) -> Answer:
    """A number, with the first of its readings that lies within the key's bounds; else what is wrong with it."""
    for way in _ways(text, row):
        try:
            raw = _plain(way) if row.si == "-" and row.kind == "number" else way
            value = convert(raw, row)
        except (Bad, UnitError):
            continue
        number, unit = units.split_quantity(way)
        if row.si != "-" and unit is not None:
            raw = f"{number} {unit.text}".replace("degC", "°C")
        said = f"that is {raw}" if way.replace(" ", "") not in (text.replace(" ", ""), _bare(text, row)) else ""
        return Answer(key, raw, value, said=said)
    if (known := units.foreign(text)) and known[1].si == row.si:
        text = units.converted(*known, row.shown).replace("°C", "degC")
    raw = f"{text} {row.shown}" if re.fullmatch(r"[+-]?[\d.]+", text) and row.si != "-" else text
    convert(raw if row.si != "-" else _plain(text), row)  # says what is wrong
    raise Bad(f"{show(text)} cannot be read", row.allowed, f"for example {row.example}")


def _bare(text: str, row: Key) -> str:
    return f"{text}{row.shown}".replace(" ", "")


def _plain(text: str) -> Any:
    """A plain number, or a share written in per cent."""
    try:
        number, unit = units.split_quantity(text)
    except UnitError:
        return text
    return units.to_si(number, unit) if unit is not None and unit.si == "-" else float(number) if unit is None else text


def _ways(text: str, row: Key) -> Iterator[str]:
    """The readings of a number: as it stands, with the unit asked, with a decimal comma, in a foreign unit, as mesh."""
    texts = [text, *(t for _, t in units.rewritten(text))]
    for t in texts:
        if re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)", t):
            yield t if row.si == "-" else f"{t} {row.shown}"
        else:
            yield t
        known = units.foreign(t)
        if known and known[1].si == row.si:
            yield units.converted(*known, row.shown).replace("°C", "degC")
    if row.si == "m" and "mesh" in text.casefold():
        try:
            yield readable(mesh_to_m(text), row.shown)
        except KeyError:
            return


def _prefix(text: str, choices: tuple[str, ...] | list[str]) -> str:
    """The one choice that a text begins, or is a word of; the text itself where there is none."""
    word = text.casefold()
    plain = {c: c.casefold() for c in choices}
    found = [c for c, p in plain.items() if p == word] or [c for c, p in plain.items() if p.startswith(word)]
    found = found or [c for c, p in plain.items() if word in p.split()]
    if len(found) > 1:
        raise Bad(f"{show(text)} may be {' or '.join(found)}", " | ".join(choices))
    return found[0] if found else text


def _flag(key: str, text: str) -> Answer:
    word = _prefix(text, [*_YES, *_NO])
    raw = True if word in _YES else False if word in _NO else text
    if isinstance(raw, str):
        raise Bad(f"{show(text)} is not yes or no", "yes | no")
    return Answer(key, raw, raw)


def _material(key: str, text: str) -> Answer:
    if cards.is_path(text):
        return Answer(key, text, text)
    name = _prefix(cards.shipped_name(text), cards.list_materials())
    if name not in cards.list_materials():
        hint = cards.meant_card(text) + "; " if cards.meant_card(text) else ""
        hint += (
            "`?` says how to find out; `millsim materials` lists the cards, and a path to a .toml file is a card too"
        )
        raise Bad(f"there is no card named {show(text)}", ", ".join(cards.list_materials()), hint)
    return Answer(key, name, name)


def told(a: Answer) -> str:
    """An answer as it is shown: "3 mm", "2 mm to 5 mm", "blunt or bevelled"."""
    if not a.guess:
        return {True: "yes", False: "no"}.get(a.raw, str(a.raw)) if isinstance(a.raw, bool) else str(a.raw)
    if row_of(a.key).kind in ("quantity", "number", "whole"):
        return f"{a.raw}, {a.guess[0]} to {a.guess[1]}"
    return " or ".join(spelt(g) for g in a.guess)
