"""Routers and angle grinders: the motor's own loss, a speed under load that is only bounded, a dial, watts as a target.

Hand values of a router: 1500 W from the socket at its rated power, efficiency 0.6, so 900 W at the shaft and 600 W of
loss; of that 90 W are there with nothing on the collet, 510 W come with the load.
"""

import re
from dataclasses import replace

import mills
import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from runsheets import run_of
from sweeps import axis, made, points

from millsim.commands.main import cli
from millsim.errors import InputError
from millsim.explore.choose import targets
from millsim.explore.choose.advise import choose
from millsim.explore.choose.judge import judge
from millsim.forecast import band
from millsim.forecast.run import predict
from millsim.laws import drive
from millsim.learn.calibration import fit
from millsim.learn.calibration.observations import blocks_of
from millsim.learn.calibration.runmodel import model_of
from millsim.learn.calibration.unknowns import unknowns_of
from millsim.learn.measured import idlemodel
from millsim.learn.measured.idlerun import fit_idle, read_idle
from millsim.learn.measured.runbalance import close
from millsim.learn.measured.runsheet import read_run
from millsim.mill.chamber import feedback_speed, idle_power, idle_speed, socket_power
from millsim.mill.config.mill import parse_config
from millsim.mill.parts import own_loss, shaft_power
from millsim.mill.problem import build, set_parameters
from millsim.show.words.idle import idle_text
from millsim.show.words.run import to_text
from millsim.studies.prebuild.review import BARRING, review

RPM = np.pi / 30.0
QUICK = ("run.seed=1", "run.engine=balance", "run.trace=false", "run.class_ratio=1.6", "run.band_samples=0")
PLA = (mills.CONFIGS / "pla.toml").read_text(encoding="utf-8")
HEAD, REST = PLA[: PLA.index("[drive]")], PLA[PLA.index("[air]") :]
ROUTER = """
[drive]
kind = "router"
rated_power = "1500 W"
rated_at = "input"
efficiency = 0.6
tip_speed = "70 m/s"
no_load_power = "90 W"

"""


def router(*overrides, motor=ROUTER):
    """The PLA mill on a router of the hand values."""
    return parse_config(HEAD + motor + REST, overrides=overrides)


# --- the law ---------------------------------------------------------------------------------------------------------


def test_the_socket_by_hand():
    m = build(router()).mill[0]
    assert (m["rated_power"], m["no_load"]) == pytest.approx((900.0, 90.0))
    for shaft, socket in ((0.0, 90.0), (130.0, 230.641), (450.0, 667.5), (900.0, 1500.0)):
        assert socket_power(m, shaft) == pytest.approx(socket, abs=1e-3)
        assert shaft_power(router(), socket) == pytest.approx(shaft, abs=1e-2)
    shares = [shaft / socket_power(m, shaft) for shaft in (130.0, 450.0, 900.0)]
    assert shares == pytest.approx([0.5636, 0.6742, 0.6], abs=1e-4)  # best at part load, poor when nearly idle


def test_without_the_own_loss_it_is_the_plain_efficiency_to_the_bit():
    m = build(mills.config("demo")).mill[0]
    assert m["no_load"] == 0.0
    for shaft in (1.0, 123.4, 1100.0):
        assert socket_power(m, shaft) == shaft / 0.78


@given(
    P=st.floats(1e-6, 2.0), eta=st.floats(0.05, 1.0), own=st.floats(1e-6, 5.0), rated=st.floats(10.0, 5e4),
)  # fmt: skip
@settings(max_examples=200, deadline=None)
def test_in_and_out_are_each_others_inverse(P, eta, own, rated):
    drawn = drive.motor_input(P * rated, rated, eta, own * rated)
    assert drawn >= (P + own) * rated * (1.0 - 1e-12)  # nothing comes from nowhere
    assert drive.motor_output(drawn, rated, eta, own * rated) == pytest.approx(P * rated, rel=1e-9, abs=1e-9 * rated)
    assert drive.motor_output(0.999 * own * rated, rated, eta, own * rated) == 0.0


