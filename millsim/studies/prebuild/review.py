"""The pre-build review: every check of a mill, in the order a builder meets the parts."""

from ...mill.config.mill import Config
from ...record.prediction import Prediction
from . import bars, hammer, jam, people, power, rotor, sieveair, stator, warm
from .facts import MillFacts
from .line import ReviewLine

GROUPS = ("rotor", "stator", "drive", "sieve and air", "heat", "dust and people")


def review(config: Config, prediction: Prediction | None) -> list[ReviewLine]:
    """All checks of a config; those that need a prediction are "not checked" where it is None."""
    f = MillFacts(config, prediction)
    found = [x for part in (rotor, bars, hammer, stator, jam, power, sieveair, warm, people) for x in part.lines(f)]
    return sorted(found, key=lambda x: GROUPS.index(x.group))


def fails(lines: list[ReviewLine]) -> bool:
    """Whether any check fails."""
    return any(x.verdict == "fails" for x in lines)
