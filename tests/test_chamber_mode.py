"""The chamber with discrete pieces: fragments, motor, stalls, and the interval put on them."""

import math
from dataclasses import replace
from types import SimpleNamespace

import mills
import numba
import numpy as np
import pytest
from lazily import later

from millsim.base.numerics.rng import start, uniform
from millsim.engines.pieces import ARRIVED, CALM, END, FRAGMENT_BINS, NIPPED, fragments, motor_power, motor_response
from millsim.engines.records import Charge
from millsim.forecast import stalls
from millsim.laws import breakage
from millsim.mill.chamber import feedback_speed
from millsim.record.prediction import STEADY, ChamberTrace, Running
from millsim.show.words.stalls import no_hours, stall_chances

stats = later("scipy.stats")

# --- fragments -------------------------------------------------------------------------------------------


@numba.njit
def _many_fragments(m, x, shattered, x_least, repeats, shares, total):
    """Mass shares by size bin (repeats, FRAGMENT_BINS) and in all (repeats,) of drawn fragments."""
    out = np.empty(256)
    bins = shares.shape[1]
    for r in range(repeats):
        count = fragments(m, x, shattered, x_least, uniform(start(5, r, 0), 0), out)
        for i in range(count):
            b = int(math.log(out[i] / x_least) / math.log(x / x_least) * bins)
            shares[r, min(b, bins - 1)] += (out[i] / x) ** 3
            total[r] += (out[i] / x) ** 3


@pytest.fixture(scope="module", params=[0.0, 0.6, NIPPED], ids=["split", "shattered", "shear"])
def broken(request):
    """(shares by bin, total share, expected shares by bin) of 20000 broken 4 mm pieces."""
    m, x, x_least = mills.problem("demo").mill[0], 4e-3, 1.6e-3
    shares, total = np.zeros((20_000, FRAGMENT_BINS)), np.zeros(20_000)
    _many_fragments(m, x, request.param, x_least, 20_000, shares, total)
    y = x_least * (x / x_least) ** (np.arange(FRAGMENT_BINS + 1) / FRAGMENT_BINS)
    q = float(m["nip_exponent" if request.param == NIPPED else "split_exponent"])
    phi, w = breakage.fines_share(x, float(m["fines_thickness"])), max(0.0, request.param)
    rest = [float(m[key]) for key in ("daughter_exponent", "fragment_floor", "fines_exponent", "fines_limit")]
    return shares, total, np.diff([breakage.finer_share(v, x, phi, w, q, *rest) for v in map(float, y)])


def test_fragments_weigh_about_their_parent_at_most(broken):
    # All bins are rounded with one draw, so a single draw may hold a little more or less than the parent; the powder
    # pool lends and takes the difference.
    _, total, expected = broken
    assert total.max() <= 1.6
    assert total.min() >= 0.0
    assert expected.sum() < 1.0


def test_fragments_have_the_mass_of_the_daughter_law(broken):
    # Mean mass in each size bin is the daughter law's within 4 standard errors: no bias.
    shares, total, expected = broken
    se = shares.std(axis=0) / math.sqrt(len(shares))
    np.testing.assert_array_less(np.abs(shares.mean(axis=0) - expected), 4 * se)
    assert total.mean() == pytest.approx(expected.sum(), rel=0.01)


# --- motor -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", mills.NAMES)
@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 1.0, 1.5])
def test_motor_power_is_the_speed_curve_read_backwards(name, share):
    m = mills.problem(name).mill[0]
    P = share * float(m["rated_power"])
    assert motor_power(m, feedback_speed(m, P)) == pytest.approx(P, rel=1e-9, abs=1e-6)


def test_motor_gives_no_more_than_its_overload():
    m = mills.problem("demo").mill[0]
    assert motor_power(m, 0.3 * m["omega_0"]) == m["overload"] * m["rated_power"]
    assert motor_power(m, 1.01 * m["omega_0"]) == 0.0


# --- stalls ----------------------------------------------------------------------------------------------


def follow(name, rate, *overrides, runs=8, running=0, seconds=2.0, seed=1):
    p = mills.problem(name, f"feed.rate={rate}", *overrides)
    o = mills.outcome(name, f"feed.rate={rate}", *overrides)
    return stalls.follow(p, o, o, p.config.feed.rate_kg_s, seed, stalls.Plan(runs, running, seconds))