def test_the_own_loss_follows_the_dial_and_not_the_load():
    """90 W read at 11141 rpm (70 m/s on 60 mm); at half that speed a quarter of it."""
    config = router()
    half = router('drive.tip_speed="35 m/s"')
    assert own_loss(config) == pytest.approx(90.0)
    assert own_loss(half) == pytest.approx(22.5)
    assert own_loss(parse_config(half.text)) == pytest.approx(22.5)  # also from its own text
    again = parse_config(config.text, overrides=['drive.tip_speed="35 m/s"'])
    assert own_loss(again) == pytest.approx(22.5) and again.sha256 == half.sha256
    told = router('drive.no_load_speed="22281.69 rpm"')
    assert own_loss(told) == pytest.approx(22.5, rel=1e-5)


# --- speed under load ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("told", "loss"), [((), 0.15), (("drive.regulated=true",), 0.05), (("drive.regulated=false",), 0.33)]
)
def test_speed_under_load_by_hand(told, loss):
    """Straight to the rated power; beyond it a regulated tool gives way as one without electronics."""
    m = build(router(*told)).mill[0]
    w = m["omega_0"]
    assert feedback_speed(m, 0.0) == w
    assert feedback_speed(m, 450.0) == pytest.approx(w * (1.0 - loss / 2.0))
    assert feedback_speed(m, 900.0) == pytest.approx(w * (1.0 - loss))
    assert feedback_speed(m, 1350.0) == pytest.approx(w * (1.0 - loss - 0.33 / 2.0))


def test_the_band_holds_the_speed_under_load():
    p = build(router("drive.regulated=false"))
    speeds = np.array([feedback_speed(m, 900.0) for m in band.draws(p, 256, 1)]) / p.mill[0]["omega_0"]
    assert speeds.min() > 0.55 and speeds.max() < 0.80  # a loss of 20 to 45 %, by its card
    assert np.quantile(speeds, [0.1, 0.9]) == pytest.approx([0.59, 0.75], abs=0.015)
    assert np.median(speeds) == pytest.approx(0.67, abs=0.01)


def test_a_measured_speed_is_no_range():
    p = build(router('drive.speed_under_load="9000 rpm"'))
    assert not [q for q in p.parameters if q.name.startswith("speed_loss")]
    assert all(feedback_speed(m, 900.0) == pytest.approx(9000.0 * RPM) for m in band.draws(p, 16, 1))
    assert not [q for q in build(mills.config("demo")).parameters if q.name.startswith("speed_loss")]


@pytest.mark.parametrize("loss", [0.0, 0.1, 0.2, 0.3, 0.45, 0.6])
def test_more_loss_of_speed_makes_coarser_powder(loss):
    """Each step against the one before it: a slower rotor never makes the finer powder."""
    sizes = [
        predict(router(*QUICK, f"model.speed_loss_unknown={x}")).main.scalars["x50_m"].value
        for x in (max(0.0, loss - 0.1), loss)
    ]
    assert sizes[1] >= sizes[0] * (1.0 - 1e-9)


def test_the_ledger_closes_at_the_socket():
    """From the socket: the shaft's ledger, the own loss and the load's."""
    v = predict(router(*QUICK)).main
    shaft = sum(s.value for s in v.ledger_in_W.values())
    assert shaft == pytest.approx(v.scalars["shaft_power_W"].value)
    lost = v.scalars["electrical_power_W"].value - shaft
    assert lost == pytest.approx(90.0 + 510.0 * (shaft / 900.0) ** 2)


# --- the config ------------------------------------------------------------------------------------------------------


DIAL = 'drive.dial=["10000 rpm", "12000 rpm", "16000 rpm", "20000 rpm"]'


@pytest.mark.parametrize(("step", "rpm"), [(1, 10000), (2, 12000), (2.5, 14000), (4, 20000)])
def test_a_dial_step_is_a_speed(step, rpm):
    config = router("rotor.radius=40 mm", DIAL, f"drive.dial_step={step}")
    assert config.drive.speed_rad_s == pytest.approx(rpm * RPM)
    again = parse_config(config.text)
    assert again.sha256 == config.sha256 and again.drive.dial_rad_s == config.drive.dial_rad_s


