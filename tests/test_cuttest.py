"""Cut tests: the figures of common practice, errors by hand, refusals."""

import math
from dataclasses import replace

import pytest

from millsim.errors import InputError
from millsim.learn.measured.cutcard import cut_card
from millsim.learn.measured.cutlaw import SAW, SAW_MIDDLE, cut_J_kg
from millsim.learn.measured.cuttest import read_cuts
from millsim.mill.cards import card_toml, load_material, load_model
from millsim.show.words import bench

WH = 3600.0
PMMA = load_material("pmma")
HEAD = "power_loaded_W,time_s,kerf_mm,length_mm,depth_mm\n"


def cut(folder, text, material=PMMA, **options):
    path = folder / "cuts.csv"
    path.write_text(text, encoding="utf-8")
    return read_cuts(path, material, **options)


# --- common practice, no source: the figures of test_common_practice go through the reader ----------------


def test_sawing_acrylic(tmp_path):
    # Common practice, no source: 12 mm sheet, cut 80 mm long and 2 mm wide, 1000-1300 W for 3-4 s: 350-610 Wh/kg.
    low, high = cut(tmp_path, HEAD + "1000,3,2,80,12\n1300,4,2,80,12\n").cuts
    assert low.dust_kg == high.dust_kg == pytest.approx(2.27e-3, rel=0.01)
    assert low.net_J_kg / WH == pytest.approx(350, rel=0.06)
    assert high.net_J_kg / WH == pytest.approx(610, rel=0.06)
    assert low.net_J_kg == pytest.approx(1000 * 3 / (0.002 * 0.080 * 0.012 * 1180), rel=1e-12)


def test_what_the_model_asks_for_the_bare_cut(tmp_path):
    # PMMA by hand: zone 0.3 E Gc / sigma^2; a sharp tooth of 20 um; 0.25 mm chips crack off, so (C sigma zone + Gc +
    # sigma r)/h; 20 um ones flow, C sigma + (Gc + sigma r)/h. A saw asks more than both (common practice: 350 Wh/kg).
    coarse, fine = cut(tmp_path, HEAD + "1000,3,2,80,12\n").model_J_kg
    C, sigma, G_c, E, rho = (
        PMMA.value(n) for n in ("cut_factor", "yield_stress", "fracture_energy", "modulus", "density")
    )
    zone = 0.3 * E * G_c / sigma**2
    assert 0.02e-3 < zone < 0.25e-3
    G = G_c + sigma * 0.02e-3
    assert coarse == pytest.approx((C * sigma * zone + G) / 0.25e-3 / rho, rel=1e-9)
    assert fine == pytest.approx((C * sigma + G / 0.02e-3) / rho, rel=1e-9)
    assert coarse < fine < 350 * WH


def test_diamond_disc_and_its_ceiling(tmp_path):
    # Common practice, no source: 6 mm sheet, 500 mm long, 2.5 mm kerf, 270 W for 85 s: about 711 Wh/kg, so that some
    # 300 W make about 400 g/h of very fine powder.
    test = cut(tmp_path, HEAD + "270,85,2.5,500,6\n")
    assert test.mean_J_kg / WH == pytest.approx(711, rel=0.02)
    rate, low, high = test.most_kg_s(300.0)
    assert rate * 3.6e6 == pytest.approx(400, rel=0.06)
    assert low < rate < high
    words = " ".join(bench.cut_text(test, 300.0).split())
    assert "A motor of 300 W at the shaft makes about 416 g/h at that price" in words
    assert "The true ceiling is at least that, for idle power and the saw motor's loss are in the price" in words
    assert "idling included, so an upper bound for the cut" in words


@pytest.mark.parametrize(
    ("idle", "options", "words", "silent"),
    [
        ("", {"at": "shaft"}, "for idle power is in the price; to take it off, measure", "motor's loss"),
        ("", {"efficiency": 0.6}, "for idle power is in the price; to take it off, measure", "give --efficiency"),
        ("100", {}, "for the saw motor's loss is in the price; to take it off, give --efficiency.", "for idle power"),
        ("100", {"at": "shaft"}, "makes at most", "true ceiling"),
        ("100", {"efficiency": 0.6}, "makes at most", "true ceiling"),
    ],
)
def test_a_ceiling_is_called_one_only_for_the_bare_cut(tmp_path, idle, options, words, silent):
    rows = f"power_loaded_W{',power_idle_W' * bool(idle)},time_s,removed_g\n430{',' * bool(idle)}{idle},60,10\n"
    told = " ".join(bench.cut_text(cut(tmp_path, rows, **options), 300.0).split())
    assert words in told and silent not in told
    assert ("at most" in told) == (words == "makes at most")


