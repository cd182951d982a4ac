"""The points file: whatever happens to it, what is read back is what was written; the rest is found, said and left."""

import json
import os
import signal
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from millsim.errors import InputError, MillsimError
from millsim.explore.sweep import journal
from millsim.explore.sweep.journal import MARK, open_journal
from millsim.explore.sweep.record import Failure

KIND = np.dtype([("identity", "<u8", 2), ("status", "i1"), ("x", "<f8", 3)])
OTHER = np.dtype([("identity", "<u8", 2), ("x", "<f4")])
ABOUT = {"version": "0", "pairs": {"rotor.bars": "4"}}


def rows(start, count, kind=KIND):
    """Rows that say themselves which they are: identity k has x = k + 0.25."""
    made = np.zeros(count, kind)
    made["identity"] = np.arange(start, start + count)[:, None]
    made["x"] = made["identity"][:, :1] + 0.25 if kind is KIND else 0.0
    return made


def written(path, records=5, each=3):
    """A points file with a plan and some records; the places where records end."""
    ends = []
    with open_journal(path) as j:
        j.append_plan(ABOUT)
        ends.append(path.stat().st_size)
        for i in range(records):
            j.append(rows(i * each, each), {1: Failure("kind", f"reason {i}")} if i % 2 else {})
            ends.append(path.stat().st_size)
    return ends


def read(path):
    """{identity: row as bytes} of what an opening of the file holds, and the journal."""
    with open_journal(path) as j:
        parts = [(part.copy(), why) for part, why in j.rows(KIND)]
        found = {int(r["identity"][0]): r.tobytes() for part, _ in parts for r in part}
        assert sorted(found) == sorted(set(j.identities(KIND)[:, 0].tolist()))
    return found, j


def all_right(found):
    """Whether every row read is the row that was written under its number."""
    return all(rows(k, 1).tobytes() == row for k, row in found.items())


def test_reasons_of_a_version_that_kept_sentences_only_are_read(tmp_path):
    with open_journal(tmp_path / "x.points") as j:
        meta = {"rows": 2, "layout": journal.layout_of(KIND), "reasons": {"1": "no state: 3 left"}}
        j._append(meta, rows(0, 2).tobytes())
    with open_journal(tmp_path / "x.points") as j:
        assert [why for _, why in j.rows(KIND)] == [{1: Failure("no state: 3 left", "no state: 3 left")}]


def test_what_was_kept_is_read_back_in_order(tmp_path):
    path = tmp_path / "s.points"
    written(path)
    with open_journal(path) as j:
        parts = list(j.rows(KIND))
        assert np.array_equal(np.concatenate([p for p, _ in parts]), rows(0, 15))
        told = [{1: Failure("kind", f"reason {i}")} if i % 2 else {} for i in range(5)]
        assert [why for _, why in parts] == told
        assert j.plans == [ABOUT]
        assert (j.torn, j.damaged) == (0, 0)
        assert list(j.rows(OTHER)) == []


def test_it_only_ever_grows(tmp_path):
    path = tmp_path / "s.points"
    written(path, 2)
    before = path.read_bytes()
    with open_journal(path) as j:
        j.append(rows(50, 2, OTHER), {})
        j.append(rows(60, 1), {})
    assert path.read_bytes().startswith(before)
    found, j = read(path)
    assert sorted(found) == [0, 1, 2, 3, 4, 5, 60]
    assert sum(e.count for e in j.entries) == 9  # those of another layout too, for a plan that wants them


def test_a_file_torn_anywhere_keeps_every_whole_record(tmp_path):
    whole = tmp_path / "whole.points"
    ends = written(whole, records=3)
    data = whole.read_bytes()
    path = tmp_path / "torn.points"
    for cut in range(len(data)):
        path.write_bytes(data[:cut])
        found, j = read(path)
        complete = [e for e in ends if e <= cut]
        assert len(found) == 3 * max(0, len(complete) - 1)
        assert all_right(found)
        assert j.torn == cut - (complete[-1] if complete else 0)
        assert path.stat().st_size == cut - j.torn  # the torn end is gone; what follows is sound again
    with open_journal(path) as j:
        j.append(rows(6, 3), {})
    found, j = read(path)
    assert len(found) == 9
    assert j.torn == 0


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_no_damage_makes_a_wrong_number(tmp_path_factory, data):
    folder = tmp_path_factory.mktemp("damage")
    path = folder / "s.points"
    ends = written(path, records=4)
    content = bytearray(path.read_bytes())
    content = content[: data.draw(st.one_of(st.just(len(content)), st.integers(0, len(content))))]
    places = st.integers(0, len(content) - 1) if content else st.nothing()
    touched = data.draw(st.dictionaries(places, st.integers(1, 255), max_size=4)) if content else {}
    for at, change in touched.items():
        content[at] ^= change
    path.write_bytes(content)
    starts = [0, *ends[:-1]]
    try:
        found, j = read(path)
    except InputError as error:
        assert "points file of millsim" in str(error.problems[0])
        assert any(at < len(MARK) for at in touched)
        assert path.read_bytes() == bytes(content)  # refused files are left as they are
        return
    assert all_right(found)
    untouched = [
        i for i, (a, b) in enumerate(zip(starts, ends, strict=True))
        if b <= len(content) and not any(a <= at < b for at in touched)
    ]  # fmt: skip
    assert sorted(found) == [3 * i - 3 + k for i in untouched if i > 0 for k in range(3)]
    if len(untouched) < len(ends):
        assert j.damaged + j.torn > 0 or len(content) in (0, *ends)


