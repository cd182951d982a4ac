"""Start of the command: help, the first prediction ever with compilation, and later ones.

The package is copied to a temporary folder without compiled bytecode, so that "cold" is the first start after an
install and an edit of the tree meanwhile changes nothing. Files that the system keeps in memory stay there.
`python benchmarks/bench_start.py COMMIT` also sets the first prediction against that of a commit, by turns, in minutes;
it wants two cores for itself.
"""

import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from common import ROOT, Row, best, row, show, unpacked

HELP = 12  # repeats of the short commands
LATER = 4  # of those that load compiled code
TURNS = 2  # of the first prediction, here and of another commit
PREDICT = ("-m", "millsim", "predict", "configs/demo.toml")
TRIVIAL = "from numba import njit\n\n@njit(cache=True)\ndef f(x):\n    return x + 1.0\n\nf(1.0)\n"


def command(folder: Path, *words: str) -> float:
    """Seconds of one run of Python with the package in a folder; fails if the command does."""
    environment = {**os.environ, "PYTHONPATH": str(folder), "MILLSIM_CACHE_DIR": str(folder / "cache")}
    begin = time.perf_counter()
    done = subprocess.run([sys.executable, *words], cwd=folder, env=environment, capture_output=True, text=True)
    seconds = time.perf_counter() - begin
    if done.returncode != 0:
        raise RuntimeError(f"{' '.join(words)} failed: {done.stderr[-500:]}")
    return seconds


def processor_seconds() -> float:
    """Processor time of all commands run so far: unlike wall time it does not grow with what else runs."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def quickest(rounds: int, *commands: Callable[[], Any]) -> list[Any]:
    """The least that each command returns, run by turns, so that what else runs bears on all alike."""
    return [min(found) for found in zip(*([run() for run in commands] for _ in range(rounds)), strict=True)]


def first_prediction(folder: Path) -> tuple[float, float]:
    """(wall time, processor time) [s] of a prediction of the demo where nothing is compiled."""
    shutil.rmtree(folder / "cache", ignore_errors=True)
    before = processor_seconds()
    return command(folder, *PREDICT), processor_seconds() - before


def since(commit: str, folder: Path) -> list[Row]:
    """The first prediction of the package in a folder, over that of a commit; nothing where that is not to be had."""
    with tempfile.TemporaryDirectory() as name:
        if not unpacked(commit, Path(name)):
            return []
        new, old = quickest(TURNS, lambda: first_prediction(folder), lambda: first_prediction(Path(name)))
    return [
        row(f"first prediction over that of {commit}", new[0] / old[0], "times", "<= 0.65", new[0] <= 0.65 * old[0]),
        row("  processor time", new[1] / old[1], "times", "<= 1", new[1] <= old[1]),
    ]


def main(commit: str = "") -> dict:
    """Run all, print the table and return it. commit: one to set the first prediction against."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for part in ("millsim", "configs"):
            shutil.copytree(ROOT / part, folder / part, ignore=shutil.ignore_patterns("__pycache__"))
        cold = command(folder, "-m", "millsim", "--help")
        warm = best(lambda: command(folder, "-m", "millsim", "--help"), HELP)
        bare = best(lambda: command(folder, "-c", "pass"), HELP)
        click = best(lambda: command(folder, "-c", "import click"), HELP)
        first, compiling = first_prediction(folder)
        (folder / "trivial.py").write_text(TRIVIAL, encoding="utf-8")
        command(folder, "trivial.py")
        trivial, later = quickest(LATER, lambda: command(folder, "trivial.py"), lambda: command(folder, *PREDICT))
        against = since(commit, folder) if commit else []
        kernels = sum(f.stat().st_size for f in (folder / "cache").rglob("*") if f.is_file())
    rows = [
        row("millsim --help, without bytecode", 1e3 * cold, "ms", "< 200 ms", cold < 0.2),
        row("millsim --help", 1e3 * warm, "ms", "< 200 ms", warm < 0.2),
        row("  python -c pass", 1e3 * bare, "ms"),
        row('  python -c "import click"', 1e3 * click, "ms"),
        row("first prediction of the demo, with compilation", first, "s", "< 60 s", first < 60.0),
        row("  processor time of it", compiling, "s"),
        *against,
        row("later predictions of the demo, with band", later, "s", "< 5 s", later < 5.0),
        row("  over a trivial kept call of numba", later / trivial, "times", "<= 4", later <= 4.0 * trivial),
        row("  compiled kernels kept on disk", kernels / 2**20, "MiB"),
    ]
    show("Start of the command", rows)
    return {"title": "Start of the command", "rows": rows}


if __name__ == "__main__":
    sys.exit(0 if main(*sys.argv[1:2]) else 1)
