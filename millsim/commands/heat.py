"""`millsim heat`: temperatures, cooling and coolant of a mill. Heavy imports stay inside."""

import click

from .base import ANSWER_IS_NO, answer, check_plots, exit_code, one_figure, working
from .inputs import Inputs, force_option, path_type, plots_option, quantity, set_option, told_options

_FIGURE = "heat.png"


@click.command()
@click.argument("config", type=path_type)
@click.option("--limit", metavar='"60 °C"', help="Of the outlet. Default: the config's, else 15 K below sticking.")
@click.option("--room", metavar='"30 °C"', help="Temperature of the room, as air.room.")
@click.option("--feed", metavar='"30 °C"', help="Temperature of the feed, as feed.temperature.")
@click.option("--hot-day", metavar='"38 °C"', help="Room on a hot day. Default: 35 °C, or 10 K more than the room.")
@click.option("--air", metavar='"60 m3/h"', help="Air you measured at the inlet, in place of the predicted one.")
@plots_option("Draw the figure into this folder.")
@set_option
@told_options
@force_option
@click.pass_context
def heat(ctx, config, limit, room, feed, hot_day, air, plots, settings, force) -> None:
    """How hot a mill gets, and what keeps it cool.

    Largest feed rate within a limit, air and blower, batch time and pauses, a cooler, chilled feed with its dry ice or
    nitrogen, a hot day, and whether its heat runs away.
    """
    from ..mill.config.mill import load_config

    with Inputs() as given:
        limit_K = given.read(quantity, limit, "--limit", "K", 123.15, 523.15, "degC", '"60 °C"')
        air_m3_s = given.read(quantity, air, "--air", "m3/s", 1e-5, 10.0, "m3/h", '"60 m3/h"')
        hot_K = given.read(quantity, hot_day, "--hot-day", "K", 243.15, 333.15, "degC", '"38 °C"')
        own = []
        for key, option, said, low, high in (
            ("air.room", "--room", room, 243.15, 323.15), ("feed.temperature", "--feed", feed, 77.15, 423.15),
        ):  # fmt: skip
            if given.read(quantity, said, option, "K", low, high, "degC", '"30 °C"') is not None:
                own.append(f"{key}={said}")
        loaded = given.read(load_config, config, [*settings, *own])
    check_plots(plots, lambda: [_FIGURE], force)
    told = feed is not None or any(s.strip().startswith("feed.temperature") for s in settings)
    with working(ctx) as report:
        from ..studies.heat.answers import answers
        from ..studies.heatways import helped

        found = answers(
            loaded, limit_K, air_m3_s, progress=lambda done: report("band", done, "parameter draws"), hot_day_K=hot_K,
            feed_given=told,
        )  # fmt: skip
        report("what would help", 0.0)
        found = helped(found, air_m3_s)
        if plots is not None:
            from ..studies.heat.curve import heat_curve

            report("curve", 0.0)
            curve = heat_curve(found, air_m3_s)
    from ..show.words import cautions
    from ..show.words.heat import heat_text
    from ..show.words.heat_short import heat_short
    from ..show.words.heat_tables import heat_json

    exceeded = found.against or limit_K is not None and found.value("outlet_K") > limit_K
    code = ANSWER_IS_NO if exceeded else exit_code(found.code)
    caution = cautions.at("heat", cautions.case_of(loaded))

    def drawn():
        from ..show.plots.heat import figure_of

        return figure_of(found, curve)

    answer(
        ctx, lambda: heat_json(found), lambda: heat_text(found), code, one_figure(plots, _FIGURE, drawn, force),
        caution=caution, short=lambda: heat_short(found),
    )  # fmt: skip
