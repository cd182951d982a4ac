"""The look of the figures: plain, colour-blind safe, readable in grey on a workshop printer.

Imports matplotlib; only plots.py and plots_*.py may import this.
"""

from collections.abc import Iterator
from contextlib import contextmanager

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.transforms import Bbox

from ...base.quantities.written import harmless
from ...record.limits import shown_status
from ...record.prediction import Prediction

# Okabe & Ito's hues without the yellow; those too pale for white paper are darker: lines have a contrast of 3 at least,
# those that texts are written in (RED, PURPLE, BLUE, GREY) of 4.5.
BLACK, ORANGE, SKY, GREEN, BLUE, RED, PURPLE = (
    "#000000",
    "#C28700",
    "#3A97CE",
    "#009E73",
    "#0072B2",
    "#B54F00",
    "#A8487F",
)
GREY = "#666666"

PLACES = 9  # digits of a place on the page, as a share of it
_NOTE_PT = 14.0  # height of a line of notes above a panel
_DRAWN_FOR = {  # what a figure shows where the mill cannot do what was asked
    "over capacity": " (drawn for what it takes)",
    "cannot run": " (drawn for next to no feed)",
    "hardly grinds": " (drawn for next to no feed)",
}

_RC = {
    "font.family": "DejaVu Sans",
    "font.size": 10,
    "axes.titlesize": 12,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 10.5,
    "xtick.labelsize": 10,
    "ytick.labelsize": 10,
    "legend.fontsize": 9.5,
    "legend.framealpha": 0.95,
    "legend.edgecolor": "#cccccc",
    "legend.handlelength": 3.2,
    "axes.grid": True,
    "grid.color": "#dddddd",
    "grid.linewidth": 0.6,
    "axes.axisbelow": True,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "lines.linewidth": 1.8,
    "hatch.linewidth": 0.6,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "svg.hashsalt": "millsim",
    "svg.fonttype": "path",
    "axes.unicode_minus": True,
    "mathtext.fontset": "dejavusans",
}


@contextmanager
def plain_style() -> Iterator[None]:
    """Our settings on matplotlib's own defaults, whatever the user's matplotlibrc says."""
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_RC)
        yield


def new_figure(
    p: Prediction, title: str, rows: int = 1, ratios: tuple[float, ...] = (), banded: bool = False, notes: int = 0
) -> tuple[Figure, list[Axes]]:
    """An A5-landscape-like figure with a title, a footer and one or more panels over a shared abscissa.

    notes: lines to keep free between the mill's name and the first panel, for `note_above`.
    """
    return frame(title, _plain(p.mill_name), footer(p, banded), rows, ratios, notes)


def frame(
    title: str, subtitle: str, foot: str, rows: int = 1, ratios: tuple[float, ...] = (), notes: int = 0
) -> tuple[Figure, list[Axes]]:
    """The page that all our figures share: title, a grey line below it, panels over a shared abscissa, a footer."""
    figure = _page(foot)
    axes = figure.subplots(rows, 1, sharex=True, squeeze=False, height_ratios=ratios or None)[:, 0].tolist()
    _head(axes[0], title, subtitle, notes)
    return figure, axes


def frame_beside(
    title: str, subtitle: str, foot: str, ratios: tuple[float, float], widths: tuple[float, float], width_in: float
) -> tuple[Figure, list[Axes]]:
    """The same page, wider: two panels over a shared abscissa, and one of full height to the right of them."""
    figure = _page(foot, width_in)
    grid = figure.add_gridspec(2, 2, height_ratios=ratios, width_ratios=widths)
    top = figure.add_subplot(grid[0, 0])
    axes = [top, figure.add_subplot(grid[1, 0], sharex=top), figure.add_subplot(grid[:, 1])]
    top.tick_params(labelbottom=False)
    _head(top, title, subtitle, 0)
    return figure, axes


def page_of_four(title: str, subtitle: str, foot: str) -> tuple[Figure, list[Axes]]:
    """The same page, wider: two panels over two."""
    figure = _page(foot, 10.4)
    axes = figure.subplots(2, 2).ravel().tolist()
    _head(axes[0], title, subtitle, 0)
    return figure, axes


def frame_side(
    title: str, subtitle: str, foot: str, widths: tuple[float, float], share: bool = True, notes: int = 0
) -> tuple[Figure, list[Axes]]:
    """The same page: two panels beside each other. share: over one ordinate."""
    figure = _page(foot)
    axes = figure.subplots(1, 2, sharey=share, width_ratios=widths).tolist()
    _head(axes[0], title, subtitle, notes)
    return figure, axes


