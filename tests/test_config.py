"""Configs: SI values, every problem in one pass with a hint, overrides, a text that loads back."""

import math
from dataclasses import FrozenInstanceError
from pathlib import Path

import pytest
from click.testing import CliRunner

from millsim.base.reading.key import AS_MUCH, AS_MUCH_BEFORE
from millsim.commands import draw
from millsim.commands.main import cli
from millsim.errors import InputError
from millsim.laws.drive import opening_flow
from millsim.learn.calibration.compare import settings_apart
from millsim.mill import cards
from millsim.mill.config import checks
from millsim.mill.config.mill import load_config, parse_config

CONFIGS = Path(__file__).parents[1] / "configs"
SHIPPED = sorted(p for p in CONFIGS.glob("*.toml") if "[rotor]" in p.read_text(encoding="utf-8"))  # not run sheets
BASE = (CONFIGS / "pla.toml").read_text(encoding="utf-8")

RATE = 'rate = "as fast as it can grind"'


def told(text: str, *overrides: str) -> list[str]:
    """The problems of a config text, as lines."""
    with pytest.raises(InputError) as caught:
        parse_config(text, "mill.toml", CONFIGS, overrides)
    return str(caught.value).splitlines()


def changed(*changes: tuple[str, str]) -> str:
    """The PLA config with pieces of text replaced."""
    text = BASE
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def one(text: str, *overrides: str) -> str:
    """The only problem of a config text."""
    lines = told(text, *overrides)
    assert len(lines) == 1, lines
    return lines[0]


@pytest.mark.parametrize("path", SHIPPED, ids=lambda p: p.stem)
def test_shipped_configs_load(path):
    config = load_config(path)
    assert config.path == path
    assert config.name
    assert len(config.sha256) == 64


def test_values_are_si():
    config = load_config(CONFIGS / "demo.toml")
    assert config.rotor.radius_m == 0.06
    assert config.drive.speed_rad_s == pytest.approx(60.0 / 0.06, rel=1e-15)
    assert config.sieve.open_fraction == pytest.approx(math.pi / (2.0 * math.sqrt(3.0)) * 0.25, rel=1e-15)
    assert config.sieve.area_m2 == 0.0075
    assert config.air.room_K == config.feed.temperature_K == 293.15
    assert config.feed.rate_kg_s is None
    assert config.feed.batch_mass_kg is None
    assert config.drive.curve_power_W == (0.0, 1100.0)
    assert config.material.value("density") == 1180.0
    assert config.feed.size.sheet_q3[-1] == 1.0
    assert config.limits.outlet_temperature_K is None
    assert config.run.histories == 20000


def test_first_look_journey():
    """A 110 mm rotor at 18 000 rpm has 103.7 m/s; holes of 1.0 mm at a pitch of 2.0 mm leave 22.7 %."""
    mill = ["rotor.radius=55 mm", "drive.speed=18000 rpm", "stator.gap=2 mm", "drive.rated_power=800 W"]
    sieve = ["sieve.hole=1.0 mm", "sieve.pitch=2.0 mm", "feed.size.size=3 mm"]
    config = load_config(CONFIGS / "pla.toml", mill + sieve)
    assert config.drive.speed_rad_s * config.rotor.radius_m == pytest.approx(103.7, abs=0.05)
    assert config.sieve.open_fraction == pytest.approx(0.227, abs=0.0005)
    assert config.drive.shaft_rated_W == pytest.approx(480.0)


def test_mesh_swinging_and_batch():
    swinging = load_config(CONFIGS / "swinging.toml")
    assert swinging.sieve.open_fraction == pytest.approx((1.6 / 2.4) ** 2)
    assert swinging.sieve.thickness_m == swinging.sieve.wire_m == 0.0008
    assert swinging.rotor.hammer_mass_kg == 0.02
    batch = load_config(CONFIGS / "batch.toml")
    assert (batch.feed.batch_mass_kg, batch.feed.batch_time_s, batch.feed.rate_kg_s) == (0.012, 120.0, None)
    assert batch.feed.size.largest_m == pytest.approx(3.5e-3 * math.exp(1.6449 * 0.25))


def test_frozen():
    config = load_config(CONFIGS / "pla.toml")
    with pytest.raises(FrozenInstanceError):
        config.rotor.bars = 5


# --- bad input: one pass, with key, value, range and likely intention ---


