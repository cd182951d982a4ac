"""A calibration, a comparison and a ranking of measurements in words and tables, and as JSON."""

import math

from ...base.quantities import units
from ...base.quantities.scalar import Scalar
from ...base.quantities.written import Shown, digits, join_words, table, wrap
from ...learn.calibration.compare import Point, RunComparison
from ...learn.calibration.findings import Row, open_words
from ...learn.calibration.fit import RunFit
from ...learn.calibration.nextstep import LEAST_GAIN, Ranked
from ...learn.calibration.whole import CalibrationReport

_ANSWER = {
    "x50_m": ("x50", "m"),
    "x90_m": ("x90", "m"),
    "throughput_kg_s": ("rate", "kg/s"),
    "gross_J_kg": ("energy from the socket", "J/kg"),
    "outlet_temperature_K": ("outlet temperature", "K"),
}
_LOGS = {"at its limit": "1", "hold-up": "kg", "idle power": "W", "loaded power": "W", "air flow": "m3/s"}
ASKED = {"x50": "m", "x90": "m", "rate": "kg/s", "energy": "J/kg", "temperature": "K"}
_MOST_OTHERS = 6  # parameters beside the main ones that are listed


def calibration_text(r: CalibrationReport) -> str:
    """The report of a calibration: what it is worth first, then the tables."""
    c, lines = r.calibration, []
    for k in r.checks:
        if not k.passed and k.name in ("fit", "closure", "limits"):
            lines += [*wrap(f"LOOK: {k.text}."), ""]
    lines += wrap(_headline(r))
    lines += ["", *wrap("What it is worth, for the mill as its config has it (80 % bands):")]
    lines += _answers(r)
    for fit in c.fits:
        lines += ["", f"Measured and reproduced, {fit.run.name}:", *_data(fit)]
    lines += ["", "Parameters before and after, with 80 % ranges of both (the search moved all of them):"]
    lines += _parameters(list(r.rows), r.bars)
    lines += ["", "What the data leave open:"]
    left = [row for row in r.rows if row.main and row.wide]
    lines += [line for row in left for line in wrap("  " + _open(row, r))] or ["  none of the main parameters."]
    lines += ["", "Checks:"]
    for k in (k for k in r.checks if k.name != "determined"):
        lines += wrap(f"  {'ok  ' if k.passed else 'LOOK'} {k.text.rstrip('.')}.")
    lines += ["", *next_lines(list(r.ranked), "x50", r.planned_kg_s, hardly=r.hardly)] if r.ranked else []
    for fit in c.fits:
        said = [*fit.run.warnings, *(f"assumed: {a}" for a in fit.run.assumed)]
        lines += ["", f"Noted on {fit.run.name}:"] if said else []
        lines += [line for text in said for line in wrap(f"  {text}")]
    return "\n".join(lines) + "\n"


def _open(row: Row, r: CalibrationReport) -> str:
    """Why a parameter is open, and what would tell it."""
    best = r.separators.get(row.name)
    if best is None:
        return open_words(row)
    return f"{open_words(row)} Best told by: {best.name} ({100 * best.left:.0f} % of its range left)."


def _headline(r: CalibrationReport) -> str:
    c = r.calibration
    runs = "one run" if len(c.fits) == 1 else f"{len(c.fits)} runs"
    text = f"Calibrated on {join_words([f.run.name for f in c.fits])}: {c.count} data of {runs}."
    if not r.bars:
        return text + " The fit is not fit for error bars (see LOOK), and what a card would say is a guess at best."
    by = {a.name: a for a in r.answers}
    parts = []
    for name in ("x50_m", "throughput_kg_s", "gross_J_kg"):
        if name in by and by[name].left < 0.95:
            words, unit = _ANSWER[name]
            parts.append(f"{words} from {_band(by[name].before, unit)} to {_band(by[name].after, unit)}")
    return f"{text} It narrows {'; '.join(parts)}." if parts else f"{text} It narrows none of the answers much."


def _band(band: tuple[float, float, float], unit: str) -> str:
    low, middle, high = band
    shown = Shown(Scalar(middle, unit, "", low=low, high=high))
    return f"{shown.band} {shown.unit}"


def _answers(r: CalibrationReport) -> list[str]:
    rows = []
    for a in r.answers:
        words, unit = _ANSWER[a.name]
        before, after = (Shown(Scalar(b[1], unit, "", low=b[0], high=b[2])) for b in (a.before, a.after))
        left = f"{100 * a.left:.0f} %" if math.isfinite(a.left) and r.bars else ""
        now = f"{after.value} {after.unit}", f"{after.band} {after.unit}" if r.bars else "", left
        rows.append([words, f"{before.value} {before.unit}", f"{before.band} {before.unit}", *now])
    return table(["", "before", "band", "after", "band", "width left"], rows, left=6)


