"""Figures of a sweep: what they show and say, that they are legible, and that odd sweeps do not break them.

All numbers of the sweeps made here are INVENTED, save for the one that is really computed.
"""

import dataclasses
import itertools
import subprocess
import sys
from pathlib import Path

import matplotlib
import numpy as np
import pytest
import sweeps
from lazily import later
from matplotlib.patches import PathPatch
from matplotlib.text import Text

from millsim.base.quantities.params import BASES, Param
from millsim.errors import InputError, NotConverged, NothingRuns, Problem
from millsim.explore.choose.record import Build, Choice, Target
from millsim.explore.sweep import compute
from millsim.explore.sweep import reasons as sweepwhy
from millsim.explore.sweep.record import Failure, Tornado
from millsim.record.limits import CANNOT, FAILED, LIMITS, MISSING, OK, OVER
from millsim.record.outputs import OUTPUTS, axis_label
from millsim.show.plots import line as plots_line
from millsim.show.plots import map, page, pareto, prediction, style
from millsim.show.plots import sweep as plots_sweep
from millsim.show.plots import tornado as plots_tornado
from millsim.show.plots.cut import cut, factor_ticks, is_even_in_log, least_span, ruler
from millsim.studies.prebuild.review import bits

stats = later("scipy.stats")

SPEED = sweeps.axis("drive.speed", 600.0, 900.0, 1200.0, 1500.0, unit="rad/s", shown="rpm")
EDGE = sweeps.axis("rotor.edge", "blunt", "bevelled", "toothed", unit="1", shown="-")
GEOMETRIC = sweeps.axis("sieve.hole", 0.3e-3, 0.6e-3, 1.2e-3, 2.4e-3)
PIN_REASON = Failure(
    "contradiction: stator pins", "contradiction: stator.pins 60 pins of 8 mm do not fit around the stator (421 mm)"
)


def spread(count):
    """Values that differ from point to point, as a mill's would."""
    k = np.arange(count)
    rate = (1 + k % 7 + 0.1 * k) / 3600
    return {"x50_m": (120 + 37 * (k % 5) + 3 * k) * 1e-6, "throughput_kg_s": rate, "gross_J_kg": 2500 / rate,
            "outlet_temperature_K": 310 + k % 9}  # fmt: skip


def sweep(*axes, status=None, draws=0, design="grid", replicates=1, **values):
    sizes = [len(a.values) for a in axes] if design == "grid" else [len(axes[0].values)]
    count = int(np.prod(sizes)) * replicates
    found = sweeps.points(count, status=status, draws=draws, **(spread(count) | values))
    base = sweeps.made(axes, found, design, replicates, sweeps.points(1, draws=draws))
    return dataclasses.replace(base, tornado=tornado())


def param(name, basis, value=1.0, low=0.5, high=2.0, unit="-", scale="linear"):
    return Param(name, value, unit, low, high, basis, "invented", scale)


def tornado():
    """One parameter of every basis, with effects that fall from the first to the last."""
    parameters = tuple(param(f"part_{i}", basis) for i, basis in enumerate(BASES))
    off = np.linspace(0.4, 0.05, len(parameters))
    low = {n: sweeps.PLAIN[n] * (1 - off) for n in ("x50_m", "throughput_kg_s", "gross_J_kg")}
    high = {n: sweeps.PLAIN[n] * (1 + 0.5 * off) for n in low}
    return Tornado(parameters, low, high)


def mixed(count):
    """All states in turn: most run, some take less, some not at all."""
    return np.array([OK, OK, OVER, OK, CANNOT, OK, OK, FAILED, OK, OVER, MISSING, OK] * count)[:count]


def sampled(count=40):
    rng = np.random.default_rng(5)
    axes = (
        sweeps.axis("stator.gap", *np.linspace(1e-3, 5e-3, count)),
        sweeps.axis("drive.speed", *rng.permutation(np.linspace(600, 1500, count)), unit="rad/s", shown="rpm"),
        sweeps.axis("rotor.edge", *rng.choice(["blunt", "toothed"], count).tolist(), unit="1", shown="-"),
    )
    return sweep(*axes, design="sobol", status=mixed(count), reason={7: PIN_REASON})


ONE = sweeps.axis("stator.gap", 3e-3)
KINDS = {
    "two axes": lambda: sweep(sweeps.GAP, sweeps.HOLE, draws=16),
    "three axes, mixed": lambda: sweep(sweeps.GAP, SPEED, GEOMETRIC, status=mixed(48), reason={7: PIN_REASON}),
    "one axis": lambda: sweep(GEOMETRIC, draws=16),
    "one axis, mixed": lambda: sweep(SPEED, status=[OK, OVER, CANNOT, OK], binding=2),
    "one value": lambda: sweep(ONE),
    "a single row": lambda: sweep(ONE, sweeps.HOLE),
    "words": lambda: sweep(EDGE, draws=9),
    "words and numbers": lambda: sweep(EDGE, GEOMETRIC, status=mixed(12)),
    "sampled": sampled,
    "replicates": lambda: sweep(sweeps.GAP, sweeps.HOLE, replicates=3),
    "all but one out": lambda: sweep(sweeps.GAP, sweeps.HOLE, status=[CANNOT] * 4 + [OK] + [CANNOT] * 4),
    "islands": lambda: sweep(sweeps.GAP, SPEED, x50_m=np.where(np.arange(12) % 5 == 2, np.nan, 3e-4)),
    "all alike": lambda: sweep(sweeps.GAP, SPEED, x50_m=3e-4, throughput_kg_s=3e-4, gross_J_kg=1e6),
}


def figures(s):
    """Figures of every kind that depends on the points, by name."""
    maps = {n: map.sweep_map(s, plots_sweep.MAPS[n]) for n in ("x50", "energy")}
    trades = {f"pareto {n}": pareto.trade_off(s, *o) for n, o in plots_sweep.TRADES.items()}
    return maps | trades


