"""The tables of a prediction, each made once from a Prediction alone: for the terminal, the page and the paper."""

import math
from collections.abc import Sequence

import numpy as np

from ...base.numerics import psd
from ...base.quantities import units
from ...base.quantities.params import BASES, Param
from ...base.quantities.written import Shown, balance_words, capital, digits, number, percent, shown_unit
from ...base.reading import sieves
from ...record.asked import batch_of, config_value, feed_size
from ...record.date import date_words
from ...record.heatlimit import feed_of, feed_sticks
from ...record.identity import forecast_sha256
from ...record.outputs import OUTPUTS, figure, in_kilojoules, row_name, shown
from ...record.prediction import Prediction
from ...studies.engines import ENGINE_WORDS, compare
from ..parts import Table, table
from . import guesses
from .advice import band_name
from .limits import limit_figures, margin_words, told_limits, verdict_words
from .parameters import parameter_words

# Nominal apertures of ISO 3310-1, principal series R 20/3, from 45 µm to 11.2 mm, finest first [m].
SIEVES_M = tuple(x * 1e-3 for x in sorted(sieves.ISO_R20_3_MM) if x <= 11.2)
POWDER, ENERGY, HEAT = "Powder and charge", "Energy, power and speed", "Temperatures and air"
NUMBERS = {
    POWDER: ("x10_m", "x50_m", "x90_m", "span", "throughput_kg_s", "capacity_kg_s", "holdup_kg", "residence_s",
             "hits_per_particle", "hits_above_threshold_share", "open_sieve_share"),
    ENERGY: ("gross_J_kg", "net_J_kg", "shaft_power_W", "electrical_power_W", "idle_power_W", "speed_rad_s",
             "tip_speed_m_s", "jam_index"),
    HEAT: ("outlet_temperature_K", "air_temperature_K", "powder_temperature_K", "air_flow_m3_s"),
}  # fmt: skip
_EMPTY_MILL = ("idle_power_W", "outlet_temperature_K")  # all that a mill which cannot run has to show
_BASIS_WORDS = {
    "measured": "on this mill or material",
    "calibrated": "fitted to measured runs",
    "published": "in a publication",
    "handbook": "looked up",
    "common practice": "of the trade, no source",
    "from memory": "not looked up",
    "assumed": "nobody measured it",
    "guessed": "in the config's own [guessed], to be measured",
    "config": "as the config says",
}


def _some(
    rows: list,
    caption: str,
    header: tuple[str, ...],
    kinds: str,
    foot: str = "",
    groups: Sequence[tuple[int, str]] = (),
) -> Table | None:
    """A table of these rows, or None where there are none."""
    return table(caption, header, kinds, rows, foot, groups) if rows else None


# --- the powder ------------------------------------------------------------------------------------------

_MAY_LACK = ("capacity_kg_s", "x10_m", "x50_m", "x90_m", "span")


def sieve_table(p: Prediction) -> Table | None:
    """Undersize at standard sieves, from the first that catches fines to the first that passes everything."""
    t, errors = p.main.table, _monte_carlo_errors(p)
    if not np.isfinite(t.product_q3).any():
        return None
    rows, before = [], 0.0
    for x in SIEVES_M:
        feed, powder, low, high = (
            float(psd.q_at(t.edges_m, q, x)) for q in (t.feed_q3, t.product_q3, t.product_q3_low, t.product_q3_high)
        )
        here, before = powder - before, powder
        if max(powder, high if math.isfinite(high) else 0.0) < 0.001:
            continue
        banded = math.isfinite(high - low)
        coarse = banded and high - low > 0.02
        band = f"{_share(low, coarse)} to {_share(high, coarse)}" if banded and low <= 0.9995 else ""
        error = psd.q_at(*errors, x) if errors is not None else math.nan
        se = f"{error * 100:.2g}" if math.isfinite(error) and error >= 5e-5 and powder < 0.9995 else ""
        rows.append((f"{x * 1e3:g}", _share(powder, coarse), band, se, _share(here, coarse), _share(feed)))
        if powder > 0.9995 and feed > 0.9995:
            break
    header = ("sieve / mm", "powder finer / %", f"{band_name(p)} / %", "std. error / %", "in this class / %",
              "feed finer / %")  # fmt: skip
    foot = "Apertures of ISO 3310-1, series R 20/3. In this class: powder between this sieve and the next finer one."
    if any(row[3] for row in rows):
        foot += " Std. error: of the sampling by the Monte Carlo engine only; the band is for all else."
    return _some(rows, "Powder at standard sieves, by mass", header, "rrrrrr", foot)


