"""The [guessed] table of a config: keys that nobody measured, each with the range or the words it may have.

A guess is a parameter with a range, not a fact: it becomes a `Param` of basis "guessed", drawn like those of the cards.
The value in the key's own section is the likeliest. What the mill is with another value is read anew from the config's
own readings (`Guesses.at`), so that all that follows from a key follows here too.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ...base.quantities.params import GUESSED, ONE_OF, Param
from ...base.quantities.units import readable
from ...base.reading.key import Key
from ...base.reading.tables import Tables
from ...base.reading.toml import flat
from ...base.reading.values import Bad, convert, did_you_mean, show
from ...errors import InputError
from .. import cards
from .schema import ALTERNATIVES, SAME, SECTIONS, find_key

_RANGES = ("quantity", "number", "whole")
# What is a wish or a setting, or decides which other keys there are: looked up, not guessed.
_DECIDED = {
    "feed.handful", "feed.every", "rotor.edge_radius", "rotor.edge_radius_error",
    "feed.rate", "feed.batch_mass", "feed.batch_time", "feed.size.n", "feed.size.sigma", "drive.kind",
    "drive.regulated", "drive.dial_step",
}  # fmt: skip
EXCHANGED = ("feed.material", "rotor.edge")  # another card, or the numbers of another edge: the mill itself is the same
_INSTEAD = {
    "rotor.edge_radius": "leave it out: the card of the model has a wide range",
    "drive.regulated": "leave it out: the speed under load is then taken from a wide range",
    "feed.size.n": "guess feed.size.x63",
    "feed.size.sigma": "guess feed.size.x50",
    "drive.dial_step": "give drive.speed and guess that",
}


def guessable(key: str) -> bool:
    """Whether a key of a config may be guessed: a prediction depends on it, and no other key hangs on it."""
    section, _, name = key.rpartition(".")
    row = find_key(section, name)
    if row is None or not row.predicts or key in _DECIDED or section in ("mill", "limits", "run"):
        return False
    selects = any(k.only and k.only[0] == name for k in SECTIONS[section])
    return not selects and (row.kind in (*_RANGES, "choice", "flag") or key == "feed.material")


def read_guessed(r: Tables, own: Mapping[str, object]) -> tuple[Param, ...]:
    """The guesses of a config as parameters, every problem noted. own: keys that the file gives, before overrides."""
    table = r.tables.get("guessed")
    found = []
    for key, raw in flat(table).items() if isinstance(table, dict) else ():
        if key in r.overridden or _replaced(r, key, own):
            continue  # told on the command line: no longer a guess
        if p := _guess(r, key, raw):
            found.append(p)
    return tuple(found)


def _replaced(r: Tables, key: str, own: Mapping[str, object]) -> bool:
    """Whether an override has taken the place of a key, or made it inapplicable."""
    return key in own and key not in r.given and bool(r.overridden)


def _guess(r: Tables, key: str, raw: object) -> Param | None:
    dotted = f"guessed.{key}"
    if not guessable(key):
        names = [f"{s}.{k.name}" for s, keys in SECTIONS.items() for k in keys]
        known = key in names
        hint = _INSTEAD.get(key, "look it up, or decide it") if known else did_you_mean(key, names)
        r.say(dotted, "cannot be guessed" if known else "unknown key", "", hint)
        return None
    section, _, name = key.rpartition(".")
    row, value = find_key(section, name), r.values.get(key)
    assert row is not None
    if value is None and key not in r.given:
        r.say(dotted, f"{key} itself is not given", "", f"give the likeliest value in [{section}]")
    if value is None:
        return None
    source = f"guessed in {Path(r.where).name}"
    try:
        return _range(row, key, value, raw, source) if row.kind in _RANGES else _words(row, key, value, raw, source)
    except Bad as bad:
        r.say(dotted, bad.message, bad.allowed, bad.hint)
        return None


def _range(row: Key, key: str, value: float, raw: object, source: str) -> Param:
    if not isinstance(raw, list) or len(raw) != 2:
        raise Bad(f"{show(raw)} is not a range of two values", "[low, high]", f"for example [{row.example}, ...]")
    low, high = (convert(x, row) for x in raw)
    if not low < high:
        raise Bad("the range does not ascend", "[low, high]", "the smaller value first")
    if not low <= value <= high:
        raise Bad(f"the value of {key} lies outside its own range", "", "widen the range, or change the value")
    scale = "log" if low > 0.0 and row.kind == "quantity" and row.si != "K" else "linear"
    return Param(key, float(value), row.si, float(low), float(high), GUESSED, source, scale)


def _words(row: Key, key: str, value: object, raw: object, source: str) -> Param:
    """What else a choice may be: an index, with the value itself in the middle, as a draw of one half has it."""
    if not isinstance(raw, list) or len(raw) < 2:
        raise Bad(f"{show(raw)} is not a list of what it may be", "a list of at least two", "")
    given = [_card(x, row) if key == "feed.material" else convert(x, row) for x in raw]
    words = [spelt(x) for x in dict.fromkeys(given)]
    own = spelt(value)
    if own not in words:
        raise Bad(f"{key} is {own}, which is not in the list", "", "put it in, too")
    words.remove(own)
    middle = (len(words) + 1) // 2
    words.insert(middle, own)
    note = " | ".join(words)
    return Param(key, float(middle), "-", 0.0, float(len(words) - 1), GUESSED, source, ONE_OF, note)


def _card(raw: object, row: Key) -> str:
    name = convert(raw, row)
    try:
        cards.load_material(name)
    except InputError as error:
        p = error.problems[0]
        raise Bad(p.message, p.allowed, p.hint) from None
    return cards.shipped_name(name)


def spelt(value: object) -> str:
    """A choice, a flag or the name of a card as one word."""
    return str(value).lower() if isinstance(value, bool) else str(value)


@dataclass(frozen=True)
class Guesses:
    """The guesses of one config, and the reading behind it, from which a mill with other values is read."""

    parameters: tuple[Param, ...]
    settled: Callable[[Mapping[str, object]], Any]  # the config's reading with other values of keys
    config: Callable[[Any], Any]  # the config of such a reading

    def at(self, values: Mapping[str, float]) -> Any:
        """Config with other values of guesses {key: SI, or index of a choice}, unnamed.

        Values that contradict each other are drawn towards those of the config, by halves.
        """
        known = {p.name: p for p in self.parameters}
        for share in (1.0, 0.5, 0.25, 0.125, 0.0):
            taken = {n: known[n].value + share * (v - known[n].value) for n, v in values.items() if n not in EXCHANGED}
            found = self.settled({n: _raw(known[n], x) for n, x in taken.items()})
            if not found.problems:
                break
        return self.config(found)

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """(key, what is wrong) where a guess by itself, at an end of its range, contradicts the rest of the config."""
        for p in self.parameters:
            for end in dict.fromkeys((p.low, p.high)) if p.scale != ONE_OF else ():
                if problems := self.settled({p.name: _raw(p, end)}).problems:
                    row = find_key(*p.name.rpartition(".")[::2])
                    at = readable(end, row.shown) if row else f"{end:g}"
                    yield p.name, f"reaches {at}, where {problems[0].key} {problems[0].message}"
                    break


def _raw(p: Param, value: float) -> object:
    """A drawn value as the reading holds it: a whole number, a word, a flag."""
    row = find_key(*p.name.rpartition(".")[::2])
    if p.scale == ONE_OF:
        word = p.note.split(" | ")[round(value)]
        return word == "true" if row is not None and row.kind == "flag" else word
    return round(value) if row is not None and row.kind == "whole" else float(value)


def without(parameters: tuple[Param, ...], keys: Mapping[str, object]) -> tuple[Param, ...]:
    """Guesses but those of keys that are set, or whose alternative is."""
    if not parameters:
        return ()
    gone = set(keys)
    alike = [(section, [n for g in groups for n in g]) for section, groups, _ in ALTERNATIVES]
    for section, named in (*alike, *SAME.items()):
        names = {f"{section}.{n}" for n in named}
        gone |= names if gone & names else set()
    return tuple(p for p in parameters if p.name not in gone)
