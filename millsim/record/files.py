"""Files that appear whole or not at all: temporary name, fsync, rename; never over an existing file unasked.

Owns the way bytes reach the disk; knows nothing of what they mean. Must not import numpy, h5py or matplotlib.
"""

import contextlib
import errno
import functools
import hashlib
import os
import platform
import secrets
import stat
import time
from collections.abc import Iterable, Mapping
from pathlib import Path

from ..errors import InputError, MillsimError, Problem
from . import standing

_LITTER_S = 86400.0  # a temporary file as old as this has no writer any more, whatever machine it was on


def write_bytes(path: Path | str, data: bytes | Iterable[bytes], force: bool = False) -> None:
    """Write `data`, whole or in parts, to `path` so that the name never shows a half-written file.

    Without `force` an existing file is left alone, even one that appears while this runs.
    Any failure removes the temporary file and raises MillsimError with one sentence.
    """
    path = Path(path)
    refuse_existing(path, force=force)
    clear_litter(path.parent)
    temporary = _temporary(path.parent)
    try:
        write_through(temporary, data)
        _publish(temporary, path, force)
    except FileExistsError:
        refuse_existing(path)
        raise
    except OSError as error:
        raise MillsimError(cannot_write(path, error)) from error
    finally:
        standing.remove(temporary)
    sync_folder(path.parent)


def holds(path: Path | str, data: Iterable[bytes]) -> bool:
    """Whether a file holds just these bytes, in parts: what a command that was killed has written needs no force."""
    with contextlib.suppress(OSError, ValueError), Path(path).open("rb") as file:
        return all(file.read(len(part)) == part for part in data) and not file.read(1)
    return False


def write_together(files: Mapping[str, bytes], folder: Path | str, force: bool = False) -> list[Path]:
    """Write files, by name, into a folder (made if missing): all of them or, on a full disk, none; their paths.

    All are on the disk before the first gets its name. Raises MillsimError.
    """
    fresh = not Path(folder).exists()
    folder = make_folder(folder)
    for name in files if force else ():
        refuse_existing(folder / name, force=True)
    clear_litter(folder)
    temporary, named = {folder / name: _temporary(folder) for name in files}, []
    path = folder
    try:
        for path, place in temporary.items():
            write_through(place, files[path.name])
        for path, place in temporary.items():
            _publish(place, path, force)
            named.append(path)
    except BaseException as error:
        _take_back([*temporary.values(), *([] if force else named)], folder if fresh else None)
        if isinstance(error, FileExistsError):
            refuse_existing(path)
        if not isinstance(error, OSError):
            raise
        raise MillsimError(cannot_write(path, error)) from error
    _take_back(list(temporary.values()), None)
    sync_folder(folder)
    return named


def _take_back(files: list[Path], folder: Path | None) -> None:
    """Remove files, and a folder that was made for them."""
    for file in files:
        standing.remove(file)
    if folder is not None:
        with contextlib.suppress(OSError):
            folder.rmdir()


def _temporary(folder: Path) -> Path:
    """A new name in the folder that tells whose it is."""
    return standing.named(folder / f".millsim-{_machine()}-{os.getpid()}-{secrets.token_hex(6)}.tmp")


@functools.cache
def _machine() -> str:
    return hashlib.sha256(platform.node().encode()).hexdigest()[:8]


def clear_litter(folder: Path) -> None:
    """Remove temporary files whose writer was killed: dead on this machine, or a day ago."""
    with contextlib.suppress(OSError):
        for file in folder.glob(".millsim-*.tmp"):
            with contextlib.suppress(OSError):
                if _is_dead(file.name) or time.time() - file.lstat().st_mtime > _LITTER_S:
                    file.unlink()


def _is_dead(name: str) -> bool:
    """Whether a temporary file is by a process of this machine that is no more."""
    machine, _, rest = name.removeprefix(".millsim-").partition("-")
    number = rest.partition("-")[0]
    if os.name != "posix" or machine != _machine() or not number.isdecimal():
        return False
    try:
        os.kill(int(number), 0)  # sends nothing
    except ProcessLookupError:
        return True
    except (OSError, OverflowError):  # it lives, as another user's
        pass
    return False


def refuse_existing(path: Path | str, where: str = "", force: bool = False) -> None:
    """Raise InputError when something already stands at `path`; with `force`, when that is no regular file.

    What is no regular file (a device, a pipe, a folder, a link, wherever it leads) is never replaced.
    """
    path = Path(path)
    if not os.path.lexists(path):
        return
    kind = _kind(path)
    if kind:
        message = f"{path} is {kind}" if where else f"is {kind}"
        raise InputError(Problem(where or str(path), "", message, hint="only files are replaced; name another"))
    if not force:
        message = f"{path} exists already" if where else "exists already"
        raise InputError(Problem(where or str(path), "", message, hint="use --force to replace it, or name another"))


