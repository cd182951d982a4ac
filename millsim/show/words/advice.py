"""The plain sentences of a report: how much, how warm, what limits it, how fine, how sure, what to measure."""

import math

import numpy as np

from ...base.numerics import psd
from ...base.quantities.params import BASES
from ...base.quantities.written import (
    Shown,
    capital,
    digits,
    duration,
    given,
    join_words,
    number,
    sentence,
    shown_unit,
    uncapital,
)
from ...record.asked import batch_of, config_table, config_value, stopped_after
from ...record.day import from_day_to_day
from ...record.heatlimit import (
    CONTACT_K,
    feed_of,
    feed_sticks,
    feed_sticks_words,
    no_powder_words,
    of_prediction,
    sticks,
    stopped_words,
)
from ...record.limits import HARDLY_GRINDS, cannot_run_words
from ...record.outputs import OUTPUTS, figure, in_kilojoules
from ...record.prediction import Prediction
from ...studies.engines import class_errors, engines_agree
from ..parts import Paragraph
from . import guesses
from .changes import review_words
from .limits import far_over, limit_words, loaded, measure_empty, named, nip_works, what_limits
from .parameters import parameter_words
from .stalls import by_hand_words, stall_risk

WIDE_SPAN = 4.0  # above this one median says little
LITTLE = 0.05  # share of the powder in a factor of 2 in size that counts as a gap between two kinds
WITHOUT_END = 100.0  # a factor that says: at one end of the range it does not run
LITTLE_GAINED = 0.85  # share of a band's width left from which an hour of measuring is no plain advice
COARSE_CLASSES = 0.05  # a class error above this is said, not only listed

_ROOM_K = 293.15  # where a prediction does not say


def how_much(p: Prediction) -> str:
    """The rate, or that the mill cannot do what was asked."""
    name, batch = capital(p.mill_name), batch_of(p)
    rate, most = (figure(p.main.scalars, key) for key in ("throughput_kg_s", "capacity_kg_s"))
    if p.status == HARDLY_GRINDS:
        return " ".join([f"{cannot_run_words(p.binding, name)}.", *map(sentence, p.grinds_with)])
    if feed_sticks(*feed_of(p)):
        return f"{name} cannot run like this: {feed_sticks_words(*feed_of(p))}. Chill it first."
    if not (p.runs or p.too_little):
        return f"{name} cannot run like this: even with next to no feed, {_over(p)}."
    if sticks(p):
        T = p.main.scalars["outlet_temperature_K"].value
        return f"{name} makes no powder like this: {no_powder_words(T, of_prediction(p).stick_K)}. No sizes are given."
    if p.status == "over capacity":
        if batch:
            return f"{name} cannot take {given(batch[0], 'kg')} at once: {_over(p)}."
        asked = given(p.requested_rate_kg_s, "kg/s") if math.isfinite(p.requested_rate_kg_s) else "feed"
        limit = f": it takes at most about {with_band(p, most)}" if most else ""
        return f"{name} cannot take the {asked} asked for{limit}.{_never(p, 'capacity_kg_s')}"
    if batch:
        return _batch_words(p, name, *batch)
    if rate is None:
        return f"{name}: the rate could not be predicted."
    if not math.isfinite(p.requested_rate_kg_s):
        text = f"{name} makes about {with_band(p, rate)} of powder, fed as fast as it can grind"
    else:
        text = f"{name} makes {rate.text} of powder, {by_hand_words(p) or 'as fed'}"
        text += f"; it would take about {with_band(p, most)}" if most else ""
    value = p.main.scalars["throughput_kg_s"].value
    kilogram = f" One kilogram takes about {duration(1 / value)}." if value > 0 else ""
    return f"{text}.{_never(p, 'throughput_kg_s')}{kilogram}"


