"""Why: the sentences a builder reads, against conservation of mass and power and against the engines' own counts."""

import dataclasses
import functools
import re

import numpy as np
import pytest
from helpers import fake_prediction
from mills import NAMES, config

from millsim.base.numerics import psd
from millsim.forecast.run import predict
from millsim.show.words import why
from millsim.studies import why as whyfacts

QUICK = ("run.band_samples=0", "run.trace=false")
# J5: 150 mm across, 2850 rpm, 3 mm PLA pellets, first a gap of 0.8 mm, then one of 4 mm.
SLOW = ("tight_jam", "stator.gap=4 mm")


@functools.cache
def quick(name, *overrides, engine="balance"):
    return predict(config(name, *QUICK, *overrides), engine=engine, seed=3)


def text(p):
    return "\n".join(why.sentences(p))


def becomes_finer(p):
    """kg/s that must become finer than the hole: what leaves finer than it less what came in finer than it."""
    t, rate = p.main.table, p.main.scalars["throughput_kg_s"].value
    product, feed = (psd.q_at(t.edges_m, q, p.hole_m) for q in (t.product_q3, t.feed_q3))
    return rate * (product - feed)


CASES = [(n,) for n in NAMES] + [SLOW, ("tight_jam", "feed.rate=60 g/h")]


@pytest.mark.parametrize("case", CASES, ids="-".join)
def test_shares_and_watts_add_up(case):
    p = quick(*case)
    assert sum(whyfacts.mechanism_shares(p).values()) == pytest.approx(1.0, abs=1e-12)
    assert sum(whyfacts.watts(p).values()) == pytest.approx(p.main.scalars["shaft_power_W"].value, rel=1e-9)


def test_shares_and_watts_of_an_invented_prediction_add_up():
    p = fake_prediction()
    assert sum(whyfacts.mechanism_shares(p).values()) == pytest.approx(1.0, abs=1e-12)
    assert sum(whyfacts.watts(p).values()) == pytest.approx(sum(s.value for s in p.main.ledger_out_W.values()))


@pytest.mark.parametrize("case", [c for c in CASES if c != ("batch",)], ids="-".join)
def test_the_mechanisms_bring_as_much_through_the_hole_size_as_leaves_finer(case):
    # Conservation of mass, steady state: nothing of this is in the formulas of whyfacts, and no engine reports it.
    # Impact by the daughter law of one mean hit: 5 % (bar and pin hits differ in speed).
    p = quick(*case)
    assert sum(whyfacts.mechanism_flows(p).values()) == pytest.approx(becomes_finer(p), rel=0.06)


def test_without_impact_and_dust_mass_through_the_hole_size_is_exact():
    # Dust is reckoned back from watts at one temperature, so it is told to some percent of itself.
    for case in (("tight_jam",), (*SLOW, "model.attrition_share=1e-9")):
        p = quick(*case)
        assert whyfacts.mechanism_flows(p)["impact"] == 0.0
        assert sum(whyfacts.mechanism_flows(p).values()) == pytest.approx(becomes_finer(p), rel=1e-4)


@pytest.mark.parametrize("name", ["demo", "pla", "swinging"])
def test_the_tallies_of_the_monte_carlo_engine_say_the_same(name):
    p = quick(name, "run.histories=4000", engine="both")
    balance, counted = (whyfacts.mechanism_shares(p, e) for e in (p.main, p.other))
    for mechanism in balance:
        assert counted.get(mechanism, 0.0) == pytest.approx(balance[mechanism], abs=0.02), mechanism
    said = next(s for s in why.sentences(p) if s.startswith("What makes the powder"))
    assert "the Monte Carlo engine counts" in said


def test_of_a_batch_the_tallies_tell_of_all_of_it_and_the_rates_of_its_end():
    p = quick("batch", "run.histories=4000", engine="both")
    made = next(s for s in why.sentences(p) if s.startswith("What makes the powder"))
    assert "over the whole batch" in made and "the Monte Carlo engine counts" not in made
    # Per kilogram charged: what is finer than the hole at the end, come out or left inside, less what was at the start.
    t, left = p.main.table, p.main.scalars["holdup_kg"].value / 0.012
    out, inside, feed = (psd.q_at(t.edges_m, q, p.hole_m) for q in (t.product_q3, t.holdup_q3, t.feed_q3))
    flows = whyfacts.mechanism_flows(p, p.other)
    assert sum(flows.values()) == pytest.approx((1 - left) * out + left * inside - feed, rel=0.06)
    assert "at the end of the batch" in text(quick("batch"))


@pytest.mark.parametrize("name", ["demo", "pla", "swinging"])
def test_the_mean_hit_is_the_tallied_one(name):
    # The histories add up the normal energy of every hit; the sentence takes it from the tip speed and the ledger.
    p = quick(name, "run.histories=4000", engine="both")
    t = p.other.tallies
    counts = {k: t[k].value.sum() for k in ("impact_energy", "bar_hits", "pin_hits")}
    both = counts["bar_hits"] + counts["pin_hits"]
    assert whyfacts.hits(p).mean_J_kg == pytest.approx(counts["impact_energy"] / both, rel=0.01)
    assert whyfacts.bar_share(p) == pytest.approx(counts["bar_hits"] / both, abs=0.01)


