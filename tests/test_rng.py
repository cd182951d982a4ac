"""Random streams: uniform, independent, a pure function of their key, the same without the compiler."""

import os
import subprocess
import sys

import numba
import numpy as np
import pytest
from lazily import later

from millsim.base.numerics.jit import law, source_hash
from millsim.base.numerics.rng import start, uniform

stats = later("scipy.stats")

pytestmark = pytest.mark.skipif(numba.config.DISABLE_JIT, reason="millions of draws need the compiler")
N = 400_000


@law
def along_counter(seed, history, stream, n):
    out = np.empty(n)
    state = start(seed, history, stream)
    for i in range(n):
        out[i] = uniform(state, i)
    return out


@law
def along_history(seed, stream, counter, n):
    out = np.empty(n)
    for i in range(n):
        out[i] = uniform(start(seed, i, stream), counter)
    return out


@pytest.mark.parametrize(("seed", "stream", "fixed"), [(3, 0, None), (3, 0, 7), (-1, 2, 0)])
def test_uniform_on_the_open_interval(seed, stream, fixed):
    draws = along_counter(seed, 0, stream, N) if fixed is None else along_history(seed, stream, fixed, N)
    assert stats.kstest(draws, "uniform").pvalue > 1e-3
    assert draws.min() > 0.0 and draws.max() < 1.0
    chi2 = stats.chisquare(np.bincount((draws * 256).astype(int), minlength=256)).pvalue
    assert 1e-3 < chi2 < 1 - 1e-3


def test_ends_are_excluded_by_construction():
    # The largest and smallest values the last line of `uniform` can give.
    assert float((2**53 - 1) | 1) * 2.0**-53 < 1.0 and float(0 | 1) * 2.0**-53 > 0.0
    assert 1.1102230246251565e-16 == 2.0**-53


@pytest.mark.parametrize("lag", [1, 2, 5, 64])
def test_no_serial_correlation(lag):
    for u in (along_counter(9, 4, 1, N), along_history(9, 1, 4, N)):
        assert abs(np.corrcoef(u[:-lag], u[lag:])[0, 1]) < 4 / np.sqrt(N)


def test_neighbouring_keys_are_independent():
    base = along_history(1, 0, 0, N)
    others = (along_history(2, 0, 0, N), along_history(1, 1, 0, N), along_history(1, 0, 1, N))
    for other in others:
        assert abs(np.corrcoef(base, other)[0, 1]) < 4 / np.sqrt(N)
        # Joint distribution on a 16 x 16 board, not only the linear part.
        cells = (base * 16).astype(int) * 16 + (other * 16).astype(int)
        assert stats.chisquare(np.bincount(cells, minlength=256)).pvalue > 1e-3


def test_exchanged_keys_differ():
    keys = [(a, b, c) for a in range(6) for b in range(6) for c in range(6)]
    assert len({int(start(*k)) for k in keys}) == len(keys)


PURE = """
import numba
from millsim.base.numerics.rng import start, uniform
draw = numba.njit(lambda seed, history, stream, i: uniform(start(seed, history, stream), i))
keys = [(0, 0, 0), (7, 3, 1), (-1, 2**40, 5), (2**63 - 1, 1, 2)]
print([float(draw(*k, i)).hex() for k in keys for i in (0, 1, 2, 10**9)])
"""


def test_same_bits_without_compiler():
    def run(off):
        env = {**os.environ, "NUMBA_DISABLE_JIT": off}
        command = [sys.executable, "-W", "error", "-c", PURE]
        return subprocess.run(command, env=env, capture_output=True, text=True, check=True).stdout

    on = run("0")
    assert run("1") == on
    # Pinned: a change of the mixer changes every stored result and must be meant.
    assert on.startswith("['0x1.") and along_counter(7, 3, 1, 1)[0] == 0.17868180984823467


def test_cache_folder_follows_sources(tmp_path):
    (tmp_path / "laws").mkdir()
    (tmp_path / "laws" / "a.py").write_text("from ..jit import law\nK = 2\n")
    (tmp_path / "plots.py").write_text("print('no compiled code here')\n")
    first = source_hash(tmp_path)
    (tmp_path / "laws" / "a.py").write_text("from ..jit import law\nK = 3\n")
    assert source_hash(tmp_path) != first


def test_works_without_a_writable_cache(tmp_path):
    (tmp_path / "file").write_text("not a folder")
    env = {**os.environ, "MILLSIM_CACHE_DIR": str(tmp_path / "file" / "below")}
    code = "from millsim.base.numerics import jit, rng; print(jit.CACHE_FOLDER, rng.uniform(rng.start(7, 3, 1), 0))"
    command = [sys.executable, "-W", "error", "-c", code]
    run = subprocess.run(command, env=env, capture_output=True, text=True)
    assert run.returncode == 0, run.stderr
    assert run.stdout.startswith("None 0.17868180984823467")
    (line,) = run.stderr.splitlines()
    assert line.startswith("Note: compiled code is not kept")
