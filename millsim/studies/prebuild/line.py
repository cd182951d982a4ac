"""One line of the pre-build review."""

from typing import NamedTuple

PREDICTION = "a prediction"  # what a check needs beside keys
VERDICTS = ("passes", "close", "fails", "not checked", "note")


class ReviewLine(NamedTuple):
    """One check. value, limit: in SI `unit`, None where not known; margin: how many times the value fits the limit.

    verdict: one of VERDICTS; words: a sentence for the builder, which says what to do where it fails, or what is
    lacking where it was not checked; formula: as in a handbook; basis: one of params.BASES; source: where to look it
    up; needs: config keys to give for it to be checked, or PREDICTION.
    """

    group: str  # "rotor", "stator", "drive", "sieve and air", "heat", "dust and people"
    name: str
    value: float | None
    unit: str
    limit: float | None
    margin: float | None
    verdict: str
    said: str  # what it is, and what to do: two sentences, their ends and capitals left to `words`
    advice: str
    formula: str
    basis: str
    source: str
    needs: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """The sentences for people."""
        return _sentence(self.said) + (f" {_sentence(self.advice)}" if self.advice else "")


def _sentence(words: str) -> str:
    """Words with a capital and a full stop."""
    return words[:1].upper() + words[1:].rstrip(".") + "."
