"""`millsim run`: read a run sheet, close its balance, say what is missing."""

import click

from .base import ANSWER_IS_NO, DONE, answer
from .inputs import json_option, path_type


@click.command("run")
@click.argument("sheet", metavar="RUN.toml", type=path_type)
@json_option
@click.pass_context
def run_command(ctx, sheet) -> None:
    """Close the balance of a measured run.

    RUN.toml names the config and says what was weighed, timed and read; see configs/demo_run.toml. Exit code 3 when
    too much mass is missing to calibrate on the run.
    """
    from ..learn.measured.runbalance import close
    from ..learn.measured.runsheet import read_run
    from ..show.words import cautions
    from ..show.words import run as run_words

    run = read_run(sheet)
    balance = close(run)
    code = ANSWER_IS_NO if balance.verdict == "do not calibrate" else DONE
    caution = cautions.at("run", cautions.case_of(run.config))
    answer(ctx, lambda: run_words.to_json(run, balance), lambda: run_words.to_text(run, balance), code, caution=caution)
