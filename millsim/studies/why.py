"""The facts behind "why": how hard hits are, which mechanism makes the powder, where the shaft power goes.

Numbers from a Prediction; what it does not carry (gap, pins, hammers) stands in its config text, and the laws give
the rest. Words are in why.py.
"""

import math
from dataclasses import dataclass

import numpy as np

from ..base.quantities.units import UnitError, parse
from ..laws import breakage, cutting, motion
from ..mill.chamber import MEAN_COS2_BAR, MEAN_COS2_PIN
from ..record.asked import batch_of, config_table, config_value, feed_size
from ..record.prediction import EngineResult, Prediction

# Terms of the ledger, put together as a builder would: words, and the terms they stand for.
RUB, CUT, SHEAR = "rub along the wall", "cut chips off the pieces", "shear pieces in the nip"
WATTS = (
    (RUB, ("wall rub heat",)),
    ("become heat in pieces that bars and pins hit", ("bar impact heat", "pin impact heat")),
    ("stir the air", ("air drag heat",)),
    ("are lost as pieces slide from bar to pin", ("path friction heat",)),
    ("warm the bearings and seals", ("bearing heat",)),
    (CUT, ("chips cut", "dust rubbed off")),
    (SHEAR, ("nip shear",)),
)


# What the fragments of a piece follow from.
_FRAGMENTS = ("split_exponent", "daughter_exponent", "nip_exponent", "fragment_floor", "fines_thickness",
              "fines_exponent", "fines_limit", "shatter_slope")  # fmt: skip


@dataclass(frozen=True)
class Hits:
    """How hard bars and pins hit; speeds in m/s, normal energies in J per kg of piece, NaN where not known."""

    tip_m_s: float
    bar_m_s: float  # bar against the layer of charge
    throw_m_s: float  # thrown piece against a pin; 0 without pins
    mean_J_kg: float  # over all hits and angles
    per_particle: float
    above: float  # share of the hits above the threshold


def hits(p: Prediction) -> Hits:
    """Speeds and energies of the hits: from the tip speed by the laws of motion, as both engines use them."""
    tip, kappa = scalar(p, "tip_speed_m_s"), parameter(p, "layer_speed_ratio")
    bar = (1.0 - kappa) * tip
    bar_J = float(motion.bar_energy(tip, kappa, MEAN_COS2_BAR))
    throw, pin_J = 0.0, 0.0
    pins, wall = _pins(p), config_value(p, "rotor", "radius", "m") + config_value(p, "stator", "gap", "m")
    if pins:
        e = _restitution(p, bar)
        left = float(motion.path_survival(parameter(p, "friction"), math.pi * wall / pins, wall))
        throw = math.sqrt(2.0 * float(motion.thrown_energy(tip, kappa, e, 1.0)) * left) if bar > 0 else math.nan
        pin_J = float(motion.thrown_energy(tip, kappa, e, MEAN_COS2_BAR)) * left * MEAN_COS2_PIN
    on_bars = bar_share(p)
    mean = bar_J if not pins else on_bars * bar_J + (1.0 - on_bars) * pin_J
    per, above = scalar(p, "hits_per_particle"), scalar(p, "hits_above_threshold_share")
    return Hits(tip, bar, throw, mean, per, above)


def threshold_J_kg(p: Prediction, size_m: float, temperature_K: float) -> float:
    """Specific energy [J/kg] below which no hit breaks a piece of this size and temperature: xw_min(x) / x."""
    warm, cold = parameter(p, "xw_min_warm"), parameter(p, "xw_min_cold")
    cold = warm if math.isnan(cold) else cold
    T_warm, T_cold = parameter(p, "temperature_warm"), parameter(p, "temperature_cold")
    known = T_warm > T_cold and not math.isnan(temperature_K)
    xw = float(breakage.log_between(temperature_K, T_warm, T_cold, warm, cold)) if known else warm
    x_0, a = parameter(p, "threshold_size"), parameter(p, "threshold_exponent")
    return (xw if math.isnan(x_0 + a) else float(breakage.threshold_at(size_m, xw, x_0, a))) / size_m


