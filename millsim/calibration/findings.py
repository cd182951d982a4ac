"""What a calibration found: each parameter before and after, what the data left open, and checks on the fit itself."""

from dataclasses import dataclass

import numpy as np

from ..params import Param
from ..scores import at_score
from .fit import Calibration
from .posterior import weighted_quantile

LEVEL = 0.80
LEAST_EFFECTIVE = 100.0  # effective samples below which intervals are not told
NARROW = 0.8  # a score known this well or better counts as determined; 1 is the prior
MOVED = 0.7  # so does one that moved this far
AT_LIMIT = 1.8  # a score this large: the value is within a tenth of the way to its limit
TRADED = 0.15  # correlation from which a parameter is named among those that trade off with an open one
SURPRISE = 0.01  # probability below which the misfit counts as too large
AGREE = 4.5  # standard errors of the Monte Carlo engine (largest of some hundred points) plus the class error


@dataclass(frozen=True)
class Row:
    """One parameter before and after; low and high are 80 % limits after; scores say how far and how sure."""

    name: str
    main: bool
    param: Param  # the prior
    value: float
    low: float
    high: float
    mean: float  # of the score
    sd: float  # of the score: 1 is as unknown as before
    alone_sd: float  # of the score if all other parameters were known
    partners: tuple[tuple[str, float], ...]  # what it trades off with, and the correlation

    @property
    def determined(self) -> bool:
        """Whether the runs said something of this parameter by itself."""
        return self.sd < NARROW or abs(self.mean) > MOVED

    @property
    def at_limit(self) -> bool:
        """Whether its most probable value stands at a limit of its range."""
        p = self.param
        return min(self.value - p.low, p.high - self.value) <= 0.05 * (p.high - p.low)


@dataclass(frozen=True)
class Check:
    """One check of the fit: its name, whether it passed, and a sentence."""

    name: str
    passed: bool
    text: str


def rows(c: Calibration) -> list[Row]:
    """Every group of parameters, main ones first, then by how much the runs narrowed them."""
    z, w = c.posterior.scores, c.posterior.weights
    mean = w @ z
    covariance = (z - mean).T @ ((z - mean) * w[:, None])
    sd = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(sd, sd)
    J = c.posterior.mode.jacobian
    alone = 1.0 / np.sqrt(1.0 + np.sum(J * J, axis=0))
    names, found = c.unknowns.names, []
    for i, group in enumerate(c.unknowns.members):
        p = group[0]
        low, high = (float(at_score(p, weighted_quantile(z[:, i], w, q))) for q in ((1 - LEVEL) / 2, (1 + LEVEL) / 2))
        value = float(at_score(p, c.posterior.mode.scores[i]))
        order = [j for j in np.argsort(-np.abs(correlation[i])) if j != i and abs(correlation[i, j]) > TRADED]
        partners = tuple((names[j], float(correlation[i, j])) for j in order[:3])
        scores = float(mean[i]), float(sd[i]), float(alone[i])
        found.append(Row(names[i], c.unknowns.main(i), p, value, low, high, *scores, partners))
    return sorted(found, key=lambda r: (not r.main, r.sd))


def checks(c: Calibration, table: list[Row]) -> list[Check]:
    """The checks in the order in which they matter."""
    return [_limits(table), _converged(c), _sampled(c), _fits(c), _engines(c), _closure(c), _open(table)]


def trustworthy(found: list[Check]) -> bool:
    """Whether the intervals mean anything: the fit converged and enough samples carry them."""
    return all(k.passed for k in found if k.name in ("converged", "sampling"))


def _limits(table: list[Row]) -> Check:
    at = [r.name for r in table if r.determined and r.at_limit]
    if not at:
        return Check("limits", True, "no parameter stands at a limit of its range")
    many = "stand at the limits of their ranges" if len(at) > 1 else "stands at a limit of its range"
    why = "the range is too narrow, or the run sheet or the model is wrong"
    return Check("limits", False, f"{', '.join(at)} {many}: {why}")


def _converged(c: Calibration) -> Check:
    ok = c.posterior.mode.converged
    return Check("converged", ok, f"the search for the best fit {'ended' if ok else 'did not end'}")


def _sampled(c: Calibration) -> Check:
    n, ok = c.posterior.effective, c.posterior.effective >= LEAST_EFFECTIVE
    text = f"{n:.0f} effective samples of {c.posterior.evaluations}: ends of the 80 % ranges good to {_accuracy(n)}"
    return Check("sampling", ok, text if ok else f"only {n:.0f} effective samples: no error bars are given")


def _accuracy(n: float) -> str:
    """Standard error of a 10 % quantile by its binomial error, in per cent of probability."""
    return f"{100.0 * (0.1 * 0.9 / n) ** 0.5:.1f} percentage points of probability"


def _fits(c: Calibration) -> Check:
    from scipy.special import gammaincc

    p = float(gammaincc(0.5 * c.count, 0.5 * c.chi2))
    label, worst = worst_point(c)
    text = f"misfit {c.chi2:.1f} for {c.count} data; farthest off is {label}, by {abs(worst):.1f} standard errors"
    return Check("fit", p > SURPRISE, text if p > SURPRISE else f"the model does not reach the data: {text}")


def worst_point(c: Calibration) -> tuple[str, float]:
    """(label, difference in standard errors of the point by itself) of the worst reproduced number."""
    found = []
    for fit in c.fits:
        for b in fit.blocks:
            off = (b.tell(fit.best) - b.values) / b.sd
            whose = f" of {fit.run.name}" if len(c.fits) > 1 else ""
            found += [(label + whose, float(o)) for label, o in zip(b.labels, off, strict=True)]
    return max(found, key=lambda item: abs(item[1]))


def _engines(c: Calibration) -> Check:
    done = [f.confirmed for f in c.fits if f.confirmed is not None]
    if not done:
        return Check("engines", True, "the Monte Carlo engine was not run: pieces hardly leave this mill")
    worst = max(k.worst_sigma for k in done)
    off = max(abs(k.misfit_montecarlo - k.misfit_balance) for k in done)
    text = f"Monte Carlo at the optimum: Q3 within {worst:.1f} standard errors, misfit changes by {off:.1f}"
    return Check("engines", worst < AGREE and off < 3.0, text)


def _closure(c: Calibration) -> Check:
    worst = max((sum(f.run.parts_kg.values()) / f.run.fed_kg for f in c.fits), key=lambda x: abs(x - 1.0))
    text = f"mass balance closes to {100 * worst:.1f} %"
    if worst < 0.95:
        return Check("closure", False, f"{text}: below 95 % a run should not be calibrated on; find the missing mass")
    return Check("closure", True, text + (": missing mass counted as possible fines" if worst < 0.97 else ""))


def _open(table: list[Row]) -> Check:
    left = [r for r in table if r.main and not r.determined]
    if not left:
        return Check("determined", True, "the runs determined every main parameter")
    return Check("determined", False, " ".join(open_words(r) for r in left))


def open_words(r: Row) -> str:
    """In words, why the data left a parameter open, and what it trades off with."""
    if r.alone_sd > NARROW:
        return f"{r.name} is open: these data hardly feel it."
    if not r.partners:
        return f"{r.name} is open: many other parameters together make up for it."
    pairs = " or ".join(f"{'less' if rho < 0 else 'more'} {name}" for name, rho in r.partners)
    return f"{r.name} is open: more of it with {pairs} fits as well."
