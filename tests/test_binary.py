"""Maximum likelihood for broken or not: against statsmodels, scipy and textbook numbers; coverage by simulation."""

import math
import warnings

import numpy as np
import pytest
from lazily import later
from scipy.optimize import linprog, minimize

from millsim.base.numerics.statistics import wilson
from millsim.laws.breakage import breakage_probability
from millsim.learn.measured import binary
from millsim.learn.measured.binary import LINKS, bracket, counting_limits, fit_link, fit_selection, kind, pool

sm = later("statsmodels.api")
sm_links = later("statsmodels.genmod.families.links")
proportion = later("statsmodels.stats.proportion")
sm_exceptions = later("statsmodels.tools.sm_exceptions")

# Bliss 1935, beetles and carbon disulphide, as in Dobson's and McCullagh & Nelder's books (data from memory; they
# give the textbooks' coefficients): log10 dose, beetles, killed.
DOSE = [1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839]
BEETLES = [59, 60, 62, 56, 63, 59, 62, 60]
KILLED = [6, 13, 18, 28, 52, 53, 61, 60]
BLISS = {  # b0, b1, standard errors or None, deviance, dose that kills half
    "logit": (-60.7175, 34.2703, (5.1807, 2.9121), 11.2322, 1.77172),
    "probit": (-34.9353, 19.7279, None, 10.1198, 1.77085),
    "cloglog": (-39.5723, 22.0412, None, 3.4464, 1.77875),
}
SM_LINKS = {"logit": "Logit", "probit": "Probit", "cloglog": "CLogLog"}
U = np.array([2.0, 4.0, 6.0, 8.0, 12.0, 16.0])  # J m/kg


def test_no_curve_is_fitted_where_as_many_break_at_every_height():
    z, n, k = np.log([100.0, 200.0, 400.0, 800.0]), np.full(4, 2.0), np.ones(4)
    assert all(fit_link(name, z, n, k) is None for name in LINKS)


def trials(k, n=10, u=U, hits=1):
    return pool(u, n, k, hits)


SAMPLE = trials([0, 3, 4, 6, 9, 9])


def drawn(seed, u=U, per=10, f=0.14, u_min=2.2):
    """Single pieces of a known material."""
    rng = np.random.default_rng(seed)
    u = np.repeat(u, per)
    return pool(u, 1, rng.random(u.size) < -np.expm1(-f * np.maximum(0.0, u - u_min)))


@pytest.mark.parametrize("name", BLISS)
def test_bliss_beetles(name):
    b0, b1, se, deviance, half = BLISS[name]
    fit = fit_link(name, DOSE, BEETLES, KILLED)
    assert (fit.b0, fit.b1) == pytest.approx((b0, b1), rel=1e-5)
    assert fit.deviance == pytest.approx(deviance, abs=1e-4)
    assert fit.z_50 == pytest.approx(half, abs=1e-5)
    if se:
        assert (fit.se0, fit.se1) == pytest.approx(se, abs=1e-4)


@pytest.mark.parametrize("name", LINKS)
@pytest.mark.parametrize("seed", range(4))
def test_curves_against_statsmodels(name, seed):
    rng = np.random.default_rng(seed)
    z = np.sort(rng.normal(size=8))
    n = rng.integers(3, 30, 8)
    k = rng.binomial(n, LINKS[name](0.3 + 1.1 * z)[0])
    fit = fit_link(name, z, n, k)
    family = sm.families.Binomial(getattr(sm_links, SM_LINKS[name])())
    glm = sm.GLM(np.stack([k, n - k], axis=1), sm.add_constant(z), family).fit(tol=1e-12)
    assert (fit.b0, fit.b1) == pytest.approx(tuple(glm.params), rel=1e-6)
    assert (fit.se0, fit.se1) == pytest.approx(tuple(glm.bse), rel=1e-5)
    assert fit.covariance == pytest.approx(glm.cov_params()[0, 1], rel=1e-5)
    assert fit.deviance == pytest.approx(glm.deviance, rel=1e-6)
    assert fit.share(z) == pytest.approx(glm.fittedvalues, abs=1e-7)


