"""The room as the heat sink feels it: late by the bench's time constant."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from thermlab.runs.trace import Trace

Array = npt.NDArray[np.float64]


def lag_room(trace: Trace, at_s: Array, *, time_constant_s: float, step_s: float) -> Array:
    """Pass the room through the first-order lag of the heat sink.

    Parameters
    ----------
    trace : Trace
        Holds the room during the soak and its history.
    at_s : ndarray, shape (b,)
        Times wanted, seconds since the soak began.
    time_constant_s : float
        Lag, s, > 0.
    step_s : float
        Step of the filter, s, small against the lag.

    Returns
    -------
    ndarray, shape (b,)
        Room temperature as the sink feels it, degC. Before the first known
        reading the room is taken as that reading (mean of its first minute).
    """
    t = np.concatenate([trace.history_time_s, trace.time_s])
    room = np.concatenate([trace.history_C, trace.ambient_C])
    have = ~np.isnan(room)
    t, room = t[have], room[have]
    if t.size == 0:
        return np.full(at_s.size, np.nan)
    begin = max(float(t[0]), -6.0 * time_constant_s)
    grid = np.arange(begin, float(trace.time_s[-1]) + 2 * step_s, step_s)
    if grid.size < 2:
        return np.full(at_s.size, float(room.mean()))
    # Mean of the readings of each step where the probe is read faster than that.
    smooth = _grid_means(t, room, grid, step_s)
    start = float(smooth[: max(1, int(60.0 / step_s))].mean())
    keep = np.exp(-step_s / time_constant_s)
    reach = min(grid.size, int(np.ceil(8.0 * time_constant_s / step_s)) + 1)
    kernel = (1 - keep) * keep ** np.arange(reach)
    lagged = start + np.convolve(smooth - start, kernel)[: grid.size]
    return np.interp(at_s, grid + 0.5 * step_s, lagged)


def _grid_means(t: Array, values: Array, grid: Array, step_s: float) -> Array:
    # The soak often begins exactly between two steps: the last bit of the time constant must not decide on its place.
    where = np.clip(((t - grid[0]) / step_s + 1e-6).astype(np.intp), -1, grid.size)
    inside = (where >= 0) & (where < grid.size)
    total = np.bincount(where[inside], values[inside], minlength=grid.size)
    count = np.bincount(where[inside], minlength=grid.size)
    have = count > 0
    if have.sum() < 2:
        return np.interp(grid, t, values)
    means = total[have] / count[have]
    return np.interp(np.arange(grid.size), np.flatnonzero(have), means)
