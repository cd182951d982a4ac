"""What a card may hold: every parameter with its SI unit, the bounds of the possible, and its meaning.

The bounds reject slips of unit and sign; what is plausible for one material is the card's own low and high.
"""

from dataclasses import dataclass

from ...base.quantities.params import Param


@dataclass(frozen=True)
class CardEntry:
    """One parameter of a card; `low` and `high` bound what is physically possible, in SI."""

    name: str
    unit: str
    low: float
    high: float
    about: str
    optional: bool = False
    default: "Default | None" = None  # for a card that was written before the parameter was known


@dataclass(frozen=True)
class Default:
    """What an optional parameter is where a card does not say, in SI, and why."""

    value: float
    low: float
    high: float
    why: str
    scale: str = "linear"

    def param(self, name: str, unit: str) -> Param:
        """The parameter that a card would hold."""
        return Param(name, self.value, unit, self.low, self.high, "assumed", f"default: {self.why}", self.scale)


def _table(*rows: tuple) -> dict[str, CardEntry]:
    return {row[0]: CardEntry(*row) for row in rows}


_EXPONENT = Default(1.0, 0.7, 1.2, "strength follows from one crack across the piece, so the energy from 1/size")
_SIZE = Default(4e-3, 4e-3, 4e-3, "the size of a pellet")
_SPLIT = Default(3.0, 2.0, 5.0, "a power of 3 has exactly the new surface of one crack across")
_SHATTER = Default(1.0, 0.3, 3.0, "as fast as breakage itself grows with the energy", "log")
_THICKNESS = Default(5e-6, 1e-6, 25e-6, "between the craze of a polymer and half a plant cell", "log")
_FINES = Default(1.2, 0.8, 2.0, "a little more of the coarse fines than of the fine ones")
_ZONE = "yielding zone ahead of a crack, 0.3 E Gc/yield^2, within 5 um to 0.3 mm"
_FLOOR = Default(5e-5, 5e-6, 3e-4, _ZONE, "log")  # its value follows from the card
_BOUNCE = Default(0.12, 0.05, 0.25, "between nearly elastic and the fully plastic 1/4")
_MODULUS = Default(2.5e9, 0.8e9, 4e9, "a stiff polymer", "log")

MATERIAL = _table(
    ("density", "kg/m3", 100.0, 23000.0, "of the solid"),
    ("bulk_fraction", "-", 0.2, 0.8, "loose bulk density over density"),
    ("specific_heat", "J/(kg K)", 100.0, 5000.0, "at 298 K"),
    ("heat_exponent_share", "-", 0.0, 1.0, "s in cp(T) = cp (1 - s + s T/298 K)"),
    ("conductivity", "W/(m K)", 0.01, 500.0, "heat conductivity"),
    ("stick_temperature", "K", 200.0, 2000.0, "above it the charge sticks, smears, scorches or burns"),
    ("glass_temperature", "K", 100.0, 2000.0, "softening of the surface; near it the sieve blinds"),
    ("temperature_warm", "K", 250.0, 400.0, "where the warm breakage data hold"),
    ("temperature_cold", "K", 4.0, 390.0, "where the cold breakage data hold"),
    ("f_mat_warm", "kg/(J m)", 1e-5, 100.0, "breakage strength parameter, warm"),
    ("f_mat_cold", "kg/(J m)", 1e-5, 100.0, "breakage strength parameter, cold"),
    ("xw_min_warm", "J m/kg", 1e-5, 1000.0, "threshold energy times size, warm"),
    ("xw_min_cold", "J m/kg", 1e-5, 1000.0, "threshold energy times size, cold"),
    ("threshold_exponent", "-", 0.3, 2.0, "a in threshold energy ~ size^-a", True, _EXPONENT),
    ("threshold_size", "m", 1e-5, 0.1, "size at which xw_min holds", True, _SIZE),
    ("split_exponent", "-", 0.5, 10.0, "power of the fragment sizes of a piece that splits", True, _SPLIT),
    ("daughter_exponent", "-", 0.2, 6.0, "power of the fragment sizes of a piece that shatters"),
    ("shatter_slope", "-", 0.01, 100.0, "how fast excess energy turns splitting into shattering", True, _SHATTER),
    ("fines_thickness", "m", 1e-8, 1e-3, "layer of each crack face that is crushed to fines", True, _THICKNESS),
    ("fines_exponent", "-", 0.2, 6.0, "power of the sizes of crushed fines", True, _FINES),
    ("fines_limit", "m", 1e-7, 2e-3, "top size of crushed fines"),
    ("fragment_floor", "m", 1e-7, 1e-2, "below it coarse fragments become rare", True, _FLOOR),
    ("nip_exponent", "-", 0.2, 6.0, "power of the piece sizes after nip shear"),
    ("restitution", "-", 0.02, 0.99, "on steel at 5 m/s"),
    ("restitution_exponent", "-", 0.0, 0.5, "n in restitution ~ speed^-n", True, _BOUNCE),
    ("yield_stress", "Pa", 1e5, 2e10, "dynamic, warm"),
    ("yield_slope", "Pa/K", -1e8, 0.0, "its change with temperature"),
    ("modulus", "Pa", 1e6, 1e12, "of elasticity, warm", True, _MODULUS),
    ("fracture_energy", "J/m2", 0.1, 1e5, "per crack area, at impact rate"),
    ("cut_factor", "-", 0.5, 20.0, "C in the cutting work C yield + fracture energy / chip"),
    ("friction", "-", 0.02, 1.5, "piece sliding on steel"),
    ("shape", "-", 0.3, 1.3, "size a sieve hole sees over size"),
    ("combustible", "-", 0.0, 1.0, "whether the dust can burn, 0 or 1; unknown where a card does not say", True),
    ("mec", "kg/m3", 1e-3, 10.0, "least explosible dust concentration", True),
    ("mie", "J", 1e-6, 100.0, "least ignition energy of the dust", True),
)