def _batch_words(p: Prediction, name: str, mass_kg: float, time_s: float) -> str:
    """What a batch has become at its end."""
    rate, left = (figure(p.main.scalars, key) for key in ("throughput_kg_s", "holdup_kg"))
    text = f"{name} is given {given(mass_kg, 'kg')} at once and runs {duration(time_s)}"
    if rate is None or left is None:
        return f"{text}; what comes out could not be predicted."
    out = min(1.0, p.main.scalars["throughput_kg_s"].value * time_s / mass_kg)
    share = f"{100 * out:.0f} %" if out < 0.985 else f"{math.floor(1000 * out) / 10:.1f} %"
    text += f": {share} of it comes out as powder, {with_band(p, left)} stays inside"
    return f"{text}. Taken over the whole time that is {rate.text}."


def _over(p: Prediction) -> str:
    """Which limit is exceeded, with its numbers: a clause."""
    limit = next((x for x in p.limits if x.name == p.binding), None)
    if limit is None:
        return f"the limit of {p.binding} is exceeded" if p.binding else "a limit is exceeded"
    return f"{limit_words(limit)} is {loaded(p, limit)}" if far_over(limit) else f"{named(p, limit)} is over its limit"


def _never(p: Prediction, key: str) -> str:
    """That some draws of the parameters do not run, where the low end of the rate is next to nothing."""
    rate = p.main.scalars.get(key)
    if rate is None or not math.isfinite(rate.low) or rate.low > 1e-3 * rate.value:
        return ""
    return " For some plausible parameter values it cannot run at all."


def warmth(p: Prediction) -> str:
    """The temperature at the outlet, and its limit."""
    outlet = figure(p.main.scalars, "outlet_temperature_K")
    if outlet is None or p.status == HARDLY_GRINDS or feed_sticks(*feed_of(p)):
        return ""
    if (seconds := stopped_after(p)) is not None:
        return f"{stopped_words(seconds, p.main.scalars)}."
    when = " at that rate" if p.status == "over capacity" and not batch_of(p) else ""
    text = f"it gets as warm as {with_band(p, outlet)}"
    if not batch_of(p):
        text = f"powder and air leave at {with_band(p, outlet)}{when if p.status != 'cannot run' else ''}"
    return f"{text}; {of_prediction(p).words()}." if math.isfinite(p.temperature_limit_K) else f"{text}."


def heat_margin(p: Prediction) -> str:
    """How far the outlet stays from its limit, and how long the mill takes to get warm."""
    limit = next((x for x in p.limits if x.name == "outlet temperature"), None)
    said = []
    if limit is not None and math.isfinite(limit.capacity) and math.isfinite(limit.load):
        left, words = limit.capacity - limit.load, limit.sentence.rstrip(".")
        side = "below" if left >= 0 else "above"
        means = f"; {uncapital(words)}" if words else ""
        said.append(f"The outlet is {number(abs(left), 0)} K {side} the limit{_advised(p, limit.load)}{means}.")
    T, t = p.warmup_temperature_K, p.warmup_time_s
    if len(t) > 2 and np.isfinite(T).all() and not batch_of(p) and T[-1] > T[0] + 0.5:
        i = int(np.argmax(T[0] + 0.9 * (T[-1] - T[0]) <= T))
        said.append(f"From a cold start 90 % of the rise is done after {duration(float(t[i]))}.")
    return " ".join(said)


def _advised(p: Prediction, T: float) -> str:
    """How far a temperature [K] is from what is advised, where that is another number than the limit."""
    limit = of_prediction(p)
    if not limit.is_card or not T <= limit.most_K:
        return ""
    left = limit.advised_K - T
    if left < 0.0:
        return f", but {number(-left, 0)} K over what is advised, {CONTACT_K:.0f} K below it"
    return f" and {number(left, 0)} K below what is advised, {CONTACT_K:.0f} K below it"


def with_band(p: Prediction, found: Shown) -> str:
    """A figure with its band in brackets, where it has one."""
    if not found.band or found.fixed:
        return found.text
    return f"{found.text} ({band_name(p)} {found.band} {found.unit}".rstrip() + ")"


def band_name(p: Prediction) -> str:
    """ "80 % band"."""
    return f"{p.band_level * 100:.3g} % band" if math.isfinite(p.band_level) else "band"


