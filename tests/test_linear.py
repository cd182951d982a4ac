"""Solvers on size classes against worked cases and scipy; textbook order (coarse first) is turned round."""

import numpy as np
import pytest
from scipy.linalg import expm

from millsim.engines.kinetics import linear
from millsim.errors import NotConverged


def from_textbook(S, b):
    """(G, no exit) in our order from rates S and shares b[i, j], both coarse first."""
    S, b = np.asarray(S, float), np.asarray(b, float)
    return (b * S)[::-1, ::-1].copy(), np.zeros(S.size)


def batch(S, b, w0, times):
    G, none = from_textbook(S, b)
    m = linear.batch(G, linear.losses(G, none), np.array(w0, float)[::-1], np.array(times, float))
    return m[:, ::-1]


B4 = [[0, 0, 0, 0], [0.5, 0, 0, 0], [0.3, 0.7, 0, 0], [0.2, 0.3, 1, 0]]
W4 = [0.7, 0.2, 0.1, 0]


# K. J. Reid, Chem. Eng. Sci. 20 (1965) 953-963 (pages from memory); numbers derived, checked with expm.
def test_g3_four_classes():
    m = batch([1, 0.6, 0.25, 0], B4, W4, [0.5, 2.0, 10.0])
    expected = [
        [0.424571461799, 0.265665259984, 0.21306227891, 0.0967009993068],
        [0.0947346982656, 0.205365404974, 0.355586054574, 0.344313842187],
        [3.17799508337e-5, 0.00262493365137, 0.0936722420536, 0.903671044344],
    ]
    np.testing.assert_allclose(m, expected, rtol=1e-11)


@pytest.mark.parametrize("gap", [0.0, 1e-12, 1e-9, 1e-6])
def test_g3_equal_and_nearly_equal_rates(gap):
    # Reid in double precision loses digits like 1e-17/gap here; the switch to the exponential must not.
    m = batch([0.6, 0.6 * (1 + gap), 0.25, 0], B4, W4, [2.0])
    expected = [0.210835948339, 0.186740411386, 0.311895294264, 0.290528346012]
    np.testing.assert_allclose(m[0], expected, rtol=0, atol=2e-12 + gap)
    G, none = from_textbook([0.6, 0.6 * (1 + gap), 0.25, 0], B4)
    loss = linear.losses(G, none)
    assert not linear.reid_is_safe(linear.reid_coefficients(G, loss, np.array(W4[::-1])), 1.0)
    M = np.triu(G, 1) - np.diag(loss)
    np.testing.assert_allclose(m[0, ::-1], expm(2.0 * M) @ np.array(W4[::-1]), rtol=0, atol=1e-14)


def austin(n=12):
    """12 classes of ratio sqrt 2, Austin's B (phi .6, gamma .7, beta 3.5), S = .5 x^.8 at the upper edge."""
    x = 2.0 ** (-np.arange(n) / 2)
    S = 0.5 * x**0.8
    S[-1] = 0.0
    # B at 1-based index: share of class j finer than the upper edge of class i, B_ij = B(x_i / x_(j+1)).
    B = np.zeros((n + 1, n))
    for j in range(n):
        r = x / x[min(j + 1, n - 1)]
        B[:n, j] = np.where(np.arange(n) > j, 0.6 * r**0.7 + 0.4 * r**3.5, 1.0)
    return S, np.tril(B[:n] - B[1:], -1)


def test_g3_austin_twelve_classes():
    S, b = austin()
    m = batch(S, b, np.eye(12)[0], [8.0])[0]
    # Class 9 stood as .06862772479 in the source list, whose sum was then 1 + 1.9e-9: one digit misprinted.
    expected = [
        0.01831563889, 0.05072018487, 0.08406153469, 0.1047755304, 0.110493431, 0.1054610586, 0.09467440497,
        0.08169461645, 0.06862772279, 0.05657591748, 0.04601869915, 0.1785812606,
    ]  # fmt: skip
    np.testing.assert_allclose(m, expected, rtol=2e-9)
    assert abs(m.sum() - 1) < 1e-14


