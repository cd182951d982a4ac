"""`millsim sieve` as a user meets it: reports, questions with their flags, refusals, files, exit codes."""

import csv
import json
import math
from pathlib import Path

import pytest
from click.testing import CliRunner
from helpers import HAND

from millsim.commands.main import cli

CONFIGS = Path(__file__).parents[1] / "configs"


def run(*args):
    return CliRunner().invoke(cli, ["sieve", "--full", *(str(a) for a in args)])


@pytest.fixture
def sheet(tmp_path):
    """Writes a sheet and gives its path."""

    def write(text, name="powder.csv"):
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return write


def rows_of(result):
    """The words of each line."""
    return [line.split() for line in result.stdout.splitlines()]


def one_error(result):
    """The only line of a refusal."""
    assert result.exit_code == 2 and result.stdout == ""
    lines = [line for line in result.stderr.splitlines() if line.startswith("Error: ")]
    assert len(lines) == 1 and "Traceback" not in result.output
    return lines[0]


def test_the_hand_sheet_is_echoed_and_told(sheet):
    # Journey J2: sum 49.55, loss 0.9 %, Q3(0.50 mm) 39.9 %, x10/x50/x90 0.2285/0.580/1.2165 mm, span 1.70,
    # RRSB n about 1.95 and x' about 0.78 mm.
    result = run(sheet(HAND), "--window", ":0.5 mm")
    assert result.exit_code == 0 and result.stderr == ""
    rows = rows_of(result)
    assert ["500", "11.90", "24.02", "39.86"] in rows and ["pan", "0.55", "1.11"] in rows
    assert ["sum", "49.55", "100.00"] in rows and ["charge", "50.00"] in rows
    assert ["x50", "0.580", "mm", "0.576", "mm"] in rows
    for words in (
        "half of it by mass is finer than 0.580 mm, 90 % is finer than 1.216 mm",
        "Loss: 0.45 g, 0.9 % of the charge (99.1 % found again: good)",
        "Sizes by mass, log-linear between sieves, never extrapolated",
        "unweighted least squares over the 10 sieves",
        "x' 0.779 mm     n 1.95       +7.3 at 0.710 mm",
        "RRSB fits best",
        "D[4,3] is the mean of x over the mass",
        "The pan (1.1 %) counts as anything from 0 to 90 µm",
        "so D[3,2] has an upper bound only",
        "Finer than 0.500 mm: 39.9 % of the mass",
    ):
        assert words in " ".join(result.stdout.split()) or words in result.stdout
    assert ["x10", "0.228", "mm", "0.218", "mm"] in rows
    # By hand, classes uniform in x: sum of share times middle 0.6437 mm, and 1.2 % at 2 mm at least: 0.668 mm. Sum of
    # share times ln(ratio)/width 2.1447, and 1.1 % at 0.09 mm at most: 2.2681 per mm, whose inverse is 0.441 mm.
    assert ["D[4,3],", "mean", "by", "mass", "at", "least", "0.668", "mm"] in [r[:8] for r in rows]
    assert ["D[3,2],", "Sauter", "at", "most", "0.441", "mm"] in [r[:6] for r in rows]


def test_json_says_the_same_in_si(sheet):
    result = run(sheet(HAND), "--json", "--window", "0.18 mm:1 mm")
    answer = json.loads(result.stdout)
    assert result.stderr == "" and answer["status"] == "ok" and answer["against"] is None
    (said,) = answer["sheets"]
    assert said["sum_g"] == pytest.approx(49.55) and said["loss_share"] == pytest.approx(0.009)
    assert said["x50_m"]["value"] == pytest.approx(0.5798e-3, rel=1e-4) == said["x50_m"]["low"]
    assert said["x10_m"]["if_loss_fine"] < said["x10_m"]["value"] == pytest.approx(0.2285e-3, rel=1e-3)
    assert said["d32_m"] == {"value": None, "low": 0.0, "high": pytest.approx(0.4409e-3, rel=1e-4)}
    assert said["d43_m"]["high"] is None and said["d43_m"]["low"] == pytest.approx(0.6679e-3, rel=1e-4)
    assert said["fits"]["rrsb"]["shape"] == pytest.approx(1.953, abs=1e-3) and said["best_fit"] == "rrsb"
    assert said["window"]["least_share"] == pytest.approx(0.83653 - 0.05752, abs=1e-5)
    assert said["sieves"][4] == {
        "aperture_m": 0.000355, "given": "0.355", "retained_g": 8.7,
        "retained_share": pytest.approx(8.7 / 49.55), "q3": pytest.approx(0.2230, abs=1e-4),
    }  # fmt: skip


