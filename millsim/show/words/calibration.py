"""A calibration and a ranking of measurements in words and tables, and as JSON."""

import math
from collections.abc import Iterable

from ...base.quantities import units
from ...base.quantities.scalar import Scalar
from ...base.quantities.written import Shown, digits, join_words, percent, table, wrap
from ...learn.calibration.findings import Check, Row, not_followed, open_words
from ...learn.calibration.fit import Calibration, RunFit
from ...learn.calibration.measurable import RUN
from ...learn.calibration.nextstep import LEAST_GAIN, NOTHING, QUESTIONS, Ranked
from ...learn.calibration.observations import Block
from ...learn.calibration.outlook import BeforeAfter
from ...learn.calibration.whole import CalibrationReport
from ...record.outputs import OUTPUTS, row_name, scalar, shown
from . import guesses
from .advice import LITTLE_GAINED, day_words
from .json import jsonable, picked
from .parameters import parameter_words
from .short import Short, said, table_part, whole

_MOST_OTHERS = 6  # parameters beside the main ones that are listed


def calibration_text(r: CalibrationReport) -> str:
    """The report of a calibration: what it is worth first, then the tables."""
    c, lines = r.calibration, []
    for k in r.checks:
        if not k.passed and k.name in ("fit", "one side", "reach", "closure", "limits"):
            lines += [*wrap(f"LOOK: {k.text}."), ""]
    if not_followed := not_followed_words(c, r.checks):
        lines += [*(line for text in not_followed for line in wrap(text)), ""]
    lines += wrap(_headline(r))
    lines += ["", *wrap("What it is worth, for the mill as its config has it (80 % bands):")]
    lines += [*_answers(r), *wrap(day_words({a.name: a.day for a in r.answers}))]
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
    lines += (
        ["", *next_lines(list(r.ranked), "x50", r.planned_kg_s, hardly=r.hardly, about=r.about)] if r.ranked else []
    )
    for fit in c.fits:
        said = [*fit.run.warnings, *(f"assumed: {a}" for a in fit.run.assumed)]
        said += guesses.of_calibration(fit.run.config)
        lines += ["", f"Noted on {fit.run.name}:"] if said else []
        lines += [line for text in said for line in wrap(f"  {text}")]
    return "\n".join(lines) + "\n"


def calibration_short(r: CalibrationReport) -> Short:
    """What is wrong with it, what it is worth, what it leaves open, what to measure next."""
    bad = [k for k in r.checks if k.name != "determined" and not k.passed]
    checked = sum(k.name != "determined" for k in r.checks)
    told = [said(f"LOOK: {k.text.rstrip('.')}.", 1) for k in bad]
    told += [said(text, 3) for text in not_followed_words(r.calibration, r.checks)]
    told += [said(_headline(r), 1)]
    told += [
        said("What it is worth, for the mill as its config has it (80 % bands):", 1),
        table_part(_answers(r, ""), 1),
    ]
    told += [said(day_words({a.name: a.day for a in r.answers}), 5)]
    wide = [row for row in r.rows if row.main and row.wide]
    told += [said(f"The data leave open: {join_words([parameter_words(x.name) for x in wide])}.", 3)] if wide else []
    passed = f"All {checked}" if not bad else f"{checked - len(bad)} of {checked}"
    told += [said(f"{passed} checks of the fit pass.", 4)]
    if r.ranked:
        told += [said(_next_words(list(r.ranked), "x50", r.planned_kg_s, ""), 2)]
    told += [said(f"Noted on {fit.run.name}: {w}", 6) for fit in r.calibration.fits for w in fit.run.warnings]
    return Short(tuple(told), "every datum, parameters before and after, all checks, more to measure, notes")


TELLS = {  # (finer than the sieve, more than the model makes): what measurement would tell why
    (True, True): "a lens tells dust that the feed brought along from flakes that the edge cuts; sieve the feed too",
    (True, False): "fines are what gets lost: weigh and sieve what hangs in bag and chamber, and sieve for longer",
    (False, True): "caliper ten of the coarsest pieces and the largest holes: pieces may pass beside the sieve",
    (False, False): "caliper the holes: they may be smaller than told, or have pieces stuck in them",
}
TIMES = (  # measured over the model's best, and how that is said
    (20.0, "powder of which the model can make next to none"),
    (2.5, "{:.0f} times the powder that the model can make"), (1.75, "twice the powder that the model can make"),
    (1.0, "more powder than the model can make"), (0.6, "less powder than the model makes at least"),
)  # fmt: skip
WIDER = 1.05  # a factor of the model's own error that is worth a word
MOST_PLACES = 3  # where the model does not follow, that are told


