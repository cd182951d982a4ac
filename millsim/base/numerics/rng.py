"""Random numbers as a pure function of (seed, history, stream, counter).

No generator object and no shared state: a history can be replayed alone, run on any thread and in any order
with the same numbers. The mixer is the finaliser of SplitMix64 (G. L. Steele, D. Lea, C. H. Flood, "Fast
splittable pseudorandom number generators", OOPSLA 2014; constants "Mix13" of D. Stafford). As in that paper
each stream walks with its own odd increment, so two streams that touch do not run on together.
"""

from collections.abc import Callable

import numpy as np

from .jit import SETTINGS, law

_MASK = 0xFFFFFFFFFFFFFFFF


def _masked(value):
    """Plain Python: exact integers and a mask give the same bits as the machine's wrapping arithmetic."""
    return int(value) & _MASK


def _wrapped(value):
    return np.uint64(value)


_u64: Callable = _masked if SETTINGS.DISABLE_JIT else law(_wrapped)
_constant: Callable = int if SETTINGS.DISABLE_JIT else np.uint64

_ALL = _constant(_MASK)
_ONE = _constant(1)
_S11, _S27, _S30, _S31 = _constant(11), _constant(27), _constant(30), _constant(31)
_GOLDEN = _constant(0x9E3779B97F4A7C15)
_M1 = _constant(0xBF58476D1CE4E5B9)
_M2 = _constant(0x94D049BB133111EB)
_SALT = _constant(0xD1B54A32D192ED03)


@law
def _mix(z):
    """Scramble 64 bits one to one (Mix13)."""
    z = ((z ^ (z >> _S30)) * _M1) & _ALL
    z = ((z ^ (z >> _S27)) * _M2) & _ALL
    return z ^ (z >> _S31)


@law
def start(seed, history, stream):
    """Return the state (uint64) of one stream.

    seed, history, stream: signed 64-bit integers; each triple gives its own stream.
    """
    state = _mix((_u64(seed) + _GOLDEN) & _ALL)
    state = _mix(((state ^ _u64(history)) + _GOLDEN) & _ALL)
    return _mix(((state ^ ((_u64(stream) * _SALT) & _ALL)) + _GOLDEN) & _ALL)


@law
def uniform(state, counter):
    """Return a float in the open interval (0, 1): odd multiples of 2^-53.

    state: from `start`; counter: 0, 1, 2, ... (the caller counts its draws).
    Both ends are excluded by construction, so log(u) and log(1 - u) are finite. Call it from compiled code.
    """
    state = _u64(state)
    step = _GOLDEN ^ ((state << _ONE) & _ALL)  # odd, differs from stream to stream
    z = _mix((state + ((_u64(counter) * step) & _ALL)) & _ALL)
    return float((z >> _S11) | _ONE) * 1.1102230246251565e-16
