"""The power at which a build will reach its limit in the customer's room."""

import contextlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from thermlab.builds.evidence import Reference, curve_and_bends
from thermlab.builds.rises import Expected
from thermlab.builds.settings import BuildSettings
from thermlab.compare.records import Interval
from thermlab.compare.throttle import OTHER_EXPONENTS, Rooms, hottest_apart, move_along, predict_throttle, too_far
from thermlab.compare.uncertainty import effective_dof
from thermlab.runs.records import ReducedRun
from thermlab.runs.settled_runs import STEPS_APART, curve_through
from thermlab.runs.time_constant import COOLINGS
from thermlab.stats.curves import EXPONENT, RiseCurve, curve_design, fit_curve
from thermlab.stats.dunnett import t_point
from thermlab.stats.least_squares import NotEstimableError

# Slope of a rise curve over rise per power: P^0.75 to P behind a passive sink; with fans at constant speed nearly P
# (common practice, no source).
OTHER_SLOPES = {"passive": (0.75, 1.0), "forced": (0.95, 1.05)}
LONGER_SOAK = "; without the time constant of a campaign, one or two runs need a soak of four time constants"


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
    room_effect_W : tuple of float or None
        By how much the power in the customer's room lies above what the acceptance room tells, W: twice the same
        number where the radiated share is declared (then it is in the power), else a range (then in the interval).
    hottest : tuple of float or None
        Where the mean of the sensors is judged: by how much the hottest lay above it, K, and what that takes, W.
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
    room_effect_W: Interval | None = None
    hottest: tuple[float, float] | None = None
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
    exponent (0.75 to 0.85, rectangular). Without a campaign the curve is that of the build's own steps; with steps less
    than a tenth apart it is assumed, its slope between that of P^0.75 and of P behind a passive sink (rectangular).
    """
    limits, required = settings.keeps, settings.acceptance.required_W
    limit_K, share = limits.temperature_C - limits.room_C, reference.settings.get("radiated_share")
    mean, bends = curve_and_bends(reference)
    if reference.alone:
        curves = _own_curves(runs, reference.cooling)
    else:
        curves = [] if mean is None or not rises else _moved_curves(mean, reference, rises)
    found = BuildThrottle(
        room_C=limits.room_C,
        temperature_limit_C=limits.temperature_C,
        required_W=required,
        **_expected(reference, settings),
        directly_observed_W=_observed(runs, mean or next(iter(curves), None), limit_K, reference.cooling),
    )
    if not curves:
        reason = "the campaign has too few power steps for a curve" if rises else "no acceptance run could be used"
        short = reference.alone and any("not settled" in run.reason for run in runs)
        return replace(found, reason=f"{reason}{LONGER_SOAK if short else ''}")
    power = curves[0].power_W(limit_K)
    whose, ladder = "the build's" if reference.alone else "the campaign's", (curves[0].lowest_W, curves[0].highest_W)
    reason = "the build's curve does not reach the limit" if power is None else too_far(power, *ladder, whose)
    if power is None or reason:
        return replace(found, reason=reason)
    known = [power, *(other for curve in curves[1:] if (other := curve.power_W(limit_K)) is not None)]
    shape = (max(known) - min(known)) / 2.0 / math.sqrt(3.0)
    above, slope = power / curves[0].highest_W - 1.0, curves[0].slope_K_per_W(power)
    if reference.alone:
        parts, dof = {"readings of the build": _own_readings_K(runs, power) / slope, "shape of the curve": shape}, None
    else:
        readings_K, bend_K = _moved_readings_K(rises, bends, power)
        parts = {"readings of the build": readings_K / slope, "bend of the curve": bend_K / slope}
        parts["exponent of the curve"] = shape
        dof = effective_dof(list(parts.values()), [None, float(len(bends) - 1) or None, None])
    u = math.hypot(*parts.values())
    half = t_point(0.5 + reference.confidence_level / 2.0, math.inf if dof is None else dof) * u
    rooms = Rooms(tested_room_C(runs, limits.room_C), limits.room_C, limit_K, reference.cooling, share)
    effect = rooms.effect_W(power, slope, above)
    # A known effect of the room moves the power; one that is a range widens its interval.
    there = power + (effect[0] if effect[0] == effect[1] else 0.0)
    low, high = power - half + effect[0], power + half + effect[1]
    return replace(
        found,
        throttle_power_W=there,
        u_W=u,
        interval_W=(low, high),
        margin_W=there - required,
        margin_interval_W=(low - required, high - required),
        room_effect_W=effect,
        hottest=hottest_apart(runs, power, slope) if reference.settings.get("measurand") == "mean" else None,
        extrapolation=above,
        contributions_W=parts,
    )


def _expected(reference: Reference, settings: BuildSettings) -> dict[str, Any]:
    """Return where a fresh mount of the treatment was expected to throttle; nothing without a campaign."""
    if reference.alone:
        return {}
    limits, share = settings.keeps, reference.settings.get("radiated_share")
    asked = reference.asked() | {"room_C": limits.room_C, "temperature_C": limits.temperature_C}
    found = predict_throttle(reference.runs, cooling=reference.cooling, radiated_share=share, **asked)
    own = next(one for one in found.treatments if one.treatment == settings.treatment)
    return {"expected_W": own.throttle_power_W, "expected_interval_W": own.future_mount_interval_W}


def tested_room_C(runs: Sequence[ReducedRun], otherwise_C: float) -> float:
    """Return the mean room of the used runs, degC."""
    rooms = [run.ambient_C for run in runs if run.used and run.ambient_C is not None]
    return math.fsum(rooms) / len(rooms) if rooms else otherwise_C


def _moved_curves(mean: RiseCurve, reference: Reference, rises: Sequence[Expected]) -> list[RiseCurve]:
    """Return curves of a campaign, the mean first, moved in parallel per watt to pass through the rises of a build."""
    powers, rises_K = (np.array([getattr(one, name) for one in rises]) for name in ("set_power_W", "rise_K"))
    used = [(run.set_power_W, run.rise_K) for run in reference.runs if run.used and run.rise_K is not None]
    curves = [mean]
    with contextlib.suppress(NotEstimableError):
        curves += [fit_curve(*zip(*used, strict=True), exponent=exponent) for exponent in OTHER_EXPONENTS]

    off_K = [rises_K - np.array([curve.rise_K(power) for power in powers]) for curve in curves]
    shifts = [float(powers @ off / (powers @ powers)) for off in off_K]
    return [replace(curve, b_K_per_W=curve.b_K_per_W + by) for curve, by in zip(curves, shifts, strict=True)]


def _moved_readings_K(rises: Sequence[Expected], bends: Sequence[float], power_W: float) -> tuple[float, float]:
    """Return what the readings of a build, and what the bend, leave open of a moved curve at a power, K."""
    powers, u_K = (np.array([getattr(one, name) or 0.0 for one in rises]) for name in ("set_power_W", "u_rise_K"))
    weights = powers * power_W / (powers @ powers)
    # How far a change of the bend moves the curve at the limit once it is held at the build's own steps. A bend shared
    # by all mounts has no scatter to judge it by; the exponent then stands for the doubt about the shape.
    scatter = float(np.std(bends, ddof=1)) / math.sqrt(len(bends)) if np.ptp(bends) > 0.0 else 0.0
    return float(weights @ u_K), scatter * abs(power_W**EXPONENT - float(weights @ powers**EXPONENT))


def _own_curves(runs: Sequence[ReducedRun], cooling: str) -> list[RiseCurve]:
    """Return the curve of a build's own runs, and what else could stand in its place; none where no run can be used."""
    used = [run for run in runs if run.used and run.rise_K is not None]
    if not used:
        return []
    powers, rises = (np.array([getattr(run, name) for run in used]) for name in ("set_power_W", "rise_K"))
    if np.ptp(powers) > STEPS_APART * powers.max():
        return [fit_curve(powers, rises, exponent=exponent) for exponent in (EXPONENT, *OTHER_EXPONENTS)]
    shares = (COOLINGS[cooling].single_step_slope, *OTHER_SLOPES[cooling])
    return [curve_through(float(powers.mean()), float(rises.mean()), share=share) for share in shares]


