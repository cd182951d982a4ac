"""Measured against predicted in words and tables, and as JSON: whether it held, and what a miss may come from."""

import math
import re

from ...base.quantities.written import digits, join_words, table, wrap
from ...learn.calibration.compare import BEYOND_COARSE, BEYOND_FINE, OTHER_RATE, Point, RunComparison
from ...learn.calibration.explain import Explanation
from ...record.asked import nothing_words
from ...record.date import date_words
from ...record.identity import forecast_sha256
from ...record.outputs import OUTPUTS, PER_FED, scalar, shown
from .calibration import q3_percent
from .json import jsonable, picked
from .short import MOST_COLUMNS

SHOWS = "every sieve and figure, all settings that differ, and the causes that were ruled out"
MOST_LINES = 23  # of the short answer: with the two lines of cautions it fits on one screen
_TEMPERATURES = ("air_temperature_K", "powder_temperature_K", "outlet_temperature_K")
_FIRST = ("x10_m", "x50_m", "x90_m", "throughput_kg_s", "capacity_kg_s", "gross_J_kg", *_TEMPERATURES)
_BRIEF = {  # so that the table fits
    "air_temperature_K": "air in the chamber",
    "capacity_kg_s": "largest feed rate",
    "throughput_kg_s": "rate, as fed",
    "gross_J_kg": f"energy {PER_FED}",
}
FED_TOLD = "Rate and energy are those of what was fed, lost powder too; `millsim run` tells them of what was caught."
_NOTHING_FITTED = "The stored prediction was not changed and nothing was fitted; `millsim calibrate` does that."


def comparison_text(c: RunComparison, e: Explanation, full: bool = False, files: str = "") -> str:
    """Verdict, coverage, tables and causes of a miss: in MOST_LINES lines, or all of it.

    files: what has become of those of the prediction, a sentence.
    """
    head = [*wrap(f"{verdict(c)} {coverage(c)}".strip()), *differing_lines(c, 12 if full else 1), ""]
    if full:
        rows, causes = _rows(c, list(c.points)), cause_lines(c, e, len(e.causes), full)
        return "\n".join([*head, *rows, *causes, "", *wrap(f"{_said(c)} {files}".strip()), *wrap(_kept())]) + "\n"
    foot = ["", *wrap(" ".join(filter(None, (_said(c), files, "Nothing was fitted."))))]
    main = [p for p in c.points if p.name in _FIRST]
    room = MOST_LINES - len(head) - len(foot) - len(main) - 2  # two lines of the table are its head
    shorter = (cause_lines(c, e, n) for n in range(len(e.causes), 1, -1))
    causes = next((x for x in shorter if len(x) <= room), list[str]()) or cause_lines(c, e, 1)
    rest = sorted((p for p in c.independent if p not in main), key=lambda p: -abs(p.residual))
    left = room - len(causes)
    kept = [*main[: len(main) + min(0, left)], *rest[: max(0, left)]]  # the last figures give way, too
    return "\n".join([*head, *_rows(c, [p for p in c.points if p in kept]), *causes, *foot]) + "\n"


def coverage(c: RunComparison) -> str:
    """How many numbers lie inside, and how many one expects."""
    inside, count, expected = c.covered
    if not count or not math.isfinite(expected):
        return ""
    level = f"{100 * c.prediction.band_level:.0f} %"
    return f"Of all {count} numbers that count {inside} lie inside; at {level} one expects about {expected:.0f}."


def _said(c: RunComparison) -> str:
    """Which forecast it was, and when it and the run were made."""
    date, run = date_words(c.prediction.date), c.run.date or "a day not noted"
    day = re.fullmatch(r"\d{4}-\d\d-\d\d", c.run.date or "")  # the sheet takes any words
    late = ": made after the run" if day and c.prediction.date[:10] > day[0] else ""
    return f"Forecast {forecast_sha256(c.prediction)[:12]}, {date}{late}; run of {run}."


def _kept() -> str:
    what = "within the band and 1.28 standard errors of the measurement (repeat, model and instrument) together"
    off = "Off: measured less predicted, in standard errors of the two together"
    return f"Inside: {what}. {off}; x10, x50 and x90 count with their sieves. {FED_TOLD} {_NOTHING_FITTED}"


