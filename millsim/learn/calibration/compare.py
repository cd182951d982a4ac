"""Measured against predicted: a stored prediction and a run, side by side. Nothing is fitted and nothing is changed."""

from dataclasses import dataclass
from math import isclose

import numpy as np

from ...base.numerics import psd
from ...base.numerics.statistics import NORMAL_80
from ...base.quantities.units import UnitError, split_quantity, to_si
from ...base.reading.key import AS_MUCH, AS_MUCH_BEFORE
from ...base.reading.toml import flat, parse_toml
from ...record.prediction import Prediction
from ..measured.runbalance import inputs, propagate
from ..measured.runsheet import MeasuredRun, config_as_run, measured_hash
from ..measured.runspec import AS_IT_TOOK
from . import observations as obs
from .observations import Block, size_block

SAME_RATE = 0.03
NOTHING = {n: 0.0 for n in ("error_size", "error_curve", "repeat_size")}  # the band holds them already
INFORMATIVE = (0.005, 0.995)  # sieves where either curve lies outside say nothing
PERCENTILES = {"x10_m": 0.1, "x50_m": 0.5, "x90_m": 0.9}
ALIKE = 1e-4  # of a setting: closer is the same value written in other digits
MISS = 2.0  # combined standard errors: one number this far out is a miss, whatever the others do
FED, OTHER_RATE, NOT_MEASURED = "set by feeder", "other rate", "not measured"
BEYOND_FINE, BEYOND_COARSE = "below sieves", "above sieves"
NAN = float("nan")
_ANY_RATE = ("idle_power_W", "air_flow_m3_s")  # what hardly depends on the feed rate


@dataclass(frozen=True)
class Point:
    """One measured number with its standard error, against a predicted one with its band; SI units.

    name: a key of `record.outputs`, or of a sieve "Q3(0.5 mm)". note: why it is not judged, "" where it is; measured
    is NaN where the sieves do not reach a size, and the note then says on which side.
    """

    name: str
    unit: str
    measured: float
    error: float
    predicted: float
    low: float
    high: float
    note: str = ""

    @property
    def judged(self) -> bool:
        """Whether the prediction can be held against the measurement."""
        return not self.note and not np.isnan(self.residual)

    @property
    def residual(self) -> float:
        """Measured less predicted, in combined standard errors: of the measurement, and of the band on that side."""
        off = self.measured - self.predicted
        side = self.low if off < 0.0 else self.high
        combined = float(np.hypot((side - self.predicted) / NORMAL_80, self.error))
        if combined == 0.0:
            return float(np.copysign(np.inf, off)) if off else 0.0
        return off / combined

    @property
    def inside(self) -> bool:
        """Whether the measured number lies in the band, widened by the error of the measurement itself."""
        return abs(self.residual) <= NORMAL_80


@dataclass(frozen=True)
class RunComparison:
    """Sieves (x ascending, Q3), sizes that follow from them, other figures, and config keys in which the two differ."""

    prediction: Prediction
    run: MeasuredRun
    sieves_m: np.ndarray
    sieves: tuple[Point, ...]
    sizes: tuple[Point, ...]  # x10, x50, x90
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

    @property
    def points(self) -> tuple[Point, ...]:
        """Every row, the sieves first."""
        return (*self.sieves, *self.sizes, *self.figures)

    @property
    def independent(self) -> tuple[Point, ...]:
        """What counts for the coverage: x10 to x90 are the sieves again, and the power is the energy again."""
        again = "electrical_power_W" if any(p.name == "gross_J_kg" for p in self.figures) else ""
        return tuple(p for p in (*self.counted, *self.figures) if p.judged and p.name != again)

    @property
    def covered(self) -> tuple[int, int, float]:
        """(how many lie inside, of how many, how many one expects at the level of the band)."""
        told = self.independent
        return sum(p.inside for p in told), len(told), self.prediction.band_level * len(told)

    @property
    def missed(self) -> bool:
        """Whether fewer lie inside than the band promises, or one lies far out."""
        inside, count, expected = self.covered
        return bool(count) and (inside < int(expected) or any(abs(p.residual) > MISS for p in self.independent))


