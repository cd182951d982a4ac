"""What a workshop can measure on its mill, and what each draw of the parameters says that it would show."""

from dataclasses import dataclass, replace
from math import log

import numpy as np

from ...forecast.error import sizes_of
from ...mill.calibrated import ALIKE
from ...mill.config.mill import Config
from ...mill.problem import build
from . import observations as obs
from .runmodel import Forecast
from .shared import Shared, cross, everywhere

RUN = 30  # minutes of a run until it is steady and measured, on a warm mill (assumed)
SIEVES = np.array([0.063, 0.09, 0.125, 0.18, 0.25, 0.355, 0.5, 0.71, 1.0, 1.4, 2.0, 2.8, 4.0]) * 1e-3
OTHER_HOLE, OTHER_SPEED = 1.6, 0.8  # of the second sieve and speed, as factors
DROP = 0.25  # in ln of the energy that breaks half: counting 30 pieces, and that a drop is no free hit (assumed)
PROBE_K = 1.2  # standard error of the thermometer that is read
METER = 0.02 / obs.LIMIT  # of the watt meter that is read


@dataclass(frozen=True)
class Part:
    """Numbers of a measurement: shown per draw (N, k), covariance (k, k), sources of error shared with others."""

    shown: np.ndarray
    covariance: np.ndarray
    shared: tuple[Shared, ...] = ()


def measurable(told: dict[str, list[Forecast]], mills: np.ndarray, config: Config, rate: float) -> list[tuple]:
    """(name, what to do, minutes, parts) of all a workshop can measure on this mill; efforts are assumed, and
    each that needs a run bears it: further readings of the same run then cost the rest only.
    """
    here, watts = told[""], obs.watts_shared(config, METER, "mains", 1)
    problem = build(config)
    frame = obs.frame_of(config, rate, sizes_of(problem))
    e, net = frame.sizes, 1.0 - float(np.median([f.idle_W / f.loaded_W for f in here]))
    charge, most = frame.of_model(holdup=e["error_holdup"]), frame.of_model(rate=e["error_rate"], work=-e["error_work"])
    loaded = (*watts, *frame.of_model(work=net * e["error_work"]))
    largest, fed = (
        float(np.hypot(a, b)) for a, b in ((obs.FEEDER, e["repeat_rate"]), (obs.READ, net * e["repeat_work"]))
    )
    half = np.log(mills["xw_min_warm"] + log(2.0) / mills["f_mat_warm"])  # energy times size that breaks half
    edges = problem.edges
    size = _sieved("product size", here, "q3", edges, frame)
    inside = _sieved("charge size", here, "holdup_q3", edges, frame)
    found = [
        ("idle power", "run the mill with its rotor hot and empty and read the watt meter", 10,
         [_of_logs(here, "idle_W", obs.READ, watts)]),
        ("charge", "weigh what is left in the chamber after a steady run", RUN + 5,
         [_of_logs(here, "holdup_kg", e["repeat_holdup"], charge)]),
        ("largest rate", "find the largest feed rate it takes", 30, [_of_logs(here, "capacity_kg_s", largest, most)]),
        ("air flow", "time how long the air takes to fill a bag of known size", 20,
         [_of_logs(here, "air_m3_s", 0.15)]),
        ("air temperature", "read a thermometer in the air that leaves, at the end of the run", RUN + 5,
         [_thermometer(here, "air", net, frame)]),
        ("powder temperature", "push a thermometer into the powder just caught, at the end of the run", RUN + 5,
         [_thermometer(here, "powder", net, frame)]),
        ("loaded power", "read the watt meter while feeding at a known rate", RUN + 5,
         [_of_logs(here, "loaded_W", fed, loaded)]),
        ("product size", "sieve 50 g of product of a timed run", RUN + 40, [size]),
        ("charge size", "sieve what is left in the chamber after a steady run", RUN + 30, [inside]),
        ("drop test", "drop a weight on 30 single pieces of the feed (millsim droptest)", 45,
         [Part(half[:, None], np.array([[DROP**2]]))]),
    ]  # fmt: skip
    for name, text, minutes, key, step in (
        ("second sieve", f"run it once more with {OTHER_HOLE:g} times the hole", RUN + 60, "hole", (1, OTHER_HOLE)),
        ("second speed", f"run it once more at {OTHER_SPEED:g} of the speed", RUN + 50, "speed", (0, OTHER_SPEED)),
    ):
        there = frame.place.copy()
        there[step[0]] += log(step[1]) / ALIKE
        away = replace(frame, place=there)
        parts = [
            _sieved("product size", told[key], "q3", edges, away),
            _of_logs(told[key], "holdup_kg", e["repeat_holdup"], away.of_model(holdup=e["error_holdup"])),
            _of_logs(
                told[key], "loaded_W", fed,
                (*watts, *away.of_model(work=net * e["error_work"])),
            ),
        ]  # fmt: skip
        found.append((name, f"{text}: sieve, charge, watts", minutes, parts))
    return found


def _of_logs(told: list[Forecast], field: str, own: float, shared: tuple[Shared, ...] = ()) -> Part:
    """The logarithm of one number, with a relative error of its own and errors it shares."""
    shown = np.log(np.maximum([[getattr(f, field)] for f in told], 1e-12))
    return Part(shown, own**2 + (cross(shared, shared) if shared else np.zeros((1, 1))), shared)


def _thermometer(told: list[Forecast], of: str, net: float, frame: obs.Frame) -> Part:
    """A temperature of the air or the powder that leaves."""
    shown = np.array([[getattr(f, f"{of}_K")] for f in told])
    warmer, e = float(np.median(shown)) - frame.room_K, frame.sizes
    shared = (
        everywhere(f"{of} temperature", (PROBE_K**2 + obs.PLACE_K**2) ** 0.5),
        *frame.of_model(rise=e["error_rise"] * warmer, work=net * e["error_work"] * warmer),
    )
    return Part(shown, cross(shared, shared) + (e["repeat_rise"] * warmer) ** 2, shared)


def _sieved(name: str, told: list[Forecast], field: str, edges: np.ndarray, frame: obs.Frame) -> Part:
    """Q3 on the usual sieves, as far as they tell draws apart."""
    ln_edges = np.log(edges)
    shown = np.array([np.interp(np.log(SIEVES), ln_edges, getattr(f, field)) for f in told])
    mean = shown.mean(axis=0)
    use = (mean > 0.01) & (mean < 0.99)
    slope = np.gradient(mean, np.log(SIEVES))[use]
    at = np.log(SIEVES[use])
    shared = (*obs.curve_shared(name, at, mean[use], slope, frame), *obs.apertures_shared(at, slope))
    return Part(shown[:, use], obs.curve_own(slope, frame) + cross(shared, shared), shared)
