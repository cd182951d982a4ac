"""Two passes through one mill: masses class by class, sums by hand, one pass as fine, and common draws."""

import json
import math
from dataclasses import replace

import mills
import numpy as np
import pytest
from click.testing import CliRunner

from millsim.base.numerics import psd
from millsim.commands.main import cli
from millsim.forecast.band import common_draws
from millsim.record.limits import CANNOT, OK, OVER
from millsim.show.words import passes as in_words
from millsim.studies.circuit.line import line
from millsim.studies.circuit.loop import NO_SIEVE, ready
from millsim.studies.circuit.passes import FINES_M, PAYS, refed, two_passes

COARSE = ("sieve.hole=2 mm", "sieve.pitch=4 mm", "run.class_ratio=1.3")
FINE = ("sieve.hole=0.6 mm", "sieve.pitch=1.2 mm")


def config(*more):
    return mills.config("demo", *COARSE, *more)


@pytest.fixture(scope="module")
def passes():
    return two_passes(config(), config(*FINE), draws=16)


def test_what_leaves_the_first_pass_is_the_feed_of_the_second_class_by_class(passes):
    a, b = passes.first, passes.second
    handed_on = np.interp(np.log(b.edges_m), np.log(a.edges_m), a.accepted_q3)
    assert b.mill_feed_q3 == pytest.approx(handed_on, abs=2e-3)  # the fines below the second's finest class lie in it
    assert b.mill_feed_q3[2:] == pytest.approx(handed_on[2:], abs=1e-9)
    assert np.diff(b.accepted_q3).sum() == pytest.approx(1.0, abs=1e-9)  # a kilogram in, a kilogram out
    # Nothing grows: below every size there is at least as much after a pass as before it.
    assert np.all(b.accepted_q3 >= b.mill_feed_q3 - 1e-9)


def test_a_draw_s_powder_is_handed_on_class_by_class(passes):
    p = refed(ready(config(*FINE), NO_SIEVE), passes.first)
    assert p.feed.sum() == pytest.approx(1.0)
    at = np.interp(np.log(p.edges[1:-1]), np.log(passes.first.edges_m), passes.first.accepted_q3)
    assert psd.cumulative(p.feed)[1:-1] == pytest.approx(at, abs=1e-12)


def test_sums_by_hand(passes):
    a, b, two = passes.first, passes.second, passes.two
    assert two["time_s_kg"] == pytest.approx(1.0 / a.total_kg_s + 1.0 / b.total_kg_s)
    assert two["gross_J_kg"] == pytest.approx(a.electrical_W / a.total_kg_s + b.electrical_W / b.total_kg_s)
    assert two["warmest_K"] == max(a.outlet_temperature_K, b.outlet_temperature_K)
    assert two["fines_share"] == pytest.approx(float(psd.q_at(b.edges_m, b.accepted_q3, FINES_M)))


def test_one_pass_beside_it_is_as_fine(passes):
    alike = two_passes(config(), config())
    for r in (passes, alike):
        assert r.matched and r.one["x50_m"] == pytest.approx(r.two["x50_m"], rel=0.009)
    assert passes.hole_m == pytest.approx(0.6e-3, rel=0.1)
    assert alike.hole_m < 2e-3  # the same sieve twice is finer than once: that takes smaller holes


def test_at_a_rate_both_take_it_is_the_line_of_two_such_mills():
    r = two_passes(config("feed.rate=1 kg/h"), config(*FINE, "feed.rate=1 kg/h"))
    both = line(config("feed.rate=1 kg/h"), config(*FINE))
    assert r.code == both.code == OK
    assert r.two["x50_m"] == pytest.approx(both.second.x50_m, rel=1e-9)
    assert r.two["gross_J_kg"] == pytest.approx(both.gross_J_kg, rel=1e-6)
    assert r.two["time_s_kg"] == pytest.approx(7200.0)  # an hour a kilogram, twice


