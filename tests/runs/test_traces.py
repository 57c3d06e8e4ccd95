"""Which rows belong to a run, when its soak began, and what the room was."""

from dataclasses import replace

import numpy as np
import pytest

from thermlab.campaign.runsheet import RunLine
from thermlab.logs.log import ClockJump, Log, RoomLog
from thermlab.runs.trace import block_means, cut_trace


def line(power=90.0, run="r1"):
    return RunLine(run=run, treatment="grease-a", mount="1", set_power_W=power, log="logs/a.csv", line=2)


def log(power, *, dt=1.0, start=0.0, temperature=None, ambient=22.0, clock="calendar"):
    power = np.asarray(power, dtype=float)
    t = start + dt * np.arange(power.size)
    hot = np.full(power.size, 60.0) if temperature is None else np.asarray(temperature, dtype=float)
    return Log(
        name="logs/a.csv",
        sha256="0" * 64,
        clock=clock,
        time_s=t,
        raw_time_s=t,
        jumps=(),
        sensors=("core 0",),
        temperature_C=hot[:, None],
        power_W=power,
        clock_MHz=None,
        ambient_C=None if ambient is None else np.full(power.size, ambient),
        notes=(),
        n_missing={},
    )


def cut(power, *, set_W=90.0, start_s=None, end_s=None, room=None, limit_C=None, **settings):
    return cut_trace(line(set_W), log(power, **settings), start_s=start_s, end_s=end_s, room=room, limit_C=limit_C)


def test_whole_file_begins_with_its_step_from_idle():
    trace = cut([8.0] * 600 + [90.0] * 2400)

    assert trace.began_s == 600.0
    assert trace.soak_s == 2400.0


def test_whole_file_begins_with_its_step_from_the_power_step_before():
    trace = cut([8.0] * 300 + [74.0] * 1800 + [90.0] * 2400)

    assert trace.soak_s == 2400.0


def test_step_down_begins_a_soak_too():
    assert cut([110.0] * 1800 + [90.0] * 2400).soak_s == 2400.0


def test_overshoot_after_the_step_belongs_to_the_soak():
    assert cut([8.0] * 600 + [104.0] * 28 + [90.0] * 2372).soak_s == 2400.0


def test_overshoot_of_some_minutes_belongs_to_the_soak_too():
    assert cut([8.0] * 240 + [104.0] * 540 + [90.0] * 1860).soak_s == 2400.0


def test_higher_power_step_before_is_no_overshoot():
    assert cut([8.0] * 240 + [110.0] * 1800 + [90.0] * 2400).soak_s == 2400.0


def test_idle_of_half_a_minute_before_the_step_is_no_part_of_the_soak():
    assert cut([8.0] * 20 + [90.0] * 2400).soak_s == 2400.0


def test_interruption_does_not_begin_the_soak_anew():
    trace = cut([8.0] * 600 + [90.0] * 1200 + [8.0] * 120 + [90.0] * 1080)

    assert trace.soak_s == 2400.0


def test_power_shed_at_the_limit_does_not_begin_the_soak_anew():
    power = [8.0] * 600 + [90.0] * 900 + ([80.0] * 90 + [90.0] * 30) * 10
    hot = [30.0] * 600 + [80.0] * 900 + [95.0] * 1200

    trace = cut(power, temperature=hot, limit_C=95.0)

    assert trace.soak_s == 2100.0


def test_power_off_the_set_power_throughout_still_begins_with_its_step():
    assert cut([8.0] * 600 + [70.0] * 2400, set_W=90.0).soak_s == 2400.0


def test_a_cut_begins_where_the_run_sheet_says():
    trace = cut([74.0] * 600 + [90.0] * 2400, start_s=600.0, end_s=2999.0)

    assert trace.began_s == 600.0
    assert trace.soak_s == 2400.0


def test_rows_before_the_start_serve_the_rooms_history_only():
    trace = cut([74.0] * 600 + [90.0] * 2400, start_s=600.0)

    assert trace.history_time_s[0] == -600.0
    assert trace.history_time_s[-1] == -1.0
    assert trace.time_s[0] == 0.0
    # The check for a probe in the plume looks at the device before the soak as well.
    assert trace.history_power_W.tolist() == [74.0] * 600
    assert trace.history_device_C.size == 600


def twice_written(jump_at=900, back_s=600.0):
    """Three steps of 10 min, 1 Hz; the clock goes back while the second is on."""
    power = np.repeat([50.0, 70.0, 90.0], 600)
    told = log(power)
    raw = told.time_s - back_s * (told.time_s >= jump_at)
    return replace(told, raw_time_s=raw, jumps=(ClockJump(jump_at, jump_at + 2, -back_s - 1.0),))


