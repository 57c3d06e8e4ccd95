"""Heat transfer of the simulated bench and the exponential fit against textbooks and certified values.

Textbook answers are rounded as printed; those marked "from memory" were recalled, not looked up, and reproduce here.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq, curve_fit

from thermlab.runs.time_constant import decay, fit_exponential
from thermlab.simulate.network import (
    KELVIN_AT_0_C,
    STEFAN_BOLTZMANN_W_PER_M2_K4,
    SimulatedBench,
    integrate,
    passive_bench,
    settled_rise,
    sink_loss,
    sink_rise,
    throttle_power,
)
from thermlab.stats.least_squares import fit_linear

DATA = json.loads((Path(__file__).parents[1] / "reference" / "comparison_data.json").read_text(encoding="utf-8"))
PLAIN = {"core_offsets_K": (0.0,), "core_local_K_per_W": (0.0,)}


def loss_W(rise_K, room_C, **bench):
    return float(sink_loss(SimulatedBench(sink_capacity_J_per_K=1.0, **bench), np.array(rise_K), np.array(room_C)))


def test_chip_with_laminar_convection_and_radiation():
    """Incropera & DeWitt, problem 1.40: chip of 15 mm at 85 degC in 25 degC, h = 4.2 dT^0.25, emissivity 0.60.

    Statement and film coefficient as quoted in a public collection of solved problems; 0.158, 0.065 and 0.223 W from
    memory.
    """
    area_m2 = 0.015**2
    convection = loss_W(60.0, 25.0, convection_W=4.2 * area_m2)
    both = loss_W(60.0, 25.0, convection_W=4.2 * area_m2, radiating_area_m2=0.60 * area_m2)
    assert pytest.approx(11.6893, abs=5e-5) == 4.2 * 60.0**0.25
    assert convection == pytest.approx(0.158, abs=5e-4)
    assert both - convection == pytest.approx(0.065, abs=5e-4)
    assert both == pytest.approx(0.223, abs=6e-4)


def test_same_chip_with_forced_air():
    """Incropera & DeWitt, problem 1.40, h = 250 W/(m2 K): 3.44 W with radiation (from memory)."""
    area_m2 = 0.015**2
    found = loss_W(60.0, 25.0, convection_W=250.0 * area_m2, convection_exponent=0.0, radiating_area_m2=0.60 * area_m2)
    assert found == pytest.approx(3.44, abs=5e-3)


def test_steam_pipe_in_a_room():
    """Incropera & DeWitt, example 1.2: pipe of 70 mm at 200 degC in 25 degC, h = 15, emissivity 0.8: 998 W/m.

    Emissive power 2270 W/m2, irradiation 447 W/m2 (from memory; the book takes 0 degC as 273 K).
    """
    area_m2 = math.pi * 0.070
    found = loss_W(175.0, 25.0, convection_W=15.0 * area_m2, convection_exponent=0.0, radiating_area_m2=0.8 * area_m2)
    assert found == pytest.approx(998.0, abs=1.0)
    emitted = 0.8 * STEFAN_BOLTZMANN_W_PER_M2_K4 * (200.0 + KELVIN_AT_0_C) ** 4
    received = STEFAN_BOLTZMANN_W_PER_M2_K4 * (25.0 + KELVIN_AT_0_C) ** 4
    assert (emitted, received) == (pytest.approx(2270.0, abs=5.0), pytest.approx(447.0, abs=1.5))


def test_black_plate_by_radiation():
    """Cengel, Heat Transfer, vertical plate 0.6 m x 0.6 m at 90 degC facing 30 degC: 182 W if black.

    From memory; the book takes 0 degC as 273 K.
    """
    found = loss_W(60.0, 30.0, convection_W=0.0, radiating_area_m2=0.36)
    assert found == pytest.approx(182.0, abs=0.7)


def test_radiation_at_room_temperature_is_six_watts_per_square_metre_and_kelvin():
    """4 sigma T^3 at 300 K is 6.12 W/(m2 K): exact from the constant."""
    found = loss_W(1e-4, 300.0 - KELVIN_AT_0_C, convection_W=0.0, radiating_area_m2=1.0) / 1e-4
    assert found == pytest.approx(6.12, abs=0.01)


def test_doubling_the_power_of_a_laminar_sink():
    """Heat-transfer texts: h ~ dT^0.25 gives rise ~ P^0.8: twice the power, 2^0.8 = 1.741101 times the rise."""
    bench = passive_bench()
    one, two = sink_rise(bench, np.array([55.0, 110.0]))
    assert two / one == pytest.approx(1.741101, abs=1e-6)


def test_rating_of_a_power_device_with_sink():
    """Public course collection, example 8.3 (inputs): 20 W at a case of 25 degC, 175 degC junction: 7.5 K/W.

    With 1 K/W of mounting and 5 K/W of sink the device may give off 150 / 13.5 = 11.11 W (exact).
    """
    bench = SimulatedBench(
        sink_capacity_J_per_K=100.0, convection_W=1.0 / 5.0, convection_exponent=0.0,
        series_resistance_K_per_W=7.5, **PLAIN,
    )  # fmt: skip
    found = float(throttle_power(bench, 1.0, room_C=25.0, temperature_C=175.0))
    assert found == pytest.approx(150.0 / 13.5, rel=1e-9)
    assert float(settled_rise(bench, 1.0, found)) == pytest.approx(150.0, rel=1e-9)


def test_thermocouple_junction_in_a_gas_stream():
    """Incropera & DeWitt, example 5.1: sphere of 0.706 mm, h = 400: time constant 1 s; 199 degC after 5.2 s (memory).

    rho = 8500 kg/m3, c = 400 J/(kg K); from 25 degC in a stream of 200 degC.
    """
    diameter_m = 7.06e-4
    capacity = 8500.0 * 400.0 * math.pi * diameter_m**3 / 6.0
    conductance = 400.0 * math.pi * diameter_m**2
    assert capacity / conductance == pytest.approx(1.0, abs=5e-3)
    bench = SimulatedBench(
        device_capacity_J_per_K=1e-12, sink_capacity_J_per_K=capacity, convection_W=conductance,
        convection_exponent=0.0,
    )  # fmt: skip
    step_s = 0.002
    n = round(6.0 / step_s) + 2
    room = np.full((n, 1), 200.0)
    room[0] = 25.0
    trace = integrate(bench, resistance_K_per_W=[0.1], demand_W=np.zeros((n, 1)), room_C=room, step_s=step_s)
    time_s = np.arange(n) * step_s
    reached = trace.sink_C[:, 0]
    assert np.interp(199.0, reached, time_s) == pytest.approx(5.2, abs=0.05)
    # 63.2, 95.0 and 99.3 % after one, three and five time constants (exact).
    for constants, part in ((1.0, 0.632), (3.0, 0.950), (5.0, 0.993)):
        at = np.interp(constants * capacity / conductance, time_s, reached)
        assert (at - 25.0) / 175.0 == pytest.approx(part, abs=1.5e-3)


# The exponential fit


def approach(x, y):
    """Fit ``y = b1 (1 - exp(-b2 x))`` with the kit's exponential and least squares; b2 by the root of the gradient."""

    def at(log_tau):
        tau = math.exp(log_tau)
        fit = fit_linear(1.0 - decay(x, tau, end_s=0.0)[:, None], y)
        return fit, float(fit.residuals @ (x * decay(x, tau, end_s=0.0)))

    log_tau = brentq(lambda value: at(value)[1], math.log(0.3 * x.max() / 2), math.log(20.0 * x.max()), xtol=1e-15)
    fit, _ = at(log_tau)
    return float(fit.coefficients[0]), math.exp(-log_tau), float(fit.residuals @ fit.residuals)


