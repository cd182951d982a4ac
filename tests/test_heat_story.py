"""One limit on heat for all commands, what is no powder, rooms and feeds, and the ways out where heat is against it."""

import json
from dataclasses import replace
from types import SimpleNamespace

import mills
import numpy as np
import pytest
from click.testing import CliRunner
from scipy.integrate import quad

from millsim.commands.main import cli
from millsim.errors import InputError
from millsim.explore.choose import sentences
from millsim.forecast.outcome import solve
from millsim.forecast.run import predict
from millsim.mill.problem import build
from millsim.record.heatlimit import heat_limit
from millsim.show.words.advice import how_hot
from millsim.show.words.heat import sentences as sentences_of_heat
from millsim.show.words.heat_tables import heat_json
from millsim.studies.changes import tried, what_helps, with_keys
from millsim.studies.heat.answers import AIR, CHILL, INLET, LESS, PAUSES, SLOWER, answers, hot_room
from millsim.studies.heat.stand import Case, at_room
from millsim.studies.heatways import helped

QUICK = ("run.band_samples=0", "run.trace=false", "run.engine=balance", "run.class_ratio=1.6")
STARVED = ("air.inlet_area=1 cm2", "air.blower_pressure=0 Pa")  # of air: it cannot run
ZERO_C = 273.15
SPOTS = "because contact spots run 30 to 60 K hotter than the powder"


def run(command, name, *overrides, options=()):
    sets = [w for o in (*QUICK, *overrides) for w in ("--set", o)]
    return CliRunner().invoke(cli, [command, str(mills.CONFIGS / f"{name}.toml"), "--full", *sets, *options])


def flat(text):
    return " ".join(text.split())


# --- one limit -------------------------------------------------------------------------------------------


def test_a_card_gives_two_numbers_and_a_user_one():
    card, own = heat_limit(358.15), heat_limit(358.15, 333.15)
    assert (card.most_K, card.advised_K) == (358.15, pytest.approx(343.15))  # 15 K below
    assert own.most_K == own.advised_K == 333.15
    assert [bool(card.near(T)) for T in (343.0, 343.3, 358.1, 358.3)] == [False, True, True, False]
    assert not any(own.near(T) for T in (320.0, 333.0, 334.0, 350.0))
    assert "which is less" in heat_limit(323.15, 333.15).words() and "which is less" not in own.words()


@pytest.mark.parametrize("command", ["predict", "heat", "check"])
def test_every_command_tells_the_same_limit(command):
    text = flat(run(command, "demo").stdout)
    assert f"y its card it sticks at 85 °C, and at most 70 °C is advised, {SPOTS}" in text
    own = flat(run(command, "demo", "limits.outlet_temperature=60 °C").stdout)
    assert "t most 60 °C (limits.outlet_temperature); by its card it sticks at 85 °C" in own
    assert "advised" not in own


@pytest.mark.parametrize(
    ("outlet_C", "overrides", "told"),
    [(60, (), ""), (80, (), "less than the advised 15 K to the sticking temperature (5 K are left)"),
     (80, ("limits.outlet_temperature=82 °C",), ""), (85, (), "(0 K are left)")],
)  # fmt: skip
def test_a_choice_warmer_than_advised_says_so(monkeypatch, outlet_C, overrides, told):
    monkeypatch.setattr(sentences, "config_at", lambda *_: mills.config("demo", *overrides))
    judged = SimpleNamespace(points=SimpleNamespace(values={"outlet_temperature_K": np.array([ZERO_C + outlet_C])}))
    said = sentences.heat_words(SimpleNamespace(replicates=1), judged, 0)
    assert told in said and bool(said) == bool(told)


# --- no powder -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "overrides"),
    [
        ("demo", ("limits.outlet_temperature=120 °C", "air.inlet_area=0.5 cm2", "air.blower_pressure=0 Pa")),
        ("batch", ("air.inlet_area=0.5 cm2", "air.fan=false", "feed.batch_time=3 min")),
    ],
)
def test_what_sticks_is_no_powder_and_has_no_sizes(name, overrides):
    done = run("predict", name, *overrides)
    text = flat(done.stdout)
    assert "makes no powder like this: at" in text, text[:500]
    assert "No sizes are given." in text and "x50 =" not in text and "nan" not in text
    assert "it is no powder but sticks, smears or scorches from 85 °C on (its card)" in text
    found = json.loads(run("predict", name, *overrides, options=("--json",)).stdout)
    assert found["outlet_temperature_K"] > ZERO_C + 85.0
    assert found["product"]["x50_m"] is None and found["throughput_kg_s"] > 0.0
    if name == "batch":
        assert "it is no powder but sticks" in flat(run("heat", name, *overrides).stdout)


