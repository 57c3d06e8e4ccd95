"""The run sheet: every problem with line, column and value."""

# ruff: noqa: E501  (a row of a table of cases stands on one line)

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from thermlab.campaign.runsheet import MAX_SHEET_BYTES, NOT_MADE, REQUIRED, RunSheet, overlapping, read_run_sheet
from thermlab.logs.settings import TimeSettings

TIME = TimeSettings(columns=["time"], format="%Y-%m-%d %H:%M:%S")
HEADER = ",".join(REQUIRED)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "logs").mkdir()
    for name in ("a", "b"):
        (tmp_path / "logs" / f"{name}.csv").write_text("x")
    return tmp_path


def sheet(folder: Path, *lines: str, header: str = HEADER, time: TimeSettings = TIME) -> RunSheet:
    text = "\n".join([header, *lines]) + "\n"
    return read_run_sheet(text.encode(), folder, treatments=("grease-a", "pad-b"), time=time)


def texts(found: RunSheet) -> list[str]:
    return [str(problem) for problem in found.problems]


def test_lines_are_read_with_their_line_numbers(folder):
    found = sheet(
        folder,
        "r1,grease-a,1,90,logs/a.csv,2026-11-25 10:00:00,2026-11-25 10:40,,",
        "",
        'r2,pad-b,1,60.5,./logs/b.csv,,,fan off,"two, words"',
    )
    assert found.problems == ()
    first, second = found.runs
    assert (first.run, first.line, first.set_power_W) == ("r1", 2, 90.0)
    assert (second.log, second.line, second.exclude, second.note) == ("logs/b.csv", 4, "fan off", "two, words")


def test_readings_still_to_come_need_no_log(folder):
    """A sheet with the column `reading_C` may be planned before anything is read; an excluded run needs a log else."""
    lines = ["r1,grease-a,1,90,,,,not made yet,,", "r2,grease-a,2,90,,,,,,61.5"]
    assert sheet(folder, *lines, header=HEADER + ",reading_C").problems == ()
    assert texts(sheet(folder, lines[0][:-1]))[0].startswith("runs.csv:2 (log): found nothing; allowed: not blank")


def test_not_made_yet_is_read_in_any_case(folder):
    header = HEADER + ",reading_C"
    found = sheet(folder, "r1,grease-a,1,90,,,,Not made yet,,", "r2,pad-b,1,90,,,,,,61.5", header=header)

    assert found.problems == ()
    assert found.runs[0].exclude == NOT_MADE


