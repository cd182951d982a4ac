"""The pre-build review: every check of a mill, in the order a builder meets the parts."""

from collections.abc import Iterable
from types import ModuleType

import numpy as np

from ...mill.config.mill import Config
from ...record.prediction import Foretold
from . import bars, cloth, hammer, jam, people, power, rotor, sieveair, stator, tool, warm
from .facts import MillFacts
from .judge import Rule
from .line import FAILS, UNCHECKED, ReviewLine

GROUPS = ("rotor", "stator", "drive", "sieve and air", "heat", "dust and people")
_ORDER = {group: i for i, group in enumerate(GROUPS)}
PARTS = (rotor, bars, hammer, stator, jam, power, tool, sieveair, warm, people, cloth)
RULES = {x.name: x for part in PARTS for x in vars(part).values() if isinstance(x, Rule)}
NAMES = tuple(RULES)  # of all checks, in a fixed order: a bit each
_BITS = {n: 1 << i for i, n in enumerate(NAMES)}
# Checks that say what a mill makes, not whether it holds: `choose` judges that by the target.
_OF_OUTPUT = (jam.RATE.name, jam.HITS.name, jam.HIT.name)
BARRING = frozenset(
    n for n, rule in RULES.items() if rule.group in ("rotor", "stator", "drive") and n not in _OF_OUTPUT
)  # a mill that fails one of these is not offered


def review(config: Config, prediction: Foretold | None, built: np.void | None = None) -> list[ReviewLine]:
    """All checks of a config; those that need a prediction are "not checked" where it is None.

    built: its MILL record, where it is at hand.
    """
    f = MillFacts(config, prediction, built)
    return sorted((x for part in PARTS for x in part.lines(f)), key=lambda x: _ORDER[x.group])


def verdict_bits(part: ModuleType, f: MillFacts) -> tuple[int, int]:
    """Of one of PARTS the checks that fail and those that could not be made, as `bits`; nothing is put in words."""
    fails = unchecked = 0
    for x in part.lines(f):
        if x.judged == FAILS:
            fails |= _BITS[x.check.name]
        elif x.judged == UNCHECKED:
            unchecked |= _BITS[x.check.name]
    return fails, unchecked


def named(lines: list[ReviewLine], *verdicts: str) -> frozenset[str]:
    """Names of the checks with one of these verdicts."""
    return frozenset(x.name for x in lines if x.verdict in verdicts)


def failing(lines: list[ReviewLine]) -> frozenset[str]:
    """Names of the checks that fail."""
    return named(lines, FAILS)


def bits(names: Iterable[str]) -> np.uint64:
    """Checks as one number, a bit each by `NAMES`."""
    return np.uint64(sum(_BITS[n] for n in names))


def of_bits(number: int, names: tuple[str, ...] = NAMES) -> tuple[str, ...]:
    """The names of the checks in a number."""
    return tuple(n for i, n in enumerate(names) if int(number) >> i & 1)
