"""A first look at logs: what it tells, and that what it proposes can be read as it stands."""

import json
import random
import shutil
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from demo_copies import demo_campaign, sheet_rows, small_copy, whole_logs

from thermlab.base.errors import InputError
from thermlab.campaign.folder import load_campaign
from thermlab.cli import main
from thermlab.compare.analysis import analyse
from thermlab.first_look import pages as first_look_pages
from thermlab.first_look.guesses import NotALogError, fitting_formats, guess_text, guess_time, unit_of
from thermlab.first_look.look import find_steps, look, look_at_file, mark_idle, set_powers
from thermlab.first_look.proposals import propose, start_from_logs, write_proposal
from thermlab.reports.pictures import Picture
from thermlab.runs.reading import check, read_campaign_logs
from thermlab.simulate.ladders import SimulatedTreatment, simulate_campaign
from thermlab.simulate.logs import DIALECTS, LogDialect, write_campaign, write_logs
from thermlab.simulate.network import passive_bench
from thermlab.simulate.readings import SimulatedRoom

STEPS_W = (40.0, 70.0, 100.0)


@pytest.fixture(scope="module")
def simulated():
    return simulate_campaign(
        passive_bench(),
        [SimulatedTreatment(name=name, resistance_K_per_W=0.12) for name in ("grease-a", "pad-b")],
        steps_W=STEPS_W,
        rng=np.random.default_rng(3),
        n_mounts=2,
        soak_min=15.0,
        room=SimulatedRoom(drift_K_per_h=1.0, sine_K=0.3),
        interval_s=5.0,
        start=datetime(2026, 3, 14, 8, 0),  # noqa: DTZ001  a bench clock without zone
    )


def read_back(folder):
    """Load the campaign of a folder and cut its logs into runs, as every command does."""
    campaign = load_campaign(folder)
    return campaign, read_campaign_logs(campaign)


@pytest.mark.parametrize("name", DIALECTS)
def test_a_proposal_reads_every_dialect_as_it_stands(simulated, tmp_path, name):
    dialect = DIALECTS[name]
    truth = read_back(write_campaign(tmp_path / "written", simulated, dialect=dialect))
    write_logs(tmp_path / "logs-only", simulated, dialect=dialect)

    found = look(tmp_path / "logs-only")
    write_proposal(propose(found))
    campaign, readings = read_back(tmp_path / "logs-only")

    log, written = campaign.settings.log, truth[0].settings.log
    assert (log.delimiter, log.decimal) == (written.delimiter, written.decimal)
    assert log.encoding == written.encoding.replace("-sig", "")
    assert (log.time.columns, log.time.unit) == (written.time.columns, written.time.unit)
    assert log.time.format == written.time.format
    assert (log.temperature.unit, log.power) == (written.temperature.unit, written.power)
    assert log.clock == written.clock
    assert len(log.temperature.columns) == len(truth[1].traces[0].sensors)
    assert (log.ambient is None) == (written.ambient is None)
    assert (campaign.settings.ambient_log is None) == (truth[0].settings.ambient_log is None)
    assert sorted(run.set_power_W for run in campaign.runs) == sorted(run.set_power_W for run in truth[0].runs)
    # The same readings: every proposed run ends where the true one does and holds its soak.
    ends = sorted((trace.set_power_W, trace.temperature_C[-1].tolist()) for trace in readings.traces)
    assert ends == sorted((trace.set_power_W, trace.temperature_C[-1].tolist()) for trace in truth[1].traces)
    assert all(trace.soak_s >= 14.8 * 60 for trace in readings.traces)


