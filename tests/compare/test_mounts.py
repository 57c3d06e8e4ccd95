"""From runs to one number per mount: repeats, missing runs, the reference power."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from mount_campaigns import LADDER_W, simulate, true_rise_K

from thermlab.compare.mounts import fit_common_steps, reference_rise, summarise_mounts, tabulate_mounts
from thermlab.stats.least_squares import NotEstimableError

NAMES = ("grease-a", "pad-b")


@pytest.fixture
def runs():
    return simulate(np.random.default_rng(1), (3, 2), (0.0, -1.0))


def without(runs, *cells):
    """Mark the runs of (treatment, mount, step) as not used."""
    return [
        replace(run, used=False, reason="test") if (run.treatment, run.mount, run.set_power_W) in cells else run
        for run in runs
    ]


def test_table_of_a_full_ladder(runs):
    table = tabulate_mounts(runs, NAMES)
    assert table.steps_W.tolist() == list(LADDER_W)
    assert table.rise_K.shape == (5, 6)
    assert table.counts().tolist() == [3, 2]
    assert sorted(table.order) == [0, 1, 2, 3, 4]
    assert table.common.all()


def test_a_mount_is_treatment_and_name(runs):
    table = tabulate_mounts(runs, NAMES)
    assert [(int(g), n) for g, n in zip(table.group, table.names, strict=True)].count((0, "m1")) == 1
    assert table.names.count("m1") == 2


def test_repeats_are_averaged_and_count_once():
    rng = np.random.default_rng(2)
    once = simulate(rng, (2, 2))
    twice = once + [
        replace(run, run=run.run + "b", rise_K=run.rise_K + 0.4) for run in once if run.set_power_W == 120.0
    ]
    table = tabulate_mounts(twice, NAMES)
    reference = reference_rise(table)
    assert reference.rise_K == pytest.approx(reference_rise(tabulate_mounts(once, NAMES)).rise_K + 0.2)
    assert reference.noise_factor == pytest.approx(0.5)
    assert len(table.names) == 4


def test_row_order_does_not_matter(runs):
    shuffled = list(runs)
    np.random.default_rng(3).shuffle(shuffled)
    one, other = tabulate_mounts(runs, NAMES), tabulate_mounts(shuffled, NAMES)
    assert one.names == other.names
    np.testing.assert_array_equal(one.rise_K, other.rise_K)
    np.testing.assert_array_equal(one.order, other.order)


def test_unused_runs_and_runs_without_rise_stay_out(runs):
    gone = [replace(runs[0], rise_K=None), *without(runs[1:], ("pad-b", "m1", 120.0))]
    table = tabulate_mounts(gone, NAMES)
    assert table.repeats.sum() == len(runs) - 2
    assert tabulate_mounts(runs, ("grease-a",)).counts().tolist() == [3]


def test_default_reference_is_the_highest_step_all_mounts_have(runs):
    assert reference_rise(tabulate_mounts(runs, NAMES)).power_W == 120.0
    short = tabulate_mounts(without(runs, ("pad-b", "m1", 120.0)), NAMES)
    assert reference_rise(short).power_W == 104.0


def test_declared_reference_never_moves_and_one_missing_run_sends_all_mounts_through_the_fit(runs):
    table = tabulate_mounts(without(runs, ("pad-b", "m1", 120.0)), NAMES)
    found = reference_rise(table, 120.0)
    assert found.power_W == 120.0
    assert "common-step fit" in found.method
    assert "pad-b m1" in found.method
    fit = fit_common_steps(table)
    assert found.rise_K == pytest.approx(fit.step_rise_K[-1] + 120.0 * fit.slope_K_per_W)


def test_common_step_fit_recovers_exact_slopes_with_missing_cells():
    steps = np.array(LADDER_W)
    slopes = np.array([0.004, -0.006, 0.002, 0.0, 0.0])
    runs = simulate(np.random.default_rng(4), (3, 2), mount_sd_K=0.0, noise_K=0.0, blocks=False)
    exact = [
        replace(run, rise_K=float(true_rise_K(run.set_power_W) + slopes[i // 6] * run.set_power_W))
        for i, run in enumerate(runs)
    ]
    table = tabulate_mounts(without(exact, ("grease-a", "m1", 40.0), ("pad-b", "m2", 120.0)), NAMES)
    fit = fit_common_steps(table)
    assert fit.slope_K_per_W == pytest.approx(slopes, abs=1e-12)
    assert fit.step_rise_K == pytest.approx(true_rise_K(steps), abs=1e-9)
    assert fit.dof == 28 - 6 - 4
    assert reference_rise(table, 120.0).rise_K == pytest.approx(true_rise_K(120.0) + 120.0 * slopes, abs=1e-9)


def test_complete_and_general_solution_agree(runs):
    table = tabulate_mounts(runs, NAMES)
    closed = fit_common_steps(table)
    rows, columns = np.nonzero(table.present)
    design = np.zeros((rows.size, 6 + 5))
    design[np.arange(rows.size), columns] = 1.0
    design[np.arange(rows.size), 6 + rows] = table.steps_W[columns]
    constrained = np.vstack([design, np.append(np.zeros(6), np.ones(5))])
    solution = np.linalg.lstsq(constrained, np.append(table.rise_K[rows, columns], 0.0), rcond=None)[0]
    assert closed.slope_K_per_W == pytest.approx(solution[6:], abs=1e-10)
    assert closed.slope_K_per_W.sum() == pytest.approx(0.0, abs=1e-12)
    left = table.rise_K[rows, columns] - design @ solution
    assert closed.run_noise_K == pytest.approx(np.sqrt(left @ left / closed.dof), rel=1e-9)
    assert closed.dof == 4 * 5


def test_reference_between_steps_uses_the_curve_through_the_means():
    runs = simulate(np.random.default_rng(5), (2, 2), (0.0, -1.0), mount_sd_K=0.0, noise_K=0.0)
    found = reference_rise(tabulate_mounts(runs, NAMES), 100.0)
    assert found.rise_K[0] == pytest.approx(true_rise_K(100.0), abs=1e-9)
    assert found.rise_K[2] - found.rise_K[0] == pytest.approx(-100.0 / 120.0, abs=1e-9)
    assert not found.cautions


def test_reference_outside_the_ladder_is_cautioned():
    runs = simulate(np.random.default_rng(6), (2, 2))
    table = tabulate_mounts(runs, NAMES)
    assert any("extrapolated" in c for c in reference_rise(table, 130.0).cautions)
    assert any("far outside" in c for c in reference_rise(table, 160.0).cautions)
    assert any("below the lowest" in c for c in reference_rise(table, 20.0).cautions)


def test_mounts_without_a_shared_step_have_no_number():
    runs = simulate(np.random.default_rng(7), (2, 2), (0.0, -1.0), mount_sd_K=0.0, noise_K=0.0)
    low, high = LADDER_W[:3], LADDER_W[3:]
    apart = [r for r in runs if r.set_power_W in (low if r.treatment == "grease-a" else high)]
    table = tabulate_mounts(apart, NAMES)
    with pytest.raises(NotEstimableError):
        fit_common_steps(table)
    found = reference_rise(table)
    assert (found.power_W, found.rise_K) == (120.0, None)
    assert "do not tie the mounts together" in found.cautions[0]


def test_no_used_mounts():
    table = tabulate_mounts([], NAMES)
    assert reference_rise(table).rise_K is None
    assert summarise_mounts(table, reference_rise(table)) == ()


def test_summaries_list_what_was_used(runs):
    table = tabulate_mounts(without(runs, ("pad-b", "m1", 40.0)), NAMES)
    found = {(m.treatment, m.mount): m for m in summarise_mounts(table, reference_rise(table))}
    assert found[("pad-b", "m1")].steps_W == LADDER_W[1:]
    assert found[("grease-a", "m1")].n_runs == 6
