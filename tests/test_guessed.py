"""Guessed keys of a config: parameters with a range, which widen every band and never look measured."""

from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner
from mills import CONFIGS, config, problem

from millsim.base.quantities.params import GUESSED
from millsim.base.reading.toml import parse_toml
from millsim.commands.main import cli
from millsim.errors import InputError
from millsim.explore.sweep.points import template
from millsim.forecast import band, run
from millsim.forecast.outcome import solve
from millsim.learn.calibration.fit import refuse_unfit
from millsim.learn.calibration.guessed import measurements
from millsim.learn.calibration.unknowns import unknowns_of
from millsim.mill.calibrated import Applied
from millsim.mill.cards.calibrated import Calibrated, Conditions, Fitted, calibrated_from, calibrated_toml
from millsim.mill.config.guessed import guessable
from millsim.mill.config.mill import parse_config
from millsim.mill.config.questions import measure_words
from millsim.mill.config.schema import SECTIONS
from millsim.mill.problem import build, fed_shares, set_values
from millsim.show.words import prediction as words
from millsim.studies.circuit.loop import through
from millsim.studies.circuit.turns import SieveCut
from millsim.studies.guesses import costs
from millsim.version import MODEL_VERSION

QUICK = "\n[run]\nclass_ratio = 1.4\nband_samples = 16\nseed = 1\ntrace = false\n"


def text_of(guessed=""):
    """The acrylic mill on coarse classes, fed with pieces of 4 mm, with a table of guesses."""
    text = (CONFIGS / "demo.toml").read_text(encoding="utf-8").partition("[run]")[0]
    text = "\n".join(line for line in text.splitlines() if not line.startswith("speed_under_load"))
    text = text.replace('"sieve_sheet"', '"single"').replace('sheet = "offcuts_sieve.csv"', 'size = "4 mm"')
    return f"{text}{QUICK}[guessed]\n{guessed}\n"


def demo(guessed="", *overrides):
    """Its config."""
    return parse_config(text_of(guessed), "demo.toml", CONFIGS, overrides)


def wrong(guessed):
    """What is said of a table of guesses: (key, message) of every problem."""
    with pytest.raises(InputError) as error:
        demo(guessed)
    return [(p.key, p.message) for p in error.value.problems]


def spread(guessed, output="throughput_kg_s"):
    """The width of an output over draws of the guesses alone, as the logarithm of a factor."""
    p = build(demo(guessed), 1.4)
    p = replace(p, parameters=tuple(q for q in p.parameters if q.basis == GUESSED))
    low, high = np.quantile(band.run_samples(p, band.draws(p, 16, 1), None).values[output], [0.1, 0.9])
    return np.log(high / low)


def test_a_guess_widens_the_band_and_a_narrower_one_less():
    wide = spread('drive.rated_power = ["500 W", "2200 W"]')
    narrow = spread('drive.rated_power = ["1000 W", "1200 W"]')
    assert wide > 0.4 and 0.02 < narrow < 0.3 * wide


def test_a_config_without_guesses_and_the_likeliest_values_are_as_before():
    plain, guessed = build(demo(), 1.4), build(demo('stator.gap = ["2 mm", "5 mm"]\nrotor.bars = [2, 8]'), 1.4)
    assert plain.mill.tobytes() == guessed.mill.tobytes() and np.array_equal(plain.feed, guessed.feed)
    assert np.array_equal(plain.edges, guessed.edges) and demo().guesses is None
    assert demo().sha256 == demo("").sha256 != demo('stator.gap = ["2 mm", "5 mm"]').sha256
    assert solve(plain, None).state.tobytes() == solve(guessed, None).state.tobytes()


def test_every_draw_is_the_mill_that_its_guesses_describe():
    c = demo('rotor.radius = ["55 mm", "61 mm"]\nsieve.hole = ["0.4 mm", "0.7 mm"]\nstator.gap = ["2 mm", "5 mm"]')
    p = build(c, 1.4)
    mill = p.mill.copy()
    set_values(p, mill, {"rotor.radius": 57e-3, "sieve.hole": 0.5e-3, "stator.gap": 4e-3})
    same = build(demo("", 'rotor.radius="57 mm"', 'sieve.hole="0.5 mm"', 'stator.gap="4 mm"'), 1.4).mill
    different = [n for n in mill.dtype.names if not np.allclose(mill[n], same[n], rtol=1e-12)]
    assert not different, different


