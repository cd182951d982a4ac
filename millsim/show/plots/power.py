"""Figures of power, heat and torque. Imports matplotlib."""

import math
from textwrap import fill

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, NullFormatter

from ...base.quantities.written import balance_words, digits, percent
from ...record.asked import batch_of
from ...record.heatlimit import of_prediction
from ...record.outputs import figure as figure_of
from ...record.prediction import ChamberTrace, Prediction
from ..words.advice import room_K
from ..words.stalls import begun, fed_words, figure_words
from ..words.tables import ledger_name, ledger_watts
from .style import BLACK, BLUE, GREY, ORANGE, RED, SKY, new_figure, plain_style, say


def energy_ledger(p: Prediction) -> Figure:
    """What the shaft puts in, by cause, above what becomes of it; both sums and whether they agree."""
    with plain_style():
        figure, (axes,) = new_figure(p, "Where the shaft power goes")
        rows = _ledger_rows(p)
        positions = np.cumsum([1.0 if not gap else 1.8 for *_, gap in rows])
        scale = max([abs(watts) for _, watts, *_ in rows], default=0.0) or 1.0
        total, out = (sum(s.value for s in x.values()) for x in (p.main.ledger_in_W, p.main.ledger_out_W))
        for y, (_, watts, color, hatch, _) in zip(positions, rows, strict=True):
            axes.barh(y, watts, height=0.74, color=color, hatch=hatch, edgecolor=BLACK, lw=0.8)
            text = _watts(watts, total)
            axes.text(max(watts, 0.0) + 0.012 * scale, y, text, va="center", fontsize=9.5)
        axes.set_yticks(positions, [label for label, *_ in rows])
        for tick, (_, _, color, *_) in zip(axes.get_yticklabels(), rows, strict=True):
            tick.set_fontweight("bold" if color in (BLUE, ORANGE) else "normal")
        axes.invert_yaxis()
        axes.grid(axis="y", visible=False)
        axes.tick_params(axis="y", length=0)
        axes.set_xlabel(f"Shaft power / W\n{balance_words(total, out)}")
        axes.set(xlim=(min(0.0, *(w for _, w, *_ in rows), 0.0), 1.28 * scale))
        return figure


def temperature(p: Prediction) -> Figure:
    """Outlet temperature from a cold start, with the room and the limit where the powder sticks."""
    with plain_style():
        batch = batch_of(p) is not None
        words = "of the batch over time" if batch else "at the outlet while the casing warms up"
        figure, (axes,) = new_figure(p, f"How warm: temperature {words}", banded=_banded(p))
        factor, unit = _time_unit(p.warmup_time_s)
        time, celsius = p.warmup_time_s * factor, p.warmup_temperature_K - 273.15
        if not np.isfinite(celsius).any():
            say(axes, "no warm-up was calculated")
            return figure
        room = room_K(p) - 273.15
        low, high = min(room, float(np.nanmin(celsius))), float(np.nanmax(celsius))
        low, high = _outlet_band(axes, p, time[-1], low, high)
        low, high, above = _limit_line(axes, p.temperature_limit_K - 273.15, low, high)
        _advised_line(axes, p, low, high)
        axes.axhline(room, color=GREY, ls=":", lw=1.4)
        _name(axes, f"room {room:.0f} °C", (0.99, room), (0, -5), "top", GREY, axes.get_yaxis_transform())
        axes.plot(time, celsius, color=BLUE, lw=2.6)
        hottest, outlet = int(np.nanargmax(celsius)), figure_of(p.main.scalars, "outlet_temperature_K")
        for k in {hottest, celsius.size - 1} if batch else {celsius.size - 1}:
            up = k == hottest if batch else False
            side = "left" if time[k] < 0.5 * time[-1] else "right"
            shift = (8 if side == "left" else -4, 0 if up else 7 if batch else -7)
            va = "center" if up else "bottom" if batch else "top"
            text = outlet.like(p.warmup_temperature_K[k]) if outlet else f"{celsius[k]:.0f} °C"
            _name(axes, text, (time[k], celsius[k]), shift, va, BLUE, axes.transData, side)
        margin = 0.1 * (high - low)
        axes.set(xlim=(0, max(time[-1], 1e-3)), ylim=(low - margin, high + (1.6 if above else 1.0) * margin))
        note = "" if batch else "\nthe charge itself warms within seconds, before this picture begins"
        axes.set(xlabel=f"Time since start / {unit}{note}", ylabel="Temperature / °C")
        return figure