def compare(prediction: Prediction, run: MeasuredRun) -> RunComparison:
    """The comparison of one run with a stored prediction."""
    table = prediction.main.table
    block = size_block(run, table.edges_m, obs.frame_of(run.config, run.feed_rate_kg_s, NOTHING))
    nothing: tuple[np.ndarray, list[Point], np.ndarray] = np.zeros(0), [], np.zeros((0, 0))
    at, points, covariance = nothing if block is None else _by_sieve(block, run, prediction)
    sizes = _sizes(at, np.array([p.measured for p in points]), covariance, prediction)
    figures = tuple(_figures(prediction, run))
    same = same_rate(prediction, run)
    own = calibrated_on(prediction, run)
    return RunComparison(
        prediction, run, at, tuple(points), tuple(sizes), figures, differing(prediction, run), same, own
    )


def calibrated_on(prediction: Prediction, run: MeasuredRun) -> bool:
    """Whether the card of a prediction was made from this run: by what was measured, or the exact name on old cards."""
    card = parse_toml(prediction.config_text, "").tables.get("calibration")
    if not isinstance(card, dict):
        return False
    hashes = card.get("run_hashes")
    return measured_hash(run) in hashes if hashes else run.name in card.get("runs", [])


def _by_sieve(block: Block, run: MeasuredRun, prediction: Prediction) -> tuple[np.ndarray, list[Point], np.ndarray]:
    """(apertures ascending, one point each, covariance); repeats on a sieve are averaged, their common error stays."""
    sieves, means = on_sieves(run)
    table, points = prediction.main.table, []
    ln_x = np.log(table.edges_m)
    covariance = means @ block.covariance @ means.T
    for x, mean, variance in zip(sieves, means, np.diag(covariance), strict=True):
        curves = (table.product_q3, table.product_q3_low, table.product_q3_high)
        said, low, high = (float(np.interp(np.log(x), ln_x, q)) for q in curves)
        name, measured = f"Q3({1e3 * x:.3g} mm)", float(mean @ block.values)
        points.append(Point(name, "1", measured, float(variance) ** 0.5, said, low, high))
    return sieves, points, covariance


def on_sieves(run: MeasuredRun) -> tuple[np.ndarray, np.ndarray]:
    """(apertures (k,) ascending, weights (k, n) that average what all n sheet lines of the product say of each)."""
    at = np.concatenate([np.asarray(s.apertures_m) for s in run.product_sheets])
    sieves = np.unique(at)
    return sieves, np.array([(at == x) / np.count_nonzero(at == x) for x in sieves])


def _sizes(x: np.ndarray, q: np.ndarray, covariance: np.ndarray, prediction: Prediction) -> list[Point]:
    """x10, x50 and x90 of the run as its sieves tell them; nothing is extrapolated beyond the sieves."""
    found = []
    for key, share in PERCENTILES.items():
        said, note, (value, error) = prediction.main.scalars[key], NOT_MEASURED, (NAN, NAN)
        if q.size:
            note = BEYOND_FINE if share < q[0] else BEYOND_COARSE if share > q[-1] else ""
            value, error = size_at(x, q, covariance, share)
        found.append(Point(key, said.unit, value, error, said.value, said.low, said.high, note))
    return found


def size_at(x: np.ndarray, q: np.ndarray, covariance: np.ndarray, share: float) -> tuple[float, float]:
    """(size that a share of the mass is finer than, standard error) by sieves x (k,) [m] with Q3 q (k,); NaN beyond.

    Q3 is linear in ln x between sieves (ISO 9276-1). An error of Q3 there, itself interpolated from the two sieves,
    moves the size by that over the slope of the curve.
    """
    q = np.maximum.accumulate(q)
    value = float(psd.x_at(x, q, share))
    i = int(np.clip(np.searchsorted(q, share), 1, max(1, q.size - 1)))
    if not np.isfinite(value) or q.size < 2 or not q[i] > q[i - 1]:
        return value, NAN
    part = (share - q[i - 1]) / (q[i] - q[i - 1])
    weights = np.array([1.0 - part, part])
    of_q = float(weights @ covariance[i - 1 : i + 1, i - 1 : i + 1] @ weights) ** 0.5
    return value, value * of_q * float(np.log(x[i] / x[i - 1]) / (q[i] - q[i - 1]))


