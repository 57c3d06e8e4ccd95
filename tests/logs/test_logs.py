"""Every trap of a delimited sensor log gives the right numbers or an error with its line."""

# ruff: noqa: E501  (a row of a table of cases stands on one line)

import csv
import hashlib
import io
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from thermlab.base.errors import InputError
from thermlab.logs.cells import Cells, plain_numbers
from thermlab.logs.log import ClockJump, Log, read_log
from thermlab.logs.settings import LogSettings

STAMP = {"columns": ["time"], "format": "%Y-%m-%d %H:%M:%S"}
DECLARED = {
    "time": STAMP,
    "temperature": {"columns": ["die*"], "unit": "degC"},
    "power": {"columns": ["power"], "unit": "W"},
}
TIME_ONLY = {"columns": ["time"], "format": "%H:%M:%S"}
HEADER = "time,die,power\n"
ISO = "a time such as '2026-03-31 14:05:09' (format '%Y-%m-%d %H:%M:%S')"


def row(second: int, die: str = "50.5", power: str = "90") -> str:
    return f"2026-11-25 10:00:{second:02d},{die},{power}\n"


TWO = row(1) + row(2)


@pytest.fixture
def read(tmp_path: Path):
    def reader(text: str | bytes, **changes) -> Log:
        path = tmp_path / "log.csv"
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return read_log(path, LogSettings(**(DECLARED | changes)), name="logs/x.csv")

    return reader


def dies(log: Log) -> list[float]:
    return log.temperature_C[:, 0].tolist()


def since(log: Log) -> list[float]:
    return (log.time_s - log.time_s[0]).tolist()


def semicolons(text: str) -> str:
    return text.replace(",", ";").replace(".", ",")


def test_a_plain_log(read):
    text = "room,time,die b [degC],power,die a [degC],clock 0,clock 1,note\n" + "".join(
        f"2{i}.5,2026-11-25 10:00:0{i},4{i}.25,9{i},5{i},1000,2000,x\n" for i in range(3)
    )
    found = read(text, ambient={"columns": ["room"], "unit": "degC"}, clock={"columns": ["clock ?"], "unit": "MHz"})
    assert found.name == "logs/x.csv"
    assert found.sha256 == hashlib.sha256(text.encode()).hexdigest()
    assert found.clock == "calendar"
    assert found.sensors == ("die b [degC]", "die a [degC]")
    assert found.temperature_C.tolist() == [[40.25, 50.0], [41.25, 51.0], [42.25, 52.0]]
    assert found.power_W.tolist() == [90.0, 91.0, 92.0]
    assert found.ambient_C.tolist() == [20.5, 21.5, 22.5]
    assert found.clock_MHz.tolist() == [1500.0] * 3
    assert found.time_s[0] == np.datetime64("2026-11-25T10:00:00", "s").astype(int)
    assert found.raw_time_s.tolist() == found.time_s.tolist()
    assert (found.jumps, found.notes) == ((), ())
    assert set(found.n_missing.values()) == {0}


