"""Heat answers: the balance closes, every answer put back into the config gives the limit, closed forms in time."""

import functools
import itertools
import re
from dataclasses import replace
from math import inf, isfinite, tanh

import mills
import numpy as np
import pytest

from millsim.errors import NoState
from millsim.forecast.run import predict
from millsim.laws import air, heat
from millsim.mill.chamber import air_curve
from millsim.mill.config.mill import load_config, parse_config
from millsim.mill.problem import build
from millsim.record.heatlimit import CONTACT_K
from millsim.record.limits import LIMITS, TEMPERATURE
from millsim.show.words.heat import sentences
from millsim.show.words.heat_tables import FEED_STEPS_K, coolants, heat_json
from millsim.studies.heat.answers import HOT_ROOM_K, answers
from millsim.studies.heat.cool import schedule
from millsim.studies.heat.runaway import HeatLoop, follow, runaway, toughens
from millsim.studies.heat.stand import Case, air_losses, at_room, changed, crossing, idle, inlet_flow, with_air

CONFIGS = mills.CONFIGS
STEADY = ("demo", "pla", "swinging", "tight_jam")
ZERO_C = 273.15
J7 = ("air.room=30 °C", "feed.temperature=30 °C", "casing.mass=6 kg", "feed.rate=4.38 kg/h")
WEAK_AIR = ("air.blower_pressure=0 Pa", "air.inlet_area=2 cm2", "drive.tip_speed=60 m/s")


@functools.cache
def found(name, *overrides, limit_C=None, air_m3_h=None, draws=0):
    limit = None if limit_C is None else limit_C + ZERO_C
    flow = None if air_m3_h is None else air_m3_h / 3600
    return answers(load_config(CONFIGS / f"{name}.toml", overrides), limit, flow, draws)


def case_of(name, *overrides, limit_K=318.15):
    a = found(name, *overrides)
    problem = build(a.config)
    return Case(problem, a.rate_kg_s, limit_K), problem.mill


def outlet(name, *overrides):
    return found(name, *overrides, limit_C=140).value("outlet_K")


# --- where it stands -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", STEADY)
def test_the_heat_balance_closes(name):
    a = found(name)
    parts = [a.value(f"by_{k}_W") for k in ("air", "powder", "casing")]
    assert sum(parts) == pytest.approx(a.value("heat_W"), rel=1e-4)
    assert min(parts) > 0.0


@pytest.mark.parametrize("name", STEADY)
def test_it_stands_where_predict_says(name):
    config = load_config(CONFIGS / f"{name}.toml", ["run.band_samples=0", "run.trace=false"])
    predicted = predict(config, engine="balance").main.scalars
    a = found(name)
    assert a.value("outlet_K") == pytest.approx(predicted["outlet_temperature_K"].value, abs=0.01)
    assert a.value("sieve_air_m3_s") == pytest.approx(predicted["air_flow_m3_s"].value, rel=1e-4)
    assert a.value("shaft_W") == pytest.approx(predicted["shaft_power_W"].value, rel=1e-4)
    assert a.rate_kg_s == pytest.approx(predicted["throughput_kg_s"].value, rel=1e-6)


@pytest.mark.parametrize("name", STEADY)
def test_pressures_add_up_to_fan_and_blower(name):
    case, mill = case_of(name)
    s = case.settle(mill).s
    dp, Q_max, *_ = air_curve(mill[0], s["T"], s["omega"], s["unblinded"])
    fan = max(0.0, dp * (1.0 - (s["Q"] / Q_max) ** 2))
    assert sum(air_losses(mill[0], s).values()) == pytest.approx(fan + mill[0]["blower"], rel=1e-9)


def test_idle_heat_is_windage_into_air_and_casing():
    case, mill = case_of("swinging")
    m, empty = mill[0], idle(mill)
    UA = heat.series_conductance(m["inner_heat_transfer"] * m["inner_area"], m["casing_heat_loss"])
    carried = empty.Q_m3_s * air.air_density(empty.chamber_K) * air.SPECIFIC_HEAT
    taken = carried * empty.rise_K + UA * (empty.chamber_K - m["T_room"])
    assert taken == pytest.approx(empty.windage_W, rel=1e-6)
    # Next to no feed is the same mill: the coupled balance at a gram an hour.
    assert replace(case, rate_kg_s=1e-3 / 3600).settle(mill).s["T"] == pytest.approx(empty.chamber_K, abs=0.1)


