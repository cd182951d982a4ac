"""The Monte Carlo engine against the bare cost of its random numbers, logarithms and exponentials.

The bare loop draws the same uniforms with the same generator for the same events in the same proportions: per
event the logarithm of the waiting time and the draw of its kind; per bar hit the power of the obliquity, two
tests and the pin; the exponential of the breakage law for hits above the threshold; per sieve try of a piece
that fits the hole one to three draws and, where they are needed, the power of the skim ratio. No table, size
class, tally or law is in it, and nothing of the size change. Its shares are those of the run itself.

It is run twice: for all that happens to a gram, as the laws tell it, and for what the engine draws of it. The engine
leaves out wall contacts at which no piece of that size could pass, and the waits of a steady state.
"""

import os
import resource
import sys
import time
import tracemalloc
from math import exp, log

import numba
import numpy as np
from common import DEMO, row, show

from millsim.base.numerics.jit import kernel
from millsim.base.numerics.rng import start, uniform
from millsim.engines import montecarlo
from millsim.engines.histories import BLOCK, BY_SIZE, EXITS, TRIES
from millsim.forecast.outcome import solve
from millsim.mill.chamber import C_EXPONENT
from millsim.mill.config.mill import load_config
from millsim.mill.problem import build

HISTORIES = 4096
CALL_BLOCKS = 16  # blocks per compiled call
ROUNDS = 15
QUIET = 0.9  # share of two processors that two threads must have had for a round to count
PATIENCE = 60.0  # s to wait for rounds in which other processes leave both processors alone
SHARES = np.dtype(
    [(n, "f8") for n in "strike nip hopeless chips above_c breaks pin pin_above pin_breaks luck slow".split()]
)


@kernel
def bare(history, events, p):
    """Draw `events` events and nothing else; return a sum that keeps the compiler from dropping them."""
    stream, total, n = start(1, history, 0), 0.0, 0
    for _ in range(events):
        total -= log(uniform(stream, n))
        pick = uniform(stream, n + 1)
        n += 2
        if pick < p.strike:
            c = uniform(stream, n) ** C_EXPONENT
            if uniform(stream, n + 1) < p.chips:
                total += 1.0
            survive = exp(-c) if c > p.above_c else 1.0
            if uniform(stream, n + 2) < p.breaks:
                total += uniform(stream, n + 3)
                n += 1
            n += 3
            if uniform(stream, n) < p.pin:
                u = uniform(stream, n + 1)
                survive += exp(-u) if u < p.pin_above else 1.0
                if uniform(stream, n + 2) < p.pin_breaks:
                    total += uniform(stream, n + 3)
                    n += 1
                n += 2
            n += 1
            total += survive
        elif pick < p.nip:
            total += uniform(stream, n)
            n += 1
        elif pick >= p.hopeless:  # a try of a piece that fits
            if uniform(stream, n + 2) < p.luck:
                total += 1.0 if uniform(stream, n) < p.slow else 10.0 ** uniform(stream, n + 1)
            n += 3
    return total


def shares(problem, outcome, tally, all_tries: bool = True) -> tuple[np.ndarray, float]:
    """The proportions of a run for the bare loop (1,) SHARES, and its events per history.

    all_tries: every wall contact is one of them; else those alone that have a chance, however little, to pass.
    """
    f, m = tally.flows, problem.mill[0]
    tries = tally.by_size[:, TRIES]
    z = m["shape"] * problem.x / m["hole"]
    opened = m["sieve_factor"] * m["open_share"] * m["usable_open"] * float(outcome.state["unblinded"])
    luck = np.where(z < 1.0, np.maximum(0.0, 1.0 - z) ** 2 * min(1.0, opened), 0.0)
    drawn = tries[z < 1.0].sum()
    airborne = max(0.0, tally.by_size[:, EXITS].sum() - (tries * luck).sum())
    chances = (tries * luck).sum()
    events = f["bar_hits"] + f["nips"] + (f["tries"] if all_tries else chances) + airborne
    p = np.zeros(1, SHARES)
    p["strike"] = f["bar_hits"] / events
    p["nip"] = p["strike"] + f["nips"] / events
    p["hopeless"] = p["nip"] + ((f["tries"] - drawn) / events if all_tries else 0.0)
    p["chips"] = f["chips"] / f["bar_hits"]
    p["above_c"] = (1.0 - f["bar_above"] / f["bar_hits"]) ** C_EXPONENT
    p["breaks"] = f["bar_fractures"] / f["bar_hits"]
    p["pin"] = f["pin_hits"] / f["bar_hits"]
    p["pin_above"] = f["pin_above"] / f["pin_hits"]
    p["pin_breaks"] = f["pin_fractures"] / f["pin_hits"]
    p["luck"] = chances / drawn if all_tries else 1.0
    p["slow"] = m["slow_share"]
    return p, events


