"""Size distributions: grids, cumulative curves, percentiles, moments and the standard distribution functions.

A distribution is two arrays: `edges` (n+1, ascending, > 0, in m unless said otherwise) and `q` (n+1), the
share of the particles' mass (r = 3; or number, r = 0, ...) no larger than each edge. q[0] > 0 means that some
of it is finer than the finest edge and was not resolved. Between edges q is linear in ln x (the "log-linear"
rule), that is, each class is uniform in ln x. Notation of ISO 9276-1/-2 (from memory; formulas derived and
tested).
Owns no files and no units; must not import config, engines or scipy.
"""

import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from functools import lru_cache
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
_ROUNDING = 1e-12  # cumulative shares this close count as equal


# --- grids -----------------------------------------------------------------------------------------------


def size_grid(x_low_m: float, x_high_m: float, ratio: float, anchors: Sequence[float] = ()) -> Array:
    """Return ascending class edges from x_low_m to x_high_m with every anchor exactly on an edge.

    ratio: largest allowed ratio of neighbouring edges (> 1); between anchors the edges are geometric with a
    ratio no larger than this, so that no class straddles a sieve hole or a feed size. Anchors outside the
    range are left out. Ends are exact too. Shape (n+1,), m.
    """
    if not (0.0 < x_low_m < x_high_m < math.inf) or not ratio > 1.0:
        raise ValueError(f"size_grid needs 0 < low < high and ratio > 1, not {x_low_m}, {x_high_m}, {ratio}")
    # Anchors that differ only by rounding would make a class of no width.
    inner = [a for a in sorted(set(anchors)) if x_low_m * (1 + 1e-9) < a < x_high_m * (1 - 1e-9)]
    stops = [x_low_m]
    for anchor in inner:
        if anchor > stops[-1] * (1 + 1e-9):
            stops.append(anchor)
    stops.append(x_high_m)
    between = list(zip(stops[:-1], stops[1:], strict=True))
    counts = [max(1, math.ceil(math.log(high / low) / math.log(ratio) - 1e-9)) for low, high in between]
    edges, at = np.empty(sum(counts) + 1), 0
    for (low, high), n in zip(between, counts, strict=True):
        piece = edges[at : at + n]
        np.multiply(low, (high / low) ** _parts(n), out=piece)
        piece[0], at = low, at + n
    edges[-1] = x_high_m
    return edges


@lru_cache(256)
def _parts(n: int) -> Array:
    """0, 1/n, ... of n parts."""
    return np.arange(n) / n


def middles(edges: ArrayLike) -> Array:
    """Geometric middle of each class, shape (n,)."""
    edges = np.asarray(edges, dtype=float)
    return np.sqrt(edges[:-1] * edges[1:])


def feed_shares(edges: ArrayLike, cdf: Callable[[float], float], beyond: float = 1e-9) -> Array:
    """Return the mass share of each class, shape (n,), summing to 1, of a cumulative distribution cdf(x).

    What is finer than edges[0] is put in the finest class. A share above edges[-1] larger than `beyond` is a
    ValueError (the grid must hold the feed); a smaller one goes to the coarsest class.
    """
    q = np.array([float(cdf(float(x))) for x in np.asarray(edges, dtype=float)])
    if not np.all(np.isfinite(q)) or np.any(np.diff(q) < -_ROUNDING) or q[0] < 0 or q[-1] > 1 + _ROUNDING:
        raise ValueError("a cumulative distribution must rise from 0 to 1 without falling")
    if 1.0 - q[-1] > beyond:
        raise ValueError(f"a share {1.0 - q[-1]:.3g} of the feed is coarser than the top of the grid")
    q = np.maximum.accumulate(q)
    q[0], q[-1] = 0.0, 1.0
    return np.diff(q)


def cumulative(shares: ArrayLike) -> Array:
    """Cumulative shares at the class edges from class shares: (..., n) -> (..., n+1), first entry 0."""
    shares = np.asarray(shares, dtype=float)
    out = np.zeros((*shares.shape[:-1], shares.shape[-1] + 1))
    np.cumsum(shares, axis=-1, out=out[..., 1:])
    return out


# --- reading a curve -------------------------------------------------------------------------------------


