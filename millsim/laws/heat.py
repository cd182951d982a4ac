"""Heat: every watt ends as warmth in the charge, the air or the casing."""

from math import exp, sqrt

from ..jit import law


@law
def enthalpy_rise(cp, share, T_from, T_to):
    """Heat [J/kg] to take the material from T_from to T_to [K] with cp(T) = cp_298 (1 - s + s T/298).

    Exact integral of a linear specific heat. Source: P7 (s = 0.85 for glassy polymers, assumed).
    """
    return cp * ((1.0 - share) * (T_to - T_from) + share * (T_to * T_to - T_from * T_from) / 596.0)


@law
def series_conductance(a, b):
    """Conductance [W/K] of two in series."""
    return a * b / (a + b)


@law
def chamber_temperature(P, F, cp, share, T_feed, air_capacity, T_air, UA, T_room):
    """Steady chamber temperature [K] with P watts going into it.

    P = F dh(T_feed, T) + C_air (T - T_air) + UA (T - T_room); quadratic in T because cp is linear.
    Source: P7, first law. No outlet for heat at all gives infinity.
    """
    k = F * cp
    a = k * share / 596.0
    b = k * (1.0 - share) + air_capacity + UA
    c = P + k * ((1.0 - share) * T_feed + share * T_feed * T_feed / 596.0) + air_capacity * T_air + UA * T_room
    return 2.0 * c / (b + sqrt(b * b + 4.0 * a * c))


@law
def warming_time(x, rho, cp, conductivity, film):
    """Time constant [s] in which a sphere x [m] takes the chamber temperature: inside plus surface film.

    x^2 rho cp / (4 pi^2 k) (first mode of a sphere, Carslaw & Jaeger) + rho cp x / (6 h) (lumped).
    """
    return rho * cp * x * (x / (39.47841760435743 * conductivity) + 1.0 / (6.0 * film))


@law
def piece_temperature(T_chamber, T_feed, t_warm, residence):
    """Mean temperature [K] of pieces that arrived at T_feed and have been in the chamber for a residence time.

    First-order lag, mean over exponential ages: weight t_warm / (t_warm + residence) on the feed (assumed form).
    """
    return T_chamber + (T_feed - T_chamber) * t_warm / (t_warm + residence)


@law
def lumped_warmup(T_start, T_end, t, time_constant):
    """Temperature [K] of one lumped heat store at time t [s]: exponential approach."""
    return T_end + (T_start - T_end) * exp(-t / time_constant)
