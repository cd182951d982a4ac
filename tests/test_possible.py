"""Is it possible at all: floors by hand, the bound on the model's own mills, practice, trends, and the command."""

import json
import shlex

import mills
import numpy as np
import pytest
from click.testing import CliRunner
from matplotlib.text import Text

from millsim.commands.main import cli
from millsim.laws import cutting, least
from millsim.learn.measured.ownrun import own_run
from millsim.learn.measured.runsheet import read_run
from millsim.mill import cards
from millsim.mill.chamber import socket_power
from millsim.show.plots import possible as plot
from millsim.show.words.possible import possible_text
from millsim.studies.possible import study
from millsim.studies.possible.answer import DONE, DOUBTFUL, NO_MILL, NOTHING_DOES, PLASTICS, Asked, possible
from millsim.studies.possible.floor import floor_of
from millsim.studies.possible.points import points

WH = 3600.0
SIZES = np.array([50e-6, 0.1e-3, 0.2e-3, 0.4e-3, 0.8e-3, 1.6e-3])
RUN = mills.CONFIGS / "demo_run.toml"


def run(*words):
    return CliRunner().invoke(cli, ["possible", *map(str, words)])


def answer(material="pla", x_m=0.3e-3, watts=300.0, rate=None, **more):
    return possible(Asked(material, "x50", x_m, watts=watts, rate_kg_s=rate, **more))


# --- floors ----------------------------------------------------------------------------------------------


def test_new_surface_by_hand():
    # 1 kg of 1 mm cubes of density 1000 has 6 m2; of it 3 m2 are new cracks at 100 J/m2, from endless blocks.
    assert least.surface_work(100.0, 1000.0, 1e-3, 1e9) == pytest.approx(300.0)
    assert least.surface_work(100.0, 1000.0, 1e-3, 2e-3) == pytest.approx(150.0)
    assert least.surface_work(100.0, 1000.0, 2e-3, 1e-3) == 0.0


def test_cutting_is_the_law_of_cutting_with_a_sharp_edge():
    plastic = cutting.plastic_work(3.0, 120e6, 1.0, 1e-4)
    assert least.cutting_work(plastic, 1500.0, 1240.0, 1e-4) == pytest.approx(
        cutting.cutting_energy(3.0, 120e6, 1500.0, 1e-4, 1240.0)
    )


def test_breaking_without_a_threshold_is_rittinger():
    # No threshold, no shattering: weak hits cost 1 / f_Mat per broken x, and 3 splits per e-fold: 3/f (1/x - 1/x_0).
    x = np.array([0.5e-3, 1e-3, 4e-3, 5e-3])
    found = least.breaking_work(x, 4e-3, 0.2, 0.0, 4e-3, 1.0, 0.0, 3.0, 1.0)
    assert found[:2] == pytest.approx(15.0 * (1.0 / x[:2] - 250.0), rel=0.015)  # hits that are not quite weak: 1 %
    assert found[2:] == pytest.approx([0.0, 0.0], abs=1e-9)
    dearer = least.breaking_work(x, 4e-3, 0.2, 2.0, 4e-3, 1.0, 0.0, 3.0, 1.0)
    assert (dearer[:2] > found[:2]).all()


@pytest.mark.parametrize("material", ["pla", "pmma", "wheat", "pe_pp"])
def test_floors_fall_with_size_and_hold_their_plausible_value(material):
    f = floor_of(material, 293.15, SIZES)
    for v in (f.cutting, f.breaking, f.surface, f.all):
        assert (np.diff(v, axis=1) <= 0.0).all()
        assert (v[0] < v[1]).all() and (v[1] < v[2]).all()
    assert f.all[1] == pytest.approx(np.maximum(f.surface[1], np.minimum(f.cutting[1], f.breaking[1])))


@pytest.mark.parametrize("name", mills.NAMES)
def test_no_shipped_mill_costs_less_than_the_floor(name):
    p = mills.problem(name)
    o = mills.outcome(name) if p.config.feed.batch else mills.capacity(name)
    x50 = mills.x_p(p, o)
    socket = float(socket_power(p.mill[0], o.powers["shaft"]) / o.state["F"])
    floor = floor_of(p.config.feed.material, p.config.feed.temperature_K, np.array([x50])).all[1, 0]
    assert socket > 2.0 * floor / p.config.drive.efficiency


@pytest.mark.parametrize("material", ["pla", "pmma", "wheat", "pe_pp", "coffee"])
def test_no_usual_mill_costs_less_than_the_floor(material):
    need, f = study.need_of(material, "x50"), floor_of(material, 293.15, SIZES)
    best = np.array([need.at("best", x) for x in SIZES])
    assert (best * f.all[1] < 1.0).all()


