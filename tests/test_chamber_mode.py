"""The chamber with discrete pieces: fragments, motor, stalls, and the interval put on them."""

import math

import mills
import numba
import numpy as np
import pytest
from lazily import later

from millsim.base.numerics.rng import start, uniform
from millsim.engines.pieces import FRAGMENT_BINS, NIPPED, fragments, motor_power
from millsim.forecast import stalls
from millsim.laws import breakage
from millsim.mill.chamber import feedback_speed

stats = later("scipy.stats")

# --- fragments -------------------------------------------------------------------------------------------


@numba.njit
def _many_fragments(m, x, shattered, x_least, repeats, shares, total):
    """Mass shares by size bin (repeats, FRAGMENT_BINS) and in all (repeats,) of drawn fragments."""
    out = np.empty(256)
    bins = shares.shape[1]
    for r in range(repeats):
        count = fragments(m, x, shattered, x_least, uniform(start(5, r, 0), 0), out)
        for i in range(count):
            b = int(math.log(out[i] / x_least) / math.log(x / x_least) * bins)
            shares[r, min(b, bins - 1)] += (out[i] / x) ** 3
            total[r] += (out[i] / x) ** 3


@pytest.fixture(scope="module", params=[0.0, 0.6, NIPPED], ids=["split", "shattered", "shear"])
def broken(request):
    """(shares by bin, total share, expected shares by bin) of 20000 broken 4 mm pieces."""
    m, x, x_least = mills.problem("demo").mill[0], 4e-3, 1.6e-3
    shares, total = np.zeros((20_000, FRAGMENT_BINS)), np.zeros(20_000)
    _many_fragments(m, x, request.param, x_least, 20_000, shares, total)
    y = x_least * (x / x_least) ** (np.arange(FRAGMENT_BINS + 1) / FRAGMENT_BINS)
    q = float(m["nip_exponent" if request.param == NIPPED else "split_exponent"])
    phi, w = breakage.fines_share(x, float(m["fines_thickness"])), max(0.0, request.param)
    rest = [float(m[key]) for key in ("daughter_exponent", "fragment_floor", "fines_exponent", "fines_limit")]
    return shares, total, np.diff([breakage.finer_share(v, x, phi, w, q, *rest) for v in map(float, y)])


def test_fragments_weigh_about_their_parent_at_most(broken):
    # All bins are rounded with one draw, so a single draw may hold a little more or less than the parent; the powder
    # pool lends and takes the difference.
    _, total, expected = broken
    assert total.max() <= 1.6
    assert total.min() >= 0.0
    assert expected.sum() < 1.0


def test_fragments_have_the_mass_of_the_daughter_law(broken):
    # Mean mass in each size bin is the daughter law's within 4 standard errors: no bias.
    shares, total, expected = broken
    se = shares.std(axis=0) / math.sqrt(len(shares))
    np.testing.assert_array_less(np.abs(shares.mean(axis=0) - expected), 4 * se)
    assert total.mean() == pytest.approx(expected.sum(), rel=0.01)


# --- motor -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", mills.NAMES)
@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 1.0, 1.5])
def test_motor_power_is_the_speed_curve_read_backwards(name, share):
    m = mills.problem(name).mill[0]
    P = share * float(m["rated_power"])
    assert motor_power(m, feedback_speed(m, P)) == pytest.approx(P, rel=1e-9, abs=1e-6)


def test_motor_gives_no_more_than_its_overload():
    m = mills.problem("demo").mill[0]
    assert motor_power(m, 0.3 * m["omega_0"]) == m["overload"] * m["rated_power"]
    assert motor_power(m, 1.01 * m["omega_0"]) == 0.0


# --- stalls ----------------------------------------------------------------------------------------------


def follow(name, rate, *overrides, runs=8, seconds=2.0, seed=1):
    p = mills.problem(name, f"feed.rate={rate}", *overrides)
    o = mills.outcome(name, f"feed.rate={rate}", *overrides)
    return stalls.follow(p, o, p.config.feed.rate_kg_s, seed, runs=runs, seconds=seconds)


