"""The decorators of every compiled function, and the cache folder that cannot go stale.

Numba's own cache is keyed by the file a function stands in, not by the functions and constants it uses from
other files: after editing a law, a cached kernel in another file would go on with the old one (numba issue
1833). So the cache folder here is named by a hash over all sources of the package and the versions that
compiled them; an edit opens a new folder. Without a writable folder nothing is cached, and all still works.
"""

import functools
import hashlib
import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import numba

_PACKAGE = Path(__file__).resolve().parent


def source_hash(package: Path = _PACKAGE) -> str:
    """Return 16 hex digits over the package's Python sources and the numba and Python versions.

    package: folder whose *.py and laws/*.py are read (names and contents, in sorted order).
    """
    digest = hashlib.sha256(f"{numba.__version__} {sys.version}".encode())
    for path in sorted([*package.glob("*.py"), *package.glob("laws/*.py")]):
        digest.update(f"\0{path.relative_to(package).as_posix()}\0".encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def _base_folder() -> Path:
    """The per-user cache folder: MILLSIM_CACHE_DIR, else XDG_CACHE_HOME/millsim, else ~/.cache/millsim."""
    if own := os.environ.get("MILLSIM_CACHE_DIR"):
        return Path(own)
    if xdg := os.environ.get("XDG_CACHE_HOME"):
        return Path(xdg) / "millsim"
    return Path.home() / ".cache" / "millsim"


def _writable_cache_folder() -> str | None:
    """Make the hashed folder and prove that it takes a file; None where it does not."""
    try:
        folder = _base_folder() / f"numba-{source_hash()}"
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except (OSError, RuntimeError):  # RuntimeError: no home folder
        return None
    return str(folder)


CACHE_FOLDER = _writable_cache_folder()


def _compile(function: Callable, **options) -> Callable:
    """numba.njit into our cache folder; numba's global setting is put back for other users of numba."""
    before = numba.config.CACHE_DIR
    numba.config.CACHE_DIR = CACHE_FOLDER or ""
    try:
        return numba.njit(cache=CACHE_FOLDER is not None, error_model="numpy", **options)(function)
    finally:
        numba.config.CACHE_DIR = before


def law(function: Callable) -> Callable:
    """Compile a physical law or small helper (cached, IEEE division, no fast-math)."""
    return _compile(function)


def kernel(function: Callable) -> Callable:
    """Compile a serial kernel that releases the GIL (same arithmetic as `law`)."""
    return _compile(function, nogil=True)


def parallel_kernel(function: Callable) -> Callable:
    """Compile a kernel whose `prange` loops run on all threads.

    Write only into rows owned by the loop index and reduce in a fixed order outside: then the answer is the
    same bit for bit for any number of threads.
    """
    return _compile(function, nogil=True, parallel=True)


@functools.lru_cache(maxsize=256)
def user_function(function: Callable) -> Callable:
    """Compile a caller's function without caching on disk (its sources are outside the hash)."""
    if hasattr(function, "py_func"):  # already a numba function
        return function
    return numba.njit(error_model="numpy")(function)
