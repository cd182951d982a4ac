"""What a report says, in order, as blocks: the answer in words first, how to have the same numbers again last."""

import math
from functools import partial

import numpy as np

from ...base.quantities.written import Shown, capital, duration, number, sentence
from ...record.asked import batch_of
from ...record.prediction import Prediction
from ...studies.engines import engines_agree
from ..plots import prediction
from ..words import advice, why
from ..words.limits import what_binds
from ..words.prediction import CAUTIONS
from . import tables
from .alts import alt_text
from .blocks import Block, Fact, Facts, Items, Listing, Notice, Paragraph, Picture, Report, Section, Table
from .checks import config_of, drawing_blocks, failing_notice, review_blocks, review_of

_CAPTIONS = {
    "size_cumulative": "How much of the powder is finer than a size, on a logarithmic axis of size.",
    "size_density": "Where the mass is. Equal areas are equal masses.",
    "rates": "What competes for a piece at each size. Where “broken by a hit” ends, only edges and the sieve are left.",
    "energy_ledger": "What the shaft puts in, above what becomes of it. Both sums must agree.",
    "temperature": "From a cold start. The limit is where the powder sticks or smears.",
    "torque_speed": "One start from empty, with the large pieces followed one by one.",
}
_HEAT_MARKS = (" Powder and air leave at ", " It gets as warm as ")  # where advice.how_much goes over to the heat
_HEADLINES = ("throughput_kg_s", "x50_m", "x90_m", "outlet_temperature_K", "gross_J_kg")
_HEADLINE_WORDS = {
    "throughput_kg_s": "powder rate",
    "x50_m": "half is finer than",
    "x90_m": "90 % is finer than",
    "outlet_temperature_K": "outlet temperature",
    "gross_J_kg": "energy from the socket",
}
_STATUS = {
    "over capacity": (
        "It cannot do what was asked",
        "The figures of this report are for what it takes, not for what was asked.",
    ),
    "cannot run": ("It cannot run like this", "The figures of this report are for next to no feed."),
}
_NOT_FOLLOWED = (
    "Starts were not followed piece by piece: a batch, a mill that cannot run, more pieces than can be followed, or "
    "run.trace = false."
)


def report(p: Prediction) -> Report:
    """The report of a prediction."""
    config = config_of(p)
    lines, runs = review_of(p, config), p.status != "cannot run"
    sections = (
        Section("answer", "In words", _answer(p, failing_notice(lines))),
        Section("powder", "The powder", _powder(p), new_page=runs),
        Section("energy", "Energy", _energy(p), new_page=True),
        Section("heat", "Heat", _heat(p)),
        Section("rates", "Rates by size", _rates(p), new_page=runs),
        Section("running", "Jam and torque", _running(p)),
        Section("drawing", "Drawing to scale", drawing_blocks(p, config)),
        Section("why", "Why", _labelled(why.sentences(p)) or (Paragraph("Nothing can be told from this result."),)),
        Section("checks", "Before you cut steel", review_blocks(lines, config), new_page=True),
        Section("parameters", "What the numbers rest on", _parameters(p), new_page=True),
        Section("cautions", "Warnings and cautions", _cautions(p)),
        Section("repeat", "How to reproduce it", _repeat(p), new_page=True),
    )
    mill = " ".join(p.mill_name.split()) or "unnamed mill"
    run = f"seed {p.seed}, millsim {p.version}, model {p.model_version}, config {p.config_sha256[:12]}, status: "
    return Report(f"Milling report: {mill}", capital(mill), run + p.status, sections)


# --- the first page --------------------------------------------------------------------------------------


def _answer(p: Prediction, failing: Notice | None) -> tuple[Block, ...]:
    """The answer in sentences: how fine, how much, how hot, what binds, how sure, what to measure next."""
    runs = p.status != "cannot run"
    amount, heat = _parted(advice.how_much(p))
    said = [_labelled([advice.how_fine(p)])] if runs else []
    said += [(Paragraph(amount, "How much"),), (Paragraph(f"{heat} {how_hot(p, bool(heat))}".strip(), "How hot"),)]
    said += [_labelled([what_binds(p)])]
    said += [_labelled([advice.energy_words(p), advice.hammers(p), advice.stall_risk(p)])] if runs else []
    agree = engines_agree(p) if runs and p.other is not None else ""
    said += [_labelled([f"{advice.how_sure(p)} {agree}".strip(), advice.measure_next(p)])]
    notices = [Notice(*_STATUS[p.status])] if p.status in _STATUS else []
    notices += [failing] if failing is not None else []
    blocks = [b for part in said for b in part if b.text]
    return (Facts(_headlines(p)), *notices, *blocks)


def _headlines(p: Prediction) -> tuple[Fact, ...]:
    """The figures at the top, each with its band."""
    found = []
    for key in _HEADLINES:
        s = p.main.scalars.get(key)
        if s is None or not math.isfinite(s.value) or (p.status == "cannot run" and key != "outlet_temperature_K"):
            continue
        shown = Shown(s)
        band = f"{advice.band_name(p)} {shown.band}" if shown.band and not shown.fixed else "no band"
        found.append(Fact(_HEADLINE_WORDS[key], f"{shown.value} {shown.unit}", band))
    limit = next((x for x in p.limits if x.name == p.binding), None)
    if limit is not None:
        found.append(Fact("binds" if limit.margin <= 1.02 else "first to bind", limit.name, ""))
    return tuple(found)


