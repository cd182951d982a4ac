"""From solved states and tallies to the record that files, plots and reports read."""

from dataclasses import replace
from math import inf, nan
from typing import NamedTuple

import numpy as np

from ..base.numerics import psd
from ..base.numerics.uncompiled import by_field
from ..base.quantities.scalar import Scalar
from ..engines.aside import full_charge
from ..engines.histories import BAR, BY_SIZE, CHIPS, DWELL, FRACTURE, NIPS
from ..engines.montecarlo import Tally
from ..engines.records import BREAK, FLOW_NAMES, PIN_BREAK, XI
from ..laws import drive
from ..mill.chamber import NIP, PAIR, STRIKE
from ..mill.problem import Setup
from ..record.heatlimit import no_powder
from ..record.limits import CANNOT, CHAMBER, GRINDING, HARDLY_J_KG, LEAST_OPEN, LIMITS, OVER, POWER
from ..record.prediction import MORE_CARRIES_LESS, Counted, EngineResult, Limit, SizeTable
from .outcome import Outcome, sticky_feed
from .scalars import Figures, errors_of, ledger, powers_from, scalars, temperature_of, values_of

NAN = float("nan")
_EXACT = dict.fromkeys(FLOW_NAMES, 0.0)
TALLY_WORDS = {  # name in BY_SIZE: (unit, long name), all per kg fed
    "dwell": ("s", "time at this size"),
    "bar_hits": ("1", "bar hits"),
    "pin_hits": ("1", "pin hits"),
    "elastic_losses": ("1", "hits that broke nothing"),
    "fractures": ("1", "impact fractures"),
    "chips": ("1", "times chipped off"),
    "nips": ("1", "bites in the nip"),
    "tries": ("1", "sieve contacts"),
    "exits": ("1", "share that left at this size"),
    "impact_energy": ("J/kg", "normal energy of hits"),
    "edge_energy": ("J/kg", "energy spent on chips"),
}
ALMOST_FULL = 0.98  # load on the chamber from which it counts as what is full
# What comes out of a mill that does not run, and what a kilogram of it would take.
NOTHING = {"throughput_kg_s": 0.0, "capacity_kg_s": 0.0, "gross_J_kg": inf, "net_J_kg": inf}
CLASS_ERROR = "class_error_"  # prefix of numerics: relative class error of a scalar or ledger term


def fed(problem: Setup, o: Outcome) -> float:
    """Kilograms fed per second: the feed rate, or the charge of a batch over the time it is milled."""
    batch = problem.config.feed.batch
    return batch.mass_kg / o.milled_s if batch else float(o.state["F"])


def _curve(product: np.ndarray) -> np.ndarray:
    total = product.sum()
    if total <= 0:
        return np.full(product.size + 1, NAN)
    return np.minimum(psd.cumulative(product / total), 1.0)  # the sum may round to just above 1


def _table(problem: Setup, q3: np.ndarray, q3_se: np.ndarray, holdup: np.ndarray, rates: dict) -> SizeTable:
    nan = np.full(q3.size, NAN)
    return SizeTable(
        edges_m=problem.edges, feed_q3=psd.cumulative(problem.feed), product_q3=q3, product_q3_se=q3_se,
        product_q3_low=nan, product_q3_high=nan.copy(), holdup_q3=_curve(holdup), x_m=problem.x, **rates,
    )  # fmt: skip


class Told(NamedTuple):
    """All figures of a settled mill by name, and Q3 of the powder at the class bounds."""

    values: dict[str, float]
    q3: np.ndarray


def told(problem: Setup, o: Outcome, capacity_kg_s: float, mill: np.ndarray | None = None) -> Told:
    """What the balance engine says, in bare numbers.

    mill: (1,) MILL record the outcome belongs to, where it is not the problem's own.
    """
    q3, residence, held = _curve(o.product), float(o.state["residence"]), float(o.mass.sum())
    found = Figures(by_field(o.flows), _EXACT, q3, np.zeros(q3.size), held, 0.0, residence, 0.0, fed(problem, o))
    record = (problem.mill if mill is None else mill)[0]
    jam = float(o.loads[LIMITS.index("jam")])
    values = values_of(found, record, o.state, o.powers, problem.edges, jam, float(o.state["T"]))
    values["capacity_kg_s"] = capacity_kg_s
    return Told(values, q3)