def test_a_powder_below_sticking_has_sizes():
    found = json.loads(run("predict", "demo", options=("--json",)).stdout)
    assert found["product"]["x50_m"] > 0.0


# --- rooms, feeds, hot days ------------------------------------------------------------------------------


def test_a_hot_day_warms_room_and_feed_alike():
    # Derived: with room, air and feed all warmer by as much, the outlet is warmer by about as much: less by what
    # thinner air saves of windage, more by the heat it does not carry and tougher pieces take. No step over the range.
    p = mills.problem("pla", "feed.rate=3 kg/h", "feed.temperature=18 °C")
    rooms = ZERO_C + np.arange(20.0, 46.0, 2.0)
    hot = [at_room(p.mill, T, 0.0) for T in rooms]
    fed = np.array([float(m["T_feed"][0]) for m in hot])
    assert fed - rooms == pytest.approx(-2.0)
    outlets = [Case(p, 3.0 / 3600.0, 400.0).outlet(m) for m in hot]
    slope = np.diff(outlets) / 2.0
    assert np.all((slope > 0.8) & (slope < 1.3)) and np.all(np.abs(np.diff(slope)) < 0.03), slope


@pytest.mark.parametrize(("feed_C", "hot_C"), [(20, 35), (15, 30), (-78, -78), (60, 60)])
def test_a_cold_box_and_a_dryer_know_no_hot_day(feed_C, hot_C):
    p = mills.problem("demo", f"feed.temperature={feed_C} °C")
    assert float(at_room(p.mill, ZERO_C + 35.0, 0.0)["T_feed"][0]) == pytest.approx(ZERO_C + hot_C)


def test_hot_days_are_the_user_s():
    demo, warm = mills.config("demo"), mills.config("demo", "air.room=40 °C")
    assert hot_room(demo) == ZERO_C + 35.0 and hot_room(warm) == pytest.approx(ZERO_C + 50.0)
    assert hot_room(demo, ZERO_C + 28.0) == ZERO_C + 28.0
    with pytest.raises(InputError, match="not warmer than the room"):
        hot_room(warm, ZERO_C + 28.0)


def test_room_feed_and_hot_day_are_options():
    asked = ("--room", "30 °C", "--feed", "25 °C", "--hot-day", "41 °C", "--json")
    found = json.loads(run("heat", "pla", options=asked).stdout)
    same = run("heat", "pla", "air.room=30 °C", "feed.temperature=25 °C", options=("--hot-day", "41 °C", "--json"))
    assert found["figures"] == json.loads(same.stdout)["figures"]
    assert found["hot_room_K"] == pytest.approx(ZERO_C + 41.0)


@pytest.mark.parametrize(
    ("options", "asked"),
    [(("--room", "30 °C"), True), (("--room", "30 °C", "--feed", "20 °C"), False), (("--room", "21 °C"), False),
     (("--room", "30 °C", "--feed", "30 °C"), False), ((), False)],
)  # fmt: skip
def test_a_room_warmer_than_the_feed_as_given_is_asked_about(options, asked):
    text = flat(run("heat", "demo", options=options).stdout)
    said = 'Is the feed really at 20 °C in a room of 30 °C, as given and reckoned here? Feed that has lain there is as warm as the room: --feed "30 °C".'  # noqa: E501
    assert (said in text) == asked


# --- ways out --------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def starved():
    return helped(answers(mills.config("pla", *QUICK, *STARVED), draws=0))


@pytest.fixture(scope="module")
def hot_room_45():
    return helped(answers(mills.config("pla", *QUICK, "air.room=45 °C", "feed.temperature=45 °C"), draws=0))


def test_ways_stand_in_the_order_of_a_workshop(starved, hot_room_45):
    order = (INLET, AIR, LESS, CHILL, PAUSES, SLOWER)
    for a in (starved, hot_room_45):
        works = [x.kind for x in a.ways if x.rate_kg_s > 0.0]
        assert works == sorted(works, key=order.index) and works
        assert {x.kind for x in a.ways} == set(order)
    assert starved.ways[0].kind == INLET


