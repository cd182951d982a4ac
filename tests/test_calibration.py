"""The calibration as a whole, on pretend runs that the Monte Carlo engine made with known parameters.

Expected coverage of an 80 % interval whose data are drawn as the calibration assumes: 80 % (by construction of a
posterior; Gelman et al. 2013, Bayesian Data Analysis, sec. 10.7, from memory). The large version is
benchmarks/bench_calibration.py.
"""

import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from helpers import fake_prediction
from pretend import few_chains, off_by, pretend

from millsim.base.numerics import psd
from millsim.base.quantities.scores import at_score
from millsim.errors import InputError, MillsimError
from millsim.explore.sweep import gather, identity, runner
from millsim.explore.sweep.journal import open_journal
from millsim.explore.sweep.plan import read_plan
from millsim.forecast.band import draws, run_samples
from millsim.forecast.error import sizes_of
from millsim.forecast.outcome import solve
from millsim.forecast.run import predict
from millsim.learn.calibration import findings, firststep, fit, nextstep, observations, runmodel
from millsim.learn.calibration.carding import card_of, card_text
from millsim.learn.calibration.posterior import find_mode, sample, weighted_quantile
from millsim.learn.calibration.unknowns import unknowns_of
from millsim.learn.calibration.whole import measured
from millsim.learn.measured.runsheet import read_run
from millsim.mill import calibrated
from millsim.mill.cards.calibrated import load_calibrated
from millsim.mill.config.mill import load_config, parse_config
from millsim.mill.config.since import UNCHANGED, kept
from millsim.mill.problem import build
from millsim.show.words import sweep
from millsim.studies.since import since
from millsim.version import MODEL_VERSION

CONFIGS = Path(__file__).resolve().parent.parent / "configs"
DEMO = CONFIGS / "demo.toml"
MANY = "run.band_samples=1024"  # what narrow bands are compared by
SLIM = ["run.engine=balance", "run.trace=false", "run.band_samples=64", "run.class_ratio=1.5"]


def demo(*sets):
    """The demo mill on coarse classes, which take a third of the time; the README's test calibrates it on its own."""
    return load_config(DEMO, ["run.class_ratio=1.5", *sets])


def quiet(*_):
    """Progress to nobody."""


@pytest.fixture(scope="module")
def run():
    return replace(read_run(CONFIGS / "demo_run.toml"), config=demo())


@pytest.fixture
def few(monkeypatch):
    """Fewer chains, for what does not hang on the last digits of the posterior."""
    few_chains(monkeypatch)


@pytest.fixture(scope="module")
def found(run):
    return fit.calibrate([run], 1)


@pytest.fixture(scope="module")
def card(found, tmp_path_factory):
    path = tmp_path_factory.mktemp("card") / "demo.card.toml"
    path.write_text(card_text(card_of(found)), encoding="utf-8")
    return path


def posterior_of(run, unknowns, seed):
    model = runmodel.model_of(run)
    joint = fit.JointMisfit((model,), (observations.blocks_of(run, model),), unknowns)
    rng = np.random.default_rng(seed)
    return sample(joint, find_mode(joint, unknowns.count, rng, quiet), rng, quiet), joint


# --- round trips -----------------------------------------------------------------------------------------


FELT = ("windage_factor", "xw_min", "f_mat")  # what the demo run determines best
ANSWERS = (lambda f, edges: psd.curve_x_at(edges, f.q3, 0.5), lambda f, edges: f.holdup_kg, lambda f, edges: f.loaded_W)
SEEDS = 16


def test_intervals_cover_the_truth_and_are_narrow(run, few):
    """Sixteen pretend runs with all parameters drawn from their ranges: 80 % intervals cover about 80 %.

    Draws of the prior would cover as much, so what the run feels must also come out narrower than it went in.
    """
    coarse = replace(run, config=demo("run.class_ratio=1.6"))
    unknowns = unknowns_of(runmodel.model_of(coarse).problem.parameters)
    felt = [unknowns.names.index(n) for n in FELT]
    covered, covered_felt, answered, width, seed = [], [], [], [], 0
    while len(covered) < SEEDS:
        seed += 1
        truth = np.random.default_rng(1000 + seed).standard_normal(unknowns.count)
        made = pretend(coarse, unknowns, truth, seed)
        if made is None:
            continue
        p, joint = posterior_of(made[0], unknowns, seed)
        low, high = (np.array([weighted_quantile(z, p.weights, q) for z in p.scores.T]) for q in (0.1, 0.9))
        inside = (truth >= low) & (truth <= high)
        covered.append(inside.mean())
        covered_felt.append(inside[felt].mean())
        width.append((high - low)[felt] / (2 * 1.2816))
        told, edges = [f for f in joint.forecasts(0, p.equal(150)) if f], joint.models[0].problem.edges
        off = fit.errors_of(joint, [(f,) for f in told], told[:1], np.random.default_rng(seed))[0].scores
        told = [off_by(f, joint.models[0], {n: v[i] for n, v in off.items()}) for i, f in enumerate(told)]
        for tell in ANSWERS:
            ends = np.quantile([tell(f, edges) for f in told], [0.1, 0.9])
            answered.append(ends[0] <= tell(made[1], edges) <= ends[1])
    assert 0.72 <= np.mean(covered) <= 0.88
    assert np.mean(covered_felt) >= 0.6  # of 48 intervals
    assert np.mean(answered) >= 0.6  # of 48
    assert np.mean(width) < 0.75  # of the prior's