@pytest.fixture
def few(monkeypatch):
    """One figure of each kind is enough here."""
    for name in ("MAPS", "TRADES"):
        monkeypatch.setattr(plots_sweep, name, {"x50": getattr(plots_sweep, name)["x50"]})
    monkeypatch.setattr(plots_sweep, "TORNADOS", ("x50",))


def texts(figure):
    """The texts that are drawn; ticks beyond the limits of an axis keep a text but are not."""
    beyond = set()
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            room = 1e-6 * (high - low)
            ticks = [t for t in axis.get_major_ticks() if not low - room <= t.get_loc() <= high + room]
            beyond |= {id(t.label1) for t in ticks}
    return [t for t in figure.findobj(Text) if t.get_text().strip() and t.get_visible() and id(t) not in beyond]


def words(figure):
    return "\n".join(t.get_text().replace("\u00a0", " ") for t in texts(figure))


def flat(figure):
    return " ".join(words(figure).split())


def check_legible(figure, name):
    """Nothing below 9 pt, nothing off the page, no two texts on one another."""
    figure.draw_without_rendering()
    seen = texts(figure)
    assert min(t.get_fontsize() for t in seen) >= 9
    drawn = [(t.get_text(), Text.get_window_extent(t)) for t in seen]
    whole = figure.bbox
    for text, box in drawn:
        inside = box.x0 >= 0 and box.y0 >= 0 and box.x1 <= whole.x1 and box.y1 <= whole.y1
        assert inside, f"{name}: {text!r} runs off the page"
    for (one, a), (two, b) in itertools.combinations(drawn, 2):
        over = min(a.x1, b.x1) - max(a.x0, b.x0), min(a.y1, b.y1) - max(a.y0, b.y0)
        assert min(over) < 1.5, f"{name}: {one!r} meets {two!r}"


@pytest.mark.parametrize("kind", KINDS)
def test_every_figure_is_legible_and_says_what_it_rests_on(kind):
    s = KINDS[kind]()
    for name, figure in figures(s).items():
        check_legible(figure, f"{kind}, {name}")
        said = flat(figure)
        for part in ("invented mill", "Predictions, not measurements.", "model 0", f"config {s.base_sha256[:12]}"):
            assert part in said
        labels = [a.get_xlabel() for a in figure.axes] + [a.get_ylabel() for a in figure.axes]
        wordy = {"Rotor edge"}
        assert all("/" in label for label in labels if label and label not in wordy)
        assert any(labels)


def star(axes):
    """Where the mill as built is marked; None where it is not."""
    found = [line for line in axes.lines if line.get_marker() == "*"]
    return (found[0].get_xdata()[0], found[0].get_ydata()[0]) if found else None


def hatched(axes):
    """Patches over what is out, by what they say."""
    return {p.get_label(): p for p in axes.patches if isinstance(p, PathPatch) and p.get_hatch()}


def test_map_has_two_named_axes_the_figures_and_the_mill_as_built():
    s = sweep(sweeps.GAP, GEOMETRIC)
    figure = map.sweep_map(s, "x50_m")
    axes = figure.axes[0]
    assert (axes.get_xlabel(), axes.get_ylabel()) == ("Stator gap / mm", "Sieve hole / mm")
    assert (axes.get_xscale(), axes.get_yscale()) == ("linear", "log"), "geometric steps belong on a log axis"
    assert star(axes) == pytest.approx((3.0, 0.6)), "gap and hole of the demo mill"
    assert "as built: 0.300 mm" in words(figure)
    shown = cut(s, "x50_m").value[0]
    assert shown == pytest.approx(s.points.values["x50_m"].reshape(3, 4).T * 1e3), "y up, x across, in mm"
    levels = page.levels_of(shown, "mm")
    on_lines = {float(t.get_text()) for t in axes.texts if t.get_text().replace(".", "").isdigit()}
    assert len(on_lines) >= 3 and on_lines <= {round(float(v), 9) for v in levels}
    assert figure.axes[1].get_ylabel() == axis_label("x50_m", 3e-4) == "x50: half by mass is finer / mm"
    assert axes.collections[0].get_cmap().name == "viridis"


def test_region_that_is_out_is_hatched_and_labelled_by_what_binds():
    status = np.full((5, 6), OK)
    status[:, 4:] = OVER
    status[:3, :3] = CANNOT
    gaps = sweeps.axis("stator.gap", *(1e-3 * np.arange(1, 7)))
    speeds = sweeps.axis("drive.speed", *np.linspace(600, 1400, 5), unit="rad/s", shown="rpm")
    binding = np.where(status == OVER, LIMITS.index("sieve"), LIMITS.index("jam"))
    s = sweep(speeds, gaps, status=status.ravel(), x50_m=np.where(status == CANNOT, np.nan, 3e-4).ravel())
    s = dataclasses.replace(s, points=dataclasses.replace(s.points, binding=binding.ravel().astype(np.int8)))
    figure = map.sweep_map(s, "x50_m", axes=("stator.gap", "drive.speed"))
    axes = figure.axes[0]
    out = hatched(axes)
    assert set(out) == {"sieve", "cannot run: jam"}
    assert len({p.get_hatch() for p in out.values()}) == 2, "told apart without colour"
    rpm = np.linspace(600, 1400, 5) * 30 / np.pi
    for (i, j), state in np.ndenumerate(status):
        at = (np.clip(j + 1, 1.01, 5.99), np.clip(rpm[i], rpm[0] + 1, rpm[-1] - 1))
        assert out["sieve"].get_path().contains_point(at) == (state == OVER)
        assert out["cannot run: jam"].get_path().contains_point(at) == (state == CANNOT)
    said = flat(figure)
    letters = {t.get_text(): t for t in axes.texts if t.get_text() in "AB"}
    assert "A: sieve: takes less than the feed rate asked for (pale: for what it takes)" in said
    assert "B: cannot run: jam is over its limit with next to no feed" in said
    figure.draw_without_rendering()
    for letter, reason in (("A", "sieve"), ("B", "cannot run: jam")):
        middle = Text.get_window_extent(letters[letter]).get_points().mean(axis=0)
        assert out[reason].get_path().contains_point(axes.transData.inverted().transform(middle))
    whites = [p for p in axes.patches if isinstance(p, PathPatch) and not p.get_hatch()]
    assert sorted(p.get_alpha() for p in whites) == [page.FADE, 1.0], "no figure where it cannot run"


