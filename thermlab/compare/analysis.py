"""The whole job on one campaign: from its folder to every result.

:func:`analyse` reads, reduces, checks, compares, predicts and weighs; an
:class:`Analysis` holds what came out, with the settings used and the cautions,
and measures nothing again.
"""

from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from thermlab.campaign.folder import Campaign, load_campaign
from thermlab.campaign.parameters import apply_overrides, as_made
from thermlab.campaign.settings import CampaignSettings
from thermlab.compare.cautions import campaign_cautions
from thermlab.compare.comparison import compare_treatments
from thermlab.compare.records import Advice, Caution, Comparison, ThrottlePower, Warned
from thermlab.compare.secondary import SCREENED
from thermlab.compare.throttle import hold_rooms, predict_throttle
from thermlab.compare.uncertainty import BudgetLine, build_budget, rise_per_time_constant
from thermlab.compare.value import Value, assess_value, decide_each
from thermlab.compare.verdict import advise_next, count_mounts, mounts_first, what_one_mount_shows
from thermlab.runs.reading import read_campaign_logs
from thermlab.runs.records import ReducedRun
from thermlab.runs.settled_runs import RunTrace, SettledRuns, settle_runs
from thermlab.stats.variances import Prior

Overrides = dict[str, tuple[Any, Any]]
"""What differs from the campaign as written: (written, used) by name."""


@dataclass(frozen=True, slots=True)
class Bench:
    """What the campaign says about its bench.

    Attributes
    ----------
    time_constant_min, u_time_constant_min : float or None
        At the highest power step, with its standard uncertainty, min.
    mount_sd_K, mount_sd_dof : float or None
        Pooled standard deviation between mounts of one treatment, run noise included, at the reference power.
    mount_sd_by_treatment : dict of str to float or None
        The same treatment by treatment.
    prior : dict or None
        The prior mount SD as it was used.
    """

    time_constant_min: float | None
    u_time_constant_min: float | None
    mount_sd_K: float | None = None
    mount_sd_dof: float | None = None
    mount_sd_by_treatment: dict[str, float | None] = field(default_factory=dict)
    prior: dict[str, Any] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Analysis(Warned):
    """Every result of one campaign.

    Attributes
    ----------
    campaign : Campaign
        What the user wrote, overrides applied.
    overrides : dict of str to (written, used)
        What was tried without touching the campaign.
    settings : dict
        Every number used.
    runs : tuple of ReducedRun
        In the order made.
    traces : tuple of RunTrace
        For pictures.
    bench : Bench
        Time constant and mount SD.
    comparison : Comparison or None
        None with one treatment.
    throttle : ThrottlePower or None
        None without limits.
    value : Value or None
        Costs.
    budget : tuple of BudgetLine
        Uncertainty budget.
    caution_list : tuple of Caution
        The gravest first.
    sha256 : dict of str to str
        Checksums of all inputs.
    """

    campaign: Campaign
    overrides: Overrides
    settings: dict[str, Any]
    runs: tuple[ReducedRun, ...]
    traces: tuple[RunTrace, ...]
    bench: Bench
    comparison: Comparison | None
    throttle: ThrottlePower | None
    value: Value | None
    budget: tuple[BudgetLine, ...]
    caution_list: tuple[Caution, ...]
    sha256: dict[str, str]

    @property
    def advice(self) -> Advice:
        """What to do next, the same wherever it is said."""
        return advise_next(self.campaign.settings, self.campaign.runs, self.runs, self.comparison)


def analyse(campaign: Campaign | str | Path, **tried: float | None) -> Analysis:
    """Do the whole job on one campaign.

    Parameters
    ----------
    campaign : Campaign, str or Path
        A campaign or its folder.
    **tried : float or None
        What to try, None as written in the campaign: ``room_C`` and ``temperature_C``, the room and the limit
        there, degC; the decision settings ``margin_K``, ``reference_power_W`` and ``confidence_level``.

    Returns
    -------
    Analysis

    Raises
    ------
    InputError
        With every problem of the campaign's files and of the overrides.
    """
    return analyse_runs(campaign, **tried)[0]


def analyse_runs(campaign: Campaign | str | Path, **tried: float | None) -> tuple[Analysis, SettledRuns]:
    """Do the same and return the reduced runs behind it as well."""
    loaded = campaign if isinstance(campaign, Campaign) else load_campaign(Path(campaign))
    settings, overrides = apply_overrides(loaded.settings, **tried)
    made = replace(loaded, settings=as_made(settings, loaded.settings))
    readings = read_campaign_logs(made)
    settled, used = settle_runs(made, readings.traces), replace(loaded, settings=settings)
    analysis = conclude(used, settled, sha256=readings.sha256, notes=readings.notes, overrides=overrides)
    return analysis, settled


