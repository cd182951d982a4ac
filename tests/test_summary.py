"""The report in words and the JSON object: keys, strictness, digits, and what the sentences claim."""

import dataclasses
import json
import math
import re

import numpy as np
import pytest
from helpers import fake_engine, fake_limits, fake_prediction
from hypothesis import given
from hypothesis import strategies as st

from millsim.base.quantities import written
from millsim.base.quantities.scalar import Scalar
from millsim.mill.cards.spec import MATERIAL, MODEL
from millsim.record.prediction import Limit, Reviewed
from millsim.show.parts import paper_lines, terminal_lines
from millsim.show.words import advice, changes, tables
from millsim.show.words import limits as limitwords
from millsim.show.words import prediction as summary
from millsim.show.words.parameters import parameter_words
from millsim.studies import engines as comparison

KEYS = {
    "status", "engine", "seed", "config_sha256", "forecast_sha256", "date", "product", "band",
    "throughput_kg_s", "holdup_kg", "hits_per_particle", "hits_above_threshold_share", "energy",
    "outlet_temperature_K", "limit", "warnings", "grinds_with", "measure_next",
    "bench", "stalls", "would_help", "review", "guessed", "missing",
}  # fmt: skip


def test_json_has_exactly_the_agreed_keys():
    answer = summary.to_json(fake_prediction(both=False))
    assert set(answer) == KEYS
    assert set(summary.to_json(fake_prediction())) == KEYS | {"other_engine"}
    assert set(answer["product"]) == {"x10_m", "x50_m", "x90_m", "span", "q3"}
    assert set(answer["energy"]) == {"gross_J_kg", "net_J_kg", "ledger_W"}
    assert set(answer["energy"]["ledger_W"]) == {"in", "out"}
    assert set(answer["limit"]) == {"binding", "margins"}
    assert answer["band"]["x50_m"] == {"low": 0.19e-3, "high": 0.37e-3}
    assert answer["band"]["level"] == 0.8
    assert all(low <= high for _, low, high in answer["band"]["q3"])
    assert np.array_equal(answer["product"]["q3"], np.column_stack(
        [fake_prediction().main.table.edges_m, fake_prediction().main.table.product_q3]))  # fmt: skip


def test_json_is_strict_and_unknowns_are_null():
    prediction = fake_prediction(band=False, requested_rate_kg_s=math.nan)
    answer = summary.to_json(prediction)
    text = json.dumps(answer, allow_nan=False)
    assert json.loads(text) == answer
    assert answer["band"] is None
    assert answer["limit"]["margins"]["feed opening"] is None  # nothing loads it: the margin is unlimited
    bare = dataclasses.replace(fake_engine("balance"), scalars={})
    assert summary.to_json(fake_prediction(main=bare))["throughput_kg_s"] is None


def test_report_leads_with_rate_heat_limit_fineness_and_doubt():
    text = summary.to_text(fake_prediction())
    lead = " ".join(text[: text.index("Powder at standard sieves")].split())
    for part in (
        "about 350 g/h (80 % band 160 to 760 g/h)", "Powder and air leave at 45 °C (80 % band 36 to 63 °C)",
        "by its card it sticks at 85 °C, and at most 70 °C is advised",
        "What limits it: the shaft power (371 of 371 W): the motor has no shaft power left.",
        "x50 = 0.27 mm (80 % band 0.19 to 0.37 mm)",
        "x90 = 0.46 mm", "kWh/kg", "kJ/kg",
        "3 of 200 cold starts from empty of 5 min stalled: 0.31 to 4.3 % of starts do; 1 stall in 3.3 h of running",
        "nothing here is measured on your mill, 4 of 6 parameters are assumed",
        "Each alone, from its lowest to its highest plausible value: x50 changes 1.4-fold with the breakage strength",
        "; the rate changes 1.9-fold with the calibration of the sieve escape, 1.8-fold with the breakage",
        "Measure next: sieve 50 g of product (about 70 min): of all measurements that narrows x50 most for its time, "
        "to about 45 % of the width.", "The two engines agree", "Note: The air flow",
    ):  # fmt: skip
        assert part in lead, part
    for part in ("seed 20240611", "config 5f5f5f5f5f5f"):
        assert part in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 110


def test_report_has_every_table_with_numbers_from_the_record():
    text = summary.to_text(fake_prediction())
    assert "In and out agree to rounding" in text
    for part in ("sieve / mm", "std. error", "verdict", "pieces followed", "basis", "371", "jam index"):
        assert part in text
    row = next(line.split() for line in text.splitlines() if line.strip().startswith("0.5 "))
    assert float(row[1]) == pytest.approx(95, abs=1)