def test_each_way_gives_what_the_mill_so_changed_takes(starved):
    # The changed config with the limit as the user's own, solved as `predict` solves it.
    known = [x for x in starved.ways if x.keys and x.rate_kg_s > 0.0]
    assert {x.kind for x in known} >= {INLET, AIR, SLOWER}
    for x in known:
        limit = f"limits.outlet_temperature={x.limit_K - ZERO_C:.6f} degC"
        o = solve(build(with_keys(starved.config, (*x.keys, limit))), None)
        assert x.rate_kg_s == pytest.approx(float(o.state["F"]), rel=0.01), x.kind


def test_no_way_fails_a_check_that_passed(starved):
    base = tried(starved.config)
    for x in starved.ways:
        if x.rate_kg_s > 0.0 and x.keys:
            assert not tried(with_keys(starved.config, x.keys), x.rate_kg_s).fails & base.passes, x.kind


def test_chilled_feed_in_a_hot_room_by_the_first_law(hot_room_45):
    # By hand: heat set free = air from the room + casing to the room + the chilled feed, cp (1 - s + s T / 298 K).
    (x,) = (x for x in hot_room_45.ways if x.kind == CHILL)
    assert x.by == "a freezer" and x.limit_K == pytest.approx(ZERO_C + 50.0)
    p = build(with_keys(hot_room_45.config, x.keys))
    here, m = Case(p, x.rate_kg_s, x.limit_K).settle(p.mill), p.mill[0]
    assert here.outlet_K == pytest.approx(x.outlet_K, abs=0.5) and here.outlet_K <= x.limit_K + 0.1
    T, room = float(here.s["T"]), ZERO_C + 45.0
    air = float(here.s["Q"]) * 101325.0 / (287.055 * T) * 1006.0 * (T - room)
    inner = float(m["inner_heat_transfer"] * m["inner_area"])
    casing = (T - room) / (1.0 / inner + 1.0 / float(m["casing_heat_loss"]))
    c, s = float(m["specific_heat"]), float(m["heat_exponent_share"])
    feed = x.rate_kg_s * quad(lambda t: c * (1.0 - s + s * t / 298.0), x.value, here.powder_K)[0]
    assert air + casing + feed == pytest.approx(here.heat_W, rel=5e-3)


def test_ways_are_told_with_exit_code_3(starved):
    done = run("heat", "pla", *STARVED)
    assert done.exit_code == 3
    text = flat(done.stdout)
    assert "Heat is against any feed in a room of 20 °C. What would let it mill within 35 °C, each tried alone" in text
    assert "(1) an air inlet of 5 cm²: " in text and "Tried without success: " in text
    assert "(only up to 50 °C, where it begins to stick)" in text
    found = heat_json(starved)
    assert found["ways"][0]["kind"] == "inlet" and found["limit"]["advised_K"] == pytest.approx(ZERO_C + 35.0)


def test_more_of_a_rate_asked_for_is_held_with_more_air():
    need = []
    for kg_h in (0.3, 0.6):
        a = helped(answers(mills.config("pla", *QUICK, *STARVED, f"feed.rate={kg_h} kg/h"), draws=0))
        (x,) = (x for x in a.ways if x.kind == INLET)
        assert x.rate_kg_s <= kg_h / 3600.0 * (1.0 + 1e-9)
        need.append((x.value, x.rate_kg_s))
    assert need == sorted(need)


def test_a_mill_that_runs_as_asked_gets_no_ways():
    assert helped(answers(mills.config("demo", *QUICK), draws=0)).ways == ()
    assert helped(answers(mills.config("pla", *QUICK, "feed.rate=1 kg/h"), draws=0)).ways == ()
    assert helped(answers(mills.config("tight_jam", *QUICK), draws=0)).ways == ()  # not heat is against it


def test_a_mill_warmer_than_advised_is_told_what_keeps_the_margin():
    """PLA sticks at 50 °C, 35 °C are advised; this mill runs at 40 °C: that is no refusal, but worth a cure."""
    a = helped(answers(mills.config("pla", *QUICK), draws=0))
    assert a.margin_used and not a.against and a.limit_K == pytest.approx(ZERO_C + 35.0)
    good = [x for x in a.ways if x.rate_kg_s > 0.0]
    assert good[0].kind == INLET and all(x.limit_K == a.limit_K for x in good if x.kind != PAUSES)
    done = run("heat", "pla")
    assert done.exit_code == 0
    assert "The advised margin is used up. What would keep it within 35 °C, each tried alone, in the order" in flat(
        done.stdout
    )
    p = predict(mills.config("pla", *QUICK), "balance", 1)
    outlet = p.main.scalars["outlet_temperature_K"].value - ZERO_C
    assert f"{50 - outlet:.0f} K below the limit, but {outlet - 35:.0f} K over what is advised, 15 K below" in how_hot(
        p
    )
    cool = predict(mills.config("demo", *QUICK), "balance", 1)
    assert "K below the limit and " in how_hot(cool) and "K below what is advised, 15 K below it" in how_hot(cool)


