"""Where a function changes its sign, held to the same of a reference library."""

import math

import pytest
from scipy.optimize import brentq

from thermlab.stats.least_squares import crossing


@pytest.mark.parametrize(
    ("function", "low", "high"),
    [
        (lambda x: x**3 - 2.0, 0.0, 2.0),
        (lambda x: math.exp(x) - 1e6, 0.0, 50.0),
        (lambda x: math.atan(x - 3.0), -200.0, 400.0),
        (lambda x: x - 1e-9, -1.0, 1.0),
        (lambda x: x, 0.0, 5.0),
    ],
)
def test_a_crossing_is_where_scipy_has_it(function, low, high):
    expected = brentq(function, low, high, xtol=1e-14, rtol=1e-14)

    found = crossing(function, low, high)

    assert found == pytest.approx(expected, rel=1e-12, abs=1e-12)


def test_without_a_change_of_sign_there_is_no_crossing():
    with pytest.raises(ValueError, match="no change of sign"):
        crossing(lambda x: x * x + 1.0, -1.0, 1.0)
