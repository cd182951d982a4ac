"""The command line, engines replaced by an invented prediction: streams, exit codes, files, errors."""

import io
import json
import re
import shlex
import subprocess
import sys
import types
from pathlib import Path

import pytest
from click.testing import CliRunner
from helpers import fake_prediction

from millsim.commands import main as cli_module
from millsim.commands.base import NOT_DRAWN
from millsim.commands.progress import Progress
from millsim.errors import InputError, MillsimError, Problem, unsettled
from millsim.record import read, write

ROOT = Path(__file__).parents[1]


@pytest.fixture
def calls(monkeypatch):
    """Stand-ins for config and run; the list of calls that reached the engines."""
    seen = []

    def load_config(path, overrides=()):
        if not Path(path).exists():
            raise InputError(Problem(str(path), "", "there is no such file"))
        return types.SimpleNamespace(
            name="fake", path=path, overrides=list(overrides), run=types.SimpleNamespace(band_samples=0)
        )

    def predict(config, engine=None, seed=None, command="", progress=None):
        seen.append((config, engine, seed, command))
        progress("balance", 0.5, "")
        return fake_prediction(seed=seed if seed is not None else 77, command=command)

    monkeypatch.setattr("millsim.mill.config.mill.load_config", load_config)
    monkeypatch.setattr("millsim.studies.advised.predict", predict)
    return seen


@pytest.fixture
def config(tmp_path):
    path = tmp_path / "mill.toml"
    path.write_text("[mill]\n")
    return str(path)


def run(*args):
    return CliRunner().invoke(cli_module.cli, [str(a) for a in args])


def test_predict_prints_the_summary_and_says_how_to_keep_it(calls, config):
    result = run("predict", config)
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith("Acrylic workshop mill makes about 350 g/h")
    assert "--out FILE.h5" in result.stderr
    assert list(Path(config).parent.iterdir()) == [Path(config)]


def test_predict_json_is_one_object_and_nothing_else(calls, config, tmp_path):
    result = run("predict", config, "--json", "--seed", 5, "--engine", "both", "--out", tmp_path / "r.h5")
    assert result.exit_code == 0
    assert result.stderr == ""
    answer = json.loads(result.stdout)
    assert answer["seed"] == 5
    assert result.stdout.count("\n") == 1
    assert read.read(tmp_path / "r.h5").seed == 5


def test_options_reach_the_engine_and_the_command_names_inputs_only(calls, config, tmp_path):
    args = ("--engine", "balance", "--seed", 3, "--set", 'stator.gap="0.3 mm"', "--set", "rotor.bars=2")
    result = run("predict", config, *args, "--out", tmp_path / "r.h5", "--plots", tmp_path / "figs")
    assert result.exit_code == 0, result.output
    loaded, engine, seed, command = calls[0]
    assert (engine, seed) == ("balance", 3)
    assert loaded.overrides == ['stator.gap="0.3 mm"', "rotor.bars=2"]
    assert (
        command == "millsim predict mill.toml --engine balance --seed 3 "
        "--set 'stator.gap=\"0.3 mm\"' --set rotor.bars=2"
    )
    assert len(list((tmp_path / "figs").glob("*.png"))) == 6
    assert "Written" in result.stderr


@pytest.mark.parametrize(
    ("setting", "kept"),
    [
        ('feed.material="/srv/me/cards/mine.toml"', 'feed.material="mine.toml"'),
        ("feed.material=C:\\me\\mine.toml", "feed.material=mine.toml"),
        ("feed.size.sheet = 'a/b.csv'", "feed.size.sheet ='b.csv'"),
        ("feed.material=pla", "feed.material=pla"),
        ('stator.gap="1/2 mm"', 'stator.gap="1/2 mm"'),
    ],
)
def test_the_command_names_no_folder(calls, config, tmp_path, setting, kept):
    result = run("predict", config, "--set", setting, "--out", tmp_path / "r.h5")
    assert result.exit_code == 0, result.output
    assert calls[0][0].overrides == [setting]
    assert shlex.split(read.read(tmp_path / "r.h5").command)[-1] == kept
    assert "/me" not in result.stdout


