"""Asking one question after the other at a terminal, for `millsim new`: a mill, or a measured run.

Words and answers are those of the interview that is handed in; here stands how a prompt behaves.
"""

import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

import click

from .base import FAULT, tell

BACK = "back"


@contextmanager
def stopping(ctx: click.Context, said: Callable[[], Iterable[str]], written: Path | None = None) -> Iterator[None]:
    """Ctrl-D ends with code 1, Ctrl-C with 130; nothing stays behind but the answers on the screen.

    said: the answers so far in words. written: a file that may have been written meanwhile; it is put back as it was.
    """
    before = written.read_bytes() if written is not None and written.is_file() else None
    try:
        yield
    except (KeyboardInterrupt, click.Abort) as error:
        with suppress(OSError):
            if written is not None:
                written.unlink() if before is None else written.write_bytes(before)
        if lines := said():
            tell(["", *lines])
        if isinstance(error.__context__, EOFError):
            ctx.exit(FAULT)
        raise


def ask(interview, words, more: Sequence[int] = (), after: Callable[[str], None] = lambda key: None) -> None:
    """Ask what has no answer yet; `back` takes the last answer back. after: called with each key that was answered."""
    asked: list[str] = []
    group = ""
    while True:
        questions = interview.questions(more)
        left = [(heading, key) for heading, key in questions if not interview.is_answered(key)]
        if not left:
            return
        heading, key = left[0]
        if heading != group:
            tell([words.heading(heading)])
            group = heading
        number = [k for _, k in questions].index(key) + 1
        tell(words.question(interview, key, number, len(questions)))
        if not _answer(interview, words, key):
            _step_back(interview, asked)
            continue
        asked.append(key)
        after(key)


def _step_back(interview, asked: list[str]) -> None:
    if asked:
        interview.forget(asked.pop())
    else:
        tell(["  This is the first question."])


def _answer(interview, words, key: str) -> bool:
    """Ask until there is an answer; False: back. An interview that takes several lines returns None until the last."""
    from ..base.reading.values import Bad
    from ..mill.config.answers import is_unknown

    told = False
    with _completing(words.words_of(key)):
        while True:
            typed = _prompt("  > ")
            if typed.strip().casefold() == BACK:
                if undone := interview.undo(key):
                    tell([f"  {undone}"])
                    continue
                return False
            if is_unknown(typed) and not told and (help_first := words.find_out(key)):
                told = True
                tell(help_first)
                continue
            try:
                found = interview.take(key, typed)
            except Bad as bad:
                tell(words.refused(bad))
                continue
            if found is not None:
                tell(filter(None, [words.taken(found, typed)]))
                return True


def _prompt(text: str) -> str:
    """A line typed; at a terminal by `input` itself, since only that edits and completes it."""
    if sys.stdin.isatty() and sys.stdout.isatty():
        try:
            return input(text)
        except EOFError as error:
            raise click.Abort from error
    return click.prompt(text, default="", show_default=False, prompt_suffix="", err=True)


def yes(text: str) -> bool:
    """Whether a question is answered yes; an empty line is no."""
    return _prompt(f"{text} ").strip().casefold() in ("y", "yes")


@contextmanager
def _completing(words: Sequence[str]) -> Iterator[None]:
    """The tab key completes the words of a choice and the names of cards, where the terminal can."""
    try:
        import readline
    except ImportError:
        yield
        return

    def complete(begun: str, state: int) -> str | None:
        return next(iter([w for w in words if w.startswith(begun)][state : state + 1]), None)

    before = readline.get_completer()
    readline.set_completer(complete)
    readline.parse_and_bind("tab: complete")
    try:
        yield
    finally:
        readline.set_completer(before)
