"""What has changed since a prediction was made is told by `compare` and `report`, with its file and its key."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from helpers import fake_prediction
from test_sweep_origin import edit, folder  # noqa: F401 (a fixture)

from millsim.commands.main import cli
from millsim.learn.calibration import explain
from millsim.mill.config.mill import load_config
from millsim.mill.config.since import CHANGED, NOT_FOUND, NOT_KEPT, UNCHANGED, kept
from millsim.mill.problem import build
from millsim.record import read, write
from millsim.show.words.since import PREDICTION, since_words
from millsim.studies.since import since
from millsim.version import MODEL_VERSION

CONFIGS = Path(__file__).resolve().parent.parent / "configs"
SET = ("stator.gap=2 mm",)


@pytest.fixture
def shop(folder):  # noqa: F811
    """A folder with a mill, its card, a run sheet and a kept prediction with invented answers."""
    for name in ("demo_run.toml", "demo_product_sieve.csv", "demo.toml"):
        (folder / name).write_bytes((CONFIGS / name).read_bytes())
    write.write(predicted("mill.toml", *SET), folder / "p.h5")
    return folder


def predicted(file, *settings):
    own = load_config(file, settings)
    return fake_prediction(
        config_text=own.text, config_sha256=own.sha256, parameters=build(own).parameters, model_version=MODEL_VERSION,
        origin=kept(Path(file), settings),
    )  # fmt: skip


def now(folder):  # noqa: F811
    place = folder / "p.h5"
    return since(read.read(place), place)


def test_what_changes_no_number_is_no_change(shop):
    edit(shop / "mill.toml", "[rotor]", "# sharpened on Monday\n[rotor]")
    edit(shop / "mill.toml", 'gap = "3 mm"', 'gap = "4 mm"')  # a setting typed with it says otherwise
    edit(shop / "mill.toml", 'radius = "60 mm"', 'radius = "6 cm"')
    found = now(shop)
    assert (found.state, found.file, found.changes) == (UNCHANGED, "mill.toml", ())
    assert since_words(found, PREDICTION) == "The prediction is of mill.toml and its cards as they stand there now."


@pytest.mark.parametrize(
    ("file", "before", "after", "told"),
    [
        ("mill.toml", "bars = 4", "bars = 6", ("mill.toml", "rotor.bars: 4 -> 6")),
        ("offcuts.toml", "high = 1200.0", "high = 1210.0",
         ("the card offcuts", "density: 1180 kg/m3 (1170 to 1200) -> 1180 kg/m3 (1170 to 1210)")),
    ],
)  # fmt: skip
def test_a_change_is_told_with_its_file_and_key(shop, file, before, after, told):
    edit(shop / file, before, after)
    found = now(shop)
    assert found.state == CHANGED and found.changes == (told,)
    said = since_words(found, PREDICTION)
    assert said.startswith("Changed since the prediction was made: ") and "Predict again" in said


def test_a_shipped_card_and_another_model_are_told(shop):
    p = predicted("mill.toml", *SET)
    other = tuple(replace(q, value=q.value * 1.5) if q.name == "rate_multiplier" else q for q in p.parameters)
    found = since(replace(p, parameters=other, model_version="1"), shop / "p.h5")
    assert found.state == CHANGED and {file for file, _ in found.changes} == {"millsim itself"}
    assert [row.partition(":")[0] for _, row in found.changes] == ["rate_multiplier", "model version"]


def test_a_config_that_is_gone_spoilt_or_not_kept_is_told(shop):
    edit(shop / "mill.toml", "bars = 4", "bars = 400")
    spoilt = now(shop)
    assert spoilt.state == CHANGED and "rotor.bars" in spoilt.changes[0][1]
    (shop / "mill.toml").unlink()
    gone = now(shop)
    assert gone.state == NOT_FOUND
    assert "mill.toml is neither here nor beside the prediction, so whether" in since_words(gone, PREDICTION)
    old = since(replace(fake_prediction(), origin={}), shop / "p.h5")
    said = since_words(old, PREDICTION)
    assert old.state == NOT_KEPT and "does not keep where it came from, so whether its config or" in said


def test_compare_and_report_say_the_same(shop, monkeypatch):
    monkeypatch.setattr(explain, "explain", lambda _: explain.Explanation())  # causes are asked of the model
    for blocks in ("_picture", "drawing_blocks", "_parameters"):  # what the report takes most time for
        monkeypatch.setattr(f"millsim.show.report.content.{blocks}", lambda *_: ())
    edit(shop / "mill.toml", "bars = 4", "bars = 6")
    told = "Changed since the prediction was made: mill.toml (rotor.bars: 4 -> 6)."
    asked = ("compare", "p.h5", "demo_run.toml")
    done = CliRunner().invoke(cli, asked)
    assert told in " ".join(done.stdout.split()), done.output
    answer = json.loads(CliRunner().invoke(cli, [*asked, "--json"]).stdout)
    changed = [{"file": "mill.toml", "changed": "rotor.bars: 4 -> 6"}]
    assert answer["prediction"] == {"files": "changed", "file": "mill.toml", "changed": changed}
    done = CliRunner().invoke(cli, ["report", "p.h5"])
    assert done.exit_code == 0 and told in " ".join(done.stderr.split())
    page = (shop / "p.html").read_text(encoding="utf-8")
    assert page.count("Changed since the prediction was made: mill.toml (rotor.bars: 4 -&gt; 6).") == 2
