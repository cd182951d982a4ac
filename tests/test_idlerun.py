"""Idle runs: the split into bearings and windage against scipy and statsmodels, and the way back into the model."""

import math
import re
import tomllib
from pathlib import Path

import numpy as np
import pytest
from lazily import later
from scipy.optimize import nnls

from millsim.errors import InputError
from millsim.laws.drive import motor_input
from millsim.learn.measured.idlemodel import compare, windage
from millsim.learn.measured.idlerun import TELL_APART, fit_idle, read_idle
from millsim.mill.chamber import idle_power
from millsim.mill.config.mill import load_config
from millsim.mill.problem import build
from millsim.show.words import idle

sm = later("statsmodels.api")

CONFIGS = Path(__file__).resolve().parent.parent / "configs"
RPM = math.pi / 30
SPEEDS = np.array([2400.0, 4800.0, 7200.0, 9550.0]) * RPM


def watts(torque=0.02, cubic=1.5e-7, loss=0.0, omega=SPEEDS):
    return torque * omega + cubic * omega**3 + loss


def noisy(seed, share=0.03, **terms):
    """Readings with a meter's error drawn from its rectangle."""
    rng = np.random.default_rng(seed)
    return watts(**terms) * (1 + share * rng.uniform(-1, 1, SPEEDS.size))


def test_exact_readings_give_back_the_terms():
    fit = fit_idle(SPEEDS, watts())
    assert fit.terms == pytest.approx((0.02, 1.5e-7, 0.0), rel=1e-9)
    assert fit.chi2 == pytest.approx(0.0, abs=1e-15)
    assert fit.told_apart
    assert not fit.has_loss
    assert fit.parts(SPEEDS[-1])["bearings"] == pytest.approx(0.02 * SPEEDS[-1])


@pytest.mark.parametrize("seed", range(12))
def test_terms_not_below_zero_against_scipy(seed):
    # Readings that want a negative term in half of the cases.
    rng = np.random.default_rng(seed)
    power = np.sort(rng.uniform(10, 300, 3))
    fit = fit_idle(SPEEDS[1:], power, at="shaft")
    scale = np.array([SPEEDS[-1], SPEEDS[-1] ** 3])
    a = np.stack([SPEEDS[1:], SPEEDS[1:] ** 3], axis=1) / scale / power[:, None]
    best, norm = nnls(a, np.ones(3))
    assert fit.terms[:2] == pytest.approx(best / scale, rel=1e-7, abs=1e-12)
    assert fit.chi2 == pytest.approx((norm * math.sqrt(3) / 0.03) ** 2, rel=1e-7)


def test_standard_errors_against_statsmodels():
    power = noisy(1)
    fit = fit_idle(SPEEDS, power, at="shaft")
    design = np.stack([SPEEDS, SPEEDS**3], axis=1) / (SPEEDS[-1] ** np.array([1.0, 3.0]))
    wls = sm.WLS(power, design, weights=3 / (0.03 * power) ** 2).fit(cov_type="fixed scale")
    inflate = max(1.0, fit.chi2 / fit.dof)
    values = wls.params
    expected = np.sqrt(wls.bse**2 * inflate + (values * 0.03 / math.sqrt(3)) ** 2)  # and a meter that is off throughout
    assert fit.terms[:2] == pytest.approx(values / SPEEDS[-1] ** np.array([1.0, 3.0]), rel=1e-7)
    assert np.array(fit.se[:2]) * SPEEDS[-1] ** np.array([1.0, 3.0]) == pytest.approx(expected, rel=1e-7)


def test_errors_are_as_large_as_said():
    # 300 runs with the errors of a 3 % meter: the true torque lies within two standard errors in 95 %, or more.
    held = [abs(f.terms[0] - 0.02) <= 2 * f.se[0] for f in (fit_idle(SPEEDS, noisy(s), at="shaft") for s in range(300))]
    assert 0.93 <= np.mean(held) <= 1.0


def test_a_fixed_loss_of_the_motor_is_found_from_four_speeds_on():
    fit = fit_idle(SPEEDS, watts(loss=40.0))
    assert fit.has_loss
    assert fit.terms == pytest.approx((0.02, 1.5e-7, 40.0), rel=1e-6)
    assert not fit_idle(SPEEDS[1:], watts(loss=40.0)[1:]).has_loss
    assert not fit_idle(SPEEDS, watts(loss=40.0), at="shaft").has_loss
    none = fit_idle(SPEEDS, noisy(3))
    assert not none.has_loss
    assert 0 < none.loss_most_W < 20
    assert "does not show; it may be up to" in idle.idle_text(none, None)


