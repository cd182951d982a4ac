"""A prediction with its review and with what would help: the three are one answer."""

from dataclasses import replace

from ..forecast import run
from ..mill.config.mill import Config
from ..record.limits import OK, STATUS_WORDS
from ..record.prediction import Prediction, Reviewed
from .changes import what_helps
from .prebuild.review import review


def predict(
    config: Config,
    engine: str | None = None,
    seed: int | None = None,
    command: str = "",
    progress: run.Progress | None = None,
) -> Prediction:
    """Predict a mill as `forecast.run.predict`, review it, and try what would help where a limit binds.

    Arguments and errors are those of `forecast.run.predict`.
    """
    p = run.predict(config, engine, seed, command, progress)
    lines = review(config, p)
    by = {verdict: tuple(x.name for x in lines if x.verdict == verdict) for verdict in ("fails", "not checked")}
    p = replace(p, reviewed=Reviewed(by["fails"], by["not checked"], len(lines) - len(by["not checked"])))
    idle = p.status == STATUS_WORDS[OK] and (config.feed.rate_kg_s is not None or config.feed.batch)
    if idle or p.grinds_with:
        return p
    if progress:
        progress("what would help", 0.0, "")
    return replace(p, changes=what_helps(config))
