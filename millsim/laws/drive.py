"""Motor and rotor: speed under load, stored energy, the jam index, the feed opening. Reasons: drive.md."""

from math import sqrt

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
def motor_input(P, P_rated, efficiency, no_load):
    """Electrical power [W] of a motor that gives P [W] at its shaft and takes no_load [W] with nothing on it.

    A loss that is always there, and one that grows with the square of the load and fills what the efficiency at the
    rated power leaves. Source: constant and load losses, as motors are tested by (IEC 60034-2-1, from memory).
    """
    load_loss = max(0.0, P_rated * (1.0 / efficiency - 1.0) - no_load)
    return no_load + P + load_loss * (P / P_rated) ** 2


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
