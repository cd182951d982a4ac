"""Which change is worth making first: what is tried is what comes out, what fails is not advised, draws are shared."""

import json
import re
from dataclasses import replace

import mills
import numpy as np
import pytest
from click.testing import CliRunner

from millsim.commands.main import cli
from millsim.explore.beside import change
from millsim.explore.beside.change import GOALS, is_coarser, rank, values_of
from millsim.record.limits import LIMITS, TEMPERATURE
from millsim.show.words.change import change_short, change_text
from millsim.studies.changes import tried, with_keys
from millsim.studies.ways import every_way, ways

COARSE = ("run.class_ratio=1.5", "run.band_samples=0", "run.trace=false", "run.tolerance=1e-5")


@pytest.fixture(scope="module")
def demo():
    """The demo mill ranked for powder, with a few draws."""
    return rank(mills.config("demo", *COARSE), "rate", 6)


def test_every_change_does_by_itself_what_is_told(demo):
    assert demo.steps and demo.coarser and demo.tried > 10
    was = values_of(demo.base)["throughput_kg_s"]
    for s in (demo.steps[0], demo.coarser[0]):
        there = tried(with_keys(demo.config, s.keys))
        assert values_of(there)["throughput_kg_s"] == pytest.approx(s.gain * was, rel=1e-9)
        assert s.gain > 1.01 and not s.fails
    sure = [s.gain for s in demo.steps if s.difference is None or s.difference.better >= change.SURE]
    assert len(sure) > 3 and sure == sorted(sure, reverse=True)
    assert not any(is_coarser(demo.base, s) for s in demo.steps)


def test_the_first_have_a_difference_from_shared_draws(demo):
    first = [s.difference for s in demo.steps]
    assert all(first[: change.FIRST]) and not any(first[change.FIRST :])
    d = first[0]
    assert demo.steps[0].words == "24 pins" and 1.2 < d.low and d.high < 3.0  # as the README has it
    assert d.low < d.middle < d.high and 0.0 < d.own < 1.0 and d.better > 0.8
    told = change_text(demo)
    assert f"{demo.steps[0].gain:.3g} times" in told  # as the two figures beside it have it
    assert f"±{100 * d.own:.0f} %" in told


def test_a_change_that_is_better_in_few_draws_does_not_come_first(monkeypatch, demo):
    steps = [replace(s, difference=None) for s in demo.steps[:3]]
    ends = {0: (0.9, 1.0, 3.0), 1: (1.2, 1.3, 1.4), 2: (1.1, 1.2, 1.3)}  # of the largest central gain: a toss
    both = [np.ones((2, 3)), *(np.array([v, v]) for v in ends.values())]
    monkeypatch.setattr(change, "both_ways", lambda *_: both)
    monkeypatch.setattr(change, "difference", lambda _, there, __: change.Difference(
        *there[1], 0.1, float(np.mean(there[1] > 1.0)), 3))  # fmt: skip
    found = change._with_bands(demo.config, "rate", demo.base, steps, 3, 1, None)
    assert [s.words for s in found] == [steps[1].words, steps[2].words, steps[0].words]
    for told, words in ((found, "make this one first"), (found[-1:], "none is sure to help")):
        assert words in " ".join(change_text(replace(demo, steps=tuple(told))).split())


def test_a_mill_beside_itself_differs_by_its_day_alone():
    c = mills.config("demo", *COARSE)
    one, same = change.both_ways([c, c], [1e-3, 1e-3], "x50_m", 8, 1)
    bare = change.difference(np.array([one[0], one[0]]), np.array([same[0], same[0]]), "x50")
    assert (bare.low, bare.middle, bare.high, bare.own, bare.better) == (1.0, 1.0, 1.0, 0.0, 0.0)
    d = change.difference(one, same, "x50")
    assert d.own == pytest.approx(0.5 * np.log(d.high / d.low), rel=0.1) and 0.01 < d.own < 0.2


