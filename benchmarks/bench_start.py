"""Start of the command: help, the first prediction ever with compilation, and later ones.

The package is copied to a temporary folder without compiled bytecode, so that "cold" is the first start after an
install and an edit of the tree meanwhile changes nothing. Files that the system keeps in memory stay there.
"""

import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from common import ROOT, best, row, show

HELP = 12  # repeats of the short commands


def command(folder: Path, *words: str) -> float:
    """Seconds of one run of Python with the copied package; fails if the command does."""
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


def main() -> dict:
    """Run all, print the table and return it."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for part in ("millsim", "configs"):
            shutil.copytree(ROOT / part, folder / part, ignore=shutil.ignore_patterns("__pycache__"))
        cold = command(folder, "-m", "millsim", "--help")
        warm = best(lambda: command(folder, "-m", "millsim", "--help"), HELP)
        bare = best(lambda: command(folder, "-c", "pass"), HELP)
        click = best(lambda: command(folder, "-c", "import click"), HELP)
        predict = ("-m", "millsim", "predict", "configs/demo.toml")
        before = processor_seconds()
        first = command(folder, *predict)
        compiling = processor_seconds() - before
        later = best(lambda: command(folder, *predict), 3)
        kernels = sum(f.stat().st_size for f in (folder / "cache").rglob("*") if f.is_file())
    rows = [
        row("millsim --help, without bytecode", 1e3 * cold, "ms", "< 200 ms", cold < 0.2),
        row("millsim --help", 1e3 * warm, "ms", "< 200 ms", warm < 0.2),
        row("  python -c pass", 1e3 * bare, "ms"),
        row('  python -c "import click"', 1e3 * click, "ms"),
        row("first prediction of the demo, with compilation", first, "s", "< 60 s", first < 60.0),
        row("  processor time of it", compiling, "s"),
        row("later predictions of the demo, with band", later, "s", "< 5 s", later < 5.0),
        row("  compiled kernels kept on disk", kernels / 2**20, "MiB"),
    ]
    show("Start of the command", rows)
    return {"title": "Start of the command", "rows": rows}


if __name__ == "__main__":
    sys.exit(0 if main() else 1)
