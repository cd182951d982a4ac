"""Drop tests: reading, what they say, the card they make. Numbers by hand or from the fitted functions themselves."""

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from millsim.errors import InputError
from millsim.learn.measured.binary import few_limits, pool
from millsim.learn.measured.dropcard import drop_card, stands
from millsim.learn.measured.dropsheet import read_drops, sphere_mass, sphere_size
from millsim.learn.measured.droptest import MIDDLE, SQUEEZE, analyse, card_half
from millsim.learn.measured.standing import standing
from millsim.mill.cards import card_toml, load_material
from millsim.show.words import bench, bench_json

CONFIGS = Path(__file__).resolve().parent.parent / "configs"
PMMA = load_material("pmma")
G = 9.80665


def write(folder, text, name="drops.csv"):
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def analysed(folder, text, **options):
    return analyse(read_drops(write(folder, text), PMMA, **options))


def grouped(broken, tested=10, heights=(20, 40, 80, 160, 320), temperature=None):
    more = ",temperature_C" if temperature is not None else ""
    head = f"hammer_mass_g,height_mm,piece_mass_mg,broken,tested{more}\n"
    end = f",{temperature}" if temperature is not None else ""
    return head + "".join(f"100,{h},41,{b},{tested}{end}\n" for h, b in zip(heights, broken, strict=True))


def refused(folder, text):
    with pytest.raises(InputError) as error:
        analysed(folder, text)
    return "\n".join(str(p) for p in error.value.problems)


# --- reading ---------------------------------------------------------------------------------------------


def test_energy_and_size_by_hand(tmp_path):
    # 100 g from 80 mm on 41 mg: 78.45 mJ, 1913.5 J/kg; a sphere of 41 mg and 1180 kg/m3 has 4.049 mm.
    d = analysed(tmp_path, "hammer_mass_g,height_mm,piece_mass_mg,broken\n100,80,41,yes\n100,8,41,no\n").groups[0].drops
    assert d.energy_J[0] == pytest.approx(0.0784532, rel=1e-6)
    assert d.W[0] == pytest.approx(1913.49, rel=1e-5)
    assert d.size_m[0] == pytest.approx((6 * 41e-6 / (math.pi * 1180)) ** (1 / 3), rel=1e-12)
    assert d.size_m[0] == pytest.approx(4.049e-3, rel=1e-3)
    assert d.u[0] == pytest.approx(7.748, rel=1e-3)


def test_sphere_mass_and_size_are_inverse():
    assert sphere_size(sphere_mass(3e-3, 1180.0), 1180.0) == pytest.approx(3e-3, rel=1e-14)


@pytest.mark.parametrize(
    "text",
    [
        "Hammer mass [kg];Drop height (cm);piece size/mm;temp °C;broken\n0,1;8;4;20;ja\n0,1;0,8;4;20;nein\n",
        "\ufeffbroken\tpiece_size_mm\ttemperature_K\theight_m\thammer_g\n1\t4\t293.15\t0.08\t100\n0\t4\t293.15\t.008\t100\n",
        "# a comment\nhammer_mass_lb,height_in,size_um,t_C,result\n0.2204623,3.1496063,4000,20,broken\n"
        "0.2204623,0.31496063,4000,20,whole\n",
        "hammer_mass_g,height_mm,piece_size_mm,temperature_C,broken\n0.1 kg,8 cm,4,20,yes\n100,8,4,20,no\n",
    ],
)
def test_spreadsheets_of_many_kinds_say_the_same(tmp_path, text):
    d = analysed(tmp_path, text).groups[0].drops
    assert d.hammer_kg == pytest.approx([0.1, 0.1], rel=1e-6)
    assert d.height_m == pytest.approx([0.08, 0.008], rel=1e-6)
    assert d.size_m == pytest.approx([4e-3, 4e-3])
    assert d.temperature_K == pytest.approx([293.15, 293.15])
    assert d.k.tolist() == [1, 0]


@pytest.mark.parametrize("at", [0, 1, 2])
def test_a_row_with_units_and_words_is_no_header(tmp_path, at):
    rows = ["100,80,41,yes", "90,80,41,no"]
    rows.insert(at, "100 g,10 mm,40 mg,broken")
    text = "\n".join(["hammer_mass_g,height_mm,piece_mass_mg,broken", *rows])
    d = analysed(tmp_path, text).groups[0].drops
    assert d.height_m[at] == pytest.approx(0.01) and d.mass_kg[at] == pytest.approx(40e-6) and d.k[at] == 1
    assert d.n.sum() == 3


def test_a_row_that_begins_with_a_name_is_no_header(tmp_path):
    head = "piece,hammer_mass_g,height_mm,piece_mass_mg,broken\n"
    d = analysed(tmp_path, head + "A1,100 g,10 mm,40 mg,broken\nA2,90,8,41,no\n").groups[0].drops
    assert d.k.tolist() == [1, 0]


