"""Strength and running against hand numbers, statics and mechanics worked out another way.

Handbook values are from memory of the forms in Roark, Shigley and Johnson; hand numbers are worked in the test.
"""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from millsim.laws import cutting
from millsim.laws import strength as law

STEEL, E = 7850.0, 210e9
RPM = math.pi / 30.0


@pytest.mark.parametrize(("v", "MPa"), [(50.0, 9.8), (80.0, 25.0), (110.0, 47.5)])
def test_a_uniform_bar_carries_half_rho_v_squared(v, MPa):
    # Hand: 7850 v^2 / 2. And by adding up the pull of every slice from the axis to the tip of a 60 mm bar.
    assert law.bar_stress(STEEL, v) == pytest.approx(MPa * 1e6, rel=0.01)
    r = np.linspace(0.0, 0.06, 2001)
    assert law.bar_stress(STEEL, v) == pytest.approx(np.trapezoid(STEEL * (v / 0.06) ** 2 * r, r), rel=1e-6)


def test_a_hammer_carries_only_what_hangs_beyond_its_eye():
    r = np.linspace(0.045, 0.075, 2001)
    omega = 9000.0 * RPM
    slices = np.trapezoid(STEEL * omega**2 * r, r)
    assert law.bar_stress(STEEL, omega * 0.075, omega * 0.045) == pytest.approx(slices, rel=1e-6)


@pytest.mark.parametrize(("v", "MPa"), [(60.0, 28.0), (80.0, 50.0), (104.0, 85.0), (120.0, 113.0)])
def test_a_thin_ring_carries_rho_v_squared(v, MPa):
    # Table of rim stresses, steel, worked by hand; twice the bar's (Roark).
    assert law.ring_stress(STEEL, v) == pytest.approx(MPa * 1e6, rel=0.01)
    assert law.ring_stress(STEEL, v) == 2.0 * law.bar_stress(STEEL, v)


@pytest.mark.parametrize(
    ("m", "r", "omega", "N"),
    [
        (0.020, 0.045, 80.0 / 0.060, 1600.0),  # 20 g at 45 mm, 80 m/s on R 60 mm
        (0.015, 0.050, 18000.0 * RPM, 2700.0),
        (0.020, 0.050, 12000.0 * RPM, 1600.0),
        (0.020, 0.060, 9000.0 * RPM, 1066.0),
        (0.0001, 0.050, 18000.0 * RPM, 17.8),  # a tenth of a gram out of balance
    ],
)
def test_pull_of_a_mass_that_goes_round(m, r, omega, N):
    assert law.centrifugal_force(m, r, omega) == pytest.approx(N, rel=0.02)


def test_a_pin_cut_at_both_sides_and_pressed_in_its_eye():
    # 1600 N on a 6 mm pin: 1600 / (2 x 28.27 mm2) = 28.3 MPa; in a 5 mm eye 1600 / 30 mm2 = 53.3 MPa.
    assert law.shear_stress(1600.0, law.round_area(0.006), 2.0) == pytest.approx(28.3e6, rel=0.002)
    assert law.bearing_pressure(1600.0, 0.006, 0.005) == pytest.approx(53.3e6, rel=0.001)


@pytest.mark.parametrize(
    ("d", "P", "core"), [(4, 0.7, 3.141), (5, 0.8, 4.019), (6, 1.0, 4.773), (8, 1.25, 6.466), (10, 1.5, 8.160)]
)
def test_core_of_a_metric_thread(d, P, core):
    # Minor diameter d3 of external threads as tabled in DIN 13-1 / ISO 965 (from memory).
    assert law.core_diameter(d * 1e-3, P * 1e-3) == pytest.approx(core * 1e-3, abs=1e-6)


@pytest.mark.parametrize(("d", "MPa"), [(4.0, 1590.0), (6.0, 470.0), (8.0, 199.0), (10.0, 102.0), (4.8, 920.0)])
def test_a_cantilever_pin_in_bending(d, MPa):
    # 500 N at the end of 20 mm: 32 F L / (pi d^3); 4.8 mm is the root of an M6 screw.
    M = law.cantilever_moment(500.0, 0.02)
    assert law.bending_stress(M, d * 1e-3) == pytest.approx(MPa * 1e6, rel=0.005)


def test_a_pin_on_two_supports_has_a_quarter_of_the_moment():
    # Statics: each support carries F/2; the moment rises linearly from it to the middle: F/2 x L/2.
    F, L = 500.0, 0.02
    x = np.linspace(0.0, L, 1001)
    moment = 0.5 * F * x - F * np.maximum(0.0, x - 0.5 * L)
    assert law.beam_moment(F, L) == pytest.approx(moment.max())
    assert law.beam_moment(F, L) == pytest.approx(0.25 * law.cantilever_moment(F, L))
    # The same load in the middle of the cantilever: there the second support halves it.
    assert law.beam_moment(F, L) == pytest.approx(0.5 * law.cantilever_moment(F, 0.5 * L))


