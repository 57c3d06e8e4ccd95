"""Checks on the shape of one run: departures from its approach, the room, the readout."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermlab.run_view import RunView, raise_flag
from thermlab.transients import decay

if TYPE_CHECKING:
    import numpy.typing as npt

    from thermlab.runs import Flag, Severity

    Array = npt.NDArray[np.float64]


def drift_at_constant_power(view: RunView) -> Flag | None:
    """A rise that leaves its approach although power holds: air flow, fan, contact, room."""
    e, limits = view.estimate, view.thresholds
    if e.shed or e.time_constant_s is None:
        return None
    inside = e.time_s >= view.fit_from_s
    if inside.sum() < 20:
        return None
    t, y = e.time_s[inside], e.rise_K[inside]
    bend, u_bend = _kink(t, y, e.time_constant_s)
    size = abs(bend)
    if size <= limits.drift_K or size <= limits.drift_ratio * u_bend:
        return None
    severity: Severity = "unusable" if size > limits.drift_unusable_K else "doubtful"
    return raise_flag(
        "drift at constant power",
        severity,
        f"The rise leaves its approach to the settled state by {bend:+.1f} K although the power holds: "
        "something besides the power changed.",
        departure_K=bend,
        u_departure_K=u_bend,
    )


def _kink(t: Array, y: Array, tau: float) -> tuple[float, float]:
    """Largest change of the settled level that one instant within the window explains, with its standard uncertainty.

    The rise is taken as an approach with the bench's time constant to which,
    from one instant on, an approach to another level or a sudden shift is
    added. A steady drift shows as the best of the late instants.
    """
    base = np.column_stack([np.ones(t.size), decay(t, tau, end_s=float(t[-1]))])
    q, _ = np.linalg.qr(base)
    r = y - q @ (q.T @ y)
    n = t.size
    best, best_gain, best_shape = 0.0, 0.0, None
    starts = np.linspace(t[0] + 0.08 * (t[-1] - t[0]), t[-1] - 0.12 * (t[-1] - t[0]), 24)
    for begin in starts:
        after = np.maximum(t - begin, 0.0)
        for shape in (1.0 - np.exp(-after / tau), np.minimum(after / 60.0, 1.0)):
            x = shape - q @ (q.T @ shape)
            size = float(x @ x)
            if size < 1e-6 * n:
                continue
            coefficient = float(x @ r) / size
            gain = coefficient**2 * size
            if gain > best_gain:
                # What is seen of it within the window, not what it would become.
                best, best_gain, best_shape = coefficient * float(shape[-1]), gain, x / max(float(shape[-1]), 1e-9)
    if best_shape is None:
        return 0.0, 0.0
    left = r - best_shape * float(best_shape @ r) / float(best_shape @ best_shape)
    total = float(left @ left)
    r1 = min(max(float(left[1:] @ left[:-1]) / total, 0.0), 0.9) if total > 0 else 0.0
    variance = total / max(1.0, n - 4.0) * (1 + r1) / (1 - r1)
    return best, float(np.sqrt(variance / float(best_shape @ best_shape)))


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
    if e.readout_K <= 0 or not np.isfinite(e.noise_K) or e.noise_K >= limits.coarse_noise_ratio * e.readout_K:
        return None
    if e.readout_K < 0.25:
        return None
    return raise_flag(
        "coarse readout",
        "note",
        f"Readings come in steps of {e.readout_K:g} K with a noise of only {e.noise_K:.2f} K: their mean can be off by "
        f"up to {0.5 * e.readout_K:.1f} K. A finer readout is the remedy.",
        readout_K=e.readout_K,
        noise_K=e.noise_K,
    )