def test_kilowatts_have_no_exponent():
    engines = [fake_engine("balance"), fake_engine("montecarlo", False)]
    big = Scalar(12345.0, "W", "power", se=150.0)
    for e in engines:
        e.scalars["shaft_power_W"] = big
        e.ledger_in_W["striking"] = e.ledger_out_W["chips cut"] = big
    p = dataclasses.replace(fake_prediction(), main=engines[0], other=engines[1])
    made = [tables.engine_table(p), tables.ledger_table(p)]
    for lines in ([line for t in made for line in kind(t).all] for kind in (terminal_lines, paper_lines)):
        assert not [line for line in lines if re.search(r"\de\+0", line)]
        assert any("12340" in line for line in lines) and any("  150  " in line for line in lines)
    cells = [cell for t in made for row in t.rows for cell in row]
    assert "12340" in cells and "150" in cells


def test_engines_that_disagree_are_called_out():
    shifted = fake_prediction(other=fake_engine("montecarlo", False, 0.2))
    assert "DISAGREE" in comparison.engines_agree(shifted)
    assert "x50" in comparison.engines_agree(shifted)
    assert summary.to_json(shifted)["other_engine"]["agrees"]["x50_m"] is False
    assert "DISAGREE" not in summary.to_text(fake_prediction())
    assert "alone" in comparison.engines_agree(fake_prediction(both=False))


@pytest.mark.parametrize(
    ("status", "words"),
    [("cannot run", "cannot run like this"), ("over capacity", "cannot take the 500 g/h asked for: it takes at most")],
)
def test_a_mill_that_cannot_do_it_says_so_first(status, words):
    limits = (Limit("jam", 2.0, 1.0, "1", "A bite takes twice the torque the drive can give."), *fake_limits())
    text = summary.to_text(fake_prediction(status=status, requested_rate_kg_s=0.5 / 3600, limits=limits, binding="jam"))
    assert words in " ".join(text.split())[:120]
    assert "EXCEEDED" in text
    assert "twice the torque" in text


def test_nearly_empty_prediction_still_gives_a_report():
    e = fake_engine("balance")
    nan = np.full(49, math.nan)
    table = dataclasses.replace(e.table, product_q3=nan, product_q3_low=nan, product_q3_high=nan)
    blank = dataclasses.replace(e, table=table, scalars={}, ledger_in_W={}, ledger_out_W={}, numerics={})
    prediction = fake_prediction(both=False, band=False, trace=False, main=blank, limits=(), binding="",
                                 parameters=(), warnings=(), status="cannot run")  # fmt: skip
    text = summary.to_text(prediction)
    assert "cannot run" in text
    assert "nan" not in text.lower().replace("finan", "")
    json.dumps(summary.to_json(prediction), allow_nan=False)


@pytest.mark.parametrize(
    ("scalar", "expected"),
    [
        (Scalar(0.000272, "m", "", low=0.00019, high=0.00037), "0.27 mm (0.19 to 0.37 mm)"),
        (Scalar(0.000272, "m", "", se=0.0000016), "0.2720 mm"),
        (Scalar(0.0000272, "m", ""), "27.2 µm"),
        (Scalar(0.096e-3, "kg/s", "", low=0.045e-3, high=0.21e-3), "350 g/h (160 to 760 g/h)"),
        (Scalar(1.5e-3, "kg/s", ""), "5.40 kg/h"),
        (Scalar(318.4, "K", "", low=309.0, high=336.0), "45 °C (36 to 63 °C)"),
        (Scalar(4.81e6, "J/kg", ""), "1.34 kWh/kg"),
        (Scalar(3e5, "J/kg", ""), "83.3 Wh/kg"),
        (Scalar(11.2929 / 3600, "kg/s", "", low=1e-7, high=17.5692 / 3600), "11 kg/h (0 to 18 kg/h)"),
        (Scalar(0.45 * 3.6e6, "J/kg", "", low=0.3 * 3.6e6, high=math.inf), "0.45 kWh/kg (above 0.30 kWh/kg)"),
        (Scalar(5.5e-5, "kg", "", low=3e-14, high=6.387e-3), "0.055 g (0 to 6.4 g)"),
        (Scalar(math.inf, "J/kg", "", low=1e6, high=math.inf), "unlimited kWh/kg"),
        (Scalar(79.9e-6, "m", "", low=42e-6, high=119e-6), "80 µm (42 to 120 µm)"),
        (Scalar(math.nan, "W", ""), "unknown W"),
        (Scalar(0.0, "W", ""), "0 W"),
    ],
)
def test_numbers_carry_workshop_units_and_no_more_digits_than_the_band_bears(scalar, expected):
    assert str(written.Shown(scalar)) == expected