def test_what_stands_around_the_rows_is_looked_through(simulated, tmp_path):
    """Lines before the header, a row of units, a delimiter at the end of each row, a column of text, missing cells."""
    write_logs(tmp_path, simulated)
    for path in (tmp_path / "logs").iterdir():
        head, *rows = path.read_text(encoding="utf-8").splitlines()
        units = ",".join(name.partition("[")[2].rstrip("]") for name in head.split(","))
        rows = [row.replace(",4200,", ",OL,") if i % 100 == 0 else row for i, row in enumerate(rows)]
        around = ["logger 7", "rate: 1 s", f"{head},state", f"{units},,", *(f"{row},ok," for row in rows)]
        path.write_text("\n".join(around), encoding="utf-8")

    found = look(tmp_path)
    write_proposal(propose(found))
    campaign, _ = read_back(tmp_path)

    assert {(log.text.header_line, log.text.units[1]) for log in found.logs} == {(3, "degC")}
    assert campaign.settings.log.missing == ("OL",)
    assert len(campaign.runs) == 12


def test_the_proposal_for_the_demo_passes_check_with_the_names_of_its_files(tmp_path):
    whole_logs(tmp_path, every=5)

    proposed = propose(look(tmp_path / "logs"))
    written = write_proposal(proposed)
    report = check(tmp_path)

    assert [path.name for path in written] == ["campaign.yaml", "runs.csv"]
    assert len(report.runs) == 45
    rows = sheet_rows(tmp_path)
    steps = {m.treatment + str(m.mount) for m in demo_campaign().mounts}
    assert {row["treatment"] + row["mount"] for row in rows} == steps
    assert {float(row["set_power_W"]) for row in rows} == set(demo_campaign().steps_W)
    assert sum("shed at the limit?" in row["note"] for row in rows) == 1
    assert sum("pre-soak" in row["note"] for row in rows) == 9


def test_every_guess_is_marked(tmp_path):
    whole_logs(tmp_path, every=20)

    proposed = propose(look(tmp_path))

    lines = proposed.campaign_yaml.splitlines()
    for key in ("cooling", "baseline", "treatments", "  minutes", "log", "  encoding", "  temperature_resolution_K"):
        assert "GUESS" in next(line for line in lines if line.startswith(f"{key}:"))
    for key in ("time", "temperature", "power", "clock", "ambient"):
        at = next(i for i, line in enumerate(lines) if line.startswith(f"  {key}:"))
        assert "# GUESS" in lines[at - 1]
    assert all("GUESS" in row for row in proposed.runs_csv.splitlines()[1:])


def test_looking_and_proposing_write_nothing_and_writing_never_overwrites(tmp_path):
    logs = whole_logs(tmp_path, every=20)
    before = sorted(tmp_path.rglob("*"))

    proposed = propose(look(logs))
    assert write_proposal(proposed, write=False) == ()
    assert sorted(tmp_path.rglob("*")) == before
    (tmp_path / "runs.csv").write_text("mine", encoding="utf-8")

    with pytest.raises(InputError, match=r"runs\.csv: found a file that is there already"):
        write_proposal(proposed)
    assert (tmp_path / "runs.csv").read_text(encoding="utf-8") == "mine"
    assert not (tmp_path / "campaign.yaml").exists()


def test_a_log_written_in_another_way_than_the_others_is_named_and_left_out(simulated, tmp_path):
    write_logs(tmp_path, simulated)
    write_logs(tmp_path / "other", simulated, dialect=LogDialect(delimiter=";", decimal=","))
    shutil.copy(tmp_path / "other" / "logs" / "pad-b-2.csv", tmp_path / "logs" / "pad-b-3.csv")
    (tmp_path / "logs" / "notes.txt").write_text("Bench moved on Tuesday.\nDoor closed.\n", encoding="utf-8")
    shutil.rmtree(tmp_path / "other")

    found = look(tmp_path)
    proposed = propose(found)

    assert [log.name for log in found.odd_logs] == ["logs/pad-b-3.csv"]
    assert "logs/pad-b-3.csv" in proposed.campaign_yaml
    assert "pad-b-3" not in proposed.runs_csv
    assert {log.name: log.kind for log in found.logs}["logs/notes.txt"] == "other"
    write_proposal(proposed)
    assert len(read_back(tmp_path)[0].runs) == 12


