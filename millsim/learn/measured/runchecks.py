"""What cannot be in a run sheet, what is doubtful in it, and what was assumed because it was not said.

Works on the flat table {"masses.fed": SI value, ...}; a check runs only where all it needs is there, so a missing or
bad value never causes a second complaint.
"""

from collections.abc import Iterator
from typing import Any

from ...base.numerics.psd import q_at
from ...base.quantities.units import readable
from ...base.reading.sheet import SieveSheet
from ...base.reading.tables import Finding
from ...mill.config.mill import Config
from ...mill.parts import own_loss, socket_power
from .lasersizes import mixed

Values = dict[str, Any]
# All assumed: from where on a doubt is told.
TACHOMETER = 1.01  # speeds this share apart are the same speed
LEAST_KG = 1e-9  # that a balance shows
SIEVED_SLACK = 1.02  # a sample this share above its lot is scales that differ
COARSE_SHARE, COARSE_RATIO = 0.05, 1.25  # a product with this share coarser than this many holes is doubtful
OWN_APART = 0.2  # share by which the motor's own watts may differ from the config's
SPEED_APART = 0.05  # share by which the run's speed may differ from the config's


def contradictions(v: Values, sheets: dict[str, tuple[SieveSheet, ...]]) -> Iterator[Finding]:
    """Every impossibility among the values that are known."""
    for check in (_weighed, _product, _power, _motor_alone, _amperes, _speeds, _outlet):
        yield from check(v)
    yield from mixed(sheets)
    for lot, found in sheets.items():
        for sheet in found:
            yield from _sieved(lot, v.get(f"masses.{lot}"), v.get("masses.scale") or 0.0, sheet)


def _weighed(v: Values) -> Iterator[Finding]:
    """Nothing was found, or as much as a balance can show."""
    for key in ("masses.holdup", "masses.bag", "masses.sweepings"):
        if 0.0 < (v.get(key) or 0.0) < LEAST_KG:
            yield Finding(
                key, "is less than any balance shows", "0 g, or 1e-6 g or more", "write 0 g if nothing was found"
            )


def _product(v: Values) -> Iterator[Finding]:
    fed, product, scale = v.get("masses.fed"), v.get("masses.product"), v.get("masses.scale")
    if fed is not None and product is not None and scale is not None and product > fed + scale * (1 + 1e-9):
        message = f"{grams(product)} came out, more than the {grams(fed)} fed"
        hint = "weigh both again; was powder of an earlier run left in the mill?"
        yield Finding("masses.product", message, f"at most {grams(fed)}", hint)


def _power(v: Values) -> Iterator[Finding]:
    """The mill cannot draw less when it grinds than when it is empty; what amperes allow counts as most."""
    key, load, said = _load(v)
    idle = power_W(v, "idle")
    if load is not None and idle and load < idle:
        message = f"{said} is below the idle power, {watts(idle)}"
        hint = "an empty mill draws less than one that grinds: are the two swapped?"
        yield Finding(key, message, f"at least {watts(idle)}", hint)


def _motor_alone(v: Values) -> Iterator[Finding]:
    """A motor without the rotor takes less than with it; a motor alone gives no power at a shaft."""
    alone, idle = v.get("power.motor_alone"), power_W(v, "idle")
    if alone is None:
        return
    if v.get("power.at") == "shaft":
        yield Finding("power.motor_alone", "is a loss before the shaft: it cannot be measured there", 'at = "mains"')
    if idle is not None and alone > idle:
        message = f"{watts(alone)} without the rotor is above the {watts(idle)} of the empty mill with it"
        yield Finding("power.motor_alone", message, f"at most {watts(idle)}", "are the two swapped?")


def _outlet(v: Values) -> Iterator[Finding]:
    """One temperature of the powder, and none said of an outlet that was not measured."""
    if v.get("temperature.outlet_of") == "powder":
        if v.get("temperature.outlet") is not None and v.get("temperature.product") is not None:
            message = 'is the powder\'s by outlet_of = "powder", and product gives it again'
            yield Finding("temperature.outlet", message, "", "keep one of the two")
        elif "temperature.outlet" in v and v["temperature.outlet"] is None:
            yield Finding("temperature.outlet_of", "is given without outlet", "", "give outlet too, or delete it")


