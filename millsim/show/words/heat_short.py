"""The short form of the heat answers: how hot against which limit, how much it takes, what would help, a hot day."""

from ...studies.heat.answers import HeatAnswers
from .heat import sentences
from .short import Short, chosen

SHOWS = "where the heat goes, cooler, coolant gas, every figure and band, what it rests on"
_RANKS = {  # first words of a paragraph: which goes first where they do not all fit
    "RUNAWAY": 0, "Heat is against": 1, "The advised margin": 1, "It runs warmer": 1, "Is the feed really": 3,
    "Largest": 2, "Air needed": 4, "Batch": 5, "Hot day": 3, "Chilled feed": 7, "Runaway": 6,
}  # fmt: skip


def heat_short(a: HeatAnswers) -> Short:
    """What a builder must know to decide; each number as in the whole text."""
    return chosen(sentences(a), _RANKS, SHOWS)