def test_mesh_numbers_are_echoed_in_micrometres(sheet):
    rows = rows_of(run(sheet("mesh,retained_g\n18,2\n35,10\n60,5\npan,3\n")))
    assert ["500", "35", "10", "50.0", "40.0"] in rows
    assert any("add a row charge,<mass>" in " ".join(r) for r in rows)


DISHONEST = {  # journey J12 and its likes: text, words of the one sentence
    "a: sum above the charge": (HAND.replace("11.90", "15.45"), ["53.1 g", "charge of 50 g"]),
    "b: order swapped": ("aperture_mm,passing_%\n2,2\n1,20\n0.5,60\n", ["60 % passes 500 um", "--sort"]),
    "c: no pan": (HAND.replace("pan,0.55\n", "").replace("8.70", "3.25"), ["6.45 g, 12.9 % of the charge", "--pan"]),
    "f: mesh and um mixed": ("mesh,retained_g\n35,2\n500,2\npan,1\n", ["500", "mesh number", "um", "--aperture"]),
    "h: empty": ("", ["is empty", "for example"]),
    "h: only a header": ("aperture_mm,retained_g\n", ["no sieve row"]),
    "h: not a number": (HAND.replace("0.60", "NaN"), ["line 2", "'NaN' is not a number"]),
    "no unit": (HAND.replace("aperture_mm", "aperture"), ["no unit", "--aperture"]),
}


@pytest.mark.parametrize("name", DISHONEST)
@pytest.mark.parametrize("flag", [[], ["--json"]])
def test_dishonest_data_end_in_one_sentence(sheet, name, flag):
    text, words = DISHONEST[name]
    path = sheet(text)
    result = run(path, *flag)
    if flag:
        answer = json.loads(result.stdout)
        assert answer["exit_code"] == 2 and answer["problems"][0]["where"] == str(path)
        return
    line = one_error(result)
    for word in (str(path), *words):
        assert word in line


def test_a_swapped_sheet_is_shown_and_re_sorted_when_told(sheet):
    path = sheet("aperture_mm,passing_%\n2,2\n1,20\n0.5,60\n")
    asked = run(path)
    assert [line.split() for line in asked.stderr.splitlines()][3:6] == [
        ["2000", "2", "%"], ["1000", "20", "%"], ["500", "60", "%"]]  # fmt: skip
    sorted_, oversize = run(path, "--sort"), run(path, "--reading", "oversize")
    assert "as --sort says" in sorted_.stdout
    assert ["2000", "40.0", "60.0"] in rows_of(sorted_) and ["2000", "2.0", "98.0"] in rows_of(oversize)


def test_an_answered_pan_bounds_x10_both_ways(sheet):
    path = sheet("aperture_mm,retained_g\n1,10\n0.5,20\n0.25,14\ncharge,50\n")
    for pan, used in (("lost", "loss of all sizes alike (used)"), ("passed", "loss all finer than 0.250 mm (used)")):
        result = run(path, "--pan", pan)
        assert result.exit_code == 0 and used in result.stdout
        (x10,) = [line.split("x10")[1].split() for line in result.stdout.splitlines() if line.startswith("  x10")]
        assert x10 == ["0.311", "mm", "<", "0.250", "mm"]
    assert "loss of 12 %, too much to trust" in " ".join(run(path, "--pan", "lost").stdout.split())
    assert run(path, "--pan", "5.9 g").exit_code == 0


def test_all_finer_than_the_finest_sieve_gives_bounds_only(sheet):
    result = run(sheet("aperture_mm,retained_g\n0.25,0\n0.09,0\npan,49.8\ncharge,50\n"))
    assert result.exit_code == 0
    assert "x10, x50 and x90 < 90 µm. Use finer sieves." in result.stdout
    assert "Too few sieves part the powder to fit" in result.stdout and "nan" not in result.stdout


def test_the_mixed_column_is_read_as_answered(sheet):
    path = sheet("mesh,retained_g\n35,2\n500,2\npan,1\n")
    assert ["500", "35", "2", "40.0", "60.0"] in rows_of(run(path, "--aperture", "mesh"))
    assert run(path, "--aperture", "um").exit_code == 0
    cells = run(sheet("mesh,retained_g\n35,2\n250 um,2\npan,1\n", "cells.csv"))
    assert cells.exit_code == 0 and "250 um" in cells.stdout


