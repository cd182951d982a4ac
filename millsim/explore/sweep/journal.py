"""The points file: everything computed so far, append-only, safe from a pulled plug.

A record is a mark, the length and the SHA-256 of what follows, a line of JSON and the rows of `compute.row_type`.
A record is written and synced in one piece; of one that was torn only the points in flight are lost: a torn end is
cut off, a damaged record in the middle is passed over, and its points are computed anew. One process at a time holds
the file, by a lock that ends with the process however it ends.
"""

import contextlib
import hashlib
import json
import os
import stat
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from ...errors import InputError, MillsimError, Problem
from ...record.files import cannot_write, sync_folder
from ...record.hold import TAKEN, hold
from .record import Failure

MARK = b"\x89millsim\r\n\x1apts\n1"  # first eight bytes say the kind of file; line ends show a text-mode copy
_HEAD = struct.Struct("<Q32s")
UNKNOWN = "unknown"  # version of rows behind a damaged record, which may have begun another session
_ROT = 4  # bytes of the first mark that may be damaged before the file counts as something else
_OPEN: set[int] = set()  # descriptors of open points files, for `_let_go`


@dataclass
class Entry:
    """Rows of one record: where they lie in the file, what they are; reasons of failed rows."""

    offset: int
    count: int
    layout: str
    reasons: dict[int, Failure]
    version: str = ""  # of the millsim that computed them


@dataclass
class Journal:
    """An open points file. entries: all rows in it; plans: what each session was about, newest last.

    count: how many points are kept, for people; whoever knows which rows are points that were asked for sets it.
    """

    path: Path
    descriptor: int = -1
    entries: list[Entry] = field(default_factory=list)
    plans: list[dict] = field(default_factory=list)
    torn: int = 0  # bytes cut off the end
    damaged: int = 0  # records passed over
    doubtful: bool = False  # whether one of them comes after the newest of `plans`, and may have been a newer one
    count: Callable[[], int] | None = None
    _end: int = 0

    def __enter__(self) -> "Journal":
        return self

    def __exit__(self, *_: object) -> None:
        if self.descriptor >= 0:
            _OPEN.discard(self.descriptor)
            os.close(self.descriptor)
            self.descriptor = -1

    def append_plan(self, about: dict) -> None:
        """Note what the points that follow were computed for."""
        self._append({"plan": about}, b"")
        self._begin(about)

    def append(self, rows: np.ndarray, reasons: dict[int, Failure]) -> None:
        """Keep computed rows. A full disk loses none of the earlier ones and raises MillsimError."""
        layout = layout_of(rows.dtype)
        why = {str(i): [r.kind, r.text] for i, r in reasons.items()}
        meta = {"rows": int(rows.size), "layout": layout, "reasons": why, "version": self.version}
        offset = self._append(meta, rows.tobytes())
        self.entries.append(Entry(offset, rows.size, layout, reasons, self.version))

    @property
    def version(self) -> str:
        """The millsim of the newest session."""
        if self.doubtful:
            return UNKNOWN
        return str(self.plans[-1].get("version", "")) if self.plans else ""

    def versions(self, kind: np.dtype, rows: np.ndarray) -> tuple[str, ...]:
        """The millsims that computed these of the rows of a layout, by place in the order written."""
        entries = [e for e in self.entries if e.layout == layout_of(kind)]
        which = np.unique(np.searchsorted(np.cumsum([e.count for e in entries]), rows, side="right"))
        return tuple(sorted({entries[i].version for i in which}))

    def rows(self, kind: np.dtype) -> Iterator[tuple[np.ndarray, dict[int, Failure]]]:
        """(rows, reasons) of every record of this layout, in the order written, read as they are asked for."""
        layout = layout_of(kind)
        for e in self.entries:
            if e.layout == layout:
                yield np.frombuffer(_read(self.descriptor, e.offset, e.count * kind.itemsize), kind), e.reasons

    def identities(self, kind: np.dtype) -> np.ndarray:
        """(K, 2) uint64 of all rows of this layout, in the order written."""
        found = [rows["identity"].copy() for rows, _ in self.rows(kind)]
        return np.concatenate(found) if found else np.empty((0, 2), np.uint64)

    def _begin(self, about: dict) -> None:
        self.plans.append(about)
        self.doubtful = False

    def _append(self, meta: dict, body: bytes) -> int:
        line = json.dumps(meta, ensure_ascii=True).encode() + b"\n"
        content = line + body
        record = MARK + _HEAD.pack(len(content), hashlib.sha256(content).digest()) + content
        try:
            _write_all(self.descriptor, record, self._end)
            os.fsync(self.descriptor)
        except BaseException as error:  # an interrupt comes most likely while the disk is waited for
            with contextlib.suppress(OSError):  # a torn end is found when the file is next opened
                os.ftruncate(self.descriptor, self._end)
            if not isinstance(error, OSError):
                raise
            kept = self.count() if self.count else sum(e.count for e in self.entries)
            hint = f" {kept} computed points are kept; the same command goes on from there."
            raise MillsimError(cannot_write(self.path, error) + hint) from error
        self._end += len(record)
        return self._end - len(body)


