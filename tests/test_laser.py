"""Sheets of laser diffraction: told from sieve sheets by plain rules, read as what they are, refused where they cannot
be right; and what a measured run makes of them."""

import json
import math

import numpy as np
import pytest
from click.testing import CliRunner
from helpers import HAND
from runsheets import SIEVED, mill_in, run_of, sieved
from test_runsheet import WIDE

from millsim.base.numerics import psd
from millsim.base.reading.lasernames import find_names
from millsim.base.reading.sheet import parse_sheet
from millsim.commands.main import cli
from millsim.errors import InputError
from millsim.learn.calibration import observations as obs
from millsim.learn.calibration.repeats import changed, repeated
from millsim.learn.measured.lasersizes import AS_SIEVED, SHARES
from millsim.show.words.short import MOST_LINES

# Limits of 78 classes, um, and a log-normal powder: x10, x50 and x90 are 148, 300 and 608 um.
X = np.geomspace(0.02, 2000, 79).round(4)
Q = np.round(psd.lognormal_cdf(X, 300.0, 0.55), 8)
Q[-1] = 1.0
VOLUME = np.round(100 * np.diff(Q), 7)
TRUE = [1e-6 * psd.lognormal_x(p, 300.0, 0.55) for p in (0.1, 0.5, 0.9)]


def table(head, *columns, join=","):
    """A sheet of columns under a head."""
    rows = (join.join("" if v is None else v if isinstance(v, str) else f"{v:.10g}" for v in row)
            for row in zip(*columns, strict=True))  # fmt: skip
    return "\n".join([head, *rows]) + "\n"


CLASSES = table("lower_um,upper_um,volume_percent", X[:-1], X[1:], VOLUME)


def edited(line, *cells):
    """The sheet of classes with other cells in a line."""
    lines = CLASSES.splitlines()
    lines[line - 1] = ",".join(cells)
    return "\n".join(lines)


MIDDLES = np.sqrt(X[:-1] * X[1:])
SHEETS = {
    "limits and volume": CLASSES,
    "above it a page of words and a date": "Sample,offcuts\n25.03.2025,12:33\nD [4;3],350 um\n\n" + CLASSES,
    "and words below": CLASSES + "Operator,AB\nobscuration,4 %\n",
    "undersize": table("size um,volume undersize %", X, 100 * Q),
    "cumulative, coarse to fine": table("Diameter (µm),Cumulative volume (%)", X[::-1], 100 * Q[::-1]),
    "cumulative oversize": table("x [µm];Volume oversize [%]", X, 100 * (1 - Q), join=";"),
    "cumulative and not said so": table("size (micron),volume (%)", X, 100 * Q),
    "shares of one": table("x mm,q3 1/mm,Q3 by volume", X / 1e3, X, Q),
    "per cent by mass of one density": table("laser diffraction,\nsize um,Q3 %", X, 100 * Q),
    "upper limits": table("upper limit um,vol %", X[1:], VOLUME),
    "lower limits and an empty end": table("size um,volume %", X, [*VOLUME, None]),
    "upper limits and an empty start": table("size um,volume %", X, [None, *VOLUME]),
    "middles": table("mean diameter nm\tvolume %", 1e3 * MIDDLES, VOLUME, join="\t"),
    "decimal commas, units below": table("Size;Volume;Undersize by volume\nµm;%;%", X[1:], VOLUME, 100 * Q[1:],
                                         join=";").replace(".", ","),
    "Laserbeugung": table("Laserbeugung;\nuntere µm;obere µm;Volumen %", X[:-1], X[1:], VOLUME, join=";"),
    "a number distribution beside it": table("from um,to um,number %,volume %", X[:-1], X[1:], VOLUME[::-1], VOLUME),
    "classes and undersize": table("low um,high um,volume %,undersize %", X[:-1], X[1:], VOLUME, 100 * Q[1:]),
    "classes and oversize": table("low um,high um,volume over %", X[:-1], X[1:], 100 * (1 - Q[:-1])),
}  # fmt: skip


@pytest.mark.parametrize("name", SHEETS)
def test_whatever_the_columns_the_curve_is_the_same(name):
    sheet = parse_sheet(SHEETS[name], "laser.csv")
    assert sheet.by_laser and sheet.classes in (77, 78) and "laser diffraction" in sheet.said[0]
    assert sheet.q3[-1] == 1.0 and sheet.closed() == (sheet.apertures_m, sheet.q3)
    tolerance = 2e-3 if name == "middles" else 1e-6
    np.testing.assert_allclose(psd.q_at(sheet.apertures_m, sheet.q3, X * 1e-6), Q, rtol=0, atol=tolerance)
    found = psd.x_at(sheet.apertures_m, sheet.q3, (0.1, 0.5, 0.9))
    np.testing.assert_allclose(found, TRUE, rtol=1e-2)
    if name != "middles":  # as the instrument has them, rounded to no series
        assert set(np.round(np.array(sheet.apertures_m) * 1e6, 4)) <= set(X)
    assert sheet.loss_share is None and sheet.sum_g is None