def test_default_limit_leaves_room_for_contact_spots():
    a = found("pla")
    assert a.limit_from == "card"
    assert a.limit_K == pytest.approx(ZERO_C + 50 - CONTACT_K)
    assert found("pla", "limits.outlet_temperature=44 °C").limit_K == pytest.approx(ZERO_C + 44)


@pytest.mark.parametrize(
    ("below_limit_K", "below_sticking_K", "told"),
    [
        (30.0, 14.9, "30 K below the limit, and 15 K below sticking"), (30.0, 15.1, "30 K below the limit"),
        (0.4, 40.0, "at the limit"), (0.6, 40.0, "1 K below the limit"),
        (0.0, 14.9, "at the limit, and 15 K below sticking"),
        (-0.04, 40.0, "at the limit"), (-0.06, 40.0, "0.1 K over the limit"),
    ],
)  # fmt: skip
def test_how_near_it_is_to_limit_and_sticking(below_limit_K, below_sticking_K, told):
    a = found("pla")
    T = a.value("outlet_K")
    a = replace(a, limit_K=T + below_limit_K, stick_K=T + below_sticking_K)
    assert sentences(a)[0].endswith(f": {told}.")


@pytest.mark.parametrize(
    ("limit_C", "overrides"),
    [(15, ()), (20, ()), (None, ("air.room=40 °C",)),
     (None, ("limits.outlet_temperature=10 °C", "feed.temperature=-78 °C"))],
)  # fmt: skip
def test_a_limit_not_above_the_room_is_answered(limit_C, overrides):
    a = found("pla", *overrides, limit_C=limit_C)
    if a.note != "cannot":
        assert a.value("largest_kg_s") == 0.0 and a.value("air_needed_m3_s") == float("inf")
        assert "Largest feed rate within the limit: none, for the room is as warm." in sentences(a)
    else:  # its own limit is below the room: even the empty mill is over it
        assert a.value("idle_K") > a.limit_K and "It cannot run like this" in sentences(a)[0]


def test_largest_rate_is_the_capacity_with_that_limit():
    a = found("pla", limit_C=40)
    again = mills.capacity("pla", "limits.outlet_temperature=40 °C")
    assert a.value("largest_kg_s") == pytest.approx(float(again.state["F"]), rel=1e-4)
    assert a.largest_binding == again.binding == LIMITS[TEMPERATURE]
    assert outlet("pla", f"feed.rate={a.value('largest_kg_s') * 3600} kg/h") == pytest.approx(ZERO_C + 40, abs=0.05)


def test_where_heat_does_not_bind_the_other_limit_is_named():
    a = found("demo")
    assert a.largest_binding == "shaft power"
    assert "not heat but the shaft power limits it" in " ".join(sentences(a))


def test_blower_that_keeps_the_limit():
    a = found("pla", "feed.rate=6 kg/h", limit_C=35)
    pressure = a.value("blower_needed_Pa")
    again = found("pla", "feed.rate=6 kg/h", f"air.blower_pressure={pressure} Pa", limit_C=140)
    assert again.value("outlet_K") == pytest.approx(ZERO_C + 35, abs=0.02)
    assert again.value("air_m3_s") == pytest.approx(a.value("air_needed_m3_s"), rel=1e-4)
    # More air than the rotor moves by itself: it stands in the way, and blower is what all four take.
    losses = [a.value(f"needed_{k}_Pa") for k in ("inlet", "sieve", "filter", "rotor")]
    assert min(losses) > 0.0
    assert sum(losses) == pytest.approx(pressure, rel=1e-4)


def test_cooler_that_keeps_the_limit():
    a = found("pla", "feed.rate=5 kg/h")
    T = a.value("cooler_K") - ZERO_C
    own = ("air.recirculated=0.9", f"air.cooler_outlet={T} °C")
    again = found("pla", "feed.rate=5 kg/h", *own)
    assert again.value("outlet_K") == pytest.approx(a.limit_K, abs=0.02)
    carried = again.value("sieve_air_m3_s") * air.air_density(again.value("air_K")) * air.SPECIFIC_HEAT
    assert a.value("cooler_W") == pytest.approx(0.9 * carried * (again.value("air_K") - a.value("cooler_K")), rel=1e-3)
    assert again.value("cooler_K") == pytest.approx(a.value("cooler_K"), abs=0.05)