@pytest.mark.parametrize(("power", "start", "end"), [(50.0, 0.0, 599.0), (70.0, 600.0, 599.0), (90.0, 600.0, 1199.0)])
def test_a_clock_set_back_does_not_mix_runs_up(power, start, end):
    trace = cut_trace(line(power), twice_written(), start_s=start, end_s=end, room=None, limit_C=None)

    assert trace.soak_s == 600.0
    assert set(trace.power_W) == {power}
    assert len(trace.jumps) == (power == 70.0)


def test_a_clock_set_back_a_little_at_the_end_does_not_shorten_the_run():
    trace = cut_trace(
        line(90.0), twice_written(jump_at=1790, back_s=120.0), start_s=1200.0, end_s=1679.0, room=None, limit_C=None
    )

    assert trace.soak_s == 600.0
    assert len(trace.jumps) == 1


def test_a_cut_without_readings_is_none():
    assert cut([90.0] * 100, start_s=5000.0) is None


def test_time_of_day_cut_reaches_beyond_midnight():
    trace = cut([90.0] * 7200, start=82800.0, clock="time of day", start_s=600.0, end_s=2999.0)

    assert trace.began_s == 86400.0 + 600.0
    assert trace.soak_s == 2400.0


def test_room_of_another_rate_is_interpolated_on_the_logs_clock():
    minutes = np.arange(0.0, 4000.0, 60.0)
    room = RoomLog(
        name="room.csv", sha256="", clock="calendar", time_s=minutes, ambient_C=20.0 + minutes / 3600.0, notes=()
    )

    trace = cut([90.0] * 3000, ambient=None, room=room)

    assert trace.ambient_C[1800] == pytest.approx(20.5, abs=1e-9)
    assert trace.room_covered == 1.0


def test_room_that_ends_within_the_soak_is_said():
    minutes = np.arange(0.0, 1500.0, 60.0)
    room = RoomLog(
        name="room.csv", sha256="", clock="calendar", time_s=minutes, ambient_C=np.full(minutes.size, 21.0), notes=()
    )

    trace = cut([90.0] * 3000, ambient=None, room=room)

    assert 0.45 < trace.room_covered < 0.6
    assert np.isnan(trace.ambient_C[-1])


def test_constant_room_has_no_history():
    trace = cut([90.0] * 300, ambient=None, room=22.0)

    assert (trace.ambient_C == 22.0).all()
    assert trace.history_C.size == 0


def test_block_means_are_means_of_what_is_known():
    hot = np.r_[np.full(1200, 50.0), np.full(1200, 60.0)]
    hot[5] = np.nan

    blocks = block_means(cut([90.0] * 2400, temperature=hot))

    assert blocks.length_s == 10.0
    assert blocks.temperature_C[0, 0] == 50.0
    assert blocks.temperature_C[-1, 0] == 60.0
    assert blocks.time_s.size == 240


def test_short_soak_has_short_blocks():
    assert block_means(cut([90.0] * 100)).length_s == 1.0


def test_zeros_far_from_their_neighbours_are_missing_and_said_so():
    hot = np.r_[np.linspace(50.0, 60.0, 600), np.zeros(300), np.full(300, 60.0)]
    trace = cut([90.0] * 1200, temperature=hot)

    assert np.isnan(trace.temperature_C[600:900]).all()
    assert np.nanmin(trace.temperature_C) == 50.0
    (dead,) = trace.dead
    assert (dead.column, dead.began_s, dead.lasted_s) == ("core 0", 600.0, 300.0)


def test_a_probe_that_is_never_anything_but_zero_is_known_by_the_room():
    assert np.isnan(cut([90.0] * 600, temperature=np.zeros(600)).temperature_C).all()
    assert not np.isnan(cut([90.0] * 600, temperature=np.zeros(600), ambient=4.0).temperature_C).any()


def test_a_device_that_comes_from_a_frosty_night_reads_zero_by_right():
    trace = cut([90.0] * 1200, temperature=np.round(np.linspace(-4.0, 50.0, 1200)), ambient=-2.0)

    assert trace.dead == ()
    assert not np.isnan(trace.temperature_C).any()


def test_zeros_of_a_log_in_fahrenheit_are_zeros_too():
    hot = np.r_[np.full(600, 60.0), np.full(60, (0.0 - 32.0) * 5.0 / 9.0), np.full(540, 60.0)]

    assert cut([90.0] * 1200, temperature=hot).dead[0].lasted_s == 60.0


def test_a_room_probe_that_drops_out_is_bridged():
    with_room = log([90.0] * 1200)
    with_room.ambient_C[300:330] = 0.0
    trace = cut_trace(line(), with_room, start_s=None, end_s=None, room=None, limit_C=None)

    assert set(trace.ambient_C) == {22.0}
    assert [dead.column for dead in trace.dead] == ["The room"]
