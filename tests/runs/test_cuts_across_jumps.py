"""Runs cut out of a log whose clock was set back, more than once or in a night."""

from datetime import datetime, timedelta

import pytest

from thermlab.runs.reading import check

SETTINGS = """title: t
baseline: a
treatments: {{a: {{}}, b: {{}}}}
decision: {{margin_K: 1}}
soak: {{minutes: 60}}
ambient_constant: {{value_C: 22, u_K: 1}}
log:
  time: {{columns: [time], format: "{format}"}}
  temperature: {{columns: [die], unit: degC}}
  power: {{columns: [power], unit: W}}
"""


def write(folder, time_format, begin, hours, set_back, power_at, lines):
    """Write a campaign of one log with a row every 10 s whose clock is set back at hours from its beginning."""
    rows, clock = ["time,die,power"], begin
    for i in range(int(hours * 360)):
        clock -= timedelta(seconds=set_back.get(i / 360, 0))
        rows.append(f"{clock.strftime(time_format)},{50 + i % 7},{power_at(i / 360)}")
        clock += timedelta(seconds=10)
    (folder / "logs").mkdir()
    (folder / "logs" / "x.csv").write_text("\n".join(rows) + "\n")
    (folder / "campaign.yaml").write_text(SETTINGS.format(format=time_format))
    (folder / "runs.csv").write_text("\n".join(["run,treatment,mount,set_power_W,log,start,end,exclude,note", *lines]))


@pytest.mark.parametrize(
    ("start", "end", "power", "readings", "logged"),
    [("01:30:00", "", 100, 531, "100.0 W"), ("00:30:00", "01:25:00", 80, 331, "80.0 W")],
)
def test_a_night_whose_clock_was_set_back_is_cut_behind_midnight(tmp_path, start, end, power, readings, logged):
    begin = datetime(2026, 3, 2, 22)  # noqa: DTZ001 - a clock without an offset
    lines = [f"r1,a,1,{power},logs/x.csv,{start},{end},,"]
    at = lambda h: 60 if h < 2.525 else 80 if h < 3.525 else 100  # noqa: E731
    write(tmp_path, "%H:%M:%S", begin, 5, {1.5: 90}, at, lines)

    assert f"{readings} readings" in check(tmp_path).runs[0]
    assert check(tmp_path).runs[0].endswith(f"logged {logged}")


def test_a_run_goes_on_over_several_jumps(tmp_path):
    lines = [
        "r1,a,1,90,logs/x.csv,2026-03-02 08:54:30,2026-03-02 10:20:00,,",
        "r2,b,1,90,logs/x.csv,2026-03-02 11:30:00,,,",
    ]
    begin = datetime(2026, 3, 2, 8)  # noqa: DTZ001 - a clock without an offset
    write(tmp_path, "%Y-%m-%d %H:%M:%S", begin, 4, {1.0: 60, 1.5: 60, 2.0: 60, 3.0: 60}, lambda _: 90, lines)

    assert "532 readings" in check(tmp_path).runs[0]
