"""Figures of sieve sheets: units, sample, what is marker and what is line, readable and within the page."""

import math
from pathlib import Path

import matplotlib
import numpy as np
import pytest
from helpers import HAND

from millsim.base.reading import fits
from millsim.base.reading.sheet import parse_sheet
from millsim.show.plots import sieve

SHEETS = {
    "hand": HAND,
    "pan not weighed": "aperture_mm,retained_g\n1,10\n0.5,20\n0.25,14\ncharge,50\n",
    "all fine": "aperture_mm,retained_g\n0.25,0\n0.09,0\npan,49.8\n",
    "all coarse": "aperture_mm,retained_g\n0.25,5\n0.09,0\npan,0\n",
    "one sieve": "aperture_mm,passing_%\n0.25,30\n",
    "a very long name of a sample that someone gave to a file $x$": HAND,
}


def sheet(name, text=None):
    return parse_sheet(text or SHEETS[name], "s", Path(f"{name}.csv"), pan="passed")


def drawings(sheets):
    return [f(sheets) for f in (sieve.cumulative, sieve.density, sieve.rrsb)]


def texts(figure):
    return [t for t in figure.findobj(matplotlib.text.Text) if t.get_text().strip() and t.get_visible()]


@pytest.mark.parametrize("name", SHEETS)
@pytest.mark.parametrize("count", [1, 3, 9])
def test_every_figure_is_named_legible_and_on_the_page(name, count):
    for figure in drawings([sheet(name)] * count):
        figure.canvas.draw()
        words = "\n".join(t.get_text() for t in texts(figure))
        assert ("sieve sheets" if count > 1 else name[:37]) in words and "Measured by sieving" in words
        axes = figure.axes[0]
        assert axes.get_xlabel() == "Particle size $x$ / mm" and "/" in axes.get_ylabel()
        assert min(t.get_fontsize() for t in texts(figure)) >= 9
        box, (width, height) = figure.get_tightbbox(), figure.get_size_inches()
        assert min(box.x0, box.y0) >= 0 and box.x1 <= width and box.y1 <= height


def test_the_cumulative_figure_marks_what_was_measured():
    hand = sheet("hand")
    axes = sieve.cumulative([hand]).axes[0]
    measured = next(line for line in axes.lines if line.get_label() == "hand, sieved")
    assert measured.get_marker() == "o" and axes.get_xscale() == "log"
    np.testing.assert_allclose(measured.get_xdata(), np.array(hand.apertures_m) * 1e3)
    np.testing.assert_allclose(measured.get_ydata(), np.array(hand.q3) * 100)
    words = [t.get_text() for t in texts(axes.figure)]
    assert {"x10 = 0.228 mm", "x50 = 0.580 mm", "x90 = 1.216 mm"} <= set(words)
    assert "RRSB fit: x' = 0.779 mm, n = 1.95" in words and "left open by what is missing" in words


def test_the_histogram_has_area_one_and_hatches_what_is_assumed():
    hand = sheet("hand")
    edges, q3 = sieve.histogram(hand)
    assert edges[0] == pytest.approx(45e-6) and edges[-1] == 2.8e-3 and (q3[0], q3[-1]) == (0.0, 1.0)
    axes = sieve.density([hand]).axes[0]
    steps = axes.patches[-1].get_data()
    area = np.dot(steps.values, np.diff(np.log(steps.edges)))
    assert area == pytest.approx(1.0, rel=1e-12)
    # Highest class: 0.5 to 0.71 mm, 11.9 of 49.55 g over ln(0.71/0.5).
    assert steps.values.max() == pytest.approx(11.9 / 49.55 / math.log(0.71 / 0.5), rel=1e-12)
    hatched = [p for p in axes.patches if getattr(p, "get_hatch", lambda: None)()]
    assert sorted(round(p.get_x(), 6) for p in hatched) == [0.045, 2.0]


def test_the_net_is_straight_and_read_at_63_per_cent():
    hand = sheet("hand")
    axes = sieve.rrsb([hand]).axes[0]
    found = fits.fit("rrsb", hand.apertures_m, hand.q3)
    line = next(x for x in axes.lines if x.get_label().startswith("RRSB"))
    slope = np.diff(line.get_ydata()) / np.diff(np.log(line.get_xdata()))
    assert slope == pytest.approx(found.shape, rel=1e-12)
    # At x' the ordinate ln(-ln(1 - Q3)) is 0, that is, Q3 = 1 - 1/e = 63.2 %.
    at = math.exp(np.interp(0.0, line.get_ydata(), np.log(line.get_xdata())))
    assert at == pytest.approx(found.size_m * 1e3, rel=1e-9)
    ticks = dict(zip((t.get_text() for t in axes.get_yticklabels()), axes.get_yticks(), strict=True))
    assert ticks["63.2"] == pytest.approx(0.0, abs=1e-3) and ticks["10"] == pytest.approx(math.log(-math.log(0.9)))
    words = [t.get_text() for t in texts(axes.figure)]
    assert "x' = 0.779 mm at 63.2 %\nslope n = 1.95" in words
