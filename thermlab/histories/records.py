"""What an archive teaches, as plain records."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from thermlab.base.showing import Shown

if TYPE_CHECKING:
    from thermlab.stats.repeats import IndividualsChart, RandomEffects


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignScatter:
    """Scatter between the mounts of one campaign.

    Attributes
    ----------
    bag, title, day : str
        The campaign.
    sd_K_per_W : float
        Standard deviation between mounts of one treatment, run noise taken out, K/W; 0 where noise explains it all.
    variance : float
        Its square before it is kept from being negative, (K/W)^2.
    dof : int
        Used mounts less treatments.
    run_noise_K : float or None
        Standard deviation of one settled rise, K.
    by_treatment : dict of str to float
        Standard deviation of each treatment with two mounts or more, run noise left in, K/W.
    time_constant_min : float or None
        Of the bench in this campaign, min.
    """

    bag: str
    title: str
    day: str
    sd_K_per_W: float
    variance: float
    dof: int
    run_noise_K: float | None
    by_treatment: dict[str, float]
    time_constant_min: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchHistory:
    """Mount SD of one bench, pooled over campaigns.

    Attributes
    ----------
    bench : str
        Its name.
    campaigns : tuple of CampaignScatter
        Oldest first; only those with two mounts of one treatment.
    mount_sd_K_per_W : float or None
        Pooled, run noise taken out, K/W; None where noise explains all scatter, or nothing is replicated.
    dof : int
        Pooled degrees of freedom, in full.
    prior : str or None
        A block for ``campaign.yaml``.
    cautions : tuple of str
        What limits it.
    """

    bench: str
    campaigns: tuple[CampaignScatter, ...]
    mount_sd_K_per_W: float | None
    dof: int
    prior: str | None
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MountPoint:
    """Resistance of one mount at one power step.

    Attributes
    ----------
    bag, title, day, mount, lot : str
        Which mount.
    resistance_K_per_W : float
        Settled rise over set power, K/W.
    """

    bag: str
    title: str
    day: str
    mount: str
    lot: str
    resistance_K_per_W: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineChart:
    """Resistance of a baseline on one bench, mount by mount.

    Attributes
    ----------
    bench, treatment : str
        Where and what.
    power_W : float
        The step that most campaigns have; the highest of these, W.
    points : tuple of MountPoint
        In the order made.
    chart : IndividualsChart or None
        In K/W; None with fewer than three mounts.
    not_at_step : tuple of str
        Titles of campaigns without that step.
    """

    bench: str
    treatment: str
    power_W: float
    points: tuple[MountPoint, ...]
    chart: IndividualsChart | None
    not_at_step: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LotSummary:
    """Lots of one treatment on one bench.

    Attributes
    ----------
    bench, treatment : str
        Where and what.
    power_W : float
        Power step, W.
    lots : tuple of (lot, n_mounts, mean, u)
        Mean resistance of each lot and its standard uncertainty, K/W.
    combined : RandomEffects
        In K/W; its tau is the standard deviation between lots.
    cautions : tuple of str
        What limits it.
    """

    bench: str
    treatment: str
    power_W: float
    lots: tuple[tuple[str, int, float, float], ...]
    combined: RandomEffects
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AgedRun:
    """One run of a mount at an age.

    Attributes
    ----------
    age : float
        In the unit of the trend.
    power_W : float
        Power step, W.
    resistance_K_per_W : float
        Settled rise over set power, K/W.
    """

    age: float
    power_W: float
    resistance_K_per_W: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AgedMount:
    """A mount that was run at several ages.

    Attributes
    ----------
    campaign, mount : str
        Title of the campaign, name of the mount.
    runs : tuple of AgedRun
        By age.
    slope_K_per_W : float
        Change of resistance per unit of age, K/W.
    """

    campaign: str
    mount: str
    runs: tuple[AgedRun, ...]
    slope_K_per_W: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AgeTrend:
    """Change of a treatment with age on one bench.

    Attributes
    ----------
    bench, treatment : str
        Where and what.
    unit : str
        Unit of age, as in the run sheet.
    mounts : tuple of AgedMount
        Every mount with at least two ages at one step.
    slope_K_per_W : float
        Mean change of resistance per unit of age, K/W.
    interval_K_per_W : tuple of float or None
        Its confidence interval.
    power_W : float
        Highest step, for the change in K.
    finding : str
        In words.
    cautions : tuple of str
        What limits it.
    """

    bench: str
    treatment: str
    unit: str
    mounts: tuple[AgedMount, ...]
    slope_K_per_W: float
    interval_K_per_W: tuple[float, float] | None
    power_W: float
    finding: str
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """What one campaign found about a treatment.

    Attributes
    ----------
    bag, title, bench, day : str
        The campaign.
    lots : tuple of str
        Lots of the treatment in it.
    difference_K_per_W : float
        Difference to the baseline over the reference power, K/W; negative: cooler.
    u_K_per_W : float or None
        Its standard uncertainty, K/W; None where mounts were not replicated.
    """

    bag: str
    title: str
    bench: str
    day: str
    lots: tuple[str, ...]
    difference_K_per_W: float
    u_K_per_W: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AcrossCampaigns:
    """One treatment against one baseline, over all campaigns that have both.

    Attributes
    ----------
    treatment, baseline : str
        What is compared.
    studies : tuple of Study
        Oldest first.
    combined : RandomEffects or None
        In K/W; None with fewer than two campaigns that have an uncertainty.
    """

    treatment: str
    baseline: str
    studies: tuple[Study, ...]
    combined: RandomEffects | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildPoint:
    """One run of one build against where a fresh mount was expected.

    Attributes
    ----------
    bag, build, treatment, lot, day, verdict : str
        Which build, and what became of it.
    power_W : float
        Power step, W.
    rise_K : float
        Its settled rise, K.
    expected_K : float
        Mean of the campaign's mounts, K.
    interval_K : tuple of float or None
        Where a fresh mount was expected, K.
    """

    bag: str
    build: str
    treatment: str
    lot: str
    day: str
    verdict: str
    power_W: float
    rise_K: float
    expected_K: float
    interval_K: tuple[float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class History(Shown):
    """What an archive teaches.

    Attributes
    ----------
    archive : str
        Name of the archive's folder.
    n_campaigns, n_builds : int
        How many count.
    confidence_level : float
        Of every interval.
    benches : tuple of BenchHistory
        Mount SD pooled per bench, with a block to paste as a prior.
    baselines : tuple of BaselineChart
        Resistance of each bench's baseline, mount by mount.
    across : tuple of AcrossCampaigns
        Treatments over campaigns.
    lots : tuple of LotSummary
        Lots of one treatment on one bench.
    builds : tuple of BuildPoint
        Oldest first.
    ageing : tuple of AgeTrend
        Trends with age.
    left_out : tuple of str
        What does not count, and why.
    """

    words: ClassVar[str] = "thermlab.histories.words"
    page: ClassVar[str] = "thermlab.histories.page"

    archive: str
    n_campaigns: int
    n_builds: int
    confidence_level: float
    benches: tuple[BenchHistory, ...]
    baselines: tuple[BaselineChart, ...]
    across: tuple[AcrossCampaigns, ...]
    lots: tuple[LotSummary, ...]
    builds: tuple[BuildPoint, ...]
    ageing: tuple[AgeTrend, ...]
    left_out: tuple[str, ...]

    def __repr__(self) -> str:
        return f"history of {self.archive}: {self.n_campaigns} campaigns, {self.n_builds} builds"