@pytest.mark.parametrize("where", ["mark", "length", "digest", "meta", "rows"])
def test_a_flipped_byte_in_the_middle_costs_one_record_and_is_told(tmp_path, where):
    path = tmp_path / "s.points"
    ends = written(path)
    place = {"mark": 3, "length": len(MARK) + 1, "digest": len(MARK) + 20, "meta": len(MARK) + 45, "rows": -5}[where]
    at = (ends[3] if where == "rows" else ends[2]) + place
    data = bytearray(path.read_bytes())
    data[at] ^= 0x40
    path.write_bytes(data)
    found, j = read(path)
    assert sorted(found) == [k for k in range(15) if k not in (6, 7, 8)]
    assert all_right(found)
    assert (j.damaged, j.torn) == (1, 0)


def test_a_rotten_first_mark_does_not_cost_the_night(tmp_path):
    path = tmp_path / "s.points"
    written(path)
    data = bytearray(path.read_bytes())
    data[2] ^= 1
    path.write_bytes(data)
    found, j = read(path)
    assert len(found) == 15
    assert j.damaged == 1  # the record that said what the points are for
    assert j.plans == []


def two_sessions(path, note):
    """A points file of two versions, the older as it was written before rows named theirs; where the newer begins."""
    with open_journal(path) as j:
        j.append_plan({**ABOUT, "version": "1"})
        for first, about in ((0, None), (3, {**ABOUT, "version": "2"})):
            start = path.stat().st_size
            if about:
                j.append_plan(about)
            if note:
                j.append(rows(first, 3), {})
            else:
                j._append({"rows": 3, "layout": journal.layout_of(KIND), "reasons": {}}, rows(first, 3).tobytes())
    return start


@pytest.mark.parametrize(("note", "version"), [(True, "2"), (False, "unknown")])
def test_rows_of_a_session_whose_record_is_damaged_name_no_other_version(tmp_path, note, version):
    path = tmp_path / "s.points"
    start = two_sessions(path, note)
    with open_journal(path) as j:
        assert j.versions(KIND, np.arange(6)) == ("1", "2")
    data = bytearray(path.read_bytes())
    data[start + 60] ^= 1
    path.write_bytes(data)
    with open_journal(path) as j:
        assert j.damaged == 1 and len(j.identities(KIND)) == 6
        assert j.versions(KIND, np.arange(3)) == ("1",)
        assert j.versions(KIND, np.arange(3, 6)) == (version,)
        assert j.version == "unknown"
        j.append_plan({**ABOUT, "version": "3"})
        assert j.version == "3"


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"these are the notes of somebody else, not points\n" * 40, "is not a points file of millsim"),
        (b"\x89HDF\r\n\x1a\n" + bytes(500), "is not a points file of millsim"),
        (bytes(4096), "is not a points file of millsim"),
        (b"x", "is not a points file of millsim"),
        (MARK[:-1] + b"2" + bytes(100), "is another version of the points file of millsim"),
    ],
    ids=["notes", "hdf5", "zeros", "one byte", "newer"],
)
def test_what_is_not_ours_is_refused_and_left_alone(tmp_path, content, words):
    path = tmp_path / "s.points"
    path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        open_journal(path)
    assert str(caught.value.problems[0]) == f"{path}: {words}; move it away, or give --out another name"
    assert path.read_bytes() == content


@pytest.mark.parametrize("size", [0, 1, len(MARK) - 1, len(MARK), len(MARK) + 20])
def test_an_empty_or_hardly_begun_file_is_a_fresh_start(tmp_path, size):
    path = tmp_path / "s.points"
    whole = tmp_path / "whole.points"
    written(whole)
    path.write_bytes(whole.read_bytes()[:size])
    with open_journal(path) as j:
        assert (j.entries, j.torn) == ([], size)
        j.append(rows(0, 2), {})
    assert len(read(path)[0]) == 2


def test_a_place_that_takes_no_file_is_one_sentence(tmp_path):
    with pytest.raises(MillsimError, match=r"^cannot write .*: the folder does not exist or takes no files"):
        open_journal(tmp_path / "none" / "s.points")
    with pytest.raises(MillsimError, match=r"^cannot write .*: Is a directory\.$"):
        open_journal(tmp_path)
    os.mkfifo(tmp_path / "pipe.points")
    with pytest.raises(InputError) as caught:
        open_journal(tmp_path / "pipe.points")
    assert "is not a file that points can be kept in" in str(caught.value.problems[0])


def test_an_unreadable_disk_is_one_sentence(tmp_path, monkeypatch):
    path = tmp_path / "s.points"
    written(path)

    def broken(descriptor, count):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(journal.os, "read", broken)
    with pytest.raises(MillsimError, match=r"^cannot read .*s.points: Input/output error; "):
        open_journal(path)


