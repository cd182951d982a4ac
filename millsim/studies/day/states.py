"""The mill at a few loads of filter and sieve: coupled steady states, between which a day moves slowly.

Nothing new is solved: filter resistance and usable sieve holes are fields of the mill record. What lies between two
states is interpolated, in the logarithm of the resistance and in the share of holes lost.
"""

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import inf, log, nan

import numpy as np

from ...base.numerics import psd
from ...base.numerics.sobol import sobol
from ...base.numerics.threads import on_all_cores
from ...forecast import band
from ...forecast.error import Errors, errors
from ...forecast.outcome import Outcome, warming
from ...laws import air
from ...laws import filter as dust
from ...mill.problem import Setup
from ...record.limits import CANNOT, OVER
from .usual import CARRIED, VOIDS, Setting

RESISTANCE = (1.0, 2.0, 4.0, 10.0, 40.0)  # filter resistance over that of the filter in use, without the day's cake
LOST = (0.0, 0.5)  # share of the sieve's holes that are lost
FIELDS = ("rate_kg_s", "outlet_K", "air_m3_s", "x50_m", "shaft_W", "capacity_kg_s")


@dataclass(frozen=True)
class States:
    """What a mill does at RESISTANCE x LOST (1 x LOST without a filter), by FIELDS: rows of m figures, rate 0 where
    it gives nothing; and what belongs to its powder and its filter when all is clean.

    dust_share: of the powder that ends on the filter; cake_1_s: resistance of its cake per kg/m2; clean_Pa_s_m: of the
    cloth; area_m2: NaN without a filter; binding: what limits it; held: what does once filter or sieve are loaded;
    bulk: kilograms of powder in a cubic metre; asked: the feed rate asked for [kg/s], inf where it is left open.
    """

    ln_R: list[float]
    values: dict[str, list[list[float]]]
    dust_share: float
    cake_1_s: float
    clean_Pa_s_m: float
    area_m2: float
    binding: str
    held: str
    bulk: float
    asked: float = inf

    def at(self, name: str, resistance: float, lost: float) -> float:
        """One figure at a resistance (over that in use) and a share of holes lost; the ends hold beyond them."""
        return self.several((name,), resistance, lost)[0]

    def several(self, names: tuple[str, ...], resistance: float, lost: float) -> list[float]:
        """Several figures there."""
        i, u = (0, 0.0) if len(self.ln_R) < 2 else _place(self.ln_R, log(resistance))
        j, v = _place(LOST, lost)
        found, on = [], min(i + 1, len(self.ln_R) - 1)
        for name in names:
            g = self.values[name]
            low, high = (g[k][j] * (1.0 - v) + g[k][j + 1] * v if v > 0.0 else g[k][j] for k in (i, on))
            found.append(low * (1.0 - u) + high * u if u > 0.0 else low)  # beside a state that is none, its own
        return found

    def over(self, resistance: float, lost: float) -> bool:
        """Whether a limit keeps the mill from taking the rate asked for."""
        return self.asked < inf and self.at("capacity_kg_s", resistance, lost) < (1.0 - 1e-6) * self.asked


def _place(points: Sequence[float], x: float) -> tuple[int, float]:
    """(the point below x, how far x is on the way to the next)."""
    j = min(max(bisect_right(points, x) - 1, 0), len(points) - 2)
    return j, min(1.0, max(0.0, (x - points[j]) / (points[j + 1] - points[j])))


@dataclass(frozen=True)
class Warming:
    """How the clean mill warms up: share of its rise that waits for the casing, and time constants [s] running and
    standing."""

    waits: float
    running_s: float
    standing_s: float


