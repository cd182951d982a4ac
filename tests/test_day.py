"""A day of production: laws by hand, a course that adds up, plans that pay, trends, and the command."""

import json
from dataclasses import replace
from math import inf, nan

import mills
import numpy as np
import pytest
from click.testing import CliRunner
from matplotlib.text import Text

from millsim.commands.base import NOT_DRAWN
from millsim.commands.main import cli
from millsim.laws import filter as dust
from millsim.laws.air import air_viscosity
from millsim.show.plots import day as plot
from millsim.show.words.day import clock, day_short, day_text
from millsim.studies.day import answer as study
from millsim.studies.day.answer import day_of
from millsim.studies.day.course import BAG, FILTER, LIMIT, MOTOR, PAUSE, SIEVE, Loads, course
from millsim.studies.day.states import LOST, RESISTANCE, States, Warming
from millsim.studies.day.usual import ASSUMED, BAG_FILL, LEFT, setting

COARSE = ("run.class_ratio=1.5", "run.band_samples=0", "run.trace=false", "run.tolerance=1e-5")
H = 3600.0
WARM = Warming(0.5, 600.0, 1200.0)


def made_up(rate=1.0 / H, falls=0.0, dust_share=0.0, asked=inf, hot=0.0):
    """States of a mill of 1 kg/h whose rate falls with the filter's resistance and with holes lost. INVENTED."""
    ln_R, flat = np.log(np.array(RESISTANCE)), np.ones(len(LOST))
    fall = np.outer(1.0 - falls * ln_R / ln_R[-1], 1.0 - np.array(LOST))
    values = {
        "rate_kg_s": rate * np.minimum(fall, asked / rate), "outlet_K": 320.0 + hot * np.outer(ln_R, flat),
        "air_m3_s": 0.02 * fall, "x50_m": 3e-4 + 0.0 * fall, "shaft_W": 500.0 * fall, "capacity_kg_s": rate * fall,
    }  # fmt: skip
    rows = {n: v.tolist() for n, v in values.items()}
    return States(ln_R.tolist(), rows, dust_share, 1e4, 1000.0, 1.0, "shaft power", "outlet temperature", 500.0, asked)


def a_day(**changes):
    """A plain day of 8 h without stops but those that are asked for."""
    plain = {
        "hours_s": 8 * H, "start_s": 0.0, "stop_s": 0.0, "pause_s": 0.0, "pause_after_s": inf, "bag_m3": 1.0,
        "filter_every_s": inf, "sieve_every_s": inf,
    }  # fmt: skip
    return replace(setting(mills.config("demo")), **plain | changes)


def run_day(states, day, loads=None):
    return course(states, WARM, day, loads or Loads(0.2, 0.0), 293.15)


@pytest.fixture(scope="module")
def demo():
    """The demo mill's day on coarse classes, with a few draws."""
    return day_of(mills.config("demo", *COARSE), 2)


# --- laws ------------------------------------------------------------------------------------------------


def test_settling_by_hand():
    # Stokes: 0.05 mm of density 1180 in air at 20 C fall at 2500e-12 * 1180 * 9.81 / (18 * 1.81e-5) = 0.0888 m/s.
    assert dust.settling_size(0.0888, 1180.0, 1.81e-5) == pytest.approx(50e-6, rel=2e-3)
    assert float(air_viscosity(293.15)) == pytest.approx(1.81e-5, rel=5e-3)


def test_a_cake_by_hand_and_within_what_practice_has():
    # 180 * 1.8e-5 * 0.35 / (1000 * 4e-10 * 0.274625) = 10323 1/s for 20 um; dusts have 1e4 to 1e5 (from memory).
    assert dust.cake_resistance(20e-6, 1000.0, 1.8e-5, 0.65) == pytest.approx(10323.0, rel=1e-4)
    assert dust.loaded_resistance(2000.0, 1e4, 0.3) == 5000.0
    assert dust.share_lost(0.02, 0.0) == 0.0 and dust.share_lost(0.02, 1e9) == 1.0
    assert dust.share_lost(0.02, 1.0) == pytest.approx(0.0198, rel=1e-3)


@pytest.mark.parametrize("r", ASSUMED, ids=lambda r: r.why[:12])
def test_what_is_assumed_is_drawn_within_its_range(r):
    u = np.linspace(0.0, 1.0, 41)
    v = [r.at(x) for x in u]
    assert v == sorted(v) and v[0] == pytest.approx(r.low) and v[-1] == pytest.approx(r.high)
    assert r.at(0.5) == pytest.approx(r.value) and "assumed" in r.why


# --- the course ------------------------------------------------------------------------------------------


