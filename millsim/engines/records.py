"""What the compiled (jit) engines work on, by name: flows, powers, size classes, work arrays, steps of a batch."""

from typing import NamedTuple

import numpy as np

from ..base.numerics.jit import law, record
from ..mill.chamber import MILL, N_RATES, STATE, STRIKES
from ..record.limits import LIMITS
from .obliquity import new_bench

GATES = 3  # sizes in a class at which the sieve is tried
BINS = 2  # streams of what flies from bars to pins, of half of the hits each: see `obliquity`
STRIKE_COLUMNS = tuple(
    "chipped chip_J_kg shrunk broken shattered above pin_broken pin_shattered pin_above dust".split()
)
XI, CHIP_J, SHRINK, BREAK, SHATTER, ABOVE, PIN_BREAK, PIN_SHATTER, PIN_ABOVE, DUST = range(len(STRIKE_COLUMNS))
BLOCK = 64  # classes that `classes` does at once: columns lie so far apart that compiled code sees that none overlap
# Of a block: the rate table, what escapes, and of either stream dust and what shrinks where no chip comes off.
COLUMNS, ESCAPE, DUSTS, SHRINKS = N_RATES + 5, N_RATES, N_RATES + 1, N_RATES + 3
# Lots of chips, each of one size: share of what is hit, class of the size, size^-q. Of each kind of edge there are
# those of CHIP_POINTS hits that pay for less than the largest chip, and one of all that pay for that.
LOT_COLUMNS = 3
LOT_SHARE, LOT_CLASS, LOT_SCALE = range(LOT_COLUMNS)
CHIP_POINTS, EDGES = 3, 3
LOTS = EDGES * (CHIP_POINTS + 1)
SPLIT, SHATTERED, FINES, NIPPED = range(4)  # the ways in which a piece falls apart, each with its own sizes
WAYS = 4
GAIN, PER, OUT = range(
    3
)  # of a way: its running sum times GAIN falls into a class, a broken kilogram adds PER, OUT leaves
# What becomes of a kilogram that is struck, by class and stream; _SPLIT, _SHATTER, _FINES: what it adds to the running
# sum of that way. Of a struck one: PASSES flies on in its class, DRIFTS below it. Of one in flight: RETURNS stays in
# the class of it. FLIGHT is what flies [kg/s], as `march` leaves it.
FATES = 10
(RETURNS, PASSES, DRIFTS, BAR_SPLIT, BAR_SHATTER, BAR_FINES, PIN_TO_SPLIT, PIN_TO_SHATTER, PIN_TO_FINES,
 FLIGHT) = range(FATES)  # fmt: skip

# Of a state: ln hold-up, T, unblinded share, speed, tip speed, ln of the feed rate over the hold-up; then come, by
# class, the ages over the residence time, and the shares that shrank into it.
UNKNOWNS = 6
HISTORY = 6  # depth of the Anderson acceleration

# States that are kept while others are settled, and ages by class that are, of whom; what is fed, by class [kg/s].
STATES = 9
ANSWER, BEFORE, GOOD, BEST, NEAR_BY, BEYOND, AT_LIMIT, HELD, RAISED = range(STATES)
KEPT = 9
OF_TRIAL, OF_BEST, OF_EMPTY, OF_ASIDE, OF_LOW, OF_LIMIT, OF_RATE, OF_RAISED, FED = range(KEPT)

# Flows of one chamber state. Hits, fractures, chips, nips, tries, exits: kg/s of charge they happen to.
# The rest: watts. The Monte Carlo engine tallies the same fields.
FLOWS = record(
    [
        (name, "f8")
        for name in "bar_hits pin_hits bar_above pin_above bar_fractures pin_fractures chips dust nips tries "
        "exits work bar_heat chip_cut path_heat pin_heat dust_cut rub nip_work".split()
    ]
)
# Powers of one settled state [W], and how warm the charge leaves: T_out = warmed T + offset.
POWERS = record(
    [(name, "f8") for name in "windage bearings striking nip plough layer_drive shaft warmed offset".split()]
)
# One step of a batch: its end [s], kg left, temperatures [K], shaft power [W], loads on jam and chamber.
BATCH_STEP = record([(name, "f8") for name in "end left T T_casing shaft jam chamber".split()])
FLOW_NAMES: tuple[str, ...] = FLOWS.names or ()  # by numpy's types a dtype may have none


