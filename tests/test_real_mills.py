"""What real mills look like: sieves by angle, rings of bars, several edges, measured radii, cloth, feed by hand."""

import math

import numpy as np
import pytest
from test_config import CONFIGS, one

from millsim.laws.openings import mesh_thread, open_area_mesh
from millsim.mill.config.mill import load_config, parse_config
from millsim.mill.problem import build

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
    assert "every" in one(DEMO.replace('rate = "as much as it takes"', 'handful = "25 g"'))
    said = one(DEMO.replace('rate = "as much as it takes"', 'handful = "100 kg"\nevery = "1 s"'))
    assert "1 kg/h" not in said
    assert "3.6e+08 g/h" in said
