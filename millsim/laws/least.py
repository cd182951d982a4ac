"""The least energy that a fineness can cost: of cutting, of breaking, and of new surface alone.

Bounds from the laws of `cutting` and `breakage`, for a powder whose pieces are all of one size; no mill in them. Plain
functions, nothing compiled. What names no source is derived from the laws it names.
"""

import numpy as np

_BEYOND = np.geomspace(0.02, 25.0, 80)  # energy of a hit above the threshold, times f_Mat x


def surface_work(G_c: float, rho: float, x: float, x_from: float) -> float:
    """Energy [J/kg] of the cracks alone that make pieces x [m] of pieces x_from: 3 G_c (1/x - 1/x_from) / rho.

    A kilogram of spheres or cubes has a surface of 6 / (rho x); a crack makes two faces and costs G_c once. What yields
    beside the crack comes on top, so no way of making powder gets below it.
    """
    return 3.0 * G_c * max(0.0, 1.0 / x - 1.0 / x_from) / rho


def cutting_work(plastic: float, G_c: float, rho: float, h: float) -> float:
    """Energy [J/kg] of chips h [m] thick: (A + G_c / h) / rho, A [J/m3] of `cutting.plastic_work`.

    `cutting.cutting_energy` with an edge without a radius; chips thicker than the yielding zone crack off and cost
    less.
    """
    return (plastic + G_c / h) / rho


def breaking_work(
    x: np.ndarray, x_from: float, f_mat: float, xw_min: float, x_0: float, a: float, b: float, q_split: float,
    q_shatter: float,
) -> np.ndarray:  # fmt: skip
    """Energy [J/kg] (n,) that hits give pieces of x_from [m] until they have come down to sizes x (n,), rising.

    The sum over ln x of W / (S d), each hit of the energy W that makes it least: S the chance to break
    (`breakage.breakage_probability`), d the mean step in ln x of what breaks, 1 / q of its power law, split or
    shattered. Every joule counts as spent where it hits, none as lost in other hits. Zero from x_from on.
    """
    steps = np.unique(np.concatenate([x, np.geomspace(min(x[0], x_from), max(x[-1], x_from), 60), [x_from]]))
    threshold = f_mat * xw_min * (steps / x_0) ** (1.0 - a)  # f_Mat x W_min, of `breakage.threshold_at`
    shattered = 1.0 - np.exp(-b * _BEYOND)  # `breakage.shatter_share`
    fall = (1.0 - shattered) / q_split + shattered / q_shatter
    cost = (threshold[:, None] + _BEYOND) / ((1.0 - np.exp(-_BEYOND)) * fall)
    density = cost.min(axis=1) / (f_mat * steps) * (steps <= x_from)
    parts = 0.5 * (density[1:] + density[:-1]) * np.diff(np.log(steps)) * (steps[1:] <= x_from)
    left = np.concatenate([np.cumsum(parts[::-1])[::-1], [0.0]])  # from each step up to x_from
    return np.interp(np.log(x), np.log(steps), left)