def test_a_pin_whose_load_is_spread_has_half_of_that():
    # Statics: reaction F/2 at each end, F/L of load between: the moment in the middle is F/2 x L/2 - F/2 x L/4.
    F, L = 1070.0, 0.01
    assert law.spread_moment(F, L) == pytest.approx(0.5 * F * 0.5 * L - 0.5 * F * 0.25 * L)
    assert law.spread_moment(F, L) == pytest.approx(0.5 * law.beam_moment(F, L))


@pytest.mark.parametrize("n", range(2, 13))
def test_arms_pull_across_the_worst_cut_through_the_axis(n):
    # The sum itself: arms evenly around, each pulling 1 N outward; the half on one side of a cut at any angle.
    arms = 2 * np.pi * np.arange(n) / n
    worst = max(np.cos(arms - cut).clip(0.0).sum() for cut in np.linspace(0, 2 * np.pi, 7201))
    assert law.across_hub(1.0, n) == pytest.approx(worst, rel=1e-6)


def test_a_flat_bar_in_bending_as_the_moment_of_its_layers():
    # Hand: 1900 N at 42 mm on 20 x 8 mm: 6 x 79.8 / (20 x 64 mm3) = 374 MPa. And layer by layer, stress as far from
    # the middle as the layer: the moment of all of them is the one put on.
    M, b, h = law.cantilever_moment(1900.0, 0.042), 0.02, 0.008
    top = law.flat_bending_stress(M, b, h)
    assert top == pytest.approx(374e6, rel=0.002)
    y = np.linspace(-0.5 * h, 0.5 * h, 4001)
    assert np.trapezoid(top * y / (0.5 * h) * y * b, y) == pytest.approx(M, rel=1e-6)
    assert law.flat_bending_stress(M, b, law.flat_for_moment(M, b, 235e6)) == pytest.approx(235e6)


def test_the_pin_that_would_do_has_the_stress_asked_for():
    d = law.pin_for_moment(10.0, 235e6)
    assert law.bending_stress(10.0, d) == pytest.approx(235e6)


def test_a_steel_rotor_of_60_mm_grows_0_04_mm_in_50_K():
    assert law.thermal_growth(12e-6, 0.06, 50.0) == pytest.approx(0.036e-3)


def test_second_moment_of_a_disc():
    y = np.linspace(-0.006, 0.006, 200001)
    strips = np.trapezoid(2.0 * np.sqrt(0.006**2 - y**2) * y**2, y)
    assert law.second_moment(0.012) == pytest.approx(strips, rel=1e-5)


def test_critical_speed_of_a_cantilevered_shaft():
    # 12 mm steel, 60 mm, 0.4 kg: 26 000 rpm with rigid bearings (hand: sqrt(3 E I / (m L^3))).
    speed = law.overhung_speed(E, law.second_moment(0.012), 0.4, 0.06)
    assert speed / RPM == pytest.approx(26000.0, rel=0.01)


def _deflection(moment, x, I):
    """Castigliano: deflection under a unit load whose moment is `moment` along x."""
    return np.trapezoid(moment**2, x) / (E * I)


@pytest.mark.parametrize("span", [0.0, 0.05, 0.12])
def test_an_overhang_is_as_stiff_as_its_strain_energy_says(span):
    I, L, m = law.second_moment(0.016), 0.05, 0.6
    x = np.linspace(0.0, L, 4001)
    soft = _deflection(x, x, I)
    if span:
        y = np.linspace(0.0, span, 4001)
        soft += _deflection(L * y / span, y, I)
    assert law.overhung_speed(E, I, m, L, span) == pytest.approx(math.sqrt(1.0 / (soft * m)), rel=1e-5)


def test_between_bearings_it_is_as_stiff_as_its_strain_energy_says():
    I, a, m = law.second_moment(0.02), 0.16, 0.92
    x = np.linspace(0.0, a, 4001)
    soft = _deflection(0.5 * np.minimum(x, a - x), x, I)
    assert law.midspan_speed(E, I, m, a) == pytest.approx(math.sqrt(1.0 / (soft * m)), rel=1e-5)


def test_balance_grade():
    # G6.3 at 8000 rpm: 7.5 um (ISO 21940-11, from memory: e omega = 6.3 mm/s).
    e = law.permitted_eccentricity(6.3e-3, 8000.0 * RPM)
    assert e == pytest.approx(7.5e-6, rel=0.01)
    # A rotor of 1.5 kg with that much at 75 mm has its centre off by e.
    assert law.permitted_mass(e, 1.5, 0.075) * 0.075 / 1.5 == pytest.approx(e)


