"""A hand tool as a mill's motor: size and mass it is made for, sideways load, how long it may run, its brake."""

import math

from ...base.numerics.uncompiled import as_written
from ...laws import drive
from ...laws.strength import permitted_eccentricity
from ...mill import parts
from .facts import DYNAMIC, MillFacts, say
from .judge import PREDICT, Rule
from .line import ReviewLine

WARMS = 1200.0  # s, time constant of a hand tool's motor (assumed: 10 to 30 min)
OWN = "Give the rotor its own shaft and bearings, and let the tool only turn it over a coupling"

SIZE = Rule("drive", "rotor against the tool's largest cutter", "m", "2 R against drive.rated_diameter", "config",
            "the tool's manual", close=1.0)  # fmt: skip
MASS = Rule("drive", "rotor against the tool's heaviest cutter", "kg", "rotating mass against drive.rated_mass",
            "config", "the tool's manual", close=1.0)  # fmt: skip
SIDE = Rule("drive", "sideways load on the collet", "N", "m G omega of the balance grade + 1.5 times the hardest bite",
            "assumed", "balance grade ISO 21940-11; a bite as a static load times 1.5")  # fmt: skip
LASTS = Rule("drive", "rated for a time only", "W",
             "P sqrt((d (own + load loss) - own) / load loss); d = 1 - exp(-t / 20 min) for a rating of t",
             "assumed", "S2 and S3 of IEC 60034-1, from memory; one heat store of 20 min (10 to 30)")  # fmt: skip
BRAKE = Rule("drive", "brake of the tool", "s", "none or as told", "config", "drive.brake")


def lines(f: MillFacts) -> list[ReviewLine]:
    """All checks of a hand tool; of another motor only how long it is rated for, where that is told."""
    d = f.config.drive
    if not d.is_tool:
        return [lasts(f)] if d.rated_for_s or d.duty_share else []
    return [size(f), mass(f), side(f), lasts(f), brake(f)]


def _carried(f: MillFacts) -> str:
    """Who carries the rotor, as far as it is told."""
    if f.config.drive.rotor_on == "collet":
        return ""
    return ". Taken as carried by the tool: drive.rotor_on says otherwise"


def _own_bearings(f: MillFacts, rule: Rule, value: float | None) -> ReviewLine | None:
    """The line where the tool does not carry the rotor; else None."""
    if f.config.drive.rotor_on != "own bearings":
        return None
    return rule.note(
        value, "The rotor runs on its own bearings, by the config. Line the coupling up well, or it pulls."
    )


def size(f: MillFacts) -> ReviewLine:
    """Diameter of the rotor against the largest cutter or disc that the maker allows."""
    across, most = 2.0 * f.config.rotor.radius_m, f.config.drive.rated_diameter_m
    if own := _own_bearings(f, SIZE, across):
        return own
    said = f"the rotor is {say(across, 'mm')} across{_carried(f)}"
    if most is None:
        return SIZE.give("drive.rated_diameter", said=said, value=across)
    beyond = f"That is a tool driven beyond its use: collet, bearings and guard are not made for it. {OWN}"
    return SIZE.judge(across, most, f"{said}; the tool is made for {say(most, 'mm')}", fails=beyond)


def mass(f: MillFacts) -> ReviewLine:
    """Mass of the rotor against the heaviest cutter or disc that the maker allows."""
    turning, most = f.rotating_mass, f.config.drive.rated_mass_kg
    if own := _own_bearings(f, MASS, turning):
        return own
    if turning is None or most is None:
        absent = [k for k, x in (("rotor.mass", turning), ("drive.rated_mass", most)) if x is None]
        return MASS.give(*absent, value=turning)
    said = f"{say(turning, 'kg')} turn{_carried(f)}; the tool is made for {say(most, 'kg')}"
    beyond = f"That is a tool driven beyond its use: it starts hard, and a shake soon wears its bearings. {OWN}"
    return MASS.judge(turning, most, said, fails=beyond)


def side(f: MillFacts) -> ReviewLine:
    """What imbalance and bites pull across the collet against what the maker allows."""
    if own := _own_bearings(f, SIDE, None):
        return own
    turning, most = f.rotating_mass, f.config.drive.side_load_N
    if turning is None:
        return SIDE.give("rotor.mass")
    shake = turning * permitted_eccentricity(parts.balance_grade(f.config) * 1e-3, f.omega) * f.omega**2
    bite = DYNAMIC * (f.shear_force if f.nips or f.dragged else f.blow_force)
    arm = f.config.shaft.overhang_m
    lever = f", on an arm of {say(arm, 'mm')}" if arm is not None else ""
    said = f"{say(shake, digits=2)} N of imbalance, {say(bite, digits=2)} N of the hardest bite{lever}{_carried(f)}"
    if most is None:
        told = f"{said}. Makers rarely say what a collet takes; a long rotor bends its spindle"
        return SIDE.give("drive.side_load", said=told, value=shake + bite)
    return SIDE.judge(shake + bite, most, said, f"{_gentler(f, shake, bite, most)}. {OWN}")


def _gentler(f: MillFacts, shake: float, bite: float, most: float) -> str:
    """What keeps the sideways load: finer pieces, by this very formula, in which a bite goes with d^2."""
    if shake >= most:
        return "The imbalance alone is too much: balance it finer, or make the rotor lighter or slower"
    size = f.piece * math.sqrt((most - shake) / bite)
    if size < f.piece:
        return f"Pieces of {say(size, 'mm', 2)} or less keep to it"
    return "Finer pieces and a finer balance leave more"


def lasts(f: MillFacts) -> ReviewLine:
    """What a motor that is rated for minutes keeps up without end."""
    d, given = f.config.drive, f.load
    if d.rated_for_s is not None:
        duty, rating = drive.short_time_duty(d.rated_for_s, WARMS), f"{say(d.rated_for_s, 'min')} at a time"
    elif d.duty_share is not None:
        duty, rating = d.duty_share, f"{say(100.0 * d.duty_share, digits=2)} % of the time"
    else:
        said = "a hand tool is made for minutes of work; in a mill it runs on and cools with its own fan only"
        return LASTS.give("drive.rated_for", "drive.duty_share", said=said, what="drive.rated_for or drive.duty_share")
    own = parts.own_loss(f.config)
    added = as_written(drive.load_loss)(d.shaft_rated_W, d.efficiency, own)
    most = d.shaft_rated_W * drive.lasting_share(duty, own, added)
    said = f"rated {say(d.shaft_rated_W, 'W')} at the shaft for {rating}, so about {say(most, 'W', 2)} without end"
    if f.prediction is None or given is None:
        return LASTS.missing(PREDICT, said)
    return LASTS.judge(given, most, said, "Run in turns with pauses until the housing is hand-warm, or feed less")


def brake(f: MillFacts) -> ReviewLine:
    """Whether the tool stops the rotor."""
    told = f.config.drive.brake
    if told is None:
        return BRAKE.give("drive.brake", said="most routers and grinders have none and run on: see time to standstill")
    if not told:
        return BRAKE.note(
            None, "It has no brake, by the config: the rotor runs on after the switch, see time to standstill."
        )
    words = "A brake made for a light cutter turns the nut or collet of a heavy rotor loose. See time to standstill."
    return BRAKE.note(None, words)