def _data(fit: RunFit) -> list[str]:
    """Every number of a run: measured with its error, before, best fit, and how far off in standard errors."""
    rows = []
    for b in fit.blocks:
        if b.one_sided:
            continue
        before = [sorted(b.tell(f)[i] for f in fit.before) for i in range(b.values.size)]
        for i, label in enumerate(b.labels):
            lows = before[i][len(before[i]) // 10], before[i][-1 - len(before[i]) // 10]
            shown = [_datum(label, v) for v in (b.values[i], b.tell(fit.best)[i], *lows)]
            error = _error(label, float(b.values[i]), float(b.sd[i]))
            off = float((b.tell(fit.best)[i] - b.values[i]) / b.sd[i])
            rows.append([label, shown[0], error, f"{shown[2]} to {shown[3]}", shown[1], f"{off:+.1f}"])
    head = ["", "measured", "+- std. error", "before (80 %)", "best fit", "off, in std. errors"]
    note = "  Q3: what no sieve saw (bag, missing mass, sieving loss) counts half as the rest, half as finer than all."
    return [*table(head, rows, left=1), *wrap(note)]


def _datum(label: str, value: float) -> str:
    """A number of a block in the units of the workshop."""
    if "Q3(" in label:
        return f"{100 * value:.1f} %"
    unit = _LOGS.get(label, "K")
    shown = Shown(Scalar(math.exp(value) if label in _LOGS else float(value), unit, ""))
    return f"{shown.value} {shown.unit}"


def _error(label: str, value: float, sd: float) -> str:
    if "Q3(" in label:
        return f"{100 * sd:.1f} %"
    return f"{100 * sd:.0f} %" if label in _LOGS else f"{sd:.1f} K"


def _parameters(rows: list[Row], bars: bool) -> list[str]:
    """The main parameters, and the others that the runs moved or narrowed most."""
    others = sorted((r for r in rows if not r.main and r.determined), key=lambda r: r.sd)[:_MOST_OTHERS]
    out = []
    for r in [r for r in rows if r.main] + others:
        p = r.param
        unit = units.spelling_for(p.value, p.unit) if units.find_unit(p.unit) else p.unit
        show = [_value(v, p.unit, unit) for v in (p.value, *r.before, r.value, r.low, r.high)]
        after = f"{show[4]} to {show[5]}" if bars else ""
        out.append([r.name, show[0], f"{show[1]} to {show[2]}", show[3], after, unit.replace("degC", "°C"), r.said])
    head = ["parameter", "before", "80 % range", "after", "80 % range", "unit", ""]
    lines = table(head, out, left=1)
    hidden = sum(1 for r in rows if not r.main) - len(others)
    return [*lines, f"  and {hidden} others that these data hardly feel; all their draws are on the card"]


def _value(v: float, si: str, unit: str) -> str:
    return units.readable(v, unit).split(" ")[0] if units.find_unit(si) else digits(v)


def next_lines(
    ranked: list[Ranked], question: str, planned_kg_s: float, most: int = 5, hardly: tuple[str, ...] = ()
) -> list[str]:
    """What to measure next, best first; planned_kg_s: feed rate of the run that would be made; hardly: what is not
    worth it.
    """
    less = f"Would hardly help (narrower by under {100 * LEAST_GAIN:.0f} %): {join_words(list(hardly))}."
    trifles = wrap(less) if hardly else []
    if not ranked:
        return [*wrap(f"Measure next: nothing on the list would narrow {question} by itself."), *trifles]
    unit = ASKED[question]
    first = ranked[0]
    lines = wrap(
        f"Measure next, for {question}: {first.text} (about {first.minutes:.0f} min); expected to bring the 80 % band "
        f"from {_range(first.now, unit)} to {_range(first.then, unit)}, for a run at {3600 * planned_kg_s:.2g} kg/h."
    )
    rows = [
        [r.name, f"{r.minutes:.0f} min", _range(r.then, unit), f"{100 * r.left:.0f} %", r.text] for r in ranked[:most]
    ]
    return [*lines, *table(["measurement", "effort", "band expected", "width left", "how"], rows, left=1), *trifles]


def batch_lines(planned_kg_s: float) -> list[str]:
    """What to know before planning for a mill whose config is a batch."""
    text = "This config is a batch, and batches cannot be calibrated: what follows is for a run with a steady feed of"
    return wrap(f"{text} {3600 * planned_kg_s:.2g} kg/h.")


def _range(band: tuple[float, float], unit: str) -> str:
    middle = 0.5 * (band[0] + band[1])
    shown = Shown(Scalar(middle, unit, "", low=band[0], high=band[1]))
    return f"{shown.band} {shown.unit}"


def comparison_text(c: RunComparison) -> str:
    """Measured against predicted: verdict, coverage, tables."""
    lines = wrap(verdict(c))
    if c.differing:
        said = "; ".join(f"{key}: {a} predicted, {b} run" for key, a, b in c.differing[:6])
        more = f" and {len(c.differing) - 6} more" if len(c.differing) > 6 else ""
        lines += ["", *wrap(f"Not the same mill or setting: {said}{more}. The prediction is not changed for it.")]
    counted = set(map(id, c.counted))
    rows = [[*_row(p)[:5], _place(p) if id(p) in counted else "no test"] for p in c.sieves]
    rows += [_row(p) for p in c.figures]
    level = c.prediction.band_level
    band = f"{100 * level:.0f} % band" if math.isfinite(level) else "band"
    lines += ["", *table(["", "measured", "+-", "predicted", band, ""], rows, left=1)]
    what = "within the band and 1.28 standard errors of the measurement (repeat, model and instrument) together"
    kept = "The stored prediction was not changed and nothing was fitted; `millsim calibrate` does that."
    lines += ["", *wrap(f"Inside: {what}. {kept}")]
    return "\n".join(lines) + "\n"


def verdict(c: RunComparison) -> str:
    """In words: whether the prediction held."""
    counted, inside = len(c.counted), c.inside
    if not math.isfinite(c.prediction.band_level):
        return f"The prediction {c.prediction.mill_name} has no band, so nothing can be said on whether it held."
    level = 100 * c.prediction.band_level
    first = _before_the_verdict(c)
    if not counted:
        return f"{first}No sieve of this run can tell a good prediction of the size from a bad one.{_others(c)}"
    text = f"{first}{inside} of {counted} sieves lie inside the {level:.0f} % band."
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
    """The figures that are no sieves."""
    out = [p.name for p in c.figures if p.judged and not p.inside]
    held = [p.name for p in c.figures if p.judged and p.inside]
    text = "" if c.same_rate else " Power, temperature and hold-up were predicted for another feed rate: not judged."
    text += f" Inside their bands: {join_words(held)}." if held else ""
    return text + (f" Outside: {join_words(out)}." if out else "")


def _row(p: Point) -> list[str]:
    if p.name.startswith("Q3"):
        shown = [f"{100 * v:.1f} %" for v in (p.measured, p.error, p.predicted)]
        return [p.name, *shown, f"{100 * p.low:.1f} to {100 * p.high:.1f} %", _place(p)]
    a = Shown(Scalar(p.measured, p.unit, "", se=p.error))
    b = Shown(Scalar(p.predicted, p.unit, "", low=p.low, high=p.high))
    band = f"{b.band} {b.unit}" if b.band else ""
    return [p.name, f"{a.value} {a.unit}", digits(float(a.error), 2), f"{b.value} {b.unit}", band, _place(p)]


def _place(p: Point) -> str:
    if math.isnan(p.low):
        return "no band"
    if not p.judged:
        return "other rate"
    return "inside" if p.inside else "above" if p.measured > p.high else "below"


# --- JSON ------------------------------------------------------------------------------------------------


def calibration_json(report: CalibrationReport) -> dict:
    """The same as one JSON object, SI units."""
    c, bars = report.calibration, report.bars
    return {
        "status": "ok" if all(k.passed for k in report.checks if k.name != "determined") else "look",
        "runs": [f.run.name for f in c.fits],
        "misfit": c.chi2,
        "data": c.count,
        "effective_samples": c.posterior.effective,
        "checks": [{"name": k.name, "passed": k.passed, "text": k.text} for k in report.checks],
        "answers": {
            a.name: {"before": _all_finite(a.before), "after": _all_finite(a.after) if bars else None}
            for a in report.answers
        },
        "parameters": {
            r.name: {
                "unit": r.param.unit, "before": [r.param.low, r.param.value, r.param.high], "value": r.value,
                "low": r.low if bars else None, "high": r.high if bars else None, "determined": r.determined,
                "before_80": list(r.before), "said": r.said,
            }
            for r in report.rows
        },
        "next": next_json(list(report.ranked)),
    }  # fmt: skip


def next_json(ranked: list[Ranked]) -> list[dict]:
    """The ranking, SI units."""
    return [
        {
            "name": r.name, "how": r.text, "minutes": r.minutes, "now": _all_finite(r.now),
            "then": _all_finite(r.then), "left": r.left,
        }
        for r in ranked
    ]  # fmt: skip


def comparison_json(c: RunComparison) -> dict:
    """The comparison, SI units."""
    return {
        "status": "ok", "verdict": verdict(c), "sieves_inside": c.inside, "sieves_counted": len(c.counted),
        "differing": [list(d) for d in c.differing],
        "points": [
            {
                "name": p.name, "unit": p.unit, "measured": p.measured, "error": p.error, "predicted": p.predicted,
                "low": _finite(p.low), "high": _finite(p.high), "inside": p.inside,
            }
            for p in (*c.sieves, *c.figures)
        ],
    }  # fmt: skip


def _all_finite(band: tuple[float, ...]) -> list[float | None]:
    return [_finite(x) for x in band]


def _finite(x: float) -> float | None:
    return x if math.isfinite(x) else None