def differing_lines(c: RunComparison, most: int) -> list[str]:
    """What the run had otherwise than the prediction, at most so many of it."""
    if not c.differing:
        return []
    said = "; ".join(f"{key}: predicted with {a}, run with {b}" for key, a, b in c.differing[:most])
    more = f"; and {len(c.differing) - most} more" if len(c.differing) > most else ""
    said = said.replace("degC", "°C")
    return wrap(f"Not the same mill or setting: {said}{more}. The prediction is not changed for it.")


# --- the verdict ------------------------------------------------------------------------------------------


def verdict(c: RunComparison) -> str:
    """In words: whether the prediction held."""
    counted, inside = len(c.counted), c.inside
    if not c.prediction.runs:
        said = nothing_words(c.prediction)
        return f"The prediction says that {said}, and yet it ran. So its figures are told, and judge nothing."
    if not math.isfinite(c.prediction.band_level):
        return f"The prediction {c.prediction.mill_name} has no band, so nothing can be said on whether it held."
    level = 100 * c.prediction.band_level
    first, laser = _before_the_verdict(c), any(s.by_laser for s in c.run.product_sheets)
    if not counted:
        what = "size by laser" if laser else "sieve"
        return f"{first}No {what} of this run can tell a good prediction of the size from a bad one.{_others(c)}"
    text = f"{first}{inside} of {counted} {'sizes by laser' if laser else 'sieves'} lie inside the {level:.0f} % band."
    mean = sum(p.measured - p.predicted for p in c.counted) / max(1, counted)
    side = "finer" if mean > 0 else "coarser"
    rate = "" if c.same_rate else f", at another rate{_rates(c)}"
    if inside == counted and abs(mean) < 0.01:
        text += f" The prediction of the size held{rate}."
    elif inside == counted:
        text += f" The prediction of the size held{rate}; the powder came out {side} than its middle."
    elif inside >= 0.5 * counted:
        text += f" The prediction of the size held in part{rate}: the powder is {side}."
    else:
        text += f" The prediction of the size did not hold{rate}: the powder is {side} than the model thought possible."
    return text + _others(c)


def _rates(c: RunComparison) -> str:
    """The two feed rates, where they differ enough to show it."""
    predicted, run = c.prediction.main.scalars["throughput_kg_s"].value, c.run.feed_rate_kg_s
    a, b = (f"{3600 * rate:.2g}" for rate in (run, predicted))
    return f" ({a} kg/h run, {b} predicted)" if a != b else ""


def _before_the_verdict(c: RunComparison) -> str:
    """What must be known before a verdict means anything."""
    text = ""
    if c.own_run:
        text += "The prediction was calibrated on this very run, so that it agrees proves nothing. "
    material = next((d for d in c.differing if d[0] == "feed.material"), None)
    if material:
        text += f"Predicted for {material[1]}, run with {material[2]}: this compares two materials. "
    return text


def _others(c: RunComparison) -> str:
    """What is no sieve and was missed, or cannot be judged."""
    out = [OUTPUTS[p.name].short for p in c.independent if p.name in OUTPUTS and not p.inside]
    text = f" Outside: {join_words(out)}." if out else ""
    unjudged = any(p.note == OTHER_RATE for p in c.figures)
    return text + (" What depends on the feed rate was predicted for another feed rate: not judged." * unjudged)


# --- tables -----------------------------------------------------------------------------------------------


def _rows(c: RunComparison, points: list[Point]) -> list[str]:
    counted = set(map(id, c.counted))
    rows = []
    for p in points:
        sieve = p.name not in OUTPUTS
        place = "no test" if sieve and id(p) not in counted else _place(p)
        off = f"{p.residual:+.1f}" if p.judged and place != "no test" else ""
        rows.append([*(_sieve_row(p) if sieve else _figure_row(p, c)), off, place])
    level = c.prediction.band_level
    band = f"{100 * level:.0f} % band" if math.isfinite(level) else "band"
    return table(["", "measured", "±", "predicted", band, "off", ""], rows, left=1, kinds="lrrrrrl")