def conclude(
    campaign: Campaign,
    settled: SettledRuns,
    *,
    sha256: dict[str, str],
    overrides: Overrides,
    notes: tuple[str, ...] = (),
) -> Analysis:
    """Go from reduced runs to every result.

    Parameters
    ----------
    campaign : Campaign
        Settings to use.
    settled : SettledRuns
        Its reduced runs.
    sha256 : dict of str to str
        Checksums of the inputs.
    overrides : dict
        What differs from the campaign as written.
    notes : tuple of str
        What the log reader passed over.

    Returns
    -------
    Analysis
    """
    settings, runs = campaign.settings, settled.runs
    whole = compare_campaign(settings, runs)
    comparison = _both_ways(settings, runs, whole) if len(settings.treatments) > 1 else None
    throttle = _throttle(settings, settled, whole)
    if comparison is not None:
        comparison = replace(comparison, one_mount=what_one_mount_shows(comparison, throttle))
        first = mounts_first(settings, comparison, count_mounts(settings, campaign.runs, runs, comparison))
        comparison = decide_each(settings, comparison, throttle, waiting=first)
    return Analysis(
        campaign=campaign,
        overrides=overrides,
        settings=_settings_used(settings, settled, whole),
        runs=runs,
        traces=settled.traces,
        bench=_bench(settled, whole),
        comparison=comparison,
        throttle=throttle,
        value=assess_value(settings.treatments, comparison, baseline=settings.baseline),
        budget=() if whole is None else build_budget(settings, settled, whole, throttle),
        caution_list=campaign_cautions(campaign, settled, whole, throttle, overrides, notes, files=sha256),
        sha256=sha256,
    )


def _asked(settings: CampaignSettings) -> dict[str, Any]:
    """What the settings ask of comparison and throttle power alike."""
    known = settings.prior
    return {
        "treatments": tuple(settings.treatments),
        "baseline": settings.baseline,
        "confidence_level": settings.decision.confidence_level,
        "prior": known and Prior(mount_sd_K_per_W=known.sd_K_per_W, dof=known.dof, source=known.source),
        "cooling": settings.cooling,
        "radiated_share": settings.radiated_share,
    }


def compare_campaign(
    settings: CampaignSettings, runs: tuple[ReducedRun, ...], *, reference_power_W: float | None = None
) -> Comparison | None:
    """Compare the treatments as the settings of a campaign ask for; None without a used or screened run.

    Parameters
    ----------
    settings : CampaignSettings
        What is compared and how.
    runs : tuple of ReducedRun
        Runs that count.
    reference_power_W : float or None
        Reference where the settings name none, W.
    """
    screened = any(run.reason in SCREENED and run.early_rise_K is not None for run in runs)
    if not screened and not any(run.used and run.rise_K is not None for run in runs):
        return None
    return compare_treatments(
        runs,
        **_asked(settings),
        margin_K=settings.decision.margin_K,
        reference_power_W=settings.decision.reference_power_W or reference_power_W,
        variance=settings.analysis.variance,
        order_covariate=settings.analysis.order_covariate,
        mounts_planned=settings.decision.mounts_planned,
    )


def _both_ways(settings: CampaignSettings, runs: tuple[ReducedRun, ...], whole: Comparison | None) -> Comparison | None:
    """Set beside each difference what it would be with the runs that were left out put back."""
    if whole is None or all(run.used or run.rise_K is None for run in runs):
        return whole
    put_back = tuple(replace(run, used=True, reason="") if run.rise_K is not None else run for run in runs)
    # At the same reference: with more runs the default one could move.
    other = compare_campaign(settings, put_back, reference_power_W=whole.reference_power_W)
    if other is None:
        return whole
    pairs = zip(whole.treatments, other.treatments, strict=True)
    items = (replace(item, without_exclusions_K=then.difference_K) for item, then in pairs)
    return replace(whole, treatments=tuple(items))


def _throttle(settings: CampaignSettings, settled: SettledRuns, comparison: Comparison | None) -> ThrottlePower | None:
    runs, constant = settled.runs, settled.bench.time_constant
    held = tuple(run.held for run in runs if run.held is not None)
    if settings.limits is None or (comparison is None and not held):
        return None
    found = predict_throttle(
        runs,
        **_asked(settings),
        room_C=settings.limits.room_C,
        temperature_C=settings.limits.temperature_C,
        variance="pooled" if comparison is None else comparison.variance,
        order_covariate=settings.analysis.order_covariate and comparison is not None,
        held=held,
        measurand=settings.measurand,
        time_constant_u_K=constant.u_time_constant_s / 60.0 * rise_per_time_constant(settled) if constant else 0.0,
    )
    return hold_rooms(found, comparison)


def _bench(settled: SettledRuns, found: Comparison | None) -> Bench:
    constant = settled.bench.time_constant
    minutes: tuple[float | None, float | None] = None, None
    if constant is not None:
        minutes = constant.time_constant_s / 60.0, constant.u_time_constant_s / 60.0
    if found is None:
        return Bench(*minutes)
    prior = None if found.prior is None else asdict(found.prior)
    return Bench(*minutes, found.mount_sd_K, found.mount_sd_dof, dict(found.mount_sd_by_treatment), prior)


def _settings_used(settings: CampaignSettings, settled: SettledRuns, comparison: Comparison | None) -> dict[str, Any]:
    written = settings.model_dump(mode="json", exclude={"treatments", "title", "bench", "checks"})
    # The reference that was used: where none is declared it is the highest step every used mount has.
    written["decision"]["reference_power_used_W"] = None if comparison is None else comparison.reference_power_W
    written["uncertainty"]["ambient_u_K"] = settings.ambient_u_K
    written["checks"] = settings.checks.model_dump()
    written["treatments"] = {name: treatment.model_dump(mode="json") for name, treatment in settings.treatments.items()}
    constant = settled.bench.time_constant
    written["early_rise_min"] = settled.early_s / 60.0
    written["fit_from_min"] = None if constant is None else constant.fit_from_s / 60.0
    return written
