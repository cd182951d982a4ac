"""Tornado of a sweep: what uncertain parameters do to the mill as built, by what they rest on. Imports matplotlib."""

import textwrap
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator

from ...base.quantities.params import Param
from ...base.quantities.scores import at_score
from ...base.quantities.units import readable, spelling_for
from ...base.quantities.written import capital, digits, join_words
from ...explore.sweep.record import Sweep
from ...record.outputs import output_of
from ..words.parameters import parameter_label
from . import page
from .cut import Scale, scale_of
from .style import BLACK, BLUE, GREY, ORANGE, SKY, plain_style
from .sweep import error_words

MOST_BARS = 12
CLASSES = {  # class: (bases, face, hatch); solid is what somebody measured, the emptier the weaker
    "measured by you": (("measured",), BLACK, ""),
    "calibrated on your runs": (("calibrated",), BLUE, ""),
    "published or handbook": (("published", "handbook"), SKY, "////"),
    "from memory or common practice": (("from memory", "common practice"), ORANGE, "xxx"),
    "assumed": (("assumed", "config"), "white", "..."),
    "guessed in the config": (("guessed",), "white", "++"),
}
_ROW = 0.36  # inches per bar
_FULL, _HALF = 0.66, 0.32  # height of a bar; of each end where both lie on the same side


@dataclass(frozen=True)
class Bar:
    """One parameter: output in the unit shown with the parameter low and high (NaN: the mill does not run there)."""

    parameter: Param
    low: float
    high: float
    group: str  # of CLASSES

    def reach(self, middle: float) -> float:
        """How far apart the ends are, the middle counted; unlimited where the mill does not run at one."""
        ends = (self.low, self.high, middle)
        return max(ends) - min(ends) if np.isfinite(ends).all() else np.inf

    def effect(self, middle: float) -> float:
        """How far the end farther from the middle is from it; NaN where the mill does not run at one."""
        return float(np.maximum(abs(self.low - middle), abs(self.high - middle)))


def class_of(basis: str) -> str:
    """The class of CLASSES that a basis belongs to; one unknown counts as assumed."""
    return next((name for name, (bases, *_) in CLASSES.items() if basis in bases), "assumed")


def bars(sweep: Sweep, output: str) -> tuple[list[Bar], Scale]:
    """(bars, largest first; the scale with the mill as built). None where the sweep has no sensitivities of this."""
    t = sweep.tornado
    scale = scale_of(sweep, output, np.empty(0))
    if t is None or output not in t.low or not np.isfinite(scale.built):
        return [], scale
    ends = [scale.of(np.where(np.isfinite(end[output]), end[output], np.nan)) for end in (t.low, t.high)]
    found = [
        Bar(p, float(low), float(high), class_of(p.basis))
        for p, low, high in zip(t.parameters, *ends, strict=True)
        if t.how != "tied" or np.isfinite((low, high)).all()
    ]
    return sorted(found, key=lambda b: (-b.reach(scale.built), b.parameter.name)), scale


def tornado(sweep: Sweep, output: str = "x50_m") -> Figure | None:
    """Bars of the parameters that move an output of the mill as built most; None without sensitivities."""
    found, scale = bars(sweep, output)
    if not found:
        return None
    middle = scale.built
    shown = [b for b in found if b.reach(middle) > 0][:MOST_BARS] or found[:1]
    with plain_style():
        figure, panels = page.new(
            sweep, f"What makes it uncertain: {output_of(output).short}", _notes(sweep, found, shown, scale),
            _foot(sweep, output), height=2.5 + _ROW * len(shown),
        )  # fmt: skip
        axes = panels[0]
        for row, b in enumerate(shown):
            _bar(axes, row, b, middle)
        axes.plot([middle, middle], [-0.5, len(shown) - 0.45], color=BLACK, lw=1.4, zorder=4)
        axes.set_xlabel(scale.label)
        axes.set_yticks(
            range(len(shown)),
            [textwrap.fill(capital(parameter_label(b.parameter.name)), 42) for b in shown],
            fontsize=9,
        )
        axes.set_ylim(len(shown) - 0.45, -0.95)
        axes.tick_params(axis="y", length=0)
        axes.grid(False, axis="y")
        axes.spines["left"].set_visible(False)
        axes.xaxis.set_major_locator(MaxNLocator(7, steps=[1, 2, 2.5, 5, 10]))
        page.plain_numbers(axes.xaxis)
        used = [name for name in CLASSES if any(b.group == name for b in shown)]
        page.key_below(figure, [_patch(name, label=name) for name in used], 3)
        _room_for(figure, axes)
        axes.annotate(
            f"as built: {scale.built_text}", (middle, -0.5), xytext=(0, 2), textcoords="offset points",
            ha="center", va="bottom", fontsize=9.5, fontweight="bold",
        ).set_in_layout(False)  # fmt: skip
        page.settle(figure, panels, "y")
    return figure


def _patch(name: str, **style) -> Patch:
    _, face, hatch = CLASSES[name]
    edge = "white" if face == BLACK else BLACK
    return Patch(facecolor=face, edgecolor=edge, hatch=hatch, lw=0.9, **style)


