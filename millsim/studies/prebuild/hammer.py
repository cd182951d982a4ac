"""Swinging hammers: what pulls on their pins, whether one carries enough for a bite, and how far it lays back.

Also what pulls a rigid bar off its hub, and the screws that would hold either.
"""

import math
from dataclasses import dataclass

from ...base.numerics.uncompiled import as_written
from ...laws import cutting, motion, strength
from ...mill.parts import MILD_STEEL, hammer_centre
from .bars import SPACING, couple
from .facts import DYNAMIC, SCREW_YIELD, MillFacts, say
from .judge import PREDICT, Rule
from .line import ReviewLine
from .rotor import HOLE, SHARE_OF_YIELD

COARSE = {3: 0.5, 4: 0.7, 5: 0.8, 6: 1.0, 8: 1.25, 10: 1.5, 12: 1.75, 16: 2.0, 20: 2.5}  # mm, ISO 261 (from memory)
LISTED = (4, 5, 6, 8, 10)  # sizes in the table of screws
SHEAR_SHARE = 0.4  # of the yield strength, allowed in shear (from memory: steel building practice)
BEARING_SHARE = 0.9  # of the yield strength, allowed on the projected area of a pin (likewise)
LAY_BACK, LAY_BACK_CLOSE = math.radians(20.0), 4.0 / 3.0  # 15 to 20 degrees: lost tip speed (common practice)
TIP_SHARE = 0.95  # of the stretched-out tip speed, below which it is worth telling (assumed)

PULL = Rule("rotor", "pull of a hammer on its pin", "N", "F = m r omega^2", "from memory", "Newton; any handbook")
BAR_PULL = Rule("rotor", "pull of a bar on its hub", "N", "F = rho A v^2 / 2", "from memory",
                "rotating bar: Roark")  # fmt: skip
SHEAR = Rule("rotor", "hammer pin in shear", "Pa", "1.5 F / (2 pi d^2 / 4); limit 0.4 of yield", "from memory",
             "double shear: Shigley; blows 1.5; 0.4 of yield: steel building practice")  # fmt: skip
BENT = Rule("rotor", "hammer pin in bending", "Pa", "1.5 x 32 (F L / 8) / (pi d^3); limit is the yield strength",
            "from memory", "beam on both ends, load spread over the eye: Roark; blows 1.5")  # fmt: skip
BEARING = Rule("rotor", "pressure at the hammer's eye", "Pa", "1.5 F / (d t); limit 0.9 of yield", "from memory",
               "projected area: Shigley; blows 1.5; 0.9 of yield: steel building practice")  # fmt: skip
ENERGY = Rule("rotor", "hammer energy for one bite", "J",
              "m v^2 / 6 against the less of (3/8) tau / rho and (x W_min + ln 2 / f_Mat) / d, times the piece",
              "assumed", "uniform hammer struck at its tip; strength of the card", least=True)  # fmt: skip
BACK = Rule("rotor", "hammer lay-back", "rad", "I w^2 / 2 = m omega^2 r_p l (1 - cos angle); limit 20 degrees",
            "from memory", "pendulum in the centrifugal field; trade: 15 to 20 degrees are lost tip speed",
            close=LAY_BACK_CLOSE)  # fmt: skip
TIP = Rule("rotor", "tip speed the hammers work at", "m/s", "1 / (1 + energy per turn / hammer energy)", "assumed",
           "model, quick prediction; 0.95 of the stretched-out speed is wanted", least=True)  # fmt: skip


@dataclass(frozen=True)
class Screw:
    """A screw of class 8.8 across the pull: core [m], shear force it takes [N] by one and by two planes, margins."""

    size: str
    core_m: float
    single_N: float
    double_N: float
    single_margin: float
    double_margin: float


def core_of(diameter: float) -> float:
    """Core diameter [m] of a coarse metric thread; the pitch of the nearest listed size."""
    size = min(COARSE, key=lambda s: abs(s - diameter * 1e3))
    return strength.core_diameter(diameter, COARSE[size] * 1e-3)


def pull(f: MillFacts) -> float:
    """What pulls on one pin or one bar's root [N] at no-load speed."""
    r = f.config.rotor
    if f.swinging:
        return strength.centrifugal_force(f.hammer.mass, hammer_centre(f.config), f.omega)
    return strength.bar_stress(f.metal.density, f.tip) * r.bar_height_m * r.bar_thickness_m


def screws(f: MillFacts) -> list[Screw]:
    """What 8.8 screws take whose thread is cut across, against this pull times DYNAMIC."""
    load, allowed = DYNAMIC * pull(f), SHEAR_SHARE * SCREW_YIELD
    found = []
    for size in LISTED:
        core = core_of(size * 1e-3)
        one = allowed * strength.round_area(core)
        found.append(Screw(f"M{size}", core, one, 2.0 * one, one / load, 2.0 * one / load))
    return found


