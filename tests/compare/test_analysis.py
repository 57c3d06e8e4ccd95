"""The whole job on campaign folders with known truth."""

from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import pytest

from thermlab.base.errors import InputError
from thermlab.campaign.folder import load_campaign
from thermlab.compare.analysis import analyse
from thermlab.compare.cautions import _days_exchanged
from thermlab.runs.reading import check, read_campaign_logs
from thermlab.runs.records import ReducedRun
from thermlab.runs.settled_runs import order_made
from thermlab.simulate.ladders import SimulatedTreatment, simulate_campaign
from thermlab.simulate.logs import LogDialect, write_campaign
from thermlab.simulate.network import forced_bench, passive_bench
from thermlab.simulate.readings import Disturbance, SimulatedRoom, SimulatedSensors

GREASE = SimulatedTreatment(name="grease-a", resistance_K_per_W=0.150, mount_sd_K_per_W=0.003)
PASTE = SimulatedTreatment(name="paste-c", resistance_K_per_W=0.110, mount_sd_K_per_W=0.003)
STEPS = (40.0, 60.0, 80.0, 105.0)


def simulate(bench=None, *, seed=1, treatments=(GREASE, PASTE), steps=STEPS, soak_min=30.0, **settings):
    return simulate_campaign(
        bench or passive_bench(limit_C=95.0),
        treatments,
        steps_W=steps,
        rng=np.random.default_rng(seed),
        soak_min=soak_min,
        interval_s=5.0,
        **settings,
    )


@pytest.fixture(scope="module")
def clean(tmp_path_factory):
    campaign = simulate(room=SimulatedRoom(drift_K_per_h=0.5))
    return write_campaign(tmp_path_factory.mktemp("clean"), campaign), campaign


@pytest.fixture(scope="module")
def found(clean):
    return analyse(clean[0])


def test_difference_and_verdict_are_the_true_ones(found, clean):
    item = found.comparison.treatments[0]
    lo, hi = item.simultaneous_interval_K

    assert item.verdict == "cooler by more than the margin"
    assert lo < clean[1].difference_K["paste-c"][-1] < hi
    assert found.comparison.reference_power_W == 105.0


def test_throttle_power_is_the_true_one(found, clean):
    for item in found.throttle.treatments:
        true = clean[1].throttle_power_W[item.treatment]
        assert item.throttle_power_W == pytest.approx(true, rel=0.03)
        assert item.interval_W[0] < item.throttle_power_W < item.interval_W[1]


def test_nothing_is_left_out_of_a_clean_campaign(found):
    assert all(run.used for run in found.runs)
    assert not [flag for run in found.runs for flag in run.flags if flag.severity != "note"]


def test_runs_are_in_the_order_made(found):
    assert [run.order for run in found.runs] == list(range(len(found.runs)))


def test_runs_say_when_they_were_made_and_what_every_sensor_reads(found):
    for run in found.runs:
        began, ended = datetime.fromisoformat(run.start), datetime.fromisoformat(run.end)
        assert (ended - began).total_seconds() == pytest.approx(60.0 * run.soak_min - 5.0, abs=1.0)
        rises = {sensor.name: sensor.rise_K for sensor in run.sensors}
        assert rises[run.sensor] == pytest.approx(run.rise_K)
        assert max(rises.values()) <= run.rise_K + 1e-9
        assert min(rises.values()) > run.rise_K - 5.0
    assert [run.start for run in found.runs] == sorted(run.start for run in found.runs)


def test_pictures_have_one_trace_for_each_run(found):
    assert [trace.run for trace in found.traces] == [run.run for run in found.runs]
    for trace in found.traces:
        assert trace.time_min.shape == trace.rise_K.shape


def test_every_input_has_its_checksum(found, clean):
    assert {"campaign.yaml", "runs.csv"} < set(found.sha256)
    assert all(len(value) == 64 for value in found.sha256.values())


def test_another_room_moves_the_throttle_power_and_is_cautioned(clean, found):
    warm = analyse(clean[0], room_C=40.0)

    assert warm.overrides == {"room_C": (35.0, 40.0)}
    assert warm.throttle.treatments[0].throttle_power_W < found.throttle.treatments[0].throttle_power_W - 5.0
    assert warm.comparison.treatments[0].difference_K == found.comparison.treatments[0].difference_K
    assert any("room" in caution and "40" in caution for caution in warm.cautions)