def test_a_known_truth_is_found_again(run, few):
    """A mill with a lower threshold and another fragment law than the card: threshold and answers are recovered.

    Fragment exponent and fines limit trade off; only what they do to the powder is recovered.
    """
    unknowns = unknowns_of(runmodel.model_of(run).problem.parameters)
    truth = np.zeros(unknowns.count)
    truth[unknowns.names.index("xw_min")] = -0.8
    truth[unknowns.names.index("daughter_exponent")] = 1.2
    truth[unknowns.names.index("fines_limit")] = -1.0
    made, true = pretend(run, unknowns, truth, 7)
    p, _ = posterior_of(made, unknowns, 7)
    mean = p.weights @ p.scores
    sd = np.sqrt(p.weights @ (p.scores - mean) ** 2)
    i = unknowns.names.index("xw_min")
    assert sd[i] < 0.7  # how it goes with size is open too
    assert abs(mean[i] - truth[i]) < 2.5 * sd[i]
    assert mean[i] < -0.2
    model = runmodel.model_of(made)
    mills = unknowns.mills(model.problem, p.equal(40), {q.name for q in model.problem.parameters})
    told = [model.forecast(mills[i : i + 1]) for i in range(40)]
    edges = model.problem.edges
    for pick in (lambda f: f.holdup_kg, lambda f: f.loaded_W, lambda f: float(np.interp(0.25e-3, edges, f.q3))):
        low, high = np.quantile([pick(f) for f in told if f], [0.02, 0.98])
        assert low < pick(true) < high


def test_a_second_sieve_tells_more_than_one(run, found, few):
    coarse = replace(run, config=demo("sieve.hole=1 mm", "sieve.pitch=2 mm"))
    unknowns = found.unknowns
    made, _ = pretend(coarse, unknowns, found.posterior.mode.scores, 5)
    both = fit.calibrate([run, replace(made, sha256="another")], 1)
    one, two = (np.prod(np.sqrt(1.0 / (1.0 + np.linalg.svd(c.posterior.mode.jacobian)[1] ** 2))) for c in (found, both))
    assert two < 0.8 * one  # the volume of what stays possible
    rows = {r.name: r for r in findings.rows(both)}
    before = {r.name: r for r in findings.rows(found)}
    assert rows["xw_min"].sd < before["xw_min"].sd


# --- what data can tell ----------------------------------------------------------------------------------


def test_sizes_alone_do_not_separate_breaking_from_leaving(run, found):
    """The powder's sizes leave rate and sieve factor open, and the energy too; watts and hold-up help."""
    bare = replace(
        run,
        holdup_kg=None,
        idle_W=None,
        loaded_W=None,
        air_temperature_K=None,
        air_flow_m3_s=None,
        powder_temperature_K=None,
    )
    sizes = fit.calibrate([bare], 1)
    rows = {r.name: r for r in findings.rows(sizes)}
    assert not rows["rate_multiplier"].determined
    assert not rows["sieve_factor"].determined

    def energy(c):
        return np.std(np.log([f.loaded_W for f in c.fits[0].after]))

    assert energy(found) < 0.4 * energy(sizes)


def test_open_parameters_are_told_with_what_they_trade_for(found):
    rows = {r.name: r for r in findings.rows(found)}
    row = rows["rate_multiplier"]
    assert row.wide and not row.determined
    words = findings.open_words(row)
    assert words.startswith("rate_multiplier is open: more of it with")
    assert "f_mat" in words  # how often pieces are hit, and how readily they break
    assert words in next(k.text for k in findings.checks(found, [*rows.values()]) if k.name == "determined")


def test_what_no_datum_feels_is_never_named_as_a_partner(found):
    """A parameter with a zero column in the Jacobian, and draws that by bad luck follow another one's."""
    names, p = found.unknowns.names, found.posterior
    i, j = names.index("rate_multiplier"), names.index("xw_min")
    for drawn in (False, True):
        J, scores = p.mode.jacobian.copy(), p.scores.copy()
        J[:, j] = 0.0
        if drawn:
            scores[:, j] = 0.5 * scores[:, i] + 0.5 * scores[:, j]
        c = replace(found, posterior=replace(p, scores=scores, mode=replace(p.mode, jacobian=J)))
        table = {r.name: r for r in findings.rows(c)}
        assert "xw_min" not in {n for r in table.values() for n, _ in r.partners}
        assert not table["xw_min"].partners
    assert "xw_min" in {n for r in findings.rows(found) for n, _ in r.partners}