def test_what_the_review_fails_is_hatched():
    speeds = sweeps.axis("drive.speed", *np.linspace(600, 1400, 5), unit="rad/s", shown="rpm")
    s = sweep(sweeps.GAP, speeds)
    fails = np.zeros((3, 5), np.uint64)
    fails[:, 3:] = bits({"tip speed"})
    s = dataclasses.replace(s, points=dataclasses.replace(s.points, fails=fails.ravel()))
    out = hatched(map.sweep_map(s, "x50_m", axes=("stator.gap", "drive.speed")).axes[0])
    (path,) = out.values()
    assert list(out) == ["the review fails it: tip speed"]
    for rpm, barred in ((600, False), (1400, True)):
        assert path.get_path().contains_point((2.0, np.clip(rpm, 601, 1399) * 30 / np.pi)) == barred


def test_further_axis_is_panels_and_a_fourth_is_held_and_said():
    s = sweep(sweeps.GAP, SPEED, sweeps.HOLE, sweeps.axis("stator.pins", 6.0, 12.0, unit="1", shown="-"))
    figure = map.sweep_map(s, "x50_m")
    titles = [t for a in figure.axes if (t := a.get_title(loc="left"))]
    assert titles == ["sieve hole 0.4 mm", "sieve hole 0.6 mm\n(as built)", "sieve hole 0.8 mm"]
    assert "Held: stator pins 12 (as built)." in flat(figure)
    other = map.sweep_map(s, "x50_m", fixed={"stator.pins": 6.0})
    assert "Held: stator pins 6 (as built 12)." in flat(other)
    values = s.points.values["x50_m"].reshape(3, 4, 3, 2)
    c = cut(s, "x50_m", fixed={"stator.pins": 6.0})
    assert (c.x.key, c.y.key, c.panel.key) == ("stator.gap", "drive.speed", "sieve.hole")
    assert c.value == pytest.approx(values[..., 0].transpose(2, 1, 0) * 1e3)
    with pytest.raises(InputError, match="rotor.radius is no axis of this sweep"):
        map.sweep_map(s, "x50_m", axes=("rotor.radius",))


def test_mill_as_built_outside_the_map_is_told_in_the_key():
    gaps = sweeps.axis("stator.gap", 4e-3, 5e-3, 6e-3)
    figure = map.sweep_map(sweep(gaps, sweeps.HOLE), "x50_m")
    assert star(figure.axes[0]) is None
    assert "as built: 0.300 mm, outside this picture" in flat(figure)


def test_a_map_of_one_value_says_so():
    for values, said in ((335.0, True), (335.0 + np.arange(12) % 9, False)):
        figure = map.sweep_map(sweep(sweeps.GAP, GEOMETRIC, outlet_temperature_K=values), "outlet_temperature_K")
        assert ("s good as the same wherever it runs: 62 °C" in flat(figure)) is said


def test_words_are_cells_with_their_figures():
    s = sweep(EDGE, sweeps.GAP)
    figure = map.sweep_map(s, "outlet_temperature_K")
    axes = figure.axes[0]
    assert [t.get_text() for t in axes.get_xticklabels()] == ["blunt", "bevelled", "toothed"]
    written = {t.get_text() for t in axes.texts}
    expected = {f"{v - 273.15:.0f}" for v in s.points.values["outlet_temperature_K"]}
    assert expected <= written


def test_one_axis_is_a_line_with_the_band_of_its_draws():
    s = sweep(GEOMETRIC)
    draws = 3e-4 * np.exp(0.3 * np.random.default_rng(2).standard_normal((4, 40)))
    draws[3, :30] = np.nan  # most do not run
    s = dataclasses.replace(s, draw_count=40, points=dataclasses.replace(s.points, draws={"x50_m": draws}))
    figure = map.sweep_map(s, "x50_m")
    axes = figure.axes[0]
    assert axes.get_xscale() == "log" and axes.get_xlabel() == "Sieve hole / mm"
    middle = next(line for line in axes.lines if line.get_marker() == "o")
    assert middle.get_xdata() == pytest.approx([0.3, 0.6, 1.2, 2.4])
    assert middle.get_ydata() == pytest.approx(s.points.values["x50_m"] * 1e3)
    edges = [line.get_ydata() for line in axes.lines if line.get_marker() == "None" and len(line.get_xdata()) == 4]
    for edge, share in zip(edges, (0.1, 0.9), strict=True):
        # the reference: numpy's quantile, smallest draw with at least that share at or below it
        assert edge[:3] == pytest.approx(1e3 * np.quantile(draws[:3], share, axis=1, method="inverted_cdf"))
        assert np.isnan(edge[3])
    assert "Band: 80 % of 40 draws" in flat(figure) and "ends where most do not run" in flat(figure)
    assert star(axes) == pytest.approx((0.6, 0.3))


def test_replicates_are_averaged_and_their_scatter_told():
    s = sweep(sweeps.GAP, sweeps.HOLE, replicates=3)
    values = s.points.values["x50_m"].reshape(3, 3, 3) * 1e3
    c = cut(s, "x50_m")
    assert c.value[0] == pytest.approx(values.mean(axis=2).T)
    error = values.std(axis=2, ddof=1) / np.sqrt(3)
    assert c.error[0] == pytest.approx(error.T)
    said = flat(map.sweep_map(s, "x50_m"))
    assert "Monte Carlo engine" in said and "Mean of 3 seeds." in said
    assert f"Largest standard error shown: {error.max():.2g} mm." in said


