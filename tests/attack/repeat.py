"""A line in other circumstances writes the same bytes: threads, workers, hash seeds, states of the cache.

Without compiled code it writes the same words, and numbers to NEAR: exponentials and powers of the two differ in their
last bits. Draws are left out there, for one whose state is hardly found may be found by the one and not by the other.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import h5py
import numpy as np

from attack.garble import contents
from attack.tally import ALL, Tally

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
UNCOMPILED = (
    "predict", "demo.toml", "--engine", "both", "--set", "run.histories=100", "--set", "run.trace=true",
    "--set", "run.band_samples=0", "--out", "new.h5",
)  # fmt: skip
PLAIN = ("not compiled", {"NUMBA_DISABLE_JIT": "1"}, ())
NEAR = 1e-12  # of the largest number of a data set
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


def attack(bench: Path, work: Path, seed: int, tries: int, only: str = "", part: slice = ALL) -> Tally:
    """Write each line's files in `tries` circumstances (the last ones compile all anew); only: LINE/CIRCUMSTANCE.

    With more tries than circumstances also one line without compiled code.
    """
    tally, found = Tally("files written again", seed), circumstances(work, tries)
    plan = [(line, found) for line in LINES[: max(1, tries - 1)]]
    if tries > len(found):
        plan.append((UNCOMPILED, [found[0], PLAIN]))
    for number, (line, which) in list(enumerate(plan))[part]:
        _write_again(tally, (bench, work), f"{number} {' '.join(line)}", line, which, only)
    return tally


def _write_again(tally: Tally, places: tuple[Path, Path], name: str, line: tuple, which: list, only: str) -> None:
    """A line in some circumstances, of `circumstances`; the first writes what is right."""
    if only and not only.startswith(f"{name}/"):
        return
    bench, work = places
    right, told = work / "right", ""
    for how, more, words in which:
        case = f"{name}/{how}"
        if only and right.exists() and case != only:
            continue
        folder = _stirred(shutil.copytree(bench, work / "again"))
        done = run(folder, (*line, *(words if line[0] == "sweep" else ())), more)
        if not right.exists():
            told, right = done.stdout, shutil.copytree(folder, right)
        made = _made(folder)
        if done.returncode not in (0, 3) or not made:
            tally.fail(case, f"code {done.returncode}: {done.stderr[-300:]}")
        elif made == _made(right):
            tally.add("the same to the bit")
        elif how != PLAIN[0]:
            tally.fail(case, f"other bytes: {', '.join(k for k, v in made.items() if v != _made(right).get(k))}")
        elif odd := other_numbers(folder / "new.h5", right / "new.h5") or other_words(done.stdout, told):
            tally.fail(case, odd)
        else:
            tally.add(f"the same words, and numbers to {NEAR:g}")
        shutil.rmtree(folder)
    shutil.rmtree(right)


def _stirred(folder: Path) -> Path:
    """The folder with one more sweep."""
    text = (folder / "sweep.toml").read_text(encoding="utf-8")
    for old, new in STIRRED:
        text = text.replace(old, new)
    (folder / "stirred.toml").write_text(text, encoding="utf-8")
    return folder


def _made(folder: Path) -> dict[str, str]:
    return {k: v for k, v in contents(folder).items() if k.startswith("new") and k != GROWS}


def other_numbers(one: Path, other: Path) -> str:
    """The first data set of two result files that differs by more than NEAR; "" if none does."""
    with h5py.File(one) as a, h5py.File(other) as b:
        names: list[str] = []
        a.visititems(lambda name, item: names.append(name) if isinstance(item, h5py.Dataset) else None)
        for name in names:
            x, y = (file[name][()] if name in file else None for file in (a, b))
            if not _near(np.asarray(x), np.asarray(y)):
                return f"{name}: {x} and {y}"
    return ""


def _near(x: np.ndarray, y: np.ndarray) -> bool:
    if x.dtype.kind != "f" or x.shape != y.shape or y.dtype.kind != "f":
        return np.array_equal(x, y)
    most = float(np.max(np.abs(y[np.isfinite(y)]), initial=0.0))
    return np.allclose(x, y, rtol=0.0, atol=NEAR * most, equal_nan=True)


def other_words(one: str, other: str) -> str:
    """The first line of two answers that differs; "" if none does."""
    lines = zip(one.splitlines(), other.splitlines(), strict=False)
    return next((f"{a!r} and {b!r}" for a, b in lines if a != b), "") or "more lines" * (one != other)


def run(folder: Path, words: tuple[str, ...], more: dict[str, str]) -> subprocess.CompletedProcess:
    """A command in a process of its own."""
    paths = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
    return subprocess.run(
        [sys.executable, "-m", "millsim", *words], cwd=folder, env={**os.environ, "PYTHONPATH": paths, **more},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
