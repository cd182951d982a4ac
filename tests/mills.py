"""The shipped mills with overrides, solved once and shared between tests."""

import functools
import re
from dataclasses import replace
from pathlib import Path

import numpy as np

from millsim.base.numerics import psd
from millsim.engines.balance import march
from millsim.engines.records import new_work
from millsim.engines.settle import shaft_power
from millsim.engines.strikes import fill_rates
from millsim.forecast.outcome import Outcome, grid_of, solve, solve_batch, solve_cold_start
from millsim.mill import cards
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

    Nothing but the march is turned: what Monte Carlo follows, in the limit of fine classes.
    """
    work = new_work(p.x.size)
    m, s = p.mill[0], o.state.copy()
    for here, there in ((work.ages, o.steps.ages), (work.screen, o.screen), (work.bridge, o.bridge)):
        here[:] = np.interp(np.log(p.x), np.log(own.x), there[0] if there.ndim > 1 else there)
    grid = grid_of(p, p.mill)
    for _ in range(12):  # what shrank into each class is told by the march before
        fill_rates(m, s, grid, work)
        march(m, grid, work, s["F"] * p.feed, 0.0, work.mass, work.mass, work.flows[0])
    shaft_power(m, s, work.flows[0], work.powers[0])
    s["residence"] = work.mass.sum() / s["F"]
    return replace(
        o, state=s, mass=work.mass, product=work.escape * work.mass, table=work.table, escape=work.escape,
        strikes=work.strikes, lots=work.lots, screen=work.screen, bridge=work.bridge, flows=work.flows[0],
        powers=work.powers[0], ages=work.ages,
    )  # fmt: skip


def steep_mill(folder):
    """A mill of an invented material: half as strong at -20 °C as at 20 °C, hard to chip, sticking at 130 °C only."""
    card = (Path(cards.__file__).parent / "pla.toml").read_text(encoding="utf-8")
    for name, value in (("temperature_cold", -20.0), ("stick_temperature", 130.0), ("glass_temperature", 130.0),
                        ("fracture_energy", 10000.0), ("cut_factor", 20.0)):  # fmt: skip
        table = rf"(\[{name}\]\nvalue = )\S+(\nunit = .*\nlow = )\S+(\nhigh = )\S+"
        card, changed = re.subn(table, rf"\g<1>{value}\g<2>{value}\g<3>{value}", card)
        assert changed == 1, name
    (folder / "steep.toml").write_text(card, encoding="utf-8")
    text = (CONFIGS / "pla.toml").read_text(encoding="utf-8")
    text = re.sub(r'^(kind = "router"|regulated|rotor_on).*\n', "", text, flags=re.MULTILINE)  # a stiff motor
    (folder / "mill.toml").write_text(text.replace('material = "pla"', 'material = "steep.toml"'), encoding="utf-8")
    return folder / "mill.toml"


STEEP = (  # of the keys of that mill; INVENTED
    "drive.rated_power=4000 W", "rotor.edge=blunt", "model.edge_share_blunt=0.005", "model.chip_size_blunt=0.03 mm",
)  # fmt: skip
