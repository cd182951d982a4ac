"""Bad input, full disks and Ctrl-C through the real command: one clear sentence, the right code, nothing lost."""

import ctypes
import json
import os
import re
import resource
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner
from helpers import fake_prediction

from millsim.commands import main, progress
from millsim.commands.progress import Interrupts
from millsim.mill.cards import meant_card
from millsim.mill.config.mill import load_config
from millsim.record import read, write
from millsim.show.plots import prediction as plots
from millsim.version import MODEL_VERSION, __version__

ROOT = Path(__file__).parents[1]
CONFIGS = ROOT / "configs"
QUICK = ("--engine", "balance", "--set", "run.band_samples=0", "--set", "run.trace=false")


def run(*args):
    return CliRunner().invoke(main.cli, [str(a) for a in args])


def errors(result) -> list[str]:
    """The lines of a failure, after checking that it looks like one."""
    lines = result.stderr.splitlines()
    assert lines
    assert all(line.startswith("Error: ") for line in lines)
    assert "Traceback" not in result.output
    return lines


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("missing.toml", None, "no such file"),
        ("empty.toml", b"", "is empty"),
        ("not.toml", b"[mill]\nname = = 1\n", "line 2"),
        ("binary.toml", b"\xff\xfe\x00[mill]", "is not UTF-8 text"),
    ],
)
@pytest.mark.parametrize("command", ["predict", "check"])
def test_a_config_that_cannot_be_read_is_named(tmp_path, command, name, content, words):
    path = tmp_path / name
    if content is not None:
        path.write_bytes(content)
    result = run(command, path, "--json")
    assert result.exit_code == 2
    assert str(path) in errors(result)[0]
    assert words in result.stderr
    answer = json.loads(result.stdout)
    assert answer["status"] == "error"
    assert answer["problems"][0]["where"] == str(path)


def test_a_folder_as_config_is_refused(tmp_path):
    result = run("predict", tmp_path)
    assert result.exit_code == 2
    assert errors(result) == [f"Error: {tmp_path}: is a folder, not a file"]


def test_every_mistake_of_a_config_is_listed_in_one_pass(tmp_path):
    shutil.copy(CONFIGS / "offcuts_sieve.csv", tmp_path)
    text = (CONFIGS / "demo.toml").read_text()
    for pattern, new in (
        (r'^radius = "60 mm"', 'radius = "60"'), (r"^bars = 4", "barz = 4"),
        (r'^hole = "0.6 mm"', 'hole = "1500 mm"'), (r'^material = "pmma"', 'material = "pma"'),
    ):  # fmt: skip
        text, count = re.subn(pattern, new, text, flags=re.MULTILINE)
        assert count == 1, pattern
    path = tmp_path / "many.toml"
    path.write_text(text)
    result = run("predict", path, "--set", "stator.gap=3", "--set", "nonsense", "--json", "--out", tmp_path / "r.h5")
    assert result.exit_code == 2
    lines = errors(result)
    for part in (
        '"60" has no unit', 'did you mean "bars"', "did you mean 1.5 mm", 'did you mean "pmma"',
        '3 has no unit', "is not of the form section.key=value",
    ):  # fmt: skip
        assert sum(part in line for line in lines) == 1, part
    assert len(json.loads(result.stdout)["problems"]) == len(lines)
    assert not (tmp_path / "r.h5").exists()


@pytest.mark.parametrize("command", ["plot", "export"])
def test_result_files_that_cannot_be_read_are_named(tmp_path, command):
    good = tmp_path / "good.h5"
    write.write(fake_prediction(), good)
    cut = tmp_path / "cut.h5"
    cut.write_bytes(good.read_bytes()[:5000])
    text = tmp_path / "text.h5"
    text.write_text("hello")
    for path, words in (
        (tmp_path / "none.h5", "there is no such file"),
        (cut, "is cut short or damaged"),
        (text, "is not a result file"),
    ):
        result = run(command, path)
        assert result.exit_code == 2
        (line,) = errors(result)
        assert str(path) in line
        assert words in line
    assert sorted(p.name for p in tmp_path.iterdir()) == ["cut.h5", "good.h5", "text.h5"]