def test_all_problems_in_one_pass_by_line(tmp_path):
    head = "hammer_mass_g,height_mm,piece_mass_mg,broken,tested\n"
    text = refused(tmp_path, head + "100,80,41,3,2\n100,x,41,1,2\n9e9,80,,1,2\n")
    assert 'line 3: height_mm: "x" is not a number' in text
    assert "line 4: hammer_mass_g: 9e9 g is out of range; allowed: 1 g to 50000 g" in text
    swapped = refused(tmp_path, head + "100,80,41,3,2\n100,80,,1,2\n")
    assert "line 2: 3 broken of 2 tested; are the two swapped?" in swapped
    assert "line 3: there is neither a mass nor a size of the piece" in swapped


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("hammer_mass,height_mm,piece_mass_mg,broken\n100,80,41,1\n", 'column "hammer_mass": it has no unit'),
        ("hammer_mass_stone,height_mm,piece_mass_mg,broken\n1,80,41,1\n", 'its unit "stone" is not known; allowed: kg'),
        ("hammer_mass_mm,height_mm,piece_mass_mg,broken\n1,80,41,1\n", "measures length, not mass"),
        ("hammer_mass_g,heigth_mm,piece_mass_mg,broken\n1,80,41,1\n", 'did you mean "height"?'),
        ("hammer_mass_g,height_mm,broken\n100,80,1\n", "neither mass nor size of the pieces; add a column named piece"),
        ("{H}\n100,80,41\n", "there is no column broken; add one named"),
        ("{H},broken\n100,80,41,maybe\n", '"maybe" is neither yes nor no'),
        ("{H},broken\n100,80,41,7\n", "add a column tested"),
        ("{H},broken\n100,80,41,\n", "line 2: broken: there is no value"),
        ("{H},broken,broke\n100,80,41,1,1\n", "say the same"),
        ("{H},broken\n", "has no row below the header"),
        ("", "is empty; for example: hammer_mass_g"),
        ("1,2,3\n4,5,6\n", "must name the columns"),
        ("{H},broken\n100,80,41,5,1\n", "with decimal commas, separate the columns by semi"),
        ("hammer_g;height_mm;piece_mass_mg;broken\n1,000;80;41;1\n1,200;80;41;1\n900;80;41;1\n", "say --decimal point"),
        ("{H},piece_size_mm,broken\n100,80,41,40,1\n", "a piece of 40 mm weighs about 39500 mg, not 41 mg"),
        ("{H},temperature_C,broken\n100,80,41,20,1\n100,80,41,,1\n", "there is no temperature"),
        ("{H},drop,drops,broken\n100,80,41,1,1,1\n", "keep one: drop if each drop has its own"),
        ("hammer_mass_g,height_mm,piece_mass_g,broken\n100,80,410,1\n", "did you mean 0.41 g"),
    ],
)  # fmt: skip
def test_refusals_name_the_place_and_the_remedy(tmp_path, text, words):
    assert words in refused(tmp_path, text.replace("{H}", "hammer_mass_g,height_mm,piece_mass_mg"))


def test_decimal_can_be_said(tmp_path):
    text = "hammer_mass_g;height_mm;piece_mass_mg;broken\n1,000;80;41;1\n1,200;80;41;0\n900;80;41;0\n"
    d = analysed(tmp_path, text, decimal="point").groups[0].drops
    assert d.hammer_kg.tolist() == pytest.approx([1.0, 1.2, 0.9])


def test_columns_that_are_not_read_are_named(tmp_path):
    sheet = analysed(tmp_path, "hammer_mass_g,height_mm,piece_mass_mg,colour,note,broken\n100,80,41,red,a,1\n").sheet
    assert "columns not read: colour" in sheet.assumed


# --- repeated drops --------------------------------------------------------------------------------------

EACH = """hammer_mass_g,height_mm,piece_mass_mg,piece,drop,broken
100,60,41,A,1,no
100,60,41,A,2,no
100,60,41,A,3,yes
100,60,41,B,1,yes
100,60,41,C,1,no
100,60,41,C,2,no
100,120,41,D,1,yes
100,30,41,E,1,no
100,120,41,F,1,no
"""
TOTAL = """hammer_mass_g,height_mm,piece_mass_mg,drops,broken
100,60,41,3,yes
100,60,41,1,yes
100,60,41,2,no
100,120,41,1,yes
100,30,41,1,no
100,120,41,1,no
"""


def test_each_drop_or_all_drops_of_a_piece_give_the_same_fit(tmp_path):
    each, total = analysed(tmp_path, EACH).groups[0], analysed(tmp_path, TOTAL).groups[0]
    assert each.trials.pieces == total.trials.pieces == 9
    assert each.selection == total.selection
    assert each.selection is not None
    assert each.drops.later.sum() == 3
    assert analysed(tmp_path, EACH).sheet.pieces == 6
    assert "a piece that survives a drop is as strong as before" in analysed(tmp_path, EACH).sheet.assumed


def test_groups_hit_several_times_count_as_such(tmp_path):
    # Of ten pieces dropped on up to three times: one minus (1 - S)^3, nothing known of the single drops.
    head = "hammer_mass_g,height_mm,piece_mass_mg,tested,broken,drops\n"
    g = analysed(tmp_path, head + "100,30,41,10,1,3\n100,60,41,10,6,3\n100,90,41,10,6,1\n").groups[0]
    assert g.trials.hits.tolist() == [3, 3, 1]
    assert not g.links
    assert "without saying at which of them" in g.links_why


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("100,60,41,A,1,yes\n100,60,41,A,2,no\n", "line 3: drop 2 of piece A, but no row tells of its drop 1"),
        ("100,60,41,A,1,no\n100,60,41,A,3,no\n", "line 3: drop 3 of piece A"),
        ("100,60,41,,3,yes\n", "if the number is how many drops a piece took in all, name the column drops"),
    ],
)
def test_a_second_drop_needs_a_survivor_of_the_first(tmp_path, rows, words):
    assert words in refused(tmp_path, "hammer_mass_g,height_mm,piece_mass_mg,piece,drop,broken\n" + rows)