def test_a_speed_that_was_measured_stays_whatever_radius_is_guessed():
    p = build(demo('rotor.radius = ["57 mm", "61 mm"]'), 1.4)
    mill = p.mill.copy()
    mill["curve_speed"], mill["omega_0"] = 900.0, 950.0
    set_values(p, mill, {"rotor.radius": 57e-3})
    assert mill["R"] == 57e-3 and mill["omega_0"] == 950.0 and (mill["curve_speed"] == 900.0).all()


def test_a_choice_is_drawn_with_the_card_of_each_word():
    c = demo('rotor.edge = ["blunt", "bevelled"]\nfeed.material = ["pmma", "ps", "pe_pp"]')
    p = build(c, 1.4)
    mills = band.draws(p, 64, 1)
    density = mills["density"]
    light = density < 1000.0
    assert 0.2 < light.mean() < 0.5 and (density[~light] > 1000.0).all()
    assert (mills["temperature_cold"][light] != mills["temperature_cold"][~light][0]).all()  # the whole card
    blunt = mills["edge_radius"] > c.model["edge_radius_bevelled"].high
    assert 0.2 < blunt.mean() < 0.8


def test_a_coarser_feed_is_coarser_in_its_classes_and_in_a_circuit():
    p = build(demo('feed.size.size = ["3 mm", "8 mm"]'), 1.4)
    mill = p.mill.copy()
    set_values(p, mill, {"feed.size.size": 8e-3})
    assert fed_shares(p, p.mill) is p.feed
    assert p.x[np.argmax(fed_shares(p, mill))] == pytest.approx(8e-3, rel=0.2)
    for m, size in ((mill, 8e-3), (p.mill, 4e-3)):
        fed = np.diff(through(p, SieveCut(0.5e-3), None, m).mill_feed_q3)
        assert p.x[np.argmax(fed)] == pytest.approx(size, rel=0.2)


def test_draws_that_contradict_each_other_are_drawn_towards_the_guess():
    c = demo('sieve.hole = ["0.4 mm", "1.1 mm"]\nsieve.pitch = ["0.65 mm", "2 mm"]')
    both = c.guesses.at({"sieve.hole": 1.1e-3, "sieve.pitch": 0.65e-3}).sieve
    assert both.hole_m < both.pitch_m and 0.6e-3 < both.hole_m < 1.1e-3


def test_what_is_wrong_with_guesses_is_said_in_one_pass():
    found = dict(
        wrong(
            'stator.gab = ["1 mm", "2 mm"]\nstator.gap = ["4 mm", "5 mm"]\nrotor.bars = [5, 3]\nrun.seed = [1, 2]\n'
            'rotor.edge = ["blunt", "toothed"]\nfeed.rate = ["1 kg/h", "2 kg/h"]\nrotor.mount = ["rigid", "swinging"]'
        )
    )
    assert found["guessed.stator.gab"] == "unknown key"
    assert "lies outside its own range" in found["guessed.stator.gap"]
    assert "does not ascend" in found["guessed.rotor.bars"]
    assert "not in the list" in found["guessed.rotor.edge"]
    for key in ("run.seed", "feed.rate", "rotor.mount"):
        assert found[f"guessed.{key}"] == "cannot be guessed"
    [(key, message)] = wrong('sieve.pitch = ["0.5 mm", "2 mm"]')
    assert key == "guessed.sieve.pitch" and "reaches 0.5 mm" in message


def test_the_resolved_text_says_the_guesses_again():
    c = demo('drive.tip_speed = ["50 m/s", "60 m/s"]\nair.fan = [true, false]\nrotor.bars = [2, 8]')
    again = parse_config(c.text)
    assert again.sha256 == c.sha256
    assert [(p.name, p.low, p.high, p.note) for p in again.guesses.parameters] == [
        (p.name, p.low, p.high, p.note) for p in c.guesses.parameters
    ]


