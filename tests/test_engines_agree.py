"""Monte Carlo and balance estimate the same quantities, on every shipped config; error falls as 1/sqrt(N).

Seeds are fixed, so a test that passes passes always. At 4 standard errors a right answer fails about once in
15000 comparisons; there are some 600 here.
"""

import functools
import os

import mills
import numpy as np
import pytest

from millsim.engines import montecarlo
from millsim.engines.histories import DWELL
from millsim.engines.obliquity import COS2
from millsim.engines.records import FLOWS
from millsim.forecast.outcome import solve_batch
from millsim.forecast.run import predict

SEEDS = (11, 12, 13)
TIMES = int(os.environ.get("MILLSIM_HISTORIES", "1"))  # by hand: MILLSIM_HISTORIES=4 sees differences half as large
HISTORIES = 8192 * TIMES
OF_A_BATCH = 1536 * TIMES  # each takes ten times as long
EXACT = ("throughput_kg_s", "capacity_kg_s", "idle_power_W", "air_flow_m3_s", "open_sieve_share", "speed_rad_s",
         "tip_speed_m_s", "jam_index")  # properties of the frozen state, the same in both engines  # fmt: skip
BARE = ("run.band_samples=0", "run.trace=false", "run.x50_error=0")


def histories(name):
    """How many histories a seed follows."""
    return OF_A_BATCH if name == "batch" else HISTORIES


@functools.cache
def predicted(name):
    """Predictions of one config with three seeds, both engines."""
    config = mills.config(name, *BARE, f"run.histories={histories(name)}")
    return [predict(config, "both", seed) for seed in SEEDS]


def terms(result):
    """All figures of an engine by name."""
    return {**result.scalars, **result.ledger_in_W, **result.ledger_out_W}


@pytest.mark.parametrize("name", mills.NAMES)
def test_every_figure_agrees(name):
    # Each seed alone, and the mean of the three; error of the balance as it states it itself.
    runs = predicted(name)
    main, stated = terms(runs[0].main), runs[0].main.numerics
    apart = []
    for key, balance in main.items():
        if key in EXACT and name != "batch":
            continue
        mc = [terms(r.other)[key] for r in runs]
        mean, mean_se = np.mean([t.value for t in mc]), np.sqrt(np.sum([t.se**2 for t in mc])) / len(mc)
        class_error = stated[f"class_error_{key}"] * abs(balance.value)
        tiny = 1e-9 * abs(balance.value) + 1e-12
        for value, se in [*((t.value, t.se) for t in mc), (mean, mean_se)]:
            if np.isfinite(se) and abs(value - balance.value) > 4 * se + class_error + tiny:
                apart.append(f"{key}: {value:.5g} +- {se:.2g}, balance {balance.value:.5g} +- {class_error:.2g}")
    assert not apart, "\n".join(apart)


@pytest.mark.parametrize("name", mills.NAMES)
def test_product_agrees_at_every_class_bound(name):
    runs = predicted(name)
    q = runs[0].main.table.product_q3
    mean = np.mean([r.other.table.product_q3 for r in runs], axis=0)
    # Where hardly any history went by, the error is that of counting, from the balance's own share.
    counting = np.sqrt(np.clip(q * (1 - q), 0, 1) / histories(name)) + 1 / histories(name)
    for run in runs:
        se = np.maximum(run.other.table.product_q3_se, counting)
        assert np.all(np.abs(run.other.table.product_q3 - q) <= 4 * se + run.main.numerics["class_error_q3"])
    assert np.all(np.abs(mean - q) <= 4 * counting / np.sqrt(3) + runs[0].main.numerics["class_error_q3"])


@pytest.mark.parametrize("name", mills.NAMES)
def test_state_is_the_same_in_both_engines(name):
    first = predicted(name)[0]
    for key in EXACT[2:] if name == "batch" else EXACT:
        assert first.other.scalars[key].value == pytest.approx(first.main.scalars[key].value, rel=1e-12, nan_ok=True)


@pytest.mark.parametrize("name", ["demo", "pla", "swinging", "tight_jam"])
def test_stated_class_error_covers_the_true_one(name):
    # Monte Carlo follows one frozen state, so the error to state is that of the classes in that state: against
    # classes an eighth as wide, without any noise. An estimate of an error may be half too small.
    main = predicted(name)[0].main
    p = mills.problem(name, ratio=1.15**0.125)
    fine = mills.frozen(p, mills.outcome(name), mills.problem(name))
    true = {
        "holdup_kg": fine.mass.sum(), "shaft_power_W": fine.powers["shaft"], "striking": fine.flows["work"],
        "nip": fine.flows["nip_work"], "chips cut": fine.flows["chip_cut"], "x50_m": mills.x_p(p, fine),
    }  # fmt: skip
    understated = []
    for key, value in true.items():
        mine = terms(main)[key].value
        stated = main.numerics[f"class_error_{key}"]
        if abs(mine - value) > (1.5 * stated + 5e-4) * abs(value):
            understated.append(f"{key}: off by {mine - value:+.4g} of {value:.4g}, stated {stated:.4f}")
    assert not understated, "\n".join(understated)


# --- all counters, on classes so fine that their error hardly counts -------------------------------------


def fine_pair(name, ratio=1.15**0.25):
    """(problem, balance on fine classes, balance on classes half as wide) for one and the same chamber state."""
    p, finer = mills.problem(name, ratio=ratio), mills.problem(name, ratio=ratio**0.5)
    feed = p.config.feed
    if feed.batch_mass_kg:
        return p, *(solve_batch(q, feed.batch_mass_kg, feed.batch_time_s, 600) for q in (p, finer))
    settled = mills.outcome(name), mills.problem(name)
    return p, mills.frozen(p, *settled), mills.frozen(finer, *settled)


