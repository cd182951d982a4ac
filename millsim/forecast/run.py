"""`predict`: from a config to a Prediction. The one place that knows the order of things."""

import secrets
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from ..base.quantities.params import GUESSED
from ..engines import montecarlo
from ..engines.ahead import compiling
from ..engines.aside import fill_warmup, rows, size_floor
from ..engines.pieces import MOST_PIECES
from ..errors import MillsimError
from ..mill.config.mill import Config
from ..mill.problem import SAG, SPEED_LOSS, Setup, build
from ..record.date import now_utc
from ..record.heatlimit import heat_limit, no_powder, stopped_words
from ..record.limits import CANNOT, OK, OVER, cannot_run_words, status_words
from ..record.prediction import EngineResult, Prediction
from ..version import MODEL_VERSION, __version__
from . import band as bands
from . import stalls
from .assemble import (
    balance_result,
    fed,
    limits_of,
    montecarlo_result,
    of_what_comes,
    powder_temperature,
    too_little,
    with_class_error,
    without_sizes,
    without_throughput,
)
from .error import errors
from .outcome import Outcome, at_state, hardly, solve, solve_batch, solve_cold_start

NAN = float("nan")
WARMUP_POINTS = 121
MOST_TOLD = 8  # parameters that open an output, the widest first
Progress = Callable[[str, float, str], None]

COLD_START = {  # what happens within seconds when a feed rate is asked that the mill does not take
    "jam": "is too much for rotor and motor: within seconds it labours at its overload, slows down and stalls or trips",
    "chamber": "floods within seconds: the chamber fills faster than it is emptied",
    "feed opening": "is never reached: the feed opening does not pass that much",
}
WARM = {
    "shaft power": "overloads the motor: it would get hot and trip",
    "outlet temperature": "overheats after some minutes: the powder sticks",
    "sieve": "blinds the sieve",
    "grinding": "hardly grinds: hits and bites take tens of kilowatt hours per kilogram",
    **COLD_START,
}


def _silent(stage: str, done: float, detail: str = "") -> None:
    """Progress to nobody."""


_NONE_LEFT = "no history of the Monte Carlo engine leaves the mill within the time of the batch"


def predict(
    config: Config,
    engine: str | None = None,
    seed: int | None = None,
    command: str = "",
    progress: Progress | None = None,
) -> Prediction:
    """Predict powder, rate, energy, heat and limits of a mill, with a band.

    engine: "balance", "montecarlo" or "both" (default: the config's); seed: default the config's, else a fresh
    one, stored in the result; progress(stage, done 0..1, detail). Raises NotConverged.
    """
    say, date = progress or _silent, now_utc()
    engine = engine or config.run.engine
    seed = seed if seed is not None else config.run.seed
    seed = seed if seed is not None else secrets.randbits(31)
    say("balance", 0.0, "settling the chamber")
    with compiling(histories=engine != "balance", pieces=config.run.trace and not config.feed.batch) as wait:
        problem, outcome, capacity = settled(config)
        nothing = hardly(outcome) or outcome.stands or too_little(problem, outcome)
        if not nothing:
            wait()
    main = balance_result(problem, outcome, capacity)
    if nothing:
        return replace(_no_more(problem, outcome, main, seed, command), date=date)
    main = with_class_error(main, refined(problem, outcome, capacity))
    main = of_what_comes(problem, outcome, main)
    say("balance", 1.0, "")
    other: EngineResult | None = None
    events = montecarlo_events(problem, outcome)
    if engine == "montecarlo" and events > montecarlo.MOST_EVENTS:
        raise MillsimError(_too_many(events) + "; use --engine balance")
    lost: tuple[str, ...] = ()
    if engine != "balance" and events <= montecarlo.MOST_EVENTS:
        other = _histories(problem, outcome, capacity, seed, say)
        if other is None:
            lost = (f"{_NONE_LEFT}; the figures are those of the balance engine alone",)
        elif outcome.code == CANNOT:
            other = without_throughput(other)
        if engine == "montecarlo":
            if other is None:
                raise MillsimError(f"{_NONE_LEFT}; use --engine balance, or more of run.histories")
            main, other = replace(other, numerics={**main.numerics, **other.numerics}), None
    widest: dict[str, list[tuple[str, float]]] = {}
    if config.run.band_samples:
        main, widest = _band(problem, main, seed, say)
    trace = _trace(problem, outcome, capacity, seed, say)
    if no_powder(config.material.value("stick_temperature"), main.scalars["outlet_temperature_K"].value):
        main, other = without_sizes(main), None
    found = _prediction(problem, outcome, main, other, widest, trace, seed, command)
    return replace(found, date=date, warnings=(*found.warnings, *lost))


