"""The tables of a report, row by row, from a Prediction alone."""

import math
from dataclasses import replace

import numpy as np

from ...base.numerics import psd
from ...base.quantities import units
from ...base.quantities.params import BASES, Param
from ...base.quantities.scalar import Scalar
from ...base.quantities.written import Shown, balance_words, capital, digits, percent, shown_unit
from ...record.asked import batch_of, config_value, feed_size
from ...record.prediction import Prediction
from ...studies.engines import ENGINE_WORDS, compare
from ..words.advice import band_name
from ..words.limits import limit_figures, margin_words, verdict_words
from ..words.parameters import parameter_words
from ..words.prediction import SIEVES_M
from .blocks import Table

_SHARES = ("hits_above_threshold_share", "open_sieve_share")  # scalars that people read in percent
_SYMBOLS = {"x10_m": "x10", "x50_m": "x50", "x90_m": "x90"}
POWDER = ("x10_m", "x50_m", "x90_m", "span", "throughput_kg_s", "capacity_kg_s", "holdup_kg", "residence_s",
          "hits_per_particle", "hits_above_threshold_share", "open_sieve_share")  # fmt: skip
ENERGY = ("gross_J_kg", "net_J_kg", "shaft_power_W", "electrical_power_W", "idle_power_W", "speed_rad_s",
          "tip_speed_m_s", "jam_index")  # fmt: skip
HEAT = ("outlet_temperature_K", "air_temperature_K", "powder_temperature_K", "air_flow_m3_s")
_NUMERICS = {
    "classes": "balance: size classes",
    "iterations": "balance: iterations",
    "residual": "balance: residual of the chamber state",
    "class_error": "balance: relative class error of x50",
    "class_error_throughput_kg_s": "balance: relative class error of the rate",
    "class_error_gross_J_kg": "balance: relative class error of the energy",
    "class_error_holdup_kg": "balance: relative class error of the charge",
    "band_samples": "band: draws of the parameters",
    "band_failed": "band: of these left out, not settled",
    "histories": "Monte Carlo: histories",
    "batches": "Monte Carlo: batches",
    "events_per_history": "Monte Carlo: events per history",
    "given_up": "Monte Carlo: histories given up",
}
_BASIS_WORDS = {
    "measured": "on this mill or material",
    "calibrated": "fitted to measured runs",
    "published": "in a publication",
    "handbook": "looked up",
    "common practice": "of the trade, no source",
    "from memory": "not looked up",
    "assumed": "nobody measured it",
    "config": "as the config says",
}


def sieve_table(p: Prediction) -> Table | None:
    """Undersize at standard sieves, from the first that catches fines to the first that passes everything."""
    t = p.main.table
    if not np.isfinite(t.product_q3).any():
        return None
    found, before = [], 0.0
    for x in SIEVES_M:
        feed, product, low, high = (
            float(psd.q_at(t.edges_m, q, x)) for q in (t.feed_q3, t.product_q3, t.product_q3_low, t.product_q3_high)
        )
        if max(product, high if math.isfinite(high) else 0.0) < 0.001:
            before = product
            continue
        band = f"{_percents(low)} to {_percents(high)}" if math.isfinite(high - low) and low < 0.9995 else ""
        found.append((f"{x * 1e3:g}", _percents(product), band, _percents(product - before), _percents(feed)))
        before = product
        if product > 0.9995 and feed > 0.9995:
            break
    header = ("sieve / mm", "powder finer / %", f"{band_name(p)} / %", "in this class / %", "feed finer / %")
    foot = "Apertures of ISO 3310-1, series R 20/3. In this class: powder between this sieve and the next finer one."
    return _table("Powder at standard sieves, by mass", header, "rrrrr", found, foot)


def _percents(share: float) -> str:
    if math.isnan(share):
        return "unknown"
    return "100" if share > 0.9995 else f"{max(0.0, share) * 100:.1f}"


