"""Commands for bench tests: streams, exit codes, files, figures."""

import json
import shutil
from pathlib import Path

import matplotlib
import pytest
from click.testing import CliRunner
from pretend import few_draws

from millsim.commands.main import cli
from millsim.learn.measured.dropsheet import read_drops
from millsim.learn.measured.droptest import analyse
from millsim.learn.measured.idlemodel import compare
from millsim.learn.measured.idlerun import read_idle
from millsim.mill.cards import load_material
from millsim.mill.config.mill import load_config
from millsim.record.read import read
from millsim.show.plots import bench

CONFIGS = Path(__file__).resolve().parent.parent / "configs"
DROPS, IDLE, CUT, MILL = (CONFIGS / n for n in ("demo_droptest.csv", "demo_idle.csv", "demo_cuttest.csv", "demo.toml"))
CUTS = "power_loaded_W,time_s,kerf_mm,length_mm,depth_mm\n270,85,2.5,500,6\n"


def run(*words):
    return CliRunner().invoke(cli, [str(w) for w in words])


@pytest.fixture(autouse=True)
def fewer(monkeypatch):
    """What is told of the next measurement is tested here, not its last digit."""
    few_draws(monkeypatch, 64)


@pytest.fixture
def cuts(tmp_path):
    path = tmp_path / "cuts.csv"
    path.write_text(CUTS)
    return path


@pytest.fixture
def few(tmp_path):
    path = tmp_path / "few.csv"
    path.write_text("hammer_mass_g,height_mm,piece_mass_mg,broken\n100,50,41,no\n100,150,41,yes\n")
    return path


@pytest.mark.parametrize("path", [DROPS, IDLE, CUT])
def test_demos_are_marked_invented(path):
    head = [line for line in path.read_text().splitlines() if line.startswith("#")]
    assert "invented" in " ".join(head).lower()


def test_droptest_reports_on_stdout_and_writes_what_was_asked(tmp_path):
    done = run("droptest", DROPS, "--full", "--card", tmp_path / "c.toml", "--plots", tmp_path / "figures")
    assert done.exit_code == 0, done.output
    assert done.stdout.startswith("Drop test demo_droptest.csv: 154 pieces.\nCaution: keep fingers and feet")
    assert "\n\nAt 21 °C half of the 4 mm pieces should" in done.stdout
    assert "At -18 °C" in done.stdout
    assert done.stderr.splitlines()[0].startswith("Written: ")
    assert sorted(p.name for p in (tmp_path / "figures").iterdir()) == ["droptest_-18C.png", "droptest_21C.png"]
    card = load_material(str(tmp_path / "c.toml"))
    assert card["f_mat_warm"].basis == "measured"
    shown = run("materials", tmp_path / "c.toml")
    assert "drop test demo_droptest.csv, 84 pieces at 21 °C" in " ".join(shown.stdout.split())


@pytest.mark.parametrize(
    "words", [("droptest", DROPS), ("idle", IDLE), ("idle", IDLE, "--config", MILL, "--temperature", "40 °C")]
)
def test_json_is_one_object_and_nothing_else(words):
    done = run(*words, "--json")
    assert done.exit_code == 0, done.output
    assert done.stderr == ""
    assert done.stdout.count("\n") == 1
    assert json.loads(done.stdout)["status"] == "ok"


def test_json_of_a_drop_test_says_what_the_report_says():
    answer = json.loads(run("droptest", DROPS, "--json").stdout)
    test = analyse(read_drops(DROPS, load_material("pmma")))
    for told, group in zip(answer["groups"], test.groups, strict=True):
        fit = told["fit"]
        assert fit["xw_min_J_m_kg"]["value"] == pytest.approx(group.selection.u_min)
        assert fit["W_50_J_kg"]["limits_95"] == pytest.approx(group.W_50(0.95))
        assert fit["f_mat_kg_J_m"]["limits_80"] == pytest.approx(group.selection.limits["f"][0.8])
        assert told["impact_speed_m_s"] == pytest.approx(group.speeds())
        assert sum(v["tested"] for v in told["levels"]) == told["tested"]


def test_json_has_null_where_there_is_no_end(few):
    group = json.loads(run("droptest", few, "--json").stdout)["groups"][0]
    assert group["fit"] is None
    assert group["W_50_counting_95_J_kg"] == [0.0, None]