def test_the_threshold_is_the_card_over_the_size():
    p = quick("pla")
    q = {a.name: a.value for a in p.parameters}
    assert whyfacts.threshold_J_kg(p, 4e-3, q["temperature_warm"]) == pytest.approx(q["xw_min_warm"] / 4e-3)
    assert whyfacts.threshold_J_kg(p, 4e-3, q["temperature_cold"]) == pytest.approx(q["xw_min_cold"] / 4e-3)
    hotter, colder = (whyfacts.threshold_J_kg(p, 4e-3, q["temperature_warm"] + d) for d in (20.0, -20.0))
    assert hotter > q["xw_min_warm"] / 4e-3 > colder


def test_the_slow_rotor_says_that_few_hits_are_above_the_threshold():
    p = quick(*SLOW)
    said = text(p)
    assert "Next to none of them is above the threshold" in said
    assert "Why it fails: a rotor too slow for this material" in said
    assert "a wide gap" in said
    assert "Pieces up to 3 mm fit through the gap of 4 mm, so a piece alone is not cut there either" in said
    assert re.search(r"only from about \d+ m/s at the tip on the hardest hits break a piece of 3 mm", said)


def test_the_tip_speed_named_is_where_hits_begin_to_break():
    # At a little above the tip speed that the slow rotor is told, some hits are above; at a little below, none.
    tip = float(re.search(r"only from about ([\d.]+) m/s", text(quick(*SLOW))).group(1))
    shares = []
    for factor in (0.93, 1.3):
        speed = f"drive.speed={round(factor * tip / 0.075 * 30 / np.pi)} rpm"
        p = quick(*SLOW, speed, "feed.rate=10 g/h")
        shares.append(p.main.scalars["hits_above_threshold_share"].value)
    assert shares[0] < 1e-3 < shares[1]


def test_a_nip_mill_names_the_nip():
    p = quick("tight_jam")
    shares = whyfacts.mechanism_shares(p)
    assert max(shares, key=shares.get) == "nip"
    said = text(p)
    assert re.search(r"(99\.\d %|all) is cut in the nip between bar and wall", said)
    assert "the gap of 0.8 mm makes bars cut pieces of up to 3 mm" in said.lower()
    assert "the mill lives on the nip" in said


def test_it_fails_only_where_it_fails():
    assert "Why it fails" in text(quick("tight_jam"))
    slowly = text(quick("tight_jam", "feed.rate=60 g/h"))
    assert "Why it fails" not in slowly and "What holds it back" in slowly
    demo = quick("demo")  # the limit of the record first, as `predict` names it, then what the charge waits for
    assert demo.binding == "shaft power"
    assert "What holds it back: the shaft power and powder that waits for the sieve. The shaft power (" in text(demo)


def test_windage_is_named_where_it_eats_the_motor():
    said = text(quick("swinging", "feed.rate=500 g/h", "model.windage_factor=3"))
    assert "a motor that spends itself on stirring the air" in said
    assert "windage" not in text(quick("demo")).split("What holds it back")[1]


def test_heat_is_named_where_it_binds():
    p = quick("pla", "air.blower_pressure=0 Pa", "drive.rated_power=4000 W")
    assert p.binding == "outlet temperature"
    said = text(p).split("What holds it back: ")[1]
    assert "heat" in said.split(".")[0]
    assert "°C, the limit is 50 °C" in said and "is what the empty mill draws already" in said


def test_a_mill_that_cannot_run_has_its_reason_only():
    p = quick("pla", "limits.outlet_temperature=25 °C", "air.room=24 °C", "feed.temperature=24 °C")
    assert p.status == "cannot run"
    said = why.sentences(p)
    assert [s.split(":")[0] for s in said] == ["Where each watt goes", "Why it fails"]
    assert "heat" in said[1]


def test_every_shipped_config_is_told_with_units_and_without_gaps():
    for name in NAMES:
        said = why.sentences(quick(name))
        assert [s.split(":")[0] for s in said][:3] == ["Hits", "Energy per hit", "What makes the powder"]
        for sentence in said:
            assert not re.search(r"\bnan\b|\binf\b|unknown|None|\s\s", sentence), sentence
            assert sentence.endswith(".") and ".." not in sentence


def test_missing_figures_leave_sentences_out():
    p = fake_prediction()
    main = dataclasses.replace(p.main, scalars={}, ledger_out_W={}, ledger_in_W={})
    bare = dataclasses.replace(p, main=main, other=None, parameters=(), limits=(), trace=None)
    assert not any("nan" in s for s in why.sentences(bare))
    assert not any(s.startswith(("Hits", "Energy per hit", "Where each watt")) for s in why.sentences(bare))
