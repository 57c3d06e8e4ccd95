"""The checks on one run, each with what it is there for; and all of them on campaigns with a planted fault."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from thermlab.campaign.runsheet import RunLine
from thermlab.campaign.settings import BenchSettings, CheckThresholds, Limits, Soak, UncertaintyInputs
from thermlab.logs.log import ClockJump, Log
from thermlab.runs.checks.single import check_run
from thermlab.runs.checks.view import longest_still, view_runs
from thermlab.runs.records import FLAG_NAMES
from thermlab.runs.settled_runs import reduce_bench, reduce_runs, settle_runs
from thermlab.runs.trace import Trace, cut_trace
from thermlab.simulate.ladders import simulate_ladders
from thermlab.simulate.network import passive_bench
from thermlab.simulate.readings import Disturbance, SimulatedSensors

sys.path.insert(0, str(Path(__file__).parents[2] / "study"))

from fault_campaigns import BENCHES, CLEAN, DRIFT, FAULTS, make_cases

STEPS_W = (50.0, 85.0, 120.0)
SOAK_MIN = 40.0
LIMIT_C = 95.0


def trace_of(run, *, mount, began_s):
    return Trace(
        run=f"{mount}-{run.set_power_W:g}", treatment="grease-a", mount=str(mount), set_power_W=run.set_power_W,
        began_s=began_s, clock="calendar", time_s=run.time_s - run.time_s[0], temperature_C=run.temperature_C,
        sensors=tuple(f"core {i}" for i in range(run.temperature_C.shape[1])), power_W=run.power_W,
        ambient_C=run.ambient_C, clock_MHz=None, history_time_s=np.empty(0), history_C=np.empty(0),
        interval_s=float(np.median(np.diff(run.time_s))), jumps=(), room_covered=1.0,
    )  # fmt: skip


def bench_of(disturbances=(), *, step=1, edit=None, sensors=None, soak_min=SOAK_MIN):
    """Three mounts of three steps; what goes wrong is on the first mount's step."""
    bench = passive_bench(time_constant_min=10.0, limit_C=LIMIT_C)
    ladders = simulate_ladders(
        bench, [0.10, 0.11, 0.105], STEPS_W, rng=np.random.default_rng(3), soak_min=soak_min, interval_s=5.0,
        step_s=2.5, sensors=sensors or SimulatedSensors(resolution_K=0.1),
        disturbances={(0, step): tuple(disturbances)},
    )  # fmt: skip
    traces = [
        trace_of(run, mount=m, began_s=86400.0 * m + float(run.time_s[0]))
        for m, ladder in enumerate(ladders)
        for run in ladder.runs
    ]
    if edit is not None:
        traces[step] = edit(traces[step])
    return traces


def flags_of(traces, *, at=1, **thresholds):
    return flags_of_all(traces, **thresholds)[at]


def flags_of_all(traces, *, soak_min=SOAK_MIN, **thresholds):
    settings = BenchSettings.model_construct(
        limits=Limits(temperature_C=LIMIT_C, room_C=25.0), soak=Soak(minutes=soak_min),
        checks=CheckThresholds(**thresholds), uncertainty=UncertaintyInputs(temperature_resolution_K=0.1),
    )  # fmt: skip
    reduction = reduce_bench(traces, settings)
    views = view_runs(reduction.estimates, settings)
    return [{flag.flag: flag for flag in check_run(view)} for view in views]


def test_a_sound_run_has_no_flag_worse_than_a_note():
    for found in flags_of_all(bench_of()):
        assert all(flag.severity == "note" for flag in found.values())


def test_a_soak_as_planned_has_no_flag_for_what_it_leaves_and_a_shorter_one_has():
    def ended(minutes):
        def edit(trace):
            return rows_of(trace, trace.time_s <= 60.0 * minutes)

        return flags_of(bench_of(edit=edit)).get("not settled")

    short, far_too_short = ended(SOAK_MIN - 6.0), ended(12.0)
    assert ended(SOAK_MIN) is None
    assert short.severity == "note"
    assert far_too_short.severity == "doubtful"
    for flag in (short, far_too_short):
        assert abs(flag.evidence["left_K"]) > max(0.1, flag.evidence["u_left_K"])


def test_what_is_left_within_its_own_uncertainty_is_no_flag():
    found = flags_of_all(bench_of(sensors=SimulatedSensors(resolution_K=0.1, noise_K=1.5)), soak_min=SOAK_MIN + 5.0)

    told = [flag.evidence for flags in found for name, flag in flags.items() if name == "not settled"]
    assert all(abs(numbers["left_K"]) > numbers["u_left_K"] for numbers in told)
    assert len(told) < len(found)


