"""A mill closed with a sieve: its books, its closed forms, and the same steady state reached turn by turn by hand."""

from dataclasses import replace

import mills
import numpy as np
import pytest

from millsim.base.numerics import psd
from millsim.errors import InputError, NoState
from millsim.forecast.assemble import balance_result
from millsim.forecast.outcome import solve
from millsim.mill.problem import build
from millsim.record.limits import CANNOT, OK, OVER
from millsim.studies.circuit.band import closed_band
from millsim.studies.circuit.climb import climb
from millsim.studies.circuit.loop import close, closed, once, ready, through
from millsim.studies.circuit.mixing import Mixing
from millsim.studies.circuit.turns import Loop, SieveCut

RATE = "feed.rate=0.5 kg/h"
FRESH = 0.5 / 3600.0  # kg/s
EVERYTHING = 30e-3  # an aperture that all pieces of these mills pass
SIEVES = (0.4e-3, 0.45e-3, 0.5e-3)  # finer ones ask more than the motor has: median powder 0.36 mm


def at_rate(aperture_m, efficiency=1.0, **more):
    return closed(mills.config("demo", RATE), aperture_m, efficiency, **more)


# --- closed forms ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("aperture", SIEVES)
@pytest.mark.parametrize("efficiency", [1.0, 0.85])
def test_what_goes_in_comes_out(aperture, efficiency):
    c = at_rate(aperture, efficiency)
    assert c.code == OK and c.residual <= 1e-9
    assert c.accepted_kg_s == pytest.approx(FRESH, rel=1e-9)
    assert c.total_kg_s == pytest.approx(c.fresh_kg_s + c.returned_kg_s, rel=1e-9)
    # Size by size: fresh feed and what is returned are what the mill is fed with.
    mix = (FRESH * mills_feed(c) + c.returned_kg_s * np.diff(c.returned_q3)) / c.total_kg_s
    np.testing.assert_allclose(np.cumsum(mix), c.mill_feed_q3[1:], atol=1e-9)


def mills_feed(c):
    problem = ready(mills.config("demo", RATE), SieveCut(c.aperture_m, c.efficiency))
    return problem.feed


@pytest.mark.parametrize("efficiency", [0.5, 0.8, 0.95])
def test_a_sieve_that_loses_a_share_of_everything_returns_the_geometric_series(efficiency):
    # All is finer than the aperture and a share eta passes at each turn: of one kilogram go round
    # (1 - eta) + (1 - eta)^2 + ... = (1 - eta)/eta. Austin, Klimpel & Luckie 1984, circulating load (from memory).
    c = at_rate(EVERYTHING, efficiency)
    assert c.circulating_load == pytest.approx((1.0 - efficiency) / efficiency, rel=1e-8)
    assert c.yield_share == pytest.approx(efficiency, rel=1e-12)


@pytest.mark.parametrize("aperture", SIEVES)
def test_circulating_load_follows_from_the_yield_of_a_pass(aperture):
    # Mass balance of a closed circuit in any textbook of mineral processing: C = (1 - y)/y.
    c = at_rate(aperture)
    assert c.circulating_load == pytest.approx((1.0 - c.yield_share) / c.yield_share, rel=1e-8)
    assert c.circulating_load > 0.0


def test_a_sieve_nothing_stays_on_changes_nothing():
    problem = build(mills.config("demo", RATE))  # the open mill, which knows no sieve
    o, c = solve(problem, FRESH), at_rate(EVERYTHING)
    assert c.returned_kg_s == 0.0 and c.circulating_load == 0.0
    np.testing.assert_array_equal(c.edges_m, problem.edges)
    np.testing.assert_allclose(c.accepted_q3[1:], np.cumsum(o.product) / o.product.sum(), atol=1e-8)
    assert c.holdup_kg == pytest.approx(o.mass.sum(), rel=1e-7)
    open_mill = balance_result(problem, o, float("nan")).scalars
    for name in ("x10_m", "x50_m", "x90_m", "gross_J_kg", "net_J_kg", "outlet_temperature_K"):
        assert getattr(c, name) == pytest.approx(open_mill[name].value, rel=1e-7), name