def _monte_carlo_errors(p: Prediction) -> tuple[np.ndarray, np.ndarray] | None:
    for e in (p.main, p.other):
        if e is not None and np.isfinite(e.table.product_q3_se).any():
            return e.table.edges_m, e.table.product_q3_se
    return None


def _share(share: float, coarse: bool = False) -> str:
    """Percent with one decimal; without it where the band is wide, unless the share is next to 0 or all."""
    if math.isnan(share):
        return "unknown"
    if share > 0.9995:
        return "100"
    return number(share * 100, 0 if coarse and 0.0995 < share < 0.98 else 1)


# --- numbers and watts -----------------------------------------------------------------------------------


def number_table(p: Prediction, caption: str) -> Table | None:
    """The predicted figures of one of the groups of NUMBERS with band and standard error."""
    rows, batch = [], batch_of(p) is not None
    for key in NUMBERS[caption]:
        found = p.main.scalars.get(key)
        if found is None or (math.isnan(found.value) and key in _MAY_LACK):
            continue  # a batch has no capacity, and what sticks has no sizes
        if not p.runs and (key not in _EMPTY_MILL or (key == "outlet_temperature_K" and feed_sticks(*feed_of(p)))):
            continue
        rows.append(_number_row(row_name(key, batch), shown(key, found)))
        if OUTPUTS[key].si == "J/kg":
            rows.append(_number_row("the same in kJ/kg", in_kilojoules(found)))
    foot = "Fixed: what is asked, or a limit, sets it whatever the parameters are." if any(
        row[2] == "fixed" for row in rows) else ""  # fmt: skip
    return _some(rows, caption, ("", "value", band_name(p), "std. error", "unit"), "lrrrl", foot)


def _number_row(name: str, found: Shown) -> tuple[str, ...]:
    band = "fixed" if found.fixed and found.value not in ("unknown", "unlimited") else found.band
    return name, found.value, band, found.error, found.unit


# Terms of the ledger as a builder reads them; their keys stand in files.
_LEDGER = {
    "striking": "striking pieces", "layer drive": "driving the charge along", "nip": "bites between bar and wall",
    "windage": "stirring the air", "bearings": "bearings and seals", "wall rub heat": "rubbing along the wall",
    "nip shear": "shearing in bites", "bar impact heat": "heat in pieces bars hit",
    "pin impact heat": "heat in pieces pins hit", "path friction heat": "sliding from bar to pin",
    "air drag heat": "heat of stirred air", "bearing heat": "heat of bearings and seals", "chips cut": "cutting chips",
}  # fmt: skip


def ledger_name(key: str) -> str:
    """A term of the ledger as in table, figure and words."""
    return _LEDGER.get(key, key)


def ledger_table(p: Prediction) -> Table | None:
    """Both sides of the ledger with shares and sums, and whether they agree; terms of nothing are left out."""
    rows: list[tuple[str, ...]] = []
    groups, sums = [], []
    for side, ledger in (("What the shaft puts in", p.main.ledger_in_W), ("What becomes of it", p.main.ledger_out_W)):
        total = sum(s.value for s in ledger.values())
        sums.append(total)
        groups.append((len(rows), side))
        for key, s in sorted(ledger.items(), key=lambda item: -item[1].value):
            if s.value != 0:
                se = digits(s.se, 2) if math.isfinite(s.se) and s.se > 0 else ""
                share = percent(s.value / total) if total else ""
                rows.append((ledger_name(key), ledger_watts(s.value, total), se, share))
        rows.append(("sum", ledger_watts(total, total), "", "100 %" if total else ""))
    if not any(sums):
        return None
    foot = f"{capital(balance_words(*sums))}. To the watt, so that it adds up: no band is counted in."
    return _some(rows, "Shaft power, in and out", ("", "W", "std. error / W", "share"), "lrrr", foot, groups)


def ledger_watts(watts: float, total: float) -> str:
    """Watts of a ledger as in table, figure and words: no finer than a tenth of a watt where that says enough."""
    if 0 < watts < 0.05 and total >= 10:
        return "under 0.1"
    return f"{watts:.2g}" if 0 < abs(watts) < 0.1 else number(watts, 0 if abs(watts) >= 100 else 1)


# --- rates and limits ------------------------------------------------------------------------------------


