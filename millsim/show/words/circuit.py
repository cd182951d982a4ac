"""Closed circuits and lines of two mills in plain words, as tables and as JSON."""

import math
from dataclasses import dataclass, replace

import numpy as np

from ...base.quantities.scalar import Scalar
from ...base.quantities.written import Shown, capital, digits, table, wrap
from ...mill.config.mill import Config
from ...record.limits import CANNOT, HARDLY_GRINDS, OVER, TRY_PREDICT
from ...record.outputs import OF_A_CIRCUIT, OUTPUTS, shown
from ...studies.circuit.band import CircuitBand
from ...studies.circuit.line import ASKED, FIRST, Line
from ...studies.circuit.turns import Circuit
from .heat import binds, celsius, plain
from .json import jsonable, picked
from .parameters import DRAWN
from .short import Short, said

FIGURES = OF_A_CIRCUIT | {  # by name in Circuit
    key: OUTPUTS[key]
    for key in ("gross_J_kg", "net_J_kg", "outlet_temperature_K", "holdup_kg", "x10_m", "x50_m", "x90_m")
}
NOTHING = 1e-9  # circulating load that is none
MUCH = 2.0  # circulating load worth a word
TRADE = "vibratory screens are said to pass 85 to 95 % of it (common practice, no source)"
SHOWS = "every figure with its band, and what the answer rests on"
_NO_BAND = "No band was run, so take these numbers as one guess among many."


@dataclass(frozen=True)
class CircuitAnswer:
    """A mill with a sieve, the oversize set aside and returned, each with its band where draws were run."""

    config: Config
    aside: Circuit
    closed: Circuit
    aside_band: CircuitBand | None
    closed_band: CircuitBand | None
    seed: int
    efficiency_given: bool

    @property
    def draws(self) -> int:
        """Parameter draws behind the bands."""
        return self.closed_band.ok.size if self.closed_band else 0


def scalar(c: Circuit, name: str, band: CircuitBand | None = None) -> Scalar:
    """A figure of a circuit with its band."""
    low, high = band.ends(name) if band else (math.nan, math.nan)
    return Scalar(float(getattr(c, name)), FIGURES[name].si, FIGURES[name].about, low=low, high=high)


def _shown(c: Circuit, name: str, band: CircuitBand | None = None) -> Shown:
    """A figure as it reads everywhere."""
    return Shown(replace(scalar(c, name, band), unit=FIGURES[name].unit))


def _plain(key: str, value: float) -> str:
    """An output of a mill or a line of mills, without a band."""
    return str(shown(key, Scalar(value, OUTPUTS[key].si, "")))


def circuit_text(a: CircuitAnswer) -> str:
    """The answer for people."""
    lines = [line for s in sentences(a) if s for line in wrap(s)]
    lines += ["", *figure_table(a), ""]
    return "\n".join([*lines, *(line for s in rests_on(a) for line in wrap(s))]) + "\n"


def circuit_short(a: CircuitAnswer) -> Short:
    """The same sentences without the table and what it rests on."""
    return Short(tuple(said(s, n) for n, s in enumerate(sentences(a))), SHOWS)


def sentences(a: CircuitAnswer) -> list[str]:
    """How much, beside setting aside, what goes round, what binds, how fine, how sure."""
    if a.closed.code == CANNOT:
        return [_lead(a), _aside(a) if a.aside.code != CANNOT else ""]
    return [_lead(a), _aside(a), _round(a), _binds(a), _fine(a)]


def _sieve(c: Circuit) -> str:
    return f"{plain(c.aperture_m, 'm', 3)} sieve"


def _band(s: Shown) -> str:
    """ "80 % band 4.1 to 6.0 kg/h"; nothing without one, or where a limit fixes it."""
    return f"80 % band {s.band} {s.unit}".strip() if s.band and not s.fixed else ""


def _said(c: Circuit, name: str, band: CircuitBand | None) -> str:
    s = _shown(c, name, band)
    return f"{s.value} {s.unit}".strip() + (f" ({_band(s)})" if _band(s) else "")


def _value(c: Circuit, name: str, band: CircuitBand | None) -> str:
    """As `_said` with no band told, rounded as the band allows."""
    s = _shown(c, name, band)
    return f"{s.value} {s.unit}".strip()