@pytest.mark.parametrize(
    "title", ["Sample;offcuts", "Date;2025-03-01", "Laser diffraction;run 3", "Operator;me\nSample;b"]
)
def test_a_title_is_no_part_of_the_names_below_it(title):
    rows = [title, "upper limit (um);Volume in %", "10;20", "100;50", "1000;30"]
    header = find_names([(n, line) for row in rows for n, line in enumerate(row.split("\n"))])
    assert [c.name for c in header.columns] == ["upper limit (um)", "Volume in %"]


@pytest.mark.parametrize("above", ["Upper;Volume", "Size;Share", "upper limit;volume"])
def test_names_in_two_lines_belong_together(above):
    header = find_names(list(enumerate([above, "um;%", "10;20", "100;50", "1000;30"])))
    assert [c.name for c in header.columns] == [f"{a} {b}" for a, b in zip(above.split(";"), ("um", "%"), strict=True)]


def test_which_kind_of_sheet_it_is():
    assert not parse_sheet("laser-cut offcuts,\n" + HAND, "s").by_laser  # offcuts of a laser cutter are sieved too
    assert not parse_sheet("sieve mm;finer %\n2;100\n1;60\n0.5;20\n", "s").by_laser
    plain = table("size um,undersize %", X, 100 * Q)
    with pytest.raises(InputError, match=r"nobody makes a test sieve.*laser diffraction\?.*--method laser"):
        parse_sheet(plain, "s")
    assert parse_sheet(plain, "s", method="laser").classes == 78
    assert parse_sheet(plain + "method,laser diffraction\n", "s").classes == 78
    coarse = table("size um,volume undersize %", [100, 200, 400, 800, 1600, 3200], [0, 20, 50, 80, 95, 100])
    assert parse_sheet(coarse, "s").by_laser
    with pytest.raises(InputError, match="reading"):
        parse_sheet(coarse.replace("undersize ", ""), "s", method="sieves")
    assert not parse_sheet(coarse.replace("undersize ", ""), "s", method="sieves", reading="passing").by_laser