def test_standard_error_of_the_median():
    # Against a numerical derivative with statsmodels' covariance.
    fit = fit_link("logit", DOSE, BEETLES, KILLED)
    y = np.stack([KILLED, np.subtract(BEETLES, KILLED)], axis=1)
    glm = sm.GLM(y, sm.add_constant(DOSE), sm.families.Binomial()).fit(tol=1e-12)
    b, h = glm.params, 1e-4
    slope = np.array([(-(b[0] + h) / b[1] + b[0] / b[1]) / h, (-b[0] / (b[1] + h) + b[0] / b[1]) / h])
    assert fit.z_50_se == pytest.approx(math.sqrt(slope @ glm.cov_params() @ slope), rel=1e-4)


# --- separation ------------------------------------------------------------------------------------------


def test_separated_data_have_no_finite_estimate():
    # No-go at 1 and 2, go at 3 and 4: statsmodels warns of the same, and its slope runs away.
    t = pool([1, 2, 3, 4], 1, [0, 0, 1, 1])
    assert kind(t) == "separated"
    assert bracket(t) == (2.0, 3.0)
    assert all(fit_link(name, t.u, t.n, t.k) is None for name in LINKS)
    with pytest.raises(ValueError, match="no finite estimate"):
        fit_selection(t)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        runaway = sm.GLM([0, 0, 1, 1], sm.add_constant([1.0, 2.0, 3.0, 4.0]), sm.families.Binomial()).fit()
    assert any(issubclass(w.category, sm_exceptions.PerfectSeparationWarning) for w in caught)
    assert abs(runaway.params[1]) > 20


@pytest.mark.parametrize(
    ("k", "found", "between"),
    [
        ([0, 0, 0, 0, 0, 0], "none broken", (16.0, math.inf)),
        ([10, 10, 10, 10, 10, 10], "all broken", (0.0, 2.0)),
        ([0, 0, 0, 10, 10, 10], "separated", (6.0, 8.0)),
        ([0, 0, 4, 10, 10, 10], "separated", (4.0, 8.0)),  # one mixed level is not enough
        ([0, 0, 4, 9, 10, 10], "overlap", (4.0, 12.0)),
        ([1, 0, 0, 0, 0, 0], "overlap", (0.0, math.inf)),
    ],
)
def test_kinds_of_data(k, found, between):
    t = trials(k)
    assert kind(t) == found
    assert bracket(t) == between


def test_one_level_is_told():
    assert kind(pool([3.0], 10, [4])) == "one level"


def separable(z, n, k):
    """Whether some line does not contradict any piece and goes along with one (scipy's linear programme)."""
    rows = [(1.0, x) for x, m, j in zip(z, n, k, strict=True) if j > 0]
    rows += [(-1.0, -x) for x, m, j in zip(z, n, k, strict=True) if j < m]
    a = np.array(rows)
    best = linprog(-a.sum(axis=0), A_ub=-a, b_ub=np.zeros(len(a)), bounds=[(-1, 1), (-1, 1)])
    return -best.fun > 1e-9


def test_estimates_exist_where_linear_programming_says_so():
    rng = np.random.default_rng(3)
    seen = []
    for _ in range(150):
        z = rng.choice(6, 4, replace=False).astype(float)
        n = rng.integers(1, 4, 4)
        k = rng.binomial(n, 1 / (1 + np.exp(-1.5 * (z - 2.5))))
        if 0 < k.sum() < n.sum():
            seen.append((fit_link("logit", z, n, k) is None, separable(z, n, k)))
    assert [a for a, _ in seen] == [b for _, b in seen]
    assert {a for a, _ in seen} == {True, False}


# --- limits from counts ----------------------------------------------------------------------------------


