"""Uncertainty budget: what cancels, Monte Carlo check, rounding."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest
from mount_campaigns import true_rise_K

from thermlab.base.numbers import decimals_for, number
from thermlab.compare.uncertainty import build_budget, combine_each
from thermlab.runs.settled_rise import time_constant_leverage
from thermlab.stats.curves import fit_curve

# What a budget rests on; what is not known is left out.
INPUTS = {
    "power_W": 120.0,
    "slope_K_per_W": 0.45,
    "n_baseline": 3,
    "n_candidate": 4,
    "difference_K": -1.2,
    "mount_sd_K": 0.6,
    "mount_sd_dof": 5.0,
    "run_u_K": 0.15,
    "time_constant_u_min": 0.3,
    "rise_per_time_constant_K_per_min": 0.1,
    "resolution_K": 1.0,
    "temperature_u_K": 0.5,
    "ambient_u_K": 0.3,
    "power_u_percent": 1.0,
    "throttle_power_W": 132.0,
    "throttle_slope_K_per_W": 0.44,
    "throttle_mount_sd_W": 1.5,
    "throttle_mount_sd_dof": 5.0,
    "throttle_n_mounts": 3,
    "model_spread_W": 0.3,
}


def budget(given):
    """Return the budget of results that hold these numbers and no others."""
    known = {"n_baseline": 1, "power_W": 100.0, "slope_K_per_W": 0.4} | given
    tau_min, window_min = 12.0, (20.0, 35.0)
    per_drift = time_constant_leverage((window_min[1] - window_min[0]) / tau_min) / tau_min
    drift_K = known.get("rise_per_time_constant_K_per_min", 0.0) / per_drift
    run = SimpleNamespace(used=True, u_rise_a_K=known.get("run_u_K"), drift_left_K=drift_K, window_min=window_min)
    u_min = known.get("time_constant_u_min")
    constant = u_min and SimpleNamespace(time_constant_s=60.0 * tau_min, u_time_constant_s=60.0 * u_min)
    slopes = {
        known["power_W"]: known["slope_K_per_W"],
        known.get("throttle_power_W"): known.get("throttle_slope_K_per_W"),
    }
    settled = SimpleNamespace(
        runs=(run,),
        bench=SimpleNamespace(time_constant=constant, highest_power_W=known["power_W"]),
        curve=SimpleNamespace(slope_K_per_W=slopes.__getitem__),
    )
    candidate = SimpleNamespace(
        n_mounts=known.get("n_candidate"),
        difference_K=known.get("difference_K", 0.0),
        room_effect_K=known.get("room_effect_K"),
    )
    comparison = SimpleNamespace(
        reference_power_W=known["power_W"],
        baseline_n_mounts=known["n_baseline"],
        treatments=(candidate,) * ("n_candidate" in known),
        mount_sd_K=known.get("mount_sd_K"),
        mount_sd_dof=known.get("mount_sd_dof"),
    )
    own = SimpleNamespace(
        throttle_power_W=known.get("throttle_power_W"),
        n_mounts=known.get("throttle_n_mounts"),
        room_effect_W=known.get("room_effect_W"),
    )
    throttle = SimpleNamespace(
        treatments=(own,),
        mount_sd_W=known.get("throttle_mount_sd_W"),
        mount_sd_dof=known.get("throttle_mount_sd_dof"),
        model_spread_W=known.get("model_spread_W"),
    )
    declared = {
        "temperature_resolution_K": known.get("resolution_K", 0.0),
        "temperature_u_K": known.get("temperature_u_K", 0.0),
        "power_u_percent": known.get("power_u_percent", 0.0),
    }
    settings = SimpleNamespace(uncertainty=SimpleNamespace(**declared), ambient_u_K=known.get("ambient_u_K", 0.0))
    return build_budget(settings, settled, comparison, throttle)


def combine(lines, **how):
    """Return the one quantity of these lines, combined."""
    [found] = combine_each(lines, **how).values()
    return found


def lines_of(quantity, inputs=INPUTS):
    return [line for line in budget(inputs) if line.quantity == quantity]


def test_contribution_is_sensitivity_times_uncertainty():
    for line in budget(INPUTS):
        assert line.contribution == pytest.approx(abs(line.sensitivity) * line.u)
        assert line.evaluation in {"A", "B"}
        assert math.isfinite(line.contribution)


def test_common_errors_cancel_in_the_difference_and_stay_in_rise_and_throttle_power():
    difference = {line.input: line for line in lines_of("difference")}
    for word in ("time constant", "temperature sensor", "room temperature"):
        line = next(v for k, v in difference.items() if k.startswith(word))
        assert line.contribution == 0.0
        assert "cancels in the difference" in line.input
        for quantity in ("rise", "throttle power"):
            assert next(x for x in lines_of(quantity) if x.input.startswith(word)).contribution > 0.0
    power = next(v for k, v in difference.items() if k.startswith("true power"))
    assert power.contribution == pytest.approx(0.01 * 1.2)


def test_run_noise_is_not_counted_twice():
    for quantity in ("rise", "difference", "throttle power"):
        noise = next(x for x in lines_of(quantity) if x.input.startswith("noise"))
        assert noise.contribution == 0.0
        assert "contained" in noise.input
    without = {"power_W": 100.0, "slope_K_per_W": 0.4, "n_baseline": 1, "run_u_K": 0.15}
    assert lines_of("rise", without)[0].contribution == pytest.approx(0.15)


def test_difference_is_the_standard_error_of_the_comparison():
    found = combine(lines_of("difference"))
    assert found.u == pytest.approx(math.hypot(0.6 * math.sqrt(1 / 3 + 1 / 4), 0.012))
    assert found.dof == pytest.approx(5.0, rel=0.01)
    assert found.coverage_factor == pytest.approx(2.571, abs=5e-4)


def test_what_is_not_known_has_no_line():
    bare = {"power_W": 100.0, "slope_K_per_W": 0.4, "n_baseline": 1}
    assert {line.quantity for line in budget(bare)} == {"rise"}
    assert not any("time constant" in line.input for line in budget(bare))


def test_rise_budget_against_monte_carlo():
    """JCGM 101 (Supplement 1): draw every input from its distribution and take the standard deviation of the rise."""
    rng = np.random.default_rng(1)
    n = 200_000
    rise = (
        true_rise_K(120.0 * (1.0 + 0.01 * rng.normal(size=n)))
        + rng.normal(0.0, 0.6, n)
        + 0.1 * rng.normal(0.0, 0.3, n)
        + rng.uniform(-0.5, 0.5, n)
        + rng.normal(0.0, 0.5, n)
        - rng.normal(0.0, 0.3, n)
    )
    assert combine(lines_of("rise")).u == pytest.approx(rise.std(), rel=0.01)


def test_throttle_budget_against_monte_carlo():
    """The same through the curve and its inverse: errors of sensors, room and power move the solved power."""
    rng = np.random.default_rng(2)
    n = 1500
    steps = np.array([40.0, 56.0, 72.0, 88.0, 104.0, 120.0])
    limit, mounts = 67.0, 3
    exact = fit_curve(steps, true_rise_K(steps))
    power = exact.power_W(limit)
    slope = exact.slope_K_per_W(power)
    solved = np.empty(n)
    for i in range(n):
        common = rng.normal(0.0, 0.5) - rng.normal(0.0, 0.3) + rng.uniform(-0.5, 0.5)
        scale = 1.0 + 0.01 * rng.normal()
        resistance = rng.normal(0.0, 0.6 / 120.0, mounts).mean()
        # Sensor, room and rounding err by the same amount at the limit as on the ladder's curve there.
        rises = true_rise_K(steps * scale) + resistance * steps
        solved[i] = fit_curve(steps, rises).power_W(limit - common)
    inputs = {
        "power_W": 120.0,
        "slope_K_per_W": 0.45,
        "n_baseline": 3,
        "resolution_K": 1.0,
        "temperature_u_K": 0.5,
        "ambient_u_K": 0.3,
        "power_u_percent": 1.0,
        "throttle_power_W": power,
        "throttle_slope_K_per_W": slope,
        "throttle_mount_sd_W": 0.6 / 120.0 * power / slope,
        "throttle_mount_sd_dof": 4.0,
        "throttle_n_mounts": mounts,
    }
    assert combine(lines_of("throttle power", inputs)).u == pytest.approx(solved.std(), rel=0.06)


def test_difference_budget_against_monte_carlo():
    """JCGM 101: whole ladders with errors common to all mounts; what cancels in the budget cancels in the campaign."""
    rng = np.random.default_rng(4)
    n, mounts = 40_000, 3
    common = rng.normal(0.0, 0.5, n) - rng.normal(0.0, 0.3, n)
    gain = 1.0 + 0.01 * rng.normal(size=n)

    def mean_rise(effect):
        resistance = (effect + rng.normal(0.0, 0.6, (n, mounts))) / 120.0
        power = 120.0 * gain[:, None]
        return (true_rise_K(power) + resistance * power + common[:, None]).mean(axis=1)

    difference = mean_rise(-1.0) - mean_rise(0.0)
    inputs = {
        "power_W": 120.0,
        "slope_K_per_W": 0.45,
        "n_baseline": mounts,
        "n_candidate": mounts,
        "difference_K": -1.0,
        "mount_sd_K": 0.6,
        "mount_sd_dof": 4.0,
        "resolution_K": 1.0,
        "temperature_u_K": 0.5,
        "ambient_u_K": 0.3,
        "power_u_percent": 1.0,
    }
    found = combine(lines_of("difference", inputs))
    assert found.u == pytest.approx(difference.std(), rel=0.015)
    assert common.std() > 0.5


def test_a_whole_budget_is_combined_quantity_by_quantity():
    lines = budget(INPUTS)
    found = combine_each(lines, confidence_level=0.9)
    assert list(found) == list(dict.fromkeys(line.quantity for line in lines))
    for quantity, combined in found.items():
        assert combined == combine(lines_of(quantity), confidence_level=0.9)
        assert combined.expanded == pytest.approx(combined.coverage_factor * combined.u)
    assert combine_each([]) == {}


def test_coverage_of_the_expanded_uncertainty():
    """Welch-Satterthwaite with a Type A part of 4 and an exact Type B part: 95 % within a binomial bound and 1 %."""
    rng = np.random.default_rng(3)
    n, inside = 3000, 0
    for _ in range(n):
        s = math.sqrt(rng.chisquare(4) / 4)
        inputs = {
            "power_W": 100.0,
            "slope_K_per_W": 0.4,
            "n_baseline": 1,
            "mount_sd_K": s,
            "mount_sd_dof": 4.0,
            "temperature_u_K": 0.8,
        }
        found = combine(lines_of("rise", inputs))
        inside += abs(rng.normal() + 0.8 * rng.normal()) <= found.expanded
    assert inside / n == pytest.approx(0.95, abs=3.3 * math.sqrt(0.95 * 0.05 / n) + 0.01)


@pytest.mark.parametrize(
    ("value", "u", "written"),
    [
        (41.2374, 0.35, "41.24"),
        (41.2374, 3.5, "41.2"),
        (41.2374, 35.0, "41"),
        (1234.56, 350.0, "1230"),
        (0.012345, 0.00067, "0.01234"),
        (-0.0004, 0.35, "0.00"),
        (5.0, 0.0, "5.0"),
        (5.0, float("nan"), "5.0"),
        (0.0, None, "0.0"),
        (None, 0.3, "–"),
    ],
)
def test_rounding(value, u, written):
    assert number(value, decimals_for(u)) == written


def test_two_digits_also_after_a_carry():
    assert number(0.0996, decimals_for(0.0996)) == "0.10"
    assert number(1.2345, decimals_for(0.0996)) == "1.23"


def test_rounded_numbers_read_back_within_the_last_digit():
    rng = np.random.default_rng(4)
    for _ in range(500):
        value = float(rng.normal() * 10 ** rng.uniform(-4, 5))
        u = float(10 ** rng.uniform(-4, 4))
        written = number(value, decimals_for(u)).replace("−", "-")
        assert float(written) == pytest.approx(value, abs=0.051 * u)
        assert float(number(u, decimals_for(u))) == pytest.approx(u, rel=0.051)


def test_the_customers_room_is_a_line_of_the_throttle_power_alone():
    wide = INPUTS | {"room_effect_W": (0.0, 2.6)}
    known, none = ({**INPUTS, "room_effect_W": (end, end)} for end in (1.5, 0.0))
    lines = [[line for line in budget(one) if "customer's room" in line.input] for one in (wide, known, none)]
    assert [[line.quantity for line in some] for some in lines] == [["throttle power"], ["throttle power"], []]
    assert lines[0][0].contribution == pytest.approx(2.6 / math.sqrt(3.0))
    assert lines[1][0].contribution == pytest.approx(0.15 * 1.5 / math.sqrt(3.0))
    assert lines[0][0].evaluation == "B"


def test_rooms_apart_are_a_line_of_the_budget_of_a_difference():
    apart = [line for line in budget(INPUTS | {"room_effect_K": (-0.9, 0.0)}) if "rooms" in line.input]

    assert [(line.quantity, line.contribution) for line in apart] == [("difference", pytest.approx(0.9 / math.sqrt(3)))]
    assert not any("rooms" in line.input for line in budget(INPUTS))
