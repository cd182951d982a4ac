"""A handbook of trends: what the model says as one thing after another is varied, on one plain mill.

`python benchmarks/trends.py` prints the table, `--short` the lines that the README shows; the tests hold its signs and
ranges. The plain mill: R 60 mm, 4 bevelled bars 20 mm high, 12 pins of 8 mm, gap 3 mm, 60 m/s, holes 0.6 mm, 1.1 kW at
the shaft, acrylic pieces of 4 mm, all it can grind.
"""

import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from millsim.base.numerics import psd
from millsim.errors import NotConverged
from millsim.forecast.outcome import Outcome, solve, solve_cold_start
from millsim.laws.cutting import chip_energy
from millsim.mill.chamber import CUT_A, CUT_G, CUT_ZONE
from millsim.mill.config.mill import parse_config
from millsim.mill.problem import Setup, build
from millsim.record.limits import HARDLY_GRINDS, JAM, status_words

DEMO = Path(__file__).resolve().parent.parent / "configs" / "demo.toml"
PLAIN = ("feed.size={kind='single', size='4 mm'}", "run.band_samples=0", "run.trace=false",
         "limits.outlet_temperature=200 °C")  # fmt: skip
J_KWH = 3.6e6
NAN = float("nan")
FINE = 50e-6  # m


@dataclass(frozen=True)
class Row:
    """One mill of the table: rate [kg/h], sizes [mm], energy at shaft and socket [kWh/kg], and what limits it.

    mean: geometric mean size; fines: share finer than 0.05 mm; surface: of what is coarser, 6/x [1/mm]; net: energy
    above windage and bearings; chips, dust: shares of the product cut and rubbed off; cutting: what chips of the mill's
    own x50 would cost at the socket [kWh/kg]; jam: load on that limit; tip: speed of the tips that strike [m/s].
    """

    name: str
    status: str
    limit: str
    rate: float = NAN
    x10: float = NAN
    x50: float = NAN
    x90: float = NAN
    mean: float = NAN
    fines: float = NAN
    surface: float = NAN
    energy: float = NAN
    socket: float = NAN
    net: float = NAN
    chips: float = NAN
    dust: float = NAN
    cutting: float = NAN
    windage_W: float = NAN
    jam: float = NAN
    tip: float = NAN

    @property
    def hardly(self) -> bool:
        """Whether the mill hardly grinds."""
        return self.status == HARDLY_GRINDS

    @property
    def runs(self) -> bool:
        """Whether it makes powder at a rate."""
        return self.status in ("ok", "over capacity")

    @property
    def fine(self) -> bool:
        """Whether it makes very fine powder: nine tenths below 0.2 mm."""
        return self.x90 <= 0.2


def speed(v: float, R: float = 0.06) -> tuple[str, ...]:
    """Overrides for a tip speed [m/s], the motor losing 2.6 % of it at rated power."""
    return (f"drive.tip_speed={v} m/s", f"drive.speed_under_load={round(0.974 * v / R * 9.5493)} rpm")


def hole(mm: float) -> tuple[str, ...]:
    """Overrides for a plate with holes of one size [mm], a quarter open."""
    return (f"sieve.hole={mm} mm", f"sieve.pitch={2 * mm} mm", f"sieve.thickness={min(1.0, mm)} mm")


def material(name: str, celsius: float = 20.0) -> tuple[str, ...]:
    """Overrides for a card and the temperature of its feed."""
    return (f"feed.material={name}", f"feed.temperature={celsius} °C")


def gap(mm: float) -> str:
    """Override for the gap [mm]."""
    return f"stator.gap={mm} mm"


def motor(watts: float) -> str:
    """Override for the power at the shaft [W]."""
    return f"drive.rated_power={watts} W"


def swinging(grams: float) -> tuple[str, ...]:
    """Overrides for hammers of one mass [g]."""
    return ("rotor.mount=swinging", f"rotor.hammer_mass={grams} g", "rotor.pivot_radius=35 mm")


@cache
def mill(name: str, *overrides: str, cold: bool = False) -> Row:
    """The row of one mill: the plain one with overrides as for --set; cold: its first seconds, with the rotor alone."""
    text = DEMO.read_text(encoding="utf-8")
    if "stator.kind=smooth" in overrides:  # keys of pins are refused there
        words = ("pins", "pin_diameter", "free_length", "held", "threaded")
        text = "\n".join(x for x in text.splitlines() if not x.startswith(words))
        text = text.replace('yield_strength = "640 MPa"', "#")
    problem = build(parse_config(text, DEMO.name, DEMO.parent, [*PLAIN, *overrides]))
    try:
        o = (solve_cold_start if cold else solve)(problem, problem.config.feed.rate_kg_s)
    except NotConverged:
        return Row(name, "did not settle", "")
    return _row(name, problem, o)


