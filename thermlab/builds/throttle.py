"""At which power a build reaches its limit in the customer's room.

The rise curve of the campaign's mounts is moved in parallel, per watt, to pass
through the build's own rises, as a resistance in series moves it, and solved
for the rise that is left between the customer's room and the limit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from thermlab.builds.expectations import Expected, Interval, prior_of
from thermlab.compare.mount_curves import OTHER_EXPONENTS, curves_of_mounts
from thermlab.compare.mounts import tabulate_mounts
from thermlab.compare.throttle import FARTHEST_EXTRAPOLATION, predict_throttle
from thermlab.compare.uncertainty import effective_dof
from thermlab.stats.curves import EXPONENT, RiseCurve, fit_curve
from thermlab.stats.dunnett import t_point
from thermlab.stats.least_squares import NotEstimableError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermlab.builds.references import Reference
    from thermlab.builds.settings import BuildSettings
    from thermlab.runs.records import ReducedRun


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildThrottle:
    """Power at which the build reaches its limit in the customer's room.

    Attributes
    ----------
    room_C, temperature_limit_C : float
        Customer's room and limit of the device, degC.
    required_W : float
        Least throttle power, set beforehand, W.
    throttle_power_W : float or None
        Of this build, W.
    u_W : float or None
        Its combined standard uncertainty, W.
    interval_W, margin_interval_W : tuple of float or None
        Interval of the power, and of what it exceeds the requirement by, W.
    margin_W : float or None
        Power less requirement, W.
    expected_W : float or None
        Mean of the campaign's mounts in the same room, W.
    expected_interval_W : tuple of float or None
        Where one fresh mount was expected, W.
    extrapolation : float or None
        Throttle power over the highest used step of the campaign, less 1.
    directly_observed_W : float or None
        Held power of runs that reached the limit, moved along the curve to the customer's room, W.
    contributions_W : dict of str to float
        Standard uncertainties that make up ``u_W``, W.
    reason : str
        Why there is no throttle power; empty where there is one.
    """

    room_C: float
    temperature_limit_C: float
    required_W: float
    throttle_power_W: float | None = None
    u_W: float | None = None
    interval_W: Interval | None = None
    margin_W: float | None = None
    margin_interval_W: Interval | None = None
    expected_W: float | None = None
    expected_interval_W: Interval | None = None
    extrapolation: float | None = None
    directly_observed_W: float | None = None
    contributions_W: dict[str, float] = field(default_factory=dict)
    reason: str = ""


def build_throttle(
    runs: Sequence[ReducedRun],
    rises: Sequence[Expected],
    reference: Reference,
    settings: BuildSettings,
) -> BuildThrottle:
    """Find the power at which a build reaches its limit in the customer's room.

    Parameters
    ----------
    runs : sequence of ReducedRun
        Of the build; those that reached the limit are direct observations.
    rises : sequence of Expected
        From :func:`expected_rises`.
    reference : Reference
        Its campaign.
    settings : BuildSettings
        Room, limit and requirement.

    Notes
    -----
    With the mean curve b P + a P^0.8 of all mounts of the campaign and the build's rises y at powers P, the build's
    curve is the same with b + sum P (y - curve(P)) / sum P^2. Its standard uncertainty at a power P* adds the build's
    own readings (taken as fully correlated between steps), what the mounts leave open of the bend a, and the
    exponent (0.75 to 0.85, rectangular).
    """
    room, limit_C = settings.customer.room_C, settings.customer.temperature_C
    limit_K = limit_C - room
    required = settings.acceptance.required_W
    expected_W, expected_interval = _expected_throttle(reference, settings)
    found = BuildThrottle(
        room_C=room,
        temperature_limit_C=limit_C,
        required_W=required,
        expected_W=expected_W,
        expected_interval_W=expected_interval,
    )
    mean = _mean_curve(reference)
    if not rises or mean is None:
        reason = "no acceptance run could be used" if not rises else "the campaign has too few power steps for a curve"
        return replace(found, reason=reason)
    curve, u_bend, bend_dof = mean
    moved = _moved(curve, rises)
    power = moved.power_W(limit_K)
    found = replace(found, directly_observed_W=_observed(runs, moved, limit_K))
    reason = _refusal(power, curve)
    if power is None or reason:
        return replace(found, reason=reason)
    parts, dofs = _contributions(reference, rises, moved, power, limit_K, u_bend, bend_dof)
    u = math.hypot(*parts.values())
    dof = effective_dof(list(parts.values()), dofs)
    half = t_point(0.5 + reference.confidence_level / 2.0, math.inf if dof is None else dof) * u
    return replace(
        found,
        throttle_power_W=power,
        u_W=u,
        interval_W=(power - half, power + half),
        margin_W=power - required,
        margin_interval_W=(power - half - required, power + half - required),
        extrapolation=power / curve.highest_W - 1.0,
        contributions_W=parts,
    )


def _refusal(power_W: float | None, curve: RiseCurve) -> str:
    """Say why a power is not given; empty where it is."""
    if power_W is None:
        return "the build's curve does not reach the limit"
    beyond, below = power_W / curve.highest_W - 1.0, 1.0 - power_W / curve.lowest_W
    trusted = f"more than {FARTHEST_EXTRAPOLATION:.0%} is not trusted"
    if beyond > FARTHEST_EXTRAPOLATION:
        return f"it would lie {beyond:.0%} above the campaign's highest step of {curve.highest_W:g} W; {trusted}"
    if below > FARTHEST_EXTRAPOLATION:
        return f"it would lie {below:.0%} below the campaign's lowest step of {curve.lowest_W:g} W; {trusted}"
    return ""


def _mean_curve(reference: Reference) -> tuple[RiseCurve, float, int] | None:
    """Return the mean curve of all mounts, the standard uncertainty of its bend, and its degrees of freedom."""
    table = tabulate_mounts(reference.runs, reference.treatments)
    curves = [curve.curve for curve in curves_of_mounts(table)[0] if curve is not None]
    if not curves:
        return None
    bends = np.array([curve.a for curve in curves])
    n = bends.size
    mean = RiseCurve(
        b_K_per_W=float(np.mean([curve.b_K_per_W for curve in curves])),
        a=float(bends.mean()),
        lowest_W=min(curve.lowest_W for curve in curves),
        highest_W=max(curve.highest_W for curve in curves),
    )
    # A bend shared by all mounts has no scatter to judge it by; the exponent then stands for the doubt about the shape.
    u = float(bends.std(ddof=1)) / math.sqrt(n) if n > 1 and float(np.ptp(bends)) > 0.0 else 0.0
    return mean, u, n - 1


def _moved(curve: RiseCurve, rises: Sequence[Expected]) -> RiseCurve:
    squares = math.fsum(one.set_power_W**2 for one in rises)
    off = math.fsum(one.set_power_W * (one.rise_K - curve.rise_K(one.set_power_W)) for one in rises) / squares
    return RiseCurve(
        b_K_per_W=curve.b_K_per_W + off,
        a=curve.a,
        exponent=curve.exponent,
        lowest_W=curve.lowest_W,
        highest_W=curve.highest_W,
    )


def _contributions(
    reference: Reference,
    rises: Sequence[Expected],
    moved: RiseCurve,
    power_W: float,
    limit_K: float,
    u_bend: float,
    bend_dof: int,
) -> tuple[dict[str, float], list[float | None]]:
    slope = moved.slope_K_per_W(power_W)
    squares = math.fsum(one.set_power_W**2 for one in rises)
    readings = math.fsum(one.set_power_W * (one.u_rise_K or 0.0) for one in rises) / squares * power_W / slope
    # How far a change of the bend moves the curve at the limit once it is held at the build's own steps.
    held = math.fsum(one.set_power_W * one.set_power_W**EXPONENT for one in rises) / squares * power_W
    bend = u_bend * abs(power_W**EXPONENT - held) / slope
    others = [_power_with(reference, rises, exponent, limit_K) for exponent in OTHER_EXPONENTS]
    known = [power_W, *(value for value in others if value is not None)]
    parts = {
        "readings of the build": readings,
        "bend of the curve": bend,
        "exponent of the curve": (max(known) - min(known)) / 2.0 / math.sqrt(3.0),
    }
    return parts, [None, float(bend_dof) if bend_dof > 0 else None, None]


def _power_with(reference: Reference, rises: Sequence[Expected], exponent: float, limit_K: float) -> float | None:
    used = [run for run in reference.runs if run.used and run.rise_K is not None]
    try:
        curve = fit_curve([run.set_power_W for run in used], [run.rise_K or 0.0 for run in used], exponent=exponent)
    except NotEstimableError:
        return None
    return _moved(curve, rises).power_W(limit_K)


def _observed(runs: Sequence[ReducedRun], moved: RiseCurve, limit_K: float) -> float | None:
    found = []
    for run in runs:
        if run.held is not None:
            slope = moved.slope_K_per_W(run.held.held_power_W)
            if slope > 0.0:
                found.append(run.held.held_power_W + (limit_K - run.held.held_rise_K) / slope)
    return math.fsum(found) / len(found) if found else None


def _expected_throttle(reference: Reference, settings: BuildSettings) -> tuple[float | None, Interval | None]:
    """Return where the campaign's mounts throttle in the customer's room, and where a fresh one was expected."""
    analysis = reference.settings.get("analysis") or {}
    found = predict_throttle(
        reference.runs,
        treatments=reference.treatments,
        baseline=reference.treatments[0],
        room_C=settings.customer.room_C,
        temperature_C=settings.customer.temperature_C,
        confidence_level=reference.confidence_level,
        variance="welch" if analysis.get("variance") == "welch" else "pooled",
        prior=prior_of(reference),
        cooling=reference.cooling,
    )
    item = next((one for one in found.treatments if one.treatment == settings.treatment), None)
    return (None, None) if item is None else (item.throttle_power_W, item.future_mount_interval_W)
