"""One figure reads the same everywhere: terminal, HTML page, PDF, alternative texts, labels of the figures."""

import functools
import re
from dataclasses import replace
from html.parser import HTMLParser

import matplotlib
import numpy as np
import pytest
from helpers import fake_prediction
from mills import config

from millsim.forecast.run import predict
from millsim.record.asked import batch_of
from millsim.record.outputs import OUTPUTS, in_kilojoules, row_name, shown
from millsim.show.plots import prediction as plots
from millsim.show.report.blocks import Facts, Picture
from millsim.show.report.content import report
from millsim.show.report.html import render_html
from millsim.show.report.pdf import pages_of
from millsim.show.words import prediction as words
from millsim.show.words.alts import alt_text
from millsim.show.words.tables import NUMBERS, ledger_name

MILLS = {
    "demo": ("run.band_samples=8", "run.trace=false"),  # with bands
    "batch": ("run.band_samples=0", "run.trace=false"),
    "pla": ("run.band_samples=0", "run.trace=false"),
}
SHOWN_IN = {  # figure: the outputs that its labels and titles tell
    "size_cumulative": ("x50_m",),
    "energy_ledger": ("shaft_power_W",),
    "temperature": ("outlet_temperature_K",),
}


class Text(HTMLParser):
    """The words of a page without its tags and its style sheet; and what its pictures say instead."""

    def __init__(self, page):
        super().__init__(convert_charrefs=True)
        self.found, self.alts, self.style = [], [], False
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.style = tag == "style"
        self.alts += [dict(attrs)["alt"]] if tag == "img" else []

    def handle_data(self, data):
        self.found += [] if self.style else [data]


def flat(text):
    return " ".join(text.replace("\u00a0", " ").split())


@functools.cache
def made(name):
    return predict(config(name, *MILLS[name]), engine="balance", seed=5)


@functools.cache
def pages(name):
    """What each kind of page says, on one line, by its name."""
    p = made(name)
    found = report(p)
    page = Text(render_html(found))
    return {
        "terminal": flat(words.to_text(p)),
        "html": flat(" ".join(page.found)),
        "pdf": flat(" ".join(line for sheet in pages_of(found) for line in sheet.lines)),
        "alts": flat(" ".join(page.alts)),
    }


def known(p):
    return {k: s for k, s in p.main.scalars.items() if s.value == s.value}


def row(p, key):
    """An output as a row of a table reads: its name, its value, its band and its unit."""
    found = shown(key, p.main.scalars[key])
    band = "fixed" if found.fixed else found.band
    return " ".join(filter(None, (row_name(key, batch_of(p) is not None), found.value, band, found.unit)))


def amounts(text, unit):
    """The numbers that stand before a unit in a text."""
    return set(re.findall(rf"(?<![\d.])(\d[\d.]*) {re.escape(unit)}(?![\w/])", text))


@pytest.mark.parametrize("name", MILLS)
def test_every_output_has_one_name_and_one_figure_in_every_table(name):
    p = made(name)
    assert {key for keys in NUMBERS.values() for key in keys} >= set(known(p)), "an output that no table shows"
    for key in known(p):
        for where in ("terminal", "html", "pdf"):
            assert row(p, key) in pages(name)[where], (key, where)


@pytest.mark.parametrize("name", MILLS)
def test_the_boxes_on_top_are_rows_of_the_tables(name):
    p = made(name)
    facts = next(b for s in report(p).sections for b in s.blocks if isinstance(b, Facts)).facts
    names = {row_name(key, batch_of(p) is not None): shown(key, s) for key, s in known(p).items()}
    told = [f for f in facts if f.label in names]
    assert len(told) == 5
    for fact in told:
        assert fact.value == names[fact.label].text
        assert fact.remark == "no band" or names[fact.label].band in fact.remark


@pytest.mark.parametrize("name", MILLS)
def test_sentences_say_the_figures_of_the_tables(name):
    p = made(name)
    told = {key: shown(key, s) for key, s in known(p).items()}
    for where in ("terminal", "html", "pdf"):
        text = pages(name)[where]
        for key in ("x50_m", "x90_m"):
            assert f"{OUTPUTS[key].symbol} = {told[key].text}" in text, (key, where)
        assert f"energy from the socket is {told['gross_J_kg'].text}" in text
        assert f"{in_kilojoules(p.main.scalars['gross_J_kg']).text};" in text
        assert f"{told['net_J_kg'].text} are energy above idling" in text
        assert f"is hit about {told['hits_per_particle'].value} times" in text
        assert f"{told['hits_above_threshold_share'].text} of the hits are hard enough" in text
        outlet = told["outlet_temperature_K"].text
        assert re.search(rf"(leave at|as warm as) {outlet}", text), where
        assert told["throughput_kg_s"].text in text.split("How fine" if where == "terminal" else "How hot")[0]