def air_K(v: Values) -> float | None:
    """Temperature [K] of the air that leaves, as far as it was measured."""
    return v.get("temperature.outlet") if v.get("temperature.outlet_of") == "air" else None


def powder_K(v: Values) -> float | None:
    """Temperature [K] of the powder that leaves: in the outlet, or just caught."""
    return v.get("temperature.outlet" if v.get("temperature.outlet_of") == "powder" else "temperature.product")


def _load(v: Values) -> tuple[str, float | None, str]:
    """Key, most possible value and words of the power under load."""
    if v.get("power.loaded") is not None:
        return "power.loaded", v["power.loaded"], watts(v["power.loaded"])
    energy, time = v.get("power.energy"), v.get("time.milling")
    if energy is not None and time:
        mean = energy / time
        return "power.energy", mean, f"{readable(energy, 'Wh')} in {minutes(time)}, {watts(mean)} on average,"
    if (known := power_W(v, "loaded")) is not None:
        return "power.amperes", known, f"{v['power.amperes']:g} A, that is {watts(known)},"
    if (most := bound_W(v, "loaded")) is not None:
        return "power.amperes", most, f"{v['power.amperes']:g} A, at most {watts(most)},"
    return "power.loaded", None, ""


def _voltampere(v: Values, prefix: str) -> float | None:
    """Apparent power [W]: amperes times volts, times sqrt 3 between the lines of three phases."""
    amperes, volts = v.get(f"power.{prefix}amperes"), v.get("power.volts")
    if amperes is None or volts is None:
        return None
    return amperes * volts * (3.0**0.5 if v.get("power.phases") == "three" else 1.0)


def _from_amperes(v: Values, prefix: str = "") -> float | None:
    """Power [W] of a current whose power factor is known; None else."""
    apparent, factor = _voltampere(v, prefix), v.get(f"power.{prefix}power_factor")
    return apparent * factor if apparent is not None and factor is not None else None


def bound_W(v: Values, name: str) -> float | None:
    """The most [W] that "idle" or "loaded" can have been, where only amperes and volts are known."""
    return None if power_W(v, name) is not None else _voltampere(v, _PREFIX[name])


_PREFIX = {"loaded": "", "idle": "idle_"}  # of the keys with amperes


def power_W(v: Values, name: str) -> float | None:
    """Power [W] "idle" or "loaded" as far as it is known, from watts, counted energy, or amperes with their factor."""
    if v.get(f"power.{name}") is not None:
        return v[f"power.{name}"]
    if name == "loaded" and v.get("power.energy") is not None:
        return v["power.energy"] / v["time.milling"] if v.get("time.milling") else None
    return _from_amperes(v, _PREFIX[name])


def _amperes(v: Values) -> Iterator[Finding]:
    current = [k for k in ("amperes", "idle_amperes") if v.get(f"power.{k}") is not None]
    if current and "power.volts" in v and v["power.volts"] is None:
        yield Finding("power.volts", f"is missing: it goes with {current[0]}", "", 'for example volts = "230 V"')
    if v.get("power.volts") is not None and not current and "power.amperes" in v and "power.idle_amperes" in v:
        yield Finding("power.volts", "is given without amperes", "", "give amperes too, or delete it")
    for key, needs in (("power_factor", "amperes"), ("idle_power_factor", "idle_amperes")):
        if v.get(f"power.{key}") is not None and f"power.{needs}" in v and needs not in current:
            yield Finding(f"power.{key}", f"is given without {needs}", "", f"give {needs} and volts too, or delete it")
    if current and v.get("power.at") == "shaft":
        message = "is not power at the shaft: a current is measured before the motor"
        yield Finding(f"power.{current[0]}", message, 'at = "mains"')


