"""Mass and energy are kept: every joule that enters the shaft is booked once, every gram that enters comes out."""

import functools
import math
from dataclasses import replace

import mills
import numpy as np
import pytest

from millsim.engines import montecarlo
from millsim.errors import MillsimError, NotConverged
from millsim.forecast.assemble import TOLD_AT_ONCE, TOO_LITTLE, too_little
from millsim.forecast.outcome import solve_batch
from millsim.forecast.run import predict
from millsim.laws import air, heat
from millsim.mill.chamber import idle_power
from millsim.record import missing
from millsim.record.limits import OVER
from millsim.show.words import prediction
from millsim.show.words.limits import verdict

COARSE = ("run.band_samples=0", "run.trace=false", "run.class_ratio=1.5")
BARE = ("run.band_samples=0", "run.trace=false", "run.histories=2048", "run.x50_error=0")
SLOW_FEEDS = {"demo": "500 g/h", "pla": "500 g/h", "swinging": "500 g/h", "tight_jam": "60 g/h"}


@functools.cache
def engines(name, *overrides):
    """(balance, Monte Carlo) results of one prediction."""
    p = predict(mills.config(name, *BARE, *overrides), "both", 1)
    return p.main, p.other


def both_feeds():
    return [(n, ()) for n in mills.NAMES] + [(n, (f"feed.rate={r}",)) for n, r in SLOW_FEEDS.items()]


@pytest.mark.parametrize(("name", "overrides"), both_feeds())
def test_energy_in_is_energy_out(name, overrides):
    # Balance and Monte Carlo each to 1e-9 of the shaft power, and the sum is the shaft power.
    for result in engines(name, *overrides):
        going_in = sum(t.value for t in result.ledger_in_W.values())
        out = sum(t.value for t in result.ledger_out_W.values())
        assert out == pytest.approx(going_in, rel=1e-9)
        assert going_in == pytest.approx(result.scalars["shaft_power_W"].value, rel=1e-9)
        assert all(t.value >= 0.0 for t in (*result.ledger_in_W.values(), *result.ledger_out_W.values()))


def test_a_lost_term_would_be_seen():
    # The smallest term of the demo is far above the 1e-9 of the test before.
    main, _ = engines("demo")
    total = main.scalars["shaft_power_W"].value
    assert min(t.value for t in main.ledger_out_W.values()) > 1e-5 * total


@pytest.mark.parametrize("name", ["demo", "pla", "swinging", "tight_jam"])
def test_product_is_feed(name):
    # Steady: what leaves is what enters, to 1e-12.
    o = mills.outcome(name)
    assert o.product.sum() == pytest.approx(float(o.state["F"]), rel=1e-12)
    assert np.all(o.mass >= 0.0) and np.all(o.product >= 0.0)


@pytest.mark.parametrize("seconds", [1.0, 120.0])
def test_batch_product_and_rest_are_the_charge(seconds):
    p = mills.problem("batch")
    o = solve_batch(p, 0.012, seconds)
    assert o.product.sum() * seconds + o.mass.sum() == pytest.approx(0.012, rel=1e-12)
    assert np.all(o.mass >= 0.0) and np.all(o.product >= 0.0)
    dwelt = np.trapezoid(np.append(0.012, o.history["left"]), np.append(0.0, o.history["end"]))
    assert float(o.state["residence"]) == pytest.approx(dwelt / 0.012, rel=0.01)


STRONG = ("rotor.mass=20 kg", "drive.rated_power=50 kW")  # what neither jams nor stalls


def test_a_batch_that_runs_away_ends_there():
    # The charge heats itself faster than air and casing cool it. Its figures are up to there.
    p = mills.problem("batch", *STRONG, ratio=1.5)
    o = solve_batch(p, 0.05, 4 * 3600.0)
    rise = float(p.mill[0]["T_limit"] - p.mill[0]["T_room"])
    hottest = float(p.mill[0]["T_room"]) + max(150.0, 3.0 * rise)
    assert o.code == OVER and o.binding == "outlet temperature" and 1.0 < o.milled_s < 10.0
    assert float(o.state["T"]) == pytest.approx(hottest, abs=3.0)
    assert all(np.all(np.isfinite(o.history[n])) for n in o.history.dtype.names) and np.all(np.isfinite(o.loads))
    assert o.product.sum() * o.milled_s + o.mass.sum() == pytest.approx(0.05, rel=1e-12)


