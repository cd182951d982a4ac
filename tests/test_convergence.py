"""Observed orders: second in class width for fracture, at least first with chips and nips; second in time.

Nested grids (each class cut into 2, 4, ... of equal ratio) make the comparison exact at common class bounds.
"""

import dataclasses
import functools

import mills
import numpy as np
import pytest
from scipy.integrate import quad
from scipy.linalg import expm

from millsim.base.numerics import psd
from millsim.engines.balance import march
from millsim.engines.batch import advance
from millsim.engines.fates import through
from millsim.engines.records import FLOWS, LOT_SHARE, new_work
from millsim.engines.strikes import fill_rates
from millsim.engines.threshold import add_to_mean, clear_mean, take_mean
from millsim.forecast.outcome import grid_of, solve, solve_batch
from millsim.mill.chamber import NIP

RATE = 0.0003  # kg/s, well below capacity
# No chips, no dust, and no two pieces of the demo feed bridge this gap.
FRACTURE_ONLY = ("model.edge_share_bevelled=1e-9", "model.attrition_share=1e-9", "stator.gap=15 mm")


def nested(p, cuts):
    """The problem with each class cut into `cuts` of equal ratio."""
    ln = np.log(p.edges)
    parts = [a + (b - a) * np.arange(cuts) / cuts for a, b in zip(ln[:-1], ln[1:], strict=True)]
    edges = np.exp(np.append(np.concatenate(parts), ln[-1]))
    edges[::cuts] = p.edges
    x = psd.middles(edges)
    q = np.interp(np.log(edges), *p.feed_curve, left=0.0, right=1.0)
    q[0], q[-1] = 0.0, 1.0
    return dataclasses.replace(p, edges=edges, x=x, feed=np.diff(q))


@functools.cache
def errors(*overrides, ratio=1.4):
    """(6, 4): errors of sup Q3 at common bounds, ln charge, ln striking power, ln x50; 2 ... 64 cuts against 256."""
    coarse = mills.problem("demo", *overrides, ratio=ratio)
    found = {}
    for cuts in (2, 4, 8, 16, 32, 64, 256):
        p = nested(coarse, cuts)
        o = solve(p, RATE, tolerance=1e-10)
        figures = np.log([o.mass.sum(), float(o.flows["work"]), mills.x_p(p, o)])
        found[cuts] = mills.q3(o)[::cuts], figures
    q, figures = found.pop(256)
    return np.array([[np.abs(a - q).max(), *np.abs(b - figures)] for a, b in found.values()])


def test_second_order_in_class_width_for_fracture():
    # Below a size nothing breaks, and where that kink falls within its class makes single grids uneven (halvings
    # of 1.5 to 2.8). So the rms over five grids, each cut four times more: its slope is the observed order.
    squares = [errors(*FRACTURE_ONLY, ratio=r)[:, :3] ** 2 for r in (1.40, 1.37, 1.34, 1.31, 1.28)]
    rms = np.sqrt(np.mean(squares, axis=0))
    order = -np.polyfit(np.arange(len(rms)), np.log2(rms), 1)[0]
    assert np.all(order >= 1.9), order
    assert np.all(rms[-1] < 1e-5)


@pytest.mark.parametrize("overrides", [("stator.gap=15 mm",), ()], ids=["with chips", "with chips and nips"])
def test_at_least_first_order_with_all_of_it(overrides):
    e = errors(*overrides)
    mean_order = np.log2(e[0, :3] / e[-1, :3]) / (len(e) - 1)
    assert np.all(mean_order >= 1.0)
    assert np.all(e[-1, :3] < 5e-4)


def test_default_classes_are_good_for_one_percent():
    # The default class ratio against classes an eighth as wide, same feed rate: what "1 % class error" means.
    coarse = mills.problem("demo")
    fine = mills.problem("demo", ratio=1.15**0.125)
    a, b = solve(coarse, RATE), solve(fine, RATE)
    assert mills.x_p(coarse, a) == pytest.approx(mills.x_p(fine, b), rel=0.01)
    assert float(a.powers["shaft"]) == pytest.approx(float(b.powers["shaft"]), rel=0.01)


def frozen_charges(p, s, speeds):
    """ln charge at tip speeds [m/s], all else of a state as it is."""
    m, work, grid, found = p.mill[0], new_work(p.x.size), grid_of(p, p.mill), []
    for v in speeds:
        s["omega"], s["v"] = v / m["R"], v
        work.ages[:] = s["residence"]
        for _ in range(6):  # what shrank into each class is told by the march before
            fill_rates(m, s, grid, work)
            march(m, grid, work, s["F"] * p.feed, 0.0, work.mass, work.mass, work.flows[0])
        found.append(np.log(work.mass.sum()))
    return np.array(found)


