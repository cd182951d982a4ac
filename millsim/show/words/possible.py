"""Whether it is possible at all, for people and for programs: five sentences, and a table where all is asked for."""

from math import isfinite

import numpy as np

from ...base.quantities.written import digits, join_words, rate_words, sentence, shown_unit, table, wrap
from ...learn.measured.ownrun import OwnRun
from ...mill.cards import shipped_name
from ...record.heatlimit import feed_sticks, feed_sticks_words
from ...studies.possible.answer import DONE, DOUBTFUL, NO_MILL, NOTHING_DOES, PLASTICS, Possible, Rates, WayOut
from ...studies.possible.points import Point, points
from ...studies.possible.usual import MILLS
from .json import jsonable, picked
from .short import Short, said

WORTH = 1.05


def possible_text(a: Possible, runs: tuple[OwnRun, ...] = ()) -> str:
    """The whole answer for people."""
    lines = [line for text in _told(a, runs) for line in wrap(text)]
    sources = [line for p in points().values() for line in wrap(f"- {p.name}: {_cost(p)}; {p.basis}: {p.source}.")]
    return "\n".join([*lines, "", *_curve(a), "", "Points of practice, from the socket:", *sources]) + "\n"


def possible_short(a: Possible, runs: tuple[OwnRun, ...] = ()) -> Short:
    """The five sentences, and one for each run."""
    ranks = (0, 1, 2, 1, 0, *(3 + i for i in range(len(runs))))
    parts = [said(text, rank) for text, rank in zip(_told(a, runs), ranks, strict=True)]
    return Short(tuple(parts), "the rates over all finenesses, and where the points of practice are from")


def _told(a: Possible, runs: tuple[OwnRun, ...]) -> list[str]:
    """Five sentences, some of them empty, and one for each run."""
    told = (_verdict(a), _floor(a), _on_top(a), _motor(a), _relax(a), *(_of_run(a, r) for r in runs))
    return [sentence(text) for text in told]


def wh(energy_J_kg: float, count: int = 2) -> str:
    """An energy per kilogram: "84 Wh/kg", "2.1 kWh/kg"."""
    if not isfinite(energy_J_kg):
        return "no end of energy"
    name, factor = ("kWh/kg", 1.0 / 3.6e6) if energy_J_kg >= 3.6e6 else ("Wh/kg", 1.0 / 3600.0)
    return f"{digits(energy_J_kg * factor, count)} {name}"


def band(low: float, high: float) -> str:
    """A band of rates: "90 g/h to 1.4 kg/h"."""
    if shown_unit(low, "kg/s")[0] == shown_unit(high, "kg/s")[0] and rate_words(low)[:4] != "next":
        return f"{rate_words(low).rpartition(' ')[0]} to {rate_words(high)}"
    return f"{rate_words(low) if rate_words(low)[:4] != 'next' else '0'} to {rate_words(high)}"


def watts(value: float) -> str:
    """A power: "300 W", "4.1 kW"."""
    return f"{digits(value, 2)} W" if value < 995.0 else f"{digits(value / 1e3, 2)} kW"


def size(x_m: float) -> str:
    """A size: "0.4 mm", "80 µm"."""
    name, factor, _ = shown_unit(x_m, "m")
    return f"{digits(x_m * factor, 3)} {name}"


def what(a: Possible) -> str:
    """What is wanted: "PLA with x50 = 0.1 mm"."""
    return f"{a.title.partition(',')[0]} with {a.asked.fineness} = {size(a.asked.x_m)}"


def power_at(a: Possible) -> str:
    """The watts at hand, said where: "300 W at the socket"."""
    if a.asked.at == "shaft":
        return f"{watts(a.watts * a.asked.efficiency)} at the shaft"
    return f"{watts(a.watts)} from the socket"


def _makes(r: Rates) -> str:
    if not r.best > 0.0:
        return "usual mills make none"
    likely = f"likely {rate_words(r.likely)}" if r.likely > 0.0 else "likely none"
    return f"{likely} (80 % band {band(r.low, r.high)}), at best {rate_words(r.best)}"


