"""A prediction as one JSON object and as a report in plain words: sentences, then tables, then cautions."""

import math

import numpy as np

from .advice import ENGINE_WORDS, band_name, compare, sentences, verdict
from .params import BASES
from .prediction import EngineResult, Limit, Prediction, Scalar
from .wording import Shown, digits, number, percent, shown_unit, table, wrap

# Nominal apertures of ISO 3310-1 in common use, principal series R 20/3 [m].
SIEVES_M = tuple(
    x * 1e-3
    for x in (
        0.032,
        0.045,
        0.063,
        0.09,
        0.125,
        0.18,
        0.25,
        0.355,
        0.5,
        0.71,
        1.0,
        1.4,
        2.0,
        2.8,
        4.0,
        5.6,
        8.0,
        11.2,
    )
)
_SIZES = ("x10_m", "x50_m", "x90_m", "span")
_BANDED = ("throughput_kg_s", "holdup_kg", "shaft_power_W", "gross_J_kg", "net_J_kg", "outlet_temperature_K")

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

    `band` gives {"low", "high"} for every number, [x_m, low, high] for every point of Q3; null if none.
    """
    answer = {
        "status": p.status,
        "engine": p.main.engine,
        "seed": p.seed,
        "config_sha256": p.config_sha256,
        **_engine_json(p.main),
        "limit": {"binding": p.binding, "margins": {x.name: x.margin for x in p.limits}},
        "warnings": list(p.warnings),
    }
    answer["band"] = _band_json(p)
    if p.other is not None:
        rows = {r.name: r.agrees for r in compare(p)}
        answer["other_engine"] = {"engine": p.other.engine, **_engine_json(p.other), "agrees": rows}
    return _clean(answer)


def _engine_json(e: EngineResult) -> dict:
    """What one engine says, by the keys of the JSON answer."""
    get = {k: s.value for k, s in e.scalars.items()}.get
    ledger = {"in": _values(e.ledger_in_W), "out": _values(e.ledger_out_W)}
    q3 = np.column_stack([e.table.edges_m, e.table.product_q3]).tolist()
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
    if not math.isfinite(p.band_level):
        return None
    engines = [e for e in (p.main, p.other) if e is not None and np.isfinite(e.table.product_q3_low).any()]
    s, t = (engines[0] if engines else p.main).scalars, (engines[0] if engines else p.main).table
    ends = {k: {"low": s[k].low, "high": s[k].high} if k in s else None for k in (*_SIZES, *_BANDED)}
    q3 = np.column_stack([t.edges_m, t.product_q3_low, t.product_q3_high]).tolist()
    return {
        "level": p.band_level,
        **ends,
        "q3": q3,
        "widest": {k: list(map(list, v)) for k, v in p.widest.items()},
    }


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
    lines += [line for w in p.warnings for line in wrap(f"Note: {w}")]
    for title, body in (
        ("Powder at standard sieves (share by mass finer)", size_table(p)),
        ("Numbers", scalar_table(p)),
        ("Shaft power, in and out", ledger_table(p)),
        ("Limits", limit_table(p)),
        ("The two engines side by side", engine_table(p)),
        ("How it was calculated", numerics_table(p)),
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
    columns = (t.feed_q3, t.product_q3, t.product_q3_se, t.product_q3_low, t.product_q3_high)
    errors = _monte_carlo_errors(p)
    for x in SIEVES_M:
        feed, product, _, low, high = (_at(x, t.edges_m, q) for q in columns)
        if max(product, high if math.isfinite(high) else 0.0) < 0.001:
            continue
        error = _at(x, t.edges_m, t.product_q3_se) if errors is None else _at(x, *errors)
        spread = (high - low) / 2 if math.isfinite(high - low) else error
        band = f"{_share(low, spread)} to {_share(high, spread)}" if math.isfinite(high - low) else ""
        se = f"{error * 100:.2g}" if math.isfinite(error) and error > 0 else ""
        rows.append([f"{x * 1e3:g}", _share(product, spread), band, se, _share(feed)])
        if product > 0.9995 and feed > 0.9995:
            break
    return table(
        ["sieve / mm", "powder / %", f"{band_name(p)} / %", "std. error / %", "feed / %"], rows, left=0
    )


def _monte_carlo_errors(p: Prediction) -> tuple[np.ndarray, np.ndarray] | None:
    for e in (p.main, p.other):
        if e is not None and np.isfinite(e.table.product_q3_se).any():
            return e.table.edges_m, e.table.product_q3_se
    return None


def _at(x: float, edges: np.ndarray, q3: np.ndarray) -> float:
    """Q3 at a size, straight between the class bounds on a logarithmic size axis."""
    good = edges > 0
    return float(np.interp(math.log(x), np.log(edges[good]), q3[good]))


def _share(share: float, spread: float = math.nan) -> str:
    return percent(share, spread).removesuffix(" %")


def scalar_table(p: Prediction) -> list[str]:
    """Every predicted number with band and standard error; energies per kilogram in both usual units."""
    rows = []
    for key, scalar in p.main.scalars.items():
        name = scalar.long_name or key
        rows.append(_scalar_row(name, scalar))
        if scalar.unit == "J/kg":
            kilo = {k: getattr(scalar, k) / 1e3 for k in ("value", "se", "low", "high")}
            rows.append(_scalar_row("  the same", Scalar(unit="kJ/kg", long_name="", **kilo)))
    return table(["", "value", band_name(p), "std. error", "unit"], rows) if rows else []


def _scalar_row(name: str, scalar: Scalar) -> list[str]:
    shown = Shown(scalar)
    return [name, shown.value, shown.band, shown.error, shown.unit]


def ledger_table(p: Prediction) -> list[str]:
    """Both sides of the ledger with shares, sums, and what is left between them."""
    rows, sums = [], []
    for side, ledger in (("in", p.main.ledger_in_W), ("out", p.main.ledger_out_W)):
        total = sum(s.value for s in ledger.values())
        sums.append(total)
        for key, s in sorted(ledger.items(), key=lambda item: -item[1].value):
            share = percent(s.value / total) if total else ""
            rows.append([side, key, f"{s.value:.1f}", f"{s.se:.2g}" if math.isfinite(s.se) else "", share])
        rows.append([side, "sum", f"{total:.1f}", "", ""])
    if not any(sums):
        return []
    lines = table(["", "", "W", "std. error", "share"], rows, left=2)
    return [*lines, f"  in minus out: {sums[0] - sums[1]:.2g} W"]


def limit_table(p: Prediction) -> list[str]:
    """Load, capacity, margin and verdict of every limit, and its sentence."""
    rows = [[x.name, *_limit_numbers(x), verdict(x, p.binding)] for x in p.limits]
    if not rows:
        return []
    lines = table(["", "load", "takes", "unit", "margin", "verdict"], rows)
    told = [line for x in p.limits if x.sentence for line in wrap(f"  {x.name}: {x.sentence}")]
    return [*lines, *told]


def _limit_numbers(x: Limit) -> list[str]:
    unit, factor, offset = shown_unit(x.capacity if math.isfinite(x.capacity) else x.load, x.unit)
    load, capacity = x.load * factor + offset, x.capacity * factor + offset
    margin = number(x.margin, 2) if x.margin < 100 else "over 100"
    return [digits(load), digits(capacity), unit, margin]


def engine_table(p: Prediction) -> list[str]:
    """Both engines, number by number, with the difference and what their errors allow."""
    rows = []
    for r in compare(p):
        unit, factor, offset = shown_unit(r.main.value, r.main.unit)
        a, b = (s.value * factor + offset for s in (r.main, r.other))
        difference, allowed = abs(a - b), r.allowed * factor
        word = "agree" if r.agrees else "DISAGREE"
        rows.append([r.name, f"{a:.4g}", f"{b:.4g}", unit, f"{difference:.2g}", f"{allowed:.2g}", word])
    if not rows or p.other is None:
        return []
    names = [ENGINE_WORDS.get(e.engine, e.engine) for e in (p.main, p.other)]
    return table(["", *names, "unit", "difference", "allowed", ""], rows)


def numerics_table(p: Prediction) -> list[str]:
    """What the engines report about their own accuracy."""
    rows = [
        [ENGINE_WORDS.get(e.engine, e.engine), key.replace("_", " "), digits(value)]
        for e in (p.main, p.other)
        if e is not None
        for key, value in e.numerics.items()
    ]
    return table(["engine", "", ""], rows, left=2) if rows else []


def parameter_table(p: Prediction) -> list[str]:
    """Parameters grouped by what they rest on, best founded first. Sources stand in the result file."""
    order = {basis: i for i, basis in enumerate(BASES)}
    known = sorted(p.parameters, key=lambda q: order.get(q.basis, len(order)))
    rows = [[q.basis, q.name, digits(q.value), f"{digits(q.low)} to {digits(q.high)}", q.unit] for q in known]
    return table(["basis", "parameter", "value", "range", "unit (SI)"], rows, left=2) if rows else []
