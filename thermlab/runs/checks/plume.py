"""Does the room seem to follow the power? Then its probe hangs in the warm air of the heat sink.

A room has its own course over the day, and a ladder of rising steps takes hours:
that the room was warmer at the highest step says little. A probe in the plume
follows the sink instead: late by the time constant after every step, and most of
all when the cold bench is first loaded. So the room is fitted, mount by mount,
with a straight drift in time and the rise of the sink, from what the log holds
before the first soak on.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from thermlab.runs.records import raise_flag
from thermlab.runs.settled_rise import lag_room
from thermlab.runs.time_constant import SINK_SHARE
from thermlab.runs.trace import known_mean
from thermlab.stats.variances import autocorrelation

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from thermlab.campaign.settings import CheckThresholds
    from thermlab.runs.records import Flag
    from thermlab.runs.settled_rise import Estimate
    from thermlab.runs.trace import Trace

    Array = npt.NDArray[np.float64]

POINTS_A_RUN = 24
FEWEST_STEPS = 2
# How far back the sink remembers the room.
HISTORY_TIME_CONSTANTS = 4.0
# A sink that warms by less over the ladder shows nothing.
LEAST_SINK_K = 2.0
ANOTHER_VISIT_S = 2 * 3600.0
# Periods of a heating or cooling cycle that are tried, min (common practice, no source).
CYCLES_MIN = tuple(float(period) for period in np.geomspace(12.0, 90.0, 28))


@dataclass(frozen=True, slots=True, kw_only=True)
class Following:
    """How much the room rises with the sink from no load to a mount's highest step, whose rise is as much too small."""

    rise_K: float
    u_rise_K: float
    drift_K_per_h: float
    plain_rise_K: float


