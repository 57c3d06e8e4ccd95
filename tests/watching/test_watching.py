"""Watching a run under way: forecasts from part of a soak, alarms within two minutes, logs that grow as logs do."""

import csv
import json
import os
import shutil
from pathlib import Path

import numpy as np
import pytest
import yaml
from click.testing import CliRunner
from demo_copies import DEMO, whole_logs

from thermlab.base.errors import InputError
from thermlab.campaign.folder import load_campaign
from thermlab.cli import main
from thermlab.compare.analysis import analyse
from thermlab.logs.log import read_log
from thermlab.runs.reading import read_campaign_logs
from thermlab.runs.settled_runs import settle_runs
from thermlab.simulate.ladders import SimulatedTreatment, simulate_campaign
from thermlab.simulate.logs import write_campaign
from thermlab.simulate.network import passive_bench
from thermlab.simulate.readings import Disturbance, SimulatedRoom, SimulatedSensors
from thermlab.watching.engine import Tail, Watch

FINE = SimulatedSensors(noise_K=0.1, resolution_K=0.1)
REAL = Path(__file__).parents[1] / "data" / "real_bench"


def simulated(folder, planted=(), *, seed=1, step=1, steps_W=(80.0, 120.0), **settings):
    treatments = (SimulatedTreatment(name="a", resistance_K_per_W=0.15),)
    campaign = simulate_campaign(
        passive_bench(),
        treatments,
        steps_W=steps_W,
        rng=np.random.default_rng(seed),
        n_mounts=2,
        interval_s=2.0,
        room=SimulatedRoom(),
        disturbances={("a", 2, step): list(planted)} if planted else None,
        **settings,
    )
    return write_campaign(folder, campaign)


def cut_after(folder, run, minutes, *, keep_others=True):
    """Cut the log of a run so many minutes after its start; return the whole log's text."""
    campaign = load_campaign(folder)
    line = next(line for line in campaign.runs if line.run == run)
    path = folder / line.log
    text = path.read_text(encoding="utf-8")
    log = read_log(path, campaign.settings.log, name=line.log)
    start = Watch(folder, run)._starts_s(line)
    rows = int((log.raw_time_s <= start + 60.0 * minutes).sum())
    lines = text.splitlines(keepends=True)
    head = len(lines) - log.raw_time_s.size
    path.write_text("".join(lines[: head + rows]), encoding="utf-8")
    return text


def look_at(folder, run, minutes):
    text = cut_after(folder, run, minutes)
    found = Watch(folder, run, clock=lambda: 0.0).look()
    line = next(line for line in load_campaign(folder).runs if line.run == run)
    (folder / line.log).write_text(text, encoding="utf-8")
    return found


def settled(folder):
    campaign = load_campaign(folder)
    found = settle_runs(campaign, read_campaign_logs(campaign).traces)
    return {run.run: run for run in found.runs}, {
        trace.run: estimate.level_K for trace, estimate in zip(found.traces, found.bench.estimates, strict=True)
    }


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo") / "chart-table"
    folder.mkdir()
    for name in ("campaign.yaml", "runs.csv"):
        shutil.copy(DEMO / "chart-table" / name, folder / name)
    whole_logs(folder, every=5)
    return folder


def test_demo_runs_cut_at_60_percent_are_forecast_within_half_a_kelvin(demo):
    runs, levels = settled(demo)
    sound = [name for name, run in runs.items() if run.used and run.worst() != "doubtful" and run.held is None]
    assert len(sound) >= 40

    off = {name: look_at(demo, name, 24.0).settled_rise_K - levels[name] for name in sound[::3]}

    assert max(map(abs, off.values())) < 0.5, off


