"""The chamber seen by a solver: one mill as a record of numbers, its state, and the rates at a size.

Both engines work on a *frozen* chamber state: hold-up, temperature, sieve, speed. Everything they need to know
of the laws at a size x is computed here, once, in `size_rates` and `strike_energies`.
"""

from math import pi, sqrt

import numpy as np

from .jit import law
from .laws import air, breakage, cutting, drive, heat, motion, sieving

GEOMETRY = (
    "R H n_bars t_bar r_hub inertia swinging hammer_mass n_pins d_pin gap R_stator hole plate open_share "
    "sieve_area sieve_share n_holes chamber_volume inner_area".split()
)
SETTING = (
    "omega_0 rated_power overload efficiency fan inlet_area filter_area blower T_air_in T_room T_feed "
    "feed_opening feed_size T_limit T_user casing_capacity isothermal".split()
)
MATERIAL = (
    "density bulk_fraction specific_heat heat_exponent_share conductivity glass_temperature temperature_warm "
    "temperature_cold f_mat_warm f_mat_cold xw_min_warm xw_min_cold daughter_exponent daughter_speed_slope "
    "fines_limit nip_exponent restitution yield_stress yield_slope fracture_energy cut_factor friction shape".split()
)
MODEL = (
    "layer_speed_ratio scatter_depth rate_multiplier nip_width sieve_factor slow_share usable_open "
    "skim_ratio_low skim_ratio_high settle_speed contact_rate_max peg_probability clear_rate air_swirl "
    "fan_flow_coefficient inlet_loss filter_resistance drag_coefficient windage_swirl windage_factor "
    "bearing_torque inner_heat_transfer casing_heat_loss film_heat_transfer jam_share chamber_fill".split()
)
EDGE = ("edge_share", "chip_size", "bite_friction")  # model parameters that depend on the kind of edge
CURVE_POINTS = 8

# One mill with one draw of its uncertain parameters; SI units; names as in the config and the cards.
MILL = np.dtype(
    [(name, "f8") for name in (*GEOMETRY, *SETTING, *MATERIAL, *MODEL, *EDGE, "chip_exponent")]
    + [("curve_power", "f8", (CURVE_POINTS,)), ("curve_speed", "f8", (CURVE_POINTS,))]
)

# The frozen chamber: feed rate F [kg/s], hold-up M [kg], temperature T [K], unblinded sieve share, rotor speed
# omega [rad/s], effective tip speed v [m/s], air flow Q [m3/s], mean residence time of the charge [s]; at_rate is
# 1 where the feed rate is given and the hold-up sought, 0 the other way round.
STATE = np.dtype([(name, "f8") for name in "F M T unblinded omega v Q residence at_rate".split()])

# Rates and strengths at one size; the columns of a rate table.
RATE_COLUMNS = tuple("strike pin f_mat xw_min chip_per_J contact airborne nip pieces_per_kg_in_nip shear_J_kg".split())
N_RATES = len(RATE_COLUMNS)
STRIKE, PIN, F_MAT, XW_MIN, CHIP, CONTACT, AIRBORNE, NIP, WINDOW, SHEAR = range(len(RATE_COLUMNS))

# What one kilogram per second of strikes costs and yields; constants of a frozen state.
STRIKES = np.dtype(
    [(name, "f8") for name in "v kappa e_bar e_pin survive v_throw q_bar q_pin layer_energy edge_share".split()]
)

C_EXPONENT = 0.2  # cos^2 of the bar obliquity is u^(1/5), u uniform: Beta(5, 1), mean 5/6 (P4, assumed)


@law
def strike_energies(m, s, out):
    """Fill a STRIKES record: speeds, restitution and daughter exponents of this state."""
    out.v, out.kappa = s.v, m.layer_speed_ratio
    v_bar = (1.0 - m.layer_speed_ratio) * s.v
    out.e_bar = motion.restitution(m.restitution, v_bar)
    if m.n_pins > 0.0:
        out.survive = motion.path_survival(m.friction, pi * m.R_stator / m.n_pins, m.R_stator)
    else:
        out.survive = 1.0
    out.v_throw = sqrt(2.0 * motion.thrown_energy(s.v, out.kappa, out.e_bar, 1.0) * out.survive)
    out.e_pin = motion.restitution(m.restitution, out.v_throw)
    out.q_bar = breakage.daughter_exponent(m.daughter_exponent, m.daughter_speed_slope, v_bar)
    out.q_pin = breakage.daughter_exponent(m.daughter_exponent, m.daughter_speed_slope, out.v_throw)
    out.layer_energy = 0.5 * (out.kappa * s.v) ** 2
    out.edge_share = min(m.edge_share, 1.0 - out.e_bar**2)  # an edge cannot use more than the hit loses


@law
def piece_strength(m, s, x):
    """Temperature [K], f_Mat, xW_min and yield stress [Pa] of a piece of size x in this state."""
    t_warm = heat.warming_time(x, m.density, m.specific_heat, m.conductivity, m.film_heat_transfer)
    T = heat.piece_temperature(s.T, m.T_feed, t_warm, s.residence)
    f_mat = breakage.log_between(T, m.temperature_warm, m.temperature_cold, m.f_mat_warm, m.f_mat_cold)
    xw_min = breakage.log_between(T, m.temperature_warm, m.temperature_cold, m.xw_min_warm, m.xw_min_cold)
    sigma = max(0.1 * m.yield_stress, m.yield_stress + m.yield_slope * (T - m.temperature_warm))
    return T, f_mat, xw_min, sigma


