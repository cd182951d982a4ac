"""A real dask scheduler with two worker processes, one of them killed half-way: nothing lost, the same numbers."""

import builtins
import signal
import socket
import subprocess
import sys
import threading
import time
from importlib.util import find_spec
from pathlib import Path

import pytest
from click.testing import CliRunner

from millsim.commands import main
from millsim.errors import MillsimError
from millsim.explore.sweep import cluster, gather, runner, write
from millsim.explore.sweep.journal import open_journal
from millsim.explore.sweep.plan import read_plan

pytestmark = pytest.mark.skipif(find_spec("distributed") is None, reason="dask.distributed is not installed")
CONFIGS = Path(__file__).resolve().parent.parent / "configs"
PLAN = """
[sweep]
config = "{config}"
class_ratio = 1.6
draws = 4
[[axis]]
key = "stator.gap"
values = ["1 mm", "2 mm", "3 mm", "4 mm", "6 mm"]
[[axis]]
key = "drive.speed"
from = "6000 rpm"
to = "14000 rpm"
count = 5
[[axis]]
key = "sieve.hole"
values = ["0.5 mm", "0.6 mm"]
"""
COUNT = 50


class Cluster:
    """A scheduler and two workers, each a process; all ended on the way out."""

    def __enter__(self):
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.address = f"tcp://127.0.0.1:{free.getsockname()[1]}"
        self.processes = []
        try:
            port = self.address.rpartition(":")[2]
            self.scheduler = self._start(
                "scheduler", "--host", "127.0.0.1", "--port", port, "--no-dashboard", "--no-jupyter"
            )
            self.workers = [self.worker() for _ in range(2)]
        except BaseException:
            self.__exit__()
            raise
        return self

    def worker(self):
        return self._start("worker", self.address, "--nworkers", "1", "--nthreads", "1", "--no-nanny", "--no-dashboard",
                           "--memory-limit", "0", "--local-directory", "/tmp")  # fmt: skip

    def _start(self, *words):
        process = subprocess.Popen(
            [sys.executable, "-m", "dask", *words], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        self.processes.append(process)
        return process

    def ready(self):
        """Wait until both workers are known to the scheduler."""
        from distributed import Client

        cluster._somebody_there(self.address)
        with Client(self.address, timeout=20, set_as_default=False) as client:
            client.wait_for_workers(2, timeout=40)
        return self

    def __exit__(self, *_):
        for process in self.processes:
            process.kill()
            process.wait()


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("cluster")
    (made / "s.toml").write_text(PLAN.format(config=(CONFIGS / "demo.toml").as_posix()), encoding="utf-8")
    return made


@pytest.fixture(scope="module")
def local(folder):
    """The sweep file of a run on this machine."""
    plan = read_plan(folder / "s.toml")
    with open_journal(folder / "local.points") as journal:
        runner.run(plan, journal, workers=1)
        return write.to_bytes(gather.collect(plan, journal))


def errors(result):
    """The lines of a failed command."""
    assert "Traceback" not in result.output
    return [line for line in result.stderr.splitlines() if line.startswith("Error: ")]


def sweep(folder, out, address):
    """`millsim sweep` on a cluster."""
    return CliRunner().invoke(main.cli, ["sweep", str(folder / "s.toml"), "--out", str(out), "--scheduler", address])


def test_a_worker_killed_half_way_loses_nothing_and_then_the_scheduler_is_killed_too(folder, local, tmp_path):
    plan = read_plan(folder / "s.toml")
    with Cluster() as made:
        made.ready()
        with open_journal(tmp_path / "s.points") as journal:
            with cluster.cluster_executor(made.address) as (executor, count, alive):
                assert count == 2

                def say(stage, done, detail):
                    if done >= 0.4 and made.workers[0].poll() is None:
                        made.workers[0].kill()
                        made.workers[0].wait()

                report = runner.run(plan, journal, count, executor, say, alive)
            assert made.workers[0].returncode == -signal.SIGKILL
            assert (report.means, report.computed, report.left) == ("executor", COUNT, 0)
            assert write.to_bytes(gather.collect(plan, journal)) == local

        out = tmp_path / "c.h5"
        killer = threading.Thread(target=kill_when, args=(made.scheduler, out.with_suffix(".points"), 20000))
        killer.start()
        result = sweep(folder, out, made.address)
        killer.join()
        assert made.scheduler.wait() == -signal.SIGKILL
    assert result.exit_code == 1
    assert errors(result) == [
        f"Error: the dask scheduler at {made.address} is gone; the same command goes on from here."
    ]
    assert not out.exists()
    result = CliRunner().invoke(main.cli, ["sweep", str(folder / "s.toml"), "--out", str(out), "--workers", "1"])
    assert result.exit_code == 0
    assert "; 0 known already" not in result.stderr
    assert out.read_bytes() == local


def kill_when(process, file, size):
    """Kill a process once a file has grown to a size."""
    end = time.monotonic() + 60
    while time.monotonic() < end and not (file.exists() and file.stat().st_size > size):
        time.sleep(0.005)
    process.kill()


@pytest.mark.parametrize("listens", [False, True], ids=["nobody listens", "somebody else listens"])
def test_an_address_that_does_not_answer_is_one_sentence(folder, tmp_path, listens):
    with socket.create_server(("127.0.0.1", 0)) as other:
        address = f"tcp://127.0.0.1:{other.getsockname()[1]}"
        if not listens:
            other.close()
        start = time.monotonic()
        result = sweep(folder, tmp_path / "s.h5", address)
        waited = time.monotonic() - start
    assert result.exit_code == 2
    assert errors(result) == [
        f"Error: --scheduler: no dask scheduler answers at {address}; "
        "start one with `dask scheduler` and `dask worker ADDRESS`"
    ]
    assert waited < 3 * cluster.PATIENCE_S  # rather than for ever
    assert not (tmp_path / "s.h5").exists()


@pytest.mark.parametrize("address", ["nonsense", "udp://10.0.0.5:8786", "", "tls://127.0.0.1:9"])
def test_what_is_no_address_is_refused_with_an_example(folder, tmp_path, address):
    result = sweep(folder, tmp_path / "s.h5", address)
    assert result.exit_code == 2
    (line,) = errors(result)
    assert line.startswith(f"Error: --scheduler: {address!r} is not an address: ")
    assert line.endswith("; for example tcp://10.0.0.5:8786")


def test_without_dask_the_extra_is_named(folder, tmp_path, monkeypatch):
    real = builtins.__import__

    def without(name, *args, **kwargs):
        if name == "distributed":
            raise ImportError("No module named 'distributed'")
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", without)
    result = sweep(folder, tmp_path / "s.h5", "tcp://127.0.0.1:8786")
    assert result.exit_code == 2
    assert errors(result) == [
        'Error: --scheduler: needs dask.distributed, which is not installed; pip install "millsim[cluster]"'
    ]


class Pretend:
    """A client whose cluster is as it says."""

    def __init__(self, status="running", threads=1, version=None):
        self.status, self.threads, self.version = status, threads, version

    def nthreads(self):
        return {"w": self.threads} if self.threads else {}

    def run(self, function):
        if isinstance(self.version, Exception):
            raise self.version
        return {"one": function(), "two": self.version or function()}


def test_workers_of_another_version_are_refused():
    cluster._same_version(Pretend(), "tcp://x:1")
    with pytest.raises(
        MillsimError, match="^1 of 2 workers have another engine than this millsim .*; install the same"
    ):
        cluster._same_version(Pretend(version=("0.0.1", "abc")), "tcp://x:1")
    with pytest.raises(
        MillsimError, match="^the workers at tcp://x:1 cannot run millsim: ModuleNotFoundError: No module"
    ):
        cluster._same_version(Pretend(version=ModuleNotFoundError("No module named 'millsim'")), "tcp://x:1")


def test_a_cluster_without_workers_is_given_a_minute(monkeypatch):
    now = [1000.0]
    monkeypatch.setattr(cluster.time, "monotonic", lambda: now[0])
    client = Pretend(threads=0)
    check = cluster._watch(client, "tcp://x:1")
    for _ in range(6):
        now[0] += 10.0
        check()
    client.threads = 1  # they are back
    now[0] += 10.0
    check()
    client.threads = 0
    now[0] += 60.0
    check()
    now[0] += 10.0
    with pytest.raises(
        MillsimError, match="^all dask workers at tcp://x:1 are gone; the same command goes on from here"
    ):
        check()
