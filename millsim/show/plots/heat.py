"""Figure of heat: outlet over rate with its band, the limits, what is asked, and the ways out. Imports matplotlib."""

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ...base.quantities.written import digits, shown_unit
from ...record.limits import GRINDING, LIMITS
from ...studies.heat.answers import HeatAnswers
from ...studies.heat.curve import HeatCurve
from ...version import MODEL_VERSION, __version__
from ..words.heatways import step_words
from .page import key_below
from .style import BLACK, BLUE, GREEN, GREY, ORANGE, RED, SKY, frame_side, plain_style, say

_OTHERWISE = (  # figure of the answers, and what is otherwise than now
    ("outlet_K", "as it is"),
    ("doubled_K", "twice\nthe air"),
    ("iced_K", "feed from\ndry ice"),
    ("hot_K", "hot day"),
)
_BAR = {"color": SKY, "lw": 7, "alpha": 0.7, "solid_capstyle": "butt", "zorder": 2.2}  # a band
_NEAR = 25.0  # K above all that is drawn: a limit farther away is told, not drawn


def figure_of(a: HeatAnswers, c: HeatCurve) -> Figure:
    """Outlet temperature over feed rate, or charge, and beside it what else would change it."""
    batch = a.config.feed.batch is not None
    with plain_style():
        title = f"How hot: outlet temperature over the {'charge' if batch else 'feed rate'}"
        figure, (axes, side) = frame_side(title, a.config.name, _foot(a, c), (1.8, 1.0))
        unit, k, _ = shown_unit(float(c.amount[-1]), "kg" if batch else "kg/s")
        known = np.isfinite(c.outlet_K)
        if not known.any():
            hardly = a.binding == LIMITS[GRINDING]
            say(axes, "it hardly grinds, so no rate is given" if hardly else "no steady state was found at any rate")
        _curve(axes, a, c, k)
        _asked(axes, a, c, k, unit)
        _ways(axes, a, k)
        _otherwise(side, a)
        low, high = _ends(a, c)
        for panel in (axes, side):
            panel.set_ylim(low, high)
            _limits(panel, a, high, named=panel is axes)
        side.tick_params(labelleft=False)
        axes.set(xlim=(0, float(c.amount[-1]) * k), ylabel="Outlet, the warmer of air and powder / °C")
        axes.set_xlabel(f"{'Charge' if batch else 'Feed rate'} / ({unit})" if "/" in unit else f"Charge / {unit}")
        key_below(figure, axes.get_legend_handles_labels()[0], 2)
        return figure


def _foot(a: HeatAnswers, c: HeatCurve) -> str:
    made = (
        f"seed {a.config.run.seed or 0} · millsim {__version__}, model {MODEL_VERSION} · config {a.config.sha256[:12]}"
    )
    banded = len(c.draws_K)
    band = f"Bands: 80 % of {len(c.draws_K)} draws of all parameters." if banded else "No band was run."
    what = "with this charge" if a.config.feed.batch else "at the rate of the star"
    what = "with next to no feed" if _star(a) is None else what
    return f"{made}\nPrediction, not a measurement. {band} At the right: {what}."


def _curve(axes: Axes, a: HeatAnswers, c: HeatCurve, k: float) -> None:
    """The line of the plausible parameters, those of the draws, each as far as it settles, and the band at the star."""
    for i, draw in enumerate(c.draws_K):
        label = f"{len(c.draws_K)} draws, each as far as it settles" if i == 0 else None
        axes.plot(c.amount * k, draw - 273.15, color=SKY, lw=0.9, alpha=0.7, zorder=1.8, label=label)
    axes.plot(c.amount * k, c.outlet_K - 273.15, color=BLUE, lw=2.6, label="outlet")
    at = _star(a)
    if at is not None and math.isfinite(a.values["outlet_K"].low) and math.isfinite(a.values["outlet_K"].high):
        low, high = a.values["outlet_K"].low, a.values["outlet_K"].high
        axes.plot([at * k] * 2, [low - 273.15, high - 273.15], label="80 % band", **_BAR)


def _star(a: HeatAnswers) -> float | None:
    """The rate or charge that is asked about; None where nothing runs."""
    if a.note == "cannot" or not math.isfinite(a.value("outlet_K")):
        return None
    return a.config.feed.batch.mass_kg if a.config.feed.batch else a.rate_kg_s


def _asked(axes: Axes, a: HeatAnswers, c: HeatCurve, k: float, unit: str) -> None:
    """The rate that is asked about, and the largest within the limit."""
    batch, rate, T = a.config.feed.batch, _star(a), a.value("outlet_K")
    if rate is not None:
        words = "as asked" if batch or a.config.feed.rate_kg_s == rate else "as fast as it can grind"
        label = f"{words}: {digits(rate * k, 2)} {unit}, {T - 273.15:.0f} °C"
        axes.plot(rate * k, T - 273.15, "*", ms=15, color=BLACK, mec="white", zorder=6, label=label, clip_on=False)
    largest = a.value("largest_kg" if batch else "largest_kg_s")
    if 0.0 < largest <= c.amount[-1]:
        label = f"most within the limit: {digits(largest * k, 2)} {unit}"
        axes.axvline(largest * k, color=GREEN, lw=1.6, ls=(0, (5, 1, 1, 1)), label=label)


