"""The exponential without a library call, compiled (jit): loops over many sizes then do several at a time."""

from math import ldexp
from typing import Any

from numba import types
from numba.extending import intrinsic

from .jit import SETTINGS, law

_ROUND = 6755399441055744.0  # 1.5 * 2**52: a number added to it stands, rounded, in its last bits
_LN2_HIGH, _LN2_LOW = 0.693147180369123816490, 1.90821492927058770002e-10


def _plain_power(rounded):
    """2**n of a whole number n that was added to _ROUND: the last bits of it are n, shifted they are an exponent."""
    return ldexp(1.0, int(rounded - _ROUND))


def _power_by_bits(_typing, _rounded):
    def code(context, builder, _signature, arguments):
        whole, float_ = context.get_value_type(types.int64), context.get_value_type(types.float64)
        shift, bias = context.get_constant(types.int64, 52), context.get_constant(types.int64, 1023)
        bits = builder.shl(builder.add(builder.bitcast(arguments[0], whole), bias), shift)
        return builder.bitcast(bits, float_)

    return types.float64(types.float64), code


_power_of_two: Any = _plain_power if SETTINGS.DISABLE_JIT else intrinsic(_power_by_bits)


@law
def quick_exp(x):
    """exp(x) for x within -700 and 700, to the last bit or one more.

    Source: x = n ln 2 + r, ln 2 in two parts, and Taylor's series of exp(r) to r^12, |r| <= ln(2)/2 (derived).
    """
    rounded = x * 1.4426950408889634 + _ROUND
    n = rounded - _ROUND
    r = (x - n * _LN2_HIGH) - n * _LN2_LOW
    p = 1.0 / 39916800.0 + r * (1.0 / 479001600.0)
    p = 1.0 / 362880.0 + r * (1.0 / 3628800.0 + r * p)
    p = 1.0 / 5040.0 + r * (1.0 / 40320.0 + r * p)
    p = 1.0 / 120.0 + r * (1.0 / 720.0 + r * p)
    p = 1.0 / 6.0 + r * (1.0 / 24.0 + r * p)
    return (1.0 + r * (1.0 + r * (0.5 + r * p))) * _power_of_two(rounded)
