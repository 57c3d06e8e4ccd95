"""At which power the device would reach its limit in the customer's room.

Each mount's curve is solved for the power at which its rise fills what is left
between room and limit; these powers are then the mounts' summaries, compared
like any other. A straight line or a fit that takes runs for replicates would
give an interval that is wrong; nothing is said beyond 20 % outside the ladder.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from thermlab.compare.cautions import TRUSTED_POWER, throttle_cautions
from thermlab.compare.mounts import (
    Difference,
    Groups,
    MountTable,
    Scatter,
    fit_shared_curve,
    judge_mounts,
    tabulate_mounts,
)
from thermlab.compare.records import FARTHEST_EXTRAPOLATION, MountThrottle, ThrottlePower, TreatmentThrottle
from thermlab.compare.secondary import assess_curve
from thermlab.stats.curves import EXPONENT, RiseCurve, curve_design, fit_curve, predict_inverse
from thermlab.stats.dunnett import t_point
from thermlab.stats.least_squares import Floats, LinearFit, NotEstimableError, fit_linear
from thermlab.stats.variances import Prior, order_can_be_fitted

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from thermlab.compare.records import Interval, Variance
    from thermlab.runs.records import HeldPower, ReducedRun

OTHER_EXPONENTS = (0.75, 0.85)
"""Exponents of the sink between which a passive sink is expected; they move the answer by what is stated as spread."""

_STEPS_FOR_OWN_CURVE = 3
_SEARCH_FACTOR = 3.0


@dataclass(frozen=True, slots=True)
class MountCurve:
    """The curve of one mount with what its own runs leave open.

    Attributes
    ----------
    curve : RiseCurve
        Fitted curve.
    fit : LinearFit or None
        Its least-squares fit; None where the bend is shared by all mounts.
    covariance : ndarray, shape (2, 2)
        Covariance of its b and a for a run noise of 1.
    run_noise_K : float or None
        Scatter of single runs about the curves of all mounts, K; None without degrees of freedom.
    """

    curve: RiseCurve
    fit: LinearFit | None
    covariance: Floats
    run_noise_K: float | None

    def power_variance_W2(self, power_W: float) -> float:
        """Variance of a power solved from the curve that comes from the scatter of single runs, W2."""
        if self.run_noise_K is None:
            return 0.0
        row = _basis(power_W)
        variance = self.run_noise_K**2 * float(row @ self.covariance @ row)
        return variance / self.curve.slope_K_per_W(power_W) ** 2

    def interval_W(self, rise_K: float, confidence_level: float) -> Interval | None:
        """Return all powers whose confidence band of this mount's own fit holds a rise, W; None where unbounded."""
        power = self.curve.power_W(rise_K)
        if self.fit is None or power is None:
            return None
        found = predict_inverse(
            self.fit,
            _basis,
            rise_K,
            (power / _SEARCH_FACTOR, power * _SEARCH_FACTOR),
            confidence_level=confidence_level,
        )
        return None if found is None else found.interval


def curves_of_mounts(table: MountTable) -> tuple[Sequence[MountCurve | None], str]:
    """Fit the rise curve of every mount.

    Parameters
    ----------
    table : MountTable
        Mounts and steps.

    Returns
    -------
    (curves, model) : tuple of sequence of MountCurve or None, and str
        One entry per mount, None where nothing fixes a curve; and the model in words. Where any mount has fewer than
        three steps, the coefficient of the bend is shared by all mounts.
    """
    words, rows = f"b P + a P^{EXPONENT:g}", range(len(table.names))
    if not table.names:
        return [], f"{words} per mount"
    if int(table.present.sum(axis=1).min()) >= _STEPS_FOR_OWN_CURVE:
        fits = [_own_fit(table, i) for i in rows]
        dof = sum(fit.dof for fit in fits)
        noise = float(np.sqrt(sum(float(fit.residuals @ fit.residuals) for fit in fits) / dof)) if dof else None
        own = [
            MountCurve(_rise_curve(table, i, *fit.coefficients), fit, fit.unscaled_covariance, noise)
            for i, fit in enumerate(fits)
        ]
        return own, f"{words} per mount"
    shared = fit_shared_curve(table)
    if shared is None:
        return [None for _ in rows], f"{words}: too few power steps"
    curves = []
    for i in rows:
        pair = np.array([i, len(table.names)])
        covariance = shared.unscaled_covariance[np.ix_(pair, pair)]
        curve = _rise_curve(table, i, *shared.coefficients[pair])
        curves.append(MountCurve(curve, None, covariance, shared.residual_sd))
    return curves, f"{words}, b per mount, a shared by all mounts because some have fewer than three steps"


