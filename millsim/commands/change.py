"""`millsim change`: which change of a mill is worth making first. Heavy imports stay inside."""

import click

from .base import ANSWER_IS_NO, DONE, answer, working
from .inputs import path_type, set_option, told_options

_GOALS = ["rate", "x50", "x90", "energy", "outlet"]


@click.command()
@click.argument("config", type=path_type)
@click.option(
    "--for", "goal", type=click.Choice(_GOALS), default="rate", show_default=True,
    help="What is to get better: more powder, a finer x50 or x90, less energy per kilogram, a cooler outlet.",
)  # fmt: skip
@click.option("--draws", type=click.IntRange(0, 4096), default=32, show_default=True, help="Shared draws; 0 for none.")
@click.option("--seed", type=click.IntRange(0, 2**31), default=1, show_default=True, help="Of the draws.")
@set_option
@told_options
@click.pass_context
def change(ctx, config, goal: str, draws: int, seed: int, settings) -> None:
    """Which change of a mill is worth making first.

    Moves every setting by steps that a workshop can build or buy, each by itself, holds each to the pre-build review,
    and ranks what they do to one output; the first few with a band of the difference. Exit code 3 when none helps.
    """
    from ..mill.config.mill import load_config

    loaded = load_config(config, list(settings))
    with working(ctx) as report:
        from ..explore.beside.change import rank

        found = rank(loaded, goal, draws, seed, lambda done: report("changes", done, "each by itself"))
    from ..show.words import cautions
    from ..show.words import change as words

    case = cautions.case_of(loaded, [s.words for s in (*found.steps, *found.coarser)])
    answer(
        ctx,
        lambda: words.change_json(found),
        lambda: words.change_text(found),
        DONE if found.steps else ANSWER_IS_NO,
        caution=cautions.at("choose", case),
        full=True,
        short=lambda: words.change_short(found),
    )