def test_sampled_points_are_drawn_over_the_axes_that_matter():
    s = sampled()
    s.points.values["x50_m"][:] = 1e-4 + 1e-7 * s.settings(1)  # the speed alone decides
    figure = map.sweep_map(s, "x50_m")
    axes = figure.axes[0]
    assert "Drive speed / rpm" in (axes.get_xlabel(), axes.get_ylabel())
    assert "the two axes that matter most: " in flat(figure).lower() and "differs too" in flat(figure)
    assert "(drawn for what it takes)" in flat(figure) and "pale" not in flat(figure)
    drawn = np.concatenate([np.array(c.get_offsets())[:, int("Drive" in axes.get_ylabel())] for c in axes.collections])
    assert np.sort(drawn) == pytest.approx(np.sort(s.settings(1)) * 30 / np.pi), "every point has a place"
    assert len({tuple(c.get_paths()[0].vertices[:3].ravel()) for c in axes.collections}) == len(axes.collections)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("low", "high"), [(0.2, 0.6), (0.005, 0.08)])
def test_axis_of_a_sampled_design_is_logarithmic_where_it_is_spread_so(seed, low, high):
    unit = stats.qmc.Sobol(1, seed=seed).random(64).ravel()
    assert is_even_in_log(np.sort(low * (high / low) ** unit))
    assert not is_even_in_log(np.sort(low + (high - low) * unit))
    assert not is_even_in_log(np.sort(unit - 0.5))


def test_importance_is_the_correlation_ratio_of_the_ranks():
    rng = np.random.default_rng(0)
    x = rng.random(400)
    assert plots_line.importance(x, np.exp(9 * x), False) > 0.95
    assert plots_line.importance(x, np.abs(x - 0.5), False) > 0.9, "a fall and a rise count too"
    assert plots_line.importance(x, rng.random(400), False) < 0.05
    assert plots_line.importance(x, np.full(400, np.nan), False) == 0.0
    # two words, four values each: eta squared of ranks 0-3 and 4-7 is 4 * 2 * 2^2 / sum (k - 3.5)^2 = 32 / 42
    assert plots_line.importance(np.repeat([0.0, 1.0], 4), np.arange(8.0), True) == pytest.approx(32 / 42)


def test_tornado_has_the_largest_on_top_and_the_values_at_the_ends():
    parameters = (param("part_a", "assumed", 1.0, 0.5, 3.0), param("part_b", "measured", 2e-3, 1e-3, 4e-3, "m", "log"),
                  param("part_c", "published", 330.0, 320.0, 340.0, "K"))  # fmt: skip
    base = sweeps.PLAIN["x50_m"]
    low, high = base + 1e-6 * np.array([-20.0, 90.0, np.nan]), base + 1e-6 * np.array([30.0, -60.0, 10.0])
    s = dataclasses.replace(sweep(ONE), tornado=Tornado(parameters, {"x50_m": low}, {"x50_m": high}))
    figure = plots_tornado.tornado(s, "x50_m")
    axes = figure.axes[0]
    assert [t.get_text() for t in axes.get_yticklabels()] == ["Part c", "Part b", "Part a"], "first what stops the mill"
    assert axes.yaxis_inverted()
    ends = sorted((round(p.get_y() + p.get_height() / 2), p.get_x() + p.get_width()) for p in axes.patches)
    assert ends == [(0, pytest.approx(0.31)), (1, pytest.approx(0.24)), (1, pytest.approx(0.39)),
                    (2, pytest.approx(0.28)), (2, pytest.approx(0.33))]  # fmt: skip
    # one standard deviation of a normal cut at two, each side with half the distance to its limit (scipy's truncnorm)
    z = stats.truncnorm(-2, 2).ppf(stats.norm.cdf(1.0)) / 2
    expected = {f"{1 - 0.5 * z:.2g}", f"{1 + 2 * z:.2g}", f"{2 * 2**-z:.2g} mm", f"{2 * 2**z:.2g} mm",
                f"{330 - 273.15 - 10 * z:.4g} °C: does not run"}  # fmt: skip
    near = {t.get_text() for t in axes.texts}
    assert {e for e in expected if "run" not in e} <= near
    assert sum("°C: does not run" in t for t in near) == 1
    assert "as built: 0.300 mm" in words(figure)


def test_tornado_tells_classes_of_basis_apart_without_colour():
    assert {b for bases, *_ in plots_tornado.CLASSES.values() for b in bases} == set(BASES)
    figure = plots_tornado.tornado(sweep(ONE), "x50_m")
    axes = figure.axes[0]
    looks = {}
    for patch in axes.patches:
        looks.setdefault(round(patch.get_y() + patch.get_height() / 2), set()).add(patch.get_hatch())
    names = [t.get_text() for t in axes.get_yticklabels()]
    basis = {row: BASES[int(names[row].split()[-1])] for row in looks}
    by_class = {}
    for row, hatch in looks.items():
        by_class.setdefault(plots_tornado.class_of(basis[row]), set()).update(hatch)
    assert len(by_class) == len(plots_tornado.CLASSES) == 6 and all(len(h) == 1 for h in by_class.values())
    check_legible(figure, "tornado")
    solid = {name for name, hatch in by_class.items() if hatch == {None} or hatch == {""}}
    assert solid == {"measured by you", "calibrated on your runs"}
    faces = {name: plots_tornado.CLASSES[name][1] for name in solid}
    light = {n: matplotlib.colors.rgb_to_hsv(matplotlib.colors.to_rgb(f))[2] for n, f in faces.items()}
    assert abs(light["measured by you"] - light["calibrated on your runs"]) > 0.3, "told apart in grey"
    key = [t.get_text() for t in figure.legends[0].get_texts()]
    assert key == list(plots_tornado.CLASSES)


def test_shares_of_the_squared_effects():
    found = [plots_tornado.Bar(param("a", "assumed"), 1.0, 5.0, "assumed"),
             plots_tornado.Bar(param("b", "measured"), 4.0, 2.0, "measured by you"),
             plots_tornado.Bar(param("c", "assumed"), np.nan, 2.0, "assumed"),
             plots_tornado.Bar(param("d", "published"), 4.9, 5.0, "published or handbook")]  # fmt: skip
    # from a middle of 3 the farther ends are 2, 1 and 2 away; both ends on one side do not cancel
    expected = {"assumed": 4 / 9, "measured by you": 1 / 9, "published or handbook": 4 / 9}
    assert plots_tornado.shares(found, 3.0) == pytest.approx(expected)


