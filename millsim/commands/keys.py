"""`millsim keys`: every key of every file. Heavy imports stay inside."""

from pathlib import Path

import click

from ..errors import InputError, Problem
from .inputs import force_option, path_type
from .plain import echo


@click.command(short_help="List every key of every file, with its range.")
@click.argument("words", nargs=-1)
@click.option("--html", type=path_type, metavar="KEYS.html", help="Also all of it as a page.")
@force_option
def keys(words: tuple[str, ...], html: Path | None, force: bool) -> None:
    """List every key of every file: range, what holds if it is left out, and meaning.

    WORDS is a kind of file (config, run, sweep, target, material, model), a section (rotor, sieve, ...), or any words
    of a key or its meaning. Made from the tables by which files are read, so that it is never out of date.
    """
    from ..show.words import keys as told

    shown = told.found(" ".join(words))
    if not shown:
        hint = "millsim keys alone lists all"
        raise InputError(Problem("keys", "", f"no key and no meaning holds {' '.join(words)!r}", hint=hint))
    if html is not None:
        from ..record.files import check_target, write_bytes
        from ..show.report.keys import to_html

        check_target(html, force, "--html", "keys.html")
        write_bytes(html, to_html().encode(), force)
    echo(told.keys_text(shown).rstrip("\n"))
    if html is not None:
        echo(f"Written: {html}", err=True)
