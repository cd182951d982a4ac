"""The figure of a notebook: predicted bands and measured answers of all runs, over time. Imports matplotlib."""

import math
from collections.abc import Sequence
from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

from ...base.quantities.written import digits, shown_unit
from ...learn.book.table import ANSWERS, Row
from ...record.outputs import OUTPUTS
from ..words.book import HEADS
from .prediction import write
from .style import BLACK, BLUE, GREY, RED, SKY, page_of_four, plain_style

NAME = "notebook.png"
MOST_NAMES = 14  # of runs under a panel


def save(rows: Sequence[Row], title: str, folder: Path, force: bool = False) -> Path:
    """Draw the figure into a folder; returns its path."""
    return write({NAME: drawn(rows, title)}, folder, force)[0]


def drawn(rows: Sequence[Row], title: str) -> Figure:
    """Four panels, one for each answer, a place for each run."""
    with plain_style():
        foot = (
            "Bars: 80 % bands of the forecasts, the line across is what was predicted. Dots: measured, with one "
            "standard error; red: outside.\n"
            "Hollow: the forecast was made after the run, for another setting, or calibrated on it."
        )
        figure, panels = page_of_four("Predicted and measured", title, foot)
        for axes, name in zip(panels, ANSWERS, strict=True):
            _panel(axes, rows, name)
        for axes in panels[2:]:
            step = -(-len(rows) // MOST_NAMES) or 1
            names = [_label(r) for r in rows[::step]]
            axes.set_xticks(range(0, len(rows), step), names, rotation=35, ha="right", fontsize=8.5)
        return figure


def _panel(axes: Axes, rows: Sequence[Row], name: str) -> None:
    points = [(i, r, r.points[name]) for i, r in enumerate(rows) if name in r.points]
    typical = next((p.predicted for _, _, p in points if p.predicted > 0.0), 1e-3)
    unit, by, _ = shown_unit(typical, OUTPUTS[name].unit)
    low, high = math.inf, 0.0
    for i, row, p in points:
        ends = [v * by for v in (p.low, p.high)]
        if all(map(math.isfinite, ends)):
            floor = max(ends[0], 0.02 * p.predicted * by)
            axes.bar(i, ends[1] - floor, 0.55, floor, color=SKY, alpha=0.45, lw=0)
            axes.hlines(p.predicted * by, i - 0.275, i + 0.275, color=BLUE, lw=2)
            low, high = min(low, floor), max(high, ends[1])
        if math.isfinite(p.measured):
            counts = not row.why and p.judged
            colour = GREY if not counts else BLACK if p.inside else RED
            error = p.error * by if math.isfinite(p.error) else 0.0
            face = colour if counts else "white"
            marker = "o" if not counts or p.inside else "D"
            axes.errorbar(i, p.measured * by, error, fmt=marker, color=colour, mfc=face, ms=6.5, capsize=3, lw=1.2)
            low, high = min(low, p.measured * by), max(high, p.measured * by)
    axes.set(yscale="log", xlim=(-0.6, max(1, len(rows)) - 0.4), ylabel=f"{HEADS[name]} / {unit}")
    if high > 0.0:
        axes.set_ylim(0.7 * low, 1.45 * high)
    subs = (1.0, 1.5, 2.0, 3.0, 5.0, 7.0) if high < 8.0 * low else (1.0, 2.0, 5.0)
    axes.yaxis.set_major_locator(LogLocator(subs=subs))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: digits(v, 3)))
    axes.yaxis.set_minor_formatter(NullFormatter())
    axes.set_xticks([])


def _label(row: Row) -> str:
    return f"{row.build.key[:18]}\n{row.run.day[:10] or 'undated'}"
