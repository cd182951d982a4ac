"""Figures of power, heat and torque. Imports matplotlib."""

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from .prediction import ChamberTrace, Prediction, Scalar
from .style import BLACK, BLUE, ORANGE, RED, SKY, new_figure, plain_style, say


def energy_ledger(p: Prediction) -> Figure:
    """What the shaft puts in, by cause, above what becomes of it; both sums and the difference in words."""
    with plain_style():
        figure, (axes,) = new_figure(p, "Where the shaft power goes")
        rows = _ledger_rows(p)
        positions = np.cumsum([1.0 if not gap else 1.8 for *_, gap in rows])
        scale = max([abs(watts) for _, watts, *_ in rows], default=0.0) or 1.0
        total = sum(s.value for s in p.main.ledger_in_W.values())
        for y, (_, watts, color, hatch, _) in zip(positions, rows, strict=True):
            axes.barh(y, watts, height=0.74, color=color, hatch=hatch, edgecolor=BLACK, lw=0.8)
            share = f"  ({watts / total * 100:.1f} %)" if total > 0 else ""
            text = f"{_watts(watts)} W{share}"
            axes.text(max(watts, 0.0) + 0.012 * scale, y, text, va="center", fontsize=9.5)
        axes.set_yticks(positions, [label for label, *_ in rows])
        for tick, (label, *_) in zip(axes.get_yticklabels(), rows, strict=True):
            tick.set_fontweight("bold" if label.startswith("Sum") else "normal")
        axes.invert_yaxis()
        axes.grid(axis="y", visible=False)
        axes.tick_params(axis="y", length=0)
        left_over = total - sum(s.value for s in p.main.ledger_out_W.values())
        axes.set_xlabel(f"Shaft power / W\nin minus out: {left_over:.1g} W")
        axes.set(xlim=(min(0.0, *(w for _, w, *_ in rows), 0.0), 1.22 * scale))
        return figure


def temperature(p: Prediction) -> Figure:
    """Warm-up of the air leaving, with the limit where the powder sticks."""
    with plain_style():
        figure, (axes,) = new_figure(p, "How warm: temperature of the air leaving, from a cold start")
        minutes, celsius = p.warmup_time_s / 60, p.warmup_temperature_K - 273.15
        if not np.isfinite(celsius).any():
            say(axes, "no warm-up was calculated")
            return figure
        axes.plot(minutes, celsius, color=BLUE, lw=2.4)
        low, high = float(np.nanmin(celsius)), float(np.nanmax(celsius))
        place = {"textcoords": "offset points", "fontsize": 11}
        end = (minutes[-1], celsius[-1])
        axes.annotate(f"{celsius[-1]:.0f} °C", end, xytext=(-4, 7), ha="right", color=BLUE, **place)
        limit = p.temperature_limit_K - 273.15
        near = math.isfinite(limit) and limit - high < 30 + 4 * (high - low)
        if near:
            high = max(high, limit)
            axes.axhspan(
                limit, limit + 1000, facecolor="none", edgecolor=ORANGE, hatch="///", alpha=0.6, lw=0
            )
            axes.axhline(limit, color=RED, ls="--", lw=2.0)
        if math.isfinite(limit):
            text = f"limit {limit:.0f} °C" if near else f"limit {limit:.0f} °C, far above this picture"
            where = (0.015, limit) if near else (0.015, 1.0)
            frame = axes.get_yaxis_transform() if near else axes.transAxes
            axes.annotate(text, where, xycoords=frame, xytext=(0, -6), va="top", color=RED, **place)
        room = 0.12 * max(high - low, 5.0)
        axes.set(xlim=(0, max(minutes[-1], 1e-3)), ylim=(low - room, high + room))
        axes.set(xlabel="Time since start / min", ylabel="Temperature / °C")
        return figure


def torque_speed(p: Prediction) -> Figure:
    """One history of the chamber with single pieces: torque, speed, pieces over time; stalls in words."""
    with plain_style():
        figure, panels = new_figure(p, "How it runs: one history with single pieces", 3, (3, 2, 1.6))
        trace = p.trace
        if trace is None or not len(trace.time_s):
            say(panels[0], "the chamber mode was not run")
            return figure
        minutes = trace.time_s / 60
        torque, speed, pieces = panels
        torque.plot(minutes, trace.peak_torque_Nm, color=ORANGE, lw=0.9, label="highest in the interval")
        torque.plot(minutes, trace.torque_Nm, color=BLACK, lw=1.6, label="mean over the interval")
        lowest, highest = min(0.0, _lowest(trace.torque_Nm)), _highest(trace.peak_torque_Nm)
        torque.set(ylabel="Torque / N m", ylim=(lowest, 1.32 * highest))
        torque.legend(loc="upper right", ncols=2)
        speed.plot(minutes, trace.speed_rad_s * 30 / math.pi, color=BLUE, lw=1.4)
        speed.set(ylabel="Speed / rpm")
        _calm_speed_axis(speed)
        pieces.fill_between(minutes, trace.pieces, step="mid", color=SKY, alpha=0.6, lw=0)
        pieces.plot(minutes, trace.pieces, color=BLACK, lw=0.6, drawstyle="steps-mid")
        pieces.set(
            ylabel="Pieces / 1", ylim=(0, 1.1 * _highest(trace.pieces)), xlim=(0, max(minutes[-1], 1e-6))
        )
        pieces.set_xlabel(f"Time since start / min\n{stall_words(trace)}")
        figure.align_ylabels(panels)
        return figure


def stall_words(trace: ChamberTrace) -> str:
    """The stall probability and its interval in a sentence."""
    length = f"{trace.duration_s / 60:.3g} min" if trace.duration_s >= 90 else f"{trace.duration_s:.3g} s"
    if trace.runs <= 0:
        return "No histories were run, so nothing is known about stalls."
    share, low, high = (100 * x for x in (trace.stalls / trace.runs, trace.stall_low, trace.stall_high))
    return (
        f"{trace.stalls} of {trace.runs} histories of {length} stalled: probability {share:.2g} % "
        f"(95 % interval {low:.2g} to {high:.2g} %)."
    )


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
        rows += [
            (k, s.value, pale, hatch, False) for k, s in sorted(ledger.items(), key=_by_watts) if s.value != 0
        ]
    return rows


def _by_watts(item: tuple[str, Scalar]) -> float:
    return -item[1].value


def _watts(watts: float) -> str:
    """Watts with a tenth below 100 W, thousandths below 0.1 W."""
    if abs(watts) >= 100:
        return f"{watts:.0f}"
    return f"{watts:.1f}" if abs(watts) >= 0.1 or watts == 0 else f"{watts:.2g}"


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
