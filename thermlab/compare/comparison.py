"""Candidates against the baseline: difference, intervals, equivalence, verdict.

The mount is the experimental unit. Each mount gives one number, the rise at the
reference power; differences are judged by the scatter of these numbers within
treatments, never by the scatter of runs.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Literal

from scipy.special import fdtr, fdtrc

from thermlab.compare.cautions import (
    caution_counts,
    caution_curve,
    caution_default_reference,
    caution_missing,
    caution_nulls,
    caution_offset,
    caution_order,
    caution_p_values,
    caution_prior,
    caution_steps,
)
from thermlab.compare.doubt import doubts, in_doubt
from thermlab.compare.lack_of_fit import assess_curve
from thermlab.compare.method_choice import (
    choose_variance,
    cochran_at_reference,
    method_in_words,
    mounts_to_settle,
    order_is_usable,
)
from thermlab.compare.mounts import MountTable, fit_common_steps, tabulate_mounts
from thermlab.compare.records import Comparison, PriorUse, TreatmentComparison
from thermlab.compare.reference import ReferenceRise, reference_rise, summarise_mounts
from thermlab.compare.scatter import Difference, Groups, Scatter, judge_mounts
from thermlab.compare.secondary import check_offset, compare_secondaries
from thermlab.compare.verdict import decide, is_equivalent
from thermlab.stats.least_squares import NotEstimableError
from thermlab.stats.variances import Prior

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermlab.runs.records import ReducedRun

__all__ = ["Comparison", "Prior", "PriorUse", "TreatmentComparison", "compare_treatments"]


def compare_treatments(
    runs: Sequence[ReducedRun],
    *,
    treatments: Sequence[str],
    baseline: str,
    margin_K: float,
    confidence_level: float = 0.95,
    reference_power_W: float | None = None,
    variance: Literal["auto", "pooled", "welch"] = "auto",
    prior: Prior | None = None,
    order_covariate: bool = False,
    mounts_planned: int | None = None,
) -> Comparison:
    """Compare every candidate with the baseline.

    Parameters
    ----------
    runs : sequence of ReducedRun
        All runs of the campaign; those not used count only for the order of the mounts.
    treatments : sequence of str
        Baseline and candidates, in the order wanted.
    baseline : str
        One of ``treatments``.
    margin_K : float
        Smallest difference that matters, > 0, K.
    confidence_level : float
        Between 0 and 1; alpha is one minus this, everywhere.
    reference_power_W : float, optional
        Declared reference power, W. Default: the highest step that every used mount has.
    variance : {"auto", "pooled", "welch"}
        Variance method. ``auto``: pooled, or Welch where Cochran's C is beyond its 5 % point.
    prior : Prior, optional
        Mount SD known from earlier campaigns.
    order_covariate : bool
        Take out a linear drift with the order of the mounts.
    mounts_planned : int, optional
        Mounts of each treatment that were planned.

    Returns
    -------
    Comparison

    Raises
    ------
    ValueError
        When ``baseline`` is not among ``treatments``, a treatment is named twice, ``margin_K`` is not above 0 or
        ``confidence_level`` is not between 0 and 1.
    """
    _require(treatments, baseline, margin_K, confidence_level)
    alpha = 1.0 - confidence_level
    table = tabulate_mounts(runs, treatments)
    reference = reference_rise(table, reference_power_W)
    noise = _run_noise(table)
    prior_use = _prior_at_reference(prior, reference, noise)
    cautions = [*reference.cautions, *caution_default_reference(table, reference, reference_power_W)]
    cochran_c, cochran_critical = cochran_at_reference(table, reference)
    used, why = choose_variance(variance, table, prior, cochran_c, cochran_critical, cautions)
    with_order = order_covariate and order_is_usable(table, used, cautions)
    groups = Groups(
        treatments=table.treatments,
        baseline=baseline,
        group=table.group,
        order=table.order if with_order else None,
        variance=used,
        prior_dof=prior.used_dof if prior is not None else 0.0,
        alpha=alpha,
    )
    scatter, plain_welch = _judge(table, reference, groups, prior_use)
    prior_use = _judge_prior(prior_use, scatter)
    needed = mounts_to_settle(table, scatter, groups, margin_K)
    doubted = doubts(runs, treatments, reference.power_W)
    items = tuple(
        in_doubt(_conclude(item, welch, table, baseline, margin_K, reference, scatter, needed), baseline, doubted)
        for item, welch in zip(scatter.differences, plain_welch.differences, strict=True)
    )
    fit = assess_curve(table)
    check = check_offset(table, groups)
    secondary = compare_secondaries(table, groups, prior=prior, run_noise_K=noise or 0.0)
    several = used == "welch" and sum(item.dof is not None for item in items) > 1
    first = next((item for item in items if item.dof is not None), None)
    cautions = [
        *caution_prior(prior_use, scatter),
        *caution_missing(items, scatter, reference),
        *cautions,
        *caution_counts(table, mounts_planned),
        *caution_order(table, baseline),
        *caution_p_values(items, alpha),
        *caution_curve(fit),
        *caution_offset(check, alpha),
        *caution_steps(table),
        *caution_nulls(table, items, secondary, scatter, check, fit),
    ]
    power = reference.power_W
    return Comparison(
        estimand="settled rise"
        + ("" if power is None else f" at {power:g} W")
        + f", mean of mounts, candidate minus {baseline}",
        method=f"{reference.method}; {why}{method_in_words(used, with_order, prior_use, len(items))}",
        reference_power_W=power,
        variance=used,
        dof=None
        if several
        else (first.dof if first else (scatter.dof if used == "pooled" and scatter.dof > 0 else None)),
        critical_value=None if several or first is None else first.critical_value,
        cochran_c=cochran_c,
        cochran_critical=cochran_critical,
        lack_of_fit=fit,
        baseline=baseline,
        baseline_mean_rise_K=scatter.mean.get(baseline),
        baseline_n_mounts=int(table.counts()[table.treatments.index(baseline)]),
        mount_sd_K=scatter.sd,
        mount_sd_dof=scatter.dof if scatter.sd is not None else None,
        mount_sd_by_treatment=scatter.sd_by_treatment,
        treatments=items,
        secondary=secondary,
        offset_check=check,
        mounts=summarise_mounts(table, reference),
        prior=prior_use,
        drift_K_per_mount=scatter.drift_per_mount,
        cautions=tuple(cautions),
        settings={
            "margin_K": margin_K,
            "confidence_level": confidence_level,
            "reference_power_W": reference_power_W,
            "variance": variance,
            "order_covariate": order_covariate,
            "mounts_planned": mounts_planned,
        },
    )


def _require(treatments: Sequence[str], baseline: str, margin_K: float, confidence_level: float) -> None:
    if baseline not in treatments:
        raise ValueError(f"baseline: found {baseline!r}; allowed: one of {list(treatments)}")
    if len(set(treatments)) != len(treatments):
        raise ValueError(f"treatments: found {list(treatments)}; allowed: each name once")
    if not margin_K > 0.0:
        raise ValueError(f"margin_K: found {margin_K}; allowed: greater than 0")
    if not 0.0 < confidence_level < 1.0:
        raise ValueError(f"confidence_level: found {confidence_level}; allowed: between 0 and 1")


def _judge(
    table: MountTable, reference: ReferenceRise, groups: Groups, prior: PriorUse | None
) -> tuple[Scatter, Scatter]:
    """Judge the rises at the reference by the method chosen, and by Welch beside it."""
    if reference.rise_K is None:
        groups = replace(groups, group=table.group[:0], order=None)
        values = table.order[:0]
    else:
        values = reference.rise_K
    scale = float(abs(values).max()) if values.size else 1.0
    variance = None if prior is None else prior.mount_sd_K**2 + prior.run_noise_K**2
    headline = judge_mounts(values, groups, scale=scale, prior_variance=variance)
    return headline, judge_mounts(values, replace(groups, variance="welch", order=None), scale=scale)


def _conclude(
    item: Difference,
    welch: Difference,
    table: MountTable,
    baseline: str,
    margin_K: float,
    reference: ReferenceRise,
    scatter: Scatter,
    needed: dict[str, int | None],
) -> TreatmentComparison:
    """Apply the verdict rule to one candidate."""
    counts = dict(zip(table.treatments, (int(n) for n in table.counts()), strict=True))
    common = TreatmentComparison(
        treatment=item.treatment,
        n_mounts=counts[item.treatment],
        mean_rise_K=item.mean,
        difference_K=item.difference,
    )
    if counts[item.treatment] == 0 or counts[baseline] == 0:
        missing = item.treatment if counts[item.treatment] == 0 else baseline
        return replace(common, verdict_note=f"no used mount of {missing}")
    if reference.rise_K is None:
        return replace(common, verdict_note="no rise at the reference power for every mount")
    if scatter.dof <= 0.0:
        return replace(common, verdict_note="one mount of each cannot separate the material from its mounting")
    interval = item.simultaneous_interval
    if interval is None:
        return replace(
            common,
            verdict="undecided",
            verdict_note="the mounts agree to the last digit: the readout hides their scatter",
        )
    equivalent = is_equivalent(item.equivalence_interval, margin_K)
    verdict, note = decide(interval, bool(equivalent), margin_K)
    mounts = needed.get(item.treatment) if verdict == "undecided" else None
    if mounts is not None and mounts <= min(counts[item.treatment], counts[baseline]):
        note = "as many mounts as a difference of one margin takes are in: it is smaller, or chance hides it"
    return replace(
        common,
        interval_K=item.interval,
        simultaneous_interval_K=interval,
        equivalence_interval_K=item.equivalence_interval,
        welch_interval_K=welch.interval,
        p_value=item.p_value,
        equivalent=equivalent,
        verdict=verdict,
        verdict_note=note,
        mounts_needed=mounts,
        standard_error_K=item.standard_error,
        dof=item.dof,
        critical_value=item.simultaneous_critical,
    )


def _run_noise(table: MountTable) -> float | None:
    try:
        return fit_common_steps(table).run_noise_K
    except NotEstimableError:
        return None


def _prior_at_reference(prior: Prior | None, reference: ReferenceRise, noise: float | None) -> PriorUse | None:
    if prior is None or reference.power_W is None:
        return None
    return PriorUse(
        mount_sd_K=prior.mount_sd_K_per_W * reference.power_W,
        run_noise_K=(noise or 0.0) * reference.noise_factor**0.5,
        dof=prior.dof,
        used_dof=prior.used_dof,
        variance_ratio=None,
        p_value=None,
        source=prior.source,
    )


def _judge_prior(prior: PriorUse | None, scatter: Scatter) -> PriorUse | None:
    """Compare the campaign's own scatter with the prior; it is shown, and never switches the method."""
    if prior is None or scatter.own_sd is None:
        return prior
    ratio = scatter.own_sd**2 / (prior.mount_sd_K**2 + prior.run_noise_K**2)
    dofs = (scatter.own_dof, prior.used_dof)
    p_value = 2.0 * min(float(fdtr(*dofs, ratio)), float(fdtrc(*dofs, ratio)))
    return replace(prior, variance_ratio=ratio, p_value=min(1.0, p_value))