def test_a_day_without_stops_is_hours_times_rate():
    c = run_day(made_up(), a_day())
    assert c.kg == pytest.approx(8.0) and not c.stops and c.milling_s == pytest.approx(8 * H)
    assert run_day(made_up(), a_day(start_s=600.0, stop_s=300.0)).kg == pytest.approx(8.0 - 0.25, abs=0.02)


def test_bags_and_pauses_take_their_time():
    # A bag of 2 kg at 1 kg/h: changed after 2, 4 and 6 h of milling, 10 min each.
    c = run_day(made_up(), a_day(bag_m3=2.0 / 500.0 / BAG_FILL, bag_change_s=600.0))
    assert [s.done for s in c.stops] == [(BAG,)] * 3 and all(s.lasts_s == 600.0 for s in c.stops)
    assert c.kg == pytest.approx(8.0 - 0.5, abs=0.05)
    c = run_day(made_up(), a_day(pause_s=1800.0, pause_after_s=3 * H))
    assert [(s.why, round(s.at_s / H, 1)) for s in c.stops] == [(PAUSE, 3.0), (PAUSE, 6.5)]
    assert c.kg == pytest.approx(7.0, abs=0.05)


def test_a_stop_serves_for_what_is_nearly_due():
    day = a_day(filter_every_s=2 * H, sieve_every_s=3 * H, filter_cleaning_s=300.0, sieve_cleaning_s=600.0)
    c = run_day(made_up(), day)
    assert c.stops[0].done == (FILTER, SIEVE) and c.stops[0].lasts_s == 900.0  # 2 of 3 h: nearly due


def test_dust_loads_the_filter_and_cleaning_leaves_some():
    s = made_up(falls=0.5, dust_share=0.1)
    c = run_day(s, a_day(filter_every_s=4 * H, filter_cleaning_s=0.0))
    stop = np.searchsorted(c.t_s, c.stops[0].at_s)  # the minute before it; the next row is after it
    before = c.cake_kg_m2[stop]
    assert before == pytest.approx(0.1 * c.made_kg[stop]) and c.cake_kg_m2[stop + 1] == pytest.approx(0.2 * before)
    assert c.rate_kg_s[0] > c.rate_kg_s[200]
    assert c.kg > run_day(s, a_day()).kg  # a cleaning that costs no time pays


def test_a_motor_that_cannot_last_is_let_cool():
    c = run_day(made_up(), a_day(), Loads(0.2, 0.0, 100.0, 200.0, 1200.0))
    first = c.stops[0]
    assert first.why == MOTOR and first.at_s == pytest.approx(1200.0 * np.log(2.0), abs=90.0)  # half of its end
    assert first.lasts_s == pytest.approx(1200.0 * np.log(2.0), abs=1.0)
    assert c.milling_s < 0.65 * 8 * H


def test_a_rate_that_is_no_longer_taken_asks_for_cleaning_then_for_less():
    s = made_up(rate=1.0 / H, falls=0.5, dust_share=0.2, asked=0.9 / H)
    c = run_day(s, a_day(filter_cleaning_s=300.0))
    assert c.stops[0].why == LIMIT and FILTER in c.stops[0].done
    hopeless = run_day(replace(s, dust_share=1.0, cake_1_s=1e5), a_day(filter_cleaning_s=300.0))
    assert hopeless.less_s < H and hopeless.kg < c.kg
    assert hopeless.rate_kg_s[-1] < 0.9 / H


# --- the plan --------------------------------------------------------------------------------------------


def test_the_plan_makes_most_of_what_was_tried():
    s, loads = made_up(falls=0.9, dust_share=0.3), Loads(0.2, 0.05 / H)
    day = a_day(filter_every_s=nan, sieve_every_s=nan)
    plan, found = study._planned(s, WARM, day, loads, 293.15, 1e3)
    assert set(found) == {"filter", "sieve"}
    best = course(s, WARM, plan, loads, 293.15).kg
    assert best > course(s, WARM, replace(plan, filter_every_s=inf), loads, 293.15).kg
    for every in study.EVERY_S:
        assert best * study.WORTH_KG >= course(s, WARM, replace(plan, filter_every_s=every), loads, 293.15).kg


def test_the_plan_stays_within_what_is_advised_where_it_can():
    s = made_up(dust_share=0.05, hot=10.0)
    day = a_day(filter_every_s=nan, filter_cleaning_s=300.0)
    loads = Loads(0.2, 0.0)
    free, _ = study._planned(s, WARM, day, loads, 293.15, 1e3)
    cool, _ = study._planned(s, WARM, day, loads, 293.15, 330.0)
    assert free.filter_every_s == inf and cool.filter_every_s < inf
    assert np.nanmax(course(s, WARM, cool, loads, 293.15).outlet_K) <= 330.5
    dear, _ = study._planned(s, WARM, replace(day, filter_cleaning_s=3600.0), loads, 293.15, 330.0)
    assert dear.filter_every_s == inf  # not at the price of hours, but what it would cost is told
    every, kg = study._cooler(s, WARM, replace(day, filter_cleaning_s=3600.0), loads, 293.15, 330.0)
    assert every < inf and kg < 0.95 * course(s, WARM, dear, loads, 293.15).kg


