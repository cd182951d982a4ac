"""The chamber seen by a solver: one mill as a record of numbers, its state, and the rates at a size.

Both engines work on a *frozen* chamber state: hold-up, temperature, sieve, speed. Everything they need to know
of the laws at a size x is computed here, once, in `size_rates` and `strike_energies`.
"""

from math import pi, sqrt
from typing import NamedTuple

from ..base.numerics.jit import law, record
from ..laws import air, breakage, cutting, drive, heat, motion, sieving

GEOMETRY = (
    "R H n_bars face turn_bars all_bars bar_thickness swept_share r_hub r_drag inertia swinging hammer_mass n_pins "
    "d_pin pin_stiffness pin_force gap run_out R_stator hole plate open_share sieve_area sieve_share n_holes "
    "chamber_volume inner_area main_edge".split()
)
SETTING = (
    "omega_0 rated_power overload efficiency fan inlet_area filter_area blower T_air_in T_room T_feed "
    "feed_opening feed_size feed_shift T_limit T_user casing_capacity isothermal no_load loses gives_way".split()
)
MATERIAL = (
    "density bulk_fraction specific_heat heat_exponent_share conductivity glass_temperature temperature_warm "
    "temperature_cold f_mat_warm f_mat_cold xw_min_warm xw_min_cold threshold_exponent threshold_size split_exponent "
    "daughter_exponent shatter_slope fines_thickness fines_exponent fines_limit fragment_floor nip_exponent "
    "restitution restitution_exponent yield_stress yield_slope modulus fracture_energy cut_factor friction "
    "shape".split()
)
MODEL = (
    "layer_speed_ratio scatter_depth rate_multiplier nip_width sieve_factor slow_share usable_open "
    "skim_ratio_low skim_ratio_high wall_contacts peg_probability clear_rate land_share bridge_grip plough_ratio "
    "plough_factor crack_ratio attrition_share fan_flow_coefficient inlet_loss filter_resistance drag_coefficient "
    "pin_drag wall_friction windage_factor bearing_torque inner_heat_transfer casing_heat_loss film_factor jam_share "
    "chamber_fill".split()
)
# Geometry of several rings: n_bars in each; face: height of what passes a pin at once [m]; turn_bars: how often a turn.
EDGE = ("edge_share", "edge_radius", "chip_size", "bite_friction")  # model parameters that depend on the kind of edge
CURVE_POINTS = 8

# One mill with one draw of its uncertain parameters; SI units; names as in the config and the cards.
MILL = record(
    [(name, "f8") for name in (*GEOMETRY, *SETTING, *MATERIAL, *MODEL, *EDGE, "chip_exponent")]
    + [("other_share", "f8", (2,))]
    + [(f"other_{name}", "f8", (2,)) for name in EDGE]
    + [("curve_power", "f8", (CURVE_POINTS,)), ("curve_speed", "f8", (CURVE_POINTS,))]
)

# The frozen chamber: feed rate F [kg/s], hold-up M [kg], temperature T [K], unblinded sieve share, rotor speed
# omega [rad/s], effective tip speed v [m/s], air flow Q [m3/s] (at T), mean residence time of the charge [s].
# at_rate is above 0 where the feed rate is given and the hold-up sought, 0 the other way round; lumped is 1 in a batch,
# where the charge is the heat store and has the temperature T.
STATE = record([(name, "f8") for name in "F M T unblinded omega v Q residence at_rate lumped".split()])

# Rates and strengths at one size; the columns of a rate table. Monte Carlo reads those up to `nip` at every event.
RATE_COLUMNS = tuple(
    "strike pin f_mat xw_min cut_plastic cut_surface cut_zone cut_least cut_from dust_J_kg contact airborne nip pair "
    "finished pieces_per_kg_in_nip shear_J_kg wasted_J_kg warmed self_heating_K".split()
)
N_RATES = len(RATE_COLUMNS)
(STRIKE, PIN, F_MAT, XW_MIN, CUT_A, CUT_G, CUT_ZONE, CUT_LEAST, CUT_FROM, DUST_J, CONTACT, AIRBORNE, NIP, PAIR,
 FINISHED, WINDOW, SHEAR, WASTED, WARMED, SELF) = range(N_RATES)  # fmt: skip
