"""What a sieve sheet says: percentiles, mean sizes, share in a window, fitted distributions, replicates.

Percentiles are log-linear between sieves; beyond the finest or coarsest sieve only a bound is given, never an
extrapolation. The three distributions are straight lines in their nets, fitted by unweighted least squares over the
sieves with 0 < Q3 < 1: ln(-ln(1 - Q3)) (RRSB, DIN 66145), the probit of Q3 (log-normal) and ln Q3 (Gates-Gaudin-
Schuhmann), each against ln x. Owns no files and no units.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import NormalDist, fmean, stdev

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..numerics import psd
from .sheet import SieveSheet

Array = NDArray[np.float64]
KNOWN = 0.01  # of a mean size: a range narrower than this is told as one number
NOTHING = 1e-9  # of the mass: less at an end is rounding
LASER_FITTED = (0.01, 0.99)  # Q3 between which laws are fitted to a laser's curve
ALIKE = 0.005  # rms differences (in Q3) this close tell no distribution from another: half a percentage point


@dataclass(frozen=True)
class Percentile:
    """Size (m) below which the share p lies: low = high where the sieves tell, else bounds (0 or inf at the ends)."""

    p: float
    low_m: float
    high_m: float

    @property
    def x_m(self) -> float:
        """The size where it is known, NaN where only a bound is."""
        return self.low_m if self.low_m == self.high_m else math.nan


def percentile(apertures_m: Sequence[float], q3: Sequence[float], p: float) -> Percentile:
    """Size at the share p, log-linear between sieves; "< finest" or "> coarsest" beyond them."""
    x = float(psd.x_at(apertures_m, q3, p))
    if not math.isnan(x):
        return Percentile(p, x, x)
    return Percentile(p, 0.0, apertures_m[0]) if p < q3[0] else Percentile(p, apertures_m[-1], math.inf)


def span_of(apertures_m: Sequence[float], q3: Sequence[float]) -> float:
    """(x90 - x10) / x50; NaN where one of them is not determined."""
    return psd.span(apertures_m, q3) if q3[-1] > 0 else math.nan


@dataclass(frozen=True)
class MeanSize:
    """A mean size D[p, q] (m): low and high where finest and coarsest leave it open (0 or inf where quite open).

    finest: share of the sum behind it that the pan has if it is as coarse as it can be: of size or of surface.
    """

    name: str
    low_m: float
    high_m: float
    finest: float

    @property
    def x_m(self) -> float:
        """The size where the ends hardly matter (1 %), NaN where only a bound or a range is known."""
        known = self.high_m <= (1 + KNOWN) * self.low_m
        return 0.5 * (self.low_m + self.high_m) if known else math.nan


def mean_sizes(apertures_m: Sequence[float], q3: Sequence[float], within: str = "linear") -> tuple[MeanSize, MeanSize]:
    """D[4, 3] and D[3, 2], in moment notation x_1,3 and x_1,2 (ISO 9276-2): means of size over mass and over surface.

    From mass: D[4, 3] = integral of x dQ3, D[3, 2] = 1 / integral of dQ3 / x. within: how classes are filled, as in
    `psd.class_moments`. The pan lies anywhere from 0 to the finest aperture, what the coarsest held anywhere above.
    """
    x, q = np.asarray(apertures_m, dtype=float), np.asarray(q3, dtype=float)
    pan, top = (share if share > NOTHING else 0.0 for share in (float(q[0]), float(1.0 - q[-1])))
    d43, d32 = (psd.mean_size(x, q, p, p - 1, within=within) for p in (4, 3))  # with the ends at the outermost sieves
    least_surface = 1.0 / d32 - top / x[-1]
    by_size = MeanSize("D[4,3]", d43 - pan * x[0], math.inf if top else d43, pan * x[0] / d43)
    most = 1.0 / least_surface if least_surface > NOTHING / x[-1] else math.inf
    return by_size, MeanSize("D[3,2]", 0.0 if pan else d32, most, pan * d32 / x[0])


def share_between(sheet: SieveSheet, low_m: float, high_m: float) -> tuple[float, float]:
    """Least and most mass share between two sizes; equal where both lie within the sieves."""
    ends = [_q_range(sheet, x) for x in (low_m, high_m)]
    return max(0.0, ends[1][0] - ends[0][1]), ends[1][1] - ends[0][0]


def _q_range(sheet: SieveSheet, x: float) -> tuple[float, float]:
    """Least and most Q3 at a size."""
    if x <= 0:
        return 0.0, 0.0
    if math.isinf(x):
        return 1.0, 1.0
    if x < sheet.apertures_m[0] * (1 - 1e-9):
        return 0.0, sheet.q3[0]
    if x > sheet.apertures_m[-1] * (1 + 1e-9):
        return sheet.q3[-1], 1.0
    q = float(psd.q_at(sheet.apertures_m, sheet.q3, x))
    return q, q


# --- distributions -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Fit:
    """A two-parameter distribution: a size (m: x', x50 or x_max), a shape (n, sigma or m), and how well it fits."""

    law: str  # "rrsb", "lognormal" or "ggs"
    size_m: float
    shape: float
    points: int  # sieves with 0 < Q3 < 1
    rms: float  # of the differences in Q3 at these
    largest: float  # difference, measured minus fitted, of the largest magnitude
    largest_at_m: float

    def q3(self, x_m: ArrayLike) -> Array:
        """Q3 at sizes (m)."""
        return np.asarray(_LAWS[self.law](np.asarray(x_m, dtype=float), self.size_m, self.shape))


_LAWS: dict[str, Callable] = {"rrsb": psd.rrsb_cdf, "lognormal": psd.lognormal_cdf, "ggs": psd.ggs_cdf}


def rrsb_net(q3: ArrayLike) -> Array:
    """Ordinate of the RRSB net, ln(-ln(1 - Q3)), for 0 < Q3 < 1."""
    return np.log(-np.log1p(-np.asarray(q3, dtype=float)))


def fit(law: str, apertures_m: Sequence[float], q3: Sequence[float]) -> Fit | None:
    """The straight line in the net of a law through the sieves with 0 < Q3 < 1; None for fewer than two such sieves
    or a curve so flat that the line leaves any size a powder could have."""
    x, q = np.asarray(apertures_m, dtype=float), np.asarray(q3, dtype=float)
    inside = (q > 0) & (q < 1)
    x, q = x[inside], q[inside]
    if x.size < 2 or q[-1] <= q[0]:
        return None
    normal = NormalDist()
    nets: dict[str, Callable] = {
        "rrsb": rrsb_net, "lognormal": np.vectorize(normal.inv_cdf, otypes=[float]), "ggs": np.log
    }  # fmt: skip
    net = nets[law](q)
    slope, height = _line(np.log(x), net)
    if not slope > 0 or abs(height / slope) > 25:  # beyond 14 pm to 7e10 m
        return None
    size = math.exp(-height / slope)
    shape = 1.0 / slope if law == "lognormal" else slope
    difference = q - np.asarray(_LAWS[law](x, size, shape))
    at = int(np.argmax(np.abs(difference)))
    rms = float(np.sqrt(np.mean(difference**2)))
    return Fit(law, size, shape, int(x.size), rms, float(difference[at]), float(x[at]))


def _line(u: Array, v: Array) -> tuple[float, float]:
    """Slope and height at u = 0 of the least-squares line."""
    du = u - u.mean()
    slope = float(np.dot(du, v) / np.dot(du, du))
    return slope, float(v.mean() - slope * u.mean())


def fitted(sheet: SieveSheet) -> tuple[Sequence[float], Sequence[float]]:
    """Apertures and Q3 that laws are fitted to: of the many classes of a laser those away from its rounded tails."""
    if not sheet.by_laser:
        return sheet.apertures_m, sheet.q3
    low, high = LASER_FITTED
    inside = [(x, q) for x, q in zip(sheet.apertures_m, sheet.q3, strict=True) if low <= q <= high]
    return [x for x, _ in inside], [q for _, q in inside]


def fits(apertures_m: Sequence[float], q3: Sequence[float]) -> tuple[Fit, ...]:
    """RRSB, log-normal and GGS fits, as far as there are any, in this order."""
    found = (fit(law, apertures_m, q3) for law in _LAWS)
    return tuple(f for f in found if f is not None)


def best(found: Sequence[Fit]) -> tuple[Fit, bool]:
    """The fit with the smallest rms difference, and whether it is clearly the best."""
    ranked = sorted(found, key=lambda f: f.rms)
    return ranked[0], len(ranked) > 1 and ranked[0].points > 2 and ranked[1].rms - ranked[0].rms > ALIKE


# --- replicates ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Scatter:
    """Mean of replicates, standard deviation of a single one (NaN for one), 95 % half-width of the mean."""

    count: int
    mean: float
    sd: float
    half_width: float


def scatter(values: Sequence[float]) -> Scatter:
    """Mean and scatter of replicates, Student's t for the interval of the mean."""
    if len(values) < 2:
        return Scatter(len(values), fmean(values), math.nan, math.nan)
    from scipy.special import stdtrit

    sd = stdev(values)
    return Scatter(len(values), fmean(values), sd, float(stdtrit(len(values) - 1, 0.975)) * sd / math.sqrt(len(values)))


@dataclass(frozen=True)
class Finer:
    """Whether B is finer than A: means, pooled scatter of one run, the probability now and with one more run each."""

    mean_a: float
    mean_b: float
    pooled_sd: float
    freedom: int
    probability: float
    with_one_more: float


def b_finer(a: Sequence[float], b: Sequence[float]) -> Finer:
    """Probability that the true mean of B is below that of A, from replicates with the same scatter, flat prior.

    Student's t with the pooled standard deviation and n_a + n_b - 2 degrees of freedom. `with_one_more` supposes
    that one more run each repeats the means and the scatter. ValueError for fewer than three runs in all.
    """
    n_a, n_b = len(a), len(b)
    if min(n_a, n_b) < 1 or n_a + n_b < 3:
        raise ValueError("comparing needs at least three runs in all, one of each kind")
    mean_a, mean_b = fmean(a), fmean(b)
    squares = sum((v - mean_a) ** 2 for v in a) + sum((v - mean_b) ** 2 for v in b)
    freedom = n_a + n_b - 2
    sd = math.sqrt(squares / freedom)
    now = _t_share(mean_a - mean_b, sd, n_a, n_b, freedom)
    return Finer(mean_a, mean_b, sd, freedom, now, _t_share(mean_a - mean_b, sd, n_a + 1, n_b + 1, freedom + 2))


def _t_share(difference: float, sd: float, n_a: int, n_b: int, freedom: int) -> float:
    from scipy.special import stdtr

    if sd == 0:
        return 0.5 if difference == 0 else float(difference > 0)
    return float(stdtr(freedom, difference / (sd * math.sqrt(1 / n_a + 1 / n_b))))
