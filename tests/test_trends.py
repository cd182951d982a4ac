"""What any mill person would check: which way, and how far, a change of the mill moves the answer."""

import functools

import mills
import numpy as np
import pytest

from millsim.engines.loads import bite_statistics
from millsim.engines.records import new_work
from millsim.forecast.assemble import balance_result
from millsim.forecast.outcome import solve
from millsim.laws import breakage
from millsim.mill.chamber import F_MAT, NIP, PIN, STRIKE, XW_MIN
from millsim.mill.config.mill import load_config
from millsim.mill.problem import build
from millsim.record.limits import CANNOT, OK, OVER

HUGE_MOTOR = "drive.rated_power=50 kW"  # so that the rotor binds, not the motor
WEAK_AIR = ("air.blower_pressure=0 Pa", "air.inlet_area=2 cm2", "air.filter_area=0.05 m2")


def falls(values):
    return all(b < a for a, b in zip(values, values[1:], strict=False))


def hole(mm):
    """The demo sieve with another hole, its shape kept: pitch twice the hole, sheet as thick as the hole."""
    return (f"sieve.hole={mm} mm", f"sieve.pitch={2 * mm} mm", f"sieve.thickness={mm} mm")


def tip_speed(v):
    rpm = v / 0.060 * 60 / (2 * np.pi)
    return (f"drive.tip_speed={v} m/s", f"drive.speed_under_load={0.97 * rpm:.0f} rpm")


HOLES = (1.2, 0.8, 0.6, 0.5, 0.4, 0.3)
SPEEDS = (50, 60, 70, 80)


# --- sieve -----------------------------------------------------------------------------------------------


def test_finer_hole_makes_finer_powder_for_more_energy_and_less_of_it():
    solved = [(mills.problem("demo", *hole(h)), mills.capacity("demo", *hole(h))) for h in HOLES]
    assert falls([mills.x_p(p, o) for p, o in solved])
    assert falls([mills.x_p(p, o, 0.9) for p, o in solved])
    assert falls([float(o.state["F"]) for _, o in solved])
    assert falls([-mills.shaft_J_kg(o) for _, o in solved])


def test_median_goes_with_the_hole():
    # Cereal practice (a vendor's figures, no source): x50 ~ hole^1.1; x50 = 0.2-0.35 hole (from memory). Here the
    # exponent is 0.4-0.7 (assumed), so that x50 comes the nearer to the hole the finer it is.
    x50 = [mills.x_p(mills.problem("demo", *hole(h)), mills.capacity("demo", *hole(h))) for h in HOLES]
    exponents = np.diff(np.log(x50)) / np.diff(np.log(HOLES))
    assert np.all((exponents > 0.4) & (exponents < 0.7))
    assert 0.25 < x50[HOLES.index(0.6)] / 0.6e-3 < 0.65


def test_product_passes_the_hole():
    # Nothing larger than the hole can see (hole over shape factor) leaves, on any shipped mill.
    for name in mills.NAMES:
        p, o = mills.problem(name), mills.outcome(name)
        m = p.mill[0]
        assert o.product[p.edges[:-1] >= m["hole"] / m["shape"] * (1 - 1e-9)].sum() == 0.0
        assert mills.x_p(p, o, 0.9) < m["hole"] / m["shape"]


def test_more_open_sieve_takes_more():
    narrow, wide = (mills.capacity("demo", f"sieve.pitch={p} mm") for p in (1.5, 1.0))
    assert wide.state["F"] > 1.1 * narrow.state["F"]
    assert mills.shaft_J_kg(wide) < mills.shaft_J_kg(narrow)


# --- speed -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rate", ["300 g/h", mills.TO_CAPACITY])
def test_faster_is_finer(rate):
    solved = [(mills.problem("demo", *tip_speed(v), f"feed.rate={rate}"),
               mills.outcome("demo", *tip_speed(v), f"feed.rate={rate}")) for v in SPEEDS]  # fmt: skip
    x50 = [mills.x_p(p, o) for p, o in solved]
    assert falls(x50)
    v = [float(o.state["v"]) for _, o in solved]
    exponents = np.diff(np.log(x50)) / np.diff(np.log(v))
    assert np.all(
        (exponents > -2.0) & (exponents < -0.2)
    )  # cereal practice: -0.4 to -0.8 (a vendor's figures, no source)