def test_counting_limits_are_runs_of_a_coin():
    # Six whole of six happen to half-breakers with 1/64 < 2.5 %, five with 1/32.
    assert counting_limits(pool([1, 2], [6, 6], [0, 6])) == (1.0, 2.0)
    assert counting_limits(pool([1, 2], [5, 5], [0, 5])) == (0.0, math.inf)
    # Pieces left whole by harder hits count for softer ones too, but not beyond a break.
    assert counting_limits(pool([1, 2, 3], [3, 3, 3], [0, 0, 0]))[0] == 2.0
    assert counting_limits(pool([1, 2, 3], [3, 3, 3], [0, 1, 0]))[0] == 0.0
    # Broken by one of three hits does not say that one hit breaks half.
    assert counting_limits(pool([1, 2], [6, 6], [0, 6], hits=[1, 3])) == (1.0, math.inf)


def test_counting_limits_hold_as_often_as_said():
    half = 2.2 + math.log(2) / 0.14
    held = [low <= half <= high for low, high in (counting_limits(drawn(s)) for s in range(300))]
    assert np.mean(held) >= 0.93  # at least 95 %, less three standard errors of 300


@pytest.mark.parametrize("level", [0.95, 0.8])
@pytest.mark.parametrize(("k", "n"), [(0, 12), (3, 12), (10, 12), (12, 12), (1, 1), (13, 16), (1, 3)])
def test_wilson_against_statsmodels(k, n, level):
    low, high = wilson(k, n, level)
    assert (float(low), float(high)) == pytest.approx(
        proportion.proportion_confint(k, n, 1 - level, "wilson"), abs=1e-12
    )
    assert (low == 0.0) == (k == 0) and (high == 1.0) == (k == n), "nothing is told of a share beyond its ends"


# --- the selection function ------------------------------------------------------------------------------


def glm_at(t, u_min):
    """statsmodels' fit of f at a given threshold: complementary log-log with offset ln(hits (u - u_min))."""
    above = t.u > u_min
    y = np.stack([t.k, t.n - t.k], axis=1)[above]
    offset = np.log((t.hits * (t.u - u_min))[above])
    family = sm.families.Binomial(sm_links.CLogLog())
    return sm.GLM(y, np.ones((above.sum(), 1)), family, offset=offset).fit(tol=1e-13)


@pytest.mark.parametrize("u_min", [0.0, 1.0, 3.0, 3.9])
def test_strength_at_a_threshold_against_statsmodels(u_min):
    assert binary._best_f(SAMPLE, np.array([u_min]))[0] == pytest.approx(
        math.exp(glm_at(SAMPLE, u_min).params[0]), rel=1e-6
    )


def test_several_hits_against_statsmodels():
    t = trials([0, 3, 4, 6, 9, 9], hits=[1, 3, 1, 2, 1, 4])
    fit = fit_selection(t)
    assert fit.f == pytest.approx(math.exp(glm_at(t, fit.u_min).params[0]), rel=1e-6)
    # and the threshold is where statsmodels' likelihood is highest
    assert all(glm_at(t, fit.u_min + d).llf <= glm_at(t, fit.u_min).llf + 1e-9 for d in (-0.05, 0.05))


def loglik(t, f, u_min):
    """The likelihood piece by piece, with the mill's own law."""
    total = 0.0
    for u, n, k, hits in zip(t.u, t.n, t.k, t.hits, strict=True):
        whole = (1.0 - breakage_probability(1.0, u, f, u_min)) ** hits
        if (k and whole >= 1.0) or (k < n and whole <= 0.0):
            return -math.inf
        total += (k * math.log1p(-whole) if k else 0.0) + ((n - k) * math.log(whole) if k < n else 0.0)
    return total


def most(t, constrain):
    """Highest likelihood over one free parameter by scipy, from many starts."""
    found = [
        minimize(lambda v: min(1e9, -loglik(t, *constrain(float(v[0])))), [s], method="Nelder-Mead",
                 options={"xatol": 1e-9, "fatol": 1e-11})
        for s in np.linspace(0.05, 3.95, 14)
    ]  # fmt: skip
    return -min(r.fun for r in found)


