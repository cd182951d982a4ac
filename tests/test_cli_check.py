"""`millsim check` end to end: the journeys of a builder, exit codes, wording, speed of a start without a model."""

import json
import re
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from millsim.commands.main import cli
from millsim.errors import unsettled
from millsim.mill import cards
from millsim.mill.config.mill import load_config
from millsim.mill.problem import build

ROOT = Path(__file__).parents[1]
CONFIGS = ROOT / "configs"
FAILED, INCOMPLETE = 3, 4


def run(*args):
    return CliRunner().invoke(cli, ["check", "--full", *map(str, args)])


def sets(*overrides):
    return [word for o in overrides for word in ("--set", o)]


def checks(*args, code):
    """The lines of --json by name, after the exit code was seen."""
    result = run(*args, "--json")
    assert result.exit_code == code, result.output
    return {x["name"]: x for x in json.loads(result.stdout)["checks"]}


@pytest.mark.parametrize(
    ("name", "code", "failing"),
    [
        ("demo", FAILED, {"dust in the air"}),
        ("pla", FAILED, {"phase control"}),
        ("batch", INCOMPLETE, set()),
        ("swinging", FAILED, {"dust in the air"}),
        ("tight_jam", FAILED, {"pins in bending", "every nip full for one turn", "jam at the feed asked for",
                               "feed rate asked for"}),
    ],
)  # fmt: skip
def test_shipped_configs_fail_for_the_reasons_they_were_made_to_show(name, code, failing):
    found = checks(CONFIGS / f"{name}.toml", code=code)
    assert {n for n, x in found.items() if x["verdict"] == "fails"} == failing
    result = run(CONFIGS / f"{name}.toml")
    assert result.exit_code == code and result.stderr == ""
    first = result.stdout.splitlines()[0]
    assert first.endswith("the config is complete and without contradictions.")
    assert max(map(len, result.stdout.splitlines())) <= 100
    assert not re.search(r"\b[Ss]afe\b|\bnan\b|\binf\b|\bNone\b", result.stdout)
    for x in found.values():
        assert x["name"] in result.stdout


def test_first_look_at_a_110_mm_rotor():
    # Journey 1: four bars, 110 mm, 18 000 rpm: 103.7 m/s; holes of 1.0 mm at 2.0 mm leave 22.7 %.
    mill = sets(
        "rotor.radius=55 mm", "drive.speed=18000 rpm", "stator.gap=2 mm", "drive.rated_power=800 W",
        "sieve.hole=1.0 mm", "sieve.pitch=2.0 mm", "feed.size.size=3 mm",
    )  # fmt: skip
    result = run(CONFIGS / "pla.toml", *mill, "--json")
    assert result.exit_code == FAILED
    answer = json.loads(result.stdout)
    assert answer["derived"]["tip_speed_m_s"] == pytest.approx(103.7, abs=0.05)
    assert answer["derived"]["open_fraction"] == pytest.approx(0.227, abs=0.0005)
    tip = next(x for x in answer["checks"] if x["name"] == "tip speed")
    assert (tip["value"], tip["limit"], tip["verdict"]) == (pytest.approx(103.7, abs=0.05), 80.0, "fails")
    text = run(CONFIGS / "pla.toml", *mill).stdout
    assert "FAILS        tip speed: 104 m/s, at most 80 m/s, margin 0.77" in text
    assert "a fast hammer mill by trade usage, above 91 m/s" in text
    assert "Stay below 13900 rpm on this radius" in " ".join(text.split())


def test_explain_the_jam():
    # Journey 5: rigid six-bar rotor of 150 mm, 0.37 kW, 2850 rpm, 3 mm pellets, gap 0.8 mm, then 4 mm.
    speed = ["drive.speed=2850 rpm"]
    tight = checks(CONFIGS / "tight_jam.toml", *sets(*speed), code=FAILED)
    assert tight["tip speed"]["value"] == pytest.approx(22.4, abs=0.05)
    assert tight["jam at the feed asked for"]["verdict"] == "fails"
    gap = tight["gap against feed pieces"]
    assert gap["value"] == pytest.approx(0.8 / 3.0)
    assert "How it jams: the bar presses the piece against the pin" in gap["words"]
    assert re.search(r"takes 1\d times the motor's short-term torque", gap["words"])
    # Bars this slow break no pellet: an open gap is no cure, and the review says where to see what is left.
    assert "Opening the gap is a poor cure" in gap["words"] and '--set stator.gap="3 mm"' in gap["words"]
    assert "open the gap" not in " ".join(x["words"] for x in tight.values())
    torque = tight["torque of a caught piece"]
    assert torque["value"] / torque["limit"] == pytest.approx(490.0 * 0.075 / (2.0 * 370.0 / 298.45), rel=0.01)
    open_ = checks(CONFIGS / "tight_jam.toml", *sets(*speed, "stator.gap=4 mm"), code=FAILED)
    # Open, nothing stalls it in the nip; but it hardly grinds, and a charge that grows stops the motor.
    assert "the motor labours at its overload" in open_["jam at the feed asked for"]["words"]
    assert open_["every nip full for one turn"]["verdict"] == "note"
    hits = open_["hits hard enough to break"]
    assert hits["verdict"] == "fails" and hits["words"].startswith("Few hits are above the threshold")
    assert "raise the tip speed" in hits["words"]