class Runs:
    """The demo mill at capacity; every compiled call is timed, and each call's shortest time counts."""

    def __init__(self):
        self.problem = build(load_config(DEMO))
        self.outcome = solve(self.problem, None)
        self.tally = self.run(2 * BLOCK)

    def run(self, histories: int, x50_error: float = 0.0, progress=None) -> montecarlo.Tally:
        """One run with seed 1."""
        p = self.problem
        return montecarlo.run(
            p.mill, self.outcome.steps, p.edges, p.feed_curve, histories, 1, x50_error, progress, CALL_BLOCKS
        )

    def calls(self, threads: int) -> np.ndarray:
        """Seconds of every call of a run of HISTORIES, tables and sums included."""
        numba.set_num_threads(threads)
        stamps = [time.perf_counter()]
        self.tally = self.run(HISTORIES, progress=lambda _: stamps.append(time.perf_counter()))
        return np.diff(stamps)


def speed_rows(runs: Runs) -> list[dict]:
    """Events per second, against the bare loop, and on two threads; all taken in turns."""
    runs.calls(1)
    loops = [shares(runs.problem, runs.outcome, runs.tally, all_tries) for all_tries in (True, False)]
    bare(0, 10, loops[0][0][0])
    pieces = runs.calls(1).size
    threads = min(2, os.cpu_count() or 1, numba.config.NUMBA_NUM_THREADS)
    one, two, busy, plain = [], [], [], [np.inf, np.inf]
    begin = time.perf_counter()
    while len(one) < ROUNDS or (len(two) < 3 and time.perf_counter() - begin < PATIENCE):
        one.append(runs.calls(1))
        had, wall = time.process_time(), time.perf_counter()
        seconds = runs.calls(threads)
        quiet = time.process_time() - had > QUIET * threads * (time.perf_counter() - wall)
        (two if quiet else busy).append(seconds)
        for j, (p, events) in enumerate(loops):
            for i in range(pieces):
                piece = time.perf_counter()
                bare(i, int(events * HISTORIES) // pieces, p[0])
                plain[j] = min(plain[j], (time.perf_counter() - piece) * pieces)
    t1, t2 = np.min(one, axis=0).sum(), np.min(two or busy, axis=0).sum()
    f = runs.tally.flows
    hits = f["bar_hits"] + f["pin_hits"] + f["tries"] + f["nips"]
    efficiency = t1 / (threads * t2)
    verdict = efficiency >= 0.85 if two and threads == 2 else "not to be had: fewer than two free processors"
    all_drawn, as_drawn = (seconds / t1 for seconds in plain)
    return [
        row("events per history (hits, tries, nips)", hits, ""),
        row("events per second, one thread", hits * HISTORIES / t1 / 1e6, "million/s"),
        row("  of the bare loop", hits * HISTORIES / plain[0] / 1e6, "million/s"),
        row("rate over that of the bare loop", all_drawn, "", ">= 0.55", all_drawn >= 0.55),
        row("  of one that leaves out what the engine does", as_drawn, "", ">= 0.55", as_drawn >= 0.55),
        row("parallel efficiency on two threads", efficiency, "", ">= 0.85", verdict),
    ]


def error_rows(runs: Runs) -> list[dict]:
    """Time to a relative standard error of x50 of 1 %, as the stop rule finds it, and scaled from the error left."""
    numba.set_num_threads(1)
    runs.run(10_000_000, 0.01)
    begin = time.perf_counter()
    tally = runs.run(10_000_000, 0.01)
    seconds = time.perf_counter() - begin
    error = montecarlo._x50_relative_error(tally.exits_q3, tally.exits_q3_se, np.log(runs.problem.edges))
    return [
        row("histories when x50 is known to 1 %", tally.histories, ""),
        row("  seconds, one thread", seconds, "s"),
        row("  standard error of x50 reached", 100 * error, "%"),
        row("  seconds for just 1 %", seconds * (error / 0.01) ** 2, "s"),
    ]


def memory_rows(runs: Runs) -> list[dict]:
    """Peak of Python's and numpy's memory in runs of 2e4 and 2e5 histories, and growth of the whole process."""
    numba.set_num_threads(min(2, numba.config.NUMBA_NUM_THREADS))
    peaks, resident = [], []
    for histories in (20_000, 200_000):
        tracemalloc.start()
        runs.run(histories)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        resident.append(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024)
    return [
        row("peak memory of a run, 2e4 histories", peaks[0] / 2**20, "MiB"),
        row("  2e5 histories", peaks[1] / 2**20, "MiB", "the same", abs(peaks[1] - peaks[0]) < 0.1 * 2**20),
        row("  growth of the process from the one to the other", (resident[1] - resident[0]) / 2**20, "MiB"),
    ]


def main() -> dict:
    """Run all, print the table and return it."""
    assert BY_SIZE[TRIES] == "tries"
    runs = Runs()
    rows = speed_rows(runs) + error_rows(runs) + memory_rows(runs)
    show("Monte Carlo engine", rows)
    return {"title": "Monte Carlo engine", "rows": rows}


if __name__ == "__main__":
    sys.exit(0 if main() else 1)