def _row(name: str, p: Setup, o: Outcome) -> Row:
    F, total, m = float(o.state["F"]), o.product.sum(), p.mill[0]
    status = status_words(o.code, o.binding)
    if not total > 0.0:
        return Row(name, status, o.binding)
    share = o.product / total
    x10, x50, x90 = (psd.curve_x_at(p.edges, psd.cumulative(share), at) for at in (0.1, 0.5, 0.9))
    mean, coarse = float(np.exp(share @ np.log(p.x))), p.x >= FINE
    surface = float(share[coarse] @ (6e-3 / p.x[coarse]) / share[coarse].sum())
    energy = float(o.powers["shaft"]) / F / J_KWH
    idle = float(o.powers["windage"] + o.powers["bearings"]) / F / J_KWH
    cut = o.table[np.searchsorted(p.edges, x50) - 1]
    paid = chip_energy(x50, cut[CUT_A], cut[CUT_ZONE], cut[CUT_G]) / x50**3 / m["density"] / J_KWH
    return Row(
        name, status, o.binding, F * 3600, x10 * 1e3, x50 * 1e3, x90 * 1e3, mean * 1e3,
        float(share[~coarse].sum()), surface, energy,
        energy / m["efficiency"], energy - idle, float(o.flows["chips"]) / F, float(o.flows["dust"]) / F,
        float(paid / m["efficiency"]), float(o.powers["windage"]), float(o.loads[JAM]),
        float(o.state["v"]),
    )  # fmt: skip


Mills = tuple[tuple[str, tuple[str, ...]], ...]
TOUGH, BRITTLE = ("pe_pp", "pa", "abs"), ("pla", "pmma", "ps")
EDGES = ("blunt", "bevelled", "toothed")
CELSIUS = (20, -50, -78, -150)
# A hammer mill for grain: rotor of 20 cm, gap 8 mm, a smooth wall or one with two impact bars (assumed).
GRAIN = (
    *material("wheat"), *("rotor.radius=100 mm", "rotor.bar_height=60 mm", "rotor.mass=3 kg", "rotor.edge=blunt"),
    gap(8), *("sieve.area=300 cm2", "feed.opening=60 mm", "air.inlet_area=60 cm2", "air.filter_area=2 m2"),
)  # fmt: skip
# What builders of small mills end up with: teeth, a gap wider than the pellet, a motor of a few hundred watts.
HOME = (*material("pla"), "rotor.edge=toothed", gap(6))


def grain(v: float, mm: float, *wall: str) -> tuple[str, ...]:
    """Overrides of the grain mill at a tip speed [m/s] with holes of one size [mm]."""
    return (*GRAIN, *hole(mm), *speed(v, 0.1), *wall)


def cooled(name: str) -> Mills:
    """Mills of one material by the temperature of its feed."""
    return tuple((f"{T} °C", (*material(name, T), *speed(80), *hole(1.5), gap(1))) for T in CELSIUS)


def edged(name: str, mm: float) -> Mills:
    """Mills of one material by edge, at one gap [mm]."""
    return tuple((e, (*material(name), *hole(1.0), gap(mm), f"rotor.edge={e}")) for e in EDGES)


