"""One [[axis]] table: a config key and the values it takes, each checked as the config would check it."""

from dataclasses import dataclass
from decimal import Decimal

from ...base.quantities.units import UNITS, exact_text, in_unit, to_si
from ...base.reading.key import AS_MUCH, Key
from ...base.reading.values import Bad, convert, did_you_mean, show
from ...errors import Problem
from ...mill.cards.spec import MODEL
from ...mill.config.gather import model_key
from ...mill.config.schema import SECTIONS, find_key
from .record import Axis
from .spec import AXIS, AXIS_NAMES

_WORDS = ("choice", "flag", "text")
_LISTS = ("curve", "lengths", "shares", "texts")
_TEXT_KEYS = ("feed.material",)  # texts that change a prediction


@dataclass(frozen=True)
class Range:
    """An axis as written: its key, its values or its two ends, and what moves along with it."""

    key: str
    row: Key
    values: tuple  # SI or words; of a range the two ends
    count: int | None  # None: `values` are all there are
    geometric: bool
    along: dict[str, tuple]


class Axes:
    """Reads the [[axis]] tables of a sweep file and notes what is wrong with them."""

    def __init__(self, where: str):
        self.where, self.problems = where, []

    def say(self, place: str, message: str, allowed: str = "", hint: str = "") -> None:
        """Note a problem."""
        self.problems.append(Problem(self.where, place, message, allowed, hint))

    def read(self, tables: object, sampled: bool) -> list[Range]:
        """The axes that can be used; what is wrong with the others is in `problems`."""
        if not isinstance(tables, list) or not tables:
            hint = 'for example [[axis]], key = "stator.gap", values = ["1 mm", "2 mm"]'
            self.say("axis", "a sweep needs at least one [[axis]]", hint=hint)
            return []
        found = [self._axis(f"axis {i}", t, sampled) for i, t in enumerate(tables, start=1) if isinstance(t, dict)]
        ranges = [r for r in found if r is not None]
        seen: set[str] = set()
        for r in ranges:
            for key in (r.key, *r.along):
                if key in seen:
                    self.say(key, "is varied twice", hint="let one axis go, or let one move `along`")
                seen.add(key)
        return ranges

    def _axis(self, place: str, table: dict, sampled: bool) -> Range | None:
        before = len(self.problems)
        for name in table:
            if name not in AXIS_NAMES:
                guess = did_you_mean(name, AXIS_NAMES)
                self.say(f"{place}.{show(name)[1:-1]}", "unknown key", ", ".join(AXIS_NAMES), guess)
        key = table.get("key")
        if not isinstance(key, str):
            self.say(f"{place}.key", "is missing", hint='for example key = "stator.gap"')
            return None
        row = self.row(f"{place}.key", key)
        if row is None:
            return None
        plain = {}
        for spec in AXIS["axis"][1:]:
            plain[spec.name] = self._plain(f"{place}.{spec.name}", table, spec)
        values = self._values(place, table, row, plain["count"], sampled)
        along = self._along(place, table, len(values) if "values" in table else 0)
        if len(self.problems) > before:
            return None
        count = None if "values" in table else plain["count"] or 0
        return Range(key, row, values, count, plain["spacing"] == "geometric", along)

    def row(self, place: str, key: str) -> Key | None:
        """The row of a config key or model parameter that can be varied; None, and told, otherwise."""
        section, _, name = key.rpartition(".")
        if section == "model" and name in MODEL:
            return model_key(name)
        if key == "calibration.card":
            return Key("card", "text", "calibrated card", '"run.card.toml"')
        row = find_key(section, name)
        if row is None:
            known = [f"{s}.{k.name}" for s, keys in SECTIONS.items() for k in keys] + [f"model.{n}" for n in MODEL]
            self.say(place, f"{show(key)} is not a config key", hint=did_you_mean(key, known))
        elif section == "run":
            self.say(place, f"{key} says how to compute", hint="give it in [sweep] or in the config")
        elif row.kind in _LISTS or (row.kind == "text" and key not in _TEXT_KEYS) and row.predicts:
            self.say(place, f"{key} cannot be varied", hint="write two configs and sweep each")
        elif not row.predicts:
            self.say(place, f"no prediction depends on {key}")
        else:
            return row
        return None

    def _plain(self, place: str, table: dict, spec: Key) -> object:
        if spec.name not in table:
            return spec.default
        try:
            return convert(table[spec.name], spec)
        except Bad as bad:
            self.say(place, bad.message, bad.allowed, bad.hint)
            return spec.default

    def _values(self, place: str, table: dict, row: Key, count: int | None, sampled: bool) -> tuple:
        """All values, or the two ends of a range."""
        ends = [n for n in ("from", "to") if n in table]
        if "values" in table:
            if ends or count is not None:
                self.say(place, "has both values and a range", hint="give values, or from, to and count")
            raw = table["values"]
            if not isinstance(raw, list) or not raw:
                wrong = "is empty" if raw == [] else f"{show(raw)} is not a list"
                self.say(f"{place}.values", wrong, hint=f"for example values = [{row.example}]")
                return ()
            before = len(self.problems)
            values = tuple(self._one(f"{place}.values", x, row) for x in raw)
            if len(self.problems) == before and len(set(map(str, values))) < len(values):
                self.say(f"{place}.values", "holds a value twice")
            return values
        if len(ends) < 2 or (count is None and not sampled):
            what = "from and to" if sampled else "from, to and count"
            self.say(place, f"needs values, or {what}", hint=f"for example values = [{row.example}]")
            return ()
        if row.kind in _WORDS:
            self.say(place, f"{table['key']} has no range between words", row.allowed, "list them as values")
            return ()
        low, high = (self._one(f"{place}.{n}", table[n], row) for n in ("from", "to"))
        if isinstance(low, int | float) and isinstance(high, int | float):
            self._range(place, table, low, high, row)
        return (low, high)

    def _range(self, place: str, table: dict, low: float, high: float, row: Key) -> None:
        if low == high:
            self.say(place, "from and to are the same")
        if table.get("spacing") == "geometric" and (row.si == "K" or low <= 0.0 or high <= 0.0):
            self.say(f"{place}.spacing", "geometric steps need values above zero, and no temperatures", hint='"linear"')
        count = table.get("count")
        if row.kind == "whole" and isinstance(count, int) and count > 1:
            steps = spread(Range("", row, (low, high), count, table.get("spacing") == "geometric", {}), snapped=False)
            if any(abs(x - round(x)) > 1e-9 for x in steps):
                message = f"{table['key']} takes whole numbers, which these steps are not"
                self.say(place, message, hint="list the values")

    def _one(self, place: str, raw: object, row: Key) -> object:
        """One value, in SI or as a word; 0.0, and told, when it cannot be."""
        try:
            value = convert(raw, row)
        except Bad as bad:
            self.say(place, bad.message, bad.allowed, bad.hint)
            return 0.0
        if value == AS_MUCH:
            self.say(place, f'"{AS_MUCH}" is not a point between rates', hint='put "feed.rate" into [set] instead')
        return str(value).lower() if isinstance(value, bool) else value

    def _along(self, place: str, table: dict, count: int) -> dict[str, tuple]:
        """Keys that move with the axis, value by value."""
        raw = table.get("along", {})
        if not isinstance(raw, dict):
            example = 'along = { "sieve.pitch" = ["1.6 mm", "2 mm"] }'
            self.say(f"{place}.along", f"{show(raw)} is not a table", hint=f"for example {example}")
            return {}
        found = {}
        for key, values in raw.items():
            row = self.row(f"{place}.along", key)
            if row is None:
                continue
            if row.kind in _WORDS:
                self.say(f"{place}.along", f"{key} takes words; only numbers can move along", hint="make it an axis")
                continue
            if not isinstance(values, list) or len(values) != count:
                need = f"{count} values, one for each of the axis" if count else "the axis to list its values"
                self.say(f"{place}.along", f"{key} needs {need}")
                continue
            found[key] = tuple(self._one(f"{place}.along", x, row) for x in values)
        return found