STILL = 4  # what of a size does not depend on the state: see `fill_still`
THRESHOLD, GRIP, GRIP_PAIR, OPEN_HOLE = range(STILL)
NEVER = 1e30  # J/kg: what a chip would have to be paid where none can come off

# What one kilogram per second of strikes costs and yields, the layer and the air: constants of a frozen state.
STRIKES = record(
    [
        (name, "f8")
        for name in "v kappa e_bar e_pin survive v_throw layer_energy edge_share heat_bar heat_pin depth exposed "
        "passes rho_air mu_air".split()
    ]
)

C_EXPONENT = 0.2  # cos^2 of the bar obliquity is u^(1/5), u uniform: Beta(5, 1), mean 5/6 (assumed, flat face)
MEAN_COS2_BAR = 1.0 / (1.0 + C_EXPONENT)
MEAN_COS2_PIN = 2.0 / 3.0  # on a round pin, cos^2 = 1 - U^2


@law
def strike_energies(m, s, out):
    """Fill a STRIKES record: speeds, restitution and mean energies of this state."""
    out.v, out.kappa = s.v, m.layer_speed_ratio
    v_bar = (1.0 - m.layer_speed_ratio) * s.v
    out.e_bar = motion.restitution(m.restitution, v_bar, m.restitution_exponent)
    if m.n_pins > 0.0:
        out.survive = motion.path_survival(m.friction, pi * m.R_stator / m.n_pins, m.R_stator)
    else:
        out.survive = 1.0
    out.v_throw = sqrt(2.0 * motion.thrown_energy(s.v, out.kappa, out.e_bar, 1.0) * out.survive)
    out.e_pin = motion.restitution(m.restitution, out.v_throw, m.restitution_exponent)
    out.layer_energy = 0.5 * (out.kappa * s.v) ** 2
    thrown = motion.thrown_energy(s.v, out.kappa, out.e_bar, MEAN_COS2_BAR) * out.survive
    out.heat_bar = (1.0 - out.e_bar**2) * motion.bar_energy(s.v, out.kappa, MEAN_COS2_BAR)
    out.heat_pin = (1.0 - out.e_pin**2) * thrown * MEAN_COS2_PIN
    out.edge_share = min(m.edge_share, 1.0 - out.e_bar**2)  # an edge cannot use more than the hit loses
    out.depth = motion.layer_depth(s.M, m.density * m.bulk_fraction, m.R_stator, m.H)
    out.exposed = motion.exposure(out.depth, m.scatter_depth)
    out.passes = motion.bar_pass_rate(m.n_bars, s.omega, m.layer_speed_ratio) * m.swept_share
    out.passes *= motion.land_factor(m.land_share, m.n_bars, m.bar_thickness, m.R)
    out.rho_air, out.mu_air = air.air_density(s.T), air.air_viscosity(s.T)


@law
def strength_at(m, T):
    """f_Mat, xW_min of a piece of the threshold size, yield stress [Pa] and fracture energy [J/m2] at T [K].

    Threshold and crack energy are the same thing, so both follow one curve of temperature; below the coldest data the
    yield stress stays, as they do.
    """
    f_mat = breakage.log_between(T, m.temperature_warm, m.temperature_cold, m.f_mat_warm, m.f_mat_cold)
    xw = breakage.log_between(T, m.temperature_warm, m.temperature_cold, m.xw_min_warm, m.xw_min_cold)
    T_yield = max(T, m.temperature_cold)
    sigma = cutting.yield_at(m.yield_stress, m.yield_slope, T_yield, m.temperature_warm)
    return m.rate_multiplier * f_mat, xw, sigma, m.fracture_energy * xw / m.xw_min_warm


@law
def piece_strength(m, T, x):
    """The same four of a piece x, whose threshold goes with its size."""
    f_mat, xw, sigma, G_c = strength_at(m, T)
    return f_mat, breakage.threshold_at(x, xw, m.threshold_size, m.threshold_exponent), sigma, G_c


