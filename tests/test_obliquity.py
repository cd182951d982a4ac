"""Means over the obliquity of hits are those of the laws: held against points by the thousand, and scipy's Dawson."""

import mills
import numpy as np
import pytest
from scipy.special import dawsn

from millsim.base.numerics.dawson import NEAR, dawson_gap
from millsim.engines.obliquity import MEAN, POWER, SPREAD, bar_moments, new_bench, pin_moments, to_streams
from millsim.engines.strikes import flight_of
from millsim.laws import breakage
from millsim.mill.chamber import F_MAT, PIN, STRIKES, XW_MIN, strike_energies

X, W = (0.5 + 0.5 * np.polynomial.legendre.leggauss(16)[0], 0.5 * np.polynomial.legendre.leggauss(16)[1])
BENCH = new_bench()
EXPONENTS = (0.3, 1.0, 3.0)  # of what shatters, the ends of its range on the cards


def finely(start, stop):
    """Points and weights between two numbers, the denser the nearer to the first: 16 in each of 21 parts."""
    bounds = start + (stop - start) * np.concatenate([[0.0], np.logspace(-8, 0, 21)])
    width = np.diff(bounds)[:, None]
    return (bounds[:-1, None] + width * X).ravel(), (width * W).ravel()


def laws(excess, b):
    """What breaks, and what shatters, at f_Mat (x W - xW_min) above the threshold."""
    broken = np.array([breakage.breakage_probability.py_func(1.0, e, 1.0, 0.0) for e in excess.ravel()])
    return broken.reshape(excess.shape), (broken * -np.expm1(-b * excess.ravel())).reshape(excess.shape)


def moments(c, weights, *functions):
    """Mean and first moment over all bar hits of functions known at cos^2 = c."""
    share = weights * POWER * c ** (POWER - 1)
    return [np.sum(share * f * z) for f in functions for z in (np.ones_like(c), (c - MEAN) / SPREAD)]


def energies(count):
    """f_Mat xW_min and excess of the squarest hit, 1e-12 to 1e3."""
    rng = np.random.default_rng(3)
    return zip(np.exp(rng.uniform(np.log(1e-3), np.log(30), count)), np.logspace(-12, 3, count), strict=True)


def off(mine, want):
    """Largest error over the mean that it belongs to, absolute below a billionth."""
    means = np.repeat(np.maximum(want[::2], 1e-9), 2)
    return np.max(np.abs(np.array(mine) - want) / means)


def test_dawsons_integral_is_scipys():
    E = np.concatenate([np.logspace(-12, 6, 2000), NEAR * (1 + np.linspace(-1e-6, 1e-6, 5))])
    want = 1.0 - dawsn(np.sqrt(E)) / np.sqrt(E)
    assert np.max(np.abs([dawson_gap(e) for e in E] - want)) < 1e-11
    small = E < 1e-4  # series (derived): 2 E / 3 - 4 E^2 / 15 + 8 E^3 / 105
    series = E * (2 / 3 - E * (4 / 15 - E * 8 / 105))
    np.testing.assert_allclose([dawson_gap(e) for e in E[small]], series[small], rtol=1e-11)


@pytest.mark.parametrize("b", EXPONENTS)
def test_means_over_bar_hits(b):
    for e_0, excess in energies(60):
        a = e_0 + excess
        c, weights = finely(e_0 / a, 1.0)
        want = np.array(moments(c, weights, *laws(np.maximum(0.0, a * c - e_0), b), np.ones_like(c)))
        assert off(bar_moments(a, e_0, b, BENCH), want) < 1e-6
    assert bar_moments(0.99, 1.0, b, BENCH) == (0.0,) * 6


@pytest.mark.parametrize("b", EXPONENTS)
def test_means_over_pin_hits(b):
    U, over_U = finely(1.0, 0.0)  # cos^2 of a pin hit is 1 - U^2; over_U is negative
    for n, (e_0, excess) in enumerate(energies(16)):
        idle = (e_0 + excess) * (0.0, 0.1, 0.6)[n % 3]
        throw = e_0 + excess - idle
        c, weights = finely(max(0.0, (e_0 - idle) / throw), 1.0)
        arrives = np.maximum(e_0, idle + throw * c)
        above = np.sqrt(1.0 - e_0 / arrives)  # up to this U a hit breaks
        broken, shattered = laws((arrives - e_0)[:, None] * (1.0 - U * U), b)
        mean = [above * np.sum(-over_U * f, axis=1) for f in (broken, shattered)]
        want = np.array(moments(c, weights, *mean, above))
        assert off(pin_moments(idle, throw, e_0, b, BENCH), want) < 1e-6
    assert pin_moments(0.2, 0.7, 1.0, b, BENCH) == (0.0,) * 6


def broken_on_the_way(row, x, flight):
    """What a bar breaks of struck pieces, or else a pin that a share of them meets: over all hits, by streams."""
    firm, e_0, share = row[F_MAT] * x, row[F_MAT] * row[XW_MIN], row[PIN]
    c, weights = finely(1.0, 0.0)
    bar = -np.expm1(-np.maximum(0.0, firm * flight.square * c - e_0))
    arrives = firm * flight.survive * (flight.idle + flight.throw * c)[:, None]
    pin = -np.expm1(-np.maximum(0.0, arrives * (1.0 - c * c) - e_0)) @ -weights
    idle, throw = firm * flight.survive * flight.idle, firm * flight.survive * flight.throw
    found = bar_moments(firm * flight.square, e_0, 1.0, BENCH), pin_moments(idle, throw, e_0, 1.0, BENCH)
    at_bar, on_pin = (np.array(to_streams(*moment[:2], 1.0)) for moment in found)
    whole = moments(c, -weights, bar + (1.0 - bar) * share * pin)[0]
    return whole, np.mean(at_bar + (1.0 - at_bar) * share * on_pin)


@pytest.mark.parametrize("name", ["demo", "pla", "swinging"])
def test_streams_keep_that_square_hits_throw_fast(name):
    # Those that a bar hit breaks would have broken on the pin more often than others. What is left of that changes
    # the largest rate of these mills by 1e-5 at most; six bins of equal hits in place of two streams erred 5e-3.
    p, o = mills.problem(name), mills.outcome(name)
    k = np.zeros(1, STRIKES)
    strike_energies(p.mill[0], o.state, k[0])
    pairs = [broken_on_the_way(row, x, flight_of(k[0])) for row, x in zip(o.table, p.x, strict=True)]
    want, found = np.array(pairs).T
    assert np.sum(want > 0.0) > 10
    np.testing.assert_allclose(found, want, rtol=0.0, atol=5e-5)


def test_streams_keep_the_mean_and_its_bounds():
    for mean, moment in ((0.5, 0.2), (0.1, 0.3), (0.9, 0.3), (0.1, -0.3), (0.0, 0.0)):
        slow, fast = to_streams(mean, moment, 1.0)
        assert slow + fast == pytest.approx(2 * mean, abs=1e-15)
        assert min(slow, fast) >= 0.0 and max(slow, fast) <= 1.0
    assert to_streams(0.5, 0.2, 1.0) == pytest.approx((0.3, 0.7))
