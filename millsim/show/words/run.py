"""A measured run as one JSON object and as a report in plain words: the answer, tables, what was read and assumed."""

import math
from collections.abc import Iterable

from ...base.numerics import psd
from ...base.quantities.written import decimals, digits, join_words, number, percent, sentence, table, wrap
from ...learn.measured.madepowder import FinesCase
from ...learn.measured.otherday import OfTheMill, of_the_mill
from ...learn.measured.runbalance import Figure, RunBalance
from ...learn.measured.runsheet import MeasuredRun
from ...mill.parts import own_loss
from ...record.outputs import PER_CAUGHT, PER_FED
from .json import jsonable
from .parameters import parameter_words
from .short import Short, labelled, said

_NAMES = {"product": "product", "holdup": "charge left inside", "bag": "bag", "sweepings": "sweepings"}
_LOT = {"product": "powder", "holdup": "charge left inside", "bag": "dust in the bag", "sweepings": "sweepings"}
_KWH = 3.6e6  # J
_FIGURES = (  # (field, words, unit, SI in one unit)
    ("product_rate", "product", "g/min", 1e-3 / 60),
    ("product_rate", "", "kg/h", 1 / 3600),
    ("feed_rate", "feed", "kg/h", 1 / 3600),
    ("idle", "power, empty mill", "W", 1.0),
    ("motor_alone", "power, motor alone", "W", 1.0),
    ("loaded", "power, loaded", "W", 1.0),
    ("gross_energy", "energy drawn", "kWh", _KWH),
    ("net_energy", "energy above idling", "kWh", _KWH),
    ("gross_per_product", f"drawn {PER_CAUGHT}", "kWh/kg", _KWH),
    ("net_per_product", f"above idling {PER_CAUGHT}", "kWh/kg", _KWH),
    ("gross_per_fed", f"drawn {PER_FED}", "kWh/kg", _KWH),
    ("net_per_fed", f"above idling {PER_FED}", "kWh/kg", _KWH),
    ("heat_to_air", "heat to the air", "W", 1.0),
    ("heat_to_powder", "heat to the powder", "W", 1.0),
)
_FROM = {"mains": "from the socket", "shaft": "at the shaft"}
_TOTAL = {f"{kind}_per_{of}": f"{kind}_energy" for kind in ("gross", "net") for of in ("product", "fed")}


def to_json(run: MeasuredRun, b: RunBalance) -> dict:
    """The run and its balance as plain JSON types in SI units; what is not known is null."""
    skip = {"config", "path", "assumed", "warnings", "sha256", "product_sheets", "holdup_sheets", "bag_sheets"}
    said = {
        "status": "ok" if b.verdict != "do not calibrate" else "check failed",
        "run": run.name,
        "run_sha256": run.sha256,
        "config_sha256": run.config.sha256,
        "verdict": b.verdict,
        "read": {k: v for k, v in vars(run).items() if k not in skip},
        "sheets": {lot: len(getattr(run, f"{lot}_sheets")) for lot in ("product", "holdup", "bag")},
        "balance": {k: v for k, v in vars(b).items() if k not in ("verdict", "doubts", "missing")},
        "of_the_mill": {
            f.name: {"value": f.figure.value, "u": f.figure.u, "assumed": f.assumed} for f in of_the_mill(run, b)
        },
        "assumed": run.assumed,
        "warnings": [*run.warnings, *b.doubts],
        "missing": b.missing,
    }
    return jsonable(said)


def to_text(run: MeasuredRun, b: RunBalance) -> str:
    """The report for people: the answer in sentences, then tables, then what was read, assumed and not measured."""
    lines = [line for s in sentences(run, b) for line in wrap(s)]
    lines += [line for w in (*run.warnings, *b.doubts) for line in wrap(f"Note: {sentence(w)}")]
    for title, body in (
        ("Masses", mass_table(run, b)),
        ("Rates, energy and heat", figure_table(b)),
        ("Powder, share by mass finer", size_table(run, b)),
        ("What was read", echo_table(run)),
        ("Assumed, because the run sheet does not say", [line for t in run.assumed for line in wrap(f"  {t}")]),
        ("Not measured, and what it would tell", missing_lines(b)),
    ):
        if body:
            lines += ["", title, *body]
    mill = f"mill {run.config.name}, config {run.config.sha256[:12]}, run {run.sha256[:12]}"
    return "\n".join([*lines, "", *wrap(f"Run sheet: {mill}")]) + "\n"


def run_short(run: MeasuredRun, b: RunBalance) -> Short:
    """The answer in sentences, what is doubtful, and what was not measured."""
    told = [said(s, n) for n, s in enumerate(sentences(run, b))]
    told += [labelled("Note", sentence(w), 5) for w in (*run.warnings, *b.doubts)]
    told += [labelled("Not measured, and what it would tell", "; ".join(_missing(b)), 6)] if b.missing else []
    return Short(tuple(told), "masses, rates and energies with their errors, sizes, what was read, what is assumed")


