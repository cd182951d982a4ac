"""Heat: every watt ends as warmth in the charge, the air or the casing. Reasons and ranges: heat.md."""

from math import exp, sqrt

from ..base.numerics.jit import law


@law
def enthalpy_rise(cp, share, T_from, T_to):
    """Heat [J/kg] to take the material from T_from to T_to [K] with cp(T) = cp_298 (1 - s + s T/298).

    Source: derived, the exact integral; that cp is linear is assumed (glassy polymers nearly go with T, see heat.md).
    """
    return cp * ((1.0 - share) * (T_to - T_from) + share * (T_to * T_to - T_from * T_from) / 596.0)


@law
def series_conductance(a, b):
    """Conductance [W/K] of two in series: a b / (a + b) (handbook)."""
    return a * b / (a + b)


@law
def chamber_temperature(P, F, cp, share, T_feed, warmed, offset, air_capacity, T_air, UA, T_room):
    """Steady chamber temperature [K] with P watts going into it.

    P = F dh(T_feed, T_out) + C_air (T - T_air) + UA (T - T_room): the charge leaves at T_out = warmed T + offset,
    which is T itself when it stays long (warmed 1, offset 0). Quadratic in T because cp is linear. Source:
    derived from the first law.
    """
    k, s = F * cp, share / 596.0
    a = k * s * warmed * warmed
    b = k * warmed * (1.0 - share + 2.0 * s * offset) + air_capacity + UA
    c = P + k * ((1.0 - share) * (T_feed - offset) + s * (T_feed * T_feed - offset * offset))
    c += air_capacity * T_air + UA * T_room
    return 2.0 * c / (b + sqrt(b * b + 4.0 * a * c))


@law
def film_coefficient(x, v, rho_air, mu_air, k_air, Pr):
    """Heat transfer [W/(m2 K)] between a sphere and air passing at v: Nu = 2 + 0.6 Re^(1/2) Pr^(1/3).

    Source: Ranz & Marshall 1952, Chem. Eng. Prog. 48:141 (from memory). Validity: Re below some 1e4.
    """
    Re = rho_air * v * x / mu_air
    return (2.0 + 0.6 * sqrt(Re) * Pr ** (1.0 / 3.0)) * k_air / x


@law
def warming_time(x, rho, cp, conductivity, film):
    """Time constant [s] in which a sphere x [m] takes the chamber temperature: inside plus surface film.

    x^2 rho cp / (4 pi^2 k) (first mode of a sphere, Carslaw & Jaeger, Conduction of Heat in Solids, 1959) +
    rho cp x / (6 h) (one lump, handbook); that the two add is assumed and exact at either end.
    """
    return rho * cp * x * (x / (39.47841760435743 * conductivity) + 1.0 / (6.0 * film))


@law
def self_heating(q, rho, x, film):
    """Steady excess temperature [K] of a sphere in which q [W/kg] is set free: q rho x / (6 h), derived."""
    return q * rho * x / (6.0 * film)


@law
def warmed_share(t_warm, age):
    """How far a piece has come from feed to chamber temperature: age / (age + t_warm).

    Source: derived, the mean of 1 - exp(-t / t_warm) over exponential ages t.
    """
    return age / (age + t_warm)


@law
def lumped_warmup(T_start, T_end, t, time_constant):
    """Temperature [K] of one lumped heat store at time t [s]: exponential approach (handbook)."""
    return T_end + (T_start - T_end) * exp(-t / time_constant)
