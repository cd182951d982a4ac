"""Impact fracture: does a hit break the piece, and into what. Reasons and ranges: breakage.md."""

from math import exp, log, log1p

from ..base.numerics.jit import law


@law
def log_between(T, T_warm, T_cold, warm, cold):
    """Material value at temperature T [K], log-interpolated between two known temperatures.

    Warmer than T_warm it goes on in the same direction (hotter is tougher); colder than T_cold it stays
    at the cold value, where there are no data. Source: assumed, the plainest curve through two points of a strength
    that spans a factor and cannot fall below zero.
    """
    share = (T_warm - T) / (T_warm - T_cold)
    return warm * exp(min(share, 1.0) * log(cold / warm))


@law
def breakage_probability(x, W, f_mat, xw_min):
    """Probability S that one hit of specific energy W [J/kg] breaks a piece of size x [m].

    S = 1 - exp(-f_Mat x (W - W_min)), W_min = xw_min / x; zero at or below the threshold.
    Source: Vogel & Peukert 2003, Powder Technol. 129:101 (form from memory); one curve for organic and inorganic
    materials: Peukert & Vogel 2001, Chem. Eng. Technol. 24:945, abstract. Validity: brittle impact on a flat target.
    """
    excess = x * W - xw_min
    if excess <= 0.0:
        return 0.0
    return 1.0 - exp(-f_mat * excess)


@law
def size_floor(xw_min, v):
    """Smallest size [m] that an impact at speed v [m/s] can still break: 2 xw_min / v^2 (derived from S)."""
    return 2.0 * xw_min / (v * v)


@law
def daughter_exponent(q_50, slope, v):
    """Exponent q of the daughter law at impact speed v [m/s]: linear about 50 m/s, not below 0.5.

    Source: Vogel & Peukert 2005, Chem. Eng. Sci. 60:5164 (linear in v; from memory). Numbers, and
    that the slope is not positive, are assumed: more energy makes more fines.
    """
    return max(0.5, q_50 + slope * (v - 50.0))


@law
def daughter_weight(y, q, y_fines):
    """ln h(y), where B(y; x) = h(y) / h(x) is the mass share of daughters of x that are finer than y.

    h(y) = y^q (1 + tanh(y/y' - 1)) / 2 = y^q / (1 + exp(2 - 2 y/y')): the form of Vogel & Peukert 2005
    (from memory), normalised so that B(x; x) = 1. As a ratio it is separable in y and x.
    """
    return q * log(y) - log1p(exp(2.0 - 2.0 * y / y_fines))


@law
def daughter_size(x, u, q, y_fines):
    """Daughter size y [m] with B(y; x) = u, by Newton in ln y; the inverse of `daughter_weight` (derived)."""
    target = daughter_weight(x, q, y_fines) + log(u)
    t = log(x) + log(u) / (q + 2.0 * exp(-x / y_fines))
    for _ in range(60):
        y = exp(t)
        fines = 1.0 / (1.0 + exp(2.0 * y / y_fines - 2.0))
        step = (daughter_weight(y, q, y_fines) - target) / (q + 2.0 * y / y_fines * fines)
        t -= step
        if abs(step) < 1e-13:
            break
    return min(exp(t), x)
