"""Whether calibrated bands hold the truth when the truth is not our model.

Pretend runs of mills with foreign laws (tests/foreign.py), errors of instruments and of the day as stated: calibrated
on one setting, predicted at another (hole, speed or gap changed), and compared with what the mill does there. The sizes
of the model's own error were chosen on the mills of other streams of random numbers (CHOSEN_ON); scored here are
mills of another (SCORED), as many of each law, that nobody had looked at before: change the stream before the sizes.

`python benchmarks/bench_coverage.py 60` tries fewer; the full number takes a quarter of an hour on two cores and is
kept in coverage.json. Every case is written to coverage.part as it comes, and a second start goes on from there unless
the sources have changed. Wilson's intervals take answers of one mill as told apart, which they are not quite.
"""

import hashlib
import json
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from itertools import combinations
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from common import DEMO, ROOT, keep, row, say, show
from foreign import FINES, KINDS, ForeignMill, another_day, answers, forecast, law
from pretend import light, measured, pretend

from millsim.base.numerics.statistics import wilson
from millsim.forecast import band
from millsim.forecast.error import errors
from millsim.learn.calibration import findings, fit, posterior
from millsim.learn.calibration.carding import card_of
from millsim.learn.calibration.compare import INFORMATIVE
from millsim.learn.calibration.runmodel import model_of
from millsim.learn.calibration.unknowns import unknowns_of
from millsim.learn.measured.runsheet import config_as_run, read_run
from millsim.mill.config.mill import load_config
from millsim.mill.problem import build

CASES, SAME = 420, 120
CHOSEN_ON, SCORED = (7000, 60000, 230000), 370000  # where the seeds of the mills begin
CLASSES = 1.6
DRAWS = 40
SETTING = [f"run.class_ratio={CLASSES}", "run.engine=balance"]
CHANGES = {  # as the config has it: hole 0.6 mm, 9600 rpm, gap 3 mm
    "hole": (["sieve.hole=0.45 mm", "sieve.pitch=0.9 mm"], ["sieve.hole=0.85 mm", "sieve.pitch=1.7 mm"]),
    "speed": (["drive.speed=7700 rpm"], ["drive.speed=11500 rpm"]),
    "gap": (["stator.gap=2 mm"], ["stator.gap=4.5 mm"]),
}
KEPT, PART = (ROOT / "benchmarks" / name for name in ("coverage.json", "coverage.part"))
CELL = 40  # answers, from which a cell is judged by itself
fit.PRIOR_DRAWS = 1  # the runs before their calibration are not looked at
posterior.CHAINS, posterior.ENOUGH = 100, 80.0  # half of what a user waits for


def one(seed: int) -> list[dict] | None:
    """Rows of one case: kind, change, answer, truth, band, prior's band, band at the run's own setting."""
    rng = np.random.default_rng(SCORED + seed)
    kind = KINDS[seed % len(KINDS)]
    run = read_run(ROOT / "configs" / "demo_run.toml")
    run = replace(run, config=load_config(DEMO, SETTING), speed_idle_rad_s=None, speed_loaded_rad_s=None)
    model = model_of(run)
    unknowns = unknowns_of(model.problem.parameters)
    z = rng.standard_normal(unknowns.count)
    own = law(kind, rng)

    def foreign(problem) -> ForeignMill:
        used = {p.name for p in problem.parameters}
        return ForeignMill(problem, unknowns.mills(problem, z[None], used), own)

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
                "fit": checks["fit"] and checks["one side"], "sieves": own_sieves(c),
            })  # fmt: skip
    return found


def own_sieves(c: fit.Calibration) -> tuple[int, int]:
    """(how many sieves of its own run the band of a calibration holds, of how many that tell something)."""
    f = c.fits[0]
    low, high = np.quantile(f.curves.after, [0.1, 0.9], axis=0)
    b, ln_x = f.blocks[0], np.log(f.model.problem.edges)
    at = np.log(np.concatenate([s.apertures_m for s in f.run.product_sheets]))
    told = (b.values > INFORMATIVE[0]) & (b.values < INFORMATIVE[1])
    inside = (b.values >= np.interp(at, ln_x, low)) & (b.values <= np.interp(at, ln_x, high))
    return int((inside & told).sum()), int(told.sum())


