"""Where a setting stands in its sweep: its neighbours along each axis, and whether it is on the rim."""

from dataclasses import dataclass

import numpy as np

from ..sweep.record import Axis, Sweep

_RIM_SHARE = 0.05  # of the range of a sampled axis that counts as its rim
_ALIKE_SHARE = 0.1  # of the range of an axis within which settings are alike
_NEAR = 2  # neighbours of a sampled point per numeric axis


@dataclass(frozen=True)
class Neighbour:
    """A setting one step away. axis: which axis changes (-1: several, in a sampled design); up: to larger values."""

    setting: int
    axis: int
    up: bool


def numeric(axis: Axis) -> bool:
    """Whether the values of an axis have an order."""
    return not axis.words and len(set(axis.values)) > 1


class SweepPlaces:
    """The settings of a sweep as places. Arrays by setting: replicates count once."""

    def __init__(self, sweep: Sweep):
        self.sweep, self.grid = sweep, sweep.design == "grid"
        self.shape = sweep.shape[:-1] if sweep.replicates > 1 else sweep.shape
        self.count = int(np.prod(self.shape))
        self.orders = [self._order(a) for a in sweep.axes]
        self.values = [sweep.settings(i)[:: sweep.replicates] for i in range(len(sweep.axes))]

    def neighbours(self, setting: int) -> list[Neighbour]:
        """The settings next to one along each numeric axis; in a sampled design the nearest ones."""
        return self._in_grid(setting) if self.grid else self._nearest(setting)

    def rim(self, setting: int) -> list[tuple[int, bool]]:
        """(axis, at its upper end) for every numeric axis on whose end a setting stands."""
        found = []
        for i, axis in enumerate(self.sweep.axes):
            if not numeric(axis):
                continue
            v = self.values[i].astype(float)
            reach = 0.0 if self.grid else _RIM_SHARE * (v.max() - v.min())
            if v[setting] <= v.min() + reach:
                found.append((i, False))
            elif v[setting] >= v.max() - reach:
                found.append((i, True))
        return found

    def alike(self, a: int, b: int) -> bool:
        """Whether two settings are no farther apart than one step along one axis, or a tenth of its range."""
        apart = 0.0
        for i, (axis, v) in enumerate(zip(self.sweep.axes, self.values, strict=True)):
            if not numeric(axis):
                if v[a] != v[b]:
                    return False
            elif self.grid:
                rank = {axis.values[k]: r for r, k in enumerate(self.orders[i])}
                step = max(1.0, _ALIKE_SHARE * (len(axis.values) - 1))
                apart += abs(rank[v[a].item()] - rank[v[b].item()]) / step
            else:
                apart += abs(float(v[a]) - float(v[b])) / (_ALIKE_SHARE * float(np.ptp(v.astype(float))))
        return apart <= 1.0 + 1e-9

    def _order(self, axis: Axis) -> list[int]:
        """Indexes of the values of a numeric axis from small to large."""
        return sorted(range(len(axis.values)), key=lambda k: axis.values[k]) if numeric(axis) else []

    def _in_grid(self, setting: int) -> list[Neighbour]:
        where = np.unravel_index(setting, self.shape)
        found = []
        for i, order in enumerate(self.orders):
            if not order:
                continue
            at = order.index(int(where[i]))
            for step in (-1, 1):
                if 0 <= at + step < len(order):
                    other = [int(k) for k in where]
                    other[i] = order[at + step]
                    found.append(Neighbour(int(np.ravel_multi_index(other, self.shape)), i, step > 0))
        return found

    def _nearest(self, setting: int) -> list[Neighbour]:
        """Of a sampled design: the nearest settings, each axis counted in shares of its range."""
        away, same = np.zeros(self.count), np.ones(self.count, dtype=bool)
        dimensions = 0
        for axis, v in zip(self.sweep.axes, self.values, strict=True):
            if numeric(axis):
                x = v.astype(float)
                away += ((x - x[setting]) / (x.max() - x.min())) ** 2
                dimensions += 1
            else:
                same &= v == v[setting]
        same[setting] = False
        others = np.flatnonzero(same)
        nearest = others[np.argsort(away[others], kind="stable")[: _NEAR * dimensions]]
        return [Neighbour(int(n), -1, False) for n in nearest]
