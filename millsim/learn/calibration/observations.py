"""What was measured, each with its error: blocks of numbers with a covariance; the misfit they make: `misfit`.

Errors come from the instruments (scale, meter class, probe, apertures) where the run sheet states them. On top come
errors that no instrument shows: a mill does not repeat itself, and the model is not the mill, both of the sizes that
the model card gives (`forecast.error`). What is off by as much in every run (motor, meter, sieves, thermometer) is one
error of all runs, and the model's is the more one the nearer they are, see `shared`.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from math import log
from statistics import NormalDist

import numpy as np

from ...base.reading.sheet import SieveSheet
from ...forecast.error import CURVE, shapes, sizes_of
from ...mill.calibrated import conditions
from ..measured.lasersizes import AS_SIEVED, MIDDLE, WIDTH
from ..measured.runspec import AS_IT_TOOK
from .runmodel import Forecast, RunModel
from .shared import Shared, cross, everywhere, joint, motor

LIMIT = 3.0**0.5  # a stated accuracy is the half-width of a rectangle: its standard error is a root of three less

# All assumed.
NET_UNKNOWN = 0.7  # share of the loaded watts that is not idling, where no watts were read
READ = 0.02  # of watts: what the needle or display swings
APERTURE = 0.03  # of one sieve's mean aperture (ISO 3310-1 allows about 3 % in this range; from memory)
SAME_SIEVE = 1e-4  # in ln x: closer than this it is one sieve
LEAST_Q3 = 0.003  # of one point, whatever else
EFFICIENCY = 0.08  # of the motor's efficiency, where watts are taken from the mains; the same idle and loaded
PLACE_K = 3.0  # where the thermometer was, and that one time constant tells the warm-up
OVERRUN = 0.2  # in ln of the load on a limit that would have stopped the mill
FEEDER = 0.15  # in ln of the largest feed rate, found by hand
AGAIN = 0.7  # of the variance of air flow that is the same in every run


@dataclass(frozen=True)
class Block:
    """Numbers measured together: labels and values (k,), covariance (k, k), and where the model tells them.

    unit: "%" for shares, else SI; logs: values are logarithms of numbers in it. one_sided: it only says that something
    was not exceeded. shared: the part of the covariance that these numbers have in common with those of other blocks.
    """

    name: str
    labels: tuple[str, ...]
    values: np.ndarray
    covariance: np.ndarray
    tell: Callable[[Forecast], np.ndarray]
    shared: tuple[Shared, ...] = ()
    unit: str = "1"
    logs: bool = False
    one_sided: bool = False
    root: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "root", np.linalg.cholesky(self.covariance))

    def residuals(self, forecast: Forecast) -> np.ndarray:
        """(k,) model less measurement, weighted so that each has unit variance and none is counted twice."""
        return np.linalg.solve(self.root, self.tell(forecast) - self.values)

    @property
    def sd(self) -> np.ndarray:
        """Standard error (k,) of each number by itself."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def of_model(self) -> tuple[Shared, ...]:
        """The sources of error that are the model's own."""
        return tuple(s for s in self.shared if s.coordinate)

    @property
    def sd_measured(self) -> np.ndarray:
        """Standard error (k,) of each number without the model's own: what another measurement would differ by."""
        off = cross(self.of_model, self.of_model) if self.of_model else np.zeros_like(self.covariance)
        return np.sqrt(np.clip(np.diag(self.covariance - off), 1e-12, None))


@dataclass(frozen=True)
class Frame:
    """What the errors of one run's numbers need to know: their sizes, and kind and place of the mill."""

    sizes: dict[str, float]
    kind: str
    place: np.ndarray
    hole_m: float
    room_K: float

    def of_model(self, **loading) -> tuple[Shared, ...]:
        """The model's own error, by coordinate: how much one unit of its score moves numbers (k,)."""
        found = []
        for name, by in loading.items():
            by = np.atleast_1d(np.asarray(by, dtype=float))
            place = np.tile(self.place, (by.size, 1))
            found.append(Shared(f"model's {name}, {self.kind}", by, place, name))
        return tuple(found)


def frame_of(config, rate_kg_s: float, sizes: dict[str, float]) -> Frame:
    """The frame of a mill at a feed rate."""
    return Frame(sizes, *conditions(config, rate_kg_s), config.sieve.hole_m, config.air.room_K)


