"""Does the room seem to follow the power? Then its probe hangs in the warm air of the heat sink.

A room has its own course over the day, and a ladder of rising steps takes hours:
that the room was warmer at the highest step says little. A probe in the plume
follows the sink instead: late by the time constant after every step. So the
room is fitted, mount by mount, with a straight drift in time and the power as
the sink feels it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from thermlab.run_view import raise_flag

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from thermlab.reduction import Estimate
    from thermlab.runs import Flag
    from thermlab.thresholds import CheckThresholds
    from thermlab.traces import Trace

    Array = npt.NDArray[np.float64]

POINTS_A_RUN = 24
FEWEST_STEPS = 2
# Runs this far apart, in seconds, no longer follow each other.
CONTIGUOUS_S = 120.0
ANOTHER_VISIT_S = 2 * 3600.0
# Periods of a heating or cooling cycle that are tried, min (common practice, no source).
CYCLES_MIN = tuple(float(period) for period in np.geomspace(12.0, 90.0, 28))


@dataclass(frozen=True, slots=True, kw_only=True)
class Following:
    """How much the room rises from the lowest to the highest step of a mount with the power alone."""

    at: tuple[int, ...]
    rise_K: float
    u_rise_K: float
    drift_K_per_h: float
    plain_rise_K: float


def follow_power(positions: Sequence[int], traces: Sequence[Trace], estimates: Sequence[Estimate]) -> Following | None:
    """Fit the room of one mount's runs with a drift and the power as the sink feels it.

    Parameters
    ----------
    positions : sequence of int
        Of the runs, among all runs.
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
    times, felts, rooms, visits = [], [], [], []
    visit = 0
    felt_W: float | None = None
    ended: float | None = None
    for i in order:
        trace, estimate = traces[i], estimates[i]
        tau = estimate.time_constant_s or trace.soak_s / 4.0
        begins = trace.began_s if ended is None or trace.began_s >= ended - 1.0 else ended
        if ended is not None and begins - ended > ANOTHER_VISIT_S:
            visit += 1
        if felt_W is None or ended is None or begins - ended > CONTIGUOUS_S:
            felt_W = trace.set_power_W if trace.lead_in_W is None else trace.lead_in_W
        edges = np.linspace(0.0, trace.time_s[-1] + 1e-6, POINTS_A_RUN + 1)
        index = np.searchsorted(edges, trace.time_s, side="right") - 1
        known = ~np.isnan(trace.ambient_C)
        count = np.bincount(index[known], minlength=POINTS_A_RUN)[:POINTS_A_RUN]
        total = np.bincount(index[known], trace.ambient_C[known], minlength=POINTS_A_RUN)[:POINTS_A_RUN]
        middle = 0.5 * (edges[1:] + edges[:-1])
        have = count > 0
        sink = trace.set_power_W + (felt_W - trace.set_power_W) * np.exp(-middle / tau)
        times.append((begins + middle)[have])
        felts.append(sink[have])
        rooms.append(total[have] / count[have])
        visits.append(np.full(int(have.sum()), visit))
        felt_W = float(trace.set_power_W + (felt_W - trace.set_power_W) * np.exp(-trace.soak_s / tau))
        ended = begins + trace.soak_s
    t, x, room = (np.concatenate(parts) for parts in (times, felts, rooms))
    if room.size < 2 * POINTS_A_RUN:
        return None
    hours = (t - t.mean()) / 3600.0
    size = (x - x.mean()) / float(powers.max() - powers.min())
    # Hours apart the room has another level, which says nothing of the power.
    levels = np.concatenate(visits)[:, None] == np.arange(visit + 1)[None, :]
    plain_design = np.column_stack([hours, size, levels])
    design = _with_cycle(plain_design, room, hours)
    fitted = _fit_correlated(design, room)
    if fitted is None:
        return None
    coefficients, u = fitted
    level = [(float(powers[k]), float(np.mean(part))) for k, part in enumerate(rooms) if part.size]
    return Following(
        at=tuple(positions[i] for i in order),
        rise_K=float(coefficients[1]),
        u_rise_K=float(u[1]),
        drift_K_per_h=float(coefficients[0]),
        plain_rise_K=max(level)[1] - min(level)[1],
    )


def _fit_correlated(design: Array, room_C: Array) -> tuple[Array, Array] | None:
    """Fit a room that wanders twice: plain, and for errors of first-order autocorrelation (Cochrane & Orcutt 1949).

    The plain fit is right where the room has a cycle of its own, the other where it
    walks at random. What both say is believed: of each coefficient the one nearer to zero, with the
    standard uncertainty of the second. None where the design is short of rank.
    """
    plain, _, rank, _ = np.linalg.lstsq(design, room_C, rcond=None)
    if rank < design.shape[1]:
        return None
    r = _autocorrelation(room_C - design @ plain, most=0.98)
    whitened, y = design[1:] - r * design[:-1], room_C[1:] - r * room_C[:-1]
    coefficients = np.linalg.lstsq(whitened, y, rcond=None)[0]
    residual = y - whitened @ coefficients
    rest = _autocorrelation(residual, most=0.9)
    variance = float(residual @ residual) / max(y.size - design.shape[1], 1) * (1 + rest) / (1 - rest)
    u: Array = np.sqrt(np.maximum(variance * np.diag(np.linalg.pinv(whitened.T @ whitened)), 0.0))
    nearer: Array = np.where(np.abs(plain) < np.abs(coefficients), plain, coefficients).astype(np.float64)
    return nearer, u


def _autocorrelation(residual: Array, *, most: float) -> float:
    squares = float(residual @ residual)
    return min(max(float(residual[1:] @ residual[:-1]) / squares, 0.0), most) if squares > 0 else 0.0


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


def flag_following(fits: Sequence[Following], thresholds: CheckThresholds) -> dict[int, Flag]:
    """Find the mounts whose room follows their power.

    Parameters
    ----------
    fits : sequence of Following
        One entry a mount.
    thresholds : CheckThresholds
        Limits in use.

    Returns
    -------
    dict of int to Flag
        By position among all runs; a mount's flag stands on each of its runs.
    """
    flags: dict[int, Flag] = {}
    for fit in fits:
        if fit.rise_K <= max(thresholds.ambient_follows_power_K, thresholds.ambient_follows_ratio * fit.u_rise_K):
            continue
        for i in fit.at:
            flags[i] = raise_flag(
                "ambient follows power",
                "doubtful",
                f"From the lowest to the highest step of this mount the room rose by {fit.rise_K:.1f} K with the "
                f"power, late by the time constant and beside a drift of {fit.drift_K_per_h:+.1f} K/h: its probe "
                "seems to feel the heat sink, and the rises come out too small.",
                rise_with_power_K=fit.rise_K,
                u_rise_K=fit.u_rise_K,
                drift_K_per_h=fit.drift_K_per_h,
                plain_rise_K=fit.plain_rise_K,
            )
    return flags