def test_columns_come_in_any_order_with_lot_and_condition(folder):
    names = ["condition", *reversed(REQUIRED), "lot"]
    cells = dict.fromkeys(names, "") | {
        "run": "1",
        "treatment": "pad-b",
        "mount": "m",
        "set_power_W": "80",
        "log": "logs/a.csv",
        "lot": "L7",
    }
    found = sheet(folder, ",".join(cells[name] for name in names), header="\ufeff" + ",".join(names))
    assert found.problems == ()
    assert (found.runs[0].lot, found.runs[0].condition, found.runs[0].mount) == ("L7", "", "m")


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (",pad-b,1,90,logs/a.csv,,,,", "runs.csv:2 (run): found nothing; allowed: not blank"),
        ("r1,pad-c,1,90,logs/a.csv,,,,", "runs.csv:2 (treatment): found 'pad-c'; allowed: one of the treatments of campaign.yaml: 'grease-a', 'pad-b'"),
        ("r1,pad-b,,90,logs/a.csv,,,,", "runs.csv:2 (mount): found nothing"),
        ('r1,pad-b,1,"90,5",logs/a.csv,,,,', "runs.csv:2 (set_power_W): found '90,5'; allowed: a number of watts above 0, at most 100000 with a decimal point"),
        ("r1,pad-b,1,-5,logs/a.csv,,,,", "runs.csv:2 (set_power_W): found '-5'"),
        ("r1,pad-b,1,nan,logs/a.csv,,,,", "runs.csv:2 (set_power_W): found 'nan'"),
        ("r1,pad-b,1,90 W,logs/a.csv,,,,", "runs.csv:2 (set_power_W): found '90 W'"),
        ("r1,pad-b,1,90,logs/c.csv,,,,", "runs.csv:2 (log): found 'logs/c.csv', which does not exist"),
        ("r1,pad-b,1,90,../a.csv,,,,", "runs.csv:2 (log): found '../a.csv', which leaves the campaign folder"),
        ("r1,pad-b,1,90,/etc/passwd,,,,", "runs.csv:2 (log): found '/etc/passwd', an absolute path"),
        ("r1,pad-b,1,90,C:/a.csv,,,,", "runs.csv:2 (log): found 'C:/a.csv', an absolute path"),
        ("r1,pad-b,1,90,logs\\a.csv,,,,", "runs.csv:2 (log): found 'logs\\\\a.csv' with a backslash"),
        ("r1,pad-b,1,90,logs,,,,", "runs.csv:2 (log): found 'logs', a folder"),
        ("r1,pad-b,1,90,logs/a.csv,25/11/2026,,,", "runs.csv:2 (start): found '25/11/2026'; allowed: a time such as '2026-03-31 14:05:09' (format '%Y-%m-%d %H:%M:%S'), or ISO 8601"),
        ("r1,pad-b,1,90,logs/a.csv,2026-11-25 10:00:00,2026-11-25 09:00:00,,", "runs.csv:2 (end): found '2026-11-25 09:00:00', not after start '2026-11-25 10:00:00'"),
        ("r1,pad-b,1,90,logs/a.csv,,,", "runs.csv:2: found 8 cells; allowed: 9 cells, as in the header"),
        ('r1,pad-b,1,90,logs/a.csv,,,,"open', "runs.csv:2: found what CSV cannot read (unexpected end of data)"),
        ("r1,pad-b,1,90,logs/a.csv,,,,\x01", "runs.csv:2 (note): found '\\x01' with control characters"),
        ("\u202e1r,pad-b,1,90,logs/a.csv,,,,", "runs.csv:2 (run): found '\\u202e1r' with control characters"),
    ],
)  # fmt: skip
def test_a_refusal_names_line_column_and_value(folder, line, expected):
    found = texts(sheet(folder, line))
    assert any(problem.startswith(expected) for problem in found), found


def test_all_problems_come_at_once_in_line_order(folder):
    found = texts(
        sheet(
            folder,
            "r1,pad-b,1,90,logs/a.csv,2026-11-25 10:00:00,2026-11-25 10:40:00,,",
            "r2,pad-x,1,0,logs/c.csv,,,,",
            "r1,pad-b,1,90,logs/b.csv,,,,",
            "r3,pad-b,1,90,logs/a.csv,2026-11-25 10:30:00,2026-11-25 11:00:00,,",
        )
    )
    assert [problem.split(":")[1].split(" ")[0] for problem in found] == ["3", "3", "4", "5"]
    assert found[2].startswith("runs.csv:4 (run): found 'r1' a second time (first on line 2); allowed: each run once")
    assert "run 'r3' overlapping run 'r1' of line 2 in 'logs/a.csv'" in found[3]


def test_cuts_that_touch_are_fine_and_whole_files_taken_twice_are_not(folder):
    one = "r1,pad-b,1,90,logs/a.csv,2026-11-25 10:00:00,2026-11-25 10:40:00,,"
    two = "r2,pad-b,1,60,logs/a.csv,2026-11-25 10:40:00,,,"
    assert texts(sheet(folder, one, two)) == []
    assert "overlapping" in texts(sheet(folder, "r1,pad-b,1,90,logs/a.csv,,,,", "r2,pad-b,1,60,logs/a.csv,,,,"))[0]
    assert texts(sheet(folder, "r1,pad-b,1,90,logs/a.csv,,,spoiled,", "r2,pad-b,1,60,logs/a.csv,,,,")) == []


