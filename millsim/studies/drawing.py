"""What follows from a mill's drawing alone, without running a model: speeds, areas, torques, forces."""

import math

from ..base.numerics.uncompiled import as_written
from ..base.quantities.scalar import Scalar
from ..base.quantities.written import capital, digits, duration, join_words, shown_unit, wrap
from ..base.reading.key import AS_MUCH
from ..laws import drive, strength
from ..mill import parts
from ..mill.config.mill import Config

_G = 9.81  # m/s2


def derived(config: Config) -> dict[str, Scalar]:
    """Numbers that follow from the config, in SI, by key; each with the words that explain it."""
    r, s, d, f = config.rotor, config.sieve, config.drive, config.feed
    omega = d.speed_rad_s
    found = {
        "tip_speed_m_s": Scalar(r.radius_m * omega, "m/s", "tip speed without load"),
        "speed_rad_s": Scalar(omega, "rad/s", "rotor speed without load"),
        "bar_passes_1_s": Scalar(r.bars * omega / (2 * math.pi), "1/s", "bars passing a point of the wall"),
        "shaft_rated_W": Scalar(d.shaft_rated_W, "W", "power at the shaft that the motor keeps up"),
        "rated_torque_Nm": Scalar(
            strength.shaft_torque(d.shaft_rated_W, omega), "N m", "torque of that power at this speed"
        ),
        "open_fraction": Scalar(s.open_fraction, "1", "open share of the sieve"),
        "open_area_m2": Scalar(s.area_m2 * s.open_fraction, "m2", "open area of the sieve"),
        "holes": Scalar(_holes(config), "1", "holes in the sieve, about"),
        "gap_m": Scalar(config.stator.gap_m, "m", "gap from bar to wall"),
        "largest_feed_m": Scalar(f.size.top_m, "m", "largest pieces of the feed"),
        "feed_opening_m": Scalar(f.opening_m, "m", "feed opening"),
    }
    if r.hammer_mass_kg is not None and r.pivot_radius_m is not None:
        pull = strength.centrifugal_force(r.hammer_mass_kg, parts.hammer_centre(config), omega)
        found["hammer_pull_N"] = Scalar(pull, "N", "pull of a hammer on its pivot, about")
    if r.mass_kg is not None:
        energy = as_written(drive.kinetic_energy)(parts.inertia(config), omega)
        found["rotor_energy_J"] = Scalar(energy, "J", "energy stored in the rotor at that speed, about")
    if "stick_temperature" in config.material:
        stick = config.material.value("stick_temperature")
        found["stick_temperature_K"] = Scalar(stick, "K", "the material begins to stick at")
    return found


def _caution(found: dict[str, Scalar]) -> str:
    """What the stored energy and the pull of the hammers mean for the builder."""
    if "rotor_energy_J" not in found:
        return "Give rotor.mass to see how much energy the turning rotor stores."
    joule = found["rotor_energy_J"].value
    text = f"The turning rotor stores {digits(joule, 2)} J, as much as 1 kg that falls {digits(joule / _G, 2)} m"
    return f"{text}: the housing must hold that if it bursts."


def _holes(config: Config) -> float:
    """How many holes share the open area: round ones in a plate, square ones in a mesh."""
    s = config.sieve
    one = s.hole_m**2 * (math.pi / 4 if s.kind == "plate" else 1.0)
    return s.area_m2 * s.open_fraction / one


def describe(config: Config) -> str:
    """The config in plain words with the numbers derived from it."""
    r = config.rotor
    found = derived(config)
    lines = [
        complete_words(config),
        f"A rotor {_mm(2 * r.radius_m)} across with {tools(config)}, {edge_words(config)}; {_wall(config)}; "
        f"a {config.sieve.kind} with {_mm(config.sieve.hole_m)} holes{_around(config)}.",
        f"Fed {_rate(config)}: {config.material.title or config.feed.material}.",
    ]
    if found["largest_feed_m"].value > config.stator.gap_m:
        lines.append("Feed pieces are larger than the gap, so bars can catch them against the wall.")
    else:
        lines.append("Feed pieces are smaller than the gap, so they can slip past the bars.")
    width = max(len(s.long_name) for s in found.values())
    lines += ["", *(f"  {s.long_name:<{width}}  {_number(s)}" for s in found.values())]
    lines += ["", _caution(found)]
    lines += [f"Config {config.sha256[:12]}. This checks the drawing; it is not a safety clearance."]
    return "\n".join(line for text in lines for line in wrap(text)) + "\n"


def complete_words(config: Config) -> str:
    """That there was nothing to mend in a config."""
    return f"{capital(config.name)}: the config is complete and without contradictions."


def tools(config: Config) -> str:
    """What the rotor carries: "4 rigid bars", "6 rings of 2 rigid bars, staggered"."""
    r = config.rotor
    bars = f"{r.bars} {r.mount} {'hammer' if r.mount == 'swinging' else 'bar'}{'s' if r.bars != 1 else ''}"
    if r.ring_count == 1:
        return bars
    offset = r.ring_offset or "taken as in line"
    return f"{r.ring_count} rings of {bars}{'' if r.mount == 'swinging' else f', {offset}'}"


def edge_words(config: Config) -> str:
    """The edges: "toothed edges", "30 % toothed and 70 % bevelled edges"."""
    edges = config.rotor.edges
    if len(edges) == 1:
        return f"{edges[0][0]} edges"
    return f"{join_words([f'{100.0 * share:.3g} % {kind}' for kind, share in reversed(edges)])} edges"


def _around(config: Config) -> str:
    """How much of the circumference a sieve covers that is given by that."""
    s = config.sieve
    share = s.angle_rad / (2.0 * math.pi) if s.angle_rad is not None else s.share
    return "" if share is None else f" over {360.0 * share:.3g}° of the circumference"


def _wall(config: Config) -> str:
    s = config.stator
    wall = f"{s.pins} pins of {_mm(s.pin_diameter_m)}" if s.kind == "pins" else "a smooth wall"
    return f"{wall} at a gap of {_mm(s.gap_m)}"


def _rate(config: Config) -> str:
    f = config.feed
    if f.batch:
        mass = _number(Scalar(f.batch.mass_kg, "kg", ""))
        return f"as a batch of {mass}, milled for {digits(f.batch.time_s / 60)} min"
    if f.handful_kg is not None and f.every_s is not None:
        rate = _number(Scalar(f.handful_kg / f.every_s, "kg/s", ""))
        return f"{_number(Scalar(f.handful_kg, 'kg', ''))} by hand every {duration(f.every_s)}, {rate} on average"
    return AS_MUCH if f.rate_kg_s is None else f"at {_number(Scalar(f.rate_kg_s, 'kg/s', ''))}"


def _mm(size_m: float) -> str:
    return f"{digits(size_m * 1e3)} mm"


def _number(s: Scalar) -> str:
    if s.unit == "m2":
        return f"{digits(s.value * 1e4)} cm²"
    if s.unit == "m":
        return _mm(s.value)
    if s.unit == "1":
        return digits(s.value) if s.value > 1 else f"{digits(s.value * 100)} %"
    unit, factor, offset = shown_unit(s.value, s.unit)
    return f"{digits(s.value * factor + offset)} {unit}".strip()
