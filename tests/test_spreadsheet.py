"""CSV for a spreadsheet: texts of a user are no formulas, numbers are numbers, and our own readers take it back."""

import csv
import dataclasses
import io
import math
import re

import pytest
from helpers import fake_prediction
from hypothesis import given
from hypothesis import strategies as st

from millsim.base.quantities.spreadsheet import as_written, csv_text
from millsim.base.reading.cells import cells_of
from millsim.base.reading.sheet import parse_sheet
from millsim.record.export import write_csv
from millsim.show.words import sieve_json

FORMULAS = ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "\r=1", " =1", "'=1", "''=1", "＝1+1", "-"]
PLAIN = ["", "pmma", "a=b", "a; b = c", "x; -5; y", "0.1;-3e-5", "'quoted'", "5 - 3", ">2.0", "<0.09"]
NUMBERS = ["-3.2", "+1e-5", "-.5", "1,5"]


def in_a_spreadsheet(text):
    """The cells of a CSV file as a spreadsheet takes them in."""
    return list(csv.reader(io.StringIO(text, newline="")))


@pytest.mark.parametrize("text", FORMULAS)
def test_a_text_is_no_formula_and_is_read_back(text):
    (row,) = in_a_spreadsheet(csv_text([["=1", text]]))
    text = text.replace("\r", "\n")
    split = text.replace("\t=", "\t'=").replace("\n=", "\n'=")  # where another spreadsheet begins a cell
    assert row == ["'=1", f"'{split}"]
    assert cells_of(csv_text([[text, "x"]]).rstrip("\n"), ",") == [text, "x"]


def test_plain_texts_and_numbers_are_as_they_are():
    assert in_a_spreadsheet(csv_text([PLAIN, NUMBERS])) == [PLAIN, NUMBERS]
    assert csv_text([[-3.2, -7, math.nan, -1e-300, True]]) == "-3.2,-7,,-1e-300,True\n"
    assert cells_of(csv_text([PLAIN]).rstrip("\n"), ",") == PLAIN


INSIDE = ["a;=cmd()", "a;  =1", "a;b\t@x", "a;'=1", "a;\t=1", "-1;-x", "a;+1;-2 K;=3", "a\n=1", "a,b;=1", 'a;"=1"',
          "a;＝1", ";=1", "\t;=1"]  # fmt: skip


@pytest.mark.parametrize("text", INSIDE)
def test_a_text_split_elsewhere_is_no_formula_and_is_read_back(text):
    written = csv_text([["x", text, "y"]])
    for line in written.splitlines():  # a quote within a field is no quote to a spreadsheet that splits at ; or tab
        for field in re.split("[;\t]", line):
            assert field.strip(' "')[:1] not in ("=", "+", "-", "@", "＝") or re.fullmatch(
                r"[+-]?\d+", field.strip()
            ), field
    (row,) = in_a_spreadsheet(written)
    assert [as_written(cell) for cell in row] == ["x", text, "y"]


@given(st.text("a1=+-@;\t\n' ,\"＝", max_size=12))
def test_any_text_is_read_back(text):
    (row,) = in_a_spreadsheet(csv_text([["x", text]]))
    assert as_written(row[1]) == text


def test_no_table_of_a_prediction_holds_a_formula(tmp_path):
    p = fake_prediction()
    named = tuple(dataclasses.replace(q, source="=HYPERLINK(1)", note="@x") for q in p.parameters)
    p = dataclasses.replace(p, mill_name="=1+1", warnings=("-a warning",), parameters=named)
    for path in write_csv(p, tmp_path / "tables"):
        if path.suffix != ".csv":
            continue
        for row in in_a_spreadsheet(path.read_text(encoding="utf-8")):
            for cell in row:
                assert cell[:1] not in ("=", "+", "@") and (cell[:1] != "-" or math.isfinite(float(cell))), path
    assert "mill,'=1+1\n" in (tmp_path / "tables" / "run.csv").read_text(encoding="utf-8")


def test_a_sieve_table_of_ours_reads_back_the_same():
    sheet = parse_sheet("aperture_mm,retained_g\n1.0,5.4\n0.5,11.9\npan,0.55\n", "powder.csv")
    text = sieve_json.csv_text(sheet)
    again = parse_sheet(text, "table.csv", reading="passing", unit="percent")
    assert again.q3 == pytest.approx(sheet.q3, abs=1e-9) and again.apertures_m == sheet.apertures_m