def test_laplace_correlation_of_two_that_only_their_sum_is_felt_of():
    """(J'J + 1)^-1 with J = (a, a, 0): correlation -a^2 / (1 + a^2), by hand."""
    told = findings.laplace_correlation(np.array([[2.0, 2.0, 0.0]]))
    assert told[0, 1] == pytest.approx(-4.0 / 5.0)
    assert told[:2, 2] == pytest.approx([0.0, 0.0])


def test_a_parameter_that_moved_but_stays_wide_is_not_called_narrowed(found):
    row = replace(findings.rows(found)[0], name="sieve_factor", mean=-0.75, sd=0.92, alone_sd=0.5, partners=())
    assert row.determined
    assert row.said == "moved, hardly narrowed"
    assert findings.open_words(row).startswith("sieve_factor moved, but stays open")
    assert "sieve_factor" in findings._open([row]).text
    assert [replace(row, mean=m, sd=s).said for m, s in ((0.1, 0.95), (0.1, 0.7), (1.0, 0.3))] == [
        "open", "narrowed", "determined",
    ]  # fmt: skip
    assert row.before == pytest.approx(tuple(at_score(row.param, s) for s in (-1.2816, 1.2816)))
    assert row.param.low < row.before[0] < row.before[1] < row.param.high


@pytest.mark.parametrize(
    ("p", "says"),
    [(0.0, "under 0.1 %"), (0.0004, "under 0.1 %"), (0.02, "2.0 %"), (0.5, "50 %"), (0.978, "98 %"),
     (0.9951, "99.5 %"), (0.9996, "over 99.9 %"), (1.0, "over 99.9 %")],
)  # fmt: skip
def test_chance_is_written_for_people(p, says):
    assert findings.chance_words(p) == says


def test_a_fit_too_good_to_be_true_is_told(found):
    exact = replace(found.posterior.mode, residuals=np.full(found.count, 1e-3), scores=np.zeros(found.unknowns.count))
    good = findings._fits(replace(found, assumed=exact))
    assert good.passed
    assert "chance alone gives a worse fit in over 99.9 of 100 cases" in good.text
    assert "suspiciously good: are runs copied" in good.text
    assert "suspicious" not in findings._fits(found).text


def test_a_parameter_at_its_limit_is_the_first_check(found):
    rows = findings.rows(found)
    stuck = replace(rows[0], score=1.9, mean=1.9, sd=0.2)
    first = findings.checks(found, [stuck])[0]
    assert not first.passed
    assert rows[0].name in first.text
    assert "motor's own loss" not in findings.checks(found, [replace(stuck, name="sieve_factor")])[0].text
    windy = findings.checks(found, [replace(stuck, name="windage_factor")])[0].text
    assert (
        "windage_factor may hold what is none of it: the motor's own loss" in windy and "drive.no_load_power" in windy
    )
    still = findings.checks(found, [replace(stuck, name="windage_factor", score=-1.9, mean=-1.9)])[0].text
    assert "motor's own loss" not in still


def test_no_error_bars_from_few_samples(found):
    few = replace(found, posterior=replace(found.posterior, drift=2.0))
    checks = findings.checks(few, findings.rows(found))
    assert not findings.trustworthy(checks)
    assert any("no error bars" in k.text for k in checks)


def test_a_run_the_model_cannot_reach_is_told(run, monkeypatch):
    few_chains(monkeypatch, 24)  # the mode tells it
    sheet = run.product_sheets[0]
    x = np.asarray(sheet.apertures_m)
    odd = replace(sheet, q3=tuple(float(q) for q in np.where(x < 0.2e-3, 0.0, np.where(x < 0.4e-3, 0.02, 1.0))))
    c = fit.calibrate([replace(run, product_sheets=(odd,))], 1)
    check = next(k for k in findings.checks(c, findings.rows(c)) if k.name == "fit")
    assert not check.passed
    assert "the model does not follow these data" in check.text
    assert c.factors[0] > 1.5  # and the bands are wider for it


def test_the_monte_carlo_engine_confirms(found):
    confirmed = found.fits[0].confirmed
    assert confirmed.worst_sigma < findings.AGREE
    assert abs(confirmed.misfit_montecarlo - confirmed.misfit_balance) < 3.0


def test_every_main_parameter_moves_the_misfit(found):
    J = found.posterior.mode.jacobian
    for i in range(found.unknowns.count):
        if found.unknowns.main(i):
            assert np.abs(J[:, i]).max() > 1e-3, found.unknowns.names[i]