def _page(foot: str, width_in: float = 8.4) -> Figure:
    figure = Figure(figsize=(width_in, 5.6), dpi=150, layout="constrained")
    FigureCanvasAgg(figure)
    figure.get_layout_engine().set(rect=(0.01, 0.075, 0.98, 0.915), h_pad=0.05)
    figure.text(0.015, 0.012, foot, fontsize=9, color=GREY, va="bottom", parse_math=False, linespacing=1.35)
    return figure


def lay_out(figure: Figure) -> None:
    """Give the panels of a page their places for good, once for all its files.

    Saved as it is, a page would be gone through twice for each: matplotlib draws all of it to find the places.
    """
    for text in figure.findobj(Text):  # a name may hold what turns the direction of writing
        text.set_text(harmless(text.get_text()))
    engine = figure.get_layout_engine()
    if figure.axes and engine is not None:
        engine.execute(figure)
        for axes in figure.axes:  # the solver goes through its conditions by where they lie in memory: by chance
            places = np.round(axes.get_position(original=True).extents, PLACES)
            axes.set_position(Bbox.from_extents(places), which="original")
    figure.set_layout_engine(None)


def described(figure: Figure) -> str:
    """What a figure shows, from its own words, for those who do not see it: panels, axes, what is drawn, what is told.

    Figures of a prediction have a better one, with their numbers: `show.words.alts`.
    """
    told = []
    for axes in figure.axes:
        labels = [axes.get_ylabel() and f"{axes.get_ylabel()} over {axes.get_xlabel()}"]
        labels += axes.get_legend_handles_labels()[1]
        told.append("; ".join(filter(None, labels)))
    legends = [t.get_text() for legend in figure.legends for t in legend.get_texts()]
    told += ["; ".join(t for t in dict.fromkeys(legends) if not any(t in panel for panel in told))]
    told += [t.get_text() for t in figure.texts]
    return " ".join(f"{' '.join(t.split()).rstrip('.')}." for t in dict.fromkeys([str(figure.get_label()), *told]) if t)


def _head(axes: Axes, title: str, subtitle: str, notes: int) -> None:
    axes.figure.set_label(title)
    axes.set_title(f"{title}\n", pad=2 + _NOTE_PT * notes)
    axes.annotate(
        subtitle, (0, 1), xycoords="axes fraction", xytext=(0, 5 + _NOTE_PT * notes), textcoords="offset points",
        color=GREY, parse_math=False,
    )  # fmt: skip


def footer(p: Prediction, banded: bool = False) -> str:
    """Two lines that say what was run and what the band means, or that the figure has none."""
    band = band_words(p) if banded else "Central estimate; uncertainty (the band) not shown."
    run = f"seed {p.seed} · millsim {p.version}, model {p.model_version} · config {p.config_sha256[:12]}"
    return (
        f"{run} · status: {shown_status(p.status)}{_DRAWN_FOR.get(p.status, '')}\nPrediction, not a measurement. {band}"
    )


def band_words(p: Prediction) -> str:
    """What the band stands for, or that there is none."""
    if not np.isfinite(p.band_level):
        return "No band was run."
    outside = (1 - p.band_level) / 2
    return (
        f"Band: {p.band_level * 100:.3g} % of the results over the stated ranges and errors "
        f"({outside * 100:.3g} % below, {outside * 100:.3g} % above)."
    )


def note_above(axes: Axes, x: float, text: str, color: str, row: int = 0) -> None:
    """A line at an abscissa and its name above the panel, where it covers nothing; row 0 is the lowest."""
    axes.axvline(x, color=color, lw=1.3, ls=":")
    left, right = axes.get_xlim()
    place = np.log(x / left) / np.log(right / left) if axes.get_xscale() == "log" else (x - left) / (right - left)
    axes.annotate(
        text,
        (x, 1),
        xycoords=axes.get_xaxis_transform(),
        xytext=(0, 2 + _NOTE_PT * row),
        textcoords="offset points",
        ha="left" if place < 0.25 else "right" if place > 0.75 else "center",
        va="bottom",
        color=color,
        fontsize=9.5,
    )


def legend_below(axes: Axes, columns: int) -> None:
    """The legend under the abscissa, where it can cover no data."""
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.125), ncols=columns, frameon=False, columnspacing=1.6)


def say(axes: Axes, text: str) -> None:
    """A sentence in the middle of a panel that has nothing to draw."""
    box = {"facecolor": "white", "edgecolor": "none"}
    place = {"transform": axes.transAxes, "ha": "center", "va": "center"}
    axes.text(0.5, 0.5, text, color=GREY, fontsize=11, bbox=box, **place)


def _plain(name: str) -> str:
    """A mill name as one short printable line."""
    line = " ".join(name.split())
    return line if len(line) <= 70 else line[:67] + "..."
