"""`millsim energy` against worked examples of textbooks: 0.1 % of the recomputed, 0.5 % of the printed value.

The laws themselves are tested in test_size_laws; here the examples go through the command and its units.
"""

import json

import pytest
from click.testing import CliRunner

from millsim.commands.main import cli

HP_W = 745.6999
SHORT_TON_KG = 907.18474


def energy(*words):
    done = CliRunner().invoke(cli, ["energy", *words, "--json"])
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)["laws"]


def test_coulson_richardson_2_1():
    # Coulson & Richardson vol. 2, example 2.1 (seen in the FOSSEE companion): 13.0 kJ/kg takes 50 to 10 mm; 75 to
    # 25 mm? Printed 4.33 (Rittinger) and 8.88 (Kick, from a rounded constant) kJ/kg.
    laws = energy("--from", "50 mm:10 mm", "--energy", "13 kJ/kg", "--to", "75 mm:25 mm")
    assert laws["rittinger"]["energy_J_kg"] == pytest.approx(4333.333, rel=1e-3)
    assert laws["rittinger"]["energy_J_kg"] == pytest.approx(4330, rel=5e-3)
    assert laws["kick"]["energy_J_kg"] == pytest.approx(8873.881, rel=1e-3)
    assert laws["kick"]["energy_J_kg"] == pytest.approx(8880, rel=5e-3)
    assert laws["kick"]["energy_kWh_kg"] == pytest.approx(8873.881 / 3.6e6, rel=1e-3)
    assert laws["rittinger"]["energy_J_kg"] < laws["bond"]["energy_J_kg"] < laws["kick"]["energy_J_kg"]


def test_geankoplis_14_5_1():
    # Geankoplis, example 14.5-1 (seen in the FOSSEE companion): 10 short tons/h, 80 % passing 3 in to 1/8 in, work
    # index 12.68 kWh per short ton; printed 24.1 hp, SI form 17.91 kW.
    index = f"{12.68 / SHORT_TON_KG:.12g} kWh/kg"
    laws = energy("--work-index", index, "--to", "76.2 mm:3.175 mm", "--rate", f"{10 * SHORT_TON_KG} kg/h")
    assert laws["bond"]["power_W"] == pytest.approx(17909.9, rel=1e-3)
    assert laws["bond"]["power_W"] / HP_W == pytest.approx(24.1, rel=5e-3)
    assert list(laws) == ["bond"]


def test_mccabe_smith_bond():
    # McCabe, Smith (from memory): 100 t/h of limestone, 80 % passing 2 in to 1/8 in, work index 12.74 kWh/t; 169.6 kW.
    laws = energy("--work-index", "0.01274 kWh/kg", "--to", "50.8 mm:3.175 mm", "--rate", "100000 kg/h")
    assert laws["bond"]["power_W"] == pytest.approx(169573.8, rel=1e-3)
    assert laws["bond"]["power_W"] == pytest.approx(169600, rel=5e-3)


def test_earle_problem_3():
    # R. L. Earle, Unit Operations in Food Processing, problem 3 (statement seen; answers computed for the project):
    # 1 to 0.3 cm costs 11 kJ/kg; 0.1 to 0.01 cm?
    laws = energy("--from", "1 cm:0.3 cm", "--energy", "11 kJ/kg", "--to", "0.1 cm:0.01 cm")
    for law, kJ in {"kick": 21.0374, "rittinger": 424.2857, "bond": 91.0877}.items():
        assert laws[law]["energy_J_kg"] == pytest.approx(1e3 * kJ, rel=1e-3)


def test_course_problem_6():
    # Course problem (statement seen; answers computed): 0.8 to 0.4 cm costs 12 kJ/kg; what do 10 kJ/kg make of 0.6 cm?
    laws = energy("--from", "0.8 cm:0.4 cm", "--energy", "12 kJ/kg", "--to", "0.6 cm", "--spend", "10 kJ/kg")
    for law, cm in {"kick": 0.33674, "bond": 0.35561, "rittinger": 0.36923}.items():
        assert laws[law]["size_m"] == pytest.approx(cm / 100, rel=1e-3)


def test_one_law_and_the_words():
    done = CliRunner().invoke(
        cli, ["energy", "--law", "kick", "--from", "50 mm:10 mm", "--energy", "13 kJ/kg", "--to", "75 mm:25 mm"]
    )
    assert done.exit_code == 0
    assert "8.874" in done.stdout
    assert "Rittinger" not in done.stdout
    assert "A cross-check" in done.stdout
    assert "Known: from 50 mm to 10 mm costs 13 kJ/kg." in done.stdout


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--to", "75 mm:25 mm"], '--from: is missing; for example --from "50 mm:10 mm"'),
        (["--from", "50 mm:10 mm", "--to", "75 mm:25 mm"], "--energy: is missing"),
        (["--from", "10 mm:50 mm", "--energy", "13 kJ/kg", "--to", "75 mm:25 mm"], "the coarse size comes first"),
        (["--from", "50 mm", "--energy", "13 kJ/kg", "--to", "75 mm:25 mm"], "is not two sizes with a colon between"),
        (["--from", "50:10", "--energy", "13 kJ/kg", "--to", "75 mm:25 mm"], 'has no unit'),
        (["--from", "50 mm:10 mm", "--energy", "13", "--to", "75 mm:25 mm"], "units of specific energy: J/kg, kJ/kg"),
        (["--work-index", "12 kJ/kg", "--law", "kick", "--to", "75 mm:25 mm"], "it is Bond's"),
        (["--from", "5 mm:1 mm", "--energy", "1 kJ/kg", "--to", "7 mm:2 mm", "--spend", "1 kJ/kg"], "one size, where"),
    ],
)  # fmt: skip
def test_refusals(words, told):
    done = CliRunner().invoke(cli, ["energy", *words])
    assert done.exit_code == 2
    assert told in done.stderr
    assert done.stdout == ""