def test_feed_temperature_that_keeps_the_limit():
    a = found("pla", "feed.rate=5 kg/h")
    T = a.value("feed_K") - ZERO_C
    assert outlet("pla", "feed.rate=5 kg/h", f"feed.temperature={T} °C") == pytest.approx(a.limit_K, abs=0.02)
    iced = outlet("pla", "feed.rate=5 kg/h", "feed.temperature=-78.5 °C")
    assert a.value("iced_K") == pytest.approx(iced, abs=0.02)


def test_twice_the_air():
    a = found("demo")
    case, mill = case_of("demo")
    new = with_air(case, mill, 2.0 * a.value("air_m3_s"))
    s = case.settle(new)
    assert inlet_flow(new[0], s.s) == pytest.approx(2.0 * a.value("air_m3_s"), rel=1e-4)
    again = outlet("demo", f"feed.rate={a.rate_kg_s * 3600} kg/h", f"air.blower_pressure={float(new['blower'][0])} Pa")
    assert a.value("doubled_K") == pytest.approx(again, abs=0.05)


def test_hot_day_is_another_room():
    # Fed less than the most: acrylic is tougher on a hot day, and the motor drives less.
    a = found("demo", "feed.rate=2.5 kg/h")
    hot = ("feed.rate=2.5 kg/h", "air.room=35 °C", "feed.temperature=35 °C")
    assert a.hot_room_K == HOT_ROOM_K
    assert a.value("hot_K") == pytest.approx(outlet("demo", *hot), abs=0.02)
    assert a.value("hot_idle_rise_dK") == pytest.approx(found("demo", *hot).value("idle_rise_dK"), rel=1e-6)
    most = mills.capacity("demo", *hot[1:], "limits.outlet_temperature=70 °C")
    assert a.value("hot_largest_kg_s") == pytest.approx(float(most.state["F"]), rel=1e-4)
    assert a.value("hot_largest_kg_s") < a.value("largest_kg_s")


def test_a_cooler_keeps_its_temperature_on_a_hot_day():
    _, mill = case_of("pla", "air.recirculated=0.5", "air.cooler_outlet=10 °C")
    hot = at_room(mill, 308.15, 0.5)
    assert hot["T_air_in"][0] == pytest.approx(0.5 * 308.15 + 0.5 * 283.15)
    assert hot["T_feed"][0] == pytest.approx(308.15)  # feed from the room
    chilled = at_room(changed(mill, T_feed=250.0), 308.15, 0.5)
    assert chilled["T_feed"][0] == pytest.approx(250.0)


def test_out_of_reach_is_said_not_guessed():
    a = found("pla", "air.room=34 °C", "feed.rate=6 kg/h")
    assert a.value("air_needed_m3_s") == inf
    assert isfinite(a.value("cooler_K"))
    text = " ".join(sentences(a))
    assert "no blower up to 20 kPa keeps the limit" in text
    assert heat_json(a)["figures"]["air_needed_m3_s"]["value"] is None
    assert heat_json(a)["figures"]["air_needed_m3_s"]["meaning"] == "out of reach"


def test_what_is_not_needed_is_said():
    a = found("swinging")
    text = " ".join(sentences(a))
    assert "the rotor's own fan moves more than that without a blower" in text
    assert "Batches and pauses: for heat none are needed" in text
    assert "Chilled feed: not needed" in text
    assert a.value("feed_K") == inf


# --- journey: a heat-limited PLA mill --------------------------------------------------------------------