def _no_more(problem: Setup, outcome: Outcome, main: EngineResult, seed: int, command: str) -> Prediction:
    """Of a mill that hardly grinds, or jams with its batch: that; neither histories nor a band of nothing."""
    found = _prediction(problem, outcome, of_what_comes(problem, outcome, main), None, {}, None, seed, command)
    return replace(found, band_level=NAN)


def settled(config: Config) -> tuple[Setup, Outcome, float]:
    """(problem, outcome, capacity) of a config; far from the temperature of its runs a calibration counts less.

    capacity [kg/s]: NaN for a batch. Raises NotConverged.
    """
    problem = build(config)
    outcome, capacity = _solve(problem)
    if problem.calibration:
        problem = build(config, outlet_K=outlet(outcome))
        outcome, capacity = _solve(problem)
    return problem, outcome, capacity


def _solve(problem: Setup) -> tuple[Outcome, float]:
    """The outcome asked for and the capacity [kg/s] (NaN for a batch)."""
    feed = problem.config.feed
    if feed.batch:
        return solve_batch(problem, *feed.batch, until_jam=True), NAN
    outcome = solve(problem, feed.rate_kg_s)
    if feed.rate_kg_s is None or outcome.code != OK:
        return outcome, float(outcome.state["F"]) if outcome.code != CANNOT else 0.0
    most = solve(problem, None)
    return outcome, max(feed.rate_kg_s, float(most.state["F"]))


def outlet(outcome: Outcome) -> float:
    """Outlet temperature [K]: the warmer of powder and air."""
    return float(max(outcome.state["T"], powder_temperature(outcome)))


def refined(problem: Setup, outcome: Outcome, capacity: float, class_ratio: float | None = None) -> EngineResult:
    """The same state on classes of half the width (of a batch: half the steps too); capacity is searched anew."""
    feed, ratio = problem.config.feed, class_ratio or problem.config.run.class_ratio
    finer = replace(build(problem.config, ratio**0.5), mill=problem.mill)
    if feed.batch:
        again = solve_batch(finer, *feed.batch, steps=600)
    else:
        again = at_state(finer, outcome, problem)
        capacity = float(solve(finer, None).state["F"]) if capacity > 0.0 else 0.0
    return balance_result(finer, again, capacity)


def _histories(problem: Setup, outcome: Outcome, capacity: float, seed: int, say: Progress) -> EngineResult | None:
    """What the Monte Carlo engine says; None of a batch of which no history came out."""
    run = problem.config.run
    tally = montecarlo.run(
        problem.mill, outcome.steps, problem.edges, problem.feed_curve, run.histories, seed, run.x50_error,
        progress=lambda done: say("Monte Carlo", done, f"{done * run.histories:.0f} of {run.histories} histories"),
        events=montecarlo_events(problem, outcome),
    )  # fmt: skip
    if tally.given_up:
        raise MillsimError(
            f"{tally.given_up} of {tally.histories} histories did not leave the mill: pieces stay in it without end; "
            "the balance engine still tells what it does (--engine balance)"
        )
    return montecarlo_result(problem, outcome, tally, capacity) if tally.left > 0.0 else None


def montecarlo_events(problem: Setup, outcome: Outcome) -> float:
    """Hits, nips and sieve tries that a tagged gram goes through, by the balance."""
    f = outcome.flows
    return float((f["bar_hits"] + f["pin_hits"] + f["nips"] + f["tries"]) / fed(problem, outcome))


def _too_many(events: float) -> str:
    return (
        f"each gram would be followed through some {events:.1g} hits and sieve tries: pieces hardly leave this mill, "
        "so the Monte Carlo engine is not worth its time"
    )


