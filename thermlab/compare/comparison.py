"""Candidates against the baseline: difference, intervals, equivalence, verdict.

The mount is the experimental unit. Each mount gives one number, the rise at the
reference power; differences are judged by the scatter of these numbers within
treatments, never by the scatter of runs.
"""

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from statistics import fmean
from typing import Any, Literal

from scipy.special import fdtr, fdtrc

from thermlab.compare import mounts
from thermlab.compare.cautions import comparison_cautions
from thermlab.compare.mounts import Difference, Groups, MountTable, ReferenceRise, Scatter
from thermlab.compare.records import Comparison, Interval, PriorUse, TreatmentComparison, Variance
from thermlab.compare.secondary import assess_curve, check_offset, compare_secondaries, hear_witness
from thermlab.compare.throttle import MOST_OF_RISE, MOST_SHARE, fall_of_rise_K
from thermlab.compare.verdict import ALL_IN, ROOMS_HIDE, decide, doubts, from_which_power, in_doubt, is_equivalent
from thermlab.runs.records import ReducedRun, rise_name
from thermlab.stats.power import mounts_needed, sd_upper_limit
from thermlab.stats.variances import Prior, cochran, order_can_be_fitted

ROOM_MATTERS, ROOMS_DIFFER = 0.1, 2.0
"""Rooms of two treatments count as different where they may change the difference by more of the margin than this, and
lie more than so many standard errors apart."""


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
    radiated_share: float | None = None,
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
        Decides how much of a difference shows in the early rise, and what a warmer room does to a rise.
    radiated_share : float or None
        Share of the heat that a passive sink radiates, where it is declared; None: between none and a third.

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
    asked: dict[str, Any] = {"margin_K": margin_K, "confidence_level": confidence_level, "variance": variance}
    asked |= {"reference_power_W": reference_power_W, "order_covariate": order_covariate}
    asked["mounts_planned"] = mounts_planned
    alpha = 1.0 - confidence_level
    table = mounts.tabulate_mounts(runs, treatments)
    reference = mounts.reference_rise(table, reference_power_W)
    noise = mounts.run_noise(table, runs)
    prior_use = _prior_at_reference(prior, reference, noise)
    cochran_c, cochran_critical = cochran_at_reference(table, reference)
    used, why, chosen = choose_variance(variance, table, prior, cochran_c, cochran_critical)
    no_order = _why_no_order(table, used) if order_covariate else None
    if no_order:
        chosen.append(f"The declared covariate for the order of the mounts is not used: {no_order}.")
    reference = replace(reference, cautions=(*reference.cautions, *chosen))
    with_order = order_covariate and not no_order
    groups = table.groups(baseline, variance=used, prior=prior, alpha=alpha)
    groups = replace(groups, order=table.order if with_order else None)
    scatter, plain_welch = _judge(table, reference, groups, prior_use)
    prior_use = _judge_prior(prior_use, scatter)
    power, counts = reference.power_W, dict(zip(table.treatments, table.counts().tolist(), strict=True))
    needed = mounts_to_settle(counts, scatter, groups, margin_K)
    doubted = doubts(runs, treatments, power)
    heard = hear_witness(runs, table, reference, groups, cooling=cooling)
    why_none = "no rise at the reference power for every mount" if reference.rise_K is None else ""
    if not why_none and scatter.dof <= 0.0:
        why_none = "one mount of each cannot separate the material from its mounting"
    rooms, share = _rooms(runs, table), MOST_OF_RISE * (MOST_SHARE if radiated_share is None else radiated_share)
    apart = _effects_of_rooms(rooms, scatter, baseline, cooling=cooling, share=share, least_K=ROOM_MATTERS * margin_K)
    items: list[TreatmentComparison] = []
    for item, welch in zip(scatter.differences, plain_welch.differences, strict=True):
        name = item.treatment
        its = _conclude(item, welch, counts, baseline, why_none, margin_K, needed.get(name), apart.get(name), used)
        known = from_which_power(in_doubt(its, baseline, doubted), power, margin_K, table.steps_W.tolist())
        items.append(replace(known, witness=heard.get(name)))
    judged = [item for item in items if item.dof is not None]
    pooled_dof = scatter.dof if used == "pooled" and scatter.dof > 0 and not judged else None
    # Under Welch each candidate has degrees of freedom of its own.
    first = judged[0] if judged and (used == "pooled" or len(judged) == 1) else None
    at = "" if power is None else f" at {power:g} W"
    found = Comparison(
        estimand=f"{rise_name(runs)}{at}, mean of mounts, candidate minus {baseline}",
        method=f"{reference.method}; {why}{method_in_words(used, with_order, prior_use, len(items))}",
        reference_power_W=power,
        variance=used,
        dof=first.dof if first else pooled_dof,
        critical_value=first.critical_value if first else None,
        cochran_c=cochran_c,
        cochran_critical=cochran_critical,
        lack_of_fit=assess_curve(table),
        baseline=baseline,
        baseline_mean_rise_K=scatter.mean.get(baseline),
        baseline_n_mounts=counts[baseline],
        mount_sd_K=scatter.sd,
        mount_sd_dof=scatter.dof if scatter.sd is not None else None,
        mount_sd_by_treatment=scatter.sd_by_treatment,
        treatments=tuple(items),
        secondary=compare_secondaries(table, groups, prior=prior, run_noise_K=noise or 0.0),
        offset_check=check_offset(table, groups),
        mounts=mounts.summarise_mounts(table, reference),
        prior=prior_use,
        drift_K_per_mount=scatter.drift_per_mount,
        settings=asked,
    )
    return replace(found, caution_list=comparison_cautions(found, table, reference, scatter, rooms))