def test_a_trickle_never_stalls():
    trace = follow("tight_jam", "20 g/h", seconds=4.0)
    assert trace.stalls == 0
    no_load = mills.problem("tight_jam").mill[0]["omega_0"]
    assert trace.speed_rad_s.min() > 0.95 * no_load
    assert trace.speed_rad_s.max() <= 1.001 * no_load


def test_a_tiny_motor_always_stalls():
    trace = follow("tight_jam", "20 kg/h", "drive.rated_power=40 W", seconds=10.0)
    assert trace.stalls == trace.runs == 8
    assert trace.speed_rad_s[-1] == 0.0


def test_shipped_jamming_mill_chokes():
    # The config that says it jams does so piece by piece too.
    from millsim.forecast.run import predict

    trace = predict(mills.config("tight_jam", "run.band_samples=0"), "balance", 1).trace
    assert trace.stalls == trace.runs
    assert trace.stall_low > 0.5


def test_more_pieces_than_can_be_followed_are_no_stall():
    # Powder of a first mill as feed: thousands of pieces in a chamber that is nowhere near full.
    from millsim.forecast.run import predict

    fine = ("feed.size.kind=single", "feed.size.size=0.5 mm", "feed.rate=3.2 kg/h", "run.band_samples=0")
    p = predict(mills.config("demo", *fine), "balance", 1)
    assert p.trace is None
    assert any("too many to follow one by one: stalls at the start were not looked for" in w for w in p.warnings)
    few = predict(mills.config("demo", *fine[:2], "feed.rate=60 g/h", "run.band_samples=0"), "balance", 1)
    assert few.trace is not None and few.trace.stalls == 0
    assert not any("one by one" in w for w in few.warnings)


def test_slow_feed_of_the_same_mill_does_not():
    trace = follow("tight_jam", "60 g/h", runs=12, seconds=4.0)
    assert trace.stalls == 0
    assert trace.stall_high < 0.3


def test_more_feed_draws_more_torque_and_slows_the_rotor():
    low, high = (follow("demo", rate, seconds=3.0) for rate in ("1 kg/h", "5 kg/h"))
    late = low.time_s > 1.0
    assert high.torque_Nm[late].mean() > 1.5 * low.torque_Nm[late].mean()
    assert high.speed_rad_s[late].mean() < low.speed_rad_s[late].mean()
    assert np.all(low.peak_torque_Nm >= low.torque_Nm - 1e-12)


@pytest.mark.parametrize(("name", "rate"), [("demo", "3 kg/h"), ("pla", "3 kg/h"), ("tight_jam", "1 kg/h")])
def test_mean_power_is_that_of_the_balance(name, rate):
    # The same mill, seen piece by piece: mean shaft power after the start within a quarter of the balance's.
    # (Fragments stand at bin middles and powder is pooled, so this is a check of the order, not of the digits.)
    trace = follow(name, rate, seconds=6.0, runs=4)
    o = mills.outcome(name, f"feed.rate={rate}")
    late = trace.time_s > 3.0
    power = (trace.torque_Nm * trace.speed_rad_s)[late].mean()
    assert power == pytest.approx(float(o.powers["shaft"]), rel=0.25)


def test_trace_is_even_in_time():
    trace = follow("pla", "3 kg/h", seconds=2.0)
    assert trace.duration_s == 2.0
    assert trace.time_s[-1] == pytest.approx(2.0, rel=1e-9)
    np.testing.assert_allclose(np.diff(trace.time_s), trace.time_s[0], rtol=1e-9)
    assert np.all(trace.pieces >= 0)


# --- interval --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("k", "n"), [(0, 48), (1, 48), (24, 48), (48, 48), (3, 16), (999, 1000)])
def test_stall_interval_against_scipy(k, n):
    low, high = stalls.binomial_interval(k, n)
    exact = stats.binomtest(k, n).proportion_ci(0.95, method="exact")
    assert low == pytest.approx(exact.low, abs=1e-9)
    assert high == pytest.approx(exact.high, abs=1e-9)
