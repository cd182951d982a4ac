"""Figures of mills side by side: all powders in one, and rate against fineness. Imports matplotlib."""

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

from ...base.quantities.written import digits, join_words, shown_unit
from ...explore.beside.mills import Beside
from ...record.outputs import axis_label
from ..words.beside import letters
from .style import BLACK, BLUE, GREEN, ORANGE, PURPLE, RED, SKY, frame, legend_below, plain_style

SIZES, RATES = "beside_sizes.png", "beside_rates.png"
_COLOURS = (BLUE, RED, GREEN, PURPLE, ORANGE, SKY, BLACK)
_LINES = ("-", "--", "-.", (0, (1, 1.2)), (0, (5, 1, 1, 1, 1, 1)), (0, (3, 1)), (0, (8, 2)))
_MARKS = "osD^vPX"
_CLOSE = 6.0  # times the lowest: an axis within which all is told needs more numbers
_BEHIND = {"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 1.0}
_NO_BARS = "Central estimates, without bands."
_BARS = "Bars: 80 % bands, with the model's own error."


def sizes(a: Beside) -> Figure:
    """Q3 of every mill's powder, with the window asked for."""
    with plain_style():
        figure, (axes,) = frame("How fine: the mills' powders", _subtitle(a), _foot(a, _NO_BARS))
        for i, (letter, m) in enumerate(zip(letters(a), a.mills, strict=True)):
            t = m.prediction.main.table
            if m.prediction.runs and np.isfinite(t.product_q3).any():
                q, x = t.product_q3 * 100, t.edges_m * 1e3
                style = {"color": _COLOURS[i % 7], "ls": _LINES[i % 7]}
                axes.plot(x, q, label=f"{letter}: {m.prediction.mill_name}", **style)
                high = 25.0 + 55.0 * (i + 0.5) / len(a.mills)  # each letter at a height of its own
                at = float(np.interp(high, q, x))
                axes.annotate(letter, (at, high), ha="center", va="center", color=style["color"], bbox=_BEHIND)
        if a.window_m:
            axes.axvspan(*(1e3 * v for v in a.window_m), color=ORANGE, alpha=0.15, lw=0, label="window asked for")
        shown = [m.prediction.main.table for m in a.mills if m.prediction.runs]
        low = min((float(np.interp(0.002, t.product_q3, t.edges_m)) for t in shown), default=1e-5)
        high = max((float(np.interp(0.999, t.product_q3, t.edges_m)) for t in shown), default=1e-3)
        axes.set(xscale="log", xlim=(0.7e3 * low, 1.4e3 * high), ylim=(0, 103), yticks=range(0, 101, 10))
        axes.set(xlabel="Particle size $x$ / mm", ylabel="Cumulative undersize by mass $Q_3$ / %")
        _plain_ticks(axes.xaxis)
        legend_below(axes, 2)
        return figure


def _has_bars(a: Beside) -> bool:
    """Whether any mill's rate has a band to draw."""
    rates = (m.prediction.main.scalars["throughput_kg_s"] for m in a.mills if m.prediction.runs)
    return any(np.isfinite(s.low) and s.low < s.high for s in rates)


def rates(a: Beside) -> Figure:
    """Rate of powder against its median, each with its band."""
    with plain_style():
        figure, (axes,) = frame("How much and how fine", _subtitle(a), _foot(a, _BARS if _has_bars(a) else _NO_BARS))
        made = [(i, m.prediction) for i, m in enumerate(a.mills) if m.prediction.runs]
        top = max((p.main.scalars["throughput_kg_s"].value for _, p in made), default=1e-4)
        unit, factor, _ = shown_unit(top, "kg/s")
        for i, p in made:
            x, y = p.main.scalars["x50_m"], p.main.scalars["throughput_kg_s"]
            if not np.isfinite(x.value):
                continue
            colour, letter = _COLOURS[i % 7], letters(a)[i]
            axes.errorbar(
                x.value * 1e3, y.value * factor, xerr=_reach(x, 1e3), yerr=_reach(y, factor), color=colour, capsize=3,
                marker=_MARKS[i % 7], ms=8, lw=1.4, ls="", label=f"{letter}: {p.mill_name}",
            )  # fmt: skip
            top = i % 2 == 0 and np.isfinite(y.high) or not np.isfinite(y.low)
            end = (y.high if top else max(y.low, 0.02 * y.value)) if np.isfinite(y.high) else y.value
            axes.annotate(
                letter, (x.value * 1e3, end * factor), xytext=(0, 9 if top else -10), textcoords="offset points",
                color=colour, fontweight="bold", ha="center", va="center", bbox=_BEHIND,
            )  # fmt: skip
        axes.set(xscale="log", yscale="log", xlabel=axis_label("x50_m", 3e-4), ylabel=f"Rate of powder / {unit}")
        axes.margins(y=0.12)
        for axis in (axes.xaxis, axes.yaxis):
            _plain_ticks(axis)
        legend_below(axes, 2)
        return figure


def _reach(s, factor: float) -> list[list[float]] | None:
    if not (np.isfinite(s.low) and np.isfinite(s.high)):
        return None
    return [[max(0.0, s.value - max(s.low, 0.02 * s.value)) * factor], [max(0.0, s.high - s.value) * factor]]


def _plain_ticks(axis) -> None:
    low, high = sorted(axis.get_view_interval())
    close = high < _CLOSE * low
    axis.set_major_locator(LogLocator(subs=(1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 7.0) if close else (1.0, 2.0, 5.0)))
    axis.set_major_formatter(FuncFormatter(lambda v, _: digits(v, 3)))
    axis.set_minor_formatter(NullFormatter())


def _subtitle(a: Beside) -> str:
    return f"{len(a.mills)} mills side by side"


def _foot(a: Beside, words: str) -> str:
    hashes = " · ".join(f"{i} {m.prediction.config_sha256[:8]}" for i, m in zip(letters(a), a.mills, strict=True))
    none = [i for i, m in zip(letters(a), a.mills, strict=True) if not m.prediction.runs]
    lacking = f" Without powder, so not shown: {join_words(none)}." if none else ""
    return f"configs {hashes}\nPredictions, not measurements. {words}{lacking}"
