"""From config to numbers: class bounds, feed, motor curve, inertia; and a solver that never fails silently."""

import numpy as np
import pytest
from mills import config

from millsim.base.numerics import psd
from millsim.errors import NotConverged
from millsim.forecast.outcome import solve
from millsim.mill.problem import build, feed_curve


@pytest.mark.parametrize("name", ["demo", "pla", "swinging", "tight_jam", "batch"])
def test_hole_cut_size_and_gap_are_class_bounds(name):
    c = config(name)
    p = build(c)
    for size in (c.sieve.hole_m, c.sieve.hole_m / c.material.value("shape"), c.stator.gap_m):
        assert np.min(np.abs(p.edges / size - 1.0)) < 1e-12
    assert np.all(np.diff(p.edges) > 0)
    assert np.max(p.edges[1:] / p.edges[:-1]) <= c.run.class_ratio * (1 + 1e-9)


def test_a_single_feed_size_is_the_middle_of_the_top_class():
    c = config("pla")
    p = build(c)
    assert p.x[-1] == pytest.approx(c.feed.size.size_m, rel=1e-12)
    assert p.feed[-1] == 1.0


@pytest.mark.parametrize("name", ["demo", "swinging", "batch"])
def test_feed_classes_keep_mass_and_median(name):
    p = build(config(name))
    ln_x, q = feed_curve(config(name).feed.size)
    assert p.feed.sum() == pytest.approx(1.0, abs=1e-12)
    assert np.all(p.feed >= 0)
    q3 = psd.cumulative(p.feed)
    assert psd.x_at(p.edges, q3, 0.5) == pytest.approx(float(np.exp(np.interp(0.5, q, ln_x))), rel=0.03)


def test_speed_curve_passes_the_points_given():
    m = build(config("demo")).mill[0]
    assert m["curve_power"][0] == 0.0
    assert m["curve_speed"][0] == pytest.approx(60.0 / 0.06)  # tip speed over radius
    assert np.interp(1100.0, m["curve_power"], m["curve_speed"]) == pytest.approx(9300.0 * np.pi / 30.0)


def test_inertia_of_bars_across_the_shaft():
    """m R^2 / 3, uniform bar about its middle (handbook): 0.6 kg on 60 mm."""
    assert build(config("demo")).mill[0]["inertia"] == pytest.approx(0.6 * 0.06**2 / 3.0)


def test_not_settling_is_a_fault_that_says_where_it_stood_and_what_to_send():
    problem = build(config("demo"))
    mill = problem.mill.copy()
    mill["specific_heat"] = np.nan  # a heat balance without an answer
    for rate in (1.0 / 3600.0, None):
        with pytest.raises(NotConverged, match=r"mill \(charge .* g, .* °C, .* m/s\) did not settle.* send") as raised:
            solve(problem, rate, mill)
        assert not {"residual", "tolerance", "looser"} & set(str(raised.value).split())


def test_residual_is_what_one_more_turn_would_change():
    problem = build(config("demo"))
    loose, tight = solve(problem, 1.0 / 3600.0, tolerance=1e-4), solve(problem, 1.0 / 3600.0, tolerance=1e-10)
    assert tight.residual <= 1e-10 < loose.residual <= 1e-4
    assert loose.mass.sum() == pytest.approx(tight.mass.sum(), rel=3e-3)
