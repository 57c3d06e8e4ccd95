"""Beside the rise at the reference power: declared secondaries, the check for an offset, the shape of the curve.

The secondaries are the mean over the ladder and over its upper half, the series
resistance (a line through the origin), and the slope and intercept of the
difference. An offset of the probe or the room between treatments biases all but
the slope; the two are shown side by side and never switched on the outcome of a
test.

A second witness: what two interfaces differ by shows in the rise shortly after the load comes on as well, what two
rooms, places or fans differ by in the settled rise only.

Whether the rise curve describes the steps: the mean rise of all mounts at each
step is fitted by ``b P + a P**0.8``; what is left is judged by the scatter of
single runs about common steps and mount slopes. A fan that changes its speed
between two steps shows as a jump of the resistance between them.
"""

import contextlib
import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Literal

import numpy as np
from scipy.special import fdtrc

from thermlab.base.numbers import with_interval
from thermlab.compare import records
from thermlab.compare.mounts import Difference, Groups, MountTable, ReferenceRise, fit_common_steps, judge_mounts
from thermlab.compare.records import Interval, Secondary, SecondaryEffect, Variance, Witness
from thermlab.runs.records import TOO_SHORT, ReducedRun
from thermlab.stats.curves import curve_design
from thermlab.stats.dunnett import t_point, t_tail
from thermlab.stats.least_squares import Floats, NotEstimableError, crossing, fit_linear
from thermlab.stats.power import noncentral_t_power
from thermlab.stats.variances import Prior

OFFSET_POWER = 0.80
"""Power for which the smallest offset the check would find is stated."""


EARLY_SHARE = {"passive": (0.82, 0.96), "forced": (0.48, 0.96)}
"""How much of a true difference between interfaces the early rise shows (simulated: passive benches with a time
constant of 8 to 15 min, benches with fans of 1.5 to 4 min and a heavy device; lighter devices show more)."""
SCREENED = (TOO_SHORT, "not settled")
"""Why runs are left out that may serve for screening."""
_MOST_LACKING = 0.6
"""Less than this part of the least share is no confirmation."""
_AIR_ALPHA = 0.02
"""Chance to say of a difference in the interface alone that it is in the air."""


def compare_secondaries(
    table: MountTable, groups: Groups, *, prior: Prior | None, run_noise_K: float
) -> tuple[SecondaryEffect, ...]:
    """Compare the treatments on the declared secondaries.

    Parameters
    ----------
    table : MountTable
        Mounts and steps.
    groups : Groups
        Treatments and variance method, as for the primary.
    prior : Prior or None
        Prior mount SD, scaled to each estimand.
    run_noise_K : float
        Standard deviation of one run, K; enters only beside a prior.

    Returns
    -------
    tuple of SecondaryEffect
        By estimand, then by candidate. Estimands that the steps do not carry are left out.
    """
    effects: list[SecondaryEffect] = []
    steps, rise_scale = table.steps_W[table.common], float(np.nanmax(np.abs(table.rise_K), initial=0.0))
    for estimand, values, weights in _summaries(table, steps):
        unit: Literal["K", "K/W"] = "K/W" if estimand in ("series resistance", "offset-proof slope") else "K"
        prior_variance = None
        # An offset does not scale with power: there the prior says nothing.
        if prior is not None and estimand != "offset":
            factor, noise = (float(weights @ steps), float(weights @ weights)) if weights.size else (1.0, 0.0)
            prior_variance = (prior.mount_sd_K_per_W * factor) ** 2 + noise * run_noise_K**2
        scale = rise_scale / float(table.steps_W.max()) if unit == "K/W" else rise_scale
        scatter = judge_mounts(values, groups, scale=scale, prior_variance=prior_variance)
        each = scatter.differences
        effects += [SecondaryEffect(estimand, one.treatment, one.difference, unit, one.interval) for one in each]
    return tuple(effects)


