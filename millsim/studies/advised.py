"""A prediction with its review and with what would help: the three are one answer."""

from dataclasses import replace

from ..forecast import run
from ..mill.config.mill import Config
from ..mill.problem import build
from ..record.limits import AT, CLOSE, HARDLY_GRINDS, OK, OUTSIDE, STATUS_WORDS
from ..record.prediction import Prediction, Reviewed
from . import hardly
from .changes import what_helps
from .prebuild.line import FAILS, MADE, VERDICTS
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
    p = reviewed(config, run.predict(config, engine, seed, command, progress))
    idle = p.status == STATUS_WORDS[OK] and (config.feed.rate_kg_s is not None or config.feed.batch)
    if idle:
        return p
    if progress:
        progress("what would help", 0.0, "")
    if p.status == HARDLY_GRINDS:
        return replace(p, grinds_with=hardly.what_helps(build(config), min(hardly.DRAWS, config.run.band_samples)))
    return replace(p, changes=what_helps(config))


def reviewed(config: Config, p: Prediction) -> Prediction:
    """A prediction with what the pre-build review says of its mill."""
    lines = review(config, p)
    by = {verdict: tuple(x.name for x in lines if x.verdict == verdict) for verdict in VERDICTS}
    made = sum(len(by[v]) for v in MADE)
    return replace(p, reviewed=Reviewed(by[FAILS], by["not checked"], by[CLOSE], made, by[AT], by[OUTSIDE]))