BAD = """
[drive]
rated_power = "1500 W"
rated_at = "input"
efficiency = 0.95
kind = "rooter"
dial = ["10000 rpm", "9000 rpm"]
dial_step = 0.5
regulated = "yes"
no_load_power = "0.09 kWh"
rated_diameter = 50
rated_mass = "300"
side_load = "10 kg"
duty_share = 40
brake = "no"
rotor_on = "spindle"
"""


def test_all_bad_values_in_one_pass():
    with pytest.raises(InputError) as error:
        router(motor=BAD)
    told = "\n".join(map(str, error.value.problems))
    keys = "kind dial dial_step regulated no_load_power rated_diameter rated_mass side_load duty_share brake rotor_on"
    for key in keys.split():
        assert f"drive.{key}:" in told or f"] {key}" in told or f".{key}" in told, (key, told)
    for words in ("router", "the speeds do not ascend", "true", "collet", "50 mm"):
        assert words in told, (words, told)


@pytest.mark.parametrize(
    ("overrides", "words"),
    [
        (("drive.dial_step=2",), ("drive.dial", "is missing")),
        ((DIAL, "drive.dial_step=5", "rotor.radius=40 mm"), ("beyond the 4 steps",)),
        ((DIAL, "drive.speed=25000 rpm", "rotor.radius=40 mm"), ("25000 rpm cannot be set", "10000 rpm to 20000 rpm")),
        (("drive.no_load_power=700 W",), ("700 W with nothing on the shaft", "up to 600 W")),
        (("drive.rated_for=10 min", "drive.duty_share=0.4"), ("contradicts",)),
        (("drive.kind=motor", "drive.regulated=true"), ("drive.regulated", "of a hand tool")),
    ],
)
def test_contradictions(overrides, words):
    with pytest.raises(InputError) as error:
        router(*overrides)
    for word in words:
        assert word in str(error.value), str(error.value)


# --- idle ------------------------------------------------------------------------------------------------------------

SLOW = ("drive.tip_speed=25.133 m/s",)  # 4000 rpm on 60 mm
SPEEDS = np.array([4000.0, 6500.0, 9000.0, 11140.0]) * RPM


def idle_watts(config, speeds=SPEEDS):
    """What the empty mill of the config draws from the socket with its dial at these speeds."""
    m = build(config).mill[0]
    own = [drive.own_loss(config.drive.no_load_power_W, w, config.drive.no_load_speed_rad_s) for w in speeds]
    shaft = [sum(idle_power(m, w, config.air.room_K)) for w in speeds]
    return np.array([drive.motor_input(P, 900.0, 0.6, n) for P, n in zip(shaft, own, strict=True)])


def idle_report(path, config, power, speeds=SPEEDS):
    """(fit, model, report on one line) of an idle run of a config, as the command reads it."""
    path.write_text(
        "speed_rpm,power_W\n" + "".join(f"{w / RPM:.12g},{p:.12g}\n" for w, p in zip(speeds, power, strict=True))
    )
    fit = read_idle(path, alone=idlemodel.motor_alone(config))
    m = idlemodel.compare(fit, config)
    return fit, m, " ".join(idle_text(fit, m).split())


def test_idle_takes_the_bare_tool_as_the_motors_loss(tmp_path):
    """The model's own watts lead back to a factor of 1; the bare tool is no windage."""
    config = router()
    fit, m, report = idle_report(tmp_path / "idle.csv", config, idle_watts(config))
    assert (m.windage_factor, m.bearing_torque_Nm) == pytest.approx((1.0, 0.01), rel=0.02)
    assert m.suggested == (m.windage_factor, m.bearing_torque_Nm) and m.verdict == "within"
    assert fit.motor_W == pytest.approx(90.0 * (SPEEDS / SPEEDS[-1]) ** 2, rel=1e-3)
    assert "by the config, drive.no_load_power, not measured in this run" in report
    low, now, high = m.watts(SPEEDS)
    assert now == pytest.approx(fit.power_W, rel=0.02) and np.all((low < now) & (now < high))


