"""Figures: what they show, that they are the same every time, and that odd predictions do not break them."""

import dataclasses
import functools
import subprocess
import sys
from pathlib import Path

import matplotlib
import numpy as np
import pytest
from helpers import fake_engine, fake_prediction, fake_trace, foot_is_inside
from matplotlib.figure import Figure

from millsim.errors import InputError
from millsim.show.plots import power, size
from millsim.show.plots import prediction as plots


def texts(figure: Figure) -> str:
    return "\n".join(t.get_text() for t in figure.findobj(matplotlib.text.Text))


@functools.cache
def drawn(name: str) -> Figure:
    """A figure of the invented prediction, drawn."""
    figure = plots.figure(fake_prediction(), name)
    figure.canvas.draw()
    return figure


@pytest.mark.parametrize("name", plots.FIGURES)
def test_every_figure_has_units_legible_type_and_a_footer(name):
    figure = drawn(name)
    words = texts(figure)
    for part in ("Acrylic workshop mill", "seed 20240611", "millsim 0.1.0", "config 5f5f5f5f5f5f", "band"):
        assert part in words
    labels = [axis.get_label_text() for axes in figure.axes for axis in (axes.xaxis, axes.yaxis)]
    assert all("/" in label for label in labels if label)
    assert any(labels)
    sizes = [t.get_fontsize() for t in figure.findobj(matplotlib.text.Text) if t.get_text().strip() and t.get_visible()]
    assert min(sizes) >= 9


@pytest.mark.parametrize("name", plots.FIGURES)
def test_nothing_runs_off_the_page(name):
    figure = drawn(name)
    box = figure.get_tightbbox()  # inches, of all that is drawn
    width, height = figure.get_size_inches()
    assert min(box.x0, box.y0) >= 0
    assert box.x1 <= width
    assert box.y1 <= height


def test_cumulative_figure_shows_both_engines_band_feed_charge_and_hole():
    figure = size.cumulative(fake_prediction())
    words = texts(figure)
    for part in ("80 % band", "balance", "Monte Carlo", "feed", "charge inside", "sieve hole 0.5 mm"):
        assert part in words
    axes = figure.axes[0]
    assert axes.get_xscale() == "log"
    product = next(line for line in axes.lines if line.get_label() == "powder (balance)")
    assert np.array_equal(product.get_ydata(), fake_prediction().main.table.product_q3 * 100)
    styles = [(line.get_linestyle(), line.get_color()) for line in axes.lines if not line.get_label().startswith("_")]
    assert len({s for s, _ in styles}) == len(styles)


def test_monte_carlo_is_drawn_as_points_whichever_engine_leads():
    swapped = fake_prediction(main=fake_engine("montecarlo", True), other=fake_engine("balance", False))
    labels = [line.get_label() for line in size.cumulative(swapped).axes[0].lines]
    assert "powder (balance)" in labels
    assert "Monte Carlo" in texts(size.cumulative(swapped))


def test_density_has_area_one_on_the_ln_axis():
    table = fake_prediction().main.table
    density = size.log_density(table.edges_m, table.product_q3)
    area = np.sum(density * np.diff(np.log(table.edges_m)))
    assert area == pytest.approx(table.product_q3[-1] - table.product_q3[0], rel=1e-12)


def test_rates_figure_marks_size_floor_and_hole():
    prediction = fake_prediction()
    axes = size.rates(prediction).axes[0]
    marks = sorted(line.get_xdata()[0] for line in axes.lines if len(line.get_xdata()) == 2)
    assert marks == pytest.approx([prediction.size_floor_m * 1e3, prediction.hole_m * 1e3])


def test_ledger_bars_add_up_to_their_sums():
    axes = power.energy_ledger(fake_prediction()).axes[0]
    names = [t.get_text() for t in axes.get_yticklabels()]
    widths = dict(zip(names, (bar.get_width() for bar in axes.patches), strict=True))
    cut = names.index("Sum out")
    assert sum(widths[n] for n in names[1:cut]) == pytest.approx(widths["Sum in"])
    assert sum(widths[n] for n in names[cut + 1 :]) == pytest.approx(widths["Sum out"])


