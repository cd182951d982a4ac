"""Full, closed and lost streams, Ctrl-C while libraries load, and SIGTERM, each in a process of its own."""

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from attack import streams, workbench
from attack.tally import Tally

ROOT = Path(__file__).resolve().parents[2]
LIGHT = (  # commands that load little
    "energy --law rittinger --from 50mm:10mm --energy 13kJ/kg --to 75mm:25mm --json", "predict missing.toml --json",
)  # fmt: skip
CASES = [c for c in streams.CASES if not (c.out and c.err) or c.deaf]


@pytest.fixture(scope="module")
def places(tmp_path_factory):
    """A folder with a file to read, and one for the copies."""
    bench = tmp_path_factory.mktemp("bench")
    shutil.copy(workbench.CONFIGS / "demo.toml", bench)
    return bench, tmp_path_factory.mktemp("work")


def test_an_answer_that_stdout_does_not_take_is_a_failure_and_lost_talk_is_none(places):
    tally = Tally("streams", 1)
    with streams.Outlet() as outlet:
        for line in LIGHT:
            streams.attack_line(tally, outlet, places, (line, ()), CASES)
    assert sum(tally.ended.values()) == len(LIGHT) * len(CASES) >= 14
    assert not tally.failures, tally.text()


def test_a_command_that_asks_takes_no_line_of_the_program_for_its_answer(places):
    with streams.Outlet() as outlet:
        outlet.run(places[0], "new asked.toml", out="load")
        assert outlet.run(places[0], "targets").code == 0


def test_the_sentence_about_a_lost_answer_says_why_and_what_is_kept(places):
    with streams.Outlet() as outlet:
        full = outlet.run(places[0], "materials", out="full")
        closed = outlet.run(places[0], "materials", out="closed")
        gone = outlet.run(places[0], "materials", out="gone")
    assert full.err == f"{streams.UNWRITTEN}: stdout: No space left on device\n"
    assert closed.err == f"{streams.UNWRITTEN}: stdout is closed\n"
    assert (gone.code, gone.err) == (1, "")


@pytest.mark.parametrize("library", ["click", "numpy"])
def test_ctrl_c_while_libraries_load_ends_with_its_code_and_one_line(library):
    code = (
        "import signal, sys\n"
        "class Pressed:\n"
        "    def find_spec(self, name, *_):\n"
        f"        if name == {library!r}: signal.raise_signal(signal.SIGINT)\n"
        "sys.meta_path.insert(0, Pressed())\n"
        "from millsim.__main__ import main\nmain()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "check", str(workbench.CONFIGS / "demo.toml")], capture_output=True, text=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (130, "")
    assert done.stderr == "Error: interrupted; nothing was written.\n"


def test_told_to_end_it_says_what_is_kept_and_ends_by_that_signal():
    code = (
        "import signal\nfrom millsim.commands.start import run\nfrom millsim.commands.main import cli\n"
        "cli.commands['keys'].callback = lambda **_: signal.raise_signal(signal.SIGTERM)\nrun(lambda: cli)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "keys"], env=os.environ | {"PYTHONPATH": str(ROOT)}, capture_output=True, text=True
    )
    assert (done.returncode, done.stdout) == (-signal.SIGTERM, "")
    assert done.stderr == "Error: told to end; nothing was written.\n"


def test_a_file_never_gets_the_number_of_a_closed_stream():
    code = (
        "import os\nfrom millsim.commands.start import run\n"
        "run(lambda: lambda prog_name: os._exit(os.open(os.devnull, os.O_RDONLY)))\n"
    )
    env = os.environ | {"PYTHONPATH": str(ROOT)}
    done = subprocess.run([sys.executable, "-c", code], env=env, preexec_fn=lambda: os.closerange(0, 3))
    assert done.returncode == 3