ONE = "size um,volume %"
BAD = {
    "which limit": (table(ONE, X[1:], VOLUME), ["lower or upper limits", "--limit lower|upper|middle"]),
    "no unit": (table("size,volume %", X, 100 * Q), ["'size' has no unit", "--aperture um|mm"]),
    "sizes that do not rise": (table("size um,volume undersize %", [1, 2, 4, 3, 8, 16], [0, 10, 20, 40, 80, 100]),
                               ["line 5", "3 um follows 4 um", "must rise"]),
    "a size twice": (table("size um,volume undersize %", [1, 2, 2, 4, 8, 16], [0, 10, 20, 40, 80, 100]),
                     ["2 um follows 2 um"]),
    "undersize that falls": (table("size um,volume undersize %", [1, 2, 4, 6, 8, 16], [0, 10, 30, 20, 80, 100]),
                             ["30 % finer than 4 um", "20 % finer than 6 um"]),
    "a sum far off": (table("from um,to um,volume %", X[:-1], X[1:], 0.9 * VOLUME), ["sum to 90 %", "100, within 1 %"]),
    "undersize that ends early": (table("size um,volume undersize %", X, 90 * Q), ["end at 90 %", "rows missing"]),
    "oversize that ends early": (table("size um,volume oversize %", X[:50], 100 * (1 - Q[:50])),
                                 ["coarser than the last size"]),
    "shares said to be per cent": (table("lower um,upper um,volume %", X[:-1], X[1:], VOLUME / 100),
                                   ["sum to 1 %", "--unit share"]),
    "negative": (edited(2, "0.02", "0.0232", "-0.1"), ["line 2", "-0.1 in column 'volume_percent' is negative"]),
    "not a number": (edited(2, "0.02", "0.0232", "nan"), ["line 2", "'nan'", "is not a number"]),
    "no size": (edited(30, "abc", "4", "1"), ["line 30", "'abc' is no size"]),
    "a gap": ("\n".join(CLASSES.splitlines()[:40] + CLASSES.splitlines()[41:]), ["line 41", "the class begins at"]),
    "no width": (table("lower um,upper um,volume %", X[:-1], X[:-1], VOLUME), ["has no width"]),
    "too large": (table("size m,volume undersize %", X, 100 * Q), ["beyond any such instrument", "check the unit"]),
    "open at the top": (table("lower um,volume %", X[:-1], np.full(78, 100 / 78)), ["no upper limit", "add a row"]),
    "an empty volume": (edited(2, "0.02", "0.0232", ""), ["a class has no volume"]),
    "a mesh": (CLASSES, ["not in mesh"], {"aperture": "mesh"}),
    "grams": (CLASSES, ["not in g", "percent or share"], {"unit": "g"}),
    "a few rows": (table("size um,volume undersize %", [1, 2, 4], [0, 40, 100]), ["3 rows only"]),
    "two samples": (table("lower um,upper um,volume 1 %,volume 2 %", X[:-1], X[1:], VOLUME, VOLUME),
                    ["several columns hold volumes"]),
    "mass beside volume": (table("size um,volume undersize %,retained g", X, 100 * Q, X),
                           ["holds mass beside volume", "two kinds mixed"]),
    "a pan": (CLASSES + "pan,,0.5\n", ["a row pan belongs to sieves"]),
    "middles and undersize": (table("mean size um,volume undersize %", X, 100 * Q), ["middles of classes"]),
    "thousands": (table("upper um;volume %", [1, 2, 4, 8, 16, 32], ["1.5", "9,5", "20", "40", "20", "9"], join=";"),
                  ["'9,5'", "--decimal point|comma"]),
    "only numbers of particles": (table("lower um,upper um,number %", X[:-1], X[1:], VOLUME),
                                  ["no line names"], {"method": "laser"}),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_what_cannot_be_is_told_with_what_to_do(name):
    text, told, answers = (*BAD[name], {})[:3]
    with pytest.raises(InputError) as caught:
        parse_sheet(text, "laser.csv", **answers)
    for words in told:
        assert words in str(caught.value)
    assert all(p.where == "laser.csv" for p in caught.value.problems)


def test_a_limit_can_be_answered_and_its_end_is_open():
    text = table(ONE, X[1:], VOLUME)
    upper, lower = (parse_sheet(text.replace(f"{VOLUME[-1]:.10g}", "0"), "s", limit=w) for w in ("upper", "lower"))
    assert upper.apertures_m == lower.apertures_m and upper.q3[:-1] == pytest.approx(lower.q3[1:], abs=1e-12)
    fine = parse_sheet(table("upper um,volume %", [1, 2, 4, 8, 16, 32], [10, 10, 20, 20, 20, 20]), "s")
    assert fine.q3[0] == pytest.approx(0.1) and fine.classes == 6  # finer than 1 um: how fine is not known
    assert math.isnan(psd.x_at(fine.apertures_m, fine.q3, 0.05))


def sieve(*args):
    return CliRunner().invoke(cli, ["sieve", *map(str, args)])


def test_the_answer_says_what_it_was_read_as(tmp_path):
    path = tmp_path / "laser.csv"
    path.write_text(CLASSES)
    short, full = sieve(path, "--window", "100 um:500 um"), sieve(path, "--full")
    for result in (short, full):
        told = " ".join(result.stdout.split())
        for words in ("Read as: Laser diffraction: diameters of spheres that scatter alike, 78 classes up to 2000 µm",
                      "taken as mass: one density", "x10 0.147 mm ± 5 %", "x50 0.300 mm ± 3 %", "x90 0.608 mm ± 5 %",
                      "flakes and long chips come out larger by light", "D[4,3], mean by mass 0.350 mm"):  # fmt: skip
            assert words in told
        for words in ("charge", "sieves with", "The pan"):
            assert words not in told
    assert len(short.stdout.splitlines()) <= MOST_LINES and "limits with 1 % < Q3 < 99 %" in " ".join(
        full.stdout.split()
    )
    (said,) = json.loads(sieve(path, "--json").stdout)["sheets"]
    assert (said["method"], said["classes"], len(said["limits"])) == ("laser diffraction", 78, 79)
    assert said["x50_m"]["repeats_within"] == 0.03 and "sieves" not in said
    assert said["fits"]["lognormal"]["shape"] == pytest.approx(0.55, rel=0.01)
    # D[p,q] of a log-normal law: x50 exp(+- sigma^2 / 2).
    assert said["d43_m"]["value"] == pytest.approx(3e-4 * math.exp(0.55**2 / 2), rel=5e-3)
    assert said["d32_m"]["value"] == pytest.approx(3e-4 * math.exp(-(0.55**2) / 2), rel=5e-3)
    path.write_text(table("size um,volume undersize %", X[30:] / 100, 100 * Q[30:]))
    assert json.loads(sieve(path, "--json").stdout)["sheets"][0]["x50_m"]["repeats_within"] == 0.06  # below 10 um


def test_answers_of_the_other_kind_are_refused(tmp_path):
    laser, sheet = tmp_path / "laser.csv", tmp_path / "sheet.csv"
    laser.write_text(CLASSES)
    sheet.write_text(HAND)
    for path, *flags in (
        (laser, "--charge", "50 g"),
        (laser, "--sort"),
        (laser, "--pan", "lost"),
        (sheet, "--limit", "upper"),
    ):
        result = sieve(path, *flags)
        assert result.exit_code == 2 and f"{flags[0]}: is for a sheet of" in result.stderr


def test_the_two_kinds_are_not_set_side_by_side(tmp_path):
    laser, sheet = tmp_path / "laser.csv", tmp_path / "sheet.csv"
    laser.write_text(CLASSES)
    sheet.write_text(HAND)
    for args in ((laser, sheet), (laser, "--against", sheet)):
        result = sieve(*args)
        assert result.exit_code == 2 and "laser.csv: is of laser diffraction, sheet.csv of sieves" in result.stderr
    mill = mill_in(tmp_path)
    text = (mill / "demo.toml").read_text().replace("offcuts_sieve.csv", "laser.csv")
    (mill / "demo.toml").write_text(text)
    (mill / "laser.csv").write_text(CLASSES)
    result = CliRunner().invoke(cli, ["check", str(mill / "demo.toml")])
    assert (
        result.exit_code == 2 and "laser diffraction, whose sizes are no sieve sizes; sieve the feed" in result.stderr
    )


# --- measured runs -----------------------------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path):
    return mill_in(tmp_path)


def test_a_run_takes_few_sizes_and_keeps_its_percentiles(folder):
    other = table("size um,volume undersize %", X * 1.1, 100 * Q)
    (folder / "b.csv").write_text(other)
    change = sieved(folder, content=CLASSES)
    both = (change[0], change[1].replace('"sheet.csv"', '["sheet.csv", "b.csv"]'))
    one, two = run_of(change, WIDE, folder=folder), run_of(both, WIDE, folder=folder)
    (sheet,) = one.product_sheets
    assert len(sheet.apertures_m) == len(SHARES) and sheet.classes == 78
    np.testing.assert_allclose(sheet.q3, SHARES, atol=1e-12)
    np.testing.assert_allclose(psd.x_at(sheet.apertures_m, sheet.q3, (0.1, 0.5, 0.9)), TRUE, rtol=1e-2)
    a, b = two.product_sheets
    assert a.apertures_m == b.apertures_m and all(x >= y for x, y in zip(a.q3, b.q3, strict=True))
    np.testing.assert_allclose(np.mean([a.q3, b.q3], axis=0), SHARES, atol=1e-12)
    assert any("laser diffraction stand for sieve sizes within ± 20 %" in s for s in one.assumed)
    assert any("larger by light" in s for s in one.warnings)
    assert one.sha256 != two.sha256


def test_the_two_kinds_are_not_added_up(folder):
    (folder / "b.csv").write_text(SIEVED)
    change = sieved(folder, content=CLASSES)
    for names in ('product = ["sheet.csv", "b.csv"]', 'product = "sheet.csv"\nbag = "b.csv"'):
        with pytest.raises(InputError, match="sieves and of laser diffraction are mixed"):
            run_of((change[0], change[1].replace('product = "sheet.csv"', names)), WIDE, folder=folder)


def test_runs_of_the_two_kinds_are_no_repeats(folder):
    laser = run_of(sieved(folder, content=CLASSES), WIDE, folder=folder)
    mesh = run_of(sieved(folder, "s.csv"), WIDE, folder=folder)
    assert (laser.sized_by, mesh.sized_by, run_of().sized_by) == ("laser diffraction", "sieves", "")
    for ask in (lambda: repeated([laser, mesh]), lambda: changed([laser], [mesh])):
        with pytest.raises(
            InputError, match="sizes by sieves do not tell a difference from sizes by laser diffraction"
        ):
            ask()


def test_errors_of_laser_sizes():
    # With dQ3/dln x = 1 an error of Q3 is one of ln x: 20 % for what the shape does, and at x10, x50 and x90 the 5, 3
    # and 5 % of ISO 13320; all of it alike at x10 and x90 but for the width.
    shared = obs.laser_shared(np.array([0.1, 0.5, 0.9]), np.ones(3))
    covariance = obs.cross(shared, shared)
    expected = [math.hypot(AS_SIEVED, e) for e in (0.05, 0.03, 0.05)]
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)), expected, rtol=1e-9)
    assert covariance[0, 2] == pytest.approx(AS_SIEVED**2 + 0.03**2 - 0.04**2, rel=1e-9)
    assert obs.apertures_shared(np.zeros(1), np.ones(1))[0].loading == pytest.approx(obs.APERTURE)
