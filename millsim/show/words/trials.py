"""What trials of a powder's use tell of the sizes it may have, in words and as JSON."""

from ...base.quantities.written import digits, join_words, wrap
from ...explore.choose.learned import limits
from ...explore.choose.words import size_words
from ...learn.book.window import COARSE, FINE, LEVEL, Edge, Window
from .json import jsonable, picked

_SIDES = {FINE: "lower", COARSE: "upper"}


def window_text(w: Window) -> str:
    """The window with its doubt, or what is missing for it."""
    counts = join_words([f"{n} {verdict}" for verdict, n in w.counts.items()])
    unknown = f" ({w.unknown} more, of powder whose {w.by} is not known)" if w.unknown else ""
    lines = wrap(f"{w.use}: {w.trials} trial{'s' * (w.trials != 1)} by {w.by}{unknown}: {counts}.")
    if w.fine is None and w.coarse is None:
        return "\n".join([*lines, *wrap(f"Not enough trials: {_lacking(w)}.")]) + "\n"
    low, high = limits(w)
    if not (low or high):
        text = f"No size is good more often than not: at best {100 * w.best:.0f} %. Is it {w.by} that matters?"
        return "\n".join([*lines, *wrap(text), *wrap(_edges(w))]) + "\n"
    lines += wrap(
        f"Good more often than not: {w.by} {_between(low, high)}; at best {100 * w.best:.0f} % are good there."
    )
    lines += wrap(_edges(w))
    if w.missing:
        lines += wrap(
            f"Not enough trials for the {_SIDES[w.missing[0]]} edge: {_lacking(w)}, so that side is left open."
        )
    lines += wrap(f"The next trial tells most where good and not good are as likely: {_next(w)}.")
    return "\n".join(lines) + "\n"


def entered_text(name: str, sizes_m: dict[str, float]) -> str:
    """A trial that was entered, with the sizes of its powder."""
    told = join_words([f"{n} {_mm(v)} mm" for n, v in sizes_m.items()]) or "sizes not known"
    return "\n".join(wrap(f"{name}: entered, powder of {told}.")) + "\n"


def window_json(w: Window) -> dict:
    """The window in SI units."""
    low, high = limits(w)
    told = picked(w, "use by trials counts fine coarse missing best unknown")
    return {"status": "ok"} | told | jsonable({"least_m": low, "most_m": high})


def _lacking(w: Window) -> str:
    return f"at least one {join_words(list(w.missing))} is missing"


def _edges(w: Window) -> str:
    told = [f"the {_SIDES[v]} edge lies at {_at(e)}" for v, e in ((FINE, w.fine), (COARSE, w.coarse)) if e]
    return f"{join_words(told).capitalize()} ({100 * LEVEL:.0f} % ranges; flat priors in ln size)."


def _at(e: Edge) -> str:
    return f"{_mm(e.value)} mm, from {_mm(e.low)} to {_mm(e.high)} mm"


def _mm(size_m: float) -> str:
    return digits(1e3 * size_m, 2)


def _between(low: float | None, high: float | None) -> str:
    if low and high:
        return f"{size_words(low)} to {size_words(high)}"
    return f"at least {size_words(low)}" if low else f"at most {size_words(high or 0.0)}"


def _next(w: Window) -> str:
    wide = [(e.high / e.low, e, v) for v, e in ((FINE, w.fine), (COARSE, w.coarse)) if e]
    _, edge, _ = max(wide, key=lambda row: row[0])
    return f"a powder of {w.by} {_mm(edge.value)} mm"
