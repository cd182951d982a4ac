"""Why points of a sweep are out, in words that like points share; replicates taken together. No matplotlib."""

import re
from collections import Counter
from dataclasses import dataclass

import numpy as np

from ...errors import InputError, Problem
from ...record.limits import CANNOT, FAILED, LIMITS, MISSING, OK, OVER
from .record import Sweep

MOST_REASONS = 8  # told apart in one figure; rarer ones are "other reasons"


@dataclass(frozen=True)
class Reason:
    """Why cells are out: text; blank where there is no figure to show; hatch."""

    text: str
    blank: bool
    hatch: str

    @property
    def meaning(self) -> str:
        """The reason as a key explains it."""
        if self.text in LIMITS:
            return f"{self.text}: takes less than the feed rate asked for (pale: for what it takes)"
        if self.text.startswith("cannot run: "):
            return f"{self.text} is over its limit with next to no feed"
        return self.text if self.blank else f"{self.text} (pale)"

    @property
    def unpaled(self) -> str:
        """The same beside a mark of its own that is not pale."""
        if self.text in LIMITS:
            return f"{self.text}: takes less than the feed rate asked for (drawn for what it takes)"
        return self.meaning if self.blank else self.text


def replicates_last(sweep: Sweep, values: np.ndarray) -> np.ndarray:
    """Values by point (P, ...) with replicates as second dimension (cells, replicates, ...)."""
    dims = len(sweep.axes) if sweep.design == "grid" else 1
    count = sweep.shape[-1] if len(sweep.shape) > dims else 1
    return values.reshape(-1, count, *values.shape[1:])


def mean_error(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean and standard error over the replicates that ran (cells, replicates) -> (cells,); NaN where none did."""
    good = np.isfinite(values)
    count = good.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(good, values, 0.0).sum(axis=1) / count
        off = np.where(good, values - mean[:, None], 0.0)
        error = np.sqrt((off**2).sum(axis=1) / (count - 1) / count)
    return mean, np.where(count > 1, error, np.nan)


def cell_states(sweep: Sweep, choice=None) -> tuple[np.ndarray, list[str], np.ndarray]:
    """(status, reason, blank) of every cell, replicates taken together; "" is a cell that is fine.

    A cell is as good as its best replicate; with a Choice it is out when most replicates miss the target.
    """
    status = replicates_last(sweep, np.asarray(sweep.points.status))
    best = np.argmin(np.where(status == MISSING, MISSING, status), axis=1)
    first = np.arange(status.shape[0]) * status.shape[1]
    points = first + best
    code = status[np.arange(status.shape[0]), best]
    meets = None if choice is None else replicates_last(sweep, np.asarray(choice.meets)).mean(axis=1) >= 0.5
    reasons = []
    for cell, point in enumerate(points):
        said = point_reason(sweep, int(point))
        if meets is not None and meets[cell]:
            said = ""
        elif meets is not None and not said:
            said = f"misses target: {_missed(choice, first[cell], status.shape[1])}"
        reasons.append(said)
    return code, reasons, np.isin(code, (CANNOT, FAILED, MISSING))


def _missed(choice, first: int, count: int) -> str:
    """What the replicates of a cell miss most often."""
    seen = [b for b in choice.binds[first : first + count] if b]
    return Counter(seen).most_common(1)[0][0] if seen else "no wish named"


def point_reason(sweep: Sweep, point: int) -> str:
    """Why a point does not run as asked, in a few words; "" where it does."""
    status, limit = int(sweep.points.status[point]), int(sweep.points.binding[point])
    name = LIMITS[limit] if 0 <= limit < len(LIMITS) else "unknown limit"
    if status == OK:
        return ""
    if status == FAILED:
        return failed_words(sweep.points.reason.get(point, ""))
    return {OVER: name, CANNOT: f"cannot run: {name}", MISSING: "not computed"}.get(status, "unknown state")


_NUMBER = r"-?\d[\d.,e+-]*(\s*%|\s*(mm|µm|um|m/s|rpm|rad/s|°C|degC|kg/h|g/h|kg|g|W|m|s|K)\b)?"


def failed_words(reason: str) -> str:
    """The reason of a failed point without its numbers, so that like points say the like."""
    if "settle" in reason:
        return "no steady state found"
    if not reason.strip():
        return "failed, no reason given"
    text = reason.split("; ")[0].strip().rstrip(".")
    last = text.rsplit(": ", 1)[-1]
    text = last if len(last) >= 12 else text.removeprefix("contradiction: ")
    key, _, rest = text.partition(" ")
    head, text = (
        (f"{key.replace('.', ' ').replace('_', ' ')}: ", rest) if re.fullmatch(r"\w+(\.\w+)+", key) else ("", text)
    )
    text = re.sub(rf"\s*\([^)]*\d[^)]*\)|^{_NUMBER}\s*|\s+of {_NUMBER}", "", text)
    text = re.sub(_NUMBER, "...", text)
    return f"contradiction: {head}{' '.join(text.split())}"


def common_reasons(reasons: list[str], blanks: np.ndarray) -> tuple[np.ndarray, tuple[Reason, ...]]:
    """(index of each cell's reason, -1 where fine; the reasons, most common first), each with a hatch of its own."""
    counts = Counter((r, bool(b)) for r, b in zip(reasons, blanks, strict=True) if r)
    ranked = sorted(counts, key=lambda k: (-counts[k], k))
    kept, rest = ranked[:MOST_REASONS], ranked[MOST_REASONS:]
    named = [*kept, *sorted({("other reasons", blank) for _, blank in rest})]
    place = {k: i for i, k in enumerate(kept)} | {k: named.index(("other reasons", k[1])) for k in rest}
    found = np.array([place[r, bool(b)] if r else -1 for r, b in zip(reasons, blanks, strict=True)], dtype=int)
    return found, tuple(Reason(t, b, h) for (t, b), h in zip(named, _hatches([t for t, _ in named]), strict=True))


# A limit looks the same in every figure; the others take what is left.
_OF_LIMIT = {
    "shaft power": "///", "outlet temperature": "...", "sieve": "xxx", "chamber": "\\\\\\", "jam": "|||",
    "feed opening": "---",
    "grinding": "ooo",
}  # fmt: skip
_SPARE = ("++", "\\\\//..", "||..", "--..", "//..", "xx..", "\\\\..", "++..", "**", "OO", "||--", "xx++")


def _hatches(texts: list[str]) -> list[str]:
    spare, used, found = list(_SPARE), set(), []
    for text in texts:
        limit = text.removeprefix("cannot run: ")
        hatch = _OF_LIMIT.get(limit, "")
        if not hatch or hatch in used:
            hatch = spare.pop(0)
        used.add(hatch)
        found.append(hatch)
    return found


def refuse_empty(sweep: Sweep) -> None:
    """Raise InputError with the commonest reason where no point of a sweep runs: there is nothing to draw."""
    status = np.asarray(sweep.points.status)
    if np.isin(status, (OK, OVER)).any():
        return
    counts = Counter(point_reason(sweep, i) for i in range(status.size))
    words, count = counts.most_common(1)[0] if counts else ("no points", 0)
    message = f"none of its {status.size} points runs, so there is nothing to draw; most often ({count}): {words}"
    raise InputError(Problem(f"sweep of {sweep.name}", "", message, hint="change the axes or the base config"))