def _lead(a: CircuitAnswer) -> str:
    c, name = a.closed, capital(a.config.name)
    lead = f"{name} closed with a {_sieve(c)}, oversize returned"
    if c.code == CANNOT:
        none = "" if a.aside.code == CANNOT else " once it is full of oversize, and what goes back grows without bound"
        more = f"; {TRY_PREDICT}" if c.status == HARDLY_GRINDS else ""
        return f"{lead}: that cannot work, {c.reason}{none}{more}."
    rate, energy = _said(c, "accepted_kg_s", a.closed_band), _said(c, "gross_J_kg", a.closed_band)
    at = f"at {energy} from the socket and {_said(c, 'outlet_temperature_K', a.closed_band)} at the outlet"
    fine = f"powder finer than {plain(c.aperture_m, 'm', 3)}"
    if c.code == OVER and a.config.feed.rate_kg_s is not None:
        asked = plain(a.config.feed.rate_kg_s, "kg/s", 3)
        return f"{lead}, cannot take the {asked} of fresh feed asked for: at most about {rate} of {fine}, {at}."
    if a.config.feed.rate_kg_s is not None:
        return f"{lead}, gives as fed {_value(c, 'accepted_kg_s', a.closed_band)} of {fine}, {at}."
    return f"{lead}, makes about {rate} of {fine}, {at}."


def _aside(a: CircuitAnswer) -> str:
    o = a.aside
    if o.code != CANNOT and o.oversize_kg_s <= NOTHING * o.total_kg_s:
        return ""
    rate, energy = _said(o, "accepted_kg_s", a.aside_band), _said(o, "gross_J_kg", a.aside_band)
    if o.code == CANNOT:
        same = "" if o.reason == a.closed.reason else f": {o.reason}"
        return f"With the oversize set aside it does not work either{same}."
    lost = f"{digits(100 * (1 - o.yield_share), 2)} % of the feed is then left over as oversize"
    text = f"With the oversize set aside, through the mill once: {rate} accepted, at {energy}; {lost}"
    return f"{text}, {_value(o, 'oversize_kg_s', a.aside_band)}."


def _round(a: CircuitAnswer) -> str:
    c = a.closed
    if c.circulating_load <= NOTHING:
        limit = a.config.sieve.hole_m / a.config.material.value("shape")
        return (
            f"The sieve sends nothing back: pieces that pass the mill's holes are at most {plain(limit, 'm', 3)}, so "
            "closing the circuit changes nothing."
        )
    band = _band(_shown(c, "circulating_load", a.closed_band))
    load = _value(c, "circulating_load", a.closed_band) + (f", {band}" if band else "")
    text = (
        f"For each kilogram of fresh feed {plain(c.circulating_load, 'kg', 3)} goes back (circulating load {load}), "
        f"so a piece goes through the mill {digits(1 + c.circulating_load, 3)} times on average"
    )
    if c.gross_J_kg > a.aside.gross_J_kg:
        text += ", and each time costs energy: per kilogram accepted that is more than with the oversize set aside, "
        text += "but nothing is left over"
    text += "."
    if c.circulating_load > MUCH:
        text += " That is much to carry: finer holes in the mill send less back; try --set sieve.hole."
    return text


def _binds(a: CircuitAnswer) -> str:
    c = a.closed
    text = f"All that goes through the mill, fresh and returned, is {_value(c, 'total_kg_s', a.closed_band)}"
    if a.config.feed.rate_kg_s is not None and c.code != OVER:
        return f"{text}; no limit is reached at this rate, {binds(c.binding)} would be first."
    return f"What limits it: {binds(c.binding)}. {text}."


def _fine(a: CircuitAnswer) -> str:
    x50, x90 = (_said(a.closed, n, a.closed_band) for n in ("x50_m", "x90_m"))
    before = _value(a.aside, "x50_m", a.aside_band) if a.aside.code != CANNOT else ""
    beside = f" Set aside, x50 of what passes would be {before}." if before else ""
    return f"How fine: half of the accepted powder is finer than x50 = {x50}, 90 % than x90 = {x90}.{beside}"


def _cell(c: Circuit, name: str, band: CircuitBand | None) -> tuple[str, str]:
    s = _shown(c, name, band)
    if not math.isfinite(float(getattr(c, name))) or (c.code == CANNOT and name.endswith("kg_s")):
        return "none", ""
    return f"{s.value} {s.unit}".strip(), s.band if not s.fixed else ""