def not_followed_words(c: Calibration, checks: Iterable[Check]) -> list[str]:
    """Of a misfit: where the model does not follow the run, what would tell why, and what it does to the bands."""
    if all(k.passed for k in checks if k.name in ("fit", "one side")):
        return []
    found = []
    for m in not_followed(c)[:MOST_PLACES]:
        whose = f" of {m.run}" if len(c.fits) > 1 else ""
        place = f"{'Below' if m.below else 'Above'} {_sieve(m.sieve_m)} the run{whose} has"
        more = m.measured > m.model
        found.append(
            f"{place} {_times(m.measured, m.model)} ({percent(m.measured, m.error)} ± {percent(m.error)} against "
            f"{percent(m.model, m.error)}). To tell why: {TELLS[m.below, more]}."
        )
    where = zip(("in sizes", "in work, rate, charge and heat"), c.factors, strict=True)
    wider = join_words([f"{factor:.1f} times {what}" for what, factor in where if factor > WIDER])
    said = f"The model's own error counts {wider} what its card says, and every band from this card is wider for it."
    return [*found, said] if wider else found


def _sieve(size_m: float) -> str:
    return f"{1e6 * size_m:.0f} µm" if size_m < 1e-3 else f"{1e3 * size_m:.3g} mm"


def _times(measured: float, model: float) -> str:
    """How much more or less powder the run has than the model makes, in words."""
    ratio = measured / max(model, 1e-9)
    for least, words in TIMES:
        if ratio >= least:
            return words.format(ratio)
    return "half the powder or less that the model can make"


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
        return text + " It is too poor a fit for error bars (see LOOK), and what a card would say is a guess at best."
    by = {a.name: a for a in r.answers}
    parts = []
    for name in ("x50_m", "throughput_kg_s", "gross_J_kg"):
        if name in by and by[name].left < 0.95:
            parts.append(f"{OUTPUTS[name].short} from {_ends(name, by[name].before)} to {_ends(name, by[name].after)}")
    return f"{text} It narrows {'; '.join(parts)}." if parts else f"{text} It narrows none of the answers much."


def _shown(key: str, value: float, low: float, high: float) -> Shown:
    """An output with its band as it reads everywhere."""
    return shown(key, scalar(key, value, low=low, high=high))


def _ends(key: str, band: tuple[float, ...]) -> str:
    """The ends of a band (low, middle, high) or (low, high) in words."""
    s = _shown(key, band[1] if len(band) == 3 else 0.5 * sum(band), band[0], band[-1])
    return f"{s.band} {s.unit}"


def _answers(r: CalibrationReport, sep: str = " ") -> list[str]:
    """Every answer before and after; sep: between a band and its unit, "" for bands without their unit."""
    rows = []
    for a in r.answers:
        before, after = (_shown(a.name, middle, low, high) for low, middle, high in (a.before, a.after))
        left = _left(a) if r.bars else ""
        was, now = (f"{x.band}{sep}{x.unit if sep else ''}" for x in (before, after))
        rows.append([row_name(a.name), f"{before.value} {before.unit}", was, f"{after.value} {after.unit}"])
        rows[-1] += [now if r.bars else "", left]
    return table(["", "before", "band", "after", "band", "width left"], rows, left=6)


def _left(a: BeforeAfter) -> str:
    """The share of a band's width that is left, with what other draws may make of it."""
    if not math.isfinite(a.left):
        return ""
    error = f" ± {max(1.0, 100 * a.left_error):.0f}" if math.isfinite(a.left_error) else ""
    return f"{100 * a.left:.0f}{error} %"