def test_heat_limited_pla_mill_by_hand():
    # PLA, 500 W net, 60 m3/h of air, 6 kg of steel, a room of 30 C: +25 K if all leaves with the air, so 55 C, over the
    # 50 C of PLA; twice the air halves the rise; 45 C after 132 s if all heat goes through the casing first.
    a = found("pla", *J7, limit_C=45, air_m3_h=60)
    assert a.value("heat_W") == pytest.approx(500, abs=5)
    assert a.value("air_m3_s") * 3600 == pytest.approx(60, abs=0.05)
    rho = air.air_density(303.15)
    assert a.value("air_alone_dK") == pytest.approx(a.value("heat_W") / (rho * 1006 * 60 / 3600), rel=1e-4)
    assert a.value("air_alone_dK") == pytest.approx(25, abs=1)
    rise = a.value("air_K") - 303.15
    assert 0.85 * a.value("air_alone_dK") < rise < a.value("air_alone_dK")  # powder and casing take their share
    assert a.value("outlet_K") > a.stick_K
    text = " ".join(sentences(a))
    assert "over the 50 °C at which it sticks" in text
    assert "the air would warm by 26 K" in text
    assert (a.value("doubled_K") - 303.15) / (a.value("outlet_K") - 303.15) == pytest.approx(0.6, abs=0.1)
    assert a.value("most_run_s") == pytest.approx(132, rel=0.2)
    assert a.value("run_s") == 0.0
    assert 0.0 < a.value("largest_kg_s") < a.rate_kg_s
    assert a.largest_binding == "outlet temperature"
    assert a.toughens
    assert 0.01 < a.runaway.gain < 0.2 and a.runaway.threshold_K == inf
    said = next(x for x in sentences(a) if x.lower().startswith("runaway"))
    assert said.startswith(
        "Runaway: in a room of 30 °C none found up to 103 °C. Heat feeds itself a little (hotter, tougher, hotter)"
    )


def test_powder_hotter_than_its_air_is_the_reason_on_a_hot_day():
    # The air alone would stay below 45 C; the powder, heated by the hits on it, does not, and with less feed no better.
    a = found("pla", limit_C=45)
    assert a.value("hot_largest_kg_s") == 0.0 and a.hot_binding == "outlet temperature"
    hot = ("air.room=35 °C", "feed.temperature=35 °C", "feed.rate=50 g/h")
    put_back = found("pla", *hot, limit_C=45)
    for name in ("air_K", "powder_K"):
        assert a.value(f"hot_least_{name}") == pytest.approx(put_back.value(name), abs=0.05)
    assert a.value("hot_least_air_K") < a.limit_K - 5.0 < a.limit_K < a.value("hot_least_powder_K")
    text = next(s for s in sentences(a) if s.startswith("Hot day"))
    assert re.search(
        r"nothing can be milled within 45 °C: even at 50 g/h the powder leaves at 47 °C, \d K above the air", text
    )
    assert "because hits heat the pieces themselves" in text
    assert np.isnan(a.value("least_powder_K")), "in the room of today it can be milled"
    none = next(s for s in sentences(put_back) if s.startswith("Largest"))
    assert "with next to no feed: even at 50 g/h the powder leaves at 47 °C" in none


def test_air_that_is_too_hot_itself_is_not_blamed_on_the_powder():
    text = " ".join(sentences(found("pla", "air.inlet_area=1 cm2", "air.blower_pressure=0 Pa")))
    assert "the outlet temperature is over its limit" in text
    assert found("pla", limit_C=140).value("hot_largest_kg_s") > 0.0
    assert "powder leaves" not in " ".join(sentences(found("pla", limit_C=140)))


# --- batches and pauses ----------------------------------------------------------------------------------


def two_stores(m, s, p, casing, seconds, heat_W, fed, step=0.5):
    """(chamber, casing) [K] after `seconds`: chamber without a store, casing in explicit steps (heat.md)."""
    inner, UA, C = m["inner_heat_transfer"] * m["inner_area"], m["casing_heat_loss"], m["casing_capacity"]
    carried = s["Q"] * air.air_density(s["T"]) * air.SPECIFIC_HEAT if s["Q"] else 0.0
    F, offset, warmed = (s["F"], p["offset"], p["warmed"]) if fed else (0.0, 0.0, 1.0)
    for _ in range(int(seconds / step)):
        T = heat.chamber_temperature(
            heat_W, F, m["specific_heat"], m["heat_exponent_share"], m["T_feed"], warmed, offset, carried,
            m["T_air_in"], inner, casing,
        )  # fmt: skip
        casing += step * (inner * (T - casing) - UA * (casing - m["T_room"])) / C
    return T, casing