def _kind(path: Path) -> str:
    """What stands at a path, in words; "" for a regular file."""
    mode = path.lstat().st_mode
    kinds = ((stat.S_ISREG, ""), (stat.S_ISLNK, "a symbolic link"), (stat.S_ISDIR, "a folder"))
    return next((words for test, words in kinds if test(mode)), "a device or a pipe, not a file")


_NO_NAME = {errno.ENAMETOOLONG: "no file can have so long a name", errno.ELOOP: "its links lead round in a circle"}


def refuse_name(path: Path | str, where: str = "") -> None:
    """Raise InputError where no file can be had under a name, to read or to write."""
    try:
        Path(path).stat()
    except OSError as error:
        if why := _NO_NAME.get(error.errno or 0):
            message = f"{path}: {why}" if where else why
            raise InputError(Problem(where or str(path), "", message, hint="name another")) from None


def check_target(path: Path | str, force: bool = False, where: str = "--out", kind: str = "result.h5") -> None:
    """Refuse, before any work is done, an output file that could not be written afterwards.

    kind: what such a file may be called; its suffix is asked for.
    """
    path, (what, _, suffix) = Path(path), kind.rpartition(".")
    refuse_name(path, where)
    if path.is_dir():
        raise InputError(Problem(where, "", f"{path} is a folder", hint=f"name a file, e.g. {path / kind}"))
    if path.suffix.lower() != f".{suffix}":
        name = path.with_suffix(f".{suffix}").name if path.name else kind
        message = f"{path}: the name of a {what} file ends in .{suffix}"
        raise InputError(Problem(where, "", message, hint=f"write {name}"))
    refuse_existing(path, where, force)
    check_folder(path.parent, where)


def check_folder(folder: Path | str, where: str, create: bool = False) -> None:
    """Refuse a folder that is missing (unless it may be made, `create`) or cannot be written to."""
    folder = Path(folder)
    refuse_name(folder, where)
    if create and not os.path.lexists(folder):
        return check_folder(folder.parent, where, create=True)
    if not folder.is_dir():
        hint = "name a folder" if folder.exists() else f"make it first: mkdir -p {folder}"
        raise InputError(Problem(where, "", f"{folder} is not a folder", hint=hint))
    clear_litter(folder)  # also where the file is kept, as a writer was killed just after it had named it
    probe = _temporary(folder)
    try:
        probe.touch(exist_ok=False)
    except OSError as error:
        raise MillsimError(f"{where}: {cannot_write(folder, error)}") from error
    finally:
        standing.remove(probe)


def make_folder(folder: Path | str) -> Path:
    """The folder, made with its parents if missing; MillsimError when that fails."""
    folder = Path(folder)
    refuse_name(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError):
        raise InputError(
            Problem(str(folder), "", "is not a folder, or lies below a file", hint="name another")
        ) from None
    except OSError as error:
        raise MillsimError(cannot_write(folder, error)) from error
    return folder


def cannot_write(path: Path | str, error: OSError) -> str:
    """One sentence for people: what could not be written, why, and what to do."""
    remedies = {
        errno.ENOSPC: "the disk is full; make room or name another folder",
        errno.EDQUOT: "the disk quota is used up; make room or name another folder",
        errno.EFBIG: "the file would be larger than allowed here; name another folder",
        errno.EROFS: "the disk is read-only; name another folder",
        errno.EACCES: "writing is not permitted there; name another folder",
        errno.EPERM: "writing is not permitted there; name another folder",
        errno.ENOENT: "the folder does not exist or takes no files; name another folder",
    }
    reason = remedies.get(error.errno or 0, error.strerror or str(error))
    return f"cannot write {path}: {reason}."


def write_through(temporary: Path, data: bytes | Iterable[bytes]) -> None:
    """Create the temporary file with the user's usual permissions and push it to the disk."""
    descriptor = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)
    with os.fdopen(descriptor, "wb") as file:
        for part in (data,) if isinstance(data, bytes) else data:
            file.write(part)
        file.flush()
        os.fsync(file.fileno())


def _publish(temporary: Path, path: Path, force: bool) -> None:
    """Give the finished file its name in one step; without `force` only if the name is free."""
    if force:
        temporary.replace(path)
        return
    try:
        os.link(temporary, path)  # unlike rename, fails when the name is taken
    except FileExistsError:
        raise
    except (OSError, AttributeError):  # no hard links there, e.g. a memory stick: claim the name, then replace it
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL))
        temporary.replace(path)


def sync_folder(folder: Path) -> None:
    """Make the new name survive a power cut where the system allows it."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