@pytest.mark.parametrize("json_flag", [[], ["--json"]])
def test_outputs_are_refused_before_computing(calls, config, tmp_path, json_flag):
    taken = tmp_path / "taken.h5"
    taken.write_text("mine")
    (tmp_path / "rates.png").write_text("mine")
    for args, words in (
        (["--out", taken], "exists already"),
        (["--out", tmp_path], "is a folder"),
        (["--out", tmp_path / "x.txt"], "the name of a result file ends in .h5; write x.h5"),
        (["--out", tmp_path / "no" / "r.h5"], "is not a folder; make it first"),
        (["--out", "/proc/r.h5"], "cannot write /proc"),
        (["--plots", tmp_path], "rates.png exists already"),
        (["--plots", taken], "is not a folder"),
    ):
        result = run("predict", config, *args, *json_flag)
        assert result.exit_code == (1 if "/proc" in words else 2), words
        assert words in result.stderr
        assert result.stderr.startswith("Error: ")
        if json_flag:
            assert json.loads(result.stdout)["status"] == "error"
        else:
            assert result.stdout == ""
    assert calls == []
    assert taken.read_text() == "mine"
    assert run("predict", config, "--out", taken, "--force", *json_flag).exit_code == 0


def test_full_disk_after_computing_still_gives_the_answer(calls, config, tmp_path, monkeypatch):
    def full(*_):
        raise MillsimError("cannot write r.h5: the disk is full.")

    monkeypatch.setattr(write, "write", full)
    result = run("predict", config, "--json", "--out", tmp_path / "r.h5")
    assert result.exit_code == 1
    assert json.loads(result.stdout)["status"] == "ok"
    assert result.stderr == "Error: cannot write r.h5: the disk is full.\n"


def failing(monkeypatch, error):
    def predict(*_, **__):
        raise error

    monkeypatch.setattr("millsim.studies.advised.predict", predict)


def test_every_problem_gets_its_own_line_and_json_lists_them(calls, config, monkeypatch):
    problems = [
        Problem("mill.toml", "rotor.speeed", "unknown key", "", "did you mean speed?"),
        Problem("--set", "a", "b"),
    ]
    failing(monkeypatch, InputError(problems))
    result = run("predict", config)
    assert result.exit_code == 2
    assert result.stderr.splitlines() == [
        "Error: mill.toml: rotor.speeed: unknown key; did you mean speed?", "Error: --set: a: b",
    ]  # fmt: skip
    answer = json.loads(run("predict", config, "--json").stdout)
    assert [p["key"] for p in answer["problems"]] == ["rotor.speeed", "a"]
    assert answer["exit_code"] == 2


@pytest.mark.parametrize(
    ("error", "code", "words"),
    [
        (unsettled("the mill"), 1, "please send its authors all files that this command read, the command"),
        (KeyboardInterrupt(), 130, "interrupted; nothing was written"),
        (ZeroDivisionError("float\ndivision"), 1, "ZeroDivisionError: float"),
    ],
)
def test_failures_have_codes_and_no_traceback_without_debug(calls, config, monkeypatch, error, code, words):
    failing(monkeypatch, error)
    result = run("predict", config)
    assert result.exit_code == code
    assert words in result.stderr
    assert "Traceback" not in result.output
    assert len(result.stderr.splitlines()) == 1
    assert "Traceback" in run("--debug", "predict", config).stderr


def test_a_traceback_of_much_is_short(calls, config, monkeypatch):
    failing(monkeypatch, ValueError("first " + "much " * 200_000 + "last"))
    said = run("--debug", "predict", config).stderr
    assert len(said) < 25_000 and "Traceback" in said and "in predict" in said and "last" in said


def test_bad_usage_exits_2(calls, config):
    for args in (["predict"], ["predict", config, "--engine", "magic"], ["predict", config, "--seed", "-1"], ["grind"]):
        assert run(*args).exit_code == 2
    assert run("predict", "nothere.toml").exit_code == 2
    assert calls == []


def test_plot_and_export_write_beside_the_file_and_keep_what_exists(tmp_path):
    file = tmp_path / "run 1.h5"
    write.write(fake_prediction(trace=False), file)
    for command, folder, suffix in (("plot", "run 1-figures", ".png"), ("export", "run 1-tables", ".csv")):
        result = run(command, file)
        assert result.exit_code == 0, result.output
        paths = [Path(line) for line in result.stdout.splitlines()]
        assert paths
        assert all(p.parent.name == folder and p.suffix in (suffix, ".toml") and p.exists() for p in paths)
        again = run(command, file)
        assert again.exit_code == 2
        (line,) = again.stderr.splitlines()
        assert "of the files exist already" in line
        assert run(command, file, "--force").exit_code == 0
        assert run(command, file, "-o", tmp_path / "there" / command).exit_code == 0
        assert run(command, tmp_path / "no.h5").exit_code == 2
        assert run(command, file, "-o", file).exit_code == 2


