"""What a prediction is: the one record that engines fill, files store, and plots and reports read."""

import math
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

import numpy as np

from ..base.quantities.params import Param
from ..base.quantities.scalar import Scalar
from .limits import CANNOT, HARDLY_GRINDS, JAM, LIMITS, OVER, POWER, STATUS_WORDS

FloatArray = np.ndarray
MORE_CARRIES_LESS = "more charge than this carries less, so a mill fed any faster fills up"  # sentence of a Limit


@dataclass(frozen=True)
class Limit:
    """One thing that can bind: the load on it, the most it takes, and a sentence for people."""

    name: str  # "shaft power", "outlet temperature", "sieve", "chamber", "jam", "feed opening", "grinding"
    load: float
    capacity: float
    unit: str
    sentence: str
    zero: float = 0.0  # the load of a mill at rest, e.g. the room temperature

    @property
    def margin(self) -> float:
        """Capacity over load, both counted from `zero`; 1: it binds, below 1: it is exceeded, NaN: it is not known."""
        load = self.load - self.zero
        return float("inf") if load <= 0 else (self.capacity - self.zero) / load


@dataclass(frozen=True)
class SizeTable:
    """Everything by size class: edges (n+1,) [m], distributions at edges, rates per class (n,)."""

    edges_m: FloatArray  # (n+1,) ascending class bounds
    feed_q3: FloatArray  # (n+1,) cumulative undersize by mass of the feed, 0..1
    product_q3: FloatArray  # (n+1,) of the product
    product_q3_se: FloatArray  # (n+1,) Monte Carlo standard error, NaN for the balance engine
    product_q3_low: FloatArray  # (n+1,) lower bound of the prediction band, NaN when no band was run
    product_q3_high: FloatArray  # (n+1,)
    holdup_q3: FloatArray  # (n+1,) of the charge inside the chamber
    x_m: FloatArray  # (n,) representative size of each class
    strike_1_s: FloatArray  # (n,) bar hits per second
    selection_1_s: FloatArray  # (n,) impact fracture, bar and pin together
    nip_1_s: FloatArray  # (n,) nip shear
    chip_1_s: FloatArray  # (n,) mass share chipped off per second
    escape_1_s: FloatArray  # (n,) sieve escape


FEW_PIECES = 5.0  # that come in a history on average, below which it says nothing of stalls (assumed)
EMPTY, STEADY = "empty", "the steady charge"  # what a history begins with


@dataclass(frozen=True)
class Running:
    """Histories that began at the steady charge: how often a mill that runs stalls."""

    runs: int  # how many histories
    stalls: int  # how many of them stalled
    watched_s: float  # seconds of all of them, each until it stalled or ended
    arrived: int  # pieces that came in these
    low_1_s: float  # 95 % interval of stalls per second, exact Poisson
    high_1_s: float


@dataclass(frozen=True)
class ChamberTrace:
    """Discrete pieces in the chamber: one sample history and the stall statistics over many, cold starts from empty
    and, beside them, running at the steady charge. What files of before do not tell has a default."""

    time_s: FloatArray  # (k,)
    torque_Nm: FloatArray  # (k,) mean over the sample interval
    peak_torque_Nm: FloatArray  # (k,) highest in the interval
    speed_rad_s: FloatArray  # (k,)
    pieces: FloatArray  # (k,) pieces large enough to be followed one by one
    runs: int  # how many starts from empty
    stalls: int  # how many of them stalled
    stall_low: float  # 95 % interval of the stall probability of a start (Clopper-Pearson)
    stall_high: float
    duration_s: float  # length of each history
    chokes: int = 0  # of the stalls, those where the chamber was full before the rotor stood
    arrived: int = 0  # pieces that came in all starts
    running: Running | None = None  # None where no history began at the steady charge
    charge_kg: FloatArray = field(default_factory=lambda: np.empty(0))  # (k,) pieces and powder in the chamber
    shown_from: str = EMPTY  # what the sample history began with
    fed_kg_s: float = float("nan")
    pieces_1_s: float = float("nan")  # pieces fed per second, of those that are followed
    rated_torque_Nm: float = float("nan")  # of the motor, at its speed without load
    overload_torque_Nm: float = float("nan")
    every_s: float = float("nan")  # fed by hand, a handful at a time: so often comes one, the first at the start

    @property
    def by_hand(self) -> bool:
        """Whether it was fed by hand, so seldom that each handful counts by itself."""
        return self.every_s > 0.0

    @property
    def _fed_for_s(self) -> float:
        """How long an even feed would take for what a history was fed: of a feed by hand a whole handful."""
        return max(self.duration_s, self.every_s) if self.by_hand else self.duration_s

    @property
    def too_few(self) -> bool:
        """Whether too few pieces came to tell how often it stalls; a stall that was seen tells."""
        stalls = self.stalls + (self.running.stalls if self.running else 0)
        return stalls == 0 and self.pieces_1_s * self._fed_for_s < FEW_PIECES


