"""The ends of a tornado against predictions of their own, with the parameter moved by one standard deviation."""

import numpy as np
import pytest
import sweeps
from lazily import later
from mills import CONFIGS

from millsim.forecast.run import predict
from millsim.mill.cards import load_model
from millsim.mill.config.mill import load_config

stats = later("scipy.stats")

QUICK = ("run.class_ratio=1.3", "run.band_samples=0", "run.trace=false")


def one_sd(p):
    """(value one standard deviation down, up): a normal with two deviations at each limit, cut there (scipy)."""
    z = float(stats.truncnorm(-2, 2).ppf(stats.norm.cdf(1.0))) / 2
    if p.scale == "log":
        return p.value * (p.low / p.value) ** z, p.value * (p.high / p.value) ** z
    return p.value - z * (p.value - p.low), p.value + z * (p.high - p.value)


@pytest.mark.parametrize("name", ["sieve_factor", "layer_speed_ratio"])  # one on a log scale, one on a linear
def test_ends_are_predictions_one_standard_deviation_away(name):
    t = sweeps.real().tornado
    (k,) = [i for i, p in enumerate(t.parameters) if p.name == name]
    p = load_model()[name]
    for ends, value in zip((t.low, t.high), one_sd(p), strict=True):
        alone = predict(load_config(CONFIGS / "demo.toml", [f"model.{name}={value!r}", *QUICK]), "balance", seed=1)
        for output in ("x50_m", "throughput_kg_s", "outlet_temperature_K"):
            assert ends[output][k] == pytest.approx(alone.main.scalars[output].value, rel=1e-3), output
    wide = np.ptp([t.low["x50_m"][k], t.high["x50_m"][k]])
    assert wide > 0.02 * t.low["x50_m"][k], "a parameter that matters, else nothing is shown"