def mean_curve(curves: Sequence[RiseCurve]) -> RiseCurve | None:
    """Return the mean of several curves, over the ladders of all; None without any."""
    if not curves:
        return None
    return RiseCurve(
        b_K_per_W=sum(curve.b_K_per_W for curve in curves) / len(curves),
        a=sum(curve.a for curve in curves) / len(curves),
        lowest_W=min(curve.lowest_W for curve in curves),
        highest_W=max(curve.highest_W for curve in curves),
    )


def move_along(curve: RiseCurve, power_W: float, rise_K: float, other_rise_K: float) -> float | None:
    """Move an observed power along a curve to another rise.

    Parameters
    ----------
    curve : RiseCurve
        Curve whose shape is followed; the observation need not lie on it.
    power_W, rise_K : float
        What was observed, W and K.
    other_rise_K : float
        Rise wanted, K.

    Returns
    -------
    float or None
        Power at that rise, W; None where the shifted curve never gets there.
    """
    if not other_rise_K > 0.0:
        return None
    off_the_curve = rise_K - curve.rise_K(power_W)
    return curve.power_W(other_rise_K - off_the_curve)


def model_spread_W(
    table: MountTable, mounts: Sequence[int] | NDArray[np.intp], rise_K: float, power_W: float
) -> float | None:
    """Half-spread of the power at which the mean curve reaches a rise, over curve models.

    Parameters
    ----------
    table : MountTable
        Mounts and steps.
    mounts : sequence of int
        Rows of the table that are averaged.
    rise_K : float
        Rise to be reached, K.
    power_W : float
        Where the curve of the kit reaches it, W.

    Returns
    -------
    float or None
        Over exponents 0.75, 0.8 and 0.85 and a quadratic with intercept (three steps or more), W; None where no other
        model can be fitted.
    """
    rows, columns = np.nonzero(table.present[np.asarray(mounts)])
    powers = table.steps_W[columns]
    rises = table.rise_K[np.asarray(mounts)][rows, columns]
    found = [_power(powers, rises, exponent, rise_K) for exponent in (EXPONENT, *OTHER_EXPONENTS)]
    found.append(_quadratic_power(powers, rises, rise_K, power_W))
    known = [value for value in found if value is not None]
    return (max(known) - min(known)) / 2.0 if len(known) > 1 else None


def _power(powers: Floats, rises: Floats, exponent: float, rise_K: float) -> float | None:
    try:
        return fit_curve(powers, rises, exponent=exponent).power_W(rise_K)
    except NotEstimableError:
        return None


def _quadratic_power(powers: Floats, rises: Floats, rise_K: float, near_W: float) -> float | None:
    """Where a quadratic reaches a rise on its rising branch, W; None where it never does."""
    try:
        c0, c1, c2 = fit_linear(np.column_stack([np.ones_like(powers), powers, powers**2]), rises).coefficients
    except NotEstimableError:
        return None
    rising = [
        float(root.real)
        for root in np.roots([c2, c1, c0 - rise_K])
        if abs(root.imag) < 1e-9 * abs(root.real) and root.real > 0.0 and c1 + 2.0 * c2 * root.real > 0.0
    ]
    return min(rising, key=lambda root: abs(root - near_W)) if rising else None


def _own_fit(table: MountTable, row: int) -> LinearFit:
    has = table.present[row]
    return fit_linear(curve_design(table.steps_W[has]), table.rise_K[row, has])


def _rise_curve(table: MountTable, row: int, b: float, a: float) -> RiseCurve:
    steps = table.steps_W[table.present[row]]
    return RiseCurve(b_K_per_W=float(b), a=float(a), lowest_W=float(steps.min()), highest_W=float(steps.max()))