def balance_result(problem: Setup, o: Outcome, capacity_kg_s: float) -> EngineResult:
    """What the balance engine says, with units and tables: exact at its classes, so standard errors are zero (NaN in
    Q3).
    """
    values, q3 = told(problem, o, capacity_kg_s)
    strike = o.table[:, STRIKE].copy()
    strike[0] = 0.0
    mean = o.strikes.mean(axis=1)
    rates = {
        "strike_1_s": strike,
        "selection_1_s": strike * (mean[:, BREAK] + (1.0 - mean[:, BREAK]) * mean[:, PIN_BREAK]),
        "nip_1_s": np.where(np.arange(strike.size) > 0, o.table[:, NIP] * o.screen + o.table[:, PAIR] * o.bridge, 0.0),
        "chip_1_s": strike * mean[:, XI],
        "escape_1_s": o.escape,
    }
    going_in, out = ledger(by_field(o.flows), _EXACT, o.powers, 0.0)
    return EngineResult(
        "balance", _table(problem, q3, np.full(q3.size, NAN), o.mass, rates), scalars(values, {}), going_in, out,
        {"classes": float(problem.x.size), "residual": float(o.residual)},
    )  # fmt: skip


def montecarlo_result(problem: Setup, o: Outcome, tally: Tally, capacity_kg_s: float) -> EngineResult:
    """What the Monte Carlo engine says at the same frozen state: estimates with standard errors."""
    F, F_se, batch = float(o.state["F"]), 0.0, problem.config.feed.batch
    holdup = F * tally.residence_s, F * tally.residence_s_se
    if batch:
        holdup = batch.mass_kg * (1.0 - tally.left), batch.mass_kg * tally.left_se
        F, F_se = batch.mass_kg * tally.left / o.milled_s, batch.mass_kg * tally.left_se / o.milled_s
    per_s = fed(problem, o)
    flows = {n: v * per_s for n, v in tally.flows.items()}
    flows_se = {n: v * per_s for n, v in tally.flows_se.items()}
    left = max(tally.left, 1e-300)
    q3 = tally.exits_q3 / left if tally.left > 0 else np.full(tally.exits_q3.size, NAN)
    q3_se = tally.exits_q3_se / left
    figures = Figures(flows, flows_se, q3, q3_se, *holdup, tally.residence_s, tally.residence_s_se, per_s)
    powers, shaft_se = powers_from(figures, o.powers)
    mill, dwell = problem.mill[0], tally.by_size[:, DWELL]
    with np.errstate(divide="ignore", invalid="ignore"):
        per_dwell = {c: np.where(dwell > 0, tally.by_size[:, c] / dwell, NAN) for c in (BAR, FRACTURE, NIPS, CHIPS)}
    rates = {
        "strike_1_s": per_dwell[BAR], "selection_1_s": per_dwell[FRACTURE], "nip_1_s": per_dwell[NIPS],
        "chip_1_s": per_dwell[CHIPS], "escape_1_s": o.escape,
    }  # fmt: skip
    state = o.state.copy()
    state["F"] = F
    temperature = (float(o.state["T"]), NAN) if batch else temperature_of(mill, o.state, powers, shaft_se)
    jam = float(o.loads[LIMITS.index("jam")])
    values = values_of(figures, mill, state, powers, problem.edges, jam, temperature[0])
    values["capacity_kg_s"] = capacity_kg_s
    se = errors_of(values, figures, mill, powers, shaft_se, problem.edges, temperature[1])
    se["throughput_kg_s"] = F_se
    going_in, out = ledger(flows, flows_se, powers, shaft_se)
    numerics = {
        "histories": float(tally.histories), "given_up": float(tally.given_up),
        "events_per_history": sum(tally.flows[n] for n in ("bar_hits", "pin_hits", "nips", "tries")),
    }  # fmt: skip
    table = _table(problem, q3, q3_se, dwell, rates)
    return EngineResult("montecarlo", table, scalars(values, se), going_in, out, numerics, _tallies(tally))


