"""What all commands share: errors as lines and exit codes, the --json promise, common options.

Exit codes: 0 done, 1 failed, 2 bad input, 3 ran but a check failed, 130 interrupted.
"""

import json
import traceback
from dataclasses import asdict
from pathlib import Path

import click

from ..errors import InputError, MillsimError
from .progress import Interrupts

INTERRUPTED = 130
INTERRUPTS = "millsim.interrupts"  # key of the interrupt watch in the click context
KEPT = "millsim.kept"  # what an interrupted command has written already
_JSON = "millsim.json"


class Group(click.Group):
    """Turns every error into one line per problem and an exit code; with --json also into one JSON object."""

    def invoke(self, ctx: click.Context) -> object:
        """Run a command; a traceback is shown only with --debug."""
        with Interrupts() as interrupts:
            ctx.meta[INTERRUPTS] = interrupts
            try:
                return super().invoke(ctx)
            except MillsimError as error:
                lines = [str(p) for p in error.problems] if isinstance(error, InputError) else [str(error)]
                self._fail(ctx, error, lines, error.exit_code)
            except (KeyboardInterrupt, click.Abort) as error:
                self._interrupted(ctx, error)
            except (click.exceptions.Exit, click.ClickException, BrokenPipeError):
                raise
            except Exception as error:
                self._fault(ctx, error, interrupts.seen)

    def _interrupted(self, ctx: click.Context, error: BaseException) -> None:
        kept = ctx.meta.get(KEPT, "nothing was written.")
        self._fail(ctx, error, [f"interrupted; {kept}"], INTERRUPTED)

    def _fault(self, ctx: click.Context, error: Exception, interrupted: bool) -> None:
        """A fault of the program, unless it is what remains of a swallowed interrupt."""
        if interrupted:
            self._interrupted(ctx, error)
        else:
            text = f"{type(error).__name__}: {error}".splitlines()[0]
            self._fail(ctx, error, [f"{text} (a fault of the program; `millsim --debug ...` shows where)"], 1)

    def _fail(self, ctx: click.Context, error: BaseException, lines: list[str], code: int) -> None:
        if ctx.params.get("debug"):
            click.echo("".join(traceback.format_exception(error)), err=True)
        for line in lines:
            click.echo(f"Error: {' '.join(line.split())}", err=True)
        if ctx.meta.get(_JSON) == "pending":
            problems = [asdict(p) for p in error.problems] if isinstance(error, InputError) else []
            print_json({"status": "error", "exit_code": code, "message": "; ".join(lines), "problems": problems})
        ctx.exit(code)


def _note_json(ctx: click.Context, _param: click.Parameter, value: bool) -> bool:
    """Remember that one JSON object is owed on stdout, even if the command fails."""
    if value:
        ctx.meta[_JSON] = "pending"
    return value


json_option = click.option(
    "--json", "as_json", is_flag=True, is_eager=True, callback=_note_json, help="Print one JSON object, nothing else."
)
set_option = click.option(
    "--set", "settings", multiple=True, metavar="KEY=VALUE", help='Override, e.g. --set stator.gap="0.3 mm".'
)
force_option = click.option("--force", is_flag=True, help="Replace existing files.")
path_type = click.Path(path_type=Path)


def print_json(value: dict) -> None:
    """The one JSON object on stdout."""
    click.echo(json.dumps(value, allow_nan=False, ensure_ascii=False))


def json_done(ctx: click.Context, value: dict) -> None:
    """Print the JSON object that --json promised."""
    print_json(value)
    ctx.meta[_JSON] = "done"


def tell(lines: list[str]) -> None:
    """Talk, on stderr."""
    for line in lines:
        click.echo(line, err=True)
