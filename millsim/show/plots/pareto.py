"""Trade-offs of a sweep: two outputs against each other, coloured by a third, the front joined. Imports matplotlib."""

import textwrap
from collections import Counter
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedLocator, MaxNLocator

from ...base.quantities.written import capital, digits, join_words
from ...explore.sweep.reasons import NO_FIGURE, cell_states, refuse_if_nothing_runs, replicates_last
from ...explore.sweep.record import Sweep
from ...record.limits import OVER
from ...record.outputs import output_of
from . import page
from .cut import Scale, axis_name, axis_text, band_ends, cell_figures, factor_ticks, least_span, scale_of
from .style import BLACK, GREY, RED, plain_style
from .sweep import BAND_WORDS, foot_words

UP = ("throughput_kg_s", "capacity_kg_s", "accepted_kg_s", "yield")  # more is better; of the rest less is
MOST_BEATEN = 20_000  # settings beaten by others that are drawn; of more every k-th
MOST_NAMED = 5
MOST_CLEAR = 400  # settings that numbers keep clear of; of more only the best
_KEY = 100  # characters in a line of the key
_WIDE = 10.0  # largest over smallest value from which an axis is logarithmic
_ALIKE = 0.05  # rate times energy within this of its median everywhere is one power, not a trade-off
_MOST_ALIKE = 0.7  # of the settings: the picture is a line, with some that another limit than the power holds
_LOOKS = {False: {"s": 24, "lw": 0.4, "ec": BLACK, "zorder": 2}, True: {"s": 62, "lw": 1.8, "ec": RED, "zorder": 5}}
_BESIDE = [(k * x, k * y) for k in (20, 34, 52) for x, y in ((1, 1), (1, -1), (-1, 1), (-1, -1), (0, 1.2), (0, -1.2))]


@dataclass(frozen=True)
class Side:
    """One output of a trade-off by cell (C,) in the unit shown, NaN where unknown, and the ends of its 80 % band."""

    scale: Scale
    value: np.ndarray
    low: np.ndarray
    high: np.ndarray

    @property
    def better(self) -> np.ndarray:
        """The values turned so that less is better."""
        return -self.value if self.scale.output in UP else self.value

    @property
    def log(self) -> bool:
        """Whether the values span so much that they belong on a logarithmic axis."""
        seen = self.seen
        return bool(self.scale.unit != "°C" and seen.size and seen.min() > 0 and seen.max() / seen.min() > _WIDE)

    @property
    def seen(self) -> np.ndarray:
        """All values that are known, that of the mill as built among them."""
        both = np.append(self.value, self.scale.built)
        return both[np.isfinite(both)]


