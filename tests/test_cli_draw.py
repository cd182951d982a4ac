"""`millsim draw` as a user meets it: files, refusals in one sentence, exit codes, the prediction of the same mill."""

import json
import shutil
from pathlib import Path

import mills
import pytest
from click.testing import CliRunner

from millsim.commands.main import cli
from millsim.forecast.run import predict
from millsim.mill.config.mill import load_config
from millsim.record import write

QUICK = ("run.band_samples=0", "run.trace=false", "run.class_ratio=1.3")


def run(*args):
    return CliRunner().invoke(cli, ["draw", *(str(a) for a in args)])


def refused(done, *parts):
    """Exit code 2, nothing on stdout, one line per problem that holds the parts, no traceback."""
    assert done.exit_code == 2 and not done.stdout
    assert "Traceback" not in done.stderr
    for part in parts:
        assert part in done.stderr
    return done.stderr.splitlines()


@pytest.fixture
def config(tmp_path):
    """The demo config with its sieve sheet in a folder of its own."""
    for name in ("demo.toml", "offcuts_sieve.csv"):
        shutil.copy(mills.CONFIGS / name, tmp_path / name)
    return tmp_path / "demo.toml"


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    """A kept prediction of the demo mill."""
    path = tmp_path_factory.mktemp("kept") / "demo.h5"
    write.write(predict(load_config(mills.CONFIGS / "demo.toml", QUICK), engine="balance", seed=1), path)
    return path


@pytest.mark.parametrize(("name", "magic"), [("a.png", b"\x89PNG"), ("b.SVG", b"<?xml"), ("c.pdf", b"%PDF")])
def test_each_kind_of_file(config, name, magic):
    out = config.with_name(name)
    done = run(config, "-o", out)
    assert (done.exit_code, done.stdout.strip()) == (0, str(out))
    assert done.stderr.startswith("Caution: ") and len(done.stderr.splitlines()) == 2
    data = out.read_bytes()
    assert data.startswith(magic)
    assert run(config, "-o", out, "--force").exit_code == 0
    assert out.read_bytes() == data


def test_the_default_name_stands_beside_the_config(config):
    done = run(config)
    assert done.exit_code == 0 and Path(done.stdout.strip()) == config.with_name("demo-drawing.png")
    assert config.with_name("demo-drawing.png").read_bytes().startswith(b"\x89PNG")


def test_one_object_or_no_talk(config):
    done = run(config, "--json")
    told = json.loads(done.stdout)
    assert done.exit_code == 0 and done.stderr == ""
    assert told["written"] == [str(config.with_name("demo-drawing.png"))]
    assert told["config_sha256"] == load_config(config).sha256 and any("guard" in s for s in told["caution"])
    done = run(config, "--quiet", "--force")
    assert done.stdout == f"{config.with_name('demo-drawing.png')}\n" and done.stderr == ""
    assert "Caution" in run(config, "--force").stderr


def test_nothing_is_overwritten_unasked(config):
    out = config.with_name("mine.png")
    out.write_bytes(b"mine")
    (line,) = refused(run(config, "-o", out), "mine.png exists already", "--force")
    assert line.startswith("Error: -o: ")
    assert out.read_bytes() == b"mine"
    assert run(config, "-o", out, "--force").exit_code == 0
    assert out.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize("name", ["drawing.jpg", "drawing", "drawing.toml"])
def test_other_kinds_are_refused_before_the_work(config, name):
    before = sorted(config.parent.iterdir())
    (line,) = refused(run(config.with_name("missing.toml"), "-o", config.with_name(name)))
    assert "the name of a drawing ends in .png, .svg or .pdf; write drawing.png" in line
    assert sorted(config.parent.iterdir()) == before


def test_folders_are_no_files(config, tmp_path):
    (line,) = refused(run(config, "-o", tmp_path))
    assert "is a folder; name a file, e.g." in line and line.endswith("drawing.png")
    (line,) = refused(run(config, "-o", tmp_path / "none" / "a.png"))
    assert "is not a folder; make it first" in line


def test_a_bad_config_tells_all_its_problems(config):
    config.write_text(config.read_text(encoding="utf-8").replace('"3 mm"', "3").replace("bars = 4", "bars = 40"))
    lines = refused(run(config), "stator.gap", "rotor.bars")
    assert len(lines) == 2 and 'write "3 mm"' in "".join(lines)
    assert not config.with_name("demo-drawing.png").exists()


def test_a_missing_config_or_result_is_one_sentence(config, tmp_path):
    assert len(refused(run(tmp_path / "none.toml"), "none.toml")) == 1
    assert len(refused(run(config, "--prediction", tmp_path / "none.h5"), "none.h5")) == 1
    assert len(refused(run(config, "--prediction", config), "demo.toml")) == 1
    assert not config.with_name("demo-drawing.png").exists()


def test_the_predicted_powder_is_drawn(config, result):
    plain, with_powder = config.with_name("plain.svg"), config.with_name("powder.svg")
    assert run(config, "-o", plain).exit_code == 0
    # Seed, engine, name and what only the review reads do not change the powder.
    text = config.read_text(encoding="utf-8")
    config.write_text(text.replace("seed = 1", "seed = 7").replace("workshop acrylic", "the same acrylic"))
    done = run(
        config, "--set", "shaft.diameter=25 mm", "--set", "day.hours=6 h", "--prediction", result, "-o", with_powder
    )
    assert done.exit_code == 0, done.stderr
    assert with_powder.read_bytes() != plain.read_bytes()


def test_the_powder_of_another_mill_is_refused(config, result):
    (line,) = refused(run(config, "--set", "stator.gap=2 mm", "--prediction", result))
    assert "was predicted for another mill" in line and "predict this config first, with the same --set" in line
    assert not config.with_name("demo-drawing.png").exists()


def test_help_names_the_options():
    done = run("--help")
    assert done.exit_code == 0
    for word in ("Draw the mill to scale", "--prediction FILE.h5", "--set", "--force", "FILE.png|.svg|.pdf"):
        assert word in done.stdout