@given(st.floats(1e-12, 1e12), st.floats(0, 10))
def test_rounding_never_moves_a_number_by_more_than_a_third_of_its_spread(value, relative):
    spread = value * relative
    shown = float(written.number(value, written.decimals(value, spread)))
    assert abs(shown - value) <= max(spread / 3 * 1.7, 0.006 * value)
    assert shown > 0


@given(st.floats(-1e300, 1e300) | st.sampled_from([math.nan, math.inf, -math.inf]))
def test_digits_accepts_every_float(value):
    text = written.digits(value)
    assert text
    if math.isfinite(value):
        assert float(text) == pytest.approx(value, rel=0.006)


def test_without_a_ranking_the_command_that_ranks_is_named():
    """An older file, or a prediction without a band, names no measurement that the ranking might not."""
    plain = fake_prediction(advised=None)
    assert advice.measure_next(plain) == "`millsim next` with this config ranks what would narrow the band most."
    assert "drop a weight" in advice.measure_next(fake_prediction(status="hardly grinds", binding="grinding"))


def test_every_parameter_of_a_card_has_words():
    for name in (*MATERIAL, *MODEL):
        assert parameter_words(name).startswith("the "), name
    assert parameter_words("xw_min_cold") == "the breakage threshold energy"
    assert parameter_words("new_idea") == "the new idea"


BATCH_TOML = '[feed]\nbatch_mass = "12 g"\nbatch_time = "120 s"\n[air]\nroom = "30 degC"\n'


def _with_scalars(prediction, **changes):
    scalars = {k: dataclasses.replace(s, **changes.get(k, {})) for k, s in prediction.main.scalars.items()}
    return dataclasses.replace(prediction, main=dataclasses.replace(prediction.main, scalars=scalars))


def test_a_batch_is_told_in_grams_and_minutes():
    prediction = _with_scalars(
        fake_prediction(config_text=BATCH_TOML, trace=False),
        throughput_kg_s={"value": 0.0115 / 120}, holdup_kg={"value": 0.0005, "low": 0.0, "high": 0.004},
        capacity_kg_s={"value": math.nan},
    )  # fmt: skip
    text = " ".join(summary.to_text(prediction).split())
    assert text.startswith(
        "Acrylic workshop mill is given 12 g at once and runs 2 min: 96 % of it comes out as powder, "
        "500 mg (80 % band 0 to 4000 mg) stays inside. Taken over the whole time that is 340 g/h."
    )
    assert "as fast as it can grind" not in text
    assert "It gets as warm as 45 °C" in text
    assert "largest steady feed" not in text
    assert advice.room_K(prediction) == pytest.approx(303.15)


def test_draws_that_cannot_run_are_worded():
    widest = {"x50_m": [("f_mat", 1.4)], "throughput_kg_s": [("wall_friction", math.inf), ("f_mat", 3.0)]}
    prediction = _with_scalars(
        fake_prediction(widest=widest), throughput_kg_s={"low": 0.0}, gross_J_kg={"high": math.inf}
    )
    lead = " ".join(" ".join(advice.sentences(prediction)).split())
    assert "(80 % band 0 to 760 g/h)" in lead
    assert "For some plausible parameter values it cannot run at all." in lead
    assert "Whether anything comes out at all can depend on the friction of air on the wall (wall_friction)" in lead
    assert "(80 % band above" in lead
    assert "inf" not in lead.replace("info", "")
    json.dumps(summary.to_json(prediction), allow_nan=False)


