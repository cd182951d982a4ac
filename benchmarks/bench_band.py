"""Samples of the uncertainty band per second: each is a search for the capacity of one mill, on its own."""

import os
import sys
from unittest import mock

import numpy as np
from common import DEMO, best, row, show

from millsim.base.numerics import threads as cores
from millsim.forecast import band
from millsim.forecast.outcome import solve
from millsim.mill.config.mill import load_config
from millsim.mill.problem import build

SAMPLES = 256


def main() -> dict:
    """Run on one and two threads, at capacity and at a feed rate; print the table and return it."""
    problem = build(load_config(DEMO))
    mills = band.draws(problem, SAMPLES, 1)
    half = 0.5 * float(solve(problem, None).state["F"])
    processors = min(2, os.cpu_count() or 1)
    seconds, values = {}, {}
    for threads in (1, processors):
        with mock.patch.object(cores.os, "cpu_count", return_value=threads):
            values[threads] = band.run_samples(problem, mills, None).values["x50_m"]
            seconds[threads] = best(lambda: band.run_samples(problem, mills, None), 5)
            if threads == 1:
                at_rate = best(lambda: band.run_samples(problem, mills, half), 3)
    same = np.array_equal(values[1], values[processors], equal_nan=True)
    efficiency = seconds[1] / (processors * seconds[processors])
    rows = [
        row("capacity searches per second, one thread", SAMPLES / seconds[1], "1/s"),
        row(f"  on {processors} threads", SAMPLES / seconds[processors], "1/s"),
        row("  parallel efficiency", efficiency, ""),
        row("  same numbers on any threads (1: yes)", float(same), ""),
        row("samples at half capacity per second, one thread", SAMPLES / at_rate, "1/s"),
    ]
    show("Uncertainty band", rows)
    return {"title": "Uncertainty band", "rows": rows}


if __name__ == "__main__":
    sys.exit(0 if main() else 1)