def test_a_margin_changed_after_the_data_is_the_first_caution(clean):
    other = analyse(clean[0], margin_K=5.0)

    assert other.comparison.treatments[0].verdict != "cooler by more than the margin"
    assert other.cautions[0].startswith("margin_K was changed after the data were seen")


def test_a_limit_below_the_room_is_bad_input(clean):
    with pytest.raises(InputError, match="30 degC at a room of 35 degC"):
        analyse(clean[0], temperature_C=30.0)


def test_forced_air_is_served_as_well(tmp_path):
    campaign = simulate(forced_bench(limit_C=95.0), soak_min=12.0, steps=(60.0, 100.0, 140.0))
    folder = write_campaign(tmp_path, campaign, settings={"cooling": "forced", "soak": {"minutes": 12}})

    analysis = analyse(folder)

    item = analysis.comparison.treatments[0]
    lo, hi = item.simultaneous_interval_K
    assert lo < campaign.difference_K["paste-c"][-1] < hi
    assert 1.0 < analysis.bench.time_constant_min < 3.5
    assert not [flag for run in analysis.runs for flag in run.flags if flag.severity == "unusable"]


def test_a_run_that_shed_power_is_kept_out_and_observed(tmp_path):
    campaign = simulate(passive_bench(limit_C=80.0), steps=(40.0, 60.0, 80.0, 100.0, 118.0), limit_room_C=22.0)
    folder = write_campaign(tmp_path, campaign, settings={"limits": {"temperature_C": 80, "room_C": 22}})

    analysis = analyse(folder)

    shed = [run for run in analysis.runs if run.held]
    assert shed
    assert all(not run.used and run.rise_K is None and run.set_power_W >= 100.0 for run in shed)
    for item in analysis.throttle.treatments:
        true = campaign.throttle_power_W[item.treatment]
        assert item.throttle_power_W == pytest.approx(true, rel=0.03)
        if item.directly_observed_W is not None:
            assert item.directly_observed_W == pytest.approx(true, rel=0.03)

    # A limit that is tried does not change which runs shed power on the bench.
    for tried in (70.0, 84.0, 100.0):
        other = analyse(folder, temperature_C=tried)
        assert [run.run for run in other.runs if run.held] == [run.run for run in shed]
    far = analyse(folder, temperature_C=30.0)
    assert all(item.directly_observed_W is None for item in far.throttle.treatments)
    assert any("outside the ladder" in caution for caution in far.cautions)


def test_one_spoiled_run_does_not_spoil_the_others(tmp_path, found, clean):
    campaign = simulate(
        room=SimulatedRoom(drift_K_per_h=0.5),
        disturbances={("grease-a", 2, 2): (Disturbance(kind="airflow", start_min=15.0, size=0.7),)},
    )
    analysis = analyse(write_campaign(tmp_path, campaign))
    name = "grease-a-2-80W"
    usual = {run.run: run.rise_K for run in found.runs}

    spoiled = next(run for run in analysis.runs if run.run == name)
    assert not spoiled.used
    assert "drift at constant power" in {flag.flag for flag in spoiled.flags}
    # The next step of the same mount begins from the spoiled state; all others are as without it.
    for run in analysis.runs:
        if run.run not in (name, "grease-a-2-105W"):
            assert run.rise_K == pytest.approx(usual[run.run], abs=0.2)
    assert analysis.comparison.treatments[0].without_exclusions_K is not None


def test_an_exclusion_keeps_its_reason_and_the_answer_with_it(tmp_path):
    folder = write_campaign(
        tmp_path,
        simulate(),
        sheet={"grease-a-1-105W": {"exclude": "window opened"}},
        settings={"decision": {"margin_K": 1.0, "reference_power_W": 105.0}},
    )

    analysis = analyse(folder)

    run = next(run for run in analysis.runs if run.run == "grease-a-1-105W")
    item = analysis.comparison.treatments[0]
    assert (run.used, run.reason) == (False, "window opened")
    assert run.rise_K is not None
    assert item.without_exclusions_K != pytest.approx(item.difference_K, abs=1e-6)
    assert any("window opened" in caution for caution in analysis.cautions)


def test_a_mount_without_the_declared_reference_step_moves_all_to_the_common_steps(tmp_path):
    campaign = simulate()
    folder = write_campaign(
        tmp_path,
        campaign,
        sheet={"paste-c-3-105W": {"exclude": "log lost"}},
        settings={"decision": {"margin_K": 1.0, "reference_power_W": 105.0}},
    )

    comparison = analyse(folder).comparison

    assert comparison.reference_power_W == 105.0
    assert "common" in comparison.method
    lo, hi = comparison.treatments[0].simultaneous_interval_K
    assert lo < campaign.difference_K["paste-c"][-1] < hi