@pytest.mark.parametrize("level", [0.80, 0.95])
def test_best_fit_and_profile_limits_against_scipy(level):
    # A limit is where the likelihood, with the other parameter free, has dropped by half the chi-square quantile.
    from scipy.stats import chi2

    fit = fit_selection(SAMPLE)
    free = minimize(lambda v: min(1e9, -loglik(SAMPLE, math.exp(v[0]), v[1] if v[1] >= 0 else math.nan)), [-2.0, 2.0],
                    method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-11})  # fmt: skip
    assert fit.loglik == pytest.approx(-free.fun, abs=1e-7)
    assert (fit.f, fit.u_min) == pytest.approx((math.exp(free.x[0]), free.x[1]), rel=1e-3)
    drop = fit.loglik - chi2.ppf(level, 1) / 2
    for end in fit.limits["f"][level]:
        assert most(SAMPLE, lambda m, end=end: (end, abs(m))) == pytest.approx(drop, abs=1e-4)
    for end in fit.limits["u_50"][level]:
        found = most(SAMPLE, lambda m, u=end: (math.log(2) / max(u - abs(m), 1e-9), abs(m)))
        assert found == pytest.approx(drop, abs=1e-4)
    for end in fit.limits["u_min"][level]:
        assert glm_at(SAMPLE, end).llf - glm_at(SAMPLE, fit.u_min).llf == pytest.approx(drop - fit.loglik, abs=1e-4)


def test_share_is_the_mills_own_law():
    fit = fit_selection(SAMPLE)
    for u in (0.5, 3.0, 7.0, 30.0):
        assert float(fit.share(u)) == pytest.approx(breakage_probability(1.0, u, fit.f, fit.u_min), abs=1e-12)
    assert float(fit.share(7.0, 3)) == pytest.approx(1 - (1 - float(fit.share(7.0))) ** 3, rel=1e-12)
    assert float(fit.share(fit.u_50)) == pytest.approx(0.5)


def test_a_threshold_that_is_not_there_is_not_told_from_none():
    fit = fit_selection(trials([3, 4, 6, 7, 8, 9]))
    assert fit.limits["u_min"][0.95][0] == 0.0
    assert fit.u_min < 1.0
    low, high = fit.limits["u_50"][0.95]
    assert low < fit.u_50 < high


def test_rows_and_groups_are_one_likelihood():
    grouped = fit_selection(SAMPLE)
    u = np.repeat(SAMPLE.u, 10)
    broken = np.concatenate([np.arange(10) < k for k in SAMPLE.k])
    order = np.random.default_rng(1).permutation(u.size)
    single = fit_selection(pool(u[order], 1, broken[order]))
    assert single == grouped


def test_band_holds_the_fit_and_meets_the_limits_at_one_half():
    fit = fit_selection(SAMPLE)
    u = np.array([1.0, *fit.limits["u_50"][0.95], 30.0])
    low, high = binary.band(SAMPLE, fit, u)
    share = fit.share(u)
    assert np.all((low <= share) & (share <= high))
    assert high[1] == pytest.approx(0.5, abs=0.02)  # the curve that breaks half soonest
    assert low[2] == pytest.approx(0.5, abs=0.02)  # and latest


def test_profile_limits_cover():
    # 50 tests of 60 pieces, fixed seeds: 80 % limits should hold in 40 +- 3, 95 % ones in 47.5 +- 1.5.
    true = {"f": 0.14, "u_min": 2.2, "u_50": 2.2 + math.log(2) / 0.14}
    held = {(name, level): 0 for name in true for level in (0.80, 0.95)}
    count = 0
    for seed in range(50):
        t = drawn(seed)
        if kind(t) != "overlap":
            continue
        count += 1
        fit = fit_selection(t)
        for name, level in held:
            low, high = fit.limits[name][level]
            held[name, level] += low <= true[name] <= high
    assert count == 50
    for (_, level), n in held.items():
        spread = math.sqrt(count * level * (1 - level))
        assert abs(n - level * count) <= 3 * spread


def test_nonsense_is_refused():
    for bad in (([0.0], 1, [1]), ([1.0], 1, [2]), ([1.0], 0, [0])):
        with pytest.raises(ValueError, match="trials need"):
            pool(*bad)