@pytest.mark.parametrize(
    ("raw", "changes"),
    [
        (HEADER + TWO, {}),
        ("\ufeff" + HEADER + TWO, {}),
        ('\ufeff"time","die","power"\n' + TWO, {}),
        ("logger 5\n\ufeff" + HEADER + TWO, {}),
        ((HEADER + TWO).encode("utf-16"), {"encoding": "utf-16"}),
        ((HEADER + TWO).encode("utf-16-be"), {"encoding": "utf-16-be"}),
        ((HEADER.replace("die", "die °C") + TWO).encode("cp1252"), {"encoding": "latin-1"}),
        (semicolons(HEADER + TWO), {"delimiter": ";", "decimal": ","}),
        ((HEADER + TWO).replace(",", "\t"), {"delimiter": "\\t"}),
        (HEADER + row(1, '"50.5"', '"90"') + row(2, ' "50.5"'), {}),
        (HEADER.strip() + ',note\n' + TWO.replace("90\n", '90,"a, ""b"" c"\n'), {}),
        ("sep=;\n" + (HEADER + TWO).replace(",", ";"), {"delimiter": ";"}),
        ("logger 5\nserial,7,\"x\n\n" + HEADER + TWO, {}),
        (HEADER + TWO.replace("\n", ",\n"), {}),
        (HEADER + TWO.replace("\n", ",,\n"), {}),
        (HEADER.replace("\n", ",\n") + TWO, {}),
        (HEADER.replace("\n", ",\n") + TWO.replace("\n", ",\n"), {}),
        ((HEADER + TWO).replace(",", " , "), {}),
        ((HEADER + TWO).replace("\n", "\r"), {}),
        ((HEADER + TWO).replace("\n", "\r\n"), {}),
        (HEADER + "\n" + row(1) + " \n\n" + row(2) + "\n\n", {}),
        ((HEADER + TWO).rstrip("\n"), {}),
        (HEADER + row(1, "50.5 °C", "90 W") + row(2, "50.5°C", "90"), {}),
        (HEADER.replace(",power", ",other,power") + TWO.replace(",90", ",'x;\x1f 5\" rod,90"), {}),
    ],
)  # fmt: skip
def test_the_same_readings_written_otherwise(read, raw, changes):
    found = read(raw, **changes)
    assert dies(found) == [50.5, 50.5]
    assert found.power_W.tolist() == [90.0, 90.0]
    assert since(found) == [0.0, 1.0]


