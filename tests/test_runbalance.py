"""The balance of a run against hand-worked figures, closed forms of error propagation and Monte Carlo."""

import math
from dataclasses import replace

import numpy as np
import pytest
from lazily import later
from runsheets import SIEVED, mill_in, run_of, sieved

from millsim.base.numerics import psd
from millsim.base.reading.sheet import parse_sheet
from millsim.learn.measured.madepowder import mean_curve
from millsim.learn.measured.runbalance import air_rise, close, inputs, judge, limits, propagate, weighing
from millsim.show.words.run import to_text

coolprop = later("CoolProp.CoolProp")

KWH = 3.6e6
TWO_PERCENT = ("[power]", "[power]\nclass_percent = 2")


@pytest.fixture
def folder(tmp_path):
    return mill_in(tmp_path)


# --- the run worked by hand ------------------------------------------------------------------------------


def test_balance_worked_by_hand():
    """Fed 300 g in 12 min; 262 + 21 + 9 g found; 190 W idle, 430 W loaded (invented)."""
    b = close(run_of())
    assert b.closure.value == pytest.approx(0.973, abs=5e-4)
    assert b.verdict == "good"
    assert b.unaccounted.value == pytest.approx(0.008, abs=1e-12)
    assert b.product_rate.value * 60e3 == pytest.approx(21.8, abs=0.05)
    assert b.product_rate.value * 3600 == pytest.approx(1.31, abs=5e-3)
    assert b.feed_rate.value * 3600 == pytest.approx(1.5, rel=1e-12)
    assert b.gross_energy.value / KWH == pytest.approx(0.086, abs=5e-5)
    assert b.net_energy.value / KWH == pytest.approx(0.048, abs=5e-5)
    assert b.gross_per_product.value / KWH == pytest.approx(0.328, abs=5e-4)
    assert b.net_per_product.value / KWH == pytest.approx(0.183, abs=5e-4)
    assert b.gross_per_fed.value / KWH == pytest.approx(0.086 / 0.3, abs=5e-4)
    assert b.net_per_fed.value / KWH == pytest.approx(0.16, abs=5e-4)


def test_every_energy_names_its_denominator_and_place():
    b = close(run_of())
    assert b.gross_per_product.how == "all that was drawn at the mains, per kilogram of product"
    assert b.gross_per_fed.how.endswith("per kilogram fed")
    assert b.net_per_product.how == "above the hot idle, at the mains, per kilogram of product"
    assert b.net_per_fed.how.endswith("per kilogram fed")


def test_air_rise_of_journey_3():
    """400 W into 60 m3/h of air at 21 °C is about 20 K; density and specific heat from CoolProp."""
    assert air_rise(400.0, 60 / 3600, 294.15) == pytest.approx(20.0, abs=0.5)
    density, heat = (coolprop.PropsSI(k, "T", 294.15, "P", 101325, "Air") for k in ("D", "C"))
    assert air_rise(400.0, 60 / 3600, 294.15) == pytest.approx(400 / (density * heat / 60), rel=2e-3)
    assert air_rise(400.0, 120 / 3600, 294.15) == pytest.approx(air_rise(400.0, 60 / 3600, 294.15) / 2)


# --- uncertainties ---------------------------------------------------------------------------------------


def test_closed_forms():
    """Rectangular limits a: a/sqrt 3; two roundings to d: d/sqrt 6; products and quotients: relative squares add."""
    b = close(run_of(TWO_PERCENT))
    u_m, u_t, share = 1e-3 / math.sqrt(6), 2 / math.sqrt(3), 0.02 / math.sqrt(3)
    assert b.loaded.u == pytest.approx(share * 430)
    assert b.fed.u == pytest.approx(u_m)
    gross = math.sqrt(share**2 + (u_t / 720) ** 2 + (u_m / 0.262) ** 2)
    assert b.gross_per_product.u / b.gross_per_product.value == pytest.approx(gross, rel=1e-4)
    watts = share * math.hypot(430, 190) / 240
    net = math.sqrt(watts**2 + (u_t / 720) ** 2 + (u_m / 0.262) ** 2)
    assert b.net_per_product.u / b.net_per_product.value == pytest.approx(net, rel=1e-4)
    closure = u_m / 0.3 * math.sqrt(3 + b.closure.value**2)
    assert b.closure.u == pytest.approx(closure, rel=1e-4)
    assert b.unaccounted.u == pytest.approx(2 * u_m)
    assert b.product_rate.u / b.product_rate.value == pytest.approx(math.hypot(u_m / 0.262, u_t / 720), rel=1e-4)