def _band(problem: Setup, main: EngineResult, seed: int, say: Progress) -> tuple[EngineResult, dict]:
    """The result with its band, and the parameters that open each figure most."""
    count, rate = problem.config.run.band_samples, problem.config.feed.rate_kg_s
    mills = bands.draws(problem, count, seed)
    off = errors(problem, count, seed)
    samples = bands.run_samples(problem, mills, rate, lambda d: say("band", 0.5 * d, f"{count} parameter draws"), off)
    if problem.calibration:  # a run ties the parameters together: one at a time would tell nothing true
        return _banded(main, samples, count), {}
    single, names = bands.one_at_a_time(problem)
    alone = bands.run_samples(problem, single, rate, lambda d: say("band", 0.5 + 0.5 * d, "one at a time"))
    return _banded(main, samples, count), {n: _told(problem, bands.widest(alone, names, n)) for n in bands.RANKED}


def _told(problem: Setup, ranked: list[tuple[str, float]]) -> list[tuple[str, float]]:
    """The parameters that open an output most, and every guess."""
    guessed = {p.name for p in problem.parameters if p.basis == GUESSED}
    return [item for i, item in enumerate(ranked) if i < MOST_TOLD or item[0] in guessed]


def _banded(main: EngineResult, samples: bands.Samples, count: int) -> EngineResult:
    failed = float(np.count_nonzero(~samples.ok))
    main = bands.with_band(main, samples, bands.LEVEL)
    return replace(main, numerics={**main.numerics, "band_samples": float(count), "band_failed": failed})


def _trace(problem: Setup, outcome: Outcome, capacity: float, seed: int, say: Progress):
    """Chamber mode at the feed rate asked for, or at capacity; not for a batch or a mill that cannot run."""
    config = problem.config
    if not config.run.trace or config.feed.batch or outcome.code == CANNOT:
        return None
    rate = config.feed.rate_kg_s if config.feed.rate_kg_s is not None else capacity
    overfed = rate > capacity * 1.001
    return stalls.watch(problem, outcome, rate, overfed, seed, lambda d: say("pieces", d, "starts and running"))


def warmup(problem: Setup, outcome: Outcome) -> tuple[np.ndarray, np.ndarray]:
    """(time [s], outlet temperature [K]) from a cold start; of a batch, its own history."""
    if outcome.history.size:
        return outcome.history["end"].copy(), outcome.history["T"].copy()
    time, warmest = np.empty(WARMUP_POINTS), np.empty(WARMUP_POINTS)
    fill_warmup(problem.mill, *rows(outcome.state, outcome.powers), time, warmest)
    return time, warmest


def first_to_bind(problem: Setup, outcome: Outcome) -> tuple[str, float]:
    """The limit that binds at the feed rate asked for: what acts in seconds comes before minutes. With it, of one that
    a cold start at that rate exceeds, the rate over the largest that a cold start takes, which is its load; else 0.
    """
    asked = problem.config.feed.rate_kg_s
    if outcome.code == OVER and asked is not None:
        start = solve_cold_start(problem, asked)
        if start.code != OK:
            return start.binding, asked / float(start.state["F"])
    return outcome.binding, 0.0


def _warnings(problem: Setup, outcome: Outcome, main: EngineResult, happens: str) -> list[str]:
    config, m = problem.config, problem.mill[0]
    found = []
    if outcome.code == OVER and config.feed.rate_kg_s is not None:
        asked = f"the feed rate asked for, {3.6 * 1e3 * config.feed.rate_kg_s:.3g} kg/h, {happens}"
        found.append(asked + "; the figures are for the largest rate the mill takes for long")
    if outcome.code == OVER and config.feed.batch:
        found.append(f"this batch goes beyond a limit: it {WARM[outcome.binding]}")
    if config.feed.batch and outcome.milled_s < (1.0 - 1e-6) * config.feed.batch.time_s:
        found.append(stopped_words(outcome.milled_s, main.scalars))
    if outcome.code == CANNOT:
        found.append(cannot_run_words(outcome.binding))
    if (config.rotor.run_out_m or 0.0) >= config.stator.gap_m:
        found.append("the bar tips run out of true by as much as the gap: they touch the wall: true them")
    if m["sieve_share"] >= 1.0:
        found.append("the sieve is at least as large as the wall of the chamber; check sieve.area")
    warmest = main.scalars["outlet_temperature_K"].value
    limit = heat_limit(config.material.value("stick_temperature"), config.limits.outlet_temperature_K)
    if near := limit.near(warmest):  # also where heat is what stops it: there nothing is left
        found.append(near)
    if outcome.state["unblinded"] < 0.4:
        found.append("more than 60 % of the sieve holes are pegged")
    events = montecarlo_events(problem, outcome)
    if events > montecarlo.MOST_EVENTS and not hardly(outcome) and config.run.engine != "balance":
        found.append(_too_many(events) + "; the figures are those of the balance engine alone")
    if not config.drive.curve_power_W:
        found.append(_speed_words(problem))
    found += [*(f"the key {x}" for x in config.ignored), *_calibration_warnings(problem)]
    failed, count = main.numerics.get("band_failed", 0.0), main.numerics.get("band_samples", 0.0)
    if failed > 0:
        found.append(f"{failed:.0f} of {count:.0f} draws of the band did not settle; the band is without them")
    return found