def rate_table(p: Prediction) -> Table | None:
    """What happens per second to pieces of the sizes that matter, coarsest first."""
    t = p.main.table
    sizes = [(words, x, f"{digits(x * f, 2)} {u}") for words, x in (
        ("median of the feed", feed_size(p, 0.5)), ("the gap", config_value(p, "stator", "gap", "m")),
        ("the sieve hole", p.hole_m), ("size floor of hits", p.size_floor_m),
    ) for u, f, _ in (shown_unit(x, "m"),)]  # fmt: skip
    for key in ("x90_m", "x50_m", "x10_m"):
        if (found := figure(p.main.scalars, key)) is not None:
            sizes.append((f"{OUTPUTS[key].symbol} of the powder", p.main.scalars[key].value, found.text))
    rows = []
    for words, x, told in sorted(sizes, key=lambda item: -item[1] if math.isfinite(item[1]) else 0.0):
        if not t.edges_m[0] <= x <= t.edges_m[-1]:
            continue
        i = min(int(np.searchsorted(t.edges_m, x, side="right")) - 1, t.x_m.size - 1)
        rates = (r[i] for r in (t.strike_1_s, t.selection_1_s, t.nip_1_s, t.chip_1_s, t.escape_1_s))
        rows.append((told, words, *(_rate(float(r)) for r in rates)))
    header = ("size", "which is", "hit by a bar", "broken by it", "nip bites", "chipped", "let out")
    foot = "For a piece in the size class that the size falls in; 0 where it cannot happen. Chipped: the share of its "
    foot += "mass; let out: through the sieve."
    return _some(rows, "What happens to a piece per second", header, "rlrrrrr", foot)


def _rate(value: float) -> str:
    if not math.isfinite(value):
        return "unknown"
    return "0" if value <= 0 else "under 0.0001" if value < 1e-4 else digits(value, 2)


def limit_table(p: Prediction) -> Table | None:
    """Load, capacity, margin and verdict of every limit, and what the limit is."""
    rows = [
        (x.name, *limit_figures(p, x), margin_words(x), verdict_words(p, x), capital(x.sentence.rstrip(".")))
        for x in told_limits(p)
    ]
    foot = "Margin: how many times the load fits into the limit; of a temperature, the kelvin left."
    header = ("limit", "load", "at most", "unit", "margin", "verdict", "what it is")
    return _some(rows, f"Limits{_when(p)}", header, "lrrlrlb", foot)


def _when(p: Prediction) -> str:
    """At which feed rate the loads are."""
    if not (p.runs or p.too_little):
        return ", with next to no feed"
    if batch_of(p):
        return ", at the highest load during the batch"
    rate = figure(p.main.scalars, "throughput_kg_s")
    return f", fed {rate.text}{', the most it takes' if p.status == 'over capacity' else ''}" if rate else ""


# --- how it was calculated -------------------------------------------------------------------------------


def engine_table(p: Prediction) -> Table | None:
    """Both engines, figure by figure, with the difference and what their errors allow."""
    if p.other is None:
        return None
    rows = []
    for r in compare(p):
        unit, factor, offset = shown_unit(r.main.value, OUTPUTS[r.key].unit)
        a, b = (s.value * factor + offset for s in (r.main, r.other))
        difference = digits(abs(a - b), 2) if abs(a - b) > 1e-12 * abs(a) else "0"
        verdict = "agree" if r.agrees else "DISAGREE"
        rows.append((r.name, digits(a, 4), digits(b, 4), difference, digits(r.allowed * factor, 2), unit, verdict))
    foot = (
        "More digits than the band bears, to show the difference. Allowed: four standard errors and the class error. "
        "Both engines share the laws and the frozen state of the chamber, so their agreement says nothing about the "
        "laws."
    )
    header = ("", *(ENGINE_WORDS.get(e.engine, e.engine) for e in (p.main, p.other)), "difference", "allowed", "unit",
              "verdict")  # fmt: skip
    return _some(rows, "The two engines side by side", header, "lrrrrll", foot)


def numerics_table(p: Prediction) -> Table | None:
    """What the engines report about their own accuracy, in few lines; all of it is in the result file."""
    found = {**(p.other.numerics if p.other is not None else {}), **p.main.numerics}
    rows = [(words, show(found[key])) for key, (words, show) in _NUMERICS.items() if found.get(key) is not None]
    for e in (p.main, p.other):
        x50 = e.scalars.get("x50_m") if e is not None else None
        if x50 is not None and math.isfinite(x50.se) and x50.se > 0:
            rows.append(("Monte Carlo: standard error of x50", _percent(x50.se / x50.value)))
    return _some([r for r in rows if r[1]], "How it was calculated", ("", "value"), "lr")


