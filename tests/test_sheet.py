"""Sieve sheets: everything a balance and a spreadsheet produce, and one clear message for what cannot be."""

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from millsim.base.numerics import psd
from millsim.base.reading.doubts import Doubt
from millsim.base.reading.sheet import parse_sheet, read_sheet
from millsim.errors import InputError
from millsim.show.words import sieve

HAND = {2.0: 0.60, 1.4: 2.10, 1.0: 5.40, 0.71: 9.80, 0.50: 11.90, 0.355: 8.70, 0.25: 5.30, 0.18: 2.90,
        0.125: 1.60, 0.09: 0.70, "pan": 0.55}  # fmt: skip


def text_of(rows, header="aperture_mm,retained_g", separator=","):
    lines = [header] + [f"{k}{separator}{v}" for k, v in rows.items()]
    return "\n".join(lines) + "\n"


def problems_of(text):
    with pytest.raises(InputError) as caught:
        parse_sheet(text, "sheet.csv")
    return [str(p) for p in caught.value.problems]


def test_hand_checkable_sheet():
    # Worked by hand beforehand: sum 49.55, loss 0.9 %, Q3(0.50 mm) 39.9 %, x50 0.580, x90 1.217 mm.
    sheet = parse_sheet(text_of({**HAND, "charge": "50.00"}), "sheet.csv")
    assert sheet.sum_g == pytest.approx(49.55, abs=1e-12)
    assert sheet.loss_share == pytest.approx(0.009, abs=1e-12)
    assert sheet.apertures_m[:2] == (9e-05, 0.000125) and sheet.retained_g[-1] == 0.60
    assert psd.q_at(sheet.apertures_m, sheet.q3, 0.5e-3) == pytest.approx(0.3986, abs=5e-5)
    found = psd.x_at(sheet.apertures_m, sheet.q3, [0.1, 0.5, 0.9])
    # x10 is 0.2285 mm; the hand said 0.229.
    assert found == pytest.approx([0.22847e-3, 0.5798e-3, 1.2165e-3], rel=1e-4)
    sizes, q3 = sheet.closed()
    assert sizes[-1] == 2.8e-3 and q3[-1] == 1.0 and sizes[:-1] == sheet.apertures_m
    assert sheet.resolution_g == pytest.approx(0.01) and sheet.resolution_share == pytest.approx(0.01 / 49.55)
    # The loss of 0.45 g in the pan: Q3(90 um) = 1.00 / 50; of all sizes alike: 0.55 / 49.55.
    assert sheet.q3_loss_fine[0] == pytest.approx(1.0 / 50, rel=1e-12)
    assert sheet.q3_loss_shared == sheet.q3 and sheet.q3[0] == pytest.approx(0.55 / 49.55, rel=1e-12)
    assert sheet.warnings == ()


@given(st.permutations(list({**HAND, "charge": 50.0}.items())))
def test_the_order_of_rows_does_not_matter(rows):
    assert parse_sheet(text_of(dict(rows)), "s") == parse_sheet(text_of({**HAND, "charge": 50.0}), "s")


