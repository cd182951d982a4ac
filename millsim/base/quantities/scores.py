"""Uncertain parameters as standard normal scores.

A parameter's low and high are taken as the limits of the plausible: a two-piece normal about the value with two
standard deviations at each limit, cut there (log-normal where the card says log). A score is a standard normal
deviate of that: 0 is the value itself. Warm and cold values of one property move together, under one score.
"""

import numpy as np

from .params import ONE_OF, Param

NEVER_DRAWN = ("mec", "mie", "temperature_warm", "temperature_cold")
SIZES_OF_ERRORS = ("error_", "repeat_")  # of what parameters do not make up for: `forecast.error` draws the errors


def groups(parameters: tuple[Param, ...]) -> list[list[Param]]:
    """Uncertain parameters, in groups that are drawn together (warm and cold values of one property)."""
    found: dict[str, list[Param]] = {}
    for p in parameters:
        if is_drawn(p):
            found.setdefault(group_name(p.name), []).append(p)
    return list(found.values())


def is_drawn(p: Param) -> bool:
    """Whether a parameter is drawn from its range."""
    return p.high > p.low and p.name not in NEVER_DRAWN and not p.name.startswith(SIZES_OF_ERRORS)


def group_name(name: str) -> str:
    """The property behind a parameter: xw_min for xw_min_warm and xw_min_cold."""
    return name.removesuffix("_warm").removesuffix("_cold")


def at_quantile(p: Param, u: np.ndarray) -> np.ndarray:
    """Values of a parameter at quantiles u (N,) of its two-piece cut normal; 0.5 is the value itself."""
    from scipy.special import ndtr, ndtri

    if p.scale == ONE_OF:  # all alike likely
        return np.minimum(np.floor(np.asarray(u) * (p.high + 1.0)), p.high)
    z = ndtri(ndtr(-2.0) + np.asarray(u) * (ndtr(2.0) - ndtr(-2.0))) / 2.0
    if p.scale == "log":
        up, down = np.log(p.high / p.value), np.log(p.value / p.low)
        return p.value * np.exp(np.where(z > 0, up, down) * z)
    return p.value + np.where(z > 0, p.high - p.value, p.value - p.low) * z


def at_score(p: Param, score: np.ndarray | float) -> np.ndarray:
    """Values of a parameter at scores (N,)."""
    from scipy.special import ndtr

    return at_quantile(p, ndtr(np.asarray(score, dtype=float)))
