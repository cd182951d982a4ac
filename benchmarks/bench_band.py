"""Draws of the uncertainty band per second, each a search for the capacity of one mill; what is beside the search."""

import contextlib
import os
import sys
from unittest import mock

import numpy as np
from common import DEMO, best, by_turns, row, show

from millsim.base.numerics import threads as cores
from millsim.errors import NotConverged
from millsim.forecast import band
from millsim.forecast.error import errors
from millsim.forecast.outcome import solve
from millsim.mill.config.mill import load_config
from millsim.mill.problem import Setup, build

SAMPLES = 256


def searches(problem: Setup, mills: np.ndarray) -> None:
    """The searches of all draws, and nothing else."""
    for i in range(mills.size):
        with contextlib.suppress(NotConverged):
            solve(problem, None, mills[i : i + 1], band.TOLERANCE)


def main() -> dict:
    """Run on one and two threads, at capacity and at a feed rate; print the table and return it."""
    problem = build(load_config(DEMO))
    mills = band.draws(problem, SAMPLES, 1)
    off = errors(problem, SAMPLES, 1)
    half = 0.5 * float(solve(problem, None).state["F"])
    processors = min(2, os.cpu_count() or 1)
    seconds, values = {}, {}
    for threads in (1, processors):
        with mock.patch.object(cores.os, "cpu_count", return_value=threads):
            values[threads] = band.run_samples(problem, mills, None, errors=off).values["x50_m"]
            seconds[threads] = best(lambda: band.run_samples(problem, mills, None, errors=off), 5)
            if threads == 1:
                at_rate = best(lambda: band.run_samples(problem, mills, half, errors=off), 3)
                drawn, searched = by_turns(
                    5, lambda: band.run_samples(problem, mills, None, errors=off), lambda: searches(problem, mills)
                )
    same = np.array_equal(values[1], values[processors], equal_nan=True)
    efficiency = seconds[1] / (processors * seconds[processors])
    rows = [
        row("draws at capacity per second, one thread", SAMPLES / seconds[1], "1/s"),
        row(f"  on {processors} threads", SAMPLES / seconds[processors], "1/s"),
        row("  parallel efficiency", efficiency, ""),
        row("  same numbers on any threads (1: yes)", float(same), ""),
        row("draws at half capacity per second, one thread", SAMPLES / at_rate, "1/s"),
        row("draw over its search, processor time", drawn / searched, "times", "<= 1.5", drawn / searched <= 1.5),
    ]
    show("Uncertainty band", rows)
    return {"title": "Uncertainty band", "rows": rows}


if __name__ == "__main__":
    sys.exit(0 if main() else 1)
