"""What real mills look like: sieves by angle, rings of bars, several edges, measured radii, cloth, feed by hand."""

import functools
import math

import mills
import numpy as np
import pytest
from test_config import CONFIGS, one

from millsim.base.numerics import psd
from millsim.engines.pieces import feeding
from millsim.engines.records import Arrivals
from millsim.explore.beside import mills as sets
from millsim.forecast import stalls
from millsim.forecast.outcome import solve
from millsim.forecast.run import predict
from millsim.laws.openings import mesh_thread, open_area_mesh
from millsim.mill.chamber import N_RATES, STATE, STRIKES, fill_cut, strike_energies
from millsim.mill.config.mill import load_config, parse_config
from millsim.mill.edges import main_cut, other_cut
from millsim.mill.problem import build
from millsim.record.limits import OK
from millsim.record.read import read
from millsim.record.write import write
from millsim.show.drawing.shape import shape_of
from millsim.show.words import prebuild
from millsim.show.words import stalls as stall_words
from millsim.studies.drawing import describe
from millsim.studies.prebuild.alike import not_told_apart
from millsim.studies.prebuild.review import review

DEMO = (CONFIGS / "demo.toml").read_text(encoding="utf-8")
BY_ANGLE = DEMO.replace('area = "75 cm2" ', 'angle = "180 deg"')


def demo(*overrides: str):
    return load_config(CONFIGS / "demo.toml", overrides)


# --- the sieve --------------------------------------------------------------------------------------------


def test_a_sieve_by_angle_covers_that_much_of_the_circle_behind_the_pins():
    # Derived: half of the circle at 60 + 3 + 8 mm, 20 mm high.
    config = demo("sieve.angle=180 deg")
    assert config.sieve.area_m2 == pytest.approx(math.pi * 0.071 * 0.020, rel=1e-12)
    assert build(config).mill["sieve_share"][0] == pytest.approx(0.5, rel=1e-12)
    smooth = demo("stator.kind=smooth", "sieve.share=0.25", "sieve.height=30 mm")
    assert smooth.sieve.area_m2 == pytest.approx(0.5 * math.pi * 0.063 * 0.030, rel=1e-12)
    assert build(demo("sieve.angle=360 deg")).mill["sieve_share"][0] == pytest.approx(1.0, rel=1e-12)


def test_an_angle_that_contradicts_the_area_is_told_with_both_numbers():
    text = DEMO.replace('area = "75 cm2"', 'area = "75 cm2"\nangle = "180 deg"')
    said = one(text)
    assert "75 cm2" in said
    assert "44.61 cm2" in said
    assert parse_config(text.replace("180 deg", "290 deg"), base_dir=CONFIGS).sieve.area_m2 == 0.0075  # as measured
    assert "angle" in one(DEMO.replace('area = "75 cm2"', ""))
    assert "only one" in one(DEMO.replace('area = "75 cm2"', 'angle = "180 deg"\nshare = 0.5'))
    assert "0.2478 cm2" in one(BY_ANGLE.replace("180 deg", "1 deg"))


def test_a_sieve_by_angle_stays_one_in_the_text_and_moves_with_the_chamber():
    config = parse_config(BY_ANGLE, base_dir=CONFIGS)
    again = parse_config(config.text)
    assert again.sha256 == config.sha256
    assert "area" not in config.text.partition("[sieve]")[2].partition("[")[0]
    wider = parse_config(config.text, overrides=("stator.gap=6 mm",))
    assert wider.sieve.area_m2 / config.sieve.area_m2 == pytest.approx(74.0 / 71.0, rel=1e-12)
    assert parse_config(config.text, overrides=("sieve.area=50 cm2",)).sieve.area_m2 == 0.005


def test_a_cloth_has_threads_and_no_sheet():
    cloth = ("sieve.kind=cloth", "sieve.thread=0.2 mm")
    config = demo(*cloth)
    assert config.sieve.open_fraction == open_area_mesh(0.6e-3, 0.2e-3) == pytest.approx(0.5625)
    assert build(config).mill["plate"][0] == 0.2e-3
    assert parse_config(config.text).sha256 == config.sha256
    known = demo("sieve.kind=cloth", "sieve.open_fraction=0.5625")
    assert known.sieve.thickness_m == mesh_thread(0.6e-3, 0.5625) == pytest.approx(0.2e-3)
    text = DEMO.replace('kind = "plate" ', 'kind = "cloth" ').replace("pitch", "thread")
    assert "thread" in one(text)