def room_K(p: Prediction) -> float:
    """The temperature of the room in kelvin, as the config says."""
    room = config_value(p, "air", "room", "K")
    return room if math.isfinite(room) else _ROOM_K


def how_fine(p: Prediction) -> str:
    """x50 and x90 with their bands, in words."""
    x50, x90 = (figure(p.main.scalars, key) for key in ("x50_m", "x90_m"))
    if x50 is None:
        return ""
    text = f"half of the powder by mass is finer than x50 = {with_band(p, x50)}"
    if x90:
        text += f", 90 % is finer than x90 = {with_band(p, x90)}"
    return f"{text}. The sieve hole is {given(p.hole_m, 'm')}.{_kinds(p)}"


def _kinds(p: Prediction) -> str:
    """That one median says little: of two kinds of powder with next to nothing between, or a very wide one."""
    span, t = p.main.scalars.get("span"), p.main.table
    if span is None or not span.value > WIDE_SPAN or not np.isfinite(t.product_q3).all():
        return ""
    quarter, most = (_size(psd.curve_x_at(t.edges_m, t.product_q3, q)) for q in (0.25, 0.75))
    sizes = f"a quarter of it is finer than {quarter}, a quarter coarser than {most}"
    gap = _gap(t.edges_m, t.product_q3)
    if gap is None:
        return f" A very wide powder: {sizes}, so x50 means little here."
    share, low, high = gap
    fine, coarse = (f"{100 * s:.0f} %" for s in (share, 1 - share))
    ends = f"{fine} is finer than {_size(low)}, {coarse} coarser than {_size(high)}"
    return f" Two kinds of powder: {ends}, with little between; x50 means little here."


def _size(size_m: float) -> str:
    shown, factor, _ = shown_unit(size_m, "m")
    return f"{digits(size_m * factor, 2)} {shown}"


def _gap(edges_m: np.ndarray, q3: np.ndarray) -> tuple[float, float, float] | None:
    """(share finer, lower and upper end [m]) of the widest stretch with little powder; None below a factor of 2."""
    good = edges_m > 0
    u, q = np.log(edges_m[good]), q3[good]
    grid = np.linspace(u[0], u[-1], 400)
    curve = np.interp(grid, u, q)
    ends = np.searchsorted(curve, curve + LITTLE, side="right") - 1  # how far each point sees little more powder
    inside = (curve > 0.1) & (curve[ends] < 0.9)
    width = np.where(inside, grid[ends] - grid, 0.0)
    i = int(np.argmax(width))
    if width[i] < math.log(2.0):
        return None
    return float((curve[i] + curve[ends[i]]) / 2), math.exp(grid[i]), math.exp(grid[ends[i]])


def energy_words(p: Prediction) -> str:
    """Energy per kilogram from the socket in both units, that above idling, and what the hits do."""
    gross, net = (figure(p.main.scalars, key) for key in ("gross_J_kg", "net_J_kg"))
    if gross is None:
        return ""
    text = f"the {OUTPUTS['gross_J_kg'].words} is {with_band(p, gross)} of powder, that is "
    text += in_kilojoules(p.main.scalars["gross_J_kg"]).text
    if net and p.main.scalars["net_J_kg"].value > 0:
        text += f"; of it {net.text} are {OUTPUTS['net_J_kg'].words}, beyond what the empty mill draws"
    return f"{text}.{_hits(p)}"


def _hits(p: Prediction) -> str:
    """How often a particle is hit, and how many of the hits can break it."""
    hits, share = (figure(p.main.scalars, key) for key in ("hits_per_particle", "hits_above_threshold_share"))
    if not (hits and share):
        return ""
    text = f" A particle is hit about {hits.value} times before it leaves"
    if p.main.scalars["hits_above_threshold_share"].value < 5e-4:
        if nip_works(p):
            return f"{text}, never hard enough to break it: what breaks it is the nip between bar and wall."
        return f"{text}; no hit is hard enough to break it, edges only cut chips off it."
    return f"{text}; {share.text} of the hits are hard enough to break it."