@pytest.mark.parametrize(
    ("name", "histories"), [("demo", 12800), ("pla", 20480), ("swinging", 20480), ("tight_jam", 12800), ("batch", 3200)]
)
def test_every_counter_agrees_on_fine_classes(name, histories):
    p, o, finer = fine_pair(name)
    tally = montecarlo.run(p.mill, o.steps, p.edges, p.feed_curve, TIMES * histories, 99)
    assert tally.given_up == 0
    feed = p.config.feed
    per_s = feed.batch_mass_kg / feed.batch_time_s if feed.batch_mass_kg else float(o.state["F"])
    apart = []
    found = {key: (tally.flows[key], tally.flows_se[key]) for key in FLOWS.names}
    found["exits"] = (tally.left, tally.left_se)  # the tally counts them by size, not among its flows
    for key in FLOWS.names:
        value, half = float(o.flows[key]), float(finer.flows[key])
        mc, se = (per_s * v for v in found[key])
        if key == "dust" and value * tally.histories < 10 * per_s:  # too few grams become dust to have an error
            continue
        if abs(mc - value) > 4 * se + 2 * abs(value - half) + 1e-9 * abs(value):
            apart.append(f"{key}: {mc:.5g} +- {se:.2g}, balance {value:.5g}, on half the width {half:.5g}")
    assert not apart, "\n".join(apart)


@pytest.mark.parametrize("name", ["demo", "tight_jam"])
def test_charge_agrees_class_by_class(name):
    # Seconds that a tagged gram dwells in a class, times the feed rate, are the charge there.
    p = mills.problem(name, ratio=1.15**0.25)
    fine = mills.frozen(p, mills.outcome(name), mills.problem(name))
    tally = montecarlo.run(p.mill, fine.steps, p.edges, p.feed_curve, 12800 * TIMES, 5)
    F = float(fine.state["F"])
    heavy = fine.mass > 0.01 * fine.mass.sum()
    assert heavy.sum() > 5
    dwell, se = F * tally.by_size[heavy, DWELL], F * tally.by_size_se[heavy, DWELL]
    assert np.all(np.abs(dwell - fine.mass[heavy]) <= 5 * se + 0.02 * fine.mass[heavy])


def test_streams_have_the_first_two_moments_of_the_law():
    # cos^2 is Beta(5, 1) on a bar: mean 5/6, mean square 5/7 (derived).
    assert COS2.mean() == pytest.approx(5 / 6, rel=1e-12)
    assert np.mean(COS2**2) == pytest.approx(5 / 7, rel=1e-12)
    assert np.all(np.diff(COS2) > 0) and np.all(COS2 < 1)


# --- error against the number of histories ---------------------------------------------------------------


def test_error_falls_as_one_over_root_n():
    # Derived (law of large numbers): slope of log rms error on log N is -1/2. Reference: fine classes, same state. With
    # these repeats the rms at each N is known to about 15 %, so the slope to 0.04.
    p = mills.problem("swinging", ratio=1.15**0.125)
    o = mills.frozen(p, mills.outcome("swinging"), mills.problem("swinging"))
    q = mills.q3(o)
    middle = (q > 0.02) & (q < 0.98)
    numbers, repeats = (256, 1024, 4096, 8192), (64, 32, 12, 8)
    rms = []
    for n, count in zip(numbers, repeats, strict=True):
        runs = [montecarlo.run(p.mill, o.steps, p.edges, p.feed_curve, n, 1000 * n + r) for r in range(count)]
        rms.append(np.sqrt(np.mean([(t.exits_q3[middle] - q[middle]) ** 2 for t in runs])))
    slope = np.polyfit(np.log(numbers), np.log(rms), 1)[0]
    assert slope == pytest.approx(-0.5, abs=0.1)
    # and the size of it is binomial: rms of sqrt(q (1 - q) / N) within a quarter
    binomial = np.sqrt(np.mean(q[middle] * (1 - q[middle])) / np.array(numbers))
    np.testing.assert_allclose(rms, binomial, rtol=0.25)


def test_stated_standard_error_is_the_scatter_between_seeds():
    # 48 seeds give the scatter of the mean to 10 %; the stated error must be within 30 % of it.
    p, o = mills.problem("swinging"), mills.outcome("swinging")
    runs = [montecarlo.run(p.mill, o.steps, p.edges, p.feed_curve, 1024, seed) for seed in range(48)]
    middle = int(np.searchsorted(runs[0].exits_q3, 0.5))
    of = {
        key: [(t.flows[key], t.flows_se[key]) for t in runs] for key in ("bar_hits", "tries", "pin_fractures", "work")
    }
    of["residence"] = [(t.residence_s, t.residence_s_se) for t in runs]
    of["Q3 at x50"] = [(t.exits_q3[middle], t.exits_q3_se[middle]) for t in runs]
    for key, found in of.items():
        values, errors = np.array(found).T
        assert errors.mean() == pytest.approx(values.std(ddof=1), rel=0.3), key


def test_stop_rule_keeps_its_promise():
    p, o = mills.problem("swinging"), mills.outcome("swinging")
    tally = montecarlo.run(p.mill, o.steps, p.edges, p.feed_curve, 200_000, 3, x50_error=0.01)
    assert tally.histories < 50_000
    assert tally.stop_reason.startswith("x50")
    x50 = np.interp(0.5, tally.exits_q3, np.log(p.edges))
    assert x50 == pytest.approx(np.log(mills.x_p(p, o)), abs=0.04)