def test_run_and_pause_against_stepping_in_time():
    case, mill = case_of("pla", *WEAK_AIR, "feed.rate=1.5 kg/h", limit_K=ZERO_C + 55)
    m, here = mill[0], case.settle(mill)
    plan = schedule(case, mill, here)
    assert plan["run_s"] > 60.0
    T, casing = two_stores(m, here.s, here.p, m["T_room"], plan["run_s"], here.heat_W, True)
    powder = here.p["warmed"] * T + here.p["offset"]
    assert max(T, powder) == pytest.approx(case.limit_K, abs=0.2)
    rise = casing - m["T_room"]
    # Stopped: only the casing's outside cools it, to half of its rise.
    left = rise * np.exp(-plan["pause_stop_s"] * m["casing_heat_loss"] / m["casing_capacity"])
    assert left == pytest.approx(0.5 * rise, rel=1e-9)
    T, _ = two_stores(m, here.s, here.p, m["T_room"] + 0.5 * rise, plan["next_s"], here.heat_W, True)
    assert max(T, here.p["warmed"] * T + here.p["offset"]) == pytest.approx(case.limit_K, abs=0.3)
    cycle = plan["next_s"] + min(plan["pause_stop_s"], plan["pause_idle_s"])
    assert plan["mean_kg_s"] == pytest.approx(case.rate_kg_s * plan["next_s"] / cycle)


def test_one_store_takes_longer_than_two():
    case, mill = case_of("pla", *WEAK_AIR, "feed.rate=1.5 kg/h", limit_K=ZERO_C + 55)
    plan = schedule(case, mill, case.settle(mill))
    assert plan["most_run_s"] > plan["run_s"]


def test_a_heavier_casing_buys_time_in_proportion():
    def runs(kg):
        return found("pla", *WEAK_AIR, "feed.rate=1.5 kg/h", f"casing.mass={kg} kg", limit_C=55).value("run_s")

    assert runs(10) == pytest.approx(2.0 * runs(5), rel=1e-6)


def test_pauses_that_give_less_than_steady_feed_are_called_so():
    text = " ".join(sentences(found("pla", *WEAK_AIR, "feed.rate=1.5 kg/h", limit_C=55)))
    assert "From cold it runs" in text
    assert "Fed steadily it gives more" in text


# --- runaway ---------------------------------------------------------------------------------------------


def s_curve(T):
    """A made-up answer with states at 320 (stays), 350 (tips over) and 380 K (hot, stays)."""
    return T - 0.25 * 30.0 * (tanh((T - 320.0) / 15.0) - tanh((T - 350.0) / 15.0) + tanh((T - 380.0) / 15.0))


def test_a_hot_second_state_is_found():
    excess = [crossing(lambda t: s_curve(t) - t, a, b, 1e-9) for a, b in ((310, 330), (340, 360), (370, 390))]
    r = follow(s_curve, excess[0], 420.0)
    slope = (s_curve(excess[0] + 1e-4) - s_curve(excess[0] - 1e-4)) / 2e-4
    assert r.gain == pytest.approx(slope, abs=2e-3)
    assert r.threshold_K == pytest.approx(excess[1], abs=0.05)
    assert r.hot_K == pytest.approx(excess[2], abs=0.05)
    # Stepping the loop agrees: below the threshold it comes back, above it goes on to the hot state.
    for start, end in ((r.threshold_K - 0.5, excess[0]), (r.threshold_K + 0.5, excess[2])):
        T = start
        for _ in range(2000):
            T += 0.5 * (s_curve(T) - T)
        assert T == pytest.approx(end, abs=0.01)


def test_a_loop_without_a_second_state_has_none():
    r = follow(lambda t: 320.0 + 0.3 * (t - 320.0), 320.0, 400.0)
    assert r.gain == pytest.approx(0.3)
    assert r.threshold_K == inf


def test_gain_above_one_is_no_state_to_stay_in():
    r = follow(lambda t: 320.0 + 1.5 * (t - 320.0), 320.0, 400.0)
    assert r.gain == pytest.approx(1.5)
    assert r.threshold_K == pytest.approx(320.0)


def test_a_mill_that_chokes_when_hot():
    r = follow(lambda t: 320.0 if t < 352.0 else inf, 320.0, 400.0)
    assert r.threshold_K == pytest.approx(352.0, abs=0.02)
    assert r.hot_K == inf


def test_gain_is_what_amplifies_a_disturbance():
    # 1 K more in the air that enters moves the settled chamber by the direct effect over 1 - gain.
    case, mill = case_of("pla", "air.blower_pressure=0 Pa", "air.inlet_area=4 cm2", "feed.rate=3 kg/h")
    here = case.settle(mill)
    T, warmer = float(here.s["T"]), changed(mill, T_air_in=float(mill["T_air_in"][0]) + 1.0)
    direct = HeatLoop(case, warmer, here)(T) - HeatLoop(case, mill, here)(T)
    moved = float(case.settle(warmer).s["T"]) - T
    r = runaway(case, mill, here)
    assert r.gain > 0.03
    assert moved / direct == pytest.approx(1.0 / (1.0 - r.gain), rel=0.01)