def blocks_of(run, model: RunModel, factors: tuple[float, ...] = (1.0, 1.0)) -> tuple[Block, ...]:
    """All that a MeasuredRun measured. The limits it kept count as one more observation.

    factors: of the model's own error, over what its card says.
    """
    edges = model.problem.edges
    frame = frame_of(run.config, run.feed_rate_kg_s, sizes_of(model.problem, factors))
    found = [size_block(run, edges, frame)]
    if run.holdup_sheets:
        found.append(_sizes("charge size", run, run.holdup_sheets, 0.0, edges, lambda f: f.holdup_q3, frame))
    if run.holdup_kg is not None:
        found.append(_holdup(run, frame))
    net = _net_share(run, model)
    found += [*_power(run, net, frame), *_temperatures(run, net, frame)]
    if run.air_flow_m3_s is not None:
        found.append(
            _logs("air flow", "m3/s", run.air_flow_m3_s, run.air_uncertainty / LIMIT, lambda f: f.air_m3_s, AGAIN)
        )
    if run.feeding == AS_IT_TOOK:
        found.append(_at_its_limit(run, frame))
    found += [*_at_most(run), _kept_running(run)]
    return tuple(b for b in found if b is not None)


def size_block(run, edges: np.ndarray, frame: Frame) -> Block | None:
    """The product's sizes as sieved, with what went into the bag; None where nothing was sieved."""
    return _sizes("product size", run, _with_bag(run), unseen_share(run), edges, lambda f: f.q3, frame)


# --- sizes -----------------------------------------------------------------------------------------------


def _sizes(name: str, run, sheets, unseen: float, edges: np.ndarray, curve, frame: Frame) -> Block | None:
    """One block of all sheets of one powder; unseen: share of the powder that no sheet saw."""
    if not sheets:
        return None
    x = np.concatenate([np.asarray(s.apertures_m) for s in sheets])
    q = np.concatenate([np.asarray(s.q3) for s in sheets])
    own = joint([(_weighing(s), ()) for s in sheets])
    slope = np.concatenate([_slope(s) for s in sheets])
    # What was lost in sieving, and what was not sieved, is like the rest or finer than all sieves: half-way between.
    loss = np.concatenate([_loss(s) for s in sheets])
    open_ = 0.5 * unseen * (1.0 - q)
    q, at = q + open_ + 0.5 * loss, np.log(x)
    missed = (everywhere(f"{name} not sieved", open_), everywhere(f"{name} lost in sieving", 0.5 * loss))
    instrument = laser_shared(q, slope) if sheets[0].by_laser else apertures_shared(at, slope)
    shared = (*curve_shared(name, at, q, slope, frame), *instrument, *missed)
    covariance = own + curve_own(slope, frame) + cross(shared, shared)
    whose = "" if name == "product size" else "charge "
    labels = tuple(f"{whose}Q3({1e3 * a:.3g} mm)" for a in x)
    ln_edges = np.log(edges)
    return Block(
        name, labels, np.minimum(q, 1.0), covariance, lambda f: np.interp(at, ln_edges, curve(f)), shared, "%"
    )  # fmt: skip


def curve_own(slope: np.ndarray, frame: Frame) -> np.ndarray:
    """Covariance (k, k) of Q3 with dQ3/dln x = slope that is each run's own: it does not repeat itself."""
    return frame.sizes["repeat_size"] ** 2 * np.outer(slope, slope) + LEAST_Q3**2 * np.eye(slope.size)


def curve_shared(name: str, at: np.ndarray, q: np.ndarray, slope: np.ndarray, frame: Frame) -> tuple[Shared, ...]:
    """Errors of Q3 (k,) at ln x = at that are the model's own: they come again in every run near its conditions."""
    bend = frame.sizes["error_curve"] * shapes(at - log(frame.hole_m), q)
    loading = dict(zip(CURVE, bend.T, strict=True)) | {"size": -frame.sizes["error_size"] * slope}
    whose = {} if name == "product size" else {n: f"{name}: {n}" for n in loading}
    return frame.of_model(**{whose.get(n, n): by for n, by in loading.items()})


def apertures_shared(at: np.ndarray, slope: np.ndarray) -> tuple[Shared, ...]:
    """Errors of Q3 (k,) at ln x = at by the sieves' apertures: each its own, the same in every run."""
    return (Shared("sieve apertures", APERTURE * slope, at[:, None] / SAME_SIEVE),)


