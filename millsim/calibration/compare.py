"""Measured against predicted: a stored prediction and a run, side by side. Nothing is fitted and nothing is changed."""

from dataclasses import dataclass

import numpy as np

from ..measured.runsheet import MeasuredRun, config_as_run
from ..prediction import Prediction
from ..tomlfile import parse_toml
from .observations import Block, size_block

INFORMATIVE = (0.005, 0.995)  # sieves where either curve lies outside say nothing


@dataclass(frozen=True)
class Point:
    """One measured number with its standard error, against a predicted one with its band; SI units."""

    name: str
    unit: str
    measured: float
    error: float
    predicted: float
    low: float
    high: float

    @property
    def inside(self) -> bool:
        """Whether the measured number lies in the band."""
        return self.low <= self.measured <= self.high


@dataclass(frozen=True)
class Comparison:
    """Sieves (x ascending, Q3), other figures, and config keys in which prediction and run differ."""

    prediction: Prediction
    run: MeasuredRun
    sieves_m: np.ndarray
    sieves: tuple[Point, ...]
    figures: tuple[Point, ...]
    differing: tuple[tuple[str, str, str], ...]  # (key, predicted for, run with)

    @property
    def counted(self) -> tuple[Point, ...]:
        """Sieves that can tell a good prediction from a bad one."""
        low, high = INFORMATIVE
        return tuple(p for p in self.sieves if low < p.measured < high or low < p.predicted < high)

    @property
    def inside(self) -> int:
        """How many of the counted sieves lie inside the band."""
        return sum(p.inside for p in self.counted)


def compare(prediction: Prediction, run: MeasuredRun) -> Comparison:
    """The comparison of one run with a stored prediction."""
    table = prediction.main.table
    block = size_block(run, table.edges_m)
    at, order = np.zeros(0), np.zeros(0, dtype=int)
    points: list[Point] = []
    if block is not None:
        at = np.concatenate([np.asarray(s.apertures_m) for s in run.product_sheets])
        order = np.argsort(at, kind="stable")
        points = [_sieve(block, i, at[i], prediction) for i in order]
    figures = tuple(_figures(prediction, run))
    return Comparison(prediction, run, at[order], tuple(points), figures, differing(prediction, run))


def _sieve(block: Block, i: int, x: float, prediction: Prediction) -> Point:
    table = prediction.main.table
    ln_x = np.log(table.edges_m)

    def at(curve: np.ndarray) -> float:
        return float(np.interp(np.log(x), ln_x, curve))

    return Point(
        f"Q3({1e3 * x:.3g} mm)", "1", float(block.values[i]), float(block.sd[i]), at(table.product_q3),
        at(table.product_q3_low), at(table.product_q3_high),
    )  # fmt: skip


def _figures(prediction: Prediction, run: MeasuredRun) -> list[Point]:
    """What else was measured and is predicted, at the meter's own place."""
    s = prediction.main.scalars
    share = 3.0**-0.5
    rows = [
        ("feed rate", run.feed_rate_kg_s, 0.01 * run.feed_rate_kg_s, "throughput_kg_s"),
        ("hold-up", run.holdup_kg, run.scale_kg * share, "holdup_kg"),
        ("outlet temperature", run.outlet_K, run.probe_K * share, "outlet_temperature_K"),
        ("air flow", run.air_flow_m3_s, run.air_uncertainty * share * (run.air_flow_m3_s or 0.0), "air_flow_m3_s"),
    ]
    if run.meter_at == "mains":
        rows.append(("idle power", run.idle_W, None, "idle_power_W"))
        rows.append(("loaded power", run.loaded_W, None, "electrical_power_W"))
    else:
        rows += [("loaded power", run.loaded_W, None, "shaft_power_W")]
    if run.loaded_W is not None and run.meter_at == "mains":
        gross = run.loaded_W / run.feed_rate_kg_s
        rows.append(("energy per kg fed", gross, run.meter_class * share * gross, "gross_J_kg"))
    found = []
    for name, measured, error, key in rows:
        if measured is not None:
            error = error if error is not None else run.meter_class * share * measured
            q = s[key]
            found.append(Point(name, q.unit, measured, float(error), q.value, q.low, q.high))
    return found


def differing(prediction: Prediction, run: MeasuredRun) -> tuple[tuple[str, str, str], ...]:
    """Config keys with different values in the prediction and in the run; how to compute does not count."""
    a, b = (_flat(parse_toml(text, "").tables) for text in (prediction.config_text, config_as_run(run).text))
    keys = sorted(k for k in {*a, *b} if not k.startswith(("run.", "calibration.")) and a.get(k) != b.get(k))
    return tuple((k, str(a.get(k, "not given")), str(b.get(k, "not given"))) for k in keys)


def _flat(tables: dict, prefix: str = "") -> dict[str, object]:
    found: dict[str, object] = {}
    for name, value in tables.items():
        if isinstance(value, dict):
            found |= _flat(value, f"{prefix}{name}.")
        else:
            found[prefix + name] = value
    return found
