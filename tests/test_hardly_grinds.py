"""A mill that hardly grinds: told as such in every command, never a rate, with what would change it, and quickly."""

import json
import time
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from millsim.commands.main import cli
from millsim.forecast.outcome import hardly, solve
from millsim.mill.config.mill import load_config, parse_config
from millsim.mill.problem import build
from millsim.record.limits import CANNOT, GRINDING, LIMITS, OK, OVER, TEMPERATURE
from millsim.record.read import read
from millsim.record.write import write
from millsim.show.words.limits import headroom, verdict, what_limits
from millsim.show.words.prediction import to_json, to_text
from millsim.show.words.prediction_short import to_short
from millsim.studies.advised import predict
from millsim.studies.changes import tried
from millsim.studies.hardly import _tried, what_helps

DEMO = Path(__file__).resolve().parents[1] / "configs" / "demo.toml"
MILLS = {
    "polyethylene, blunt": ("feed.material=pe_pp", "rotor.edge=blunt"),
    "slow": ("drive.tip_speed=30 m/s",),
    "smooth wall": ("stator.kind=smooth",),
}


def run_cli(*args):
    return CliRunner().invoke(cli, [str(a) for a in args])


def demo(name):
    return load_config(DEMO, MILLS[name])


@pytest.fixture(scope="module")
def blunt():
    return predict(demo("polyethylene, blunt"), seed=1, command="x")


@pytest.mark.parametrize("name", MILLS)
def test_it_is_an_outcome_of_its_own(name):
    outcome = solve(build(demo(name)), None)
    assert (outcome.code, outcome.binding) == (CANNOT, LIMITS[GRINDING]) and hardly(outcome)
    assert outcome.loads[GRINDING] > 1.0 and outcome.state["F"] < 0.1 / 3600.0


def test_a_mill_that_grinds_is_not_called_so():
    assert not hardly(solve(build(load_config(DEMO)), None))


SLOW_FINE = ("drive.speed=6000 rpm", "drive.speed_under_load=5700 rpm", "sieve.hole=0.6 mm", "run.band_samples=0",
             "run.trace=false")  # fmt: skip


def test_there_is_neither_island_nor_jump_along_the_gap():
    # Derived: a little more gap is a little another mill. At this speed hits break pieces down to some 2 mm only: what
    # is finer must be bitten, so a gap wider than that takes a factor from the rate, but in no jump, and from some gap
    # on the mill hardly grinds. A rate is that of all the charge the motor bears, also where a little charge does well.
    gaps = np.arange(1.0, 6.05, 0.1)
    found = [solve(build(load_config(DEMO, [*SLOW_FINE, f"stator.gap={g:.1f} mm"])), None) for g in gaps]
    F, grinds = np.array([float(o.state["F"]) for o in found]), np.array([not hardly(o) for o in found])
    assert grinds[:7].all() and not grinds[12:].any()
    assert np.all(np.diff(grinds.astype(int)) <= 0)
    assert np.all(F[1:] < 1.05 * F[:-1])
    assert np.abs(np.diff(np.log(F))).max() < 0.8  # classes as wide as the steps of the gap are worth some of it


def test_a_mill_that_more_charge_chokes_is_told_so():
    # Far from full, and yet the charge is what limits it: no headroom is promised. So it is on finer classes too.
    cool = [*SLOW_FINE, "stator.gap=0.8 mm", "drive.rated_power=1500 W", "air.room=10 °C"]
    p = predict(load_config(DEMO, cool), "balance", 1)
    limit = next(x for x in p.limits if x.name == p.binding)
    assert p.binding == "chamber" and limit.load < 0.1 * limit.capacity
    assert headroom(limit) == 1.0 and verdict(limit, p.binding) == "limits it"
    assert "more charge than this carries less, so a mill fed any faster fills up" in what_limits(p)
    assert "no limit of the model" not in what_limits(p)