@pytest.mark.parametrize(
    ("raw", "changes", "expected"),
    [
        # encodings
        ((HEADER + TWO).encode("utf-16"), {}, "logs/x.csv:1: found the byte 0xff; allowed: text in utf-8, as log.encoding declares; perhaps the encoding is utf-16"),
        ((HEADER + TWO).encode("utf-16-le"), {}, "logs/x.csv:1: found a NUL byte; allowed: text in utf-8 without NUL bytes; perhaps the encoding is utf-16"),
        ((HEADER + row(1, "5\u00b0") + row(2)).encode("cp1252"), {}, "logs/x.csv:2: found the byte 0xb0; allowed: text in utf-8, as log.encoding declares; perhaps the encoding is cp1252"),
        ((HEADER + row(1, "5\u00b0") + row(2)).replace("\n", "\r").encode("cp1252"), {}, "logs/x.csv:2: found the byte 0xb0"),
        ((HEADER + TWO).encode("utf-16")[:-1], {"encoding": "utf-16"}, "logs/x.csv:3: found the byte"),
        (bytes(range(256)) * 9, {}, "logs/x.csv:2: found the byte 0x80"),
        (HEADER.replace("die", "die °C") + TWO, {"encoding": "cp1252", "temperature": {"columns": ["die *"], "unit": "degC"}}, "logs/x.csv:1 (log.temperature): found the column name 'die Â°C'; allowed: a header in its own encoding"),
        ("\ufeff" + HEADER + TWO, {"encoding": "latin-1"}, "logs/x.csv:1: found the byte order mark of utf-8"),
        # delimiter, decimal sign
        (semicolons(HEADER + TWO), {}, "logs/x.csv:1: found no line with every declared column when split at ','; allowed: the declared delimiter; this line splits at ';'"),
        (semicolons(HEADER + TWO), {"delimiter": ";"}, "logs/x.csv:2 (die): found '50,5'; allowed: a number with '.' as decimal sign"),
        (HEADER + row(1, "50,5") + row(2), {}, "logs/x.csv:2: found 4 cells; allowed: 3 cells, as in the header of line 1"),
        (HEADER + row(1, '"1,050.5"') + row(2), {}, "logs/x.csv:2 (die): found '1,050.5'; allowed: a number with '.' as decimal sign and without thousands separators"),
        ((HEADER + row(1) + row(2)).replace(",", ";"), {"delimiter": ";", "decimal": ","}, "logs/x.csv:2 (die): found '50.5'; allowed: a number with ',' as decimal sign"),
        # header
        ("time,die,die,power\n" + TWO.replace(",90", ",1,90"), {}, "logs/x.csv:1 (log.temperature): found the column name 'die' 2 times"),
        ("time,die,power,power\n" + TWO.replace("\n", ",1\n"), {}, "logs/x.csv:1 (log.power): found 2 columns for 'power': 'power', 'power'; allowed: a pattern that matches exactly one column"),
        (HEADER + TWO, {"power": {"columns": ["Power"], "unit": "W"}}, "logs/x.csv:1 (log.power): found no column 'Power'; allowed: a header with this column in the first 200 lines; nearest: 'power'"),
        (HEADER + TWO, {"temperature": {"columns": ["*e*"], "unit": "degC"}}, "found 'power' for log.temperature and for log.power; allowed: patterns that match a column for one purpose only"),
        ("x\n" * 300 + HEADER + TWO, {}, "found no column 'time'; allowed: a header with this column in the first 200 lines"),
        # rows
        ("", {}, "logs/x.csv: found an empty file"),
        ("\n \n", {}, "logs/x.csv: found an empty file"),
        (HEADER, {}, "logs/x.csv:1: found no rows below the header; allowed: at least two rows"),
        (HEADER + row(1), {}, "logs/x.csv:1: found one row of readings below the header; allowed: at least two rows"),
        (HEADER + row(1) + "2026-11-25 10:00:02,5\n" + row(3), {}, "logs/x.csv:3: found 2 cells; allowed: 3 cells, as in the header of line 1"),
        (HEADER + row(1) + row(2, "5", "6,7") + row(3), {}, "logs/x.csv:3: found 4 cells; allowed: 3 cells"),
        (HEADER + row(1) + "Average,5,6\n" + row(3), {}, f"logs/x.csv:3 (time): found 'Average'; allowed: {ISO}"),
        (HEADER + row(1) + "25/11/2026 10:00:02,5,6\n" + row(3), {}, f"logs/x.csv:3 (time): found '25/11/2026 10:00:02'; allowed: {ISO}"),
        (HEADER + row(1) + row(2) + "25/11/2026 10:00:02,5,6\n", {}, "logs/x.csv:4 (time): found '25/11/2026 10:00:02'"),
        (HEADER + ",5,6\n" + TWO, {}, f"logs/x.csv:2 (time): found no time; allowed: {ISO}"),
        (HEADER + row(1) + row(2) + ",5,6\n", {}, "logs/x.csv:4 (time): found no time"),
        (HEADER + row(1) + row(2) + "Total,5,6\n" * 21, {}, "logs/x.csv:4 (time): found 'Total'"),
        (HEADER + row(1) + row(1), {}, "logs/x.csv:2 (log.time): found the same time on every row; allowed: times that move on"),
        (HEADER + row(3) + row(2) + row(1), {}, "logs/x.csv:3 (log.time): found 2 of 2 times earlier than the one before; allowed: rows in the order of their times"),
        (HEADER + TWO + row(3).replace("2026", "2062"), {}, "logs/x.csv:4 (log.time): found times that span 36 years; allowed: at most ten years"),
        (HEADER + row(1) + "\0\0" + row(2), {}, "logs/x.csv:3: found a NUL byte; allowed: text in utf-8 without NUL bytes"),
        (HEADER + row(1, '"5') + row(2), {}, "logs/x.csv:2: found what CSV cannot read (unexpected end of data); allowed: quotes in pairs within one line"),
        (HEADER + row(1) + row(2, '"5') + row(3, '5"') + row(4), {}, "logs/x.csv:3: found a line break within quotes; allowed: quotes in pairs within one line"),
        (HEADER + row(1) + row(2, '"5"5'), {}, "logs/x.csv:3: found what CSV cannot read"),
        # cells
        (HEADER + row(1, "-") + row(2), {}, "logs/x.csv:2 (die): found '-'; allowed: a number with '.' as decimal sign; a text for a missing value belongs into log.missing"),
        (HEADER + row(1) + row(2, "OL"), {"missing": ["-"]}, "logs/x.csv:3 (die): found 'OL'"),
        (HEADER + row(1, "inf") + row(2), {}, "logs/x.csv:2 (die): found 'inf'"),
        (HEADER + row(1, "5", "NaN") + row(2), {}, "logs/x.csv:2 (power): found 'NaN'"),
        (HEADER + row(1, "1e999") + row(2), {}, "logs/x.csv:2 (die): found '1e999'; allowed: a number with '.' as decimal sign, finite"),
        (HEADER + row(1, "50.5 °F") + row(2), {}, "logs/x.csv:2 (die): found '50.5 °F'; allowed: a number with '.' as decimal sign in degC, the declared unit"),
        (HEADER + row(1, "٥٠") + row(2), {}, "logs/x.csv:2 (die): found '٥٠'"),
        (HEADER + row(1, "5_0") + row(2), {}, "logs/x.csv:2 (die): found '5_0'"),
        (HEADER + row(1) + row(2, "401"), {}, "logs/x.csv:3 (die): found '401', declared in degC; allowed: -100 to 400 degC; is the unit right?"),
        (HEADER + row(1, "20") + row(2, "21"), {"temperature": {"columns": ["die"], "unit": "K"}}, "logs/x.csv:2 (die): found '20' and 1 more, declared in K; allowed: -100 to 400 degC"),
        (HEADER + row(1) + row(2, "5", "200"), {"power": {"columns": ["power"], "unit": "kW"}}, "logs/x.csv:3 (power): found '200', declared in kW; allowed: -1000 to 100000 W"),
        (HEADER + "s,[degF],W\n" + TWO, {}, "logs/x.csv:2 (die): found the unit [degF]; allowed: degC, as log.temperature declares"),
        (HEADER + "ms,degC,W\n1,2,3\n2,3,4\n", {"time": {"columns": ["time"], "unit": "s"}}, "logs/x.csv:2 (time): found the unit ms; allowed: s, as log.time declares"),
        (HEADER + "1,2,3\n1:30,3,4\n2,3,4\n", {"time": {"columns": ["time"], "unit": "s"}}, "logs/x.csv:3 (time): found '1:30'; allowed: elapsed time: a number in s with '.' as decimal sign"),
    ],
)  # fmt: skip
def test_a_refusal_names_file_line_and_value(read, raw, changes, expected):
    with pytest.raises(InputError) as caught:
        read(raw, **changes)
    assert expected in str(caught.value)
    assert all(problem.where.startswith("logs/x.csv") for problem in caught.value.problems)


