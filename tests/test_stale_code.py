"""Compiled code that nobody uses any more is removed; what a process uses, and what is not ours, never."""

import fcntl
import os
import time

import pytest

from millsim.base.numerics import kept, stale

DAY_S = 86400.0
OWN = "numba-" + 16 * "0"


@pytest.fixture
def base(tmp_path):
    """The per-user folder, with the folder of these sources."""
    keep(tmp_path / OWN, 0.0)
    return tmp_path


def keep(folder, days, size=100):
    """A folder with the code of one function, which something last began with so many days ago."""
    place = folder / "laws"
    place.mkdir(parents=True)
    then = time.time() - days * DAY_S
    for file in (folder / "lock", folder / "used", place / "law.nbi", place / "law.1.nbc"):
        file.write_bytes(bytes(size if file.suffix == ".nbc" else 0))
        os.utime(file, (then, then))
    return folder


def left(base):
    """Names of what is there."""
    stale.clear(base, base / OWN)
    return sorted(p.name for p in base.iterdir())


def other(digit):
    return "numba-" + 16 * digit


def test_what_nothing_began_with_for_a_month_goes(base):
    keep(base / other("a"), 31)
    keep(base / other("b"), 29)
    assert left(base) == [OWN, other("b")]
    os.utime(base / OWN / "used", (0, 0))  # the folder in use by who asks
    assert left(base) == [OWN, other("b")]


def test_of_too_many_the_longest_unused_go_but_none_of_today(base, monkeypatch):
    monkeypatch.setattr(stale, "MOST_BYTES", 250)
    for digit, days in (("a", 0.5), ("b", 3), ("c", 5), ("d", 4)):
        keep(base / other(digit), days)
    assert left(base) == [OWN, other("a")]
    keep(base / other("b"), 0.9)
    assert left(base) == [OWN, other("a"), other("b")]


def test_what_another_process_uses_stays(base):
    folder = keep(base / other("a"), 99)
    with (folder / "used").open() as held:
        fcntl.flock(held, fcntl.LOCK_SH)
        assert left(base) == [OWN, other("a")]
        assert len(list(folder.rglob("*.nb?"))) == 2
    assert left(base) == [OWN]


def test_a_process_that_begins_dates_and_holds_its_folder(base, monkeypatch):
    folder = keep(base / other("a"), 99)
    stale.join(folder)
    assert time.time() - (folder / "used").stat().st_mtime < 60
    os.utime(folder / "used", (0, 0))
    assert left(base) == [OWN, other("a")]
    os.close(stale._HELD.pop(str(folder)))
    assert left(base) == [OWN]


def test_who_begins_while_a_folder_is_removed_makes_it_anew(base, monkeypatch):
    folder, lock = keep(base / other("a"), 99), stale._lock

    def removed_meanwhile(descriptor, alone, patience_s=0.0):
        monkeypatch.setattr(stale, "_lock", lock)
        assert stale._remove(folder)  # between the opening of the file and its lock
        return lock(descriptor, alone, patience_s)

    monkeypatch.setattr(stale, "_lock", removed_meanwhile)
    stale.join(folder)
    assert folder.stat().st_mode & 0o077 == 0
    os.utime(folder / "used", (0, 0))
    assert left(base) == [OWN, other("a")]
    os.close(stale._HELD.pop(str(folder)))


def test_what_is_not_ours_stays(base, tmp_path):
    folder = keep(base / other("a"), 99)
    (folder / "laws" / "notes.txt").write_text("mine")
    for name in ("numba-mine", "figures", "numba-" + 17 * "0"):
        keep(base / name, 99)
    (base / other("c")).symlink_to(keep(base / "elsewhere", 99))
    assert left(base) == sorted(
        [OWN, other("a"), other("c"), "numba-mine", "figures", "numba-" + 17 * "0", "elsewhere"]
    )
    assert (folder / "laws" / "notes.txt").read_text() == "mine"
    assert (base / "elsewhere" / "laws" / "law.nbi").exists()


def test_temporary_files_of_dead_writers_go(base):
    place = base / OWN / "laws"
    old, new = (place / f"law.1.nbc.tmp.{n}a0b1c2" for n in "12")
    for file in (old, new):
        file.write_bytes(b"half")
    os.utime(old, (0, 0))
    left(base)
    assert sorted(p.name for p in place.iterdir()) == sorted(["law.nbi", "law.1.nbc", new.name])


def test_others_are_looked_at_once_when_code_is_kept(base, monkeypatch):
    calls = []
    monkeypatch.setattr(stale, "clear", lambda *places: calls.append(places))
    for _ in range(2):
        kept._clear_others(str(base / OWN))
    assert calls == [(base, base / OWN)]
