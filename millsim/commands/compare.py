"""`millsim compare`: a measured run against a stored prediction. Heavy imports stay inside."""

import click

from .base import DONE, answer, check_plots, exit_code
from .inputs import Inputs, force_option, path_type, plots_option, told_options


@click.command(short_help="Hold measured runs against a stored prediction.")
@click.argument("prediction", type=path_type, metavar="PREDICTION.h5")
@click.argument("runs", type=path_type, nargs=-1, required=True, metavar="RUN.toml...")
@plots_option("Draw the figure into this folder.")
@told_options
@force_option
@click.pass_context
def compare(ctx, prediction, runs, plots, force) -> None:
    """Set a measured run, or repeated runs of one mill, against a stored prediction.

    After a miss it names what may have caused it, each with the measurement that tells; of repeated runs it tells the
    mean, with what changes from run to run in its error. Nothing is fitted and the prediction is not changed. Exit
    code 3 where it says that the mill cannot run.
    """
    from ..learn.measured.runsheet import read_run
    from ..record import read
    from ..show.words import cautions
    from ..show.words.since import PREDICTION, since_json, since_words

    check_plots(plots, lambda: _names(len(runs)), force)
    with Inputs() as given:
        stored, sheets = given.read(read.read, prediction), [given.read(read_run, run) for run in runs]
    from ..learn.calibration.compare import compare as set_against
    from ..studies.since import since

    found, files = [set_against(stored, sheet) for sheet in sheets], since(stored, prediction)
    as_json, as_text, short = _told(found, since_words(files, PREDICTION))
    answer(
        ctx,
        lambda: as_json() | {"prediction": since_json(files)},
        as_text,
        DONE if stored.runs else exit_code(stored.status),
        written=_written(found, plots, force),
        caution=cautions.at("compare", *(cautions.case_of(sheet.config) for sheet in sheets)),
        full=True,
        short=short,
    )


def _told(found, files: str):
    """(JSON, text, short form) of one comparison, or of several with repeated runs; files: a sentence on them."""
    if len(found) == 1:
        from ..learn.calibration.explain import explain
        from ..show.words import comparison as words
        from ..show.words.short import whole_as_it_is

        why = explain(found[0])
        return (
            (lambda: words.comparison_json(found[0], why)),
            (lambda: words.comparison_text(found[0], why, True, files)),
            (lambda: whole_as_it_is(words.comparison_text(found[0], why, files=files), words.SHOWS)),
        )
    from ..learn.calibration import repeats
    from ..show.words import repeats as several
    from ..show.words.short import whole_as_it_is

    r = repeats.repeated([c.run for c in found])
    points = repeats.mean_points(found, r)
    return (
        lambda: several.compared_json(found, r, points),
        lambda: several.compared_text(found, r, points, True, files),
        lambda: whole_as_it_is(several.compared_text(found, r, points, files=files), several.SHOWS),
    )


def _names(count: int) -> list[str]:
    return [f"comparison{f'_{i}' if i > 1 else ''}.png" for i in range(1, count + 1)]


def _written(found, plots, force: bool):
    """Draw; a line that says so."""
    if plots is not None:
        from ..show.plots import calibration

        for path in calibration.save_comparisons(found, plots, force):
            yield f"Drawn: {path}"
