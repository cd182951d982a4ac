"""The quick attacks: a few tries of each, the same in every run (`__init__.py` tells of the long ones)."""

import signal

import h5py
import pytest

from attack import anymill, damage, garble, kills, repeat, slow, workbench
from attack.tally import part

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


def test_lines_on_a_mill_are_typed_and_what_is_wrong_or_slow_is_told(tmp_path, monkeypatch):
    few = ("run.class_ratio=1.6", "run.band_samples=2", "run.engine=balance")
    monkeypatch.setattr(slow, "CORNERS", (("pla", *few),))
    monkeypatch.setattr(
        slow, "LINES", (slow.LINES[0], "run run.toml", "why mill.h5 --json", "compare mill.h5 run.toml")
    )
    for seconds, failed in ((float("inf"), 0), (-1.0, 4)):
        monkeypatch.setattr(slow, "SECONDS", seconds)
        (work := tmp_path / str(failed)).mkdir()
        tally = slow.attack(tmp_path, work, SEED, 1, part=slice(1))
        assert (sum(tally.ended.values()), len(tally.failures), len(tally.notes)) == (4, failed, 4), tally.text()
        assert all("took" in failure for failure in tally.failures)


def test_threads_and_hash_seeds_change_no_bit_of_a_file(bench, tmp_path):
    tally = repeat.attack(bench, tmp_path, SEED, 2)
    assert tally.ended["the same to the bit"] == 2, tally.text()


def test_numbers_that_are_not_near_and_other_words_are_told(tmp_path):
    def file(name, numbers, words=("x50",)):
        with h5py.File(tmp_path / name, "w") as made:
            made["sizes/q3"], made["names"] = numbers, list(words)
        return tmp_path / name

    right = file("right", [float("nan"), 1e-3, 5.0])
    assert not repeat.other_numbers(file("near", [float("nan"), 1e-3 + 4e-12, 5.0]), right)
    for name, made in {
        "far": ([float("nan"), 1e-3 + 6e-12, 5.0],), "known": ([1.0, 1e-3, 5.0],), "short": ([float("nan"), 1e-3],),
        "words": ([float("nan"), 1e-3, 5.0], ["x90"]),
    }.items():  # fmt: skip
        assert repeat.other_numbers(file(name, *made), right)
    assert not repeat.other_words("a\nb", "a\nb")
    assert repeat.other_words("a\nb", "a\nc") == "'b' and 'c'"
    assert repeat.other_words("a", "a\nb") == "more lines"


def test_a_round_in_pieces_tries_everything_once(bench, tmp_path, monkeypatch):
    tried = []
    monkeypatch.setattr(garble, "wrong", lambda folder, reader, before: (tried.append(reader) or "seen", ""))
    for piece in ("1/3", "2/3", "3/3"):
        garble.attack(bench, tmp_path, SEED, 1, part=part(piece))
    assert len(tried) == len(workbench.READERS)
    assert set(tried) == set(workbench.READERS)
    assert tried[0] == workbench.READERS[0]
    for none in ("0/3", "4/3", "two"):
        with pytest.raises(ValueError, match=none):
            part(none)
