"""Across the maps of real sweeps: which way, and how steeply, hole, speed and gap move size, rate and energy."""

import functools
import tempfile
from pathlib import Path
from types import SimpleNamespace

import mills
import numpy as np
import pytest

from millsim.explore.sweep.gather import points_of
from millsim.explore.sweep.identity import identities
from millsim.explore.sweep.journal import open_journal
from millsim.explore.sweep.plan import read_plan
from millsim.explore.sweep.runner import run
from millsim.record.limits import OK

HOLES = (0.3, 0.4, 0.5, 0.6, 0.8, 1.0)  # mm
SPEEDS = (50, 60, 70, 80)  # m/s
GAPS = (2, 3, 4, 6)  # mm
BIG = {  # a mill of the size grain is ground in: 20 cm rotor, few pins, wide gap, strong motor and air
    "rotor.radius": "100 mm", "rotor.bar_height": "60 mm", "rotor.mass": "3 kg", "sieve.area": "300 cm2",
    "stator.gap": "8 mm", "stator.pins": 2, "drive.rated_power": "20 kW", "drive.speed_under_load": "4900 rpm",
    "feed.opening": "60 mm", "air.inlet_area": "60 cm2", "air.filter_area": "2 m2", "air.blower_pressure": "500 Pa",
    "feed.material": "wheat",
}  # fmt: skip


def listed(values, unit):
    return "[" + ", ".join(f'"{v} {unit}"' for v in values) + "]"


def sieves(holes):
    """An axis of sieves of one shape: pitch twice the hole, sheet as thick as the hole."""
    pitch, sheet = listed([2 * h for h in holes], "mm"), listed(holes, "mm")
    return (f'key = "sieve.hole"\nvalues = {listed(holes, "mm")}\n'
            f'along = {{ "sieve.pitch" = {pitch}, "sieve.thickness" = {sheet} }}')  # fmt: skip


@functools.cache
def swept(*axes, rate="as fast as it can grind", **fixed):
    """Points and shape of a sweep of the demo mill, run; without the rest of a sweep file, which takes longer."""
    lines = {"feed.rate": rate, **{k.replace("__", "."): v for k, v in fixed.items()}}
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "sweep.toml"
        text = f'[sweep]\nconfig = "{mills.CONFIGS / "demo.toml"}"\n[set]\n'
        text += "".join(f'"{k}" = {v if isinstance(v, int) else repr(v)}\n' for k, v in lines.items())
        path.write_text(text + "".join(f"[[axis]]\n{a}\n" for a in axes), encoding="utf-8")
        plan = read_plan(path)
        with open_journal(Path(name) / "sweep.points") as journal:
            run(plan, journal, 1)
            return SimpleNamespace(shape=plan.shape, points=points_of(plan, journal, identities(plan)))


def values(sweep, name):
    return sweep.points.values[name].reshape(sweep.shape)


def exponent(x, y):
    """Exponent of y ~ x^k, least squares in logarithms, along the last dimension of y."""
    return np.array([np.polyfit(np.log(x), np.log(row), 1)[0] for row in np.atleast_2d(y)])


def speeds(values_m_s):
    return f'key = "drive.tip_speed"\nvalues = {listed(values_m_s, "m/s")}'


def pmma():
    """Holes by speeds, as much as the mill takes; a motor that lets the outlet temperature bind."""
    return swept(sieves(HOLES), speeds(SPEEDS), drive__rated_power="5 kW")


@pytest.mark.parametrize("rate", ["100 g/h", "as fast as it can grind"])
def test_median_goes_with_a_power_of_the_hole(rate):
    # Exponent 0.4-0.7 (assumed), at any speed and feed: a piece passes the more easily the further it is below the hole
    # (trade: x50 = 0.2 to 0.5 hole, from memory).
    x50 = values(swept(sieves(HOLES[:5]), speeds(SPEEDS), rate=rate, drive__rated_power="20 kW"), "x50_m")
    found = exponent(HOLES[:5], x50.T)
    assert np.all((found > 0.4) & (found < 0.7))
    assert np.all(np.diff(x50, axis=0) > 0)


