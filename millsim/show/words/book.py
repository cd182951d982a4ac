"""A notebook of builds in words and tables, and as JSON: what was built, predicted, measured, hit and missed."""

import math
from collections.abc import Iterable, Sequence

from ...base.numerics.statistics import NORMAL_80
from ...base.quantities.scalar import Scalar
from ...base.quantities.written import capital, digits, join_words, shown_unit, table, wrap
from ...learn.book.pages import Notebook
from ...learn.book.score import BETTER, FEWEST, TOO_FEW, WORSE, Compared, Errors, Score
from ...learn.book.spread import Spread
from ...learn.book.table import ANSWERS, Row
from ...learn.calibration.compare import Point
from ...record.asked import nothing_words
from ...record.identity import forecast_sha256
from ...record.outputs import OUTPUTS, scalar, shown
from ...record.prediction import Prediction
from .comparison import FED_TOLD
from .json import jsonable, picked
from .short import MOST_COLUMNS, MOST_LINES, Part, Short, said, table_part

HEADS = {"x50_m": "x50", "x90_m": "x90", "throughput_kg_s": "rate", "gross_J_kg": "energy"}
NAMED, LONGEST = 20, 34  # letters of a name in the table: at least, where it is wide, and at most
SHOWS = "every run, notes, trials, cards, and how it was scored"


def short(book: Notebook, rows: Sequence[Row], s: Score, spread: Spread) -> Short:
    """The notebook on one screen: the newest runs of the table, then what it teaches."""
    parts = [said(lead(book, rows, s)), *(said(f"Note: {f}.", 1) for f in faults(book)), Part(("",), 0)]
    lines = table_lines(book, rows)
    head, body = lines[:2], lines[2:]
    teaches = [said(t, 2 + i) for i, t in enumerate(taught(rows, s, spread)) if t]
    room = MOST_LINES - sum(len(p.lines) for p in (*parts, *teaches)) - len(head) - 1
    body = _newest(body, max(4, room))
    return Short((*parts, table_part([*head, *body]), Part(("",)), *teaches), SHOWS)


def _newest(body: list[str], room: int) -> list[str]:
    """The last lines of the table, the first of them below the forecast that it was held against."""
    if len(body) <= room:
        return body
    kept = body[len(body) - room + 1 :]
    if kept[0].startswith("    "):
        at = len(body) - room + 1
        kept = [next(line for line in reversed(body[:at]) if not line.startswith("    ")), *kept[1:]]
    return [f"  ... {len(body) - len(kept)} earlier lines: --full", *kept]


def full(book: Notebook, rows: Sequence[Row], s: Score, spread: Spread) -> str:
    """All of it."""
    lines = [*wrap(lead(book, rows, s)), *(line for f in faults(book) for line in wrap(f"Note: {f}.")), ""]
    lines += [*table_lines(book, rows), ""]
    lines += [line for text in taught(rows, s, spread) if text for line in wrap(text)]
    for title, body in (("Builds, forecasts and notes", _builds(book)), ("Trials of use", _trials(book))):
        lines += ["", f"{title}:", *body] if body else []
    lines += (
        ["", "Cards:", *(f"  {c.folder.name}/card.toml: {c.text('runs')}" for c in book.cards)] if book.cards else []
    )
    return "\n".join([*lines, "", *wrap(_HOW)]) + "\n"


_HOW = (
    "A forecast counts where it was made before the run (on a day before, or on its day and entered first), for the "
    "mill as it was run, has a band and was not calibrated on that run; the newest such one is taken. hit: inside its "
    "80 % band widened by the error of the measurement. Answers of one forecast are off together, so a forecast counts "
    "once, by its mean |ln(measured/predicted)|; better and worse are told where at most 1 in 20 ways of parting the "
    f"errors looks as good. {FED_TOLD}"
)


