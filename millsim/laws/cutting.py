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
def process_zone(c_p, E, G_c, sigma_y):
    """Size [m] of the yielding zone ahead of a crack: c_p E G_c / sigma_y^2.

    Source: Irwin and Dugdale zone, pi/8 E G_c / sigma_y^2 in plane stress (from memory); c_p is its prior.
    """
    return c_p * E * G_c / (sigma_y * sigma_y)


@law
def separation_energy(G_c, k_p, sigma_y, r):
    """Energy per area [J/m2] to part a chip with an edge of radius r [m]: G_c + k_p sigma_y r.

    Source: ploughing term of cutting with a blunt tool, Blackman, Hoult, Patel & Williams 2013, Eng. Fract. Mech. 101
    (that there is one: abstract; its size assumed).
    """
    return G_c + k_p * sigma_y * r


@law
def plastic_work(C, sigma_y, zone, h):
    """Plastic work [J/m3] in a chip h [m] thick: C sigma_y, less where it is thicker than the zone and cracks off.

    Source: Patel, Blackman & Williams 2009, Eng. Fract. Mech. 76:2711, thin chips; the limit min(1, zone/h): assumed.
    """
    return C * sigma_y * min(1.0, zone / h)


@law
def chip_energy(h, A_thin, zone, G):
    """Energy [J] of one chip of size h [m]: h^2 (A(h) h + G), with A = A_thin min(1, zone/h) [J/m3] (derived)."""
    return h * h * (A_thin * min(h, zone) + G)


@law
def chip_paid(energy, A_thin, zone, G):
    """Largest chip [m] that an energy [J] pays: the inverse of `chip_energy`.

    Beyond the zone a square root; else Newton from above on a convex function (derived).
    """
    if energy <= 0.0:
        return 0.0
    h = sqrt(energy / (A_thin * zone + G))
    if h > zone:
        return h
    h = min((energy / A_thin) ** (1.0 / 3.0), sqrt(energy / G))
    for _ in range(6):
        step = (h * h * (A_thin * h + G) - energy) / (h * (3.0 * A_thin * h + 2.0 * G))
        h -= step
        if step < 1e-9 * h:  # the next one were of the square of that
            break
    return h


@law
def chip_share(paid, least, w_cut):
    """Mass share chipped off in one hit that pays `paid` [J/kg] on the edge, `least` of it for the first chip.

    (paid - least) / w_cut, at most 5 %. Source: derived, energy over energy; nothing at the threshold, where the edge
    only ploughs; the cap is assumed: more than that in one hit is breakage, not a chip.
    """
    return min(0.05, max(0.0, paid - least) / w_cut)


@law
def log_left(share):
    """ln(1 - share) of what is left of a piece that loses a mass share of at most 0.1, exact to rounding.

    Series -2 artanh(w), w = share / (2 - share) (derived). Products of constants instead of quotients: a hit is too
    frequent for a library logarithm.
    """
    w = share / (2.0 - share)
    q = w * w
    odd = 1.0 / 3.0 + q * (1.0 / 5.0 + q * (1.0 / 7.0 + q * (1.0 / 9.0 + q * (1.0 / 11.0))))
    return -2.0 * w * (1.0 + q * odd)


@law
def chipped_size(xi):
    """(size over the size before, ln of that) of a piece that loses the mass share xi <= 0.05: (1 - xi)^(1/3).

    Series for the exponential too, exact to rounding within that range (derived).
    """
    s = log_left(xi) / 3.0
    e = s * (1.0 / 120.0 + s * (1.0 / 720.0 + s * (1.0 / 5040.0)))
    return 1.0 + s * (1.0 + s * (0.5 + s * (1.0 / 6.0 + s * (1.0 / 24.0 + e)))), s