def test_stall_probability_is_said_in_words():
    words = texts(power.torque_speed(fake_prediction()))
    for said in (
        "from empty, fed 350 g/h, a piece every 1.5 s",
        "3 of 200 cold starts from empty of 5 min stalled: 0.31 to 4.3 % of starts do.",
        "1 stall in 3.3 h of running at the steady charge: 0.0077 to 1.7 an hour (95 % intervals).",
        "Shown: one that stalled.",
    ):
        assert said in words.replace("\n", " "), said


def test_the_torque_of_the_motor_is_drawn_beside_that_of_the_mill():
    axes = power.torque_speed(fake_prediction()).axes[0]
    drawn = {line.get_label(): line.get_ydata() for line in axes.lines}
    assert drawn["motor rated 0.33 N m"][0] == 0.33 and drawn["overload 0.66 N m"][0] == 0.66
    assert axes.get_ylim()[1] > 0.66
    old = dataclasses.replace(fake_trace(), rated_torque_Nm=np.nan, overload_torque_Nm=np.nan)
    assert len(power.torque_speed(dataclasses.replace(fake_prediction(), trace=old)).axes[0].lines) == 2


def test_temperature_limit_far_away_does_not_flatten_the_curve():
    axes = power.temperature(fake_prediction(temperature_limit_K=900.0)).axes[0]
    assert axes.get_ylim()[1] < 100
    assert "limit 627 °C" in texts(axes.figure)


def _blank(engine: str):
    e = fake_engine(engine)
    nan = {f.name: np.full_like(getattr(e.table, f.name), np.nan) for f in dataclasses.fields(e.table)
           if f.name not in ("edges_m", "x_m")}  # fmt: skip
    return dataclasses.replace(e, table=dataclasses.replace(e.table, **nan), ledger_in_W={}, ledger_out_W={})


ODD = {
    "nothing known": {"main": _blank("balance"), "other": None, "limits": (), "size_floor_m": float("nan"),
                      "warmup_temperature_K": np.full(61, np.nan), "temperature_limit_K": float("nan")},
    "floor above hole": {"size_floor_m": 0.9e-3},
    "odd name": {"mill_name": "Mühle $x_ \\frac 碎 " + "long " * 40},
    "one engine": {"other": None},
}  # fmt: skip


@pytest.mark.parametrize("changes", ODD.values(), ids=ODD)
def test_odd_predictions_still_give_figures(tmp_path, changes):
    paths = plots.save_all(fake_prediction(**changes), tmp_path)
    assert len(paths) == 6
    assert all(p.read_bytes().startswith(b"\x89PNG") for p in paths)


def test_figures_without_data_are_left_out(tmp_path):
    prediction = fake_prediction(trace=False, warmup_time_s=np.empty(0), warmup_temperature_K=np.empty(0))
    names = {p.name for p in plots.save_all(prediction, tmp_path)}
    assert names == {"size_cumulative.png", "size_density.png", "rates.png", "energy_ledger.png"}


def test_same_prediction_same_bytes_whatever_the_users_settings(tmp_path):
    first = plots.save_all(fake_prediction(), tmp_path / "a", svg=True)
    with matplotlib.rc_context({"lines.linewidth": 9, "font.size": 30, "axes.facecolor": "red"}):
        before = dict(matplotlib.rcParams)
        second = plots.save_all(fake_prediction(), tmp_path / "b", svg=True)
        assert dict(matplotlib.rcParams) == before
    assert len(first) == 12
    assert [p.read_bytes() for p in first] == [p.read_bytes() for p in second]
    assert b"date" not in first[1].read_bytes()