def _missing(b: RunBalance) -> list[str]:
    return [f"{m.what}: {m.tells}" for m in b.missing]


# --- sentences -------------------------------------------------------------------------------------------


def sentences(run: MeasuredRun, b: RunBalance) -> Iterable[str]:
    """The answer: rate, balance, energy, fines, heat."""
    when = f" ({run.date})" if run.date else ""
    yield (
        f"{run.name}{when}: {_mass(run.fed_kg, run.scale_kg)} fed in {_time(run.milling_s)}, {_fed_how(run)}, gave "
        f"{_mass(run.product_kg, run.scale_kg)} of powder: {_short(b.product_rate, 'g/min', 1e-3 / 60)} or "
        f"{_short(b.product_rate, 'kg/h', 1 / 3600)}."
    )
    yield _balance_sentence(run, b)
    yield _energy_sentence(run, b)
    if figures := of_the_mill(run, b):
        yield _other_day(figures)
    if b.fines is not None and b.fines.fines_kg > 0:
        yield _fines_sentence(run, b, b.fines)
    if b.heat_to_air is not None and b.loaded is not None:
        share = percent(b.heat_to_air.value / b.loaded.value, 0.1)
        most = f"against at most {b.loaded.value:.0f} W drawn"
        of = most if b.loaded.bound else f"{share} of what the meter showed"
        yield f"Heat: the air carried {_short(b.heat_to_air, 'W', 1.0)} away, {of}."


def _fed_how(run: MeasuredRun) -> str:
    if run.feeding == "metered":
        return "metered"
    return f"as much as it took (held back by: {run.limit})" if run.limit else "as much as it took"


def _balance_sentence(run: MeasuredRun, b: RunBalance) -> str:
    missing = b.unaccounted.value
    size = _mass(abs(missing), run.scale_kg)
    what = f"{size} are missing" if missing >= 0 else f"{size} more was found than fed"
    open_ = join_words([_LOT[p] for p in run.not_weighed])
    hedge = f" ({open_} not weighed and taken as nothing)" if open_ else ""
    return (
        f"Balance: {_found_again(run, b)}{hedge}; {what}. {sentence(b.verdict_words)} These limits are common practice "
        "without a source."
    )


def _found_again(run: MeasuredRun, b: RunBalance) -> str:
    percents = b.closure.u * 100
    pm = f"± {percents:.1f}" if percents >= 0.05 else "± under 0.1"
    least = "at least " if run.not_weighed else ""
    return f"{least}{b.closure.value * 100:.1f} % ({pm} %) of what was fed was found again"


def verdict_line(run: MeasuredRun, b: RunBalance) -> str:
    """The balance and its verdict in one line."""
    return f"Balance: {_found_again(run, b)}. {sentence(b.verdict_words)}"


def _energy_sentence(run: MeasuredRun, b: RunBalance) -> str:
    if b.gross_per_product is None:
        idle = f" Empty and hot it drew {_short(b.idle, 'W', 1.0)}." if b.idle is not None else ""
        return f"Energy: unknown, the power under load was not measured.{idle}"
    gross = _short(b.gross_per_product, "kWh", _KWH)
    fed = f" ({_short(b.gross_per_fed, 'kWh', _KWH)} {PER_FED}, as `compare` counts it)" if b.gross_per_fed else ""
    text = f"Energy {_FROM[run.meter_at]}: {gross} {PER_CAUGHT}{fed}; "
    if b.net_per_product is None:
        why = "both powers are only upper bounds" if b.idle is not None else "the empty mill was not measured"
        return f"{text}energy above idling: unknown, {why}."
    text += f"energy above idling: {_short(b.net_per_product, 'kWh', _KWH)} {PER_CAUGHT}."
    if b.idle is not None and b.loaded is not None and not (b.idle.bound or b.loaded.bound):
        text += f" The empty mill takes {percent(b.idle.value / b.loaded.value, 0.02)} of the power under load."
        if b.motor_alone is not None:
            text += f" Of it the motor alone takes {_short(b.motor_alone, 'W', 1.0)}, its own loss."
        elif run.meter_at == "mains" and (own := own_loss(run.config)) > 0.0:
            text += f" Of it the bare motor takes {digits(own)} W by the config, its own loss."
    return text


