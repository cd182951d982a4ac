"""Is it possible at all: a material, a fineness, and watts or a rate; the answer with its reasons and ways out."""

from collections.abc import Callable
from dataclasses import dataclass
from math import inf
from typing import NamedTuple

import numpy as np

from ...mill import cards
from ...record.heatlimit import feed_sticks
from .floor import FEED_M, Floor, floor_of
from .points import points
from .study import COLD_K, GRID_M, NEAR_K, NOTHING, WARM_K, Need, need_of

EFFICIENCY = 0.6  # of a motor nobody said anything about (assumed: routers and grinders 0.5 to 0.7)
FINEST_M, COARSEST_M = 20e-6, 2e-3  # that are answered for: of pieces of 4 mm
PLASTICS = ("pla", "pmma", "ps", "abs", "pa", "pe_pp")
DONE, DOUBTFUL, NO_MILL, NOTHING_DOES = "likely", "doubtful", "no mill of this kind", "no machine"
CHILL_K = 5.0  # warmer than dry ice by less: chilled already
COARSER = (1.0, 1.25, 1.5, 2.0, 3.0, 5.0, 8.0, 12.0, 20.0, 40.0)  # over the size asked for, as far as it is looked


class Rates(NamedTuple):
    """Powder [kg/s] that watts at hand make: likely, its 80 % band, and at best."""

    likely: float
    low: float
    high: float
    best: float


@dataclass(frozen=True)
class Asked:
    """The question. fineness: "x50" or "x90"; watts: of the socket, None where none were named; at: where the user
    said them; efficiency: of the motor; assumed: nobody said it; rate_kg_s: wanted, or None."""

    material: str
    fineness: str
    x_m: float
    feed_K: float = WARM_K
    watts: float | None = None
    at: str = "socket"
    efficiency: float = EFFICIENCY
    assumed: bool = True
    rate_kg_s: float | None = None


class WayOut(NamedTuple):
    """Something to relax. kind: "coarser", "colder", "material" or "saw"; what: size [m] or a card's name; rates: with
    it (of a saw only low and high)."""

    kind: str
    what: float | str
    rates: Rates


@dataclass(frozen=True)
class Possible:
    """The answer. stick_K: where its feed sticks; watts: of the socket that the rates are for (the user's, else what
    the wish likely takes); floor: at the size asked, of the shaft; floor_kg_s: what no machine exceeds, by the
    plausible floor and by its low end; above: energy of the shaft over the floor, low, likely and high (inf: none
    made); idle, hard: why; motor_W: of the socket that the wish takes, likely and at best; verdict: of the words above.
    """

    asked: Asked
    title: str
    stick_K: float
    watts: float
    rates: Rates
    floor: Floor
    floor_kg_s: tuple[float, float]
    above: tuple[float, float, float]
    idle: float
    hard: float
    motor_W: tuple[float, float]
    verdict: str
    ways: tuple[WayOut, ...]
    curve_m: np.ndarray
    curve: Rates  # arrays over curve_m
    curve_floor: np.ndarray


def possible(asked: Asked, progress: Callable[[float], None] | None = None) -> Possible:
    """Answer the question. Raises InputError of a material that is none."""
    stick = cards.load_material(asked.material).value("stick_temperature")
    if feed_sticks(stick, asked.feed_K):
        need = NOTHING
    else:
        need = need_of(asked.material, asked.fineness, asked.feed_K, progress)
    per_W = _rates(need, asked.x_m, asked.efficiency)
    motor = tuple(_over(asked.rate_kg_s, r) for r in (per_W.likely, per_W.best)) if asked.rate_kg_s else (inf, inf)
    watts = asked.watts or (motor[0] if motor[0] < inf else motor[1] if motor[1] < inf else 1000.0)
    floor = floor_of(asked.material, asked.feed_K, np.array([asked.x_m]))
    shaft = watts * asked.efficiency
    most = shaft / float(floor.all[1, 0]), shaft / float(floor.all[0, 0])
    rates = Rates(*(watts * r for r in per_W))
    curve_m = GRID_M[GRID_M <= COARSEST_M]
    of_curve = [_rates(need, x, asked.efficiency) for x in curve_m]
    base = float(floor.all[1, 0])
    return Possible(
        asked, _title(asked.material), stick, watts, rates, floor, most,
        tuple(_over(1.0 / base, need.at(n, asked.x_m)) for n in ("high", "likely", "low")),  # type: ignore[arg-type]
        *need.why(asked.x_m), motor, _verdict(asked, rates, most, motor), _ways(asked, watts, need),  # type: ignore[arg-type]
        curve_m, Rates(*(watts * np.array([getattr(r, n) for r in of_curve]) for n in Rates._fields)),  # type: ignore[arg-type]
        shaft / floor_of(asked.material, asked.feed_K, curve_m).all[1],
    )  # fmt: skip