MICROMETRES = {k if k == "pan" else f"{k * 1000:g}": v for k, v in HAND.items()}
WRITTEN = {
    "comments, any order": "# a comment\n\n" + text_of(dict(reversed(HAND.items()))) + "# end\n",
    "semicolons, decimal comma": text_of(HAND, "Sieve [mm];Mass (g)", ";").replace(".", ","),
    "tabs": text_of(HAND, "opening mm\tweight g", "\t"),
    "micrometres": text_of(MICROMETRES, "aperture µm,retained g"),
    "greek mu": text_of(MICROMETRES, "aperture_μm,retained_g"),
    "unit in the cell": text_of({k if k == "pan" else f"{k * 1000:g} µm": v for k, v in HAND.items()}),
    "milligrams": text_of({k: f"{v * 1000:g}" for k, v in HAND.items()}, "aperture_mm,retained_mg"),
    "pan as zero": text_of({0 if k == "pan" else k: v for k, v in HAND.items()}),
    "quoted decimal comma": text_of({k: f'"{v}"'.replace(".", ",") for k, v in HAND.items()}),
    "a third column": text_of({k: f"{v},x" for k, v in HAND.items()}, "aperture_mm,retained_g,remark"),
    "sum row": text_of({**HAND, "Sum": 49.55}),
    "empty cells at the end": text_of({k: f"{v},," for k, v in HAND.items()}) + ",,\n",
    "title lines above": "Sieving no. 3, 12 June\nSample;offcuts\nsep=;\n\n"
    + text_of(HAND, "aperture_mm;retained_g", ";"),
    "units under the names": text_of(HAND, "Sieve opening;Retained\nmm;g", ";"),
    "text beside the numbers": text_of({k: f"{v},,a bit oily" for k, v in HAND.items()}),
    "everything quoted": '"aperture (mm)","retained (g)"\n' + "".join(f'"{k}","{v}"\n' for k, v in HAND.items()),
    "kilograms": text_of({k: f"{v / 1000:.5f}" for k, v in HAND.items()}, "aperture_mm,retained_kg"),
    "unit beside the mass": text_of({k: f"{v} g" for k, v in HAND.items()}),
    "finer than the finest": text_of({"<0.09" if k == "pan" else k: v for k, v in HAND.items()}),
    "mesh column before": text_of({f"x,{k}" if k != "pan" else "pan,": v for k, v in HAND.items()},
                                  "Sieve,aperture mm,retained g"),
    "tare columns": text_of({k: f"100,{100 + v},{v}" for k, v in HAND.items()},
                            "aperture mm,empty g,mass full g,retained g"),
    "time, method, diameter": text_of({**HAND, "sieving time": "10 min", "method": "ASTM D1921",
                                       "sieve diameter": "200 mm", "operator": "R. S."}),
}  # fmt: skip


@pytest.mark.parametrize("name", WRITTEN)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
def test_ways_of_writing_one_sheet(name, encoding, tmp_path):
    if encoding == "cp1252" and "μ" in WRITTEN[name]:
        pytest.skip("Latin-1 has only the micro sign")
    path = tmp_path / "sheet.csv"
    path.write_bytes(WRITTEN[name].replace("\n", "\r\n").encode(encoding))
    plain = parse_sheet(text_of(HAND), "sheet.csv")
    sheet = read_sheet(path)
    assert sheet.apertures_m == plain.apertures_m
    assert sheet.q3 == pytest.approx(plain.q3, rel=1e-12)
    assert sheet.path == path


@pytest.mark.parametrize(
    "rows",
    [
        {f"{k} mm" if k == 2.0 else k: f"{v} g" if k == 2.0 else v for k, v in HAND.items()},  # the first row only
        {k if k == "pan" else f"{k} mm": f"{v} g" for k, v in HAND.items()},  # every row
        {k if k == "pan" else f"sieve {k} mm": f"{v} g" for k, v in HAND.items()},
        {k if k == "pan" else f"> {k}mm": f"{v}g" for k, v in HAND.items()},
    ],
)
@pytest.mark.parametrize("header", ["aperture_mm,retained_g", "a title,of two cells\naperture,retained\nmm,(g)"])
def test_rows_with_units_are_no_header(rows, header):
    sheet = parse_sheet(text_of(rows, header), "s")
    assert sheet.q3 == parse_sheet(text_of(HAND), "s").q3
    assert not any("2.0" in words for words in sheet.said)


def test_mesh_rows_with_units_are_no_header():
    sheet = parse_sheet("sieve,retained g\nmesh 18,20 g\nmesh 35,50 g\npan,30 g\n", "s", aperture="mesh")
    assert sheet.apertures_m == (0.0005, 0.001) and sheet.q3 == pytest.approx((0.3, 0.8), rel=1e-12)


