"""The simulated bench against independent solutions: exact steady states, analytic cases and an adaptive solver."""

import csv
from dataclasses import replace

import numpy as np
import pytest
import yaml
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from thermlab.simulate.ladders import SimulatedTreatment, simulate_campaign, simulate_ladders
from thermlab.simulate.logs import DIALECTS, write_campaign
from thermlab.simulate.network import (
    STEFAN_BOLTZMANN_W_PER_M2_K4,
    forced_bench,
    integrate,
    passive_bench,
    path_resistance,
    settled_rise,
    sink_loss,
    sink_rise,
    throttle_power,
    time_constant_s,
)
from thermlab.simulate.readings import Disturbance, SimulatedRoom, SimulatedSensors

QUIET = SimulatedSensors(noise_K=0.0, resolution_K=0.0, power_noise_W=0.0, power_resolution_W=0.0)
STILL = SimulatedRoom(probe_noise_K=0.0, probe_resolution_K=0.0)
BENCHES = {
    "passive": passive_bench(),
    "passive, radiating": passive_bench(radiative_share=0.35),
    "three nodes": passive_bench(base_capacity_J_per_K=400.0, base_resistance_K_per_W=0.05),
    "forced": forced_bench(),
}


def simulate_ladder(bench, resistance_K_per_W, steps_W, **settings):
    return simulate_ladders(bench, [resistance_K_per_W], steps_W, **settings)[0]


def solved(bench, resistance, power_at, room_at, start, times_s):
    """Solve the same network with an adaptive solver: the slow way, for comparison."""

    def change(t, y):
        loss = float(sink_loss(bench, np.array(y[-1] - room_at(t)), np.array(room_at(t))))
        if bench.base_capacity_J_per_K:
            into_base = (y[0] - y[1]) / (resistance + bench.series_resistance_K_per_W)
            into_sink = (y[1] - y[2]) / bench.base_resistance_K_per_W
            middle = [(into_base - into_sink) / bench.base_capacity_J_per_K]
        else:
            into_base = into_sink = (y[0] - y[1]) / float(path_resistance(bench, resistance))
            middle = []
        device = (power_at(t) - into_base) / bench.device_capacity_J_per_K
        return [device, *middle, (into_sink - loss) / bench.sink_capacity_J_per_K]

    found = solve_ivp(change, (0.0, times_s[-1]), start, t_eval=times_s, rtol=1e-9, atol=1e-9, max_step=10.0)
    return found.y[0], found.y[-1]


@pytest.mark.parametrize("name", BENCHES)
def test_network_agrees_with_an_adaptive_solver(name):
    bench, resistance = BENCHES[name], 0.11
    times = np.arange(2400.0)
    power = np.where(times < 60.0, 20.0, 120.0)
    room = 22.0 + 0.5 * np.sin(times / 400.0)
    trace = integrate(bench, resistance_K_per_W=[resistance], demand_W=power[:, None], room_C=room[:, None])
    base = [trace.sink_C[0, 0] + 20.0 * bench.base_resistance_K_per_W] if bench.base_capacity_J_per_K else []
    device, sink = solved(
        bench,
        resistance,
        lambda t: 20.0 if t < 60.0 else 120.0,
        lambda t: 22.0 + 0.5 * np.sin(t / 400.0),
        [trace.device_C[0, 0], *base, trace.sink_C[0, 0]],
        times,
    )
    assert np.abs(trace.device_C[:, 0] - device).max() < 0.002
    assert np.abs(trace.sink_C[:, 0] - sink).max() < 0.002