def test_six_slips_in_one_file_are_told_in_one_pass(tmp_path):
    """Magnitude, misspelt key, density in g/cm3, duplicate key, pitch below hole, piece above opening."""
    card = cards.card_toml(cards.load_material("pla")).replace("value = 1240.0", "value = 1.24", 1)
    (tmp_path / "own.toml").write_text(card, encoding="utf-8")
    text = changed(
        ('gap = "3 mm"', 'gap = "1500 mm"'),
        ("tip_speed = ", "rotor_tip_speeed = "),
        ('material = "pla"', 'material = "own.toml"'),
        ("bars = 4 ", "bars = 4\nbars = 6 "),
        ('pitch = "2.5 mm"', 'pitch = "0.8 mm"'),
        ('opening = "30 mm"', 'opening = "2 mm"'),
    )
    file = tmp_path / "mill.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_config(file)
    lines = sorted(f"{p.key}: {p}" for p in caught.value.problems)
    assert len(lines) == 6, lines
    density, speed, opening, bars, pitch, gap = lines
    assert 'did you mean 1240 kg/m3 ("1.24 g/cm3")?' in density
    assert 'did you mean "tip_speed"?' in speed
    assert "4 mm pieces arch over a 2 mm opening" in opening and "above 5.6 mm" in opening
    assert "rotor.bars" in bars and "stands twice" in bars
    assert "0.8 mm is not above the hole of 1.5 mm" in pitch
    assert '"1500 mm" is out of range; allowed: 0.05 mm to 50 mm; did you mean 1.5 mm' in gap
    assert all(str(file) in line or "own.toml" in line for line in lines)


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ('gap = "3 mm"', "gap = 3", ["stator.gap", "3 has no unit", 'write "3 mm"']),
        ('gap = "3 mm"', "gap = 3 mm", ["write it in quotes"]),
        ('gap = "3 mm"', 'gap = "0,3 mm"', ["comma", 'use a point: "0.3 mm"']),
        ('gap = "3 mm"', 'gap = "3 g"', ["measures mass, not length"]),
        ('gap = "3 mm"', 'gap = "3 MM"', ['did you mean "mm"?']),
        ('gap = "3 mm"', 'gap = ["3 mm"]', ["a list is not a number with a unit", '"3 mm"']),
        ('gap = "3 mm"', 'gap_mm = "3 mm"', ['did you mean gap = "3 mm"?']),
        ('gap = "3 mm"', "gap = nan", ["nan has no unit"]),
        ('gap = "3 mm"', "", ["stator.gap: is missing", "0.05 mm to 50 mm", 'gap = "3 mm"']),
        ("bars = 4", 'bars = "4"', ["write 4 without quotes"]),
        ("bars = 4", "bars = 4.0", ["write 4"]),
        ("bars = 4", "bars = true", ["true is not a number"]),
        ("bars = 4", "bars = 40", ["allowed: 1 to 24"]),
        ("bars = 4", "bars = inf", ["not a finite number"]),
        ("fan = true", 'fan = "yes"', ["write true without quotes"]),
        ('edge = "toothed"', 'edge = "tothed"', ["blunt | bevelled | toothed", 'did you mean "toothed"?']),
        ("efficiency = 0.6 ", "efficiency = 60 ", ["did you mean 0.6"]),
        ("efficiency = 0.6 ", 'efficiency = "60 %" ', ["write 0.6 without quotes"]),
        ('radius = "60 mm"', 'radius = "60 m"', ['("60 mm")']),
        ('tip_speed = "70 m/s"', 'tip_speed = "70 m/s"\nspeed = "11000 rpm"', ["contradicts", "only one"]),
        ('tip_speed = "70 m/s"', 'speed = "11000 rad/s"', ['did you mean 1152 rad/s ("11000 rpm")?']),
        ('tip_speed = "70 m/s"', 'speed = "60000 rpm"', ["tip speed of 377 m/s", "2 m/s to 200 m/s"]),
        ('tip_speed = "70 m/s"', "", ["drive.speed: is missing", "speed or tip_speed"]),
        (RATE, 'rate = "as much as possible"', ['did you mean "as fast as it can grind"?']),
        (RATE, "", ["feed.rate: is missing", "batch_mass"]),
        (RATE, 'batch_mass = "50 g"', ["feed.batch_time: is missing"]),
        (RATE, 'rate = "1 g/h"\nbatch_mass = "1 g"\nbatch_time = "1 s"', ["contradicts rate"]),
        ('material = "pla"', 'material = "plaa"', ["no card named", 'did you mean "pla"?']),
        ('material = "pla"', 'material = "none.toml"', ["none.toml", "no such file"]),
        ("pins = 16 ", "pins = 160 ", ["do not fit around the stator", "at most 52"]),
        ('bar_thickness = "8 mm"', 'bar_thickness = "98 mm"', ["do not fit around the rotor"]),
        ('pitch = "2.5', 'open_fraction = 0.5\npitch = "2.5', ["contradicts hole and spacing", "0.326"]),
        ('pitch = "2.5 mm"', "", ["sieve.pitch: is missing for a plate (or open_fraction)"]),
        ('thickness = "1.0 mm"', "", ["sieve.thickness: is missing for a plate"]),
        ('kind = "single"', 'kind = "rrsb"\nx63 = "3 mm"\nn = 3', ['is only for kind = "single"']),
        ('mount = "rigid"', 'mount = "rigid"\nhammer_mass = "5 g"', ['only for mount = "swinging"']),
        ("[run]", "[runn]", ["unknown section [runn]", 'did you mean "run"?']),
        ("[run]", "[model]\nsieve_facto = 2\n[run]", ['did you mean "sieve_factor"?']),
        ("[run]", "[model]\nsieve_factor = -2\n[run]", ["out of range"]),
        ("[run]", "[limits]\noutlet_temperature = \"10 °C\"\n[run]", ["not above the feed temperature"]),
        ("seed = 1", "seed = -1", ["out of range", "0 or more"]),
        ('room = "20 °C"', 'room = "20 °C"\nrecirculated = 0.5', ["air.cooler_outlet: is missing"]),
        ("[stator]", "[rotor]", ["section [rotor] stands twice"]),
    ],
)  # fmt: skip
def test_slips(old, new, parts):
    lines = told(changed((old, new)))
    assert any(all(part in line for part in parts) for line in lines), lines
    if "twice" not in parts[0]:
        assert len(lines) == 1, lines


