"""The turning parts: tip speed, stress, pull of a bar, shaft, balance, what could fly, and how long it runs on."""

import math
from collections.abc import Callable

from ...laws import strength
from ...mill import parts
from ...mill.parts import hammer_centre
from .facts import MillFacts, say
from .judge import Rule
from .line import ReviewLine

CLASSES = (  # tip speed [m/s] below which a mill counts as: trade usage
    (15.0, "as fast as a knife granulator, 5 to 15 m/s by trade usage"),
    (66.0, "a slow hammer mill by trade usage, below 66 m/s"),
    (91.0, "an intermediate hammer mill by trade usage, 66 to 91 m/s"),
    (math.inf, "a fast hammer mill by trade usage, above 91 m/s"),
)
HOLE = 2.5  # stress concentration of a centre hole or keyway, 2 to 3 (Peterson, from memory)
SHARE_OF_YIELD = 0.4  # of the yield strength, for parts that start and stop often (assumed)
STEEL_E = 210e9  # Pa, handbook
HOUSING = (0.5, 0.7)  # real over rigid critical speed: housings and bearings give way (common practice)
KEEP_BELOW = 0.7  # of the critical speed (common practice)
SCREW = 5e-3  # kg, an M6 screw of 20 mm (assumed example)
# Stops 32 J, a 10 g hammer at 80 m/s, at this thickness [m]; (basis, source).
WALLS = {
    "steel": (2.5e-3, "assumed", "2 to 3 mm of steel for a 10 g hammer at 80 m/s"),
    "polycarbonate": (7e-3, "assumed", "6 to 8 mm of polycarbonate for a 10 g hammer at 80 m/s"),
    "plywood": (25e-3, "assumed", "25 mm of plywood for the same, a bare guess"),
}
WALL_J = 32.0

TIP = Rule("rotor", "tip speed", "m/s", "v = R omega", "assumed",
           "cap of 80 m/s for home-made mills; classes are trade usage, no source", close=1.1)  # fmt: skip
STRESS = Rule("rotor", "stress in the bars", "Pa", "K_t rho v^2 / 2, K_t = 2.5 at a hole or keyway; limit 0.4 of yield",
              "from memory", "rotating bar: Roark; K_t 2 to 3: Peterson")  # fmt: skip
EYE = Rule("rotor", "stress in the hammers", "Pa", "K_t rho (v^2 - v_pivot^2) / 2, K_t = 2.5; limit 0.4 of yield",
           "from memory", "rotating bar: Roark; K_t 2 to 3: Peterson")  # fmt: skip
BURST = Rule("rotor", "burst of the hub", "Pa",
             "(pull of the arms and of half the hub) / (2 (r_hub - r_bore) H); limit 0.4 of yield", "from memory",
             "mean hoop stress across the hub: Robinson 1944, Trans. ASME 66:373; r_hub of the model")  # fmt: skip
COLD = Rule("rotor", "steel in the cold", "K", "feed against the impact classes of structural steel", "from memory",
            "EN 10025-2: 27 J at 20 (JR), 0 (J0), -20 °C (J2); austenitic steel and aluminium stay tough")  # fmt: skip
RIM = Rule("rotor", "stress in a rim at the tips", "Pa", "rho v^2; limit 0.4 of yield", "from memory",
           "thin rotating ring: Roark, Shigley")  # fmt: skip
CRITICAL = Rule("rotor", "critical speed of the shaft", "rad/s",
                "sqrt(k / m), k = 3 E I / L^3 overhung, 48 E I / a^3 between bearings; limit 0.7 of half of it",
                "from memory", "Roark, Shigley; real housings 0.5 to 0.7 of rigid: workshop experience")  # fmt: skip
BALANCE = Rule("rotor", "balance", "m", "e = G / omega", "from memory", "ISO 21940-11")
FLYING = Rule("rotor", "what could fly against the guard", "J",
              "m v^2 / 2 of a hammer or screw, m v^2 / 6 of half a bar; wall: 32 J (t / t_32)^1.5", "assumed",
              "an estimate, not a containment calculation")  # fmt: skip
BRITTLE_K = 253.15  # below, plain structural steel is not warranted against blows (EN 10025-2, from memory)
RUN_DOWN = Rule("rotor", "time to standstill", "s", "I / sqrt(T c) atan(omega sqrt(c / T))", "assumed",
                "bearing torque T and windage c of the model without air let through, not measured")  # fmt: skip