def test_energy_is_per_kilogram_accepted():
    for c in (at_rate(0.4e-3), once(mills.config("demo", RATE), 0.4e-3)):
        assert c.gross_J_kg * c.accepted_kg_s == pytest.approx(c.electrical_W, rel=1e-12)
        assert 0.0 < c.net_J_kg < c.gross_J_kg


# --- by hand ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("aperture", "efficiency"), [(0.4e-3, 1.0), (0.45e-3, 0.9)])
def test_carrying_the_oversize_back_by_hand_ends_in_the_same_state(aperture, efficiency):
    # Mill, sieve, put the oversize on top of the fresh feed, mill again, as a person with a bucket does: no march of
    # the closed circuit in it.
    config = mills.config("demo", RATE)
    cut = SieveCut(aperture, efficiency)
    problem = ready(config, cut)
    passes, back = cut.passes(problem.edges), np.zeros(problem.x.size)
    for _ in range(200):
        flow = FRESH * problem.feed + back
        o = solve(replace(problem, feed=flow / flow.sum()), float(flow.sum()))
        before, back = back, (1.0 - passes) * o.product
        if np.abs(back - before).sum() < 1e-10 * FRESH:
            break
    c = close(problem, cut, FRESH)
    assert c.returned_kg_s == pytest.approx(back.sum(), rel=1e-6)
    accepted = passes * o.product
    np.testing.assert_allclose(c.accepted_q3, psd.cumulative(accepted / accepted.sum()), atol=1e-6)
    assert c.outlet_temperature_K == pytest.approx(closed(config, aperture, efficiency).outlet_temperature_K)


# --- what anyone would expect ----------------------------------------------------------------------------


def test_finer_sieves_send_more_back_and_cost_more():
    at_most = [closed(mills.config("demo"), a) for a in (0.3e-3, 0.4e-3, 0.5e-3, 0.65e-3)]
    assert all(c.code == OK for c in at_most)
    for name, falls in (("circulating_load", True), ("gross_J_kg", True), ("accepted_kg_s", False)):
        steps = np.diff([getattr(c, name) for c in at_most])
        assert np.all(steps < 0 if falls else steps > 0), name


def test_nothing_coarser_than_the_aperture_is_accepted():
    c = closed(mills.config("demo"), 0.4e-3, 0.9)
    np.testing.assert_allclose(c.accepted_q3[c.edges_m >= 0.4e-3 * (1 - 1e-9)], 1.0)
    assert 0.4e-3 in c.edges_m
    assert c.x90_m < 0.4e-3


def test_as_much_as_it_takes_stands_at_a_limit_of_all_that_goes_through():
    c = closed(mills.config("demo"), 0.4e-3)
    assert c.outcome.loads.max() == pytest.approx(1.0, abs=2e-3)
    assert c.binding == "shaft power"
    assert c.total_kg_s > c.fresh_kg_s


def test_where_a_total_has_two_circuits_the_one_that_fills_up_with_fresh_feed_is_found():
    # A wide slow rotor on cold pieces: the total that it takes jumps, and just below the largest rate none settles.
    wide = ("rotor.radius=140 mm", "rotor.bar_height=3.7 mm", "rotor.rings=5", "rotor.edge=toothed", "sieve.hole=1 mm",
            "sieve.pitch=1.6 mm", "drive.rated_power=3200 W", "drive.speed=3700 rpm",
            "drive.speed_under_load=2600 rpm", "feed.temperature=-100 °C")  # fmt: skip
    most = closed(mills.config("tight_jam", *wide, "feed.rate=as fast as it can grind"), 0.5e-3)
    assert most.code == OK and most.residual <= 1e-6
    assert most.accepted_kg_s == pytest.approx(most.fresh_kg_s, rel=1e-6)
    for share, code in ((0.9, OK), (1.1, OVER)):
        asked = closed(mills.config("tight_jam", *wide, f"feed.rate={3600 * share * most.fresh_kg_s} kg/h"), 0.5e-3)
        assert asked.code == code


