"""A line in other circumstances writes the same bytes: threads, workers, hash seeds, states of the cache."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

from attack.garble import contents
from attack.tally import Tally

ROOT = Path(__file__).resolve().parents[2]
SHORT = ("--set", "run.histories=256")
LINES = (
    ("predict", "demo.toml", "--engine", "both", *SHORT, "--set", "run.band_samples=32", "--out", "new.h5"),
    ("predict", "demo.toml", "--set", "run.trace=true", *SHORT, "--out", "new.h5"),
    ("sweep", "sweep.toml", "--out", "new.h5", "--csv", "new.csv"),
    ("sweep", "stirred.toml", *SHORT, "--out", "new.h5"),
    ("report", "made.h5", "--out", "new.html"),
    ("plot", "made.h5", "--out", "new"),
)
STIRRED = (('"balance"', '"montecarlo"'), ("class_ratio", "replicates = 2\nclass_ratio"))
GROWS = "new.points"  # says when each point was computed, and in what order
NONE = "none"  # a cache in a folder that cannot be


def circumstances(work: Path, tries: int) -> list[tuple[str, dict[str, str], tuple[str, ...]]]:
    """Name, environment and words for sweeps of `tries` circumstances; the first is what others are compared with."""
    cold, nowhere = work / "cold", work / "file" / "cache"
    (work / "file").write_text("", encoding="utf-8")
    found = [(f"{n} threads", {"NUMBA_NUM_THREADS": n, "PYTHONHASHSEED": n}, ("--workers", n)) for n in ("1", "2", "4")]
    found += [
        (name, {"MILLSIM_CACHE_DIR": str(at), "PYTHONHASHSEED": "7"}, ())
        for name, at in (("cold cache", cold), ("that cache, warm", cold), ("no cache", nowhere))
    ]
    return found[:tries]


def attack(bench: Path, work: Path, seed: int, tries: int, only: str = "") -> Tally:
    """Write each line's files in `tries` circumstances (the last ones compile all anew); only: LINE/CIRCUMSTANCE."""
    tally = Tally("files written again", seed)
    for number, line in enumerate(LINES[: max(1, tries - 1)]):
        right: dict[str, str] = {}
        for name, more, words in circumstances(work, tries):
            case = f"{number} {' '.join(line)}/{name}"
            if only and right and case != only:
                continue
            folder = shutil.copytree(bench, work / "again")
            stirred = (folder / "sweep.toml").read_text(encoding="utf-8")
            for old, new in STIRRED:
                stirred = stirred.replace(old, new)
            (folder / "stirred.toml").write_text(stirred, encoding="utf-8")
            done = run(folder, (*line, *(words if line[0] == "sweep" else ())), more)
            made = {k: v for k, v in contents(folder).items() if k.startswith("new") and k != GROWS}
            shutil.rmtree(folder)
            right = right or made
            if done.returncode not in (0, 3) or not made:
                tally.fail(case, f"code {done.returncode}: {done.stderr[-300:]}")
            elif made != right:
                tally.fail(case, f"other bytes: {', '.join(k for k in made if made[k] != right.get(k))}")
            else:
                tally.add("the same to the bit")
    return tally


def run(folder: Path, words: tuple[str, ...], more: dict[str, str]) -> subprocess.CompletedProcess:
    """A command in a process of its own."""
    paths = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
    return subprocess.run(
        [sys.executable, "-m", "millsim", *words], cwd=folder, env={**os.environ, "PYTHONPATH": paths, **more},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
