"""Calibration: whether its 80 % intervals hold the truth, over many pretend runs, alone and two together; and its time.

Every pretend run has all parameters drawn from their ranges, is simulated by the Monte Carlo engine, off by an error of
the model as large as its card says, and measured with errors; draws whose mill would not run at that feed rate are
drawn anew. Two runs together are of one mill with another sieve, and of two mills of one material; they share
instruments, and the model's error as far as they are alike. `python benchmarks/bench_calibration.py 40` does fewer; the
full number takes seven minutes on two quiet cores and is kept in calibration.json, whose rows say how many were run.
"""

import os
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from common import DEMO, ROOT, best, keep, row, say, show, unpacked
from pretend import by_histories, measured_together, off_by
from scipy.optimize import least_squares

from millsim.base.numerics import psd
from millsim.errors import MillsimError
from millsim.forecast.error import MODEL, alike
from millsim.learn.calibration import fit, observations, posterior, runmodel
from millsim.learn.calibration.posterior import find_mode, sample, weighted_quantile
from millsim.learn.calibration.unknowns import unknowns_of
from millsim.learn.calibration.whole import calibrate_whole
from millsim.learn.measured.runsheet import read_run
from millsim.mill.calibrated import conditions
from millsim.mill.config.mill import load_config

RUNS, PAIRS = 200, 40
CLASSES = 1.6  # ratio of size classes in the many runs: fast, and their error is part of the test
CHAINS = 100  # of the many runs, half of what a user waits for
SETTING = [f"run.class_ratio={CLASSES}", "run.engine=balance"]
OTHERS = {"another sieve": ["sieve.hole=0.85 mm", "sieve.pitch=1.7 mm"], "another mill": ["rotor.edge=toothed"]}
BEFORE = "42edba9"  # the last commit before calibrated bands had the model's own error
KEPT = ROOT / "benchmarks" / "calibration.json"
LEVEL = (0.1, 0.9)
FELT = ("xw_min", "fines_limit", "daughter_exponent", "layer_speed_ratio", "windage_factor")  # what a run narrows
HARDLY_FELT = ("rate_multiplier", "sieve_factor", "edge_share_bevelled")
ANSWERS = {
    "x50": lambda f, edges: psd.curve_x_at(edges, f.q3, 0.5),
    "x90": lambda f, edges: psd.curve_x_at(edges, f.q3, 0.9),
    "hold-up": lambda f, edges: f.holdup_kg,
    "loaded power": lambda f, edges: f.loaded_W,
    "outlet temperature": lambda f, edges: f.outlet_K,
}


def quiet(*_: object) -> None:
    """Progress to nobody."""


def off_together(models, rng: np.random.Generator) -> list[dict[str, float]]:
    """Scores of the model's own error in every run: the more one, the more alike the runs are."""
    where = [conditions(m.problem.config, m.rate_kg_s) for m in models]
    places, kinds = np.array([place for _, place in where]), [kind for kind, _ in where]
    K = alike(places, places) * np.array([[a == b for b in kinds] for a in kinds])
    z = np.linalg.cholesky(K + 1e-9 * np.eye(len(K))) @ rng.standard_normal((len(K), len(MODEL)))
    return [dict(zip(MODEL, row.tolist(), strict=True)) for row in z]


def one(runs, unknowns, seed: int):
    """(inside by parameter (G,), inside by answer (runs, A), effective samples, seconds, range left (G,)) of runs that
    are calibrated together; None: one of them does not run.
    """
    rng = np.random.default_rng(1000 + seed)
    truth, trues, models = rng.standard_normal(unknowns.count), [], tuple(map(runmodel.model_of, runs))
    for model, z in zip(models, off_together(models, rng), strict=True):
        used = {p.name for p in model.problem.parameters}
        mill = unknowns.mills(model.problem, truth[None], used)
        settled = model.forecast(mill)
        if settled is None or settled.overrun > 1.0:
            return None
        trues.append(off_by(by_histories(model, mill, settled, seed), model, z))
    shown = measured_together(runs, models, trues, rng)
    start = time.perf_counter()
    models = tuple(map(runmodel.model_of, shown))
    blocks = tuple(observations.blocks_of(r, m) for r, m in zip(shown, models, strict=True))
    joint = fit.JointMisfit(models, blocks, unknowns)
    p = sample(joint, find_mode(joint, unknowns.count, rng, quiet), rng, quiet)
    seconds = time.perf_counter() - start
    ends = np.array([[weighted_quantile(z, p.weights, q) for q in LEVEL] for z in p.scores.T])
    equal = p.equal(CHAINS)
    told = [d for d in zip(*(joint.forecasts(i, equal) for i in range(len(runs))), strict=True) if all(d)]
    off = fit.errors_of(joint, told, list(told[0]), rng)  # the model's own error, as left
    answers = []
    for i, (model, true) in enumerate(zip(models, trues, strict=True)):
        z = off[i].scores
        draws = [off_by(d[i], model, {n: v[k] for n, v in z.items()}) for k, d in enumerate(told)]
        tells = [np.quantile([tell(f, model.problem.edges) for f in draws], LEVEL) for tell in ANSWERS.values()]
        said = [tell(true, model.problem.edges) for tell in ANSWERS.values()]
        answers.append([low <= x <= high for (low, high), x in zip(tells, said, strict=True)])
    inside = (truth >= ends[:, 0]) & (truth <= ends[:, 1])
    return inside, np.array(answers), p.effective, seconds, (ends[:, 1] - ends[:, 0]) / (2 * 1.2816)


