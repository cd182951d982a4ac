"""SIGKILL at random moments: nothing but the points in flight is lost, and the file at the end is the same to the bit.

Most kills hit processes forked off one that has loaded everything, so that many of them take seconds: a killed
process is a killed process. Some hit the real command with worker processes. MILLSIM_KILLS=50 kills more often.
"""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from sweeps import J8_AXES

from millsim.errors import ResultFileError
from millsim.explore.sweep import read
from millsim.explore.sweep.journal import open_journal

CONFIGS = Path(__file__).resolve().parent.parent / "configs"
J8 = """
[sweep]
config = "demo.toml"
engine = "montecarlo"
replicates = 2
class_ratio = 1.6
[set]
"feed.rate" = "500 g/h"
"run.histories" = 100
"run.x50_error" = 0.0
""" + J8_AXES.replace("count = 5", "count = 2").replace(
    '"3 mm", "4 mm", ', ""
)  # the journey with fewer speeds and gaps: after each kill work is done again
KILLS = int(os.environ.get("MILLSIM_KILLS", "8"))

# Run as a process of its own, without threads (or OpenMP, which Monte Carlo starts) when it forks. On stdin a JSON
# list a line: the folder, seconds to live, a fault to meet; on stdout how it ended and how many seconds it took.
NURSERY = """
import json, os, signal, sys, time
from pathlib import Path
from millsim.record import files as resultfile
from millsim.explore.sweep import compute, gather, journal, runner, write
from millsim.explore.sweep.plan import read_plan

def kill():
    os.kill(os.getpid(), signal.SIGKILL)

def meet(fault):
    through, publish, appended = resultfile.write_through, resultfile._publish, journal._write_all
    def half_written(path, data):
        through(path, data[: len(data) // 2])
        kill()
    def never_named(path, data):
        through(path, data)
        kill()
    def named(temporary, path, force):
        publish(temporary, path, force)
        kill()
    count = [0]
    def torn(descriptor, data, offset):
        count[0] += 1
        if count[0] < fault[1]:
            return appended(descriptor, data, offset)
        appended(descriptor, data[: int(fault[2] * len(data))], offset)
        kill()
    if fault[0] == "half written":
        resultfile.write_through = half_written
    elif fault[0] == "never named":
        resultfile.write_through = never_named
    elif fault[0] == "named":
        resultfile._publish = named
    elif fault[0] == "torn":
        journal._write_all = torn

def sweep(folder):
    plan = read_plan(Path(folder) / "s.toml")
    with journal.open_journal(Path(folder) / "s.points") as points:
        runner.run(plan, points, workers=2)
        found = gather.collect(plan, points)
    write.write(found, Path(folder) / "s.h5", force=True)

for line in sys.stdin:
    folder, life, fault = json.loads(line)
    start = time.monotonic()
    child = os.fork() if life else -1
    if child == -1:
        plan = read_plan(Path(folder) / "s.toml", ["run.seed=1"])
        compute.solve_point(plan.base, plan.class_ratio)
        how = 0
    elif child == 0:
        meet(fault)
        sweep(folder)
        os._exit(0)
    else:
        while os.waitid(os.P_PID, child, os.WEXITED | os.WNOHANG | os.WNOWAIT) is None:
            if time.monotonic() - start > life:
                os.kill(child, signal.SIGKILL)
                break
            time.sleep(0.001)
        how = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    print(json.dumps([how, time.monotonic() - start]), flush=True)
"""