@pytest.mark.parametrize("step_s", [0.5, 1.0, 2.0, 5.0])
def test_forced_bench_follows_the_two_exponentials_of_a_linear_network(step_s):
    bench, resistance, power, room = forced_bench(), 0.1, 100.0, 20.0
    n = round(600.0 / step_s) + 1
    demand = np.full((n, 1), power)
    demand[0] = 0.0  # the first step long, from the settled state without power
    trace = integrate(
        bench, resistance_K_per_W=[resistance], demand_W=demand, room_C=np.full((n, 1), room), step_s=step_s
    )
    path = float(path_resistance(bench, resistance))
    rates = np.array(
        [
            [1.0 / path / bench.device_capacity_J_per_K, -1.0 / path / bench.device_capacity_J_per_K],
            [
                -1.0 / path / bench.sink_capacity_J_per_K,
                (1.0 / path + bench.convection_W) / bench.sink_capacity_J_per_K,
            ],
        ]
    )
    settled = np.array([power * path + power / bench.convection_W, power / bench.convection_W])
    values, vectors = np.linalg.eig(rates)
    weights = np.linalg.solve(vectors, -settled)
    times = np.maximum(np.arange(n) * step_s - step_s, 0.0)
    exact = settled[0] + (vectors[0] * weights * np.exp(-values * times[:, None])).sum(axis=1)
    # Second order in the step: 0.005 K at 1 s, four times as much at 2 s.
    assert np.abs(trace.device_C[:, 0] - room - exact).max() < 0.012 * step_s**2
    assert 1.0 / values.min() == pytest.approx(time_constant_s(bench, resistance, power), rel=1e-9)


def test_energy_is_conserved_at_any_step():
    bench, n, step = passive_bench(), 400, 7.0
    demand = np.where(np.arange(n) < 3, 10.0, 110.0)[:, None] * np.ones((1, 1))
    room = np.full((n, 1), 22.0)
    trace = integrate(bench, resistance_K_per_W=[0.1], demand_W=demand, room_C=room, step_s=step)
    stored = bench.device_capacity_J_per_K * trace.device_C[:, 0] + bench.sink_capacity_J_per_K * trace.sink_C[:, 0]
    change = np.diff(trace.sink_C[:, 0], prepend=trace.sink_C[0, 0])
    middle = trace.sink_C[:-1, 0] + 0.5 * change[:-1]
    lost = sink_loss(bench, middle - 22.0, np.array(22.0)) * step
    assert stored[-1] - stored[0] == pytest.approx(float((demand[:-1, 0] * step).sum() - lost.sum()), abs=1e-6)


def test_settled_rise_without_radiation_is_linear_plus_power_to_the_four_fifths():
    bench = replace(passive_bench(sink_rise_K=45.0, at_power_W=120.0), core_offsets_K=(0.0,), core_local_K_per_W=(0.0,))
    power = np.array([40.0, 80.0, 120.0, 150.0])
    expected = (0.05 + 0.12) * power + 45.0 * (power / 120.0) ** 0.8
    assert settled_rise(bench, 0.12, power) == pytest.approx(expected, abs=1e-9)


def test_sink_rise_with_radiation_solves_the_heat_balance():
    bench = passive_bench(radiative_share=0.35)

    def balance(rise):
        radiation = STEFAN_BOLTZMANN_W_PER_M2_K4 * ((rise + 303.15) ** 4 - 303.15**4)
        return bench.convection_W * rise**1.25 + bench.radiating_area_m2 * radiation - 77.0

    assert float(sink_rise(bench, 77.0, 30.0)) == pytest.approx(brentq(balance, 1.0, 100.0, xtol=1e-12), abs=1e-9)
    assert float(sink_rise(bench, 0.0, 30.0)) == 0.0


def test_throttle_power_brings_the_hottest_sensor_to_the_limit():
    bench = passive_bench(radiative_share=0.2)
    power = throttle_power(bench, [0.08, 0.2], room_C=35.0, temperature_C=95.0)
    assert settled_rise(bench, [0.08, 0.2], power, room_C=35.0) == pytest.approx([60.0, 60.0], abs=1e-8)
    assert power[0] > power[1]


@pytest.mark.parametrize("minutes", [8.0, 12.0, 15.0])
def test_time_constant_is_the_one_asked_for(minutes):
    bench = passive_bench(time_constant_min=minutes)
    assert time_constant_s(bench, 0.1, 120.0) / 60.0 == pytest.approx(minutes, rel=0.01)
    # The conductance of a natural-convection sink grows with the rise, so the time constant falls as P^-0.2; the
    # device's share of the capacity does not follow, hence the tolerance.
    ratio = time_constant_s(bench, 0.1, 60.0) / time_constant_s(bench, 0.1, 120.0)
    assert ratio == pytest.approx(0.5**-0.2, rel=0.01)