def mechanism_flows(p: Prediction, engine: EngineResult | None = None) -> dict[str, float]:
    """Mass that impact, edge and nip each bring from coarser to finer than the sieve hole; {} where nothing moves.

    kg/s from charge and rates by size of the balance engine, kg per kg fed from the tallies of the Monte Carlo
    engine. Daughters follow the law of the mean hit. Where a material parameter is not known: mass each works on.
    """
    e = engine or p.main
    t, hole = e.table, p.hole_m
    impact, edge, nip = _events(p, e)
    coarse = t.x_m > hole
    if not all(math.isfinite(parameter(p, n)) for n in _FRAGMENTS):
        flows = {"impact": float(impact.sum()), "edge": float(edge.sum()), "nip": float(nip.sum())}
    else:
        flows = {
            "impact": float(np.sum((impact * _hit_finer(p, t.x_m))[coarse])),
            "edge": float(np.sum((edge * _chips_finer(p, t.x_m))[coarse])) + _worn_through(t.edges_m, edge, hole),
            "nip": float(np.sum((nip * _finer(p, t.x_m, 0.0, "nip_exponent"))[coarse])),
        }
    return flows if sum(flows.values()) > 0 else {}


def mechanism_shares(p: Prediction, engine: EngineResult | None = None) -> dict[str, float]:
    """Shares of `mechanism_flows`, which sum to 1; {} where nothing becomes finer than the hole."""
    flows = mechanism_flows(p, engine)
    total = sum(flows.values())
    return {name: value / total for name, value in flows.items()}


def makers(p: Prediction) -> tuple[dict[str, float], bool]:
    """(shares of the mechanisms, whether they count the whole run): of a batch rates tell of its end, tallies of all.

    Empty where nothing becomes finer than the hole.
    """
    if not batch_of(p):
        return mechanism_shares(p), True
    counted = next((e for e in (p.main, p.other) if e is not None and e.tallies), None)
    return mechanism_shares(p, counted), counted is not None


def main_maker(p: Prediction) -> str:
    """The mechanism that makes most of the powder: "impact", "edge" or "nip"; "" where none does."""
    shares, _ = makers(p)
    return max(shares, key=shares.get, default="")


