"""Runs of one mill calibrated together: what is off by as much in every run is not averaged away.

Linear model, normal errors: N runs with the same sensitivities J, own errors O and shared errors S tell as much as one
run with errors S + O / N (their mean is sufficient; Gelman et al. 2013, Bayesian Data Analysis, sec. 3.5, from memory).
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from millsim.forecast.error import sizes_of
from millsim.learn.calibration import fit, measurable, nextstep, observations, runmodel
from millsim.learn.calibration.posterior import _jacobian
from millsim.learn.calibration.shared import Shared, cross, everywhere, joint
from millsim.learn.calibration.unknowns import unknowns_of
from millsim.learn.measured.runsheet import read_run
from millsim.mill.config.mill import load_config

CONFIGS = Path(__file__).resolve().parent.parent / "configs"


@pytest.fixture(scope="module")
def run():
    return read_run(CONFIGS / "demo_run.toml")


def joint_of(runs):
    models = tuple(runmodel.model_of(r) for r in runs)
    blocks = tuple(observations.blocks_of(r, m) for r, m in zip(runs, models, strict=True))
    return fit.JointMisfit(models, blocks, unknowns_of(models[0].problem.parameters))


def sensitivities(misfit):
    z = np.zeros(misfit.unknowns.count)
    return _jacobian(misfit, z, misfit(z[None])[0])


def widths(J, G):
    """Standard deviations of the answers with gradients G (a, G) by Laplace's approximation."""
    return np.sqrt(np.diag(G @ np.linalg.inv(J.T @ J + np.eye(J.shape[1])) @ G.T))


def answers(misfit):
    """Gradients (2, G) of ln loaded power and ln largest rate."""
    asking = replace(misfit.models[0], want_capacity=True)
    wide = fit.JointMisfit((asking,), misfit.blocks[:1], misfit.unknowns)
    step = 0.02
    z = step * np.vstack([np.zeros(misfit.unknowns.count), np.eye(misfit.unknowns.count)])
    told = np.log([[f.loaded_W, f.capacity_kg_s] for f in wide.forecasts(0, z)])
    return (told[1:] - told[0]).T / step


def test_four_near_copies_know_no_more_than_what_the_runs_share(run):
    copies = [replace(run, loaded_W=run.loaded_W * (1 + 1e-4 * i), sha256=str(i)) for i in range(4)]
    one, four = joint_of([run]), joint_of(copies)
    J, G, told = sensitivities(one), answers(one), one.misfit.values.size
    raw = np.linalg.cholesky(one.misfit.covariance) @ J[:told]
    shared = joint([
        (cross(b.shared, b.shared) if b.shared else np.zeros((b.values.size,) * 2), b.shared)
        for b in one.blocks[0] if not b.one_sided
    ])  # fmt: skip
    own = one.misfit.covariance - shared

    def with_own(share):
        root = np.linalg.cholesky(shared + share * own)
        return widths(np.vstack([np.linalg.solve(root, raw), J[told:]]), G)

    got = widths(sensitivities(four), G)
    assert got == pytest.approx(with_own(0.25), rel=0.01)
    assert np.all(got > 0.9 * with_own(1e-3))
    as_if_independent = widths(2.0 * J, G)
    assert np.all(got > 1.4 * as_if_independent)