def test_names_that_tell_nothing_become_placeholders(simulated, tmp_path):
    write_logs(tmp_path, simulated)
    for place, path in enumerate(sorted((tmp_path / "logs").iterdir())):
        path.rename(path.with_name(f"log_{place:02d}.csv"))

    write_proposal(propose(look(tmp_path)))
    campaign, _ = read_back(tmp_path)

    assert {(run.treatment, run.mount) for run in campaign.runs} == {("treatment-1", str(n)) for n in (1, 2, 3, 4)}


def test_without_a_room_the_constant_is_a_marked_guess(simulated, tmp_path):
    write_logs(tmp_path, simulated, dialect=LogDialect(room="constant"))

    proposed = propose(look(tmp_path))

    lines = proposed.campaign_yaml.splitlines()
    at = lines.index("ambient_constant: {value_C: 22.0, u_K: 3.0}")
    assert "GUESS" in lines[at - 1]


def test_a_room_file_on_another_clock_is_not_taken_and_the_proposal_still_holds(simulated, tmp_path):
    write_logs(tmp_path, simulated, dialect=LogDialect(room="constant"))
    rows = [f"{60 * i},{22 + i % 3 / 10:.1f}" for i in range(300)]
    (tmp_path / "room.csv").write_text("\n".join(["t [s],room [degC]", *rows]), encoding="utf-8")

    proposed = propose(look(tmp_path))
    write_proposal(proposed)

    assert "ambient_constant: {value_C: 22.0, u_K: 3.0}" in proposed.campaign_yaml
    assert len(read_back(tmp_path)[0].runs) == 12


def test_columns_without_telling_names_or_units_are_not_guessed(simulated, tmp_path):
    write_logs(tmp_path, simulated)
    for path in (tmp_path / "logs").iterdir():
        head, rest = path.read_text(encoding="utf-8").split("\n", 1)
        names = [f"ch{i}" for i in range(head.count(",") + 1)]
        path.write_text(",".join(names) + "\n" + rest, encoding="utf-8")

    log = look(tmp_path).logs[0]

    assert [column.content for column in log.columns[:3]] == ["time", "number", "number"]
    assert log.doubts == ("no column that looks like a temperature",)


def test_the_coolest_temperature_that_hardly_moves_is_the_room(simulated, tmp_path):
    write_logs(tmp_path, simulated)
    for path in (tmp_path / "logs").iterdir():
        path.write_text(path.read_text(encoding="utf-8").replace("room [degC]", "T5 [degC]"), encoding="utf-8")

    assert {column.name: column.content for column in look(tmp_path).logs[0].columns}["T5 [degC]"] == "room"


def test_a_room_that_jumps_between_days_is_not_taken_for_power(tmp_path):
    times = [(day, minute) for day in range(5) for minute in range(60)]
    rows = [f"{9 + d:02d}.03.2026;08:{m:02d};{20 + d * 0.4 + m % 2 * 0.01:.2f}" for d, m in times]
    (tmp_path / "room.csv").write_text("\n".join(["Datum;Zeit;Raumfühler", *rows]), encoding="cp1252")
    found = look_at_file(tmp_path / "room.csv", name="room.csv")
    assert found.kind == "room log"


def test_set_power_beside_measured_power_and_margins_beside_temperatures(tmp_path):
    time = np.arange(0, 900)
    level = np.where(time < 90, 0, np.where(time < 480, 200, 350))
    rows = [
        f"{t},{p},{30 + p / 20:.0f},{p + 41.3:.2f},{p * 1.02 + 50:.2f},{60 - p / 20:.0f},0"
        for t, p in zip(time, level, strict=True)
    ]
    head = "t [s],set power [W],die [degC],power 1 s mean [W],power instant [W],margin to limit [K],limiter on"
    (tmp_path / "one.csv").write_text("\n".join([head, *rows]), encoding="utf-8")

    found = look(tmp_path)
    log = found.logs[0]

    told = {column.name: column.content for column in log.columns}
    assert told["set power [W]"] == "set power"
    assert told["margin to limit [K]"] == "number"
    assert log.settings.power.columns == ("power 1 s mean [W]",)
    assert [(step.power_W, step.idle) for step in log.steps] == [(0.0, True), (200.0, False), (350.0, False)]
    write_proposal(propose(found))
    assert [run.set_power_W for run in read_back(tmp_path)[0].runs] == [200.0, 350.0]


