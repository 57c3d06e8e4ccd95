"""Which variance method carries the headline, and why; how many mounts would settle it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from thermlab.stats.power import mounts_needed, sd_upper_limit
from thermlab.stats.variances import Prior, cochran, order_can_be_fitted

if TYPE_CHECKING:
    from thermlab.compare.mounts import MountTable
    from thermlab.compare.records import PriorUse
    from thermlab.compare.reference import ReferenceRise
    from thermlab.compare.scatter import Groups, Scatter, Variance

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