def hammers(p: Prediction) -> str:
    """How far swinging hammers lay back: their effective tip speed beside that of stretched-out ones."""
    tip, omega = figure(p.main.scalars, "tip_speed_m_s"), p.main.scalars.get("speed_rad_s")
    radius = config_value(p, "rotor", "radius", "m")
    if config_table(p, "rotor").get("mount") != "swinging" or tip is None or omega is None:
        return ""
    stretched = tip.like(radius * omega.value)
    return f"they lay back, so they work like tips at {tip.text}; stretched out it would be {stretched}."


def how_sure(p: Prediction) -> str:
    """What the numbers rest on, and the three parameters that open the band of x50 and of the rate most."""
    weak = [q for q in p.parameters if q.basis in BASES[BASES.index("from memory") : BASES.index("guessed")]]
    own = [q for q in p.parameters if q.basis in ("measured", "calibrated")]
    total = len(p.parameters)
    if calibrated := [q for q in p.parameters if q.basis == "calibrated"]:
        text = f"calibrated on {calibrated[0].source}, which determined {len(calibrated)} of {total}"
        text += f" parameters and ties the others together; {len(weak)} still rest on assumption or memory."
        return text + _from_day_to_day(p)
    if own:
        text = f"{len(own)} of {total} parameters are measured or calibrated"
    else:
        text = "nothing here is measured on your mill"
    text += f", {len(weak)} of {total} {'' if own else 'parameters '}are assumed or from memory."
    if p.status == HARDLY_GRINDS or p.too_little:
        return text
    if not math.isfinite(p.band_level):
        return text + " No band was run, so take these numbers as one guess among many."
    return text + ("" if not p.runs else _moved_by(p)) + _from_day_to_day(p)


def day_words(day: dict[str, float]) -> str:
    """What no measurement narrows: by output, half the 80 % band of one mill from run to run, of the logarithm."""
    still = join_words([f"{OUTPUTS[n].short} ±{100 * v:.0f} %" for n, v in day.items() if v > 0.0])
    return f"Measuring narrows these bands, but not below what a mill changes from run to run (assumed): {still}."


def _from_day_to_day(p: Prediction) -> str:
    """What of the bands of size and rate no measurement narrows."""
    day = from_day_to_day(p.parameters, not math.isfinite(p.requested_rate_kg_s))
    told = {n: v for n, v in day.items() if n in ("x50_m", "throughput_kg_s")}
    return f" {day_words(told)}" if told and math.isfinite(p.band_level) else ""


def bench_tests(p: Prediction) -> str:
    """How the bench tests that made the material's card stand to the card it was copied from."""
    material = config_table(p, "material")
    bench, cut = (str(material.get(name) or "") for name in ("bench", "cut_edge"))
    return bench_words(bench, cut, str(config_table(p, "rotor").get("edge")))


def bench_words(bench: str, cut: str, edge: str) -> str:
    """What a card says of its bench tests, and that a cut with another edge than the mill's is not quite its own."""
    if not bench or cut in ("", edge):
        return bench
    return f"{bench} The test cut with a {cut} edge, this mill has a {edge} one: a blunter edge takes more (assumed)."


def _moved_by(p: Prediction) -> str:
    """The parameters that move x50 and the rate most, and by how much each does alone."""
    seen: set[str] = set()
    rate = "what comes out" if batch_of(p) else "the rate"
    changes, decides = [], ""
    for key, words in (("x50_m", "x50"), ("throughput_kg_s", rate)):
        ranked = [item for item in widest(p, key)[:3] if item[1] > 1.005]
        folds = [f"{digits(f, 2)}-fold with {_parameter(n, seen)}" for n, f in ranked if f < WITHOUT_END]
        ends = [_parameter(n, seen) for n, f in ranked if f >= WITHOUT_END]
        changes += [f"{words} changes {join_words(folds)}"] if folds else []
        if ends and not decides:
            decides = f" Whether anything comes out at all can depend on {join_words(ends, 'or')} alone."
    if changes:
        changes[0] = f" Each alone, from its lowest to its highest plausible value: {changes[0]}"
    return "".join(["; ".join(changes), "." if changes else "", decides])