def test_a_hammer_is_turned_back_by_the_centrifugal_force_of_its_centre():
    # Vectors: the force on the centre of mass points away from the axis; its moment about the pivot.
    m, omega, r_p, l, angle = 0.02, 942.5, 0.045, 0.015, 0.7
    centre = np.array([r_p + l * math.cos(angle), l * math.sin(angle)])
    force, arm = m * omega**2 * centre, centre - np.array([r_p, 0.0])
    moment = arm[0] * force[1] - arm[1] * force[0]
    assert -moment == pytest.approx(law.restoring_moment(m, omega, r_p, l) * math.sin(angle))


@pytest.mark.parametrize("rate", [170.0, 1050.0, 2400.0])
def test_how_far_a_hammer_swings_back_as_its_motion_says(rate):
    # The pendulum integrated in time until it stops.
    I, k = law.bar_inertia(0.004, 0.03), law.restoring_moment(0.004, 942.5, 0.045, 0.015)

    def stops(_t, y):
        return y[1]

    stops.terminal, stops.direction = True, -1.0
    done = solve_ivp(lambda _t, y: [y[1], -k / I * math.sin(y[0])], (0.0, 0.1), [0.0, rate], events=stops, rtol=1e-9,
                     atol=1e-12)  # fmt: skip
    assert law.swing_back(I, k, rate) == pytest.approx(done.y[0, -1], rel=1e-5)


def test_a_hammer_that_is_hit_too_hard_goes_right_over():
    I, k = law.bar_inertia(0.004, 0.03), law.restoring_moment(0.004, 942.5, 0.045, 0.015)
    assert law.swing_back(I, k, 1e5) == math.pi


def test_what_a_bite_takes_is_missing_from_the_hammers_energy():
    v, m, taken = 70.0, 0.004, 2.3
    before = m * v * v / 6.0
    left = v - law.speed_lost(v, before, taken)
    assert m * left * left / 6.0 == pytest.approx(before - taken)
    assert law.speed_lost(v, before, 2.0 * before) == v


def test_a_hit_keeps_momentum_and_restitution():
    v, e, piece, hammer = 45.0, 0.5, 9e-5, 0.004
    lost = law.speed_lost_by_hit(v, e, piece, hammer)
    gained = hammer / 3.0 * lost / piece
    assert gained - (v - lost) == pytest.approx(e * v)  # they part at e times the speed at which they met


@pytest.mark.parametrize(("v", "N"), [(10.0, 125.0), (30.0, 375.0), (50.0, 626.0), (80.0, 1000.0)])
def test_force_of_a_pellet_that_flattens(v, N):
    # 4 mm PLA ball, mean pressure 300 MPa; worked from Johnson 1985 (form from memory): stiffness 2 pi R p.
    assert law.impact_force(v, 0.004, 1240.0, 300e6) == pytest.approx(N, rel=0.005)


def test_cold_feed_is_stronger_and_hot_feed_never_without_strength():
    assert cutting.yield_at(150e6, -1e6, 195.15, 293.15) == pytest.approx(248e6)
    assert cutting.yield_at(150e6, -1e6, 450.0, 293.15) == pytest.approx(15e6)


@pytest.mark.parametrize(("rpm", "Nm"), [(20000.0, 0.29), (10000.0, 0.57)])
def test_torque_of_600_W(rpm, Nm):
    assert law.shaft_torque(600.0, rpm * RPM) == pytest.approx(Nm, rel=0.015)


@pytest.mark.parametrize(("v", "J"), [(30.0, 22.0), (50.0, 62.0), (80.0, 160.0)])
def test_both_halves_of_a_bar_hold_the_rotors_energy(v, J):
    # A bar of 0.15 kg on R 60 mm: I = m R^2 / 3, hand table of stored energies.
    both = 2.0 * law.bar_half_energy(0.075, v)
    assert both == pytest.approx(J, rel=0.025)
    assert both == pytest.approx(0.5 * (0.15 * 0.06**2 / 3.0) * (v / 0.06) ** 2)


def test_a_wall_twice_as_thick_stops_nearly_three_times_as_much():
    hammer = 0.5 * 0.010 * 80.0**2
    assert hammer == pytest.approx(32.0)
    assert law.wall_energy(hammer, 2.5e-3, 2.5e-3) == hammer
    assert law.wall_energy(hammer, 2.5e-3, 5e-3) == pytest.approx(hammer * 2.0**1.5)


def test_coast_down_as_the_motion_says():
    I, omega, T, P = 7.2e-4, 1000.0, 0.01, 73.0
    c = P / omega**3

    def stands(_t, w):
        return w[0]

    stands.terminal = True
    done = solve_ivp(lambda _t, w: [-(T + c * w[0] ** 2) / I], (0.0, 1e4), [omega], events=stands, rtol=1e-9, atol=1e-9)
    assert law.coast_down(I, omega, T, P) == pytest.approx(done.t[-1], rel=1e-5)


def test_dust_of_a_kilogram_an_hour_in_ten_litres_a_second():
    # 0.28 g/s in 10 L/s is 28 g/m3.
    assert law.dust_concentration(0.28e-3, 1.0, 0.010) == pytest.approx(28e-3)
