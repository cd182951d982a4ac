"""The README tells the truth: its commands exist, its Python runs, its worked example is what comes out."""

import re
import shlex
from pathlib import Path

import click
import half_hour
import pytest
import readme_examples

from millsim.commands.main import cli

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    """The fenced blocks of one language."""
    return re.findall(rf"```{language}\n(.*?)```", README, re.DOTALL)


@pytest.mark.parametrize("name", readme_examples.EXAMPLES)
def test_a_worked_example_is_what_comes_out(monkeypatch, tmp_path, name):
    monkeypatch.chdir(ROOT)
    told = readme_examples.answers(name, tmp_path)
    assert readme_examples.block(name) in told[-1]
    assert name != "choose" or "75 points" in told[0]


def test_the_first_half_hour_is_what_comes_at_a_terminal(tmp_path):
    # Computed with coarse classes and few draws: words and what follows from the answers alone must be the same, and
    # plausible values near what the README says. `python tests/renew_readme.py half-hour` renews it.
    pytest.importorskip("pty")
    shown = re.split(r"\n(?=\$ )", readme_examples.block("half-hour"))
    assert len(shown) == len(half_hour.STEPS) < 25 and len("\n".join(shown).splitlines()) <= 70
    screens = half_hour.screens(tmp_path, coarse=True)
    assert [s.code for s in screens] == [s.code for s in half_hour.STEPS]
    for text, (step, lines) in zip(shown, half_hour.parts(screens), strict=True):
        if not step.computed:
            assert text == "\n".join(lines)
        here, there = (half_hour.masked(t) for t in (text.splitlines(), lines))
        assert here[:150] == there[:150]
        ours, theirs = (re.search(r"makes about ([\d.]+) kg/h", t) for t in (text, "\n".join(lines)))
        assert (ours is None) == (theirs is None)
        assert ours is None or float(ours[1]) == pytest.approx(float(theirs[1]), rel=0.15)


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