def x_at(edges: ArrayLike, q: ArrayLike, p: ArrayLike) -> Array | float:
    """Return the size(s) below which the share p lies: the smallest x with Q(x) >= p.

    Log-linear between edges; exact on edges; on a flat stretch its fine end, and for p = 0 the finest size
    present. NaN where the curve does not determine it: p < q[0], where edges[0] is only an upper bound (say
    "< finest sieve"), and p > q[-1], where edges[-1] is only a lower bound.
    """
    edges, q = np.asarray(edges, dtype=float), np.maximum.accumulate(np.asarray(q, dtype=float))
    p = np.asarray(p, dtype=float)
    # First edge with Q >= p (p = 0: first edge with Q > 0, and then the edge below it).
    finest = np.searchsorted(q, 0.0, side="right") - 1
    i = np.where(p > 0, np.searchsorted(q, p - _ROUNDING, side="left"), finest)
    j = np.clip(i, 1, edges.size - 1)
    step = q[j] - q[j - 1]
    with np.errstate(invalid="ignore", divide="ignore"):
        t = np.clip(np.where(step > 0, (p - q[j - 1]) / step, 1.0), 0.0, 1.0)
    x = np.exp((1 - t) * np.log(edges[j - 1]) + t * np.log(edges[j]))
    x = np.where(t >= 1 - 1e-15, edges[j], np.where(t <= 0, edges[j - 1], x))
    x = np.where(i == 0, edges[0], x)
    known = (p >= q[0] - _ROUNDING) & (p <= q[-1] + _ROUNDING)
    x = np.where(known, x, np.nan)
    return float(x) if x.ndim == 0 else x


def curve_x_at(edges: ArrayLike, q: ArrayLike, p: float) -> float:
    """Return the size below which the share p lies on a curve that was computed class by class.

    As `x_at`, but along a monotone cubic in ln x (slopes at the edges: weighted harmonic means, Fritsch & Butland 1984,
    SIAM J. Sci. Stat. Comput. 5:300, from memory): the sieves of a table are all that is known of it, but a computed
    curve is smooth, and straight lines between classes would be most of its class error.
    """
    return curve_xs_at(edges, q, (p,))[0]


def curve_xs_at(edges: ArrayLike, q: ArrayLike, shares: Sequence[float]) -> tuple[float, ...]:
    """`curve_x_at` of several shares of one curve."""
    x, y = np.asarray(edges, dtype=float).tolist(), np.maximum.accumulate(np.asarray(q, dtype=float)).tolist()
    return tuple(_curve_x_at(x, y, p) for p in shares)


def _curve_x_at(edges: list[float], q: list[float], p: float) -> float:
    """The same of a curve that never falls."""
    j = bisect_left(q, p - _ROUNDING)
    if not (0 < j < len(edges) and p > 0.0 and p < q[j] - _ROUNDING):  # on an edge, or not known
        return float(x_at(edges, q, p))
    h, slope = _class(edges, q, j)
    low = _edge_slope(*_class(edges, q, j - 1), h, slope) if j > 1 else slope
    high = _edge_slope(h, slope, *_class(edges, q, j + 1)) if j + 1 < len(edges) else slope
    t = _on_cubic((p - q[j - 1]) / (q[j] - q[j - 1]), low / slope, high / slope)
    return edges[j - 1] * math.exp(t * h)


def _class(edges: list[float], q: list[float], j: int) -> tuple[float, float]:
    """Width in ln x of the class below edge j, and the mean slope of the curve in it."""
    h = math.log(edges[j] / edges[j - 1])
    return h, (q[j] - q[j - 1]) / h


def _edge_slope(h_1: float, slope_1: float, h_2: float, slope_2: float) -> float:
    """Slope of a monotone cubic at the edge between two classes, of their widths and mean slopes."""
    if not (slope_1 > 0.0 and slope_2 > 0.0):
        return 0.0
    a, b = h_1 + 2.0 * h_2, 2.0 * h_1 + h_2
    return (a + b) / (a / slope_1 + b / slope_2)


def _on_cubic(share: float, low: float, high: float) -> float:
    """Where in 0..1 a cubic from 0 to 1 with these end slopes, monotone, has the value `share` (Newton, bracketed)."""
    c, d = 3.0 - 2.0 * low - high, low + high - 2.0
    left, right, t = 0.0, 1.0, share
    for _ in range(100):
        over = t * (low + t * (c + t * d)) - share
        if over < 0.0:
            left = t
        else:
            right = t
        slope = low + t * (2.0 * c + 3.0 * t * d)
        new = t - over / slope if slope > 0.0 else right
        if abs(new - t) <= 1e-15:
            break
        t = new if left < new < right else 0.5 * (left + right)
    return t


def q_at(edges: ArrayLike, q: ArrayLike, x: ArrayLike) -> Array | float:
    """Return Q at size(s) x > 0, linear in ln x between edges, q[0] below and q[-1] above them."""
    value = np.interp(np.log(x), np.log(edges), np.asarray(q, dtype=float))
    return float(value) if value.ndim == 0 else value


