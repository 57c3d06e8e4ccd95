"""Readings that stand under two runs, soaks at one time, sensors that end at a ceiling."""

from dataclasses import replace

import numpy as np
import pytest
from simulated_traces import trace_of

from thermlab.campaign.settings import CheckThresholds
from thermlab.runs.checks.between import (
    at_the_ceiling,
    copied_readings,
    reading_marks,
    same_readings,
    shared_share,
    soaks_overlap,
)
from thermlab.simulate.ladders import simulate_ladders
from thermlab.simulate.network import passive_bench
from thermlab.simulate.readings import SimulatedSensors

BENCH = passive_bench()
LIMITS = CheckThresholds()


def ladder(seed, **more):
    rng = np.random.default_rng(seed)
    return simulate_ladders(BENCH, [0.12], (60.0, 90.0, 120.0), rng=rng, soak_min=30.0, **more)[0]


@pytest.fixture(scope="module", params=[1.0, 0.1, 0.001], ids=["1 K", "0.1 K", "1 mK"])
def traces(request):
    sensors = SimulatedSensors(resolution_K=request.param)
    return [trace_of(ladder(seed, sensors=sensors), step, mount=str(seed)) for seed in range(1, 7) for step in range(3)]


def moved(trace, *, by_s=0.0, by_K=0.0, rows=slice(None), **more):
    return replace(
        trace,
        began_s=trace.began_s + by_s,
        time_s=trace.time_s[rows] - trace.time_s[rows][0],
        temperature_C=trace.temperature_C[rows] + by_K,
        power_W=trace.power_W[rows],
        ambient_C=trace.ambient_C[rows],
        **more,
    )


def test_sound_runs_share_nothing_even_without_scatter_between_mounts(traces):
    assert copied_readings(traces, LIMITS) == {}


@pytest.mark.parametrize(
    "change",
    [
        {"by_s": 86400.0},
        {"by_K": 0.7},
        {"by_K": -1.23, "by_s": 3600.0},
        {"rows": slice(40, None)},
        {"rows": slice(None, -300)},
        {"sensors": ("another name", "and another")},
    ],
    ids=["dates moved", "a constant added", "both", "cut at the start", "cut at the end", "columns renamed"],
)
def test_a_copy_is_found_whatever_stands_beside_its_readings(traces, change):
    copy = moved(traces[4], **({"run": "copy", "treatment": "pad-b", "mount": "9"} | change))

    flags = copied_readings([*traces, copy], LIMITS)

    assert set(flags) == {4, len(traces)}
    assert {flag.severity for flag in flags.values()} == {"unusable"}
    assert "copy (pad-b mount 9)" in flags[4].reason
    assert flags[4].evidence["same_percent"] > 60.0


def test_copies_of_copies_are_all_found(traces):
    copies = [moved(traces[0], by_K=0.1 * k, run=f"copy {k}", mount=f"c{k}") for k in range(1, 5)]

    assert set(copied_readings([*traces, *copies], LIMITS)) == {0, *range(len(traces), len(traces) + 4)}


def test_an_excluded_copy_leaves_the_other_run_alone(traces):
    copy = moved(traces[4], run="copy", mount="9")

    assert copied_readings([*traces, copy], LIMITS, without={len(traces)}) == {}


def test_a_run_written_twice_on_one_mount_makes_no_second_mount_and_is_left_alone(traces):
    assert copied_readings([*traces, moved(traces[4], run="again")], LIMITS) == {}


def test_cuts_that_share_a_minute_are_no_copies(traces):
    joined = replace(
        traces[3],
        time_s=np.arange(traces[3].time_s.size * 2) * traces[3].interval_s,
        temperature_C=np.concatenate([traces[3].temperature_C, traces[4].temperature_C]),
        power_W=np.concatenate([traces[3].power_W, traces[4].power_W]),
        ambient_C=np.concatenate([traces[3].ambient_C, traces[4].ambient_C]),
    )
    n = traces[3].time_s.size
    one, other = moved(joined, rows=slice(0, n), run="one"), moved(joined, rows=slice(n - n // 20, None), run="other")

    assert copied_readings([one, other], LIMITS) == {}


def test_readings_that_do_not_move_have_no_marks_and_say_nothing(traces):
    still = replace(traces[0], temperature_C=np.full_like(traces[0].temperature_C, 55.0))

    assert reading_marks(still).size == 0
    assert shared_share(reading_marks(still), reading_marks(still)) == 0.0
    assert same_readings([], share=0.5) == []
    assert copied_readings([still, replace(still, run="other", mount="2")], LIMITS) == {}


def test_soaks_of_two_mounts_at_one_time_are_told():
    base = trace_of(ladder(1), 0)
    soak = base.soak_s
    day = [replace(base, clock="calendar", run=f"r{k}", mount=m, began_s=t * soak) for k, (m, t) in enumerate(
        [("1", 0.0), ("1", 1.0), ("2", 1.5), ("2", 2.6), ("3", 3.6)])]  # fmt: skip

    flags = soaks_overlap(day, LIMITS)

    assert set(flags) == {1, 2}
    assert flags[1].evidence["overlap_min"] == pytest.approx(0.5 * soak / 60.0)
    assert "r2" in flags[1].reason
    assert soaks_overlap([replace(trace, clock="elapsed") for trace in day], LIMITS) == {}
    assert soaks_overlap([replace(trace, mount="1") for trace in day], LIMITS) == {}


def test_sensors_that_end_at_80_degC_are_told_and_others_are_not(traces):
    clipped = [replace(trace, temperature_C=np.minimum(trace.temperature_C, 60.0)) for trace in traces]
    higher = [i for i, trace in enumerate(traces) if (trace.temperature_C > 60.0).mean() > 0.1]

    flags = at_the_ceiling(clipped, LIMITS)

    assert at_the_ceiling(traces, LIMITS) == {}
    assert len(higher) > 6
    assert set(flags) >= set(higher)
    assert all(flag.evidence["ceiling_C"] == 60.0 for flag in flags.values())
    assert at_the_ceiling(clipped, LIMITS, without=range(len(clipped))) == {}
