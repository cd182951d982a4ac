"""Figure of wear: size and rate over what was milled and worn, for both places where the metal may go. Matplotlib."""

import math
import textwrap

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ...base.quantities.written import digits, shown_unit
from ...record.outputs import axis_label
from ...studies.wear import WORN_OUT, WORN_SHARE, MillFigures, WearDrift
from ...version import MODEL_VERSION, __version__
from .page import key_below
from .style import BLACK, BLUE, GREY, ORANGE, PURPLE, RED, frame, plain_style, say

_BOUNDS = (("by_edge", "edge", "all of it at the edges, which round off", BLUE, "-", "o", -1),
           ("by_gap", "gap", "all of it off the tips: the gap widens", ORANGE, "--", "s", 1))  # fmt: skip
_ROOM = 1.12  # of the abscissa beyond the last step


def figure_of(d: WearDrift) -> Figure:
    """x50 above the rate, over the powder milled; below the axis what edge and gap have become by then."""
    made = f"seed {d.config.run.seed or 0} · millsim {__version__}, model {MODEL_VERSION}"
    foot = (
        f"{made} · config {d.config.sha256[:12]}\n"
        f"Prediction, not a measurement; the truth lies between the two lines. {_band_words(d)}"
    )
    lost = f"{digits(d.lost_kg * 1e3, 2)} g lost over {digits(d.milled_kg, 3)} kg"
    with plain_style():
        figure, panels = frame("What wear does to powder and rate", f"{d.config.name}, {lost}", foot, 2, notes=0)
        rows = ((panels[0], "x50_m", "x50_m"), (panels[1], "rate_kg_s", "throughput_kg_s"))
        last = d.steps[-1].milled_kg * _ROOM
        for axes, name, output in rows:
            _panel(axes, d, name, output)
            axes.set_xlim(0, last)
            _marks(axes, d, last, named=axes is panels[0])
        near = [s for s in d.steps if s.milled_kg >= 0.08 * last]  # the first ones stand too close for their names
        places = [(0.0, d.fresh_radius_m, 0.0), *((s.milled_kg, s.radius_m, s.gap_growth_m) for s in near)]
        panels[1].set_xticks([kg for kg, *_ in places], [_worn(d, *place) for place in places])
        panels[1].set_xlabel(
            "Powder milled / kg; below it the edge radius if it is the edges, the gap if it is the tips"
        )
        key_below(figure, panels[0].get_legend_handles_labels()[0], 2)
        return figure


def _worn(d: WearDrift, milled_kg: float, radius_m: float, growth_m: float) -> str:
    """A place on the abscissa: powder milled, the edge radius if it was the edges, the gap if it was the tips."""
    unit, k, _ = shown_unit(radius_m, "m")
    gap = digits((d.config.stator.gap_m + growth_m) * 1e3, 3)
    return f"{digits(milled_kg, 3)}\n{digits(radius_m * k, 2)} {unit}\n{gap} mm"


def _band_words(d: WearDrift) -> str:
    return f"Bars: 80 % of {d.draws} draws." if d.draws else "No band was run."


def _value(f: MillFigures, name: str) -> float:
    value = getattr(f, name)
    return value if math.isfinite(value) and value > 0.0 else math.nan


def _panel(axes: Axes, d: WearDrift, name: str, output: str) -> None:
    """One figure of the mill over the powder milled."""
    milled = np.array([0.0, *(s.milled_kg for s in d.steps)])
    seen = [_value(f, name) for f in (d.fresh, *(s.by_edge for s in d.steps), *(s.by_gap for s in d.steps))]
    if not np.isfinite(seen).any():
        say(axes, "it does not grind, so wear changes nothing that could be shown")
        return
    top = float(np.nanmax(seen))
    unit, k, _ = shown_unit(top, "m" if name == "x50_m" else "kg/s")
    for attribute, bound, words, color, style, mark, side in _BOUNDS:
        y = np.array([_value(d.fresh, name), *(_value(getattr(s, attribute), name) for s in d.steps)]) * k
        axes.plot(milled, y, color=color, ls=style, marker=mark, ms=5, lw=2.0, label=words)
        ratio = d.drift[f"{bound}_{name}"]
        if math.isfinite(ratio.low) and math.isfinite(ratio.high):
            fresh, at = _value(d.fresh, name) * k, d.at_kg + side * 0.006 * milled[-1]
            axes.plot([at, at], [fresh * ratio.low, fresh * ratio.high], color=color, lw=5, alpha=0.45,
                      solid_capstyle="butt", zorder=1.7)  # fmt: skip
    axes.axhline(_value(d.fresh, name) * k, color=GREY, lw=1.0, ls=":")
    axes.set_ylabel(textwrap.fill(axis_label(output, top), 18))
    axes.margins(y=0.15)


def _marks(axes: Axes, d: WearDrift, last: float, named: bool) -> None:
    """When the edges are as round as blunt ones, the gap is open, and the bars are due."""
    due = f"bars {100 * WORN_SHARE:.0f} % lighter: due (at {100 * WORN_OUT:.0f} % overdue)"
    lines = ((d.blunt_kg, "edges as round as blunt ones", PURPLE), (d.gap_kg, "gap fully open", RED),
             (d.replace_kg[0], due, BLACK))  # fmt: skip
    for kg, words, color in lines:
        if 0.0 < kg <= last:
            axes.axvline(
                kg, color=color, lw=1.3, ls=(0, (4, 2)), label=f"{words}: {digits(kg, 2)} kg" if named else None
            )
