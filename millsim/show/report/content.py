"""What a report says, in order, as blocks: the answer in words first, how to have the same numbers again last."""

from functools import partial

from ...base.quantities.written import capital, sentence
from ...mill.config.since import Since
from ...record.asked import batch_of
from ...record.date import date_words
from ...record.identity import forecast_sha256
from ...record.limits import shown_status
from ...record.outputs import figure, row_name
from ...record.prediction import Prediction
from ..parts import Paragraph, Table
from ..plots import prediction
from ..words import advice, cautions, tables, why
from ..words.alts import alt_text
from ..words.limits import verdict
from ..words.since import PREDICTION, since_words
from .blocks import Block, Fact, Facts, Items, Listing, Notice, Only, Picture, Report, Section
from .checks import config_of, drawing_blocks, failing_notice, review_blocks, review_of

_CAPTIONS = {
    "size_cumulative": "How much of the powder is finer than a size, on a logarithmic axis of size.",
    "size_density": "Where the mass is. Equal areas are equal masses.",
    "rates": "What competes for a piece at each size. Where “broken by a hit” ends, only edges and the sieve are left.",
    "energy_ledger": "What the shaft puts in, above what becomes of it. Both sums must agree.",
    "temperature": "From a cold start. The limit is where the powder sticks or smears.",
    "torque_speed": "One history, with the large pieces followed one by one; a stall, where one was seen.",
}
_HEADLINES = ("throughput_kg_s", "x50_m", "x90_m", "outlet_temperature_K", "gross_J_kg")
AT_ONCE = "ends at once"
_STATUS = {
    AT_ONCE: ("It ends at once", "Too little was milled to tell sizes, rate and energy."),
    "over capacity": (
        "It cannot do what was asked",
        "The figures of this report are for what it takes, not for what was asked.",
    ),
    "cannot run": ("It cannot run like this", "The figures of this report are for next to no feed."),
    "hardly grinds": (
        "It hardly grinds",
        "There is no powder to describe; loads and temperatures of this report are for next to no feed.",
    ),
}
_NOT_FOLLOWED = (
    "Starts were not followed piece by piece: a batch, a mill that cannot run, more pieces than can be followed, or "
    "run.trace = false."
)


def report(p: Prediction, files: Since | None = None) -> Report:
    """The report of a prediction; files: what has become of those that it was made from, where that is known."""
    config = config_of(p)
    lines = review_of(p, config)
    told = cautions.at("report", cautions.case_of_prediction(p, [x.words for x in lines]))
    sections = (
        Section("answer", "In words", _answer(p, failing_notice(lines), told, files)),
        Section("powder", "The powder", _powder(p)),
        Section("energy", "Energy", _energy(p)),
        Section("heat", "Heat", _heat(p)),
        Section("rates", "Rates by size", _rates(p)),
        Section("running", "Jam and torque", _running(p)),
        Section("drawing", "Drawing to scale", drawing_blocks(p, config)),
        Section("why", "Why", tuple(why.paragraphs(p)) or (Paragraph("Nothing can be told from this result."),)),
        Section("checks", "Before you cut steel", review_blocks(lines, config)),
        Section("parameters", "What the numbers rest on", _parameters(p)),
        Section("cautions", "Warnings and cautions", _cautions(p, told)),
        Section("repeat", "How to reproduce it", _repeat(p, files)),
    )
    mill = " ".join(p.mill_name.split()) or "unnamed mill"
    made = f"forecast {forecast_sha256(p)[:12]}, {date_words(p.date)}"
    return Report(
        f"Milling report: {mill}",
        capital(mill),
        f"{made}, seed {p.seed}, model {p.model_version}, status: {shown_status(p.status)}",
        sections,
    )


# --- the first page --------------------------------------------------------------------------------------


def _answer(p: Prediction, failing: Notice | None, told: cautions.Cautions, files: Since | None) -> tuple[Block, ...]:
    """The answer in sentences: how fine, how much, how hot, what limits it, how sure, what to measure next."""
    notices = [Notice("Caution", told.text)]
    notices += [Notice("Not what is there now", since_words(files, PREDICTION))] if files and files.changes else []
    notices += [Notice(*_STATUS[AT_ONCE if p.too_little else p.status])] if p.status in _STATUS else []
    notices += [failing] if failing is not None else []
    words = advice.paragraphs(p, "fine", "amount", "heat", "limits", "energy", "hammers", "stalls")
    both = advice.paragraphs(p, "sure", *(() if p.other is None else ("engines",)))
    sure = Paragraph(" ".join(s.text for s in both), both[0].label)
    return (Facts(_headlines(p)), *notices, *words, sure, *advice.paragraphs(p, "guesses", "bench", "next"))