def _events(p: Prediction, e: EngineResult) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mass per class that is broken by hits, chipped off, and cut in the nip, per second or per kg fed; (n,) each."""
    t, done = e.table, _finished_bites(p, e.table.x_m)
    if e.tallies:
        impact, edge, nip = (e.tallies[k].value for k in ("fractures", "chips", "nips"))
        return impact, edge, nip * done
    charge = np.diff(np.nan_to_num(t.holdup_q3)) * _finite(scalar(p, "holdup_kg", e))
    rates = (np.nan_to_num(r) for r in (t.selection_1_s, t.chip_1_s, t.nip_1_s))
    impact, edge, nip = (charge * rate for rate in rates)
    return impact, edge, nip * done


def _finer(p: Prediction, x_m: np.ndarray, shattered: np.ndarray | float, split: str) -> np.ndarray:
    """Mass share of the fragments of pieces x (n,) that is finer than the hole, of which a share (n,) shatters."""
    q = {n: parameter(p, n) for n in _FRAGMENTS}
    found = [
        breakage.finer_share(
            min(p.hole_m, x), x, breakage.fines_share(x, q["fines_thickness"]), w, q[split], q["daughter_exponent"],
            q["fragment_floor"], q["fines_exponent"], q["fines_limit"],
        )
        for x, w in zip(x_m.tolist(), np.broadcast_to(shattered, x_m.shape).tolist(), strict=True)
    ]  # fmt: skip
    return np.array(found)


def _hit_finer(p: Prediction, x_m: np.ndarray) -> np.ndarray:
    """The same of what square hits break, of pins where there are some: these make most of what breaks."""
    h, T = hits(p), chamber_temperature(p)
    W = 0.5 * (h.throw_m_s if h.throw_m_s > 0 else h.bar_m_s) ** 2
    f_mat = parameter(p, "f_mat_warm") * (parameter(p, "rate_multiplier") or 1.0)
    excess = [f_mat * max(0.0, x * (W - threshold_J_kg(p, x, T))) for x in x_m.tolist()]
    return _finer(p, x_m, 1.0 - np.exp(-parameter(p, "shatter_slope") * np.array(excess)), "split_exponent")


def _chips_finer(p: Prediction, x_m: np.ndarray) -> np.ndarray:
    """Mass share of the chips off pieces x (n,) that is finer than the sieve hole: (hole / h)^q below thickness h."""
    size, exponent = parameter(p, "chip_size"), parameter(p, "chip_exponent")
    if math.isnan(size) or math.isnan(exponent):
        return np.ones_like(x_m)
    thick = np.minimum(size, 0.25 * x_m)  # at most: what the hit pays for is less
    return np.minimum(1.0, (p.hole_m / thick) ** exponent)


def _worn_through(edges_m: np.ndarray, chipped: np.ndarray, hole_m: float) -> float:
    """Mass that shrinks past the hole as chips come off: a third of the chipped share, per unit of ln x, just above."""
    above = int(np.searchsorted(edges_m, hole_m * (1 - 1e-9)))
    if above >= chipped.size:
        return 0.0
    return float(chipped[above] / 3.0 / math.log(edges_m[above + 1] / edges_m[above]))


def _restitution(p: Prediction, speed_m_s: float) -> float:
    """Coefficient of restitution at a speed; of a file of the first model with its exponent."""
    n = parameter(p, "restitution_exponent")
    at = parameter(p, "restitution"), speed_m_s, 0.25 if math.isnan(n) else n
    return float(motion.restitution(*at)) if speed_m_s > 0 else math.nan


def _finished_bites(p: Prediction, x_m: np.ndarray) -> np.ndarray | float:
    """Share of the bites that cut the piece: all of rigid bars; a light hammer folds back from a large piece."""
    mass = config_value(p, "rotor", "hammer_mass", "kg")
    if config_table(p, "rotor").get("mount") != "swinging" or math.isnan(mass):
        return 1.0
    density = parameter(p, "density")
    T, f_mat = chamber_temperature(p), parameter(p, "f_mat_warm")
    given = cutting.hammer_energy(mass, scalar(p, "tip_speed_m_s")) / (density * math.pi / 6.0 * x_m**3)
    shear = [
        cutting.shear_energy(parameter(p, "yield_stress"), density, x, f_mat, x * threshold_J_kg(p, x, T))
        for x in x_m.tolist()
    ]
    return np.array([cutting.hammer_bite(g, need) for g, need in zip(given.tolist(), shear, strict=True)])


def watts(p: Prediction) -> dict[str, float]:
    """Shaft power [W] by what becomes of it, largest first; the sum is that of the ledger."""
    out = {key: s.value for key, s in p.main.ledger_out_W.items()}
    grouped = {words: sum(out.pop(term, 0.0) for term in terms) for words, terms in WATTS}
    grouped |= {f"go into {term}": value for term, value in out.items()}
    return dict(sorted(((k, v) for k, v in grouped.items() if v != 0), key=lambda item: -item[1]))


def scalar(p: Prediction, key: str, engine: EngineResult | None = None) -> float:
    """A figure of the main engine, or of another, in its SI unit; NaN where there is none."""
    found = (engine or p.main).scalars.get(key)
    return math.nan if found is None else found.value


def _finite(value: float) -> float:
    return value if math.isfinite(value) else 0.0


def parameter(p: Prediction, name: str) -> float:
    """A parameter used, by its name or its name without the kind of edge, such as "chip_size"; NaN if there is none."""
    edge = config_table(p, "rotor").get("edge", "")
    return next((q.value for n in (name, f"{name}_{edge}") for q in p.parameters if q.name == n), math.nan)


def _pins(p: Prediction) -> int:
    s = config_table(p, "stator")
    pins = s.get("pins", 0)
    return pins if s.get("kind") == "pins" and isinstance(pins, int) else 0


def bar_share(p: Prediction) -> float:
    """Share of all hits that are on bars, the rest on pins; from what hits on bars lose, which the ledger holds."""
    tip, kappa, per = scalar(p, "tip_speed_m_s"), parameter(p, "layer_speed_ratio"), scalar(p, "hits_per_particle")
    batch = batch_of(p)
    fed = batch[0] / batch[1] if batch else scalar(p, "throughput_kg_s")
    lost = sum(p.main.ledger_out_W[k].value for k in ("bar impact heat", "chips cut") if k in p.main.ledger_out_W)
    e = _restitution(p, (1.0 - kappa) * tip)
    one = (1.0 - e * e) * float(motion.bar_energy(tip, kappa, MEAN_COS2_BAR))
    return min(1.0, lost / (one * per * fed)) if one * per * fed > 0 else 1.0


def coarse_feed(p: Prediction) -> float:
    """Size [m] of the coarse pieces of the feed: of all where they are alike, else what 95 % are finer than; or NaN."""
    size = config_table(p, "feed").get("size", {})
    try:
        return parse(size["size"], "m")
    except (KeyError, TypeError, UnitError):
        return feed_size(p, 0.95)


def feed_temperature(p: Prediction) -> float:
    """Temperature [K] of the feed as the config says; NaN where it does not."""
    return config_value(p, "feed", "temperature", "K")


def chamber_temperature(p: Prediction) -> float:
    """Temperature [K] of chamber and air; NaN where it is not known."""
    T = scalar(p, "air_temperature_K")
    return T if math.isfinite(T) else scalar(p, "outlet_temperature_K")
