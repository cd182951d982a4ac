"""Figure of what is possible: powder per hour against fineness, with practice and own runs. Imports matplotlib."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

from ...base.quantities.written import digits
from ...learn.measured.ownrun import OwnRun
from ...studies.possible.answer import Possible
from ...studies.possible.points import points
from ...studies.possible.usual import MILLS
from ...version import MODEL_VERSION, __version__
from ..words.possible import power_at
from .style import BLACK, BLUE, GREEN, GREY, ORANGE, PURPLE, RED, SKY, frame, legend_below, plain_style

LEAST = 1e-4  # of the most that is drawn: what is below is off the page
MOST_G_H = 2e4  # at best: more is told in kilograms
_POINTS = "Points of practice: `--full` has their sources."
_NO_POINTS = "Points of practice are known by x50 alone."
_MARKS = {"saw": ("s", ORANGE), "disc": ("D", PURPLE), "mill": ("^", GREEN)}


def figure_of(a: Possible, runs: tuple[OwnRun, ...] = ()) -> Figure:
    """Grams per hour against fineness, log-log, for the watts at hand."""
    foot = (
        f"millsim {__version__}, model {MODEL_VERSION} · usual mills, {MILLS[0][0]:.0f} and {MILLS[1][0]:.0f} m/s at "
        "the tips, sized for their motor; from pieces of 4 mm\nPrediction, not a measurement. Band: 80 % over mills "
        f"and parameter draws. {_POINTS if a.asked.fineness == 'x50' else _NO_POINTS}"
    )
    c, x = a.curve, a.curve_m * 1e3
    unit, k = ("g/h", 3.6e6) if float(np.max(c.best)) * 3.6e6 < MOST_G_H else ("kg/h", 3.6e3)
    with plain_style():
        figure, (axes,) = frame("How much, and how fine", f"{a.title}, on {power_at(a)}", foot)
        axes.plot(x, a.curve_floor * k, color=GREY, ls="--", label="no machine gets above")
        least, made = LEAST * float(a.curve_floor.max()), np.asarray(c.high) > 0.0
        low, high = np.maximum(c.low, least)[made] * k, np.maximum(c.high, least)[made] * k
        axes.fill_between(x[made], low, high, color=SKY, alpha=0.35, lw=0, label="usual mills, 80 % band")
        for rate, style, label in ((c.likely, "-", "likely"), (c.best, ":", "at best")):
            y = np.where(np.asarray(rate) > 0.0, np.asarray(rate) * k, np.nan)
            axes.plot(x, y, color=BLUE, ls=style, lw=2.2, label=f"usual mills, {label}")
        _practice(axes, a, k)
        for i, r in enumerate(r for r in runs if a.asked.fineness in r.sizes):
            label = "your runs, at these watts" if i == 0 else None
            axes.plot(r.sizes[a.asked.fineness] * 1e3, r.at(a.watts) * k, "*", ms=13, color=RED, mec=BLACK, label=label)
        axes.axvline(a.asked.x_m * 1e3, color=BLACK, lw=1.0, ls=(0, (1, 2)), label="fineness asked for")
        if a.asked.rate_kg_s:
            axes.plot(a.asked.x_m * 1e3, a.asked.rate_kg_s * k, "X", ms=10, color=BLACK, label="the wish", zorder=5)
        symbol = f"${a.asked.fineness[0]}_{{{a.asked.fineness[1:]}}}$"
        axes.set(xscale="log", yscale="log", xlabel=f"Fineness {symbol} / mm", ylabel=f"Powder / ({unit})")
        axes.set_ylim(bottom=least * k)
        for axis, subs in ((axes.xaxis, (1.0, 2.0, 5.0)), (axes.yaxis, (1.0,))):
            axis.set_major_locator(LogLocator(subs=subs))
            axis.set_major_formatter(FuncFormatter(lambda v, _: digits(v, 3)))
            axis.set_minor_formatter(NullFormatter())
        legend_below(axes, 3)
        return figure


def _practice(axes: Axes, a: Possible, k: float) -> None:
    """The points, from - to, by their short names; where x90 is asked about none, for they are of x50."""
    if a.asked.fineness != "x50":
        return
    for i, p in enumerate(points().values()):
        low, high = p.rates(a.watts)
        x, y = (float(np.sqrt(v[0] * v[1])) for v in (p.x_m, (low, high)))
        mark, color = _MARKS[p.kind]
        axes.errorbar(
            x * 1e3, y * k, xerr=[[1e3 * (x - p.x_m[0])], [1e3 * (p.x_m[1] - x)]],
            yerr=[[k * (y - low)], [k * (high - y)]],
            fmt=mark, color=color, ms=7, mec=BLACK, mew=0.6, capsize=3, lw=1.2, zorder=4,
        )  # fmt: skip
        axes.annotate(
            p.short, (p.x_m[1] * 1e3, y * k), xytext=(5, (4, 6, -13)[i % 3]), textcoords="offset points", fontsize=9,
            color=BLACK, zorder=6,
        )  # fmt: skip
