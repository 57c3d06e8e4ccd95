"""What the log holds before a soak: the device and its power, beside the room's history."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from thermlab.logs.log import Log

Array = npt.NDArray[np.float64]

HISTORY_S = 4 * 3600.0


def device_before(log: Log, start: int, history_s: Array, *, own_room: bool) -> tuple[Array, Array]:
    """Look up the device at the times of the room's history.

    Parameters
    ----------
    log : Log
        The log of the run.
    start : int
        Row where its soak begins.
    history_s : ndarray, shape (h,)
        Times, negative seconds before the soak.
    own_room : bool
        Whether they come from the room's own file, which is matched with the log's clock as read.

    Returns
    -------
    device_C, power_W : ndarray, shape (h,)
        Mean of the sensors and logged power, NaN where the log does not reach; empty without a history or
        where the clock was set back.
    """
    first = int(np.searchsorted(log.time_s, log.time_s[start] - HISTORY_S))
    before = (log.raw_time_s if own_room else log.time_s)[first : start + 1]
    before = before[:-1] - before[-1]
    if history_s.size == 0 or before.size < 2 or (np.diff(before) < 0).any():
        return np.empty(0), np.empty(0)
    inside = (history_s >= before[0]) & (history_s <= before[-1])
    sensors = mean_of_sensors(log.temperature_C[first:start])
    device: Array = np.where(inside, np.interp(history_s, before, sensors), np.nan)
    power: Array = np.where(inside, np.interp(history_s, before, log.power_W[first:start]), np.nan)
    return device, power


def mean_of_sensors(temperature_C: Array) -> Array:
    """Return the mean of the sensors that have a reading at each instant, NaN where none has."""
    known = ~np.isnan(temperature_C)
    n_known = known.sum(axis=1)
    total = np.where(known, temperature_C, 0.0).sum(axis=1)
    mean: Array = np.where(n_known > 0, total / np.maximum(n_known, 1), np.nan)
    return mean
