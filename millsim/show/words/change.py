"""Which change is worth making first, for people and for programs."""

import shlex
from collections.abc import Sequence
from math import isfinite

from ...base.quantities.scalar import Scalar
from ...base.quantities.written import capital, decimals, digits, join_words, number, sentence, shown_unit, table, wrap
from ...explore.beside.change import COARSER, GOALS, LESS, SURE, Difference, Ranking, Step, values_of
from ...record.heatlimit import AT_LIMIT_K, celsius, heat_limit
from ...record.limits import LIMITS, TEMPERATURE, TRY_PREDICT
from ...record.outputs import output_of, shown
from ...studies.prebuild.people import DUST
from .changes import MORE_DUST
from .json import jsonable, picked
from .short import Short, said, table_part

BETTER = {
    "rate": "more powder", "x50": "a finer x50", "x90": "a finer x90", "outlet": "a cooler outlet",
    "energy": "less energy from the socket per kilogram",
}  # fmt: skip
_COLUMNS = ("throughput_kg_s", "x50_m", "gross_J_kg", "outlet_temperature_K")
MOST_ROWS, MOST_NAMED = 8, 3


def change_text(r: Ranking) -> str:
    """The whole answer for people."""
    if r.base is None:
        return "\n".join(wrap(_nothing(r))) + "\n"
    told = [_lead(r), "", *_table(r, r.steps), ""]
    texts = [_coarser(r, len(r.coarser)), _failing(r, len(r.failing)), _dear(r, len(r.steps)), *_notes(r)]
    return "\n".join([*wrap(told[0]), *told[1:], *(line for t in texts if t for line in wrap(t))]) + "\n"


def change_short(r: Ranking) -> Short:
    """What to change first, and what it rests on."""
    if r.base is None:
        return Short((said(_nothing(r)),))
    rows = _table(r, r.steps[:MOST_ROWS])
    parts = [said(_lead(r)), table_part(["", *rows, ""]) if r.steps else said("")]
    parts += [said(_coarser(r, MOST_NAMED), 2), said(_failing(r, MOST_NAMED), 1), said(_dear(r, MOST_NAMED), 1)]
    parts += [*(said(t, 1) for t in _notes(r))]
    more = len(r.steps) > MOST_ROWS or len(r.coarser) > MOST_NAMED or len(r.failing) > MOST_NAMED
    return Short(tuple(parts), "all changes that were tried, and all cautions" if more else "all cautions")


def _nothing(r: Ranking) -> str:
    return f"{capital(r.config.name)} gives nothing as it is, so no change can be ranked; {TRY_PREDICT}."


def _lead(r: Ranking) -> str:
    kinds = f"of {r.tried} kinds of change that a workshop can make"
    if not r.steps:
        text = f"{r.config.name}: {kinds} none by itself gives {BETTER[r.goal]} and passes the review"
        if r.goal == "outlet" and r.base is not None and r.base.outcome.binding == LIMITS[TEMPERATURE]:
            text += "; it is fed until its outlet is at the limit, so `--for rate` tells what more air or cold allows"
        return sentence(text)
    s, key = r.steps[0], GOALS[r.goal][0]
    was, now = (_figure(key, v[key]) for v in (values_of(r.base), s.values))  # type: ignore[arg-type]
    sure = s.difference is None or s.difference.better >= SURE
    first = "make this one first" if sure else "none is sure to help; the best by the plausible values"
    text = f"{r.config.name}: for {BETTER[r.goal]}, {kinds}, {first}: {s.words}"
    return sentence(f"{text}. {was} becomes {now}, {_effect(r, s)}")


def _effect(r: Ranking, s: Step) -> str:
    d = s.difference
    if d is None:
        return "without a band"
    amount = f"{_signed(-s.gain)} K" if r.kelvins else f"{digits(_factor(r, s), 3)} times"
    return f"{amount} (80 % band {_band(r, d)}; better in {100 * d.better:.0f} % of {d.both} shared draws)"


def _factor(r: Ranking, s: Step) -> float:
    """Of the two figures told, the later over the earlier."""
    return 1.0 / s.gain if GOALS[r.goal][1] < 0.0 else s.gain


def _band(r: Ranking, d: Difference) -> str:
    if r.kelvins:
        return f"{_signed(d.low)} to {_signed(d.high)}"
    return f"{digits(d.low, 3)} to {digits(d.high, 3)}"


def _signed(kelvins: float) -> str:
    return "0" if abs(kelvins) < 0.05 else f"{kelvins:+.1f}"


def _figure(key: str, value: float) -> str:
    return shown(key, Scalar(value, output_of(key).si, "")).text


