"""Trade-offs of a sweep: two outputs against each other, coloured by a third, the front joined. Imports matplotlib."""

import math
import textwrap
from collections import Counter
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullFormatter, NullLocator

from ...base.quantities.written import capital, digits, join_words
from ...explore.sweep.reasons import cell_states, mean_error, refuse_empty, replicates_last
from ...explore.sweep.record import Sweep
from ...record.limits import OVER
from .cut import Ruler, band_ends, built_value, least_span, output_unit, output_values, ruler, value_text
from .labels import COLOURS, MARK, Places, below_panels, colour_bar, label_point, levels_of, mark_built, page, settle
from .style import BLACK, GREY, RED, plain_style
from .sweep import BAND_WORDS, OUTPUTS, foot_words, output_label, short_name

UP = ("throughput_kg_s", "capacity_kg_s", "accepted_kg_s", "yield")  # more is better; of the rest less is
MOST_PALE = 20_000  # dominated points drawn; of more every k-th
MOST_NAMED = 5
MOST_CLEAR = 400  # settings that texts keep clear of; of more only the best
_KEY = 100  # characters in a line of the key
_WIDE = 10.0  # largest over smallest value from which an axis is logarithmic


@dataclass(frozen=True)
class Side:
    """One output of a trade-off by cell (C,) in the unit shown (NaN: nothing to draw), its band and the mill as built.

    low, high (C,), built_low, built_high: ends of the 80 % band, NaN without one; error (C,): over replicates.
    """

    output: str
    value: np.ndarray
    low: np.ndarray
    high: np.ndarray
    error: np.ndarray
    built: float
    built_band: tuple[float, float]
    unit: str

    @property
    def better(self) -> np.ndarray:
        """The values turned so that less is better."""
        return -self.value if self.output in UP else self.value

    @property
    def log(self) -> bool:
        """Whether the values span so much that they belong on a logarithmic axis."""
        seen = np.append(self.value, self.built)
        seen = seen[np.isfinite(seen)]
        return bool(self.unit != "°C" and seen.size and seen.min() > 0 and seen.max() / seen.min() > _WIDE)