def test_what_runs_share_depends_on_how_alike_they_are(run):
    """The same mill, half the sieve, another motor: correlations of the watts and of the model's error in Q3."""
    half = load_config(CONFIGS / "demo.toml", ["sieve.hole=0.25 mm", "sieve.pitch=0.5 mm"])
    other = load_config(CONFIGS / "demo.toml", ["drive.efficiency=0.7"])
    blocks = [joint_of([replace(run, config=c)]).blocks[0] for c in (run.config, half, other)]
    size = [next(b for b in found if b.name == "product size").shared for found in blocks]
    power = [next(b for b in found if b.name == "power") for found in blocks]
    again, far = (size[0][0].with_(s[0]).diagonal() for s in size[:2])
    assert again == pytest.approx(size[0][0].loading ** 2)
    hole = run.config.sieve.hole_m / 0.25e-3
    assert np.abs(far) == pytest.approx(
        np.abs(size[0][0].loading * size[1][0].loading) * np.exp(-0.5 * (np.log(hole) / np.log(2.0)) ** 2)
    )  # the shape of the distribution is told by ln(x / hole), so the loadings are those of either hole
    meter = (run.meter_class / observations.LIMIT) ** 2
    instruments = [tuple(s for s in b.shared if s not in b.of_model) for b in power]
    assert cross(*instruments[:2]) == pytest.approx(meter + observations.EFFICIENCY**2)
    assert cross(instruments[0], instruments[2]) == pytest.approx(meter)  # the same meter at another motor
    sizes, net = sizes_of(runmodel.model_of(run).problem), 1.0 - run.idle_W / run.loaded_W
    own = observations.READ**2 + net**2 * (sizes["repeat_work"] ** 2 + sizes["error_work"] ** 2)
    assert power[0].covariance[1, 1] == pytest.approx(meter + observations.EFFICIENCY**2 + own)


def test_of_limits_that_one_error_moves_only_the_worst_counts(run):
    misfit = joint_of([run, replace(run, sha256="another")]).misfit
    told = runmodel.model_of(run).forecast(runmodel.model_of(run).problem.mill)
    beyond, far = replace(told, overrun=1.2), replace(told, overrun=1.5)
    kept = misfit((beyond, far))[-2:]
    assert kept == pytest.approx([0.0, np.log(1.5) / observations.OVERRUN])
    assert misfit((told, told))[-2:] == pytest.approx([0.0, 0.0])
    assert np.isnan(misfit((told, None))).all()


def test_sources_with_other_names_share_nothing():
    a, b = everywhere("meter", [0.1, 0.2]), everywhere("motor", [0.3, 0.3])
    assert cross((a,), (a, b)) == pytest.approx(np.array([[0.01, 0.02], [0.02, 0.04]]))
    assert a.with_(b) == pytest.approx(np.zeros((2, 2)))
    near, far = (Shared("model", np.array([x]), np.array([[at]])) for x, at in ((2.0, 0.0), (3.0, 1.0)))
    assert near.with_(far)[0, 0] == pytest.approx(6.0 * np.exp(-0.5))


def test_a_second_run_after_a_card_adds_only_what_the_first_did_not_tell():
    """h1 = t1 + u + e1 was read, h2 = t2 + u + e2 is planned, u shared: by the closed form of a normal distribution."""
    t = np.random.default_rng(0).standard_normal((50, 2))
    shared, own = (everywhere("meter", 0.3),), np.array([[0.3**2 + 0.1**2]])
    first, second = (measurable.Part(t[:, [i]], own, shared) for i in (0, 1))
    shown, errors, told, left = nextstep._added([second], [first], ())
    follow = 0.09 / 0.10
    assert shown[:, 0] == pytest.approx(t[:, 1] - follow * t[:, 0])
    assert errors[0, 0] == pytest.approx(0.10 - follow * 0.09)
    assert told[0] == left == 0.0
    alone, as_before, _, _ = nextstep._added([second], [measurable.Part(t[:, [0]], own)], ())
    assert alone == pytest.approx(t[:, [1]])
    assert as_before == pytest.approx(own)


def test_a_run_tells_of_the_error_that_the_answer_shares_with_it():
    """y1 = u + e1 was read, u itself is asked for: var(u | y1) = s^2 - s^4 / (s^2 + r^2), and so with y2 = u + e2."""
    shared, own = (everywhere("model", 0.3),), np.array([[0.3**2 + 0.1**2]])
    zero = np.zeros((10, 1))
    first, second = (measurable.Part(zero, own, shared) for _ in range(2))
    _, errors, told, left = nextstep._added([second], [first], shared)
    assert left == pytest.approx(0.09 - 0.09**2 / 0.10)
    assert told[0] == pytest.approx(0.09 - 0.09 * 0.09 / 0.10)
    assert nextstep._added([second], [], shared)[2:] == (pytest.approx(np.array([0.09])), pytest.approx(0.09))