@dataclass(frozen=True)
class Counted:
    """What the Monte Carlo engine counted in each class, per kg fed, with standard errors; both (n,)."""

    value: FloatArray
    se: FloatArray
    unit: str
    long_name: str


@dataclass(frozen=True)
class EngineResult:
    """What one engine says about one frozen chamber state."""

    engine: str  # "balance" or "montecarlo"
    table: SizeTable
    scalars: dict[str, Scalar]  # x10_m, x50_m, x90_m, span, throughput_kg_s, holdup_kg, ...
    ledger_in_W: dict[str, Scalar]  # what the shaft puts in, by cause
    ledger_out_W: dict[str, Scalar]  # where it goes
    numerics: dict[str, float]  # residual, iterations, class_error, histories, ...
    tallies: dict[str, Counted] = field(default_factory=dict)  # events by size, Monte Carlo only


@dataclass(frozen=True)
class Advised:
    """What to measure next: name, what to do, minutes of effort, and the share of the width of x50's band it leaves."""

    name: str
    how: str
    minutes: float
    left: float


class Change(NamedTuple):
    """A change to the mill that was tried on it alone, and what the mill then does at the most it takes."""

    key: str  # of the config
    words: str  # for people: "a gap of 2 mm"
    sets: tuple[str, ...]  # as overrides of the config
    rate_kg_s: float
    x50_m: float
    gross_J_kg: float
    outlet_K: float
    binding: str  # the limit that then binds
    gain: float  # rate over that of the mill as it is; inf where that gives none
    stopped: str  # the line of the review that fails farther this way; "" where none was met


class Reviewed(NamedTuple):
    """What the pre-build review says of a mill: names of the checks that fail, could not be made, or pass so narrowly
    that they are told, and how many were made; notes, which neither pass nor fail, do not count."""

    fails: tuple[str, ...]
    unchecked: tuple[str, ...]
    close: tuple[str, ...]
    made: int
    at_limit: tuple[str, ...] = ()  # in files from before these two were told apart, among `close`
    outside: tuple[str, ...] = ()  # of the figure beside them, which alone makes no failure


class Foretold(Protocol):
    """What the pre-build review asks of a prediction: a whole one, or a settled mill (`forecast/glance.py`)."""

    status: str
    binding: str
    temperature_limit_K: float
    trace: ChamberTrace | None

    def figure(self, key: str) -> float:
        """A figure by its name among the outputs; NaN where it is not known."""
        ...

    @property
    def shaft_load(self) -> float:
        """Power [W] that the motor is held to; NaN where it is not known."""
        ...

    @property
    def jam_load(self) -> float:
        """The jam index at the rate asked for; NaN where it is not known."""
        ...

    @property
    def finest(self) -> float:
        """Smallest size [m] that the hardest impact can break."""
        ...

    @property
    def powder(self) -> tuple[FloatArray, FloatArray]:
        """Class bounds [m] and Q3 of the powder at them."""
        ...

    @property
    def warmup(self) -> tuple[FloatArray, FloatArray]:
        """Time from a cold start [s] and outlet temperature [K] then."""
        ...

    @property
    def by_bites(self) -> bool:
        """Whether bites take most of what the charge takes from the rotor."""
        ...

    @property
    def runs(self) -> bool:
        """Whether powder worth naming comes out: not of a mill that cannot run, hardly grinds, or jams at once."""
        return self.status not in (STATUS_WORDS[CANNOT], HARDLY_GRINDS) and not self.too_little

    @property
    def too_little(self) -> bool:
        """Whether a batch ended before so much of it was powder that sizes, rate or energy could be told."""
        return self.status == STATUS_WORDS[OVER] and math.isnan(self.figure("throughput_kg_s"))


