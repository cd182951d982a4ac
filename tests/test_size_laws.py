"""Kick, Rittinger, Bond against textbook examples: 0.1 % of the recomputed, 0.5 % of the printed value."""

import pytest

from millsim.laws.sizes import bond_energy, size_constant, size_energy, size_reached

HP_W = 745.6999
INCH_M = 0.0254


def test_coulson_richardson_2_1():
    # Coulson & Richardson vol. 2, example 2.1 (seen in the FOSSEE companion): 13.0 kJ/kg takes 50 to 10 mm;
    # 75 to 25 mm? Printed 4.33 (Rittinger), 8.88 (Kick, from a rounded constant).
    rittinger = size_energy(75, 25, size_constant(13.0, 50, 10, 2.0), 2.0)
    kick = size_energy(75, 25, size_constant(13.0, 50, 10, 1.0), 1.0)
    assert size_constant(13.0, 50, 10, 2.0) == pytest.approx(162.5, rel=1e-6)
    assert size_constant(13.0, 50, 10, 1.0) == pytest.approx(8.07735, rel=1e-6)
    assert rittinger == pytest.approx(4.333333, rel=1e-6) and rittinger == pytest.approx(4.33, rel=5e-3)
    assert kick == pytest.approx(8.873881, rel=1e-6) and kick == pytest.approx(8.88, rel=5e-3)


def test_geankoplis_14_5_1():
    # Geankoplis, example 14.5-1 (seen in the FOSSEE companion): 10 short tons/h, 80 % passing 3 in to
    # 1/8 in, work index 12.68 kWh/short ton. Printed 24.1 hp (the 1.46 form gives 24.06); the SI form
    # 17.91 kW = 24.02 hp.
    per_ton = bond_energy(3 * INCH_M, INCH_M / 8, 12.68)  # kWh per short ton
    power_kW = 10 * per_ton
    assert power_kW == pytest.approx(17.9099, rel=1e-3)
    assert power_kW * 1e3 / HP_W == pytest.approx(24.1, rel=5e-3)


def test_mccabe_smith_bond():
    # McCabe, Smith (from memory): 100 t/h of limestone, 80 % passing 2 in to 1/8 in, work index 12.74;
    # printed 169.6 kW.
    power = 100 * bond_energy(2 * INCH_M, INCH_M / 8, 12.74)
    assert power == pytest.approx(169.5738, rel=1e-3)
    assert power == pytest.approx(169.6, rel=5e-3)


def test_earle_energies():
    # R. L. Earle, Unit Operations in Food Processing, problem 3 (statement seen; answers computed for the
    # project): 1 to 0.3 cm costs 11 kJ/kg; 0.1 to 0.01 cm? Sizes in cm.
    expected = {1.0: 21.0374, 2.0: 424.2857, 1.5: 91.0877}
    for exponent, energy in expected.items():
        constant = size_constant(11.0, 1.0, 0.3, exponent)
        assert size_energy(0.1, 0.01, constant, exponent) == pytest.approx(energy, rel=1e-5)
    # Bond's law is the exponent 3/2: the same ratio from the other form.
    ratio = bond_energy(1e-3, 1e-4, 1.0) / bond_energy(1e-2, 3e-3, 1.0)
    assert 11.0 * ratio == pytest.approx(91.0877, rel=1e-5)


def test_size_reached_by_an_energy():
    # Course problem 6 (statement seen; answers computed): 0.8 to 0.4 cm costs 12 kJ/kg; 10 kJ/kg from 0.6 cm?
    for exponent, size in {1.0: 0.33674, 1.5: 0.35561, 2.0: 0.36923}.items():
        constant = size_constant(12.0, 0.8, 0.4, exponent)
        reached = size_reached(10.0, 0.6, constant, exponent)
        assert reached == pytest.approx(size, rel=2e-5)
        assert size_energy(0.6, reached, constant, exponent) == pytest.approx(10.0, rel=1e-12)
    assert size_reached(1e9, 0.6, 1.0, 0.5) == 0.0  # below n = 1 a finite energy reaches size zero
