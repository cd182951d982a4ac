"""Usual home-made mills, and what each makes of a material over a row of sieves: what real mills need, by the model.

Two mills stand for all: a slower one with bevelled bars and one at the top of what a workshop may turn, with teeth;
each as high along its shaft as its motor needs, so that powder per watt does not depend on the motor. Each is tried
with parameters drawn from all ranges, and with the model's own error.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import pi

import numpy as np

from ...forecast import band
from ...forecast.error import errors
from ...laws.strength import TIP_CAP
from ...mill.config.mill import Config, parse_config
from ...mill.problem import build

HOLES_M = (0.05e-3, 0.08e-3, 0.125e-3, 0.2e-3, 0.315e-3, 0.5e-3, 0.8e-3, 1.25e-3, 2e-3, 3.15e-3)  # R10 of ISO 565
RADIUS_M = 60e-3
MILLS = ((60.0, "bevelled"), (TIP_CAP, "toothed"))  # tip speed [m/s], edge
DRAWS = 24
SIZES = ("x50", "x90")
SLIP = 0.97  # speed under load over that without
PITCH = 1.8  # of the holes, over their width: a good quarter of the sheet is open
CLASS_RATIO, TOLERANCE = 1.3, 1e-5  # coarse: the bands are wide

_TEXT = """
[mill]
name = "usual mill"
[rotor]
radius = "60 mm"
bars = 4
bar_height = "20 mm"
bar_thickness = "8 mm"
edge = "bevelled"
mount = "rigid"
mass = "0.6 kg"
[stator]
kind = "pins"
pins = 12
pin_diameter = "8 mm"
free_length = "20 mm"
gap = "1 mm"
[sieve]
kind = "plate"
hole = "1 mm"
pitch = "1.8 mm"
thickness = "1 mm"
area = "60 cm2"
[drive]
rated_power = "1100 W"
rated_at = "shaft"
efficiency = 1.0
tip_speed = "60 m/s"
[air]
inlet_area = "20 cm2"
filter_area = "1 m2"
blower_pressure = "500 Pa"
[feed]
material = "pmma"
rate = "as fast as it can grind"
opening = "30 mm"
[feed.size]
kind = "single"
size = "4 mm"
"""


@dataclass(frozen=True)
class Tried:
    """What the usual mills make: arrays (mills, holes, draws); NaN sizes where nothing comes out.

    energy_J_kg: of the shaft (inf: nothing comes out); idle, hard: shares of the shaft's work that turn the empty mill,
    of the hits that are hard enough to break.
    """

    sizes: dict[str, np.ndarray]  # "x50", "x90" [m]
    energy_J_kg: np.ndarray
    idle: np.ndarray
    hard: np.ndarray


def usual_config(material: str, feed_K: float, mill: int, hole_m: float) -> Config:
    """One of the usual mills with a sieve, as a config. Raises InputError: of a material that is none."""
    speed, edge = MILLS[mill]
    mm = hole_m * 1e3
    keys = {
        "feed.material": material, "feed.temperature": f"{feed_K - 273.15:.2f} degC", "sieve.hole": f"{mm:g} mm",
        "sieve.pitch": f"{PITCH * mm:.6g} mm", "sieve.thickness": f"{min(1.0, mm):g} mm", "rotor.edge": edge,
        "drive.tip_speed": f"{speed:g} m/s", "run.class_ratio": f"{CLASS_RATIO:g}",
        "drive.speed_under_load": f"{SLIP * speed / RADIUS_M * 30.0 / pi:.0f} rpm",
    }  # fmt: skip
    return parse_config(_TEXT, "the usual mill", overrides=[f"{k}={v}" for k, v in keys.items()])


def try_usual(
    material: str, feed_K: float, draws: int = DRAWS, holes_m: tuple[float, ...] = HOLES_M, seed: int = 1,
    progress: Callable[[float], None] | None = None,
) -> Tried:  # fmt: skip
    """All usual mills with all holes and draws: common draws, and one error of the model for all of them."""
    problems = [build(usual_config(material, feed_K, k, hole)) for k in range(len(MILLS)) for hole in holes_m]
    records = band.common_draws(problems, draws, seed)
    off = errors(problems[0], draws, seed)
    found: dict[str, list[np.ndarray]] = {n: [] for n in (*SIZES, "energy", "idle", "hard")}
    for i, (p, mills) in enumerate(zip(problems, records, strict=True)):
        for name, values in _read(band.run_samples(p, mills, None, None, off)).items():
            found[name].append(values)
        if progress:
            progress((i + 1) / len(problems))
    a = {n: np.array(x).reshape(len(MILLS), len(holes_m), draws) for n, x in found.items()}
    return Tried({n: a[n] for n in SIZES}, a["energy"], a["idle"], a["hard"])


def _read(s: band.Samples) -> dict[str, np.ndarray]:
    """The figures of one mill's draws that are kept; of a draw in which nothing comes out, none."""
    none = np.full(s.ok.size, np.nan)
    v = {n: s.values.get(n, none) for n in _READ}
    runs = s.ok & (v["throughput_kg_s"] > 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        energy = np.where(runs, v["shaft_power_W"] / v["throughput_kg_s"], np.inf)
        idle = np.where(runs, v["idle_power_W"] / v["electrical_power_W"], np.nan)
    hard = np.where(runs, v["hits_above_threshold_share"], np.nan)
    return {"energy": energy, "idle": idle, "hard": hard} | {n: np.where(runs, v[f"{n}_m"], np.nan) for n in SIZES}


_READ = (
    "throughput_kg_s", "shaft_power_W", "idle_power_W", "electrical_power_W", "x50_m", "x90_m",
    "hits_above_threshold_share",
)  # fmt: skip


def energy_at(t: Tried, fineness: str, x_m: np.ndarray) -> np.ndarray:
    """Least energy of the shaft [J/kg] for powder at least as fine as sizes x (n,), of each mill and draw: (mills,
    draws, n). inf: with no hole.

    Between two holes in proportion, in logarithms; never more for coarser powder.
    """
    mills, _, draws = t.energy_J_kg.shape
    found = np.full((mills, draws, x_m.size), np.inf)
    for k in range(mills):
        for d in range(draws):
            made = np.isfinite(t.energy_J_kg[k, :, d]) & np.isfinite(t.sizes[fineness][k, :, d])
            if made.any():
                sizes, energy = t.sizes[fineness][k, made, d], t.energy_J_kg[k, made, d]
                order = np.argsort(sizes)
                least = np.minimum.accumulate(energy[order])
                found[k, d] = np.exp(np.interp(np.log(x_m), np.log(sizes[order]), np.log(least)))
                found[k, d, x_m < sizes.min()] = np.inf
    return found


def near(t: Tried, fineness: str, x_m: float, values: np.ndarray) -> float:
    """Median over mills and draws of values (mills, holes, draws), each at the hole whose powder is nearest to a size;
    NaN where hardly one makes any."""
    off = np.abs(np.log(np.where(np.isfinite(t.energy_J_kg), t.sizes[fineness], np.nan) / x_m))
    off = np.where(np.isnan(off), np.inf, off)
    at = np.take_along_axis(values, off.argmin(axis=1)[:, None], axis=1)[:, 0]
    good = np.isfinite(off.min(axis=1)) & np.isfinite(at)
    return float(np.median(at[good])) if good.sum() > 2 else float("nan")
