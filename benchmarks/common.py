"""What the benchmarks share: where the package is, timing on a machine that is not quiet, printing."""

import json
import subprocess
import sys
import tarfile
import time
from collections.abc import Callable
from io import BytesIO
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))  # the benchmarks measure this tree, installed or not
sys.path.append(str(ROOT / "tests"))  # pretend runs are made there

DEMO = ROOT / "configs" / "demo.toml"
Row = dict[str, float | str]


def say(line: str = "") -> None:
    """Print one line at once."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def best(function: Callable[[], object], repeats: int = 7, seconds: float = 0.0) -> float:
    """Shortest wall time [s] of a call, over `repeats` calls and at least `seconds` of trying.

    Other processes only ever add time, so the minimum is what the code itself costs.
    """
    shortest, done, begin = float("inf"), 0, time.perf_counter()
    while done < repeats or time.perf_counter() - begin < seconds:
        start = time.perf_counter()
        function()
        shortest = min(shortest, time.perf_counter() - start)
        done += 1
    return shortest


def by_turns(rounds: int, *functions: Callable[[], object]) -> list[float]:
    """Shortest processor time [s] of each function, called by turns: ratios of it bear a machine that is not quiet."""
    shortest = [float("inf")] * len(functions)
    for _ in range(rounds):
        for i, function in enumerate(functions):
            start = time.process_time()
            function()
            shortest[i] = min(shortest[i], time.process_time() - start)
    return shortest


def row(what: str, value: float, unit: str, target: str = "", met: bool | str | None = None) -> Row:
    """One line of a table; met: whether the target is met (None: there is none; text: why it cannot be said)."""
    verdict = met if isinstance(met, str) else "" if met is None else "yes" if met else "NO"
    return {"what": what, "value": float(value), "unit": unit, "target": target, "met": verdict}


def unpacked(commit: str, folder: Path) -> bool:
    """Put the files of a commit of this repository into a folder; whether they are to be had."""
    done = subprocess.run(["git", "archive", commit], cwd=ROOT, capture_output=True, check=False)
    if done.returncode == 0:
        tarfile.open(fileobj=BytesIO(done.stdout)).extractall(folder, filter="data")
    return done.returncode == 0


def keep(path: Path, table: dict) -> None:
    """Write a table, four digits a number, as JSON."""
    short = json.loads(json.dumps(table), parse_float=lambda text: float(f"{float(text):.4g}"))
    path.write_text(json.dumps(short, indent=1) + "\n", encoding="utf-8")


def show(title: str, rows: list[Row]) -> None:
    """Print a small table."""
    say(f"\n{title}")
    width = max(len(str(r["what"])) for r in rows)
    for r in rows:
        target = f"   target {r['target']}: {r['met']}" if r["target"] else ""
        say(f"  {r['what']:<{width}}  {r['value']:>10.4g} {r['unit']:<10}{target}")
