"""Uncertain parameters as standard normal scores: what the calibration searches, and how scores become numbers.

A score of 0 is the plausible value of the card, -2 and 2 lie near its limits; values never leave the limits. Warm
and cold values of one property share one score, as in the band.
"""

from dataclasses import dataclass

import numpy as np

from ...base.quantities.params import Param
from ...base.quantities.scores import at_score, group_name, groups
from ...mill.guesses import is_choice
from ...mill.problem import Setup, set_values

MAIN = ("rate_multiplier", "sieve_factor", "edge_share", "layer_speed_ratio", "daughter_exponent", "windage_factor")
AT_BOUND = 1.9  # a score beyond which a parameter counts as standing at its limit (1.9 of 2 sigma to the limit)


@dataclass(frozen=True)
class Unknowns:
    """Groups of parameters that move together, each under one score."""

    members: tuple[tuple[Param, ...], ...]

    @property
    def names(self) -> tuple[str, ...]:
        """One name per group: xw_min for xw_min_warm and xw_min_cold."""
        return tuple(group_name(g[0].name) for g in self.members)

    @property
    def count(self) -> int:
        """Number of groups."""
        return len(self.members)

    def main(self, i: int) -> bool:
        """Whether group i is of the few that calibration is meant for; the others only keep it honest."""
        return self.names[i].startswith(MAIN)

    def values(self, scores: np.ndarray) -> dict[str, np.ndarray]:
        """Values (N,) of every parameter at scores (N, G), in SI units."""
        return {p.name: at_score(p, scores[:, i]) for i, group in enumerate(self.members) for p in group}

    def mills(self, problem: Setup, scores: np.ndarray, used: set[str]) -> np.ndarray:
        """(N,) MILL records: the mill of a problem with the parameters it uses, at scores (N, G)."""
        mills = np.repeat(problem.mill, len(scores))
        set_values(problem, mills, {n: v for n, v in self.values(scores).items() if n in used})
        return mills


def unknowns_of(parameters: tuple[Param, ...]) -> Unknowns:
    """The uncertain ones among the parameters of a mill; a guess among words is held at its likeliest."""
    return Unknowns(tuple(tuple(g) for g in groups(tuple(p for p in parameters if not is_choice(p)))))
