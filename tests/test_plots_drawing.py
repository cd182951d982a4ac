"""The mill drawing: everything to the scale it states, labelled with the right numbers, readable, always the same."""

import dataclasses
import functools
import hashlib
import itertools
import math
import os
import re
import subprocess
import sys
import warnings

import matplotlib
import mills
import numpy as np
import pytest
from helpers import fake_prediction
from matplotlib.collections import PatchCollection
from matplotlib.transforms import Bbox

from millsim.mill.config.mill import load_config, parse_config
from millsim.show.drawing import shape as drawing_shape
from millsim.show.drawing import sheet

INCH = 25.4
EXTREMES = {  # shipped config and what is changed
    "long and thin": (
        "tight_jam", "rotor.radius=10 mm", "rotor.bar_height=300 mm", "rotor.bar_thickness=0.5 mm", "rotor.bars=24",
        "rotor.edge=toothed", "stator.gap=0.05 mm", "stator.pins=60", "stator.pin_diameter=0.5 mm",
        "stator.free_length=300 mm", "sieve.hole=0.05 mm", "sieve.pitch=0.1 mm", "sieve.thickness=0.1 mm",
    ),
    "large and flat": (
        "pla", "rotor.radius=300 mm", "rotor.bar_height=1 mm", "rotor.bar_thickness=0.5 mm", "rotor.bars=24",
        "stator.gap=50 mm", "stator.pins=400", "stator.pin_diameter=5 mm", "stator.free_length=0.5 mm",
        "feed.opening=500 mm", "sieve.hole=30 mm", "sieve.pitch=60 mm", "sieve.thickness=20 mm",
    ),
    "one hammer, fine mesh": (
        "swinging", "sieve.hole=0.05 mm", "sieve.wire=0.03 mm", "stator.gap=30 mm", "rotor.bars=1", "stator.pins=1",
        "rotor.bar_thickness=60 mm",
    ),
    "thick shaft": ("demo", "shaft.diameter=100 mm", "stator.held=one end", "stator.threaded=true", "rotor.bars=2"),
    "block of a bar": ("pla", "rotor.radius=20 mm", "rotor.bars=1", "rotor.bar_thickness=100 mm", "stator.pins=7"),
}  # fmt: skip
CASES = (*mills.NAMES, *EXTREMES, "smooth")


PREDICTED = fake_prediction()


@functools.cache
def config(name, *more):
    """A shipped config, an extreme or a smooth wall, with more overrides."""
    if name == "smooth":
        lines = (mills.CONFIGS / "pla.toml").read_text(encoding="utf-8").splitlines()
        start, end = lines.index("[stator]"), lines.index("[sieve]")
        return parse_config("\n".join([*lines[:start], "[stator]", 'kind = "smooth"', 'gap = "2.5 mm"', *lines[end:]]))
    base, *settings = EXTREMES.get(name, (name,))
    return load_config(mills.CONFIGS / f"{base}.toml", [*settings, *more])


@functools.cache
def drawn(name, predicted=False):
    """The drawing of a case, once for all tests that look at it."""
    return sheet.drawing(config(name), PREDICTED if predicted else None)


def parts(figure, label):
    return [p for p in figure.axes[0].get_children() if p.get_label() == label]


def part(figure, label):
    (found,) = parts(figure, label)
    return found


def texts(figure):
    return [t for t in figure.findobj(matplotlib.text.Text) if t.get_text().strip() and t.get_visible()]


def words(figure):
    return [t.get_text() for t in texts(figure)]


def ratio(text):
    """The scale that "1 : 1.25" means, in mm of paper per mm."""
    left, right = text.split(" : ")
    return float(left) / float(right)


def view_scale(figure):
    (text,) = (w for w in words(figure) if w.startswith("Scale "))
    return ratio(text.removeprefix("Scale ").removesuffix(" on A4"))


def detail_scales(figure):
    return [ratio(w.removeprefix("scale ")) for w in words(figure) if w.startswith("scale ")]


def near(value):
    return pytest.approx(value, rel=1e-9)


def box(patch):
    """Left, lower, right and upper bound of a polygon."""
    xy = patch.get_xy()
    return (*xy.min(axis=0), *xy.max(axis=0))


@pytest.mark.parametrize("name", CASES)
def test_a_millimetre_of_the_axes_is_one_of_a_landscape_a4_page(name):
    figure = drawn(name)
    assert figure.get_size_inches() * INCH == near(np.array([297.0, 210.0]))
    corners = figure.axes[0].transData.transform([(0, 0), (297, 210)]) / figure.dpi * INCH
    assert corners.ravel() == pytest.approx([0, 0, 297, 210], abs=1e-9)


