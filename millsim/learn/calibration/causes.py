"""Why a prediction missed: what could have been different in the run, tried out on the model itself.

Each cause is put into the model of the run, at a plausible size, and what it does to all that was measured is held
against what is left over. It takes away d'S d - (d - g)'S(d - g) of the misfit, where d is measured less predicted, g
the effect of the cause at the size that suits best, and S the inverse of the covariance: of the measurement with the
model's own error, and of the draws of all parameters, which move together. The parameters are those of the prediction.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import exp, log
from typing import NamedTuple

import numpy as np

from ...forecast import band
from ...mill.config.mill import Config, FeedSize, parse_config
from ...mill.problem import build, set_parameters
from ...version import MODEL_VERSION
from ..measured.runsheet import MeasuredRun
from ..measured.runspec import AS_IT_TOOK
from .compare import RunComparison
from .observations import FEEDER, Block, Misfit, blocks_of, unseen_share
from .runmodel import Forecast, RunModel, model_of

DRAWS = 128
LEAST_SETTLED = 24  # draws that must settle, and run, for their covariance to mean anything
TAILS = (0.05, 0.95)  # quantiles beyond which draws are taken in
KNOTS = 5  # sizes of a cause that are solved on either side
STEPS = 121  # sizes between them that are tried
UNWEIGHED = 0.1  # of the powder: what may be lost in a sieving whose charge was not weighed
MOST = 5  # causes that are named
LEAST = 0.15  # of the misfit: a cause that takes away less is not named
LEAST_DROP = 2.7  # of the misfit (90 % of chi-squared with one degree of freedom)
AGAINST = 2.0  # standard errors: what a cause moves from nearer to beyond this speaks against it
FAR = 9.0  # of the misfit (three standard errors): what fits by as much worse than the best is not named
ENOUGH = 0.5  # of the misfit: if no cause takes away this much, none explains the miss


@dataclass(frozen=True)
class Scene:
    """The run on the model: its mill, what was measured, the inverse covariance, and what the model says of it."""

    comparison: RunComparison
    model: RunModel
    mill: np.ndarray  # (1,) MILL
    values: dict[str, float]  # parameters of the prediction
    blocks: tuple[Block, ...]
    labels: tuple[str, ...]
    sieves: np.ndarray  # (k,) which of them are Q3 of the product
    measured: np.ndarray  # (k,)
    predicted: np.ndarray  # (k,) at the run's own rate and setting
    covariance: np.ndarray  # (k, k)

    @property
    def run(self) -> MeasuredRun:
        """The measured run."""
        return self.comparison.run

    def misfit(self, predicted: np.ndarray) -> float:
        """d'S d of a forecast."""
        off = self.measured - predicted
        return float(off @ np.linalg.solve(self.covariance, off))

    def tell(self, forecast: Forecast) -> np.ndarray:
        """(k,) what the instruments would show of a forecast."""
        return _told(self.blocks, forecast)

    def forecast(self, mill: np.ndarray | None = None, model: RunModel | None = None) -> np.ndarray | None:
        """(k,) of the mill of the scene or another; None where it does not settle."""
        model = model or self.model
        found = model.forecast(self.mill if mill is None else mill)
        if found is None:
            return None
        edges, own = model.problem.edges, self.model.problem.edges
        return self.tell(replace(found, q3=np.interp(np.log(own), np.log(edges), found.q3)))


class Cause(NamedTuple):
    """A thing that may have been different: what it does, by how much it may be, how it reads, what would tell."""

    name: str
    effect: Callable[[Scene, float], np.ndarray | None]  # (k,) of a forecast with it, at a size; at 0 nothing changes
    within: Callable[[Scene], tuple[float, float]]  # smallest and largest plausible size
    words: Callable[[Scene, float], tuple[str, str]]  # (what, size needed)
    tells: Callable[[MeasuredRun], str]  # the one measurement
    known: Callable[[MeasuredRun], str]  # what in the run sheet rules it out, "" if nothing does