@pytest.mark.parametrize(("place", "n"), [(0, 1), (0, 2), (0, 3), (1, 2), (4, 1), (4, 3), (5, 2)])
def test_few_sound_runs_are_not_drift_and_a_drift_among_them_is(place, n):
    # A build has a run or two: what noise and rounding make of its smoothed rise is no departure.
    doubted = [flags for flags in _few_runs(CLEAN, BENCHES[place], n) if DRIFT in flags]
    contact = next(fault for fault in FAULTS if fault.kind == "contact gets worse")
    found = [DRIFT in flags for flags in _few_runs(contact, BENCHES[place], n, faulty=True)]

    assert not doubted
    assert len(found) >= 3
    assert np.mean(found) > 0.7


def _few_runs(fault, setting, n, *, faulty=False):
    """Flags of the runs of each mount, n at a time, reduced with the time constant of the whole bench."""
    for case in make_cases(fault, setting, 2, np.random.default_rng(20271127)):
        traces = [trace for trace in case.traces if trace is not None]
        settings, spoiled = case.campaign.settings, [i for i, t in enumerate(traces) if t.run in case.faulty]
        whole = replace(reduce_bench(traces, settings, leave_out=spoiled), estimates=())
        for first in range(0, len(traces) - n + 1, n):
            some = traces[first : first + n]
            views = view_runs(reduce_runs(whole, some).estimates, settings)
            for view in views:
                if (view.trace.run in case.faulty) == faulty:
                    yield {flag.flag: flag for flag in check_run(view)}


@pytest.mark.parametrize(("kind", "stuck"), [("clean", 0.0), ("hottest core stuck", 0.9)])
def test_a_mean_of_sensors_stands_still_as_its_sensors_do(kind, stuck):
    # A mean of four moves in quarter steps: no sensor moves by so little.
    fault = next(fault for fault in (CLEAN, *FAULTS) if fault.kind == kind)
    told, sound = [], []
    for case in make_cases(fault, BENCHES[0], 3, np.random.default_rng(5)):
        settings = case.campaign.settings.model_copy(update={"measurand": "mean"})
        for run in settle_runs(replace(case.campaign, settings=settings), case.traces).runs:
            (told if run.run in case.faulty else sound).append(any(flag.flag == "sensor stuck" for flag in run.flags))

    assert not any(sound)
    assert sum(told) >= stuck * len(told)


def test_a_soak_is_compared_with_what_was_declared_or_with_the_others():
    def shorter(trace):
        return rows_of(trace, trace.time_s <= 60.0 * (SOAK_MIN - 10.0))

    (declared,) = [flags_of(bench_of(edit=shorter))["soak length"]]
    settings = BenchSettings.model_construct(limits=None, soak=None, uncertainty=UncertaintyInputs())
    views = view_runs(reduce_bench(bench_of(edit=shorter), settings).estimates, settings)
    (usual,) = [flag for flag in check_run(views[1]) if flag.flag == "soak length"]

    assert "shorter than the 40 min declared." in declared.reason
    assert "shorter than the 40 min of the others." in usual.reason


def test_steps_in_an_order_of_their_own_on_each_mount_are_not_drift():
    # From the cold or from another step the bend of natural convection differs from mount to mount.
    bench = passive_bench(time_constant_min=8.0, limit_C=LIMIT_C)
    traces = []
    for mount, steps in enumerate([(130.0, 40.0, 100.0), (40.0, 130.0, 100.0), (100.0, 40.0, 130.0)] * 2):
        (ladder,) = simulate_ladders(
            bench, [0.11], steps, rng=np.random.default_rng(mount), soak_min=46.0, presoak_min=0.0, interval_s=5.0,
            step_s=2.5, sensors=SimulatedSensors(resolution_K=0.1, noise_K=0.12),
        )  # fmt: skip
        traces += [trace_of(run, mount=mount, began_s=86400.0 * mount + float(run.time_s[0])) for run in ladder.runs]
    found = [flag for flags in flags_of_all(traces, soak_min=46.0) for flag in flags.values()]
    assert [flag.flag for flag in found if flag.severity != "note"] == []


def test_a_draught_within_the_soak_is_drift_at_constant_power():
    flag = flags_of(bench_of([Disturbance(kind="airflow", start_min=15.0, size=1.12)]))["drift at constant power"]

    assert flag.evidence["shift_K"] < -0.5
    assert abs(flag.evidence["shift_at_min"] - 15.0) < 5.0


