"""Rigid bars: a bite at the tip bends the bar at its root and turns it in the screws that hold it."""

from ...laws import strength
from .facts import DYNAMIC, MillFacts, say
from .jam import DRAGGED
from .judge import Rule
from .line import ReviewLine

SPACING = 20e-3  # m between two screws, the example in the words on the couple

BEND = Rule("rotor", "bars in bending by a bite", "Pa", "1.5 x 6 F (R - r_hub) / (H t^2); limit is the yield strength",
            "assumed", "cantilever of rectangular section: Roark, Shigley; blows 1.5; F = tau pi d^2 / 4, tau of the "
            "card; r_hub of the model")  # fmt: skip


def lines(f: MillFacts) -> list[ReviewLine]:
    """Bending of rigid bars; hammers fold back instead."""
    return [] if f.swinging else [bending(f)]


def couple(f: MillFacts) -> float | None:
    """Moment about the axis [N m] by which a bite of the largest piece turns a bar; None where none is caught."""
    return None if f.swinging or not f.nips else f.shear_force * f.config.rotor.radius_m


def bending(f: MillFacts) -> ReviewLine:
    """Stress at the bar's root: the force is along the circle, so the thickness along the circle resists it.

    The force is that of a whole section sheared at once, and the hub counts as held fast. The motor's torque is no
    limit to it: the rotor's energy, that of many bites, gives it, and at this force the bars of the shipped mills hold
    less than a tenth of a bite's energy as springs. A push that lasts a third to about all of the bar's period bends
    it 1.2 to 1.8 times as far as one put on slowly (handbook, half sine); 1.5 is taken, as for the pins.
    """
    r, m = f.config.rotor, f.mill
    if r.material == "printed":
        return BEND.give("rotor.material", what="rotor.material a metal")
    if f.dragged:
        return BEND.missing(DRAGGED)
    F, arm = f.shear_force if f.nips else f.blow_force, r.radius_m - m["r_hub"]
    M = DYNAMIC * strength.cantilever_moment(F, arm)
    value = strength.flat_bending_stress(M, r.bar_height_m, r.bar_thickness_m)

    def root() -> str:
        size = f"{say(r.bar_height_m, 'mm')} by {say(r.bar_thickness_m, 'mm')} along the circle"
        said = f"to shear a {say(f.piece, 'mm')} piece takes {say(F)} N at the tip" if f.nips else \
            f"nothing is caught; a {say(f.piece, 'mm')} piece hits the tip with {say(F)} N for some 10 µs"  # fmt: skip
        hub = f"{say(arm, 'mm')} out from a hub taken to end at {say(m['r_hub'], 'mm')}"
        return f"{said}, which bends a bar of {size}, {hub}"

    def said() -> str:
        taken = ". Taken: a whole section sheared at once, with the rotor's energy behind it; brittle ones crack before"
        return f"{root()}; {f.metal_words}{taken if f.nips else ''}"

    def help_() -> str:
        need = say(strength.flat_for_moment(1.5 * M, r.bar_height_m, f.strength), "mm")
        return f"What would help: bars {need} thick along the circle, a larger hub, or stronger steel " \
               "(rotor.yield_strength)"  # fmt: skip

    if r.material is None and not r.yield_strength_Pa:
        yields = f"{f.metal.name} yields at {say(f.strength, 'MPa')}"
        return BEND.give("rotor.material", said=lambda: f"{root()}: {say(value, 'MPa')}, {yields}")
    source = f"{BEND.source}; {'yield as given' if r.yield_strength_Pa else f.metal.source}"
    if not f.nips and value > f.strength:  # a static load for one that lasts less than the bar's period
        brief = "So short a blow bends it far less than this"
        return BEND.tell("close", value, lambda: f"{said()}. {brief}", f.strength, help_, source=source)
    return BEND.judge(value, f.strength, said, help_, source=source)
