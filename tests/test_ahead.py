"""A second process compiles for the first prediction: what it compiles, when it starts, and that it always ends."""

import logging
import os
import signal
import subprocess
import sys
from pathlib import Path

import numba
import pytest

import millsim
from millsim.base.notes import say
from millsim.base.numerics.jit import for_python
from millsim.engines import ahead
from millsim.engines.capacity import operate

CONFIG = Path(__file__).resolve().parent.parent / "configs" / "demo.toml"
HISTORIES, PIECES = ahead.KERNELS


def test_it_compiles_the_very_code_that_a_prediction_runs():
    few = ["run.class_ratio=1.6", "run.histories=100", "run.x50_error=0", "run.band_samples=2", "run.seed=1"]
    millsim.predict(millsim.load_config(CONFIG, few))
    for kernel, arguments in [*zip(ahead.KERNELS, ahead._arguments(), strict=True), *ahead.small_ones()]:
        assert tuple(map(numba.typeof, arguments)) in for_python(kernel).signatures, kernel


@pytest.fixture
def first(monkeypatch):
    """(cold kernels, processes started) of a first process that has compiled nothing, with two cores and no patience.

    The second ones do start. In the end each has ended, is reaped, and nobody holds its pipe.
    """
    cold, processes, start = {operate, *ahead.KERNELS}, [], ahead._started

    def noted(names):
        processes.append(start(names))
        return processes[-1]

    monkeypatch.setattr(ahead, "lacks_code", lambda kernel: kernel in cold)
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0, 1}, raising=False)
    monkeypatch.setattr(ahead, "_started", noted)
    monkeypatch.setattr(ahead, "PATIENCE_S", 0.0)
    yield cold, processes
    assert all(p is None or (p.returncode is not None and p.stdin.closed) for p in processes)


def test_it_is_waited_for_where_asked_and_ended_where_not(first, monkeypatch):
    """A mill that does not grind needs no histories, so nobody waits until they are compiled."""

    def running(code):
        return subprocess.Popen([sys.executable, "-S", "-c", code], stdin=subprocess.PIPE)

    _, processes = first
    monkeypatch.setattr(ahead, "PATIENCE_S", 60.0)
    for code, waits, end in (("input()", False, -signal.SIGKILL), ("", True, 0)):
        processes.append(running(code))
        monkeypatch.setattr(ahead, "_started", lambda _names: processes[-1])
        with ahead.compiling(histories=True, pieces=True) as wait:
            if waits:
                wait()
        assert processes[-1].returncode == end


def compiled_meanwhile(processes, histories=True, pieces=True):
    """The end of the call that starts a second process for what is needed; "" where none is started."""
    processes.clear()
    with ahead.compiling(histories, pieces):
        assert all(p.poll() is None for p in processes)
    return "".join(p.args[-1].rpartition("; ")[2] for p in processes)


def test_it_starts_for_what_is_needed_and_not_there_while_the_first_compiles_the_balance(first):
    cold, processes = first
    assert compiled_meanwhile(processes) == "main(['run_blocks', 'run_pieces'])"
    assert compiled_meanwhile(processes, pieces=False) == "main(['run_blocks'])"
    assert compiled_meanwhile(processes, histories=False) == "main(['run_pieces'])"
    assert compiled_meanwhile(processes, histories=False, pieces=False) == ""
    cold.remove(HISTORIES)
    assert compiled_meanwhile(processes) == "main(['run_pieces'])"
    assert compiled_meanwhile(processes, pieces=False) == ""
    cold.remove(operate)
    assert compiled_meanwhile(processes) == ""


def test_it_does_not_start_on_one_core_nor_where_another_program_is_the_interpreter(first, monkeypatch):
    _, processes = first
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {3})
    assert compiled_meanwhile(processes) == ""
    for program in ("", None, "/opt/mills.app/millsim"):
        monkeypatch.setattr(sys, "executable", program)
        assert ahead._started(["run_blocks"]) is None


def test_it_is_done_without_where_no_process_can_be_started(first, monkeypatch):
    def no_memory(*_args, **_options):
        raise OSError(12, "Cannot allocate memory")

    _, processes = first
    monkeypatch.setattr(subprocess, "Popen", no_memory)
    with ahead.compiling(histories=True, pieces=True):
        assert processes == [None]


@pytest.mark.parametrize("end", [KeyboardInterrupt, ValueError])
def test_it_ends_where_the_first_fails_or_is_interrupted(first, end):
    _, processes = first
    with pytest.raises(end), ahead.compiling(histories=True, pieces=True):
        raise end
    assert len(processes) == 1


def test_it_ends_by_itself_once_the_first_has_gone():
    with ahead._started(["run_blocks"]) as left, ahead._started([]) as ready:
        left.stdin.close()  # as the system does, however the first ends
        assert left.wait(60) == 1
        assert ready.wait(60) == 0


def test_it_ends_with_the_first_also_while_it_loads(tmp_path, monkeypatch):
    (tmp_path / "loads_for_ever.py").write_text("import time\ntime.sleep(600)")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setattr(ahead, "__name__", "loads_for_ever")
    with ahead._started([]) as left:
        left.stdin.close()
        assert left.wait(60) == 1


def test_it_ends_once_its_code_cannot_be_kept(monkeypatch):
    class Ended(BaseException):
        pass

    class Kernel:
        __name__ = "run_blocks"

        def compile(self, _types):
            say("compiled code is not kept: the disk of this test is full.")

    def end(code):
        raise Ended(code)

    notes = logging.getLogger("millsim")
    monkeypatch.setattr(notes, "filters", [])
    monkeypatch.setattr(ahead, "KERNELS", (Kernel(), Kernel()))
    monkeypatch.setattr(os, "_exit", end)
    with pytest.raises(Ended, match="1"):
        ahead.main(["run_blocks"])
