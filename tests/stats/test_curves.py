"""Rise curve: fit, inverse, forced-air limit, and curves that have no answer."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mount_campaigns import LADDER_W, simulate, true_rise_K

from thermlab.compare.mounts import tabulate_mounts
from thermlab.compare.secondary import assess_curve
from thermlab.stats.curves import RiseCurve, curve_design, fit_curve, predict_inverse
from thermlab.stats.least_squares import NotEstimableError, fit_linear

STEPS = np.array(LADDER_W)


def curve(b, a, highest=120.0):
    return RiseCurve(b_K_per_W=b, a=a, lowest_W=40.0, highest_W=highest)


def test_an_exact_curve_is_found_again():
    found = fit_curve(STEPS, true_rise_K(STEPS))
    assert found.b_K_per_W == pytest.approx(0.15, rel=1e-9)
    assert found.a == pytest.approx(45.0 / 120.0**0.8, rel=1e-9)
    assert found.slope_K_per_W(120.0) == pytest.approx(0.15 + 45.0 * 0.8 / 120.0, rel=1e-9)
    assert found.power_W(true_rise_K(131.0)) == pytest.approx(131.0, rel=1e-9)


def test_forced_air_is_a_straight_line_through_the_origin():
    found = fit_curve(STEPS, 0.31 * STEPS)
    assert found.b_K_per_W == pytest.approx(0.31, rel=1e-9)
    assert found.a == pytest.approx(0.0, abs=1e-9)
    assert found.power_W(0.31 * 140.0) == pytest.approx(140.0, rel=1e-9)


def test_doubling_the_power_of_a_passive_sink():
    """P to the 0.8: doubling the power multiplies the rise by 2 ** 0.8 = 1.741101 (exact)."""
    sink = curve(0.0, 1.0)
    assert sink.rise_K(80.0) / sink.rise_K(40.0) == pytest.approx(1.741101, abs=5e-7)


@given(b=st.floats(0.0, 1.0), a=st.floats(0.0, 2.0), power=st.floats(5.0, 600.0), highest=st.floats(20.0, 300.0))
@settings(max_examples=150, deadline=None)
def test_the_inverse_goes_there_and_back(b, a, power, highest):
    one = curve(b + 1e-3, a, highest)
    found = one.power_W(one.rise_K(power))
    assert found == pytest.approx(power, rel=1e-9)


@pytest.mark.parametrize(
    ("b", "a", "rise_K"),
    [
        (-0.2, 0.5, 65.0),  # turns over below the limit
        (-0.1, 0.0, 65.0),  # falls
        (0.0, 0.0, 65.0),  # flat
        (0.5, 0.0, 0.0),  # nothing is left between room and limit
        (0.5, 0.0, -5.0),
    ],
)
def test_a_curve_that_does_not_get_there_has_no_answer(b, a, rise_K):
    assert curve(b, a).power_W(rise_K) is None


def test_a_flat_ladder_never_gives_a_number():
    flat = fit_curve(STEPS, np.full(STEPS.size, 30.0))
    assert flat.power_W(65.0) is None
    falling = fit_curve(STEPS, 50.0 - 0.1 * STEPS)
    assert falling.power_W(40.0) is None


def test_one_power_step_fixes_no_curve():
    with pytest.raises(NotEstimableError):
        fit_curve([90.0, 90.0, 90.0], [40.0, 40.1, 39.9])


def test_inverse_interval_of_the_rise_curve_holds_the_truth_as_often_as_it_says():
    """Exact t intervals of a linear model: binomial bound of 3.3 standard deviations."""
    rng = np.random.default_rng(3)
    n, inside = 400, 0
    design = curve_design(STEPS)
    for _ in range(n):
        fit = fit_linear(design, true_rise_K(STEPS) + rng.normal(0.0, 0.2, STEPS.size))
        low, high = predict_inverse(fit, lambda p: np.array([p, p**0.8]), true_rise_K(128.0), (60.0, 300.0))
        inside += low <= 128.0 <= high
    assert inside / n == pytest.approx(0.95, abs=3.3 * np.sqrt(0.95 * 0.05 / n))


def lack_of_fit(rng, counts=(3, 3), **options):
    names = ("grease-a", "pad-b")[: len(counts)]
    return assess_curve(tabulate_mounts(simulate(rng, counts, **options), names))


def test_lack_of_fit_is_silent_on_the_right_curve_and_has_its_degrees_of_freedom():
    rng = np.random.default_rng(5)
    results = [lack_of_fit(rng) for _ in range(400)]
    assert (results[0].dof1, results[0].dof2) == (6 - 2, (6 - 1) * (6 - 1))
    rejected = np.mean([r.p_value < 0.05 for r in results])
    assert rejected == pytest.approx(0.05, abs=3.3 * np.sqrt(0.05 * 0.95 / 400))
    assert sum(r.kink is not None for r in results) <= 4


def test_lack_of_fit_sees_an_intercept():
    rng = np.random.default_rng(6)
    seen = [lack_of_fit(rng, curve=lambda p: 6.0 + true_rise_K(p)).p_value < 0.05 for _ in range(20)]
    assert np.mean(seen) > 0.9


def test_lack_of_fit_says_how_far_the_curve_is_off_in_kelvin():
    rng = np.random.default_rng(6)
    off = np.where(STEPS == 72.0, 0.5, 0.0)
    found = lack_of_fit(
        rng, curve=lambda p: true_rise_K(p) + np.where(p == 72.0, 0.5, 0.0), mount_sd_K=0.0, noise_K=0.001
    )
    design = np.column_stack([STEPS, STEPS**0.8])
    left = off - design @ np.linalg.lstsq(design, off, rcond=None)[0]
    assert found.largest_K == pytest.approx(np.abs(left).max(), abs=0.005)


def test_a_fan_that_changes_speed_is_a_kink():
    rng = np.random.default_rng(7)
    result = lack_of_fit(rng, curve=lambda p: (0.30 if p < 80.0 else 0.27) * p)
    assert (result.kink.below_W, result.kink.above_W) == (72.0, 88.0)
    assert result.kink.jump_K_per_W == pytest.approx(-0.03, abs=0.006)


def test_lack_of_fit_needs_two_mounts_and_three_common_steps():
    rng = np.random.default_rng(8)
    assert lack_of_fit(rng, counts=(1,)) is None
    assert lack_of_fit(rng, steps_W=(60.0, 90.0)) is None
    assert lack_of_fit(rng, mount_sd_K=0.0, noise_K=0.0) is None
