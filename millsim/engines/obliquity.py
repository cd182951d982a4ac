"""Means over the obliquity of a hit, for the balance: what breaks at a bar, and on a pin what a bar has thrown there.

cos^2 of a bar's obliquity, c, is u^(1/5) with u uniform. What flies from bars to pins is carried in two streams of half
of the hits each, of cos^2 one spread below the mean and one above. What depends on c is given to them so that its mean
and its first moment are right. So the mean of a product of two such functions, as of what breaks at the bar and then
on a pin, errs by no more than the product of what both are off their best straight lines, a hundred-thousandth.
"""

from math import exp, sqrt

import numpy as np

from ..base.numerics.dawson import dawson_gap
from ..base.numerics.jit import law
from ..laws import breakage
from ..mill.chamber import C_EXPONENT, MEAN_COS2_BAR

POWER = round(1.0 / C_EXPONENT)  # cos^2 to this power is its quantile; whole, as powers of other kinds are slow
MEAN, SPREAD = MEAN_COS2_BAR, sqrt(1.0 / (1.0 + 2.0 * C_EXPONENT) - MEAN_COS2_BAR**2)
COS2 = np.array([MEAN - SPREAD, MEAN + SPREAD])  # of the streams
WEAK = 3.0  # excess, and that of what shatters, up to which points are taken at the bar: sums of powers would cancel
STRONG = 8.0  # excess from which on the pins what is near their threshold has points of its own


def gauss(n: int) -> tuple[np.ndarray, np.ndarray]:
    """Points and weights of Gauss and Legendre over 0..1."""
    x, w = np.polynomial.legendre.leggauss(n)
    return 0.5 + 0.5 * x, 0.5 * w


_BAR_X, _BAR_W = gauss(6)
_PIN_X, _PIN_W = gauss(8)


@law
def to_streams(mean, moment, most):
    """What the slow and the fast stream have of a function of c between 0 and `most`: its mean and first moment.

    moment: the mean of the function times (c - MEAN) / SPREAD.
    """
    limit = min(mean, most - mean)
    moment = max(-limit, min(moment, limit))
    return mean - moment, mean + moment


@law
def above_moments(c):
    """(mean, first moment) of the share of bar hits with a cos^2 above c."""
    share = 1.0 - c**POWER
    return share, (MEAN * (1.0 - c ** (POWER + 1)) - MEAN * share) / SPREAD


@law
def _tails(alpha, c):
    """Integrals of 5 t^4 and 5 t^5 times exp(-alpha (t - c)) over t from c to infinity."""
    tail = 1.0 / alpha
    power = 1.0
    for k in range(1, POWER):
        power *= c
        tail = (power + k * tail) / alpha
    return POWER * tail, POWER * (power * c + POWER * tail) / alpha


@law
def _decayed(alpha, c):
    """(mean, mean times c) of exp(-alpha (t - c)) over bar hits with a cos^2 t above c."""
    whole, whole_c = _tails(alpha, c)
    beyond, beyond_c = _tails(alpha, 1.0)
    left = exp(-alpha * (1.0 - c))
    return whole - left * beyond, whole_c - left * beyond_c


@law
def _weak_bar(a, c_min, b):
    """Moments of what breaks and of what shatters at the bar, by points between the threshold and a square hit."""
    broken = broken_c = shattered = shattered_c = 0.0
    for g in range(_BAR_X.size):
        t = (1.0 - c_min) * _BAR_X[g]
        c = c_min + t
        share = _BAR_W[g] * (1.0 - c_min) * POWER * c**4 * (1.0 - exp(-a * t))
        w = breakage.shatter_share(b, a * t)
        broken += share
        broken_c += share * c
        shattered += share * w
        shattered_c += share * w * c
    return broken, broken_c, shattered, shattered_c


@law
def _strong_bar(a, c_min, b):
    """The same in closed form."""
    whole, whole_c = 1.0 - c_min**POWER, MEAN * (1.0 - c_min ** (POWER + 1))
    left, left_c = _decayed(a, c_min)
    unsplit, unsplit_c = (left, left_c) if b == 1.0 else _decayed(b * a, c_min)
    both, both_c = _decayed((1.0 + b) * a, c_min)
    return whole - left, whole_c - left_c, whole - left - unsplit + both, whole_c - left_c - unsplit_c + both_c


@law
def bar_moments(a, e_0, b):
    """(mean, first moment) over all bar hits of what breaks, of what shatters and of hits that can break.

    a: f_Mat x W of a square hit; e_0: f_Mat xW_min; b: shatter exponent.
    """
    c_min = e_0 / a
    if c_min >= 1.0:
        return 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    broken, broken_c, shattered, shattered_c = (
        _weak_bar(a, c_min, b) if (1.0 + b) * (a - e_0) < WEAK else _strong_bar(a, c_min, b)
    )
    above, above_1 = above_moments(c_min)
    return (
        broken, (broken_c - MEAN * broken) / SPREAD, shattered, (shattered_c - MEAN * shattered) / SPREAD,
        above, above_1,
    )  # fmt: skip


@law
def _round_pin(excess, e_0, b):
    """(share of hits above the threshold, what breaks, what shatters) on a round pin, whose cos^2 is 1 - U^2.

    excess, e_0: f_Mat (x W - xW_min) of a square hit, f_Mat xW_min. Source: derived, the means over U of the laws.
    """
    above = sqrt(excess / (excess + e_0))
    broken, unsplit = dawson_gap(excess), dawson_gap(b * excess)
    return above, above * broken, above * (broken + unsplit - dawson_gap((1.0 + b) * excess))


@law
def pin_moments(a_idle, a_throw, e_0, b):
    """As `bar_moments`, on a pin, over all bar hits that threw the piece there.

    a_idle, a_throw: f_Mat x W of a square hit on the pin by what flies without being thrown, and what a square hit of
    the bar adds to it.
    """
    broken = broken_c = shattered = shattered_c = above = above_c = 0.0
    c_min = max(0.0, (e_0 - a_idle) / a_throw)
    if c_min >= 1.0:
        return 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    least, span = max(0.0, a_idle - e_0), 1.0 - c_min
    middle = sqrt(0.5 * STRONG / (a_throw * span)) if a_throw * span > STRONG else 1.0
    for part in range(2 if middle < 1.0 else 1):
        start, width = (0.0, middle) if part == 0 else (middle, 1.0 - middle)
        for g in range(_PIN_X.size):
            r = start + width * _PIN_X[g]  # of the root, in which what breaks near the threshold is a plain power
            c = c_min + span * r * r
            share = _PIN_W[g] * width * 2.0 * r * span * POWER * c**4
            over, breaks, shatters = _round_pin(least + a_throw * span * r * r, e_0, b)
            broken += share * breaks
            broken_c += share * breaks * c
            shattered += share * shatters
            shattered_c += share * shatters * c
            above += share * over
            above_c += share * over * c
    return (
        broken, (broken_c - MEAN * broken) / SPREAD, shattered, (shattered_c - MEAN * shattered) / SPREAD,
        above, (above_c - MEAN * above) / SPREAD,
    )  # fmt: skip
