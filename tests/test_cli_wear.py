"""The command wear: words on every shipped config, JSON, refusals."""

import json

import mills
import pytest
from click.testing import CliRunner

from millsim.commands.main import cli

LOSS = ("--lost", "0.05 g", "--milled", "2 kg")
NO_BAND = ("--set", "run.band_samples=0")


def run(name, *words):
    return CliRunner().invoke(cli, ["wear", str(mills.CONFIGS / f"{name}.toml"), "--full", *words])


def flat(text):
    return " ".join(text.split())


@pytest.mark.parametrize("name", mills.NAMES)
def test_every_shipped_config_is_answered(name):
    done = run(name, *LOSS, *NO_BAND)
    assert done.exit_code == (3 if name == "tight_jam" else 0), done.output  # it takes less than it is asked for
    text = flat(done.stdout)
    for word in ("25 ppm of iron", "Edges, if they take all the loss", "Gap, if the tip faces", "Powder by 20 kg",
                 "Turn or sharpen the bars", "common practice", "Balance goes first", "Assumed:"):  # fmt: skip
        assert word in text, word
    for wrong in ("nan", "inf ", "unlimited", " safe"):
        assert wrong not in text, wrong
    assert max(map(len, done.stdout.splitlines())) <= 110
    drift = done.stdout.split("Drift with the powder milled")[1]
    rows = [line.split()[0] for line in drift.splitlines() if line.startswith("  ") and " kg " in line[:10]]
    assert rows == ["2", "5", "10", "20", "50"]


def test_the_band_is_told():
    text = flat(run("pla", *LOSS, "--set", "run.band_samples=8").stdout)
    assert "80 % band" in text
    assert "80 % of 8 draws" in text


def test_at_adds_a_row():
    done = run("demo", *LOSS, "--at", "7 kg", *NO_BAND)
    assert "Powder by 7 kg" in done.stdout
    assert "  7 kg " in done.stdout


def test_json():
    found = json.loads(run("demo", *LOSS, "--json", *NO_BAND).stdout)
    assert found["ppm"] == pytest.approx(25.0)
    assert [s["milled_kg"] for s in found["steps"]] == [2.0, 5.0, 10.0, 20.0, 50.0]
    assert found["drift"]["edge_x50_m"]["ratio"] > 1.0
    assert found["basis"]
    none = json.loads(run("demo", "--lost", "0 g", "--milled", "2 kg", "--json", *NO_BAND).stdout)
    assert none["replace_after_kg"] == [None, None]
    assert found["gap_full_after_kg"] < found["replace_after_kg"][0] and none["gap_full_after_kg"] is None
    assert {d["ratio"] for d in none["drift"].values()} == {1.0}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--lost", "0.05", "--milled", "2 kg"), '--lost: "0.05" has no unit'),
        (("--lost", "-1 g", "--milled", "2 kg"), "--lost: "),
        (("--lost", "50 mm", "--milled", "2 kg"), "--lost: "),
        (("--lost", "2 kg", "--milled", "50 g"), "swapped"),
        ((*LOSS, "--at", "20000 kg"), "--at: by 20000 kg more than half of the bars would be gone"),
    ],
)
def test_refusals_are_one_sentence(words, said):
    done = run("demo", *words)
    assert done.exit_code == 2
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1
    assert said in done.stderr


def test_all_mistakes_at_once():
    done = run("demo", "--lost", "0.05", "--milled", "2 V", "--at", "x")
    assert done.exit_code == 2
    assert [line.split(":")[1].strip() for line in done.stderr.splitlines()] == ["--lost", "--milled", "--at"]


def test_a_loss_is_asked_for():
    done = run("demo", "--milled", "2 kg")
    assert done.exit_code == 2
    assert "--lost" in done.stderr