def bands(problem, seed: int) -> dict[str, tuple[float, float]]:
    """80 % bands of the answers."""
    samples = band.run_samples(problem, band.draws(problem, DRAWS, seed), None, errors=errors(problem, DRAWS, seed))
    fines = np.array([np.interp(np.log(FINES), np.log(problem.edges), q) for q in samples.q3])
    values = samples.values | {"fines": fines}
    return {
        n: band.band_of(values[n], samples.ok) for n in ("x50_m", "x90_m", "fines", "throughput_kg_s", "gross_J_kg")
    }


def same(seed: int) -> bool | None:
    """Whether a run of the model's own, by the Monte Carlo engine, is called a misfit; None where it does not run."""
    run = read_run(ROOT / "configs" / "demo_run.toml")
    run = replace(run, config=load_config(DEMO, SETTING), speed_idle_rad_s=None, speed_loaded_rad_s=None)
    unknowns = unknowns_of(model_of(run).problem.parameters)
    z = np.random.default_rng(SCORED + seed).standard_normal(unknowns.count)
    made = pretend(run, unknowns, z, SCORED + seed, own_error=0.0)
    if made is None:
        return None
    c = light(made[0], unknowns)
    return not (findings._fits(c).passed and findings._one_sided(c).passed)


def score(ends: tuple[float, float], true: float) -> float:
    """Interval score of a central 80 % interval (Gneiting & Raftery 2007, J. Am. Stat. Assoc. 102:359, eq. 43)."""
    low, high = ends
    return (high - low) + 10.0 * (max(0.0, low - true) + max(0.0, true - high))


def logs(name: str, x: float) -> float:
    """An answer as it is scored: shares as they are, the others by logarithm."""
    with np.errstate(divide="ignore"):
        return float(x) if name == "fines" else float(np.log(x))


@dataclass(frozen=True)
class Tally:
    """Rows pooled: share inside and its Wilson interval, mean scores of after, before, no change; median width left.

    Scores and widths are of answers whose bands all end: of draws that do not run a rate has no lower end.
    """

    count: int
    inside: float
    interval: tuple[float, float]
    scores: tuple[float, float, float]
    left: float


def tally(rows: list[dict]) -> Tally:
    """Pooled figures of some rows."""
    inside, scores, left = [], [], []
    for r in rows:
        true = logs(r["answer"], r["true"])
        ends = [tuple(logs(r["answer"], e) for e in r[k]) for k in ("after", "before", "same")]
        inside.append(ends[0][0] <= true <= ends[0][1])
        if np.isfinite(ends).all():
            scores.append([score(e, true) for e in ends])
            left.append((ends[0][1] - ends[0][0]) / (ends[1][1] - ends[1][0]))
    a, b, c = np.mean(scores, axis=0) if scores else (np.nan,) * 3
    interval = wilson(sum(inside), len(rows))
    return Tally(
        len(rows), float(np.mean(inside)), interval, (float(a), float(b), float(c)), float(np.median(left or [np.nan]))
    )


def cells(rows: list[dict], by: tuple[str, ...]) -> dict[str, Tally]:
    """Tallies of all cells of CELL answers or more."""
    found: dict[str, list[dict]] = {}
    for r in rows:
        found.setdefault(", ".join(r[b] for b in by), []).append(r)
    return {name: tally(cell) for name, cell in sorted(found.items()) if len(cell) >= CELL}


def pooled(rows: list[dict]) -> list[dict]:
    """What is asked of all rows together."""
    t = tally(rows)
    low, high = t.interval
    held, meets = "80 % bands that hold the truth, pooled", low <= 0.85 and high >= 0.75
    out = [
        row("answers", t.count, ""),
        row(held, 100 * t.inside, "%", "interval meets 75 to 85 %", meets),
        row("  lower end of its Wilson interval", 100 * low, "%"),
        row("  upper end", 100 * high, "%"),
    ]
    for against, other in zip(("prior's", "no change"), t.scores[1:], strict=True):
        ratio = t.scores[0] / other
        out.append(row(f"interval score: band over {against}", ratio, "", "< 1", ratio < 1.0))
    return out