# --- what usual mills need -------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["pla", "wheat"])
def test_what_is_kept_is_what_the_model_says(name):
    # When a law or a card has changed its numbers on purpose: python benchmarks/possible_study.py
    for place, T in (("warm", study.WARM_K), ("cold", study.COLD_K)):
        assert study.witness(name, T) == pytest.approx(study.kept_witness(name, place), rel=1e-3)


def test_every_shipped_card_is_kept_and_coarser_powder_never_costs_more():
    for name in cards.list_materials():
        for fineness in ("x50", "x90"):
            need = study.need_of(name, fineness)
            for n, v in need.per_J.items():
                assert (np.diff(v) >= 0.0).all() and v.max() > 0.0, (name, n)
            best, high, likely, low = (need.per_J[n] for n in ("best", "high", "likely", "low"))
            assert (best >= high).all() and (high >= likely).all() and (likely >= low).all()


@pytest.mark.parametrize("name", ["pla", "pmma", "ps"])
def test_colder_is_no_less_where_hits_do_the_work(name):
    warm, cold = (study.need_of(name, "x50", T) for T in (293.15, 195.15))
    for x in (0.3e-3, 0.5e-3, 1e-3):
        for n in ("best", "likely"):
            assert warm.at(n, x) <= cold.at(n, x) * (1 + 1e-9)


def test_a_feed_out_of_a_freezer_is_computed_not_read_off_a_line(monkeypatch):
    # Of PLA as fine as 0.4 mm a line from a room to dry ice promises four times what the mills make at -30 °C.
    asked = []

    def computed(material, feed_K, *_, **__):
        asked.append((material, feed_K))
        raise LookupError

    monkeypatch.setattr(study, "try_usual", computed)
    for kelvin in (293.15, 290.0, 195.15, 199.0):
        study.need_of("pla", "x50", kelvin)
    assert not asked
    with pytest.raises(LookupError):
        study.need_of("pla", "x50", 243.15)
    assert asked == [("pla", 243.15)]


def test_a_card_of_ones_own_is_computed(tmp_path, monkeypatch):
    text = cards.card_toml(cards.load_material("ps"), "")
    card = tmp_path / "mine.toml"
    card.write_text(text, encoding="utf-8")
    monkeypatch.setattr(study, "DRAWS", 8)
    monkeypatch.setattr(study, "HOLES_M", (0.5e-3, 2e-3))
    found = study.need_of(str(card), "x50")
    kept = study.need_of("ps", "x50")
    assert found.at("best", 1e-3) == pytest.approx(kept.at("best", 1e-3), rel=0.6)
    assert found.at("best", 0.05e-3) == 0.0  # no hole as fine as that was tried


# --- practice --------------------------------------------------------------------------------------------


def test_very_fine_pla_on_300_W():
    # Common practice, no source: about 300 W make at best some 400 g/h of very fine powder (x50 of 0.1 mm and less).
    for x in (0.03e-3, 0.06e-3, 0.1e-3):
        r = answer(x_m=x).rates
        assert r.best * 3.6e6 < 400.0 and r.likely <= r.best


def test_wheat_through_1_mm_lies_in_the_likely_band():
    # Dziki et al. 2012, doi 10.1007/s13197-012-0807-8: 120 to 159 kJ/kg from the socket; within a factor of 1.5.
    p = points()["wheat"]
    assert [e / WH for e in p.energy_J_kg] == pytest.approx([120.0 / 3.6, 159.0 / 3.6], rel=0.02)
    need = study.need_of("wheat", "x50")
    ends = [1.0 / (0.6 * need.at(n, x)) for n in ("high", "low") for x in p.x_m]
    assert min(ends) / 1.5 < p.energy_J_kg[0] and p.energy_J_kg[1] < 1.5 * max(ends)


def test_points_say_what_they_rest_on_and_rates_come_from_their_energies():
    for p in points().values():
        assert p.basis in ("published", "common practice") and len(p.source) > 20
        assert p.basis == "published" or "no source" in p.source
    low, high = points()["sawing"].rates(300.0)
    assert (low * 3.6e6, high * 3.6e6) == pytest.approx((300 / 610 * 1e3, 300 / 350 * 1e3))


# --- the answer ------------------------------------------------------------------------------------------


def test_rates_go_with_watts_and_with_coarseness():
    one, two = answer(watts=300.0), answer(watts=600.0)
    assert two.rates == pytest.approx([2.0 * v for v in one.rates])
    assert answer(x_m=0.5e-3).rates.likely > one.rates.likely
    assert one.rates.likely == pytest.approx(300.0 * 0.6 / one.above[1] / one.floor.all[1, 0])


def test_verdicts_and_the_motor_a_wish_takes():
    r = answer(x_m=0.5e-3).rates
    for wish, verdict in ((0.9 * r.likely, DONE), (1.1 * r.likely, DOUBTFUL), (1.1 * r.best, NO_MILL)):
        assert answer(x_m=0.5e-3, rate=wish).verdict == verdict
    assert answer(x_m=0.5e-3, rate=1.0).verdict == NOTHING_DOES
    a = answer(x_m=0.5e-3, watts=None, rate=2.0 * r.likely)
    assert a.motor_W == pytest.approx((600.0, 600.0 * r.likely / r.best)) and a.watts == a.motor_W[0]
    assert a.rates.likely == pytest.approx(2.0 * r.likely)