def _basis(power_W: float) -> Floats:
    return np.array([power_W, power_W**EXPONENT])


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
    radiated_share: float | None = None,
    time_constant_u_K: float = 0.0,
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
    radiated_share : float or None
        Share of the heat that a passive sink radiates, where it is declared; None: between none and a third.
    time_constant_u_K : float
        Standard uncertainty of a settled rise from the time constant of the bench, common to all runs, K.

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
    solved = _Solved(table, limit, curves, powers, _refusals(table, curves, powers, limit))
    ceiling_C = _lowest_ceiling_C(runs)
    if ceiling_C is not None and ceiling_C < temperature_C:
        why = f"sensors end at {ceiling_C:g} degC, below the limit of {temperature_C:g} degC: no reading reaches it"
        solved = replace(solved, refused={name: (why, outside) for name, (_, outside) in solved.refused.items()})
    scatter = _judge(solved, baseline, variance, prior, order_covariate, 1.0 - confidence_level)
    items = tuple(_describe(name, solved, scatter, variance, held, confidence_level) for name in names)
    common = common_power_difference(runs)
    if abs(common) > TRUSTED_POWER:
        items = tuple(on_either_scale(item, common) for item in items)
    rooms = [run.ambient_C for run in runs if run.used and run.ambient_C is not None]
    tested_C = float(np.mean(rooms)) if rooms else room_C
    unsure_K = _UNSURE * time_constant_u_K if cooling == "forced" else 0.0
    items = tuple(
        _in_the_room(item, _room_effect_W(item, tested_C, room_C, limit, cooling, radiated_share), unsure_K)
        for item in items
    )
    found = ThrottlePower(
        room_C=room_C,
        temperature_limit_C=temperature_C,
        model=model,
        model_spread_W=max((i.model_spread_W for i in items if i.model_spread_W is not None), default=None),
        mount_sd_W=scatter.sd,
        mount_sd_dof=scatter.dof if scatter.sd is not None else None,
        treatments=items,
    )
    cautions = throttle_cautions(found, tested_C, scatter, assess_curve(table), common=common, cooling=cooling)
    return replace(found, caution_list=cautions)


# Simulated (tests/compare/test_throttle.py): at a rise of 65 K a sink that radiates a share of its heat rises less by
# 0.365 K of the share per K of warmer room, where 45 K of 63 K are its own (0.31 with 38 K, 0.42 with 52 K); and its
# curve bends by a fraction of the power more than P^0.8 does, above the ladder more than on it.
_FALL_PER_SHARE, _AT_RISE_K = 0.365, 65.0
_BEND_PER_SHARE, _BEND_ABOVE_PER_SHARE = 0.0036, 0.0465
_MOST_SHARE = 1.0 / 3.0
_MOST_OF_RISE = 1.15
"""What a sink with five sixths of the rise adds to that."""
_ABSOLUTE_ZERO_C = -273.15
_UNSURE = 2.0
"""Expanded: an error of the time constant is common to all runs, and forced air is no single exponential."""


def _room_effect_W(
    item: TreatmentThrottle, tested_C: float, room_C: float, limit_K: float, cooling: str, share: float | None
) -> Interval | None:
    """By how much the power in the customer's room lies above what the bench tells; one number with a share, W."""
    power, slope, warmer = item.throttle_power_W, item.slope_K_per_W, room_C - tested_C
    if power is None or slope is None:
        return None
    if cooling == "forced":
        # Fans at constant speed move less mass of warm, thin air.
        effect = -limit_K * warmer / (tested_C - _ABSOLUTE_ZERO_C) / slope
    else:
        above = _BEND_ABOVE_PER_SHARE * (item.extrapolation or 0.0)
        bend = power * max(0.0, _BEND_PER_SHARE + above)
        effect = _FALL_PER_SHARE * limit_K / _AT_RISE_K * warmer / slope + bend
        if share is not None:
            return share * effect, share * effect
        effect *= _MOST_SHARE * _MOST_OF_RISE
    return min(0.0, effect), max(0.0, effect)


