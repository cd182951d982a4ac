"""The report in words and the JSON object: keys, strictness, digits, and what the sentences claim."""

import dataclasses
import json
import math

import numpy as np
import pytest
from helpers import fake_engine, fake_limits, fake_prediction
from hypothesis import given
from hypothesis import strategies as st

from millsim import advice, summary, wording
from millsim.prediction import Limit, Scalar

KEYS = {
    "status", "engine", "seed", "config_sha256", "product", "band", "throughput_kg_s", "holdup_kg",
    "hits_per_particle", "hits_above_threshold_share", "energy", "outlet_temperature_K", "limit", "warnings",
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
        "about 350 g/h (80 % band 160 to 760 g/h)", "The air leaves at 45 °C (80 % band 36 to 63 °C)",
        "the limit is 85 °C", "What binds: shaft power.", "x50 = 0.27 mm (80 % band 0.19 to 0.37 mm)",
        "x90 = 0.46 mm", "kWh/kg", "kJ/kg", "3 of 200 runs", "nothing here is measured",
        "f_mat_warm (factor 1.42), sieve_factor (factor 1.31) and",
        "Measure next: drop a weight", "The two engines agree", "Note: The air flow",
    ):  # fmt: skip
        assert part in lead, part
    for part in ("not a safety clearance", "Local codes", "explode", "seed 20240611", "config 5f5f5f5f5f5f"):
        assert part in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 110


def test_report_has_every_table_with_numbers_from_the_record():
    text = summary.to_text(fake_prediction())
    for part in ("sieve / mm", "std. error", "in minus out: 0 W", "verdict", "histories", "basis", "371.0"):
        assert part in text
    row = next(line.split() for line in text.splitlines() if line.strip().startswith("0.5 "))
    assert float(row[1]) == pytest.approx(95, abs=1)


def test_size_table_interpolates_on_ln_x():
    table = fake_prediction().main.table
    assert summary._at(table.edges_m[20], table.edges_m, table.product_q3) == pytest.approx(
        table.product_q3[20]
    )
    middle = math.sqrt(table.edges_m[30] * table.edges_m[31])
    expected = table.product_q3[30:32].mean()
    assert summary._at(middle, table.edges_m, table.product_q3) == pytest.approx(expected)


def test_engines_that_disagree_are_called_out():
    shifted = fake_prediction(other=fake_engine("montecarlo", False, 0.2))
    assert "DISAGREE" in advice.engines_agree(shifted)
    assert "x50" in advice.engines_agree(shifted)
    assert summary.to_json(shifted)["other_engine"]["agrees"]["x50"] is False
    assert "DISAGREE" not in summary.to_text(fake_prediction())
    assert "alone" in advice.engines_agree(fake_prediction(both=False))


@pytest.mark.parametrize(
    ("status", "words"),
    [
        ("cannot run", "cannot run like this"),
        ("over capacity", "cannot take the 500 g/h asked for; it takes at most"),
    ],
)
def test_a_mill_that_cannot_do_it_says_so_first(status, words):
    limits = (
        Limit("jam", 2.0, 1.0, "1", "A bite takes twice the torque the drive can give."),
        *fake_limits(),
    )
    text = summary.to_text(
        fake_prediction(status=status, requested_rate_kg_s=0.5 / 3600, limits=limits, binding="jam")
    )
    assert words in text.splitlines()[0]
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
        (Scalar(math.nan, "W", ""), "unknown W"),
        (Scalar(0.0, "W", ""), "0.00 W"),
    ],
)
def test_numbers_carry_workshop_units_and_no_more_digits_than_the_band_bears(scalar, expected):
    assert str(wording.Shown(scalar)) == expected


@given(st.floats(1e-12, 1e12), st.floats(0, 10))
def test_rounding_never_moves_a_number_by_more_than_a_third_of_its_spread(value, relative):
    spread = value * relative
    shown = float(wording.number(value, wording.decimals(value, spread)))
    assert abs(shown - value) <= max(spread / 3 * 1.7, 0.006 * value)
    assert shown > 0


@given(st.floats(-1e300, 1e300) | st.sampled_from([math.nan, math.inf, -math.inf]))
def test_digits_accepts_every_float(value):
    text = wording.digits(value)
    assert text
    if math.isfinite(value):
        assert float(text) == pytest.approx(value, rel=0.006)


def test_every_parameter_name_gets_an_advice():
    for name in (
        "f_mat_warm",
        "xw_min_cold",
        "sieve_factor",
        "windage_factor",
        "bite_friction_toothed",
        "new_idea",
    ):
        prediction = fake_prediction(widest={"x50_m": [(name, 1.5)]})
        assert advice.measure_next(prediction).startswith("Measure next: ")
