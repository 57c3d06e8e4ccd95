"""Checks on the log of one run: holes, clock, soak, sensors that do not move."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermlab.runs.checks.view import RunView, UsualStill, raise_flag, rounding_bias_K

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from thermlab.runs.records import Flag, Severity
    from thermlab.runs.trace import Trace

    Array = npt.NDArray[np.float64]

FEWEST_FOR_USUAL = 5
SMOOTH_S = 120.0


def gap(view: RunView) -> Flag | None:
    """Holes in the readings, in time, in a sensor or in the room."""
    trace, e, limits = view.trace, view.estimate, view.thresholds
    steps = np.diff(trace.time_s)
    longest = float(steps.max()) - trace.interval_s if steps.size else 0.0
    at = float(trace.time_s[int(steps.argmax())]) / 60.0 if steps.size else 0.0
    missing, sensor = _most_missing(view)
    window_missing = _missing_percent(view, from_s=e.window_s[0])
    uncovered = 100.0 * (1 - trace.room_covered)
    # Many short holes count together; a step of two intervals is jitter.
    lost = 100.0 * float((steps[steps > 2.5 * trace.interval_s] - trace.interval_s).sum()) / trace.soak_s
    if uncovered >= 50.0 or window_missing > limits.missing_unusable_percent:
        severity: Severity = "unusable"
    elif (
        longest > max(limits.gap_s, 3 * trace.interval_s)
        or max(missing, window_missing, uncovered, lost) > limits.missing_percent
    ):
        severity = "doubtful"
    elif longest > max(limits.gap_note_s, 3 * trace.interval_s):
        severity = "note"
    else:
        return None
    if uncovered > limits.missing_percent:
        reason = f"The room is not known for {uncovered:.0f} % of the soak."
        if view.room_has_own_file and np.isnan(trace.ambient_C[[0, -1]]).any():
            reason += " Its file does not cover the run: is ambient_log.clock_offset_s right?"
    elif max(missing, window_missing) > limits.missing_percent:
        reason = f"{missing:.0f} % of the readings of {sensor} are missing."
    elif lost > limits.missing_percent and longest <= max(limits.gap_s, 3 * trace.interval_s):
        reason = f"Readings came at irregular times: {lost:.0f} % of the soak lies in holes of up to {longest:.0f} s."
    else:
        reason = f"No readings for {longest:.0f} s, {at:.1f} min after the soak began."
    return raise_flag(
        "gap",
        severity,
        reason,
        longest_s=longest,
        at_min=at,
        lost_percent=lost,
        missing_percent=missing,
        missing_in_window_percent=window_missing,
        room_unknown_percent=uncovered,
    )


def _most_missing(view: RunView) -> tuple[float, str]:
    """Sensor with the most missing readings: were it the hottest, another would stand for it unnoticed."""
    missing = 100.0 * np.isnan(view.trace.temperature_C).mean(axis=0)
    worst = int(np.argmax(missing))
    return float(missing[worst]), view.trace.sensors[worst]


def _missing_percent(view: RunView, *, from_s: float) -> float:
    trace = view.trace
    rows = trace.time_s >= from_s
    sensor = view.estimate.sensor
    columns = trace.temperature_C[rows]
    if sensor in trace.sensors:
        columns = columns[:, [trace.sensors.index(sensor)]]
    return 100.0 * float(np.isnan(columns).mean()) if columns.size else 100.0


def clock_jump(view: RunView) -> Flag | None:
    """The clock was set while the run was on."""
    trace = view.trace
    if trace.jumps:
        worst = max(trace.jumps, key=lambda jump: abs(jump.seconds))
        return raise_flag(
            "clock jump",
            "doubtful",
            f"The log's clock was set back by {abs(worst.seconds):.0f} s at line {worst.line}; the readings are "
            "taken as evenly spaced there.",
            jump_s=worst.seconds,
            line=worst.line,
        )
    forward = forward_jump(trace, view.soak_wanted_s)
    if forward is None:
        return None
    return raise_flag(
        "clock jump",
        "doubtful",
        f"The log's clock went forward by {forward:.0f} s although no readings are missing from the declared soak.",
        jump_s=forward,
    )


def forward_jump(trace: Trace, soak_wanted_s: float | None) -> float | None:
    """Size of a hole that is the clock's, not the log's: without it the soak is as long as it should be.

    Parameters
    ----------
    trace : Trace
        The run.
    soak_wanted_s : float or None
        Declared or usual soak, s.

    Returns
    -------
    float or None
        Seconds by which the clock went forward.
    """
    if soak_wanted_s is None:
        return None
    steps = np.diff(trace.time_s)
    longest = float(steps.max()) - trace.interval_s if steps.size else 0.0
    rest = trace.soak_s - longest
    if longest < max(60.0, 0.02 * soak_wanted_s):
        return None
    # A true hole in a run of the right length leaves too few readings.
    return longest if abs(rest - soak_wanted_s) < min(0.3 * longest, 0.05 * soak_wanted_s + 30.0) else None


def soak_length(view: RunView) -> Flag | None:
    """Time under load against what was declared, or against the other runs."""
    if view.soak_wanted_s is None:
        return None
    limits, trace = view.thresholds, view.trace
    jumped = forward_jump(trace, view.soak_wanted_s)
    off = trace.soak_s - (jumped or 0.0) - view.soak_wanted_s
    if abs(off) <= max(limits.soak_tolerance_s, 2 * trace.interval_s):
        return None
    percent = 100.0 * off / view.soak_wanted_s
    word = "longer" if off > 0 else "shorter"
    return raise_flag(
        "soak length",
        "doubtful" if abs(percent) > limits.soak_tolerance_percent else "note",
        f"The soak was {abs(off) / 60.0:.1f} min {word} than the {view.soak_wanted_s / 60.0:.0f} min of the others.",
        soak_min=trace.soak_s / 60.0,
        off_min=off / 60.0,
    )


def sensor_stuck(view: RunView) -> Flag | None:
    """A sensor that stands still while the others move, or far longer than is usual on this bench."""
    trace, limits = view.trace, view.thresholds
    found: tuple[float, str, float, float] | None = None
    # A run read in coarser steps than the others stands still for longer by right.
    coarser = view.estimate.readout_K > 1.5 * view.usual_readout_K > 0
    for i, name in enumerate(trace.sensors):
        values = trace.temperature_C[:, i]
        begin, end = longest_still(values)
        lasted = float(trace.time_s[end] - trace.time_s[begin])
        if lasted < min(60.0 * limits.stuck_min, 0.25 * trace.soak_s) or np.isnan(values[begin]):
            continue
        away, moved = _where_others_put_it(trace, i, begin, end)
        step = max(view.estimate.readout_K, view.usual_readout_K)
        # Without noise to dither them, rounded means are off by up to half a step: here the own and the others'.
        rounded = 2.0 * rounding_bias_K(step, view.usual_noise_K)
        if not (
            away > 0.5 * step + rounded + limits.stuck_K
            or moved > step + rounded + limits.stuck_K
            or (lasted > limits.stuck_ratio * view.usual_still.sensor_s and not coarser)
        ):
            continue
        if found is None or lasted > found[0]:
            found = (lasted, name, max(away, moved), float(values[begin]))
    together = _still_s(trace, _together(trace))
    long = max(limits.stuck_ratio * view.usual_still.all_sensors_s, 0.25 * trace.soak_s, 60.0 * limits.stuck_min)
    if len(trace.sensors) > 1 and together > long and found is None and not coarser:
        return raise_flag(
            "sensor stuck",
            "unusable",
            f"All sensors stood still for {together / 60.0:.1f} min; in the other runs they seldom do for more than "
            f"{view.usual_still.all_sensors_s / 60.0:.1f} min.",
            still_min=together / 60.0,
            usual_still_min=view.usual_still.all_sensors_s / 60.0,
        )
    if found is None:
        return _room_stuck(view)
    lasted, name, away, value = found
    used = name == view.estimate.sensor or len(trace.sensors) == 1 or view.estimate.sensor not in trace.sensors
    return raise_flag(
        "sensor stuck",
        "unusable" if used else "doubtful",
        f"{name} stood at {value:g} degC for {lasted / 60.0:.1f} min; "
        + (f"the others put it up to {away:.1f} K elsewhere." if away > 0 else "no other run has a sensor do so."),
        still_min=lasted / 60.0,
        away_K=away,
        usual_still_min=view.usual_still.sensor_s / 60.0,
    )


def _room_stuck(view: RunView) -> Flag | None:
    trace, limits = view.trace, view.thresholds
    if view.room_is_constant or np.isnan(trace.ambient_C).any():
        return None
    begin, end = longest_still(trace.ambient_C)
    lasted = float(trace.time_s[end] - trace.time_s[begin])
    long = max(limits.stuck_ratio * view.usual_still.room_s, 60.0 * limits.stuck_min, 0.4 * trace.soak_s)
    if lasted <= long:
        return None
    return raise_flag(
        "sensor stuck",
        "doubtful",
        f"The room stood at {float(trace.ambient_C[begin]):g} degC for {lasted / 60.0:.1f} min; in the other runs it "
        f"seldom stands for more than {view.usual_still.room_s / 60.0:.1f} min.",
        still_min=lasted / 60.0,
        usual_still_min=view.usual_still.room_s / 60.0,
    )


def longest_still(values: Array) -> tuple[int, int]:
    """First and last row of the longest stretch without any change; missing readings break it."""
    changed = np.r_[True, ~(np.diff(values) == 0), True]
    edges = np.flatnonzero(changed)
    widest = int(np.argmax(np.diff(edges)))
    return int(edges[widest]), int(edges[widest + 1]) - 1


def usual_still(traces: Sequence[Trace]) -> UsualStill:
    """How long a sensor, all sensors at once, and the room probe usually stand still in a run.

    Parameters
    ----------
    traces : sequence of Trace
        All runs of a bench.

    Returns
    -------
    UsualStill
        0.8 quantiles over the runs, at least a minute; infinite with fewer than five runs.
    """
    if len(traces) < FEWEST_FOR_USUAL:
        return UsualStill(sensor_s=np.inf, all_sensors_s=np.inf, room_s=np.inf)
    spans = [
        (
            max(_still_s(trace, trace.temperature_C[:, i]) for i in range(len(trace.sensors))),
            _still_s(trace, _together(trace)),
            _still_s(trace, trace.ambient_C),
        )
        for trace in traces
    ]
    sensor, together, room = (max(float(np.quantile(found, 0.8)), 60.0) for found in zip(*spans, strict=True))
    return UsualStill(sensor_s=sensor, all_sensors_s=together, room_s=room)


def _still_s(trace: Trace, values: Array) -> float:
    begin, end = longest_still(values)
    return float(trace.time_s[end] - trace.time_s[begin])


def _together(trace: Trace) -> Array:
    """A series that changes whenever any sensor does."""
    changed = (np.diff(np.nan_to_num(trace.temperature_C, nan=-1e3), axis=0) != 0).any(axis=1)
    series: Array = np.concatenate([[0.0], np.cumsum(changed, dtype=np.float64)])
    return series


def _where_others_put_it(trace: Trace, sensor: int, begin: int, end: int) -> tuple[float, float]:
    """How far the others put a still sensor from where it stands, and how far they moved meanwhile, K."""
    others = np.delete(trace.temperature_C, sensor, axis=1)
    known = ~np.isnan(others)
    have: npt.NDArray[np.bool_] = np.any(known, axis=1)
    if others.shape[1] == 0 or have[begin : end + 1].sum() < 5:
        return 0.0, 0.0
    mean = np.where(known, others, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    wide = max(1, int(SMOOTH_S / trace.interval_s))
    inside = mean[begin : end + 1][have[begin : end + 1]]
    wide = min(wide, inside.size)
    smooth = np.convolve(inside, np.ones(wide) / wide, mode="valid")
    own = trace.temperature_C[:, sensor]
    outside = have & ~np.isnan(own)
    outside[begin : end + 1] = False
    if outside.sum() * trace.interval_s < SMOOTH_S:
        return 0.0, float(np.ptp(smooth))
    offset = float(np.mean(own[outside] - mean[outside]))
    return float(np.abs(smooth + offset - own[begin]).max()), float(np.ptp(smooth))