def test_a_jam_is_seen_without_a_prediction_too():
    found = checks(CONFIGS / "tight_jam.toml", *sets("stator.held=both ends", "stator.threaded=false"), "--quick",
                   code=FAILED)  # fmt: skip
    assert {n for n, x in found.items() if x["verdict"] == "fails"} == {"every nip full for one turn"}
    assert found["jam at the feed asked for"]["verdict"] == "not checked"


def test_hammers_that_are_too_light():
    # Journey 6: six hammers, centre at 60 mm, 9000 rpm, 25 g/min of PLA; 4 g, then 20 g.
    feed = sets("feed.material=pla", "feed.rate=1.5 kg/h")
    light = checks(CONFIGS / "swinging.toml", *feed, *sets("rotor.hammer_mass=4 g"), code=FAILED)
    heavy = checks(CONFIGS / "swinging.toml", *feed, code=INCOMPLETE)
    pull = "pull of a hammer on its pin"
    assert heavy[pull]["value"] == pytest.approx(1070.0, rel=0.005)
    assert light[pull]["value"] == pytest.approx(heavy[pull]["value"] / 5.0)
    assert light["hammer lay-back"]["value"] > 2.0 * heavy["hammer lay-back"]["value"]
    assert (light["hammer lay-back"]["verdict"], heavy["hammer lay-back"]["verdict"]) == ("fails", "passes")
    tip = "tip speed the hammers work at"
    assert light[tip]["value"] < heavy[tip]["value"] < 0.075 * 9000.0 * 3.14159 / 30.0
    # Not just "heavier is better": the price is said where the gain is.
    assert "pulls twice as hard and flies with twice the energy" in heavy[pull]["words"]
    assert re.search(r"lay back 20°, and pull \d+ N on their pins", light["hammer lay-back"]["words"])
    result = run(CONFIGS / "swinging.toml", *feed)
    assert "Screws of class 8.8 across the pull of a hammer, 1070 N, times 1.5 for blows:" in result.stdout
    assert re.search(r"^  M5 +4.02 mm +3.2 kN +2 +6.5 kN +4.1$", result.stdout, re.MULTILINE)


def test_bad_input_is_told_in_one_pass_and_nothing_is_checked(tmp_path):
    # Journey 11: magnitude, misspelt key, density in g/cm3, doubled key, pitch below hole, piece above opening.
    card = cards.card_toml(cards.load_material("pla")).replace("value = 1240.0", "value = 1.24", 1)
    (tmp_path / "own.toml").write_text(card, encoding="utf-8")
    text = (CONFIGS / "pla.toml").read_text(encoding="utf-8")
    for old, new in (
        ('gap = "3 mm"', 'gap = "1500 mm"'), ("tip_speed = ", "rotor_tip_speeed = "),
        ('material = "pla"', 'material = "own.toml"'), ("bars = 4 ", "bars = 4\nbars = 6 "),
        ('pitch = "2.5 mm"', 'pitch = "0.8 mm"'), ('opening = "30 mm"', 'opening = "2 mm"'),
        ('diameter = "16 mm"', "diameter = 16"),
    ):  # fmt: skip
        assert old in text
        text = text.replace(old, new, 1)
    path = tmp_path / "mill.toml"
    path.write_text(text, encoding="utf-8")
    result = run(path)
    assert result.exit_code == 2 and result.stdout == ""
    lines = result.stderr.splitlines()
    assert len(lines) == 7 and all(x.startswith("Error: ") for x in lines)
    told = "\n".join(lines)
    for part in ("did you mean 1.5 mm", 'did you mean "tip_speed"', "1.24 g/cm3", "stands twice",
                 "is not above the hole", "arch over a 2 mm opening", 'shaft.diameter: 16 has no unit'):  # fmt: skip
        assert part in told
    assert "Traceback" not in result.output