def test_a_large_change_makes_the_run_unusable():
    flag = flags_of(bench_of([Disturbance(kind="airflow", start_min=15.0, size=1.6)]))["drift at constant power"]

    assert flag.severity == "unusable"


def test_a_worsening_contact_is_drift_at_constant_power():
    found = flags_of(bench_of([Disturbance(kind="interface", start_min=12.0, end_min=40.0, size=0.025)]))

    assert "drift at constant power" in found


def test_an_interruption_says_when_and_for_how_long():
    flag = flags_of(bench_of([Disturbance(kind="power", start_min=20.0, end_min=23.0, size=0.1)]))["load step"]

    assert flag.evidence["began_min"] == pytest.approx(20.0, abs=0.5)
    assert flag.evidence["lasted_min"] == pytest.approx(3.0, abs=0.5)
    assert flag.evidence["step_W"] == pytest.approx(-0.9 * 85.0, abs=2.0)
    assert flag.severity == "unusable"


def test_background_load_that_is_logged_is_a_load_step():
    assert "load step" in flags_of(bench_of([Disturbance(kind="background load", start_min=22.0, size=9.0)]))


@pytest.mark.parametrize(("size", "severity"), [(1.05, "doubtful"), (0.8, "unusable"), (1.015, "note")])
def test_power_off_set_grows_graver(size, severity):
    traces = bench_of([Disturbance(kind="power", start_min=0.0, end_min=SOAK_MIN, size=size)])

    flag = flags_of(traces)["power off set"]
    assert flag.severity == severity
    assert flag.evidence["off_percent"] == pytest.approx(100.0 * (size - 1), abs=0.3)


def test_power_common_to_all_runs_is_the_meters_and_only_a_note():
    traces = [replace(trace, power_W=1.03 * trace.power_W) for trace in bench_of()]

    assert flags_of(traces)["power off set"].severity == "note"


def test_sagging_power_is_power_off_set():
    sag = [Disturbance(kind="power", start_min=2.0 * i, end_min=SOAK_MIN, size=0.997) for i in range(20)]

    flag = flags_of(bench_of(sag))["power off set"]
    assert flag.evidence["course_percent"] < -2.5


def test_power_that_is_noisy_by_the_second_does_not_sag():
    rng = np.random.default_rng(0)
    traces = [replace(t, power_W=t.power_W + rng.normal(0.0, 0.08 * 85.0, t.power_W.size)) for t in bench_of()]

    assert "power off set" not in flags_of(traces)


def test_shed_power_is_an_observation_and_no_other_fault_of_power():
    """The highest step and some more interface resistance: the device comes to its limit."""
    traces = bench_of([Disturbance(kind="room", start_min=-30.0, size=22.0)], step=2)

    found = flags_of(traces, at=2)
    assert found["shed power at limit"].severity == "unusable"
    assert found["shed power at limit"].evidence["held_power_W"] < 0.98 * 120.0
    assert not {"power off set", "load step", "drift at constant power", "not settled"} & set(found)


def test_a_room_that_jumps_is_unsteady():
    flag = flags_of(bench_of([Disturbance(kind="room", start_min=20.0, size=2.5)]))["ambient unsteady"]

    assert flag.severity == "doubtful"
    assert flag.evidence["jump_K"] == pytest.approx(2.5, abs=0.4)


def test_a_room_that_drifts_is_unsteady():
    drift = [Disturbance(kind="room", start_min=float(i), size=0.1) for i in range(40)]

    assert flags_of(bench_of(drift))["ambient unsteady"].evidence["rate_K_per_h"] == pytest.approx(6.0, abs=0.5)


def test_the_used_sensor_that_stands_still_makes_the_run_unusable():
    traces = bench_of([Disturbance(kind="stuck", start_min=5.0, end_min=35.0, core=2)])
    hotter = [replace(trace, temperature_C=trace.temperature_C + np.array([0.0, 0.0, 9.0, 0.0])) for trace in traces]

    flag = flags_of(hotter)["sensor stuck"]

    assert flag.severity == "unusable"
    assert flag.evidence["still_min"] == pytest.approx(30.0, abs=0.5)


def test_another_sensor_that_stands_still_makes_it_doubtful():
    flag = flags_of(bench_of([Disturbance(kind="stuck", start_min=5.0, end_min=35.0, core=0)]))["sensor stuck"]

    assert flag.severity == "doubtful"
    assert "core 0" in flag.reason


def test_a_settled_bench_with_a_coarse_readout_and_little_noise_is_not_stuck():
    traces = bench_of(sensors=SimulatedSensors(resolution_K=1.0, noise_K=0.05))

    assert not any("sensor stuck" in found for found in flags_of_all(traces))


