"""What a calibration found: each parameter before and after, what the data left open, and checks on the fit itself."""

from dataclasses import dataclass

import numpy as np

from ...base.numerics.statistics import NORMAL_80
from ...base.quantities.params import Param
from ...base.quantities.scores import at_score
from ...forecast.band import LEVEL
from ...forecast.error import FACTORS
from ...mill.calibrated import DETERMINED_SD, narrowed
from ...record.outputs import OUTPUTS
from ..measured.runbalance import close
from .fit import Calibration, RunFit
from .misfit import Misfit
from .observations import blocks_of
from .posterior import weighted_quantile
from .repeats import more_than_assumed

CLOSE_SD = 0.5  # of a score: narrower, and a parameter is called determined
LEAST_EFFECTIVE = 80.0  # effective samples below which intervals are not told
MOST_DRIFT, LEAST_ACCEPTED = 0.5, 0.05  # standard deviations the chains may still drift, share of steps they must take
AT_LIMIT = 1.8  # a score this large: four fifths of the way to its limit or more
IDLE_TERMS = ("windage_factor", "bearing_torque")  # what the watts of the empty mill are put down to
TRADED = 0.15  # correlation, of draws and by Laplace, from which a parameter trades off with an open one
MISFIT = 0.05  # probability below which a misfit, or sieves in a row on one side, is no chance any more
HOPELESS = 0.001  # the same with the model's own error as large as the runs have it: then no error bars
SEEN = 1.0  # standard errors of the measurement, from which a sieve counts as one that the model does not follow
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
    found = [_limits(table), _converged(c), _sampled(c), _fits(c), _one_sided(c), _reached(c), _engines(c)]
    return [*found, *_repeats(c), _closure(c), _open(table)]


def trustworthy(found: list[Check]) -> bool:
    """Whether the intervals mean anything: the fit converged, comes near the data, and enough samples carry them.

    A misfit that the model's own error covers when it is taken as large as the runs have it leaves wider bands.
    """
    return all(k.passed for k in found if k.name in ("converged", "sampling", "reach"))


def _limits(table: list[Row]) -> Check:
    at = [r.name for r in table if r.determined and r.at_limit]
    if not at:
        return Check("limits", True, "no parameter stands at a limit of its range")
    many = "stand at the limits of their ranges" if len(at) > 1 else "stands at a limit of its range"
    why = "the range is too narrow, or the run sheet or the model is wrong"
    idle = [r.name for r in table if r.name in at and r.name in IDLE_TERMS and r.score > 0.0]
    if idle:
        why += f". {idle[0]} may hold what is none of it: the motor's own loss, which power.motor_alone or " \
               "drive.no_load_power takes off, a belt or a rub"  # fmt: skip
    return Check("limits", False, f"{', '.join(at)} {many}: {why}")


def _converged(c: Calibration) -> Check:
    ok = c.posterior.mode.converged
    return Check("converged", ok, f"the search for the best fit {'ended' if ok else 'did not end'}")


def _sampled(c: Calibration) -> Check:
    p, n = c.posterior, c.posterior.effective
    ok = bool(n >= LEAST_EFFECTIVE and p.drift <= MOST_DRIFT and p.accepted >= LEAST_ACCEPTED)
    text = f"{n:.0f} independent samples out of {p.evaluations} tries, drift {p.drift:.2f}: ends of the 80 % ranges "
    text += f"good to {_accuracy(n)}"
    return Check("sampling", ok, text if ok else f"{text}; that is too little, so no error bars are given")


def _accuracy(n: float) -> str:
    """Standard error of a 10 % quantile by its binomial error, in per cent of probability."""
    return f"{100.0 * (0.1 * 0.9 / n) ** 0.5:.1f} percentage points of probability"


def _fits(c: Calibration) -> Check:
    label, worst = worst_point(c)
    chance = chance_words(c.surprise).replace(" %", " of 100 cases")
    text = f"misfit {c.chi2:.1f} for {c.count} data; chance alone gives a worse fit in {chance}; farthest off is "
    text += f"{label}, by {abs(worst):.1f} standard errors"
    if c.surprise > TOO_GOOD:
        text += "; that is suspiciously good: are runs copied, or errors counted too large"
    ok = c.surprise >= MISFIT
    why = "the model does not follow these data, so run sheet, config or model is wrong: "
    return Check("fit", ok, text if ok else why + text)


def _reached(c: Calibration) -> Check:
    """Whether the model comes near the data when its own error is taken as large as they have it."""
    ok = c.left_over >= HOPELESS
    sizes, loads = c.factors
    text = f"the model's own error counts {sizes:.1f} times what its card says in sizes, {loads:.1f} times in the rest"
    why = f"even {max(c.factors):.1f} times the model's own error does not cover the misfit, so no error bars are given"
    return Check("reach", ok, text if ok else why)