def laser_shared(q: np.ndarray, slope: np.ndarray) -> tuple[Shared, ...]:
    """Errors of Q3 (k,) by laser diffraction, the same in every run: of all sizes, most of it shape, and of the width.

    The width moves x10 and x90 apart, sizes between and beyond by their distance in standard deviations (log-normal).
    """
    z = np.array([NormalDist().inv_cdf(p) for p in np.clip(q, LEAST_Q3, 1.0 - LEAST_Q3)])
    size, width = np.hypot(AS_SIEVED, MIDDLE), WIDTH / NormalDist().inv_cdf(0.9)
    return everywhere("laser, all sizes", size * slope), everywhere("laser, width", width * z * slope)


def unseen_share(run) -> float:
    """Share of the powder through the sieve that no sheet saw: the bag unless sieved, and what is missing."""
    bag, missing = run.bag_kg or 0.0, max(0.0, run.unaccounted_kg)
    return ((0.0 if run.bag_sheets else bag) + missing) / (run.product_kg + bag + missing)


def _with_bag(run) -> tuple[SieveSheet, ...]:
    """The product sheets; where the bag was sieved too, each with the bag's powder mixed in by mass."""
    if not run.bag_sheets or not run.bag_kg:
        return run.product_sheets
    share, bag = run.bag_kg / (run.product_kg + run.bag_kg), run.bag_sheets[0]
    found = []
    for s in run.product_sheets:
        q = np.interp(np.log(s.apertures_m), np.log(bag.apertures_m), bag.q3, right=1.0)
        found.append(replace(s, q3=tuple(float(v) for v in (1.0 - share) * np.asarray(s.q3) + share * q)))
    return tuple(found)


def _loss(sheet: SieveSheet) -> np.ndarray:
    """How much higher Q3 lies if all that was lost in sieving was finer than the finest sieve."""
    if not sheet.q3_loss_fine or not sheet.q3_loss_shared:
        return np.zeros(len(sheet.q3))
    return np.asarray(sheet.q3_loss_fine) - np.asarray(sheet.q3_loss_shared)


def _slope(sheet: SieveSheet) -> np.ndarray:
    """dQ3/dln x at the apertures: mean of the two sides, 0 beyond a closed end."""
    x, q = np.log(np.asarray(sheet.apertures_m)), np.asarray(sheet.q3)
    if x.size == 1:
        return np.array([min(q[0], 1.0 - q[0])])
    sides = np.diff(q) / np.diff(x)
    return np.interp(x, 0.5 * (x[1:] + x[:-1]), sides)


def _weighing(sheet: SieveSheet) -> np.ndarray:
    """Covariance of Q3 from the resolution of the scale: every mass is off by up to half a step."""
    masses = np.array([sheet.pan_g or 0.0, *sheet.retained_g])
    if masses.size == 1 or masses.sum() <= 0.0:  # a sheet in per cent: weighing unknown
        return np.zeros((len(sheet.q3), len(sheet.q3)))
    step = sheet.resolution_g or 0.01
    below = np.tril(np.ones((masses.size - 1, masses.size)))
    derivative = (below - np.asarray(sheet.q3)[:, None]) / masses.sum()
    return derivative @ derivative.T * step**2 / 3.0


# --- everything else -------------------------------------------------------------------------------------


def _logs(name: str, unit: str, value: float, relative: float, tell, again: float = 0.0) -> Block:
    """One positive number with a relative error, compared by its logarithm; again: share of it that recurs."""
    shared = (everywhere(name, again**0.5 * relative),) if again else ()
    return Block(
        name, (name,), np.array([log(value)]), np.array([[relative**2]]),
        lambda f: np.array([log(max(tell(f), 1e-12))]), shared, unit, logs=True,
    )  # fmt: skip


def _holdup(run, frame: Frame) -> Block | None:
    if run.holdup_kg <= 0.0:
        return None
    own = float(np.hypot(frame.sizes["repeat_holdup"], run.scale_kg / run.holdup_kg))
    shared = frame.of_model(holdup=frame.sizes["error_holdup"])
    return Block(
        "charge", ("charge",), np.array([log(run.holdup_kg)]), own**2 + cross(shared, shared),
        lambda f: np.array([log(max(f.holdup_kg, 1e-12))]), shared, "kg", logs=True,
    )  # fmt: skip


def _net_share(run, model: RunModel) -> float:
    """Share of the loaded watts that is not idling, by the measured idle power or else the model's."""
    if run.loaded_W is None:
        return NET_UNKNOWN
    idle = run.idle_W if run.idle_W is not None else model.idle_W
    return float(np.clip(1.0 - idle / run.loaded_W, 0.05, 1.0))


