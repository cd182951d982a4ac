"""The short form of an answer: what a builder must know to decide, in 25 lines of 100 columns, and what `--full` adds.

A command hands `commands.base.answer` a `Short` beside its whole text. What does not fit is left out by rank, the
least needed first, so that a long name or a long list never pushes the answer off the screen.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from ...base.quantities.written import wrap

MOST_LINES, MOST_COLUMNS = 25, 100  # of a short answer with its caution; the line on --full comes after them


@dataclass(frozen=True)
class Part:
    """Lines that stand or go together. rank: 0 stays longest; of the others the highest goes first."""

    lines: tuple[str, ...]
    rank: int = 0


@dataclass(frozen=True)
class Short:
    """Parts in the order of telling. shows: what `--full` shows; of a text told whole only where some did not fit."""

    parts: tuple[Part, ...]
    shows: str = ""
    told_whole: bool = False

    def lines(self, caution: int = 0) -> list[str]:
        """What fits beside that many lines of caution, the first part whatever happens."""
        kept = [p for p in self.parts if p.lines]
        while sum(len(p.lines) for p in kept) > MOST_LINES - caution and len(kept) > 1:
            del kept[max(range(1, len(kept)), key=lambda i: (kept[i].rank, i))]
        return _tidy([line for p in kept for line in p.lines])

    def more(self, caution: int = 0) -> str:
        """The one line that says what `--full` shows; "" where there is no more than was told."""
        all_told = not self.shows or self.told_whole and sum(len(p.lines) for p in self.parts) <= MOST_LINES - caution
        return "" if all_told else f"`--full` shows {self.shows}."


def _tidy(lines: list[str]) -> list[str]:
    """Without empty lines at the end, or in a row."""
    kept = [line for i, line in enumerate(lines) if line or (i and lines[i - 1])]
    while kept and not kept[-1]:
        del kept[-1]
    return kept


def said(text: str, rank: int = 0) -> Part:
    """A paragraph as a part; nothing where the text is empty."""
    return Part(tuple(wrap(text)) if text else (), rank)


def labelled(label: str, text: str, rank: int) -> Part:
    """A paragraph that begins with its label; nothing where the text is empty."""
    return said(f"{label}: {text}" if text else "", rank)


def table_part(lines: Iterable[str], rank: int = 0) -> Part:
    """Lines that are made up already, such as those of a table."""
    return Part(tuple(lines), rank)


def chosen(sentences: Sequence[str], ranks: dict[str, int], shows: str) -> Short:
    """The first paragraph of an answer, and those of the others that begin with one of the words of `ranks`."""
    first, *others = [s for s in sentences if s]
    found = [(s, next((r for words, r in ranks.items() if s.startswith(words)), None)) for s in others]
    return Short((said(first), *(said(s, r) for s, r in found if r is not None)), shows)


def whole_as_it_is(text: str, shows: str) -> Short:
    """A text that was made to fit, and of which there is a longer form."""
    return Short(whole(text).parts, shows)


def whole(text: str, shows: str = "the rest") -> Short:
    """A text that is short as it is: its paragraphs, of which the last go first should it be too long after all."""
    lines = text.rstrip("\n").split("\n")
    starts = [i for i, line in enumerate(lines) if i == 0 or (line and not line.startswith(" "))]
    ends = [*starts[1:], len(lines)]
    parts = (Part(tuple(lines[a:b]), n) for n, (a, b) in enumerate(zip(starts, ends, strict=True)))
    return Short(tuple(parts), shows, told_whole=True)