def test_steps_are_found_where_they_are():
    rng = np.random.default_rng(1)
    time = np.arange(0.0, 7200.0, 2.0)
    power = np.select([time < 600, time < 3000, time < 5000], [8.0, 60.0, 90.0], 120.0)
    power = power * np.where((time > 600) & (time < 625), 1.06, 1.0) + rng.normal(0.0, 0.3, time.size)
    sagging = np.where(time > 6000, power * (1 - 0.08 * (1 - np.exp(-(time - 6000) / 400))), power)
    sagging[700:705] = 0.0  # a drop of ten seconds is no step
    sagging[100] = np.nan

    (steps,) = mark_idle([find_steps(time, sagging)])

    assert [step.idle for step in steps] == [True, False, False, False]
    assert [step.start_s for step in steps] == pytest.approx([0.0, 600.0, 3000.0, 5000.0], abs=2.0)
    assert [step.end_s for step in steps] == pytest.approx([598.0, 2998.0, 4998.0, 7198.0], abs=2.0)
    assert [step.power_W for step in steps] == pytest.approx([8.0, 60.0, 90.0, 120.0], abs=0.5)
    assert steps[-1].end_power_W == pytest.approx(120 * 0.92, abs=1.0)


def test_a_hole_in_the_log_ends_a_step():
    time = np.r_[np.arange(0.0, 1200.0, 2.0), np.arange(9000.0, 10200.0, 2.0)]

    steps = find_steps(time, np.full(time.size, 50.0))

    assert [(step.start_s, step.end_s) for step in steps] == [(0.0, 1198.0), (9000.0, 10198.0)]


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        (["2026-03-02 08:30:00"], "%Y-%m-%d %H:%M:%S"),
        (["2026-03-02T08:30:00.5", "2026-03-02T08:30:01"], "%Y-%m-%dT%H:%M:%S"),
        (["2026-03-02T08:30:00+02:00"], "%Y-%m-%dT%H:%M:%S%z"),
        (["02.03.2026 08:30"], "%d.%m.%Y %H:%M"),
        (["2/3/2026 08:30:00", "14/3/2026 08:30:00"], "%d/%m/%Y %H:%M:%S"),
        (["3/2/2026 8:30:00 AM", "3/2/2026 1:30:00 PM"], "%m/%d/%Y %I:%M:%S %p"),
        (["08:30:00", "23:59:59"], "%H:%M:%S"),
        (["05-Mar-2026 08:30:00"], "%d-%b-%Y %H:%M:%S"),
        (["20260302T083000"], "%Y%m%dT%H%M%S"),
    ],
)
def test_time_formats(cells, expected):
    assert fitting_formats(cells)[0] == expected


def test_days_and_months_that_could_be_exchanged_are_told():
    cells = ["05/03/2026 23:59:58", "05/03/2026 23:59:59"]
    found = guess_time(["when"], [cells], ".")

    assert found.format == "%d/%m/%Y %H:%M:%S"
    assert found.others == ("%m/%d/%Y %H:%M:%S",)
    assert not found.sure


@pytest.mark.parametrize("order", [("day", "clock"), ("clock", "day"), ("clock", "power", "day")])
@pytest.mark.parametrize(
    ("times", "form"), [(["08:30:00", "08:30:02"], "%H:%M:%S"), (["8:30:00 AM", "8:30:02 AM"], "%I:%M:%S %p")]
)
def test_date_and_time_are_one_in_either_order(order, times, form):
    columns = {"day": ["2026-03-14"] * 2, "clock": times, "power": ["12.5", "12.6"]}

    found = guess_time(order, [columns[name] for name in order], ".")

    assert (found.columns, found.format) == (("day", "clock"), f"%Y-%m-%d {form}")


