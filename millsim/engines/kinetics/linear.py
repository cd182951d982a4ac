"""Solvers for linear breakage on size classes: steady, tanks in series, batch, and one step in time.

Classes are numbered from fine to coarse. G[i, j] is the rate, 1/s, at which mass in class j becomes mass in
class i; breakage only makes finer, so G is used strictly above its diagonal (i < j; anything on or below the
diagonal is not read: what stays in its class is no loss). exit_rate[j] is the rate of leaving, loss[j] the
total: loss = exit_rate + column sums of G (`losses`). All arrays float64, masses kg, rates 1/s.

    dm_i/dt = feed_i - loss_i m_i + sum_{j>i} G[i, j] m_j
"""

import math

import numpy as np
from numpy.typing import NDArray

from ...base.numerics.jit import routine
from ...errors import NotConverged

Array = NDArray[np.float64]

# Reid's sum is used while its terms are at most this much larger than the mass they add up to: rounding of
# some 1e-14. Nearly equal loss rates of linked classes make them grow like 1/gap: then expm is used.
REID_GROWTH = 1e2
GAMMA = 1.0 - math.sqrt(0.5)  # the two-stage step evaluates its rates at GAMMA dt and at dt


def losses(G: Array, exit_rate: Array) -> Array:
    """Total loss rate of each class, 1/s: exit plus all that G moves to finer classes."""
    return exit_rate + np.triu(G, 1).sum(axis=0)


@routine
def substitute(G, loss, source):
    """Solve loss_i m_i - sum_{j>i} G[i, j] m_j = source_i from the coarsest class down; shape (n,).

    A class that nothing enters stays empty even where its loss is 0; one that fills without loss gives inf.
    """
    n = source.size
    m = np.zeros(n)
    for i in range(n - 1, -1, -1):
        total = source[i]
        for j in range(i + 1, n):
            total += G[i, j] * m[j]
        if total != 0.0:
            m[i] = total / loss[i]
    return m


def steady(G: Array, loss: Array, feed_rate: Array) -> Array:
    """Return the hold-up of each class, kg, at a constant feed, kg/s per class.

    NotConverged where mass gathers without end in a class that neither breaks nor leaves.
    """
    m = substitute(G, loss, feed_rate)
    if not np.all(np.isfinite(m)):
        first = int(np.flatnonzero(~np.isfinite(m))[-1])
        raise NotConverged(f"no steady state: mass enters class {first}, which neither breaks nor leaves")
    return m


def tanks_in_series(G: Array, exit_rate: Array, feed_rate: Array, n: int) -> tuple[Array, Array]:
    """Return the product, kg/s by class, and the hold-ups, kg, shape (n, classes), of n equal mixed tanks.

    exit_rate: of one tank, 1/s (n / residence time for an unclassified discharge).
    """
    loss = losses(G, exit_rate)
    flow, holdups = np.asarray(feed_rate, dtype=float), []
    for _ in range(n):
        holdups.append(steady(G, loss, flow))
        flow = exit_rate * holdups[-1]
    return flow, np.array(holdups)


# --- batch -----------------------------------------------------------------------------------------------


@routine
def reid_coefficients(G, loss, m0):
    """Return A with m_i(t) = sum_{j>=i} A[i, j] exp(-loss_j t), shape (n, n).

    K. J. Reid, "A solution to the batch grinding equation", Chem. Eng. Sci. 20 (1965) 953-963 (from memory).
    Equal losses of unlinked classes are fine; of linked ones give inf or nan.
    """
    n = m0.size
    A = np.zeros((n, n))
    for i in range(n - 1, -1, -1):
        rest = m0[i]
        for j in range(i + 1, n):
            total = 0.0
            for k in range(i + 1, j + 1):
                total += G[i, k] * A[k, j]
            if total != 0.0:
                A[i, j] = total / (loss[i] - loss[j])
            rest -= A[i, j]
        A[i, i] = rest
    return A