# --- the forward model and its errors --------------------------------------------------------------------


def test_the_forecast_is_what_predict_says(run):
    """At the plausible values and warm: the same balance as a prediction at that feed rate."""
    long = replace(run, milling_s=1e6, fed_kg=0.7 * run.fed_kg / run.milling_s * 1e6)  # the plausible mill takes this
    model = runmodel.model_of(long)
    told = model.forecast(model.problem.mill)
    changes = [*SLIM, "run.band_samples=0", f"feed.rate={3.6e6 * long.feed_rate_kg_s:.12g} g/h", "air.room=21 degC"]
    rpm = run.speed_loaded_rad_s * 30 / np.pi
    curve = f"[['0 W', '{rpm:.12g} rpm'], ['2000 W', '{rpm:.12g} rpm']]"
    changes += [f"drive.speed={rpm:.12g} rpm", f"drive.speed_curve={curve}"]
    p = predict(demo(*changes), seed=1)
    assert told.q3 == pytest.approx(p.main.table.product_q3, abs=1e-5)
    assert told.holdup_kg == pytest.approx(p.main.scalars["holdup_kg"].value, rel=1e-4)
    assert told.loaded_W == pytest.approx(p.main.scalars["electrical_power_W"].value, rel=1e-4)
    assert told.outlet_K == pytest.approx(p.main.scalars["outlet_temperature_K"].value, abs=0.02)


def test_air_is_fitted_as_air_and_powder_as_powder(run):
    """In this run the powder leaves warmer than the air: each is held against its own figure, by name."""
    both = replace(run, air_temperature_K=330.0, powder_temperature_K=340.0)
    model = runmodel.model_of(both)
    told = model.forecast(model.problem.mill)
    assert told.powder_K > told.air_K + 0.5 and told.outlet_K == told.powder_K
    blocks = {b.name: b for b in observations.blocks_of(both, model)}
    assert (blocks["air temperature"].values[0], blocks["powder temperature"].values[0]) == (330.0, 340.0)
    assert blocks["air temperature"].tell(told)[0] == told.air_K
    assert blocks["powder temperature"].tell(told)[0] == told.powder_K
    names = {b.name for b in observations.blocks_of(replace(both, air_temperature_K=None), model)}
    assert "powder temperature" in names and "air temperature" not in names
    assert {"air temperature", "powder temperature"} <= set(measured([both]))


def test_the_condition_of_a_card_is_the_warmer_of_air_and_powder(run):
    """The card's outlet temperature stands beside predicted ones, which are the warmer of both: air alone is not it."""
    model = runmodel.model_of(run)
    told = model.forecast(model.problem.mill)
    cool = replace(run, air_temperature_K=told.air_K, powder_temperature_K=None)
    assert runmodel.warmer(cool, told) == told.powder_K
    assert runmodel.warmer(replace(cool, powder_temperature_K=told.air_K - 5.0), told) == told.air_K
    assert runmodel.warmer(replace(cool, air_temperature_K=told.powder_K + 5.0), told) == told.powder_K + 5.0


def test_a_motors_own_loss_is_not_windage(run):
    """An empty mill of 127 W whose motor takes 80 W alone: 47 W are left for windage and bearings, not 0.78 of 127."""
    model = runmodel.model_of(replace(run, motor_alone_W=80.0))
    plain = runmodel.model_of(run)
    mill = model.problem.mill
    shaft = plain.forecast(mill).idle_W * mill["efficiency"][0]
    load_loss = (1100.0 / 0.78 - 1100.0 - 80.0) * (shaft / 1100.0) ** 2
    assert model.forecast(mill).idle_W == pytest.approx(80.0 + shaft + load_loss, rel=1e-9)
    light = mill.copy()
    light["windage_factor"] *= 46.0 / shaft
    light["bearing_torque"] *= 46.0 / shaft
    assert model.forecast(light).idle_W == pytest.approx(127.0, abs=2.0)  # the empty mill as measured
    assert plain.forecast(light).idle_W < 70.0


def test_a_short_run_is_cooler_than_a_long_one(run):
    temperatures = []
    for seconds in (60.0, 600.0, 6000.0):
        short = replace(run, milling_s=seconds, warm_s=0.0, fed_kg=run.feed_rate_kg_s * seconds)
        model = runmodel.model_of(short)
        temperatures.append(model.forecast(model.problem.mill).outlet_K)
    assert temperatures[0] < temperatures[1] - 0.3 < temperatures[2] - 0.6