def test_the_largest_rate_is_the_largest_that_fills_up_with_fresh_feed():
    # A slow rotor on wheat. Filled up until all that goes through is at its limit, it passes so little that the fresh
    # feed is 0.75 of what a less full one takes.
    slow = ("rotor.radius=48 mm", "rotor.edge=blunt", "rotor.toothed_share=0.12", "stator.pins=2", "stator.gap=0.9 mm",
            "sieve.hole=1.44 mm", "sieve.pitch=4.33 mm", "sieve.share=0.6", "drive.rated_power=273 W",
            "drive.tip_speed=10.24 m/s", "drive.speed_under_load=1466 rpm", "feed.material=wheat",
            "run.class_ratio=1.5")  # fmt: skip
    cut = SieveCut(0.86e-3)
    problem = ready(mills.config("demo", *slow), cut)
    most = close(problem, cut, None)
    assert most.code == OK and most.residual <= 1e-6 and most.binding == "chamber"
    loop = Loop(problem, cut, problem.mill)
    limit, going = loop.at_limit(), loop.at_fresh(0.3 * most.fresh_kg_s)
    assert limit.total > most.total_kg_s and limit.fresh == pytest.approx(0.75 * most.fresh_kg_s, rel=0.02)
    fresh = []  # of all that goes through the mill, from little to the limit
    for total in np.geomspace(going.total, 0.9 * limit.total, 30):
        going = loop.at_total(total, going.fresh * total / going.total, going.mix)
        fresh.append(going.fresh)
    assert max(fresh) == pytest.approx(most.fresh_kg_s, rel=2e-3) and max(fresh) <= most.fresh_kg_s * (1.0 + 1e-5)
    for share, code in ((0.8, OK), (0.99, OK), (1.003, OVER), (1.1, OVER), (1.5, OVER)):
        assert close(problem, cut, share * most.fresh_kg_s).code == code, share


@pytest.mark.parametrize("top", [0.003, 0.3, 1.0, 4.7])
def test_a_climb_ends_at_the_top(top):
    at = climb(lambda x: -(abs(x - top) ** 1.5), 0.0, -(top**1.5))
    assert at == pytest.approx(top, abs=2e-3)


def test_a_climb_ends_where_there_is_nothing_farther_on():
    assert climb(lambda x: x if x < 0.77 else -np.inf, 0.0, 0.0) == pytest.approx(0.77, abs=2e-4)
    assert climb(lambda x: -x, 0.0, 0.0) == 0.0
    assert climb(lambda x: 0.0, 0.0, 0.0) == 0.0


def test_mixtures_that_swing_to_and_fro_meet_half_way():
    slow = ("drive.tip_speed=8 m/s", "stator.gap=1 mm", "stator.pins=4", "sieve.hole=0.52 mm", "sieve.pitch=1.6 mm",
            "air.filter_area=0.023 m2", "feed.material=pe_pp", "run.class_ratio=1.5")  # fmt: skip
    most = closed(mills.config("demo", *slow), 0.5e-3)
    assert most.code == OK and most.residual <= 1e-6
    assert most.accepted_kg_s == pytest.approx(most.fresh_kg_s, rel=1e-6)


@pytest.mark.parametrize(("shake", "ends"), [(1e-3, 1.0), (0.05, 0.7)])
def test_a_largest_rate_that_is_known_no_better_ends_the_search_soon(shake, ends, monkeypatch):
    """Where the state of the mill jumps at its limit; where it jitters by more, nothing is known but with less."""
    cut = SieveCut(0.45e-3)
    problem = ready(mills.config("demo", "run.class_ratio=1.6"), cut)
    calm, loop = Loop(problem, cut, problem.mill).at_limit(), Loop(problem, cut, problem.mill)
    solved = loop.solved

    def shaken(mix, rate):
        o = solved(mix, rate)
        state = o.state.copy()
        state["F"] *= 1.0 + (shake * (-1) ** loop.turns if rate is None else 0.0)
        return replace(o, state=state)

    monkeypatch.setattr(loop, "solved", shaken)
    assert loop.at_limit().fresh == pytest.approx(ends * calm.fresh, rel=2 * shake) and loop.turns < 40