def _speeds(v: Values) -> Iterator[Finding]:
    idle, loaded = v.get("speed.idle"), v.get("speed.loaded")
    if idle is not None and loaded is not None and loaded > idle * TACHOMETER:
        message = f"{readable(loaded, 'rpm')} is above the idle speed, {readable(idle, 'rpm')}"
        yield Finding(
            "speed.loaded", message, f"at most {readable(idle, 'rpm')}", "load slows a motor: are the two swapped?"
        )


def _sieved(lot: str, mass: float | None, scale: float, sheet: SieveSheet) -> Iterator[Finding]:
    """No more can be sieved of a lot than there was; a lot that is sieved was there."""
    name = sheet.path.name if sheet.path else "the sheet"
    found = None if sheet.sum_g is None else sheet.sum_g / 1e3
    if found is not None and mass is not None and found > mass * SIEVED_SLACK + scale:
        message = f"{name} holds {grams(found)}, more than the {grams(mass)} of masses.{lot}"
        yield Finding(f"sieving.{lot}", message, "", "is it the sheet of another run?")


# --- doubts ----------------------------------------------------------------------------------------------


def doubts(v: Values, config: Config, sheets: dict[str, tuple[SieveSheet, ...]]) -> Iterator[str]:
    """Sentences on what is possible but should make the reader look again."""
    yield from _upper_bounds(v)
    yield from _meter(v, config)
    yield from _own_loss(v, config)
    idle, drawn = v.get("speed.idle"), config.drive.speed_rad_s
    if idle is not None and abs(idle / drawn - 1) > SPEED_APART:
        yield f"the idle speed was {readable(idle, 'rpm')}, the config says {readable(drawn, 'rpm')}"
    yield from _temperatures(v, config)
    yield from _sheets(config, sheets)
    for lot in ("holdup", "bag"):
        if sheets.get(lot) and v.get(f"masses.{lot}") is None:
            yield f"a sheet of the {lot} is given but masses.{lot} is not: weigh it"


def _upper_bounds(v: Values) -> Iterator[str]:
    for name, prefix in _PREFIX.items():
        if (most := bound_W(v, name)) is not None:
            yield (
                f"{name}: amperes times volts, {watts(most)}, is only the most it can have been: a motor's current "
                f"runs partly out of step with the voltage. Measure watts, or give {prefix}power_factor"
            )


def _meter(v: Values, config: Config) -> Iterator[str]:
    load, idle, share = power_W(v, "loaded"), power_W(v, "idle"), v["power.class_percent"] / 100
    if load is None:
        return
    if idle is not None and load - idle < share * (load + idle):
        yield f"load and idle differ by {watts(load - idle)}, less than a meter of {share * 100:g} % can tell"
    d = config.drive
    most = d.overload * d.shaft_rated_W
    most = socket_power(config, most) if v["power.at"] == "mains" else most
    if load > most:
        yield f"{watts(load)} is above what the config's motor can give for a moment, {watts(most)}"


def _own_loss(v: Values, config: Config) -> Iterator[str]:
    """A motor that is not loaded loses less than at its rated power."""
    d, alone = config.drive, v.get("power.motor_alone")
    whole, told, idle = d.shaft_rated_W * (1.0 / d.efficiency - 1.0), own_loss(config), power_W(v, "idle")
    if alone is not None and alone > whole:
        yield (
            f"the motor alone takes {watts(alone)}, more than it loses at its rated power by the config's efficiency "
            f"of {d.efficiency:g}, {watts(whole)}: the efficiency is lower, or the rotor was on"
        )
    if told > 0.0 and alone is not None and abs(alone / told - 1.0) > OWN_APART:
        yield (
            f"the motor alone takes {watts(alone)}, by the config's no_load_power {watts(told)}: the run's counts; "
            "correct the config"
        )
    if told > 0.0 and alone is None and idle is not None and v["power.at"] == "mains" and idle < told:
        yield (
            f"the empty mill takes {watts(idle)}, less than the bare motor by drive.no_load_power, {watts(told)}: "
            "was that read at a higher speed? Say at which, drive.no_load_speed"
        )


