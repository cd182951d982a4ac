"""Is B really better? Two designs with a few replicate runs each, told apart or not, and whether more runs would."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

SETTLED = 0.95  # probability from which a difference counts as settled (convention)
MOST_PAIRS = 200


@dataclass(frozen=True)
class DesignComparison:
    """Two designs by replicate runs.

    lower: probability that B's true mean is below A's: Student's t on the pooled scatter, flat prior on the means and
    on ln of the scatter. paired: run by run, pooled_sd is then the scatter of the differences. next_lower: the same
    after one more pair of runs, if difference and scatter stay as they are. pairs: how many more pairs would settle
    it then; None: more than MOST_PAIRS.
    """

    mean_a: float
    mean_b: float
    pooled_sd: float
    freedom: int
    lower: float
    next_lower: float
    pairs: int | None
    paired: bool = False

    @property
    def settled(self) -> bool:
        """Whether the runs tell the two apart."""
        return max(self.lower, 1.0 - self.lower) >= SETTLED

    @property
    def next_settles(self) -> bool:
        """Whether one more pair would, if it came out as these did."""
        return max(self.next_lower, 1.0 - self.next_lower) >= SETTLED


def compare(a: Sequence[float], b: Sequence[float], paired: bool = False) -> DesignComparison:
    """Two designs by the same output of their replicate runs (at least two of each, or three in all).

    paired: the runs belong together one by one, as Monte Carlo runs of the same seeds do: what chance does to both
    drops out, and Student's t is on the differences. Raises ValueError where there are too few to know a scatter.
    """
    x, y = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    if min(x.size, y.size) < 1 or x.size + y.size < 3 or not np.isfinite([*x, *y]).all():
        raise ValueError("to compare two designs there must be runs of both, and two of one at least")
    difference = float(x.mean() - y.mean())
    if paired:
        freedom, each = x.size - 1, 1
        sd = float((x - y).std(ddof=1))
    else:
        freedom, each = x.size + y.size - 2, 2
        sd = math.sqrt(float(((x - x.mean()) ** 2).sum() + ((y - y.mean()) ** 2).sum()) / freedom)

    def lower(more: int) -> float:
        """Probability with so many more pairs of the same mean and scatter."""
        parts = 1.0 / (x.size + more) + (0.0 if paired else 1.0 / (y.size + more))
        return _student(difference, sd * math.sqrt(parts), freedom + each * more)

    pairs = next((k for k in range(MOST_PAIRS + 1) if max(lower(k), 1.0 - lower(k)) >= SETTLED), None)
    return DesignComparison(float(x.mean()), float(y.mean()), sd, freedom, lower(0), lower(1), pairs, paired)


def _student(difference: float, error: float, freedom: int) -> float:
    """Probability of a positive true difference."""
    if error == 0.0:
        return 0.5 if difference == 0.0 else float(difference > 0.0)
    from scipy.special import stdtr

    return float(stdtr(freedom, difference / error))


def verdict(c: DesignComparison, name_a: str, name_b: str, what: str, shown: Sequence[str]) -> str:
    """The comparison in plain words. what: "finer", "cheaper to run"; shown: the two means and the scatter."""
    better, worse, chance = (name_b, name_a, c.lower) if c.lower >= 0.5 else (name_a, name_b, 1.0 - c.lower)
    scatter = f"scatter between runs of one design {shown[2]}"
    if c.paired:
        scatter = f"run by run with the same random numbers, scatter of the differences {shown[2]}"
    means = f"mean {shown[0]} of {name_a} and {shown[1]} of {name_b}, {scatter}"
    if c.settled:
        return f"{better} is {what} than {worse}: the chance of that is {chance:.2f} ({means})."
    more = "one more pair of runs would settle it" if c.next_settles else "one more pair of runs would not settle it"
    need = "" if c.next_settles else f" ({_pairs(c)})"
    if chance < 0.6:
        return f"No difference to be seen between {name_a} and {name_b}: {means}; {more}{need}."
    lead = f"{better} is probably {what} than {worse}, chance {chance:.2f}, but that is not settled"
    return f"{lead}: {means}; if the runs go on like this, {more}{need}."


def _pairs(c: DesignComparison) -> str:
    return f"about {c.pairs} more would" if c.pairs else f"nor would {MOST_PAIRS}"
