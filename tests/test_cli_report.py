"""`millsim report`: where it writes, what it refuses before drawing, one sentence for every file it cannot read."""

import dataclasses
import json
import re

import h5py
import pytest
from click.testing import CliRunner
from helpers import fake_prediction

from millsim.commands.main import cli
from millsim.errors import MillsimError
from millsim.record import read, write
from millsim.show.words import why
from millsim.show.words.cautions import at, case_of_prediction


@pytest.fixture
def stored(tmp_path):
    path = tmp_path / "mill.h5"
    write.write(fake_prediction(trace=False), path)
    return path


@pytest.fixture
def drawn(monkeypatch):
    """The figures that were drawn; nothing is drawn for real, only noted."""
    seen = []
    monkeypatch.setattr(
        "millsim.show.report.html.to_html", lambda p, _: seen.append("html") or f"<p>{p.mill_name}</p>\n"
    )
    monkeypatch.setattr("millsim.show.report.pdf.to_pdf", lambda p, _: seen.append("pdf") or b"%PDF-1.4\n")
    return seen


def run(*args):
    return CliRunner().invoke(cli, ["report", *map(str, args)])


def files(folder):
    return sorted(p.name for p in folder.iterdir())


def test_it_writes_beside_the_result_and_prints_the_path(stored):
    result = run(stored)
    assert result.exit_code == 0, result.output
    page = stored.with_suffix(".html")
    assert result.stdout == f"{page}\n"
    assert page.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert files(stored.parent) == ["mill.h5", "mill.html"], "nothing half-written stays"


def test_one_object_or_no_talk(stored, drawn, tmp_path):
    done = run(stored, "--json", "-o", tmp_path / "r.html", "--pdf", tmp_path / "r.pdf")
    told = json.loads(done.stdout)
    assert done.exit_code == 0 and done.stderr == ""
    assert told["written"] == [str(tmp_path / "r.html"), str(tmp_path / "r.pdf")]
    assert told["files"] and any("plug" in s for s in told["caution"])
    done = run(stored, "--quiet", "-o", tmp_path / "q.html")
    assert done.stdout == f"{tmp_path / 'q.html'}\n" and done.stderr == ""


def test_other_names_and_a_pdf(stored, drawn, tmp_path):
    html, pdf = tmp_path / "wall.html", tmp_path / "wall.pdf"
    result = run(stored, "-o", html, "--pdf", pdf)
    assert result.exit_code == 0, result.output
    assert result.stdout.splitlines() == [str(html), str(pdf)]
    assert pdf.read_bytes().startswith(b"%PDF") and "Acrylic" in html.read_text(encoding="utf-8")
    assert drawn == ["html", "pdf"]


@pytest.mark.parametrize("taken", ["mill.html", "wall.pdf"])
def test_existing_files_are_refused_before_anything_is_drawn(stored, drawn, taken):
    old = stored.parent / taken
    old.write_text("precious")
    result = run(stored, "--pdf", stored.parent / "wall.pdf")
    assert result.exit_code == 2
    assert result.stderr.startswith("Error: ") and result.stderr.count("\n") == 1
    assert "exists already" in result.stderr and "--force" in result.stderr
    assert drawn == [] and old.read_text() == "precious"
    assert files(stored.parent) == sorted(["mill.h5", taken])


def test_force_replaces(stored, drawn):
    stored.with_suffix(".html").write_text("old")
    assert run(stored, "--force").exit_code == 0
    assert "Acrylic" in stored.with_suffix(".html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("option", "name", "words"),
    [("-o", "report.txt", "ends in .html"), ("--pdf", "report.html", "ends in .pdf"), ("-o", ".", "is a folder"),
     ("-o", "missing/report.html", "mkdir")],
)  # fmt: skip
def test_names_that_cannot_be_are_refused(stored, drawn, option, name, words):
    result = run(stored, option, stored.parent / name)
    assert result.exit_code == 2 and words in result.stderr and option in result.stderr
    assert drawn == [] and files(stored.parent) == ["mill.h5"]