def test_names_below_a_title_that_reads_like_names_are_not_joined_to_it():
    sheet = parse_sheet("Sieve analysis,mass of dust\naperture_mm,retained_g\n1,2\npan,2\n", "s")
    assert "(column 'aperture_mm')" in sheet.said[0] and "(column 'retained_g')" in sheet.said[0]


def test_mesh_percent_and_passing():
    retained = parse_sheet("mesh;retained %\n18;20\n35;50\npan;30\n", "s")
    assert retained.apertures_m == (0.0005, 0.001) and retained.q3 == pytest.approx((0.3, 0.8), rel=1e-12)
    assert retained.sum_g is None and retained.loss_share is None
    passing = parse_sheet("mesh;passing %\n18;80\n35;30\n", "s")
    assert passing.q3 == pytest.approx(retained.q3, rel=1e-12)
    whole = parse_sheet("aperture_mm,finer_percent\n1,100\n0.5,30\n", "s")
    assert whole.closed() == (whole.apertures_m, whole.q3)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ["is empty"]),
        ("# only a comment\n,,\n", ["is empty"]),
        ("1,2\n3,4\n", ["no line names the two columns", "--aperture", "--reading", "--unit"]),
        ("aperture,retained_g\n1,2\n", ["no unit", "aperture_mm"]),
        ("aperture_mm,retained\n1,2\n", ["which unit", "retained_g", "--unit"]),
        ("aperture_mm,mass_%\n1,2\n", ["retained on each sieve, or passing it?", "--reading"]),
        ("aperture_mm,passing_g\n1,2\n", ["need the whole", "--charge"]),
        ("colour,retained_g\n1,2\n", ["column 'colour' has no unit", "--aperture"]),
        ("aperture_mm,retained_g\n1,2\n", ["no pan row", "how much passed the finest sieve?"]),
        ("aperture_mm,retained_g\npan,2\n", ["no sieve row"]),
        ("aperture_mm,retained_g\n1,30\n0.5,25\npan,1\ncharge,50\n", ["56 g", "charge of 50 g"]),
        ("aperture_mm,retained_%\n1,60\n0.5,45\npan,1\n", ["106 %", "whole of 100 %"]),
        ("aperture_mm,retained_g\n1,3\n0.5,2\npan,1\nsum,7\n", ["sum row says 7 g", "6 g"]),
        ("aperture_mm,retained_g\n1,0\npan,0\n", ["all amounts are zero"]),
        ("aperture_mm,passing_%\n1,50\n0.5,80\n", ["80 % passes 500 um", "retained instead of passing?"]),
        ("aperture_mm,passing_%\n1,120\n", ["120 % is more than everything"]),
        ("aperture_mm,retained_g\n1000,3\n1500,3\npan,1\n", ["1000 mm", "are these um?", "--aperture"]),
        ("mesh,retained_g\n37,2\npan,1\n", ["line 2", "nearest: 35 and 40"]),
        ("aperture_mm,retained_g\n0,5,1,2\npan,1\n", ["line 2", "semicolons"]),
        ("aperture_mm,retained_g\n1,nan\npan,inf\n", ["line 2", "line 3", "not a number"]),
        ("aperture_mm,retained_g\n1\npan,1\n", ["line 2", "has no value"]),
    ],
)
def test_one_clear_message(text, words):
    message = "\n".join(problems_of(text))
    for word in words:
        assert word in message, message


