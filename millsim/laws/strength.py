"""Strength and running: stresses, loads, critical speed, balance, hammers that swing back, what flies, run-down.

Plain functions, nothing compiled: the pre-build review calls each once. Screening formulas of a handbook, each for one
simple part; not a design code. Handbooks are named from memory: Roark (Formulas for Stress and Strain), Shigley
(Mechanical Engineering Design), Johnson 1985 (Contact Mechanics). What names no source is derived: geometry or statics.
"""

from math import acos, atan, pi, sin, sqrt

TIP_CAP = 80.0  # m/s of a home-made rotor (assumed: the top of what the model is meant for)


def bar_stress(rho: float, v_tip: float, v_root: float = 0.0) -> float:
    """Tension [Pa] at radius of speed v_root in a uniform bar that ends at v_tip: rho (v_tip^2 - v_root^2) / 2.

    v_root 0: at the axis of a bar across the shaft, the highest. Roark, rotating bar.
    """
    return 0.5 * rho * (v_tip * v_tip - v_root * v_root)


def ring_stress(rho: float, v: float) -> float:
    """Hoop tension [Pa] in a thin ring at rim speed v: rho v^2. Roark, rotating ring; Shigley, flywheels."""
    return rho * v * v


def centrifugal_force(m: float, r: float, omega: float) -> float:
    """Pull [N] of a mass whose centre is at radius r: m r omega^2 (Newton)."""
    return m * r * omega * omega


def shear_stress(F: float, area: float, planes: float) -> float:
    """Mean shear stress [Pa] of a pin or screw cut across in so many planes: F / (planes A). Shigley."""
    return F / (planes * area)


def round_area(d: float) -> float:
    """Cross-section [m2] of a round pin: pi d^2 / 4."""
    return 0.25 * pi * d * d


def bearing_pressure(F: float, d: float, t: float) -> float:
    """Pressure [Pa] of a pin d in a hole of depth t: F / (d t), on the projected area. Shigley."""
    return F / (d * t)


def core_diameter(d: float, pitch: float) -> float:
    """Core of a metric thread [m]: d - 1.22687 pitch, 17/12 of sqrt(3)/2 pitch (ISO 68-1 profile, from memory)."""
    return d - 1.22687 * pitch


def cantilever_moment(F: float, L: float) -> float:
    """Largest bending moment [N m] of a pin held at one end, force at the other: F L. Roark, Shigley."""
    return F * L


def beam_moment(F: float, L: float) -> float:
    """Largest bending moment [N m] of a pin resting on both ends, force in the middle: F L / 4. Roark, Shigley.

    Ends that are clamped hard would halve it again; holes in a housing do not clamp.
    """
    return 0.25 * F * L


def spread_moment(F: float, L: float) -> float:
    """Largest bending moment [N m] of a pin on both ends, its load spread evenly over the length L: F L / 8. Roark."""
    return 0.125 * F * L


def across_hub(F: float, n: int) -> float:
    """Largest pull [N] that n even arms, each pulling outward with F, put across any cut through the axis.

    Sum of F cos over the arms of one half, in the worst direction (statics): F / sin(pi / n) for even n,
    F / (2 sin(pi / (2 n))) for odd n; a single arm counts whole, as its counterweight answers it.
    """
    if n < 2:
        return F
    return F / sin(pi / n) if n % 2 == 0 else 0.5 * F / sin(0.5 * pi / n)


def bending_stress(M: float, d: float) -> float:
    """Bending stress [Pa] of a round pin: 32 M / (pi d^3). Roark, Shigley."""
    return 32.0 * M / (pi * d**3)


def flat_bending_stress(M: float, b: float, h: float) -> float:
    """Bending stress [Pa] of a rectangular bar, h deep along the force and b across: 6 M / (b h^2). Roark, Shigley."""
    return 6.0 * M / (b * h * h)


def flat_for_moment(M: float, b: float, stress: float) -> float:
    """Depth [m] along the force at which a bar b wide has that stress: sqrt(6 M / (b stress))."""
    return sqrt(6.0 * M / (b * stress))


def pin_for_moment(M: float, stress: float) -> float:
    """Diameter [m] at which a bending moment gives that stress: (32 M / (pi stress))^(1/3)."""
    return (32.0 * M / (pi * stress)) ** (1.0 / 3.0)


def thermal_growth(alpha: float, R: float, dT: float) -> float:
    """How much a radius grows [m] when the part warms by dT [K]: alpha R dT (handbook)."""
    return alpha * R * dT


def second_moment(d: float) -> float:
    """Second moment of area [m4] of a round shaft: pi d^4 / 64."""
    return pi * d**4 / 64.0


