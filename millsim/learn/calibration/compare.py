"""Measured against predicted: a stored prediction and a run, side by side. Nothing is fitted and nothing is changed."""

from dataclasses import dataclass

import numpy as np

from ...base.numerics.statistics import NORMAL_80
from ...base.reading.toml import flat, parse_toml
from ...record.prediction import Prediction
from ..measured.runsheet import MeasuredRun, config_as_run, measured_hash
from ..measured.runspec import AS_IT_TOOK
from . import observations as obs
from .observations import Block, size_block

SAME_RATE = 0.03
INFORMATIVE = (0.005, 0.995)  # sieves where either curve lies outside say nothing


@dataclass(frozen=True)
class Point:
    """One measured number with its standard error, against a predicted one with its band; SI units.

    name: a key of `record.outputs`, or of a sieve "Q3(0.5 mm)".
    """

    name: str
    unit: str
    measured: float
    error: float
    predicted: float
    low: float
    high: float
    judged: bool = True  # False where the prediction was made for another feed rate

    @property
    def inside(self) -> bool:
        """Whether the measured number lies in the band, widened by the error of the measurement itself."""
        side = self.low if self.measured < self.predicted else self.high
        room = float(np.hypot(side - self.predicted, NORMAL_80 * self.error))
        return abs(self.measured - self.predicted) <= room


@dataclass(frozen=True)
class RunComparison:
    """Sieves (x ascending, Q3), other figures, and config keys in which prediction and run differ."""

    prediction: Prediction
    run: MeasuredRun
    sieves_m: np.ndarray
    sieves: tuple[Point, ...]
    figures: tuple[Point, ...]
    differing: tuple[tuple[str, str, str], ...]  # (key, predicted for, run with)
    same_rate: bool
    own_run: bool  # the prediction was calibrated on this run

    @property
    def counted(self) -> tuple[Point, ...]:
        """Sieves that can tell a good prediction from a bad one."""
        low, high = INFORMATIVE
        return tuple(p for p in self.sieves if low < p.measured < high or low < p.predicted < high)

    @property
    def inside(self) -> int:
        """How many of the counted sieves lie inside the band."""
        return sum(p.inside for p in self.counted)


def compare(prediction: Prediction, run: MeasuredRun) -> RunComparison:
    """The comparison of one run with a stored prediction."""
    table = prediction.main.table
    block = size_block(run, table.edges_m)
    at, points = np.zeros(0), []
    if block is not None:
        at, points = _by_sieve(block, run, prediction)
    figures = tuple(_figures(prediction, run))
    same = same_rate(prediction, run)
    own = calibrated_on(prediction, run)
    return RunComparison(prediction, run, at, tuple(points), figures, differing(prediction, run), same, own)


def calibrated_on(prediction: Prediction, run: MeasuredRun) -> bool:
    """Whether the card of a prediction was made from this run: by what was measured, or the exact name on old cards."""
    card = parse_toml(prediction.config_text, "").tables.get("calibration")
    if not isinstance(card, dict):
        return False
    hashes = card.get("run_hashes")
    return measured_hash(run) in hashes if hashes else run.name in card.get("runs", [])


def _by_sieve(block: Block, run: MeasuredRun, prediction: Prediction) -> tuple[np.ndarray, list[Point]]:
    """(apertures ascending, one point each); repeats on one sieve are averaged, their common error stays."""
    at = np.concatenate([np.asarray(s.apertures_m) for s in run.product_sheets])
    sieves, table = np.unique(at), prediction.main.table
    ln_x, points = np.log(table.edges_m), []
    for x in sieves:
        mean = (at == x) / np.count_nonzero(at == x)
        curves = (table.product_q3, table.product_q3_low, table.product_q3_high)
        said = [float(np.interp(np.log(x), ln_x, q)) for q in curves]
        error = float(mean @ block.covariance @ mean) ** 0.5
        points.append(Point(f"Q3({1e3 * x:.3g} mm)", "1", float(mean @ block.values), error, *said))
    return sieves, points


def same_rate(prediction: Prediction, run: MeasuredRun) -> bool:
    """Whether the prediction was made for the feed rate of the run, or both for as much as the mill takes."""
    if run.feeding == AS_IT_TOOK:
        return bool(np.isnan(prediction.requested_rate_kg_s))
    predicted = prediction.main.scalars["throughput_kg_s"].value
    return abs(predicted / run.feed_rate_kg_s - 1.0) <= SAME_RATE


def _figures(prediction: Prediction, run: MeasuredRun) -> list[Point]:
    """What else was measured and is predicted, at the meter's own place; errors as the calibration takes them."""
    meter = float(np.hypot(run.meter_class / obs.LIMIT, obs.EFFICIENCY if run.meter_at == "mains" else 0.0))
    loaded = float(np.hypot(meter, obs.REPEAT_POWER))
    rows = [
        ("throughput_kg_s", run.feed_rate_kg_s if run.feeding == AS_IT_TOOK else None, obs.FEEDER),
        ("holdup_kg", run.holdup_kg, obs.REPEAT_HOLDUP),
        ("air_flow_m3_s", run.air_flow_m3_s, run.air_uncertainty / obs.LIMIT),
        ("air_temperature_K", run.air_temperature_K, None),
        ("powder_temperature_K", run.powder_temperature_K, None),
    ]
    if run.meter_at == "mains":
        gross = run.loaded_W / run.feed_rate_kg_s if run.loaded_W is not None else None
        rows.append(("idle_power_W", run.idle_W, meter))
        rows.append(("electrical_power_W", run.loaded_W, loaded))
        rows.append(("gross_J_kg", gross, loaded))
    else:
        rows.append(("shaft_power_W", run.loaded_W, loaded))
    found, same = [], same_rate(prediction, run)
    for key, measured, relative in rows:
        if measured is not None and key in prediction.main.scalars:
            kelvin = float(np.hypot(run.probe_K / obs.LIMIT, obs.PLACE_K))
            q, error = prediction.main.scalars[key], kelvin if relative is None else relative * measured
            judged = same or key in ("idle_power_W", "air_flow_m3_s")
            found.append(Point(key, q.unit, measured, float(error), q.value, q.low, q.high, judged))
    return found


def differing(prediction: Prediction, run: MeasuredRun) -> tuple[tuple[str, str, str], ...]:
    """Config keys with different values in the prediction and in the run; how to compute does not count."""
    a, b = (flat(parse_toml(text, "").tables) for text in (prediction.config_text, config_as_run(run).text))
    keys = sorted(k for k in {*a, *b} if not k.startswith(("run.", "calibration.")) and a.get(k) != b.get(k))
    return tuple((k, str(a.get(k, "not given")), str(b.get(k, "not given"))) for k in keys)
