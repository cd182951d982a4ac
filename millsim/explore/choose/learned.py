"""A target from trials of the powder's use: a window of sizes, never sharper than the trials bear."""

from math import ceil, floor, inf

from ...base.quantities.written import decimals, join_words, number
from ...learn.book.window import LEVEL, Edge, Window
from ...record.outputs import OUTPUTS
from .record import Target, Wish
from .spec import OUTPUT_OF
from .words import size_words


def target_of(w: Window) -> Target:
    """The target that a window with at least one limit makes."""
    output = OUTPUT_OF[w.by]
    low, high = limits(w)
    wish = Wish(w.by, output, low or 0.0 if low else -inf, high if high else inf, "m", "um" if _fine(w) else "mm",
                "learned", source(w), OUTPUTS[output].short)  # fmt: skip
    return Target(f"powder for this use: {w.use}", note(w), (wish,), None)


def limits(w: Window) -> tuple[float | None, float | None]:
    """(least, most) [m] rounded inwards to the digits that the edges bear."""
    low = _rounded(w.least, w.fine, ceil) if w.fine and w.least else None
    high = _rounded(w.most, w.coarse, floor) if w.coarse and w.most else None
    return (w.least, w.most) if low and high and low >= high else (low, high)


def source(w: Window) -> str:
    """What the limits rest on, with the range of each edge."""
    counts = join_words([f"{n} {verdict}" for verdict, n in w.counts.items() if n])
    edges = [f"{side} {_range(edge)}" for side, edge in (("lower", w.fine), ("upper", w.coarse)) if edge]
    text = f"learned from {w.trials} trials ({counts}); {100 * LEVEL:.0f} % range of the edge, {', '.join(edges)}"
    return f"{text}; no trial was {join_words(list(w.missing))}, so that side is open" if w.missing else text


def note(w: Window) -> str:
    """How the limits are to be read."""
    best = f", at best {100 * w.best:.0f} % are good" if w.fine and w.coarse else ""
    return f"From trials of use, not from a standard: at a limit good and not good are about as likely{best}."


def _fine(w: Window) -> bool:
    return min(v for v in (w.least, w.most) if v) < 1e-3


def _rounded(value: float, edge: Edge, towards) -> float:
    places = decimals(value * 1e6, 0.5e6 * (edge.high - edge.low))
    shown = towards(round(value * 1e6 * 10.0**places, 6)) * 10.0**-places
    return float(f"{number(shown, places)}e-6")  # the very number that is written in µm


def _range(edge: Edge) -> str:
    return f"{size_words(float(f'{edge.low:.2g}'))} to {size_words(float(f'{edge.high:.2g}'))}"
