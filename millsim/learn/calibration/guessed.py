"""What a config guesses as measurements that can be made: a caliper on the gap tells the gap."""

import numpy as np

from ...mill.config.mill import Config
from ...mill.config.questions import measure_words

MINUTES = 10.0  # to measure one of them, the mill at hand (assumed)
ERROR = 0.03  # of such a measurement, as a share; of kelvins and plain words next to nothing (assumed)


def measurements(config: Config, values: dict[str, np.ndarray]) -> list[tuple[str, str, float, np.ndarray, np.ndarray]]:
    """(key, what to do, minutes, what each draw would show (N, k), errors (k, k)) of every guess that is drawn."""
    found = []
    for p in config.guesses.parameters if config.guesses else ():
        if p.name not in values:
            continue
        text, v = f"measure {p.name}: {measure_words(p.name).partition(';')[0]}", values[p.name]
        if p.words:
            shown = np.array([v == i for i in range(1, len(p.words))], float).T
            error = ERROR
        elif p.scale == "log":
            shown, error = np.log(v)[:, None], ERROR
        else:
            shown, error = v[:, None], max(ERROR * abs(p.value), 1e-3 * (p.high - p.low)) if p.unit != "K" else 1.0
        found.append((p.name, text, MINUTES, shown, error**2 * np.eye(shown.shape[1])))
    return found