def lines(f: MillFacts) -> list[ReviewLine]:
    """All checks of the turning parts, in the order a builder meets them."""
    turning = [tip_speed(f), stress(f), burst(f), rim(f), critical_speed(f), balance(f), flying(f), run_down(f)]
    return turning + ([in_the_cold(f)] if f.config.feed.temperature_K < BRITTLE_K else [])


def tip_speed(f: MillFacts) -> ReviewLine:
    """Class and cap of the tip speed without load."""

    def slower() -> str:
        most = say(strength.TIP_CAP / f.config.rotor.radius_m, "rpm")
        return f"Stress and flying energy grow with its square. Stay below {most} on this radius"

    def said() -> str:
        return f"without load; {next(w for v, w in CLASSES if f.tip < v)}"

    return TIP.judge(f.tip, strength.TIP_CAP, said, slower)


def stress(f: MillFacts) -> ReviewLine:
    """Stress of the bars, or of the hammers at their eyes, by their own weight."""
    r, metal = f.config.rotor, f.metal
    if r.material == "printed":
        return STRESS.tell("fails", strength.bar_stress(metal.density, f.tip),
                           "A printed rotor must not run: it creeps at 45 to 55 °C and shatters when hit. Make bars "
                           "and hub of metal.", basis="assumed", source="forbidden whatever the figure")  # fmt: skip
    rule, root = (EYE, f.omega * f.hammer.pivot) if f.swinging else (STRESS, 0.0)
    plain_stress = strength.bar_stress(metal.density, f.tip, root)
    value, limit = HOLE * plain_stress, SHARE_OF_YIELD * f.strength

    def said() -> str:
        part = "hammers at their eyes" if f.swinging else "bars at the axis"
        return (
            f"the {part} are pulled at {say(plain_stress, 'MPa')} by their own weight in rotation, {HOLE:g} times that "
            "beside a hole"
        )

    if r.material is None and not r.yield_strength_Pa:
        return rule.give("rotor.material", said=lambda: f"in {metal.name} {said()}, of {say(limit, 'MPa')} allowed")
    weak, source = "Run slower or take a stronger metal", with_yield(f, rule)
    return rule.judge(
        value, limit, lambda: f"{said()} ({f.metal_words}). Welds and screws are weaker", weak, source=source
    )


def with_yield(f: MillFacts, rule: Rule) -> str:
    """The source of a rule, and of the yield strength."""
    return f"{rule.source}; {'yield as given' if f.config.rotor.yield_strength_Pa else f.metal.source}"


def burst(f: MillFacts) -> ReviewLine:
    """Mean hoop stress across the hub, by which a rotor bursts as a whole: its arms' pull, and that of half a ring."""
    r, bore = f.config.rotor, f.config.shaft.diameter_m
    if r.material == "printed":
        return BURST.give("rotor.material", what="rotor.material a metal")
    if bore is None:
        return BURST.give("shaft.diameter")
    a, b = 0.5 * bore, f.mill["r_hub"]
    if b <= a:
        return BURST.missing("the shaft is as thick as the hub that the model takes")
    bars = strength.bar_stress(f.metal.density, f.tip, f.omega * b) * r.bar_height_m * r.bar_thickness_m
    hammers = strength.centrifugal_force(f.hammer.mass, hammer_centre(f.config), f.omega) if f.swinging else 0.0
    hub = 2.0 / 3.0 * f.metal.density * f.omega**2 * (b**3 - a**3) * r.bar_height_m  # of half a ring, across a cut
    pull = strength.across_hub(max(bars, hammers), r.bars)
    value = (pull + hub) / (2.0 * (b - a) * r.bar_height_m)

    def said() -> str:
        hub = f"across a hub of {say(2.0 * b, 'mm')} (taken) on a shaft of {say(bore, 'mm')}"
        return f"{r.bars} arms pull {say(pull)} N {hub}; {f.metal_words}"

    weak = "A larger hub, a stronger metal or a lower speed; a keyway or grub screw takes off more"
    return BURST.judge(value, SHARE_OF_YIELD * f.strength, said, weak)