def test_a_disk_that_fails_half_way_keeps_what_was_there(tmp_path, monkeypatch):
    path = tmp_path / "s.points"
    written(path, 2)
    real = os.write

    def half(descriptor, data):
        if len(data) > 40:
            return real(descriptor, data[:40])
        raise OSError(28, "No space left on device")

    with open_journal(path) as j:
        with monkeypatch.context() as patch:
            patch.setattr(journal.os, "write", half)
            with pytest.raises(MillsimError) as caught:
                j.append(rows(6, 3), {})
        assert "the disk is full" in str(caught.value)
        assert "6 computed points are kept; the same command goes on from there." in str(caught.value)
        j.append(rows(9, 3), {})  # there is room again
    found, j = read(path)
    assert sorted(found) == [0, 1, 2, 3, 4, 5, 9, 10, 11]
    assert (j.torn, j.damaged) == (0, 0)


def test_an_interrupt_while_the_disk_is_waited_for_leaves_file_and_count_the_same(tmp_path, monkeypatch):
    path = tmp_path / "s.points"
    written(path, 2)

    def heard(descriptor):
        monkeypatch.undo()
        raise KeyboardInterrupt

    with open_journal(path) as j:
        monkeypatch.setattr(journal.os, "fsync", heard)
        with pytest.raises(KeyboardInterrupt):
            j.append(rows(50, 9), {})
        j.append(rows(60, 1), {})  # what workers hand in at the end, shorter than the record that was given up
        assert sum(e.count for e in j.entries) == 7
    found, j = read(path)
    assert sorted(found) == [0, 1, 2, 3, 4, 5, 60] and (j.torn, j.damaged) == (0, 0)


def test_a_second_one_is_refused_in_one_sentence(tmp_path):
    path = tmp_path / "s.points"
    with open_journal(path) as j:
        with pytest.raises(MillsimError) as caught:
            open_journal(path)
        assert str(caught.value) == (f"another process is at work on {path}; wait for it, or give --out another name.")
        j.append(rows(0, 1), {})
    assert len(read(path)[0]) == 1


def test_a_disk_without_locks_is_not_called_another_process(tmp_path, monkeypatch):
    import fcntl

    def none(descriptor, how):
        raise OSError(37, "No locks available")

    monkeypatch.setattr(fcntl, "flock", none)
    with pytest.raises(MillsimError, match=r"^cannot lock .*: No locks available; give --out"):
        open_journal(tmp_path / "s.points")


HOLD = """
import sys, time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from millsim.explore.sweep.journal import open_journal
with open_journal(sys.argv[1]):
    pool = ProcessPoolExecutor(1, get_context("fork"))
    worker = pool.submit(time.sleep, 0)
    worker.result()
    print(*pool._processes, flush=True)
    time.sleep(60)
"""


def test_the_lock_of_a_killed_process_is_free_even_while_its_forked_workers_live(tmp_path):
    path = tmp_path / "s.points"
    worker = 0
    with subprocess.Popen([sys.executable, "-c", HOLD, str(path)], stdout=subprocess.PIPE, text=True) as first:
        try:
            worker = int(first.stdout.readline())
            with pytest.raises(MillsimError, match="another process is at work on"):
                open_journal(path)
            first.send_signal(signal.SIGKILL)
            first.wait()
            os.kill(worker, 0)  # the orphan is there
            open_journal(path).__exit__()
        finally:
            first.kill()
            if worker:
                os.kill(worker, signal.SIGKILL)


def _count_open(_):
    return len(journal._OPEN)


@pytest.mark.parametrize("method", ["spawn", "forkserver"])
def test_worker_processes_do_not_hold_the_file(tmp_path, method):
    with open_journal(tmp_path / "s.points"), ProcessPoolExecutor(1, get_context(method)) as pool:
        assert pool.submit(_count_open, 0).result() == 0


def test_records_are_lines_of_json_that_people_can_find(tmp_path):
    path = tmp_path / "s.points"
    written(path, 1)
    line = path.read_bytes()[len(MARK) + 40 :].split(b"\n")[0]
    assert json.loads(line) == {"plan": ABOUT}


def test_a_mark_within_the_rows_is_no_record(tmp_path):
    path = tmp_path / "s.points"
    odd = rows(0, 1)
    odd.view(np.uint8)[:16] = np.frombuffer(MARK, np.uint8)
    with open_journal(path) as j:
        j.append(odd, {})
        j.append(rows(1, 1), {})
    data = bytearray(path.read_bytes())
    data[len(MARK) + 10] ^= 1  # the first record is damaged; the search for the next one meets the false mark
    path.write_bytes(data)
    found, j = read(path)
    assert sorted(found) == [1]
    assert j.damaged >= 1


def test_appending_waits_for_the_disk(tmp_path, monkeypatch):
    seen = []
    monkeypatch.setattr(journal.os, "fsync", seen.append)
    written(tmp_path / "s.points", 3)
    assert len(seen) == 5  # the name of the new file, its mark, three records
