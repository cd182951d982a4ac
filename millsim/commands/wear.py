"""The command wear: what a weighed loss of the bars means. Heavy imports stay inside."""

import sys

import click

from .base import INTERRUPTS, json_done, json_option, path_type, set_option
from .heat import quantity
from .progress import Progress


@click.command()
@click.argument("config", type=path_type)
@click.option("--lost", required=True, metavar='"0.05 g"', help="Mass all bars together have lost, weighed.")
@click.option("--milled", required=True, metavar='"2 kg"', help="Powder milled meanwhile.")
@click.option("--at", default="20 kg", show_default=True, metavar='"20 kg"', help="Powder after which to look.")
@set_option
@json_option
@click.pass_context
def wear(ctx, config, lost, milled, at, settings, as_json) -> None:
    """What wear does to powder and mill.

    From the weighed loss of the bars: metal in the powder in ppm, edge radius and gap, and how x50, rate and energy
    drift.
    """
    from ..mill.config.mill import load_config

    masses = _masses(lost, milled, at)
    loaded = load_config(config, list(settings))
    check = ctx.meta[INTERRUPTS].check
    with Progress(quiet=as_json and not sys.stderr.isatty()) as progress:
        progress("starting", 0.0, "")
        from ..studies.wear import drift

        def report(done: float) -> None:
            check()
            progress("band", done, "parameter draws")

        found = drift(loaded, *masses, progress=report)
    from ..show.words import wear as wear_words

    if as_json:
        json_done(ctx, wear_words.wear_json(found))
    else:
        click.echo(wear_words.wear_text(found), nl=False)


def _masses(lost: str, milled: str, at: str) -> tuple[float, float, float]:
    """The three masses [kg]; InputError with every one that cannot be read."""
    from ..errors import InputError

    given = (("--lost", lost, 0.0, 5.0, "g", '"0.05 g"'), ("--milled", milled, 1e-3, 1e6, "kg", '"2 kg"'),
             ("--at", at, 1e-3, 1e6, "kg", '"20 kg"'))  # fmt: skip
    problems, found = [], []
    for option, text, low, high, shown, example in given:
        try:
            found.append(quantity(text, option, "kg", low, high, shown, example))
        except InputError as error:
            problems += error.problems
    if problems:
        raise InputError(problems)
    return tuple(found)
