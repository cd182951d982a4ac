"""Compiled code of other sources that nobody uses any more: removed by age and size, never while it is in use.

A process that uses a folder holds the file "used" in it by a shared lock until it ends, however it ends, and dates it
when it begins. Only who gets that lock alone removes a folder, and of it only files such as are kept there; who comes
while that is done waits and makes the folder anew. Where files cannot be locked nothing is removed.
"""

import contextlib
import os
import re
import time
from collections.abc import Iterator
from pathlib import Path

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]

UNUSED_S = 30 * 86400.0  # a folder that nothing began with for so long goes
RECENT_S = 86400.0  # one that something began with since stays; a temporary file as old as this has no writer any more
MOST_BYTES = 500_000_000  # of all folders, a twentieth of which one takes; beyond it the longest unused go
_USED = "used"
_FOLDER = re.compile(r"numba-[0-9a-f]{16}")
_KEPT = re.compile(r"(.+\.nb[ic](\.tmp\.[0-9a-f]+)?|lock)")
_TEMPORARY = re.compile(r".+\.tmp\.[0-9a-f]+")
_PATIENCE_S = 2.0  # to wait for who removes a folder
_HELD: dict[str, int] = {}


def join(folder: Path) -> None:
    """Note that this process uses a folder, until it ends; the folder is made where it has just been removed."""
    for _ in range(3 if fcntl is not None and str(folder) not in _HELD else 0):
        folder.mkdir(mode=0o700, exist_ok=True)
        try:
            descriptor = _open(folder)
        except OSError:  # what cannot be written is not removed either
            return
        with contextlib.suppress(OSError):
            os.utime(descriptor)
        if _lock(descriptor, alone=False, patience_s=_PATIENCE_S) and _is_there(descriptor, folder):
            _HELD[str(folder)] = descriptor
            return
        os.close(descriptor)


def clear(base: Path, own: Path) -> None:
    """Remove temporary files of dead writers, and folders beside one's own that are not used and old or too many."""
    folders = [f for f in _listed(base) if _FOLDER.fullmatch(f.name) and f.is_dir() and not f.is_symlink()]
    for folder in folders:
        for file in _files(folder):
            if _TEMPORARY.fullmatch(file.name) and _age_s(file.stat().st_mtime) > RECENT_S:
                _unlink(file)
    total = sum(map(_size, folders))
    for used, folder in sorted((_last_used(f), f) for f in folders if f != own):
        too_many = total > MOST_BYTES and _age_s(used) > RECENT_S
        size = _size(folder)
        if (too_many or _age_s(used) > UNUSED_S) and _remove(folder):
            total -= size


def _remove(folder: Path) -> bool:
    """Remove what is kept in a folder, and the folder if nothing else is in it, unless a process uses it."""
    try:
        descriptor = _open(folder)
    except OSError:
        return False
    try:
        if not _lock(descriptor, alone=True):
            return False
        for file in _files(folder):
            if _KEPT.fullmatch(file.name):
                _unlink(file)
        for place in (*(p for p in _listed(folder) if p.is_dir()), folder):
            if place == folder:
                _unlink(folder / _USED)
            with contextlib.suppress(OSError):
                place.rmdir()
        return True
    finally:
        os.close(descriptor)


def _open(folder: Path) -> int:
    return os.open(folder / _USED, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW, 0o600)


def _lock(descriptor: int, alone: bool, patience_s: float = 0.0) -> bool:
    """Whether the lock was got."""
    give_up = time.monotonic() + patience_s
    while True:
        try:
            fcntl.flock(descriptor, (fcntl.LOCK_EX if alone else fcntl.LOCK_SH) | fcntl.LOCK_NB)
            return True
        except OSError:
            if time.monotonic() >= give_up:
                return False
        time.sleep(0.01)


def _is_there(descriptor: int, folder: Path) -> bool:
    """Whether the file that is held is still the one of the folder."""
    try:
        return os.path.samestat(os.fstat(descriptor), (folder / _USED).stat())
    except OSError:
        return False


def _listed(folder: Path) -> list[Path]:
    try:
        return list(folder.iterdir())
    except OSError:
        return []


def _files(folder: Path) -> Iterator[Path]:
    """Files of a folder and of the folders in it."""
    for place in (folder, *(p for p in _listed(folder) if p.is_dir() and not p.is_symlink())):
        yield from (p for p in _listed(place) if p.is_file() and not p.is_symlink())


def _size(folder: Path) -> int:
    return sum(p.stat().st_size for p in _files(folder))


def _last_used(folder: Path) -> float:
    """When something last began with a folder; of one of before, when a file of it was last read or written."""
    with contextlib.suppress(OSError):
        return (folder / _USED).stat().st_mtime
    return max(max(s.st_mtime, s.st_atime) for s in (p.stat() for p in (folder, *_files(folder))))


def _age_s(when: float) -> float:
    return time.time() - when


def _unlink(file: Path) -> None:
    with contextlib.suppress(OSError):
        file.unlink()
