"""`millsim compare`: a measured run against a stored prediction. Heavy imports stay inside."""

import click

from .base import answer, check_plots
from .inputs import force_option, json_option, path_type, plots_option


@click.command()
@click.argument("prediction", type=path_type, metavar="PREDICTION.h5")
@click.argument("run", type=path_type, metavar="RUN.toml")
@plots_option("Draw the figure into this folder.")
@json_option
@force_option
@click.pass_context
def compare(ctx, prediction, run, plots, force) -> None:
    """Set a measured run against a stored prediction.

    Nothing is fitted and the prediction is not changed.
    """
    from ..learn.measured.runsheet import read_run

    check_plots(plots, lambda: ["comparison.png"], force)
    from ..record import read

    stored, sheet = read.read(prediction), read_run(run)
    from ..learn.calibration.compare import compare as set_against
    from ..show.words import calibration

    found = set_against(stored, sheet)
    written = _written(found, plots, force)
    answer(ctx, lambda: calibration.comparison_json(found), lambda: calibration.comparison_text(found), written=written)


def _written(found, plots, force: bool):
    """Draw; a line that says so."""
    if plots is not None:
        from ..show.plots import calibration

        yield f"Drawn: {calibration.save_comparison(found, plots, force)}"
