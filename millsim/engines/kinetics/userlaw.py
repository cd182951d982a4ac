"""A caller's law of size as both engines take it: any callable, and always as it reads now.

Numba takes whatever a function reads, a global, a closure cell, a default, an array, for a constant of its code. So
compiled code is kept by the values of all of these and made anew when one differs; a law that reads what cannot be
told to have stayed, such as an attribute of an object, is called in Python instead.
"""

import dis
import functools
import hashlib
import inspect
import math
import types
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from ...errors import InputError, Problem

AGREE = 1e-9  # relative: how far the compiled law may be from the law in Python at the sizes where both are tried


class Law:
    """One law: S(x), E(x), B(y, x) or F(x). Called, it gives a float or an InputError that names law and sizes."""

    def __init__(self, where: str, name: str, function: Callable | float, arity: int):
        self.where, self.name, self.arity = where, name, arity
        self.given: Callable = function if callable(function) else functools.partial(_constant, function)
        self.function = _as_it_reads(self.given, arity)
        self.failed: BaseException | None = None

    def __call__(self, *sizes: float) -> float:
        try:
            return float(self.function(*sizes))
        except InputError:
            raise
        except Exception as error:
            shown = ", ".join(f"{x:g}" for x in sizes)
            message = f"failed at {shown}: {type(error).__name__}: {error}"
            raise InputError(Problem(self.where, self.name, message)) from error

    def compiled(self, sizes: Sequence[float]) -> Callable | None:
        """Its code for the Monte Carlo kernels; None where there is none that gives the same at these sizes."""
        code = _compiled_as_it_reads(self.given, self.arity)
        tried = [(x,) for x in sizes] if self.arity == 1 else [(s * x, x) for x in sizes for s in (0.3, 0.9)]
        return code if code is not None and all(_alike(code, self, x) for x in tried) else None

    def called_back(self, laws: Sequence["Law"]) -> Any:
        """The law as a kernel calls it in Python; from the first failure of one of `laws` on it gives nan."""
        from ...base.numerics.jit import PythonFunction

        def value(*sizes):
            if any(law.failed for law in laws):
                return math.nan
            try:
                return self(*sizes)
            except BaseException as error:  # Ctrl-C too: there is nobody above who could catch it
                self.failed = error
                return math.nan

        return PythonFunction(value, self.arity)


def _constant(value, x):
    return value


def _alike(code: Callable, law: Law, sizes: tuple[float, ...]) -> bool:
    """Whether compiled code gives what the law gives in Python."""
    expected = law(*sizes)
    try:
        found = code(*sizes)
    except Exception:  # what a law raises
        return False
    return math.isclose(found, expected, rel_tol=AGREE, abs_tol=1e-300) or math.isnan(found) and math.isnan(expected)


def kernels_take(laws: Sequence[Law], sizes: Sequence[float]) -> list[Any]:
    """The laws for the Monte Carlo kernels: all compiled, or all called in Python, so that one that fails ends all."""
    from ...base.numerics.jit import SETTINGS

    if SETTINGS.DISABLE_JIT:
        return list(laws)
    found = [code for law in laws if (code := law.compiled(sizes)) is not None]
    return found if len(found) == len(laws) else [law.called_back(laws) for law in laws]


# --- what a function reads -------------------------------------------------------------------------------------


class _NotKnownError(Exception):
    """It reads something whose value cannot be told to have stayed."""


@dataclass(frozen=True)
class _Reading:
    """A plain function, the values it reads, and those it is called with before and after the sizes."""

    key: tuple
    function: types.FunctionType = field(compare=False)
    before: tuple = field(compare=False)
    after: tuple = field(compare=False)


def _as_it_reads(function: Callable, arity: int) -> Callable:
    """A callable in which whatever numba had compiled is Python again, for compiled code keeps what it once read."""
    try:
        reading = _read(function, arity)
    except _NotKnownError:
        return getattr(function, "py_func", function)
    plain, before, after = _rebuilt(reading.function, _plain), reading.before, reading.after
    return (lambda *sizes: plain(*before, *sizes, *after)) if before or after else plain


def _compiled_as_it_reads(function: Callable, arity: int) -> Callable | None:
    """Compiled code of a function with the values that it reads now; None where numba or this module cannot tell."""
    try:
        return _compiled(_read(function, arity), arity)
    except _NotKnownError:
        return None


@functools.lru_cache(maxsize=256)
def _compiled(reading: _Reading, arity: int) -> Callable | None:
    """Code by all that it is made of; None where numba cannot compile it."""
    import numba

    from ...base.numerics.jit import user_function

    inner: Any = _rebuilt(reading.function, _code)
    before, after = reading.before, reading.after
    try:
        if not before and not after:
            return user_function(inner, arity)
        inner = numba.njit(error_model="numpy")(inner)
        if arity == 1:
            return user_function(lambda x: inner(*(before + (x,) + after)), 1)
        return user_function(lambda y, x: inner(*(before + (y, x) + after)), 2)
    except Exception:  # numba raises errors of many kinds about code that it does not know
        return None