def _verdict(a: Possible) -> str:
    wish = f"{rate_words(a.asked.rate_kg_s, 3)} of {what(a)}" if a.asked.rate_kg_s else what(a)
    if a.verdict == NOTHING_DOES:
        least = f"by the least energy that cutting or breaking costs it is {rate_words(a.floor_kg_s[0])} at most"
        return f"Not possible with any machine: {wish} on {power_at(a)}: {least}"
    if feed_sticks(a.stick_K, a.asked.feed_K):
        return f"Not possible: {feed_sticks_words(a.stick_K, a.asked.feed_K)}, so no mill makes powder of it"
    head = {DONE: "Possible", DOUBTFUL: "Possible, but not likely"}.get(a.verdict, "Not possible with usual mills")
    if a.asked.watts is not None:
        return f"{head}: {wish} on {power_at(a)}; {_makes(a.rates)}"
    if a.verdict == NO_MILL:
        return f"{head}, whatever the motor: {wish}"
    likely = f"{watts(a.motor_W[0])} likely, " if isfinite(a.motor_W[0]) else ""
    return f"{head}: {wish} takes a motor of {likely}{watts(a.motor_W[1])} at best, from the socket"


def _floor(a: Possible) -> str:
    f, motor = a.floor, f"a motor of {100 * a.asked.efficiency:.0f} %{' (assumed)' if a.asked.assumed else ''}"
    parts = [f"{name} {_energies(v[:, 0])}" for name, v in (("cutting", f.cutting), ("breaking", f.breaking))]
    least = f"{wh(float(f.all[1, 0]) / a.asked.efficiency)} from the socket through {motor}"
    return (
        f"Least energy, with no machine in it: {' and '.join(parts)} at the shaft, new surface alone "
        f"{_energies(f.surface[:, 0])}; so no way costs less than {least}, and none makes more than "
        f"{rate_words(a.floor_kg_s[0])}"
    )


def _energies(v) -> str:
    low, middle, high = (float(x) / 3600.0 for x in v)
    return f"{digits(middle, 2)} Wh/kg ({digits(low, 2)} to {digits(high, 2)})"


def _on_top(a: Possible) -> str:
    if feed_sticks(a.stick_K, a.asked.feed_K):
        return ""
    low, middle, high = a.above
    usual = f"usual mills, {MILLS[0][0]:.0f} and {MILLS[1][0]:.0f} m/s at the tips,"
    practice = _practice(a)
    if not isfinite(low):
        return f"What {usual} need on top has no end: hardly one makes powder as fine as that{practice}"
    if isfinite(middle):
        reach = f"{digits(low, 2)} to {digits(high, 2)}" if isfinite(high) else f"from {digits(low, 2)} on"
        text = f"What {usual} need is {digits(middle, 2)} times that (80 % band {reach})"
    else:
        text = f"More than half of the {usual} make none as fine as that, the others need {digits(low, 2)} times that "
        text += "energy and more"
    why = []
    if isfinite(a.hard):
        why.append(f"{digits(100 * a.hard, 2)} % of their hits are hard enough to break a piece")
    if isfinite(a.idle):
        why.append(f"{100 * a.idle:.0f} % of the work turns the empty mill")
    return f"{text}: {join_words(why)}{practice}" if why else f"{text}{practice}"


def _practice(a: Possible) -> str:
    """What it costs elsewhere, of points that are of such a feed."""
    card = shipped_name(a.asked.material)
    if card == "wheat":
        p = points()["wheat"]
        return f"; published: {_cost(p)} for wheat through holes of 1 mm ({p.source.partition(',')[0]})"
    if card not in PLASTICS:
        return ""
    saw, disc = points()["sawing"], points()["disc"]
    return f"; practice: {_cost(saw)} for a saw's coarse chips, {_cost(disc)} for very fine powder of a disc"


def _cost(p: Point) -> str:
    low, high = (e / 3600.0 for e in p.energy_J_kg)
    return f"{digits(low, 3)} Wh/kg" if low == high else f"{digits(low, 3)} to {digits(high, 3)} Wh/kg"