def test_a_loss_that_is_not_told_is_named_and_nothing_beyond_the_range_is_suggested(tmp_path):
    """A router that takes 90 W bare at 4000 rpm: read as windage, that is far beyond the range, and it is said so."""
    blind = router(*SLOW, motor=ROUTER.replace('no_load_power = "90 W"', ""))
    told = router(*SLOW, "drive.no_load_speed=4000 rpm")
    power = idle_watts(told, SPEEDS[:1])
    _, m, report = idle_report(tmp_path / "idle.csv", blind, power, SPEEDS[:1])
    assert m.suggested is None and m.windage_factor > 3.0 and "[model]" not in report
    would = float(f"{m.windage_factor:.3g}")
    assert f"windage_factor would be {would:.12g}, where the model's range is 0.3 to 3" in report
    assert "What else draws such watts: the motor's own loss" in report and "drive.no_load_power" in report
    assert "a belt, a seal or a bar that rubs" in report
    _, m, report = idle_report(tmp_path / "idle.csv", told, power, SPEEDS[:1])
    assert m.suggested == pytest.approx((1.0, 0.01), rel=0.01) and "What else" not in report


@given(
    torque=st.floats(-4.0, 0.0).map(lambda x: 10.0**x), windage=st.floats(-2.0, 2.0).map(lambda x: 10.0**x),
    loss=st.floats(0.0, 300.0), count=st.integers(1, 4), noise=st.floats(-0.05, 0.05),
)  # fmt: skip
@settings(max_examples=150, deadline=None)
def test_no_suggestion_is_ever_outside_a_range(torque, windage, loss, count, noise):
    config = mills.config("demo")
    air = idlemodel.windage(build(config).mill, SPEEDS, 293.15)
    power = ((torque * SPEEDS + windage * air) / 0.78 + loss) * np.array([1.0, 1.0 + noise, 1.0 - noise, 1.0])
    fit = fit_idle(SPEEDS[-count:], power[-count:])
    m = idlemodel.compare(fit, config)
    report = idle_text(fit, m)
    if m.suggested is not None:
        for value, name in zip(m.suggested, ("windage_factor", "bearing_torque"), strict=True):
            assert m.prior[name][0] <= value <= m.prior[name][1]
    else:
        assert (
            "No lines for the config" in report
            and "[model]" not in report
            and "What else" in report
            or not fit.told_apart
        )
    said = re.findall(r"^  windage_factor = (\S+)", report, re.M)
    assert all(0.3 <= float(x) <= 3.0 for x in said)


def test_a_bare_tool_that_takes_more_than_the_mill_is_refused(tmp_path):
    with pytest.raises(InputError) as error:
        idle_report(tmp_path / "idle.csv", router(), np.array([60.0, 70.0, 80.0, 85.0]))
    assert "is no more than the bare motor takes there by the config" in str(error.value)
    assert "drive.no_load_speed" in str(error.value)


# --- a measured run --------------------------------------------------------------------------------------------------

ON_ROUTER = ('"demo.toml"', '"demo.toml"\noverrides = ["drive.no_load_power=90 W"]')


def test_a_run_takes_the_bare_tool_from_the_config():
    """190 W empty, 90 W of them the motor's own, 1.8 W by the load (220 W at 1100 W): 98 W at the shaft, not 148 W."""
    run = run_of(ON_ROUTER)
    assert shaft_power(run.config, 190.0) == pytest.approx(98.3, abs=0.1)
    text = " ".join(to_text(run, close(run)).split())
    assert "Of it the bare motor takes 90 W by the config, its own loss." in text
    assert any("the config has the bare motor at 90 W, its own loss and no windage" in x for x in run.assumed)
    assert "power of the motor alone" not in {m.what for m in close(run).missing}
    measured = run_of(ON_ROUTER, ('idle = "190 W"', 'idle = "190 W"\nmotor_alone = "60 W"'))
    assert any("takes 60 W, by the config's no_load_power 90 W: the run's counts" in x for x in measured.warnings)
    low = run_of(ON_ROUTER, ('idle = "190 W"', 'idle = "80 W"'))
    assert any("takes 80 W, less than the bare motor by drive.no_load_power, 90 W" in x for x in low.warnings)