# --- rings and edges --------------------------------------------------------------------------------------


def test_rings_stack_up_to_one_rotor():
    stack = ("rotor.rings=4", "rotor.bar_height=5 mm")
    plain, line = build(demo()).mill, build(demo(*stack)).mill
    differ = [name for name in plain.dtype.names if np.any(plain[name] != line[name])]
    assert differ == ["all_bars"]  # four rings in line are one bar; each hammer would still swing by itself
    turned = build(demo(*stack, "rotor.ring_offset=staggered")).mill
    assert (turned["H"][0], turned["face"][0], turned["turn_bars"][0], turned["n_bars"][0]) == (0.02, 0.005, 16, 4)
    spaced = demo(*stack, "rotor.ring_spacing=2 mm")
    assert spaced.rotor.height_m == pytest.approx(0.026)
    assert build(spaced).mill["swept_share"][0] == pytest.approx(20.0 / 26.0)


@pytest.mark.parametrize(
    ("keys", "told"),
    [
        ("toothed_share = 0.7\nblunt_share = 0.6", "1.3"),
        ("toothed_share = 0.7\nbevelled_share = 0.5", "0.3"),
        ('ring_offset = "staggered"', "one"),
        ('ring_spacing = "2 mm"', "one"),
        ('rings = 3\nring_spacing = "90 mm"', "90 mm"),
        ("edge_radius_error = 0.2", "edge_radius"),
        ('toothed_share = 1\nedge_radius = "0.1 mm"', "bevelled"),
    ],
)
def test_what_does_not_fit_on_a_rotor_is_told(keys, told):
    assert told in one(DEMO.replace("bars = 4", f"bars = 4\n{keys}"))


def test_edges_share_the_length_and_another_edge_takes_all_of_it():
    mixed = demo("rotor.toothed_share=0.3", "rotor.bevelled_share=0.7")
    assert dict(mixed.rotor.edges) == pytest.approx({"bevelled": 0.7, "toothed": 0.3})
    again = parse_config(mixed.text, overrides=("rotor.edge=blunt",))
    assert again.rotor.edges == (("blunt", 1.0),)
    whole, plain = build(demo("rotor.toothed_share=1")), build(demo("rotor.edge=toothed"))
    assert whole.mill == plain.mill
    assert [p.name for p in whole.parameters] == [p.name for p in plain.parameters]


def test_a_measured_radius_takes_the_place_of_the_assumed_one_with_its_reading_error():
    config = demo("rotor.edge_radius=0.05 mm", "rotor.edge_radius_error=0.25")
    (p,) = (p for p in build(config).parameters if p.name == "edge_radius_bevelled")
    assert (p.value, p.low, p.high, p.basis) == (5e-5, 4e-5, 6.25e-5, "measured")
    assert build(config).mill["edge_radius"][0] == 5e-5
    text = DEMO.replace("bars = 4", 'bars = 4\nedge_radius = "0.05 mm"')
    assert "edge_radius_bevelled" in one(text + '\n[model]\nedge_radius_bevelled = "0.06 mm"\n')


# --- feed by hand -----------------------------------------------------------------------------------------


def test_handfuls_have_a_mean_rate():
    config = demo("feed.handful=25 g", "feed.every=30 s")
    assert config.feed.rate_kg_s == pytest.approx(0.025 / 30.0)
    assert "rate" not in config.text.partition("[feed]")[2].partition("[")[0]
    assert parse_config(config.text).sha256 == config.sha256
    assert parse_config(config.text, overrides=("feed.rate=1 kg/h",)).feed.handful_kg is None
    assert "every" in one(DEMO.replace('rate = "as fast as it can grind"', 'handful = "25 g"'))
    said = one(DEMO.replace('rate = "as fast as it can grind"', 'handful = "100 kg"\nevery = "1 s"'))
    assert "1 kg/h" not in said
    assert "3.6e+08 g/h" in said


COARSE = "run.class_ratio=1.6"
ROTORS = ("cutter", "bars", "close", "hammers", "stack")


@functools.cache
def milled(name: str, *overrides: str):
    """(problem, outcome at the largest rate) on coarse classes."""
    problem = build(load_config(CONFIGS / f"{name}.toml", (COARSE, *overrides)))
    return problem, solve(problem, None)


def rate(*at) -> float:
    return float(milled(*at)[1].state["F"])


# --- what the laws make of it -----------------------------------------------------------------------------