def _motor(a: Possible) -> str:
    if not a.asked.rate_kg_s or a.asked.watts is None:
        return ""
    likely, best = a.motor_W
    if not isfinite(best):
        return "With such mills no motor makes the wish come true"
    most = f"likely {watts(likely)}" if isfinite(likely) else "likely more than any motor has"
    return f"The wish takes {most}, at best {watts(best)}, from the socket, and a mill sized for that motor"


def _relax(a: Possible) -> str:
    if not a.ways:
        return ""
    return f"To relax, each by itself, on {power_at(a)}: {'; '.join(_way(a, w) for w in a.ways)}"


def _way(a: Possible, w: WayOut) -> str:
    if w.kind == "saw":
        sizes = " to ".join(size(x) for x in points()["sawing"].x_m)
        return f"a saw's coarse chips ({sizes}) {band(w.rates.low, w.rates.high)}"
    if not _better(a.rates, w.rates):
        none = {"coarser": "coarser powder would not help", "colder": "chilled feed would not help"}
        return none.get(w.kind, "no other plastic with a card breaks more easily")
    name = {
        "coarser": f"coarser, {a.asked.fineness} = {size(w.what)}," if isinstance(w.what, float) else "",
        "colder": "feed chilled with dry ice",
        "material": f"{str(w.what).upper().replace('_', '/')} in its place",
    }[w.kind]
    likely = f"likely {rate_words(w.rates.likely)}" if w.rates.likely > 0.0 else "likely none"
    return f"{name} {likely}, at best {rate_words(w.rates.best)}"


def _better(now: Rates, then: Rates) -> bool:
    """Whether a way out gives more that is worth naming."""
    return then.likely > WORTH * now.likely or (not now.likely > 0.0 and then.best > WORTH * now.best)


def _of_run(a: Possible, r: OwnRun) -> str:
    key = a.asked.fineness
    sizes = f"{key} = {size(r.sizes[key])}" if key in r.sizes else f"{key} not sieved"
    return (
        f"Your run {r.name}: {rate_words(r.rate_kg_s)}, {sizes}, {wh(r.energy_J_kg)} from the socket; on "
        f"{power_at(a)} that is {rate_words(r.at(a.watts))}"
    )


def _curve(a: Possible) -> list[str]:
    rows = []
    for x, floor, rates in zip(a.curve_m, a.curve_floor, np.array(a.curve).T, strict=True):
        r = Rates(*map(float, rates))
        rows.append((size(float(x)), rate_words(float(floor)), *(_grams(v) for v in (r.best, r.likely, r.low, r.high))))
    head = (a.asked.fineness, "floor", "at best", "likely", "80 % band from", "to")
    return [f"Rates on {power_at(a)}, by fineness:", *table(head, rows, kinds="lrrrrr")]


def _grams(rate: float) -> str:
    return rate_words(rate) if rate > 0.0 else "none"


def code_is_no(a: Possible) -> bool:
    """Whether the answer is no."""
    return a.verdict in (NO_MILL, NOTHING_DOES)


def possible_json(a: Possible, runs: tuple[OwnRun, ...] = ()) -> dict:
    """The answer for programs, in SI."""
    floor = {n: dict(zip(("low", "value", "high"), getattr(a.floor, n)[:, 0].tolist(), strict=True))
             for n in ("cutting", "breaking", "surface", "all")}  # fmt: skip
    return jsonable(
        {"status": "not possible" if code_is_no(a) else "ok", "verdict": a.verdict, "material": a.title}
        | {"card": shipped_name(a.asked.material), "asked": a.asked, "watts": a.watts, "rates_kg_s": a.rates}
        | {"floor_shaft_J_kg": floor, "floor_kg_s": a.floor_kg_s[0], "floor_most_kg_s": a.floor_kg_s[1]}
        | {"over_floor": dict(zip(("low", "likely", "high"), a.above, strict=True)), "motor_W": a.motor_W}
        | {"ways": a.ways, "curve": {"x_m": a.curve_m, "floor_kg_s": a.curve_floor, **a.curve._asdict()}}
        | {"points": {k: picked(p, "name kind feed x_m energy_J_kg basis source") for k, p in points().items()}}
        | {
            "runs": [
                picked(r, "name sizes rate_kg_s energy_J_kg") | {"kg_s_from_these_watts": r.at(a.watts)} for r in runs
            ]
        }
    )