def same_rate(prediction: Prediction, run: MeasuredRun) -> bool:
    """Whether the prediction was made for the feed rate of the run, or both for as much as the mill takes."""
    if run.feeding == AS_IT_TOOK:
        return bool(np.isnan(prediction.requested_rate_kg_s))
    predicted = prediction.main.scalars["throughput_kg_s"].value
    return abs(predicted / run.feed_rate_kg_s - 1.0) <= SAME_RATE


def _figures(prediction: Prediction, run: MeasuredRun) -> list[Point]:
    """What else was measured and is predicted, at the meter's own place; errors as the calibration takes them."""
    meter = float(np.hypot(run.meter_class / obs.LIMIT, obs.EFFICIENCY if run.meter_at == "mains" else 0.0))
    loaded = float(np.hypot(meter, obs.READ))
    rows = [
        ("holdup_kg", run.holdup_kg, run.scale_kg / run.holdup_kg if run.holdup_kg else 0.0),
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
    same = same_rate(prediction, run)
    found = [_rate(prediction, run, same)]
    for key, measured, relative in rows:
        if measured is not None and key in prediction.main.scalars:
            kelvin = float(np.hypot(run.probe_K / obs.LIMIT, obs.PLACE_K))
            q, error = prediction.main.scalars[key], kelvin if relative is None else relative * measured
            note = "" if same or key in _ANY_RATE else OTHER_RATE
            found.append(Point(key, q.unit, measured, float(error), q.value, q.low, q.high, note))
    return [*found, *_not_measured(found, prediction)]


def _not_measured(found: list[Point], prediction: Prediction) -> list[Point]:
    """Energy and temperature, where the run does not tell them."""
    there, missing = {p.name for p in found}, []
    for key, others in (("gross_J_kg", ()), ("outlet_temperature_K", ("air_temperature_K", "powder_temperature_K"))):
        if key not in there and not there & set(others):
            said = prediction.main.scalars[key]
            missing.append(Point(key, said.unit, NAN, NAN, said.value, said.low, said.high, NOT_MEASURED))
    return missing


def _rate(prediction: Prediction, run: MeasuredRun, same: bool) -> Point:
    """The rate; of a metered feed only whether the mill took more than the largest rate predicted for it."""
    rate = propagate(lambda q: q["fed"] / q["time"], inputs(run), "kg/s", "fed over milling time")
    value, most = rate.value, prediction.main.scalars["capacity_kg_s"]
    if run.feeding != AS_IT_TOOK and value > most.value:
        return Point("capacity_kg_s", most.unit, value, rate.u, most.value, most.low, most.high)
    said, note = prediction.main.scalars["throughput_kg_s"], "" if same else OTHER_RATE
    if run.feeding != AS_IT_TOOK:
        return Point("throughput_kg_s", said.unit, value, rate.u, said.value, NAN, NAN, note or FED)
    error = float(np.hypot(rate.u, obs.FEEDER * value))
    return Point("throughput_kg_s", said.unit, value, error, said.value, said.low, said.high, note)


def _alike(x: object, y: object) -> bool:
    """Whether two values of a key are the same to the digits that people write: 600 g/h and 0.16667 g/s."""
    if isinstance(x, list) and isinstance(y, list):
        return len(x) == len(y) and all(map(_alike, x, y))
    if (x, y) in ((AS_MUCH, AS_MUCH_BEFORE), (AS_MUCH_BEFORE, AS_MUCH)):
        return True
    try:
        p, q = (split_quantity(str(v)) for v in (x, y))
    except UnitError:
        return x == y
    if (p[1] and p[1].si) != (q[1] and q[1].si):
        return False
    a, b = (to_si(number, unit) if unit else float(number) for number, unit in (p, q))
    return isclose(a, b, rel_tol=ALIKE)


def differing(prediction: Prediction, run: MeasuredRun) -> tuple[tuple[str, str, str], ...]:
    """Config keys with different values in the prediction and in the run; how to compute does not count."""
    return settings_apart(prediction.config_text, config_as_run(run).text)


def settings_apart(one: str, other: str) -> tuple[tuple[str, str, str], ...]:
    """(key, value, value) of what two resolved configs have different; how to compute does not count."""
    a, b = (flat(parse_toml(text, "").tables) for text in (one, other))
    keys = sorted(k for k in {*a, *b} if not k.startswith(("run.", "calibration.")) and not _alike(a.get(k), b.get(k)))
    return tuple((k, str(a.get(k, "not given")), str(b.get(k, "not given"))) for k in keys)
