"""What the pre-build review makes of a choice: what is set aside and why, and what stays to be mended or checked."""

import math

import numpy as np

from ...base.quantities.written import join_words
from ...errors import InputError, NotConverged
from ...mill.config.mill import parse_config
from ...studies.prebuild.line import LOOK_AT, ReviewLine
from ...studies.prebuild.review import BARRING, NAMES, failing, of_bits, review
from ..sweep.compute import review_of, solve_point
from ..sweep.points import config_at, overrides
from ..sweep.record import Sweep
from .judge import ROUNDING, Judged


def set_aside(j: Judged) -> str:
    """How many settings make what is asked and are not offered, and which checks they fail; "" where none is."""
    aside = (j.barred > 0) & (j.misses.max(axis=0) <= ROUNDING)
    count = int(aside.sum())
    if not count:
        return ""
    why = {n: int((j.barred[aside] >> np.uint64(i) & np.uint64(1)).sum()) for i, n in enumerate(NAMES)}
    told = [f"{name} ({n})" for name, n in sorted(why.items(), key=lambda x: -x[1]) if n]
    more = "1 more makes such powder and is" if count == 1 else f"{count} more make such powder and are"
    return f"{more} set aside, because the pre-build review fails {'it' if count == 1 else 'them'}: {join_words(told)}."


def still_open(sweep: Sweep, point: int) -> str:
    """What of the review a recommended point fails all the same, or leaves unknown; "" where neither is known."""
    p = sweep.points
    if not p.fails.size:
        return ""
    fails, unchecked = of_bits(p.fails[point]), of_bits(p.unchecked[point])
    said = [f"The review fails {join_words(list(fails))}."] if fails else []
    said += [f"Not known, so not checked: {join_words(list(unchecked))}."] if unchecked else []
    return " ".join(said)


def cures(sweep: Sweep, points: list[int]) -> list[str]:
    """Once for each check that recommended points fail: what the review says of the worst of them, with the cure."""
    if not sweep.points.fails.size:
        return []
    worst: dict[str, tuple[float, int, str]] = {}
    for i, point in enumerate(points, start=1):
        for x in lines_at(sweep, point) if sweep.points.fails[point] else []:
            margin = math.inf if x.margin is None else x.margin
            if x.verdict == "fails" and margin < worst.get(x.name, (math.inf, 0, ""))[0]:
                worst[x.name] = (margin, i, x.words)
    which = " (the worst of them, build {})" if len(points) > 1 else ""
    return [f"{n[:1].upper()}{n[1:]}{which.format(i)}: {words}" for n, (_, i, words) in worst.items()]


def close_at(sweep: Sweep, point: int) -> tuple[tuple[str, float], ...]:
    """(check, margin) of those that are close at a point; none where no review is known."""
    if not sweep.points.fails.size:
        return ()
    return tuple((x.name, x.margin) for x in lines_at(sweep, point) if x.verdict in LOOK_AT and x.margin is not None)


def lines_at(sweep: Sweep, point: int) -> list[ReviewLine]:
    """The review of a point, with its prediction by the balance; empty where it has no state."""
    try:
        return review_of(*solve_point(config_at(sweep, point), sweep.class_ratio))
    except (InputError, NotConverged):  # InputError: of a sweep computed elsewhere, with files that are not here
        return []


def passes_at(sweep: Sweep, point: int, key: str, value: object) -> bool:
    """Whether a point with one more key changed is a config that fails no check that bars it and did not before."""
    there, here = sweep.at(point) | {key: value}, config_at(sweep, point)
    try:
        changed = parse_config(sweep.base_text, overrides=overrides(there))
    except InputError:
        return False
    new = failing(review(changed, None)) - failing(review(here, None))
    return not new & BARRING
