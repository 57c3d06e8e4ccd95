"""Coverage by simulation: seeded campaigns with known truth, the share of intervals that hold it.

A share p of n campaigns scatters binomially, so that each test allows the nominal share plus or minus 3.3 standard
deviations sqrt(p (1 - p) / n): a correct method fails one seed in a thousand, and the seed is fixed.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from mount_campaigns import LADDER_W, TREATMENTS, simulate, true_rise_K

from thermlab.compare.comparison import compare_treatments
from thermlab.compare.mounts import Groups, MountTable, judge_mounts, reference_rise
from thermlab.compare.throttle import predict_throttle

STEPS = np.array(LADDER_W)


def bound(share, n):
    return 3.3 * math.sqrt(share * (1.0 - share) / n)


def holds(interval, value):
    return interval[0] <= value <= interval[1]


def tables(rng, n, counts, effects, *, sds, noise=0.2, offsets=None, drift=0.0):
    """Run tables of n campaigns, all cells filled; the whole array is drawn at once."""
    group = np.repeat(np.arange(len(counts)), counts)
    size = group.size
    order = np.argsort(rng.random((n, size)), axis=1).argsort(axis=1).astype(float)
    resistance = (np.asarray(effects)[group] + rng.normal(size=(n, size)) * np.asarray(sds)[group]) / STEPS[-1]
    rise = true_rise_K(STEPS) + resistance[:, :, None] * STEPS + rng.normal(0.0, noise, (n, size, STEPS.size))
    rise += drift * order[:, :, None]
    if offsets is not None:
        rise += np.asarray(offsets)[group][None, :, None]
    for i in range(n):
        yield MountTable(
            treatments=TREATMENTS[: len(counts)],
            names=tuple(f"m{j}" for j in range(size)),
            group=group,
            order=order[i],
            ordered=True,
            steps_W=STEPS,
            rise_K=rise[i],
            repeats=np.ones((size, STEPS.size), dtype=np.intp),
        )


def judged(table, **options):
    prior_variance = options.pop("prior_variance", None)
    groups = Groups(treatments=table.treatments, baseline=table.treatments[0], group=table.group, **options)
    return judge_mounts(reference_rise(table).rise_K, groups, scale=60.0, prior_variance=prior_variance)


def test_interval_verdict_and_equivalence_at_the_margin():
    """2000 campaigns of two treatments with three mounts, true difference at the margin: all the way from the runs."""
    rng = np.random.default_rng(20240607)
    n, inside, passed, beyond = 2000, 0, 0, 0
    for _ in range(n):
        runs = simulate(rng, (3, 3), (0.0, -1.0))
        item = compare_treatments(
            runs, treatments=TREATMENTS[:2], baseline=TREATMENTS[0], margin_K=1.0, variance="pooled"
        ).treatments[0]
        inside += holds(item.simultaneous_interval_K, -1.0)
        passed += item.equivalent
        beyond += item.verdict == "cooler by more than the margin"
    assert inside / n == pytest.approx(0.95, abs=bound(0.95, n))
    # At the margin both claims are wrong: equivalence at most alpha, "more than the margin" at most alpha / 2.
    assert passed / n <= 0.05 + bound(0.05, n)
    assert beyond / n <= 0.025 + bound(0.025, n)


@pytest.mark.parametrize("counts", [(3, 3, 3, 3), (4, 2, 2, 2), (2, 4, 3, 1)])
def test_simultaneous_coverage_of_three_candidates(counts):
    rng = np.random.default_rng(11)
    n, effects = 1000, (0.0, -1.0, 0.5, 0.0)
    inside = per_comparison = 0
    for table in tables(rng, n, counts, effects, sds=(0.6,) * 4):
        found = judged(table).differences
        inside += all(holds(item.simultaneous_interval, e) for item, e in zip(found, effects[1:], strict=True))
        per_comparison += sum(holds(item.interval, e) for item, e in zip(found, effects[1:], strict=True))
    assert inside / n == pytest.approx(0.95, abs=bound(0.95, n))
    # Three intervals of one campaign share the baseline: the bound of n campaigns is kept, not of 3 n.
    assert per_comparison / (3 * n) == pytest.approx(0.95, abs=bound(0.95, n))


@pytest.mark.parametrize("counts", [(1, 4), (2, 4), (2, 2), (6, 6)])
def test_pooled_interval_with_any_counts(counts):
    rng = np.random.default_rng(13)
    n = 2000
    campaigns = tables(rng, n, counts, (0.0, -1.0), sds=(0.6, 0.6))
    inside = sum(holds(judged(table).differences[0].interval, -1.0) for table in campaigns)
    assert inside / n == pytest.approx(0.95, abs=bound(0.95, n))


def test_welch_holds_with_unequal_scatter_where_pooled_does_not():
    """SD ratio 3, two mounts of the noisy treatment against six: pooled covers about 0.76, Welch about 0.89."""
    rng = np.random.default_rng(17)
    n, pooled, welch, equal = 2000, 0, 0, 0
    for table in tables(rng, n, (6, 2), (0.0, -1.0), sds=(0.3, 0.9)):
        pooled += holds(judged(table).differences[0].interval, -1.0)
        welch += holds(judged(table, variance="welch").differences[0].interval, -1.0)
    for table in tables(rng, n, (4, 4), (0.0, -1.0), sds=(0.3, 0.9)):
        equal += holds(judged(table, variance="welch").differences[0].interval, -1.0)
    assert pooled / n < 0.80
    assert 0.85 < welch / n < 0.95
    assert equal / n == pytest.approx(0.95, abs=bound(0.95, n) + 0.01)


@pytest.mark.parametrize(("counts", "least"), [((1, 1), 0.945), ((2, 2), 0.945)])
def test_prior_with_half_its_degrees_of_freedom_is_not_too_narrow(counts, least):
    """Priors drawn with 12 degrees of freedom, counted as 6: coverage at or above nominal (0.96 to 0.97 expected)."""
    rng = np.random.default_rng(19)
    n, inside = 2000, 0
    variance = 0.6**2 + 0.2**2
    for table in tables(rng, n, counts, (0.0, -1.0), sds=(0.6, 0.6)):
        prior = variance * rng.chisquare(12) / 12
        inside += holds(judged(table, prior_dof=6.0, prior_variance=prior).differences[0].interval, -1.0)
    assert least <= inside / n <= 0.985


def test_order_covariate_takes_out_a_drift():
    rng = np.random.default_rng(23)
    n, with_order, without = 2000, 0, 0
    for table in tables(rng, n, (3, 3), (0.0, -1.0), sds=(0.3, 0.3), drift=0.5):
        with_order += holds(judged(table, order=table.order).differences[0].interval, -1.0)
        without += judged(table).differences[0].standard_error
    assert with_order / n == pytest.approx(0.95, abs=bound(0.95, n))
    assert without / n > 0.7


def test_throttle_power_intervals():
    """400 campaigns on a bench that does not radiate, limit 7 % above the ladder: mean, future mount and difference."""
    rng = np.random.default_rng(29)
    n, effect = 400, -1.0
    limit = 67.0
    grid = np.linspace(100.0, 150.0, 50001)

    def truth(resistance):
        return float(np.interp(limit, true_rise_K(grid) + resistance * grid, grid))

    true = (truth(0.0), truth(effect / 120.0))
    mean = future = difference = 0
    bias = []
    for _ in range(n):
        found = predict_throttle(
            simulate(rng, (3, 3), (0.0, effect)),
            treatments=TREATMENTS[:2],
            baseline=TREATMENTS[0],
            room_C=28.0,
            temperature_C=95.0,
            radiated_share=0.0,
        )
        base, candidate = found.treatments
        mean += holds(base.interval_W, true[0])
        future += holds(base.future_mount_interval_W, truth(rng.normal(0.0, 0.6) / 120.0))
        difference += holds(candidate.difference_interval_W, true[1] - true[0])
        bias.append(base.throttle_power_W - true[0])
    assert abs(np.mean(bias)) <= 0.3
    assert mean / n == pytest.approx(0.95, abs=bound(0.95, n))
    assert future / n == pytest.approx(0.955, abs=bound(0.95, n))
    assert difference / n == pytest.approx(0.95, abs=bound(0.95, n))


def test_missing_top_run_costs_no_coverage():
    """One mount of the candidate lost its top run: all mounts go through the common-step fit."""
    rng = np.random.default_rng(31)
    n, inside = 1000, 0
    for table in tables(rng, n, (3, 3), (0.0, -1.0), sds=(0.6, 0.6)):
        rise, repeats = table.rise_K.copy(), table.repeats.copy()
        rise[4, -1], repeats[4, -1] = np.nan, 0
        short = replace(table, rise_K=rise, repeats=repeats)
        groups = Groups(treatments=table.treatments, baseline=table.treatments[0], group=table.group)
        found = judge_mounts(reference_rise(short, 120.0).rise_K, groups, scale=60.0)
        inside += holds(found.differences[0].interval, -1.0)
    assert inside / n == pytest.approx(0.95, abs=bound(0.95, n))