@pytest.mark.parametrize("name", MILLS)
def test_why_says_the_figures_of_the_tables(name):
    p = made(name)
    told = {key: shown(key, s) for key, s in known(p).items()}
    for where in ("html", "pdf"):
        text = pages(name)[where]
        assert f"takes about {told['hits_per_particle'].value} hits" in text
        assert f"the tips run at {told['tip_speed_m_s'].text}" in text.replace("The tips", "the tips")
        assert f"of the powder's x50 ({told['x50_m'].text}, " in text
        assert f"The socket gives {told['electrical_power_W'].text}:" in text


@pytest.mark.parametrize("name", MILLS)
def test_limits_show_the_load_as_the_output_reads(name):
    p = made(name)
    outlet, limit = shown("outlet_temperature_K", p.main.scalars["outlet_temperature_K"]), p.temperature_limit_K
    for where in ("terminal", "html", "pdf"):
        assert f"outlet temperature {outlet.value} {limit - 273.15:.0f} °C" in pages(name)[where]


@pytest.mark.parametrize("name", MILLS)
@pytest.mark.parametrize("figure", SHOWN_IN)
def test_figures_and_their_alternative_texts_say_the_same(name, figure):
    p = made(name)
    drawn = plots.figure(p, figure)
    labels = [flat(t.get_text()) for t in drawn.findobj(matplotlib.text.Text)]
    for key in SHOWN_IN[figure]:
        told = shown(key, p.main.scalars[key]).text
        assert any(re.search(rf"(^| ){re.escape(told)}( |$)", label) for label in labels), (told, labels)
    alt = alt_text(p, figure)
    assert alt in pages(name)["alts"]
    if figure != "energy_ledger":  # bars are told to the watt, so that they add up
        assert all(shown(key, p.main.scalars[key]).text in alt for key in SHOWN_IN[figure])


@pytest.mark.parametrize("name", MILLS)
def test_the_ledger_reads_the_same_in_table_figure_and_words(name):
    p = made(name)
    labels = [t.get_text() for t in plots.figure(p, "energy_ledger").findobj(matplotlib.text.Text)]
    bars = {re.match(r"(.+) W  \(", label)[1] for label in labels if "W  (" in label}
    for where in ("terminal", "html", "pdf"):
        text = pages(name)[where]
        for key, s in {**p.main.ledger_in_W, **p.main.ledger_out_W}.items():
            watts = re.search(rf"\b{ledger_name(key)} (\S+) [\d.]+ %", text) if s.value > 0.05 else None
            assert s.value <= 0.05 or watts[1] in bars, (key, where)
    assert amounts(alt_text(p, "energy_ledger"), "W") <= bars


@pytest.mark.parametrize("name", MILLS)
def test_the_pull_on_a_screw_is_the_pull_of_the_bar(name):
    text = pages(name)["html"]
    head = re.search(r"across the pull of (?:a hammer|half a bar), (\S+) N, times 1.5 for blows", text)
    told = re.search(r"[Hh]alf a bar's length pulls (\S+) N|pull of a hammer[^N]*? (\S+) N", text)
    assert head and told and head[1] in told.groups()


def test_pictures_are_among_those_looked_at():
    names = {b.name for s in report(made("demo")).sections for b in s.blocks if isinstance(b, Picture)}
    assert set(SHOWN_IN) < names


def test_a_run_that_stands_from_the_first_moment_is_drawn_and_told():
    p = fake_prediction()
    still = replace(p.trace, speed_rad_s=np.zeros(2), time_s=np.array([0.1, 0.2]), torque_Nm=np.zeros(2),
                    peak_torque_Nm=np.zeros(2), pieces=np.array([3.0, 4.0]), charge_kg=np.full(2, 1e-3))  # fmt: skip
    told = alt_text(replace(p, trace=still), "torque_speed")
    assert "it stands from the first moment that is shown, up to 4 pieces" in told
    assert plots.render(plots.figure(replace(p, trace=still), "torque_speed"))