_SHARE, _ANY = (0.0, 1.0), (1e-6, 1e6)

MODEL = _table(
    ("layer_speed_ratio", "-", 0.0, 0.95, "layer speed over tip speed, wall with pins"),
    ("layer_speed_smooth", "-", 0.0, 0.95, "the same, smooth wall"),
    ("scatter_depth", "m", 1e-4, 0.1, "how far pieces scatter into the bars' path"),
    ("rate_multiplier", "-", 1e-3, 1e3, "calibration of the breakage rate"),
    ("edge_share_blunt", "-", *_SHARE, "share of a hit's energy that cuts chips, blunt edge"),
    ("edge_share_bevelled", "-", *_SHARE, "the same, bevelled edge"),
    ("edge_share_toothed", "-", *_SHARE, "the same, toothed edge"),
    ("edge_radius_blunt", "m", 1e-7, 5e-3, "radius of the cutting corner, blunt edge"),
    ("edge_radius_bevelled", "m", 1e-7, 5e-3, "the same, bevelled edge"),
    ("edge_radius_toothed", "m", 1e-7, 5e-3, "the same, toothed edge"),
    ("chip_size_blunt", "m", 1e-6, 5e-3, "largest chip (depth of a tooth, a cap), blunt edge"),
    ("chip_size_bevelled", "m", 1e-6, 5e-3, "the same, bevelled edge"),
    ("chip_size_toothed", "m", 1e-6, 5e-3, "the same, toothed edge"),
    ("plough_ratio", "-", 0.0, 20.0, "least chip over edge radius; below it the edge only ploughs"),
    ("plough_factor", "-", 0.0, 20.0, "k in the ploughing term k yield radius of a chip's surface energy"),
    ("crack_ratio", "-", 0.01, 3.0, "c in the yielding zone ahead of a crack, c E Gc/yield^2"),
    ("chip_exponent", "-", 0.2, 10.0, "power of the chip sizes"),
    ("bite_friction_blunt", "-", 0.02, 2.0, "effective friction of the nip, blunt edge"),
    ("bite_friction_bevelled", "-", 0.02, 2.0, "the same, bevelled edge"),
    ("bite_friction_toothed", "-", 0.02, 2.0, "the same, toothed edge"),
    ("bridge_grip", "-", *_SHARE, "share of two-piece stacks in a nip that hold instead of squeezing out sideways"),
    ("land_share", "-", *_SHARE, "share of the bar's thickness whose land hits"),
    ("attrition_share", "-", *_SHARE, "share of rubbing work that cuts dust"),
    ("nip_width", "rad", 1e-3, 1.5, "softness of the nip criterion"),
    ("sieve_factor", "-", 1e-3, 1e3, "calibration of the sieve escape"),
    ("slow_share", "-", *_SHARE, "share of sieve contacts after a bounce, nearly normal"),
    ("usable_open", "-", 0.01, 1.0, "share of the open area not blinded"),
    ("skim_ratio_low", "-", 0.0, 100.0, "lowest tangential over normal speed at the sieve"),
    ("skim_ratio_high", "-", 0.0, 1000.0, "highest tangential over normal speed at the sieve"),
    ("wall_contacts", "-", 0.01, 100.0, "sieve contacts per strike"),
    ("peg_probability", "-", *_SHARE, "that a near-size contact pegs a hole"),
    ("clear_rate", "1/s", 0.0, 100.0, "at which pegged holes clear"),
    ("fan_flow_coefficient", "-", 1e-3, 1.0, "free flow over pi D b v_tip"),
    ("inlet_loss", "-", 0.0, 100.0, "loss coefficient of the air inlet"),
    ("filter_resistance", "Pa s/m", 1.0, 1e6, "pressure over face velocity, filter in use"),
    ("drag_coefficient", "-", 0.1, 5.0, "of a bar in air"),
    ("pin_drag", "-", 0.1, 5.0, "drag coefficient of a pin in swirling air"),
    ("wall_friction", "-", 1e-4, 0.1, "friction coefficient of swirling air on wall and sieve"),
    ("windage_factor", "-", 1e-2, 100.0, "calibration of the windage by an idle run"),
    ("bearing_torque", "N m", 0.0, 10.0, "of bearings and seals"),
    ("speed_loss_regulated", "-", 0.0, 0.9, "of its speed a tool loses at rated power, electronics hold it"),
    ("speed_loss_unregulated", "-", 0.0, 0.9, "the same, without electronics"),
    ("speed_loss_unknown", "-", 0.0, 0.9, "the same, with or without: not said"),
    ("inner_heat_transfer", "W/(m2 K)", 0.1, 1e4, "charge to casing"),
    ("casing_heat_loss", "W/K", 0.0, 1e3, "casing to room"),
    ("film_factor", "-", 0.01, 100.0, "calibration of the heat transfer between air and pieces"),
    ("jam_share", "-", 0.01, 1.0, "share of the rotor energy one pass may take"),
    ("chamber_fill", "-", 0.01, 1.0, "share of the chamber the charge may fill, as bulk"),
    ("hub_share", "-", 0.0, 0.95, "hub radius over rotor radius"),
    ("error_size", "-", 0.0, 2.0, "the model's own error: in the size of all the powder, as a share of it"),
    ("error_curve", "-", 0.0, 0.5, "the same in the shape of the distribution, in Q3 at its middle"),
    ("error_work", "-", 0.0, 2.0, "the same in the work that a kilogram takes"),
    ("error_rate", "-", 0.0, 2.0, "the same in the largest rate, beside that of the work"),
    ("error_holdup", "-", 0.0, 2.0, "the same in the charge that stays in the chamber"),
    ("error_rise", "-", 0.0, 2.0, "the same in how far powder and air warm up"),
    ("repeat_size", "-", 0.0, 2.0, "from run to run: size of all the powder, as a share of it"),
    ("repeat_work", "-", 0.0, 2.0, "the same for the work that a kilogram takes"),
    ("repeat_rate", "-", 0.0, 2.0, "the same for the largest rate"),
    ("repeat_holdup", "-", 0.0, 2.0, "the same for the charge in the chamber"),
    ("repeat_rise", "-", 0.0, 2.0, "the same for how far powder and air warm up"),
)

# Parameters of earlier editions: still read, but of no effect. Each with the reason that the user is told.
IGNORED = {
    "daughter_speed_slope": "the energy above the threshold now says how fine a piece breaks",
    "air_swirl": "the swirl of the air now follows from bars, pins, wall and flow",
    "windage_swirl": "the swirl of the air now follows from bars, pins, wall and flow",
}