ONE = "aperture_mm,retained_g\n1,10.0\n0.5,20\npan,5\n"  # Q3 of 1/7 and 5/7, written in other ways below
SAME = [
    ("aperture,retained_g\n1,10\n0.5,20\npan,5\n", {"aperture": "mm"}),
    ("sieve,retained_g\n18,10\n35,20\npan,5\n", {"aperture": "mesh"}),
    ("mesh,retained_g\n1000,10\n500,20\npan,5\n", {"aperture": "um"}),
    ("mesh,retained_g\n18,10\n500 um,20\npan,5\n", {}),
    ("aperture_um,retained_g\n1000,10\nNo. 35,20\npan,5\n", {}),
    ("mesh,retained_g\n#18,10\n#35,20\npan,5\n", {}),
    ("aperture_in,retained_g\n0.0393700787,10\n0.01968503937,20\npan,5\n", {}),
    ("aperture_mm,amount\n1,10\n0.5,20\npan,5\n", {"reading": "retained", "unit": "g"}),
    ("1,10\n0.5,20\npan,5\n", {"aperture": "mm", "reading": "retained", "unit": "g"}),
    ("aperture_mm,oversize g\n1,10\n0.5,30\npan,35\n", {}),
    ("aperture_mm,cumulative retained g\n1,10\n0.5,30\npan,35\n", {}),
    ("aperture_mm,retained_g\n1,10\n0.5,30\npan,35\n", {"reading": "oversize"}),
    ("aperture_mm,passing_g\n1,25\n0.5,5\ncharge,35\n", {}),
    ("aperture_mm,passing_g\n1,25\n0.5,5\n", {"charge": "35 g"}),
    ("aperture_mm,passing_g\n1,5\n0.5,25\n", {"charge": "0.035 kg", "sort": True}),
    ("aperture_mm,retained_g\n1,10\n0.5,20\n", {"pan": "5 g"}),
    ("aperture_mm,retained_g\n1,10\n0.5,20\n", {"pan": 5.0}),
    ("aperture_mm,retained_g\n1,10\n0.5,20\ncharge,35\n", {"pan": "passed"}),
    ("aperture_mm,retained_g\n1,10\n0.5,20\npan,5.5\nadditive,0.5\ncharge,36\n", {}),
    ("aperture_mm,retained_g\n1,10\n0.5,20\npan,5.5\n", {"additive": "500 mg"}),
    ("charge (g);35,0\naperture_mm;retained_g\n1;10\n0,5;20\npan;5\n", {}),
    ('aperture_um;retained_mg\n"1,000";"10,000"\n500;20000\npan;5000\n', {"decimal": "point"}),
    ("aperture_um;retained_mg\n1.000;10.000\n500;20000\npan;5000\n", {"decimal": "comma"}),
]


@pytest.mark.parametrize(("text", "answers"), SAME)
def test_answers_and_other_readings_give_the_same_curve(text, answers):
    sheet = parse_sheet(text, "s", **answers)
    assert sheet.apertures_m == pytest.approx((0.0005, 0.001), rel=1e-8)
    assert sheet.q3 == pytest.approx(parse_sheet(ONE, "s").q3, rel=1e-9) == (1 / 7, 5 / 7)


