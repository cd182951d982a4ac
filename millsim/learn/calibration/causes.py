"""What could have been different in a run that a prediction missed: each as a change of the model of the run."""

from collections.abc import Callable
from dataclasses import replace
from math import exp, log
from typing import NamedTuple

import numpy as np

from ...mill.config.mill import Config
from ...mill.config.sections import FeedSize
from ...mill.parts import own_loss
from ...mill.problem import build, set_parameters
from ...studies.wear import radii, worn_edge
from ..measured.runsheet import MeasuredRun
from .observations import unseen_share
from .scene import Scene

UNWEIGHED = 0.1  # of the powder: what may be lost in a sieving whose charge was not weighed


class Cause(NamedTuple):
    """A thing that may have been different: what it does, by how much it may be, how it reads, what would tell."""

    name: str
    effect: Callable[[Scene, float], np.ndarray | None]  # (k,) of a forecast with it, at a size; at 0 nothing changes
    within: Callable[[Scene], tuple[float, float]]  # smallest and largest plausible size
    words: Callable[[Scene, float], tuple[str, str]]  # (what, size needed)
    tells: Callable[[MeasuredRun], str]  # the one measurement
    known: Callable[[MeasuredRun], str]  # what in the run sheet rules it out, "" if nothing does


# --- what they do -----------------------------------------------------------------------------------------


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
    """A rounder edge, which cuts with less of a hit and takes larger chips, as bars that wear."""
    return scene.forecast(worn_edge(scene.mill, scene.model.problem.config, _edge_m(scene) * exp(size)))


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


def _leaking(scene: Scene, size: float) -> np.ndarray:
    """A share of the powder that is charge, past the sieve or through a hole in it; how much is in there stays."""
    base = scene.base
    return scene.tell(replace(base, q3=(1.0 - size) * base.q3 + size * base.holdup_q3))


def _motor_loses(scene: Scene, size: float) -> np.ndarray:
    """A motor that takes `size` [W] with nothing on it, though its loss at the rated power is as the efficiency has it.

    What is added to that which the efficiency counts falls with the load to nothing at rated power.
    """
    base, m = scene.base, scene.mill[0]
    idle, loaded = (W + size * max(0.0, 1.0 - W * float(m["efficiency"] / m["rated_power"])) for W in
                    (base.idle_W, base.loaded_W))  # fmt: skip
    return scene.tell(replace(base, idle_W=idle, loaded_W=loaded))


def _whole_loss(scene: Scene) -> tuple[float, float]:
    """From nothing to all that the motor loses at its rated power."""
    m = scene.mill[0]
    return 0.0, float(m["rated_power"] * (1.0 / m["efficiency"] - 1.0))


def _motor_known(run: MeasuredRun) -> str:
    if run.meter_at == "shaft":
        return "power was measured at the shaft"
    return "the motor's own loss is known" if run.motor_alone_W or own_loss(run.config) > 0.0 else ""


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


def _edge_m(scene: Scene) -> float:
    config = scene.model.problem.config
    return radii(config)[config.rotor.main_edge]


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
    Cause("leak", _leaking, lambda scene: (0.0, 0.6), _share_words("charge slips past the sieve", "the powder"),
          lambda run: "feel for gaps at its rim and for torn holes", _nothing),
    Cause("edge", _blunter, lambda scene: (0.0, log(6.0)),
          _length("edge blunter", "edge blunter", _edge_m),
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
    Cause("motor", _motor_loses, _whole_loss,
          lambda scene, size: ("motor's own loss, no windage", f"{size:.2g} W with nothing on it"),
          lambda run: "watt meter on the motor alone, without the rotor", _motor_known),
)  # fmt: skip
