"""What data leave possible: the most probable parameters, and weighted samples around them with a stated accuracy.

The unknowns are standard normal scores; `evaluate` maps scores (N, G) to weighted residuals (N, n), a row of NaN
where the model has no answer. The target is exp(-|r|^2 / 2 - |z|^2 / 2).

Mode: Gauss-Newton with Levenberg-Marquardt damping (Nocedal & Wright 2006, Numerical Optimization, ch. 10), from the
best of some draws of the prior. Samples: n residuals inform at most n directions, the right singular vectors of the
Jacobian; across the others the prior is exact. In the informed ones, importance sampling with a proposal that is
renewed round by round from all samples so far (adaptive multiple importance sampling: Cornuet, Marin, Mira & Robert
2012, Scand. J. Stat. 39:798; tempered weights while few samples carry the sum: Koblents & Miguez 2015, Stat. Comput.
25:407; all from memory). The effective sample size is Kish's, (sum w)^2 / sum w^2.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

STARTS = 64  # draws of the prior among which the search starts
MOST_STEPS = 60
STEP = 0.02  # of the forward differences, in scores
ROUND = 1000  # samples per round
ROUNDS = (6, 16)  # least and most
ENOUGH = 400.0  # effective samples at which sampling stops
CENTRES = 60  # local kernels of a proposal
INFORMED = 0.3  # singular value of the Jacobian above which a direction gets a proposal of its own
WIDE = 0.1  # share of each proposal that is the prior itself: finds far modes, bounds the weights
TAIL = 8.0  # degrees of freedom of the broad part of a proposal

Evaluate = Callable[[np.ndarray], np.ndarray]
Say = Callable[[float, str], None]


@dataclass(frozen=True)
class Mode:
    """The most probable scores (G,), residuals (n,) and Jacobian (n, G) there; converged or stopped early."""

    scores: np.ndarray
    residuals: np.ndarray
    jacobian: np.ndarray
    converged: bool

    @property
    def laplace_sd(self) -> np.ndarray:
        """Standard deviations (G,) of the scores by Laplace's approximation, (J'J + 1)^-1."""
        return np.sqrt(np.diag(np.linalg.inv(self.jacobian.T @ self.jacobian + np.eye(self.scores.size))))


@dataclass(frozen=True)
class Posterior:
    """Weighted samples: scores (N, G), weights (N,) that sum to 1, and how many equal ones they are worth."""

    mode: Mode
    scores: np.ndarray
    weights: np.ndarray
    effective: float
    evaluations: int

    def equal(self, count: int) -> np.ndarray:
        """(count, G) scores of equal weight (systematic resampling, deterministic)."""
        at = np.searchsorted(np.cumsum(self.weights), (np.arange(count) + 0.5) / count * (1.0 - 1e-12))
        return self.scores[np.minimum(at, self.weights.size - 1)]

    def quantile(self, values: np.ndarray, p: float) -> float:
        """Weighted quantile of values (N,) that belong to the samples."""
        return weighted_quantile(values, self.weights, p)


def weighted_quantile(values: np.ndarray, weights: np.ndarray, p: float) -> float:
    """Value below which the share p of the weight lies."""
    order = np.argsort(values, kind="stable")
    share = np.cumsum(weights[order])
    return float(values[order][min(np.searchsorted(share, p * share[-1]), order.size - 1)])


def log_target(residuals: np.ndarray, scores: np.ndarray) -> np.ndarray:
    """Logarithm (N,) of likelihood times prior; -inf where the model has no answer."""
    value = -0.5 * np.sum(residuals**2, axis=1) - 0.5 * np.sum(scores**2, axis=1)
    return np.where(np.isnan(value), -np.inf, value)


def find_mode(evaluate: Evaluate, count: int, rng: np.random.Generator, say: Say) -> Mode:
    """The most probable scores of `count` unknowns."""
    trials = np.vstack([np.zeros((1, count)), 0.7 * rng.standard_normal((STARTS, count))])
    found = evaluate(trials)
    best = log_target(found, trials)
    at = int(np.argmax(best))
    z, r, f = trials[at], found[at], best[at]
    damping, converged, J = 1e-2, False, np.zeros((r.size, count))
    for step in range(MOST_STEPS):
        say(min(0.95, step / 20.0), f"misfit {np.sum(r**2):.3g}")
        J = _jacobian(evaluate, z, r)
        new, damping = _damped_step(evaluate, z, r, J, f, damping)
        if new is None:
            converged = True  # no step within rounding makes it better
            break
        gain = new[2] - f
        z, r, f = new
        if gain < 1e-4:
            converged, J = True, _jacobian(evaluate, z, r)
            break
    return Mode(z, r, J, converged and bool(np.isfinite(f)))


def _jacobian(evaluate: Evaluate, z: np.ndarray, r: np.ndarray) -> np.ndarray:
    """(n, G) by forward differences; backward where the model has no answer ahead, 0 where on neither side."""
    ahead = (evaluate(z + STEP * np.eye(z.size)) - r) / STEP
    lost = np.flatnonzero(np.isnan(ahead).any(axis=1))
    if lost.size:
        ahead[lost] = np.nan_to_num((r - evaluate(z - STEP * np.eye(z.size)[lost])) / STEP)
    return ahead.T


def _damped_step(evaluate: Evaluate, z, r, J, f, damping):
    """The first of growing dampings that betters the target: ((z, r, f), damping); None if none does."""
    gradient = J.T @ r + z
    for _ in range(12):
        step = np.linalg.solve(J.T @ J + (1.0 + damping) * np.eye(z.size), -gradient)
        if np.abs(step).max() > 1.0:
            step /= np.abs(step).max()
        trial = (z + step)[None]
        found = evaluate(trial)
        value = log_target(found, trial)[0]
        if value > f:
            return (trial[0], found[0], value), max(damping / 5.0, 1e-6)
        damping = max(5.0 * damping, 1e-4)
    return None, damping


class _Proposal:
    """A broad Student t, local normal kernels and a tenth of the prior, in the k informed coordinates."""

    def __init__(self, mean: np.ndarray, cov: np.ndarray, centres: np.ndarray | None = None):
        self.mean, self.root = mean, np.linalg.cholesky(cov)
        self.centres, self.width = centres, 0.5

    def draw(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """(count, k): a tenth of the prior, half of the rest of the broad part, half around the centres."""
        k = self.mean.size
        noise = rng.standard_normal((count, k)) @ self.root.T
        stretch = np.sqrt(TAIL / rng.chisquare(TAIL, count))
        out = self.mean + noise * stretch[:, None]
        wide = int(WIDE * count)
        if self.centres is not None:
            local = wide + (count - wide) // 2
            out[wide:local] = self.centres[np.arange(local - wide) % len(self.centres)] + self.width * noise[wide:local]
        out[:wide] = rng.standard_normal((wide, k))
        return out

    def log_density(self, a: np.ndarray) -> np.ndarray:
        """Logarithm (N,) of the density, up to a constant common to all proposals of one k."""
        from scipy.special import gammaln

        k = self.mean.size
        white = np.linalg.solve(self.root, (a - self.mean).T).T
        scale = np.log(np.diag(self.root)).sum()
        student = gammaln((TAIL + k) / 2) - gammaln(TAIL / 2) - 0.5 * k * np.log(TAIL / 2.0) - scale
        broad = student - 0.5 * (TAIL + k) * np.log1p(np.sum(white**2, axis=1) / TAIL)
        normal = np.log(WIDE) - 0.5 * np.sum(a**2, axis=1)
        if self.centres is None:
            return np.logaddexp(normal, np.log1p(-WIDE) + broad)
        spots = np.linalg.solve(self.root, (self.centres - self.mean).T).T
        square = (white**2).sum(1)[:, None] + (spots**2).sum(1) - 2.0 * white @ spots.T
        local = np.logaddexp.reduce(-0.5 * square / self.width**2, axis=1) - np.log(len(spots))
        local -= scale + k * np.log(self.width)
        return np.logaddexp(normal, np.log1p(-WIDE) + np.logaddexp(broad, local) - np.log(2.0))


def sample(evaluate: Evaluate, mode: Mode, rng: np.random.Generator, say: Say) -> Posterior:
    """Weighted samples of the posterior around its mode."""
    count = mode.scores.size
    _, s, basis = np.linalg.svd(mode.jacobian, full_matrices=True)
    k = max(1, int(np.count_nonzero(s > INFORMED)))
    laplace = np.diag(1.3 / (1.0 + s[:k] ** 2))
    proposals = [_Proposal(basis[:k] @ mode.scores, laplace)]
    informed, scores, heights = np.empty((0, k)), np.empty((0, count)), np.empty(0)
    for turn in range(ROUNDS[1]):
        a = proposals[-1].draw(ROUND, rng)
        z = a @ basis[:k] + rng.standard_normal((ROUND, count - k)) @ basis[k:]
        r = evaluate(z)
        height = log_target(r, a)  # across the other directions prior and proposal cancel
        informed, scores = np.vstack([informed, a]), np.vstack([scores, z])
        heights = np.concatenate([heights, height])
        mixture = np.logaddexp.reduce([p.log_density(informed) for p in proposals], axis=0) - np.log(len(proposals))
        log_w = heights - mixture
        effective = kish(log_w)
        say((turn + 1) / ROUNDS[1], f"{effective:.0f} effective samples")
        if turn + 1 >= ROUNDS[0] and effective >= ENOUGH:
            break
        proposals.append(_renewed(informed, log_w, laplace, rng))
    weights = np.exp(log_w - log_w.max())
    return Posterior(mode, scores, weights / weights.sum(), effective, scores.shape[0])


def kish(log_w: np.ndarray) -> float:
    """Effective sample size of weights given by their logarithms; 0 if none counts."""
    top = log_w.max()
    if not np.isfinite(top):
        return 0.0
    w = np.exp(log_w - top)
    return float(w.sum() ** 2 / np.sum(w**2))


def _renewed(a: np.ndarray, log_w: np.ndarray, laplace: np.ndarray, rng: np.random.Generator) -> _Proposal:
    """A proposal fitted to weighted samples; weights are tempered until some hundred samples count.

    The covariance leans on Laplace's while they are few: a direction in which the few lie close would starve.
    """
    usable = np.where(np.isfinite(log_w), log_w, -1e6)
    wanted, low, high = 8.0 * a.shape[1], 0.0, 1.0
    if kish(usable) < wanted:
        for _ in range(40):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if kish(middle * usable) > wanted else (low, middle)
    else:
        low = 1.0
    w = np.exp(low * (usable - usable.max()))
    w /= w.sum()
    mean = w @ a
    trust = 1.0 / (1.0 + 2.0 * a.shape[1] * np.sum(w**2))
    cov = trust * ((a - mean).T @ ((a - mean) * w[:, None])) + (1.0 - trust) * laplace
    centres = a[rng.choice(a.shape[0], CENTRES, p=w)]
    return _Proposal(mean, 1.1 * cov, centres)