def test_both_engines_agree_on_a_rotor_of_several_edges_and_staggered_rings():
    # Tough pieces, so that chips are half of it; each kind of edge takes its own.
    tough = ("feed.material=pa", "sieve.hole=2 mm", "sieve.pitch=4 mm", "stator.gap=1 mm")
    rotor = ("rotor.toothed_share=0.4", "rotor.blunt_share=0.3", "rotor.rings=4", "rotor.bar_height=5 mm")
    config = demo(*tough, *rotor, "rotor.ring_offset=staggered", "run.histories=6400", "run.x50_error=0",
                  "run.band_samples=0", "run.trace=false")  # fmt: skip
    runs = [predict(config, "both", seed) for seed in (11, 12)]
    main = {**runs[0].main.scalars, **runs[0].main.ledger_in_W, **runs[0].main.ledger_out_W}
    assert main["chips cut"].value > 0.0
    apart = []
    for key, balance in main.items():
        told = [{**r.other.scalars, **r.other.ledger_in_W, **r.other.ledger_out_W}[key] for r in runs]
        off = runs[0].main.numerics.get(f"class_error_{key}", 0.0) * abs(balance.value)
        off += 1e-9 * abs(balance.value)
        apart += [(key, t, balance.value) for t in told if abs(t.value - balance.value) > 4.0 * t.se + off]
    assert not apart
    for r in (runs[0].main, runs[0].other):
        given, spent = (sum(w.value for w in ledger.values()) for ledger in (r.ledger_in_W, r.ledger_out_W))
        assert given == pytest.approx(spent, rel=1e-9)


@pytest.mark.parametrize(("kind", "place"), [("blunt", 0), ("toothed", 1)])
def test_each_of_several_edges_cuts_as_it_does_alone(kind, place):
    x, sigma, G_c = 2e-3, 80e6, 3e3
    mixed, alone = (build(demo(key)).mill[0] for key in (f"rotor.{kind}_share=0.5", f"rotor.edge={kind}"))
    cuts = []
    for m in (mixed, alone):
        state, k, row = np.zeros(1, STATE)[0], np.zeros(1, STRIKES)[0], np.zeros(N_RATES)
        state["v"] = 60.0
        strike_energies(m, state, k)
        fill_cut(m, x, sigma, G_c, row)
        cuts.append((main_cut(m, k, row), other_cut(m, k, row, x, place)))
    (first, other), (own, _) = cuts
    assert tuple(other) == pytest.approx(tuple(own), rel=1e-9)
    assert abs(other.part / first.part - 1.0) > 0.1


def test_more_teeth_give_more_powder_of_a_tough_plastic_without_a_step():
    shares = (0.0, 0.01, 0.3, 0.7, 0.99, 1.0)
    tough = ("feed.material=pa", "stator.gap=1 mm", "rotor.edge=blunt")
    rates = [rate("demo", *tough, f"rotor.toothed_share={s}") for s in shares]
    assert all(b > a for a, b in zip(rates, rates[1:], strict=False))
    assert rates[-1] > 4.0 * rates[0]
    assert rates[1] < 1.2 * rates[0]
    assert rates[-2] > 0.98 * rates[-1]


def test_a_wider_sieve_passes_more_and_a_sharper_edge_chips_more():
    by_angle = [rate("demo", f"sieve.angle={a} deg") for a in (20, 90, 200, 360)]
    assert by_angle == sorted(by_angle)
    tough = ("feed.material=pa", "stator.gap=1 mm")
    by_radius = [rate("demo", *tough, f"rotor.edge_radius={r} mm") for r in (0.3, 0.03, 0.01)]
    assert by_radius == sorted(by_radius)
    assert by_radius[-1] > 2.0 * by_radius[0]


def test_staggered_rings_screen_less_and_a_free_height_between_rings_costs():
    stack = ("rotor.rings=4", "rotor.bar_height=5 mm")
    line, turned = rate("tight_jam", *stack), rate("tight_jam", *stack, "rotor.ring_offset=staggered")
    assert line == rate("tight_jam")
    assert 1.2 * line < turned < 4.0 * line
    spaced = [rate("demo", *stack, "rotor.ring_offset=staggered", f"rotor.ring_spacing={s} mm") for s in (0, 1, 5)]
    assert spaced == sorted(spaced, reverse=True)