def test_draws_are_common_and_counted(passes):
    problems = [ready(config(*keys), NO_SIEVE) for keys in ((), FINE, ("stator.gap=1 mm", "rotor.edge=toothed"))]
    mills_ = common_draws(tuple(problems), 8, 1)
    for name in ("density", "fracture_energy", "drag_coefficient"):
        first = mills_[0][name]
        assert len(set(first)) == 8
        assert all(np.array_equal(m[name], first) for m in mills_[1:]), name
    assert set(passes.pays) == set(PAYS) and all(0.0 <= x <= 1.0 for x in passes.pays.values())
    assert passes.draws == 16 and 8 <= passes.counted <= 16
    assert all(x * passes.counted == pytest.approx(round(x * passes.counted)) for x in passes.pays.values())
    for name in ("time_s_kg", "gross_J_kg", "x50_m"):
        low, high = passes.ends[name][0]
        assert low < passes.two[name] < high
    again = two_passes(config(), config(*FINE), draws=16)
    assert again.pays == passes.pays and again.ends == passes.ends


def test_two_passes_alike_pay_for_nothing_twice():
    # The same mill twice at a rate it takes: twice the time of one pass, in the best guess and in all draws.
    r = two_passes(config("feed.rate=1 kg/h"), config("feed.rate=1 kg/h"), draws=4)
    assert r.two["time_s_kg"] == pytest.approx(2.0 * r.one["time_s_kg"]) and r.pays["time_s_kg"] == 0.0


def test_finer_second_passes_take_longer_without_a_step():
    # Over the range of holes of the second pass: time and energy fall, median and warmth of the powder rise steadily.
    found = [two_passes(config(), config(f"sieve.hole={h} mm", f"sieve.pitch={2 * h} mm")).two for h in
             (0.5, 0.6, 0.75, 0.9, 1.1, 1.4)]  # fmt: skip
    for name, sign in (("time_s_kg", -1), ("gross_J_kg", -1), ("x50_m", 1)):
        steps = sign * np.diff(np.log([f[name] for f in found]))
        assert np.all(steps > 0.0) and steps.max() < 0.75, (name, steps)


def test_what_cannot_work_or_takes_less_is_told():
    cold = two_passes(config("air.inlet_area=1 cm2", "air.blower_pressure=0 Pa", "feed.material=pla",
                             "feed.temperature=48 °C", "air.room=48 °C"), config(*FINE))  # fmt: skip
    assert cold.code == CANNOT and cold.reason.startswith("first pass: ")
    assert two_passes(config("feed.rate=1 kg/h"), config(*FINE, "feed.rate=9 kg/h")).code == OVER


def run(*words):
    demo = str(mills.CONFIGS / "demo.toml")
    sets = [w for o in (*COARSE, "run.band_samples=4") for w in ("--set", o)]
    return CliRunner().invoke(cli, ["circuit", demo, "--full", *sets, *words])


SECOND = [w for o in FINE for w in ("--second", o)]


def test_words_and_json():
    done = run("--passes", "2", *SECOND)
    assert done.exit_code == 0, done.output
    text = " ".join(done.stdout.split())
    assert "two passes, the second with sieve.hole=0.6 mm and sieve.pitch=1.2 mm: a kilogram takes " in text
    assert "One pass of the mill as the second pass has it, as fine, with holes of 0." in text
    for said in ("The first pass: ", "The second pass: ", "limits it; next the",
                 "Do two passes pay beside one pass as fine? ", "energy (chance ",
                 "% finer than 63 µm", "Carrying it back and setting the mill anew are not counted."):  # fmt: skip
        assert said in text, said
    assert "nan" not in text and "inf " not in text
    found = json.loads(run("--passes", "2", *SECOND, "--json").stdout)
    figures = found["figures"]["time_s_kg"]
    assert figures["unit"] == "s" and math.isfinite(figures["two"]) and found["draws"] == 4
    assert found["caution"]


def test_without_draws_no_chance_is_told(passes):
    known = replace(passes, ends={}, pays={}, draws=0, counted=0)
    (told,) = in_words.verdict(known)
    assert "chance" not in told and "likel" not in told and told.endswith("by the figures alone, without draws.")
    for name in PAYS:
        assert in_words._IN[name] in told


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--passes", "3"), "--passes"), (("--passes", "2", "--sieve", "0.5 mm"), "without a sieve after it"),
        (SECOND, "is of a second pass, and there is none"),
        (("--passes", "2", "--second", "stator.gapp=1 mm"), "stator.gapp"),
    ],
)  # fmt: skip
def test_refusals(words, said):
    done = run(*words)
    assert done.exit_code == 2 and said in " ".join(done.stderr.split())
