"""What commands are given: common options, quantities, and the problems of all inputs at once."""

import os
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import ParamSpec, TypeVar, cast, overload

import click
from click.shell_completion import CompletionItem

from ..base.reading.values import Bad, as_quantity
from ..errors import InputError, Problem
from .base import FULL, JSON, QUIET


def _note_json(ctx: click.Context, _param: click.Parameter, value: bool) -> None:
    """Remember that one JSON object is owed on stdout, even if the command fails."""
    if value:
        ctx.meta[JSON] = "pending"


json_option = click.option(
    "--json", is_flag=True, is_eager=True, expose_value=False, callback=_note_json,
    help="Print one JSON object, nothing else.",
)  # fmt: skip


def _noted(key: str) -> Callable:
    """The callback of a flag that the whole command may ask for, by a key of the context."""

    def note(ctx: click.Context, _param: click.Parameter, value: bool) -> None:
        if value:
            ctx.meta[key] = True

    return note


full_option = click.option(
    "--full", is_flag=True, is_eager=True, expose_value=False, callback=_noted(FULL),
    help="Print all of the answer, not its short form.",
)  # fmt: skip
quiet_option = click.option(
    "--quiet", is_flag=True, is_eager=True, expose_value=False, callback=_noted(QUIET),
    help="No progress and no other talk on stderr.",
)  # fmt: skip


def told_options(command: Callable) -> Callable:
    """The options of a command that tells of a mill, a run or a powder: --full, --quiet, --json."""
    return full_option(quiet_option(json_option(command)))


def _settings(_ctx: click.Context, _param: click.Parameter, begun: str) -> list[CompletionItem]:
    """For the shell's completion: keys of a config, and after = the words a key may have."""
    from ..mill.config.guessed import guessable
    from ..mill.config.schema import SECTIONS, find_key

    key, given, _ = begun.partition("=")
    if not given:
        keys_of_all = [f"{section}.{k.name}" for section, keys in SECTIONS.items() for k in keys]
        names = [*(f"{k}=" for k in keys_of_all), *(f"guessed.{k}=" for k in keys_of_all if guessable(k))]
        return [CompletionItem(n) for n in names if n.startswith(begun)]
    row = find_key(*key.rpartition(".")[::2])
    return [CompletionItem(f"{key}={c}") for c in (row.choices if row else ()) if f"{key}={c}".startswith(begun)]


def or_file(names: Callable[[], Iterable[str]]) -> Callable:
    """For the shell's completion of an argument that is one of the names that come with millsim, or a file."""

    def complete(_ctx: click.Context, _param: click.Parameter, begun: str) -> list[CompletionItem]:
        return [*(CompletionItem(n) for n in names() if n.startswith(begun)), CompletionItem(begun, type="file")]

    return complete


def _cards() -> Iterable[str]:
    from ..mill.cards import list_materials

    return list_materials()


def _targets() -> Iterable[str]:
    from ..explore.choose.targets import names

    return names()


card_names, target_names = or_file(_cards), or_file(_targets)
set_option = click.option(
    "--set", "settings", multiple=True, metavar="KEY=VALUE", shell_complete=_settings,
    help='Override, e.g. --set stator.gap="0.3 mm".',
)  # fmt: skip
force_option = click.option("--force", is_flag=True, help="Replace existing files.")


class _Path(click.Path):
    """A path that a file can have."""

    def convert(self, value, param, ctx):
        """The path; InputError for a name that no file can have."""
        from ..record.files import refuse_name

        path = Path(os.fsdecode(super().convert(value, param, ctx)))
        refuse_name(path)
        return path


path_type = _Path(path_type=Path)


def plots_option(words: str):
    """The option --plots DIR."""
    return click.option("--plots", type=path_type, metavar="DIR", help=words)


# of the bench tests
decimal_option = click.option("--decimal", type=click.Choice(["point", "comma"]), help="Mark before the decimals.")
material_option = click.option(
    "--material", default="pmma", show_default=True, metavar="CARD", shell_complete=card_names,
    help="Material card, by name or path.",
)  # fmt: skip
meter_option = click.option("--meter", type=click.FloatRange(0.05, 30.0), help="Meter class, ± %. Assumed 3.")
at_option = click.option(
    "--at", type=click.Choice(["mains", "shaft"]), default="mains", show_default=True, help="Where watts were measured."
)
efficiency_option = click.option(
    "--efficiency", type=click.FloatRange(0.05, 1.0), help="Shaft over mains watts of the motor."
)


def many_words(*options: str) -> type[click.Command]:
    """A command whose options of these names take all words up to the next option: --after B1.toml B2.toml."""

    class ManyWords(click.Command):
        def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
            spread, taker, bare = list[str](), "", list[str]()
            for word in args:
                if word in options:
                    taker = word
                    bare = [*bare, word]
                elif taker and not word.startswith("-"):
                    spread, bare = [*spread, taker, word], [w for w in bare if w != taker]
                else:
                    spread, taker = [*spread, word], ""
            return super().parse_args(ctx, [*spread, *bare[:1]])  # at the end an option lacks its word

    return ManyWords


_Args = ParamSpec("_Args")
_Read = TypeVar("_Read")


class Inputs:
    """Context that reads several inputs and raises the problems of all of them at once."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    def read(self, reader: Callable[_Args, _Read], *args: _Args.args, **more: _Args.kwargs) -> _Read:
        """What the reader returns. Where it finds a problem that is None, and the context ends in an error."""
        try:
            return reader(*args, **more)
        except InputError as error:
            self.problems += error.problems
            return cast(_Read, None)

    def refuse(self, where: str, key: str, message: str, hint: str = "") -> None:
        """Note a problem."""
        self.problems.append(Problem(where, key, message, hint=hint))

    def __enter__(self) -> "Inputs":
        return self

    def __exit__(self, kind: type | None, *_: object) -> None:
        if kind is None and self.problems:
            raise InputError(list(dict.fromkeys(self.problems)))


@overload
def quantity(text: str, option: str, si: str, low: float, high: float, shown: str, example: str) -> float: ...
@overload
def quantity(text: None, option: str, si: str, low: float, high: float, shown: str, example: str) -> None: ...
@overload
def quantity(
    text: str | None, option: str, si: str, low: float, high: float, shown: str, example: str
) -> float | None: ...
def quantity(
    text: str | None, option: str, si: str, low: float, high: float, shown: str, example: str
) -> float | None:  # fmt: skip
    """SI value of an option such as "60 °C"; InputError naming the option; None where it is not given."""
    from ..base.quantities.units import readable

    if text is None:
        return None
    try:
        return as_quantity(text, si, low, high, shown, f"{readable(low, shown)} to {readable(high, shown)}", example)
    except Bad as bad:
        raise InputError(Problem(option, "", bad.message, bad.allowed, bad.hint)) from None
