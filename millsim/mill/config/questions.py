"""The one table of questions: in which words and order a builder is asked for a mill, and how each key is measured.

Units, ranges, choices and defaults are those of `schema`; here stands only what it does not know. A usual value that is
not given here is the schema's example.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import pi, prod
from typing import Any

Values = Mapping[str, Any]
FACTOR, PLUS = "factor", "plus"  # what `spread` does to a usual value: divides and multiplies it, or adds [SI]


@dataclass(frozen=True)
class Question:
    """What a builder is asked for a key, and how it is measured.

    spread: how far below and above the usual value a guess may lie, as factors or, with how = PLUS, in SI; of a choice
    nothing. usual: from the answers so far, SI. when: whether it is asked at all.
    """

    ask: str
    measure: str
    spread: tuple[float, float] = (0.7, 1.5)
    how: str = FACTOR
    usual: Callable[[Values], Any] | None = None
    when: Callable[[Values], bool] | None = None
    unasked: bool = False  # not asked, but put in as a guess where nobody says better


def _tool(v: Values) -> bool:
    return v.get("drive.kind") in ("router", "angle grinder")


def _rings(v: Values) -> bool:
    return (v.get("rotor.rings") or 1) > 1


def _of(*keys: str, factor: float = 1.0) -> Callable[[Values], Any]:
    """The usual value is the product of other answers, times a factor."""

    def usual(v: Values) -> float | None:
        known = [v.get(k) for k in keys]
        return None if None in known else factor * prod(x for x in known if x is not None)

    return usual


def _area(v: Values) -> float | None:
    """Not quite half of the wall [m2] around the rotor."""
    radius, gap, height = (v.get(k) for k in ("rotor.radius", "stator.gap", "rotor.bar_height"))
    if radius is None or gap is None or height is None:
        return None
    return 0.45 * 2.0 * pi * (radius + gap + (v.get("stator.pin_diameter") or 0.0)) * height


_STEEL = 7850.0  # kg/m3
_BAR = ("rotor.radius", "rotor.bar_height", "rotor.bar_thickness")
_PLATE = "of the motor's or tool's plate"
QUESTIONS: dict[str, Question] = {
    "rotor.mount": Question(
        "Are the bars fixed to the hub (rigid), or do they hang on pins as hammers (swinging)?",
        "push a bar with a finger, plug out: a hammer gives way",
    ),
    "rotor.radius": Question(
        "How far is it from the middle of the shaft to the tip of a bar? (`d 120 mm`: across from tip to tip)",
        "caliper across opposite tips, halved; or a ruler from the shaft, and half the shaft",
        (0.8, 1.25),
    ),
    "rotor.bars": Question(
        "How many bars, or hammers, pass a point of the wall in one turn?", "count them, plug out", (0.5, 2.0)
    ),
    "rotor.bar_height": Question("How high is a bar, along the shaft?", "caliper or ruler", (0.6, 1.6)),
    "rotor.bar_thickness": Question("How thick is a bar, along the circle it runs on?", "caliper", (0.6, 1.6)),
    "rotor.edge": Question(
        "How is the leading edge of the bars: as sawn or milled square (blunt), ground to a bevel, or toothed?",
        "look along the edge, plug out: square stock is blunt, a ground slope makes it bevelled",
    ),
    "rotor.hammer_mass": Question(
        "What does one hammer weigh?", "kitchen scale, one hammer off its pin", (0.6, 1.6),
        usual=_of(*_BAR, factor=0.45 * _STEEL),
    ),
    "rotor.pivot_radius": Question(
        "How far is it from the middle of the shaft to the pin a hammer hangs on?",
        "caliper from shaft to pin, and half of each",
        (0.8, 1.2),
        usual=_of("rotor.radius", factor=0.6),
    ),
    "stator.kind": Question("Is the wall around the rotor set with fixed pins, or smooth?", "look, plug out"),
    "stator.pins": Question("How many pins stand around the circle?", "count them", (0.6, 1.7)),
    "stator.pin_diameter": Question("How thick is a pin?", "caliper", (0.7, 1.5)),
    "stator.free_length": Question(
        "How long is a pin, from where it is held?", "caliper or ruler", (0.7, 1.5), usual=_of("rotor.bar_height"),
        unasked=True,
    ),
    "stator.gap": Question(
        "How wide is the gap from the tip of a bar to pin or wall?",
        "feeler gauge, or a drill shank that just goes through; turn the rotor by hand, plug out",
        (0.6, 1.7),
    ),
    "drive.kind": Question("What turns it: a motor, a router or an angle grinder?", f"look at the plate {_PLATE[3:]}"),
    "drive.rated_power": Question(
        "How many watts does its plate state?", "the plate; or a watt meter at the socket while it works hard",
        (0.6, 1.6),
    ),
    "drive.rated_at": Question(
        "Are these watts drawn from the socket (input), or given at the shaft? The plates of induction motors state "
        "the shaft, those of tools the input.",
        "volts times amperes on the plate: near the watts, it is input; well above, the shaft",
        when=lambda v: not _tool(v),
    ),
    "drive.regulated": Question(
        "Do electronics hold its speed under load? A router with a dial and a soft start usually has them.",
        "the manual: constant speed, constant electronics",
        usual=lambda v: None, when=_tool,
    ),
    "drive.speed": Question(
        "How fast does it turn without load? In rpm at the rotor, or in m/s at the tips.",
        "optical tachometer on a strip of tape; or a phone's sound spectrum: 60 times the hertz of the hum, over the "
        "number of bars",
        (0.75, 1.3),
    ),
    "drive.efficiency": Question(
        "What share of the watts from the socket does the motor give at its shaft?",
        "plate of an induction motor: shaft watts over volts times amperes times cos phi; no tool's plate tells it",
        (0.8, 1.15), usual=lambda v: 0.78 if v.get("drive.rated_at") == "shaft" else 0.6, unasked=True,
    ),
    "sieve.kind": Question("Is the sieve a perforated plate, woven wire (mesh), or a cloth or bag?", "look"),
    "sieve.hole": Question(
        "How wide is a hole, or the clear opening of a mesh?",
        "drill shanks or needles as gauges; or count holes along a ruler and halve by the pitch",
        (0.7, 1.4),
    ),
    "sieve.pitch": Question(
        "How far is it from the middle of one hole to the middle of the next?",
        "ruler along a row: over ten holes, divided by ten",
        (0.8, 1.4), usual=_of("sieve.hole", factor=2.0),
    ),
    "sieve.wire": Question(
        "How thick is the wire?", "caliper; or wires per centimetre, less the openings", (0.7, 1.4),
        usual=_of("sieve.hole", factor=0.5),
    ),
    "sieve.thread": Question(
        "How thick is a thread of the cloth?", "a lens over a ruler; or the data sheet of the cloth", (0.6, 1.6),
        usual=_of("sieve.hole", factor=0.5),
    ),
    "sieve.thickness": Question(
        "How thick is the sheet?", "caliper at its edge", (0.5, 1.6), usual=_of("sieve.hole"),
        when=lambda v: v.get("sieve.kind") == "plate",
    ),
    "sieve.area": Question(
        "How large is the sieve, holes included? An area; or the angle (180 deg) or share (50 %) it goes round.",
        "ruler: length along the curve times width",
        (0.6, 1.6), usual=_area,
    ),
    "feed.material": Question(
        "What do you feed? The name of a card, or a path to one.",
        "mark in the triangle; float or sink in water; weight over displaced water: see `millsim materials`",
    ),
    "feed.size": Question(
        "How large are the pieces? `4 mm`, `2 to 6 mm` from the finest to the coarsest, or a sieving, feed.csv.",
        "caliper on twenty pieces; better, a sieving",
        (0.5, 2.0),
    ),
    "feed.rate": Question(
        "How fast is it fed? By hand: 50 g every 30 s.", "stopwatch and kitchen scale: grams in ten minutes",
    ),
    "feed.opening": Question("How wide is the opening that feed falls through?", "ruler", (0.6, 1.6)),
    "air.inlet_area": Question(
        "How large are all openings together through which air gets in? A round one of 44 mm has 15 cm2.",
        "ruler: width times height, or 0.785 times the diameter squared, added up",
        (0.4, 2.5),
    ),
    "air.blower_pressure": Question(
        "What does a blower or vacuum cleaner behind the sieve pull? 0 without one, 500 Pa with a workshop vacuum.",
        "a clear hose with water as a U: 1 mm of difference is 10 Pa",
        (0.3, 2.5),
    ),
    "air.filter_area": Question(
        "How large is the cloth of the filter or bag behind the sieve?", "ruler: of a bag, circumference times length",
        (0.4, 2.5),
    ),
    "air.fan": Question("Do the bars move air as a fan does? Yes, unless they are enclosed.", "a thread at the inlet"),
    "air.room": Question("How warm is the room?", "thermometer", (-8.0, 8.0), PLUS),
    "feed.temperature": Question("How warm is the feed?", "thermometer in the bag", (-8.0, 8.0), PLUS),
    "rotor.mass": Question(
        "What does all that turns weigh, without hammers?", "kitchen scale, rotor off the shaft", (0.6, 1.8),
        usual=_of("rotor.bars", *_BAR, factor=_STEEL),
    ),
    "rotor.rings": Question(
        "Do several rings of bars stand one behind the other along the shaft, as a stack of flat irons? How many?",
        "count them along the shaft",
    ),
    "rotor.ring_spacing": Question(
        "How much is free between two rings?", "caliper, or the washers between them", when=_rings
    ),
    "rotor.ring_offset": Question(
        "Are the bars of the rings in line, or turned against each other (staggered)?",
        "look along the shaft: do you see one bar behind the other?", when=_rings,
    ),
    "rotor.edge_radius": Question(
        "How round is the leading edge, if you have measured it?", "a photo through a lens beside a thin wire"
    ),
    "casing.mass": Question(
        "What does the housing weigh that warms up with the charge?", "bathroom scale", (0.5, 2.0)
    ),
    "casing.material": Question("What is the housing made of?", "a magnet sticks to steel"),
    "drive.speed_under_load": Question(
        "How fast does it turn at its rated power?", "tachometer while it draws the rated watts by the watt meter",
        (0.9, 1.02), usual=lambda v: None if v.get("drive.speed") is None else 0.95 * v["drive.speed"],
        when=lambda v: not _tool(v),
    ),
    "drive.no_load_power": Question(
        "What does the bare motor draw, with nothing on its shaft?", "watt meter at the socket", (0.6, 1.6)
    ),
    "drive.overload": Question(
        "How many times its rated power does it give for seconds?", "the maker's data sheet", (0.75, 1.4)
    ),
    "stator.held": Question("Are the pins held at one end, or at both?", "look"),
    "rotor.hammer_thickness": Question("How thick is a hammer at its eye, along its pin?", "caliper", (0.6, 1.6)),
    "rotor.run_out": Question(
        "How far do the bar tips run out of true?", "dial gauge, or a feeler gauge at each tip, rotor turned by hand",
        (0.3, 3.0),
    ),
    "rotor.material": Question("What are bars and hub made of?", "a magnet; the supplier's note"),
    "rotor.yield_strength": Question("How strong is that material?", "the supplier's certificate"),
    "rotor.balance_grade": Question("To which grade is the rotor balanced?", "the balancing shop's sheet"),
    "rotor.pivot_pin_diameter": Question("How thick is the pin a hammer hangs on?", "caliper"),
    "shaft.diameter": Question("How thick is the shaft beside the rotor?", "caliper"),
    "shaft.overhang": Question("How far is the middle of the rotor from its bearing, if it overhangs?", "ruler"),
    "shaft.bearing_span": Question(
        "How far apart are the bearings, if the rotor sits between them?", "ruler",
        when=lambda v: v.get("shaft.overhang") is None,
    ),
    "stator.threaded": Question("Does the thread of screws stand in the chamber?", "look"),
    "stator.yield_strength": Question("How strong are the pins? 640 MPa is that of 8.8 screws.", "the head's mark"),
    "drive.phase_control": Question("Is its speed turned down by a dial, as a dimmer does?", "the manual"),
    "drive.rotor_on": Question(
        "What carries the rotor: the tool's collet, or bearings of its own?", "look", when=_tool
    ),
    "drive.rated_diameter": Question("How large a cutter or disc does its maker allow?", "the manual", when=_tool),
    "drive.rated_mass": Question("And how heavy a one?", "the manual", when=_tool),
    "guard.material": Question("What is the wall made of that stands between rotor and people?", "look"),
    "guard.thickness": Question("How thick is that wall?", "caliper", when=lambda v: bool(v.get("guard.material"))),
    # how to measure what is never asked for
    "rotor.blunt_share": Question("", "ruler: blunt length of all leading edges over all of it", (0.5, 1.5)),
    "rotor.bevelled_share": Question("", "ruler: bevelled length of all leading edges over all of it", (0.5, 1.5)),
    "rotor.toothed_share": Question("", "ruler: toothed length of all leading edges over all of it", (0.5, 1.5)),
    "sieve.angle": Question("", "protractor; or the sieve's length along the curve over the circumference"),
    "sieve.share": Question("", "tape: the sieve's length along the curve over the circumference"),
    "sieve.height": Question("", "ruler, along the shaft"),
    "sieve.open_fraction": Question("", "weigh a piece of the sheet: its weight over that of solid sheet, from 1"),
    "drive.tip_speed": Question("", "tachometer, times the circumference", (0.75, 1.3)),
    "drive.no_load_speed": Question("", "tachometer", (0.9, 1.1)),
    "air.recirculated": Question("", "vane anemometer in both ducts", (0.5, 1.5)),
    "air.cooler_outlet": Question("", "thermometer in the duct", (-8.0, 8.0), PLUS),
    "feed.size.size": Question("", "caliper on twenty pieces; better, a sieving", (0.5, 2.0)),
    "feed.size.x63": Question("", "a sieving", (0.5, 2.0)),
    "feed.size.x50": Question("", "a sieving; or a caliper on twenty pieces", (0.5, 2.0)),
}  # fmt: skip

GROUPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("What mills", (
        "rotor.mount", "rotor.radius", "rotor.bars", "rotor.bar_height", "rotor.bar_thickness", "rotor.edge",
        "rotor.hammer_mass", "rotor.pivot_radius", "stator.kind", "stator.pins", "stator.pin_diameter", "stator.gap",
    )),
    ("What turns it", ("drive.kind", "drive.rated_power", "drive.rated_at", "drive.regulated", "drive.speed")),
    ("What holds the powder back: the sieve", (
        "sieve.kind", "sieve.hole", "sieve.pitch", "sieve.wire", "sieve.thread", "sieve.thickness", "sieve.area",
    )),
    ("What you feed", ("feed.material", "feed.size", "feed.opening", "feed.rate")),
    ("Air", ("air.inlet_area", "air.blower_pressure")),
)  # fmt: skip
MORE: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("What sharpens the prediction", (
        "rotor.rings", "rotor.ring_spacing", "rotor.ring_offset", "rotor.edge_radius", "rotor.mass",
        "stator.free_length", "stator.held", "stator.yield_strength", "drive.efficiency", "drive.speed_under_load",
        "air.filter_area", "casing.mass", "casing.material",
    )),
    ("What only `millsim check` looks at", (
        "rotor.material", "rotor.yield_strength", "rotor.pivot_pin_diameter", "shaft.diameter", "shaft.overhang",
        "shaft.bearing_span", "stator.threaded", "drive.phase_control", "drive.rotor_on",
        "drive.rated_diameter", "drive.rated_mass", "guard.material", "guard.thickness",
    )),
)  # fmt: skip
GEOMETRY = "sieve.area"  # once it is answered the mill can be drawn
PLASTICS = ("pmma", "ps", "abs", "pe_pp", "pa", "pla")  # any of them, where nobody knows which


def measure_words(key: str) -> str:
    """How a key is measured, in one line; empty where nobody measures it."""
    found = QUESTIONS.get(key)
    return found.measure if found else ""


def guess_of(key: str, usual: float) -> tuple[float, float]:
    """The range of a guess of a number about its usual value, SI."""
    q = QUESTIONS[key]
    low, high = q.spread
    return (usual + low, usual + high) if q.how == PLUS else (usual * low, usual * high)
