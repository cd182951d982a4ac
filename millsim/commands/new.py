"""`millsim new`: asks for a mill in the builder's words and writes its config. Heavy imports stay inside."""

from pathlib import Path

import click

from ..errors import InputError, Problem
from .asking import ask, stopping, yes
from .base import DONE, answer, keep, tell, wants_json, wants_talk, working
from .inputs import Inputs, force_option, json_option, path_type, quiet_option, set_option
from .newrun import new_run, refuse_from


@click.command("new")
@click.argument("file", type=path_type, metavar="FILE.toml")
@click.option("--answers", type=path_type, metavar="FILE", help="Ask nothing: take the answers of this file.")
@click.option("--from", "source", type=path_type, metavar="CONFIG.toml", help="Start with the values of a config.")
@click.option("--run", "mill", type=path_type, metavar="MILL.toml", help="Ask for a measured run of this mill instead.")
@set_option
@quiet_option
@json_option
@force_option
@click.pass_context
def new(ctx, file, answers, source, mill, settings, force) -> None:
    """Ask for a mill in a builder's words, and write FILE.toml.

    About two dozen questions; `?` is don't know, and becomes a guess with a range that widens every band. As soon as
    the parts are known they are drawn to scale. Answers are TOML, or lines such as `stator.gap = 2 to 5 mm`; what such
    a file leaves open is guessed.

    With --from and --set it asks nothing: FILE.toml is CONFIG.toml with these changes.

    With --run it asks for what you weighed, timed, read off and sieved, writes that as a run sheet with its sieve
    sheet, and closes the balance. What was not measured is left out; --set says what was different from MILL.toml.
    """
    from ..mill.config.interview import Interview
    from ..show.words import asking

    if mill is not None:
        refuse_from(source)
        new_run(ctx, file, mill, settings, answers, force)
        return
    if settings and source is None:
        hint = "a change of a mill is an answer: --answers FILE"
        raise InputError(Problem("--set", "", "says what is different: it goes with --from or --run", hint=hint))
    silent = answers is not None or bool(settings)
    drawing = file.with_name(f"{file.stem}-drawing.png")
    _refuse(ctx, file, drawing, silent, force)
    interview, rest = Interview(), ""
    with Inputs() as inputs:
        if source is not None and (found := inputs.read(_start, source, file)):
            interview.start, rest = found
        if answers is not None:
            inputs.read(_answered, answers, interview)
        if settings and not inputs.problems:
            inputs.read(_changed, settings, interview)
    if not silent:
        with stopping(ctx, lambda: interview.answers and asking.stopped(list(interview.answers.values())), drawing):
            _ask_all(ctx, interview, file, drawing, rest)
    interview.fill()
    text = _text(interview, file, source, rest)
    _write(ctx, interview, file, drawing, text, force)


def _refuse(ctx: click.Context, file: Path, drawing: Path, silent: bool, force: bool) -> None:
    """Before anything is asked: outputs that could not be written, and JSON without answers."""
    from ..record.files import check_target

    with Inputs() as inputs:
        if file.suffix.lower() != ".toml":
            hint = f"name it {file.stem}.toml"
            inputs.refuse(str(file), "", "the name of a config ends in .toml", hint)
        for path, kind in ((file, "mill.toml"), (drawing, "mill-drawing.png")):
            inputs.read(check_target, path, force, "new", kind)
        if wants_json(ctx) and not silent:
            inputs.refuse(
                "--json", "", "asks nothing, so it needs --answers, or --from and --set", "name a file of answers"
            )


def _start(source: Path, file: Path) -> tuple:
    from ..mill.config.compose import answers_of

    return answers_of(source, file.parent)


def _answered(path: Path, interview) -> None:
    from ..mill.config.answerfile import read_answers

    read_answers(path, interview)


def _changed(settings: tuple[str, ...], interview) -> None:
    from ..mill.config.answerfile import take_answers

    take_answers("\n".join(settings), "--set", interview)


def _ask_all(ctx: click.Context, interview, file: Path, drawing: Path, rest: str) -> None:
    """All questions, the second part only if it is wanted."""
    from ..mill.config.questions import GEOMETRY, MORE
    from ..show.words import asking

    tell(asking.intro())
    more: list[int] = []

    def after(key: str) -> None:
        if key == GEOMETRY:
            _draw(interview, file, drawing, rest)

    ask(interview, asking, more, after)
    for i in range(len(MORE)):
        count = len(interview.questions([i])) - len(interview.questions())
        if count and yes(f"\n{asking.MORE_ASKED[i].format(count)}. Answer them now? [y/N]"):
            more.append(i)
            ask(interview, asking, more)


def _draw(interview, file: Path, drawing: Path, rest: str) -> None:
    """Draw the mill as soon as its parts are known, the rest as usual; where that does not fit yet, later."""
    from copy import deepcopy

    from ..base.reading.values import Bad
    from ..show.words import asked, asking

    whole = deepcopy(interview)
    try:
        whole.fill()
        config = _config(_text(whole, file, None, rest), file)
    except (Bad, InputError):
        return
    tell(["", *asked.sketch(config)])
    _save(config, drawing)
    tell(asking.drawn(drawing))


def _config(text: str, file: Path):
    from ..mill.config.mill import parse_config

    return parse_config(text, str(file), file.parent, path=file)


def _save(config, drawing: Path) -> None:
    from ..record.files import write_bytes
    from ..show.drawing.sheet import drawing as sheet
    from ..show.drawing.sheet import to_bytes

    write_bytes(drawing, to_bytes(sheet(config), "png"), force=True)


def _text(interview, file: Path, source: Path | None, rest: str) -> str:
    from ..mill.config.compose import config_text
    from ..show.words import asking

    answers = [*interview.answers.values(), *interview.carried()]
    return config_text(answers, file.stem, asking.head_lines(file.stem, source.name if source else ""), rest)


def _write(ctx: click.Context, interview, file: Path, drawing: Path, text: str, force: bool) -> None:
    """Check the whole, write it with its drawing, and say which guess costs most."""
    from ..record.files import write_bytes
    from ..show.words import asked, cautions
    from ..studies.guesses import costs

    config = _config(text, file)
    write_bytes(file, text.encode(), force)
    keep(ctx, f"{file} is written.")
    _save(config, drawing)
    with working(ctx) as report:
        report("what each guess costs", 0.0, "the very first time compiles for half a minute")
        found = costs(config)
    if wants_talk(ctx):
        tell(["", *asked.sketch(config)])
    answer(
        ctx,
        lambda: asked.end_json(file, drawing, config, found),
        lambda: asked.end_text(file, drawing, config, found),
        DONE,
        caution=cautions.at("new", cautions.case_of(config)),
    )