def _parted(text: str) -> tuple[str, str]:
    """The sentences on how much, and those on how hot."""
    for mark in _HEAT_MARKS:
        head, found, tail = text.partition(mark)
        if found:
            return head, f"{found.strip()} {tail}"
    return text, ""


def how_hot(p: Prediction, told: bool = False) -> str:
    """How far the outlet stays from its limit, and how long the mill takes to get warm; told: it was named before."""
    limit = next((x for x in p.limits if x.name == "outlet temperature"), None)
    said = []
    if limit is not None and math.isfinite(limit.capacity) and math.isfinite(limit.load):
        left, words = limit.capacity - limit.load, limit.sentence.rstrip(".")
        side, subject = "below" if left >= 0 else "above", "That" if told else "The outlet"
        means = f"; {words[:1].lower()}{words[1:]}" if words else ""
        said.append(f"{subject} is {number(abs(left), 0)} K {side} the limit{means}.")
    T, t = p.warmup_temperature_K, p.warmup_time_s
    if len(t) > 2 and np.isfinite(T).all() and not batch_of(p) and T[-1] > T[0] + 0.5:
        i = int(np.argmax(T[0] + 0.9 * (T[-1] - T[0]) <= T))
        said.append(f"From a cold start 90 % of the rise is done after {duration(float(t[i]))}.")
    return " ".join(said)


def _labelled(sentences: list[str]) -> tuple[Paragraph, ...]:
    """Paragraphs from texts that begin with what they are about: "How fine: half of ..."."""
    found = []
    for text in sentences:
        label, colon, rest = text.partition(": ")
        named = bool(colon) and len(label) <= 24
        if text:
            found.append(Paragraph(capital(rest), label) if named else Paragraph(text))
    return tuple(found)


# --- chapters --------------------------------------------------------------------------------------------


def _picture(p: Prediction, name: str) -> tuple[Picture, ...]:
    """A figure, if this prediction has data for it."""
    if name not in prediction.names_for(p):
        return ()
    return (Picture(name, partial(prediction.figure, p, name), alt_text(p, name), _CAPTIONS[name]),)


def _there(*found: Table | None) -> tuple[Table, ...]:
    return tuple(t for t in found if t is not None)


def _powder(p: Prediction) -> tuple[Block, ...]:
    pictures = (*_picture(p, "size_cumulative"), *_picture(p, "size_density"))
    if p.status == "cannot run":
        return (Paragraph("There is no powder to describe."),)
    found = (tables.sieve_table(p), tables.scalar_table(p, tables.POWDER, "Powder and charge"))
    exact = _labelled([advice.how_exact(p)])
    return (*pictures, *_there(*found), *exact)


def _energy(p: Prediction) -> tuple[Block, ...]:
    found = _there(tables.ledger_table(p), tables.scalar_table(p, tables.ENERGY, "Energy, power and speed"))
    return (*_picture(p, "energy_ledger"), *found)


def _heat(p: Prediction) -> tuple[Block, ...]:
    found = _there(tables.scalar_table(p, tables.HEAT, "Temperatures and air"))
    return (*found, *_picture(p, "temperature"))


def _rates(p: Prediction) -> tuple[Block, ...]:
    if p.status == "cannot run":
        return (Paragraph("With next to no feed nothing happens to a charge."),)
    return (*_picture(p, "rates"), *_there(tables.rate_table(p)))


def _running(p: Prediction) -> tuple[Block, ...]:
    picture = _picture(p, "torque_speed")
    none = () if picture else (Paragraph(_NOT_FOLLOWED),)
    return (*_there(tables.limit_table(p)), *none, *picture)


def _parameters(p: Prediction) -> tuple[Block, ...]:
    own, total = sum(q.basis in ("measured", "calibrated") for q in p.parameters), len(p.parameters)
    text = f"{own or 'Not one'} of the {total} parameters {'is' if own < 2 else 'are'} measured or calibrated."
    text += " A range is where the value may plausibly lie; the band comes from drawing all of them at once."
    return (Paragraph(text), *_there(tables.parameter_table(p)))


def _cautions(p: Prediction) -> tuple[Block, ...]:
    notes = tuple(sentence(w) for w in p.warnings)
    return (*((Items(notes),) if notes else ()), Notice("Caution", CAUTIONS))


def _repeat(p: Prediction) -> tuple[Block, ...]:
    engine = "both" if p.other is not None else p.main.engine
    how = (
        f"Save the config below as mill.toml and run: millsim predict mill.toml --engine {engine} --seed {p.seed} "
        "--out mill.h5. The same version gives the same numbers again, whatever the number of threads."
    )
    return (
        tables.run_table(p),
        Paragraph(how),
        *_there(tables.engine_table(p), tables.numerics_table(p)),
        Listing("The config, complete with every default", p.config_text.rstrip() + "\n"),
    )