# --- numbers by hand -------------------------------------------------------------------------------------


def test_idle_power_is_taken_off(tmp_path):
    test = cut(tmp_path, "power_loaded_W,power_idle_W,time_s,removed_g\n430,190,60,10\n")
    assert test.is_net
    assert test.cuts[0].net_J_kg == pytest.approx(240 * 60 / 0.010)
    assert test.cuts[0].gross_J_kg == pytest.approx(430 * 60 / 0.010)


def test_errors_add_as_squares_of_rectangles(tmp_path):
    # Limits over root 3: meter 3 % of 430 and of 190 W on 240 W, clock 0.2 s of 60, scale 0.01 g of 10.
    c = cut(tmp_path, "power_loaded_W,power_idle_W,time_s,removed_g\n430,190,60,10\n").cuts[0]
    meter = 0.03 * math.hypot(430, 190) / 240
    relative = math.sqrt((meter**2 + (0.2 / 60) ** 2 + (0.01 / 10) ** 2) / 3)
    assert c.se_J_kg / c.net_J_kg == pytest.approx(relative, rel=1e-12)
    assert c.common_J_kg / c.net_J_kg == pytest.approx(meter / math.sqrt(3), rel=1e-12)


def test_a_finer_meter_makes_a_finer_figure(tmp_path):
    rows = "power_loaded_W,power_idle_W,time_s,removed_g\n430,190,60,10\n"
    fine, coarse = cut(tmp_path, rows, meter=0.005), cut(tmp_path, rows)
    assert fine.se_J_kg < 0.3 * coarse.se_J_kg
    assert any("3 %" in a for a in coarse.assumed)
    assert not any("meter" in a for a in fine.assumed)


def test_repeats_add_their_scatter(tmp_path):
    test = cut(tmp_path, "power_loaded_W,time_s,removed_g\n400,60,10\n400,60,12\n400,60,8\n400,60,11\n")
    values = [400 * 60 / m for m in (0.010, 0.012, 0.008, 0.011)]
    mean = sum(values) / 4
    scatter = math.sqrt(sum((v - mean) ** 2 for v in values) / 3)
    assert test.mean_J_kg == pytest.approx(mean)
    assert test.scatter_J_kg == pytest.approx(scatter)
    meter = mean * 0.03 / math.sqrt(3)
    assert test.se_J_kg == pytest.approx(math.hypot(scatter / 2, meter), rel=1e-9)
    # Welch and Satterthwaite: only the scatter has few degrees of freedom, so n - 1 is the least.
    assert test.dof == pytest.approx(3 * (test.se_J_kg / (scatter / 2)) ** 4)
    assert "The cuts scatter by" in bench.cut_text(test, None)


def test_two_repeats_that_differ_leave_the_ceiling_open(tmp_path):
    low, high = cut(tmp_path, HEAD + "1000,3,2,80,12\n1300,4,2,80,12\n").most_kg_s(800.0)[1:]
    assert low * 3.6e6 < 500
    assert math.isinf(high)


def test_the_motors_loss_is_taken_off_where_it_is_known(tmp_path):
    rows = HEAD + "270,85,2.5,500,6\n"
    mains, known, shaft = cut(tmp_path, rows), cut(tmp_path, rows, efficiency=0.6), cut(tmp_path, rows, at="shaft")
    assert known.most_kg_s(300.0)[0] == pytest.approx(mains.most_kg_s(300.0)[0] / 0.6)
    assert shaft.at_shaft_J_kg == mains.at_shaft_J_kg == mains.mean_J_kg
    assert "counted as cutting" in bench.cut_text(mains, None)
    assert "counted as cutting" not in bench.cut_text(shaft, None)