def test_no_rate_and_no_band_is_told(blunt):
    assert blunt.status == "hardly grinds" and not blunt.runs
    text = to_text(blunt)
    first = " ".join(text.split("What limits it")[0].split())
    assert first.startswith(
        "Workshop acrylic mill hardly grinds: hardly any hit breaks or cuts pieces of this size, so"
    )
    short = "\n".join(to_short(blunt).lines())
    assert "no band was run" not in short and "Widest doubts: nothing here is measured on your mill" in short
    assert "band" not in text and "x50" not in first and "Monte Carlo" not in text
    said = to_json(blunt)
    assert said["status"] == "hardly grinds" and said["band"] is None and said["product"]["x50_m"] is None
    assert not said["throughput_kg_s"] and said["grinds_with"] == list(blunt.grinds_with)


def test_what_is_said_to_help_does(blunt):
    # Each change named is tried here through the config, from its words; it must take the mill out of the corner.
    said = blunt.grinds_with[0]
    assert said.index("a gap of 0.5 mm") < said.index("a toothed edge")  # a tight gap does most for tough plastics
    for keys in (('stator.gap="0.5 mm"',), ('rotor.edge="toothed"',)):
        assert solve(build(parse_config(blunt.config_text, overrides=keys)), None).code in (OK, OVER)
    assert "another material" in said


def test_a_slow_rotor_is_told_a_speed_that_grinds():
    said = " ".join(what_helps(build(demo("slow")), draws=0))
    speed = float(said.split("a tip speed of ")[1].split(" m/s")[0])
    assert 30.0 < speed < 60.0
    assert "hits begin to break pieces as they are fed" in said and "the tips run at 30 m/s" in said


def test_no_faster_rotor_is_told_where_the_review_fails_the_speed_as_it_is():
    """A rotor too fast as it is fails the same check when it runs faster, by more; a slower one fails it by less."""
    fast = load_config(DEMO, ["drive.speed=15000 rpm", "run.class_ratio=1.6"])
    base = tried(fast)
    assert {"tip speed", "what could fly against the guard"} <= base.fails
    faster, slower = (_tried(build(fast), base, "", (f'drive.speed="{n} rpm"',)) for n in (15300, 14700))
    assert faster.energy_J_kg == np.inf and slower.energy_J_kg < np.inf


def test_a_smooth_wall_is_told_of_pins():
    assert "pins in the wall" in what_helps(build(demo("smooth wall")), draws=0)[0]


def test_what_would_help_is_kept_in_the_file(blunt, tmp_path):
    write(blunt, tmp_path / "x.h5")
    assert read(tmp_path / "x.h5").grinds_with == blunt.grinds_with


def test_the_search_ends_quickly():
    slow, quick = build(demo("polyethylene, blunt")), build(load_config(DEMO))
    took = []
    for problem in (slow, quick):
        solve(problem, None)
        start = time.process_time()
        for _ in range(3):
            solve(problem, None)
        took.append(time.process_time() - start)
    assert took[0] < 20.0 * took[1]


@pytest.mark.parametrize("command", ["predict", "check", "heat"])
def test_every_command_says_so(command):
    extra = ["--seed", "1"] if command == "predict" else []
    sets = [x for s in MILLS["slow"] for x in ("--set", s)]
    found = run_cli(command, str(DEMO), *sets, *extra)
    assert found.exit_code == 3
    assert "hardly grinds" in " ".join(found.output.split())


def test_a_circuit_says_so_and_runs_no_band():
    found = run_cli("circuit", str(DEMO), "--set", MILLS["slow"][0], "--sieve", "0.5 mm", "--json")
    assert found.exit_code == 3
    answer = json.loads(found.stdout)
    assert answer["status"] == "hardly grinds" and "hardly grinds" in answer["returned"]["reason"]


@pytest.mark.parametrize(("ratio", "limit"), [(1.5, 24), (1.15, 22), (1.15, 26)])
def test_a_mill_that_is_too_hot_nearly_empty_is_told_so(ratio, limit):
    # Windage alone takes it 10 K above the room: an answer, not a state that did not settle.
    told = ("feed.material=pe_pp", "drive.tip_speed=110 m/s", "drive.speed_under_load=11000 rpm")
    settings = (*told, f"run.class_ratio={ratio}", f"limits.outlet_temperature={limit} °C")
    outcome = solve(build(load_config(DEMO, settings)), None)
    assert (outcome.code, outcome.binding) == (CANNOT, LIMITS[TEMPERATURE])
    assert float(outcome.state["T"]) == pytest.approx(303.03, abs=0.01)  # as without any limit