@pytest.mark.parametrize(
    ("name", "overrides"),
    [("demo", ("air.room=45 °C", "feed.temperature=45 °C")), ("pla", ("air.room=40 °C", "feed.temperature=40 °C")),
     ("pla", STARVED), ("pla", ("feed.temperature=60 °C",))],
)  # fmt: skip
def test_predict_and_heat_name_the_same_cure_first(name, overrides):
    config = mills.config(name, *QUICK, *overrides)
    ways = [x for x in helped(answers(config, draws=0)).ways if x.rate_kg_s > 0.0 and x.keys]
    first, key = (text.partition("=")[0] for text in (what_helps(config)[0].sets[0], ways[0].keys[0]))
    assert first == key


def test_feed_that_sticks_as_it_comes_is_an_answer_with_its_cure():
    for command in ("predict", "heat", "check"):
        done = run(command, "pla", "feed.temperature=60 °C")
        assert done.exit_code == 3, command
        assert "the feed comes at 60 °C, and by its card it sticks from 50 °C on. Chill it" in flat(
            done.stdout
        ).replace("The feed", "the feed")
        assert "Powder and air leave at" not in done.stdout  # nothing leaves
    found = json.loads(run("predict", "pla", "feed.temperature=60 °C", options=("--json",)).stdout)
    assert found["status"] == "cannot run" and found["limit"]["binding"] == "outlet temperature"
    assert found["throughput_kg_s"] == 0.0 and "outlet temperature" in found["review"]["fails"]
    assert found["would_help"][0]["key"] == "feed.temperature" and found["would_help"][0]["rate_kg_s"] > 0.0


def test_a_calm_mill_that_finds_no_state_on_a_hot_day_is_not_called_free_of_runaway():
    a = answers(mills.config("demo", *QUICK), draws=0)
    lost = replace(a, values=a.values | {"hot_K": replace(a.values["hot_K"], value=np.inf)})
    told = [text for text in sentences_of_heat(lost) if text.startswith("Runaway")][0]
    assert "in a room of 20 °C none found" in told and "On the hot day above it is otherwise" in told
    assert "otherwise" not in [text for text in sentences_of_heat(a) if text.startswith("Runaway")][0]
    unknown = replace(a, runaway=replace(a.runaway, gain=np.nan))
    told = [text for text in sentences_of_heat(unknown) if text.startswith("Runaway")][0]
    assert "whether heat feeds itself is not known" in told and "does not feed itself" not in told


def test_where_no_way_helps_it_is_said_without_a_promise():
    done = run("heat", "pla", "air.room=50 °C", "feed.rate=2 kg/h")
    text = flat(done.stdout)
    assert done.exit_code == 3
    assert "Heat is against 2 kg/h in a room of 50 °C. No single way that was tried lets it mill. Tried without" in text


def test_a_rate_that_heat_is_against_is_held_by_more_air():
    # 4 kg/h through an inlet of 2 cm2: over sticking. With the inlet that is named, predict has it within the limit.
    a = helped(answers(mills.config("pla", *QUICK, "air.inlet_area=2 cm2", "feed.rate=4 kg/h"), draws=0))
    assert a.note == "hot" and a.value("outlet_K") > a.limit.most_K
    (x,) = (x for x in a.ways if x.kind == INLET)
    o = solve(build(with_keys(a.config, x.keys)), 4.0 / 3600.0)
    assert x.enough and float(o.state["T"]) <= x.limit_K + 0.1
    (less,) = (x for x in a.ways if x.kind == LESS)
    assert 0.0 < less.rate_kg_s < 4.0 / 3600.0


def test_a_mill_that_heat_stops_is_told_that_nothing_is_left():
    # Derived: at its largest rate, which heat sets, such a mill stands at the sticking temperature.
    p = predict(mills.config("pla", *QUICK, "air.inlet_area=3 cm2"), "balance", 1)
    assert p.binding == "outlet temperature"
    assert any("less than the advised 15 K to the sticking temperature (0 K are left)" in w for w in p.warnings)
