"""What changes from run to run of the mills of a notebook: pooled over all runs that were repeated unchanged."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from math import log

from ...base.numerics.scatter import pooled
from ..calibration.repeats import readings
from ..measured.runspec import AS_IT_TOOK
from .pages import Build, Run


@dataclass(frozen=True)
class Spread:
    """By output: (standard deviation of the logarithm, degrees of freedom)."""

    found: dict[str, tuple[float, int]]


def spread_of(runs: Sequence[tuple[Build, Run]], names: Sequence[str]) -> Spread:
    """The scatter of runs of the same build, config and way of feeding; a rate that a feeder set is none."""
    groups = defaultdict(list)
    for build, run in (pair for pair in runs if not pair[1].unreadable):
        sheet = run.sheet
        groups[build.key, sheet.config.sha256, sheet.feeding, sheet.sized_by].append((sheet, readings(sheet)))
    found = {}
    for name in names:
        logs = []
        for (_, _, feeding, _), group in groups.items():
            if name != "throughput_kg_s" or feeding == AS_IT_TOOK:
                logs.append([log(r[name].value) for _, r in group if name in r])
        sd, dof = pooled(logs)
        if dof:
            found[name] = (sd, dof)
    return Spread(found)
