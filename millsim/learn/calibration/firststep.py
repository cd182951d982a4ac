"""What to measure first, in one line: what `nextstep` ranks first, over no more draws than it takes to see it.

A ranking over all draws takes longer than the prediction that it stands under. Draws are taken in the same order, and
no more of them once what comes first leads every other measurement by CLEAR standard errors.
"""

from collections.abc import Callable

import numpy as np

from ...errors import MillsimError
from ...mill.config.mill import Config
from ...record.prediction import Advised
from .nextstep import FIRST, NOTHING, MeasurementPlan, plan

CLEAR = 3.0
GROUPS = 8  # that draws are left out in, to see how sure a lead is


def first(config: Config, progress: Callable[[float], None] | None = None) -> Advised:
    """What `rank` names first for the common question; without a name where there is nothing to rank, and why."""
    try:
        ranked = plan(config, progress=progress, enough=leads).rank(FIRST)
    except MillsimError as error:
        return Advised("", str(error), 0.0, 1.0)
    best = [Advised(r.name, r.text, r.minutes, r.left) for r in ranked]
    return best[0] if best else Advised("", NOTHING.format(FIRST), 0.0, 1.0)


def leads(found: MeasurementPlan) -> bool:
    """Whether what comes first over the draws so far does so by CLEAR standard errors.

    These are of the jackknife, a group of draws left out at a time (Quenouille 1956, Biometrika 43:353, from memory).
    """
    draws = np.arange(found.mills.size)
    over = np.array([draws >= 0, *(draws % GROUPS != i for i in range(GROUPS))])
    gained = found.per_minute(FIRST, over)
    best = int(np.argmax(gained[0]))
    lead = gained[:, [best]] - np.delete(gained, best, axis=1)
    error = np.sqrt((GROUPS - 1) * np.var(lead[1:], axis=0))
    return bool(np.all(lead[0] > CLEAR * error))
