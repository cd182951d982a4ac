"""The command circuit: words and JSON of a mill with a sieve and of two mills, refusals, exit codes."""

import json
import re

import mills
import pytest
from click.testing import CliRunner

from millsim.base.quantities.written import digits
from millsim.commands.main import cli
from millsim.forecast.run import predict
from millsim.mill.config.mill import load_config
from millsim.record import write
from millsim.studies.circuit.loop import closed

DEMO = str(mills.CONFIGS / "demo.toml")
NO_BAND = ("--set", "run.band_samples=0")
FIRST = ("--set", "sieve.hole=2 mm", "--set", "sieve.pitch=4 mm")
SECOND = ("--set-second", "sieve.hole=0.5 mm", "--set-second", "sieve.pitch=1 mm")


def run(*words):
    return CliRunner().invoke(cli, ["circuit", "--full", *words])


def flat(text):
    return " ".join(text.split())


def test_words_first_with_the_engine_s_numbers():
    done = run(DEMO, "--sieve", "0.5 mm", *NO_BAND)
    assert done.exit_code == 0, done.output
    c, text = closed(mills.config("demo"), 0.5e-3), flat(done.stdout)
    assert text.startswith("Workshop acrylic mill closed with a 0.5 mm sieve, oversize returned, makes about ")
    assert f"{digits(3600 * c.accepted_kg_s, 3)} kg/h of powder finer than 0.5 mm" in text
    assert f"{digits(1000 * c.circulating_load, 3)} g goes back" in text
    assert f"a piece goes through the mill {digits(1 + c.circulating_load, 3)} times on average" in text
    assert "What limits it: the shaft power." in text
    assert max(map(len, done.stdout.splitlines())) <= 110
    for wrong in ("nan", "inf ", " safe"):
        assert wrong not in text


def test_says_what_is_assumed_and_warns_of_dust():
    text = flat(run(DEMO, "--sieve", "0.5 mm", *NO_BAND).stdout)
    assert "taken as sharp: it passes 100 % of what is finer than its aperture (assumed)" in text
    assert "common practice, no source" in text
    assert "No band was run" in text and "Nothing here is measured on your mill." in text
    assert "Caution: fine dust can explode and harms lungs; earth all metal parts" in text
    given = flat(run(DEMO, "--sieve", "0.5 mm", "--efficiency", "0.9", *NO_BAND).stdout)
    assert "passes 90 % of what is finer than its aperture (given)" in given


def test_bands_of_a_circuit():
    done = run(DEMO, "--sieve", "0.5 mm", "--set", "run.band_samples=8", "--set", "run.class_ratio=1.3")
    text = flat(done.stdout)
    assert re.search(r"kg/h \(80 % band [\d.]+ to [\d.]+ kg/h\)", text)
    assert re.search(r"at [\d.]+ kWh/kg \(80 % band above [\d.]+ kWh/kg\)", text)  # some draws hardly grind
    assert "80 % of 8 draws of all parameters within their ranges" in text


def test_json_is_one_object_in_si():
    done = run(DEMO, "--sieve", "500 um", "--efficiency", "90 %", "--json", *NO_BAND)
    found = json.loads(done.stdout)
    back = found["returned"]["figures"]
    assert found["aperture_m"] == pytest.approx(0.5e-3) and found["efficiency"] == 0.9
    assert back["accepted_kg_s"]["value"] == pytest.approx(back["fresh_kg_s"]["value"], rel=1e-9)
    assert found["set_aside"]["figures"]["oversize_kg_s"]["value"] > 0.0
    assert back["accepted_kg_s"]["low"] is None  # no band was run
    assert max(found["returned"]["accepted_q3"]) <= 1.0


def test_a_coarse_sieve_says_that_it_changes_nothing():
    assert "The sieve sends nothing back" in flat(run(DEMO, "--sieve", "2 mm", *NO_BAND).stdout)


