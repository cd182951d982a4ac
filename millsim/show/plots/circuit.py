"""Figures of circuits: Q3 and rates before and after a sieve, a second pass, a second mill. Imports matplotlib."""

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, NullFormatter

from ...base.numerics import psd
from ...base.quantities.written import digits, shown_unit
from ...mill.config.mill import Config
from ...studies.circuit.band import CircuitBand
from ...studies.circuit.line import Line
from ...studies.circuit.passes import Passes
from ...studies.circuit.turns import Circuit
from ...version import MODEL_VERSION, __version__
from ..words.circuit import CircuitAnswer
from .page import key_below
from .size import SIZE_LABEL
from .style import BLACK, BLUE, GREEN, GREY, ORANGE, RED, SKY, frame_side, plain_style, say

_FARTHEST = 5.0  # times the largest rate: bands that reach farther end at the edge
_TICKS = [m * 10.0**e for e in range(-3, 3) for m in (1, 2, 5)]


@dataclass(frozen=True)
class Curve:
    """One distribution: words, bounds [m], Q3, colour, line; sizes: ends of the bands of x10, x50, x90 or none."""

    words: str
    edges_m: np.ndarray
    q3: np.ndarray
    color: str
    line: str
    bands: tuple[tuple[float, float, float], ...] = ()  # (share, low, high)


@dataclass(frozen=True)
class Bar:
    """One rate [kg/s]: words, value, ends of its band (NaN: none), colour."""

    words: str
    value: float
    low: float
    high: float
    color: str


def closed(a: CircuitAnswer) -> Figure:
    """A mill with a sieve: what the mill makes, what passes, and the rates with the oversize aside and returned."""
    c, o = a.closed, a.aside
    curves = [Curve("out of the mill, once through", o.edges_m, _whole(o), GREY, "--")]
    curves += [Curve("through the sieve, oversize aside", o.edges_m, o.accepted_q3, ORANGE, "-.", _sizes(a.aside_band))]
    curves += [
        Curve("through the sieve, oversize returned", c.edges_m, c.accepted_q3, BLUE, "-", _sizes(a.closed_band))
    ]
    bars = [_bar(w, x, n, b, color) for w, x, n, b, color in (
        ("powder,\noversize aside", o, "accepted_kg_s", a.aside_band, ORANGE),
        ("set aside", o, "oversize_kg_s", a.aside_band, GREY),
        ("powder,\noversize returned", c, "accepted_kg_s", a.closed_band, BLUE),
        ("going round", c, "oversize_kg_s", a.closed_band, GREY),
    )]  # fmt: skip
    title = f"A mill closed with a {digits(c.aperture_m * 1e3, 3)} mm sieve: before and after"
    band = f"Bars: 80 % of {a.draws} draws." if a.draws else "No band was run."
    return _page(title, a.config.name, _foot(a.seed, a.config, band), curves, bars, c.aperture_m, c.reason)


def line(first: Config, second: Config, found: Line) -> Figure:
    """Two mills: what each makes, and what each takes alone and in the line."""
    a, b = found.first, found.second
    curves = [Curve("after the first mill", a.edges_m, a.accepted_q3, ORANGE, "--")]
    curves += [Curve("after the second mill", b.edges_m, b.accepted_q3, BLUE, "-")] if b else []
    nan = math.nan
    bars = [Bar("first mill\nalone", found.first_alone_kg_s, nan, nan, ORANGE),
            Bar("second mill, of\nthat powder", found.second_takes_kg_s, nan, nan, SKY),
            Bar("the line", found.rate_kg_s, nan, nan, BLUE)]  # fmt: skip
    foot = _foot(first.run.seed or 0, first, "Central estimate; uncertainty (the band) not shown.")
    name = f"{first.name}, then {second.name}"
    return _page(
        "Two mills in a row: before and after", name, foot, curves, bars, b.aperture_m if b else math.inf, found.reason
    )


def passes(first: Config, found: Passes) -> Figure:
    """Two passes beside one pass to the same median."""
    a, b, c = found.first, found.second, found.reference
    curves = [Curve("after the first pass", a.edges_m, a.accepted_q3, ORANGE, "--")]
    curves += [Curve("after the second pass", b.edges_m, b.accepted_q3, BLUE, "-")] if b else []
    hole = f"one pass, holes of {digits(found.hole_m * 1e3, 2)} mm"
    curves += [Curve(hole, c.edges_m, c.accepted_q3, GREEN, "-.")] if c else []
    ends = found.ends.get("time_s_kg", ((math.nan, math.nan), (math.nan, math.nan)))
    bars = [Bar(w, _rate(own), *(_rate(t) for t in reversed(band)), color) for w, own, band, color in (
        ("two passes", found.two.get("time_s_kg", math.nan), ends[0], BLUE),
        (textwrap.fill(hole, 20), found.one.get("time_s_kg", math.nan), ends[1], GREEN),
    )]  # fmt: skip
    band = f"Bars: 80 % of {found.draws} common draws." if found.draws else "No band was run."
    foot = _foot(first.run.seed or 0, first, band)
    return _page("Two passes beside one", first.name, foot, curves, bars, math.inf, found.reason)