def _require(treatments: Sequence[str], baseline: str, margin_K: float, confidence_level: float) -> None:
    if baseline not in treatments or len(set(treatments)) != len(treatments):
        raise ValueError(f"found baseline {baseline!r} among {list(treatments)}; allowed: one of them, each named once")
    if not (margin_K > 0.0 and 0.0 < confidence_level < 1.0):
        found = f"margin_K {margin_K} and confidence_level {confidence_level}"
        raise ValueError(f"found {found}; allowed: greater than 0, and between 0 and 1")


def _judge(table: MountTable, rises: ReferenceRise, groups: Groups, prior: PriorUse | None) -> tuple[Scatter, Scatter]:
    """Judge the rises at the reference by the method chosen, and by Welch beside it."""
    if rises.rise_K is None:
        groups = replace(groups, group=table.group[:0], order=None)
        values = table.order[:0]
    else:
        values = rises.rise_K
    scale = float(abs(values).max()) if values.size else 1.0
    variance = None if prior is None else prior.mount_sd_K**2 + prior.run_noise_K**2
    headline = mounts.judge_mounts(values, groups, scale=scale, prior_variance=variance)
    return headline, mounts.judge_mounts(values, replace(groups, variance="welch", order=None), scale=scale)


def _rooms(runs: Sequence[ReducedRun], table: MountTable) -> dict[str, list[float]]:
    """Mean room of each mount by treatment, degC."""
    rooms: dict[str, dict[str, list[float]]] = {name: defaultdict(list) for name in table.treatments}
    for run in runs:
        if run.used and run.rise_K is not None and run.ambient_C is not None and run.treatment in rooms:
            rooms[run.treatment][run.mount].append(run.ambient_C)
    return {name: [fmean(mount) for mount in own.values()] for name, own in rooms.items() if own}


