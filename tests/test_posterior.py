"""The search and the sampling of `calibration.posterior` against problems with known answers.

Linear model with normal errors: the posterior is normal with covariance (J'J + 1)^-1 (Bishop 2006, Pattern
Recognition and Machine Learning, eq. 2.116-2.117). Curved model: moments by quadrature.
"""

import numpy as np
import pytest

from millsim.learn.calibration import posterior as P
from millsim.learn.calibration.findings import laplace_correlation
from millsim.learn.calibration.outlook import _scatter


def quiet(*_):
    """Progress to nobody."""


def linear(J, d):
    return lambda z: z @ J.T - d


def test_linear_problem_has_the_closed_form_answer():
    rng = np.random.default_rng(4)
    J, d = rng.standard_normal((6, 9)) * 3.0, rng.standard_normal(6) * 2.0
    mode = P.find_mode(linear(J, d), 9, np.random.default_rng(0), quiet)
    covariance = np.linalg.inv(J.T @ J + np.eye(9))
    assert mode.converged
    assert mode.scores == pytest.approx(covariance @ J.T @ d, abs=2e-3)
    sd = np.sqrt(np.diag(covariance))
    assert laplace_correlation(mode.jacobian) == pytest.approx(covariance / np.outer(sd, sd), rel=1e-6, abs=1e-9)
    found = P.sample(linear(J, d), mode, np.random.default_rng(1), quiet)
    mean = found.weights @ found.scores
    spread = (found.scores - mean).T @ ((found.scores - mean) * found.weights[:, None])
    error = np.sqrt(np.diag(covariance)) / found.effective**0.5
    assert np.all(np.abs(mean - covariance @ J.T @ d) < 4.5 * error)
    exact = np.sqrt(np.diag(covariance))
    assert np.sqrt(np.diag(spread)) == pytest.approx(exact, rel=4.5 / (2 * found.effective) ** 0.5)
    assert found.effective > P.ENOUGH


def test_directions_the_data_do_not_feel_keep_the_prior():
    J = np.zeros((1, 3))
    J[0, 0] = 50.0
    mode = P.find_mode(linear(J, np.array([10.0])), 3, np.random.default_rng(0), quiet)
    found = P.sample(linear(J, np.array([10.0])), mode, np.random.default_rng(2), quiet)
    sd = np.sqrt(found.weights @ (found.scores - found.weights @ found.scores) ** 2)
    assert sd[0] == pytest.approx(0.02, rel=0.2)
    assert sd[1:] == pytest.approx(1.0, rel=0.2)


def banana(z):
    """A sharp, strongly curved ridge: r = 8 (z0 + z1^2 / 2 - 1)."""
    return np.column_stack([8.0 * (z[:, 0] + 0.5 * z[:, 1] ** 2 - 1.0)])


def test_a_curved_ridge_agrees_with_quadrature():
    x, y = np.meshgrid(np.linspace(-6.0, 3.0, 2401), np.linspace(-5.0, 5.0, 2401), indexing="ij")
    weight = np.exp(-0.5 * (64.0 * (x + 0.5 * y * y - 1.0) ** 2 + x * x + y * y))  # trapezoids: spectral for such tails
    mean, square = np.sum(weight * x) / weight.sum(), np.sum(weight * y * y) / weight.sum()
    mode = P.find_mode(banana, 2, np.random.default_rng(0), quiet)
    found = P.sample(banana, mode, np.random.default_rng(3), quiet)
    x, y = found.scores.T
    got, got_square = found.weights @ x, found.weights @ (y * y)
    sd = (found.weights @ (x - got) ** 2) ** 0.5
    assert abs(got - mean) < 0.25 * sd  # against the width of what is possible
    assert got_square == pytest.approx(square, rel=0.2)


def test_a_region_without_answer_gets_no_weight():
    def half(z):
        return np.where(z[:, :1] > 0.3, np.nan, z[:, :1])

    mode = P.find_mode(half, 2, np.random.default_rng(0), quiet)
    found = P.sample(half, mode, np.random.default_rng(1), quiet)
    assert found.scores[found.weights > 0, 0].max() <= 0.3
    assert np.isfinite(found.weights).all()