@pytest.mark.parametrize(("share", "severity"), [(0.03, "note"), (0.3, "doubtful"), (1.0, "doubtful")])
def test_a_dead_probe_is_told_as_one_and_moves_nothing(share, severity):
    """Read through a log, as the readings come."""

    def dead(trace):
        rows = slice(0, int(share * trace.time_s.size))
        readings = trace.temperature_C.copy()
        readings[rows, 0] = 0.0
        log = Log(
            name="logs/a.csv", sha256="", clock="calendar", time_s=trace.time_s + trace.began_s,
            raw_time_s=trace.time_s + trace.began_s, jumps=(), sensors=trace.sensors, temperature_C=readings,
            power_W=trace.power_W, clock_MHz=None, ambient_C=trace.ambient_C, notes=(), n_missing={},
        )  # fmt: skip
        line = RunLine(
            run=trace.run, treatment=trace.treatment, mount=trace.mount, set_power_W=85.0, log="logs/a.csv", line=2
        )
        return cut_trace(line, log, start_s=float(log.time_s[0]), end_s=None, room=None, limit_C=None)

    sound, spoiled = flags_of_all(bench_of()), flags_of_all(bench_of(edit=dead))
    flag = spoiled[1]["sensor stuck"]
    assert flag.severity == severity
    assert "core 0 read exactly zero" in flag.reason
    assert ("throughout" in flag.reason) == (share == 1.0)
    assert [f for i, f in enumerate(spoiled) if i != 1] == [f for i, f in enumerate(sound) if i != 1]


def test_a_fault_says_when_it_was_and_which_way_it_went():
    down = [Disturbance(kind="power", start_min=20.0, end_min=23.0, size=0.1)]
    traces = [replace(t, began_s=t.began_s - t.began_s % 86400.0 + 50_400.0) for t in bench_of(down)]  # 14:00
    step = flags_of(traces)["load step"]
    assert "76." in step.reason
    assert "below the rest of the soak for 3.0 min from minute 20.0 (14:20) on" in step.reason
    # A passive bench of 10 min: 76.5 W for 3 min, 17 min before the end, out of some 60 K at 85 W.
    assert step.evidence["effect_K"] == pytest.approx(-2.2, abs=0.5)
    air = flags_of(bench_of([Disturbance(kind="airflow", start_min=15.0, size=1.12)]))["drift at constant power"]
    assert "the rise goes below its approach" in air.reason
    jump = flags_of(bench_of([Disturbance(kind="room", start_min=20.0, size=-2.5)]))["ambient unsteady"]
    assert "The room fell by 2." in jump.reason
    assert jump.evidence["effect_K"] < 0
    on_a_stopwatch = flags_of([replace(trace, clock="elapsed") for trace in traces])["load step"]
    assert "from minute 20.0 on" in on_a_stopwatch.reason


@pytest.mark.parametrize(
    ("date", "seconds", "told"),
    [
        ("2026-10-25T02:40", -3600.0, "summer time ends"),
        ("2026-10-25T02:40", -600.0, None),
        ("2026-10-26T02:40", -3600.0, None),
        ("2026-03-29T01:45", 3600.0, "summer time begins"),
        ("2026-07-26T02:45", 3600.0, None),
    ],
)
def test_an_hour_on_the_night_of_the_change_of_clocks_is_said_to_be_that(date, seconds, told):
    began = (np.datetime64(date) - np.datetime64("1970-01-01T00:00")) / np.timedelta64(1, "s")
    traces = bench_of([] if seconds < 0 else [Disturbance(kind="clock jump", start_min=15.0, size=seconds)])
    traces[1] = replace(traces[1], began_s=float(began))
    if seconds < 0:
        traces[1] = replace(traces[1], jumps=(ClockJump(row=180, line=200, seconds=seconds),))
    flag = flags_of(traces)["clock jump"]
    assert "minute 15" in flag.reason or "minute 14.9" in flag.reason
    assert (told is not None and told in flag.reason) or (told is None and "summer" not in flag.reason)


def test_longest_still_finds_the_longest_stretch():
    changed = np.diff(np.array([1.0, 1.0, 2.0, 2.0, 2.0, np.nan, np.nan, 3.0])) != 0
    assert longest_still(10.0 * np.arange(8), changed) == (2, 4, 20.0)


def test_minutes_without_readings_are_a_gap():
    flag = flags_of(bench_of([Disturbance(kind="gap", start_min=10.0, end_min=13.0)]))["gap"]

    assert flag.severity == "doubtful"
    assert flag.evidence["longest_s"] == pytest.approx(180.0, abs=6.0)


