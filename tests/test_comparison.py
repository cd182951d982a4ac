"""A run against a stored prediction: sizes, residuals and coverage, and what a miss may come from.

The runs are made by the model itself with one thing changed, so that the cause is known.
"""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from mills import config
from pretend import _showing

from millsim.base.numerics.statistics import NORMAL_80
from millsim.forecast.run import predict
from millsim.learn.calibration import causes, explain, scene
from millsim.learn.calibration import compare as comparing
from millsim.learn.calibration.compare import Point, compare, size_at
from millsim.learn.calibration.explain import Explanation, Found
from millsim.learn.calibration.observations import blocks_of
from millsim.learn.measured.runsheet import read_run
from millsim.show.plots.calibration import comparison
from millsim.show.words import comparison as words

CONFIGS = Path(__file__).resolve().parent.parent / "configs"
NAN = float("nan")
LEAST_RANGE = 0.05  # of each parameter's own, in the prediction of a well-known mill
KINDS = {c.name: c for c in causes.CAUSES}
TRUE = {
    "pegged": 0.45, "temperature": -20.0, "hold-up": 0.7, "losses": 0.03, "leak": 0.2, "edge": 0.6, "feed": 0.4,
    "rate": 0.2, "gap": 0.5, "speed": -0.1, "motor": 60.0,
}  # fmt: skip


def nearer(value, low, high):
    high = np.where(np.isfinite(high), high, 2.0 * np.asarray(value))  # a band of draws that cannot run has no end
    return value + LEAST_RANGE * (low - value), value + LEAST_RANGE * (high - value)


def well_known(p):
    """The prediction as if most of its parameters' ranges, and of the model's own error, were known away."""

    def shrunk(q):
        low, high = nearer(q.value, q.low, q.high)
        own = getattr(q, "name", "").startswith("error_")
        return replace(q, low=float(low), high=float(high), value=q.value * (LEAST_RANGE if own else 1.0))

    t = p.main.table
    low, high = nearer(t.product_q3, t.product_q3_low, t.product_q3_high)
    main = replace(
        p.main, table=replace(t, product_q3_low=low, product_q3_high=high),
        scalars={n: shrunk(s) for n, s in p.main.scalars.items()},
    )  # fmt: skip
    return replace(p, main=main, parameters=tuple(map(shrunk, p.parameters)))


@pytest.fixture(scope="module")
def prediction():
    changes = ("feed.rate=2.7 kg/h", "air.room=21 degC", "run.trace=false", "run.band_samples=16")
    return well_known(predict(config("demo", *changes), engine="balance", seed=1))


@pytest.fixture(scope="module")
def run():
    """The demo's run at the rate of the prediction; the speed was not measured, the bag not weighed."""
    found = read_run(CONFIGS / "demo_run.toml")
    return replace(
        found, fed_kg=0.9, product_kg=0.855, bag_kg=None, speed_loaded_rad_s=None, speed_idle_rad_s=None,
        milling_s=1200.0, warm_s=1e5,
    )  # fmt: skip


@pytest.fixture(scope="module")
def stage(prediction, run):
    sheets = tuple(replace(s, charge_g=None, percent_sum=None) for s in run.product_sheets)  # losses are not known
    return scene.scene_of(compare(prediction, replace(run, product_sheets=sheets)))


def showing(stage, told):
    """The run whose instruments show `told`."""
    values, at = [], 0
    for b in blocks_of(stage.run, stage.model):
        values.append(b.values if b.one_sided else told[at : at + b.values.size])
        at += 0 if b.one_sided else b.values.size
    return _showing(stage.run, stage.model, stage.base, values)


def missed_by(stage, name, size=None):
    told = KINDS[name].effect(stage, TRUE[name] if size is None else size)
    return compare(stage.comparison.prediction, showing(stage, told))


@pytest.fixture(scope="module")
def pegged(stage):
    return missed_by(stage, "pegged")


def short(c, e=None):
    text = words.comparison_text(c, e or explain.explain(c))
    assert len(text.splitlines()) <= words.MOST_LINES
    return text


def one_line(text):
    return " ".join(text.split())


# --- sizes -----------------------------------------------------------------------------------------------