def spread(r: Range, snapped: bool = True) -> tuple:
    """The values of a range with a count, in SI."""
    import numpy as np

    make = np.geomspace if r.geometric else np.linspace
    values = make(r.values[0], r.values[1], r.count).tolist()
    return tuple(snap(x, r.row) for x in values) if snapped else tuple(values)


def at_shares(r: Range, u) -> tuple:
    """Values of an axis at shares u (N,) of its range, or of its list."""
    import numpy as np

    if r.count is None:
        return tuple(r.values[k] for k in np.minimum((u * len(r.values)).astype(int), len(r.values) - 1))
    low, high = r.values
    if r.row.kind == "whole":  # every whole number as often as any other
        return tuple(np.minimum(low + np.floor(u * (high - low + 1)), high).astype(int).tolist())
    x = low * (high / low) ** u if r.geometric else low + (high - low) * u
    return tuple(snap(v, r.row) for v in x.tolist())


def snap(x: float, row: Key) -> float | int:
    """The nearest value that people can write: 12 digits in the unit of the key, so that 9000 rpm is 9000 rpm."""
    if row.kind == "whole":
        return round(x)
    if row.si == "-":
        return float(f"{x:.12g}")
    unit = UNITS[row.shown]
    return to_si(Decimal(f"{in_unit(x, unit):.12g}"), unit)


def text_of(key: str, value: object, row: Key) -> str:
    """A setting as an override: section.key=value."""
    if isinstance(value, str):
        return f"{key}={value if row.kind == 'flag' else chr(34) + value + chr(34)}"
    return f"{key}={value!r}" if row.si == "-" else f'{key}="{exact_text(value, row.shown)}"'


def axis_of(r: Range, values: tuple, picks=None) -> Axis:
    """The axis of the record. picks (N,): which of the listed values each point of a sampled design takes."""
    along = {k: v if picks is None else tuple(v[i] for i in picks) for k, v in r.along.items()}
    unit = "1" if r.row.si == "-" else r.row.si
    return Axis(r.key, values, unit, r.row.shown, r.row.about, along)
