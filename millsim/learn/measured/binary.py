"""Maximum likelihood for pieces that broke or did not: the mill's selection function, and the usual curves beside it.

A trial is a piece, or several, hit with the covariate u (for the selection function size times specific energy,
J m/kg). Where the data leave no finite estimate this says so and gives what they bound instead. Knows no files.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import erf, inf, log, sqrt
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
LEVELS = (0.80, 0.95)
_NORMAL = NormalDist()
_LN2 = log(2.0)
_SHARES = np.unique(np.concatenate([np.linspace(0.0, 0.99, 50), 1.0 - np.geomspace(1e-7, 0.3, 30)]))  # of the highest
_STRIDE = 12  # points of a profile that are computed at once


@dataclass(frozen=True)
class Trials:
    """Pooled trials, ascending in u: u (L,), pieces tested n (L,), broken k (L,), hits each (L,)."""

    u: Array
    n: Array
    k: Array
    hits: Array

    @property
    def pieces(self) -> int:
        """Number of single trials."""
        return int(self.n.sum())

    @property
    def broken(self) -> int:
        """How many of them broke."""
        return int(self.k.sum())


def pool(u: ArrayLike, n: ArrayLike, k: ArrayLike, hits: ArrayLike = 1.0) -> Trials:
    """Trials from rows (m,): rows of the same u and hits are added up."""
    u, n, k, hits = (np.array(a, dtype=float) for a in np.broadcast_arrays(u, n, k, hits))
    if not (np.all(u > 0) and np.all(n >= 1) and np.all((k >= 0) & (k <= n)) and np.all(hits >= 1)):
        raise ValueError("trials need u > 0, n >= 1, 0 <= k <= n and hits >= 1")
    keys, place = np.unique(np.stack([u, hits], axis=1), axis=0, return_inverse=True)
    add = [np.bincount(place.ravel(), weights=w, minlength=len(keys)).astype(float) for w in (n, k)]
    return Trials(keys[:, 0], add[0], add[1], keys[:, 1])


# --- what the data allow to be asked ----------------------------------------------------------------------


def kind(t: Trials) -> str:
    """Whether a curve can be fitted: "overlap", or "none broken", "all broken", "one level", "separated".

    separated: no piece stayed whole above one that broke, so ever steeper curves fit ever better and there is no
    finite estimate (for one covariate this is exactly the condition; Silvapulle 1981, J. R. Stat. Soc. B 43:310,
    from memory).
    """
    if t.broken == 0:
        return "none broken"
    if t.broken == t.pieces:
        return "all broken"
    if t.u[0] == t.u[-1]:
        return "one level"
    return "overlap" if t.u[t.n > t.k].max() > t.u[t.k > 0].min() else "separated"


def bracket(t: Trials) -> tuple[float, float]:
    """(highest u below which nothing broke, lowest u above which all broke); 0 or inf where there is none."""
    first, last = (t.u[t.k > 0].min() if t.broken else inf), (t.u[t.n > t.k].max() if t.broken < t.pieces else 0.0)
    whole, gone = t.u[(t.k == 0) & (t.u < first)], t.u[(t.k == t.n) & (t.u > last)]
    return (float(whole.max()) if whole.size else 0.0), (float(gone.min()) if gone.size else inf)


def counting_limits(t: Trials, level: float = 0.95) -> tuple[float, float]:
    """Limits of the u that breaks half, from counts alone: they assume only that harder hits break no fewer.

    Were u_50 at or below a level, every piece hit there or harder would break with probability 1/2 at least, so that
    a run of m pieces left whole, going up from that level, has a probability of 2^-m at most. The lower limit is the
    highest level from which such a run is less likely than (1 - level) / 2; the upper limit likewise, going down
    (where pieces hit several times do not count). 0 or inf where there are too few pieces.
    """
    need = -np.log2(0.5 * (1.0 - level))
    once = t.hits == 1
    first, last = (t.u[t.k > 0].min() if t.broken else inf), (t.u[t.n > t.k].max() if t.broken < t.pieces else 0.0)
    whole = (t.n * (t.u < first))[::-1].cumsum()[::-1]  # pieces of the run from each level up to the first break
    gone = (t.n * (once & (t.u > last))).cumsum()
    lows, highs = t.u[(whole >= need) & (t.u < first)], t.u[(gone >= need) & (t.u > last)]
    return (float(lows.max()) if lows.size else 0.0), (float(highs.min()) if highs.size else inf)


def few_limits(t: Trials, level: float = 0.95) -> tuple[float, float]:
    """Limits of the u that breaks half by few trials, some broken and some not, whatever the steepness.

    Selection functions whose threshold is anything from none to nine tenths of u_50, each as likely, and u_50 as likely
    in every factor (both assumed): the middle `level` of what the trials leave of it (Bayes). Unlike counts, it bounds
    with one piece of each kind, and is as wide as so little asks for.
    """
    ln_u50 = np.linspace(np.log(t.u.min() / 1e3), np.log(t.u.max() * 1e3), 2001)
    share = np.linspace(0.0, 0.9, 10)[:, None, None]
    steps = np.maximum(t.u / np.exp(ln_u50)[:, None] - share, 0.0) / (1.0 - share)  # (shares, u_50, levels)
    whole = -_LN2 * t.hits * steps
    with np.errstate(divide="ignore", invalid="ignore"):
        broke = np.where(t.k > 0, t.k * np.log(-np.expm1(whole)), 0.0)
    loglik = (broke + (t.n - t.k) * whole).sum(axis=2)
    weight = np.exp(loglik - loglik.max()).sum(axis=0)
    below = np.cumsum(weight) / weight.sum()
    low, high = (float(np.exp(np.interp(p, below, ln_u50))) for p in (0.5 * (1.0 - level), 0.5 * (1.0 + level)))
    return low, high


# --- the selection function -------------------------------------------------------------------------------


@dataclass(frozen=True)
class Selection:
    """Fit of S = 1 - exp(-f (u - u_min)): f [kg/(J m)], u_min and u_50 [J m/kg].

    limits: {"f" | "u_min" | "u_50": {level: (low, high)}} by profile likelihood; a low of 0 for u_min means that the
    data do not tell it from none. deviance over `dof` degrees of freedom, on the pooled levels.
    """

    f: float
    u_min: float
    loglik: float
    limits: dict[str, dict[float, tuple[float, float]]]
    deviance: float
    dof: int

    @property
    def u_50(self) -> float:
        """What breaks half: u_min + ln 2 / f."""
        return self.u_min + _LN2 / self.f

    def share(self, u: ArrayLike, hits: ArrayLike = 1.0) -> Array:
        """Share broken at u after `hits` hits (no damage carried over)."""
        return -np.expm1(-np.asarray(hits) * self.f * np.maximum(0.0, np.asarray(u, dtype=float) - self.u_min))


def fit_selection(t: Trials, levels: tuple[float, ...] = LEVELS) -> Selection:
    """Maximum likelihood of the selection function of the mill (laws.breakage), with profile limits.

    t must be of kind "overlap". Source of the function: Vogel & Peukert 2003 (from memory); hits multiply, since a
    piece that survives is as strong as before. The threshold is not below zero.
    """
    if kind(t) != "overlap":
        raise ValueError("there is no finite estimate")
    top = float(t.u[t.k > 0].min())  # the threshold lies below the lowest hit that broke
    u_min, most = (float(v[0]) for v in _highest(lambda m: _loglik(t, _best_f(t, m), m), _spread(top)[None]))
    f = float(_best_f(t, np.array(u_min)))
    half = u_min + _LN2 / f
    profiles = {  # likelihood at values (g,), with the other parameter the best beside each
        "f": (lambda v: _highest(lambda m: _loglik(t, v[:, None], m), _spread(np.full_like(v, top)))[1], f),
        "u_min": (lambda v: _loglik(t, _best_f(t, v), v), u_min),
        "u_50": (lambda v: _highest(lambda m: _loglik(t, _LN2 / (v[:, None] - m), m), _spread(np.minimum(top, v)))[1],
                 half),
    }  # fmt: skip
    drops = {level: 0.5 * _NORMAL.inv_cdf(0.5 + 0.5 * level) ** 2 for level in levels}
    limits = {}
    for name, (profile, best) in profiles.items():
        grid = _spread(top) if name == "u_min" else best * np.geomspace(1e-3, 1e3, 121)
        limits[name] = _limits(profile, grid, best, most, drops)
    return Selection(f, u_min, most, limits, *_deviance(t, f, u_min))


def band(t: Trials, fit: Selection, u: ArrayLike, level: float = 0.95) -> tuple[Array, Array]:
    """Limits (g,) of the share broken at u (g,), each by profile likelihood: all curves within reach of the best."""
    u = np.asarray(u, dtype=float)
    top = float(t.u[t.k > 0].min())
    f, m = (a.ravel() for a in np.meshgrid(fit.f * np.geomspace(0.02, 50.0, 160), np.append(_spread(top), fit.u_min)))
    near = _loglik(t, f, m) >= fit.loglik - 0.5 * _NORMAL.inv_cdf(0.5 + 0.5 * level) ** 2
    curves = -np.expm1(-f[near, None] * np.maximum(0.0, u - m[near, None]))
    curves = np.vstack([curves, fit.share(u)])
    return curves.min(axis=0), curves.max(axis=0)


def _loglik(t: Trials, f: Array, m: Array) -> Array:
    """Log likelihood (...) at pairs of f and threshold (...)."""
    e = f[..., None] * t.hits * np.maximum(0.0, t.u - m[..., None])
    with np.errstate(divide="ignore", invalid="ignore"):
        broken = np.where(t.k > 0, t.k * np.log(-np.expm1(-e)), 0.0)
    return (broken - (t.n - t.k) * e).sum(axis=-1)


def _best_f(t: Trials, m: Array) -> Array:
    """The f (...) that maximises the likelihood at thresholds m (...) below the lowest hit that broke.

    Newton's method on f times the score, sum k x / (exp x - 1) - f sum (n - k) a with x = f a: it falls, and less and
    less, so that steps from f = 0 never pass its root.
    """
    a = t.hits * np.maximum(0.0, t.u - m[..., None])
    broke, whole = t.k > 0, ((t.n - t.k) * a).sum(axis=-1)
    a, k = a[..., broke], t.k[broke]
    f = k.sum() / ((0.5 * k * a).sum(axis=-1) + whole)  # the first step: the slope at f = 0 is known
    for _ in range(200):
        x = f[..., None] * a
        with np.errstate(over="ignore"):
            part = x / np.expm1(x)
        score = (k * part).sum(axis=-1) - f * whole
        step = score / (whole - (k * part * (1.0 - x - part)).sum(axis=-1) / f)
        f = f + step
        if np.all(np.abs(step) <= 1e-12 * f):
            break
    return f


def _spread(top: float | Array) -> Array:
    """Thresholds (..., 79) from 0 to just below each `top` (...), even and crowding towards the top."""
    return np.asarray(top)[..., None] * _SHARES


def _highest(function: Callable[[Array], Array], grid: Array) -> tuple[Array, Array]:
    """Where a function of one variable is highest in each row of a grid (g, n), and how high: ever finer about it."""
    rows, parts = np.arange(len(grid)), np.linspace(0.0, 1.0, 15)
    for _ in range(5):
        values = function(grid)
        best = np.nanargmax(values, axis=1)
        found = grid[rows, best], values[rows, best]
        low, high = grid[rows, np.maximum(best - 1, 0)], grid[rows, np.minimum(best + 1, grid.shape[1] - 1)]
        grid = low[:, None] + (high - low)[:, None] * parts
    return found


def _limits(profile: Callable[[Array], Array], grid: Array, best: float, most: float, drops: dict) -> dict:
    """{level: (low, high)}: the outermost points at which the profile comes within `drops` of its maximum.

    Looked for on the grid from the best value outwards; an end that it does not reach is 0 or inf.
    """
    deepest = max(drops.values()) + 3.0  # so far down that it will not rise again
    found = {level: [0.0, inf] for level in drops}
    for end, points in ((0, grid[grid < best][::-1]), (1, grid[grid > best])):
        way, falls = np.append(best, points), np.zeros(1)
        while falls.max() <= deepest and falls.size < way.size:
            falls = np.append(falls, most - profile(way[falls.size :][:_STRIDE]))
        for level, drop in drops.items():
            last = int(np.flatnonzero(falls <= drop)[-1])
            if last + 1 < falls.size:
                found[level][end] = _crossing(profile, float(way[last]), float(way[last + 1]), most - drop)
    return {level: (low, high) for level, (low, high) in found.items()}


def _crossing(profile: Callable[[Array], Array], inside: float, outside: float, level: float) -> float:
    """Where the profile crosses a level between a point inside and one outside."""
    from scipy.optimize import brentq

    return float(brentq(lambda v: max(float(profile(np.array([v]))[0]) - level, -1e9), inside, outside, rtol=1e-9))


def _deviance(t: Trials, f: float, u_min: float) -> tuple[float, int]:
    """Deviance of the pooled levels and its degrees of freedom (levels less the two parameters)."""
    p = -np.expm1(-t.hits * f * np.maximum(0.0, t.u - u_min))
    return _binomial_deviance(t, p), t.u.size - 2


def _binomial_deviance(t: Trials, p: Array) -> float:
    with np.errstate(divide="ignore", invalid="ignore"):
        broke = np.where(t.k > 0, t.k * np.log(t.k / (t.n * p)), 0.0)
        whole = np.where(t.k < t.n, (t.n - t.k) * np.log((t.n - t.k) / (t.n * (1.0 - p))), 0.0)
    return float(2.0 * (broke + whole).sum())


# --- the usual curves -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Link:
    """Fit of P = inverse link (b0 + b1 z): coefficients, their standard errors, deviance, and z at P = 1/2."""

    name: str
    b0: float
    b1: float
    se0: float
    se1: float
    covariance: float
    deviance: float
    loglik: float

    @property
    def z_50(self) -> float:
        """Covariate at which half break."""
        return (_MEDIAN[self.name] - self.b0) / self.b1

    @property
    def z_50_se(self) -> float:
        """Its standard error (delta method)."""
        d0, d1 = -1.0 / self.b1, -self.z_50 / self.b1
        return sqrt(max(0.0, (d0 * self.se0) ** 2 + (d1 * self.se1) ** 2 + 2.0 * d0 * d1 * self.covariance))

    def share(self, z: ArrayLike) -> Array:
        """P at the covariate z."""
        return LINKS[self.name](self.b0 + self.b1 * np.asarray(z, dtype=float))[0]


def _logit(eta: Array) -> tuple[Array, Array]:
    p = 0.5 * (1.0 + np.tanh(0.5 * eta))
    return p, p * (1.0 - p)


def _probit(eta: Array) -> tuple[Array, Array]:
    p = np.array([0.5 * (1.0 + erf(v / sqrt(2.0))) for v in eta.ravel()]).reshape(eta.shape)
    return p, np.exp(-0.5 * eta * eta) / sqrt(2.0 * np.pi)


def _cloglog(eta: Array) -> tuple[Array, Array]:
    e = np.exp(np.minimum(eta, 30.0))
    return -np.expm1(-e), e * np.exp(-e)


LINKS = {"logit": _logit, "probit": _probit, "cloglog": _cloglog}  # eta -> P, dP/deta
_MEDIAN = {"logit": 0.0, "probit": 0.0, "cloglog": log(_LN2)}


def fit_link(name: str, z: ArrayLike, n: ArrayLike, k: ArrayLike) -> Link | None:
    """Binomial regression of k of n on z by Fisher scoring; None where there is no finite estimate, or no slope.

    Standard errors come from the expected information, as in generalised linear models (McCullagh & Nelder 1989).
    """
    z, n, k = (np.asarray(a, dtype=float) for a in (z, n, k))
    whole, broken = z[n > k], z[k > 0]
    if not (whole.size and broken.size and whole.max() > broken.min() and broken.max() > whole.min()):
        return None
    centre, width = float(np.average(z, weights=n)), float(np.ptp(z))
    design = np.stack([np.ones_like(z), (z - centre) / width], axis=1)
    b = np.array([log((k.sum() + 0.5) / (n.sum() - k.sum() + 0.5)), 0.0])
    height, last = -inf, np.zeros(2)
    for _ in range(200):
        p, slope = LINKS[name](design @ b)
        p = np.clip(p, 1e-15, 1.0 - 1e-15)
        weight = n * slope**2 / (p * (1.0 - p))
        information = design.T @ (weight[:, None] * design)
        try:
            step = np.linalg.solve(information, design.T @ (slope * (k - n * p) / (p * (1.0 - p))))
        except np.linalg.LinAlgError:  # nearly all tests at one z: no slope to tell
            return None
        before, height = height, float((k * np.log(p) + (n - k) * np.log1p(-p)).sum())
        if height < before - 1e-12:  # overshot: half of the way back
            b, step, height = b - last, 0.5 * last, before
        elif np.abs(step).max() < 1e-11:
            trials = Trials(z, n, k, np.ones_like(z))
            flat = abs(b[1]) < 1e-9  # as many broken at every z: half break anywhere, or nowhere
            return None if flat else _link(name, b, np.linalg.inv(information), centre, width, trials, height)
        b, last = b + step, step
    return None


def _link(name: str, b: Array, c: Array, centre: float, width: float, t: Trials, height: float) -> Link:
    """The fit in terms of z itself: eta = b[0] + b[1] (z - centre) / width."""
    back = np.array([[1.0, -centre / width], [0.0, 1.0 / width]])
    b, c = back @ b, back @ c @ back.T
    p = np.clip(LINKS[name](b[0] + b[1] * t.u)[0], 1e-300, 1.0 - 1e-16)
    se = np.sqrt(np.diag(c))
    return Link(name, float(b[0]), float(b[1]), float(se[0]), float(se[1]), float(c[0, 1]),
                _binomial_deviance(t, p), height)  # fmt: skip
