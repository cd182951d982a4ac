"""`millsim compare`: a measured run against a stored prediction. Heavy imports stay inside."""

import click

from .base import DONE, answer, check_plots, exit_code
from .inputs import force_option, json_option, path_type, plots_option


@click.command()
@click.argument("prediction", type=path_type, metavar="PREDICTION.h5")
@click.argument("run", type=path_type, metavar="RUN.toml")
@plots_option("Draw the figure into this folder.")
@click.option("--full", is_flag=True, help="Every sieve and figure, and the causes that were ruled out.")
@json_option
@force_option
@click.pass_context
def compare(ctx, prediction, run, plots, full, force) -> None:
    """Set a measured run against a stored prediction.

    After a miss it names what may have caused it, each with the measurement that tells. Nothing is fitted and the
    prediction is not changed. Exit code 3 where it says that the mill cannot run.
    """
    from ..learn.measured.runsheet import read_run

    check_plots(plots, lambda: ["comparison.png"], force)
    from ..record import read

    stored, sheet = read.read(prediction), read_run(run)
    from ..learn.calibration.compare import compare as set_against
    from ..learn.calibration.explain import explain
    from ..show.words import cautions
    from ..show.words import comparison as words

    found = set_against(stored, sheet)
    why = explain(found)
    answer(
        ctx,
        lambda: words.comparison_json(found, why),
        lambda: words.comparison_text(found, why, full),
        DONE if stored.runs else exit_code(stored.status),
        written=_written(found, plots, force),
        caution=cautions.at("compare", cautions.case_of(sheet.config)),
        full=full,
    )


def _written(found, plots, force: bool):
    """Draw; a line that says so."""
    if plots is not None:
        from ..show.plots import calibration

        yield f"Drawn: {calibration.save_comparison(found, plots, force)}"