def _effects_of_rooms(
    rooms_C: dict[str, list[float]], scatter: Scatter, base: str, *, cooling: str, share: float, least_K: float
) -> dict[str, Interval]:
    """What the difference of each candidate lacks at most for the rooms they stood in; without those it is little.

    Where rooms vary as much from mount to mount of one treatment, what they do is in the scatter between mounts.
    """
    found: dict[str, Interval] = {}
    known = scatter.mean.keys() & rooms_C.keys()
    for name in scatter.mean:
        if name == base or not {name, base} <= known:
            continue
        own, usual = rooms_C[name], rooms_C[base]
        warmer, dof = fmean(own) - fmean(usual), len(own) + len(usual) - 2
        squares = sum((room - fmean(some)) ** 2 for some in (own, usual) for room in some)
        error = math.sqrt(squares / dof * (1 / len(own) + 1 / len(usual))) if dof else 0.0
        rise_K = max(scatter.mean[name], scatter.mean[base])
        lacks = fall_of_rise_K(rise_K, warmer, fmean(usual), cooling, share)
        if abs(lacks) > least_K and abs(warmer) > ROOMS_DIFFER * error:
            found[name] = (min(0.0, lacks), max(0.0, lacks))
    return found


def _conclude(
    item: Difference,
    welch: Difference,
    counts: dict[str, int],
    base: str,
    why: str,
    margin_K: float,
    needed: int | None,
    room: Interval | None,
    variance: Variance,
) -> TreatmentComparison:
    """Apply the verdict rule to one candidate; `why` no candidate can have a verdict, empty where it can.

    `room`: what the rooms leave open; all intervals hold it, and no p value knows of it.
    """
    name, n_mounts = item.treatment, counts[item.treatment]
    common = TreatmentComparison(treatment=name, n_mounts=n_mounts, mean_rise_K=item.mean, difference_K=item.difference)
    missing = [f"no used mount of {one}" for one in (name, base) if counts[one] == 0]
    if missing or why:
        return replace(common, verdict_note=next(iter(missing), why))
    interval = item.simultaneous_interval
    if interval is None:
        hidden = "the mounts agree to the last digit: the readout hides their scatter"
        single = [one for one in (name, base) if counts[one] == 1] if variance == "welch" else []
        own = f"Welch was declared, and {' and '.join(single)} takes two mounts to show a scatter of its own"
        return replace(common, verdict="undecided", verdict_note=own if single else hidden)
    stood = item.equivalence_interval or interval
    low, high = room or (0.0, 0.0)
    both, one_sided, alone, by_welch = (
        ends and (ends[0] + low, ends[1] + high) for ends in (interval, stood, item.interval, welch.interval)
    )
    equivalent = is_equivalent(one_sided or stood, margin_K)
    verdict, note = decide(both or interval, equivalent, margin_K)
    needed = needed if verdict == "undecided" else None
    as_they_stood, _ = decide(interval, is_equivalent(stood, margin_K), margin_K)
    if verdict == "undecided" != as_they_stood:
        needed, note = None, ROOMS_HIDE
    elif needed is not None and needed <= min(n_mounts, counts[base]):
        note = ALL_IN
    return replace(
        common,
        interval_K=alone,
        simultaneous_interval_K=both,
        equivalence_interval_K=one_sided,
        welch_interval_K=by_welch,
        p_value=item.p_value if room is None else None,
        equivalent=equivalent,
        verdict=verdict,
        verdict_note=note,
        mounts_needed=needed,
        standard_error_K=item.standard_error,
        dof=item.dof,
        critical_value=item.critical,
        room_effect_K=room,
    )


