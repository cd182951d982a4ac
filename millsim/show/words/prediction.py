"""A prediction as one JSON object and as a report in plain words: sentences, then tables, then cautions."""

import math
from dataclasses import replace

import numpy as np

from ...base.quantities import units
from ...base.quantities.params import BASES, Param
from ...base.quantities.scalar import Scalar
from ...base.quantities.written import Shown, balance_words, digits, percent, sentence, shown_unit, table, wrap
from ...base.reading import sieves
from ...record.asked import batch_of
from ...record.prediction import EngineResult, Prediction
from ...studies.engines import ENGINE_WORDS, compare
from .advice import band_name, sentences
from .limits import headroom, limit_figures, margin_words, verdict_words

# Nominal apertures of ISO 3310-1, principal series R 20/3, from 45 µm to 11.2 mm, finest first [m].
SIEVES_M = tuple(x * 1e-3 for x in sorted(sieves.ISO_R20_3_MM) if x <= 11.2)
_SIZES = ("x10_m", "x50_m", "x90_m", "span")
_NO_POWDER = (*_SIZES, "holdup_kg", "hits_per_particle", "hits_above_threshold_share")
_BANDED = ("throughput_kg_s", "holdup_kg", "shaft_power_W", "gross_J_kg", "net_J_kg", "outlet_temperature_K")
# Short names of the scalars, so that the table fits a page; what is not named here keeps its long name.
_ROWS = {
    "x10_m": "x10: 10 % by mass is finer",
    "x50_m": "x50: half by mass is finer",
    "x90_m": "x90: 90 % by mass is finer",
    "span": "span (x90 - x10) / x50",
    "throughput_kg_s": "powder rate",
    "capacity_kg_s": "largest steady feed rate",
    "holdup_kg": "charge in the chamber",
    "hits_per_particle": "hits before a particle leaves",
    "hits_above_threshold_share": "hits hard enough to break it",
    "gross_J_kg": "socket energy per kg of powder",
    "net_J_kg": "of it above the idle power",
    "shaft_power_W": "shaft power",
    "electrical_power_W": "power from the socket",
    "idle_power_W": "power from the socket, empty mill",
    "outlet_temperature_K": "temperature at the outlet",
    "powder_temperature_K": "temperature of the powder leaving",
    "air_flow_m3_s": "air through the sieve",
    "open_sieve_share": "sieve holes not pegged",
    "speed_rad_s": "rotor speed under load",
    "tip_speed_m_s": "effective tip speed under load",
    "residence_s": "mean time in the chamber",
    "jam_index": "jam index (jams at 1)",
}
_EMPTY_ROWS = ("idle_power_W", "outlet_temperature_K")  # all that a mill which cannot run has to show
_CANNOT_RUN = "the mill does not run"  # how the warning begins that the first sentence says already
_BATCH_ROWS = {
    "throughput_kg_s": "powder rate over the whole time",
    "holdup_kg": "charge left in the chamber",
    "outlet_temperature_K": "highest temperature",
}

CAUTIONS = (
    "This is a prediction, not a safety clearance. Before anything turns: guard the rotor and the sieve so "
    "that no hand and no burst fragment gets through, never run the rotor above the speed it is proven for, "
    "and interlock the door with the drive. Fine dust of plastics and grain can explode and harms lungs: "
    "keep ignition sources away, earth the machine, extract and filter the air, wear a mask. Mills are loud "
    "and get hot: wear ear and eye protection, watch the temperature. Local codes and licensed practice come "
    "first."
)


def to_json(p: Prediction) -> dict:
    """The prediction as plain JSON types in SI units; what is not known is null, never NaN or Infinity.

    A margin is how many times the load fits into its limit (of temperatures, both counted from the
    room).
    `band` gives {"low", "high"} for every number, [x_m, low, high] for every point of Q3; null if none.
    """
    answer = {
        "status": p.status,
        "engine": p.main.engine,
        "seed": p.seed,
        "config_sha256": p.config_sha256,
        **_engine_json(p.main, p.status != "cannot run"),
        "limit": {"binding": p.binding, "margins": {x.name: headroom(x) for x in p.limits}},
        "warnings": list(p.warnings),
    }
    answer["band"] = _band_json(p)
    if p.other is not None:
        rows = {r.key: r.agrees for r in compare(p)}
        said = _engine_json(p.other, p.status != "cannot run")
        answer["other_engine"] = {"engine": p.other.engine, **said, "agrees": rows}
    return _clean(answer)