def test_long_run_settles_at_its_truth():
    ladder = simulate_ladder(
        passive_bench(radiative_share=0.2), 0.1, [100.0], rng=np.random.default_rng(1), soak_min=120.0, room=STILL,
        sensors=QUIET, interval_s=10.0,
    )  # fmt: skip
    run = ladder.runs[0]
    assert run.temperature_C[-1].max() - run.ambient_C[-1] == pytest.approx(run.truth.settled_rise_K, abs=0.01)
    mean_K = float(settled_rise(passive_bench(radiative_share=0.2), 0.1, 100.0, measurand="mean"))
    assert run.temperature_C[-1].mean() - run.ambient_C[-1] == pytest.approx(mean_K, abs=0.01)
    assert run.truth.left_K == pytest.approx(0.0, abs=0.01)


def test_what_is_left_at_the_end_is_in_the_truth():
    ladder = simulate_ladder(
        passive_bench(), 0.1, [60.0, 80.0], rng=np.random.default_rng(1), soak_min=20.0, room=STILL, sensors=QUIET
    )
    run = ladder.runs[1]
    missing = run.truth.settled_rise_K - (run.temperature_C[-1].max() - 22.0)
    assert missing == pytest.approx(run.truth.left_K, abs=0.001)
    assert missing > 1.0


def test_device_at_its_limit_sheds_power_and_holds_it():
    bench = passive_bench(limit_C=85.0)
    ladder = simulate_ladder(bench, 0.15, [80.0, 130.0], rng=np.random.default_rng(1), room=STILL, sensors=QUIET)
    free, held = ladder.runs
    assert not free.truth.shed
    assert held.truth.shed
    assert held.temperature_C.max() == pytest.approx(85.0, abs=0.01)
    # The power it then holds is the throttle power in that room, once the sink has settled.
    throttle_W = float(throttle_power(bench, 0.15, room_C=22.0, temperature_C=85.0))
    assert held.power_W[-60:].mean() == pytest.approx(throttle_W, rel=0.01)
    assert held.clock_MHz[-1] < free.clock_MHz[-1]


def test_noise_rounding_and_probe_are_as_declared():
    bench = replace(passive_bench(), core_offsets_K=(0.0,), core_local_K_per_W=(0.0,))
    sensors = SimulatedSensors(noise_K=0.3, noise_time_s=20.0, resolution_K=0.0)
    settings = {"rng": np.random.default_rng(3), "soak_min": 300.0, "lead_min": 0.0, "presoak_min": 100.0}
    still = simulate_ladder(bench, 0.1, [80.0], sensors=sensors, room=STILL, **settings)
    noise = still.runs[0].temperature_C[:, 0] - 22.0 - still.runs[0].truth.settled_rise_K
    assert noise.std() == pytest.approx(0.3, rel=0.05)
    assert np.corrcoef(noise[1:], noise[:-1])[0, 1] == pytest.approx(np.exp(-1.0 / 20.0), abs=0.01)
    whole = simulate_ladder(
        bench, 0.1, [80.0], rng=np.random.default_rng(3), sensors=replace(sensors, resolution_K=1.0)
    )
    assert np.array_equal(whole.temperature_C, np.round(whole.temperature_C))


def test_probe_follows_a_jump_of_the_room_with_its_lag():
    ladder = simulate_ladder(
        passive_bench(), 0.1, [60.0], rng=np.random.default_rng(0), room=replace(STILL, probe_lag_s=60.0),
        sensors=QUIET, disturbances={(0, 0): [Disturbance(kind="room", start_min=10.0, size=2.0)]},
    )  # fmt: skip
    at = int(np.searchsorted(ladder.time_s, ladder.starts_s[0] + 600.0)) + 60
    assert ladder.ambient_C[at] - 22.0 == pytest.approx(2.0 * (1.0 - np.exp(-1.0)), abs=0.02)