def _percent(share: float) -> str:
    return f"{digits(share * 100, 2)} %" if math.isfinite(share) else "unknown"


def _count(value: float) -> str:
    return number(value, 0)


def _some_count(value: float) -> str:
    return _count(value) if value else ""


_NUMERICS = {
    "classes": ("balance: size classes", _count),
    "iterations": ("balance: iterations", _count),
    "residual": ("balance: residual of the chamber state", lambda v: f"{v:.1e}" if v else "0"),
    "class_error": ("balance: class error of x50", _percent),
    "class_error_throughput_kg_s": ("balance: class error of the rate", _percent),
    "class_error_gross_J_kg": ("balance: class error of the energy", _percent),
    "class_error_holdup_kg": ("balance: class error of the charge", _percent),
    "band_samples": ("band: draws of the parameters", _count),
    "band_failed": ("band: of these left out, not settled", _some_count),
    "histories": ("Monte Carlo: pieces followed", _count),
    "events_per_history": ("Monte Carlo: events per piece", _count),
    "given_up": ("Monte Carlo: pieces given up", _some_count),
}


def parameter_table(p: Prediction) -> Table | None:
    """Every parameter with value, range, basis and source, best founded first."""
    order = {basis: i for i, basis in enumerate(BASES)}
    known = sorted(p.parameters, key=lambda q: order.get(q.basis, len(order)))
    groups, last = [], ""
    for i, q in enumerate(known):
        if q.basis != last:
            groups.append((i, f"{capital(q.basis)}: {_BASIS_WORDS.get(q.basis, 'as stated')}"))
            last = q.basis
    header = ("parameter", "value", "plausible range", "unit", "basis", "source and note")
    return _some([_parameter_row(q) for q in known], "Parameters of material and model", header, "nrrllp", "", groups)


def parameter_list(p: Prediction) -> Table | None:
    """The same in a line each, for paper: no sources and notes."""
    long = parameter_table(p)
    if long is None:
        return None
    rows = [(f"{_clipped(name.partition(chr(10))[0])}", *rest[:3]) for name, *rest in long.rows]
    foot = "Sources and notes of each: the HTML report, and parameters.csv of `millsim export FILE.h5`."
    return table("Parameters", ("parameter", *long.header[1:4]), "lrrl", rows, foot, list(long.groups))


def _clipped(words: str, most: int = 56) -> str:
    return words if len(words) <= most else f"{words[: most - 1].rstrip()}…"


def _parameter_row(q: Param) -> tuple[str, ...]:
    """Words and name, value, range, unit, basis and source of a parameter, in a unit that reads well."""
    if q.words:
        value, low, high, unit = guesses.value_words(q), "", "", ""
    elif units.find_unit(q.unit) is None:
        value, low, high, unit = digits(q.value), digits(q.low), digits(q.high), q.unit
    else:
        unit = units.spelling_for(q.value, q.unit)
        value, low, high = (units.readable_number(v, unit) for v in (q.value, q.low, q.high))
        unit = unit.replace("degC", "°C")
    source = f"{q.source}; {q.note}" if q.note and not q.words else q.source
    words = f"{capital(parameter_words(q.name).removeprefix('the '))}\n{q.name}"
    plausible = f"{low} to {high}" if q.low < q.high else "fixed"
    plausible = guesses.range_words(q) if q.words else plausible
    return words, value, plausible, "" if unit == "-" else unit, q.basis, source


def run_table(p: Prediction) -> Table:
    """What was run: all that is needed to have the same numbers again."""
    engines = [ENGINE_WORDS.get(e.engine, e.engine) for e in (p.main, p.other) if e is not None]
    rows = [
        ("command", f"{p.command}, in the folder of its files" if p.command else "started from Python"),
        ("status", p.status),
        ("seed", str(p.seed)),
        ("engine", " and ".join(engines)),
        ("millsim", p.version),
        ("model", p.model_version),
        ("made (UTC)", date_words(p.date)),
        ("config hash (SHA-256)", p.config_sha256),
        ("forecast hash (SHA-256)", forecast_sha256(p)),
    ]
    return table("What was run", ("", ""), "lt", rows)