def _one_sided(c: Calibration) -> Check:
    """Neighbouring sieves on one side of the best fit: small misses that agree are a misfit.

    How far off a run of them is by chance is seen in TRIES runs that the linear model of the fit makes, parameters and
    errors of measurement and day drawn as assumed, the model's own left out, each fitted anew: C (C + J J')^-1 d is
    left of d.
    """
    misfit = Misfit(tuple(blocks_of(f.run, f.model) for f in c.fits))
    n, root = misfit.values.size, np.linalg.cholesky(misfit.covariance)
    J, off = root @ c.assumed.jacobian[:n], -root @ c.assumed.residuals[:n]
    spread = misfit.covariance + J @ J.T
    seen = spread - sum(misfit.of_model(kind) for kind in FACTORS)
    drawn = np.linalg.cholesky(seen) @ np.random.default_rng(c.seed).standard_normal((n, TRIES))
    left = misfit.covariance @ np.linalg.solve(spread, drawn)
    worst, said = 1.0, "no run of sieves lies on one side of the best fit beyond chance"
    at = 0
    for i, b in misfit.told:
        rows, at = slice(at, at + b.values.size), at + b.values.size
        if b.name != "product size":
            continue
        (far, length), *trials = (one_side(o) for o in (off[rows] / b.sd_measured, *(left[rows].T / b.sd_measured)))
        chance = (1 + sum(t >= far for t, _ in trials)) / (1 + TRIES)
        if chance < worst:
            worst, whose = chance, f" of {c.fits[i].run.name}" if len(c.fits) > 1 else ""
            if chance < MISFIT:
                what = "sizes" if c.fits[i].run.product_sheets[0].by_laser else "sieves"
                said = f"{length} neighbouring {what}{whose} lie on one side of the best fit; by the errors of "
                said += (
                    f"measurement and day alone they would be together as far off in {chance_words(chance)} of cases"
                )
    return Check("one side", worst >= MISFIT, said)


TRIES = 2000


def one_side(off: np.ndarray) -> tuple[float, int]:
    """(sum of the distances, length) of the run of neighbours on one side that is farthest off in all."""
    far = best = 0.0
    length = longest = side = 0
    for v in off.tolist():
        now = 1 if v > 0.0 else -1
        far, length = (far + abs(v), length + 1) if now == side else (abs(v), 1)
        side = now
        if far > best and length > 1:
            best, longest = far, length
    return best, longest


def _sieves_off(fit: RunFit) -> np.ndarray:
    """Measured less best fit (k,), in standard errors of the measurement, of the product's sieves in their order."""
    b = next(b for b in fit.blocks if b.name == "product size")
    return (b.values - b.tell(fit.best)) / b.sd_measured


@dataclass(frozen=True)
class NotFollowed:
    """Where the model does not follow a run: share of the powder beyond a sieve, measured and at best.

    below: finer than the sieve, else coarser.
    """

    run: str
    sieve_m: float
    below: bool
    measured: float
    model: float
    error: float  # of the measured share, one standard error
    off: float  # in these


def not_followed(c: Calibration) -> list[NotFollowed]:
    """For every run of sieves that the best fit misses on one side, the sieve that it misses most; worst first."""
    found = []
    for fit in c.fits:
        b = next(b for b in fit.blocks if b.name == "product size")
        off, sizes = _sieves_off(fit), np.concatenate([np.asarray(s.apertures_m) for s in fit.run.product_sheets])
        order = np.argsort(sizes, kind="stable")
        for group in _groups(off[order]):
            i = int(order[max(group, key=lambda j: abs(off[order][j]))])
            below = bool(b.values[i] < 0.5)
            was, best = (v if below else 1.0 - v for v in (float(b.values[i]), float(b.tell(fit.best)[i])))
            found.append(
                NotFollowed(fit.run.name, float(sizes[i]), below, was, best, float(b.sd_measured[i]), float(off[i]))
            )
    return sorted(found, key=lambda m: -abs(m.off))


def _groups(off: np.ndarray) -> list[list[int]]:
    """Neighbours on one side, each farther off than SEEN."""
    groups: list[list[int]] = []
    for i, v in enumerate(off):
        if abs(v) < SEEN:
            continue
        if groups and groups[-1][-1] == i - 1 and off[i - 1] * v > 0:
            groups[-1].append(i)
        else:
            groups.append([i])
    return groups


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
        return Check("engines", True, "the Monte Carlo engine was not run: a batch, or pieces hardly leave this mill")
    worst = max(k.worst_sigma for k in done)
    off = max(abs(k.misfit_montecarlo - k.misfit_balance) for k in done)
    text = f"Monte Carlo at the optimum: Q3 within {worst:.1f} standard errors, misfit changes by {off:.1f}"
    return Check("engines", worst < AGREE and off < 3.0, text)


def _repeats(c: Calibration) -> list[Check]:
    """Where repeats of one mill among the runs scatter more than the card of the model says; nothing without any."""
    found = []
    for more in more_than_assumed([f.run for f in c.fits]):
        known = ", ".join(f"{p.name} {100 * p.value:.0f} %" for p in more.assumed)
        much = f"{100 * more.sd:.0f} % in {OUTPUTS[more.name].short} ({more.dof} degrees of freedom)"
        text = (
            f"repeats of one mill scatter by {much}, more than is assumed ({known}; by chance: "
            f"{chance_words(more.chance)}), so bands are too narrow: set it under [model], or find what changed"
        )
        found.append(Check("repeats", False, text))
    return found


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
