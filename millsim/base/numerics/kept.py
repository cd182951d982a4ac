"""Compiled code on the disk: where it may be kept, and files that are read only as they were written.

What `jit` keeps is pickled machine code, so whoever may write it runs what they like. It is read only from a folder
and from files that are the user's own and that no other may write, and only where a checksum says that it is whole.
Nothing here stops the work: what cannot be read or kept is compiled anew, and why is said once.
"""

import contextlib
import errno
import functools
import hashlib
import os
import pickle
import secrets
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from numba.core import caching

from ..notes import say
from . import stale

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]

_DIGEST = hashlib.sha256().digest_size
_PATIENCE_S = 2.0  # how long to wait for another process that keeps its code: losing its place costs no answer
_REASONS = {
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "the disk quota is used up",
    errno.EFBIG: "a file would be larger than allowed",
    errno.EROFS: "the disk is read-only",
    errno.EACCES: "writing is not permitted",
    errno.EPERM: "writing is not permitted",
}


def say_not_kept(why: str) -> None:
    """Tell once why code is compiled anew at every start."""
    say(f"compiled code is not kept, so every start compiles it anew: {why}.")


def _reason(error: OSError) -> str:
    return _REASONS.get(error.errno or 0, error.strerror or str(error))


def base_folder() -> Path:
    """The per-user folder: MILLSIM_CACHE_DIR, else XDG_CACHE_HOME/millsim, else ~/.cache/millsim (RuntimeError)."""
    if own := os.environ.get("MILLSIM_CACHE_DIR"):
        return Path(own)
    if xdg := os.environ.get("XDG_CACHE_HOME"):
        return Path(xdg) / "millsim"
    return Path.home() / ".cache" / "millsim"


def open_folder(name: str) -> tuple[str | None, str]:
    """(The folder of this name in the per-user folder, made for the user alone, "") or (None, why it is not used)."""
    remedy = "MILLSIM_CACHE_DIR names another folder"
    try:
        base = base_folder()
    except RuntimeError:
        return None, f"there is no home folder; {remedy}"
    folder = base / name
    try:
        base.mkdir(mode=0o700, parents=True, exist_ok=True)
        folder.mkdir(mode=0o700, exist_ok=True)
        fault = _fault(folder.stat())
    except OSError as error:
        return None, f"cannot make {folder} ({_reason(error)}); {remedy}"
    if fault:
        return None, f"{folder} {fault}, and code put there would be run; remove it, or {remedy}"
    with contextlib.suppress(OSError):
        stale.join(folder)
    return str(folder), ""


@functools.cache
def _clear_others(folder: str) -> None:
    """Remove code that nobody uses any more, once code of new sources is kept."""
    with contextlib.suppress(OSError):
        stale.clear(Path(folder).parent, Path(folder))


def _fault(found: os.stat_result) -> str:
    """Why a file or folder cannot be trusted; "" where it can."""
    if not hasattr(os, "geteuid"):  # Windows: folders of a user are the user's alone
        return ""
    if found.st_uid != os.geteuid():
        return "belongs to another user"
    return "may be written by other users" if found.st_mode & 0o022 else ""


def read_whole(path: str) -> bytes | None:
    """What `write_whole` put there; None where there is nothing, or nothing that can be trusted; why is said."""
    code = f"compiled code in {Path(path).parent.parent}"  # not which: there are some hundred files of it
    try:
        with Path(path).open("rb") as file:
            if fault := _fault(os.fstat(file.fileno())):
                say(f"{code} {fault}, so it is not used; it is compiled anew.")
                return None
            content = file.read()
    except FileNotFoundError:
        return None
    except OSError as error:
        say(f"{code} cannot be read ({_reason(error)}); it is compiled anew.")
        return None
    if hashlib.sha256(content[_DIGEST:]).digest() != content[:_DIGEST]:
        say(f"{code} is damaged; what is, is compiled anew.")
        return None
    return content[_DIGEST:]


def write_whole(path: str, content: bytes) -> None:
    """Put content and checksum there in one step, for the user alone. Raises OSError, and then leaves nothing."""
    temporary = f"{path}.tmp.{secrets.token_hex(6)}"
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    try:
        with os.fdopen(os.open(temporary, flags, 0o600), "wb") as file:
            file.write(hashlib.sha256(content).digest() + content)
        Path(temporary).replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            Path(temporary).unlink()
        raise


@contextlib.contextmanager
def one_at_a_time(folder: str) -> Iterator[None]:
    """Hold the folder for a moment, where that can be had: two that keep code at once would forget one another's."""
    with (Path(folder) / "lock").open("w") as lock:
        give_up = time.monotonic() + _PATIENCE_S
        while fcntl is not None:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except OSError as error:
                if error.errno not in (errno.EAGAIN, errno.EACCES) or time.monotonic() > give_up:
                    break
            time.sleep(0.01)
        yield


class CodeFiles(caching.IndexDataCacheFile):
    """Numba's files for one function: an index, and one of code for each signature, which says what it is the code of.

    Another process may write a new index at any time, so a place in an old one may hold other code by now.
    """

    def save(self, key: Any, data: Any) -> None:
        """Keep the code of a signature."""
        super().save(key, (key, data))

    def load(self, key: Any) -> Any:
        """The code of a signature; None where it is not there."""
        found = super().load(key)
        return found[1] if found is not None and found[0] == key else None

    def _load_index(self) -> dict:
        content = read_whole(self._index_path)
        stamp, places = pickle.loads(content) if content is not None else (None, {})
        return places if stamp == self._source_stamp else {}

    def _save_index(self, overloads: dict) -> None:
        write_whole(self._index_path, self._dump((self._source_stamp, overloads)))

    def _load_data(self, name: str) -> Any:
        content = read_whole(self._data_path(name))
        return None if content is None else pickle.loads(content)

    def _save_data(self, name: str, data: Any) -> None:
        write_whole(self._data_path(name), self._dump(data))


class FunctionCache(caching.FunctionCache):
    """Numba's cache of one function on such files. folder: what is held while one process writes."""

    def __init__(self, function: Any, implementation: type[caching.CompileResultCacheImpl], folder: str):
        self._impl_class, self._folder = implementation, folder
        super().__init__(function)
        files = self._cache_file
        self._cache_file = CodeFiles(self._cache_path, self._impl.filename_base, files._source_stamp)

    def is_empty(self) -> bool:
        """Whether no code of the function has been kept, whole or damaged, for this machine or another."""
        return not Path(self._cache_file._index_path).exists()

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """Code that was kept; None, and the function is compiled anew, where there is none that is whole."""
        try:
            return super().load_overload(sig, target_context)
        except Exception as error:  # whole by its checksum, but written by something else
            say(f"compiled code in {self._folder} cannot be used ({type(error).__name__}); it is compiled anew.")
            return None

    def save_overload(self, sig: Any, data: Any) -> None:
        """Keep code for the next start, where it can be."""
        try:
            with one_at_a_time(self._folder):
                super().save_overload(sig, data)
            _clear_others(self._folder)
        except OSError as error:
            say_not_kept(f"cannot write to {self._folder} ({_reason(error)}); MILLSIM_CACHE_DIR names another folder")


class NotKept(caching.NullCache):
    """No cache: said once something has been compiled."""

    def __init__(self, why: str):
        self._why = why

    def save_overload(self, sig: Any, data: Any) -> None:
        """Tell why it is not kept."""
        say_not_kept(self._why)