def _banded(p: Prediction) -> bool:
    """Whether the outlet has a band that belongs to the end of the curve: not of a batch, whose peak it is."""
    s = p.main.scalars.get("outlet_temperature_K")
    return batch_of(p) is None and s is not None and bool(np.isfinite([s.low, s.high]).all()) and s.high > s.low


def _outlet_band(axes: Axes, p: Prediction, end: float, low: float, high: float) -> tuple[float, float]:
    """The band of the outlet, where one was run, as a bar at the end of the curve; the range to show with it."""
    if not _banded(p):
        return low, high
    s = p.main.scalars["outlet_temperature_K"]
    bottom, top = s.low - 273.15, s.high - 273.15
    look = {"color": SKY, "alpha": 0.7, "lw": 0, "zorder": 1.8}
    axes.fill_betweenx([bottom, top], 0.985 * end, end, **look)
    text = f"{100 * p.band_level:.3g} % band at the end: {bottom:.0f} to {top:.0f} °C"
    _name(axes, text, (0.98 * end, top), (-4, 0), "top", BLUE, axes.transData)
    return min(low, bottom), max(high, top)


def _advised_line(axes: Axes, p: Prediction, low: float, high: float) -> None:
    """What is advised below a card's sticking point, where that is in the picture."""
    limit = of_prediction(p)
    at = limit.advised_K - 273.15
    if limit.is_card and low < at < high:
        axes.axhline(at, color=RED, ls="-.", lw=1.2)
        _name(
            axes, f"advised at most {at:.0f} °C", (0.02, at), (0, 4), "bottom", RED, axes.get_yaxis_transform(), "left"
        )


def _limit_line(axes: Axes, limit: float, low: float, high: float) -> tuple[float, float, bool]:
    """Draw the temperature limit, or say that it is far away; range to show, and if the limit is in it."""
    if not math.isfinite(limit):
        return low, max(high, low + 5.0), False
    if limit - high > 30 + 4 * (high - low):
        text = f"limit {limit:.0f} °C, far above this picture"
        _name(axes, text, (0.015, 1.0), (0, -6), "top", RED, axes.transAxes, "left")
        return low, max(high, low + 5.0), True
    axes.axhspan(limit, limit + 1000, facecolor="none", edgecolor=ORANGE, hatch="///", alpha=0.5, lw=0)
    axes.axhline(limit, color=RED, ls="--", lw=2.0)
    place = axes.get_yaxis_transform()
    _name(axes, f"limit {limit:.0f} °C", (0.35, limit), (0, 5), "bottom", RED, place, "center")
    return min(low, limit), max(high, limit, low + 5.0), True


def _name(
    axes: Axes, text: str, at: tuple, shift: tuple, va: str, color: str, frame: object, ha: str = "right"
) -> None:
    """A label on white beside a line."""
    box = {"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 1.0}
    style = {"textcoords": "offset points", "fontsize": 11, "zorder": 6, "bbox": box}
    axes.annotate(text, at, xycoords=frame, xytext=shift, ha=ha, va=va, color=color, **style)


def _time_unit(time_s: np.ndarray) -> tuple[float, str]:
    """Factor and name of the unit of a time axis: seconds up to three minutes, else minutes."""
    return (1.0, "s") if not len(time_s) or time_s[-1] <= 180 else (1 / 60, "min")


def torque_speed(p: Prediction) -> Figure:
    """One run of the chamber with single pieces: torque, speed, pieces over time; stalls in words."""
    with plain_style():
        start = f" {begun(p.trace)}, {fed_words(p)}" if p.trace is not None else ""
        title = f"How it runs{start}"
        figure, panels = new_figure(p, title, 3, (3, 2, 1.6), notes=1)
        trace = p.trace
        if trace is None or not len(trace.time_s):
            say(panels[0], "the chamber mode was not run")
            return figure
        factor, unit = _time_unit(trace.time_s)
        time, runs = trace.time_s * factor, trace.speed_rad_s > 0
        torque, speed, pieces = panels
        _torque_panel(torque, time, trace, runs)
        speed.plot(time, np.where(runs, trace.speed_rad_s * 30 / math.pi, np.nan), color=BLUE, lw=1.4)
        speed.set(ylabel="Speed / rpm")
        _calm_speed_axis(speed)
        pieces.fill_between(time, trace.pieces, step="mid", color=SKY, alpha=0.6, lw=0)
        pieces.plot(time, trace.pieces, color=BLACK, lw=0.6, drawstyle="steps-mid")
        pieces.set(ylabel="Pieces / 1", ylim=(0, 1.1 * _highest(trace.pieces)), xlim=(0, max(time[-1], 1e-6)))
        pieces.set_xlabel(f"Time since start / {unit}\n" + "\n".join(fill(told, 96) for told in figure_words(trace)))
        if not runs.all():
            _mark_stall(panels, time[np.nonzero(~runs)[0][0]])
        figure.align_ylabels(panels)
        return figure


def _torque_panel(axes: Axes, time: np.ndarray, trace: ChamberTrace, runs: np.ndarray) -> None:
    """Mean torque, the highest of each interval, what the motor gives; logarithmic where they differ tenfold."""
    peak, mean = (np.where(runs, v, np.nan) for v in (trace.peak_torque_Nm, trace.torque_Nm))
    axes.plot(time, peak, color=ORANGE, lw=1.1, label="highest")
    axes.plot(time, mean, color=BLACK, lw=1.6, label="mean")
    lowest, highest = _lowest(mean), max(_highest(peak), _motor_lines(axes, trace))
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 0.99), ncols=4, frameon=False, columnspacing=1.4)
    if lowest > 0 and highest > 10 * _highest(mean):
        bottom = 0.5 * float(np.nanpercentile(mean, 2))
        axes.set(yscale="log", ylabel="Torque / N m", ylim=(bottom, 2 * highest))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axes.yaxis.set_minor_formatter(NullFormatter())
    else:
        axes.set(ylabel="Torque / N m", ylim=(min(0.0, lowest), 1.15 * highest))


