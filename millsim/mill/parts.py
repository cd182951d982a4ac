"""The parts as drawing and plates give them: metals, masses, inertia, balance, stock holes, the motor's own loss."""

import math
from dataclasses import dataclass

from ..base.numerics.uncompiled import as_written
from ..base.reading.sieves import ISO_R20_MM
from ..laws import drive, strength
from .config.mill import Config

BALANCE_GRADE = 6.3  # mm/s, of ISO 21940-11 where none is given: usual for fans and machine parts (from memory)
CASING_HEAT = {"steel": 480.0, "aluminium": 900.0, "printed": 1500.0}  # J/(kg K), handbook (printed: assumed)


@dataclass(frozen=True)
class Metal:
    """density [kg/m3], yield strength [Pa], thermal expansion [1/K], what gets into the powder, what they are of."""

    name: str
    in_powder: str
    density: float
    strength: float
    expansion: float
    source: str


METALS = {  # by rotor.material; densities and expansion: handbook; strengths from memory
    "steel": Metal("mild steel", "iron", 7850.0, 235e6, 12e-6, "S235 of EN 10025"),
    "stainless": Metal("stainless steel", "steel", 7900.0, 190e6, 16e-6, "1.4301 of EN 10088"),
    "aluminium": Metal("aluminium", "aluminium", 2700.0, 150e6, 23e-6, "EN AW-6060 T6 of EN 755"),
    "printed": Metal("printed plastic", "rotor plastic", 1240.0, 50e6, 70e-6, "PLA"),
}
MILD_STEEL = METALS["steel"]


def rotor_metal(config: Config) -> Metal:
    """What the rotor is made of; mild steel where nothing is given."""
    return METALS[config.rotor.material or "steel"]


def drawn_bars(config: Config, metal: Metal) -> float:
    """Mass [kg] of the bars, axis to tip, as drawn."""
    r = config.rotor
    return r.bars_in_all * r.radius_m * r.bar_height_m * r.bar_thickness_m * metal.density


def hammers_mass(config: Config) -> float:
    """Mass [kg] of all swinging hammers; 0 without."""
    r = config.rotor
    return r.bars_in_all * (r.hammer_mass_kg or 0.0) if r.mount == "swinging" else 0.0


def hammer_centre(config: Config) -> float:
    """Radius [m] of the middle of a hammer that is stretched out: half-way from its pivot to the tip."""
    return (config.rotor.radius_m + (config.rotor.pivot_radius_m or 0.0)) / 2.0


def turning_mass(config: Config) -> float | None:
    """Rotor with its hammers [kg]; None where rotor.mass is not given."""
    mass = config.rotor.mass_kg
    return None if mass is None else mass + hammers_mass(config)


def inertia(config: Config) -> float:
    """Moment of inertia [kg m2] of bars across the shaft, and hammers; plain steel bars where no mass is given."""
    r = config.rotor
    mass = r.mass_kg if r.mass_kg is not None else drawn_bars(config, MILD_STEEL)
    bars = strength.bar_inertia(mass, r.radius_m)
    return bars + hammers_mass(config) * hammer_centre(config) ** 2


def balance_grade(config: Config) -> float:
    """Grade G [mm/s] of ISO 21940-11 the rotor is balanced to."""
    return config.rotor.balance_grade or BALANCE_GRADE


def own_loss(config: Config) -> float:
    """Power [W] from the socket of the motor with nothing on it, at the speed it is set to; 0 where not given."""
    d = config.drive
    if d.no_load_power_W is None or d.no_load_speed_rad_s is None:
        return 0.0
    return as_written(drive.own_loss)(d.no_load_power_W, d.speed_rad_s, d.no_load_speed_rad_s)


def shaft_power(config: Config, socket_W: float, alone_W: float | None = None) -> float:
    """Power [W] at the shaft of what is drawn from the socket; alone_W: of the motor alone, where it was measured."""
    d, own = config.drive, own_loss(config) if alone_W is None else alone_W
    if own <= 0.0:
        return socket_W * d.efficiency
    return as_written(drive.motor_output)(socket_W, d.shaft_rated_W, d.efficiency, own)


def socket_power(config: Config, shaft_W: float) -> float:
    """Power [W] from the socket at a shaft power."""
    d, own = config.drive, own_loss(config)
    if own <= 0.0:
        return shaft_W / d.efficiency
    return as_written(drive.motor_input)(shaft_W, d.shaft_rated_W, d.efficiency, own)


def stock_hole(size_m: float, most_m: float = math.inf) -> float:
    """Return the hole (m) nearest to a size that is sold, of those up to `most_m`: R20 of ISO 565, which names the
    openings of perforated plate and wire cloth alike. Beyond the table the size itself.
    """
    sold = [x / 1000 for x in ISO_R20_MM if x / 1000 <= most_m * (1 + 1e-9)]
    if not sold or not ISO_R20_MM[-1] / 1000 <= size_m <= ISO_R20_MM[0] / 1000:
        return size_m
    return min(sold, key=lambda x: abs(math.log(x / size_m)))
