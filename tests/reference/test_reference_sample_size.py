"""Power and sample size against published values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import nct

from thermlab.stats.dunnett import dunnett_critical, t_point
from thermlab.stats.power import (
    equivalence_mounts_needed,
    equivalence_power,
    mounts_needed,
    noncentral_t_power,
    sd_upper_limit,
    t_test_power,
    tost_power,
)

RUN_NOISE_K = 0.2


def near_tail(noncentrality, critical, dof):
    """Both tails less the far one, in which scipy's noncentral t loses no digits."""
    return noncentral_t_power(noncentrality, critical, dof) - nct.cdf(-critical, dof, noncentrality)


def test_two_sample_t_power_r():
    """R power.t.test(n = 20, delta = 1, sd = 1): 0.8689528 (near tail only, its default); both tails 0.8689530."""
    noncentrality, critical = 1.0 / math.sqrt(2.0 / 20.0), t_point(0.975, 38)
    assert near_tail(noncentrality, critical, 38) == pytest.approx(0.8689528, abs=5e-8)
    assert t_test_power(1.0, 1.0, 20) == pytest.approx(0.8689530, abs=5e-8)


def test_two_sample_t_power_larger_groups_r():
    """R power.t.test: n = 100, delta = 1, sd = 2.5 gives 0.8036466 (near tail only)."""
    noncentrality = 1.0 / (2.5 * math.sqrt(2.0 / 100.0))
    found = near_tail(noncentrality, t_point(0.975, 198), 198)
    assert found == pytest.approx(0.8036466, abs=5.1e-8)


def test_fractional_group_size_r():
    """R power.t.test(power = .90, delta = 1): n = 22.02110."""
    assert t_test_power(1.0, 1.0, 22.02110) == pytest.approx(0.90, abs=5e-7)


@pytest.mark.parametrize(("d", "n"), [(0.5, 64), (0.8, 26)])
def test_cohen_groups_for_eighty_percent(d, n):
    """Cohen 1988, Statistical Power Analysis for the Behavioral Sciences, table 2.4.1 (from memory)."""
    assert mounts_needed(d, 1.0) == n


@pytest.mark.parametrize(("n", "published"), [(3, 0.0386), (8, 0.28871), (15, 0.69339), (30, 0.94326), (50, 0.99458)])
def test_equivalence_power_pass_manual(n, published):
    """PASS sample-size documentation, chapter 460, example 1: difference -4, sd 18, limits +-19.2, 5 %."""
    found = equivalence_power(19.2, 18.0, n, difference_K=-4.0)
    assert found == pytest.approx(published, abs=5.1e-6 if n > 3 else 5.1e-5)


def test_equivalence_power_crossover():
    """2x2 crossover, CV 0.30, ratio 0.95, limits 0.80 to 1.25, n 40: 0.8158453 (R PowerTOST documentation)."""
    sd = math.sqrt(math.log(0.3**2 + 1.0))
    found = tost_power(math.log(0.95), math.log(1.25), sd * math.sqrt(2.0 / 40.0), 38)
    assert found == pytest.approx(0.8158453, abs=5.1e-8)


# Mounts for 80 % / 90 % power, from an independent prototype, checked by simulation: per mount SD, for true
# differences of 0.5, 1 and 2 K; for equivalence within 1 K with a true difference of 0 and 0.3 K; for 1 K with three
# candidates. Through-origin estimand with a run noise of 0.2 K.
THROUGH_ORIGIN = {
    0.3: ((8, 10), (3, 4), (2, 3), (3, 4), (4, 5), (4, 4)),
    0.5: ((18, 24), (6, 7), (3, 3), (6, 7), (8, 10), (7, 8)),
    0.8: ((43, 56), (12, 15), (4, 5), (12, 15), (18, 24), (14, 18)),
    1.0: ((65, 87), (17, 23), (6, 7), (19, 23), (27, 37), (22, 28)),
}
# The same at the reference step, the default of the planner.
REFERENCE_STEP = {
    0.3: ((10, 12), (4, 4), (3, 3)),
    0.5: ((20, 26), (6, 8), (3, 3)),
    0.8: ((44, 59), (12, 16), (4, 5)),
    1.0: ((67, 89), (18, 23), (6, 7)),
}


@pytest.mark.parametrize("sd", THROUGH_ORIGIN)
def test_mounts_through_the_origin(sd):
    steps = np.array([40.0, 56.0, 72.0, 88.0, 104.0, 120.0])
    effective = math.hypot(sd, RUN_NOISE_K * math.sqrt(120.0**2 / (steps @ steps)))
    found = [tuple(mounts_needed(d, effective, power=p) for p in (0.8, 0.9)) for d in (0.5, 1.0, 2.0)]
    found += [
        tuple(equivalence_mounts_needed(1.0, effective, difference_K=d, power=p) for p in (0.8, 0.9))
        for d in (0.0, 0.3)
    ]
    found.append(tuple(mounts_needed(1.0, effective, power=p, n_treatments=4, n_candidates=3) for p in (0.8, 0.9)))
    assert tuple(found) == THROUGH_ORIGIN[sd]


@pytest.mark.parametrize("sd", REFERENCE_STEP)
def test_mounts_at_the_reference_step(sd):
    effective = math.hypot(sd, RUN_NOISE_K)
    found = tuple(tuple(mounts_needed(d, effective, power=p) for p in (0.8, 0.9)) for d in (0.5, 1.0, 2.0))
    assert found == REFERENCE_STEP[sd]


@pytest.mark.parametrize(
    ("sd", "halves"),
    [
        (0.3, (1.38, 0.73, 0.56, 0.41, 0.30)),
        (0.5, (2.21, 1.16, 0.89, 0.66, 0.48)),
        (0.8, (3.48, 1.83, 1.40, 1.04, 0.76)),
        (1.0, (4.33, 2.28, 1.74, 1.30, 0.95)),
    ],
)
def test_half_width_to_expect(sd, halves):
    effective = math.hypot(sd, RUN_NOISE_K * math.sqrt(0.336))
    found = [dunnett_critical(0.05, [1], 1, 2 * (m - 1)) * effective * math.sqrt(2.0 / m) for m in (2, 3, 4, 6, 10)]
    assert found == pytest.approx(halves, abs=7e-3)


@pytest.mark.parametrize(("dof", "low", "high"), [(2, 0.52, 6.3), (4, 0.60, 2.9), (8, 0.68, 1.9), (20, 0.77, 1.4)])
def test_limits_of_a_standard_deviation(dof, low, high):
    """Chi-square limits of a standard deviation, two-sided 95 %."""
    assert sd_upper_limit(1.0, dof, 0.025) == pytest.approx(low, abs=6e-3)
    assert sd_upper_limit(1.0, dof, 0.975) == pytest.approx(high, abs=6e-2)
