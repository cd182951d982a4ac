"""A mill with a sieve after it: through once, or a closed circuit whose oversize goes back to the mill.

The closed circuit is solved for its steady state: what passes the sieve weighs as much as the fresh feed. At a frozen
chamber state the circuit is a geometric series (every pass leaves the share R: circulating load R/(1-R)), and that
series has a closed form: a piece that the sieve sends back has not left, so the circuit is the same mill whose escape
rates are lowered to the share that passes. One march solves it; round it the chamber state, which feels the whole
feed, is settled anew until mixture and rate no longer change. Compare Austin, Klimpel & Luckie 1984, Process
Engineering of Size Reduction, on closed circuits (from memory).

Taken, not measured: the oversize has cooled to the temperature of the feed before it goes back; the sieve cuts at its
aperture, sizes being sieve sizes; what it draws itself is not counted.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from ...base.reading.key import AS_MUCH
from ...errors import InputError, NoState, Problem, unsettled
from ...forecast.assemble import powder_temperature
from ...forecast.outcome import solve
from ...mill.config.mill import Config
from ...mill.problem import Setup, build
from ...record.limits import OK, OVER
from .turns import LESS, ROUGH, TOLERANCE, TRIES, Circuit, Going, Loop, SieveCut, verdict

FINEST_M, COARSEST_M = 20e-6, 30e-3  # apertures taken; the finest woven sieve of ISO 3310-1 has 20 um (from memory)
WORST_EFFICIENCY = 0.05
LEAP = 1e-3  # of fresh feed: what a circuit leaps by that is no matter
NO_SIEVE = SieveCut(float("inf"))


def closed(
    config: Config, aperture_m: float, efficiency: float = 1.0, class_ratio: float | None = None,
    partition: Callable[[np.ndarray], np.ndarray] | None = None,
) -> Circuit:  # fmt: skip
    """The mill of a config closed with a sieve, at the config's rate of fresh feed or as fast as it can grind.

    Raises InputError for a batch or a sieve that makes no sense, NotConverged where no steady state is found, and of it
    NoState where what passes leaps over the rate asked for.
    """
    cut = SieveCut(aperture_m, efficiency, partition)
    return close(ready(config, cut, class_ratio), cut, config.feed.rate_kg_s)


def once(
    config: Config, aperture_m: float, efficiency: float = 1.0, class_ratio: float | None = None,
    partition: Callable[[np.ndarray], np.ndarray] | None = None,
) -> Circuit:  # fmt: skip
    """The same mill and sieve with the oversize set aside: every piece goes through the mill once."""
    cut = SieveCut(aperture_m, efficiency, partition)
    return through(ready(config, cut, class_ratio), cut, config.feed.rate_kg_s)


def ready(config: Config, cut: SieveCut, class_ratio: float | None = None) -> Setup:
    """The problem with the aperture as a class bound; a calibration counts as at the open mill's temperature.

    Raises InputError with all that stands against the circuit.
    """
    wrong = [*wrong_cut(cut), *wrong_feed(config)]
    if wrong:
        raise InputError(wrong)
    bounds = (cut.aperture_m,) if np.isfinite(cut.aperture_m) else ()
    problem = build(config, class_ratio, bounds_m=bounds)
    if problem.calibration:
        o = solve(problem, config.feed.rate_kg_s)
        outlet = float(max(o.state["T"], powder_temperature(o)))
        problem = build(config, class_ratio, outlet, bounds)
    return problem


def wrong_cut(cut: SieveCut) -> list[Problem]:
    """What no sieve is."""
    wrong = []
    if not (FINEST_M * (1.0 - 1e-9) <= cut.aperture_m <= COARSEST_M * (1.0 + 1e-9) or cut == NO_SIEVE):
        wrong.append(Problem("the sieve", "", f"an aperture of {cut.aperture_m * 1e3:.4g} mm", "0.02 mm to 30 mm"))
    if not WORST_EFFICIENCY <= cut.efficiency <= 1.0:
        wrong.append(Problem("the sieve", "", f"an efficiency of {cut.efficiency:.4g}", f"{WORST_EFFICIENCY:g} to 1"))
    return wrong


def wrong_feed(config: Config) -> list[Problem]:
    """A batch, which no steady circuit is made of."""
    if config.feed.batch_mass_kg is None:
        return []
    message, hint = "is a batch, and a circuit runs steadily", f'give feed.rate instead, such as "{AS_MUCH}"'
    return [Problem(str(config.path or "config"), "feed.batch_mass", message, hint=hint)]


def through(
    problem: Setup, cut: SieveCut, rate_kg_s: float | None, mill: np.ndarray | None = None,
    tolerance: float | None = None,
) -> Circuit:  # fmt: skip
    """Mill and sieve with the oversize set aside; tolerance of the chamber state: default the config's."""
    loop = Loop(problem, cut, problem.mill if mill is None else mill)
    o = solve(loop.problem, rate_kg_s, loop.mill, tolerance)
    total = float(o.state["F"])
    passed = float(loop.passes @ o.product)
    code, reason = verdict(o.code if rate_kg_s is not None or o.code != OVER else OK, total, passed, o.binding)
    return loop.circuit(o, False, code, reason, total, loop.problem.feed, o.residual)


def before_leap(loop: Loop, fresh_kg_s: float) -> Going | None:
    """The circuit that fills with as much as it settles at of a rate of fresh feed, to ROUGH, where that leaps."""
    less = (loop.at_fresh(fresh_kg_s * LESS**k, tolerance=ROUGH) for k in range(1, TRIES))
    low, high = next(filter(None, less), None), fresh_kg_s
    for _ in range(TRIES):
        if low is None:
            break
        middle = 0.5 * (low.fresh + high)
        found = loop.at_fresh(middle, low, ROUGH)
        low, high = (found, high) if found else (low, middle)
    return low


def close(
    problem: Setup, cut: SieveCut, rate_kg_s: float | None, mill: np.ndarray | None = None, tolerance: float = TOLERANCE
) -> Circuit:
    """The steady closed circuit of a problem that has the aperture as a class bound (`ready`).

    rate_kg_s: fresh feed, or None for as much as the mill takes, fresh and returned together. mill: another (1,)
    record. With a tolerance above ROUGH the last, tight turns are left out.
    """
    loop = Loop(problem, cut, problem.mill if mill is None else mill, tolerance)
    found = loop.at_fresh(rate_kg_s) if rate_kg_s is not None else None
    if found is not None:
        return loop.told(found)
    most = loop.at_most()
    if isinstance(most, Circuit):
        return most
    if rate_kg_s is None or most.fresh <= rate_kg_s * (1.0 + 1e-4):
        return replace(loop.told(most), code=OK if rate_kg_s is None else OVER)
    again = loop.at_fresh(rate_kg_s, most)  # the way there went over a limit, the end does not
    again = again or loop.less_than(most, rate_kg_s) or before_leap(loop, rate_kg_s)
    if again is None:
        raise unsettled(f"the circuit, which takes {3600 * most.fresh:.3g} kg/h, at a smaller rate")
    if abs(again.fresh / rate_kg_s - 1.0) > LEAP:
        low, high = (f"{3600 * g.fresh:.3g} kg/h" for g in (again, most))
        raise NoState(
            f"fed with {3600 * rate_kg_s:.3g} kg/h this circuit comes to no steady state: as its mill fills up, what "
            f"passes the sieve leaps from {low} to {high}; feed {low} or less, or as fast as it can grind"
        )
    return loop.told(again)