SWINGS = {  # mills in a circuit with much to send back, and the aperture [m]
    "limestone, one bar": (0.25e-3, "demo", (
        "rotor.bars=1", "rotor.bar_height=55.5 mm", "rotor.edge=toothed", "stator.gap=4.2 mm", "sieve.hole=2.23 mm",
        "drive.rated_power=6000 W", "air.blower_pressure=1680 Pa", "feed.material=limestone", "sieve.pitch=6.68 mm",
        "drive.tip_speed=15.3 m/s", "drive.speed_under_load=1660 rpm")),
    "limestone, five rings": (0.25e-3, "demo", (
        "rotor.radius=90.5 mm", "rotor.bar_height=10 mm", "stator.gap=7.77 mm", "sieve.hole=1.71 mm",
        "drive.rated_power=3180 W", "feed.material=limestone", "rotor.rings=5", "rotor.toothed_share=0.266",
        "sieve.pitch=6.79 mm", "sieve.thickness=1.38 mm", "drive.tip_speed=14.2 m/s",
        "drive.speed_under_load=1310 rpm")),
    "pla, wide rotor": (0.5e-3, "pla", (
        "rotor.radius=139 mm", "rotor.bars=2", "rotor.bar_height=2.9 mm", "rotor.edge=blunt", "stator.pins=2",
        "sieve.hole=1 mm", "drive.rated_power=5490 W", "rotor.rings=5", "rotor.toothed_share=0.367",
        "sieve.pitch=1.33 mm", "feed.size.size=1 mm", "drive.tip_speed=47.8 m/s")),
}  # fmt: skip


LEAPS = {  # the charge of the first grinds itself only once the mill is full; the other's leaps to a warm one
    "limestone, one bar": r"leaps from 0\.506 kg/h to 0\.585 kg/h; feed 0\.506 kg/h or less",
    "pla, wide rotor": r"leaps from 0\.08\d* kg/h to 0\.0993 kg/h; feed 0\.08\d* kg/h or less",
}


@pytest.mark.parametrize("name", SWINGS)
def test_a_circuit_settles_where_each_turn_leaves_most_of_what_is_open(name):
    # Forty to a hundred and fifty times the fresh feed comes back. A hundred plain turns did not settle these, or what
    # came back swung from turn to turn beyond a limit.
    aperture, base, overrides = SWINGS[name]
    cut = SieveCut(aperture)
    problem = ready(mills.config(base, *overrides, f"feed.rate={mills.TO_CAPACITY}"), cut)
    most = close(problem, cut, None)
    assert most.code == OK and most.residual <= 1e-6 and most.circulating_load > 30.0
    assert most.accepted_kg_s == pytest.approx(most.fresh_kg_s, rel=1e-6)
    for share, code in ((0.5, OK), (0.9, OK), (1.1, OVER)):
        if share == 0.9 and name in LEAPS:
            with pytest.raises(NoState, match=LEAPS[name]):
                close(problem, cut, share * most.fresh_kg_s)
            continue
        asked = close(problem, cut, share * most.fresh_kg_s)
        assert asked.code == code and asked.residual <= 1e-6
        assert asked.fresh_kg_s == pytest.approx(min(share, 1.0) * most.fresh_kg_s, rel=1e-3)