def test_a_calibration_meters_idle_by_the_own_loss():
    """Idle and loaded watts of the model of a run are those of the law; a run's own motor_alone comes first."""
    run = run_of(ON_ROUTER)
    for a_run, own in ((run, 90.0), (replace(run, motor_alone_W=60.0), 60.0)):
        model = model_of(a_run)
        m = model.problem.mill[0]
        shaft = sum(idle_power(m, idle_speed(m, m["T_room"]), m["T_room"]))
        assert model.idle_W == pytest.approx(drive.motor_input(shaft, 1100.0, 0.78, own), rel=1e-9)
    plain = model_of(run_of())
    assert plain.idle_W == pytest.approx(shaft / 0.78, rel=1e-9)


def test_a_speed_measured_under_load_is_kept_whatever_is_drawn():
    run = replace(run_of(), config=router(), speed_loaded_rad_s=800.0)
    m = model_of(run).problem.mill
    set_parameters(m, {"speed_loss_unknown": 0.4})
    assert feedback_speed(m[0], 600.0) == 800.0


# --- the review ------------------------------------------------------------------------------------------------------


def review_of(*overrides, prediction=None):
    """{name: line} of the review of the router, without a prediction or with one."""
    return {x.name: x for x in review(router(*overrides), prediction)}


def test_a_rotor_beyond_the_tool_fails_and_own_bearings_are_the_cure():
    """120 mm and 0.6 kg on a router for 50 mm and 0.3 kg."""
    size, mass = "rotor against the tool's largest cutter", "rotor against the tool's heaviest cutter"
    told = ("drive.rated_diameter=50 mm", "drive.rated_mass=0.3 kg", "drive.rotor_on=collet")
    found = review_of(*told)
    assert (found[size].value, found[size].limit) == pytest.approx((0.12, 0.05))
    assert (found[mass].value, found[mass].limit) == pytest.approx((0.6, 0.3))
    for name in (size, mass):
        assert found[name].verdict == "fails" and found[name].margin < 0.51
        assert "a tool driven beyond its use" in found[name].words and "its own shaft and bearings" in found[name].words
        assert name in BARRING  # nothing is offered that drives a tool beyond its use
    small = review_of("drive.rated_diameter=120 mm", "drive.rated_mass=0.6 kg", "drive.rotor_on=collet")
    assert small[size].verdict == small[mass].verdict == "passes"
    own = review_of(*told[:2], 'drive.rotor_on="own bearings"')
    assert {own[n].verdict for n in (size, mass)} == {"note"}
    unknown = review_of()
    assert {unknown[n].verdict for n in (size, mass)} == {"not checked"}
    assert unknown[size].needs == ("drive.rated_diameter",)


def test_sideways_load_by_hand():
    """G6.3: 0.6 kg x 6.3 mm/s x 1166.7 rad/s = 4.4 N, and 1.5 times what shears a 4 mm pellet."""
    name = "sideways load on the collet"
    x = review_of("drive.side_load=100 N", "drive.rotor_on=collet")[name]
    shear = np.pi / 4.0 * 4e-3**2 * 0.577 * build(router()).mill[0]["yield_stress"]
    assert x.value == pytest.approx(0.6 * 6.3e-3 * 70.0 / 0.06 + 1.5 * shear, rel=0.03)
    assert x.verdict == "fails" and "4.4 N of imbalance" in x.words and "on an arm of 50 mm" in x.words
    assert review_of("drive.side_load=5000 N")[name].verdict == "passes"
    unknown = review_of()[name]
    assert unknown.verdict == "not checked" and unknown.needs == ("drive.side_load",)
    assert unknown.value == x.value and "Taken as carried by the tool" in unknown.words


