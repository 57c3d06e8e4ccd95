"""The time constant of a bench, found from all its runs."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from thermlab.runs.time_constant import Approach, decay, estimate_time_constant, fit_exponential, straighten

# NIST StRD nonlinear regression, data and certified values as in the file's header.
NONLINEAR = json.loads((Path(__file__).parents[1] / "reference" / "strd_exponential.json").read_text(encoding="utf-8"))


def approach(tau_s=700.0, *, scale=1.0, step_K=6.0, noise_K=0.0, seed=0, soak_s=1800.0, level_K=40.0):
    t = np.arange(5.0, soak_s, 10.0)
    noise = np.random.default_rng(seed).normal(0.0, noise_K, t.size) if noise_K else 0.0
    return Approach(time_s=t, rise_K=level_K - step_K * np.exp(-t / (tau_s * scale)) + noise, scale=scale)


@pytest.mark.parametrize("name", ["Misra1a", "BoxBOD"])
def test_rate_constants_of_the_certified_exponential_sets_are_reproduced(name):
    """y = b1 (1 - exp(-b2 x)): level and rate as certified by NIST StRD, with the level and step eliminated."""
    data = np.array(NONLINEAR[name]["data"])
    y, x = np.r_[0.0, data[:, 0]], np.r_[0.0, data[:, 1]]
    b1, b2 = NONLINEAR[name]["certified"]

    # The certified model has no free step at x = 0: a point of great weight there states it.
    weight = 4000
    xs, ys = np.r_[np.zeros(weight), x[1:]], np.r_[np.zeros(weight), y[1:]]

    def misfit(log_tau):
        return fit_exponential(xs, ys, float(np.exp(log_tau)), end_s=0.0)[2]

    found = minimize_scalar(
        misfit, bounds=(np.log(0.2 / b2), np.log(5.0 / b2)), method="bounded", options={"xatol": 1e-10}
    )
    level, step, _ = fit_exponential(xs, ys, float(np.exp(found.x)), end_s=0.0)

    assert 1.0 / np.exp(found.x) == pytest.approx(b2, rel=2e-3)
    assert level == pytest.approx(b1, rel=2e-3)
    assert -step == pytest.approx(b1, rel=2e-3)


def test_exact_exponential_is_fitted_exactly():
    t = np.linspace(0.0, 900.0, 50)
    y = 31.25 - 4.5 * decay(t, 300.0, end_s=900.0)

    level, left, residual = fit_exponential(t, y, 300.0, end_s=900.0)

    assert (level, left) == (pytest.approx(31.25, abs=1e-9), pytest.approx(-4.5, abs=1e-9))
    assert residual < 1e-16


def test_time_constant_of_noise_free_runs_is_found_whatever_their_power():
    runs = [approach(700.0, scale=s, step_K=k) for s, k in ((1.2, 5.0), (1.1, 6.0), (1.0, 7.0))]

    found = estimate_time_constant(runs, slow_from=0.2)

    assert found is not None
    assert found.time_constant_s == pytest.approx(700.0, rel=1e-2)
    assert found.fit_from_s == pytest.approx(140.0, rel=1e-2)


def test_its_standard_uncertainty_is_that_of_repetitions():
    found = [
        estimate_time_constant([approach(noise_K=0.1, seed=100 * k + i) for i in range(12)], slow_from=0.2)
        for k in range(40)
    ]
    taus = np.array([f.time_constant_s for f in found])
    stated = np.array([f.u_time_constant_s for f in found])

    assert taus.mean() == pytest.approx(700.0, rel=0.02)
    # 40 repetitions know a standard deviation to about 11 %; for white noise as here it errs on the wide side.
    assert 0.75 * taus.std(ddof=1) < np.median(stated) < 2.0 * taus.std(ddof=1)


def test_one_disturbed_run_does_not_move_it():
    runs = [approach(noise_K=0.1, seed=i) for i in range(12)]
    before = estimate_time_constant(runs, slow_from=0.2)
    t = runs[3].time_s
    spoiled = Approach(
        time_s=t, rise_K=runs[3].rise_K + np.where(t > 700, -5.0 * (1 - np.exp(-(t - 700) / 700)), 0), scale=1.0
    )

    after = estimate_time_constant([*runs[:3], spoiled, *runs[4:]], slow_from=0.2)

    assert after is not None
    assert before is not None
    assert after.time_constant_s == pytest.approx(before.time_constant_s, rel=0.03)


def test_runs_that_are_steady_throughout_have_no_time_constant():
    rng = np.random.default_rng(5)
    runs = [
        Approach(time_s=np.arange(0.0, 1800.0, 10.0), rise_K=40 + rng.normal(0, 0.1, 180), scale=1.0) for _ in range(6)
    ]

    assert estimate_time_constant(runs, slow_from=0.2) is None


def test_too_few_readings_have_no_time_constant():
    run = Approach(time_s=np.arange(5.0), rise_K=np.arange(5.0), scale=1.0)

    assert estimate_time_constant([run], slow_from=0.2) is None


def test_straightening_turns_a_naturally_convecting_sink_into_an_exponential():
    """C d(theta)/dt = P - k theta ** 1.25 from cold, integrated; its settled value is known."""
    tau, settled = 700.0, 40.0  # tau = C / (1.25 k theta ** 0.25) at the settled state
    dt, theta = 0.5, 0.0
    times, sink = [], []
    for i in range(6000):
        theta += dt / (1.25 * tau) * settled * (1 - (theta / settled) ** 1.25)
        if i % 20 == 0:
            times.append(i * dt)
            sink.append(theta)
    t, y = np.array(times), np.array(sink) + 10.0  # 10 K in the interface: a fifth of the rise
    late = t > 1300.0

    plain = fit_exponential(t[late], y[late], tau, end_s=t[-1])[0]
    straight = straighten(t[late], y[late], tau, end_s=float(t[-1]), curvature=0.125)
    level = fit_exponential(t[late], straight, tau, end_s=t[-1])[0]

    assert abs(level - 50.0) < 0.02
    assert abs(level - 50.0) < 0.2 * abs(plain - 50.0)
