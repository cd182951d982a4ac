"""Laws of cooling against handbooks: CoolProp for air and coolants, values by hand, closed forms."""

from math import exp, inf, isclose

import numpy as np
import pytest
from lazily import later

from millsim.laws import air, cooling, heat
from millsim.studies.heat.cool import LEAST_OXYGEN, MOST_CO2, OXYGEN, fresh_air
from millsim.studies.heat.coolants import DRY_ICE, NITROGEN, PRACTICE, coolant_per_kg, gas_per_kg

coolprop = later("CoolProp.CoolProp")

ATM = 101325.0
KWH = 3.6e6


# --- air -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("rise", "m3_h"), [(10, 299), (20, 149), (25, 119), (30, 100)])
def test_air_to_carry_a_kilowatt(rise, m3_h):
    # By hand: air of 1.2 kg/m3 and 1005 J/(kg K).
    assert cooling.air_for_rise(1000.0, rise, 1.2, 1005.0) * 3600 == pytest.approx(m3_h, abs=0.5)


def test_half_a_kilowatt_into_sixty_cubic_metres_an_hour():
    assert cooling.air_rise(500.0, 60 / 3600, 1.2, 1005.0) == pytest.approx(24.9, abs=0.05)
    assert cooling.air_rise(500.0, 120 / 3600, 1.2, 1005.0) == pytest.approx(24.9 / 2, abs=0.03)


@pytest.mark.parametrize("T", [293.15, 303.15, 318.15])
def test_air_rise_against_coolprop(T):
    # Dry air of CoolProp (Lemmon et al. 2000): the enthalpy of the same mass flow rises by the power; within 0.3 %.
    rise = cooling.air_rise(500.0, 60 / 3600, air.air_density(T), air.SPECIFIC_HEAT)
    flow = 60 / 3600 * coolprop.PropsSI("D", "T", T, "P", ATM, "Air")
    taken = flow * (
        coolprop.PropsSI("H", "T", T + rise, "P", ATM, "Air") - coolprop.PropsSI("H", "T", T, "P", ATM, "Air")
    )
    assert taken == pytest.approx(500.0, rel=3e-3)


@pytest.mark.parametrize("blower", [0.0, 40.0, 500.0, 3000.0])
@pytest.mark.parametrize("k_linear", [0.0, 2000.0])
def test_blower_is_the_inverse_of_the_air_law(blower, k_linear):
    Q = air.air_flow(300.0, 0.02, blower, 8e5, k_linear)
    assert cooling.blower_for_flow(Q, 300.0, 0.02, 8e5, k_linear) == pytest.approx(blower, abs=1e-8)


def test_less_air_than_the_fan_moves_needs_less_than_no_blower():
    Q = air.air_flow(300.0, 0.02, 0.0, 8e5, 2000.0)
    assert cooling.blower_for_flow(0.8 * Q, 300.0, 0.02, 8e5, 2000.0) < 0.0


def test_mixing_with_recirculated_air():
    assert cooling.mixed_air(303.15, 278.15, 0.9) == pytest.approx(280.65)
    assert cooling.cooler_outlet(280.65, 303.15, 0.9) == pytest.approx(278.15)


# --- time ------------------------------------------------------------------------------------------------


def test_time_to_is_the_inverse_of_the_lumped_warmup():
    t = cooling.time_to(303.15, 318.15, 327.0, 138.0)
    assert heat.lumped_warmup(303.15, 327.0, t, 138.0) == pytest.approx(318.15)
    cools = cooling.time_to(340.0, 310.0, 293.0, 600.0)
    assert heat.lumped_warmup(340.0, 293.0, cools, 600.0) == pytest.approx(310.0)