def test_one_speed_gives_only_the_sum():
    fit = fit_idle(np.array([1000.0, 1005.0]), np.array([200.0, 202.0]))
    assert fit.distinct == 1
    assert all(map(math.isnan, fit.terms))
    words = " ".join(idle.idle_text(fit, None).split())
    assert "201 W at the mains" in words
    assert "One speed gives only the sum of bearings and windage (stirring the air); measure at half" in words


def test_speeds_too_close_do_not_tell_the_terms_apart():
    close, wide = (fit_idle(w, watts(omega=w)) for w in (np.array([950.0, 1000.0]), np.array([500.0, 1000.0])))
    assert not close.told_apart
    assert wide.told_apart
    assert close.se[0] * 1000.0 > TELL_APART * close.power_W[-1]
    words = " ".join(idle.idle_text(close, None).split())
    assert "The speeds do not tell the terms apart" in words
    assert "They span a factor 1.1" in words


def test_more_than_cubic_is_noticed():
    power = 1e-13 * SPEEDS**5
    fit = fit_idle(SPEEDS, power, at="shaft")
    assert fit.terms[0] == 0.0
    assert fit.below_zero() == "bearings"
    assert "would come out below zero" in idle.idle_text(fit, None)
    assert fit_idle(SPEEDS, watts(), at="shaft").below_zero() == ""


# --- the model -------------------------------------------------------------------------------------------


def demo(*settings):
    return load_config(CONFIGS / "demo.toml", list(settings))


@pytest.mark.parametrize("at", ["mains", "shaft"])
def test_the_lines_to_paste_make_the_model_reproduce_the_measurement(at):
    config = demo()
    eta = config.drive.efficiency if at == "mains" else 1.0
    real = build(demo("model.windage_factor=1.4", 'model.bearing_torque="0.03 N m"')).mill[0]
    fit = fit_idle(SPEEDS, np.array([sum(idle_power(real, w, config.air.room_K)) / eta for w in SPEEDS]), at=at)
    m = compare(fit, config)
    assert (m.windage_factor, m.bearing_torque_Nm) == pytest.approx((1.4, 0.03), rel=1e-6)
    pasted = demo(f"model.windage_factor={m.windage_factor}", f'model.bearing_torque="{m.bearing_torque_Nm} N m"')
    mill = build(pasted).mill[0]
    model = [sum(idle_power(mill, w, config.air.room_K)) / eta for w in SPEEDS]
    assert model == pytest.approx(fit.power_W, rel=1e-5)


def test_the_lines_are_in_the_report_and_can_be_read():
    m = compare(fit_idle(SPEEDS, watts()), demo())
    report = idle.idle_text(fit_idle(SPEEDS, watts()), m)
    lines = report[report.index("  [model]") :].splitlines()[1:3]
    values = [line.split(" = ") for line in lines]
    loaded = demo(*(f"model.{k.strip()}={v}" for k, v in values))
    assert loaded.model.value("windage_factor") == pytest.approx(m.windage_factor, rel=1e-3)
    assert loaded.model.value("bearing_torque") == pytest.approx(m.bearing_torque_Nm, rel=1e-3)


def test_watts_of_the_model_are_those_of_the_mill():
    config = demo()
    m = compare(fit_idle(SPEEDS, watts()), config)
    mill = build(config).mill[0]
    shaft = [sum(idle_power(mill, w, config.air.room_K)) for w in SPEEDS]
    low, now, high = m.watts(SPEEDS)
    assert now == pytest.approx(np.array(shaft) / config.drive.efficiency)
    assert np.all((low < now) & (now < high))
    assert m.tip_speed_m_s[-1] == pytest.approx(0.060 * SPEEDS[-1])


def test_a_blower_brakes_the_swirl_at_a_low_speed():
    # Air that does not grow with the speed: the windage falls less than its cube. A fan's air alone grows with it.
    mill = build(demo()).mill
    still = build(demo("air.blower_pressure=0 Pa", "air.fan=false")).mill
    low, high = windage(mill, SPEEDS[[0, -1]], 293.15) / SPEEDS[[0, -1]] ** 3
    assert low > 1.05 * high
    low, high = windage(still, SPEEDS[[0, -1]], 293.15) / SPEEDS[[0, -1]] ** 3
    assert low == pytest.approx(high, rel=1e-9)
    assert windage(mill, np.zeros(1), 293.15) == pytest.approx(0.0, abs=1e-6)


