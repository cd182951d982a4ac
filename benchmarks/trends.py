"""A handbook of trends: what the model says as one thing after another is varied, on one plain mill.

`python benchmarks/trends.py` prints the table; the tests hold its signs and ranges. The mill: R 60 mm, 4 bevelled bars
20 mm high, 12 pins of 8 mm, gap 3 mm, 60 m/s, holes 0.6 mm, 1.1 kW at the shaft, pellets of 4 mm, all it can grind.
"""

import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from millsim.base.numerics import psd
from millsim.errors import NotConverged
from millsim.forecast.outcome import solve
from millsim.mill.config.mill import parse_config
from millsim.mill.problem import build
from millsim.record.limits import HARDLY_GRINDS, status_words

DEMO = Path(__file__).resolve().parent.parent / "configs" / "demo.toml"
PLAIN = ("feed.size={kind='single', size='4 mm'}", "run.band_samples=0", "run.trace=false",
         "limits.outlet_temperature=200 °C")  # fmt: skip


@dataclass(frozen=True)
class Row:
    """One mill of the table: rate [kg/h], sizes [mm], energy at the shaft [kWh/kg], share of chips, what limits it."""

    name: str
    status: str
    rate: float
    x10: float
    x50: float
    x90: float
    energy: float
    chips: float
    windage_W: float
    limit: str

    @property
    def hardly(self) -> bool:
        """Whether the mill hardly grinds."""
        return self.status == HARDLY_GRINDS


def speed(v: float, R: float = 0.06) -> tuple[str, ...]:
    """Overrides for a tip speed [m/s], the motor losing 2.6 % of it at rated power."""
    return (f"drive.tip_speed={v} m/s", f"drive.speed_under_load={round(0.974 * v / R * 9.5493)} rpm")


def hole(mm: float) -> tuple[str, ...]:
    """Overrides for a plate with holes of one size [mm], a quarter open."""
    return (f"sieve.hole={mm} mm", f"sieve.pitch={2 * mm} mm", f"sieve.thickness={min(1.0, mm)} mm")


@cache
def mill(name: str, *overrides: str) -> Row:
    """The row of one mill: the plain one with overrides as for --set."""
    text = DEMO.read_text(encoding="utf-8")
    if "stator.kind=smooth" in overrides:  # keys of pins are refused there
        words = ("pins", "pin_diameter", "free_length", "held", "threaded")
        text = "\n".join(x for x in text.splitlines() if not x.startswith(words))
        text = text.replace('yield_strength = "640 MPa"', "#")
    problem = build(parse_config(text, DEMO.name, DEMO.parent, [*PLAIN, *overrides]))
    nan = float("nan")
    try:
        o = solve(problem, None)
    except NotConverged:
        return Row(name, "did not settle", nan, nan, nan, nan, nan, nan, nan, "")
    F, total = float(o.state["F"]), o.product.sum()
    x = psd.x_at(problem.edges, psd.cumulative(o.product / total), [0.1, 0.5, 0.9]) * 1e3 if total > 0 else [nan] * 3
    chips = float(o.flows["chips"]) / F
    energy, status = float(o.powers["shaft"]) / F / 3.6e6, status_words(o.code, o.binding)
    return Row(name, status, F * 3600, *map(float, x), energy, chips, float(o.powers["windage"]), o.binding)


def material(name: str, celsius: float = 20.0) -> tuple[str, ...]:
    """Overrides for a card and the temperature of its feed."""
    return (f"feed.material={name}", f"feed.temperature={celsius} °C")


TABLE: dict[str, tuple[tuple[str, tuple[str, ...]], ...]] = {
    "tip speed": tuple((f"{v} m/s", speed(v)) for v in (20, 30, 45, 60, 80, 110)),
    "hole": tuple((f"{h} mm", hole(h)) for h in (0.2, 0.3, 0.6, 1.0, 1.5, 3.0)),
    "gap": tuple((f"{g} mm", (f"stator.gap={g} mm",)) for g in (0.3, 0.5, 1, 2, 3, 4, 6, 10, 15)),
    "bars": tuple((f"{n}", (f"rotor.bars={n}",)) for n in (1, 2, 4, 8, 12)),
    "edge": tuple((e, (f"rotor.edge={e}",)) for e in ("blunt", "bevelled", "toothed")),
    "pins": (("smooth", ("stator.kind=smooth",)), *((f"{n}", (f"stator.pins={n}",)) for n in (6, 12, 24))),
    "thickness": tuple((f"{t} mm", (f"rotor.bar_thickness={t} mm",)) for t in (4, 8, 16)),
    "height": tuple((f"{h} mm", (f"rotor.bar_height={h} mm",)) for h in (10, 20, 30)),
    "feed": tuple((f"{x} mm", (f"feed.size.size={x} mm",)) for x in (0.3, 1, 2, 4, 8)),
    "hammers": tuple(
        (f"{g} g", ("rotor.mount=swinging", f"rotor.hammer_mass={g} g", "rotor.pivot_radius=35 mm"))
        for g in (10, 50, 300)
    ),
    **{
        f"{m}, 80 m/s, gap 1 mm, hole 1.5 mm": tuple(
            (f"{T} °C", (*material(m, T), *speed(80), *hole(1.5), "stator.gap=1 mm")) for T in (20, -50, -78, -150)
        )
        for m in ("pe_pp", "pa", "abs", "pla", "pmma", "ps")
    },
    **{
        f"{m}, 60 m/s, hole 1 mm": tuple(
            (e, (*material(m), *hole(1.0), f"rotor.edge={e}")) for e in ("blunt", "bevelled", "toothed")
        )
        for m in ("pe_pp", "pa", "abs", "pla", "pmma", "ps")
    },
    "wheat, hole 1 mm": tuple((f"{v} m/s", (*material("wheat"), *hole(1.0), *speed(v))) for v in (50, 60, 80)),
}


def lines() -> list[str]:
    """The table as lines of text."""
    found = []
    for what, mills in TABLE.items():
        found += [f"{what}", f"  {'':12s}{'kg/h':>9s}{'x10':>8s}{'x50':>8s}{'x90 mm':>8s}{'kWh/kg':>9s}{'chips':>7s}"]
        for name, overrides in mills:
            r = mill(name, *overrides)
            shown = f"{r.rate:9.3g}{r.x10:8.3f}{r.x50:8.3f}{r.x90:8.3f}{r.energy:9.3g}{100 * r.chips:6.1f}%"
            found.append(f"  {name:12s}{shown}  {r.status if r.hardly or np.isnan(r.rate) else r.limit}")
    return found


if __name__ == "__main__":
    sys.stdout.write("\n".join(lines()) + "\n")
