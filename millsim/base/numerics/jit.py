"""The decorators of every compiled function, and the cache folder that cannot go stale.

Numba's own cache is keyed by the file a function stands in, not by the functions and constants it uses from
other files: after editing a law, a cached kernel in another file would go on with the old one (numba issue
1833). So the cache folder here is named by a hash over all sources of the package and the versions that
compiled them; an edit opens a new folder, and copies of the same sources elsewhere share it. Without a folder that
can be used nothing is kept, and all still works (`kept.py`).
"""

import ctypes
import functools
import hashlib
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numba
import numpy as np
from numba import types
from numba.core import caching
from numba.core.registry import CPUDispatcher

from . import kept

SETTINGS: Any = numba.config  # its names are made as it is imported
TRIED = ("0.68",)  # versions of numba whose inside is as `inner` has it: add one when all tests pass with it
_PACKAGE = Path(__file__).resolve().parents[2]


def fits(version: str) -> bool:
    """Whether laws are compiled by `inner` with that version of numba; else slower, as numba does it."""
    return any(version.startswith(f"{known}.") for known in TRIED)


def source_hash(package: Path = _PACKAGE) -> str:
    """Return 16 hex digits over the package's compiled sources and the numba and Python versions.

    package: folder whose *.py are read, at any depth (names and contents, in sorted order); only those that
    speak of `jit` count, so that an edit of a plot or a message compiles nothing anew.
    """
    digest = hashlib.sha256(f"{numba.__version__} {sys.version}".encode())
    for path in sorted(package.rglob("*.py")):
        content = path.read_bytes()
        if b"jit" in content:
            digest.update(f"\0{path.relative_to(package).as_posix()}\0".encode())
            digest.update(content)
    return digest.hexdigest()[:16]


CACHE_FOLDER, _WHY_NOT_KEPT = kept.open_folder(f"numba-{source_hash()}")


class _Place(caching._CacheLocator):
    """Where the code of a function is kept: by the place of its file in the package, not on this disk."""

    def __init__(self, function: Callable, file: str):
        self._file, self._line = Path(file), function.__code__.co_firstlineno

    @classmethod
    def from_function(cls, function: Callable, file: str):
        """The place, where there are a folder and a file; else None, which numba takes for "not here"."""
        return cls(function, file) if CACHE_FOLDER is not None and Path(file).exists() else None

    def get_cache_path(self) -> str:
        """The folder, the same for every copy of the package."""
        parent = self._file.parent
        own = parent.relative_to(_PACKAGE).parts if parent.is_relative_to(_PACKAGE) else parent.parts[1:]
        return str(Path(CACHE_FOLDER or "", "_".join(own) or "top"))

    def ensure_cache_path(self) -> None:
        """Make the folder, for the user alone."""
        Path(self.get_cache_path()).mkdir(mode=0o700, exist_ok=True)

    def get_source_stamp(self) -> str:
        """Of the file's content: that of all others is in the name of the cache folder."""
        return hashlib.sha256(self._file.read_bytes()).hexdigest()

    def get_disambiguator(self) -> str:
        """Two functions of one name stand in different lines."""
        return str(self._line)


class _Code(caching.CompileResultCacheImpl):
    _locator_classes = [_Place]


if fits(numba.__version__):
    from .inner import InnerCode, InnerCompiler

    class _CodeOfLaw(InnerCode):
        _locator_classes = [_Place]

    OF_LAWS: tuple[type[caching.CompileResultCacheImpl], dict[str, Any]] = _CodeOfLaw, {"pipeline_class": InnerCompiler}
else:
    OF_LAWS = _Code, {"_nrt": True}


class _PlaceForPython(_Place):
    def get_disambiguator(self) -> str:
        """Apart from the code of the same function that only compiled code can call."""
        return f"{super().get_disambiguator()}-python"


class _CodeForPython(caching.CompileResultCacheImpl):
    _locator_classes = [_PlaceForPython]


class _Law(CPUDispatcher):
    """A law that compiled code calls. What unpacks Python's values for it takes a fifth of all compiling, and is
    compiled, with the law once more, where Python does call it.
    """

    @functools.cached_property
    def for_python(self) -> Any:
        """The same once more, that Python can call."""
        return _compile(self.py_func, _CodeForPython)

    def __call__(self, *args: Any) -> Any:
        try:
            return self.for_python(*args)
        except numba.TypingError:  # asked for arrays, of which the laws it is made of hand none to compiled code
            return self.py_func(*args)


