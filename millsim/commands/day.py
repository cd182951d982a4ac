"""`millsim day`: what a mill makes in a day, and when to do what. Heavy imports stay inside."""

import click

from ..base.reading.key import AS_MUCH
from .base import answer, check_plots, exit_code, one_figure, working
from .inputs import Inputs, force_option, path_type, plots_option, set_option, told_options

_FIGURE = "day.png"


@click.command(short_help="Plan a day: kilograms, what limits them, when to clean.")
@click.argument("config", type=path_type)
@click.option("--draws", type=click.IntRange(0, 1024), default=16, show_default=True, help="For the band; 0 for none.")
@click.option("--seed", type=click.IntRange(0, 2**31), default=1, show_default=True, help="Of the draws.")
@plots_option("Draw the figure into this folder.")
@set_option
@told_options
@force_option
@click.pass_context
def day(ctx, config, draws: int, seed: int, plots, settings, force: bool) -> None:
    """A day of production: kilograms, what limits the day, and when to do what.

    Bag and filter fill up, sieve holes are lost, people and motor pause: the mill at the loads of each minute. What
    [day] of the config does not say is taken as usual, and said; the cleaning intervals that make most are found.
    Exit code 3 when the mill cannot run, or does not take the rate asked for.
    """
    from ..mill.config.mill import load_config

    with Inputs() as given:
        loaded = given.read(load_config, config, list(settings))
        if loaded is not None and loaded.feed.batch_mass_kg is not None:
            message, hint = "is a batch, and a day is fed from a hopper", f'--set feed.rate="{AS_MUCH}"'
            given.refuse(str(config), "feed.batch_mass", message, hint)
    check_plots(plots, lambda: [_FIGURE], force)
    with working(ctx) as report:
        from ..studies.day.answer import day_of

        found = day_of(loaded, draws, seed, lambda done: report("states", done, "loads of filter and sieve"))
    from ..show.words import cautions
    from ..show.words import day as words

    def drawn():
        from ..show.plots.day import figure_of

        return figure_of(found)

    answer(
        ctx,
        lambda: words.day_json(found),
        lambda: words.day_text(found),
        exit_code(found.status),
        written=one_figure(plots, _FIGURE, drawn if found.runs else None, force),
        caution=cautions.at("day", cautions.case_of(loaded)),
        full=True,
        short=lambda: words.day_short(found),
    )