def trade_off(sweep: Sweep, x: str = "gross_J_kg", y: str = "throughput_kg_s", colour: str = "x50_m",
              choice=None) -> Figure | None:  # fmt: skip
    """Every setting of a sweep by two outputs, coloured by a third; those that no other beats in both are joined.

    With a Choice its front is shown, which weighs more than two outputs, and its builds are named. Thin lines are
    bands, where there are draws. None where no setting has both figures. Raises InputError where no point runs.
    """
    refuse_empty(sweep)
    sides = [_side(sweep, output, choice) for output in (x, y, colour)]
    _, _, blank = cell_states(sweep)
    shown = ~blank & np.isfinite([s.value for s in sides[:2]]).all(axis=0)
    over = (replicates_last(sweep, np.asarray(sweep.points.status)) == OVER).all(axis=1)
    meets = np.ones(shown.size, dtype=bool)
    if choice is not None:
        meets = replicates_last(sweep, np.asarray(choice.meets)).mean(axis=1) >= 0.5
    if not shown.any():
        return None
    among = np.flatnonzero(shown)
    front = among[unbeaten(sides[0].better[among], sides[1].better[among])]
    if choice is not None:  # which weighs more than these two outputs
        front = np.unique(np.array(choice.front, dtype=int) // max(1, sweep.replicates))
        front = front[shown[front]]
    named = _named(sweep, choice, front[np.argsort(sides[0].value[front], kind="stable")])
    with plain_style():
        return _drawn(sweep, choice, sides, (shown, over, meets), front, named)


def unbeaten(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Indexes (ascending) of the pairs a, b (N,), both to be small, of which no other is as small in both and smaller
    in one. Equal pairs stand together."""
    pairs, which = np.unique(np.column_stack([a, b]), axis=0, return_inverse=True)  # in order of a, then b
    before = np.concatenate([[np.inf], np.minimum.accumulate(pairs[:, 1])[:-1]])
    return np.flatnonzero((pairs[:, 1] < before)[which.reshape(-1)])


def _side(sweep: Sweep, output: str, choice) -> Side:
    values = replicates_last(sweep, output_values(sweep, output, choice))
    mean, error = mean_error(values)
    built = built_value(sweep, output, choice)
    unit, factor, offset = output_unit(output, mean)
    low, high = band_ends(sweep.points, output, values.shape[1])
    built_band = [float(end[0]) * factor + offset for end in band_ends(sweep.as_built, output)]
    ends = (end * factor + offset for end in (mean, low, high))
    return Side(output, *ends, error * factor, built * factor + offset, tuple(built_band), unit)


def _named(sweep: Sweep, choice, front: np.ndarray) -> list[tuple[int, str]]:
    """(cell, words) of the settings with a number: the builds of a choice, else the ends and middle of the front."""
    rulers = [ruler(sweep, a) for a in sweep.axes]
    count = sweep.count // max(1, sweep.replicates)
    if choice is None:
        places = dict.fromkeys(np.round(np.linspace(0, len(front) - 1, min(len(front), 3))).astype(int).tolist())
        return [(int(front[k]), _setting(sweep, rulers, int(front[k]))) for k in places]
    per = sweep.count // count
    builds = [*choice.builds[:MOST_NAMED]] or ([choice.nearest] if choice.nearest is not None else [])
    return [(b.point // per, f"{b.role}: {_changes(b)}") for b in builds]


def _changes(build) -> str:
    return ", ".join(f"{what} {now}" for what, _, now in build.changes) or "the mill as built"


def _setting(sweep: Sweep, rulers: list[Ruler], cell: int) -> str:
    """The settings of a cell: "stator gap 2 mm, sieve hole 0.6 mm"."""
    sizes = sweep.shape[: len(sweep.axes)] if sweep.design == "grid" else sweep.shape[:1]
    where = np.unravel_index(cell, sizes)
    told = []
    for i, one in enumerate(rulers):
        k = int(where[i if sweep.design == "grid" else 0])
        place = int(one.order[k]) if one.words else int(np.flatnonzero(one.order == k)[0])
        told.append(f"{one.name} {one.texts[place]}")
    return ", ".join(told)


def _drawn(sweep: Sweep, choice, sides: list[Side], masks: tuple, front: np.ndarray, named: list) -> Figure:
    x, y, colour = sides
    shown, over, meets = masks
    cells = [cell for cell, _ in named]
    banded = any(np.isfinite(s.low[cells]).any() for s in (x, y))
    band = BAND_WORDS.format(count=sweep.draw_count) if banded else ""
    lines = sum(-(-len(words) // _KEY) for _, words in named)
    figure, panels = page(
        sweep, title(x.output, y.output), _notes(sweep, choice, shown, sides, front.size if choice is None else 0),
        foot_words(sweep, [s.output for s in sides], band=band), height=5.9 + 0.2 * lines,
    )  # fmt: skip
    axes, levels = panels[0], levels_of(np.where(shown, colour.value, np.nan), colour.unit)
    norm = BoundaryNorm(levels, 256)
    for which, side in (("x", x), ("y", y)):
        _scale(axes, which, side, np.where(shown, side.value, np.nan), (side.low[cells], side.high[cells]))
    _bands(axes, x, y, cells)
    best = np.zeros(shown.size, dtype=bool)
    best[front] = True
    best[cells] = True
    groups = [shown & mask for mask in (~over & meets, over & meets, ~meets)]
    for mask, marker in zip(groups, "o^s", strict=True):
        look = {"marker": marker, "cmap": COLOURS, "norm": norm, "edgecolors": BLACK}
        _points(axes, sides, np.flatnonzero(mask & ~best), {"s": 26, "alpha": 0.35, "lw": 0.3, "zorder": 2, **look})
        _points(axes, sides, np.flatnonzero(mask & best), {"s": 62, "lw": 1.0, "zorder": 5, **look})
    ranked = front[np.lexsort((y.better[front], x.better[front]))]
    joined = front.size > 1 and (np.diff(y.better[ranked]) <= 0).all()  # of more than two outputs it may go to and fro
    if joined:
        axes.plot(x.value[ranked], y.value[ranked], color=RED, lw=1.6, ls="--", zorder=4)
    colour_bar(figure, panels, norm, levels, output_label(colour.output, colour.unit))
    _key(figure, choice, ([m.any() for m in groups], banded, np.isfinite([x.built, y.built]).all(), joined), named)
    (places,) = settle(figure, panels)
    _write(places, sides, best & shown if shown.sum() > MOST_CLEAR else shown, named)
    return figure


def _points(axes: Axes, sides: list[Side], cells: np.ndarray, look: dict) -> None:
    """Markers of some cells; of very many every k-th."""
    cells = cells[:: -(-cells.size // MOST_PALE) or 1]
    x, y, colour = (s.value[cells] for s in sides)
    axes.scatter(x, y, c=colour, **look)


def title(x: str, y: str) -> str:
    """Title of a trade-off: "Trade-off: product rate against energy"."""
    words = [OUTPUTS[o][0].split(": ", 1)[-1] if o in OUTPUTS else short_name(o) for o in (y, x)]
    return f"Trade-off: {words[0]} against {words[1]}"


def _notes(sweep: Sweep, choice, shown: np.ndarray, sides: list[Side], count: int) -> list[str]:
    """What the picture leaves out, and what counts as better."""
    notes = []
    if choice is not None:
        none = "" if np.any(choice.meets) else "; none of these settings meets it"
        notes.append(f"Target: {choice.target.title}{none}.")
        sieved = [str(k) for k, b in enumerate(choice.builds[:MOST_NAMED], 1) if b.circuit is not None]
        notes += [f"Drawn as the mill alone, without its sieve: {join_words(sieved)}."] if sieved else []
    _, reasons, _ = cell_states(sweep)
    out = Counter(reasons[i] or "no figure" for i in np.flatnonzero(~shown))
    better = [_better(s.output) for s in (sides[1], sides[0])]
    alone = " One setting beats all others in both." if count == 1 else ""
    notes.append(f"{capital(join_words(better))} is better.{alone}")
    if out:
        (words, _), gone = out.most_common(1)[0], sum(out.values())
        notes.append(f"{gone} of {shown.size} settings have no place here; most often: {words}.")
    if (~shown).sum() + MOST_PALE < shown.size:
        notes.append("Of the pale points only some are drawn.")
    return notes


def _better(output: str) -> str:
    """What counts as better: "more powder"."""
    known = {"throughput_kg_s": "powder", "accepted_kg_s": "accepted powder", "yield": "of it in the window",
             "gross_J_kg": "energy per kg", "net_J_kg": "energy per kg"}  # fmt: skip
    how = "more" if output in UP else "a smaller" if output.startswith("x") else "less"
    return f"{how} {known.get(output, short_name(output))}"


def _scale(axes: Axes, which: str, side: Side, value: np.ndarray, band: tuple) -> None:
    """Scale, limits, ticks and label of one axis; bands may make it wider by as much again."""
    axis = getattr(axes, f"{which}axis")
    seen = np.append(value, side.built)
    seen = seen[np.isfinite(seen)]
    ends = np.concatenate([*band, side.built_band])
    ends = ends[np.isfinite(ends) & ((ends > 0) | (not side.log))]
    v, e = (np.log(seen), np.log(ends)) if side.log else (seen, ends)
    low, high = (v.min(), v.max()) if side.log else least_span(side.unit, float(v.min()), float(v.max()))
    wide = float(high - low) or 1.0
    low, high = max(min([low, *e]), low - 0.6 * wide), min(max([high, *e]), high + 0.6 * wide)
    low, high = low - 0.06 * wide, high + 0.06 * wide
    if side.log:
        getattr(axes, f"set_{which}scale")("log")
        steps = (1,) if high - low > math.log(2000) else (1, 2, 5)
        axis.set_major_locator(FixedLocator([m * 10.0**e for e in range(-12, 13) for m in steps]))
        low, high = np.exp([low, high])
    else:
        low = 0.0 if 0 <= seen.min() and low < 0.1 * high else low
        axis.set_major_locator(MaxNLocator(7, steps=[1, 2, 2.5, 5, 10]))
    getattr(axes, f"set_{which}lim")(low, high)
    axis.set_major_formatter(FuncFormatter(lambda v, _: digits(v, 4)))
    axis.set_minor_formatter(NullFormatter())
    axis.set_minor_locator(NullLocator())
    axis.set_label_text(textwrap.fill(output_label(side.output, side.unit), 56 if which == "x" else 36))


def _bands(axes: Axes, x: Side, y: Side, cells: list[int]) -> None:
    """Thin lines from end to end of the bands of the settings with a number and of the mill as built."""
    thin = {"lw": 0.7, "color": GREY, "zorder": 3}
    rows = [(x.value[i], y.value[i], (x.low[i], x.high[i]), (y.low[i], y.high[i])) for i in cells]
    rows.append((x.built, y.built, x.built_band, y.built_band))
    for px, py, across, up in rows:
        if np.isfinite([px, py]).all() and not np.isnan(across).any():
            axes.plot(np.clip(across, *axes.get_xlim()), [py, py], **thin)
        if np.isfinite([px, py]).all() and not np.isnan(up).any():
            axes.plot([px, px], np.clip(up, *axes.get_ylim()), **thin)


def _key(figure: Figure, choice, there: tuple, named: list) -> None:
    """The key below the panel of what is there, and the settings behind the numbers."""
    kinds, banded, built, joined = there
    number = {"color": BLACK, "ls": "", "ms": 7, "mew": 0}
    told = [textwrap.fill(words, _KEY) for _, words in named]
    numbers = [Line2D([], [], marker=rf"$\mathbf{{{k}}}$", label=words, **number) for k, words in enumerate(told, 1)]
    below_panels(figure, numbers, 1)
    fine = "runs as asked" if choice is None else "meets the target"
    words = (fine, "takes less than asked for", "misses the target")
    pale = {"mec": BLACK, "mfc": "#cccccc", "ls": "", "ms": 6, "mew": 0.5}
    handles = [Line2D([], [], marker=m, label=w, **pale) for m, w, on in zip("o^s", words, kinds, strict=True) if on]
    best = {"color": RED, "ls": "--" if joined else "", "lw": 1.6, "marker": "o", "mec": BLACK, "mfc": "white", "ms": 8}
    words = "both" if choice is None else "all that counts"
    handles.append(Line2D([], [], label=f"front: none beats it in {words}", **best))
    if built:
        handles.append(Line2D([], [], mfc="white", label="as built", **{**MARK, "ms": 11}))
    if banded:
        handles.append(Line2D([], [], color=GREY, lw=0.7, label="80 % band"))
    below_panels(figure, handles, 4)


def _write(places: Places, sides: list[Side], clear: np.ndarray, named: list) -> None:
    """Numbers beside the settings that have one, and the mill as built; on none of the settings to keep clear (C,)."""
    x, y, colour = sides
    for i in np.flatnonzero(clear):
        places.take_point(x.value[i], y.value[i], 5)
    built = np.isfinite([x.built, y.built]).all()
    if built:
        value = f": {value_text(colour.built, colour.unit)}" if np.isfinite(colour.built) else ""
        mark_built(places, x.built, y.built, f"as built{value}")
    for k, (cell, _) in enumerate(named, 1):
        at = (x.value[cell], y.value[cell])
        if np.isfinite(at).all():
            label_point(places, at, str(k), bold=True)
