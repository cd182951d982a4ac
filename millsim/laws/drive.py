"""Motor and rotor: speed under load, stored energy, the jam index, the feed opening. Reasons: drive.md."""

from math import exp, sqrt

from ..base.numerics.jit import law
from .openings import ARCHING


@law
def speed_under_load(P, P_1, w_1, P_2, w_2):
    """Rotor speed [rad/s] at shaft power P [W] on the straight line through two measured points.

    Below a fifth of the first speed the motor counts as stalled and the line ends. Source: assumed, two points are
    what a builder can measure; a fifth is far below where any motor is used.
    """
    return max(0.2 * w_1, w_1 + (w_2 - w_1) * (P - P_1) / (P_2 - P_1))


@law
def own_loss(P_read, omega, omega_read):
    """Power [W] that a motor with nothing on it takes at no-load speed omega, read as P_read [W] at omega_read.

    It grows with the square of the speed. Source: assumed, between friction of bearings and brushes (1) and its fan
    (3); a motor that is loaded at the same setting keeps it, though it turns slower.
    """
    return P_read * (omega / omega_read) ** 2


@law
def load_loss(P_rated, efficiency, no_load):
    """Loss [W] at rated power that the load adds to no_load [W]: what the efficiency there leaves (derived)."""
    return max(0.0, P_rated * (1.0 / efficiency - 1.0) - no_load)


@law
def motor_input(P, P_rated, efficiency, no_load):
    """Electrical power [W] of a motor that gives P [W] at its shaft and takes no_load [W] with nothing on it.

    A loss that is always there, and one that grows with the square of the load and fills what the efficiency at the
    rated power leaves. Source: constant and load losses, as motors are tested by (IEC 60034-2-1, from memory).
    """
    return no_load + P + load_loss(P_rated, efficiency, no_load) * (P / P_rated) ** 2


@law
def motor_output(P_in, P_rated, efficiency, no_load):
    """Power [W] at the shaft of a motor that draws P_in [W]: `motor_input` turned round; 0 up to no_load (derived)."""
    above = max(0.0, P_in - no_load)
    bend = load_loss(P_rated, efficiency, no_load) / P_rated**2
    return 2.0 * above / (1.0 + sqrt(1.0 + 4.0 * bend * above))


def short_time_duty(t, tau):
    """Share of its loss at rated power that a motor rated for a time t [s] (S2 of IEC 60034-1) can bear for ever.

    t over which it warms to its limit with the time constant tau [s]: 1 - exp(-t / tau). Source: derived, one heat
    store; tau is not on any plate.
    """
    return 1.0 - exp(-t / tau)


def lasting_share(duty, no_load, load_loss):
    """Share of its rated power that a motor keeps up without end, of whose loss at rated power it bears `duty`.

    no_load, load_loss [W]: its own loss, and what the load adds at rated power with the square of it. 0 where it gets
    too hot with nothing on it. Source: derived; S3 of IEC 60034-1 for duty (from memory).
    """
    return sqrt(max(0.0, duty * (no_load + load_loss) - no_load) / load_loss) if load_loss > 0.0 else duty


@law
def tool_speed(P, omega_0, P_rated, loss, beyond):
    """Speed [rad/s] of a tool at shaft power P [W]: it loses the share `loss` up to P_rated, `beyond` per P_rated more.

    Source: assumed, straight lines. A series motor without electronics goes on as it began; electronics hold the speed
    up to the rated power, and beyond it the motor gives way as one without.
    """
    held = min(P, P_rated) / P_rated
    return omega_0 * (1.0 - loss * held - beyond * max(0.0, P / P_rated - 1.0))


@law
def power_at_speed(P, omega, omega_ref):
    """Shaft power [W] at another speed and the same charge: strike rate times v^2, as windage, so omega^3 (derived)."""
    return P * (omega / omega_ref) ** 3


@law
def labouring_speed(P_most, P, omega):
    """Speed [rad/s] at which a load that takes P at omega takes no more than P_most: omega (P_most / P)^(1/3).

    Source: derived, the inverse of `power_at_speed`.
    """
    return omega * (P_most / P) ** (1.0 / 3.0)


@law
def kinetic_energy(I, omega):
    """Stored energy [J] of the rotor: I omega^2 / 2 (handbook)."""
    return 0.5 * I * omega * omega


@law
def jam_energy_index(mean, variance, KE, jam_share):
    """Energy of an unlucky bar pass (mean plus three standard deviations) over the share of KE that may go.

    mean [J] and variance [J2] of the energy that bites take in one bar pass. Above 1 the rotor is expected to
    jam. Source: assumed: a pass that takes a good part of the stored energy leaves too little for the next; three
    deviations, because of thousands of passes the unluckiest counts.
    """
    return (mean + 3.0 * sqrt(variance)) / (jam_share * KE)


@law
def opening_flow(bulk_density, D, d):
    """Largest gravity flow [kg/s] of pieces d through a round opening D: 0.58 rho_b sqrt(g) (D - 1.4 d)^2.5.

    Source: Beverloo, Leniger & van de Velde 1961, Chem. Eng. Sci. 15:260 (from memory). Zero where it arches.
    """
    free = D - ARCHING * d
    if free <= 0.0:
        return 0.0
    return 0.58 * bulk_density * sqrt(9.80665) * free**2.5