def rows_of(trace, kept):
    """Return a trace with some of its rows."""
    return replace(
        trace, time_s=trace.time_s[kept], temperature_C=trace.temperature_C[kept], power_W=trace.power_W[kept],
        ambient_C=trace.ambient_C[kept],
    )  # fmt: skip


def test_many_short_holes_are_irregular_sampling():
    def thin(trace):
        kept = np.r_[True, np.random.default_rng(1).random(trace.time_s.size - 1) > 0.5]
        return rows_of(trace, kept)

    flag = flags_of(bench_of(edit=thin))["gap"]
    assert flag.severity == "doubtful"
    assert "irregular" in flag.reason


def test_any_sensor_that_is_missing_is_said():
    """Were it the hottest, another would stand for it unnoticed."""

    def hole(trace):
        readings = trace.temperature_C.copy()
        readings[100:250, 2] = np.nan
        return replace(trace, temperature_C=readings)

    flag = flags_of(bench_of(edit=hole))["gap"]
    assert "core 2" in flag.reason
    assert flag.evidence["missing_percent"] == pytest.approx(150 / 480 * 100, abs=1.0)


def test_a_clock_set_forward_is_no_gap_of_readings():
    found = flags_of(bench_of([Disturbance(kind="clock jump", start_min=15.0, size=600.0)]))

    assert found["clock jump"].evidence["jump_s"] == pytest.approx(600.0, abs=6.0)
    assert "soak length" not in found


def test_a_soak_of_another_length_is_said():
    def shorter(trace):
        kept = trace.time_s < 0.8 * trace.time_s[-1]
        return rows_of(trace, kept)

    flag = flags_of(bench_of(edit=shorter))["soak length"]
    assert flag.severity == "doubtful"
    assert flag.evidence["off_min"] == pytest.approx(-8.0, abs=0.2)


def test_a_run_read_more_coarsely_than_the_others_is_doubtful():
    def coarse(trace):
        return replace(trace, temperature_C=2.0 * np.round(trace.temperature_C / 2.0))

    flag = flags_of(bench_of(edit=coarse))["coarse readout"]
    assert flag.severity == "doubtful"
    assert flag.evidence["readout_K"] == 2.0


def test_a_bench_that_is_read_coarsely_throughout_gets_a_note():
    traces = bench_of(sensors=SimulatedSensors(resolution_K=1.0, noise_K=0.05))

    assert flags_of(traces)["coarse readout"].severity == "note"


def test_a_threshold_can_be_changed():
    traces = bench_of([Disturbance(kind="gap", start_min=10.0, end_min=13.0)])

    assert flags_of(traces, gap_s=300.0, missing_percent=20.0)["gap"].severity == "note"


def test_every_threshold_has_a_unit_and_a_source():
    units = ("_K", "_s", "_min", "_percent", "_ratio", "_K_per_h", "_time_constants", "_dof")
    for name, field in CheckThresholds.model_fields.items():
        assert name.endswith(units), name
        assert any(word in field.description for word in ("no source", "make study", "from memory")), name


# One campaign of each kind, on benches that are quick to simulate; docs/checks.md has the rates of thousands.

KINDS = {fault.kind: fault for fault in FAULTS}
ON = (4, 5, 6)


@pytest.mark.parametrize("kind", KINDS)
def test_a_planted_fault_is_found_and_named(kind):
    place = list(KINDS).index(kind)
    bench = BENCHES[ON[place % len(ON)]]
    (case,) = make_cases(replace(KINDS[kind], most=1), bench, 1, np.random.default_rng(700 + place))
    runs = settle_runs(case.campaign, case.traces).runs
    faulty = [run for run in runs if run.run in case.faulty]

    assert faulty
    assert all(run.flags for run in faulty)
    assert all({flag.flag for flag in run.flags} & set(KINDS[kind].told_by) for run in faulty)
    assert {flag.flag for run in runs for flag in run.flags} <= set(FLAG_NAMES)
    assert all(np.isfinite(value) for run in runs for flag in run.flags for value in flag.evidence.values())


def test_at_most_one_sound_run_in_a_hundred_is_doubted():
    cases = [
        case
        for bench in (1, 2, 4, 5, 6)
        for case in make_cases(CLEAN, BENCHES[bench], 1, np.random.default_rng(800 + bench))
    ]
    runs = [run for case in cases for run in settle_runs(case.campaign, case.traces).runs]

    assert len(runs) > 100
    assert sum(run.worst() not in {None, "note"} for run in runs) <= 0.01 * len(runs)