def test_what_is_set_is_no_longer_guessed():
    guess = 'stator.gap = ["2 mm", "5 mm"]\ndrive.tip_speed = ["50 m/s", "60 m/s"]'
    left = demo(guess, 'stator.gap="2.5 mm"').guesses.parameters
    assert [p.name for p in left] == ["drive.tip_speed"]
    (set_here,) = demo("", 'guessed.stator.gap=["2 mm", "4 mm"]').guesses.parameters
    assert (set_here.low, set_here.high) == (2e-3, 4e-3)
    assert [p.name for p in demo(guess, 'drive.speed="9000 rpm"').guesses.parameters] == ["stator.gap"]
    t, problems = template(text_of(guess), "x", CONFIGS, [])
    assert not problems
    assert [p.name for p in t.config({"stator.gap": 2e-3}).guesses.parameters] == ["drive.tip_speed"]
    assert [p.name for p in t.config({"drive.tip_speed": 55.0}).guesses.parameters] == ["stator.gap"]


@pytest.fixture(scope="module")
def predicted():
    """A prediction with three guesses, one of them costly."""
    return run.predict(
        demo(
            'drive.rated_power = ["600 W", "2000 W"]\nstator.gap = ["2 mm", "5 mm"]\nrotor.edge = ["blunt", "bevelled"]'
        ),
        "balance",
    )


def test_a_prediction_names_the_costliest_guess_and_how_to_measure_it(predicted):
    text = words.to_text(predicted)
    assert "Guessed: 3 numbers of the mill rest on a guess." in text
    told = " ".join(text.partition("Guessed:")[2].partition("\nMeasure next")[0].split())
    assert "drive.rated_power, 600 to 2000 W) costs most" in told and "watt meter at the socket" in told
    first, *_ = words.to_json(predicted)["guessed"]
    assert first["key"] == "drive.rated_power" and first["changes"]["throughput_kg_s"] > 1.5


def test_a_guess_stands_as_guessed_in_the_tables_and_never_as_measured(predicted):
    table = words.to_text(predicted).partition("Guessed: in the config's own [guessed]")[2]
    assert "rotor.edge              bevelled  blunt or bevelled" in table
    rows = [line.split() for line in table.partition("\nRun:")[0].splitlines()[1:]]
    assert [r[0] for r in rows if r] == ["drive.rated_power", "stator.gap", "rotor.edge"]
    assert all(r[-1] == "guessed" for r in rows if r)
    by = {q.name: q for q in predicted.parameters}
    assert by["stator.gap"].basis == GUESSED and predicted.widest["throughput_kg_s"][0][1] > 1.0
    assert "stator.gap" in dict(predicted.widest["x50_m"])  # a guess is told of however little it does


def test_costs_of_a_tool_whose_speed_is_guessed_are_those_of_its_own_curve():
    tool = demo("", 'drive.kind="router"')
    c = parse_config(tool.text + '[guessed]\ndrive.speed = ["7000 rpm", "12000 rpm"]\n')
    (cost,) = costs(c)
    assert cost.key == "drive.speed" and cost.folds["throughput_kg_s"] > 2.0  # it is off by half with the old curve


def test_a_check_says_the_costliest_guess_too(tmp_path):
    file = tmp_path / "m.toml"
    file.write_text(text_of('drive.rated_power = ["600 W", "2000 W"]'), encoding="utf-8")
    for more in (), ("--full",):
        told = " ".join(CliRunner().invoke(cli, ["check", str(file), *more]).stdout.split())
        assert "Guessed: 1 number of the mill rests on a guess." in told and "costs most" in told


def test_costs_rank_the_guesses_as_the_band_does(predicted):
    c = demo('drive.rated_power = ["600 W", "2000 W"]\nstator.gap = ["2 mm", "5 mm"]')
    found = costs(c)
    assert found[0].key == "drive.rated_power" and found[0].folds["throughput_kg_s"] == pytest.approx(
        dict(predicted.widest["throughput_kg_s"])["drive.rated_power"], rel=0.05
    )
    assert costs(demo()) == []