def _end_words(p: Param, value: float, unit: str) -> str:
    """The value of a parameter at an end of its bar."""
    if p.words:
        return p.words[int(value)]
    return readable(float(f"{value:.2g}") if p.unit != "K" else round(value, 1), unit)


def _bar(axes: Axes, row: int, bar: Bar, middle: float) -> None:
    """Draw one bar, and at its ends the parameter's low and high value."""
    _, face, hatch = CLASSES[bar.group]
    style = {"facecolor": face, "edgecolor": BLACK, "hatch": hatch, "linewidth": 0.9, "zorder": 3}
    both = np.isfinite((bar.low, bar.high)).all()
    same = both and (bar.low - middle) * (bar.high - middle) > 0
    values = at_score(bar.parameter, np.array([-1.0, 1.0]))
    unit = spelling_for(float(np.max(np.abs(values))), bar.parameter.unit)
    for end, other, value, step in ((bar.low, bar.high, values[0], -1), (bar.high, bar.low, values[1], 1)):
        words = _end_words(bar.parameter, float(value), unit)
        y = row + (step * _HALF / 2 if same else 0.0)
        if np.isfinite(end):
            axes.barh(y, end - middle, _HALF if same else _FULL, left=middle, **style)
        right = end > middle if np.isfinite(end) and end != middle else _right(other, middle, step)
        text = words if np.isfinite(end) else f"{words}: does not run"
        at = end if np.isfinite(end) else middle
        axes.annotate(
            text, (at, y), xytext=(4 if right else -4, 0), textcoords="offset points", va="center", fontsize=9,
            ha="left" if right else "right", color=BLACK if np.isfinite(end) else GREY,
        ).set_in_layout(False)  # fmt: skip


def _right(other: float, middle: float, step: int) -> bool:
    """On which side the text of an end stands that has no bar: across from the other end."""
    return other < middle if np.isfinite(other) and other != middle else step > 0


def _room_for(figure: Figure, axes: Axes) -> None:
    """Widen the abscissa until the texts at the ends of the bars lie within the panel."""
    for _ in range(8):
        figure.draw_without_rendering()
        frame, boxes = axes.get_window_extent(), [text.get_window_extent() for text in axes.texts]
        left = max(0.0, frame.x0 + 8 - min(b.x0 for b in boxes)) / frame.width
        right = max(0.0, max(b.x1 for b in boxes) - frame.x1 + 2) / frame.width
        low, high = axes.get_xlim()
        axes.set_xlim(low - 1.05 * left * (high - low), high + 1.05 * right * (high - low))


def _notes(sweep: Sweep, found: list[Bar], shown: list[Bar], scale: Scale) -> list[str]:
    """How the bars came about, what is left out, and what kind of knowledge the uncertainty rests on."""
    tied, middle = sweep.tornado.how == "tied", scale.built
    how = (
        "Over the draws of the calibration, which belong together: what the output does along with each parameter, "
        "one standard deviation down and up; effects do not add up."
        if tied
        else "Each parameter by itself, one standard deviation down and up; its two values stand at the ends."
    )
    left = [b for b in found if b not in shown and np.isfinite(b.reach(middle))]
    notes = [how]
    if left:
        most = max(b.reach(middle) for b in left)
        span = f"{digits(most, 2)} {'K' if scale.unit == '°C' else scale.unit}".strip()
        notes.append(f"{len(left)} further parameters move it by {span} at most.")
    if not tied and (told := shares(found, middle)):
        words = [f"{name} {'over 99' if 0.99 < s < 1 else round(100 * s)} %" for name, s in told.items() if s >= 0.01]
        words += ["the rest under 1 %"] if min(told.values()) < 0.01 and max(told.values()) < 0.99 else []
        notes.append(f"What this rests on (shares of the squared effects): {join_words(words)}.")
    if stops := [b for b in found if not np.isfinite(b.effect(middle))]:
        words = [f"{parameter_label(b.parameter.name)} ({b.group})" for b in stops]
        notes.append(
            f"Not in the shares, because within one standard deviation the mill stops running: {join_words(words)}."
        )
    return notes if not tied else [*notes, "The values at the ends are those of the calibrated range."]


def shares(found: list[Bar], middle: float) -> dict[str, float]:
    """Share of the sum of the squared effects by class of basis, largest first; a parameter that stops the mill has no
    effect that could be squared and is left out. Both ends on one side of the middle do not cancel: the farther counts.
    """
    square = {name: 0.0 for name in CLASSES}
    for b in found:
        effect = b.effect(middle)
        square[b.group] += effect**2 if np.isfinite(effect) else 0.0
    total = sum(square.values())
    ranked = sorted(square.items(), key=lambda one: -one[1])
    return {name: s / total for name, s in ranked if s > 0} if total > 0 else {}


def _foot(sweep: Sweep, output: str) -> str:
    made = (
        f"mill as built · balance engine · millsim {sweep.version}, model {sweep.model_version} "
        f"· config {sweep.base_sha256[:12]}"
    )
    told = " ".join(["Predictions, not measurements.", *error_words(sweep, [output], None, "")])
    return f"{made}\n{told}"