def test_power_overshoots_at_the_start_of_a_step_only():
    sensors = replace(QUIET, overshoot_percent=10.0, overshoot_s=30.0)
    ladder = simulate_ladder(
        passive_bench(), 0.1, [60.0, 80.0], rng=np.random.default_rng(0), room=STILL, sensors=sensors
    )
    assert ladder.runs[0].power_W.max() == pytest.approx(60.0)  # pre-soaked: no step in power there
    assert ladder.runs[1].power_W[:30] == pytest.approx(88.0)
    assert ladder.runs[1].power_W[30:] == pytest.approx(80.0)


def test_many_mounts_at_once_are_the_same_as_one_by_one():
    bench, resistances = passive_bench(limit_C=80.0), [0.08, 0.12, 0.2]
    settings = {"room": STILL, "sensors": QUIET, "interval_s": 5.0, "step_s": 5.0}
    together = simulate_ladders(bench, resistances, [60.0, 110.0], rng=np.random.default_rng(0), **settings)
    for resistance, ladder in zip(resistances, together, strict=True):
        alone = simulate_ladder(bench, resistance, [60.0, 110.0], rng=np.random.default_rng(9), **settings)
        assert np.allclose(ladder.temperature_C, alone.temperature_C, atol=1e-9)
        assert [run.truth for run in ladder.runs] == [run.truth for run in alone.runs]


def planted(kind, **settings):
    disturbance = Disturbance(kind=kind, **settings)
    common = {"room": STILL, "sensors": QUIET, "interval_s": 5.0, "step_s": 5.0}
    clean = simulate_ladder(passive_bench(), 0.1, [60.0, 90.0], rng=np.random.default_rng(0), **common)
    faulty = simulate_ladder(
        passive_bench(), 0.1, [60.0, 90.0], rng=np.random.default_rng(0), disturbances={(0, 1): [disturbance]}, **common
    )
    return clean, faulty


@pytest.mark.parametrize(
    ("kind", "size", "low_K", "high_K"),
    [
        ("airflow", 1.5, -9.0, -3.0),
        ("interface", 0.05, 3.5, 4.5),
        ("power", 1.1, 2.0, 4.5),
        ("background load", 10.0, 2.0, 5.0),
        ("unlogged power", 10.0, 2.0, 5.0),
        ("room", 3.0, 1.5, 3.0),
    ],
)
def test_disturbances_of_the_physics_change_the_temperature_from_their_time_on(kind, size, low_K, high_K):
    clean, faulty = planted(kind, start_min=10.0, end_min=30.0, size=size)
    change = (faulty.temperature_C - clean.temperature_C)[:, 0]
    since_min = (clean.time_s - clean.starts_s[1]) / 60.0
    assert not change[since_min <= 10.0].any()
    assert low_K < change[np.searchsorted(since_min, 29.0)] < high_K
    extra = (faulty.power_W - clean.power_W)[np.searchsorted(since_min, 20.0)]
    assert extra == pytest.approx({"power": 9.0, "background load": 10.0}.get(kind, 0.0))


def test_disturbances_of_the_log_change_nothing_else():
    clean, stuck = planted("stuck", start_min=10.0, end_min=20.0, core=2)
    at = np.searchsorted(clean.time_s, clean.starts_s[1] + 600.0)
    assert (stuck.temperature_C[at : at + 120, 2] == stuck.temperature_C[at, 2]).all()
    assert np.array_equal(stuck.temperature_C[:, :2], clean.temperature_C[:, :2])
    _, gap = planted("gap", start_min=10.0, end_min=12.0)
    assert len(clean.time_s) - len(gap.time_s) == 24
    _, jump = planted("clock jump", start_min=10.0, size=3600.0)
    assert np.diff(jump.time_s).max() == 3605.0
    assert jump.log_ends_s[1] == clean.log_ends_s[1] + 3600.0
    _, contact = planted("core contact", size=0.05, core=0)
    assert contact.runs[1].temperature_C[-1, 0] - clean.runs[1].temperature_C[-1, 0] == pytest.approx(4.5)
    _, probe = planted("probe", start_min=5.0, size=1.5)
    assert probe.runs[1].ambient_C[-1] - clean.runs[1].ambient_C[-1] == pytest.approx(1.5)
    _, plume = planted("plume", size=0.1)
    sink_rise_K = float(sink_rise(passive_bench(), 90.0))
    assert plume.runs[1].ambient_C[-1] - clean.runs[1].ambient_C[-1] == pytest.approx(0.1 * sink_rise_K, rel=0.05)


