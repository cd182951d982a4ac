"""The sieve: what fits through, how often it is tried, and how it blinds. Reasons and ranges: sieving.md."""

from math import exp, log

from ..base.numerics.jit import law


@law
def pass_slow(z, t_over_w):
    """Chance that a braked piece at a hole drops through: (1 - z)^2 exp(-t / 2w), z = size over hole.

    Source: (1 - z)^2 for thin wires and a normal approach: Gaudin, Principles of Mineral Dressing, 1939 (from memory);
    Powderpedia of the Society of Powder Technology, Japan, entry 12485. Factor of the plate's thickness t: assumed,
    thick plates pass less, yet real ones do discharge.
    """
    if z >= 1.0:
        return 0.0
    return (1.0 - z) ** 2 * exp(-0.5 * t_over_w)


@law
def pass_skim(z, t_over_w, skim):
    """Chance that a piece skimming over a hole sinks in: (1 - z)(1 - z - z skim / 2) exp(-t / 2w).

    skim is tangential over normal speed. Source: derived, a piece has to sink x/2 while it crosses; having sunk half
    its size it hits the far wall of the hole and goes on or not like any other, hence the factor of `pass_slow`.
    """
    sink = 1.0 - z - 0.5 * z * skim
    if sink <= 0.0:
        return 0.0
    return (1.0 - z) * sink * exp(-0.5 * t_over_w)


@law
def mean_pass_skim(z, t_over_w, low, high):
    """Mean of `pass_skim` over skim ratios log-uniform in low..high, in closed form (derived)."""
    if z >= 1.0:
        return 0.0
    top = min(high, 2.0 * (1.0 - z) / z)
    if top <= low:
        return 0.0
    mean = ((1.0 - z) * log(top / low) - 0.5 * z * (top - low)) / log(high / low)
    return exp(-0.5 * t_over_w) * (1.0 - z) * mean


@law
def pass_open(z, t_over_w, slow, low, high):
    """Mean chance at an open hole, a share `slow` of contacts braked and the others skimming (derived)."""
    return (1.0 - slow) * mean_pass_skim(z, t_over_w, low, high) + slow * pass_slow(z, t_over_w)


@law
def open_to_pass(sieve_factor, open_share, usable, unblinded):
    """Chance that a wall contact meets an open hole, at most 1.

    Source: derived, a product of shares taken as independent (assumed); the factor is for calibration.
    """
    return min(1.0, sieve_factor * open_share * usable * unblinded)


@law
def unblinded_share(peg_rate, clear_rate):
    """Steady share of holes that are not pegged: clear / (clear + peg).

    Source: derived, d phi/dt = clear (1 - phi) - peg phi at rest; constant rates are assumed.
    """
    return clear_rate / (clear_rate + peg_rate)


@law
def stickiness(T, T_glass):
    """Factor by which pegging rises as T [K] nears the glass temperature: 1 to 11 about T_g - 15 K.

    Source: assumed, contact spots run 30 to 60 K hotter than the powder; the factor is an order of magnitude.
    """
    return 1.0 + 10.0 / (1.0 + exp(-(T - T_glass + 15.0) / 2.0))
