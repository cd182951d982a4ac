"""Repeated runs, and runs before and after a change, in words and tables and as JSON."""

from collections.abc import Iterable

from ...base.numerics.scatter import MOST_RUNS
from ...base.quantities.written import digits, join_words, number, table, wrap
from ...learn.calibration.compare import RunComparison
from ...learn.calibration.repeats import CHANGE, KELVIN, TOO_FEW, Change, Changed, MeanPoint, Repeated, Repeats
from ...learn.measured.runbalance import close
from ...record.date import date_words
from ...record.outputs import OUTPUTS, scalar, shown
from .comparison import differing_lines
from .json import jsonable, picked

Points = tuple[MeanPoint, ...]
IN_FULL = ("x10_m", "net_J_kg")  # they move with x50 and the energy from the socket
SHOWS = "what each run gave, and how it was worked out"  # of `--full`
_DRIFT = (
    "All runs before came before all runs after, so whatever drifted meanwhile (wear, weather, another bag of feed) "
    "counts as the change too; take turns where you can."
)
_VERDICTS = {TOO_FEW: "too few"}  # so that the table fits
_FEEDER = "A feeder set the rate, so it is no answer of the mill."


def repeats_text(r: Repeats, full: bool = False) -> str:
    """Mean and scatter of every figure of repeated runs."""
    mill, n = r.runs[0].config.name, len(r.runs)
    figures = [f for f in r.figures if full or f.name not in IN_FULL]
    told = [f"{OUTPUTS[f.name].short} {_mean(f)}" for f in figures if f.name in ("x50_m", "throughput_kg_s")]
    ways = join_words(told) or "nothing that all of them measured"
    lines = [*wrap(f"{n} runs of {mill}: {ways}. Intervals of the mean at 95 %; scatter as below."), ""]
    rows = [[OUTPUTS[f.name].short, *_value(f), *_spread(f)] for f in figures]
    lines += table(["", "mean", "95 % interval", "run to run", "could be", "from"], rows, kinds="lrrrrl")
    notes = [_basis(figures)] if any(f.scatter.assumed for f in figures) else []
    notes += [_FEEDER] if r.set_by_feeder else []
    lines += ["", *(line for text in notes for line in wrap(text)), *_balances(r.runs)]
    lines += [*_each(r.figures, r.runs), "", *wrap(_how())] if full else []
    return "\n".join(lines) + "\n"


def change_text(c: Change, full: bool = False) -> str:
    """Whether a change did anything."""
    shown_figures = [f for f in c.figures if full or f.name not in IN_FULL]
    lines = [*wrap(headline(c, shown_figures)), ""]
    rows = [
        [OUTPUTS[f.name].short, _short(f.before), _short(f.after), *_change(f), _VERDICTS.get(f.verdict, f.verdict)]
        for f in shown_figures
    ]
    a, b = len(c.before.runs), len(c.after.runs)
    heads = [_runs("before", a), _runs("after", b), "change", "95 % interval", "chance", ""]
    lines += [*table(["", *heads], rows, kinds="lrrrrrl"), ""]
    notes = [wanted(shown_figures), _basis([f.before for f in shown_figures])]
    notes += [_same(c)] if not c.differing else []
    notes += [_DRIFT] if c.turns is False else []
    notes += [_FEEDER] if c.before.set_by_feeder or c.after.set_by_feeder else []
    lines += [line for text in notes if text for line in wrap(text)]
    if not full:
        return "\n".join(lines) + "\n"
    for name, r in (("Before", c.before), ("After", c.after)):
        lines += ["", f"{name}:", *_each(r.figures, r.runs), *_balances(r.runs)]
    many = len(c.figures)
    luck = f"Of {many} figures one is called a change by luck alone in up to {100 * (1 - 0.95**many):.0f} % of cases."
    return "\n".join([*lines, "", *wrap(luck if many > 1 else ""), *wrap(_how())]) + "\n"


def headline(c: Change, figures: list[Changed]) -> str:
    """The change and what is to be thought of it, most certain first."""
    what = join_words([f"{key} {a} -> {b}" for key, a, b in c.differing[:3]])
    lead = f"After the change ({what}) " if what else "After the change "
    if not figures:
        return f"{lead}nothing can be said: no figure was measured in all runs of both."
    by = {v: [f for f in figures if f.verdict == v] for v in dict.fromkeys(f.verdict for f in figures)}
    parts = [f"{join_words([_by(f) for f in by[CHANGE]])}, and that is a change, not luck"] if CHANGE in by else []
    rest = [f for f in figures if f.verdict != CHANGE]
    if rest:
        first = min(rest, key=lambda f: f.chance)
        other = "the rest may be luck" if parts else f"{_by(first)}, but that may be luck"
        parts.append(f"{other}: without any change {_of_hundred(first.chance)} would differ by as much")
    return f"{lead}{'; '.join(parts)}."