def _own_readings_K(runs: Sequence[ReducedRun], power_W: float) -> float:
    """Return what the readings of a build leave open of the curve through them at a power, K."""
    used = [run for run in runs if run.used and run.rise_K is not None]
    names = ("set_power_W", "u_rise_K", "u_rise_a_K")
    powers, u_K, scatter_K = (np.array([getattr(run, name) or 0.0 for run in used]) for name in names)
    apart = np.ptp(powers) > STEPS_APART * powers.max()
    basis = curve_design(np.append(powers, power_W))[:, : 2 if apart else 1]
    weights = basis[-1] @ np.linalg.pinv(basis[:-1])
    # Sensors and power meter are off by the same in every run; what is left scatters from run to run.
    common_K = np.sqrt(np.maximum(u_K**2 - scatter_K**2, 0.0))
    return math.hypot(float(weights @ common_K), float(np.linalg.norm(weights * scatter_K)))


def _observed(runs: Sequence[ReducedRun], curve: RiseCurve | None, limit_K: float, cooling: str) -> float | None:
    """Return the mean of the powers that runs held at the limit, moved along the curve to the customer's room, W."""
    found = []
    for held in (run.held for run in runs if run.held is not None):
        shape = curve or curve_through(held.held_power_W, held.held_rise_K, share=COOLINGS[cooling].single_step_slope)
        there = move_along(shape, held.held_power_W, held.held_rise_K, limit_K)
        found += [] if there is None else [there]
    return math.fsum(found) / len(found) if found else None
