"""The Pareto front: settings of which no other is at least as good in everything and better in something."""

import numpy as np

from .judge import Judged

WORDS_MET = "most accepted powder per hour, least energy per kg, farthest from the temperature limit"
WORDS_MISSED = f"least missed of the target, {WORDS_MET}"


def pareto(objectives: np.ndarray) -> np.ndarray:
    """Indexes (ascending) of the rows of (N, k) objectives, all to be small, that no other row dominates.

    A row with NaN is never on the front. Equal rows stand or fall together.
    """
    known = np.flatnonzero(~np.isnan(objectives).any(axis=1))
    # By the sum of ranks: what dominates comes first, so most rows are struck out early.
    ranks = sum(np.unique(objectives[known, j], return_inverse=True)[1].reshape(-1) for j in range(objectives.shape[1]))
    left = known[np.argsort(ranks, kind="stable")] if known.size else known
    front = []
    while left.size:
        first = objectives[left[0]]
        same = (objectives[left] == first).all(axis=1)
        front.extend(left[same].tolist())
        rest = left[~same]
        left = rest[(objectives[rest] < first).any(axis=1)]
    return np.array(sorted(front), dtype=int)


def front_of(j: Judged) -> np.ndarray:
    """Settings on the front: among those that meet the target, or, where none does, among those that run."""
    among = np.flatnonzero(j.meets if j.meets.any() else j.runs)
    columns = [-j.accepted_kg_s, j.points.values["gross_J_kg"], j.points.loads[:, 1]]
    if not j.meets.any():
        columns.insert(0, np.where(np.isfinite(j.distance), j.distance, np.nan))
    objectives = np.column_stack([c[among] for c in columns])
    return among[pareto(objectives)] if among.size else among
