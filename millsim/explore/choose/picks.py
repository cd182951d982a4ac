"""Which settings to recommend: the best for each purpose, robust over the draws, and no two alike."""

from dataclasses import dataclass

import numpy as np

from ...record.limits import CANNOT, FAILED
from .changes import costs
from .judge import Judged
from .neighbours import SweepPlaces

MOST = 5
LIKELY = 0.5  # share of the draws from which a setting is recommended, where any reaches it
ALIKE_GAIN = 0.10  # what a setting next to one already taken must gain to be told beside it
SMALL_GAIN = 0.02  # what any other must
_TIED = 50  # settings of equal merit whose neighbours are looked at
CHEAPEST = "cheapest to change to"
LIKELIEST = "most likely to meet it"
MOST_POWDER = "most accepted powder per hour"


@dataclass(frozen=True)
class Pick:
    """A setting and what it is best for."""

    setting: int
    roles: tuple[str, ...]


def robust(j: Judged) -> np.ndarray:
    """Settings that meet the target, those likelier than not to meet it over the draws where there are any."""
    meets = np.flatnonzero(j.meets)
    likely = meets[j.probability[meets] >= LIKELY]
    return likely if likely.size else meets


def picks(j: Judged, places: SweepPlaces) -> list[Pick]:
    """At most MOST settings, the surest first; none for a purpose that one already taken serves about as well."""
    among = robust(j)
    if not among.size:
        return []
    role, surest = _surest(j, places, among)
    if among.size == 1:
        only = "the only one that meets it" if j.meets.sum() == 1 else "the only one likelier than not to meet it"
        return [Pick(surest, (only,))]
    found = [Pick(surest, (role,))]
    for role, merit in _purposes(j, places):
        best = int(among[np.argmin(merit[among])])
        same = next((i for i, p in enumerate(found) if merit[p.setting] == merit[best]), None)
        if same is not None:
            found[same] = Pick(found[same].setting, (*found[same].roles, role))
        elif not any(_serves(merit, best, p.setting, places) for p in found) and len(found) < MOST:
            found.append(Pick(best, (role,)))
    return found


def _surest(j: Judged, places: SweepPlaces, among: np.ndarray) -> tuple[str, int]:
    """The setting most likely to meet the target, of several the cheapest to change to; without draws the one with
    most to spare.
    """
    spare = j.misses[:, among].max(axis=0)
    known = np.isfinite(j.probability[among]).any()
    if not known:
        return "most to spare", int(among[np.argmin(spare)])
    chance = np.nan_to_num(j.probability[among], nan=-1.0)
    order = np.lexsort((spare, -chance))
    tied = [int(s) for s in among[order][chance[order] == chance.max()][:_TIED]]  # most to spare first
    cost = costs(places.sweep)
    return LIKELIEST, min(tied, key=lambda s: (float(cost[s]), trouble(j, places, s)))


def trouble(j: Judged, places: SweepPlaces, s: int) -> tuple[int, int]:
    """(neighbours that cannot run, neighbours that do not meet the target)."""
    around = [n.setting for n in places.neighbours(s)]
    stops = sum(int(j.points.status[n] in (CANNOT, FAILED)) for n in around)
    return stops, sum(not j.meets[n] for n in around)


def _purposes(j: Judged, places: SweepPlaces):
    """(purpose, merit by setting, smaller is better)."""
    v = j.points.values
    yield CHEAPEST, costs(places.sweep)
    yield MOST_POWDER, -j.accepted_kg_s
    yield "least energy per kg", v["gross_J_kg"]
    yield "coolest at the outlet", j.points.loads[:, 1]


def _serves(merit: np.ndarray, best: int, taken: int, places: SweepPlaces) -> bool:
    """Whether a setting taken already is about as good as the best for a purpose."""
    gain = abs(float(merit[taken] - merit[best])) / max(abs(float(merit[taken])), 1e-300)
    return gain < (ALIKE_GAIN if places.alike(best, taken) else SMALL_GAIN)