def test_the_hole_decides_less_the_faster_the_rotor():
    # Known departure, told in the README: grain goes with the hole at all speeds (x50 ~ hole^1.1, a vendor's
    # figures, no source); here hardly where blows break pieces far below the hole. If this is mended, so is that.
    fixed = {k.replace(".", "__"): v for k, v in BIG.items()}
    x50 = values(swept(sieves((2.4, 4.0, 6.35)), speeds((52, 104)), rate="5 kg/h", **fixed), "x50_m")
    found = exponent((2.4, 4.0, 6.35), x50.T)
    assert np.all((found > 0.1) & (found < 0.3))
    assert found[0] > found[1]
    share = values(pmma(), "x50_m") / (np.array(HOLES)[:, None] * 1e-3)
    assert np.all(np.diff(share, axis=1) < 0) and share[0, 0] > 0.85 and share[-1, -1] < 0.45


def test_faster_is_finer_about_in_proportion():
    # Grain: x50 ~ speed^-0.6 (a vendor's figures, no source); here about -1, at all holes.
    found = exponent(SPEEDS, values(pmma(), "x50_m"))
    assert np.all((found < -0.8) & (found > -1.2))


def test_speed_matters_most_at_the_finest_holes():
    # Common practice, no source but the trade's: high tip speed for fine screens, so that the hammers and not the
    # screen do the work. In rate and energy the exponent grows steadily as holes get finer, from about 2 without end:
    # through 0.3 mm at 50 m/s next to nothing goes.
    sweep = pmma()
    goes = values(sweep, "throughput_kg_s").min(axis=0) > 0.0  # slower, the finest holes pass nothing at all
    assert goes.sum() >= 3
    rate = exponent(np.array(SPEEDS)[goes], values(sweep, "throughput_kg_s")[:, goes])
    energy = exponent(np.array(SPEEDS)[goes], values(sweep, "net_J_kg")[:, goes])
    assert np.all(np.diff(rate) < 0)
    assert np.all(np.diff(energy) > 0)
    assert rate[0] > 4.0 and 1.0 < rate[-1] < 2.5  # of the speeds at which the finest hole passes anything
    assert energy[0] < -4.0 and -2.0 < energy[-1] < -0.8


def test_grain_loses_as_much_size_by_twice_the_speed_as_published():
    # Kansas Agricultural Experiment Station Research Reports 3(7), article 52: maize, 52 -> 104 m/s takes 233, 258 and
    # 305 um off the mean size behind screens of 2.4, 4.0 and 6.35 mm, so more behind wide ones. Here: wheat, which is
    # the card at hand. Tolerance 35 %: another grain and mill, the mean of the paper is a geometric one, and the motor
    # sags to 99 m/s.
    holes = (2.4, 4.0, 6.35)
    fixed = {k.replace(".", "__"): v for k, v in BIG.items()}
    sweep = swept(sieves(holes), speeds((52, 104)), rate="5 kg/h", **fixed)
    assert np.all(sweep.points.status == OK)
    np.testing.assert_allclose(values(sweep, "tip_speed_m_s"), [[52, 104]] * 3, rtol=0.06)
    x50 = values(sweep, "x50_m")
    np.testing.assert_allclose(x50[:, 0] - x50[:, 1], [233e-6, 258e-6, 305e-6], rtol=0.35)
    assert np.all(np.diff(x50[:, 0] - x50[:, 1]) > 0)


def test_finer_holes_cost_energy_and_rate_all_over_the_map():
    sweep = pmma()
    assert np.all(np.diff(values(sweep, "net_J_kg"), axis=0) < 0)
    assert np.all(np.diff(values(sweep, "throughput_kg_s"), axis=0) > 0)


def test_wider_gaps_hold_more_charge():
    sweep = swept(f'key = "stator.gap"\nvalues = {listed(GAPS, "mm")}', speeds((60, 80)), rate="1 kg/h")
    assert np.all(np.diff(values(sweep, "holdup_kg"), axis=0) > 0)


def test_map_is_smooth_where_no_limit_changes():
    # A map that jumps from cell to cell would be noise of the solver: second differences of ln x50 stay small.
    sweep = swept('key = "stator.gap"\nfrom = "2 mm"\nto = "4 mm"\ncount = 9', speeds((60, 62, 64, 66)), rate="1 kg/h")
    bend = np.diff(np.log(values(sweep, "x50_m")), n=2, axis=0)
    assert np.abs(bend).max() < 2e-3