def test_against_monte_carlo():
    """200 000 draws of every reading within its limits (GUM supplement 1): mean and scatter of net energy and closure.

    A scatter of 200 000 draws is itself known to 0.16 %; 4 of its standard errors are 0.7 %, plus 0.3 % for curvature.
    """
    run = run_of(('"262 g"', '"26 g"'), ('"300 g"', '"60 g"'))  # a poor scale for so little
    b = close(run)
    rng, n = np.random.default_rng(20250308), 200_000

    def read(value, limit):
        return value + rng.uniform(-limit, limit, n)

    def weighed(mass):  # difference of two readings, each rounded to 1 g
        return mass + rng.uniform(-0.5e-3, 0.5e-3, n) - rng.uniform(-0.5e-3, 0.5e-3, n)

    fed, product, holdup, bag = (weighed(m) for m in (0.06, 0.026, 0.021, 0.009))
    time, idle, loaded = read(720, 2), read(190, 0.03 * 190), read(430, 0.03 * 430)
    closure, net = (product + holdup + bag) / fed, (loaded - idle) * time / product
    for figure, draws in ((b.closure, closure), (b.net_per_product, net)):
        assert figure.value == pytest.approx(draws.mean(), rel=2e-3)
        assert figure.u == pytest.approx(draws.std(), rel=0.01)


def test_propagation_of_a_product_and_a_square():
    figure = propagate(lambda q: q["a"] ** 2 * q["b"], {"a": (3.0, 1e-3), "b": (2.0, 2e-3)}, "1", "")
    assert figure.value == 18.0
    assert figure.u == pytest.approx(math.hypot(12 * 1e-3, 9 * 2e-3), rel=1e-6)


def test_better_instruments_make_smaller_errors():
    coarse, fine = close(run_of()), close(run_of(("bag =", 'scale = "0.1 g"\nbag ='), TWO_PERCENT))
    assert fine.closure.u == pytest.approx(coarse.closure.u / 10, rel=1e-5)
    assert fine.gross_per_product.u < coarse.gross_per_product.u
    assert fine.closure.value == coarse.closure.value
    assert (limits(3.0), weighing(1.0)) == (pytest.approx(math.sqrt(3)), pytest.approx(math.sqrt(1 / 6)))


# --- power in other shapes -------------------------------------------------------------------------------


def test_counted_energy_equals_watts_over_time():
    counted, read = close(run_of(('loaded = "430 W"', 'energy = "86 Wh"'))), close(run_of())
    for name in ("gross_per_product", "net_per_product", "gross_per_fed", "loaded"):
        assert getattr(counted, name).value == pytest.approx(getattr(read, name).value, rel=1e-12)
    share = 0.03 / math.sqrt(3)  # the clock does not matter to what was counted
    assert counted.gross_energy.u / counted.gross_energy.value == pytest.approx(share, rel=1e-9)
    assert read.gross_energy.u > counted.gross_energy.u


def test_amperes_bound_the_energy_from_above():
    """2.4 A at 230 V are at most 552 W."""
    b = close(run_of(('loaded = "430 W"', 'amperes = "2.4 A"\nvolts = "230 V"')))
    assert b.gross_per_product.bound == b.net_per_product.bound == b.loaded.bound == "at most"
    assert b.gross_per_product.value == pytest.approx(552 * 720 / 0.262)
    assert b.idle.bound == ""


