"""Sieve sheets: everything a balance and a spreadsheet produce, and one clear message for what cannot be."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from millsim import psd
from millsim.errors import InputError
from millsim.sheet import parse_sheet, read_sheet

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
}


@pytest.mark.parametrize("name", WRITTEN)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
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


def test_all_problems_in_one_pass():
    found = problems_of("aperture_mm,retained_g\n1,2\n1.0,3\nx,4\n2,-1\n0.5,abc\npan,1\npan,2\n")
    assert len(found) == 5
    for line, word in ((3, "appears twice"), (4, "'x'"), (5, "negative"), (6, "'abc'"), (8, "pan row")):
        assert any(f"line {line}" in f and word in f for f in found), (line, found)


def test_files_that_cannot_be_read(tmp_path):
    for path, word in ((tmp_path / "none.csv", "No such file"), (tmp_path, "cannot be read")):
        with pytest.raises(InputError, match=word):
            read_sheet(path)
    binary = tmp_path / "sheet.xlsx"
    binary.write_bytes(b"PK\x03\x04\x00\x00\xff")
    with pytest.raises(InputError, match="not a text file"):
        read_sheet(binary)


@given(st.text(max_size=200) | st.text(alphabet="aperture_mm,;\t0123456789.-pan\ng%\"", max_size=200))
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