def table(rows: list[dict]) -> list[dict]:
    """The pooled figures, and those of every cell: one by one by law, change and answer, the worst of their pairs."""
    out, names = pooled(rows), ("kind", "change", "answer")
    for by in names:
        for name, t in cells(rows, (by,)).items():
            what = f"  {by} {name} ({t.count}), width left {100 * t.left:.0f} %"
            out.append(row(what, 100 * t.inside, "%", "upper end >= 65 %", t.interval[1] >= 0.65))
    for name, t in cells(rows, ("answer",)).items():
        out.append(row(f"band of {name} over the prior's, median", t.left, "", "< 1", t.left < 1.0))
    pairs = {name: t for by in combinations(names, 2) for name, t in cells(rows, by).items()}
    if pairs:
        worst = min(pairs, key=lambda name: pairs[name].interval[1])
        low = [name for name in pairs if pairs[name].interval[1] < 0.65]
        out.append(row(f"cells of two kinds ({len(pairs)}) with an upper end below 65 %", len(low), "", "0", not low))
        out.append(row(f"  worst: {worst} ({pairs[worst].count})", 100 * pairs[worst].inside, "%"))
    return out


def sources() -> str:
    """A hash of all that a case is computed by."""
    files = [*sorted((ROOT / "millsim").rglob("*.py")), *sorted((ROOT / "millsim").rglob("*.toml"))]
    files += [ROOT / "tests" / name for name in ("foreign.py", "pretend.py")]
    own = Path(__file__).read_text(encoding="utf-8").split("def score(")[0]
    return hashlib.sha256(b"".join(f.read_bytes() for f in files) + own.encode()).hexdigest()


def kept(part: Path) -> dict[str, object]:
    """What an earlier start of these very sources has computed, by name of the case."""
    lines = part.read_text(encoding="utf-8").splitlines() if part.exists() else []
    if not lines or lines[0] != sources():
        part.write_text(sources() + "\n", encoding="utf-8")
        return {}
    whole = [line for line in lines[1:] if line.endswith("]")]  # the last one may be cut off
    return dict(json.loads(line) for line in whole)


def each(what: Callable, count: int, part: Path, pool: ProcessPoolExecutor) -> Iterator:
    """What `what` says of the seeds 0, 1, ..., until `count` of them have an answer; kept in `part`."""
    known, done, start = kept(part), 0, 0
    with part.open("a", encoding="utf-8") as file:
        while done < count:
            seeds = range(start, start + 20)
            start += 20
            new = [s for s in seeds if f"{what.__name__} {s}" not in known]
            told = dict(zip(new, pool.map(what, new), strict=True))
            for s in seeds:
                if s in told:
                    file.write(json.dumps([f"{what.__name__} {s}", told[s]]) + "\n")
                found = told[s] if s in told else known[f"{what.__name__} {s}"]
                if found is not None and found != [] and done < count:
                    done += 1
                    yield found
            file.flush()


def main(count: int = CASES, part: Path = PART) -> dict:
    """Run all, print the table and return it."""
    found, begin = [], time.perf_counter()
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        for got in each(one, count, part, pool):
            found.append(got)
            if len(found) % 20 == 0:
                t = tally([r for c in found for r in c if r.get("change", "none") != "none"])
                took = time.perf_counter() - begin
                say(f"  {len(found)}, {took:.0f} s, {100 * t.inside:.1f} % of {t.count} answers inside")
        called = list(each(same, round(SAME * count / CASES), part, pool))
    cases = [c for c in found if "failed" not in c[0]]
    own, sieves = 100 * np.mean(called), np.sum([c[0]["sieves"] for c in cases], axis=0)
    held = 100 * sieves[0] / sieves[1]
    rows = [
        row("calibrations", len(cases), ""),
        row("runs that no parameters reproduce", len(found) - len(cases), ""),
        row("runs of foreign mills called a misfit", 100 * np.mean([not c[0]["fit"] for c in cases]), "%"),
        row(f"runs of the model's own called a misfit ({len(called)})", own, "%", "<= 10 %", own <= 10.0),
        row("sieves of its own run that the band holds", held, "%", ">= 80 %", held >= 80.0),
        *table([r for c in cases for r in c if r["change"] != "none"]),
    ]
    show(f"Coverage against foreign truths (mills {SCORED} on; the sizes of errors were chosen on others)", rows)
    here = pooled([r for c in cases for r in c if r["change"] == "none"])[:4]
    show("  at the run's own setting", here)
    result = {"title": "Coverage against foreign truths", "rows": rows}
    if count >= CASES:
        keep(KEPT, result)
        part.unlink()
    return result


if __name__ == "__main__":
    sys.exit(0 if main(int(sys.argv[1]) if len(sys.argv) > 1 else CASES) else 1)
