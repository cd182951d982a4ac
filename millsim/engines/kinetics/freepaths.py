"""Monte Carlo of mass walking down in size: any rates, no mill. Compiled kernels behind `kinetics`.

A history is one speck of mass. It sits in a particle of size x; the particle breaks at the rate S(x) and
leaves at E(x); on breakage the speck is found in a daughter no larger than y with probability B(y, x), the
mass share. Following that one daughter is unbiased for every mass-weighted quantity and needs no memory of
the others. Histories run in blocks of a fixed size, each block writing its own rows: the same answer for any
number of threads.
"""

import math

import numba
import numpy as np
from numba import types

from ...base.numerics.jit import function_type, law, parallel_kernel, routine
from ...base.numerics.rng import start, uniform

BLOCK = 256  # histories per block
BLOCKS_PER_CALL = 64  # a call lasts well under a second, so that Ctrl-C works
MAX_EVENTS = 1_000_000  # per history
FEED_SINGLE, FEED_CLASSES, FEED_CDF = 0, 1, 2

# What went wrong in a block.
OK, BAD_RATE, ENDLESS, NEVER_LEAVES = 0, 1, 2, 3


@law
def invert(B, u, x):
    """Return y in (0, x] with B(y, x) = u, by Chandrupatla's bracketed inverse quadratic steps.

    B: rising in y with B(x, x) = 1. Relative accuracy 1e-14; where B jumps it is the very size at which it does, for
    other laws may jump there too.
    (T. R. Chandrupatla, Adv. Eng. Softw. 28 (1997) 145; from memory.)
    """
    a, fa, b, fb = x, 1.0 - u, 0.0, -u
    c, fc, t = a, fa, 0.5
    for _ in range(400):
        y = a + t * (b - a)
        f = B(y, x) - u
        if (f > 0.0) == (fa > 0.0):
            c, fc = a, fa
        else:
            c, b, fc, fb = b, a, fb, fa
        a, fa = y, f
        best = a if abs(fa) < abs(fb) else b
        width = abs(b - a)
        if fa == 0.0 or width <= 1e-14 * best or max(a, b) < 1e-18 * x:
            break
        limit = 0.5e-14 * best / width
        xi, phi = (a - b) / (c - b), (fa - fb) / (fc - fb)
        t = 0.5
        if phi * phi < xi and (1.0 - phi) * (1.0 - phi) < 1.0 - xi:
            t = fa / (fb - fa) * fc / (fb - fc) + (c - a) / (b - a) * fa / (fc - fa) * fb / (fc - fb)
        t = min(max(t, limit), 1.0 - limit)
    if fa == 0.0:
        return a
    low, high = min(a, b), max(a, b)
    middle = 0.5 * (low + high)
    while abs(fb - fa) > 1e-9 and low < middle < high:
        if B(middle, x) < u:
            low = middle
        else:
            high = middle
        middle = 0.5 * (low + high)
    return high


@law
def place_of(edges, x):
    """Return the class of a size: 0 below edges[0]; a size that rounding has put just above an edge is at it."""
    return np.searchsorted(edges, x * (1.0 - 1e-12))


@law
def feed_size(mode, u, single, edges, cumulative, F):
    """Return a feed size at the share u: a single size, log-uniform inside classes, or F(x) = u inverted."""
    if mode == FEED_SINGLE:
        return single
    if mode == FEED_CLASSES:
        i = min(max(np.searchsorted(cumulative, u, side="right") - 1, 0), edges.size - 2)
        share = cumulative[i + 1] - cumulative[i]
        t = (u - cumulative[i]) / share if share > 0.0 else 1.0
        return edges[i] * (edges[i + 1] / edges[i]) ** t
    low, high = 0.0, edges[-1]
    for _ in range(200):
        middle = 0.5 * (low + high)
        if not low < middle < high:
            break
        if F(middle) < u:
            low = middle
        else:
            high = middle
    return high


@routine
def batch_history(
    seed, history, S, B, E, mode, single, edges, cumulative, F, feeding, times, power, charge, product, number
):
    """Follow one speck, that comes in at any time of the feeding, through the times; add to the block's tallies.

    Returns a status.
    """
    state, draws, clock, k = start(seed, history, 0), 1, 0.0, 0
    x = feed_size(mode, uniform(state, 0), single, edges, cumulative, F)
    if feeding > 0.0:
        clock = feeding * uniform(state, 1)
        draws = 2
    while k < times.size and times[k] < clock:
        k += 1
    for _ in range(MAX_EVENTS):
        breaking, leaving = S(x), E(x)
        rate = breaking + leaving
        if not (breaking >= 0.0 and leaving >= 0.0 and rate < math.inf):
            return BAD_RATE
        if rate > 0.0:
            clock -= math.log(uniform(state, draws)) / rate
            draws += 1
        else:
            clock = math.inf
        here = place_of(edges, x)
        while k < times.size and times[k] < clock:
            charge[k, here] += 1
            if power > 0.0:
                number[k, 0] += x**-power
                number[k, 1] += x ** (-2.0 * power)
            k += 1
        if k == times.size:
            return OK
        if leaving > 0.0:
            draws += 1
            if uniform(state, draws - 1) * rate < leaving:
                product[k:, here] += 1
                return OK
        x = invert(B, uniform(state, draws), x)
        draws += 1
    return ENDLESS