@pytest.mark.parametrize("name", CASES)
def test_the_front_view_is_to_the_scale_it_states(name):
    c, figure = config(name), drawn(name)
    r, s, scale = c.rotor, c.stator, view_scale(figure)
    tip = part(figure, "tip circle")
    assert tip.radius == near(r.radius_m * 1e3 * scale)
    centre = np.array(tip.center)
    assert part(figure, "feed opening").radius == near(c.feed.opening_m * 1e3 / 2 * scale)
    pins = parts(figure, "pin")
    assert len(pins) == s.pins
    if s.pins:
        assert part(figure, "gap circle").radius - tip.radius == near(s.gap_m * 1e3 * scale)
        assert {round(p.radius / scale * 2e6) for p in pins} == {round(s.pin_diameter_m * 1e9)}
        from_axis = np.array([p.center for p in pins]) - centre
        where = (r.radius_m + s.gap_m + s.pin_diameter_m / 2) * 1e3 * scale
        assert np.hypot(*from_axis.T) == near(where)
        angles = np.unwrap(np.arctan2(from_axis[:, 1], from_axis[:, 0]))
        assert np.diff(angles) == near(np.full(s.pins - 1, 2 * math.pi / s.pins))


@pytest.mark.parametrize("name", CASES)
def test_bars_stand_evenly_with_their_thickness_and_reach_the_tip_circle(name):
    c, figure = config(name), drawn(name)
    r, scale, shape = c.rotor, view_scale(figure), drawing_shape.shape_of(config(name))
    centre = np.array(part(figure, "tip circle").center)
    bars = parts(figure, "bar")
    assert len(bars) == r.bars
    for bar, angle in zip(bars, np.radians(shape.bar_angles()), strict=True):
        along = np.array([math.cos(angle), math.sin(angle)])
        points = (bar.get_xy() - centre) / scale
        across = points @ np.array([-along[1], along[0]])
        assert np.ptp(across) == near(r.bar_thickness_m * 1e3)
        if r.bar_thickness_m < 2 * r.radius_m:
            assert np.hypot(*points.T).max() == near(r.radius_m * 1e3)
        else:  # a block wider than its rotor: drawn as wide as the config says, for everybody to see
            assert (points @ along).max() == near(r.radius_m * 1e3)
    steps = np.diff(shape.bar_angles())
    assert steps == near(np.full(r.bars - 1, 360 / r.bars))


@pytest.mark.parametrize("name", CASES)
def test_the_sieve_covers_its_share_of_the_periphery(name):
    c, figure = config(name), drawn(name)
    pin = c.stator.pin_diameter_m if c.stator.pins else 0.0
    radius = c.rotor.radius_m + c.stator.gap_m + pin
    share = c.sieve.area_m2 / (2 * math.pi * radius * c.rotor.bar_height_m)
    arc = part(figure, "sieve")
    assert arc.theta2 - arc.theta1 == near(360 * min(1.0, share))
    assert arc.width == near(2e3 * radius * view_scale(figure))
    left, _, right, _ = box(parts(figure, "sieve side")[0])
    assert right - left == near(max(1.0, share) * c.rotor.bar_height_m * 1e3 * view_scale(figure))
    assert any(w.startswith("sieve ") and w.endswith("°") for w in words(figure))


@pytest.mark.parametrize("name", CASES)
def test_the_section_has_the_same_scale_and_the_height_of_bars_and_pins(name):
    c, figure = config(name), drawn(name)
    scale = view_scale(figure)
    bars = [box(p) for p in parts(figure, "bar side")]
    assert len(bars) == min(c.rotor.bars, 2)
    for left, _, right, _ in bars:
        assert right - left == near(c.rotor.bar_height_m * 1e3 * scale)
    top, bottom = max(b[3] for b in bars), min(b[1] for b in bars)
    if c.rotor.bars > 1:
        assert top - bottom == near(2e3 * c.rotor.radius_m * scale)
    for left, low, right, high in map(box, parts(figure, "pin side")):
        assert right - left == near(c.stator.free_length_m * 1e3 * scale)
        assert high - low == near(c.stator.pin_diameter_m * 1e3 * scale)
    assert len(parts(figure, "pin side")) == min(c.stator.pins, 2)
    if c.rotor.bars > 1 and c.stator.pins > 1:
        upper = max(box(p)[1] for p in parts(figure, "pin side"))
        assert upper - top == near(c.stator.gap_m * 1e3 * scale)
    shafts = parts(figure, "shaft side")
    assert bool(shafts) == (c.shaft.diameter_m is not None)
    for _, low, _, high in map(box, shafts):
        assert high - low == near(c.shaft.diameter_m * 1e3 * scale)