def _headlines(p: Prediction) -> tuple[Fact, ...]:
    """The figures at the top, each with its band."""
    found = []
    for key in _HEADLINES:
        shown = figure(p.main.scalars, key)
        if shown is None or (not p.runs and key != "outlet_temperature_K"):
            continue
        band = f"{advice.band_name(p)} {shown.band}" if shown.band and not shown.fixed else "no band"
        found.append(Fact(row_name(key, batch_of(p) is not None), shown.text, band))
    limit = next((x for x in p.limits if x.name == p.binding), None)
    return (*found, Fact(verdict(limit, p.binding), limit.name)) if limit is not None else tuple(found)


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
    if not p.runs:
        none = "There is too little powder to describe." if p.too_little else "There is no powder to describe."
        return (Paragraph(none),)
    found = (tables.sieve_table(p), tables.number_table(p, tables.POWDER))
    return (*pictures, *_there(*found), *advice.paragraphs(p, "classes"))


def _energy(p: Prediction) -> tuple[Block, ...]:
    found = _there(tables.ledger_table(p), tables.number_table(p, tables.ENERGY))
    return (*_picture(p, "energy_ledger"), *found)


def _heat(p: Prediction) -> tuple[Block, ...]:
    found = _there(tables.number_table(p, tables.HEAT))
    return (*found, *_picture(p, "temperature"))


def _rates(p: Prediction) -> tuple[Block, ...]:
    if not p.runs:
        none = "The batch ends at once" if p.too_little else "With next to no feed nothing happens to a charge"
        return (Paragraph(f"{none}."),)
    return (*_picture(p, "rates"), *_there(tables.rate_table(p)))


def _running(p: Prediction) -> tuple[Block, ...]:
    picture = _picture(p, "torque_speed")
    none = () if picture else (Paragraph(_NOT_FOLLOWED),)
    return (*_there(tables.limit_table(p)), *none, *picture)


def _parameters(p: Prediction) -> tuple[Block, ...]:
    own, total = sum(q.basis in ("measured", "calibrated") for q in p.parameters), len(p.parameters)
    text = f"{own or 'Not one'} of the {total} parameters {'is' if own < 2 else 'are'} measured or calibrated."
    text += " A range is where the value may plausibly lie; the band comes from drawing all of them at once."
    long, short = tables.parameter_table(p), tables.parameter_list(p)
    return (Paragraph(text), *(Only("screen", t) for t in _there(long)), *(Only("paper", t) for t in _there(short)))


def _cautions(p: Prediction, told: cautions.Cautions) -> tuple[Block, ...]:
    notes = tuple(sentence(w) for w in p.warnings)
    return (*((Items(notes),) if notes else ()), Items(told.sentences))


def _repeat(p: Prediction, files: Since | None) -> tuple[Block, ...]:
    engine = "both" if p.other is not None else p.main.engine
    run = f"millsim predict config.toml --engine {engine} --seed {p.seed} --out again.h5"
    how = (
        f"`millsim export FILE.h5` writes all tables and the whole config, config.toml; then `{run}` gives the same "
        "numbers again with the same version, whatever the number of threads."
    )
    text, left = _told_config(p.config_text)
    more = f" The result file has all of it; {left} left out here." if left else ""
    return (
        tables.run_table(p),
        Paragraph(how),
        *((Paragraph(since_words(files, PREDICTION)),) if files else ()),
        *_there(tables.engine_table(p), tables.numerics_table(p)),
        Only("screen", Listing(f"The config, complete with every default.{more}", text)),
    )


def _told_config(text: str) -> tuple[str, str]:
    """The config without what a calibration wrote into it, draws by the thousand; and what is left out."""
    told, mark, calibration = text.partition("\n[calibration]")
    draws = calibration.count("\ndraws = ")
    return told.rstrip() + "\n", f"the calibration, {draws} parameters with their draws, is" if mark and draws else ""