def test_ways_out_are_better_or_said_to_be_none():
    a = answer(x_m=0.3e-3, rate=0.3 / 3600.0)
    ways = {w.kind: w for w in a.ways}
    assert ways["coarser"].rates.likely >= 0.3 / 3600.0 and ways["coarser"].what > 0.3e-3
    assert ways["colder"].rates.likely > a.rates.likely
    assert ways["material"].what in PLASTICS and ways["material"].rates.likely > a.rates.likely
    wheat = answer("wheat")
    assert "chilled feed would not help" in " ".join(possible_text(wheat).split())
    assert {w.kind for w in wheat.ways} == {"coarser", "colder"}


def test_feed_that_sticks_as_it_comes_is_told_so():
    done = run("pla", "--x50", "0.4 mm", "--watts", "300 W", "--feed", "50 °C")
    assert done.exit_code == 3 and done.stdout.startswith("Not possible: the feed comes at 50 °C")
    assert "feed chilled with dry ice likely" in " ".join(done.stdout.split())


@pytest.mark.parametrize(
    ("words", "code", "begins"),
    [
        (("pla", "--x50", "0.1 mm", "--watts", "300 W", "--rate", "1 kg/h"), 3, "Not possible with usual mills"),
        (("ps", "--x50", "60 um", "--watts", "100 W", "--rate", "10 kg/h"), 3, "Not possible with any machine"),
        (("pmma", "--x90", "0.4 mm", "--rate", "2 kg/h"), 0, "Possible: 2 kg/h of PMMA (acrylic) with x90"),
        (
            ("pla", "--x50", "0.5 mm", "--watts", "180 W", "--at", "shaft"),
            0,
            "Possible: PLA with x50 = 0.5 mm on 180 W",
        ),
    ],
)
def test_the_command_is_short_and_says_no_plainly(words, code, begins):
    done = run(*words, "--run", RUN)
    assert done.exit_code == code, done.output
    lines = done.stdout.splitlines()
    assert len(lines) <= 26 and max(map(len, lines)) <= 100 and done.stdout.startswith(begins)
    assert lines[-1].startswith("`--full`") and any(line.startswith("Caution: ") for line in lines)


def test_the_readme_shows_what_comes_out(monkeypatch):
    root = mills.CONFIGS.parent
    monkeypatch.chdir(root)
    readme = (root / "README.md").read_text(encoding="utf-8")
    words = next(line for line in readme.splitlines() if line.startswith("millsim possible"))
    told = run(*shlex.split(words)[2:-2]).stdout
    assert f"```\n{told.partition('Caution')[0]}```" in readme


def test_json_full_and_bad_input():
    told = json.loads(run("pla", "--x50", "0.3 mm", "--watts", "300 W", "--run", RUN, "--json").stdout)
    assert (
        told["verdict"] == DONE and told["caution"] and told["runs"][0]["sizes"]["x50"] == pytest.approx(3e-4, rel=0.1)
    )
    assert told["floor_shaft_J_kg"]["all"]["value"] > 0.0 and len(told["curve"]["x_m"]) > 10
    full = run("pla", "--x50", "0.3 mm", "--watts", "300 W", "--full").stdout
    assert "no source" in full and "Dziki" in full and "Cautions" in full
    bad = run("plaa", "--x50", "1 kg", "--x90", "9 m", "--watts", "0 W", "--rate", "fast", "--run", "none.toml")
    assert bad.exit_code == 2
    for part in ("plaa", "--x50", "--x90", "--watts", "--rate", "none.toml"):
        assert part in bad.stderr
    missing = run("pla")
    assert missing.exit_code == 2 and "--watts" in missing.stderr and "how fine" in missing.stderr


def test_figure_has_the_points_the_runs_and_the_wish(tmp_path):
    own = own_run(read_run(RUN))
    assert own.energy_J_kg == pytest.approx(1305.0 * 1200.0 / 1.1504, rel=1e-6)
    figure = plot.figure_of(answer(rate=0.2 / 3600.0), (own,))
    said = " ".join(t.get_text() for t in figure.findobj(Text))
    for part in ("saw", "disc", "wheat, 1 mm", "your runs", "the wish", "no machine gets above", "on 300 W"):
        assert part in said, part
    done = run("pla", "--x50", "0.3 mm", "--watts", "300 W", "--plots", tmp_path)
    assert done.exit_code == 0 and (tmp_path / "possible.png").is_file()
    assert run("pla", "--x50", "0.3 mm", "--watts", "300 W", "--plots", tmp_path).exit_code == 2