def test_a_trickle_never_stalls():
    trace = follow("tight_jam", "20 g/h", seconds=4.0)
    assert trace.stalls == 0
    no_load = mills.problem("tight_jam").mill[0]["omega_0"]
    assert trace.speed_rad_s.min() > 0.95 * no_load
    assert trace.speed_rad_s.max() <= 1.001 * no_load


def test_a_tiny_motor_always_stalls():
    trace = follow("tight_jam", "20 kg/h", "drive.rated_power=40 W", seconds=10.0)
    assert trace.stalls == trace.runs == 8
    assert trace.speed_rad_s[-1] == 0.0


def test_shipped_jamming_mill_chokes():
    # The config that says it jams does so piece by piece too.
    from millsim.forecast.run import predict

    trace = predict(mills.config("tight_jam", "run.band_samples=0"), "balance", 1).trace
    assert trace.stalls == trace.runs
    assert trace.stall_low > 0.5


def test_more_pieces_than_can_be_followed_are_no_stall():
    # Powder of a first mill as feed: thousands of pieces in a chamber that is nowhere near full.
    from millsim.forecast.run import predict

    fine = ("feed.size.kind=single", "feed.size.size=0.5 mm", "feed.rate=3.2 kg/h", "run.band_samples=0")
    p = predict(mills.config("demo", *fine), "balance", 1)
    assert p.trace is None
    assert any("too many to follow one by one: stalls were not looked for" in w for w in p.warnings)
    few = predict(mills.config("demo", *fine[:2], "feed.rate=60 g/h", "run.band_samples=0"), "balance", 1)
    assert few.trace is not None and few.trace.stalls == 0
    assert not any("one by one" in w for w in few.warnings)


def test_slow_feed_of_the_same_mill_does_not():
    trace = follow("tight_jam", "60 g/h", runs=12, seconds=4.0)
    assert trace.stalls == 0
    assert trace.stall_high < 0.3


def test_more_feed_draws_more_torque_and_slows_the_rotor():
    low, high = (follow("demo", rate, seconds=3.0) for rate in ("1 kg/h", "5 kg/h"))
    late = low.time_s > 1.0
    assert high.torque_Nm[late].mean() > 1.5 * low.torque_Nm[late].mean()
    assert high.speed_rad_s[late].mean() < low.speed_rad_s[late].mean()
    assert np.all(low.peak_torque_Nm >= low.torque_Nm - 1e-12)


@pytest.mark.parametrize(("name", "rate"), [("demo", "3 kg/h"), ("pla", "3 kg/h"), ("tight_jam", "1 kg/h")])
def test_mean_power_is_that_of_the_balance(name, rate):
    # The same mill, seen piece by piece: mean shaft power after the start within a quarter of the balance's.
    # (Fragments stand at bin middles and powder is pooled, so this is a check of the order, not of the digits.)
    trace = follow(name, rate, seconds=6.0, runs=4)
    o = mills.outcome(name, f"feed.rate={rate}")
    late = trace.time_s > 3.0
    power = (trace.torque_Nm * trace.speed_rad_s)[late].mean()
    assert power == pytest.approx(float(o.powers["shaft"]), rel=0.25)


def test_a_rotor_lighter_than_the_motor_holds_does_not_swing():
    """The motor brings 30 g back within a seventh of a step: never above its speed without load, and the mean power is
    that of the balance."""
    light = "rotor.mass=30 g"
    trace = follow("tight_jam", "3 kg/h", light, seconds=6.0, runs=4)
    o, m = mills.outcome("tight_jam", "feed.rate=3 kg/h", light), mills.problem("tight_jam", light).mill[0]
    assert motor_response(m) / (m["n_bars"] * m["omega_0"] / (2.0 * math.pi)) > 7.0 > CALM
    assert trace.stalls == 0 and trace.speed_rad_s.max() <= m["omega_0"]
    late = trace.time_s > 3.0
    assert trace.speed_rad_s[late].min() > 0.97 * float(o.state["omega"])
    power = (trace.torque_Nm * trace.speed_rad_s)[late].mean()
    assert power == pytest.approx(float(o.powers["shaft"]), rel=0.25)


def test_trace_is_even_in_time():
    trace = follow("pla", "3 kg/h", seconds=2.0)
    assert trace.duration_s == 2.0
    assert trace.time_s[-1] == pytest.approx(2.0, rel=1e-9)
    np.testing.assert_allclose(np.diff(trace.time_s), trace.time_s[0], rtol=1e-9)
    assert np.all(trace.pieces >= 0)


# --- pieces that come ------------------------------------------------------------------------------------