def _in_the_room(item: TreatmentThrottle, effect_W: Interval | None, unsure_K: float) -> TreatmentThrottle:
    """Move a throttle power by a known effect of the room; let its intervals hold an effect that is a range."""
    if effect_W is None or item.throttle_power_W is None:
        return item
    moved = effect_W[0] if effect_W[0] == effect_W[1] else 0.0
    low, high = effect_W[0] - unsure_K / (item.slope_K_per_W or 1.0), effect_W[1]
    seen = item.directly_observed_W
    return replace(
        _with_ends(item, lambda interval: (interval[0] + low, interval[1] + high)),
        throttle_power_W=item.throttle_power_W + moved,
        directly_observed_W=None if seen is None else seen + moved,
        room_effect_W=effect_W,
        mounts=tuple(replace(i, throttle_power_W=(i.throttle_power_W or 0.0) + moved) for i in item.mounts),
    )


@dataclass(frozen=True, slots=True)
class _Solved:
    """The mounts with their curves solved for the rise at the limit."""

    table: MountTable
    limit_K: float
    curves: Sequence[MountCurve | None]
    powers_W: Sequence[float | None]
    refused: dict[str, tuple[str, float | None]]
    """By treatment: why it gets no throttle power (empty: it gets one), and how far it lies above its ladder."""


def _refusals(
    table: MountTable, curves: Sequence[MountCurve | None], powers: Sequence[float | None], limit: float
) -> dict[str, tuple[str, float | None]]:
    found: dict[str, tuple[str, float | None]] = {}
    for name in table.treatments:
        own = _rows(table, name)
        missing = ", ".join(table.names[i] for i in own if powers[i] is None)
        reasons = (
            (limit <= 0.0, "the room is not below the limit"),
            (not own, "it has no used mount"),
            (any(curves[i] is None for i in own), "too few power steps were used to fit a curve"),
            (missing, f"the curve of {missing} is flat or falling, or never reaches the limit"),
        )
        reason = next((text for holds, text in reasons if holds), None)
        if reason is not None:
            found[name] = reason, None
            continue
        mean = float(np.mean([powers[i] for i in own]))
        used = table.steps_W[table.present[own].any(axis=0)]
        above, below = mean / float(used.max()) - 1.0, 1.0 - mean / float(used.min())
        share, where = (above, f"above the highest used step of {used.max():g} W")
        if above <= FARTHEST_EXTRAPOLATION:
            share, where = below, f"below the lowest used step of {used.min():g} W"
        trusted = f"more than {100.0 * FARTHEST_EXTRAPOLATION:g} % is not trusted"
        far = f"it would lie {100.0 * share:.1f} % {where}, and {trusted}"
        found[name] = far if share > FARTHEST_EXTRAPOLATION else "", above
    return found


def common_power_difference(runs: Sequence[ReducedRun]) -> float:
    """Return by how much logged and set power differ in the middle of all used runs, as a fraction of the set power."""
    ratios = [run.power_W / run.set_power_W for run in runs if run.used and run.power_W is not None]
    return float(np.median(ratios)) - 1.0 if ratios else 0.0


def on_either_scale(item: TreatmentThrottle, common: float) -> TreatmentThrottle:
    """Let the intervals of a throttle power hold it whichever is right, the logged power or the set power.

    Parameters
    ----------
    item : TreatmentThrottle
        As read with the logged power taken for true.
    common : float
        Common difference of logged and set power, as a fraction of the set power.
    """

    def reach(interval: Interval) -> Interval:
        ends = (*interval, *(end / (1.0 + common) for end in interval))
        return min(ends), max(ends)

    return _with_ends(item, reach)


def _with_ends(item: TreatmentThrottle, reach: Callable[[Interval], Interval]) -> TreatmentThrottle:
    own, future = (None if ends is None else reach(ends) for ends in (item.interval_W, item.future_mount_interval_W))
    return replace(item, interval_W=own, future_mount_interval_W=future)


def _lowest_ceiling_C(runs: Sequence[ReducedRun]) -> float | None:
    """Return the lowest reading at which sensors were found to end, degC; None where none was."""
    found = [flag.evidence["ceiling_C"] for run in runs for flag in run.flags if flag.flag == "at the ceiling"]
    return min(found, default=None)


def _rows(table: MountTable, treatment: str) -> list[int]:
    return [int(i) for i in np.flatnonzero(table.group == table.treatments.index(treatment))]