@pytest.mark.parametrize(
    ("raw", "n_rows", "note"),
    [
        (HEADER + "s,[degC],W\n" + TWO, 2, "a line of units: 's,[degC],W'"),
        ("sep=,\nlogger\n" + HEADER + TWO, 2, "2 lines before the header skipped"),
        (HEADER + row(1) + HEADER + row(2) + row(3), 3, "header repeated on line 3, dropped"),
        (HEADER + "s,C,W\n" + row(1) + HEADER + "s,C,W\n" + row(2) + row(3), 3, "header repeated on line 4, dropped"),
        (HEADER + TWO + "Average,50,60\nMax,60,\n", 2, "from line 4 on 2 summary lines dropped: 'Average 50 60'"),
        (HEADER + TWO + "\n-----\nEnd of log\n", 2, "from line 5 on 2 summary lines dropped: '-----'"),
        (HEADER + TWO + ",,\n,,\n", 2, "2 lines without any value dropped"),
        (HEADER + TWO + "2026-11-25 10:00:03,5", 2, "last line 4 is cut short, dropped"),
        (HEADER + TWO + "2026-11-25 10:00:03,50.5,9", 2, "last line 4 is cut short, dropped"),
        (HEADER + TWO + "2026-11-2" + "\0" * 40, 2, "40 NUL bytes at the end dropped (line 4)"),
        (HEADER + TWO + "\0" * 512, 2, "512 NUL bytes at the end dropped (line 4)"),
    ],
)
def test_what_is_passed_over_is_noted(read, raw, n_rows, note):
    found = read(raw)
    assert len(found.time_s) == n_rows
    assert note in found.notes
    assert set(dies(found)) == {50.5}


