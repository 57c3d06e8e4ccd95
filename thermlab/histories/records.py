"""What an archive teaches, as plain records."""

from dataclasses import dataclass
from typing import ClassVar

from thermlab.base.showing import Shown
from thermlab.stats.repeats import Combined, IndividualsChart


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignScatter:
    """Scatter between the mounts of one campaign.

    Attributes
    ----------
    title, day : str
        The campaign.
    sd_K_per_W : float
        Standard deviation between mounts of one treatment, run noise taken out, K/W; 0 where noise explains it all.
    variance : float
        Its square before it is kept from being negative, (K/W)^2.
    dof : int
        Used mounts less treatments.
    run_noise_K : float or None
        Standard deviation of one settled rise, K.
    time_constant_min : float or None
        Of the bench in this campaign, min.
    """

    title: str
    day: str
    sd_K_per_W: float
    variance: float
    dof: int
    run_noise_K: float | None
    time_constant_min: float | None


@dataclass(frozen=True, slots=True)
class BenchHistory:
    """Mount SD of one bench, pooled over campaigns.

    Attributes
    ----------
    bench : str
        Its name.
    at_power_W : float or None
        Reference power of most of its campaigns, W.
    campaigns : tuple of CampaignScatter
        In the order measured; only those with two mounts of one treatment.
    mount_sd_K_per_W : float or None
        Pooled, run noise taken out, K/W; None where noise explains all scatter, or nothing is replicated. Where every
        campaign has one mount of each: from the differences of campaigns, which it can hardly exceed.
    dof : int
        Pooled degrees of freedom, in full.
    prior : str or None
        A block for ``campaign.yaml``.
    cautions : tuple of str
        What limits it.
    """

    bench: str
    at_power_W: float | None
    campaigns: tuple[CampaignScatter, ...]
    mount_sd_K_per_W: float | None
    dof: int
    prior: str | None
    cautions: tuple[str, ...]

    @property
    def mount_sd_K(self) -> float | None:
        """At the reference power, K."""
        per_W, power = self.mount_sd_K_per_W, self.at_power_W
        return per_W * power if per_W is not None and power is not None else None


@dataclass(frozen=True, slots=True, kw_only=True)
class MountPoint:
    """One mount at one power step, repeats averaged.

    Attributes
    ----------
    bag, campaign, bench, treatment, mount, lot : str
        Which mount; its campaign by title.
    measured : str
        When its first run at the step began, ISO 8601 as logged; empty where no log has dates.
    day : str
        Day of it, or else of the campaign.
    set_power_W : float
        Power step, W.
    rise_K : float
        Settled rise, K.
    lower_grade : bool
        Whether a run of it is a reading without a log.
    """

    bag: str
    campaign: str
    bench: str
    treatment: str
    mount: str
    lot: str
    measured: str
    day: str
    set_power_W: float
    rise_K: float
    lower_grade: bool

    @property
    def resistance_K_per_W(self) -> float:
        """Rise over power, K/W."""
        return self.rise_K / self.set_power_W


@dataclass(frozen=True, slots=True)
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


@dataclass(frozen=True, slots=True)
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
    between_K_per_W, p_value : float
        Standard deviation between lots beyond the scatter of mounts, and the p value for none.
    cautions : tuple of str
        What limits it.
    """

    bench: str
    treatment: str
    power_W: float
    lots: tuple[tuple[str, int, float, float], ...]
    between_K_per_W: float
    p_value: float
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
    """A mount that was run at several ages, or several mounts of one age each, of which none has a name.

    Attributes
    ----------
    campaign, mount : str
        Title of the campaign, name of the mount.
    runs : tuple of AgedRun
        By age.
    slope_K_per_W, u_K_per_W : float
        Change of resistance per unit of age and its standard uncertainty, K/W; that is 0 without degrees of freedom.
    dof : int
        Degrees of freedom of the line.
    """

    campaign: str
    mount: str
    runs: tuple[AgedRun, ...]
    slope_K_per_W: float
    u_K_per_W: float
    dof: int


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

    @property
    def n_mounts(self) -> int:
        """Mounts behind it."""
        return sum(1 if mount.campaign else len(mount.runs) for mount in self.mounts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """What one campaign found about a treatment.

    Attributes
    ----------
    title, bench, day : str
        The campaign.
    n_mounts, n_baseline, n_readings : int
        Mounts of the treatment and of its baseline; how many of both rest on readings without a log.
    difference_K_per_W : float
        Difference to the baseline over the reference power, K/W; negative: cooler.
    in_doubt : bool
        Whether its own report doubts it.
    half_K_per_W : float or None
        Half of the interval that this campaign has alone, K/W: as reported, or with the mount SD of its bench.
    """

    title: str
    bench: str
    day: str
    n_mounts: int
    n_baseline: int
    n_readings: int
    difference_K_per_W: float
    in_doubt: bool
    half_K_per_W: float | None


@dataclass(frozen=True, slots=True)
class AcrossCampaigns:
    """One treatment against one baseline, over all campaigns that have both.

    Attributes
    ----------
    treatment, baseline : str
        What is compared.
    at_power_W : float
        Reference power of most of the campaigns, W; differences are scaled to it as a resistance in series.
    studies : tuple of Study
        In the order measured.
    combined : Combined or None
        In K at that power; None where one campaign alone has no interval.
    method : str
        How they were combined.
    sensitivity : tuple of (scale_K, interval_K)
        The interval with other scales of the prior, K; empty without one.
    cautions : tuple of str
        Why it is wider than a campaign alone, and what limits it.
    """

    treatment: str
    baseline: str
    at_power_W: float
    studies: tuple[Study, ...]
    combined: Combined | None
    method: str
    sensitivity: tuple[tuple[float, tuple[float, float]], ...]
    cautions: tuple[str, ...]

    @property
    def n_mounts(self) -> int:
        """Mounts of treatment and baseline together."""
        return sum(study.n_mounts + study.n_baseline for study in self.studies)


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildPoint:
    """One run of one build against where a fresh mount was expected.

    Attributes
    ----------
    build, day : str
        Which build.
    power_W : float
        Power step, W.
    rise_K : float
        Its settled rise, K.
    expected_K : float
        Mean of the campaign's mounts, K.
    interval_K : tuple of float or None
        Where a fresh mount was expected, K.
    """

    build: str
    day: str
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
        Name of the archive's folder, and of the bench where only one counts.
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
    mounts : tuple of MountPoint
        Every used mount once, at the reference power of its campaign, in the order measured.
    builds : tuple of BuildPoint
        In the order measured.
    ageing : tuple of AgeTrend
        Trends with age.
    left_out : tuple of str
        What does not count, and why.
    """

    words: ClassVar[str] = "thermlab.histories.page"
    page: ClassVar[str] = "thermlab.histories.page"

    archive: str
    n_campaigns: int
    n_builds: int
    confidence_level: float
    benches: tuple[BenchHistory, ...]
    baselines: tuple[BaselineChart, ...]
    across: tuple[AcrossCampaigns, ...]
    lots: tuple[LotSummary, ...]
    mounts: tuple[MountPoint, ...]
    builds: tuple[BuildPoint, ...]
    ageing: tuple[AgeTrend, ...]
    left_out: tuple[str, ...]

    def __repr__(self) -> str:
        return f"history of {self.archive}: {self.n_campaigns} campaigns, {self.n_builds} builds"
