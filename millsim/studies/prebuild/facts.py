"""What every check needs to know of a mill: speeds, the largest feed piece, metals, and the prediction if any.

Nothing here is compiled or predicted. Laws that are compiled elsewhere are called as the plain functions they were
written as, so that a review without a prediction starts at once.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from ...base.numerics.uncompiled import as_written, by_field
from ...base.once import once
from ...base.quantities import units
from ...laws import air, breakage, cutting, drive, strength
from ...mill import parts
from ...mill.config.mill import Config
from ...mill.problem import build
from ...record.heatlimit import HeatLimit, heat_limit
from ...record.prediction import Foretold

DYNAMIC = 1.5  # a blow against a load put on slowly (assumed, of 1.5 to 2; the ideal sudden load is 2)
SCREW_YIELD = 640e6  # Pa, property class 8.8 of ISO 898-1 (from memory)
PLASTIC = 2.0  # mean contact pressure over yield stress, 2 to 2.8 (Johnson 1985, Contact Mechanics, from memory)
_SHOW = {"m3/h": "m³/h", "cm2": "cm²", "degC": "°C", "um": "µm", "m2": "m²", "g/m3": "g/m³"}


@lru_cache(4096)
def say(value: float, unit: str = "-", digits: int = 3) -> str:
    """An SI value for people, in that unit, to a few digits: (4.5e6, "MPa") -> "4.5 MPa"."""
    if not math.isfinite(value):
        return "unlimited"
    shown = float(f"{units.in_unit(value, units.UNITS[unit]):.{digits}g}")
    number = f"{shown:.0f}" if abs(shown) >= 1000 else f"{shown:g}"
    number = "under 0.0001" if 0.0 < shown < 1e-4 else number
    if unit in ("-", "deg"):
        return number + ("°" if unit == "deg" else "")
    return f"{number} {_SHOW.get(unit, unit)}"


class Hammer(NamedTuple):
    """A hammer: its mass [kg] and the radius of its pivot [m]."""

    mass: float
    pivot: float


@dataclass(frozen=True)
class MillFacts:
    """A config with what follows from it, and a prediction or None; built: its MILL record, where it is at hand."""

    config: Config
    prediction: Foretold | None
    built: np.void | None = None

    @once
    def mill(self) -> dict[str, float]:
        """The MILL record by field: geometry and all parameters, calibrated where the config says so."""
        return by_field(build(self.config).mill[0] if self.built is None else self.built)

    @once
    def omega(self) -> float:
        """Rotor speed without load [rad/s], the highest there is."""
        return self.config.drive.speed_rad_s

    @once
    def tip(self) -> float:
        """Tip speed without load [m/s]."""
        return self.omega * self.config.rotor.radius_m

    @once
    def metal(self) -> parts.Metal:
        """The rotor's metal; mild steel where none is given."""
        return parts.rotor_metal(self.config)

    @once
    def strength(self) -> float:
        """Yield strength of the rotor [Pa]: as given, else that of its metal."""
        return self.config.rotor.yield_strength_Pa or self.metal.strength

    @property
    def metal_words(self) -> str:
        """What the rotor is made of and its yield, with what that rests on: "steel, 900 MPa as given"."""
        r = self.config.rotor
        if r.yield_strength_Pa:
            return f"{r.material or 'metal'}, yield {say(self.strength, 'MPa')} as given"
        return f"{self.metal.name}, {self.metal.source}, yield {say(self.strength, 'MPa')}"

    @once
    def swinging(self) -> bool:
        """Whether the rotor carries hammers."""
        return self.config.rotor.mount == "swinging"

    @once
    def hammer(self) -> Hammer:
        """One of the hammers of a rotor that swings them."""
        r = self.config.rotor
        assert r.hammer_mass_kg is not None and r.pivot_radius_m is not None
        return Hammer(r.hammer_mass_kg, r.pivot_radius_m)

    @once
    def pins(self) -> int:
        """Pins of the stator; 0 for a smooth wall."""
        return self.config.stator.pins if self.config.stator.kind == "pins" else 0

    @once
    def piece(self) -> float:
        """Largest piece of the feed as given [m]."""
        return self.config.feed.size.top_m

    @once
    def coarse(self) -> float:
        """Size [m] that 95 % of the feed is finer than: of many pieces at once, not all are the largest."""
        return self.config.feed.size.largest_m

    @once
    def piece_mass(self) -> float:
        """Mass of such a piece as a ball [kg]."""
        return self.mill["density"] * math.pi / 6.0 * self.piece**3

    @once
    def nips(self) -> bool:
        """Whether such a piece can be caught between bar and pin."""
        return self.piece > self.config.stator.gap_m and self.pins > 0

    @property
    def dragged(self) -> bool:
        """Whether such a piece is larger than the gap to a smooth wall, of which the model knows no bites."""
        return self.piece > self.config.stator.gap_m and self.pins == 0

    @once
    def yield_stress(self) -> float:
        """Yield stress of the feed [Pa] under a blow, at the temperature it is fed at."""
        m = self.mill
        return as_written(cutting.yield_at)(m["yield_stress"], m["yield_slope"], m["T_feed"], m["temperature_warm"])

    @once
    def breakage(self) -> tuple[float, float]:
        """f_Mat [kg/(J m)] and threshold energy times size [J m/kg] of the largest piece as it is fed."""
        m = self.mill
        T, warm, cold = (m[name] for name in ("T_feed", "temperature_warm", "temperature_cold"))
        f_mat, xw_min = (
            as_written(breakage.log_between)(T, warm, cold, m[f"{name}_warm"], m[f"{name}_cold"])
            for name in ("f_mat", "xw_min")
        )
        size, a = m["threshold_size"], m["threshold_exponent"]
        return m["rate_multiplier"] * f_mat, as_written(breakage.threshold_at)(self.piece, xw_min, size, a)

    @property
    def chamber_wall(self) -> float:
        """The wall around the bars [m2], all that a sieve could take."""
        c = self.config
        return 2.0 * math.pi * (c.rotor.radius_m + c.stator.gap_m) * c.rotor.height_m

    @once
    def runs(self) -> bool:
        """Whether it runs, as far as it is known: for one that does not, less feed is no cure."""
        return self.prediction is None or self.prediction.runs or self.prediction.too_little

    @once
    def windage(self) -> float:
        """Power [W] to drag the bars through the air at no load, with no air let through: the least it may be."""
        m, H = self.mill, self.mill["H"] * self.mill["swept_share"]
        n, C_d, R, r_0 = (m[k] for k in ("n_bars", "drag_coefficient", "R", "r_drag"))
        still = (m[k] for k in ("n_pins", "pin_drag", "d_pin", "wall_friction", "R_stator"))
        k = as_written(air.air_swirl)(n, C_d, H, R, r_0, *still, 0.0)
        rho = as_written(air.air_density)(m["T_room"])
        return m["windage_factor"] * as_written(air.windage_power)(n, rho, C_d, H, self.omega, k, R, r_0)

    @once
    def shear_force(self) -> float:
        """Force [N] that shears the largest piece across."""
        return as_written(cutting.shear_force)(self.yield_stress, self.piece)

    @once
    def blow_force(self) -> float:
        """Peak force [N] of the largest piece that is hit, or hits a pin, at tip speed."""
        return strength.impact_force(self.tip, self.piece, self.mill["density"], PLASTIC * self.yield_stress)

    @once
    def bite(self) -> float:
        """Energy [J] that parts it: by shear, or by a crack where that takes less."""
        density = self.mill["density"]
        return self.piece_mass * as_written(cutting.shear_energy)(
            self.yield_stress, density, self.piece, *self.breakage
        )

    @once
    def coarse_work(self) -> float:
        """Energy [J] that shears a coarse piece right across: what one takes that yields and does not crack."""
        return 0.25 * as_written(cutting.shear_force)(self.yield_stress, self.coarse) * self.coarse

    @once
    def energy(self) -> float:
        """Energy stored in the turning rotor [J]."""
        return as_written(drive.kinetic_energy)(self.mill["inertia"], self.omega)

    @once
    def rotating_mass(self) -> float | None:
        """Rotor with its hammers [kg]; None where rotor.mass is not given."""
        return parts.turning_mass(self.config)

    @once
    def heat(self) -> HeatLimit:
        """What the powder may reach, and what is advised."""
        return heat_limit(self.config.material.value("stick_temperature"), self.config.limits.outlet_temperature_K)

    @once
    def limit_K(self) -> float:
        """Temperature the powder may reach [K]: the user's limit, else where the material begins to stick."""
        return self.prediction.temperature_limit_K if self.prediction else self.mill["T_limit"]

    def scalar(self, key: str) -> float | None:
        """A figure of the prediction; None where there is none, or it is not a finite number."""
        found = self.prediction.figure(key) if self.prediction else math.nan
        return found if math.isfinite(found) else None

    @once
    def load(self) -> float | None:
        """Steady shaft power predicted [W], of a batch its mean; None without a prediction."""
        if self.config.feed.batch_mass_kg:
            return self.scalar("shaft_power_W")
        found = self.prediction.shaft_load if self.prediction else math.nan
        return found if math.isfinite(found) else None

    @once
    def rate(self) -> float | None:
        """Powder rate predicted [kg/s]; None without a prediction, or where the mill does not run."""
        runs = self.prediction is not None and self.prediction.runs
        return self.scalar("throughput_kg_s") if runs else None