def test_the_loop_answers_itself_at_the_settled_state():
    case, mill = case_of("demo")
    here = case.settle(mill)
    T = float(here.s["T"])
    assert HeatLoop(case, mill, here)(T) == pytest.approx(T, abs=1e-3)


def test_a_steeply_toughening_material_runs_away(tmp_path):
    # An invented material that doubles its threshold from -20 to 20 C: from some temperature on the mill chokes; not so
    # where it is as tough cold as warm.
    problem = build(load_config(mills.steep_mill(tmp_path), mills.STEEP))
    case, steep = Case(problem, 14.0 / 3600.0, 400.0), problem.mill
    here = case.settle(steep)
    r = runaway(case, steep, here)
    assert here.s["T"] + 20.0 < r.threshold_K < r.top_K
    assert not isfinite(r.hot_K)
    mild = changed(steep, f_mat_cold=steep[0]["f_mat_warm"], xw_min_cold=steep[0]["xw_min_warm"])
    assert runaway(case, mild, case.settle(mild)).threshold_K == inf


def test_a_card_without_cold_values_cannot_show_it():
    stone = "feed.material=limestone"
    assert not toughens(build(mills.config("demo", stone)).mill)
    assert "cannot show that it gets tougher with heat" in " ".join(sentences(found("demo", stone)))
    assert toughens(build(mills.config("demo")).mill)
    assert toughens(build(mills.config("pla")).mill)
    assert "cannot show" not in " ".join(sentences(found("pla")))


# --- rates, batches, bands -------------------------------------------------------------------------------


def test_a_rate_that_only_heat_is_against_is_followed():
    a = found("pla", *WEAK_AIR, "feed.rate=1.3 kg/h")
    assert a.note == "hot"
    assert a.rate_kg_s == pytest.approx(1.3 / 3600)
    assert a.value("outlet_K") > a.stick_K


def test_a_rate_that_jams_is_not():
    a = found("tight_jam")
    assert (a.note, a.binding) == ("over", "jam")
    assert 2 / 3600 < a.rate_kg_s < 0.5 * a.config.feed.rate_kg_s


def test_a_mill_too_hot_when_empty():
    a = found("pla", "air.inlet_area=1 cm2", "air.blower_pressure=0 Pa")
    assert (a.note, a.binding) == ("cannot", "outlet temperature")
    assert a.value("idle_K") > a.stick_K
    assert "largest_kg_s" not in a.values
    text = " ".join(sentences(a))
    assert "cannot run like this" in text
    assert "Air needed by the empty mill" in text


def test_batch():
    a = found("batch")
    own = mills.outcome("batch")
    assert a.value("outlet_K") == pytest.approx(float(own.history["T"].max()), abs=0.5)  # coarser steps
    assert a.value("run_s") == inf
    assert a.runaway is None
    hot = found("batch", limit_C=40)
    t = hot.value("run_s")
    assert 0.0 < t < 120.0
    assert np.interp(t, own.history["end"], own.history["T"]) == pytest.approx(ZERO_C + 40, abs=1.0)
    assert hot.value("largest_kg") < a.value("largest_kg")
    assert "after" in " ".join(sentences(hot))


def test_the_cooler_of_a_batch_takes_its_heat_at_the_peak():
    # More than the heat on average, for it is reckoned at the limit, which only the peak reaches.
    batch = found("batch")
    assert batch.value("cooler_W") > 1.5 * batch.value("heat_W")
    (text,) = [s for s in sentences(batch) if s.startswith("Air in a circle")]
    watts = re.search(r"the cooler takes (\d+) W at the peak;", text)
    assert float(watts[1]) == pytest.approx(batch.value("cooler_W"), rel=0.01)
    assert "at the peak" not in " ".join(sentences(found("pla")))


def test_largest_charge_stands_at_a_limit():
    a = found("batch")
    full = mills.outcome("batch", f"feed.batch_mass={a.value('largest_kg') * 1e3} g")
    assert full.loads.max() == pytest.approx(1.0, abs=0.05)