def test_warmer_air_is_thinner_so_the_factor_is_larger():
    fit = fit_idle(SPEEDS, watts())
    cool, warm = compare(fit, demo(), T_K=293.15), compare(fit, demo(), T_K=323.15)  # the same volume of it brakes less
    assert warm.windage_factor / cool.windage_factor == pytest.approx(323.15 / 293.15, rel=0.02)


@pytest.mark.parametrize(
    ("terms", "verdict", "hint"),
    [
        ((0.02, 1.5e-7), "within", "is within what the model allows"),
        ((0.6, 1.5e-7), "high", "bearings, seals or a rub"),
        ((0.02, 2e-6), "high", "more air is moved than thought, or the speed was higher"),
        ((0.001, 1e-8), "low", "was the speed lower than thought"),
    ],
)
def test_verdict_and_hint(terms, verdict, hint):
    fit = fit_idle(SPEEDS, watts(*terms))
    m = compare(fit, demo())
    assert m.verdict == verdict
    assert hint in " ".join(idle.idle_text(fit, m).split())


def test_one_speed_with_a_mill_keeps_its_bearings():
    fit = fit_idle(np.array([1000.0]), np.array([200.0]))
    m = compare(fit, demo())
    assert m.split_assumed
    assert m.bearing_torque_Nm == demo().model.value("bearing_torque")
    assert "the bearing torque is the config's" in " ".join(idle.idle_text(fit, m).split())
    mill = build(demo(f"model.windage_factor={m.windage_factor}")).mill[0]
    assert sum(idle_power(mill, 1000.0, 293.15)) / 0.78 == pytest.approx(200.0, rel=1e-6)


def test_no_lines_where_the_terms_are_not_told_apart():
    omega = np.array([9000.0, 9200.0, 9500.0]) * RPM
    fit = fit_idle(omega, np.array([310.0, 309.0, 309.0]))
    report = " ".join(idle.idle_text(fit, compare(fit, demo())).split())
    assert not fit.told_apart and "[model]" not in report and "windage_factor" not in report
    assert "No lines for the config: the speeds do not tell bearings and windage apart." in report


@pytest.mark.parametrize(
    ("power", "words"),
    [
        (0.1 * SPEEDS, "windage_factor would be 0, where the model's range is 0.3 to 3, and bearing"),
        (1e-4 * SPEEDS**3, r"windage_factor would be \d{3,4}, where the model's range is 0.3 to 3"),
        (
            20.0 * SPEEDS + 1e-6 * SPEEDS**3,
            r"bearing_torque would be 15\.[5-7]\d* N m, where the model's range is 0.003 to 0.03 N m",
        ),
    ],
)
def test_no_lines_that_the_config_refuses(power, words):
    fit = fit_idle(SPEEDS, power)
    m = compare(fit, demo())
    report = " ".join(idle.idle_text(fit, m).split())
    assert fit.told_apart and re.search(words, report) and "[model]" not in report
    with pytest.raises(InputError):
        demo(f"model.windage_factor={m.windage_factor}", f'model.bearing_torque="{m.bearing_torque_Nm} N m"')


def test_the_demos_agree_on_the_idle_power():
    # demo_run.toml is the same warm, empty mill on the same evening.
    run = tomllib.loads((CONFIGS / "demo_run.toml").read_text())
    fit = read_idle(CONFIGS / "demo_idle.csv")
    watts_of, rpm = (float(run[a]["idle"].split()[0]) for a in ("power", "speed"))
    assert sum(fit.parts(rpm * RPM).values()) == pytest.approx(watts_of, rel=0.02)
    assert compare(fit, demo()).verdict == "within"


# --- reading ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    ["speed_rpm,power_W\n9550,201\n4800,35.5\n", "Power [kW];rotor speed (1/min)\n0,201;9550\n0,0355;4800\n",
     "watts_W\tn_rpm\n201\t9550\n35.5\t4800\n"],
)  # fmt: skip
def test_sheets_of_many_kinds(tmp_path, text):
    path = tmp_path / "idle.csv"
    path.write_text(text)
    fit = read_idle(path)
    assert fit.omega == pytest.approx(np.array([4800, 9550]) * RPM)
    assert fit.power_W == pytest.approx([35.5, 201])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("speed,power_W\n9550,201\n", "it has no unit; allowed: rad/s, rpm"),
        ("speed_rpm\n9550\n", "there is no column power; add one named for example power_W"),
        ("speed_rpm,power_W\n9.55,201\n", "line 2: speed_rpm: 9.55 rpm is out of range"),
        ("speed_rpm,current_A\n9550,1.2\n", "there is no column power"),
        ("speed_rpm,power_W\n9550,-3\n", "-3 W is out of range"),
        ("speed_rpm,power_W\n3000,310\n6000,118\n9500,42\n", "310 W at 3000 rpm and 42 W at 9500 rpm: are the columns"),
    ],
)
def test_refusals(tmp_path, text, words):
    path = tmp_path / "idle.csv"
    path.write_text(text)
    with pytest.raises(InputError) as error:
        read_idle(path)
    assert words in str(error.value)