def test_pieces_that_weaken_are_noticed(tmp_path):
    # Of 40 first drops 8 break, of 32 second drops on survivors all: no constant strength does that.
    head = "hammer_mass_g,height_mm,piece_mass_mg,tested,broken,drop\n"
    rows = "100,40,41,20,2,1\n100,40,41,18,18,2\n100,80,41,20,6,1\n100,80,41,14,14,2\n"
    report = bench.drop_text(analysed(tmp_path, head + rows))
    assert "earlier drops seem to have weakened the pieces" in " ".join(report.split())


# --- what it says ----------------------------------------------------------------------------------------


def test_the_first_line_is_the_speed_as_a_range(tmp_path):
    # v = sqrt(2 W): 2 kJ/kg is 63 m/s; the range is that of the 95 % limits, the lower over 3 in energy.
    assert math.sqrt(2 * 2000) == pytest.approx(63, abs=0.3)
    test = analysed(tmp_path, grouped([0, 3, 7, 9, 10]))
    g = test.groups[0]
    low, high = g.W_50(0.95)
    speeds = math.sqrt(2 * low / 3), math.sqrt(2 * high)
    assert g.speeds() == pytest.approx(speeds)
    first = bench.drop_text(test).splitlines()[2]
    assert f"at a speed of {speeds[0]:.0f} to {speeds[1]:.0f} m/s" in first
    words = " ".join(bench.drop_text(test).split())
    assert "squeezes a piece between two faces" in words
    assert "rebounding is not deducted" in words


def test_sizes_differ_so_only_size_times_energy_counts(tmp_path):
    # Halving the size at twice the energy is the same trial.
    head = "hammer_mass_g,height_mm,piece_size_mm,tested,broken\n"
    a = analysed(tmp_path, head + "100,80,4,10,3\n100,160,4,10,7\n").groups[0]
    b = analysed(tmp_path, head + "100,20,2,10,3\n100,40,2,10,7\n").groups[0]  # W is 2x, as mass is 1/8 and height 1/4
    assert b.selection.u_50 == pytest.approx(a.selection.u_50, rel=1e-5)
    assert b.W_50()[0] == pytest.approx(2 * a.W_50()[0], rel=1e-5)
    mixed = analysed(tmp_path, head + "100,80,4,10,3\n100,160,4,10,7\n100,20,2,10,3\n").groups[0]
    assert not mixed.one_size
    assert "these pieces (2 to 4 mm)" in bench.drop_text(analysed(tmp_path, head + "100,80,4,9,3\n100,20,2,9,5\n"))


def test_separation_is_said_with_its_bound(tmp_path):
    test = analysed(tmp_path, grouped([0, 0, 10, 10, 10]))
    g = test.groups[0]
    assert g.selection is None
    W = [0.1 * G * h * 1e-3 / 41e-6 for h in (40, 80)]
    assert g.W_50() == pytest.approx(W)
    assert g.W_50(0.95) == pytest.approx(W)  # ten whole and ten broken are enough for 95 %
    words = " ".join(bench.drop_text(test).split())
    assert "there is no finite estimate" in words
    assert "everything from 1910 J/kg on" in words
    assert "By the counts alone W50 is 957 to 1910 J/kg (95 %)" in words
    few = " ".join(bench.drop_text(analysed(tmp_path, grouped([0, 0, 1, 1, 1], 1))).split())
    assert "too few pieces to bound W50 by the counts" in few
    low, high = analysed(tmp_path, grouped([0, 0, 1, 1, 1], 1)).groups[0].W_50(0.95)
    assert (
        low < W[0] and high > W[1]
    )  # what five pieces leave is wider than their bracket, and an interval all the same
    assert f"W50 is {bench.span(low, high, 'J/kg')} (95 %)" in few


@pytest.mark.parametrize(
    ("broken", "words"),
    [([0] * 5, "no piece broke: there is no estimate, only a lower bound"), ([10] * 5, "only an upper bound")],
)
def test_none_or_all_broken_give_a_bound_only(tmp_path, broken, words):
    test = analysed(tmp_path, grouped(broken))
    assert words in " ".join(bench.drop_text(test).split()).replace("No piece", "no piece")
    low, high = test.groups[0].W_50(0.95)
    assert (low == 0.0) != math.isinf(high)
    assert bench_json.drop_json(test)["groups"][0]["fit"] is None


def test_a_staircase_is_recognised(tmp_path):
    # The sequence of test_staircase in mm: h50 = 256.6667 mm, and W = m g h / m.
    rows = zip([280, 260, 240, 260, 280, 260, 240], "yynnyyn", strict=True)
    text = "hammer_mass_g,height_mm,piece_mass_mg,broken\n" + "".join(f"100,{h},41,{b}\n" for h, b in rows)
    g = analysed(tmp_path, text).groups[0]
    assert g.classical["Dixon-Mood"].W_50 == pytest.approx(0.1 * G * 0.2566667 / 41e-6, rel=1e-6)
    assert "levels depend on the outcome" in g.why_not["Spearman-Kärber"]


