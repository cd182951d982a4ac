"""Whether calibrated bands hold the truth when the truth is not our model.

Pretend runs of mills with foreign laws (tests/foreign.py) and of the model's own, errors of instruments and of the day
as stated: calibrated on one setting, predicted at others (hole, speed, gap changed, one at a time), and compared with
what the mill does there. `python benchmarks/bench_coverage.py 60` tries fewer; the full number takes half an hour and
is kept in coverage.json. The sizes of the model's own error were chosen on the even cases; the odd ones are scored.
"""

import pickle
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from common import DEMO, ROOT, keep, row, say, show
from foreign import FINES, KINDS, ForeignMill, another_day, answers, forecast, law
from pretend import measured

from millsim.base.numerics.statistics import wilson
from millsim.forecast import band
from millsim.forecast.error import errors
from millsim.learn.calibration import findings, fit
from millsim.learn.calibration.carding import card_of
from millsim.learn.calibration.runmodel import model_of
from millsim.learn.calibration.unknowns import unknowns_of
from millsim.learn.measured.runsheet import config_as_run, read_run
from millsim.mill.config.mill import load_config
from millsim.mill.problem import build

CASES = 420
CLASSES = 1.6
DRAWS = 40
SETTING = [f"run.class_ratio={CLASSES}", "run.engine=balance"]
CHANGES = {  # as the config has it: hole 0.6 mm, 9600 rpm, gap 3 mm
    "hole": (["sieve.hole=0.45 mm", "sieve.pitch=0.9 mm"], ["sieve.hole=0.85 mm", "sieve.pitch=1.7 mm"]),
    "speed": (["drive.speed=7700 rpm"], ["drive.speed=11500 rpm"]),
    "gap": (["stator.gap=2 mm"], ["stator.gap=4.5 mm"]),
}
KEPT = ROOT / "benchmarks" / "coverage.json"
Case = dict


