"""Impact fracture: does a hit break the piece, and into what. Reasons and ranges: breakage.md."""

from math import exp, expm1, log

from ..base.numerics.jit import law


@law
def log_between(T, T_warm, T_cold, warm, cold):
    """Material value at temperature T [K], log-interpolated between two known temperatures.

    Up to 40 K above T_warm it goes on in the same direction (hotter is tougher) and stays there; colder than T_cold it
    stays at the cold value, where there are no data. Source: assumed, the plainest curve through two points of a
    strength that spans a factor and cannot fall below zero.
    """
    share = (T_warm - min(T, T_warm + 40.0)) / (T_warm - T_cold)
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
def size_floor(xw_min, x_0, a, v):
    """Smallest size [m] that an impact at speed v [m/s] can still break: x_0 (2 xw_min / (x_0 v^2))^(1/a).

    Source: derived, where v^2/2 is W_min of `threshold_at`.
    """
    return x_0 * (2.0 * xw_min / (x_0 * v * v)) ** (1.0 / a)


@law
def threshold_at(x, xw_min, x_0, a):
    """Threshold energy times size [J m/kg] of pieces x [m]: xw_min (x/x_0)^(1-a), so that W_min goes with x^-a.

    a is 1 where strength follows from one crack across the piece. Source: a = 0.58 for limestone, Cho & Austin 2003,
    Powder Technol. 132:161 (abstract); other materials assumed, see the cards.
    """
    return xw_min * (x / x_0) ** (1.0 - a)


@law
def shatter_share(b, excess):
    """Share of broken pieces that shatter instead of splitting: 1 - exp(-b f_Mat (x W - xw_min)).

    0 at the threshold, where a crack runs across and no more; grows with the excess energy as t10 does. Source: form of
    the t10 curves of mineral practice (Austin, Klimpel & Luckie, Process Engineering of Size Reduction, 1984, from
    memory); b assumed.
    """
    return 1.0 - exp(-b * excess)


@law
def fines_share(x, t_f):
    """Mass share of a broken piece that is crushed to fines: 3 t_f / x, at most a half.

    One crack across a sphere makes 3/x of new surface per volume, and a layer t_f [m] of each face is crushed (derived;
    the thickness assumed).
    """
    return min(0.5, 3.0 * t_f / x)


@law
def coarse_weight(y, q, y_g):
    """ln H(y) of the coarse fragments of splitting, shattering or a nip: H = y^q (1 - exp(-(y/y_g)^2)).

    H(y)/H(x) is the mass share finer than y: a power law with a floor, below which a fragment is no longer a piece of
    the old one but fines. Source: power form of Austin's breakage function (1984, from memory); floor assumed.
    """
    return q * log(y) + log(floor_share(y, y_g))


@law
def floor_share(y, y_g):
    """What the floor leaves of H(y) in `coarse_weight`: 1 - exp(-(y/y_g)^2) (assumed)."""
    r = y / y_g
    return -expm1(-r * r)


@law
def fines_weight(y, p, y_top):
    """ln H(y) of crushed fines: p ln(y/y'), 0 from their top size y' on (assumed: a power law up to y')."""
    return p * log(min(1.0, y / y_top))


@law
def coarse_size(x, u, q, y_g):
    """Size y [m] with H(y)/H(x) = u for the H of `coarse_weight`: Newton in ln y from below, on a concave function.

    Source: derived, the inverse of that law.
    """
    target = coarse_weight(x, q, y_g) + log(u)
    t = log(x) + log(u) / q
    for _ in range(60):
        r = exp(t) / y_g
        r2 = r * r
        lost = -expm1(-r2)
        step = (target - q * t - log(lost)) / (q + 2.0 * r2 * (1.0 - lost) / lost)
        t += step
        if abs(step) < 1e-13:
            break
    return min(exp(t), x)


@law
def fines_size(x, u, p, y_top):
    """Size y [m] with H(y)/H(x) = u for the H of `fines_weight` (derived, closed form)."""
    return min(x, y_top) * u ** (1.0 / p)


@law
def finer_share(y, x, phi, w, q_split, q_shatter, y_g, p, y_top):
    """B(y; x): mass share of the fragments of a piece x that are finer than y: fines phi, of the rest w shattered.

    Source: derived, the sum of the parts above; that there are just these three is assumed, as in the two-part function
    of Austin, Klimpel & Luckie (1984, from memory).
    """
    split = exp(coarse_weight(y, q_split, y_g) - coarse_weight(x, q_split, y_g))
    shatter = exp(coarse_weight(y, q_shatter, y_g) - coarse_weight(x, q_shatter, y_g))
    fines = exp(fines_weight(y, p, y_top) - fines_weight(x, p, y_top))
    return (1.0 - phi) * ((1.0 - w) * split + w * shatter) + phi * fines