def test_a_batch_that_jams_ends_there():
    # 0.1 kg at once is far too much for 0.6 kg of rotor: what it would make in two minutes is no answer.
    o = solve_batch(mills.problem("batch", ratio=1.5), 0.1, 120.0, until_jam=True)
    assert o.code == OVER and o.binding == "jam" and o.milled_s < 0.1 and o.stands
    assert np.all(np.isfinite(o.loads)) and mills.load(o, "jam") > 1.0
    assert o.product.sum() * o.milled_s + o.mass.sum() == pytest.approx(0.1, rel=1e-12)


def test_a_batch_that_runs_away_says_so_and_its_figures_are_up_to_there():
    said = predict(mills.config("batch", "feed.batch_time=4 h", "feed.batch_mass=40 g", *STRONG, *COARSE), "balance", 1)
    sentence = "This batch runs away: after 4.8 s it is at 215 °C and gets hotter still; all figures are up to there"
    assert said.status == "over capacity" and sentence[1:] in " ".join(said.warnings)
    text = " ".join(prediction.to_text(said).split())
    assert text.count(sentence) == 1 and "nan" not in text
    kept = said.main.scalars | said.main.ledger_in_W | said.main.ledger_out_W
    none = {"capacity_kg_s", "x10_m", "x50_m", "x90_m", "span"}  # a batch has no steady rate, what sticks no sizes
    assert {name for name, s in kept.items() if math.isnan(s.value)} == none


@pytest.mark.parametrize(
    ("batch", "sentence"),
    [
        (("feed.batch_mass=50 g", *STRONG), "runs away: after 2.8 s it is at 215 °C and gets hotter still"),
        (("feed.batch_mass=100 g",), "jams: after 0.01 s the charge takes more than rotor and motor give, and the "
                                     "rotor stands"),
    ],
)  # fmt: skip
def test_of_a_batch_that_ends_at_once_no_sizes_rate_or_energy_are_told(batch, sentence):
    # In the second 0.0002 % of it is powder by then, in the first 3 %.
    said = predict(mills.config("batch", "feed.batch_time=4 h", *batch, *COARSE), "both", 1)
    assert said.status == "over capacity" and said.too_little and not said.runs and said.other is None
    text = " ".join(prediction.to_text(said).split())
    told = f"This batch {sentence}; by then too little of it was powder to tell sizes, rate and energy."
    assert text.count(told) == 1 and "nan" not in text and "kWh/kg" not in text and "finer than x50" not in text
    numbers = {name: s.value for name, s in said.main.scalars.items()}
    assert {name for name, x in numbers.items() if math.isfinite(x)} == set(TOLD_AT_ONCE)
    assert numbers["outlet_temperature_K"] > 293.0 and numbers["jam_index"] > 0.0
    shaft = next(x for x in said.limits if x.name == "shaft power")
    assert math.isnan(shaft.load) and verdict(shaft, said.binding) == "unknown"
    names = prediction.to_json(said)["missing"]
    assert names["x50_m"] == names["ledger_W"] == names["gross_J_kg"] == missing.TOO_LITTLE
    assert names["margins.shaft power"] == "not known up to where it ended"


def test_the_figures_of_a_batch_begin_at_a_share_that_is_powder():
    p = mills.problem("batch", "feed.batch_mass=50 g", "feed.batch_time=4 h", *STRONG, ratio=1.5)
    o = solve_batch(p, *p.config.feed.batch)
    share = float(o.product.sum()) * o.milled_s / 0.05
    assert 0.02 < share < TOO_LITTLE and too_little(p, o)
    more = o.product * TOO_LITTLE / share
    assert not too_little(p, replace(o, product=1.001 * more)) and too_little(p, replace(o, product=0.999 * more))
    feed = replace(p.config.feed, batch_time_s=o.milled_s)  # its time, however short, is what was asked
    assert not too_little(replace(p, config=replace(p.config, feed=feed)), o)