@law
def fill_still(m, x, opens, still):
    """Fill what a piece x has in every state (STILL,): its threshold over that of the threshold size, the grip of an
    edge on it alone and on a stack of two, its mean chance `opens` at a hole that is open.
    """
    still[THRESHOLD] = breakage.threshold_at(x, 1.0, m.threshold_size, m.threshold_exponent)
    still[GRIP], still[GRIP_PAIR] = grip(m, x), grip(m, 2.0 * x)
    still[OPEN_HOLE] = opens


@law
def pass_open_hole(m, x):
    """Mean chance that a piece x gets through a hole that is open, over slow and skimming contacts."""
    return sieving.pass_open(m.shape * x / m.hole, m.plate / m.hole, m.slow_share, m.skim_ratio_low, m.skim_ratio_high)


@law
def piece_warmth(m, s, k, x, strike, pin, age):
    """(share warmed from feed to chamber, self-heating [K]) of pieces x that have been in for `age` seconds.

    Impact heat is set free in the piece; rubbing heat goes into the wall, which conducts a hundred times better.
    """
    if s.lumped > 0.0:
        return 1.0, 0.0
    v = (1.0 - k.kappa) * s.v
    film = m.film_factor * heat.film_coefficient(x, v, k.rho_air, k.mu_air, air.CONDUCTIVITY, air.PRANDTL)
    q = strike * (k.heat_bar + pin * k.heat_pin)
    t_warm = heat.warming_time(x, m.density, m.specific_heat, m.conductivity, film)
    return heat.warmed_share(t_warm, age), heat.self_heating(q, m.density, x, film)


@law
def fill_nip(m, s, x, sigma, reach, engaged, still, row):
    """Fill the nip columns of a row: bites per second of a piece alone in its nip, and what a bite costs.

    NIP counts bites of a piece that stands out of the gap alone, PAIR those of a piece that another one, no smaller,
    props across the gap, before the chance that there is one (`bites.bitten_class`); FINISHED is the chance that a
    bite is finished (a light hammer folds back instead).
    """
    row[NIP], row[PAIR], row[FINISHED], row[WASTED] = 0.0, 0.0, 1.0, 0.0
    row[SHEAR] = cutting.shear_energy(sigma, m.density, x, row[F_MAT], row[XW_MIN])
    piece = m.density * pi / 6.0 * x**3
    # Pieces that share one meeting of bar and pin, per kg of them: the nip rate over the rate of meetings.
    row[WINDOW] = engaged * (1.0 - m.layer_speed_ratio) * (m.d_pin + x) / (2.0 * pi * m.R_stator) / piece
    row[WINDOW] *= m.face / m.H
    if m.n_pins <= 0.0:
        return
    meets = reach * motion.pin_share(m.n_pins, m.d_pin, x, m.R_stator)
    row[NIP] = meets * still[GRIP] * overlap(m, x, cutting.shear_force(sigma, x))
    row[PAIR] = meets * still[GRIP_PAIR] * m.bridge_grip
    if m.swinging > 0.0:
        laid = (s.v / (s.omega * m.R)) ** 2  # a hammer that lies back is slower and shorter (assumed: both alike)
        row[NIP], row[PAIR] = row[NIP] * laid, row[PAIR] * laid
        given = cutting.hammer_energy(m.hammer_mass, s.v) / piece
        row[FINISHED] = cutting.hammer_bite(given, row[SHEAR])
        row[WASTED] = min(given, row[SHEAR])


@law
def grip(m, x):
    """Chance that an edge grips a piece (or a stack) x in its nip instead of pushing it out; of several kinds the mean.

    The bar's face counts as round as the pin: the pin's flank decides whether a piece slips off (assumed).
    """
    angle = cutting.nip_angle(0.5 * m.d_pin, 0.5 * m.d_pin, m.gap, x)
    first = cutting.bite_probability(angle, m.bite_friction, m.nip_width)
    grips = first
    for j in range(m.other_share.size):
        if m.other_share[j] > 0.0:
            grips += m.other_share[j] * (cutting.bite_probability(angle, m.other_bite_friction[j], m.nip_width) - first)
    return grips


@law
def overlap(m, x, force):
    """Share of a piece that stands out of the gap, spread by run-out and opened by slender pins under a force [N]."""
    give = min(force, m.pin_force) / m.pin_stiffness if m.pin_stiffness > 0.0 else 0.0
    return cutting.overlap_share(x, m.gap + give, m.run_out)


