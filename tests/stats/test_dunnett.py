"""Dunnett's distribution: limits, monotony, speed of convergence, errors."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermlab.stats.dunnett import (
    chi_rule,
    dunnett_critical,
    dunnett_probability,
    step_down_p_values,
    t_point,
    t_tail,
)

# Two-sided 5 % points, equal counts m of p candidates and the baseline, dof (p + 1)(m - 1); an independent prototype.
POINTS = {
    1: (4.303, 2.776, 2.447, 2.228),
    2: (3.867, 2.863, 2.614, 2.439),
    3: (3.618, 2.880, 2.683, 2.540),
    4: (3.476, 2.890, 2.727, 2.607),
}


@pytest.mark.parametrize("p", POINTS)
def test_points_for_equal_counts(p):
    found = [dunnett_critical(0.05, [m] * p, m, (p + 1) * (m - 1)) for m in (2, 3, 4, 6)]
    assert found == pytest.approx(POINTS[p], abs=6e-4)


@pytest.mark.parametrize(("mounts", "point"), [(1, 2.683), (2, 2.592), (3, 2.540)])
def test_points_with_twelve_prior_degrees_of_freedom(mounts, point):
    """Three candidates; the prior adds its degrees of freedom."""
    assert dunnett_critical(0.05, [mounts] * 3, mounts, 4 * (mounts - 1) + 12) == pytest.approx(point, abs=6e-4)


@given(counts=st.lists(st.integers(1, 9), min_size=1, max_size=5), base=st.integers(1, 9), dof=st.floats(0.5, 200.0))
@settings(max_examples=60, deadline=None)
def test_the_point_lies_between_t_and_bonferroni_and_is_the_root(counts, base, dof):
    c = dunnett_critical(0.05, counts, base, dof)
    assert t_point(0.975, dof) * (1 - 1e-9) <= c <= t_point(1 - 0.025 / len(counts), dof) * (1 + 1e-9)
    assert dunnett_probability(c, counts, base, dof) == pytest.approx(0.95, abs=1e-6)


def test_order_of_the_candidates_does_not_matter_and_calls_repeat_exactly():
    assert dunnett_critical(0.05, [2, 5, 3], 4, 7.5) == dunnett_critical(0.05, [5, 3, 2], 4, 7.5)
    assert dunnett_probability(2.5, [2, 5, 3], 4, 7.5) == dunnett_probability(2.5, [2, 5, 3], 4, 7.5)


def test_many_degrees_of_freedom_tend_to_the_normal_limit():
    assert dunnett_critical(0.05, [4] * 3, 4, 1e7) == pytest.approx(
        dunnett_critical(0.05, [4] * 3, 4, math.inf), abs=1e-5
    )


def test_counts_far_apart_agree_with_brute_force():
    rng = np.random.default_rng(9)
    counts, base, dof = (1, 30), 2, 5
    n = 400_000
    z0 = rng.normal(size=n) / math.sqrt(base)
    s = np.sqrt(rng.chisquare(dof, n) / dof)
    t = [abs(rng.normal(size=n) / math.sqrt(m) - z0) / (s * math.sqrt(1 / m + 1 / base)) for m in counts]
    share = np.mean(np.max(t, axis=0) <= 3.0)
    assert dunnett_probability(3.0, counts, base, dof) == pytest.approx(share, abs=3.3 * math.sqrt(0.05 / n))


def test_step_down_never_exceeds_single_step_and_keeps_the_order():
    t_values = [-3.1, 0.4, 2.2]
    p = step_down_p_values(t_values, [3, 3, 3], 3, 8)
    single = [1 - dunnett_probability(abs(t), [3, 3, 3], 3, 8) for t in t_values]
    assert all(a <= b + 1e-12 for a, b in zip(p, single, strict=True))
    assert p[0] <= p[2] <= p[1]
    assert p[0] == pytest.approx(single[0])
    assert p[1] == pytest.approx(t_tail(0.4, 8))


@pytest.mark.parametrize("dof", [0.5, 1.0, 3.7, 12.0, 250.0, 1e5])
def test_quadrature_gives_the_moments_of_chi(dof):
    s, w = chi_rule(dof)
    assert w.sum() == pytest.approx(1.0, abs=1e-7)
    assert w @ s**2 == pytest.approx(1.0, abs=1e-7)


@pytest.mark.parametrize(
    "call",
    [
        lambda: dunnett_critical(0.05, [], 3, 5),
        lambda: dunnett_critical(0.05, [0], 3, 5),
        lambda: dunnett_critical(0.05, [3], 3, 0),
        lambda: dunnett_critical(1.5, [3], 3, 5),
        lambda: chi_rule(0.0),
    ],
)
def test_what_cannot_be_had_is_refused(call):
    with pytest.raises(ValueError, match="allowed"):
        call()
