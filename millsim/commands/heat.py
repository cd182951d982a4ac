"""The command heat: temperatures, cooling and coolant of a mill. Heavy imports stay inside."""

import sys

import click

from ..base.reading.values import Bad, as_quantity
from ..errors import InputError, Problem
from .base import INTERRUPTS, json_done, json_option, path_type, set_option
from .progress import Progress


def quantity(text: str | None, option: str, si: str, low: float, high: float, shown: str, example: str):
    """SI value of an option such as "60 °C"; InputError naming the option; None where it is not given."""
    from ..base.quantities.units import readable

    if text is None:
        return None
    try:
        return as_quantity(text, si, low, high, shown, f"{readable(low, shown)} to {readable(high, shown)}", example)
    except Bad as bad:
        raise InputError(Problem(option, "", bad.message, bad.allowed, bad.hint)) from None


@click.command()
@click.argument("config", type=path_type)
@click.option("--limit", metavar='"60 °C"', help="Of the outlet. Default: the config's, else 15 K below sticking.")
@click.option("--air", metavar='"60 m3/h"', help="Air you measured at the inlet, in place of the predicted one.")
@set_option
@json_option
@click.pass_context
def heat(ctx, config, limit, air, settings, as_json) -> None:
    """How hot a mill gets, and what keeps it cool.

    Largest feed rate within a limit, air and blower, batch time and pauses, a cooler, chilled feed with its dry ice or
    nitrogen, a hot day, and whether its heat runs away.
    """
    from ..mill.config.mill import load_config

    limit_K = quantity(limit, "--limit", "K", 123.15, 523.15, "degC", '"60 °C"')
    air_m3_s = quantity(air, "--air", "m3/s", 1e-5, 10.0, "m3/h", '"60 m3/h"')
    loaded = load_config(config, list(settings))
    found = _answers(loaded, limit_K, air_m3_s, as_json, ctx.meta[INTERRUPTS].check)
    if as_json:
        from ..show.words.heat_tables import heat_json

        json_done(ctx, heat_json(found))
    else:
        from ..show.words.heat import heat_text

        click.echo(heat_text(found), nl=False)


def _answers(config, limit_K, air_m3_s, as_json: bool, check):
    """The answers, with a line of progress; `check` raises an interrupt that was swallowed."""
    with Progress(quiet=as_json and not sys.stderr.isatty()) as progress:
        progress("starting", 0.0, "")
        from ..studies.heat.answers import answers

        def report(done: float) -> None:
            check()
            progress("band", done, "parameter draws")

        return answers(config, limit_K, air_m3_s, progress=report)