def hint(key: str, value: str) -> str:
    """What follows the allowed range in the complaint of an override; empty when nothing does."""
    allowed = one(BASE, f"{key}={value}").split("; allowed: ")[1]
    return "; ".join(allowed.split("; ")[1:])


@pytest.mark.parametrize(
    ("key", "value", "meant"),
    [
        ("sieve.thickness", "0.1 in", '0.1 in is 2.54 mm: write "2.54 mm"'),
        ("sieve.thickness", "10 ft", "10 ft is 3048 mm"),  # out of range as well
        ("sieve.hole", "60 mesh", '60 mesh is 0.25 mm by ASTM E11: write "0.25 mm"'),
        ("sieve.hole", "61 mesh", "no ASTM E11 sieve has mesh number '61'; nearest: 60 and 70"),
        ("run.x50_error", "2", 'did you mean 0.02 ("2 %")?'),
        ("drive.rated_power", "1 hp", '1 hp is 745.7 W: write "745.7 W"'),
        ("drive.rated_power", "2 PS", '2 PS is 1471 W: write "1471 W"'),
        ("rotor.mass", "2 lb", '2 lb is 907.18 g: write "907.18 g"'),
        ("air.room", "68 °F", '68 °F is 20 °C: write "20 °C"'),
        ("air.blower_pressure", "0.1 psi", '0.1 psi is 689.48 Pa: write "689.48 Pa"'),
        ("feed.rate", "10 oz/h", '10 oz/h is 283.5 g/h: write "283.5 g/h"'),
        ("drive.tip_speed", "18 000 rpm", 'write "18000 rpm"'),
        ("sieve.area", "1 hp", "units: m2, dm2, cm2, mm2"),
        ("air.room", "-300 °C", ""),
        ("air.room", "293 °C", 'did you mean 19.85 °C ("293 K")?'),
        ("air.room", "20 K", 'did you mean 293.1 K ("20 °C")?'),
        ("rotor.bars", "1000", ""),
        ("sieve.hole", "1500 mm", 'did you mean 1.5 mm ("1500 um")?'),
    ],
)
def test_hints_are_plausible(key, value, meant):
    assert hint(key, value) == meant