def test_density_comes_from_the_column_before_the_card(tmp_path):
    rows = "power_loaded_W,time_s,kerf_mm,length_mm,depth_mm,density_g/cm3\n270,85,2.5,500,6,2.36\n270,85,2.5,500,6,\n"
    first, second = cut(tmp_path, rows).cuts
    assert first.dust_kg == pytest.approx(2 * second.dust_kg)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("power_loaded_W,time_s,kerf_mm\n100,3,2\n", "says neither the mass removed nor the length, depth of the cut"),
        ("power_loaded_W,time_s,removed_g,kerf_mm\n100,3,,2\n", "line 2: there is neither a mass removed nor kerf"),
        ("power_loaded_W,power_idle_W,time_s,removed_g\n190,430,60,10\n", "idle power 430 W is not below the loaded"),
        ("power_loaded_W,power_idle_W,time_s,removed_g\n430,,60,10\n", "there is no idle power, though other rows"),
        ("power_loaded_A,time_s,removed_g\n2,60,10\n", "measures current, not power; allowed: W, kW"),
        ("power_loaded_W,time_s,removed_g\n430,60,ten\n", 'line 2: removed_g: "ten" is not a number'),
    ],
)  # fmt: skip
def test_refusals_name_the_place_and_the_remedy(tmp_path, text, words):
    with pytest.raises(InputError) as error:
        cut(tmp_path, text)
    assert words in str(error.value)


def test_without_density_the_question_is_asked(tmp_path):
    with pytest.raises(InputError, match="add a column density_kg/m3, or say --material"):
        cut(tmp_path, HEAD + "270,85,2.5,500,6\n", material=None)


def test_the_shaft_figure_is_told_where_it_can_be(tmp_path):
    words = bench.cut_text(cut(tmp_path, HEAD + "270,85,2.5,500,6\n", efficiency=0.6), None)
    assert "At the shaft, by the motor's efficiency of 60 %: 432 Wh/kg." in words


# --- the card --------------------------------------------------------------------------------------------


def rows_of(chips, energies):
    """Cuts of 10 g of dust each at these net energies per mass [J/kg], from 300 W above 100 W, at the shaft."""
    head = "power_loaded_W,power_idle_W,time_s,removed_g,chip_um\n"
    return head + "".join(
        f"400,100,{w * 0.01 / 300:.8g},10,{h * 1e6:.6g}\n" for h, w in zip(chips, energies, strict=True)
    )


def card_from(folder, chips, energies, edge="toothed", material=PMMA):
    return cut_card(cut(folder, rows_of(chips, energies), material, at="shaft"), material, edge)


CHIPS = (15e-6, 15e-6, 60e-6, 250e-6)


def law_times_saw(edge, C, G_c, chips=CHIPS):
    return [SAW_MIDDLE * cut_J_kg(PMMA, edge, h, C, G_c) for h in chips]


def test_two_chip_sizes_give_back_cut_factor_and_fracture_energy(tmp_path):
    """Energies of the law itself, times what a saw takes beyond it, for another material than the card's."""
    card = card_from(tmp_path, CHIPS, law_times_saw("toothed", 2.2, 900.0))
    product = [card.value(n) for n in ("cut_factor", "yield_stress")]
    assert product[0] * product[1] == pytest.approx(2.2 * PMMA.value("yield_stress"), rel=0.01)
    assert card.value("fracture_energy") == pytest.approx(900.0, rel=0.01)
    for p in (card["cut_factor"], card["fracture_energy"]):
        assert p.basis == "measured" and "with a toothed edge" in p.source and "tell the two apart" in p.source
        assert p.low <= p.value / SAW_MIDDLE and p.high >= p.value * SAW_MIDDLE  # what a saw takes is not known better


def test_yield_shares_what_the_cuts_tell_with_the_cut_factor(tmp_path):
    """Two normal logarithms of which the sum is measured (by hand): the less known one takes most of what is new."""
    own, cut = PMMA["yield_stress"], PMMA["cut_factor"]
    card = card_from(tmp_path, CHIPS, law_times_saw("toothed", 2.0 * cut.value, 900.0))
    new, C = card["yield_stress"], card["cut_factor"]
    var = [(math.log(p.high / p.low) / 4.0) ** 2 for p in (own, cut)]
    share = math.log(new.value / own.value) / math.log(2.0)
    assert 0.0 < share < var[0] / sum(var)
    wide = math.log(new.high / new.low) / math.log(own.high / own.low)
    assert wide == pytest.approx((1.0 - share) ** 0.5, rel=0.01)
    assert C.low < 2.0 * cut.value < C.high
    assert (new.basis, new.source) == (own.basis, own.source) and "rests on the card copied from" in new.note
    assert "yield_stress as far as its note says" in card.note
    one = card_from(tmp_path, CHIPS[:2], law_times_saw("toothed", 2.2, 900.0)[:2])["yield_stress"]
    assert replace(one, note=own.note) == own and "one size of chips tells nothing of it" in one.note


