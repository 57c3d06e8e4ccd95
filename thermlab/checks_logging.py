"""Checks on the log of one run: holes, clock, soak, sensors that do not move."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermlab.run_view import RunView, raise_flag

if TYPE_CHECKING:
    import numpy.typing as npt

    from thermlab.runs import Flag, Severity
    from thermlab.traces import Trace

    Array = npt.NDArray[np.float64]


def gap(view: RunView) -> Flag | None:
    """Holes in the readings, in time, in the sensor used or in the room."""
    trace, e, limits = view.trace, view.estimate, view.thresholds
    steps = np.diff(trace.time_s)
    longest = float(steps.max()) - trace.interval_s if steps.size else 0.0
    at = float(trace.time_s[int(steps.argmax())]) / 60.0 if steps.size else 0.0
    hottest_missing = _missing_percent(view, from_s=0.0)
    window_missing = _missing_percent(view, from_s=e.window_s[0])
    uncovered = 100.0 * (1 - trace.room_covered)
    if uncovered >= 50.0 or window_missing > limits.missing_unusable_percent:
        severity: Severity = "unusable"
    elif (
        longest > max(limits.gap_s, 3 * trace.interval_s)
        or max(hottest_missing, window_missing, uncovered) > limits.missing_percent
    ):
        severity = "doubtful"
    elif longest > max(limits.gap_note_s, 3 * trace.interval_s):
        severity = "note"
    else:
        return None
    if uncovered > limits.missing_percent:
        reason = f"The room is not known for {uncovered:.0f} % of the soak."
    elif max(hottest_missing, window_missing) > limits.missing_percent:
        reason = f"{max(hottest_missing, window_missing):.0f} % of the readings of {e.sensor} are missing."
    else:
        reason = f"No readings for {longest:.0f} s, {at:.1f} min after the soak began."
    return raise_flag(
        "gap",
        severity,
        reason,
        longest_s=longest,
        at_min=at,
        missing_percent=hottest_missing,
        missing_in_window_percent=window_missing,
        room_unknown_percent=uncovered,
    )


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
    if longest < max(120.0, 0.1 * soak_wanted_s):
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
    """A sensor that stands still while the others move, or far longer than its noise allows."""
    trace, limits = view.trace, view.thresholds
    stuck_s = limits.stuck_min * 60.0
    channels = {name: trace.temperature_C[:, i] for i, name in enumerate(trace.sensors)}
    for name, values in channels.items():
        begin, end = longest_still(values)
        lasted = float(trace.time_s[end] - trace.time_s[begin])
        if lasted < stuck_s:
            continue
        others = [v for other, v in channels.items() if other != name]
        moved = max((float(np.nanmax(v[begin : end + 1]) - np.nanmin(v[begin : end + 1])) for v in others), default=0.0)
        expected = _expected_change(view, begin, end)
        step = max(view.estimate.readout_K, view.declared_readout_K, 0.1)
        # Readout steps alone explain a change of one step; noise would have shown within minutes.
        if moved > 2.0 * step + 0.5 or expected > 2.0 * step or (lasted > 2 * stuck_s and _noise_would_show(view)):
            return raise_flag(
                "sensor stuck",
                "unusable" if name == view.estimate.sensor or len(channels) == 1 else "doubtful",
                f"{name} stood at {float(values[begin]):g} degC for {lasted / 60.0:.1f} min while "
                f"{'the others moved by ' + format(moved, '.1f') + ' K' if others else 'it should have moved'}.",
                still_min=lasted / 60.0,
                others_moved_K=moved,
                should_have_moved_K=expected,
            )
    return None


def longest_still(values: Array) -> tuple[int, int]:
    """First and last row of the longest stretch without any change; missing readings break it."""
    changed = np.r_[True, ~(np.diff(values) == 0), True]
    edges = np.flatnonzero(changed)
    widest = int(np.argmax(np.diff(edges)))
    return int(edges[widest]), int(edges[widest + 1]) - 1


def _expected_change(view: RunView, begin: int, end: int) -> float:
    """How far the mean of all other channels' fit moved in the stretch; 0 where there is no other channel."""
    trace = view.trace
    if len(trace.sensors) > 1 or trace.lead_in_W is None or begin > 3:
        return 0.0
    # One sensor, still since the step in power: the step itself should have moved it.
    return 0.1 * abs(trace.set_power_W - trace.lead_in_W)


def _noise_would_show(view: RunView) -> bool:
    """Whether the bench's usual noise changes a reading every minute or so."""
    return view.usual_noise_K > 0.2 * max(view.estimate.readout_K, view.declared_readout_K)
