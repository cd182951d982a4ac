"""`millsim heat`: temperatures, cooling and coolant of a mill. Heavy imports stay inside."""

import click

from .base import ANSWER_IS_NO, answer, exit_code, working
from .inputs import Inputs, json_option, path_type, quantity, set_option


@click.command()
@click.argument("config", type=path_type)
@click.option("--limit", metavar='"60 °C"', help="Of the outlet. Default: the config's, else 15 K below sticking.")
@click.option("--air", metavar='"60 m3/h"', help="Air you measured at the inlet, in place of the predicted one.")
@set_option
@json_option
@click.pass_context
def heat(ctx, config, limit, air, settings) -> None:
    """How hot a mill gets, and what keeps it cool.

    Largest feed rate within a limit, air and blower, batch time and pauses, a cooler, chilled feed with its dry ice or
    nitrogen, a hot day, and whether its heat runs away.
    """
    from ..mill.config.mill import load_config

    with Inputs() as given:
        limit_K = given.read(quantity, limit, "--limit", "K", 123.15, 523.15, "degC", '"60 °C"')
        air_m3_s = given.read(quantity, air, "--air", "m3/s", 1e-5, 10.0, "m3/h", '"60 m3/h"')
        loaded = given.read(load_config, config, list(settings))
    with working(ctx) as report:
        from ..studies.heat.answers import answers

        found = answers(loaded, limit_K, air_m3_s, progress=lambda done: report("band", done, "parameter draws"))
    from ..show.words import cautions
    from ..show.words.heat import heat_text
    from ..show.words.heat_tables import heat_json

    exceeded = limit_K is not None and found.value("outlet_K") > limit_K
    code = ANSWER_IS_NO if exceeded else exit_code(found.code)
    caution = cautions.at("heat", cautions.case_of(loaded))
    answer(ctx, lambda: heat_json(found), lambda: heat_text(found), code, caution=caution)
