"""`millsim run` as people and scripts use it: the answer first, one JSON object, exit codes, one sentence per error."""

import json
import re
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from runsheets import CONFIGS, SIEVED, changed, mill_in, sieved

from millsim.commands import main
from millsim.learn.measured.runbalance import close
from millsim.learn.measured.runsheet import read_run

DEMO = CONFIGS / "demo_run.toml"


def run(*args):
    return CliRunner().invoke(main.cli, ["run", "--full", *map(str, args)])


@pytest.fixture
def folder(tmp_path):
    return mill_in(tmp_path)


@pytest.fixture
def demo(tmp_path):
    """The demo run sheet with all that it names."""
    for path in (*CONFIGS.glob("*.csv"), DEMO):
        shutil.copy(path, tmp_path)
    shutil.copy(CONFIGS / "demo.toml", tmp_path)
    return tmp_path / DEMO.name


def written(folder: Path, *changes) -> Path:
    """The changed hand sheet as a file."""
    path = folder / "run.toml"
    path.write_text(changed(*changes), encoding="utf-8")
    return path


def test_the_answer_comes_first(folder):
    done = run(written(folder, sieved(folder)))
    assert done.exit_code == 0
    assert done.stderr == ""
    flat = " ".join(done.stdout.split())
    assert flat.startswith("by hand: 300 g fed in 12 min, metered, gave 262 g of powder: 21.83 ± 0.05 g/min or 1.310")
    assert "97.3 % (± 0.3 %) of what was fed was found again (sweepings not weighed and taken as nothing)" in flat
    assert "8 g are missing. Good: within 97 to 103 %. These limits are common practice without a source." in flat
    energy = r"Energy from the socket: 0\.328 ± 0\.006 kWh per kg of powder caught \((\S+) ± \S+ kWh per kg fed, as"
    assert float(re.search(energy, flat)[1]) == pytest.approx(0.328 * 262 / 300, abs=6e-4)
    assert "energy above idling: 0.183 ± 0.006 kWh per kg of powder caught." in flat
    assert "If the missing mass and the bag were all fines: x50 of all powder made is 0.553 mm instead of 0.58" in flat


def test_tables_echo_assumptions_and_gaps(folder):
    text = run(written(folder, sieved(folder))).stdout
    titles = ["Masses", "Rates, energy and heat", "Powder, share by mass finer", "What was read",
              "Assumed, because the run sheet does not say", "Not measured, and what it would tell"]  # fmt: skip
    places = [text.index(f"\n{title}\n") for title in titles]
    assert places == sorted(places)
    assert re.search(r"unaccounted +8 +0\.82 +2\.7", text)
    assert re.search(r"above idling per kg of powder caught +0\.183 +0\.0062 +kWh/kg +above the hot idle", text)
    assert re.search(r"0\.5 +39\.9 +43\.5", text)
    assert "sheet.csv (10 sieves, 49.55 g, 0.9 % lost)" in text
    assert "the scale steps by 1 g" in text
    assert "temperature of the powder that leaves: how near the powder came to sticking" in text
    assert "reach in only with plug out and rotor still" in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 110


def test_kilowatts_have_no_exponent(folder):
    flat = " ".join(run(written(folder, ("430 W", "12500 W"), ("190 W", "10500 W"))).stdout.split())
    assert "12500 W, ±" in flat and "10500 W, ±" in flat


def test_repeats_show_their_scatter(folder):
    sieved(folder, "second.csv", SIEVED.replace("0.50,11.90", "0.50,9.90").replace("0.09,0.70", "0.09,2.70"))
    sieved(folder)
    change = ("[sieving]\n", '[sieving]\nproduct = ["sheet.csv", "second.csv"]\n')
    text = " ".join(run(written(folder, change)).stdout.split())
    assert "product: mean of 2 sheets with x50 of 0.58 mm and 0.5" in text


def test_json_is_the_same_in_si(folder):
    path = written(folder, sieved(folder))
    done = run(path, "--json")
    assert done.exit_code == 0
    said = json.loads(done.stdout)
    balance = close(read_run(path))
    assert said["status"] == "ok" and said["verdict"] == "good"
    for name in ("closure", "net_per_product", "gross_per_fed", "unaccounted", "product_rate"):
        figure = getattr(balance, name)
        assert said["balance"][name] == {
            "value": figure.value, "u": figure.u, "unit": figure.unit, "how": figure.how, "bound": figure.bound,
        }  # fmt: skip
    assert said["balance"]["heat_to_air"] is None
    assert said["read"]["fed_kg"] == 0.3
    assert said["balance"]["fines"]["fines_q3"] == pytest.approx(balance.fines.fines_q3)
    assert {m["what"] for m in said["missing"]} == {m.what for m in balance.missing}
    assert "config" not in said["read"]


