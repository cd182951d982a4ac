"""What a kilogram costs elsewhere: published, and common practice; one table, `points.toml`."""

import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

FILE = Path(__file__).with_name("points.toml")


@dataclass(frozen=True)
class Point:
    """x_m, energy_J_kg: from, to, the energy from the socket; kind: "saw", "disc" or "mill"; feed: "plastic" or a
    card's name; short: its name in a figure."""

    name: str
    short: str
    kind: str
    feed: str
    x_m: tuple[float, float]
    energy_J_kg: tuple[float, float]
    basis: str
    source: str

    def rates(self, watts: float) -> tuple[float, float]:
        """Powder [kg/s] from so many watts of the socket: from, to."""
        return watts / self.energy_J_kg[1], watts / self.energy_J_kg[0]


@cache
def points() -> dict[str, Point]:
    """Every point by its key."""
    found = {}
    for key, t in tomllib.loads(FILE.read_text(encoding="utf-8")).items():
        sizes, energies = (x * 1e-3 for x in t["x50_mm"]), (e * 3600.0 for e in t["Wh_kg"])
        found[key] = Point(
            t["name"], t["short"], t["kind"], t["feed"], tuple(sizes), tuple(energies), t["basis"], t["source"]
        )
    return found
