"""Sweeps: points per second and core, what a second core brings, and the naive way on the same points.

The mills of the demo over gap, speed and holes, without bands, through the sweep's own runner with its points file.
The naive way: one scipy integration to the steady state per point (the baseline of bench_balance, quickest of its
methods and tolerances that reach 1 %), one message per point to a pool of processes; starting the pool is not counted.
`python benchmarks/bench_sweep.py 1000000` runs a sweep of a million points and keeps memory and file sizes in
sweep_million.json; it takes some ten minutes.
"""

import json
import multiprocessing
import os
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from itertools import product
from pathlib import Path

import numpy as np
from bench_balance import FINE, METHODS, TOLERANCES, Coupled, worst
from common import DEMO, ROOT, by_turns, row, say, show

from millsim.explore.sweep.compute import Job, compute, solve_point
from millsim.explore.sweep.gather import collect
from millsim.explore.sweep.identity import identities
from millsim.explore.sweep.journal import open_journal
from millsim.explore.sweep.plan import Plan, read_plan
from millsim.explore.sweep.runner import run, workers_here
from millsim.mill.config.mill import load_config

RATIO = 1.15  # width of the classes: the default, 1 % error at most, which is shown
RATE = "0.5 kg/h"  # less than any of these mills takes, so that no point searches for its limit
KEPT = ROOT / "benchmarks" / "sweep_million.json"
NAIVE_POINTS = 200

SWEEP = """
[sweep]
config = "{config}"
class_ratio = {ratio}

[set]
"feed.rate" = "{rate}"

[[axis]]
key = "stator.gap"
from = "1 mm"
to = "6 mm"
count = {gaps}

[[axis]]
key = "drive.speed"
from = "9000 rpm"
to = "14000 rpm"
count = {speeds}

[[axis]]
key = "sieve.hole"
values = ["0.5 mm", "0.6 mm", "0.8 mm", "1 mm"]
along = {{ "sieve.pitch" = ["1 mm", "1.2 mm", "1.6 mm", "2 mm"] }}
"""


def plan_of(folder: Path, gaps: int, speeds: int, rate: str = RATE, ratio: float = RATIO) -> Plan:
    """A sweep of 4 x gaps x speeds points, written to a file and read back."""
    path = folder / f"sweep_{gaps}x{speeds}.toml"
    path.write_text(SWEEP.format(config=DEMO, ratio=ratio, rate=rate, gaps=gaps, speeds=speeds), encoding="utf-8")
    return read_plan(path)


def seconds_of(plan: Plan, workers: int, folder: Path) -> tuple[float, float, dict[str, float]]:
    """(wall time [s], of the last points once all workers are at work, class errors) of a sweep from nothing."""
    file = folder / f"{plan.path.stem}_{workers}.points"
    marks: list[tuple[float, float]] = []
    with open_journal(file) as journal:
        start = time.perf_counter()
        run(plan, journal, workers, say=lambda stage, done, detail="": marks.append((time.perf_counter(), done)))
        whole = time.perf_counter() - start
        errors = collect(plan, journal).class_error
    file.unlink()
    (t0, d0), (t1, d1) = next(m for m in marks if m[1] > 0.3), marks[-1]
    return whole, (t1 - t0) / ((d1 - d0) * plan.count), errors


def over_coupled(plan: Plan, count: int = 96) -> float:
    """Processor time of points, from settings to rows, over that of the coupled states of the same mills."""
    which = np.linspace(0, plan.count - 1, count).astype(int)
    which = which[plan.template_of(plan.picks(which)) == 0]
    settings, none = tuple(plan.settings(which)), (0,) * which.size
    job = Job(plan.templates[0], identities(plan)[which], settings, none, plan.engine, plan.class_ratio, 0, plan.seed)
    configs = [job.template.config(s) for s in settings]
    states = [Coupled(c, plan.class_ratio, c.feed.rate_kg_s) for c in configs]
    points, settled = by_turns(9, lambda: compute(job), lambda: [s.settle() for s in states])
    return points / settled


class Naive:
    """One point the naive way: build the mill, integrate it in time until it stands still."""

    def __init__(self, method: str, rtol: float, times: float, residence_s: float):
        self.how = (method, rtol, times * residence_s, 0.3 * residence_s)

    def __call__(self, settings: tuple[str, ...]) -> list[float]:
        config = load_config(DEMO, [f"feed.rate={RATE}", *settings])
        return list(Coupled(config, RATIO, config.feed.rate_kg_s).integrate(*self.how))


def quickest() -> tuple[Naive, str, float]:
    """The naive point that is quickest within 1 %, over the settings of bench_balance."""
    config = load_config(DEMO, [f"feed.rate={RATE}"])
    fine = Coupled(config, FINE, config.feed.rate_kg_s)
    fine.settle()
    reference = fine.figures()
    mill = Coupled(config, RATIO, config.feed.rate_kg_s)
    mill.settle()
    accuracy, residence = max(0.01, worst(mill.figures(), reference)), float(mill.state[0]["residence"])
    found = []
    for method, rtol, times in product(METHODS[:2], TOLERANCES, (5.0, 8.0, 12.0)):
        naive = Naive(method, rtol, times, residence)
        start = time.perf_counter()
        error = worst(naive(()), reference)
        found += [(time.perf_counter() - start, f"{method}, rtol {rtol:g}", naive)] if error <= accuracy else []
    seconds, name, naive = min(found, key=lambda f: f[0])
    return naive, name, seconds


