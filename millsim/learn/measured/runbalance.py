"""Closes the balance of a measured run: mass, rates, gross and net energy, heat, each with its standard uncertainty.

Instruments are taken as good to their limits, plus or minus, with no value inside them likelier than another: a limit a
is a standard uncertainty a / sqrt(3), a weighing on a scale of step d (two roundings, empty and full) is d / sqrt(6).
Inputs count as independent (GUM, JCGM 100:2008, 4.3.7 and 5.1.2; from memory).
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import sqrt

from ...laws.air import SPECIFIC_HEAT, air_density
from ...laws.heat import enthalpy_rise
from ...mill.config.mill import Config
from ...mill.parts import own_loss, shaft_power
from .madepowder import FinesCase, fines_case
from .runsheet import MeasuredRun

GOOD, USABLE = (0.97, 1.03), 0.95  # closure; common practice, no source
AT_MOST, AT_LEAST = "at most", "at least"


@dataclass(frozen=True)
class Figure:
    """One figure in SI with its standard uncertainty, unit and origin; bound "" or "at most" or "at least"."""

    value: float
    u: float
    unit: str
    how: str
    bound: str = ""


@dataclass(frozen=True)
class Missing:
    """Something that was not measured, and what it would tell."""

    what: str
    tells: str


@dataclass(frozen=True)
class RunBalance:
    """The figures of one run; None where too little was measured."""

    fed: Figure
    parts: dict[str, Figure]  # product, holdup, bag, sweepings: those that were weighed
    closure: Figure
    unaccounted: Figure
    verdict: str  # "good", "usable" or "do not calibrate"
    verdict_words: str
    product_rate: Figure
    feed_rate: Figure
    idle: Figure | None  # of the empty mill with its rotor
    motor_alone: Figure | None
    loaded: Figure | None
    gross_energy: Figure | None  # J
    net_energy: Figure | None
    gross_per_product: Figure | None  # J/kg
    gross_per_fed: Figure | None
    net_per_product: Figure | None
    net_per_fed: Figure | None
    heat_to_air: Figure | None
    heat_to_powder: Figure | None
    fines: FinesCase | None  # size of all that was made, with the missing mass as fines
    doubts: tuple[str, ...]
    missing: tuple[Missing, ...]


def close(run: MeasuredRun) -> RunBalance:
    """The balance of a run."""
    x = inputs(run)
    parts = run.parts_kg
    weighed = "weighed"
    closure = propagate(lambda q: sum(q[p] for p in parts) / q["fed"], x, "1", "all that was weighed, over fed")
    verdict, words = judge(closure.value, run.not_weighed)
    heat = heat_to_air(run)
    powers = _powers(run, x)
    return RunBalance(
        fed=Figure(*x["fed"], "kg", weighed),
        parts={p: Figure(*x[p], "kg", weighed) for p in parts},
        closure=_bounded(closure, AT_LEAST if run.not_weighed else ""),
        unaccounted=_bounded(
            propagate(lambda q: q["fed"] - sum(q[p] for p in parts), x, "kg", "fed less all that was weighed"),
            AT_MOST if run.not_weighed else "",
        ),
        verdict=verdict,
        verdict_words=words,
        product_rate=propagate(lambda q: q["product"] / q["time"], x, "kg/s", "product over milling time"),
        feed_rate=propagate(lambda q: q["fed"] / q["time"], x, "kg/s", "fed over milling time"),
        **powers,
        heat_to_air=heat,
        heat_to_powder=_heat_to_powder(run, x),
        fines=fines_case(run),
        doubts=tuple(_heat_doubts(run, heat, powers["loaded"])),
        missing=tuple(_missing(run)),
    )


# --- uncertainties ---------------------------------------------------------------------------------------

Inputs = Mapping[str, tuple[float, float]]  # name -> value and standard uncertainty


def limits(half_width: float) -> float:
    """Standard uncertainty of a value known to lie within plus or minus half_width, evenly."""
    return half_width / sqrt(3.0)


def weighing(step: float) -> float:
    """Standard uncertainty of a mass by difference of two readings of a scale with this step."""
    return step / sqrt(6.0)


def inputs(run: MeasuredRun) -> dict[str, tuple[float, float]]:
    """All that was read off an instrument, with standard uncertainties; watts as bounds where only those are known."""
    found = {"fed": (run.fed_kg, weighing(run.scale_kg)), "time": (run.milling_s, limits(run.clock_s))}
    found |= {part: (mass, weighing(run.scale_kg)) for part, mass in run.parts_kg.items()}
    for name, watts, most in (
        ("idle", run.idle_W, run.idle_upper_W),
        ("loaded", run.loaded_W, run.loaded_upper_W),
        ("energy", run.energy_J, None),
        ("motor", run.motor_alone_W, None),
    ):
        power = watts if watts is not None else most
        if power is not None:
            found[name] = (power, limits(run.meter_class * power))
    return found


def propagate(
    formula: Callable[[Mapping[str, float]], float], x: Inputs, unit: str, how: str, bound: str = ""
) -> Figure:
    """Figure of a formula of independent inputs: each is moved by its uncertainty both ways, effects add as squares."""
    middle = {name: value for name, (value, _) in x.items()}
    square = 0.0
    for name, (value, u) in x.items():
        if u > 0.0:
            up, down = (formula({**middle, name: value + side * u}) for side in (1.0, -1.0))
            square += (0.5 * (up - down)) ** 2
    return Figure(formula(middle), sqrt(square), unit, how, bound)


def _bounded(figure: Figure, bound: str) -> Figure:
    return Figure(figure.value, figure.u, figure.unit, figure.how, bound)


# --- mass ------------------------------------------------------------------------------------------------


def judge(closure: float, not_weighed: tuple[str, ...] = ()) -> tuple[str, str]:
    """Verdict on a closure, and the sentence; the limits are common practice without a source."""
    rounded = round(closure, 6)  # 0.97 from 291 of 300 g is 0.97
    open_ = " or was not weighed" if not_weighed else ""
    if rounded > GOOD[1]:
        why = "more came out than went in: was the mill empty before, and was the scale at zero?"
        return "do not calibrate", f"do not calibrate on this run: {why}"
    if rounded >= GOOD[0]:
        return "good", "good: within 97 to 103 %"
    if rounded >= USABLE:
        return "usable", f"usable: what is missing is most likely fines{open_}, so their share is known less well"
    return "do not calibrate", f"do not calibrate on this run: more than 5 % was lost{open_}; find it or repeat the run"


# --- energy ----------------------------------------------------------------------------------------------


def _powers(run: MeasuredRun, x: Inputs) -> dict[str, Figure | None]:
    """Power and energy, gross (all that was drawn) and net (above the hot idle), per kilogram of product and fed."""
    names = ("gross_energy", "net_energy", "gross_per_product", "gross_per_fed", "net_per_product", "net_per_fed")
    found: dict[str, Figure | None] = dict.fromkeys(("idle", "motor_alone", "loaded", *names))
    load_bound = AT_MOST if run.loaded_upper_W is not None else ""
    idle_bound = AT_MOST if run.idle_upper_W is not None else ""
    place = f"at the {run.meter_at}"
    if "idle" in x:
        found["idle"] = Figure(*x["idle"], "W", f"empty and hot, {place}", idle_bound)
    if "motor" in x:
        found["motor_alone"] = Figure(*x["motor"], "W", f"without the rotor, {place}: the motor's own loss")
    if "loaded" not in x:
        return found
    counted = "energy" in x
    found["loaded"] = _load(x, counted, place, load_bound)
    gross = (lambda q: q["energy"]) if counted else (lambda q: q["loaded"] * q["time"])
    sums = {"gross": (gross, load_bound, f"all that was drawn {place}")}
    if "idle" in x and not (load_bound and idle_bound):
        bound = load_bound or (AT_LEAST if idle_bound else "")
        sums["net"] = (lambda q: gross(q) - q["idle"] * q["time"], bound, f"above the hot idle, {place}")
    for name, (total, bound, how) in sums.items():
        found[f"{name}_energy"] = propagate(total, x, "J", how, bound)
        for per in ("product", "fed"):
            words = f"{how}, per kilogram {'of product' if per == 'product' else 'fed'}"
            found[f"{name}_per_{per}"] = propagate(_over(total, per), x, "J/kg", words, bound)
    return found


def _over(total: Callable[[Mapping[str, float]], float], per: str) -> Callable[[Mapping[str, float]], float]:
    return lambda q: total(q) / q[per]


def _load(x: Inputs, counted: bool, place: str, bound: str) -> Figure:
    """Power under load: as read, or counted energy over the time."""
    if counted:
        return propagate(lambda q: q["energy"] / q["time"], x, "W", f"counted energy over milling time, {place}")
    return Figure(*x["loaded"], "W", f"mean while fed, {place}", bound)


# --- heat ------------------------------------------------------------------------------------------------


def air_rise(power_W: float, flow_m3_s: float, room_K: float) -> float:
    """How far [K] a power warms a flow of dry air drawn in at the room's temperature."""
    return power_W / (float(air_density(room_K)) * SPECIFIC_HEAT * flow_m3_s)


