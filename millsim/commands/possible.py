"""`millsim possible`: what a motor can make of a material at all. Heavy imports stay inside."""

import click

from .base import ANSWER_IS_NO, DONE, answer, check_plots, one_figure, working
from .inputs import Inputs, card_names, force_option, path_type, plots_option, quantity, told_options

_FIGURE = "possible.png"


@click.command()
@click.argument("material", shell_complete=card_names)
@click.option("--x50", metavar='"0.3 mm"', help="Half of the powder by mass is to be finer than this.")
@click.option("--x90", metavar='"0.5 mm"', help="90 % of it is to be finer than this.")
@click.option("--watts", metavar='"300 W"', help="The motor at hand.")
@click.option(
    "--at", type=click.Choice(["socket", "shaft"]), default="socket", show_default=True, help="Where those watts are."
)
@click.option("--rate", metavar='"500 g/h"', help="Powder wanted.")
@click.option(
    "--efficiency", type=click.FloatRange(0.05, 1.0), help="Shaft over socket watts of the motor. Assumed 0.6."
)
@click.option("--feed", metavar='"-78 °C"', help="Temperature of what is fed. Default: 20 °C.")
@click.option("--run", "sheets", multiple=True, type=path_type, metavar="RUN.toml", help="A measured run beside it.")
@plots_option("Draw the figure into this folder.")
@told_options
@force_option
@click.pass_context
def possible(ctx, material, x50, x90, watts, at, rate, efficiency, feed, sheets, plots, force) -> None:
    """Is it possible at all: a material, a fineness, a motor.

    Before any geometry: the least energy that cutting or breaking can cost, what usual mills need on top, grams per
    hour likely and at best, the motor that a wish takes, and what to relax. MATERIAL is a card by name or path. Exit
    code 3 when the wish is above what such mills make at best.
    """
    asked, runs = _asked(material, x50, x90, watts, at, rate, efficiency, feed, sheets)
    check_plots(plots, lambda: [_FIGURE], force)
    with working(ctx) as report:
        from ..studies.possible.answer import possible as study

        found = study(asked, lambda done: report("usual mills", done, "parameter draws"))
    from ..mill.cards import load_material
    from ..show.words import cautions
    from ..show.words import possible as words

    def drawn():
        from ..show.plots.possible import figure_of

        return figure_of(found, runs)

    answer(
        ctx,
        lambda: words.possible_json(found, runs),
        lambda: words.possible_text(found, runs),
        ANSWER_IS_NO if words.code_is_no(found) else DONE,
        written=one_figure(plots, _FIGURE, drawn, force),
        caution=cautions.at("choose", cautions.case_of_card(load_material(material))),
        full=True,
        short=lambda: words.possible_short(found, runs),
    )


def _asked(material, x50, x90, watts, at, rate, efficiency, feed, sheets):
    """(the question, measured runs); InputError with every problem."""
    from ..learn.measured.ownrun import own_run
    from ..learn.measured.runsheet import read_run
    from ..mill.cards import load_material
    from ..studies.possible.answer import COARSEST_M, EFFICIENCY, FINEST_M, Asked
    from ..studies.possible.study import WARM_K

    with Inputs() as given:
        given.read(load_material, material)
        sizes = {
            name: given.read(quantity, text, f"--{name}", "m", FINEST_M, COARSEST_M, "mm", '"0.3 mm"')
            for name, text in (("x50", x50), ("x90", x90))
            if text is not None
        }
        if len(sizes) != 1:
            message = "is given beside --x90" if sizes else "or --x90 is missing: how fine is it to be?"
            given.refuse("--x50", "", message, 'one of them, such as --x50 "0.3 mm"')
        power = given.read(quantity, watts, "--watts", "W", 1.0, 1e5, "W", '"300 W"')
        wanted = given.read(quantity, rate, "--rate", "kg/s", 1e-8, 10.0, "kg/h", '"500 g/h"')
        if watts is None and rate is None:
            given.refuse("--watts", "", "or --rate is missing", 'one of them or both, such as --watts "300 W"')
        feed_K = given.read(quantity, feed, "--feed", "K", 77.15, 323.15, "degC", '"-78 °C"')
        loaded = [(sheet, given.read(read_run, sheet)) for sheet in sheets]
        runs = [(sheet, own_run(run)) for sheet, run in loaded if run is not None]
        for sheet, run in runs:
            if run is None:
                hint = "give power.loaded, or power.energy"
                given.refuse(str(sheet), "power", "has no watts while fed, so it says nothing of energy", hint)
    ((name, x_m),) = sizes.items()
    eta = efficiency or EFFICIENCY
    socket = power / eta if power and at == "shaft" else power
    return Asked(material, name, x_m, feed_K or WARM_K, socket, at, eta, efficiency is None, wanted), tuple(
        r for _, r in runs
    )
