"""What a finished sweep is: the one record that the sweep file stores and that figures, tables and `choose` read."""

import hashlib
from dataclasses import dataclass, field

import numpy as np

from ...base.quantities.params import Param

# Where the product's Q3 is kept (77,): 5 um to 31.5 mm in steps of the R 20 series of ISO 3.
SIZES_M = 1e-6 * 5.0 * 10.0 ** (np.arange(77) / 20.0)

OF_PROGRAM = ("engine sources", "libraries")  # what an identity says of the program, and not of what was asked


@dataclass(frozen=True)
class Axis:
    """One thing that is varied: a config key and its values, with what moves along with it.

    values: SI floats, or words (str, bool as "true"/"false") where the key takes words; in a sampled design one per
    point. along: other keys, each with as many values.
    """

    key: str  # "stator.gap"
    values: tuple
    unit: str  # SI unit, "1" for plain numbers and words
    shown: str  # unit for people, "-" where there is none
    about: str  # what the key means
    along: dict[str, tuple] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """Name in files: the key with underscores."""
        return self.key.replace(".", "_")

    @property
    def words(self) -> bool:
        """Whether the values are words."""
        return bool(self.values) and isinstance(self.values[0], str)


@dataclass(frozen=True)
class Failure:
    """Why a point has no answer: in a few words that like points share, and the whole sentence."""

    kind: str  # "no steady state found"; in files of versions that did not keep it, the sentence
    text: str


@dataclass(frozen=True)
class Points:
    """Answers for P points: status, binding (P,) codes; values by name of `record.outputs.OUTPUTS` (P,); loads (P, 6).

    loads: shares of the limits in the order of `record.limits.LIMITS`, 1 binds; q3 (P, 77): product Q3 at SIZES_M;
    reason: of failed points, by index. With parameter draws D: draws by name (P, D), draw_q3 (P, D, 77) and draw_loads
    (P, D, 6), else empty; draw_loads is empty too in a sweep of a version that did not keep it. se: Monte Carlo
    standard errors by name (P,), empty for the balance. fails, unchecked (P,): checks of the pre-build review that
    fail and that were not made, bits by `prebuild.review.NAMES`; empty in a sweep of a version that did not keep them.
    """

    status: np.ndarray
    binding: np.ndarray
    loads: np.ndarray
    values: dict[str, np.ndarray]
    q3: np.ndarray
    reason: dict[int, Failure]
    draws: dict[str, np.ndarray]
    draw_q3: np.ndarray
    se: dict[str, np.ndarray] = field(default_factory=dict)
    draw_loads: np.ndarray = field(default_factory=lambda: np.empty((0, 0, 0), np.float32))
    fails: np.ndarray = field(default_factory=lambda: np.empty(0, np.uint64))
    unchecked: np.ndarray = field(default_factory=lambda: np.empty(0, np.uint64))


@dataclass(frozen=True)
class Tornado:
    """What each parameter does to the as-built mill, one standard deviation of its range down and up.

    low, high: by output name (G,); parameters: one of each group that moves together (G,). how: "one at a time", all
    others at their values; "tied", with a calibration: what the outputs do along with it over the calibrated draws.
    """

    parameters: tuple[Param, ...]
    low: dict[str, np.ndarray]
    high: dict[str, np.ndarray]
    how: str = "one at a time"


@dataclass(frozen=True)
class Sweep:
    """A sweep: how it was made, its axes and its points.

    The points of a grid are in the order of `shape` (last axis fastest); with Monte Carlo replicates the last
    dimension is the replicate. In a sampled design shape is (points,) or (points, replicates). as_built: one point,
    the base config as it is.
    """

    name: str  # of the base mill
    design: str  # "grid", "sobol", "latin hypercube"
    engine: str  # "balance", "montecarlo"
    seed: int
    replicates: int
    draw_count: int
    class_ratio: float
    version: str
    model_version: str
    plan_text: str  # the sweep file as read
    base_text: str  # the base config, resolved: loads without any other file
    base_sha256: str
    axes: tuple[Axis, ...]
    shape: tuple[int, ...]
    identity: np.ndarray  # (P, 2) uint64: what each point was computed from
    points: Points
    as_built: Points
    tornado: Tornado | None
    class_error: dict[str, float]  # of the as-built mill, relative, by output name
    origin: dict = field(default_factory=dict)  # where it came from (`origin.kept`); empty in files of before

    @property
    def sha256(self) -> str:
        """What was swept, as a hash: base mill, cards, axes and how points are computed, by the version of the model.

        As the hash of a forecast, it leaves out by which program and on which libraries.
        """
        how = (self.design, self.engine, self.seed, self.replicates, self.draw_count, self.class_ratio, self.shape)
        rows = [self.base_sha256, self.model_version, str(how)]
        rows += [f"{k}={v}" for k, v in self.origin.get("pairs", {}).items() if k not in OF_PROGRAM]
        rows += [f"{k}={' '.join(map(str, v))}" for a in self.axes for k, v in {a.key: a.values, **a.along}.items()]
        return hashlib.sha256("\n".join(rows).encode()).hexdigest()

    @property
    def count(self) -> int:
        """Number of points."""
        return int(np.prod(self.shape))

    def settings(self, axis: int) -> np.ndarray:
        """Value of an axis at every point (P,): SI floats or words."""
        values = np.array(self.axes[axis].values)
        where = np.unravel_index(np.arange(self.count), self.shape)
        return values[where[axis if self.design == "grid" else 0]]

    def at(self, point: int) -> dict[str, object]:
        """All keys that the axes set at a point, with those that move along: {key: SI value or word}."""
        where = np.unravel_index(point, self.shape)
        found: dict[str, object] = {}
        for i, axis in enumerate(self.axes):
            k = where[i if self.design == "grid" else 0]
            found[axis.key] = axis.values[k]
            found.update({key: values[k] for key, values in axis.along.items()})
        return found