def _temperatures(v: Values, config: Config) -> Iterator[str]:
    air, room, probe = air_K(v), v.get("temperature.room"), v["temperature.probe"]
    if air is not None and room is not None and air < room - 2 * probe and not config.air.recirculated:
        text = f"the air that leaves, {celsius(air)}, is colder than the room, {celsius(room)}"
        yield f"{text}: are the two swapped, or was the feed cold?"
    stick = config.material.value("stick_temperature")
    for name, value in (("air", air), ("powder", powder_K(v))):
        if value is not None and value > stick:
            limit = f"{celsius(stick)}, where by its card the powder sticks"
            yield f"the {name} that leaves, {celsius(value)}, was above {limit}"


def _sheets(config: Config, sheets: dict[str, tuple[SieveSheet, ...]]) -> Iterator[str]:
    limit = COARSE_RATIO * config.sieve.hole_m
    for lot, found in sheets.items():
        for sheet in found:
            name = sheet.path.name if sheet.path else lot
            yield from (f"{name}: {said}" for said in sheet.warnings)
            coarse = 1.0 - float(q_at(sheet.apertures_m, sheet.q3, limit)) if lot != "holdup" else 0.0
            if coarse > COARSE_SHARE and sheet.apertures_m[-1] >= limit:
                hole = readable(config.sieve.hole_m, "mm")
                cause = "pieces longer than they are wide, " if sheet.by_laser else ""
                yield (
                    f"{name}: {coarse * 100:.0f} % is coarser than {readable(limit, 'mm')}, though the sieve holes are "
                    f"{hole}: {cause}a torn or leaking sieve, or the wrong sheet or config?"
                )


# --- assumptions -----------------------------------------------------------------------------------------


def assumptions(v: Values, given: set[str], config: Config) -> Iterator[str]:
    """Sentences on what the sheet did not say and was assumed."""
    told = own_loss(config)
    alone = (
        f"the config has the bare motor at {watts(told)}, its own loss and no windage"
        if told > 0.0
        else "the config's efficiency is taken to hold at idle too, where a motor's own loss is the larger part"
    )
    said = (
        ("masses.scale", True, f"the scale steps by {grams(v['masses.scale'])}"),
        ("time.clock", True, f"the milling time is known to within {v['time.clock']:g} s"),
        ("power.class_percent", _has(v, "power.idle", "power.loaded", "power.energy", "power.amperes"),
         f"the power meter is right to within {v['power.class_percent']:g} %"),
        ("power.at", _has(v, "power.idle", "power.loaded", "power.energy"), "power was measured at the mains"),
        ("power.motor_alone", _has(v, *_IDLE) and v["power.at"] == "mains",
         "idle power is that of the empty mill with its rotor; what the motor takes without it was not measured, so "
         f"{alone}"),
        ("power.phases", _has(v, "power.amperes", "power.idle_amperes"), "the supply has a single phase"),
        ("temperature.outlet_of", _has(v, "temperature.outlet"),
         "the outlet temperature is that of the air that leaves"),
        ("temperature.probe", _has(v, "temperature.outlet", "temperature.room", "temperature.product"),
         f"the thermometer is right to within {v['temperature.probe']:g} K"),
        ("air.uncertainty_percent", _has(v, "air.flow"),
         f"the air flow is right to within {v['air.uncertainty_percent']:g} %"),
    )  # fmt: skip
    return (text for key, applies, text in said if applies and key not in given)


_IDLE = ("power.idle", "power.idle_amperes")


def _has(v: Values, *keys: str) -> bool:
    return any(v.get(k) is not None for k in keys)


def grams(kg: float) -> str:
    """A mass in g, to five digits at least and never with an exponent."""
    return f"{float(f'{kg * 1e3:.5g}'):.10g} g"


def watts(power: float) -> str:
    """A power in W."""
    return f"{float(f'{power:.4g}'):.10g} W"


def minutes(seconds: float) -> str:
    """A time as people say it: seconds up to two minutes, else minutes, or hours."""
    unit, size = ("s", 1.0) if seconds < 120 else ("min", 60.0) if seconds < 7200 else ("h", 3600.0)
    return f"{seconds / size:.4g} {unit}"


def celsius(kelvin: float) -> str:
    """A temperature in degrees Celsius."""
    return readable(kelvin, "degC")