def test_recorded_runs_cut_at_60_percent_are_forecast_within_what_the_forecast_says_of_itself(tmp_path):
    """A minute of whole degrees does not carry half a kelvin for every run; the forecast must say so itself."""
    folder = shutil.copytree(REAL, tmp_path / "bench")
    runs, levels = settled(folder)

    off, u = {}, {}
    for name in (name for name, run in runs.items() if run.used):
        found = look_at(folder, name, 0.6 * runs[name].soak_min)
        off[name], u[name] = found.settled_rise_K - levels[name], found.u_K

    assert len(off) == 9
    assert np.median(np.abs(list(off.values()))) < 0.5
    assert all(abs(off[name]) < max(0.5, 2.5 * u[name]) for name in off), (off, u)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_simulated_run_cut_at_60_percent_is_forecast_within_half_a_kelvin(tmp_path, seed):
    folder = simulated(tmp_path / "c", seed=seed)
    _, levels = settled(folder)

    found = look_at(folder, "a-2-120W", 24.0)

    assert abs(found.settled_rise_K - levels["a-2-120W"]) < 0.5
    assert found.alarms == ()
    assert not found.finished


@pytest.mark.parametrize(
    ("fault", "flag"),
    [
        (Disturbance(kind="stuck", start_min=20.0, core=0), "sensor stuck"),
        (Disturbance(kind="airflow", start_min=24.0, size=1.5), "drift at constant power"),
        (Disturbance(kind="plume", start_min=20.0, size=0.1), "ambient"),
        (Disturbance(kind="power", start_min=20.0, size=0.9), "power off set"),
        (Disturbance(kind="gap", start_min=20.0, end_min=21.5), "gap"),
    ],
    ids=lambda value: getattr(value, "kind", value),
)
def test_fault_is_told_within_two_minutes(tmp_path, fault, flag):
    folder = simulated(tmp_path / "c", [fault], sensors=FINE)
    before = look_at(folder, "a-2-120W", fault.start_min - 0.1)
    after = look_at(folder, "a-2-120W", fault.start_min + 2.0)

    assert not [alarm for alarm in before.alarms if alarm.flag.startswith(flag)]
    assert [alarm for alarm in after.alarms if alarm.flag.startswith(flag)], after.alarms


def test_room_that_follows_the_power_from_the_start_is_told_within_two_minutes(tmp_path):
    folder = simulated(tmp_path / "c", [Disturbance(kind="plume", size=0.15)], step=0, presoak_min=0.0)

    found = look_at(folder, "a-2-80W", 2.0)

    assert [alarm.flag for alarm in found.alarms][:1] == ["ambient follows power"]


def test_dead_sensor_is_told(tmp_path):
    folder = simulated(tmp_path / "c")
    campaign = load_campaign(folder)
    cut_after(folder, "a-2-120W", 10.0)
    line = next(line for line in campaign.runs if line.run == "a-2-120W")
    path = folder / line.log
    head, *rows = path.read_text(encoding="utf-8").splitlines()
    place = next(i for i, name in enumerate(head.split(",")) if name.startswith("core"))
    dead = [",".join("0" if i == place else cell for i, cell in enumerate(row.split(","))) for row in rows[-60:]]
    path.write_text("\n".join([head, *rows[:-60], *dead]) + "\n", encoding="utf-8")

    found = Watch(folder, "a-2-120W").look()

    assert ("sensor stuck", "unusable") in [(alarm.flag, alarm.severity) for alarm in found.alarms]


def test_limit_ahead_is_told_with_its_minute(tmp_path):
    folder = simulated(tmp_path / "c", steps_W=(40.0, 120.0))
    _, levels = settled(folder)
    text = (folder / "campaign.yaml").read_text(encoding="utf-8")
    limit = levels["a-2-120W"] + 22.0 - 1.0
    told = yaml.safe_load(text) | {"limits": {"temperature_C": float(limit), "room_C": 30.0}}
    (folder / "campaign.yaml").write_text(yaml.safe_dump(told), encoding="utf-8")

    found = look_at(folder, "a-2-120W", 16.0)

    assert [alarm for alarm in found.alarms if "limit" in alarm.reason and "minute" in alarm.reason]


