"""What a card may hold: every parameter with its SI unit, the bounds of the possible, and its meaning.

The bounds reject slips of unit and sign; what is plausible for one material is the card's own low and high.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class CardEntry:
    """One parameter of a card; `low` and `high` bound what is physically possible, in SI."""

    name: str
    unit: str
    low: float
    high: float
    about: str
    optional: bool = False


def _table(*rows: tuple) -> dict[str, CardEntry]:
    return {row[0]: CardEntry(*row) for row in rows}


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
    ("daughter_exponent", "-", 0.2, 6.0, "power of the fragment sizes at 50 m/s"),
    ("daughter_speed_slope", "s/m", -0.1, 0.0, "its change with impact speed"),
    ("fines_limit", "m", 1e-7, 2e-3, "below it fragments become rare"),
    ("nip_exponent", "-", 0.2, 6.0, "power of the piece sizes after nip shear"),
    ("restitution", "-", 0.02, 0.99, "on steel at 5 m/s"),
    ("yield_stress", "Pa", 1e5, 2e10, "dynamic, warm"),
    ("yield_slope", "Pa/K", -1e8, 0.0, "its change with temperature"),
    ("fracture_energy", "J/m2", 0.1, 1e5, "per crack area, at impact rate"),
    ("cut_factor", "-", 0.5, 20.0, "C in the cutting work C yield + fracture energy / chip"),
    ("friction", "-", 0.02, 1.5, "piece sliding on steel"),
    ("shape", "-", 0.3, 1.3, "size a sieve hole sees over size"),
    ("mec", "kg/m3", 1e-3, 10.0, "least explosible dust concentration", True),
    ("mie", "J", 1e-6, 100.0, "least ignition energy of the dust", True),
)

_SHARE, _ANY = (0.0, 1.0), (1e-6, 1e6)

MODEL = _table(
    ("layer_speed_ratio", "-", 0.0, 0.95, "layer speed over tip speed"),
    ("scatter_depth", "m", 1e-4, 0.1, "how far pieces scatter into the bars' path"),
    ("rate_multiplier", "-", 1e-3, 1e3, "calibration of the breakage rate"),
    ("edge_share_blunt", "-", *_SHARE, "share of a hit's energy that cuts chips, blunt edge"),
    ("edge_share_bevelled", "-", *_SHARE, "the same, bevelled edge"),
    ("edge_share_toothed", "-", *_SHARE, "the same, toothed edge"),
    ("chip_size_blunt", "m", 1e-6, 5e-3, "chip size, blunt edge"),
    ("chip_size_bevelled", "m", 1e-6, 5e-3, "chip size, bevelled edge"),
    ("chip_size_toothed", "m", 1e-6, 5e-3, "chip size, toothed edge"),
    ("chip_exponent", "-", 0.2, 10.0, "power of the chip sizes"),
    ("bite_friction_blunt", "-", 0.02, 2.0, "effective friction of the nip, blunt edge"),
    ("bite_friction_bevelled", "-", 0.02, 2.0, "the same, bevelled edge"),
    ("bite_friction_toothed", "-", 0.02, 2.0, "the same, toothed edge"),
    ("nip_width", "rad", 1e-3, 1.5, "softness of the nip criterion"),
    ("sieve_factor", "-", 1e-3, 1e3, "calibration of the sieve escape"),
    ("slow_share", "-", *_SHARE, "share of sieve contacts after a bounce, nearly normal"),
    ("usable_open", "-", 0.01, 1.0, "share of the open area not blinded"),
    ("skim_ratio_low", "-", 0.0, 100.0, "lowest tangential over normal speed at the sieve"),
    ("skim_ratio_high", "-", 0.0, 1000.0, "highest tangential over normal speed at the sieve"),
    ("wall_contacts", "-", 0.01, 100.0, "sieve contacts per strike"),
    ("peg_probability", "-", *_SHARE, "that a near-size contact pegs a hole"),
    ("clear_rate", "1/s", 0.0, 100.0, "at which pegged holes clear"),
    ("air_swirl", "-", *_SHARE, "air speed over tip speed, for the fan pressure"),
    ("fan_flow_coefficient", "-", 1e-3, 1.0, "free flow over pi D b v_tip"),
    ("inlet_loss", "-", 0.0, 100.0, "loss coefficient of the air inlet"),
    ("filter_resistance", "Pa s/m", 1.0, 1e6, "pressure over face velocity, filter in use"),
    ("drag_coefficient", "-", 0.1, 5.0, "of a bar in air"),
    ("windage_swirl", "-", 0.0, 0.99, "air speed over bar speed, for the windage"),
    ("windage_factor", "-", 1e-2, 100.0, "calibration of the windage by an idle run"),
    ("bearing_torque", "N m", 0.0, 10.0, "of bearings and seals"),
    ("inner_heat_transfer", "W/(m2 K)", 0.1, 1e4, "charge to casing"),
    ("casing_heat_loss", "W/K", 0.0, 1e3, "casing to room"),
    ("film_factor", "-", 0.01, 100.0, "calibration of the heat transfer between air and pieces"),
    ("jam_share", "-", 0.01, 1.0, "share of the rotor energy one pass may take"),
    ("chamber_fill", "-", 0.01, 1.0, "share of the chamber the charge may fill, as bulk"),
    ("hub_share", "-", 0.0, 0.95, "hub radius over rotor radius"),
)