def _rate(time_s_kg: float) -> float:
    return 1.0 / time_s_kg if time_s_kg > 0.0 else math.nan


def _whole(c: Circuit) -> np.ndarray:
    """Q3 of all that leaves the mill."""
    share = c.yield_share
    return share * np.nan_to_num(c.accepted_q3, nan=1.0) + (1.0 - share) * np.nan_to_num(c.returned_q3, nan=1.0)


def _sizes(band: CircuitBand | None) -> tuple[tuple[float, float, float], ...]:
    return tuple((q, *band.ends(n)) for q, n in ((10, "x10_m"), (50, "x50_m"), (90, "x90_m"))) if band else ()


def _bar(words: str, c: Circuit, name: str, band: CircuitBand | None, color: str) -> Bar:
    low, high = band.ends(name) if band else (math.nan, math.nan)
    return Bar(words, float(getattr(c, name)), low, high, color)


def _foot(seed: int, config: Config, band: str) -> str:
    made = f"seed {seed} · millsim {__version__}, model {MODEL_VERSION} · config {config.sha256[:12]}"
    return f"{made}\nPrediction, not a measurement. {band}"


def _page(
    title: str, name: str, foot: str, curves: Sequence[Curve], bars: Sequence[Bar], aperture_m: float, reason: str
) -> Figure:  # fmt: skip
    """Q3 on the left, rates on the right."""
    with plain_style():
        figure, (left, right) = frame_side(title, name, foot, (1.7, 1.0), share=False)
        shown = [c for c in curves if np.isfinite(c.q3).any()]
        for i, c in enumerate(shown):
            _curve(left, c, 1.2 * (i - 1))
        if not shown:
            say(left, textwrap.fill(reason or "no powder comes out", 44))
        if math.isfinite(aperture_m):
            left.axvline(aperture_m * 1e3, color=RED, lw=1.4, ls=":", label=f"sieve, {digits(aperture_m * 1e3, 3)} mm")
        _size_axis(left, shown)
        _rates(right, [b for b in bars if math.isfinite(b.value)])
        key_below(figure, left.get_legend_handles_labels()[0], 2)
        return figure


def _curve(axes: Axes, c: Curve, up: float) -> None:
    """A curve; the bands of its sizes are drawn a little off their share, so that those of two curves do not hide."""
    axes.plot(c.edges_m * 1e3, 100 * c.q3, color=c.color, ls=c.line, lw=2.2, label=c.words)
    for q, low, high in c.bands:
        if math.isfinite(low) and math.isfinite(high):
            axes.plot([low * 1e3, high * 1e3], [q + up] * 2, color=c.color, lw=3.5, alpha=0.6,
                      solid_capstyle="butt", zorder=1.8)  # fmt: skip


def _size_axis(axes: Axes, curves: Sequence[Curve]) -> None:
    """From the size below which next to nothing lies, up to the coarsest."""
    ends = [(psd.curve_x_at(c.edges_m, c.q3, 0.01), psd.curve_x_at(c.edges_m, c.q3, 0.995)) for c in curves]
    low, high = (1e3 * f([e[i] for e in ends]) if ends else d for i, f, d in ((0, min, 0.05), (1, max, 2.0)))
    axes.set(xscale="log", xlim=(0.8 * low, 1.3 * high), ylim=(0, 103), yticks=range(0, 101, 10), xlabel=SIZE_LABEL)
    axes.set_xticks([t for t in _TICKS if 0.8 * low <= t <= 1.3 * high])
    axes.xaxis.set_major_formatter(FuncFormatter(lambda v, _: digits(v, 3)))
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.set_ylabel("Cumulative undersize by mass $Q_3$ / %")


def _rates(axes: Axes, bars: Sequence[Bar]) -> None:
    unit, k, _ = shown_unit(max((b.value for b in bars), default=1e-4), "kg/s")
    most = max((v for b in bars for v in (b.value, b.high) if math.isfinite(v)), default=1e-4) * k
    most = min(most, _FARTHEST * max((b.value for b in bars), default=1.0) * k)
    for y, b in enumerate(bars):
        axes.barh(y, b.value * k, 0.55, color=b.color, alpha=0.75, edgecolor=BLACK, lw=0.7)
        if math.isfinite(b.low) and math.isfinite(b.high):
            axes.plot([b.low * k, b.high * k], [y + 0.36] * 2, color=b.color, lw=4, solid_capstyle="butt")
        axes.annotate(digits(b.value * k, 2), (b.value * k, y), xytext=(5, 0), textcoords="offset points", va="center",
                      bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.6})  # fmt: skip
    axes.set_yticks(range(len(bars)), [b.words for b in bars], fontsize=9)
    axes.set(xlim=(0, 1.15 * most or 1.0), ylim=(len(bars) - 0.4, -0.6), xlabel=f"Rate / ({unit})")
    if not most:
        axes.set_xticks([0.0])
    axes.tick_params(axis="y", length=0)
    axes.grid(False, axis="y")