def test_g2_compensated_classes():
    # Kapur; Austin, Luckie, Klimpel (from memory): S_j B_ij = S_(i-1) makes the oversize exactly exponential.
    n, k, a, t = 10, 0.4, 0.9, 6.0
    S = k * (2.0 ** (-np.arange(n) / 2)) ** a
    S[-1] = 0.0
    b = np.zeros((n, n))
    for j in range(n - 1):
        cumulative = np.append(S[j : n - 1] / S[j], 0.0)  # finer than upper edges j+1 .. n-1, then nothing
        b[j + 1 :, j] = cumulative[:-1] - cumulative[1:]
    feed = np.zeros(n)
    feed[:3] = 0.5, 0.3, 0.2
    m = batch(S, b, feed, [t])[0]
    expected = [
        0.04535897664, 0.09270385627, 0.1382758219, 0.1137033201, 0.1119259715, 0.101816604, 0.08740351776,
        0.07190510654, 0.05733723486, 0.1795695904,
    ]  # fmt: skip
    np.testing.assert_allclose(m, expected, rtol=2e-9)
    oversize = np.cumsum(feed)[:-1] * np.exp(-S[:-1] * t)
    np.testing.assert_allclose(np.cumsum(m)[:-1], oversize, rtol=0, atol=1e-14)


def g4():
    S = np.array([1, 0.7, 0.5, 0.3, 0.15, 0])
    B = np.zeros((7, 6))
    for j in range(6):
        for i in range(7):
            B[i, j] = 1.0 if i <= j else 2.0 ** (-(i - j - 1) / 2 * 0.9)
    B[6] = 0.0
    return from_textbook(S, np.tril(B[:6] - B[1:], -1))[0], np.array([0, 0, 0, 0.1, 0.3, 0.6])


def test_g4_mixed_mill_with_and_without_classified_exit():
    G, feed = g4()
    for leave, holdup in (
        (np.full(6, 1 / 3), 3 * np.array([0.15, 0.1356712, 0.10584552, 0.08581445, 0.09658817, 0.42608066])),
        (np.array([2, 2, 2, 2, 0, 0.0]), [0.6, 0.65824899, 0.13646457, 0.08470601, 0.06950171, 0.2093277]),
    ):
        m = linear.steady(G, linear.losses(G, leave), feed)
        np.testing.assert_allclose(m[::-1], holdup, atol=3e-8)
        assert abs((leave * m).sum() - 1) < 1e-14


def test_g4_tanks_in_series_and_plug_flow():
    G, feed = g4()
    for n, top in ((1, 0.12), (2, 0.06666667), (10, 0.02074297)):
        product, holdups = linear.tanks_in_series(G, np.full(6, n / 4.0), feed, n)
        assert product[-1] == pytest.approx(top, abs=5e-9)
        assert abs(product.sum() - 1) < 1e-14
        assert holdups.sum() == pytest.approx(4.0, rel=1e-13)
    plug = linear.batch(G, linear.losses(G, np.zeros(6)), feed, np.array([4.0]))[0, ::-1]
    expected = [0.01098938, 0.04101639, 0.07597746, 0.11110763, 0.14201901, 0.61889012]
    np.testing.assert_allclose(plug, expected, atol=6e-9)


def test_g8_whiten_crusher():
    # p = (1 - C) (1 - B C)^-1 f, W. J. Whiten (form from memory, numbers derived): steady, unit loss.
    C = np.array([0.98377248, 0.60645889, 0.0])
    K1, K2, K3, d = 4.0, 10.0, 2.3, np.array([9.0, 6.0, 3.0])
    inner = np.clip((d - K2) / (K1 - K2), 0, 1)
    np.testing.assert_allclose(np.where(d < K1, 0.0, 1 - inner**K3), C, atol=5e-9)
    b = np.array([[0, 0, 0], [0.6, 0, 0], [0.4, 1.0, 0]])
    G, _ = from_textbook(C, b)
    leave = (1 - C)[::-1]
    product = leave * linear.steady(G, linear.losses(G, leave), np.array([0.2, 0.3, 0.5]))
    np.testing.assert_allclose(product[::-1], [0.00811376, 0.23420881, 0.75767743], atol=1e-8)