def test_bands_hold_the_plausible_answer_and_repeat():
    a, again = found("pla", draws=12), answers(load_config(CONFIGS / "pla.toml"), draws=12)
    for name in ("outlet_K", "air_m3_s", "idle_rise_dK", "largest_kg_s"):
        s = a.values[name]
        assert s.low <= s.value <= s.high
        assert s == again.values[name]
    assert np.isnan(found("pla").values["outlet_K"].low)


def test_measured_air_holds_in_every_draw():
    s = found("pla", "feed.rate=3 kg/h", air_m3_h=80, draws=8).values["air_m3_s"]
    assert s.low * 3600 == pytest.approx(80, abs=0.1)
    assert s.high * 3600 == pytest.approx(80, abs=0.1)


def test_coolant_table_is_colder_dearer():
    rows = [r for r in coolants(found("pla")) if r["what"] == "chill"]
    assert {r["feed_K"] for r in rows} > set(FEED_STEPS_K)
    for name in ("heat_J_kg", "nitrogen"):
        values = [r[name] for r in rows]
        assert values == sorted(values)
    assert [r["dry_ice"] for r in rows if r["feed_K"] < 194.0] == [inf]  # dry ice goes no colder
    dearest = coolants(found("pla"))[-1]
    a = found("pla")
    per_kg = a.value("heat_W") / a.rate_kg_s
    assert dearest["heat_J_kg"] == pytest.approx(per_kg)
    assert dearest["nitrogen"] == pytest.approx(1.2 * per_kg / (199e3 + 1040 * (a.limit_K - 77.36)), rel=1e-6)


@pytest.mark.parametrize("m3_h", [40, 100])
def test_measured_air_of_a_batch(m3_h):
    a = found("batch", air_m3_h=m3_h)
    assert a.value("air_m3_s") * 3600 == pytest.approx(m3_h, rel=5e-3)
    assert a.air_given


def test_air_that_no_steady_state_goes_with_is_refused():
    with pytest.raises(NoState, match="1 m3/h of air leaves this mill no steady temperature") as told:
        found("demo", air_m3_h=1)
    assert told.value.exit_code == 3  # an answer, and no failure
    with pytest.raises(NoState, match="no blower drives 3000 m3/h of air through this mill"):
        found("batch", air_m3_h=3000)


def test_a_mill_that_hardly_grinds_is_told_so_with_measured_air_too():
    slow = ("rotor.radius=35 mm", "drive.speed_under_load=1500 rpm", "drive.rated_power=60 W", "sieve.hole=0.2 mm")
    a = found("demo", *slow, air_m3_h=60)
    assert (a.note, a.binding) == ("cannot", "grinding")


def test_feed_chilled_already_costs_what_it_costs():
    a = found("pla", "feed.temperature=-78.5 °C")
    assert a.value("own_dry_ice") == pytest.approx(found("pla").value("iced_dry_ice"))
    text = " ".join(sentences(a))
    assert "Feed at -78 °C, as configured, takes 0.22 kg of dry ice" in text
    assert "no colder than it is" in text


def test_a_cooler_is_sought_from_where_the_mill_stands():
    # At 4.5 m/s this mill floods in colder air before it could ever get hot: no answer may be made of that jump.
    slow = ("drive.tip_speed=4.5 m/s", "drive.speed_under_load=675 rpm")
    a = found("demo", *slow)
    assert a.value("cooler_K") == inf
    assert a.runaway.gain == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize(("beyond", "last"), [(inf, inf), (inf, 40.0), (40.0, 40.0)])
@pytest.mark.parametrize(
    ("end", "left"),
    [
        *itertools.product((1.0, 0.05, 0.99), (0.5, 0.02, 2e-3, -0.5, -20.0)),
        *itertools.product((0.015, 1e-3), (0.02, 2e-3, -0.5, -20.0)),
        (1e-9, -0.5),
    ],
)
def test_a_crossing_before_a_state_ends_is_found_and_none_is_not_sought_for_long(end, left, beyond, last):
    """A state that ends in a fold at `end`, with `left` above zero or below there; beyond: what there is past it, or
    nothing; last: at the far end.
    """
    calls = []

    def over(x):
        calls.append(x)
        return last if x == 1.5 else beyond if x > end else left - 3.0 * np.sqrt(end - x)

    found = crossing(over, 0.0, 1.5)
    if left > 0.0:
        expected = end - (left / 3.0) ** 2
        assert abs(over(found)) <= 1e-3 and found == pytest.approx(expected, abs=1e-3)
    else:
        most = {inf: (18, 9), 40.0: (40, 15)}[beyond] if last == beyond else (19, 8)
        assert np.isnan(found) and len(calls) <= most[0]
        assert sum(x > end for x in calls) <= most[1]  # which may have no state, and then cost most