def test_a_mount_without_its_log_is_left_out_as_if_excluded_and_the_others_are_reported(tmp_path):
    campaign = simulate()
    folder = write_campaign(tmp_path / "b", campaign)
    lines = [line for line in load_campaign(folder).runs if (line.treatment, line.mount) == ("paste-c", "3")]
    sheet = {line.run: {"exclude": "not made yet"} for line in lines}
    excluded = analyse(write_campaign(tmp_path / "a", campaign, sheet=sheet))
    (folder / lines[0].log).unlink()

    found = analyse(folder)

    runs = [run for run in found.runs if run.run in sheet]
    assert [(run.used, run.reason, run.rise_K) for run in runs] == [(False, "not made yet", None)] * len(lines)
    assert list(found.runs[-len(lines) :]) == runs
    difference_K = excluded.comparison.treatments[0].difference_K
    assert found.comparison.treatments[0].difference_K == pytest.approx(difference_K, rel=1e-12)
    missing = f"runs.csv:{', '.join(str(line.line) for line in lines)} (log) '{lines[0].log}'"
    named = [text for text in found.cautions if missing in text]
    assert len(named) == 1
    assert named[0] in check(folder).cautions


def test_one_mount_each_has_a_difference_and_nothing_more(tmp_path):
    analysis = analyse(write_campaign(tmp_path, simulate(n_mounts=1)))

    item = analysis.comparison.treatments[0]
    assert item.verdict == "not replicated"
    assert item.difference_K == pytest.approx(-4.0, abs=1.5)
    assert item.interval_K is item.simultaneous_interval_K is item.equivalence_interval_K is item.p_value is None
    assert any("mount" in caution for caution in analysis.cautions)


def test_room_file_that_covers_no_run_is_bad_input(tmp_path):
    folder = write_campaign(tmp_path, simulate(n_mounts=2), dialect=LogDialect(room="own file"))
    text = (folder / "campaign.yaml").read_text(encoding="utf-8")
    assert "clock_offset_s" in text
    lines = ["  clock_offset_s: 900000" if "clock_offset_s" in line else line for line in text.splitlines()]
    (folder / "campaign.yaml").write_text("\n".join(lines) + "\n", encoding="utf-8")

    with pytest.raises(InputError, match="no reading of the room during any run"):
        analyse(folder)