def test_overlaps_are_not_invented_where_nobody_knows_how_times_are_written(folder):
    one = "r1,pad-b,1,90,logs/a.csv,2026-11-25 10:00:00,2026-11-25 10:40:00,,"
    two = "r2,pad-b,1,60,logs/a.csv,2026-11-25 10:40:00,,,"
    assert texts(sheet(folder, one, two, time=None)) == []


@pytest.mark.parametrize("between", [";", "\t"])
def test_a_sheet_saved_by_a_spreadsheet_reads_like_one_with_commas(folder, between):
    lines = (
        "r1,pad-b,1,90,logs/a.csv,2026-11-25 10:00:00,2026-11-25 10:40:00,,",
        "r2,pad-b,1,60.5,logs/a.csv,2026-11-25 10:40:00,,,",
    )
    text = "\n".join((",,,,,,,,", HEADER, *lines, ",,,,,,,,")).replace("60.5", "60,5" if between == ";" else "60.5")
    saved = text.replace("60,5", "60#5").replace(",", between).replace("60#5", "60,5").replace("\n", "\r\n")
    found = read_run_sheet(b"\xef\xbb\xbf" + saved.encode(), folder, treatments=("pad-b",), time=TIME)
    assert found.problems == ()
    expected = read_run_sheet("\n".join(("", HEADER, *lines)).encode(), folder, treatments=("pad-b",), time=TIME)
    assert found.runs == expected.runs


def test_on_a_clock_without_dates_a_run_may_pass_midnight(folder):
    time = TimeSettings(columns=["time"], format="%H:%M:%S")
    assert texts(sheet(folder, "r1,pad-b,1,90,logs/a.csv,23:50:00,00:30:00,,", time=time)) == []
    assert "not after start" in texts(sheet(folder, "r1,pad-b,1,90,logs/a.csv,10:50:00,10:30:00,,", time=time))[0]


def test_a_missing_log_names_the_file_spelt_most_like_it(folder):
    assert texts(sheet(folder, "r1,pad-b,1,90,logs/aa.csv,,,,"))[0].endswith("; nearest there: 'a.csv'")
    assert "nearest" not in texts(sheet(folder, "r1,pad-b,1,90,nowhere/zz.txt,,,,"))[0]


def test_a_missing_log_of_an_excluded_run_is_a_caution(folder):
    found = sheet(folder, "r1,pad-b,1,90,logs/lost.csv,,,disk died,", "r2,grease-a,1,90,logs/a.csv,,,,")
    assert found.problems == ()
    assert found.cautions == ("the log does not exist of excluded runs 'r1'",)


def test_a_run_whose_log_is_not_there_yet_is_left_out_beside_others_and_named_with_its_line(folder):
    found = sheet(folder, "r1,pad-b,1,90,logs/mistyped.csv,,,,", "r2,grease-a,1,90,logs/a.csv,,,,")
    assert found.problems == ()
    assert [run.exclude for run in found.runs] == [NOT_MADE, ""]
    assert found.cautions == (
        "runs whose log does not exist count as 'not made yet': runs.csv:2 (log) 'logs/mistyped.csv'",
    )


def test_a_sheet_none_of_whose_used_runs_has_a_log_is_refused(folder):
    lines = "r1,pad-b,1,90,logs/mistyped.csv,,,,", "r2,grease-a,1,90,logs/a.csv,,,spoiled,"
    assert texts(sheet(folder, *lines))[0].startswith(
        "runs.csv:2 (log): found 'logs/mistyped.csv', which does not exist"
    )


def test_a_plan_whose_logs_are_all_to_come_has_one_caution_for_them(folder):
    lines = [f"r{i},{('pad-b', 'grease-a')[i % 2]},1,90,logs/to-come-{i}.csv,,,not made yet," for i in range(14)]
    found = sheet(folder, *lines)
    assert found.problems == ()
    names = ", ".join(f"'r{i}'" for i in range(12))
    assert found.cautions == (f"the log does not exist of excluded runs {names} and 2 more",)


