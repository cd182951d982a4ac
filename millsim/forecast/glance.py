"""A settled mill as the pre-build review reads it: what a prediction by the balance alone says, worked out as asked."""

import numpy as np

from ..base.once import once
from ..engines.aside import rows, size_floor
from ..mill.problem import Setup
from ..record.limits import JAM, LIMITS, status_words
from ..record.prediction import Foretold, mostly_bites
from .assemble import Told, shaft_load
from .outcome import Outcome
from .run import first_to_bind, warmup


class Glance(Foretold):
    """Figures in bare numbers, and what else of a settled mill is asked: no band, no histories, no pieces, no words."""

    trace = None

    def __init__(self, problem: Setup, outcome: Outcome, told: Told):
        self.problem, self.outcome, self.told = problem, outcome, told
        self.status = status_words(outcome.status(problem.config.feed), outcome.binding)
        self.binding, self._over = first_to_bind(problem, outcome)
        self.temperature_limit_K = float(problem.mill[0]["T_limit"])

    def figure(self, key: str) -> float:
        """One of the figures told."""
        return self.told.values[key]

    @property
    def shaft_load(self) -> float:
        """Power [W] that the motor is held to."""
        return shaft_load(self.problem, self.outcome)

    @property
    def jam_load(self) -> float:
        """The jam index at the rate asked for."""
        return self._over if self._over and self.binding == LIMITS[JAM] else float(self.outcome.loads[JAM])

    @property
    def powder(self) -> tuple[np.ndarray, np.ndarray]:
        """Class bounds [m] and Q3 of the powder at them."""
        return self.problem.edges, self.told.q3

    @once
    def warmup(self) -> tuple[np.ndarray, np.ndarray]:
        """Time from a cold start [s] and outlet temperature [K] then."""
        return warmup(self.problem, self.outcome)

    @property
    def finest(self) -> float:
        """Smallest size [m] that the hardest impact can break."""
        o = self.outcome
        return float(size_floor(self.problem.mill, *rows(o.state), self.problem.x, o.table))

    @property
    def by_bites(self) -> bool:
        """Whether bites take most of what the charge takes from the rotor."""
        return mostly_bites(*(float(self.outcome.powers[k]) for k in ("striking", "nip", "layer_drive")))
