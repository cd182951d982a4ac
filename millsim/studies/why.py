"""The facts behind "why": how hard hits are, which mechanism makes the powder, where the shaft power goes.

Numbers from a Prediction; what it does not carry (gap, pins, hammers) stands in its config text, and the laws give
the rest. Words are in why.py.
"""

import math
from dataclasses import dataclass
from functools import partial

import numpy as np

from ..base.quantities.units import UnitError, parse
from ..laws import breakage, cutting, motion
from ..mill.chamber import MEAN_COS2_BAR, MEAN_COS2_PIN
from ..mill.config.schema import EDGES
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
    """Mass that impact, edge, nip, pieces against pieces and rubbing bring from coarser to finer than the sieve hole.

    kg/s from charge and rates by size of the balance engine, kg per kg fed from the tallies of the Monte Carlo
    engine; {} where nothing moves. Daughters follow the law of the mean hit; bites of pieces that fit through the gap
    are those that another piece props. Where a material parameter is not known: mass each works on.
    """
    e = engine or p.main
    t, hole = e.table, p.hole_m
    impact, edge, nip = _events(p, e)
    coarse, alone = t.x_m > hole, _alone(p, t.x_m)
    if not all(math.isfinite(parameter(p, n)) for n in _FRAGMENTS):
        flows = {"impact": float(impact.sum()), "edge": float(edge.sum()), "nip": float(nip[alone].sum())}
        flows["pair"] = float(nip[~alone].sum())
    else:
        cut = nip * _finer(p, t.x_m, 0.0, "nip_exponent") * coarse
        flows = {
            "impact": float(np.sum((impact * _hit_finer(p, t.x_m))[coarse])),
            "edge": float(np.sum((edge * _chips_finer(p, t.x_m))[coarse])) + _worn_through(t.edges_m, edge, hole),
            "nip": float(cut[alone].sum()),
            "pair": float(cut[~alone].sum()),
            "dust": _dust(p, e),
        }
    return {k: v for k, v in flows.items() if v > 0 or k in ("impact", "edge", "nip")} if any(flows.values()) else {}


def _alone(p: Prediction, x_m: np.ndarray) -> np.ndarray:
    """Which pieces x (n,) stand out of the gap by themselves; all of them where the gap is not known."""
    gap = config_value(p, "stator", "gap", "m")
    return x_m > gap if math.isfinite(gap) else np.ones_like(x_m, dtype=bool)


def _dust(p: Prediction, e: EngineResult) -> float:
    """Mass rubbed off pieces coarser than the hole, kg/s, or of tallies kg per kg fed: from the watts it takes."""
    spent = e.ledger_out_W["dust rubbed off"].value if "dust rubbed off" in e.ledger_out_W else 0.0
    if not spent > 0 or not math.isfinite(parameter(p, "attrition_share")):
        return 0.0
    t = e.table
    sigma, G_c = _strength(p, chamber_temperature(p))
    costs = cutting.cutting_energy(parameter(p, "cut_factor"), sigma, G_c, 0.5 * parameter(p, "fines_limit"),
                                   parameter(p, "density"))  # fmt: skip
    rubbed = np.diff(np.nan_to_num(t.holdup_q3)) * np.nan_to_num(t.strike_1_s)  # each strike rubs alike
    per = _finite(fed(p)) if e.tallies else 1.0
    coarse = float(rubbed[t.x_m > p.hole_m].sum() / rubbed.sum()) if rubbed.sum() > 0 else 0.0
    return spent / float(costs) * coarse / per if per > 0 else 0.0