@law
def fill_cut(m, x, sigma, G_c, row):
    """Fill the chip columns of a row: plastic work and surface energy of a chip, its zone and least size, and the
    energy on the edge [J/kg of piece] from which one comes off; what dust costs [J/kg].
    """
    zone = cutting.process_zone(m.crack_ratio, m.modulus, G_c, sigma)
    r = min(m.edge_radius, zone)  # a brittle piece cracks off before a blunt edge has ploughed its whole radius
    row[CUT_A], row[CUT_ZONE] = m.cut_factor * sigma, zone
    row[CUT_G] = cutting.separation_energy(G_c, m.plough_factor, sigma, r)
    row[CUT_LEAST] = m.plough_ratio * r
    row[CUT_FROM] = chips_from(m, x, row[CUT_LEAST], row[CUT_A], zone, row[CUT_G])
    row[DUST_J] = cutting.cutting_energy(m.cut_factor, sigma, G_c, 0.5 * m.fines_limit, m.density)


@law
def chips_from(m, x, least, A, zone, G):
    """Energy on the edge [J/kg of piece] from which the least chip comes off a piece x; NEVER: too thick."""
    return cutting.chip_energy(least, A, zone, G) / (m.density * x**3) if least <= 0.25 * x else NEVER


@law
def dust_of(attrition_share, dust_J, rub):
    """Mass share rubbed off as dust, which costs dust_J [J/kg], by the rubbing heat of one strike [J/kg]; at most 5 %.

    Archard's idea as an energy: a share of the rubbing work cuts the finest chips (assumed; 3e-4 lies far above wear by
    smooth steel and far below a file).
    """
    return min(0.05, attrition_share * max(0.0, rub) / dust_J)


@law
def size_rates(m, s, k, x, age, still, row):
    """Fill one row of the rate table (RATE_COLUMNS) for pieces of size x [m] that came in `age` seconds ago.

    still: as `fill_still` left it.
    """
    engaged = k.exposed * motion.engagement(m.gap, k.depth, m.scatter_depth, x)
    reach = k.passes * engaged
    v_bar = (1.0 - m.layer_speed_ratio) * s.v
    tau = motion.relaxation_time(x, m.density, v_bar, k.rho_air, k.mu_air)
    hits_bar = motion.impact_efficiency(tau, v_bar, m.face)
    row[STRIKE], row[PIN] = reach * hits_bar, 0.0
    if m.n_pins > 0.0:  # a piece thrown into a deep layer meets other pieces, not a pin
        follows = k.exposed * motion.impact_efficiency(tau, k.v_throw, m.d_pin)
        row[PIN] = motion.pin_share(m.n_pins, m.d_pin, x, m.R_stator) * follows
    row[WARMED], row[SELF] = piece_warmth(m, s, k, x, row[STRIKE], row[PIN], age)
    T = m.T_feed + (s.T + row[SELF] - m.T_feed) * row[WARMED]
    row[F_MAT], xw_min, sigma, G_c = strength_at(m, T)
    row[XW_MIN] = xw_min * still[THRESHOLD]
    fill_cut(m, x, sigma, G_c, row)
    row[CONTACT] = m.sieve_share * m.wall_contacts * row[STRIKE]
    z = m.shape * x / m.hole  # air lifts what lies open, not what is buried
    row[AIRBORNE] = k.exposed * (1.0 - hits_bar) * s.Q / m.chamber_volume * max(0.0, 1.0 - z) ** 2
    fill_nip(m, s, x, sigma, reach, engaged, still, row)


@law
def open_to_pass(m, s):
    """Chance that a wall contact meets an open hole in this state."""
    return sieving.open_to_pass(m.sieve_factor, m.open_share, m.usable_open, s.unblinded)


class AirCurve(NamedTuple):
    """What drives and resists the air: fan [Pa] at rest and its free flow [m3/s]; losses k Q^2 of sieve and inlet
    [Pa s2/m6], k Q of the filter [Pa s/m3]; flow at chamber temperature."""

    fan_Pa: float
    free_flow: float
    sieve: float
    inlet: float
    filter: float


