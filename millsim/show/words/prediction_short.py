"""The short form of a prediction: how much and how fine, what limits it, the review, the doubts, what to do next."""

import math

from ...base.quantities.written import capital, digits, join_words, sentence
from ...record.asked import batch_of, handful_of
from ...record.limits import HARDLY_GRINDS
from ...record.outputs import OUTPUTS, figure
from ...record.prediction import Prediction
from ...studies.engines import engines_agree
from . import advice, guesses
from .changes import first_cure, review_words
from .limits import measure_empty, notes, which_limit
from .parameters import parameter_words
from .short import Short, labelled, said
from .stalls import stall_risk, stalls_seen

SHOWS = "all that would help, energies, stalls, doubts, tables of sizes, watts and parameters"


def to_short(p: Prediction) -> Short:
    """What a builder must know to decide; each number as in the whole text."""
    first = f"{advice.how_much(p)} {capital(advice.warmth(p))}".strip()
    parts = [said(first)]
    if p.runs:
        parts += [labelled("How fine", advice.how_fine(p), 1), labelled("Energy", _energy(p), 4)]
        parts += [labelled("Stalls", stall_risk(p), 2)] if stalls_seen(p.trace) or handful_of(p) else []
        parts += [said(engines_agree(p), 2)] if "DISAGREE" in engines_agree(p) else []
    parts += [
        labelled("What limits it", which_limit(p), 1),
        labelled("What would help first, tried alone", first_cure(p), 3),
    ]
    parts += [labelled("Before you build", review_words(p), 1), labelled("Widest doubts", _doubts(p), 3)]
    parts += [labelled("Guessed", guesses.of_prediction(p), 2), labelled("Measure next", _measure(p), 3)]
    parts += [labelled("Note", sentence(w), 5) for w in notes(p)]
    return Short(tuple(parts), SHOWS)


def _energy(p: Prediction) -> str:
    gross = figure(p.main.scalars, "gross_J_kg")
    return "" if gross is None else f"the {OUTPUTS['gross_J_kg'].words} is {advice.with_band(p, gross)} of powder."


def _doubts(p: Prediction) -> str:
    """The two parameters that open the bands most: of x50 and of the rate, each from end to end of its range."""
    if p.too_little:
        return ""
    if p.status == HARDLY_GRINDS:
        return advice.how_sure(p)
    if not math.isfinite(p.band_level):
        return "no band was run, so take these numbers as one guess among many."
    found, seen = [], set()
    for key, words in (("x50_m", "x50"), ("throughput_kg_s", "what comes out" if batch_of(p) else "the rate")):
        for name, fold in [x for x in advice.widest(p, key) if x[0] not in seen and x[1] > 1.005][:1]:
            seen.add(name)
            moved = f"{words} changes {digits(fold, 2)}-fold" if fold < advice.WITHOUT_END else "it may not run at all"
            found.append(f"{moved} with {parameter_words(name)}")
    weak = advice.how_sure(p).split(". ")[0]
    return f"{weak}; {join_words(found)}." if found else f"{weak.rstrip('.')}."


def _measure(p: Prediction) -> str:
    if not p.runs:
        return measure_empty(p.binding)
    a = p.advised
    if a is None or not a.name:
        return advice.measure_next(p)
    little = f", which leaves {100 * a.left:.0f} % of the width of x50's band" if a.left > advice.LITTLE_GAINED else ""
    return f"{a.how} (about {a.minutes:.0f} min){little}."