def _motor_lines(axes: Axes, trace: ChamberTrace) -> float:
    """What the motor gives at its full speed, for long and for a moment; the higher of the two, 0 where not known."""
    if not math.isfinite(trace.overload_torque_Nm):
        return 0.0
    for torque, words, dashes in (
        (trace.rated_torque_Nm, "motor rated", ":"),
        (trace.overload_torque_Nm, "overload", "--"),
    ):
        axes.axhline(torque, color=RED, ls=dashes, lw=1.3, label=f"{words} {digits(torque, 2)} N m")
    return trace.overload_torque_Nm


def _mark_stall(panels: list[Axes], time: float) -> None:
    """Hatch what comes after the rotor stopped or the chamber was full."""
    for axes in panels:
        axes.axvspan(time, axes.get_xlim()[1], facecolor="none", edgecolor=RED, hatch="///", alpha=0.35, lw=0)
        axes.axvline(time, color=RED, ls="--", lw=1.6)
    right = time > 0.6 * panels[0].get_xlim()[1]
    place, shift = panels[1].get_xaxis_transform(), (-6 if right else 6, 0)
    _name(panels[1], "stalled or choked", (time, 0.5), shift, "center", RED, place, "right" if right else "left")


def _ledger_rows(p: Prediction) -> list[tuple[str, float, str, str, bool]]:
    """Label, watts, colour, hatch and whether a gap comes before, for every bar."""
    rows = []
    for words, ledger, color, hatch in (
        ("Sum in", p.main.ledger_in_W, BLUE, ""),
        ("Sum out", p.main.ledger_out_W, ORANGE, "//"),
    ):
        gap = bool(rows)
        rows.append((words, sum(s.value for s in ledger.values()), color, hatch, gap))
        pale = {BLUE: "#bcdcf2", ORANGE: "#f7dfae"}[color]
        terms = sorted(((ledger_name(k), s.value) for k, s in ledger.items() if s.value != 0), key=lambda x: -x[1])
        rows += [(name, watts, pale, hatch, False) for name, watts in terms]
    return rows


def _watts(watts: float, total: float) -> str:
    """Watts and their share."""
    share = f"  ({percent(watts / total)})" if total > 0 and not 0 < watts < 0.05 else ""
    return f"{ledger_watts(watts, total)} W{share}"


def _calm_speed_axis(axes: Axes) -> None:
    """At least 2 % of the speed from bottom to top, so that a hum does not look like a fall."""
    low, high = axes.get_ylim()
    room = max(0.0, 0.02 * high - (high - low)) / 2
    axes.set_ylim(low - room, high + room)
    axes.ticklabel_format(axis="y", useOffset=False, style="plain")


def _highest(values: np.ndarray) -> float:
    finite = values[np.isfinite(values)]
    return float(finite.max()) if finite.size and finite.max() > 0 else 1.0


def _lowest(values: np.ndarray) -> float:
    finite = values[np.isfinite(values)]
    return float(finite.min()) if finite.size else 0.0
