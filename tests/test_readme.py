"""The README tells the truth: its commands exist, its Python runs, its worked example is what comes out."""

import re
import shlex
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from millsim.commands.main import cli

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    """The fenced blocks of one language."""
    return re.findall(rf"```{language}\n(.*?)```", README, re.DOTALL)


def test_worked_example_is_what_comes_out(monkeypatch):
    monkeypatch.chdir(ROOT)
    result = CliRunner().invoke(cli, ["predict", "configs/demo.toml"])
    assert result.exit_code == 0
    assert blocks("text")[0].strip() in result.stdout


def test_calibration_example_is_what_comes_out(monkeypatch, tmp_path):
    monkeypatch.chdir(ROOT)
    result = CliRunner().invoke(cli, ["calibrate", "configs/demo_run.toml", "-o", str(tmp_path / "demo.card.toml")])
    assert result.exit_code == 0
    assert blocks("text")[1].strip() in result.stdout


def test_choice_example_is_what_comes_out(monkeypatch, tmp_path):
    monkeypatch.chdir(ROOT)
    file = str(tmp_path / "demo_sweep.h5")
    swept = CliRunner().invoke(cli, ["sweep", "configs/demo_sweep.toml", "--out", file])
    assert swept.exit_code == 0 and "75 points" in swept.stdout
    result = CliRunner().invoke(cli, ["choose", file, "rotational-moulding"])
    assert result.exit_code == 0
    assert blocks("text")[2].strip() in result.stdout


def test_the_table_of_rotors_is_what_comes_out(monkeypatch):
    monkeypatch.chdir(ROOT)
    rotors = [f"configs/rotor_{name}.toml" for name in ("bars", "close", "cutter", "hammers", "stack")]
    result = CliRunner().invoke(cli, ["beside", *rotors, "--draws", "0", "--set", "run.band_samples=0"])
    assert result.exit_code == 0
    (table,) = (block for block in blocks("text") if "rotor_stack.toml" in block)
    assert table.strip() in result.stdout


def test_every_command_is_known():
    lines = [line.split("#")[0] for block in blocks("sh") for line in block.splitlines() if "millsim" in line]
    words = [shlex.split(line.split("millsim ", 1)[1]) for line in lines if "millsim " in line]
    assert len(words) >= 9
    for first, *rest in words:
        command = cli.commands[first]
        if isinstance(command, click.Group):
            command = command.commands[rest[0]]
        options = {name for p in command.params for name in p.opts}
        assert {w for w in rest if w.startswith("-")} <= options


def test_python_block_runs(monkeypatch, capsys):
    monkeypatch.chdir(ROOT)
    exec(compile(blocks("python")[0], "README.md", "exec"), {})
    binding, x50 = capsys.readouterr().out.rsplit(maxsplit=1)
    assert binding in ("shaft power", "outlet temperature", "sieve", "chamber", "jam", "feed opening")
    assert 1e-5 < float(x50) < 4e-3


def test_ci_runs_the_readme_test_command():
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    test_lines = [line for block in blocks("sh") for line in block.splitlines() if "-m pytest" in line]
    assert len(test_lines) == 1
    assert "readme_command 'venv' '-m pytest'" in script


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_links_and_pictures_exist(name):
    text = (ROOT / name).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#]+)\)", text):
        assert (ROOT / target).exists(), target