def mill(n, seed=0):
    """A stiff made-up system: power-law rates, exits that grow to 500 1/s for fines."""
    x = 1.15 ** np.arange(n)
    x /= x[-1]
    G = np.zeros((n, n))
    for j in range(1, n):
        below = (x[: j + 1] / x[j]) ** 1.1
        below[0] = 0.0
        G[:j, j] = 20 * x[j] ** 1.3 * np.diff(below)
    return G, 500 * np.clip(1 - x / 0.2, 0, None) ** 2


def test_transition_against_scipy_and_conservation():
    G, leave = mill(60)
    loss = linear.losses(G, leave)
    M = np.triu(G, 1) - np.diag(loss)
    for dt in (1e-4, 0.03, 1.0, 50.0):
        T = linear.transition(G, loss, dt)
        assert T.min() >= 0.0
        np.testing.assert_allclose(T, expm(M * dt), rtol=0, atol=1e-12)
    enlarged, total = linear.with_product(G, leave)
    m = linear.batch(enlarged, total, np.append(np.zeros(60), np.full(60, 1 / 60)), np.array([0.1, 1.0, 1e4]))
    assert m.min() >= 0.0
    np.testing.assert_allclose(m.sum(axis=1), 1.0, atol=1e-14)


def test_closed_batch_conserves_mass():
    G, _ = mill(80)
    m0 = np.random.default_rng(1).random(80)
    m = linear.batch(G, linear.losses(G, np.zeros(80)), m0, np.array([0.0, 0.1, 10.0, 1e12]))
    np.testing.assert_allclose(m.sum(axis=1), m0.sum(), rtol=1e-14)
    np.testing.assert_allclose(m[0], m0, atol=1e-13)
    assert m[-1, 0] == pytest.approx(m0.sum(), rel=1e-12)


def test_a_class_that_only_fills_is_an_error():
    G, _ = mill(10)
    leave = np.ones(10)
    leave[2] = 0.0
    G[:, 2] = 0.0  # class 2 neither breaks nor leaves
    with pytest.raises(NotConverged, match="class 2"):
        linear.steady(G, linear.losses(G, leave), np.ones(10))


def run_steps(n_steps, end=1.0):
    """Charge with rates that fade in time (heating) and a feed that grows; returns charge and product."""
    G, leave = mill(20)
    G, leave, dt = G / 4, leave / 100, end / n_steps
    m, product = np.full(20, 0.05), 0.0

    def at(t):
        g = G * (1 - 0.5 * t)
        e = leave * (1 + t)
        return (g, linear.losses(g, e), np.full(20, 0.01 * (1 + t))), e

    for k in range(n_steps):
        first, e1 = at((k + linear.GAMMA) * dt)
        second, e2 = at((k + 1) * dt)
        m, w1, w2 = linear.step(m, dt, *first, *second)
        product += e1 @ w1 + e2 @ w2
    return m, product


def test_step_is_second_order_and_conserves():
    reference, _ = run_steps(1280)
    errors = [np.abs(run_steps(n)[0] - reference).max() for n in (20, 40, 80)]
    assert np.all(np.log2(np.array(errors[:-1]) / errors[1:]) > 1.9), errors
    m, product = run_steps(40)
    fed = 20 * 0.01 * 1.5  # feed grows linearly: the step integrates it exactly
    assert m.sum() + product == pytest.approx(1.0 + fed, rel=1e-14)


@pytest.mark.parametrize("dt", [1e-3, 0.1, 10.0, 1e6])
def test_step_never_goes_negative_and_is_l_stable(dt):
    G, leave = mill(40)
    leave[-1] = 3.0
    loss, feed = linear.losses(G, leave), np.zeros(40)
    m0 = np.random.default_rng(2).random(40)
    m, w1, w2 = linear.step(m0, dt, G, loss, feed, G, loss, feed)
    assert m.min() >= 0.0
    assert m.sum() + leave @ (w1 + w2) == pytest.approx(m0.sum(), rel=1e-13)
    if dt == 1e6:
        assert m[leave > 1].sum() < 1e-4