@pytest.mark.parametrize(
    ("text", "answers", "words"),
    [
        # J12f: mesh numbers and micrometres in one column are asked about, whatever the column is called.
        ("mesh,retained_g\n35,2\n500,2\npan,1\n", {}, ["500 um", "mesh number", "--aperture"]),
        ("aperture_um,retained_g\n35,2\n500,2\npan,1\n", {}, ["35 um", "0.5 mm", "--aperture"]),
        ("sieve,retained_g\n35,2\n500,2\npan,1\n", {}, ["no unit", "--aperture"]),
        ("mesh,retained_g\n18,2\n355,2\npan,1\n", {}, ["no mesh 355", "--aperture"]),
        ("aperture_um,retained_g\n2,2\n1.4,2\npan,1\n", {}, ["2 um", "are these mm?"]),
        ("aperture_mm,mass empty g,mass full g\n1,1,2\npan,1,1\n", {}, ["several columns", "retained_g"]),
        ("aperture_um;retained_g\n1,000;2\n500;2\npan;1\n", {}, ["'1,000'", "thousands", "--decimal"]),
        ("aperture_mm;retained_g\n1;2,1\n0.5;2.3\npan;1\n", {}, ["'2,1'", "--decimal"]),
        ("aperture_mm,retained_g,x,y\n2,0,0,60\n1,4,2,10\npan,0,0,5\n", {}, ["decimal commas", "semicolons"]),
        ("aperture_mm,retained_g\n1,10\n0.5,20\ncharge,40\n", {}, ["10 g, 25 % of the charge", "--pan passed"]),
        ("aperture_mm,retained_%\n1,50\n0.5,30\n", {}, ["20 % of the whole", "--pan"]),
        ("aperture_mm,retained_g\n1,10\n0.5,20\n", {"pan": "passed"}, ["how much passed", "--pan"]),
        ("aperture_mm,passing_%\n1,20\n0.5,80\n", {}, ["80 % passes 500 um", "--sort", "--reading oversize"]),
        ("aperture_mm,oversize_%\n1,80\n0.5,20\n", {}, ["20 % is oversize on 500 um", "--reading passing"]),
        ("aperture_mm,passing_g\n1,20\n0.5,8\ncharge,15\n", {}, ["passing 20 g is more than everything, 15 g"]),
        ("aperture_mm,retained_g\n1,2\npan,0.2\nadditive,0.3\n", {}, ["additive of 0.3 g", "0.2 g in the pan"]),
        ("aperture_mm,retained_g\n1,2\nadditive,0.3\n", {}, ["additive", "no pan row"]),
        ("aperture_mm,retained_%\n1,60\npan,40\n", {"additive": "1 g"}, ["additive", "give the amounts in g"]),
        ("aperture_mm,retained_%\n1,60\npan,40\ncharge,50\n", {}, ["charge 50", "unit of mass"]),
        ("aperture_mm,retained_g\n1,2\npan,1\ncharge,4\n", {"charge": "5 g"}, ["charge 4 g", "--charge says 5 g"]),
        ("aperture_mm,retained_g\n1,2\npan,1\n", {"pan": "2 g"}, ["pan 1 g", "--pan says 2 g"]),
        ("aperture_mm,retained_g\n1,2\npan,1\n", {"sort": True}, ["--sort is for cumulative amounts"]),
        ("aperture_mm,retained_g\n1,2\n", {"pan": "some"}, ["--pan", "'some'", "lost, passed, or a mass"]),
        ("aperture_mm,retained_g\n1,2\npan,1\n", {"charge": "50 oz"}, ["--charge", "oz"]),
        ("aperture_mm,retained_g\n01. Apr,2\npan,1\n", {}, ["line 2", "made a date"]),
        ("aperture_mm,retained_g\n1,2\n0.5,5 %\npan,1\n", {}, ["line 3", "5 % is not in g"]),
    ],
)
def test_questions_name_the_flag_and_refusals_the_number(text, answers, words):
    with pytest.raises(InputError) as caught:
        parse_sheet(text, "sheet.csv", **answers)
    message = "\n".join(map(str, caught.value.problems))
    for word in words:
        assert word in message, message
    assert len(caught.value.problems) == 1, message


def test_a_falling_curve_is_shown():
    with pytest.raises(Doubt) as caught:
        parse_sheet("aperture_mm,passing_%\n1,20\n0.5,80.5\n", "s")
    assert caught.value.rows == (("500", "80.5 %"), ("1000", "20 %"))


def test_an_unweighed_pan_bounds_the_curve_both_ways():
    # J12c: 50 g charged, 44 g on the sieves. Lost: Q3(0.25) = 0; passed: 6 / 50; the other way is kept beside it.
    text = "aperture_mm,retained_g\n1,10\n0.5,20\n0.25,14\ncharge,50\n"
    lost, passed = (parse_sheet(text, "s", pan=p) for p in ("lost", "passed"))
    shared, fine = (0.0, 14 / 44, 34 / 44), (6 / 50, 20 / 50, 40 / 50)
    assert lost.q3 == pytest.approx(shared) and passed.q3 == pytest.approx(fine)
    for sheet in (lost, passed):
        assert sheet.q3_loss_shared == pytest.approx(shared) and sheet.q3_loss_fine == pytest.approx(fine)
    assert lost.loss_share == pytest.approx(0.12) and passed.loss_share is None
    assert "12 % of the charge" in " ".join(passed.said)