TRICKLE = ("pla", "40 g/h", "feed.size.kind=single", "feed.size.size=4 mm")
# By hand: a ball of 4 mm of 1240 kg/m3 weighs 41.55 mg, so 40 g/h are 0.2674 pieces a second.
PER_SECOND = 40e-3 / 3600.0 / (1240.0 * math.pi / 6.0 * 4e-3**3)


def test_pieces_of_a_trickle_come_as_a_poisson_process():
    """1.604 pieces in 6 s, none of them in e^-1.604 = 20.1 % of starts; 4 sigma of 200 starts."""
    mean = 6.0 * PER_SECOND
    assert mean == pytest.approx(1.604, abs=0.001)
    p, o = (f(TRICKLE[0], f"feed.rate={TRICKLE[1]}", *TRICKLE[2:]) for f in (mills.problem, mills.outcome))
    scene = stalls.scene_of(p, o, p.config.feed.rate_kg_s)
    empty = scene._replace(charge=Charge(np.zeros(p.x.size), 0.0, scene.charge.omega))
    came = stalls.histories(p, empty, 200, stalls.Plan(200, 0, 6.0), 1, 0)[1][:, ARRIVED]
    assert came.mean() == pytest.approx(mean, abs=4.0 * math.sqrt(mean / 200))
    none = math.exp(-mean)
    assert np.mean(came == 0) == pytest.approx(none, abs=4.0 * math.sqrt(none * (1.0 - none) / 200))
    assert came.var() == pytest.approx(mean, rel=0.45)


def test_too_few_pieces_to_tell_are_no_answer():
    trace = follow(*TRICKLE, runs=8, running=8, seconds=6.0)
    assert trace.pieces_1_s == pytest.approx(PER_SECOND, rel=1e-9) and trace.too_few
    came = f"{trace.arrived} came in 8 cold starts from empty of 6 s, {trace.running.arrived} in 48 s of running at"
    assert stall_chances(trace) == ["too few pieces to tell how often it stalls", f"{came} {STEADY}"]
    assert 0 < trace.arrived + trace.running.arrived < 16 * 4


def test_histories_last_until_enough_pieces_have_come():
    """Ten pieces take 37.4 s; beyond a minute it stays too few. Many pieces take processor time: fewer, shorter."""
    p, o = (f(TRICKLE[0], f"feed.rate={TRICKLE[1]}", *TRICKLE[2:]) for f in (mills.problem, mills.outcome))
    plan = stalls.plan_of(p, o, 40e-3 / 3600.0, False)
    assert plan.seconds == 38 and plan.starts == plan.running >= stalls.LEAST
    assert stalls.plan_of(p, o, 2e-3 / 3600.0, False).seconds == stalls.LONGEST
    p, o = (f("tight_jam", "feed.rate=10 kg/h") for f in (mills.problem, mills.outcome))
    many = stalls.plan_of(p, o, 10.0 / 3600.0, False)
    assert many.seconds < stalls.SECONDS and many.starts == many.running == stalls.LEAST
    assert stalls.plan_of(p, o, 72.0 / 3600.0, True).running == 0


@pytest.mark.parametrize(("name", "rate"), [("tight_jam", "3 kg/h"), ("pla", "9 kg/h")])
def test_running_begins_at_the_steady_charge(name, rate):
    """Pieces and powder weigh what the balance holds, within 3 %, at its speed; and they stay near it."""
    p, o = (f(name, f"feed.rate={rate}") for f in (mills.problem, mills.outcome))
    scene = stalls.scene_of(p, o, p.config.feed.rate_kg_s)
    traces, ends = stalls.histories(p, scene, 8, stalls.Plan(0, 8, 1.5), 1, 0)
    charge, speed = traces[:, :, 5].mean(axis=0), traces[:, :, 3].mean(axis=0)
    assert charge[0] == pytest.approx(o.mass.sum(), rel=0.03)
    assert speed[0] == pytest.approx(float(o.state["omega"]), rel=0.01)
    assert charge[-1] == pytest.approx(o.mass.sum(), rel=0.35)
    assert not ends[:, END].any()


def test_a_charge_is_put_in_without_bias():
    """0.3 pieces on average: three in ten histories begin with one. Exact to one piece over all draws."""
    p, o = (f("tight_jam", "feed.rate=60 g/h") for f in (mills.problem, mills.outcome))
    scene = stalls.scene_of(p, o, p.config.feed.rate_kg_s)
    few = np.where(np.arange(p.x.size) == p.x.size - 1, 0.3, 0.0)
    traces, _ = stalls.histories(
        p, scene._replace(charge=Charge(few, 0.0, scene.charge.omega)), 200, stalls.Plan(0, 200, 1e-3), 1, 0
    )
    assert np.mean(traces[:, 0, 4] > 0) == pytest.approx(0.3, abs=4.0 * math.sqrt(0.3 * 0.7 / 200))