def test_a_mill_that_cannot_run_says_why_and_what_would_help_and_shows_no_powder():
    limits = (Limit("outlet temperature", 436.0, 323.15, "K", "above it the powder sticks", 293.15), *fake_limits())
    fine = fake_prediction().changes[:1]
    text = summary.to_text(
        fake_prediction(status="cannot run", limits=limits, binding="outlet temperature", changes=fine)
    )
    lead = " ".join(text.split())
    assert "even with next to no feed, the outlet temperature (163 °C, limit 50 °C) is over its limit" in lead
    assert "What would help, each tried alone on this mill: 22 pins: 5.4 kg/h" in lead
    assert "Limits, with next to no feed" in text
    assert "power from the socket, empty mill" in text
    for part in ("How fine", "Energy:", "Powder at standard sieves", "side by side", "x50", "hits", "in and out",
                 "unlimited"):  # fmt: skip
        assert part not in text, part
    answer = summary.to_json(fake_prediction(status="cannot run", limits=limits, binding="outlet temperature"))
    assert answer["product"] == {"x10_m": None, "x50_m": None, "x90_m": None, "span": None, "q3": None}
    assert answer["band"] is None


def test_what_the_first_sentence_says_is_not_noted_again():
    notes = ("the mill cannot run like this: even with next to no feed, jam is over its limit", "the sieve is large")
    text = summary.to_text(fake_prediction(status="cannot run", warnings=notes, binding="jam"))
    assert "Note: The sieve is large." in text
    assert "The mill cannot run like this" not in text
    assert "The mill cannot run like this" in summary.to_text(fake_prediction(warnings=notes))


def test_nothing_binds_far_from_every_limit():
    limits = (Limit("shaft power", 100.0, 400.0, "W", "rated power"), *fake_limits()[1:])
    text = limitwords.what_limits(fake_prediction(limits=limits))
    assert text.startswith("no limit of the model at this rate. First would come the shaft power (100 of 400 W)")
    assert limitwords.verdict(limits[0], "shaft power") == "first to limit"
    assert limitwords.verdict(fake_limits()[0], "jam") == "at its limit"


def test_headroom_of_a_temperature_counts_from_the_room():
    limit = Limit("outlet temperature", 303.15, 323.15, "K", "", 293.15)
    assert limitwords.headroom(limit) == pytest.approx(3.0)
    assert limitwords.verdict(limit, "jam") == "within"
    assert limitwords.headroom(Limit("outlet temperature", 300.0, 299.0, "K", "", 310.0)) == 0.0
    assert summary.to_json(fake_prediction())["limit"]["margins"]["outlet temperature"] == pytest.approx(
        (358.15 - 293.15) / (318.4 - 293.15)
    )


def test_engines_share_the_class_errors_they_state():
    prediction = fake_prediction()
    rows = {r.key: r for r in comparison.compare(prediction)}
    assert rows["x50_m"].allowed >= 0.006 * rows["x50_m"].main.value
    numerics = {**prediction.main.numerics, "class_error_holdup_kg": 0.2}
    wide = dataclasses.replace(prediction, main=dataclasses.replace(prediction.main, numerics=numerics))
    again = {r.key: r for r in comparison.compare(wide)}
    assert again["holdup_kg"].allowed > 0.2 * again["holdup_kg"].main.value > rows["holdup_kg"].allowed
    assert again["x50_m"].allowed == rows["x50_m"].allowed


def test_warnings_are_sentences_and_tables_fit_a_page():
    text = summary.to_text(fake_prediction(warnings=("the air flow is a guess",)))
    assert "Note: The air flow is a guess.\n" in text
    assert max(map(len, text.splitlines())) <= 100
    assert "class error holdup" not in text


def test_tables_align_words_left_numbers_right_and_drop_empty_columns():
    lines = written.table(["", "a", "b", "unit"], [["x", "1", "", "mm"], ["yy", "above 12", "", "kWh/kg"]])
    assert lines == [
        "             a  unit", "  --  --------  ------", "  x          1  mm", "  yy  above 12  kWh/kg",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.12, "0.12 s"), (3, "3 s"), (89.4, "89 s"), (90, "1.5 min"), (533, "8.9 min"), (7190, "120 min"), (7200, "2 h"),
     (8640, "2.4 h"), (172790, "48 h"), (172800, "2 days"), (1e6, "12 days")],
)  # fmt: skip
def test_durations_read_as_people_say_them(seconds, words):
    assert written.duration(seconds) == words


def _with_ledger(prediction, **watts):
    changed = {k: dataclasses.replace(s, value=watts.get(k.replace(" ", "_"), s.value))
               for k, s in prediction.main.ledger_in_W.items()}  # fmt: skip
    return dataclasses.replace(prediction, main=dataclasses.replace(prediction.main, ledger_in_W=changed))