@pytest.mark.parametrize("at", [0.3, 0.77, 1.2])
def test_of_a_jump_between_two_states_the_side_that_keeps_the_limit_is_found(at):
    for sign in (1.0, -1.0):  # too warm below the jump, or above it

        def over(x, sign=sign):
            return (15.0 if sign * (x - at) < 0.0 else -4.6) - sign * x

        assert np.isnan(crossing(over, 0.0, 1.5))
        u = crossing(over, 0.0, 1.5, kept=True)
        assert over(u) < 0.0 and abs(u - at) <= 0.01 * 1.5
    assert np.isnan(crossing(lambda x: inf if x > at else -1.0, 0.0, 1.5, kept=True))  # there no state is kept


@pytest.mark.parametrize(("end", "left"), [(e, x) for e in (1.4, 0.77, 1e-3) for x in (-0.02, -0.5, -20.0)])
def test_where_a_state_ends_that_keeps_the_limit_is_told(end, left):
    def over(x):
        return inf if x > end else left - 3.0 * np.sqrt(end - x)

    assert np.isnan(crossing(over, 0.0, 1.5, kept=True))
    x = crossing(over, 0.0, 1.5, ends=True)
    assert over(x) < 0.0 and abs(x - end) <= 0.01 * 1.5


def test_a_mill_that_floods_with_less_air_needs_what_it_stands_with():
    # Wheat at a slow rotor gets tougher as it gets warmer. With less air it floods, far from the limit on heat; that it
    # needs next to no air was told of such mills.
    wheat = ("rotor.radius=114 mm", "rotor.bars=5", "rotor.bar_height=9.15 mm", "rotor.edge=blunt",
             "stator.gap=1.66 mm", "sieve.hole=1.2075 mm", "sieve.area=23.3 cm2", "drive.rated_power=426 W",
             "feed.material=wheat", "run.class_ratio=1.5", "rotor.rings=2", "rotor.ring_spacing=4.31 mm",
             "sieve.pitch=1.45 mm", "feed.size.size=1.21 mm", "drive.tip_speed=12.2 m/s",
             "feed.rate=1.23 kg/h")  # fmt: skip
    a = answers(mills.config("pla", *wheat), draws=0)
    mill, pressure = build(a.config).mill, a.value("blower_needed_Pa")
    case = Case(build(a.config), a.rate_kg_s, a.limit_K)
    assert a.note == "" and a.value("outlet_K") < a.limit_K - 10.0
    assert 0.0 < a.value("air_needed_m3_s") < a.value("air_m3_s")
    assert case.outlet(changed(mill, blower=pressure)) < a.limit_K
    assert case.outlet(changed(mill, blower=pressure + 0.2 * (pressure - mill["blower"][0]))) == inf


SLOW_NYLON = """
mill = {name = "slow mill"}
rotor = {radius = "70 mm", bars = 6, bar_height = "20 mm", bar_thickness = "8 mm", edge = "blunt", mount = "rigid"}
stator = {kind = "pins", pins = 12, pin_diameter = "10 mm", free_length = "20 mm", gap = "2 mm"}
sieve = {kind = "plate", hole = "2 mm", pitch = "4 mm", thickness = "2 mm", angle = "180 deg"}
drive = {kind = "motor", rated_power = "1500 W", rated_at = "input", efficiency = 0.6, speed = "3000 rpm"}
air = {inlet_area = "15 cm2", blower_pressure = "0 Pa"}
feed = {material = "pa", handful = "50 g", every = "30 s", opening = "25 mm", size = {kind = "single", size = "3 mm"}}
"""


def test_air_that_keeps_the_limit_by_a_jump_is_told_as_the_cures_tell_it():
    a = answers(parse_config(SLOW_NYLON), draws=0)
    assert a.value("outlet_K") > a.limit_K + 5.0
    assert a.value("air_m3_s") < a.value("air_needed_m3_s") < 2.0 * a.value("air_m3_s")
    assert 0.0 < a.value("blower_needed_Pa") < 500.0  # what a cure, tried by itself, does with
    assert "no blower" not in " ".join(sentences(a)) and a.value("feed_K") > 200.0