def test_what_is_foreseen_of_a_mixture_is_where_it_ends():
    # A turn that leaves nine tenths of one part and minus nine tenths of another.
    end, part, other = np.array([0.5, 0.3, 0.2]), np.array([1.0, -1.0, 0.0]), np.array([0.0, 1.0, -1.0])
    mixing, mix, rate = Mixing(), end + 0.2 * part + 0.1 * other, 2.0
    for _ in range(16):
        a, b = float((mix - end)[0]), float((end - mix)[2])
        mix, rate = mixing.after(mix, rate, end + 0.9 * a * part - 0.9 * b * other, rate**-0.9)
    assert mix == pytest.approx(end, abs=1e-9) and rate == pytest.approx(1.0, abs=1e-9)


def test_more_than_it_takes_is_told_with_what_it_takes():
    most = closed(mills.config("demo"), 0.4e-3)
    c = closed(mills.config("demo", "feed.rate=20 kg/h"), 0.4e-3)
    assert c.code == OVER
    assert c.accepted_kg_s == pytest.approx(most.accepted_kg_s, rel=1e-3)


def test_a_sieve_next_to_nothing_passes_cannot_work():
    c = closed(mills.config("demo"), 20e-6)
    assert c.code == CANNOT and c.reason == "less than one part in 1000 of what leaves the mill passes the sieve"
    assert c.accepted_kg_s == 0.0 and np.isinf(c.gross_J_kg) and np.isinf(c.circulating_load)


def test_a_mill_that_cannot_run_alone_cannot_in_a_circuit():
    c = closed(mills.config("demo", "limits.outlet_temperature=21 °C"), 0.4e-3)
    assert c.code == CANNOT and "outlet temperature" in c.reason
    assert c.accepted_kg_s == 0.0 and np.isinf(c.gross_J_kg)


def test_set_aside_gives_less_powder_and_more_waste():
    config = mills.config("demo", RATE)
    aside, back = once(config, 0.4e-3), closed(config, 0.4e-3)
    assert aside.returned_kg_s == 0.0 and aside.oversize_kg_s > 0.0
    assert aside.accepted_kg_s + aside.oversize_kg_s == pytest.approx(FRESH, rel=1e-9)
    assert back.accepted_kg_s > aside.accepted_kg_s
    direct = through(ready(config, SieveCut(0.4e-3)), SieveCut(0.4e-3), FRESH)
    assert direct.accepted_kg_s == aside.accepted_kg_s


def test_a_curve_of_what_passes_is_taken():
    flat = at_rate(0.5e-3, 0.8)
    curve = at_rate(0.5e-3, partition=lambda x: np.full(x.shape, 0.8))
    assert curve.circulating_load == pytest.approx(flat.circulating_load, rel=1e-12)


@pytest.mark.parametrize(("aperture", "efficiency", "said"), [
    (5e-6, 1.0, "aperture of 0.005 mm"), (50e-3, 1.0, "aperture of 50 mm"), (0.5e-3, 0.0, "efficiency of 0"),
    (0.5e-3, 1.2, "efficiency of 1.2"),
])  # fmt: skip
def test_sieves_that_make_no_sense_are_refused(aperture, efficiency, said):
    with pytest.raises(InputError, match=said):
        at_rate(aperture, efficiency)


def test_a_batch_and_a_bad_sieve_are_told_in_one_pass():
    with pytest.raises(InputError) as caught:
        closed(mills.config("batch"), 5e-6)
    assert len(caught.value.problems) == 2
    assert "is a batch, and a circuit runs steadily" in str(caught.value)


# --- how sure --------------------------------------------------------------------------------------------


def test_band_is_the_same_every_time_and_holds_the_best_guess():
    config = mills.config("demo", "run.class_ratio=1.3")
    first, second = (closed_band(config, 0.5e-3, 12, seed=3) for _ in range(2))
    for name, values in first.values.items():
        np.testing.assert_array_equal(values, second.values[name])
    low, high = first.ends("accepted_kg_s")
    assert 0.0 < low < closed(config, 0.5e-3).accepted_kg_s < high
    assert first.runs_share == 1.0


def test_a_band_hears_an_interrupt():
    def stop(done):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        closed_band(mills.config("demo", "run.class_ratio=1.3"), 0.5e-3, 12, seed=3, progress=stop)
