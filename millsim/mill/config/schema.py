"""The config file as a table: every section and key with its kind, range, default and meaning.

Nothing here reads or checks a file; `values` applies one row, `reading` the table. Bounds and defaults are
written as in TOML ("0.3 mm") and held in SI.
"""

from typing import Any

from ...base.reading.key import AS_MUCH, Key, choice, flag, n, q, text, whole

# Read by the pre-build review only: no prediction changes with it.
_REVIEW: dict[str, Any] = {"derivable": True, "predicts": False}
_SPARE: dict[str, Any] = {"default": None, **_REVIEW}
_USUAL: dict[str, Any] = {"default": None, "derivable": True}  # the usual is taken where it is left out
_DAY: dict[str, Any] = {"default": None, "predicts": False}  # read by `millsim day`, which has usual values
_NO_DIAL: dict[str, Any] = {"default": (), "predicts": False}  # a step of it is held as speed
_PINS, _PLATE, _MESH, _SWINGING = ("kind", "pins"), ("kind", "plate"), ("kind", "mesh"), ("mount", "swinging")
_CLOTH = ("kind", "cloth")

EDGES = ("blunt", "bevelled", "toothed")

SECTIONS: dict[str, tuple[Key, ...]] = {
    "mill": (text("name", '"my mill"', "a name for reports", predicts=False),),
    "rotor": (
        q("radius", "10 mm", "300 mm", '"60 mm"', "axis to bar tip"),
        whole("bars", 1, 24, "4", "bar tips around the circle"),
        q("bar_height", "1 mm", "300 mm", '"20 mm"', "of a bar, along the axis"),
        q("bar_thickness", "0.5 mm", "100 mm", '"8 mm"', "of a bar, along the circle"),
        choice("edge", "blunt|bevelled|toothed", "leading edge of the bars"),
        *(
            n(
                f"{kind}_share",
                0.0,
                1.0,
                "0.3",
                f"{kind} length of all leading edges; the rest is as `edge`",
                default=None,
            )
            for kind in EDGES
        ),
        q(
            "edge_radius",
            "0.0001 mm",
            "5 mm",
            '"0.05 mm"',
            "measured rounding of `edge`; assumed if left out",
            default=None,
        ),
        n("edge_radius_error", 0.02, 3.0, "0.3", "how far that reading may be off, as a share", default=None),
        whole("rings", 1, 40, "6", "rings of bars along the shaft, `bars` in each; one if left out", default=None),
        q("ring_spacing", "0 mm", "100 mm", '"2 mm"', "free height between two rings; 0 if left out", default=None),
        choice("ring_offset", "in line|staggered", "rings one behind the other, or turned", default=None),
        choice("mount", "rigid|swinging", "bars fixed to the hub, or hammers on pivots"),
        q("mass", "10 g", "100 kg", '"0.5 kg"', "of the rigid rotating parts", default=None),
        q("hammer_mass", "0.5 g", "5 kg", '"20 g"', "of one hammer", only=_SWINGING, default=None),
        q("pivot_radius", "2 mm", "300 mm", '"40 mm"', "axis to hammer pivot", only=_SWINGING, default=None),
        q("pivot_pin_diameter", "1 mm", "50 mm", '"8 mm"', "of the pin a hammer hangs on", only=_SWINGING, **_SPARE),
        q("hammer_thickness", "0.5 mm", "300 mm", '"10 mm"', "at its eye, along the pin", only=_SWINGING, **_USUAL),
        choice("material", "steel|stainless|aluminium|printed", "of bars, hammers and hub", **_SPARE),
        q("yield_strength", "1 MPa", "3000 MPa", '"235 MPa"', "of that material", **_SPARE),
        q("run_out", "0 mm", "5 mm", '"0.05 mm"', "how far the bar tips run out of true", **_USUAL),
        n("balance_grade", 0.4, 100.0, "6.3", "grade G of ISO 21940-11, in mm/s", **_SPARE),
    ),
    "shaft": (
        q("diameter", "2 mm", "200 mm", '"20 mm"', "where it bends: beside the rotor", **_SPARE),
        q("overhang", "1 mm", "1000 mm", '"50 mm"', "rotor middle to its bearing, if it overhangs", **_SPARE),
        q("bearing_span", "5 mm", "2000 mm", '"120 mm"', "from bearing to bearing", **_SPARE),
    ),
    "stator": (
        choice("kind", "pins|smooth", "wall with fixed pins, or smooth"),
        whole("pins", 1, 400, "12", "pins around the circle", only=_PINS, default=0),
        q("pin_diameter", "0.5 mm", "50 mm", '"8 mm"', "of a pin", only=_PINS, default=0.0),
        q("free_length", "0.5 mm", "300 mm", '"20 mm"', "of a pin, unsupported", only=_PINS, default=0.0),
        q("gap", "0.05 mm", "50 mm", '"3 mm"', "bar tip to pin or wall"),
        choice("held", "one end|both ends", "how the pins are held", only=_PINS, **_USUAL),
        choice(
            "pin_layout",
            "ring|spiral",
            "pins side by side, or in a spiral along the shaft",
            default=None,
            predicts=False,
        ),
        flag("threaded", None, "the pins are screws whose thread stands in the chamber", only=_PINS, **_REVIEW),
        q("yield_strength", "1 MPa", "3000 MPa", '"640 MPa"', "of the pins; 640 MPa is 8.8", only=_PINS, **_USUAL),
    ),
    "sieve": (
        choice("kind", "plate|mesh|cloth", "perforated plate, woven wire, or a cloth or bag of threads"),
        q("hole", "0.05 mm", "30 mm", '"1 mm"', "hole diameter, or clear opening of a mesh"),
        q(
            "pitch",
            "0.06 mm",
            "60 mm",
            '"2 mm"',
            "hole centre to hole centre",
            only=_PLATE,
            default=None,
            derivable=True,
        ),
        q("wire", "0.02 mm", "10 mm", '"0.5 mm"', "wire diameter", only=_MESH, default=None, derivable=True),
        q("thread", "0.005 mm", "2 mm", '"0.2 mm"', "thread diameter", only=_CLOTH, default=None, derivable=True),
        choice(
            "thread_of",
            "polyester|polyamide|polypropylene|cotton|steel",
            "what the threads are of",
            only=_CLOTH,
            **_SPARE,
        ),
        q("sag", "0 mm", "100 mm", '"3 mm"', "how far the cloth can move towards the bars", only=_CLOTH, **_SPARE),
        q("thickness", "0.02 mm", "20 mm", '"0.8 mm"', "of the plate; a mesh has its wire", default=None),
        n("open_fraction", 0.005, 0.95, "0.23", "open area over area; derived if left out", default=None),
        q("area", "1 cm2", "10000 cm2", '"75 cm2"', "of the sieve, holes included; or angle, or share", default=None),
        q("angle", "1 deg", "360 deg", '"180 deg"', "of the circumference that the sieve covers", default=None),
        n("share", 0.003, 1.0, "0.5", "of the circumference that the sieve covers", default=None),
        q(
            "height",
            "1 mm",
            "1000 mm",
            '"20 mm"',
            "of a sieve given by angle or share; as the rotor if left out",
            default=None,
        ),
    ),
    "drive": (
        choice("kind", "motor|router|angle grinder", "a hand tool's speed under load is a range", default=None),
        q("rated_power", "10 W", "50000 W", '"1100 W"', "continuous, at `rated_at`"),
        choice("rated_at", "input|shaft", "electrical input, or shaft", default="input"),
        n("efficiency", 0.05, 1.0, "0.6", "shaft power over electrical power", default=0.6),
        q("speed", "50 rpm", "60000 rpm", '"9500 rpm"', "without load; or tip_speed", default=None),
        q("tip_speed", "2 m/s", "200 m/s", '"60 m/s"', "without load; or speed", default=None),
        n("dial_step", 1.0, 20.0, "3", "where the tool's dial stands, 3.5 between two steps; or speed", default=None),
        q("dial", "50 rpm", "60000 rpm", '["8000 rpm", "20000 rpm"]', "speed at each step", "speeds", **_NO_DIAL),
        q("speed_under_load", "50 rpm", "60000 rpm", '"9000 rpm"', "at rated power; or speed_curve", default=None),
        Key(
            "speed_curve",
            "curve",
            "shaft power against speed",
            '[["0 W", "9500 rpm"], ["900 W", "9000 rpm"]]',
            default=(),
        ),
        flag("regulated", None, "a tool whose electronics hold its speed"),
        q("no_load_power", "0.1 W", "5000 W", '"90 W"', "from the socket, nothing on shaft or collet", default=None),
        q("no_load_speed", "50 rpm", "60000 rpm", '"10000 rpm"', "where that was read; speed if not", default=None),
        n("overload", 1.0, 10.0, "2.0", "short-term shaft power over rated", default=2.0),
        flag("phase_control", None, "slowed by a phase control (triac), as many routers are", predicts=False),
        choice("rotor_on", "collet|own bearings", "what carries the rotor of a hand tool", **_SPARE),
        q("rated_diameter", "1 mm", "600 mm", '"50 mm"', "largest cutter or disc of the tool", **_SPARE),
        q("rated_mass", "1 g", "20 kg", '"0.3 kg"', "heaviest cutter or disc of the tool", **_SPARE),
        q("side_load", "1 N", "20000 N", '"100 N"', "across the collet, as the maker allows", **_SPARE),
        q("rated_for", "1 s", "12 h", '"10 min"', "S2: rated power for so long, then it cools", **_SPARE),
        n("duty_share", 0.01, 1.0, "0.4", "S3: share of the time at rated power; or rated_for", **_SPARE),
        flag("brake", None, "the motor brakes when switched off", predicts=False),
    ),
    "air": (
        flag("fan", True, "the rotor acts as a fan"),
        q("inlet_area", "0.1 cm2", "1000 cm2", '"15 cm2"', "where air enters"),
        q("filter_area", "0.001 m2", "50 m2", '"1 m2"', "of the filter; none if left out", default=None),
        q("blower_pressure", "0 Pa", "20000 Pa", '"500 Pa"', "of an extra blower or vacuum", default=0.0),
        n("recirculated", 0.0, 0.95, "0", "share of the air that comes back", default=0.0),
        q("cooler_outlet", "-60 °C", "60 °C", '"15 °C"', "of recirculated air after the cooler", default=None),
        q("room", "-30 °C", "50 °C", '"20 °C"', "air of the room", default="20 °C"),
    ),
    "casing": (
        q("mass", "0.05 kg", "500 kg", '"5 kg"', "that warms up with the charge", default="5 kg"),
        choice("material", "steel|aluminium|printed", "sets its heat capacity", default="steel"),
    ),
    "guard": (
        choice("material", "steel|polycarbonate|plywood", "wall between the rotor and people", **_SPARE),
        q("thickness", "0.1 mm", "200 mm", '"4 mm"', "of that wall", **_SPARE),
    ),
    "feed": (
        text("material", '"pmma"', "a card name (`millsim materials`) or a path to a card"),
        q("temperature", "-196 °C", "150 °C", '"20 °C"', "of the feed; room if left out", default=None),
        q("rate", "0.1 g/h", "1e6 g/h", '"300 g/h"', f'or "{AS_MUCH}", or a batch', kind="rate", default=None),
        q("batch_mass", "0.1 g", "100000 g", '"50 g"', "filled in once", default=None),
        q("batch_time", "1 s", "86400 s", '"10 min"', "how long a batch is milled", default=None),
        q("handful", "0.1 g", "100000 g", '"50 g"', "fed by hand at once", default=None),
        q("every", "0.2 s", "86400 s", '"30 s"', "so often comes a handful", default=None),
        q("opening", "0.5 mm", "500 mm", '"25 mm"', "diameter of the feed opening"),
    ),
    "feed.size": (
        choice("kind", "single|rrsb|lognormal|sieve_sheet|table|product", "how the feed size is given"),
        q("size", "0.05 mm", "100 mm", '"4 mm"', "of every piece", only=("kind", "single"), default=None),
        q("x63", "0.05 mm", "100 mm", '"4 mm"', "63.2 % are finer (x')", only=("kind", "rrsb"), default=None),
        n("n", 0.3, 30.0, "3", "slope of the RRSB line", only=("kind", "rrsb"), default=None),
        q("x50", "0.05 mm", "100 mm", '"4 mm"', "half is finer", only=("kind", "lognormal"), default=None),
        n("sigma", 0.01, 2.0, "0.2", "standard deviation of ln x", only=("kind", "lognormal"), default=None),
        text("sheet", '"feed.csv"', "file of the sieving", only=("kind", "sieve_sheet"), default=None),
        text("file", '"coarse.h5"', "prediction of the mill before this one", only=("kind", "product"), default=None),
        q(
            "apertures",
            "0.001 mm",
            "100 mm",
            '["2 mm", "4 mm"]',
            "ascending",
            "lengths",
            only=("kind", "table"),
            default=(),
        ),
        n("q3", 0.0, 1.0, "[0.1, 1.0]", "mass share finer, at each", "shares", only=("kind", "table"), default=()),
    ),
    "limits": (q("outlet_temperature", "-150 °C", "250 °C", '"60 °C"', "not to be passed", default=None),),
    "day": (
        q("hours", "0.25 h", "24 h", '"8 h"', "from switching on to switching off", **_DAY),
        q("start", "0 min", "60 min", '"5 min"', "running empty before the first feed, and after each stop", **_DAY),
        q("stop", "0 min", "60 min", '"3 min"', "running empty after the last feed, and before each stop", **_DAY),
        q("pause", "0 min", "8 h", '"30 min"', "of the people", **_DAY),
        q("pause_after", "0.25 h", "24 h", '"4 h"', "so long after the start, and after the last pause", **_DAY),
        q("hopper", "10 g", "1000 kg", '"2 kg"', "feed that the hopper holds", **_DAY),
        q("bag", "0.1 l", "10 m3", '"20 l"', "room for powder in the bag or bin", **_DAY),
        q("bag_change", "0 min", "4 h", '"5 min"', "to change the bag, from stand-still", **_DAY),
        q(
            "filter_every",
            "5 min",
            "24 h",
            '"2 h"',
            "milling until the filter is cleaned; the best if left out",
            **_DAY,
        ),
        q("filter_cleaning", "0 min", "4 h", '"5 min"', "to clean the filter, from stand-still", **_DAY),
        q("sieve_every", "5 min", "24 h", '"4 h"', "milling until the sieve is brushed; the best if left out", **_DAY),
        q("sieve_cleaning", "0 min", "4 h", '"10 min"', "to brush the sieve, from stand-still", **_DAY),
        n("dust_share", 0.0, 1.0, "0.02", "of the powder that ends on the filter; by its sizes if left out", **_DAY),
    ),
    "run": (
        choice("engine", "both|balance|montecarlo", "which solver", default="both"),
        whole("seed", 0, 2**63 - 1, "1", "of the random streams; drawn if left out", default=None),
        whole("histories", 100, 10**8, "20000", "most Monte Carlo histories", default=20000),
        n("x50_error", 0.0, 0.5, "0.01", "stop at this relative standard error; 0 = never", default=0.01),
        n("class_ratio", 1.02, 1.6, "1.15", "ratio of neighbouring size class bounds", default=1.15),
        n("tolerance", 1e-14, 1e-2, "1e-8", "of the coupled steady state", default=1e-8),
        whole("band_samples", 0, 10**6, "64", "parameter draws for the band; 0 = none", default=64),
        flag("trace", True, "follow single pieces: torque, speed, stalls"),
    ),
}
FREE_SECTIONS = {
    "model": "model parameters by name",
    "material": "a material card written into the config",
    "calibration": "a calibrated card, or the file of one under `card`",
    "guessed": 'keys that nobody measured: stator.gap = ["2 mm", "4 mm"], rotor.edge = ["blunt", "bevelled"]',
}

# Keys of which only one group may be given: (section, groups, whether one must be).
ALTERNATIVES = (
    ("drive", (("speed",), ("tip_speed",), ("dial_step",)), True),
    ("drive", (("speed_under_load",), ("speed_curve",)), False),
    ("sieve", (("angle",), ("share",)), False),
    ("drive", (("rated_for",), ("duty_share",)), False),
    ("feed", (("rate",), ("batch_mass", "batch_time"), ("handful", "every")), True),
)

# Keys that say the same thing: an override of one takes the place of the others.
SAME = {"sieve": ("area", "angle", "share")}


def find_key(section: str, name: str) -> Key | None:
    """The row of `section.name`, or None."""
    return next((k for k in SECTIONS.get(section, ()) if k.name == name), None)


def key_row(section: str, name: str) -> Key:
    """The row of a key that is there."""
    return next(k for k in SECTIONS[section] if k.name == name)
