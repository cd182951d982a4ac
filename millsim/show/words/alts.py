"""What a figure says, in words, for those who do not see it: the message with its numbers, not the look."""

import math

import numpy as np

from ...base.numerics import psd
from ...base.quantities.written import digits, duration, join_words, number, percent, shown_unit
from ...mill.config.mill import Config
from ...record.asked import batch_of, feed_size
from ...record.outputs import OUTPUTS, figure
from ...record.prediction import Prediction
from ...studies.drawing import edge_words
from .advice import band_name, room_K
from .stalls import begun, figure_words
from .tables import ledger_name, ledger_watts


def alt_text(p: Prediction, name: str) -> str:
    """The alternative text of one of the figures of `plots.FIGURES`."""
    return _ALTS[name](p)


def cumulative_alt(p: Prediction) -> str:
    """Median, tenth and ninth decile of the powder beside feed and hole."""
    sizes = [_size_told(p, k) for k in ("x10_m", "x50_m", "x90_m") if figure(p.main.scalars, k)]
    if not sizes:
        return "Curve of the share by mass finer than a size: no powder is predicted."
    t = p.main.table
    through = percent(float(psd.q_at(t.edges_m, t.product_q3, p.hole_m)), 0.01)
    text = f"Curve of the share by mass finer than a size. Powder: {join_words(sizes)}. {through} of it is finer than "
    text += f"the sieve hole of {_size(p.hole_m)}. Feed: median {_size(feed_size(p, 0.5))}."
    return text + (" Points of the Monte Carlo engine lie on it." if p.other is not None else "")


def density_alt(p: Prediction) -> str:
    """The size at which most of the powder lies."""
    t = p.main.table
    if not np.isfinite(t.product_q3).all():
        return "Histogram of mass over the logarithm of size: no powder is predicted."
    dense = psd.q3_star(t.edges_m, t.product_q3)
    i = int(np.argmax(dense))
    near = f"between {_size(float(t.edges_m[i]))} and {_size(float(t.edges_m[i + 1]))}"
    ten, ninety = (figure(p.main.scalars, k) for k in ("x10_m", "x90_m"))
    most = f"; eight tenths of it lie between {ten.text} and {ninety.text}" if ten and ninety else ""
    return (
        f"Histogram of mass over the logarithm of size. The powder is densest {near}{most}, the feed around "
        f"{_size(feed_size(p, 0.5))}."
    )


def rates_alt(p: Prediction) -> str:
    """Which rate is largest for a piece as fed and for one that just fits the hole."""
    t = p.main.table
    told = []
    for words, x in (("as it is fed", feed_size(p, 0.5)), ("of half the hole", 0.5 * p.hole_m)):
        if not t.edges_m[0] <= x < t.edges_m[-1]:
            continue
        i = int(np.searchsorted(t.edges_m, x, side="right")) - 1
        rates = {"hit": t.strike_1_s[i], "broken": t.selection_1_s[i], "bitten in the nip": t.nip_1_s[i],
                 "let out through the sieve": t.escape_1_s[i]}  # fmt: skip
        said = [f"{k} {digits(float(v), 2)} times" for k, v in rates.items() if v > 1e-4]
        told.append(f"a piece {words} ({_size(x)}) is each second {join_words(said) or 'left alone'}")
    floor = f" Below {_size(p.size_floor_m)} no hit breaks a piece." if p.size_floor_m > 0 else ""
    return f"Curves of what happens to a piece per second, by size: {'; '.join(told)}.{floor}"


def ledger_alt(p: Prediction) -> str:
    """The largest terms of both sides."""
    sides = []
    for words, ledger in (("in", p.main.ledger_in_W), ("out", p.main.ledger_out_W)):
        total = sum(s.value for s in ledger.values())
        first = sorted(ledger.items(), key=lambda item: -item[1].value)[:3]
        told = join_words([f"{ledger_name(k)} {ledger_watts(s.value, total)} W" for k, s in first if s.value > 0])
        sides.append(f"{words} {ledger_watts(total, total)} W, most of it {told or 'nothing'}")
    return f"Bars of the shaft power: {'; '.join(sides)}."