def test_what_stops_the_mill_is_named_beside_the_shares():
    parameters = (param("part_a", "assumed"), param("part_b", "measured"), param("part_c", "published"))
    base = sweeps.PLAIN["x50_m"]
    low, high = base + 1e-6 * np.array([-20.0, 9.0, np.nan]), base + 1e-6 * np.array([10.0, 10.0, 1.0])
    s = dataclasses.replace(sweep(ONE), tornado=Tornado(parameters, {"x50_m": low}, {"x50_m": high}))
    said = flat(plots_tornado.tornado(s, "x50_m"))
    assert "(shares of the squared effects): assumed 80 % and measured by you 20 %." in said
    assert "Not in the shares, because within one standard deviation the mill stops running: part c (published or " \
           "handbook)." in said  # fmt: skip
    assert "stops running" not in flat(plots_tornado.tornado(sweep(ONE), "x50_m"))


def test_tied_tornado_does_not_add_up_what_moves_together():
    s = sweep(ONE)
    s = dataclasses.replace(s, tornado=dataclasses.replace(s.tornado, how="tied"))
    said = flat(plots_tornado.tornado(s, "x50_m"))
    assert "which belong together" in said and "do not add up" in said and "squared" not in said
    assert plots_tornado.tornado(dataclasses.replace(s, tornado=None), "x50_m") is None


def test_front_is_what_no_other_beats_in_both():
    rng = np.random.default_rng(1)
    pairs = rng.integers(0, 12, (60, 2)).astype(float)  # with ties
    beaten = [any((o <= p).all() and (o < p).any() for o in pairs) for p in pairs]
    assert pareto.unbeaten(*pairs.T).tolist() == np.flatnonzero(~np.array(beaten)).tolist()


def test_trade_off_joins_the_front_and_names_its_settings():
    s = sweep(sweeps.GAP, SPEED, draws=16)
    x, y = s.points.values["x50_m"] * 1e3, s.points.values["throughput_kg_s"] * 3600
    figure = pareto.trade_off(s, "x50_m", "throughput_kg_s", "gross_J_kg")
    axes = figure.axes[0]
    best = [i for i in range(12) if not any((x <= x[i]) & (y >= y[i]) & ((x < x[i]) | (y > y[i])))]
    best.sort(key=lambda i: x[i])
    (line,) = [one for one in axes.lines if one.get_linestyle() == "--"]
    assert line.get_xdata() == pytest.approx(x[best]) and line.get_ydata() == pytest.approx(y[best])
    assert star(axes) == pytest.approx((0.3, 1.0))
    scattered = np.concatenate([c.get_offsets() for c in axes.collections])
    assert len(scattered) == 12
    small = [c for c in axes.collections if c.get_sizes()[0] < 40]
    assert sum(len(c.get_offsets()) for c in small) == 12 - len(best)
    assert not any(c.get_alpha() for c in axes.collections), "the colours are those of the scale"
    said = words(figure)
    for i in (best[0], best[-1]):
        gap, speed = s.at(i)["stator.gap"] * 1e3, s.at(i)["drive.speed"] * 30 / np.pi
        assert f"stator gap {gap:.4g} mm, drive speed {speed:.0f}"[:24] in said
    assert f"A higher {OUTPUTS['throughput_kg_s'].short} and a lower x50 are better." in said.replace("\n", " ")
    thin = [one for one in axes.lines if one.get_linewidth() == 0.7]
    assert len(thin) == 2 * min(len(best), 3) + 2, "bands of the named settings and of the mill as built"


def choice_of(s, meets, builds=(), front=(), window=(1e-4, 5e-4)):
    count = s.count
    return Choice(
        Target("powder for a test", "", (), window), {}, np.asarray(meets), np.zeros(count),
        tuple("" if m else "x90 too coarse" for m in meets), np.full(count, np.nan), np.linspace(0.4, 0.9, count),
        np.full(count, 2e-4), tuple(front), tuple(builds), None, True,
    )  # fmt: skip


def build(point, role):
    return Build(point, role, (("gap", "3 mm", "2 mm"),), "", np.nan, None)


def test_rate_and_energy_at_one_power_are_not_drawn_as_a_trade_off():
    rate = np.linspace(1.0, 4.0, 12) / 3600
    s = sweep(sweeps.GAP, SPEED, throughput_kg_s=rate, gross_J_kg=1400.0 / rate)
    figure = pareto.trade_off(s, "gross_J_kg", "throughput_kg_s", "x50_m")
    check_legible(figure, "one power")
    said = flat(figure)
    assert "No trade-off: " in said and "here about 1400 W at all settings" in said
    assert not [one for one in figure.axes[0].lines if one.get_linestyle() == "--"]
    s = sweep(sweeps.GAP, SPEED, throughput_kg_s=rate, gross_J_kg=np.linspace(1400.0, 2400.0, 12) / rate)
    assert "No trade-off" not in flat(pareto.trade_off(s, "gross_J_kg", "throughput_kg_s", "x50_m"))


def test_front_in_the_key_looks_as_in_the_figure():
    s = sweep(sweeps.GAP, SPEED)
    figure = pareto.trade_off(s, choice=choice_of(s, np.zeros(12, bool), front=(3, 5)))
    (front,) = [h for h in figure.legends[-1].legend_handles if "front" in h.get_label()]
    assert front.get_marker() == "s", "squares miss the target"


def contrast(colour):
    """Contrast of a colour with white paper after WCAG 2.1 (relative luminance)."""
    part = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in matplotlib.colors.to_rgb(colour)]
    return 1.05 / (0.2126 * part[0] + 0.7152 * part[1] + 0.0722 * part[2] + 0.05)


def test_inks_can_be_read_on_white_paper():
    assert min(contrast(c) for c in (style.ORANGE, style.SKY, style.GREEN)) >= 3.0
    assert min(contrast(c) for c in (style.RED, style.PURPLE, style.BLUE, style.GREY)) >= 4.5


