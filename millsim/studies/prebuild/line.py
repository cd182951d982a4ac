"""One line of the pre-build review. Its words are made when they are read: sweeps ask for verdicts alone."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

from ...record.limits import AT, CLOSE, CLOSE_MARGIN, OUTSIDE, nearness

PREDICTION = "a prediction"  # what a check needs beside keys
FAILS, PASSES, UNCHECKED, NOTE = "fails", "passes", "not checked", "note"
LOOK_AT = (AT, OUTSIDE, CLOSE)  # no failure; outside: of the figure beside it, which alone makes none
MADE = (FAILS, *LOOK_AT, PASSES)  # of a check that was made
VERDICTS = (*MADE, UNCHECKED, NOTE)
Words = str | Callable[[], str]  # a sentence, its end and capital left to `words`, or what makes it
Number = float | None | Callable[[], float]


@dataclass(frozen=True)
class Check:
    """One check before it is applied: where it belongs, its formula as in a handbook, and what the limit rests on."""

    group: str  # "rotor", "stator", "drive", "sieve and air", "heat", "dust and people"
    name: str
    unit: str
    formula: str
    basis: str  # one of params.BASES
    source: str  # where to look it up
    close: float = CLOSE_MARGIN
    least: bool = False  # the limit is the least the value may be, not the most

    def margin(self, value: float, limit: float) -> float:
        """How many times the value fits into the limit; the other way round where the limit is the least allowed."""
        above, below = (value, limit) if self.least else (limit, value)
        return above / below if below > 0.0 else math.inf


class ReviewLine(NamedTuple):
    """A check applied. given: the value, or what works it out; limit: None where not known; needs: config keys to give
    for it to be checked, or PREDICTION. Both numbers are in the SI unit of the check.
    """

    check: Check
    judged: str  # the verdict, of whatever is near a limit CLOSE
    given: Number
    limit: float | None
    given_margin: float | None
    said: Words  # what it is
    advice: Words = ""  # what to do where it fails or is close
    own_basis: str = ""  # where it is not the check's
    own_source: str = ""
    needs: tuple[str, ...] = ()

    @property
    def verdict(self) -> str:
        """One of VERDICTS."""
        if self.judged != CLOSE or (margin := self.margin) is None:
            return self.judged
        return nearness(margin)

    @property
    def group(self) -> str:
        """Where it belongs."""
        return self.check.group

    @property
    def name(self) -> str:
        """Name of the check."""
        return self.check.name

    @property
    def unit(self) -> str:
        """SI unit of value and limit."""
        return self.check.unit

    @property
    def formula(self) -> str:
        """As in a handbook."""
        return self.check.formula

    @property
    def basis(self) -> str:
        """What the limit rests on."""
        return self.own_basis or self.check.basis

    @property
    def source(self) -> str:
        """Where to look it up."""
        return self.own_source or self.check.source

    @property
    def value(self) -> float | None:
        """What is held against the limit; None where it is not known."""
        return self.given() if callable(self.given) else self.given

    @property
    def margin(self) -> float | None:
        """How many times the value fits the limit; None where one of them is not known."""
        if self.given_margin is not None or self.limit is None or (value := self.value) is None:
            return self.given_margin
        return self.check.margin(value, self.limit)

    @property
    def words(self) -> str:
        """The sentences for people: what it is, and what to do, or what is lacking where it was not checked."""
        return " ".join(_sentence(x) for x in (self.said, self.advice) if x)


def _sentence(words: Words) -> str:
    """Words with a capital and a full stop."""
    text = words() if callable(words) else words
    return text[:1].upper() + text[1:].rstrip(".") + "."
