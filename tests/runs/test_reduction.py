"""Settled rises against the known truth of simulated benches."""

from dataclasses import replace

import numpy as np
import pytest
from simulated_traces import trace_of

from thermlab.campaign.settings import BenchSettings, Limits
from thermlab.runs.settled_rise import end_reading, estimate_run, lag_room, level_window, time_constant_leverage
from thermlab.runs.settled_runs import reduce_bench
from thermlab.runs.time_constant import BenchTimeConstant, fit_exponential
from thermlab.simulate.ladders import simulate_ladders
from thermlab.simulate.network import forced_bench, passive_bench, settled_rise, throttle_power, time_constant_s
from thermlab.simulate.readings import SimulatedRoom, SimulatedSensors

STEPS = (40.0, 56.0, 72.0, 88.0, 104.0, 120.0)


def settings_of(cooling="passive", limit_C=None, measurand="hottest"):
    limits = None if limit_C is None else Limits(temperature_C=limit_C, room_C=25.0)
    return BenchSettings.model_construct(cooling=cooling, measurand=measurand, limits=limits)


def reduced(bench, *, soak_min, cooling="passive", seeds=(1, 2, 3), n_mounts=6, steps=STEPS, limit_C=None, **settings):
    """Errors of the settled rise at set power, shape (mounts, steps), and true against found time constants."""
    errors, ratios, benches = [], [], []
    for seed in seeds:
        rng = np.random.default_rng(seed)
        ladders = simulate_ladders(
            bench, 0.15 + 0.005 * rng.normal(size=n_mounts), steps, rng=rng, soak_min=soak_min, **settings
        )
        traces = [trace_of(x, k, mount=str(j)) for j, x in enumerate(ladders) for k in range(len(steps))]
        found = reduce_bench(traces, settings_of(cooling, limit_C))
        truth = np.array([run.truth.settled_rise_K for x in ladders for run in x.runs])
        level = np.array([np.nan if e.level_K is None else e.level_K for e in found.estimates])
        errors.append((level - truth).reshape(n_mounts, -1))
        benches.append(found)
        if found.time_constant is not None:
            true_s = time_constant_s(bench, ladders[0].resistance_K_per_W, steps[-1])
            ratios.append(found.time_constant.time_constant_s / true_s)
    return np.concatenate(errors), np.array(ratios), benches


@pytest.mark.parametrize(
    ("soak_min", "cooling", "settings"),
    [
        (24.0, "passive", {}),  # two time constants
        (30.0, "passive", {}),
        (40.0, "passive", {"room": SimulatedRoom(drift_K_per_h=1.0)}),
        (30.0, "passive", {"presoak_min": 0.0}),  # first step from cold
        (40.0, "passive", {"sensors": SimulatedSensors(resolution_K=0.1)}),
        (10.0, "forced", {}),
        (30.0, "forced", {}),
    ],
)
def test_settled_rise_is_the_true_one(soak_min, cooling, settings):
    """Mean error within 0.1 K and standard deviation within 0.2 K, with a readout of 1 K."""
    bench = passive_bench() if cooling == "passive" else forced_bench()

    errors, ratios, _ = reduced(bench, soak_min=soak_min, cooling=cooling, **settings)

    assert np.abs(errors.mean(axis=0)).max() < 0.1
    assert errors.std(axis=0).max() < 0.25  # 18 runs a step know a standard deviation to 17 %
    assert np.sqrt((errors.std(axis=0) ** 2).mean()) < 0.2
    assert ratios.mean() == pytest.approx(1.0, abs=0.06)


def test_last_minute_would_be_wrong_where_the_settled_rise_is_right():
    _, _, benches = reduced(passive_bench(), soak_min=24.0, seeds=(1,))

    missing = np.array([e.level_K - end_reading(e.trace)["end_rise_K"] for e in benches[0].estimates])

    assert missing.mean() > 0.5


def test_drift_left_is_what_is_missing_at_the_end():
    rng = np.random.default_rng(3)
    ladders = simulate_ladders(passive_bench(), [0.15] * 6, STEPS, rng=rng, soak_min=30.0)
    traces = [trace_of(x, k, mount=str(j)) for j, x in enumerate(ladders) for k in range(len(STEPS))]

    found = reduce_bench(traces, settings_of())

    left = np.array([e.left_K for e in found.estimates])
    true = np.array([run.truth.left_K for x in ladders for run in x.runs])
    assert np.abs((left - true).mean()) < 0.1
    assert (left - true).std() < 0.25


def test_settled_rule_passes_what_is_settled_and_not_what_is_not():
    _, _, long = reduced(passive_bench(), soak_min=75.0, seeds=(1,), sensors=SimulatedSensors(resolution_K=0.1))
    _, _, short = reduced(passive_bench(), soak_min=22.0, seeds=(1,))

    assert np.mean([e.settled for e in long[0].estimates]) > 0.9
    assert np.mean([e.settled for e in short[0].estimates]) < 0.1


def test_lagged_room_follows_a_ramp_one_lag_behind():
    rng = np.random.default_rng(1)
    ladder = simulate_ladders(passive_bench(), [0.15], (90.0,), rng=rng, soak_min=120.0, presoak_min=60.0)[0]
    trace = trace_of(ladder, 0)
    ramp = replace(
        trace,
        ambient_C=20.0 + trace.time_s / 3600.0,
        history_time_s=np.arange(-14400.0, 0.0, 10.0),
        history_C=20.0 + np.arange(-14400.0, 0.0, 10.0) / 3600.0,
    )

    lagged = lag_room(ramp, np.array([3600.0]), 720.0, shortest_step_s=12.0)

    # A first-order lag follows a ramp of 1 K/h by its time constant: 0.2 K at 12 min.
    assert lagged[0] == pytest.approx(21.0 - 0.2, abs=0.01)