@pytest.mark.parametrize(
    ("value", "meant"),
    [
        ("18 000 rpm", 'write "18000 rpm"'),
        ("18.000 rpm", 'write "18000 rpm"'),  # a point as thousands separator: 18 rpm is out of range
        ("18,000 rpm", 'write "18000 rpm"'),
        ("180000 rpm", ""),
        ("18 rpm", ""),
        ("180 Hz", '180 Hz is 10800 rpm: write "10800 rpm"'),
        ("9500 ms", "units: rad/s, rpm, 1/min"),
    ],
)
def test_hints_on_speeds(value, meant):
    text = changed(('tip_speed = "70 m/s"', f'speed = "{value}"'))
    assert "; ".join(one(text).split("; allowed: ")[1].split("; ")[1:]) == meant


def test_a_comma_that_may_be_either_is_told_both_ways():
    assert hint("feed.rate", "1,500 g/h").endswith('use a point: "1.500 g/h", or write "1500 g/h"')
    assert "use a point: 0.6, or write" not in one(BASE, "drive.efficiency=0,6")
    assert "write 20000" in one(BASE, "run.histories=20 000")


def test_pieces_arch_where_the_law_lets_nothing_through():
    """Free width D - 1.4 d, after Beverloo et al. 1961: the check and the law agree on both sides."""
    line = one(BASE, "feed.size.size=25 mm", "rotor.radius=100 mm")
    assert "feed.opening: 25 mm pieces arch over a 30 mm opening; allowed: above 35 mm" in line
    for opening, passes in ((0.0349, False), (0.0351, True)):
        told_of = list(checks.contradictions({"feed.top": 0.025, "feed.opening": opening}))
        assert (not told_of) == passes == (opening_flow(600.0, opening, 0.025) > 0.0)


@pytest.mark.parametrize(
    ("line", "home"),
    [
        ("density = 1.24", "density belongs on a material card (see millsim materials)"),
        ("sieve_factor = 2", "sieve_factor belongs in [model]"),
        ('gap = "3 mm"', "gap belongs in [stator]"),
    ],
)
def test_a_parameter_in_the_feed_is_sent_home(line, home):
    assert home in one(changed(("[feed]", f"[feed]\n{line}")))
    name, value = line.split(" = ")
    assert home in one(BASE, f"feed.{name}={value}")