TABLE: dict[str, Mills] = {
    "tip speed": tuple((f"{v} m/s", speed(v)) for v in (20, 30, 45, 60, 80, 110)),
    "hole": tuple((f"{h} mm", hole(h)) for h in (0.2, 0.3, 0.6, 1.0, 1.5, 3.0)),
    "gap": tuple((f"{g} mm", (gap(g),)) for g in (0.3, 0.5, 1, 2, 3, 4, 6, 10, 15)),
    "bars": tuple((f"{n}", (f"rotor.bars={n}",)) for n in (1, 2, 4, 8, 12)),
    "bars, gap 15 mm": tuple((f"{n}", (f"rotor.bars={n}", gap(15))) for n in (1, 2, 4, 8, 12)),
    "edge": tuple((e, (f"rotor.edge={e}",)) for e in EDGES),
    "pins": (("smooth", ("stator.kind=smooth",)), *((f"{n}", (f"stator.pins={n}",)) for n in (6, 12, 24))),
    "thickness of a bar": tuple((f"{t} mm", (f"rotor.bar_thickness={t} mm",)) for t in (4, 8, 16)),
    "height of a bar": tuple((f"{h} mm", (f"rotor.bar_height={h} mm",)) for h in (10, 20, 30)),
    "run-out, pla, gap 1 mm, hole 1.5 mm": tuple(
        (f"{r} mm", (*material("pla"), *hole(1.5), gap(1), f"rotor.run_out={r} mm")) for r in (0, 0.3, 0.6)
    ),
    "feed": tuple((f"{x} mm", (f"feed.size.size={x} mm",)) for x in (0.3, 1, 2, 4, 8)),
    "rigid and swinging": (("rigid", ()), *((f"{g} g", swinging(g)) for g in (300, 50, 10))),
    **{f"{m}, 80 m/s, gap 1 mm, hole 1.5 mm": cooled(m) for m in (*TOUGH, *BRITTLE)},
    **{f"{m}, hole 1 mm, gap {g} mm": edged(m, g) for m in (*TOUGH, *BRITTLE) for g in (3, 1)},
    "fine powder, 300 W, 80 m/s": tuple(
        (f"{m} {h} mm", (*material(m), *speed(80), *hole(h), motor(300))) for m in BRITTLE for h in (0.2, 0.25)
    ),
    "pla, teeth, gap 6 mm, hole 0.6 mm": tuple(
        (f"{v} m/s {W} W", (*HOME, *speed(v), motor(W))) for v in (45, 60) for W in (200, 300)
    ),
    "wheat, smooth wall, hole 1 mm": tuple(
        (f"{v} m/s", grain(v, 1.0, "stator.kind=smooth", motor(5e3))) for v in (50, 60, 70, 80)
    ),
    "wheat, two impact bars": tuple(
        (f"{v} m/s {h}", grain(v, h, "stator.pins=2", motor(20e3))) for h in (2.38, 3.97, 6.35) for v in (52, 104)
    ),
}
PE, PLA = (f"{m}, 80 m/s, gap 1 mm, hole 1.5 mm" for m in ("pe_pp", "pla"))
SHORT = {  # of each part, the lines that the README shows
    "tip speed": ("45 m/s", "60 m/s", "80 m/s"), "hole": ("0.3 mm", "1.5 mm"), "gap": ("1 mm", "15 mm"),
    "bars": ("1", "12"), "edge": ("blunt", "toothed"), "pins": ("6", "24"), "rigid and swinging": ("10 g",),
    PLA: ("20 °C", "-78 °C"), PE: ("20 °C", "-150 °C"), "pe_pp, hole 1 mm, gap 3 mm": EDGES,
    "fine powder, 300 W, 80 m/s": ("pmma 0.2 mm",), "pla, teeth, gap 6 mm, hole 0.6 mm": ("60 m/s 300 W",),
    "wheat, smooth wall, hole 1 mm": ("60 m/s",),
}  # fmt: skip
HEAD = f"{'kg/h':>9s}{'x10':>7s}{'x50':>7s}{'x90 mm':>8s}{'kWh/kg':>8s}{'chips':>7s}"  # kWh/kg at the shaft


def line(r: Row) -> str:
    """A row as text; of a mill that hardly grinds no figures."""
    if not r.runs:
        return f"{'-':>9s}{'-':>7s}{'-':>7s}{'-':>8s}{'-':>8s}{'-':>7s}  {r.status}"
    shown = f"{r.rate:9.3g}{r.x10:7.3f}{r.x50:7.3f}{r.x90:8.3f}{r.energy:8.3g}{r.chips:7.1%}"
    return f"{shown}  {r.limit}"


def lines(table: dict[str, Mills] | None = None) -> list[str]:
    """The table as lines of text, part by part."""
    found = []
    for what, mills in (table or TABLE).items():
        found += ["", what, f"  {'':14s}{HEAD}"]
        found += [f"  {name:14s}{line(mill(name, *overrides))}" for name, overrides in mills]
    return found[1:]


def short_lines() -> list[str]:
    """The lines that the README shows, one for each mill."""
    chosen = [(what, name, o) for what, names in SHORT.items() for name, o in TABLE[what] if name in names]
    width = max(len(f"{what}: {name}") for what, name, _ in chosen)
    return [f"{'':{width}s}{HEAD}", *(f"{f'{w}: {n}':{width}s}{line(mill(n, *o))}" for w, n, o in chosen)]


if __name__ == "__main__":
    sys.stdout.write("\n".join(short_lines() if "--short" in sys.argv else lines()) + "\n")