def lead(book: Notebook, rows: Sequence[Row], s: Score) -> str:
    """What there is, and how good the forecasts were."""
    n, runs, a = len(book.builds), len(rows), s.all
    text = f"{book.folder.name}: {n} build{'s' * (n != 1)}, {runs} run{'s' * (runs != 1)}"
    if not a.answers:
        return f"{text}; no run was forecast before, so nothing tells yet how good the forecasts are."
    low, high = a.inside_ends
    of = f"{len(a.errors)} forecast{'s' * (len(a.errors) != 1)}"
    few = f"by so few forecasts the share may be {100 * low:.0f} to {100 * high:.0f} % (95 % interval)"
    return (
        f"{text}, {a.runs} of them forecast before, by {of}. Of their {a.answers} answers {a.inside} lie inside the "
        f"80 % band, where one expects {a.expected:.0f}; {few}. {capital(_off(a))}."
    )


def taught(rows: Sequence[Row], s: Score, spread: Spread) -> list[str]:
    """What the notebook teaches: whether forecasts get better, the scatter from run to run, why runs do not count."""
    whys = {why: [r.run.entry.key for r in rows if r.why == why] for why in dict.fromkeys(r.why for r in rows) if why}
    out = "; ".join(f"{why} ({join_words(keys)})" for why, keys in whys.items())
    return [
        getting_better(s),
        _calibrating(s.calibrated) if s.calibrated else "",
        _spread(spread),
        f"In brackets, not counted: {out}." if out else "",
    ]


def getting_better(s: Score) -> str:
    """Whether the tool is getting better for these mills."""
    c = s.halves
    if c.verdict == TOO_FEW:
        n = len(s.all.errors)
        held = f"{n} forecast{'s' * (n != 1)} held against runs"
        return f"Getting better? Too few to tell: {held}, and {2 * FEWEST} are the fewest that can show it."
    return f"Getting better? {_compared(c, 'the first half', 'the second')}"


def _calibrating(c: Compared) -> str:
    if c.verdict == TOO_FEW:
        few = f"{len(c.first.errors)} before and {len(c.second.errors)} after calibrating"
        return f"Did calibrating help? Too few to tell: {few}, {FEWEST} of each are the fewest that can show it."
    return f"Did calibrating help? {_compared(c, 'forecasts without', 'those with a calibration')}"


def _compared(c: Compared, first: str, second: str) -> str:
    verdict = {BETTER: "Yes", WORSE: "No, worse"}.get(c.verdict, "Not more than luck would show")
    a, b = (f"{digits(e.factor, 3)}" for e in (c.first, c.second))
    luck = f"luck alone looks as good in {100 * c.chance:.0f} of 100 cases"
    return f"{verdict}: off by a factor of {a} in {first}, {b} in {second}; {luck}."


def _off(e: Errors) -> str:
    low, high = e.factor_ends
    ends = f" ({digits(low, 3)} to {digits(high, 3)})" if math.isfinite(high) and high < 100 else ""
    return f"measured and predicted are apart by a factor of {digits(e.factor, 3)} on average{ends}"


def _spread(s: Spread) -> str:
    if not s.found:
        return "From run to run nothing is known: no run was repeated on an unchanged mill."
    each = join_words([f"{HEADS[n]} {digits(100 * v, 2)} %" for n, (v, _) in s.found.items()])
    dof = max(d for _, d in s.found.values())
    return f"From run to run these mills change by {each} (one standard deviation; degrees of freedom: {dof})."


# --- the table -------------------------------------------------------------------------------------------


def table_lines(book: Notebook, rows: Sequence[Row]) -> list[str]:
    """Forecasts with their bands, and below each the runs that were held against it; builds without runs last."""
    units = {n: _unit(n, rows) for n in ANSWERS}
    heads = [f"{HEADS[n]} / {units[n][0]}{' fed' if n == 'gross_J_kg' else ''}" for n in ANSWERS]
    cells, last = [], None
    for row in rows:
        key = (row.build.key, row.forecast.entry.key if row.forecast else "")
        if key != last:
            cells.append([_forecast_name(row.build.key, row.forecast), *_predicted(row.forecast, units)])
            last = key
        cells.append([f"  {row.run.entry.key}"[:LONGEST], *(_measured(row, n, *units[n]) for n in ANSWERS)])
    seen = {row.build.key for row in rows}
    for b in (b for b in book.builds if b.key not in seen):
        newest = b.forecasts[-1] if b.forecasts else None
        cells.append([_forecast_name(b.key, newest), *_predicted(newest, units)])
    columns = zip(heads, *(c[1:] for c in cells), strict=True)
    room = MOST_COLUMNS - 2 - sum(2 + max(map(len, column)) for column in columns)
    cells = [[c[0][: max(room, NAMED)], *c[1:]] for c in cells]
    return table(["build, forecast made", *heads], cells, kinds="lllll")


