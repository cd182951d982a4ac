"""What all commands share: errors as lines, exit codes, the --json promise, and the order of work.

A command reads its inputs (inputs.py), refuses outputs that could not be kept (`check_plots`), works (`working`:
progress, Ctrl-C), writes and tells its answer (`answer`). Its exit code is one of EXIT; for a mill: `exit_code`.
"""

import json
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

from ..errors import MOST_TOLD, InputError, MillsimError
from ..record import standing
from ..record.limits import CANNOT, FAILED, HARDLY_GRINDS, OK, OVER, STATUS_WORDS
from .plain import echo, escaped, one_line, trace
from .progress import Interrupts, Progress
from .start import FAULT, INTERRUPTED, NOTHING_WRITTEN, TERMINATED, Unwritten

if TYPE_CHECKING:
    from ..show.words.cautions import Cautions
    from ..show.words.short import Short

DONE, ANSWER_IS_NO, INCOMPLETE = 0, 3, 4
EXIT = {
    DONE: "done",
    FAULT: "failed: there is no answer, or it could not be written",
    InputError.exit_code: "bad input: every mistake is named",
    ANSWER_IS_NO: "answered, but no: the mill cannot run, takes less than asked or exceeds a limit, a check\n"
    "       fails, or nothing meets the target",
    INCOMPLETE: "a review that is not whole: no check failed, but some could not be made",
    INTERRUPTED: "interrupted: what was kept is named",
    TERMINATED: "told to end (SIGTERM): the same, and it ends by that signal",
}
NOT_DRAWN = "Drawn: none, for there is nothing to draw."
_INTERRUPTS = "millsim.interrupts"  # key of the interrupt watch in the click context
_KEPT = "millsim.kept"  # what an interrupted command has written already
JSON, FULL, QUIET = "millsim.json", "millsim.full", "millsim.quiet"  # keys of what was asked for


def exit_code(status: int | str) -> int:
    """The exit code for what became of a mill, the same for every command. status: of `record.limits`, or its words."""
    status = CANNOT if status == HARDLY_GRINDS else status
    code = STATUS_WORDS.index(status) if isinstance(status, str) else status
    return {OK: DONE, OVER: ANSWER_IS_NO, CANNOT: ANSWER_IS_NO, FAILED: FAULT}[code]


class Group(click.Group):
    """Turns every error into one line per problem and an exit code; with --json also into one JSON object."""

    def invoke(self, ctx: click.Context) -> object:
        """Run a command; a traceback is shown only with --debug."""
        interrupts = ctx.meta[_INTERRUPTS] = Interrupts(lambda: self._told_interrupted(ctx, KeyboardInterrupt()))
        try:
            with interrupts:
                return super().invoke(ctx)
        except MillsimError as error:
            lines = error.lines if isinstance(error, InputError) else [str(error)]
            self._fail(ctx, error, lines, error.exit_code)
        except (KeyboardInterrupt, click.Abort) as error:
            self._interrupted(ctx, error)
        except (click.exceptions.Exit, click.ClickException):
            raise
        except Unwritten as error:
            error.kept = ctx.meta.get(_KEPT, "")
            raise
        except Exception as error:
            self._fault(ctx, error, interrupts.seen)

    def _interrupted(self, ctx: click.Context, error: BaseException) -> NoReturn:
        self._told_interrupted(ctx, error)
        ctx.exit(ctx.meta[_INTERRUPTS].code)

    def _told_interrupted(self, ctx: click.Context, error: BaseException) -> None:
        standing.remove_all()
        code = ctx.meta[_INTERRUPTS].code
        what = "told to end" if code == TERMINATED else "interrupted"
        self._tell_failure(ctx, error, [f"{what}; {ctx.meta.get(_KEPT, NOTHING_WRITTEN)}"], code)

    def _fault(self, ctx: click.Context, error: Exception, interrupted: bool) -> NoReturn:
        """A fault of the program, unless it is what remains of a swallowed interrupt."""
        if interrupted:
            self._interrupted(ctx, error)
        else:
            text = f"{type(error).__name__}: {error}".splitlines()[0]
            self._fail(ctx, error, [f"{text} (a fault of the program; `millsim --debug ...` shows where)"], FAULT)

    def _fail(self, ctx: click.Context, error: BaseException, lines: list[str], code: int) -> NoReturn:
        self._tell_failure(ctx, error, lines, code)
        ctx.exit(code)

    def _tell_failure(self, ctx: click.Context, error: BaseException, lines: list[str], code: int) -> None:
        if ctx.params.get("debug"):
            echo(trace(error), err=True)
        for line in lines:
            click.echo(f"Error: {one_line(line)}", err=True)
        if ctx.meta.get(JSON) == "pending":
            problems = [asdict(p) for p in error.problems[:MOST_TOLD]] if isinstance(error, InputError) else []
            _print_json({"status": "error", "exit_code": code, "message": "; ".join(lines), "problems": problems})