@dataclass(frozen=True)
class Found:
    """A cause at the size that suits best: share of the misfit it takes away; against: what speaks against it.

    off: what it leaves farthest off.
    """

    name: str
    what: str
    size: float
    needed: str
    share: float
    tells: str
    off: str
    against: str = ""


@dataclass(frozen=True)
class Explanation:
    """Causes, best first, that fit the miss; those that do not, with why; known: share that known differences take."""

    causes: tuple[Found, ...] = ()
    ruled_out: tuple[Found, ...] = ()
    known: float = 0.0
    none: str = ""  # why no cause is named

    @property
    def enough(self) -> bool:
        """Whether one of the causes takes away most of the miss."""
        return any(c.share >= ENOUGH for c in self.causes)


def explain(c: RunComparison) -> Explanation:
    """The causes that fit the pattern of a miss."""
    if not c.missed:
        return Explanation(none="the prediction was not missed")
    if c.prediction.model_version != MODEL_VERSION:
        return Explanation(none=f"the prediction is of model {c.prediction.model_version}, this is {MODEL_VERSION}")
    if any(key in ("feed.material", "feed.batch_mass") for key, _, _ in c.differing):
        return Explanation(none="it was made for another feed")
    scene = _scene(c)
    if scene is None:
        return Explanation(none="the model does not settle at the rate of the run")
    whole, left = scene.misfit(_stored(scene)), scene.misfit(scene.predicted)
    tried = [_tried(scene, cause, left) for cause in CAUSES]
    tried = _far_behind(tried, left)
    fits = sorted((f for f in tried if not f.against), key=lambda f: -f.share)
    against = tuple(f for f in tried if f.against)
    none = "" if fits else "none of the causes tried fits what was measured"
    differs = bool(c.differing) or not c.same_rate
    return Explanation(tuple(fits[:MOST]), against, 1.0 - left / whole if differs and whole > 0.0 else 0.0, none)


# --- the run on the model ---------------------------------------------------------------------------------


def _scene(c: RunComparison) -> Scene | None:
    """The run with the parameters of the prediction; None where the model has no answer to it."""
    run, p = c.run, c.prediction
    model = replace(model_of(run), want_capacity=run.feeding == AS_IT_TOOK)
    values = {q.name: q.value for q in p.parameters}
    set_parameters(model.problem.mill, values)
    mill = model.problem.mill
    base = model.forecast(mill)
    if base is None:
        return None
    blocks = _measured_blocks(run, model)
    misfit = Misfit((blocks,))
    drawn = [_told(blocks, f) for f in _forecasts(c, model) if f is not None and f.overrun <= 1.0]
    if len(drawn) < LEAST_SETTLED:
        return None
    ends = np.quantile(drawn, TAILS, axis=0)  # a few draws that nearly stick or stall would widen all beyond sense
    covariance = misfit.covariance + np.atleast_2d(np.cov(np.clip(drawn, *ends).T))
    labels = tuple(label for b in blocks for label in b.labels)
    sieves = np.concatenate([np.full(b.values.size, b.name == "product size") for b in blocks])
    return Scene(c, model, mill, values, blocks, labels, sieves, misfit.values, _told(blocks, base), covariance)


def _measured_blocks(run: MeasuredRun, model: RunModel) -> tuple[Block, ...]:
    """All that was measured and that a cause may move; of a mill that set its own rate the rate, too."""
    found = [b for b in blocks_of(run, model) if not b.one_sided and b.name != "at its limit"]
    if run.feeding == AS_IT_TOOK:
        rate, error = np.array([log(run.feed_rate_kg_s)]), np.array([[FEEDER**2]])
        found.append(Block("rate", ("rate",), rate, error, _rate, unit="kg/s", logs=True))
    return tuple(found)


def _rate(forecast: Forecast) -> np.ndarray:
    return np.array([log(max(forecast.capacity_kg_s, 1e-12))])