def test_outputs_that_exist_or_cannot_be_written_stop_it_before_computing(tmp_path):
    taken = tmp_path / "taken.h5"
    taken.write_text("mine")
    for out, code, words in (
        (taken, 2, "exists already; use --force"),
        (tmp_path, 2, "is a folder"),
        (tmp_path / "no" / "r.h5", 2, "make it first"),
        ("/proc/r.h5", 1, "cannot write /proc"),
    ):
        result = run("predict", CONFIGS / "demo.toml", *QUICK, "--out", out)
        assert result.exit_code == code
        (line,) = errors(result)
        assert words in line
    assert taken.read_text() == "mine"


def _limit_files() -> None:
    """Let this process write no file above 20 kB, as a full disk would."""
    import resource

    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))


def test_a_full_disk_while_drawing_leaves_no_half_written_file(tmp_path):
    file = tmp_path / "r.h5"
    write.write(fake_prediction(), file)
    command = [sys.executable, "-m", "millsim", "plot", str(file), "-o", str(tmp_path / "figs")]
    whole_byte_code = os.environ | {"PYTHONDONTWRITEBYTECODE": "1"}  # Python would leave the modules it reads cut off
    done = subprocess.run(
        command, cwd=ROOT, capture_output=True, text=True, preexec_fn=_limit_files, env=whole_byte_code
    )
    assert done.returncode == 1
    (line,) = done.stderr.splitlines()
    assert line.startswith("Error: cannot write ")
    assert not (tmp_path / "figs").exists()


