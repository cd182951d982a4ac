"""Pretend runs with known parameters: a template run whose every measurement is replaced by what the Monte Carlo
engine, or a foreign mill, and instruments with errors would have shown.
"""

from dataclasses import replace
from math import exp

import numpy as np

from millsim.base.reading.sheet import SieveSheet
from millsim.engines import montecarlo
from millsim.forecast.error import MODEL, bent, sizes_of
from millsim.learn.calibration import fit, nextstep, posterior
from millsim.learn.calibration.observations import Block, blocks_of, unseen_share
from millsim.learn.calibration.posterior import find_mode
from millsim.learn.calibration.runmodel import Forecast, RunModel, model_of
from millsim.learn.calibration.shared import cross, joint
from millsim.learn.calibration.unknowns import Unknowns, unknowns_of
from millsim.learn.measured.runsheet import MeasuredRun


def pretend(
    run: MeasuredRun, unknowns: Unknowns, scores: np.ndarray, seed: int, histories: int = 4000, own_error: float = 1.0
) -> tuple[MeasuredRun, Forecast] | None:
    """(the run as it would have been measured, what is true) with parameters at scores (G,); None if it would not run.

    The sizes, hold-up and power are those of the Monte Carlo engine, not of the balance the calibration uses, and off
    by an error of the model as large as its card says; the errors of the instruments have the sizes that the
    calibration assumes, at the true values. own_error: factor on the model's.
    """
    model = model_of(run)
    used = {p.name for p in model.problem.parameters}
    mill = unknowns.mills(model.problem, scores[None], used)
    settled = model.forecast(mill)
    if settled is None or settled.overrun > 1.0:
        return None
    rng = np.random.default_rng(seed)
    true = off_by(by_histories(model, mill, settled, seed, histories), model, model_error(rng, own_error))
    return measured(run, model, true, rng), true


def model_error(rng: np.random.Generator, factor: float = 1.0) -> dict[str, float]:
    """Scores of the model's own error, as a mill unlike any run has them."""
    return dict(zip(MODEL, (factor * rng.standard_normal(len(MODEL))).tolist(), strict=True))


def off_by(f: Forecast, model: RunModel, z: dict[str, float]) -> Forecast:
    """A forecast with an error of the model of these scores."""
    sizes, config = sizes_of(model.problem), model.problem.config
    edges, hole = model.problem.edges, config.sieve.hole_m
    shift, bend = sizes["error_size"] * z["size"], sizes["error_curve"]
    loaded = f.idle_W + (f.loaded_W - f.idle_W) * exp(sizes["error_work"] * z["work"])
    warmer = exp(sizes["error_rise"] * z["rise"]) * loaded / f.loaded_W
    return replace(
        f, q3=bent(edges, f.q3, hole, shift, bend, z), holdup_q3=bent(edges, f.holdup_q3, hole, shift, bend, z),
        holdup_kg=f.holdup_kg * exp(sizes["error_holdup"] * z["holdup"]), loaded_W=loaded,
        air_K=config.air.room_K + (f.air_K - config.air.room_K) * warmer,
        powder_K=config.air.room_K + (f.powder_K - config.air.room_K) * warmer,
    )  # fmt: skip


def measured(run: MeasuredRun, model: RunModel, true: Forecast, rng: np.random.Generator) -> MeasuredRun:
    """The run as instruments and the day would have shown what is true."""
    exact = _showing(run, model, true, [b.tell(true) for b in blocks_of(run, model)])
    noisy = []
    for b in blocks_of(exact, model):
        values, vectors = np.linalg.eigh(b.covariance - (cross(b.of_model, b.of_model) if b.of_model else 0.0))
        noise = vectors @ (np.sqrt(np.clip(values, 0.0, None)) * rng.standard_normal(values.size))
        noisy.append(b.tell(true) + noise)
    return _showing(run, model, true, noisy)


def measured_together(runs, models, trues, rng: np.random.Generator) -> tuple[MeasuredRun, ...]:
    """Runs as `measured`, by instruments that they share: meter, motor, sieves and thermometer are off alike."""
    exact = [
        _showing(r, m, t, [b.tell(t) for b in blocks_of(r, m)]) for r, m, t in zip(runs, models, trues, strict=True)
    ]
    blocks = [blocks_of(r, m) for r, m in zip(exact, models, strict=True)]
    parts = []
    for b in (b for found in blocks for b in found):
        own = b.covariance - (cross(b.of_model, b.of_model) if b.of_model else 0.0)
        parts.append((own, tuple(s for s in b.shared if s not in b.of_model)))
    values, vectors = np.linalg.eigh(joint(parts))
    noise = vectors @ (np.sqrt(np.clip(values, 0.0, None)) * rng.standard_normal(values.size))
    shown = []
    for r, m, t, found in zip(runs, models, trues, blocks, strict=True):
        off, noise = np.split(noise, [sum(b.values.size for b in found)])
        each = np.split(off, np.cumsum([b.values.size for b in found])[:-1])
        shown.append(_showing(r, m, t, [b.tell(t) + e for b, e in zip(found, each, strict=True)]))
    return tuple(shown)