def _prior_at_reference(prior: Prior | None, reference: ReferenceRise, noise: float | None) -> PriorUse | None:
    if prior is None or reference.power_W is None:
        return None
    return PriorUse(
        mount_sd_K=prior.mount_sd_K_per_W * reference.power_W,
        run_noise_K=(noise or 0.0) * reference.noise_factor**0.5,
        dof=prior.dof,
        used_dof=prior.used_dof,
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


def cochran_at_reference(table: MountTable, reference: ReferenceRise) -> tuple[float | None, float | None]:
    """Cochran's C of the rises at the reference, with equal counts of at least two."""
    counts = table.counts()
    filled = counts[counts > 0]
    if reference.rise_K is None or filled.size < 2 or filled.min() != filled.max() or filled[0] < 2:
        return None, None
    sds = [float(reference.rise_K[table.group == i].std(ddof=1)) for i in range(counts.size) if counts[i] > 0]
    return cochran(sds, int(filled[0]))


def choose_variance(
    asked: str, table: MountTable, prior: Prior | None, cochran_c: float | None, critical: float | None
) -> tuple[Variance, str, list[str]]:
    """Choose the variance method, say why, and with which cautions."""
    counts = table.counts()
    fewest = int(counts[counts > 0].min()) if counts.any() else 0
    if asked == "welch":
        if prior is None:
            return "welch", "Welch as declared: ", []
        told = "Welch was declared but cannot be used, because a prior is declared; the pooled variance is used."
        return "pooled", "pooled instead of Welch: ", [told]
    if cochran_c is None or critical is None or cochran_c <= critical:
        return "pooled", "", []
    words = f"Cochran's C of {cochran_c:.3f} is beyond its 5 % point of {critical:.3f}"
    unequal = f"The treatments scatter differently ({words})"
    if asked == "auto" and prior is None and fewest >= 3:
        told = f"{unequal}: the verdict rests on Welch's intervals, not pooled ones."
        return "welch", f"Welch because {words}: ", [told]
    wrong = "the pooled intervals of the quieter ones are too wide, those of the noisier ones too narrow"
    return "pooled", "", [f"{unequal}; {wrong}."]


def _why_no_order(table: MountTable, used: Variance) -> str | None:
    """Say why a declared drift with the order cannot be taken out; None where it can."""
    if used == "welch":
        return "it does not go with Welch's method"
    if not table.ordered:
        return "the order of the runs is not known"
    fits = order_can_be_fitted(table.group, table.order)
    return None if fits else "there are too few mounts to tell it from the treatments"


def method_in_words(used: Variance, with_order: bool, prior: PriorUse | None, n_candidates: int) -> str:
    """Name the method of the headline for the report."""
    words = "pooled t on one number per mount" if used == "pooled" else "Welch t per candidate"
    if n_candidates > 1:
        several = {"pooled": "Dunnett points and step-down Dunnett", "welch": "Bonferroni points and Holm"}
        words += f", {several[used]} p values"
    if with_order:
        words += ", linear drift with the order of the mounts taken out"
    if prior is not None:
        words += f", mount SD pooled with a prior of {prior.used_dof:g} degrees of freedom (half of {prior.dof:g})"
    return words


def mounts_to_settle(made: dict[str, int], scatter: Scatter, groups: Groups, margin_K: float) -> dict[str, int | None]:
    """Mounts of each treatment in total that would settle a difference of one margin.

    Parameters
    ----------
    made : dict of str to int
        Used mounts of each treatment.
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
    n, own = sum(count > 0 for count in made.values()), scatter.sd_by_treatment
    if n < 2:
        return {}
    if groups.variance == "welch":
        # The scatter of the two treatments alone (root mean square), and a share of alpha for each candidate.
        known = [(item.treatment, item.dof) for item in scatter.differences if item.dof is not None]
        sds = [math.hypot(own[name] or 0.0, own[groups.baseline] or 0.0) / math.sqrt(2.0) for name, _ in known]
        limits = [sd_upper_limit(sd, dof) for sd, (_, dof) in zip(sds, known, strict=True)]
        numbers = [mounts_needed(margin_K, limit, alpha=groups.alpha / (n - 1)) for limit in limits]
        return dict(zip((name for name, _ in known), numbers, strict=True))
    if scatter.known_sd is None:
        return {}
    limit, prior_dof = sd_upper_limit(scatter.known_sd, scatter.dof), groups.prior_dof
    number = mounts_needed(margin_K, limit, alpha=groups.alpha, n_treatments=n, n_candidates=n - 1, prior_dof=prior_dof)
    return dict.fromkeys(made, number)
