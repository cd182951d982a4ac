"""`millsim new RUN.toml --run MILL.toml`: asks for a measured run, writes its run sheet. Heavy imports stay inside."""

from contextlib import suppress
from pathlib import Path

import click

from ..errors import InputError, Problem
from .asking import ask, stopping
from .base import ANSWER_IS_NO, DONE, answer, tell, wants_json
from .inputs import Inputs


def new_run(ctx: click.Context, file: Path, mill: Path, settings, answers: Path | None, force: bool) -> None:
    """Ask for a run of a mill, or take the answers of a file; write it, and close its balance."""
    from ..learn.measured.runinterview import read_run_answers
    from ..show.words import runasked

    interview = _interview(ctx, file, mill, settings, answers, force)
    if answers is not None:
        read_run_answers(answers, interview)
        interview.fill()
        run = _written(interview, force, str(answers))
    else:
        with stopping(ctx, lambda: runasked.stopped(interview)):
            tell(runasked.ask_intro(mill))
            ask(interview, runasked)
        try:
            run = _written(interview, force, str(file))
        except InputError:
            tell(["", *runasked.stopped(interview)])  # an evening's readings are not lost to one mistake
            raise
    _tell(ctx, interview, run)


def _interview(ctx: click.Context, file: Path, mill: Path, settings, answers: Path | None, force: bool):
    """What is answered, before anything is asked: refused where it could not be written or read again."""
    from ..learn.measured.runinterview import RunInterview
    from ..mill.config.mill import load_config
    from ..record.files import check_target

    with Inputs() as inputs:
        if file.suffix.lower() != ".toml":
            inputs.refuse(str(file), "", "the name of a run sheet ends in .toml", f"name it {file.stem}.toml")
        if wants_json(ctx) and answers is None:
            inputs.refuse("--json", "", "asks nothing, so it needs --answers", "name a file of answers")
        config = inputs.read(load_config, mill, list(settings))
        interview = RunInterview(file, config, mill, settings)
        for path, kind in ((file, "run.toml"), (interview.sheet_file, "run-sieve.csv")):
            inputs.read(check_target, path, force, "new", kind)
    return interview


def _written(interview, force: bool, where: str):
    """The run as `millsim run` reads it; the files stay only if they can be read."""
    from ..learn.measured.runsheet import parse_run
    from ..record.files import write_bytes

    file, sheet, text = interview.file, interview.sheet_file, interview.text()
    before = sheet.read_bytes() if interview.is_sieved and sheet.is_file() else None
    if interview.is_sieved:
        title = f"{interview.answers['run.name'].raw}, the powder; `millsim sieve {sheet.name}` tells of it"
        write_bytes(sheet, interview.sieving.csv(title).encode(), force)
    try:
        run = parse_run(text, where, file.parent, file)
        write_bytes(file, text.encode(), force)
    except Exception:
        if interview.is_sieved:
            with suppress(OSError):
                sheet.unlink() if before is None else sheet.write_bytes(before)
        raise
    return run


def _tell(ctx: click.Context, interview, run) -> None:
    from ..learn.measured.runbalance import close
    from ..show.words import cautions, runasked

    balance = close(run)
    answer(
        ctx,
        lambda: runasked.end_json(interview, run, balance),
        lambda: runasked.end_text(interview, run, balance),
        ANSWER_IS_NO if balance.verdict == "do not calibrate" else DONE,
        caution=cautions.at("run", cautions.case_of(run.config)),
        short=lambda: runasked.end_short(interview, run, balance),
    )


def refuse_from(source: Path | None) -> None:
    """A run starts with no other's values: a reading that was taken over would be a guess."""
    if source is not None:
        message = "is of a mill; with --run every reading is asked for"
        raise InputError(Problem("--from", "", message, hint="leave it out, or keep answers in a file: --answers"))