def test_every_bar_of_a_tornado_has_its_name():
    names = ["edge_share_bevelled", "daughter_speed_slope", "xw_min_warm", "xw_min_cold", "scatter_depth"]
    parameters = tuple(param(n, "assumed") for n in names)
    off = np.linspace(0.4, 0.2, len(names))
    low, high = ({"x50_m": sweeps.PLAIN["x50_m"] * (1 + sign * off)} for sign in (-1, 1))
    s = dataclasses.replace(sweep(ONE), tornado=Tornado(parameters, low, high))
    figure = plots_tornado.tornado(s, "x50_m")
    check_legible(figure, "long names")
    said = {t.get_text() for t in figure.axes[0].get_yticklabels() if t.get_visible()}
    assert len(said) == len(names) and {"Breakage threshold energy, warm", "Breakage threshold energy, cold"} < said


def test_words_that_touch_below_an_axis_stand_upright_and_none_is_left_out():
    many = sweeps.axis("feed.material", *(f"some plastic {k}" for k in "abcdefgh"), unit="1", shown="-")
    figure = map.sweep_map(sweep(many, SPEED), "x50_m")
    check_legible(figure, "many words")
    assert all(t.get_visible() for axis in (figure.axes[0].xaxis,) for t in axis.get_ticklabels())


def test_choice_hatches_what_misses_and_names_the_builds(tmp_path, few):
    s = sweep(sweeps.GAP, SPEED)
    meets = np.arange(12) >= 5
    choice = choice_of(s, meets, (build(7, "most powder"), build(9, "fewest changes")), (7, 9, 11))
    figure = map.sweep_map(s, "yield", choice=choice)
    check_legible(figure, "yield")
    assert set(hatched(figure.axes[0])) == {"misses target: x90 too coarse"}
    assert "Target: powder for a test" in words(figure)
    assert figure.axes[1].get_ylabel() == "Share in the window / %"
    assert cut(s, "yield", choice=choice).value.max() == pytest.approx(90.0)
    trade = pareto.trade_off(s, "yield", "throughput_kg_s", "x50_m", choice=choice)
    check_legible(trade, "trade-off")
    axes = trade.axes[0]
    full = np.concatenate([c.get_offsets() for c in axes.collections if c.get_sizes()[0] > 40])
    rate = s.points.values["throughput_kg_s"] * 3600
    share = 100 * choice.yields
    assert np.array(full[np.argsort(full[:, 0])]) == pytest.approx(np.column_stack([share, rate])[[7, 9, 11]])
    said = flat(trade)
    assert "most powder: gap 2 mm" in said and "fewest changes: gap 2 mm" in said
    assert {"1", "2"} <= {t.get_text() for t in axes.texts}
    names = {p.name for p in plots_sweep.save_all(s, tmp_path, choice=choice)}
    assert names == set(plots_sweep.file_names(s, choice.target))
    assert all(n.startswith("choice_") for n in names) and "choice_map_yield.png" in names


def test_target_that_none_meets_is_said():
    s = sweep(sweeps.GAP, SPEED)
    nearest = dataclasses.replace(choice_of(s, np.zeros(12, bool)), nearest=build(3, "nearest"))
    figure = pareto.trade_off(s, choice=nearest)
    assert "none of these settings meets it" in flat(figure) and "nearest: gap 2 mm" in flat(figure)


@pytest.mark.parametrize("kind", ["two axes", "sampled", "one axis"])
def test_files_have_the_names_told_before_and_the_same_bytes_every_time(tmp_path, few, kind):
    s, svg = KINDS[kind](), kind == "one axis"
    first = plots_sweep.save_all(s, tmp_path / "a", svg=svg)
    with matplotlib.rc_context({"font.size": 30, "axes.facecolor": "red"}):
        second = plots_sweep.save_all(KINDS[kind](), tmp_path / "b", svg=svg)
    assert [p.read_bytes() for p in first] == [p.read_bytes() for p in second]
    assert [p.name for p in first] == plots_sweep.file_names(s, svg=svg)
    assert {p.name for p in first} == {p.name for p in (tmp_path / "a").iterdir()}
    start = {"two axes": "map", "sampled": "points", "one axis": "line"}[kind]
    assert {f"{start}_x50.png", "pareto_x50.png", f"tornado_x50.{'svg' if svg else 'png'}"} <= {p.name for p in first}


def test_real_sweep_is_drawn_whole(tmp_path):
    s = sweeps.real()
    paths = plots_sweep.save_all(s, tmp_path)
    assert [p.name for p in paths] == plots_sweep.file_names(s) and len(paths) == 9
    for name, figure in figures(s).items():
        check_legible(figure, name)
    check_legible(plots_tornado.tornado(s, "throughput_kg_s"), "tornado")
    said = flat(map.sweep_map(s, "x50_m"))
    low, high = (1e3 * np.quantile(s.as_built.draws["x50_m"][0], q, method="inverted_cdf") for q in (0.1, 0.9))
    assert f"80 % of 16 draws of the parameters give {low:.2g} to {high:.2g} mm for the mill as built." in said
    assert "Sieve pitch changes with sieve hole." in said


def test_figures_are_written_when_all_are_drawn(tmp_path, few, monkeypatch):
    drawn = iter([b"the first"])

    def stopped(*_):
        if (made := next(drawn, None)) is None:
            raise KeyboardInterrupt
        return made

    monkeypatch.setattr(prediction, "render", stopped)
    with pytest.raises(KeyboardInterrupt):
        plots_sweep.save_all(sweep(ONE), tmp_path / "figs")
    assert not (tmp_path / "figs").exists()