def test_sizes_and_their_errors_by_hand():
    """Between 0.25 mm (Q3 0.4) and 0.5 mm (Q3 0.6) the median lies at the geometric mean; ISO 9276-1's rule."""
    x, q = np.array([0.25e-3, 0.5e-3]), np.array([0.4, 0.6])
    value, error = size_at(x, q, np.diag([0.02**2, 0.02**2]), 0.5)
    assert value == pytest.approx(1e-3 * math.sqrt(0.25 * 0.5))
    assert error == pytest.approx(value * 0.02 * math.sqrt(0.5) * math.log(2.0) / 0.2)  # two independent halves
    assert size_at(x, q, np.full((2, 2), 0.02**2), 0.5)[1] == pytest.approx(value * 0.02 * math.log(2.0) / 0.2)


def test_the_error_of_a_size_by_simulation():
    rng = np.random.default_rng(1)
    x, q = np.array([0.1, 0.2, 0.4, 0.8]) * 1e-3, np.array([0.05, 0.3, 0.7, 0.95])
    root = 0.004 * np.array([[1.0, 0, 0, 0], [0.5, 1.0, 0, 0], [0, 0.5, 1.0, 0], [0, 0, 0.5, 1.0]])
    shaken = q + rng.standard_normal((4000, 4)) @ root.T
    for share in (0.1, 0.5, 0.9):
        told = [size_at(x, s, np.zeros((4, 4)), share)[0] for s in shaken]
        assert size_at(x, q, root @ root.T, share)[1] == pytest.approx(np.std(told), rel=0.05)


@pytest.mark.parametrize(("share", "known"), [(0.1, False), (0.3, True), (0.8, True), (0.9, False)])
def test_nothing_is_extrapolated(share, known):
    value, error = size_at(np.array([1.0, 2.0, 3.0]), np.array([0.3, 0.5, 0.8]), np.eye(3) * 1e-4, share)
    assert np.isfinite(value) == known == np.isfinite(error)
    assert known == np.isfinite(size_at(np.array([1.0]), np.array([share if known else 0.2]), np.eye(1), share)[0])


@pytest.mark.parametrize(
    ("measured", "residual", "inside"), [(9.0, -0.5 / math.hypot(1.0, 0.6), True), (14.0, 4 / 1.0, False)]
)
def test_a_residual_counts_in_both_errors(measured, residual, inside):
    """Band 10 (-1.28 to ...): the side of the measurement counts; error 0.6."""
    p = Point("x50_m", "m", measured, 0.6 if measured < 10 else 0.0, 9.5 if measured < 10 else 10.0,
              9.5 - NORMAL_80, 10 + NORMAL_80)  # fmt: skip
    assert p.residual == pytest.approx(residual)
    assert p.inside is inside


def test_a_residual_without_any_error_or_band():
    assert Point("span", "1", 2.0, 0.0, 2.0, 2.0, 2.0).residual == 0.0
    assert Point("span", "1", 2.1, 0.0, 2.0, 2.0, 2.0).residual == math.inf
    assert not Point("span", "1", 2.1, 0.1, 2.0, NAN, NAN).judged


# --- rows and coverage -----------------------------------------------------------------------------------


def test_the_rows_agree_with_the_sheet(stage, run, prediction):
    c = compare(prediction, showing(stage, stage.predicted))
    rows = {p.name: p for p in c.points}
    for name in ("x50_m", "x90_m"):
        assert rows[name].measured == pytest.approx(rows[name].predicted, rel=0.05)  # sieves are wide apart
        assert 0.005 < rows[name].error / rows[name].measured < 0.2
    assert rows["gross_J_kg"].measured == pytest.approx(c.run.loaded_W / c.run.feed_rate_kg_s)
    assert not c.missed
    inside, count, expected = c.covered
    assert inside == count == len(c.counted) + 5  # hold-up, air, temperature, idle power, energy
    assert expected == pytest.approx(0.8 * count)
    assert f"Of all {count} numbers that count {count} lie inside; at 80 % one expects about" in one_line(short(c))
    assert explain.explain(c) == Explanation(none="the prediction was not missed")
    assert "make such a miss" not in words.comparison_text(c, Explanation(), True)


def test_what_was_not_measured_or_not_reached_keeps_its_row(prediction, run):
    bare = replace(run, loaded_W=None, idle_W=None, air_temperature_K=None, powder_temperature_K=None)
    text = short(compare(prediction, bare))
    rows = {line.split("  ")[1]: line for line in text.splitlines() if line.startswith("  ")}
    assert rows["energy per kg fed"].endswith("not measured")
    assert rows["outlet temperature"].endswith("not measured")
    nothing = short(compare(prediction, replace(bare, product_sheets=())))
    assert sum(line.endswith("not measured") for line in nothing.splitlines()) == 5
    assert "No sieve of this run can tell" in nothing