@dataclass(frozen=True)
class Prediction(Foretold):
    """One prediction: the answer, how sure, why, and how to reproduce it."""

    status: str  # "ok", "over capacity", "cannot run", "hardly grinds"
    config_text: str  # resolved config as TOML text
    config_sha256: str
    mill_name: str
    seed: int
    command: str
    version: str
    model_version: str
    requested_rate_kg_s: float  # NaN: as fast as it can grind
    hole_m: float
    size_floor_m: float  # 2 xW_min / v^2 for the fastest impact
    main: EngineResult
    other: EngineResult | None  # the second engine, when both ran
    limits: tuple[Limit, ...]
    binding: str  # name of the limit that binds at capacity
    parameters: tuple[Param, ...]  # material and model parameters used
    band_level: float  # e.g. 0.8; NaN when no band was run
    widest: dict[str, list[tuple[str, float]]]  # output -> parameters by the factor they open it, widest first
    warmup_time_s: FloatArray
    warmup_temperature_K: FloatArray
    temperature_limit_K: float
    trace: ChamberTrace | None
    warnings: tuple[str, ...] = field(default=())
    grinds_with: tuple[str, ...] = field(default=())  # of a mill that hardly grinds: what would change that, sentences
    date: str = ""  # when it was made, UTC, ISO 8601; "" in files from before dates were kept
    changes: tuple[Change, ...] = field(default=())  # what would help at the limit, tried and passed by the review
    reviewed: Reviewed | None = None  # None where no review was made
    advised: Advised | None = None  # what `millsim next` names first; None where it was not asked
    origin: dict = field(default_factory=dict)  # its config and settings (`mill/config/since.py`); empty where not kept

    def figure(self, key: str) -> float:
        """A figure of the main engine."""
        found = self.main.scalars.get(key)
        return math.nan if found is None else found.value

    @property
    def shaft_load(self) -> float:
        """Power [W] that the motor is held to."""
        return self._load(LIMITS[POWER])

    @property
    def jam_load(self) -> float:
        """The jam index at the rate asked for."""
        return self._load(LIMITS[JAM])

    def _load(self, limit: str) -> float:
        return next((x.load for x in self.limits if x.name == limit), math.nan)

    @property
    def finest(self) -> float:
        """Smallest size [m] that the hardest impact can break."""
        return self.size_floor_m

    @property
    def powder(self) -> tuple[FloatArray, FloatArray]:
        """Class bounds [m] and Q3 of the powder at them."""
        return self.main.table.edges_m, self.main.table.product_q3

    @property
    def warmup(self) -> tuple[FloatArray, FloatArray]:
        """Time from a cold start [s] and outlet temperature [K] then."""
        return self.warmup_time_s, self.warmup_temperature_K

    @property
    def by_bites(self) -> bool:
        """Whether bites take most of what the charge takes from the rotor."""
        into = {name: x.value for name, x in self.main.ledger_in_W.items()}
        return "nip" in into and mostly_bites(*(into.get(k, 0.0) for k in ("striking", "nip", "layer drive")))


def mostly_bites(striking: float, nip: float, layer_drive: float) -> bool:
    """Whether bites take most of the power [W] that goes into the charge."""
    return nip > 0.5 * (striking + nip + layer_drive)
