"""The floor below which no machine gets: least energies of cutting, of breaking and of new surface, by a card."""

from dataclasses import dataclass
from functools import cache

import numpy as np

from ...forecast import band
from ...laws import cutting, least
from ...mill.chamber import strength_at
from ...mill.problem import build
from .usual import usual_config

DRAWS = 64
FEED_M = 4e-3  # what is made to powder: pellets, granules, kernels


@dataclass(frozen=True)
class Floor:
    """Least energies [J/kg] of a tool or shaft at some sizes: (3, n) low, plausible and high of an 80 % band over the
    card's ranges; all: the lesser of cutting and breaking, and no less than the surface, draw by draw."""

    cutting: np.ndarray
    breaking: np.ndarray
    surface: np.ndarray
    all: np.ndarray


@cache
def _records(material: str, feed_K: float) -> np.ndarray:
    """MILL records: the plausible one, then draws; the strength is the card's alone."""
    problem = build(usual_config(material, feed_K, 0, 1e-3))
    records = np.concatenate([problem.mill, band.draws(problem, DRAWS, 1)])
    records["rate_multiplier"] = 1.0
    return records


def floor_of(material: str, feed_K: float, x_m: np.ndarray) -> Floor:
    """The floor for pieces at a temperature made to sizes x (n,), rising [m]."""
    rows = np.array([_energies(m, feed_K, x_m) for m in _records(material, feed_K)])  # (draws, 3, n)
    way = np.maximum(rows[:, :2].min(axis=1), rows[:, 2])  # a chip is thin in one direction, a piece small in three
    every = np.concatenate([rows, way[:, None]], axis=1)
    low, high = np.quantile(every[1:], [0.1, 0.9], axis=0)
    return Floor(*(np.array([low[i], every[0, i], high[i]]) for i in range(4)))


def _energies(m: np.void, feed_K: float, x_m: np.ndarray) -> np.ndarray:
    f_mat, xw_min, sigma, G_c = (float(v) for v in strength_at(m, feed_K))
    zone = float(cutting.process_zone(m["crack_ratio"], m["modulus"], G_c, sigma))
    rho, chips = float(m["density"]), []
    for h in x_m:
        plastic = float(cutting.plastic_work(m["cut_factor"], sigma, zone, h))
        chips.append(least.cutting_work(plastic, G_c, rho, float(h)))
    breaking = least.breaking_work(
        x_m, FEED_M, f_mat, xw_min, float(m["threshold_size"]), float(m["threshold_exponent"]),
        float(m["shatter_slope"]), float(m["split_exponent"]), float(m["daughter_exponent"]),
    )  # fmt: skip
    return np.array([chips, breaking, [least.surface_work(G_c, rho, float(x), FEED_M) for x in x_m]])