def _told(blocks: tuple[Block, ...], forecast: Forecast) -> np.ndarray:
    return np.concatenate([b.tell(forecast) for b in blocks])


def _forecasts(c: RunComparison, model: RunModel) -> list[Forecast | None]:
    """What the draws of the prediction's parameters say of the run."""
    calibration = build(parse_config(c.prediction.config_text)).calibration
    drawn = replace(model.problem, parameters=c.prediction.parameters, calibration=calibration)
    mills = band.draws(drawn, DRAWS, c.prediction.seed)
    return [model.forecast(mills[i : i + 1]) for i in range(DRAWS)]


def _stored(scene: Scene) -> np.ndarray:
    """(k,) what the stored prediction says of what was measured, at its own rate and setting."""
    p, own = scene.comparison.prediction, scene.model
    at_shaft = own.meter == "shaft"
    v = {n: s.value for n, s in p.main.scalars.items()}
    ln_own, ln_x = np.log(own.problem.edges), np.log(p.main.table.edges_m)
    curves = (np.interp(ln_own, ln_x, q) for q in (p.main.table.product_q3, p.main.table.holdup_q3))
    idle = v["idle_power_W"] * (float(scene.mill[0]["efficiency"]) if at_shaft else 1.0)
    loaded = v["shaft_power_W" if at_shaft else "electrical_power_W"]
    temperatures = v["air_temperature_K"], v["powder_temperature_K"]
    return scene.tell(
        Forecast(*curves, v["holdup_kg"], idle, loaded, *temperatures, v["air_flow_m3_s"], 0.0, 0.0, v["capacity_kg_s"])
    )


# --- one cause --------------------------------------------------------------------------------------------


def _tried(scene: Scene, cause: Cause, left: float) -> Found:
    """A cause at the size that takes away most of the misfit `left`, with what speaks against it."""
    sizes, effects = _effects(scene, cause)
    misfits = np.array([scene.misfit(e) for e in effects])
    i = int(np.argmin(misfits))
    size, drop = float(sizes[i]), left - float(misfits[i])
    what, needed = cause.words(scene, size)
    share = max(0.0, drop / left)
    against = cause.known(scene.run) or _against(scene, effects[i])
    if not against and size == 0.0:
        against = "it would move what was measured the other way"
    elif not against and (share < LEAST or drop < LEAST_DROP):
        against = f"it would take away {100 * share:.0f} % of the miss at most"
    return Found(cause.name, what, size, needed, share, cause.tells(scene.run), _farthest(scene, effects[i]), against)


def _far_behind(tried: list[Found], left: float) -> list[Found]:
    """Where one cause explains the miss, those that fit it far worse are against what was measured."""
    best = max((f for f in tried if not f.against), key=lambda f: f.share, default=None)
    if best is None or best.share < ENOUGH:
        return tried
    far = [not f.against and (best.share - f.share) * left > FAR for f in tried]
    return [
        replace(f, against=f"it leaves {f.off} unexplained") if out else f for f, out in zip(tried, far, strict=True)
    ]


def _farthest(scene: Scene, predicted: np.ndarray) -> str:
    """What lies farthest off with a cause."""
    off = np.abs(scene.measured - predicted) / np.sqrt(np.diag(scene.covariance))
    return scene.labels[int(np.argmax(off))]


def _effects(scene: Scene, cause: Cause) -> tuple[np.ndarray, np.ndarray]:
    """Sizes (m,) of a cause in the plausible range, and forecasts (m, k) with it; linear between a few solved."""
    low, high = cause.within(scene)
    solved = {0.0: scene.predicted}
    for end in (low, high):
        for size in np.linspace(0.0, end, KNOTS + 1)[1:].tolist() if end else ():
            found = cause.effect(scene, size)
            if found is None:
                break  # farther out it settles no better
            solved[size] = found
    at = np.array(sorted(solved))
    told = np.array([solved[x] for x in at.tolist()])
    sizes = np.unique(np.concatenate([np.linspace(at[0], at[-1], STEPS), [0.0]]))
    return sizes, np.column_stack([np.interp(sizes, at, column) for column in told.T])


