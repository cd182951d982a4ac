"""Percentiles, fits and replicates of sieve sheets against scipy, fluids and hand-worked numbers."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lazily import later

from millsim.base.numerics import psd
from millsim.base.reading import fits
from millsim.base.reading.sheet import parse_sheet

stats = later("scipy.stats")
fluids_psd = later("fluids.particle_size_distribution")

SIEVES_MM = (2.0, 1.4, 1.0, 0.71, 0.50, 0.355, 0.25, 0.18, 0.125, 0.09)
HAND_G = (0.60, 2.10, 5.40, 9.80, 11.90, 8.70, 5.30, 2.90, 1.60, 0.70)


def sheet_of(retained, pan, charge=None, sizes=SIEVES_MM):
    rows = [f"{a:.12g},{g:.12g}" for a, g in zip(sizes, retained, strict=True)] + [f"pan,{pan:.12g}"]
    return parse_sheet("aperture_mm,retained_g\n" + "\n".join(rows + [f"charge,{charge}"] * bool(charge)), "s")


def sieved(cdf, sizes=SIEVES_MM):
    """A sheet of 100 g of a distribution with the cumulative function cdf(x in mm)."""
    q = np.array([1.0, *(float(cdf(a)) for a in sizes)])
    return sheet_of(100 * -np.diff(q), 100 * q[-1], sizes=sizes)


HAND = sheet_of(HAND_G, 0.55, 50.00)


def test_the_hand_sheet():
    # Worked by hand: between 0.18 mm (5.752 %) and 0.25 mm (11.604 %) 10 % lies at
    # 0.18 (0.25/0.18)^((10 - 5.752)/(11.604 - 5.752)) = 0.2285 mm; likewise 0.580 and 1.2165 mm; span 1.704.
    found = [fits.percentile(HAND.apertures_m, HAND.q3, p).x_m * 1e3 for p in (0.1, 0.5, 0.9)]
    assert found == pytest.approx([0.2285, 0.5798, 1.2165], abs=5e-5)
    assert fits.span_of(HAND.apertures_m, HAND.q3) == pytest.approx((1.2165 - 0.2285) / 0.5798, rel=1e-3)
    rrsb = fits.fit("rrsb", HAND.apertures_m, HAND.q3)
    assert (rrsb.shape, rrsb.size_m * 1e3) == pytest.approx((1.95, 0.78), abs=0.006)
    # The loss of 0.9 % in the pan moves x10 to about 0.218 mm.
    fine = fits.percentile(HAND.apertures_m, HAND.q3_loss_fine, 0.1).x_m
    assert fine * 1e3 == pytest.approx(0.18 * (0.25 / 0.18) ** ((10 - 6.6) / (12.4 - 6.6)), rel=1e-6)


@pytest.mark.parametrize("law", ["rrsb", "lognormal", "ggs"])
def test_fits_are_least_squares_in_their_nets(law):
    # scipy.stats.linregress of the transformed points of the hand sheet.
    q, x = np.array(HAND.q3), np.log(HAND.apertures_m)
    net = {"rrsb": np.log(-np.log(1 - q)), "lognormal": stats.norm.ppf(q), "ggs": np.log(q)}[law]
    line = stats.linregress(x, net)
    found = fits.fit(law, HAND.apertures_m, HAND.q3)
    shape = 1 / line.slope if law == "lognormal" else line.slope
    assert found.shape == pytest.approx(shape, rel=1e-10)
    assert found.size_m == pytest.approx(math.exp(-line.intercept / line.slope), rel=1e-10)
    difference = q - found.q3(HAND.apertures_m)
    assert found.rms == pytest.approx(math.sqrt(np.mean(difference**2)), rel=1e-12)
    assert abs(found.largest) == pytest.approx(np.abs(difference).max(), rel=1e-12)
    assert found.points == 10


def scipy_and_fluids(law, size, shape):
    """The same distribution (size in mm) as scipy and as fluids know it."""
    if law == "rrsb":
        return stats.weibull_min(shape, scale=size).cdf, fluids_psd.PSDRosinRammler(k=size**-shape, m=shape).cdf
    if law == "lognormal":
        return stats.lognorm(shape, scale=size).cdf, fluids_psd.PSDLognormal(size, shape).cdf
    return stats.powerlaw(shape, scale=size).cdf, fluids_psd.PSDGatesGaudinSchuhman(size, shape).cdf


@pytest.mark.parametrize(
    ("law", "size", "shape"),
    [("rrsb", 0.6, 1.3), ("rrsb", 0.3, 2.5), ("lognormal", 0.4, 0.5), ("lognormal", 0.7, 0.9), ("ggs", 1.5, 0.7),
     ("ggs", 1.9, 1.8)],
)  # fmt: skip
def test_samples_on_sieves_are_recovered(law, size, shape):
    # G12: scipy weibull_min, lognorm, powerlaw and the three fluids classes, read off at sieve apertures.
    for cdf in scipy_and_fluids(law, size, shape):
        sheet = sieved(cdf)
        found = fits.fits(sheet.apertures_m, sheet.q3)
        best, clear = fits.best(found)
        assert best.law == law and clear
        assert (best.size_m * 1e3, best.shape) == pytest.approx((size, shape), rel=1e-6)
        assert best.rms < 1e-9
        np.testing.assert_allclose(best.q3(sheet.apertures_m), sheet.q3, atol=1e-9)


def test_what_cannot_be_fitted():
    sizes = (1e-4, 1e-3)
    assert fits.fits(sizes, (1.0, 1.0)) == () and fits.fits(sizes, (0.0, 0.4)) == ()
    assert fits.fit("rrsb", sizes, (0.4, 0.4)) is None
    two = fits.fits(sizes, (0.2, 0.7))
    assert len(two) == 3 and not fits.best(two)[1]  # a line through two points always fits


def test_percentiles_beyond_the_sieves_are_bounds():
    edges, q3 = (1e-4, 1e-3), (0.2, 0.8)
    low, middle, high = (fits.percentile(edges, q3, p) for p in (0.1, 0.5, 0.9))
    assert (low.low_m, low.high_m) == (0.0, 1e-4) and math.isnan(low.x_m)
    assert middle.x_m == pytest.approx(math.sqrt(1e-7), rel=1e-12)
    assert (high.low_m, high.high_m) == (1e-3, math.inf)
    assert math.isnan(fits.span_of(edges, q3)) and math.isnan(fits.span_of(edges, (0.0, 0.0)))
    all_fine = fits.percentile(edges, (1.0, 1.0), 0.9)  # J12g
    assert (all_fine.low_m, all_fine.high_m) == (0.0, 1e-4)


def test_das_percentiles_through_a_passing_sheet():
    # G13: Das, Principles of Geotechnical Engineering, ex. 2.1-2.2 (seen in the FOSSEE companion), as a sheet.
    rows = {4.75: 100, 2: 94.5, 0.85: 86.3, 0.425: 74.1, 0.25: 54.9, 0.18: 38.1, 0.15: 9.3, 0.075: 1.7}
    sheet = parse_sheet("sieve mm;finer %\n" + "\n".join(f"{k};{v}" for k, v in rows.items()), "s")
    expected = {0.10: 0.15067, 0.30: 0.1710, 0.50: 0.22716, 0.60: 0.28784, 0.90: 1.25054}
    for p, x in expected.items():
        assert fits.percentile(sheet.apertures_m, sheet.q3, p).x_m * 1e3 == pytest.approx(x, rel=3e-4)


# Mass distributions (sizes in m), D[4,3] and D[3,2]. Log-normal: M_k = x50^k exp(k^2 s^2 / 2); RRSB: M_k = x'^k
# Gamma(1 + k/n); uniform between a and b: (a + b)/2 and (b - a)/ln(b/a). D[4,3] = M_1, D[3,2] = 1/M_-1.
LAWS = {
    "log-normal": (lambda x: psd.lognormal_cdf(x, 3e-4, 0.5), 3e-4 * math.exp(0.125), 3e-4 * math.exp(-0.125)),
    "RRSB": (lambda x: psd.rrsb_cdf(x, 3e-4, 3.0), 3e-4 * math.gamma(4 / 3), 3e-4 / math.gamma(2 / 3)),
    "uniform": (lambda x: np.clip((x - 1e-4) / 8e-4, 0, 1), 5e-4, 8e-4 / math.log(9)),
}


@pytest.mark.parametrize("law", LAWS)
def test_mean_sizes_of_known_laws(law):
    cdf, *exact = LAWS[law]
    errors = []
    for ratio in (1.4, 1.2, 1.1, 1.05):
        x = psd.size_grid(1e-8, 1e-2, ratio, (1e-4, 9e-4))
        means = fits.mean_sizes(x, cdf(x))
        errors.append([abs(m.x_m / e - 1) for m, e in zip(means, exact, strict=True)])
    assert max(errors[0]) < 0.02 and max(errors[-1]) < 5e-4
    if law == "uniform":  # classes are filled just so
        assert np.max(errors) < 1e-9
    else:
        assert np.all(np.log(np.array(errors[0]) / errors[-1]) / math.log(math.log(1.4) / math.log(1.05)) > 1.9)


def test_mean_sizes_of_one_class_and_of_its_open_ends():
    (d43, d32), (log43, log32) = (fits.mean_sizes((1e-4, 2e-4), (0.0, 1.0), within) for within in ("linear", "log"))
    assert (d43.name, d43.x_m) == ("D[4,3]", pytest.approx(1.5e-4)) and d32.name == "D[3,2]"
    assert d32.x_m == pytest.approx(1e-4 / math.log(2))
    # Uniform in ln x: mean of x is (b - a)/ln(b/a), of 1/x it is (1/a - 1/b)/ln(b/a).
    assert (log43.x_m, log32.x_m) == pytest.approx((1e-4 / math.log(2), math.log(2) * 2e-4))
    # A pan: its sizes are anything from 0 on. 0.2 x 1e-4 at most is its part of the mean.
    d43, d32 = fits.mean_sizes((1e-4, 2e-4), (0.2, 1.0))
    assert (d43.low_m, d43.high_m) == pytest.approx((0.8 * 1.5e-4, 0.8 * 1.5e-4 + 0.2e-4)) and math.isnan(d43.x_m)
    surface = 0.8 * math.log(2) / 1e-4 + 0.2 / 1e-4
    assert (d32.low_m, d32.high_m) == (0.0, pytest.approx(1 / surface)) and math.isnan(d32.x_m)
    assert d32.finest == pytest.approx(0.2 / 1e-4 / surface)
    # What the coarsest sieve held is anything above it.
    d43, d32 = fits.mean_sizes((1e-4, 2e-4), (0.0, 0.9))
    assert (d43.low_m, d43.high_m) == (pytest.approx(0.9 * 1.5e-4 + 0.1 * 2e-4), math.inf)
    inside = 0.9 * math.log(2) / 1e-4
    assert (d32.low_m, d32.high_m) == pytest.approx((1 / (inside + 0.1 / 2e-4), 1 / inside))
    for q, held in (((1.0, 1.0), (0.0, 1e-4)), ((0.0, 0.0), (2e-4, math.inf))):
        for mean in fits.mean_sizes((1e-4, 2e-4), q):
            assert (mean.low_m, mean.high_m) == pytest.approx(held, rel=1e-12)


def test_mean_sizes_hold_the_truth_where_the_ends_are_open():
    # Log-normal, x50 = 0.3 mm, sigma 0.5. Ending at 0.25 mm the sheet leaves 36 % in the pan: a bound far above.
    cdf, *exact = LAWS["log-normal"]
    for sizes in ((2.0, 1.0, 0.5, 0.25), (0.4, 0.3, 0.2, 0.1), tuple(np.geomspace(3.0, 0.02, 150))):
        sheet = sieved(lambda mm: cdf(mm * 1e-3), sizes)
        for mean, truth in zip(fits.mean_sizes(sheet.apertures_m, sheet.q3), exact, strict=True):
            assert mean.low_m * (1 - 2e-2) <= truth <= mean.high_m * (1 + 2e-2)
    coarse = sieved(lambda mm: cdf(mm * 1e-3), (2.0, 1.0, 0.5, 0.25))
    assert fits.mean_sizes(coarse.apertures_m, coarse.q3)[1].high_m > 1.2 * exact[1]


@given(st.floats(0.09, 2.0), st.floats(0.09, 2.0))
def test_share_between_is_a_difference_of_q3(a, b):
    low, high = sorted((a * 1e-3, b * 1e-3))
    least, most = fits.share_between(HAND, low, high)
    exact = psd.q_at(HAND.apertures_m, HAND.q3, high) - psd.q_at(HAND.apertures_m, HAND.q3, low)
    assert least == pytest.approx(exact, abs=1e-12) and most == pytest.approx(exact, abs=1e-12)


def test_share_beyond_the_sieves_is_a_range():
    assert fits.share_between(HAND, 0.0, math.inf) == (1.0, 1.0)
    assert fits.share_between(HAND, 0.0, 0.5e-3) == pytest.approx((0.3986, 0.3986), abs=5e-5)
    assert fits.share_between(HAND, 0.0, 0.05e-3) == pytest.approx((0.0, 0.55 / 49.55))
    assert fits.share_between(HAND, 3e-3, math.inf) == pytest.approx((0.0, 0.60 / 49.55))
    least, most = fits.share_between(HAND, 0.05e-3, 0.5e-3)
    assert most - least == pytest.approx(0.55 / 49.55) and most == pytest.approx(HAND.q3[5])


def test_scatter_of_replicates():
    # scipy: t interval of the mean.
    values = [610.0, 655.0, 590.0]
    found = fits.scatter(values)
    low, high = stats.t.interval(0.95, 2, loc=np.mean(values), scale=stats.sem(values))
    assert (found.mean, found.sd) == pytest.approx((np.mean(values), np.std(values, ddof=1)), rel=1e-12)
    assert found.half_width == pytest.approx((high - low) / 2, rel=1e-9)
    assert math.isnan(fits.scatter([610.0]).sd)


def test_two_designs_of_j10():
    # Journey J10: A 610, 655, 590, B 560, 620, 545 um: means 618 and 575, pooled sd about 37, P(B finer) about 0.89.
    a, b = (610.0, 655.0, 590.0), (560.0, 620.0, 545.0)
    found = fits.b_finer(a, b)
    assert (found.mean_a, found.mean_b) == pytest.approx((618.33, 575.0), abs=0.01)
    assert found.pooled_sd == pytest.approx(36.6, abs=0.05) and found.freedom == 4
    # With a flat prior it is one minus the one-sided p of the pooled t test.
    one_sided = stats.ttest_ind(a, b, equal_var=True, alternative="greater").pvalue
    assert found.probability == pytest.approx(1 - one_sided, rel=1e-10) == pytest.approx(0.89, abs=0.005)
    assert found.probability < found.with_one_more < 0.95
    assert fits.b_finer(b, a).probability == pytest.approx(1 - found.probability, rel=1e-12)
    assert fits.b_finer((5.0, 5.0), (5.0,)).probability == 0.5
    with pytest.raises(ValueError, match="three runs"):
        fits.b_finer((1.0,), (2.0,))
