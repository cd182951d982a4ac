"""Why points of a sweep are out, in words that like points share; replicates taken together. No matplotlib."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from ...base.quantities.written import join_words
from ...errors import InputError, NothingRuns, Problem
from ...record.limits import (
    CANNOT,
    FAILED,
    HARDLY_GRINDS,
    LIMITS,
    MISSING,
    OK,
    OVER,
    STATUS_WORDS,
    cannot_run_words,
    out_words,
)  # fmt: skip
from ...studies.prebuild.review import BARRING, bits, of_bits
from .record import Failure, Sweep

MOST_REASONS = 8  # told apart in one figure; rarer ones are "other reasons"


@dataclass(frozen=True)
class Why:
    """Why a point is out: its status (OK where it runs, but misses a target or cannot be shown), and of what."""

    status: int
    what: str  # the limit, the kind of failure, what is missed

    @property
    def text(self) -> str:
        """In a few words, for a figure."""
        return out_words(self.what) if self.status == CANNOT else self.what


NO_FIGURE = Why(OK, "no figure")  # runs, but has no number to show


@dataclass(frozen=True)
class Reason:
    """Why cells are out: blank where there is no figure to show; hatch."""

    why: Why
    blank: bool
    hatch: str

    @property
    def text(self) -> str:
        """In a few words."""
        return self.why.text

    @property
    def meaning(self) -> str:
        """The reason as a key explains it."""
        if self.why.status == OVER:
            return f"{self.text}: takes less than the feed rate asked for (pale: for what it takes)"
        if self.text == HARDLY_GRINDS:
            return f"{HARDLY_GRINDS}: hardly any hit breaks or cuts pieces of this size"
        if self.why.status == CANNOT:
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


def cell_states(sweep: Sweep, choice=None) -> tuple[np.ndarray, list[Why | None], np.ndarray]:
    """(status, reason, blank) of every cell, replicates taken together; None is a cell that is fine.

    A cell is as good as its best replicate; with a Choice it is out when most replicates miss the target.
    """
    status = replicates_last(sweep, np.asarray(sweep.points.status))
    best = np.argmin(np.where(status == MISSING, MISSING, status), axis=1)
    first = np.arange(status.shape[0]) * status.shape[1]
    points = first + best
    code = status[np.arange(status.shape[0]), best]
    meets = None if choice is None else replicates_last(sweep, np.asarray(choice.meets)).mean(axis=1) >= 0.5
    reasons: list[Why | None] = []
    for cell, point in enumerate(points):
        said = point_reason(sweep, int(point))
        if meets is not None and meets[cell]:
            said = None
        elif meets is not None and said is None:
            said = Why(OK, f"misses target: {_missed(choice, first[cell], status.shape[1])}")
        reasons.append(said)
    return code, reasons, np.isin(code, (CANNOT, FAILED, MISSING))


def _missed(choice, first: int, count: int) -> str:
    """What the replicates of a cell miss most often."""
    seen = [b for b in choice.binds[first : first + count] if b]
    return Counter(seen).most_common(1)[0][0] if seen else "no wish named"


def point_reason(sweep: Sweep, point: int) -> Why | None:
    """Why a point does not run as asked, or is set aside by the review; None where neither is so."""
    status = int(sweep.points.status[point])
    if status == OK:
        barred = sweep.points.fails[point] & bits(BARRING) if sweep.points.fails.size else 0
        return Why(OK, barred_words(int(barred))) if barred else None
    if status in (OVER, CANNOT):
        return Why(status, LIMITS[int(sweep.points.binding[point])])
    found = sweep.points.reason.get(point)
    return Why(status, found.kind if found else STATUS_WORDS[status])


def barred_words(number: int) -> str:
    """That the review fails a setting, and for what."""
    return f"the review fails it: {join_words(list(of_bits(number)))}"


def alike(reasons: Iterable[Failure]) -> Counter:
    """How often each kind of failure comes; the first one speaks for those of its kind."""
    first: dict[str, str] = {}
    return Counter(first.setdefault(r.kind, r.text) for r in reasons)


def commonest(sweep: Sweep) -> tuple[str, int] | None:
    """(why most points give no powder, how many they are); None where some point gives powder."""
    p = sweep.points
    if (p.status <= OVER).any():
        return None
    reasons = alike(p.reason.values())
    reasons.update(cannot_run_words(LIMITS[b]) for b in p.binding[p.status == CANNOT])
    for status in (FAILED, MISSING):
        untold = int((p.status == status).sum()) - (len(p.reason) if status == FAILED else 0)
        reasons += Counter({STATUS_WORDS[status]: untold})
    return reasons.most_common(1)[0]


def refuse_if_nothing_runs(sweep: Sweep, name: str, purpose: str) -> None:
    """Raise an error with the commonest reason where no point gives powder: NothingRuns where one was answered.

    purpose: "to draw".
    """
    found = commonest(sweep)
    if found is None:
        return
    message = f"none of its {sweep.points.status.size} points gives any powder, so there is nothing {purpose}"
    unfinished = found[0] == STATUS_WORDS[MISSING]
    hint = "run the sweep first" if unfinished else "change the axes or the base config of the sweep"
    problem = Problem(name, "", f"{message}; the commonest reason, {found[1]} times: {found[0]}", hint=hint)
    raise NothingRuns(str(problem)) if (sweep.points.status == CANNOT).any() else InputError(problem)


def common_reasons(reasons: list[Why | None], blanks: np.ndarray) -> tuple[np.ndarray, tuple[Reason, ...]]:
    """(index of each cell's reason, -1 where fine; the reasons, most common first), each with a hatch of its own."""
    counts = Counter((r, bool(b)) for r, b in zip(reasons, blanks, strict=True) if r)
    ranked = sorted(counts, key=lambda k: (-counts[k], k[0].text, k[1]))
    kept, rest = ranked[:MOST_REASONS], ranked[MOST_REASONS:]
    other = Why(OK, "other reasons")
    named = [*kept, *((other, blank) for blank in sorted({blank for _, blank in rest}))]
    place = {k: i for i, k in enumerate(kept)} | {k: named.index((other, k[1])) for k in rest}
    found = np.array([place[r, bool(b)] if r else -1 for r, b in zip(reasons, blanks, strict=True)], dtype=int)
    return found, tuple(Reason(why, b, h) for (why, b), h in zip(named, _hatches([w for w, _ in named]), strict=True))


# A limit looks the same in every figure; the others take what is left.
_OF_LIMIT = {
    "shaft power": "///", "outlet temperature": "...", "sieve": "xxx", "chamber": "\\\\\\", "jam": "|||",
    "feed opening": "---",
    "grinding": "ooo",
}  # fmt: skip
_SPARE = ("++", "\\\\//..", "||..", "--..", "//..", "xx..", "\\\\..", "++..", "**", "OO", "||--", "xx++")


def _hatches(whys: list[Why]) -> list[str]:
    spare, used, found = list(_SPARE), set(), []
    for why in whys:
        hatch = _OF_LIMIT.get(why.what, "") if why.status in (OVER, CANNOT) else ""
        if not hatch or hatch in used:
            hatch = spare.pop(0)
        used.add(hatch)
        found.append(hatch)
    return found