def test_of_two_dates_the_one_beside_the_time_counts():
    cells = {"day": ["2026-03-14"] * 2, "clock": ["08:30:00", "08:30:02"], "power": ["12.5"] * 2}
    cells["calibrated"] = ["2025-11-02"] * 2

    for order in (["day", "clock", "power", "calibrated"], ["calibrated", "power", "clock", "day"]):
        assert guess_time(order, [cells[name] for name in order], ".").columns == ("day", "clock")


def test_a_whole_time_counts_before_a_time_of_day_beside_it():
    found = guess_time(["clock", "stamp"], [["08:30:00", "08:30:02"], ["2026-03-14 08:30:00"] * 2], ".")

    assert (found.columns, found.format) == (("stamp",), "%Y-%m-%d %H:%M:%S")


def test_dates_that_only_run_forward_one_way_settle_it():
    cells = ["05/03/2026 23:59:58", "05/04/2026 00:00:02"]  # two seconds beyond midnight, or a month

    assert fitting_formats(["12/03/2026 23:59:00", "01/04/2026 00:01:00"])[0] == "%d/%m/%Y %H:%M:%S"
    assert set(fitting_formats(cells)) >= {"%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S"}


@pytest.mark.parametrize(
    ("name", "step", "n", "unit"),
    [
        ("t", 1.0, 500, "s"), ("t", 0.1, 9000, "s"), ("t", 5 / 60, 900, "min"), ("t", 1 / 3600, 4000, "h"),
        ("t", 1000, 900, "ms"), ("elapsed [min]", 1.0, 900, "min"),
    ],
)  # fmt: skip
def test_the_unit_of_elapsed_time_is_guessed_from_its_name_or_its_steps(name, step, n, unit):
    found = guess_time([name], [[f"{step * i:.6f}" for i in range(n)]], ".")

    assert found.unit == unit
    assert found.sure == ("[" in name)


def test_a_last_line_that_was_cut_off_does_not_hide_the_time(simulated, tmp_path):
    write_logs(tmp_path, simulated)
    for path in (tmp_path / "logs").iterdir():
        path.write_bytes(path.read_bytes()[:-45])

    found = look(tmp_path)

    assert [len(log.steps) for log in found.sensor_logs] == [4] * 4
    assert all(log.time.format == "%Y-%m-%d %H:%M:%S" for log in found.sensor_logs)


@pytest.mark.parametrize(
    "raw", [b"a," * 200_000 + b"\n" + b"1,2\n" * 9, (b"c," * 3000 + b"\n") * 9, b"1,2\n" + b'"' * 9**6]
)
def test_endless_lines_are_not_looked_at(raw):
    with pytest.raises(NotALogError):
        guess_text(raw)


def test_damaged_logs_never_raise(simulated, tmp_path):
    write_logs(tmp_path, simulated)
    base = (tmp_path / "logs" / "pad-b-1.csv").read_bytes()
    shutil.rmtree(tmp_path / "logs")
    rng = random.Random(2)
    odd = [
        b'"',
        b"\n",
        b",",
        b";;;",
        b"\0" * 5,
        b"\r",
        b"nan",
        b"1e999",
        b"\xef\xbb\xbf",
        b"9" * 30,
        b"\t" * 50,
        b"\xff",
    ]
    for _ in range(60):
        raw = bytearray(base[: rng.randrange(200, 9000)])
        for _ in range(rng.randrange(1, 20)):
            at = rng.randrange(len(raw))
            raw[at:at] = rng.choice(odd)
        (tmp_path / "odd.csv").write_bytes(raw)

        found = next(log for log in look(tmp_path).logs if log.name == "odd.csv")

        assert found.log is not None or found.doubts