def span(edges: ArrayLike, q3: ArrayLike) -> float:
    """(x90 - x10) / x50, NaN where x10 or x90 is not determined."""
    x10, x50, x90 = np.asarray(x_at(edges, q3, [0.1, 0.5, 0.9]))
    return float((x90 - x10) / x50)


def q3_star(edges: ArrayLike, q3: ArrayLike) -> Array:
    """Density over ln x of each class, dQ3/dln x, shape (n,) (ISO 9276-1, q3*)."""
    return np.diff(np.asarray(q3, dtype=float)) / np.diff(np.log(np.asarray(edges, dtype=float)))


# --- moments ---------------------------------------------------------------------------------------------


def class_moments(edges: ArrayLike, k: float, within: str = "log") -> Array:
    """Mean of x^k inside each class, shape (n,).

    within: "log" (uniform in ln x, the rule of this module), "linear" (uniform in x, ISO 9276-2)
    or "middle" (all at the arithmetic middle).
    """
    low, high = np.asarray(edges, dtype=float)[:-1], np.asarray(edges, dtype=float)[1:]
    if within == "middle":
        return (0.5 * (low + high)) ** k
    if within == "log":
        return _power_mean(low, high, k - 1) / np.log(high / low)
    if within == "linear":
        return _power_mean(low, high, k) / (high - low)
    raise ValueError(f'within must be "log", "linear" or "middle", not {within!r}')


def _power_mean(low: Array, high: Array, power: float) -> Array:
    """Integral of x^power from low to high."""
    if power == -1:
        return np.log(high / low)
    return (high ** (power + 1) - low ** (power + 1)) / (power + 1)


def moment(edges: ArrayLike, q: ArrayLike, k: float, within: str = "log") -> float:
    """M_k,r: mean of x^k over a distribution of kind r (the kind of q), ISO 9276-2.

    Shares finer than edges[0] or coarser than edges[-1] are put at that edge (so a Sauter diameter with an
    unresolved pan is an upper bound).
    """
    edges, q = np.asarray(edges, dtype=float), np.asarray(q, dtype=float)
    inner = float(np.dot(np.diff(q), class_moments(edges, k, within)))
    return inner + float(q[0]) * edges[0] ** k + float(1.0 - q[-1]) * edges[-1] ** k


def mean_size(edges: ArrayLike, q: ArrayLike, p: float, s: float, r: float = 3, within: str = "log") -> float:
    """D[p, s] = (M_p,0 / M_s,0)^(1/(p-s)) from a distribution of kind r (3 mass, 0 number), p != s.

    D[3, 2], Sauter's, has the same surface per volume: specific surface = 6 / D[3, 2] for spheres.
    """
    if p == s:
        raise ValueError("mean_size needs p different from s")
    ratio = moment(edges, q, p - r, within) / moment(edges, q, s - r, within)
    return float(ratio ** (1.0 / (p - s)))


# --- distribution functions ------------------------------------------------------------------------------


def rrsb_cdf(x: ArrayLike, x63: float, n: float) -> Array | float:
    """Rosin-Rammler-Sperling-Bennett: Q3 = 1 - exp(-(x/x63)^n) (DIN 66145), x and x63 in the same unit."""
    value = -np.expm1(-((np.asarray(x, dtype=float) / x63) ** n))
    return float(value) if np.ndim(value) == 0 else value


def rrsb_x(p: float, x63: float, n: float) -> float:
    """Size at the share p (0 <= p < 1) of an RRSB distribution."""
    return x63 * (-math.log1p(-p)) ** (1.0 / n)


def lognormal_cdf(x: ArrayLike, x50: float, sigma: float) -> Array | float:
    """Log-normal Q = Phi(ln(x/x50) / sigma), sigma = ln(x84/x50) (ISO 9276-5); x = 0 gives 0."""
    x = np.asarray(x, dtype=float)
    with np.errstate(divide="ignore"):
        z = -np.log(x / x50) / (sigma * math.sqrt(2.0))
    value = 0.5 * np.vectorize(math.erfc, otypes=[float])(z)
    return float(value) if value.ndim == 0 else value


def lognormal_x(p: float, x50: float, sigma: float) -> float:
    """Size at the share p (0 < p < 1) of a log-normal distribution."""
    return x50 * math.exp(sigma * NormalDist().inv_cdf(p))


def ggs_cdf(x: ArrayLike, x_max: float, m: float) -> Array | float:
    """Gates-Gaudin-Schuhmann: Q3 = (x/x_max)^m up to x_max."""
    value = np.minimum(np.asarray(x, dtype=float) / x_max, 1.0) ** m
    return float(value) if np.ndim(value) == 0 else value