def test_replicates_and_a_second_kind(sheet):
    # Two sieves, x50 set by the share below 0.5 mm; numbers of journey J10 in um.
    def powder(x50_um, name):
        share = math.log(x50_um / 500) / math.log(710 / 500)
        below, inside = 50 - 20 * share, 20.0
        rows = f"500,{inside}\n710,{100 - below - inside}\npan,{below}\n"
        return sheet(f"aperture_um,retained_g\n{rows}", name)

    a = [powder(x, f"a{x}.csv") for x in (610, 655, 590)]
    b = [powder(x, f"b{x}.csv") for x in (560, 620, 545)]
    result = run(*a)
    assert result.exit_code == 0
    for words in ("0.610 mm", "0.655 mm", "0.590 mm", "mean 0.618 mm", "scatters by 33.3 µm (5.4 %"):
        assert words in result.stdout
    against = [part for path in b for part in ("--against", path)]
    text = " ".join(run(*a, *against).stdout.split())
    assert "probably finer, but it is not settled: the chance of being finer is 89 %" in text
    assert "One more sheet of each would not settle it" in text and "scatters by 36.6 µm" in text
    said = json.loads(run(*a, *against, "--json").stdout)
    assert said["against"]["probability_against_is_finer"] == pytest.approx(0.8895, abs=2e-4)
    assert said["x50_scatter"]["mean_m"] == pytest.approx(618.33e-6, rel=1e-5) and len(said["sheets"]) == 3
    assert "three runs" in one_error(run(a[0], "--against", b[0]))


def test_problems_of_all_sheets_at_once(sheet):
    result = run(sheet("", "one.csv"), sheet("aperture_mm,retained_g\n1,2\n", "two.csv"), "no.csv")
    assert result.exit_code == 2
    for words in ("one.csv: is empty", "two.csv: has no pan row", "no.csv: cannot be read"):
        assert words in result.stderr


@pytest.mark.parametrize(
    ("window", "words"),
    [
        ("500 um", "is not a window"),
        (":", "is not a window"),
        ("1 mm:500 um", "does not go from finer to coarser"),
        ("150:500", "has no unit"),
        ("150 g:500 um", "measures mass, not length"),
    ],
)
def test_windows_that_are_none(sheet, window, words):
    line = one_error(run(sheet(HAND), "--window", window))
    assert words in line and "150 um:500 um" in line


def test_window_beyond_the_sieves_is_a_range(sheet):
    text = " ".join(run(sheet(HAND), "--window", "50 um:0.5 mm").stdout.split())
    assert "Between 50 µm and 0.500 mm: 38.7 to 39.9 % of the mass; finer 0.0 to 1.1 %; coarser 60.1 %." in text
    assert "A range stands where a limit lies beyond the sieves." in text


def test_table_and_figures_are_kept_and_never_overwritten(sheet, tmp_path):
    path = sheet(HAND)
    out, figures = tmp_path / "table.csv", tmp_path / "figs"
    result = run(path, "--csv", out, "--plots", figures)
    assert result.exit_code == 0 and "Written" in result.stderr and "3 figures" in result.stderr
    with out.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 11 and rows[5]["aperture [um]"] == "355"
    assert float(rows[5]["Q3 [%]"]) == pytest.approx(22.3007, abs=1e-4)
    assert sum(float(r["retained [%]"]) for r in rows) == pytest.approx(100)
    assert {p.name for p in figures.iterdir()} == {"sieve_cumulative.png", "sieve_density.png", "sieve_rrsb_net.png"}
    first = (figures / "sieve_density.png").read_bytes()
    for option, target in (("--csv", out), ("--plots", figures)):
        assert "exist already" in one_error(run(path, option, target)).replace("exists", "exist")
    assert run(path, "--csv", out, "--plots", figures, "--force").exit_code == 0
    assert (figures / "sieve_density.png").read_bytes() == first  # the same bytes every time
    assert "is the sheet itself" in one_error(run(path, "--csv", path, "--force"))
    assert path.read_text(encoding="utf-8") == HAND


def test_the_shipped_product_sheet():
    # Invented data: made to suit the demo mill with its 0.6 mm holes, loss under 1 %.
    (said,) = json.loads(run(CONFIGS / "demo_product_sieve.csv", "--json").stdout)["sheets"]
    assert 0 < said["loss_share"] < 0.01 and said["warnings"] == []
    assert said["x50_m"]["value"] == pytest.approx(0.30e-3, rel=0.03)
    assert said["x90_m"]["value"] == pytest.approx(0.48e-3, rel=0.03)
    assert "Invented" in (CONFIGS / "demo_product_sieve.csv").read_text(encoding="utf-8").splitlines()[0]