def test_what_would_help_is_what_was_tried_with_what_it_gives_and_where_the_review_stops_it():
    text = limitwords.what_limits(fake_prediction())
    tried = "What would help, each tried alone on this mill: 22 pins: 5.4 kg/h (farther, the review fails it: every nip"
    assert f"{tried} full for one turn). With coarser powder: holes of 1.2 mm: 9.7 kg/h, x50 0.4" in text
    assert text.endswith("More powder is more dust in its air, which the review fails as it is.")
    none = limitwords.what_limits(fake_prediction(changes=()))
    assert none.endswith("No single change that was tried helps within what the review passes.")
    assert "help" not in limitwords.what_limits(fake_prediction(changes=(), reviewed=None))  # of an older file


def test_a_change_that_frees_a_jam_says_what_it_costs():
    jam = (Limit("jam", 1.2, 1.0, "1", "bites"), *fake_limits()[1:3])
    wide = fake_prediction().changes[0]._replace(words="a gap of 4 mm", gain=0.04, rate_kg_s=70e-3 / 3600, stopped="")
    text = limitwords.what_limits(fake_prediction(limits=jam, binding="jam", changes=(wide,)))
    assert "a gap of 4 mm: no jam, but 70 g/h instead of " in text and "; an even feed." in text


def test_where_the_power_goes_is_told():
    airy = limitwords.what_limits(_with_ledger(fake_prediction(), windage=400.0))
    assert "57 % of the shaft power goes into moving air." in airy
    seals = limitwords.what_limits(_with_ledger(fake_prediction(), bearings=400.0))
    assert "62 % of the shaft power goes into bearings and air." in seals


def test_the_review_is_told_in_a_sentence_that_clears_nothing():
    assert changes.review_words(fake_prediction()) == (
        "of 19 checks of the mill 1 fails (dust in the air), 1 is close (tip speed), and 1 could not be made; "
        "`millsim check` says what each rests on, and the cures."
    )
    two = Reviewed(("tip speed", "dust in the air"), (), (), 32)
    assert "32 checks of the mill 2 fail (tip speed and dust in the air); `" in changes.review_words(
        fake_prediction(reviewed=two)
    )


HARMLESS = {"hits_above_threshold_share": {"value": 0.0}}


def test_hits_too_weak_to_break_anything_are_told_with_the_speed_that_would():
    full = (Limit("chamber", 0.1, 0.1, "kg", "most of the charge waits to be broken"),)
    weak = _with_scalars(fake_prediction(limits=full, binding="chamber"), **HARMLESS)
    speed = math.sqrt(2 * 1.2 / limitwords.feed_size(weak, 0.5))
    assert limitwords.breaking_speed(weak) == pytest.approx(speed)
    assert speed == pytest.approx(31.6, rel=0.01)
    text = limitwords.what_limits(weak)
    assert "At 61.2 m/s hits do not break this material; pieces of 2.4 mm need hits of " in text
    assert "about 32 m/s" in text
    assert "do not break" not in limitwords.what_limits(fake_prediction(limits=full, binding="chamber"))
    assert "what breaks it is the nip between bar and wall" in advice.energy_words(_made_by(weak, "nip_1_s"))
    chipped = advice.energy_words(_made_by(weak, "chip_1_s"))
    assert "no hit is hard enough to break it, edges only cut chips off it." in chipped


def _made_by(p, rate):
    """The prediction with all powder made by one of the rates of its size table."""
    table = p.main.table
    none = {k: 0.0 * table.x_m for k in ("selection_1_s", "nip_1_s", "chip_1_s")}
    table = dataclasses.replace(table, **none | {rate: np.ones_like(table.x_m)})
    return dataclasses.replace(p, main=dataclasses.replace(p.main, table=table))


def test_breaking_speed_follows_the_cold_data_as_the_model_does():
    cold = {"xw_min_warm": 1.0, "xw_min_cold": 0.25, "temperature_warm": 293.15, "temperature_cold": 193.15}
    parameters = tuple(dataclasses.replace(fake_prediction().parameters[0], name=n, value=v) for n, v in cold.items())
    p = fake_prediction(parameters=parameters)
    for T, xw_min in ((193.15, 0.25), (243.15, 0.5), (293.15, 1.0), (100.0, 0.25)):
        at = _with_scalars(p, outlet_temperature_K={"value": T})
        assert limitwords.breaking_speed(at) == pytest.approx(math.sqrt(2 * xw_min / limitwords.feed_size(at, 0.5)))