def test_a_full_disk_after_computing_still_prints_the_answer_and_keeps_the_old_file(tmp_path):
    old = tmp_path / "r.h5"
    old.write_text("mine")
    command = ["predict", str(CONFIGS / "demo.toml"), *QUICK, "--json", "--force", "--out", str(old)]
    script = (  # compile first: a full disk must not be mistaken for a compiler that cannot write its cache
        f"import sys; sys.dont_write_bytecode = True; sys.path.insert(0, {str(Path(__file__).parent)!r})\n"
        "import test_cli_errors as t, millsim.forecast.run as r, millsim.mill.config.mill as c\n"
        "config = c.load_config(sys.argv[2], ['run.band_samples=0', 'run.trace=false'])\n"
        "r.predict(config, engine='balance')\n"
        "t._limit_files()\n"
        "from millsim.commands.main import cli\ncli(sys.argv[1:])\n"
    )
    done = subprocess.run([sys.executable, "-c", script, *command], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 1, done.stderr
    assert "cannot write" in done.stderr
    assert "Traceback" not in done.stderr
    assert json.loads(done.stdout)["status"] == "ok"
    assert [p.name for p in tmp_path.iterdir()] == ["r.h5"]
    assert old.read_text() == "mine"


def _processor_seconds(pid):
    """Processor time that a running program has used."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@pytest.mark.skipif(sys.platform != "linux", reason="needs a pseudo-terminal and /proc")
def test_ctrl_c_stops_a_long_run_at_once_and_says_what_is_kept(tmp_path):
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    ours, theirs = os.openpty()
    command = [sys.executable, "-m", "millsim", "predict", str(CONFIGS / "demo.toml"), "--engine", "montecarlo"]
    command += ["--set", "run.histories=100000000", "--set", "run.x50_error=0", "--out", str(tmp_path / "r.h5")]
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=theirs)
    os.close(theirs)
    seen = b""
    while not re.search(rb"[1-9]\d* of 100000000 histories", seen):  # compiled and under way
        seen += os.read(ours, 4096)
    used = _processor_seconds(process.pid)
    process.send_signal(signal.SIGINT)
    out, _ = process.communicate(timeout=60)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    took = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime - used
    seen += os.read(ours, 65536)
    os.close(ours)
    assert process.returncode == 130
    assert took < used  # of processor time: less than to get under way
    assert out == b""
    last = re.split(r"[\r\n]+", seen.decode().strip())[-1]
    assert last == "Error: interrupted; nothing was written."
    assert list(tmp_path.iterdir()) == []


def test_an_interrupt_while_drawing_says_that_the_prediction_is_kept(tmp_path, monkeypatch):
    def interrupted(*_args, **_kwargs):
        raise KeyboardInterrupt

    monkeypatch.setattr("millsim.commands.predict._run", lambda *_: fake_prediction())
    monkeypatch.setattr("millsim.show.plots.prediction.save_all", interrupted)
    out = tmp_path / "r.h5"
    result = run("predict", CONFIGS / "demo.toml", "--out", out, "--plots", tmp_path / "figs")
    assert result.exit_code == 130
    (line,) = errors(result)
    assert line == f"Error: interrupted; the prediction is in {out}; the same command goes on from there."
    assert read.read(out).seed == fake_prediction().seed


def test_predict_stopped_while_drawing_goes_on_when_it_is_typed_again(tmp_path, monkeypatch):
    words = ("predict", CONFIGS / "demo.toml", "--out", tmp_path / "r.h5", "--plots", tmp_path / "figs")
    own = load_config(CONFIGS / "demo.toml")
    found = fake_prediction(
        config_sha256=own.sha256, command="millsim predict demo.toml", version=__version__, model_version=MODEL_VERSION
    )
    monkeypatch.setattr("millsim.commands.predict._run", lambda *_: found)
    monkeypatch.setattr(plots, "FIGURES", dict(list(plots.FIGURES.items())[:2]))
    drawn = iter([b"the first"])
    monkeypatch.setattr(plots, "render", lambda *_: next(drawn))  # and no second
    assert run(*words).exit_code == 1
    assert [p.name for p in tmp_path.iterdir()] == ["r.h5"]
    kept = (tmp_path / "r.h5").read_bytes()
    monkeypatch.setattr(plots, "render", lambda *_: b"a figure")
    monkeypatch.setattr("millsim.commands.predict._run", lambda *_: pytest.fail("computed again"))
    result = run(*words)
    assert result.exit_code == 0, result.output
    assert "Kept before: " in result.stderr and "Drawn: 2 figures" in result.stderr
    assert (tmp_path / "r.h5").read_bytes() == kept
    for changed in ((*words, "--set", "stator.gap=2 mm"), (*words, "--seed", "2"), words[:4], words):
        result = run(*changed)  # another forecast, or nothing left to draw
        assert result.exit_code == 2 and "exist" in errors(result)[0] and "--force" in errors(result)[0]


@pytest.mark.parametrize("name", ["demo", "pla", "swinging", "tight_jam", "batch"])
def test_check_describes_every_shipped_config_in_sentences(name):
    result = run("check", CONFIGS / f"{name}.toml", "--full")
    assert result.exit_code in (0, 3, 4), result.output
    first = result.stdout.splitlines()[0]
    assert first.endswith("the config is complete and without contradictions.")
    assert first[0].isupper()
    for part in (
        "tip speed without load", "open share of the sieve", "largest pieces of the feed", "Fed ",
        "energy stored in the rotor", "The turning rotor stores",
    ):  # fmt: skip
        assert part in result.stdout
    assert max(map(len, result.stdout.splitlines())) <= 100


def test_check_tells_the_energy_of_the_rotor_and_the_pull_of_a_hammer():
    numbers = json.loads(run("check", CONFIGS / "demo.toml", "--json").stdout)["derived"]
    assert numbers["rotor_energy_J"] == pytest.approx(0.5 * 0.6 * 0.06**2 / 3 * 1000.0**2, rel=1e-6)
    numbers = json.loads(run("check", CONFIGS / "swinging.toml", "--json").stdout)["derived"]
    omega = numbers["speed_rad_s"]
    assert numbers["hammer_pull_N"] == pytest.approx(0.02 * 0.06 * omega**2)
    assert numbers["rotor_energy_J"] == pytest.approx(0.5 * (0.8 * 0.075**2 / 3 + 6 * 0.02 * 0.06**2) * omega**2)


def test_materials_lists_every_card_with_its_title_and_prints_one_with_sources():
    listed = run("materials")
    assert listed.exit_code == 0
    assert "pmma       PMMA (acrylic), cast or extruded sheet" in listed.stdout.splitlines()
    one = run("materials", "pmma")
    for part in ("xw_min_warm", "basis", "assumed", "0.6 - 5"):
        assert part in one.stdout
    unknown = run("materials", "nylon")
    assert unknown.exit_code == 2
    assert "no card named" in errors(unknown)[0] and 'did you mean "pa"?' in errors(unknown)[0]
    for name, card in (
        ("acrylic", "pmma"),
        ("PE", "pe_pp"),
        ("plla", "pla"),
        ("Polyethylene", "pe_pp"),
        ("HDPE", "pe_pp"),
    ):
        assert meant_card(name) == f'did you mean "{card}"?'
    assert not meant_card("unobtainium") and not meant_card("rubber")


def test_an_interrupt_swallowed_by_a_callback_is_not_lost():
    with Interrupts() as interrupts:
        interrupts.check()
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
        assert interrupts.seen
        with pytest.raises(KeyboardInterrupt):
            interrupts.check()
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


@ctypes.CFUNCTYPE(None)
def _swallowing():
    """A call back from compiled code, as the compiler makes them: nothing that is raised in it comes out."""
    signal.raise_signal(signal.SIGINT)


def test_an_interrupt_swallowed_by_a_callback_comes_anew_until_it_is_heard():
    with pytest.raises(KeyboardInterrupt), Interrupts():
        for _ in range(3):
            _swallowing()
        time.sleep(30.0)


def test_an_interrupt_swallowed_by_a_callback_does_not_come_anew_once_it_was_heard():
    with Interrupts() as interrupts:
        _swallowing()
        with pytest.raises(KeyboardInterrupt):
            interrupts.check()
        time.sleep(4.0 * progress._ANEW_S)  # would raise
    with Interrupts():
        _swallowing()
    time.sleep(4.0 * progress._ANEW_S)  # nor when all is over


class HalfMade:
    """What an interrupt has left without its fields."""

    def __del__(self):
        raise AttributeError("no field yet")


def test_what_an_interrupt_left_half_made_is_not_heard():
    with pytest.raises(KeyboardInterrupt), Interrupts():
        half = HalfMade()
        try:
            signal.raise_signal(signal.SIGINT)
        finally:
            del half  # a warning of an exception in it would be an error


INTERRUPTED_PROGRAM = """
import atexit, sys
from millsim.commands.start import run
class HalfMade:
    def __del__(self):
        raise AttributeError("no field yet")
def work(prog_name):
    half = HalfMade()
    atexit.register(print, "taken down")
    print("Error: interrupted", file=sys.stderr, end="")
    sys.exit(130)
run(lambda: work)
"""


def test_an_interrupted_program_ends_at_once_and_says_no_more():
    command = [sys.executable, "-c", INTERRUPTED_PROGRAM]
    ended = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert (ended.returncode, ended.stdout, ended.stderr) == (130, "", "Error: interrupted")


def test_a_failure_that_follows_from_a_swallowed_interrupt_counts_as_one(monkeypatch):
    def broken(*_):
        try:
            signal.raise_signal(signal.SIGINT)
        except KeyboardInterrupt:
            raise RuntimeError("no compiled object yet") from None

    monkeypatch.setattr("millsim.commands.predict._run", broken)
    result = run("predict", CONFIGS / "demo.toml")
    assert result.exit_code == 130
    assert errors(result) == ["Error: interrupted; nothing was written."]