def test_no_steps_where_hits_begin_to_break():
    # The size that the hardest hit just breaks moves through the classes as the tip gets faster. Against classes 1.02
    # wide the charge falls by no more than 2 % too much from one speed to the next; classes taken at their middle were
    # off by 7.6 %, as one came to life as a whole.
    s, speeds = mills.capacity("demo").state.copy(), np.linspace(30.0, 36.0, 60)
    coarse, fine = (frozen_charges(mills.problem("demo", ratio=r), s, speeds) for r in (1.15, 1.02))
    assert np.abs(np.diff(coarse - fine)).max() < 0.02
    assert np.abs(coarse - fine).max() < 0.11


@pytest.mark.parametrize("edges", [(), ("rotor.toothed_share=0.4",)], ids=["one edge", "two kinds of edge"])
def test_the_mean_of_alike_sizes_is_what_each_is(edges):
    p, s = mills.problem("demo", *edges), mills.capacity("demo").state.copy()
    work, grid = new_work(p.x.size), grid_of(p, p.mill)
    work.ages[:] = s["residence"]
    fill_rates(p.mill[0], s, grid, work)
    strikes, lots = work.strikes.copy(), work.lots.copy()
    for i in range(1, p.x.size):
        clear_mean(work.mean, work.mean_lots)
        for weight in (0.3, 2.0):
            add_to_mean(weight, strikes, lots, i, work.mean, work.mean_lots)
        take_mean(p.mill[0], grid.edges, work.mean, work.mean_lots, 2.3, work.strikes, work.lots, i)
        assert work.strikes[i] == pytest.approx(strikes[i], rel=1e-12, abs=1e-15)
        chips = lots[i, :, LOT_SHARE] > 0.0  # of none the size is not told
        assert work.lots[i, chips] == pytest.approx(lots[i, chips], rel=1e-12)


@pytest.mark.parametrize("above", [0.0, 0.3, 1.0])
@pytest.mark.parametrize("r", [1e-9, 0.0199, 0.0201, 1.0, 39.0, 41.0, 1e9])
def test_through_a_class_is_what_integrating_along_it_gives(above, r):
    # dq/du + r q = even, q(0) = above: its integral by scipy.integrate.quad, and what is left at the lower end.
    even = 1.0 - above

    def q(u):
        return above * np.exp(-r * u) - even / r * np.expm1(-r * u)

    charge = quad(q, 0.0, min(1.0, 50.0 / r), epsabs=0.0, epsrel=1e-12)[0] + max(0.0, 1.0 - 50.0 / r) * even / r
    whole, left = through(above, even, r * 0.7, 0.7)
    assert whole == pytest.approx(charge, rel=1e-10)
    assert left == pytest.approx(q(1.0), rel=1e-9, abs=1e-15)
    assert left + r * whole == pytest.approx(1.0, rel=1e-12)  # nothing is lost on the way but what is


def test_a_tough_feed_on_a_fine_sieve_hardly_asks_for_finer_classes():
    # Pieces shrink down to the hole by chips and wait there: the largest rate on classes 1.15 wide erred by 4.4 % where
    # a class was taken to be as one, against classes 1.02 wide, and x50 by 4 %.
    small = ("sieve.hole=0.5 mm", "sieve.pitch=1 mm")
    coarse, fine = (mills.problem("pla", *small, ratio=r) for r in (1.15, 1.02))
    a, b = solve(coarse, None), solve(fine, None)
    assert float(a.state["F"]) == pytest.approx(float(b.state["F"]), rel=0.02)
    assert mills.x_p(coarse, a) == pytest.approx(mills.x_p(fine, b), rel=0.03)


# --- time ------------------------------------------------------------------------------------------------


@functools.cache
def frozen_batch():
    """(problem, work, generator L): a batch chamber held in its first state; d mass/dt = -L mass.

    L comes out of the engine by probing: (shift + L) m = source for one source at a time.
    """
    p = mills.problem("batch", "stator.gap=15 mm")  # no nips: with them the charge is no linear function
    s = mills.outcome("batch", "stator.gap=15 mm").steps.states[100].copy()
    m, work = p.mill[0], new_work(p.x.size)
    grid = grid_of(p, p.mill)
    fill_rates(m, s, grid, work)
    assert not work.table[:, NIP].any() and p.edges[-1] < 0.5 * m["gap"]
    shift, n = 3.0, p.x.size
    inverse, flows = np.zeros((n, n)), np.zeros(1, FLOWS)
    for j in range(n):
        source, column = np.zeros(n), np.zeros(n)
        source[j] = 1.0
        march(m, grid, work, source, shift, np.zeros_like(column), column, flows[0])
        inverse[:, j] = column
    return p, work, np.linalg.inv(inverse) - shift * np.eye(n)