@pytest.mark.parametrize("edge", ["blunt", "bevelled"])
def test_a_blunt_edge_ploughs_too_much_to_tell_the_two_apart(tmp_path, edge):
    """Ploughing goes with the face of the chip, as fracture does, and drowns the rest: both move by one factor."""
    card = card_from(tmp_path, CHIPS, law_times_saw(edge, 2.2, 900.0), edge)
    assert f"with a {edge} edge: one factor for both" in card["cut_factor"].source
    ratio = [card.value(n) / PMMA.value(n) for n in ("cut_factor", "fracture_energy")]
    assert ratio[0] == pytest.approx(ratio[1], rel=1e-3)


def test_the_law_against_the_cutting_of_polymers_by_hand():
    """Thin chips by a sharp tooth: rho w h = C sigma h + G_c + k sigma r (Patel, Blackman & Williams 2009; by hand)."""
    model = load_model()
    C, sigma, G_c, E, rho = (
        PMMA.value(n) for n in ("cut_factor", "yield_stress", "fracture_energy", "modulus", "density")
    )
    r = min(model.value("edge_radius_toothed"), model.value("crack_ratio") * E * G_c / sigma**2)
    h = 10e-6
    by_hand = (C * sigma * h + G_c + model.value("plough_factor") * sigma * r) / (h * rho)
    assert cut_J_kg(PMMA, "toothed", h) == pytest.approx(by_hand, rel=1e-12)


def test_one_chip_size_moves_both_by_one_factor(tmp_path):
    """What it measured is the work: the card's law gives it back, over what a saw takes beyond the cut."""
    h, w = 100e-6, 1.5e6
    card = card_from(tmp_path, [h, h], [w, w])
    assert cut_J_kg(card, "toothed", h) == pytest.approx(w / SAW_MIDDLE, rel=2e-3)
    ratio = [card.value(n) / PMMA.value(n) for n in ("cut_factor", "fracture_energy")]
    assert ratio[0] == pytest.approx(ratio[1], rel=1e-3)
    low, high = (card.merged([replace(card[n], value=getattr(card[n], end)) for n in ("cut_factor", "fracture_energy")])
                 for end in ("low", "high"))  # fmt: skip
    assert cut_J_kg(low, "toothed", h) < w / SAW[1] and cut_J_kg(high, "toothed", h) > w / SAW[0]
    assert "one factor for both: chips of 100 um tell the work alone" in card["cut_factor"].source


def test_chips_too_much_alike_do_not_tell_the_two_apart(tmp_path):
    chips = (90e-6, 110e-6)
    card = card_from(tmp_path, chips, [SAW_MIDDLE * cut_J_kg(PMMA, "toothed", h, 2.2, 900.0) for h in chips])
    assert "tell the work alone" in card["cut_factor"].source


def test_the_card_says_how_the_cut_stands(tmp_path):
    h = 100e-6
    same = card_from(tmp_path, [h], [SAW_MIDDLE * cut_J_kg(PMMA, "toothed", h)])
    assert same.bench.startswith("Cut test cuts.csv, toothed edge, cut factor: card 2 to 4, yours ")
    assert "the card lies within yours" in same.bench
    far = card_from(tmp_path, [h], [100 * cut_J_kg(PMMA, "toothed", h)])
    assert "they do not overlap" in far.bench
    path = tmp_path / "c.toml"
    path.write_text(card_toml(far), encoding="utf-8")
    again = load_material(str(path))
    assert (again.bench, again["cut_factor"]) == (far.bench, far["cut_factor"])


@pytest.mark.parametrize(
    ("text", "options", "words"),
    [
        (
            HEAD + "1000,3,2,80,12\n",
            {"at": "shaft", "chip_m": 1e-4},
            "idle power is in it: an upper bound gives no card",
        ),
        (rows_of([1e-4], [1e6]), {}, "the saw motor's loss is in it: an upper bound gives no card; give --efficiency"),
        (rows_of([1e-4], [1e6]).replace(",chip_um", ",note"), {"at": "shaft"}, "the size of the chips is not known"),
    ],
)
def test_no_card_from_an_upper_bound(tmp_path, text, options, words):
    with pytest.raises(InputError) as error:
        cut_card(cut(tmp_path, text, **options), PMMA, "toothed")
    assert words in str(error.value)