def test_a_size_beyond_the_sieves_is_bounded(prediction, run):
    sheet = run.product_sheets[0]
    fine = replace(run, product_sheets=(replace(sheet, q3=tuple(np.linspace(0.6, 1.0, len(sheet.q3)))),))
    row = next(line for line in short(compare(prediction, fine)).splitlines() if line.startswith("  x10"))
    assert "< 0.063 mm" in row
    assert row.endswith("below sieves")
    coarse = replace(
        run, product_sheets=(replace(sheet, q3=tuple(np.linspace(0.0, 0.6, len(sheet.q3))), q3_loss_fine=()),)
    )
    row = next(line for line in short(compare(prediction, coarse)).splitlines() if line.startswith("  x90"))
    assert "> 1 mm" in row
    assert row.endswith("above sieves")


def test_the_rate_is_judged_where_it_can_be(prediction, run):
    def rate(r, p=prediction):
        return next(q for q in compare(p, r).figures if q.unit == "kg/s")

    assert rate(run).note == "set by feeder"
    assert short(compare(prediction, run)).count("set by feeder") == 1
    more = rate(replace(run, fed_kg=9.0, product_kg=8.8))  # of 3 kg/h at most
    assert (more.name, more.judged, more.inside) == ("capacity_kg_s", True, False)
    took = rate(replace(run, feeding="as much as it took"), replace(prediction, requested_rate_kg_s=NAN))
    assert (took.name, took.judged) == ("throughput_kg_s", True)
    assert took.error == pytest.approx(0.15 * took.measured, rel=0.01)
    other = compare(prediction, replace(run, fed_kg=0.6, product_kg=0.57))
    assert {p.note for p in other.figures} == {"other rate", ""}
    assert "predicted for another feed rate: not judged" in one_line(short(other))


# --- causes ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", TRUE)
def test_every_cause_is_known_by_its_pattern(stage, name):
    """With everything else known well, each cause explains the miss that it makes, at its own size.

    An edge 0.9 blunter (in ln of the radius) chips nothing more here, so one that is blunter still tells no size.
    """
    told = KINDS[name].effect(stage, TRUE[name])
    sure = replace(stage, measured=told, covariance=1e-10 * stage.covariance)
    left = sure.misfit(sure.predicted)
    tried = {c.name: explain._tried(sure, c, left) for c in causes.CAUSES}
    assert tried[name].size == pytest.approx(TRUE[name], rel=0.15)  # linear between few solves
    assert tried[name].share == max(f.share for f in tried.values()) > 0.98
    assert tried[name].against == ""


@pytest.mark.parametrize("name", ["pegged", "hold-up", "leak", "rate", "gap", "speed"])
def test_a_run_with_a_cause_names_it_first(stage, name):
    c = missed_by(stage, name)
    e = explain.explain(c)
    assert c.missed
    assert e.causes[0].name == name
    assert e.enough
    assert e.causes[0].size == pytest.approx(TRUE[name], rel=0.3)
    assert len(e.causes) <= explain.MOST
    shares = [f.share for f in e.causes]
    assert shares == sorted(shares, reverse=True)
    text = short(c, e)
    assert "What would make such a miss, each by itself, and what tells:" in text
    assert e.causes[0].tells in one_line(text)


SAID = {
    "pegged": (0.45, "holes pegged", "45 % of the holes", "count the open holes"),
    "temperature": (-20.0, "feed colder", "20 K", "thermometer"),
    "hold-up": (math.log(2.0), "powder leaves more slowly", "2 times", "sieve what stays in"),
    "losses": (0.07, "fines lost before the sieves", "7 % of the powder", "weigh charge, sieves and pan"),
    "leak": (0.2, "charge slips past the sieve", "20 % of the powder", "torn holes"),
    "edge": (math.log(2.0), "edge blunter", "0.16 mm for 0.08 mm", "lens and radius gauge; repeat with a sharp edge"),
    "feed": (math.log(1.5), "feed coarser", "1.5 times", "sieve the feed"),
    "rate": (math.log(1.1), "fed faster than noted", "10 %", "weigh what is fed in five minutes"),
    "gap": (math.log(1.5), "gap wider", "4.5 mm for 3 mm", "feeler gauge"),
    "speed": (-math.log(1.25), "rotor slower", "20 %", "tachometer under load"),
    "motor": (60.0, "motor's own loss, no windage", "60 W with nothing on it", "the motor alone, without the rotor"),
}
OTHER_WAY = {"temperature": "feed warmer: softer pieces", "hold-up": "powder leaves faster", "feed": "feed finer",
             "rate": "fed more slowly than noted", "gap": "gap narrower", "speed": "rotor faster"}  # fmt: skip