def test_grouped_levels_get_the_sum(tmp_path):
    g = analysed(tmp_path, grouped([0, 3, 7, 10, 10])).groups[0]
    # On ln W in steps of ln 2: 0.3, 0.4, 0.3 of the pieces between the levels, so the middle of the middle step.
    middle = math.log(0.1 * G * 0.040 / 41e-6) + 0.5 * math.log(2)
    assert math.log(g.classical["Spearman-Kärber"].W_50) == pytest.approx(middle, abs=1e-9)
    assert "counts pieces by level" in g.why_not["Dixon-Mood"]


def test_a_poor_fit_is_called_poor(tmp_path):
    words = " ".join(bench.drop_text(analysed(tmp_path, grouped([0, 19, 2, 18, 20], 20))).split())
    assert "The fit is poor" in words
    assert "The fit is poor" not in bench.drop_text(analysed(tmp_path, grouped([0, 5, 12, 18, 20], 20)))


def test_what_the_data_do_not_determine_is_said(tmp_path):
    words = " ".join(bench.drop_text(analysed(tmp_path, grouped([3, 5, 7, 9, 10]))).split())
    assert "Not determined: whether there is a threshold at all" in words
    clear = bench.drop_text(analysed(tmp_path, grouped([0, 0, 7, 8, 10], heights=(20, 40, 60, 90, 160))))
    assert "Not determined: whether" not in clear


def test_temperatures_are_kept_apart(tmp_path):
    text = grouped([0, 3, 7, 9, 10], temperature=22) + grouped([1, 5, 9, 10, 10], temperature=-18).split("\n", 1)[1]
    test = analysed(tmp_path, text)
    assert [g.temperature_K[0] for g in test.groups] == pytest.approx([295.15, 255.15])
    alone = analysed(tmp_path, grouped([1, 5, 9, 10, 10]))
    assert test.groups[1].selection == alone.groups[0].selection
    close = text.replace(",-18", ",18")
    assert len(analysed(tmp_path, close).groups) == 1


def test_many_heights_are_gathered_for_the_table(tmp_path):
    rng = np.random.default_rng(4)
    rows = "".join(f"100,{h:.1f},41,{'yn'[int(h < 90)]}\n" for h in rng.uniform(20, 200, 40))
    levels = analysed(tmp_path, "hammer_mass_g,height_mm,piece_mass_mg,broken\n" + rows).groups[0].levels
    assert len(levels) == 8
    assert sum(v.tested for v in levels) == 40
    assert [v.W for v in levels] == sorted(v.W for v in levels)


# --- the card --------------------------------------------------------------------------------------------


def card_of(tmp_path, text, base=PMMA):
    return drop_card(analysed(tmp_path, text), base)


CLEAR = grouped([0, 0, 7, 8, 10], heights=(20, 40, 60, 90, 160), temperature=21)


def test_the_card_reads_back_the_same(tmp_path):
    card = card_of(tmp_path, CLEAR)
    path = write(tmp_path, card_toml(card), "measured.toml")
    again = load_material(str(path))
    assert [dataclasses.astuple(p) for p in again.values()] == [dataclasses.astuple(p) for p in card.values()]
    assert (again.title, again.note, again.bench) == (card.title, card.note, card.bench)
    assert again.bench.startswith("Drop test drops.csv at 21 °C, energy that breaks half of ")


def test_the_card_holds_the_fit_with_widened_limits(tmp_path):
    card, g = card_of(tmp_path, CLEAR), analysed(tmp_path, CLEAR).groups[0]
    low, high = g.selection.limits["f"][0.95]
    f = card["f_mat_warm"]
    # A drop of 1 to 3 times the energy of a free impact: f_mat goes with the inverse of an energy.
    assert SQUEEZE == (1.0, 3.0) and math.sqrt(3.0) == pytest.approx(MIDDLE)
    assert (f.value, f.low, f.high) == pytest.approx((g.selection.f * MIDDLE, low, high * 3), rel=1e-3)
    u_low, u_high = g.selection.limits["u_min"][0.95]
    u = card["xw_min_warm"]
    assert (u.value, u.low, u.high) == pytest.approx((g.selection.u_min / MIDDLE, u_low / 3, u_high), rel=1e-3)
    for p in (f, u):
        assert p.basis == "measured"
        assert "drop test drops.csv, 50 pieces at 21 °C" in p.source
        assert "1 to 3 times (assumed), in the middle 1.7 times, what a free impact takes" in p.source
    assert card["temperature_warm"].value == pytest.approx(294.15)
    kept = [n for n in PMMA if n not in ("f_mat_warm", "xw_min_warm", "f_mat_cold", "xw_min_cold", "temperature_warm")]
    assert all(card[n] == PMMA[n] for n in kept)