def test_weighing_errors_by_simulation(run):
    """Covariance of Q3 from a scale's step against masses shaken by a uniform error (numpy)."""
    sheet = run.product_sheets[0]
    masses = np.array([sheet.pan_g, *sheet.retained_g])
    step = 0.5
    shaken = masses + np.random.default_rng(1).uniform(-step, step, (200_000, masses.size))
    q = np.cumsum(shaken, axis=1)[:, :-1] / shaken.sum(axis=1, keepdims=True)
    told = observations._weighing(replace(sheet, step=step))
    assert np.sqrt(np.diag(told)) == pytest.approx(q.std(axis=0), rel=0.02)


def test_what_the_bag_holds_counts_as_fines(run):
    """10 % of the powder in the bag, unsieved: Q3 rises half-way to all of it being finer, with that as its error."""
    much = replace(run, product_kg=0.9, bag_kg=0.1, fed_kg=1.0, holdup_kg=0.0, sweepings_kg=0.0)
    model = runmodel.model_of(run)
    frame = observations.frame_of(run.config, run.feed_rate_kg_s, sizes_of(model.problem))
    block, sheet = observations.size_block(much, model.problem.edges, frame), run.product_sheets[0]
    q, loss = np.asarray(sheet.q3), np.asarray(sheet.q3_loss_fine) - np.asarray(sheet.q3_loss_shared)
    assert block.values == pytest.approx(q + 0.05 * (1.0 - q) + 0.5 * loss)
    assert loss.max() == pytest.approx(sheet.loss_share, rel=0.15)  # half a per cent of the charge, all of it finer
    plain = observations.size_block(replace(much, bag_kg=0.0, product_kg=1.0), model.problem.edges, frame)
    i = int(np.argmin(np.abs(q - 0.3)))
    assert block.sd[i] > plain.sd[i]


def test_amperes_bound_from_above_only(run):
    model = runmodel.model_of(run)
    told = model.forecast(model.problem.mill)
    bounded = replace(run, loaded_W=None, loaded_upper_W=2.0 * told.loaded_W)
    block = next(b for b in observations.blocks_of(bounded, model) if b.name == "loaded power at most")
    assert block.residuals(told) == pytest.approx(0.0)
    assert block.residuals(replace(told, loaded_W=3.0 * told.loaded_W))[0] > 3.0


# --- the card --------------------------------------------------------------------------------------------


def test_same_seed_same_card_on_any_number_of_threads(run, monkeypatch):
    few_chains(monkeypatch, 24)
    two = card_text(card_of(fit.calibrate([run], 1)))
    monkeypatch.setattr("os.cpu_count", lambda: 1)
    assert card_text(card_of(fit.calibrate([run], 1))) == two


def test_the_card_reads_back(found, card):
    assert load_calibrated(card) == card_of(found)


def test_a_config_carries_its_card(card):
    config = demo(f"calibration.card={card}")
    plain = demo()
    assert config.sha256 != plain.sha256
    again = parse_config(config.text)
    assert again.sha256 == config.sha256
    assert again.calibration == config.calibration


@pytest.fixture(scope="module")
def narrow(card):
    """A prediction of the demo mill with its card."""
    return predict(demo(*SLIM, MANY, f"calibration.card={card}"), seed=1)


def test_predictions_use_the_card(narrow):
    wide = predict(demo(*SLIM), seed=1)
    for name in ("x50_m", "throughput_kg_s"):
        a, b = (p.main.scalars[name] for p in (wide, narrow))
        assert np.log(b.high / b.low) < 0.5 * np.log(a.high / a.low)
        assert b.low <= b.value <= b.high
    assert {q.basis for q in narrow.parameters} >= {"calibrated", "assumed"}
    assert all("third batch" in q.source for q in narrow.parameters if q.basis == "calibrated")


NEAR = "stator.gap=2.4 mm"  # it widens the band by a tenth, which other draws of the card may do as well


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ("drive.tip_speed=90 m/s", "tip speed 90 m/s"),
        ("stator.gap=1 mm", "pieces ride on the pins"),
        ("sieve.hole=1.5 mm", "sieve hole 1.5 mm"),
        ("feed.material=ps", "its own card counts"),
        ("stator.kind=smooth", "a smooth wall (runs: pins)"),
        ("rotor.bars=1", "bars 1 (runs: 4)"),
        ("stator.gap=2 mm", "gap 2 mm (runs: 3 mm)"),
        (NEAR, "gap 2.4 mm (runs: 3 mm)"),
    ],
)
def test_bands_widen_outside_the_calibrated_range(card, narrow, change, says):
    sets = [*SLIM, change, *(["sieve.pitch=3 mm"] if "hole" in change else [])]
    sets += [MANY] if "gap=2 mm" in change else []  # 1.35 times as wide: of 64 draws it may be 1.06 or 1.79 times
    inside, outside = narrow, predict(demo(*sets, f"calibration.card={card}"), seed=1)
    assert any("outside the calibrated range" in w and says in w for w in outside.warnings)
    assert not any("outside the calibrated range" in w for w in inside.warnings)
    a, b = (p.main.scalars["throughput_kg_s"] for p in (inside, outside))
    if change == "stator.kind=smooth":  # it hardly grinds, and such a mill has no band
        assert outside.status == "hardly grinds" and b.value == 0.0 and np.isnan([b.low, b.high]).all()
        return
    if change == NEAR:
        assert 0.8 < calibrated.apply(demo(*sets, f"calibration.card={card}")).weight < 1.0
        return
    assert np.log(b.high / b.low) > 1.1 * np.log(a.high / a.low)


