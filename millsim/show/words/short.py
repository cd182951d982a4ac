"""The short form of an answer: what a builder must know to decide, in 25 lines of 100 columns, and what `--full` adds.

A command hands `commands.base.answer` a `Short` beside its whole text. What does not fit is left out by rank, the
least needed first, so that a long name or a long list never pushes the answer off the screen.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from ...base.quantities.written import wrap

MOST_LINES, MOST_COLUMNS = 25, 100  # of a short answer with its caution; the line on --full comes after them


@dataclass(frozen=True)
class Part:
    """Lines that stand or go together. rank: 0 stays whatever happens; of the others the highest goes first."""

    lines: tuple[str, ...]
    rank: int = 0


@dataclass(frozen=True)
class Short:
    """Parts in the order of telling; shows: what `--full` shows, "" where it shows nothing more."""

    parts: tuple[Part, ...]
    shows: str = ""

    def text(self, caution: int = 0) -> str:
        """What fits beside that many lines of caution; the first part is never cut."""
        kept = list(self.parts)
        while sum(len(p.lines) for p in kept) > MOST_LINES - caution and len(kept) > 1:
            least = max(range(1, len(kept)), key=lambda i: (kept[i].rank, i))
            del kept[least]
        return "\n".join(line for p in kept for line in p.lines)

    @property
    def more(self) -> str:
        """The one line that says what `--full` shows."""
        return f"`--full` shows {self.shows}." if self.shows else ""


def said(text: str, rank: int = 0) -> Part:
    """A paragraph as a part; nothing where the text is empty."""
    return Part(tuple(wrap(text)) if text else (), rank)


def table_part(lines: Iterable[str], rank: int = 0) -> Part:
    """Lines that are made up already, such as those of a table."""
    return Part(tuple(lines), rank)


def whole(text: str, shows: str = "") -> Short:
    """A text that is short as it is: its paragraphs, of which the last go first should it be too long after all."""
    lines = text.rstrip("\n").split("\n")
    starts = [i for i, line in enumerate(lines) if i == 0 or (line and not line.startswith(" "))]
    ends = [*starts[1:], len(lines)]
    return Short(tuple(Part(tuple(lines[a:b]), n) for n, (a, b) in enumerate(zip(starts, ends, strict=True))), shows)
