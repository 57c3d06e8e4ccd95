"""Uncertainty budget and rounding against the examples of the guide (JCGM 100:2008)."""

from __future__ import annotations

import math

import pytest

from thermlab.base.numbers import decimals_for, number
from thermlab.compare.uncertainty import (
    BudgetLine,
    combine_each,
    effective_dof,
    resolution_u,
)


def lines(contributions, dofs):
    return [
        BudgetLine(quantity="rise", input=f"x{i}", evaluation="A", u=c, sensitivity=1.0, contribution=c, dof=dof)
        for i, (c, dof) in enumerate(zip(contributions, dofs, strict=True))
    ]


def combine(some, **how):
    """Return the one quantity of these lines, combined."""
    return combine_each(some, **how)["rise"]


def test_h1_end_gauge():
    """JCGM 100, H.1: 25 nm (18), 9.7 nm (25.6), 2.9 nm (50), 16.6 nm (2) -> 32 nm, 16.7, t99(16) = 2.92, U99 = 93 nm.

    The guide computes 16.7 from the rounded 32 nm; unrounded it is 16.76.
    """
    found = combine(lines([25.0, 9.7, 2.9, 16.6], [18.0, 25.6, 50.0, 2.0]), confidence_level=0.99)
    assert found.u == pytest.approx(32.0, abs=0.5)
    assert found.dof == pytest.approx(16.7, abs=0.07)
    assert found.coverage_factor == pytest.approx(2.92, abs=5e-3)
    assert found.expanded == pytest.approx(93.0, abs=0.95)  # the guide multiplies the rounded 32 by 2.92


def test_g4_relative_uncertainties():
    """JCGM 100, G.4.1 example: 0.25, 0.57, 0.82 % with 9, 4, 14 dof -> 1.03 %, 19.0, t95 = 2.09, U95 = 2.2 %."""
    found = combine(lines([0.25, 0.57, 0.82], [9.0, 4.0, 14.0]))
    assert found.u == pytest.approx(1.03, abs=5e-3)
    assert found.dof == pytest.approx(19.0, abs=0.05)
    assert found.expanded == pytest.approx(2.2, abs=0.06)


def test_g4_coverage_factor_at_nineteen():
    """JCGM 100, table G.2: t95 is 2.09 with 19 and 2.12 with 16, t99 2.92 with 16 degrees of freedom."""
    for dof, level, published in (
        (19.0, 0.95, 2.09),
        (16.0, 0.95, 2.12),
        (16.0, 0.99, 2.92),
        (2.0, 0.95, 4.30),
        (1.0, 0.95, 12.71),
    ):
        assert combine(lines([1.0], [dof]), confidence_level=level).coverage_factor == pytest.approx(
            published, abs=5e-3
        )


def test_infinite_degrees_of_freedom():
    """JCGM 100, table G.2, last row: 1.960."""
    found = combine(lines([1.0, 2.0], [None, None]))
    assert found.dof is None
    assert found.coverage_factor == pytest.approx(1.960, abs=5e-4)


def test_degrees_of_freedom_lie_between_the_smallest_and_the_sum():
    """JCGM 100, G.4.1: the effective number does not exceed the sum."""
    assert effective_dof([1.0, 1.0, 1.0], [4.0, 4.0, 4.0]) == pytest.approx(12.0)
    assert effective_dof([1.0, 1e-9], [4.0, 100.0]) == pytest.approx(4.0)


def test_resolution():
    """JCGM 100, F.2.2.1: a step contributes 0.29 of itself."""
    assert resolution_u(1.0) == pytest.approx(0.29, abs=5e-3)
    assert resolution_u(1.0) == pytest.approx(1.0 / math.sqrt(12.0))


@pytest.mark.parametrize(
    ("value", "u", "written"),
    [(10.05762, 0.027, "10.058"), (28.05, 1.0, "28.0"), (28.06, None, "28.1"), (-0.0004, 0.01, "0.000")],
)
def test_rounding_of_a_value(value, u, written):
    """JCGM 100, 7.2.6: y = 10.057 62 ohm with 27 mohm is 10.058 ohm."""
    assert number(value, decimals_for(u)) == written


@pytest.mark.parametrize(("u", "written"), [(28.05, "28"), (0.0274, "0.027"), (0.0996, "0.10"), (1234.0, "1200")])
def test_rounding_of_an_uncertainty(u, written):
    """JCGM 100, 7.2.6: 28.05 kohm should be 28 kohm."""
    assert number(u, decimals_for(u)) == written