@pytest.mark.parametrize("name", SAID)
def test_how_a_cause_reads(stage, name):
    size, what, needed, tells = SAID[name]
    assert KINDS[name].words(stage, size) == (what, needed)
    assert tells in KINDS[name].tells(stage.run)
    if name in OTHER_WAY:
        assert KINDS[name].words(stage, -size)[0] == OTHER_WAY[name]
        low, high = KINDS[name].within(stage)
        assert low < 0.0 < high
    else:
        assert KINDS[name].within(stage)[0] == 0.0  # only more of it is possible


def test_what_the_run_sheet_knows_is_not_asked_again(stage, run):
    assert KINDS["hold-up"].tells(replace(run, holdup_kg=None)) == "stop it, weigh what stays in"
    assert "speed under load was measured" in KINDS["speed"].known(replace(run, speed_loaded_rad_s=900.0))
    warm = replace(stage, comparison=replace(stage.comparison, run=replace(run, room_K=None)))
    assert KINDS["temperature"].words(warm, 5.0) == ("feed and room warmer: softer pieces", "5 K")
    with_room = causes._warmer(warm, 10.0)
    assert np.abs(with_room - warm.predicted).max() > 3.0 * np.abs(causes._warmer(stage, 10.0) - stage.predicted).max()


def test_a_closed_balance_leaves_nothing_to_lose(stage, run):
    closed = replace(run, bag_kg=0.04, sweepings_kg=0.0, holdup_kg=0.005, bag_sheets=run.product_sheets)
    assert KINDS["losses"].within(stage)[1] > 0.07
    there = replace(stage, comparison=replace(stage.comparison, run=closed))
    assert KINDS["losses"].within(there)[1] < 0.02


def test_the_measured_room_speaks_against_what_it_contradicts(stage, pegged):
    """Pegged holes make it hot inside: causes that do not are told off by the thermometer, each in a sentence."""
    e = explain.explain(pegged)
    out = {f.name: f.against for f in e.ruled_out}
    assert out["losses"] == "it would move what was measured the other way"
    assert out["hold-up"] in ("it leaves air temperature unexplained", "it leaves air flow unexplained")
    assert any(" speaks against it" in text for text in out.values())
    assert any(text.startswith("it explains at most ") for text in out.values())
    text = words.comparison_text(pegged, e, True)
    assert "Ruled out:" in text
    for f in e.ruled_out:
        assert f"{f.what}: {f.against}." in one_line(text)
    assert "Ruled out" not in short(pegged, e)


def test_a_small_cause_is_not_named(stage):
    small = replace(stage, measured=KINDS["hold-up"].effect(stage, 0.02))
    found = explain._tried(small, KINDS["hold-up"], small.misfit(small.predicted))
    assert found.share > 0.9
    assert found.against == "what it would change is within the errors"


def test_a_cause_at_the_end_of_its_range_says_so(stage):
    told = KINDS["hold-up"].effect(stage, 0.9 * np.log(2.5))
    sure = replace(stage, measured=stage.predicted + 3.0 * (told - stage.predicted), covariance=1e-6 * stage.covariance)
    found = explain._tried(sure, KINDS["hold-up"], sure.misfit(sure.predicted))
    assert found.needed == "2.5 times or more"


def test_a_miss_that_no_cause_makes(stage):
    """Coarser between the sieves and finer at both ends, at the same power: nothing on the list does that."""
    told = stage.predicted.copy()
    told[stage.sieves] = np.linspace(0.35, 1.0, int(stage.sieves.sum()))
    c = compare(stage.comparison.prediction, showing(stage, told))
    e = explain.explain(c)
    assert c.missed
    assert not e.enough
    text = one_line(short(c, e))
    assert ("None explains half of it" if e.causes else "No cause that was tried fits what was measured") in text
    assert "perhaps the material, or the model, is off; `millsim calibrate` tells." in text