def test_x50_below_the_finest_sieve_is_null_and_said(folder):
    fine = "aperture_mm,retained_g\n0.25,1\n0.125,2\npan,10\n"
    path = written(folder, sieved(folder, content=fine))
    assert json.loads(run(path, "--json").stdout)["balance"]["fines"]["product_x50_m"] is None
    assert "below 0.125 mm" in run(path).stdout


def test_a_balance_that_does_not_close_is_exit_3(folder):
    path = written(folder, ('"262 g"', '"240 g"'))
    done = run(path)
    assert done.exit_code == 3
    assert "Do not calibrate on this run: more than 5 % was lost" in " ".join(done.stdout.split())
    as_json = run(path, "--json")
    assert as_json.exit_code == 3
    assert json.loads(as_json.stdout)["status"] == "check failed"
    more = run(written(folder, ('"262 g"', '"290 g"')))
    assert more.exit_code == 3
    assert "more was found than fed" in more.stdout and "was the mill empty before" in " ".join(more.stdout.split())


def test_amperes_warn_in_the_report(folder):
    warm = ("[temperature]", '[air]\nflow = "40 m3/h"\n[temperature]\noutlet = "41 °C"')
    done = run(written(folder, ('loaded = "430 W"', 'amperes = "2.4 A"\nvolts = "230 V"'), warm))
    flat = " ".join(done.stdout.split())
    assert done.exit_code == 0
    assert "at most 0.421" in flat
    assert "against at most 552 W drawn" in flat
    assert "Note: Loaded: amperes times volts, 552 W, is only the most it can have been" in flat
    assert "Measure watts, or give power_factor" in flat


def test_without_power_the_report_says_so(folder):
    flat = " ".join(run(written(folder, ('idle = "190 W"\nloaded = "430 W"\n', ""))).stdout.split())
    assert "Energy: unknown, the power under load was not measured." in flat
    idle = " ".join(run(written(folder, ('loaded = "430 W"\n', ""))).stdout.split())
    assert "Empty and hot it drew 190 ± 3 W" in idle


@pytest.mark.parametrize("as_json", [False, True])
def test_errors_are_lines_and_code_2(folder, as_json):
    path = written(folder, ('"262 g"', '"310 g"'), ('"430 W"', '"180 W"'))
    done = run(path, *["--json"] * as_json)
    assert done.exit_code == 2
    lines = done.stderr.splitlines()
    assert len(lines) == 2
    assert all(line.startswith("Error: ") for line in lines)
    assert "310 g came out, more than the 300 g fed" in lines[0]
    assert "Traceback" not in done.output
    if as_json:
        said = json.loads(done.stdout)
        assert said["exit_code"] == 2
        assert [p["key"] for p in said["problems"]] == ["masses.product", "power.loaded"]
    else:
        assert done.stdout == ""


def test_help_names_the_demo():
    done = run("--help")
    assert done.exit_code == 0
    assert "demo_run.toml" in done.stdout


def test_demo_run_is_invented_good_and_complete(demo):
    text = DEMO.read_text(encoding="utf-8")
    assert "INVENTED" in "".join(text.splitlines(keepends=True)[:3])
    measured = read_run(demo)
    (assumed,) = measured.assumed
    assert "what the motor takes without it was not measured" in assumed
    assert measured.warnings == ()
    balance = close(measured)
    assert balance.verdict == "good"
    assert balance.doubts == ()
    missing = {
        "sieve sheet of the charge left inside",
        "power of the motor alone",
        "temperature of the powder that leaves",
    }
    assert {m.what for m in balance.missing} == missing
    done = run(demo)
    assert done.exit_code == 0
    assert "3.451 ± 0.003 kg/h" in " ".join(done.stdout.split())  # 1150.4 g in 20 min


def test_keys_in_comments_of_the_demo_are_right(demo):
    """What the demo shows as an alternative, uncommented, is accepted."""
    text = DEMO.read_text(encoding="utf-8")
    swaps = (('how = "metered"', 'how = "as much as it took"'), ("# limit =", "limit ="), ("# energy =", "energy ="))
    for old, new in (*swaps, ('loaded = "1305 W"', "")):
        assert old in text, old
        text = text.replace(old, new, 1)
    demo.write_text(text, encoding="utf-8")
    measured = read_run(demo)
    assert measured.limit == "shaft power"
    assert measured.loaded_W == pytest.approx(1305.0)