def test_the_other_temperature_keeps_its_ratio_and_basis(tmp_path):
    # Measuring warm alone must not change how much weaker cold acrylic is.
    card = card_of(tmp_path, CLEAR)
    for name in ("f_mat", "xw_min"):
        ratio = PMMA.value(f"{name}_cold") / PMMA.value(f"{name}_warm")
        assert card[f"{name}_cold"].value / card[f"{name}_warm"].value == pytest.approx(ratio, rel=1e-3)
    assert card["f_mat_cold"].basis == PMMA["f_mat_cold"].basis == "assumed"
    assert "not measured: the warm value" in card["f_mat_cold"].source
    pla = load_material("pla")
    ratio = pla.value("f_mat_cold") / pla.value("f_mat_warm")
    card = card_of(tmp_path, CLEAR, pla)
    assert card["f_mat_cold"].value / card["f_mat_warm"].value == pytest.approx(ratio, rel=1e-3)


def test_two_temperatures_fill_warm_and_cold(tmp_path):
    card = card_of(tmp_path, (CONFIGS / "demo_droptest.csv").read_text())
    measured = [n for n, p in card.items() if p.basis == "measured"]
    assert set(measured) == {f"{a}_{b}" for a in ("f_mat", "xw_min", "temperature") for b in ("warm", "cold")}
    assert card.value("temperature_cold") == pytest.approx(255.15)


def test_a_threshold_not_told_from_none_keeps_the_lower_end_of_the_card(tmp_path):
    text = grouped([3, 5, 7, 9, 10])
    card, g = card_of(tmp_path, text), analysed(tmp_path, text).groups[0]
    assert g.selection.limits["u_min"][0.95][0] == 0.0
    u = card["xw_min_warm"]
    assert u.low == PMMA["xw_min_warm"].low
    assert u.basis == "assumed"
    assert "does not tell this threshold from none" in u.source
    # f goes with the threshold on the card, so that what breaks half is what was measured.
    f = card["f_mat_warm"]
    assert f.basis == "measured"
    assert (u.value + math.log(2) / f.value) * MIDDLE == pytest.approx(g.selection.u_50, rel=1e-3)


def test_separated_data_bound_the_product_and_nothing_else(tmp_path):
    card, g = card_of(tmp_path, grouped([0, 0, 10, 10, 10])), analysed(tmp_path, grouped([0, 0, 10, 10, 10])).groups[0]
    f, u = card["f_mat_warm"], card["xw_min_warm"]
    low, high = g.counting_u
    half = u.value + math.log(2) / f.value
    assert low < half * MIDDLE < high
    share = PMMA.value("xw_min_warm") / (PMMA.value("xw_min_warm") + math.log(2) / PMMA.value("f_mat_warm"))
    assert u.value / half == pytest.approx(share, rel=1e-3)
    assert f.basis == u.basis == "assumed"
    assert "bounds only the energy that breaks half" in f.source
    load_material(str(write(tmp_path, card_toml(card), "c.toml")))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (grouped([0] * 5), "none broken: gives no range for a card; drop from higher"),
        (grouped([10] * 5), "all broken: gives no range for a card; drop from lower"),
        (grouped([0, 3, 7, 9, 10], temperature=150), "150 °C cannot be the warm temperature of a card"),
    ],
)
def test_no_card_from_too_little(tmp_path, text, words):
    with pytest.raises(InputError) as error:
        card_of(tmp_path, text)
    assert words in str(error.value)


def test_a_cold_test_alone_fills_the_cold_side(tmp_path):
    card = card_of(tmp_path, grouped([0, 3, 7, 9, 10], temperature=-78.5))
    assert card["f_mat_cold"].basis == "measured"
    assert card["f_mat_warm"].basis == "assumed"
    assert "the cold value of the drop test" in card["f_mat_warm"].source


def test_a_mill_runs_on_the_card(tmp_path):
    import shutil

    from millsim.mill.config.mill import load_config
    from millsim.mill.problem import build

    write(tmp_path, card_toml(card_of(tmp_path, CLEAR)), "measured.toml")
    for name in ("demo.toml", "offcuts_sieve.csv"):
        shutil.copy(CONFIGS / name, tmp_path / name)
    mill = build(load_config(tmp_path / "demo.toml", ['feed.material="measured.toml"'])).mill[0]
    assert mill["f_mat_warm"] == pytest.approx(analysed(tmp_path, CLEAR).groups[0].selection.f * MIDDLE, rel=1e-3)


def test_a_third_temperature_is_named_where_the_card_has_no_place_for_it(tmp_path):
    rows = [grouped([0, 3, 7, 9, 10], temperature=t).split("\n", 1) for t in (22, 0, -40)]
    card = card_of(tmp_path, rows[0][0] + "\n" + "".join(r[1] for r in rows))
    assert "the drops at 0 °C are not on it" in card.note
    assert card.value("temperature_cold") == pytest.approx(233.15)


HITS = "hammer_mass_g,height_mm,piece_mass_mg,drops,broken\n"


@pytest.mark.parametrize(
    "text",
    [
        grouped([9, 7, 5, 3, 1]),
        grouped([10, 5, 0], heights=(40, 80, 160)),  # strictly reversed: no logit can be fitted
        grouped([1, 0], tested=1, heights=(40, 160)),
        HITS + "100,40,41,2,yes\n100,40,41,1,yes\n100,80,41,3,yes\n100,160,41,4,no\n100,160,41,4,no\n",
    ],
)
def test_a_test_that_runs_backwards_is_questioned_first(tmp_path, text):
    report = bench.drop_text(analysed(tmp_path, text)).splitlines()
    assert report[2].startswith("Harder drops broke fewer pieces: are heights, masses")
    assert report[3].startswith("Half of ")