def open_journal(path: Path | str) -> Journal:
    """Open or make a points file, lock it, and read what it holds. Raises MillsimError, InputError."""
    path = Path(path)
    fresh = not path.exists()
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o666)
    except OSError as error:
        raise MillsimError(cannot_write(path, error)) from error
    journal = Journal(path, descriptor)
    try:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            raise InputError(Problem(str(path), "", "is not a file that points can be kept in"))
        _lock(descriptor, path)
        _load(journal)
    except BaseException as error:
        os.close(descriptor)
        if isinstance(error, OSError):
            message = f"cannot read {path}: {error.strerror}; move it away, or copy it to a sound disk."
            raise MillsimError(message) from error
        raise
    if fresh:
        sync_folder(path.parent)  # its name survives a power cut as well
    _OPEN.add(descriptor)
    return journal


def _let_go() -> None:
    """In a forked worker: close the points file, or the lock would outlive a killed parent."""
    while _OPEN:
        with contextlib.suppress(OSError):
            os.close(_OPEN.pop())


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_let_go)


def _lock(descriptor: int, path: Path) -> None:
    """Hold the file alone. The system lets go of it when the process ends, also by a kill."""
    try:
        hold(descriptor)
    except OSError as error:
        if error.errno in TAKEN:
            message = f"another process is at work on {path}; wait for it, or give --out another name."
        else:
            message = f"cannot lock {path}: {error.strerror}; give --out a name on a disk of this machine."
        raise MillsimError(message) from error


def _load(journal: Journal) -> None:
    """Read every record; cut a torn end, pass over a damaged record."""
    size = os.fstat(journal.descriptor).st_size
    _is_ours(journal.path, _read(journal.descriptor, 0, min(size, len(MARK))))
    at = 0
    while at < size:
        length = _record(journal, at, size)
        if length == 0:
            at_next = _next_mark(journal.descriptor, at + 1, size)
            if at_next < 0:
                break
            journal.damaged += 1
            journal.doubtful = True
            at = at_next
        else:
            at += length
    journal.torn, journal._end = size - at, at
    if journal.torn:
        os.ftruncate(journal.descriptor, at)


def _is_ours(path: Path, first: bytes) -> None:
    """Refuse what is no points file of this version, before anything is cut off it; a few rotten bytes are borne."""
    wrong = [i for i, (a, b) in enumerate(zip(first, MARK, strict=False)) if a != b]
    if wrong == [len(MARK) - 1]:
        what = "another version of the points file"
    elif len(wrong) > _ROT or (wrong and len(first) < len(MARK)):
        what = "not a points file"
    else:
        return
    hint = "move it away, or give --out another name"
    raise InputError(Problem(str(path), "", f"is {what} of millsim", hint=hint))


def _record(journal: Journal, at: int, size: int) -> int:
    """Read the record at a place; its whole length, or 0 if it is not whole."""
    front = len(MARK) + _HEAD.size
    head = _read(journal.descriptor, at, min(front, size - at))
    if len(head) < front or not head.startswith(MARK):
        return 0
    length, digest = _HEAD.unpack(head[len(MARK) :])
    if at + front + length > size:
        return 0
    content = _read(journal.descriptor, at + front, length)
    if hashlib.sha256(content).digest() != digest:
        return 0
    line, _, body = content.partition(b"\n")
    meta = json.loads(line)
    if "plan" in meta:
        journal._begin(meta["plan"])
    else:
        reasons = {int(i): Failure(r, r) if isinstance(r, str) else Failure(*r) for i, r in meta["reasons"].items()}
        version = str(meta.get("version", journal.version))  # files of before name it once a session
        journal.entries.append(Entry(at + front + length - len(body), meta["rows"], meta["layout"], reasons, version))
    return front + length


def _next_mark(descriptor: int, at: int, size: int) -> int:
    """Place of the next mark after a damaged record; -1 if there is none."""
    step = 1 << 20
    while at < size:
        found = _read(descriptor, at, min(step + len(MARK), size - at)).find(MARK)
        if found >= 0:
            return at + found
        at += step
    return -1


def layout_of(kind: np.dtype) -> str:
    """A row type as text; rows of another layout are not for this plan."""
    return hashlib.sha256(repr(kind.descr).encode()).hexdigest()[:12]


def _read(descriptor: int, offset: int, count: int) -> bytes:
    """Exactly `count` bytes, or fewer at the end of the file."""
    os.lseek(descriptor, offset, os.SEEK_SET)
    parts, left = [], count
    while left > 0 and (part := os.read(descriptor, left)):
        parts.append(part)
        left -= len(part)
    return b"".join(parts)


def _write_all(descriptor: int, data: bytes, offset: int) -> None:
    os.lseek(descriptor, offset, os.SEEK_SET)
    view = memoryview(data)
    while view:
        view = view[os.write(descriptor, view) :]
