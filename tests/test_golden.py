"""Numbers that stay: every shipped mill, a sweep, a circuit and a calibration against tests/data/golden.json.

Where a number changes on purpose, `python -m pytest tests/test_golden.py --update-golden` stores it anew, and the
change is to be seen in the diff. To 1e-12 of each number, which leaves room for the last bits of another processor; to
1e-9 where linear algebra of scipy takes part.
"""

import json
from dataclasses import replace
from pathlib import Path

import mills
import numpy as np
import pytest
import sweeps

from millsim.base.quantities.scalar import Scalar
from millsim.explore.sweep.record import SIZES_M
from millsim.forecast.run import predict
from millsim.learn.calibration import fit, observations, runmodel
from millsim.learn.calibration.posterior import find_mode
from millsim.learn.calibration.unknowns import unknowns_of
from millsim.learn.measured.runsheet import read_run
from millsim.studies.circuit.loop import closed

FILE = Path(__file__).parent / "data" / "golden.json"
QUICK = ("run.seed=1", "run.histories=400", "run.x50_error=0", "run.band_samples=8")
CURVE_M = (50e-6, 100e-6, 200e-6, 400e-6, 800e-6)


def engine_numbers(result):
    """Every scalar, watt and count of one engine, and the powder at a few sizes."""
    told: dict[str, Scalar] = result.scalars | result.ledger_in_W | result.ledger_out_W
    numbers = {name: s.value for name, s in told.items()}
    numbers |= {f"{name} low": s.low for name, s in told.items() if s.low == s.low}
    numbers |= {f"sum of {name}": float(c.value.sum()) for name, c in result.tallies.items()}
    q3 = np.interp(CURVE_M, result.table.edges_m, result.table.product_q3)
    return numbers | {f"Q3({1e6 * x:.0f} um)": float(q) for x, q in zip(CURVE_M, q3, strict=True)}


def of_mill(name, *overrides):
    """A shipped mill by both engines, with its limits and stalls."""
    p = predict(mills.config(name, *QUICK, *overrides))
    numbers = {f"limit {limit.name}": limit.load for limit in p.limits} | {"warm-up": float(p.warmup_temperature_K[-1])}
    if p.trace:
        numbers |= {"stalls": p.trace.stalls, "highest torque": float(p.trace.peak_torque_Nm.max())}
        numbers |= {"pieces that came": p.trace.arrived, "most starts that may stall": p.trace.stall_high}
        if p.trace.running:
            numbers |= {"stalls while running": p.trace.running.stalls, "watched": p.trace.running.watched_s}
    for result in filter(None, (p.main, p.other)):
        numbers |= {f"{result.engine}: {k}": v for k, v in engine_numbers(result).items()}
    return numbers


def of_sweep():
    """The demo mill over gap and hole, nine points with draws."""
    points = sweeps.real().points
    numbers = {f"{k}[{i}]": float(v[i]) for k, v in points.values.items() for i in (0, 4, 8)}
    numbers |= {f"draws of {k}": float(np.nansum(v)) for k, v in points.draws.items()}
    at = int(np.argmin(np.abs(SIZES_M - 200e-6)))
    return numbers | {f"Q3[{i}]": float(points.q3[i, at]) for i in range(9)}


def of_circuit():
    """The demo mill closed with a sieve of 0.4 mm that passes 90 %."""
    c = closed(mills.config("demo"), 0.4e-3, 0.9)
    names = ("fresh_kg_s", "total_kg_s", "accepted_kg_s", "circulating_load", "electrical_W", "gross_J_kg", "net_J_kg",
             "outlet_temperature_K", "holdup_kg", "x10_m", "x50_m", "x90_m")  # fmt: skip
    return {name: getattr(c, name) for name in names}


def of_calibration():
    """The demo run on coarse classes: residuals at two sets of scores, and the misfit of the best fit."""
    coarse = mills.config("demo", "run.class_ratio=1.4")
    run = replace(read_run(mills.CONFIGS / "demo_run.toml"), config=coarse)
    model = runmodel.model_of(run)
    unknowns = unknowns_of(model.problem.parameters)
    joint = fit.JointMisfit((model,), (observations.blocks_of(run, model),), unknowns)
    scores = np.array([np.zeros(unknowns.count), np.linspace(-0.3, 0.3, unknowns.count)])
    numbers = {f"residual[{k},{i}]": float(r) for k, row in enumerate(joint(scores)) for i, r in enumerate(row)}
    mode = find_mode(joint, unknowns.count, np.random.default_rng(1), lambda *_: None)
    return numbers | {"least misfit": float(np.sum(mode.residuals**2) + np.sum(mode.scores**2))}


ROTORS = ("rotor_stack", "rotor_hammers")  # of the five; the others are much as the demo
GIVEN = {name: (lambda name=name: of_mill(name)) for name in mills.NAMES}
GIVEN |= {name: (lambda name=name: of_mill(name, "run.trace=false", "run.class_ratio=1.4")) for name in ROTORS}
GIVEN |= {"sweep": of_sweep, "circuit": of_circuit, "calibration": of_calibration}


def stored():
    """Subject -> name -> number; NaN and infinity as JSON of Python writes them."""
    return json.loads(FILE.read_text(encoding="utf-8")) if FILE.exists() else {}


@pytest.mark.parametrize("subject", GIVEN)
def test_numbers_are_those_stored(subject, request):
    numbers = {k: float(v) for k, v in GIVEN[subject]().items()}
    if request.config.getoption("--update-golden"):
        text = json.dumps(stored() | {subject: numbers}, indent=1, sort_keys=True)
        FILE.write_text(text + "\n", encoding="utf-8")
        pytest.skip("stored anew")
    before = stored()[subject]
    assert set(numbers) == set(before)
    rel = 1e-9 if subject == "calibration" else 1e-12
    assert {k: numbers[k] for k in before} == pytest.approx(before, rel=rel, abs=0.0, nan_ok=True)


def test_enough_is_stored():
    assert set(stored()) == set(GIVEN)
    assert all(len(stored()[name]) >= 30 for name in (*mills.NAMES, *ROTORS))
