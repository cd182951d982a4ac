"""Which forecast a prediction is, as a hash: two files with the same one say the same, whenever they were made."""

import hashlib

from .prediction import Prediction


def forecast_sha256(p: Prediction) -> str:
    """SHA-256 of all that determines the forecast.

    That is the resolved config (by its own hash), every parameter with its range (shipped cards may change), the
    engines that ran, the seed and the version of the model. Date, command and version of the program are not in it.
    """
    rows = [f"config={p.config_sha256}", f"seed={p.seed}", f"model version={p.model_version}"]
    rows += [f"engine={e.engine}" for e in (p.main, p.other) if e is not None]
    rows += [f"{q.name}={q.value:.12g} {q.low:.12g} {q.high:.12g} {q.scale}" for q in p.parameters]
    return hashlib.sha256("\n".join(rows).encode()).hexdigest()