def coverage(runs, unknowns, count: int) -> list:
    """Tables of one() over `count` times that all runs run."""
    found, seed, begin = [], 0, time.perf_counter()
    whole = posterior.CHAINS, posterior.ENOUGH
    posterior.CHAINS, posterior.ENOUGH = CHAINS, 0.8 * CHAINS
    while len(found) < count:
        seed += 1
        if (got := one(runs, unknowns, seed)) is not None:
            found.append(got)
            if len(found) % 10 == 0:
                share, answers = (100 * np.mean([f[i] for f in found]) for i in (0, 1))
                took = time.perf_counter() - begin
                say(f"  {len(found)}, {took:.0f} s, inside: parameters {share:.1f} %, answers {answers:.1f} %")
    posterior.CHAINS, posterior.ENOUGH = whole
    return found


def together(run, count: int) -> list[dict]:
    """Rows of two runs calibrated together."""
    rows = []
    for name, keys in OTHERS.items():
        runs = (run, replace(run, config=load_config(DEMO, [*SETTING, *keys]), sha256=name))
        unknowns = unknowns_of(fit._all_parameters(tuple(map(runmodel.model_of, runs))))
        found = np.array([f[1] for f in coverage(runs, unknowns, count)])
        share, what = 100 * found.mean(), f"the same, answers of two runs together ({count}), {name}"
        rows.append(row(what, share, "%", "75 to 85 %", 75 <= share <= 85))
    return rows


def processor(function) -> float:
    """The lesser processor time [s] of two calls."""
    spent = []
    for _ in range(2):
        start = time.process_time()
        function()
        spent.append(time.process_time() - start)
    return min(spent)


def conflicting(run) -> list[dict]:
    """Processor time of runs that no parameters make, over that of the demo run as it is."""
    usual = processor(lambda: calibrate_whole([run]))
    rows = [row("one calibration of the demo run, processor time", usual, "s")]
    sheet = run.product_sheets[0]
    finer = replace(sheet, apertures_m=tuple(4.0 * x for x in sheet.apertures_m), q3_loss_fine=(), q3_loss_shared=())
    odd = {"powder four times as coarse": replace(run, product_sheets=(finer,)),
           "twenty times the loaded power": replace(run, loaded_W=20.0 * run.loaded_W),
           "thirty times the feed": replace(run, fed_kg=30.0 * run.fed_kg)}  # fmt: skip
    for name, shown in odd.items():
        said = ["answered"]

        def refused(shown=shown, said=said) -> None:
            try:
                said[0] = "no error bars" if not calibrate_whole([shown]).bars else "answered"
            except MillsimError:
                said[0] = "refused"

        ratio = processor(refused) / usual
        rows.append(row(f"  {name}, {said[0]}, over that", ratio, "times", "<= 3", ratio <= 3.0))
    return rows


TIMED = """
import time
from millsim.learn.calibration.whole import calibrate_whole
from millsim.learn.measured.runsheet import read_run
run = read_run("configs/demo_run.toml")
spent = []
for _ in range(3):
    start = time.process_time()
    calibrate_whole([run])
    spent.append(time.process_time() - start)
print(min(spent[1:]))
"""


def since(commit: str) -> list[dict]:
    """Processor time of the calibration of the demo run, each tree's own, over that of an earlier commit; by turns."""
    with tempfile.TemporaryDirectory() as folder:
        if not unpacked(commit, Path(folder)):
            return []
        spent: dict[Path, list[float]] = {ROOT: [], Path(folder): []}
        for tree in (*spent, ROOT):
            env = {**os.environ, "PYTHONPATH": str(tree)}
            told = subprocess.run([sys.executable, "-c", TIMED], cwd=tree, env=env, capture_output=True, check=True)
            spent[tree].append(float(told.stdout))
        new, old = (min(s) for s in spent.values())
    return [row(f"processor time of one calibration over that of {commit}", new / old, "times", "<= 1", new <= old)]


def baseline(run, unknowns) -> tuple[float, float]:
    """(our seconds to the best fit, seconds of scipy's least_squares on the same misfit)."""
    model = runmodel.model_of(run)
    joint = fit.JointMisfit((model,), (observations.blocks_of(run, model),), unknowns)
    used = {p.name for p in model.problem.parameters}

    def residuals(z: np.ndarray) -> np.ndarray:
        mill = unknowns.mills(model.problem, z[None], used)
        return np.concatenate([np.nan_to_num(joint.misfit((model.forecast(mill),)), nan=1e3), z])

    ours = best(lambda: find_mode(joint, unknowns.count, np.random.default_rng(1), quiet), 3)
    theirs = best(lambda: least_squares(residuals, np.zeros(unknowns.count), diff_step=0.02, xtol=1e-5), 1)
    return ours, theirs


def _covered(unknowns, found: list) -> list[dict]:
    """Rows of coverage: answers and felt parameters first; the others are near 80 % by construction."""
    inside, answers = np.array([f[0] for f in found]), np.array([f[1][0] for f in found])
    width = np.mean([f[4] for f in found], axis=0)
    felt = [unknowns.names.index(name) for name in FELT]

    def pooled(what: str, hits: np.ndarray) -> dict:
        share = 100 * hits.mean()
        return row(f"80 % intervals that hold the truth, {what}", share, "%", "75 to 85 %", 75 <= share <= 85)

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
    coarse = replace(run, config=load_config(DEMO, SETTING))
    found = coverage((coarse,), unknowns, count)
    pairs = together(coarse, round(PAIRS * count / RUNS))
    calibrate_whole([run])
    whole = best(lambda: calibrate_whole([run]), 2)
    ours, theirs = baseline(run, unknowns)
    rows = [*_covered(unknowns, found), *pairs, *conflicting(run), *since(BEFORE)]
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