def wanted(figures: list[Changed]) -> str:
    """How many runs would settle what is open."""
    open_ = [f for f in figures if f.verdict != CHANGE]
    more = [f"{OUTPUTS[f.name].short} {_more(*f.more)}" for f in open_ if f.more is not None]
    far = [OUTPUTS[f.name].short for f in open_ if f.more is None]
    text = f"More runs that would settle it in 4 of 5 cases, if it is as it looks: {'; '.join(more)}." if more else ""
    small = f"To settle {join_words(far)} would take over {MOST_RUNS} runs before and after: they differ so little."
    return f"{text} {small}".strip() if far else text


def _more(before: int, after: int) -> str:
    return f"{before} of each" if before == after else f"{before} before, {after} after"


def compared_text(
    comparisons: list[RunComparison], r: Repeats, points: tuple[MeanPoint, ...], full: bool = False, files: str = ""
) -> str:
    """Repeated runs against one prediction: the mean of each figure, and how many runs lie inside by themselves.

    files: what has become of those of the prediction, a sentence.
    """
    p, n = comparisons[0].prediction, len(comparisons)
    lines = [*wrap(_compared(comparisons, points)), ""]
    rows = [_compared_row(m, r) for m in points]
    lines += table(["", f"mean of {n}", "±", "predicted", f"{100 * p.band_level:.0f} % band", "", "runs inside"], rows,
                   kinds="lrrrrll")  # fmt: skip
    lines += differing_lines(comparisons[0], 12 if full else 2)
    lines += ["", *wrap(_basis([f for f in r.figures if f.name not in IN_FULL]))]
    lines += ["", *_each(r.figures, r.runs), *wrap(_how())] if full else []
    return (
        "\n".join([*lines, *wrap(f"{files} Causes of a miss are looked for in one run: compare it by itself.".strip())])
        + "\n"
    )


def _compared(comparisons: list[RunComparison], points: Points) -> str:
    p, n = comparisons[0].prediction, len(comparisons)
    if not points:
        return f"No figure of the {n} runs can be held against the prediction {p.mill_name}."
    inside, count = sum(m.inside for m in points), sum(m.runs for m in points)
    out = [OUTPUTS[m.point.name].short for m in points if not m.point.inside]
    held = f"the means of {join_words(out)} lie outside" if out else "all means lie inside"
    level = 100 * p.band_level
    own = " It was calibrated on one of them, which proves nothing." if any(c.own_run for c in comparisons) else ""
    return (
        f"{n} runs against the forecast of {date_words(p.date)}: {held} the {level:.0f} % bands; of single runs' "
        f"figures {inside} of {count} do lie inside, where one expects {p.band_level * count:.0f}.{own}"
    )


def _compared_row(m: MeanPoint, r: Repeats) -> list[str]:
    p = m.point
    a = shown(p.name, scalar(p.name, p.measured, se=p.error))
    b = shown(p.name, scalar(p.name, p.predicted, low=p.low, high=p.high))
    place = "inside" if p.inside else "above" if p.measured > p.predicted else "below"
    return [OUTPUTS[p.name].short, a.text, a.error, b.text, b.band, place, f"{m.inside} of {m.runs}"]


def compared_json(comparisons: list[RunComparison], r: Repeats, points: Points) -> dict:
    """Repeated runs against one prediction, in SI units."""
    p = comparisons[0].prediction
    names = "name unit measured error predicted low high inside"
    means = [picked(m.point, names) | picked(m, "runs", runs_inside="inside") for m in points]
    told = {"status": "ok" if p.runs else p.status, "means": means, "date": p.date or None}
    return told | {"differing": jsonable(comparisons[0].differing), "repeats": repeats_json(r)}


def repeats_json(r: Repeats) -> dict:
    """Repeated runs in SI units."""
    verdicts = {run.name: close(run).verdict for run in r.runs}
    figures = {f.name: _figure_json(f) for f in r.figures}
    return {"status": "ok", "runs": list(verdicts), "balances": verdicts, "figures": figures,
            "set_by_feeder": r.set_by_feeder}  # fmt: skip


def change_json(c: Change) -> dict:
    """Runs before and after a change, in SI units."""
    found = {}
    for f in c.figures:
        told = picked(f, "change low high less chance verdict", more_runs="more")
        found[f.name] = told | {"before": _figure_json(f.before), "after": _figure_json(f.after)}
    told = {"before": repeats_json(c.before), "after": repeats_json(c.after), "figures": found}
    return {"status": "ok"} | told | {"differing": jsonable(c.differing), "took_turns": c.turns}


# --- pieces ----------------------------------------------------------------------------------------------


def _figure_json(f: Repeated) -> dict:
    told = picked(f, "values mean low high")
    s = f.scatter
    return told | {"scatter": jsonable({"sd": s.sd, "degrees_of_freedom": s.dof, "assumed": s.assumed,
                                        "plausible": s.plausible, "rests_on": [p.name for p in f.basis]})}  # fmt: skip