def test_existing_figures_are_kept_without_force(tmp_path, few):
    (tmp_path / "pareto_x50.png").write_text("mine")
    with pytest.raises(InputError, match="pareto_x50.png: exists already"):
        plots_sweep.save_all(sweep(ONE), tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["pareto_x50.png"]
    plots_sweep.save_all(sweep(ONE), tmp_path, force=True)
    assert (tmp_path / "pareto_x50.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize("draw", [map.sweep_map, pareto.trade_off])
def test_sweep_without_a_point_that_runs_is_an_error_with_the_commonest_reason(draw):
    status = [FAILED, FAILED, FAILED, FAILED, CANNOT, CANNOT, MISSING, CANNOT, FAILED]
    s = sweep(sweeps.GAP, sweeps.HOLE, status=status, reason={i: PIN_REASON for i in (0, 1, 2, 3, 8)})
    message = r"none of its 9 points gives any powder, so there is nothing to draw; .*, 5 times: contradiction: stator"
    with pytest.raises(NothingRuns, match=message):
        draw(s)


def test_nothing_is_written_for_a_sweep_without_a_point_that_runs(tmp_path):
    s = sweep(sweeps.GAP, sweeps.HOLE, status=[MISSING] * 9)
    with pytest.raises(InputError, match=r"nothing to draw; .*, 9 times: not computed"):
        plots_sweep.save_all(s, tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_panel_without_a_figure_is_blank_and_says_why():
    status = np.full((3, 4, 3), OK)
    status[..., 0] = CANNOT
    values = np.where(status == CANNOT, np.nan, 3e-4 + 1e-5 * np.arange(36).reshape(3, 4, 3)).ravel()
    s = sweep(sweeps.GAP, SPEED, sweeps.HOLE, status=status.ravel(), x50_m=values, binding=LIMITS.index("jam"))
    figure = map.sweep_map(s, "x50_m")
    blank, other = figure.axes[0], figure.axes[1]
    assert set(hatched(blank)) == {"cannot run: jam"} and not hatched(other)
    assert "A" in {t.get_text() for t in blank.texts} and "A: cannot run: jam" in flat(figure)
    check_legible(figure, "blank panel")


def test_islands_without_a_figure_are_named():
    figure = map.sweep_map(KINDS["islands"](), "x50_m")
    assert "no figure" in hatched(figure.axes[0])


def test_rate_held_by_different_limits_is_divided_and_named():
    loads = np.zeros((12, 6))
    binding = np.where(np.arange(12) < 6, LIMITS.index("sieve"), LIMITS.index("shaft power"))
    loads[np.arange(12), binding] = 1.0
    s = sweep(SPEED, sweeps.GAP, loads=loads)
    s = dataclasses.replace(s, points=dataclasses.replace(s.points, binding=binding.astype(np.int8)))
    figure = map.sweep_map(s, "throughput_kg_s")
    said = flat(figure)
    assert "A: rate held by shaft power" in said and "B: rate held by sieve" in said
    assert {"A", "B"} <= {t.get_text() for t in figure.axes[0].texts}
    assert "held by" not in flat(map.sweep_map(s, "x50_m"))


SHAFT, SIEVE = LIMITS.index("shaft power"), LIMITS.index("sieve")
HELD = {  # status of the first row, whether the target is met there, rate asked for: what holds the rate, or not
    "all run": (OK, None, "", "Everywhere shaft power limits the rate."),
    "some cannot": (CANNOT, None, "", "Where it runs as asked shaft power limits the rate."),
    "unfinished": (MISSING, None, "", "So far as computed, shaft power limits the rate."),
    "a target": (OK, False, "", "Where the target is met shaft power limits the rate."),
    "a rate asked for": (OVER, None, "6 kg/h", "Feed rate asked for: 6 kg/h."),
    "a rate asked for, met": (OK, None, "6 kg/h", ""),
}


@pytest.mark.parametrize("kind", HELD)
def test_what_holds_the_rate_is_said_only_of_where_it_does(kind):
    state, meets, rate, expected = HELD[kind]
    first = np.arange(12) < 3
    s = sweep(SPEED, sweeps.GAP, status=np.where(first, state, OK))
    loads = np.full((12, 6), 0.5)
    binding = np.where(first & (state != OK), SIEVE, SHAFT).astype(np.int8)
    loads[:, SHAFT] = 0.995
    base = s.base_text.replace('rate = "as fast as it can grind"', f'rate = "{rate or "as fast as it can grind"}"')
    assert not rate or rate in base
    points = dataclasses.replace(s.points, binding=binding, loads=loads)
    s = dataclasses.replace(s, base_text=base, points=points)
    choice = None if meets is None else choice_of(s, ~first | meets)
    figure = map.sweep_map(s, "throughput_kg_s", choice=choice)
    check_legible(figure, kind)
    said = flat(figure)
    assert expected in said
    assert ("held by" in said) == ("held by" in expected)
    assert "everywhere" not in said.lower() or kind == "all run"


@pytest.mark.parametrize(("low", "high"), [(6000, 14000), (1.01, 2.03), (4.1, 8.3), (0.3, 40.0), (9.5e-3, 0.021)])
def test_logarithmic_axis_has_at_least_three_round_ticks(low, high):
    ticks = factor_ticks(low, high)
    assert ticks.size >= 3 and (ticks >= low).all() and (ticks <= high).all()
    assert all(float(f"{t:.2g}") == pytest.approx(t, rel=1e-12) for t in ticks)
    speeds = np.geomspace(low, high, 16) * np.pi / 30
    s = sweep(sweeps.axis("drive.speed", *speeds, unit="rad/s", shown="rpm"),
              sweeps.axis("stator.gap", *np.linspace(1e-3, 5e-3, 16)), design="latin hypercube")  # fmt: skip
    figure = map.sweep_map(s, "x50_m")
    axes = figure.axes[0]
    axis = axes.xaxis if "speed" in axes.get_xlabel() else axes.yaxis
    figure.draw_without_rendering()
    assert axis.get_scale() == "log"
    assert sum(t.get_visible() and bool(t.get_text()) for t in axis.get_ticklabels()) >= 3


def test_counts_have_whole_ticks_and_no_unit():
    bars = sweeps.axis("rotor.bars", *np.repeat([2.0, 3.0, 4.0, 5.0, 6.0], 4), unit="1", shown="-")
    s = sweep(bars, sweeps.axis("stator.gap", *np.linspace(1e-3, 5e-3, 20)), design="sobol")
    axes = map.sweep_map(s, "x50_m", axes=("rotor.bars", "stator.gap")).axes[0]
    assert axes.get_xlabel() == "Rotor bars" and axes.get_ylabel() == "Stator gap / mm"
    low, high = axes.get_xlim()
    assert [t for t in axes.get_xticks() if low <= t <= high] == [2, 3, 4, 5, 6]
    assert factor_ticks(1.5, 12.5, whole=True).tolist() == [2, 5, 10]
    share = dataclasses.replace(bars, values=(0.25, 0.5))
    assert ruler(sweep(share), share).label == "Rotor bars / 1"


def test_slope_of_nothing_looks_flat():
    s = sweep(SPEED, outlet_temperature_K=315.13 + 0.004 * np.arange(4), x50_m=3e-4 * (1 + 1e-4 * np.arange(4)))
    for output, least in (("outlet_temperature_K", 2.0), ("x50_m", 0.02 * 0.3)):
        axes = map.sweep_map(s, output).axes[0]
        assert least <= np.ptp(axes.get_ylim()) < 1.5 * least
    levels = page.levels_of(np.array([41.978, 41.992]), "°C")
    assert 2.0 <= np.ptp(levels) <= 3.0
    assert least_span("mm", 0.1, 0.2) == (0.1, 0.2) and least_span("%", 0.0, 0.0) == (0.0, 0.0)


def test_long_line_of_the_key_is_wrapped_not_cut_off():
    s = sweep(sweeps.GAP, SPEED)
    changes = tuple((f"part {k}", "as built", f"some other thing {k}") for k in range(6))
    long = dataclasses.replace(build(7, "most accepted powder per hour"), changes=changes)
    figure = pareto.trade_off(s, choice=choice_of(s, np.ones(12, bool), (long, build(9, "second")), (7, 9)))
    check_legible(figure, "long key")
    told = ", ".join(f"part {k} some other thing {k}" for k in range(6))
    assert f"most accepted powder per hour: {told}" in flat(figure) and "..." not in flat(figure)


def test_figures_of_cells_stand_in_the_middle_of_their_cells():
    toothed = sweep(EDGE, sweeps.GAP)
    choice = choice_of(toothed, np.zeros(9, bool))
    figure = map.sweep_map(toothed, "outlet_temperature_K", choice=choice)
    figure.draw_without_rendering()
    axes = figure.axes[0]
    found = [t for t in axes.texts if t.get_text().isdigit()]
    assert len(found) == 9
    bounds = axes.transData.transform(np.column_stack([[-0.5, 0.5, 1.5, 2.5], [0.5, 1.5, 2.5, 3.5]]))
    for text in found:
        box = Text.get_window_extent(text)
        for side, (low, high) in enumerate(((box.x0, box.x1), (box.y0, box.y1))):
            edges = bounds[:, side]
            assert np.searchsorted(edges, low - 6) == np.searchsorted(edges, high + 6), "clear of the borders"
    middles = [Text.get_window_extent(t).get_points().mean(axis=0) for t in found]
    centre = (bounds[1:] + bounds[:-1]) / 2
    off = [np.abs(m[1] - centre[:, 1]).min() for m in middles]
    assert sum(o < 6 for o in off) >= 8, "all but the one under the star"
    assert "misses target" in flat(figure)


@pytest.mark.parametrize(
    ("error", "kind"),
    [
        (InputError([Problem("f", "stator.pins", "16 pins of 20 mm do not fit")]), "contradiction: stator pins"),
        (NotConverged("the state did not settle: residual 1e-3"), "no steady state found"),
        (compute.Endless("9 of 100 histories did not leave the mill"), "pieces hardly leave this mill"),
        (ZeroDivisionError("float division"), "a fault of the program"),
    ],
)
def test_like_failures_say_the_like(error, kind):
    found = compute.failure_of(error)
    assert found.kind == kind and str(error).rpartition(": ")[2] in found.text


def test_of_like_failures_the_first_one_speaks():
    told = [Failure("a", "a at 1 mm"), Failure("b", "b at 1 mm"), Failure("a", "a at 2 mm")]
    assert sweepwhy.alike(told) == {"a at 1 mm": 2, "b at 1 mm": 1}


def test_many_reasons_are_told_apart_by_hatch_and_the_rarest_put_together():
    reasons = [sweepwhy.Why(FAILED, f"reason {chr(97 + i)}") for i in range(12) for _ in range(12 - i)]
    index, told = sweepwhy.common_reasons(reasons, np.arange(len(reasons)) % 2 == 0)
    assert len({r.hatch for r in told}) == len(told) and "other reasons" in {r.text for r in told}
    assert all(told[k].text in (why.text, "other reasons") for k, why in zip(index, reasons, strict=True))


def test_levels_are_round_and_cover_the_values():
    linear = page.levels_of(np.array([0.12, 0.6]), "mm")
    assert np.diff(linear) == pytest.approx(np.full(linear.size - 1, 0.05)) and linear[0] <= 0.12 and linear[-1] >= 0.6
    wide = page.levels_of(np.array([0.3, 40.0, np.nan]), "kg/h")
    assert wide[0] <= 0.3 and wide[-1] >= 40 and {1.0, 10.0} <= set(wide.round(9))
    assert np.ptp(np.diff(page.levels_of(np.array([3.0, 96.0]), "%"))) < 1e-9
    assert len(page.levels_of(np.array([2.0, 2.0]), "mm")) == 2


def test_pyplot_is_never_loaded(tmp_path):
    code = (
        f"import sys; sys.path.insert(0, {str(Path(__file__).parent)!r})\n"
        "from millsim.show.plots import sweep as plots_sweep; assert 'matplotlib' not in sys.modules\n"
        "from test_plots_sweep import KINDS\n"
        "plots_sweep.MAPS, plots_sweep.TRADES, plots_sweep.TORNADOS = (\n"
        "    {'x50': plots_sweep.MAPS['x50']}, {'x50': plots_sweep.TRADES['x50']}, ('x50',))\n"
        f"plots_sweep.save_all(KINDS['two axes'](), {str(tmp_path)!r})\n"
        "assert 'matplotlib.pyplot' not in sys.modules\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=Path(__file__).parents[1], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