def transition(G: Array, loss: Array, dt: float) -> Array:
    """Return T with m(t + dt) = T m(t): the exponential of the rate matrix, shape (n, n)."""
    return fed_transition(G, loss, np.zeros(loss.size), dt)[0]


def fed_transition(G: Array, loss: Array, feed_rate: Array, dt: float) -> tuple[Array, Array]:
    """Return T and f with m(t + dt) = T m(t) + f under a constant feed, kg/s per class; shapes (n, n) and (n,).

    Scaling and squaring of a Taylor series without a single subtraction (uniformisation), so no entry is
    negative and small entries keep their digits; the diagonal, known exactly, is put in at every squaring and
    the columns are rescaled to conserve mass. Exact to about 1e-13 for any rates, equal ones included.
    """
    n = loss.size
    rates = np.zeros((n + 1, n + 1))  # class 0 collects what leaves, so that every column sums to 1
    rates[1:, 1:] = np.triu(G, 1)
    rates[0, 1:] = np.maximum(loss - rates[:, 1:].sum(axis=0), 0.0)
    decay = np.concatenate([[0.0], loss])
    fastest = float(decay.max(initial=0.0))
    if fastest * dt <= 0.0:
        return np.eye(n), feed_rate * dt
    doublings = max(0, math.ceil(math.log2(fastest * dt / 0.25)))
    h = dt / 2**doublings
    step = h * (rates + np.diag(fastest - decay))
    T = _conserve(_short(step, fastest * h, np.eye(n + 1)), decay * h)
    fed = np.concatenate([[0.0], feed_rate])
    left = sum(h * w * _short(s * step, s * fastest * h, fed) for s, w in zip(*_GAUSS, strict=True))
    for k in range(1, doublings + 1):
        left = left + T @ left
        T = _conserve(T @ T, decay * (h * 2**k))
    if left.sum() > 0.0:
        left = left * (dt * feed_rate.sum() / left.sum())
    return T[1:, 1:], left[1:]


_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(7)  # exact to 1e-16 over a step as short as that of `_short`
_GAUSS = ((_NODES + 1.0) / 2.0, _WEIGHTS / 2.0)


def _short(step: Array, fastest: float, what: Array) -> Array:
    """exp(step - fastest) applied to a vector or the unit matrix, for fastest <= 0.25, by its series."""
    term = what * math.exp(-fastest)
    total = term.copy()
    for k in range(1, 13):  # 0.25^13 / 13! < 1e-17
        term = step @ term / k
        total += term
    return total


def _conserve(T: Array, exponent: Array) -> Array:
    """Put the exact diagonal exp(-exponent) into T and scale the rest so that each column sums to 1."""
    np.fill_diagonal(T, 0.0)
    moved = T.sum(axis=0)
    T *= np.divide(-np.expm1(-exponent), moved, out=np.zeros_like(moved), where=moved > 0)
    np.fill_diagonal(T, np.exp(-exponent))
    return T


def batch(G: Array, loss: Array, m0: Array, times: Array) -> Array:
    """Return the mass in each class, kg, at each time, s (ascending, >= 0); shape (times, n).

    Reid's closed form where its terms stay below REID_GROWTH times the mass, else the matrix exponential from
    one time to the next. Where nothing leaves (loss = column sums of G) mass is conserved to rounding.
    """
    m0, times = np.asarray(m0, dtype=float), np.asarray(times, dtype=float)
    A = reid_coefficients(G, loss, m0)
    total = float(np.abs(m0).sum())
    if reid_is_safe(A, total):
        # No class ever holds more than everything: what rounding puts outside is put back.
        masses = np.clip(np.exp(-np.outer(times, loss)) @ A.T, 0.0, None)
    else:
        masses = _by_exponential(G, loss, m0, times)
    closed = np.allclose(loss, np.triu(G, 1).sum(axis=0), rtol=1e-12, atol=0.0)
    if closed and total > 0:
        masses *= (total / masses.sum(axis=1))[:, None]
    return masses