@pytest.mark.parametrize(
    ("told", "watts"),
    [
        (("drive.duty_share=0.4",), 490.0),  # 0.4 x 600 W of loss, less 90 W: 150 of 510 W, whose root is 0.542
        (("drive.rated_for=10 min",), 480.0),  # 1 - exp(-0.5) = 0.393
        (("drive.duty_share=1",), 900.0),
        (("drive.duty_share=0.1",), 0.0),  # 60 W of loss are less than the 90 W with nothing on it
        (("drive.duty_share=0.4", "drive.no_load_power=0.1 W"), 570.0),  # all loss with the load: sqrt(0.4)
    ],
)
def test_what_a_rating_for_minutes_lasts(told, watts):
    x = review_of(*told)["rated for a time only"]
    assert f"about {watts:.0f} W without end" in x.words
    assert x.verdict == "not checked"


def test_the_duty_of_a_busy_router_fails():
    config = ("drive.duty_share=0.4", *QUICK)
    p = predict(router(*config))
    x = review_of(*config, prediction=p)["rated for a time only"]
    assert x.value == pytest.approx(p.main.scalars["shaft_power_W"].value, rel=1e-6)
    assert x.limit == pytest.approx(488.0, abs=1.0) and x.verdict == "fails" and "with pauses" in x.words


def test_lasting_share_and_short_time_duty():
    shares = [drive.lasting_share(d, 90.0, 510.0) for d in np.linspace(0.0, 1.0, 101)]
    assert shares[0] == 0.0 and shares[-1] == pytest.approx(1.0) and np.all(np.diff(shares) >= 0.0)
    assert drive.lasting_share(0.4, 0.0, 0.0) == 0.4
    assert drive.short_time_duty(600.0, 1200.0) == pytest.approx(1.0 - np.exp(-0.5))


def test_the_speed_under_load_is_bounded_and_the_brake_is_told():
    """At 11141 rpm without electronics 20 to 45 % lost: 6128 to 8913 rpm and 30 to 64 % of a hit."""
    x = review_of("drive.regulated=false")["speed lost at rated power"]
    assert "6130 rpm to 8910 rpm" in x.words and "30 to 64 % of its energy" in x.words and x.verdict == "not checked"
    assert "have none and run on" in review_of()["brake of the tool"].words
    assert "the rotor runs on" in review_of("drive.brake=false")["brake of the tool"].words
    assert "loose" in review_of("drive.brake=true")["brake of the tool"].words


def test_a_dial_at_its_top_slows_nothing():
    dial = ('drive.dial=["8000 rpm", "11140.85 rpm"]', "drive.phase_control=true")
    top, below = (review_of(*dial, f"drive.dial_step={x}")["phase control"] for x in (2, 1.5))
    assert top.verdict == "note" and "stands at its top" in top.words
    assert below.verdict == "not checked" and "Slowed by a triac" in below.words


def test_another_motor_gets_no_lines_of_a_tool():
    names = {x.name for x in review(mills.config("demo"), None)}
    assert not names & {"brake of the tool", "rotor against the tool's largest cutter", "rated for a time only"}


# --- all keys through the commands -----------------------------------------------------------------------------------

EVERY_KEY = """
[drive]
kind = "router"
rated_power = "1500 W"
efficiency = 0.6
dial = ["8000 rpm", "10000 rpm", "12000 rpm", "16000 rpm", "24000 rpm"]
dial_step = 2.5
regulated = false
no_load_power = "90 W"
no_load_speed = "12000 rpm"
phase_control = true
rotor_on = "collet"
rated_diameter = "50 mm"
rated_mass = "0.3 kg"
side_load = "150 N"
rated_for = "15 min"
brake = false

"""
RUN = """[run]
name = "on a router"
config = "mill.toml"
[masses]
fed = "600 g"
product = "590 g"
[time]
milling = "12 min"
[feeding]
how = "metered"
[power]
idle = "240 W"
loaded = "600 W"
"""


