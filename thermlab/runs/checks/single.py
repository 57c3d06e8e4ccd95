"""Checks on one run: what its trace says about itself.

Every check is a small function of a :class:`RunView` that returns the flag it
raises, or None. The thresholds are in :mod:`thermlab.campaign.settings`; checks of the log itself are
in :mod:`thermlab.runs.checks.recording`, of room and readout in :mod:`thermlab.runs.checks.readings`, of the shape in
:mod:`thermlab.runs.checks.shape`, and what the runs say about each other in :mod:`thermlab.runs.checks.between`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermlab.runs.checks.readings import ambient_unsteady, coarse_readout
from thermlab.runs.checks.recording import clock_jump, gap, sensor_stuck, soak_length
from thermlab.runs.checks.shape import drift_at_constant_power
from thermlab.runs.checks.view import RunView, raise_flag

if TYPE_CHECKING:
    from collections.abc import Callable

    from thermlab.runs.records import Flag, Severity


def check_run(view: RunView) -> tuple[Flag, ...]:
    """Run every single-run check.

    Parameters
    ----------
    view : RunView
        The run.

    Returns
    -------
    tuple of Flag
        In the order of the checks.
    """
    found = (check(view) for check in CHECKS)
    return tuple(flag for flag in found if flag is not None)


def shed_power(view: RunView) -> Flag | None:
    """Held power below set while the device is at its limit."""
    e = view.estimate
    if not e.shed or e.held_power_W is None or e.held_rise_K is None:
        return None
    below = 100.0 * (1 - e.held_power_W / view.trace.set_power_W)
    return raise_flag(
        "shed power at limit",
        "unusable",
        f"The device reached its limit and held {e.held_power_W:.1f} W, {below:.1f} % below the set power; "
        "its rise is not at the set power, but the held power is an observation of the throttle power.",
        held_power_W=e.held_power_W,
        below_set_percent=below,
        held_rise_K=e.held_rise_K,
        ambient_C=e.held_ambient_C,
    )


def not_settled(view: RunView) -> Flag | None:
    """What was left of the approach at the end of the soak."""
    e, limits = view.estimate, view.thresholds
    if e.shed or e.settled:
        return None
    soak_min = view.trace.soak_s / 60.0
    if e.level_K is None or e.left_K is None:
        return raise_flag(
            "not settled",
            "unusable",
            "The run has no steady part and the bench no time constant, so a settled rise cannot be had."
            if e.time_constant_s is None
            else "The end of the soak holds too few readings beside a known room, so a settled rise cannot be had.",
            soak_min=soak_min,
            still_left_K=e.still_left_K,
            bound_K=e.bound_K,
        )
    if e.time_constant_s is None:
        return None
    soaked = view.trace.soak_s / e.time_constant_s
    trusted = soaked >= limits.trusted_soak_time_constants and abs(e.left_K) <= limits.trusted_left_K
    reason = f"{e.left_K:+.2f} K was still to come after {soaked:.1f} time constants; the settled rise includes it."
    if not trusted:
        reason = (
            f"{e.left_K:+.2f} K was still to come after {soaked:.1f} time constants; an extrapolation is trusted from "
            f"{limits.trusted_soak_time_constants:g} time constants on and up to {limits.trusted_left_K:g} K."
        )
    return raise_flag(
        "not settled",
        "note" if trusted else "doubtful",
        reason,
        left_K=e.left_K,
        still_left_K=e.still_left_K,
        bound_K=e.bound_K,
        soak_time_constants=soaked,
    )


def power_off_set(view: RunView) -> Flag | None:
    """Logged power against set power, and its course within the soak."""
    e, limits, trace = view.estimate, view.thresholds, view.trace
    if e.shed:
        return None
    if not np.isfinite(e.power_W):
        return raise_flag("power off set", "unusable", "No power was logged in the fit window.", missing_percent=100.0)
    off = 100.0 * (e.power_W / trace.set_power_W - 1)
    own = 100.0 * (e.power_W / trace.set_power_W / view.power_ratio - 1)
    # Common to all runs it is the meter or the setting; the correction to set power takes it out.
    course = _power_course(view)
    if abs(off) > limits.power_off_unusable_percent:
        severity: Severity = "unusable"
    elif abs(own) > limits.power_off_doubtful_percent or abs(course) > limits.power_drift_percent:
        severity = "doubtful"
    elif abs(off) > limits.power_off_note_percent:
        severity = "note"
    else:
        return None
    text = f"Logged power was {off:+.1f} % off the set power"
    if abs(own - off) > 0.5:
        text += f" ({own:+.1f} % against the other runs)"
    if abs(course) > limits.power_drift_percent:
        text += f" and moved by {course:+.1f} % within the soak"
    return raise_flag(
        "power off set", severity, text + ".", off_percent=off, against_others_percent=own, course_percent=course
    )


def _power_course(view: RunView) -> float:
    """Change of power from the first quarter of the soak to its end, percent of set; without the first blocks."""
    blocks = view.blocks
    t, p = blocks.time_s, blocks.power_W
    settle = min(120.0, 0.1 * view.trace.soak_s)
    early = (t > settle) & (t < 0.35 * view.trace.soak_s)
    late = t > 0.75 * view.trace.soak_s
    if early.sum() < 3 or late.sum() < 3:
        return 0.0
    change = float(np.median(p[late]) - np.median(p[early]))
    # A load that comes and goes by the second has a median that wanders; 1.25 is that of a normal sample's median.
    scatter = [1.4826 * float(np.median(np.abs(p[part] - np.median(p[part])))) for part in (early, late)]
    u = 1.25 * float(np.hypot(scatter[0] / np.sqrt(early.sum()), scatter[1] / np.sqrt(late.sum())))
    if abs(change) <= view.thresholds.power_drift_ratio * u:
        return 0.0
    return 100.0 * change / view.trace.set_power_W


def load_step(view: RunView) -> Flag | None:
    """A lasting step or an interruption of the power within the soak."""
    e, limits, trace, blocks = view.estimate, view.thresholds, view.trace, view.blocks
    if e.shed:
        return None
    t, p = blocks.time_s, blocks.power_W
    inside = t > min(60.0, 0.2 * trace.soak_s)
    if inside.sum() < 6:
        return None
    usual = float(np.median(p[inside]))
    noise = 1.4826 * float(np.median(np.abs(p[inside] - usual)))
    off = np.abs(p - usual) > max(limits.load_step_percent / 100.0 * usual, 6.0 * noise)
    off &= inside
    edges = np.flatnonzero(np.diff(np.r_[0, off.astype(np.int8), 0]))
    spans = [(lo, hi) for lo, hi in zip(edges[::2], edges[1::2], strict=True)]
    spans = [(lo, hi) for lo, hi in spans if (hi - lo) * blocks.length_s >= limits.load_step_min * 60.0 - 1e-6]
    if not spans:
        return None
    lo, hi = max(spans, key=lambda span: span[1] - span[0])
    size = float(np.median(p[lo:hi]) - usual)
    began, lasted = float(t[lo]) / 60.0, (hi - lo) * blocks.length_s / 60.0
    after = trace.soak_s - float(t[hi - 1])
    fresh = e.time_constant_s is None or after < 1.6 * e.time_constant_s
    return raise_flag(
        "load step",
        "unusable" if fresh and abs(size) * lasted > 0.02 * usual * trace.soak_s / 60.0 else "doubtful",
        f"Power changed by {size:+.1f} W for {lasted:.1f} min, {began:.1f} min after the soak began.",
        step_W=size,
        began_min=began,
        lasted_min=lasted,
    )


CHECKS: tuple[Callable[[RunView], Flag | None], ...] = (
    shed_power,
    not_settled,
    power_off_set,
    load_step,
    drift_at_constant_power,
    ambient_unsteady,
    sensor_stuck,
    gap,
    clock_jump,
    soak_length,
    coarse_readout,
)