def test_runs_outside_the_room_file_are_out_with_a_hint_and_the_others_stand(tmp_path):
    folder = write_campaign(tmp_path, simulate(n_mounts=2), dialect=LogDialect(room="own file"))
    whole = analyse(folder)
    room = folder / "logs" / "room.csv"
    lines = room.read_text(encoding="utf-8").splitlines()
    room.write_text("\n".join(lines[: len(lines) // 2]) + "\n", encoding="utf-8")

    runs = analyse(folder).runs

    bare = [run for run in runs if run.ambient_C is None]
    assert 0 < len(bare) < len(runs)
    for run in bare:
        gap = next(flag for flag in run.flags if flag.flag == "gap")
        assert gap.severity == "unusable"
        assert "clock_offset_s" in gap.reason
        assert run.rise_K is None
        assert not run.used
    for run, before in zip(runs, whole.runs, strict=True):
        if run.used:
            assert run.rise_K == pytest.approx(before.rise_K, abs=0.5)


def test_a_room_no_workshop_has_is_asked_about(tmp_path, clean, found):
    assert not any("unit and the column of the room" in caution for caution in found.cautions)
    folder = write_campaign(tmp_path, simulate(n_mounts=2, room=SimulatedRoom(mean_C=71.0)))
    assert any("unit and the column of the room" in caution for caution in analyse(folder).cautions)


def test_power_off_the_set_power_is_corrected(tmp_path):
    sensors = SimulatedSensors(power_deviation_percent=1.5)
    campaign = simulate(sensors=sensors, seed=3)

    analysis = analyse(write_campaign(tmp_path, campaign))

    errors = [run.rise_K - mount_truth(campaign, run) for run in analysis.runs if run.rise_K is not None]
    assert np.std(errors) < 0.25  # 1.5 % of power alone would be 0.6 K at 105 W
    assert abs(np.mean(errors)) < 0.2


def mount_truth(campaign, run):
    mount = next(m for m in campaign.mounts if (m.treatment, str(m.mount)) == (run.treatment, run.mount))
    return mount.ladder.runs[campaign.steps_W.index(run.set_power_W)].truth.settled_rise_K


def test_order_is_that_of_the_sheet_where_clocks_cannot_be_compared(clean):

    campaign = load_campaign(clean[0])
    traces = read_campaign_logs(campaign).traces
    elapsed = [replace(trace, clock="elapsed") for trace in traces]

    assert [line.run for line, _ in order_made(campaign.runs, elapsed)] == [line.run for line in campaign.runs]


def test_the_analysis_never_changes_with_the_order_of_the_sheet(clean, found, tmp_path):
    import shutil

    folder = shutil.copytree(clean[0], tmp_path / "copy")
    header, *rows = (folder / "runs.csv").read_text(encoding="utf-8").splitlines()
    (folder / "runs.csv").write_text("\n".join([header, *reversed(rows)]) + "\n", encoding="utf-8")

    again = analyse(folder)

    assert [run.run for run in again.runs] == [run.run for run in found.runs]
    assert again.comparison.treatments[0].difference_K == pytest.approx(
        found.comparison.treatments[0].difference_K, abs=1e-9
    )


def test_difference_with_runs_put_back_is_at_the_same_power(tmp_path):
    """Without a declared reference the highest common step would move with the runs put back."""
    folder = write_campaign(tmp_path, simulate(), sheet={"paste-c-1-105W": {"exclude": "probe fell off"}})

    comparison = analyse(folder).comparison

    assert comparison.reference_power_W == 80.0
    item = comparison.treatments[0]
    # The run left out is not at this step, so putting it back changes nothing there.
    assert item.without_exclusions_K == pytest.approx(item.difference_K, abs=1e-9)


def test_runs_that_all_shed_power_are_still_observations(tmp_path):
    campaign = simulate(passive_bench(limit_C=60.0), steps=(110.0, 120.0), n_mounts=2, limit_room_C=22.0)
    folder = write_campaign(tmp_path, campaign, settings={"limits": {"temperature_C": 60, "room_C": 22}})

    analysis = analyse(folder)

    assert analysis.comparison is None
    assert all(item.throttle_power_W is None for item in analysis.throttle.treatments)
    assert all(item.observed for item in analysis.throttle.treatments)
    assert any("No run can be used" in caution for caution in analysis.cautions)


def test_treatments_that_settle_at_different_speeds_are_told(tmp_path):
    """Each treatment is a heat sink of its own: 8 and 16 min."""
    made = [
        simulate(passive_bench(time_constant_min=minutes), seed=6, steps=(40.0, 70.0, 105.0), n_mounts=2, soak_min=45.0)
        for minutes in (8.0, 16.0)
    ]
    pairs = zip(made, (GREASE, PASTE), strict=True)
    mounts = [mount for campaign, own in pairs for mount in campaign.mounts if mount.treatment == own.name]
    write_campaign(tmp_path / "sinks", replace(made[0], mounts=tuple(mounts)), dialect=LogDialect(time="s"))

    found = [text for text in analyse(tmp_path / "sinks").cautions if "settle at different speeds" in text]
    assert len(found) == 1
    assert "grease-a" in found[0]
    assert "paste-c" in found[0]


@pytest.mark.parametrize(
    ("days", "written", "told"),
    [
        (("2026-04-01", "2026-04-02", "2026-04-03"), "%Y-%d-%m %H:%M:%S", True),
        (("2026-04-01", "2026-04-02", "2026-04-03"), "%Y-%m-%d %H:%M:%S", False),
        (("2026-04-11", "2026-04-12", "2026-04-13"), "%Y-%m-%d %H:%M:%S", False),
        (("2026-04-01", "2026-06-02", "2026-08-03"), "%Y-%m-%d %H:%M:%S", False),
    ],
)
def test_day_and_month_that_may_be_exchanged_are_asked_about(days, written, told):
    read = [datetime.strptime(f"{day} 09:00:00", written).replace(tzinfo=UTC) for day in days]
    runs = tuple(ReducedRun(run=f"r{i}", treatment="a", mount=f"{i}", set_power_W=90.0, start=at.isoformat())
                 for i, at in enumerate(read))  # fmt: skip
    campaign = SimpleNamespace(settings=SimpleNamespace(log=SimpleNamespace(time=SimpleNamespace(format=written))))
    assert bool(list(_days_exchanged(campaign, SimpleNamespace(runs=runs)))) == told