def _tallies(tally: Tally) -> dict[str, Counted]:
    """Events by size class, per kilogram fed."""
    return {
        name: Counted(tally.by_size[:, i].copy(), tally.by_size_se[:, i].copy(), *TALLY_WORDS[name])
        for i, name in enumerate(BY_SIZE)
    }


def with_class_error(coarse: EngineResult, fine: EngineResult) -> EngineResult:
    """The coarse result with its class error: the change on halving the class width, times two.

    Two is the factor for a first-order scheme; fracture is second order (4/3), so this is on the safe side.
    """
    errors = {}
    for name, a in coarse.scalars.items():
        b = fine.scalars[name]
        errors[CLASS_ERROR + name] = 2.0 * abs(a.value / b.value - 1.0) if b.value else 0.0
    for side in ("ledger_in_W", "ledger_out_W"):
        for name, a in getattr(coarse, side).items():
            b = getattr(fine, side)[name]
            errors[CLASS_ERROR + name] = 2.0 * abs(a.value / b.value - 1.0) if b.value else 0.0
    q3 = np.interp(np.log(coarse.table.edges_m), np.log(fine.table.edges_m), fine.table.product_q3)
    errors[CLASS_ERROR + "q3"] = 2.0 * float(np.nanmax(np.abs(q3 - coarse.table.product_q3)))
    errors["class_error"] = errors[CLASS_ERROR + "x50_m"]
    return replace(coarse, numerics={**coarse.numerics, **{k: float(v) for k, v in errors.items()}})


def without_throughput(result: EngineResult) -> EngineResult:
    """The result of a mill that does not run: nothing comes out, so a kilogram costs energy without end."""
    values = result.scalars | {n: replace(result.scalars[n], value=v) for n, v in NOTHING.items()}
    return replace(result, scalars=values)


SIZES = ("x10_m", "x50_m", "x90_m", "span")
TOO_LITTLE = 0.05  # share of a batch that must be powder where it ends, for its figures to mean anything (assumed)
TOLD_AT_ONCE = ("holdup_kg", "idle_power_W", "jam_index", "open_sieve_share", "air_flow_m3_s",
                "outlet_temperature_K", "air_temperature_K", "powder_temperature_K")  # fmt: skip


def too_little(problem: Setup, o: Outcome) -> bool:
    """Whether a batch ended, jammed or too hot, before so much of it was powder that figures of it mean anything."""
    batch = problem.config.feed.batch
    if batch is None or o.milled_s >= (1.0 - 1e-6) * batch.time_s:
        return False
    return float(o.product.sum()) * o.milled_s < TOO_LITTLE * batch.mass_kg


def without_figures(result: EngineResult) -> EngineResult:
    """The result of a batch of which too little was milled: only what is told of its first moment."""

    def unknown(scalars: dict[str, Scalar], kept: tuple[str, ...] = ()) -> dict[str, Scalar]:
        return {n: s if n in kept else replace(s, value=nan, se=nan, low=nan, high=nan) for n, s in scalars.items()}

    return replace(
        without_sizes(result),
        scalars=unknown(result.scalars, TOLD_AT_ONCE),
        ledger_in_W=unknown(result.ledger_in_W),
        ledger_out_W=unknown(result.ledger_out_W),
        numerics={n: v for n, v in result.numerics.items() if not n.startswith(CLASS_ERROR)},
    )


def told_of_what_comes(problem: Setup, o: Outcome, found: Told) -> Told:
    """Bare numbers as `of_what_comes` has them."""
    if too_little(problem, o):
        values = {n: v if n in TOLD_AT_ONCE else nan for n, v in found.values.items()}
        return Told(values, np.full_like(found.q3, nan))
    if no_powder(problem.config.material.value("stick_temperature"), found.values["outlet_temperature_K"]):
        found = Told(found.values | dict.fromkeys(SIZES, nan), np.full_like(found.q3, nan))
    return nothing(found) if o.code == CANNOT else found