def test_both_ways_of_finding_nothing(pegged):
    weak = Found("gap", "gap wider", 0.3, "4 mm for 3 mm", 0.2, "feeler gauge", "air flow")
    assert "None explains half of it: perhaps" in short(pegged, Explanation((weak,)))
    assert "No cause that was tried fits what was measured: perhaps" in short(pegged, Explanation((), (weak,)))
    chance = short(pegged, Explanation((), (weak,), by_chance=True))
    assert "Taken together it is no more than the errors of model and measurement make by chance." in chance
    known = short(pegged, Explanation((), (weak,), 0.9, by_chance=True))
    assert "What is known to differ explains 90 % of the miss: predict again for the run as it was." in known
    assert "perhaps" not in chance + known


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (
            lambda c: replace(c, prediction=replace(c.prediction, model_version="1")),
            "the prediction is of model 1, this is",
        ),
        (lambda c: replace(c, differing=(("feed.material", "pmma", "pla"),)), "the prediction is for another feed"),
        (
            lambda c: replace(c, run=replace(c.run, fed_kg=300.0, product_kg=290.0)),
            "does not settle at the rate of the run",
        ),
    ],
)
def test_when_no_cause_is_looked_for(pegged, spoil, says):
    c = spoil(pegged)
    e = explain.explain(c)
    assert e.causes == ()
    assert "No cause is looked for: " in short(c, e)
    assert says in one_line(short(c, e))


def test_known_differences_come_first(prediction, stage):
    """Run with a gap of 6 mm that the prediction took for 3: that explains it, and no cause is named for it."""
    told = KINDS["gap"].effect(stage, math.log(2.0))
    sheet = showing(stage, told)
    c = compare(prediction, replace(sheet, config=config("demo", "stator.gap=6 mm")))
    assert c.missed
    e = explain.explain(c)
    assert e.known > 0.8
    text = one_line(short(c, e))
    assert e.by_chance
    assert f"What is known to differ explains {100 * e.known:.0f} % of the miss: predict again for the run" in text
    open_ = one_line(short(c, replace(e, by_chance=False)))
    assert f"What is known to differ explains {100 * e.known:.0f} % of the miss; of what is left:" in open_
    assert "stator.gap: predicted with 3 mm, run with 6 mm" in text
    assert "gap" not in {f.name for f in e.causes}


def test_the_same_answer_twice(pegged):
    assert explain.explain(pegged) == explain.explain(pegged)


# --- lines, dates, JSON, figure --------------------------------------------------------------------------


def test_the_short_answer_stays_short(pegged):
    """Many causes, known differences and long names at once."""
    many = tuple(Found(n, *SAID[n][1:2], 0.1, SAID[n][2], 0.9, SAID[n][3], "") for n in list(SAID)[:5])
    differing = tuple((f"stator.key_{i}", "a long value", "another long value") for i in range(9))
    c = replace(pegged, differing=differing, own_run=True, same_rate=False)
    text = short(c, Explanation(many, (), 0.5))
    assert "holes pegged" in text
    assert "and 8 more" in one_line(text)
    full = words.comparison_text(c, Explanation(many, (), 0.5), True)
    assert all(f.what in full for f in many)
    assert "stator.key_8" in full
    assert len(full.splitlines()) > words.MOST_LINES
    assert "`millsim calibrate` does that" in one_line(full)
    assert all(p.name.replace("Q3(", "finer than ")[:-1] in full for p in c.sieves)


def test_a_prediction_says_when_it_was_made(pegged):
    def said(date, day):
        p, r = replace(pegged.prediction, date=date), replace(pegged.run, date=day)
        return one_line(short(replace(pegged, prediction=p, run=r), Explanation()))

    assert "2025-03-07T08:00:00Z; run of 2025-03-08." in said("2025-03-07T08:00:00Z", "2025-03-08")
    assert "2025-03-09T08:00:00Z: made after the run; run of 2025-03-08." in said("2025-03-09T08:00:00Z", "2025-03-08")
    assert "date unknown; run of a day not noted." in said("", None)
    assert "2025-03-09T08:00:00Z; run of 8 March." in said("2025-03-09T08:00:00Z", "8 March")