def test_a_mill_that_runs_and_meets_a_weak_motor_stalls():
    """The steady charge of 20 kg/h stops a light rotor of 10 W; the time watched ends there, and that one is shown."""
    weak = mills.problem("tight_jam", "feed.rate=20 kg/h", "drive.rated_power=10 W", "rotor.mass=0.02 kg")
    o = mills.outcome("tight_jam", "feed.rate=20 kg/h")
    trace = stalls.follow(weak, o, o, 0.1 / 3600.0, 1, stalls.Plan(2, 4, 3.0))
    r = trace.running
    assert trace.stalls == 0 and r.stalls == r.runs == 4 and trace.shown_from == STEADY
    assert 0.0 < r.watched_s < 4 * 3.0 and trace.speed_rad_s[-1] == 0.0
    assert r.low_1_s < 4 / r.watched_s < r.high_1_s
    assert not trace.too_few  # a stall that was seen tells, however few pieces came
    assert f"4 stalls in {r.watched_s:.2g} s of running at the steady charge" in stall_chances(trace)[1]
    assert trace.overload_torque_Nm == pytest.approx(2.0 * 10.0 / (2980.0 * math.pi / 30.0))


# --- interval --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("k", "n"), [(0, 48), (1, 48), (24, 48), (48, 48), (3, 16), (999, 1000)])
def test_stall_interval_against_scipy(k, n):
    low, high = stalls.binomial_interval(k, n)
    exact = stats.binomtest(k, n).proportion_ci(0.95, method="exact")
    assert low == pytest.approx(exact.low, abs=1e-9)
    assert high == pytest.approx(exact.high, abs=1e-9)


@pytest.mark.parametrize(("k", "hours"), [(0, 0.04), (1, 0.04), (7, 3.0), (100, 10.0)])
def test_stalls_per_hour_against_scipy(k, hours):
    """Garwood's interval by its other form: half of chi2 with 2 k and 2 k + 2 degrees of freedom."""
    low, high = stalls.poisson_interval(k, hours)
    assert low == (0.0 if k == 0 else pytest.approx(stats.chi2.ppf(0.025, 2 * k) / 2 / hours, rel=1e-9))
    assert high == pytest.approx(stats.chi2.ppf(0.975, 2 * k + 2) / 2 / hours, rel=1e-9)
    if k == 0:  # by hand: e^-mean = 2.5 % at a mean of 3.689
        assert high == pytest.approx(-math.log(0.025) / hours)


def test_why_no_chance_per_hour_is_told():
    """Fed more than it takes a mill has no steady charge; of another one the charge holds too many pieces to follow."""
    nothing = np.empty(0)
    old = ChamberTrace(nothing, nothing, nothing, nothing, nothing, 8, 0, 0.0, 0.37, 12.0)
    trace = replace(old, charge_kg=np.ones(1))
    overfed, full = (SimpleNamespace(status=status) for status in ("over capacity", "ok"))
    assert no_hours(overfed, trace).startswith("fed more than it takes it has no steady charge")
    assert no_hours(full, trace) == "its steady charge holds more pieces than can be followed"
    running = Running(24, 0, 144.0, 900, 0.0, 0.1)
    assert no_hours(overfed, replace(trace, running=running)) == ""
    assert no_hours(full, old) == ""  # a file of before that knows nothing of running


def test_none_that_stalled_is_no_clearance():
    """None of 48 starts, and none in 144 s: by hand 1 - 0.025^(1/48) = 7.4 % and 3.689 / 0.04 h = 92 an hour."""
    low, high = stalls.binomial_interval(0, 48)
    running = Running(24, 0, 144.0, 900, *stalls.poisson_interval(0, 144.0))
    nothing = np.empty(0)
    trace = ChamberTrace(nothing, nothing, nothing, nothing, nothing, 48, 0, low, high, 6.0, running=running)
    assert stall_chances(trace) == [
        "none of 48 cold starts from empty of 6 s stalled: up to 7.4 % of starts may",
        "no stall in 2.4 min of running at the steady charge: up to 92 an hour may come (95 % intervals)",
    ]
