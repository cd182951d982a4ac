"""What the usual mills need, per kilogram: kept for the shipped cards, computed anew for a card of one's own.

What is kept was made by `benchmarks/possible_study.py` with the same functions; `witness` tells whether it is still
what the model says.
"""

import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from ...forecast.outcome import solve
from ...mill import cards
from ...mill.problem import build
from .usual import DRAWS, HOLES_M, SIZES, Tried, energy_at, near, try_usual, usual_config

FILE = Path(__file__).with_name("study.toml")
GRID_M = np.geomspace(20e-6, 3e-3, 16)
WARM_K, COLD_K = 293.15, 195.15  # of the feed: a room, dry ice
NEAR_K = 5.0  # to one of these, within which what was computed for it is taken (assumed: a few per cent of the rate)
QUANTILES = {"high": 0.9, "likely": 0.5, "low": 0.1}  # of the powder per joule, over mills and draws
BEST = 0.9  # of it, over draws, each with the better of the mills
WITNESS = (1, 0.5e-3)  # mill and hole [m]


@dataclass(frozen=True)
class Need:
    """Powder per energy of the shaft [kg/J] at the sizes of GRID_M, 0 where there is none: best, high, likely and low;
    idle, hard: as in `usual.Tried`, medians."""

    per_J: dict[str, np.ndarray]
    idle: np.ndarray
    hard: np.ndarray

    def at(self, name: str, x_m: float) -> float:
        """One of them at a size, between the sizes of the grid in proportion: of logarithms, where neither is 0."""
        rates, ln_x = self.per_J[name], np.log(GRID_M)
        i = min(max(int(np.searchsorted(GRID_M, x_m, "right")) - 1, 0), GRID_M.size - 2)
        if rates[i] > 0.0:
            return float(np.exp(np.interp(np.log(x_m), ln_x[i:], np.log(rates[i:]))))
        return float(np.interp(np.log(x_m), ln_x, rates, left=0.0))

    def why(self, x_m: float) -> tuple[float, float]:
        """(share of the shaft's work that turns the empty mill, share of the hits that are hard enough) near a size."""
        i = int(np.argmin(np.abs(np.log(GRID_M / x_m))))
        return float(self.idle[i]), float(self.hard[i])


NOTHING = Need({n: np.zeros(GRID_M.size) for n in ("best", *QUANTILES)}, *(np.full((2, GRID_M.size), np.nan)))


def need_of(
    material: str, fineness: str, feed_K: float = WARM_K, progress: Callable[[float], None] | None = None
) -> Need:
    """What the usual mills need for a material, by the name of a card or a path; fineness: "x50" or "x90".

    Of a shipped card fed as warm as a room or as cold as dry ice, within NEAR_K, what is kept; else computed: between
    the two a powder may be had as easily as from dry ice or not at all, so nothing is read off a line.
    """
    name = cards.shipped_name(material)
    place = next((p for p, T in (("warm", WARM_K), ("cold", COLD_K)) if abs(feed_K - T) <= NEAR_K), None)
    if cards.is_path(material) or name not in _kept() or place is None:
        return summed(try_usual(material, feed_K, DRAWS, HOLES_M, progress=progress), fineness)
    return _kept_need(name, place, fineness)


def summed(t: Tried, fineness: str) -> Need:
    """Quantiles over the mills and the draws of what was tried."""
    per_J = 1.0 / energy_at(t, fineness, GRID_M)
    pooled, better = per_J.reshape(-1, GRID_M.size), per_J.max(axis=0)
    found = {n: np.quantile(pooled, q, axis=0) for n, q in QUANTILES.items()}
    best = np.maximum(np.quantile(better, BEST, axis=0), found["high"])
    idle, hard = (np.array([near(t, fineness, x, v) for x in GRID_M]) for v in (t.idle, t.hard))
    return Need({"best": best, **found}, idle, hard)


def witness(material: str, feed_K: float) -> tuple[float, float]:
    """(energy of the shaft [J/kg], x50 of the powder [m]) of one usual mill with plausible parameters.

    A change of laws or cards moves them.
    """
    problem = build(usual_config(material, feed_K, *WITNESS))
    o = solve(problem, None)
    product = np.cumsum(o.product) / o.product.sum()
    return float(o.powers["shaft"] / o.state["F"]), float(np.interp(0.5, product, problem.edges[1:]))


@cache
def _kept() -> dict:
    return tomllib.loads(FILE.read_text(encoding="utf-8")) if FILE.is_file() else {}


@cache
def _kept_need(name: str, place: str, fineness: str) -> Need:
    t = _kept()[name][place][fineness]
    return Need(
        {n: np.array(t[n]) for n in ("best", *QUANTILES)}, np.array(t["idle"], float), np.array(t["hard"], float)
    )


def kept_witness(name: str, place: str) -> tuple[float, float]:
    """The witness as it was when the study was made."""
    energy, x50 = _kept()[name][place]["witness"]
    return energy, x50


def study_toml(name: str, draws: int = DRAWS) -> str:
    """What is to be kept of one shipped card, as TOML."""
    lines = []
    for place, feed_K in (("warm", WARM_K), ("cold", COLD_K)):
        t = try_usual(name, feed_K, draws)
        lines += [f"[{name}.{place}]", f"witness = {_row(np.array(witness(name, feed_K)), 6)}"]
        for fineness in SIZES:
            n = summed(t, fineness)
            lines.append(f"[{name}.{place}.{fineness}]")
            lines += [f"{key} = {_row(v)}" for key, v in {**n.per_J, "idle": n.idle, "hard": n.hard}.items()]
        lines.append("")
    return "\n".join(lines)


def _row(values: np.ndarray, count: int = 3) -> str:
    return "[" + ", ".join(f"{v:.{count}g}" for v in values) + "]"
