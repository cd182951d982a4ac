"""What goes through the mill next, from what went and what came of it: plain turns, then those foreseen from the last.

Where a sieve sends back many times the fresh feed, each turn leaves nine tenths of what is open, to one side or to and
fro, and a hundred turns do not close it.
"""

import numpy as np

TURNS, STUCK = 100, 8  # at most; and those in which what is left open must halve
PLAIN, KEPT = 8, 4  # turns before any is foreseen; turns that are remembered


class Mixing:
    """Anderson's method on a mixture (n,) and a rate [kg/s]. Source: Walker & Ni 2011, SIAM J. Numer. Anal. 49:1715."""

    def __init__(self) -> None:
        self.turns = 0
        self._tried: list[np.ndarray] = []
        self._open: list[np.ndarray] = []

    def after(self, mix: np.ndarray, rate: float, new_mix: np.ndarray, new_rate: float) -> tuple[np.ndarray, float]:
        """What to try next, where mix and rate were answered by new ones: these, or what is foreseen."""
        tried, answer = np.append(mix, np.log(rate)), np.append(new_mix, np.log(new_rate))
        self._tried, self._open = [*self._tried, tried][-KEPT:], [*self._open, answer - tried][-KEPT:]
        self.turns += 1
        if self.turns <= PLAIN:
            return new_mix, new_rate
        steps, changes = np.diff(self._tried, axis=0), np.diff(self._open, axis=0)
        ahead = answer - np.linalg.lstsq(changes.T, self._open[-1], rcond=None)[0] @ (steps + changes)
        shares = np.maximum(ahead[:-1], 0.0)
        if not np.isfinite(ahead).all() or abs(ahead[-1] - answer[-1]) > 1.0 or not shares.sum() > 0.5:
            return new_mix, new_rate
        return shares / shares.sum(), float(np.exp(ahead[-1]))


def goes_on(residuals: list[float]) -> bool:
    """Whether what is left open turn by turn still gets less."""
    return len(residuals) < TURNS and not (len(residuals) > STUCK and residuals[-1] > 0.5 * residuals[-1 - STUCK])
