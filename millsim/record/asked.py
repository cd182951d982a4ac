"""What a prediction was asked: its config and its feed, read back from the record."""

import functools
import math
import tomllib

import numpy as np

from ..base.quantities.units import UnitError, parse
from .limits import cannot_run_words
from .prediction import Prediction


def config_table(p: Prediction, section: str) -> dict:
    """One section of the resolved config; empty where there is none. Shared: to be read, not changed."""
    found = _tables(p.config_text).get(section, {})
    return found if isinstance(found, dict) else {}


@functools.lru_cache(maxsize=16)  # the sentences of one report ask thousands of times
def _tables(text: str) -> dict:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return {}


def config_value(p: Prediction, section: str, key: str, si: str) -> float:
    """A quantity of the resolved config in SI; NaN where it is not given."""
    found = config_table(p, section).get(key)
    try:
        return parse(found, si) if isinstance(found, str) else math.nan
    except UnitError:
        return math.nan


def batch_of(p: Prediction) -> tuple[float, float] | None:
    """(mass [kg], time [s]) of a batch run, None for a steady one."""
    mass = config_value(p, "feed", "batch_mass", "kg")
    time = config_value(p, "feed", "batch_time", "s")
    return (mass, time) if math.isfinite(mass) and math.isfinite(time) else None


def stopped_after(p: Prediction) -> float | None:
    """Seconds after which a batch jams or runs away, up to which its figures are; None for one milled to its end."""
    batch = batch_of(p)
    if batch is None or not len(p.warmup_time_s):
        return None
    end = float(p.warmup_time_s[-1])
    return end if end < (1.0 - 1e-6) * batch[1] else None


def nothing_words(p: Prediction) -> str:
    """Why a prediction gives no powder worth naming: a sentence without its end."""
    return "the mill jams or overheats with this batch at once" if p.too_little else cannot_run_words(p.binding)


def handful_of(p: Prediction) -> tuple[float, float] | None:
    """(mass [kg], every so many seconds) of a feed by hand, None for another."""
    mass, every = config_value(p, "feed", "handful", "kg"), config_value(p, "feed", "every", "s")
    return (mass, every) if math.isfinite(mass) and math.isfinite(every) else None


def feed_size(p: Prediction, share: float) -> float:
    """Size [m] that a share of the feed's mass is finer than; NaN if unknown."""
    t = p.main.table
    good = np.isfinite(t.feed_q3) & (t.edges_m > 0)
    if not good.any():
        return math.nan
    return float(np.exp(np.interp(share, t.feed_q3[good], np.log(t.edges_m[good]))))