@pytest.mark.parametrize(
    "text",
    [
        grouped([0, 3, 7, 9, 10]),
        grouped([5, 5, 4], heights=(40, 80, 160)),  # one piece in thirty is chance
        grouped([5], heights=(40,)),
        HITS + "100,40,41,4,no\n100,40,41,4,no\n100,80,41,3,yes\n100,160,41,1,yes\n",
    ],
)
def test_a_test_that_runs_forwards_is_not(tmp_path, text):
    assert "broke fewer pieces" not in bench.drop_text(analysed(tmp_path, text))


def test_no_card_from_a_test_that_runs_backwards(tmp_path):
    with pytest.raises(InputError, match="harder drops broke fewer pieces: no card from these"):
        card_of(tmp_path, grouped([10, 5, 0], heights=(40, 80, 160)))


def test_milligrams_typed_as_grams_are_questioned(tmp_path):
    # 41 mg in a column named mg but typed in g: a thousandth of the mass, 32 times the speed.
    good, slip = (grouped([0, 3, 7, 9, 10]).replace(",41,", f",{m},") for m in ("41", "0.041"))
    asked = "No bar of a mill strikes at more than about 200 m/s"
    report = bench.drop_text(analysed(tmp_path, slip))
    assert report.index(asked) < report.index("Half of ") and "The smallest piece would have 0.4 mm." in report
    assert asked not in bench.drop_text(analysed(tmp_path, good))
    none = bench.drop_text(analysed(tmp_path, grouped([0, 0, 0, 0, 0]).replace(",41,", ",0.041,")))
    assert asked in none


def test_one_level_says_what_it_tells(tmp_path):
    report = " ".join(bench.drop_text(analysed(tmp_path, grouped([4], heights=(60,)))).split())
    assert "All drops had the same energy: they tell the share that breaks there, and nothing of other" in report
    assert "40 %" in report


# --- beside the card -------------------------------------------------------------------------------------


def test_what_a_card_says_of_the_pieces_by_hand(tmp_path):
    # PMMA, warm: 1.3 J m/kg at 4 mm, and ln 2 / 0.12 = 5.8: over 4.049 mm some 1750 J/kg.
    g = analysed(tmp_path, grouped([0, 3, 7, 9, 10])).groups[0]
    value, low, high = card_half(PMMA, g)
    f, xw, a = (PMMA.value(n) for n in ("f_mat_warm", "xw_min_warm", "threshold_exponent"))
    assert value == pytest.approx((xw * (g.size_m / 4e-3) ** (1 - a) + math.log(2) / f) / g.size_m)
    assert low < 0.6 * value and high > 2 * value
    cold = analysed(tmp_path, grouped([0, 3, 7, 9, 10], temperature=-78)).groups[0]
    assert card_half(PMMA, cold)[0] < value


@pytest.mark.parametrize(("hammer", "differs"), [(20, True), (100, False), (500, False), (5000, True)])
def test_card_and_drop_test_are_both_told_where_they_differ(tmp_path, hammer, differs):
    test = analysed(tmp_path, grouped([0, 6, 14, 18, 20], 20).replace("100,", f"{hammer},"))
    report = " ".join(bench.drop_text(test, PMMA).split())
    told = bench_json.drop_json(test, base=PMMA)["groups"][0]
    assert told["differs_from_card"] is differs
    assert ("Card and drop test differ by more than their ranges" in report) is differs
    assert "differ by more" not in bench.drop_text(test)
    low, high = told["W_50_free_impact_J_kg"]
    by_card = told["W_50_of_card_J_kg"]
    assert (high < by_card["low"] or low > by_card["high"]) is differs
    assert not differs or PMMA.title in report


# --- few trials ------------------------------------------------------------------------------------------

THREE = "hammer_mass_g,height_mm,piece_mass_mg,broken\n100,20,41,no\n100,50,41,no\n100,120,41,yes\n"


def test_three_heights_give_an_interval_and_no_point(tmp_path):
    test = analysed(tmp_path, THREE)
    g = test.groups[0]
    words = " ".join(bench.drop_text(test, PMMA).split())
    assert g.selection is None and bench_json.drop_json(test)["groups"][0]["fit"] is None
    low, high = g.W_50(0.95)
    tried = [0.1 * G * h * 1e-3 / 41e-6 for h in (50, 120)]
    assert low < tried[0] and high > tried[1] and high / low > 4.0
    assert f"W50 is {bench.span(low, high, 'J/kg')} (95 %)" in words
    card = card_of(tmp_path, THREE)
    f = card["f_mat_warm"]
    assert f.basis == "assumed" and f.high / f.low > 4.0  # an interval, not a measurement
    swapped = analysed(tmp_path, THREE.replace("50,41,no", "50,41,yes").replace("120,41,yes", "120,41,no"))
    assert (swapped.groups[0].kind, swapped.groups[0].selection) == ("few", None)
    assert "so few pieces bear no curve" in " ".join(bench.drop_text(swapped).split()).lower()