def test_idle_amperes_bound_the_net_energy_from_below():
    b = close(run_of(('idle = "190 W"', 'idle_amperes = "1.2 A"\nvolts = "230 V"')))
    assert b.idle.bound == "at most"
    assert b.net_per_product.bound == "at least"
    assert b.net_per_product.value == pytest.approx((430 - 276) * 720 / 0.262)
    assert b.gross_per_product.bound == ""


def test_two_bounds_make_no_net_energy():
    amperes = 'amperes = "2.4 A"\nidle_amperes = "1.2 A"\nvolts = "230 V"'
    b = close(run_of(('idle = "190 W"\nloaded = "430 W"', amperes)))
    assert b.net_energy is b.net_per_product is b.net_per_fed is None
    assert b.gross_per_product.bound == "at most"


def test_without_power_there_is_no_energy():
    run = run_of(('idle = "190 W"\nloaded = "430 W"\n', ""))
    b = close(run)
    assert b.idle is b.loaded is b.gross_energy is b.net_per_fed is None
    assert "power under load" in [m.what for m in b.missing]
    assert set(inputs(run)) == {"fed", "time", "product", "holdup", "bag"}


# --- verdict ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("closure", "verdict"),
    [(1.0, "good"), (0.97, "good"), (291 / 300, "good"), (1.03, "good"), (309 / 300, "good"), (0.9699, "usable"),
     (0.95, "usable"), (0.9499, "do not calibrate"), (0.5, "do not calibrate"), (1.0301, "do not calibrate")],
)  # fmt: skip
def test_verdicts(closure, verdict):
    assert judge(closure)[0] == verdict


def test_what_was_not_weighed_leaves_a_bound():
    b = close(run_of(('bag = "9 g"\n', "")))
    assert b.closure.bound == "at least" and b.unaccounted.bound == "at most"
    assert b.closure.value == pytest.approx(283 / 300)
    assert b.verdict == "do not calibrate"
    assert "or was not weighed" in b.verdict_words
    whole = close(run_of(('bag = "9 g"', 'bag = "9 g"\nsweepings = "5 g"')))
    assert whole.closure.bound == whole.unaccounted.bound == ""
    assert whole.parts["sweepings"].value == 0.005


# --- the missing mass as fines ---------------------------------------------------------------------------


def test_missing_mass_as_fines_by_hand(folder):
    """39.86 % below 0.5 mm; with 8 g missing and 9 g of unsieved bag dust all fine: (262 x 0.3986 + 17) / 279."""
    f = close(run_of(sieved(folder), folder=folder)).fines
    at = f.apertures_m.index(0.5e-3)
    assert f.product_q3[at] == pytest.approx(0.3986, abs=5e-5)
    assert f.made_q3[at] == pytest.approx(f.product_q3[at], rel=1e-12)
    assert f.fines_q3[at] == pytest.approx((262 * 19.75 / 49.55 + 17) / 279, rel=1e-12)
    assert f.fines_kg == pytest.approx(0.017)
    assert f.product_x50_m == pytest.approx(0.580e-3, abs=5e-7)
    assert f.fines_x50_m < f.product_x50_m
    assert all(a < b for a, b in zip(f.product_q3, f.fines_q3, strict=True))


def test_a_sieved_bag_is_mixed_in(folder):
    """Bag: 90 % below 0.09 mm and all below 0.125 mm."""
    bag = "aperture_mm,retained_g\n0.125,0\n0.09,0.8\npan,7.2\n"
    sieved(folder, "bag.csv", bag)
    change = ("[sieving]\n", '[sieving]\nproduct = "sheet.csv"\nbag = "bag.csv"\n')
    sieved(folder)
    f = close(run_of(change, folder=folder)).fines
    first, at = f.apertures_m.index(0.09e-3), f.apertures_m.index(0.5e-3)
    assert f.made_q3[first] == pytest.approx((262 * 0.55 / 49.55 + 9 * 0.9) / 271)
    assert f.made_q3[at] == pytest.approx((262 * 19.75 / 49.55 + 9) / 271)
    assert f.fines_q3[at] == pytest.approx((262 * 19.75 / 49.55 + 17) / 279)
    assert f.fines_kg == pytest.approx(0.008)
    assert f.bag_sieved