def _power(run, net: float, frame: Frame) -> list[Block]:
    """Idle and loaded watts; meter and motor efficiency are off by the same share in both."""
    work = float(np.hypot(READ, net * frame.sizes["repeat_work"]))
    rows = [("idle power", run.idle_W, READ, "idle_W"), ("loaded power", run.loaded_W, work, "loaded_W")]
    rows = [r for r in rows if r[1] is not None]
    if not rows:
        return []
    names, values, own, fields = zip(*rows, strict=True)
    by = [net * frame.sizes["error_work"] if n == "loaded power" else 0.0 for n in names]
    shared = (*watts_shared(run.config, run.meter_class / LIMIT, run.meter_at, len(rows)), *frame.of_model(work=by))
    covariance = cross(shared, shared) + np.diag(np.square(own))

    def tell(f: Forecast) -> np.ndarray:
        return np.log([max(getattr(f, n), 1e-9) for n in fields])

    return [Block("power", names, np.log(values), covariance, tell, shared, "W", logs=True)]


def _at_its_limit(run, frame: Frame) -> Block:
    """It took as much as it took: the load on what held the feed back was one."""
    e = frame.sizes
    loads = {"outlet temperature": ("work", "rise"), "chamber": ("holdup",)}.get(run.limit or "", ("work",))
    shared = frame.of_model(rate=-e["error_rate"], **{n: e[f"error_{n}"] for n in loads})
    own = FEEDER**2 + e["repeat_rate"] ** 2
    return Block(
        "at its limit", ("at its limit",), np.zeros(1), own + cross(shared, shared),
        lambda f: np.array([log(max(f.load, 1e-12))]), shared, "1", logs=True,
    )  # fmt: skip


def watts_shared(config, meter: float, at: str, count: int) -> tuple[Shared, ...]:
    """Errors of `count` ln watts that come again in every run: the meter's and, at the mains, the motor's."""
    found = (everywhere(f"meter {at}", np.full(count, meter)),)
    return (*found, everywhere(motor(config), np.full(count, EFFICIENCY))) if at == "mains" else found


def _at_most(run) -> list[Block]:
    """Amperes times volts: watts that were not exceeded."""
    variance = np.array([[run.meter_class**2 / LIMIT**2 + EFFICIENCY**2]])
    common = (everywhere(motor(run.config), EFFICIENCY),)
    rows = (("idle power", run.idle_upper_W, "idle_W"), ("loaded power", run.loaded_upper_W, "loaded_W"))
    return [
        Block(
            f"{name} at most",
            (f"{name} at most",),
            np.zeros(1),
            variance,
            partial(_excess, of, most),
            common,
            one_sided=True,
        )
        for name, most, of in rows
        if most is not None
    ]


def _excess(name: str, most: float, forecast: Forecast) -> np.ndarray:
    """How far (ln) a forecast goes beyond what was not exceeded; 0 within."""
    return np.array([max(0.0, log(max(getattr(forecast, name), 1e-9) / most))])


def _as_one(tell: Callable[[Forecast], float], forecast: Forecast) -> np.ndarray:
    return np.array([tell(forecast)])


def _temperatures(run, net: float, frame: Frame) -> list[Block]:
    found = []
    for name, value, tell in (
        ("air temperature", run.air_temperature_K, lambda f: f.air_K),
        ("powder temperature", run.powder_temperature_K, lambda f: f.powder_K),
    ):
        if value is not None:
            warmer, e = value - frame.room_K, frame.sizes
            place = everywhere(name, (run.probe_K**2 / LIMIT**2 + PLACE_K**2) ** 0.5)
            shared = (place, *frame.of_model(rise=e["error_rise"] * warmer, work=net * e["error_work"] * warmer))
            own = cross(shared, shared) + (e["repeat_rise"] * warmer) ** 2
            found.append(Block(name, (name,), np.array([value]), own, partial(_as_one, tell), shared, "K"))
    return found


def _kept_running(run) -> Block:
    """The mill went on: what would have stopped it within seconds was not exceeded."""
    return Block(
        "kept running", ("jam, chamber and feed opening within their limits",), np.zeros(1), np.array([[OVERRUN**2]]),
        partial(_excess, "overrun", 1.0), (everywhere(conditions(run.config, 1.0)[0], OVERRUN),), one_sided=True,
    )  # fmt: skip