def figure_table(a: CircuitAnswer) -> list[str]:
    """Lines: every figure with the oversize set aside and returned, and the bands."""
    rows = []
    for name, output in FIGURES.items():
        aside, aside_band = _cell(a.aside, name, a.aside_band)
        back, back_band = _cell(a.closed, name, a.closed_band)
        if name == "circulating_load":
            aside, aside_band = "none", ""
        rows.append((output.name, aside, aside_band, back, back_band))
    rows.append(("limits it or comes nearest", a.aside.binding, "", a.closed.binding, ""))
    return table(("", "set aside", "80 % band", "returned", "80 % band"), rows)


def rests_on(a: CircuitAnswer) -> list[str]:
    """What the answer rests on."""
    c = a.closed
    said = [
        "Energies are per kilogram of accepted powder.",
        f"{_cut(c, a.efficiency_given)}; {TRADE}. Sizes are sieve sizes, so it cuts at its aperture.",
        f"What goes back is taken to have cooled to the feed's {celsius(a.config.feed.temperature_K)} (assumed). What "
        "the sieve itself draws is not counted.",
    ]
    if a.closed_band is not None and a.draws:
        works = a.closed_band.runs_share
        not_all = f" In {digits(100 * works, 3)} % of them the closed circuit works." if works < 1.0 else ""
        failed = int(np.count_nonzero(~a.closed_band.ok))
        lost = f" Left out: {failed} that did not settle." if failed else ""
        said.append(f"Bands: 80 % of {a.draws} {DRAWN}.{not_all}{lost}")
    else:
        said.append(_NO_BAND)
    if a.config.calibration is None:
        said.append("Nothing here is measured on your mill.")
    if c.code != CANNOT:
        said.append(
            f"Steady state found in {c.turns} turns: one more would change mixture and rate by {c.residual:.1g}; "
            f"accepted over fresh feed is 1 to {abs(c.accepted_kg_s / c.fresh_kg_s - 1.0):.1g}."
        )
    return said


def _cut(c: Circuit, given: bool) -> str:
    """How sharp the sieve is, and whether anyone said so."""
    eta = digits(100 * c.efficiency, 3)
    if given:
        return f"The sieve passes {eta} % of what is finer than its aperture (given) and nothing coarser"
    return f"The sieve is taken as sharp: it passes {eta} % of what is finer than its aperture (assumed)"


def circuit_json(a: CircuitAnswer) -> dict:
    """The answer as plain JSON types in SI; null where there is nothing."""
    return {
        "status": a.closed.status, "mill": a.config.name, "config_sha256": a.config.sha256,
        **picked(a.closed, "aperture_m efficiency"), "efficiency_basis": "given" if a.efficiency_given else "assumed",
        **picked(a, "draws seed"), "set_aside": of_circuit(a.aside, a.aside_band),
        "returned": of_circuit(a.closed, a.closed_band),
    }  # fmt: skip


def of_circuit(c: Circuit, band: CircuitBand | None = None) -> dict:
    """One circuit as JSON types: figures with unit, words and band, then the curves."""
    figures = {}
    for name, output in FIGURES.items():
        s = scalar(c, name, band)
        figures[name] = {"unit": s.unit, "words": output.name} | picked(s, "value low high")
    curves = picked(c, "edges_m accepted_q3 returned_q3 mill_feed_q3")
    return picked(c, "status reason binding closed") | {"figures": figures} | curves | picked(c, "residual turns")


# --- two mills in a row ---


def line_short(first: Config, second: Config, r: Line) -> Short:
    """The sentences on a line of two mills, without the table and what it rests on."""
    return Short(tuple(said(s, n) for n, s in enumerate(line_sentences(first, second, r))), SHOWS)


def line_sentences(first: Config, second: Config, r: Line) -> list[str]:
    """How much, which mill limits it, energy, how fine."""
    lead, two = [_line_lead(first, second, r)], r.second
    if two is None or r.code == CANNOT:
        return lead
    return [*lead, _line_binds(r, two), _line_energy(r, two), _line_fine(r, two)]


