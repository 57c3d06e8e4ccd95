"""At which power the device would reach its limit in the customer's room.

Each mount's curve is solved for the power at which its rise fills what is left
between room and limit; these powers are then the mounts' summaries, compared
like any other. A straight line or a fit that takes runs for replicates would
give an interval that is wrong; nothing is said beyond 20 % outside the ladder.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from thermlab.compare.cautions import caution_curve
from thermlab.compare.lack_of_fit import assess_curve
from thermlab.compare.mount_curves import MountCurve, curves_of_mounts, mean_curve, model_spread_W, move_along
from thermlab.compare.mounts import MountTable, tabulate_mounts
from thermlab.compare.scatter import Groups, Scatter, Variance, judge_mounts
from thermlab.compare.throttle_cautions import caution_intervals, caution_items, caution_observed, caution_room
from thermlab.compare.throttle_records import FARTHEST_EXTRAPOLATION, MountThrottle, ThrottlePower, TreatmentThrottle
from thermlab.stats.dunnett import t_point
from thermlab.stats.variances import order_can_be_fitted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from thermlab.runs.records import HeldPower, ReducedRun
    from thermlab.stats.variances import Prior

__all__ = ["FARTHEST_EXTRAPOLATION", "MountThrottle", "ThrottlePower", "TreatmentThrottle", "predict_throttle"]


def predict_throttle(
    runs: Sequence[ReducedRun],
    *,
    treatments: Sequence[str],
    baseline: str,
    room_C: float,
    temperature_C: float,
    confidence_level: float = 0.95,
    variance: Variance = "pooled",
    prior: Prior | None = None,
    order_covariate: bool = False,
    held: Sequence[HeldPower] = (),
    cooling: str = "passive",
) -> ThrottlePower:
    """Predict the throttle power of every treatment.

    Parameters
    ----------
    runs : sequence of ReducedRun
        All runs of the campaign.
    treatments : sequence of str
        Baseline and candidates; one alone is allowed.
    baseline : str
        One of ``treatments``.
    room_C, temperature_C : float
        The customer's room and the limit of the device, degC.
    confidence_level : float
        Between 0 and 1.
    variance : {"pooled", "welch"}
        The method the comparison used (``Comparison.variance``).
    prior : Prior, optional
        Mount SD known from earlier campaigns.
    order_covariate : bool
        Take out a linear drift with the order of the mounts, as the comparison did.
    held : sequence of HeldPower
        Observations of runs that shed power at their limit.
    cooling : {"passive", "forced"}
        Decides what a warmer room does.

    Returns
    -------
    ThrottlePower

    Raises
    ------
    ValueError
        When ``baseline`` is not among ``treatments`` or ``confidence_level`` is not between 0 and 1.
    """
    if baseline not in treatments or not 0.0 < confidence_level < 1.0:
        raise ValueError(
            f"found baseline {baseline!r} and confidence level {confidence_level}; "
            f"allowed: a baseline among {list(treatments)}, a level between 0 and 1"
        )
    names = (baseline, *(name for name in treatments if name != baseline))
    table = tabulate_mounts(runs, names)
    limit = temperature_C - room_C
    curves, model = curves_of_mounts(table)
    powers = [None if curve is None or limit <= 0.0 else curve.curve.power_W(limit) for curve in curves]
    reasons, extrapolations = _refusals(table, curves, powers, limit)
    ceiling_C = _lowest_ceiling_C(runs)
    if ceiling_C is not None and ceiling_C < temperature_C:
        why = f"sensors end at {ceiling_C:g} degC, below the limit of {temperature_C:g} degC: no reading reaches it"
        reasons = dict.fromkeys(reasons, why)
    accepted = np.array([reasons[names[int(g)]] == "" for g in table.group], dtype=np.bool_)
    scatter = _judge(
        table, curves, powers, accepted, baseline, variance, prior, order_covariate, 1.0 - confidence_level
    )
    items = tuple(
        _describe(
            name, table, curves, powers, limit, confidence_level, reasons, extrapolations, scatter, variance, held
        )
        for name in names
    )
    spreads = [item.model_spread_W for item in items if item.model_spread_W is not None]
    return ThrottlePower(
        room_C=room_C,
        temperature_limit_C=temperature_C,
        model=model,
        model_spread_W=max(spreads) if spreads else None,
        mount_sd_W=scatter.sd,
        mount_sd_dof=scatter.dof if scatter.sd is not None else None,
        treatments=items,
        cautions=(
            *caution_items(items),
            *caution_intervals(items, scatter),
            *caution_observed(items),
            *caution_room(runs, items, room_C, limit, cooling),
            *caution_curve(assess_curve(table)),
        ),
    )


def _refusals(
    table: MountTable, curves: Sequence[MountCurve | None], powers: Sequence[float | None], limit: float
) -> tuple[dict[str, str], dict[str, float]]:
    """Why a treatment gets no throttle power (empty: it gets one), and how far each lies outside its ladder."""
    reasons, extrapolations = {}, {}
    for name in table.treatments:
        own = _rows(table, name)
        missing = [table.names[i] for i in own if powers[i] is None]
        if limit <= 0.0:
            reasons[name] = "the room is not below the limit"
        elif not own:
            reasons[name] = "it has no used mount"
        elif any(curves[i] is None for i in own):
            reasons[name] = "too few power steps were used to fit a curve"
        elif missing:
            reasons[name] = f"the curve of {', '.join(missing)} is flat or falling, or never reaches the limit"
        else:
            mean = float(np.mean([powers[i] for i in own]))
            used = table.steps_W[table.present[own].any(axis=0)]
            extrapolations[name] = mean / float(used.max()) - 1.0
            below = 1.0 - mean / float(used.min())
            reasons[name] = ""
            if extrapolations[name] > FARTHEST_EXTRAPOLATION:
                reasons[name] = (
                    f"it would lie {100.0 * extrapolations[name]:.1f} % above the highest used step of "
                    f"{used.max():g} W, and more than {100.0 * FARTHEST_EXTRAPOLATION:g} % is not trusted"
                )
            elif below > FARTHEST_EXTRAPOLATION:
                reasons[name] = (
                    f"it would lie {100.0 * below:.1f} % below the lowest used step of {used.min():g} W, and more "
                    f"than {100.0 * FARTHEST_EXTRAPOLATION:g} % is not trusted"
                )
    return reasons, extrapolations


def _lowest_ceiling_C(runs: Sequence[ReducedRun]) -> float | None:
    """Return the lowest reading at which sensors were found to end, degC; None where none was."""
    found = [flag.evidence["ceiling_C"] for run in runs for flag in run.flags if flag.flag == "at the ceiling"]
    return min(found, default=None)


def _rows(table: MountTable, treatment: str) -> list[int]:
    return [int(i) for i in np.flatnonzero(table.group == table.treatments.index(treatment))]


def _judge(
    table: MountTable,
    curves: Sequence[MountCurve | None],
    powers: Sequence[float | None],
    accepted: NDArray[np.bool_],
    baseline: str,
    variance: Variance,
    prior: Prior | None,
    order_covariate: bool,
    alpha: float,
) -> Scatter:
    """Judge the throttle powers of the accepted treatments like any other summary of mounts."""
    kept = [int(i) for i in np.flatnonzero(accepted)]
    values = np.array([powers[i] for i in kept], dtype=np.float64)
    order = table.order[kept]
    with_order = order_covariate and table.ordered and variance == "pooled"
    groups = Groups(
        treatments=table.treatments,
        baseline=baseline,
        group=table.group[kept],
        order=order if with_order and order_can_be_fitted(table.group[kept], order) else None,
        variance=variance,
        prior_dof=prior.used_dof if prior is not None else 0.0,
        alpha=alpha,
    )
    prior_variance = None
    if prior is not None and kept:
        parts = [
            (prior.mount_sd_K_per_W * value / curve.curve.slope_K_per_W(value)) ** 2 + curve.power_variance_W2(value)
            for value, curve in ((powers[i] or 0.0, curves[i]) for i in kept)
            if curve is not None
        ]
        prior_variance = float(np.mean(parts))
    return judge_mounts(
        values, groups, scale=float(values.max()) if values.size else 1.0, prior_variance=prior_variance
    )


def _describe(
    name: str,
    table: MountTable,
    curves: Sequence[MountCurve | None],
    powers: Sequence[float | None],
    limit: float,
    confidence_level: float,
    reasons: dict[str, str],
    extrapolations: dict[str, float],
    scatter: Scatter,
    variance: Variance,
    held: Sequence[HeldPower],
) -> TreatmentThrottle:
    """Put together what is known of one treatment."""
    own = _rows(table, name)
    observed = tuple(item for item in held if item.treatment == name)
    own_curves = [curve.curve for curve in (curves[i] for i in own) if curve is not None]
    every = [curve.curve for curve in curves if curve is not None]
    by_mount = {table.names[i]: curve.curve for i, curve in ((i, curves[i]) for i in own) if curve is not None}
    known = [*(table.steps_W[table.present[own].any(axis=0)] if own else table.steps_W)]
    known += [item.held_power_W for item in observed]
    lowest = (1.0 - FARTHEST_EXTRAPOLATION) * min(known, default=0.0)
    highest = (1.0 + FARTHEST_EXTRAPOLATION) * max(known, default=0.0)
    moved = []
    for item in observed:
        # The curve of its mount, else of its treatment, or of the bench where the treatment has none of its own.
        along = by_mount.get(item.mount) or mean_curve(own_curves or every)
        power = None if along is None else move_along(along, item.held_power_W, item.held_rise_K, limit)
        if power is not None and lowest <= power <= highest:
            moved.append(power)
    result = TreatmentThrottle(
        treatment=name,
        n_mounts=len(own_curves),
        extrapolation=extrapolations.get(name),
        observed=observed,
        directly_observed_W=float(np.mean(moved)) if moved else None,
        reason=reasons[name],
    )
    if reasons[name]:
        return result
    mean = scatter.mean[name]
    half = _half_widths(name, len(own), scatter, variance, confidence_level)
    difference = next((item for item in scatter.differences if item.treatment == name), None)
    mounts = []
    for i in own:
        curve, power = curves[i], powers[i]
        fit_interval = curve.interval_W(limit, confidence_level) if curve is not None and power is not None else None
        mounts.append(MountThrottle(mount=table.names[i], throttle_power_W=power, fit_interval_W=fit_interval))
    return replace(
        result,
        throttle_power_W=mean,
        interval_W=None if half is None else (mean - half[0], mean + half[0]),
        future_mount_interval_W=None if half is None else (mean - half[1], mean + half[1]),
        difference_W=None if difference is None else difference.difference,
        difference_interval_W=None if difference is None else difference.interval,
        simultaneous_difference_interval_W=None if difference is None else difference.simultaneous_interval,
        slope_K_per_W=float(np.mean([curve.slope_K_per_W(mean) for curve in own_curves])),
        model_spread_W=model_spread_W(table, own, limit, mean),
        mounts=tuple(mounts),
    )


def _half_widths(
    name: str, n_mounts: int, scatter: Scatter, variance: Variance, confidence_level: float
) -> tuple[float, float] | None:
    """Half-widths of the interval of the mean and of one future mount, W."""
    if variance == "welch":
        sd, dof = scatter.sd_by_treatment.get(name), float(n_mounts - 1)
    else:
        sd, dof = scatter.sd, scatter.dof
    hidden = scatter.no_scatter and not scatter.dof > scatter.own_dof
    if sd is None or dof <= 0.0 or not sd > 0.0 or hidden:
        return None
    t = t_point(0.5 + confidence_level / 2.0, dof)
    factor = scatter.mean_variance_factor[name]
    return float(t * sd * factor**0.5), float(t * sd * (1.0 + factor) ** 0.5)