def temperature_alt(p: Prediction) -> str:
    """Start, end or highest point, and the limit."""
    T, t = p.warmup_temperature_K, p.warmup_time_s
    if not len(t) or not np.isfinite(T).any():
        return "Curve of temperature over time: none was calculated."
    hottest = int(np.nanargmax(T))
    outlet = figure(p.main.scalars, "outlet_temperature_K")
    start = number(float(T[0]) - 273.15, 0)
    top = outlet.like(float(T[hottest])) if outlet else f"{number(float(T[hottest]) - 273.15, 0)} °C"
    when = f"after {duration(float(t[hottest]))}" if batch_of(p) else "in the end"
    text = f"Curve of temperature over time: it begins at {start} °C and reaches {top} {when}; the room has "
    text += f"{number(room_K(p) - 273.15, 0)} °C"
    if math.isfinite(p.temperature_limit_K):
        side = "below" if T[hottest] <= p.temperature_limit_K else "above"
        text += f". That is {side} the limit of {number(p.temperature_limit_K - 273.15, 0)} °C"
    return f"{text}."


def torque_alt(p: Prediction) -> str:
    """Mean and highest torque of the run shown, and how many runs stalled."""
    t = p.trace
    if t is None or not len(t.time_s):
        return "Curves of torque, speed and pieces over time: not run."
    ran, runs = "it stands from the first moment that is shown", t.speed_rad_s > 0
    if runs.any():
        mean, peak = float(np.nanmean(t.torque_Nm[runs])), float(np.nanmax(t.peak_torque_Nm[runs]))
        slowest = number(float(t.speed_rad_s[runs].min()) * 30 / math.pi, 0)
        ran = f"torque {digits(mean, 2)} N m on average and up to {digits(peak, 2)} N m, speed down to {slowest} rpm"
    pieces = number(float(t.pieces.max()), 0)
    text = f"Curves over {duration(float(t.time_s[-1]))} {begun(t)}: {ran}, up to {pieces} pieces."
    if math.isfinite(t.rated_torque_Nm):
        rated, overload = (digits(torque, 2) for torque in (t.rated_torque_Nm, t.overload_torque_Nm))
        text += f" The motor gives {rated} N m rated and {overload} N m for a moment."
    return f"{text} {' '.join(figure_words(t))}"


def drawing_alt(config: Config, p: Prediction) -> str:
    """The sizes a builder would check on the drawing."""
    r, s, sieve = config.rotor, config.stator, config.sieve
    tools = f"{r.bars} {'swinging hammers' if r.mount == 'swinging' else 'bars'}"
    tools = f"{r.ring_count} rings of {tools}" if r.ring_count > 1 else tools
    wall = f"{s.pins} pins of {_size(s.pin_diameter_m)}" if s.kind == "pins" else "a smooth wall"
    text = (
        f"Drawing to scale, front view and section: rotor {_size(2 * r.radius_m)} across with {tools} "
        f"{_size(r.bar_height_m)} high and {_size(r.bar_thickness_m)} thick, {edge_words(config)}; {wall} at a gap of "
        f"{_size(s.gap_m)}; {sieve.kind} with holes of {_size(sieve.hole_m)}. Enlarged beside the holes: a feed piece "
        f"of up to {_size(config.feed.size.top_m)}"
    )
    x50 = figure(p.main.scalars, "x50_m")
    return f"{text} and a grain of the powder's x50, {x50.text}." if x50 else f"{text}."


def _size_told(p: Prediction, key: str) -> str:
    """A size of the powder with its symbol and its band."""
    found = figure(p.main.scalars, key)
    if found is None:
        return f"{OUTPUTS[key].symbol} unknown"
    band = f" ({band_name(p)} {found.band})" if found.band and not found.fixed else ""
    return f"{OUTPUTS[key].symbol} {found.text}{band}"


def _size(size_m: float) -> str:
    if not math.isfinite(size_m):
        return "unknown size"
    unit, factor, _ = shown_unit(size_m, "m")
    return f"{digits(size_m * factor, 3)} {unit}"


_ALTS = {
    "size_cumulative": cumulative_alt,
    "size_density": density_alt,
    "rates": rates_alt,
    "energy_ledger": ledger_alt,
    "temperature": temperature_alt,
    "torque_speed": torque_alt,
}
