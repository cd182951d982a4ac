"""Where a sweep came from: what its file keeps, and that a change of what it was made from is told with its file."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from sweeps import axis, made, points

from millsim.explore.sweep import identity
from millsim.explore.sweep.origin import kept, since
from millsim.explore.sweep.plan import read_plan
from millsim.explore.sweep.read import read
from millsim.explore.sweep.write import write
from millsim.mill.cards import card_toml, load_material
from millsim.mill.config.since import CHANGED, NOT_FOUND, NOT_KEPT, UNCHANGED
from millsim.show.words.since import since_json, since_words

CONFIGS = Path(__file__).resolve().parent.parent / "configs"
PLAN = '[sweep]\nconfig = "mill.toml"\nclass_ratio = 1.6\n[set]\n"feed.rate" = "1 kg/h"\n[[axis]]\nkey = "stator.gap"\n'
GAPS = 'values = ["2 mm", "3 mm", "4 mm"]\n'


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A sweep file, a config with a card of its own, and a sieve sheet; the folder that work is done in."""
    config = (CONFIGS / "demo.toml").read_text(encoding="utf-8").replace('"pmma" ', '"offcuts.toml" ')
    assert "offcuts.toml" in config
    (tmp_path / "mill.toml").write_text(config, encoding="utf-8")
    (tmp_path / "offcuts.toml").write_text(card_toml(load_material("pmma")), encoding="utf-8")
    (tmp_path / "offcuts_sieve.csv").write_bytes((CONFIGS / "offcuts_sieve.csv").read_bytes())
    (tmp_path / "s.toml").write_text(PLAN + GAPS, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def swept(file="s.toml", *settings):
    """A sweep of this sweep file with invented answers."""
    plan = read_plan(file, settings)
    found = made([axis("stator.gap", *plan.axes[0].values)], points(plan.count), base=plan.base)
    return replace(found, axes=plan.axes, identity=identity.identities(plan), origin=kept(plan))


def edit(file, before, after):
    """Change a file as somebody who runs the workshop would."""
    text = file.read_text(encoding="utf-8")
    assert before in text
    file.write_text(text.replace(before, after, 1), encoding="utf-8")


def test_what_changes_no_point_is_no_change(folder):
    found = swept()
    edit(folder / "mill.toml", "[rotor]", "# sharpened on Monday\n[rotor]")
    edit(folder / "mill.toml", 'gap = "3 mm"', 'gap = "0.3 cm"')
    edit(folder / "s.toml", "[sweep]", '[sweep]\nname = "night of Monday"')
    now = since(found, folder / "s.h5")
    assert (now.state, now.file, now.changes) == (UNCHANGED, "s.toml", ())
    assert "is of s.toml, its config and its cards as they stand there now." in since_words(now)


@pytest.mark.parametrize(
    ("file", "before", "after", "told"),
    [
        ("mill.toml", 'gap = "3 mm"', 'gap = "2.5 mm"', ("mill.toml", "stator.gap: 3 mm -> 2.5 mm")),
        ("mill.toml", "bars = 4", "bars = 6", ("mill.toml", "rotor.bars: 4 -> 6")),
        ("offcuts.toml", "value = 1180.0", "value = 1190.0", ("the card offcuts", "material.density: 1180 -> 1190")),
        ("s.toml", "1 kg/h", "2 kg/h", ("s.toml", "feed.rate: 1000 g/h -> 2000 g/h")),
        ("s.toml", '"3 mm", ', "", ("s.toml", "axis stator.gap")),
        ("s.toml", "1.6", "1.5", ("s.toml", "class_ratio: 1.6 -> 1.5")),
    ],
)
def test_a_change_is_told_with_its_file_and_key(folder, file, before, after, told):
    found = swept()
    edit(folder / file, before, after)
    now = since(found, folder / "s.h5")
    assert (now.state, now.changes) == (CHANGED, (told,))
    assert f"Changed since the sweep was made: {told[0]} ({told[1]})." in since_words(now)
    assert since_json(now)["changed"] == [{"file": told[0], "changed": told[1]}]


def test_a_changed_law_is_told_as_such(folder, monkeypatch):
    found = swept()
    monkeypatch.setattr(identity, "engine_sources", lambda: "0123456789ab")
    ((file, row),) = since(found, folder / "s.h5").changes
    assert file == "millsim itself" and row.endswith(" -> 0123456789ab")


def test_what_is_gone_is_not_called_unchanged(folder):
    found = swept()
    (folder / "offcuts.toml").unlink()
    now = since(found, folder / "s.h5")
    assert now.state == CHANGED and "offcuts.toml" in since_words(now) and "no such file" in since_words(now)
    (folder / "s.toml").unlink()
    now = since(found, folder / "s.h5")
    assert now.state == NOT_FOUND and "s.toml is neither here nor beside the sweep" in since_words(now)
    now = since(replace(found, origin={}), folder / "s.h5")
    assert now.state == NOT_KEPT and "does not keep where it came from" in since_words(now)


def test_settings_typed_with_the_sweep_count(folder):
    found = swept("s.toml", "rotor.bars=6")
    assert since(found, folder / "s.h5").state == UNCHANGED
    edit(folder / "mill.toml", "bars = 4", "bars = 3")
    assert since(found, folder / "s.h5").state == UNCHANGED


def test_the_file_keeps_no_folder_of_the_machine(folder, monkeypatch):
    typed = swept(folder / "s.toml", f"feed.material={folder / 'offcuts.toml'}")
    assert typed.origin["file"] == "s.toml" and typed.origin["settings"] == ["feed.material=offcuts.toml"]
    assert str(folder) not in json.dumps(typed.origin)
    write(typed, folder / "s.h5")
    found = read(folder / "s.h5")
    assert found.origin == typed.origin and found.sha256 == typed.sha256
    monkeypatch.chdir(folder.parent)  # found beside the sweep
    assert since(found, folder / "s.h5").state == UNCHANGED


def test_the_hash_is_of_what_was_swept(folder, monkeypatch):
    one = swept()
    assert one.sha256 == replace(one, points=points(3, x50_m=1e-3)).sha256
    monkeypatch.setattr(identity, "engine_sources", lambda: "0123456789ab")
    assert swept().sha256 == one.sha256
    found = {one.sha256, replace(one, model_version="next").sha256}
    for file, before, after in (
        ("mill.toml", "bars = 4", "bars = 6"), ("s.toml", '"3 mm", ', ""), ("offcuts.toml", "= 1180.0", "= 1181.0"),
    ):  # fmt: skip
        edit(folder / file, before, after)
        found.add(swept().sha256)
    assert len(found) == 5
