"""Dixon-Mood and Spearman-Kaerber: worked examples, simulated pieces of known strength, and when they do not apply."""

import math

import numpy as np
import pytest
from lazily import later

from millsim.learn.measured.staircase import NotOfThisKind, dixon_mood, spearman_kaerber, staircase_step

stats = later("scipy.stats")


def test_dixon_mood_worked_example_and_its_trap():
    # Ekaputra, Dewa, Haryadi, Kim, Open Engineering 10 (2020) 394 (numbers seen, paper not): fractures 280 x 2,
    # 300 x 3, survivals 260 x 3, 280 x 4, step 20: mean 282, statistic 0.24; below 0.3, so s = 0.53 d = 10.6, not the
    # 1.62 d (M + 0.029) = 8.716 of the formula.
    levels = [280] * 2 + [300] * 3 + [260] * 3 + [280] * 4
    s = dixon_mood(levels, [True] * 5 + [False] * 7, 20)
    assert s.mean == pytest.approx(282.0)
    assert s.statistic == pytest.approx(0.24)
    assert s.sd == pytest.approx(10.6)
    assert s.sd_is_rule
    assert (s.counted, s.count) == ("broken", 5)


def test_the_sign_turns_when_survivals_are_counted():
    # The same source: 280 260 240 260 280 260 240 with F F S S F F S gives 256.6667 from the three survivals.
    levels, broken = [280, 260, 240, 260, 280, 260, 240], [1, 1, 0, 0, 1, 1, 0]
    assert staircase_step(levels, broken) == (20, False)
    s = dixon_mood(levels, broken, 20)
    assert s.mean == pytest.approx(256.6667, abs=1e-4)
    assert (s.counted, s.count) == ("whole", 3)


def stairs(rng, mean, sd, step, n):
    """Up and down among pieces of normal strength."""
    level, levels, broken = round(mean / step) * step, [], []
    for _ in range(n):
        levels.append(level)
        broken.append(rng.normal(mean, sd) <= level)
        level += -step if broken[-1] else step
    return levels, broken


def test_dixon_mood_finds_the_strength_of_simulated_pieces():
    rng = np.random.default_rng(7)
    found = []
    for _ in range(200):
        levels, broken = stairs(rng, 101.0, 12.0, 10.0, 60)
        step, on_log = staircase_step(levels, broken)
        found.append(dixon_mood(levels, broken, step))
        assert not on_log
    assert np.mean([s.mean for s in found]) == pytest.approx(101.0, abs=0.6)
    assert np.median([s.sd for s in found]) == pytest.approx(12.0, rel=0.15)


def test_a_geometric_staircase_is_found():
    levels = [100.0, 80.0, 100.0, 80.0, 64.0, 80.0, 100.0]
    assert staircase_step(levels, [1, 0, 1, 1, 0, 0, 1]) == (pytest.approx(math.log(1.25)), True)


@pytest.mark.parametrize(
    ("levels", "broken", "why"),
    [
        ([10, 20, 10, 20], [0, 1, 0, 1], "at least 6"),
        ([10, 20, 30, 40, 50, 60], [0, 0, 1, 1, 1, 1], "one step down"),
        ([10, 20, 15, 20, 15, 30, 20], [0, 1, 0, 1, 0, 1, 0], "not equal"),
        ([10, 10, 10, 10, 10, 10], [0, 0, 1, 1, 1, 1], "one step down"),
    ],
)
def test_what_is_no_staircase(levels, broken, why):
    with pytest.raises(NotOfThisKind, match=why):
        staircase_step(levels, broken)


def test_no_break_no_staircase():
    with pytest.raises(NotOfThisKind, match="none did"):
        dixon_mood([10, 20, 30], [False] * 3, 10)


def test_spearman_kaerber_worked_example():
    # Levels 1-4, 0/3/7/10 of 10, ends p = 0 at 0 and p = 1 at 5: mean 2.5, variance 0.85 (source seen, id only).
    s = spearman_kaerber([0, 1, 2, 3, 4, 5], [10] * 6, [0, 0, 3, 7, 10, 10])
    assert s.mean == pytest.approx(2.5)
    assert s.variance == pytest.approx(0.85)
    assert not s.pooled
    assert spearman_kaerber([1, 2, 3, 4], [10] * 4, [0, 3, 7, 10]).mean == pytest.approx(2.5)


def test_spearman_kaerber_against_a_known_distribution_and_simulation():
    x, n = np.linspace(-5, 5, 21), 40
    exact = spearman_kaerber(x, [10**9] * 21, np.rint(1e9 * stats.norm.cdf(x, 0.3, 0.8)).tolist()[:-1] + [10**9])
    assert exact.mean == pytest.approx(0.3, abs=1e-4)
    rng = np.random.default_rng(2)
    found = [spearman_kaerber(x, [n] * 21, rng.binomial(n, stats.norm.cdf(x, 0.3, 0.8)).tolist()) for _ in range(400)]
    assert np.std([s.mean for s in found]) == pytest.approx(np.mean([s.se for s in found]), rel=0.12)


def test_falling_shares_are_pooled():
    # 4/10 above 6/10 become 5/10 each (pool-adjacent-violators), so the mean is that of 0, 5, 5, 10 of 10.
    s = spearman_kaerber([1, 2, 3, 4], [10] * 4, [0, 6, 4, 10])
    assert s.pooled
    assert s.mean == pytest.approx(spearman_kaerber([1, 2, 3, 4], [10] * 4, [0, 5, 5, 10]).mean)


@pytest.mark.parametrize(("k", "why"), [([2, 5, 10], "lowest level broke some"), ([0, 5, 9], "did not break all")])
def test_shares_that_do_not_run_from_none_to_all(k, why):
    with pytest.raises(NotOfThisKind, match=why):
        spearman_kaerber([1, 2, 3], [10] * 3, k)