def _table(r: Ranking, steps: Sequence[Step]) -> list[str]:
    columns = [_column(key, [values_of(r.base)[key], *(s.values[key] for s in steps)]) for key in _COLUMNS]  # type: ignore[arg-type]
    rows = [("as it is", "", "", "", *(c[1] for c in columns), "")]
    for i, s in enumerate(steps):
        effect = f"{_signed(-s.gain)} K" if r.kelvins else f"x {digits(_factor(r, s), 3)}"
        d = s.difference
        band, own = (_band(r, d), _own(r, d)) if d else ("", "")
        rows.append((s.words, effect, band, own, *(c[i + 2] for c in columns), _marks(r, s)))
    return table(("change", "", "80 % band", "own", *(c[0] for c in columns), ""), rows, kinds="lrrrrrrrl")


def _column(key: str, values: list[float]) -> list[str]:
    """An output of all rows in one unit, which its head names."""
    unit, factor, offset = shown_unit(values[0], output_of(key).si)
    places = 0 if offset else decimals(values[0] * factor)
    symbol = output_of(key).symbol
    return [f"{symbol} {unit}".strip(), *(number(v * factor + offset, places) if isfinite(v) else "-" for v in values)]


def _own(r: Ranking, d: Difference) -> str:
    return f"±{digits(d.own, 2)} K" if r.kelvins else f"±{100 * d.own:.0f} %"


def _marks(r: Ranking, s: Step) -> str:
    """What a change costs beside, in plain sight."""
    was = values_of(r.base)["throughput_kg_s"]  # type: ignore[arg-type]
    marks = []
    if s.short:
        marks.append("takes less than asked")
    elif s.values["throughput_kg_s"] < LESS * was:
        marks.append("less powder")
    return ", ".join(marks)


def _coarser(r: Ranking, most: int) -> str:
    if not r.coarser:
        return ""
    named = "; ".join(
        f"{s.words}, {_amount(r, s)}, x50 {_figure('x50_m', s.values['x50_m'])}" for s in r.coarser[:most]
    )
    return f"With powder coarser by more than {100 * COARSER:.0f} %: {named}{_more(r.coarser, most)}."


def _amount(r: Ranking, s: Step) -> str:
    key = GOALS[r.goal][0]
    return _figure(key, s.values[key])


def _failing(r: Ranking, most: int) -> str:
    named = [f"{s.words} ({join_words(list(s.fails))}; {_amount(r, s)})" for s in r.failing[:most]]
    named += [f"{len(r.failing) - most} more"] if len(r.failing) > most else []
    named += [f"going beyond {s.words} ({s.stopped})" for s in r.steps[:MOST_NAMED] if s.stopped]
    return f"Not recommended, because the review fails it: {'; '.join(named)}." if named else ""


def _dear(r: Ranking, most: int) -> str:
    """What the changes cost that the review does not newly fail: powder above what is advised, more dust."""
    limit = heat_limit(r.config.material.value("stick_temperature"), r.config.limits.outlet_temperature_K)
    was, most_K = values_of(r.base)["outlet_temperature_K"], limit.advised_K + AT_LIMIT_K  # type: ignore[arg-type]
    hot = [s for s in r.steps if s.values["outlet_temperature_K"] > max(most_K, was)]
    told = []
    if hot:
        named = [f"{s.words} ({celsius(s.values['outlet_temperature_K'])})" for s in hot[:most]]
        more = f" and {len(hot) - most} more" if len(hot) > most else ""
        told.append(f"Above the {celsius(limit.advised_K)} that is advised for the outlet: {', '.join(named)}{more}.")
    if r.goal == "rate" and DUST.name in r.base.fails:  # type: ignore[union-attr]
        told.append(MORE_DUST)
    return " ".join(told)


def _more(steps: tuple[Step, ...], most: int) -> str:
    return f"; and {len(steps) - most} more" if len(steps) > most else ""


def _notes(r: Ranking) -> list[str]:
    opened = "Fed as fast as it can grind, whatever rate the config asks for. " if r.opened else ""
    if not any(s.difference for s in r.steps):
        return [f"{opened}Central estimates, each change by itself; uncertainty not shown."]
    first = sum(s.difference is not None for s in r.steps)
    return [
        f"To try the first: {' '.join(f'--set {shlex.quote(key)}' for key in r.steps[0].keys)}.",
        f"{opened}Each by itself; central estimates, with the band of the difference for the first {first}: 80 % of "
        f"{r.draws} draws that the mills share; own: how much of it the model's own error and the day make by "
        "themselves.",
    ]


def change_json(r: Ranking) -> dict:
    """The answer for programs, in SI."""

    def row(s: Step) -> dict:
        return picked(s, "key words keys values binding gain fails stopped difference", takes_less="short")

    status = "ok" if r.steps else "nothing" if r.base else "cannot run"
    base = None if r.base is None else values_of(r.base)
    return jsonable(
        {"status": status, "mill": r.config.name, "goal": r.goal, "output": GOALS[r.goal][0], "as_it_is": base}
        | {"steps": list(map(row, r.steps)), "coarser": list(map(row, r.coarser)), "failing": list(map(row, r.failing))}
        | {"draws": r.draws, "kinds_of_change": r.tried}
    )