def test_fan_curve_changes_the_air_between_steps():
    curve = ((60.0, 1.0), (100.0, 2.0))
    ladder = simulate_ladder(
        forced_bench(fan_curve=curve), 0.1, [60.0, 100.0], rng=np.random.default_rng(0), room=STILL, sensors=QUIET
    )
    for run in ladder.runs:
        assert run.temperature_C[-1].max() - 22.0 == pytest.approx(run.truth.settled_rise_K, abs=0.01)
    plain = settled_rise(forced_bench(), 0.1, 100.0)
    assert ladder.runs[1].truth.settled_rise_K < plain - 10.0


def small_campaign(**settings):
    treatments = [
        SimulatedTreatment(name="grease-a", resistance_K_per_W=0.10),
        SimulatedTreatment(name="pad-b", resistance_K_per_W=0.12),
    ]
    return simulate_campaign(
        passive_bench(limit_C=95.0), treatments, steps_W=[60.0, 90.0], n_mounts=2, soak_min=10.0,
        rng=np.random.default_rng(5), interval_s=10.0, step_s=5.0, **settings,
    )  # fmt: skip


@pytest.fixture(scope="module")
def campaign():
    return small_campaign()


def test_campaign_knows_its_answers_and_is_made_in_blocks(campaign):
    assert campaign.difference_K["pad-b"] == pytest.approx([1.2, 1.8])
    assert campaign.throttle_power_W["pad-b"] < campaign.throttle_power_W["grease-a"]
    assert [m.mount for m in campaign.mounts] == [1, 1, 2, 2]
    assert {m.treatment for m in campaign.mounts[:2]} == {"grease-a", "pad-b"}


@pytest.mark.parametrize("name", DIALECTS)
def test_every_dialect_writes_what_its_settings_declare(name, campaign, tmp_path):
    dialect = DIALECTS[name]
    folder = write_campaign(tmp_path / "campaign", campaign, dialect=dialect)
    document = yaml.safe_load((folder / "campaign.yaml").read_text(encoding="utf-8"))
    with (folder / "runs.csv").open(encoding="utf-8", newline="") as file:
        runs = list(csv.DictReader(file))
    assert len(runs) == 8
    log = document["log"]
    text = (folder / runs[0]["log"]).read_bytes().decode(log["encoding"])
    lines = text.splitlines()
    header = lines[0].split(log["delimiter"])
    assert set(log["time"]["columns"]) <= set(header)
    assert sum(name.startswith("core ") for name in header) == 4
    assert set(log["power"]["columns"]) <= set(header)
    cell = lines[-1].split(log["delimiter"])[header.index(log["power"]["columns"][0])]
    watts = float(cell.replace(log["decimal"], ".")) * {"W": 1.0, "mW": 0.001}[log["power"]["unit"]]
    assert watts == pytest.approx(90.0 if dialect.files != "run" else 60.0, abs=2.0)
    assert ("ambient" in log) + ("ambient_log" in document) + ("ambient_constant" in document) == 1


def test_changed_cells_stand_on_the_run_sheet(campaign, tmp_path):
    folder = write_campaign(tmp_path, campaign, sheet={"grease-a-2-60W": {"exclude": "the door stood open"}})
    with (folder / "runs.csv").open(encoding="utf-8", newline="") as file:
        runs = {line["run"]: line for line in csv.DictReader(file)}
    assert runs["grease-a-2-60W"]["exclude"] == "the door stood open"


def test_same_seed_same_numbers(campaign):
    one, other = campaign, small_campaign()
    for a, b in zip(one.mounts, other.mounts, strict=True):
        assert np.array_equal(a.ladder.temperature_C, b.ladder.temperature_C)
