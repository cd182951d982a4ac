"""A prediction as one JSON object and as a report in plain words: sentences, then tables."""

import math

import numpy as np

from ...base.quantities.scalar import Scalar
from ...base.quantities.written import sentence, wrap
from ...record import missing
from ...record.date import date_words
from ...record.identity import forecast_sha256
from ...record.limits import shown_status
from ...record.prediction import EngineResult, Prediction
from ...studies.engines import compare
from ..parts import Table, terminal_lines
from . import advice, guesses, stalls, tables
from .limits import headroom, notes

_SIZES = ("x10_m", "x50_m", "x90_m", "span")
_NO_POWDER = (*_SIZES, "holdup_kg", "hits_per_particle", "hits_above_threshold_share")
_BANDED = ("throughput_kg_s", "holdup_kg", "shaft_power_W", "gross_J_kg", "net_J_kg", "outlet_temperature_K")


def to_json(p: Prediction) -> dict:
    """The prediction as plain JSON types in SI units; what is not known is null, never NaN or Infinity.

    A margin is how many times the load fits into its limit (of temperatures, both counted from the
    room).
    `band` gives {"low", "high"} for every number, [x_m, low, high] for every point of Q3; null if none.
    `missing` says of each number that is null why it is.
    """
    answer = {
        "status": p.status,
        "engine": p.main.engine,
        "seed": p.seed,
        "config_sha256": p.config_sha256,
        "forecast_sha256": forecast_sha256(p),
        "date": p.date or None,
        **(figures := _engine_json(p.main, p.runs)),
        "limit": {"binding": p.binding, "margins": {x.name: headroom(x) for x in p.limits}},
        "warnings": list(p.warnings),
        "grinds_with": list(p.grinds_with),
        "would_help": [c._asdict() for c in p.changes],
        "review": p.reviewed._asdict() if p.reviewed else None,
        "stalls": stalls.to_json(p),
        "bench": advice.bench_tests(p) or None,
        "guessed": guesses.to_json(p),
        "measure_next": None if p.advised is None else vars(p.advised),
    }
    answer["band"] = _band_json(p)
    answer["missing"] = _missing(p, figures, answer["band"])
    if p.other is not None:
        rows = {r.key: r.agrees for r in compare(p)}
        said = _engine_json(p.other, p.runs)
        answer["other_engine"] = {"engine": p.other.engine, **said, "agrees": rows}
    return {key: _clean(value) for key, value in answer.items()}


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


def _missing(p: Prediction, figures: dict, band: dict | None) -> dict[str, str]:
    """Why figures of the answer are null, by key; of the ends of bands by "band.KEY", of margins by their limit."""
    flat = {**figures["product"], **{k: v for k, v in figures.items() if k != "product"}, **figures["energy"]}
    unknown = [k for k, v in flat.items() if v is None or isinstance(v, float) and not math.isfinite(v)]
    watts = any(not math.isfinite(v) for side in figures["energy"]["ledger_W"].values() for v in side.values())
    found = {k: missing.why(p, k) for k in (*unknown, *(["ledger_W"] if watts else []))}
    ends = {k: v for k, v in (band or {}).items() if isinstance(v, dict) and {"low", "high"} <= v.keys()}
    found |= {f"band.{k}": missing.end(v["high"]) for k, v in ends.items() if not math.isfinite(v["low"] + v["high"])}
    found |= {"band": missing.why(p, "band")} if band is None else {}
    return found | {f"margins.{x.name}": missing.margin(x) for x in p.limits if not math.isfinite(headroom(x))}


def _values(ledger: dict[str, Scalar]) -> dict[str, float]:
    return {k: s.value for k, s in ledger.items()}


def _band_json(p: Prediction) -> dict | None:
    if not math.isfinite(p.band_level) or not p.runs:
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
    """The report for people: what they want to know in sentences, then tables."""
    lines = [line for s in advice.sentences(p) for line in wrap(s)]
    lines += [line for w in notes(p) for line in wrap(f"Note: {sentence(w)}")]
    for found in all_tables(p):
        lines += ["", found.caption, *terminal_lines(found).all]
    lines += ["", *_provenance(p)]
    return "\n".join(lines) + "\n"


def all_tables(p: Prediction) -> list[Table]:
    """The tables of a terminal in order; of the powder only where there is any."""
    runs = p.runs
    found = [tables.sieve_table(p) if runs else None, *(tables.number_table(p, name) for name in tables.NUMBERS)]
    found += [tables.ledger_table(p) if runs else None, tables.limit_table(p)]
    found += [tables.engine_table(p), tables.numerics_table(p)] if runs else []
    return [t for t in (*found, tables.parameter_table(p)) if t is not None]


def _provenance(p: Prediction) -> list[str]:
    run = f"seed {p.seed}, millsim {p.version}, model {p.model_version}, config {p.config_sha256[:12]}"
    made = f"forecast {forecast_sha256(p)[:12]}, {date_words(p.date)}"
    where = f"{p.command}, in the folder of its files" if p.command else "from Python"
    return [f"Run: {where}", f"     {run}, status: {shown_status(p.status)}", f"     {made}"]
