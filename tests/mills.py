"""The shipped mills with overrides, solved once and shared between tests."""

import functools
from dataclasses import replace
from pathlib import Path

import numpy as np

from millsim.base.numerics import psd
from millsim.engines.balance import march
from millsim.engines.montecarlo import FrozenSteps
from millsim.engines.records import new_work
from millsim.engines.settle import shaft_power
from millsim.engines.strikes import fill_rates
from millsim.forecast.outcome import Outcome, grid_of, solve, solve_batch, solve_cold_start
from millsim.mill.config.mill import Config, load_config
from millsim.mill.problem import Setup, build
from millsim.record.limits import LIMITS

CONFIGS = Path(__file__).resolve().parent.parent / "configs"
NAMES = ("demo", "pla", "swinging", "tight_jam", "batch")
TO_CAPACITY = "as fast as it can grind"


@functools.cache
def config(name: str, *overrides: str) -> Config:
    """A shipped config with overrides."""
    return load_config(CONFIGS / f"{name}.toml", overrides)


@functools.cache
def problem(name: str, *overrides: str, ratio: float | None = None) -> Setup:
    """The config made ready to solve."""
    return build(config(name, *overrides), ratio)


@functools.cache
def outcome(name: str, *overrides: str, ratio: float | None = None) -> Outcome:
    """Solved as the config asks: steady at its rate, at capacity, or a batch."""
    p = problem(name, *overrides, ratio=ratio)
    feed = p.config.feed
    if feed.batch_mass_kg:
        return solve_batch(p, feed.batch_mass_kg, feed.batch_time_s)
    return solve(p, feed.rate_kg_s)


@functools.cache
def capacity(name: str, *overrides: str) -> Outcome:
    """Solved at the largest rate the mill takes."""
    return solve(problem(name, *overrides), None)


@functools.cache
def cold_start(name: str, *overrides: str, to_capacity: bool = False) -> Outcome:
    """The first seconds, at the config's feed rate or as fast as it can grind."""
    p = problem(name, *overrides)
    return solve_cold_start(p, None if to_capacity else p.config.feed.rate_kg_s)


def q3(o: Outcome) -> np.ndarray:
    """(n+1,) cumulative product distribution at the class bounds."""
    return psd.cumulative(o.product / o.product.sum())


def x_p(p: Setup, o: Outcome, share: float = 0.5) -> float:
    """Size [m] that a share of the product is finer than."""
    return psd.curve_x_at(p.edges, q3(o), share)


def load(o: Outcome, limit: str) -> float:
    """Load on one limit as a share of it."""
    return float(o.loads[LIMITS.index(limit)])


def shaft_J_kg(o: Outcome) -> float:
    """Shaft energy per kilogram of product."""
    return float(o.powers["shaft"] / o.state["F"])


def electrical_J_kg(p: Setup, o: Outcome) -> float:
    """Energy from the mains per kilogram of product."""
    return shaft_J_kg(o) / float(p.mill[0]["efficiency"])


def frozen(p: Setup, o: Outcome, own: Setup) -> Outcome:
    """The charge and flows of the settled state of o (solved on the classes of `own`) on the classes of p.

    One march, nothing is settled anew: what Monte Carlo follows, in the limit of fine classes.
    """
    work = new_work(p.x.size)
    m, s = p.mill[0], o.state.copy()
    work.ages[:] = np.interp(np.log(p.x), np.log(own.x), o.steps.ages[0])
    grid = grid_of(p, p.mill)
    fill_rates(m, s, grid, work)
    march(m, grid, work, s["F"] * p.feed, 0.0, work.mass, work.flows[0])
    shaft_power(m, s, work.flows[0], work.powers[0])
    s["residence"] = work.mass.sum() / s["F"]
    steps = FrozenSteps(
        np.array([np.inf]),
        np.array([s]),
        work.screen[None, :].copy(),
        work.bridge[None, :].copy(),
        work.ages[None, :].copy(),
    )
    return replace(
        o, state=s, mass=work.mass, product=work.escape * work.mass, table=work.table, escape=work.escape,
        strikes=work.strikes, lots=work.lots, screen=work.screen, bridge=work.bridge, flows=work.flows[0],
        powers=work.powers[0], steps=steps,
    )  # fmt: skip
