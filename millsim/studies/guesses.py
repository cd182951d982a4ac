"""What each guess of a config costs: how far it alone, over its range, opens size, rate and energy."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf, isfinite

from ..base.quantities.params import GUESSED
from ..errors import NotConverged
from ..forecast import band
from ..mill.config.mill import Config
from ..mill.problem import build

RANKED = ("x50_m", "throughput_kg_s", "gross_J_kg")
TELLS = 1.05  # a factor below which a guess costs nothing worth a word
CLASS_RATIO = 1.4  # coarse classes: a factor between two values of a guess hardly depends on them


@dataclass(frozen=True)
class Cost:
    """One guess: by output the factor between its ends; infinite where it stops the mill."""

    key: str
    folds: dict[str, float]

    @property
    def stops(self) -> bool:
        """Whether the mill gives nothing at one end."""
        return any(f == inf for f in self.folds.values())

    @property
    def whole(self) -> float:
        """What guesses are ranked by: the largest of its factors."""
        return max(self.folds.values(), default=1.0)

    @property
    def tells(self) -> bool:
        """Whether it is worth a word."""
        return any(f >= TELLS for f in self.folds.values())


def costs(config: Config) -> list[Cost]:
    """Every guess of a config, the costliest first; none where the mill does not run or settle as guessed."""
    if config.guesses is None:
        return []
    problem = build(config, max(CLASS_RATIO, config.run.class_ratio))
    mills, names = band.one_at_a_time(problem, GUESSED)
    try:
        samples = band.run_samples(problem, mills, config.feed.rate_kg_s)
    except NotConverged:
        return []
    if not samples.values:
        return []
    return ranked({n: dict(band.widest(samples, names, n)) for n in RANKED}, names)


def ranked(widest: Mapping[str, Mapping[str, float]], names: Sequence[str]) -> list[Cost]:
    """Guesses of these names by how far they open the outputs {output: {parameter: factor}}, the widest first."""
    found = [Cost(n, {o: widest[o][n] for o in RANKED if n in widest.get(o, {})}) for n in names]
    return sorted(found, key=lambda c: (-c.whole, -sum(f for f in c.folds.values() if isfinite(f))))
