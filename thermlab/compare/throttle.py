"""At which power the device would reach its limit in the customer's room.

Each mount's curve is solved for the power at which its rise fills what is left
between room and limit; these powers are then the mounts' summaries, compared
like any other. A straight line or a fit that takes runs for replicates would
give an interval that is wrong; nothing is said beyond 20 % outside the ladder.
"""

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np

from thermlab.compare import records
from thermlab.compare.cautions import TRUSTED_POWER, throttle_cautions
from thermlab.compare.mounts import Groups, MountTable, Scatter, fit_shared_curve, judge_mounts, tabulate_mounts
from thermlab.compare.secondary import assess_curve
from thermlab.runs.records import HeldPower, ReducedRun
from thermlab.stats.curves import EXPONENT, RiseCurve, curve_design, fit_curve, predict_inverse
from thermlab.stats.dunnett import t_point
from thermlab.stats.least_squares import Floats, LinearFit, NotEstimableError, fit_linear
from thermlab.stats.variances import Prior, order_can_be_fitted

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

    def interval_W(self, rise_K: float, confidence_level: float) -> records.Interval | None:
        """Return all powers whose confidence band of this mount's own fit holds a rise, W; None where unbounded."""
        power = self.curve.power_W(rise_K)
        if self.fit is None or power is None:
            return None
        search = power / _SEARCH_FACTOR, power * _SEARCH_FACTOR
        return predict_inverse(self.fit, _basis, rise_K, search, confidence_level=confidence_level)


def curves_of_mounts(table: MountTable) -> tuple[list[MountCurve], str]:
    """Fit the rise curve of every mount.

    Parameters
    ----------
    table : MountTable
        Mounts and steps.

    Returns
    -------
    (curves, model) : tuple of list of MountCurve, and str
        One entry per mount, none at all where nothing fixes a curve; and the model in words. Where any mount has fewer
        than three steps, the coefficient of the bend is shared by all mounts.
    """
    words, rows = f"b P + a P^{EXPONENT:g}", range(len(table.names))
    if not table.names:
        return [], f"{words} per mount"
    if int(table.present.sum(axis=1).min()) >= _STEPS_FOR_OWN_CURVE:
        own = [(table.steps_W[has], rise[has]) for has, rise in zip(table.present, table.rise_K, strict=True)]
        fits = [fit_linear(curve_design(steps), rises) for steps, rises in own]
        dof = sum(fit.dof for fit in fits)
        noise = float(np.sqrt(sum(float(fit.residuals @ fit.residuals) for fit in fits) / dof)) if dof else None
        curves = [_rise_curve(table, i, fit.coefficients) for i, fit in enumerate(fits)]
        each = zip(curves, fits, strict=True)
        return [MountCurve(curve, fit, fit.unscaled_covariance, noise) for curve, fit in each], f"{words} per mount"
    shared = fit_shared_curve(table)
    if shared is None:
        return [], f"{words}: too few power steps"
    found = []
    for pair in ([i, len(rows)] for i in rows):
        curve, covariance = _rise_curve(table, pair[0], shared.coefficients[pair]), shared.unscaled_covariance
        found.append(MountCurve(curve, None, covariance[np.ix_(pair, pair)], shared.residual_sd))
    return found, f"{words}, b per mount, a shared by all mounts because some have fewer than three steps"


def mean_curve(curves: Sequence[RiseCurve]) -> RiseCurve | None:
    """Return the mean of several curves, over the ladders of all; None without any."""
    if not curves:
        return None
    b, a = np.mean([(curve.b_K_per_W, curve.a) for curve in curves], axis=0).tolist()
    lowest, highest = min(curve.lowest_W for curve in curves), max(curve.highest_W for curve in curves)
    return RiseCurve(b_K_per_W=b, a=a, lowest_W=lowest, highest_W=highest)


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


def model_spread_W(table: MountTable, mounts: Sequence[int], rise_K: float, power_W: float) -> float | None:
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
    powers, rises = table.steps_W[columns], table.rise_K[np.asarray(mounts)][rows, columns]
    found: list[float | None] = []
    with contextlib.suppress(NotEstimableError):
        found += [fit_curve(powers, rises, exponent=q).power_W(rise_K) for q in (EXPONENT, *OTHER_EXPONENTS)]
        # A quadratic, on its rising branch.
        c0, c1, c2 = fit_linear(np.column_stack([np.ones_like(powers), powers, powers**2]), rises).coefficients
        roots = [root for root in np.roots([c2, c1, c0 - rise_K]) if abs(root.imag) < 1e-9 * abs(root.real)]
        rising = [float(root.real) for root in roots if root.real > 0.0 and c1 + 2.0 * c2 * root.real > 0.0]
        found.append(min(rising, key=lambda root: abs(root - power_W), default=None))
    known = [value for value in found if value is not None]
    return (max(known) - min(known)) / 2.0 if len(known) > 1 else None