def heat_to_air(run: MeasuredRun) -> Figure | None:
    """Heat [W] that the air, warmed from the room's temperature to its own, carries; None where one is not known."""
    if run.config.air.recirculated or run.air_temperature_K is None:
        return None
    if run.air_flow_m3_s is None or run.room_K is None:
        return None
    probe = limits(run.probe_K)
    x = {
        "flow": (run.air_flow_m3_s, limits(run.air_uncertainty * run.air_flow_m3_s)),
        "outlet": (run.air_temperature_K, probe),
        "room": (run.room_K, probe),
    }

    def heat(q: Mapping[str, float]) -> float:
        return float(air_density(q["room"])) * SPECIFIC_HEAT * q["flow"] * (q["outlet"] - q["room"])

    return propagate(heat, x, "W", "air flow, warmed from the room to the outlet")


def _heat_to_powder(run: MeasuredRun, x: Inputs) -> Figure | None:
    """Heat [W] that the powder carries off, with the specific heat of the card."""
    leaving = run.powder_temperature_K or run.air_temperature_K
    if leaving is None:
        return None
    came, card = feed_temperature(run), run.config.material
    cp, share = card.value("specific_heat"), card.value("heat_exponent_share")
    rise = float(enthalpy_rise(cp, share, came, leaving))
    per_kelvin = rise / (leaving - came) if leaving != came else cp
    q = {"product": x["product"], "time": x["time"], "rise": (rise, per_kelvin * limits(run.probe_K) * sqrt(2.0))}
    whose = "its own" if run.powder_temperature_K else "the air's"
    words = f"product, warmed from the feed to {whose} temperature"
    return propagate(lambda v: v["product"] / v["time"] * v["rise"], q, "W", words)