def test_the_interval_of_few_trials_holds_the_truth():
    """Drawn as assumed, 95 % of the intervals hold what was drawn (by construction of a posterior; simulated)."""
    rng, inside = np.random.default_rng(3), []
    u = np.array([2.0, 5.0, 12.0])
    while len(inside) < 1500:
        half, share = math.exp(rng.uniform(math.log(0.02), math.log(1200.0))), 0.1 * rng.integers(10)
        broke = rng.uniform(size=3) < -np.expm1(-math.log(2.0) * np.maximum(u / half - share, 0.0) / (1.0 - share))
        if 0 < broke.sum() < 3:
            low, high = few_limits(pool(u, 1, broke.astype(float)))
            inside.append(low <= half <= high)
    assert np.mean(inside) == pytest.approx(0.95, abs=0.02)


# --- hammers on an arm -----------------------------------------------------------------------------------


def fall_of(tmp_path, header, row):
    text = f"hammer_mass_g,piece_mass_mg,broken,{header}\n400,41,yes,{row}\n400,41,no,{row}\n"
    return analysed(tmp_path, text).groups[0].drops.height_m[0]


def test_a_hinged_hammer_has_the_energy_of_its_centre_of_mass(tmp_path):
    """Arm 300 mm, balanced at 200 mm: a tip 90 mm up lifts the centre of mass by 60 mm (similar triangles, by hand)."""
    assert fall_of(tmp_path, "height_mm,arm_mm,centre_mm", "90,300,200") == pytest.approx(0.06, rel=1e-12)
    # Raised by 30 degrees from level: 200 sin 30; hanging at the strike: 200 (1 - cos 60), both by hand.
    assert fall_of(tmp_path, "angle_deg,centre_mm", "30,200") == pytest.approx(0.1, rel=1e-12)
    assert fall_of(tmp_path, "angle_deg,strike_angle_deg,centre_mm", "60,0,200") == pytest.approx(0.1, rel=1e-12)
    level = fall_of(tmp_path, "angle_deg,strike_angle_deg,centre_mm", "30,90,200")
    assert level == pytest.approx(fall_of(tmp_path, "height_mm,arm_mm,centre_mm", "150,300,200"), rel=1e-12)


def test_a_pendulum_strikes_with_the_energy_that_it_swings_with(tmp_path):
    """Followed in time (scipy): kinetic energy of a swinging bar when it hangs down, against m g times its fall."""
    m, r, inertia, raised = 0.4, 0.2, 0.4 * 0.3**2 / 3.0 + 0.01, math.radians(70.0)

    def swing(_t, y):
        return [y[1], -m * G * r * math.sin(y[0]) / inertia]

    down = lambda _t, y: y[0]  # noqa: E731
    down.terminal = True
    end = solve_ivp(swing, (0.0, 5.0), [raised, 0.0], events=down, rtol=1e-10, atol=1e-12).y[1, -1]
    fell = fall_of(tmp_path, "angle_deg,strike_angle_deg,centre_mm", "70,0,200")
    assert 0.5 * inertia * end**2 == pytest.approx(m * G * fell, rel=1e-6)


@pytest.mark.parametrize(
    ("header", "row", "words"),
    [
        ("height_mm,arm_mm", "90,300", "strikes with the energy of its centre of mass, which is not given"),
        ("height_mm,centre_mm", "90,200", "how far the centre of mass was raised does not follow"),
        ("height_mm,arm_mm,centre_mm", "90,200,300", "farther from the pivot than the tip: are arm and centre swapped"),
        ("height_mm,angle_deg,centre_mm", "90,30,200", "has a height and an angle"),
        ("angle_deg,centre_mm", "30,", "there is no centre of mass, though other rows have one"),
        ("angle_deg,strike_angle_deg,centre_mm", "170,150,200", "the centre of mass does not fall"),
        ("arm_mm", "300", "there is no column height"),
    ],
)
def test_hammers_on_an_arm_that_cannot_be(tmp_path, header, row, words):
    filled = row if not row.endswith(",") else f"{row}200"
    text = f"hammer_mass_g,piece_mass_mg,broken,{header}\n400,41,yes,{row}\n400,41,no,{filled}\n"
    assert words in refused(tmp_path, text).replace("; ", ": ")


# --- beside reference pieces -----------------------------------------------------------------------------

WHEAT = load_material("wheat")


def ratio_sheet(mass="", factor=1.0, broken=(0, 3, 7, 9, 10)):
    """Pieces of 41 mg and wheat of 41 mg; the pieces take `factor` times the height."""
    head = f"{'hammer_mass_g,' * bool(mass)}height_mm,piece_mass_mg,broken,tested,reference\n"
    first = f"{mass}," if mass else ""
    rows = [
        f"{first}{h * k:g},41,{b},10,{yes}"
        for k, yes in ((factor, "no"), (1.0, "yes"))
        for h, b in zip((20, 40, 80, 160, 320), broken, strict=True)
    ]
    return head + "\n".join(rows) + "\n"