def windage_of(*overrides):
    """Outcomes of the demo by tip speed, and the exponent of windage (air density, 1/T, taken out) in it."""
    solved = [mills.outcome("demo", *tip_speed(v), "feed.rate=300 g/h", *overrides) for v in SPEEDS]
    windage = [o.powers["windage"] * o.state["T"] for o in solved]
    return solved, np.diff(np.log(windage)) / np.diff(np.log([o.state["v"] for o in solved]))


def test_windage_goes_with_the_cube_of_speed():
    # Derived, laws/air.md: where the air flows by the bars alone, its swirl is the same at any speed. A blower's air
    # brakes it, which counts less the faster the bars: the exponent falls below 3 and rises towards it.
    _, alone = windage_of("air.blower_pressure=0 Pa", "air.filter_area=50 m2")
    np.testing.assert_allclose(alone, 3.0, atol=2e-3)
    solved, blown = windage_of()
    assert np.all((blown > 2.8) & (blown < 3.0)) and np.all(np.diff(blown) > 0)
    idle_share = solved[-1].powers["windage"] / float(mills.problem("demo").mill[0]["rated_power"])
    assert idle_share > 0.1  # at 80 m/s windage is no small thing for this motor


# --- rotor -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "motor"), [("tight_jam", "drive.rated_power=20 kW"), ("demo", HUGE_MOTOR)])
def test_twice_the_bars_take_clearly_more(name, motor):
    two, four = (
        mills.cold_start(name, f"rotor.bars={n}", motor, f"feed.rate={mills.TO_CAPACITY}", to_capacity=True)
        for n in (2, 4)
    )
    assert mills.load(four, "jam") < 1.0 and mills.load(two, "jam") < 1.0  # not the motor, not the bites
    assert four.state["F"] > 1.4 * two.state["F"]


def gain(name, motor, key, low, high):
    """Relative gain in capacity, rotor-bound, from one value of a rotor setting to another."""
    a, b = (
        mills.cold_start(name, f"rotor.{key}={v}", motor, f"feed.rate={mills.TO_CAPACITY}", to_capacity=True)
        for v in (low, high)
    )
    return float(b.state["F"] / a.state["F"]) - 1.0


def test_twice_the_bar_width_hardly_helps():
    # In a nip only the largest piece carries the load, however wide the bar; the land of a bar hits a little.
    assert abs(gain("tight_jam", "drive.rated_power=20 kW", "bar_thickness", "10 mm", "20 mm")) < 0.10
    assert abs(gain("tight_jam", "drive.rated_power=20 kW", "bar_thickness", "5 mm", "10 mm")) < 0.10


def test_doubling_bar_width_hardly_helps_a_fine_mill_either():
    assert abs(gain("demo", HUGE_MOTOR, "bar_thickness", "8 mm", "16 mm")) < 0.1


def test_wider_gap_hits_less_often():
    gaps = [2, 3, 4, 6, 8]
    solved = [mills.outcome("demo", f"stator.gap={g} mm", "feed.rate=1 kg/h") for g in gaps]
    assert falls([float(o.flows["bar_hits"] / o.mass.sum()) for o in solved])
    assert falls([float(o.powers["nip"]) for o in solved])
    assert falls([-float(o.mass.sum()) for o in solved])  # so more charge is needed for the same feed


def test_sharper_edges_chip_more():
    chips = [float(mills.outcome("demo", f"rotor.edge={e}", "feed.rate=1 kg/h").flows["chips"])
             for e in ("toothed", "bevelled", "blunt")]  # fmt: skip
    assert falls(chips)


# --- stator ----------------------------------------------------------------------------------------------


FAST = (*tip_speed(100), *hole(1.0))  # at which a smooth wall still makes powder


@functools.cache
def smooth_demo(rate):
    """The demo mill, faster and coarser, with a smooth wall instead of pins."""
    p = build(load_config(mills.CONFIGS / "demo.toml", ["stator.kind=smooth", f"feed.rate={rate}", *FAST]))
    return p, solve(p, p.config.feed.rate_kg_s)