def test_time_to_45_degrees_by_hand_and_by_small_steps():
    # 500 W into 6 kg of steel (480 J/(kg K)) that 60 m3/h of air cools: C dT/dt = P - rho Q cp (T - 30 C), Euler steps.
    C, carried = 6 * 480.0, 1.2 * 1005.0 * 60 / 3600
    T, t, step = 30.0, 0.0, 0.01
    while T < 45.0:
        T += step * (500.0 - carried * (T - 30.0)) / C
        t += step
    end = 30.0 + 500.0 / carried
    assert cooling.time_to(30.0, 45.0, end, C / carried) == pytest.approx(t, rel=1e-3)
    assert t == pytest.approx(132, abs=2)


def test_never_and_before():
    assert cooling.time_to(300.0, 330.0, 320.0, 100.0) == inf
    assert cooling.time_to(300.0, 300.0, 300.0, 100.0) == inf
    assert cooling.time_to(310.0, 300.0, 320.0, 100.0) < 0.0


# --- coolants --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("kWh_kg", "expected"), [(0, 0.3), (0.1, 1.5), (0.3, 3.8), (0.5, 6.1), (1, 12)])
def test_nitrogen_per_kilogram_of_feed(kWh_kg, expected):
    # By hand: feed from 20 to -60 C with 1.2 kJ/(kg K), gas out at
    # -30 C, latent heat 199 kJ/kg, gas 1.04 kJ/(kg K), factor 1.2.
    found = cooling.coolant_ratio(1200.0 * 80.0, kWh_kg * KWH, 199e3, 1040.0, 77.36, 243.15, 1.2)
    assert found == pytest.approx(expected, rel=0.04)


def test_nitrogen_against_coolprop():
    # Span et al. 2000 through CoolProp: boiling point, latent heat and gas heat within 1 %.
    boiling = coolprop.PropsSI("T", "P", ATM, "Q", 0, "Nitrogen")
    liquid, vapour = (coolprop.PropsSI("H", "P", ATM, "Q", q, "Nitrogen") for q in (0, 1))
    assert NITROGEN.T_K == pytest.approx(boiling, abs=0.05)
    assert NITROGEN.latent == pytest.approx(vapour - liquid, rel=0.01)
    for T in (150.0, 243.15, 276.15):
        own = NITROGEN.latent + NITROGEN.gas_cp * (T - NITROGEN.T_K)
        assert own == pytest.approx(coolprop.PropsSI("H", "T", T, "P", ATM, "Nitrogen") - liquid, rel=0.02)


def test_dry_ice_against_coolprop_and_handbook():
    # Sublimation = vaporisation at the triple point (Span & Wagner 1996 through CoolProp) + fusion, 9.02 kJ/mol (CRC
    # Handbook), some 20 K above the sublimation point: within 4 %.
    T = coolprop.PropsSI("Ttriple", "CO2")
    vaporisation = coolprop.PropsSI("H", "T", T, "Q", 1, "CO2") - coolprop.PropsSI("H", "T", T, "Q", 0, "CO2")
    assert DRY_ICE.latent == pytest.approx(vaporisation + 9020.0 / 0.04401, rel=0.04)
    gas = coolprop.PropsSI("H", "T", 293.15, "P", ATM, "CO2") - coolprop.PropsSI("H", "T", 220.0, "P", ATM, "CO2")
    assert DRY_ICE.gas_cp * (293.15 - 220.0) == pytest.approx(gas, rel=0.04)


@pytest.mark.parametrize(("coolant", "fluid"), [(DRY_ICE, "CO2"), (NITROGEN, "Nitrogen")])
def test_gas_volume_against_coolprop(coolant, fluid):
    assert gas_per_kg(coolant) == pytest.approx(1.0 / coolprop.PropsSI("D", "T", 293.15, "P", ATM, fluid), rel=0.01)
    assert coolant.molar_mass == pytest.approx(coolprop.PropsSI("M", fluid), rel=1e-3)


def test_gas_volumes_by_hand():
    assert 0.5 * gas_per_kg(DRY_ICE) == pytest.approx(0.27, abs=0.005)  # half a kilogram of dry ice, by hand at 20 C
    liquid = coolprop.PropsSI("D", "P", ATM, "Q", 0, "Nitrogen")
    assert liquid * gas_per_kg(NITROGEN) == pytest.approx(700, rel=0.02)  # litres of gas from a litre of liquid