def follow_power(traces: Sequence[Trace], estimates: Sequence[Estimate]) -> Following | None:
    """Fit the room of one mount's runs with a drift and the rise of the sink.

    Parameters
    ----------
    traces, estimates : sequence
        Of the runs of one mount.

    Returns
    -------
    Following or None
        None with a single step or an unknown room.
    """
    order = sorted(range(len(traces)), key=lambda i: traces[i].began_s)
    powers = np.array([traces[i].set_power_W for i in order])
    if np.unique(powers).size < FEWEST_STEPS or powers.max() < 1.15 * powers.min():
        return None
    times, sinks, rooms, visits, levels_K = [], [], [], [], []
    visit = 0
    ended: float | None = None
    for i in order:
        trace = traces[i]
        begins = trace.began_s
        if ended is not None and (begins - ended > ANOTHER_VISIT_S or begins < ended - 0.5 * trace.soak_s):
            # Hours later, or on a clock of its own that began again with its file.
            visit += 1
            ended = None
        elif ended is not None and begins < ended - 1.0:
            begins = ended
        at, sink, room = _sink_and_room(trace, estimates[i], since_s=None if ended is None else ended - begins)
        soak = at >= 0
        times.append(begins + at)
        sinks.append(sink)
        rooms.append(room)
        visits.append(np.full(at.size, visit))
        levels_K.append(
            (float(sink[soak][-POINTS_A_RUN // 4 :].mean()), float(room[soak].mean())) if soak.any() else None
        )
        ended = begins + trace.soak_s
    t, x, room = (np.concatenate(parts) for parts in (times, sinks, rooms))
    ladder = [(float(power), *level) for power, level in zip(powers, levels_K, strict=True) if level is not None]
    if room.size < 2 * POINTS_A_RUN or len(ladder) < FEWEST_STEPS:
        return None
    lowest, highest = min(ladder), max(ladder)
    if highest[1] - lowest[1] < LEAST_SINK_K:
        return None
    hours = (t - t.mean()) / 3600.0
    size = (x - x.mean()) / highest[1]
    # Hours apart the room has another level, which says nothing of the power.
    levels = np.concatenate(visits)[:, None] == np.arange(visit + 1)[None, :]
    plain_design = np.column_stack([hours, size, levels])
    design = _with_cycle(plain_design, room, hours)
    fitted = _fit_correlated(design, room)
    if fitted is None:
        return None
    coefficients, u = fitted
    return Following(
        rise_K=float(coefficients[1]),
        u_rise_K=float(u[1]),
        drift_K_per_h=float(coefficients[0]),
        plain_rise_K=highest[2] - lowest[2],
    )


def _sink_and_room(trace: Trace, estimate: Estimate, *, since_s: float | None) -> tuple[Array, Array, Array]:
    """Means over a 24th of the soak: time since it began, rise of the sink over the room, room.

    They begin with what the log holds before the soak, for a probe in the plume shows itself most when a cold bench is
    first loaded; with `since_s`, seconds before the soak, where the run before ended. The sink is what is left of the
    device when the interface's share is taken off in proportion to the power.
    """
    tau = estimate.time_constant_s or trace.soak_s / 4.0
    width = (float(trace.time_s[-1]) + 1e-6) / POINTS_A_RUN
    t, device, power, room = trace.time_s, known_mean(trace.temperature_C, axis=1), trace.power_W, trace.ambient_C
    if trace.history_device_C.size:
        before = trace.history_time_s >= max(-HISTORY_TIME_CONSTANTS * tau, -np.inf if since_s is None else since_s)
        t = np.concatenate([trace.history_time_s[before], t])
        device = np.concatenate([trace.history_device_C[before], device])
        power = np.concatenate([trace.history_power_W[before], power])
        room = np.concatenate([trace.history_C[before], room])
    known = ~np.isnan(device + power + room)
    if not known.any():
        return np.empty(0), np.empty(0), np.empty(0)
    bins = np.floor(t[known] / width).astype(np.intp)
    first = int(bins.min())
    count = np.bincount(bins - first)
    have = count > 0

    def mean(values: Array) -> Array:
        return np.asarray(np.bincount(bins - first, values[known])[have] / count[have], dtype=np.float64)

    at = np.asarray((np.flatnonzero(have) + first + 0.5) * width, dtype=np.float64)
    rise = mean(device) - lag_room(trace, at, tau, shortest_step_s=trace.interval_s)
    settled = estimate.level_K if estimate.level_K is not None else float(rise[-1])
    return at, rise - (1.0 - SINK_SHARE) * settled * mean(power) / trace.set_power_W, mean(room)


def _fit_correlated(design: Array, room_C: Array) -> tuple[Array, Array] | None:
    """Fit a room that wanders twice: plain, and for errors of first-order autocorrelation (Cochrane & Orcutt 1949).

    The plain fit is right where the room has a cycle of its own, the other where it
    walks at random. What both say is believed: of each coefficient the one nearer to zero, with the
    standard uncertainty of the second. None where the design is short of rank.
    """
    plain, _, rank, _ = np.linalg.lstsq(design, room_C, rcond=None)
    if rank < design.shape[1]:
        return None
    r = autocorrelation(room_C - design @ plain, most=0.98)
    whitened, y = design[1:] - r * design[:-1], room_C[1:] - r * room_C[:-1]
    coefficients = np.linalg.lstsq(whitened, y, rcond=None)[0]
    residual = y - whitened @ coefficients
    rest = autocorrelation(residual, most=0.9)
    variance = float(residual @ residual) / max(y.size - design.shape[1], 1) * (1 + rest) / (1 - rest)
    u: Array = np.sqrt(np.maximum(variance * np.diag(np.linalg.pinv(whitened.T @ whitened)), 0.0))
    nearer: Array = np.where(np.abs(plain) < np.abs(coefficients), plain, coefficients).astype(np.float64)
    return nearer, u


def _with_cycle(design: Array, room_C: Array, hours: Array) -> Array:
    """Add the heating cycle that explains most of what the room does besides, if it explains the better part."""
    residual = room_C - design @ np.linalg.lstsq(design, room_C, rcond=None)[0]
    best, least = design, 0.5 * float(residual @ residual)
    for period_min in CYCLES_MIN:
        angle = 2.0 * np.pi * 60.0 * hours / period_min
        cycle = np.column_stack([design, np.sin(angle), np.cos(angle)])
        left = room_C - cycle @ np.linalg.lstsq(cycle, room_C, rcond=None)[0]
        if float(left @ left) < least:
            best, least = cycle, float(left @ left)
    return best


def flag_following(fit: Following | None, thresholds: CheckThresholds) -> Flag | None:
    """Say that a mount's room follows its power; None where it does not, or nobody knows."""
    least_K = thresholds.ambient_follows_power_K
    if fit is None or fit.rise_K <= max(least_K, thresholds.ambient_follows_ratio * fit.u_rise_K):
        return None
    return raise_flag(
        "ambient follows power",
        "doubtful",
        f"From no load to the highest step of this mount the room rises by {fit.rise_K:.1f} K with the heat "
        f"sink, beside a drift of {fit.drift_K_per_h:+.1f} K/h: its probe seems to feel the sink, and the "
        "rises come out too small, at the highest step by as much.",
        rise_with_power_K=fit.rise_K,
        u_rise_K=fit.u_rise_K,
        drift_K_per_h=fit.drift_K_per_h,
        plain_rise_K=fit.plain_rise_K,
    )
