"""The report: one HTML file and a PDF, for every shipped config, whole, legible, the same every time."""

import base64
import dataclasses
import functools
import hashlib
import os
import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path
from unittest import mock

import pytest
from helpers import fake_prediction
from mills import CONFIGS, NAMES, config

from millsim.base.quantities.params import Param
from millsim.base.quantities.spreadsheet import csv_text
from millsim.base.quantities.written import OBEYED
from millsim.forecast.run import predict
from millsim.record import write
from millsim.show.parts import Paragraph, Table
from millsim.show.plots.prediction import figure, render
from millsim.show.report import css
from millsim.show.report.blocks import VERDICT_MARKS, Only, Picture
from millsim.show.report.checks import config_of
from millsim.show.report.content import report
from millsim.show.report.html import render_html
from millsim.show.report.pdf import A4, PITCH, ROWS, SHORT, TALL, TOP, WIDE, pages_of, render_pdf, to_pdf
from millsim.show.words import advice, cautions, why
from millsim.show.words.limits import told_limits
from millsim.show.words.tables import ledger_name
from millsim.studies.prebuild.review import review

VOID = {"meta", "img", "br", "hr", "link", "input"}
ORDER = [
    "In words", "The powder", "Energy", "Heat", "Rates by size", "Jam and torque", "Drawing to scale", "Why",
    "Before you cut steel", "What the numbers rest on", "Warnings and cautions", "How to reproduce it",
]  # fmt: skip
FAILING = {
    "over capacity": ("pla", "feed.rate=60 kg/h"),
    "cannot run": ("pla", "limits.outlet_temperature=25 °C", "air.room=24 °C", "feed.temperature=24 °C"),
}
EVERYTHING = ("run.histories=2000", "run.band_samples=8", "run.x50_error=0")


