"""What data leave possible: the most probable parameters, and equally likely draws with a stated accuracy.

The unknowns are standard normal scores; `evaluate` maps scores (N, G) to weighted residuals (N, n), a row of NaN
where the model has no answer. The target is exp(-|r|^2 / 2 - |z|^2 / 2).

Mode: Gauss-Newton with Levenberg-Marquardt damping (Nocedal & Wright 2006, Numerical Optimization, ch. 10), from the
best of some draws of the prior. n residuals inform at most n directions, the right singular vectors of the Jacobian;
across the others the prior is exact. CHAINS Metropolis chains start from best fits to data and prior shaken by their
own errors (randomized maximum likelihood: Oliver, He & Reynolds 1996, ECMOR V), which for a linear model are exact
draws. They walk with the starts' covariance in the informed directions and by autoregression, which keeps the prior, in
the others (Cotter, Roberts, Stuart & White 2013, Stat. Sci. 28:424). INNER steps go by a polynomial through what was
evaluated so far, and only where they end the model is asked: taken with min(1, ratio of the model's heights over that
of the polynomial's), it is the model that the chains follow, however poor the polynomial (surrogate transition: Liu
2001, Monte Carlo Strategies in Scientific Computing, sec. 9.4.3; Christen & Fox 2005, J. Comput. Graph. Stat. 14:795).
The chains are independent, so their means tell the error: effective sample size = variance of all states over variance
of the mean (Gelman & Rubin 1992, Stat. Sci. 7:457). `drift` tells how far the walk led away from the starts, which
need not be exact. All from memory.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

STARTS = 64  # draws of the prior among which the search starts
MOST_STEPS = 60
STEP = 0.02  # of the forward differences, in scores
CHAINS = 180  # many short ones: a start is an independent draw and costs a few steps, a walk forgets slowly
STEPS = 3  # of Gauss-Newton, to where a chain starts
BURN, CHECK, MOST = 9, 4, 32  # steps: that are forgotten, between checks of accuracy, in all
ENOUGH, STILL = 180.0, 0.2  # effective samples, and least drift in widths, at which the chains stop
INNER, WALK = 12, 1.2  # steps by the polynomial; their length in informed directions, over the root of their number
MIX = 0.5  # share of the free directions that such a step draws anew
BENT, STIFF = 3, 1.0  # directions beside the informed ones in which the polynomial is quadratic; its ridge
LOW = 60.0  # ln of the height below the highest from which a point tells the polynomial nothing
INFORMED = 0.3  # singular value of the Jacobian above which a direction counts as informed


Evaluate = Callable[[np.ndarray], np.ndarray]
Say = Callable[[float, str], None]


@dataclass(frozen=True)
class Mode:
    """The most probable scores (G,), residuals (n,) and Jacobian (n, G) there; converged or stopped early."""

    scores: np.ndarray
    residuals: np.ndarray
    jacobian: np.ndarray
    converged: bool


@dataclass(frozen=True)
class Posterior:
    """Draws of equal weight: scores (N, G), weights (N,) 1/N each, and how many independent ones they are worth.

    effective: of the informed direction that is known worst; accepted: share of the steps; drift: largest shift of an
    informed direction's mean from the first to the last third of the walk, in its standard deviations.
    """

    mode: Mode
    scores: np.ndarray
    weights: np.ndarray
    effective: float
    evaluations: int
    accepted: float
    drift: float

    def equal(self, count: int) -> np.ndarray:
        """(count, G) of the draws, from all chains and times, in no order: any part stands for the whole."""
        return self.scores[np.random.default_rng(0).permutation(len(self.scores))[:count]]

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


def find_mode(
    evaluate: Evaluate, count: int, rng: np.random.Generator, say: Say, near: np.ndarray | None = None
) -> Mode:
    """The most probable scores of `count` unknowns; near: where it is already known to be about."""
    trials = (
        np.vstack([np.zeros((1, count)), 0.7 * rng.standard_normal((STARTS, count))]) if near is None else near[None]
    )
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


def sample(evaluate: Evaluate, mode: Mode, rng: np.random.Generator, say: Say) -> Posterior:
    """Draws of the posterior around its mode. Raises MillsimError where nothing near it has an answer."""
    _, s, basis = np.linalg.svd(mode.jacobian, full_matrices=True)
    k = max(1, int(np.count_nonzero(s > INFORMED)))

    seen: list[tuple[np.ndarray, np.ndarray]] = []

    def asked(z: np.ndarray) -> np.ndarray:
        seen.append((z, evaluate(z)))
        return seen[-1][1]

    start = _starts(asked, mode, rng, say)
    states, accepted = _walk(asked, seen, Stand(mode, basis, k), start @ basis.T, s[:k], rng, say)
    effective, drift = accuracy(states[:, :, :k])
    scores = states.reshape(-1, mode.scores.size) @ basis
    spent = sum(len(z) for z, _ in seen)
    return Posterior(mode, scores, np.full(len(scores), 1.0 / len(scores)), effective, spent, accepted, drift)


def _starts(evaluate: Evaluate, mode: Mode, rng: np.random.Generator, say: Say) -> np.ndarray:
    """(CHAINS, G) scores, each the best fit to data and prior that were shaken by their own errors.

    For a linear model these are exact draws of the posterior; for another they follow its bends. Gauss-Newton from the
    mode with Broyden's update of the Jacobian.
    """
    n, count = mode.jacobian.shape
    prior, shaken = rng.standard_normal((CHAINS, count)), rng.standard_normal((CHAINS, n))
    z = np.tile(mode.scores, (CHAINS, 1))
    r = np.tile(mode.residuals, (CHAINS, 1))
    J = np.tile(mode.jacobian, (CHAINS, 1, 1))
    for turn in range(STEPS):
        gradient = np.einsum("cng,cn->cg", J, r + shaken) + z - prior
        # (J'J + 1)^-1 g = g - J' (J J' + 1)^-1 J g
        inner = np.linalg.solve(J @ np.swapaxes(J, 1, 2) + np.eye(n), np.einsum("cng,cg->cn", J, gradient)[:, :, None])
        step = -(gradient - np.einsum("cng,cn->cg", J, inner[:, :, 0]))
        step /= np.maximum(1.0, np.abs(step).max(axis=1, keepdims=True) / 2.0)
        found = evaluate(z + step)
        good = np.isfinite(found).all(axis=1)
        change = found - r - np.einsum("cng,cg->cn", J, step)
        update = change[:, :, None] * step[:, None, :] / np.maximum(np.sum(step**2, axis=1), 1e-12)[:, None, None]
        J[good] += update[good]
        z[good], r[good] = (z + step)[good], found[good]
        say(0.1 * (turn + 1) / STEPS, "starting the chains")
    return z


class Stand:
    """Stands in for `evaluate`: the model's slopes at the mode, and a polynomial through what they leave.

    Linear in all directions, quadratic in the informed ones and the next BENT; by least squares with a ridge.
    What it misses by counts as one more error of each residual, so it is wider where it knows less (Cui, Fox &
    O'Sullivan 2011, Water Resour. Res. 47:W10521).
    """

    def __init__(self, mode: Mode, basis: np.ndarray, k: int):
        self.mode, self.basis, self.k = mode, basis, k
        self.pairs = np.triu_indices(min(mode.scores.size, k + BENT))
        self.centre = mode.scores @ basis.T
        self.slopes = mode.jacobian @ basis.T
        self.trust = np.ones(mode.residuals.size)
        self.weights = np.zeros((1 + mode.scores.size + self.pairs[0].size, mode.residuals.size))

    def _terms(self, u: np.ndarray) -> np.ndarray:
        return np.hstack([np.ones((len(u), 1)), u, u[:, self.pairs[0]] * u[:, self.pairs[1]]])

    def learn(self, seen: list[tuple[np.ndarray, np.ndarray]]) -> None:
        """Fit to all points (z, residuals) that are not far below the highest."""
        z, r = (np.vstack(parts) for parts in zip(*seen, strict=True))
        h = log_target(r, z)
        near = h > h.max() - LOW
        u = z[near] @ self.basis.T - self.centre
        left, terms = r[near] - self.mode.residuals - u @ self.slopes.T, self._terms(u)
        self.weights = np.linalg.solve(terms.T @ terms + STIFF * np.eye(len(self.weights)), terms.T @ left)
        free = max(len(left) - len(self.weights), 0.1 * len(left), 1.0)
        self.trust = 1.0 / np.sqrt(1.0 + np.sum((left - terms @ self.weights) ** 2, axis=0) / free)

    def height(self, at: np.ndarray) -> np.ndarray:
        """Logarithm (N,) of the target at coordinates (N, G) along the basis, as `_height`."""
        u = at - self.centre
        r = self.mode.residuals + u @ self.slopes.T + self._terms(u) @ self.weights
        return _height(self.trust * r, at, self.k)


def _height(r: np.ndarray, at: np.ndarray, k: int) -> np.ndarray:
    """Logarithm of the target, the prior of the free directions left out: what draws them keeps it."""
    return log_target(r, at[:, :k])


def _walk(asked: Evaluate, seen: list, stand: Stand, start: np.ndarray, s: np.ndarray, rng, say: Say):
    """((steps, chains, G) states after the burning in, share of steps accepted) of Metropolis chains."""
    now, k, basis = start.copy(), stand.k, stand.basis
    h, states, taken = _height(asked(now @ basis), now, k), [], 0.0
    for step in range(BURN + MOST):
        if step <= BURN and step % 3 == 0:
            stand.learn(seen)  # no more once states count: chains that learn on their way follow nothing exactly
            spread = 0.9 * np.atleast_2d(np.cov(now[:, :k].T)) + 0.1 * np.diag(1.0 / (1.0 + s**2))
            root = np.linalg.cholesky(spread)
        before, trial, after = _steps_by(stand, now, root, rng)
        found = _height(asked(trial @ basis), trial, k)
        with np.errstate(invalid="ignore"):
            yes = np.log(rng.random(len(now))) < (found - h) - (after - before)
        yes |= np.isneginf(h) & np.isfinite(found)  # a chain without an answer takes the first it meets
        now[yes], h[yes] = trial[yes], found[yes]
        if step < BURN:
            continue
        states.append(now.copy())
        taken += yes.mean()
        done = len(states)
        if done % CHECK == 0:
            effective, drift = accuracy(np.array(states)[:, :, :k])
            say(0.1 + 0.9 * (step + 1) / (BURN + MOST), f"{effective:.0f} independent samples")
            if effective >= ENOUGH and drift <= STILL:
                break
    return np.array(states), float(taken / len(states))


def _steps_by(stand: Stand, now: np.ndarray, root: np.ndarray, rng: np.random.Generator):
    """(height before, states, height after) of INNER Metropolis steps from states (N, G), by what stands in."""
    k, at, length = stand.k, now.copy(), WALK / stand.k**0.5
    before = stand.height(at)
    h = before.copy()
    for _ in range(INNER):
        stretch = np.exp(0.5 * rng.standard_normal((len(at), 1)))  # short and long steps
        a = at[:, :k] + length * stretch * (rng.standard_normal((len(at), k)) @ root.T)
        mix = np.minimum(0.9, MIX * stretch)
        free = np.sqrt(1.0 - mix**2) * at[:, k:] + mix * rng.standard_normal((len(at), at.shape[1] - k))
        trial = np.hstack([a, free])
        found = stand.height(trial)
        yes = np.log(rng.random(len(at))) + h < found
        at[yes], h[yes] = trial[yes], found[yes]
    return before, at, h


def accuracy(states: np.ndarray) -> tuple[float, float]:
    """(effective samples of the worst coordinate, largest drift in widths) of states (steps, chains, k)."""
    steps, chains, _ = states.shape
    between = states.mean(axis=0).var(axis=0, ddof=1)
    total = states.var(axis=0, ddof=1).mean(axis=0) * (steps - 1) / steps + between
    third = max(1, steps // 3)
    shift = states[-third:].mean(axis=(0, 1)) - states[:third].mean(axis=(0, 1))
    return float(np.min(chains * total / between)), float(np.max(np.abs(shift) / np.sqrt(total)))