def hole_centres(figure):
    """Centres and sizes of the holes of each piece of sieve that shows them, on the sheet."""
    for patches in (c for c in figure.axes[0].collections if isinstance(c, PatchCollection)):
        bounds = np.array([p.get_extents().bounds for p in patches.get_paths()])
        yield bounds[:, :2] + bounds[:, 2:] / 2, bounds[:, 2]


@pytest.mark.parametrize("name", CASES)
def test_the_details_are_to_their_scale(name):
    p = PREDICTED
    c, figure = config(name), drawn(name, True)
    scales = detail_scales(figure)
    last = scales[-1]
    s = c.sieve
    pitch = s.hole_m + s.wire_m if s.kind == "mesh" else s.pitch_m
    shown = list(hole_centres(figure))
    assert shown
    for (centres, sizes), scale in zip(shown[::-1], scales[::-1], strict=False):
        middle = centres[np.argmin(np.hypot(*(centres - centres.mean(axis=0)).T))]
        apart = np.sort(np.hypot(*(centres - middle).T))
        neighbours = 4 if s.kind == "mesh" else 6  # a square net, or a 60 degree stagger
        assert apart[1 : neighbours + 1] == near(np.full(neighbours, pitch * 1e3 * scale))
        assert apart[neighbours + 1] > 1.3 * apart[1]
        assert sizes == pytest.approx(s.hole_m * 1e3 * scale, rel=1e-3)  # curves of a circle are known to 1e-4
    largest = part(figure, "largest feed")
    assert largest.radius == near(c.feed.size.top_m * 1e3 / 2 * scales[0])
    for key, label in (("x50_m", "x50"), ("x90_m", "x90")):
        assert part(figure, label).radius == near(p.main.scalars[key].value * 1e3 / 2 * last)
    upper = parts(figure, "detail pin") or parts(figure, "detail wall")
    under = upper[0].center[1] - upper[0].radius if c.stator.pins else box(upper[0])[1]
    bar = part(figure, "detail bar").get_xy()
    level = bar[:, 1].max() if c.rotor.edge != "bevelled" else bar[np.argmax(bar[:, 0] + 1e-9 * bar[:, 1]), 1]
    assert under - level == pytest.approx(c.stator.gap_m * 1e3 * scales[0], rel=1e-6, abs=1e-9)
    assert np.ptp(bar[:, 0]) == near(c.rotor.bar_thickness_m * 1e3 * scales[0])


def test_the_median_of_the_feed():
    sizes = {n: config(n).feed.size for n in mills.NAMES}
    assert drawing_shape.median_feed(sizes["pla"]) == 4e-3
    assert drawing_shape.median_feed(sizes["batch"]) == 3.5e-3  # lognormal, as given
    # RRSB: Q3(x) = 1 - exp(-(x/x')^n) = 1/2 at x = x' (ln 2)^(1/n), 4 mm and n = 4.
    assert drawing_shape.median_feed(sizes["swinging"]) == near(4e-3 * math.log(2) ** 0.25)
    table = dataclasses.replace(sizes["demo"], sheet_apertures_m=(1e-3, 2e-3, 4e-3), sheet_q3=(0.1, 0.3, 0.7))
    assert drawing_shape.median_feed(table) == near(math.sqrt(2e-3 * 4e-3))  # half way in ln x


def test_the_edge_shows_on_the_leading_side():
    shapes = {e: drawing_shape.shape_of(config("demo", f"rotor.edge={e}")) for e in ("blunt", "bevelled", "toothed")}
    outlines = {e: drawing_shape.bar_outline(s) for e, s in shapes.items()}
    half = shapes["blunt"].thickness / 2
    for edge, points in outlines.items():
        lead, trail = (np.hypot(*points[points[:, 0] == x].T).max() for x in (half, -half))
        assert lead == near(60.0)
        assert trail == near(60.0) if edge != "bevelled" else trail < 57.0
    notches = [p for p in outlines["toothed"] if abs(p[0]) < half and p[1] < 57.0]
    assert len(notches) == 3 and all(x > 0 for x, _ in notches)
    assert len(outlines["toothed"]) > len(outlines["blunt"]) == len(outlines["bevelled"])