def _against(scene: Scene, predicted: np.ndarray) -> str:
    """What was measured beside the sizes and would be missed with a cause, though it is not without."""
    sd = np.sqrt(np.diag(scene.covariance))
    before, after = (np.abs(scene.measured - q) / sd for q in (scene.predicted, predicted))
    worse = [i for i in np.flatnonzero((after > AGAINST) & (after > before + 0.5)) if not scene.sieves[i]]
    return f"{scene.labels[max(worse, key=lambda i: after[i])]} speaks against it" if worse else ""


def _with(scene: Scene, **factors: float) -> np.ndarray | None:
    """(k,) with fields of the mill multiplied."""
    mill = scene.mill.copy()
    for name, factor in factors.items():
        mill[name] *= factor
    return scene.forecast(mill)


def _staged(scene: Scene, config: Config) -> np.ndarray | None:
    """(k,) with another config, at the speed and with the parameters of the scene."""
    problem = build(config)
    set_parameters(problem.mill, scene.values)
    for name in ("omega_0", "curve_power", "curve_speed"):
        problem.mill[name] = scene.mill[name]
    return scene.forecast(problem.mill, replace(scene.model, problem=problem))


def _pegged(scene: Scene, size: float) -> np.ndarray | None:
    return _with(scene, usable_open=1.0 - size)


def _slower(scene: Scene, size: float) -> np.ndarray | None:
    return _with(scene, sieve_factor=exp(-size))


def _blunter(scene: Scene, size: float) -> np.ndarray | None:
    return _with(scene, edge_radius=exp(size))


def _faster(scene: Scene, size: float) -> np.ndarray | None:
    return _with(scene, omega_0=exp(size), curve_speed=exp(size))


def _warmer(scene: Scene, size: float) -> np.ndarray | None:
    """Warmer feed and, unless the room was measured, a warmer room."""
    mill = scene.mill.copy()
    for name in ("T_feed", *(("T_air_in", "T_room") if scene.run.room_K is None else ())):
        mill[name] += size
    return scene.forecast(mill)


def _coarser_feed(scene: Scene, size: float) -> np.ndarray | None:
    c = scene.model.problem.config
    return _staged(scene, replace(c, feed=replace(c.feed, size=scaled(c.feed.size, exp(size)))))


def scaled(size: FeedSize, factor: float) -> FeedSize:
    """A feed whose every piece is larger by a factor."""
    lengths = {n: getattr(size, n) for n in ("size_m", "x63_m", "x50_m", "largest_m")}
    more = {n: v * factor for n, v in lengths.items() if v is not None}
    return replace(size, sheet_apertures_m=tuple(a * factor for a in size.sheet_apertures_m), **more)


def _wider(scene: Scene, size: float) -> np.ndarray | None:
    c = scene.model.problem.config
    return _staged(scene, replace(c, stator=replace(c.stator, gap_m=c.stator.gap_m * exp(size))))


def _more_fed(scene: Scene, size: float) -> np.ndarray | None:
    """A true rate higher than the sheet's; of a mill that set its own rate the sheet's then reads too low."""
    found = scene.forecast(model=replace(scene.model, rate_kg_s=scene.model.rate_kg_s * exp(size)))
    if found is not None:
        found[[label == "rate" for label in scene.labels]] -= size
    return found


def _fines_lost(scene: Scene, size: float) -> np.ndarray:
    """A share of the powder, finer than all sieves, that was lost before or while it was sieved."""
    found = scene.predicted.copy()
    found[scene.sieves] = np.maximum(0.0, found[scene.sieves] - size) / (1.0 - size)
    return found