KELVIN = {"temperature": {"columns": ["die*"], "unit": "K"}}


@pytest.mark.parametrize(
    ("die", "power", "changes", "told"),
    [
        ("die [degF]", "power", {}, "degF log.temperature.unit: degC"),
        ("die (°F)", "power", {}, "°F log.temperature.unit: degC"),
        ("die 1/K", "power", {}, "K log.temperature.unit: degC"),
        ("die; Fahrenheit", "power", {}, None),
        ("die °C", "power", KELVIN, "°C log.temperature.unit: K"),
        ("die [C]", "power", KELVIN, "C log.temperature.unit: K"),
        ("die [K]", "power", KELVIN, None),
        ("die [V]", "power", {}, None),
        ("die (min)", "power", {}, None),
        ("die in kelvin", "power", {}, "kelvin log.temperature.unit: degC"),
        ("die", "power in mW", {}, "mW log.power.unit: W"),
        ("die", "power_kW", {}, "kW log.power.unit: W"),
        ("die", "power [W]", {}, None),
        ("die", "power, package", {}, None),
    ],
)
def test_a_unit_in_the_name_of_a_column_that_is_not_the_declared_one_is_refused(read, die, power, changes, told):
    head = ",".join(f'"{name}"' for name in ("time", die, power))
    rows = (row(1, "350") + row(2, "350")) if changes else TWO
    changes = changes | {"power": {"columns": ["power*"], "unit": "W"}}
    if told is None:
        assert len(read(f"{head}\n{rows}", **changes).time_s) == 2
        return
    with pytest.raises(InputError) as caught:
        read(f"{head}\n{rows}", **changes)
    unit, key = told.split(" ", 1)
    (problem,) = caught.value.problems
    assert problem.where == f"logs/x.csv:1 ({die if die != 'die' else power})"
    assert problem.found == f"the unit {unit} in the name of the column, and {key} in campaign.yaml"


def test_letters_that_tell_sensors_apart_are_no_units(read):
    text = "time,die/A,die/F,die/K,power\n" + "".join(f"2026-11-25 10:00:0{i},50,51,52,90\n" for i in range(2))
    assert read(text).sensors == ("die/A", "die/F", "die/K")
    with pytest.raises(InputError, match="the unit K in the name"):
        read(text.replace("die/A,die/F", "one,two"))


def test_the_unit_of_the_clock_in_its_name_is_held_against_the_declared_one(read):
    text = "time,die,power,clock [GHz]\n" + "".join(f"2026-11-25 10:00:0{i},50,90,3.5\n" for i in range(2))
    with pytest.raises(InputError, match=r"the unit GHz in the name of the column, and log.clock.unit: MHz"):
        read(text, clock={"columns": ["clock*"], "unit": "MHz"})
    assert read(text, clock={"columns": ["clock*"], "unit": "GHz"}).clock_MHz.tolist() == [3500.0, 3500.0]


def test_a_room_in_kelvin_in_the_log_is_refused(read):
    text = "time,die,power,room\n" + "".join(f"2026-11-25 10:00:0{i},50,90,295.2\n" for i in range(3))
    room = {"columns": ["room"], "unit": "degC"}
    with pytest.raises(InputError) as caught:
        read(text, ambient=room)
    assert str(caught.value).startswith(
        "logs/x.csv:2 (room): found '295.2' and 2 more, as room temperature, declared in degC; allowed: -50 to 100 degC"
    )
    assert read(text, ambient=room | {"unit": "K"}).ambient_C[0] == pytest.approx(22.05)


def test_an_unterminated_last_line_is_kept_where_its_last_reading_is_whole(read):
    assert len(read(HEADER + TWO + row(3).rstrip("\n")).time_s) == 3
    assert (
        read(
            "time,die,power,note\n" + row(1, power="90,ok") + row(2, power="90,ok") + row(3, power="90,o").rstrip("\n")
        ).notes
        == ()
    )