class Grid(NamedTuple):
    """Size classes of a mill, ascending, and what its fragments and chips look like on them."""

    edges: np.ndarray  # (n+1,) m
    x: np.ndarray  # (n,) m
    ways: np.ndarray  # (n, WAYS, 3) GAIN, PER, OUT of each way in each class
    fines: np.ndarray  # (n,) mass share crushed to fines
    still: np.ndarray  # (n, STILL) what of each size does not depend on the state
    gates: np.ndarray  # (n, GATES) chance at an open hole, of sizes in the class: see `fates.follow_drift`
    tab: np.ndarray  # the same and powers of the size, by columns: see `classes.fill_tab`
    props: np.ndarray  # (n, PROP_COLUMNS) how they prop others across the gap: `bites.props_of`, `bites.reach_of`
    chip_finer: np.ndarray  # (n+1,) class bound to the power of the chip sizes, 0 at the lowest


class Rates(NamedTuple):
    """The laws tabulated: table (nodes, columns) at ln x = ln_low + i step; per_step: one over the step."""

    table: np.ndarray
    ln_low: float
    step: float
    per_step: float


class Sizes(NamedTuple):
    """Sizes of a Monte Carlo run: ln of the class bounds (n+1,), feed curve (ln x, Q3), nodes of the tables."""

    ln_edges: np.ndarray
    feed_ln_x: np.ndarray
    feed_q: np.ndarray
    ln_low: float
    step: float
    per_step: float


class Steps(NamedTuple):
    """Frozen states to follow: ends [s], chance that a wall contact meets an open hole, STRIKES (k,), tables of the
    laws and of hits (k, nodes, columns), screens and bridges (k, n)."""

    ends: np.ndarray
    open_: np.ndarray
    hits: np.ndarray
    tables: np.ndarray
    hit_tables: np.ndarray
    screens: np.ndarray
    bridges: np.ndarray


class Arrivals(NamedTuple):
    """Pieces falling in: cumulative pieces per second (c,) by feed size x (c,) [m], as a mean over time.

    every, pour [s]: fed by hand, all of it falls in during the first `pour` of `every` seconds; zeros: evenly.
    """

    rates: np.ndarray
    x: np.ndarray
    every: float
    pour: float


class Powder(NamedTuple):
    """The pool of what is finer than the pieces: size of the smallest piece [m], exit rate [1/s], striking power [W/kg]
    in the tabulated state, fine feed [kg/s]."""

    x_least: float
    exit_rate: float
    striking: float
    fed: float


class Charge(NamedTuple):
    """What a history begins with: pieces (c,) of the sizes of the arrivals, powder [kg], rotor speed [rad/s]."""

    pieces: np.ndarray
    powder: float
    omega: float


class Work(NamedTuple):
    """Work arrays of n classes: what belongs to the state that was evaluated last."""

    table: np.ndarray  # (n, N_RATES) rates and strengths
    escape: np.ndarray  # (n,) 1/s
    strikes: np.ndarray  # (n, BINS, STRIKE_COLUMNS)
    lots: np.ndarray  # (n, LOTS, LOT_COLUMNS) chips; of classes that none come off, what was
    columns: np.ndarray  # what `classes` works on
    bench: np.ndarray  # what `obliquity` works on
    mean: np.ndarray  # (BINS, STRIKE_COLUMNS), and
    mean_lots: np.ndarray  # (LOTS, LOT_COLUMNS): what `strikes.average_class` works on
    fates: np.ndarray  # (n, FATES, BINS), as `fates.fill_fates` leaves it
    stays: np.ndarray  # (n,) share of a struck kilogram that stays in its class
    drifts: np.ndarray  # (n,) share that shrinks out of it, were all of the class as likely to
    above: np.ndarray  # (n,) of what came into the class in the last march, share that shrank into it
    sooner: np.ndarray  # (n,) how much sooner it shrinks out of a class near an onset; 0 of others
    chipped: np.ndarray  # (n,) share that is chipped off
    mass: np.ndarray  # (n,) kg
    screen: np.ndarray  # (n,) chance of carrying the load in a nip alone
    bridge: np.ndarray  # (n,) chance of being propped across the gap by a larger piece, times how far
    flows: np.ndarray  # (1,) FLOWS
    hits: np.ndarray  # (1,) STRIKES
    powers: np.ndarray  # (1,) POWERS
    ages: np.ndarray  # (n,) s
    air: np.ndarray  # (WAYS + 1, BINS),
    landed: np.ndarray  # (2, n), and
    nips: np.ndarray  # (n+1, 3): what `balance.march` and `balance.book` work on
    turns: np.ndarray  # (4, HISTORY, UNKNOWNS + 2 n), and
    states: np.ndarray  # (STATES,) STATE: what `settle` works on, and with
    kept: np.ndarray  # (KEPT, n),
    loads: np.ndarray  # (7,), and
    mill: np.ndarray  # (1,) MILL: what `search` and `capacity` do