class Nursery:
    """Processes that run a sweep until they are killed."""

    def __init__(self):
        self.process = subprocess.Popen(
            [sys.executable, "-c", NURSERY], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def run(self, folder, life=3600.0, fault=("none",)):
        """(exit code, seconds) of a sweep in a folder; life 0: load what computes, before any other."""
        self.process.stdin.write(json.dumps([str(folder), life, fault]) + "\n")
        self.process.stdin.flush()
        return json.loads(self.process.stdout.readline())

    def close(self):
        self.process.kill()
        self.process.communicate()


@pytest.fixture(scope="module")
def nursery(tmp_path_factory):
    made = Nursery()
    try:
        made.run(fresh(tmp_path_factory.mktemp("warm")), 0)
        yield made
    finally:
        made.close()


def fresh(folder):
    """The folder, with the sweep of the journey and its base config in it."""
    for name in ("demo.toml", "offcuts_sieve.csv"):
        (folder / name).write_bytes((CONFIGS / name).read_bytes())
    (folder / "s.toml").write_text(J8, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def whole(nursery, tmp_path_factory):
    """Bytes of the sweep file of an uninterrupted run, and how long that takes."""
    folder = fresh(tmp_path_factory.mktemp("whole"))
    how, seconds = nursery.run(folder)
    assert how == 0
    found = read.read(folder / "s.h5")
    assert found.count == 36
    assert np.count_nonzero(found.points.status <= 1) > 18  # most mills run: it is a sweep worth the name
    return (folder / "s.h5").read_bytes(), seconds


def looks_right(folder, content):
    """A sweep file is there whole or not at all."""
    file = folder / "s.h5"
    return not file.exists() or file.read_bytes() == content


def test_killed_many_times_the_sweep_ends_the_same(nursery, whole, tmp_path):
    content, seconds = whole
    rng = np.random.default_rng(8)
    kills = rounds = 0
    while kills < KILLS or not rounds:
        folder = tmp_path / str(rounds)
        if not folder.exists():
            folder.mkdir()
            fresh(folder)
        how, _ = nursery.run(folder, max(0.02, float(rng.uniform(0.0, 0.25)) * seconds) if kills < KILLS else 3600.0)
        assert how in (0, -signal.SIGKILL)
        assert looks_right(folder, content)
        kills += how == -signal.SIGKILL
        if how == 0:
            assert (folder / "s.h5").read_bytes() == content
            rounds += 1
    assert kills == KILLS
    assert rounds >= 1


@pytest.mark.parametrize(
    ("record", "part"),
    [(1, 0.0), (1, 0.01), (1, 0.5), (1, 0.999), (2, 0.0), (2, 0.999), (5, 0.01), (10, 0.0), (10, 0.5)],
)
def test_killed_within_the_writing_of_a_record(nursery, whole, tmp_path, record, part):
    folder = fresh(tmp_path)
    how, _ = nursery.run(folder, 3600.0, ("torn", record, part))
    assert how == -signal.SIGKILL
    assert not (folder / "s.h5").exists()
    with open_journal(folder / "s.points") as left:  # cuts the torn end off, and what is before it is sound
        assert (left.torn > 0) == (part > 0.0)
        assert left.damaged == 0
        kept = sum(e.count for e in left.entries)
    with open_journal(folder / "s.points") as again:
        assert (again.torn, again.damaged, sum(e.count for e in again.entries)) == (0, 0, kept)
    assert kept > 0 or record <= 2
    if (record, part) in ((2, 0.999), (10, 0.5)):
        assert nursery.run(folder)[0] == 0
        assert (folder / "s.h5").read_bytes() == whole[0]


@pytest.mark.parametrize("moment", ["half written", "never named", "named"])
def test_killed_within_the_writing_of_the_sweep_file(nursery, whole, tmp_path, moment):
    folder = fresh(tmp_path)
    assert nursery.run(folder, 3600.0, (moment,))[0] == -signal.SIGKILL
    assert (folder / "s.h5").exists() == (moment == "named")
    assert looks_right(folder, whole[0])
    for litter in folder.glob(".millsim-*"):
        assert moment != "named"
        assert litter.suffix == ".tmp"  # never a name that a command takes for a sweep
        if moment == "half written":
            with pytest.raises(ResultFileError):
                read.read(litter)
    known = (folder / "s.points").read_bytes()
    assert nursery.run(folder)[0] == 0
    assert (folder / "s.points").read_bytes() == known  # only gathered: no point was computed again
    assert (folder / "s.h5").read_bytes() == whole[0]


def children(pid):
    """Processes that this one started, with theirs."""
    found = []
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        for child in task.read_text().split():
            found += [int(child), *children(int(child))]
    return found


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs /proc to find worker processes")
def test_the_real_command_with_worker_processes_killed_and_resumed(whole, tmp_path):
    folder = fresh(tmp_path)
    code = "from millsim.explore.sweep import runner; runner.PROCESSES_FROM_S = 0.0\n"
    code += "from millsim.__main__ import main; main()"
    command = [sys.executable, "-c", code, "sweep", "s.toml", "--workers", "2"]
    with subprocess.Popen(command, cwd=folder, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL) as process:
        try:
            deadline = time.monotonic() + 60
            while process.poll() is None and time.monotonic() < deadline:
                workers = children(process.pid)
                size = (folder / "s.points").stat().st_size if (folder / "s.points").exists() else 0
                if size > 10000 and len(workers) >= 2:
                    break
                time.sleep(0.005)
        finally:
            process.kill()
    assert process.returncode == -signal.SIGKILL
    assert not (folder / "s.h5").exists()
    gone = time.monotonic() + 20
    while any(_alive(w) for w in workers) and time.monotonic() < gone:
        time.sleep(0.02)
    assert not any(_alive(w) for w in workers)  # they end with their parent
    again = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=120)
    assert again.returncode == 0, again.stderr
    assert " known already" in again.stderr
    assert "; 0 known already" not in again.stderr
    assert (folder / "s.h5").read_bytes() == whole[0]


def _alive(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def test_two_commands_at_once_do_not_mix(nursery, whole, tmp_path):
    folder = fresh(tmp_path)
    command = [sys.executable, "-m", "millsim", "sweep", "s.toml"]
    with subprocess.Popen(command, cwd=folder, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True) as first:
        try:
            while not (folder / "s.points").exists() or (folder / "s.points").stat().st_size == 0:
                assert first.poll() is None
                time.sleep(0.005)
            os.kill(first.pid, signal.SIGSTOP)  # it holds the file, however long it takes
            second = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=60)
            os.kill(first.pid, signal.SIGCONT)
            first.communicate(timeout=60)
        finally:
            first.kill()
    assert second.returncode == 1
    assert second.stderr.splitlines() == [
        "Error: another process is at work on s.points; wait for it, or give --out another name."
    ]
    assert first.returncode == 0
    assert (folder / "s.h5").read_bytes() == whole[0]
