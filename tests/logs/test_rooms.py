"""The room's own file."""

import pytest

from thermlab.base.errors import InputError
from thermlab.logs.log import read_room_log
from thermlab.logs.settings import AmbientLogSettings

BASE = {
    "file": "logs/room.csv",
    "delimiter": ";",
    "decimal": ",",
    "time": {"columns": ["time"], "format": "%Y-%m-%d %H:%M"},
    "columns": ["room*"],
    "unit": "degC",
}


def read(tmp_path, text, **changes):
    path = tmp_path / "room.csv"
    path.write_bytes(text.encode())
    return read_room_log(path, AmbientLogSettings(**(BASE | changes)), name="logs/room.csv")


def test_its_times_are_brought_to_the_clock_of_the_log(tmp_path):
    text = "time;room a;room b\n1970-01-02 00:00;21,5;22,5\n1970-01-02 00:01;21,0;\n"
    found = read(tmp_path, text, clock_offset_s=-30)
    assert found.time_s.tolist() == [86370.0, 86430.0]
    assert found.ambient_C[0] == 22.0
    assert str(found.ambient_C[1]) == "nan"
    assert found.clock == "calendar"
    assert len(found.sha256) == 64


def test_fahrenheit_is_converted_once(tmp_path):
    assert read(
        tmp_path, "time;room\n2026-11-25 10:00;72,5\n2026-11-25 10:01;50\n", unit="degF"
    ).ambient_C.tolist() == [22.5, 10.0]


@pytest.mark.parametrize(
    ("cells", "unit", "told"),
    [
        ("295", "degC", "'295' and 1 more, as room temperature, declared in degC; allowed: -50 to 100 degC"),
        ("295", "degF", "'295' and 1 more, as room temperature, declared in degF; allowed: -50 to 100 degC"),
        ("120", "degC", "'120' and 1 more, as room temperature, declared in degC; allowed: -50 to 100 degC"),
        ("22", "K", "'22' and 1 more, as room temperature, declared in K; allowed"),
    ],
)
def test_what_is_no_room_is_refused(tmp_path, cells, unit, told):
    with pytest.raises(InputError) as caught:
        read(tmp_path, f"time;room\n2026-11-25 10:00;{cells}\n2026-11-25 10:01;{cells}\n", unit=unit)
    assert f"logs/room.csv:2 (room): found {told}" in str(caught.value)


def test_a_unit_in_the_name_of_its_column_is_held_against_the_declared_one(tmp_path):
    with pytest.raises(InputError) as caught:
        read(tmp_path, "time;room, °F\n2026-11-25 10:00;72\n2026-11-25 10:01;72\n")
    assert "the unit °F in the name of the column, and ambient_log.unit: degC in campaign.yaml" in str(caught.value)


def test_a_clock_set_back_is_noted(tmp_path):
    text = "time;room\n2026-11-25 10:58;22\n2026-11-25 10:59;22\n2026-11-25 10:00;22\n2026-11-25 10:01;22\n"
    found = read(tmp_path, text)
    assert found.notes == ("clock set back by 3600 s at line 4",)
    assert (found.time_s - found.time_s[0]).tolist() == [0, 60, 120, 180]


def test_a_refusal_names_the_key_of_the_room_file(tmp_path):
    with pytest.raises(InputError) as caught:
        read(tmp_path, "time;room\n2026-11-25 10:00;OL\n2026-11-25 10:01;50\n")
    assert str(caught.value) == (
        "logs/room.csv:2 (room): found 'OL'; allowed: a number with ',' as decimal sign; "
        "a text for a missing value belongs into ambient_log.missing"
    )
    with pytest.raises(InputError, match=r"\(ambient_log.columns\): found no column 'inlet'"):
        read(tmp_path, "time;room\n2026-11-25 10:00;22\n2026-11-25 10:01;22\n", columns=["inlet"])