@pytest.mark.parametrize(("coolant", "fluid"), [(DRY_ICE, "CO2"), (NITROGEN, "Nitrogen")])
def test_ideal_gas_volume_against_coolprop(coolant, fluid):
    own = cooling.gas_volume(2.0, coolant.molar_mass, 273.15)
    assert own == pytest.approx(2.0 / coolprop.PropsSI("D", "T", 273.15, "P", ATM, fluid), rel=0.01)


def test_fresh_air_mixes_to_the_share_asked_for():
    # By hand: 10 l/s of gas into air of 20.9 % oxygen; 19.5 % remain with 139 l/s of air, 0.5 % of gas with 1.99 m3/s.
    air_flow = cooling.air_for_oxygen(0.010, 0.195, 0.209)
    assert air_flow == pytest.approx(0.1393, abs=1e-4)
    assert 0.209 * air_flow / (air_flow + 0.010) == pytest.approx(0.195, rel=1e-12)
    assert cooling.air_for_gas(0.010, 0.005) == pytest.approx(1.99, rel=1e-12)


@pytest.mark.parametrize(("T", "kJ_kg"), [(-78, 100), (-150, 148), (-196, 168)])
def test_chilling_pla(T, kJ_kg):
    # By hand: cp = 1.25 kJ/(kg K) in proportion to temperature, from 20 C.
    assert heat.enthalpy_rise(1250.0, 1.0, T + 273.15, 293.15) / 1e3 == pytest.approx(kJ_kg, abs=1.0)


def test_the_cold_gas_chills_too_and_dry_ice_chills_no_lower_than_it_is():
    # 100 kJ/kg by nitrogen whose gas leaves at -120 C: 1.2 x 100 / (199 + 1.04 x (153.15 - 77.36)) = 0.432.
    assert coolant_per_kg(NITROGEN, 1e5, 153.15) == pytest.approx(0.432, abs=0.001)
    assert coolant_per_kg(DRY_ICE, 1e5, 153.15) == inf
    assert coolant_per_kg(DRY_ICE, 1e5, 194.65) == pytest.approx(1.2 * 100.0 / 571.0)
    assert coolant_per_kg(NITROGEN, 1e5, 77.15) < inf  # -196 C is liquid nitrogen, 77.36 K, in whole degrees


def test_practice_takes_more_than_the_ideal():
    assert PRACTICE == pytest.approx(1.2)
    assert cooling.coolant_ratio(1e5, 0.0, 2e5, 0.0, 77.0, 77.0, PRACTICE) == pytest.approx(0.6)


# --- the room --------------------------------------------------------------------------------------------


def test_fresh_air_by_balance_of_the_room():
    gas = 0.01
    fresh = fresh_air(NITROGEN, gas)
    assert OXYGEN * fresh / (fresh + gas) == pytest.approx(LEAST_OXYGEN)
    fresh = fresh_air(DRY_ICE, gas)
    assert gas / (fresh + gas) == pytest.approx(MOST_CO2)


def test_a_room_filled_step_by_step_comes_to_the_same_oxygen():
    # 30 m3 room, 2 m3/h of nitrogen, the fresh air of the law; small steps to the steady state.
    room, gas = 30.0, 2.0 / 3600
    fresh, share = fresh_air(NITROGEN, gas), OXYGEN
    for _ in range(40000):
        share += 5.0 * (fresh * OXYGEN - (fresh + gas) * share) / room
    assert share == pytest.approx(LEAST_OXYGEN, rel=1e-4)


# --- feedback --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("gain", [-0.5, 0.0, 0.06, 0.9])
def test_amplification_is_the_sum_of_the_rounds(gain):
    rounds = np.sum(gain ** np.arange(2000))
    assert isclose(cooling.amplification(gain), rounds, rel_tol=1e-9)


def test_no_end_from_one_on():
    assert cooling.amplification(1.0) == inf
    assert cooling.amplification(1.5) == inf
    assert exp(-cooling.amplification(0.999)) < 1e-300