def test_additive_is_taken_off_and_told():
    text = "aperture_mm,retained_g\n1,30.0\n0.5,18\npan,1.75\nadditive,0.25\ncharge,50.25\n"
    sheet = parse_sheet(text, "s")
    assert (sheet.pan_g, sheet.charge_g, sheet.additive_g) == (1.5, 50.0, 0.25)
    assert sheet.loss_share == pytest.approx(0.01, rel=1e-9)
    assert any("additive of 0.25 g taken off the pan and the charge" in s for s in sheet.said)


@pytest.mark.parametrize(
    ("pan", "words"),
    [(9.9, ()), (8.4, ("loss of 3.2 %", "usable")), (7.0, ("loss of 6 %", "too much to trust", "sieve again"))],
)
def test_loss_is_judged_in_words(pan, words):
    sheet = parse_sheet(f"aperture_mm,retained_g\n1,20.0\n0.5,20\npan,{pan}\ncharge,50\n", "s")
    for word in words:
        assert word in " ".join(sheet.warnings)
    assert ("loss" in " ".join(sheet.warnings)) == bool(words)


def test_overload_names_the_sieve():
    sheet = parse_sheet("aperture_mm,retained_g\n1,20\n0.25,25\npan,5\n", "s")
    (warning,) = sheet.warnings
    assert "overload" in warning and "25 g on 250 um (at most about 14 g)" in warning
    small = parse_sheet("aperture_mm,retained_g\n1,20\n0.25,2\npan,5\nsieve diameter,100 mm\n", "s")
    assert "20 g on 1000 um (at most about 7 g); loose plastic on a 100 mm sieve" in small.warnings[0]


def test_per_cent_sheets_know_their_loss_and_step():
    sheet = parse_sheet("aperture_mm,retained_%\n1,60.0\n0.5,30\npan,8.5\ncharge,50 g\n", "s")
    assert sheet.loss_share == pytest.approx(0.015) and sheet.q3[0] == pytest.approx(8.5 / 98.5)
    assert sheet.resolution_g == pytest.approx(0.05) and sheet.resolution_share == pytest.approx(0.001)
    whole = parse_sheet("aperture_mm,retained_%\n1,60\n0.5,40\n", "s")
    assert whole.q3 == pytest.approx((0.0, 0.4)) and "nothing missing" in " ".join(whole.said)


def test_all_finer_than_the_finest_sieve_is_a_sheet():
    # J12g: no distribution between the sieves, but a bound.
    sheet = parse_sheet("aperture_mm,retained_g\n0.25,0\n0.09,0\npan,49.8\ncharge,50\n", "s")
    assert sheet.q3 == (1.0, 1.0) and sheet.closed() == (sheet.apertures_m, sheet.q3)


def test_all_problems_in_one_pass():
    found = problems_of("aperture_mm,retained_g\n1,2\n1.0,3\nx,4\n2,-1\n0.5,abc\npan,1\npan,2\n")
    assert len(found) == 5
    for line, word in ((3, "appears twice"), (4, "'x'"), (5, "negative"), (6, "'abc'"), (8, "pan row")):
        assert any(f"line {line}" in f and word in f for f in found), (line, found)


def test_files_that_cannot_be_read(tmp_path):
    for path, word in ((tmp_path / "none.csv", "No such file"), (tmp_path, "is a folder, not a file")):
        with pytest.raises(InputError, match=word):
            read_sheet(path)
    binary = tmp_path / "sheet.xlsx"
    binary.write_bytes(b"PK\x03\x04\x00\x00\xff")
    with pytest.raises(InputError, match="not a text file"):
        read_sheet(binary)


