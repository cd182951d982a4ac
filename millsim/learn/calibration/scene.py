"""A measured run on the model, with the parameters of a prediction: what a cause of a miss is tried on."""

from dataclasses import dataclass, replace
from math import log

import numpy as np

from ...forecast import band
from ...mill.config.mill import parse_config
from ...mill.parts import shaft_power
from ...mill.problem import build, set_parameters
from ..measured.runsheet import MeasuredRun
from ..measured.runspec import AS_IT_TOOK
from .compare import RunComparison
from .misfit import Misfit
from .observations import FEEDER, Block, blocks_of
from .runmodel import Forecast, RunModel, model_of

DRAWS = 128
LEAST_SETTLED = 24  # draws that must settle, and run, for their covariance to mean anything
TAILS = (0.05, 0.95)  # quantiles beyond which draws are taken in


@dataclass(frozen=True)
class Scene:
    """The run on the model: its mill, what was measured, the inverse covariance, and what the model says of it."""

    comparison: RunComparison
    model: RunModel
    mill: np.ndarray  # (1,) MILL
    values: dict[str, float]  # parameters of the prediction
    blocks: tuple[Block, ...]
    labels: tuple[str, ...]
    sieves: np.ndarray  # (k,) which of them are Q3 of the product
    measured: np.ndarray  # (k,)
    base: Forecast  # the model at the run's own rate and setting
    predicted: np.ndarray  # (k,) what it tells
    covariance: np.ndarray  # (k, k)

    @property
    def run(self) -> MeasuredRun:
        """The measured run."""
        return self.comparison.run

    def misfit(self, predicted: np.ndarray) -> float:
        """d'S d of a forecast."""
        off = self.measured - predicted
        return float(off @ np.linalg.solve(self.covariance, off))

    def tell(self, forecast: Forecast) -> np.ndarray:
        """(k,) what the instruments would show of a forecast."""
        return _told(self.blocks, forecast)

    def forecast(self, mill: np.ndarray | None = None, model: RunModel | None = None) -> np.ndarray | None:
        """(k,) of the mill of the scene or another; None where it does not settle."""
        model = model or self.model
        found = model.forecast(self.mill if mill is None else mill)
        if found is None:
            return None
        edges, own = model.problem.edges, self.model.problem.edges
        return self.tell(replace(found, q3=np.interp(np.log(own), np.log(edges), found.q3)))


def scene_of(c: RunComparison) -> Scene | None:
    """The run with the parameters of the prediction; None where the model has no answer to it."""
    run, p = c.run, c.prediction
    model = replace(model_of(run), want_capacity=run.feeding == AS_IT_TOOK)
    values = {q.name: q.value for q in p.parameters}
    set_parameters(model.problem.mill, values)
    as_predicted = {q.name: q for q in (*model.problem.parameters, *p.parameters)}
    model = replace(model, problem=replace(model.problem, parameters=tuple(as_predicted.values())))
    mill = model.problem.mill
    base = model.forecast(mill)
    if base is None:
        return None
    blocks = _measured_blocks(run, model)
    misfit = Misfit((blocks,))
    drawn = [_told(blocks, f) for f in _forecasts(c, model) if f is not None and f.overrun <= 1.0]
    if len(drawn) < LEAST_SETTLED:
        return None
    ends = np.quantile(drawn, TAILS, axis=0)  # a few draws that nearly stick or stall would widen all beyond sense
    covariance = misfit.covariance + np.atleast_2d(np.cov(np.clip(drawn, *ends).T))
    labels = tuple(label for b in blocks for label in b.labels)
    sieves = np.concatenate([np.full(b.values.size, b.name == "product size") for b in blocks])
    return Scene(c, model, mill, values, blocks, labels, sieves, misfit.values, base, _told(blocks, base), covariance)


def _measured_blocks(run: MeasuredRun, model: RunModel) -> tuple[Block, ...]:
    """All that was measured and that a cause may move; of a mill that set its own rate the rate, too."""
    found = [b for b in blocks_of(run, model) if not b.one_sided and b.name != "at its limit"]
    if run.feeding == AS_IT_TOOK:
        rate, error = np.array([log(run.feed_rate_kg_s)]), np.array([[FEEDER**2]])
        found.append(Block("rate", ("rate",), rate, error, _rate, unit="kg/s", logs=True))
    return tuple(found)


def _rate(forecast: Forecast) -> np.ndarray:
    return np.array([log(max(forecast.capacity_kg_s, 1e-12))])


def _told(blocks: tuple[Block, ...], forecast: Forecast) -> np.ndarray:
    return np.concatenate([b.tell(forecast) for b in blocks])


def _forecasts(c: RunComparison, model: RunModel) -> list[Forecast | None]:
    """What the draws of the prediction's parameters say of the run."""
    calibration = build(parse_config(c.prediction.config_text)).calibration
    drawn = replace(model.problem, parameters=c.prediction.parameters, calibration=calibration)
    mills = band.draws(drawn, DRAWS, c.prediction.seed)
    return [model.forecast(mills[i : i + 1]) for i in range(DRAWS)]


def stored(scene: Scene) -> np.ndarray:
    """(k,) what the stored prediction says of what was measured, at its own rate and setting."""
    p, own = scene.comparison.prediction, scene.model
    at_shaft = own.meter == "shaft"
    v = {n: s.value for n, s in p.main.scalars.items()}
    ln_own, ln_x = np.log(own.problem.edges), np.log(p.main.table.edges_m)
    product, inside = (np.interp(ln_own, ln_x, q) for q in (p.main.table.product_q3, p.main.table.holdup_q3))
    idle = shaft_power(own.problem.config, v["idle_power_W"]) if at_shaft else v["idle_power_W"]
    loaded = v["shaft_power_W" if at_shaft else "electrical_power_W"]
    return scene.tell(
        Forecast(
            product, inside, v["holdup_kg"], idle, loaded, v["air_temperature_K"], v["powder_temperature_K"],
            v["air_flow_m3_s"], 0.0, 0.0, v["capacity_kg_s"],
        )
    )  # fmt: skip