@pytest.fixture
def workshop(tmp_path):
    """A folder with a mill of all keys, an idle run and a run sheet of it."""
    rest = REST.replace("seed = 1", "seed = 1\nclass_ratio = 1.6\nband_samples = 2\nhistories = 200\ntrace = false")
    (tmp_path / "mill.toml").write_text(HEAD + EVERY_KEY + rest, encoding="utf-8")
    (tmp_path / "idle.csv").write_text("speed_rpm,power_W\n8000,95\n9500,140\n11000,200\n12000,248\n")
    (tmp_path / "run.toml").write_text(RUN, encoding="utf-8")
    return tmp_path


def told(*words, code=0):
    """The answer of a command on one line."""
    done = CliRunner().invoke(cli, [str(w) for w in words])
    assert done.exit_code == code, done.output
    return " ".join(done.stdout.split())


def test_every_key_through_the_commands(workshop):
    mill = workshop / "mill.toml"
    said = told("predict", mill, "--out", workshop / "p.h5")
    assert "A router like this is taken to lose 33 % of its speed at rated power, 20 to 45 % in the band" in said
    assert "rotor against the tool's largest cutter" in said  # of what fails before anything is built
    check = told("check", mill, "--quick", "--full", code=3)
    for name in ("rotor against the tool's largest cutter: 120 mm, at most 50 mm", "sideways load on the collet: 13"):
        assert name in check
    idle = told("idle", workshop / "idle.csv", "--config", mill, "--full")
    assert "The motor alone, without the rotor, takes 40 to 90 W: its own loss, no windage" in idle
    assert "What the load adds to it, by the config's efficiency about 13 W, is taken off too" in idle
    assert "windage_factor = 0.6" in idle
    assert "stirring the air takes" in told("heat", mill, "--full")
    measured = told("run", workshop / "run.toml")
    assert "Of it the bare motor takes 75.6 W by the config, its own loss." in measured  # 90 W x (11 000 / 12 000)^2


def test_every_key_through_the_misfit_of_a_calibration(workshop):
    """The speed under load is among what a calibration moves; the run's watts say a little of it."""
    run = read_run(workshop / "run.toml")
    model = model_of(run)
    unknowns = unknowns_of(model.problem.parameters)
    (at,) = (i for i, n in enumerate(unknowns.names) if n == "speed_loss_unregulated")
    joint = fit.JointMisfit((model,), (blocks_of(run, model),), unknowns)
    scores = np.zeros((3, unknowns.count))
    scores[1, at], scores[2, at] = -1.5, 1.5
    residuals = joint(scores)
    assert np.isfinite(residuals).all()
    assert np.abs(residuals[1] - residuals[2]).max() > 0.05


# --- watts as a target -----------------------------------------------------------------------------------------------


def test_a_target_in_watts():
    target = targets.parse('[target]\ntitle = "fuse"\n[socket]\nmost = "800 W"\n[shaft]\nmost = "0.5 kW"\n')
    assert [(w.output, w.high) for w in target.wishes] == [("electrical_power_W", 800.0), ("shaft_power_W", 500.0)]
    assert targets.parse(targets.to_toml(target)).wishes == target.wishes
    found = points(4, electrical_power_W=[700.0, 790.0, 900.0, 750.0], shaft_power_W=[400.0, 450.0, 480.0, 600.0],
                   throughput_kg_s=np.array([1.0, 2.0, 3.0, 4.0]) / 3600.0)  # fmt: skip
    sweep = made([axis("stator.gap", 1e-3, 2e-3, 3e-3, 4e-3)], found)
    j = judge(sweep, target)
    assert j.meets.tolist() == [True, True, False, False]
    assert j.binds[2:] == ("too much power from the socket", "too much power at the shaft")
    chosen = {b.point for b in choose(sweep, target).choice.builds}
    assert chosen and chosen <= {0, 1}


def test_power_leads_to_the_three_names():
    with pytest.raises(InputError) as error:
        targets.parse('[target]\ntitle = "x"\n[power]\nmost = "800 W"\n')
    assert "[socket] or [shaft]" in str(error.value)