def _strength(p: Prediction, T: float) -> tuple[float, float]:
    """Yield stress [Pa] and fracture energy [J/m2] of a piece at temperature T [K], as in the rates."""
    warm, T_warm, T_cold = (parameter(p, n) for n in ("xw_min_warm", "temperature_warm", "temperature_cold"))
    T = T if math.isfinite(T) else T_warm
    sigma = cutting.yield_at(parameter(p, "yield_stress"), parameter(p, "yield_slope"), max(T, T_cold), T_warm)
    x_0 = parameter(p, "threshold_size")
    return float(sigma), parameter(p, "fracture_energy") * x_0 * threshold_J_kg(p, x_0, T) / warm


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
    """The mechanism that makes most of the powder: "impact", "edge", "nip", "pair" or "dust"; "" where none does."""
    shares, _ = makers(p)
    return max(shares, key=lambda name: shares[name], default="")


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
    """The same of what hits break: of bars and pins at all obliquities, each by its chance to break the piece."""
    h, T, on_bars = hits(p), chamber_temperature(p), bar_share(p)
    kappa, tip, u = parameter(p, "layer_speed_ratio"), h.tip_m_s, (np.arange(24) + 0.5) / 24
    c = u ** (1.0 / MEAN_COS2_BAR - 1.0)
    energy = np.array([motion.bar_energy(tip, kappa, one) for one in c.tolist()])
    weight = np.full(u.size, on_bars / u.size)
    if h.throw_m_s > 0 and on_bars < 1.0:
        e = _restitution(p, h.bar_m_s)
        left = 0.5 * h.throw_m_s**2 / float(motion.thrown_energy(tip, kappa, e, 1.0))
        thrown = [motion.thrown_energy(tip, kappa, e, one) for one in c.tolist()]
        pins = np.outer(left * np.array(thrown), 1.0 - u**2).ravel()
        energy = np.concatenate([energy, pins])
        weight = np.concatenate([weight, np.full(pins.size, (1.0 - on_bars) / pins.size)])
    f_mat = parameter(p, "f_mat_warm") * (parameter(p, "rate_multiplier") or 1.0)
    need = np.array([threshold_J_kg(p, x, T) for x in x_m.tolist()])
    xi = f_mat * x_m[:, None] * np.maximum(0.0, energy - need[:, None])
    broken = weight * -np.expm1(-xi)
    shattered = (broken * -np.expm1(-parameter(p, "shatter_slope") * xi)).sum(1) / np.maximum(1e-300, broken.sum(1))
    return _finer(p, x_m, shattered, "split_exponent")


def _chips_finer(p: Prediction, x_m: np.ndarray) -> np.ndarray:
    """Mass share of the chips off pieces x (n,) that is finer than the sieve hole: (hole / h)^q below thickness h."""
    exponent = parameter(p, "chip_exponent")
    return np.array(
        [min(1.0, (p.hole_m / h) ** exponent) if h > 0 else 1.0 for h in map(partial(_chip, p), x_m.tolist())]
    )


def _chip(p: Prediction, x: float) -> float:
    """Size [m] of the chip that the mean bar hit takes off a piece x [m]; at most a cap where the laws want more."""
    cap = min(parameter(p, "chip_size"), 0.25 * x)
    names = ("modulus", "crack_ratio", "plough_factor", "plough_ratio", "edge_radius", "edge_share")
    q = {n: parameter(p, n) for n in names}
    if not all(map(math.isfinite, q.values())):
        return cap if math.isfinite(cap) else 0.0
    sigma, G_c = _strength(p, chamber_temperature(p))
    zone = cutting.process_zone(q["crack_ratio"], q["modulus"], G_c, sigma)
    r = min(q["edge_radius"], zone)
    G = cutting.separation_energy(G_c, q["plough_factor"], sigma, r)
    h = hits(p)
    e = _restitution(p, h.bar_m_s)
    paid = min(q["edge_share"], 1.0 - e * e) * float(motion.bar_energy(h.bar_m_s, 0.0, MEAN_COS2_BAR))
    found = cutting.chip_paid(parameter(p, "density") * paid * x**3, parameter(p, "cut_factor") * sigma, zone, G)
    return max(min(q["plough_ratio"] * r, cap), min(float(found), cap))


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
    """A parameter used, by its name or its name without the kind of edge, such as "chip_size"; NaN if there is none.

    Of several kinds of edge that of the one the config names, or of any where the others take all of the length.
    """
    kinds = (config_table(p, "rotor").get("edge", ""), *EDGES)
    names = (name, *(f"{name}_{kind}" for kind in kinds))
    return next((q.value for n in names for q in p.parameters if q.name == n), math.nan)


def _pins(p: Prediction) -> int:
    s = config_table(p, "stator")
    pins = s.get("pins", 0)
    return pins if s.get("kind") == "pins" and isinstance(pins, int) else 0


def bar_share(p: Prediction) -> float:
    """Share of all hits that are on bars, the rest on pins; from what hits on bars lose, which the ledger holds."""
    tip, kappa, per = scalar(p, "tip_speed_m_s"), parameter(p, "layer_speed_ratio"), scalar(p, "hits_per_particle")
    rate = fed(p)
    lost = sum(p.main.ledger_out_W[k].value for k in ("bar impact heat", "chips cut") if k in p.main.ledger_out_W)
    e = _restitution(p, (1.0 - kappa) * tip)
    one = (1.0 - e * e) * float(motion.bar_energy(tip, kappa, MEAN_COS2_BAR))
    return min(1.0, lost / (one * per * rate)) if one * per * rate > 0 else 1.0


def fed(p: Prediction) -> float:
    """Feed rate [kg/s], of a batch its mean over the time."""
    batch = batch_of(p)
    return batch[0] / batch[1] if batch else scalar(p, "throughput_kg_s")


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