@pytest.mark.parametrize(
    ("override", "words"),
    [
        ("rotor.material=steal", 'did you mean "steel"?'),
        ("rotor.yield_strength=235", "has no unit"),
        ("rotor.pivot_pin_diameter=8 mm", 'is only for mount = "swinging"'),
        ("rotor.balance_grade=6.3 mm/s", "a plain number is needed"),
        ("shaft.diameter=190 mm", "as thick as the rotor"),
        ("stator.held=one side", "one end | both ends"),
        ("guard.thicknes=4 mm", 'did you mean "thickness"?'),
        ("guard.material=glass", "steel | polycarbonate | plywood"),
        ("drive.phase_control=yes", "true | false"),
    ],
)
def test_slips_in_the_keys_of_the_review(override, words):
    result = run(CONFIGS / "demo.toml", "--set", override)
    assert result.exit_code == 2
    (told,) = result.stderr.splitlines()
    assert words in told, told


def test_keys_of_the_review_change_no_prediction_and_stay_out_of_the_text_where_not_given():
    mill = load_config(CONFIGS / "demo.toml")
    assert mill.shaft.diameter_m == 0.02 and mill.stator.threaded is False and mill.guard.material == "steel"
    plain = load_config(CONFIGS / "tight_jam.toml")
    assert "[shaft]" not in plain.text and "[guard]" not in plain.text and "phase_control" not in plain.text
    changes = ["rotor.material=aluminium", "shaft.diameter=30 mm", "guard.thickness=9 mm"]
    other = load_config(CONFIGS / "demo.toml", changes)
    assert build(mill).mill.tobytes() == build(other).mill.tobytes()
    assert mill.sha256 != other.sha256


def test_a_prediction_that_does_not_settle_leaves_its_lines_open(monkeypatch):
    def fails(*_args, **_more):
        raise unsettled("the mill")

    monkeypatch.setattr("millsim.forecast.run.predict", fails)
    result = run(CONFIGS / "batch.toml")
    assert result.exit_code == INCOMPLETE and "Not the whole review" in result.stdout
    assert result.stderr == f"What needs a prediction is not checked: {unsettled('the mill')}.\n"
    assert re.search(r"not checked  outlet temperature", result.stdout)


def test_a_long_prediction_shows_that_it_works(monkeypatch):
    from millsim.commands import check

    def slow(*_args, **_more):
        time.sleep(0.4)
        raise unsettled("the mill")

    monkeypatch.setattr("millsim.forecast.run.predict", slow)
    monkeypatch.setattr("millsim.commands.progress._PATIENCE_S", 0.05)
    monkeypatch.setattr(check, "_PATIENCE_S", 0.1)
    result = run(CONFIGS / "batch.toml")
    assert "prediction: 0%, a quick one for the review" in result.stderr


def test_quick_compiles_nothing_and_predicts_nothing():
    code = (
        "import sys\n"
        "import numba\n"
        "from numba.core.dispatcher import Dispatcher\n"
        "def compiles(self, *a, **k): raise AssertionError(f'{self.py_func.__name__} is compiled')\n"
        "Dispatcher.compile = compiles\n"
        "from millsim.commands.main import cli\n"
        "try: cli(['check', 'configs/batch.toml', '--quick', '--full'], prog_name='millsim')\n"
        "except SystemExit as e: assert e.code == 4, e.code\n"
        "assert 'millsim.forecast.run' not in sys.modules and 'matplotlib' not in sys.modules\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    assert "Before you cut steel" in done.stdout


def test_a_key_without_meaning_is_told_and_does_not_stop_the_review():
    said = run(CONFIGS / "demo.toml", "--quick", "--set", "model.windage_swirl=0.4")
    assert (
        said.exit_code == INCOMPLETE
        and "model.windage_swirl is read and ignored: the swirl of the air now" in said.stdout
    )
    told = run(CONFIGS / "demo.toml", "--quick", "--json", "--set", "model.windage_swirl=0.4")
    assert json.loads(told.stdout)["ignored"][0].startswith("model.windage_swirl is read and ignored")
    assert json.loads(run(CONFIGS / "demo.toml", "--quick", "--json").stdout)["ignored"] == []


def test_quick_json_and_exit_code_agree_with_the_whole_check():
    """What a quick check finds is what the whole one finds; what it could not make, it says, and so does its code."""
    for name in ("demo", "pla", "tight_jam"):
        whole = json.loads(run(CONFIGS / f"{name}.toml", "--json").stdout)
        quick = run(CONFIGS / f"{name}.toml", "--quick", "--json")
        found = json.loads(quick.stdout)
        by = {x["name"]: x["verdict"] for x in whole["checks"]}
        for x in found["checks"]:
            assert x["verdict"] in (by[x["name"]], "not checked"), x["name"]
        assert found["counts"]["not checked"] > whole["counts"]["not checked"]
        assert whole["quick"] is None and "leave out --quick for the whole review" in found["quick"]
        failing = found["counts"]["fails"] > 0
        assert (quick.exit_code, found["status"]) == (
            (FAILED, "check failed") if failing else (INCOMPLETE, "incomplete")
        )