def test_turning_with_the_clock_and_the_edge_ahead():
    # The leading side of a bar that points up lies to the right; the arrow's head lies further with the clock.
    figure = drawn("demo")
    centre = np.array(part(figure, "tip circle").center)
    heads = [p for p in figure.axes[0].patches if p.get_linewidth() == 1.8 and p.get_edgecolor()[2] > 0.6]
    (a, b) = (np.array(p) - centre for p in heads[0]._posA_posB)
    assert a[0] * b[1] - a[1] * b[0] < 0
    up = max(parts(figure, "bar"), key=lambda p: p.get_xy()[:, 1].max()).get_xy() - centre
    assert up[np.argmax(up[:, 1]), 0] > 0


DEMO_WORDS = {
    "rotor Ø 120 mm", "gap 3 mm", "bar height 20 mm", "4 bars, 8 mm thick", "bevelled leading edge", "12 pins Ø 8 mm",
    "on a circle Ø 134 mm", "pins' free length 20 mm", "hole Ø 0.6 mm", "pitch 1.2 mm", "plate 0.6 mm thick",
    "feed opening Ø 30 mm", "sieve width 20 mm", "largest feed 5.6 mm,", "workshop acrylic mill", "tip speed 60 m/s,",
    "speed 9549 rpm,", "edge: bevelled", "mount: rigid", "open: 22.7 %, 17 cm²", "millsim 0.1.0",
    "Drawn from the config; hub, casing and anything", "drawn without a prediction:",
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_a_drawing_calls_nothing_safe(name):
    told = " ".join(words(drawn(name)))
    assert "Mill drawing" in told and not re.search(r"\bsafe(ly)?\b", told, re.IGNORECASE)


def test_the_labels_of_the_demo():
    # Pin circle 2 (60 + 3 + 4) mm; 60 m/s on 60 mm is 1000 rad/s; open (pi / 2 sqrt 3) (0.6 / 1.2)^2 = 22.7 %.
    found = set(words(drawn("demo")))
    assert found >= DEMO_WORDS
    c = config("demo")
    assert f"config {c.sha256[:12]}" in found
    # 75 cm2 of 2 pi 71 mm 20 mm = 89.2 cm2.
    assert {"sieve 303°", "84.1 % of the periphery"} <= found


def test_labels_of_hammers_mesh_screws_shaft_and_smooth_walls():
    found = set(words(drawn("swinging")))
    assert {"6 hammers, 5 mm thick", "hammer height 20 mm", "hammer tip to pin", "opening 1.6 mm", "pitch 2.4 mm",
            "square weave", "mount: swinging"} <= found  # fmt: skip
    assert any(w.startswith("pivots") and w.endswith("at radius 45 mm") for w in found)
    assert {"12 screws Ø 8 mm", "shaft Ø 100 mm"} <= set(words(drawn("thick shaft")))
    assert {"smooth wall", "Ø 125 mm", "bar tip to wall", "gap 2.5 mm"} <= set(words(drawn("smooth")))


def test_the_predicted_powder_is_told_with_what_it_is_worth():
    p = PREDICTED
    assert {"x50", "0.27 mm", "Predicted, not measured."} <= set(words(drawn("demo", True)))
    stuck = dataclasses.replace(p, status="cannot run")
    assert "Predicted (for next to no feed), not measured." in words(sheet.drawing(config("demo"), stuck))
    x50 = dataclasses.replace(p.main.scalars["x50_m"], value=math.nan)
    nothing = dataclasses.replace(p, main=dataclasses.replace(p.main, scalars={"x50_m": x50}))
    figure = sheet.drawing(config("demo"), nothing)
    assert words(figure).count("unknown") == 2 and not parts(figure, "x50")


@pytest.mark.parametrize("predicted", [False, True])
@pytest.mark.parametrize("name", CASES)
def test_no_text_meets_another_or_a_border_and_all_is_legible(name, predicted):
    figure = drawn(name, predicted)
    renderer = figure.canvas.get_renderer()
    mm = INCH / renderer.dpi
    boxes = [(t.get_text(), t.get_window_extent(renderer)) for t in texts(figure)]
    assert len(boxes) > 35
    for (one, a), (other, b) in itertools.combinations(boxes, 2):
        overlap = min(a.x1, b.x1) > max(a.x0, b.x0) and min(a.y1, b.y1) > max(a.y0, b.y0)
        assert not overlap, f"{one!r} meets {other!r}"
    foot, floor, wall = sheet.MARGIN + sheet.STRIP, sheet.MARGIN + sheet.STRIP + sheet.BLOCK, sheet._RIGHT
    for text, b in boxes:
        left, right, low, high = b.x0 * mm, b.x1 * mm, b.y0 * mm, b.y1 * mm
        assert left > 7.5 and right < 289.5 and low > 7.3 and high < 202.5, text
        assert not low < floor < high and not low < foot < high, text
        assert low < floor or not left < wall < right, text
    assert min(t.get_fontsize() for t in texts(figure)) >= 9
    for patch in figure.axes[0].patches:
        b = Bbox.intersection(patch.get_window_extent(renderer), patch.get_clip_box())  # a detail is cut to its cell
        assert b is not None, patch
        assert b.x0 * mm > 7 and b.x1 * mm < 290 and b.y0 * mm > 7 and b.y1 * mm < 203, patch
        assert not b.x0 * mm < wall < b.x1 * mm and not b.y0 * mm < floor < b.y1 * mm, patch


@pytest.mark.parametrize("name", CASES)
def test_a_scale_bar_is_as_long_as_it_says(name):
    figure = drawn(name)
    bars = [p for p in figure.axes[0].patches if p.get_zorder() == 8]
    halves = [box(p) for p in bars]
    pairs = list(zip(halves[::2], halves[1::2], strict=True))
    lengths = {round(b[2] - a[0], 6) for a, b in pairs}
    scales = [*detail_scales(figure), view_scale(figure)]
    assert len(pairs) == len(scales)
    said = [t.get_text() for t in texts(figure) if t.get_va() == "center" and not t.get_rotation()]
    told = {round(float(t.removesuffix(" mm")) * s, 6) for t, s in zip(said, scales, strict=True)}
    assert lengths == told


@pytest.mark.parametrize("wrong", ["stator.gap=30 mm", "sieve.hole=6 mm", "rotor.radius=6 cm"])
def test_a_wrong_unit_shows(wrong):
    settings = [wrong, "sieve.pitch=12 mm", "sieve.thickness=5 mm"] if "hole" in wrong else [wrong]
    figure = sheet.drawing(config("demo", *settings))
    if "gap" in wrong:  # half a rotor radius of empty air
        assert part(figure, "gap circle").radius / part(figure, "tip circle").radius == near(1.5)
    elif "hole" in wrong:  # feed that falls through
        assert part(figure, "hole beside powder").radius > part(figure, "largest feed").radius
    else:  # no slip at all: the same drawing
        assert words(figure) == words(drawn("demo"))


@pytest.mark.parametrize("suffix", sheet.SUFFIXES)
@pytest.mark.parametrize("name", ["demo", "one hammer, fine mesh"])
def test_the_same_bytes_each_time(name, suffix):
    first = sheet.to_bytes(sheet.drawing(config(name), PREDICTED), suffix)
    with matplotlib.rc_context({"font.size": 30, "lines.linewidth": 9, "savefig.dpi": 30}):  # a user's settings
        assert sheet.to_bytes(sheet.drawing(config(name), PREDICTED), suffix) == first
    assert first.startswith({"png": b"\x89PNG", "svg": b"<?xml", "pdf": b"%PDF"}[suffix])
    assert b"Date" not in first and b"matplotlib" not in first.lower().replace(b"matplotlib.org/", b"")


def test_the_same_bytes_in_another_process():
    code = (
        "import hashlib, sys\nfrom millsim.mill.config import mill as config\n"
        "from millsim.show.drawing import sheet as d\n"
        f"c = config.load_config({str(mills.CONFIGS / 'demo.toml')!r})\n"
        "print(*(hashlib.sha256(d.to_bytes(d.drawing(c), s)).hexdigest() for s in d.SUFFIXES))"
    )
    env = {**os.environ, "PYTHONHASHSEED": "2", "TZ": "Asia/Tokyo"}
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=120, env=env
    )
    here = sheet.drawing(config("demo"))
    assert done.stdout.split() == [hashlib.sha256(sheet.to_bytes(here, s)).hexdigest() for s in sheet.SUFFIXES]
    assert len(sheet.SUFFIXES) == 3


def test_any_name_of_a_mill_stays_in_its_place():
    for name in ("a mill named $x_1$ and {all} \\that " * 9, "粉碎機 № 1", "W" * 500):
        c = dataclasses.replace(config("demo"), name=name)
        figure = sheet.drawing(c)
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", message="Glyph")
            title = next(t for t in texts(figure) if t.get_fontsize() == 12)
            assert title.get_window_extent(figure.canvas.get_renderer()).x1 / figure.dpi * INCH < 100
        for suffix in sheet.SUFFIXES:
            assert len(sheet.to_bytes(figure, suffix)) > 10000