def _engine_json(e: EngineResult, runs: bool) -> dict:
    """What one engine says, by the keys of the JSON answer; a mill that does not run has no powder to describe."""
    get = {k: s.value for k, s in e.scalars.items() if runs or k not in _NO_POWDER}.get
    ledger = {"in": _values(e.ledger_in_W), "out": _values(e.ledger_out_W)}
    q3 = np.column_stack([e.table.edges_m, e.table.product_q3]).tolist() if runs else None
    return {
        "product": {**{k: get(k) for k in _SIZES}, "q3": q3},
        "throughput_kg_s": get("throughput_kg_s"),
        "holdup_kg": get("holdup_kg"),
        "hits_per_particle": get("hits_per_particle"),
        "hits_above_threshold_share": get("hits_above_threshold_share"),
        "energy": {"gross_J_kg": get("gross_J_kg"), "net_J_kg": get("net_J_kg"), "ledger_W": ledger},
        "outlet_temperature_K": get("outlet_temperature_K"),
    }


def _values(ledger: dict[str, Scalar]) -> dict[str, float]:
    return {k: s.value for k, s in ledger.items()}


def _band_json(p: Prediction) -> dict | None:
    if not math.isfinite(p.band_level) or p.status == "cannot run":
        return None
    engines = [e for e in (p.main, p.other) if e is not None and np.isfinite(e.table.product_q3_low).any()]
    s, t = (engines[0] if engines else p.main).scalars, (engines[0] if engines else p.main).table
    ends = {k: {"low": s[k].low, "high": s[k].high} if k in s else None for k in (*_SIZES, *_BANDED)}
    q3 = np.column_stack([t.edges_m, t.product_q3_low, t.product_q3_high]).tolist()
    return {"level": p.band_level, **ends, "q3": q3, "widest": {k: list(map(list, v)) for k, v in p.widest.items()}}


