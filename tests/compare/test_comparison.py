"""The comparison as a whole: rule 0, variance methods, prior, order, cautions, invariances."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import replace

import numpy as np
import pytest
from mount_campaigns import LADDER_W, TREATMENTS, from_groups, simulate
from scipy import stats

from thermlab.compare.comparison import compare_treatments
from thermlab.compare.throttle import hold_rooms, predict_throttle
from thermlab.simulate.network import passive_bench, settled_rise
from thermlab.stats.dunnett import dunnett_critical
from thermlab.stats.power import mounts_needed, sd_upper_limit
from thermlab.stats.variances import Prior


def compare(runs, n=2, **options):
    names = TREATMENTS[:n]
    options.setdefault("margin_K", 1.0)
    return compare_treatments(runs, treatments=names, baseline=names[0], **options)


def campaign(seed, counts=(3, 3), effects=(0.0, -1.0), **options):
    return simulate(np.random.default_rng(seed), counts, effects, **options)


def numbers(value):
    """Every number in a nested record."""
    if isinstance(value, dict):
        return [x for item in value.values() for x in numbers(item)]
    if isinstance(value, (list, tuple)):
        return [x for item in value for x in numbers(item)]
    return [value] if isinstance(value, float) else []


def plain(result):
    return dataclasses.asdict(result)


def test_two_treatments_by_hand():
    """Means 40 and 38, variances 1 and 1, three mounts each: D = -2, SE = sqrt(2/3), t(0.975, 4) = 2.776."""
    result = compare(from_groups([[39.0, 40.0, 41.0], [37.0, 38.0, 39.0]]))
    item = result.treatments[0]
    half = 2.7764451 * math.sqrt(2 / 3)
    assert item.difference_K == pytest.approx(-2.0)
    assert item.interval_K == pytest.approx((-2.0 - half, -2.0 + half))
    assert item.simultaneous_interval_K == item.interval_K
    assert item.equivalence_interval_K == pytest.approx(
        (-2 - 2.1318468 * math.sqrt(2 / 3), -2 + 2.1318468 * math.sqrt(2 / 3))
    )
    assert item.p_value == pytest.approx(stats.ttest_ind([39, 40, 41], [37, 38, 39]).pvalue)
    assert (result.dof, result.critical_value) == (4.0, pytest.approx(2.7764451))
    assert (result.mount_sd_K, result.mount_sd_dof) == (pytest.approx(1.0), 4.0)
    assert (result.baseline_n_mounts, result.baseline_mean_rise_K) == (3, pytest.approx(40.0))
    assert item.verdict == "undecided"
    assert item.mounts_needed == mounts_needed(1.0, sd_upper_limit(1.0, 4.0))


def test_runs_of_a_ladder_are_not_replicates():
    """Six steps of three mounts give four degrees of freedom, not thirty-four."""
    assert compare(campaign(1)).dof == 4.0


def test_repeats_leave_the_degrees_of_freedom_alone():
    assert compare(campaign(2, repeats=3)).dof == 4.0


def test_several_candidates_take_dunnett_with_the_actual_counts():
    result = compare(campaign(3, (2, 4, 3), (0.0, -1.0, 0.5)), 3, variance="pooled")
    c = dunnett_critical(0.05, [4, 3], 2, 6)
    for item in result.treatments:
        low, high = item.simultaneous_interval_K
        assert (high - low) / 2 == pytest.approx(c * item.standard_error_K)
        assert item.critical_value == c
        assert item.interval_K[0] > low
    assert (result.dof, result.critical_value) == (6.0, c)


def test_one_mount_each_is_not_replicated_and_has_no_interval():
    result = compare(campaign(4, (1, 1)))
    item = result.treatments[0]
    assert item.verdict == "not replicated"
    assert item.difference_K is not None
    nothing = (item.interval_K, item.simultaneous_interval_K, item.equivalence_interval_K, item.welch_interval_K)
    assert (*nothing, item.p_value, item.equivalent, item.mounts_needed) == (None,) * 7
    assert all(effect.interval is None for effect in result.secondary)
    assert (result.mount_sd_K, result.dof) == (None, None)
    assert any("cannot separate the material from its mounting" in c for c in result.cautions)


@pytest.mark.parametrize("missing", ["pad-b", "grease-a"])
def test_a_treatment_without_used_mounts(missing):
    runs = [replace(r, used=False) if r.treatment == missing else r for r in campaign(5, (3, 3))]
    item = compare(runs).treatments[0]
    assert item.verdict == "not replicated"
    assert missing in item.verdict_note
    assert (item.simultaneous_interval_K, item.p_value, item.equivalent) == (None, None, None)
    assert (item.mean_rise_K is None) == (missing == "pad-b")


def test_nothing_used_at_all():
    runs = [replace(r, used=False) for r in campaign(6)]
    result = compare(runs)
    assert result.treatments[0].verdict == "not replicated"
    assert (result.mounts, result.secondary, result.offset_check, result.lack_of_fit) == ((), (), None, None)


def test_a_candidate_without_mounts_does_not_count_among_the_candidates():
    runs = [r for r in campaign(7, (3, 3, 3), (0.0, -1.0, 0.0)) if r.treatment != "paste-c"]
    result = compare(runs, 3)
    assert result.critical_value == pytest.approx(2.7764451)
    assert [t.verdict for t in result.treatments][1] == "not replicated"


def test_a_single_mount_borrows_scatter_and_says_so():
    result = compare(campaign(8, (4, 1)))
    assert result.treatments[0].simultaneous_interval_K is not None
    assert result.treatments[0].welch_interval_K is None
    assert result.dof == 3.0
    assert any("borrowed" in c for c in result.cautions)
    assert any("factor of two" in c for c in result.cautions)


def test_no_scatter_is_undecided_and_never_a_number():
    result = compare(from_groups([[40.0, 40.0, 40.0], [38.0, 38.0, 38.0]]))
    item = result.treatments[0]
    assert item.verdict == "undecided"
    assert (item.interval_K, item.simultaneous_interval_K, item.equivalence_interval_K) == (None, None, None)
    assert (item.p_value, item.equivalent, item.welch_interval_K, item.mounts_needed) == (None,) * 4
    assert any("readout hides" in c for c in result.cautions)
    # Rounding of the arithmetic is not scatter either.
    tiny = compare(from_groups([[0.1 + 0.2, 0.3, 0.3], [0.1, 0.1, 0.1]]))
    assert tiny.treatments[0].simultaneous_interval_K is None


def test_cochran_rule_makes_the_headline_welch():
    groups = [[40.0, 40.1, 39.9, 40.0], [39.0, 39.1, 38.9, 39.05], [35.0, 41.0, 38.0, 44.0]]
    result = compare(from_groups(groups), 3)
    assert result.cochran_c > result.cochran_critical
    assert result.variance == "welch"
    assert "Cochran" in result.method
    assert (result.dof, result.critical_value) == (None, None)
    for item, values in zip(result.treatments, groups[1:], strict=True):
        welch = stats.ttest_ind(values, groups[0], equal_var=False)
        interval = welch.confidence_interval(0.95)
        assert item.interval_K == pytest.approx((interval.low, interval.high))
        assert item.welch_interval_K == item.interval_K
        wide = welch.confidence_interval(1 - 0.05 / 2)
        assert item.simultaneous_interval_K == pytest.approx((wide.low, wide.high))
        assert item.dof == pytest.approx(welch.df)
    p = [stats.ttest_ind(values, groups[0], equal_var=False).pvalue for values in groups[1:]]
    assert [t.p_value for t in result.treatments] == pytest.approx([min(1, 2 * p[0]), max(2 * p[0], p[1])])


def test_cochran_rule_waits_for_three_equal_mounts_and_no_prior():
    two = compare(from_groups([[40.0, 40.001], [35.0, 41.0]]))
    assert two.variance == "pooled"
    unequal = compare(from_groups([[40.0, 40.001, 40.0], [35.0, 41.0, 39.0, 38.0]]))
    assert (unequal.variance, unequal.cochran_c) == ("pooled", None)
    prior = compare(
        from_groups([[40.0, 40.01, 40.0], [35.0, 41.0, 39.0]]), prior=Prior(mount_sd_K_per_W=0.006, dof=12.0)
    )
    assert prior.variance == "pooled"
    declared = compare(from_groups([[40.0, 40.001, 40.0], [35.0, 41.0, 39.0]]), variance="pooled")
    assert declared.variance == "pooled"
    assert any("scatter differently" in c for c in declared.cautions)


def test_welch_stands_beside_a_pooled_headline():
    values = [[40.0, 41.0, 39.5], [38.0, 39.5, 38.2]]
    item = compare(from_groups(values)).treatments[0]
    interval = stats.ttest_ind(values[1], values[0], equal_var=False).confidence_interval(0.95)
    assert item.welch_interval_K == pytest.approx((interval.low, interval.high))


def test_declared_welch_waits_for_two_mounts_and_is_pooled_with_a_prior():
    result = compare(campaign(9, (4, 1)), variance="welch")
    item = result.treatments[0]
    assert (result.variance, item.verdict) == ("welch", "undecided")
    assert (item.interval_K, item.simultaneous_interval_K, item.equivalence_interval_K, item.p_value) == (None,) * 4
    why = f"Welch was declared, and {TREATMENTS[1]} takes two mounts to show a scatter of its own"
    assert item.verdict_note == why
    assert f"No interval for {TREATMENTS[1]}: {why}." in result.cautions
    assert not any("borrowed" in caution for caution in result.cautions)
    three = compare(campaign(9, (4, 3, 1), (0.0, -1.0, -1.0)), n=3, variance="welch").treatments
    assert [one.simultaneous_interval_K is None for one in three] == [False, True]
    with_prior = compare(campaign(9), variance="welch", prior=Prior(mount_sd_K_per_W=0.005, dof=10))
    assert with_prior.variance == "pooled"
    assert any("because a prior is declared" in c for c in with_prior.cautions)


def test_prior_pools_half_its_degrees_of_freedom():
    runs = campaign(10)
    own, used = compare(runs), compare(runs, prior=Prior(mount_sd_K_per_W=0.005, dof=12.0, source="three campaigns"))
    noise = used.prior.run_noise_K
    assert used.prior.mount_sd_K == pytest.approx(0.6)
    assert 0.1 < noise < 0.35
    assert used.dof == 4.0 + 6.0
    expected = (6.0 * (0.6**2 + noise**2) + 4.0 * own.mount_sd_K**2) / 10.0
    assert used.mount_sd_K == pytest.approx(math.sqrt(expected))
    assert used.prior.variance_ratio == pytest.approx(own.mount_sd_K**2 / (0.6**2 + noise**2))
    assert "prior" in used.method


def test_prior_makes_one_mount_each_answerable_and_says_so_first():
    result = compare(campaign(11, (1, 1)), prior=Prior(mount_sd_K_per_W=0.005, dof=12.0, source="last year"))
    item = result.treatments[0]
    assert result.dof == 6.0
    half = (item.simultaneous_interval_K[1] - item.simultaneous_interval_K[0]) / 2
    sd = math.hypot(0.6, result.prior.run_noise_K)
    assert half == pytest.approx(stats.t.ppf(0.975, 6) * sd * math.sqrt(2))
    assert "rests on the prior" in result.cautions[0]
    assert "last year" in result.cautions[0]
    assert item.verdict != "not replicated"


def test_prior_that_contradicts_the_data_is_flagged_and_still_used():
    runs = campaign(12, (4, 4), mount_sd_K=2.0)
    result = compare(runs, prior=Prior(mount_sd_K_per_W=0.001, dof=20.0))
    assert result.prior.p_value < 0.05
    assert result.dof == 6.0 + 10.0
    assert any("contradicts" in c for c in result.cautions)


def test_prior_without_ladders_has_no_run_noise_and_says_so():
    groups = [[40.0], [39.0]]
    result = compare(from_groups(groups), prior=Prior(mount_sd_K_per_W=0.005, dof=12.0))
    assert result.prior.run_noise_K == 0.0
    assert any("No run noise" in c for c in result.cautions)


def test_order_covariate_removes_a_drift_and_costs_one_degree_of_freedom():
    runs = campaign(13, (4, 4), drift_K_per_mount=0.8, mount_sd_K=0.05, noise_K=0.02)
    plain_result, adjusted = compare(runs, variance="pooled"), compare(runs, variance="pooled", order_covariate=True)
    assert adjusted.dof == plain_result.dof - 1
    assert adjusted.drift_K_per_mount == pytest.approx(0.8, abs=0.05)
    assert adjusted.mount_sd_K < 0.2 < plain_result.mount_sd_K
    assert adjusted.treatments[0].difference_K == pytest.approx(-1.0, abs=0.25)
    gap = adjusted.treatments[0].mean_rise_K - adjusted.baseline_mean_rise_K
    assert gap == pytest.approx(adjusted.treatments[0].difference_K)


def test_order_covariate_that_cannot_be_fitted_is_left_out_with_a_caution():
    result = compare(campaign(14, (1, 1)), order_covariate=True)
    assert result.drift_K_per_mount is None
    assert any("order of the mounts is not used" in c for c in result.cautions)


def test_confounded_order_is_cautioned():
    apart = compare(campaign(15, (3, 3), blocks=False))
    assert any("confounded" in c for c in apart.cautions)
    mixed = compare(campaign(15, (4, 4)))
    assert not any("confounded" in c for c in mixed.cautions)


def test_looking_early_is_cautioned():
    assert any("planned" in c for c in compare(campaign(16), mounts_planned=5).cautions)
    assert not any("planned" in c for c in compare(campaign(16), mounts_planned=3).cautions)


def test_offset_shows_in_the_check_and_not_in_the_offset_proof_slope():
    runs = campaign(17, (6, 6), (0.0, 0.0), offsets_K=(0.0, 2.0), mount_sd_K=0.3, noise_K=0.1)
    result = compare(runs)
    check = result.offset_check
    assert check.level == "between mounts"
    assert check.treatments[0].offset_K == pytest.approx(2.0, abs=0.4)
    assert check.treatments[0].p_value < 0.05
    effects = {e.estimand: e for e in result.secondary}
    low, high = effects["offset-proof slope"].interval
    assert low < 0.0 < high
    assert effects["series resistance"].interval[0] > 0.0
    assert effects["offset"].difference == pytest.approx(check.treatments[0].offset_K)
    assert any("offset" in c for c in result.cautions)


def test_offset_check_states_its_power():
    """The stated smallest offset is found in 80 % of simulated campaigns of the same scatter."""
    rng = np.random.default_rng(18)
    found, told = [], []
    for _ in range(300):
        runs = simulate(rng, (3, 3), (0.0, 0.0), offsets_K=(0.0, 0.8))
        test = compare(runs, variance="pooled").offset_check.treatments[0]
        found.append(test.p_value < 0.05)
        told.append(test.detectable_K)
    # SE of a mount's intercept 1.263 x 0.2 K, two times three mounts: 0.206 K; nc for 80 % at 4 dof is 3.76.
    assert np.median(told) == pytest.approx(3.76 * 1.263 * 0.2 * math.sqrt(2 / 3), rel=0.15)
    assert np.mean(found) == pytest.approx(0.82, abs=0.08)
    assert "proves nothing" in compare(campaign(18)).offset_check.note


def test_offset_within_mounts_where_there_is_one_of_each():
    result = compare(campaign(19, (1, 1), offsets_K=(0.0, 3.0)))
    assert result.offset_check.level == "within mounts"
    assert result.offset_check.treatments[0].dof == (2 - 1) * (6 - 2)


def test_secondaries_are_what_they_say():
    result = compare(campaign(20, (2, 2), (0.0, -1.2), mount_sd_K=0.0, noise_K=0.0))
    effects = {e.estimand: e for e in result.secondary}
    mean = np.mean(LADDER_W)
    assert effects["ladder mean"].difference == pytest.approx(-1.2 * mean / 120)
    assert effects["upper steps"].difference == pytest.approx(-1.2 * np.mean(LADDER_W[3:]) / 120)
    assert effects["series resistance"].difference == pytest.approx(-0.01)
    assert effects["offset-proof slope"].difference == pytest.approx(-0.01)
    assert effects["offset"].difference == pytest.approx(0.0, abs=1e-9)
    assert [e.unit for e in result.secondary] == ["K", "K", "K/W", "K/W", "K"]


def test_upper_steps_include_the_middle_one():
    result = compare(campaign(21, (2, 2), (0.0, -1.2), mount_sd_K=0.0, noise_K=0.0, steps_W=LADDER_W[:5]))
    upper = next(e for e in result.secondary if e.estimand == "upper steps")
    assert upper.difference == pytest.approx(-1.2 * np.mean(LADDER_W[2:5]) / 120)


def test_a_missing_top_run_does_not_move_a_declared_reference():
    runs = campaign(22, (3, 3), noise_K=0.0)
    gone = [
        replace(r, used=False) if (r.treatment, r.mount, r.set_power_W) == ("pad-b", "m1", 120.0) else r for r in runs
    ]
    full, declared, default = (
        compare(runs, reference_power_W=120.0),
        compare(gone, reference_power_W=120.0),
        compare(gone),
    )
    assert declared.reference_power_W == 120.0
    assert declared.treatments[0].difference_K == pytest.approx(full.treatments[0].difference_K, abs=1e-6)
    assert "common-step fit" in declared.method
    assert default.reference_power_W == 104.0
    assert any("highest step" in c for c in default.cautions)


def test_p_value_that_disagrees_with_the_interval_is_cautioned():
    """Step-down may show what the single-step interval does not: the caution says so and the verdict stands."""
    for seed in range(400):
        result = compare(campaign(seed, (4, 4, 4), (0.0, -3.0, -1.15)), 3, margin_K=0.05)
        item = result.treatments[1]
        if (item.p_value < 0.05) != (item.simultaneous_interval_K[1] < 0 or item.simultaneous_interval_K[0] > 0):
            assert any("disagree about zero" in c for c in result.cautions)
            assert item.verdict == "undecided"
            return
    pytest.fail("no campaign with a disagreement among 400")


def test_mounts_needed_only_where_undecided():
    for seed in range(20):
        item = compare(campaign(seed, (3, 3), (0.0, -0.8))).treatments[0]
        assert (item.mounts_needed is None) == (item.verdict != "undecided")


def test_a_margin_no_number_of_mounts_can_see_is_said():
    result = compare(campaign(5, effects=(0.0, 0.0)), margin_K=1e-4)
    item = result.treatments[0]
    assert (item.verdict, item.mounts_needed) == ("undecided", None)
    assert any("more than 10 000 of each" in caution for caution in result.cautions)
    assert not any("10 000" in caution for caution in compare(campaign(5, effects=(0.0, 0.0))).cautions)


def test_confidence_level_and_margin_are_used_everywhere():
    runs = campaign(23)
    strict, loose = compare(runs, confidence_level=0.99), compare(runs, confidence_level=0.8)
    width = [t.treatments[0].simultaneous_interval_K[1] - t.treatments[0].difference_K for t in (strict, loose)]
    assert width[0] / strict.treatments[0].standard_error_K == pytest.approx(stats.t.ppf(0.995, 4))
    assert width[1] / loose.treatments[0].standard_error_K == pytest.approx(stats.t.ppf(0.90, 4))
    assert compare(runs, margin_K=50.0).treatments[0].verdict == "equivalent within the margin"


@pytest.mark.parametrize(
    "options",
    [{"margin_K": 0.0}, {"margin_K": float("nan")}, {"confidence_level": 1.0}],
)
def test_what_makes_no_sense_is_refused(options):
    with pytest.raises(ValueError, match="allowed"):
        compare(campaign(24), **options)


def test_unknown_baseline_and_twice_named_treatment_are_refused():
    with pytest.raises(ValueError, match="baseline"):
        compare_treatments(campaign(24), treatments=["pad-b"], baseline="x", margin_K=1.0)
    with pytest.raises(ValueError, match="once"):
        compare_treatments(campaign(24), treatments=["pad-b", "pad-b"], baseline="pad-b", margin_K=1.0)


# Invariances


def test_relabelling_the_treatments_permutes_the_results():
    runs = campaign(25, (3, 3, 3), (0.0, -1.0, 0.7))
    one = compare(runs, 3)
    other = compare_treatments(
        runs, treatments=(TREATMENTS[2], TREATMENTS[1], TREATMENTS[0]), baseline=TREATMENTS[0], margin_K=1.0
    )
    by_name = {t.treatment: t for t in other.treatments}
    for item in one.treatments:
        twin = by_name[item.treatment]
        for name in ("difference_K", "p_value", "standard_error_K", "verdict", "mounts_needed"):
            assert getattr(item, name) == pytest.approx(getattr(twin, name))
        assert item.simultaneous_interval_K == pytest.approx(twin.simultaneous_interval_K)


def test_swapping_baseline_and_candidate_turns_the_sign():
    runs = campaign(26)
    here = compare(runs).treatments[0]
    there = compare_treatments(runs, treatments=TREATMENTS[:2], baseline=TREATMENTS[1], margin_K=1.0).treatments[0]
    assert there.difference_K == pytest.approx(-here.difference_K)
    assert there.simultaneous_interval_K == pytest.approx(tuple(-x for x in reversed(here.simultaneous_interval_K)))


@pytest.mark.parametrize("shift", [-7.5, 0.3, 100.0])
def test_shifting_all_rises_leaves_differences(shift):
    runs = campaign(27, (3, 2, 4), (0.0, -1.0, 0.5))
    moved = [replace(r, rise_K=r.rise_K + shift) for r in runs]
    one, other = compare(runs, 3), compare(moved, 3)
    for a, b in zip(one.treatments, other.treatments, strict=True):
        assert b.difference_K == pytest.approx(a.difference_K, abs=1e-9)
        assert b.simultaneous_interval_K == pytest.approx(a.simultaneous_interval_K, abs=1e-9)
        assert b.verdict == a.verdict
    for a, b in zip(one.secondary, other.secondary, strict=True):
        assert b.difference == pytest.approx(a.difference, abs=1e-9)


@pytest.mark.parametrize("factor", [0.1, 3.0])
def test_scaling_powers_scales_resistances(factor):
    runs = campaign(28)
    scaled = [replace(r, set_power_W=r.set_power_W * factor) for r in runs]
    one, other = compare(runs), compare(scaled)
    assert other.treatments[0].difference_K == pytest.approx(one.treatments[0].difference_K)
    for a, b in zip(one.secondary, other.secondary, strict=True):
        by = 1.0 / factor if a.unit == "K/W" else 1.0
        assert b.difference == pytest.approx(a.difference * by, rel=1e-6, abs=1e-12)
        assert b.interval == pytest.approx(tuple(x * by for x in a.interval), rel=1e-6)


def test_row_order_does_not_matter():
    runs = campaign(29, (3, 3, 2), (0.0, -1.0, 0.5))
    shuffled = list(runs)
    np.random.default_rng(0).shuffle(shuffled)
    assert plain(compare(runs, 3)) == plain(compare(shuffled, 3))


@pytest.mark.parametrize("counts", [(1, 1), (1, 3), (2, 2), (3, 3), (2, 6)])
@pytest.mark.parametrize("options", [{}, {"variance": "welch"}, {"order_covariate": True}, {"prior": True}])
def test_nothing_reported_is_nan_or_infinite(counts, options):
    options = dict(options)
    if options.pop("prior", None):
        options["prior"] = Prior(mount_sd_K_per_W=0.005, dof=9.0)
    for noise in (0.2, 0.0):
        for steps in (LADDER_W, LADDER_W[:2], LADDER_W[:1]):
            runs = campaign(30, counts, noise_K=noise, steps_W=steps, mount_sd_K=0.5 if noise else 0.0)
            assert all(math.isfinite(x) for x in numbers(plain(compare(runs, **options))))


def in_rooms(base_C, candidate_C, runs=None):
    """Return runs with the room that each treatment stood in."""
    runs = from_groups([[39.9, 40.0, 40.1], [39.3, 39.4, 39.5]]) if runs is None else runs
    return [replace(run, ambient_C=candidate_C if run.treatment == TREATMENTS[1] else base_C) for run in runs]


def test_rooms_that_agree_change_nothing():
    without = compare(from_groups([[39.9, 40.0, 40.1], [39.3, 39.4, 39.5]]))

    assert numbers(plain(compare(in_rooms(21.0, 21.9)))) == numbers(plain(without))
    assert compare(in_rooms(21.0, 21.9)).treatments[0].room_effect_K is None


def test_rooms_that_vary_from_mount_to_mount_are_in_the_scatter_already():
    runs = from_groups([[39.9, 40.0, 40.1], [39.3, 39.4, 39.5]])
    vary = [replace(run, ambient_C=room) for run, room in zip(runs, (20.0, 23.0, 26.0, 22.0, 25.0, 28.0), strict=True)]

    assert compare(vary).treatments[0].room_effect_K is None
    assert compare(in_rooms(23.0, 25.0)).treatments[0].room_effect_K is not None


@pytest.mark.parametrize(
    ("options", "rooms_C", "lacks_K"),
    [
        # 0.365 K of the share at a rise of 65 K, a third of the heat and a sixth part more: 40 K, 8 K warmer.
        ({}, (21.0, 29.0), 0.365 * 40.0 / 65.0 * 8.0 / 3.0 * 1.15),
        ({}, (29.0, 21.0), -0.365 * 40.0 / 65.0 * 8.0 / 3.0 * 1.15),
        ({"radiated_share": 0.1}, (21.0, 29.0), 0.365 * 40.0 / 65.0 * 8.0 * 0.1 * 1.15),
        # Thin air: a rise in proportion to the absolute temperature.
        ({"cooling": "forced"}, (21.0, 29.0), -40.0 * 8.0 / 294.15),
    ],
)
def test_rooms_that_differ_widen_every_interval_on_the_side_that_they_may_hide(options, rooms_C, lacks_K):
    alike = compare(in_rooms(21.0, 21.0), **options).treatments[0]

    found = compare(in_rooms(*rooms_C), **options)
    item = found.treatments[0]

    low, high = min(0.0, lacks_K), max(0.0, lacks_K)
    assert item.room_effect_K == pytest.approx((low, high), rel=1e-3)
    for name in ("interval_K", "simultaneous_interval_K", "equivalence_interval_K", "welch_interval_K"):
        before, after = getattr(alike, name), getattr(item, name)
        assert after == pytest.approx((before[0] + low, before[1] + high), rel=1e-3)
    assert item.p_value is None
    assert item.difference_K == alike.difference_K
    reads = "cooler" if lacks_K > 0.0 else "warmer"
    said = next(caution for caution in found.caution_list if "stood in" in caution.text)
    assert said.weight == "headline"
    assert f"stood in {rooms_C[1]:.1f} degC on average, grease-a in {rooms_C[0]:.1f} degC" in said.text
    assert f"{abs(lacks_K):.2g} K {reads} than it is" in said.text


def test_a_sink_that_radiates_in_a_warmer_room_is_no_cooler_interface():
    """The same interface in 21.5 and 29.5 degC on a sink that radiates 0.3 of its heat: 0 is the truth."""
    bench = passive_bench(sink_rise_K=46.0, at_power_W=125.0, radiative_share=0.3)
    rng, held, called = np.random.default_rng(1), 0, 0
    for _ in range(100):
        groups = [
            [float(settled_rise(bench, 0.12 + rng.normal(0.0, 0.003), 105.0, room_C=room)) for _ in range(4)]
            for room in (21.5, 29.5)
        ]
        item = compare(in_rooms(21.5, 29.5, from_groups(groups, step_W=105.0))).treatments[0]
        low, high = item.simultaneous_interval_K
        held += low <= 0.0 <= high
        called += item.verdict.startswith(("cooler", "warmer"))

    assert held >= 95
    assert called <= 5


def test_the_difference_of_throttle_powers_holds_what_two_rooms_do():
    """The same interface in 21.5 and 29.5 degC on a sink that radiates 0.3 of its heat: the machine throttles alike."""
    bench = passive_bench(sink_rise_K=46.0, at_power_W=125.0, radiative_share=0.3)
    rng, held, bare = np.random.default_rng(2), 0, 0
    names, asked = TREATMENTS[:2], {"room_C": 35.0, "temperature_C": 95.0, "radiated_share": None}
    for _ in range(60):
        runs = []
        for step in (65.0, 85.0, 105.0):
            runs += [
                replace(run, run=f"{run.run}-{step:g}")
                for run in in_rooms(21.5, 29.5, from_groups([[0.0] * 4] * 2, step_W=step))
            ]
        contacts = {
            mount: 0.12 + rng.normal(0.0, 0.003) for mount in dict.fromkeys((run.treatment, run.mount) for run in runs)
        }
        runs = [
            replace(
                run,
                rise_K=float(
                    settled_rise(bench, contacts[run.treatment, run.mount], run.set_power_W, room_C=run.ambient_C)
                ),
            )
            for run in runs
        ]
        found = predict_throttle(runs, treatments=names, baseline=names[0], **asked)
        low, high = found.treatments[1].difference_interval_W
        bare += low <= 0.0 <= high
        low, high = hold_rooms(found, compare(runs)).treatments[1].difference_interval_W
        held += low <= 0.0 <= high

    assert hold_rooms(found, compare(in_rooms(21.5, 21.5, runs))) == found
    assert held >= 58
    assert bare <= 30


def test_what_two_rooms_hide_is_to_be_made_in_one_room():
    found = compare(in_rooms(21.0, 45.0))

    item = found.treatments[0]
    assert compare(in_rooms(21.0, 21.0)).treatments[0].verdict == "equivalent within the margin"
    assert (item.verdict, item.mounts_needed) == ("undecided", None)
    assert item.verdict_note == "what their different rooms do to a rise hides the difference"
    assert not any("No number of mounts" in caution for caution in found.cautions)
