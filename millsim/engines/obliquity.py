"""Means over the obliquity of a hit, for the balance: what breaks at a bar, and on a pin what a bar has thrown there.

cos^2 of a bar's obliquity, c, is u^(1/5) with u uniform. What flies from bars to pins is carried in two streams of half
of the hits each, of cos^2 one spread below the mean and one above. What depends on c is given to them so that its mean
and its first moment are right. So the mean of a product of two such functions, as of what breaks at the bar and then
on a pin, errs by no more than the product of what both are off their best straight lines, a hundred-thousandth.
"""

from math import exp, sqrt

import numpy as np

from ..base.numerics.dawson import NEAR, dawson_gap, near_gap
from ..base.numerics.jit import law
from ..base.numerics.quick import quick_exp
from ..mill.chamber import C_EXPONENT, MEAN_COS2_BAR

POWER = round(1.0 / C_EXPONENT)  # cos^2 to this power is its quantile; whole, as powers of other kinds are slow
MEAN, SPREAD = MEAN_COS2_BAR, sqrt(1.0 / (1.0 + 2.0 * C_EXPONENT) - MEAN_COS2_BAR**2)
PER_SPREAD = 1.0 / SPREAD
COS2 = np.array([MEAN - SPREAD, MEAN + SPREAD])  # of the streams
WEAK = 3.0  # excess, and that of what shatters, up to which points are taken at the bar: sums of powers would cancel
STRONG = 8.0  # excess from which on the pins what is near their threshold has points of its own
POINTS = 8  # over one variable; compiled code does all at once, if it is told their number no sooner than at work
# A workbench has POINTS of each of these: points and weights of Gauss over 0..1; points of a square that are spread
# evenly over its root, with their weights; then cos^2 by its spread from its mean, shares of hits, what breaks and what
# shatters there. Points that stood in a constant would keep compiled code from doing several at once.
ROWS = 8
NODE, WEIGHT, SQUARE, OF_SQUARE, AT, HITS, BROKEN, SHATTERED = (row * POINTS for row in range(ROWS))


def gauss(n: int) -> tuple[np.ndarray, np.ndarray]:
    """Points and weights of Gauss and Legendre over 0..1."""
    x, w = np.polynomial.legendre.leggauss(n)
    return 0.5 + 0.5 * x, 0.5 * w


def new_bench() -> np.ndarray:
    """A workbench."""
    x, w = gauss(POINTS)
    return np.concatenate([x, w, x * x, 2.0 * x * w, np.zeros((ROWS - 4) * POINTS)])


@law
def to_streams(mean, moment, most):
    """What the slow and the fast stream have of a function of c between 0 and `most`: its mean and first moment.

    moment: the mean of the function times (c - MEAN) / SPREAD.
    """
    limit = min(mean, most - mean)
    moment = max(-limit, min(moment, limit))
    return mean - moment, mean + moment


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
def _moments(bench, points):
    """Mean and first moment of what breaks, of what shatters and of all that is on a workbench."""
    broken = broken_1 = shattered = shattered_1 = whole = whole_1 = 0.0
    for g in range(points):
        z = bench[AT + g]
        whole, whole_1 = whole + bench[HITS + g], whole_1 + bench[HITS + g] * z
        broken, broken_1 = broken + bench[BROKEN + g], broken_1 + bench[BROKEN + g] * z
        shattered, shattered_1 = shattered + bench[SHATTERED + g], shattered_1 + bench[SHATTERED + g] * z
    return broken, broken_1, shattered, shattered_1, whole, whole_1


@law
def _weak_bar(a, c_min, b, bench, points):
    """Moments of what breaks, of what shatters at the bar, and of hits above the threshold, by points."""
    span = 1.0 - c_min
    for g in range(points):
        t = span * bench[NODE + g]
        c = c_min + t
        broken = 1.0 - quick_exp(-a * t)
        share = bench[WEIGHT + g] * (span * POWER) * ((c * c) * (c * c))
        bench[AT + g], bench[HITS + g] = (c - MEAN) * PER_SPREAD, share
        bench[BROKEN + g] = share * broken
        bench[SHATTERED + g] = share * broken * (1.0 - quick_exp(-b * a * t))
    return _moments(bench, points)


