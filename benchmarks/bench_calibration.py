"""Calibration: whether its 80 % intervals hold the truth, over 200 pretend runs; and how long one calibration takes.

Every pretend run has all parameters drawn from their ranges, is simulated by the Monte Carlo engine and measured with
errors; draws whose mill would not run at that feed rate are drawn anew. `python benchmarks/bench_calibration.py 40`
does fewer runs; the full number takes half an hour and is kept in calibration.json.
"""

import sys
import time
from dataclasses import replace

import numpy as np
from common import DEMO, ROOT, best, keep, row, say, show
from pretend import off_by, pretend
from scipy.optimize import least_squares

from millsim.base.numerics import psd
from millsim.learn.calibration import fit, observations, runmodel
from millsim.learn.calibration.posterior import find_mode, sample, weighted_quantile
from millsim.learn.calibration.unknowns import unknowns_of
from millsim.learn.calibration.whole import calibrate_whole
from millsim.learn.measured.runsheet import read_run
from millsim.mill.config.mill import load_config

RUNS = 200
CLASSES = 1.3  # ratio of size classes in the many runs: twice as fast, and their error of 1 % is part of the test
KEPT = ROOT / "benchmarks" / "calibration.json"
LEVEL = (0.1, 0.9)
FELT = ("xw_min", "fines_limit", "daughter_exponent", "layer_speed_ratio", "windage_factor")  # what a run narrows
HARDLY_FELT = ("rate_multiplier", "sieve_factor", "edge_share_bevelled")
ANSWERS = {
    "x50": lambda f, edges: psd.x_at(edges, f.q3, 0.5),
    "x90": lambda f, edges: psd.x_at(edges, f.q3, 0.9),
    "hold-up": lambda f, edges: f.holdup_kg,
    "loaded power": lambda f, edges: f.loaded_W,
    "outlet temperature": lambda f, edges: f.outlet_K,
}


def quiet(*_: object) -> None:
    """Progress to nobody."""


def one(run, unknowns, seed: int):
    """(inside by parameter (G,), inside by answer, effective samples, seconds, range left (G,)); None: does not run."""
    truth = np.random.default_rng(1000 + seed).standard_normal(unknowns.count)
    made = pretend(run, unknowns, truth, seed)
    if made is None:
        return None
    measured, true = made
    start = time.perf_counter()
    model = runmodel.model_of(measured)
    joint = fit.JointMisfit((model,), (observations.blocks_of(measured, model),), unknowns)
    rng = np.random.default_rng(seed)
    p = sample(joint, find_mode(joint, unknowns.count, rng, quiet), rng, quiet)
    seconds = time.perf_counter() - start
    ends = np.array([[weighted_quantile(z, p.weights, q) for q in LEVEL] for z in p.scores.T])
    draws = [f for f in joint.forecasts(0, p.equal(200)) if f]
    off = fit.errors_of(joint, [(f,) for f in draws], draws[:1], rng)[0].scores  # the model's own error, as left
    draws = [off_by(f, model, {n: v[i] for n, v in off.items()}) for i, f in enumerate(draws)]
    edges, answers = model.problem.edges, []
    for tell in ANSWERS.values():
        low, high = np.quantile([tell(f, edges) for f in draws], LEVEL)
        answers.append(low <= tell(true, edges) <= high)
    inside = (truth >= ends[:, 0]) & (truth <= ends[:, 1])
    return inside, np.array(answers), p.effective, seconds, (ends[:, 1] - ends[:, 0]) / (2 * 1.2816)


def coverage(run, unknowns, count: int) -> list:
    """Tables of one() over `count` runs that run."""
    found, seed, begin = [], 0, time.perf_counter()
    while len(found) < count:
        seed += 1
        if (got := one(run, unknowns, seed)) is not None:
            found.append(got)
            if len(found) % 10 == 0:
                share, answers = (100 * np.mean([f[i] for f in found]) for i in (0, 1))
                took = time.perf_counter() - begin
                say(f"  {len(found)} runs, {took:.0f} s, inside: parameters {share:.1f} %, answers {answers:.1f} %")
    return found