def test_smooth_wall_wastes_the_throw():
    p, smooth = smooth_demo("1 kg/h")
    pins = mills.outcome("demo", "feed.rate=1 kg/h", *FAST)
    assert smooth.flows["pin_hits"] == 0.0 and smooth.flows["nips"] == 0.0
    per_hit = [(o.flows["bar_fractures"] + o.flows["pin_fractures"]) / o.flows["bar_hits"] for o in (pins, smooth)]
    assert per_hit[1] < 0.5 * per_hit[0]
    assert smooth.mass.sum() > 2 * pins.mass.sum()
    assert mills.shaft_J_kg(smooth) > 1.2 * mills.shaft_J_kg(pins)
    assert smooth_demo(mills.TO_CAPACITY)[1].state["F"] < 0.8 * mills.capacity("demo", *FAST).state["F"]


def test_pins_do_most_of_the_breaking():
    # Derived, laws/motion.md: after a square hit a pin hit carries up to four times the bar hit's energy.
    o = mills.outcome("demo")
    assert o.flows["pin_fractures"] > o.flows["bar_fractures"]
    assert o.table[:, PIN].max() > 0.1


# --- jam -------------------------------------------------------------------------------------------------


def test_tight_rigid_gap_jams_on_a_full_feed():
    start = mills.cold_start("tight_jam")
    assert start.code == OVER
    assert start.binding in ("jam", "chamber")
    assert start.state["F"] < 0.5 * mills.config("tight_jam").feed.rate_kg_s


def test_and_runs_on_a_slow_one():
    slow = ("feed.rate=60 g/h",)
    assert mills.outcome("tight_jam", *slow).code == OK
    assert mills.cold_start("tight_jam", *slow).code == OK
    assert mills.load(mills.outcome("tight_jam", *slow), "jam") < 0.2


def test_lighter_rotor_jams_sooner():
    # Half the mass, half the stored energy: twice the energy index of the same bites.
    p = mills.problem("tight_jam")
    o = mills.outcome("tight_jam")
    mean, variance = bite_statistics(
        p.mill[0], o.state, p.x, new_work(p.x.size)._replace(table=o.table, mass=o.mass, screen=o.screen)
    )
    assert mean > 0.0 and variance > 0.0
    index = [(mean + 3 * variance**0.5) / (0.3 * 0.5 * inertia * o.state["omega"] ** 2)
             for inertia in (p.mill[0]["inertia"], 0.5 * p.mill[0]["inertia"])]  # fmt: skip
    assert index[1] == pytest.approx(2 * index[0], rel=1e-12)
    # A brittle pellet splits at too little energy for that; one of PA must be sheared.
    light, heavy = (
        mills.cold_start("tight_jam", f"rotor.mass={kg} kg", "drive.rated_power=20 kW", "feed.material=pa")
        for kg in (0.03, 2)
    )
    assert light.state["F"] < 0.9 * heavy.state["F"]
    assert light.binding == "jam" and heavy.binding == "chamber"


@pytest.mark.parametrize("grams", [4, 20])
def test_a_bite_never_stalls_swinging_hammers(grams):
    # Their jam index is the motor's alone: shaft power over what it gives for a moment.
    name = ("swinging", f"rotor.hammer_mass={grams} g")
    m = mills.problem(*name).mill[0]
    for o in (mills.capacity(*name), mills.cold_start(*name, to_capacity=True)):
        assert o.flows["nips"] > 0.0 and o.table[:, NIP].max() > 0.0
        assert mills.load(o, "jam") == pytest.approx(o.powers["shaft"] / (m["overload"] * m["rated_power"]), rel=1e-9)


def test_light_hammers_pass_too_little_energy():
    light, heavy = (("swinging", f"rotor.hammer_mass={g} g") for g in (4, 20))
    a, b = mills.capacity(*light), mills.capacity(*heavy)
    assert a.state["v"] < 0.95 * b.state["v"]
    assert a.state["F"] < b.state["F"]
    assert mills.x_p(mills.problem(*light), a) > mills.x_p(mills.problem(*heavy), b)
    a, b = (mills.cold_start(*name, to_capacity=True) for name in (light, heavy))
    assert a.state["v"] < 0.85 * b.state["v"]
    assert a.state["F"] < b.state["F"]


# --- heat ------------------------------------------------------------------------------------------------


