"""The whole job on two recorded logs of a real bench.

One card, one cooler, one mount, nothing changed between the two logs; forced
air, 1 K readout, no room probe. In the last step of the second log the rise
moves at constant power. No licence is claimed on the numbers.
"""

from pathlib import Path

import pytest

from thermlab.compare.analysis import analyse

FOLDER = Path(__file__).parents[1] / "data" / "real_bench"


@pytest.fixture(scope="module")
def analysis():
    return analyse(FOLDER)


@pytest.fixture(scope="module")
def runs(analysis):
    return {run.run: run for run in analysis.runs}


def test_one_treatment_has_no_comparison_and_says_so(analysis):
    assert analysis.comparison is None
    assert any("one treatment only" in caution for caution in analysis.cautions)


def test_step_that_never_settles_is_flagged_and_left_out(runs):
    run = runs["a2-300W"]

    assert not run.used
    assert run.settled is False
    assert {"not settled", "drift at constant power"} <= {flag.flag for flag in run.flags}


def test_no_run_is_said_to_have_shed_power(runs):
    assert not [run.run for run in runs.values() if any(flag.flag == "shed power at limit" for flag in run.flags)]
    assert all(run.held is None for run in runs.values())


def test_all_other_runs_are_used(runs):
    assert [run.run for run in runs.values() if not run.used] == ["a2-300W"]


@pytest.mark.parametrize("power", [200, 400, 600])
def test_steady_steps_of_the_two_logs_agree(runs, power):
    one, two = runs[f"a1-{power}W"], runs[f"a2-{power}W"]
    u = (one.u_rise_a_K**2 + two.u_rise_a_K**2) ** 0.5

    assert abs(one.rise_K - two.rise_K) < 2.5 * u


def test_step_whose_repeats_differ_by_more_than_their_noise_is_named(analysis, runs):
    """At 500 W the two logs differ by about 1 K: other loads shared the air, and it was not logged."""
    one, two = runs["a1-500W"], runs["a2-500W"]
    u = (one.u_rise_a_K**2 + two.u_rise_a_K**2) ** 0.5

    assert abs(one.rise_K - two.rise_K) > 2.0 * u
    assert any("500 W" in c and "repeat" in c for c in analysis.cautions)


def test_customary_reading_is_the_last_minutes_mean_over_the_constant_room(runs):
    """Mean of the last fifth of a soak of 100 s, from the log by hand: 28 readings of 45 or 46 degC."""
    run = runs["a1-200W"]

    assert run.end_reading_C == pytest.approx(45.3, abs=0.05)
    assert run.end_rise_K == pytest.approx(run.end_reading_C - 25.0, abs=1e-9)


def test_time_constant_is_tens_of_seconds(analysis):
    assert 0.25 < analysis.bench.time_constant_min < 1.0


def test_throttle_power_beyond_the_ladder_is_refused_with_its_reason(analysis):
    only = analysis.throttle.treatments[0]

    assert only.throttle_power_W is None
    assert only.interval_W is None
    assert "above the highest used step" in only.reason


def test_room_that_was_not_logged_is_said(analysis):
    assert any("room was not logged" in caution for caution in analysis.cautions)
