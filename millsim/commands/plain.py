"""Text that a terminal only shows: what a file or a name may hold for it to obey is taken out."""

import traceback

import click

from ..base.quantities.written import OBEYED, harmless

_LONGEST = 2000  # characters of one error
_LONGEST_TRACE = 20_000  # of a traceback: what it is of may be a large file


def one_line(text: str) -> str:
    """The same in one line, without its middle where it is long."""
    line = harmless(" ".join(text.split()))
    return line if len(line) <= _LONGEST else f"{line[: _LONGEST - 500]} ... {line[-495:]}"


def trace(error: BaseException) -> str:
    """The traceback of an error, without its middle where it is long."""
    text = "".join(traceback.format_exception(error))
    half = _LONGEST_TRACE // 2
    return text if len(text) <= _LONGEST_TRACE else f"{text[:half]}\n ... \n{text[-half:]}"


def escaped(json: str) -> str:
    """JSON with such characters written as escapes, which read back as the same."""
    return OBEYED.sub(lambda found: f"\\u{ord(found[0]):04x}", json)


def echo(text: object, err: bool = False, nl: bool = True) -> None:
    """Print to stdout, or to stderr, for a terminal."""
    click.echo(harmless(str(text)), err=err, nl=nl)
