"""A whole first use beside caches that cannot be used: the answer of a warm one, one sentence why, nothing left behind.

Each compiles all of the program, for a minute or two, in two processes where there are two cores. Some need a right
that only root has, to make files of another user or a small disk; without it they are told as not tried.
"""

import os
import resource
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from attack.garble import contents
from attack.repeat import ROOT
from attack.tally import ALL, Tally
from millsim.base.numerics.jit import source_hash

LINE = ("predict", "demo.toml", "--engine", "both", "--set", "run.histories=256", "--out", "new.h5")
FOLDER = f"numba-{source_hash()}"
ANOTHER = 12345  # a user who is not this one
DISK_MB = 4  # a fifth of what would be kept


@dataclass(frozen=True)
class Cache:
    """A cache of compiled code: how it is made in a folder, given a whole one; what the note on it says."""

    name: str
    make: Callable[[Path, Path], object]
    note: str = ""
    most_bytes: int = resource.RLIM_INFINITY  # of a file


def _foreign(at: Path, _: Path) -> None:
    (at / FOLDER).mkdir()
    os.chown(at / FOLDER, ANOTHER, -1)


def _open(at: Path, _: Path) -> None:
    (at / FOLDER).mkdir()
    (at / FOLDER).chmod(0o770)


def _planted(at: Path, whole: Path) -> None:
    for file in _copied(at, whole):
        os.chown(file, ANOTHER, -1)


def _damaged(at: Path, whole: Path) -> None:
    for file in _copied(at, whole):
        content = bytearray(file.read_bytes())
        content[len(content) // 2] ^= 1
        file.write_bytes(content)


def _copied(at: Path, whole: Path) -> list[Path]:
    shutil.copytree(whole / FOLDER, at / FOLDER)
    return [f for f in (at / FOLDER).rglob("*.nb?") if f.is_file()]


def _small_disk(at: Path, _: Path) -> None:
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m,mode=700", "tmpfs", str(at)], check=True)


CACHES = (
    Cache("of another user", _foreign, "belongs to another user"),
    Cache("that others may write", _open, "may be written by other users"),
    Cache("on a small disk", _small_disk, "the disk is full"),
    Cache("of short files", lambda *_: None, "a file would be larger than allowed", 600_000),
    Cache("with files of another user", _planted, "belongs to another user, so it is not used"),
    Cache("with damaged files", _damaged, "is damaged"),
)


def attack(bench: Path, work: Path, seed: int, tries: int, only: str = "", part: slice = ALL) -> Tally:
    """A first use with the first `tries` of the caches; only: NAME of one."""
    tally, whole = Tally("first uses", seed), work / "whole cache"
    whole.mkdir()
    usual = _used(tally, bench, work, Cache("that is empty", lambda *_: None), whole, whole)
    for cache in CACHES[:tries][part]:
        if not only or cache.name == only:
            at = work / cache.name
            at.mkdir()
            try:
                cache.make(at, whole)
                _used(tally, bench, work, cache, at, whole, usual)
            except (PermissionError, subprocess.CalledProcessError):
                tally.add("not tried, for want of a right")
            finally:
                _removed(at)
    return tally


def _removed(at: Path) -> None:
    if at.is_mount():
        subprocess.run(["umount", str(at)], check=True)
    shutil.rmtree(at)


def _used(tally: Tally, bench: Path, work: Path, cache: Cache, at: Path, whole: Path, usual=None) -> tuple:
    """What the prediction answered, and the file that it wrote; judged beside the usual."""
    folder = shutil.copytree(bench, work / "first")
    before = contents(folder)
    done = _run(folder, at, cache.most_bytes)
    made = {k: v for k, v in contents(folder).items() if before.get(k) != v}
    shutil.rmtree(folder)
    answer = done.returncode, done.stdout, made
    notes = [line for line in done.stderr.splitlines() if line.startswith("Note: ")]
    left = [f.name for f in at.rglob("*.tmp.*")]
    if answer != (usual or answer) or done.returncode not in (0, 3) or set(made) != {"new.h5"}:
        tally.fail(cache.name, f"another answer: code {done.returncode}, {list(made)}: {done.stderr[-300:]}")
    elif len(notes) != bool(cache.note) or cache.note not in "".join(notes):
        tally.fail(cache.name, f"{len(notes)} notes: {notes[:3]}")
    elif left:
        tally.fail(cache.name, f"left {', '.join(left)}")
    else:
        tally.add("answered" + " with one note" * bool(cache.note))
    return answer


def _run(folder: Path, cache: Path, most_bytes: int) -> subprocess.CompletedProcess:
    paths = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
    return subprocess.run(
        [sys.executable, "-m", "millsim", *LINE], cwd=folder, capture_output=True, text=True, check=False,
        env=os.environ | {"PYTHONPATH": paths, "MILLSIM_CACHE_DIR": str(cache)},
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, most_bytes)),
    )  # fmt: skip
