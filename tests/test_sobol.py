"""Sobol points are those of scipy, and the commands that draw do without scipy.stats."""

import subprocess
import sys

import mills
import numpy as np
import pytest
from scipy.stats import qmc

from millsim.base.numerics.sobol import DIMENSIONS, sobol


@pytest.mark.parametrize(
    ("dimensions", "count", "seed"),
    [(1, 1, 0), (1, 2, 3), (62, 64, 1), (DIMENSIONS, 512, 7), (20, 100, 2), (2, 4096, 11)],
)
def test_points_are_those_of_scipy(dimensions, count, seed):
    whole = qmc.Sobol(dimensions, scramble=True, rng=seed).random_base2(max(1, (count - 1).bit_length()))
    assert np.array_equal(sobol(dimensions, count, seed), whole[:count])


def test_more_dimensions_than_the_table_has_are_refused():
    with pytest.raises(ValueError, match="257 dimensions"):
        sobol(DIMENSIONS + 1, 8, 1)


DRAW = """
import sys
from millsim.forecast import band, error
from millsim.mill.config.mill import load_config
from millsim.mill.problem import build
from millsim.studies.day.states import quantiles
problem = build(load_config(sys.argv[1]))
band.draws(problem, 8, 1), band.common_draws([problem], 8, 1), error.errors(problem, 8, 1), quantiles(8, 2, 1)
sys.exit("scipy.stats" in sys.modules)
"""


def test_draws_do_without_scipy_stats():
    done = subprocess.run([sys.executable, "-c", DRAW, str(mills.CONFIGS / "demo.toml")])
    assert done.returncode == 0