def scalar_table(p: Prediction, keys: tuple[str, ...], caption: str) -> Table | None:
    """Some of the predicted figures with band and standard error."""
    rows = []
    for key in keys:
        scalar = p.main.scalars.get(key)
        if scalar is None or (math.isnan(scalar.value) and key == "capacity_kg_s"):
            continue  # a batch has no capacity
        name = capital(scalar.long_name or key)
        name = f"{_SYMBOLS[key]}: {scalar.long_name}" if key in _SYMBOLS else name
        rows.append(_scalar_row(name, replace(scalar, unit="%") if key in _SHARES else scalar))
        if scalar.unit == "J/kg":
            kilo = {k: getattr(scalar, k) / 1e3 for k in ("value", "se", "low", "high")}
            rows.append(_scalar_row("the same in kJ/kg", Scalar(unit="kJ/kg", long_name="", **kilo)))
    return _table(caption, ("", "value", band_name(p), "std. error", "unit"), "trrrl", rows)


def _scalar_row(name: str, scalar: Scalar) -> tuple[str, ...]:
    shown = Shown(scalar)
    band = "the same" if shown.fixed and math.isfinite(scalar.value) else shown.band
    return name, shown.value, band, shown.error, shown.unit


def ledger_table(p: Prediction) -> Table | None:
    """Both sides of the energy ledger with shares and sums, and whether they agree."""
    rows, groups, sums = [], [], []
    for side, ledger in (("What the shaft puts in", p.main.ledger_in_W), ("What becomes of it", p.main.ledger_out_W)):
        total = sum(s.value for s in ledger.values())
        sums.append(total)
        groups.append((len(rows), side))
        for key, s in sorted(ledger.items(), key=lambda item: -item[1].value):
            if s.value != 0:
                se = digits(s.se, 2) if math.isfinite(s.se) and s.se > 0 else ""
                rows.append((key, f"{s.value:.1f}", se, percent(s.value / total) if total else ""))
        rows.append(("sum", f"{total:.1f}", "", "100 %" if total else ""))
    if not any(sums):
        return None
    header = ("", "W", "std. error / W", "share")
    return _table("Energy ledger of the shaft", header, "trrr", rows, f"{capital(balance_words(*sums))}.", groups)


def rate_table(p: Prediction) -> Table | None:
    """What happens per second to pieces of the sizes that matter, coarsest first."""
    t, s = p.main.table, p.main.scalars
    sizes = [("median of the feed", feed_size(p, 0.5)), ("the gap", config_value(p, "stator", "gap", "m"))]
    sizes += [("the sieve hole", p.hole_m), ("size floor of hits", p.size_floor_m)]
    sizes += [(f"{k[:3]} of the powder", s[k].value) for k in ("x90_m", "x50_m", "x10_m") if k in s]
    rows = []
    for words, x in sorted(sizes, key=lambda item: -item[1] if math.isfinite(item[1]) else 0.0):
        if not t.edges_m[0] <= x <= t.edges_m[-1]:
            continue
        i = min(int(np.searchsorted(t.edges_m, x, side="right")) - 1, t.x_m.size - 1)
        rates = (r[i] for r in (t.strike_1_s, t.selection_1_s, t.nip_1_s, t.chip_1_s, t.escape_1_s))
        rows.append((f"{digits(x * 1e3, 2)}", words, *(_rate(float(r)) for r in rates)))
    header = ("size / mm", "which is", "hit by a bar", "broken by a hit", "bitten in the nip", "chipped (mass share)",
              "out through the sieve")  # fmt: skip
    foot = "Per second, for a piece in the size class that the size falls in; 0 where it cannot happen."
    return _table("What happens to a piece per second", header, "rlrrrrr", rows, foot)


def _rate(value: float) -> str:
    if not math.isfinite(value):
        return "unknown"
    return "0" if value <= 0 else "under 0.0001" if value < 1e-4 else digits(value, 2)


def limit_table(p: Prediction) -> Table | None:
    """Load, capacity, margin and verdict of every limit, and what the limit is."""
    rows = [
        (x.name, *limit_figures(x), margin_words(x), verdict_words(p, x), capital(x.sentence.rstrip(".")))
        for x in p.limits
    ]
    foot = "Margin: how many times the load fits into the limit; of a temperature, the kelvin left."
    header = ("limit", "load", "at most", "unit", "margin", "verdict", "what it is")
    when = " at the highest load during the batch" if batch_of(p) else ""
    return _table(f"Limits{when}", header, "lrrlrlt", rows, foot)