class _Row(np.void):  # type: ignore[misc]
    """A record whose fields are read by name as compiled code reads them, also those that numpy calls otherwise."""

    def __getattribute__(self, name: str) -> Any:
        try:
            return self[name]
        except (ValueError, IndexError):
            return super().__getattribute__(name)

    def __setattr__(self, name: str, value: Any) -> None:
        self[name] = value


def record(fields: list[tuple]) -> np.dtype:
    """The type of records that compiled code reads as `r.name`; so does Python where nothing is compiled.

    fields: as of numpy.dtype.
    """
    return np.dtype((_Row, fields)) if SETTINGS.DISABLE_JIT else np.dtype(fields)


def _compile(function: Callable, code: type[caching.CompileResultCacheImpl] = _Code, **options) -> Callable:
    """numba.njit with the cache of this package."""
    options = {"error_model": "numpy", "no_cfunc_wrapper": True, "_nrt": True, **options}  # else as the caller's are
    made: Any = numba.njit(**options)(function)
    if not SETTINGS.DISABLE_JIT:
        made._cache = kept.FunctionCache(function, code, CACHE_FOLDER) if CACHE_FOLDER else kept.NotKept(_WHY_NOT_KEPT)
    return made


def _compile_inner(function: Callable, **options) -> Callable:
    """The same for what compiled code calls, and Python seldom."""
    code, more = OF_LAWS
    made: Any = _compile(function, code, no_cpython_wrapper=True, **{**options, **more})
    if not SETTINGS.DISABLE_JIT:
        made.__class__ = _Law
    return made


def law(function: Callable) -> Callable:
    """Compile a physical law or small helper (cached, IEEE division, no fast-math).

    It makes no arrays, so nobody counts who uses those that it is handed: a quarter of the time of a loop of laws.
    """
    return _compile_inner(function, _nrt=False)


def routine(function: Callable) -> Callable:
    """Compile what makes arrays of its own, and is else as a law."""
    return _compile_inner(function)


def kernel(function: Callable) -> Callable:
    """Compile a serial kernel that releases the GIL (same arithmetic as `law`)."""
    return _compile(function, nogil=True)


def parallel_kernel(function: Callable, signature=None) -> Callable:
    """Compile a kernel whose `prange` loops run on all threads.

    Write only into rows owned by the loop index and reduce in a fixed order outside: then the answer is the
    same bit for bit for any number of threads. signature: numba types of result and arguments, needed where
    an argument is a function (`user_function`); it is then compiled at once, not at the first call.
    """
    made: Any = _compile(function, nogil=True, parallel=True)
    if signature is not None and not SETTINGS.DISABLE_JIT:
        made.compile(signature)
        made.disable_compile()
    return made


def lacks_code(function: Any) -> bool:
    """Whether a compiled function has no code yet, here or on the disk, and what is compiled of it will be kept."""
    cache = getattr(function, "_cache", None)
    return isinstance(cache, kept.FunctionCache) and cache.is_empty() and not function.overloads


def for_python(function: Any) -> Any:
    """What is compiled of a law, or of a kernel, where Python calls it."""
    return function.for_python if isinstance(function, _Law) else function


def function_type(arity: int):
    """The numba type of a function of `arity` floats to a float: what a kernel's signature calls it."""
    return types.FunctionType(types.float64(*[types.float64] * arity))


def user_function(function: Callable, arity: int) -> Callable:
    """Compile a caller's function of `arity` floats so that a cached kernel can be handed it as an argument.

    Compiled anew at each call: what the function reads is a constant of its code. Raises what numba raises.
    """
    if SETTINGS.DISABLE_JIT:
        return function
    return numba.njit(types.float64(*[types.float64] * arity), error_model="numpy")(function)


class PythonFunction(types.WrapperAddressProtocol):
    """A function of floats that a kernel calls back in Python, for what numba cannot compile: the same, slower.

    function: must not raise, for there is nobody to catch it.
    """

    def __init__(self, function: Callable, arity: int):
        self._signature = types.float64(*[types.float64] * arity)
        self._callback = ctypes.CFUNCTYPE(ctypes.c_double, *[ctypes.c_double] * arity)(function)

    def __wrapper_address__(self) -> int:
        return int(ctypes.cast(self._callback, ctypes.c_void_p).value or 0)

    def signature(self):
        """What it takes and gives."""
        return self._signature
