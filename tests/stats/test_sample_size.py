"""Sample size: agreement with simulation and another library, monotony, errors."""

from __future__ import annotations

import math

import numpy as np
import pytest

from thermlab.stats.dunnett import t_point
from thermlab.stats.power import (
    equivalence_mounts_needed,
    equivalence_power,
    mounts_needed,
    noncentral_t_power,
    sd_upper_limit,
    t_test_power,
    tost_power,
)


@pytest.mark.parametrize(("d", "sd", "m"), [(1.0, 0.63, 3), (0.5, 0.4, 5), (2.0, 1.0, 2)])
def test_power_against_statsmodels(d, sd, m):
    power = pytest.importorskip("statsmodels.stats.power").TTestIndPower()
    assert t_test_power(d, sd, m) == pytest.approx(power.power(d / sd, m, 0.05), abs=1e-7)


def test_power_where_the_noncentral_t_function_fails():
    """scipy.stats.nct.cdf gives NaN here; the power is as good as certain."""
    assert noncentral_t_power(14.0, t_point(0.975, 18), 18) == pytest.approx(1.0, abs=1e-6)


def test_power_and_equivalence_against_simulation():
    rng = np.random.default_rng(1)
    n, m, sd, d, margin = 40_000, 4, 0.6, 0.4, 1.0
    x = rng.normal(d, sd, (n, m))
    y = rng.normal(0.0, sd, (n, m))
    difference = x.mean(1) - y.mean(1)
    error = np.sqrt((x.var(1, ddof=1) + y.var(1, ddof=1)) / 2 * 2 / m)
    dof = 2 * (m - 1)
    shown = np.mean(np.abs(difference) > t_point(0.975, dof) * error)
    equal = np.mean(np.abs(difference) + t_point(0.95, dof) * error < margin)
    tolerance = 3.3 * math.sqrt(0.25 / n)
    assert t_test_power(d, sd, m) == pytest.approx(shown, abs=tolerance)
    assert equivalence_power(margin, sd, m, difference_K=d) == pytest.approx(equal, abs=tolerance)


def test_dunnett_power_of_one_candidate_against_simulation():
    rng = np.random.default_rng(2)
    n, m, sd, p = 40_000, 3, 0.61, 3
    groups = rng.normal(0.0, sd, (n, p + 1, m))
    groups[:, 1] += 1.0
    s = np.sqrt(groups.var(2, ddof=1).mean(1))
    t = np.abs(groups[:, 1].mean(1) - groups[:, 0].mean(1)) / (s * math.sqrt(2 / m))
    found = t_test_power(1.0, sd, m, n_treatments=p + 1, n_candidates=p)
    assert found == pytest.approx(np.mean(t > 2.880), abs=3.3 * math.sqrt(0.2 / n) + 5e-4)


def test_mounts_needed_is_the_first_that_reaches_the_power():
    for sd in (0.2, 0.45, 0.9, 1.7):
        m = mounts_needed(1.0, sd)
        assert t_test_power(1.0, sd, m) >= 0.80
        assert m == 2 or t_test_power(1.0, sd, m - 1) < 0.80


def test_a_prior_saves_mounts_and_may_leave_one():
    assert mounts_needed(2.0, 0.35) == 2
    assert mounts_needed(2.0, 0.35, prior_dof=12.0) == 1
    assert [mounts_needed(1.0, 0.55, prior_dof=nu) for nu in (0.0, 4.0, 20.0, 40.0)] == [6, 6, 6, 5]


def test_hopeless_plans_say_so():
    assert mounts_needed(0.001, 5.0) is None
    assert equivalence_mounts_needed(1.0, 0.5, difference_K=1.0) is None


def test_no_equivalence_with_one_known_mount_of_a_wide_sd():
    """One mount each can pass only if t SE is below the margin: SD 0.43 K for 1 K, even when perfectly known."""
    assert tost_power(0.0, 1.0, 0.44 * math.sqrt(2.0), 1e9) == 0.0
    assert tost_power(0.0, 1.0, 0.42 * math.sqrt(2.0), 1e9) > 0.0


def test_upper_limit_of_a_known_sd_is_itself():
    assert sd_upper_limit(0.5, 1e9) == pytest.approx(0.5, rel=1e-4)
    assert sd_upper_limit(0.5, 2) > 2 * 0.5


@pytest.mark.parametrize(
    "call",
    [
        lambda: t_test_power(1.0, 0.0, 3),
        lambda: equivalence_power(1.0, 0.5, 1),
        lambda: tost_power(0.0, -1.0, 0.5, 4),
        lambda: sd_upper_limit(1.0, 0.0),
    ],
)
def test_what_cannot_be_had_is_refused(call):
    with pytest.raises(ValueError, match="allowed"):
        call()