def test_without_the_hammers_mass_energies_are_ratios(tmp_path):
    """Twice the height for as many broken: twice the reference's energy, whatever the hammer."""
    test = analysed(tmp_path, ratio_sheet(factor=2.0), reference=WHEAT)
    g = test.groups[0]
    low, high = g.ratio()
    assert math.sqrt(low * high) == pytest.approx(2.0, rel=1e-3) and high / low > 1.5
    heavy = analysed(tmp_path, ratio_sheet("500", factor=2.0), reference=WHEAT).groups[0]
    assert heavy.free() == pytest.approx(g.free(), rel=1e-4)  # the mass drops out
    words = " ".join(bench.drop_text(test, PMMA).split())
    assert "times the energy per mass of the Wheat grain" in words and "not matter how heavy the hammer is" in words
    told = bench_json.drop_json(test, base=PMMA)["groups"][0]
    assert told["reference"] == WHEAT.title and told["ratio_to_reference"] == pytest.approx(g.ratio())
    assert not [key for key in told if key.endswith("J_kg") and "free_impact" not in key and "card" not in key]


def test_the_references_own_range_is_in_the_answer(tmp_path):
    """Squares of logarithms add: both counts and the range on the reference's card (by hand)."""
    g = analysed(tmp_path, ratio_sheet(factor=2.0), reference=WHEAT).groups[0]
    mine, theirs = g.W_50(0.95), g.reference.group.W_50(0.95)
    _, low, high = card_half(WHEAT, g.reference.group)
    half = math.sqrt(sum((0.5 * math.log(b / a)) ** 2 for a, b in (mine, theirs, (low, high))))
    assert 0.5 * math.log(g.free()[1] / g.free()[0]) == pytest.approx(half, rel=1e-9)
    assert g.free()[1] / g.free()[0] > high / low
    middle = math.sqrt(mine[0] * mine[1] / (theirs[0] * theirs[1]) * low * high)
    assert math.sqrt(g.free()[0] * g.free()[1]) == pytest.approx(middle, rel=1e-9)


def test_wheat_beside_wheat_is_wheat(tmp_path):
    """The reference as its own sample: the ratio holds 1, and its card lies within what comes out."""
    g = analyse(read_drops(write(tmp_path, ratio_sheet()), WHEAT, reference=WHEAT)).groups[0]
    assert g.ratio()[0] < 1.0 < g.ratio()[1]
    assert "the card lies within yours" in bench.drop_text(
        analyse(read_drops(write(tmp_path, ratio_sheet()), WHEAT, reference=WHEAT)), WHEAT
    ).replace("\n  ", " ")


def test_a_card_made_beside_a_reference(tmp_path):
    sheet = read_drops(write(tmp_path, ratio_sheet(factor=2.0)), PMMA, reference=WHEAT)
    test = analyse(sheet)
    card = drop_card(test, PMMA)
    g = test.groups[0]
    value, low, high = card_half(card, g)
    assert g.free()[0] < value < g.free()[1] and low <= g.free()[0] * 1.01 and high >= 0.99 * g.free()[1]
    assert "as ratios to Wheat grain" in card["f_mat_warm"].source
    assert card["f_mat_warm"].basis != "measured"  # only the sum of threshold and slope was


@pytest.mark.parametrize(
    ("text", "reference", "words"),
    [
        (ratio_sheet(), None, "there are reference pieces of an unknown material"),
        (grouped([0, 5, 10, 10, 10]), WHEAT, "there is no row of reference pieces"),
        ("height_mm,piece_mass_mg,broken\n80,41,yes\n", None, "there is no column hammer mass"),
        (ratio_sheet().replace(",no", ",yes"), WHEAT, "every row is a reference piece"),
    ],
)
def test_references_that_do_not_fit(tmp_path, text, reference, words):
    with pytest.raises(InputError) as error:
        read_drops(write(tmp_path, text), PMMA, reference=reference)
    assert words in str(error.value)


# --- how it stands to the card ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("card", "yours", "words"),
    [
        ((0.8, 4.0), (5.0, 32.0), "card 0.8 to 4 J/kg, yours 5 to 32 J/kg: they do not overlap"),
        ((0.8, 4.0), (1.0, 3.0), "card 0.8 to 4 J/kg, yours 1 to 3 J/kg: yours lies within"),
        ((0.8, 4.0), (0.5, 9.0), "yours 0.5 to 9 J/kg: the card lies within yours"),
        ((0.8, 4.0), (2.0, 9.0), "yours 2 to 9 J/kg: they overlap in part"),
        ((0.8, 4.0), (5.0, math.inf), "yours above 5 J/kg: they do not overlap"),
        ((0.8, 4.0), (0.0, 1.0), "yours below 1 J/kg: they overlap in part"),
    ],
)
def test_one_line_on_how_a_test_stands_to_the_card(card, yours, words):
    assert standing("x", card, yours, "J/kg").endswith(words)


def test_every_drop_test_says_how_it_stands(tmp_path):
    """In its own report, within and beyond the card's range alike."""
    for heights, words in (((2, 4, 8, 16, 32), "yours"), ((600, 1200, 2400, 4800, 9600), "they do not overlap")):
        test = analysed(tmp_path, grouped([0, 3, 7, 9, 10], heights=heights))
        said = " ".join(bench.drop_text(test, PMMA).split())
        assert f"Beside the card, {PMMA.title}: {stands(PMMA, test.groups[0])}." in said and words in said
