"""Times as logs write them."""

# ruff: noqa: E501  (a row of a table of cases stands on one line)

import random
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest

from thermlab.base.errors import InputError
from thermlab.logs.cells import Cells, clock_seconds
from thermlab.logs.settings import TimeSettings
from thermlab.logs.times import iso_time, parse_time


def clock(time_format: str) -> TimeSettings:
    return TimeSettings(columns=["time"], format=time_format)


def epoch(*parts: int) -> float:
    return datetime(*parts, tzinfo=UTC).timestamp()


def column_seconds(texts: list[str], time_format: str) -> np.ndarray:
    cells = Cells.cut("\n".join(["", *texts, ""]).encode(), "|")
    return clock_seconds(cells.data, *cells.columns(np.arange(len(texts)), [0]), time_format)


@pytest.mark.parametrize(
    "time_format",
    [
        "%Y-%m-%d %H:%M:%S",
        "%d/%m/%y %H:%M",
        "%d-%b-%Y %I:%M:%S %p",
        "%Y-%m-%dT%H:%M:%S.%f%z",
        "%j %Y %H:%M:%S",
        "%A %d %B %Y %H:%M:%S",
        "%m/%d/%Y %H:%M:%S,%f",
    ],
)
def test_columns_and_single_cells_agree_with_the_standard_library(time_format):
    rng = random.Random(7)
    zone = timezone(timedelta(hours=-3, minutes=-30)) if "%z" in time_format else UTC
    moments = [
        datetime(2000, 1, 1, tzinfo=zone)
        + timedelta(seconds=rng.randrange(2_000_000_000), microseconds=rng.randrange(1_000_000))
        for _ in range(300)
    ]
    texts = [moment.strftime(time_format) for moment in moments]
    expected = [datetime.strptime(text, time_format).replace(tzinfo=zone).timestamp() for text in texts]
    np.testing.assert_allclose(column_seconds(texts, time_format), expected, rtol=0, atol=2e-6)
    assert parse_time(texts[0], clock(time_format)) == pytest.approx(expected[0], abs=2e-6)


def test_rows_of_one_length_and_several_layouts():
    texts = [
        "1/12/2026 10:00",
        "12/1/2026 10:00",
        "1/12/2026 10:01",
        "31/2/2026 10:00",
        "99/1/2026 10:00",
        "units are here!",
    ]
    found = column_seconds(texts, "%d/%m/%Y %H:%M")
    assert found[:3].tolist() == [epoch(2026, 12, 1, 10), epoch(2026, 1, 12, 10), epoch(2026, 12, 1, 10, 1)]
    assert np.isnan(found[3:]).all()


@pytest.mark.parametrize(
    ("text", "hour"), [("12:00:01 AM", 0), ("12:00:01 PM", 12), ("01:00:01 pm", 13), ("11:00:01 a.m.", 11)]
)
def test_twelve_hour_clock(text, hour):
    assert parse_time(text, clock("%I:%M:%S %p")) == hour * 3600 + 1


@pytest.mark.parametrize(
    ("text", "time_format", "expected"),
    [
        ("2026-11-25 10:00", "%d.%m.%Y %H:%M:%S", epoch(2026, 11, 25, 10)),
        ("2026-11-25T10:00:30.5", "%d.%m.%Y %H:%M:%S", epoch(2026, 11, 25, 10, 0, 30) + 0.5),
        ("25.11.2026 10:00:30.25", "%d.%m.%Y %H:%M:%S", epoch(2026, 11, 25, 10, 0, 30) + 0.25),
        ("25.11.2026 10:00:30", "%d.%m.%Y %H:%M:%S.%f", epoch(2026, 11, 25, 10, 0, 30)),
        ("2026-11-25", "%d.%m.%Y %H:%M:%S", epoch(2026, 11, 25)),
        ("2026-11-25T12:00:00+02:00", "%Y-%m-%d %H:%M:%S %z", epoch(2026, 11, 25, 10)),
        ("2026-11-25 10:00Z", "%d.%m.%Y %H:%M:%S%z", epoch(2026, 11, 25, 10)),
        ("10:30", "%I:%M:%S %p", 37800.0),
        ("29/02/68 00:00", "%d/%m/%y %H:%M", epoch(2068, 2, 29)),
        ("01/01/69 00:00", "%d/%m/%y %H:%M", epoch(1969, 1, 1)),
    ],
)
def test_start_and_end_are_in_the_logs_format_or_iso_8601(text, time_format, expected):
    assert parse_time(text, clock(time_format)) == expected


@pytest.mark.parametrize(
    ("text", "settings", "expected"),
    [
        ("11/25/2026 10:00", clock("%d/%m/%Y %H:%M"), "time: found '11/25/2026 10:00'; allowed: a time such as '31/03/2026 14:05' (format '%d/%m/%Y %H:%M'), or ISO 8601"),
        ("30/02/2026 10:00", clock("%d/%m/%Y %H:%M"), "found '30/02/2026 10:00'"),
        ("2026-11-25 24:00", clock("%Y-%m-%d %H:%M"), "found '2026-11-25 24:00'"),
        ("2026-11-25 10:00", clock("%Y-%m-%dT%H:%M:%S%z"), "found '2026-11-25 10:00' without an offset from UTC"),
        ("2026-11-25 10:00Z", clock("%Y-%m-%d %H:%M"), "found '2026-11-25 10:00Z' with an offset from UTC"),
        ("2026-11-25 10:00", clock("%H:%M:%S"), "found '2026-11-25 10:00'"),
        ("10:00", TimeSettings(columns=["t"], unit="min"), "found '10:00'; allowed: elapsed time: a number in min"),
        ("inf", TimeSettings(columns=["t"], unit="s"), "found 'inf'; allowed: elapsed time: a number in s"),
    ],
)  # fmt: skip
def test_a_time_of_another_kind_is_refused(text, settings, expected):
    with pytest.raises(InputError) as caught:
        parse_time(text, settings)
    assert expected in str(caught.value)


def test_elapsed_time_is_in_the_unit_of_the_log():
    assert parse_time("1.5", TimeSettings(columns=["t"], unit="h")) == 5400.0
    assert parse_time(" 1500 ", TimeSettings(columns=["t"], unit="ms")) == 1.5


@pytest.mark.parametrize(
    ("time_format", "text", "like", "expected"),
    [
        ("%d.%m.%Y %H:%M:%S", "02.03.2026 09:20:00.7", "", "2026-03-02T09:20:01"),
        ("%Y-%m-%dT%H:%M:%S%z", "2026-03-02T00:20:00+0200", "2026-03-01T23:20:00-0130", "2026-03-01T20:50:00-01:30"),
        ("%Y-%m-%dT%H:%M:%S%z", "2026-03-02T09:20:00+0200", "", "2026-03-02T07:20:00+00:00"),
        ("%H:%M:%S", "09:20:00", "", "09:20:00"),
    ],
)
def test_a_time_is_given_back_as_iso_8601_in_the_clock_of_the_log(time_format, text, like, expected):
    settings = clock(time_format)

    assert iso_time(parse_time(text, settings), settings, like=like) == expected


def test_elapsed_time_has_no_date():
    assert iso_time(2700.0, TimeSettings(columns=["t"], unit="s")) is None