def overhung_speed(E: float, I: float, m: float, L: float, span: float = 0.0) -> float:
    """First critical speed [rad/s] of a mass m at the end of an overhang L: sqrt(3 E I / (m L^2 (L + span))).

    span: between the two bearings, on which the shaft is free to tilt; 0: built in, a plain cantilever. The shaft
    counts as without mass and the bearings as rigid. Deflection: Roark, Shigley (beam with overhang).
    """
    return sqrt(3.0 * E * I / (m * L * L * (L + span)))


def midspan_speed(E: float, I: float, m: float, span: float) -> float:
    """First critical speed [rad/s] of a mass midway between two bearings: sqrt(48 E I / (m span^3)). Shigley."""
    return sqrt(48.0 * E * I / (m * span**3))


def permitted_eccentricity(G: float, omega: float) -> float:
    """How far the centre of mass may be off the axis [m]: G / omega, G [m/s] the balance grade.

    ISO 21940-11 (from memory): G6.3 means 6.3 mm/s.
    """
    return G / omega


def permitted_mass(e: float, m: float, r: float) -> float:
    """Mass [kg] at radius r that puts the centre of a rotor m off by e: e m / r (statics)."""
    return e * m / r


def restoring_moment(m: float, omega: float, r_pivot: float, l: float) -> float:
    """What turns a hammer back outwards, per sine of its lay-back angle [N m]: m omega^2 r_p l.

    l: pivot to centre of mass. A pendulum in the field of the centrifugal force (mechanics; exact for any angle).
    """
    return m * omega * omega * r_pivot * l


def bar_inertia(m: float, L: float) -> float:
    """Moment of inertia [kg m2] of a uniform bar of length L about its end, or of bars across a shaft with tips at L.

    m L^2 / 3 (handbook).
    """
    return m * L**2 / 3.0


def swing_back(I: float, k: float, rate: float) -> float:
    """Angle [rad] to which a hammer swings back when a blow leaves it slower by `rate` [rad/s].

    Energy: I rate^2 / 2 = k (1 - cos angle), k the restoring moment; beyond half a turn it goes right over (pi).
    """
    return acos(max(-1.0, 1.0 - 0.5 * I * rate * rate / k))


def speed_lost(v: float, E: float, taken: float) -> float:
    """Tip speed [m/s] that a hammer of energy E at speed v loses when a bite takes energy: v (1 - sqrt(1 - taken/E)).

    All of it where the bite would take more than there is.
    """
    return v * (1.0 - sqrt(max(0.0, 1.0 - taken / E)))


def speed_lost_by_hit(v_rel: float, e: float, m_piece: float, m_hammer: float) -> float:
    """Tip speed [m/s] a hammer loses by hitting a piece: (1 + e) v_rel m_p / (m_p + m_h/3).

    A uniform hammer struck at its tip counts with a third of its mass (derived: inertia over length squared).
    """
    return (1.0 + e) * v_rel * m_piece / (m_piece + m_hammer / 3.0)


def impact_force(v: float, d: float, rho: float, pressure: float) -> float:
    """Peak force [N] of a ball d that flattens against a wall: v sqrt(2 pi R p m), R = d/2.

    p: mean contact pressure, 2 to 2.8 times the yield stress. Johnson 1985, plastic impact.
    """
    mass = rho * pi / 6.0 * d**3
    return v * sqrt(pi * d * pressure * mass)


def shaft_torque(P: float, omega: float) -> float:
    """Torque [N m] of power P at that speed: P / omega."""
    return P / omega


def bar_half_energy(m: float, v_tip: float) -> float:
    """Energy [J] that half a bar m, broken off at the axis, takes along: m v^2 / 6."""
    return m * v_tip * v_tip / 6.0


def wall_energy(E_known: float, t_known: float, t: float) -> float:
    """Energy [J] a wall of thickness t stops, where one of t_known stops E_known: E (t / t_known)^1.5.

    The exponent of the formulas of De Marre type for plates (from memory). An estimate, not a containment calculation.
    """
    return E_known * (t / t_known) ** 1.5


def coast_down(I: float, omega: float, T_bearing: float, P_wind: float) -> float:
    """Time [s] to standstill without feed: bearing torque stays, air drag falls with the square of the speed.

    I dw/dt = -(T + c w^2), c = P_wind / omega^3: t = I / sqrt(T c) atan(omega sqrt(c / T)) (integrated); T, c above 0.
    """
    c = P_wind / omega**3
    return I / sqrt(T_bearing * c) * atan(omega * sqrt(c / T_bearing))


def dust_concentration(rate: float, share: float, Q: float) -> float:
    """Dust in air [kg/m3]: the share of a powder rate [kg/s] that is dust, in an air flow Q [m3/s]."""
    return rate * share / Q