def test_repeats_are_averaged_where_all_of_them_know():
    a = parse_sheet(SIEVED, "a.csv")
    b = parse_sheet("aperture_mm,passing_percent\n1.0,80\n0.5,50\n0.125,10\n", "b.csv")
    x, q = mean_curve((a, b))
    assert x[0] == 0.125e-3  # below it b says nothing
    assert q[list(x).index(0.5e-3)] == pytest.approx((19.75 / 49.55 + 0.5) / 2)
    between = 0.5 + 0.3 * math.log(0.71 / 0.5) / math.log(2)  # b, log-linear between its sieves
    assert q[list(x).index(0.71e-3)] == pytest.approx((psd.q_at(a.apertures_m, a.q3, 0.71e-3) + between) / 2)
    same_x, same_q = mean_curve((a, a))
    assert tuple(same_x) == a.apertures_m
    assert same_q == pytest.approx(a.q3)


def test_nothing_missing_is_no_case_of_fines(folder):
    found = (('"262 g"', '"270 g"'), ('"9 g"', '"0 g"'), ('"21 g"', '"30 g"'))
    f = close(run_of(sieved(folder), *found, folder=folder)).fines
    assert f.fines_kg == 0
    assert f.fines_q3 == pytest.approx(f.product_q3)
    more = close(run_of(sieved(folder), ('"262 g"', '"275 g"'), folder=folder))
    assert more.unaccounted.value < 0
    assert more.fines.fines_kg == pytest.approx(0.009)  # the bag only
    assert close(run_of()).fines is None


# --- heat ------------------------------------------------------------------------------------------------

WARM = ("[temperature]", '[air]\nflow = "60 m3/h"\n[temperature]\noutlet = "41 °C"')


def test_heat_to_air_is_the_inverse_of_the_rise():
    b = close(run_of(WARM))
    assert air_rise(b.heat_to_air.value, 60 / 3600, 294.15) == pytest.approx(20.0, rel=1e-12)
    probe = 2 / math.sqrt(3)  # the room's temperature also acts through the density, as 1/T
    relative = math.sqrt((0.2 / math.sqrt(3)) ** 2 + (probe / 20) ** 2 + (probe * (1 / 20 + 1 / 294.15)) ** 2)
    assert b.heat_to_air.u / b.heat_to_air.value == pytest.approx(relative, rel=1e-3)


def test_heat_to_powder_by_hand():
    """Card of PMMA: 1.45 kJ/(kg K) at 25 °C, growing with temperature; feed at the config's 20 °C = its room."""
    run = run_of(WARM)
    cp, share = (run.config.material.value(k) for k in ("specific_heat", "heat_exponent_share"))
    middle = cp * (1 - share + share * (294.15 + 314.15) / 2 / 298)  # exact for a linear specific heat
    assert close(run).heat_to_powder.value == pytest.approx(0.262 / 720 * middle * 20.0, rel=1e-9)
    cold = close(run_of(WARM, ('outlet = "41 °C"', 'outlet = "41 °C"\nproduct = "31 °C"')))
    assert cold.heat_to_powder.value == pytest.approx(close(run).heat_to_powder.value / 2, rel=0.02)


