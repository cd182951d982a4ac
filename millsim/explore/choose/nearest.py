"""An honest no: the setting that comes nearest to a target, by how much it misses, and what would have to change."""

import math

import numpy as np

from ...base.quantities.written import join_words
from ...mill.config.schema import find_key
from ..sweep.points import row_of
from ..sweep.record import Sweep
from .changes import key_words, value_text
from .judge import Judged, complaint, too_low
from .neighbours import SweepPlaces, numeric
from .reviewed import passes_at
from .words import limit_words, value_words

NOTICED = 0.01  # change of a miss by one step below which an axis hardly matters


def nearest(j: Judged) -> int | None:
    """The setting that runs and misses least; of equals the one that makes most."""
    among = np.flatnonzero(j.runs & np.isfinite(j.distance))
    if not among.size:
        return None
    return int(among[np.lexsort((-j.accepted_kg_s[among], j.distance[among]))[0]])


def missed_words(j: Judged, s: int) -> str:
    """Every wish that a setting misses, with what it reaches: "share finer than 500 µm 81 % (at least 95 %)"."""
    order = sorted(range(len(j.wishes)), key=lambda i: -j.misses[i, s])
    missed = [j.wishes[i] for i in order if not j.misses[i, s] <= 1e-6]
    return join_words([got_words(w, float(j.achieved[w.name][s])) for w in missed])


def got_words(wish, value: float) -> str:
    """An achieved value beside what was asked."""
    return f"{wish.about} {value_words(value, wish)} ({limit_words(wish)} asked)"


def what_would_help(sweep: Sweep, j: Judged, places: SweepPlaces, s: int) -> list[str]:
    """Sentences on the ways out of the nearest setting: farther along an axis, or what then stands in the way."""
    if places.grid:
        return _along_axes(sweep, j, places, s)
    return _by_trend(sweep, j, places, s)


def _along_axes(sweep: Sweep, j: Judged, places: SweepPlaces, s: int) -> list[str]:
    """In a grid: one step along each axis."""
    i = int(j.worst[s])
    rim, around = dict(places.rim(s)), places.neighbours(s)
    farther, against, still = [], [], []
    for k, axis in enumerate(sweep.axes):
        if not numeric(axis):
            continue
        steps = {n.up: n.setting for n in around if n.axis == k}
        gains = {up: j.misses[i, s] - j.misses[i, n] for up, n in steps.items() if j.runs[n]}
        outward = rim.get(k)
        if outward is not None and gains.get(not outward, 0.0) < -NOTICED and _can_go(sweep, s, places, k, outward):
            farther.append(_farther(axis, places, k, outward))
        elif gains and max(gains.values()) > NOTICED:
            up = max(gains, key=lambda u: gains[u])
            against.append(_against(j, places, k, axis, steps[up], i))
        elif gains and max(abs(g) for g in gains.values()) <= NOTICED:
            still.append(key_words(axis.key))
    return _said(j, s, i, farther, against, still)


def _by_trend(sweep: Sweep, j: Judged, places: SweepPlaces, s: int) -> list[str]:
    """In a sampled design: which way the miss falls over all settings that run."""
    from scipy.stats import spearmanr

    i = int(j.worst[s])
    known = j.runs & np.isfinite(j.misses[i])
    rim, farther, still = dict(places.rim(s)), [], []
    for k, axis in enumerate(sweep.axes):
        if not numeric(axis) or known.sum() < 8 or np.ptp(j.misses[i][known]) == 0.0:
            continue
        trend = float(spearmanr(places.values[k][known].astype(float), j.misses[i][known]).statistic)
        better_up = trend < 0
        if abs(trend) < 0.2:
            still.append(key_words(axis.key))
        elif rim.get(k) is better_up and _can_go(sweep, s, places, k, better_up):
            farther.append(_farther(axis, places, k, better_up))
    return _said(j, s, i, farther, [], still)


def _said(j: Judged, s: int, i: int, farther: list[str], against: list[str], still: list[str]) -> list[str]:
    wish = j.wishes[i]
    what = complaint(wish, bool(too_low(wish, j.achieved[wish.name][s])))
    said = []
    if farther:
        more = "It stands on the edge of the sweep, and what it misses still shrinks towards that edge"
        said.append(f"{more}: extend the axes, {join_words(farther)}, as far as the review passes them.")
    said += against
    if still:
        said.append(f"Against {what!r}, {join_words(still)} hardly help{'s' if len(still) == 1 else ''} here.")
    if not farther and not against:
        said.append("No step along any axis brings it nearer: it takes something this sweep does not vary.")
    return [line.replace("'", '"') for line in said]


def _farther(axis, places: SweepPlaces, k: int, up: bool) -> str:
    """ "hole below 0.4 mm"."""
    v = places.values[k].astype(float)
    end = float(v.max() if up else v.min())
    return f"{key_words(axis.key)} {'above' if up else 'below'} {value_text(axis.key, end)}"


def _can_go(sweep: Sweep, s: int, places: SweepPlaces, k: int, up: bool) -> bool:
    """Whether the config takes values beyond the rim, and the review passes one more step that way."""
    key = sweep.axes[k].key
    section, _, name = key.rpartition(".")
    row = find_key(section, name) or row_of(key)
    v = places.values[k].astype(float)
    end = float(v.max() if up else v.min())
    bound = row.high if up else row.low
    if math.isfinite(bound) and math.isclose(end, bound, rel_tol=1e-6):
        return False
    known = np.unique(v)
    beyond = end * (known[-1] / known[-2] if up else known[0] / known[1]) if known.size > 1 and known[0] > 0.0 else end
    return passes_at(sweep, s * sweep.replicates, key, float(min(max(beyond, row.low), row.high)))


def _against(j: Judged, places: SweepPlaces, k: int, axis, n: int, i: int) -> str:
    """What a step that helps against the worst miss would cost."""
    wish = j.wishes[i]
    to = f"{key_words(axis.key)} {value_text(axis.key, places.values[k][n].item())}"
    reach = f"With {to}: {wish.about} {value_words(float(j.achieved[wish.name][n]), wish)}"
    other = j.wishes[int(j.worst[n])]
    if int(j.worst[n]) == i:
        return f"{reach}."
    return f"{reach}, but {got_words(other, float(j.achieved[other.name][n]))}: the two pull against each other."
