"""The quick attacks: a few tries of each, the same in every run (`__init__.py` tells of the long ones)."""

import signal

import pytest

from attack import anymill, damage, garble, kills, repeat, workbench

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


def test_killed_before_a_file_call_nothing_is_half_and_the_same_line_ends_it(bench, tmp_path):
    tally = kills.attack(bench, tmp_path, SEED, 2, writers=kills.QUICK)
    assert sum(tally.ended.values()) == 2 * len(kills.QUICK)
    assert not tally.failures, tally.text()


def test_a_writer_that_leaves_half_a_file_is_told(bench, tmp_path):
    class Careless:
        """A program that is killed with half of its file written."""

        def run(self, folder, line, fatal=-1, by=0):
            (folder / f"{'.millsim-' * (by == signal.SIGTERM)}new.h5").write_bytes(b"half")
            return kills.BY["told to end" if by == signal.SIGTERM else "killed"][1][0], 1, ""

    for how, name in (("told to end", ".millsim-new.h5"), ("killed", "new.h5 half")):
        (tmp_path / how).mkdir()
        why = kills.killed(Careless(), kills.WRITERS[0], tmp_path / how, 0, how, ({}, {"new.h5": "whole"}))
        assert why == f"left {name}"


def test_random_mills_are_answered(tmp_path):
    tally = anymill.attack(tmp_path, tmp_path, SEED, 2)
    assert sum(tally.ended.values()) == len(anymill.QUESTIONS) + 1  # all of the first mill, one of the second
    assert not tally.failures, tally.text()


def test_threads_and_hash_seeds_change_no_bit_of_a_file(bench, tmp_path):
    tally = repeat.attack(bench, tmp_path, SEED, 2)
    assert tally.ended["the same to the bit"] == 2, tally.text()