def feed_temperature(run: MeasuredRun) -> float:
    """Temperature [K] of the feed: the config's, or the room's as measured where the config has the two alike."""
    config: Config = run.config
    same = config.feed.temperature_K == config.air.room_K
    return run.room_K if same and run.room_K is not None else config.feed.temperature_K


def _heat_doubts(run: MeasuredRun, heat: Figure | None, loaded: Figure | None):
    """Whether heat out and power in can both be right."""
    if heat is None or loaded is None:
        return
    d = run.config.drive
    mains = run.meter_at == "mains"
    into = shaft_power(run.config, loaded.value, run.motor_alone_W) if mains else loaded.value
    if heat.value - 2 * heat.u > loaded.value + 2 * loaded.u:
        yield (
            f"the air would carry {heat.value:.0f} W, more than the {loaded.value:.0f} W that went in: "
            "the air flow or a temperature is wrong"
        )
    elif heat.value - 2 * heat.u > into + 2 * loaded.u:
        yield (
            f"the air carried {heat.value:.0f} W, more than the {into:.0f} W that reach the shaft by the config's "
            f"efficiency, {d.efficiency:g}: air flow, a temperature or the efficiency is wrong"
        )
    elif not loaded.bound and heat.value + 2 * heat.u < 0.5 * into:
        yield (
            f"the air carries only {heat.value:.0f} W of about {into:.0f} W at the shaft: still warming up, the probe "
            "was not in the full stream, or the air flow is too low"
        )


# --- what is missing -------------------------------------------------------------------------------------

_TELLS = (  # (what, field, what it would tell)
    ("power under load", "loaded_W", "the energy per kilogram, and how near the motor is to its limit"),
    ("power of the empty mill, hot", "idle_W", "what grinding takes above it, and what stirring air takes"),
    ("power of the motor alone", "motor_alone_W", "how much of the empty mill's watts is its own loss"),
    ("sieve sheet of the product", "product_sheets", "how fine the powder is: without it there is little to calibrate"),
    ("charge left inside", "holdup_kg", "does powder leave slowly or break slowly? Its size alone cannot tell"),
    ("sieve sheet of the charge left inside", "holdup_sheets", "how coarse it is: does it break or leave slowly?"),
    ("dust in the bag", "bag_kg", "how much fine powder the product sheet does not see"),
    ("sweepings", "sweepings_kg", "whether mass was spilt or lost as dust"),
    ("temperature of the air that leaves", "air_temperature_K", "with the air flow, where the watts went"),
    ("temperature of the powder that leaves", "powder_temperature_K", "how near the powder came to sticking"),
    ("room temperature", "room_K", "how far the air was warmed"),
    ("air flow", "air_flow_m3_s", "how much heat the air carries; time how fast the bag or a sack of known size fills"),
    ("speed under load", "speed_loaded_rad_s", "how far the motor is pulled down, and the speed of the hits"),
    ("running time before", "warm_s", "whether the mill was warm: the first batch is not like the later ones"),
)  # fmt: skip


def _missing(run: MeasuredRun):
    for what, name, tells in _TELLS:
        if name == "motor_alone_W" and (run.meter_at == "shaft" or own_loss(run.config) > 0.0):
            continue  # a shaft needs nothing of the motor's own loss; where the config has it, it is known
        if getattr(run, name) in (None, ()):
            yield Missing(what, tells)