def _judge(
    solved: _Solved, baseline: str, variance: Variance, prior: Prior | None, order_covariate: bool, alpha: float
) -> Scatter:
    """Judge the throttle powers of the accepted treatments like any other summary of mounts."""
    table = solved.table
    kept = [i for i, group in enumerate(table.group) if not solved.refused[table.treatments[int(group)]][0]]
    values = np.array([solved.powers_W[i] for i in kept], dtype=np.float64)
    group, order = table.group[kept], table.order[kept]
    with_order = order_covariate and table.ordered and variance == "pooled" and order_can_be_fitted(group, order)
    groups = Groups(
        treatments=table.treatments,
        baseline=baseline,
        group=group,
        order=order if with_order else None,
        variance=variance,
        prior_dof=prior.used_dof if prior is not None else 0.0,
        alpha=alpha,
    )
    prior_variance = None
    if prior is not None and kept:
        parts = [
            (prior.mount_sd_K_per_W * value / curve.curve.slope_K_per_W(value)) ** 2 + curve.power_variance_W2(value)
            for value, curve in zip(values.tolist(), (solved.curves[i] for i in kept), strict=True)
            if curve is not None
        ]
        prior_variance = float(np.mean(parts))
    return judge_mounts(values, groups, scale=float(values.max(initial=0.0)) or 1.0, prior_variance=prior_variance)


def _describe(
    name: str,
    solved: _Solved,
    scatter: Scatter,
    variance: Variance,
    held: Sequence[HeldPower],
    confidence_level: float,
) -> TreatmentThrottle:
    """Put together what is known of one treatment."""
    table, limit = solved.table, solved.limit_K
    rows = _rows(table, name)
    own = {i: curve for i, curve in ((i, solved.curves[i]) for i in rows) if curve is not None}
    reason, above = solved.refused[name]
    observed = tuple(item for item in held if item.treatment == name)
    result = TreatmentThrottle(
        treatment=name,
        n_mounts=len(own),
        extrapolation=above,
        observed=observed,
        directly_observed_W=_directly_observed_W(solved, rows, observed),
        reason=reason,
    )
    if reason:
        return result
    mean = scatter.mean[name]
    half, half_future = _half_widths(name, len(rows), scatter, variance, confidence_level) or (None, None)
    apart = next((item for item in scatter.differences if item.treatment == name), Difference(name, None, None))
    return replace(
        result,
        throttle_power_W=mean,
        interval_W=None if half is None else (mean - half, mean + half),
        future_mount_interval_W=None if half_future is None else (mean - half_future, mean + half_future),
        difference_W=apart.difference,
        difference_interval_W=apart.interval,
        simultaneous_difference_interval_W=apart.simultaneous_interval,
        slope_K_per_W=float(np.mean([curve.curve.slope_K_per_W(mean) for curve in own.values()])),
        model_spread_W=model_spread_W(table, rows, limit, mean),
        mounts=tuple(
            MountThrottle(table.names[i], solved.powers_W[i], curve.interval_W(limit, confidence_level))
            for i, curve in own.items()
        ),
    )


def _directly_observed_W(solved: _Solved, rows: list[int], observed: Sequence[HeldPower]) -> float | None:
    """Mean of the powers held at the limit, each moved along a curve to the customer's room, W."""
    table = solved.table
    every = [curve.curve for curve in solved.curves if curve is not None]
    own = {table.names[i]: curve.curve for i, curve in ((i, solved.curves[i]) for i in rows) if curve is not None}
    known = [*(table.steps_W[table.present[rows].any(axis=0)] if rows else table.steps_W)]
    known += [item.held_power_W for item in observed]
    lowest = (1.0 - FARTHEST_EXTRAPOLATION) * min(known, default=0.0)
    highest = (1.0 + FARTHEST_EXTRAPOLATION) * max(known, default=0.0)
    moved = []
    for item in observed:
        # The curve of its mount, else of its treatment, or of the bench where the treatment has none of its own.
        along = own.get(item.mount) or mean_curve([*own.values()] or every)
        power = None if along is None else move_along(along, item.held_power_W, item.held_rise_K, solved.limit_K)
        if power is not None and lowest <= power <= highest:
            moved.append(power)
    return float(np.mean(moved)) if moved else None


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