def in_the_cold(f: MillFacts) -> ReviewLine:
    """Whether the rotor's metal gets brittle beside feed this cold."""
    T = f.config.feed.temperature_K
    if f.config.rotor.material in ("stainless", "aluminium"):
        return COLD.note(T, f"{f.metal.name} stays tough in the cold; screws, pins and welds of other steel may not.")
    return COLD.missing(
        f"plain steel gets brittle below about -20 °C, and a blow then breaks what it would have bent. Feed of "
        f"{say(T, 'degC')} chills bars, pins and screws: have them made of austenitic stainless steel, or judged by "
        "somebody licensed", value=T,
    )  # fmt: skip


def rim(f: MillFacts) -> ReviewLine:
    """What a rim or disc edge at the tip radius would carry, and how hard a bar pulls at its hub."""
    if f.config.rotor.material == "printed":
        return RIM.give("rotor.material", what="rotor.material a metal")
    said = "a rim welded round the tips, or the edge of a disc as large, would carry this before any notch"
    return RIM.note(lambda: strength.ring_stress(f.metal.density, f.tip), said, SHARE_OF_YIELD * f.strength)


def _shaft_stiffness(f: MillFacts) -> tuple[float, Callable[[], str]] | ReviewLine:
    """(critical speed [rad/s] on rigid bearings, how), or the line that asks for a key."""
    s, mass = f.config.shaft, f.rotating_mass
    if s.diameter_m is None:
        return CRITICAL.give("shaft.diameter")
    if s.overhang_m is None and s.bearing_span_m is None:
        other = "shaft.overhang, or shaft.bearing_span for a rotor between its bearings"
        return CRITICAL.give("shaft.overhang", "shaft.bearing_span", what=other)
    if mass is None:
        return CRITICAL.give("rotor.mass")
    I, d, over, span = strength.second_moment(s.diameter_m), s.diameter_m, s.overhang_m, s.bearing_span_m

    def how() -> str:
        shaft = f"{say(d, 'mm')} shaft, {say(mass, 'kg')}"
        if over is None:
            return f"{shaft} in the middle of {say(span or 0.0, 'mm')}"
        held = f", bearings {say(span, 'mm')} apart" if span else ", as if built in"
        return f"{shaft} overhung by {say(over, 'mm')}{held}"

    if over is None:
        return strength.midspan_speed(STEEL_E, I, mass, span or 0.0), how
    return strength.overhung_speed(STEEL_E, I, mass, over, span or 0.0), how


def critical_speed(f: MillFacts) -> ReviewLine:
    """Rotor speed against the first bending speed of its shaft."""
    found = _shaft_stiffness(f)
    if isinstance(found, ReviewLine):
        return found
    rigid, how = found
    low, high = HOUSING
    limit = KEEP_BELOW * low * rigid

    def said() -> str:
        real = f"{say(low * rigid, 'rpm')} to {say(high * rigid, 'rpm')} in real ones"
        return f"{how()}: bends at {say(rigid, 'rpm')} in rigid bearings, {real}"

    stiffer = "Take a thicker or shorter shaft, or run slower"
    if f.omega <= limit and f.config.shaft.overhang_m is not None and f.config.shaft.bearing_span_m is None:
        softer = "This figure assumes a rigidly clamped shaft; one on bearings some way apart is far softer"
        return CRITICAL.give("shaft.bearing_span", said=lambda: f"{said()}. {softer}", value=f.omega)
    if f.omega <= limit:
        return CRITICAL.tell("passes", f.omega, said, limit)
    if f.omega <= KEEP_BELOW * high * rigid:
        return CRITICAL.tell("close", f.omega, said, limit, f"Only a stiff housing keeps clear of that. {stiffer}")
    return CRITICAL.tell("fails", f.omega, lambda: f"{said()}: near it the rotor shakes itself apart", limit, stiffer)