def test_a_file_in_set_may_lie_beside_the_config_or_in_the_working_folder(tmp_path, monkeypatch):
    mine = tmp_path / "mine"
    mine.mkdir()
    (mine / "mill.toml").write_text(BASE, encoding="utf-8")
    (mine / "my.toml").write_text(cards.card_toml(cards.load_material("pla")), encoding="utf-8")
    (mine / "my.csv").write_text("aperture_mm,retained_g\n4,1\n2,5\npan,1\n", encoding="utf-8")
    (tmp_path / "pyproject.toml").write_text("[project]\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    mill = Path("mine/mill.toml")
    sheet = ["feed.size.kind=sieve_sheet", "feed.size.sheet=mine/my.csv"]
    beside = load_config(mill, ["feed.material=my.toml", sheet[0], "feed.size.sheet=my.csv"])
    here = load_config(mill, ["feed.material=mine/my.toml", *sheet])
    assert here.sha256 == beside.sha256
    assert here.feed.size.sheet_path == Path("mine/my.csv")
    for key, name, others in (("feed.material", "mine/no.toml", []), ("feed.size.sheet", "mine/no.csv", sheet[:1])):
        with pytest.raises(InputError) as caught:
            load_config(mill, [*others, f"{key}={name}"])
        assert str(caught.value) == (
            f"--set: {key}: no such file: neither mine/{name} (beside the config) nor {name} (in the working folder)"
        )


def test_missing_files_named_in_a_config(tmp_path):
    (tmp_path / "pyproject.toml").write_text("[project]\n", encoding="utf-8")
    (tmp_path / "offcuts.csv").write_text("", encoding="utf-8")

    def told_of(*changes: tuple[str, str]) -> str:
        with pytest.raises(InputError) as caught:
            parse_config(changed(*changes), "mill.toml", tmp_path)
        (problem,) = caught.value.problems
        return str(problem)

    for name in ("my.toml", "project.toml", "pyprojekt.toml"):
        line = told_of(('material = "pla"', f'material = "{name}"'))
        assert line == f"{tmp_path / name}: feed.material: no such file"
    line = told_of(('kind = "single"', 'kind = "sieve_sheet"'), ('size = "4 mm"', 'sheet = "ofcuts.csv"'))
    wanted = tmp_path / "ofcuts.csv"
    assert line == f'{wanted}: feed.size.sheet: no such file; did you mean "offcuts.csv"?'


def test_open_fraction_near_the_geometry_is_taken():
    text = changed(("area = ", "open_fraction = 0.3\narea = "))
    assert parse_config(text).sieve.open_fraction == 0.3


def test_missing_section_is_one_problem_with_an_example():
    line = one(BASE.replace('[feed.size]\nkind = "single"                  # all pieces alike\nsize = "4 mm"', ""))
    assert "section [feed.size] is missing" in line
    assert 'kind = "single"' in line


def test_key_in_the_wrong_section_is_sent_home():
    line = told(changed(("[sieve]", '[sieve]\ngap = "2 mm"')))
    assert "gap belongs in [stator]" in line[0]


def test_swinging_needs_its_keys_and_a_pivot_inside():
    lines = told(changed(('mount = "rigid"', 'mount = "swinging"')))
    assert len(lines) == 2
    assert "hammer_mass: is missing" in lines[0]
    line = one(changed(('mount = "rigid"', 'mount = "swinging"\nhammer_mass = "9 g"\npivot_radius = "60 mm"')))
    assert "not inside the tip radius" in line


def test_motor_curve():
    text = changed(("efficiency", 'speed_curve = [["200 W", "10000 rpm"], ["800 W", "9000 rpm"]]\nefficiency'))
    config = parse_config(text, base_dir=CONFIGS)
    assert config.drive.curve_power_W == (0.0, 200.0, 800.0)
    assert config.drive.curve_speed_rad_s[0] == config.drive.speed_rad_s
    assert "speed rises with load" in one(text.replace('"9000 rpm"]', '"10500 rpm"]'))
    assert "above the no-load speed" in one(text.replace('"10000 rpm"', '"12000 rpm"'))
    assert "powers do not ascend" in one(text.replace('"800 W"', '"100 W"'))


def test_feed_table():
    table = 'kind = "table"\napertures = ["2 mm", "4 mm", "5 mm"]\nq3 = [0.2, 0.9, 1.0]\n'
    text = changed(('kind = "single"', table), ('size = "4 mm"', ""))
    size = parse_config(text).feed.size
    assert (size.kind, size.sheet_apertures_m, size.sheet_q3) == ("sieve_sheet", (0.002, 0.004, 0.005), (0.2, 0.9, 1.0))
    assert size.largest_m == pytest.approx(0.004 * 1.25**0.5)
    assert "the shares end at 0.9" in one(text.replace(", 1.0]", ", 0.9]"))
    assert "has 2 values for 3 apertures" in one(text.replace("[0.2, 0.9, 1.0]", "[0.9, 1.0]"))


def test_files_that_are_no_config(tmp_path):
    def told_of(path: Path) -> str:
        with pytest.raises(InputError) as caught:
            load_config(path)
        assert len(caught.value.problems) == 1
        return str(caught.value)

    file = tmp_path / "mill.toml"
    assert "no such file" in told_of(file)
    file.write_text("", encoding="utf-8")
    assert "is empty" in told_of(tmp_path / "mill.toml")
    assert 'did you mean "mill.toml"?' in told_of(tmp_path / "mil.toml")
    file.write_bytes(b'[mill]\nname = "M\xfcller"\n')
    assert "not UTF-8 text (line 2)" in told_of(file)
    file.write_text("just some words\n", encoding="utf-8")
    assert "is not valid TOML" in told_of(file)
    assert "line 1, column 6" in told_of(file)
    assert "is a folder" in told_of(tmp_path)
    file.write_bytes(b"#" * 2_000_000)
    assert "larger than 1 MB" in told_of(file)
    assert "cannot be read" in told_of(Path("a\0b"))


# --- overrides ---


def test_override_goes_through_the_same_checks():
    path = CONFIGS / "demo.toml"
    assert load_config(path, ["stator.gap=2 mm", "rotor.bars=2"]).stator.gap_m == 0.002
    assert load_config(path, ['stator.gap="2 mm"']).sha256 == load_config(path, ["stator.gap = 2 mm"]).sha256
    with pytest.raises(InputError) as caught:
        load_config(path, ["stator.gap=2000 mm", "stator.gp=1", "nonsense", "rotr.bars=2"])
    lines = str(caught.value).splitlines()
    assert len(lines) == 4
    assert all(line.startswith("--set: ") for line in lines)


def test_override_replaces_its_alternative():
    path = CONFIGS / "demo.toml"
    own, slower = load_config(path).drive, load_config(path, ["drive.speed=8000 rpm"]).drive
    assert slower.curve_power_W == own.curve_power_W  # the same motor slows under load in proportion
    share = own.curve_speed_rad_s[-1] / own.speed_rad_s
    assert slower.curve_speed_rad_s[-1] == pytest.approx(share * slower.speed_rad_s, rel=1e-12)
    assert load_config(CONFIGS / "batch.toml", ["feed.rate=60 g/h"]).feed.batch_mass_kg is None
    size = load_config(path, ["feed.size.kind=single", "feed.size.size=3 mm"]).feed.size
    assert (size.kind, size.size_m, size.sheet_path) == ("single", 0.003, None)
    assert load_config(CONFIGS / "swinging.toml", ["rotor.mount=rigid"]).rotor.hammer_mass_kg is None
    assert load_config(path, ["stator.kind=smooth"]).stator.pins == 0
    with pytest.raises(InputError, match="only one can hold"):
        load_config(path, ["drive.speed=8000 rpm", "drive.tip_speed=60 m/s"])


def test_model_overrides_are_named_as_such():
    config = load_config(CONFIGS / "pla.toml", ["model.sieve_factor=5", "model.nip_width=12 deg"])
    assert config.model_overrides == {"sieve_factor": 5.0, "nip_width": pytest.approx(math.radians(12.0))}
    param = config.model["sieve_factor"]
    assert (param.value, param.high, param.basis) == (5.0, 5.0, "config")
    assert config.model["jam_share"].basis == "assumed"


# --- canonical text and hash ---


@pytest.mark.parametrize("path", SHIPPED, ids=lambda p: p.stem)
def test_text_loads_back_the_same_without_any_file(path, tmp_path):
    config = load_config(path)
    again = parse_config(config.text, base_dir=tmp_path)
    assert again.text == config.text
    assert again.sha256 == config.sha256
    for part in ("rotor", "stator", "sieve", "drive", "air", "casing", "limits", "run", "name"):
        assert getattr(again, part) == getattr(config, part)
    assert again.feed.size.sheet_q3 == config.feed.size.sheet_q3


def test_hash_ignores_spelling_and_sees_values(tmp_path):
    reference = parse_config(BASE).sha256
    same = changed(('radius = "60 mm"', 'radius = "6 cm" # the same'), ('room = "20 °C"', 'room = "293.15 K"'))
    blocks = same.split("\n[")
    same = "[" + "\n[".join([blocks[-1], *blocks[1:-1]]) + "\n"  # last section first, head comment gone
    assert parse_config(same, "other.toml", tmp_path).sha256 == reference
    assert parse_config(changed(("70 m/s", "4200 m/min"))).sha256 == reference
    assert parse_config(BASE, overrides=["drive.speed=11140.84601642987 rpm"]).sha256 == reference
    assert parse_config(BASE, overrides=["run.histories=20000"]).sha256 == reference
    assert parse_config(BASE, overrides=["feed.material=PLA"]).sha256 == reference
    assert parse_config(BASE, overrides=["stator.gap=3.0001 mm"]).sha256 != reference
    assert parse_config(BASE, overrides=["model.sieve_factor=1"]).sha256 != reference


def test_hash_sees_into_the_users_card_and_sheet(tmp_path):
    card, sheet = tmp_path / "own.toml", tmp_path / "feed.csv"
    card.write_text(cards.card_toml(cards.load_material("pla")), encoding="utf-8")
    sheet.write_text("aperture_mm,retained_g\n4,1\n2,5\npan,1\n", encoding="utf-8")
    text = changed(('material = "pla"', 'material = "own.toml"'), ('kind = "single"', 'kind = "sieve_sheet"'),
                   ('size = "4 mm"', 'sheet = "feed.csv"'))  # fmt: skip
    first = parse_config(text, base_dir=tmp_path)
    again = parse_config(first.text, base_dir=tmp_path / "elsewhere")
    assert (again.sha256, again.text, dict(again.material)) == (first.sha256, first.text, dict(first.material))
    renamed = tmp_path / "other.toml"
    renamed.write_text(card.read_text(encoding="utf-8"), encoding="utf-8")
    assert parse_config(text.replace("own.toml", "other.toml"), base_dir=tmp_path).sha256 == first.sha256
    renamed.write_text(card.read_text(encoding="utf-8").replace("value = 1240.0", "value = 1235.0"), encoding="utf-8")
    assert parse_config(text.replace("own.toml", "other.toml"), base_dir=tmp_path).sha256 != first.sha256
    sheet.write_text("aperture_mm,retained_g\n4,1\n2,6\npan,1\n", encoding="utf-8")
    assert parse_config(text, base_dir=tmp_path).sha256 != first.sha256


def test_a_doubtful_feed_sheet_is_told_without_flags_the_config_lacks(tmp_path):
    sheet = tmp_path / "feed.csv"
    sheet.write_text("aperture_mm,retained_g\n5.6,6.0\n4.0,58.0\n2.8,92.0\ncharge,200\n", encoding="utf-8")
    demo = Path(__file__).resolve().parent.parent / "configs" / "demo.toml"
    with pytest.raises(InputError, match="add a row `pan,<mass>`") as caught:
        load_config(demo, [f"feed.size.sheet={sheet}"])
    assert "--pan" not in str(caught.value)


def test_numbers_of_a_card_can_be_set_one_by_one():
    """What is set keeps the card's range, widened to hold it, and says where it is from; the rest stays."""
    plain = load_config(CONFIGS / "demo.toml")
    own = load_config(CONFIGS / "demo.toml", ['material.density="1.1 g/cm3"', "material.shape=0.9"])
    was, now = plain.material["density"], own.material["density"]
    assert (now.value, now.basis) == (1100.0, "config") and "[material] in demo.toml" in now.source
    assert now.low == min(was.low, 1100.0) and now.high == was.high
    assert own.material["fracture_energy"] == plain.material["fracture_energy"]
    assert own.material.title == plain.material.title and "density, shape" in own.material.note
    assert own.sha256 != plain.sha256 and parse_config(own.text).sha256 == own.sha256
    with pytest.raises(InputError) as caught:
        load_config(CONFIGS / "demo.toml", ['material.density="12 W"', "material.densty=3"])
    assert {p.key for p in caught.value.problems} == {"material.density", "material.densty"}
    assert any(p.hint == 'did you mean "density"?' for p in caught.value.problems)


def test_numbers_set_on_a_card_are_held_to_each_other_and_stay_with_another_card():
    """What no card says can be set too; what contradicts the rest of the card is refused as on a card of one's own."""
    own = load_config(CONFIGS / "demo.toml", ["feed.material=pla", 'material.mie="30 mJ"', "material.combustible=1"])
    assert own.material.title == load_config(CONFIGS / "demo.toml", ["feed.material=pla"]).material.title
    assert own.material.value("mie") == 0.03 and own.material.value("combustible") == 1.0
    with pytest.raises(InputError, match="is not below temperature_warm") as caught:
        load_config(CONFIGS / "demo.toml", ['material.temperature_cold="30 degC"'])
    assert [p.key for p in caught.value.problems] == ["material.temperature_cold"]


def test_a_card_is_printed_as_a_file_to_edit(tmp_path):
    shown = CliRunner().invoke(cli, ["materials", "pmma", "--toml"])
    (tmp_path / "mine.toml").write_text(shown.stdout, encoding="utf-8")
    mine = load_config(CONFIGS / "demo.toml", [f"feed.material={tmp_path / 'mine.toml'}"]).material
    assert list(mine.values()) == list(load_config(CONFIGS / "demo.toml").material.values())
    none = CliRunner().invoke(cli, ["materials", "--toml"])
    assert none.exit_code == 2 and not none.stdout and "none is named" in none.stderr


def test_the_old_words_for_a_feed_rate_left_open_are_the_same_mill():
    """Configs, stored results and sweeps of before say it in other words, and are known by the same hash."""
    assert RATE in BASE
    now, before = (parse_config(t, base_dir=CONFIGS) for t in (BASE, BASE.replace(AS_MUCH, AS_MUCH_BEFORE)))
    assert now.sha256 == before.sha256 and now.text == before.text and AS_MUCH in now.text
    assert now.feed.rate_kg_s is None
    assert settings_apart(now.text, now.text.replace(AS_MUCH, AS_MUCH_BEFORE)) == ()
    assert draw.of_the_mill(now.text) == draw.of_the_mill(now.text.replace(AS_MUCH, AS_MUCH_BEFORE))