def test_a_batch_without_an_answer_is_no_answer():
    p = mills.problem("batch", ratio=1.5)
    mill = p.mill.copy()
    mill["density"] = np.nan
    with pytest.raises(NotConverged):
        solve_batch(p, 0.012, 120.0, mill=mill)


@pytest.mark.parametrize("name", ["demo", "batch"])
def test_every_history_ends_once(name):
    p, o = mills.problem(name), mills.outcome(name)
    tally = montecarlo.run(p.mill, o.steps, p.edges, p.feed_curve, 1024, 4)
    assert tally.given_up == 0
    assert tally.exits_q3[-1] == pytest.approx(tally.left, rel=1e-12)
    assert (tally.left == 1.0) == (name != "batch")
    assert np.sum(tally.by_size[:, 0]) == pytest.approx(tally.residence_s, rel=1e-9)
    assert np.all(np.diff(tally.exits_q3) >= 0.0)


@pytest.mark.parametrize("name", ["demo", "pla", "swinging"])
def test_heat_balance_of_the_solved_state(name):
    # First law over the chamber, written out anew: all power but the bearings' leaves by charge, air and casing.
    # The charge leaves as warm as its pieces are, the air at the temperature of the chamber.
    p, o = mills.problem(name), mills.outcome(name)
    m, s = p.mill[0], o.state
    leaving = o.powers["warmed"] * s["T"] + o.powers["offset"]
    charge = s["F"] * heat.enthalpy_rise(m["specific_heat"], m["heat_exponent_share"], m["T_feed"], leaving)
    carried = s["Q"] * air.air_density(float(s["T"])) * 1006.0 * (s["T"] - m["T_air_in"])
    a, b = m["inner_heat_transfer"] * m["inner_area"], m["casing_heat_loss"]
    casing = a * b / (a + b) * (s["T"] - m["T_room"])
    assert charge + carried + casing == pytest.approx(o.powers["shaft"] - o.powers["bearings"], rel=1e-6)


@pytest.mark.parametrize("name", ["demo", "pla", "swinging", "tight_jam"])
def test_the_state_answers_itself(name):
    o = mills.outcome(name)
    p = mills.problem(name)
    assert 0.0 <= o.residual <= p.config.run.tolerance
    windage, bearings = idle_power(p.mill[0], o.state["omega"], o.state["T"])
    assert o.powers["windage"] == pytest.approx(windage, rel=1e-6)
    assert o.powers["bearings"] == pytest.approx(bearings, rel=1e-9)
    assert float(o.state["residence"] * o.state["F"]) == pytest.approx(float(o.state["M"]), rel=1e-6)
    again = mills.frozen(p, o, p)  # one more march changes no more than the tolerance (1e-8) lets it
    np.testing.assert_allclose(again.product, o.product, rtol=1e-7)


def test_work_per_strike_is_the_momentum_law():
    # All strikes of one state share (1 + e)(1 - kappa) v^2 times the mean cos^2, 5/6 (Beta(5, 1), assumed).
    from millsim.mill.chamber import STRIKES, strike_energies

    p, o = mills.problem("demo"), mills.outcome("demo")
    k = np.zeros(1, STRIKES)
    strike_energies(p.mill[0], o.state, k[0])
    expected = (1 + k[0]["e_bar"]) * (1 - k[0]["kappa"]) * k[0]["v"] ** 2 * 5 / 6
    assert o.flows["work"] / o.flows["bar_hits"] == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("engine", ["both", "montecarlo"])
def test_a_batch_that_no_history_leaves_has_figures_of_the_balance_alone(engine):
    # A second at a slow rotor: hardly anything has been broken, so none of a few histories has come out.
    brief = mills.config("batch", "feed.batch_time=1 s", "drive.tip_speed=12 m/s", "run.histories=100", *COARSE)
    if engine == "montecarlo":
        with pytest.raises(
            MillsimError, match="no history .* leaves the mill within the time of the batch; use --engine"
        ):
            predict(brief, engine, 1)
        return
    said = predict(brief, engine, 1)
    assert said.other is None and said.warnings[-1].endswith("the figures are those of the balance engine alone")
    assert math.isfinite(said.main.scalars["gross_J_kg"].value)