def test_cuttest_and_its_ceiling(cuts):
    done = run("cuttest", cuts, "--motor", "300 W")
    assert done.exit_code == 0, done.output
    assert "720 Wh per kg of dust" in done.stdout
    assert "416 g/h" in done.stdout
    answer = json.loads(run("cuttest", cuts, "--motor", "300 W", "--json").stdout)
    assert answer["mean_J_kg"] == pytest.approx(270 * 85 / (0.0025 * 0.5 * 0.006 * 1180))
    assert answer["most_kg_s"]["value"] == pytest.approx(300 / answer["mean_J_kg"])


def test_idle_with_a_mill(tmp_path):
    done = run("idle", IDLE, "--config", MILL, "--plots", tmp_path)
    assert done.exit_code == 0, done.output
    assert "  [model]\n  windage_factor = 1." in done.stdout
    assert (tmp_path / "idle.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("droptest", "no.csv"), "no.csv: cannot be read"),
        (("droptest", DROPS, "--material", "acryl"), "no card named"),
        (("droptest", DROPS, "--card", "card.csv"), "ends in .toml"),
        (("idle", IDLE, "--set", "stator.gap=1 mm"), "--set: has no meaning without --config"),
        (("idle", IDLE, "--efficiency", "0.6"), "--efficiency: has no meaning without --config"),
        (("idle", IDLE, "--config", MILL, "--at", "shaft", "--efficiency", "0.6"), "no meaning with --at shaft"),
        (("idle", IDLE, "--config", MILL, "--temperature", "40"), '--temperature: "40" has no unit'),
        (("idle", IDLE, "--config", "no.toml"), "no.toml"),
    ],
)
def test_bad_options_exit_with_2_and_name_the_remedy(words, told):
    done = run(*words)
    assert done.exit_code == 2
    assert told in done.stderr
    assert done.stdout == ""
    assert "Traceback" not in done.stderr


def test_watts_above_the_motor_alone_need_no_efficiency(tmp_path):
    path = tmp_path / "idle.csv"
    path.write_text("speed_rpm,power_W,motor_alone_W\n4000,60,40\n9500,260,70\n")
    done = run("idle", path, "--config", MILL, "--efficiency", "0.6")
    assert done.exit_code == 2 and "no meaning with a column motor_alone" in done.stderr
    told = json.loads(run("idle", path, "--config", MILL, "--json").stdout)
    assert (told["place"], told["motor_W"], told["model"]["efficiency"]) == ("shaft", [40.0, 70.0], 1.0)


@pytest.mark.parametrize("motor", ["800", "800 V", "0 W"])
def test_a_motor_is_a_power(cuts, motor):
    done = run("cuttest", cuts, "--motor", motor)
    assert done.exit_code == 2
    assert "--motor" in done.stderr
    assert "W" in done.stderr


def test_all_problems_of_a_sheet_are_told_and_owed_as_json(tmp_path):
    path = tmp_path / "bad.csv"
    path.write_text("hammer_mass_g,height_mm,piece_mass_mg,broken\n100,x,41,yes\n100,80,41,maybe\n")
    done = run("droptest", path, "--json")
    assert done.exit_code == 2
    answer = json.loads(done.stdout)
    assert answer["status"] == "error"
    assert [p["key"] for p in answer["problems"]] == ["line 2", "line 3"]


def test_nothing_is_replaced_unasked(tmp_path):
    card = tmp_path / "c.toml"
    card.write_text("mine")
    done = run("droptest", DROPS, "--card", card)
    assert done.exit_code == 2
    assert "--force" in done.stderr
    assert card.read_text() == "mine"
    (tmp_path / "idle.png").write_text("mine")
    done = run("idle", IDLE, "--plots", tmp_path)
    assert done.exit_code == 2
    assert (tmp_path / "idle.png").read_text() == "mine"
    assert run("idle", IDLE, "--plots", tmp_path, "--force").exit_code == 0
    assert run("droptest", DROPS, "--card", card, "--force").exit_code == 0


def test_too_little_for_a_card_still_gets_its_report(few, tmp_path):
    few.write_text(few.read_text().replace("yes", "no"))
    done = run("droptest", few, "--card", tmp_path / "c.toml")
    assert done.exit_code == 2
    assert done.stdout.startswith("Drop test few.csv: 2 pieces.")
    assert "gives no range for a card" in done.stderr
    assert not (tmp_path / "c.toml").exists()


def test_two_pieces_make_a_card_of_an_interval(few, tmp_path):
    done = run("droptest", few, "--card", tmp_path / "c.toml")
    assert done.exit_code == 0, done.output
    assert "Not measured, on the card with the basis of" in done.stderr
    told = load_material(str(tmp_path / "c.toml"))["f_mat_warm"]
    assert told.basis == "assumed" and told.high / told.low > 10.0