def reid_is_safe(A: Array, total: float) -> bool:
    """Whether Reid's coefficients are finite and small enough to lose no more than about two digits."""
    return bool(np.all(np.isfinite(A)) and np.abs(A).sum(axis=1).max(initial=0.0) <= REID_GROWTH * total)


def _by_exponential(G: Array, loss: Array, m0: Array, times: Array) -> Array:
    """Masses at ascending times from one transition matrix per different time step."""
    out, m, before, matrices = np.empty((times.size, m0.size)), m0, 0.0, {}
    for row, time in enumerate(times):
        dt = float(time - before)
        if dt not in matrices:
            matrices[dt] = transition(G, loss, dt)
        m, before = matrices[dt] @ m, time
        out[row] = m
    return out


def fed_batch(G: Array, loss: Array, m0: Array, seconds: float, times: Array) -> Array:
    """As `batch`, but m0 comes in evenly over the first `seconds`; shape (times, n)."""
    m, before, rate = np.zeros(m0.size), 0.0, np.asarray(m0, dtype=float) / seconds
    steps: dict[tuple[float, bool], tuple[Array, Array]] = {}
    found = {0.0: m}
    for time in np.unique([*times, seconds]):
        dt, fed = float(time - before), time <= seconds
        if (dt, fed) not in steps:
            steps[dt, fed] = fed_transition(G, loss, rate * fed, dt)
        T, more = steps[dt, fed]
        m, before = T @ m + more, time
        found[float(time)] = m
    return np.array([found[float(time)] for time in times])


def with_product(G: Array, exit_rate: Array) -> tuple[Array, Array]:
    """Return (G, loss) of twice the size in which what leaves class j is kept in class j of the first half.

    Masses of the enlarged system are [product 0..n-1, charge 0..n-1]: a closed system for `batch`.
    """
    n = exit_rate.size
    enlarged = np.zeros((2 * n, 2 * n))
    enlarged[n:, n:] = G
    enlarged[:n, n:] = np.diag(exit_rate)
    return enlarged, losses(enlarged, np.zeros(2 * n))


# --- one step in time ------------------------------------------------------------------------------------


@routine
def step(m, dt, G1, loss1, feed1, G2, loss2, feed2):
    """Advance masses by dt with rates that change in time; returns (m_new, w1, w2), each (n,).

    m: kg; dt: s; G1, loss1, feed1: rates, 1/s, and feed, kg/s, at t + GAMMA dt; G2, loss2, feed2: at t + dt.
    The time integral over the step of any flow c(t) . m is c1 . w1 + c2 . w2 (w in kg s): with c the exit
    rate, charge and product together conserve mass to rounding.
    Second order, L-stable (R. Alexander, SIAM J. Numer. Anal. 14 (1977) 1006, two-stage SDIRK; from memory).
    Where so long a step would make a mass negative the step is one of implicit Euler instead (first order,
    never negative; then w1 = 0).
    """
    gamma = 1.0 - math.sqrt(0.5)
    stage = _implicit(m + (gamma * dt) * feed1, gamma * dt, G1, loss1)
    # (stage - m) / gamma is dt times the slope of the first stage, feed included.
    right = m + (1.0 - gamma) / gamma * (stage - m) + (gamma * dt) * feed2
    new = _implicit(right, gamma * dt, G2, loss2)
    if new.min() < 0.0:
        new = _implicit(m + dt * feed2, dt, G2, loss2)
        return new, np.zeros(m.size), dt * new
    return new, ((1.0 - gamma) * dt) * stage, (gamma * dt) * new


@routine
def _implicit(right, h, G, loss):
    """Solve (1 + h loss) m - h G m = right."""
    n = right.size
    m = np.zeros(n)
    for i in range(n - 1, -1, -1):
        total = 0.0
        for j in range(i + 1, n):
            total += G[i, j] * m[j]
        m[i] = (right[i] + h * total) / (1.0 + h * loss[i])
    return m