# --- the motor alone -------------------------------------------------------------------------------------


def with_motor(tmp_path, motor=(40.0, 55.0, 65.0), header="speed_rpm,power_W,motor_alone_W", extra=0.0):
    """A sheet at three speeds whose watts with the rotor are those of `watts` at the shaft and the motor's own."""
    omega, path = SPEEDS[1:], tmp_path / "idle.csv"
    rows = [
        f"{w / RPM:.12g},{p + m + extra:.12g},{m:g}" for w, p, m in zip(omega, watts(omega=omega), motor, strict=True)
    ]
    path.write_text("\n".join([header, *rows]))
    return path


def test_the_motors_own_loss_is_taken_off_and_is_no_windage(tmp_path):
    """Three speeds cannot show a loss by themselves, and one that grows with speed would pass for bearings."""
    fit = read_idle(with_motor(tmp_path))
    assert fit.terms[:2] == pytest.approx((0.02, 1.5e-7), rel=1e-6)
    blind = read_idle(with_motor(tmp_path, header="speed_rpm,power_W,note"))
    assert blind.terms[0] > 2.0 * fit.terms[0]  # the loss counts as bearings
    words = " ".join(idle.idle_text(fit, None).split())
    assert "at the shaft, the motor alone taken off" in words
    assert "The motor alone, without the rotor, takes 40 to 65 W: its own loss, no windage" in words
    assert "counts as bearings here; a column motor_alone_W" in " ".join(idle.idle_text(blind, None).split())


def test_watts_above_the_motor_alone_are_shaft_watts(tmp_path):
    """The config's efficiency is not laid on top, but for the loss that the load adds: the mill is found again."""
    config = demo()
    real = build(config).mill
    real["windage_factor"], real["bearing_torque"] = 0.7, 0.03
    omega = SPEEDS[1:]
    shaft = np.array([sum(idle_power(real[0], w, config.air.room_K)) for w in omega])
    drawn = np.array([motor_input(P, 1100.0, 0.78, 60.0) for P in shaft])
    m = compare(fit_idle(omega, drawn, motor=np.full(3, 60.0)), config)
    assert m.efficiency == 1.0
    assert (m.windage_factor, m.bearing_torque_Nm) == pytest.approx((0.7, 0.03), rel=1e-4)
    alone = compare(fit_idle(omega[-1:], drawn[-1:], motor=np.array([60.0])), config)
    assert alone.windage_factor == pytest.approx(
        (shaft[-1] - alone.bearing_torque_Nm * omega[-1]) / windage(real, omega, config.air.room_K)[-1], rel=1e-9
    )


def test_errors_of_both_readings_count():
    """Two readings of a 3 % meter, 310 and 250 W: their difference of 60 W is known to a limit of hypot(9.3, 7.5) W."""
    fit = fit_idle(np.array([500.0, 1000.0]), np.array([100.0, 310.0]), motor=np.array([90.0, 250.0]))
    assert fit.error_W == pytest.approx(0.03 * np.hypot([100.0, 310.0], [90.0, 250.0]))
    assert not fit.told_apart  # of 60 W


@pytest.mark.parametrize(
    ("content", "at", "words"),
    [
        ("speed_rpm,motor_alone_W\n9550,60\n", "mains", "tells its own loss, and nothing of windage"),
        (
            "speed_rpm,power_W,motor_alone_W\n9550,60,120\n",
            "mains",
            "takes 120 W, not less than the 60 W with the rotor",
        ),
        ("speed_rpm,power_W,motor_alone_W\n9550,160,60\n4000,80,\n", "mains", "no power of the motor alone, though"),
        ("speed_rpm,power_W,motor_alone_W\n9550,160,60\n", "shaft", "cannot be measured there"),
    ],
)
def test_a_motor_alone_that_cannot_be(tmp_path, content, at, words):
    path = tmp_path / "idle.csv"
    path.write_text(content)
    with pytest.raises(InputError) as error:
        read_idle(path, at)
    assert words in str(error.value)
