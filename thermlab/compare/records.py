"""What a comparison found: plain records."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from thermlab.base.showing import Shown

if TYPE_CHECKING:
    from thermlab.compare.lack_of_fit import LackOfFit
    from thermlab.compare.reference import MountSummary
    from thermlab.compare.scatter import Interval, Variance
    from thermlab.compare.secondary import OffsetCheck, SecondaryEffect
    from thermlab.compare.verdict import Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class TreatmentComparison:
    """One candidate against the baseline.

    Attributes
    ----------
    treatment : str
        The candidate.
    n_mounts : int
        Its used mounts.
    mean_rise_K, difference_K : float or None
        Mean rise of its mounts at the reference power; the same less the baseline's, K. Negative: cooler.
    interval_K : tuple of float or None
        Interval of this difference alone, K.
    simultaneous_interval_K : tuple of float or None
        Interval that holds together with those of the other candidates: the headline, K.
    equivalence_interval_K : tuple of float or None
        ``D +- t(1 - alpha) SE``: two one-sided tests, K.
    welch_interval_K : tuple of float or None
        Interval of this difference alone with each treatment's own scatter, from two mounts each, K.
    p_value : float or None
        Step-down Dunnett (Holm under Welch); it never sets the verdict.
    equivalent : bool or None
        Whether the equivalence interval lies inside the margin.
    verdict : str
        What is shown.
    verdict_note : str
        What has to be added, or why there is no verdict.
    mounts_needed : int or None
        Mounts of each treatment in total to settle a difference of one margin; only where undecided.
    without_exclusions_K : float or None
        Difference with excluded runs put back, K; filled in by the analysis.
    standard_error_K, dof, critical_value : float or None
        Standard error of the difference, its degrees of freedom, and the point of the headline interval.
    """

    treatment: str
    n_mounts: int
    mean_rise_K: float | None
    difference_K: float | None
    interval_K: Interval | None = None
    simultaneous_interval_K: Interval | None = None
    equivalence_interval_K: Interval | None = None
    welch_interval_K: Interval | None = None
    p_value: float | None = None
    equivalent: bool | None = None
    verdict: Verdict = "not replicated"
    verdict_note: str = ""
    mounts_needed: int | None = None
    without_exclusions_K: float | None = None
    standard_error_K: float | None = None
    dof: float | None = None
    critical_value: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PriorUse:
    """How a prior mount SD entered.

    Attributes
    ----------
    mount_sd_K : float
        Prior mount SD at the reference power without run noise, K.
    run_noise_K : float
        Run noise in one mount's number that was added to it, K.
    dof, used_dof : float
        Pooled degrees of freedom of the prior, and the half of them that count.
    variance_ratio, p_value : float or None
        Own over prior variance, and its two-sided F test; None without own scatter.
    source : str
        Where the prior comes from.
    """

    mount_sd_K: float
    run_noise_K: float
    dof: float
    used_dof: float
    variance_ratio: float | None
    p_value: float | None
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison(Shown):
    """All candidates against the baseline, with the method and what to beware of.

    Attributes
    ----------
    estimand, method : str
        What is compared, and how, in words.
    reference_power_W : float or None
        Power at which the rises are compared, W.
    variance : {"pooled", "welch"}
        Variance method of the headline.
    dof, critical_value : float or None
        Degrees of freedom and point of the headline intervals; None under Welch with several candidates.
    cochran_c, cochran_critical : float or None
        Cochran's C and its 5 % point, with equal counts of two or more.
    lack_of_fit : LackOfFit or None
        F test of the rise curve.
    baseline : str
        The treatment the others are compared with.
    baseline_mean_rise_K : float or None
        Mean rise of its mounts, K.
    baseline_n_mounts : int
        Its used mounts.
    mount_sd_K, mount_sd_dof : float or None
        Mount SD used (with a prior: pooled with it), K, and its degrees of freedom.
    mount_sd_by_treatment : dict of str to float or None
        Standard deviation between the mounts of each treatment, K.
    treatments : tuple of TreatmentComparison
        Candidates, in the order given.
    secondary : tuple of SecondaryEffect
        Declared secondaries.
    offset_check : OffsetCheck or None
        Check for an offset between treatments.
    mounts : tuple of MountSummary
        Every used mount.
    prior : PriorUse or None
        How a prior entered.
    drift_K_per_mount : float or None
        Fitted drift with the order of the mounts, where declared, K.
    cautions : tuple of str
        What a reader has to know, most important first.
    settings : dict
        Every number that was asked for.
    """

    estimand: str
    method: str
    reference_power_W: float | None
    variance: Variance
    dof: float | None
    critical_value: float | None
    cochran_c: float | None
    cochran_critical: float | None
    lack_of_fit: LackOfFit | None
    baseline: str
    baseline_mean_rise_K: float | None
    baseline_n_mounts: int
    mount_sd_K: float | None
    mount_sd_dof: float | None
    mount_sd_by_treatment: dict[str, float | None]
    treatments: tuple[TreatmentComparison, ...]
    secondary: tuple[SecondaryEffect, ...]
    offset_check: OffsetCheck | None
    mounts: tuple[MountSummary, ...]
    prior: PriorUse | None
    drift_K_per_mount: float | None
    cautions: tuple[str, ...]
    settings: dict[str, object]
