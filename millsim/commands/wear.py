"""`millsim wear`: what a weighed loss of the bars means. Heavy imports stay inside."""

import click

from .base import answer, check_plots, exit_code, one_figure, working
from .inputs import Inputs, force_option, path_type, plots_option, quantity, set_option, told_options

_FIGURE = "wear.png"


@click.command()
@click.argument("config", type=path_type)
@click.option("--lost", required=True, metavar='"0.05 g"', help="Mass all bars together have lost, weighed.")
@click.option("--milled", required=True, metavar='"2 kg"', help="Powder milled meanwhile.")
@click.option("--at", default="20 kg", show_default=True, metavar='"20 kg"', help="Powder after which to look.")
@plots_option("Draw the figure into this folder.")
@set_option
@told_options
@force_option
@click.pass_context
def wear(ctx, config, lost, milled, at, plots, settings, force) -> None:
    """What wear does to powder and mill.

    From the weighed loss of the bars: metal in the powder in ppm, edge radius and gap, and how x50, rate and energy
    drift.
    """
    from ..mill.config.mill import load_config

    with Inputs() as given:
        lost_kg = given.read(quantity, lost, "--lost", "kg", 0.0, 5.0, "g", '"0.05 g"')
        milled_kg = given.read(quantity, milled, "--milled", "kg", 1e-3, 1e6, "kg", '"2 kg"')
        at_kg = given.read(quantity, at, "--at", "kg", 1e-3, 1e6, "kg", '"20 kg"')
        loaded = given.read(load_config, config, list(settings))
    check_plots(plots, lambda: [_FIGURE], force)
    with working(ctx) as report:
        from ..studies.wear import drift

        found = drift(loaded, lost_kg, milled_kg, at_kg, progress=lambda done: report("band", done, "parameter draws"))
    from ..show.words import cautions
    from ..show.words import wear as words

    caution = cautions.at("wear", cautions.case_of(loaded))

    def drawn():
        from ..show.plots.wear import figure_of

        return figure_of(found)

    answer(
        ctx, lambda: words.wear_json(found), lambda: words.wear_text(found), exit_code(found.code),
        one_figure(plots, _FIGURE, drawn, force), caution=caution, short=lambda: words.wear_short(found),
    )  # fmt: skip
