"""A first look without a measurement, end to end (journey J1): predict, keep, report, draw, with its hand values."""

import html
import math
import re

import matplotlib.text
import mills
import pytest
from click.testing import CliRunner

from millsim.base.quantities.params import BASES
from millsim.commands.main import cli
from millsim.mill.config.mill import load_config
from millsim.record import read
from millsim.show.drawing.sheet import drawing

# A 110 mm four-bar rotor at 18 000 rpm, 2 mm gap, 1.0 mm holes at 2.0 mm, an 800 W router, 3 mm PLA pellets.
EDITS = (
    ('radius = "60 mm"', 'radius = "55 mm"'), ('tip_speed = "70 m/s"', 'speed = "18000 rpm"'),
    ('gap = "3 mm"', 'gap = "2 mm"'), ('rated_power = "1500 W"', 'rated_power = "800 W"'),
    ('hole = "1.5 mm"', 'hole = "1.0 mm"'), ('pitch = "2.5 mm"', 'pitch = "2.0 mm"'),
    ('size = "4 mm"', 'size = "3 mm"'),
)  # fmt: skip
TIP_M_S = 18000 * math.pi / 30 * 0.055  # 103.7
OPEN = math.pi / (2 * math.sqrt(3)) * (1.0 / 2.0) ** 2  # 22.7 %: round holes staggered by 60 degrees


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    """(config, result file, what `predict` printed, its progress and notes)."""
    folder = tmp_path_factory.mktemp("first")
    text = (mills.CONFIGS / "pla.toml").read_text(encoding="utf-8")
    for old, new in EDITS:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    config, file = folder / "mill.toml", folder / "mill.h5"
    config.write_text(text, encoding="utf-8")
    done = CliRunner().invoke(
        cli, ["predict", str(config), "--out", str(file), "--set", "run.band_samples=32", "--full"]
    )
    assert done.exit_code == 0, done.output
    return config, file, " ".join(done.stdout.split())


@pytest.fixture(scope="module")
def page(first):
    """All text of the report."""
    done = CliRunner().invoke(cli, ["report", str(first[1])])
    assert done.exit_code == 0, done.output
    text = re.sub(r'src="[^"]*"|<style>.*?</style>', "", first[1].with_suffix(".html").read_text("utf-8"), flags=re.S)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text)).replace("\u00a0", " ").split())


def test_tip_speed_and_open_share_by_hand(first, page):
    assert (TIP_M_S, OPEN) == (pytest.approx(103.7, abs=0.05), pytest.approx(0.227, abs=0.0005))
    config = load_config(first[0], [])
    assert config.drive.speed_rad_s * config.rotor.radius_m == pytest.approx(TIP_M_S)
    assert config.sieve.open_fraction == pytest.approx(OPEN, rel=1e-3)
    assert "tip speed ✗ fails 104 m/s at most 80 m/s" in page
    told = " ".join(t.get_text() for t in drawing(config, read.read(first[1])).findobj(matplotlib.text.Text))
    assert "tip speed 104 m/s" in told and "open: 22.7 %" in told


def test_what_comes_out_has_bands(first):
    p, text = read.read(first[1]), first[2]
    for name in ("x50_m", "x90_m", "throughput_kg_s", "gross_J_kg", "net_J_kg", "outlet_temperature_K"):
        s = p.main.scalars[name]
        assert s.low < s.value < s.high, name
    said = text.split("Powder at standard sieves")[0]
    for pattern in (r"makes about \d+ g/h \(80 % band", r"finer than x50 = 0\.\d+ mm \(80 % band",
                    r"energy from the socket is [\d.]+ kWh/kg \(80 % band",
                    r"of\s+it\s+[\d.]+ kWh/kg\s+are\s+energy\s+above\s+idling,\s+beyond\s+what\s+the\s+empty\s+mill",
                    r"air leave at \d+ °C \(80 % band"):  # fmt: skip
        assert re.search(pattern, said), pattern
    q = p.main.table.product_q3
    assert q[0] >= 0.0 and q[-1] == pytest.approx(1.0) and (q[1:] >= q[:-1]).all()
    inside = p.main.table.edges_m < 1e-3
    assert (p.main.table.product_q3_low <= p.main.table.product_q3_high)[inside].all()
    assert p.warmup_time_s.size > 1 and p.warmup_temperature_K[-1] > p.warmup_temperature_K[0]


def test_watts_and_kilograms_agree(first):
    s = read.read(first[1]).main.scalars
    assert s["gross_J_kg"].value * s["throughput_kg_s"].value == pytest.approx(s["electrical_power_W"].value, rel=1e-6)
    above = s["electrical_power_W"].value - s["idle_power_W"].value
    assert s["net_J_kg"].value * s["throughput_kg_s"].value == pytest.approx(above, rel=1e-6)


def test_it_says_what_it_rests_on(first, page):
    p = read.read(first[1])
    unsure = sum(a.basis in ("assumed", "from memory") for a in p.parameters)
    assert unsure > 0.9 * len(p.parameters)
    for text in (first[2], page):
        said = f"othing here is measured on your mill, {unsure} of {len(p.parameters)} parameters are assumed or from"
        assert f"{said} memory" in text
    assert all(a.basis in BASES and a.source for a in p.parameters)
    for a in p.parameters:
        assert a.name in first[2] and a.name in page, a.name
        assert " ".join(a.source.split()) in page, a.name
    assert "a prediction, not a measurement and not a safety clearance" in page


def test_the_three_widest_and_what_to_measure_next(first, page):
    p = read.read(first[1])
    widest = [name for name, _ in p.widest["x50_m"][:3]]
    assert len(widest) == 3 and widest[0] == "xw_min"  # what a drop test tells
    for text in (first[2], page):
        told = re.search(r"x50 changes (.*?)(?:; the rate|\. Whether anything comes out)", text)[1]
        at = [told.find(f"({name}") for name in widest]
        assert min(at) >= 0 and at == sorted(at)
        assert len(re.findall(r"[\d.]+-fold", told)) == 3
        how = re.escape(p.advised.how[1:])
        assert re.search(f"Measure next:? .{how}", text), text