def _other_day(figures: tuple[OfTheMill, ...]) -> str:
    """Rate and energy as the mill's own, whose next run gives others."""
    units = {"throughput_kg_s": ("rate", "kg/h", 1 / 3600), "gross_J_kg": ("energy", f"kWh {PER_CAUGHT}", _KWH)}
    said = []
    for f in figures:
        what, unit, size = units[f.name]
        said.append(f"{what} {' ± '.join(_parts(f.figure, size))} {unit}")
    basis = {p.name: p for f in figures for p in f.basis}
    names = {p.name: parameter_words(p.name).removesuffix(" from run to run") for p in basis.values()}
    ranges = join_words(
        [f"{names[p.name]} {digits(100 * p.low, 2)} to {digits(100 * p.high, 2)} %" for p in basis.values()]
    )
    return (
        f"The next run will differ. As figures of the mill: {join_words(said)}, with what changes from run to run in "
        f"the error ({next(iter(basis.values())).basis}: {ranges}; name repeated runs as well, and they tell)."
    )


def _fines_sentence(run: MeasuredRun, b: RunBalance, f: FinesCase) -> str:
    parts = ["the missing mass"] if b.unaccounted.value > 0 else []
    parts += ["the bag"] if run.bag_kg and not f.bag_sieved else []
    where, verb = join_words(parts), "were" if len(parts) > 1 else "was"
    x, x_fine = (_size(v, f.apertures_m, q) for v, q in ((f.product_x50_m, f.product_q3), (f.fines_x50_m, f.fines_q3)))
    at = f"{digits(f.apertures_m[0] * 1e3)} mm"
    return (
        f"If {where} {verb} all fines: x50 of all powder made is {x_fine} instead of {x} of the sieved product, and "
        f"{percent(f.fines_q3[0], 0.001)} instead of {percent(f.product_q3[0], 0.001)} is finer than {at}."
    )


# --- tables ----------------------------------------------------------------------------------------------


def mass_table(run: MeasuredRun, b: RunBalance) -> list[str]:
    """What was fed and where it was found, with shares of the feed."""
    kilo = b.fed.value >= 10
    scale, unit = (1.0, "kg") if kilo else (1e3, "g")

    def row(name: str, f: Figure) -> list[str]:
        value, u = f.value * scale, f.u * scale
        return [name, number(value, _places(run.scale_kg * scale)), digits(u, 2), f"{f.value / b.fed.value * 100:.1f}"]

    rows = [row("fed", b.fed), *(row(_NAMES[p], f) for p, f in b.parts.items())]
    rows.append(row("unaccounted", b.unaccounted))
    lines = table(["", unit, "std. error", "% of fed"], rows)
    if run.not_weighed:
        lines.append(f"  not weighed: {join_words([_LOT[p] for p in run.not_weighed])}")
    return [*lines, *wrap("  std. error: standard uncertainty from the accuracy of the instruments, here and below")]


def figure_table(b: RunBalance) -> list[str]:
    """Every other figure with its standard uncertainty and what it is."""
    rows, said = [], ""
    for name, words, unit, size in _FIGURES:
        figure = getattr(b, name)
        if figure is not None:
            value, u = _parts(figure, size)
            how = getattr(b, _TOTAL.get(name, name)).how  # per kilogram of what, the first column says
            how, said = ("" if how == said else how), how
            rows.append([words, f"{figure.bound} {value}".strip(), u, unit, how])
    return table(["", "value", "std. error", "unit", "what it is"], rows)


def size_table(run: MeasuredRun, b: RunBalance) -> list[str]:
    """The sieved product, all that was made, and the bounding case."""
    f = b.fines
    if f is None:
        return []
    columns = {"product": f.product_q3}
    if f.bag_sieved:
        columns["all made"] = f.made_q3
    if f.fines_kg > 0:
        columns["missing as fines"] = f.fines_q3
    rows = [[f"{x * 1e3:.4g}", *(f"{q[i] * 100:.1f}" for q in columns.values())] for i, x in enumerate(f.apertures_m)]
    lines = table(
        ["size / mm" if run.product_sheets[0].by_laser else "sieve / mm", *(f"{name} / %" for name in columns)],
        rows,
        left=0,
    )
    if f.bag_sieved:
        lines += wrap(
            "  all made: product, bag as sieved, and sweepings as the product; what stayed inside is not among it"
        )
    if f.fines_kg > 0:
        what = "" if f.bag_sieved or not run.bag_kg else " and the bag"
        lines += wrap(f"  missing as fines: all that was made, with the missing mass{what} finer than the last sieve")
    if len(run.product_sheets) > 1:
        sheets = [(s.apertures_m, s.q3) for s in run.product_sheets]
        each = join_words([_size(float(psd.x_at(x, q, 0.5)), x, q) for x, q in sheets])
        lines += wrap(f"  product: mean of {len(sheets)} sheets with x50 of {each}")
    return lines


