"""The same seed gives the same bits: for any number of threads, any split into calls; another seed does not."""

import os

import mills
import numba
import numpy as np
import pytest

from millsim.engines import montecarlo
from millsim.forecast import band, stalls

# By hand, of every config: NUMBA_NUM_THREADS=4 MILLSIM_SPLITS=1 python -m pytest tests/test_determinism.py
LONG = bool(os.environ.get("MILLSIM_SPLITS"))


def bits(value):
    """Everything of a result as bytes."""
    if isinstance(value, np.ndarray):
        return value.tobytes()
    if isinstance(value, dict):
        return b"".join(k.encode() + bits(v) for k, v in value.items())
    if hasattr(value, "__dataclass_fields__"):
        return b"".join(bits(getattr(value, f)) for f in value.__dataclass_fields__)
    return repr(value).encode()


@pytest.fixture
def threads():
    """Set the number of numba's threads; put it back afterwards."""
    before = numba.get_num_threads()
    yield numba.set_num_threads
    numba.set_num_threads(before)


def histories(seed=1, **options):
    p, o = mills.problem("pla"), mills.outcome("pla")
    return montecarlo.run(p.mill, o.steps, p.edges, p.feed_curve, 2000, seed, **options)


def two_or_skip():
    if numba.config.NUMBA_NUM_THREADS < 2:
        pytest.skip("one core only")


def test_histories_do_not_depend_on_threads(threads):
    two_or_skip()
    results = []
    for n in (1, 2):
        threads(n)
        results.append(bits(histories()))
    assert results[0] == results[1]


@pytest.mark.parametrize("blocks", [1, 3, 32])
def test_histories_do_not_depend_on_the_split_into_calls(blocks):
    assert bits(histories(call_blocks=blocks)) == bits(histories())


def test_stop_rule_does_not_depend_on_the_split_into_calls():
    results = [histories(seed=2, x50_error=0.05, call_blocks=b) for b in (1, 5)]
    assert bits(results[0]) == bits(results[1])


@pytest.mark.parametrize("name", mills.NAMES if LONG else mills.NAMES[:1])
def test_no_split_over_threads_and_calls_changes_a_bit(threads, name):
    p, o, answers = mills.problem(name), mills.outcome(name), {}
    for n in (n for n in (1, 2, 4) if n <= numba.config.NUMBA_NUM_THREADS):
        threads(n)
        for blocks in (1, 2, 3, 7, 16, 40, None) if LONG else (1, 7):
            run = montecarlo.run(
                p.mill, o.steps, p.edges, p.feed_curve, 2600 if LONG else 700, 8, 0.02 if LONG else 0.0, None, blocks
            )
            answers[n, blocks] = bits(run)
    assert len(set(answers.values())) == 1, answers.keys()


def test_of_long_histories_no_more_are_followed_than_are_worth_their_time():
    """By the hits expected, not by the clock: the same for any split into calls. Asked for without end, all are."""
    long = {"seed": 2, "events": montecarlo.WORTH_EVENTS / (64 * 10)}
    ended = [histories(x50_error=1e-9, call_blocks=b, **long) for b in (1, 5)]
    assert bits(ended[0]) == bits(ended[1])
    assert (ended[0].histories, ended[0].stop_reason) == (64 * 10, montecarlo.WORTH)
    assert histories(**long).histories == 2048
    soon = histories(seed=2, x50_error=0.4, events=montecarlo.WORTH_EVENTS / (64 * 12))
    assert soon.histories == 64 * montecarlo.LEAST_BLOCKS and soon.stop_reason.startswith("x50 known")


def test_more_histories_go_on_from_fewer():
    # The first blocks are the same: the mean over 4096 is half the mean over the first 2048 and something else.
    p, o = mills.problem("pla"), mills.outcome("pla")
    few, many = (montecarlo.run(p.mill, o.steps, p.edges, p.feed_curve, n, 9) for n in (64 * 2, 64 * 3))
    third = 3 * many.flows["bar_hits"] - 2 * few.flows["bar_hits"]
    assert third > 0.0
    assert few.flows["bar_hits"] == pytest.approx(third, rel=0.5)
    assert few.flows["bar_hits"] != many.flows["bar_hits"]


def test_another_seed_is_another_sample():
    assert bits(histories(seed=1)) != bits(histories(seed=2))
    assert histories(seed=1).residence_s == pytest.approx(histories(seed=2).residence_s, rel=0.3)


def traced(seed=1):
    p, o = mills.problem("tight_jam", "feed.rate=3 kg/h"), mills.outcome("tight_jam", "feed.rate=3 kg/h")
    return stalls.follow(p, o, o, p.config.feed.rate_kg_s, seed, stalls.Plan(6, 6, 0.5))


def test_pieces_do_not_depend_on_threads(threads):
    two_or_skip()
    results = []
    for n in (1, 2):
        threads(n)
        results.append(bits(traced()))
    assert results[0] == results[1]
    assert bits(traced(2)) != results[0]


def test_band_repeats_and_follows_its_seed(monkeypatch):
    p = mills.problem("pla")
    first, again, other = (band.draws(p, 8, seed) for seed in (1, 1, 2))
    assert first.tobytes() == again.tobytes() != other.tobytes()
    samples = band.run_samples(p, first, None)
    monkeypatch.setattr("os.cpu_count", lambda: 1)
    alone = band.run_samples(p, first, None)
    assert samples.q3.tobytes() == alone.q3.tobytes()
    for name, values in samples.values.items():
        assert values.tobytes() == alone.values[name].tobytes()


def test_balance_has_no_memory():
    # Solving something else in between changes no bit.
    p = mills.problem("demo")
    from millsim.forecast.outcome import solve

    first = solve(p, 0.0003)
    solve(mills.problem("pla"), None)
    again = solve(p, 0.0003)
    assert first.product.tobytes() == again.product.tobytes()
    assert first.state.tobytes() == again.state.tobytes()