def test_a_counter_is_not_taken_for_time():
    count = [str(i) for i in range(50)]
    elapsed = [f"{2.5 * i:.1f}" for i in range(50)]

    assert guess_time(["no", "t"], [count, elapsed], ".").columns == ("t",)
    assert guess_time(["sample"], [count], ".") is None


def test_names_may_stand_over_a_line_of_numbers_and_a_line_of_units():
    head = "time,core,core,power,room\n,1,2,,\n-,degC,degC,W,degC\n"
    rows = "".join(f"2031-03-02 08:30:{s:02d},27.{s % 10},28.0,7.9{s % 10},21.6\n" for s in range(60))

    text = guess_text((head + rows).encode())

    assert text.names == ("time", "core#1", "core#2", "power", "room")
    assert text.units == ("-", "degC", "degC", "W", "degC")
    assert text.header_line == 1


@pytest.mark.parametrize(
    ("name", "below", "unit"),
    [
        ("core 1 [degC]", "", "degC"),
        ("T (°C)", "", "degC"),
        ("heater_W", "", "W"),
        ("channel C", "", ""),
        ("p", "mW", "mW"),
        ("clock MHz", "", "MHz"),
        ("die temp", "°F", "degF"),
    ],
)
def test_units_are_told_from_names_and_the_line_below(name, below, unit):
    assert unit_of(name, below) == unit


@pytest.mark.parametrize(
    ("levels", "meant"),
    [
        ([44.7, 64.6, 84.4], [45.0, 65.0, 85.0]),  # a meter that reads 0.7 % low
        ([45.02, 24.99, 105.1], [45.0, 25.0, 105.0]),
        ([25.0, 62.4, 87.6], [25.0, 62.5, 87.5]),
        ([23.9, 48.0, 101.1], [24.0, 48.0, 101.0]),
        ([100.0, 101.0, 102.0], [100.0, 101.0, 102.0]),
        ([7.53], [7.5]),
        ([7.53, 90.02], [7.5, 90.0]),
    ],
)
def test_set_powers_are_what_all_of_them_together_were_probably_meant_to_be(levels, meant):
    assert set_powers(levels) == meant


def test_low_steps_that_are_held_as_long_as_the_others_are_steps_and_idle_is_not():
    time = np.arange(0.0, 13800.0, 2.0)
    power = np.select(
        [time < 600, time < 3000, time < 5400, time < 5700, time < 8100], [25.0, 25.0, 60.0, 20.0, 90.0], 125.0
    )
    power = np.where(time < 600, 8.0, power)

    (steps,) = mark_idle([find_steps(time, power)])

    assert [(step.power_W, step.idle) for step in steps] == [
        (8.0, True), (25.0, False), (60.0, False), (20.0, True), (90.0, False), (125.0, False),
    ]  # fmt: skip


@pytest.mark.parametrize(
    "raw", [b"", b"one line", b"\0\0\0\0", b"a,b\nc,d\ne,f\n", bytes(range(256)) * 20, b"1,2\n" * 50]
)
def test_what_is_no_log_is_told_so(raw):
    with pytest.raises(NotALogError):
        guess_text(raw)


def test_a_folder_without_logs_is_refused(tmp_path):
    with pytest.raises(InputError, match="no file that could be a log"):
        look(tmp_path)
    with pytest.raises(InputError, match="no folder of this name"):
        look(tmp_path / "missing")


def test_logs_without_power_are_refused_with_the_reason(tmp_path):
    rows = [f"{t},{20 + t / 100:.2f}" for t in range(200)]
    (tmp_path / "room.csv").write_text("\n".join(["t [s],room [degC]", *rows]), encoding="utf-8")

    found = look(tmp_path)

    assert found.logs[0].kind == "room log"
    with pytest.raises(InputError, match="no log with time, temperature, power and a load step"):
        propose(found)


