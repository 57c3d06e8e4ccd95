"""A campaign folder as a whole."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from thermlab.base.errors import InputError, Problem
from thermlab.campaign.folder import load_campaign
from thermlab.logs.log import read_log
from thermlab.runs.reading import check

YAML = """\
title: Grease or pad
baseline: grease-a
treatments: {grease-a: {}, pad-b: {}}
decision: {margin_K: 1.0}
log:
  time: {columns: [time], format: "%Y-%m-%d %H:%M:%S"}
  temperature: {columns: [die], unit: degC}
  power: {columns: [power], unit: W}
ambient_constant: {value_C: 22.0, u_K: 1.0}
"""
SHEET = """\
run,treatment,mount,set_power_W,log,start,end,exclude,note
r1,grease-a,1,90,logs/a.csv,,,,
r2,pad-b,1,90,logs/b.csv,2026-11-25 10:00:10,,,
"""
LOG = "time,die,power\n" + "".join(f"2026-11-25 10:00:{second:02d},{50 + second / 10},90\n" for second in range(60))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "logs").mkdir()
    (tmp_path / "campaign.yaml").write_text(YAML)
    (tmp_path / "runs.csv").write_text(SHEET)
    for name in ("a", "b"):
        (tmp_path / "logs" / f"{name}.csv").write_text(LOG)
    return tmp_path


@pytest.mark.parametrize(("first", "second"), [("A", "a"), ("1", "01"), ("2", "2.0"), ("m 1", "m1")])
def test_a_mount_written_in_two_ways_is_asked_about(folder, first, second):
    """Counted as two, it would narrow every interval."""
    lines = [f"r{i},grease-a,{name},{90 + i},logs/a.csv,,,," for i, name in enumerate((first, second))]
    lines[1] = lines[1].replace("a.csv", "b.csv")
    (folder / "runs.csv").write_text("\n".join([SHEET.splitlines()[0], *lines]) + "\n")
    assert any(f"'{first}' and '{second}' of 'grease-a' count as 2" in text for text in load_campaign(folder).cautions)


@pytest.mark.parametrize(("first", "second"), [("1", "10"), ("1.1", "1.10"), ("1a", "1b"), ("1-1", "11")])
def test_other_mounts_are_not(folder, first, second):
    lines = [
        f"r{i},grease-a,{name},90,logs/{log}.csv,,,," for i, (name, log) in enumerate(((first, "a"), (second, "b")))
    ]
    (folder / "runs.csv").write_text("\n".join([SHEET.splitlines()[0], *lines]) + "\n")
    assert not any("count as" in text for text in load_campaign(folder).cautions)


def test_runs_from_two_copies_of_one_log_are_said(folder):
    assert any("'r1' and 'r2' are made of the same readings" in text for text in check(folder).cautions)
    (folder / "logs" / "b.csv").write_text(LOG.replace("10:00:", "11:00:"))
    (folder / "runs.csv").write_text(SHEET.replace("10:00:10", "11:00:10"))
    assert not any("same readings" in text for text in check(folder).cautions)


def refused(call, folder) -> list[str]:
    with pytest.raises(InputError) as caught:
        call(folder)
    assert str(caught.value) == "\n".join(str(problem) for problem in caught.value.problems)
    return [str(problem) for problem in caught.value.problems]


def test_a_problem_reads_as_one_sentence():
    assert str(Problem("runs.csv:3", "'x'", "a number")) == "runs.csv:3: found 'x'; allowed: a number"


def test_a_sound_folder_loads_with_checksums(folder):
    campaign = load_campaign(folder)
    assert [run.run for run in campaign.runs] == ["r1", "r2"]
    assert sorted(campaign.sha256) == ["campaign.yaml", "runs.csv"]
    assert all(len(value) == 64 for value in campaign.sha256.values())
    assert campaign.cautions == ()


def test_loading_does_not_import_the_slow_libraries(folder):
    code = (
        "import sys; from thermlab.campaign.folder import load_campaign; load_campaign(sys.argv[1]);"
        "assert not {'pandas', 'numpy', 'scipy', 'matplotlib'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code, str(folder)], check=True)


def test_problems_of_both_files_come_together(folder):
    (folder / "campaign.yaml").write_text(
        YAML.replace("margin_K: 1.0", "margin_K: x").replace("grease-a\n", "grease\n", 1)
    )
    (folder / "runs.csv").write_text(SHEET.replace("pad-b,1", "pad-c,1").replace("2026-11-25 10:00:10", "ten"))
    found = refused(load_campaign, folder)
    assert [text.split(": found")[0] for text in found] == [
        "campaign.yaml:2 (baseline)",
        "campaign.yaml:4 (decision.margin_K)",
        "runs.csv:3 (treatment)",
        "runs.csv:3 (start)",
    ]


def test_check_adds_the_problems_of_the_logs(folder):
    (folder / "campaign.yaml").write_text(YAML.replace("margin_K: 1.0", "margin_K: x"))
    (folder / "logs" / "a.csv").write_text(LOG.replace("50.3", "hot"))
    (folder / "logs" / "b.csv").write_text(LOG.replace("10:00:07", "10-00-07"))
    found = refused(check, folder)
    assert [text.split("; allowed")[0] for text in found] == [
        "campaign.yaml:4 (decision.margin_K): found the text 'x'",
        "logs/a.csv:5 (die): found 'hot'",
        "logs/b.csv:9 (time): found '2026-11-25 10-00-07'",
    ]


def test_check_says_what_is_there(folder):
    found = check(folder)
    held = "60 rows every 1 s from 2026-11-25 10:00:00, 1.0 min; columns die, power"
    assert found.logs[0] == ("logs/a.csv", held, [])
    assert "run r2: pad-b, mount 1, 90 W, logs/b.csv, 50 readings in 0.8 min of soak, logged 90.0 W" in found.summary()


def test_check_ends_with_how_many_things_there_are_to_look_at(folder):
    apart = SHEET.replace("10:00:10", "11:00:10")
    (folder / "runs.csv").write_text(apart)
    (folder / "logs" / "b.csv").write_text(LOG.replace("10:00:", "11:00:"))
    assert check(folder).summary().splitlines()[-1] == "nothing wrong was found"
    odd = LOG.replace("10:00:", "11:00:").replace(",90", ",80").replace("11:00:30,50.3", "11:00:30,")
    (folder / "logs" / "b.csv").write_text(odd)
    found = check(folder)
    assert found.summary().splitlines()[-2:] == [
        "1 thing to look at:",
        "- logged power is off the set power in r2 (-11.1 %)",
    ]
    (folder / "campaign.yaml").write_text(YAML.replace("title: Grease or pad", "title: <what is compared>"))
    assert len(check(folder).to_look_at) == 2


def test_check_reads_every_log_once(folder, monkeypatch):
    read = []

    def counted(path, settings, *, name):
        read.append(name)
        return read_log(path, settings, name=name)

    monkeypatch.setattr("thermlab.runs.reading.read_log", counted)
    check(folder)
    assert sorted(read) == ["logs/a.csv", "logs/b.csv"]


def test_a_cut_outside_its_log_is_refused(folder):
    (folder / "runs.csv").write_text(SHEET.replace("10:00:10", "11:00:10"))
    assert refused(check, folder)[0].startswith("runs.csv:3 (start, end): found no readings of logs/b.csv between")


def test_the_room_file_may_not_leave_the_folder(folder):
    room = 'ambient_log: {file: ../room.csv, time: {columns: [t], format: "%Y-%m-%d %H:%M"}, columns: [r], unit: degC}'
    (folder / "campaign.yaml").write_text(YAML.replace("ambient_constant: {value_C: 22.0, u_K: 1.0}", room))
    found = refused(load_campaign, folder)
    assert found == [
        (
            "campaign.yaml:9 (ambient_log.file): found '../room.csv', which leaves the campaign folder; "
            "allowed: the path of a file inside the campaign folder, such as logs/run1.csv"
        )
    ]


@pytest.mark.parametrize(
    ("value", "told"), [("295.2", "295.2; allowed: at most 100: room temperature, degC"), ("120", "120")]
)
def test_a_room_that_is_none_is_refused(folder, value, told):
    (folder / "campaign.yaml").write_text(YAML.replace("value_C: 22.0", f"value_C: {value}"))
    (problem,) = refused(load_campaign, folder)
    assert problem.startswith(f"campaign.yaml:9 (ambient_constant.value_C): found {told}")


def test_what_is_missing_is_named(folder, tmp_path):
    (folder / "runs.csv").unlink()
    (folder / "campaign.yaml").unlink()
    assert refused(load_campaign, folder) == [
        f"{name}: found no such file; allowed: a file {name} in the campaign folder (thermlab new starts one)"
        for name in ("campaign.yaml", "runs.csv")
    ]
    assert "found no folder of this name" in refused(load_campaign, tmp_path / "nothing")[0]
    assert "found no folder of this name" in refused(load_campaign, "a\0b")[0]


def test_a_pipe_instead_of_a_file_does_not_hang(folder):
    (folder / "runs.csv").unlink()
    os.mkfifo(folder / "runs.csv")
    assert "runs.csv: found 'runs.csv', not a plain file; allowed" in refused(load_campaign, folder)[0]


def test_a_treatment_without_runs_is_a_caution(folder):
    (folder / "campaign.yaml").write_text(YAML.replace("pad-b: {}", "pad-b: {}, pad-c: {}"))
    assert load_campaign(folder).cautions == ("treatment 'pad-c' has no runs",)
