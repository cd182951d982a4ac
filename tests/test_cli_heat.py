"""The command heat: words on every shipped config, JSON, refusals in one sentence."""

import json
import re

import mills
import numpy as np
import pytest
from click.testing import CliRunner

from millsim.base.quantities.params import BASES
from millsim.base.quantities.written import capital
from millsim.commands.main import cli
from millsim.mill.config.mill import load_config
from millsim.mill.problem import build
from millsim.studies.heat.runaway import runaway
from millsim.studies.heat.stand import Case

NO_BAND = ("--set", "run.band_samples=0")
COARSE = (*NO_BAND, "--set", "run.class_ratio=1.6")  # where the words matter, not the numbers
J7 = (
    "--limit", "45 °C", "--air", "60 m3/h", "--set", "air.room=30 °C", "--set", "feed.temperature=30 °C",
    "--set", "casing.mass=6 kg", "--set", "feed.rate=2.95 kg/h",
)  # fmt: skip


def run(name, *words):
    return CliRunner().invoke(cli, ["heat", str(mills.CONFIGS / f"{name}.toml"), "--full", *words])


def flat(text):
    return " ".join(text.split())


@pytest.mark.parametrize("name", mills.NAMES)
def test_every_shipped_config_is_answered(name):
    done = run(name, *NO_BAND)
    assert done.exit_code == (3 if name == "tight_jam" else 0), done.output  # it takes less than it is asked for
    text = flat(done.stdout)
    for word in ("heat and cooling", "Empty mill:", "Largest", "Air needed", "Air in a circle", "Chilled feed",
                 "Coolant gas: 1 kg of dry ice makes", "Caution: dry ice", "Hot day, room at 35 °C", "Figures",
                 "does not clear the mill"):  # fmt: skip
        assert word in text, word
    assert "No band was run" in text
    for wrong in ("nan", "inf ", "unlimited", "unknown", " safe", "  -0 "):
        assert wrong not in text, wrong
    assert max(map(len, done.stdout.splitlines())) <= 100
    assert text.startswith(f"{capital(mills.config(name).name)}, heat and cooling. The limit asked about: ")


def test_bands_are_told_and_marked():
    text = flat(run("pla", "--set", "run.band_samples=8").stdout)
    assert "80 % band" in text
    assert "80 % of 8 draws" in text


def test_a_heat_limited_mill_in_words():
    text = flat(run("pla", *J7, *NO_BAND).stdout)
    assert "powder and air leave at 48.9 °C: 3.9 K over the limit" in text
    assert "the measured air, 60 m³/h at the room's temperature" in text
    assert "the air would warm by 19 K" in text
    assert "a cold mill would run 3.6 min" in text
    assert "the temperature limits it" in text
    assert re.search(r" Runaway: in a room of \d+ °C none found up to \d+ °C. Heat feeds itself a little", text)


def test_a_mill_that_runs_away_is_told_so_end_to_end(tmp_path):
    command = [
        "heat",
        str(mills.steep_mill(tmp_path)),
        *(w for o in (*mills.STEEP, "feed.rate=14 kg/h") for w in ("--set", o)),
        *NO_BAND,
    ]
    done = CliRunner().invoke(cli, command)
    assert done.exit_code == 0, done.output
    (said,) = re.findall(r"^RUNAWAY possible.*(?:\n  .*)*", done.stdout, re.MULTILINE)
    assert flat(said).startswith("RUNAWAY possible: hotter, tougher, hotter. Once the chamber is above ")
    assert "it does not come back by itself but chokes or heats on" in flat(said)
    assert "none found" not in said
    loop = json.loads(CliRunner().invoke(cli, [*command, "--json"]).stdout)["runaway"]
    assert 325.0 < loop["threshold_K"] < loop["top_K"] and loop["hot_K"] is None


