"""What is said of one recommended, or nearest, setting: figures, how sure, what stands close by, what it risks."""

import numpy as np

from ...base.numerics.statistics import wilson
from ...base.quantities.written import join_words
from ...errors import InputError
from ...forecast.band import LEVEL
from ...record.heatlimit import AT_LIMIT_K, heat_limit
from ...record.limits import CANNOT, FAILED, LIMITS, MISSING, OVER, out_words
from ..sweep.points import config_at
from ..sweep.record import Points, Sweep
from .changes import cost_words, key_words, value_text
from .extsieve import Sieved, without_fines
from .judge import Judged, judge, known_draws
from .nearest import got_words, missed_words
from .neighbours import Neighbour, SweepPlaces
from .record import Target
from .reviewed import still_open
from .words import figure, range_words, size_words

_CLOSE = 2.0  # standard errors from a limit within which scatter could decide
_JAM_NEAR = 0.8
_BY_BALANCE = " (computed with the balance engine, not by Monte Carlo runs)"


def built_words(sweep: Sweep, target: Target, j: Judged, places: SweepPlaces, s: int) -> str:
    """Sentences on a setting that meets the target."""
    said = [f"{figures(j, target, s)}.", heat_words(sweep, j, s), tightest(j, s), chance_words(j, s)]
    said.append(scatter_words(sweep, target, j, s))
    said += [around_words(sweep, j, places, s), still_open(sweep, s * sweep.replicates), cost(sweep, s)]
    return " ".join(x for x in said if x)


def missing_words(sweep: Sweep, target: Target, j: Judged, s: int) -> str:
    """Sentences on the setting that comes nearest."""
    said = [f"{figures(j, target, s)}. Missed: {missed_words(j, s)}.", chance_words(j, s)]
    said.append(still_open(sweep, s * sweep.replicates))
    return " ".join(x for x in said if x)


def figures(j: Judged, target: Target, s: int) -> str:
    """ "4.1 kg/h of powder, 96 % of it finer than 500 µm, at 0.32 kWh/kg from the socket and 62 °C at the outlet"."""
    v = j.points.values
    text = f"{figure('throughput_kg_s', float(v['throughput_kg_s'][s]))} of powder"
    if target.window:
        text += f", {figure('yield', float(j.yields[s]))} of it {range_words(*target.window)}"
    energy, warm = (figure(key, float(v[key][s])) for key in ("gross_J_kg", "outlet_temperature_K"))
    takes = " (it takes no more; the feed rate asked for is larger)" if j.points.status[s] == OVER else ""
    return f"{text}, at {energy} from the socket and {warm} at the outlet{takes}"


def heat_words(sweep: Sweep, j: Judged, s: int) -> str:
    """That a setting is warmer than advised; "" where it is not."""
    try:
        config = config_at(sweep, s * sweep.replicates)
    except InputError:  # of a sweep that was computed elsewhere, with files that are not here
        return ""
    limit = heat_limit(config.material.value("stick_temperature"), config.limits.outlet_temperature_K)
    near = limit.near(float(j.points.values["outlet_temperature_K"][s]) - AT_LIMIT_K)
    return f"Its outlet stays {near}." if near else ""


def tightest(j: Judged, s: int) -> str:
    """The wish with least to spare, where there are several or it is no yield."""
    wish = j.wishes[int(j.worst[s])]
    if wish.output == "yield" and len(j.wishes) == 1:
        return ""  # told already
    return f"Least to spare: {got_words(wish, float(j.achieved[wish.name][s]))}."


def counted(met: int, known: int) -> str:
    """ "in 13 of 16 parameter draws (chance 66 to 91 %)": Wilson's interval of 80 % says how little so few tell."""
    low, high = wilson(met, known, LEVEL)
    chance = f"{100 * low:.0f} to {100 * high:.0f} %, an 80 % interval"
    return f"in {met or 'none'} of {known} parameter draws (chance {chance})"


def chance_words(j: Judged, s: int) -> str:
    """How often the draws meet the target; nothing without draws."""
    known = known_draws(j.points, s)
    if not known or np.isnan(j.probability[s]):
        return ""
    met = round(float(j.probability[s]) * known)
    return f"It meets the target {counted(met, known)}."


def scatter_words(sweep: Sweep, target: Target, j: Judged, s: int) -> str:
    """What the scatter of Monte Carlo runs leaves open."""
    if sweep.replicates > 1:
        own = slice(s * sweep.replicates, (s + 1) * sweep.replicates)
        met = int(judge(sweep, target, _rows(sweep.points, own)).meets.sum())
        if met < sweep.replicates:
            return f"Only {met} of its {sweep.replicates} runs meet{'s' if met == 1 else ''} it; their mean does."
        return f"All of its {sweep.replicates} runs meet it."
    near = []
    for w in j.wishes:
        se = sweep.points.se.get(w.output)
        value = float(j.achieved[w.name][s])
        if se is not None and min(abs(value - w.low), abs(value - w.high)) < _CLOSE * float(se[s]):
            near.append(w.about)
    return f"Within the Monte Carlo error of the limit: {join_words(near)}." if near else ""


