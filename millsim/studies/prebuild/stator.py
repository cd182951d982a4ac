"""The fixed parts: bending of the pins, and the gap that is left when the rotor is warm and runs out of true."""

from ...laws import strength
from ...mill.parts import MILD_STEEL
from .facts import DYNAMIC, SCREW_YIELD, MillFacts, say
from .hammer import core_of
from .judge import Rule
from .line import ReviewLine

NOTCH = 2.5  # a thread in the bent length, 2 to 3 (Peterson, from memory)
CLEARANCE = 0.1e-3  # m, that must be left hot (assumed)
RUN_OUT = 0.1e-3  # m, where none is given (assumed: turned or well set up)

PIN = Rule("stator", "pins in bending", "Pa", "1.5 K_f 32 M / (pi d^3), M = F L at one end, F L / 4 between two",
           "assumed", "beams: Roark, Shigley; blows 1.5, thread K_f 2.5; F = tau pi d^2 / 4, tau of the card"
           )  # fmt: skip
GAP = Rule("stator", "gap when warm and out of true", "m", "gap against alpha R dT + run-out + 0.1 mm", "assumed",
           "thermal expansion: handbook; 0.1 mm to be left is assumed", least=True)  # fmt: skip


def lines(f: MillFacts) -> list[ReviewLine]:
    """All checks of the fixed parts."""
    return [*([pins(f)] if f.pins else []), gap(f)]


def pins(f: MillFacts) -> ReviewLine:
    """Bending of a pin that shears the largest piece, or is hit by it where none is caught."""
    s = f.config.stator
    d = core_of(s.pin_diameter_m) if s.threaded else s.pin_diameter_m
    limit = s.yield_strength_Pa or (SCREW_YIELD if s.threaded else MILD_STEEL.strength)
    F = f.shear_force if f.nips else f.blow_force
    moment = strength.beam_moment if s.held == "both ends" else strength.cantilever_moment
    factor = DYNAMIC * (NOTCH if s.threaded else 1.0)
    M = moment(F, s.free_length_m)
    value = factor * strength.bending_stress(M, d)

    def said() -> str:
        piece, fed = f"a {say(f.piece, 'mm')} piece", f.config.feed.temperature_K
        piece += f" at {say(fed, 'degC')}" if fed < f.config.air.room_K else ""
        hits = f"{piece} passes the gap and only hits the pin, with {say(F)} N for some 10 µs"
        return f"{f'to shear {piece} takes {say(F)} N' if f.nips else hits}; {_held(f)}, {_metal(f, limit)}"

    def advice() -> str:
        need = strength.pin_for_moment(1.5 * factor * M, limit)
        better = [] if s.held == "both ends" else ["pins held at both ends"]
        better += ["plain shanks in the chamber"] if s.threaded else []
        better += [f"{say(need, 'mm', 2)} {'of core' if s.threaded else 'pins'}", "a shorter free length"]
        return f"What would help: {', '.join(better)} or stronger steel"

    if s.threaded is None:
        root = DYNAMIC * NOTCH * strength.bending_stress(M, core_of(s.pin_diameter_m))
        if value <= limit < root:
            hold = f"Plain pins would hold, {say(value, 'MPa')}; screws with their thread in the chamber not"
            words = f"{said()}. {hold}, {say(root, 'MPa')}"
            return PIN.give("stator.threaded", said=words, value=value)
    if not f.nips and value > limit:  # a static load for one that lasts less than the pin's period
        brief = "So short a blow bends it far less than this"
        return PIN.tell("close", value, lambda: f"{said()}. {brief}", limit, advice)
    return PIN.judge(value, limit, said, advice)


def _held(f: MillFacts) -> str:
    """How the pin is held and shaped, with what is only taken to be so."""
    s = f.config.stator
    kind = "screw" if s.threaded else "pin"
    size = f"{say(s.pin_diameter_m, 'mm')} {kind}, {say(s.free_length_m, 'mm')} free"
    if s.threaded:
        size += f", core {say(core_of(s.pin_diameter_m), 'mm')}"
    held = {"both ends": "held at both ends", "one end": "held at one end"}.get(
        s.held or "", "taken as held at one end (give stator.held)"
    )
    thread = "" if s.threaded is not None else ", taken as a plain shank (give stator.threaded)"
    return f"{size}, {held}{thread}"


def _metal(f: MillFacts, limit: float) -> str:
    """The yield strength in words, with what it rests on."""
    s = f.config.stator
    if s.yield_strength_Pa:
        return f"yield {say(limit, 'MPa')} as given"
    taken = "a screw of class 8.8" if s.threaded else "mild steel"
    return f"taken as {taken}, yield {say(limit, 'MPa')} (give stator.yield_strength)"


def gap(f: MillFacts) -> ReviewLine:
    """The cold gap against growth, run-out and the clearance that must be left."""
    r, room = f.config.rotor, f.config.air.room_K
    warm = max(f.limit_K - room, 0.0)
    growth = strength.thermal_growth(f.metal.expansion, r.radius_m, warm)
    run_out = RUN_OUT if r.run_out_m is None else r.run_out_m

    def said() -> str:
        grows = f"a rotor of {f.metal.name} grows {say(growth, 'mm', 2)} when it warms by {say(warm, digits=2)} K"
        taken = " taken (give rotor.run_out)" if r.run_out_m is None else ""
        out = f"run-out {say(run_out, 'mm', 2)}{taken}"
        return f"{grows} to the powder's limit while the housing stays cold; {out}"

    wider = "Open the gap or true the tips: metal that touches metal sparks, and all of the rotor's energy goes into it"
    return GAP.judge(f.config.stator.gap_m, growth + run_out + CLEARANCE, said, wider)
