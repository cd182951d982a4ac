"""No result or sweep file takes more memory than such a file holds: looked at before it is read."""

import h5py
import numpy as np
import pytest
import sweeps
from forgeries import FORGERIES, fill, forged
from helpers import fake_prediction, same

from millsim.errors import ResultFileError
from millsim.explore.sweep import read as sweep_file
from millsim.explore.sweep import write as sweep_writer
from millsim.record import bounds, read, write
from millsim.record.bounds import excess
from millsim.record.seal import is_whole

TOO_MUCH = "asks for more memory than such a file can hold"


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """The bytes of a result file."""
    file = tmp_path_factory.mktemp("whole") / "result.h5"
    write.write(fake_prediction(), file)
    return file.read_bytes()


@pytest.fixture
def unread(monkeypatch):
    """Nothing of a file may be read but its headers."""
    for name in ("content_sha256", "_read_root"):
        monkeypatch.setattr(read, name, lambda *_: pytest.fail("it was read"))


@pytest.mark.parametrize(
    ("forge", "has_seal"), [*((f, True) for f in FORGERIES if f is not fill), (FORGERIES[0], False)]
)
def test_a_file_that_asks_for_more_than_it_can_hold_is_not_read(whole, tmp_path, unread, forge, has_seal):
    file = tmp_path / "forged.h5"
    forged(whole, forge, file)
    if not has_seal:
        with h5py.File(file, "r+") as opened:
            opened.attrs["format_version"] = "1.0"
        assert is_whole(file) is None
    with pytest.raises(ResultFileError, match=TOO_MUCH):
        read.read(file)


def test_as_much_as_a_file_may_ask_for_is_read(whole, tmp_path):
    forged(whole, fill, tmp_path / "full.h5")
    assert read.read(tmp_path / "full.h5").warmup_time_s.nbytes > 1 << 20


def test_words_of_a_table_that_are_all_the_same_long_one_are_not_read(tmp_path, monkeypatch):
    """In the file they are one; in memory each is its own."""
    file = tmp_path / "words.h5"
    with h5py.File(file, "w") as made:
        made["words"] = np.array(["x" * 1000] * 5000, object)
    with h5py.File(file) as made:
        assert excess(made, file, 1e9) == ""
        assert excess(made, file, 100.0) == "words"
        monkeypatch.setattr(bounds, "_NO_DOUBT", 1 << 20)
        assert excess(made, file, 1e9) == ""
        monkeypatch.setattr(bounds, "_length", lambda table, word, most: most + 1)
        assert excess(made, file, 1e9) == "words"


def test_long_words_of_an_honest_file_are_read(tmp_path):
    """A calibrated card makes a config long: then words are looked at one by one."""
    long = fake_prediction(config_text="# " + "x" * 300_000)
    write.write(long, tmp_path / "long.h5")
    assert same(read.read(tmp_path / "long.h5"), long)


def test_the_longest_word_of_a_file_is_found(tmp_path):
    file = tmp_path / "words.h5"
    with h5py.File(file, "w") as made:
        for i, length in enumerate((5, 70_000, 900)):
            made.attrs[f"word_{i}"] = "x" * length
    assert max(bounds._words(file, file.stat().st_size)) == 70_000
    with file.open("rb") as stream:
        places = bounds._places(stream)
        stream.seek(0)
        assert bounds._places(stream, 7) == places != []  # a mark across two parts is found


@pytest.fixture(scope="module")
def packed():
    """A sweep of draws that are all alike, and pack a hundred times better than any that were computed."""
    gaps = sweeps.axis("stator.gap", *np.linspace(1e-3, 4e-3, 60))
    return sweeps.made([gaps], sweeps.points(60, draws=512))


def test_a_sweep_that_packs_well_is_written_so_that_it_is_read(packed, tmp_path, monkeypatch):
    file = tmp_path / "s.h5"
    sweep_writer.write(packed, file)
    with h5py.File(file) as opened:
        assert bounds.asked(opened) > bounds.most_of(0)
        assert bounds.asked(opened) <= bounds.most_of(file.stat().st_size)
    found = sweep_file.read(file)
    np.testing.assert_array_equal(found.points.draw_q3, packed.points.draw_q3)
    monkeypatch.setattr(bounds, "length_for", lambda asked: 0)
    sweep_writer.write(packed, file, force=True)
    with pytest.raises(ResultFileError, match=TOO_MUCH):
        sweep_file.read(file)


@pytest.mark.parametrize(("key", "value"), [("shape", (10**9,)), ("shape", (1, 3)), ("replicates", 0), ("draws", 7)])
def test_a_sweep_of_other_points_than_are_there_is_not_read(tmp_path, key, value):
    file = tmp_path / "s.h5"
    sweep_writer.write(sweeps.made([sweeps.GAP], sweeps.points(3, draws=2)), file)

    def say(opened):
        opened.attrs[key] = value

    forged(file.read_bytes(), say, file)
    with pytest.raises(ResultFileError, match="part of its content is missing"):
        sweep_file.read(file)