def _mean(f: Repeated) -> str:
    return str(shown(f.name, scalar(f.name, f.mean, low=f.low, high=f.high)))


def _short(f: Repeated) -> str:
    return shown(f.name, scalar(f.name, f.mean, low=f.low, high=f.high)).text


def _value(f: Repeated) -> list[str]:
    s = shown(f.name, scalar(f.name, f.mean, low=f.low, high=f.high))
    return [s.text, f"{s.band} {s.unit}"]


def _spread(f: Repeated) -> list[str]:
    low, high = f.scatter.plausible
    unit, by = ("K", 1.0) if f.name in KELVIN else ("%", 100.0)
    source = "assumed" if f.scatter.assumed else "repeats"
    return [f"{digits(by * f.scatter.sd, 2)} {unit}", f"{digits(by * low, 2)} to {digits(by * high, 2)} {unit}", source]


def _change(f: Changed) -> list[str]:
    if f.name in KELVIN:
        return [f"{f.change:+.1f} K", f"{f.low:+.1f} to {f.high:+.1f} K", _sure(f)]
    said = [_signed(f.change), f"{_signed(f.low)[:-2]} to {_signed(f.high)}"]
    return [*said, _sure(f)]


def _signed(ratio: float) -> str:
    by = 100.0 * (ratio - 1.0)
    return f"{number(by, 0 if abs(by) >= 10 else 1) if by <= 0 else '+' + number(by, 0 if by >= 10 else 1)} %"


def _of_hundred(p: float) -> str:
    return f"{max(1, round(100 * p))} of 100 pairs" if p >= 0.005 else "under 1 of 100 pairs"


def _sure(f: Changed) -> str:
    """ "97 % less": how sure the side of a change is."""
    sure, side = max((f.less, "less"), (1.0 - f.less, "more"))
    return f"{'over 99.9' if sure > 0.999 else digits(100 * sure, 3 if sure > 0.99 else 2)} % {side}"


def _by(f: Changed) -> str:
    """ "x50 is 7 % smaller"."""
    name = OUTPUTS[f.name].short
    if f.name in KELVIN:
        return f"{name} is {abs(f.change):.1f} K {'higher' if f.change > 0 else 'lower'}"
    by = abs(100.0 * (f.change - 1.0))
    words = ("larger", "smaller") if f.name in ("x50_m", "x90_m") else ("higher", "lower")
    return f"{name} is {digits(by, 2)} % {words[0] if f.change > 1 else words[1]}"


def _runs(word: str, n: int) -> str:
    return f"{word} ({n})"


def _basis(figures: Iterable[Repeated]) -> str:
    """Where the scatter is from."""
    figures = list(figures)
    if not figures:
        return ""
    told = [f for f in figures if not f.scatter.assumed]
    guessed = {p.name: p for f in figures if f.scatter.assumed for p in f.basis}
    text = ""
    if told:
        each = join_words([f"{OUTPUTS[f.name].short} {_spread(f)[0]}" for f in told])
        dof = told[0].scatter.dof
        text = f"From run to run, one standard deviation: {each}; by these repeats, {dof} degrees of freedom."
    if guessed:
        said = "; ".join(f"{p.name.removeprefix('repeat_')} {_range(p)}" for p in guessed.values())
        why = "A single pair of repeats tells little" if any(f.scatter.dof for f in figures) else "Nothing was repeated"
        text += f" {why}, so what changes from run to run is assumed: {said} (card of the model)."
    return text.strip()


def _range(p) -> str:
    unit, by = ("K", 1.0) if p.unit == "K" else ("%", 100.0)
    ends = f" ({digits(by * p.low, 2)} to {digits(by * p.high, 2)})" if p.high > p.low else f" ({p.basis})"
    return f"{digits(by * p.value, 2)} {unit}{ends}"


def _same(c: Change) -> str:
    return "The run sheets name the same mill and setting before and after: what was changed is not on them."


def _balances(runs) -> list[str]:
    """Runs whose balance is no good."""
    bad = [run.name for run in runs if close(run).verdict == "do not calibrate"]
    return wrap(f"The mass balance does not close: {join_words(bad)}; `millsim run` says why.") if bad else []


def _each(figures, runs) -> list[str]:
    """What each run gave."""
    rows = [
        [run.name, *(shown(f.name, scalar(f.name, f.values[i])).text for f in figures)] for i, run in enumerate(runs)
    ]
    return table(["run", *(OUTPUTS[f.name].short for f in figures)], rows)


def _how() -> str:
    return (
        "Means of logarithms (of temperatures: of kelvin); scatter pooled over both sides of a change; intervals and "
        "chances by Student's t, or, where the scatter is assumed, over its range. Watt meter, sieves and thermometer "
        "count as the same in all runs: in a mean they are part of the error, in a difference they are not."
    )