def balance(f: MillFacts) -> ReviewLine:
    """How well the rotor must be balanced, and what a gram at the tip does."""
    r = f.config.rotor
    grade = parts.balance_grade(f.config)
    e = strength.permitted_eccentricity(grade * 1e-3, f.omega)

    def said() -> str:
        text = f"for G{grade:g} the centre of mass may be {say(e, 'um')} off the axis"
        if f.rotating_mass is not None:
            most = strength.permitted_mass(e, f.rotating_mass, r.radius_m)
            text += f", that is {say(most, 'g', 2)} at the tips"
        gram = strength.centrifugal_force(1e-3, r.radius_m, f.omega)
        text += f"; 1 g too much there pulls {say(gram, digits=2)} N round and round"
        text += ". Weigh the hammers and hang equal ones opposite" if f.swinging and r.bars > 1 else ""
        if r.balance_grade is None and r.bars > 1:
            text += f". G{grade:g} is taken, usual for fans and machine parts; give rotor.balance_grade to change it"
        return text

    if r.bars == 1:
        round_ = say(strength.centrifugal_force(*_one_arm(f), f.omega), digits=2)
        lone = (
            f"one {'hammer' if f.swinging else 'bar'} alone pulls {round_} N round and round: it needs a counterweight"
        )
        return BALANCE.missing(f"{lone} of as much mass times radius, of which no key tells", said, e)
    return BALANCE.note(e, said)


def _one_arm(f: MillFacts) -> tuple[float, float]:
    """Mass [kg] of one arm and the radius [m] of its centre."""
    r = f.config.rotor
    if f.swinging:
        return f.hammer.mass, hammer_centre(f.config)
    return f.metal.density * r.bar_height_m * r.bar_thickness_m * r.radius_m, 0.5 * r.radius_m


def projectiles(f: MillFacts) -> tuple[float, float]:
    """Energy [J] of a screw at the tips, and of a hammer or half a bar, at no-load speed."""
    if f.swinging:
        return 0.5 * SCREW * f.tip**2, 0.5 * f.hammer.mass * f.tip**2
    return 0.5 * SCREW * f.tip**2, strength.bar_half_energy(_one_arm(f)[0], f.tip)


def flying(f: MillFacts) -> ReviewLine:
    """Energy of the worst projectile against what a guard wall is guessed to stop."""
    g, (screw, arm) = f.config.guard, projectiles(f)
    worst = max(screw, arm)

    def said() -> str:
        what = "a hammer" if f.swinging else f"half a bar of {say(_one_arm(f)[0], 'g', 2)}"
        told = [f"a 5 g screw at the tips has {say(screw, 'J', 2)}", f"{what} has {say(arm, 'J', 2)}"]
        hardest_first = ", ".join(told if screw >= arm else told[::-1])
        return f"{hardest_first} (the whole rotor {say(f.energy, 'J', 2)})"

    if g.material is None or g.thickness_m is None:
        absent = [k for k, x in (("guard.material", g.material), ("guard.thickness", g.thickness_m)) if x is None]
        return FLYING.give(*absent, said=said, value=worst)
    thick, (known, basis, source) = g.thickness_m, WALLS[g.material]
    limit = strength.wall_energy(WALL_J, known, thick)

    def with_wall() -> str:
        return f"{said()}; {say(thick, 'mm')} of {g.material} is guessed to stop {say(limit, 'J', 2)}"

    def thicker() -> str:
        need = known * (1.5 * worst / WALL_J) ** (2.0 / 3.0)
        return f"Make the wall {say(need, 'mm', 2)} or more, or lower the speed"

    def whole() -> str:
        burst = f"by the same guess a rotor that bursts, {say(f.energy, 'J', 2)}, goes through"
        return f"{with_wall()}. One loose part it may stop; {burst}"

    source = f"{source}; an estimate, not a containment calculation"
    told = FLYING.judge(worst, limit, with_wall, thicker, basis=basis, source=source)
    if told.verdict != "passes" or f.energy <= limit:
        return told
    return FLYING.tell("close", worst, whole, limit, basis=basis, source=source)


def run_down(f: MillFacts) -> ReviewLine:
    """Stored energy and how long the rotor runs on after the switch is off."""
    m = f.mill
    if m["bearing_torque"] <= 0.0:
        return RUN_DOWN.missing("bearings without friction never stop: see bearing_torque in [model]")

    def seconds() -> float:
        return strength.coast_down(m["inertia"], f.omega, m["bearing_torque"], f.windage)

    def said() -> str:
        taken = "; the bars are taken as plain steel, give rotor.mass" if f.config.rotor.mass_kg is None else ""
        return (
            f"it stores {say(f.energy, 'J', 2)}, as 1 kg that falls {say(f.energy / 9.81, 'm', 2)}, and keeps spinning "
            f"for about {say(seconds(), 's', 2)} when empty. Interlock the door and wait until it stands{taken}"
        )

    return RUN_DOWN.note(seconds, said)