def _data(fit: RunFit) -> list[str]:
    """Every number of a run: measured with its error, before, best fit, and how far off in standard errors."""
    rows = []
    for b in fit.blocks:
        if b.one_sided:
            continue
        before = [sorted(b.tell(f)[i] for f in fit.before) for i in range(b.values.size)]
        for i, label in enumerate(b.labels):
            lows = before[i][len(before[i]) // 10], before[i][-1 - len(before[i]) // 10]
            shown = [_datum(b, v) for v in (b.values[i], b.tell(fit.best)[i], *lows)]
            error = _error(b, float(b.sd[i]))
            off = float((b.tell(fit.best)[i] - b.values[i]) / b.sd[i])
            rows.append([label, shown[0], error, f"{shown[2]} to {shown[3]}", shown[1], f"{off:+.1f}"])
    head = ["", "measured", "+- std. error", "before (80 %)", "best fit", "off, in std. errors"]
    note = "  Q3: what no sieve saw (bag, missing mass, sieving loss) counts half as the rest, half as finer than all."
    return [*table(head, rows, left=1), *wrap(note)]


def _datum(b: Block, value: float) -> str:
    """A number of a block in the units of the workshop."""
    if b.unit == "%":
        return q3_percent(value)
    return str(Shown(Scalar(math.exp(value) if b.logs else float(value), b.unit, "")))


def _error(b: Block, sd: float) -> str:
    if b.unit == "%":
        return q3_percent(sd)
    return f"{100 * sd:.0f} %" if b.logs else f"{sd:.1f} {b.unit}"


def q3_percent(share: float) -> str:
    """A Q3, or its error, to a tenth of a per cent."""
    return f"{100 * share:.1f} %"


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
    return digits(units.in_unit(v, units.UNITS[unit]), 4) if units.find_unit(si) else digits(v)


def next_lines(
    ranked: list[Ranked], question: str, planned_kg_s: float, most: int = 5, hardly: tuple[str, ...] = (),
    about: str = "",
) -> list[str]:  # fmt: skip
    """What to measure next, most per minute first; planned_kg_s: feed rate of the run that would be made; hardly: what
    is not worth it; about: of what the bands are.
    """
    less = f"Would hardly help (narrower by under {100 * LEAST_GAIN:.0f} %): {join_words(list(hardly))}."
    trifles = wrap(less) if hardly else []
    if not ranked:
        return [*wrap(f"Measure next: {NOTHING.format(question)}."), *trifles]
    key = QUESTIONS[question]
    lines = wrap(_next_words(ranked, question, planned_kg_s, about))
    rows = [
        [r.name, f"{r.minutes:.0f} min", _ends(key, r.then), f"{100 * r.left:.0f} %", r.text] for r in ranked[:most]
    ]
    cost = f"  effort: with {RUN} min of the run that it needs; what is read off the same run costs only the rest"
    head = ["measurement", "effort", "band expected", "width left", "how"]
    return [*lines, *table(head, rows, left=1), *wrap(cost), *trifles]


def _next_words(ranked: list[Ranked], question: str, planned_kg_s: float, about: str) -> str:
    """The first measurement, and what it is expected to bring."""
    key, first = QUESTIONS[question], ranked[0]
    if first.left > LITTLE_GAINED:
        return (
            f"Measure next, for {question}: nothing brings much, so leave it if the band is narrow enough. Most for "
            f"its time: {first.text} (about {first.minutes:.0f} min), expected to bring the 80 % band from "
            f"{_ends(key, first.now)} to {_ends(key, first.then)}, {100 * first.left:.0f} % of its width, for a run at "
            f"{3600 * planned_kg_s:.2g} kg/h.{f' {about}.' if about else ''}"
        )
    return (
        f"Measure next, for {question}: {first.text} (about {first.minutes:.0f} min), which narrows it most for "
        f"its time; expected to bring the 80 % band from {_ends(key, first.now)} to {_ends(key, first.then)}, for a "
        f"run at {3600 * planned_kg_s:.2g} kg/h.{f' {about}.' if about else ''}"
    )


def next_short(
    notes: list[str], ranked: list[Ranked], question: str, planned_kg_s: float, hardly: tuple[str, ...], about: str
) -> Short:  # fmt: skip
    """The ranking without the bands that each measurement would bring; notes: what must be known before."""
    shows = "the band that each of them would bring"
    if not ranked:
        lines = [line for n in notes for line in wrap(n)]
        return whole("\n".join([*lines, *next_lines(ranked, question, planned_kg_s, hardly=hardly)]), shows)
    rows = [[f"{r.minutes:.0f} min", f"{100 * r.left:.0f} %", r.text] for r in ranked]
    lines = table(["effort", "width left", "how"], rows, left=0)
    told = [*map(said, notes), said(_next_words(ranked, question, planned_kg_s, about), 1), table_part(lines[:12], 1)]
    less = f"Would hardly help (narrower by under {100 * LEAST_GAIN:.0f} %): {join_words(list(hardly))}."
    return Short((*told, said(less if hardly else "", 2)), shows)


def batch_lines(planned_kg_s: float) -> list[str]:
    """What to know before planning for a mill whose config is a batch."""
    text = "This config is a batch: what follows is planned for a run of this mill with a steady feed of"
    return wrap(f"{text} {3600 * planned_kg_s:.2g} kg/h.")


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
        "checks": jsonable(report.checks),
        "answers": {a.name: picked(a, "before") | _after(a, bars) for a in report.answers},
        "parameters": {r.name: _parameter_json(r, bars) for r in report.rows},
        "next": next_json(list(report.ranked)),
    }


def _after(a: BeforeAfter, bars: bool) -> dict:
    left = {"width_left": jsonable(a.left), "width_left_error": jsonable(a.left_error)} if bars else {}
    return {"after": jsonable(a.after) if bars else None} | left


def _parameter_json(r: Row, bars: bool) -> dict:
    """One parameter before and after; its limits only where the fit bears them."""
    now = picked(r, "value") | (picked(r, "low high") if bars else {"low": None, "high": None})
    before = {"unit": r.param.unit, "before": [r.param.low, r.param.value, r.param.high]}
    return before | now | picked(r, "determined said", before_80="before")


def next_json(ranked: list[Ranked]) -> list[dict]:
    """The ranking, SI units."""
    return [picked(r, "name minutes now then left per_minute", how="text") for r in ranked]