def shop_with(tmp_path, card):
    """The demo mill in a folder, milling by a card that lies beside it."""
    for name in ("demo.toml", "offcuts_sieve.csv"):
        shutil.copy(CONFIGS / name, tmp_path / name)
    quick = (
        "run.class_ratio=1.6",
        "run.band_samples=16",
        "run.trace=false",
        "feed.rate=0.5 kg/h",
        "drive.speed=14000 rpm",
    )
    quick += (f'feed.material="{card}"',)
    return tmp_path / "demo.toml", [word for s in quick for word in ("--set", s)]


def test_predict_and_next_say_how_the_drop_test_stands(tmp_path):
    """The same line in the drop test's own report, in a prediction with the card, in its file and in next."""
    own = " ".join(run("droptest", DROPS, "--full", "--card", tmp_path / "c.toml").stdout.split())
    line = load_material(str(tmp_path / "c.toml")).bench
    first, _, second = line.partition(" Drop test")
    for part in (first, second):
        stand = part[part.index("energy that breaks half") :]
        assert stand in own
    config, sets = shop_with(tmp_path, "c.toml")
    predicted = run("predict", config, "--full", "--engine", "balance", *sets, "--out", tmp_path / "p.h5").stdout
    assert f"Bench tests: {line}" in " ".join(predicted.split())
    assert f"Bench tests: {line}" in " ".join(run("next", config, *sets).stdout.split())
    plain = run("predict", config, "--engine", "balance", *sets[:-2], "--set", "run.band_samples=0")
    assert plain.exit_code == 0 and "Bench tests" not in plain.stdout


def test_a_cut_test_reaches_the_prediction_and_says_so(tmp_path):
    """The card moves what edges cut, its line is told, and an edge other than the mill's is named."""
    path = tmp_path / "saw.csv"
    path.write_text("power_loaded_W,power_idle_W,time_s,removed_g\n900,500,60,10\n")
    done = run("cuttest", path, "--at", "shaft", "--chip", "0.1 mm", "--card", tmp_path / "c.toml")
    assert done.exit_code == 0, done.output
    line = load_material(str(tmp_path / "c.toml")).bench
    assert line in " ".join(done.stderr.split()) and "Yield stress: one size of chips tells nothing" in done.stderr
    config, sets = shop_with(tmp_path, "c.toml")
    told = " ".join(
        run("predict", config, "--full", "--engine", "balance", *sets, "--out", tmp_path / "p.h5").stdout.split()
    )
    assert f"Bench tests: {line} The test cut with a toothed edge, this mill has a bevelled one" in told
    same = run("next", config, *sets, "--set", 'rotor.edge="toothed"', "--json")
    assert json.loads(same.stdout)["bench"] == line
    by_card = {p.name: p for p in read(tmp_path / "p.h5").parameters}
    assert by_card["cut_factor"].basis == "measured" and "cut test saw.csv" in by_card["cut_factor"].source
    run("predict", config, "--engine", "balance", *sets[:-2], "--out", tmp_path / "q.h5")
    x50 = [read(tmp_path / n).main.scalars["x50_m"].value for n in ("p.h5", "q.h5")]
    assert abs(x50[0] / x50[1] - 1.0) > 1e-3


def test_the_cut_test_of_the_demo_tells_what_a_saw_can(tmp_path):
    """Two sizes of chips tell the product of cut factor and yield stress, and what a face costs."""
    done = run("cuttest", CUT, "--efficiency", "0.6", "--card", tmp_path / "saw.toml", "--json")
    assert done.exit_code == 0, done.output
    assert 300 < json.loads(done.stdout)["mean_J_kg"] / 3600 < 610  # sawing of coarse chips: common practice, no source
    card, was = load_material(str(tmp_path / "saw.toml")), load_material("pmma")
    assert card["fracture_energy"].basis == card["cut_factor"].basis == "measured"
    assert card["fracture_energy"].low < was["fracture_energy"].high


def test_a_cut_test_that_is_a_bound_gets_its_report_and_no_card(cuts, tmp_path):
    done = run("cuttest", cuts, "--card", tmp_path / "c.toml")
    assert done.exit_code == 2 and "Wh per kg of dust" in done.stdout
    for words in ("measure the saw's idle power", "give --efficiency", "sieve the dust"):
        assert words in done.stderr
    assert not (tmp_path / "c.toml").exists()


