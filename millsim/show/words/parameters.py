"""Parameters in words, for sentences: a noun phrase and, where people know one, the symbol. No imports."""

_WORDS = {
    "error_size": "the model's own error in size",
    "error_curve": "the model's own error in the shape of the distribution",
    "error_work": "the model's own error in the work per kilogram",
    "error_rate": "the model's own error in the largest rate",
    "error_holdup": "the model's own error in the charge",
    "error_rise": "the model's own error in how far it warms up",
    "repeat_size": "the change of size from run to run",
    "repeat_work": "the change of work from run to run",
    "repeat_rate": "the change of the largest rate from run to run",
    "repeat_holdup": "the change of the charge from run to run",
    "repeat_rise": "the change of the warming up from run to run",
    "density": "the density of the solid",
    "bulk_fraction": "the loose bulk density",
    "specific_heat": "the specific heat",
    "heat_exponent_share": "the change of specific heat with temperature",
    "conductivity": "the heat conductivity of the material",
    "stick_temperature": "the sticking temperature",
    "glass_temperature": "the softening temperature",
    "f_mat": "the breakage strength parameter",
    "xw_min": "the breakage threshold energy",
    "threshold_exponent": "the growth of strength as pieces get smaller",
    "threshold_size": "the size at which the breakage threshold is known",
    "split_exponent": "the fragment size exponent of splitting",
    "daughter_exponent": "the fragment size exponent of shattering",
    "shatter_slope": "the energy at which pieces shatter instead of splitting",
    "fines_thickness": "the thickness of the crushed skin of a crack",
    "fines_exponent": "the size exponent of crushed fines",
    "fines_limit": "the top size of crushed fines",
    "fragment_floor": "the size below which fragments become rare",
    "nip_exponent": "the piece size exponent of the nip",
    "restitution": "the rebound from steel",
    "restitution_exponent": "the loss of rebound with speed",
    "modulus": "the elastic modulus",
    "yield_stress": "the dynamic yield stress",
    "yield_slope": "the fall of the yield stress with temperature",
    "fracture_energy": "the fracture energy per crack area",
    "cut_factor": "the cutting work factor",
    "friction": "the friction of pieces on steel",
    "shape": "the shape factor at the sieve",
    "combustible": "the combustibility of the dust",
    "mec": "the least explosible dust concentration",
    "mie": "the least ignition energy",
    "temperature": "the temperature of the breakage data",
    "layer_speed_ratio": "the speed of the layer of charge",
    "layer_speed_smooth": "the speed of the layer of charge on a smooth wall",
    "scatter_depth": "the depth to which pieces scatter into the bars' path",
    "rate_multiplier": "the calibration of the breakage rate",
    "edge_share": "the share of a hit's energy that cuts chips",
    "edge_radius": "the radius of the cutting edge",
    "plough_ratio": "the least chip an edge takes, over its radius",
    "plough_factor": "the work of ploughing with a blunt edge",
    "crack_ratio": "the size of the yielding zone at a crack",
    "chip_size": "the largest chip",
    "chip_exponent": "the chip size exponent",
    "bite_friction": "the grip of the nip between bar and wall",
    "nip_width": "the softness of the nip criterion",
    "bridge_grip": "the grip on two pieces that bridge the gap",
    "land_share": "the share of hits by the land of a bar",
    "attrition_share": "the share of rubbing work that makes dust",
    "sieve_factor": "the calibration of the sieve escape",
    "wall_contacts": "the contacts of the charge with the wall",
    "slow_share": "the share of slow contacts with the sieve",
    "usable_open": "the usable share of the open sieve area",
    "skim_ratio_low": "the slowest skimming over the sieve",
    "skim_ratio_high": "the fastest skimming over the sieve",
    "peg_probability": "the chance that a piece pegs a hole",
    "clear_rate": "the rate at which stuck pieces leave the holes",
    "fan_flow_coefficient": "the free flow of the rotor as a fan",
    "inlet_loss": "the loss of the air inlet",
    "filter_resistance": "the resistance of the filter",
    "drag_coefficient": "the drag of a bar in air",
    "pin_drag": "the drag of a pin in air",
    "wall_friction": "the friction of air on the wall",
    "windage_factor": "the calibration of the power to stir the air",
    "bearing_torque": "the torque of bearings and seals",
    "inner_heat_transfer": "the heat transfer from charge to casing",
    "casing_heat_loss": "the heat loss of the casing",
    "film_factor": "the calibration of the heat transfer between air and pieces",
    "jam_share": "the share of the rotor's energy that one bite may take",
    "chamber_fill": "the share of the chamber that the charge may fill",
    "hub_share": "the hub radius",
}
_SUFFIXES = ("_warm", "_cold", "_blunt", "_bevelled", "_toothed")


def parameter_words(name: str) -> str:
    """What a parameter is, as a noun phrase; one not named here is called by its identifier."""
    if "." in name:
        return _key_words(name)
    stem = name
    for suffix in _SUFFIXES:
        stem = stem.removesuffix(suffix)
    return _WORDS.get(stem, f"the {stem.replace('_', ' ')}")


_OF_SECTION = (  # names that say too little by themselves
    "pitch", "hole", "wire", "thread", "angle", "share", "height", "open_fraction", "mass", "material", "thickness",
    "area", "size", "held", "pins", "x50", "x63", "room", "temperature",
)  # fmt: skip


def _key_words(key: str) -> str:
    """A key of a config, such as stator.gap, as a noun phrase; with its section where the name alone says little."""
    section, _, name = key.rpartition(".")
    where = section.partition(".")[0]
    phrase = name.replace("_", " ")
    if name == "bars" or (where == "stator" and name == "pins"):
        return f"the number of {name}"
    if name == "speed":
        return "the speed without load"
    return f"the {where} {phrase}" if name in _OF_SECTION else f"the {phrase}"


DRAWN = "draws of all parameters within their ranges, each with an error of the model and of the day of its own"


def parameter_label(name: str) -> str:
    """The same beside a bar, where no identifier stands: no article, and warm told from cold."""
    which = name.rpartition("_")[2]
    return parameter_words(name).removeprefix("the ") + (f", {which}" if which in ("warm", "cold") else "")
