"""The quick attacks: a few tries of each, the same in every run (`__init__.py` tells of the long ones)."""

import pytest

from attack import damage, garble, workbench

SEED = 1


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """The folder that is copied for every try."""
    return workbench.furnish(tmp_path_factory.mktemp("bench"))


def test_garbled_files_are_answered_or_refused(bench, tmp_path):
    tally = garble.attack(bench, tmp_path, SEED, 2)
    assert sum(tally.ended.values()) == 2 * len(workbench.READERS)
    assert tally.ended["code 2"] > len(workbench.READERS)
    assert not tally.failures, tally.text()


def test_damaged_files_are_refused_or_read_as_written(bench, tmp_path):
    tally = damage.attack(bench, tmp_path, SEED, 12)
    assert sum(tally.ended.values()) == 12 * len(damage.KINDS) * len(damage.READ)
    assert tally.ended["refused"] >= 72  # every other form of a sealed file
    assert not tally.failures, tally.text()


def test_damage_that_gives_another_answer_is_told(bench, tmp_path, monkeypatch):
    monkeypatch.setitem(damage.READ, "made.h5", lambda path: path.read_bytes())  # a reader that looks at nothing
    tally = damage.attack(bench, tmp_path, SEED, 1)
    assert [f.split("/")[0] for f in tally.failures] == [f"made.h5 {kind}" for kind in damage.KINDS]
