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
    words: str
    formula: str
    basis: str
    source: str
    needs: tuple[str, ...] = ()