def trade_off(sweep: Sweep, x: str = "gross_J_kg", y: str = "throughput_kg_s", colour: str = "x50_m",
              choice=None) -> Figure | None:  # fmt: skip
    """Every setting of a sweep by two outputs, coloured by a third; those that no other beats in both are joined.

    With a Choice its front is shown, which weighs more than two outputs, and its builds are named. Thin lines are
    bands, where there are draws. None where no setting has both figures. Raises InputError where no point runs.
    """
    refuse_if_nothing_runs(sweep, f"sweep of {sweep.name}", "to draw")
    sides = [_side(sweep, output, choice) for output in (x, y, colour)]
    shown = np.isfinite([s.value for s in sides[:2]]).all(axis=0)
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
    mean, *_, blank = cell_figures(sweep, output, choice)
    scale = scale_of(sweep, output, mean, choice)
    return Side(scale, scale.of(mean), *map(scale.of, band_ends(sweep.points, output, sweep.count // mean.size)))


def _named(sweep: Sweep, choice, front: np.ndarray) -> list[tuple[int, str]]:
    """(cell, words) of the settings with a number: the builds of a choice, else the ends and middle of the front."""
    per = max(1, sweep.replicates)
    if choice is None:
        places = dict.fromkeys(np.round(np.linspace(0, len(front) - 1, min(len(front), 3))).astype(int).tolist())
        return [(int(front[k]), _setting(sweep, int(front[k]) * per)) for k in places]
    builds = [*choice.builds[:MOST_NAMED]] or ([choice.nearest] if choice.nearest is not None else [])
    return [(b.point // per, f"{b.role}: {_changes(b)}") for b in builds]


def _changes(build) -> str:
    return ", ".join(f"{what} {now}" for what, _, now in build.changes) or "the mill as built"


def _setting(sweep: Sweep, point: int) -> str:
    """The settings of a point: "stator gap 2 mm, sieve hole 0.6 mm"."""
    at = sweep.at(point)
    return ", ".join(f"{axis_name(a.key)} {axis_text(a, at[a.key])}" for a in sweep.axes)


def _drawn(sweep: Sweep, choice, sides: list[Side], masks: tuple, front: np.ndarray, named: list) -> Figure:
    x, y, colour = sides
    shown, over, meets = masks
    cells = [cell for cell, _ in named]
    banded = any(np.isfinite(s.low[cells]).any() for s in (x, y))
    band = BAND_WORDS.format(count=sweep.draw_count) if banded else ""
    power = one_power(x, y, shown)
    lines = sum(-(-len(words) // _KEY) for _, words in named)
    figure, panels = page.new(
        sweep, title(x.scale.output, y.scale.output, bool(power)),
        _notes(sweep, choice, shown, sides, front.size if choice is None else 0, power),
        foot_words(sweep, [s.scale.output for s in sides], band=band), height=5.9 + 0.2 * lines,
    )  # fmt: skip
    axes = panels[0]
    norm = page.colours_of(np.where(shown, colour.value, np.nan), colour.scale)
    for which, side in (("x", x), ("y", y)):
        _scale(axes, which, side, shown, cells)
    _bands(axes, x, y, cells)
    best = np.zeros(shown.size, dtype=bool)
    best[front] = True
    marks = []
    for mask, marker in zip((~over & meets, over & meets, ~meets), "o^s", strict=True):
        for of_front, look in _LOOKS.items():
            found = np.flatnonzero(shown & mask & (best == of_front))
            found = found[:: 1 if of_front else -(-found.size // MOST_BEATEN) or 1]
            marks += [(marker, of_front)] if found.size else []
            at = [s.value[found] for s in sides]
            axes.scatter(*at[:2], c=at[2], marker=marker, cmap=page.COLOURS, norm=norm, **look)
    ranked = front[np.lexsort((y.better[front], x.better[front]))]
    joined = front.size > 1 and not power and bool((np.diff(y.better[ranked]) <= 0).all())
    if joined:
        axes.plot(x.value[ranked], y.value[ranked], color=RED, lw=1.6, ls="--", zorder=4)
    built = page.mark_built(axes, (x.scale.built, y.scale.built), colour.scale, hollow=True)
    page.colour_bar(figure, panels, norm, colour.scale.label)
    _key(figure, choice, marks, built, banded, joined, named)
    (texts,) = page.settle(figure, panels)
    _write(texts, x, y, best & shown if shown.sum() > MOST_CLEAR else shown, cells)
    return figure


def title(x: str, y: str, power: bool = False) -> str:
    """Title of a trade-off: "Trade-off: rate of powder against x50"."""
    head = "No trade-off" if power else "Trade-off"
    return f"{head}: {output_of(y).short} against {output_of(x).short}"


def one_power(x: Side, y: Side, shown: np.ndarray) -> str:
    """Where rate times energy is the same at all settings, or most: "1400 W at all settings"; else ""."""
    if {x.scale.output, y.scale.output} != {"gross_J_kg", "throughput_kg_s"} or shown.sum() < 3:
        return ""
    watts = x.value[shown] / x.scale.factor * y.value[shown] / y.scale.factor
    middle = float(np.median(watts))
    alike = float(np.mean(np.abs(watts / middle - 1) < _ALIKE))
    where = "all settings" if alike == 1.0 else f"{100 * alike:.0f} % of the settings"
    return f"{digits(middle, 2)} W at {where}" if alike >= _MOST_ALIKE else ""


def _notes(sweep: Sweep, choice, shown: np.ndarray, sides: list[Side], count: int, power: str) -> list[str]:
    """What the picture leaves out, and what counts as better."""
    notes = []
    if choice is not None:
        none = "" if np.any(choice.meets) else "; none of these settings meets it"
        notes.append(f"Target: {choice.target.title}{none}.")
        sieved = [str(k) for k, b in enumerate(choice.builds[:MOST_NAMED], 1) if b.circuit is not None]
        notes += [f"Drawn as the mill alone, without its sieve: {join_words(sieved)}."] if sieved else []
    if power:
        notes.append(
            f"Rate times energy is the power from the socket, here about {power}: what grinds faster "
            "also costs less per kg, and there is nothing to weigh."
        )
    _, reasons, _ = cell_states(sweep)
    out = Counter((reasons[i] or NO_FIGURE).text for i in np.flatnonzero(~shown))
    better = [_better(s.scale.output) for s in (sides[1], sides[0])]
    alone = " One setting beats all others in both." if count == 1 else ""
    notes.append(f"{capital(join_words(better))} are better.{alone}")
    if out:
        (words, _), gone = out.most_common(1)[0], sum(out.values())
        notes.append(f"{gone} of {shown.size} settings have no place here; most often: {words}.")
    if (~shown).sum() + MOST_BEATEN < shown.size:
        notes.append("Of the settings that others beat only some are drawn.")
    return notes


def _better(output: str) -> str:
    """What counts as better: "a higher rate of powder"."""
    return f"a {'higher' if output in UP else 'lower'} {output_of(output).short}"


def _scale(axes: Axes, which: str, side: Side, shown: np.ndarray, cells: list[int]) -> None:
    """Scale, limits, ticks and label of one axis; bands may make it wider by as much again."""
    axis = getattr(axes, f"{which}axis")
    seen = np.append(side.value[shown], side.scale.built)
    seen = seen[np.isfinite(seen)]
    ends = np.concatenate([side.low[cells], side.high[cells], side.scale.band])
    ends = ends[np.isfinite(ends) & ((ends > 0) | (not side.log))]
    v, e = (np.log(seen), np.log(ends)) if side.log else (seen, ends)
    low, high = (v.min(), v.max()) if side.log else least_span(side.scale.unit, float(v.min()), float(v.max()))
    wide = float(high - low) or 1.0
    low, high = max(min([low, *e]), low - 0.6 * wide), min(max([high, *e]), high + 0.6 * wide)
    low, high = low - 0.06 * wide, high + 0.06 * wide
    if side.log:
        getattr(axes, f"set_{which}scale")("log")
        low, high = np.exp([low, high])
        axis.set_major_locator(FixedLocator(factor_ticks(low, high)))
    else:
        low = 0.0 if 0 <= seen.min() and low < 0.1 * high else low
        axis.set_major_locator(MaxNLocator(7, steps=[1, 2, 2.5, 5, 10]))
    getattr(axes, f"set_{which}lim")(low, high)
    page.plain_numbers(axis)
    axis.set_label_text(textwrap.fill(side.scale.label, 56 if which == "x" else 36))


def _bands(axes: Axes, x: Side, y: Side, cells: list[int]) -> None:
    """Thin lines from end to end of the bands of the settings with a number and of the mill as built."""
    thin = {"lw": 0.7, "color": GREY, "zorder": 3}
    rows = [(x.value[i], y.value[i], (x.low[i], x.high[i]), (y.low[i], y.high[i])) for i in cells]
    rows.append((x.scale.built, y.scale.built, x.scale.band, y.scale.band))
    for px, py, across, up in rows:
        if np.isfinite([px, py]).all() and not np.isnan(across).any():
            axes.plot(np.clip(across, *axes.get_xlim()), [py, py], **thin)
        if np.isfinite([px, py]).all() and not np.isnan(up).any():
            axes.plot([px, px], np.clip(up, *axes.get_ylim()), **thin)


def _key(figure: Figure, choice, marks: list, built: list, banded: bool, joined: bool, named: list) -> None:
    """The key below the panel of what is there, and the settings behind the numbers."""
    number = {"color": BLACK, "ls": "", "ms": 7, "mew": 0}
    told = [textwrap.fill(words, _KEY) for _, words in named]
    numbers = [Line2D([], [], marker=rf"$\mathbf{{{k}}}$", label=words, **number) for k, words in enumerate(told, 1)]
    page.key_below(figure, numbers, 1)
    fine = "runs as asked" if choice is None else "meets the target"
    words = dict(zip("o^s", (fine, "takes less than asked for", "misses the target"), strict=True))
    pale = {"mec": BLACK, "mfc": "#cccccc", "ls": "", "ms": 6, "mew": 0.5}
    handles = [Line2D([], [], marker=m, label=w, **pale) for m, w in words.items() if m in dict(marks)]
    best = {"color": RED, "ls": "--" if joined else "", "lw": 1.6, "mec": RED, "mfc": "white", "ms": 8, "mew": 1.8}
    front = next((m for m, of_front in marks if of_front), "o")
    count = "both" if choice is None else "all that counts"
    handles.append(Line2D([], [], marker=front, label=f"front (red): none beats it in {count}", **best))
    handles += built
    if banded:
        handles.append(Line2D([], [], color=GREY, lw=0.7, label="80 % band"))
    page.key_below(figure, handles, 4)


def _write(texts: page.Texts, x: Side, y: Side, clear: np.ndarray, cells: list[int]) -> None:
    """Numbers beside the settings that have one, on none of the settings to keep clear (C,)."""
    for i in np.flatnonzero(clear):
        texts.keep_clear(x.value[i], y.value[i], 6)
    told = {cell: [str(k) for k, c in enumerate(cells, 1) if c == cell] for cell in cells}
    for cell, numbers in told.items():
        if np.isfinite([x.value[cell], y.value[cell]]).all():
            at = texts.axes.transData.transform((x.value[cell], y.value[cell]))
            texts.write(
                ", ".join(numbers), [at + off for off in _BESIDE], fontweight="bold", bbox=page.BOXED, zorder=10
            )