def bite_on_screws(f: MillFacts) -> str:
    """What the margins of the screws leave out, in words: a bite that turns the bar; "" where there is none."""
    M = couple(f)
    if M is None:
        return ""
    each = say(DYNAMIC * M / SPACING / 1e3, digits=2)
    return (
        f"A bite of the largest piece also turns the bar with F R = {say(M)} N m, which the table leaves out, as no "
        f"key tells how the screws stand: two screws {say(SPACING, 'mm')} apart would take {each} kN each, the "
        f"{DYNAMIC:g} for blows counted in. Let a slot, shoulder or weld carry it"
    )


def lines(f: MillFacts) -> list[ReviewLine]:
    """Checks of the hammers; of a rigid rotor only the pull of a bar."""
    if not f.swinging:
        return [bar_pull(f)]
    return [hammer_pull(f), pin_shear(f), pin_bending(f), eye(f), bite(f), lay_back(f), working_speed(f)]


def bar_pull(f: MillFacts) -> ReviewLine:
    """What pulls on the root of a rigid bar."""

    def said() -> str:
        screwed = "screws that hold bars carry that and the blows: see the table of screws"
        left_out = bite_on_screws(f)
        return f"half a bar's length pulls {say(pull(f))} N at its root; {screwed}{f'. {left_out}' if left_out else ''}"

    return BAR_PULL.note(lambda: pull(f), said)


def hammer_pull(f: MillFacts) -> ReviewLine:
    """The pull itself, and the price of weight."""

    def said() -> str:
        centre = say(hammer_centre(f.config), "mm")
        return f"{say(f.hammer.mass, 'g')} with its centre at {centre} pull {say(pull(f))} N. Twice the mass pulls " \
               "twice as hard and flies with twice the energy, but bites better and lays back less"  # fmt: skip

    return PULL.note(lambda: pull(f), said)


def pin_shear(f: MillFacts) -> ReviewLine:
    """The pin cut across at both sides of the hammer."""
    d, F = f.config.rotor.pivot_pin_diameter_m, DYNAMIC * pull(f)
    if d is None:
        return SHEAR.give("rotor.pivot_pin_diameter")
    limit = SHEAR_SHARE * MILD_STEEL.strength

    def thicker() -> str:
        return f"Take {say(math.sqrt(1.5 * F / (2.0 * limit) * 4.0 / math.pi), 'mm', 2)} or more"

    def said() -> str:
        return f"a plain pin of {say(d, 'mm')} held at both sides, taken as mild steel"

    return SHEAR.judge(strength.shear_stress(F, strength.round_area(d), 2.0), limit, said, thicker)


def pin_bending(f: MillFacts) -> ReviewLine:
    """The pin bent between the plates that hold it, the hammer's pull spread over its eye."""
    r = f.config.rotor
    d, deep = r.pivot_pin_diameter_m, r.hammer_thickness_m
    if d is None or deep is None:
        absent = [k for k, x in (("rotor.pivot_pin_diameter", d), ("rotor.hammer_thickness", deep)) if x is None]
        return BENT.give(*absent)
    M = strength.spread_moment(DYNAMIC * pull(f), deep)

    def thicker() -> str:
        return f"Take {say(strength.pin_for_moment(1.5 * M, MILD_STEEL.strength), 'mm', 2)} or more"

    def said() -> str:
        plates = f"between plates close beside {say(deep, 'mm')} of hammer"
        return f"a plain pin of {say(d, 'mm')} {plates}, taken as mild steel; a gap to the plates bends it more"

    return BENT.judge(strength.bending_stress(M, d), MILD_STEEL.strength, said, thicker)


def eye(f: MillFacts) -> ReviewLine:
    """The pin pressing in the hammer's eye."""
    r, F = f.config.rotor, DYNAMIC * pull(f)
    pin, deep, wide = r.pivot_pin_diameter_m, r.hammer_thickness_m, r.bar_thickness_m
    if pin is None or deep is None:
        absent = [k for k, x in (("rotor.pivot_pin_diameter", pin), ("rotor.hammer_thickness", deep)) if x is None]
        return BEARING.give(*absent)
    if pin >= wide:
        wide_pin = f"the pin, {say(pin, 'mm')}, is no thinner than the hammer is along the circle"
        return BEARING.missing(f"{wide_pin}, {say(wide, 'mm')}, so its eye must be wider, and no key tells how wide")
    net = HOLE * F / ((wide - pin) * deep)
    if net > SHARE_OF_YIELD * f.strength:
        allowed = SHARE_OF_YIELD * f.strength

        def torn() -> str:
            beside = f"{say(wide - pin, 'mm')} by {say(deep, 'mm')} of hammer carry the pull"
            at_hole = f"{say(net, 'MPa')} with {HOLE:g} times at a hole"
            return f"Beside the pin {beside}: {at_hole}, {say(allowed, 'MPa')} allowed"

        return BEARING.tell("fails", net, torn, allowed, "Take a thinner pin, or a wider and lighter hammer")
    limit = BEARING_SHARE * min(f.strength, MILD_STEEL.strength)
    value = strength.bearing_pressure(F, pin, deep)

    def said() -> str:
        torn = "Tear-out and wear are not reckoned: look for more than 0.5 mm of play"
        return f"{say(deep, 'mm')} of eye on the pin. {torn}"

    return BEARING.judge(value, limit, said, "Take a thicker pin or a thicker eye")


