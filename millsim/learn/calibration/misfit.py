"""The misfit of what was measured in one or more runs, of which a calibration makes the least."""

from collections.abc import Iterable

import numpy as np

from ...forecast.error import kind_of
from .observations import Block
from .runmodel import Forecast
from .shared import Shared, cross, joint


def answered(forecasts: Iterable[Forecast | None]) -> tuple[Forecast, ...]:
    """Those to which the model had an answer."""
    return tuple(f for f in forecasts if f is not None)


class Misfit:
    """The one misfit of the blocks of one or more runs: weighted residuals, each of unit variance, none counted twice.

    Limits that were kept come last. Of those that one error makes too high or too low in all runs, the one most
    exceeded counts.
    """

    def __init__(self, runs: tuple[tuple[Block, ...], ...]):
        pairs = [(i, b) for i, blocks in enumerate(runs) for b in blocks]
        self.told = [(i, b) for i, b in pairs if not b.one_sided]
        self.kept = [(i, b) for i, b in pairs if b.one_sided]
        self.values = np.concatenate([b.values for _, b in self.told])
        self.covariance = joint([(b.covariance, b.shared) for _, b in self.told])
        self._weights = np.linalg.inv(np.linalg.cholesky(self.covariance))
        sources = [(b.name, *(s.source for s in b.shared)) for _, b in self.kept]
        self._groups = [[j for j, s in enumerate(sources) if s == group] for group in dict.fromkeys(sources)]

    @property
    def size(self) -> int:
        """Number of residuals."""
        return self.values.size + len(self.kept)

    def off(self, forecasts: tuple[Forecast, ...]) -> np.ndarray:
        """(m,) model less measurement of all that was measured, as told."""
        return np.concatenate([b.tell(forecasts[i]) for i, b in self.told]) - self.values

    def of_model(self, kind: str) -> np.ndarray:
        """(m, m) the part of the covariance that is the model's own error of a kind (of `error.FACTORS`)."""
        parts = [tuple(s for s in b.of_model if kind_of(s.coordinate) == kind) for _, b in self.told]
        own = [cross(p, p) if p else np.zeros((b.values.size,) * 2) for p, (_, b) in zip(parts, self.told, strict=True)]
        return joint(list(zip(own, parts, strict=True)))

    def with_targets(self, targets: tuple[Shared, ...]) -> np.ndarray:
        """(t, m) covariance of single errors with all that was measured."""
        return np.vstack(
            [np.concatenate([sum(t.with_(s)[0] for s in b.shared) + np.zeros(b.values.size) for _, b in self.told])
             for t in targets]
        )  # fmt: skip

    def __call__(self, forecasts: tuple[Forecast | None, ...]) -> np.ndarray:
        """(n,) of one forecast per run; NaN where the model has no answer to one of them."""
        known = answered(forecasts)
        if len(known) < len(forecasts):
            return np.full(self.size, np.nan)
        off = self.off(known)
        beyond = np.array([b.residuals(known[i])[0] for i, b in self.kept])
        for group in self._groups:
            most = group[int(np.argmax(beyond[group]))]
            beyond[[j for j in group if j != most]] = 0.0
        return np.concatenate([self._weights @ off, beyond])