def test_plot_and_export_print_one_object_or_no_talk(tmp_path, monkeypatch):
    file = tmp_path / "mill.h5"
    write.write(fake_prediction(trace=False), file)
    for command in ("plot", "export"):
        done = run(command, file, "--json", "-o", tmp_path / command)
        assert done.exit_code == 0 and done.stderr == ""
        paths = json.loads(done.stdout)["written"]
        assert paths and sorted(paths) == sorted(str(p) for p in (tmp_path / command).iterdir())
        refused = run(command, file, "--json", "-o", tmp_path / command)
        told = json.loads(refused.stdout)
        assert refused.exit_code == told["exit_code"] == 2 and "exist already" in told["message"]
        done = run(command, file, "--quiet", "--force", "-o", tmp_path / command)
        assert done.stdout == "".join(f"{p}\n" for p in paths) and done.stderr == ""
    monkeypatch.setattr("millsim.show.plots.prediction.save_all", lambda *_: [])
    for more, stdout, stderr in (
        ((), "", f"{NOT_DRAWN}\n"),
        (("--quiet",), "", ""),
        (("--json",), '{"written": []}\n', ""),
    ):
        done = run("plot", file, *more)
        assert (done.exit_code, done.stdout, done.stderr) == (0, stdout, stderr)


def test_materials_lists_and_prints_cards(monkeypatch):
    fake = types.SimpleNamespace(
        list_materials=lambda: ["pla", "pmma"],
        load_material=lambda name, base=None: types.SimpleNamespace(title=name.upper()),
        format_table=lambda card: f"<{card.title}>\n",
    )
    monkeypatch.setitem(sys.modules, "millsim.mill.cards", fake)
    monkeypatch.setattr("millsim.mill.cards", fake, raising=False)
    assert run("materials").stdout == "pla   PLA\npmma  PMMA\n"
    assert run("materials", "pla").stdout == "<PLA>\n"


def test_help_and_version_load_no_heavy_package():
    code = (
        "import sys\nfrom millsim.commands.main import cli\n"
        "for args in (['--help'], ['-h'], ['--version'], ['predict', '--help']):\n"
        "    try: cli(args, prog_name='millsim')\n"
        "    except SystemExit as e: assert e.code == 0, args\n"
        "heavy = {'numpy', 'numba', 'scipy', 'h5py', 'matplotlib'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "predict" in done.stdout
    done = subprocess.run([sys.executable, "-m", "millsim", "--version"], cwd=ROOT, capture_output=True, text=True)
    assert done.stdout.startswith("millsim 0.")


class Terminal(io.StringIO):
    def isatty(self):
        return True


def times(*values):
    ticks = iter(values)
    return lambda: next(ticks)


def test_progress_is_silent_for_short_work_and_when_quiet():
    for kind, quiet, ticks in ((Terminal, False, (0, 0.5, 1.9)), (io.StringIO, True, (0, 5, 50))):
        stream = kind()
        with Progress(stream, quiet, times(*ticks)) as progress:
            progress("balance", 0.1)
            progress("balance", 0.9)
        assert stream.getvalue() == ""


def test_progress_estimates_from_the_pace_of_this_stage_and_clears_the_line():
    stream = Terminal()
    with Progress(stream, clock=times(0, 10, 30)) as progress:
        progress("Monte Carlo", 0.0, "warming up")
        progress("Monte Carlo", 0.5, "batch 5 of 10")
    lines = stream.getvalue().split("\r")
    assert lines[1] == "Monte Carlo: 0%, warming up"
    assert lines[2] == "Monte Carlo: 50%, about 20 s left in this step, batch 5 of 10"
    assert lines[-2].strip() == ""


def test_progress_in_a_log_is_few_lines():
    stream = io.StringIO()
    with Progress(stream, clock=times(0, *range(3, 100))) as progress:
        for k in range(90):
            progress("band", k / 90)
    assert 2 <= len(stream.getvalue().splitlines()) <= 4


def test_of_many_problems_the_first_fifty_and_how_many_there_are(tmp_path):
    wrong = tmp_path / "mill.toml"
    wrong.write_text("[rotor]\n" + "".join(f'nonsense{i} = "\\u001b[31m"\n' for i in range(200)), encoding="utf-8")
    done = CliRunner().invoke(cli_module.cli, ["check", str(wrong)])
    assert done.exit_code == 2
    lines = done.stderr.splitlines()
    assert len(lines) == 51
    assert re.fullmatch(r"Error: these are the first 50 of \d{3} problems\.", lines[-1])


def test_what_a_file_says_is_never_a_command_to_the_terminal(tmp_path):
    wrong = tmp_path / "mill.toml"
    wrong.write_bytes(b"[rotor]\n\x1b]0;owned\x07 = \xe2\x80\xae1\n")
    done = CliRunner().invoke(cli_module.cli, ["check", str(wrong), "--set", "\x1b[2J=1"])
    assert done.exit_code == 2
    assert all(c.isprintable() or c == "\n" for c in done.stderr)