def _sieve_row(p: Point) -> list[str]:
    numbers = [q3_percent(v) for v in (p.measured, p.error, p.predicted)]
    name = p.name.replace("Q3(", "finer than ").rstrip(")")
    return [name, *numbers, f"{100 * p.low:.1f} to {100 * p.high:.1f}" if math.isfinite(p.low) else ""]


def row_label(name: str) -> str:
    """What a figure that is compared is called, in table and figure; of a sieve its own name."""
    return _BRIEF.get(name) or (OUTPUTS[name].short if name in OUTPUTS else name)


def _figure_row(p: Point, c: RunComparison) -> list[str]:
    b = shown(p.name, scalar(p.name, p.predicted, low=p.low, high=p.high))
    said, name = [b.value if math.isnan(p.predicted) else b.text, b.band], row_label(p.name)
    if not math.isnan(p.measured):
        a = shown(p.name, scalar(p.name, p.measured, se=p.error))
        return [name, a.text, a.error, *said]
    if p.note not in (BEYOND_FINE, BEYOND_COARSE):
        return [name, "", "", *said]
    fine = p.note == BEYOND_FINE
    bound = 1e3 * float(c.sieves_m[0 if fine else -1])
    return [name, f"{'<' if fine else '>'} {digits(bound)} mm", "", *said]


def _place(p: Point) -> str:
    """Where the measured number lies."""
    if math.isnan(p.low) or p.note:
        return p.note or "no band"
    return "inside" if p.inside else "above" if p.measured > p.predicted else "below"


# --- causes -----------------------------------------------------------------------------------------------


def cause_lines(c: RunComparison, e: Explanation, most: int, full: bool = False) -> list[str]:
    """What a miss may come from, best first, each with what would tell; nothing where there is no miss."""
    if not c.missed:
        return []
    lines = [""]
    if e.known >= 0.1:
        left = "; of what is left:" if e.causes or not e.by_chance else ": predict again for the run as it was."
        lines += wrap(f"What is known to differ explains {100 * e.known:.0f} % of the miss{left}")
    if e.causes:
        lines += ["What would make such a miss, each by itself, and what tells:"]
        rows = [[f.what, f.needed, f"{100 * f.share:.0f} %", f.tells] for f in e.causes[:most]]
        made = table(["cause", "size needed", "explains", "measure"], rows, left=1, kinds="llrl")
        if not full and max(map(len, made)) > MOST_COLUMNS:
            made = [x for what, size, share, tells in rows for x in wrap(f"{what} ({size}; explains {share}): {tells}")]
        lines += made
    if e.none:
        lines += wrap(f"No cause is looked for: {e.none}.")
    elif not e.causes and e.by_chance:
        if e.known < 0.1:
            lines += wrap("Taken together it is no more than the errors of model and measurement make by chance.")
    elif not e.enough:
        none = "None explains half of it" if e.causes else "No cause that was tried fits what was measured"
        lines += wrap(f"{none}: perhaps the material, or the model, is off; `millsim calibrate` tells.")
    if full and e.ruled_out:
        lines += ["", "Ruled out:"]
        lines += [line for f in e.ruled_out for line in wrap(f"  {f.what}: {f.against}.")]
    return lines


# --- JSON -------------------------------------------------------------------------------------------------


def comparison_json(c: RunComparison, e: Explanation) -> dict:
    """The comparison, SI units; figures by their key."""
    points = [picked(p, "name unit measured error predicted low high residual inside judged note") for p in c.points]
    inside, count, expected = c.covered
    told = picked(c, "differing missed", sieves_inside="inside") | {"sieves_counted": len(c.counted), "points": points}
    told |= {"coverage": jsonable({"inside": inside, "counted": count, "expected": expected})}
    told |= {"forecast_sha256": forecast_sha256(c.prediction), "date": c.prediction.date or None}
    return (
        {"status": "ok" if c.prediction.runs else c.prediction.status, "verdict": verdict(c)}
        | told
        | {"explanation": jsonable(e)}
    )