def test_only_declared_columns_matter(read):
    header = "time,°broken,die,power,broken,broken\n"
    rows = "".join(f"2026-11-25 10:00:0{i},nan,50.5,90,\x07-- OL 1,2\n".replace("1,2", "12,") for i in range(3))
    assert dies(read(header + rows)) == [50.5] * 3
    assert dies(read((header + rows), encoding="cp1252")) == [50.5] * 3


def test_wildcards_are_star_and_question_mark_alone(read):
    text = "time,t1 [degC],td,ta,power\n" + "".join(f"{i},50,51,52,90\n" for i in range(2))
    seconds = {"columns": ["time"], "unit": "s"}
    assert read(text, time=seconds, temperature={"columns": ["t* [degC]"], "unit": "degC"}).sensors == ("t1 [degC]",)
    assert read(text, time=seconds, temperature={"columns": ["t?", "td"], "unit": "degC"}).sensors == ("td", "ta")
    with pytest.raises(InputError, match=r"found no column 't\[ad\]'"):
        read(text, time=seconds, temperature={"columns": ["t[ad]"], "unit": "degC"})


def test_units_are_converted_once(read):
    text = "t,a,b,p,c,r\n0.5,212,50,9000,2.5,295.15\n1,32,50,9000,2.5,295.15\n"
    found = read(
        text,
        time={"columns": ["t"], "unit": "min"},
        temperature={"columns": ["a", "b"], "unit": "degF"},
        power={"columns": ["p"], "unit": "mW"},
        clock={"columns": ["c"], "unit": "GHz"},
        ambient={"columns": ["r"], "unit": "K"},
    )
    assert found.temperature_C.tolist() == [[100.0, 10.0], [0.0, 10.0]]
    assert found.power_W.tolist() == [9.0, 9.0]
    assert found.clock_MHz.tolist() == [2500.0, 2500.0]
    assert found.ambient_C == pytest.approx([22.0, 22.0])
    assert found.clock == "elapsed"
    assert found.time_s.tolist() == [30.0, 60.0]


def test_missing_readings_are_counted_by_column(read):
    text = "time,die 0,die 1,power\n" + row(1, "-,50", "OL") + row(2, ",-9999", "90") + row(3, "51, 52 ", "90")
    found = read(text, missing=["-", "OL", "-9999"])
    assert np.isnan(found.temperature_C).tolist() == [[True, False], [True, True], [False, False]]
    assert np.isnan(found.power_W).tolist() == [True, False, False]
    assert found.n_missing == {"die 0": 2, "die 1": 1, "power": 1}


def test_odd_numbers(read):
    cells = ["1e1", "+5.", ".5", "-0.25", "\u22123", "007", "12.3456789012345678", "1E-1"]
    found = read(HEADER + "".join(row(i, cell) for i, cell in enumerate(cells)))
    assert dies(found) == [10.0, 5.0, 0.5, -0.25, -3.0, 7.0, 12.3456789012345678, 0.1]


def test_date_and_time_in_two_columns(read):
    text = "date;clock;die;power\n1/12/2026;9:00:01;50;90\n1/12/2026;10:00:01;50;90\n12/12/2026;9:00:01;50;90\n"
    found = read(text, delimiter=";", time={"columns": ["date", "clock"], "format": "%d/%m/%Y %H:%M:%S"})
    assert since(found) == [0.0, 3600.0, 11 * 86400.0]


SAME = "time,die [degC],die [degC],power,note,note\n"
PAIRS = "".join(f"2026-11-25 10:00:0{i},5{i},4{i},90,a,b\n" for i in range(3))