def test_pages_and_pictures(simulated, tmp_path):
    write_logs(tmp_path, simulated)
    found = look(tmp_path)

    assert "unit degC" in first_look_pages.columns(found, "logs/pad-b-1.csv").html
    assert first_look_pages.files(found).html.count("sensor log") == 4
    for picture in (first_look_pages.load_steps(found), first_look_pages.channels(found)):
        assert isinstance(picture, Picture)
        assert len(picture.png()) > 5000
    assert "40 W for" in first_look_pages.load_steps(found).alt


def test_names_from_files_are_escaped_and_quoted(simulated, tmp_path):
    write_logs(tmp_path, simulated)
    payload = '<img src=x onerror=alert(1)> "quoted" \\ # & \' [K]'
    for path in (tmp_path / "logs").iterdir():
        text = path.read_text(encoding="utf-8")
        head, rest = text.split("\n", 1)
        names = head.split(",")
        names[1] = '"' + payload.replace('"', '""').replace("[K]", "[degC]") + '"'
        path.write_text(",".join(names) + "\n" + rest, encoding="utf-8")

    found = look(tmp_path)
    proposed = propose(found)

    for page in (first_look_pages.files(found), first_look_pages.columns(found), first_look_pages.proposal(proposed)):
        assert "<img" not in page.html
    write_proposal(proposed)
    campaign, _ = read_back(tmp_path)
    assert payload.replace("[K]", "[degC]") in campaign.settings.log.temperature.columns


def test_the_recorded_log_is_read_and_cut(tmp_path):
    source = next((Path(__file__).parents[1] / "data").rglob("block_a1.csv"), None)
    if source is None:
        pytest.skip("the recorded log is not in tests/data")
    shutil.copy(source, tmp_path)

    found = look(tmp_path)
    write_proposal(propose(found))
    campaign, _ = read_back(tmp_path)

    assert [run.set_power_W for run in campaign.runs] == [400.0, 200.0, 300.0, 600.0, 500.0]
    assert campaign.settings.cooling == "forced"


def test_a_campaign_is_started_from_logs_elsewhere_in_the_terminal(tmp_path):
    logs = whole_logs(tmp_path / "bench", every=5)
    before = {path.name: path.read_bytes() for path in logs.iterdir()}

    done = CliRunner().invoke(main, ["new", str(tmp_path / "c"), "--logs", str(logs)])

    assert done.exit_code == 0, done.output
    assert "9 sensor logs that can be read, 45 load steps" in done.output
    assert "GUESS" in done.output
    assert {path.name: path.read_bytes() for path in logs.iterdir()} == before
    assert {path.name: path.read_bytes() for path in (tmp_path / "c/logs").iterdir()} == before
    assert len(load_campaign(tmp_path / "c").runs) == 45
    again = CliRunner().invoke(main, ["new", str(tmp_path / "c"), "--logs", str(logs)])
    assert again.exit_code == 2
    assert "there already" in again.output
    assert {path.name: path.read_bytes() for path in (tmp_path / "c/logs").iterdir()} == before


def test_nothing_is_written_where_a_log_would_be_overwritten_or_two_have_one_name(tmp_path):
    logs = whole_logs(tmp_path / "bench", every=20)
    one = min(logs.iterdir())
    (tmp_path / "c/logs").mkdir(parents=True)
    (tmp_path / "c/logs" / one.name).write_text("mine", encoding="utf-8")

    with pytest.raises(InputError, match=f"{one.name}: found a file that is there already"):
        start_from_logs(tmp_path / "c", logs)
    shutil.copy(one, logs.parent / one.name)
    with pytest.raises(InputError, match="two logs of one name"):
        start_from_logs(tmp_path / "d", logs.parent)

    assert [path.name for path in (tmp_path / "c").rglob("*")] == ["logs", one.name]
    assert (tmp_path / "c/logs" / one.name).read_text(encoding="utf-8") == "mine"
    assert not (tmp_path / "d").exists()


