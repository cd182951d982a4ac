"""Figures over particle size: cumulative undersize, density, the rates that compete. Imports matplotlib."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, NullFormatter

from ...base.quantities.written import digits, shown_unit
from ...record.outputs import figure as figure_of
from ...record.prediction import EngineResult, Prediction, SizeTable
from ...studies.engines import ENGINE_WORDS
from .style import (
    BLACK,
    BLUE,
    GREEN,
    GREY,
    ORANGE,
    PURPLE,
    RED,
    SKY,
    legend_below,
    new_figure,
    note_above,
    plain_style,
    say,
)  # fmt: skip

SIZE_LABEL = "Particle size $x$ / mm"


def cumulative(p: Prediction) -> Figure:
    """Q3(x) on a logarithmic size axis: product with band, feed, hold-up, sieve hole, Monte Carlo points."""
    with plain_style():
        figure, (axes,) = new_figure(p, "How fine: cumulative size distribution", banded=True, notes=1)
        line, points = _line_and_points(p)
        table = line.table
        x = table.edges_m * 1e3
        banded = _banded(p)
        if banded is not None:
            words = f"powder, {p.band_level * 100:.3g} % band" if np.isfinite(p.band_level) else "powder, band"
            low, high = banded.product_q3_low * 100, banded.product_q3_high * 100
            axes.fill_between(banded.edges_m * 1e3, low, high, color=SKY, alpha=0.35, lw=0, label=words)
            for edge in (low, high):
                axes.plot(banded.edges_m * 1e3, edge, color=BLUE, lw=0.7, alpha=0.7)
        axes.plot(x, table.product_q3 * 100, color=BLUE, lw=2.4, label=f"powder ({_words(line)})")
        if points is not None:
            _monte_carlo_points(axes, points)
        axes.plot(x, table.holdup_q3 * 100, color=GREEN, ls="-.", label="charge inside the mill")
        axes.plot(x, table.feed_q3 * 100, color=GREY, ls="--", label="feed")
        _finish_size_axis(axes, p, _shown_range(p, (table.product_q3, table.feed_q3)))
        if not np.isfinite(table.product_q3).any():
            say(axes, "no powder is predicted")
        axes.set(ylim=(0, 103), ylabel="Cumulative undersize by mass $Q_3$ / %", yticks=range(0, 101, 10))
        if (x50 := figure_of(p.main.scalars, "x50_m")) is not None:
            _mark_x50(axes, p.main.scalars["x50_m"].value * 1e3, f"x50 {x50.text}")
        legend_below(axes, 3)
        return figure


def _mark_x50(axes: Axes, x_mm: float, text: str) -> None:
    """The median as a thin line from the curve down to the axis, with its figure."""
    axes.plot([x_mm, x_mm, axes.get_xlim()[0]], [0, 50, 50], color=BLUE, lw=0.9, ls=(0, (1, 2)))
    axes.annotate(text, (axes.get_xlim()[0], 50), xytext=(6, 3), textcoords="offset points", color=BLUE, fontsize=9.5)


def density(p: Prediction) -> Figure:
    """q3*(ln x): mass per unit of ln x, so that equal areas are equal masses on the logarithmic axis."""
    with plain_style():
        figure, (axes,) = new_figure(p, "Where the mass is: density of the size distribution", notes=1)
        line, points = _line_and_points(p)
        edges = line.table.edges_m
        product = log_density(edges, line.table.product_q3)
        axes.stairs(product, edges * 1e3, fill=True, color=SKY, alpha=0.45)
        axes.stairs(product, edges * 1e3, color=BLUE, lw=2.0, label=f"powder ({_words(line)})")
        if points is not None:
            values = log_density(points.table.edges_m, points.table.product_q3)
            busy = values > 0
            style = {"ms": 4.5, "mfc": "white", "mec": BLACK, "mew": 1.0, "label": f"powder ({_words(points)})"}
            axes.plot(points.table.x_m[busy] * 1e3, values[busy], "o", **style)
        feed = log_density(edges, line.table.feed_q3)
        highest, feed_top = _top(product), _top(feed)
        cut = feed_top > 2.5 * highest > 0  # a narrow feed must not flatten the product
        words = f"feed (up to {feed_top:.2g}, cut off here)" if cut else "feed"
        axes.stairs(feed, edges * 1e3, color=GREY, ls="--", lw=1.6, label=words)
        top = 2.0 * highest if cut else max(highest, feed_top)
        _finish_size_axis(axes, p, _shown_range(p, (line.table.product_q3, line.table.feed_q3)))
        axes.set(ylabel="Density by mass $q_3^*(\\ln x)$ / 1   (each area is 1)")
        axes.set_ylim(0, 1.18 * top or 1.0)
        if not highest:
            say(axes, "no powder is predicted")
        legend_below(axes, 3)
        return figure


def rates(p: Prediction) -> Figure:
    """What happens to a particle per second, by size: hit, broken, nipped, chipped, out through the sieve."""
    with plain_style():
        figure, (axes,) = new_figure(p, "Why: what happens to a particle per second", notes=2)
        table = _line_and_points(p)[0].table
        span = _shown_range(p, (table.product_q3, table.feed_q3))
        floor = p.size_floor_m * 1e3
        if np.isfinite(floor) and floor > 0:
            span = (min(span[0], floor / 1.5), max(span[1], floor * 1.2))
        lowest, highest = _rate_curves(axes, table, span)
        axes.set(yscale="log", ylabel="Rate / s$^{-1}$", ylim=(max(1e-4, lowest / 8), highest * 3))
        _finish_size_axis(axes, p, span)
        if np.isfinite(floor) and floor > 0:
            note_above(axes, floor, f"size floor {_mm(p.size_floor_m, 2)}: no hit breaks smaller", RED, 1)
        if axes.get_legend_handles_labels()[0]:
            legend_below(axes, 3)
        return figure


def _rate_curves(axes: Axes, table: SizeTable, span: tuple[float, float]) -> tuple[float, float]:
    """Draw the rates that are above zero; the lowest and highest rate in the shown range."""
    x = table.x_m * 1e3
    curves = (
        (table.strike_1_s, "hit by a bar", GREY, (0, (1, 1.2))),
        (table.selection_1_s, "broken by a hit", RED, "-"),
        (table.nip_1_s, "bitten in the nip", PURPLE, (0, (5, 1, 1, 1, 1, 1))),
        (table.chip_1_s, "chipped (mass share)", ORANGE, "--"),
        (table.escape_1_s, "out through the sieve", BLUE, "-."),
    )
    seen = []
    for rate, label, color, style in curves:
        shown = np.where(rate > 0, rate, np.nan)
        if np.isfinite(shown).any():
            axes.plot(x, shown, color=color, ls=style, lw=2.2, label=label)
            seen.append(shown[(x >= span[0]) & (x <= span[1])])
    values = np.concatenate(seen) if seen else np.empty(0)
    values = values[np.isfinite(values)]
    if not values.size:
        say(axes, "nothing happens to the charge in this state")
        return 1e-3, 1.0
    return float(values.min()), float(values.max())


def log_density(edges_m: np.ndarray, q3: np.ndarray) -> np.ndarray:
    """q3*(ln x) per class, (n,), from Q3 at the class bounds, (n+1,): share of mass over width in ln x."""
    with np.errstate(divide="ignore"):
        return np.diff(q3) / np.diff(np.log(edges_m))


def _top(values: np.ndarray) -> float:
    finite = values[np.isfinite(values)]
    return max(0.0, float(finite.max())) if finite.size else 0.0


def _line_and_points(p: Prediction) -> tuple[EngineResult, EngineResult | None]:
    """The engine drawn as a line (the balance if it ran) and the one drawn as points, if two ran."""
    if p.other is None:
        return p.main, None
    return (p.other, p.main) if p.main.engine == "montecarlo" else (p.main, p.other)


def _banded(p: Prediction) -> SizeTable | None:
    """The table that carries the prediction band, if one was run."""
    tables = [e.table for e in (p.main, p.other) if e is not None]
    return next((t for t in tables if np.isfinite(t.product_q3_low).any()), None)


def _monte_carlo_points(axes: Axes, result: EngineResult) -> None:
    """Q3 of the second engine at its class bounds with twice the standard error, without the idle ends."""
    t = result.table
    busy = (t.product_q3 > 1e-4) & (t.product_q3 < 1 - 1e-6)
    error = np.nan_to_num(t.product_q3_se[busy] * 200)
    label = f"powder ({_words(result)}, ± 2 standard errors)"
    style = {"fmt": "o", "ms": 4.5, "mfc": "white", "mec": BLACK, "mew": 1.0, "ecolor": BLACK, "elinewidth": 1.0}
    axes.errorbar(
        t.edges_m[busy] * 1e3, t.product_q3[busy] * 100, yerr=error, capsize=2.5, label=label, zorder=5, **style
    )  # fmt: skip


def _words(result: EngineResult) -> str:
    return ENGINE_WORDS.get(result.engine, result.engine)


def _shown_range(p: Prediction, curves: tuple[np.ndarray, ...]) -> tuple[float, float]:
    """Sizes [mm] from where the finest shown curve leaves zero to where the coarsest is complete."""
    edges = _line_and_points(p)[0].table.edges_m * 1e3
    edges = np.where(edges > 0, edges, np.nan)
    low = [edges[np.nonzero(q > 0.002)[0][0]] for q in curves if (q > 0.002).any()]
    high = [edges[np.nonzero(q < 0.999)[0][-1]] for q in curves if (q < 0.999).any()]
    low += [p.hole_m * 1e3 / 3]
    high += [p.hole_m * 1e3 * 1.5]
    return float(np.nanmin(low)) / 1.25, float(np.nanmax(high)) * 1.35


def _finish_size_axis(axes: Axes, p: Prediction, span: tuple[float, float]) -> None:
    """Logarithmic abscissa in mm with plain numbers, and the sieve hole as a line named above the panel."""
    axes.set(xscale="log", xlim=span, xlabel=SIZE_LABEL)
    ticks = [m * 10.0**e for e in range(-5, 3) for m in (1, 2, 5)]
    axes.set_xticks([t for t in ticks if span[0] <= t <= span[1]])
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.minorticks_off()
    note_above(axes, p.hole_m * 1e3, f"sieve hole {_mm(p.hole_m)}", BLACK)


def _mm(size_m: float, count: int = 3) -> str:
    unit, factor, _ = shown_unit(size_m, "m")
    return f"{digits(size_m * factor, count)} {unit}"
