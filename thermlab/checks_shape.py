"""Checks on the shape of one run: departures from its approach, the room, the readout."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from thermlab.run_view import raise_flag
from thermlab.transients import decay

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from thermlab.reduction import Estimate
    from thermlab.run_view import RunView
    from thermlab.runs import Flag, Severity
    from thermlab.traces import Trace

    Array = npt.NDArray[np.float64]

FEWEST_IN_COMMON = 3
MOST_IN_COMMON = 15
LARGEST_VARIANCE = 2.0
LATE = 0.2


def drift_at_constant_power(view: RunView) -> Flag | None:
    """A rise that leaves its approach although power holds: air flow, fan, contact, room."""
    e, limits, shape = view.estimate, view.thresholds, view.shape
    if e.shed or shape is None:
        return None
    # A disturbance of another shape adds to the run's own variance and must not hide itself.
    variance = min(max(view.usual_variance_K2, shape.variance_K2), LARGEST_VARIANCE * view.usual_variance_K2)
    u_bend = float(np.sqrt(variance / max(shape.leverage, 1e-9)))
    bent = abs(shape.bend_K) > limits.drift_ratio * u_bend
    away = shape.departure_K > limits.drift_departure_ratio * max(view.usual_departure_K, 0.02)
    sizes = [size for size, counts in ((shape.seen_K, bent), (shape.departure_K, away)) if counts]
    size = max(sizes, default=0.0)
    if size <= limits.drift_K:
        return None
    # Unusable is said of what the settled rise may be off by: the shift itself, where it is known at all well.
    shift = abs(shape.bend_K) if bent and u_bend < 0.25 * abs(shape.bend_K) else size
    severity: Severity = "unusable" if max(size, min(shift, 3.0 * size)) > limits.drift_unusable_K else "doubtful"
    return raise_flag(
        "drift at constant power",
        severity,
        f"The rise leaves its approach to the settled state by {size:.1f} K although the power holds: "
        "something besides the power changed.",
        departure_K=shape.departure_K,
        shift_K=shape.bend_K,
        u_shift_K=u_bend,
        shift_at_min=shape.bend_at_min,
        seen_K=shape.seen_K,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """How a run departs from its approach.

    Attributes
    ----------
    bend_K : float
        Shift of the rise, from one instant on, that fits best, as seen at the end of the soak, K.
    bend_at_min : float
        That instant, minutes since the soak began.
    seen_K : float
        How far, peak to peak, it takes the rise from the plain approach, K.
    leverage : float
        Sum of squares of its shape: its variance is that of one value over this.
    departure_K : float
        Largest smoothed departure from the plain approach, K.
    variance_K2 : float
        Variance of a block mean about the approach with the shift, inflated for correlation.
    """

    bend_K: float
    bend_at_min: float
    seen_K: float
    leverage: float
    departure_K: float
    variance_K2: float


@dataclass(frozen=True, slots=True)
class _Residual:
    """What a plain approach leaves of a run within the slow part of its soak."""

    time_s: Array
    left_K: Array
    basis: Array
    tau_s: float


def describe_shapes(
    estimates: Sequence[Estimate], powers_W: Sequence[float], *, slow_from: float
) -> list[Shape | None]:
    """Compare every run with a plain approach to its settled rise.

    What runs at one power have in common is the bench's, not the run's: an
    approach is never exactly an exponential. So the median of what the other
    runs of the same power leave is taken off first, where there are three.

    Parameters
    ----------
    estimates : sequence of Estimate
        The runs of a bench.
    powers_W : sequence of float
        Their set powers.
    slow_from : float
        Where the slow approach begins, in time constants.

    Returns
    -------
    list of Shape or None
        None without a time constant or with fewer than 20 blocks.
    """
    residuals = [_residual(e, slow_from) for e in estimates]
    shapes: list[Shape | None] = []
    for i, mine in enumerate(residuals):
        if mine is None:
            shapes.append(None)
            continue
        same = [
            other for j, other in enumerate(residuals) if j != i and other is not None and powers_W[j] == powers_W[i]
        ]
        left = mine.left_K
        if len(same) >= FEWEST_IN_COMMON:
            few = same[:: -(-len(same) // MOST_IN_COMMON)]
            common = np.median([np.interp(mine.time_s, other.time_s, other.left_K) for other in few], axis=0)
            left = left - (common - mine.basis @ (mine.basis.T @ common))
        shapes.append(_shape(mine, left))
    return shapes


def _residual(estimate: Estimate, slow_from: float) -> _Residual | None:
    tau = estimate.time_constant_s
    if tau is None:
        return None
    inside = estimate.time_s >= slow_from * tau
    if inside.sum() < 20:
        return None
    t, y = estimate.time_s[inside], estimate.rise_K[inside]
    basis, _ = np.linalg.qr(np.column_stack([np.ones(t.size), decay(t, tau, end_s=float(t[-1]))]))
    return _Residual(t, y - basis @ (basis.T @ y), basis, tau)


def _shape(mine: _Residual, r: Array) -> Shape:
    t, tau, q = mine.time_s, mine.tau_s, mine.basis
    wide = max(3, int(0.12 * tau / max(float(np.median(np.diff(t))), 1e-9)))
    wide = min(wide, t.size // 4)
    smooth = np.convolve(r, np.ones(wide) / wide, mode="valid")
    shapes, at = _shifts(t, tau)
    shapes = shapes - (shapes @ q) @ q.T
    sizes = np.einsum("gt,gt->g", shapes, shapes)
    usable = sizes > 1e-4 * t.size
    coefficients = np.where(usable, (shapes @ r) / np.maximum(sizes, 1e-12), 0.0)
    best = int(np.argmax(coefficients**2 * sizes))
    bend = coefficients[best] * shapes[best]
    left = r - bend
    total = float(left @ left)
    r1 = min(max(float(left[1:] @ left[:-1]) / total, 0.0), 0.9) if total > 0 else 0.0
    return Shape(
        bend_K=float(coefficients[best]),
        bend_at_min=float(at[best]) / 60.0,
        seen_K=float(np.ptp(bend)),
        leverage=float(sizes[best]),
        departure_K=float(np.abs(smooth).max()),
        variance_K2=total / max(1.0, t.size - 4.0) * (1 + r1) / (1 - r1),
    )


def _shifts(t: Array, tau: float) -> tuple[Array, Array]:
    """Shapes of a change at one of 24 instants, each 1 at the end: a slow approach to it, or within a minute."""
    span = float(t[-1] - t[0])
    begins = np.repeat(t[0] + np.linspace(0.08, 0.88, 24) * span, 2)
    after = np.maximum(t[None, :] - begins[:, None], 0.0)
    shapes = np.where(
        (np.arange(begins.size) % 2 == 0)[:, None], 1.0 - np.exp(-after / tau), np.minimum(after / (0.08 * tau), 1.0)
    )
    return shapes / np.maximum(shapes[:, -1:], 1e-9), begins


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
    # Worst bias of a mean of rounded readings: half a step without noise, (1 / pi) exp(-2 pi^2 s^2) of it with.
    bias = e.readout_K * min(0.5, float(np.exp(-2.0 * np.pi**2 * (noise / e.readout_K) ** 2)) / np.pi)
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
