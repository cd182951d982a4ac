"""Size statistics against textbook cases, `fluids` and scipy. Sources stand beside each check."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lazily import later
from published import E799_COUNTS, E799_UM

from millsim.base.numerics import psd

stats = later("scipy.stats")
fluids_psd = later("fluids.particle_size_distribution")


def test_grid_holds_ends_and_anchors_exactly_and_its_ratio():
    anchors = [0.5e-3, 0.5e-3 * (1 + 1e-13), 2.2e-3, 1e-9, 9.0]
    edges = psd.size_grid(1e-6, 4e-3, 1.15, anchors)
    assert edges[0] == 1e-6 and edges[-1] == 4e-3 and 0.5e-3 in edges and 2.2e-3 in edges
    ratio = edges[1:] / edges[:-1]
    assert ratio.max() <= 1.15 * (1 + 1e-12) and ratio.min() > 1.05
    np.testing.assert_allclose(psd.size_grid(1.0, 8.0, 2.0), [1, 2, 4, 8], rtol=1e-15)
    with pytest.raises(ValueError, match="low < high"):
        psd.size_grid(1.0, 1.0, 1.1)


def test_x_at_on_edges_flats_and_where_undetermined():
    edges, q = [1.0, 2.0, 4.0, 8.0], [0.2, 0.2, 0.6, 1.0]
    assert psd.x_at(edges, q, 0.6) == 4.0 and psd.x_at(edges, q, 1.0) == 8.0
    assert psd.x_at(edges, q, 0.4) == pytest.approx(2.0 * math.sqrt(2), rel=1e-15)
    assert psd.x_at(edges, q, 0.2) == 1.0  # the fine end of a flat stretch
    assert math.isnan(psd.x_at(edges, q, 0.1))  # below the finest edge: edges[0] is only an upper bound
    assert math.isnan(psd.x_at(edges, [0, 0.1, 0.5, 0.9], 0.95))
    assert psd.x_at(edges, [0, 0, 0.5, 1.0], 0.0) == 2.0  # finest size present
    assert psd.x_at(edges, [0, 0, 0.5, 1 - 1e-15], 1.0) == 8.0  # rounding is not "undetermined"
    np.testing.assert_allclose(psd.x_at(edges, [0, 0, 0, 1], [0.25, 0.75]), 4 * 2 ** np.array([0.25, 0.75]))


def curve_of(weights):
    """Edges, Q and the largest share of a class, of weights drawn at random."""
    if sum(weights) < 1e-3:
        weights = [w + 1.0 for w in weights]
    shares = np.array(weights) / sum(weights)
    return np.geomspace(1e-6, 1e-2, shares.size + 1), psd.cumulative(shares), float(shares.max())


@given(st.lists(st.floats(0.0, 1.0), min_size=3, max_size=12), st.floats(0.0, 1.0))
def test_x_at_inverts_q_at(weights, p):
    edges, q, _ = curve_of(weights)
    x = psd.x_at(edges, q, p)
    assert edges[0] <= x <= edges[-1]
    assert psd.q_at(edges, q, x) == pytest.approx(min(p, q[-1]), abs=2e-12)


@given(st.lists(st.floats(0.0, 1.0), min_size=3, max_size=12), st.floats(0.01, 1.0))
def test_a_computed_curve_is_read_within_its_class(weights, p):
    edges, q, widest = curve_of(weights)
    x = psd.curve_x_at(edges, q, p)
    assert psd.q_at(edges, q, x) == pytest.approx(p, abs=widest)
    j = int(np.searchsorted(edges, psd.x_at(edges, q, p) * (1 - 1e-12)))
    assert edges[j - 1] * (1 - 1e-12) <= x <= edges[j] * (1 + 1e-12)
    assert x <= psd.curve_x_at(edges, q, min(1.0, p + 0.1)) * (1 + 1e-12)  # never falls


def test_a_computed_curve_is_read_as_a_smooth_one():
    # A Rosin-Rammler curve on classes 1.15 wide: ten times as near as straight lines, and third order in the width.
    def errors(ratio, read):
        edges = psd.size_grid(1e-6, 1e-2, ratio)
        q = psd.rrsb_cdf(edges, 4e-4, 1.6)
        return max(abs(read(edges, q, p) / psd.rrsb_x(p, 4e-4, 1.6) - 1.0) for p in (0.1, 0.5, 0.9))

    assert errors(1.15, psd.curve_x_at) < 0.1 * errors(1.15, psd.x_at)
    assert errors(1.15, psd.curve_x_at) < 0.3 * errors(1.15**1.5, psd.curve_x_at)
    edges, q = [1.0, 2.0, 4.0, 8.0], [0.0, 0.2, 0.6, 1.0]
    assert [psd.curve_x_at(edges, q, p) for p in (0.2, 0.6, 1.0)] == [2.0, 4.0, 8.0]
    assert math.isnan(psd.curve_x_at(edges, [0.1, 0.2, 0.6, 1.0], 0.05))


def test_das_percentiles():
    # G13: B. M. Das, Principles of Geotechnical Engineering, ex. 2.1-2.2 (seen in the FOSSEE companion).
    edges = np.array([0.075, 0.15, 0.18, 0.25, 0.425, 0.85, 2, 4.75])
    q = np.array([1.7, 9.3, 38.1, 54.9, 74.1, 86.3, 94.5, 100]) / 100
    found = psd.x_at(edges, q, [0.10, 0.16, 0.30, 0.50, 0.60, 0.84, 0.90])
    expected = [0.15067, 0.1565, 0.1710, 0.22716, 0.28784, 0.74588, 1.25054]
    np.testing.assert_allclose(found, expected, rtol=3e-4)
    d10, _, d30, _, d60, _, _ = found
    assert d60 / d10 == pytest.approx(1.9105, rel=2e-4)
    assert d30**2 / (d10 * d60) == pytest.approx(0.6743, rel=2e-4)
    for value, book in ((d10, 0.15), (d30, 0.17), (d60, 0.27)):  # read from a graph: 7 %
        assert value == pytest.approx(book, rel=0.07)
    assert math.isnan(psd.x_at(edges, q, 0.01))


def test_sauter_of_a_straight_curve():
    # G9: Coulson & Richardson vol. 2, ex. 1.1: straight mass CDF 1-101 um, D32 = 100/ln 101 = 21.668.
    exact = 100 / math.log(101)
    assert exact == pytest.approx(21.667906534, rel=1e-10)
    edges = np.geomspace(1.0, 101.0, 51)
    q = (edges - 1) / 100
    assert psd.mean_size(edges, q, 3, 2) == pytest.approx(exact, rel=1e-3)
    assert psd.mean_size(edges, q, 3, 2, within="linear") == pytest.approx(exact, rel=1e-12)


def test_means_from_a_number_density():
    # G10: Coulson & Richardson ex. 1.2: dn/dd = d (0-10), 1e5 d^-4 (10-100). The stored notebook's 31.374
    # comes from one wide class at its arithmetic middle; the exact integrals are below.
    edges = np.concatenate([[1e-3], np.linspace(0.05, 10, 400), np.geomspace(10, 100, 400)[1:]])
    counts = np.where(edges[:-1] < 10, edges[1:] ** 2 / 2 - edges[:-1] ** 2 / 2, 0.0)
    counts += np.where(edges[:-1] >= 10, 1e5 / 3 * (edges[:-1] ** -3 - edges[1:] ** -3), 0.0)
    q0 = psd.cumulative(counts / counts.sum())
    for p, s, exact in ((1, 0, 9.943977591), (3, 2, 21.761609504), (4, 3, 36.628791134)):
        assert psd.mean_size(edges, q0, p, s, r=0) == pytest.approx(exact, rel=2e-4)


def test_e799_counted_drops():
    # G11: ASTM E799 example as shipped in `fluids` (counts); ISO 9276-2 means, uniform in x within a class.
    # (Its `vssa`, 2665.6 1/m, is not 6 / D[3, 2] of the same object and agrees with class middles only.)
    ds, counts = E799_UM.tolist(), E799_COUNTS
    shares = counts / counts.sum()
    q0 = psd.cumulative(shares)
    table = {(1, 0): 1459.372565, (2, 0): 1646.574046, (3, 0): 1832.396653, (2, 1): 1857.788857,
             (3, 1): 2053.270398, (3, 2): 2269.321032, (4, 3): 2670.751955}  # fmt: skip
    theirs = fluids_psd.ParticleSizeDistribution(ds=[d * 1e-6 for d in ds], fractions=list(shares), order=0)
    for (p, s), expected in table.items():
        assert psd.mean_size(ds, q0, p, s, r=0, within="linear") == pytest.approx(expected, rel=1e-9)
        assert theirs.mean_size(p, s) * 1e6 == pytest.approx(expected, rel=1e-9)
    middle = 6e6 / psd.mean_size(ds, q0, 3, 2, r=0, within="middle")
    assert middle == pytest.approx(theirs.vssa, rel=1e-5)
    with pytest.raises(ValueError, match="within"):
        psd.moment(ds, q0, 1, within="mean")
    with pytest.raises(ValueError, match="different"):
        psd.mean_size(ds, q0, 2, 2)


def test_rrsb():
    # G12: RRSB n = 1.3, x' = 200 um, analytic.
    x63, n = 200.0, 1.3
    assert [psd.rrsb_x(p, x63, n) for p in (0.1, 0.5, 0.9)] == pytest.approx(
        [35.419608, 150.864842, 379.889639], rel=1e-7
    )
    x = np.geomspace(1, 900, 30)
    np.testing.assert_allclose(psd.rrsb_cdf(x, x63, n), stats.weibull_min(n, scale=x63).cdf(x), rtol=1e-12)
    theirs = fluids_psd.PSDRosinRammler(k=x63**-n, m=n)
    np.testing.assert_allclose(psd.rrsb_cdf(x, x63, n), [theirs.cdf(v) for v in x], rtol=1e-9)
    edges = np.geomspace(1e-3, 1.5e3, 4001)
    q = psd.rrsb_cdf(edges, x63, n)
    assert psd.span(edges, q) == pytest.approx(2.283302, rel=1e-5)
    assert psd.moment(edges, q, 1) == pytest.approx(184.715344, rel=1e-5)


def test_lognormal():
    # G12: x50,3 = 100, s = 0.5, analytic.
    assert psd.lognormal_x(0.1, 100, 0.5) == pytest.approx(52.688352, rel=1e-7)
    assert psd.lognormal_x(0.9, 100, 0.5) == pytest.approx(189.795271, rel=1e-8)
    x = np.array([0.0, 1e-3, 20.0, 100.0, 400.0, 1e6])
    exact = stats.lognorm(0.5, scale=100).cdf(x)
    np.testing.assert_allclose(psd.lognormal_cdf(x, 100, 0.5), exact, rtol=1e-11, atol=1e-300)
    edges = np.geomspace(1, 1e4, 2001)
    q3 = psd.lognormal_cdf(edges, 100, 0.5)
    assert psd.moment(edges, q3, 1) == pytest.approx(113.314845, rel=1e-4)
    assert psd.mean_size(edges, q3, 3, 2) == pytest.approx(88.249690, rel=1e-4)


def test_ggs():
    np.testing.assert_allclose(psd.ggs_cdf([0.0, 250.0, 900.0], 500, 1.5), [0.0, 0.5**1.5, 1.0])


def test_density_and_feed_shares():
    edges = np.geomspace(1, 1000, 31)
    q = psd.rrsb_cdf(edges, 100, 1.5)
    density = psd.q3_star(edges, q)
    assert np.dot(density, np.diff(np.log(edges))) == pytest.approx(q[-1] - q[0], rel=1e-13)
    middle = psd.middles(edges)
    exact = 1.5 * (middle / 100) ** 1.5 * np.exp(-((middle / 100) ** 1.5))
    np.testing.assert_allclose(density, exact, atol=0.01)
    shares = psd.feed_shares(edges, lambda x: psd.rrsb_cdf(x, 100, 1.5))
    assert shares.sum() == pytest.approx(1.0, abs=1e-15) and shares[0] == pytest.approx(q[1], rel=1e-12)
    with pytest.raises(ValueError, match="coarser than the top"):
        psd.feed_shares(edges[:20], lambda x: psd.rrsb_cdf(x, 100, 1.5))
    with pytest.raises(ValueError, match="without falling"):
        psd.feed_shares(edges, lambda x: 1 - x / 1000)