def line_text(first: Config, second: Config, r: Line, efficiency_given: bool) -> str:
    """A line of two mills for people; efficiency_given: by the user, of the sieve after the second mill."""
    said = line_sentences(first, second, r)
    if r.second is None or r.code == CANNOT:
        return "\n".join(line for s in said for line in wrap(s)) + "\n"
    lines = [line for s in said for line in wrap(s)] + ["", *line_table(r, r.second), ""]
    tail = [
        "The powder of the first mill is the feed of the second as it is, with no curve fitted, cooled on its way to "
        f"the {celsius(second.feed.temperature_K)} of the second's config (assumed). Feed size and rate in the second "
        "config are not used."
    ]
    if r.second.closed:
        tail.append(
            "The sieve stands after the second mill and its oversize goes back there. "
            f"{_cut(r.second, efficiency_given)}; {TRADE}. A way back to the first mill is not computed."
        )
    tail += [_NO_BAND + " Bands of each mill: millsim predict."]
    return "\n".join([*lines, *(line for s in tail for line in wrap(s))]) + "\n"


def _line_lead(first: Config, second: Config, r: Line) -> str:
    lead = f"{capital(first.name)}, then {second.name}"
    if r.code == CANNOT:
        return f"{lead}: this line cannot run. {capital(r.reason)}."
    rate, energy = _plain("throughput_kg_s", r.accepted_kg_s), _plain("gross_J_kg", r.gross_J_kg)
    made = f"{rate} of powder at {energy} from the socket"
    if r.code == OVER and first.feed.rate_kg_s is not None:
        asked = plain(first.feed.rate_kg_s, "kg/s", 3)
        return f"{lead}: the line cannot take the {asked} asked for; it makes at most about {made}, both mills counted."
    about = "makes as fed" if r.binds == ASKED else "makes about"
    return f"{lead}: the line {about} {made}, both mills counted."


def _line_binds(r: Line, second: Circuit) -> str:
    alone, rate = _plain("throughput_kg_s", r.first_alone_kg_s), _plain("throughput_kg_s", r.rate_kg_s)
    if r.binds == ASKED:
        return f"Neither mill limits the {rate} asked for."
    if r.binds == FIRST:
        return (
            f"The first mill limits it ({binds(r.first.binding)}): the second takes all of the {alone} that it gives."
        )
    takes = _plain("throughput_kg_s", r.second_takes_kg_s)
    return (
        f"The second mill limits it ({binds(second.binding)}): the first would give {alone}, but of that powder the "
        f"second takes {takes}. So the first is fed less; its powder is then another one, of which the second takes "
        f"{rate}, found as the rate at which both agree. A smaller first mill would do."
    )


def _line_energy(r: Line, second: Circuit) -> str:
    mills = (r.first, second)
    one, two = (_plain("gross_J_kg", c.electrical_W / r.accepted_kg_s) for c in mills)
    warm = " and ".join(_plain("outlet_temperature_K", c.outlet_temperature_K) for c in mills)
    return (
        f"Of the energy the first mill takes {one}, the second {two}, per kilogram of powder of the line. Their "
        f"powders leave at {warm}."
    )


def _line_fine(r: Line, two: Circuit) -> str:
    one = r.first
    text = f"The first makes x50 = {_plain('x50_m', one.x50_m)} of it, the second x10 / x50 / x90 = "
    return text + " / ".join(_plain(key, getattr(two, key)) for key in ("x10_m", "x50_m", "x90_m")) + "."


def line_table(r: Line, second: Circuit) -> list[str]:
    """Lines: the figures of both mills beside each other, energies per kg of the line's powder in the last column."""
    rows = []
    for name, output in FIGURES.items():
        if not second.closed and name in ("total_kg_s", "oversize_kg_s", "yield_share", "circulating_load"):
            continue
        sieve = name in ("oversize_kg_s", "yield_share", "circulating_load")
        one = "" if sieve else _cell(r.first, name, None)[0]
        both = _plain("gross_J_kg", r.gross_J_kg) if name == "gross_J_kg" else ""
        rows.append((output.name, one, _cell(second, name, None)[0], both))
    rows.append(("limits it or comes nearest", r.first.binding, second.binding, ""))
    return table(("", "first mill", "second mill", "both"), rows)


def line_json(first: Config, second_sha256: str, second: Config, r: Line) -> dict:
    """A line as plain JSON types in SI; second_sha256: hash of the second config with the powder it is fed."""
    mills = {"mills": [first.name, second.name], "config_sha256": [first.sha256, second_sha256]}
    rates = picked(r, "rate_kg_s first_alone_kg_s second_takes_kg_s accepted_kg_s gross_J_kg")
    both = {"first": of_circuit(r.first), "second": of_circuit(r.second) if r.second else None}
    aperture = {"aperture_m": jsonable(r.second.aperture_m) if r.second else None}
    return picked(r, "status reason binds") | mills | rates | both | picked(r, "residual turns") | aperture