def test_a_calibration_fits_a_range_and_holds_a_choice():
    c = demo('stator.gap = ["2 mm", "5 mm"]\nrotor.edge = ["blunt", "bevelled"]')
    p = build(c, 1.4)
    names = unknowns_of(p.parameters).names
    assert "stator.gap" in names and "rotor.edge" not in names
    mills = unknowns_of(p.parameters).mills(p, np.full((2, len(names)), [[0.0], [1.9]]), {"stator.gap"})
    assert mills["gap"][0] == c.stator.gap_m < mills["gap"][1] <= 5e-3


def test_a_guess_can_be_measured_as_well_as_a_run_be_made():
    c = demo('stator.gap = ["2 mm", "5 mm"]\nfeed.material = ["pmma", "ps", "abs"]')
    p = build(c, 1.4)
    drawn = band.drawn_guesses(p, 32, 1)
    mills = band.draws(p, 32, 1)
    assert np.allclose(mills["gap"], drawn["stator.gap"], rtol=1e-12)  # of the very same draws
    gap, material = measurements(c, drawn)
    assert gap[0] == "stator.gap" and "feeler gauge" in gap[1] and gap[3].shape == (32, 1)
    assert material[3].shape == (32, 2) and set(np.unique(material[3])) == {0.0, 1.0}
    assert measurements(demo(), {}) == []


def test_a_calibrated_guess_counts_for_the_same_guess_only_and_stays_a_guess():
    mine, other = (demo(f'stator.gap = ["2 mm", "{high} mm"]') for high in (5, 6))
    (prior,) = mine.guesses.parameters
    fitted = Fitted(prior, -0.5, tuple(np.linspace(-0.9, -0.1, 8)))
    card = type("Card", (), {"parameters": {"stator.gap": fitted}, "runs": ("a",)})()
    applied = Applied(card, 1.0, 1.0, ())
    after = applied.parameter(prior)
    assert after.basis == GUESSED and after.value < prior.value and "run a narrowed it" in after.note
    assert applied.of(other.guesses.parameters[0]) is None


def test_a_calibrated_card_keeps_a_guess_and_its_unit():
    (prior,) = demo('stator.gap = ["2 mm", "5 mm"]').guesses.parameters
    ends = (1.0, 2.0)
    where = Conditions(ends, ends, ends, ends, ends, ends, ends, ("pieces are nipped",), ("rigid",), ("blunt",))
    fitted = {"stator.gap": Fitted(prior, -0.5, (-0.9, -0.1))}
    card = Calibrated("t", "", "m", MODEL_VERSION, ("a",), (), (), where, fitted)
    problems = []
    again = calibrated_from(parse_toml(calibrated_toml(card), "x").tables, "x", problems)
    assert not problems and again.parameters["stator.gap"].draws == (-0.9, -0.1)
    kept = again.parameters["stator.gap"].prior
    assert (kept.value, kept.low, kept.high, kept.unit, kept.basis) == (3e-3, 2e-3, 5e-3, "m", GUESSED)


def test_runs_that_guess_a_key_in_two_ways_are_not_calibrated_together():
    def a_run(guess, name):
        return type("Run", (), {
            "config": demo(guess), "path": None, "name": name, "sha256": name, "product_sheets": (1,),
            "holdup_sheets": (), "bag_sheets": (),
        })()  # fmt: skip

    runs = [a_run('stator.gap = ["2 mm", "5 mm"]', "a"), a_run('stator.gap = ["2 mm", "4 mm"]', "b")]
    for r in runs:
        r.product_sheets = ()
    with pytest.raises(InputError) as error:
        refuse_unfit(runs)
    assert any(p.key == "guessed.stator.gap" and "another guess" in p.message for p in error.value.problems)
    unknown = a_run('feed.material = ["pmma", "ps"]', "c")
    unknown.product_sheets = ()
    with pytest.raises(InputError) as error:
        refuse_unfit([unknown])
    assert any("belongs to one material" in p.message for p in error.value.problems)


def test_every_key_that_may_be_guessed_says_how_it_is_measured():
    keys = [f"{section}.{key.name}" for section, rows in SECTIONS.items() for key in rows]
    assert len([k for k in keys if guessable(k)]) > 40
    assert not [k for k in keys if guessable(k) and not measure_words(k)]


def test_the_shipped_mills_have_no_guesses():
    assert all(config(name).guesses is None and problem(name).mill["feed_shift"] == 0.0 for name in ("demo", "pla"))