def _most_lost(scene: Scene) -> tuple[float, float]:
    """What the balance leaves open: half of the mass that no sieve saw (the other half is counted as fines)."""
    run = scene.run
    weighed = 3.0 * run.scale_kg / run.product_kg
    losses = [s.loss_share for s in run.product_sheets if s.loss_share is not None]
    sieving = 0.5 * max(0.0, *losses, 0.0) + 0.005 if losses else UNWEIGHED
    return 0.0, min(0.3, 0.5 * unseen_share(run) + sieving + weighed)


# --- in words ---------------------------------------------------------------------------------------------


def _times(more: str, less: str) -> Callable[[Scene, float], tuple[str, str]]:
    """Words for a factor exp(size)."""
    return lambda scene, size: (more if size >= 0.0 else less, f"{exp(abs(size)):.2g} times")


def _per_cent(more: str, less: str) -> Callable[[Scene, float], tuple[str, str]]:
    return lambda scene, size: (more if size >= 0.0 else less, f"{100 * abs(exp(size) - 1.0):.2g} %")


def _length(more: str, less: str, told: Callable[[Scene], float]) -> Callable[[Scene, float], tuple[str, str]]:
    def words(scene: Scene, size: float) -> tuple[str, str]:
        was = 1e3 * told(scene)
        return more if size >= 0.0 else less, f"{was * exp(size):.2g} mm for {was:.2g} mm"

    return words


def _temperature_words(scene: Scene, size: float) -> tuple[str, str]:
    what = "feed" if scene.run.room_K is not None else "feed and room"
    return f"{what} {'warmer: softer pieces' if size >= 0.0 else 'colder'}", f"{abs(size):.2g} K"


def _share_words(what: str, of: str) -> Callable[[Scene, float], tuple[str, str]]:
    return lambda scene, size: (what, f"{100 * size:.2g} % of {of}")


def _nothing(run: MeasuredRun) -> str:
    return ""


CAUSES = (
    Cause("pegged", _pegged, lambda scene: (0.0, 0.8), _share_words("holes pegged", "the holes"),
          lambda run: "count the open holes in 1 cm² after the run", _nothing),
    Cause("temperature", _warmer, lambda scene: (-25.0, 25.0), _temperature_words,
          lambda run: "thermometer in the feed, and in the powder just caught", _nothing),
    Cause("hold-up", _slower, lambda scene: (-log(2.5), log(2.5)),
          _times("powder leaves more slowly", "powder leaves faster"),
          lambda run: "stop it, weigh what stays in" if run.holdup_kg is None else "stop it, sieve what stays in",
          _nothing),
    Cause("losses", _fines_lost, _most_lost, _share_words("fines lost before the sieves", "the powder"),
          lambda run: "weigh charge, sieves and pan: does the sum close?", _nothing),
    Cause("edge", _blunter, lambda scene: (0.0, log(6.0)),
          _length("edge blunter", "edge blunter", lambda scene: float(scene.mill[0]["edge_radius"])),
          lambda run: "lens and radius gauge; repeat with a sharp edge", _nothing),
    Cause("feed", _coarser_feed, lambda scene: (-log(1.8), log(1.8)), _times("feed coarser", "feed finer"),
          lambda run: "sieve the feed", _nothing),
    Cause("rate", _more_fed, lambda scene: (-log(1.25), log(1.25)),
          _per_cent("fed faster than noted", "fed more slowly than noted"),
          lambda run: "weigh what is fed in five minutes", _nothing),
    Cause("gap", _wider, lambda scene: (-log(2.0), log(2.0)),
          _length("gap wider", "gap narrower", lambda scene: float(scene.mill[0]["gap"])),
          lambda run: "feeler gauge at four places", _nothing),
    Cause("speed", _faster, lambda scene: (-log(1.2), log(1.2)), _per_cent("rotor faster", "rotor slower"),
          lambda run: "tachometer under load",
          lambda run: "the speed under load was measured" if run.speed_loaded_rad_s is not None else ""),
)  # fmt: skip