def test_a_circuit_that_cannot_work_ends_with_3():
    done = run(DEMO, "--sieve", "20 um", *NO_BAND)
    assert done.exit_code == 3
    assert "that cannot work, less than one part in 1000 of what leaves the mill passes the sieve" in flat(done.stdout)


def test_two_mills_and_which_of_them_binds():
    done = run(DEMO, DEMO, *FIRST, *SECOND, "--sieve", "0.4 mm")
    text = flat(done.stdout)
    assert done.exit_code == 0, done.output
    assert text.startswith("Workshop acrylic mill, then workshop acrylic mill: the line makes about ")
    assert "The second mill limits it (the shaft power)" in text
    assert "with no curve fitted" in text
    assert "A way back to the first mill is not computed." in text
    found = json.loads(run(DEMO, DEMO, *FIRST, *SECOND, "--json").stdout)
    assert found["binds"] == "second" and found["rate_kg_s"] < found["first_alone_kg_s"]
    one, two = (found[k]["figures"]["x50_m"]["value"] for k in ("first", "second"))
    assert two < one


def test_json_names_the_config_that_a_stored_prediction_would_have(tmp_path):
    # Once as a line, once by way of a stored prediction: one config, so one hash.
    first = mills.config("demo", *FIRST[1::2], "feed.rate=1 kg/h", "run.band_samples=0", "run.trace=false")
    write.write(predict(first, engine="balance"), tmp_path / "first.h5")
    stored = ["feed.size.kind=product", f"feed.size.file={tmp_path / 'first.h5'}", *SECOND[1::2]]
    found = json.loads(run(DEMO, DEMO, *FIRST, "--set", "feed.rate=1 kg/h", *SECOND, "--json").stdout)
    assert found["binds"] == "asked"
    assert found["config_sha256"][1] == load_config(DEMO, stored).sha256


def test_a_rate_it_cannot_take_ends_with_3():
    done = run(DEMO, "--sieve", "0.4 mm", "--set", "feed.rate=20 kg/h", *NO_BAND)
    assert done.exit_code == 3
    most = f"{3600 * closed(mills.config('demo'), 0.4e-3).accepted_kg_s:#.3g}"  # a zero at its end is told, too
    assert f"cannot take the 20 kg/h of fresh feed asked for: at most about {most} kg/h" in flat(done.stdout)
    line = run(DEMO, DEMO, *FIRST, "--set", "feed.rate=30 kg/h", *SECOND)
    assert line.exit_code == 3
    assert "the line cannot take the 30 kg/h asked for" in flat(line.stdout)


def test_all_problems_in_one_pass():
    done = run(DEMO, "--sieve", "500", "--efficiency", "90", "--set", "stator.gap=0,3 mm", "--set-second", "a.b=1")
    assert done.exit_code == 2
    text = flat(done.stderr)
    for said in ('--sieve: "500" has no unit', "did you mean 0.9?", "stator.gap", "--set-second"):
        assert said in text, said
    assert "Traceback" not in text


@pytest.mark.parametrize(("words", "said"), [
    ((DEMO,), "there is nothing to close the circuit with"),
    ((DEMO, "--efficiency", "0.9"), "is of a sieve, and there is none"),
    ((DEMO, "--sieve", "50 mm"), "0.02 mm to 30 mm"),
    ((DEMO, "--sieve", "5 kg"), "--sieve"),
    ((str(mills.CONFIGS / "batch.toml"), "--sieve", "0.5 mm"), "is a batch, and a circuit runs steadily"),
    (("none.toml", "--sieve", "0.5 mm"), "none.toml"),
    ((DEMO, DEMO, "--set-second", "feed.material=pla"), "different plastic"),
])  # fmt: skip
def test_refusals_are_sentences(words, said):
    done = run(*words)
    assert done.exit_code == 2 and done.stdout == ""
    assert said in flat(done.stderr) and "Traceback" not in done.stderr
