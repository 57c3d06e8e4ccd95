"""The robust standard deviation against the library's, with missing values, and about a centre that is given."""

import numpy as np
import pytest
from scipy.stats import median_abs_deviation

from thermlab.stats.variances import robust_sd


@pytest.mark.parametrize("missing", [0, 7])
def test_it_is_the_scaled_median_absolute_deviation(missing):
    values = np.random.default_rng(3).normal(5.0, 2.0, size=400)
    values[:missing] = np.nan

    assert robust_sd(values) == pytest.approx(median_abs_deviation(values, scale="normal", nan_policy="omit"), rel=1e-4)


def test_a_centre_that_is_given_is_not_looked_for():
    assert robust_sd(np.array([1.0, 2.0, 9.0]), about=0.0) == pytest.approx(2.0 * 1.4826)
    assert robust_sd(np.array([[1.0, 2.0], [3.0, 6.0]]), about=np.array([2.0, 4.0])) == pytest.approx(1.5 * 1.4826)