def bite(f: MillFacts) -> ReviewLine:
    """Whether one hammer can finish one bite of the largest piece."""
    E = as_written(cutting.hammer_energy)(f.hammer.mass, f.tip)

    def said() -> str:
        none = "" if f.nips else ", but none is larger than the gap, so none is sheared"
        parted = f"to part a {say(f.piece, 'mm')} piece takes {say(f.bite, 'J', 2)}"
        return f"a blow gives at most {say(E, 'J', 2)}; {parted}{none}"

    def heavier() -> str:
        return f"hammers of {say(f.hammer.mass * 1.5 * f.bite / E, 'g', 2)}"

    def more() -> str:
        return f"It folds back instead: {heavier()} or a faster rotor would carry one"

    def spare() -> str:
        return f"It folds back now and then: {heavier()} would carry it with reserve"

    if not f.nips:
        return ENERGY.note(E, said, f.bite)
    return ENERGY.judge(E, f.bite, said, spare, more)


def swings(f: MillFacts, mass: float) -> dict[str, float]:
    """Angle [rad] a hammer of that mass swings back by each kind of blow of the largest piece."""
    r, m = f.config.rotor, f.mill
    length = r.radius_m - f.hammer.pivot
    v_rel = (1.0 - m["layer_speed_ratio"]) * f.tip
    e = as_written(motion.restitution)(m["restitution"], v_rel, m["restitution_exponent"])
    I = strength.bar_inertia(mass, length)
    k = strength.restoring_moment(mass, f.omega, f.hammer.pivot, 0.5 * length)
    lost = {"a hit": strength.speed_lost_by_hit(v_rel, e, f.piece_mass, mass)}
    if f.nips:
        E = as_written(cutting.hammer_energy)(mass, f.tip)
        lost["a bite that cracks it"] = strength.speed_lost(f.tip, E, f.bite)
        lost["one that shears it right across"] = strength.speed_lost(f.tip, E, 0.25 * f.shear_force * f.piece)
    return {blow: strength.swing_back(I, k, v / length) for blow, v in lost.items()}


def lay_back(f: MillFacts) -> ReviewLine:
    """How far a hammer swings back after the worst of a bite and a plain hit."""
    mass = f.hammer.mass
    angles = swings(f, mass)
    worst = max(angles.values())

    def said() -> str:
        blows = ", ".join(f"{blow} {say(a, 'deg', 2)}" for blow, a in angles.items())
        piece = f"the largest piece ({say(f.piece, 'mm')})"
        return f"{piece} swings it back: {blows}. Laid back, it is slower and reaches less"

    def better() -> str:
        text = "Heavier hammers, or pivots further out, lay back less"
        if worst <= LAY_BACK:
            return text
        low, high = mass, 1000.0 * mass
        while high / low > 1.01:
            middle = math.sqrt(low * high)
            low, high = (middle, high) if max(swings(f, middle).values()) > LAY_BACK else (low, middle)
        return f"{text}: {say(high, 'g', 2)} lay back 20°, and pull {say(pull(f) * high / mass)} N on their pins"

    return BACK.judge(worst, LAY_BACK, said, better)


def working_speed(f: MillFacts) -> ReviewLine:
    """The tip speed the model lets laid-back hammers work at."""
    tip, omega = f.scalar("tip_speed_m_s"), f.scalar("speed_rad_s")
    if f.prediction is None:
        return TIP.missing(PREDICT)
    if tip is None or omega is None:
        return TIP.missing("the prediction has no tip speed")
    stretched = omega * f.config.rotor.radius_m
    verdict = "passes" if tip >= TIP_SHARE * stretched else "close"

    def said() -> str:
        lost = ". Light hammers lose it: heavier ones keep it, and pull harder on their pins"
        fed = f"{say(tip, 'm/s')} while fed; stretched out it would be {say(stretched, 'm/s')}"
        return fed if verdict == "passes" else f"{fed}{lost}"

    return TIP.tell(verdict, tip, said, TIP_SHARE * stretched)