def check_plots(folder: Path | None, names: Callable[[], Iterable[str]], force: bool) -> None:
    """Find out before computing whether the figures could be kept. names: of their files, asked for only if wanted."""
    from ..record.export import refuse_any_existing
    from ..record.files import check_folder

    if folder is None:
        return
    check_folder(folder, "--plots", create=True)
    if not force:
        refuse_any_existing([folder / name for name in names()], "--plots")


def wants_json(ctx: click.Context) -> bool:
    """Whether one JSON object is asked for, and no talk."""
    return JSON in ctx.meta


def wants_full(ctx: click.Context) -> bool:
    """Whether all of an answer is asked for, not its short form."""
    return FULL in ctx.meta


def wants_talk(ctx: click.Context) -> bool:
    """Whether what goes on may be told on stderr: not where one JSON object or no talk is asked for."""
    return not (wants_json(ctx) or QUIET in ctx.meta)


class Report:
    """Moves a line on stderr, `note`, unless an interrupt was swallowed: then `check` raises it. clear: of the line."""

    def __init__(self, check: Callable[[], None], progress: Progress):
        self.check, self.note, self.clear = check, progress, progress.clear

    def __call__(self, stage: str, done: float, detail: str = "") -> None:
        self.check()
        self.note(stage, done, detail)


@contextmanager
def working(ctx: click.Context) -> "Iterator[Report]":
    """Long work: report(stage, done, detail) moves a line on stderr, and raises an interrupt that was swallowed."""
    check = ctx.meta[_INTERRUPTS].check
    quiet = QUIET in ctx.meta or wants_json(ctx) and not sys.stderr.isatty()
    with Progress(quiet=quiet) as progress:
        report = Report(check, progress)
        report("starting", 0.0)
        yield report
        check()


def keep(ctx: click.Context, words: str) -> None:
    """Note what an interrupted command would leave: told as "interrupted; WORDS"."""
    ctx.meta[_KEPT] = words


def drawing(folder: Path, save: Callable[[], list]) -> str:
    """Draw; the line that says so."""
    count = len(save())
    return f"Drawn: {count} figure{'s' * (count != 1)} in {folder}" if count else NOT_DRAWN


def one_figure(folder: Path | None, name: str, draw: Callable[[], object] | None, force: bool) -> Iterator[str]:
    """Draw the one figure of an answer, if there is one, into the folder of --plots, if any; the line that says so."""
    if folder is None:
        return
    if draw is None:
        yield NOT_DRAWN
        return
    from ..show.plots.prediction import write

    yield f"Drawn: {write({name: draw()}, folder, force, '--plots')[0]}"


def answer(
    ctx: click.Context, as_json: Callable[[], dict], as_text: Callable[[], str], code: int = DONE,
    written: Iterable[str] = (), before: Iterable[str] = (), caution: "Cautions | None" = None, full: bool = False,
    short: "Callable[[], Short] | None" = None,
) -> None:  # fmt: skip
    """Write what was asked for, tell the answer and what was written, and exit with `code`.

    before: talk ahead of the answer. written: writes as it is gone through, a line for each; a failure to write
    comes last, so that the answer is not lost with the disk. caution: of a command that sends someone to a machine;
    full: all of it below the whole answer. short: what is told in place of the whole, `as_text`, without --full.
    """
    lines, failure = [], None
    try:
        for line in written:
            lines.append(line)
    except MillsimError as error:
        failure = error
    if wants_json(ctx):
        _print_json(as_json() | ({"caution": list(caution.sentences)} if caution else {}))
        ctx.meta[JSON] = "done"
    else:
        tell(before if wants_talk(ctx) else ())
        in_short = short if not wants_full(ctx) else None
        text = _short(in_short(), caution) if in_short else cautioned(as_text(), caution, full).rstrip("\n")
        echo(text, nl=bool(text))
        tell(lines if wants_talk(ctx) else ())
    if failure is not None:
        raise failure
    if code:
        ctx.exit(code)


def cautioned(text: str, caution: "Cautions | None", full: bool = False) -> str:
    """An answer with its cautions on the first screen, and all of them at its end where the answer is a long one."""
    from ..show.words.cautions import after_lead, listed

    if caution is None:
        return text
    return after_lead(text, caution) + (f"\n{listed(caution)}" if full else "")


def _short(told: "Short", caution: "Cautions | None") -> str:
    """The short form with its cautions, and the line that says what more there is."""
    taken = len(caution.lines) if caution else 0
    text = cautioned("\n".join(told.lines(taken)), caution)
    return "\n".join(filter(None, (text, told.more(taken))))


def _print_json(value: dict) -> None:
    click.echo(escaped(json.dumps(value, allow_nan=False, ensure_ascii=False)))


def tell(lines: Iterable[str]) -> None:
    """Talk, on stderr."""
    for line in lines:
        echo(line, err=True)