# --- a mill ----------------------------------------------------------------------------------------------


def test_the_demo_mills_day(demo):
    assert demo.runs and demo.low <= demo.high and demo.bag_kg == pytest.approx(10.0, rel=0.01)
    assert demo.course.kg < demo.first("rate_kg_s") * demo.day.hours_s
    assert demo.course.kg == pytest.approx(20.0, rel=0.1) and demo.day.filter_every_s == 2 * H  # as the README has it
    assert 0.0 < demo.states.dust_share < 0.2 and 1e3 < demo.states.cake_1_s < 1e5
    air, T, rate = (np.array(demo.states.values[n]) for n in ("air_m3_s", "outlet_K", "rate_kg_s"))
    assert (np.diff(air[:, 0]) < 0.0).all() and (np.diff(T[:, 0]) > 0.0).all()  # a loaded filter: less air, hotter
    assert (rate[:, 1] < rate[:, 0]).all()  # half of the holes


def test_the_answer_is_short_whole_and_says_what_it_takes_as_usual(demo):
    lines = day_short(demo).lines(2)
    assert len(lines) <= 23 and max(map(len, lines)) <= 100
    short, whole = " ".join(" ".join(lines).split()), day_text(demo)
    for said in ("When to do what", "What limits the day", "fill the hopper", "80 % band", "best"):
        assert said in short, said
    assert "Assumed, because [day]" in whole and "void share" in whole and "made until then" in whole
    assert clock(12390.0) == "3:26" and LEFT.why.rpartition(":")[0] in " ".join(whole.split())


def test_the_figure_shows_the_day_with_its_stops(demo):
    figure = plot.figure_of(demo)
    said = " ".join(t.get_text() for t in figure.findobj(Text))
    for part in ("A day of production", "Made / kg", "Outlet / °C", "Air / (m³/h)", "stops:"):
        assert part in said, part
    assert len(figure.axes[1].patches) == len(demo.course.stops) > 0


def test_keys_of_a_day_are_listed_with_what_is_usual():
    rows = {x.split()[0]: x for x in CliRunner().invoke(cli, ["keys", "day"]).stdout.splitlines() if x.strip()}
    assert "8 h" in rows["hours"] and " day " in rows["hours"] and "as found" in rows["filter_every"]


def test_command_keys_and_refusals(tmp_path):
    words = [w for s in (*COARSE, "day.hours=2 h", "day.bag=5 l", "day.filter_every=45 min") for w in ("--set", s)]
    mill = str(mills.CONFIGS / "demo.toml")
    done = CliRunner().invoke(cli, ["day", mill, "--draws", "0", "--json", "--plots", str(tmp_path), *words])
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["day"]["hours_s"] == 7200.0 and told["day"]["filter_every_s"] == 2700.0 and told["found"] == ["sieve"]
    assert told["caution"] and told["low_kg"] is None and (tmp_path / "day.png").is_file()
    assert mills.config("demo", "day.hours=2 h").sha256 != mills.config("demo").sha256
    batch = CliRunner().invoke(cli, ["day", str(mills.CONFIGS / "batch.toml"), "--set", "day.hours=30 kg"])
    assert batch.exit_code == 2 and "day.hours" in batch.stderr
    assert CliRunner().invoke(cli, ["day", str(mills.CONFIGS / "batch.toml")]).exit_code == 2
    none = [w for s in (*COARSE, "feed.material=pe_pp", "rotor.edge=blunt") for w in ("--set", s)]
    no = CliRunner().invoke(cli, ["day", mill, *none, "--plots", str(tmp_path / "none")])
    assert no.exit_code == 3 and "makes nothing in a day" in no.stdout and NOT_DRAWN in no.stderr
    told = json.loads(CliRunner().invoke(cli, ["day", mill, "--json", *none]).stdout)
    assert told["kg"] == 0.0 and told["draws"] == 0 and told["high_kg"] is None, "no day is worked through for nothing"


def test_powder_of_which_nobody_knows_how_warm_it_is_does_not_count_as_cool():
    minutes = np.zeros(3)
    still = study.Course(minutes, minutes, minutes, np.array([nan, 320.0, nan]), minutes, minutes, minutes, (), 0.0)
    assert not study.too_warm(still, 340.0)  # while nothing is milled nothing is warm
    milling = replace(still, rate_kg_s=np.array([0.0, 1e-3, 1e-3]))
    assert study.too_warm(milling, 340.0) and not study.too_warm(replace(milling, outlet_K=minutes + 339.0), 340.0)