def test_handfuls_fall_in_at_once_and_come_to_the_same_in_the_mean():
    by_hand = Arrivals(np.ones(1), np.ones(1), 30.0, 2.0)
    assert feeding(by_hand, 0.5) == pytest.approx(7.5)
    assert feeding(by_hand, 20.0) == 30.0
    assert feeding(by_hand, 61.0) == pytest.approx(75.0)
    assert feeding(Arrivals(np.ones(1), np.ones(1), 0.0, 0.0), 20.0) == 20.0


def test_small_handfuls_that_come_often_are_watched_as_the_even_feed_they_are():
    # 2 g every 2 s: a single handful is over before much has gathered, so two seconds tell nothing.
    even, seldom, often = (
        milled("demo", *fed) for fed in (("feed.rate=3 kg/h",), ("feed.handful=50 g", "feed.every=60 s"),
                                         ("feed.handful=1.6667 g", "feed.every=2 s"))
    )  # fmt: skip
    plans = [stalls.plan_of(*at, 3.0 / 3600.0, False) for at in (even, seldom, often)]
    assert plans[2] == plans[0]
    assert plans[1].starts == plans[1].running == stalls.LEAST
    seen = stalls.follow(often[0], often[1], often[1], 3.0 / 3600.0, 1, stalls.Plan(2, 2, 2))
    assert not seen.by_hand  # its histories are not of one handful each
    assert stalls.scene_of(*often, 3.0 / 3600.0).arrivals.every == pytest.approx(2.0, rel=1e-4)


def test_a_prediction_by_hand_says_what_a_handful_does(tmp_path):
    told = [COARSE, "run.band_samples=0", "feed.handful=50 g", "feed.every=60 s"]
    p = predict(load_config(CONFIGS / "rotor_close.toml", told), "balance", 1)
    write(p, tmp_path / "hand.h5")
    kept = read(tmp_path / "hand.h5")
    for said in (stall_words.stall_risk(p), stall_words.stall_risk(kept)):
        assert said.startswith("fed 50 g by hand every 60 s, 3 kg/h on average")
        assert "handfuls into the running mill stalled it" in said
        assert "stops the rotor" in said
        assert "an hour" not in said
    lines = {x.name: x for x in review(demo("feed.handful=50 g", "feed.every=60 s"), p)}
    assert lines["jam at the feed asked for"].verdict == "fails"
    assert "by hand every 60 s" in describe(demo("feed.handful=50 g", "feed.every=60 s"))


# --- what is said of it -----------------------------------------------------------------------------------


def test_what_no_law_tells_apart_is_said_once():
    spiral, side = ("stator.pin_layout=spiral", "sieve.angle=180 deg")
    config = demo(spiral, side, "rotor.toothed_share=0.5", "rotor.rings=4", "rotor.bar_height=5 mm")
    found = not_told_apart(config)
    assert len(found) == 4
    assert all(any(word in x for x in found) for word in ("spiral", "below", "which bars", "ring where"))
    assert len([line for line in prebuild.alike(config) if line.startswith("Given,")]) == 1
    assert not prebuild.alike(demo())
    ring, turned = build(demo(side)).mill, build(demo(spiral, side)).mill
    assert all(np.all(ring[n] == turned[n]) for n in ring.dtype.names)
    assert "4 rings of 4 rigid bars, taken as in line, 50 % toothed and 50 % bevelled edges" in " ".join(
        describe(config).split()
    )


def test_a_cloth_that_reaches_the_bars_fails_and_its_threads_are_named():
    cloth = ("sieve.kind=cloth", "sieve.thread=0.2 mm", "sieve.thread_of=polyamide")
    lines = {x.name: x for x in review(demo(*cloth, "sieve.sag=12 mm"), None)}
    assert lines["cloth against the bars"].verdict == "fails"
    assert lines["heat on the cloth"].verdict == "not checked"  # without a prediction
    assert {x.name: x for x in review(demo(*cloth), None)}["cloth against the bars"].needs == ("sieve.sag",)
    assert not [x for x in review(demo(), None) if "cloth" in x.name]


def test_the_drawing_shows_rings_edges_and_the_angle():
    shape = shape_of(demo("rotor.rings=4", "rotor.bar_height=5 mm", "rotor.ring_spacing=1 mm", "sieve.angle=90 deg",
                          "rotor.ring_offset=staggered", "rotor.toothed_share=0.25", "sieve.height=10 mm"))  # fmt: skip
    assert (shape.height, shape.share, shape.sieve_width) == pytest.approx((23.0, 0.25, 10.0))
    assert [shape.turn(i) for i in range(4)] == pytest.approx([0.0, 22.5, 45.0, 67.5])
    assert sorted(shape.bar_edge(i) for i in range(4)) == ["bevelled", "bevelled", "bevelled", "toothed"]