@pytest.mark.parametrize(
    "text", [SAME + PAIRS, SAME + PAIRS.replace("2026-11-25 10:00:02", SAME + "2026-11-25 10:00:02")]
)
def test_columns_of_one_name_are_declared_by_their_order_and_never_merged(read, text):
    both = read(text, temperature={"columns": ["die [degC]#1", "die [degC]#2"], "unit": "degC"})
    second = read(text, temperature={"columns": ["die [degC]#2"], "unit": "degC"})

    assert both.sensors == ("die [degC]#1", "die [degC]#2")
    assert both.temperature_C.tolist() == [[50.0, 40.0], [51.0, 41.0], [52.0, 42.0]]
    assert (second.sensors, dies(second)) == (("die [degC]#2",), [40.0, 41.0, 42.0])
    for ambiguous in ("die [degC]", "die*"):
        with pytest.raises(InputError, match=r"by their order: 'die \[degC\]#1' is the first"):
            read(text, temperature={"columns": [ambiguous], "unit": "degC"})
    with pytest.raises(InputError, match=r"no column 'die .degC.#3'"):
        read(text, temperature={"columns": ["die [degC]#3"], "unit": "degC"})
    with pytest.raises(InputError, match="degC in the name of the column"):
        read(text, temperature={"columns": ["die [degC]#2"], "unit": "K"})


def test_a_name_that_looks_like_an_order_is_itself(read):
    text = "time,die,die,die#2,power\n" + "".join(f"2026-11-25 10:00:0{i},50,40,3{i},90\n" for i in range(3))
    found = read(text, temperature={"columns": ["die#1", "die#2"], "unit": "degC"})
    assert (found.sensors, found.temperature_C[-1].tolist()) == (("die#1", "die#2"), [50.0, 32.0])


def test_fractions_of_a_second_come_and_go(read):
    text = HEADER + row(1) + row(1).replace(":01", ":01.5") + row(2).replace(":02", ":02.250")
    assert since(read(text)) == [0.0, 0.5, 1.25]


def test_equal_times_in_a_row_are_a_coarse_clock(read):
    found = read(HEADER + row(1) + row(1) + row(2) + row(2))
    assert since(found) == [0.0, 0.0, 1.0, 1.0]
    assert found.jumps == ()


def test_midnight_on_a_clock_without_dates(read):
    text = HEADER + "23:59:58,50,90\n23:59:59,50,90\n00:00:00,50,90\n00:00:01,50,90\n"
    found = read(text, time=TIME_ONLY)
    assert found.clock == "time of day"
    assert found.time_s.tolist() == [86398.0, 86399.0, 86400.0, 86401.0]
    assert found.jumps == ()


@pytest.mark.parametrize("time", [TIME_ONLY, STAMP])
def test_a_clock_set_back_is_closed_and_recorded(read, time):
    day = "" if time is TIME_ONLY else "2026-10-25 "
    text = HEADER + "".join(f"{day}{clock},50,90\n" for clock in ("02:59:58", "02:59:59", "02:00:00", "02:00:01"))
    found = read(text, time=time)
    assert since(found) == [0.0, 1.0, 2.0, 3.0]
    assert found.raw_time_s[2] - found.raw_time_s[1] == -3599.0
    assert found.jumps == (ClockJump(row=2, line=4, seconds=-3600.0),)


def test_offsets_make_it_utc(read):
    stamps = ("2026-10-25T02:59:59+02:00", "2026-10-25T02:00:00+01:00", "2026-10-25T01:00:01Z")
    text = HEADER + "".join(f"{stamp},50,90\n" for stamp in stamps)
    found = read(text, time={"columns": ["time"], "format": "%Y-%m-%dT%H:%M:%S%z"})
    assert since(found) == [0.0, 1.0, 2.0]
    assert found.time_s[0] == np.datetime64("2026-10-25T00:59:59", "s").astype(int)


def test_a_missing_file_is_bad_input(tmp_path):
    with pytest.raises(InputError, match=r"logs/x\.csv: found no such file"):
        read_log(tmp_path / "none.csv", LogSettings(**DECLARED), name="logs/x.csv")


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.from_regex(r"[+-]?([0-9]{1,16}\.?[0-9]{0,8}|\.[0-9]{1,9})", fullmatch=True), min_size=1, max_size=20)
)
def test_plain_decimals_are_rounded_as_python_rounds_them(cells):
    found = Cells.cut(("\n" + "," * 30 + "\n" + ",".join(cells) + "\n").encode(), ",")
    start, end = found.columns(np.array([1]), list(range(len(cells))))
    values, odd = plain_numbers(found.data, start.ravel(), end.ravel(), ".")
    for cell, value, is_odd in zip(cells, values.tolist(), odd.tolist(), strict=True):
        digits = sum(c.isdigit() for c in cell)
        assert is_odd == (digits > 15 or len(cell) > 17)
        assert is_odd or value == float(cell)


