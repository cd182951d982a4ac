"""Edges: chips taken off at each hit, and pieces sheared in the nip between bar and pin. Reasons: cutting.md."""

from math import acos, atan, exp, pi, sqrt

from ..base.numerics.jit import law


@law
def cutting_energy(C, sigma_y, G_c, h, rho):
    """Specific energy [J/kg] to cut chips of thickness h [m]: (C sigma_y + G_c / h) / rho.

    Source: energy balance of orthogonal cutting of polymers, Patel, Blackman & Williams 2009, Eng. Fract. Mech.
    76:2711, abstract: HIPS and PA 4/6, 0.025 to 0.25 mm deep.
    """
    return (C * sigma_y + G_c / h) / rho


@law
def yield_at(Y, slope, T, T_known):
    """Yield stress [Pa] at temperature T, known at T_known with its slope [Pa/K]; at least a tenth of it.

    Source: assumed, a straight line; the floor keeps hot material from having no strength at all.
    """
    return max(0.1 * Y, Y + slope * (T - T_known))


@law
def chip_thickness(h_edge, x):
    """Chip thickness [m]: what the edge takes, but at most a quarter of the piece (assumed: else it is a split)."""
    return min(h_edge, 0.25 * x)


@law
def chip_share(edge_share, W, w_cut):
    """Mass share chipped off in one hit: the edge's share of W over the cutting energy, at most 5 %.

    Source: derived, energy over energy; the cap is assumed: more than that in one hit is breakage, not a chip.
    """
    return min(0.05, edge_share * W / w_cut)


@law
def chipped_size(xi):
    """(size over the size before, ln of that) of a piece that loses the mass share xi <= 0.05: (1 - xi)^(1/3).

    Series, exact to rounding within that range (derived): ln(1 - xi) = -2 artanh(w), w = xi / (2 - xi); then exp.
    Products of constants instead of quotients: a hit is too frequent for a library logarithm and exponential.
    """
    w = xi / (2.0 - xi)
    q = w * w
    s = -2.0 / 3.0 * w * (1.0 + q * (1.0 / 3.0 + q * (1.0 / 5.0 + q * (1.0 / 7.0 + q * (1.0 / 9.0)))))
    e = s * (1.0 / 120.0 + s * (1.0 / 720.0 + s * (1.0 / 5040.0)))
    return 1.0 + s * (1.0 + s * (0.5 + s * (1.0 / 6.0 + s * (1.0 / 24.0 + e)))), s


@law
def shear_energy(sigma_y, rho):
    """Specific energy [J/kg] to shear a sphere in two: F d / 4 with F = tau pi d^2 / 4, tau = sigma_y / sqrt 3.

    It does not depend on size: (3/8) tau / rho. Source: derived with the shear yield of von Mises 1913; F over a
    quarter of the diameter is assumed: a ductile piece parts before it is sheared right across.
    """
    return 0.375 * sigma_y / sqrt(3.0) / rho


@law
def shear_force(sigma_y, d):
    """Force [N] to shear a piece of diameter d: tau pi d^2 / 4, tau = sigma_y / sqrt 3 (von Mises 1913)."""
    return sigma_y / sqrt(3.0) * pi * d * d / 4.0


@law
def nip_angle(r_1, r_2, gap, d):
    """Angle [rad] between the contact tangents of a sphere d caught by two round parts a gap apart.

    Law of cosines in the triangle of the three centres. Source: derived, as for the rolls of a roll crusher
    (handbook).
    """
    a, b, c = r_1 + 0.5 * d, r_2 + 0.5 * d, r_1 + r_2 + gap
    cos_A = (a * a + b * b - c * c) / (2.0 * a * b)
    return pi - acos(min(1.0, max(-1.0, cos_A)))


@law
def bite_probability(angle, mu, width):
    """Probability that the edge grips a piece: logistic about the friction limit 2 atan(mu).

    Source: the limit is that of roll crushers (handbook); its blur is assumed: shape and inertia, see cutting.md.
    """
    return 1.0 / (1.0 + exp((angle - 2.0 * atan(mu)) / width))


@law
def overlap_share(x, gap):
    """Share of a piece that stands out of the gap, (x - g) / x; zero for pieces that fit through.

    Source: assumed, a bite takes in proportion to what stands out; pieces thinner than the gap feel nothing.
    """
    return max(0.0, (x - gap) / x)


@law
def screening(n_larger, n_equal):
    """Probability that a piece is the one that carries the load in its nip.

    Pieces share a nip by chance (Poisson): none of the larger ones may be there, and among n_equal equals
    each is as likely to carry: exp(-n_larger) (1 - exp(-n_equal)) / n_equal. Source:
    derived; that the largest props the gap open for all others is assumed (geometry of a rigid bar and pin).
    """
    if n_equal < 1e-6:
        return exp(-n_larger) * (1.0 - 0.5 * n_equal)
    return exp(-n_larger) * (1.0 - exp(-n_equal)) / n_equal


@law
def hammer_energy(m_hammer, v):
    """Energy [J] a swinging hammer can give in one blow: m v^2 / 6.

    Source: derived, a uniform bar struck at its tip counts with inertia over length squared, a third of its mass.
    """
    return m_hammer * v * v / 6.0


@law
def hammer_bite(E_hammer, E_needed):
    """Probability that a hammer finishes a bite instead of folding back: E^2 / (E^2 + E_needed^2).

    Source: assumed, one half at equal energies, four of five at twice the energy.
    """
    return E_hammer * E_hammer / (E_hammer * E_hammer + E_needed * E_needed)


@law
def hammer_speed_share(energy_per_pass, E_hammer):
    """Effective over nominal tip speed of a hammer that gives up energy_per_pass [J] each turn.

    1 / (1 + energy_per_pass / E_hammer): the pivot must give it back before the next blow (assumed).
    """
    return 1.0 / (1.0 + energy_per_pass / E_hammer)
