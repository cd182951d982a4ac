"""What a target is, and what was found when a sweep was held against one: the records that words and figures read."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ...record.limits import LIMITS

if TYPE_CHECKING:
    from ...studies.circuit.turns import Circuit


SHARES = ("yield", "finer", "coarser")  # outputs of wishes on a share by mass of a range of sizes
MEASURE = "measure"  # output of a line that no prediction tells


@dataclass(frozen=True)
class Wish:
    """One line of a target: an output and what it must lie between (SI); -inf or inf where a side is open.

    output: a key of `record.outputs`, "yield", "finer" or "coarser" (share by mass of a size range), a limit of
    `record.limits.LIMITS`, or "measure" for what no prediction tells and only a test can. shown: unit for people.
    """

    section: str  # of the target file: "x90", "finer", "jam", "measure"
    output: str
    low: float
    high: float
    unit: str  # SI
    shown: str  # unit for people, "%" for shares
    basis: str  # "published", "common practice", "assumed" ...
    source: str
    words: str  # "x90", "finer than 150 µm", what is to be measured
    size_m: float = 0.0  # of "finer" and "coarser"
    limit: str = ""  # of "measure", as written

    @property
    def name(self) -> str:
        """Its name in JSON: "x90", "finer_150um", "jam_load"."""
        if self.output in ("finer", "coarser"):
            return f"{self.output}_{self.size_m * 1e6:.6g}um"
        if self.output == MEASURE:
            return f"measure: {self.words}"
        if self.output in LIMITS:
            return f"{self.section}_load"
        return "outlet_temperature" if self.section == "outlet" else self.section

    @property
    def about(self) -> str:
        """What it asks about, in words: "share finer than 150 µm"."""
        if self.output == MEASURE:
            return f"{self.words}: {self.limit}"
        return f"share {self.words}" if self.output in SHARES else self.words


@dataclass(frozen=True)
class Target:
    """What the powder must be, by what it is for. window: size range [m] whose share is the yield."""

    title: str
    note: str
    wishes: tuple[Wish, ...]
    window: tuple[float, float] | None


@dataclass(frozen=True)
class Build:
    """One recommended point and why. changes: (key in words, as built, now), empty for the mill as built.

    probability: to meet the target over the parameter draws, NaN without draws; circuit: with an external sieve;
    close: checks of the review that are close, with their margins.
    """

    point: int
    role: str
    changes: tuple[tuple[str, str, str], ...]
    sentence: str
    probability: float
    circuit: "Circuit | None"
    close: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class Choice:
    """A sweep held against a target. All arrays are by point (P,).

    achieved: by name of the wish, SI; distance: 0 where all wishes are met, else the largest relative miss; binds: in
    words, "" where it meets; yields: share in the window; front: points of the Pareto front; builds: at most five;
    nearest: the point that misses least, where none meets it.
    """

    target: Target
    achieved: dict[str, np.ndarray]
    meets: np.ndarray
    distance: np.ndarray
    binds: tuple[str, ...]
    probability: np.ndarray
    yields: np.ndarray
    accepted_kg_s: np.ndarray
    front: tuple[int, ...]
    builds: tuple[Build, ...]
    nearest: Build | None
    as_built_meets: bool