def _ways(axes: Axes, a: HeatAnswers, k: float) -> None:
    """What would keep the limit, numbered as in the words of the answer; the key tells what is done."""
    batch, taken = a.config.feed.batch, [round((a.rate_kg_s or 0.0) * k, 2)]
    for i, x in enumerate(a.ways, start=1):
        if not (x.rate_kg_s > 0.0 and math.isfinite(x.outlet_K)):
            continue
        rate = (batch.mass_kg if batch else x.rate_kg_s) * k
        beside = 17 * taken.count(round(rate, 2))  # those at one rate stand beside each other
        taken.append(round(rate, 2))
        axes.annotate(
            str(i), (rate, x.outlet_K - 273.15), xytext=(beside, 0), textcoords="offset points", ha="center",
            va="center", fontsize=9, fontweight="bold", zorder=8, annotation_clip=False,
            bbox={"boxstyle": "circle,pad=0.25", "fc": "white", "ec": ORANGE, "lw": 1.8},
        )  # fmt: skip
        axes.plot([], [], ls="", marker=f"${i}$", ms=8, color=BLACK, label=f"keeps the limit: {step_words(x)}")


def _otherwise(axes: Axes, a: HeatAnswers) -> None:
    """The outlet now, with more air, with cold feed, on a hot day."""
    shown = [(n, w) for n, w in _OTHERWISE if math.isfinite(a.value(n))]
    for i, (name, _) in enumerate(shown):
        s = a.values[name]
        if math.isfinite(s.low) and math.isfinite(s.high):
            axes.plot([i, i], [s.low - 273.15, s.high - 273.15], **_BAR)
        axes.plot(i, s.value - 273.15, "o", color=BLUE, ms=7)
        axes.annotate(
            f"{s.value - 273.15:.0f}", (i, s.value - 273.15), xytext=(8, 0), textcoords="offset points", va="center",
            fontsize=9.5, bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 0.8},
        )  # fmt: skip
    day = f"hot day,\n{a.hot_room_K - 273.15:.0f} °C"
    axes.set_xticks(range(len(shown)), [day if n == "hot_K" else w for n, w in shown], fontsize=8)
    axes.set(xlim=(-0.6, max(1, len(shown)) - 0.3))
    axes.grid(False, axis="x")
    axes.set_title("what would change it", fontsize=10, fontweight="normal", color=GREY)


def _ends(a: HeatAnswers, c: HeatCurve) -> tuple[float, float]:
    """The temperatures to show [°C]: line, points and bands, the room, and the limits that are not far away."""
    told = [v for n, _ in _OTHERWISE if n in a.values for s in [a.values[n]] for v in (s.value, s.low, s.high)]
    seen = [v for v in (*told, *c.outlet_K, a.config.air.room_K, a.config.air.room_K + 20.0) if math.isfinite(v)]
    low, high = min(seen) - 273.15, max(seen) - 273.15
    for limit in (a.limit.advised_K, a.limit.most_K):
        if limit - 273.15 <= high + _NEAR:
            high = max(high, limit - 273.15)
    margin = 0.07 * (high - low)
    return low - margin, high + 1.6 * margin


def _limits(axes: Axes, a: HeatAnswers, top: float, named: bool) -> None:
    """What is advised, where it sticks, and the room."""
    lines = [(a.config.air.room_K, "room", GREY, ":"), (a.limit.advised_K, "limit", RED, "--")]
    if a.limit.most_K > a.limit.advised_K + 0.5:
        lines[1:] = [(a.limit.advised_K, "advised at most", RED, "--"), (a.limit.most_K, "sticks", RED, "-")]
    box, far = {"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 0.8}, []
    for T, words, color, style in lines:
        if T - 273.15 > top:
            far.append(f"{words} {T - 273.15:.0f} °C")
            continue
        axes.axhline(T - 273.15, color=color, ls=style, lw=1.5, zorder=1.5)
        if named:
            axes.annotate(
                f"{words} {T - 273.15:.0f} °C", (0.012, T - 273.15), xycoords=axes.get_yaxis_transform(), xytext=(0, 3),
                textcoords="offset points", color=color, fontsize=9.5, bbox=box, zorder=5,
            )  # fmt: skip
    if named and far:
        axes.text(0.012, 0.985, f"{', '.join(far)}: above this picture", color=RED, fontsize=9.5, va="top",
                  transform=axes.transAxes, bbox=box)  # fmt: skip