def one(seed: int) -> list[dict] | None:
    """Rows of one case: kind, change, answer, truth, band, prior's band, band at the run's own setting."""
    rng = np.random.default_rng(7000 + seed)
    kind = KINDS[seed % len(KINDS)]
    run = read_run(ROOT / "configs" / "demo_run.toml")
    run = replace(run, config=load_config(DEMO, SETTING), speed_idle_rad_s=None, speed_loaded_rad_s=None)
    model = model_of(run)
    unknowns = unknowns_of(model.problem.parameters)
    z = rng.standard_normal(unknowns.count)
    own = law(kind, rng)

    def foreign(problem) -> ForeignMill:
        used = {p.name for p in problem.parameters}
        return ForeignMill(problem, unknowns.mills(problem.mill, z[None], used), own)

    most = foreign(model.problem).most()
    if most is None or most.rate_kg_s < 2e-5 or not most.q3[0] < 0.5:
        return None
    F = float(rng.uniform(0.5, 0.85) * most.rate_kg_s)
    scale = float(F * run.milling_s / run.fed_kg)  # the same minutes, other masses
    run = replace(run, **{n: getattr(run, n) * scale for n in ("fed_kg", "product_kg", "bag_kg", "sweepings_kg")})
    model = model_of(run)
    seen = foreign(model.problem).at_rate(F)
    if seen is None:
        return None
    shown = measured(run, model, forecast(model, seen), rng)
    try:
        c = fit.calibrate([shown], seed, confirm=False)
    except Exception as error:  # a run that no parameters reproduce is told, not scored
        return [{"kind": kind, "failed": str(error)}]
    checks = {k.name: k.passed for k in findings.checks(c, findings.rows(c))}
    card = card_of(c)
    changed = list(CHANGES)[seed // len(KINDS) % len(CHANGES)]
    there = {"none": [], changed: list(CHANGES[changed][rng.integers(2)])}
    found, at_run = [], None
    for change, keys in there.items():
        config = config_as_run(replace(run, config=load_config(DEMO, [*SETTING, *keys])))
        config = replace(config, feed=replace(config.feed, rate_kg_s=None))
        truth = foreign(build(config)).most()
        if truth is None:
            continue
        problem = build(replace(config, calibration=card))
        true = another_day(answers(problem, truth), errors(problem, 1, 1).sizes, rng)
        after = bands(problem, seed)
        before = bands(build(config), seed) if change != "none" else after
        at_run = at_run or after
        for name in true:
            found.append({
                "kind": kind, "change": change, "answer": name, "true": true[name], "after": after[name],
                "before": before[name], "same": at_run[name], "factor": c.factors[0], "surprise": c.surprise,
                "fit": checks["fit"] and checks["one side"],
            })  # fmt: skip
    return found


def bands(problem, seed: int) -> dict[str, tuple[float, float]]:
    """80 % bands of the answers."""
    samples = band.run_samples(problem, band.draws(problem, DRAWS, seed), None, errors=errors(problem, DRAWS, seed))
    fines = np.array([np.interp(np.log(FINES), np.log(problem.edges), q) for q in samples.q3])
    values = samples.values | {"fines": fines}
    return {
        n: band.band_of(values[n], samples.ok) for n in ("x50_m", "x90_m", "fines", "throughput_kg_s", "gross_J_kg")
    }


def score(ends: tuple[float, float], true: float) -> float:
    """Interval score of a central 80 % interval (Gneiting & Raftery 2007, J. Am. Stat. Assoc. 102:359, eq. 43)."""
    low, high = ends
    return (high - low) + 10.0 * (max(0.0, low - true) + max(0.0, true - high))


def logs(name: str, x: float) -> float:
    """An answer as it is scored: shares as they are, the others by logarithm."""
    return float(x) if name == "fines" else float(np.log(np.clip(x, 1e-12, 1e12)))


@dataclass(frozen=True)
class Tally:
    """Rows pooled: share inside, mean scores of after, before, no change, share narrower than before."""

    count: int
    inside: float
    scores: tuple[float, float, float]
    narrower: float


def tally(rows: list[dict]) -> Tally:
    """Pooled figures of some rows."""
    inside, scores, narrow = [], [], []
    for r in rows:
        true = logs(r["answer"], r["true"])
        ends = [tuple(logs(r["answer"], e) for e in r[k]) for k in ("after", "before", "same")]
        inside.append(ends[0][0] <= true <= ends[0][1])
        scores.append([score(e, true) for e in ends])
        narrow.append(ends[0][1] - ends[0][0] < ends[1][1] - ends[1][0])
    a, b, c = np.mean(scores, axis=0)
    return Tally(len(rows), float(np.mean(inside)), (float(a), float(b), float(c)), float(np.mean(narrow)))


def table(rows: list[dict]) -> list[dict]:
    """The pooled figures and those of every cell of forty or more."""
    whole = tally(rows)
    low, high = wilson(round(whole.inside * whole.count), whole.count)
    share, meets = "80 % bands that hold the truth, pooled", low <= 0.85 and high >= 0.75  # the Wilson interval
    out = [
        row("answers scored", whole.count, ""),
        row(share, 100 * whole.inside, "%", "75 to 85 %", meets),
        row("bands narrower than the prior's", 100 * whole.narrower, "%"),
    ]
    own, *others = whole.scores
    for against, other in zip(("prior's", "no change"), others, strict=True):
        out.append(row(f"interval score: band over {against}", own / other, "", "< 1", own < other))
    for by in ("kind", "change", "answer"):
        for value in sorted({r[by] for r in rows}):
            cell = [r for r in rows if r[by] == value]
            t = tally(cell)
            _, upper = wilson(round(t.inside * t.count), t.count)
            judged = t.count >= 40
            out.append(
                row(
                    f"  {by} {value} ({t.count})",
                    100 * t.inside,
                    "%",
                    "upper >= 65 %" if judged else "",
                    upper >= 0.65 if judged else None,
                )
            )
    return out


def many(count: int, start: int = 0) -> list[list[dict]]:
    """Cases that ran, over two processes."""
    found, begin = [], time.perf_counter()
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        for done, got in enumerate(pool.map(one, range(start, start + 2 * count)), 1):
            if got:
                found.append(got)
            if done % 20 == 0:
                t = tally([r for c in found for r in c if r.get("change", "none") != "none"])
                took = time.perf_counter() - begin
                say(f"  {len(found)} of {done}, {took:.0f} s, {100 * t.inside:.1f} % of {t.count} answers inside")
            if len(found) >= count:
                pool.shutdown(cancel_futures=True)
                break
    return found


def main(count: int = CASES) -> dict:
    """Run all, print the table and return it."""
    cases = many(count)
    failed = [c for c in cases if "failed" in c[0]]
    cases = [c for c in cases if "failed" not in c[0]]
    if len(sys.argv) > 2:
        Path(sys.argv[2]).write_bytes(pickle.dumps(cases))
    elsewhere = [[r for r in c if r["change"] != "none"] for c in cases]
    rows = [
        row("calibrations", len(cases), ""),
        row("runs that no parameters reproduce", len(failed), ""),
        row("runs called a misfit", 100 * np.mean([not c[0]["fit"] for c in cases]), "%"),
        *table([r for c in elsewhere[1::2] for r in c]),
    ]
    show("Coverage against foreign truths", rows)
    show("  those that the sizes of the errors were chosen on", table([r for c in elsewhere[::2] for r in c])[:4])
    show("  at the run's own setting", table([r for c in cases for r in c if r["change"] == "none"])[:4])
    kept = {"title": "Coverage against foreign truths", "rows": rows}
    if count >= CASES:
        keep(KEPT, kept)
    return kept


if __name__ == "__main__":
    sys.exit(0 if main(int(sys.argv[1]) if len(sys.argv) > 1 else CASES) else 1)