PIECES = [
    "\0",
    '"',
    "\n",
    "\r",
    ",",
    ";",
    "-",
    "°",
    "1e999",
    "nan",
    "\u2212",
    HEADER,
    " ",
    "9" * 30,
    "\x1f",
    "\u2028",
    "\x0c",
    "s,degC,W\n",
]


@settings(max_examples=250, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.one_of(
        st.binary(max_size=200),
        st.tuples(st.integers(0, 150), st.lists(st.sampled_from(PIECES), max_size=4), st.integers(0, 20), st.integers(1, 150)),
    ),
    st.sampled_from([{}, {"time": {"columns": ["time"], "unit": "s"}}, {"time": TIME_ONLY}, {"encoding": "utf-16"}, {"decimal": ",", "delimiter": ";"}]),
)  # fmt: skip
def test_any_bytes_give_a_log_or_bad_input(read, case, changes):
    if isinstance(case, tuple):
        place, pieces, dropped, end = case
        text = HEADER + "".join(row(i) for i in range(5)) + "Mean,1,2\n"
        case = (text[:place] + "".join(pieces) + text[place + dropped : place + dropped + end]).encode()
    try:
        found = read(case, **changes)
    except InputError as error:
        n_problems = len(error.problems)
    else:
        n_problems = None
        assert len(found.time_s) == len(found.power_W) >= 2
        assert (np.diff(found.time_s) >= 0).all()
        assert np.isfinite(found.time_s).all()
        assert not np.isinf(found.temperature_C).any()
    assert n_problems != 0


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_what_is_written_is_what_is_read(read, data):
    n = data.draw(st.integers(2, 12))
    delimiter, decimal = data.draw(st.sampled_from([(",", "."), (";", ","), ("\t", ","), ("|", ".")]))
    value = st.one_of(st.none(), st.decimals(-99, 399, places=2))
    table = data.draw(
        st.lists(
            st.tuples(value, value, st.text(st.characters(codec="utf-8", exclude_characters="\0\r\n"), max_size=5)),
            min_size=n,
            max_size=n,
        )
    )
    file = io.StringIO()
    writer = csv.writer(file, delimiter=delimiter, lineterminator=data.draw(st.sampled_from(["\n", "\r\n"])))
    writer.writerow(["note", "time", "die", "power"])
    for i, (die, power, note) in enumerate(table):
        cells = ["" if cell is None else str(cell).replace(".", decimal) for cell in (die, power)]
        writer.writerow([note, f"2026-11-25 10:00:{i:02d}", *cells])
    found = read(file.getvalue(), delimiter=delimiter, decimal=decimal)
    expected = [[np.nan if cell is None else float(cell) for cell in line[:2]] for line in table]
    np.testing.assert_array_equal(np.column_stack([found.temperature_C[:, 0], found.power_W]), expected)


@pytest.mark.parametrize(
    "piece",
    [
        b"\n",
        b",",
        b"1,1,1\n",
        b'",',
        b'"a",',
        b"\0",
        b"9",
        b"\xc3\xa9",
        b"2026-11-25 10:00:00,x,1\n",
        b"2026-11-25 10:00:00,,\n",
        b"\r",
        b",,\n",
        b"1 ",
    ],
)
def test_memory_stays_within_ten_times_the_file(read, piece):
    size = 3_000_000
    raw = HEADER.encode() + row(1).encode() + piece * (size // len(piece))
    tracemalloc.start()
    try:
        with pytest.raises(InputError):
            read(raw)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 10 * size + 16_000_000