def test_shed_power_is_recognised_with_its_held_power():
    bench = passive_bench(limit_C=80.0)
    rng = np.random.default_rng(2)
    ladder = simulate_ladders(bench, [0.15], (60.0, 90.0, 130.0), rng=rng, soak_min=40.0)[0]
    traces = [trace_of(ladder, k) for k in range(3)]

    found = reduce_bench(traces, settings_of(limit_C=80.0))

    assert [e.shed for e in found.estimates] == [False, False, True]
    true = float(throttle_power(bench, 0.15, room_C=22.0, temperature_C=80.0))
    assert found.estimates[2].held.held_power_W == pytest.approx(true, rel=0.01)
    assert found.estimates[2].held.held_rise_K == pytest.approx(80.0 - 22.0, abs=1.0)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize(("soak_min", "n_steps"), [(6.0, 1), (10.0, 1), (10.0, 6)])
def test_soaks_too_short_to_show_the_approach_have_no_settled_rise(seed, soak_min, n_steps):
    rng = np.random.default_rng(seed)
    ladder = simulate_ladders(passive_bench(), [0.15], STEPS[-n_steps:], rng=rng, soak_min=soak_min, presoak_min=0.0)[0]

    found = reduce_bench([trace_of(ladder, k) for k in range(n_steps)], settings_of())

    assert found.time_constant is None
    assert [e.level_K for e in found.estimates] == [None] * n_steps


def test_steady_runs_without_any_step_are_their_mean():
    rng = np.random.default_rng(4)
    ladder = simulate_ladders(passive_bench(), [0.15], (90.0,), rng=rng, soak_min=60.0, presoak_min=180.0)[0]

    found = reduce_bench([trace_of(ladder, 0)], settings_of())

    assert found.time_constant is None
    assert found.estimates[0].level_K == pytest.approx(ladder.runs[0].truth.settled_rise_K, abs=0.25)


@pytest.mark.parametrize(
    ("soak_s", "tau_s", "cooling", "begins_s"),
    [
        (2400.0, 720.0, "passive", 2400.0 - 2 * 720.0),
        (3600.0, 720.0, "passive", 3600.0 - 2 * 720.0),
        (3600.0, 240.0, "passive", 3600.0 - 900.0),  # settled: 15 min are enough
        (600.0, 130.0, "forced", 39.0),  # all of the slow approach
        (1800.0, None, "passive", 900.0),
    ],
)
def test_window_of_the_level(soak_s, tau_s, cooling, begins_s):
    slow = {"passive": 0.2, "forced": 0.3}[cooling] * (tau_s or 0.0)

    assert level_window(soak_s, tau_s, cooling=cooling, slow_from_s=slow) == pytest.approx(begins_s)


def test_hottest_and_mean_sensor_differ_by_their_offset():
    rng = np.random.default_rng(4)
    ladder = simulate_ladders(passive_bench(), [0.15], (90.0,), rng=rng, soak_min=60.0)[0]
    trace = trace_of(ladder, 0)
    constant = BenchTimeConstant(time_constant_s=720.0, u_time_constant_s=10.0, fit_from_s=144.0)

    hottest, mean = (
        estimate_run(trace, constant, settings_of(measurand=measurand)) for measurand in ("hottest", "mean")
    )

    mean_rise_K = float(settled_rise(passive_bench(), 0.15, 90.0, measurand="mean"))
    assert mean.sensor == "mean of 4"
    assert hottest.level_K - mean.level_K == pytest.approx(ladder.runs[0].truth.settled_rise_K - mean_rise_K, abs=0.25)


@pytest.mark.parametrize(("heavier", "differ"), [(1.0, False), (1.5, True)])
def test_treatments_that_are_different_heat_sinks_have_time_constants_of_their_own(heavier, differ):
    light = passive_bench()
    heavy = replace(light, sink_capacity_J_per_K=heavier * light.sink_capacity_J_per_K)
    rng = np.random.default_rng(5)
    traces, truth = [], []
    for name, bench in (("cooler-a", light), ("cooler-b", heavy)):
        for j, ladder in enumerate(simulate_ladders(bench, [0.15] * 3, STEPS, rng=rng, soak_min=30.0, interval_s=5.0)):
            traces += [trace_of(ladder, k, mount=str(j), treatment=name) for k in range(len(STEPS))]
            truth += [run.truth.settled_rise_K for run in ladder.runs]

    found = reduce_bench(traces, settings_of())

    errors = np.array([e.level_K for e in found.estimates]) - truth
    assert bool(found.factors) is differ
    assert np.abs(errors.reshape(2, -1).mean(axis=1)).max() < 0.2
    if differ:
        assert found.factors["cooler-b"] / found.factors["cooler-a"] == pytest.approx(1.5, abs=0.25)


@pytest.mark.parametrize(("window", "factor"), [(1.25, 1.94), (1.6, 2.37), (2.0, 3.01)])
def test_how_far_a_wrong_time_constant_moves_a_level(window, factor):
    """Against the fit itself: an approach with 1 K left, fitted with a time constant 2 % too long."""
    t = np.linspace(-window, 0.0, 500)
    level, _, _ = fit_exponential(t, -np.exp(-t), 1.02, end_s=0.0)

    assert time_constant_leverage(window) == pytest.approx(level / 0.02, rel=0.01)
    assert time_constant_leverage(window) == pytest.approx(factor, abs=0.005)
