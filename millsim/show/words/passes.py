"""Two passes through one mill in plain words and as JSON."""

import math

from ...base.quantities.scalar import Scalar
from ...base.quantities.written import Shown, capital, digits, join_words, number, table, wrap
from ...mill.config.mill import Config
from ...mill.parts import stock_hole
from ...record.limits import CANNOT, HARDLY_GRINDS, OVER, TRY_PREDICT
from ...studies.circuit.passes import FINES_M, PAYS, Passes, margins
from ...studies.circuit.turns import Circuit
from .circuit import SHOWS, of_circuit
from .heat import binds, celsius, plain
from .json import jsonable, picked
from .parameters import DRAWN
from .short import Short, said

ROWS = {  # figure: (words, SI unit)
    "time_s_kg": ("time for a kilogram", "s"), "gross_J_kg": ("energy from the socket", "J/kg"),
    "warmest_K": ("outlet, the warmest", "K"), "x10_m": ("x10", "m"), "x50_m": ("x50", "m"), "x90_m": ("x90", "m"),
    "fines_share": (f"finer than {FINES_M * 1e6:.0f} µm", "1"),
}  # fmt: skip
_IN = {"gross_J_kg": "energy", "time_s_kg": "time", "warmest_K": "temperature"}
SOLD = 0.005  # in ln of a hole, within which it is one that is sold


def passes_text(config: Config, keys: tuple[str, ...], r: Passes) -> str:
    """The answer for people: sentences, a table, what it rests on."""
    lines = [line for s in sentences(config, keys, r) for line in wrap(s)]
    if r.code == CANNOT:
        return "\n".join(lines) + "\n"
    tail = [line for s in _rests_on(config, r) for line in wrap(s)]
    return "\n".join([*lines, "", *figure_table(r), "", *tail]) + "\n"


def passes_short(config: Config, keys: tuple[str, ...], r: Passes) -> Short:
    """The same sentences without the table and what it rests on."""
    return Short(tuple(said(s, n) for n, s in enumerate(sentences(config, keys, r))), SHOWS)


def sentences(config: Config, keys: tuple[str, ...], r: Passes) -> list[str]:
    """How much both take, beside one pass; each pass; what the draws say."""
    how = f", the second with {join_words(list(keys))}" if keys else ", both alike"
    lead = f"{capital(config.name)}, two passes{how}"
    if r.code == CANNOT:
        last = r.second or r.first
        more = f"; {TRY_PREDICT}" if last.status == HARDLY_GRINDS else ""
        return [f"{lead}: that cannot work. {capital(r.reason)}{more}."]
    one, two = (_pass_time(c) for c in (r.first, r.second))
    text = f"{lead}: a kilogram takes {one} and then {two}, {_said(r, 'time_s_kg', 0)} in all, and "
    text += f"{_said(r, 'gross_J_kg', 0)} from the socket; x50 = {_said(r, 'x50_m', 0)}, {_fines(r, 0)}."
    if r.code == OVER:
        text += " It takes less than the rate asked for, so this is at the most it takes."
    return [text, *verdict(r), _one_pass(r), _margins(r.first, "first"), _margins(r.second, "second")]


def verdict(r: Passes) -> list[str]:
    """Whether two passes pay, in each of what less of is better: by the draws where there are any, else by the figures
    of the plausible mill."""
    if r.reference is None or r.reference.code == CANNOT:
        return []
    pays = {n: _chance(r, n) for n in PAYS}
    yes, no = ([_odds(r, n) for n, x in pays.items() if (x > 0.5) is more] for more in (True, False))
    likely = "likelier than not in" if r.counted else "in"
    text = f"{likely} {join_words(yes)}" if yes else f"{'likely ' if r.counted else ''}in nothing"
    text += f"; not in {join_words(no, 'or')}" if no else ""
    beside = "one pass as fine" if r.matched else "that one pass"
    none = f", for none of {r.draws} draws runs in both" if r.draws else ", without draws"
    how = f"by {r.counted} draws, all three off alike in each" if r.counted else f"by the figures alone{none}"
    return [f"Do two passes pay beside {beside}? {capital(text)}, {how}."]


def _chance(r: Passes, name: str) -> float:
    """Share of the draws in which two passes have less; without draws 1 or 0, by the plausible mill."""
    return r.pays[name] if r.counted else float(r.two[name] < r.one[name])


def _odds(r: Passes, name: str) -> str:
    """ "energy (chance 72 %)"; without draws there is no chance to tell."""
    return f"{_IN[name]} (chance {100.0 * r.pays[name]:.0f} %)" if r.counted else _IN[name]


