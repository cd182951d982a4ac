"""`millsim next`: which measurement would narrow an answer most. Heavy imports stay inside."""

import click

from .base import ANSWER_IS_NO, answer, working
from .inputs import path_type, set_option, told_options

QUESTIONS = ["x50", "x90", "rate", "energy", "outlet"]


@click.command("next")
@click.argument("config", type=path_type)
@click.option(
    "--for",
    "question",
    type=click.Choice(QUESTIONS),
    default="x50",
    show_default=True,
    help="The answer, as of `millsim change`.",
)
@click.option("--seed", type=click.IntRange(0, 2**63 - 1), default=1, show_default=True, help="Of the draws.")
@set_option
@told_options
@click.pass_context
def next_(ctx, config, question, seed, settings) -> None:
    """Rank measurements by how much they would narrow an answer.

    CONFIG is a mill, with a calibrated card or without.
    """
    from ..mill.config.mill import load_config

    loaded = load_config(config, list(settings))
    with working(ctx) as report:
        from ..learn.calibration import nextstep

        try:
            planned = nextstep.plan(loaded, seed, progress=lambda done: report("measure next", done))
        except nextstep.NothingToRank as why:
            return _nothing(ctx, loaded, question, why)
        ranked, hardly = planned.rank(question), planned.hardly(question)
    from ..base.quantities.written import wrap
    from ..show.words import calibration, cautions

    rate = planned.model.rate_kg_s
    note = [] if loaded.feed.batch_mass_kg is None else calibration.batch_lines(rate)
    found = {
        "next": calibration.next_json(ranked),
        "hardly": list(hardly),
        "planned_rate_kg_s": rate,
        "bands": planned.about,
    }
    found |= {"note": " ".join(note)} if note else {}
    from ..show.words.advice import bench_words

    bench = bench_words(loaded.material.bench, loaded.material.cut_edge, loaded.rotor.edge)
    found |= {"bench": bench} if bench else {}
    tests = wrap(f"Bench tests: {bench}") if bench else []
    about, first = planned.about, [" ".join(x) for x in (note, tests) if x]
    lines = [*note, *tests, *calibration.next_lines(ranked, question, rate, most=20, hardly=hardly, about=about)]
    caution = cautions.at("next", cautions.case_of(loaded))
    answer(
        ctx, lambda: {"status": "ok", "question": question} | found, lambda: "\n".join(lines), caution=caution,
        short=lambda: calibration.next_short(first, ranked, question, rate, hardly, about),
    )  # fmt: skip


def _nothing(ctx: click.Context, config, question: str, why) -> None:
    """Of a mill of which no run can be planned: that, and what may be measured on it, as `millsim predict` says it."""
    from ..base.quantities.written import capital, wrap
    from ..show.words import cautions
    from ..show.words.limits import measure_empty
    from ..show.words.short import whole

    said = [f"{capital(str(why))}."]
    said += [f"Measure next: {words}"] if (words := measure_empty(why.binding)) else []
    found = {"status": "nothing to rank", "question": question, "next": [], "note": " ".join(said)}
    lines, caution = [line for text in said for line in wrap(text)], cautions.at("next", cautions.case_of(config))
    answer(
        ctx, lambda: found, lambda: "\n".join(lines), ANSWER_IS_NO, caution=caution,
        short=lambda: whole("\n".join(lines)),
    )  # fmt: skip