def test_a_hotter_mill_lowers_the_weight(card):
    config = demo(f"calibration.card={card}")
    seen = config.calibration.conditions.outlet_temperature_K[1]
    assert calibrated.apply(config, seen + 5.0).weight == 1.0
    assert calibrated.apply(config, seen + 40.0).weight == pytest.approx(np.exp(-0.2))


def test_a_card_that_counts_less_in_a_hotter_mill_has_not_changed(card, tmp_path, monkeypatch):
    for file in (DEMO, DEMO.with_name("offcuts_sieve.csv"), card):
        (tmp_path / file.name).write_bytes(file.read_bytes())
    monkeypatch.chdir(tmp_path)
    settings = [f"calibration.card={card.name}"]
    config = load_config("demo.toml", settings)
    hotter = config.calibration.conditions.outlet_temperature_K[1] + 40.0
    p = fake_prediction(
        config_text=config.text, config_sha256=config.sha256, parameters=build(config, outlet_K=hotter).parameters,
        model_version=MODEL_VERSION, origin=kept(Path("demo.toml"), settings),
    )  # fmt: skip
    assert p.parameters != build(config).parameters
    assert (found := since(p, Path("p.h5"))).state == UNCHANGED, found.changes


def test_weight_none_is_the_prior_and_weight_one_the_draws(card):
    """z -> w z + sqrt(1 - w^2) e leaves a standard normal as it is, and forgets the draws at w = 0."""
    fitted = load_calibrated(card).parameters["xw_min_warm"]
    normal = np.random.default_rng(0).standard_normal(5000)
    config = demo(f"calibration.card={card}")
    applied = calibrated.apply(config)
    own = at_score(fitted.prior, np.array(fitted.draws[:64]))
    assert applied.values("xw_min_warm", normal[:64]) == pytest.approx(own)
    forgot = replace(applied, material_weight=0.0)
    assert forgot.values("xw_min_warm", normal) == pytest.approx(at_score(fitted.prior, normal))
    half = replace(applied, card=replace(applied.card, parameters={
        "xw_min_warm": replace(fitted, draws=tuple(np.random.default_rng(1).standard_normal(5000)))
    }), material_weight=0.5)  # fmt: skip
    got = np.log(half.values("xw_min_warm", normal))
    assert got.std() == pytest.approx(np.log(at_score(fitted.prior, normal)).std(), rel=0.05)


def test_a_sweep_uses_the_card_as_predict_does(card, tmp_path):
    text = f"""[sweep]\nconfig = "{DEMO}"\ndraws = 2\nclass_ratio = 1.5\n[set]\n"calibration.card" = "{card}"
[[axis]]\nkey = "stator.gap"\nvalues = ["2 mm", "3 mm"]\n"""
    (tmp_path / "s.toml").write_text(text, encoding="utf-8")
    plain = text.replace(f'[set]\n"calibration.card" = "{card}"\n', "")
    (tmp_path / "plain.toml").write_text(plain, encoding="utf-8")
    p, without = read_plan(tmp_path / "s.toml"), read_plan(tmp_path / "plain.toml")
    assert not np.any(identity.identities(p) == identity.identities(without))
    with open_journal(tmp_path / "s.points") as journal:
        runner.run(p, journal, workers=1)
        swept = gather.collect(p, journal)
    config = demo(f"calibration.card={card}", "run.band_samples=0", "run.trace=false")
    predicted = predict(config, engine="balance")
    for name in ("x50_m", "throughput_kg_s", "gross_J_kg"):
        assert swept.points.values[name][1] == predicted.main.scalars[name].value  # 3 mm is the demo's gap
        assert swept.as_built.values[name][0] == predicted.main.scalars[name].value
    assert swept.tornado.how == "tied"
    said = " ".join(sweep.text(swept).split())
    assert "Calibrated on " in said and "the calibration counts less, and the bands are wider" in said
    bases = {q.basis for q in swept.tornado.parameters}
    assert "calibrated" in bases
    wide = np.abs(np.log(swept.tornado.high["x50_m"] / swept.tornado.low["x50_m"]))
    assert np.nanmax(wide) < 1.0  # the run has narrowed x50 to less than the prior's factor of about three