@law
def swirl(m, flow):
    """Speed of the air over that of the bars; flow: air through the mill over rotor speed [m3]."""
    H = m.H * m.swept_share
    return air.air_swirl(
        m.n_bars, m.drag_coefficient, H, m.R, m.r_drag, m.n_pins, m.pin_drag, m.d_pin, m.wall_friction, m.R_stator, flow
    )


@law
def air_curve(m, T, omega, unblinded):
    """The AirCurve of the mill at a temperature [K], rotor speed [rad/s] and unblinded share of the sieve.

    The fan's pressure is that of the swirl without flow, which overstates it a little (assumed: no loop).
    """
    rho, rho_room = air.air_density(T), air.air_density(m.T_room)
    v = omega * m.R
    dp = m.fan * air.fan_pressure(rho, swirl(m, 0.0), v, v * m.r_hub / m.R)
    Q_max = air.fan_flow_max(m.fan_flow_coefficient, m.R, m.H, v)
    f = max(1e-3, m.open_share * m.usable_open * unblinded)
    sieve = 0.5 * rho * air.plate_loss(f, m.plate / m.hole) / m.sieve_area**2
    inlet = 0.5 * rho_room * m.inlet_loss * (rho / rho_room / m.inlet_area) ** 2  # it takes in cold air
    cloth = m.filter_resistance / m.filter_area if m.filter_area > 0.0 else 0.0
    return AirCurve(dp, Q_max, sieve, inlet, cloth)


@law
def air_flow_at(m, T, omega, unblinded):
    """Air flow [m3/s, at chamber temperature] through inlet, rotor, sieve and filter."""
    c = air_curve(m, T, omega, unblinded)
    return air.air_flow(c.fan_Pa, c.free_flow, m.blower, c.sieve + c.inlet, c.filter)


@law
def feedback_air(m, s):
    """Air flow [m3/s, at chamber temperature] in this state."""
    return air_flow_at(m, s.T, s.omega, s.unblinded)


@law
def feedback_speed(m, P):
    """Rotor speed [rad/s] at shaft power P [W], from the drive's speed curve."""
    i = 0
    while i < CURVE_POINTS - 2 and P > m.curve_power[i + 1]:
        i += 1
    return drive.speed_under_load(P, m.curve_power[i], m.curve_speed[i], m.curve_power[i + 1], m.curve_speed[i + 1])


@law
def socket_power(m, P):
    """Power [W] from the socket at shaft power P [W]: by the motor's own loss where known, else its efficiency."""
    if m.no_load <= 0.0:
        return P / m.efficiency
    return drive.motor_input(P, m.rated_power, m.efficiency, m.no_load)


@law
def balanced_speed(m, P, omega):
    """Rotor speed [rad/s] at which the motor gives what a charge takes that takes P [W] at speed omega.

    On the speed curve as far as the motor's overload; beyond, the motor gives its most and the rotor labours.
    """
    most = m.overload * m.rated_power
    low, high = feedback_speed(m, most), m.omega_0
    if drive.power_at_speed(P, low, omega) > most:
        return max(0.2 * m.omega_0, drive.labouring_speed(most, P, omega))
    for _ in range(50):
        middle = 0.5 * (low + high)
        if feedback_speed(m, drive.power_at_speed(P, middle, omega)) > middle:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@law
def overload_share(m, P, omega):
    """Power the charge would take at the motor's lowest lasting speed over the motor's overload; above 1 it labours."""
    most = m.overload * m.rated_power
    return drive.power_at_speed(P, feedback_speed(m, most), omega) / most


@law
def idle_speed(m, T):
    """Rotor speed [rad/s] of the empty mill: where the motor's curve meets windage and bearings."""
    low, high = 0.2 * m.omega_0, m.omega_0
    for _ in range(50):
        middle = 0.5 * (low + high)
        windage, bearings = idle_power(m, middle, T)
        if feedback_speed(m, windage + bearings) > middle:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@law
def idle_power(m, omega, T):
    """Windage and bearing power [W] of the empty mill, its sieve clear."""
    k = swirl(m, air_flow_at(m, T, omega, 1.0) / omega)
    H = m.H * m.swept_share
    windage = m.windage_factor * air.windage_power(
        m.n_bars, air.air_density(T), m.drag_coefficient, H, omega, k, m.R, m.r_drag
    )
    return windage, m.bearing_torque * omega