def _forecast_name(build: str, forecast) -> str:
    day = (forecast.made[5:10] or "undated") if forecast else ""
    return f"{build[:24]}, {day}" if day else f"{build[:24]}, none"


def _unit(name: str, rows: Sequence[Row]) -> tuple[str, float]:
    values = [p.predicted for r in rows for n, p in r.points.items() if n == name]
    typical = sorted(values)[len(values) // 2] if values else {"throughput_kg_s": 1e-3}.get(name, 3e-4)
    if name == "gross_J_kg":
        return "kWh/kg", 1 / 3.6e6
    unit, factor, _ = shown_unit(typical, OUTPUTS[name].si)
    return unit, factor


def _predicted(forecast, units) -> list[str]:
    if forecast is None:
        return ["no forecast", "", "", ""]
    if forecast.entry.altered:
        return ["altered: not used", "", "", ""]
    p = forecast.prediction
    if not p.runs:
        return [p.status, "", "", ""]
    return [_with_band(n, p.main.scalars[n], *units[n]) for n in ANSWERS]


def _with_band(name: str, s: Scalar, unit: str, by: float) -> str:
    told = shown(name, s)
    if told.unit == unit:
        return f"{told.value} ({told.low}-{told.high})" if told.band else told.value
    ends = f" ({digits(by * s.low, 2)}-{digits(by * s.high, 2)})" if math.isfinite(s.low + s.high) else ""
    return f"{digits(by * s.value, 2)}{ends}"


def _measured(row: Row, name: str, unit: str, by: float) -> str:
    p = row.points.get(name)
    if p is None or math.isnan(p.measured):
        return p.note if p else "not judged"
    told = shown(name, scalar(name, p.measured, se=p.error))
    number = told.value if told.unit == unit else digits(by * p.measured, 3)
    word = "fed" if p.note == "set by feeder" else "no test" if p.note else place(p)
    return f"{number} {f'({word})' if row.why or p.note else word}"


def place(p: Point) -> str:
    """Whether a measured answer lies inside the band, or on which side of it."""
    return "hit" if abs(p.residual) <= NORMAL_80 else "above" if p.measured > p.predicted else "below"


def entered_text(build: str, rows: Sequence[Row]) -> str:
    """Runs that were entered, each with how its forecast did."""
    lines = [f"{build}: {len(rows)} run{'s' * (len(rows) != 1)} entered."]
    for r in rows:
        told = join_words([f"{HEADS[n]} {place(p)}" for n, p in r.points.items() if p.judged]) or "nothing to judge"
        against = f", against the forecast of {r.forecast.made[:10]}" if r.forecast else ""
        why = f" (does not count: {r.why})" if r.why else ""
        lines += wrap(f"{r.run.entry.key}: {told}{against}{why}.", "  ")
    return "\n".join(lines) + "\n"


def forecast_text(p: Prediction, text: str) -> str:
    """A forecast that was entered: the few figures that a run will be held against."""
    if not p.runs:
        return "\n".join(wrap(f"{text}. It says that {nothing_words(p)}.")) + "\n"
    found = join_words([f"{OUTPUTS[n].short} {shown(n, p.main.scalars[n])}" for n in ANSWERS])
    level = f"{100 * p.band_level:.0f} % bands" if math.isfinite(p.band_level) else "no bands, so no run can test it"
    return "\n".join(wrap(f"{text}. Predicted {p.date}, {level}: {found}.")) + "\n"


def forecast_json(p: Prediction) -> dict:
    """The same in SI units."""
    scalars = {n: picked(p.main.scalars[n], "value low high unit") for n in ANSWERS if n in p.main.scalars}
    return {"status": p.status, "made": p.date, "forecast_sha256": forecast_sha256(p), "answers": scalars}


# --- lists -----------------------------------------------------------------------------------------------


def faults(book: Notebook) -> list[str]:
    """What was altered since it was written."""
    return [*book.faults[:3]] + ([f"{len(book.faults) - 3} more"] if len(book.faults) > 3 else [])


def _builds(book: Notebook) -> list[str]:
    lines = []
    for b in book.builds:
        extra = " ".join(filter(None, (b.entry.text("note"), _photo(b.entry.text("photo")))))
        lines += wrap(f"{b.key}: {b.entry.text('name')}, entered {b.entry.text('added')[:10]}. {extra}".strip(), "  ")
        for f in b.forecasts:
            other = f", with {f.entry.text('settings')}" if f.entry.text("settings") else ""
            lines += wrap(f"{f.entry.key}: made {f.made}{other}, {f.entry.text('forecast_sha256')[:12]}", "    ")
        for r in b.runs:
            gone = ", replaced" if r.replaced else ""
            lines += wrap(f"{r.entry.key}: {r.entry.text('name')}{gone}. {r.entry.text('note')}".strip(), "    ")
        for n in b.notes:
            lines += wrap(f"{n.text('added')[:10]} {n.text('text')} {_photo(n.text('photo'))}".strip(), "    ")
    return lines


def _photo(name: str) -> str:
    return f"[photo: {name}]" if name else ""


def _trials(book: Notebook) -> list[str]:
    rows = []
    for t in book.trials:
        size = [f"{digits(1e3 * v, 3)} mm" if math.isfinite(v) else "" for v in t.sizes_m.values()]
        rows.append([t.use, t.verdict, *size, t.entry.text("of"), t.entry.text("note")])
    return table(["use", "verdict", "x10", "x50", "x90", "powder of", "note"], rows, left=2) if rows else []


# --- JSON ------------------------------------------------------------------------------------------------


def book_json(book: Notebook, rows: Sequence[Row], s: Score, spread: Spread) -> dict:
    """The notebook in SI units."""
    builds = [{"build": b.key, "name": b.entry.text("name"), "forecasts": [f.entry.key for f in b.forecasts],
               "runs": [r.entry.key for r in b.runs], "notes": [n.text("text") for n in b.notes]}
              for b in book.builds]  # fmt: skip
    told: dict[str, object] = {
        "status": "ok",
        "builds": builds,
        "rows": [row_json(r) for r in rows],
        "altered": list(book.faults),
    }
    score = {"all": _errors_json(s.all), "halves": _compared_json(s.halves),
             "calibrated": _compared_json(s.calibrated) if s.calibrated else None}  # fmt: skip
    told |= {"score": score}
    told |= {"run_to_run": {n: {"sd": v, "degrees_of_freedom": d} for n, (v, d) in spread.found.items()}}
    trials = [{"use": t.use, "verdict": t.verdict, "sizes_m": t.sizes_m} for t in book.trials]
    return jsonable(told | {"trials": trials})


def row_json(r: Row) -> dict:
    """One run with the forecast it is held against."""
    points = {n: picked(p, "measured error predicted low high note") | {"inside": p.inside if p.judged else None}
              for n, p in r.points.items()}  # fmt: skip
    made = r.forecast.made if r.forecast else None
    return {"build": r.build.key, "run": r.run.entry.key, "date": r.run.day or None, "forecast_made": made,
            "counts": not r.why, "why_not": r.why or None, "calibrated": r.calibrated, "answers": points}  # fmt: skip


def table_csv(rows: Sequence[Row]) -> Iterable[list[object]]:
    """The table for a spreadsheet: a row for each answer of each run, SI units."""
    yield ["build", "run", "date", "forecast made", "counts", "answer", "unit", "measured", "standard error",
           "predicted", "band from", "band to", "inside"]  # fmt: skip
    for r in rows:
        for n, p in r.points.items():
            made = r.forecast.made if r.forecast else ""
            numbers = ["" if math.isnan(v) else f"{v:.6g}" for v in (p.measured, p.error, p.predicted, p.low, p.high)]
            inside = ("yes" if p.inside else "no") if p.judged else ""
            yield [r.build.key, r.run.entry.key, r.run.day, made, r.why or "yes", HEADS[n], p.unit, *numbers, inside]


def _errors_json(e: Errors) -> dict:
    return picked(e, "runs inside answers expected errors factor factor_ends inside_ends")


def _compared_json(c: Compared) -> dict:
    return picked(c, "chance verdict") | {"first": _errors_json(c.first), "second": _errors_json(c.second)}
