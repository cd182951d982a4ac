"""The Pareto front: settings of which no other is at least as good in everything and better in something."""

import numpy as np

from ...base.numerics.jit import kernel
from .judge import Judged

WORDS_MET = "most accepted powder per hour, least energy per kg, coolest at the outlet"
WORDS_MISSED = "least missed of the target, most accepted powder per hour, least energy per kg"


def pareto(objectives: np.ndarray) -> np.ndarray:
    """Indexes (ascending) of the rows of (N, 3) objectives, all to be small, that no other row dominates.

    A row with NaN is never on the front. Equal rows stand or fall together. Takes N log N steps: whatever dominates a
    row comes before it in lexical order, and the least third objective among those that are as good in the second
    tells (Kung, Luccio & Preparata 1975, from memory).
    """
    known = np.flatnonzero(~np.isnan(objectives).any(axis=1))
    if not known.size:
        return known
    rows = objectives[known]
    order = np.lexsort((rows[:, 2], rows[:, 1], rows[:, 0]))
    rows = rows[order]
    new = np.append(True, (rows[1:] != rows[:-1]).any(axis=1))
    single = rows[new]
    _, rank = np.unique(single[:, 1], return_inverse=True)
    kept = _undominated(rank.reshape(-1), np.ascontiguousarray(single[:, 2]))
    return np.sort(known[order[kept[np.cumsum(new) - 1]]])


@kernel
def _undominated(rank, third):
    """Which rows of distinct ones in lexical order none before dominates; rank: of the second objective, from 0."""
    n = rank.size
    kept = np.empty(n, np.bool_)
    least = np.full(n + 1, np.nan)  # a Fenwick tree of the least third objective up to a rank, NaN: none yet
    for i in range(n):
        r, dominated = rank[i] + 1, False
        while r > 0:
            dominated = dominated or least[r] <= third[i]
            r -= r & -r
        kept[i] = not dominated
        r = rank[i] + 1
        while r <= n:
            least[r] = third[i] if np.isnan(least[r]) else min(least[r], third[i])
            r += r & -r
    return kept


def front_of(j: Judged) -> np.ndarray:
    """Settings on the front: among those that meet the target, or, where none does, among those that run."""
    met = bool(j.meets.any())
    among = np.flatnonzero(j.meets if met else j.runs)
    columns = [-j.accepted_kg_s, j.points.values["gross_J_kg"]]
    columns.append(j.points.loads[:, 1] if met else np.where(np.isfinite(j.distance), j.distance, np.nan))
    return among[pareto(np.column_stack([c[among] for c in columns]))] if among.size else among