def _title(material: str) -> str:
    return cards.load_material(material).title


def _over(a: float | None, b: float) -> float:
    return a / b if a is not None and b > 0.0 else inf


def _rates(need: Need, x_m: float, efficiency: float) -> Rates:
    """Powder per joule from the socket."""
    return Rates(*(efficiency * need.at(n, x_m) for n in Rates._fields))


def _verdict(asked: Asked, rates: Rates, most: tuple[float, float], motor: tuple[float, float]) -> str:
    """Without watts the wish is held to whether any mill makes such powder; without a rate to whether there is any."""
    if asked.watts is None:
        return DONE if motor[0] < inf else DOUBTFUL if motor[1] < inf else NO_MILL
    wish = asked.rate_kg_s or 0.0
    if wish > most[1]:
        return NOTHING_DOES
    if wish > rates.best or not rates.best > 0.0:
        return NO_MILL
    return DONE if rates.likely > 0.0 and wish <= rates.likely else DOUBTFUL


def _ways(asked: Asked, watts: float, need: Need) -> tuple[WayOut, ...]:
    """What could be relaxed, each by itself, with the watts at hand."""
    found = []
    size = _coarser(asked, watts, need)
    if size is not None:
        found.append(WayOut("coarser", size, _times(watts, _rates(need, size, asked.efficiency))))
    card = cards.load_material(asked.material)
    plastic = cards.is_path(asked.material) or cards.shipped_name(asked.material) in PLASTICS
    if asked.feed_K > COLD_K + CHILL_K and not cards.is_path(asked.material):
        cold = need_of(asked.material, asked.fineness, COLD_K)
        found.append(WayOut("colder", COLD_K, _times(watts, _rates(cold, asked.x_m, asked.efficiency))))
    if plastic and card.use != cards.FOOD:
        found.append(_other_plastic(asked, watts))
        saw = points()["sawing"]
        low, high = saw.rates(watts)
        found.append(WayOut("saw", saw.x_m[1], Rates(low, low, high, high)))
    return tuple(found)


def _times(watts: float, r: Rates) -> Rates:
    return Rates(*(watts * v for v in r))


def _coarser(asked: Asked, watts: float, need: Need) -> float | None:
    """The finest size of a row at which the wish is likely; without a wish twice the size; None: none is."""
    if asked.rate_kg_s is None or asked.watts is None:
        return min(COARSEST_M, 2.0 * asked.x_m) if 1.5 * asked.x_m <= COARSEST_M else None
    for factor in COARSER[1:]:
        x = asked.x_m * factor
        if x <= FEED_M / 2.0 and watts * _rates(need, x, asked.efficiency).likely >= asked.rate_kg_s:
            return x
    return None


def _other_plastic(asked: Asked, watts: float) -> WayOut:
    """The plastic with a card that gives most at this fineness, but for the one asked about."""
    own = cards.shipped_name(asked.material)

    feed_K = COLD_K if asked.feed_K <= COLD_K + NEAR_K else WARM_K  # what is kept, and never colder than it is fed

    def most(name: str) -> Rates:
        return _rates(need_of(name, asked.fineness, feed_K), asked.x_m, asked.efficiency)

    best = max((n for n in PLASTICS if n != own), key=lambda n: (most(n).likely, most(n).best))
    return WayOut("material", best, _times(watts, most(best)))
