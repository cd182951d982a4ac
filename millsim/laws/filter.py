"""Hours of milling: which dust reaches the filter, how its cake resists, and sieve holes that only a brush clears.

Plain functions, nothing compiled: a day of production calls each a few times. Ranges of what is assumed stand in
`studies/day/usual.py`.
"""

from math import expm1, sqrt

GRAVITY = 9.80665  # m/s2


def settling_size(speed: float, rho: float, mu: float) -> float:
    """Size [m] of pieces that fall as fast as air rises [m/s]: sqrt(18 mu v / (rho g)); what is finer is carried up.

    Source: Stokes's law (handbook). Validity: Reynolds numbers below 1, that is, up to some 0.1 mm.
    """
    return sqrt(18.0 * mu * speed / (rho * GRAVITY))


def cake_resistance(x: float, rho: float, mu: float, voids: float) -> float:
    """Resistance [1/s] of a dust cake per kilogram on a square metre: 180 mu (1 - e) / (rho x^2 e^3).

    x: size [m] of a sphere with the dust's surface per volume; pressure = this, times kg/m2, times face velocity.
    Source: Carman and Kozeny (handbook): bed of fine spheres, void share e. Dusts of 10 to 30 um have 1e4 to 1e5 1/s
    in practice (from memory).
    """
    return 180.0 * mu * (1.0 - voids) / (rho * x * x * voids**3)


def loaded_resistance(clean: float, cake: float, load: float) -> float:
    """Resistance [Pa s/m] of a cloth with `load` [kg/m2] of dust on it: clean + cake load.

    Source: cloth and cake in series; straight in the load, as long as nothing pushes the cake together (handbook).
    """
    return clean + cake * load


def share_lost(rate: float, t: float) -> float:
    """Share of sieve holes lost after a time t [s] of milling at a rate [1/s]: 1 - exp(-rate t).

    Source: assumed, each hole is as likely to be lost as any other, and none comes back without a brush.
    """
    return -expm1(-rate * t)