# --- five rotors of the workshop --------------------------------------------------------------------------


def test_handfuls_stop_rotors_that_shear_and_only_slow_those_that_let_pieces_pass():
    # Common practice, no source: a close-fitting rotor jams on a full chamber and runs on a slow feed.
    stopped, slowest = {}, {}
    for name in ROTORS:
        problem, _ = milled(f"rotor_{name}", "feed.handful=50 g", "feed.every=60 s")
        mean = problem.config.feed.rate_kg_s
        steady = solve(problem, mean)
        seen = stalls.follow(problem, steady, steady, mean, 1, stalls.Plan(2, 0, 3))
        stopped[name] = seen.stalls == 2
        slowest[name] = float(seen.speed_rad_s.min() / problem.config.drive.speed_rad_s)
        assert seen.by_hand
        slow = solve(problem, 0.3 / 3600.0)
        assert slow.code == OK
    assert stopped == {"cutter": True, "close": True, "bars": False, "hammers": False, "stack": False}
    assert slowest["bars"] < 0.5 < slowest["stack"]


@pytest.fixture(scope="module")
def five():
    """The five rotors side by side, by name."""
    paths = [CONFIGS / f"rotor_{name}.toml" for name in ROTORS]
    found = sets.beside(sets.load(paths, 1, (COARSE, "run.band_samples=0")), 1, 0)
    assert found.differ[0][0] == "rotor.mount"
    return {name: m.prediction for name, m in zip(ROTORS, found.mills, strict=True)}


def told(p, key: str) -> float:
    return p.main.scalars[key].value


def finer(p, size_m: float) -> float:
    return psd.q_at(p.main.table.edges_m, p.main.table.product_q3, size_m)


def test_the_five_rotors_differ_as_practice_knows(five):
    # Common practice, no source, of acrylic: what shears makes most where it is fed well, plain bars do nearly as well
    # without a close fit, hammers lie back and give least, the stack gives fines.
    rates = {name: told(p, "throughput_kg_s") for name, p in five.items()}
    assert sorted(rates, key=lambda name: -rates[name]) == ["cutter", "close", "bars", "stack", "hammers"]
    assert rates["cutter"] < 2.5 * rates["bars"]
    assert told(five["hammers"], "tip_speed_m_s") < 0.9 * told(five["bars"], "tip_speed_m_s")
    assert told(five["hammers"], "hits_per_particle") > 1.5 * told(five["bars"], "hits_per_particle")
    assert rates["hammers"] < 0.6 * rates["bars"]
    assert five["stack"].main.ledger_in_W["nip"].value < 1.0
    assert finer(five["stack"], 1e-4) > 1.5 * finer(five["bars"], 1e-4)
    nips = {name: p.main.ledger_in_W["nip"].value for name, p in five.items()}
    assert nips["cutter"] > 10.0 * nips["bars"]


@pytest.mark.parametrize("name", ["pa", "pe_pp", "abs"])
def test_of_a_tough_plastic_the_cutter_needs_the_least_energy(name):
    # Common practice, no source. Bars and hammers hardly grind it; the stack wears it to dust.
    energy, made = {}, {}
    for rotor in ROTORS:
        problem, o = milled(f"rotor_{rotor}", f"feed.material={name}")
        energy[rotor], made[rotor] = float(o.powers["shaft"] / o.state["F"]), (problem, o)
    assert min(energy, key=lambda r: energy[r]) == "cutter"
    assert all(made[r][1].binding == "grinding" for r in ("bars", "hammers"))
    problem, o = made["stack"]
    assert psd.q_at(problem.edges, mills.q3(o), 0.25e-3) > 0.8


def test_a_stack_makes_fine_powder_of_pla_at_tens_of_grams_an_hour_per_250_watts():
    # Common practice, no source: tens to some 150 g/h per 200 to 300 W, mostly fine.
    problem, o = milled("rotor_stack", "feed.material=pla")
    assert 30.0 < 3.6e6 * float(o.state["F"]) * 250.0 / float(o.powers["shaft"]) < 150.0
    assert psd.q_at(problem.edges, mills.q3(o), 0.15e-3) > 0.4
