"""Figures of heat, wear, circuit and cut test: drawn from the answers; what every figure's file says; inks on white."""

import re

import mills
import numpy as np
import pytest
from click.testing import CliRunner
from helpers import fake_prediction
from matplotlib.transforms import Bbox
from PIL import Image

from millsim.commands.main import cli
from millsim.show.plots import prediction, style
from millsim.show.plots.heat import figure_of
from millsim.studies.heat.answers import answers
from millsim.studies.heat.curve import heat_curve

COARSE = ("--set", "run.class_ratio=1.6", "--set", "run.band_samples=0")
ASKED = {  # name of the file: the command, and what its figure says
    "heat": (("pla.toml", *COARSE, "--set", "feed.rate=6 kg/h"),
             ("as asked: 6 kg/h", "most within the limit:", "keeps the limit: suction of", "No band was run")),
    "wear": (("pla.toml", *COARSE, "--lost", "0.05 g", "--milled", "2 kg"),
             ("all of it at the edges", "edges as round as blunt ones", "No band was run")),
    "circuit": (("demo.toml", *COARSE, "--sieve", "0.4 mm"),
                ("out of the mill, once through", "through the sieve, oversize returned", "sieve, 0.4 mm")),
    "cuttest": (("demo_cuttest.csv", "--motor", "800 W"),
                ("the same with idle power", "bare cut, by the card", "800 W: 1540 g/h")),
}  # fmt: skip


def run(command, *words):
    first, *rest = words
    return CliRunner().invoke(cli, [command, str(mills.CONFIGS / first), *map(str, rest)])


@pytest.mark.parametrize("command", ASKED)
def test_a_command_draws_its_figure_and_the_file_says_what_it_shows(command, tmp_path):
    words, said = ASKED[command]
    done = run(command, *words, "--plots", tmp_path)
    assert done.exit_code in (0, 3) and f"Drawn: {tmp_path / command}.png" in done.stderr, done.output
    with Image.open(tmp_path / f"{command}.png") as image:
        told = image.text
    assert told["Description"].startswith(told["Title"]) and len(told["Title"]) > 10
    for part in (*said, "millsim"):
        assert part in told["Description"], (part, told)
    again = run(command, *words, "--plots", tmp_path)
    assert again.exit_code == 2 and f"{command}.png exists already" in again.stderr, "found before any work"


def test_a_mill_that_hardly_grinds_is_drawn_as_one():
    a = answers(mills.config("demo", "run.class_ratio=1.6", "drive.tip_speed=20 m/s"), draws=2)
    told = [text.get_text() for axes in figure_of(a, heat_curve(a)).axes for text in axes.texts]
    assert "it hardly grinds, so no rate is given" in told


def test_a_page_is_the_same_however_its_layout_is_solved():
    """The solver goes through its conditions by their addresses, so the last bit of a place is a matter of chance."""

    def laid_out(nudge):
        figure, _ = style.frame_side("What", "for whom", "foot", (1.2, 1.0))
        engine = figure.get_layout_engine()
        solve = engine.execute

        def execute(page):
            solve(page)
            for axes in page.axes:
                places = axes.get_position(original=True).extents
                axes.set_position(Bbox.from_extents([nudge(x) for x in places]), which="original")

        engine.execute = execute
        return prediction.render(figure), [axes.get_position().extents.tolist() for axes in figure.axes]

    assert laid_out(float) == laid_out(lambda x: np.nextafter(x, 1.0)) == laid_out(lambda x: np.nextafter(x, 0.0))


def test_the_curve_of_heat_goes_through_what_the_answers_say():
    # Three searches of one state: at the rate asked for, at the largest within the limit, and along the curve.
    config = mills.config("pla", "run.class_ratio=1.6", "feed.rate=6 kg/h")
    a = answers(config, draws=2)
    c = heat_curve(a)
    for rate, T in ((a.rate_kg_s, a.value("outlet_K")), (a.value("largest_kg_s"), a.limit_K)):
        assert np.interp(rate, c.amount, c.outlet_K) == pytest.approx(T, abs=0.3)
    assert c.draws_K.shape == (2, c.amount.size) and c.amount[-1] > 1.3 * a.rate_kg_s
    assert not np.allclose(c.draws_K[0], c.outlet_K, equal_nan=True)


def test_svg_files_have_a_title_and_a_description():
    p = fake_prediction()
    text = prediction.render(prediction.figure(p, "rates"), "svg", "What is told to those who do not see it.").decode()
    assert re.search(r"<title>Why: [^<]+</title>", text)
    assert "<dc:description>What is told to those who do not see it.</dc:description>" in text


def contrast_on_white(color):
    """Contrast of WCAG 2.1 on white."""
    parts = [int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 1.05 / (float(np.dot((0.2126, 0.7152, 0.0722), linear)) + 0.05)


@pytest.mark.parametrize("ink", ["BLACK", "ORANGE", "SKY", "GREEN", "BLUE", "RED", "PURPLE", "GREY"])
def test_inks_on_white(ink):
    # WCAG 2.1, 1.4.3 and 1.4.11: 4.5 to 1 for words, 3 to 1 for lines.
    words = {"BLACK", "BLUE", "RED", "PURPLE", "GREY"}
    assert contrast_on_white(getattr(style, ink)) >= (4.5 if ink in words else 3.0)


def test_words_in_figures_are_set_in_inks_for_words():
    for name in prediction.names_for(p := fake_prediction()):
        figure = prediction.figure(p, name)
        for text in (t for axes in figure.axes for t in (*axes.texts, axes.title)):
            if text.get_text().strip():
                colour = text.get_color()
                assert colour in ("black", ".15", style.BLACK) or contrast_on_white(colour) >= 4.5, (name, text)


def test_a_circuit_of_a_mill_that_hardly_grinds_is_drawn_as_one(tmp_path):
    done = run(
        "circuit", "demo.toml", *COARSE, "--set", "drive.tip_speed=20 m/s", "--sieve", "0.4 mm", "--plots", tmp_path
    )
    assert done.exit_code == 3 and f"Drawn: {tmp_path / 'circuit.png'}" in done.stderr, done.output