def _rows(p: Points, part: slice) -> Points:
    """Some points, without their draws."""
    values = {k: v[part] for k, v in p.values.items()}
    return Points(p.status[part], p.binding[part], p.loads[part], values, p.q3[part], {}, {}, np.empty((0, 0, 0)))


def around_words(sweep: Sweep, j: Judged, places: SweepPlaces, s: int) -> str:
    """Which neighbours do not run or do not meet the target, and how near the rotor is to jamming."""
    around = sorted(places.neighbours(s), key=lambda n: -int(j.points.status[n.setting]))
    bad: dict[str, list[Neighbour]] = {}
    for n in around:
        if not j.meets[n.setting]:
            bad.setdefault(_state(j, n.setting), []).append(n)
    said, jam = "", float(j.points.loads[s, LIMITS.index("jam")])
    if bad:
        count = sum(map(len, bad.values()))
        step = f"Of the {len(around)} steps to the points next to it, {count} lead{'s' if count == 1 else ''} out of it"
        if not places.grid:
            step = f"Of the {len(around)} points closest by, {count} miss{'es' if count == 1 else ''} it"
        told = [_ways(sweep, places, found, state) for state, found in bad.items()]
        said = f"{step}: {'; '.join(told)}."
    if jam > _JAM_NEAR:
        said += f" The rotor is at {100 * jam:.0f} % of what jams it."
    return said.strip()


def _ways(sweep: Sweep, places: SweepPlaces, found: list[Neighbour], state: str) -> str:
    """ "too little finer than 400 µm with hole 0.6 mm or speed 6000 rpm"; of a sampled design only how often."""
    if not places.grid:
        return f"{state} ({len(found)})"
    keys = [(sweep.axes[n.axis].key, places.values[n.axis][n.setting].item()) for n in found]
    return f"{state} with {join_words([f'{key_words(k)} {value_text(k, v)}' for k, v in keys], 'or')}"


def _state(j: Judged, s: int) -> str:
    """What is wrong with a setting, in a few words."""
    status = int(j.points.status[s])
    if status == CANNOT:
        return out_words(LIMITS[j.points.binding[s]])
    if status == FAILED:
        return "no answer"
    return "not computed yet" if status == MISSING else j.binds[s]


def cost(sweep: Sweep, s: int) -> str:
    """What is lost if it disappoints."""
    words = cost_words(sweep, s * sweep.replicates)
    return f"If it disappoints, what is lost is {words}." if words else ""


def circuit_words(sweep: Sweep, target: Target, x: Sieved, drawn: tuple[int, int]) -> str:
    """Sentences on a mill closed with a sieve; all figures are of what the sieve lets through."""
    c = x.circuit
    rate, back = (figure("throughput_kg_s", found) for found in (c.accepted_kg_s, c.returned_kg_s))
    energy, warm = figure("gross_J_kg", c.gross_J_kg), figure("outlet_temperature_K", c.outlet_temperature_K)
    text = (
        f"With a {size_words(c.aperture_m)} sieve after the mill and its oversize returned: "
        f"{rate} of accepted powder, {energy} from the socket per kilogram accepted, {warm} at the outlet; "
        f"{back} goes round again{_BY_BALANCE if sweep.engine != 'balance' else ''}."
    )
    if x.meets:
        said = [text, tightest(x.judged, 0), f"It meets the target {counted(*drawn)}." if drawn[1] else ""]
        return " ".join([s for s in said if s] + ["That takes a sieving machine and a way back for the oversize."])
    return " ".join([text, f"Still missed: {missed_words(x.judged, 0)}.", *_finer_too(sweep, target, x)])


def _finer_too(sweep: Sweep, target: Target, x: Sieved) -> list[str]:
    """What a second, finer sieve would leave, where that mends something, and what is missed then."""
    found = without_fines(sweep, target, x)
    if found is None:
        return []
    size, j = found
    if not _missed(x.judged) - _missed(j):
        return []
    rate, energy = (figure(key, float(j.points.values[key][0])) for key in ("throughput_kg_s", "gross_J_kg"))
    text = f"A second sieve of {size_words(size)} that takes out the fines would leave {rate} at {energy}"
    if j.meets[0]:
        return [f"{text} and meet the target; the fines are left over."]
    return [f"{text}; the fines are left over, and still missed would be: {missed_words(j, 0)}."]


def _missed(j: Judged) -> set[int]:
    """Which wishes one setting misses."""
    return set(np.flatnonzero(~(j.misses[:, 0] <= 1e-6)).tolist())
