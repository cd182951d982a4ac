"""Mills side by side, for people and for programs."""

from collections.abc import Mapping, Sequence
from math import isfinite, isnan, nan
from string import ascii_uppercase
from types import MappingProxyType

import numpy as np

from ...base.quantities.units import readable, spelling_for
from ...base.quantities.written import Shown, digits, join_words, table, wrap
from ...explore.beside.mills import COMPARED, WINDOW, Against, Beside, Mill
from ...explore.choose.changes import key_words
from ...mill.cards.calibrated import BOTH
from ...mill.config.schema import key_row
from ...record.limits import shown_status
from ...record.outputs import figure, output_of
from ...record.prediction import Prediction
from .short import MOST_COLUMNS, Short, said, table_part

_TIMES = {
    "throughput_kg_s": "{} times the powder",
    "x50_m": "x50 {} times as large",
    "gross_J_kg": "{} times the energy per kilogram",
}
_ALIKE = {  # where that is 1 to the digits told
    "throughput_kg_s": "as much powder",
    "x50_m": "x50 the same",
    "gross_J_kg": "as much energy per kilogram",
}


MOST = 3  # settings that differ, told in short
_HEADS = {"throughput_kg_s": "rate", "gross_J_kg": "energy", "outlet_temperature_K": "outlet"}  # heads of columns


def letters(a: Beside) -> list[str]:
    """A letter for each mill."""
    return list(ascii_uppercase[: len(a.mills)])


def beside_text(a: Beside) -> str:
    """The answer for people."""
    count = len(a.mills)
    lines = [_lead(count)]
    lines += [line for i, m in zip(letters(a), a.mills, strict=True) for line in wrap(f"{i}: {_name(m)}")]
    differing = _differing(a, a.differ)
    lines += ["", *differing, *([""] if differing else []), *_table(a)]
    lines += ["", *wrap(failing)] if (failing := _failing(a)) else []
    if a.against:
        lines.append("")
        lines += [line for s in sentences(a) for line in wrap(s)]
    return "\n".join(lines) + "\n"


def beside_short(a: Beside) -> Short:
    """What they differ in, what each gives, and how sure the differences are; of many mills without the bands."""
    count = len(a.mills)
    told = [said(_lead(count))]
    told += [said(f"{i}: {_name(m)}", 1) for i, m in zip(letters(a), a.mills, strict=True)]
    wide = max(map(len, _table(a))) > MOST_COLUMNS
    told += [table_part(_by_mill(a) if wide else _table(a), 1), said(_failing(a), 1)]
    differing = _differing(a, a.differ[:MOST])
    told += [table_part(differing, 3)] if max(map(len, differing), default=0) <= MOST_COLUMNS else []
    told += [said(s, n) for n, s in enumerate(sentences(a) if a.against else (), start=2)]
    return Short(tuple(told), "every setting that differs, all bands and differences, all cautions")


def _lead(count: int) -> str:
    return f"{count} mills side by side, each set against A." if count > 1 else "One mill, with nothing beside it."


def _by_mill(a: Beside) -> list[str]:
    """A line for each mill: its outputs, what limits it, how many checks of the review fail."""
    rows = []
    for i, m in zip(letters(a), a.mills, strict=True):
        found = [figure(m.prediction.main.scalars, key) if m.prediction.runs else None for key in COMPARED]
        reviewed = m.prediction.reviewed
        rows.append([i, *(f.text if f else "-" for f in found), m.prediction.binding,
                     "-" if reviewed is None else str(len(reviewed.fails))])  # fmt: skip
    if a.window_m:
        rows = [
            [*row[:-2], _window((w[0], float("nan"), float("nan"))), *row[-2:]]
            for row, w in zip(rows, a.windows, strict=True)
        ]
    heads = [_HEADS.get(key, output_of(key).short) for key in COMPARED] + (["in window"] if a.window_m else [])
    return table(["", *heads, "limited by", "checks failed"], rows)


def _name(m: Mill) -> str:
    p = m.prediction
    return f"{p.mill_name} ({m.source}): {shown_status(p.status)}"


def _differing(a: Beside, kept: Sequence) -> list[str]:
    if not a.differ:
        same = "Nothing in them differs that a prediction or the review depends on."
        return [same] if len(a.mills) > 1 else []
    rows = [(key_words(key), *(_value(key, v) for v in values)) for key, values in kept]
    return table(["what differs", *letters(a)], rows, kinds="l" * (1 + len(a.mills)))


def _value(key: str, value: object) -> str:
    if value is None or value == ():
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return f"{len(value)} values"
    if not isinstance(value, int | float):
        return str(value)
    section, _, name = key.rpartition(".")
    if section in ("material", "model"):
        return readable(value, spelling_for(value, BOTH[name].unit))
    row = key_row(section, name)
    if row.si != "-":
        return readable(float(value), row.shown)
    return digits(value, 4) if isinstance(value, float) else str(value)


def _table(a: Beside) -> list[str]:
    rows = []
    for key in COMPARED:
        found = [figure(m.prediction.main.scalars, key) if m.prediction.runs else None for m in a.mills]
        if any(found):
            rows.append((output_of(key).short, *(_with_band(f) if f else "-" for f in found)))
    if a.window_m:
        size = " to ".join(readable(x, "mm") for x in a.window_m)
        rows.append((f"share from {size}", *map(_window, a.windows)))
    rows.append(("what limits it", *(m.prediction.binding for m in a.mills)))
    rows.append(("review fails", *(_review(m) for m in a.mills)))
    return table(["", *letters(a)], rows, kinds="l" * (1 + len(a.mills)))


