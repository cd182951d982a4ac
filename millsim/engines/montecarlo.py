"""The Monte Carlo engine: batches of histories, running sums, standard errors, a stop rule.

Memory does not grow with the number of histories: only sums and sums of squares over blocks are kept. The stop
rule is looked at after fixed numbers of histories, so it depends on seed and mill alone, not on clock or threads. Of a
mill that hardly grinds a history takes thousands of times as long: there it is looked at more often, and the histories
end when they have been worth their time, with the standard errors that they have then.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..mill.chamber import N_RATES, STRIKES, open_to_pass
from .histories import BLOCK, BY_SIZE, EXITS, run_blocks
from .hits import COLUMNS, NODES, NODES_OF_MANY, fill_hits, fill_table
from .records import FLOW_NAMES, FLOWS, Rates, Sizes, Steps

CHECK_BLOCKS = 32  # the stop rule is looked at every CHECK_BLOCKS * BLOCK histories
CALL_SECONDS = 0.4  # a compiled call aims at this, so that Ctrl-C and progress work
MOST_EVENTS = 2e5  # expected events per history above which histories are not worth running
LOOK_EVENTS, WORTH_EVENTS = 1e7, 6e7  # between two looks, and in all: about a second, and five, of processor time
LEAST_BLOCKS = 8  # that tell a standard error
WORTH = "x50 is not known to the error asked for: each history takes too long"


@dataclass(frozen=True)
class FrozenSteps:
    """Chamber states frozen in time: one for a steady state, many for a batch.

    ends_s (k,), states (k,) STATE records, screens and bridges (k, n) of nips and ages (k, n) [s] by class.
    """

    ends_s: np.ndarray
    states: np.ndarray
    screens: np.ndarray
    bridges: np.ndarray
    ages: np.ndarray


@dataclass(frozen=True)
class Tally:
    """Means and standard errors over blocks, per tagged kilogram.

    flows, flows_se: dict of FLOWS fields; by_size, by_size_se (n, BY_SIZE); exits_q3, exits_q3_se (n+1,) share of
    the tagged mass that left finer than each class bound; left, left_se share that left at all; residence_s.
    """

    histories: int
    flows: dict[str, float]
    flows_se: dict[str, float]
    by_size: np.ndarray
    by_size_se: np.ndarray
    exits_q3: np.ndarray
    exits_q3_se: np.ndarray
    left: float
    left_se: float
    residence_s: float
    residence_s_se: float
    given_up: int
    stop_reason: str


class _Sums:
    """Running sums and sums of squares of block means."""

    def __init__(self, n: int):
        self.blocks = 0
        self.parts = {
            "flows": np.zeros((2, len(FLOW_NAMES))),
            "by_size": np.zeros((2, n, len(BY_SIZE))),
            "q3": np.zeros((2, n + 1)),
            "ends": np.zeros((2, 4)),
        }

    def add(self, flows: np.ndarray, by_size: np.ndarray, ends: np.ndarray) -> None:
        """Add blocks one after another, so that the split into calls leaves no trace in the sums."""
        table = np.stack([flows[name] for name in FLOW_NAMES], axis=1)
        for b in range(flows.size):
            exits = np.concatenate([[0.0], np.cumsum(by_size[b, :, EXITS])])
            for name, value in (("flows", table[b]), ("by_size", by_size[b]), ("q3", exits), ("ends", ends[b])):
                mean = value / BLOCK
                self.parts[name][0] += mean
                self.parts[name][1] += mean * mean
        self.blocks += flows.size

    def mean_se(self, name: str) -> tuple[np.ndarray, np.ndarray]:
        """Mean over blocks and its standard error."""
        total, squares = self.parts[name]
        mean = total / self.blocks
        variance = np.maximum(0.0, squares / self.blocks - mean * mean)
        return mean, np.sqrt(variance / max(1, self.blocks - 1))


def _x50_relative_error(q3: np.ndarray, se: np.ndarray, ln_edges: np.ndarray) -> float:
    """Relative standard error of x50: that of Q3 there over the slope of Q3 in ln x."""
    share = q3 / q3[-1] if q3[-1] > 0 else q3
    i = int(np.searchsorted(share, 0.5))
    if not 0 < i < share.size or share[i] == share[i - 1]:
        return np.inf
    slope = (share[i] - share[i - 1]) / (ln_edges[i] - ln_edges[i - 1])
    return float(max(se[i - 1], se[i]) / slope / q3[-1])


def _compiled_steps(mill: np.ndarray, steps: FrozenSteps, edges: np.ndarray) -> tuple[Steps, float, float]:
    """(tables of every frozen state, ln of the first node, their step); fewer nodes when there are many states."""
    count = steps.states.size
    nodes = NODES if count == 1 else NODES_OF_MANY
    ln_low = float(np.log(edges[0]))
    width = (float(np.log(edges[-1])) - ln_low) / (nodes - 1)
    strikes, open_ = np.zeros(count, STRIKES), np.zeros(count)
    tables, hits = np.zeros((count, nodes, N_RATES)), np.zeros((count, nodes, COLUMNS))
    ln_nodes, ln_x = ln_low + width * np.arange(nodes), 0.5 * np.log(edges[1:] * edges[:-1])
    for i in range(count):
        ages, rates = np.interp(ln_nodes, ln_x, steps.ages[i]), Rates(tables[i], ln_low, width, 1.0 / width)
        fill_table(mill[0], steps.states[i], strikes[i], ages, rates)
        fill_hits(mill[0], steps.states[i], strikes[i], rates, hits[i])
        open_[i] = open_to_pass(mill[0], steps.states[i])
    screens, bridges = np.ascontiguousarray(steps.screens), np.ascontiguousarray(steps.bridges)
    return Steps(steps.ends_s, open_, strikes, tables, hits, screens, bridges), ln_low, width


def _worth(work: float, events: float, least: int, most: int) -> int:
    """Blocks that a number of events is good for, within bounds; events: of one history, 0 where they are not known."""
    return min(most, max(least, int(work / (events * BLOCK)))) if events > 0.0 else most


def run(
    mill: np.ndarray,
    steps: FrozenSteps,
    edges: np.ndarray,
    feed_curve: tuple[np.ndarray, np.ndarray],
    histories: int,
    seed: int,
    x50_error: float = 0.0,
    progress: Callable[[float], None] | None = None,
    call_blocks: int | None = None,
    events: float = 0.0,
) -> Tally:
    """Follow tagged grams through frozen states until `histories` are done or x50 is known well enough.

    mill: (1,) MILL record; edges (n+1,) m; feed_curve: (ln x, Q3) of the feed, piecewise linear; x50_error:
    relative standard error of x50 at which to stop (0: never); call_blocks: blocks per compiled call (default: by
    the clock; the numbers do not depend on it); events: expected of a history: the more, the more often is the stop
    rule looked at, and the fewer histories are worth following, where there is an x50_error. KeyboardInterrupt passes
    through within one call.
    """
    compiled, ln_low, width = _compiled_steps(mill, steps, edges)
    ln_edges = np.log(edges)
    sizes = Sizes(ln_edges, *feed_curve, ln_low, width, 1.0 / width)
    blocks = wanted = max(2, -(-histories // BLOCK))
    check = CHECK_BLOCKS
    sums, n, reason = _Sums(edges.size - 1), edges.size - 1, "histories done"
    if x50_error > 0:
        check = _worth(LOOK_EVENTS, events, 1, CHECK_BLOCKS)
        worth = _worth(WORTH_EVENTS, events, LEAST_BLOCKS, blocks)
        blocks, reason = (worth, WORTH) if worth < blocks else (blocks, reason)
    size = call_blocks or 2
    while sums.blocks < blocks:
        until_check = check - sums.blocks % check
        count = min(size, blocks - sums.blocks, until_check)
        began = time.perf_counter()
        flows, by_size, ends = np.zeros(count, FLOWS), np.zeros((count, n, len(BY_SIZE))), np.zeros((count, 4))
        run_blocks(mill, compiled, sizes, seed, sums.blocks, flows, by_size, ends)
        sums.add(flows, by_size, ends)
        if call_blocks is None:
            size = max(2, min(CHECK_BLOCKS, 2 * count, int(count * CALL_SECONDS / (time.perf_counter() - began))))
        if progress:
            progress(sums.blocks / wanted)
        if x50_error > 0 and sums.blocks % check == 0 and LEAST_BLOCKS <= sums.blocks < blocks:
            if _x50_relative_error(*sums.mean_se("q3"), ln_edges) <= x50_error:
                reason = "x50 known to the error asked for"
                break
    return _tally(sums, reason)


def _tally(sums: _Sums, reason: str) -> Tally:
    flows, flows_se = sums.mean_se("flows")
    by_size, by_size_se = sums.mean_se("by_size")
    q3, q3_se = sums.mean_se("q3")
    ends, ends_se = sums.mean_se("ends")
    return Tally(
        histories=sums.blocks * BLOCK,
        flows=dict(zip(FLOW_NAMES, flows.tolist(), strict=True)),
        flows_se=dict(zip(FLOW_NAMES, flows_se.tolist(), strict=True)),
        by_size=by_size,
        by_size_se=by_size_se,
        exits_q3=q3,
        exits_q3_se=q3_se,
        left=float(ends[0]),
        left_se=float(ends_se[0]),
        residence_s=float(ends[3]),
        residence_s_se=float(ends_se[3]),
        given_up=int(round(ends[2] * sums.blocks * BLOCK)),
        stop_reason=reason,
    )