def _summaries(table: MountTable, steps: Floats) -> Iterator[tuple[Secondary, Floats, Floats]]:
    """One summary per mount for each estimand, with its weights on the common steps (none: not of these alone)."""
    rise = table.rise_K[:, table.common]
    if steps.size:
        upper = np.where(np.arange(steps.size) >= steps.size // 2, 1.0, 0.0)
        means: dict[Secondary, Floats] = {"ladder mean": np.ones(steps.size), "upper steps": upper}
        for name, weights in means.items():
            yield name, rise @ (weights / weights.sum()), weights / weights.sum()
    with contextlib.suppress(NotEstimableError):
        slopes = fit_common_steps(table).slope_K_per_W
        yield "series resistance", slopes, steps / float(steps @ steps) if steps.size else steps
    if steps.size >= 2:
        rise = rise - rise.mean(axis=0)
        slope, offset = _line_weights(steps)
        yield "offset-proof slope", rise @ slope, slope
        yield "offset", rise @ offset, offset


def _line_weights(steps: Floats) -> tuple[Floats, Floats]:
    """Weights on the steps of the slope and of the intercept of a straight line."""
    centred = steps - steps.mean()
    slope = centred / float(centred @ centred)
    return slope, 1.0 / steps.size - steps.mean() * slope


def hear_witness(
    runs: Sequence[ReducedRun], table: MountTable, reference: ReferenceRise, groups: Groups, *, cooling: str
) -> dict[str, Witness]:
    """Set the difference of the early rises beside that of the settled rises.

    Parameters
    ----------
    runs : sequence of ReducedRun
        All runs; used ones that have an early rise count.
    table : MountTable
        Used mounts.
    reference : ReferenceRise
        Their settled rises at the reference power.
    groups : Groups
        Treatments and variance method of the headline.
    cooling : {"passive", "forced"}
        Decides how much of a difference shows early.

    Returns
    -------
    dict of str to Witness
        By candidate.
    """
    early, power_W = _early_by_mount(runs, groups, reference.power_W)
    rises, places = reference.rise_K, zip(table.group.tolist(), table.names, strict=True)
    settled = {} if rises is None else dict(zip(places, rises.tolist(), strict=True))
    scale = float(power_W or 1.0)

    def judged(values: dict[tuple[int, str], float], alpha: float) -> tuple[Difference, ...]:
        group = np.array([treatment for treatment, _ in values], dtype=np.intp)
        counts = np.bincount(group, minlength=len(groups.treatments))
        variance: Variance = "pooled" if values and counts[counts > 0].min() < 2 else groups.variance
        own = replace(groups, group=group, order=None, prior_dof=0.0, alpha=alpha, variance=variance)
        return judge_mounts(np.array(list(values.values())), own, scale=scale).differences

    share = EARLY_SHARE[cooling]
    both = [mount for mount in early if mount in settled]
    late = judged({mount: settled[mount] for mount in both}, groups.alpha)
    apart = [judged({mount: settled[mount] - early[mount] / one for mount in both}, _AIR_ALPHA) for one in share]
    why = next((run.early_note for run in runs if run.used and run.early_note), "no start in common")
    found = {}
    for i, (shown, its) in enumerate(zip(judged(early, groups.alpha), late, strict=True)):
        found[shown.treatment] = Witness(None, None, None, f"No early rise: {why}.")
        if shown.difference is not None:
            found[shown.treatment] = _testify(shown, its, [each[i].interval for each in apart], share, scale)
    return found


def _early_by_mount(
    runs: Sequence[ReducedRun], groups: Groups, power_W: float | None
) -> tuple[dict[tuple[int, str], float], float | None]:
    """Early rise of each mount, up to a constant: what its runs are from those they match; and at which power.

    Runs too short for a settled rise count. Without a reference power it is that of the highest step.
    """
    known = [run for run in runs if run.early_rise_K is not None and run.treatment in groups.treatments]
    have = [run for run in known if run.used or run.reason in SCREENED]
    if not have:
        return {}, power_W
    power_W = power_W or max(run.set_power_W for run in have)
    kind = [(run.set_power_W, run.early_from_W or 0.0) for run in have]
    of = [groups.treatments.index(run.treatment) for run in have]
    kinds, present = sorted(set(kind)), sorted(set(of))
    columns = [[one == own for one in kind] for own in kinds] + [[one == own for one in of] for own in present[1:]]
    design = np.array(columns, dtype=np.float64).T
    per_watt = np.array([(run.early_rise_K or 0.0) / run.set_power_W for run in have])
    try:
        fit = fit_linear(design, per_watt * power_W)
    except NotEstimableError:
        return {}, power_W
    effects = dict(zip(present, [0.0, *fit.coefficients[len(kinds) :]], strict=True))
    mounts: dict[tuple[int, str], list[float]] = {}
    for treatment, run, left in zip(of, have, fit.residuals, strict=True):
        mounts.setdefault((treatment, run.mount), []).append(effects[treatment] + float(left))
    return {mount: sum(values) / len(values) for mount, values in mounts.items()}, power_W


def _testify(
    early: Difference, late: Difference, apart: list[Interval | None], share: Interval, at_W: float
) -> Witness:
    """Say what follows from both differences, or from the early one where there is no settled one.

    `apart`: what the settled one has over the early one, at both shares.
    """
    difference, settled = early.difference or 0.0, late.difference or 0.0
    differs = f"differs by {with_interval(early.difference, early.interval)} K"
    scale = f"1 K between interfaces reads about {share[0]:g} to {share[1]:g} K early"
    if late.difference is None:
        says = f"Screening only, from soaks too short for a settled rise: the early rise at {at_W:g} W {differs}"
        never = "Not for materials that wet or pump out with time, nor for the throttle power."
        return Witness(early.difference, early.interval, None, f"{says} ({scale}). {never}")
    known = [interval for interval in apart if interval is not None]
    agrees, said = None, ": it neither confirms nor contradicts the settled rise"
    both = _beyond_zero(early.interval) and _beyond_zero(late.interval)
    if early.interval is None or not known:
        said = "; without replicates it cannot be judged"
    elif min(low for low, _ in known) > 0.0 or max(high for _, high in known) < 0.0:
        agrees = False
        said = (
            f", the settled rise of the same mounts by {with_interval(late.difference, late.interval)} K: what they do "
            "not share is in the air, the room, the fan or the heat sink, not in the interface"
        )
    elif both and settled != 0.0 and difference / settled > _MOST_LACKING * share[0]:
        agrees, said = True, ": it confirms that the difference is in the interface"
    return Witness(early.difference, early.interval, agrees, f"The early rise {differs}{said} ({scale}).")


def _beyond_zero(interval: Interval | None) -> bool:
    return interval is not None and (interval[0] > 0.0 or interval[1] < 0.0)


def check_offset(table: MountTable, groups: Groups) -> records.OffsetCheck | None:
    """Test whether treatments differ by an offset that does not grow with power.

    Parameters
    ----------
    table : MountTable
        Mounts and steps; steps common to all mounts are used.
    groups : Groups
        Treatments; the pooled variance is used, without order and prior.

    Returns
    -------
    OffsetCheck or None
        None below two common steps (three with one mount each), or without scatter to judge by.
    """
    common = table.common
    steps = table.steps_W[common]
    if steps.size < 2:
        return None
    slope_weights, weights = _line_weights(steps)
    rise = table.rise_K[:, common] - table.rise_K[:, common].mean(axis=0)
    intercepts = rise @ weights
    left = rise - intercepts[:, None] - (rise @ slope_weights)[:, None] * steps
    residual_dof = (len(table.names) - 1) * (steps.size - 2)
    residual_sd = math.sqrt(float((left * left).sum()) / residual_dof) if residual_dof > 0 else 0.0
    plain = replace(groups, order=None, variance="pooled", prior_dof=0.0)
    scale = float(np.abs(table.rise_K[:, common]).max())
    between = judge_mounts(intercepts, plain, scale=scale)
    level: Literal["between mounts", "within mounts"] = "between mounts" if between.own_dof > 0 else "within mounts"
    within = residual_sd * math.sqrt(2.0 * float(weights @ weights)) if residual_sd > 1e-9 * scale else None
    tests = []
    for item in between.differences:
        offset, error, dof = item.difference, item.standard_error, item.dof
        if level == "within mounts":
            error, dof = within, float(residual_dof)
        if offset is not None and error is not None and dof:
            t, detectable = t_point(1.0 - groups.alpha / 2.0, dof), _detectable_errors(groups.alpha, dof) * error
            ends, p_value = (offset - t * error, offset + t * error), t_tail(offset / error, dof)
            tests.append(records.OffsetTest(item.treatment, offset, ends, error, dof, p_value, detectable))
    if not tests:
        return None
    smallest = min(test.detectable_K for test in tests)
    note = f"A clean result proves nothing: an offset below about {smallest:.2g} K would mostly go unseen."
    return records.OffsetCheck(level=level, power=OFFSET_POWER, treatments=tuple(tests), note=note)


@lru_cache(maxsize=256)
def _detectable_errors(alpha: float, dof: float) -> float:
    """Smallest true difference found with the stated power, in standard errors."""
    t = t_point(1.0 - alpha / 2.0, dof)
    return crossing(lambda nc: noncentral_t_power(nc, t, dof) - OFFSET_POWER, 0.0, 20.0 * t)


_KINK_LEVEL = 0.01
_KINK_SHARE_OF_RISE = 0.01
_SPECK_K = 1e-6


def assess_curve(table: MountTable) -> records.LackOfFit | None:
    """Judge the rise curve by the scatter of single runs.

    Parameters
    ----------
    table : MountTable
        Mounts and steps; only steps that every mount has are used.

    Returns
    -------
    LackOfFit or None
        None below two mounts or three common steps, or where single runs do not scatter at all.
    """
    common = table.common
    n_mounts = len(table.names)
    if n_mounts < 2 or int(common.sum()) < 3:
        return None
    steps = table.steps_W[common]
    ones = np.ones((n_mounts, steps.size), dtype=np.intp)
    fit = fit_common_steps(replace(table, steps_W=steps, rise_K=table.rise_K[:, common], repeats=ones))
    if fit.run_noise_K is None or fit.run_noise_K <= _SPECK_K:
        return None
    design = curve_design(steps)
    curve = fit_linear(design, fit.step_rise_K)
    noise = fit.run_noise_K**2 / n_mounts
    ratio = float(curve.residuals @ curve.residuals) / curve.dof / noise
    p_value = float(fdtrc(curve.dof, fit.dof, ratio))
    kink = _find_kink(steps, fit.step_rise_K, noise, fit.dof) if p_value < 0.05 else None
    largest = float(np.abs(curve.residuals).max())
    return records.LackOfFit(F=ratio, dof1=curve.dof, dof2=fit.dof, p_value=p_value, largest_K=largest, kink=kink)


def _find_kink(steps: np.ndarray, rise: np.ndarray, noise: float, dof: int) -> records.Kink | None:
    """Try a jump of the resistance between every two neighbours and keep the one that explains most."""
    tried = []
    for place in range(1, steps.size):
        above = np.where(np.arange(steps.size) >= place, steps, 0.0)
        try:
            fit = fit_linear(np.column_stack([curve_design(steps), above]), rise)
        except NotEstimableError:
            continue
        error = math.sqrt(noise * float(fit.unscaled_covariance[2, 2]))
        tried.append((float(fit.coefficients[2]), error, place))
    if not tried:
        return None
    jump, error, place = max(tried, key=lambda found: abs(found[0] / found[1]))
    p_value = min(1.0, (steps.size - 1) * t_tail(jump / error, dof))
    # A curve bent by radiation is not quite a power law either; a fan that changes speed is a larger matter.
    large = abs(jump) * steps[place] > _KINK_SHARE_OF_RISE * abs(rise[place])
    if p_value >= _KINK_LEVEL or not large:
        return None
    return records.Kink(float(steps[place - 1]), float(steps[place]), jump, error, p_value)