def test_a_drop_test_beside_wheat(tmp_path):
    path = tmp_path / "ratio.csv"
    rows = [f"{h},41,{b},10,{yes}" for yes, k in (("no", 2), ("yes", 1)) for h, b in ((40 * k, 2), (80 * k, 8))]
    path.write_text("\n".join(["height_mm,piece_mass_mg,broken,tested,reference", *rows]))
    done = run("droptest", path, "--reference", "wheat", "--card", tmp_path / "c.toml")
    assert done.exit_code == 0, done.output
    assert "times the energy per mass of the Wheat grain" in " ".join(done.stdout.split())
    assert "J m/kg" not in done.stdout  # nothing that hangs on a mass that nobody knows
    assert "Wheat grain" in load_material(str(tmp_path / "c.toml"))["f_mat_warm"].source
    refused = run("droptest", path, "--reference", "wheat", "--plots", tmp_path / "figures")
    assert refused.exit_code == 2 and "needs the hammer's mass" in refused.stderr


def test_predict_takes_the_card(tmp_path):
    assert run("droptest", DROPS, "--card", tmp_path / "c.toml").exit_code == 0
    for name in ("demo.toml", "offcuts_sieve.csv"):
        shutil.copy(CONFIGS / name, tmp_path / name)
    done = run("check", "--full", tmp_path / "demo.toml", "--set", 'feed.material="c.toml"')
    assert done.exit_code in (3, 4), done.output
    assert "drop test demo_droptest.csv" in " ".join(done.stdout.split())


# --- figures ---------------------------------------------------------------------------------------------


def figures(few):
    pmma = load_material("pmma")
    demo, little = analyse(read_drops(DROPS, pmma)), analyse(read_drops(few, pmma))
    fit = read_idle(IDLE)
    return {
        "warm": bench.drop_figure(demo, demo.groups[0]),
        "few": bench.drop_figure(little, little.groups[0]),
        "idle": bench.idle_figure(fit, None),
        "mill": bench.idle_figure(fit, compare(fit, load_config(MILL))),
    }


@pytest.fixture
def drawn(few):
    return figures(few)


def test_range_that_is_cut_off_says_how_far_it_goes(drawn):
    axes = drawn["mill"].axes[0]
    (band,) = axes.collections[:1]
    highest = band.get_paths()[0].vertices[:, 1].max()
    words = [t.get_text() for t in axes.get_legend().get_texts() if "range" in t.get_text()]
    assert highest > axes.get_ylim()[1] and words == [f"model's range, up to {float(f'{highest:.2g}'):.0f} W"]


@pytest.mark.parametrize("name", ["warm", "few", "idle", "mill"])
def test_figures_are_legible_and_on_the_page(drawn, name):
    figure = drawn[name]
    figure.canvas.draw()
    texts = [t for t in figure.findobj(matplotlib.text.Text) if t.get_text().strip() and t.get_visible()]
    assert min(t.get_fontsize() for t in texts) >= 9
    box, (width, height) = figure.get_tightbbox(), figure.get_size_inches()
    assert min(box.x0, box.y0) >= 0
    assert (box.x1 <= width) and (box.y1 <= height)
    axes = figure.axes[0]
    assert all("/" in label for label in (axes.get_xlabel(), axes.get_ylabel()))


def words_of(figure):
    return "\n".join(t.get_text() for t in figure.findobj(matplotlib.text.Text))


def test_what_the_figures_show(drawn):
    warm = words_of(drawn["warm"])
    for part in ("threshold: ", "half break: 1600 J/kg", "3/12", "95 % band", "Wilson", "84 trials", "21 °C"):
        assert part in warm
    assert drawn["warm"].axes[0].get_xscale() == "log"
    assert "half break somewhere here" in words_of(drawn["few"])
    for part in ("bearings", "windage", "fit, sum", "measured", "meter ± 3 % (assumed)", "at the mains"):
        assert part in words_of(drawn["idle"])
    assert "model's range" in words_of(drawn["mill"])


def test_markers_stand_at_the_counted_shares(drawn):
    test = analyse(read_drops(DROPS, load_material("pmma")))
    levels = test.groups[0].levels
    points = next(c for c in drawn["warm"].axes[0].containers if "counted" in c.get_label())[0]
    assert points.get_xdata() == pytest.approx([v.W for v in levels])
    assert points.get_ydata() == pytest.approx([100 * v.broken / v.tested for v in levels])
