"""`millsim new`: asks for a mill in the builder's words and writes its config. Heavy imports stay inside."""

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import click

from ..errors import InputError
from .base import DONE, FAULT, answer, keep, tell, wants_json, wants_talk, working
from .inputs import Inputs, force_option, json_option, path_type, quiet_option

BACK = "back"


@click.command("new")
@click.argument("file", type=path_type, metavar="FILE.toml")
@click.option("--answers", type=path_type, metavar="FILE", help="Ask nothing: take the answers of this file.")
@click.option("--from", "source", type=path_type, metavar="CONFIG.toml", help="Start with the values of a config.")
@quiet_option
@json_option
@force_option
@click.pass_context
def new(ctx, file, answers, source, force) -> None:
    """Ask for a mill in a builder's words, and write FILE.toml.

    About two dozen questions; `?` is don't know, and becomes a guess with a range that widens every band. As soon as
    the parts are known they are drawn to scale. Answers are TOML, or lines such as `stator.gap = 2 to 5 mm`; what such
    a file leaves open is guessed.
    """
    from ..mill.config.interview import Interview

    drawing = file.with_name(f"{file.stem}-drawing.png")
    _refuse(ctx, file, drawing, answers, force)
    interview, rest = Interview(), ""
    with Inputs() as inputs:
        if source is not None and (found := inputs.read(_start, source, file)):
            interview.start, rest = found
        if answers is not None:
            inputs.read(_answered, answers, interview)
    if answers is None:
        with _stopping(ctx, interview, drawing):
            _ask_all(ctx, interview, file, drawing, rest)
    interview.fill()
    text = _text(interview, file, source, rest)
    _write(ctx, interview, file, drawing, text, force)


def _refuse(ctx: click.Context, file: Path, drawing: Path, answers: Path | None, force: bool) -> None:
    """Before anything is asked: outputs that could not be written, and JSON without answers."""
    from ..record.files import check_target

    with Inputs() as inputs:
        if file.suffix.lower() != ".toml":
            hint = f"name it {file.stem}.toml"
            inputs.refuse(str(file), "", "the name of a config ends in .toml", hint)
        for path, kind in ((file, "mill.toml"), (drawing, "mill-drawing.png")):
            inputs.read(check_target, path, force, "new", kind)
        if wants_json(ctx) and answers is None:
            inputs.refuse("--json", "", "asks nothing, so it needs --answers", "name a file of answers")


def _start(source: Path, file: Path) -> tuple:
    from ..mill.config.compose import answers_of

    return answers_of(source, file.parent)


def _answered(path: Path, interview) -> None:
    from ..mill.config.answerfile import read_answers

    read_answers(path, interview)


@contextmanager
def _stopping(ctx: click.Context, interview, drawing: Path) -> Iterator[None]:
    """Ctrl-D ends with code 1, Ctrl-C with 130; nothing stays behind but the answers on the screen."""
    from ..show.words import asking

    before = drawing.read_bytes() if drawing.is_file() else None
    try:
        yield
    except (KeyboardInterrupt, click.Abort) as error:
        with suppress(OSError):
            drawing.unlink() if before is None else drawing.write_bytes(before)
        if interview.answers:
            tell(["", asking.STOPPED, *asking.answer_lines(list(interview.answers.values()))])
        if isinstance(error.__context__, EOFError):
            ctx.exit(FAULT)
        raise


def _ask_all(ctx: click.Context, interview, file: Path, drawing: Path, rest: str) -> None:
    """All questions, the second part only if it is wanted."""
    from ..mill.config.questions import GEOMETRY, MORE
    from ..show.words import asking

    tell(asking.intro())
    more: list[int] = []
    _ask(interview, more, lambda key: key == GEOMETRY and _draw(interview, file, drawing, rest))
    for i in range(len(MORE)):
        count = len(interview.questions([i])) - len(interview.questions())
        if count and _yes(f"\n{asking.MORE_ASKED[i].format(count)}. Answer them now? [y/N]"):
            more.append(i)
            _ask(interview, more, lambda key: None)


def _ask(interview, more: list[int], after) -> None:
    """Ask what has no answer yet, one question after the other; `back` takes the last answer back."""
    from ..show.words import asking

    asked: list[str] = []
    group = ""
    while True:
        questions = interview.questions(more)
        left = [(heading, key) for heading, key in questions if not interview.is_answered(key)]
        if not left:
            return
        heading, key = left[0]
        if heading != group:
            tell([asking.heading(heading)])
            group = heading
        number = [k for _, k in questions].index(key) + 1
        tell(asking.question(interview, key, number, len(questions)))
        if not _answer(interview, key):
            _step_back(interview, asked)
            continue
        asked.append(key)
        after(key)


def _step_back(interview, asked: list[str]) -> None:
    if asked:
        interview.forget(asked.pop())
    else:
        tell(["  This is the first question."])


def _answer(interview, key: str) -> bool:
    """Ask until there is an answer; False: back."""
    from ..base.reading.values import Bad
    from ..mill.config.answers import is_unknown
    from ..show.words import asking

    told = False
    with _completing(key):
        while True:
            typed = _prompt("  > ")
            if typed.strip().casefold() == BACK:
                return False
            if key == "feed.material" and is_unknown(typed) and not told:
                told = True
                tell(asking.find_out())
                continue
            try:
                found = interview.take(key, typed)
            except Bad as bad:
                tell(asking.refused(bad))
                continue
            tell(filter(None, [asking.taken(found, typed)]))
            return True


def _prompt(text: str) -> str:
    return click.prompt(text, default="", show_default=False, prompt_suffix="", err=True)


def _yes(text: str) -> bool:
    return _prompt(f"{text} ").strip().casefold() in ("y", "yes")


@contextmanager
def _completing(key: str) -> Iterator[None]:
    """The tab key completes the words of a choice and the names of cards, where the terminal can."""
    try:
        import readline
    except ImportError:
        yield
        return
    from ..show.words import asking

    words = asking.words_of(key)

    def complete(begun: str, state: int) -> str | None:
        return next(iter([w for w in words if w.startswith(begun)][state : state + 1]), None)

    before = readline.get_completer()
    readline.set_completer(complete)
    readline.parse_and_bind("tab: complete")
    try:
        yield
    finally:
        readline.set_completer(before)


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
    _save(config, drawing)
    tell(["", *asked.sketch(config), *asking.drawn(drawing)])


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
