"""Roots in a bracket, against the same method in SciPy and against known roots."""

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from thermlab.stats.roots import bracketed_root

FUNCTIONS = {
    "cubic": (lambda x: x**3 - 2.0 * x - 5.0, 2.0, 3.0),
    "steep": (lambda x: math.tanh(200.0 * (x - 0.3)), -1.0, 1.0),
    "step": (lambda x: -1.0 if x < 0.7 else 1.0, 0.0, 1.0),
    "curve": (lambda p: 0.2 * p + 0.9 * p**0.8 - 60.0, 1.0, 1000.0),
    "reversed": (lambda x: 4.0 - math.exp(x), 5.0, -5.0),
}


@pytest.mark.parametrize("name", FUNCTIONS)
def test_the_root_is_that_of_scipy(name):
    f, low, high = FUNCTIONS[name]
    calls = []
    root = bracketed_root(lambda x: calls.append(x) or f(x), low, high, xtol=1e-12)

    assert root == pytest.approx(brentq(f, low, high, xtol=1e-12), abs=3e-12)
    assert len(calls) < 120
    assert all(min(low, high) <= x <= max(low, high) for x in calls)


def test_roots_of_random_polynomials_are_found():
    rng = np.random.default_rng(5)
    for _ in range(200):
        inside, outside = rng.uniform(-1, 1), rng.uniform(1.5, 4, size=3) * rng.choice([-1, 1], size=3)
        polynomial = np.poly1d(np.poly([inside, *outside]))
        assert bracketed_root(lambda x, p=polynomial: float(p(x)), -1.1, 1.1, xtol=1e-13) == pytest.approx(
            inside, abs=1e-11
        )


def test_a_root_at_an_end_is_taken_and_no_change_of_sign_is_refused():
    assert bracketed_root(lambda x: x, 0.0, 1.0, xtol=1e-9) == 0.0
    assert bracketed_root(lambda x: x - 1.0, 0.0, 1.0, xtol=1e-9) == 1.0
    with pytest.raises(ValueError, match="no change of sign"):
        bracketed_root(lambda x: x * x + 1.0, -1.0, 1.0, xtol=1e-9)