def test_existing_figures_are_kept_without_force(tmp_path):
    (tmp_path / "rates.png").write_text("mine")
    with pytest.raises(InputError, match="rates.png: exists already"):
        plots.save_all(fake_prediction(), tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["rates.png"]
    assert (tmp_path / "rates.png").read_text() == "mine"
    plots.save_all(fake_prediction(trace=False), tmp_path, force=True)
    assert (tmp_path / "rates.png").read_bytes().startswith(b"\x89PNG")


def test_pyplot_is_never_loaded(tmp_path):
    code = (
        f"import sys; sys.path.insert(0, {str(Path(__file__).parent)!r})\n"
        "from helpers import fake_prediction\n"
        "from millsim.show.plots import prediction as plots; assert 'matplotlib' not in sys.modules\n"
        f"plots.save_all(fake_prediction(), {str(tmp_path)!r})\n"
        "assert 'matplotlib.pyplot' not in sys.modules\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=Path(__file__).parents[1], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_a_feed_of_one_size_does_not_flatten_the_product():
    prediction = fake_prediction()
    table = dataclasses.replace(prediction.main.table, feed_q3=(prediction.main.table.edges_m > 2e-3) * 1.0)
    one_size = dataclasses.replace(prediction, main=dataclasses.replace(prediction.main, table=table))
    axes = size.density(one_size).axes[0]
    assert axes.get_ylim()[1] < 2.5
    assert "feed (up to 7.2, cut off here)" in axes.get_legend_handles_labels()[1]


def test_a_stall_is_hatched_and_ends_the_curves():
    trace = fake_trace()
    stopped = trace.time_s > 100
    speed = np.where(stopped, 0.0, trace.speed_rad_s)
    figure = power.torque_speed(
        dataclasses.replace(
            fake_prediction(),
            requested_rate_kg_s=72 / 3600,
            trace=dataclasses.replace(trace, speed_rad_s=speed, stalls=200),
        )
    )
    words = texts(figure)
    assert "fed 72 kg/h" in words
    assert "stalled or choked" in words
    assert "All 200 cold starts" in words
    curve = figure.axes[1].lines[0].get_ydata()
    assert np.isnan(curve[stopped]).all()
    assert np.isfinite(curve[~stopped]).all()


def test_torque_is_logarithmic_only_where_bites_dwarf_the_mean():
    trace = fake_trace()
    assert power.torque_speed(fake_prediction()).axes[0].get_yscale() == "linear"
    biting = dataclasses.replace(trace, peak_torque_Nm=trace.torque_Nm + 80.0)
    axes = power.torque_speed(dataclasses.replace(fake_prediction(), trace=biting)).axes[0]
    assert axes.get_yscale() == "log"
    assert axes.get_ylim()[0] < trace.torque_Nm.mean()


def test_temperature_figure_shows_room_and_of_a_batch_its_peak_in_seconds():
    batch = '[feed]\nbatch_mass = "12 g"\nbatch_time = "120 s"\n[air]\nroom = "25 degC"\n'
    time = np.linspace(0.0, 120.0, 121)
    kelvin = 298.15 + 20 * np.exp(-(((time - 10) / 8) ** 2))
    figure = power.temperature(fake_prediction(config_text=batch, warmup_time_s=time, warmup_temperature_K=kelvin))
    words = texts(figure)
    for part in ("of the batch", "45 °C", "room 25 °C", "limit 85 °C", "Time since start / s"):
        assert part in words
    steady = texts(power.temperature(fake_prediction()))
    assert "Time since start / min" in steady
    assert "room 20 °C" in steady


@pytest.mark.parametrize(
    ("status", "words"), [("over capacity", "drawn for what it takes"), ("cannot run", "next to no feed")]
)
def test_footer_says_what_a_figure_stands_for_when_the_mill_cannot(status, words):
    assert words in texts(size.rates(fake_prediction(status=status)))


def test_rates_that_are_all_zero_are_said_to_be():
    prediction = fake_prediction(both=False)
    zero = np.zeros_like(prediction.main.table.x_m)
    names = ("strike_1_s", "selection_1_s", "nip_1_s", "chip_1_s", "escape_1_s")
    table = dataclasses.replace(prediction.main.table, **dict.fromkeys(names, zero))
    idle = dataclasses.replace(prediction, main=dataclasses.replace(prediction.main, table=table))
    assert "nothing happens to the charge" in texts(size.rates(idle))


def test_tiny_terms_of_the_ledger_are_not_given_to_the_microwatt():
    assert power._watts(0.0002, 99.0) == "under 0.1 W"
    assert power._watts(12.34, 99.0) == "12.3 W  (12.5 %)"


@pytest.mark.parametrize("status", ["ok", "over capacity", "cannot run", "hardly grinds"])
def test_what_stands_at_the_foot_of_a_figure_is_inside_it(status):
    assert foot_is_inside(power.energy_ledger(fake_prediction(status=status, seed=2**63 - 1)))