def engine_table(p: Prediction) -> Table | None:
    """Both engines, figure by figure, with the difference and what their errors allow."""
    if p.other is None:
        return None
    rows = []
    for r in compare(p):
        unit, factor, offset = shown_unit(r.main.value, r.main.unit)
        a, b = (s.value * factor + offset for s in (r.main, r.other))
        difference = abs(a - b)
        shown = "0" if difference <= 1e-12 * abs(a) else digits(difference, 2)
        verdict_word = "agree" if r.agrees else "DISAGREE"
        rows.append((r.name, digits(a, 4), digits(b, 4), shown, digits(r.allowed * factor, 2), unit, verdict_word))
    names = [ENGINE_WORDS.get(e.engine, e.engine) for e in (p.main, p.other)]
    foot = "Allowed: four standard errors and the class error. Both engines share the laws and the frozen state of the "
    foot += "chamber, so their agreement says nothing about the laws."
    header = ("", *names, "difference", "allowed", "unit", "verdict")
    return _table("The two engines side by side", header, "lrrrrll", rows, foot)


def numerics_table(p: Prediction) -> Table | None:
    """What the engines report about their own accuracy."""
    found = {**(p.other.numerics if p.other is not None else {}), **p.main.numerics}
    rows = [(words, _plain(found[key], "error" in key)) for key, words in _NUMERICS.items() if key in found]
    return _table("How it was calculated", ("", "value"), "tr", rows)


def _plain(value: float, share: bool) -> str:
    if share:
        return f"{digits(value * 100, 2)} %" if math.isfinite(value) else "unknown"
    return f"{value:.0f}" if value == int(value) and abs(value) < 1e9 else digits(value, 2)


def parameter_table(p: Prediction) -> Table | None:
    """Every parameter with value, range, basis and source, best founded first."""
    order = {basis: i for i, basis in enumerate(BASES)}
    known = sorted(p.parameters, key=lambda q: order.get(q.basis, len(order)))
    groups, last = [], ""
    for i, q in enumerate(known):
        if q.basis != last:
            groups.append((i, f"{capital(q.basis)}: {_BASIS_WORDS.get(q.basis, 'as stated')}"))
            last = q.basis
    rows = [_parameter_row(q) for q in known]
    header = ("parameter", "value", "plausible range", "unit", "basis", "source and note")
    return _table("Parameters of material and model", header, "trrllt", rows, "", groups)


def _parameter_row(q: Param) -> tuple[str, ...]:
    """Words and name, value, range, unit, basis and source of a parameter, in a unit that reads well."""
    if units.find_unit(q.unit) is None:
        value, low, high, unit = digits(q.value), digits(q.low), digits(q.high), q.unit
    else:
        unit = units.spelling_for(q.value, q.unit)
        value, low, high = (units.readable(v, unit).split(" ")[0] for v in (q.value, q.low, q.high))
        unit = unit.replace("degC", "°C")
    source = f"{q.source}; {q.note}" if q.note else q.source
    words = f"{capital(parameter_words(q.name).removeprefix('the '))}\n{q.name}"
    plausible = f"{low} to {high}" if q.low < q.high else "fixed"
    return words, value, plausible, "" if unit == "-" else unit, q.basis, source


def run_table(p: Prediction) -> Table:
    """What was run: all that is needed to have the same numbers again."""
    engines = [ENGINE_WORDS.get(e.engine, e.engine) for e in (p.main, p.other) if e is not None]
    rows = [
        ("command", p.command or "started from Python"),
        ("status", p.status),
        ("seed", str(p.seed)),
        ("engine", " and ".join(engines)),
        ("millsim", p.version),
        ("model", p.model_version),
        ("config hash (SHA-256)", p.config_sha256),
    ]
    return _table("What was run", ("", ""), "lt", rows)


def _table(
    caption: str, header: tuple[str, ...], kinds: str, rows: list[tuple[str, ...]], foot: str = "",
    groups: list[tuple[int, str]] | None = None,
) -> Table | None:  # fmt: skip
    """A table without columns that are empty throughout; None without rows."""
    if not rows:
        return None
    keep = [i for i in range(len(header)) if i == 0 or any(row[i] for row in rows)]
    return Table(
        caption, tuple(header[i] for i in keep), "".join(kinds[i] for i in keep),
        tuple(tuple(row[i] for i in keep) for row in rows), foot, tuple(groups or ()),
    )  # fmt: skip