def test_heat_limits_pla_before_pmma():
    # The same mill with weak air: both end at their softening limit, PLA at far less feed. Holes of 1 mm: through finer
    # ones PLA hardly goes.
    pla, pmma = (mills.capacity("demo", f"feed.material={m}", *hole(1.0), *WEAK_AIR) for m in ("pla", "pmma"))
    assert pla.binding == "outlet temperature"
    assert pla.state["T"] < pmma.state["T"]
    assert pla.state["F"] < 0.3 * pmma.state["F"]
    # and with good air PMMA is no longer limited by heat, PLA still is
    assert mills.capacity("demo", "feed.material=pmma", *hole(1.0)).binding == "shaft power"
    assert mills.capacity("demo", "feed.material=pla", *hole(1.0)).binding == "outlet temperature"


def test_less_air_is_hotter():
    solved = [mills.outcome("demo", f"air.filter_area={a} m2", "feed.rate=1500 g/h") for a in (1, 0.1, 0.03)]
    assert falls([float(o.state["Q"]) for o in solved])
    assert falls([-float(o.state["T"]) for o in solved])
    assert solved[-1].state["T"] > solved[0].state["T"] + 5.0


def test_chilled_pla_breaks_more_easily():
    warm, cold = (f"feed.temperature={t} °C" for t in (20, -78))
    a, b = mills.outcome("pla", warm, "feed.rate=3 kg/h"), mills.outcome("pla", cold, "feed.rate=3 kg/h")
    top = -1  # the pellets themselves, at one and the same hit
    S = [breakage.breakage_probability(4e-3, 2000.0, float(o.table[top, F_MAT]), float(o.table[top, XW_MIN]))
         for o in (a, b)]  # fmt: skip
    assert S[1] > 1.3 * S[0]
    assert mills.shaft_J_kg(b) < mills.shaft_J_kg(a)
    assert mills.capacity("pla", cold).state["F"] > 1.3 * mills.capacity("pla", warm).state["F"]
    assert mills.x_p(mills.problem("pla", cold), b) < mills.x_p(mills.problem("pla", warm), a)


def test_tougher_material_takes_more_energy():
    # Sieve 1.5 mm toothed mill: PS and PMMA are brittle, PLA less, ABS hardly breaks (priors of the cards).
    energy = [mills.shaft_J_kg(mills.outcome("pla", f"feed.material={m}", "feed.rate=300 g/h"))
              for m in ("abs", "pla", "pmma")]  # fmt: skip
    assert falls(energy)


# --- feed ------------------------------------------------------------------------------------------------


def test_more_feed_more_charge_more_power():
    solved = [mills.outcome("demo", f"feed.rate={r} g/h") for r in (3000, 1000, 300, 100)]
    for term in ("M", "T"):
        assert falls([float(o.state[term]) for o in solved])
    assert falls([float(o.powers["shaft"]) for o in solved])
    assert falls([-float(o.state["omega"]) for o in solved])
    assert all(o.code == OK for o in solved)


def test_a_rate_beyond_capacity_is_answered_with_the_capacity():
    most = mills.capacity("demo")
    over = mills.outcome("demo", "feed.rate=40 kg/h")
    assert over.code == OVER != CANNOT
    assert over.state["F"] == pytest.approx(float(most.state["F"]), rel=1e-4)
    just = mills.outcome("demo", f"feed.rate={0.99 * most.state['F'] * 3.6e6:.4f} g/h")
    assert just.code == OK
    assert just.loads.max() == pytest.approx(1.0, abs=0.02)


def test_strike_rate_grows_with_size():
    # Fines follow the air round the bars and lie deeper in the gap.
    table = mills.outcome("demo").table
    assert np.all(np.diff(table[:, STRIKE]) > 0)


@pytest.mark.parametrize("rate", ["1 g/h", "50 g/h", "300 g/h"])
@pytest.mark.parametrize("name", ["demo", "pla", "swinging"])
def test_a_loaded_mill_draws_more_than_the_empty_one(name, rate):
    # Net energy is what comes on top of the hot idle power: never negative, and next to no feed draws next to nothing.
    result = balance_result(mills.problem(name, f"feed.rate={rate}"), mills.outcome(name, f"feed.rate={rate}"), 1.0)
    loaded, idle = (result.scalars[k].value for k in ("electrical_power_W", "idle_power_W"))
    assert loaded > idle
    if rate == "1 g/h":
        assert loaded == pytest.approx(idle, rel=0.01)