def growing(folder, run="a-2-120W"):
    campaign = load_campaign(folder)
    line = next(line for line in campaign.runs if line.run == run)
    return folder / line.log, (folder / line.log).read_text(encoding="utf-8").splitlines(keepends=True)


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_log_read_as_it_grows_is_the_log_read_at_once(tmp_path, line_end):
    folder = simulated(tmp_path / "c")
    path, lines = growing(folder)
    settings = load_campaign(folder).settings.log
    whole = read_log(path, settings, name="x")
    tail = Tail(path, settings, "x")
    path.write_text("", encoding="utf-8")
    assert tail.grow() is None
    lines = [line.replace("\n", line_end) for line in lines]
    path.write_text(lines[0], encoding="utf-8", newline="")
    assert tail.grow() is None
    text = "".join(lines)
    for end in (len(lines[0]) + 30, 5000, 5001, 60_007, len(text) - 3, len(text)):
        path.write_text(text[:end], encoding="utf-8", newline="")
        log = tail.grow()

    for name in ("time_s", "raw_time_s", "temperature_C", "power_W", "ambient_C"):
        np.testing.assert_array_equal(getattr(log, name), getattr(whole, name))


def test_cut_and_rotated_logs_are_read_again(tmp_path):
    folder = simulated(tmp_path / "c")
    path, lines = growing(folder)
    tail = Tail(path, load_campaign(folder).settings.log, "x")
    assert tail.grow().time_s.size == len(lines) - 1

    path.write_text("".join(lines[:500]), encoding="utf-8")
    assert tail.grow().time_s.size == 499
    path.write_text("".join([lines[0], *lines[600:]]), encoding="utf-8")
    assert tail.grow().time_s.size == len(lines) - 600


def test_bad_line_of_a_growing_log_is_named_by_its_own_number(tmp_path):
    folder = simulated(tmp_path / "c")
    path, lines = growing(folder)
    tail = Tail(path, load_campaign(folder).settings.log, "x")
    path.write_text("".join(lines[:500]), encoding="utf-8")
    tail.grow()
    path.write_text("".join([*lines[:500], "what is this\n", *lines[501:520]]), encoding="utf-8")

    with pytest.raises(InputError, match="x:501"):
        tail.grow()


def test_run_without_rows_yet_says_so(tmp_path):
    folder = simulated(tmp_path / "c")
    path, lines = growing(folder)
    path.write_text(lines[0], encoding="utf-8")

    found = Watch(folder, "a-2-120W").look()

    assert (found.soak_min, found.rise_K, found.ready) == (0.0, None, False)
    assert "no reading of this run yet" in found.summary()


def test_log_that_stopped_growing_is_told_unless_the_run_is_finished(tmp_path):
    folder = simulated(tmp_path / "c")
    late = lambda: (growing(folder)[0]).stat().st_mtime + 300.0  # noqa: E731
    done = Watch(folder, "a-2-120W", clock=late).look()
    cut_after(folder, "a-2-120W", 20.0)

    found = Watch(folder, "a-2-120W", clock=late).look()

    assert done.finished
    assert not [alarm for alarm in done.alarms if alarm.flag == "gap"]
    assert [alarm.reason for alarm in found.alarms if alarm.flag == "gap"] == ["The log has not grown for 5 min."]


def test_without_a_name_the_log_that_grew_last_is_watched(tmp_path):
    folder = simulated(tmp_path / "c")
    campaign = load_campaign(folder)
    line = next(line for line in campaign.runs if line.run == "a-1-80W")
    cut_after(folder, "a-1-80W", 12.0)
    os.utime(folder / line.log, (4e9, 4e9))

    found = Watch(folder).look()

    assert found.run == "a-1-80W"
    assert found.soak_min == pytest.approx(12.0, abs=0.2)