VERSIONS = {"newer": "99.0", "older": "0.9", "without": ""}  # of the format


def damage(path, how):
    """Make a result file unreadable in one of the ways files get so."""
    if how == "cut short":
        path.write_bytes(path.read_bytes()[:5000])
    elif how == "no result":
        path.write_text("something else")
    elif how in VERSIONS:
        with h5py.File(path, "r+") as file:
            del file.attrs["format_version"]
            if VERSIONS[how]:
                file.attrs["format_version"] = VERSIONS[how]
    else:
        path.unlink()


@pytest.mark.parametrize(
    ("how", "words"),
    [("cut short", "cut short or damaged"), ("no result", "not a result file"), ("newer", "has result format 99.0"),
     ("older", "has result format 0.9"), ("without", "has result format none"), ("gone", "no such file")],
)  # fmt: skip
@pytest.mark.parametrize("command", ["report", "why"])
def test_a_file_it_cannot_read_costs_one_sentence(stored, drawn, how, words, command):
    damage(stored, how)
    result = CliRunner().invoke(cli, [command, str(stored)])
    assert result.exit_code == 2
    assert result.stderr.startswith("Error: ") and result.stderr.count("\n") == 1
    assert words in result.stderr and "Traceback" not in result.output
    assert drawn == [] and not stored.with_suffix(".html").exists()


def test_why_prints_the_sentences_of_the_report(stored):
    result = CliRunner().invoke(cli, ["why", str(stored)])
    assert result.exit_code == 0 and result.stderr == ""
    said = why.sentences(read.read(stored))
    assert len(said) >= 3
    text = " ".join(result.stdout.split())
    at = [text.find(" ".join(s.split())) for s in said]
    assert min(at) >= 0 and at == sorted(at)
    assert text.endswith("A prediction, not a measurement; the numbers rest on what `millsim report` lists.")
    assert max(map(len, result.stdout.splitlines())) <= 100
    assert not re.search(r"\bsafe(ly)?\b|\bnan\b|\binf\b", text, re.IGNORECASE)


def test_why_as_json(stored):
    answer = json.loads(CliRunner().invoke(cli, ["why", str(stored), "--json"]).stdout)
    p = read.read(stored)
    said = {"status": "ok", "mill": p.mill_name, "config_sha256": p.config_sha256, "why": why.sentences(p)}
    cautions = at("why", case_of_prediction(p, said["why"])).sentences if p.changes else None
    assert answer == said | ({"caution": list(cautions)} if cautions else {})


def test_why_of_a_mill_that_cannot_run(tmp_path):
    path = tmp_path / "mill.h5"
    write.write(dataclasses.replace(fake_prediction(trace=False), status="cannot run"), path)
    result = CliRunner().invoke(cli, ["why", str(path)])
    assert result.exit_code == 3 and result.stdout.startswith("Where each watt goes: ")
    assert "Hits:" not in result.stdout and "What makes the powder" not in result.stdout


def test_a_pdf_that_fails_leaves_no_page_behind(stored, drawn, monkeypatch):
    def fail(*_):
        raise MillsimError("no room.")

    monkeypatch.setattr("millsim.show.report.pdf.to_pdf", fail)
    result = run(stored, "--pdf", stored.parent / "wall.pdf")
    assert result.exit_code == 1 and "no room." in result.stderr
    assert files(stored.parent) == ["mill.h5"]


def test_a_hostile_name_stays_text(tmp_path):
    path = tmp_path / "mill.h5"
    write.write(dataclasses.replace(fake_prediction(trace=False), mill_name="<script>alert(1)</script>"), path)
    assert run(path).exit_code == 0
    page = path.with_suffix(".html").read_text(encoding="utf-8")
    assert "<script" not in page and "&lt;script&gt;alert(1)&lt;/script&gt;" in page


def test_help_tells_the_defaults():
    text = run("--help").output
    assert "FILE.html beside FILE.h5" in text and "--force" in text and "--pdf" in text