def _shown(r: Passes, name: str, of: int) -> Shown:
    low, high = r.ends[name][of] if r.ends else (math.nan, math.nan)
    value = (r.two, r.one)[of][name]
    return Shown(Scalar(value, ROWS[name][1], ROWS[name][0], low=low, high=high))


def _said(r: Passes, name: str, of: int) -> str:
    s = _shown(r, name, of)
    band = f" (80 % band {s.band} {s.unit})" if s.band and not s.fixed else ""
    return f"{s.value} {s.unit}{band}".strip()


def _pass_time(c: Circuit | None) -> str:
    assert c is not None
    return plain(1.0 / c.total_kg_s, "s")


def _fines(r: Passes, of: int) -> str:
    return f"{digits(100.0 * (r.two, r.one)[of]['fines_share'], 2)} % finer than {FINES_M * 1e6:.0f} µm"


def _one_pass(r: Passes) -> str:
    """The one pass that stands beside, and how it was made as fine."""
    c = r.reference
    if c is None or c.code == CANNOT:
        return "One pass of the mill as the second pass has it cannot work: it takes two."
    hole = f"holes of {plain(r.hole_m, 'm', 2)}"
    sold = stock_hole(r.hole_m)
    if abs(math.log(sold / r.hole_m)) > SOLD:
        hole += f" (reckoned; {plain(sold, 'm', 3)} is the nearest that is sold)"
    like = f"as fine, with {hole}" if r.matched else f"with {hole}, which no hole that was tried makes as fine"
    return (
        f"One pass of the mill as the second pass has it, {like}: {_said(r, 'time_s_kg', 1)} and "
        f"{_said(r, 'gross_J_kg', 1)} for a kilogram, {_said(r, 'warmest_K', 1)} at the outlet, {_fines(r, 1)}."
    )


def _margins(c: Circuit | None, name: str) -> str:
    """What limits a pass, and what comes next."""
    assert c is not None
    nearest = [x for x in margins(c) if x[0] not in (c.binding, "grinding")][:1]
    load = dict(margins(c))[c.binding]
    holds = "limits it" if load > 0.98 else f"comes nearest, at {number(100.0 * load, 0)} % of its limit"
    rest = f"; next {binds(nearest[0][0])}, at {number(100.0 * nearest[0][1], 0)} %" if nearest else ""
    text = f"The {name} pass: {plain(c.total_kg_s, 'kg/s', 3)} of powder with x50 {plain(c.x50_m, 'm', 3)} at "
    return f"{text}{celsius(c.outlet_temperature_K)}; {binds(c.binding)} {holds}{rest}."


def figure_table(r: Passes) -> list[str]:
    """Lines: every figure of two passes and of one, with bands."""
    rows = []
    for name, (words, _) in ROWS.items():
        cells = []
        for of in (0, 1):
            s = _shown(r, name, of)
            finite = math.isfinite((r.two, r.one)[of][name])
            cells += [f"{s.value} {s.unit}".strip() if finite else "none", s.band if not s.fixed else ""]
        rows.append((words, *cells))
    return table(("", "two passes", "80 % band", "one pass", "80 % band"), rows)


def _rests_on(config: Config, r: Passes) -> list[str]:
    said = [
        f"The powder has cooled to {celsius(config.feed.temperature_K)} between the passes, and none is lost "
        "(assumed). Carrying it back and setting the mill anew are not counted. Each pass begins with a clean sieve."
    ]
    if r.draws:
        said.append(f"Bands: 80 % of {r.draws} {DRAWN}.")
    else:
        said.append("No band was run, so take these numbers as one guess among many.")
    if config.calibration is None:
        said.append("Nothing here is measured on your mill.")
    return said


def passes_json(config: Config, keys: tuple[str, ...], r: Passes) -> dict:
    """The answer as plain JSON types in SI; null where there is nothing."""
    figures = {
        n: {
            "words": words, "unit": unit, "two": r.two.get(n), "one": r.one.get(n),
            "two_band": r.ends[n][0] if r.ends else None, "one_band": r.ends[n][1] if r.ends else None,
        }
        for n, (words, unit) in ROWS.items()
    }  # fmt: skip
    circuits = {"first": r.first, "second": r.second, "one_pass": r.reference}
    status = (r.second or r.first).status
    return {
        "status": status, "reason": r.reason, "mill": config.name, "config_sha256": config.sha256,
        "second_keys": list(keys), "figures": jsonable(figures), "pays": jsonable(r.pays),
        **picked(r, "draws counted hole_m matched"),
        **{n: of_circuit(c) if c is not None else None for n, c in circuits.items()},
    }  # fmt: skip