def _parameter(name: str, seen: set[str]) -> str:
    """A parameter in words, with its identifier the first time."""
    words = parameter_words(name) if name in seen else f"{parameter_words(name)} ({name})"
    seen.add(name)
    return words


def widest(p: Prediction, key: str) -> list[tuple[str, float]]:
    """Ranked parameters for an output, whether it is keyed with or without its unit; factors may be inf."""
    for name in (key, key.split("_")[0]):
        if name in p.widest:
            return [(n, f) for n, f in p.widest[name] if not math.isnan(f)]
    return []


def measure_next(p: Prediction) -> str:
    """What narrows x50 most per minute of effort, as `millsim next` ranks it; of a mill that does not run, what may."""
    if not p.runs:
        return measure_empty(p.binding)
    a = p.advised
    if a is None:
        return "`millsim next` with this config ranks what would narrow the band most."
    if not a.name:
        return f"{a.how}."
    return (
        f"{a.how} (about {a.minutes:.0f} min): of all measurements that narrows x50 most for its time, to about "
        f"{100 * a.left:.0f} % of the width. `millsim next` with this config ranks the others."
    )


def how_exact(p: Prediction) -> str:
    """What the width of the size classes leaves uncertain, where that is not little, and how to better it."""
    what = {"holdup_kg": "the charge left" if batch_of(p) else "the charge", "gross_J_kg": "the energy"}
    errors = class_errors(p)
    coarse = [k for k in what if errors.get(k, 0.0) > COARSE_CLASSES]
    said = [f"{what[k]} is known to {digits(errors[k] * 100, 2)} % only" for k in coarse[:1]]
    said += [f"{what[k]} to {digits(errors[k] * 100, 2)} %" for k in coarse[1:]]
    if not said:
        return ""
    ratio = config_table(p, "run").get("class_ratio", 1.15)
    finer = 1.05 if ratio > 1.08 else max(1.02, 1 + (ratio - 1) / 2)
    better = f"; run.class_ratio = {finer:.3g} makes it better" if ratio > 1.025 else ""
    return f"{join_words(said)}{better}."


def how_hot(p: Prediction) -> str:
    """The temperature at the outlet, how far it is from its limit, and how long the mill takes to get warm."""
    return " ".join(text for text in (warmth(p), heat_margin(p)) if text)


_TOLD = {  # what is told, most wanted first: its label, and the words
    "amount": ("How much", how_much),
    "heat": ("How hot", how_hot),
    "review": ("Before you build", review_words),
    "limits": ("What limits it", what_limits),
    "fine": ("How fine", how_fine),
    "energy": ("Energy", energy_words),
    "hammers": ("Hammers", hammers),
    "stalls": ("Stalls", stall_risk),
    "sure": ("How sure", how_sure),
    "guesses": ("Guessed", guesses.of_prediction),
    "bench": ("Bench tests", bench_tests),
    "next": ("Measure next", measure_next),
    "engines": ("", engines_agree),
    "classes": ("Size classes", how_exact),
}
_OF_POWDER = ("fine", "energy", "hammers", "stalls", "engines", "classes")  # nothing to tell where none comes out


def paragraphs(p: Prediction, *keys: str) -> list[Paragraph]:
    """What there is to tell, by keys of the list above or all of it; of powder only where there is any."""
    wanted = [k for k in keys or _TOLD if p.runs or k not in _OF_POWDER]
    said = [Paragraph(_TOLD[k][1](p), _TOLD[k][0]) for k in wanted]
    return [s for s in said if s.text]


def sentences(p: Prediction) -> list[str]:
    """The paragraphs that lead the report on a terminal: first, without a label, how much and how hot."""
    first = f"{how_much(p)} {capital(warmth(p))}".strip()
    return [first, *(s.line for s in paragraphs(p, *list(_TOLD)[2:]))]