def _speed_words(problem: Setup) -> str:
    """What is taken of the speed under load, which was not measured."""
    loss = next((p for p in problem.parameters if p.name.startswith(SPEED_LOSS)), None)
    if loss is None:
        return (
            f"the motor is assumed to lose {100 * SAG:.0f} % of its speed at rated power; drive.speed_under_load says "
            "better, and an unregulated router loses far more"
        )
    which = "; drive.regulated says whether its electronics hold the speed" if loss.name.endswith("unknown") else ""
    return (
        f"a {problem.config.drive.kind} like this is taken to lose {100 * loss.value:.0f} % of its speed at rated "
        f"power, {100 * loss.low:.0f} to {100 * loss.high:.0f} % in the band; drive.speed_under_load says better{which}"
    )


def _calibration_warnings(problem: Setup) -> list[str]:
    """Where the calibrated card counts less, or should not be believed."""
    used, found = problem.calibration, []
    if used and used.card.failed:
        found.append(f"the calibrated card failed its checks, so its band means little: {'; '.join(used.card.failed)}")
    if used and used.notes:
        weight = f"{100 * used.weight:.0f} %"
        of = " for the mill and not at all for the material" if used.material_weight == 0.0 else ""
        counts = f"The calibration counts {weight} here{of} (assumed), and the band is wider for it"
        found.append(f"outside the calibrated range: {'; '.join(used.notes)}. {counts}")
    return found


def _prediction(problem, outcome, main, other, widest, trace, seed, command) -> Prediction:
    config = problem.config
    time, temperature = warmup(problem, outcome)
    binding, over = first_to_bind(problem, outcome)
    limits, happens = limits_of(problem, outcome), (COLD_START if over else WARM)[binding]
    if over:
        limits = tuple(replace(x, load=x.capacity * over) if x.name == binding else x for x in limits)
    return Prediction(
        status=status_words(outcome.status(config.feed), outcome.binding),
        config_text=config.text,
        config_sha256=config.sha256,
        mill_name=config.name,
        seed=seed,
        command=command,
        version=__version__,
        model_version=MODEL_VERSION,
        requested_rate_kg_s=config.feed.rate_kg_s if config.feed.rate_kg_s is not None else NAN,
        hole_m=config.sieve.hole_m,
        size_floor_m=float(size_floor(problem.mill, *rows(outcome.state), problem.x, outcome.table)),
        main=main,
        other=other,
        limits=limits,
        binding=binding,
        parameters=problem.parameters,
        band_level=bands.LEVEL if config.run.band_samples else NAN,
        widest=widest,
        warmup_time_s=time,
        warmup_temperature_K=temperature,
        temperature_limit_K=float(problem.mill[0]["T_limit"]),
        trace=trace,
        warnings=tuple([*_warnings(problem, outcome, main, happens), *_not_followed(config, outcome, trace)]),
    )


def _not_followed(config: Config, outcome: Outcome, trace) -> list[str]:
    """That stalls were not looked for, where the chamber holds too many pieces."""
    if not config.run.trace or config.feed.batch or outcome.code == CANNOT:
        return []
    if trace is not None and (trace.running is not None or outcome.status(config.feed) != OK):
        return []
    missed = "stalls were not looked for" if trace is None else "stalls were looked for in starts from empty alone"
    return [
        f"more than {MOST_PIECES} pieces of feed size are in the chamber at once, too many to follow one by one: "
        f"{missed}"
    ]