@law
def _strong_bar(a, c_min, b):
    """The same in closed form."""
    whole, whole_c = 1.0 - c_min**POWER, MEAN * (1.0 - c_min ** (POWER + 1))
    left, left_c = _decayed(a, c_min)
    unsplit, unsplit_c = (left, left_c) if b == 1.0 else _decayed(b * a, c_min)
    both, both_c = _decayed((1.0 + b) * a, c_min)
    broken, broken_c = whole - left, whole_c - left_c
    shattered, shattered_c = broken - unsplit + both, broken_c - unsplit_c + both_c
    return (
        broken, (broken_c - MEAN * broken) * PER_SPREAD, shattered, (shattered_c - MEAN * shattered) * PER_SPREAD,
        whole, (whole_c - MEAN * whole) * PER_SPREAD,
    )  # fmt: skip


@law
def bar_moments(a, e_0, b, bench):
    """(mean, first moment) over all bar hits of what breaks, of what shatters and of hits that can break.

    a: f_Mat x W of a square hit; e_0: f_Mat xW_min; b: shatter exponent; bench: a workbench.
    """
    c_min = e_0 / a
    if c_min >= 1.0:
        return 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    if (1.0 + b) * (a - e_0) < WEAK:
        return _weak_bar(a, c_min, b, bench, bench.size // ROWS)
    return _strong_bar(a, c_min, b)


@law
def _weak_pin(least, rise, c_min, e_0, b, bench, points):
    """Moments of what breaks and shatters on a pin, and of hits above the threshold, by points of the root of cos^2.

    In the root what breaks near the threshold is a plain power. least, rise: excess over the threshold of a square hit
    on the pin at c_min, and what it rises by up to the squarest bar hit. Source: derived, the means over U of the laws.
    """
    span = 1.0 - c_min
    for g in range(points):
        c, excess = c_min + span * bench[SQUARE + g], least + rise * bench[SQUARE + g]
        above = bench[OF_SQUARE + g] * (span * POWER) * ((c * c) * (c * c)) * sqrt(excess / (excess + e_0))
        broken = near_gap(excess)
        bench[AT + g], bench[HITS + g] = (c - MEAN) * PER_SPREAD, above
        bench[BROKEN + g] = above * broken
        bench[SHATTERED + g] = above * (broken + near_gap(b * excess) - near_gap((1.0 + b) * excess))
    return _moments(bench, points)


@law
def _strong_pin(least, rise, c_min, e_0, b, bench):
    """The same beyond what one polynomial over another tells; points of their own near the threshold, if need be."""
    span, total = 1.0 - c_min, (0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    middle = sqrt(0.5 * STRONG / rise) if rise > STRONG else 1.0
    for part in range(2 if middle < 1.0 else 1):
        start, width = (0.0, middle) if part == 0 else (middle, 1.0 - middle)
        for g in range(POINTS):
            r = start + width * bench[NODE + g]
            c, excess = c_min + span * r * r, least + rise * r * r
            above = (
                2.0 * r * width * bench[WEIGHT + g] * span * POWER * c ** (POWER - 1) * sqrt(excess / (excess + e_0))
            )
            broken = dawson_gap(excess)
            bench[AT + g], bench[HITS + g] = (c - MEAN) * PER_SPREAD, above
            bench[BROKEN + g] = above * broken
            bench[SHATTERED + g] = above * (broken + dawson_gap(b * excess) - dawson_gap((1.0 + b) * excess))
        t, n = total, _moments(bench, POINTS)
        total = t[0] + n[0], t[1] + n[1], t[2] + n[2], t[3] + n[3], t[4] + n[4], t[5] + n[5]
    return total


@law
def pin_moments(a_idle, a_throw, e_0, b, bench):
    """As `bar_moments`, on a round pin, whose cos^2 is 1 - U^2, over all bar hits that threw the piece there.

    a_idle, a_throw: f_Mat x W of a square hit on the pin by what flies without being thrown, and what a square hit of
    the bar adds to it.
    """
    c_min = max(0.0, (e_0 - a_idle) / a_throw)
    if c_min >= 1.0:
        return 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    least, rise = max(0.0, a_idle - e_0), a_throw * (1.0 - c_min)
    if (1.0 + b) * (least + rise) <= NEAR:
        return _weak_pin(least, rise, c_min, e_0, b, bench, bench.size // ROWS)
    return _strong_pin(least, rise, c_min, e_0, b, bench)