def test_a_treatment_without_runs_is_a_caution(folder):
    assert sheet(folder, "r1,pad-b,1,90,logs/a.csv,,,,").cautions == ("treatment 'grease-a' has no runs",)


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        (HEADER.replace(",", "|").encode(), "runs.csv:1: found no column 'run', 'treatment'"),
        (HEADER.replace(",", ";").encode() + b"\na;b", "runs.csv:2: found 2 cells; allowed: 9 cells, as in the header (quote text that holds a semicolon)"),
        (b"\n" + HEADER.replace("mount,", "").encode(), "runs.csv:2: found no column 'mount'; allowed: the header run,treatment"),
        (HEADER.encode() + b",colour", "runs.csv:1: found the unknown column 'colour'"),
        (HEADER.encode() + b",lot,lot", "runs.csv:1: found twice the column 'lot'"),
        (b"", "runs.csv: found no header line"),
        (HEADER.encode(), "runs.csv: found no runs; allowed: one line per run below the header"),
        (HEADER.encode() + b"\n\xb0", "runs.csv:2: found the byte 0xb0; allowed: text in utf-8"),
        (HEADER.encode() + b"\n\0", "runs.csv:2: found a NUL byte"),
        (b"x" * (MAX_SHEET_BYTES + 1), f"runs.csv: found {MAX_SHEET_BYTES + 1} bytes; allowed: at most {MAX_SHEET_BYTES} bytes"),
        ((HEADER + "\n" + "x" * 200_000).encode(), "runs.csv:2: found what CSV cannot read (field larger than field limit (131072))"),
        ((HEADER + "\n" * 100_005).encode(), "runs.csv:100001: found more than 100000 lines"),
    ],
)  # fmt: skip
def test_a_file_that_is_no_run_sheet(folder, raw, expected):
    found = texts(read_run_sheet(raw, folder, treatments=("pad-b",), time=TIME))
    assert found[0].startswith(expected)


def test_links_and_devices_are_refused(folder, tmp_path_factory):
    outside = tmp_path_factory.mktemp("outside") / "x.csv"
    outside.write_text("x")
    (folder / "logs" / "link.csv").symlink_to(outside)
    (folder / "logs" / "near.csv").symlink_to(folder / "logs" / "a.csv")
    os.mkfifo(folder / "logs" / "pipe.csv")
    assert "a link that leads out of the campaign folder" in texts(sheet(folder, "r1,pad-b,1,90,logs/link.csv,,,,"))[0]
    assert "not a plain file" in texts(sheet(folder, "r1,pad-b,1,90,logs/pipe.csv,,,,"))[0]
    assert texts(sheet(folder, "r1,pad-b,1,90,logs/near.csv,,,,")) == []


LINE = "r1,pad-b,1,90,logs/a.csv,2026-11-25 10:00:00,2026-11-25 10:40:00,,\n"


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.one_of(
        st.binary(max_size=300),
        st.tuples(
            st.integers(0, len(LINE)),
            st.lists(
                st.sampled_from(['"', ",", "\n", "\r", "\0", "..", "/", "é", "9" * 400, "1e999", ";", "\t"]), max_size=5
            ),
        ),
    )
)
def test_any_bytes_give_a_sheet_or_problems(folder, case):
    if isinstance(case, tuple):
        place, pieces = case
        case = (HEADER + "\n" + LINE[:place] + "".join(pieces) + LINE[place:]).encode()
    found = read_run_sheet(case, folder, treatments=("pad-b",), time=TIME)
    assert found.runs or found.problems


def test_of_two_runs_on_the_same_rows_the_later_is_told_with_the_one_it_begins_in():
    cuts = [(50.0, 90.0, "c"), (0.0, 60.0, "a"), (10.0, 20.0, "b"), (90.0, float("inf"), "d")]

    assert list(overlapping(cuts)) == [("b", "a"), ("c", "a")]
    assert not list(overlapping([(float("-inf"), 5.0, "a"), (5.0, float("inf"), "b")]))