def matching_digits(found, certified):
    return -math.log10(max(abs(found - certified) / abs(certified), 1e-16))


@pytest.mark.parametrize(
    ("name", "b1", "b2", "squares"),
    [
        ("Misra1a", 2.3894212918e02, 5.5015643181e-04, 1.2455138894e-01),
        ("BoxBOD", 2.1380940889e02, 5.4723748542e-01, 1.1680088766e03),
    ],
)
def test_exponential_approach_nist_strd(name, b1, b2, squares):
    """NIST StRD nonlinear regression, certified values: nine matching digits or more."""
    rows = np.array(NONLINEAR[name])
    found = approach(rows[:, 1], rows[:, 0])
    for value, certified in zip(found, (b1, b2, squares), strict=True):
        assert matching_digits(value, certified) >= 9


NONLINEAR = {
    "Misra1a": [
        (10.07, 77.6), (14.73, 114.9), (17.94, 141.1), (23.93, 190.8), (29.61, 239.9), (35.18, 289.0), (40.02, 332.8),
        (44.82, 378.4), (50.76, 434.8), (55.05, 477.3), (61.01, 536.8), (66.40, 593.1), (75.47, 689.1), (81.78, 760.0),
    ],
    "BoxBOD": [(109.0, 1.0), (149.0, 2.0), (149.0, 3.0), (191.0, 5.0), (213.0, 7.0), (224.0, 10.0)],
}  # fmt: skip


def test_biochemical_oxygen_demand():
    """Bates & Watts 1988, Nonlinear Regression Analysis, A1.4: 19.143, 0.5311, residual SD 2.549 (from memory)."""
    x, y = np.array([1.0, 2, 3, 4, 5, 7]), np.array([8.3, 10.3, 19, 16, 15.6, 19.8])
    level, rate, squares = approach(x, y)
    assert (level, rate) == (pytest.approx(19.143, abs=5e-4), pytest.approx(0.5311, abs=5e-5))
    assert math.sqrt(squares / 4) == pytest.approx(2.549, abs=5e-4)


def test_level_and_rest_agree_with_a_general_least_squares_program():
    """Three free coefficients on the BoxBOD data: scipy's curve_fit finds the same level at its time constant."""
    rows = np.array(NONLINEAR["BoxBOD"])
    x, y = rows[:, 1], rows[:, 0]
    best, _ = curve_fit(lambda t, level, left, tau: level + left * np.exp(-(t - 10.0) / tau), x, y, p0=(220, -5, 3))
    level, left, squares = fit_exponential(x, y, best[2], end_s=10.0)
    assert (level, left) == (pytest.approx(best[0], rel=1e-6), pytest.approx(best[1], rel=1e-5))
    for other in (0.98, 1.02):
        assert fit_exponential(x, y, other * best[2], end_s=10.0)[2] > squares