@given(st.text(max_size=200) | st.text(alphabet='aperture_mm,;\t0123456789.-pan\ng%"', max_size=200))
def test_any_text_gives_a_sheet_or_problems(text):
    try:
        sheet = parse_sheet("aperture_mm,retained_g\n" + text if len(text) % 2 else text, "s")
    except InputError as error:
        assert error.problems and all(p.message for p in error.problems)
    else:
        assert list(sheet.q3) == sorted(sheet.q3) and 0 <= sheet.q3[0] and sheet.q3[-1] <= 1 + 1e-12


def test_shipped_sheets_are_read():
    for path in sorted((Path(__file__).parents[1] / "configs").glob("*sieve*.csv")):
        sizes, q3 = read_sheet(path).closed()
        assert len(sizes) > 3 and q3[-1] == 1.0


def test_kilograms_and_great_losses_have_no_exponent(tmp_path):
    text = text_of({16: 4000, 8: 9000, "pan": 1200, "sieve diameter": "1000 mm", "charge": 20000})
    sheet = parse_sheet(text, "s")
    told = sieve.report(sheet) + sieve.replicates_report([sheet, sheet])
    assert "Loss: 5800 g, 29 % of the charge" in " ".join(told.split())
    over = "9000 g on 8000 um (at most about 2000 g), 4000 g on 16000 um (at most about 2800 g)"
    assert f"{over}; loose plastic on a 1000 mm sieve" in " ".join(told.split())
    small = parse_sheet(text.replace("1000 mm", "200 mm").replace("16,", "31.5,"), "s")
    assert "31500 um (at most about 160 g)" in " ".join(small.warnings)
    lost = parse_sheet("aperture_mm,retained_g\n1,0.01\ncharge,5200\n", "s", pan="lost")
    told += sieve.report(lost) + sieve.replicates_report([lost, lost])
    assert "loss of 100 %, too much to trust" in lost.warnings[0]
    assert not re.search(r"\de\+0", told + " ".join((*sheet.warnings, *small.warnings)))


# --- slips of the unit ------------------------------------------------------------------------------------

SHARES = {1.0: "1.0", 0.5: "0.95", 0.25: "0.53", 0.09: "0.1"}


@pytest.mark.parametrize(
    ("text", "what"),
    [
        (text_of(SHARES, "aperture_mm,passing_percent"), "no amount is above 1 %"),
        (text_of({1.0: 0.1, 0.5: 0.6, 0.25: 0.96}, "aperture_mm,oversize %"), "no amount is above 0.96 %"),
        (text_of({1.0: 0.05, 0.5: 0.42, "pan": 0.53}, "aperture_mm,retained_percent"), "the amounts sum to 1 %"),
        (text_of({1.0: 0.05, 0.5: 0.40, "pan": 0.53}, "aperture_mm,retained_percent"), "the amounts sum to 0.98 %"),
    ],
)
def test_shares_written_as_per_cent_are_asked_about(text, what):
    (problem,) = problems_of(text)
    assert f"{what}: are these shares of 1, not per cent?" in problem and "--unit share" in problem


def test_the_answers_to_shares_are_taken():
    text = text_of(SHARES, "aperture_mm,passing_percent")
    percent = text_of({k: float(v) * 100 for k, v in SHARES.items()}, "aperture_mm,passing_percent")
    answered = parse_sheet(text, "s", unit="share")
    assert answered.q3 == pytest.approx(parse_sheet(percent, "s").q3, rel=1e-12)
    assert "as a share of 1" in answered.said[0]
    assert parse_sheet(text, "s", unit="percent").q3[-1] == pytest.approx(0.01)
    signs = parse_sheet(text_of({k: f"{v} %" for k, v in SHARES.items()}, "aperture_mm,passing_percent"), "s")
    assert signs.q3[-1] == pytest.approx(0.01)