def test_columns_of_one_name_low_steps_and_odd_set_powers_come_through_to_the_report(tmp_path):
    """From logs to a report with nothing edited but what is marked: here the baseline and the descriptions."""
    treatments = [SimulatedTreatment(name=name, resistance_K_per_W=r) for name, r in (("a", 0.12), ("b", 0.2))]
    ladder = (18.0, 48.0, 101.0)
    simulated = simulate_campaign(
        passive_bench(), treatments, steps_W=ladder, rng=np.random.default_rng(3), n_mounts=2, interval_s=10.0
    )
    write_campaign(tmp_path / "truth", simulated)
    truth = analyse(tmp_path / "truth")
    logs = write_logs(tmp_path / "bench", simulated) and tmp_path / "bench/logs"
    for path in logs.iterdir():
        head, rest = path.read_text(encoding="utf-8").split("\n", 1)
        path.write_text(head.replace("core 2", "core 1") + "\n" + rest, encoding="utf-8")

    done = CliRunner().invoke(main, ["new", str(tmp_path / "c"), "--logs", str(logs)])

    assert done.exit_code == 0, done.output
    assert "told apart by their order in the file: 'core 1 [degC]#1', 'core 1 [degC]#2'" in done.output
    place = tmp_path / "c/campaign.yaml"
    text = place.read_text(encoding="utf-8")
    assert '"core 1 [degC]#1", "core 1 [degC]#2", "core 3 [degC]"' in text
    assert "# GUESS which of one name is which" in text
    place.write_text(text.replace('baseline: "a"', 'baseline: "b"'), encoding="utf-8")
    report = CliRunner().invoke(main, ["report", str(tmp_path / "c")])
    assert report.exit_code == 0, report.output
    found = json.loads((tmp_path / "c/report/results.json").read_text(encoding="utf-8"))
    assert {run["set_power_W"] for run in found["runs"] if run["used"]} == set(ladder)
    assert len([run for run in found["runs"] if run["used"]]) == 12
    assert found["comparison"]["reference_power_W"] == 101.0
    expected = truth.comparison.treatments[0]
    (told,) = found["comparison"]["treatments"]
    assert (told["treatment"], expected.treatment) == ("a", "b")
    assert told["difference_K"] == pytest.approx(-expected.difference_K, abs=0.05)


def test_idle_plateaus_that_are_left_out_are_told_in_the_terminal(tmp_path):
    time = np.arange(0, 4000, 2)
    power = np.where(time < 1200, 8.0, np.where(time < 2600, 60, 120))
    rows = [f"{t},{30 + p / 4:.1f},22.0,{p}" for t, p in zip(time, power, strict=True)]
    (tmp_path / "one.csv").write_text("\n".join(["t [s],die [degC],room [degC],power [W]", *rows]), encoding="utf-8")

    found = look(tmp_path)

    assert "one.csv: 2 load steps, idle at 8 W for 20 min" in propose(found).summary(found)


def test_a_campaign_is_started_where_its_logs_are(tmp_path):
    whole_logs(tmp_path / "c", every=5)

    done = CliRunner().invoke(main, ["new", str(tmp_path / "c"), "--logs", str(tmp_path / "c/logs")])

    assert done.exit_code == 0, done.output
    assert {path.name for path in (tmp_path / "c").iterdir()} == {"campaign.yaml", "runs.csv", "logs"}


def test_settings_of_a_bench_are_taken_from_another_campaign(tmp_path):
    other = small_copy(tmp_path / "demo")

    done = CliRunner().invoke(main, ["new", str(tmp_path / "c"), "--like", str(other / "campaign.yaml")])

    assert done.exit_code == 0, done.output
    text = (tmp_path / "c/campaign.yaml").read_text(encoding="utf-8")
    assert text.startswith("# Taken from demo: change title, baseline, treatments and prior.\n")
    assert text.partition("\n")[2] == (other / "campaign.yaml").read_text(encoding="utf-8")
    assert CliRunner().invoke(main, ["new", str(tmp_path / "d"), "--like", str(tmp_path)]).exit_code == 2
    assert not (tmp_path / "d").exists()
