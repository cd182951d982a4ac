"""Figures of sieve sheets: cumulative curve, density histogram, RRSB net. Imports matplotlib.

Measured is drawn as markers. Each function takes sheets (replicates in one figure) and returns a matplotlib Figure.
"""

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, NullFormatter

from ...base.numerics import psd
from ...base.quantities.written import digits
from ...base.reading.fits import Fit, fit, fitted, rrsb_net
from ...base.reading.sheet import SieveSheet
from ...version import __version__
from ..words.sieve import size_text
from .prediction import write
from .style import BLACK, BLUE, GREEN, GREY, ORANGE, PURPLE, RED, SKY, frame, legend_below, plain_style, say

FIGURES = ("sieve_cumulative", "sieve_density", "sieve_rrsb_net")
SIZE_LABEL = "Particle size $x$ / mm"
_LEAST = 1e-3  # of the mass: less at an end of a laser's curve is not shown
_SEEN = 0.008  # of the mass: what is left open by less is thinner than the curve itself
_LOOKS = ((BLUE, "o"), (RED, "s"), (GREEN, "^"), (PURPLE, "D"), (ORANGE, "v"), (SKY, "P"), (BLACK, "X"), (GREY, "*"))
ON_WHITE = {"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 0.8}
_NET_TICKS = (0.1, 0.5, 1, 2, 5, 10, 20, 30, 40, 50, 63.2, 80, 90, 95, 99, 99.9)  # Q3 in %


def save_all(sheets: Sequence[SieveSheet], directory: Path | str, force: bool = False) -> list[Path]:
    """Draw the three figures into a folder (made if missing); the paths written, the same bytes every time."""
    drawn = (cumulative(sheets), density(sheets), rrsb(sheets))
    return write({f"{name}.png": figure for name, figure in zip(FIGURES, drawn, strict=True)}, directory, force)


def cumulative(sheets: Sequence[SieveSheet]) -> Figure:
    """Q3 over size on a logarithmic axis, the log-linear line that percentiles are read from, the RRSB fit of one."""
    with plain_style():
        figure, axes = _new(sheets, "How fine: cumulative size distribution", "Full line: log-linear between them.")
        for sheet, (color, marker) in zip(sheets, _looks(len(sheets)), strict=True):
            x, q = np.array(sheet.apertures_m) * 1e3, np.array(sheet.q3) * 100
            style = {"color": color, "ms": 6.5, "lw": 1.4, "mec": "white", "zorder": 3}
            axes.plot(x, q, marker, ls="-", label=_label(sheet), **style)
        if len(sheets) == 1:
            _fine_loss(axes, sheets[0])
            _fitted(axes, sheets[0])
            _read_off(axes, sheets[0])
        axes.set(ylim=(0, 103), ylabel="Cumulative undersize by mass $Q_3$ / %", yticks=range(0, 101, 10))
        _size_axis(axes, sheets)
        _legend(axes)
        return figure


def density(sheets: Sequence[SieveSheet]) -> Figure:
    """q3* = dQ3/dln x of each class as a histogram of area 1; pan and oversize get an assumed width, hatched."""
    with plain_style():
        title = "Where the mass is: density of the size distribution"
        figure, axes = _new(sheets, title, _assumed_words(sheets))
        top = 0.0
        for i, (sheet, (color, marker)) in enumerate(zip(sheets, _looks(len(sheets)), strict=True)):
            edges, q3 = histogram(sheet)
            values = psd.q3_star(edges, q3)
            top = max(top, float(values.max()))
            assumed = edges[:-1] < sheet.apertures_m[0]
            assumed |= edges[1:] > sheet.apertures_m[-1]
            if len(sheets) == 1:
                axes.stairs(np.where(assumed, 0, values), edges * 1e3, fill=True, color=SKY, alpha=0.45)
                for j in np.flatnonzero(assumed & (values > 0)):
                    box = {"hatch": "////", "facecolor": "none", "edgecolor": GREY, "lw": 0}
                    axes.bar(edges[j] * 1e3, values[j], np.diff(edges)[j] * 1e3, align="edge", **box)
            axes.stairs(values, edges * 1e3, color=color, lw=2.0, ls=("-", "--", "-.", ":")[i % 4])
            middle = psd.middles(edges)
            axes.plot(middle[values > 0] * 1e3, values[values > 0], marker, color=color, mec="white", ms=6,
                      label=_label(sheet))  # fmt: skip
        axes.set(ylabel="Density by mass $q_3^*(\\ln x)$ / 1", ylim=(0, 1.12 * top))
        _size_axis(axes, sheets, 0.5)
        _legend(axes)
        return figure


def _assumed_words(sheets: Sequence[SieveSheet]) -> str:
    """The classes that have an amount but no width of their own."""
    ends = ["pan"] * any(s.q3[0] > 0 for s in sheets) + ["coarsest sieve"] * any(s.q3[-1] < 1 for s in sheets)
    hatched = " (hatched)" if len(sheets) == 1 else ""
    return f"Each area is 1{'; of assumed width: ' if ends else ''}{' and '.join(ends)}{hatched * bool(ends)}."


def histogram(sheet: SieveSheet) -> tuple[np.ndarray, np.ndarray]:
    """Class bounds (m) and Q3 from 0 to 1: the pan down to half the finest sieve, oversize up to the next R 20/3."""
    edges, q3 = sheet.closed()
    if sheet.q3[0] > 0:
        edges, q3 = (0.5 * edges[0], *edges), (0.0, *q3)
    return np.array(edges), np.array(q3)


def rrsb(sheets: Sequence[SieveSheet]) -> Figure:
    """The RRSB net after DIN 66145: ordinate ln(-ln(1 - Q3)) labelled in %, x' read at 63.2 %, slope n."""
    with plain_style():
        note = "Lines: unweighted least squares in this net, over the points with 0 < Q3 < 100 %."
        figure, axes = _new(sheets, "RRSB net (DIN 66145)", note)
        shown = []
        for sheet, (color, marker) in zip(sheets, _looks(len(sheets)), strict=True):
            x, q = map(np.array, fitted(sheet))
            inside = (q > 0) & (q < 1)
            shown += list(q[inside])
            found = fit("rrsb", *fitted(sheet))
            line = "" if found is None else f"x' = {_mm(found.size_m)}, n = {found.shape:.2f}"
            alone = len(sheets) == 1
            label = _label(sheet) + (f"; line: {line}" if line and not alone else "")
            style = {"color": color, "ms": 6.5, "mec": "white", "zorder": 3, "label": label}
            axes.plot(x[inside] * 1e3, rrsb_net(q[inside]), marker, **style)
            if found is not None:
                _net_line(axes, found, color, x[inside], f"RRSB: {line}" if alone else "")
        _net_axis(axes, shown)
        _size_axis(axes, sheets)
        if not shown:
            say(axes, "no sieve parts the powder, so there is nothing to draw")
        else:
            _legend(axes)
        return figure


def _net_line(axes: Axes, found: Fit, color: str, x_m: np.ndarray, label: str) -> None:
    """The fitted straight line and, where it has a label, how x' is read."""
    ends = np.array([x_m.min() / 1.25, x_m.max() * 1.25])
    height = found.shape * np.log(ends / found.size_m)
    axes.plot(ends * 1e3, height, color=color, lw=1.6, ls="--", label=label or None)
    if label:
        axes.axhline(0.0, color=BLACK, lw=1.0, ls=":")
        axes.plot([found.size_m * 1e3] * 2, [-9.0, 0.0], color=BLACK, lw=1.0, ls=":")
        axes.annotate(
            f"x' = {_mm(found.size_m)} at 63.2 %\nslope n = {found.shape:.2f}",
            (found.size_m * 1e3, 0.0), xytext=(-8, 8), textcoords="offset points", ha="right", va="bottom",
            parse_math=False,
        )  # fmt: skip


def _net_axis(axes: Axes, shown: list[float]) -> None:
    """The ordinate in percent around what is shown."""
    low, high = (min(shown), max(shown)) if shown else (0.1, 0.9)
    low, high = min(low, 0.5) * 0.6, 1 - 0.5 * (1 - max(high, 0.7))
    bounds = rrsb_net([low, high])
    ticks = [t for t in _NET_TICKS if bounds[0] <= rrsb_net(t / 100) <= bounds[1]]
    axes.set_yticks([float(rrsb_net(t / 100)) for t in ticks], [f"{t:g}" for t in ticks])
    axes.set(ylim=tuple(bounds), ylabel="Cumulative undersize $Q_3$ / %, scale ln(−ln(1−$Q_3$))")


def _fine_loss(axes: Axes, sheet: SieveSheet) -> None:
    """Where the curve would lie if all that is missing was fines, if that can be seen."""
    low, high = np.array(sheet.q3_loss_shared or sheet.q3), np.array(sheet.q3_loss_fine or sheet.q3)
    if (high - low).max() > _SEEN:
        words = "left open by what is missing"
        axes.fill_between(np.array(sheet.apertures_m) * 1e3, low * 100, high * 100, facecolor=ORANGE, edgecolor=RED,
                          alpha=0.6, lw=1.2, zorder=2.5, label=words)  # fmt: skip


def _fitted(axes: Axes, sheet: SieveSheet) -> None:
    found = fit("rrsb", *fitted(sheet))
    if found is None:
        return
    x = np.geomspace(sheet.apertures_m[0] / 1.6, sheet.apertures_m[-1] * 1.3, 200)
    words = f"RRSB fit: x' = {_mm(found.size_m)}, n = {found.shape:.2f}"
    axes.plot(x * 1e3, found.q3(x) * 100, color=GREY, ls="--", lw=1.4, label=words)


def _read_off(axes: Axes, sheet: SieveSheet) -> None:
    """x10, x50 and x90 where the sieves determine them."""
    for p in (0.1, 0.5, 0.9):
        x = psd.x_at(sheet.apertures_m, sheet.q3, p)
        if not math.isnan(x):
            axes.plot([1e-9, x * 1e3, x * 1e3], [p * 100, p * 100, 0], color=BLACK, lw=0.9, ls=":", zorder=2)
            axes.annotate(f"x{p * 100:.0f} = {_mm(x)}", (x * 1e3, p * 100), xytext=(6, -5), bbox=ON_WHITE,
                          textcoords="offset points", ha="left", va="top", fontsize=9.5)  # fmt: skip


def _mm(size_m: float) -> str:
    """A size in the unit of the axis."""
    return size_text(size_m) if size_m >= 1e-4 else f"{digits(size_m * 1e3, 3)} mm"


def _new(sheets: Sequence[SieveSheet], title: str, note: str) -> tuple[Figure, Axes]:
    """An A5-landscape-like figure with title, sample names and a footer."""
    names = (
        _name(sheets[0]) if len(sheets) == 1 else f"{len(sheets)} {'laser' if sheets[0].by_laser else 'sieve'} sheets"
    )
    foot = f"{_facts(sheets)} · millsim {__version__}\nMeasured by {_how(sheets)} (markers). {note}"
    figure, (axes,) = frame(title, f"sample: {names}", foot)
    figure.set_figheight(5.6 + 0.22 * max(0, len(sheets) - 3))  # room for the legend of many sheets
    return figure, axes


def _how(sheets: Sequence[SieveSheet]) -> str:
    return "laser diffraction, whose sizes are no sieve sizes" if sheets[0].by_laser else "sieving"


def _facts(sheets: Sequence[SieveSheet]) -> str:
    if len(sheets) > 1:
        return f"{len(sheets)} sheets"
    s = sheets[0]
    parts = [f"{s.classes} classes" if s.by_laser else f"{len(s.apertures_m)} sieves"]
    parts += [f"charge {s.charge_g:g} g"] if s.charge_g is not None else []
    parts += [f"loss {digits(s.loss_share * 100, 2)} %"] if s.loss_share is not None else []
    return " · ".join(parts)


def _name(sheet: SieveSheet) -> str:
    """The sample: name of the file, as one short printable line."""
    name = " ".join(sheet.path.stem.split()) if sheet.path else "sheet"
    return name if len(name) <= 40 else name[:37] + "..."


def _label(sheet: SieveSheet) -> str:
    """The sample in a legend, where dollar signs would begin a formula."""
    return f"{_name(sheet)}, {'by laser' if sheet.by_laser else 'sieved'}".replace("$", "\\$")


def _legend(axes: Axes) -> None:
    """The legend under the abscissa, in as many columns as its words leave room for."""
    longest = max(map(len, axes.get_legend_handles_labels()[1]))
    legend_below(axes, max(1, min(4, 105 // (longest + 8))))


def _looks(count: int) -> list[tuple[str, str]]:
    return [_LOOKS[i % len(_LOOKS)] for i in range(count)]


def _ends(sheet: SieveSheet) -> tuple[float, float]:
    """Sizes (m) to be shown: all sieves; of the many classes of a laser those that hold something."""
    if not sheet.by_laser:
        return sheet.apertures_m[0], sheet.apertures_m[-1]
    low, high = (psd.x_at(sheet.apertures_m, sheet.q3, max(p, sheet.q3[0])) for p in (_LEAST, 1.0 - _LEAST))
    return float(low), float(high)


def _size_axis(axes: Axes, sheets: Sequence[SieveSheet], widen: float = 0.75) -> None:
    """Logarithmic abscissa in mm with plain numbers."""
    ends = [_ends(s) for s in sheets]
    low = min(low for low, _ in ends) * 1e3 * widen
    high = max(high for _, high in ends) * 1e3 / 0.75
    axes.set(xscale="log", xlim=(low * 0.93, high * 1.07), xlabel=SIZE_LABEL)
    steps = (1, 2, 5) if high > 15 * low else (1, 1.5, 2, 3, 4, 5, 6, 8)
    axes.set_xticks([t for e in range(-4, 4) for m in steps if low <= (t := m * 10.0**e) <= high])
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.minorticks_off()
