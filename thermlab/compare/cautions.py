"""What a comparison warns of, in sentences a builder can act on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermlab.base.numbers import round_to_uncertainty

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermlab.compare.lack_of_fit import LackOfFit
    from thermlab.compare.mounts import MountTable
    from thermlab.compare.records import PriorUse, TreatmentComparison
    from thermlab.compare.reference import ReferenceRise
    from thermlab.compare.scatter import Scatter
    from thermlab.compare.secondary import OffsetCheck, SecondaryEffect

_LARGEST_COUNT_RATIO = 2.0
_STRONG_ORDER_CORRELATION = 0.7
_PRIOR_CONTRADICTED = 0.05
# At 0.05 one good campaign in twenty would be told that its curve is wrong.
_CURVE_LEVEL = 0.01


def caution_counts(table: MountTable, mounts_planned: int | None) -> list[str]:
    """Say what the numbers of mounts weaken.

    Parameters
    ----------
    table : MountTable
        Used mounts.
    mounts_planned : int or None
        Mounts of each treatment that were planned.

    Returns
    -------
    list of str
    """
    cautions = []
    counts = {name: int(n) for name, n in zip(table.treatments, table.counts(), strict=True)}
    for name, count in counts.items():
        if count == 0:
            cautions.append(f"Treatment {name} has no used mount.")
    filled = {name: count for name, count in counts.items() if count}
    if mounts_planned is not None and min(counts.values(), default=0) < mounts_planned:
        short = ", ".join(f"{name} {count}" for name, count in counts.items() if count < mounts_planned)
        cautions.append(
            f"This looks at the data before the {mounts_planned} planned mounts of each treatment are in ({short}): "
            "looking early and stopping on a good result makes chance results more frequent than stated."
        )
    if filled and max(filled.values()) > _LARGEST_COUNT_RATIO * min(filled.values()):
        listed = ", ".join(f"{name} {count}" for name, count in filled.items())
        cautions.append(
            f"Numbers of mounts differ by more than a factor of two ({listed}): where the treatments scatter "
            "differently, the intervals may be too narrow. Equal numbers protect."
        )
    degrees = sum(filled.values()) - len(filled)
    single = [name for name, count in filled.items() if count == 1]
    if degrees > 0 and single:
        verb = "has one mount only: its" if len(single) == 1 else "have one mount only: their"
        cautions.append(f"{', '.join(single)} {verb} scatter is borrowed from the other treatments.")
    return cautions


def caution_order(table: MountTable, baseline: str) -> list[str]:
    """Say where the order of the mounts is mixed up with the treatment.

    Parameters
    ----------
    table : MountTable
        Used mounts with their order.
    baseline : str
        The treatment the others are compared with.

    Returns
    -------
    list of str
    """
    if not table.ordered or baseline not in table.treatments:
        return []
    cautions = []
    base = table.order[table.group == table.treatments.index(baseline)]
    for index, name in enumerate(table.treatments):
        own = table.order[table.group == index]
        if name == baseline or not own.size or not base.size or own.size + base.size < 3:
            continue
        apart = own.max() < base.min() or base.max() < own.min()
        both = np.concatenate([own, base])
        ranks = np.argsort(np.argsort(both)).astype(np.float64)
        arm = np.concatenate([np.ones(own.size), np.zeros(base.size)])
        correlation = float(np.corrcoef(ranks, arm)[0, 1])
        if apart or abs(correlation) >= _STRONG_ORDER_CORRELATION:
            how = "all mounts of one were made before the other" if apart else "one was mostly made before the other"
            cautions.append(
                f"The order of the mounts is confounded with the treatment for {name} and {baseline} ({how}, rank "
                f"correlation {correlation:+.2f}): any drift of the bench or growing practice looks like a difference. "
                "Take turns, one mount of each treatment per round."
            )
    return cautions


def caution_prior(prior: PriorUse | None, scatter: Scatter) -> list[str]:
    """Say how much rests on the prior, and whether it contradicts the data."""
    if prior is None:
        return []
    cautions = []
    share = prior.used_dof / (prior.used_dof + max(scatter.own_dof, 0.0))
    source = f" ({prior.source})" if prior.source else ""
    if scatter.own_dof <= 0.0:
        cautions.append(
            f"The answer rests on the prior: with one mount of each treatment the scatter of {prior.mount_sd_K:.2g} K "
            f"between mounts is taken wholly from earlier campaigns{source}."
        )
    else:
        cautions.append(
            f"A prior mount SD of {prior.mount_sd_K:.2g} K at the reference power{source} carries {share:.0%} of the "
            "degrees of freedom."
        )
    if not prior.run_noise_K > 0.0:
        cautions.append(
            "No run noise could be found from the ladders to add to the prior mount SD; it is taken as none."
        )
    if prior.p_value is not None and prior.p_value < _PRIOR_CONTRADICTED:
        cautions.append(
            f"The prior contradicts the data: the variance between mounts here is {prior.variance_ratio:.2g} times the "
            f"prior one (F test p = {prior.p_value:.2g}). It is used all the same; check that bench, method and "
            "procedure are the same."
        )
    return cautions


def caution_missing(items: Sequence[TreatmentComparison], scatter: Scatter, reference: ReferenceRise) -> list[str]:
    """Say why an interval is missing."""
    cautions = [
        f"No interval for {item.treatment}: {item.verdict_note}."
        for item in items
        if item.simultaneous_interval_K is None
    ]
    if scatter.no_scatter and reference.rise_K is not None:
        cautions.append(
            "The mounts of each treatment agree to the last digit: the readout hides the scatter between mounts."
        )
    return cautions


def caution_default_reference(table: MountTable, reference: ReferenceRise, declared: float | None) -> list[str]:
    """Say that the reference is not the top of the ladder."""
    if declared is not None or reference.power_W is None or not table.names:
        return []
    highest = float(table.steps_W.max())
    if reference.power_W >= highest:
        return []
    words = (
        f"Not every mount has a used run at the highest step of {highest:g} W: rises are compared at "
        f"{reference.power_W:g} W, the highest step that all of them have."
    )
    return [words]


def caution_p_values(items: Sequence[TreatmentComparison], alpha: float) -> list[str]:
    """Say where p value and interval disagree."""
    cautions = []
    for item in items:
        if item.p_value is None or item.simultaneous_interval_K is None:
            continue
        low, high = item.simultaneous_interval_K
        apart = low > 0.0 or high < 0.0
        if apart != (item.p_value < alpha):
            cautions.append(
                f"The adjusted p value of {item.treatment} ({item.p_value:.3f}) and its interval disagree about zero: "
                f"the interval sets the verdict ({item.verdict})."
            )
    return cautions


def caution_curve(fit: LackOfFit | None) -> list[str]:
    """Say where the rise curve fails the steps."""
    if fit is None:
        return []
    cautions = []
    if fit.p_value < _CURVE_LEVEL:
        cautions.append(
            f"The rise curve misses the mean rises at the steps by up to {fit.largest_K:.2g} K, more than the scatter "
            f"of single runs explains (lack of fit: F = {fit.F:.2f} with {fit.dof1} and {fit.dof2} degrees of freedom, "
            f"{_p_words(fit.p_value)}): throttle powers carry an error that their intervals do not show. Differences "
            "at a power step do not rest on the curve."
        )
    if fit.kink is not None:
        cautions.append(
            f"The rise per watt changes by {_signed(fit.kink.jump_K_per_W, fit.kink.standard_error_K_per_W)} K/W "
            f"between {fit.kink.below_W:g} W and "
            f"{fit.kink.above_W:g} W: did a fan change its speed? Then no single curve runs through the ladder."
        )
    return cautions


def caution_offset(check: OffsetCheck | None, alpha: float) -> list[str]:
    """Say where an offset between treatments is shown."""
    if check is None:
        return []
    return [
        f"{test.treatment} differs from the baseline by an offset of {_signed(test.offset_K, test.standard_error_K)} K "
        f"that does not grow with power ({_p_words(test.p_value)}): look for a moved probe or room sensor, and at the "
        "offset-proof slope."
        for test in check.treatments
        if test.p_value < alpha
    ]


def caution_steps(table: MountTable) -> list[str]:
    """Say which steps the secondaries rest on where some mounts lack some steps."""
    common = table.steps_W[table.common]
    if not table.names or common.size == table.steps_W.size:
        return []
    if not common.size:
        return ["No power step was used of every mount: there is no ladder mean, no offset and no offset-proof slope."]
    rest = "" if common.size > 1 else "; one step has no slope and no offset"
    return [
        "Ladder mean, upper steps, offset and offset-proof slope rest on the steps that every mount has: "
        + ", ".join(f"{step:g}" for step in common)
        + f" W{rest}."
    ]


def caution_nulls(
    table: MountTable,
    items: Sequence[TreatmentComparison],
    secondary: Sequence[SecondaryEffect],
    scatter: Scatter,
    check: OffsetCheck | None,
    fit: LackOfFit | None,
) -> list[str]:
    """Say why anything else is missing, where the missing headline does not say it already.

    Parameters
    ----------
    table : MountTable
        Used mounts.
    items : sequence of TreatmentComparison
        Candidates.
    secondary : sequence of SecondaryEffect
        Declared secondaries.
    scatter : Scatter
        Scatter at the reference power.
    check : OffsetCheck or None
        Check for an offset.
    fit : LackOfFit or None
        Test of the rise curve.

    Returns
    -------
    list of str
    """
    if not table.names:
        return []
    cautions = []
    answered = [item.treatment for item in items if item.simultaneous_interval_K is not None]
    if scatter.sd is None and not items:
        cautions.append("The scatter between mounts is not known: there is one mount.")
    alone = [item.treatment for item in items if item.treatment in answered and item.welch_interval_K is None]
    if alone:
        cautions.append(
            f"No Welch interval beside the pooled one for {', '.join(alone)}: it takes two mounts of each and some "
            "scatter between them."
        )
    endless = [item.treatment for item in items if item.verdict == "undecided" and item.mounts_needed is None]
    endless = [name for name in endless if name in answered]
    if endless:
        cautions.append(
            f"No number of mounts that would settle {', '.join(endless)}: it would take more than 10 000 of each to "
            "see a difference as small as the margin."
        )
    silent: dict[str, list[str]] = {}
    for effect in secondary:
        if effect.treatment in answered and effect.difference is not None and effect.interval is None:
            silent.setdefault(effect.treatment, []).append(effect.estimand)
    for name, estimands in silent.items():
        why = (
            "a prior mount SD says nothing of it, and one mount of each shows no scatter"
            if scatter.own_dof <= 0.0
            else "its numbers agree to the last digit"
        )
        cautions.append(f"No interval for {', '.join(estimands)} of {name}: {why}.")
    unseen = []
    if check is None and any(item.n_mounts for item in items):
        unseen.append("an offset between treatments (takes two steps that all mounts share, three with one mount each)")
    if fit is None:
        unseen.append("the shape of the rise curve (takes two mounts that share three steps)")
    if unseen:
        cautions.append(f"Not tested, for want of runs or of scatter between them: {'; '.join(unseen)}.")
    return cautions


def _p_words(p_value: float) -> str:
    """Write a p value; below a thousandth its digits say nothing."""
    return "p < 0.001" if p_value < 0.001 else f"p = {p_value:.2g}"


def _signed(value: float, u: float) -> str:
    """Write a value with its sign, to the digits of its uncertainty."""
    return ("+" if value > 0.0 else "") + round_to_uncertainty(value, u)