def test_a_sweep_leads_the_card_back_away_from_its_runs_as_predict_does(card, tmp_path):
    # A hot room and a higher limit: far warmer than the run, so the card counts less, by the outlet temperature found.
    sets = {"calibration.card": str(card), "air.room": "50 °C", "feed.temperature": "50 °C"}
    head = "".join(f'"{k}" = "{v}"\n' for k, v in sets.items())
    axis = '[[axis]]\nkey = "stator.gap"\nvalues = ["3 mm"]\n'
    text = f'[sweep]\nconfig = "{DEMO}"\nclass_ratio = 1.5\n[set]\n{head}{axis}'
    (tmp_path / "hot.toml").write_text(text, encoding="utf-8")
    p = read_plan(tmp_path / "hot.toml")
    with open_journal(tmp_path / "hot.points") as journal:
        runner.run(p, journal, workers=1)
        swept = gather.collect(p, journal)
    config = demo(*(f"{k}={v}" for k, v in sets.items()), *SLIM, "run.band_samples=0")
    problem = build(config)
    o = solve(problem, None)
    as_if_near = float(o.state["F"])
    predicted = predict(config, engine="balance").main.scalars["throughput_kg_s"].value
    assert swept.points.values["throughput_kg_s"][0] == predicted
    assert abs(predicted / as_if_near - 1.0) > 1e-3  # it does count less


def test_another_card_makes_other_points(card, tmp_path):
    other = tmp_path / "other.toml"
    text = Path(card).read_text(encoding="utf-8")
    start = text.index("draws = [")
    number = re.search(r"-?\d+\.\d+", text[start:]).group(0)
    other.write_text(text[:start] + text[start:].replace(number, str(float(number) + 0.25), 1), encoding="utf-8")
    ids = []
    for path in (card, other):
        made = f'[sweep]\nconfig = "{DEMO}"\n[set]\n"calibration.card" = "{path}"\n'
        (tmp_path / "s.toml").write_text(made + '[[axis]]\nkey = "stator.gap"\nvalues = ["3 mm"]\n', encoding="utf-8")
        ids.append(identity.identities(read_plan(tmp_path / "s.toml")))
    assert not np.any(np.all(ids[0] == ids[1], axis=1))


def test_draws_of_the_band_are_the_draws_of_the_card(card):
    problem = build(demo(f"calibration.card={card}"))
    mills = draws(problem, 64, 1)
    fitted = problem.calibration.card.parameters
    for name in ("f_mat_warm", "sieve_factor", "windage_factor"):
        expected = at_score(fitted[name].prior, np.array(fitted[name].draws[:64]))
        assert mills[name] == pytest.approx(expected)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("runs = [", "ruins = [", "runs"),
        ('scale = "log"', 'scale = "lag"', "scale"),
        ("[conditions]", "[conditiones]", "conditions"),
        ("[parameters.density]", "[parameters.densty]", "density"),
        ("score = ", "score = nan #", "score"),
    ],
)
def test_a_spoilt_card_is_told_by_key(card, tmp_path, old, new, says):
    text = card.read_text(encoding="utf-8")
    assert old in text
    spoilt = tmp_path / "spoilt.toml"
    spoilt.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InputError, match=says):
        demo(f"calibration.card={spoilt}")


def test_another_file_is_no_card():
    with pytest.raises(InputError, match="no calibrated card"):
        demo(f"calibration.card={CONFIGS / 'pla.toml'}")


# --- runs that do not fit together ----------------------------------------------------------------------


def test_runs_of_two_materials_are_refused(run):
    other = replace(run, config=demo("feed.material=ps"))
    with pytest.raises(InputError, match="calibrate each material apart"):
        fit.calibrate([run, other], 1)


def test_a_run_without_a_sieving_is_refused(run):
    with pytest.raises(InputError, match="sieve a sample of the product"):
        fit.calibrate([replace(run, product_sheets=())], 1)


# --- what to measure next --------------------------------------------------------------------------------


def test_expected_narrowing_against_the_closed_form():
    """t ~ N(0, 1), h = t + e with var(e) = s^2 + r^2: sd left is sqrt(1 - 1 / (1 + s^2 + r^2)).

    With an error of the model of variance m in both, and the day's d in the answer, all normal: what is left of
    1 + m + d is that less (1 + m)^2 / (1 + m + s^2 + r^2).
    """
    rng = np.random.default_rng(0)
    t = rng.standard_normal(20_000)
    h = t + 0.5 * rng.standard_normal(t.size)
    c = nextstep.Candidate("h", "", 1.0, h[:, None], np.array([[0.75]]), np.zeros(1), 0.0)
    ranked = nextstep._judge(c, t, False, 0.0)
    assert ranked.left == pytest.approx((1.0 - 1.0 / 2.0) ** 0.5, abs=0.01)
    assert ranked.then[1] - ranked.then[0] == pytest.approx(ranked.left * (ranked.now[1] - ranked.now[0]))
    m, d = 0.4, 0.2
    c = nextstep.Candidate("h", "", 1.0, h[:, None], np.array([[0.75 + m]]), np.array([m]), m)
    wider = nextstep._judge(c, t, False, d)
    whole = 1.0 + m + d
    assert wider.now[1] - wider.now[0] == pytest.approx(whole**0.5 * (ranked.now[1] - ranked.now[0]), rel=0.01)
    assert wider.left == pytest.approx(((whole - (1.0 + m) ** 2 / (2.0 + m)) / whole) ** 0.5, abs=0.01)