@law
def steady_history(seed, history, S, B, E, mode, single, edges, cumulative, F, tanks, dwell, product):
    """Follow one speck from feed to exit; write its mean dwell time by class; return a status."""
    state, draws, tank = start(seed, history, 0), 1, 0
    x = feed_size(mode, uniform(state, 0), single, edges, cumulative, F)
    for _ in range(MAX_EVENTS):
        breaking, leaving = S(x), E(x)
        rate = breaking + leaving
        if not (breaking >= 0.0 and leaving >= 0.0 and rate < math.inf):
            return BAD_RATE
        if rate == 0.0:
            return NEVER_LEAVES
        here = place_of(edges, x)
        dwell[here] += 1.0 / rate  # the expected dwell: same mean as the drawn one, less scatter
        if uniform(state, draws) * rate < leaving:
            tank += 1
            if tank == tanks:
                product[here] += 1
                return OK
        else:
            x = invert(B, uniform(state, draws + 1), x)
        draws += 2
    return ENDLESS


_floats, _counts = types.float64[::1], types.int64[:, ::1]
_FEED = (types.int64, types.float64, _floats, _floats, function_type(1))
_LAWS = (function_type(1), function_type(2), function_type(1))


def _batch_blocks(seed, first, last, S, B, E, mode, single, edges, cumulative, F, feeding, times, power):
    n_blocks = (last - first + BLOCK - 1) // BLOCK
    charge = np.zeros((n_blocks, times.size, edges.size + 1), np.int64)
    product = np.zeros((n_blocks, times.size, edges.size + 1), np.int64)
    number = np.zeros((n_blocks, times.size, 2))
    status = np.zeros(n_blocks, np.int64)
    for block in numba.prange(n_blocks):
        begin = first + block * BLOCK
        for history in range(begin, min(begin + BLOCK, last)):
            outcome = batch_history(
                seed, history, S, B, E, mode, single, edges, cumulative, F, feeding, times, power,
                charge[block], product[block], number[block],
            )  # fmt: skip
            status[block] = max(status[block], outcome)
    return charge, product, number, status


batch_blocks = parallel_kernel(
    _batch_blocks,
    types.Tuple((types.int64[:, :, ::1], types.int64[:, :, ::1], types.float64[:, :, ::1], types.int64[::1]))(
        types.int64, types.int64, types.int64, *_LAWS, *_FEED, types.float64, _floats, types.float64
    ),
)


def _steady_blocks(seed, first, last, S, B, E, mode, single, edges, cumulative, F, tanks):
    n_blocks, n = (last - first + BLOCK - 1) // BLOCK, edges.size + 1
    product = np.zeros((n_blocks, n), np.int64)
    sums = np.zeros(
        (n_blocks, 4, n)
    )  # dwell up to each edge c: c, c^2, c times the total; dwell in each class, squared
    status = np.zeros(n_blocks, np.int64)
    for block in numba.prange(n_blocks):
        begin, dwell = first + block * BLOCK, np.zeros(n)
        for history in range(begin, min(begin + BLOCK, last)):
            dwell[:] = 0.0
            outcome = steady_history(
                seed, history, S, B, E, mode, single, edges, cumulative, F, tanks, dwell, product[block]
            )
            status[block] = max(status[block], outcome)
            for i in range(n):
                sums[block, 3, i] += dwell[i] * dwell[i]
            for i in range(1, n):
                dwell[i] += dwell[i - 1]
            for i in range(n):
                sums[block, 0, i] += dwell[i]
                sums[block, 1, i] += dwell[i] * dwell[i]
                sums[block, 2, i] += dwell[i] * dwell[n - 1]
    return product, sums, status


steady_blocks = parallel_kernel(
    _steady_blocks,
    types.Tuple((_counts, types.float64[:, :, ::1], types.int64[::1]))(
        types.int64, types.int64, types.int64, *_LAWS, *_FEED, types.int64
    ),
)