def _clean(value: object) -> object:
    """Plain Python types only; numbers that are not finite become null."""
    if isinstance(value, dict):
        return {str(k): _clean(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_clean(v) for v in value]
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not math.isfinite(value) else value


def to_text(p: Prediction) -> str:
    """The report for people: what they want to know in sentences, then tables, then cautions."""
    lines = [line for s in sentences(p) for line in wrap(s)]
    runs = p.status != "cannot run"  # else there is no powder to speak of
    notes = [w for w in p.warnings if runs or not w.startswith(_CANNOT_RUN)]
    lines += [line for w in notes for line in wrap(f"Note: {sentence(w)}")]
    for title, body in (
        ("Powder at standard sieves (share by mass finer)", size_table(p) if runs else []),
        ("Numbers", scalar_table(p)),
        ("Shaft power, in and out", ledger_table(p) if runs else []),
        (_limits_heading(p), limit_table(p)),
        ("The two engines side by side", engine_table(p) if runs else []),
        ("How it was calculated", numerics_table(p) if runs else []),
        ("What it rests on", parameter_table(p)),
    ):
        if body:
            lines += ["", title, *body]
    lines += ["", *wrap(CAUTIONS), "", *_provenance(p)]
    return "\n".join(lines) + "\n"


def _provenance(p: Prediction) -> list[str]:
    run = f"seed {p.seed}, millsim {p.version}, model {p.model_version}, config {p.config_sha256[:12]}"
    return [f"Run: {p.command or 'from Python'}", f"     {run}, status: {p.status}"]


def size_table(p: Prediction) -> list[str]:
    """Undersize at standard sieves from the first that catches fines to the first that passes everything."""
    t = p.main.table
    if not np.isfinite(t.product_q3).any():
        return []
    rows = []
    errors = _monte_carlo_errors(p)
    for x in SIEVES_M:
        columns = (t.feed_q3, t.product_q3, t.product_q3_low, t.product_q3_high)
        feed, product, low, high = (_at(x, t.edges_m, q) for q in columns)
        if max(product, high if math.isfinite(high) else 0.0) < 0.001:
            continue
        error = _at(x, *errors) if errors is not None else math.nan
        coarse = math.isfinite(high - low) and high - low > 0.02
        band = f"{_share(low, coarse)} to {_share(high, coarse)}" if math.isfinite(high - low) else ""
        se = f"{error * 100:.2g}" if math.isfinite(error) and error >= 5e-5 and product < 0.9995 else ""
        full = min(product, low if math.isfinite(low) else 1.0) > 0.9995
        rows.append([f"{x * 1e3:g}", _share(product, coarse), "" if full else band, se, _share(feed)])
        if product > 0.9995 and feed > 0.9995:
            break
    header = ["sieve / mm", "powder / %", f"{band_name(p)} / %", "std. error / %", "feed / %"]
    lines = table(header, rows, left=0)
    if any(row[3] for row in rows):
        lines += wrap("  std. error: of the sampling by the Monte Carlo engine only; the band is for the parameters")
    return lines


def _monte_carlo_errors(p: Prediction) -> tuple[np.ndarray, np.ndarray] | None:
    for e in (p.main, p.other):
        if e is not None and np.isfinite(e.table.product_q3_se).any():
            return e.table.edges_m, e.table.product_q3_se
    return None


def _at(x: float, edges: np.ndarray, q3: np.ndarray) -> float:
    """Q3 at a size, straight between the class bounds on a logarithmic size axis."""
    good = edges > 0
    return float(np.interp(math.log(x), np.log(edges[good]), q3[good]))


def _share(share: float, coarse: bool = False) -> str:
    """Percent with one decimal; without it where the band is wide, unless the share is next to 0 or all."""
    if math.isnan(share):
        return "unknown"
    if share > 0.9995:
        return "100"
    return f"{share * 100:.0f}" if coarse and 0.0995 < share < 0.98 else f"{share * 100:.1f}"


def scalar_table(p: Prediction) -> list[str]:
    """Every predicted number with band and standard error; energies per kilogram in both usual units."""
    rows = []
    names = {**_ROWS, **_BATCH_ROWS} if batch_of(p) else _ROWS
    for key, scalar in p.main.scalars.items():
        if math.isnan(scalar.value) and key == "capacity_kg_s":
            continue  # a batch has none
        if p.status == "cannot run" and key not in _EMPTY_ROWS:
            continue
        name = names.get(key) or scalar.long_name or key
        percents = scalar.unit in ("1", "-") and key in ("hits_above_threshold_share", "open_sieve_share")
        rows.append(_scalar_row(name, replace(scalar, unit="%") if percents else scalar))
        if scalar.unit == "J/kg":
            kilo = {k: getattr(scalar, k) / 1e3 for k in ("value", "se", "low", "high")}
            rows.append(_scalar_row("", Scalar(unit="kJ/kg", long_name="", **kilo)))
    return table(["", "value", band_name(p), "std. error", "unit"], rows) if rows else []


def _scalar_row(name: str, scalar: Scalar) -> list[str]:
    shown = Shown(scalar)
    band = "the same" if shown.fixed and math.isfinite(scalar.value) else shown.band
    return [name, shown.value, band, shown.error, shown.unit]


def ledger_table(p: Prediction) -> list[str]:
    """Both sides of the ledger with shares and sums, and whether they agree; terms of nothing are left out."""
    rows, sums = [], []
    for side, ledger in (("in", p.main.ledger_in_W), ("out", p.main.ledger_out_W)):
        total = sum(s.value for s in ledger.values())
        sums.append(total)
        for key, s in sorted(ledger.items(), key=lambda item: -item[1].value):
            if s.value != 0:
                share = percent(s.value / total) if total else ""
                se = digits(s.se, 2) if math.isfinite(s.se) and s.se > 0 else ""
                rows.append([side, key, f"{s.value:.1f}", se, share])
        rows.append([side, "sum", f"{total:.1f}", "", ""])
    if not any(sums):
        return []
    return [*table(["", "", "W", "std. error", "share"], rows, left=2), f"  {balance_words(*sums)}"]


def _limits_heading(p: Prediction) -> str:
    """The heading of the limits: at which feed rate the loads are."""
    if p.status == "cannot run":
        return "Limits, with next to no feed"
    if batch_of(p):
        return "Limits, at the highest load during the batch"
    rate = p.main.scalars.get("throughput_kg_s")
    if rate is None or not math.isfinite(rate.value):
        return "Limits"
    most = ", the most it takes" if p.status == "over capacity" else ""
    return f"Limits, fed {Shown(rate).value} {Shown(rate).unit}{most}"


def limit_table(p: Prediction) -> list[str]:
    """Load, capacity, margin and verdict of every limit, and its sentence."""
    rows = [[x.name, *limit_figures(x), margin_words(x), verdict_words(p, x)] for x in p.limits]
    if not rows:
        return []
    lines = table(["", "load", "limit", "unit", "margin", "verdict"], rows)
    told = [line for x in p.limits if x.sentence for line in wrap(f"  {x.name}: {x.sentence.rstrip('.')}")]
    foot = "  margin: how many times the load fits into the limit; of a temperature, the kelvin left"
    return [*lines, *wrap(foot), *told]


def engine_table(p: Prediction) -> list[str]:
    """Both engines, number by number, with the difference and what their errors allow."""
    rows = []
    for r in compare(p):
        unit, factor, offset = shown_unit(r.main.value, r.main.unit)
        a, b = (s.value * factor + offset for s in (r.main, r.other))
        difference, allowed = abs(a - b), r.allowed * factor
        word = "agree" if r.agrees else "DISAGREE"
        shown = "0" if difference <= 1e-12 * abs(a) else digits(difference, 2)
        rows.append([r.name, digits(a, 4), digits(b, 4), shown, digits(allowed, 2), unit, word])
    if not rows or p.other is None:
        return []
    names = [ENGINE_WORDS.get(e.engine, e.engine) for e in (p.main, p.other)]
    lines = table(["", *names, "difference", "allowed", "unit", "verdict"], rows)
    shared = "both share the laws and the frozen state of the chamber, so their agreement says nothing about the laws"
    return [*lines, *wrap(f"  {shared}")]


def numerics_table(p: Prediction) -> list[str]:
    """What the engines report about their own accuracy, in few lines; all of it is in the result file."""
    found = dict(p.other.numerics) if p.other is not None else {}
    found |= p.main.numerics
    rows = [[words, show(found[key])] for key, (words, show) in _NUMERICS.items() if key in found]
    for e in (p.main, p.other):
        x50 = e.scalars.get("x50_m") if e is not None else None
        if x50 is not None and math.isfinite(x50.se) and x50.se > 0:
            rows.append(["Monte Carlo: standard error of x50", percent_of(x50.se / x50.value)])
    failed = found.get("band_failed", 0.0)
    if failed > 0:
        rows.append(["band: of these left out, not settled", _count(failed)])
    return table(["", "value"], rows) if rows else []


def percent_of(share: float) -> str:
    """A small share in percent, to two digits."""
    return f"{digits(share * 100, 2)} %" if math.isfinite(share) else "unknown"


def _count(value: float) -> str:
    return f"{value:.0f}"


_NUMERICS = {
    "classes": ("balance: size classes", _count),
    "iterations": ("balance: iterations", _count),
    "residual": ("balance: residual of the chamber state", lambda v: f"{v:.1e}" if v else "0"),
    "class_error": ("balance: class error of x50", percent_of),
    "class_error_gross_J_kg": ("balance: class error of the energy", percent_of),
    "class_error_holdup_kg": ("balance: class error of the charge", percent_of),
    "band_samples": ("band: draws of the parameters", _count),
    "histories": ("Monte Carlo: histories", _count),
    "events_per_history": ("Monte Carlo: events per history", _count),
}


def parameter_table(p: Prediction) -> list[str]:
    """Parameters grouped by what they rest on, best founded first. Sources stand in the result file."""
    order = {basis: i for i, basis in enumerate(BASES)}
    known = sorted(p.parameters, key=lambda q: order.get(q.basis, len(order)))
    rows = [_parameter_row(q) for q in known]
    return table(["basis", "parameter", "value", "range", "unit"], rows, left=5) if rows else []


def _parameter_row(q: Param) -> list[str]:
    """Basis, name, value, range and unit of a parameter, in a unit that reads well where we know one."""
    if units.find_unit(q.unit) is None:
        value, low, high, unit = digits(q.value), digits(q.low), digits(q.high), q.unit
    else:
        unit = units.spelling_for(q.value, q.unit)
        value, low, high = (units.readable(v, unit).split(" ")[0] for v in (q.value, q.low, q.high))
        unit = unit.replace("degC", "°C")
    return [q.basis, q.name, value, f"{low} to {high}" if q.low < q.high else "fixed", unit]