class Document(HTMLParser):
    """An HTML file read strictly: what is opened is closed in order; tags, attributes, text and headings."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.stack, self.tags, self.headings, self.texts, self.faults = [], [], [], [], []
        self.feed(text)
        self.close()
        self.faults += [f"never closed: {tag}" for tag in self.stack]

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if len(attrs) != len(dict(attrs)):
            self.faults.append(f"an attribute twice in {tag}")
        if tag not in VOID:
            self.stack.append(tag)
        if re.fullmatch("h[1-6]", tag):
            self.headings.append([int(tag[1]), ""])

    def handle_endtag(self, tag):
        if not self.stack or self.stack.pop() != tag:
            self.faults.append(f"closed out of order: {tag}")

    def handle_data(self, data):
        if self.stack and self.stack[-1] != "style":
            self.texts.append(data)
        if self.stack and re.fullmatch("h[1-6]", self.stack[-1]):
            self.headings[-1][1] += data

    @property
    def text(self):
        """All text of the page on one line, a number joined to its unit by a plain space."""
        return " ".join(" ".join(self.texts).replace("\u00a0", " ").split())

    def all(self, tag):
        return [attrs for name, attrs in self.tags if name == tag]


@functools.cache
def quick(name, *overrides):
    return predict(config(name, "run.band_samples=0", "run.trace=false", *overrides), engine="balance", seed=5)


@functools.cache
def everything():
    return predict(config("demo", *EVERYTHING), engine="both", seed=5, command="millsim predict demo.toml --seed 5")


PREDICTIONS = {
    **{name: functools.partial(quick, name) for name in NAMES},
    **{status: functools.partial(quick, *case) for status, case in FAILING.items()},
    "everything": everything,
    "invented": fake_prediction,
}


@functools.cache
def report_of(which):
    return report(PREDICTIONS[which]())


DRAWN = ("everything", "cannot run")  # with their figures as they are; those of the others are a stub, drawn for show
STUB = b'<svg xmlns="http://www.w3.org/2000/svg"><title>stub</title></svg>'


@functools.cache
def html_of(which):
    if which in DRAWN:
        return render_html(report_of(which))
    with mock.patch("millsim.show.report.html.render", lambda *_: STUB):
        return render_html(report_of(which))


@functools.cache
def document(which):
    return Document(html_of(which))


def blocks_of(which, medium):
    """The blocks that a medium shows."""
    for section in report_of(which).sections:
        for block in section.blocks:
            if not isinstance(block, Only):
                yield block
            elif block.medium == medium:
                yield block.block


def tables_of(which, medium="screen"):
    return [b for b in blocks_of(which, medium) if isinstance(b, Table)]


@functools.cache
def paper(which):
    return pages_of(report_of(which))


def test_every_shipped_mill_is_among_those_tested():
    mills = {p.stem for p in CONFIGS.glob("*.toml") if "[rotor]" in p.read_text(encoding="utf-8")}
    assert {name for name in mills if not name.startswith("rotor_")} == set(NAMES)  # the five rotors are as the demo


@pytest.mark.parametrize("which", PREDICTIONS)
def test_neither_page_nor_paper_calls_anything_safe(which):
    on_paper = " ".join(line for page in paper(which) for line in page.lines)
    assert "safety clearance" in on_paper
    alts = " ".join(image["alt"] for image in document(which).all("img"))
    for text in (document(which).text, on_paper, alts):
        assert not re.search(r"\bsafe(ly)?\b", text, re.IGNORECASE)


# --- the HTML file ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("which", PREDICTIONS)
def test_the_file_is_whole_and_needs_nothing_else(which):
    text, page = html_of(which), document(which)
    assert page.faults == []
    assert not page.all("script") and not page.all("link") and not page.all("iframe")
    assert not re.search(r"https?:|//[a-z]|@import|url\(|javascript:", text)
    assert not [k for _, attrs in page.tags for k in attrs if k.startswith("on")]
    ids = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    wanted = [a["href"][1:] for a in page.all("a")]
    wanted += [a["aria-labelledby"] for _, a in page.tags if "aria-labelledby" in a]
    assert wanted and set(wanted) <= set(ids)
    for image in page.all("img"):
        assert image["src"].startswith("data:image/svg+xml;base64,")
        assert base64.b64decode(image["src"].split(",")[1], validate=True).rstrip().endswith(b"</svg>")
        assert len(image["alt"].split()) >= 8
    assert text.count("\ufffd") == 0


@pytest.mark.parametrize("which", PREDICTIONS)
def test_it_is_a_page_for_people_and_their_tools(which):
    page = document(which)
    assert page.all("html") == [{"lang": "en"}]
    assert {"name": "viewport", "content": "width=device-width, initial-scale=1"} in page.all("meta")
    assert {"charset": "utf-8"} in page.all("meta")
    assert len(page.all("title")) == len(page.all("main")) == len(page.all("nav")) == 1
    levels = [level for level, _ in page.headings]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(b <= a + 1 for a, b in zip(levels, levels[1:], strict=False)), "a heading level is skipped"
    assert [words for level, words in page.headings if level == 2] == ORDER
    assert len(page.all("table")) == len(page.all("caption")) > 1
    assert all(a.get("scope") for a in page.all("th"))
    assert not re.search(r"\bnan\b|\binf\b|\bNone\b", page.text)


def test_tables_and_listings_scroll_in_their_own_box():
    text = html_of("everything")
    for tag in re.findall(r"<table", text):
        assert tag
    assert len(re.findall('<div class="scroll(?: wide)?" role="region" tabindex="0"', text)) == text.count("<table")
    assert '<div class="scroll wide"' in text and ".scroll.wide::before{content:" in text, "it says that it scrolls"
    assert len(re.findall(r'<input type="checkbox" class="zoom" id="(zoom-[a-z-]+)"><label for="\1">', text)) == 7
    assert re.search(r"\.scroll\{overflow-x:auto", text) and re.search(r"pre\{[^}]*overflow-x:auto", text)
    assert re.search(r"figure \.plate\{[^}]*overflow-x:auto;background:#ffffff", text), (
        "figures stand on white in the dark"
    )


def test_it_prints_on_a4_and_knows_dark_and_light():
    text = html_of("everything")
    assert "@page{size:A4" in text and "@page sheet{size:A4 landscape" in text
    assert "thead{display:table-header-group}" in text
    assert "@media screen and (prefers-color-scheme:dark)" in text, "paper is never dark"
    assert "color-scheme:light dark" in text


def luminance(color):
    """Relative luminance of WCAG 2.1."""
    parts = [int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


@pytest.mark.parametrize("scheme", [css.LIGHT, css.DARK], ids=["light", "dark"])
def test_contrast_is_enough(scheme):
    # WCAG 2.1, success criterion 1.4.3 (AA): 4.5 to 1 for text.
    for ink, ground in css.PAIRS:
        dark, light = sorted((luminance(scheme[ink]), luminance(scheme[ground])))
        assert (light + 0.05) / (dark + 0.05) >= 4.5, (ink, ground)


def test_every_colour_in_use_is_among_those_checked():
    used = set(re.findall(r"[{;]color:var\(--([a-z-]+)\)", css.style_sheet("run")))
    assert used == {ink for ink, _ in css.PAIRS}


def without_pictures(found):
    """A report without its figures, which take most of the time."""
    kept = (dataclasses.replace(s, blocks=tuple(b for b in s.blocks if not isinstance(b, Picture)))
            for s in found.sections)  # fmt: skip
    return dataclasses.replace(found, sections=tuple(kept))


def test_what_people_wrote_is_never_markup():
    evil = "<script>alert('1')</script> & \"co\" <b>mill\x00"
    p = dataclasses.replace(
        fake_prediction(trace=False), mill_name=evil, warnings=(f"warning {evil}",), command=f"millsim predict {evil}",
        parameters=(Param("density", 1.0, "kg/m3", 1.0, 1.0, "measured", f"source {evil}", note=f"note {evil}"),),
        config_text=f"# {evil}\n",
    )  # fmt: skip
    found = without_pictures(report(p))
    page = Document(render_html(found))
    assert page.faults == [] and not page.all("script") and not page.all("b")
    plain = evil.replace("\x00", " ").strip()
    for where in (plain, f"warning {plain}", f"predict {plain}", f"source {plain}", f"note {plain}"):
        assert where[0].upper() + where[1:] in page.text or where in page.text, where
    assert render_pdf(found).startswith(b"%PDF")


EVIL = "\x9b2J\u202eslow\u2066\x85"  # what turns the direction of writing or is obeyed, of forged files and file names


def test_what_a_reader_would_obey_is_on_no_page_and_in_no_figure():
    p = dataclasses.replace(
        fake_prediction(trace=False), mill_name=f"mill {EVIL}", warnings=(f"warning {EVIL}",),
        command=f"millsim predict {EVIL}", config_text=f'name = "{EVIL}"\n',
    )  # fmt: skip
    found = without_pictures(report(p))
    on_paper = [line for page in pages_of(found) for line in (*page.lines, page.foot)]
    drawn = render(figure(p, "size_density"), "svg", f"of {EVIL}").decode("utf-8")
    told = [render_html(found), "\n".join(on_paper), drawn, csv_text([["x", EVIL]])]
    for text in told:
        assert not OBEYED.search(text), OBEYED.search(text)
    assert all("slow" in text for text in told)


def test_a_long_command_stays_on_the_paper():
    long = "millsim predict " + "a_long_name_" * 30 + ".toml" + " --set 'stator.gap=2.1 mm'" * 40
    pages = pages_of(without_pictures(report(dataclasses.replace(fake_prediction(trace=False), command=long))))
    lines = [line for page in pages for line in page.lines]
    assert max(map(len, lines)) <= WIDE
    assert "".join(long.split()) in "".join("".join(lines).split())


# --- what it says ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("which", [*NAMES, "everything"])
def test_the_answer_comes_first_in_words(which):
    p, page = PREDICTIONS[which](), document(which)
    first = page.text.split("How to reproduce it", 1)[1].split("How much of the powder")[0]  # after the contents
    labels = [words for level, words in page.headings if level == 3]
    wanted = ["How fine", "How much", "How hot", "What limits it", "How sure", "Measure next"]
    assert [w for w in labels if w in wanted] == wanted
    for told in (advice.how_fine(p), advice.how_sure(p), advice.measure_next(p)):
        assert told[0].upper() + told[1:] in first
    for value in ("throughput_kg_s", "x50_m", "outlet_temperature_K"):
        assert p.main.scalars[value].long_name
    assert "a prediction, not a measurement and not a safety clearance" in page.text


@pytest.mark.parametrize("which", FAILING)
def test_a_mill_that_fails_says_so_at_the_top(which):
    text = document(which).text.split("How to reproduce it", 1)[1]
    told = {"over capacity": "It cannot do what was asked", "cannot run": "It cannot run like this"}[which]
    assert told in text.split("How much")[0]
    assert f"status: {which}" in document(which).text
    if which == "cannot run":
        assert "There is no powder to describe." in text and "Powder at standard sieves" not in text


@pytest.mark.parametrize("which", NAMES)
def test_failing_checks_stand_on_the_first_page(which):
    p, text = PREDICTIONS[which](), document(which).text
    lines = review(config_of(p), p)
    verdicts = {x.verdict for x in lines}
    bad = [x.name for x in lines if x.verdict == "fails"]
    first = text.split("How to reproduce it", 1)[1].split("The powder")[0]
    assert ("Before you build" in first) == bool(bad)
    assert all(name in first for name in bad)
    table = next(t for t in tables_of(which) if t.caption == "Pre-build checks")
    assert [row[0] for row in table.rows] == [x.name for x in lines]
    assert {row[1][2:] for row in table.rows} == verdicts and all(f"{VERDICT_MARKS[v]} {v}" in text for v in verdicts)
    for row, line in zip(table.rows, lines, strict=True):
        assert line.formula.rstrip(".") in row[-1] and line.basis in row[-1].lower() and line.source in row[-1]


def test_some_shipped_mill_fails_a_check():
    assert any("Before you build" in document(which).text for which in NAMES), "else the test above shows nothing"


@pytest.mark.parametrize("which", [*NAMES, "everything"])
def test_nothing_is_left_out(which):
    p, page = PREDICTIONS[which](), document(which)
    text, table = page.text, next(t for t in tables_of(which) if t.caption == "Parameters of material and model")
    rows = {row[0].split("\n")[1]: " ".join(row) for row in table.rows}
    assert set(rows) == {q.name for q in p.parameters}
    assert all(" ".join(cell.split()) in text for row in table.rows for cell in row)
    for q in p.parameters:
        row = rows[q.name]
        assert q.basis in row and " ".join(q.source.split()) in row, q.name
    for said in why.paragraphs(p):
        assert " ".join(said.text.split())[1:] in text and said.label in text
    for term in (*p.main.ledger_in_W, *p.main.ledger_out_W):
        scalar = {**p.main.ledger_in_W, **p.main.ledger_out_W}[term]
        assert scalar.value == 0 or ledger_name(term) in text
    for limit in told_limits(p):
        assert limit.name in text
    assert {x.name for x in p.limits} - {x.name for x in told_limits(p)} <= {"grinding"}  # far from it: no news
    for warning in p.warnings:
        assert " ".join(warning.split())[1:].rstrip(".") in text
    assert all(told in text for told in cautions.at("report", cautions.case_of_prediction(p)).sentences)
    assert p.config_sha256 in text and f"--seed {p.seed}" in text
    listing = re.search(r"<pre[^>]*>(.*?)</pre>", html_of(which), re.S).group(1)
    assert listing.replace("&quot;", '"').replace("&#x27;", "'") == p.config_text.rstrip() + "\n"


def test_calibrated_and_measured_parameters_are_set_apart():
    p = fake_prediction()
    kinds = [dataclasses.replace(q, basis=b) for q, b in zip(p.parameters, ("measured", "calibrated"), strict=False)]
    text = Document(
        render_html(without_pictures(report(dataclasses.replace(p, parameters=(*kinds, *p.parameters[2:])))))
    ).text
    assert "2 of the 6 parameters are measured or calibrated." in text
    order = ["Measured: on this mill or material", "Calibrated: fitted to measured runs", "Assumed: nobody measured it"]
    places = [text.index(words) for words in order]
    assert places == sorted(places)


def test_figures_are_all_there_with_what_they_say():
    pictures = [b for s in report_of("everything").sections for b in s.blocks if isinstance(b, Picture)]
    names = ["size_cumulative", "size_density", "energy_ledger", "temperature", "rates", "torque_speed", "drawing"]
    assert [b.name for b in pictures] == names
    p = everything()
    by = {b.name: b.alt for b in pictures}
    x50 = f"{p.main.scalars['x50_m'].value * 1e3:.2g}"
    assert x50 in by["size_cumulative"] and "sieve hole of 0.6 mm" in by["size_cumulative"]
    assert "rubbing along the wall" in by["energy_ledger"] and "1100 W" in by["energy_ledger"]
    assert "limit of 85 °C" in by["temperature"]
    assert "120 mm across with 4 bars" in by["drawing"] and "gap of 3 mm" in by["drawing"]
    assert "cold starts from empty of 6 s" in by["torque_speed"]


def test_a_batch_and_a_quick_run_say_what_was_not_run():
    assert "Starts were not followed piece by piece" in document("batch").text
    assert "Starts were not followed piece by piece" in document("demo").text
    assert "highest load during the batch" in document("batch").text
    assert "No band was run" in document("demo").text and "80 % band" in document("everything").text


def test_a_config_this_version_cannot_read_costs_drawing_and_checks_only():
    text = document("invented").text
    assert "Not drawn. This version of millsim does not read the config of this result" in text
    assert "Not checked. This version of millsim does not read the config of this result" in text
    assert "How fine: cumulative size distribution" not in text  # words of a figure are in the figure
    assert "Powder at standard sieves" in text


def test_the_config_in_the_report_gives_the_same_mill(tmp_path):
    # What "How to reproduce it" tells: save the listing, run the command.
    p = everything()
    (tmp_path / "mill.toml").write_text(p.config_text, encoding="utf-8")
    from millsim.mill.config.mill import load_config

    again = predict(load_config(tmp_path / "mill.toml"), engine="both", seed=p.seed)
    assert again.config_sha256 == p.config_sha256
    assert again.main.scalars == p.main.scalars


# --- the PDF ---------------------------------------------------------------------------------------------


@functools.cache
def pdf_of_everything():
    return to_pdf(everything())


def test_the_pdf_is_made_for_one_with_everything():
    data = pdf_of_everything()
    assert data.startswith(b"%PDF-1.4") and data.rstrip().endswith(b"%%EOF")
    assert len(re.findall(rb"/Type /Page\b", data)) == len(paper("everything"))
    assert b"CreationDate" not in data and b"ModDate" not in data
    assert b"/FontFile2" in data, "fonts are embedded"
    assert data.count(b"/Type3") == 0


@pytest.mark.parametrize("which", PREDICTIONS)
def test_nothing_on_paper_is_cut_off(which):
    pages = paper(which)
    assert len(pages) > 4 and TOP + (ROWS + 1) * PITCH < A4[1] - 0.45, "the foot stands below the last line"
    for i, page in enumerate(pages):
        assert max(map(len, [*page.lines, page.foot])) <= WIDE, page.lines
        assert len(page.lines) == len(page.bold) <= ROWS
        assert page.foot.endswith(f"{i + 1} / {len(pages)}")
        for row, tall, picture in page.pictures:
            room = page.lines[row : row + tall]
            assert picture.sheet or SHORT <= len(room) == tall <= TALL and not any(line.strip() for line in room)


@pytest.mark.parametrize("which", PREDICTIONS)
def test_paper_is_short_and_no_page_nearly_empty(which):
    pages = paper(which)
    assert len(pages) <= (13 if which == "everything" else 12)  # both engines: tables of their own
    for i, page in enumerate(pages[:-1]):  # before the first figures there may be less
        assert page.sheet or len(page.lines) > (0.75 if i else 0.55) * ROWS, page.lines
    assert len(pages[-1].lines) > 0.1 * ROWS


def test_a_calibration_is_not_listed_draw_by_draw():
    p = everything()
    drawn = "\n".join(f"[calibration.parameters.p{i}]\ndraws = [{'0.1, ' * 500}]" for i in range(60))
    long = dataclasses.replace(p, config_text=f'{p.config_text}\n[calibration]\ncard = "own"\n{drawn}\n')
    found = report(long)
    assert len(pages_of(found)) <= 14
    listing = next(b.block for b in found.sections[-1].blocks if isinstance(b, Only))
    assert listing.text == p.config_text.rstrip() + "\n" and "60 parameters with their draws" in listing.label


def test_a_line_is_as_wide_as_the_paper_lets_it():
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    from millsim.show.report.pdf import LEFT, POINTS

    font = FontProperties(family="DejaVu Sans Mono", size=POINTS)
    wide = text_to_path.get_text_width_height_descent("m" * WIDE, font, False)[0] / 72
    assert LEFT + wide <= A4[0] - 0.5


@pytest.mark.parametrize("which", PREDICTIONS)
def test_paper_says_all_that_the_page_says(which):
    told = " ".join(" ".join(line for page in paper(which) for line in page.lines).replace("┃", " ").split())
    for section in report_of(which).sections:
        sheet = any(isinstance(block, Picture) and block.sheet for block in section.blocks)
        assert sheet or section.title.upper() in told
    for block in blocks_of(which, "paper"):
        if isinstance(block, Paragraph):
            assert " ".join(block.text.split())[1:] in told and block.label in told
        elif isinstance(block, Table):
            for row in block.rows:
                for cell in row:
                    assert all(" ".join(part.split()) in told for part in cell.split("\n")), cell


def test_no_heading_is_left_alone_at_the_end_of_a_page():
    for page in paper("everything"):
        if not page.pictures:
            assert not page.bold[-1] or page.bold[-1] < len(page.lines[-1]), page.lines[-1]


@pytest.mark.parametrize("which", PREDICTIONS)
def test_caution_and_answer_stand_on_the_first_page(which):
    first = " ".join(" ".join(paper(which)[0].lines).replace("┃", " ").split())
    assert "CAUTION" in first and "not a measurement and not a safety clearance" in first
    told = cautions.at("report", cautions.case_of_prediction(PREDICTIONS[which]())).text
    assert told[-60:] in first and told[-60:] in document(which).text.split("How sure")[0]
    assert which in FAILING or "How much" in first and "Measure next" in first


def test_a_long_table_repeats_its_header_and_loses_no_row():
    longest = next(t for t in tables_of("everything", "paper") if t.caption == "Parameters")
    pages = [p for p in paper("everything") if any(line.startswith(longest.caption) for line in p.lines)]
    assert len(pages) > 1
    for page in pages:
        assert any("plausible range" in line for line in page.lines)
    told = [line.strip() for p in pages for line in p.lines]
    assert len(longest.rows) == len(everything().parameters)
    for name, value, *_ in longest.rows:
        assert any(line.startswith(name) and value in line for line in told), name
    assert sum(line.endswith("(continued)") for p in pages for line in p.lines) == len(pages) - 1


def test_the_drawing_keeps_its_size_on_paper():
    sheets = [p for p in paper("everything") if p.sheet]
    (_, _, picture), *more = sheets[0].pictures
    assert len(sheets) == 1 and not more
    assert picture.draw().get_size_inches() == pytest.approx(A4[::-1], abs=0.01) and sheets[0].paper == A4[::-1]
    boxes = re.findall(rb"/MediaBox \[ ?([^\]]+)\]", pdf_of_everything())
    sizes = {tuple(round(float(v)) for v in box.split()[2:]) for box in boxes}
    assert sizes == {(595, 842), (842, 595)}, "A4 upright and lying"


# --- the same every time ---------------------------------------------------------------------------------

_DIGESTS = """
import dataclasses, hashlib, sys
from millsim.record import read
from millsim.show.report.content import report
from millsim.show.report.html import render_html
from millsim.show.report.pdf import render_pdf
found = report(read.read(sys.argv[1]))
short = dataclasses.replace(found, sections=found.sections[2:4])
print(hashlib.sha256(render_html(found).encode()).hexdigest(), hashlib.sha256(render_pdf(short)).hexdigest())
"""


def test_the_same_file_gives_the_same_bytes_in_another_process(tmp_path):
    path = tmp_path / "mill.h5"
    write.write(everything(), path)
    found = report_of("everything")
    short = dataclasses.replace(found, sections=found.sections[2:4])  # a figure and tables of the paper are enough
    here = [hashlib.sha256(data).hexdigest() for data in (html_of("everything").encode(), render_pdf(short))]
    root = str(Path(__file__).resolve().parent.parent)
    env = {**os.environ, "PYTHONHASHSEED": "4711", "PYTHONPATH": root, "TZ": "Asia/Tokyo"}
    command = [sys.executable, "-c", _DIGESTS, str(path)]
    done = subprocess.run(command, env=env, cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == here, "from the file as from memory, whatever the hash seed and the clock"