def test_same_seed_same_samples():
    a, b = (
        P.sample(banana, P.find_mode(banana, 2, np.random.default_rng(5), quiet), np.random.default_rng(6), quiet)
        for _ in range(2)
    )
    assert np.array_equal(a.scores, b.scores)
    assert np.array_equal(a.weights, b.weights)


def test_accuracy_of_independent_and_of_stuck_chains():
    rng = np.random.default_rng(0)
    free = rng.standard_normal((200, 80, 3))
    effective, drift = P.accuracy(free)
    assert effective == pytest.approx(200 * 80, rel=0.5)
    assert drift < 0.1
    stuck = np.broadcast_to(rng.standard_normal((1, 80, 3)), (200, 80, 3))
    assert P.accuracy(stuck)[0] == pytest.approx(80.0, rel=0.02)
    moving = free + np.linspace(0.0, 3.0, 200)[:, None, None]
    assert P.accuracy(moving)[1] > 1.0


def test_equal_draws_repeat_the_weighted_mean():
    mode = P.find_mode(banana, 2, np.random.default_rng(5), quiet)
    found = P.sample(banana, mode, np.random.default_rng(6), quiet)
    assert found.equal(2000).mean(axis=0) == pytest.approx(found.weights @ found.scores, abs=0.06)
    assert P.weighted_quantile(np.array([3.0, 1.0, 2.0]), np.array([0.2, 0.5, 0.3]), 0.5) == 1.0


def kinked(z):
    """A step and a kink that no polynomial follows: two heaps, of which one falls off within a tenth."""
    x, y = z.T
    return np.column_stack([2.0 * np.tanh(8.0 * x) - 1.0 + 0.5 * y, 3.0 * np.abs(y - 0.5 * x) - 1.0])


def test_what_stands_in_for_the_model_leaves_no_trace():
    mode = P.find_mode(kinked, 2, np.random.default_rng(0), quiet)
    found = P.sample(kinked, mode, np.random.default_rng(9), quiet)
    axis = np.linspace(-5.0, 5.0, 1601)
    x, y = np.meshgrid(axis, axis, indexing="ij")
    r = kinked(np.column_stack([x.ravel(), y.ravel()]))
    weight = np.exp(P.log_target(r, np.column_stack([x.ravel(), y.ravel()]))).reshape(x.shape)
    weight /= weight.sum()
    for at, values in ((x, found.scores[:, 0]), (y, found.scores[:, 1])):
        mean = np.sum(weight * at)
        sd = np.sum(weight * (at - mean) ** 2) ** 0.5
        assert abs(values.mean() - mean) < 4.0 * sd / found.effective**0.5
        assert values.std() == pytest.approx(sd, rel=0.15)
    left = np.sum(weight[x < 0.0])
    assert np.mean(found.scores[:, 0] < 0.0) == pytest.approx(left, abs=4.0 * (left / found.effective) ** 0.5)


def test_the_scatter_of_a_band_is_that_of_its_quantiles():
    """Of n normal draws the 80 % band has a standard error of sqrt(2 p (1 - 2p) / n) / (phi(z) 2 z) of its width,
    p = 0.1 (variances of sample quantiles: David & Nagaraja 2003, Order Statistics, sec. 10.2; from memory).
    """
    z, n = 1.2816, 256
    exact = np.sqrt(0.2 * 0.8 / n) / (np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)) / (2 * z)
    rng, settled = np.random.default_rng(3), np.ones(n, bool)
    normal = [rng.standard_normal(n) for _ in range(20)]
    assert np.mean([_scatter("x_K", v, settled) for v in normal]) == pytest.approx(exact, rel=0.1)
    assert np.mean([_scatter("x50_m", np.exp(v), settled) for v in normal]) == pytest.approx(exact, rel=0.1)
    assert np.isinf(_scatter("x_K", np.where(normal[0] > 1.0, np.inf, normal[0]), settled))