def states_of(
    problem: Setup, setting: Setting, count: int, seed: int, progress: Callable[[float], None] | None = None
) -> tuple[list[States], Warming]:
    """(the mill with plausible parameters first, then `count` draws of all of them with the errors; how it warms up).

    A draw that does not settle gives nothing.
    """
    area = problem.config.air.filter_area_m2
    grid = [(r, lost) for r in (RESISTANCE if area else RESISTANCE[:1]) for lost in LOST]
    mills = np.concatenate([problem.mill, band.draws(problem, count, seed)]) if count else problem.mill
    off = errors(problem, count, seed) if count else None
    points = quantiles(count, 2, seed)
    work = [(i, k) for i in range(mills.size) for k in range(len(grid))]

    def one(item: tuple[int, int]):
        i, k = item
        return _solved(problem, loaded(mills[i : i + 1], *grid[k]), off if i else None, i - 1)

    solved = on_all_cores(one, work, progress)
    found = []
    for i in range(mills.size):
        mine = solved[i * len(grid) : (i + 1) * len(grid)]
        u = points[i - 1] if i else np.full(2, 0.5)
        found.append(_states(problem, setting, mills[i : i + 1], mine, len(grid) // len(LOST), u))
    first = solved[0]
    return found, _warming(problem, first[1] if first else None)


def quantiles(count: int, dimensions: int, seed: int) -> np.ndarray:
    """(count, dimensions) evenly scattered quantiles, of what is assumed of the day."""
    if not count:
        return np.empty((0, dimensions))
    return sobol(dimensions, count, seed + 2)


def loaded(mill: np.ndarray, resistance: float, lost: float) -> np.ndarray:
    """A mill record (1,) with a filter that resists so many times as much, and with sieve holes lost."""
    new = mill.copy()
    new["filter_resistance"] *= resistance
    new["usable_open"] *= 1.0 - lost
    return new


def _solved(problem: Setup, mill: np.ndarray, off: Errors | None, i: int):
    """(result, outcome) of one state, as model and day would have it in a draw; None where it does not settle."""
    return band.solve_draw(problem, mill, problem.config.feed.rate_kg_s, off, i)


def _states(problem: Setup, setting: Setting, mill: np.ndarray, solved: list, n: int, u: np.ndarray) -> States:
    rows = np.array([_figures(s) for s in solved]).reshape(n, len(LOST), len(FIELDS))
    values = {name: rows[:, :, i].tolist() for i, name in enumerate(FIELDS)}
    clean, m = solved[0], mill[0]
    bulk = float(m["density"] * m["bulk_fraction"])
    area = problem.config.air.filter_area_m2
    ln_R, asked = [log(r) for r in RESISTANCE[:n]], problem.config.feed.rate_kg_s or inf
    if clean is None or clean[1].code == CANNOT or not area:
        binding = clean[1].binding if clean is not None else ""
        return States(ln_R, values, 0.0, 0.0, nan, area or nan, binding, binding, bulk, asked)
    held = next((x[1].binding for x in solved[::-1] if x is not None and x[1].code == OVER), clean[1].binding)
    share, size = _dust(problem, clean, m, area, CARRIED.at(u[0]), setting.dust_share)
    mu = float(air.air_viscosity(clean[1].state["T"]))
    cake = dust.cake_resistance(size, float(m["density"]), mu, VOIDS.at(u[1]))
    return States(ln_R, values, share, cake, float(m["filter_resistance"]), area, clean[1].binding, held, bulk, asked)


def _figures(solved) -> list[float]:
    if solved is None or solved[1].code == CANNOT:
        return [0.0, nan, nan, nan, nan, 0.0]
    names = (
        "throughput_kg_s", "outlet_temperature_K", "air_flow_m3_s", "x50_m", "shaft_power_W", "capacity_kg_s",
    )  # fmt: skip
    return [solved[0].values[n] for n in names]


def _dust(problem: Setup, clean, m: np.void, area: float, carried: float, given: float) -> tuple[float, float]:
    """(share of the powder that reaches the filter, its size [m] by surface) of a clean mill."""
    result, outcome = clean
    mu, speed = float(air.air_viscosity(outcome.state["T"])), float(outcome.state["Q"]) / area
    cut = carried * dust.settling_size(speed, float(m["density"]), mu)
    edges, q3 = problem.edges, result.q3
    share = float(psd.q_at(edges, q3, cut))
    fine = np.clip(np.diff(np.minimum(q3, share)), 0.0, None)
    surface = float((fine / problem.x).sum())
    size = float(fine.sum()) / surface if surface > 0.0 else cut
    return (given if given >= 0.0 else share), size


def _warming(problem: Setup, outcome: Outcome | None) -> Warming:
    m = problem.mill[0]
    standing = float(m["casing_capacity"] / m["casing_heat_loss"])
    if outcome is None or outcome.code == CANNOT:
        return Warming(0.0, inf, standing)
    cold, running = warming(m, outcome.state, outcome.powers)
    rise = float(outcome.state["T"]) - float(m["T_room"])
    waits = (float(outcome.state["T"]) - cold) / rise if rise > 0.0 else 0.0
    return Warming(min(1.0, max(0.0, waits)), running, standing)