def few_chains(patch, chains: int = 80) -> None:
    """Sample with fewer chains by pytest's monkeypatch: the same steps, for tests that need no sharp posterior."""
    patch.setattr(posterior, "CHAINS", chains)
    patch.setattr(posterior, "ENOUGH", 0.75 * chains)


def few_draws(patch, count: int = 96) -> None:
    """Rank measurements over fewer draws by pytest's monkeypatch, for tests of what is told about them."""
    patch.setattr(nextstep, "COUNT", count)
    patch.setattr(nextstep, "ENOUGH_DRAWS", count // 2)


def light(shown, unknowns=None):
    """A calibration without its posterior: best fit with errors as assumed, and what the checks read of it."""
    model = model_of(shown)
    unknowns = unknowns or unknowns_of(model.problem.parameters)
    misfit = fit.JointMisfit((model,), (blocks_of(shown, model),), unknowns)
    mode = find_mode(misfit, unknowns.count, np.random.default_rng(1), lambda *_: None)
    best = misfit.forecasts(0, mode.scores[None])[0]
    whole = fit.RunFit(shown, model, misfit.blocks[0], best, (), ())
    factors = fit.factors_of(misfit.misfit, mode, 1.0)
    return fit.Calibration((whole,), unknowns, None, None, 1, mode, factors, ())


def by_histories(model: RunModel, mill: np.ndarray, settled: Forecast, seed: int, histories: int = 4000) -> Forecast:
    """The forecast with sizes, hold-up and striking power counted by the Monte Carlo engine."""
    steps, flows, rate = model.frozen(mill)
    p = model.problem
    tally = montecarlo.run(mill, steps, p.edges, p.feed_curve, histories, seed, 0.0)
    work = rate * (tally.flows["work"] + tally.flows["nip_work"]) - float(flows["work"] + flows["nip_work"])
    at_meter = float(mill[0]["efficiency"]) if model.meter == "mains" else 1.0
    return replace(
        settled, q3=tally.exits_q3 / tally.left, holdup_kg=rate * tally.residence_s,
        loaded_W=settled.loaded_W + work / at_meter,
    )  # fmt: skip


def _showing(run: MeasuredRun, model: RunModel, true: Forecast, values: list[np.ndarray]) -> MeasuredRun:
    """The template run with its measured numbers replaced by `values`, in the order of its blocks."""
    changes: dict[str, object] = {}
    for block, value in zip(blocks_of(run, model), values, strict=True):
        if block.name == "product size":
            half = 0.5 * unseen_share(run)  # the block adds half of what no sheet saw to the fines
            changes["product_sheets"] = _sheets(run.product_sheets, (value - half) / (1.0 - half))
        elif block.name == "charge size":
            changes["holdup_sheets"] = _sheets(run.holdup_sheets, value)
        else:
            changes |= _numbers(block, value)
    return replace(run, **changes)


def _numbers(block: Block, value: np.ndarray) -> dict[str, float]:
    fields = {
        "charge": "holdup_kg", "idle power": "idle_W", "loaded power": "loaded_W", "air flow": "air_flow_m3_s",
    }  # fmt: skip
    found = {fields[n]: float(np.exp(v)) for n, v in zip(block.labels, value, strict=True) if n in fields}
    kelvin = {"air temperature": "air_temperature_K", "powder temperature": "powder_temperature_K"}
    return found | {kelvin[n]: float(v) for n, v in zip(block.labels, value, strict=True) if n in kelvin}


def _sheets(sheets: tuple[SieveSheet, ...], q: np.ndarray) -> tuple[SieveSheet, ...]:
    """Sheets with these Q3 in turn; a curve made to fall by its errors is levelled, as no sieving can fall."""
    found, at = [], 0
    for s in sheets:
        part = np.clip(np.maximum.accumulate(q[at : at + len(s.q3)]), 0.0, 1.0)
        at += len(s.q3)
        total = s.sum_g or 50.0
        retained = tuple(float(m) for m in total * np.diff([*part, 1.0]))
        q3 = tuple(float(v) for v in part)
        masses = {"retained_g": retained, "pan_g": float(total * part[0]), "charge_g": None}
        found.append(replace(s, q3=q3, q3_loss_shared=(), q3_loss_fine=(), path=None, **masses))
    return tuple(found)
