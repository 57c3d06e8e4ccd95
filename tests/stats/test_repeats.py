"""Estimates combined by the library, at the edges where its own figures would mislead."""

import math

import pytest

from thermlab.stats.repeats import combine

VALUES = [0.31, 0.24, 0.45, 0.12]
U = [0.05, 0.08, 0.06, 0.07]


def test_a_large_common_part_costs_no_digits():
    """Two sums of squares subtracted, as the library does for Q, would leave about four digits here."""
    plain, moved = combine(VALUES, U), combine([1e6 + value for value in VALUES], U)

    assert moved.q == pytest.approx(plain.q, rel=1e-7)
    assert moved.tau == pytest.approx(plain.tau, rel=1e-7)
    assert moved.mean - 1e6 == pytest.approx(plain.mean, abs=1e-8)


def test_less_scatter_than_the_uncertainties_explain_is_the_weighted_mean():
    """The moment estimate of tau squared is negative here; with it in the weights the mean would be another."""
    values, u = [1.0, 1.1, 1.05], [0.3, 0.5, 0.2]
    weights = [1.0 / one**2 for one in u]
    found = combine(values, u)

    assert found.tau == 0.0
    assert found.i2 == 0.0
    assert found.mean == pytest.approx(sum(w * y for w, y in zip(weights, values, strict=True)) / sum(weights))
    assert found.u_mean == pytest.approx(1.0 / math.sqrt(sum(weights)))