def test_kelvins_are_differences_and_cooler_is_better():
    base, there = np.array([[300.0] * 5] * 2), np.array([[297.0] * 5, [295.0, 296.0, 297.0, 298.0, 301.0]])
    d = change.difference(base, there, "outlet")
    assert (d.middle, d.better, d.both) == (-3.0, 0.8, 5)
    assert change.difference(base, np.full((2, 5), np.nan), "outlet") is None


@pytest.mark.parametrize("goal", ["x50", "outlet"])
def test_better_is_better_for_every_goal(goal):
    r = rank(mills.config("pla", *COARSE), goal, 0)
    key, sign = GOALS[goal]
    was = values_of(r.base)[key]
    for s in (*r.steps, *r.coarser, *r.failing):
        assert sign * (s.values[key] - was) > 0.0, s.words
    assert all(s.fails for s in r.failing) and not any(s.fails for s in r.steps)
    if goal == "x50":
        assert "holes of" in r.steps[0].words and not r.coarser  # finer holes make finer powder


def test_the_ways_are_those_of_the_advice_and_finer_holes():
    c = mills.config("demo")
    own, known = [w.key for w in every_way(c)], [w.key for w in ways(c)]
    assert own == [*known, "sieve.hole"]
    words, keys = list(every_way(c))[-1].at(1.0)
    assert words == "holes of 0.315 mm" or words == "holes of 0.28 mm"
    assert with_keys(c, keys).sieve.hole_m < c.sieve.hole_m


def test_what_a_change_costs_beside_is_told(demo):
    """A larger motor heats the powder beyond what is advised, and more powder is more dust where that fails already."""
    told = " ".join(change_text(demo).split())
    hot = [s for s in demo.steps if s.values["outlet_temperature_K"] > 273.15 + 70.1]
    assert hot and "dust in the air" in demo.base.fails
    assert f"Above the 70 °C that is advised for the outlet: {hot[0].words} (" in told
    assert "More powder is more dust in its air" in told
    cool = replace(demo, goal="energy", steps=tuple(s for s in demo.steps if s not in hot))
    assert not re.search("Above the|more dust", change_text(cool))


def test_the_command_is_short_and_a_mill_that_gives_nothing_is_a_no(demo):
    lines = change_short(demo).lines(2)
    assert len(lines) <= 23 and max(map(len, lines)) <= 100
    assert lines[0].startswith("Workshop acrylic mill: for more powder")
    words = [w for s in (*COARSE, "feed.material=pe_pp", "rotor.edge=blunt") for w in ("--set", s)]
    none = CliRunner().invoke(cli, ["change", str(mills.CONFIGS / "demo.toml"), "--draws", "4", *words])
    assert none.exit_code == 3 and "gives nothing as it is" in none.stdout and "millsim predict" in none.stdout
    bad = CliRunner().invoke(cli, ["change", "none.toml", "--set", "stator.gap=1 kg"])
    assert bad.exit_code == 2


def test_a_mill_at_its_heat_limit_cannot_be_cooler_and_is_told_why(demo):
    base = demo.base._replace(outcome=replace(demo.base.outcome, binding=LIMITS[TEMPERATURE]))
    hot = replace(demo, goal="outlet", base=base, steps=())
    assert "`--for rate` tells" in " ".join(change_text(hot).split())


def test_json_of_a_mill_at_its_own_rate():
    words = [w for s in (*COARSE, "feed.rate=0.3 kg/h") for w in ("--set", s)]
    mill = str(mills.CONFIGS / "demo.toml")
    done = CliRunner().invoke(cli, ["change", mill, "--for", "energy", "--draws", "0", "--json", *words])
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["output"] == "gross_J_kg" and told["caution"] and told["steps"][0]["difference"] is None
    assert told["as_it_is"]["throughput_kg_s"] == pytest.approx(0.3 / 3600.0)
    assert all(
        s["values"]["throughput_kg_s"] == pytest.approx(0.3 / 3600.0) for s in told["steps"] if not s["takes_less"]
    )