def _with_band(f: Shown) -> str:
    return f"{f.text} ({f.band})" if f.band else f.text


def _window(w: tuple[float, float, float]) -> str:
    value, low, high = (f"{100 * v:.0f}" for v in w)
    return f"{value} %" if isnan(w[1]) else f"{value} % ({low} to {high})"


def _failing(a: Beside) -> str:
    """Which checks of the review fail, each with the mills that fail it; "" where none does."""
    by: dict[str, list[str]] = {}
    for i, m in zip(letters(a), a.mills, strict=True):
        for name in m.prediction.reviewed.fails if m.prediction.reviewed else ():
            by.setdefault(name, []).append(i)
    named = [f"{name} ({join_words(of)})" for name, of in by.items()]
    return f"The review fails {'; '.join(named)}." if named else ""


def _review(m: Mill) -> str:
    r = m.prediction.reviewed
    if r is None:
        return "not kept"
    fails = f"{len(r.fails)} checks" if len(r.fails) > 1 else "".join(r.fails) or "none"
    return f"{fails}; {len(r.unchecked)} not checked" if r.unchecked else fails


def sentences(a: Beside) -> list[str]:
    """How each mill stands to the first, by the draws that they share."""
    (own, *mills), told = (m.prediction for m in a.mills), []
    for i, x, p in zip(letters(a)[1:], a.against, mills, strict=True):
        if ends := [name for name, one in (("A", own), (i, p)) if one.too_little]:
            told.append(f"{i} against A: nothing to compare, for the batch of {join_words(ends)} ends at once.")
            continue
        told.append(_sentence(i, x, a.draws, _central(own, p) if own.runs and p.runs else {}))
    shared = f"Bands: 80 % of {a.draws} draws that the mills share; the model's own error as far as they are alike."
    return [*told, shared]


def _central(own: Prediction, p: Prediction) -> dict[str, float]:
    """How the figures of a mill stand to those of the first one as the table has them."""
    first, s = own.main.scalars, p.main.scalars
    return {k: s[k].value / first[k].value for k in _TIMES if first[k].value}


def _sentence(i: str, x: Against, draws: int, central: Mapping[str, float] = MappingProxyType({})) -> str:
    """central: how the figures of the table stand to each other; without them the middle of the draws is told."""
    if not x.times:
        return f"{i} against A: there is no draw in which both run."
    where, of, parts = "", "draws", []
    if x.both < draws:
        where, of = f" (both run in {x.both} of {draws} draws)", "these"
    for name in _TIMES:
        if name in x.times and all(map(isfinite, x.times[name])):
            low, middle, high = (digits(v, 2) for v in x.times[name])
            if isfinite(central.get(name, nan)):
                middle = digits(central[name], 2)
            more = f"; {_more(x, name)} of {of}" if name == "throughput_kg_s" else ""
            alike = float(middle) == 1.0
            words, times = (_ALIKE[name], " times") if alike else (_TIMES[name].format(middle), "")
            parts.append(f"{words} ({low} to {high}{times}{more})")
    if WINDOW in x.times:
        low, middle, high = (f"{100 * v:+.0f}" for v in x.times[WINDOW])
        parts.append(f"in the window {middle} points ({low} to {high})")
    return f"{i} against A{where}: {'; '.join(parts)}."


def _more(x: Against, name: str) -> str:
    """ "more in 66 %"; where it is the same in some draws, how often it is less too."""
    tied = x.more[name] + x.less[name] < 1.0 - 1e-9
    return f"more in {_percent(x.more[name])}{f' and less in {_percent(x.less[name])}' if tied else ''}"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def beside_json(a: Beside) -> dict:
    """The answer for programs, in SI."""
    mills = [
        {
            "letter": i,
            "source": m.source,
            "mill": m.prediction.mill_name,
            "status": m.prediction.status,
            "binding": m.prediction.binding,
            "config_sha256": m.prediction.config_sha256,
            "outputs": {k: _scalar(m, k) for k in COMPARED},
            "fails": list(m.prediction.reviewed.fails) if m.prediction.reviewed else None,
            "unchecked": list(m.prediction.reviewed.unchecked) if m.prediction.reviewed else None,
        }
        | ({"window": [_clean(v) for v in w]} if a.window_m else {})
        for i, m, w in zip(letters(a), a.mills, a.windows, strict=True)
    ]
    against = [
        {"times": {k: list(map(_clean, v)) for k, v in x.times.items()}, "more": x.more, "less": x.less, "both": x.both}
        for x in a.against
    ]
    differ = {key: [v if not isinstance(v, tuple) else list(v) for v in values] for key, values in a.differ}
    return {"status": "ok", "mills": mills, "differ": differ, "against_first": against, "draws": a.draws}


def _scalar(m: Mill, key: str) -> list[float | None]:
    s = m.prediction.main.scalars[key]
    return [_clean(v) for v in (s.value, s.low, s.high)]


def _clean(v: float) -> float | None:
    return None if isnan(v) or not np.isfinite(v) else float(v)