def test_the_ranking_is_right_about_what_watts_would_do():
    """Expected narrowing of the energy by reading the watt meter, against what a calibration with it leaves."""
    config = demo("feed.rate=1 kg/h")
    planned = nextstep.plan(config, 1, 128)
    ranked = {r.name: r for r in planned.rank("energy")}
    assert ranked["loaded power"].left < 0.35
    assert next(iter(ranked)) == "loaded power"
    assert [r.per_minute for r in ranked.values()] == sorted((r.per_minute for r in ranked.values()), reverse=True)
    assert ranked["loaded power"].left < ranked["air temperature"].left < 1.0
    assert "idle power" not in {r.name for r in planned.rank("energy", ("idle power",))}
    sieve = next(r for r in planned.rank("sieve_factor"))
    assert sieve.left < 1.0


def test_another_seed_names_the_same_first():
    """A third of the draws of the demo run: too few of them would rank by chance."""
    config = load_config(CONFIGS / "demo.toml", ["run.class_ratio=1.5"])
    plans = [nextstep.plan(config, seed) for seed in (1, 2)]
    assert {p.rank("x50")[0].name for p in plans} == {"product size"}
    assert all(p.mills.size >= nextstep.ENOUGH_DRAWS for p in plans)


def test_the_one_that_is_advised_is_the_first_of_all_draws():
    """`predict` names what `next` does, over fewer draws where the lead is clear: not where it is none."""
    config = load_config(CONFIGS / "rotor_close.toml", ["run.class_ratio=1.5"])
    every = nextstep.plan(config)
    few = nextstep.plan(config, enough=firststep.leads)
    assert few.drawn <= every.drawn // 2 and few.mills.tobytes() == every.mills[: few.mills.size].tobytes()
    assert few.rank("x50")[0].name == every.rank("x50")[0].name


@pytest.mark.parametrize(("scatter", "clear"), [(0.1, True), (1.0, False)])
def test_a_lead_is_clear_where_no_group_of_draws_decides_it(scatter, clear):
    """Left out one by one, groups that say as much as they differ leave an error of sqrt(7/8 sum of squares)."""
    gained = np.array([[2.0, 1.0], *([2.0 + scatter * (-1) ** i, 1.0] for i in range(firststep.GROUPS))])
    plan = SimpleNamespace(mills=np.zeros(64), per_minute=lambda question, over: gained)
    assert firststep.leads(plan) == clear
    assert clear == (1.0 > firststep.CLEAR * (7.0 / 8.0 * 8.0) ** 0.5 * scatter)


def test_more_draws_are_tried_where_few_run(monkeypatch):
    """Of a mill that runs in a part of the draws only, as many as are needed; of one that never does, it is said."""
    config = load_config(CONFIGS / "demo.toml", ["feed.rate=1 kg/h", "run.class_ratio=1.5"])
    asked = []
    real = nextstep._told

    def one_in_six(model, mills, progress):
        asked.append(mills.size)
        return [told if i % 6 == 0 else None for i, told in enumerate(real(model, mills, progress))]

    monkeypatch.setattr(nextstep, "_told", one_in_six)
    planned = nextstep.plan(config)
    assert asked == [256, 256] and nextstep.LEAST_DRAWS <= planned.mills.size <= 86
    monkeypatch.setattr(nextstep, "_told", lambda model, mills, progress: [None] * mills.size)
    with pytest.raises(MillsimError, match="only 0 of 512 draws"):
        nextstep.plan(config)


def test_a_calibrated_mill_has_less_to_gain(card):
    config = demo("feed.rate=1 kg/h")
    known = demo("feed.rate=1 kg/h", f"calibration.card={card}")
    a, b = (nextstep.plan(c, 1, 96).rank("rate")[0].now for c in (config, known))
    assert np.log(b[1] / b[0]) < 0.75 * np.log(a[1] / a[0])  # it counts less, this mill being hotter than the run


def test_samples_with_a_card_do_not_depend_on_threads(card, monkeypatch):
    problem = build(demo(f"calibration.card={card}"))
    mills = draws(problem, 8, 1)
    two = run_samples(problem, mills, 0.001)
    monkeypatch.setattr("os.cpu_count", lambda: 1)
    assert np.array_equal(run_samples(problem, mills, 0.001).q3, two.q3)