def stepped(seconds, steps):
    """(charge, product, dwell) after a frozen batch in equal steps."""
    p, work, _ = frozen_batch()
    grid = grid_of(p, p.mill)
    mass, product, dwell = 0.012 * p.feed, np.zeros(p.x.size), np.zeros(p.x.size)
    totals = np.zeros(1, FLOWS)
    for _ in range(steps):
        advance(p.mill[0], grid, work, mass, seconds / steps, product, dwell, totals[0])
    return mass, product, dwell, totals[0]


def test_generator_is_a_mill():
    # It only makes finer (upper triangular in our order), loses at least what leaves through the sieve, and
    # what it moves between classes it keeps: column sums are the escape rates.
    p, work, L = frozen_batch()
    size = np.abs(L).max()
    assert np.abs(np.tril(L, -1)).max() <= 1e-11 * size
    np.testing.assert_allclose(L.sum(axis=0), work.escape, rtol=1e-9, atol=1e-10 * size)
    off = L - np.diag(np.diag(L))
    assert off.max() <= 1e-11 * size


def test_second_order_in_time_against_the_matrix_exponential():
    p, work, L = frozen_batch()
    seconds = 30.0
    exact = expm(-L * seconds) @ (0.012 * p.feed)
    gone = 0.012 - exact.sum()
    assert 0.1 < gone / 0.012 < 0.9
    e = []
    for steps in (300, 600, 1200, 2400):
        mass, product, _, _ = stepped(seconds, steps)
        e.append([np.abs(mass - exact).sum() / 0.012, abs(product.sum() - gone) / gone])
    orders = np.log2(np.array(e)[:-1] / np.array(e)[1:])
    assert np.all(orders[1:] >= 1.9)
    assert np.all(np.array(e)[-1] < 1e-4)


def test_product_and_dwell_are_the_exact_integrals():
    # d/dt [charge, product, dwell] is linear too: exponential of the enlarged matrix.
    p, work, L = frozen_batch()
    n, zero = p.x.size, np.zeros_like(L)
    big = np.block([[-L, zero, zero], [np.diag(work.escape), zero, zero], [np.eye(n), zero, zero]])
    exact = expm(big * 4.0) @ np.concatenate([0.012 * p.feed, np.zeros(2 * n)])
    mass, product, dwell, totals = stepped(4.0, 1200)
    np.testing.assert_allclose(product, exact[n : 2 * n], rtol=2e-3, atol=1e-7 * 0.012)
    np.testing.assert_allclose(dwell, exact[2 * n :], rtol=2e-3, atol=1e-7 * 0.012)
    assert totals["exits"] == pytest.approx(product.sum(), rel=1e-12)


@pytest.mark.parametrize("steps", [1, 2, 7, 50])
def test_any_step_keeps_mass_and_sign(steps):
    for seconds in (0.01, 4.0, 1e3):
        mass, product, dwell, _ = stepped(seconds, steps)
        assert mass.min() >= 0.0 and product.min() >= 0.0 and dwell.min() >= 0.0
        assert mass.sum() + product.sum() == pytest.approx(0.012, rel=1e-12)


def test_batch_steps_converge():
    # The whole batch (rates follow charge and heat): 300 steps, the default, against 1200.
    p = mills.problem("batch")
    feed = p.config.feed
    few, many = (solve_batch(p, feed.batch_mass_kg, feed.batch_time_s, n) for n in (300, 1200))
    assert mills.x_p(p, few) == pytest.approx(mills.x_p(p, many), rel=0.01)
    assert float(few.powers["shaft"]) == pytest.approx(float(many.powers["shaft"]), rel=0.01)


@pytest.mark.parametrize("watts", [60, 200])
def test_an_overloaded_motor_slows_down_and_does_not_ring(watts):
    # A batch too large for its motor: the rotor slows, then recovers as the charge leaves. It must not jump between
    # no load and standstill from step to step, and on average it cannot give more than its overload.
    p = mills.problem("batch", f"drive.rated_power={watts} W")
    o = solve_batch(p, 0.012, 120.0, 300)
    change = np.diff(o.steps.states["omega"])
    big = 0.02 * o.steps.states["omega"][1:-1]
    turns = (change[1:] * change[:-1] < 0) & (np.minimum(np.abs(change[1:]), np.abs(change[:-1])) > big)
    assert turns.sum() <= 2
    m = p.mill[0]
    assert float(o.powers["shaft"]) <= m["overload"] * m["rated_power"] * 1.01