def test_json_has_all_of_it(pegged):
    e = explain.explain(pegged)
    told = json.loads(json.dumps(words.comparison_json(pegged, e), allow_nan=False))
    assert len(told["points"]) == len(pegged.points)
    assert told["missed"] is True
    assert told["coverage"]["counted"] == len(pegged.independent)
    assert told["explanation"]["causes"][0]["name"] == "pegged"
    assert {f["name"] for f in told["explanation"]["ruled_out"]} == {f.name for f in e.ruled_out}
    assert told["date"] == pegged.prediction.date
    by = {p["name"]: p for p in told["points"]}
    assert by["throughput_kg_s"]["note"] == "set by feeder"
    assert by["air_temperature_K"]["residual"] > 2.0


def test_the_verdict_of_the_size(pegged):
    """Each sentence of it, by how many sieves lie inside."""

    def moved(*shifts, **changes):
        sieves = tuple(Point(f"Q3({i} mm)", "1", 0.5 + s, 0.01, 0.5, 0.45, 0.55) for i, s in enumerate(shifts, start=1))
        return words.verdict(replace(pegged, sieves=sieves, figures=(), **changes))

    assert moved(0.0, 0.005) == "2 of 2 sieves lie inside the 80 % band. The prediction of the size held."
    assert moved(0.03, 0.03).endswith("held; the powder came out finer than its middle.")
    part = moved(-0.03, -0.2)
    assert part.startswith("1 of 2 sieves lie inside")
    assert part.endswith("held in part: the powder is coarser.")
    assert moved(0.3, 0.2).endswith("did not hold: the powder is finer than the model thought possible.")
    two = moved(0.0, differing=(("feed.material", "pmma", "pla"),))
    assert two.startswith("Predicted for pmma, run with pla: this compares two materials. 1 of 1")
    blind = replace(pegged, prediction=replace(pegged.prediction, band_level=NAN))
    assert words.verdict(blind).endswith("has no band, so nothing can be said on whether it held.")
    assert words.coverage(blind) == ""


def test_a_prediction_without_a_band_is_drawn_and_told(pegged):
    t = pegged.prediction.main.table
    bare = replace(t, product_q3_low=t.product_q3 * NAN, product_q3_high=t.product_q3 * NAN)
    scalars = {n: replace(s, low=NAN, high=NAN) for n, s in pegged.prediction.main.scalars.items()}
    main = replace(pegged.prediction.main, table=bare, scalars=scalars)
    c = compare(replace(pegged.prediction, main=main, band_level=NAN), pegged.run)
    assert not c.missed
    assert "no band" in short(c)
    said = [t.get_text() for t in comparison(c).texts]
    assert any("No band to judge by." in s for s in said)
    assert not any("nan" in s for s in said)


def test_the_figure_shows_every_residual_inside_the_page(pegged):
    figure = comparison(pegged)
    figure.draw_without_rendering()
    side = figure.axes[2]
    labels = [t.get_text().replace("\n", " ") for t in side.get_yticklabels()]
    told = [
        p for p in pegged.points if math.isfinite(p.residual) and (p in pegged.counted or not p.name.startswith("Q3"))
    ]
    assert len(labels) == len(told)
    assert "x50" in labels
    assert {"energy per kg fed", "air in the chamber"} <= set(labels)
    low, high = side.get_xlim()
    assert low < min(p.residual for p in told)
    assert high > max(p.residual for p in told)
    page = figure.bbox
    for axes in figure.axes:
        box = axes.get_tightbbox()
        assert page.x0 <= box.x0
        assert box.x1 <= page.x1
        assert page.y0 <= box.y0
        assert box.y1 <= page.y1


@pytest.mark.parametrize(
    ("x", "y", "same"),
    [
        ("600 g/h", "0.16667 g/s", True), ("600 g/h", "601 g/h", False), ("3 mm", "3 kg", False),
        ("pins", "pins", True), ("pins", "smooth", False), (4, 4.0, True), (4, "4 mm", False),
        (None, "3 mm", False), (True, True, True),
        (["1 mm", "2 mm"], ["1000 um", "2 mm"], True), (["1 mm"], ["1 mm", "2 mm"], False),
    ],
)  # fmt: skip
def test_a_setting_is_the_same_in_whatever_units_and_digits(x, y, same):
    assert comparing._alike(x, y) == same
