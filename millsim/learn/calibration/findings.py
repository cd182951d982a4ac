"""What a calibration found: each parameter before and after, what the data left open, and checks on the fit itself."""

from dataclasses import dataclass

import numpy as np

from ...base.numerics.statistics import NORMAL_80
from ...base.quantities.params import Param
from ...base.quantities.scores import at_score
from ...forecast.band import LEVEL
from ...mill.calibrated import DETERMINED_SD, narrowed
from ..measured.runbalance import close
from .fit import Calibration
from .posterior import weighted_quantile

CLOSE_SD = 0.5  # of a score: narrower, and a parameter is called determined
LEAST_EFFECTIVE = 80.0  # effective samples below which intervals are not told
MOST_DRIFT, LEAST_ACCEPTED = 0.5, 0.05  # standard deviations the chains may still drift, share of steps they must take
AT_LIMIT = 1.8  # a score this large: four fifths of the way to its limit or more
TRADED = 0.15  # correlation, of draws and by Laplace, from which a parameter trades off with an open one
SURPRISE = 0.001  # probability below which the misfit counts as too large for error bars
TOO_GOOD = 0.999  # probability above which it is suspiciously small
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
    score: float  # of the most probable value
    mean: float  # of the score
    sd: float  # of the score: 1 is as unknown as before
    alone_sd: float  # of the score if all other parameters were known
    partners: tuple[tuple[str, float], ...]  # what it trades off with, and the correlation

    @property
    def determined(self) -> bool:
        """Whether the runs said something of this parameter by itself."""
        return narrowed(self.mean, self.sd)

    @property
    def said(self) -> str:
        """In a word or two, what the runs did to it: one whose value moved may be as wide as before."""
        if self.sd < CLOSE_SD:
            return "determined"
        if not self.wide:
            return "narrowed"
        return "moved, hardly narrowed" if self.determined else "open"

    @property
    def wide(self) -> bool:
        """Whether it is nearly as wide as before, moved or not."""
        return self.sd >= DETERMINED_SD

    @property
    def before(self) -> tuple[float, float]:
        """80 % limits before, to set against low and high."""
        return float(at_score(self.param, -NORMAL_80)), float(at_score(self.param, NORMAL_80))

    @property
    def at_limit(self) -> bool:
        """Whether its most probable value stands near a limit of its range."""
        return abs(self.score) > AT_LIMIT


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
    laplace = laplace_correlation(J)
    names, found = c.unknowns.names, []
    for i, group in enumerate(c.unknowns.members):
        p = group[0]
        low, high = (float(at_score(p, weighted_quantile(z[:, i], w, q))) for q in ((1 - LEVEL) / 2, (1 + LEVEL) / 2))
        value = float(at_score(p, c.posterior.mode.scores[i]))
        partners = tuple((names[j], rho) for j, rho in _partners(i, correlation[i], laplace[i]))
        scores = float(c.posterior.mode.scores[i]), float(mean[i]), float(sd[i]), float(alone[i])
        found.append(Row(names[i], c.unknowns.main(i), p, value, low, high, *scores, partners))
    return sorted(found, key=lambda r: (not r.main, r.sd))


def laplace_correlation(J: np.ndarray) -> np.ndarray:
    """Correlations (G, G) of the scores by Laplace's approximation (J'J + 1)^-1: 0 with what no datum feels."""
    covariance = np.linalg.inv(J.T @ J + np.eye(J.shape[1]))
    sd = np.sqrt(np.diag(covariance))
    return covariance / np.outer(sd, sd)


def _partners(i: int, drawn: np.ndarray, laplace: np.ndarray) -> list[tuple[int, float]]:
    """The three that trade off most with parameter i, and the correlation of the draws.

    A hundred and fifty draws give correlations of 0.15 by chance alone, so Laplace's approximation must say so too.
    """
    both = np.where(drawn * laplace > 0.0, np.minimum(np.abs(drawn), np.abs(laplace)), 0.0)
    return [(int(j), float(drawn[j])) for j in np.argsort(-both) if j != i and both[j] > TRADED][:3]


def checks(c: Calibration, table: list[Row]) -> list[Check]:
    """The checks in the order in which they matter."""
    return [_limits(table), _converged(c), _sampled(c), _fits(c), _engines(c), _closure(c), _open(table)]


def trustworthy(found: list[Check]) -> bool:
    """Whether the intervals mean anything: the fit converged, reaches the data, and enough samples carry them."""
    return all(k.passed for k in found if k.name in ("converged", "sampling", "fit"))


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
    p, n = c.posterior, c.posterior.effective
    ok = bool(n >= LEAST_EFFECTIVE and p.drift <= MOST_DRIFT and p.accepted >= LEAST_ACCEPTED)
    text = f"{n:.0f} effective samples of {p.evaluations} tries, drift {p.drift:.2f}: ends of the 80 % ranges good to "
    text += _accuracy(n)
    return Check("sampling", ok, text if ok else f"{text}; that is too little, so no error bars are given")


def _accuracy(n: float) -> str:
    """Standard error of a 10 % quantile by its binomial error, in per cent of probability."""
    return f"{100.0 * (0.1 * 0.9 / n) ** 0.5:.1f} percentage points of probability"


def _fits(c: Calibration) -> Check:
    label, worst = worst_point(c)
    chance = chance_words(c.surprise)
    text = f"misfit {c.chi2:.1f} for {c.count} data; as bad or worse by chance: {chance}; farthest off is {label}, by "
    text += f"{abs(worst):.1f} standard errors"
    if c.surprise > TOO_GOOD:
        text += "; that is suspiciously good: are runs copied, or errors counted too large"
    ok = c.surprise > SURPRISE
    why = "the model does not reach the data within its ranges, so run sheet, config or model is wrong: "
    return Check("fit", ok, text if ok else why + text)


def chance_words(p: float) -> str:
    """A probability in per cent, never as 0 or 1e+02."""
    if p < 0.001:
        return "under 0.1 %"
    return "over 99.9 %" if p > 0.999 else f"{100 * p:.1f} %" if p < 0.1 or p > 0.99 else f"{100 * p:.0f} %"


def worst_point(c: Calibration) -> tuple[str, float]:
    """(label, difference in standard errors of the point by itself) of the worst reproduced number."""
    found = []
    for fit in c.fits:
        for b in fit.blocks:
            if b.one_sided:
                continue
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
    closed = [(close(f.run), f.run.name) for f in c.fits]
    worst, name = max(closed, key=lambda item: abs(item[0].closure.value - 1.0))
    text = f"mass balance closes to {100 * worst.closure.value:.1f} %" + (f" ({name})" if len(closed) > 1 else "")
    ok = worst.verdict != "do not calibrate"
    return Check("closure", ok, text if ok else f"{text}: a run like this should not be calibrated on")


def _open(table: list[Row]) -> Check:
    left = [r for r in table if r.main and r.wide]
    if not left:
        return Check("determined", True, "the runs narrowed every main parameter")
    return Check("determined", False, " ".join(open_words(r) for r in left))


def open_words(r: Row) -> str:
    """In words, why the data left a parameter open, and what it trades off with."""
    name = f"{r.name} {'moved, but stays' if r.determined else 'is'} open"
    if r.alone_sd > DETERMINED_SD:
        return f"{name}: these data hardly feel it."
    if not r.partners:
        return f"{name}: many other parameters together make up for it."
    pairs = " or ".join(f"{'less' if rho < 0 else 'more'} {partner}" for partner, rho in r.partners)
    return f"{name}: more of it with {pairs} fits as well."