def baseline(run, unknowns) -> tuple[float, float]:
    """(our seconds to the best fit, seconds of scipy's least_squares on the same misfit)."""
    model = runmodel.model_of(run)
    joint = fit.JointMisfit((model,), (observations.blocks_of(run, model),), unknowns)
    used = {p.name for p in model.problem.parameters}

    def residuals(z: np.ndarray) -> np.ndarray:
        mill = unknowns.mills(model.problem.mill, z[None], used)
        return np.concatenate([np.nan_to_num(joint.misfit((model.forecast(mill),)), nan=1e3), z])

    ours = best(lambda: find_mode(joint, unknowns.count, np.random.default_rng(1), quiet), 3)
    theirs = best(lambda: least_squares(residuals, np.zeros(unknowns.count), diff_step=0.02, xtol=1e-5), 1)
    return ours, theirs


def _covered(unknowns, found: list) -> list[dict]:
    """Rows of coverage: answers and felt parameters first; the others are near 80 % by construction."""
    inside, answers = np.array([f[0] for f in found]), np.array([f[1] for f in found])
    width = np.mean([f[4] for f in found], axis=0)
    felt = [unknowns.names.index(name) for name in FELT]

    def pooled(what: str, hits: np.ndarray) -> dict:
        share = 100 * hits.mean()
        return row(f"80 % intervals that hold the truth, {what}", share, "%", "72 to 88 %", 72 <= share <= 88)

    def each(names: tuple[str, ...]) -> list[dict]:
        at = [unknowns.names.index(name) for name in names]
        return [
            row(f"  {name} (its range left: {100 * width[i]:.0f} %)", 100 * inside[:, i].mean(), "%")
            for name, i in zip(names, at, strict=True)
        ]

    rows = [row("pretend runs", len(found), ""), pooled("answers", answers)]
    rows += [row(f"  {name}", 100 * answers[:, i].mean(), "%") for i, name in enumerate(ANSWERS)]
    rows += [pooled("felt parameters", inside[:, felt]), *each(FELT)]
    return [*rows, pooled("all parameters (most are hardly felt)", inside), *each(HARDLY_FELT)]


def main(count: int = RUNS) -> dict:
    """Run all, print the table and return it."""
    run = read_run(ROOT / "configs" / "demo_run.toml")
    unknowns = unknowns_of(runmodel.model_of(run).problem.parameters)
    coarse = replace(run, config=load_config(DEMO, [f"run.class_ratio={CLASSES}"]))
    found = coverage(coarse, unknowns, count)
    calibrate_whole([run])
    whole = best(lambda: calibrate_whole([run]), 2)
    ours, theirs = baseline(run, unknowns)
    rows = _covered(unknowns, found)
    rows += [
        row("effective samples below 80: no error bars", sum(f[2] < 80 for f in found), ""),
        row("effective samples, median", float(np.median([f[2] for f in found])), ""),
        row("  least", float(np.min([f[2] for f in found])), ""),
        row("seconds of fit and sampling, median", float(np.median([f[3] for f in found])), "s"),
        row("  most", float(np.max([f[3] for f in found])), "s"),
        row("one calibration of the demo run, all of it", whole, "s", "<= 20 s", whole <= 20.0),
        row("  to the best fit alone", ours, "s"),
        row("  scipy least_squares on the same misfit", theirs, "s"),
        row("best fit: least_squares over ours", theirs / ours, "times"),
    ]
    show("Calibration", rows)
    table = {"title": "Calibration", "rows": rows}
    if count >= RUNS:
        keep(KEPT, table)
    return table


if __name__ == "__main__":
    sys.exit(0 if main(int(sys.argv[1]) if len(sys.argv) > 1 else RUNS) else 1)
