"""How much estimates truly differ, by the library, at the edges where its own figures would mislead."""

import pytest

from thermlab.stats.repeats import spread_between

VALUES = [0.31, 0.24, 0.45, 0.12]
U = [0.05, 0.08, 0.06, 0.07]


def test_a_large_common_part_costs_no_digits():
    """Two sums of squares subtracted, as the library does for Q, would leave about four digits here."""
    plain, moved = spread_between(VALUES, U), spread_between([1e6 + value for value in VALUES], U)

    assert moved == pytest.approx(plain, rel=1e-7)


def test_less_scatter_than_the_uncertainties_explain_is_none():
    """The moment estimate of the variance between is negative here."""
    sd, p_value = spread_between([1.0, 1.1, 1.05], [0.3, 0.5, 0.2])

    assert sd == 0.0
    assert p_value == pytest.approx(0.975, abs=0.01)