def test_fresh_bench_gets_a_forecast_from_the_run_itself_once_its_own_approach_shows(tmp_path):
    folder = simulated(tmp_path / "c", presoak_min=0.0, soak_min=75.0)
    _, levels = settled(folder)
    sheet = (folder / "runs.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    (folder / "runs.csv").write_text("".join(sheet[:2]), encoding="utf-8")

    early, found = look_at(folder, "a-1-80W", 20.0), look_at(folder, "a-1-80W", 70.0)

    assert early.settled_rise_K is None
    assert "at least 32 min" in early.no_forecast
    assert early.no_forecast in early.summary()
    assert found.no_forecast is None
    assert abs(found.settled_rise_K - levels["a-1-80W"]) < max(0.5, 2.5 * found.u_K)
    assert found.u_K > 0.1


@pytest.mark.parametrize("seed", range(20, 28))
def test_the_fast_start_of_a_run_is_not_taken_for_the_bench(tmp_path, seed):
    # The only finished run gives no time constant: die and spreader have followed after minutes, the sink has not.
    bench = passive_bench(sink_rise_K=46.0, at_power_W=125.0, time_constant_min=12.5, radiative_share=0.12)
    campaign = simulate_campaign(
        bench, (SimulatedTreatment(name="a", resistance_K_per_W=0.12),), steps_W=(65.0, 85.0, 105.0), n_mounts=1,
        rng=np.random.default_rng(seed), interval_s=5.0, soak_min=40.0, sensors=FINE,
    )  # fmt: skip
    folder = write_campaign(tmp_path / "c", campaign)
    truth = {run.set_power_W: run.truth.settled_rise_K for mount in campaign.mounts for run in mount.ladder.runs}

    for minutes in (3.0, 4.0, 6.0, 10.0):
        found = look_at(folder, "a-1-105W", minutes)
        assert not found.ready
        off_K = 0.0 if found.settled_rise_K is None else found.settled_rise_K - truth[105.0]
        assert abs(off_K) < max(0.5, 3.0 * (found.u_K or 0.0))


def test_a_run_becomes_ready(tmp_path):
    folder = simulated(tmp_path / "c", sensors=FINE, soak_min=50.0)

    looks = [look_at(folder, "a-2-120W", minutes) for minutes in (6.0, 14.0, 49.9)]

    assert not looks[0].ready
    assert looks[2].ready
    assert looks[1].minutes_to_sure >= looks[2].minutes_to_sure


def test_nothing_is_written_into_the_campaign(tmp_path):
    folder = simulated(tmp_path / "c")
    before = {path: (path.stat().st_mtime_ns, path.stat().st_size) for path in folder.rglob("*")}

    Watch(folder).look()

    assert {path: (path.stat().st_mtime_ns, path.stat().st_size) for path in folder.rglob("*")} == before


def test_command_prints_one_object_a_look_and_refuses_an_unknown_run(tmp_path):
    folder = simulated(tmp_path / "c")

    done = CliRunner().invoke(main, ["watch", str(folder), "a-2-120W", "--once", "--json"])
    words = CliRunner().invoke(main, ["watch", str(folder), "a-2-120W"])
    wrong = CliRunner().invoke(main, ["watch", str(folder), "a-9", "--once"])

    told = json.loads(done.output)
    assert done.exit_code == 0
    assert {"run", "soak_min", "rise_K", "settled_rise_K", "u_K", "left_K", "left_bound_K", "minutes_to_settle",
            "ready", "alarms"} <= told.keys()  # fmt: skip
    assert words.exit_code == 0
    assert "heading for" in words.output
    assert wrong.exit_code == 2
    assert wrong.stderr.startswith("RUN: found 'a-9'; allowed: a run of runs.csv")


def test_the_next_run_is_one_that_the_plan_marks_as_not_made(tmp_path):
    folder = simulated(tmp_path / "c")
    names = [line.run for line in load_campaign(folder).runs]
    sheet = folder / "runs.csv"
    rows = list(csv.DictReader(sheet.read_text(encoding="utf-8").splitlines()))
    rows[-1]["exclude"], rows[-2]["exclude"] = "not made yet", "spilt"
    with sheet.open("w", encoding="utf-8", newline="") as out:
        writer = csv.DictWriter(out, rows[0])
        writer.writeheader()
        writer.writerows(rows)

    assert Watch(folder).next_run(names[-3]) == names[-1]


def test_run_that_is_not_finished_is_left_out_of_the_answer(tmp_path):
    folder = simulated(tmp_path / "c")
    cut_after(folder, "a-2-120W", 30.0)

    runs = {run.run: run for run in analyse(folder).runs}

    assert (runs["a-2-120W"].used, runs["a-2-120W"].reason) == (False, "not finished")
    assert all(run.used for name, run in runs.items() if name != "a-2-120W")


def test_sound_runs_read_in_whole_degrees_raise_hardly_an_alarm(tmp_path):
    folder = simulated(tmp_path / "c", seed=7)

    looks = [look_at(folder, run, minutes) for run in ("a-1-80W", "a-2-120W") for minutes in range(2, 40, 4)]

    assert sum(any(alarm.severity != "note" for alarm in look.alarms) for look in looks) <= 1