def echo_table(run: MeasuredRun) -> list[str]:
    """What the run sheet said, as understood."""
    rows = [[name, value] for name, value in _echo(run) if value]
    width = max(len(name) for name, _ in rows)
    return [line for name, value in rows for line in wrap(f"  {name.ljust(width)}  {value}")]


def _echo(run: MeasuredRun) -> Iterable[tuple[str, str]]:
    yield "config", f"{run.config_file}, {run.config.name}"
    yield "overrides", ", ".join(run.overrides)
    yield "scale", f"steps of {_mass(run.scale_kg, run.scale_kg)}"
    yield "milling time", f"{_time(run.milling_s)} ± {run.clock_s:g} s"
    yield "running before", "" if run.warm_s is None else _time(run.warm_s)
    yield "feeding", _fed_how(run)
    meter = f"± {run.meter_class * 100:g} % of reading, at the {run.meter_at}"
    yield "energy counted", "" if run.energy_J is None else f"{digits(run.energy_J / 3600, 4)} Wh, {meter}"
    for name, watts, most in (
        ("power loaded", run.loaded_W, run.loaded_upper_W),
        ("power, empty mill", run.idle_W, run.idle_upper_W),
        ("power, motor alone", run.motor_alone_W, None),
    ):
        yield name, "" if watts is None else f"{digits(watts, 4)} W, {meter}"
        yield name, "" if most is None else f"at most {digits(most, 4)} W (amperes times volts)"
    for name, speed in (("speed loaded", run.speed_loaded_rad_s), ("speed idle", run.speed_idle_rad_s)):
        yield name, "" if speed is None else f"{number(speed * 30 / math.pi, 0)} rpm"
    for name, kelvin in (
        ("air that leaves", run.air_temperature_K),
        ("powder that leaves", run.powder_temperature_K),
        ("room", run.room_K),
    ):
        yield name, "" if kelvin is None else f"{kelvin - 273.15:.3g} °C ± {run.probe_K:g} K"
    flow = run.air_flow_m3_s
    yield "air flow", "" if flow is None else f"{digits(flow * 3600, 4)} m³/h ± {run.air_uncertainty * 100:g} %"
    for lot in ("product", "holdup", "bag"):
        yield f"{_NAMES[lot]} sheets", ", ".join(_sheet(s) for s in getattr(run, f"{lot}_sheets"))
    yield "note", run.note or ""


def _sheet(sheet) -> str:
    """A sieve sheet in a line."""
    name = sheet.path.name if sheet.path else "sheet"
    loss = sheet.loss_share
    lost = "" if loss is None else f", {loss * 100:.1f} % lost"
    mass = "" if sheet.sum_g is None else f", {digits(sheet.sum_g, 4)} g"
    if sheet.by_laser:
        return f"{name} (laser diffraction, {sheet.classes} classes)"
    return f"{name} ({len(sheet.apertures_m)} sieves{mass}{lost})"


def missing_lines(b: RunBalance) -> list[str]:
    """What was not measured, and what it would tell."""
    return [line for m in _missing(b) for line in wrap(f"  {m}")]


# --- numbers ---------------------------------------------------------------------------------------------


def _parts(figure: Figure, size: float) -> tuple[str, str]:
    """Value and standard uncertainty in a unit, with no more digits than the uncertainty bears."""
    value, u = figure.value / size, figure.u / size
    return number(value, decimals(value, u)), digits(u, 2)


def _short(figure: Figure, unit: str, size: float) -> str:
    """ "at most 0.328 ± 0.006 kWh"."""
    value, _ = _parts(figure, size)
    return f"{figure.bound} {value} ± {digits(figure.u / size, 1)} {unit}".strip()


def _mass(kg: float, step_kg: float) -> str:
    """A mass in g below 10 kg, else in kg, to the step of the scale."""
    size, unit = (1e3, "g") if abs(kg) < 10 else (1.0, "kg")
    return f"{number(kg * size, _places(step_kg * size))} {unit}"


def _places(step: float) -> int:
    """Decimal places of readings in steps of this size."""
    return max(0, -math.floor(math.log10(step) + 1e-9))


def _time(seconds: float) -> str:
    unit, size = ("s", 1.0) if seconds < 120 else ("min", 60.0) if seconds < 7200 else ("h", 3600.0)
    return f"{seconds / size:.4g} {unit}"


def _size(x_m: float, apertures_m: tuple[float, ...], q3: tuple[float, ...]) -> str:
    """A median, or what the outermost sieve says of it."""
    if math.isnan(x_m):
        return f"{'below' if q3[0] > 0.5 else 'above'} {digits(apertures_m[0 if q3[0] > 0.5 else -1] * 1e3)} mm"
    return f"{digits(x_m * 1e3, 3)} mm"
