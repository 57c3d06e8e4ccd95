"""Comparison of treatments against published values.

Published groups are fed in as campaigns: one mount per observation, one power step, so that the numbers go the whole
way from the run table to the interval.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from mount_campaigns import from_groups
from scipy import stats

from thermlab.compare.comparison import compare_treatments
from thermlab.compare.mounts import Groups, judge_mounts, reference_rise, tabulate_mounts
from thermlab.compare.verdict import is_equivalent
from thermlab.stats.dunnett import (
    dunnett_critical,
    dunnett_probability,
    holm_p_values,
    step_down_p_values,
    t_point,
    t_tail,
)
from thermlab.stats.variances import cochran_critical, welch_error

DATA = json.loads((Path(__file__).parents[1] / "reference" / "comparison_data.json").read_text(encoding="utf-8"))
NAMES = ("grease-a", "pad-b", "paste-c", "paste-d", "pad-e")


def compare(groups, **options):
    names = NAMES[: len(groups)]
    return compare_treatments(from_groups(groups), treatments=names, baseline=names[0], margin_K=1.0, **options)


def plain_scatter(groups):
    table = tabulate_mounts(from_groups(groups), NAMES[: len(groups)])
    values = reference_rise(table).rise_K
    plain = Groups(treatments=table.treatments, baseline=table.treatments[0], group=table.group)
    return judge_mounts(values, plain, scale=float(np.abs(values).max()))


def test_welch_nist_handbook_7_3_1():
    """NIST/SEMATECH e-Handbook of Statistical Methods, 7.3.1, assembly times of two processes."""
    old = [32, 37, 35, 28, 41, 44, 35, 31, 34, 38, 42]
    new = [36, 31, 30, 31, 34, 36, 29, 32, 31]
    result = compare([new, old], variance="welch")
    item = result.treatments[0]
    assert (item.mean_rise_K, result.baseline_mean_rise_K) == (
        pytest.approx(36.0909, abs=5e-5),
        pytest.approx(32.2222, abs=5e-5),
    )
    assert result.mount_sd_by_treatment["pad-b"] == pytest.approx(4.9082, abs=5e-5)
    assert result.mount_sd_by_treatment["grease-a"] == pytest.approx(2.5386, abs=5e-5)
    assert item.difference_K / item.standard_error_K == pytest.approx(2.2694, abs=5e-5)
    assert item.dof == pytest.approx(15.5325, abs=5e-5)
    assert t_point(0.95, 16) == pytest.approx(1.746, abs=5e-4)


def test_dunnett_1955_blood_counts():
    """Dunnett 1955, J. Am. Stat. Assoc. 50:1096, blood counts.

    p values and interval as computed by R multcomp, quoted in the SciPy test-suite (stats/tests/test_multicomp.py);
    R integrates with random numbers, hence the tolerances.
    """
    control = [7.40, 8.50, 7.20, 8.24, 9.84, 8.32]
    drug_a = [9.76, 8.80, 7.68, 9.36]
    drug_b = [12.80, 9.68, 12.16, 9.20, 10.55]
    result = compare([control, drug_a, drug_b], variance="pooled")
    a, b = result.treatments
    assert a.difference_K / a.standard_error_K == pytest.approx(0.85703, abs=5e-6)
    assert b.difference_K / b.standard_error_K == pytest.approx(3.69375, abs=5e-6)
    single_step = [1.0 - dunnett_probability(t, [4, 5], 6, 12) for t in (0.85703, 3.69375)]
    assert single_step == pytest.approx([0.6201020, 0.0058254], abs=2e-4)
    assert a.simultaneous_interval_K == pytest.approx((-1.25641, 2.55641), abs=2e-3)
    assert b.simultaneous_interval_K == pytest.approx((0.839627, 4.416373), abs=2e-3)
    assert b.p_value == pytest.approx(single_step[1], abs=1e-5)
    # The last step of the step-down procedure is an ordinary t test.
    assert a.p_value == pytest.approx(t_tail(0.85703, 12), abs=1e-5)


@pytest.mark.parametrize(
    ("dof", "candidates", "published"),
    [
        (
            12,
            3,
            2.68,
        ),  # Howell, Statistical Methods for Psychology, appendix t_d; as quoted by the MRC CBU statistics wiki
        (24, 3, 2.51),  # Dunnett 1964, Biometrics 20:482; as quoted in the tests of an R package
        (8, 3, 2.88),  # Dunnett 1964, from memory, as are the rows below
        (20, 3, 2.54),
        (5, 2, 3.03),
        (5, 3, 3.29),
        (10, 2, 2.57),
        (10, 3, 2.76),
        (10, 4, 2.89),
        (20, 2, 2.38),
        (20, 4, 2.65),
        (math.inf, 2, 2.21),
        (math.inf, 3, 2.35),
        (math.inf, 4, 2.44),
        (math.inf, 5, 2.51),
    ],
)
def test_dunnett_two_sided_points(dof, candidates, published):
    assert dunnett_critical(0.05, [4] * candidates, 4, dof) == pytest.approx(published, abs=5.1e-3)


@pytest.mark.parametrize(("counts", "base", "dof"), [((2, 6, 12), 2, 5), ((3, 3), 3, 6.5), ((1, 2, 3, 4), 5, 10)])
def test_dunnett_against_the_multivariate_t_of_scipy(counts, base, dof):
    loadings = [math.sqrt(m / (m + base)) for m in counts]
    shape = np.outer(loadings, loadings)
    np.fill_diagonal(shape, 1.0)
    c = dunnett_critical(0.05, counts, base, dof)
    limit = np.full(len(counts), c)
    probability = stats.multivariate_t.cdf(limit, shape=shape, df=dof, lower_limit=-limit, random_state=1)
    assert probability == pytest.approx(0.95, abs=3e-4)


def test_step_down_and_single_step_agree_with_scipy_on_the_largest():
    rng = np.random.default_rng(5)
    groups = [rng.normal(size=4), rng.normal(0.5, size=4), rng.normal(2.0, size=4)]
    published = stats.dunnett(groups[1], groups[2], control=groups[0], rng=np.random.default_rng(0))
    found = step_down_p_values(published.statistic, [4, 4], 4, 9)
    largest = int(np.argmax(np.abs(published.statistic)))
    assert found[largest] == pytest.approx(published.pvalue[largest], abs=5e-4)


def test_holm_textbook_example():
    """Holm 1979, Scand. J. Stat. 6:65; the common textbook example."""
    assert holm_p_values([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02], abs=1e-15)


def test_pooled_sd_nist_handbook_7_4_3():
    """NIST/SEMATECH e-Handbook 7.4.3: within-groups sum of squares 17.452 with 12 degrees of freedom."""
    groups = [[6.9, 5.4, 5.8, 4.6, 4.0], [8.3, 6.8, 7.8, 9.2, 6.5], [8.0, 10.5, 8.1, 6.9, 9.3]]
    result = compare(groups, variance="pooled")
    assert result.mount_sd_dof == 12
    assert result.mount_sd_K**2 * 12 == pytest.approx(17.452, abs=5e-4)


@pytest.mark.parametrize(
    ("name", "certified", "wanted"), [("SiRstv", 1.04076068334656e-01, 9.0), ("AtmWtAg", 1.51048314446410e-05, 8.0)]
)
def test_pooled_sd_nist_strd(name, certified, wanted):
    """NIST StRD analysis of variance, certified residual standard deviation (AtmWtAg: 7 constant leading digits)."""
    found = plain_scatter(DATA[name]["groups"]).own_sd
    assert -math.log10(abs(found - certified) / certified) >= wanted


def test_pooled_sd_nist_strd_simon_lesage_1():
    """NIST StRD SmLs01: nine treatments of 21 values; certified within sum of squares 1.8, dof 180."""
    centres = [1.4, 1.3, 1.5, 1.3, 1.5, 1.3, 1.5, 1.3, 1.5]
    values = np.concatenate([[c] + [c - 0.1, c + 0.1] * 10 for c in centres])
    group = np.repeat(np.arange(9), 21)
    plain = Groups(treatments=tuple(f"t{i}" for i in range(9)), baseline="t0", group=group)
    found = judge_mounts(values, plain, scale=1.5)
    assert found.own_dof == 180
    assert found.own_sd**2 * 180 == pytest.approx(1.8, rel=1e-12)


def test_gum_h5_day_means_are_the_replicates():
    """JCGM 100:2008, H.5: ten daily means of a voltage; s(V_j) 57 uV, mean 10.000 097 V, s(mean) 18 uV with 9 dof.

    The days are to the single readings what mounts are to runs.
    """
    microvolts = [172, 116, 13, 144, 106, 31, 60, 125, 163, 41]
    scatter = plain_scatter([microvolts])
    assert scatter.mean["grease-a"] == pytest.approx(97.0, abs=0.5)
    assert scatter.own_sd == pytest.approx(57.0, abs=0.5)
    assert scatter.own_dof == 9
    assert scatter.own_sd * math.sqrt(scatter.mean_variance_factor["grease-a"]) == pytest.approx(18.0, abs=0.5)


def test_nist_tn_1900_e2_mean_temperature():
    """NIST TN 1900 (2015), example E2 (from memory): mean 25.59 degC, u 0.872, 95 % interval (23.8, 27.4)."""
    days = [18.75, 28.25, 25.75, 28.00, 28.50, 20.75, 21.00, 22.75, 18.50, 27.25, 20.75]
    days += [26.50, 28.00, 23.25, 28.00, 21.75, 26.00, 26.50, 28.00, 33.25, 32.00, 29.50]
    scatter = plain_scatter([days])
    u = scatter.own_sd * math.sqrt(scatter.mean_variance_factor["grease-a"])
    half = t_point(0.975, scatter.own_dof) * u
    mean = scatter.mean["grease-a"]
    assert (mean, u) == (pytest.approx(25.59, abs=5e-3), pytest.approx(0.872, abs=5e-4))
    assert (mean - half, mean + half) == (pytest.approx(23.8, abs=0.05), pytest.approx(27.4, abs=0.05))


@pytest.mark.parametrize(
    ("name", "mean", "error", "tolerance"),
    [
        ("Dyestuff", 1527.5, math.sqrt(375.7167), 5e-6),  # var(mean) in lme4 tests/testthat/test-lmer.R
        ("Rail", 66.5, 10.171, 5e-4),  # Pinheiro & Bates 2000, section 1.1
    ],
)
def test_random_effects_repeats_are_averaged_within_the_mount(name, mean, error, tolerance):
    """One-way random effects, balanced: the standard error of the mean comes from the group means alone.

    Here the groups (batches, rails) are mounts and the readings are repeats of one step.
    """
    runs = [
        replace(run, run=f"{j}-{run.run}", mount=f"m{j}")
        for j, values in enumerate(DATA[name]["groups"])
        for run in from_groups([values])
    ]
    table = tabulate_mounts(runs, ["grease-a"])
    values = reference_rise(table).rise_K
    plain = Groups(treatments=("grease-a",), baseline="grease-a", group=table.group)
    scatter = judge_mounts(values, plain, scale=mean)
    assert scatter.own_dof == len(DATA[name]["groups"]) - 1
    assert scatter.mean["grease-a"] == pytest.approx(mean, rel=1e-9)
    assert scatter.own_sd * math.sqrt(scatter.mean_variance_factor["grease-a"]) == pytest.approx(
        error, abs=tolerance * 10
    )


def test_equivalence_two_one_sided_tests():
    """Lakens 2017, Soc. Psychol. Personal. Sci. 8:355 (tutorial numbers), digits from the CRAN TOSTER test-suite.

    Two groups 5.25 (sd 0.95, n 95) and 5.22 (0.83, 89), limits +-0.384, Welch.
    """
    error, dof = welch_error(0.95**2 * 94, 95, 0.83**2 * 88, 89)
    difference, margin = 5.25 - 5.22, 0.384
    assert dof == pytest.approx(181.1344, abs=5e-5)
    assert (difference + margin) / error == pytest.approx(3.153015, abs=5e-7)
    assert (difference - margin) / error == pytest.approx(-2.696056, abs=5e-7)
    assert t_tail((difference + margin) / error, dof) / 2 == pytest.approx(0.0009458745, abs=5e-10)
    assert t_tail((difference - margin) / error, dof) / 2 == pytest.approx(0.003838994, abs=5e-10)
    half = t_point(0.95, dof) * error
    interval = (difference - half, difference + half)
    assert interval == pytest.approx((-0.1870843, 0.2470843), abs=5e-8)
    assert is_equivalent(interval, margin) is True
    assert is_equivalent(interval, 0.2470843) is False


COCHRAN_5_PERCENT = {
    2: (0.998, 0.975, 0.939, 0.906),
    3: (0.967, 0.871, 0.798, 0.746),
    4: (0.906, 0.768, 0.684, 0.629),
    5: (0.841, 0.684, 0.598, 0.544),
    6: (0.781, 0.616, 0.532, 0.480),
    7: (0.727, 0.561, 0.480, 0.431),
    8: (0.680, 0.516, 0.438, 0.391),
    9: (0.638, 0.477, 0.403, 0.358),
    10: (0.602, 0.445, 0.373, 0.331),
    15: (0.471, 0.335, 0.276, 0.242),
    20: (0.389, 0.270, 0.221, 0.192),
}


@pytest.mark.parametrize("treatments", COCHRAN_5_PERCENT)
def test_cochran_critical_values(treatments):
    """Cochran's C, 5 %: table of the UK National Measurement System, nmschembio.org.uk, 'Cochran test' (2009)."""
    found = [cochran_critical(treatments, mounts) for mounts in (2, 3, 4, 5)]
    assert found == pytest.approx(COCHRAN_5_PERCENT[treatments], abs=6e-4)


def test_order_covariate_is_the_regression_of_statsmodels():
    """Analysis of covariance with the order of the mounts, against ordinary least squares of a general library."""
    sm = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(7)
    groups = [list(rng.normal(40, 1, 4)), list(rng.normal(39, 1, 4)), list(rng.normal(41, 1, 3))]
    result = compare_treatments(
        from_groups(groups),
        treatments=NAMES[:3],
        baseline=NAMES[0],
        margin_K=1.0,
        variance="pooled",
        order_covariate=True,
    )
    y = np.concatenate(groups)
    arm = np.repeat([0, 1, 2], [4, 4, 3])
    design = np.column_stack([np.ones(11), arm == 1, arm == 2, np.arange(11)]).astype(float)
    fit = sm.OLS(y, design).fit()
    for i, item in enumerate(result.treatments, start=1):
        assert item.difference_K == pytest.approx(fit.params[i], rel=1e-9)
        assert item.standard_error_K == pytest.approx(fit.bse[i], rel=1e-9)
    assert result.dof == fit.df_resid == 11 - 3 - 1
    assert result.drift_K_per_mount == pytest.approx(fit.params[3], rel=1e-9)