def test_two_kinds_of_powder_and_very_wide_ones_are_said():
    p = _with_scalars(fake_prediction(), span={"value": 16.0})
    assert "A very wide powder: a quarter of it is finer than 0.18 mm" in advice.how_fine(p)
    assert "x50 means little" not in advice.how_fine(fake_prediction())
    edges = p.main.table.edges_m
    q3 = np.interp(np.log(edges / edges[-1]), [-6.0, -5.0, -2.0, 0.0], [0.0, 0.65, 0.65, 1.0])
    table = dataclasses.replace(p.main.table, product_q3=q3)
    text = advice.how_fine(dataclasses.replace(p, main=dataclasses.replace(p.main, table=table)))
    assert "Two kinds of powder: 66 % is finer than" in text
    assert "34 % coarser than" in text


def test_the_limits_table_says_at_which_rate_and_marks_the_load_of_the_rate_asked_for():
    limits = (Limit("jam", 7.0, 1.0, "1", "bites"), *fake_limits())
    over = fake_prediction(status="over capacity", limits=limits, binding="jam", requested_rate_kg_s=1.0)
    text = summary.to_text(over)
    assert "Limits, fed 350 g/h, the most it takes" in text
    row = next(line for line in text.splitlines() if line.startswith("  jam  "))
    assert row.split() == "jam far over 1 under 0.2 EXCEEDED (at the rate asked for)".split()
    assert "the jam index (far over its limit of 1 at the rate asked for): bites." in " ".join(text.split())
    assert text.count("at the rate asked for)") == 2
    assert "Limits, fed 350 g/h\n" in summary.to_text(fake_prediction())
    assert "Limits, at the highest load during the batch\n" in summary.to_text(fake_prediction(config_text=BATCH_TOML))


def test_powder_hotter_than_its_air_is_told_as_the_reason():
    hot = [Limit("outlet temperature", 320.05, 318.15, "K", "Above it the powder sticks or smears.", 293.15)]
    p = dataclasses.replace(fake_prediction(), limits=hot, binding="outlet temperature", status="cannot run")

    def told(air, powder):
        s = {f"{n}_temperature_K": Scalar(v, "K", n) for n, v in (("air", air), ("powder", powder))}
        main = dataclasses.replace(p.main, scalars={**p.main.scalars, **s})
        return limitwords.what_limits(dataclasses.replace(p, main=main))

    hits = "The powder leaves 9 K above the air (38.0 °C), because hits heat the pieces themselves."
    assert f"{hits} What would help" in told(311.15, 320.05)
    assert "because hits" not in told(320.05, 319.0)


def test_coarse_classes_are_said_with_the_remedy():
    p = fake_prediction(config_text=BATCH_TOML + "[run]\nclass_ratio = 1.15\n")
    numerics = {**p.main.numerics, "class_error_holdup_kg": 0.216, "class_error_gross_J_kg": 0.057}
    coarse = dataclasses.replace(p, main=dataclasses.replace(p.main, numerics=numerics))
    words = "Size classes: the charge left is known to 22 % only and the energy to 5.7 %; run.class_ratio = 1.05 makes"
    assert words in " ".join(summary.to_text(coarse).split())
    assert advice.how_exact(p) == ""


def test_swinging_hammers_are_told_how_far_they_lay_back():
    toml = '[rotor]\nradius = "60 mm"\nmount = "swinging"\n'
    assert advice.hammers(fake_prediction(config_text=toml)) == (
        "they lay back, so they work like tips at 61.2 m/s; stretched out it would be 73.5 m/s."
    )
    assert advice.hammers(fake_prediction()) == ""


def test_the_comparison_claims_no_more_than_it_can():
    assert "throughput_kg_s" not in {r.key for r in comparison.compare(fake_prediction())}
    assert "throughput_kg_s" in {r.key for r in comparison.compare(fake_prediction(config_text=BATCH_TOML))}
    text = " ".join(summary.to_text(fake_prediction()).split())
    assert "their agreement says nothing about the laws" in text
    assert "Std. error: of the sampling by the Monte Carlo engine only" in text


def test_an_unknown_load_is_never_within_its_limit():
    unknown = Limit("jam", math.nan, 1.0, "1", "a bite")
    assert limitwords.verdict(unknown, "jam") == limitwords.verdict(unknown, "sieve") == "unknown"
    assert limitwords.margin_words(unknown) == "unknown"
    assert limitwords.verdict(Limit("jam", 0.0, 1.0, "1", "a bite"), "sieve") == "within"
