"""Checks on the readings of one run: a room that moves, a readout too coarse for its noise."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermlab.runs.checks.view import raise_flag, rounding_bias_K

if TYPE_CHECKING:
    from thermlab.runs.checks.view import RunView
    from thermlab.runs.records import Flag, Severity
    from thermlab.runs.trace import Trace

LATE = 0.2


def ambient_unsteady(view: RunView) -> Flag | None:
    """A room that drifts or jumps within the soak."""
    if view.room_is_constant:
        return None
    limits, blocks = view.thresholds, view.blocks
    t, room = blocks.time_s, blocks.ambient_C
    if np.isnan(room).any() or room.size < 10:
        return None
    smooth_n = max(1, int(60.0 / blocks.length_s))
    smooth = np.convolve(room, np.ones(smooth_n) / smooth_n, mode="valid")
    spread = float(np.ptp(smooth))
    reach = max(1, int(120.0 / blocks.length_s))
    jump = float(np.abs(smooth[reach:] - smooth[:-reach]).max()) if smooth.size > reach else 0.0
    hours = (t - t.mean()) / 3600.0
    rate = float(hours @ room / (hours @ hours)) if t[-1] > t[0] else 0.0
    drifted = (
        abs(rate) > limits.ambient_rate_K_per_h and abs(rate) * (t[-1] - t[0]) / 3600.0 > limits.ambient_range_note_K
    )
    if spread > limits.ambient_range_K or jump > limits.ambient_jump_K or drifted:
        severity: Severity = "doubtful"
    elif spread > limits.ambient_range_note_K:
        severity = "note"
    else:
        return None
    what = f"jumped by {jump:.1f} K within two minutes" if jump > limits.ambient_jump_K else f"moved by {spread:.1f} K"
    return raise_flag(
        "ambient unsteady",
        severity,
        f"The room {what} during the soak; what the heat sink feels of it follows late and is corrected for.",
        range_K=spread,
        jump_K=jump,
        rate_K_per_h=rate,
    )


def coarse_readout(view: RunView) -> Flag | None:
    """So little noise against the readout step that a mean of readings is biased."""
    e, limits = view.estimate, view.thresholds
    if e.readout_K < limits.coarse_readout_K or not np.isfinite(view.late_noise_K):
        return None
    unlike = e.readout_K > 1.5 * view.usual_readout_K > 0
    # A coarse readout hides its own noise: that of the other runs of the bench is the better guess.
    noise = min(view.late_noise_K, view.usual_noise_K) if unlike else view.late_noise_K
    if noise >= limits.coarse_noise_ratio * e.readout_K:
        return None
    bias = rounding_bias_K(e.readout_K, noise)
    return raise_flag(
        "coarse readout",
        "doubtful" if unlike and bias > limits.coarse_bias_K else "note",
        f"Readings come in steps of {e.readout_K:g} K with a noise of only {noise:.2f} K: their mean can be off by "
        f"up to {bias:.1f} K. A finer readout is the remedy."
        + (f" The other runs were read in steps of {view.usual_readout_K:g} K." if unlike else ""),
        readout_K=e.readout_K,
        noise_K=noise,
        bias_K=bias,
        usual_readout_K=view.usual_readout_K,
    )


def late_noise(trace: Trace, sensor: str) -> float:
    """Measure the noise of single readings over the last fifth of the soak.

    Parameters
    ----------
    trace : Trace
        The run.
    sensor : str
        One of its sensors, or anything else for the mean of all.

    Returns
    -------
    float
        Standard deviation about a straight line, K; NaN with fewer than five readings.
    """
    late = trace.time_s >= (1.0 - LATE) * trace.time_s[-1]
    readings = trace.temperature_C[late]
    y = readings[:, trace.sensors.index(sensor)] if sensor in trace.sensors else readings.mean(axis=1)
    t = trace.time_s[late][~np.isnan(y)]
    y = y[~np.isnan(y)]
    if y.size < 5 or np.ptp(t) <= 0:
        return float("nan")
    t = t - t.mean()
    return float(np.std(y - y.mean() - float(t @ y / (t @ t)) * t))