def _rise_curve(table: MountTable, row: int, coefficients: Floats) -> RiseCurve:
    steps, (b, a) = table.steps_W[table.present[row]], coefficients.tolist()
    return RiseCurve(b_K_per_W=b, a=a, lowest_W=float(steps.min()), highest_W=float(steps.max()))


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
    variance: records.Variance = "pooled",
    prior: Prior | None = None,
    order_covariate: bool = False,
    held: Sequence[HeldPower] = (),
    cooling: str = "passive",
    radiated_share: float | None = None,
    time_constant_u_K: float = 0.0,
    measurand: str = "hottest",
) -> records.ThrottlePower:
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
    measurand : {"hottest", "mean"}
        What was reduced; with the mean, the hottest sensor reaches the limit at less power.

    Returns
    -------
    ThrottlePower

    Raises
    ------
    ValueError
        When ``baseline`` is not among ``treatments`` or ``confidence_level`` is not between 0 and 1.
    """
    if baseline not in treatments or not 0.0 < confidence_level < 1.0:
        allowed = f"a baseline among {list(treatments)}, a level between 0 and 1"
        raise ValueError(f"found baseline {baseline!r} and confidence level {confidence_level}; allowed: {allowed}")
    names = (baseline, *(name for name in treatments if name != baseline))
    table = tabulate_mounts(runs, names)
    limit = temperature_C - room_C
    curves, model = curves_of_mounts(table)
    powers = [curve.curve.power_W(limit) for curve in curves]
    groups = table.groups(baseline, variance=variance, prior=prior, alpha=1.0 - confidence_level)
    solved = _Solved(table, groups, limit, curves, powers, _refusals(table, powers, limit))
    # The lowest reading at which sensors were found to end.
    ends_C = [flag.evidence["ceiling_C"] for run in runs for flag in run.flags if flag.flag == "at the ceiling"]
    ceiling_C = min(ends_C, default=None)
    if ceiling_C is not None and ceiling_C < temperature_C:
        why = f"sensors end at {ceiling_C:g} degC, below the limit of {temperature_C:g} degC: no reading reaches it"
        solved = replace(solved, refused={name: (why, outside) for name, (_, outside) in solved.refused.items()})
    scatter = _judge(solved, prior, order_covariate=order_covariate)
    items = tuple(_describe(name, solved, scatter, held) for name in names)
    # By how much logged and set power differ in the middle of all used runs, as a fraction of the set power.
    ratios = [run.power_W / run.set_power_W for run in runs if run.used and run.power_W is not None]
    common = float(np.median(ratios)) - 1.0 if ratios else 0.0
    if abs(common) > TRUSTED_POWER:
        items = tuple(_on_either_scale(item, common) for item in items)
    rooms = [run.ambient_C for run in runs if run.used and run.ambient_C is not None]
    tested_C = float(np.mean(rooms)) if rooms else room_C
    unsure_K = _UNSURE * time_constant_u_K if cooling == "forced" else 0.0
    asked = Rooms(tested_C, room_C, limit, cooling, radiated_share)
    items = tuple(_in_the_room(item, asked, unsure_K) for item in items)
    if measurand == "mean":
        items = tuple(_with_hottest(item, runs) for item in items)
    found = records.ThrottlePower(
        room_C=room_C,
        temperature_limit_C=temperature_C,
        model=model,
        model_spread_W=max((i.model_spread_W for i in items if i.model_spread_W is not None), default=None),
        mount_sd_W=scatter.sd,
        mount_sd_dof=scatter.dof if scatter.sd is not None else None,
        treatments=items,
    )
    said = {"cooling": cooling, "measurand": measurand}
    return replace(found, caution_list=throttle_cautions(found, tested_C, scatter, assess_curve(table), common, said))


def hottest_apart(runs: Sequence[ReducedRun], power_W: float, slope: float) -> tuple[float, float] | None:
    """Return how far the hottest sensor was above the rise judged, and what that takes off a throttle power.

    Parameters
    ----------
    runs : sequence of ReducedRun
        Of one treatment, or of a build.
    power_W, slope : float
        Throttle power, W, and the slope of the curve there, K/W.

    Returns
    -------
    tuple of float or None
        K, W; None where no used run has sensors with a rise.
    """
    above = [
        (max(known) - run.rise_K, run.set_power_W)
        for run in runs
        if run.used and run.rise_K is not None
        if (known := [sensor.rise_K for sensor in run.sensors if sensor.rise_K is not None])
    ]
    if not above:
        return None
    above_K, at_W = max(above)
    # In proportion to power, as a local resistance is: slope and resistance carry the hottest sensor to the limit.
    return above_K, power_W * above_K / at_W / (slope + above_K / at_W)


def _with_hottest(item: records.TreatmentThrottle, runs: Sequence[ReducedRun]) -> records.TreatmentThrottle:
    power, slope = item.throttle_power_W, item.slope_K_per_W
    if power is None or slope is None:
        return item
    found = hottest_apart([run for run in runs if run.treatment == item.treatment], power, slope)
    return item if found is None else replace(item, hottest_above_K=found[0], hottest_less_W=found[1])


# Simulated (tests/compare/test_throttle.py): at a rise of 65 K a sink that radiates a share of its heat rises less by
# 0.365 K of the share per K of warmer room, where 45 K of 63 K are its own (0.31 with 38 K, 0.42 with 52 K); and its
# curve bends by a fraction of the power more than P^0.8 does, above the ladder more than on it.
_FALL_PER_SHARE, _AT_RISE_K = 0.365, 65.0
_BEND_PER_SHARE, _BEND_ABOVE_PER_SHARE = 0.0036, 0.0465
MOST_SHARE = 1.0 / 3.0
MOST_OF_RISE = 1.15
"""What a sink with five sixths of the rise adds to that."""
_ABSOLUTE_ZERO_C = -273.15
_UNSURE = 2.0
"""Expanded: an error of the time constant is common to all runs, and forced air is no single exponential."""


def fall_of_rise_K(rise_K: float, warmer_K: float, room_C: float, cooling: str, share: float) -> float:
    """By how much a rise in a room is lower in a room warmer by so much, K; negative with fans, where it is higher.

    Parameters
    ----------
    rise_K, warmer_K : float
        Rise, and by how much the other room is warmer, K.
    room_C : float
        Room of the rise, degC.
    cooling : {"passive", "forced"}
        Fans at constant speed move less mass of warm, thin air.
    share : float
        Share of the heat that a passive sink radiates.
    """
    if cooling == "forced":
        return -rise_K * warmer_K / (room_C - _ABSOLUTE_ZERO_C)
    return share * _FALL_PER_SHARE * rise_K / _AT_RISE_K * warmer_K


class Rooms(NamedTuple):
    """Rooms and limit between which a throttle power is moved, and what decides by how much.

    Attributes
    ----------
    tested_C, room_C : float
        Room of the runs, and the customer's, degC.
    limit_K : float
        Rise to be reached, K.
    cooling : {"passive", "forced"}
        Decides what a warmer room does.
    share : float or None
        Declared share of the heat that radiates.
    """

    tested_C: float
    room_C: float
    limit_K: float
    cooling: str
    share: float | None

    def effect_W(self, power: float, slope: float, extrapolation: float) -> records.Interval:
        """Return by how much the power in the customer's room lies above what the bench tells, W.

        Parameters
        ----------
        power, slope, extrapolation : float
            Throttle power as the bench tells it, W; slope of the curve there, K/W; power over the highest step, less 1.

        Returns
        -------
        tuple of float
            Twice the same number with a share; a range that holds 0 without, and with fans.
        """
        effect = fall_of_rise_K(self.limit_K, self.room_C - self.tested_C, self.tested_C, self.cooling, 1.0) / slope
        if self.cooling != "forced":
            bend = power * max(0.0, _BEND_PER_SHARE + _BEND_ABOVE_PER_SHARE * extrapolation)
            effect = (MOST_SHARE * MOST_OF_RISE if self.share is None else self.share) * (effect + bend)
            if self.share is not None:
                return effect, effect
        return min(0.0, effect), max(0.0, effect)


def _in_the_room(item: records.TreatmentThrottle, rooms: Rooms, unsure_K: float) -> records.TreatmentThrottle:
    """Move a throttle power by a known effect of the room; let its intervals hold an effect that is a range."""
    power, slope, seen = item.throttle_power_W, item.slope_K_per_W, item.directly_observed_W
    if power is None or slope is None:
        return item
    low, high = rooms.effect_W(power, slope, item.extrapolation or 0.0)
    moved = low if low == high else 0.0
    return replace(
        _with_ends(item, lambda ends: (ends[0] + low - unsure_K / slope, ends[1] + high)),
        throttle_power_W=power + moved,
        directly_observed_W=None if seen is None else seen + moved,
        room_effect_W=(low, high),
        mounts=tuple(replace(i, throttle_power_W=(i.throttle_power_W or 0.0) + moved) for i in item.mounts),
    )


def hold_rooms(found: records.ThrottlePower, comparison: records.Comparison | None) -> records.ThrottlePower:
    """Let the intervals of candidates that stood in another room than the baseline hold what that does to a power."""
    apart = {item.treatment: item for item in (comparison.treatments if comparison else ()) if item.room_effect_K}
    limit_K = found.temperature_limit_C - found.room_C

    def held(item: records.TreatmentThrottle) -> records.TreatmentThrottle:
        other = apart.get(item.treatment)
        if other is None or other.room_effect_K is None or not other.mean_rise_K or not item.slope_K_per_W:
            return item
        per_K = limit_K / other.mean_rise_K / item.slope_K_per_W
        low, high = (-per_K * end for end in reversed(other.room_effect_K))
        return _with_ends(item, lambda ends: (ends[0] + low, ends[1] + high), (*_OWN, *_APART))

    return replace(found, treatments=tuple(held(item) for item in found.treatments))


@dataclass(frozen=True, slots=True)
class _Solved:
    """The mounts with their curves solved for the rise at the limit."""

    table: MountTable
    groups: Groups
    limit_K: float
    curves: Sequence[MountCurve]
    powers_W: Sequence[float | None]
    refused: dict[str, tuple[str, float | None]]
    """By treatment: why it gets no throttle power (empty: it gets one), and how far it lies above its ladder."""


def _refusals(table: MountTable, powers: Sequence[float | None], limit: float) -> dict[str, tuple[str, float | None]]:
    found: dict[str, tuple[str, float | None]] = {}
    for name in table.treatments:
        own = _rows(table, name)
        missing = ", ".join(table.names[i] for i in own if powers and powers[i] is None)
        reasons = (
            (limit <= 0.0, "the room is not below the limit"),
            (not own, "it has no used mount"),
            (not powers, "too few power steps were used to fit a curve"),
            (missing, f"the curve of {missing} is flat or falling, or never reaches the limit"),
        )
        if reason := next((text for holds, text in reasons if holds), None):
            found[name] = reason, None
            continue
        mean, used = float(np.mean([powers[i] for i in own])), table.steps_W[table.present[own].any(axis=0)]
        found[name] = too_far(mean, float(used.min()), float(used.max())), mean / float(used.max()) - 1.0
    return found


def too_far(power_W: float, lowest_W: float, highest_W: float, whose: str = "the") -> str:
    """Say why a power so far outside the steps used is not given; empty where it is near enough."""
    above, below = power_W / highest_W - 1.0, 1.0 - power_W / lowest_W
    share, where = above, f"above {whose} highest used step of {highest_W:g} W"
    if above <= records.FARTHEST_EXTRAPOLATION:
        share, where = below, f"below {whose} lowest used step of {lowest_W:g} W"
    trusted = f"more than {100.0 * records.FARTHEST_EXTRAPOLATION:g} % is not trusted"
    far = f"it would lie {100.0 * share:.1f} % {where}, and {trusted}"
    return far if share > records.FARTHEST_EXTRAPOLATION else ""


def _on_either_scale(item: records.TreatmentThrottle, common: float) -> records.TreatmentThrottle:
    """Let the intervals of a throttle power hold it whichever is right, the logged power or the set power."""
    scale = 1.0 / (1.0 + common)
    return _with_ends(item, lambda ends: (min(ends[0], ends[0] * scale), max(ends[1], ends[1] * scale)))


_OWN = ("interval_W", "future_mount_interval_W")
_APART = ("difference_interval_W", "simultaneous_difference_interval_W")


def _with_ends(
    item: records.TreatmentThrottle, reach: Callable[[records.Interval], records.Interval], names: Sequence[str] = _OWN
) -> records.TreatmentThrottle:
    known: dict[str, Any] = {name: reach(ends) for name in names if (ends := getattr(item, name)) is not None}
    return replace(item, **known)


def _rows(table: MountTable, treatment: str) -> list[int]:
    return [int(i) for i in np.flatnonzero(table.group == table.treatments.index(treatment))]


def _judge(solved: _Solved, prior: Prior | None, *, order_covariate: bool) -> Scatter:
    """Judge the throttle powers of the accepted treatments like any other summary of mounts."""
    table, groups = solved.table, solved.groups
    kept = [i for i, group in enumerate(table.group) if not solved.refused[table.treatments[int(group)]][0]]
    values = np.array([solved.powers_W[i] for i in kept], dtype=np.float64)
    group, order = table.group[kept], table.order[kept]
    with_order = order_covariate and table.ordered and groups.variance == "pooled" and order_can_be_fitted(group, order)
    groups = replace(groups, group=group, order=order if with_order else None)
    prior_variance = None
    if prior is not None and kept:
        parts = [
            (prior.mount_sd_K_per_W * value / curve.curve.slope_K_per_W(value)) ** 2 + curve.power_variance_W2(value)
            for value, curve in zip(values.tolist(), (solved.curves[i] for i in kept), strict=True)
        ]
        prior_variance = float(np.mean(parts))
    return judge_mounts(values, groups, scale=float(values.max(initial=0.0)) or 1.0, prior_variance=prior_variance)


def _describe(name: str, solved: _Solved, scatter: Scatter, held: Sequence[HeldPower]) -> records.TreatmentThrottle:
    """Put together what is known of one treatment."""
    table, limit, level = solved.table, solved.limit_K, 1.0 - solved.groups.alpha
    rows = _rows(table, name)
    own = {i: solved.curves[i] for i in rows} if solved.curves else {}
    reason, above = solved.refused[name]
    observed = tuple(item for item in held if item.treatment == name)
    result = records.TreatmentThrottle(
        treatment=name,
        n_mounts=len(own),
        extrapolation=above,
        observed=observed,
        directly_observed_W=_directly_observed_W(solved, rows, observed),
        reason=reason,
    )
    if reason:
        return result
    mean, factor = scatter.mean[name], scatter.mean_variance_factor[name]
    half = _half_width(name, len(rows), solved, scatter)
    ends = [None if half is None else (mean - half * f**0.5, mean + half * f**0.5) for f in (factor, 1.0 + factor)]
    apart = next((item for item in scatter.differences if item.treatment == name), None)
    each = [(table.names[i], solved.powers_W[i], curve.interval_W(limit, level)) for i, curve in own.items()]
    return replace(
        result,
        throttle_power_W=mean,
        interval_W=ends[0],
        future_mount_interval_W=ends[1],
        difference_W=None if apart is None else apart.difference,
        difference_interval_W=None if apart is None else apart.interval,
        simultaneous_difference_interval_W=None if apart is None else apart.simultaneous_interval,
        slope_K_per_W=float(np.mean([curve.curve.slope_K_per_W(mean) for curve in own.values()])),
        model_spread_W=model_spread_W(table, rows, limit, mean),
        mounts=tuple(records.MountThrottle(*mount) for mount in each),
    )


def _directly_observed_W(solved: _Solved, rows: Sequence[int], held: Sequence[HeldPower]) -> float | None:
    """Mean of the powers held at the limit, each moved along a curve to the customer's room, W."""
    table, every = solved.table, [curve.curve for curve in solved.curves]
    by_name = {table.names[i]: every[i] for i in rows if every}
    steps = table.steps_W[table.present[rows].any(axis=0)] if rows else table.steps_W
    lowest, highest = records.trusted_range_W([*steps, *(item.held_power_W for item in held)])
    moved = []
    for item in held:
        # The curve of its mount, else of its treatment, or of the bench where the treatment has none of its own.
        along = by_name.get(item.mount) or mean_curve([*by_name.values()] or every)
        power = None if along is None else move_along(along, item.held_power_W, item.held_rise_K, solved.limit_K)
        if power is not None and lowest <= power <= highest:
            moved.append(power)
    return float(np.mean(moved)) if moved else None


def _half_width(name: str, n_mounts: int, solved: _Solved, scatter: Scatter) -> float | None:
    """Half-width of an interval whose variance is that of one mount, W; None where the scatter is not known."""
    sd, dof = scatter.known_sd, scatter.dof
    if solved.groups.variance == "welch" and sd is not None:
        sd, dof = scatter.sd_by_treatment.get(name), float(n_mounts - 1)
    if not sd or dof <= 0.0:
        return None
    return t_point(1.0 - solved.groups.alpha / 2.0, dof) * sd
