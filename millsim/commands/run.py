"""`millsim run`: read run sheets, close the balance, say what repeats tell and whether a change did anything."""

from functools import partial

import click

from .base import ANSWER_IS_NO, DONE, answer
from .inputs import Inputs, many_words, path_type, told_options


@click.command("run", cls=many_words("--after"), short_help="Close the balance of a measured run, or of several.")
@click.argument("sheets", metavar="RUN.toml...", type=path_type, nargs=-1, required=True)
@click.option("--after", multiple=True, type=path_type, metavar="RUN.toml...", help="Runs after a change of the mill.")
@told_options
@click.pass_context
def run_command(ctx, sheets, after) -> None:
    """Close the balance of a measured run; of several runs of one mill, what changes from run to run.

    RUN.toml names the config and says what was weighed, timed and read; see configs/demo_run.toml. With runs of the
    changed mill behind --after it says of each figure whether it is a change, luck, or not enough runs. Exit code 3
    when too much mass is missing to calibrate on a run.
    """
    from ..learn.measured.runbalance import close
    from ..learn.measured.runsheet import read_run
    from ..show.words import cautions

    with Inputs() as given:
        runs = [given.read(read_run, s) for s in (*sheets, *after)]
    before = runs[: len(sheets)]
    caution = cautions.at("run", *(cautions.case_of(run.config) for run in runs))
    code = ANSWER_IS_NO if any(close(run).verdict == "do not calibrate" for run in runs) else DONE
    as_json, as_text, short = _told(before, runs[len(sheets) :])
    answer(ctx, as_json, as_text, code, caution=caution, full=len(runs) > 1, short=short)


def _told(before, after):
    """(JSON, text, short form) of one run, of repeats, or of a change."""
    from ..learn.measured.runbalance import close
    from ..show.words import repeats as words
    from ..show.words import run as run_words

    if not after and len(before) == 1:
        run, balance = before[0], close(before[0])
        return tuple(partial(f, run, balance) for f in (run_words.to_json, run_words.to_text, run_words.run_short))
    from ..learn.calibration import repeats
    from ..show.words.short import whole_as_it_is

    if not after:
        several = repeats.repeated(before)
        return (
            lambda: words.repeats_json(several),
            lambda: words.repeats_text(several, full=True),
            lambda: whole_as_it_is(words.repeats_text(several), words.SHOWS),
        )
    change = repeats.changed(before, after)
    return (
        lambda: words.change_json(change),
        lambda: words.change_text(change, full=True),
        lambda: whole_as_it_is(words.change_text(change), words.SHOWS),
    )