def nothing(found: Told) -> Told:
    """What is told of a mill that does not run: nothing comes out, so a kilogram costs energy without end."""
    return Told(found.values | NOTHING, found.q3)


def of_what_comes(problem: Setup, outcome: Outcome, result: EngineResult) -> EngineResult:
    """The result without figures that mean nothing, where no powder comes out, or hardly any."""
    if too_little(problem, outcome):
        return without_figures(result)
    return without_throughput(result) if outcome.code == CANNOT else result


def without_sizes(result: EngineResult) -> EngineResult:
    """The result of a mill whose powder sticks together: it has no sizes."""
    values, table = dict(result.scalars), result.table
    for name in SIZES:
        values[name] = replace(values[name], value=nan, se=nan, low=nan, high=nan)
    none = np.full_like(table.product_q3, nan)
    names = ("product_q3", "product_q3_se", "product_q3_low", "product_q3_high")
    return replace(result, scalars=values, table=replace(table, **dict.fromkeys(names, none)))


def limits_of(problem: Setup, o: Outcome) -> tuple[Limit, ...]:
    """The limits with the load on each in its own unit, and a sentence."""
    m, s = problem.mill[0], o.state
    opening = float(drive.opening_flow(m["density"] * m["bulk_fraction"], m["feed_opening"], m["feed_size"]))
    full = float(full_charge(problem.mill))
    passable = _passable_share(problem, o)
    waiting = "waits for the sieve" if passable > 0.5 else "waits to be broken"
    batch = problem.config.feed.batch
    charge = batch.mass_kg if batch else float(s["M"])
    hottest = max(s["T"], powder_temperature(o)) if not batch else s["T"]
    sticks = sticky_feed(problem, problem.mill)
    hot = "the feed sticks as it comes" if sticks else "above it the powder sticks or smears"
    hottest = max(hottest, m["T_feed"]) if sticks else hottest
    early = too_little(problem, o)  # too short for a mean over the powder
    rows = (
        ("shaft power", shaft_load(problem, o), m["rated_power"], "W", "rated power of the motor at the shaft"),
        ("outlet temperature", hottest, m["T_limit"], "K", hot),
        ("sieve", 1.0 - s["unblinded"], 1.0 - LEAST_OPEN, "1", "share of the holes pegged by near-size pieces"),
        ("chamber", charge, full, "kg", MORE_CARRIES_LESS if _floods(o) else f"most of the charge {waiting}"),
        ("jam", o.loads[4], 1.0, "1", "bites against the rotor's energy, power against the motor's overload"),
        ("feed opening", 0.0 if batch else s["F"], opening, "kg/s", "what runs through the opening by gravity"),
        (
            "grinding",
            nan if early else o.loads[GRINDING] * HARDLY_J_KG,
            HARDLY_J_KG,
            "J/kg",
            "strikes, bites and stirring per kilogram of powder; above it a mill hardly grinds",
        ),
    )
    zero = {"outlet temperature": float(m["T_room"])}
    return tuple(
        Limit(name, float(load), float(most), unit, why, zero.get(name, 0.0)) for name, load, most, unit, why in rows
    )


def shaft_load(problem: Setup, o: Outcome) -> float:
    """Power [W] that the motor is held to; NaN of a batch too short for a mean over a minute."""
    return nan if too_little(problem, o) else float(o.loads[POWER] * problem.mill[0]["rated_power"])


def _floods(o: Outcome) -> bool:
    """Whether the mill stands at its largest rate with the chamber far from full: more charge carries less."""
    return o.code == OVER and o.binding == LIMITS[CHAMBER] and o.loads[CHAMBER] < ALMOST_FULL


def powder_temperature(o: Outcome) -> float:
    """Mean temperature [K] of the pieces that leave: behind the chamber's when cold feed passes fast, or above it."""
    return float(o.powers["warmed"] * o.state["T"] + o.powers["offset"])


def _passable_share(problem: Setup, o: Outcome) -> float:
    """Share of the charge that is finer than the largest size a hole passes."""
    m = problem.mill[0]
    total = o.mass.sum()
    return float(o.mass[problem.x < m["hole"] / m["shape"]].sum() / total) if total > 0 else 0.0