def test_heat_that_cannot_be():
    (doubt,) = close(run_of(("[temperature]", '[air]\nflow = "150 m3/h"\n[temperature]\noutlet = "60 °C"'))).doubts
    assert "more than the 430 W that went in" in doubt
    (doubt,) = close(run_of(("[temperature]", '[air]\nflow = "10 m3/h"\n[temperature]\noutlet = "30 °C"'))).doubts
    assert "only 30 W of about 335 W at the shaft" in doubt  # 430 W x 0.78
    tight = ('outlet = "41 °C"', 'outlet = "43 °C"\nprobe = "0.5 K"')
    sharp = ('flow = "60 m3/h"', 'flow = "60 m3/h"\nuncertainty_percent = 2')
    (doubt,) = close(run_of(WARM, tight, sharp)).doubts
    assert "reach the shaft by the config's efficiency, 0.78" in doubt
    assert close(run_of(WARM)).doubts == ()


def test_no_heat_figure_where_the_air_comes_back():
    run = run_of(WARM, ('"demo.toml"', '"demo.toml"\noverrides = ["air.recirculated=0.5", "air.cooler_outlet=15 °C"]'))
    assert close(run).heat_to_air is None


# --- one meaning per quantity ---------------------------------------------------------------------------------

ALONE = ('idle = "190 W"', 'motor_alone = "95 W"')
BOTH = ('idle = "190 W"', 'idle = "190 W"\nmotor_alone = "95 W"')


def test_the_motor_alone_is_never_the_empty_mill():
    """A sheet with the motor's own loss only has no idle power of the mill, and no net energy."""
    run = run_of(ALONE)
    b, text = close(run), " ".join(to_text(run, close(run)).split())
    assert (b.idle, b.net_energy, b.motor_alone.value) == (None, None, 95.0)
    assert "energy above idling: unknown, the empty mill was not measured" in text
    assert "power, motor alone 95" in text and "power, empty mill" not in text


def test_a_sheet_may_give_both_idle_powers():
    """Net energy is above the empty mill, whatever the motor takes by itself; both go under their own names."""
    b, text = close(run_of(BOTH)), " ".join(to_text(run_of(BOTH), close(run_of(BOTH))).split())
    assert b.net_energy.value == pytest.approx((430 - 190) * 720)
    assert "The empty mill takes 44.2 % of the power under load. Of it the motor alone takes 95.0 ± 2 W" in text
    assert "power, empty mill 190" in text and "power, motor alone 95" in text


def test_heat_to_the_air_needs_the_airs_own_temperature():
    """A thermometer in the powder says what the powder carried, and nothing of the air."""
    powder = close(run_of(WARM, ('outlet = "41 °C"', 'outlet = "41 °C"\noutlet_of = "powder"')))
    air = close(run_of(WARM))
    assert powder.heat_to_air is None and air.heat_to_air is not None
    assert "its own temperature" in powder.heat_to_powder.how and "the air's temperature" in air.heat_to_powder.how


# --- what is missing -------------------------------------------------------------------------------------


def test_missing_measurements_say_what_they_would_tell():
    missing = {m.what: m.tells for m in close(run_of()).missing}
    assert set(missing) == {
        "sieve sheet of the product", "sieve sheet of the charge left inside", "sweepings", "air flow",
        "speed under load",
        "temperature of the air that leaves", "temperature of the powder that leaves", "power of the motor alone",
        "running time before",
    }  # fmt: skip
    assert all(tells for tells in missing.values())
    bound = run_of(('loaded = "430 W"', 'amperes = "2.4 A"\nvolts = "230 V"'))
    assert "power under load" in {m.what for m in close(bound).missing}
    shaft = run_of(('loaded = "430 W"', 'loaded = "430 W"\nat = "shaft"'))
    assert "power of the motor alone" not in {m.what for m in close(shaft).missing}


def test_a_sheet_with_everything_misses_nothing(folder):
    run = run_of(sieved(folder), folder=folder)
    full = replace(
        run, sweepings_kg=0.001, air_temperature_K=310.0, powder_temperature_K=312.0, motor_alone_W=90.0,
        air_flow_m3_s=0.02, speed_loaded_rad_s=900.0, warm_s=60.0, holdup_sheets=run.product_sheets,
    )  # fmt: skip
    assert close(full).missing == ()
