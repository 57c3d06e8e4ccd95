"""Candidates against the baseline: difference, intervals, equivalence, verdict.

The mount is the experimental unit. Each mount gives one number, the rise at the
reference power; differences are judged by the scatter of these numbers within
treatments, never by the scatter of runs.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Literal

from scipy.special import fdtr, fdtrc

from thermlab.compare.cautions import comparison_cautions
from thermlab.compare.mounts import (
    Difference,
    Groups,
    MountTable,
    ReferenceRise,
    Scatter,
    fit_common_steps,
    judge_mounts,
    reference_rise,
    summarise_mounts,
    tabulate_mounts,
)
from thermlab.compare.records import Comparison, PriorUse, TreatmentComparison, Variance
from thermlab.compare.secondary import assess_curve, check_offset, compare_secondaries, hear_witness
from thermlab.compare.verdict import decide, doubts, from_which_power, in_doubt, is_equivalent
from thermlab.stats.least_squares import NotEstimableError
from thermlab.stats.power import mounts_needed, sd_upper_limit
from thermlab.stats.variances import Prior, cochran, order_can_be_fitted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermlab.runs.records import ReducedRun


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
    cooling: str = "passive",
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
    cooling : {"passive", "forced"}
        Decides how much of a difference shows in the early rise.

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
    noise = _run_noise(table, runs)
    prior_use = _prior_at_reference(prior, reference, noise)
    chosen: list[str] = []
    cochran_c, cochran_critical = cochran_at_reference(table, reference)
    used, why = choose_variance(variance, table, prior, cochran_c, cochran_critical, chosen)
    with_order = order_covariate and order_is_usable(table, used, chosen)
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
        from_which_power(
            in_doubt(_conclude(item, welch, table, baseline, margin_K, reference, scatter, needed), baseline, doubted),
            reference.power_W,
            margin_K,
        )
        for item, welch in zip(scatter.differences, plain_welch.differences, strict=True)
    )
    heard = hear_witness(runs, table, reference.rise_K, groups, reference.power_W, cooling=cooling)
    items = tuple(replace(item, witness=heard.get(item.treatment)) for item in items)
    several = used == "welch" and sum(item.dof is not None for item in items) > 1
    first = next((item for item in items if item.dof is not None), None)
    power = reference.power_W
    found = Comparison(
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
        lack_of_fit=assess_curve(table),
        baseline=baseline,
        baseline_mean_rise_K=scatter.mean.get(baseline),
        baseline_n_mounts=int(table.counts()[table.treatments.index(baseline)]),
        mount_sd_K=scatter.sd,
        mount_sd_dof=scatter.dof if scatter.sd is not None else None,
        mount_sd_by_treatment=scatter.sd_by_treatment,
        treatments=items,
        secondary=compare_secondaries(table, groups, prior=prior, run_noise_K=noise or 0.0),
        offset_check=check_offset(table, groups),
        mounts=summarise_mounts(table, reference),
        prior=prior_use,
        drift_K_per_mount=scatter.drift_per_mount,
        settings={
            "margin_K": margin_K,
            "confidence_level": confidence_level,
            "reference_power_W": reference_power_W,
            "variance": variance,
            "order_covariate": order_covariate,
            "mounts_planned": mounts_planned,
        },
    )
    return replace(found, caution_list=comparison_cautions(found, table, reference, scatter, chosen))


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
        critical_value=item.critical,
    )


def _run_noise(table: MountTable, runs: Sequence[ReducedRun]) -> float | None:
    """Scatter of single runs about steps and mounts; with too few steps to see it, what each run says of itself."""
    own = [run.u_rise_a_K for run in runs if run.used and run.u_rise_a_K is not None]
    try:
        found = fit_common_steps(table).run_noise_K
    except NotEstimableError:
        found = None
    return math.sqrt(sum(u * u for u in own) / len(own)) if found is None and own else found


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


_PLANNED_POWER = 0.80
_SD_LIMIT_CONFIDENCE = 0.80


def cochran_at_reference(table: MountTable, reference: ReferenceRise) -> tuple[float | None, float | None]:
    """Cochran's C of the rises at the reference, with equal counts of at least two."""
    counts = table.counts()
    filled = counts[counts > 0]
    if reference.rise_K is None or filled.size < 2 or filled.min() != filled.max() or filled[0] < 2:
        return None, None
    sds = [float(reference.rise_K[table.group == i].std(ddof=1)) for i in range(counts.size) if counts[i] > 0]
    return cochran(sds, int(filled[0]))