@law
def shear_energy(sigma_y, rho, x, f_mat, xw_min):
    """Specific energy [J/kg] to part a piece in a nip: the smaller of shearing it and of breaking it.

    Ductile: F d / 4 with F = tau pi d^2 / 4, tau = sigma_y / sqrt 3 (von Mises 1913): (3/8) tau / rho at any size; that
    it parts after a quarter of the way is assumed. Brittle: the energy at which half the pieces break in an impact,
    (xw_min + ln 2 / f_mat) / x; slow and fast crushing energies agree within a factor of two (Tavares & King 1998, Int.
    J. Miner. Process. 54:1, from memory). The force is `shear_force` either way: for a tensile strength of half the
    yield the splitting force 0.9 F / x^2 (Hiramatsu & Oka 1966, from memory) is larger.
    """
    return min(0.375 * sigma_y / sqrt(3.0) / rho, (xw_min + 0.6931471805599453 / f_mat) / x)


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
def overlap_share(x, gap, run_out):
    """Share of a piece that stands out of the gap, (x - g) / x; zero for pieces that fit through.

    Tips that run out of true by `run_out` [m] meet every gap between g - run_out and g + run_out: the mean.
    Source: assumed, a bite takes in proportion to what stands out; pieces thinner than the gap feel nothing.
    """
    if run_out <= 0.0:
        return max(0.0, (x - gap) / x)
    wide, tight = max(0.0, x - gap - run_out), max(0.0, x - gap + run_out)
    return (tight * tight - wide * wide) / (4.0 * run_out * x)


@law
def bridging(larger, reaching, own, by_larger, by_own):
    """Mean share of a piece that stands out of the gap because another one, no smaller, props it.

    Of the pieces in one nip the second largest is sheared against the largest; further ones are screened. larger, own:
    mean numbers of larger pieces in line with it and of its own size; reaching: those of the larger that reach across
    the gap with it, all of them where two of its own size do; by_larger, by_own: the share of it that then stands out,
    (x_1 + x_2 - g)/x. Pieces share a nip by chance (Poisson); the chance to be second is derived.
    """
    share, _, second = thinned(own)
    return exp(-larger) * (by_own * second + reaching * by_larger * share)


def pin_bending_force(sigma_y, d, L, both_ends):
    """Force [N] that bends a round pin for good: sigma_y pi d^3 / (32 L) at a free end, 4 times that in the middle
    between two pinned ends (handbook).
    """
    return sigma_y * pi * d**3 / (32.0 * L) * (4.0 if both_ends > 0.0 else 1.0)


def pin_stiffness(E, d, L, both_ends):
    """Stiffness [N/m] of a round pin: 3 E I / L^3 at a free end, 48 E I / L^3 between two pinned ends (handbook)."""
    return (48.0 if both_ends > 0.0 else 3.0) * E * pi * d**4 / 64.0 / L**3


@law
def thinned(t):
    """(share, left, second) of t pieces on average, spread by chance: (1 - e^-t) / t, e^-t and what the first has more.

    The share of them that come first where they are, the chance that there is none, the share that come second. Source:
    derived (Poisson); to 1e-14 of each, near 0 too, where they are 1, 1 and t/2: by the series, without a division.
    """
    if abs(t) > 0.03:
        left = exp(-t)
        share = (1.0 - left) / t
        return share, left, share - left
    t2 = t * t
    share = (1.0 / 120.0 - t * (1.0 / 720.0)) + t2 * (1.0 / 5040.0 - t * (1.0 / 40320.0))
    share = (1.0 - 0.5 * t) + t2 * (1.0 / 6.0 - t * (1.0 / 24.0)) + t2 * t2 * share
    second = (1.0 / 144.0 - t * (1.0 / 840.0)) + t2 * (1.0 / 5760.0 - t * (1.0 / 45360.0))
    second = (0.5 - t * (1.0 / 3.0)) + t2 * (1.0 / 8.0 - t * (1.0 / 30.0)) + t2 * t2 * second
    return share, 1.0 - t * share, t * second


@law
def screening(n_larger, n_equal):
    """Probability that a piece is the one that carries the load in its nip.

    Pieces share a nip by chance (Poisson): none of the larger ones may be there, and among n_equal equals
    each is as likely to carry: exp(-n_larger) (1 - exp(-n_equal)) / n_equal. Source:
    derived; that the largest props the gap open for all others is assumed (geometry of a rigid bar and pin).
    """
    return exp(-n_larger) * thinned(n_equal)[0]


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