def test_a_faster_feed_runs_away_from_a_colder_chamber(tmp_path):
    # Derived: the largest rate falls with the temperature at which the chamber is held, so the threshold falls with
    # the feed rate, smoothly: no threshold is that of a solver which gave up.
    problem = build(load_config(mills.steep_mill(tmp_path), mills.STEEP))
    thresholds = []
    for kg_h in (13.5, 13.9, 14.3, 14.7):
        case = Case(problem, kg_h / 3600.0, 400.0)
        thresholds.append(runaway(case, problem.mill, case.settle(problem.mill)).threshold_K)
    steps = np.diff(thresholds)
    assert steps == pytest.approx(steps.mean(), abs=1.0) and -16.0 < steps.mean() < -10.0


def test_the_limit_says_where_it_is_from():
    assert "sticks at 50 °C, and at most 35 °C is advised, because contact spots" in flat(run("pla", *NO_BAND).stdout)
    given = flat(run("pla", "--limit", "45 °C", *NO_BAND).stdout)
    assert "at most 45 °C (--limit); by its card it sticks at 50 °C" in given
    own = run("pla", "--set", "limits.outlet_temperature=40 °C", *NO_BAND).stdout
    assert "at most 40 °C (limits.outlet_temperature); " in flat(own)


@pytest.mark.parametrize("name", ["pla", "batch"])
def test_json_gives_unit_words_formula_and_basis(name):
    done = run(name, "--json", *NO_BAND)
    assert done.exit_code == 0
    found = json.loads(done.stdout)
    assert found["status"] == "ok"
    assert found["config_sha256"] == mills.config(name, "run.band_samples=0").sha256
    named = {k: f for k, f in found["figures"].items() if f["words"]}
    assert len(named) > 15
    for f in named.values():
        assert f["unit"] in {"K", "W", "Pa", "s", "m3/s", "kg/s", "kg"}
        assert f["formula"]
        assert f["basis"] in BASES
    assert all(f["value"] is not None or f["meaning"] for f in found["figures"].values())
    assert (found["runaway"] is None) == (name == "batch")


def test_json_ventilation_rests_on_figures():
    found = json.loads(run("pla", "--json", *NO_BAND).stdout)
    iced = [c for c in found["coolants"] if c["what"] == "chill" and c["feed_K"] == pytest.approx(194.65)]
    assert iced[0]["dry_ice"] == pytest.approx(found["figures"]["iced_dry_ice"]["value"])


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--limit", "45"), '--limit: "45" has no unit'),
        (("--limit", "45 mm"), "--limit: "),
        (("--hot-day", "15 °C"), "--hot-day: a hot day of 15 °C is not warmer than the room's 20 °C"),
        (("--room", "20"), '--room: "20" has no unit'),
        (("--air", "60"), '--air: "60" has no unit'),
        (("--air", "-3 m3/h"), "--air: "),
        (("--set", "air.rum=3"), "air.rum"),
    ],
)
def test_refusals_are_one_sentence(words, said):
    done = run("pla", *words)
    assert done.exit_code == 2
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1
    assert said in done.stderr
    assert "Traceback" not in done.stderr


def test_refusal_as_json():
    done = run("pla", "--hot-day", "15 °C", "--json")
    assert done.exit_code == 2
    assert json.loads(done.stdout)["problems"][0]["where"] == "--hot-day"


def test_a_mill_that_cannot_run_gets_what_can_be_said():
    done = run("pla", "--set", "air.inlet_area=1 cm2", "--set", "air.blower_pressure=0 Pa", *COARSE)
    assert done.exit_code == 3
    text = flat(done.stdout)
    assert "cannot run like this: even with next to no feed the outlet temperature is over its limit" in text
    assert "Coolant per kilogram" not in text
    assert "nan" not in text


def test_a_mill_that_floods_is_told_so():
    # Tips at 38 m/s: more charge than that of 210 g/h carries less, so a mill fed faster fills up.
    slow = ("drive.speed=6000 rpm", "drive.speed_under_load=5700 rpm", "stator.gap=1 mm", "feed.rate=1 kg/h")
    sets = [x for s in (*slow, "run.band_samples=0", "run.class_ratio=1.6") for x in ("--set", s)]
    done = CliRunner().invoke(cli, ["heat", str(mills.CONFIGS / "demo.toml"), *sets])
    assert done.exit_code == 3, done.output
    told = " ".join(done.output.split())
    assert "1 kg/h asked for are too much for it (the charge in the chamber; fed that fast it fills up)" in told