@law
def _nip_rate(m, s, x, sigma, reach):
    """Shears per second of a piece that has its nip to itself; zero for pieces that fit the gap."""
    if x <= m.gap or m.n_pins <= 0.0:
        return 0.0
    angle = cutting.nip_angle(0.5 * m.t_bar, 0.5 * m.d_pin, m.gap, x)
    rate = reach * motion.pin_share(m.n_pins, m.d_pin, x, m.R_stator)
    rate *= cutting.bite_probability(angle, m.bite_friction, m.nip_width) * cutting.overlap_share(x, m.gap)
    if m.swinging > 0.0:
        needed = cutting.shear_energy(sigma, m.density) * m.density * pi / 6.0 * x**3
        rate *= cutting.hammer_bite(cutting.hammer_energy(m.hammer_mass, s.v), needed)
    return rate


@law
def size_rates(m, s, k, x, row):
    """Fill one row of the rate table (RATE_COLUMNS) for pieces of size x [m] in mill m, state s, strikes k."""
    depth = motion.layer_depth(s.M, m.density * m.bulk_fraction, m.R_stator, m.H)
    exposed = motion.exposure(depth, m.scatter_depth)
    engaged = exposed * motion.engagement(m.gap, depth, m.scatter_depth, x)
    reach = motion.bar_pass_rate(m.n_bars, s.omega, m.layer_speed_ratio) * engaged
    v_bar = (1.0 - m.layer_speed_ratio) * s.v
    rho_air, mu_air = air.air_density(s.T), air.air_viscosity(s.T)
    tau = motion.relaxation_time(x, m.density, v_bar, rho_air, mu_air)
    hits_bar = motion.impact_efficiency(tau, v_bar, m.t_bar)
    _, f_mat, xw_min, sigma = piece_strength(m, s, x)
    h = cutting.chip_thickness(m.chip_size, x)
    row[STRIKE] = reach * hits_bar
    row[PIN] = 0.0
    if m.n_pins > 0.0:
        follows = motion.impact_efficiency(tau, k.v_throw, m.d_pin)
        row[PIN] = motion.pin_share(m.n_pins, m.d_pin, x, m.R_stator) * follows
    row[F_MAT] = m.rate_multiplier * f_mat
    row[XW_MIN] = xw_min
    row[CHIP] = k.edge_share / cutting.cutting_energy(m.cut_factor, sigma, m.fracture_energy, h, m.density)
    settle = sieving.settle_rate(m.settle_speed, x, m.contact_rate_max) * exposed
    row[CONTACT] = m.sieve_share * (settle + row[STRIKE])
    z = m.shape * x / m.hole
    row[AIRBORNE] = (1.0 - hits_bar) * s.Q / m.chamber_volume * max(0.0, 1.0 - z) ** 2
    row[NIP] = _nip_rate(m, s, x, sigma, reach)
    row[SHEAR] = cutting.shear_energy(sigma, m.density)
    # Pieces of this size in the window of one nip, per kg of them: those within reach, a bar plus a pin wide.
    window = engaged * min(1.0, (m.t_bar + m.d_pin + x) / (2.0 * pi * m.R_stator))
    row[WINDOW] = window / (m.density * pi / 6.0 * x**3)


@law
def mean_pass(m, s, x):
    """Mean chance that one wall contact of a piece x lets it out."""
    z = m.shape * x / m.hole
    slow = sieving.pass_slow(z, m.plate / m.hole)
    skim = sieving.mean_pass_skim(z, m.plate / m.hole, m.skim_ratio_low, m.skim_ratio_high)
    open_ = sieving.open_to_pass(m.sieve_factor, m.open_share, m.usable_open, s.unblinded)
    return open_ * ((1.0 - m.slow_share) * skim + m.slow_share * slow)


@law
def feedback_air(m, s):
    """Air flow [m3/s] through inlet, rotor, sieve and filter in this state."""
    rho = air.air_density(s.T)
    v = s.omega * m.R
    dp = m.fan * air.fan_pressure(rho, m.air_swirl, v, v * m.r_hub / m.R)
    Q_max = air.fan_flow_max(m.fan_flow_coefficient, m.R, m.H, v)
    f = max(1e-3, m.open_share * m.usable_open * s.unblinded)
    k2 = 0.5 * rho * air.plate_loss(f, m.plate / m.hole) / m.sieve_area**2
    k2 += 0.5 * rho * m.inlet_loss / m.inlet_area**2
    k1 = m.filter_resistance / m.filter_area if m.filter_area > 0.0 else 0.0
    return air.air_flow(dp, Q_max, m.blower, k2, k1)


@law
def feedback_speed(m, P):
    """Rotor speed [rad/s] at shaft power P [W], from the drive's speed curve."""
    i = 0
    while i < CURVE_POINTS - 2 and P > m.curve_power[i + 1]:
        i += 1
    return drive.speed_under_load(P, m.curve_power[i], m.curve_speed[i], m.curve_power[i + 1], m.curve_speed[i + 1])


@law
def idle_power(m, omega, T):
    """Windage and bearing power [W] of the empty mill."""
    windage = m.windage_factor * air.windage_power(
        m.n_bars, air.air_density(T), m.drag_coefficient, m.H, omega, m.windage_swirl, m.R, m.r_hub
    )
    return windage, m.bearing_torque * omega