def choose_variance(
    asked: str,
    table: MountTable,
    prior: Prior | None,
    cochran_c: float | None,
    critical: float | None,
    cautions: list[str],
) -> tuple[Variance, str]:
    """Choose the variance method, say why, and add a caution where it is not the one asked for."""
    counts = table.counts()
    fewest = int(counts[counts > 0].min()) if counts.any() else 0
    unequal = cochran_c is not None and critical is not None and cochran_c > critical
    if asked == "welch":
        if prior is None and fewest >= 2:
            return "welch", "Welch as declared: "
        reason = "a prior is declared" if prior is not None else "a treatment has fewer than two used mounts"
        cautions.append(f"Welch was declared but cannot be used, because {reason}; the pooled variance is used.")
        return "pooled", "pooled instead of Welch: "
    if not unequal:
        return "pooled", ""
    words = f"Cochran's C of {cochran_c:.3f} is beyond its 5 % point of {critical:.3f}"
    if asked == "auto" and prior is None and fewest >= 3:
        cautions.append(
            f"The treatments scatter differently ({words}): the verdict rests on Welch's intervals, not pooled ones."
        )
        return "welch", f"Welch because {words}: "
    cautions.append(
        f"The treatments scatter differently ({words}); the pooled intervals of the quieter ones are too wide, "
        "those of the noisier ones too narrow."
    )
    return "pooled", ""


def order_is_usable(table: MountTable, used: Variance, cautions: list[str]) -> bool:
    """Say whether a declared drift with the order can be taken out, and add a caution where it cannot."""
    reason = ""
    if used == "welch":
        reason = "it does not go with Welch's method"
    elif not table.ordered:
        reason = "the order of the runs is not known"
    elif not order_can_be_fitted(table.group, table.order):
        reason = "there are too few mounts to tell it from the treatments"
    if reason:
        cautions.append(f"The declared covariate for the order of the mounts is not used: {reason}.")
    return not reason


def method_in_words(used: Variance, with_order: bool, prior: PriorUse | None, n_candidates: int) -> str:
    """Name the method of the headline for the report."""
    words = (
        "Welch t per candidate" + (", Bonferroni points and Holm p values" if n_candidates > 1 else "")
        if used == "welch"
        else "pooled t on one number per mount"
        + (", Dunnett points and step-down Dunnett p values" if n_candidates > 1 else "")
    )
    if with_order:
        words += ", linear drift with the order of the mounts taken out"
    if prior is not None:
        words += f", mount SD pooled with a prior of {prior.used_dof:g} degrees of freedom (half of {prior.dof:g})"
    return words


def mounts_to_settle(table: MountTable, scatter: Scatter, groups: Groups, margin_K: float) -> dict[str, int | None]:
    """Mounts of each treatment in total that would settle a difference of one margin.

    Parameters
    ----------
    table : MountTable
        Used mounts.
    scatter : Scatter
        Their scatter at the reference power.
    groups : Groups
        Treatments and variance method of the headline.
    margin_K : float
        Difference to be settled, K.

    Returns
    -------
    dict of str to int or None
        By candidate, for a power of 0.80 at the upper 80 % limit of the mount SD; without an entry where no scatter
        can be had.
    """
    filled = int((table.counts() > 0).sum())
    if filled < 2:
        return {}
    if groups.variance == "welch":
        # The scatter of the two treatments alone, and a share of alpha for each candidate.
        return {
            item.treatment: mounts_needed(
                margin_K,
                sd_upper_limit(_pair_sd(scatter, item.treatment, groups.baseline), item.dof, _SD_LIMIT_CONFIDENCE),
                power=_PLANNED_POWER,
                alpha=groups.alpha / (filled - 1),
            )
            for item in scatter.differences
            if item.dof is not None
        }
    if scatter.sd is None or not scatter.sd > 0.0 or (scatter.no_scatter and not scatter.dof > scatter.own_dof):
        return {}
    number = mounts_needed(
        margin_K,
        sd_upper_limit(scatter.sd, scatter.dof, _SD_LIMIT_CONFIDENCE),
        power=_PLANNED_POWER,
        alpha=groups.alpha,
        n_treatments=filled,
        n_candidates=filled - 1,
        prior_dof=groups.prior_dof,
    )
    return dict.fromkeys(table.treatments, number)


def _pair_sd(scatter: Scatter, candidate: str, baseline: str) -> float:
    """Root mean square of two treatments' own standard deviations."""
    own = [scatter.sd_by_treatment[name] or 0.0 for name in (candidate, baseline)]
    return math.sqrt(0.5 * (own[0] ** 2 + own[1] ** 2))