def naive_seconds(naive: Naive, workers: int) -> float:
    """Seconds per point of the naive way on this many processes."""
    points = [(f"stator.gap={1 + 5 * i / NAIVE_POINTS} mm",) for i in range(NAIVE_POINTS)]
    with ProcessPoolExecutor(workers, multiprocessing.get_context("spawn")) as pool:
        list(pool.map(naive, points[: 4 * workers]))  # all are awake and have loaded their kernels
        start = time.perf_counter()
        list(pool.map(naive, points))
        return (time.perf_counter() - start) / len(points)


def main() -> dict:
    """Measure, print the table and return it."""
    cores = workers_here()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        solve_point(plan_of(folder, 2, 2).base, RATIO)  # kernels
        plan = plan_of(folder, 60, 60)
        one, _, errors = seconds_of(plan, 1, folder)
        error = max(errors.values())
        pace = plan.count / one
        long = plan_of(folder, 100, 100)
        alone = seconds_of(long, 1, folder)[1]
        shared = seconds_of(long, cores, folder)[1]
        open_plan = plan_of(folder, 12, 12, "as fast as it can grind")
        points = over_coupled(plan)
        search = open_plan.count / seconds_of(open_plan, 1, folder)[0]
    naive, how, _ = quickest()
    slow = naive_seconds(naive, cores)
    gain = alone / (cores * shared)
    rows = [
        row("points per second on one core, feed rate given", pace, "1/s", ">= 500", pace >= 500),
        row("  largest class error of all outputs", 100 * error, "%", "<= 1 %", error <= 0.01),
        row("  points", plan.count, ""),
        row("  point over its coupled state, processor time", points, "times", "<= 3", points <= 3.0),
        row("points per second on one core, feed rate searched", search, "1/s"),
        row(f"efficiency on {cores} cores, workers started", gain, "", ">= 0.85", gain >= 0.85),
        row(f"  points per second on {cores} cores", 1 / shared, "1/s"),
        row(f"naive: solve_ivp per point in a pool ({how})", 1 / slow, "1/s"),
        row("sweep over the naive way, same cores", slow / shared, "times"),
    ]
    show("Sweep", rows)
    return {"title": "Sweep", "rows": rows}


# --- a million points ------------------------------------------------------------------------------------


def memory_of(pid: int) -> int:
    """Bytes resident of a process and all its descendants; pages they share count each time. Linux only."""
    total = 0
    try:
        status = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
        total += 1024 * int(status.split("VmRSS:")[1].split()[0]) if "VmRSS" in status else 0
        for child in Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="utf-8").split():
            total += memory_of(int(child))
    except (OSError, IndexError):
        pass
    return total


def million(count: int) -> dict:
    """A sweep of `count` points through the command; peak memory of all its processes, size of its files."""
    side = round((count / 4) ** 0.5)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        plan = plan_of(folder, side, side)
        command = [sys.executable, "-m", "millsim", "sweep", str(plan.path), "--out", str(folder / "big.h5")]
        start, peak = time.perf_counter(), 0
        process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.DEVNULL)
        while process.poll() is None:
            peak = max(peak, memory_of(process.pid))
            time.sleep(0.2)
        seconds = time.perf_counter() - start
        files = sorted(p for p in folder.iterdir() if p.suffix != ".toml")
        sizes = {p.suffix: p.stat().st_size for p in files}
    rows = [
        row("points", plan.count, ""),
        row("went to its end", process.returncode == 0, "", "yes", process.returncode == 0),
        row("whole command", seconds, "s"),
        row("points per second, all of it", plan.count / seconds, "1/s"),
        row("peak memory, all processes", peak / 1e9, "GB", "< 2 GB", peak < 2e9),
        row("files written", len(files), ""),
        *(row(f"  {suffix}", size / 1e6, "MB") for suffix, size in sizes.items()),
    ]
    show("A sweep of a million points", rows)
    return {"title": "A sweep of a million points", "cores": os.cpu_count(), "rows": rows}


if __name__ == "__main__":
    if len(sys.argv) > 1:
        table = million(int(sys.argv[1]))
        if table["rows"][0]["value"] >= 1e6:
            short = json.loads(json.dumps(table), parse_float=lambda text: float(f"{float(text):.4g}"))
            KEPT.write_text(json.dumps(short, indent=1) + "\n", encoding="utf-8")
            say(f"kept in {KEPT.relative_to(ROOT)}")
        sys.exit(3 if any(r["met"] == "NO" for r in table["rows"]) else 0)
    sys.exit(0 if main() else 1)
