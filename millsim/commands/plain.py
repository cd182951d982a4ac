"""Text that a terminal only shows: what a file or a name may hold for it to obey is taken out."""

import re

import click

_LONGEST = 2000  # characters of one error
# Control characters but for the end of a line and the tab, marks that turn the direction of writing, halves of pairs.
_OBEYED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")


def harmless(text: str) -> str:
    """The text with a question mark for each character that a terminal would obey."""
    return _OBEYED.sub("?", text)


def one_line(text: str) -> str:
    """The same in one line, without its middle where it is long."""
    line = harmless(" ".join(text.split()))
    return line if len(line) <= _LONGEST else f"{line[: _LONGEST - 500]} ... {line[-495:]}"


def escaped(json: str) -> str:
    """JSON with such characters written as escapes, which read back as the same."""
    return _OBEYED.sub(lambda found: f"\\u{ord(found[0]):04x}", json)


def echo(text: object, err: bool = False, nl: bool = True) -> None:
    """Print to stdout, or to stderr, for a terminal."""
    click.echo(harmless(str(text)), err=err, nl=nl)