def _read(function: Any, arity: int) -> _Reading:
    """What a callable of `arity` sizes reads: partials, methods and defaults become values beside a plain function."""
    before: tuple = ()
    named: dict[str, Any] = {}
    while not isinstance(function, types.FunctionType):
        if isinstance(function, functools.partial):
            function, before, named = function.func, (*function.args, *before), {**function.keywords, **named}
        elif isinstance(function, types.MethodType):
            function, before = function.__func__, (function.__self__, *before)
        elif hasattr(function, "py_func"):
            function = function.py_func
        else:
            raise _NotKnownError
    values = _further(function, len(before) + arity, named)
    key = (_key(before, ()), _key(values, ()), _key(function, ()))
    return _Reading(key, function, before, values)


def _further(function: types.FunctionType, taken: int, named: dict) -> tuple:
    """Values of the parameters behind the first `taken`: from their names, or the defaults."""
    parameters = list(inspect.signature(function).parameters.values())[taken:]
    if any(p.kind is not p.POSITIONAL_OR_KEYWORD for p in parameters):
        raise _NotKnownError
    values = tuple(named.get(p.name, p.default) for p in parameters)
    if set(named) - {p.name for p in parameters} or any(v is inspect.Parameter.empty for v in values):
        raise _NotKnownError
    return values


def _key(value: Any, within: tuple) -> Any:
    """A value that equals another's only where numba would make the same code of both."""
    if isinstance(value, bool | int | float | complex | str | bytes | None):
        return type(value).__name__, repr(value)
    if isinstance(value, np.generic | np.ndarray) and not value.dtype.hasobject:
        return str(value.dtype), value.shape, hashlib.sha256(value.tobytes()).digest()
    if type(value) is tuple:
        return tuple(_key(v, within) for v in value)
    if isinstance(value, types.BuiltinFunctionType | np.ufunc) or _of_numbers(value):
        return value
    value = getattr(value, "py_func", value)
    if isinstance(value, types.FunctionType) and value not in within and not value.__kwdefaults__:
        read = _names_read(value)
        kept = [_key(v, (*within, value)) for v in read.values()]
        return value.__code__, tuple(read), tuple(kept), _key(value.__defaults__ or (), within)
    raise _NotKnownError


def _of_numbers(value: Any) -> bool:
    """Whether this is a function or type of numpy, of math or of Python itself: these stay as they are."""
    root = str(getattr(value, "__module__", "")).partition(".")[0]
    return callable(value) and root in ("numpy", "math", "builtins")


def _names_read(function: types.FunctionType) -> dict[str, Any]:
    """Globals, attributes of modules and closure cells that a function reads, by name."""
    if _used(function.__code__, "STORE_GLOBAL") or _used(function.__code__, "STORE_DEREF") & {
        *function.__code__.co_freevars
    }:
        raise _NotKnownError  # it writes what others may read
    read: dict[str, Any] = {}
    scope, attributes = function.__globals__, _used(function.__code__, "LOAD_ATTR", "LOAD_METHOD")
    for name in _used(function.__code__, "LOAD_GLOBAL") & set(scope):
        read |= _of_module(name, scope[name], attributes)
    for name, cell in zip(function.__code__.co_freevars, function.__closure__ or (), strict=True):
        try:
            read |= _of_module(name, cell.cell_contents, attributes)
        except ValueError:  # an empty cell
            raise _NotKnownError from None
    return dict(sorted(read.items()))


def _used(code: types.CodeType, *operations: str) -> set[str]:
    """Names that a code and the functions inside it use in one of these operations."""
    own = {str(i.argval) for i in dis.get_instructions(code) if i.opname in operations}
    return own.union(*(_used(c, *operations) for c in code.co_consts if isinstance(c, types.CodeType)))


def _of_module(name: str, value: Any, names: set[str]) -> dict[str, Any]:
    """A value by name; of a module, what of it may be read instead: a function in another's module is not ours."""
    if not isinstance(value, types.ModuleType):
        return {name: value}
    found: dict[str, Any] = {}
    for part in names:
        inner = getattr(value, part, None)
        if isinstance(inner, types.FunctionType) and not _of_numbers(inner) or hasattr(inner, "py_func"):
            raise _NotKnownError
        if inner is not None and inner is not value:
            found |= _of_module(f"{name}.{part}", inner, names)
    return found


def _rebuilt(function: types.FunctionType, callee: Callable) -> types.FunctionType:
    """The function with what it reads as it is now, and `callee` of the functions among it."""
    scope = {name: callee(function.__globals__[name])
             for name in _used(function.__code__, "LOAD_GLOBAL") & set(function.__globals__)}  # fmt: skip
    cells = tuple(types.CellType(callee(cell.cell_contents)) for cell in function.__closure__ or ())
    scope["__builtins__"] = function.__globals__.get("__builtins__")
    return types.FunctionType(function.__code__, scope, function.__name__, function.__defaults__, cells or None)


def _plain(value: Any) -> Any:
    """A function that another calls, in Python; any other value as it is."""
    plain = getattr(value, "py_func", value)
    return _rebuilt(plain, _plain) if isinstance(plain, types.FunctionType) and not _of_numbers(value) else value


def _code(value: Any) -> Any:
    """A function that another calls, for numba; any other value as it is."""
    import numba

    plain = getattr(value, "py_func", value)
    if isinstance(plain, types.FunctionType) and not _of_numbers(value):
        return numba.njit(error_model="numpy")(_rebuilt(plain, _code))
    return value