_BENCH = new_bench()  # every mill's is a copy: the points of Gauss take as long to find as a quarter of a state


def _zeros(count: int, kind: np.dtype) -> np.ndarray:
    """Records of zeros; numpy makes those of many fields ten times as slowly."""
    return np.ndarray(count, kind, np.zeros(count * kind.itemsize // 8))


def new_work(n: int) -> Work:
    """Work arrays for n classes, all zero but for those that are filled before they are read."""
    table, strikes, fates = np.zeros((n, N_RATES)), np.zeros((n, BINS, len(STRIKE_COLUMNS))), np.zeros((n, FATES, BINS))
    lots, columns, bench = np.zeros((n, LOTS, LOT_COLUMNS)), np.empty(COLUMNS * BLOCK), _BENCH.copy()
    mean, mean_lots = np.zeros((BINS, len(STRIKE_COLUMNS))), np.zeros((LOTS, LOT_COLUMNS))
    escape, stays, drifts, above, sooner, chipped, mass, screen, bridge, ages = np.zeros((10, n))
    flows, hits, powers, mill = (_zeros(1, kind) for kind in (FLOWS, STRIKES, POWERS, MILL))
    air, landed, nips = np.zeros((WAYS + 1, BINS)), np.zeros((2, n)), np.zeros((n + 1, 3))
    turns, states, kept = np.empty((4, HISTORY, UNKNOWNS + 2 * n)), _zeros(STATES, STATE), np.empty((KEPT, n))
    return Work(
        table, escape, strikes, lots, columns, bench, mean, mean_lots, fates, stays, drifts,
        above, sooner, chipped, mass, screen, bridge, flows, hits, powers, ages, air, landed, nips, turns, states, kept,
        np.zeros(len(LIMITS)), mill,
    )  # fmt: skip


@law
def clear_flows(flows):
    """Set every field of a FLOWS record to zero."""
    flows.bar_hits = flows.pin_hits = flows.bar_above = flows.pin_above = 0.0
    flows.bar_fractures = flows.pin_fractures = flows.chips = flows.dust = flows.nips = flows.tries = flows.exits = 0.0
    flows.work = flows.bar_heat = flows.chip_cut = flows.path_heat = flows.pin_heat = flows.dust_cut = 0.0
    flows.rub = flows.nip_work = 0.0


@law
def add_flows(total, flows, seconds):
    """Add flows times seconds to a FLOWS record of totals (kg and J)."""
    total.bar_hits += seconds * flows.bar_hits
    total.pin_hits += seconds * flows.pin_hits
    total.bar_above += seconds * flows.bar_above
    total.pin_above += seconds * flows.pin_above
    total.bar_fractures += seconds * flows.bar_fractures
    total.pin_fractures += seconds * flows.pin_fractures
    total.chips += seconds * flows.chips
    total.dust += seconds * flows.dust
    total.nips += seconds * flows.nips
    total.tries += seconds * flows.tries
    total.exits += seconds * flows.exits
    total.work += seconds * flows.work
    total.bar_heat += seconds * flows.bar_heat
    total.chip_cut += seconds * flows.chip_cut
    total.path_heat += seconds * flows.path_heat
    total.pin_heat += seconds * flows.pin_heat
    total.dust_cut += seconds * flows.dust_cut
    total.rub += seconds * flows.rub
    total.nip_work += seconds * flows.nip_work


@law
def scale_flows(flows, factor):
    """Multiply every field of a FLOWS record."""
    flows.bar_hits *= factor
    flows.pin_hits *= factor
    flows.bar_above *= factor
    flows.pin_above *= factor
    flows.bar_fractures *= factor
    flows.pin_fractures *= factor
    flows.chips *= factor
    flows.dust *= factor
    flows.nips *= factor
    flows.tries *= factor
    flows.exits *= factor
    flows.work *= factor
    flows.bar_heat *= factor
    flows.chip_cut *= factor
    flows.path_heat *= factor
    flows.pin_heat *= factor
    flows.dust_cut *= factor
    flows.rub *= factor
    flows.nip_work *= factor
