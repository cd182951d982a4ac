"""All classes at once are the laws size by size: every rate, every strike, to 1e-12, on shipped and random mills."""

import mills
import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from test_random_mills import random_mills

from millsim.base.numerics.quick import quick_exp
from millsim.engines.records import BLOCK, LOT_SHARE, PER, Work, new_work
from millsim.engines.strikes import fill_rates, fill_rates_by_size, onsets_near
from millsim.engines.threshold import chip_onset, nearness
from millsim.errors import InputError
from millsim.forecast.outcome import grid_of
from millsim.mill.chamber import NEVER, STATE, feedback_air
from millsim.mill.config.mill import load_config
from millsim.mill.edges import main_cut
from millsim.mill.problem import build

OF_A_STATE = ("table", "escape", "strikes", "lots", "fates", "stays", "chipped")


def compare(problem, s, seed):
    """Both ways at one state, with ages that differ by class."""
    ages = np.random.default_rng(seed).uniform(0.1, 3.0, problem.x.size) * s["residence"]
    grid, works = grid_of(problem, problem.mill), []
    for fill in (fill_rates, fill_rates_by_size):
        work = new_work(problem.x.size)
        work.ages[:] = ages
        fill(problem.mill[0], s, grid, work)
        work.lots[work.lots[:, :, LOT_SHARE] < 1e-15] = 0.0  # rounding decides whether there is such a lot at all
        works.append(work)
    together, apart = works
    for name in OF_A_STATE:
        mine, law = getattr(together, name), getattr(apart, name)
        worst = np.max(np.abs(mine - law) - 1e-12 * np.abs(law))
        whole = max(1.0, grid.ways[:, :, PER].max()) if name == "fates" else 1.0  # there shares stand times PER
        assert worst <= 1e-15 * whole, name  # near a threshold a share is a small difference
    return apart


@pytest.mark.parametrize("name", mills.NAMES)
def test_classes_together_are_the_laws_size_by_size(name):
    o = mills.outcome(name)
    work = compare(mills.problem(name), o.steps.states[0].copy(), 1)
    assert isinstance(work, Work) and work.table[:, 0].all()


def test_more_classes_than_a_block():
    p = mills.problem("swinging", ratio=1.03)
    assert p.x.size > 2 * BLOCK
    assert np.isfinite(compare(p, mills.outcome("swinging").state.copy(), 2).table).all()


@settings(max_examples=40, deadline=None, derandomize=True, database=None, phases=(Phase.generate,),
          suppress_health_check=list(HealthCheck))  # fmt: skip
@given(random_mills(), st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.integers(0, 1000))
def test_random_mills_and_states(mill, full, warm, seed):
    base, overrides = mill
    try:
        p = build(load_config(mills.CONFIGS / f"{base}.toml", overrides))
    except InputError:
        return
    m, s = p.mill[0], np.zeros(1, STATE)[0]
    s["F"], s["M"], s["unblinded"], s["omega"] = (
        1e-3,
        1e-4 * 1e3**full,
        1.0 - 0.9 * full,
        m["omega_0"] * (1 - 0.4 * warm),
    )
    s["T"], s["v"], s["residence"] = m["T_room"] + 60.0 * warm, s["omega"] * m["R"], s["M"] / s["F"]
    s["Q"] = feedback_air(m, s)
    assert np.isfinite(compare(p, s, seed).table).all()


@pytest.mark.parametrize("name", ["demo", "pla"])
def test_how_near_a_class_is_to_an_onset_comes_and_goes_evenly(name):
    """As hits get harder and the class is left faster; where it is near, every onset cuts it, chips that matter or not.

    So what a class holds has no jump: one that is near is averaged over parts that move, none of which comes or goes.
    """
    p = mills.problem(name)
    work = compare(p, mills.outcome(name).state.copy(), 3)
    m, k, near, weighed = p.mill[0], work.hits[0], 0, 0
    for i in range(1, p.x.size, 3):
        row, x, low, high = work.table[i], p.x[i], p.edges[i], p.edges[i + 1]
        before = None
        for energy, loss in np.geomspace((30.0, 1e-6), (1e4, 1.0), 2000):
            onsets, now = onsets_near(m, k, row, x, low, high, energy, energy, loss)
            assert before is None or abs(now - before) < 0.12
            before = now
            if now > 0.0:
                near += 1
                assert onsets.chips < NEVER and onsets.breaks < NEVER
                assert onsets.chips == chip_onset(m, main_cut(m, k, row), row, energy)
                alone = nearness(onsets.breaks, low, high)
                weighed += alone < now < nearness(onsets.chips, low, high)
    assert near > 500 and weighed > 50


def test_quick_exponential():
    x = np.concatenate([np.linspace(-700, 700, 1001), np.linspace(-1, 1, 1001)])
    np.testing.assert_allclose([quick_exp(v) for v in x], np.exp(x), rtol=5e-16)
    assert quick_exp(0.0) == 1.0