def test_a_charge_of_which_most_is_missing_is_asked_about():
    rows = {1.0: 1.2, 0.5: 2.5, "pan": 1.5}
    (problem,) = problems_of(text_of({**rows, "charge": "5.2kg"}))
    assert "sieves and pan sum to 5.2 g of a charge of 5200 g: is the charge in another unit?" in problem
    with pytest.raises(InputError, match="of a charge of 5200 g"):
        parse_sheet(text_of(rows), "s", charge="5.2 kg")
    assert parse_sheet(text_of({**rows, "charge": "5.2 g"}), "s").loss_share == pytest.approx(0.0, abs=1e-12)
    assert parse_sheet(text_of({**rows, "charge": "10 g"}), "s").loss_share == pytest.approx(0.48)
    (problem,) = problems_of(text_of({1.0: 1.2, 0.5: 2.5, "charge": "5.2 kg"}))
    assert "or was it lost? Or is the charge in another unit?" in problem
    (problem,) = problems_of(text_of({1.0: 1.2, 0.5: 2.5, "charge": "5.2 g"}))
    assert "or was it lost?" in problem and "another unit" not in problem
    (problem,) = problems_of(text_of({1.0: 4.2, 0.5: 2.5, "charge": "5.2 kg"}, "aperture_mm,passing_g"))
    assert "only 4.2 g of a charge of 5200 g passes the coarsest sieve: is the charge in another unit?" in problem
    few = parse_sheet(text_of({1.0: 0.2, 0.5: 0.1, "charge": "5.2 g"}, "aperture_mm,passing_g"), "s")
    assert few.q3[-1] == pytest.approx(0.2 / 5.2)
    (problem,) = problems_of(text_of({1.0: 10, 0.5: 20, "pan": 10}, "aperture_mm,retained_percent"))
    assert "the amounts sum to 40 % only" in problem


# --- other languages -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("head", "pan"),
    [("Maschenweite mm;Masse g", "Boden"), ("Maschenweite mm;Masse g", "Pfanne"), ("tamis mm;retenu g", "fond"),
     ("malla mm;retenido g", "bandeja"), ("maglia mm;trattenuto g", "fondo"), ("zeef mm;massa g", "bodem"),
     ("oczko mm;masa g", "dno")],
)  # fmt: skip
def test_pan_and_columns_of_other_languages_are_read(head, pan):
    sheet = parse_sheet(f"{head}\n1,0;5,40\n0,5;11,90\n{pan};0,55\n", "s.csv")
    assert (sheet.reading, sheet.retained_g, sheet.pan_g) == ("retained", (11.9, 5.4), 0.55)


@pytest.mark.parametrize("name", ["Rückstand", "Rueckstand", "refus", "residuo"])
def test_what_may_be_retained_or_cumulative_is_asked_about(name):
    text = f"Maschenweite mm;{name} g\n1,0;5,40\n0,5;11,90\nBoden;0,55\n"
    with pytest.raises(InputError) as caught:
        parse_sheet(text, "s.csv")
    told = str(caught.value)
    assert "retained on each sieve, or retained on each sieve and all coarser ones, cumulative?" in told
    assert "--reading retained|oversize" in told
    assert parse_sheet(text, "s.csv", reading="retained").pan_g == 0.55
    summed = f"Maschenweite mm;{name} kumuliert g\n1,0;5,40\n0,5;17,30\nBoden;17,85\n"
    assert parse_sheet(summed, "s.csv").reading == "oversize"


def test_a_dot_in_a_sheet_of_decimal_commas_is_asked_about():
    text = "aperture mm;retained g\n1,0;1.234\n0,5;2.345\npan;2\n"
    with pytest.raises(InputError, match="'1.234' beside numbers with the other mark.*--decimal point|comma"):
        parse_sheet(text, "s.csv")


def test_sorting_is_offered_first_only_where_all_is_turned_round():
    for amounts, first in (((10, 5, 40), "--reading retained"), ((10, 50, 90), "--sort")):
        rows = "".join(f"{a},{v}\n" for a, v in zip((2, 1, 0.5), amounts, strict=True))
        with pytest.raises(InputError) as caught:
            parse_sheet(f"aperture_mm,passing_%\n{rows}", "s.csv")
        assert f"or answer with {first}" in str(caught.value)
