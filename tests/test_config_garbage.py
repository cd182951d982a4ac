"""Configs under random input: exact round trips of good ones, nothing but InputError from bad ones."""

import random
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from millsim.errors import InputError
from millsim.mill.config.mill import load_config, parse_config
from millsim.mill.config.schema import SECTIONS

CONFIGS = Path(__file__).parents[1] / "configs"
SHIPPED = sorted(p for p in CONFIGS.glob("*.toml") if "[rotor]" in p.read_text(encoding="utf-8"))  # not run sheets
BASE = (CONFIGS / "pla.toml").read_text(encoding="utf-8")


def mm(low: float, high: float) -> st.SearchStrategy[str]:
    return st.floats(low, high).map(lambda x: f"{x!r} mm")


@settings(max_examples=150, deadline=None)
@given(
    st.fixed_dictionaries(
        {
            "stator.gap": mm(0.05, 20),
            "rotor.radius": mm(40, 300),
            "sieve.thickness": mm(0.1, 5),
            "drive.tip_speed": st.floats(15, 199).map(lambda v: f"{v!r} m/s"),
            "drive.efficiency": st.floats(0.05, 0.9).map(repr),  # the router of the PLA mill draws 90 W bare
            "feed.temperature": st.floats(-190, 49).map(lambda t: f"{t!r} °C"),
            "feed.rate": st.floats(1, 1e5).map(lambda r: f"{r!r} g/h") | st.just("as fast as it can grind"),
            "sieve.area": st.floats(1, 1e4).map(lambda a: f"{a!r} cm2"),
            "air.blower_pressure": st.floats(0, 2e4).map(lambda p: f"{p!r} Pa"),
            "run.seed": st.integers(0, 2**63 - 1).map(str),
            "model.chip_size_blunt": mm(0.001, 5),
            "model.sieve_factor": st.floats(1e-3, 1e3).map(repr),
        },
        optional={
            "drive.speed_under_load": st.floats(50, 470).map(lambda n: f"{n!r} rpm"),
            "mill.name": st.text(
                st.characters(codec="utf-8", exclude_categories=["C", "Z"]), min_size=1, max_size=20
            ).map(lambda s: '"' + s.replace("\\", "\\\\").replace('"', '\\"') + '"'),
        },
    )
)
def test_round_trip_of_random_configs(values):
    config = parse_config(BASE, overrides=[f"{k}={v}" for k, v in values.items()])
    again = parse_config(config.text)
    assert again.text == config.text
    assert again.sha256 == config.sha256
    assert (again.drive, again.sieve, again.feed, again.stator) == (
        config.drive,
        config.sieve,
        config.feed,
        config.stator,
    )
    assert again.model_overrides == config.model_overrides


# --- any garbage ---

WORDS = [
    "true", "nan", "inf", "-1", "0", "1e400", "1e-400", "0x" + "f" * 5000, "9" * 5000, "[]", "{}",
    "[[[[]]]]", '"', "''",
    "1979-05-27T07:32:00Z", "07:32:00",
    '"0 mm"', '"1e9999 mm"', '"-3 mm"', '"3 µm"', '"3 °C"', '"3 kg"', '"pmma"',
    '"as fast as it can grind"', '"x.toml"', '"../"', '"\\u0000"', '"\\ud800"', "[1, 2]", '["1 mm", "2 mm"]',
    '[["1 W", "1 rpm"], ["2 W", "0 rpm"]]',
    "[[1, 2], [3]]", "{a = 1}", '"' + "x" * 2000 + '"', "[" * 500 + "]" * 500,
]  # fmt: skip
NAMES = sorted(
    {k.name for keys in SECTIONS.values() for k in keys} | {*SECTIONS, "model", "material", "value", "density", "title"}
)
TEXT = st.text(max_size=20)
DOTTED = [f"{s}.{k.name}" for s, keys in SECTIONS.items() for k in keys]
DOTTED += ["model.nip_width", "material.density"]


def mutate(text: str, draw: random.Random) -> str:
    """One random slip in a config text: a line lost, doubled, moved, renamed, revalued, scrambled."""
    lines = text.splitlines()
    at = draw.randrange(len(lines))
    key = lines[at].split("=")[0].strip() or "x"
    name, word = draw.choice(NAMES), draw.choice(WORDS)
    number = draw.choice(["0", "1000", "0.001", "-", "1e30", ",5"])
    swaps = {
        "delete": [],
        "double": [lines[at], lines[at]],
        "rename": [lines[at].replace(key, key[::-1], 1)],
        "other key": [f"{name} = {word}"],
        "revalue": [f"{key} = {word}"],
        "scale": [lines[at].replace('"', f'"{number}', 1)],
        "unquote": [lines[at].replace('"', "")],
        "section": [f"[{name}]"],
        "array of tables": [f"[[{name}]]"],
        "subtable": [f"[{draw.choice(NAMES)}.{name}]"],
        "move": [lines[draw.randrange(len(lines))]],
        "scramble": ["".join(draw.choice("[]{}=\"'#.,\\ aé\x00\x7f\u2028") for _ in range(12))],
        "dotted": [f"{name}.{key} = {word}"],
    }
    return "\n".join(lines[:at] + draw.choice(list(swaps.values())) + lines[at + 1 :])


@settings(max_examples=700, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(0, 2**32), st.sampled_from(SHIPPED), st.integers(1, 6))
def test_mutated_configs_load_or_say_why(seed, path, slips):
    draw = random.Random(seed)
    text = path.read_text(encoding="utf-8")
    for _ in range(slips):
        text = mutate(text, draw)
    try:
        config = parse_config(text, "mill.toml", CONFIGS)
    except InputError as error:
        assert all(str(p) and p.where for p in error.problems)
    else:
        assert parse_config(config.text).sha256 == config.sha256


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(SHIPPED), st.data())
def test_random_bytes_in_a_file_load_or_say_why(tmp_path_factory, path, data):
    raw = bytearray(path.read_bytes())
    for at, byte in data.draw(st.lists(st.tuples(st.integers(0, len(raw) - 1), st.integers(0, 255)), max_size=5)):
        raw[at] = byte
    file = tmp_path_factory.getbasetemp() / "bytes.toml"
    file.write_bytes(bytes(raw))
    try:
        config = load_config(file)
    except InputError as error:
        assert str(error)
    else:
        assert config.rotor.bars >= 1


@settings(max_examples=300, deadline=None)
@given(st.lists(st.sampled_from(DOTTED) | TEXT, max_size=3), st.sampled_from(WORDS) | TEXT)
def test_any_override_loads_or_says_why(keys, word):
    overrides = [f"{key}={word}" for key in keys]
    try:
        config = load_config(CONFIGS / "pla.toml", overrides)
    except InputError as error:
        assert error.problems
    else:
        assert parse_config(config.text, base_dir=CONFIGS).sha256 == config.sha256


@given(st.binary(max_size=200))
def test_random_files_say_why(tmp_path_factory, data):
    file = tmp_path_factory.getbasetemp() / "random.toml"
    file.write_bytes(data)
    with pytest.raises(InputError):
        load_config(file)
